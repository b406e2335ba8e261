"""Rows that a fit used, before and after it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.calibration.write import target_table
from momentshare.report.figures import style
from momentshare.report.figures.layout import Room, Texts, label_room, panel_grid, settle
from momentshare.validation.table import row_labels

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from momentshare.calibration import Calibration

__all__ = ["EDGE_SPREADS", "fit_figure"]

EDGE_SPREADS = 6.0
"""Distance [spreads] beyond which a dot stands at the edge, so that one row does not set the scale;
common practice, no source."""

_ROW = 0.145
"""Height of a row [inch]."""

_LABEL = 5.2
"""Room for the words of a row [inch]; the figure stays as wide as a printed page."""


def _look(when: str, inside: bool) -> dict[str, Any]:
    """Return the look of a row before or after the fit, in its published band or outside."""
    return (style.OPEN if when == "before" else style.FIRM) | {"marker": "o" if inside else "s"}


def fit_figure(fit: Calibration) -> Figure:
    """Distance of the limb from every row that the fit used, open before and full after.

    Squares are outside the published band.

    Parameters
    ----------
    fit : Calibration
    """
    table = target_table(fit)
    used = table[table["use"] == "calibration"]
    names = row_labels([t for t in fit.targets if t.use == "calibration"], fit.model.references)
    labels = [style.fit(name, _LABEL, 7.5) for name in names]
    before, after = (int(used[f"in_band_{when}"].sum()) for when in ("before", "after"))
    misfits = used[["misfit_before", "misfit_after"]].to_numpy(dtype=float)
    far = bool((np.abs(misfits) > EDGE_SPREADS).any())
    lines = np.array([label.count("\n") + 1 for label in labels], dtype=float)
    places = np.cumsum(lines) - 0.5 * lines  # of a row of several lines, the middle
    figure, (ax,) = panel_grid(
        1,
        1,
        (2.9, _ROW * float(lines.sum()) + 0.1),
        Texts(
            title=f"Rows of the fit in their published band: {before} before, {after} after, "
            f"of {len(used)}",
            note="Distance of the limb from each row that the fit used, in the spread that the fit "
            "gives the row; within the grey strip the fit is as close as the row is known. An "
            "order that holds stands at zero. Squares are outside the published band, which is "
            "not the same as the strip."
            + (
                f" Dots at the edge lie beyond {EDGE_SPREADS:g} spreads; the table has them."
                if far
                else ""
            ),
            legend=[
                (f"{when} the fit, {'in' if inside else 'outside'} the band", _look(when, inside))
                for when in ("before", "after")
                for inside in (True, False)
            ],
        ),
        Room(left=label_room(labels)),
    )
    ax.axvspan(-1.0, 1.0, color="0.9", lw=0, zorder=0)
    ax.axvline(0.0, color=style.FAINT, linewidth=0.7, zorder=0)
    for when in ("before", "after"):
        off = np.clip(used[f"misfit_{when}"].to_numpy(dtype=float), -EDGE_SPREADS, EDGE_SPREADS)
        held = used[f"in_band_{when}"].to_numpy(dtype=bool)
        for inside in (True, False):
            at = np.flatnonzero(held == inside)
            ax.plot(off[at], places[at], clip_on=False, **_look(when, inside))
    ax.set_xlim(-EDGE_SPREADS, EDGE_SPREADS)
    ax.set_ylim(float(lines.sum()), 0.0)
    ax.set_yticks(places, labels)
    ax.grid(axis="y", color="#eeeeee", linewidth=0.6)
    ax.set_axisbelow(True)
    ax.set_xlabel("limb less published value [spreads]")
    settle(figure)
    return figure

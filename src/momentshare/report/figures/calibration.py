"""Rows that a fit used, before and after it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.report.figures import style
from momentshare.report.figures.layout import Room, Texts, label_room, panel_grid

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure

__all__ = ["EDGE_SPREADS", "fit_figure"]

EDGE_SPREADS = 6.0
"""Distance [spreads] beyond which a dot stands at the edge, so that one row does not set the scale;
common practice, no source."""

_ROW = 0.155
"""Height of a row [inch]."""

_COLUMN = 30
"""Rows up to which one column holds them, so that the figure stays on a printed page."""


def _look(when: str, inside: bool) -> dict[str, Any]:
    """Return the look of a row before or after the fit, in its published band or outside."""
    return (style.OPEN if when == "before" else style.FIRM) | {"marker": "o" if inside else "s"}


def fit_figure(table: pd.DataFrame) -> Figure:
    """Distance of the limb from every row that the fit used, open before and full after.

    Squares are outside the published band.

    Parameters
    ----------
    table : DataFrame
        From :func:`momentshare.calibration.write.target_table`.
    """
    used = table[table["use"] == "calibration"]
    labels = [str(name).replace("_", " ") for name in used["id"]]
    before, after = (int(used[f"in_band_{when}"].sum()) for when in ("before", "after"))
    misfits = used[["misfit_before", "misfit_after"]].to_numpy(dtype=float)
    far = bool((np.abs(misfits) > EDGE_SPREADS).any())
    columns = 1 if len(labels) <= _COLUMN else 2
    rows = -(-len(labels) // columns)
    rooms = [label_room(labels[k * rows : (k + 1) * rows]) for k in range(columns)]
    figure, axes = panel_grid(
        columns,
        columns,
        (2.4 if columns > 1 else 4.2, _ROW * rows + 0.1),
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
        Room(left=rooms[0], gap=(rooms[-1], 0.0)),
    )
    for k, ax in enumerate(axes):
        part = slice(k * rows, (k + 1) * rows)
        ax.axvspan(-1.0, 1.0, color="0.9", lw=0, zorder=0)
        ax.axvline(0.0, color=style.FAINT, linewidth=0.7, zorder=0)
        for when in ("before", "after"):
            off = np.clip(
                used[f"misfit_{when}"].to_numpy(dtype=float)[part], -EDGE_SPREADS, EDGE_SPREADS
            )
            held = used[f"in_band_{when}"].to_numpy(dtype=bool)[part]
            for inside in (True, False):
                at = np.flatnonzero(held == inside)
                ax.plot(off[at], at, clip_on=False, **_look(when, inside))
        ax.set_xlim(-EDGE_SPREADS, EDGE_SPREADS)
        ax.set_ylim(rows - 0.5, -0.5)
        ax.set_yticks(range(len(labels[part])), labels[part])
        ax.grid(axis="y", color="#eeeeee", linewidth=0.6)
        ax.set_axisbelow(True)
        ax.set_xlabel("limb less published value [spreads]")
    return figure

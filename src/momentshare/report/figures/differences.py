"""Differences with their intervals, a panel each, conditions side by side about a line at zero.

Ascent less descent, right less left arm, EMG less activation, own less published moments.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.cohort.outcomes import OUTCOMES
from momentshare.directions import row_named
from momentshare.report.figures.cohort_lines import listed_conditions, zero_line
from momentshare.report.figures.layout import Room, Texts, panel_grid, settle
from momentshare.report.figures.looks import Looks
from momentshare.report.figures.outcomes import (
    COLUMNS,
    OF_MOMENTS,
    WIDTH,
    broken,
    panel_title,
    split_panels,
)
from momentshare.text import head_label

if TYPE_CHECKING:
    from collections.abc import Callable

    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from momentshare.cohort.summary import CohortSummary

__all__ = ["MIRRORED", "difference_figures"]


_MOMENTS = (*OF_MOMENTS, "joint_peak_power")


MIRRORED = {"bar_rise", "bar_work", "bar_path_length"}
"""Outcomes that descents repeat: what goes up comes down."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Drawn:
    """One figure: titles of its panels, and condition, value, low and high of each."""

    title: str
    note: str
    panels: dict[str, pd.DataFrame]


def difference_figures(summary: CohortSummary) -> dict[str, Callable[[], Figure]]:
    """Name → function that draws it, for the tables that the summary holds."""
    made: dict[str, Callable[..., _Drawn]] = {
        "ascent_descent": partial(
            _paired, title="Outcomes of the ascent less those of the descent"
        ),
        "both_arms": partial(_paired, title="Outcomes: right less left arm"),
        "emg_discrepancy": _of_emg,
        "beside_published": _of_published,
    }
    sources = {"emg_discrepancy": "emg_by_condition"}
    found: dict[str, Callable[[], Figure]] = {}
    for name, make in made.items():
        table = summary.tables.get(sources.get(name, name))
        drawn = None if table is None else make(table, summary)
        if drawn is not None and drawn.panels:
            looks = Looks(_order(summary, drawn), summary.factors)
            for sheet, titles, which in split_panels(name, list(drawn.panels)):
                here = {title: drawn.panels[title] for title in titles}
                part = replace(drawn, title=f"{drawn.title}{which}", panels=here)
                found[sheet] = partial(_figure, part, looks, summary.confidence)
    return found


def _order(summary: CohortSummary, drawn: _Drawn) -> list[str]:
    """Conditions in the order and with the looks of the other figures."""
    here = {str(c) for part in drawn.panels.values() for c in part["condition"]}
    known = listed_conditions(summary.tables["outcomes"]) if "outcomes" in summary.tables else []
    return [*known, *sorted(here - set(known))]


def _paired(table: pd.DataFrame, summary: CohortSummary, title: str) -> _Drawn:
    """Differences within people of the outcomes that figures show."""
    shown = [n in _MOMENTS or OUTCOMES[str(n)].of in {"lift", "angle"} for n in table["outcome"]]
    if "ascent" in title:
        shown = [s and n not in MIRRORED for s, n in zip(shown, table["outcome"], strict=True)]
    mine = table[shown].rename(
        columns={"difference": "value", "difference_low": "low", "difference_high": "high"}
    )
    parts = {
        panel_title(str(name), str(item)): part
        for (name, item), part in mine.groupby(["outcome", "item"], sort=False, observed=True)
    }
    note = (
        f"Mean of the differences within people, lateral force {summary.mode}. Above zero: "
        f"greater in the {'ascent' if 'ascent' in title else 'right arm'}."
        + _of_signed(mine, title)
        + " Marker: mean; "
    )
    return _Drawn(title=title, note=note, panels=_known(parts))


def _of_signed(mine: pd.DataFrame, title: str) -> str:
    """Say that work and power change their sign between ascent and descent, if they are drawn."""
    done = any("done by" in OUTCOMES[str(name)].sign for name in mine["outcome"].unique())
    if "ascent" not in title or not done:
        return ""
    return (
        " Work and power are positive where hand or muscles do them and negative where these give "
        "way."
    )


def _of_emg(table: pd.DataFrame, summary: CohortSummary) -> _Drawn:
    """EMG less predicted activation by head and condition, in per cent of the maximum."""
    ends = ["discrepancy", "discrepancy_low", "discrepancy_high"]
    mine = table.assign(**{n: 100.0 * table[n] for n in ends}).rename(
        columns=dict(zip(ends, ("value", "low", "high"), strict=True))
    )
    parts = {
        f"{head_label(str(head))} [%]": part
        for head, part in mine.groupby("head", sort=False, observed=True)
    }
    note = (
        "EMG over the maximal contraction less predicted activation, lift means of the same "
        f"person, lateral force {summary.mode}. Neither is the reference for the other; "
    )
    return _Drawn(
        title="EMG less predicted activation within each muscle", note=note, panels=_known(parts)
    )


def _of_published(table: pd.DataFrame, summary: CohortSummary) -> _Drawn:
    """Own less published mean moments, by table, moment and region."""
    mine = table.rename(
        columns={
            "difference_nm": "value",
            "difference_low_nm": "low",
            "difference_high_nm": "high",
        }
    )
    sources = list(dict.fromkeys(mine["source"].astype(str)))
    parts = {}
    for (source, row, region), part in mine.groupby(["source", "row", "region"], sort=False):
        title = f"{row_named(str(row)).label}, {region} [N·m]"
        parts[f"{source}, {title}" if len(sources) > 1 else title] = part
    note = (
        f"Own less published mean net moment ({', '.join(sources)}), lateral force {summary.mode}; "
    )
    return _Drawn(title="Own moments less published ones", note=note, panels=_known(parts))


def _known(parts: dict[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
    return {title: part for title, part in parts.items() if part["value"].notna().any()}


def _figure(drawn: _Drawn, looks: Looks, confidence: float) -> Figure:
    figure, axes = panel_grid(
        len(drawn.panels),
        COLUMNS,
        (WIDTH, 1.25),
        Texts(
            title=drawn.title,
            note=f"{drawn.note}bar: its {100 * confidence:g} % interval. The line is at zero. "
            "Every panel has its own scale.",
            panels=[broken(title) for title in drawn.panels],
            legend=looks.bar_handles(looks.conditions),
        ),
        Room(gap=(0.62, 0.2), bottom=0.2),
    )
    for ax, part in zip(axes, drawn.panels.values(), strict=True):
        _panel(ax, part, looks)
    settle(figure)
    return figure


def _panel(ax: Axes, part: pd.DataFrame, looks: Looks) -> None:
    zero_line(ax)
    for row in part.to_dict("records"):
        at = looks.conditions.index(str(row["condition"]))
        look: dict[str, Any] = looks.of(str(row["condition"])) | {"linestyle": "none"}
        if np.isfinite([row["low"], row["high"]]).all():
            bar = [[row["value"] - row["low"]], [row["high"] - row["value"]]]
            ax.errorbar(at, row["value"], yerr=bar, elinewidth=1.2, capsize=2.0, zorder=3, **look)
        else:  # one person, or no spread
            ax.plot([at], [row["value"]], zorder=3, **look)
    ax.set_xlim(-0.5, len(looks.conditions) - 0.5)
    ax.set_xticks([])
    ax.margins(y=0.12)

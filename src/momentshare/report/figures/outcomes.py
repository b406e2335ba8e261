"""Figures of outcomes: a panel each, conditions side by side, people as joined dots."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np

from momentshare.cohort.outcomes import OUTCOMES
from momentshare.cohort.outcomes.measure import NO_TREATMENT
from momentshare.directions import DIRECTIONS
from momentshare.report.figures import style
from momentshare.report.figures.cohort_lines import listed_conditions
from momentshare.report.figures.layout import Room, Texts, panel_grid, settle
from momentshare.report.figures.looks import Looks
from momentshare.text import head_label

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from momentshare.cohort.summary import CohortSummary

__all__ = [
    "COLUMNS", "OF_MOMENTS", "WIDTH", "broken", "outcome_figures", "panel_title", "split_panels",
    "told_signs",
]  # fmt: skip

T = TypeVar("T")

OF_MOMENTS = (
    "peak_moment",
    "joint_work",
    "peak_over_test_strength",
    "peak_over_task_strength",
)
"""Outcomes of a row or a direction that are drawn; the others repeat them in other units."""

_OF_FIBRES = ("fibre_length_greatest", "fibre_shortening")
"""Outcomes of heads that are drawn, of the heads that work."""

_WORKING = 0.05
"""Peak activation that a head must exceed in some condition for its fibres to be drawn."""

COLUMNS, WIDTH = 4, 1.55
"""Panels side by side, and the width of one [inch]."""

_MOST_ROWS = 6
"""Rows of panels up to which a figure can be read on a printed page."""


def outcome_figures(summary: CohortSummary) -> dict[str, Callable[[], Figure]]:
    """Name → function that draws it: outcomes of the lift, of moments, and those named beforehand.

    Empty where a cohort has no outcomes.
    """
    table = summary.tables.get("outcomes")
    if table is None:
        return {}
    shown = _shown(table, summary.mode)
    of = shown["outcome"].map(lambda name: OUTCOMES[str(name)].of)
    parts = {
        "outcomes": ("Outcomes of the lift", shown[of.isin(["lift", "angle"])]),
        "outcome_moments": (
            "Moments and work of the joints",
            shown[shown["outcome"].isin(OF_MOMENTS)],
        ),
    }
    powers = shown[shown["outcome"] == "joint_peak_power"]
    parts["outcome_power"] = ("Peak power of the joints", powers)
    fibres = shown[shown["outcome"].isin(_OF_FIBRES)]
    parts["outcome_fibres"] = (
        "Fibre lengths of the heads that work", fibres[fibres["item"].isin(_working(shown))],
    )  # fmt: skip
    named = summary.tables.get("named_contrasts")
    if named is not None:
        pairs = set(zip(named["outcome"], named["item"], strict=True))
        mine = [p in pairs for p in zip(shown["outcome"], shown["item"], strict=True)]
        parts["outcomes_named"] = ("Outcomes named beforehand", shown[np.array(mine, dtype=bool)])
    found: dict[str, Callable[[], Figure]] = {}
    for name, (title, part) in parts.items():
        items = [i for i in _items(part) if _item_rows(part, i)["mean"].notna().any()]
        for sheet, shown_here, which in split_panels(name, items):
            found[sheet] = partial(_figure, summary, f"{title}{which}", part, shown_here)
    return found


def split_panels(name: str, panels: Sequence[T]) -> list[tuple[str, Sequence[T], str]]:
    """Share out panels over figures that can be read on a printed page.

    Returns
    -------
    list of (str, sequence, str)
        Name of each figure, its panels, and what its title adds.

    Examples
    --------
    >>> [(n, len(p), words) for n, p, words in split_panels("arms", range(33))]
    [('arms', 20, ', 1 of 2'), ('arms_2', 13, ', 2 of 2')]
    >>> split_panels("arms", [1, 2])
    [('arms', [1, 2], '')]
    """
    rows = -(-len(panels) // COLUMNS)
    count = -(-rows // _MOST_ROWS)
    each = COLUMNS * -(-rows // max(count, 1))
    return [
        (
            name if k == 0 else f"{name}_{k + 1}",
            panels[k * each : (k + 1) * each],
            f", {k + 1} of {count}" if count > 1 else "",
        )
        for k in range(count)
    ]


def _items(part: pd.DataFrame) -> list[tuple[str, str]]:
    return list(dict.fromkeys(zip(part["outcome"], part["item"], strict=True)))


_ANGLES = {"plane": "plane of elevation", "axial": "axial rotation"}
"""Angles whose names in tables are too short to be read alone."""


def panel_title(outcome: str, item: str) -> str:
    """Label of an outcome, what it is of, and its unit.

    Examples
    --------
    >>> panel_title("peak_moment", "elbow_extension")
    'peak net moment, elbow extension [N·m]'
    >>> panel_title("range_of_motion", "plane")
    'range of motion, plane of elevation [deg]'
    """
    known = OUTCOMES[outcome]
    whose = DIRECTIONS[item].label if item in DIRECTIONS else head_label(item)
    if known.of == "angle":
        whose = _ANGLES.get(item, whose)
    return f"{known.label}{', ' if whose else ''}{whose} [{known.unit}]"


def told_signs(part: pd.DataFrame) -> str:
    """Say of the outcomes that go below zero what a positive value means, and of lengths the unit.

    Parameters
    ----------
    part : DataFrame
        ``outcome``, ``mean``, ``low``; the rows that are drawn.
    """
    below = part[(part["mean"] < 0.0) | (part["low"] < 0.0)]
    signs: dict[str, list[str]] = {}
    for name in dict.fromkeys(below["outcome"].astype(str)):
        if known := OUTCOMES[name].sign:
            signs.setdefault(known, []).append(OUTCOMES[name].label)
    told = "".join(
        f" Positive {', '.join(labels)}: {sign}; negative: the reverse."
        for sign, labels in signs.items()
    )
    lengths = any(OUTCOMES[str(name)].in_fibres for name in part["outcome"].unique())
    return f" Fibre lengths are multiples of the peak fibre length.{told}" if lengths else told


def _working(shown: pd.DataFrame) -> list[str]:
    """Heads that work in some condition."""
    peaks = shown[shown["outcome"] == "peak_activation"]
    return list(peaks.loc[peaks["mean"] > _WORKING, "item"].astype(str).unique())


def _shown(table: pd.DataFrame, mode: str) -> pd.DataFrame:
    """Rows of the way up in the treatment that is shown."""
    return table[(table["phase"] == "ascent") & table["lateral"].isin([mode, NO_TREATMENT])]


def _figure(
    summary: CohortSummary, title: str, part: pd.DataFrame, items: Sequence[tuple[str, str]]
) -> Figure:
    own = _shown(summary.tables["outcomes_by_person"], summary.mode)
    own = own[own["arm"] == "studied"]
    conditions = listed_conditions(summary.tables["outcomes"])
    looks = Looks(conditions, summary.factors)
    figure, axes = panel_grid(
        len(items),
        COLUMNS,
        (WIDTH, 1.25),
        Texts(
            title=title,
            note=f"Ascents, lateral force {summary.mode}. Marker: mean over people; bar: "
            f"{100 * summary.confidence:g} % interval of that mean; faint lines join the means of "
            "one person. Every panel has its own scale, which need not begin at zero."
            f"{told_signs(_chosen_rows(part, items))}",
            panels=[broken(panel_title(*item)) for item in items],
            legend=looks.bar_handles(conditions),
        ),
        Room(gap=(0.62, 0.2), bottom=0.2),
    )
    for ax, item in zip(axes, items, strict=True):
        _panel(ax, _item_rows(part, item), _item_rows(own, item), looks)
    settle(figure)
    return figure


def _chosen_rows(part: pd.DataFrame, items: Sequence[tuple[str, str]]) -> pd.DataFrame:
    """Rows of the outcomes and items of a sheet."""
    mine = set(items)
    return part[[pair in mine for pair in zip(part["outcome"], part["item"], strict=True)]]


def broken(title: str) -> str:
    """Break a title before it reaches the numbers of the next panel."""
    whole = style.fit(title, WIDTH + 0.15)
    if "\n" not in whole:
        return whole
    return ",\n".join(style.fit(part, WIDTH + 0.15) for part in title.split(", ", 1))


def _item_rows(table: pd.DataFrame, item: tuple[str, str]) -> pd.DataFrame:
    return table[(table["outcome"] == item[0]) & (table["item"] == item[1])]


def _panel(ax: Axes, part: pd.DataFrame, own: pd.DataFrame, looks: Looks) -> None:
    """Draw one outcome: people first, then the means on top of them."""
    place = {name: float(index) for index, name in enumerate(looks.conditions)}
    for _, person in own.groupby("person", sort=False, observed=True):
        mine = sorted(
            zip(person["condition"].map(place), person["value"], strict=True),
            key=lambda pair: pair[0],
        )
        x, y = np.array(mine, dtype=float).T
        ax.plot(x, y, ".-", color=style.FAINT, markersize=3.0, linewidth=0.5, zorder=1)
    for row in part.to_dict("records"):
        at = place[str(row["condition"])]
        look: dict[str, Any] = looks.of(str(row["condition"])) | {"linestyle": "none"}
        if np.isfinite([row["low"], row["high"]]).all():
            bar = [[row["mean"] - row["low"]], [row["high"] - row["mean"]]]
            ax.errorbar(at, row["mean"], yerr=bar, elinewidth=1.2, capsize=2.0, zorder=3, **look)
        else:  # one person: no interval
            ax.plot([at], [row["mean"]], zorder=3, **look)
    ax.set_xlim(-0.5, len(looks.conditions) - 0.5)
    ax.set_xticks([])
    ax.margins(y=0.12)

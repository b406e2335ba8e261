"""Conditions compared within each head: dots with ranges."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.limits import merged_keys
from momentshare.report.figures import style
from momentshare.report.figures.layout import Handles, Room, Texts, panel_grid, row_names
from momentshare.report.figures.limit_marks import hatch
from momentshare.report.figures.study.panels import styled
from momentshare.report.figures.study.results import solved_study
from momentshare.report.text.posture_band import band_note
from momentshare.report.text.study_opening import verdict_table
from momentshare.report.text.titles import firm_title

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from momentshare.report.figures.limit_marks import Marks
    from momentshare.report.figures.study.results import Solved
    from momentshare.study.run import StudyResult

__all__ = ["condition_dots"]

_NEUTRAL = "Lift-mean activation by condition"

_MOST = 8
"""Heads in the figure."""

_DOT: dict[str, Any] = {"linestyle": "none", "marker": "o", "markersize": 4.6, "color": style.INK}
_TREATED: dict[str, Any] = {"linewidth": 4.2, "color": "#6f87a8", "solid_capstyle": "butt"}
_MOVED: dict[str, Any] = {"linewidth": 1.0, "color": style.INK}


@styled
def condition_dots(study: StudyResult) -> Figure:
    """Lift-mean activation by condition, a panel per head, for the heads that differ most.

    A dot is the mean over people with the lateral force treated as the study states first; a
    broad bar is the range over the treatments, a thin line that over the posture rule.
    """
    solved = solved_study(study)
    heads = _most_different(solved)
    mode = solved.main_mode()
    marks = solved.marks()
    names = [style.fit(solved.label(c), 1.9, 7.5) for c in solved.conditions]
    lines = sum(name.count("\n") + 1 for name in names)
    columns = min(4, len(heads))
    moved = band_note(study)
    dots = solved.looks.dot_handles(solved.conditions)
    legend: Handles = [*dots, (f"mean, {solved.lateral(mode)}", _DOT)]
    if len(solved.modes) > 1:
        legend.append(("range over the treatments of the lateral force", _TREATED))
    if moved:
        legend.append((f"range over the posture rule ({moved})", _MOVED))
    titles = [marks.label(solved.heads[h], _keys(marks, solved, solved.heads[h])) for h in heads]
    several = len(solved.working()) > len(heads)
    figure, axes = panel_grid(
        len(heads),
        columns,
        (1.55, 0.155 * lines + 0.12),
        Texts(
            title=firm_title(verdict_table(study)) or f"{_NEUTRAL}, {solved.who}",
            note=(
                f"{_NEUTRAL}, {solved.who}. "
                + (
                    "The heads in which conditions differ most, in the order of the limb."
                    if several
                    else ""
                )
                + marks.hatched_note("rows")
            ).strip(),
            panels=titles,
            legend=legend,
        ),
        Room(left=max(style.text_width(n, 7.5) for n in names) + 0.35, gap=(0.26, 0.14)),
    )
    for index, (ax, head) in enumerate(zip(axes, heads, strict=True)):
        for place, condition in enumerate(solved.conditions):
            if marks.keys("activation", [condition], head=solved.heads[head]):
                hatch(ax, 0.0, place - 0.5, 103.0, 1.0)
            _draw_row(ax, solved, condition, head, place)
        _row_axis(ax, names, first=index % columns == 0, last=index + columns >= len(axes))
    return figure


def _keys(marks: Marks, solved: Solved, head: str) -> str:
    """Keys of the limits of a head: of its activation, and of its order between conditions."""
    found = marks.keys("activation", solved.conditions, head=head)
    return merged_keys([found, marks.order_keys(solved.conditions, head, solved.main_mode())])


def _most_different(solved: Solved) -> list[int]:
    """Working heads with the widest range of means over conditions, in the order of the limb.

    Heads that the limb supports in every condition come first.
    """
    mode = solved.main_mode()
    table = np.array([solved.mean_activation(c, mode) for c in solved.conditions])
    known = table[np.isfinite(table).all(axis=1)]
    spread = np.ptp(known, axis=0) if len(known) else np.zeros(len(solved.heads))
    marks, working = solved.marks(), solved.working()

    def rank(head: int) -> tuple[bool, float, int]:
        beyond = marks.keys("activation", solved.conditions, head=solved.heads[head])
        return bool(beyond), -float(spread[head]), head

    return sorted(sorted(working, key=rank)[:_MOST])


def _draw_row(ax: Axes, solved: Solved, condition: str, head: int, place: int) -> None:
    """Draw one condition of one head."""
    modes = solved.modes if condition in solved.bars else ("zero",)
    values = [100.0 * solved.mean_activation(condition, m)[head] for m in modes]
    bands = [b for m in modes if (b := solved.posture_band(condition, m)) is not None]
    known = [v for v in values if np.isfinite(v)]
    if len(known) > 1:
        ax.plot([min(known), max(known)], [place, place], zorder=1, **_TREATED)
    if bands:
        low = 100.0 * min(float(b[0][head]) for b in bands)
        high = 100.0 * max(float(b[1][head]) for b in bands)
        ax.plot([low, high], [place, place], zorder=2, **_MOVED)
    main = 100.0 * solved.mean_activation(condition, solved.main_mode())[head]
    if np.isfinite(main):
        ax.plot([main], [place], zorder=3, clip_on=False, **solved.looks.dot(condition))


def _row_axis(ax: Axes, names: list[str], *, first: bool, last: bool) -> None:
    """Give a panel its conditions from top to bottom, and activation from 0 to 100 %."""
    row_names(ax, names if first else [])
    ax.set_ylim(len(names) - 0.4, -0.6)
    ax.spines["left"].set_visible(False)
    ax.set_xlim(0.0, 103.0)
    ax.set_xticks([0, 50, 100])
    ax.grid(axis="x", color="#e4e4e4", linewidth=0.6)
    ax.set_axisbelow(True)
    if last:
        ax.set_xlabel("activation [%]")
    else:
        ax.tick_params(labelbottom=False)

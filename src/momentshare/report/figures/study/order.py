"""Differences between conditions within each head, with who and what reverses them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from momentshare.limits import merged_keys
from momentshare.report.figures import style
from momentshare.report.figures.layout import Handles, Room, Texts, panel_grid, row_names
from momentshare.report.figures.limit_marks import hatch
from momentshare.report.figures.study.panels import styled
from momentshare.report.figures.study.results import lift_mean, solved_study
from momentshare.report.text.study_opening import tried_text, verdict_table
from momentshare.report.text.titles import firm_count_title
from momentshare.report.text.verdicts import FIRM_ORDER

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from momentshare.report.figures.looks import Comparison
    from momentshare.report.figures.study.results import Solved
    from momentshare.study.run import StudyResult

    Floats = NDArray[np.float64]

__all__ = ["ordering"]

_NEUTRAL = "Differences in lift-mean activation between conditions"


@styled
def ordering(study: StudyResult, *, lateral: str | None = None) -> Figure:
    """Differences in lift-mean activation: a panel a head, a row for each two conditions.

    A dot is the mean over people, full where the order is firm; a bar is the range over people.
    """
    solved = solved_study(study)
    mode = lateral or solved.main_mode()
    shown = [c for c in solved.conditions if solved.get(c, mode)]
    heads = solved.working()
    rows = solved.looks.comparisons(shown)
    verdicts = verdict_table(study)
    marks = solved.marks()
    keys = {
        (head, row): marks.pair_keys((row.condition, row.other), solved.heads[head], mode)
        for head in heads
        for row in rows
    }
    titles = [marks.label(solved.heads[h], merged_keys(keys[h, r] for r in rows)) for h in heads]
    legend: Handles = [("firm", style.FIRM), ("not firm", style.OPEN)]
    if solved.people > 1:
        legend.append(("range over people", style.RANGE))
    names = [style.fit(row.words, 2.3, 7.5) for row in rows]
    lines = max(sum(name.count("\n") + 1 for name in names), 1)
    columns = min(4, len(heads))
    limited = f"{marks.note()} Such rows are hatched." if marks.used else ""
    figure, axes = panel_grid(
        len(heads),
        columns,
        (1.45, 0.155 * lines + 0.12),
        Texts(
            title=firm_count_title(verdicts) or f"{_NEUTRAL}, {solved.who}",
            note=f"{_NEUTRAL}, {solved.who}, {solved.lateral(mode)}. Right of zero the condition "
            f"named first activates the head more. Firm: {_asked(study)}.{limited}",
            panels=titles,
            legend=legend,
        ),
        Room(
            left=max((style.text_width(n, 7.5) for n in names), default=0.5) + 0.55,
            gap=(0.26, 0.14),
        ),
    )
    firm = _firm(verdicts)
    ends = []
    for index, (ax, head) in enumerate(zip(axes, heads, strict=True)):
        for place, row in enumerate(rows):
            values = 100.0 * _differences(solved, row, mode, head)
            if not len(values):
                continue
            if keys[head, row]:
                hatch(ax, -200.0, place - 0.5, 400.0, 1.0)
            ends += [values.min(), values.max()]
            if len(values) > 1:
                ax.plot([values.min(), values.max()], [place, place], zorder=2, **style.RANGE)
            sure = (solved.heads[head], frozenset((row.condition, row.other))) in firm
            ax.plot([values.mean()], [place], zorder=3, **(style.FIRM if sure else style.OPEN))
        _row_axis(ax, names, first=index % columns == 0, last=index + columns >= len(axes))
    reach = 1.08 * max([1.0, *(abs(e) for e in ends)])
    for ax in axes:
        ax.set_xlim(-reach, reach)
    return figure


def _asked(study: StudyResult) -> str:
    """Say what makes an order firm in this study."""
    tried = tried_text(study)
    supported = "supported by the limb"
    return f"{supported} and the same {tried}" if tried else f"{supported}; nothing was varied"


def _firm(verdicts: pd.DataFrame) -> set[tuple[str, frozenset[str]]]:
    """Heads and pairs whose order is firm."""
    mine = verdicts[verdicts["verdict"] == FIRM_ORDER]
    return {
        (str(h), frozenset((str(a), str(b))))
        for h, a, b in zip(mine["head"], mine["condition"], mine["other"], strict=True)
    }


def _differences(solved: Solved, row: Comparison, mode: str, head: int) -> Floats:
    """Differences in lift-mean activation of people who do both."""
    own = [
        {case.person: float(lift_mean(result.activation, case)[head]) for case, result in pairs}
        for pairs in (solved.get(row.condition, mode), solved.get(row.other, mode))
    ]
    both = [own[0][person] - own[1][person] for person in own[0] if person in own[1]]
    return np.array([value for value in both if np.isfinite(value)])


def _row_axis(ax: Axes, names: Sequence[str], *, first: bool, last: bool) -> None:
    """Name the rows at the first panel of a line, and the axis at the last of a column."""
    row_names(ax, names if first else [])
    ax.set_ylim(len(names) - 0.4, -0.6)
    ax.spines["left"].set_visible(False)
    ax.axvline(0.0, color=style.FAINT, linewidth=0.8, zorder=1)
    if last:
        ax.set_xlabel("difference [points]")
    else:
        ax.tick_params(labelbottom=False)

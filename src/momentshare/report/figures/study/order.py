"""Which condition demands more of a head."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from momentshare.report.figures import style
from momentshare.report.figures.layout import Room, Texts, panel_grid
from momentshare.report.figures.study.panels import (
    ConditionNames,
    colour_bar,
    coloured_cells,
    ink_on_cell,
    letter,
    styled,
)
from momentshare.report.figures.study.results import solved_study

if TYPE_CHECKING:
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from momentshare.study.run import StudyResult

    Floats = NDArray[np.float64]

__all__ = ["ordering"]

_SLIGHT = 0.01
"""Difference of lift-mean activation below which two conditions are called level."""


@styled
def ordering(study: StudyResult, *, lateral: str | None = None) -> Figure:
    """Which condition demands more of a head, and in how many people."""
    from momentshare.reading import ordering_table

    solved = solved_study(study)
    mode = lateral or solved.main_mode()
    shown = [c for c in solved.conditions if solved.get(c, mode)]
    heads = solved.working()
    names = ConditionNames.of(solved, 1.15)
    ticks = [names.ticks[solved.conditions.index(c)] for c in shown]
    count = len(shown)
    letters = [letter(i) for i in range(count)]
    if not names.key:
        ticks = [f"{tick}   {letter}" for tick, letter in zip(ticks, letters, strict=True)]
    else:
        letters = ticks
    size = max(0.19 * count, 1.1)
    columns = min(5, len(heads))
    left = max(style.text_width(t, 7.5) for t in ticks) + 0.4
    limited = solved.marks()
    titles = [
        limited.label(h, limited.order_keys(shown, head=h, lateral=mode))
        for h in (solved.heads[k] for k in heads)
    ]
    figure, axes = panel_grid(
        len(heads),
        columns,
        (size, size),
        Texts(
            title=f"Order of the conditions by lift-mean activation, {solved.lateral(mode)}",
            note=f"Colour: in how many of {solved.people} "
            f"{'person' if solved.people == 1 else 'people'} the condition of the row "
            "activates the head more than the condition of the column; the number is "
            "shown where people differ. "
            f"≈: mean difference below {100 * _SLIGHT:.0f} % activation.{names.key}"
            f"{limited.note()}",
            panels=titles,
        ),
        Room(left=left, right=0.85, gap=(0.2, 0.14)),
    )
    table = ordering_table(study)
    table = table[table["lateral"] == mode] if len(table) else table
    index = {c: i for i, c in enumerate(shown)}
    position = {solved.heads[h]: i for i, h in enumerate(heads)}
    cells = np.full((len(heads), count, count), np.nan)
    marks: list[tuple[int, int, int, str]] = []
    for entry in table.itertuples(index=False):
        where = position.get(str(entry.head))
        if where is None or entry.other not in index or entry.condition not in index:
            continue
        up, down = index[str(entry.condition)], index[str(entry.other)]
        agree, people = int(entry.people_agreeing), int(entry.people)  # type: ignore[arg-type]
        cells[where, up, down] = agree
        cells[where, down, up] = people - agree
        if float(entry.difference) < _SLIGHT:  # type: ignore[arg-type]
            marks += [(where, up, down, "≈"), (where, down, up, "≈")]
        elif agree < people:
            marks.append((where, up, down, str(agree)))
            marks.append((where, down, up, str(people - agree)))
    image = None
    for ax, block in zip(axes, cells, strict=True):
        image = coloured_cells(ax, block, float(solved.people))
    for where, row, col, text in marks:
        ink = ink_on_cell(cells[where, row, col] / solved.people)
        axes[where].text(col, row, text, ha="center", va="center", color=ink, fontsize=7)
    for number, ax in enumerate(axes):
        first, last = number % columns == 0, number + columns >= len(axes)
        ax.set_yticks(range(count), ticks if first else [])
        if last:
            ax.set_xticks(range(count), letters)
            ax.set_xlabel("activates the head less")
        else:
            ax.set_xticks([])
        if first:
            ax.set_ylabel("activates the head more")
    colour_bar(figure, axes[columns - 1], image, "people [count]")
    return figure

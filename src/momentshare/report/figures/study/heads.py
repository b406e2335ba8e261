"""Activation and fibre length of the heads, by condition and along the lift."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.limits import PARTS, merged_keys
from momentshare.report.figures import style
from momentshare.report.figures.layout import (
    WIDEST,
    Handles,
    Room,
    Texts,
    finish,
    panel_grid,
    row_names,
)
from momentshare.report.figures.limit_marks import hatch
from momentshare.report.figures.looks import panel_titles, shared_out
from momentshare.report.figures.study.panels import (
    ConditionNames,
    colour_bar,
    coloured_cells,
    draw_curve,
    head_panels,
    ink_on_cell,
    mode_title,
    muscle_breaks,
    styled,
)
from momentshare.report.figures.study.results import WORKING, Curve, curve_over_people, solved_study
from momentshare.report.text.posture_band import band_note
from momentshare.report.text.study_opening import verdict_table
from momentshare.report.text.titles import turning_title

if TYPE_CHECKING:
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from momentshare.study.run import StudyResult

    Floats = NDArray[np.float64]

__all__ = ["activation_along_lift", "activation_by_head", "fibre_length", "lateral_range"]


_NARROWEST = 0.28
"""Width of a column of cells that holds its number [inch]."""


@styled
def activation_by_head(study: StudyResult) -> Figure:
    """Heat map of lift-mean activation: heads × conditions, a panel per lateral mode."""
    solved = solved_study(study)
    names = ConditionNames.of(solved)
    marks = solved.marks()
    labels = [
        marks.label(h, marks.keys("activation", solved.conditions, head=h)) for h in solved.heads
    ]
    left = max(style.text_width(t, 7.5) for t in labels) + 0.42
    count = len(solved.conditions)
    column, line = 0.4 if count <= 8 else 0.31, 0.185
    note = f"Cells in %; empty below 0.5 %; grey: not computed.{names.key}"
    note += marks.hatched_note("cells")
    room = (WIDEST - left - 0.85) / len(solved.modes) - 0.2
    beside = len(solved.modes) if room >= _NARROWEST * count else 1
    wide = max(min(count * column, room if beside > 1 else WIDEST - left - 0.85), 1.5)
    figure, axes = panel_grid(
        len(solved.modes),
        beside,
        (wide, line * len(labels)),
        Texts(
            title=f"Activation by muscle head, lift mean, {solved.who}",
            note=note,
            panels=[mode_title(solved, m) for m in solved.modes],
        ),
        Room(
            left=left,
            right=0.85,
            bottom=names.reach + 0.25,
            gap=(0.2, 0.2 if beside > 1 else names.reach + 0.4),
        ),
    )
    image = None
    for index, (ax, mode) in enumerate(zip(axes, solved.modes, strict=True)):
        table = 100.0 * np.array([solved.mean_activation(c, mode) for c in solved.conditions]).T
        image = coloured_cells(ax, table)
        for (row, col), value in np.ndenumerate(table):
            if marks.keys("activation", [solved.conditions[col]], head=solved.heads[row]):
                hatch(ax, col - 0.5, row - 0.5, 1.0, 1.0)
            if value >= 0.5:
                ink = ink_on_cell(value / 100.0)
                ax.text(col, row, f"{value:.0f}", ha="center", va="center", color=ink, fontsize=7.5)
        for place in muscle_breaks(solved.heads):
            ax.axhline(place - 0.5, color="#ffffff", linewidth=2.0)
        names.on_x(ax)
        ax.set_xlabel("condition")
        row_names(ax, labels if index % beside == 0 else [])
        if index % beside == 0:
            ax.set_ylabel("muscle head")
    colour_bar(figure, axes[-1], image)
    return figure


@styled
def activation_along_lift(study: StudyResult, *, lateral: str | None = None) -> Figure:
    """Activation along the lift, a panel per working head and a line per condition."""
    solved = solved_study(study)
    mode = lateral or solved.main_mode()
    heads = solved.working(mode)
    shown = [c for c in solved.conditions if solved.get(c, mode)]
    groups = solved.looks.groups(shown)
    each = len(groups)
    columns = min(5 if each == 1 else each * max(6 // each, 1), each * len(heads))
    marks = solved.marks()
    kept = {
        (condition, head, part): marks.keys(
            "activation",
            [condition],
            head=solved.heads[head],
            part=part,
            lateral=solved.own_mode(condition, mode),
        )
        for condition in shown
        for head in heads
        for part in PARTS
    }
    titles = [
        marks.label(
            solved.heads[head],
            merged_keys(
                [
                    *(kept[c, head, part] for c in shown for part in PARTS),
                    marks.order_keys(shown, solved.heads[head], mode),
                ]
            ),
        )
        for head in heads
    ]
    limited = marks.hatched_note("stretches")
    figure, axes = panel_grid(
        each * len(heads),
        columns,
        (1.72 if each == 1 else 1.45, 1.05),
        Texts(
            title=f"Activation along the lift, {solved.who}, {solved.lateral(mode)}",
            note=f"Heads whose lift-mean activation exceeds {100 * WORKING:.0f} % in some "
            f"condition.{solved.band}{shared_out(groups)}{limited}",
            panels=panel_titles(titles, groups),
            legend=solved.looks.handles(shown),
        ),
        Room(gap=(0.26, 0.16)),
    )
    for condition in shown:
        pairs = solved.get(condition, mode)
        whole = curve_over_people(pairs, [100.0 * r.activation for _, r in pairs])
        for number, group in enumerate(groups):
            if condition not in group.conditions:
                continue
            place = group.conditions.index(condition) / len(group.conditions)
            for ax, head in zip(axes[number::each], heads, strict=True):
                part = Curve(
                    lift=whole.lift,
                    mean=whole.mean[:, head],
                    low=whole.low[:, head],
                    high=whole.high[:, head],
                )
                draw_curve(
                    ax,
                    part,
                    solved.looks.of(condition),
                    place=place,
                    band=len(pairs) > 1,
                    among=len(group.conditions),
                    marks=3,
                )
    for number, ax in enumerate(axes):
        group, head = groups[number % each], heads[number // each]
        ax.set_ylim(0.0, 103.0)
        ax.set_yticks([0, 50, 100])
        for place, name in enumerate(PARTS):
            if any(kept[c, head, name] for c in group.conditions):
                hatch(ax, 100.0 * place / 3.0, 0.0, 100.0 / 3.0, 103.0)
    finish(axes, columns, "activation [%]")
    return figure


_DOTS: dict[str, dict[str, Any]] = {
    mode: look | extra
    for (mode, look), extra in zip(
        style.MODE_STYLES.items(),
        (
            {"linestyle": "none", "markersize": 2.8, "zorder": 5},
            {"linestyle": "none", "markersize": 5.6, "zorder": 4, "markerfacecolor": "none"},
            {"linestyle": "none", "markersize": 5.0, "zorder": 3},
        ),
        strict=True,
    )
}
"""Dots that remain distinguishable where they coincide: small and filled on top."""


@styled
def lateral_range(study: StudyResult) -> Figure:
    """Lift-mean activation with the lateral force measured, zero and free, joined by a line.

    A thin bar shows what the posture rule changes.
    """
    solved = solved_study(study)
    several = " and the lateral force" if len(solved.modes) > 1 else ""
    neutral = f"Lift-mean activation{several}, {solved.who}"
    heads = solved.working()
    marks = solved.marks()
    keys = {
        (condition, head): marks.keys("activation", [condition], head=solved.heads[head])
        for condition in solved.conditions
        for head in heads
    }
    labels = [
        marks.label(
            solved.heads[head],
            merged_keys(keys[c, head] for c in solved.conditions),
        )
        for head in heads
    ]
    figure, axes = head_panels(
        solved,
        heads,
        labels=labels,
        title=turning_title(verdict_table(study)) or neutral,
        note=(
            f"{neutral}. Heads whose lift-mean activation exceeds {100 * WORKING:.0f} % in some "
            "condition."
            + (" The line joins the treatments of the lateral force." if several else "")
            + (
                f" Thin bar below: range over the posture rule ({what})"
                f"{', all treatments together' if several else ''}."
                if (what := band_note(study))
                else ""
            )
            + marks.hatched_note("rows")
        ),
        legend=[(mode_title(solved, m), _DOTS[m]) for m in solved.modes],
        pitch=0.19,
    )
    places = np.arange(len(heads))
    for ax, condition in zip(axes, solved.conditions, strict=True):
        modes = solved.modes if condition in solved.bars else ("zero",)
        table = np.array([100.0 * solved.mean_activation(condition, m)[heads] for m in modes])
        known = np.isfinite(table).all(axis=1)
        if known.any():
            low, high = table[known].min(axis=0), table[known].max(axis=0)
            ax.hlines(places, low, high, colors=style.FAINT, lw=1.6, zorder=1)
        bands = [b for m in modes if (b := solved.posture_band(condition, m)) is not None]
        if bands:
            least = 100.0 * np.min([b[0][heads] for b in bands], axis=0)
            most = 100.0 * np.max([b[1][heads] for b in bands], axis=0)
            ax.hlines(places + 0.34, least, most, colors=style.INK, lw=0.7, zorder=1)
        for mode, line in zip(modes, table, strict=True):
            look = _DOTS[mode]
            ax.plot(line, places, clip_on=False, **look)
        for place, head in enumerate(heads):
            if keys[condition, head]:
                hatch(ax, -5.0, place - 0.5, 110.0, 1.0)
        ax.set_xlim(-5.0, 105.0)
        ax.set_xticks([0, 50, 100])
        ax.grid(axis="x", color="#e4e4e4", linewidth=0.6)
        ax.set_xlabel("activation [%]")
    return figure


@styled
def fibre_length(study: StudyResult) -> Figure:
    """Range of normalised fibre length over the lift, per head and condition."""
    solved = solved_study(study)
    heads = range(len(solved.heads))
    legend: Handles = [("shortest to longest along the lift", {"facecolor": "#6f87a8"})]
    if solved.people > 1:
        legend.append(("range over people", {"color": style.INK, "linewidth": 0.9}))
    figure, axes = head_panels(
        solved,
        heads,
        title=f"Range of fibre length over the lift, {solved.who}",
        note="Fibre length over peak fibre length; the line at 1 is the peak fibre length.",
        legend=legend,
        pitch=0.17,
    )
    places = np.arange(len(solved.heads))
    edges = []
    for ax, condition in zip(axes, solved.conditions, strict=True):
        found = []
        for case, _ in solved.any(condition):
            prepared = case.prepared
            fibre = prepared.state.fibre_length_normalised[prepared.lift.reachable]
            found.append((fibre.min(axis=0), fibre.max(axis=0)))
        table = np.array(found)
        low, high = table.mean(axis=0)
        ax.hlines(places, low, high, colors="#6f87a8", lw=6.5, capstyle="butt")
        least, most = table[:, 0].min(axis=0), table[:, 1].max(axis=0)
        if len(found) > 1:
            ax.hlines(places, least, most, colors=style.INK, lw=0.9)
        ax.axvline(1.0, color="k", linewidth=0.9, linestyle=(0, (3, 2)))
        edges += [least.min(), most.max()]
    low_edge = min(0.4, np.floor(10.0 * min(edges)) / 10.0)
    high_edge = max(1.6, np.ceil(10.0 * max(edges)) / 10.0)
    for ax in axes:
        ax.set_xlim(low_edge, high_edge)
        ax.set_xticks([0.5, 1.0, 1.5])
        ax.grid(axis="x", color="#e4e4e4", linewidth=0.6)
        ax.set_axisbelow(True)
        ax.set_xlabel("fibre length [1]")
    return figure

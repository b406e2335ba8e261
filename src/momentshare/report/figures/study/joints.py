"""Net moments, arms of gravity, lateral force and greatest load along the lift."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.directions import ROWS, row_named
from momentshare.report.figures import style
from momentshare.report.figures.layout import (
    LIFT_HEIGHT,
    WIDEST,
    Room,
    Texts,
    filling,
    finish,
    lift_axis,
    panel_grid,
)
from momentshare.report.figures.looks import panel_titles, shared_out
from momentshare.report.figures.study.joint_titles import arms_title, moments_title, ratio_title
from momentshare.report.figures.study.panels import (
    ConditionNames,
    draw_curve,
    mode_title,
    set_limits,
    styled,
)
from momentshare.report.figures.study.results import Curve, curve_over_people, solved_study

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from momentshare.analysis import LiftResult
    from momentshare.runs import Case
    from momentshare.study.run import StudyResult

    Floats = NDArray[np.float64]

__all__ = ["MOMENT_ROWS", "gravity_arms", "greatest_load", "lateral_force", "moments_along_lift"]

MOMENT_ROWS = (
    "shoulder_horizontal_adduction",
    "shoulder_elevation",
    "shoulder_internal_rotation",
    "elbow_extension",
)


_MOMENTS = "Net joint moments along the lift"
_ARMS = "Gravity-only moment arms of the load in one hand"
_LATERAL = "Lateral hand force"
"""What a figure shows, in its note and where no result can be stated in its title."""

_POINT: dict[str, Any] = {"linestyle": "none"}


@styled
def moments_along_lift(study: StudyResult) -> Figure:
    """Net joint moments: a row per moment, a column per condition, a line per lateral mode.

    More than seven conditions continue in a further block of rows.
    """
    solved = solved_study(study)
    count, lines = len(solved.conditions), len(MOMENT_ROWS)
    columns = min(count, 7)
    blocks = -(-count // columns)
    blanks = blocks * columns - count
    names = [*(solved.label(c) for c in solved.conditions), *[""] * blanks]
    titles: list[str] = []
    for block in range(blocks):
        titles += names[block * columns : (block + 1) * columns] + [""] * (lines - 1) * columns
    room = Room(left=0.95, gap=(0.26, 0.18))
    figure, axes = panel_grid(
        blocks * lines * columns,
        columns,
        (filling(columns, min(1.2, (WIDEST - 1.2) / columns - 0.26), room), 1.1),
        Texts(
            title=moments_title(solved) or f"{_MOMENTS}, {solved.who}",
            note=f"{_MOMENTS}, {solved.who}. Line style: treatment of the lateral hand force. A "
            "moment is positive in the direction that names it and acts the other way below zero "
            f"(external for internal rotation, say).{solved.band}",
            panels=titles,
            legend=[(mode_title(solved, m), style.MODE_STYLES[m]) for m in solved.modes],
        ),
        room,
    )
    for line, row in enumerate(MOMENT_ROWS):
        at = ROWS.index(row)
        ranges: list[Floats] = []
        strip: list[Axes] = []
        for number, condition in enumerate(solved.conditions):
            block, column = divmod(number, columns)
            ax = axes[(block * lines + line) * columns + column]
            strip.append(ax)
            for place, mode in enumerate(solved.modes if condition in solved.bars else ("zero",)):
                pairs = solved.get(condition, mode)
                if not pairs:
                    continue
                curve = curve_over_people(pairs, [r.moments[:, at] for _, r in pairs])
                look = style.MODE_STYLES[mode]
                draw_curve(ax, curve, look, place=place / 3, band=len(pairs) > 1, marks=2)
                ranges += [curve.low, curve.high]
        for number, ax in enumerate(strip):
            ax.axhline(0.0, color=style.FAINT, linewidth=0.6)
            set_limits(ax, ranges)
            ax.locator_params(axis="y", nbins=4)
            lowest = line == lines - 1 and number + columns >= count
            lift_axis(ax, labelled=lowest)
            if number % columns:
                ax.tick_params(labelleft=False)
            else:
                ax.set_ylabel(style.fit(row_named(row).label, 1.15) + "\n[N·m]")
    for block_line in range((blocks - 1) * lines, blocks * lines):
        for ax in axes[(block_line + 1) * columns - blanks : (block_line + 1) * columns]:
            ax.remove()
    return figure


@styled
def gravity_arms(study: StudyResult) -> Figure:
    """Moment arms of a weight in the hand, gravity alone, a panel per moment row."""
    solved = solved_study(study)
    groups = solved.looks.groups(solved.conditions)
    each = len(groups)
    columns = 4 if each == 1 else each * max(4 // each, 1)
    figure, axes = panel_grid(
        4 * each,
        columns,
        (2.0, 1.9 if each == 1 else 1.4),
        Texts(
            title=arms_title(solved) or f"{_ARMS}, {solved.who}",
            note=f"{_ARMS}, {solved.who}. Moment for each newton of weight, without segments, "
            "inertia and lateral force; "
            f"positive where the named moment is needed.{solved.band}{shared_out(groups)}",
            panels=panel_titles([row_named(r).label for r in MOMENT_ROWS], groups),
            legend=solved.looks.handles(solved.conditions),
        ),
        Room(gap=(0.28, 0.0 if each == 1 else 0.2)),
    )
    ranges: list[Floats] = []
    for number, group in enumerate(groups):
        for index, condition in enumerate(group.conditions):
            pairs = solved.any(condition)
            for ax, row in zip(axes[number::each], MOMENT_ROWS, strict=True):
                at = ROWS.index(row)
                values = [
                    np.where(
                        c.prepared.lift.reachable,
                        100.0 * c.prepared.demand.gravity_arms[:, at],
                        np.nan,
                    )
                    for c, _ in pairs
                ]
                curve = curve_over_people(pairs, values)
                draw_curve(
                    ax,
                    curve,
                    solved.looks.of(condition),
                    place=index / len(group.conditions),
                    band=len(pairs) > 1,
                    among=len(group.conditions),
                )
                ranges += [curve.low, curve.high]
    for ax in axes:
        ax.axhline(0.0, color=style.FAINT, linewidth=0.6)
        set_limits(ax, ranges)
    finish(axes, columns, "moment arm [cm]", LIFT_HEIGHT)
    return figure


@styled
def lateral_force(study: StudyResult) -> Figure:
    """Lateral over vertical hand force: along the lift where free, and beside the measured."""
    whole = solved_study(study)
    looks = whole.looks
    solved = replace(whole, conditions=tuple(c for c in whole.conditions if c in whole.bars))
    names = ConditionNames.of(solved)
    mode = next((m for m in ("free", "measured", "zero") if m in solved.modes), "zero")
    shown = [c for c in solved.conditions if solved.get(c, mode)]
    groups = looks.groups(shown)
    each = len(groups)
    handles = looks.handles(shown, letters=names.ticks if names.key else ())
    if any(solved.get(c, "measured") for c in solved.bars):
        dash = {"linestyle": "none", "marker": "_", "markersize": 11.0, "color": style.INK}
        handles.append(("measured ratio", dash))
    marks = solved.marks()
    marks.keys("lateral_ratio", shown, lateral=mode)
    figure, axes = panel_grid(
        each + 1,
        each + 1,
        (max(2.9 if each == 1 else 2.3, 0.36 * len(solved.conditions)), 2.7),
        Texts(
            title=ratio_title(solved, mode) or f"{_LATERAL}, {solved.who}",
            note=f"{_LATERAL}, {solved.who}. Outward push of one hand along the bar over its "
            f"vertical force; positive outward.{solved.band} Bars on the right: range along the "
            f"lift.{shared_out(groups)}{marks.note()}",
            panels=[
                *panel_titles([mode_title(solved, mode)], groups),
                "lift mean, and measured value",
            ],
            legend=handles,
        ),
        Room(bottom=max(0.5, names.reach + 0.25), gap=(0.35, 0.2)),
    )
    ranges: list[Floats] = []
    last = axes[-1]
    for number, condition in enumerate(solved.conditions):
        look = looks.of(condition)
        pairs = solved.get(condition, mode)
        if pairs:
            curve = curve_over_people(pairs, [r.lateral_ratio for _, r in pairs])
            for ax, group in zip(axes, groups, strict=False):
                if condition in group.conditions:
                    among = len(group.conditions)
                    place = group.conditions.index(condition) / among
                    draw_curve(ax, curve, look, place=place, band=len(pairs) > 1, among=among)
            ranges += [curve.low, curve.high]
            known = curve.mean[np.isfinite(curve.mean)]
            if known.size:
                # Rounding may put the mean of equal values past them.
                middle = float(np.clip(known.mean(), known.min(), known.max()))
                last.errorbar(
                    number,
                    middle,
                    yerr=[[middle - known.min()], [known.max() - middle]],
                    fmt=look["marker"],
                    color=look["color"],
                    markerfacecolor=look.get("markerfacecolor", look["color"]),
                    elinewidth=1.2,
                    markersize=5.0,
                )
        given = solved.get(condition, "measured") if condition in solved.bars else []
        if given:
            ratio = np.array([given[0][1].lateral.mean_ratio])
            last.plot(number, ratio, linestyle="none", marker="_", markersize=15, color="k")
            ranges.append(ratio)
    for ax in axes:
        ax.axhline(0.0, color=style.FAINT, linewidth=0.8, zorder=0)
        set_limits(ax, ranges, zero=True)
    for ax in axes[:-1]:
        lift_axis(ax, labelled=True, label=LIFT_HEIGHT)
    for ax in axes[1:]:
        ax.tick_params(labelleft=False)
    axes[0].set_ylabel("lateral / vertical force [1]")
    last.set_xlim(-0.6, len(solved.conditions) - 0.4)
    names.on_x(last)
    last.set_xlabel("condition")
    return figure


@styled
def greatest_load(study: StudyResult) -> Figure:
    """Greatest load along the lift, a panel per lateral mode; the weakest height is marked."""
    solved = solved_study(study)
    loads = [2.0 * c.prepared.lift.load_mass for c in study.cases]
    several = bool(solved.people > 1 and min(loads) > 0.0)
    label = "greatest load [study load = 1]" if several else "greatest load, both hands [kg]"
    weak: dict[str, Any] = _POINT | {
        "marker": "o",
        "markersize": 8.0,
        "markerfacecolor": "none",
        "color": style.INK,
    }
    note = "Ring: weakest height of the line."
    if several:
        note += " Dotted: the load of the study."
    curves = {
        (mode, condition): _load_curve(solved.get(condition, mode), per_load=several)
        for mode in solved.modes
        for condition in solved.conditions
    }
    marks = solved.marks()
    marks.keys("greatest_load", solved.conditions)
    low, high, cut = _load_limits([c.mean for c in curves.values() if c is not None])
    if cut:
        note += " Lines are cut off at the top to keep the weak zones readable."
    groups = solved.looks.groups(solved.conditions)
    each = len(groups)
    columns = len(solved.modes)
    room = Room(gap=(0.25, 0.2 if each > 1 else 0.0))
    figure, axes = panel_grid(
        columns * each,
        columns,
        (filling(columns, 2.6, room), 2.7 if each == 1 else 1.9),
        Texts(
            title=f"Greatest load that the limb can hold, {solved.who}",
            note=note + solved.band + marks.note(),
            panels=[
                f"{mode_title(solved, m)}\n{g.title}".strip() for g in groups for m in solved.modes
            ],
            legend=[*solved.looks.handles(solved.conditions), ("weakest height", weak)],
        ),
        room,
    )
    for number, ax in enumerate(axes):
        group, mode = groups[number // columns], solved.modes[number % columns]
        for index, condition in enumerate(group.conditions):
            look = solved.looks.of(condition)
            curve = curves[mode, condition]
            if curve is None:
                continue
            among = len(group.conditions)
            draw_curve(ax, curve, look, place=index / among, band=solved.people > 1, among=among)
            if np.isfinite(curve.mean).any():
                at = int(np.nanargmin(curve.mean))
                ring = weak | {"color": look["color"]}
                ax.plot(curve.lift[at], curve.mean[at], clip_on=False, **ring)
        if several:
            ax.axhline(1.0, color=style.FAINT, linewidth=0.9, linestyle=":")
        ax.set_ylim(low, high)
    finish(axes, columns, label, LIFT_HEIGHT)
    return figure


def _load_curve(pairs: list[tuple[Case, LiftResult]], *, per_load: bool) -> Curve | None:
    """Greatest load [kg, or study load = 1] along the lift."""
    used, values = [], []
    for case, result in pairs:
        if result.greatest is None:
            continue
        line = result.greatest.factor
        values.append(line / (2.0 * case.prepared.lift.load_mass) if per_load else line)
        used.append((case, result))
    return curve_over_people(used, values) if used else None


def _load_limits(means: list[Floats]) -> tuple[float, float, bool]:
    """Limits that show every weak zone, and whether lines are cut at the top."""
    lines = [m[np.isfinite(m)] for m in means if np.isfinite(m).any()]
    if not lines:
        return 0.0, 1.0, False
    weak = np.array([m.min() for m in lines])
    top = max(float(m.max()) for m in lines)
    high = min(1.05 * top, 1.7 * float(weak.max()))
    return min(0.0, 1.1 * float(weak.min())), max(high, 1e-3), high < top

"""Which drawings of the arm belong to a study, and the names of their files."""

from __future__ import annotations

import re
from functools import partial
from typing import TYPE_CHECKING

from momentshare.explain import hardest_frames
from momentshare.limits import lift_kinds
from momentshare.report.figures.arm.drawing import draw_arm, draw_arm_strip, draw_arms
from momentshare.report.figures.arm.geometry import arm_scene, hand_force, views
from momentshare.report.figures.arm.panel import arm_scale

if TYPE_CHECKING:
    from collections.abc import Callable, Container, Iterable, Mapping

    from matplotlib.figure import Figure

    from momentshare.analysis import LiftResult
    from momentshare.study.factors import Factors
    from momentshare.study.run import StudyResult

__all__ = ["arm_drawings", "ends_apart", "shift_title"]

_MOST_ARMS = 4
"""Conditions of which the arm is drawn."""


def arm_drawings(study: StudyResult) -> dict[str, Callable[[], Figure]]:
    """Return the drawings of the arm of a study's first person, by file name without ending.

    Parameters
    ----------
    study : StudyResult

    Returns
    -------
    dict
        ``arm_CONDITION`` of up to four conditions at their weakest heights, all at one scale and
        with the first treatment of the lateral force; ``arm_along_lift`` of the first and
        ``arm_side_by_side`` of the first and the last of them or, with factors, of the first and
        last level of the first factor, both at the one height where their net moments together
        are greatest. Empty where the person has none.
    """
    who = study.study.file.person[0].name
    shown = [case for case in study.cases if case.person == who and case.results][:_MOST_ARMS]
    if not shown:
        return {}
    note = study.study.file.note
    kinds = lift_kinds(study.study.file.condition)
    scale = arm_scale([arm_scene(case.results[0]) for case in shown])
    made: dict[str, Callable[[], Figure]] = {}
    for case in shown:
        title = f"{who}, '{case.condition}', weakest height"
        made[f"arm_{_slug(case.condition, made)}"] = partial(
            draw_arm,
            case.results[0],
            title=title,
            note=note,
            scale=scale,
            kind=kinds[case.condition],
        )
    first = shown[0]
    along = f"{who}, '{first.condition}', along the lift"
    made["arm_along_lift"] = partial(
        draw_arm_strip, first.results[0], title=along, note=note, kind=kinds[first.condition]
    )
    if len(shown) > 1:
        own = {case.condition: case for case in study.cases if case.person == who and case.results}
        names = ends_apart(study.study.factors, own) or (first.condition, shown[-1].condition)
        pair = {name: own[name].results[0] for name in names}
        title = f"{who}, {shift_title(pair)}"
        made["arm_side_by_side"] = partial(draw_arms, pair, title=title, note=note, kinds=kinds)
    return made


def ends_apart(factors: Factors, known: Container[str]) -> tuple[str, str] | None:
    """First and last level of the first factor, the others held; None without factors."""
    for step in factors.steps():
        levels = factors.levels(step.factor)
        ends = (step.level, step.other_level) == (levels[0], levels[-1])
        if ends and step.condition in known and step.other in known:
            return step.condition, step.other
    return None


def shift_title(pair: Mapping[str, LiftResult]) -> str:
    """Say at which height two conditions are drawn, and how far the force passes from the joints.

    Parameters
    ----------
    pair : mapping
        Condition → result; drawn at the height of :func:`momentshare.explain.hardest_frames`.
    """
    names = " and ".join(f"'{name}'" for name in pair)
    frames = hardest_frames(list(pair.values()))
    scenes = [arm_scene(result, at) for result, at in zip(pair.values(), frames, strict=True)]
    heights = dict.fromkeys(f"{100.0 * scene.height:.0f} %" for scene in scenes)
    where = f"at {' and '.join(heights)} of bar height, where their net moments are greatest"
    seen = [hand_force(scene, views(scene)[0]).levers for scene in scenes]
    if not all(seen) or len(seen) < 2:
        return f"{names} {where}"
    told = " and ".join(
        f"{100 * before.distance:.1f} and {100 * after.distance:.1f} cm from the {before.joint}"
        for before, after in zip(*seen, strict=True)
    )
    return f"{names} {where}: across the bar the force passes {told}"


def _slug(name: str, taken: Iterable[str]) -> str:
    """Make a file name of a condition: letters a to z and digits, made unique by a number."""
    plain = "_".join(re.findall("[a-z0-9]+", name.lower()))[:40].strip("_") or "condition"
    slug, number = plain, 2
    while f"arm_{slug}" in taken or slug in {"along_lift", "side_by_side"}:
        slug, number = f"{plain}_{number}", number + 1
    return slug

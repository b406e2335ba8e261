"""Lifts of many exercises and limbs; presses of one kind are solved together."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from momentshare.errors import MomentshareError
from momentshare.exercise.press import BenchPress
from momentshare.exercise.press_course import press_kind, press_lifts

if TYPE_CHECKING:
    from collections.abc import Sequence

    from momentshare.exercise.lift import Exercise, Lift
    from momentshare.skeleton import Skeleton

__all__ = ["make_lifts"]


def make_lifts(
    exercises: Sequence[Exercise],
    skeleton: Skeleton,
    limbs: Sequence[int],
    *,
    limits: bool = True,
) -> list[Lift | MomentshareError]:
    """Solve the lifts of exercises, each by one limb.

    Parameters
    ----------
    exercises : sequence of Exercise
    skeleton : Skeleton
        One limb, or several.
    limbs : sequence of int
        Row of each exercise's limb; zeros for a single limb.
    limits : bool
        Whether to look for joints beyond their limits; lifts have no breaches otherwise.

    Returns
    -------
    list
        For each exercise its lift, or the error that explains why there is none.
    """
    out: list[Lift | MomentshareError | None] = [None] * len(exercises)
    kinds: dict[object, list[int]] = {}
    for k, exercise in enumerate(exercises):
        if isinstance(exercise, BenchPress):
            kinds.setdefault(press_kind(exercise), []).append(k)
    for members in kinds.values():
        presses = [x for k in members if isinstance(x := exercises[k], BenchPress)]
        found = press_lifts(presses, skeleton, [limbs[k] for k in members], limits=limits)
        for k, lift in zip(members, found, strict=True):
            out[k] = lift
    return [
        _alone(exercise, skeleton.take(int(limb)), limits=limits) if lift is None else lift
        for exercise, limb, lift in zip(exercises, limbs, out, strict=True)
    ]


def _alone(exercise: Exercise, skeleton: Skeleton, *, limits: bool) -> Lift | MomentshareError:
    try:
        lift = exercise.lift(skeleton)
    except MomentshareError as err:
        return err
    return lift if limits else replace(lift, breaches=())

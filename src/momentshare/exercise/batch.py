"""Lifts of many exercises and limbs, those of one kind solved side by side.

Bench presses on a flat bench, and all along a bar path, have their lock-out in closed form: there
the hand's place along the body is known, so that the elbow angle gives the height. The answer is
taken only where every frame is reached and the elbow ends at the angle asked for; every other
exercise solves its lift by itself.
"""

from __future__ import annotations

from dataclasses import fields, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.errors import MomentshareError
from momentshare.exercise.chain import Chain, breaches_of, minimum_jerk, motion_along
from momentshare.exercise.lift import Lift, LimitBreach, Motion
from momentshare.exercise.press import (
    ENDS,
    SIDEWAYS,
    Arm,
    BenchPress,
    close_press,
    straighten,
    touch_down,
)
from momentshare.exercise.profile import values_along

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from momentshare.exercise.lift import Exercise
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
        For each exercise its lift, or the error that says why there is none.
    """
    out: list[Lift | MomentshareError | None] = [None] * len(exercises)
    groups: dict[object, list[int]] = {}
    for k, exercise in enumerate(exercises):
        if isinstance(exercise, BenchPress) and exercise.has_closed_form:
            groups.setdefault(_kind(exercise), []).append(k)
    for members in groups.values():
        presses = [exercises[k] for k in members]
        bones = skeleton.take(np.array([limbs[k] for k in members]))
        found = _presses(presses, bones, limits=limits)  # type: ignore[arg-type]
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


def _kind(press: BenchPress) -> tuple[object, ...]:
    """Return what presses must have in common to be solved side by side."""
    fractions = tuple(
        (name, *(f for f, _ in getattr(press, name).points)) for name in press.profiles
    )
    return (
        press.grip, press.implement, press.lockout_flexion, press.duration, press.frames, fractions,
        press.bench_angle,
    )  # fmt: skip


def _presses(
    presses: Sequence[BenchPress], skeleton: Skeleton, *, limits: bool
) -> list[Lift | None]:
    """Presses with a closed form for lock-out; None where it is not to be taken.

    ``skeleton`` has one limb for each press, or is the one limb of all.
    """
    count = len(presses)
    out: list[Lift | None] = [None] * count

    arms = Arm.of(skeleton)
    first = presses[0]
    chests, low = touch_down(first, arms, presses)
    high, ended = straighten(first, arms, presses)
    good = (ended.gap == 0.0) & (high > np.maximum(low, 0.0))
    good &= np.abs(ended.posture.elbow_flexion - first.lockout_flexion) < ENDS
    known = np.flatnonzero(good)
    if known.size == 0:
        return out
    moved = (ended.shoulder - arms.rest)[known]
    chests, low, high = chests[known], low[known], high[known]
    frames = first.frames
    arm = arms.take(np.repeat(known, frames))
    habits = arms.of_each(count).habit[known]
    chosen = [presses[int(k)] for k in known]
    ends = [
        replace(press.way, lockout=press.way.lockout - float(shift @ press.headward))
        for press, shift in zip(chosen, moved, strict=True)
    ]

    def solve(at: NDArray[np.float64]) -> Chain:
        fraction = at[:frames]  # the same in every press
        given: dict[str, Any] = {
            name: values_along([getattr(press, name) for press in chosen], fraction).ravel()
            for name in first.profiles
        }
        if first.tuck is None:
            ways = zip(ends, chests, strict=True)
            given["footward"] = np.concatenate([way.footward(c, fraction) for way, c in ways])
        lifters = zip(chosen, habits, strict=True)
        add = np.concatenate([press.added(habit, fraction) for press, habit in lifters])
        height = (low[:, None] + fraction * (high - low)[:, None]).ravel()
        return close_press(first, arm, add=add, height=height, **given)

    fraction, timed = minimum_jerk(frames, first.duration)
    here = solve(fraction)
    motion = None
    if timed is not None:
        tiled = (np.tile(x, len(known)) for x in (fraction, timed[1], timed[2]))
        motion = motion_along(solve, *tiled)
    bend = here.posture.elbow_flexion.reshape(-1, frames)[:, -1]
    reached = (here.gap == 0.0).reshape(-1, frames).all(axis=1)
    good = reached & (np.abs(bend - first.lockout_flexion) < ENDS)
    bar = first.implement == "bar"
    for row in np.flatnonzero(good):
        part = slice(row * frames, (row + 1) * frames)
        chain = _part(here, part)
        breaches: tuple[LimitBreach, ...] = ()
        if limits:
            bones = skeleton.take(int(known[row]))
            breaches = breaches_of(bones, chain, SIDEWAYS if bar else None)
        out[known[row]] = Lift(
            fraction=fraction,
            height=low[row] + fraction * (high[row] - low[row]),
            time=None if timed is None else timed[0],
            posture=chain.posture,
            shoulder=chain.shoulder,
            hand=chain.hand,
            elbow=chain.elbow,
            up=first.up,
            load_mass=chosen[row].load_mass / 2.0,
            lateral_axis=SIDEWAYS,
            lateral_free=bar,
            reachable=np.ones(frames, dtype=bool),
            gap=chain.gap,
            breaches=breaches,
            motion=None
            if motion is None
            else Motion(**{f.name: getattr(motion, f.name)[part] for f in fields(Motion)}),
        )
    return out


def _part(chain: Chain, frames: slice) -> Chain:
    return Chain(
        posture=chain.posture[frames],
        shoulder=chain.shoulder[frames],
        hand=chain.hand[frames],
        elbow=chain.elbow[frames],
        forearm=chain.forearm[frames],
        gap=chain.gap[frames],
    )

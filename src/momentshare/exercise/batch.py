"""Lifts of many exercises and limbs, those of one kind solved side by side.

Bench presses on a flat bench, and all along a bar path, have their lock-out in closed form: there
the hand's place along the body is known, so that the elbow angle gives the height. The answer is
taken only where every frame is reached and the elbow ends at the angle asked for; every other
exercise solves its lift by itself.
"""

from __future__ import annotations

from dataclasses import fields, replace
from typing import TYPE_CHECKING

import numpy as np

from momentshare.errors import MomentshareError
from momentshare.exercise.chain import Chain, breaches_of, minimum_jerk, motion_along
from momentshare.exercise.lift import Lift, LimitBreach, Motion
from momentshare.exercise.press import ENDS, SIDEWAYS, BenchPress, close_press, lockout_square
from momentshare.exercise.profile import values_along
from momentshare.posture import Posture

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from momentshare.exercise.lift import Exercise
    from momentshare.skeleton import Skeleton

__all__ = ["lifts_of"]


def lifts_of(
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

    def of(values: NDArray[np.float64], *last: int) -> NDArray[np.float64]:
        return np.broadcast_to(values, (count, *last))

    upper, fore = of(skeleton.humerus_length), of(skeleton.grip_length)
    joint, chest = of(skeleton.joint_centre, 3), of(skeleton.chest_height)
    touch = of(skeleton.touch_point)
    first = presses[0]
    chests, low = np.transpose(
        [
            press.start((joint[k], upper[k], fore[k]), (float(chest[k]), float(touch[k])))
            for k, press in enumerate(presses)
        ]
    )
    # A profile keeps its last value up to lock-out.
    end = {
        name: np.array([getattr(press, name).points[-1][1] for press in presses])
        for name in first.profiles
    }
    if first.tuck is None:
        along = np.array([press.way.lockout for press in presses])
    else:
        along = upper * np.cos(end["tuck"]) - fore * np.sin(end["tilt"])
    aside = 0.5 * end["spacing"] - joint[:, 2]
    square = lockout_square(upper, fore, first.lockout_flexion, along=along, aside=aside)
    known = np.flatnonzero(square > np.maximum(low, 0.0) ** 2)
    if known.size == 0:
        return out
    chests, low, high = chests[known], low[known], np.sqrt(square[known])
    frames = first.frames
    arm = tuple(np.repeat(a[known], frames, axis=0) for a in (joint, upper, fore))
    chosen = [presses[int(k)] for k in known]

    def solve(at: NDArray[np.float64]) -> Chain:
        fraction = at[:frames]  # the same in every press
        given = {
            name: values_along([getattr(press, name) for press in chosen], fraction).ravel()
            for name in first.profiles
        }
        if first.tuck is None:
            ways = zip(chosen, chests, strict=True)
            given["footward"] = np.concatenate([p.way.footward(c, fraction) for p, c in ways])
        height = (low[:, None] + fraction * (high - low)[:, None]).ravel()
        return close_press(first, (arm[0], arm[1], arm[2]), height=height, **given)

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
    posture = chain.posture
    return Chain(
        posture=Posture(
            humerus=posture.humerus[frames],
            elbow_flexion=posture.elbow_flexion[frames],
            forearm_rotation=posture.forearm_rotation[frames],
        ),
        hand=chain.hand[frames],
        elbow=chain.elbow[frames],
        forearm=chain.forearm[frames],
        gap=chain.gap[frames],
    )

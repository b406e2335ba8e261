"""Many draws of one person side by side: limbs, lifts, paths, capacities and net moments.

Draws differ in numbers only, so that one call does for all of them what a study does for
one. :meth:`Draw.limb` and :meth:`Draw.lift` say what the numbers are; here they are quick.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING

import numpy as np

from momentshare._kernels import choose_route
from momentshare.analysis import path_velocity
from momentshare.demand import arm_of, arms_of_frames, demand_on
from momentshare.errors import MomentshareError
from momentshare.exercise import BenchPress
from momentshare.exercise.chain import Chain, minimum_jerk, motion_along
from momentshare.exercise.lift import Lift, Motion
from momentshare.exercise.press import close_press
from momentshare.exercise.profile import values_along
from momentshare.limb import Limb
from momentshare.muscle.capacity import head_state
from momentshare.muscle.curves import curve_set
from momentshare.paths import ROWS
from momentshare.posture import Posture
from momentshare.study.run import exercise_of
from momentshare.uncertainty.draws import (
    paths_of_skeletons,
    quick_lift,
    reference_lengths,
    shortened,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from momentshare.exercise import Exercise
    from momentshare.paths import Paths
    from momentshare.skeleton import Skeleton
    from momentshare.study.schema import ConditionEntry, PersonEntry
    from momentshare.uncertainty.draws import Draw

__all__ = ["Block", "Limbs", "blocks_of", "limbs_of", "quick_lifts"]


def _first_line(err: MomentshareError) -> str:
    return str(err).split("\n", maxsplit=1)[0]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Limbs:
    """Limbs of one person in several draws.

    Attributes
    ----------
    draws : int array, shape (limbs,)
        Which of the draws given each limb is of; those that could not be built are left out.
    skeletons : tuple of Skeleton
    max_isometric_force, optimal_fibre_length, tendon_slack_length, volume : float array
        As in :class:`Limb`, shape (limbs, heads).
    max_velocity : float array, shape (limbs,)
    """

    draws: NDArray[np.int64]
    skeletons: tuple[Skeleton, ...]
    max_isometric_force: NDArray[np.float64]
    optimal_fibre_length: NDArray[np.float64]
    tendon_slack_length: NDArray[np.float64]
    volume: NDArray[np.float64]
    max_velocity: NDArray[np.float64]


def limbs_of(
    draws: Sequence[Draw], entry: PersonEntry, *, compiled: bool
) -> tuple[Limbs | None, list[str]]:
    """Build the limbs of a person of the study; None where no draw has one.

    Returns
    -------
    limbs : Limbs or None
    reasons : list of str
        For each draw why it has no limb; empty where it has one.
    """
    reasons = [""] * len(draws)
    built: dict[int, Limb] = {}
    bare: dict[int, Skeleton] = {}
    changed = [draw.quantities() for draw in draws]
    for at, draw in enumerate(draws):
        try:
            if entry.strength:
                built[at] = draw.limb(entry)
            else:
                bare[at] = draw.skeleton(entry, changed[at])
        except MomentshareError as err:
            reasons[at] = _first_line(err)
    method = "compiled" if compiled else "numpy"
    lengths = reference_lengths(list(bare.values()), method=method) if bare else ()
    for (at, skeleton), length in zip(bare.items(), lengths, strict=True):
        try:
            built[at] = _limb(draws[at], entry, skeleton, changed[at], length)
        except MomentshareError as err:
            reasons[at] = _first_line(err)
    if not built:
        return None, reasons
    found = [built[at] for at in sorted(built)]
    return Limbs(
        draws=np.array(sorted(built)),
        skeletons=tuple(limb.skeleton for limb in found),
        max_isometric_force=np.array([limb.max_isometric_force for limb in found]),
        optimal_fibre_length=np.array([limb.optimal_fibre_length for limb in found]),
        tendon_slack_length=np.array([limb.tendon_slack_length for limb in found]),
        volume=np.array([limb.volume for limb in found]),
        max_velocity=np.array([limb.max_velocity for limb in found]),
    ), reasons


def _limb(
    draw: Draw,
    entry: PersonEntry,
    skeleton: Skeleton,
    changed: dict[str, float],
    length: NDArray[np.float64],
) -> Limb:
    """Build what :meth:`Draw.limb` builds, from lengths that are known already."""
    model, settings, person = draw.layout.model, draw.layout.study.file.settings, skeleton.person
    constant, factors = draw.layout.heads, draw.head_factors()

    def number(name: str) -> float:
        return changed.get(name, model.number(name))

    bone = skeleton.sizes.stature / number("reference_stature")
    pennation = constant["pennation"]

    def lengths() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        optimal = constant["optimal_fibre_length"] * bone * factors["optimal_fibre_length"]
        fibre = constant["reference_fibre_length"] * factors["reference_fibre_length"] * optimal
        along = np.sqrt(np.maximum(fibre**2 - (optimal * np.sin(pennation)) ** 2, 0.0))
        return optimal, length - along

    optimal, slack = lengths()
    if np.any(slack <= 0.0):
        factors = shortened(skeleton, factors, length)
        optimal, slack = lengths()
        if np.any(slack <= 0.0):
            return draw.limb(entry)
    size = (person.body_mass * person.stature) / (
        model.fits[person.sex, "body_mass"].mean * model.fits[person.sex, "stature"].mean
    )
    growth = (
        (number("volume_women_over_men") if person.sex == "female" else 1.0)
        * size ** number("volume_size_exponent")
        * person.training_factor
    )
    volume = constant["volume"] * growth * factors["volume"]
    strength = np.array([number(f"strength_{h.group}") for h in model.heads])
    return Limb(
        skeleton=skeleton,
        max_isometric_force=volume / optimal * number("specific_tension") * strength,
        optimal_fibre_length=optimal,
        tendon_slack_length=slack,
        pennation=pennation,
        volume=volume,
        max_velocity=number("max_fibre_velocity"),
        strength_changes={},
        curves=settings.curves,
        elastic_tendon=settings.elastic_tendon,
        passive=settings.passive_force,
    )


def quick_lifts(
    exercises: Sequence[Exercise], skeletons: Sequence[Skeleton]
) -> tuple[list[Lift | None], list[bool]]:
    """Do what :func:`quick_lift` does for draws of one condition, all frames in one array.

    Returns
    -------
    lifts : list of Lift or None
        Limits of joints are not looked at. None where there is no closed form, or where it
        is not to be taken.
    search : list of bool
        Whether the closed form is known not to be taken, so that the exercise has to search.
    """
    search = [False] * len(exercises)
    out: list[Lift | None] = [None] * len(exercises)
    presses = [
        e
        for e in exercises
        if isinstance(e, BenchPress) and e.bench_angle == 0.0 and e.lockout_height is None
    ]
    if not presses or len(presses) < len(exercises):
        return out, search
    upper = np.array([s.sizes.humerus_length for s in skeletons])
    fore = np.array([s.sizes.grip_length for s in skeletons])
    joint = np.array([s.joint_centre for s in skeletons])
    low = np.array(
        [
            s.chest_height if p.chest_height is None else p.chest_height
            for p, s in zip(presses, skeletons, strict=True)
        ]
    )
    # A profile keeps its last value up to lock-out.
    tilt, tuck, spacing = (
        np.array([getattr(p, name).points[-1][1] for p in presses])
        for name in ("tilt", "tuck", "spacing")
    )
    press = presses[0]
    rest = (
        upper**2
        + fore**2
        + 2.0 * upper * fore * np.cos(press.lockout_flexion)
        - (fore * np.sin(tilt) - upper * np.cos(tuck)) ** 2
        - (0.5 * spacing - joint[:, 2]) ** 2
    )
    kept = np.flatnonzero(rest > np.maximum(low, 0.0) ** 2)
    for row in np.flatnonzero(rest <= np.maximum(low, 0.0) ** 2):
        search[row] = True
    if kept.size == 0:
        return out, search
    low, high = low[kept], np.sqrt(rest[kept])
    frames = press.frames
    arm = tuple(np.repeat(a[kept], frames, axis=0) for a in (joint, upper, fore))
    chosen = [presses[k] for k in kept]

    def solve(at: NDArray[np.float64]) -> Chain:
        fraction = at[:frames]  # the same in every draw
        angles = {
            name: values_along([getattr(p, name) for p in chosen], fraction).ravel()
            for name in ("tuck", "tilt", "spacing")
        }
        height = (low[:, None] + fraction * (high - low)[:, None]).ravel()
        return close_press(press, (arm[0], arm[1], arm[2]), height=height, **angles)

    fraction, timed = minimum_jerk(frames, press.duration)
    here = solve(fraction)
    motion = None
    if timed is not None:
        tiled = (np.tile(x, len(kept)) for x in (fraction, timed[1], timed[2]))
        motion = motion_along(solve, *tiled)
    bend = here.posture.elbow_flexion.reshape(-1, frames)[:, -1]
    reached = (here.gap == 0.0).reshape(-1, frames)
    good = reached.all(axis=1) & (np.abs(bend - press.lockout_flexion) < 1e-9)
    # Out of reach in every frame is refused by the closed form already.
    for row in np.flatnonzero(~good & reached.any(axis=1)):
        search[kept[row]] = True
    for row in np.flatnonzero(good):
        part = slice(row * frames, (row + 1) * frames)
        out[kept[row]] = Lift(
            fraction=fraction,
            height=low[row] + fraction * (high[row] - low[row]),
            time=None if timed is None else timed[0],
            posture=Posture(
                humerus=here.posture.humerus[part],
                elbow_flexion=here.posture.elbow_flexion[part],
                forearm_rotation=here.posture.forearm_rotation[part],
            ),
            hand=here.hand[part],
            elbow=here.elbow[part],
            up=press.up,
            load_mass=chosen[row].load_mass / 2.0,
            lateral_axis=np.array([0.0, 0.0, 1.0]),
            lateral_free=press.implement == "bar",
            reachable=here.gap[part] == 0.0,
            gap=here.gap[part],
            breaches=(),
            motion=None if motion is None else _part(motion, part),
        )
    return out, search


def _part(motion: Motion, part: slice) -> Motion:
    return Motion(**{item.name: getattr(motion, item.name)[part] for item in fields(Motion)})


def _lifts(
    draws: Sequence[Draw],
    entry: PersonEntry,
    condition: ConditionEntry,
    limbs: Limbs,
    frames: int,
) -> tuple[list[Lift | None], list[str]]:
    """Lifts of one condition, and where there is none, why."""
    lifts: list[Lift | None] = [None] * len(limbs.draws)
    reasons = [""] * len(limbs.draws)
    exercises: dict[int, Exercise] = {}
    for k, at in enumerate(limbs.draws):
        draw, person = draws[at], limbs.skeletons[k].person
        try:
            exercise = exercise_of(condition, entry, person, draw.layout.model, frames)
            exercises[k] = draw.exercise(exercise, entry, condition.name)
        except MomentshareError as err:
            reasons[k] = _first_line(err)
    quick = quick_lifts(list(exercises.values()), [limbs.skeletons[k] for k in exercises])
    for (k, exercise), ready, search in zip(exercises.items(), *quick, strict=True):
        lift = ready
        try:
            if lift is None:
                bones = limbs.skeletons[k]
                lift = exercise.lift(bones) if search else quick_lift(exercise, bones)
        except MomentshareError as err:
            reasons[k] = _first_line(err)
            continue
        if lift.reachable.any():
            draw = draws[limbs.draws[k]]
            mass = lift.load_mass * draw.load_factor(entry, condition.name)
            lifts[k] = replace(lift, load_mass=mass)
        else:
            reasons[k] = "no frame can be reached"
    return lifts, reasons


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Block:
    """What sharing needs of one person in one condition, draw after draw.

    Attributes
    ----------
    reasons : list of str
        For each draw why it failed; empty where it did not.
    counts, lost : int array, shape (draws,)
        Frames in reach and out of reach.
    weights : float array, shape (draws, heads)
        Volume of each head over the mean of all.
    arms, capacity, passive, moments, lateral, vertical : float array
        Frames in reach of all draws in a row: moment arms of all rows, greatest active and
        passive force, net moments without lateral force, those for each newton of it, and
        the force of the hand against the load.
    """

    reasons: list[str]
    counts: NDArray[np.int64]
    lost: NDArray[np.int64]
    weights: NDArray[np.float64]
    arms: NDArray[np.float64]
    capacity: NDArray[np.float64]
    passive: NDArray[np.float64]
    moments: NDArray[np.float64]
    lateral: NDArray[np.float64]
    vertical: NDArray[np.float64]


def blocks_of(
    draws: Sequence[Draw], entry: PersonEntry, conditions: Sequence[ConditionEntry], frames: int
) -> list[Block]:
    """Carry one person's draws through all conditions."""
    size = len(draws) * len(conditions) * frames
    compiled = choose_route("auto", "the compiled path geometry", size)
    limbs, reasons = limbs_of(draws, entry, compiled=compiled)
    if limbs is None:
        return [_nothing(reasons, len(draws[0].layout.model.heads)) for _ in conditions]
    every = [_lifts(draws, entry, c, limbs, frames) for c in conditions]
    found = _joint_paths(limbs, [lifts for lifts, _ in every], frames, compiled=compiled)
    arms = [
        arm_of(skeleton, draws[at].inertia(skeleton.person.sex))
        for at, skeleton in zip(limbs.draws, limbs.skeletons, strict=True)
    ]
    out: list[Block] = []
    weights = np.ones((len(draws), limbs.volume.shape[1]))
    weights[limbs.draws] = limbs.volume / limbs.volume.mean(axis=1, keepdims=True)
    for place, (lifts, failed) in enumerate(every):
        why = list(reasons)
        for at, reason in zip(limbs.draws, failed, strict=True):
            why[at] = reason
        rows = [k for k, lift in enumerate(lifts) if lift is not None]
        if not rows:
            out.append(_nothing(why, weights.shape[1]))
            continue
        lift = _row_of([x for x in lifts if x is not None])
        need = demand_on(arms_of_frames([arms[k] for k in rows], frames), lift)
        span = slice(place * frames, (place + 1) * frames)
        moment_arms = found.moment_arms[rows, span].reshape(
            len(rows) * frames, -1, weights.shape[1]
        )
        velocity = None
        if lift.motion is not None:
            shoulder = found.shoulder_moment[rows, span].reshape(-1, weights.shape[1], 3)
            velocity = _velocity(moment_arms, shoulder, lift.motion)
            # The arms hold the scapula; where it moves, they do not give the velocity.
            for n, k in enumerate(rows):
                one = lifts[k]
                if limbs.skeletons[k].rhythm and one is not None:
                    part = slice(n * frames, (n + 1) * frames)
                    velocity[part] = path_velocity(limbs.skeletons[k], one)
        capacity, passive = _capacity(draws[0], limbs, rows, found.length[rows, span], velocity)
        mass = np.repeat([x.load_mass for x in lifts if x is not None], frames)
        good = lift.reachable
        by_draw = good.reshape(-1, frames).sum(axis=1)
        counts, lost = np.zeros((2, len(draws)), dtype=np.int64)
        counts[limbs.draws[rows]] = by_draw
        lost[limbs.draws[rows]] = frames - by_draw
        out.append(
            Block(
                reasons=why,
                counts=counts,
                lost=lost,
                weights=weights,
                arms=moment_arms[good],
                capacity=capacity[good],
                passive=passive[good],
                moments=(need.limb_moments + mass[:, None] * need.load_moments)[good],
                lateral=need.lateral_moments[good],
                vertical=(mass * need.vertical_force)[good],
            )
        )
    return out


def _nothing(reasons: list[str], heads: int) -> Block:
    """Block of draws that all failed."""
    none = np.zeros(len(reasons), dtype=np.int64)
    empty = np.empty((0, heads))
    return Block(
        reasons=reasons,
        counts=none,
        lost=none,
        weights=np.ones((len(reasons), heads)),
        arms=np.empty((0, len(ROWS), heads)),
        capacity=empty,
        passive=empty,
        moments=np.empty((0, len(ROWS))),
        lateral=np.empty((0, len(ROWS))),
        vertical=np.empty(0),
    )


def _joint_paths(
    limbs: Limbs, every: Sequence[Sequence[Lift | None]], frames: int, *, compiled: bool
) -> Paths:
    """Paths of all lifts; where there is none, those of an arm that hangs."""
    shape = (len(limbs.draws), len(every) * frames)
    humerus = np.broadcast_to(np.eye(3), (*shape, 3, 3)).copy()
    flexion, rotation = np.zeros(shape), np.zeros(shape)
    for place, lifts in enumerate(every):
        span = slice(place * frames, (place + 1) * frames)
        for row, lift in enumerate(lifts):
            if lift is not None:
                humerus[row, span] = lift.posture.humerus
                flexion[row, span] = lift.posture.elbow_flexion
                rotation[row, span] = lift.posture.forearm_rotation
    method = "compiled" if compiled else "numpy"
    posture = Posture(humerus=humerus, elbow_flexion=flexion, forearm_rotation=rotation)
    return paths_of_skeletons(limbs.skeletons, posture, method=method)


def _row_of(lifts: Sequence[Lift]) -> Lift:
    """Put the frames of lifts of one condition in a row; the axes are given for each frame."""

    def joined(name: str) -> NDArray[np.float64]:
        return np.concatenate([getattr(x, name) for x in lifts])

    def axis(vectors: Sequence[NDArray[np.float64]]) -> NDArray[np.float64]:
        return np.repeat(np.array(vectors), len(lifts[0].fraction), axis=0)

    postures, motions = [x.posture for x in lifts], [x.motion for x in lifts if x.motion]
    return Lift(
        fraction=joined("fraction"),
        height=joined("height"),
        time=None,
        posture=Posture(
            humerus=np.concatenate([p.humerus for p in postures]),
            elbow_flexion=np.concatenate([p.elbow_flexion for p in postures]),
            forearm_rotation=np.concatenate([p.forearm_rotation for p in postures]),
        ),
        hand=joined("hand"),
        elbow=joined("elbow"),
        up=axis([x.up for x in lifts]),
        load_mass=1.0,
        lateral_axis=axis([x.lateral_axis for x in lifts]),
        lateral_free=lifts[0].lateral_free,
        reachable=np.concatenate([x.reachable for x in lifts]),
        gap=joined("gap"),
        breaches=(),
        motion=Motion(
            **{
                item.name: np.concatenate([getattr(m, item.name) for m in motions])
                for item in fields(Motion)
            }
        )
        if motions
        else None,
        load_force=None if lifts[0].load_force is None else joined("load_force"),
        push_axis=axis([x.up if x.push_axis is None else x.push_axis for x in lifts]),
    )


def _velocity(
    moment_arms: NDArray[np.float64], shoulder_moment: NDArray[np.float64], motion: Motion
) -> NDArray[np.float64]:
    """Path velocity [m/s] of a timed lift, as :func:`momentshare.analysis.prepare` has it."""
    turn = np.einsum("fhk,fk->fh", shoulder_moment, motion.humerus_angular_velocity)
    hinge = -moment_arms[:, 3] * motion.elbow_flexion_velocity[:, None]
    spin = moment_arms[:, 4] * motion.forearm_rotation_velocity[:, None]
    return np.asarray(-(turn + hinge + spin))


def _capacity(
    draw: Draw,
    limbs: Limbs,
    rows: Sequence[int],
    length: NDArray[np.float64],
    velocity: NDArray[np.float64] | None,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Greatest active force and passive force, shape (frames of all draws, heads)."""
    settings = draw.layout.study.file.settings
    state = head_state(
        length,
        None if velocity is None else velocity.reshape(length.shape),
        optimal_fibre_length=limbs.optimal_fibre_length[rows, None],
        tendon_slack_length=limbs.tendon_slack_length[rows, None],
        pennation_at_optimum=draw.layout.heads["pennation"],
        max_isometric_force=limbs.max_isometric_force[rows, None],
        max_velocity=limbs.max_velocity[rows, None, None],
        curves=curve_set(settings.curves),
        elastic_tendon=settings.elastic_tendon,
        passive=settings.passive_force,
    )
    heads = length.shape[-1]
    return state.active_capacity.reshape(-1, heads), state.passive_force.reshape(-1, heads)

"""Values of the outcomes of one repetition, up or down."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.cohort.outcomes.definitions import OUTCOMES
from momentshare.directions import ROWS, TESTED
from momentshare.geometry.rotation import dot, rotated
from momentshare.limb import braced_strength
from momentshare.limb.joint import glenoid_load
from momentshare.posture import arm_frame
from momentshare.units import GRAVITY

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    import pandas as pd
    from numpy.typing import NDArray

    from momentshare.analysis import LiftResult
    from momentshare.exercise import Lift
    from momentshare.limb import Limb, MeasuredStrength
    from momentshare.runs import Case

    Floats = NDArray[np.float64]
    Value = tuple[str, str, float]

__all__ = [
    "NO_TREATMENT",
    "MeasuredDirection",
    "bar_power",
    "bar_values",
    "joint_power",
    "measure_outcomes",
    "measured_directions",
]

NO_TREATMENT = "any"
"""Entry in the column of treatments for what does not depend on the lateral force."""

_ELBOW = ROWS.index("elbow_extension")

_ROUNDING = 1e-6
"""Fraction of a greatest value within which a frame counts as reaching it; rounding of a solver."""

_LIES = 0.5
"""Horizontal part of the trunk's axis from which a person counts as lying; assumed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredDirection:
    """Strength of a person that was measured in a direction.

    Attributes
    ----------
    direction : str
    measured : float
        Result of the test; the mean if there are several [N·m].
    """

    direction: str
    measured: float


def measured_directions(tests: Sequence[MeasuredStrength]) -> tuple[MeasuredDirection, ...]:
    """Directions in which a person was tested, with the mean of the tests."""
    found: dict[str, list[float]] = {}
    for test in tests:
        found.setdefault(test.direction, []).append(test.moment)
    return tuple(
        MeasuredDirection(direction=k, measured=float(np.mean(v))) for k, v in found.items()
    )


def measure_outcomes(
    case: Case,
    *,
    bar: Floats,
    angles: Mapping[str, Floats],
    tested: Sequence[MeasuredDirection] = (),
    phase: str = "ascent",
) -> pd.DataFrame:
    """Outcomes of one solved repetition.

    Parameters
    ----------
    case : Case
        Timed.
    bar : float array, shape (frames, 2)
        Grip in the sagittal plane: horizontal, positive towards the feet of a person who lies, and
        up, in the room [m].
    angles : mapping
        Name → joint angle over the frames [deg].
    tested : sequence of MeasuredDirection
    phase : {"ascent", "descent"}

    Returns
    -------
    DataFrame
        ``person``, ``condition``, ``lateral`` (``any`` where it does not matter), ``phase``,
        ``outcome``, ``item`` (empty for the whole lift), ``value``.
    """
    import pandas as pd

    lift = case.prepared.lift
    rows: list[dict[str, Any]] = []

    def put(lateral: str, values: Iterator[Value]) -> None:
        rows.extend(
            {
                "person": case.person,
                "condition": case.condition,
                "lateral": lateral,
                "phase": phase,
                "outcome": outcome,
                "item": item,
                "value": value,
            }
            for outcome, item, value in values
        )

    put(NO_TREATMENT, _of_motion(case, bar, angles))
    strength = _task_strength(case.prepared.limb, lift, tested)
    for result in case.results:
        put(result.lateral.mode, _of_answer(result, tested, strength))
    table = pd.DataFrame(rows)
    unknown = set(table["outcome"]) - set(OUTCOMES)
    if unknown:
        raise ValueError(f"outcomes without a definition: {', '.join(sorted(unknown))}")
    return table


def _of_motion(case: Case, bar: Floats, angles: Mapping[str, Floats]) -> Iterator[Value]:
    """Outcomes of the motion, which no treatment of the lateral force changes."""
    lift, state = case.prepared.lift, case.prepared.state
    time = _time(lift)
    yield "duration", "", float(time[-1] - time[0])
    for name, values in angles.items():
        yield "range_of_motion", name, float(np.ptp(values))
    yield from bar_values(bar, _lever(lift))
    power = bar_power(case, bar)
    work = float(np.trapezoid(power, time))
    yield "bar_work", "", work
    yield "bar_mean_power", "", work / float(time[-1] - time[0])
    yield "bar_peak_power", "", _greatest(power)
    length = state.fibre_length_normalised
    for k, head in enumerate(case.prepared.limb.head_names):
        yield "fibre_length_least", head, float(length[:, k].min())
        yield "fibre_length_greatest", head, float(length[:, k].max())
        yield "fibre_shortening", head, float(length[0, k] - length[-1, k])


def bar_values(bar: Floats, lever: Floats) -> Iterator[Value]:
    """Outcomes of the bar path: ``bar`` as above, ``lever`` of the grip at the joint [m]."""
    along, up = bar[:, 0], bar[:, 1]
    yield "bar_rise", "", float(up[-1] - up[0])
    yield "bar_horizontal_travel", "", float(along[0] - along[-1])
    yield "bar_horizontal_range", "", float(np.ptp(along))
    yield "bar_path_length", "", float(np.linalg.norm(np.diff(bar, axis=0), axis=1).sum())
    yield "bar_lever", "", float(lever.mean())


def _greatest(values: Floats) -> float:
    """Value of greatest size, with its sign."""
    return float(values[int(np.argmax(np.abs(values)))])


def _first_greatest(values: Floats) -> int:
    """First frame in which a size reaches its greatest value; rounding does not decide."""
    greatest = values.max()
    return int(np.argmax(values >= greatest - _ROUNDING * max(1.0, float(greatest))))


def _caudal(lift: Lift) -> Floats:
    """Horizontal direction in the sagittal plane, to the feet of a person who lies (frames, 3).

    An upright trunk has no horizontal component along itself; forward replaces it.
    """
    up = np.broadcast_to(lift.up, lift.hand.shape)

    def level(axis: Sequence[float]) -> Floats:
        whole = np.broadcast_to(axis, up.shape)
        return np.asarray(whole - dot(whole, up)[:, None] * up)

    along = level((0.0, -1.0, 0.0))
    lies = np.linalg.norm(along, axis=-1, keepdims=True) > _LIES
    axis = np.where(lies, along, level((1.0, 0.0, 0.0)))
    return np.asarray(axis / np.linalg.norm(axis, axis=-1, keepdims=True))


def _lever(lift: Lift) -> Floats:
    """Horizontal distance of the grip from the joint in the sagittal plane, to the feet [m]."""
    return np.asarray(dot(lift.hand - lift.shoulder, _caudal(lift)))


def _time(lift: Lift) -> Floats:
    if lift.time is None:
        raise ValueError("outcomes need a timed lift")
    return lift.time


def bar_power(case: Case, bar: Floats) -> Floats:
    """Power of one hand on what it holds, in the sagittal plane [W].

    ``bar`` is that of :func:`measure_outcomes`.
    """
    lift, need = case.prepared.lift, case.prepared.demand
    force = need.load_mass[:, None] * need.joint_force_load
    speed = np.gradient(bar, _time(lift), axis=0)
    up = np.broadcast_to(lift.up, force.shape)
    return np.asarray(dot(force, _caudal(lift)) * speed[:, 0] + dot(force, up) * speed[:, 1])


def joint_power(lift: Lift, moments: Floats) -> Floats:
    """Power of each net moment [W], shape (frames, rows); NaN for the forearm.

    Parameters
    ----------
    lift : Lift
        Timed.
    moments : float array, shape (frames, rows)
        [N·m]
    """
    motion = lift.motion
    if motion is None:
        raise ValueError("joint power needs a timed lift")
    spin = rotated(arm_frame(lift.posture.humerus), motion.humerus_angular_velocity)
    speed = np.full_like(moments, np.nan)
    speed[:, :3] = spin
    speed[:, _ELBOW] = -motion.elbow_flexion_velocity
    return np.asarray(moments * speed)


def _of_answer(
    result: LiftResult, tested: Sequence[MeasuredDirection], strength: Mapping[str, Floats]
) -> Iterator[Value]:
    """Outcomes of one treatment of the lateral force."""
    case = result.prepared
    time, mass = _time(case.lift), case.limb.skeleton.person.body_mass
    percent = 100.0 * (time - time[0]) / (time[-1] - time[0])
    power = joint_power(case.lift, result.moments)
    for k, row in enumerate(ROWS[: _ELBOW + 1]):
        moment = result.moments[:, k]
        at = _first_greatest(np.abs(moment))
        yield "mean_moment", row, float(moment.mean())
        yield "peak_moment", row, float(moment[at])
        yield "peak_moment_at", row, float(percent[at])
        yield "mean_moment_over_mass", row, float(moment.mean()) / mass
        yield "peak_moment_over_mass", row, float(moment[at]) / mass
        yield "joint_work", row, float(np.trapezoid(power[:, k], time))
        yield "joint_peak_power", row, _greatest(power[:, k])
    for test in tested:
        side = TESTED[test.direction]
        moment = side.sign * result.moments[:, ROWS.index(side.row)]
        here = moment / strength[test.direction]
        yield "peak_over_test_strength", test.direction, float(moment.max()) / test.measured
        yield "mean_over_test_strength", test.direction, float(moment.mean()) / test.measured
        yield "peak_over_task_strength", test.direction, float(here.max())
        yield "mean_over_task_strength", test.direction, float(here.mean())
    yield from _of_joints(result, mass)
    for k, head in enumerate(case.limb.head_names):
        activation = result.activation[:, k]
        yield "peak_activation", head, float(activation.max())
        yield "peak_activation_at", head, float(percent[_first_greatest(activation)])
        yield "peak_force", head, float(result.force[:, k].max())


def _of_joints(result: LiftResult, mass: float) -> Iterator[Value]:
    """Give the loads of glenoid and elbow."""
    case = result.prepared
    contact = np.linalg.norm(result.contact, axis=-1)
    yield "peak_glenoid_load", "", float(contact.max())
    yield "peak_glenoid_load_over_weight", "", float(contact.max()) / (mass * GRAVITY)
    skeleton = case.limb.skeleton
    load = glenoid_load(skeleton, result.contact, case.lift.posture)
    yield "peak_glenoid_shear_ratio", "", float(np.max(load.ratio))
    net = np.linalg.norm(_elbow_force(result), axis=-1)
    crossing = np.any(case.paths.moment_arms[:, _ELBOW] != 0.0, axis=0)
    pull = result.force[:, crossing].sum(axis=-1)
    yield "peak_elbow_net_force", "", float(net.max())
    yield "peak_elbow_load_bound", "", float((net + pull).max())


def _elbow_force(result: LiftResult) -> Floats:
    """Net force across the elbow on the forearm [N], thorax frame.

    It is the force at the shoulder less the weight and inertia of the upper arm.
    """
    case = result.prepared
    lift, part = case.lift, case.limb.skeleton.segment["upper_arm"]
    weight = -GRAVITY * np.broadcast_to(lift.up, lift.hand.shape)
    centre = np.zeros_like(lift.hand)
    if lift.motion is not None:
        weight = weight - lift.motion.trunk_acceleration
        shoulder, elbow = lift.motion.shoulder_acceleration, lift.motion.elbow_acceleration
        centre = shoulder + np.asarray(part.centre) * (elbow - shoulder)
    own = np.asarray(part.mass) * (centre - weight)
    return np.asarray(case.demand.joint_force(result.lateral_force) - own)


def _task_strength(
    limb: Limb, lift: Lift, tested: Sequence[MeasuredDirection]
) -> dict[str, Floats]:
    """Greatest isometric moment in each tested direction, in the posture of each frame [N·m]."""
    return {
        test.direction: braced_strength(
            limb, lift.posture, TESTED[test.direction].row, TESTED[test.direction].sign
        )
        for test in tested
    }

"""Residual checks of a trial, before any muscle number.

The checks are described in :mod:`~momentshare.trial.checks.placement` (trunk and arm) and
:mod:`~momentshare.trial.checks.hand` (forces), their limits in
:mod:`~momentshare.trial.checks.verdict`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from momentshare.signals import second_derivative
from momentshare.trial.checks.hand import (
    HandsOnBar,
    bar_moment,
    bar_yaw,
    body_weight,
    force_balance,
    lateral_cancels,
    lateral_ratio,
    left_right,
    synchrony,
)
from momentshare.trial.checks.placement import (
    constant_length,
    grip_against_person,
    grip_off_the_bar,
    hinge,
    joint_limits,
    side_of_arm,
    trunk_posture,
    upper_arm_against_person,
)
from momentshare.trial.checks.verdict import (
    LIMITS,
    Check,
    Verdict,
    impossible,
    judge,
    worst_verdict,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from momentshare.skeleton import Skeleton
    from momentshare.trial.motion.repetition import MeasuredRepetition
    from momentshare.trial.motion.track import ArmTrack
    from momentshare.trial.recording import Channel

__all__ = ["LIMITS", "Check", "Signals", "Task", "Verdict", "check_trial", "worst_verdict"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """What the person did in a trial.

    Attributes
    ----------
    load : float or None
        Whole load, both hands [kg]; on the ground, what lies on the back.
    one_bar : bool
        Whether the hands can push along what they hold.
    trunk_angle : float
        Of the condition [rad].
    ground : bool
        Whether the hands rest on the ground.
    """

    load: float | None
    one_bar: bool
    trunk_angle: float
    ground: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Signals:
    """What was recorded besides the arm.

    Attributes
    ----------
    forces : mapping
        "right" and "left", where measured → force on the hand, world frame [N], shape
        (samples, 3), on the clock of the track.
    grips : mapping
        "right" and "left", where recorded → grip, world frame [m], shape (samples, 3).
    bar_middle : float array, shape (samples, 3), or None
        Middle of the bar, world frame [m].
    noise : mapping
        Landmark → distance that the filter moved it [m], shape (its own samples,); NaN where
        the filter bends the ends.
    missing : mapping
        Role → 1 where a sample is missing and 0 elsewhere, shape (its own samples,).
    """

    forces: Mapping[str, NDArray[np.float64]]
    grips: Mapping[str, NDArray[np.float64]]
    bar_middle: NDArray[np.float64] | None
    noise: Mapping[str, Channel]
    missing: Mapping[str, Channel]


def check_trial(
    track: ArmTrack,
    signals: Signals,
    task: Task,
    skeleton: Skeleton,
    *,
    used: Sequence[MeasuredRepetition],
    spans: Sequence[tuple[int, int]],
) -> tuple[Check, ...]:
    """Check a trial.

    Parameters
    ----------
    track : ArmTrack
    signals : Signals
    task : Task
    skeleton : Skeleton
        Of the person.
    used : sequence of MeasuredRepetition
        May be empty.
    spans : sequence of (int, int)
        First and last samples of the repetitions that are checked, at least one: those used, or all
        if none can be used.
    """
    load, one_bar, ground, trunk_angle = task.load, task.one_bar, task.ground, task.trunk_angle
    forces = signals.forces
    time = track.start + np.arange(len(track.height)) / track.rate
    window = np.zeros(len(time), dtype=bool)
    for first, last in spans:
        window[first : last + 1] = True
    if ground:  # the hands press down, so the ground carries them up
        forces = {side: force * [1.0, -1.0, 1.0] for side, force in forces.items()}
    rising = second_derivative(track.height, track.rate)
    bar = one_bar and not ground
    hands = HandsOnBar(forces=forces, grips=signals.grips, middle=signals.bar_middle, one_bar=bar)
    sizes = skeleton.sizes
    return (
        impossible("force balance", "on the ground the hands carry a part of the body")
        if ground
        else force_balance(time, forces, rising, window, load),
        body_weight(time, forces, window, body_mass=sizes.body_mass, load=load, ground=ground),
        left_right(time, forces, window),
        lateral_cancels(time, forces, window, one_bar=bar),
        lateral_ratio(track, used, one_bar=one_bar),
        bar_moment(hands, time, window),
        bar_yaw(hands, time, window),
        joint_limits(track, skeleton, used),
        trunk_posture(time, track, window, trunk_angle=trunk_angle, ground=ground),
        side_of_arm(time, track, window),
        hinge(time, track, window),
        constant_length("upper arm constant", time, track.upper_arm, window),
        constant_length("forearm constant", time, track.forearm, window),
        upper_arm_against_person(time, track, window, sizes),
        grip_against_person(time, track, window, sizes),
        grip_off_the_bar(time, track, window),
        _noise(signals.noise),
        synchrony(track, forces, rising, spans),
        _missing(signals.missing),
        _speed(time, track, window),
    )


def _noise(noise: Mapping[str, Channel]) -> Check:
    name = "marker noise"
    # Each coordinate has the same share of a distance in space.
    size = {
        role: float(np.sqrt(np.nanmean(moved.values**2) / 3.0))
        for role, moved in noise.items()
        if np.isfinite(moved.values).any()
    }
    if not size:
        return impossible(
            name,
            "every landmark was recorded too briefly for the filter to show its noise"
            if noise
            else "no landmarks were filtered",
        )
    worst = max(size, key=lambda role: size[role])
    return judge(
        name,
        1000.0 * size[worst],
        note=f"root mean square of a coordinate, most in {worst}; without the ends, which the "
        "filter bends",
        time=noise[worst].time,
        curves={worst: 1000.0 * noise[worst].values / np.sqrt(3.0)},
        axis="coordinate off its filtered path, mean square of three [mm]",
    )


def _missing(missing: Mapping[str, Channel]) -> Check:
    name = "missing samples"
    worst = max(missing, key=lambda role: float(missing[role].values.mean()))
    share = 100.0 * float(missing[worst].values.mean())
    return judge(
        name,
        share,
        note=f"most in {worst}, before gaps were filled" if share else "",
        time=missing[worst].time,
        curves={worst: missing[worst].values},
        axis="missing (1) or not (0)",
    )


def _speed(time: NDArray[np.float64], track: ArmTrack, window: NDArray[np.bool_]) -> Check:
    speed = np.gradient(track.height, 1.0 / track.rate)
    value = float(np.max(np.abs(speed[window])))
    return judge(
        "peak speed",
        value,
        note="faster than a loaded press; check units and rates" if value > 1.5 else "",
        time=time,
        curves={"speed": speed},
        axis="upward speed [m/s]",
    )

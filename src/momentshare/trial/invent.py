"""Invented presses with known truth: the motion, the forces, and what a laboratory would see.

A press is planned (:class:`~momentshare.exercise.BenchPress`), timed with a velocity that may dip
half-way, and observed with landmarks, hand forces and electromyograms. Noise, gaps, delays and
unequal sides are added on request, so that everything after reading can be tested.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from momentshare.exercise.breaches import find_breaches
from momentshare.exercise.chain import (
    motion_along,
)
from momentshare.exercise.demand import Demand, demand
from momentshare.geometry.rotation import rotation_about
from momentshare.trial.motion.kinematics import trunk_rotation
from momentshare.trial.recording import Channel, Recording

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from numpy.typing import NDArray

    from momentshare.exercise import BenchPress
    from momentshare.exercise.lift import Lift
    from momentshare.skeleton import Skeleton

__all__ = ["Imperfections", "InventedPress", "Tempo", "invent_press", "recorded"]

_EPICONDYLES = 0.075
_STYLOIDS = 0.058
_BAR_ENDS = 0.62
"""Breadths between landmarks, and of the bar's ends from its middle [m]; invented."""

_TRUNK = {
    "ij": (0.0, 0.0, 0.0),
    "c7": (-0.140, 0.060, 0.0),
    "px": (0.040, -0.170, 0.0),
    "t8": (-0.180, -0.165, 0.0),
}
"""Landmarks of the trunk in the thorax frame [m]; invented, but in line with its axes."""

_MIDDLE = np.array([-0.1, 0.6, 0.0])
"""Place of the jugular notch in the room, world frame [m]; invented."""

_GRID = 2000
"""Samples per second on which the velocity is laid out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tempo:
    """Timing of a set of repetitions.

    Parameters
    ----------
    descent, pause, ascent, rest : float
        Durations [s]: down, on the chest, up, and at lock-out between repetitions.
    dip : float
        Depth of the dip of the upward velocity, 0 for a smooth lift.
    dip_at, dip_width : float
        Where in the ascent's time, and how wide.
    repetitions : int
    """

    descent: float = 1.2
    pause: float = 0.4
    ascent: float = 1.8
    rest: float = 0.8
    dip: float = 0.75
    dip_at: float = 0.45
    dip_width: float = 0.13
    repetitions: int = 1

    def course(self, rate: float) -> tuple[NDArray[np.float64], ...]:
        """Time, fraction, its rate and change of rate, and time of chest and lock-out.

        The last array has shape (repetitions, 2).
        """
        from scipy.interpolate import CubicSpline

        def ascent(s: NDArray[np.float64]) -> NDArray[np.float64]:
            hump = 30.0 * s**2 * (1.0 - s) ** 2
            return np.asarray(
                hump * (1.0 - self.dip * np.exp(-(((s - self.dip_at) / self.dip_width) ** 2)))
            )

        share = np.linspace(0.0, 1.0, _GRID)
        whole = float(np.trapezoid(ascent(share), share))
        velocity, marks, now = [np.zeros(int(self.rest * _GRID))], [], self.rest
        for _ in range(self.repetitions):
            s = np.arange(int(self.descent * _GRID)) / (self.descent * _GRID)
            velocity.append(-30.0 * s**2 * (1.0 - s) ** 2 / self.descent)
            velocity.append(np.zeros(int(self.pause * _GRID)))
            s = np.arange(int(self.ascent * _GRID)) / (self.ascent * _GRID)
            velocity.append(ascent(s) / whole / self.ascent)
            velocity.append(np.zeros(int(self.rest * _GRID)))
            chest = now + self.descent + self.pause
            marks.append((chest, chest + self.ascent))
            now = marks[-1][1] + self.rest
        values = np.concatenate(velocity)
        spline = CubicSpline(np.arange(len(values)) / _GRID, values)
        rise = spline.antiderivative()
        time = np.arange(int((len(values) - 1) / _GRID * rate)) / rate
        fraction = np.clip(1.0 + rise(time) - rise(0.0), 0.0, 1.0)
        return time, fraction, spline(time), spline.derivative()(time), np.array(marks)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class InventedPress:
    """The truth of a recording; arrays over its samples.

    Attributes
    ----------
    lift : Lift
        Posture, positions and motion of the right arm.
    demand : Demand
    ratio : float array, shape (samples,)
        Outward push over vertical force.
    marks : float array, shape (repetitions, 2)
        Times of chest and lock-out [s].
    rate : float
        [Hz]
    trunk_angle : float
        [rad]
    skeleton : Skeleton
    """

    lift: Lift
    demand: Demand
    ratio: NDArray[np.float64]
    marks: NDArray[np.float64]
    rate: float
    trunk_angle: float
    skeleton: Skeleton

    @property
    def moments(self) -> NDArray[np.float64]:
        """Net moments of all rows [N·m], shape (samples, rows)."""
        return self.demand.moments(self.ratio * self.demand.hand_force())

    @property
    def hand_force(self) -> NDArray[np.float64]:
        """Force on the right hand, thorax frame [N], shape (samples, 3)."""
        push = self.ratio * self.demand.hand_force()
        pull = self.lift.load_mass * self.demand.joint_force_load
        return np.asarray(-pull - push[:, None] * self.lift.lateral_axis)


def invent_press(
    press: BenchPress,
    skeleton: Skeleton,
    tempo: Tempo,
    *,
    ratio: Callable[[NDArray[np.float64]], NDArray[np.float64]] | None = None,
    rate: float = 200.0,
) -> InventedPress:
    """Carry out a press in time.

    Parameters
    ----------
    press : BenchPress
    skeleton : Skeleton
    tempo : Tempo
    ratio : callable, optional
        Outward push over vertical force as a function of the height fraction; none by default.
    rate : float
        Samples per second [Hz].
    """
    low, high, notes, solve = press.course(skeleton)
    time, fraction, speed, change, marks = tempo.course(rate)
    here = solve(fraction)
    lift = here.lift(
        fraction=fraction,
        height=low + fraction * (high - low),
        time=time,
        up=press.up,
        load_mass=press.load_mass / 2.0,
        lateral_axis=np.array([0.0, 0.0, 1.0]),
        lateral_free=press.implement == "bar",
        breaches=find_breaches(skeleton, here, None),
        motion=motion_along(solve, fraction, speed, change),
        notes=notes,
    )
    return InventedPress(
        lift=lift,
        demand=demand(skeleton, lift),
        ratio=np.zeros_like(fraction) if ratio is None else ratio(fraction),
        marks=marks,
        rate=rate,
        trunk_angle=press.bench_angle,
        skeleton=skeleton,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Imperfections:
    """What a laboratory adds to the truth; nothing by default.

    Parameters
    ----------
    marker_noise : float
        Standard deviation of each coordinate [m].
    force_noise : float
        Of each component [N].
    force_delay : float
        By how much the force clock runs late [s].
    asymmetry : float
        Share of the load that goes to the right hand in excess of one half.
    force_rate : float
        Samples per second of the forces [Hz]; those of the truth are interpolated.
    gap : tuple of float, optional
        Beginning and end of a stretch in which the lateral epicondyle is not seen [s].
    seed : int
    """

    marker_noise: float = 0.0
    force_noise: float = 0.0
    force_delay: float = 0.0
    asymmetry: float = 0.0
    force_rate: float = 1000.0
    gap: tuple[float, float] | None = None
    seed: int = 1


def recorded(
    truth: InventedPress,
    faults: Imperfections | None = None,
    *,
    emg: Mapping[str, Channel] | None = None,
) -> Recording:
    """Observe a press with landmarks on both arms and forces on both hands.

    The left arm is the mirror image of the right one. ``emg`` holds raw electromyograms by
    head, see :mod:`momentshare.trial.invent_emg`.
    """
    chosen = faults or Imperfections()
    rng = np.random.default_rng(chosen.seed)
    points = _landmarks(truth)
    room = trunk_rotation(truth.trunk_angle)
    channels: dict[str, Channel] = {}
    for role, inside in points.items():
        seen = _MIDDLE + inside @ room.T
        noisy = seen + chosen.marker_noise * rng.standard_normal(seen.shape)
        if chosen.gap is not None and role == "right_el":
            time = np.arange(len(noisy)) / truth.rate
            noisy[(time >= chosen.gap[0]) & (time < chosen.gap[1])] = np.nan
        channels[role] = Channel(label=role, values=noisy, rate=truth.rate, unit="m")
    time = np.arange(len(truth.ratio)) / truth.rate
    fine = np.arange(int(time[-1] * chosen.force_rate)) / chosen.force_rate
    right = np.stack(
        [
            np.interp(fine - chosen.force_delay, time, part)
            for part in (truth.hand_force @ room.T).T
        ],
        axis=-1,
    )
    mirror = np.array([1.0, 1.0, -1.0])
    for side, values, sign in (("right", right, 1.0), ("left", right * mirror, -1.0)):
        part = np.array([1.0, 1.0 + sign * 2.0 * chosen.asymmetry, 1.0])
        noise = chosen.force_noise * rng.standard_normal(values.shape)
        role = f"{side}_hand_force"
        channels[role] = Channel(
            label=role, values=values * part + noise, rate=chosen.force_rate, unit="N"
        )
    channels |= {f"emg/{head}": channel for head, channel in (emg or {}).items()}
    return Recording(source="invented", digest="invented", channels=channels)


def _landmarks(truth: InventedPress) -> dict[str, NDArray[np.float64]]:
    """Landmarks over the samples in the thorax frame [m]."""
    lift, skeleton = truth.lift, truth.skeleton
    count = len(lift.fraction)
    humerus = lift.posture.humerus
    z = humerus[..., :, 2]
    flexion = lift.posture.elbow_flexion
    ulna = humerus @ rotation_about(np.array([0.0, 0.0, 1.0]), flexion)
    turn = lift.posture.forearm_rotation[:, None]
    thumb = np.cos(turn) * ulna[..., :, 2] + np.sin(turn) * ulna[..., :, 0]
    wrist = lift.elbow - skeleton.sizes.forearm_length * ulna[..., :, 1]
    joint = lift.shoulder
    arm = {
        "gh": joint,
        "el": lift.elbow + 0.5 * _EPICONDYLES * z,
        "em": lift.elbow - 0.5 * _EPICONDYLES * z,
        "rs": wrist + 0.5 * _STYLOIDS * thumb,
        "us": wrist - 0.5 * _STYLOIDS * thumb,
        "grip": lift.hand,
    }
    end = lift.hand.copy()
    end[:, 2] = _BAR_ENDS
    mirror = np.array([1.0, 1.0, -1.0])
    points = {role: np.broadcast_to(np.array(p), (count, 3)) for role, p in _TRUNK.items()}
    points |= {f"right_{name}": values for name, values in arm.items()}
    points |= {f"left_{name}": values * mirror for name, values in arm.items()}
    if lift.lateral_free:
        points |= {"bar_right": end, "bar_left": end * mirror}
    return points

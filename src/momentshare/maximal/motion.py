"""A load driven from rest by the greatest force of the limb: motion, dip, greatest load.

The equation of motion dv/dt = a(y, v) is integrated with an explicit Runge–Kutta pair of orders
5 and 4 (Dormand and Prince 1980) on the field of :mod:`momentshare.maximal.drive`, between whose
heights and speeds the acceleration is linear. A load passes when the hand reaches lock-out before
it stops. With a weak zone on the way, the greatest such load exceeds the greatest that can be held
in that zone, since the speed gained before carries the load through it; at exactly that load the
hand would creep through the zone for ever.

The hands keep the load, so it has to come to rest at lock-out. They never pull it down: they let
off in time for its weight alone to stop it, at the height below lock-out that its speed squared
over 2 g is. That is the fastest lift of a load that is not thrown.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.results import ReadOnly, brief
from momentshare.units import GRAVITY

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from momentshare.balance import Lateral
    from momentshare.maximal.drive import DriveField, DrivenPath

    Floats = NDArray[np.float64]

__all__ = [
    "Dip",
    "Drive",
    "drive_load",
    "find_dip",
    "follow",
    "greatest_passing_load",
    "held_load",
]

LONGEST = 30.0
"""Time after which a load that still creeps counts as stuck [s]."""

RELATIVE, ABSOLUTE = 1e-8, 1e-10
"""Tolerances of the integrator for height [m] and speed [m/s]."""

POINTS = 201
"""Number of heights at which a motion is reported, evenly from the lowest place to where it
ends."""

LEAST_DIP = 0.005
"""Fall of speed from its first peak below which there is no dip [m/s]; assumed."""

FASTEST = 2.0
"""Greatest speed of the field when the greatest load is searched for [m/s]; a heavy load is
slow."""

CLOSE = 1e-4
"""Relative accuracy of the greatest load."""

ARRIVED = 1e-6
"""Fraction of the travel that rounding may leave at lock-out."""

_LIGHTER = (0.99, 0.97, 0.94, 0.9, 0.8, 0.65, 0.5, 0.35, 0.2, 0.1)
"""Fractions of the load that can be held everywhere, tried if that load does not pass."""

_RISE = 1.15
"""Factor by which the load is increased until it sticks."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Drive(ReadOnly):
    """Motion of one load; arrays of shape (points,).

    Attributes
    ----------
    load : float
        [kg], both hands.
    passed : bool
        Whether the hand reaches lock-out.
    duration : float
        Until lock-out, or until the load stops [s].
    time, height, speed, force : float array
        [s], [m] above the lowest place, [m/s], vertical force of both hands [N].
    """

    load: float
    passed: bool
    duration: float
    time: Floats
    height: Floats
    speed: Floats
    force: Floats

    __repr__ = brief

    @property
    def mean_speed(self) -> float:
        """Mean speed, travel over time [m/s]."""
        return float(self.height[-1] / self.duration) if self.duration > 0.0 else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Dip:
    """Where the speed falls on the way up: from its first peak to its minimum.

    Heights are fractions of the travel; the sticking region lies between the first two. All NaN
    where the speed never falls; the second peak is NaN where the load stops.
    """

    first_peak: float = np.nan
    first_peak_speed: float = np.nan
    first_peak_time: float = np.nan
    minimum: float = np.nan
    minimum_speed: float = np.nan
    minimum_time: float = np.nan
    second_peak: float = np.nan
    second_peak_speed: float = np.nan

    @property
    def present(self) -> bool:
        """Whether there is a dip."""
        return bool(np.isfinite(self.first_peak))


def drive_load(field: DriveField, *, thrown: bool = False) -> Drive:
    """Drive a load from rest at the lowest place with the greatest acceleration the field allows.

    Parameters
    ----------
    field : DriveField
    thrown : bool
        Whether the load may leave the hands at lock-out. Otherwise they let off in time for its
        weight to bring it to rest there.

    Returns
    -------
    Drive

    Examples
    --------
    >>> from momentshare import (
    ...     BenchPress, Lateral, Person, Profile, build_limb, drive_load, driven_path, load_model
    ... )
    >>> ada = Person(name="Ada", sex="female", stature=1.66, body_mass=62.0)
    >>> press = BenchPress(load_mass=0.0, spacing=Profile.constant(0.5))
    >>> path = driven_path(build_limb(ada, load_model()), press, heights=11)
    >>> drive = drive_load(path.field(10.0, Lateral(mode="zero")))
    >>> drive.passed, bool(drive.speed[0] == 0.0)
    (True, True)
    """
    from scipy.interpolate import RectBivariateSpline

    top = float(field.height[-1])
    surface = RectBivariateSpline(field.height, field.speed, field.acceleration, kx=1, ky=1)

    def acceleration(height: Floats, speed: Floats) -> Floats:
        y, v = np.clip(height, 0.0, top), np.clip(speed, 0.0, field.speed[-1])
        return np.asarray(surface.ev(y, v))

    return follow(field.load, top, acceleration, thrown=thrown)


def follow(
    load: float,
    top: float,
    acceleration: Callable[[Floats, Floats], Floats],
    *,
    thrown: bool = True,
) -> Drive:
    """Follow a load from rest to a height, given its acceleration by height and speed.

    Parameters
    ----------
    load : float
        [kg]
    top : float
        Height at which the load has passed [m].
    acceleration : callable
        [m/s²] from heights [m] and speeds [m/s], arrays of one shape.
    thrown : bool
        Whether the load may leave the hands; otherwise its weight brings it to rest at the top.
    """
    from scipy.integrate import solve_ivp

    still = np.zeros(1)
    first = acceleration(still, still)
    if not first[0] > 0.0:
        force = load * (GRAVITY + first)
        return Drive(
            load=load, passed=False, duration=0.0, time=still, height=still, speed=still,
            force=force,
        )  # fmt: skip

    def slope(_: float, state: Floats) -> Floats:
        return np.array([state[1], acceleration(state[:1], state[1:])[0]])

    def arrives(_: float, state: Floats) -> float:
        return float(state[0]) - top

    def stops(_: float, state: Floats) -> float:
        return float(state[1])

    def lets_off(_: float, state: Floats) -> float:
        return float(state[1] ** 2 - 2.0 * GRAVITY * (top - state[0]))

    arrives.terminal = stops.terminal = lets_off.terminal = True  # type: ignore[attr-defined]
    stops.direction = -1.0  # type: ignore[attr-defined]
    found: Any = solve_ivp(
        slope, (0.0, LONGEST), [0.0, 0.0], events=(arrives if thrown else lets_off, stops),
        dense_output=True, rtol=RELATIVE, atol=ABSOLUTE,
    )  # fmt: skip
    driven = found.sol
    pushed = float(found.t[-1])
    fastest = float(found.y[1, -1]) if found.t_events[0].size and not thrown else 0.0
    duration = pushed + fastest / GRAVITY

    def motion(time: Floats) -> Floats:
        free = np.maximum(time - pushed, 0.0)
        state = np.asarray(driven(np.minimum(time, pushed)))
        return state + np.stack([(fastest - 0.5 * GRAVITY * free) * free, -GRAVITY * free])

    # Reported at even heights, which increase with time throughout.
    fine = np.linspace(0.0, duration, 4 * POINTS)
    climbed = np.maximum.accumulate(motion(fine)[0])
    time = np.interp(np.linspace(0.0, climbed[-1], POINTS), climbed, fine)
    time[0], time[-1] = 0.0, duration
    height, speed = np.maximum(motion(time), 0.0)
    passed = bool(height[-1] >= top * (1.0 - ARRIVED))
    if passed:
        height[-1] = top
    force = load * np.maximum(GRAVITY + acceleration(height, speed), 0.0)
    return Drive(
        load=load,
        passed=passed,
        duration=duration,
        time=time,
        height=height,
        speed=speed,
        force=np.where(time > pushed, 0.0, force),
    )


def find_dip(drive: Drive, travel: float) -> Dip:
    """Find first peak, minimum and second peak of the speed.

    Parameters
    ----------
    drive : Drive
    travel : float
        From the lowest place to lock-out [m].
    """
    v, place = drive.speed, drive.height / travel
    falls = np.flatnonzero(np.diff(v) < 0.0)
    for start in falls:
        rises = np.flatnonzero(np.diff(v[start:]) > 0.0)
        low = start + int(rises[0]) if rises.size else len(v) - 1
        if v[start] - v[low] < LEAST_DIP:
            continue
        if low == len(v) - 1 and drive.passed:
            break  # the load slows down towards lock-out: an end, not a dip
        after = low + int(np.argmax(v[low:]))
        again = low < len(v) - 1
        return Dip(
            first_peak=float(place[start]),
            first_peak_speed=float(v[start]),
            first_peak_time=float(drive.time[start]),
            minimum=float(place[low]),
            minimum_speed=float(v[low]),
            minimum_time=float(drive.time[low]),
            second_peak=float(place[after]) if again else np.nan,
            second_peak_speed=float(v[after]) if again else np.nan,
        )
    return Dip()


def greatest_passing_load(path: DrivenPath, lateral: Lateral) -> tuple[float, float]:
    """Greatest load that passes, and the greatest that can be held at every height.

    Parameters
    ----------
    path : DrivenPath
    lateral : Lateral

    Returns
    -------
    passing, held : float
        [kg], both hands; NaN where the limb cannot hold its own weight at the lowest place, or
        anywhere.

    Notes
    -----
    Bisection of an interval of loads, down to one part in ten thousand. A load lighter than the
    greatest that can be held everywhere usually passes, so the search begins there; within the
    limits of the glenoid speed may prevent it, and lighter loads are tried in turn.

    Examples
    --------
    >>> from momentshare import (
    ...     BenchPress, Lateral, Person, Profile, build_limb, driven_path,
    ...     greatest_passing_load, load_model
    ... )
    >>> ada = Person(name="Ada", sex="female", stature=1.66, body_mass=62.0)
    >>> press = BenchPress(load_mass=0.0, spacing=Profile.constant(0.5))
    >>> path = driven_path(build_limb(ada, load_model()), press, heights=11)
    >>> passing, held = greatest_passing_load(path, Lateral(mode="zero"))
    >>> bool(passing > 0.999 * held)  # the search stops at one part in ten thousand
    True
    """
    held = held_load(path, lateral)
    first, least = float(held[0]), float(np.min(held))
    if not first > 0.0 or np.isnan(least):
        return np.nan, least if first > 0.0 else np.nan

    def passes(load: float) -> bool:
        return drive_load(path.field(load, lateral, fastest=FASTEST)).passed

    start = low = high = max(least * (1.0 - CLOSE), 1e-3)
    if passes(start):
        while high < first:  # more than can be held at the lowest place never leaves it
            high = min(high * _RISE, first)
            if not passes(high):
                break
            low = high
    else:
        for share in _LIGHTER:
            low = share * start
            if passes(low):
                break
            high = low
        else:
            return 0.0, least
    while high - low > CLOSE * high:
        middle = 0.5 * (low + high)
        if passes(middle):
            low = middle
        else:
            high = middle
    return low, least


def held_load(path: DrivenPath, lateral: Lateral) -> Floats:
    """Greatest load that can be held at each height [kg, both hands], shape (heights,)."""
    balance = path.standing().treated(lateral)
    return np.asarray(balance.greatest_load(glenoid=path.glenoid is not None).factor)

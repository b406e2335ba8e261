"""Pressing on the bench, with a bar or with dumbbells.

The trunk lies on a bench; its angle turns gravity in the sagittal plane of the thorax. Four
conditions close the chain at every height of the hand:

- the hand is at its spacing from the midline and at its height above the shoulder;
- the upper arm stands at the tuck angle from the trunk;
- the forearm leans by the tilt angle out of the vertical plane across the body;
- upper arm and forearm keep their lengths.

With the upper arm at tuck e from the trunk, its direction is
``-cos e · Y + sin e (cos α · Z - sin α · X)``; α (0 to the side, positive behind) is the one
unknown left, and the elbow is the solution on the outer side of the line from shoulder to hand.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from momentshare.errors import InputError, PostureError
from momentshare.exercise.lift import Lift, LimitBreach, Motion
from momentshare.geometry.rotation import dot, norm, rotation_from_axes
from momentshare.posture import Posture

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from momentshare.exercise.profile import Profile
    from momentshare.skeleton import Skeleton

__all__ = ["BenchPress"]

_GRID = 181
_NEWTON = 8
"""Steps from a bracket of two degrees; the fifth already gives all digits."""

_ZOOMS = 8
_HEIGHTS = 33
"""Heights tried at a time, and how often the interval that holds lock-out is divided so."""

_STEP = 1e-4
"""Step in height fraction for the derivatives along the lift."""

_LOW_ELEVATION = np.radians(20.0)
"""Below this elevation the plane of elevation means little and is not judged."""

_RESERVE = 0.003
"""Left of the reach at lock-out when tuck and tilt do not let the elbow straighten [m]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchPress:
    """One way of pressing; SI and radians.

    Parameters
    ----------
    load_mass : float
        Whole load, both hands [kg].
    spacing : Profile
        Distance between the grips [m].
    tuck, tilt : Profile
        Upper arm from the trunk, and forearm out of the vertical plane across the body,
        positive when the hand is nearer the head than the elbow [rad].
    bench_angle : float
        0 flat, positive with the head up (incline) [rad].
    implement : {"bar", "dumbbells"}
        A rigid bar lets the hands push along it; dumbbells do not.
    grip : {"pronated", "neutral"}
        Thumbs towards each other, or towards the head.
    chest_height, lockout_height : float, optional
        Height of the grip above the shoulder joint centre [m]; by default the chest surface
        and the height where the elbow reaches ``lockout_flexion``.
    lockout_flexion : float
        Elbow flexion at lock-out [rad].
    duration : float, optional
        Time from chest to lock-out [s], along a minimum-jerk curve (Flash and Hogan 1985,
        from memory); quasi-static when not given.
    frames : int
    """

    load_mass: float
    spacing: Profile
    tuck: Profile
    tilt: Profile
    bench_angle: float = 0.0
    implement: Literal["bar", "dumbbells"] = "bar"
    grip: Literal["pronated", "neutral"] = "pronated"
    chest_height: float | None = None
    lockout_height: float | None = None
    lockout_flexion: float = float(np.radians(12.0))
    duration: float | None = None
    frames: int = 51

    def __post_init__(self) -> None:
        faults = []
        if not np.isfinite(self.load_mass) or self.load_mass < 0.0:
            faults.append(f"load_mass: wanted zero or more [kg], got {self.load_mass!r}")
        if self.frames < 2:
            faults.append(f"frames: wanted 2 or more, got {self.frames!r}")
        if self.duration is not None and not (np.isfinite(self.duration) and self.duration > 0.0):
            faults.append(f"duration: wanted a positive time [s], got {self.duration!r}")
        if abs(self.bench_angle) > np.radians(80.0):
            faults.append(
                "bench_angle: wanted -80 to 80 degrees; press overhead is another exercise"
            )
        if self.implement == "bar" and len(self.spacing.points) > 1:
            faults.append("spacing: the hands cannot slide on a bar; give one value")
        if faults:
            raise InputError("bench press:", faults)

    @property
    def up(self) -> NDArray[np.float64]:
        """Vertical in the thorax frame."""
        return np.array([np.cos(self.bench_angle), np.sin(self.bench_angle), 0.0])

    @property
    def headward(self) -> NDArray[np.float64]:
        """Horizontal towards the head in the thorax frame."""
        return np.array([-np.sin(self.bench_angle), np.cos(self.bench_angle), 0.0])

    def lift(self, skeleton: Skeleton) -> Lift:
        """Solve the posture of every frame.

        Raises
        ------
        PostureError
            When not even one height between chest and lock-out can be reached.
        """
        low, high, notes = self._heights(skeleton)
        if self.duration is None:
            time, rate, change = None, None, None
            fraction = np.linspace(0.0, 1.0, self.frames)
        else:
            share = np.linspace(0.0, 1.0, self.frames)
            time = share * self.duration
            fraction = 10 * share**3 - 15 * share**4 + 6 * share**5
            rate = (30 * share**2 - 60 * share**3 + 30 * share**4) / self.duration
            change = (60 * share - 180 * share**2 + 120 * share**3) / self.duration**2
        here = self._solve(skeleton, fraction, low, high)
        motion = None
        if rate is not None and change is not None:
            motion = self._motion(skeleton, fraction, rate, change, low, high)
        return Lift(
            fraction=fraction,
            height=low + fraction * (high - low),
            time=time,
            posture=here.posture,
            hand=here.hand,
            elbow=here.elbow,
            up=self.up,
            load_mass=self.load_mass / 2.0,
            lateral_axis=np.array([0.0, 0.0, 1.0]),
            lateral_free=self.implement == "bar",
            reachable=here.gap == 0.0,
            gap=here.gap,
            breaches=self._breaches(skeleton, here),
            motion=motion,
            notes=notes,
        )

    def _heights(self, skeleton: Skeleton) -> tuple[float, float, tuple[str, ...]]:
        """Heights of chest and lock-out above the joint centre, and what was decided."""
        low = skeleton.chest_height if self.chest_height is None else self.chest_height
        if self.lockout_height is not None:
            if self.lockout_height <= low:
                raise InputError(
                    f"lockout_height {self.lockout_height:g} m is not above the chest at {low:g} m"
                )
            return low, self.lockout_height, ()
        reach = skeleton.sizes.humerus_length + skeleton.sizes.grip_length
        heights = np.linspace(low, low + 1.5 * reach, 301)
        end = np.ones_like(heights)
        found = self._close(skeleton, end, heights)
        good = np.flatnonzero(found.gap == 0.0)
        if good.size == 0:
            worst = float(np.min(found.gap))
            raise PostureError(
                f"hands {2 * float(self.spacing(np.ones(1))[0]) / 2:.3f} m apart cannot be reached "
                f"at any height from the chest ({low:.3f} m above the shoulder) upward with the "
                f"tuck and tilt given for lock-out; the arm is {worst:.3f} m too short at best, "
                "so bring the hands closer or change the tuck"
            )
        # Bisect on the first reachable stretch: flexion falls as the bar rises.
        run = good[: int(np.argmax(np.append(np.diff(good) > 1, True))) + 1]
        flexion = found.posture.elbow_flexion[run]
        below = np.flatnonzero(flexion <= self.lockout_flexion)
        if below.size == 0:
            high = float(heights[run[-1]]) - _RESERVE
            least = float(np.degrees(flexion[-1]))
            note = (
                f"tuck and tilt at lock-out leave the elbow bent by {least:.0f} degrees; "
                "lock-out is taken where the hand is at the end of its reach"
            )
            return low, high, (note,)
        index = int(run[below[0]])
        if index == 0:
            raise PostureError("the elbow is straight with the bar on the chest; raise the tuck")
        a, b = float(heights[index - 1]), float(heights[index])
        for _ in range(_ZOOMS):
            heights = np.linspace(a, b, _HEIGHTS)
            here = self._close(skeleton, np.ones(_HEIGHTS), heights)
            k = int(np.argmax(here.posture.elbow_flexion <= self.lockout_flexion))
            a, b = float(heights[max(k - 1, 0)]), float(heights[k])
        return low, b, ()

    def _solve(
        self, skeleton: Skeleton, fraction: NDArray[np.float64], low: float, high: float
    ) -> _Closed:
        return self._close(skeleton, fraction, low + fraction * (high - low))

    def _close(
        self, skeleton: Skeleton, fraction: NDArray[np.float64], height: NDArray[np.float64]
    ) -> _Closed:
        """Close the chain at given heights."""
        size, joint = skeleton.sizes, skeleton.joint_centre
        up, headward = self.up, self.headward
        tuck, tilt = self.tuck(fraction), self.tilt(fraction)
        lateral = 0.5 * self.spacing(fraction) - joint[2]
        reach = size.grip_length * np.cos(tilt)

        # Square of the distance elbow-hand across the body less that of the forearm's part,
        # as a function of the angle; all terms but sin and cos are fixed in a frame.
        upper = size.humerus_length
        side, fore = upper * np.sin(tuck), upper * np.sin(tuck) * up[0]
        drop = height + upper * np.cos(tuck) * up[1]

        def excess(sine: NDArray[np.float64], cosine: NDArray[np.float64]) -> NDArray[np.float64]:
            across = (drop + fore * sine) ** 2 + (lateral - side * cosine) ** 2
            return np.asarray(across - reach**2)

        grid = np.linspace(-np.pi, np.pi, _GRID)[:, None]
        value = excess(np.sin(grid), np.cos(grid))
        # Outer solution: the excess turns from negative to positive as the elbow goes back.
        rising = (value[:-1] < 0.0) & (value[1:] >= 0.0)
        outward = np.cos(0.5 * (grid[:-1] + grid[1:]))
        pick = np.argmax(np.where(rising, outward, -np.inf), axis=0)
        found = rising.any(axis=0)
        nearest = np.argmin(np.abs(value), axis=0)
        low = np.where(found, grid[pick, 0], grid[nearest, 0])
        high = np.where(found, grid[pick + found, 0], grid[nearest, 0])
        angle = 0.5 * (low + high)
        for _ in range(_NEWTON):
            sine, cosine = np.sin(angle), np.cos(angle)
            slope = 2 * (drop + fore * sine) * fore * cosine + 2 * (lateral - side * cosine) * (
                side * sine
            )
            step = excess(sine, cosine) / np.where(slope == 0.0, np.inf, slope)
            angle = np.clip(angle - step, low, high)
        sine, cosine = np.sin(angle), np.cos(angle)
        distance = np.sqrt(np.maximum(excess(sine, cosine) + reach**2, 0.0))
        gap = np.where(found, 0.0, np.abs(distance - reach))
        direction = np.stack([-np.sin(tuck) * sine, -np.cos(tuck), np.sin(tuck) * cosine], axis=-1)
        elbow = joint + size.humerus_length * direction
        across = (height - size.humerus_length * (direction @ up))[:, None] * up
        across[:, 2] += lateral - size.humerus_length * direction[:, 2]
        across *= (reach / np.maximum(norm(across), 1e-12))[:, None]
        forearm = (
            across + (size.grip_length * np.sin(tilt))[:, None] * headward
        ) / size.grip_length
        return self._postures(direction, forearm, elbow, gap, skeleton)

    def _postures(
        self,
        direction: NDArray[np.float64],
        forearm: NDArray[np.float64],
        elbow: NDArray[np.float64],
        gap: NDArray[np.float64],
        skeleton: Skeleton,
    ) -> _Closed:
        """Orientation of the humerus from the plane of the arm, forearm turned to the grip."""
        normal = np.cross(direction, forearm)
        size = norm(normal)
        hinge = normal / np.where(size > 1e-12, size, 1.0)[:, None]
        hinge[size <= 1e-12] = [0.0, 0.0, 1.0]
        y = -direction
        flexion = np.arctan2(size, dot(direction, forearm))
        x = np.cross(y, hinge)
        thumb = np.array([0.0, 0.0, -1.0]) if self.grip == "pronated" else self.headward
        front = np.cross(-forearm, hinge)  # x of the ulna: y × z
        rotation = np.arctan2(front @ thumb, hinge @ thumb)
        # Keep the branch continuous: supination beyond the back of the range is not meant.
        rotation = np.where(rotation < -np.pi / 2, rotation + 2.0 * np.pi, rotation)
        return _Closed(
            posture=Posture(
                humerus=rotation_from_axes(x, y, hinge),
                elbow_flexion=flexion,
                forearm_rotation=rotation,
            ),
            hand=elbow + skeleton.sizes.grip_length * forearm,
            elbow=elbow,
            forearm=forearm,
            gap=gap,
        )

    def _motion(
        self,
        skeleton: Skeleton,
        fraction: NDArray[np.float64],
        rate: NDArray[np.float64],
        change: NDArray[np.float64],
        low: float,
        high: float,
    ) -> Motion:
        """Differentiate along the lift by central differences in the height fraction."""
        # Stay on the profile's inner side at both ends, where it is smooth.
        base = np.clip(fraction, _STEP, 1.0 - _STEP)
        mid = self._solve(skeleton, base, low, high)
        back = self._solve(skeleton, base - _STEP, low, high)
        ahead = self._solve(skeleton, base + _STEP, low, high)
        first, second = rate[:, None], change[:, None]

        def point(name: str) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
            p, m, n = (getattr(c, name) for c in (back, mid, ahead))
            slope, curve = (n - p) / (2 * _STEP), (n - 2 * m + p) / _STEP**2
            return slope * first, curve * first**2 + slope * second

        def turn(
            p: NDArray[np.float64], m: NDArray[np.float64], n: NDArray[np.float64]
        ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
            forward = _rotation_vector(n @ np.swapaxes(m, -1, -2))
            backward = _rotation_vector(m @ np.swapaxes(p, -1, -2))
            slope, curve = (forward + backward) / (2 * _STEP), (forward - backward) / _STEP**2
            return slope * first, curve * first**2 + slope * second

        hand, elbow = point("hand"), point("elbow")
        humerus = turn(back.posture.humerus, mid.posture.humerus, ahead.posture.humerus)
        ulna = turn(back.ulna, mid.ulna, ahead.ulna)
        hinge = (ahead.posture.elbow_flexion - back.posture.elbow_flexion) / (2 * _STEP) * rate
        spin = (ahead.posture.forearm_rotation - back.posture.forearm_rotation) / (2 * _STEP) * rate
        return Motion(
            hand_velocity=hand[0],
            hand_acceleration=hand[1],
            elbow_velocity=elbow[0],
            elbow_acceleration=elbow[1],
            humerus_angular_velocity=humerus[0],
            humerus_angular_acceleration=humerus[1],
            ulna_angular_velocity=ulna[0],
            ulna_angular_acceleration=ulna[1],
            elbow_flexion_velocity=hinge,
            forearm_rotation_velocity=spin,
        )

    def _breaches(self, skeleton: Skeleton, here: _Closed) -> tuple[LimitBreach, ...]:
        model = skeleton.model
        angles = here.posture.angles()
        low_arm = angles["elevation"] < _LOW_ELEVATION
        checks = [
            ("elbow flexion", angles["elbow_flexion"], "limit_elbow_flexion_min", -1),
            ("elbow flexion", angles["elbow_flexion"], "limit_elbow_flexion_max", 1),
            ("shoulder elevation", angles["elevation"], "limit_elevation_max", 1),
            ("shoulder plane of elevation", angles["plane"], "limit_plane_min", -1),
            ("shoulder plane of elevation", angles["plane"], "limit_plane_max", 1),
            ("shoulder axial rotation", angles["axial"], "limit_axial_min", -1),
            ("shoulder axial rotation", angles["axial"], "limit_axial_max", 1),
            ("forearm rotation", angles["forearm_rotation"], "limit_forearm_rotation_min", -1),
            ("forearm rotation", angles["forearm_rotation"], "limit_forearm_rotation_max", 1),
        ]
        if self.implement == "bar":
            wrist = np.abs(np.arcsin(np.clip(here.forearm[:, 2], -1.0, 1.0)))
            checks.append(("wrist deviation", wrist, "limit_wrist_deviation", 1))
        found = []
        reachable = here.gap == 0.0
        for quantity, value, limit_name, sign in checks:
            limit = model.number(limit_name)
            beyond = sign * (value - limit)
            bad = (beyond > 1e-9) & reachable
            if quantity.startswith(("shoulder plane", "shoulder axial")):
                bad &= ~low_arm
            if bad.any():
                frames = np.flatnonzero(bad)
                worst = int(frames[np.argmax(beyond[frames])])
                found.append(
                    LimitBreach(
                        quantity=quantity,
                        first_frame=int(frames[0]),
                        last_frame=int(frames[-1]),
                        frame=worst,
                        value=float(np.degrees(value[worst])),
                        limit=float(np.degrees(limit)),
                        unit="deg",
                    )
                )
        if not reachable.all():
            frames = np.flatnonzero(~reachable)
            worst = int(frames[np.argmax(here.gap[frames])])
            found.append(
                LimitBreach(
                    quantity="reach of the hand",
                    first_frame=int(frames[0]),
                    last_frame=int(frames[-1]),
                    frame=worst,
                    value=float(here.gap[worst]),
                    limit=0.0,
                    unit="m",
                )
            )
        return tuple(found)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Closed:
    """A closed chain, frame by frame."""

    posture: Posture
    hand: NDArray[np.float64]
    elbow: NDArray[np.float64]
    forearm: NDArray[np.float64]
    gap: NDArray[np.float64]

    @property
    def ulna(self) -> NDArray[np.float64]:
        """Rotation of the ulna: y against the forearm, z the hinge."""
        hinge = self.posture.humerus[..., :, 2]
        return rotation_from_axes(np.cross(-self.forearm, hinge), -self.forearm, hinge)


def _rotation_vector(rotation: NDArray[np.float64]) -> NDArray[np.float64]:
    """Rotation vector of small turns, exact to rounding."""
    skew = 0.5 * (rotation - np.swapaxes(rotation, -1, -2))
    vector = np.stack([skew[..., 2, 1], skew[..., 0, 2], skew[..., 1, 0]], axis=-1)
    sine = norm(vector)
    scale = np.where(
        sine > 1e-12, np.arcsin(np.clip(sine, 0.0, 1.0)) / np.where(sine > 1e-12, sine, 1.0), 1.0
    )
    return vector * scale[..., None]

"""Courses of many presses at once: from the chest to lock-out, and the lifts along them.

The height of lock-out follows in closed form where the hand's place along the body is known there
(on a flat bench, and all along a bar path) and the elbow can have the angle requested; elsewhere it
is searched for. A press gives the same answer alone as among many: each has its own limb, and no
frame depends on another.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare._kernels import choose_route
from momentshare.errors import MomentshareError, PostureError
from momentshare.exercise.bar_path import along_path
from momentshare.exercise.breaches import breaches_each
from momentshare.exercise.chain import (
    Chain,
    find_lockouts,
    minimum_jerk,
    motion_along,
    out_of_reach,
)
from momentshare.exercise.closing import (
    SIDEWAYS,
    Arm,
    close_press,
    has_closed_elbow,
    straighten,
    touch_down,
)
from momentshare.exercise.lift import Lift, LimitBreach, Motion
from momentshare.exercise.profile import curves_through, values_along

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from momentshare.exercise.press_plan import PressPlan
    from momentshare.skeleton import Skeleton

    Floats = NDArray[np.float64]

__all__ = ["Courses", "press_courses", "press_kind", "press_lifts"]

_ENDS = 1e-9
"""Elbow flexion by which lock-out may miss the angle requested [rad]."""

_MARGIN = 1e-10
"""Cosine of the elbow flexion by which lock-out must stay short of the straightest elbow."""

_SEARCHED = 64
"""Number of presses whose lock-out is searched at once, some 20 MB per dozen."""

_CHEST, _LOCKOUT = np.zeros(1), np.ones(1)
"""Height fractions of the ends."""


def press_kind(press: PressPlan) -> tuple[object, ...]:
    """Return what presses must have in common to be solved together."""
    return (
        press.tuck is None, press.grip, press.implement, press.bench_angle,
        press.lockout_flexion, press.duration, press.frames,
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Courses:
    """Courses of presses of one kind.

    Attributes
    ----------
    presses : tuple of PressPlan
    arms : Arm
        Limb of each press.
    low, high : float array, shape (presses,)
        Height of the hand on the chest and at lock-out, above the hanging joint [m]; ``high``
        is NaN where there is no lock-out.
    chest, lockout : float array, shape (presses,)
        Distance of the hand from the hanging joint towards the feet, at both ends [m]; NaN where a
        tuck determines it.
    notes : tuple of tuple of str
        What had to be decided.
    compiled : bool
        Whether compiled loops are used.
    """

    presses: tuple[PressPlan, ...]
    arms: Arm
    low: Floats
    high: Floats
    chest: Floats
    lockout: Floats
    notes: tuple[tuple[str, ...], ...]
    compiled: bool

    def __len__(self) -> int:
        return len(self.presses)

    def take(self, rows: NDArray[np.intp]) -> Courses:
        """Select some presses."""
        arrays = {name: getattr(self, name)[rows] for name in ("low", "high", "chest", "lockout")}
        return replace(
            self,
            presses=tuple(self.presses[k] for k in rows),
            arms=self.arms.take(rows),
            notes=tuple(self.notes[k] for k in rows),
            **arrays,
        )

    def chains(self, at: Floats) -> Chain:
        """Close the chain at height fractions, the same for every press; frames press by press."""
        count = len(self)
        given = prescribed(self.presses, at)
        if self.presses[0].tuck is None:
            given["footward"] = along_path(self.chest[:, None], self.lockout[:, None], at)
        height = self.low[:, None] + at * (self.high - self.low)[:, None]
        return close_press(
            self.presses[0],
            self.arms,
            np.repeat(np.arange(count), len(at)),
            add=added(self.presses, self.arms, at).reshape(-1, 2),
            height=height.ravel(),
            given={name: values.ravel() for name, values in given.items()},
            compiled=self.compiled,
        )


def prescribed(presses: Sequence[PressPlan], at: Floats) -> dict[str, Floats]:
    """Profiles of presses by name at height fractions, shape (presses, fractions)."""
    names = presses[0].profiles
    return {name: values_along([getattr(press, name) for press in presses], at) for name in names}


def added(presses: Sequence[PressPlan], arms: Arm, at: Floats) -> Floats:
    """Return the protraction and elevation of the clavicle that lifters add [rad].

    Shape (presses, fractions, 2). Where a press leaves the protraction open, the habit of the limb
    applies.
    """
    protraction = curves_through(np.array([0.0, 1.0]), arms.habit, at)
    own = [k for k, press in enumerate(presses) if press.protraction is not None]
    if own:
        profiles = [p for press in presses if (p := press.protraction) is not None]
        protraction[own] = values_along(profiles, at)
    return np.stack([protraction, values_along([press.shrug for press in presses], at)], axis=-1)


def press_courses(
    presses: Sequence[PressPlan], skeleton: Skeleton, rows: Sequence[int] | None = None
) -> tuple[Courses, dict[int, MomentshareError]]:
    """Find chest and lock-out of presses of one kind (:func:`press_kind`).

    Parameters
    ----------
    presses : sequence of PressPlan
    skeleton : Skeleton
        One limb, or several.
    rows : sequence of int, optional
        Limb of each press where there are several.

    Returns
    -------
    courses : Courses
    faults : dict
        Index of a press → why it has no course.
    """
    count, first = len(presses), presses[0]
    arms = Arm.of(skeleton).of_each(count)
    if rows is not None and skeleton.shape:
        arms = Arm.of(skeleton).take(np.asarray(rows, dtype=np.intp))
    compiled = choose_route("auto", "presses")
    begin = {name: values[:, 0] for name, values in prescribed(presses, _CHEST).items()}
    height = _filled([press.chest_height for press in presses])
    chest, low = np.full(count, np.nan), np.where(np.isfinite(height), height, arms.chest[:, 0])
    if first.tuck is None:
        chest, low = touch_down(
            first,
            arms,
            add=added(presses, arms, _CHEST)[:, 0],
            begin=begin,
            height=height,
            touch=_filled([press.way.touch for press in presses]),
            shift=np.array([press.way.touch_shift for press in presses]),
            compiled=compiled,
        )
    end = _Ends.of(presses, arms, compiled)
    high, lockout, faults = _filled([press.lockout_height for press in presses]), *_nothing(count)
    for k in np.flatnonzero(high <= low):
        faults[int(k)] = PostureError(
            f"lock-out at {high[k]:.3f} m above the shoulder is not above the "
            f"chest at {low[k]:.3f} m; raise lockout_height (lockout_height_cm in a study "
            "file) or lower the chest"
        )
    notes: list[tuple[str, ...]] = [()] * count
    free = np.flatnonzero(np.isnan(high))
    if has_closed_elbow(first) and free.size:
        top, place = end.straight(free)
        least = low if first.tuck is None else np.maximum(low, 0.0)
        good = top > least[free]
        high[free[good]], lockout[free[good]] = top[good], place[good]
        free = free[~good]
    for begin_at in range(0, len(free), _SEARCHED):
        part = free[begin_at : begin_at + _SEARCHED]
        for k, answer in zip(part.tolist(), end.searched(part, low), strict=True):
            if isinstance(answer, PostureError):
                faults[k] = answer
            else:
                high[k], notes[k] = answer
    if first.tuck is None:
        open_ = np.flatnonzero(np.isnan(lockout) & ~np.isnan(high))
        lockout[open_] = end.places(open_, high)
    courses = Courses(
        presses=tuple(presses), arms=arms, low=low, high=high, chest=chest, lockout=lockout,
        notes=tuple(notes), compiled=compiled,
    )  # fmt: skip
    return courses, faults


def _filled(values: Sequence[float | None]) -> Floats:
    return np.array([np.nan if value is None else value for value in values])


def _nothing(count: int) -> tuple[Floats, dict[int, MomentshareError]]:
    return np.full(count, np.nan), {}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Ends:
    """What presses prescribe at lock-out, where only the height is unknown.

    A profile keeps its last value.

    Attributes
    ----------
    presses : sequence of PressPlan
    arms : Arm
    given : dict
        Name → value, shape (presses,); along a bar path ``footward`` counts from the joint.
    add : float array, shape (presses, 2)
    compiled : bool
    """

    presses: Sequence[PressPlan]
    arms: Arm
    given: dict[str, Floats]
    add: Floats
    compiled: bool

    @classmethod
    def of(cls, presses: Sequence[PressPlan], arms: Arm, compiled: bool) -> _Ends:
        given = {name: values[:, 0] for name, values in prescribed(presses, _LOCKOUT).items()}
        if presses[0].tuck is None:
            given["footward"] = np.array([press.way.lockout for press in presses])
        add = added(presses, arms, _LOCKOUT)[:, 0]
        return cls(presses=presses, arms=arms, given=given, add=add, compiled=compiled)

    def straight(self, rows: NDArray[np.intp]) -> tuple[Floats, Floats]:
        """Height and place of lock-out in closed form; NaN where it does not apply."""
        first, arms = self.presses[0], self.arms.take(rows)
        given = {name: values[rows] for name, values in self.given.items()}
        high, chain = straighten(first, arms, add=self.add[rows], end=given, compiled=self.compiled)
        bend = chain.posture.elbow_flexion
        good = (chain.gap == 0.0) & (np.abs(bend - first.lockout_flexion) < _ENDS)
        # The extent of arm and forearm along the body bounds how straight the elbow can be; where
        # that is the angle requested, rounding would decide.
        arm, forearm = (
            along @ first.headward for along in (-chain.posture.humerus[..., 1], chain.forearm)
        )
        straightest = arm * forearm + np.sqrt((1.0 - arm**2) * (1.0 - forearm**2))
        good &= straightest > np.cos(first.lockout_flexion) + _MARGIN
        return np.where(good, high, np.nan), self._footward(rows, chain)

    def places(self, rows: NDArray[np.intp], high: Floats) -> Floats:
        """Place of the hands at given heights of lock-out [m]."""
        return self._footward(rows, self._close(high[rows][:, None], rows))

    def searched(
        self, rows: NDArray[np.intp], low: Floats
    ) -> list[tuple[float, tuple[str, ...]] | PostureError]:
        """Height of lock-out, and what was decided, or why there is none."""
        reach = self.arms.upper + self.arms.fore
        return find_lockouts(
            lambda heights, of: self._close(heights, rows[of]),
            low=low[rows],
            span=1.5 * reach[rows],
            flexion=self.presses[0].lockout_flexion,
            spacing=[float(self.presses[k].spacing.points[-1][1]) for k in rows],
        )

    def _footward(self, rows: NDArray[np.intp], chain: Chain) -> Floats:
        """Distance towards the feet from the hanging joint, for a bar given from the joint."""
        if "footward" not in self.given:
            return np.full(len(rows), np.nan)
        moved = chain.shoulder - self.arms.rest[rows]
        return np.asarray(self.given["footward"][rows] - moved @ self.presses[0].headward)

    def _close(self, heights: Floats, rows: NDArray[np.intp]) -> Chain:
        """Close the chain at some heights of each press, shape (presses, heights)."""
        of_frame = np.repeat(rows, heights.shape[1])
        return close_press(
            self.presses[0],
            self.arms,
            of_frame,
            add=self.add[of_frame],
            height=heights.ravel(),
            given={name: values[of_frame] for name, values in self.given.items()},
            over_joint=True,
            compiled=self.compiled,
        )


def press_lifts(
    presses: Sequence[PressPlan],
    skeleton: Skeleton,
    rows: Sequence[int] | None = None,
    *,
    limits: bool = True,
) -> list[Lift | MomentshareError]:
    """Lifts of presses of one kind (:func:`press_kind`), or why there are none.

    Parameters
    ----------
    presses : sequence of PressPlan
    skeleton : Skeleton
        One limb, or several.
    rows : sequence of int, optional
        Limb of each press where there are several.
    limits : bool
        Whether to look for joints beyond their limits.
    """
    courses, faults = press_courses(presses, skeleton, rows)
    out: list[Any] = [faults.get(k) for k in range(len(presses))]
    known = np.array([k for k, fault in enumerate(out) if fault is None], dtype=np.intp)
    if known.size == 0:
        return out
    courses, first = courses.take(known), presses[0]
    fraction, timed = minimum_jerk(first.frames, first.duration)
    here = courses.chains(fraction)
    motion = None
    if timed is not None:
        every = (np.tile(x, len(known)) for x in (fraction, timed[1], timed[2]))
        motion = motion_along(lambda at: courses.chains(at[: first.frames]), *every)
    bar = first.implement == "bar"
    breaches: Sequence[tuple[LimitBreach, ...]] = [()] * len(known)
    if limits:
        limb = np.zeros(len(known), dtype=np.intp) if rows is None else np.asarray(rows)[known]
        breaches = breaches_each(skeleton, limb, here, SIDEWAYS if bar else None)
    reached = (here.gap == 0.0).reshape(len(known), -1).any(axis=1).tolist()
    for row, k in enumerate(known.tolist()):
        part = slice(row * first.frames, (row + 1) * first.frames)
        chain = here[part]
        if not reached[row]:
            out[k] = out_of_reach(chain, float(presses[k].spacing.points[-1][1]))
            continue
        low, high = courses.low[row], courses.high[row]
        out[k] = chain.lift(
            fraction=fraction,
            height=low + fraction * (high - low),
            time=None if timed is None else timed[0],
            up=first.up,
            load_mass=presses[k].load_mass / 2.0,
            lateral_axis=SIDEWAYS,
            lateral_free=bar,
            breaches=breaches[row],
            motion=None if motion is None else _part(motion, part),
            notes=courses.notes[row],
        )
    return out


def _part(motion: Motion, frames: slice) -> Motion:
    return Motion(**{item.name: getattr(motion, item.name)[frames] for item in fields(Motion)})

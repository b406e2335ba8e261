"""Close the chain of presses: the hand where it is prescribed, the shoulder where it then goes.

All functions take presses of one kind side by side: ``press`` gives bench angle, grip and elbow
flexion at lock-out, ``arms`` the limbs, ``rows`` the limb of each frame. Where numba is
installed the joint centre is settled by a compiled loop (:mod:`momentshare._kernels.presses`).
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING

import numpy as np

from momentshare._kernels import in_chunks
from momentshare.exercise.bar_path import bar_on_chest
from momentshare.exercise.chain import (
    BOLDEST,
    ROUNDS,
    SETTLED,
    Chain,
    chain_of_lengths,
    settle,
    solve_angle,
)
from momentshare.geometry.rotation import norm
from momentshare.girdle import Girdle

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from numpy.typing import NDArray

    from momentshare.exercise.press_plan import PressPlan
    from momentshare.skeleton import Skeleton

    Floats = NDArray[np.float64]
    Place = Callable[[Floats], tuple[Floats | None, Floats]]

__all__ = [
    "SIDEWAYS",
    "Arm",
    "close_press",
    "lockout_square",
    "straighten",
    "touch_down",
]

SIDEWAYS = np.array([0.0, 0.0, 1.0])
"""Along the bar, outward for the right hand."""

_HEIGHT, _OVER_JOINT, _STRAIGHT, _CHEST = 0, 1, 2, 3
"""What says where the hand is, as in :mod:`momentshare._kernels.presses`."""

_LEAST = 4000
"""Minimum number of frames per thread."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Arm:
    """Lengths and girdle of one limb or of several, for closing presses.

    Attributes
    ----------
    rest : float array, shape (..., 3)
        Joint centre with the arm hanging [m].
    upper, fore : float array, shape (...)
        Shoulder to elbow, elbow to grip [m].
    girdle : Girdle
    chest : float array, shape (..., 2)
        Centre of a bar on the chest in front of ``rest``, and usual touch point towards the feet
        [m].
    habit : float array, shape (..., 2)
        Protraction that a lifter adds on the chest and at lock-out [rad].
    """

    rest: Floats
    upper: Floats
    fore: Floats
    girdle: Girdle
    chest: Floats
    habit: Floats

    @classmethod
    def of(cls, skeleton: Skeleton) -> Arm:
        """Arm of a skeleton."""
        return cls(
            rest=np.asarray(skeleton.joint_centre),
            upper=np.asarray(skeleton.humerus_length),
            fore=np.asarray(skeleton.grip_length),
            girdle=skeleton.girdle,
            chest=np.stack([skeleton.chest_height, skeleton.touch_point], axis=-1),
            habit=skeleton.press_protraction,
        )

    def of_each(self, count: int) -> Arm:
        """Return the limbs as they are, or a single limb repeated for each press."""
        if self.upper.ndim:
            return self
        return self._changed(lambda values: np.broadcast_to(values, (count, *values.shape)))

    def take(self, limb: int | NDArray[np.intp]) -> Arm:
        """Select one limb of several, or one per entry of an index array."""
        return self._changed(lambda values: np.asarray(values[limb])) if self.upper.ndim else self

    def _changed(self, change: Callable[[Floats], Floats]) -> Arm:
        girdle = {f.name: change(getattr(self.girdle, f.name)) for f in fields(Girdle)}
        rest = {f.name: change(getattr(self, f.name)) for f in fields(Arm) if f.name != "girdle"}
        return Arm(girdle=Girdle(**girdle), **rest)


def touch_down(
    press: PressPlan,
    arms: Arm,
    *,
    add: Floats,
    begin: Mapping[str, Floats],
    height: Floats,
    touch: Floats,
    shift: Floats,
    compiled: bool = False,
) -> tuple[Floats, Floats]:
    """Place of hands on a bar path at the chest: towards the feet, and height [m].

    Both are measured from where the joint is with the arm hanging. By default the touch point is
    that of an upright forearm, so it follows the joint, which follows the arm.

    Parameters
    ----------
    press : PressPlan
    arms : Arm
        One per press.
    add : float array, shape (presses, 2)
        Protraction and elevation of the clavicle that the lifter adds [rad].
    begin : mapping
        ``tilt`` and ``spacing`` on the chest, shape (presses,).
    height, touch, shift : float array, shape (presses,)
        As for :func:`~momentshare.exercise.bar_path.bar_on_chest`.
    compiled : bool
        Whether to use the compiled loop.
    """

    def place(joint: Floats) -> tuple[Floats, Floats]:
        moved = joint - arms.rest
        return bar_on_chest(
            bench_angle=press.bench_angle,
            upper=arms.upper,
            fore=arms.fore,
            aside=0.5 * begin["spacing"] - joint[:, 2],
            chest=(arms.chest[:, 0] - moved[:, 0], arms.chest[:, 1] + moved[:, 1]),
            touch=touch + moved[:, 1],
            shift=shift,
            height=height - moved @ press.up,
        )

    rows = np.arange(len(add))
    bar = {"chest": arms.chest, "touch": touch, "shift": shift, "height": height}
    given = {**begin, **bar, "add": add}
    chain = _settled(press, arms, rows, place, given, mode=_CHEST, compiled=compiled)
    footward, above = place(chain.shoulder)
    moved = chain.shoulder - arms.rest
    return footward - moved @ press.headward, above + moved @ press.up


def straighten(
    press: PressPlan,
    arms: Arm,
    *,
    add: Floats,
    end: Mapping[str, Floats],
    compiled: bool = False,
) -> tuple[Floats, Chain]:
    """Height above the hanging joint at which the elbow has its lock-out flexion [m].

    The hand's place along the body is known there, on a flat bench or on a bar path.

    Parameters
    ----------
    press : PressPlan
    arms : Arm
        One per press.
    add : float array, shape (presses, 2)
        Protraction and elevation of the clavicle that the lifter adds [rad].
    end : mapping
        ``tilt``, ``spacing`` and ``tuck`` or ``footward`` at lock-out, shape (presses,).
    compiled : bool
        Whether to use the compiled loop.

    Returns
    -------
    height : float array, shape (presses,)
        NaN where there is none.
    chain : Chain
        Closed at that height.
    """
    upper, fore, footward = arms.upper, arms.fore, end.get("footward")
    along = footward
    if along is None:
        along = upper * np.cos(end["tuck"]) - fore * np.sin(end["tilt"])

    def above(joint: Floats) -> tuple[Floats, NDArray[np.bool_]]:
        """Height of the hand above a joint centre, and where there is one."""
        aside = 0.5 * end["spacing"] - joint[:, 2]
        square = lockout_square(upper, fore, press.lockout_flexion, along=along, aside=aside)
        return np.sqrt(np.maximum(square, 0.0)), square > 0.0

    def place(joint: Floats) -> tuple[Floats | None, Floats]:
        return footward, above(joint)[0]

    rows = np.arange(len(add))
    given = {**end, "add": add}
    chain = _settled(press, arms, rows, place, given, mode=_STRAIGHT, compiled=compiled)
    height, found = above(chain.shoulder)
    rise = (chain.shoulder - arms.rest) @ press.up
    return np.where(found, height + rise, np.nan), chain


def lockout_square(
    upper: Floats,
    fore: Floats,
    flexion: float,
    *,
    along: Floats | float,
    aside: Floats,
) -> Floats:
    """Square of the height above the joint at which the elbow has a flexion [m²].

    ``along`` and ``aside`` are the distances of the hand from the joint along the body and to the
    side.
    """
    whole = upper**2 + fore**2 + 2.0 * upper * fore * np.cos(flexion)
    return np.asarray(whole - np.square(along) - aside**2)


def close_press(
    press: PressPlan,
    arms: Arm,
    rows: NDArray[np.intp],
    *,
    add: Floats,
    height: Floats,
    given: Mapping[str, Floats],
    over_joint: bool = False,
    compiled: bool = False,
) -> Chain:
    """Close the chain at heights of the hand.

    Parameters
    ----------
    press : PressPlan
    arms : Arm
    rows : int array, shape (frames,)
        Row of the limb of each frame.
    add : float array, shape (frames, 2)
        Protraction and elevation of the clavicle that the lifter adds [rad].
    height : float array, shape (frames,)
        Above the hanging joint [m].
    given : mapping
        ``tilt``, ``spacing`` and ``tuck`` or, along a bar path, the distance ``footward`` of the
        hand from the joint towards the feet, shape (frames,).
    over_joint : bool
        Whether ``footward`` counts from where the joint is, not from where it hangs.
    compiled : bool
        Whether to use the compiled loop.
    """
    rest, footward = arms.rest[rows], given.get("footward")

    def place(joint: Floats) -> tuple[Floats | None, Floats]:
        moved = joint - rest
        along = footward
        if along is not None and not over_joint:
            along = along + moved @ press.headward
        return along, height - moved @ press.up

    mode = _OVER_JOINT if over_joint else _HEIGHT
    known = {**given, "height": height, "add": add}
    return _settled(press, arms, rows, place, known, mode=mode, compiled=compiled)


def _settled(
    press: PressPlan,
    arms: Arm,
    rows: NDArray[np.intp],
    place: Place,
    given: Mapping[str, Floats],
    *,
    mode: int,
    compiled: bool,
) -> Chain:
    """Close the chain where arm and girdle have adjusted to each other.

    ``place`` gives the hand's place for a joint centre in each frame; ``mode`` and ``given``
    describe the same to the compiled loop.
    """
    upper, fore, rest, add = arms.upper[rows], arms.fore[rows], arms.rest[rows], given["add"]

    def close(joint: Floats, near: Floats | None) -> tuple[Chain, Floats]:
        footward, height = place(joint)
        return _close(press, (upper, fore), joint, near, given, footward=footward, height=height)

    if not compiled or not has_closed_elbow(press):
        return settle(close, arms.take(rows).girdle, add, rest)
    joint = _joints(press, arms, rows, given, mode)
    chain, _ = close(joint, None)
    return replace(chain, posture=replace(chain.posture, girdle=add))


def has_closed_elbow(press: PressPlan) -> bool:
    """Whether the elbow follows without a search: on a bar path, or on a flat bench."""
    return press.tuck is None or press.bench_angle == 0.0


def _joints(
    press: PressPlan,
    arms: Arm,
    rows: NDArray[np.intp],
    given: Mapping[str, Floats],
    mode: int,
) -> Floats:
    """Settle joint centres by the compiled loop, shape (frames, 3) [m]."""
    from momentshare._kernels.presses import settle_frames

    count, girdle = len(rows), arms.girdle
    by_path = mode == _CHEST or "footward" in given

    def plain(values: Floats) -> Floats:
        return np.ascontiguousarray(values, dtype=np.float64)

    def frames(name: str, *last: int) -> Floats:
        return plain(given.get(name, np.zeros((count, *last))))

    limbs = (
        plain(arms.rest), plain(arms.upper), plain(arms.fore), plain(girdle.root),
        plain(girdle.length), plain(girdle.corner), plain(girdle.hanging), plain(girdle.rise),
        plain(girdle.reach), plain(girdle.follow), plain(girdle.setting),
    )  # fmt: skip
    posed = (
        frames("add", 2), frames("tilt"), frames("spacing"), frames("tuck"), frames("footward"),
        frames("height"), frames("chest", 2), frames("touch"), frames("shift"),
    )  # fmt: skip
    index = np.ascontiguousarray(rows, dtype=np.int64)
    up = (float(press.up[0]), float(press.up[1]))
    out = np.empty((count, 3))

    def run(first: int, last: int) -> None:
        settle_frames(
            index, *limbs, *posed, up, mode, by_path, press.lockout_flexion,
            first, last, ROUNDS, SETTLED, BOLDEST, out,
        )  # fmt: skip

    in_chunks(run, count, None, least=_LEAST)
    return out


def _close(
    press: PressPlan,
    lengths: tuple[Floats, Floats],
    joint: Floats,
    near: Floats | None,
    given: Mapping[str, Floats],
    *,
    footward: Floats | None,
    height: Floats,
) -> tuple[Chain, Floats]:
    """Close the chain about a joint centre in each frame, from which everything is measured."""
    (upper, fore_length), tuck, tilt = lengths, given.get("tuck"), given["tilt"]
    up, headward, spacing = press.up, press.headward, given["spacing"]
    lateral = 0.5 * spacing - joint[..., 2]
    along, front = np.array([0.0, 1.0, 0.0]), np.array([1.0, 0.0, 0.0])
    missed: Floats | float = 0.0
    if tuck is None:
        along, front = headward, up
        cosine_of = (np.asarray(footward) + fore_length * np.sin(tilt)) / upper
        missed = upper * np.maximum(np.abs(cosine_of) - 1.0, 0.0)
        tuck = np.arccos(np.clip(cosine_of, -1.0, 1.0))
    reach = fore_length * np.cos(tilt)

    # Square of the distance elbow-hand across the body less that of the forearm's part,
    #     (drop + fore sin α)² + (lateral - side cos α)² - reach²,
    # multiplied out, so that each angle of the search costs few operations.
    upright = front is up or press.bench_angle == 0.0
    side = upper * np.sin(tuck)
    fore = side if upright else side * (front @ up)
    drop = height + (0.0 if upright else upper * np.cos(tuck) * (along @ up))
    square, still = fore**2 - side**2, drop**2 + lateral**2 + side**2 - reach**2
    lean, swing = 2.0 * drop * fore, 2.0 * lateral * side

    def excess(sine: Floats, cosine: Floats) -> Floats:
        return np.asarray((square * sine + lean) * sine - swing * cosine + still)

    def slope(sine: Floats, cosine: Floats) -> Floats:
        return np.asarray((2.0 * square * sine + lean) * cosine + swing * sine)

    # Outer solution: the excess changes from negative to positive as the elbow goes back.
    if upright:  # what remains is lean sin α - swing cos α + still
        size = np.hypot(lean, swing)
        cosine = still / np.where(size > 0.0, size, np.inf)
        found = (np.abs(cosine) <= 1.0) & (size > 0.0)
        angle = np.arccos(np.clip(cosine, -1.0, 1.0)) - np.arctan2(lean, swing)
    else:
        angle, found = solve_angle(
            excess, slope, near=near, low=-np.pi, high=np.pi, rising=True, prefer=np.cos
        )
    sine, cosine = np.sin(angle), np.cos(angle)
    distance = np.sqrt(np.maximum(excess(sine, cosine) + reach**2, 0.0))
    gap = np.maximum(np.where(found, 0.0, np.abs(distance - reach)), missed)
    direction = (
        (-np.sin(tuck) * sine)[:, None] * front
        - np.cos(tuck)[:, None] * along
        + (np.sin(tuck) * cosine)[:, None] * SIDEWAYS
    )
    across = (height - upper * (direction @ up))[:, None] * up
    across[:, 2] += lateral - upper * direction[:, 2]
    across *= (reach / np.maximum(norm(across), 1e-12))[:, None]
    upper, fore_length = np.reshape(upper, (-1, 1)), np.reshape(fore_length, (-1, 1))
    forearm = (across + fore_length * np.sin(tilt)[:, None] * headward) / fore_length
    thumb = -SIDEWAYS if press.grip == "pronated" else headward
    chain = chain_of_lengths(joint, upper, fore_length, direction, forearm, gap, thumb)
    return chain, angle

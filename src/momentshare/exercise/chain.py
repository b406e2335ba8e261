"""Shared by exercises: closing the chain, the arm's orientation, lock-out and motion."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.errors import PostureError
from momentshare.exercise.lift import Lift, Motion
from momentshare.geometry.rotation import cross, dot, norm, rotation_from_axes, unit
from momentshare.girdle import Girdle, girdle_pose
from momentshare.posture import Posture

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from momentshare.skeleton import Skeleton

__all__ = [
    "BOLDEST",
    "ROUNDS",
    "SETTLED",
    "Chain",
    "chain_from_posture",
    "chain_of_lengths",
    "find_lockouts",
    "minimum_jerk",
    "motion_along",
    "out_of_reach",
    "require_reach",
    "settle",
    "solve_angle",
]

_GRID = 181
_NEWTON = 8
"""Number of steps from a bracket of two degrees; the fifth is already exact to rounding."""

_STRIDE = float(np.radians(5.0))
"""Longest step from a root found before [rad]."""

_EXACT = 1e-15
_CLOSE = 1e-9
"""Size of the last step below which the search ends, and below which a root counts as found
[rad]."""

_TRIED = 301
"""Number of heights at which lock-out is looked for."""

_AT_ONCE = 50
"""How many of them are looked at before lifts that need no more drop out."""

_ZOOMS = 8
_HEIGHTS = 33
"""Heights tried at a time, and how often the interval that holds lock-out is divided in this
way."""

_NEARLY = np.radians(2.0)
"""Excess bend at lock-out that does not deserve a note [rad]."""

_RESERVE = 0.003
"""Reach left over at lock-out when the given angles do not let the elbow straighten [m]."""

STEP = 1e-4
"""Step in height fraction for the derivatives along the lift."""

_STRAIGHT = 1e-12
_ALONG = 0.9
"""Lateral component of the arm's direction up to which a straight elbow keeps a lateral hinge."""

_LOOKS = 3
"""Rounds in which roots are searched for everywhere; later rounds start from those found."""

ROUNDS = 60
"""Maximum number of rounds of adjusting arm and girdle to each other; a round gains about one
digit."""

BOLDEST = 2.0
"""Largest fraction of the last step that is undone."""

SETTLED = 1e-13
"""Movement of the joint centre below which they count as adjusted [m]."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Chain:
    """A closed chain, frame by frame; ``gap`` is the distance left open [m]."""

    posture: Posture
    shoulder: NDArray[np.float64]
    hand: NDArray[np.float64]
    elbow: NDArray[np.float64]
    forearm: NDArray[np.float64]
    gap: NDArray[np.float64]

    def __getitem__(self, frames: slice) -> Chain:
        """Pick frames."""
        arrays = {item.name: getattr(self, item.name)[frames] for item in fields(Chain)}
        return Chain(**arrays)

    @property
    def ulna(self) -> NDArray[np.float64]:
        """Rotation of the ulna: y against the forearm, z the hinge."""
        hinge = self.posture.humerus[..., :, 2]
        return rotation_from_axes(cross(-self.forearm, hinge), -self.forearm, hinge)

    def lift(self, **known: Any) -> Lift:
        """Make a lift of the chain; ``known`` are its other fields.

        A frame is reachable where no gap is left open.
        """
        return Lift(
            posture=self.posture, shoulder=self.shoulder, hand=self.hand, elbow=self.elbow,
            reachable=self.gap == 0.0, gap=self.gap, **known,
        )  # fmt: skip


def settle(
    close: Callable[
        [NDArray[np.float64], NDArray[np.float64] | None], tuple[Chain, NDArray[np.float64]]
    ],
    girdle: Girdle,
    add: NDArray[np.float64],
    start: NDArray[np.float64],
) -> Chain:
    """Close a chain whose shoulder moves with the arm.

    Parameters
    ----------
    close : callable
        Returns the chain for a joint centre in each frame, shape (frames, 3), and its angle; the
        second argument is the angle found before, None in the first round.
    girdle : Girdle
        Of one limb, or of the limb of each frame.
    add : float array, shape (frames, 2)
        Protraction and elevation of the clavicle that the task adds [rad].
    start : float array, shape (frames, 3)
        Joint centre to begin with [m].

    Notes
    -----
    The joint centre is moved to where the girdle has it for the posture found, until it stays in
    place; from the second round on, to where the last two steps lead (Anderson mixing of depth
    one). A frame that has settled is left alone, so that it does not depend on its neighbours.
    """
    joint, angle = start, None
    moving = np.ones(len(start), dtype=bool)
    last: tuple[NDArray[np.float64], NDArray[np.float64]] | None = None
    for turn in range(ROUNDS):
        chain, angle = close(joint, angle if turn > _LOOKS else None)
        posture = replace(chain.posture, girdle=add)
        step = girdle_pose(girdle, posture).joint - joint
        moving &= np.linalg.norm(step, axis=-1) > SETTLED
        if not moving.any():
            break
        ahead = joint + step
        if last is not None:
            change, way = step - last[1], joint - last[0]
            size = np.sum(change**2, axis=-1)
            share = np.sum(step * change, axis=-1) / np.where(size > 0.0, size, np.inf)
            ahead = ahead - np.clip(share, -BOLDEST, BOLDEST)[:, None] * (way + change)
        last = joint, step
        joint = np.where(moving[:, None], ahead, joint)
    return replace(chain, posture=posture)


def solve_angle(
    excess: Callable[[NDArray[np.float64], NDArray[np.float64]], NDArray[np.float64]],
    slope: Callable[[NDArray[np.float64], NDArray[np.float64]], NDArray[np.float64]],
    *,
    near: NDArray[np.float64] | None = None,
    low: float,
    high: float,
    rising: bool,
    prefer: Callable[[NDArray[np.float64]], NDArray[np.float64]],
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Find where an excess, a function of sine and cosine of one angle, changes sign.

    Parameters
    ----------
    excess, slope : callable
        Value and derivative from sine and cosine, both of shape (grid, 1) or (frames,).
    near : float array, shape (frames,), optional
        Root of a similar problem, from which the search starts without looking elsewhere.
    low, high : float
        Interval [rad].
    rising : bool
        Whether the excess changes from negative to positive at the root sought.
    prefer : callable
        Of several such roots, the one where this function of the angle is largest is chosen.

    Returns
    -------
    angle : float array, shape (frames,)
        The root; where there is none, the angle of least absolute excess.
    found : bool array, shape (frames,)
    """
    if near is not None:
        angle = near
        for _ in range(_NEWTON):
            sine, cosine = np.sin(angle), np.cos(angle)
            gradient = slope(sine, cosine)
            step = excess(sine, cosine) / np.where(gradient == 0.0, np.inf, gradient)
            angle = np.clip(angle - np.clip(step, -_STRIDE, _STRIDE), low, high)
            if np.abs(step).max(initial=0.0) < _EXACT:
                break
        return angle, np.abs(step) < _CLOSE
    grid = np.linspace(low, high, _GRID)[:, None]
    value = excess(np.sin(grid), np.cos(grid))
    before, after = (value[:-1], value[1:]) if rising else (-value[:-1], -value[1:])
    crossing = (before < 0.0) & (after >= 0.0)
    liking = prefer(0.5 * (grid[:-1] + grid[1:]))
    pick = np.argmax(np.where(crossing, liking, -np.inf), axis=0)
    found = crossing.any(axis=0)
    nearest = np.argmin(np.abs(value), axis=0)
    left = np.where(found, grid[pick, 0], grid[nearest, 0])
    right = np.where(found, grid[pick + found, 0], grid[nearest, 0])
    angle = 0.5 * (left + right)
    for _ in range(_NEWTON):
        sine, cosine = np.sin(angle), np.cos(angle)
        gradient = slope(sine, cosine)
        step = excess(sine, cosine) / np.where(gradient == 0.0, np.inf, gradient)
        angle = np.clip(angle - step, left, right)
    return angle, np.asarray(found)


def chain_of_lengths(
    joint: NDArray[np.float64],
    upper: NDArray[np.float64] | float,
    fore: NDArray[np.float64] | float,
    direction: NDArray[np.float64],
    forearm: NDArray[np.float64],
    gap: NDArray[np.float64],
    thumb: NDArray[np.float64],
) -> Chain:
    """Orient the arm from the directions of upper arm and forearm.

    Parameters
    ----------
    joint : float array, shape (3,) or (frames, 3)
        Glenohumeral centre [m].
    upper, fore : float, or float array of shape (frames, 1)
        Length of the upper arm and of the forearm with the grip [m].
    direction, forearm : float array, shape (frames, 3)
        Unit vectors from shoulder to elbow and from elbow to hand.
    gap : float array, shape (frames,)
    thumb : float array, shape (3,)
        Direction in which the thumb side of the grip points; the forearm is turned so that
        the grip comes as near to it as the forearm allows.
    """
    elbow = joint + upper * direction
    normal = cross(direction, forearm)
    size = norm(normal)
    # A straight arm leaves the hinge undefined; where the arm is nearly straight, rounding skews
    # it.
    aside = np.where(np.abs(direction[:, 2:]) < _ALONG, [0.0, 0.0, 1.0], [1.0, 0.0, 0.0])
    straight = (size <= _STRAIGHT)[:, None]
    hinge = np.where(straight, aside, normal / np.where(straight, 1.0, size[:, None]))
    hinge = unit(hinge - dot(hinge, direction)[:, None] * direction)
    y = -direction
    front = cross(-forearm, hinge)  # x of the ulna: y × z
    rotation = np.arctan2(front @ thumb, hinge @ thumb)
    # Keep the branch continuous: supination beyond the end of the range is not intended.
    rotation = np.where(rotation < -np.pi / 2, rotation + 2.0 * np.pi, rotation)
    return Chain(
        posture=Posture(
            humerus=np.stack([cross(y, hinge), y, hinge], axis=-1),  # at right angles as made
            elbow_flexion=np.arctan2(size, dot(direction, forearm)),
            forearm_rotation=rotation,
        ),
        shoulder=np.broadcast_to(joint, elbow.shape),
        hand=elbow + fore * forearm,
        elbow=elbow,
        forearm=forearm,
        gap=gap,
    )


def chain_from_posture(skeleton: Skeleton, posture: Posture) -> Chain:
    """Place elbow and hand of an open chain whose joint angles are given."""
    humerus = posture.humerus
    direction, x = -humerus[..., :, 1], humerus[..., :, 0]
    bend = posture.elbow_flexion[..., None]
    forearm = np.cos(bend) * direction + np.sin(bend) * x
    joint = np.broadcast_to(girdle_pose(skeleton.girdle, posture).joint, direction.shape)
    elbow = joint + skeleton.sizes.humerus_length * direction
    return Chain(
        posture=posture,
        shoulder=joint,
        hand=elbow + skeleton.sizes.grip_length * forearm,
        elbow=elbow,
        forearm=forearm,
        gap=np.zeros(posture.shape),
    )


def find_lockouts(
    close: Callable[[NDArray[np.float64], NDArray[np.intp]], Chain],
    *,
    low: NDArray[np.float64],
    span: NDArray[np.float64],
    flexion: float,
    spacing: Sequence[float],
) -> list[tuple[float, tuple[str, ...]] | PostureError]:
    """Heights at which elbows reach their lock-out flexion, and what had to be decided.

    Parameters
    ----------
    close : callable
        Returns the chains, lift by lift, at heights [m] of shape (some lifts, heights) for the
        lifts with the given indices, with everything else as at lock-out.
    low, span : float array, shape (lifts,)
        Lowest height, and how far above it to look [m].
    flexion : float
        Elbow flexion at lock-out [rad].
    spacing : sequence of float
        Distance between the hands at lock-out [m], for the message.

    Returns
    -------
    list
        Height and notes of each lift, or the error that explains what is missing.
    """
    heights = np.linspace(low, low + span, _TRIED, axis=-1)
    gap, bend = np.full(heights.shape, np.inf), np.full(heights.shape, np.nan)
    looking = np.arange(len(low))
    for begin in range(0, _TRIED, _AT_ONCE):
        here = slice(begin, begin + _AT_ONCE)
        tried = heights[looking, here]
        found = close(tried, looking)
        gap[looking, here] = found.gap.reshape(tried.shape)
        bend[looking, here] = found.posture.elbow_flexion.reshape(tried.shape)
        # Nothing above the first reachable stretch counts, nor above the first straight elbow.
        good = gap[looking] == 0.0
        ended = good.any(axis=-1) & ~good[:, min(here.stop, _TRIED) - 1]
        looking = looking[~(ended | (good & (bend[looking] <= flexion)).any(axis=-1))]
        if looking.size == 0:
            break
    out = [_first_straight(*row, flexion) for row in zip(heights, gap, bend, spacing, strict=True)]
    open_ = np.array([k for k, answer in enumerate(out) if isinstance(answer, int)], dtype=np.intp)
    if open_.size:
        above = np.array([answer for answer in out if isinstance(answer, int)])
        a, b = heights[open_, above - 1], heights[open_, above]
        row = np.arange(len(open_))
        for _ in range(_ZOOMS):
            finer = np.linspace(a, b, _HEIGHTS, axis=-1)
            bent = close(finer, open_).posture.elbow_flexion.reshape(finer.shape)
            k = np.argmax(bent <= flexion, axis=-1)
            a, b = finer[row, np.maximum(k - 1, 0)], finer[row, k]
        for k, height in zip(open_.tolist(), b.tolist(), strict=True):
            out[k] = (height, ())
    return out  # type: ignore[return-value]


def _first_straight(
    heights: NDArray[np.float64],
    gap: NDArray[np.float64],
    bend: NDArray[np.float64],
    spacing: float,
    flexion: float,
) -> int | tuple[float, tuple[str, ...]] | PostureError:
    """Return the index of the first height with the elbow straight enough, or the error."""
    good = np.flatnonzero(gap == 0.0)
    if good.size == 0:
        return PostureError(
            f"hands {spacing:.3f} m apart cannot be reached at any height from {heights[0]:.3f} m "
            "above the shoulder upward with the angles given for lock-out; at best the arm is "
            f"{np.min(gap):.3f} m too short; bring the hands closer or change the angles"
        )
    # Within the first reachable stretch, flexion falls as the hand rises.
    run = good[: int(np.argmax(np.append(np.diff(good) > 1, True))) + 1]
    below = np.flatnonzero(bend[run] <= flexion)
    if below.size == 0:
        last = float(bend[run[-1]])
        note = (
            f"the angles at lock-out leave the elbow bent by {np.degrees(last):.0f} degrees "
            f"where {np.degrees(flexion):.0f} were asked for; lock-out is taken where the hand is "
            "at the end of its reach"
        )
        return float(heights[run[-1]]) - _RESERVE, () if last - flexion < _NEARLY else (note,)
    index = int(run[below[0]])
    if index == 0:
        return PostureError(
            "the elbow is straight at the beginning of the lift; bend it more there"
        )
    return index


def require_reach(chain: Chain, spacing: float) -> None:
    """Raise ``PostureError`` when the hand misses its place in every frame."""
    if not np.any(chain.gap == 0.0):
        raise out_of_reach(chain, spacing)


def out_of_reach(chain: Chain, spacing: float) -> PostureError:
    """Say by how much the hand misses its place where it does so least."""
    frame = int(np.argmin(chain.gap))
    return PostureError(
        f"hands {spacing:.3f} m apart are out of reach in every frame; least so at frame "
        f"{frame}, by {chain.gap[frame]:.3f} m; change heights, spacing or angles"
    )


def minimum_jerk(
    frames: int, duration: float | None
) -> tuple[NDArray[np.float64], tuple[NDArray[np.float64], ...] | None]:
    """Fraction of the lift in each frame, and time, rate and change of rate if timed.

    Without a duration the fractions are even and the second value is None. With one they
    follow the minimum-jerk curve 10 s³ - 15 s⁴ + 6 s⁵ (Flash and Hogan 1985, from memory).
    """
    share = np.linspace(0.0, 1.0, frames)
    if duration is None:
        return share, None
    fraction = 10 * share**3 - 15 * share**4 + 6 * share**5
    rate = (30 * share**2 - 60 * share**3 + 30 * share**4) / duration
    change = (60 * share - 180 * share**2 + 120 * share**3) / duration**2
    return fraction, (share * duration, rate, change)


def motion_along(
    solve: Callable[[NDArray[np.float64]], Chain],
    fraction: NDArray[np.float64],
    rate: NDArray[np.float64],
    change: NDArray[np.float64],
    *,
    hand_is_still: bool = False,
) -> Motion:
    """Differentiate a chain along the lift by central differences in the height fraction.

    Parameters
    ----------
    solve : callable
        Chain at given fractions.
    fraction, rate, change : float array, shape (frames,)
        Fraction and its first and second time derivative.
    hand_is_still : bool
        The hand rests on the ground and the trunk moves; the motion is then that of the arm
        relative to the trunk, and the trunk's own acceleration is given separately.
    """
    # Both ends are evaluated just inside the interval, where the profiles are smooth.
    base = np.clip(fraction, STEP, 1.0 - STEP)
    back, mid, ahead = solve(base - STEP), solve(base), solve(base + STEP)
    first, second = rate[:, None], change[:, None]

    def point(name: str) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        p, m, n = (getattr(c, name) for c in (back, mid, ahead))
        slope, curve = (n - p) / (2 * STEP), (n - 2 * m + p) / STEP**2
        return slope * first, curve * first**2 + slope * second

    def turn(
        p: NDArray[np.float64], m: NDArray[np.float64], n: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        forward = _rotation_vector(n @ np.swapaxes(m, -1, -2))
        backward = _rotation_vector(m @ np.swapaxes(p, -1, -2))
        slope, curve = (forward + backward) / (2 * STEP), (forward - backward) / STEP**2
        return slope * first, curve * first**2 + slope * second

    def angle(name: str) -> NDArray[np.float64]:
        step = getattr(ahead.posture, name) - getattr(back.posture, name)
        return np.asarray(step / (2 * STEP) * rate)

    def added() -> NDArray[np.float64]:
        before, after = back.posture.girdle, ahead.posture.girdle
        if before is None or after is None:
            return np.zeros((len(fraction), 2))
        return np.asarray((after - before) / (2 * STEP) * first)

    hand, elbow, shoulder = point("hand"), point("elbow"), point("shoulder")
    humerus = turn(back.posture.humerus, mid.posture.humerus, ahead.posture.humerus)
    ulna = turn(back.ulna, mid.ulna, ahead.ulna)
    return Motion(
        hand_velocity=hand[0],
        hand_acceleration=hand[1],
        elbow_velocity=elbow[0],
        elbow_acceleration=elbow[1],
        humerus_angular_velocity=humerus[0],
        humerus_angular_acceleration=humerus[1],
        ulna_angular_velocity=ulna[0],
        ulna_angular_acceleration=ulna[1],
        elbow_flexion_velocity=angle("elbow_flexion"),
        forearm_rotation_velocity=angle("forearm_rotation"),
        shoulder_acceleration=shoulder[1],
        girdle_velocity=added(),
        trunk_acceleration=-hand[1] if hand_is_still else np.zeros_like(hand[1]),
    )


def _rotation_vector(rotation: NDArray[np.float64]) -> NDArray[np.float64]:
    """Rotation vector of small turns, exact to rounding."""
    skew = 0.5 * (rotation - np.swapaxes(rotation, -1, -2))
    vector = np.stack([skew[..., 2, 1], skew[..., 0, 2], skew[..., 1, 0]], axis=-1)
    sine = norm(vector)
    safe = np.where(sine > _STRAIGHT, sine, 1.0)
    scale = np.where(sine > _STRAIGHT, np.arcsin(np.clip(sine, 0.0, 1.0)) / safe, 1.0)
    return np.asarray(vector * scale[..., None])

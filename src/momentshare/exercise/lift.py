"""What an exercise provides: postures, hand load and motion along one repetition."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from momentshare.errors import InputError, ShapeError
from momentshare.girdle import girdle_pose
from momentshare.posture import Posture
from momentshare.results import ReadOnly, brief

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from momentshare.girdle import Girdle
    from momentshare.skeleton import Skeleton

__all__ = ["Exercise", "Lift", "LimitBreach", "Motion", "join_lifts", "with_girdle"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitBreach:
    """One joint beyond its limit over a run of frames.

    ``value`` is the worst one and ``frame`` where it occurs; angles in degrees, the hand's distance
    in metres.
    """

    quantity: str
    first_frame: int
    last_frame: int
    frame: int
    value: float
    limit: float
    unit: str

    @property
    def excess(self) -> float:
        """How far beyond the limit, positive."""
        return abs(self.value - self.limit)

    def text(self) -> str:
        """Describe it in one line."""
        span = (
            f"frame {self.first_frame}"
            if self.first_frame == self.last_frame
            else f"frames {self.first_frame} to {self.last_frame}"
        )
        return (
            f"{self.quantity} beyond its limit in {span}: worst {self.value:.3g} {self.unit} "
            f"at frame {self.frame}, limit {self.limit:.3g} {self.unit}, "
            f"by {self.excess:.2g} {self.unit}"
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Motion:
    """Velocities and accelerations in the thorax frame; shape (frames, 3) or (frames,).

    All but ``trunk_acceleration`` are relative to the trunk; that one is the trunk's own, which is
    zero on a bench but not when the hands stay on the ground. ``shoulder_acceleration`` is that of
    the glenohumeral centre, ``girdle_velocity`` (frames, 2) the rate of the protraction and
    elevation of the clavicle that the task adds [rad/s].
    """

    hand_velocity: NDArray[np.float64]
    hand_acceleration: NDArray[np.float64]
    elbow_velocity: NDArray[np.float64]
    elbow_acceleration: NDArray[np.float64]
    humerus_angular_velocity: NDArray[np.float64]
    humerus_angular_acceleration: NDArray[np.float64]
    ulna_angular_velocity: NDArray[np.float64]
    ulna_angular_acceleration: NDArray[np.float64]
    elbow_flexion_velocity: NDArray[np.float64]
    forearm_rotation_velocity: NDArray[np.float64]
    shoulder_acceleration: NDArray[np.float64]
    girdle_velocity: NDArray[np.float64]
    trunk_acceleration: NDArray[np.float64]

    __repr__ = brief


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lift(ReadOnly):
    """One repetition, upward, frame by frame; positions in the thorax frame [m].

    Several lifts in a row (:func:`join_lifts`) are a lift too: ``limb`` then gives the limb of
    every frame, and load and axes have one row per frame.

    Attributes
    ----------
    fraction : float array, shape (frames,)
        Height fraction, 0 chest to 1 lock-out.
    height : float array, shape (frames,)
        Vertical height of the hand above the shoulder joint's place with the arm hanging [m].
    time : float array, shape (frames,) or None
        [s]; None for a quasi-static lift.
    posture : Posture
        Batch shape (frames,).
    shoulder, elbow, hand : float array, shape (frames, 3)
        Glenohumeral centre, elbow and grip.
    up : float array, shape (3,) or (frames, 3)
        Vertical, against gravity.
    load_mass : float, or float array of shape (frames,)
        Mass that one hand carries [kg].
    load_force : float array, shape (frames, 3) or None
        Force on the hand for each kilogram of ``load_mass`` where it is not the weight and
        inertia of a mass held in the hand: the ground under a push-up, a cable [N/kg].
    push_axis : float array, shape (3,), (frames, 3) or None
        Direction in which the hand pushes against the load, unit vector; None is ``up``.
    lateral_axis : float array, shape (3,) or (frames, 3)
        Outward direction along which the hand may push, unit vector.
    lateral_free : bool
        Whether the hand can push along it at all (a rigid bar) or not (dumbbells).
    reachable : bool array, shape (frames,)
        False where no posture closes the chain; the posture there is the nearest one.
    gap : float array, shape (frames,)
        Distance by which the hand misses the bar [m]; 0 where reachable.
    breaches : tuple of LimitBreach
    motion : Motion or None
        None for a quasi-static lift.
    notes : tuple of str
        What the exercise had to decide.
    limb : int array, shape (frames,), or None
        Row of each frame's limb in a skeleton of several; None for a lift of one limb.
    net_moments : float array, shape (frames, rows), or None
        Net moments given instead of hand load and inertia [N·m], in the order of ``ROWS``; a moment
        that is not known is NaN and is not balanced.

    Examples
    --------
    >>> from momentshare import BenchPress, Person, Profile, build_limb, load_model
    >>> ada = Person(name="Ada", sex="female", stature=1.66, body_mass=62.0)
    >>> limb = build_limb(ada, load_model())
    >>> press = BenchPress(load_mass=20.0, spacing=Profile.constant(0.5), frames=5)
    >>> lift = press.lift(limb.skeleton)
    >>> lift
    Lift(frames=5, quasi-static, out of reach=0, load per hand=10 kg)
    >>> float(lift.fraction[0]), float(lift.fraction[-1])
    (0.0, 1.0)
    """

    fraction: NDArray[np.float64]
    height: NDArray[np.float64]
    time: NDArray[np.float64] | None
    posture: Posture
    shoulder: NDArray[np.float64]
    hand: NDArray[np.float64]
    elbow: NDArray[np.float64]
    up: NDArray[np.float64]
    load_mass: float | NDArray[np.float64]
    lateral_axis: NDArray[np.float64]
    lateral_free: bool
    reachable: NDArray[np.bool_]
    gap: NDArray[np.float64]
    breaches: tuple[LimitBreach, ...]
    motion: Motion | None
    notes: tuple[str, ...] = ()
    load_force: NDArray[np.float64] | None = None
    push_axis: NDArray[np.float64] | None = None
    limb: NDArray[np.intp] | None = None
    net_moments: NDArray[np.float64] | None = None

    def __repr__(self) -> str:
        timed = "quasi-static" if self.motion is None else "timed"
        return (
            f"Lift(frames={len(self.fraction)}, {timed}, "
            f"out of reach={int(np.count_nonzero(~self.reachable))}, "
            f"load per hand={np.max(self.load_mass, initial=0.0):.4g} kg)"
        )

    def take(self, frames: slice | NDArray[np.intp]) -> Lift:
        """Give some frames, in their order, without breaches, which count those of the whole lift.

        Parameters
        ----------
        frames : slice or int array
        """
        count = len(self.fraction)

        def taken(value: Any, own: int) -> Any:
            # What holds for the whole lift has no axis of frames.
            return value[frames] if np.ndim(value) > own and len(value) == count else value

        found = {
            name: taken(getattr(self, name), 0)
            for name in (
                "fraction", "height", "time", "reachable", "gap", "load_mass", "limb",
            )
        }  # fmt: skip
        found |= {
            name: taken(getattr(self, name), 1)
            for name in (
                "shoulder", "elbow", "hand", "up", "lateral_axis", "push_axis", "load_force",
                "net_moments",
            )
        }  # fmt: skip
        moved = self.motion
        if moved is not None:
            parts = {f.name: getattr(moved, f.name)[frames] for f in fields(Motion)}
            moved = Motion(**parts)
        return replace(self, **found, posture=self.posture[frames], motion=moved, breaches=())

    def limb_in(self, skeleton: Skeleton) -> NDArray[np.intp] | None:
        """Row of each frame's limb in a skeleton; None where it holds one limb only.

        Raises
        ------
        ShapeError
            The skeleton holds several limbs and the lift does not say which ones it uses.
        """
        if not skeleton.shape:
            return None
        if self.limb is None:
            raise ShapeError("lift.limb", "given for every frame", "none")
        return self.limb


def with_girdle(lift: Lift, girdle: Girdle, added: NDArray[np.float64]) -> Lift:
    """Change the additions to the girdle in a lift of one limb; the arm moves with the joint.

    Parameters
    ----------
    lift : Lift
    girdle : Girdle
        Of the limb.
    added : float array, shape (frames, 2)
        Of :attr:`~momentshare.posture.Posture.girdle` [rad].
    """
    posture = replace(lift.posture, girdle=added)
    shift = girdle_pose(girdle, posture).joint - lift.shoulder
    moved = {name: getattr(lift, name) + shift for name in ("shoulder", "elbow", "hand")}
    return replace(lift, posture=posture, **moved)


def join_lifts(lifts: Sequence[Lift], limbs: Sequence[int]) -> Lift:
    """Put the frames of several lifts in a row.

    Parameters
    ----------
    lifts : sequence of Lift
        At least one; all timed or all quasi-static.
    limbs : sequence of int
        Row of each lift's limb.

    Returns
    -------
    Lift
        Without time, breaches and notes, which belong to single lifts.
    """
    counts = [len(x.fraction) for x in lifts]

    def along(name: str) -> NDArray[Any]:
        return np.concatenate([getattr(x, name) for x in lifts])

    def each(values: Sequence[NDArray[np.float64] | float], *last: int) -> NDArray[np.float64]:
        if all(np.ndim(v) == len(last) for v in values):  # one for all frames of each lift
            return np.repeat(np.array(values, dtype=np.float64), counts, axis=0)
        return np.concatenate(
            [np.broadcast_to(v, (n, *last)) for v, n in zip(values, counts, strict=True)]
        )

    def gathered(kind: type, parts: Sequence[object]) -> dict[str, NDArray[np.float64]]:
        return {f.name: np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(kind)}

    postures = [x.posture for x in lifts]
    adds = [p.girdle for p in postures]
    own = [np.zeros((n, 2)) if a is None else a for a, n in zip(adds, counts, strict=True)]
    motions = [x.motion for x in lifts if x.motion is not None]
    forced = any(x.load_force is not None for x in lifts)
    given = any(x.net_moments is not None for x in lifts)
    if given and any(x.net_moments is None for x in lifts):
        raise InputError("lifts to be joined: moments of some are given; join each kind")
    if motions and len(motions) < len(lifts):
        raise InputError("lifts to be joined: some are timed and some are not; join each kind")
    if forced and any(x.load_force is None for x in lifts):
        raise InputError("lifts to be joined: some carry a mass and some a force; join each kind")
    return Lift(
        fraction=along("fraction"),
        height=along("height"),
        time=None,
        posture=Posture(
            humerus=np.concatenate([p.humerus for p in postures]),
            elbow_flexion=np.concatenate([p.elbow_flexion for p in postures]),
            forearm_rotation=np.concatenate([p.forearm_rotation for p in postures]),
            girdle=None if all(a is None for a in adds) else np.concatenate(own),
        ),
        shoulder=along("shoulder"),
        hand=along("hand"),
        elbow=along("elbow"),
        up=each([x.up for x in lifts], 3),
        load_mass=each([x.load_mass for x in lifts]),
        lateral_axis=each([x.lateral_axis for x in lifts], 3),
        lateral_free=all(x.lateral_free for x in lifts),
        reachable=along("reachable"),
        gap=along("gap"),
        breaches=(),
        motion=Motion(**gathered(Motion, motions)) if motions else None,
        load_force=along("load_force") if forced else None,
        push_axis=each([x.up if x.push_axis is None else x.push_axis for x in lifts], 3),
        limb=np.repeat(np.asarray(limbs, dtype=np.intp), counts),
        net_moments=along("net_moments") if given else None,
    )


class Exercise(Protocol):
    """An exercise turns a skeleton into a lift; it need do nothing else."""

    def lift(self, skeleton: Skeleton) -> Lift:
        """Return postures, load and motion of one repetition."""
        ...

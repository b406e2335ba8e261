"""What an exercise hands on: postures, hand load and motion along one repetition."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Protocol

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from momentshare.posture import Posture
    from momentshare.skeleton import Skeleton

__all__ = ["Exercise", "Lift", "LimitBreach", "Motion"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitBreach:
    """One joint beyond its limit over a run of frames.

    ``value`` is the worst one and ``frame`` where it stands; angles in degrees, the hand's
    distance in metres.
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
        """Say it in one line."""
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

    All but ``trunk_acceleration`` are relative to the trunk; that one is the trunk's own, which
    is zero on a bench and not when the hands stay on the ground.
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
    trunk_acceleration: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lift:
    """One repetition, upward, frame by frame; positions in the thorax frame [m].

    Attributes
    ----------
    fraction : float array, shape (frames,)
        Height fraction, 0 chest to 1 lock-out.
    height : float array, shape (frames,)
        Height of the hand above the shoulder joint centre, along the vertical [m].
    time : float array, shape (frames,) or None
        [s]; None for a quasi-static lift.
    posture : Posture
        Batch shape (frames,).
    hand, elbow : float array, shape (frames, 3)
    up : float array, shape (3,) or (frames, 3)
        Vertical, against gravity.
    load_mass : float
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
    """

    fraction: NDArray[np.float64]
    height: NDArray[np.float64]
    time: NDArray[np.float64] | None
    posture: Posture
    hand: NDArray[np.float64]
    elbow: NDArray[np.float64]
    up: NDArray[np.float64]
    load_mass: float
    lateral_axis: NDArray[np.float64]
    lateral_free: bool
    reachable: NDArray[np.bool_]
    gap: NDArray[np.float64]
    breaches: tuple[LimitBreach, ...]
    motion: Motion | None
    notes: tuple[str, ...] = ()
    load_force: NDArray[np.float64] | None = None
    push_axis: NDArray[np.float64] | None = None

    def __post_init__(self) -> None:
        for item in fields(self):
            value = getattr(self, item.name)
            if isinstance(value, np.ndarray):
                value.setflags(write=False)


class Exercise(Protocol):
    """An exercise turns a skeleton into a lift; that is all it has to do."""

    def lift(self, skeleton: Skeleton) -> Lift:
        """Return postures, load and motion of one repetition."""
        ...

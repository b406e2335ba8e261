"""What a hand can hold: friction along the surface it pushes on, and couples on a bar.

A rigid bar held by two hands leaves three things undetermined that cancel between left and right:
the force along the bar, and the couples about the two axes perpendicular to it. (Mirrored in the
midplane, a force keeps its component in that plane and reverses the one across it; a couple does
the opposite. So of the forces only the one along the bar cancels, and of the couples all but the
one about the bar, which the turning sleeves of a bar leave at zero.) Friction bounds the force;
wrist and grip bound the couples. On the ground, friction of the palm bounds the force, and no
couple passes from hand to hand.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from momentshare.geometry.rotation import dot

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from momentshare.exercise.lift import Lift
    from momentshare.skeleton import Skeleton

__all__ = ["COUPLES", "HandLimits", "hand_limits"]

COUPLES = ("vertical", "horizontal")
"""Axes of the couples: the direction in which the hand pushes, and the one perpendicular to it and
to the bar. On a flat bench the second points towards the head."""

_DOWNWARD = -0.5
"""Cosine between push and vertical below which the hand pushes on the ground."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HandLimits:
    """Bounds of what the optimiser may choose, in either sense.

    Attributes
    ----------
    friction : float array, shape (frames,)
        Greatest lateral force over the force of the hand against the load.
    couple : float array, shape (frames, 2)
        Greatest couple about each of :data:`COUPLES` [N·m].
    """

    friction: NDArray[np.float64]
    couple: NDArray[np.float64]


def hand_limits(skeleton: Skeleton, lift: Lift) -> HandLimits:
    """Bounds in every frame of a lift, from the numbers of the model.

    Parameters
    ----------
    skeleton : Skeleton
        One limb, or the limbs that ``lift.limb`` indexes.
    lift : Lift

    Notes
    -----
    The grip itself adds to the normal force on a bar; it is left out, since the couple is that of
    one hand with a straight wrist whatever the grip.
    """
    number = skeleton.model.number
    index, frames = lift.limb_in(skeleton), len(lift.reachable)
    held = np.array([number(f"hand_couple_{person.sex}") for person in skeleton.people])
    couple = np.broadcast_to(held[0] if index is None else held[index], (frames,))
    ground = np.zeros(frames, dtype=bool)
    if lift.load_force is not None and lift.push_axis is not None:
        ground[:] = dot(np.broadcast_to(lift.push_axis, lift.hand.shape), lift.up) < _DOWNWARD
    return HandLimits(
        friction=np.where(ground, number("ground_friction"), number("bar_friction")),
        couple=np.repeat(np.where(ground, 0.0, couple)[:, None], 2, axis=1),
    )

"""Where the grip is, in every sample."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from momentshare.geometry.rotation import cross, dot, norm, unit
from momentshare.trial.motion.ways import Placed, chosen_way

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from momentshare.skeleton import Skeleton
    from momentshare.trial.recording import Recording


__all__ = ["place_grip"]

_ON_THE_BAR = 0.003
"""Distance from the bar's line up to which the landmark of the hand is the centre of the grip
itself [m]; assumed."""


def place_grip(
    recording: Recording,
    skeleton: Skeleton,
    elbow: NDArray[np.float64],
    forearm: NDArray[np.float64],
    way: str = "auto",
) -> Placed:
    """Point of the hand at which the force acts, world frame, shape (samples, 3) [m].

    Parameters
    ----------
    recording : Recording
    skeleton : Skeleton
    elbow : float array, shape (samples, 3)
    forearm : float array, shape (samples, 3)
        Unit vectors from elbow to wrist.
    way : str
    """
    at = {role: channel.values for role, channel in recording.channels.items()}
    chosen = chosen_way(recording, "grip", way)
    reach = elbow + skeleton.sizes.grip_length * forearm
    if chosen == "forearm":
        note = (
            "grip: not recorded, so it lies"
            if "right_grip" not in at
            else "grip: its landmark was ignored; it lies"
        )
        return Placed(
            way=chosen, values=reach, notes=(f"{note} on the forearm at the person's grip length",)
        )
    if chosen == "landmark":
        return Placed(way=chosen, values=at["right_grip"])
    line = unit(at["bar_right"] - at["bar_left"])
    middle = 0.5 * (at["bar_right"] + at["bar_left"])
    across = unit(forearm - dot(forearm, line)[:, None] * line)
    tilt = dot(forearm, line) / dot(forearm, across)

    def meets(point: NDArray[np.float64]) -> NDArray[np.float64]:
        """Where along the bar a line through a point and along the forearm meets it."""
        away = point - middle
        return np.asarray(dot(away, line) - tilt * dot(away, across))

    # A knuckle lies beyond the bar along the hand; it and the wrist err independently.
    hand = at.get("right_grip")
    along = meets(reach) if hand is None else 0.5 * (meets(reach) + meets(hand))
    on_bar = middle + along[:, None] * line
    note, distance = "grip: on the line of the bar, where the forearm meets it", None
    if hand is not None:
        distance = norm(cross(hand - middle, line))
        off = float(np.nanmedian(distance))
        note = (
            "grip: on the line of the bar, where the forearm and a line along it through the "
            f"landmark of the hand meet it; that landmark lies {100 * off:.1f} cm off the line"
        )
        if off <= _ON_THE_BAR:
            on_bar = middle + dot(hand - middle, line)[:, None] * line
            note = ""
    return Placed(way=chosen, values=on_bar, notes=(note,) if note else (), off=distance)

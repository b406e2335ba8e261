"""Where trunk, joint centre and grip are, from what a laboratory could record.

A bench hides the back of the trunk, and no marker sits in a joint. What was not recorded follows
from what was, in one of several ways; the way used is part of the answer, and so is what another
would change (:mod:`~momentshare.trial.motion.others`).

**trunk**

- ``landmarks``: IJ, PX, C7 and T8 (Wu et al. 2005).
- ``sternum``: IJ and PX, and both acromia or both ends of the bar for the sides; the sternum slopes
  by a stated angle. On a bench its mean is held.
- ``condition``: held at the angle that the condition states.

**joint centre**

- ``landmark``: a landmark of its own.
- ``acromion``: follows the acromion at a constant offset in the trunk. A separate trial of the
  person gives the offset; otherwise it is fitted to all trials of the person together with the
  length of the upper arm, starting from the person's sizes. The upper arm keeps its length.
- ``trunk``: placed in the trunk by the person's sizes, from the jugular notch, by the course of the
  girdle with the arm.

**grip**

- ``bar``: on the line of the bar, where lines along the forearm through its end and through the
  landmark of the hand meet it (their mean).
- ``landmark``: the landmark of the hand as it is.
- ``forearm``: on the forearm at the person's grip length.

**girdle**: what the lifter adds to its course (:mod:`~momentshare.trial.motion.girdle`).
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import TYPE_CHECKING, Literal

from momentshare.errors import InputError
from momentshare.trial.recording import BAR_LANDMARKS, TRUNK_LANDMARKS

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy as np
    from numpy.typing import NDArray

    from momentshare.trial.recording import Recording


__all__ = [
    "WAY_TEXTS",
    "GirdleWay",
    "GripWay",
    "JointWay",
    "Placed",
    "TrunkWay",
    "Ways",
    "chosen_way",
    "possible_ways",
]

TrunkWay = Literal["auto", "landmarks", "sternum", "condition"]

JointWay = Literal["auto", "landmark", "acromion", "trunk"]

GripWay = Literal["auto", "bar", "landmark", "forearm"]

GirdleWay = Literal["auto", "landmarks", "condition"]

WAY_TEXTS = {
    ("trunk", "landmarks"): "from IJ, PX, C7 and T8",
    ("trunk", "sternum"): "from IJ and PX, with the acromia or the ends of the bar for the sides",
    ("trunk", "condition"): "at the angle of the condition",
    ("joint_centre", "landmark"): "from its own landmark",
    ("joint_centre", "acromion"): "from the acromion",
    ("joint_centre", "trunk"): "from the person's sizes and the jugular notch",
    ("grip", "bar"): "on the line of the bar",
    ("grip", "landmark"): "at the landmark of the hand",
    ("grip", "forearm"): "on the forearm, at the person's grip length",
    ("girdle", "landmarks"): "as the joint centre shows it, or else the acromion",
    ("girdle", "condition"): "as the condition states it",
}
"""Description of a way, as used in reports: the trunk is taken …"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ways:
    """How each place is found; ``auto`` takes the first way that the recording allows."""

    trunk: TrunkWay = "auto"
    joint_centre: JointWay = "auto"
    grip: GripWay = "auto"
    girdle: GirdleWay = "auto"

    def __post_init__(self) -> None:
        faults = []
        for item in fields(self):
            known = ("auto", *(way for place, way in WAY_TEXTS if place == item.name))
            if getattr(self, item.name) not in known:
                faults.append(
                    f"{item.name}: must be one of {', '.join(known)}; got "
                    f"{getattr(self, item.name)!r}"
                )
        if faults:
            raise InputError("ways:", faults)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Placed:
    """One place over the samples: how it was found and what had to be decided.

    ``off`` is the distance of the hand's landmark from the line of the bar [m], where both were
    recorded.
    """

    way: str
    values: NDArray[np.float64]
    notes: tuple[str, ...] = ()
    numbers: Mapping[str, float] = field(default_factory=dict)
    off: NDArray[np.float64] | None = None


def possible_ways(recording: Recording) -> dict[str, tuple[str, ...]]:
    """Ways that a recording of landmarks allows for each place, the first one by default."""
    sides = recording.has("right_acromion", "left_acromion") or recording.has(*BAR_LANDMARKS)
    both = recording.has(*BAR_LANDMARKS)
    shown = recording.has("ij", "right_gh") or recording.has("ij", "right_acromion")
    return {
        "trunk": (
            *(["landmarks"] if recording.has(*TRUNK_LANDMARKS) else []),
            *(["sternum"] if recording.has("ij", "px") and sides else []),
            "condition",
        ),
        "joint_centre": (
            *(["landmark"] if recording.has("right_gh") else []),
            *(["acromion"] if recording.has("right_acromion") else []),
            *(["trunk"] if recording.has("ij") else []),
        ),
        "grip": (
            *(["bar"] if both else []),
            *(["landmark"] if recording.has("right_grip") else []),
            "forearm",
        ),
        "girdle": (*(["landmarks"] if shown else []), "condition"),
    }


def chosen_way(recording: Recording, place: str, wanted: str) -> str:
    """Return the requested way of finding a place, or the first; refuse one that lacks data."""
    known = possible_ways(recording)[place]
    name = place.replace("_", " ")
    if not known:
        raise InputError(
            f"{recording.source}: the joint centre of the shoulder cannot be placed; record "
            "right_gh, right_acromion or ij and name it in the layout"
        )
    if wanted == "auto":
        return known[0]
    if wanted not in known:
        raise InputError(
            f"{recording.source}: {name}: {wanted!r} ({WAY_TEXTS[place, wanted]}) needs landmarks "
            f"that were not recorded; possible here: {', '.join(known)}"
        )
    return wanted

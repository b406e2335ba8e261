"""Every uncertain number of a setup and the family it is ranked in, in a fixed order."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from momentshare.exercise import BenchPress, Profile
from momentshare.exercise.given import GIVEN_ANGLES, GIVEN_ROWS
from momentshare.model.numbers import HEAD_FACTORS
from momentshare.model.schema import ARM_SEGMENTS
from momentshare.uncertainty.measured import MEASURED_ANGLES

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from momentshare.model import Model
    from momentshare.runs import Setup, Task
    from momentshare.uncertainty.spreads import Spreads


__all__ = [
    "ANGLES",
    "FAMILIES",
    "GIRDLE",
    "LENGTHS",
    "SIZE_OFFSETS",
    "STERNUM",
    "Layout",
    "Variable",
    "build_layout",
    "shared_normal",
]

FAMILIES = {
    "muscle_volume": "muscle volumes (areas)",
    "fibre_length": "peak fibre lengths",
    "reference_fibre_length": "fibre length in the reference posture",
    "attachments": "attachment sites",
    "surface_radii": "surface radii",
    "strength": "specific tension and strength factors",
    "scapula": "scapula angles",
    "girdle": "girdle: course and protraction",
    "joint_geometry": "joint centre and other quantities",
    "segment_inertia": "segment masses and centres",
    "person_lengths": "lengths of the person",
    "posture": "posture in the task",
    "sternum": "slope of the sternum",
    "hand_force": "load on the hand",
    "lateral_ratio": "lateral ratio",
    "published_moments": "published moments",
}
"""Families of inputs, as they are ranked, and their names in figures."""

_HEAD = dict(
    zip(HEAD_FACTORS, ("muscle_volume", "fibre_length", "reference_fibre_length"), strict=True)
)

LENGTHS = {
    "biacromial_breadth": "biacromial_breadth",
    "chest_depth": "chest_depth",
    "humerus_length": "acromion_radiale_length",
    "forearm_length": "radiale_stylion_length",
    "grip_length": "elbow_grip_length",
}


SIZE_OFFSETS = {
    "humerus_length": "acromion_to_joint_centre",
    "forearm_length": "radiale_below_elbow_axis",
    "grip_length": "olecranon_behind_elbow_axis",
}

ANGLES = ("tuck", "tilt", "plane", "elevation", "axial", "elbow_flexion")
"""Fields of exercises that are angles of the arm; each that an exercise has is drawn."""

GIRDLE = "protraction"
"""Field of exercises for what the lifter adds to the course of the girdle; drawn where given."""

STERNUM = "sternum_slope"
"""Slope of a person's sternum that was not measured; drawn where measured lifts rest on it. Without
a name before it, the part that people have in common."""

_SPECIAL = (
    "muscle_density",
    "volume_athlete_over_student",
    "ankle_height_fraction",
    "heel_behind_ankle_fraction",
    "ball_before_ankle_fraction",
    "usual_touch_point",
    *SIZE_OFFSETS.values(),
)
"""Quantities that enter no result, or that enter through a person's lengths or the posture."""


@dataclass(frozen=True, slots=True)
class Variable:
    """One standard normal: its name and the family it is ranked in."""

    name: str
    family: str


@dataclass(slots=True)
class Layout:
    """All standard normals of a setup, in a fixed order, and what depends on each."""

    setup: Setup
    spreads: Spreads
    variables: list[Variable] = field(default_factory=list)
    _index: dict[str, int] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.variables)

    @property
    def model(self) -> Model:
        """Model of the limbs."""
        return self.setup.limbs.model

    @property
    def policy(self) -> str:
        """Scapula policy of the limbs."""
        return self.setup.limbs.scapula or self.model.default_scapula

    def find_family(self, quantity: str) -> str:
        """Family of a quantity of the model; empty where it enters no result of the setup."""
        moving = self.policy in self.model.moving_scapulae
        if quantity.startswith("press_protraction_"):
            left = any(
                isinstance(task.exercise, BenchPress) and task.exercise.protraction is None
                for task in self.setup.tasks
            )
            return "girdle" if moving and left else ""
        if quantity.startswith("girdle_"):
            return "girdle" if moving else ""
        return _quantity_family(quantity, self.policy)

    def add(self, name: str, family: str) -> int:
        """Return the index of a standard normal, added if it is new."""
        if name not in self._index:
            self._index[name] = len(self.variables)
            self.variables.append(Variable(name, family))
        return self._index[name]

    def __contains__(self, name: str) -> bool:
        return name in self._index

    def at(self, name: str) -> int:
        """Return the index of an existing standard normal."""
        return self._index[name]

    @property
    def families(self) -> tuple[str, ...]:
        """Families that have a variable, in the order of :data:`FAMILIES`."""
        present = {v.family for v in self.variables}
        return tuple(name for name in FAMILIES if name in present)

    def members(self, family: str) -> NDArray[np.intp]:
        """Return the indices of the standard normals of a family."""
        return np.array([i for i, v in enumerate(self.variables) if v.family == family])


def build_layout(setup: Setup, spreads: Spreads) -> Layout:
    """List the standard normals that a setup needs.

    A number without spread gets none, so that the ranking is not diluted.
    """
    layout = Layout(setup=setup, spreads=spreads)
    _add_heads(layout)
    _add_geometry(layout)
    _add_quantities(layout)
    _add_people(layout)
    return layout


def _add_heads(layout: Layout) -> None:
    for quantity, family in _HEAD.items():
        for head in layout.model.heads:
            number = getattr(head, quantity)
            if number.spread > 0.0:
                layout.add(f"{quantity}:source {number.source}", family)
                layout.add(f"{quantity}:{head.name}", family)


def _add_geometry(layout: Layout) -> None:
    for site in layout.model.sites.values():
        if site.spread > 0.0:
            for axis in "xyz":
                layout.add(f"site:{site.source} on {site.body}:{axis}", "attachments")
                layout.add(f"site:{site.name}:{axis}", "attachments")
    for surface in layout.model.surfaces.values():
        if surface.spread > 0.0:
            layout.add(f"radius:source {surface.source}", "surface_radii")
            layout.add(f"radius:{surface.name}", "surface_radii")


def _add_quantities(layout: Layout) -> None:
    """Add quantities of the model that enter a result, and segments of the sexes in the setup."""
    for name, number in layout.model.quantities.items():
        family = layout.find_family(name)
        if number.spread > 0.0 and family:
            if common := shared_normal(name, number.source):
                layout.add(common, family)
            layout.add(f"quantity:{name}", family)
    sexes = {p.sex for p in layout.setup.limbs.people}
    for (sex, segment, quantity), number in layout.model.inertia.items():
        if sex in sexes and segment in ARM_SEGMENTS and number.spread > 0.0:
            layout.add(f"inertia:{segment}:{quantity}", "segment_inertia")


def _add_people(layout: Layout) -> None:
    """Add the lengths of every person, then what is drawn for each of their conditions."""
    if any(task.slope_shared > 0.0 for task in layout.setup.tasks):
        layout.add(STERNUM, "sternum")
    for row, person in enumerate(layout.setup.limbs.people):
        tasks = [task for task in layout.setup.tasks if task.limb == row]
        drawn = _drawn_quantities(tasks)
        layout.add(f"{person.name}:arm", "person_lengths")
        for name in LENGTHS:
            layout.add(f"{person.name}:{name}", "person_lengths")
        if any(task.slope_spread > 0.0 for task in tasks):
            layout.add(f"{person.name}:{STERNUM}", "sternum")
        for what, family in drawn:
            layout.add(f"{person.name}:{what}", family)
        for condition in dict.fromkeys(task.condition for task in tasks):
            for what, family in drawn:
                layout.add(f"{person.name}:{condition}:{what}", family)


def _drawn_quantities(tasks: Sequence[Task]) -> list[tuple[str, str]]:
    """Name what is drawn for each condition of a person, with its family."""
    if any(task.given is not None for task in tasks):
        return [
            *((angle, "posture") for angle in GIVEN_ANGLES),
            *((row, "published_moments") for row in GIVEN_ROWS),
        ]
    measured = all(task.lift is not None for task in tasks)
    added = measured or any(
        isinstance(getattr(task.exercise, GIRDLE, None), Profile) for task in tasks
    )
    return [
        *((angle, "posture") for angle in (MEASURED_ANGLES if measured else ANGLES)),
        *([(GIRDLE, "girdle")] if added else []),
        ("load", "hand_force"),
        ("ratio", "lateral_ratio"),
    ]


def shared_normal(quantity: str, source: str) -> str:
    """Name of the standard normal that a quantity shares with others; empty for none."""
    for kind in ("strength", "press_protraction"):
        if quantity.startswith(f"{kind}_"):
            return f"quantity:{kind} source {source}"
    return ""


_HELD = ("limit_", "grip_oblique_", "hand_couple_", "bar_friction", "ground_friction")
"""Prefixes of the names of limits, which are not drawn."""


def _quantity_family(name: str, policy: str) -> str:
    """Family of a quantity; empty where it enters no result of this study."""
    if name in _SPECIAL or name.startswith(_HELD):
        return ""
    for kind, family in (("scapula", "scapula"), ("clavicle", "girdle")):
        if name.startswith(f"{kind}_"):
            return family if name.startswith(f"{kind}_{policy}_") else ""
    if name.startswith("strength_") or name in {"specific_tension", "greatest_shortening_speed"}:
        return "strength"
    if name.startswith(("volume_", "training_exponent_")):
        return "muscle_volume"
    return "joint_geometry"

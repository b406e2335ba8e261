"""From independent standard normals to limbs, postures and forces.

Every uncertain number is a function of standard normals z. Numbers of one kind that come from
one source share a common one:

    z = √s · z_common + √(1 - s) · z_own,   s = :attr:`Spreads.shared`.

Shared are volumes, fibre lengths and reference fibre lengths by source; sites by source and
body, axis by axis; surface radii by source; strength factors by source; the three lengths of a
person's arm; and, per person, posture, load and lateral ratio over the conditions. All other
quantities are independent. A positive number with median v and spread s is lognormal,
``v · exp(z · √log(1 + (s/v)²))``; angles, coordinates and ratios are normal, ``v + s z``.
With z = 0 everything has the model's own value; |z| is cut at 3.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.errors import InputError, MomentshareError
from momentshare.exercise import BenchPress, Profile
from momentshare.exercise.given import GIVEN_ANGLES, GIVEN_ROWS
from momentshare.limb import Limb, build_limbs
from momentshare.model.numbers import HEAD_FACTORS, Numbers
from momentshare.model.schema import ARM_SEGMENTS
from momentshare.person import sizes
from momentshare.runs.cases import raised_limbs
from momentshare.uncertainty.measured import MEASURED_ANGLES, turned_lift

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from momentshare.exercise import Exercise, GivenMoments, Lift
    from momentshare.model import Model
    from momentshare.person import Person
    from momentshare.runs import Setup, Task
    from momentshare.skeleton import Skeleton

__all__ = [
    "CUT",
    "FAMILIES",
    "Draws",
    "Layout",
    "Spreads",
    "Variable",
    "build_layout",
    "first_line",
]

CUT = 3.0
"""Standard normals are cut at this size, so that no draw is anatomically absurd."""

FAMILIES = {
    "muscle_volume": "muscle volumes (areas)",
    "fibre_length": "peak fibre lengths",
    "reference_fibre_length": "fibre length in the reference posture",
    "attachments": "attachment sites",
    "surface_radii": "surface radii",
    "strength": "specific tension and strength factors",
    "scapula": "scapula angles",
    "joint_geometry": "joint centre and other quantities",
    "segment_inertia": "segment masses and centres",
    "person_lengths": "lengths of the person",
    "posture": "posture in the task",
    "hand_force": "load on the hand",
    "lateral_ratio": "lateral ratio",
    "published_moments": "published moments",
}
"""Families of inputs, as they are ranked, and what they are called in figures."""

_HEAD = dict(
    zip(HEAD_FACTORS, ("muscle_volume", "fibre_length", "reference_fibre_length"), strict=True)
)
_MEASURES = {
    "biacromial_breadth": "biacromial_breadth",
    "chest_depth": "chest_depth",
    "humerus_length": "acromion_radiale_length",
    "forearm_length": "radiale_stylion_length",
    "grip_length": "elbow_grip_length",
}
_ARM = ("humerus_length", "forearm_length", "grip_length")
_SIZE_OFFSETS = {
    "humerus_length": "acromion_to_joint_centre",
    "forearm_length": "radiale_below_elbow_axis",
    "grip_length": "olecranon_behind_elbow_axis",
}
_UPPER_ARM = 0.3
"""Touch point for a radian of tuck [m]; the length of an upper arm, rounded."""

_ANGLES = ("tuck", "tilt", "plane", "elevation", "axial", "elbow_flexion")
"""Fields of exercises that are angles of the arm; each that an exercise has is drawn."""

_SPECIAL = (
    "muscle_density",
    "volume_athlete_over_student",
    "ankle_height_fraction",
    "heel_behind_ankle_fraction",
    "ball_before_ankle_fraction",
    "usual_touch_point",
    *_SIZE_OFFSETS.values(),
)
"""Quantities that enter no result, or that enter through a person's lengths or the posture."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Spreads:
    """Spreads that neither the model nor the study file holds: one standard deviation.

    Parameters
    ----------
    scale : float
        Factor on every spread; 0 leaves the nominal answer.
    shared : float
        Part of a variance that numbers of one kind and source have in common, 0 to 1.
    posture_deg : float
        Each angle of the arm that the exercise prescribes, e.g. tuck and forearm tilt [deg].
    load : float
        Load on the hand, relative.
    lateral_ratio : float
        Given lateral ratio [1].
    measured_mm : float
        Length of a person that was measured [mm].
    measured_deg : float
        Measured posture [deg]: turn of the trunk about its front and its long axis, and of the
        upper arm about its own (common practice, no source).
    """

    scale: float = 1.0
    shared: float = 0.5
    posture_deg: float = 5.0
    load: float = 0.02
    lateral_ratio: float = 0.05
    measured_mm: float = 3.0
    measured_deg: float = 3.0

    def __post_init__(self) -> None:
        faults = []
        for name in (
            "scale",
            "posture_deg",
            "load",
            "lateral_ratio",
            "measured_mm",
            "measured_deg",
        ):
            value = getattr(self, name)
            if not math.isfinite(value) or value < 0.0:
                faults.append(f"{name}: wanted zero or more, got {value!r}")
        if not 0.0 <= self.shared <= 1.0:
            faults.append(f"shared: wanted 0 to 1, got {self.shared!r}")
        if faults:
            raise InputError("spreads:", faults)


@dataclass(frozen=True, slots=True)
class Variable:
    """One standard normal: its name and the family it is ranked in."""

    name: str
    family: str


@dataclass(frozen=True, slots=True)
class _Mix:
    """Where the common and the own part of a number's z stand."""

    common: int
    own: int


@dataclass(slots=True)
class Layout:
    """All standard normals of a setup, in a fixed order, and what hangs on each."""

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

    def add(self, name: str, family: str) -> int:
        """Return the place of a standard normal, made if it is new."""
        if name not in self._index:
            self._index[name] = len(self.variables)
            self.variables.append(Variable(name, family))
        return self._index[name]

    def __contains__(self, name: str) -> bool:
        return name in self._index

    def at(self, name: str) -> int:
        """Return the place of a standard normal that exists."""
        return self._index[name]

    @property
    def families(self) -> tuple[str, ...]:
        """Families that have a variable, in the order of :data:`FAMILIES`."""
        present = {v.family for v in self.variables}
        return tuple(name for name in FAMILIES if name in present)

    def members(self, family: str) -> NDArray[np.intp]:
        """Places of the standard normals of a family."""
        return np.array([i for i, v in enumerate(self.variables) if v.family == family])


def build_layout(setup: Setup, spreads: Spreads) -> Layout:
    """List the standard normals that a setup needs.

    A number without spread gets none, so that the ranking is not diluted.
    """
    layout = Layout(setup=setup, spreads=spreads)
    model, chosen = layout.model, setup.limbs.people
    for quantity, family in _HEAD.items():
        for head in model.heads:
            number = getattr(head, quantity)
            if number.spread > 0.0:
                layout.add(f"{quantity}:source {number.source}", family)
                layout.add(f"{quantity}:{head.name}", family)
    for site in model.sites.values():
        if site.spread > 0.0:
            for axis in "xyz":
                layout.add(f"site:{site.source} on {site.body}:{axis}", "attachments")
                layout.add(f"site:{site.name}:{axis}", "attachments")
    for surface in model.surfaces.values():
        if surface.spread > 0.0:
            layout.add(f"radius:source {surface.source}", "surface_radii")
            layout.add(f"radius:{surface.name}", "surface_radii")
    for name, number in model.quantities.items():
        family = _quantity_family(name, layout.policy)
        if number.spread > 0.0 and family:
            if name.startswith("strength_"):
                layout.add(f"quantity:strength source {number.source}", family)
            layout.add(f"quantity:{name}", family)
    sexes = {p.sex for p in chosen}
    for (sex, segment, quantity), number in model.inertia.items():
        if sex in sexes and segment in ARM_SEGMENTS and number.spread > 0.0:
            layout.add(f"inertia:{segment}:{quantity}", "segment_inertia")
    for row, person in enumerate(chosen):
        tasks = [task for task in setup.tasks if task.limb == row]
        drawn = _drawn_of(tasks)
        layout.add(f"{person.name}:arm", "person_lengths")
        for name in _MEASURES:
            layout.add(f"{person.name}:{name}", "person_lengths")
        for what, family in drawn:
            layout.add(f"{person.name}:{what}", family)
        for condition in dict.fromkeys(task.condition for task in tasks):
            for what, family in drawn:
                layout.add(f"{person.name}:{condition}:{what}", family)
    return layout


def _drawn_of(tasks: Sequence[Task]) -> list[tuple[str, str]]:
    """Name what is drawn of each condition of a person, with its family."""
    if any(task.given is not None for task in tasks):
        return [
            *((angle, "posture") for angle in GIVEN_ANGLES),
            *((row, "published_moments") for row in GIVEN_ROWS),
        ]
    measured = all(task.lift is not None for task in tasks)
    return [
        *((angle, "posture") for angle in (MEASURED_ANGLES if measured else _ANGLES)),
        ("load", "hand_force"),
        ("ratio", "lateral_ratio"),
    ]


_HELD = ("limit_", "grip_oblique_", "hand_couple_", "bar_friction", "ground_friction")
"""Beginnings of the names of limits, which stay as they are."""


def _quantity_family(name: str, policy: str) -> str:
    """Family of a quantity; empty where it enters no result of this study."""
    if name in _SPECIAL or name.startswith(_HELD):
        return ""
    if name.startswith("scapula_"):
        return "scapula" if name.startswith(f"scapula_{policy}_") else ""
    if name.startswith("strength_") or name in {"specific_tension", "greatest_shortening_speed"}:
        return "strength"
    if name.startswith("volume_"):
        return "muscle_volume"
    return "joint_geometry"


def _lognormal(spread: float, value: float, z: NDArray[np.float64]) -> NDArray[np.float64]:
    """Factor on a positive value."""
    return np.asarray(np.exp(z * math.sqrt(math.log1p((spread / value) ** 2))))


@dataclass(frozen=True, slots=True, eq=False)
class Draws:
    """Draws side by side: standard normals of a layout, read as limbs, postures and forces.

    Parameters
    ----------
    layout : Layout
    z : float array, shape (draws, variables)
    """

    layout: Layout
    z: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.z)

    def _z(self, own: str, common: str | None = None) -> NDArray[np.float64]:
        layout = self.layout
        value = self.z[:, layout.at(own)]
        if common is not None:
            s = layout.spreads.shared
            value = math.sqrt(s) * self.z[:, layout.at(common)] + math.sqrt(1.0 - s) * value
        return np.asarray(layout.spreads.scale * value)

    def head_factors(self) -> dict[str, NDArray[np.float64]]:
        """Factors on the numbers of each head, shape (draws, heads)."""
        out = {}
        for quantity in HEAD_FACTORS:
            factors = np.ones((len(self), len(self.layout.model.heads)))
            for index, head in enumerate(self.layout.model.heads):
                n = getattr(head, quantity)
                if n.spread > 0.0:
                    z = self._z(f"{quantity}:{head.name}", f"{quantity}:source {n.source}")
                    factors[:, index] = _lognormal(n.spread, n.value, z)
            out[quantity] = factors
        return out

    def offsets(self) -> dict[str, NDArray[np.float64]]:
        """Shift of each site in its body frame, reference person [m], shape (draws, 3)."""
        return {
            site.name: site.spread
            * np.stack(
                [
                    self._z(f"site:{site.name}:{axis}", f"site:{site.source} on {site.body}:{axis}")
                    for axis in "xyz"
                ],
                axis=-1,
            )
            for site in self.layout.model.sites.values()
            if site.spread > 0.0
        }

    def radii(self) -> dict[str, NDArray[np.float64]]:
        """Wrap radii, reference person [m]."""
        return {
            s.name: s.radius
            * _lognormal(
                s.spread, s.radius, self._z(f"radius:{s.name}", f"radius:source {s.source}")
            )
            for s in self.layout.model.surfaces.values()
            if s.spread > 0.0
        }

    def quantities(self) -> dict[str, NDArray[np.float64]]:
        """Model quantities that differ from the model's, with the study's scapula shift [SI]."""
        model, policy = self.layout.model, self.layout.policy
        shifted = self.layout.setup.limbs.numbers.quantities
        out = {}
        for name, n in model.quantities.items():
            value = float(np.asarray(shifted.get(name, n.value)))
            if n.spread <= 0.0 or not _quantity_family(name, policy):
                if name in shifted:
                    out[name] = np.full(len(self), value)
                continue
            common = None
            if name.startswith("strength_"):
                common = f"quantity:strength source {n.source}"
            z = self._z(f"quantity:{name}", common)
            additive = n.unit == "deg" or value <= 0.0 or name.startswith("acromioclavicular_")
            out[name] = value + n.spread * z if additive else value * _lognormal(n.spread, value, z)
        return out

    def inertia(self, sex: str) -> dict[tuple[str, str], NDArray[np.float64]]:
        """Drawn numbers of the segments: (segment, quantity) → numbers."""
        return {
            key[1:]: n.value * _lognormal(n.spread, n.value, self._z(f"inertia:{key[1]}:{key[2]}"))
            for key, n in self.layout.model.inertia.items()
            if key[0] == sex and key[1] in ARM_SEGMENTS and n.spread > 0.0
        }

    def numbers(self, sex: str) -> Numbers:
        """All drawn numbers of the model."""
        return Numbers(
            quantities=self.quantities(),
            offsets=self.offsets(),
            radii=self.radii(),
            head_factors=self.head_factors(),
            inertia=self.inertia(sex),
        )

    def lengths(self, person: Person) -> dict[str, NDArray[np.float64]]:
        """Drawn lengths of a person of the setup [m].

        A length estimated from stature spreads by the residual of its fit, whose variance is
        ``sd² - slope² sd(stature)²`` for a least-squares line, and by its fixed offset; a
        measured one by the error of measurement.
        """
        model, spreads = self.layout.model, self.layout.spreads
        central = sizes(person, model)
        stature = model.fits[person.sex, "stature"]
        out: dict[str, NDArray[np.float64]] = {}
        for name, measure in _MEASURES.items():
            value = float(getattr(central, name))
            if name in central.estimated:
                fit = model.fits[person.sex, measure]
                variance = max(fit.sd**2 - (fit.slope * stature.sd) ** 2, 0.0)
                if name in _SIZE_OFFSETS:
                    variance += model.quantities[_SIZE_OFFSETS[name]].spread ** 2
                spread = math.sqrt(variance)
            else:
                spread = 1e-3 * spreads.measured_mm
            z = self._z(f"{person.name}:{name}", f"{person.name}:arm" if name in _ARM else None)
            out[name] = value * _lognormal(spread, value, z)
        return out

    def people(self, person: Person) -> list[Person | InputError]:
        """Return the person with the lengths of each draw, or why nobody can have them."""
        lengths = self.lengths(person)
        out: list[Person | InputError] = []
        for k in range(len(self)):
            try:
                mine: dict[str, Any] = {name: float(values[k]) for name, values in lengths.items()}
                out.append(replace(person, **mine))
            except InputError as err:
                out.append(err)
        return out

    def limbs(self, row: int) -> tuple[Limb | None, dict[int, int], dict[int, str]]:
        """Limbs of the person of a row of the setup.

        A fibre and the path it lies in are drawn apart, so that a fibre may come out longer
        than its path in the reference posture. No such limb exists: the fibre is shortened
        until a millimetre is left for the tendon, which cuts the spread of that head.

        Returns
        -------
        limbs : Limb or None
            Of all draws that have a limb; None where there is none.
        rows : dict
            Draw → row of its limb.
        reasons : dict
            Draw → why it has none.
        """
        plan = self.layout.setup.limbs
        people = self.people(plan.people[row])
        reasons = {k: first_line(p) for k, p in enumerate(people) if isinstance(p, InputError)}
        known = [k for k in range(len(self)) if k not in reasons]
        if not known:
            return None, {}, reasons
        some = Draws(self.layout, self.z[known])
        limbs, faults = build_limbs(
            [p for p in people if not isinstance(p, InputError)],
            self.layout.model,
            scapula=plan.scapula,
            strengths=[plan.strengths[row] if plan.strengths else ()] * len(known),
            numbers=some.numbers(plan.people[row].sex),
            options=plan.options,
            shorten=True,
        )
        if plan.raised:
            limbs = raised_limbs(limbs, [plan.raised[row]] * len(known))
        reasons |= {known[at]: first_line(err) for at, err in faults.items()}
        rows = {k: at for at, k in enumerate(known) if at not in faults}
        return (limbs if rows else None), rows, reasons

    def exercises(self, exercises: Mapping[int, Exercise], task: Task) -> dict[int, Exercise]:
        """Exercises of a task by draw, with the drawn angles of the arm."""
        spread = math.radians(self.layout.spreads.posture_deg)
        shifts = {angle: spread * self._of_task(task, angle) for angle in _ANGLES}
        out = {}
        for k, exercise in exercises.items():
            changes: dict[str, object] = {}
            for angle, shift in shifts.items():
                profile = getattr(exercise, angle, None)
                if isinstance(profile, Profile) and spread > 0.0:
                    moved = tuple((f, v + float(shift[k])) for f, v in profile.points)
                    changes[angle] = Profile(moved)
            if isinstance(exercise, BenchPress) and exercise.tuck is None and spread > 0.0:
                # A larger tuck brings the touch point nearer the joint.
                moved_by = -_UPPER_ARM * float(shifts["tuck"][k])
                changes["path"] = replace(exercise.way, touch_shift=moved_by)
            out[k] = replace(exercise, **changes) if changes else exercise  # type: ignore[type-var]
        return out

    def measured(self, task: Task, skeleton: Skeleton, drawn: Mapping[int, int]) -> dict[int, Lift]:
        """Measured lift of a task by draw, turned by the drawn errors of its posture.

        Parameters
        ----------
        task : Task
        skeleton : Skeleton
            Of the drawn limbs.
        drawn : mapping
            Draw → row of its limb.
        """
        assert task.lift is not None  # noqa: S101 - called for measured lifts only
        spread = math.radians(self.layout.spreads.measured_deg)
        turns = {angle: spread * self._of_task(task, angle) for angle in MEASURED_ANGLES}
        return {
            k: turned_lift(
                task.lift,
                skeleton.girdle_of(np.array([row])),
                **{angle: float(values[k]) for angle, values in turns.items()},
            )
            for k, row in drawn.items()
        }

    def given(self, task: Task) -> list[GivenMoments]:
        """Return given moments and postures of a task by draw, moved by their own spreads."""
        assert task.given is not None  # noqa: S101 - called for given moments only
        angles, rows = (
            np.stack([self._of_task(task, name) for name in names], axis=-1)
            for names in (GIVEN_ANGLES, GIVEN_ROWS)
        )
        return [task.given.moved(a, m) for a, m in zip(angles, rows, strict=True)]

    def _of_task(self, task: Task, what: str) -> NDArray[np.float64]:
        """Return standard normals of a task, partly shared with the person's other conditions."""
        return self._z(f"{task.person}:{task.condition}:{what}", f"{task.person}:{what}")

    def load_factors(self, task: Task) -> NDArray[np.float64]:
        """Drawn load over the one prescribed or measured."""
        return _lognormal(self.layout.spreads.load, 1.0, self._of_task(task, "load"))

    def ratio_shifts(self, task: Task) -> NDArray[np.float64]:
        """Shift of a given lateral ratio [1]."""
        return self.layout.spreads.lateral_ratio * self._of_task(task, "ratio")


def first_line(err: MomentshareError) -> str:
    """Return the first line of a message."""
    return str(err).split("\n", maxsplit=1)[0]

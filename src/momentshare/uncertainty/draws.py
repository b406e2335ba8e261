"""From independent standard normals to limbs, postures and forces.

Every uncertain number is a function of standard normals z. Numbers of one kind that come from
one source share a common one:

    z = √s · z_common + √(1 - s) · z_own,   s = :attr:`Spreads.shared`.

Shared are volumes, fibre lengths and reference fibre lengths by source; sites by source and
body, axis by axis; wrap radii by source; strength factors by source; the three lengths of a
person's arm; and, per person, posture, load and lateral ratio over the conditions. All other
quantities are independent. A positive number with median v and spread s is lognormal,
``v · exp(z · √log(1 + (s/v)²))``; angles, coordinates and ratios are normal, ``v + s z``.
With z = 0 everything has the model's own value; |z| is cut at 3.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, fields, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.errors import InputError
from momentshare.exercise import BenchPress, Profile
from momentshare.limb import Limb, build_limb
from momentshare.model.schema import ARM_SEGMENTS
from momentshare.paths import Paths, paths, paths_of_draws
from momentshare.person import sizes
from momentshare.posture import Posture, posture_from_angles
from momentshare.skeleton import build_skeleton

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from momentshare.exercise import Exercise
    from momentshare.exercise.lift import Lift
    from momentshare.model import Model
    from momentshare.person import Person
    from momentshare.skeleton import Skeleton
    from momentshare.study import Study
    from momentshare.study.schema import PersonEntry

__all__ = [
    "CUT",
    "FAMILIES",
    "Draw",
    "Layout",
    "Spreads",
    "Variable",
    "build_layout",
    "paths_of_skeletons",
    "quick_lift",
    "reference_lengths",
    "shortened",
]

CUT = 3.0
"""Standard normals are cut at this size, so that no draw is anatomically absurd."""

FAMILIES = {
    "muscle_volume": "muscle volumes (areas)",
    "fibre_length": "optimal fibre lengths",
    "reference_fibre_length": "fibre length in the reference posture",
    "attachments": "attachment sites",
    "wrap_radii": "wrap radii",
    "strength": "specific tension and strength factors",
    "scapula": "scapula angles",
    "joint_geometry": "joint centre and other quantities",
    "segment_inertia": "segment masses and centres",
    "person_lengths": "lengths of the person",
    "posture": "posture in the task",
    "hand_force": "load on the hand",
    "lateral_ratio": "lateral ratio",
}
"""Families of inputs, as they are ranked, and what they are called in figures."""

_HEAD = {
    "volume": "muscle_volume",
    "optimal_fibre_length": "fibre_length",
    "reference_fibre_length": "reference_fibre_length",
}
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
_ANGLES = ("tuck", "tilt", "plane", "elevation", "axial", "elbow_flexion")
"""Fields of exercises that are angles of the arm; each that an exercise has is drawn."""

_LEAST_TENDON = 1e-3
"""Tendon left to a fibre that would be longer than its path [m]; a choice."""

_SPECIAL = (
    "muscle_density",
    "volume_athlete_over_student",
    "ankle_height_fraction",
    "heel_behind_ankle_fraction",
    "ball_before_ankle_fraction",
    *_SIZE_OFFSETS.values(),
)
"""Quantities that enter no result, or that enter through a person's lengths."""


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
    """

    scale: float = 1.0
    shared: float = 0.5
    posture_deg: float = 5.0
    load: float = 0.02
    lateral_ratio: float = 0.05
    measured_mm: float = 3.0

    def __post_init__(self) -> None:
        faults = []
        for name in ("scale", "posture_deg", "load", "lateral_ratio", "measured_mm"):
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
    """All standard normals of a study, in a fixed order, and what hangs on each."""

    study: Study
    model: Model
    spreads: Spreads
    people: tuple[PersonEntry, ...]
    variables: list[Variable] = field(default_factory=list)
    _index: dict[str, int] = field(default_factory=dict)
    heads: dict[str, NDArray[np.float64]] = field(init=False)
    """Numbers of the model's heads, by name of the quantity [SI]."""

    def __post_init__(self) -> None:
        self.heads = {
            name: np.array([getattr(head, name).value for head in self.model.heads])
            for name in (*_HEAD, "pennation")
        }

    def __len__(self) -> int:
        return len(self.variables)

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


def build_layout(study: Study, model: Model, spreads: Spreads, people: Sequence[str]) -> Layout:
    """List the standard normals that a study needs.

    A number without spread gets none, so that the ranking is not diluted.
    """
    chosen = tuple(p for p in study.file.person if not people or p.name in people)
    layout = Layout(study=study, model=model, spreads=spreads, people=chosen)
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
            layout.add(f"radius:source {surface.source}", "wrap_radii")
            layout.add(f"radius:{surface.name}", "wrap_radii")
    policy = study.file.settings.scapula or model.default_scapula
    for name, number in model.quantities.items():
        family = _quantity_family(name, policy)
        if number.spread > 0.0 and family:
            if name.startswith("strength_"):
                layout.add(f"quantity:strength source {number.source}", family)
            layout.add(f"quantity:{name}", family)
    sexes = {p.sex for p in chosen}
    for (sex, segment, quantity), number in model.inertia.items():
        if sex in sexes and segment in ARM_SEGMENTS and number.spread > 0.0:
            layout.add(f"inertia:{segment}:{quantity}", "segment_inertia")
    for entry in chosen:
        layout.add(f"{entry.name}:arm", "person_lengths")
        for name in _MEASURES:
            layout.add(f"{entry.name}:{name}", "person_lengths")
        for angle in _ANGLES:
            layout.add(f"{entry.name}:{angle}", "posture")
        layout.add(f"{entry.name}:load", "hand_force")
        layout.add(f"{entry.name}:ratio", "lateral_ratio")
        for condition in study.file.condition:
            for angle in _ANGLES:
                layout.add(f"{entry.name}:{condition.name}:{angle}", "posture")
            layout.add(f"{entry.name}:{condition.name}:load", "hand_force")
            layout.add(f"{entry.name}:{condition.name}:ratio", "lateral_ratio")
    return layout


def _quantity_family(name: str, policy: str) -> str:
    """Family of a quantity; empty where it enters no result of this study."""
    if name in _SPECIAL or name.startswith("limit_"):
        return ""
    if name.startswith("scapula_"):
        return "scapula" if name.startswith(f"scapula_{policy}_") else ""
    if name.startswith("strength_") or name in {"specific_tension", "max_fibre_velocity"}:
        return "strength"
    if name.startswith("volume_"):
        return "muscle_volume"
    return "joint_geometry"


def _lognormal(spread: float, value: float, z: float) -> float:
    """Factor on a positive value."""
    return math.exp(z * math.sqrt(math.log1p((spread / value) ** 2)))


@dataclass(frozen=True, slots=True)
class Draw:
    """One draw: the standard normals of a layout, read as limbs, postures and forces."""

    layout: Layout
    z: NDArray[np.float64]

    def _z(self, own: str, common: str | None = None) -> float:
        layout = self.layout
        value = float(self.z[layout.at(own)])
        if common is not None:
            s = layout.spreads.shared
            value = math.sqrt(s) * float(self.z[layout.at(common)]) + math.sqrt(1.0 - s) * value
        return layout.spreads.scale * value

    def head_factors(self) -> dict[str, NDArray[np.float64]]:
        """Factors on the numbers of each head."""
        out = {}
        for quantity in _HEAD:
            factors = np.ones(len(self.layout.model.heads))
            for index, head in enumerate(self.layout.model.heads):
                n = getattr(head, quantity)
                if n.spread > 0.0:
                    z = self._z(f"{quantity}:{head.name}", f"{quantity}:source {n.source}")
                    factors[index] = _lognormal(n.spread, n.value, z)
            out[quantity] = factors
        return out

    def offsets(self) -> dict[str, NDArray[np.float64]]:
        """Shift of each site in its body frame, reference person [m]."""
        return {
            site.name: site.spread
            * np.array(
                [
                    self._z(f"site:{site.name}:{axis}", f"site:{site.source} on {site.body}:{axis}")
                    for axis in "xyz"
                ]
            )
            for site in self.layout.model.sites.values()
            if site.spread > 0.0
        }

    def radii(self) -> dict[str, float]:
        """Wrap radii, reference person [m]."""
        return {
            s.name: s.radius
            * _lognormal(
                s.spread, s.radius, self._z(f"radius:{s.name}", f"radius:source {s.source}")
            )
            for s in self.layout.model.surfaces.values()
            if s.spread > 0.0
        }

    def quantities(self) -> dict[str, float]:
        """Model quantities that differ from the model's, with the study's scapula shift [SI]."""
        model, settings = self.layout.model, self.layout.study.file.settings
        policy = settings.scapula or model.default_scapula
        shifts = {
            f"scapula_{policy}_{angle}": math.radians(shift)
            for angle, shift in settings.scapula_shift_deg.model_dump().items()
            if shift
        }
        out = {}
        for name, n in model.quantities.items():
            value = n.value + shifts.get(name, 0.0)
            if n.spread <= 0.0 or not _quantity_family(name, policy):
                if name in shifts:
                    out[name] = value
                continue
            common = None
            if name.startswith("strength_"):
                common = f"quantity:strength source {n.source}"
            z = self._z(f"quantity:{name}", common)
            additive = n.unit == "deg" or value <= 0.0 or name.startswith("acromioclavicular_")
            out[name] = value + n.spread * z if additive else value * _lognormal(n.spread, value, z)
        return out

    def inertia(self, sex: str) -> dict[tuple[str, str], float]:
        """Drawn numbers of the segments: (segment, quantity) → number."""
        return {
            key[1:]: n.value * _lognormal(n.spread, n.value, self._z(f"inertia:{key[1]}:{key[2]}"))
            for key, n in self.layout.model.inertia.items()
            if key[0] == sex and key[1] in ARM_SEGMENTS and n.spread > 0.0
        }

    def person(self, entry: PersonEntry) -> Person:
        """Return the person with drawn lengths.

        A length estimated from stature spreads by the residual of its fit, whose variance is
        ``sd² - slope² sd(stature)²`` for a least-squares line, and by its fixed offset; a
        measured one by the error of measurement.
        """
        model, spreads = self.layout.model, self.layout.spreads
        person = entry.person()
        central = sizes(person, model)
        stature = model.fits[person.sex, "stature"]
        lengths: dict[str, Any] = {}
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
            z = self._z(f"{entry.name}:{name}", f"{entry.name}:arm" if name in _ARM else None)
            lengths[name] = value * _lognormal(spread, value, z)
        return replace(person, **lengths)

    def skeleton(self, entry: PersonEntry, quantities: dict[str, float] | None = None) -> Skeleton:
        """Scale the bones of a person of the study; ``quantities`` if they are known already."""
        return build_skeleton(
            self.person(entry),
            self.layout.model,
            scapula=self.layout.study.file.settings.scapula,
            offsets=self.offsets(),
            radii=self.radii(),
            quantities=self.quantities() if quantities is None else quantities,
        )

    def limb(self, entry: PersonEntry) -> Limb:
        """Build the limb of a person of the study from this draw.

        A fibre and the path it lies in are drawn apart, so that a fibre may come out longer
        than its path in the reference posture. No such limb exists: the fibre is shortened
        until a millimetre is left for the tendon, which cuts the spread of that head.
        """
        layout, settings = self.layout, self.layout.study.file.settings
        quantities = self.quantities()
        skeleton = self.skeleton(entry, quantities)

        def build(factors: dict[str, NDArray[np.float64]]) -> Limb:
            return build_limb(
                skeleton.person,
                layout.model,
                skeleton=skeleton,
                strengths=[test.measured() for test in entry.strength],
                head_factors=factors,
                quantities=quantities,
                curves=settings.curves,
                elastic_tendon=settings.elastic_tendon,
                passive=settings.passive_force,
            )

        factors = self.head_factors()
        try:
            return build(factors)
        except InputError:
            return build(shortened(skeleton, factors, reference_lengths([skeleton])[0]))

    def exercise(self, exercise: Exercise, entry: PersonEntry, condition: str) -> Exercise:
        """Return the exercise with drawn angles of the arm."""
        spread = math.radians(self.layout.spreads.posture_deg)
        changes = {}
        for angle in _ANGLES:
            profile = getattr(exercise, angle, None)
            if isinstance(profile, Profile) and spread > 0.0:
                shift = spread * self._z(
                    f"{entry.name}:{condition}:{angle}", f"{entry.name}:{angle}"
                )
                changes[angle] = Profile(tuple((f, v + shift) for f, v in profile.points))
        return replace(exercise, **changes) if changes else exercise  # type: ignore[type-var]

    def lift(
        self, exercise: Exercise, entry: PersonEntry, condition: str, skeleton: Skeleton
    ) -> Lift:
        """Return the lift with drawn angles and load."""
        lift = quick_lift(self.exercise(exercise, entry, condition), skeleton)
        return replace(lift, load_mass=lift.load_mass * self.load_factor(entry, condition))

    def load_factor(self, entry: PersonEntry, condition: str) -> float:
        """Drawn load over the one prescribed."""
        z = self._z(f"{entry.name}:{condition}:load", f"{entry.name}:load")
        return _lognormal(self.layout.spreads.load, 1.0, z)

    def ratio_shift(self, entry: PersonEntry, condition: str) -> float:
        """Shift of a given lateral ratio [1]."""
        return self.layout.spreads.lateral_ratio * self._z(
            f"{entry.name}:{condition}:ratio", f"{entry.name}:ratio"
        )


def reference_lengths(
    skeletons: Sequence[Skeleton], *, method: str = "numpy"
) -> NDArray[np.float64]:
    """Length of each head's path in its reference posture [m], shape (skeletons, heads)."""
    model = skeletons[0].model
    names = list(model.reference_postures)
    posture = posture_from_angles(
        **{
            key: np.radians([model.reference_postures[n][f"{key}_deg"] for n in names])
            for key in ("plane", "elevation", "axial", "elbow_flexion", "forearm_rotation")
        }
    )
    chosen = [names.index(head.reference_posture) for head in model.heads]
    found = paths_of_skeletons(skeletons, posture, method=method)
    return np.asarray(found.length[:, chosen, np.arange(len(chosen))])


def paths_of_skeletons(skeletons: Sequence[Skeleton], posture: Posture, *, method: str) -> Paths:
    """Paths of draws; one after another where the scapula moves with the arm."""
    humerus, flexion, rotation = (
        posture.humerus, posture.elbow_flexion, posture.forearm_rotation,
    )  # fmt: skip
    if not any(skeleton.rhythm for skeleton in skeletons):
        return paths_of_draws(skeletons, humerus, flexion, rotation, method=method, threads=1)
    shape = (len(skeletons), posture.shape[-1])
    humerus = np.broadcast_to(humerus, (*shape, 3, 3))
    flexion, rotation = np.broadcast_to(flexion, shape), np.broadcast_to(rotation, shape)
    found = [
        paths(skeleton, Posture(humerus=h, elbow_flexion=f, forearm_rotation=r), method=method)
        for skeleton, h, f, r in zip(skeletons, humerus, flexion, rotation, strict=True)
    ]
    return Paths(
        head_names=found[0].head_names,
        **{
            item.name: np.stack([getattr(part, item.name) for part in found])
            for item in fields(Paths)
            if item.name != "head_names"
        },
    )


def shortened(
    skeleton: Skeleton,
    factors: dict[str, NDArray[np.float64]],
    length: NDArray[np.float64],
) -> dict[str, NDArray[np.float64]]:
    """Factors with each fibre short enough for its path in the reference posture."""
    model = skeleton.model
    bone = skeleton.sizes.stature / model.number("reference_stature")
    cut = factors["optimal_fibre_length"].copy()
    for index, head in enumerate(model.heads):
        optimal = head.optimal_fibre_length.value * bone * cut[index]
        fibre = head.reference_fibre_length.value * factors["reference_fibre_length"][index]
        # In lengths of the optimal fibre; the thickness keeps.
        along = math.sqrt(max(fibre**2 - math.sin(head.pennation.value) ** 2, 0.0))
        room = float(length[index]) - _LEAST_TENDON
        if along * optimal > room:
            cut[index] *= room / (along * optimal)
    return factors | {"optimal_fibre_length": cut}


def quick_lift(exercise: Exercise, skeleton: Skeleton) -> Lift:
    """Lift of an exercise; on a flat bench without the search for the height of lock-out.

    There the tuck and tilt fix where the hand is along the trunk, so that the elbow angle at
    lock-out gives the height in closed form. The answer is taken only if every frame is
    reached and the elbow ends at the angle asked for; else the exercise searches.
    """
    if (
        isinstance(exercise, BenchPress)
        and exercise.bench_angle == 0.0
        and exercise.lockout_height is None
    ):
        size = skeleton.sizes
        # A profile keeps its last value up to lock-out.
        tilt, tuck, spacing = (
            p.points[-1][1] for p in (exercise.tilt, exercise.tuck, exercise.spacing)
        )
        upper, fore = size.humerus_length, size.grip_length
        along = fore * math.sin(tilt) - upper * math.cos(tuck)
        aside = 0.5 * spacing - skeleton.joint_centre[2]
        square = upper**2 + fore**2 + 2.0 * upper * fore * math.cos(exercise.lockout_flexion)
        rest = square - along**2 - aside**2
        low = exercise.chest_height
        low = skeleton.chest_height if low is None else low
        if rest > max(low, 0.0) ** 2:
            lift = replace(exercise, lockout_height=float(math.sqrt(rest))).lift(skeleton)
            bend = float(lift.posture.elbow_flexion[-1])
            if lift.reachable.all() and abs(bend - exercise.lockout_flexion) < 1e-9:
                return lift
    return exercise.lift(skeleton)

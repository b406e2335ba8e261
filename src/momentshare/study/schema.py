"""What a study file holds, and the rules it must satisfy.

Units are in the field names; degrees, centimetres and kilograms are allowed here only.
"""

from __future__ import annotations

import math
import unicodedata
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING, Annotated, Literal, cast, get_args

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationInfo,
    field_validator,
    model_validator,
)

from momentshare.errors import UnknownNameError
from momentshare.limits import LiftKind
from momentshare.study.factors import Factors
from momentshare.study.pseudonyms import NO_PSEUDONYMS, Pseudonyms

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from momentshare.balance import Criterion
    from momentshare.directions import TestedName
    from momentshare.limb import LimbOptions, MeasuredStrength
    from momentshare.muscle.curves import CurveName
    from momentshare.person import Person

__all__ = [
    "ConditionEntry",
    "Entry",
    "FactorEntry",
    "Finite",
    "GirdleEntry",
    "Name",
    "Number",
    "PeopleEntry",
    "PersonEntry",
    "Positive",
    "SettingsEntry",
    "Study",
    "StudyFile",
    "plain_text",
]


def _plain_number(value: object) -> object:
    """Refuse text and truth values where a number is expected."""
    if isinstance(value, bool):
        raise ValueError("must be a number")  # noqa: TRY004 - pydantic reports it
    if isinstance(value, str):
        raise ValueError("must be a number without quotes")  # noqa: TRY004 - pydantic reports it
    return value


def plain_text(value: str) -> str:
    """Refuse characters that control a terminal or break a table."""
    for character in value:
        if unicodedata.category(character) in {"Cc", "Cs"} or character in _BIDI:
            raise ValueError(f"contains the control character U+{ord(character):04X}; remove it")
    return value


_BIDI = "\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"
Number = Annotated[float, BeforeValidator(_plain_number)]
Finite = Annotated[Number, Field(allow_inf_nan=False)]
Positive = Annotated[Number, Field(gt=0.0, allow_inf_nan=False)]
Name = Annotated[str, Field(min_length=1, max_length=80), AfterValidator(plain_text)]
ModelPlace = Annotated[str, Field(min_length=1, max_length=1000), AfterValidator(plain_text)]
"""A shipped model, or the path of a model folder."""
Points = Annotated[list[tuple[Finite, Finite]], Field(min_length=1)]
Varying = float | list[tuple[float, float]] | None


_RANGES = {
    "protraction_deg": ("protraction", -20.0, 25.0, "degrees of the clavicle"),
    "shrug_deg": ("shrug", -15.0, 30.0, "degrees of the clavicle"),
    "spacing_biacromial": ("hand spacing", 0.5, 3.0, "times the biacromial breadth"),
    "spacing_cm": ("hand spacing", 15.0, 150.0, "cm"),
    "tuck_deg": ("tuck", 5.0, 130.0, "degrees from the trunk"),
    "forearm_tilt_deg": ("forearm tilt", -60.0, 60.0, "degrees"),
    "plane_deg": ("the angle", -180.0, 180.0, "degrees"),
    "elevation_deg": ("elevation", 0.0, 180.0, "degrees"),
    "axial_deg": ("the angle", -180.0, 180.0, "degrees"),
    "elbow_flexion_deg": ("the angle", 0.0, 180.0, "degrees"),
    "forearm_rotation_deg": ("the angle", 0.0, 180.0, "degrees"),
    "hand_share": ("hand share", 0.05, 1.5, "of body weight"),
    "lateral_ratio": ("lateral ratio", -1.0, 1.0, "of the vertical force"),
}
"""Field → what it is, least and greatest value, unit; the value may vary along the lift."""


def _in_range(value: Varying, info: ValidationInfo) -> Varying:
    """Check a value, or points whose height fractions rise from 0 to 1."""
    what, low, high, unit = _RANGES[str(info.field_name)]
    if value is None:
        return None
    numbers = [value]
    if isinstance(value, list):
        fractions = [f for f, _ in value]
        rising = all(b > a for a, b in pairwise(fractions))
        if not rising or fractions[0] < 0.0 or fractions[-1] > 1.0:
            raise ValueError(
                "height fractions must rise from 0 (chest) to 1 (lock-out), "
                f"as in [[0, 60], [1, 80]]; got {fractions}"
            )
        numbers = [v for _, v in value]
    for number in numbers:
        if not low <= number <= high:  # type: ignore[operator]
            metres = unit == "cm" and low <= 100.0 * number <= high  # type: ignore[operator]
            check = "; is the value in centimetres?" if metres else ""
            check = _other_unit(str(info.field_name), float(number)) or check  # type: ignore[arg-type]
            raise ValueError(
                f"{what} must lie in {low:g} to {high:g} {unit}; got {number:g}{check}"
            )
    return value


def _other_unit(field: str, number: float) -> str:
    """Say where a number belongs that another field, or a fraction, would take."""
    if field == "spacing_biacromial" and 15.0 <= number <= 150.0:
        return "; a spacing in cm goes into spacing_cm"
    if field == "spacing_cm" and 1.0 <= number <= 3.0:
        return "; a multiple of the biacromial breadth goes into spacing_biacromial"
    if field == "lateral_ratio" and 1.0 < abs(number) <= 100.0:
        return f"; {number:g} % is {number / 100.0:g}"
    return ""


_LARGEST_EXPONENT = 400.0
"""Beyond it the criterion is flat to rounding; infinity has its own method."""


class Entry(BaseModel):
    """A table of a study file: unknown fields are faults."""

    model_config = ConfigDict(extra="forbid", str_strip_whitespace=True)

    @field_validator("*", mode="before")
    @classmethod
    def _as_meant(cls, value: object, info: ValidationInfo) -> object:
        """Accept no number as a truth value, and neither text nor a truth value as a number."""
        kind = cls.model_fields[str(info.field_name)].annotation
        kinds = get_args(kind) or (kind,)
        if bool in kinds and not isinstance(value, bool):
            raise ValueError("must be true or false")
        return _plain_number(value) if int in kinds else value


class StrengthEntry(Entry):
    """One strength test of a person."""

    direction: Name
    moment_nm: Positive
    plane_deg: Finite = 0.0
    elevation_deg: Finite = 0.0
    axial_deg: Finite = 0.0
    elbow_flexion_deg: Finite = 90.0
    forearm_rotation_deg: Finite = 90.0

    def measured(self) -> MeasuredStrength:
        """Convert to SI."""
        from momentshare.limb import MeasuredStrength

        names = ("plane", "elevation", "axial", "elbow_flexion", "forearm_rotation")
        return MeasuredStrength(
            direction=cast("TestedName", self.direction),
            moment=self.moment_nm,
            angles={n: math.radians(getattr(self, f"{n}_deg")) for n in names},
        )


class PersonEntry(Entry):
    """One ``[[person]]``."""

    name: Name
    sex: Literal["female", "male"]
    stature_cm: Annotated[Number, Field(ge=120.0, le=230.0)]
    body_mass_kg: Annotated[Number, Field(ge=25.0, le=250.0)]
    biacromial_breadth_cm: Annotated[Number, Field(ge=25.0, le=60.0)] | None = None
    chest_depth_cm: Annotated[Number, Field(ge=12.0, le=50.0)] | None = None
    humerus_length_cm: Annotated[Number, Field(ge=18.0, le=45.0)] | None = None
    forearm_length_cm: Annotated[Number, Field(ge=15.0, le=40.0)] | None = None
    grip_length_cm: Annotated[Number, Field(ge=20.0, le=50.0)] | None = None
    training_factor: Annotated[Number, Field(ge=0.3, le=3.0)] = 1.0
    reference_load_kg: Annotated[Number, Field(gt=0.0, le=2000.0)] | None = None
    file_label: Name | None = None
    code: Name | None = None
    strength: list[StrengthEntry] = []

    @model_validator(mode="after")
    def _sizes_fit(self) -> PersonEntry:
        forearm, grip = self.forearm_length_cm, self.grip_length_cm
        if forearm is not None and grip is not None and grip <= forearm:
            raise ValueError(
                "grip_length_cm (elbow to grip) must be longer than forearm_length_cm (elbow to "
                f"wrist); got {grip:g} and {forearm:g}"
            )
        return self

    def person(self) -> Person:
        """Convert to SI."""
        from momentshare.person import Person

        def metres(value: float | None) -> float | None:
            return None if value is None else value / 100.0

        return Person(
            name=self.name,
            sex=self.sex,
            stature=self.stature_cm / 100.0,
            body_mass=self.body_mass_kg,
            biacromial_breadth=metres(self.biacromial_breadth_cm),
            chest_depth=metres(self.chest_depth_cm),
            humerus_length=metres(self.humerus_length_cm),
            forearm_length=metres(self.forearm_length_cm),
            grip_length=metres(self.grip_length_cm),
            training_factor=self.training_factor,
        )


class FactorEntry(Entry):
    """Levels of the factors of a study in a condition, such as ``factor.spacing = "1.4"``."""

    factor: dict[Name, Name] = Field(default_factory=dict)


class GirdleEntry(FactorEntry):
    """Additions of the lifter to the course of the girdle: angles of the clavicle."""

    protraction_deg: Finite | Points | None = None
    shrug_deg: Finite | Points | None = None

    _in_range = field_validator("protraction_deg", "shrug_deg")(_in_range)


class ConditionEntry(GirdleEntry):
    """One ``[[condition]]``."""

    name: Name
    exercise: Name
    spacing_biacromial: Positive | Points | None = None
    spacing_cm: Positive | Points | None = None
    tuck_deg: Finite | Points | None = None
    forearm_tilt_deg: Finite | Points | None = None
    touch_point_cm: Annotated[Number, Field(ge=-10.0, le=45.0)] | None = None
    lockout_over_shoulder_cm: Annotated[Number, Field(ge=-30.0, le=30.0)] | None = None
    bench_angle_deg: Annotated[Number, Field(ge=-60.0, le=80.0)] | None = None
    trunk_angle_deg: Annotated[Number, Field(ge=-20.0, le=110.0)] | None = None
    grip: Literal["pronated", "neutral"] | None = None
    plane_deg: Finite | Points | None = None
    elevation_deg: Finite | Points | None = None
    axial_deg: Finite | Points | None = None
    elbow_flexion_deg: Finite | Points | None = None
    forearm_rotation_deg: Finite | Points | None = None
    hand_share: Positive | Points | None = None
    cable_angle_deg: Annotated[Number, Field(ge=-180.0, le=180.0)] | None = None
    load_kg: Annotated[Number, Field(ge=0.0, le=2000.0)] | None = None
    load_share: Annotated[Number, Field(gt=0.0, le=20.0)] | None = None
    load_per_body_mass: Annotated[Number, Field(gt=0.0, le=20.0)] | None = None
    lateral_ratio: Finite | Points | None = None
    lateral_bounds: tuple[Finite, Finite] | None = None
    duration_s: Annotated[Number, Field(ge=0.1, le=60.0)] | None = None
    chest_height_cm: Annotated[Number, Field(gt=0.0, le=150.0)] | None = None
    lockout_height_cm: Annotated[Number, Field(gt=0.0, le=150.0)] | None = None
    lockout_flexion_deg: Annotated[Number, Field(ge=1.0, le=60.0)] | None = None

    _in_range = field_validator(*_RANGES)(_in_range)

    @model_validator(mode="after")
    def _pairs_in_order(self) -> ConditionEntry:
        low, high = self.chest_height_cm, self.lockout_height_cm
        if low is not None and high is not None and high <= low:
            raise ValueError(
                f"lockout_height_cm must lie above chest_height_cm; got {high:g} and {low:g}"
            )
        bounds = self.lateral_bounds
        if bounds is not None and not -1.0 <= bounds[0] <= bounds[1] <= 1.0:
            raise ValueError(
                f"lateral_bounds must be [low, high] within -1 to 1; got {list(bounds)}"
            )
        return self

    @property
    def lift_kind(self) -> LiftKind:
        """Exercise and hand spacing, if one spacing is given in biacromial breadths."""
        spacing = self.spacing_biacromial
        return LiftKind(self.exercise, None if isinstance(spacing, list) else spacing)

    def given(self) -> set[str]:
        """Names of the fields that the file states, other than name, exercise and factors."""
        return self.model_fields_set - {"name", "exercise", "factor"}


class ScapulaShift(Entry):
    """Shift of the scapula's angles from those of its policy, for sensitivity."""

    internal: Annotated[Number, Field(ge=-30.0, le=30.0)] = 0.0
    upward: Annotated[Number, Field(ge=-30.0, le=30.0)] = 0.0
    anterior_tilt: Annotated[Number, Field(ge=-30.0, le=30.0)] = 0.0


class SettingsEntry(Entry):
    """The ``[settings]`` table."""

    exponent: Annotated[Number, Field(ge=1.01)] = 2.0
    weights: Literal["area", "volume", "none"] = "area"
    lateral: list[Literal["measured", "zero", "free"]] = ["measured", "zero", "free"]
    hand_couples: Literal["zero", "free"] = "zero"
    balance_forearm: bool = False
    glenoid_constraint: bool = True
    frames: Annotated[int, Field(ge=5, le=2001)] = 51
    curves: Name = "degroote2016"
    elastic_tendon: bool = False
    passive_force: bool = True
    scapula: Name | None = None
    scapula_shift_deg: ScapulaShift = ScapulaShift()

    @field_validator("exponent")
    @classmethod
    def _exponent_in_range(cls, value: float) -> float:
        if math.isfinite(value) and value > _LARGEST_EXPONENT:
            raise ValueError(
                f"must be between 1.01 and {_LARGEST_EXPONENT:g}, or inf for the least greatest "
                f"activation; got {value:g}"
            )
        return value

    @field_validator("lateral")
    @classmethod
    def _some_lateral_mode(cls, value: list[str]) -> list[str]:
        if not value or len(set(value)) != len(value):
            raise ValueError("name each of measured, zero, free at most once, and at least one")
        return value

    def limb_options(self) -> LimbOptions:
        """Return the options of capacity in these settings."""
        from momentshare.limb import LimbOptions

        return LimbOptions(
            curves=cast("CurveName", self.curves),
            elastic_tendon=self.elastic_tendon,
            passive=self.passive_force,
        )

    def criterion(self) -> Criterion:
        """Return the criterion in these settings."""
        from momentshare.balance import Criterion

        return Criterion(
            exponent=self.exponent, weights=self.weights, balance_forearm=self.balance_forearm
        )


class PeopleEntry(Entry):
    """The ``[people]`` table: how people appear in everything that is written."""

    pseudonyms: bool = False


class StudyFile(Entry):
    """A whole study file."""

    title: Name
    note: str = ""
    model: ModelPlace = "reference_limb"
    settings: SettingsEntry = SettingsEntry()
    people: PeopleEntry = PeopleEntry()
    person: Annotated[list[PersonEntry], Field(min_length=1)]
    condition: Annotated[list[ConditionEntry], Field(min_length=1)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Study:
    """A checked study and where it came from.

    Attributes
    ----------
    source : str
        The file, as named in messages.
    digest : str
        Fingerprint of its text.
    file : StudyFile
        People, conditions and settings in the units of the file (cm, kg, degrees).
    pseudonyms : Pseudonyms
        Codes that replace people's names in ``file``; empty unless the study asks for them.

    Examples
    --------
    >>> from momentshare.demo import small_study
    >>> study = small_study()
    >>> study.title, [condition.name for condition in study.file.condition]
    ('Two spacings', ['narrow', 'wide'])
    >>> study.only(conditions=["wide"])
    Study('Two spacings', people=1, conditions=1)
    """

    source: str
    digest: str
    file: StudyFile
    pseudonyms: Pseudonyms = NO_PSEUDONYMS

    def __repr__(self) -> str:
        people, conditions = len(self.file.person), len(self.file.condition)
        return f"Study({self.title!r}, people={people}, conditions={conditions})"

    @property
    def title(self) -> str:
        """Title of the study."""
        return self.file.title

    @property
    def factors(self) -> Factors:
        """Factors that its conditions cross."""
        return Factors.stated(self.file.condition)

    def only(self, people: Sequence[str] = (), conditions: Sequence[str] = ()) -> Study:
        """Return the study with some people and conditions only; all of a kind if none is named.

        A person may be given by name or by code.

        Raises
        ------
        UnknownNameError
            A name that the study does not hold, with the nearest one that it does.
        """
        people = [self.pseudonyms.code(name) for name in people]
        check_names("person", people, [p.name for p in self.file.person], self.source)
        check_names("condition", conditions, [c.name for c in self.file.condition], self.source)
        kept = {
            "person": [p for p in self.file.person if not people or p.name in people],
            "condition": [c for c in self.file.condition if not conditions or c.name in conditions],
        }
        return replace(self, file=self.file.model_copy(update=kept))


def check_names(kind: str, wanted: Sequence[str], known: Iterable[str], source: str) -> None:
    """Refuse a name that is not known."""
    names = tuple(known)
    for name in wanted:
        if name not in names:
            raise UnknownNameError(kind, name, names, source)

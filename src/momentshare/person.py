"""A person's sizes: which were measured, which estimated, and from which fit."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, fields
from typing import TYPE_CHECKING, Literal

from momentshare.errors import InputError

if TYPE_CHECKING:
    from momentshare.model import Model

__all__ = ["Person", "Sizes", "sizes"]

_PLAUSIBLE = {
    "stature": (1.2, 2.3),
    "body_mass": (25.0, 250.0),
    "biacromial_breadth": (0.25, 0.60),
    "chest_depth": (0.12, 0.50),
    "humerus_length": (0.18, 0.45),
    "forearm_length": (0.15, 0.40),
    "grip_length": (0.20, 0.50),
    "training_factor": (0.3, 3.0),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    """One person as in a study; ``None`` means not measured.

    Parameters
    ----------
    name : str
        Label in every table.
    sex : {"female", "male"}
        Chooses the anthropometric fits, the segment inertia and the volume factor.
    stature : float
        [m]
    body_mass : float
        [kg]
    biacromial_breadth, chest_depth : float, optional
        [m]
    humerus_length : float, optional
        Shoulder joint centre to elbow axis [m].
    forearm_length : float, optional
        Elbow axis to stylion [m].
    grip_length : float, optional
        Elbow axis to the centre of the closed grip [m].
    training_factor : float
        Volume of the elbow extensors over that of an untrained person of the same sex and size.
        Other groups of heads grow as its power, with the exponents ``training_exponent_…`` of the
        model.
    strengths : mapping, optional
        Measured greatest moments, to calibrate strength groups.

    Raises
    ------
    InputError
        A size outside the possible range of an adult, naming field and value.

    Examples
    --------
    >>> from momentshare import Person
    >>> ada = Person(name="Ada", sex="female", stature=1.66, body_mass=62.0, grip_length=0.33)
    >>> ada.humerus_length is None  # estimated from stature when a limb is built
    True
    """

    name: str
    sex: Literal["female", "male"]
    stature: float
    body_mass: float
    biacromial_breadth: float | None = None
    chest_depth: float | None = None
    humerus_length: float | None = None
    forearm_length: float | None = None
    grip_length: float | None = None
    training_factor: float = 1.0

    def __post_init__(self) -> None:
        faults = []
        if self.sex not in {"female", "male"}:
            faults.append(f"sex: must be 'female' or 'male'; got {self.sex!r}")
        for key, (low, high) in _PLAUSIBLE.items():
            value = getattr(self, key)
            if value is None:
                continue
            if not math.isfinite(value) or not low <= value <= high:
                faults.append(
                    f"{key}: must be between {low:g} and {high:g} (SI); got {value!r}; "
                    "check the unit"
                )
        if faults:
            raise InputError(f"person {self.name!r}:", faults)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sizes:
    """Every length of a person [m], and the names of those that were estimated."""

    stature: float
    body_mass: float
    biacromial_breadth: float
    chest_depth: float
    humerus_length: float
    forearm_length: float
    grip_length: float
    estimated: tuple[str, ...] = field(default=())

    def to_dict(self) -> dict[str, float]:
        """Return the sizes by name, without the list of estimates."""
        return {f.name: getattr(self, f.name) for f in fields(self) if f.name != "estimated"}


def sizes(person: Person, model: Model) -> Sizes:
    """Fill in what was not measured from the linear fits to stature.

    The joint-to-joint lengths follow from surface lengths less fixed offsets that scale with
    stature; both are in the model with their sources.
    """
    estimated: list[str] = []
    ratio = person.stature / model.number("reference_stature")

    def fitted(measure: str) -> float:
        fit = model.fits[person.sex, measure]
        return fit.slope * person.stature + fit.intercept

    def take(name: str, estimate: float) -> float:
        value = getattr(person, name)
        if value is None:
            estimated.append(name)
            return estimate
        return float(value)

    return Sizes(
        stature=person.stature,
        body_mass=person.body_mass,
        biacromial_breadth=take("biacromial_breadth", fitted("biacromial_breadth")),
        chest_depth=take("chest_depth", fitted("chest_depth")),
        humerus_length=take(
            "humerus_length",
            fitted("acromion_radiale_length") - ratio * model.number("acromion_to_joint_centre"),
        ),
        forearm_length=take(
            "forearm_length",
            fitted("radiale_stylion_length") + ratio * model.number("radiale_below_elbow_axis"),
        ),
        grip_length=take(
            "grip_length",
            fitted("elbow_grip_length") - ratio * model.number("olecranon_behind_elbow_axis"),
        ),
        estimated=tuple(estimated),
    )

"""Published values that a limb is fitted to or judged by, read from ``targets.csv``."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from momentshare.errors import ModelError, nearest_name

if TYPE_CHECKING:
    from momentshare.model import Model

__all__ = ["DIRECTIONS", "Target", "load_targets"]

DIRECTIONS: dict[str, tuple[str, int]] = {
    "internal_rotation": ("shoulder_internal_rotation", 1),
    "external_rotation": ("shoulder_internal_rotation", -1),
    "elevation": ("shoulder_elevation", 1),
    "depression": ("shoulder_elevation", -1),
    "horizontal_adduction": ("shoulder_horizontal_adduction", 1),
    "horizontal_abduction": ("shoulder_horizontal_adduction", -1),
    "elbow_extension": ("elbow_extension", 1),
    "elbow_flexion": ("elbow_extension", -1),
    "pronation": ("forearm_pronation", 1),
    "supination": ("forearm_pronation", -1),
}
"""Anatomical direction → moment row and sign."""

Finite = Annotated[float, Field(allow_inf_nan=False)]


class Target(BaseModel):
    """One published value, its band, and how it is known and used."""

    model_config = ConfigDict(extra="forbid", frozen=True, str_strip_whitespace=True)

    id: Annotated[str, Field(min_length=1)]
    quantity: Literal[
        "moment_arm",
        "peak_moment_arm",
        "peak_moment_arm_abduction",
        "mean_moment_arm",
        "elbow_excursion",
        "line_of_action",
        "rank",
        "strength",
        "strength_ratio",
        "posture_ratio",
        "sex_ratio",
        "peak_angle",
        "passive_moment",
    ]
    subject: str
    direction: str
    sex: Literal["male", "female"]
    scapula: str
    plane_deg: Finite
    elevation_deg: Finite
    axial_deg: Finite
    elbow_flexion_deg: Finite
    forearm_rotation_deg: Finite
    value: float | None
    low: Finite
    high: Finite
    unit: Literal["mm", "N*m", "1", "deg"]
    source: Annotated[str, Field(min_length=1)]
    known: Literal["read", "read second-hand", "from memory", "common practice"]
    use: Literal["calibration", "validation", "comparison"]
    note: str

    @model_validator(mode="after")
    def _memory_validates_nothing(self) -> Target:
        if self.known == "from memory" and self.use != "comparison":
            raise ValueError("a value from memory fits and validates nothing; use 'comparison'")
        return self

    @field_validator("value", mode="before")
    @classmethod
    def _blank_is_none(cls, value: object) -> object:
        return None if value == "" else value

    @property
    def published(self) -> str:
        """The published value in words: a number, a rank or a sense."""
        if self.value is not None:
            return f"{self.value:g}"
        return f"among the first {self.high:g}" if self.quantity == "rank" else "sense"

    @property
    def subjects(self) -> tuple[str, ...]:
        """Heads named by a target, separated by +."""
        return tuple(self.subject.split("+"))


def load_targets(model: Model) -> tuple[Target, ...]:
    """Read and check the targets of a model.

    Raises
    ------
    ModelError
        With one line for each fault: file, row, field and value.
    """
    path = Path(model.path) / "targets.csv"
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as err:
        raise ModelError(f"{path}: is not UTF-8 text ({err.reason}); save it as UTF-8") from err
    except OSError as err:
        raise ModelError(
            f"model {model.name!r}: targets.csv cannot be read ({err.strerror}); "
            "a limb without published values cannot be fitted or judged"
        ) from err
    found: list[Target] = []
    faults: list[str] = []
    seen: set[str] = set()
    for number, row in enumerate(csv.DictReader(text.splitlines()), start=2):
        place = f"targets.csv row {number}"
        if None in row or None in row.values():
            faults.append(f"{place}: has another number of columns than the header")
            continue
        try:
            target = Target.model_validate(row)
        except ValidationError as err:
            faults += [
                f"{place}: field {'.'.join(map(str, item['loc']))!r}: {item['msg']}, "
                f"got {item['input']!r}"
                for item in err.errors()
            ]
            continue
        if target.source not in model.references:
            faults.append(
                f"{place}: field 'source': {target.source!r} is not in references.bib; "
                + nearest_name(target.source, model.references)
            )
        if not target.low <= target.high:
            faults.append(f"{place}: low {target.low:g} is above high {target.high:g}")
        if target.id in seen:
            faults.append(f"{place}: id {target.id!r} stands twice")
        seen.add(target.id)
        found.append(target)
    if not found and not faults:
        faults.append("holds no rows; a limb without published values cannot be judged")
    if faults:
        raise ModelError(f"model {model.name!r}: targets.csv cannot be used:", faults)
    return tuple(found)

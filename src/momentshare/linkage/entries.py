"""The rules that each row of the files of a linkage must keep."""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from momentshare.model.schema import lines_by_head

__all__ = [
    "HEAD_QUANTITIES",
    "ArmEntry",
    "BodyEntry",
    "CapacityEntry",
    "JointEntry",
    "LinkageFile",
    "LinkageHeadEntry",
    "LinkageSiteEntry",
    "LinkageSurfaceEntry",
    "RowEntry",
]

HEAD_QUANTITIES: dict[str, str] = {
    "greatest_isometric_force": "force",
    "volume": "volume",
    "specific_tension": "stress",
    "peak_fibre_length": "length",
    "pennation": "angle",
    "slack_length": "length",
    "greatest_shortening_speed": "rate",
}
"""Quantity of a head → what its unit measures; ``fibre_length_<posture>`` is a number."""

Kind = Literal["measured", "derived", "calibrated", "assumed", "from memory"]
Finite = Annotated[float, Field(allow_inf_nan=False)]
Spread = Annotated[float, Field(ge=0.0, allow_inf_nan=False)]
Name = Annotated[str, Field(min_length=1, max_length=100)]
Angle = Annotated[float, Field(ge=-360.0, le=360.0)]
Line = Annotated[list[Name], Field(min_length=2)]


class _Entry(BaseModel):
    model_config = ConfigDict(extra="forbid", str_strip_whitespace=True)
    source: Name
    kind: Kind
    note: str = ""


class _AxisEntry(_Entry):
    axis_x: Finite
    axis_y: Finite
    axis_z: Finite

    @property
    def axis(self) -> tuple[float, float, float]:
        """Components of the axis."""
        return self.axis_x, self.axis_y, self.axis_z

    def _require_length_one(self, what: str) -> None:
        norm = float(np.linalg.norm(self.axis))
        if abs(norm - 1.0) > 1e-6:
            raise ValueError(f"the axis of a {what} must have length 1; got {norm:.6g}")


class JointEntry(_Entry):
    """One row of ``joints.csv``: where a body hangs from the body before it."""

    joint: Name
    type: Literal["hinge", "pair", "ball"]
    parent: Name
    body: Name
    x: Finite
    y: Finite
    z: Finite
    unit: Name
    spread: Spread


class RowEntry(_AxisEntry):
    """One row of ``rows.csv``: an axis of a joint, with its angle and its moment."""

    row: Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]*$", max_length=60)]
    joint: Name
    low_deg: Angle
    high_deg: Angle
    balanced: Literal["yes", "no"]

    @model_validator(mode="after")
    def _axis_and_limits(self) -> RowEntry:
        self._require_length_one("row")
        if self.low_deg >= self.high_deg:
            raise ValueError(f"low_deg {self.low_deg:g} must lie below high_deg {self.high_deg:g}")
        return self


class BodyEntry(_Entry):
    """One row of ``bodies.csv``: one quantity of one body."""

    body: Name
    quantity: Literal[
        "mass", "centre_x", "centre_y", "centre_z", "radius_x", "radius_y", "radius_z"
    ]
    value: Finite
    unit: Name
    spread: Spread

    @model_validator(mode="after")
    def _not_negative(self) -> BodyEntry:
        if not self.quantity.startswith("centre") and self.value < 0.0:
            raise ValueError(f"{self.quantity} must be zero or more; got {self.value:g}")
        return self


class LinkageSiteEntry(_Entry):
    """One row of ``sites.csv``: a point fixed to a body."""

    anchor: ClassVar = "bone"
    site: Name
    body: Name
    x: Finite
    y: Finite
    z: Finite
    unit: Name
    spread: Spread


class LinkageSurfaceEntry(_AxisEntry):
    """One row of ``surfaces.csv``: a sphere or an infinite cylinder fixed to a body."""

    anchor: ClassVar = "bone"
    borne_by: ClassVar = ""
    surface: Name
    shape: Literal["sphere", "cylinder"]
    body: Name
    x: Finite
    y: Finite
    z: Finite
    radius: Annotated[float, Field(gt=0.0, allow_inf_nan=False)]
    unit: Name
    spread: Spread
    largest_turn_deg: Annotated[float, Field(gt=0.0, le=180.0)] = 180.0

    @model_validator(mode="after")
    def _axis_fits_the_shape(self) -> LinkageSurfaceEntry:
        if self.shape == "cylinder":
            self._require_length_one("cylinder")
        return self


class LinkageHeadEntry(_Entry):
    """One row of ``heads.csv``: one quantity of one head, or of all (``*``)."""

    head: Name
    quantity: Name
    value: Annotated[float, Field(ge=0.0, allow_inf_nan=False)]
    unit: Name
    spread: Spread

    @field_validator("quantity")
    @classmethod
    def _known(cls, value: str) -> str:
        if value in HEAD_QUANTITIES or value.startswith("fibre_length_"):
            return value
        known = ", ".join(HEAD_QUANTITIES)
        raise ValueError(f"unknown quantity; known: {known}, fibre_length_<posture>")


class ArmEntry(_Entry):
    """One row of ``arms.csv``: the moment arm of a head about a row at one angle of that row."""

    head: Name
    row: Name
    angle_deg: Angle
    arm: Finite
    unit: Name
    spread: Spread


class CapacityEntry(_Entry):
    """One row of ``capacities.csv``: greatest active force at one angle of one row."""

    head: Name
    row: Name
    angle_deg: Angle
    force: Annotated[float, Field(ge=0.0, allow_inf_nan=False)]
    unit: Name
    spread: Spread


class LinkageFile(BaseModel):
    """The file ``linkage.toml``."""

    model_config = ConfigDict(extra="forbid")
    name: Name
    version: Name
    description: Name
    ground: Name
    up: Annotated[list[Finite], Field(min_length=3, max_length=3)]
    end: str = ""
    postures: dict[str, dict[str, Finite]] = Field(default_factory=dict)
    paths: dict[Name, Line | Annotated[list[Line], Field(min_length=1)]] = Field(
        default_factory=dict
    )

    @field_validator("up")
    @classmethod
    def _unit(cls, value: list[float]) -> list[float]:
        if abs(float(np.linalg.norm(value)) - 1.0) > 1e-6:
            raise ValueError("must have length 1, as [0, 1, 0]")
        return value

    @property
    def lines(self) -> dict[str, list[list[str]]]:
        """Steps of every line of every head; a head may be written as one line."""
        return lines_by_head(self.paths)

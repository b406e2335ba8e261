"""Published values that a limb is fitted to or validated against, read from ``targets.csv``.

A target is one of three kinds, which are scored separately:

``number``
    a published value. Right when the limb's value lies within two standard deviations of the
    source or, where it gives none, within 20 % of the value (of ``scale`` where 20 % of a
    value near zero would mean nothing). The band follows from the row; it cannot be widened.
``order``
    which of two is larger, or that a head is among the first few. Right when it is.
``sense``
    the sign of a quantity in the named direction. Right when the limb's value is positive.

``setting`` holds what the columns do not, as ``name=value`` parts joined by ``;``. Two settings
with ``>``, ``/``, ``-`` or ``&`` between them ask for the same quantity twice: an order, a ratio, a
difference or a mean; a part before ``|`` belongs to both. A name that is a column overrides it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from momentshare.errors import ModelError, nearest_name
from momentshare.inputs import TABLE, csv_rows, read_text
from momentshare.text import schema_message
from momentshare.validation.terms import CHOICES, QUANTITIES, QUANTITY_DIRECTIONS, SETTINGS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from momentshare.model import Model

__all__ = ["BAND", "Ask", "Target", "load_targets", "read_setting", "shared_sources"]

BAND = 0.2
"""Relative half band of a number whose source gives no standard deviation; assumed."""

_SPREADS = 2.0
"""Half band of a number in standard deviations of its source; assumed."""

Finite = Annotated[float, Field(allow_inf_nan=False)]
Angle = Annotated[float, Field(allow_inf_nan=False, ge=-180.0, le=180.0)]
_ANGLES = ("plane_deg", "elevation_deg", "axial_deg", "elbow_flexion_deg", "forearm_rotation_deg")
_OPERATORS = {" > ": "difference", " / ": "ratio", " - ": "difference", " & ": "mean"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Ask:
    """One quantity to compute: of which heads, in which direction, posture and setting."""

    quantity: str
    subject: str
    direction: str
    sex: str
    scapula: str
    plane_deg: float
    elevation_deg: float
    axial_deg: float
    elbow_flexion_deg: float
    forearm_rotation_deg: float
    setting: tuple[tuple[str, str], ...]

    @property
    def subjects(self) -> tuple[str, ...]:
        """Heads, separated by + in the file."""
        return tuple(self.subject.split("+"))

    @property
    def angles(self) -> tuple[float, ...]:
        """Plane, elevation and axial rotation, elbow flexion, forearm rotation [deg]."""
        return tuple(float(getattr(self, name)) for name in _ANGLES)

    def get(self, name: str, default: str = "") -> str:
        """Return a part of the setting as text."""
        return dict(self.setting).get(name, default)

    def number(self, name: str, default: float) -> float:
        """Return a part of the setting as a number."""
        return float(self.get(name, str(default)))


class Target(BaseModel):
    """One published value, how it is known and what it is used for."""

    model_config = ConfigDict(extra="forbid", frozen=True, str_strip_whitespace=True)

    id: Annotated[str, Field(pattern=r"^[a-z0-9_.]+$")]
    kind: Literal["number", "order", "sense"]
    quantity: str
    subject: str
    direction: str
    sex: Literal["male", "female"]
    scapula: str
    plane_deg: Angle = 0.0
    elevation_deg: Angle = 0.0
    axial_deg: Angle = 0.0
    elbow_flexion_deg: Angle = 0.0
    forearm_rotation_deg: Angle = 0.0
    setting: str
    value: Finite | None
    sd: Annotated[float, Field(gt=0.0, allow_inf_nan=False)] | None
    scale: Annotated[float, Field(gt=0.0, allow_inf_nan=False)] | None
    unit: Literal["mm", "N*m", "1", "deg", "kg", "cm", "cm2", "cm3", "m/s", "s"]
    source: Annotated[str, Field(min_length=1)]
    known: Literal[
        "read", "abstract read", "read second-hand", "derived", "from memory", "common practice"
    ]
    use: Literal["calibration", "validation", "comparison"]
    fit_sigma: Annotated[float, Field(gt=0.0, allow_inf_nan=False)] | None
    note: str

    @field_validator("value", "sd", "scale", "fit_sigma", *_ANGLES, mode="before")
    @classmethod
    def _blank(cls, value: object, info: Any) -> object:
        if value != "":
            return value
        return 0.0 if info.field_name in _ANGLES else None

    @model_validator(mode="after")
    def _sound(self) -> Target:
        if self.known == "common practice" and self.use != "comparison":
            raise ValueError(f"a value {self.known} fits and validates nothing; use 'comparison'")
        if self.known == "from memory" and self.use == "validation":
            raise ValueError("a value from memory validates nothing; use 'comparison'")
        if self.quantity not in QUANTITIES:
            raise ValueError(
                f"field 'quantity': {self.quantity!r} is unknown; "
                + nearest_name(self.quantity, QUANTITIES)
            )
        if (self.use == "calibration") != (self.fit_sigma is not None):
            raise ValueError("field 'fit_sigma' belongs to a row of calibration, and only there")
        if self.kind == "sense" and self.value is not None:
            raise ValueError("a sense has no value")
        if self.kind == "number" and self.value is None:
            raise ValueError("a number needs a value")
        ranked = self.quantity == "rank"
        if self.kind == "order" and ranked == (self.value is None):
            raise ValueError("an order has two settings with > between, or a rank with its value")
        if self.kind == "order" and not ranked and " > " not in self.setting:
            raise ValueError("an order needs two settings with > between")
        self.asks  # noqa: B018 - a setting that cannot be read is a fault of the row
        return self

    @property
    def subjects(self) -> tuple[str, ...]:
        """Heads named by the row, separated by + in the file."""
        return tuple(self.subject.split("+"))

    @property
    def combination(self) -> str:
        """How two settings are combined: ``one``, ``difference``, ``ratio`` or ``mean``."""
        return next((word for mark, word in _OPERATORS.items() if mark in self.setting), "one")

    @property
    def asks(self) -> tuple[Ask, ...]:
        """The one or two quantities behind the row."""
        shared, _, rest = self.setting.rpartition("|")
        mark = next((m for m in _OPERATORS if m in rest), "")
        sides = rest.split(mark) if mark else [rest]
        if len(sides) > 2:
            raise ValueError(f"field 'setting': {self.setting!r} compares more than two settings")
        base = Ask(
            quantity=self.quantity,
            subject=self.subject,
            direction=self.direction,
            sex=self.sex,
            scapula=self.scapula,
            **{name: getattr(self, name) for name in _ANGLES},
            setting=(),
        )
        return tuple(_with(base, read_setting(shared) | read_setting(side)) for side in sides)

    @property
    def low(self) -> float:
        """Lower end of the band; for orders and senses anything above it is right."""
        return self._band()[0]

    @property
    def high(self) -> float:
        """Upper end of the band."""
        return self._band()[1]

    def _band(self) -> tuple[float, float]:
        if self.quantity == "rank":
            return 1.0, float(self.value or 1.0)
        if self.kind != "number" or self.value is None:
            return 0.0, float("inf")
        if self.quantity == "line_direction":
            return 0.0, BAND
        half = _SPREADS * self.sd if self.sd else BAND * (self.scale or abs(self.value))
        return self.value - half, self.value + half

    def is_right(self, found: float) -> bool:
        """Return whether the limb's value agrees with the published one; NaN never does."""
        if self.kind == "number" or self.quantity == "rank":
            return bool(self.low <= found <= self.high)
        return bool(found > 0.0)

    @property
    def published(self) -> str:
        """The published value in words."""
        if self.quantity == "rank":
            return f"among the first {self.value:g}"
        if self.quantity == "line_direction":
            return f"({', '.join(v for _, v in self.asks[0].setting)})"
        if self.value is not None:
            return f"{self.value:g}" + (f" ± {self.sd:g}" if self.sd else "")
        return "larger" if self.kind == "order" else "sense"


def read_setting(text: str) -> dict[str, str]:
    """Read one side of a setting.

    Raises
    ------
    ValueError
        A part is not name=value, its name is unknown or its value does not fit.
    """
    out = {}
    for part in filter(None, (p.strip() for p in text.split(";"))):
        name, mark, value = part.partition("=")
        if not mark or not name.strip() or not value.strip():
            raise ValueError(f"field 'setting': {part!r} is not name=value")
        name, value = name.strip(), value.strip()
        if name not in SETTINGS:
            raise ValueError(
                f"field 'setting': {name!r} is unknown; " + nearest_name(name, SETTINGS)
            )
        if name in CHOICES and value not in CHOICES[name]:
            raise ValueError(
                f"field 'setting': {name}={value!r} is unknown; "
                + nearest_name(value, CHOICES[name])
            )
        if name not in {*CHOICES, "subject", "direction", "scapula", "among"}:
            float(value)
        out[name] = value
    return out


def _with(base: Ask, parts: dict[str, str]) -> Ask:
    columns: dict[str, Any] = {}
    rest = []
    for name, value in parts.items():
        if name in _ANGLES:
            columns[name] = float(value)
        elif name in {"subject", "direction", "sex", "scapula"}:
            columns[name] = value
        else:
            rest.append((name, value))
    return replace(base, **columns, setting=tuple(rest))


def shared_sources(targets: Sequence[Target], model: Model) -> frozenset[str]:
    """Return the sources that the limb has used: their rows are not independent validation.

    Those of calibration, and those behind a number of the model.
    """
    fitted = {t.source for t in targets if t.use == "calibration"}
    return frozenset(fitted | set(model.source_keys()))


def load_targets(model: Model) -> tuple[Target, ...]:
    """Read and check the targets of a model.

    Raises
    ------
    ModelError
        With one line for each fault: file, row, field and value.
    """
    path = Path(model.path) / "targets.csv"
    try:
        rows = csv_rows(read_text(path, TABLE, ModelError), "targets.csv", ModelError)
    except ModelError as err:
        raise ModelError(
            f"model {model.name!r}: {err}; a limb without published values cannot be fitted or "
            "judged"
        ) from err
    header = rows[0][1] if rows else []
    found: list[Target] = []
    faults: list[str] = []
    seen: set[str] = set()
    for number, cells in rows[1:]:
        row = dict(zip(header, cells, strict=False))
        place = f"targets.csv row {number}"
        if len(cells) != len(header):
            faults.append(f"{place}: has another number of columns than the header")
            continue
        try:
            target = Target.model_validate(row)
        except ValidationError as err:
            faults += [
                f"{place}: field {'.'.join(map(str, item['loc'])) or row.get('id')!r}: "
                f"{schema_message(item['msg'])}; got {_shown(item['input'])}"
                for item in err.errors()
            ]
            continue
        faults += [f"{place}: {what}" for what in _unknown(target, model)]
        if target.id in seen:
            faults.append(f"{place}: id {target.id!r} is duplicated")
        seen.add(target.id)
        found.append(target)
    if not found and not faults:
        faults.append("holds no rows; a limb without published values cannot be validated")
    if faults:
        raise ModelError(f"model {model.name!r}: targets.csv cannot be used:", faults)
    return tuple(found)


def _shown(value: object) -> str:
    return "the row" if isinstance(value, dict) else repr(value)


def _unknown(target: Target, model: Model) -> list[str]:
    """Name the sources and scapula policies that the model does not know."""
    out = []
    if target.source not in model.references:
        out.append(
            f"field 'source': {target.source!r} is not in references.bib; "
            + nearest_name(target.source, model.references)
        )
    policies = model.scapula_policies
    out += [
        f"field 'scapula': {ask.scapula!r} is not a policy of the model; "
        + nearest_name(ask.scapula, policies)
        for ask in target.asks
        if ask.scapula not in policies
    ]
    parts = {*model.head_names, *(name.split("/")[0] for name in model.head_names)}
    for ask in target.asks:
        named = [*ask.subjects, *ask.get("among").split("+")]
        out += [
            f"{name!r} is not a head or muscle of the model; " + nearest_name(name, parts)
            for name in named
            if name and name not in parts
        ]
        directions = QUANTITY_DIRECTIONS.get(ask.quantity, frozenset({""}))
        if ask.direction not in directions:
            out.append(
                f"field 'direction': {ask.direction!r} is none of {ask.quantity!r}; "
                + nearest_name(ask.direction, directions)
            )
    return out

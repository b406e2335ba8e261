"""People, every setting, and how muscles were computed: the end of a report."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from momentshare.muscle import curve_set
from momentshare.report.text.opening import joined

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from momentshare.model import Model
    from momentshare.study.schema import PersonEntry, SettingsEntry

__all__ = ["muscles_text", "person_rows", "setting_rows"]


def person_rows(people: Iterable[PersonEntry], model: Model) -> list[dict[str, Any]]:
    """Who took part, with every size and how it is known."""
    from momentshare.person import sizes

    rows = []
    for entry in people:
        size = sizes(entry.person(), model)
        lengths = {
            f"{name}_cm": round(100.0 * getattr(size, name), 1)
            for name in (
                "stature",
                "biacromial_breadth",
                "chest_depth",
                "humerus_length",
                "forearm_length",
                "grip_length",
            )
        }
        rows.append(
            {"person": entry.name, "sex": entry.sex, "body_mass_kg": entry.body_mass_kg}
            | lengths
            | {
                "training_factor": entry.training_factor,
                "estimated": ", ".join(size.estimated).replace("_", " "),
                "strength_tests": ", ".join(t.direction for t in entry.strength),
            }
        )
    return rows


def setting_rows(parts: Mapping[str, Any]) -> list[dict[str, str]]:
    """Every setting of the parts of a study file, as names and values."""
    rows = []
    for part, model in parts.items():
        for name, value in model.model_dump(mode="json", exclude_none=True).items():
            if name not in {"name", "markers"} and value not in ("", [], {}):
                rows.append({"part": part, "setting": name, "value": _shown(value)})
    return rows


def _shown(value: Any) -> str:
    if isinstance(value, dict):
        return "; ".join(f"{k}: {_shown(v)}" for k, v in value.items())
    if isinstance(value, list) and all(isinstance(v, list) for v in value):
        # A course: the height as a fraction, and the value there.
        return "; ".join(f"{_shown(at)} at {100 * height:g} % of the lift" for height, at in value)
    if isinstance(value, list):
        return ", ".join(_shown(v) for v in value)
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:g}" if isinstance(value, float) else str(value)


def muscles_text(model: Model, settings: SettingsEntry, *, lifts: bool = True) -> str:
    """State in sentences how capacity was computed and moments were shared.

    Without ``lifts`` moments came from a table: no limit of the glenoid and no force along the bar
    entered.
    """
    size: str | None = settings.criterion().by_size
    exponent = "∞" if settings.exponent == float("inf") else f"{settings.exponent:g}"
    treated = f"{joined(settings.lateral)} in turn" if settings.lateral[1:] else settings.lateral[0]
    held = "within" if settings.glenoid_constraint and lifts else "without"
    bar = f", with the force along the bar {treated}" if lifts else ""
    if size == "area":
        size = "greatest isometric force"
    return (
        f"The limb '{model.name}' (version {model.version}, digest {model.digest}) was scaled to "
        f"each person. The capacity of the {len(model.head_names)} heads at the length and speed "
        f"of each frame follows the {curve_set(settings.curves).title} with "
        f"{'an elastic' if settings.elastic_tendon else 'a rigid'} tendon and "
        f"{'with' if settings.passive_force else 'without'} passive force. The moments were shared "
        f"by minimising the sum of activation to the power {exponent}"
        f"{f' weighted by {size}' if size else ''}, {held} the stability limit of the "
        f"glenoid{bar}. Activation is active force over "
        "capacity in the posture and at the speed of the task."
    )

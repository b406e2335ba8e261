"""One table of every comparison with the outside."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from momentshare.cautions import CAUTIONS
from momentshare.limb import Limb, build_limb
from momentshare.validation.claims import claim_rows
from momentshare.validation.evaluate import average_person, evaluate
from momentshare.validation.targets import Target, load_targets

if TYPE_CHECKING:
    from momentshare.model import Model

__all__ = ["VALIDATION_COLUMNS", "validation_record", "validation_table"]

VALIDATION_COLUMNS = (
    "id",
    "quantity",
    "posture",
    "published",
    "low",
    "high",
    "unit",
    "model",
    "in_band",
    "known",
    "use",
    "source",
    "band_reason",
)

_RECORD_VERSION = 1


def validation_table(model: Model) -> pd.DataFrame:
    """Every target and claim with the model's value; misses first.

    Returns
    -------
    DataFrame
        Columns :data:`VALIDATION_COLUMNS`.
    """
    made: dict[tuple[str, str], Limb] = {}

    def limb_of(sex: str, scapula: str) -> Limb:
        if (sex, scapula) not in made:
            made[sex, scapula] = build_limb(average_person(model, sex), model, scapula=scapula)
        return made[sex, scapula]

    targets = load_targets(model)
    rows = [
        {
            "id": t.id,
            "quantity": _quantity(t),
            "posture": _posture(t),
            "published": t.published,
            "low": t.low,
            "high": t.high,
            "unit": t.unit,
            "model": float(value),
            "in_band": bool(t.low <= value <= t.high),
            "known": t.known,
            "use": t.use,
            "source": t.source,
            "band_reason": t.note,
        }
        for t, value in zip(targets, evaluate(targets, limb_of), strict=True)
    ]
    rows += claim_rows(model, limb_of)
    table = pd.DataFrame(rows, columns=list(VALIDATION_COLUMNS))
    return table.sort_values("in_band", kind="stable", ignore_index=True)


def validation_record(model: Model, table: pd.DataFrame) -> dict[str, Any]:
    """Return the table as plain data with a version field; an open band end is null."""
    judged = table[table["use"] == "validation"]
    return {
        "record_version": _RECORD_VERSION,
        "model": model.name,
        "model_version": model.version,
        "model_digest": model.digest,
        "validation_rows": len(judged),
        "validation_in_band": int(judged["in_band"].sum()),
        "cautions": list(CAUTIONS),
        "rows": [
            {k: None if v in (np.inf, -np.inf) else v for k, v in row.items()}
            for row in table.to_dict(orient="records")
        ],
    }


def _quantity(t: Target) -> str:
    words = t.quantity.replace("_", " ")
    subject = t.subject.replace("+", ", ")
    direction = t.direction.replace("_", " ")
    if t.quantity in {"strength", "posture_ratio"}:
        return f"{words}: {subject.replace('_', ' ')}"
    return f"{words} {direction}: {subject}".replace("  ", " ")


def _posture(t: Target) -> str:
    if t.quantity == "posture_ratio":
        return f"shoulder flexion {t.direction} deg, elbow {t.elbow_flexion_deg:g}"
    return (
        f"{t.sex}, plane {t.plane_deg:g}, elevation {t.elevation_deg:g}, "
        f"elbow {t.elbow_flexion_deg:g} deg"
    )

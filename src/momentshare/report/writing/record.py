"""``run.json``: everything needed to reproduce the results."""

from __future__ import annotations

import platform
from collections import Counter
from importlib import metadata
from typing import TYPE_CHECKING, Any

from momentshare.cautions import CAUTIONS, LIMITS
from momentshare.report.writing.citations import citations, run_keys
from momentshare.sharing import Status

if TYPE_CHECKING:
    from momentshare.study import StudyResult

__all__ = ["RECORD_VERSION", "run_record", "versions"]

RECORD_VERSION = 1

_LIBRARIES = ("numpy", "scipy", "pandas", "numba", "matplotlib", "pydantic", "statsmodels")


def versions() -> dict[str, str]:
    """Versions of this library, Python and the libraries that the numbers depend on."""
    found = {"momentshare": metadata.version("momentshare"), "python": platform.python_version()}
    for name in _LIBRARIES:
        try:
            found[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            found[name] = "not installed"
    return found


def _finite(values: dict[str, Any]) -> dict[str, Any]:
    """Spell infinite settings out, since JSON has no number for them."""
    return {k: "inf" if v == float("inf") else v for k, v in values.items()}


def run_record(study: StudyResult, files: list[str]) -> dict[str, Any]:
    """Build the record of a run as plain data, ready for JSON.

    Holds no time or place, so that the same study gives the same record.
    """
    model, file = study.model, study.study.file
    cited = citations(model, run_keys(model, file.settings.curves))
    statuses = Counter(
        status
        for case, result in study.pairs()
        for status in result.sharing.status[case.prepared.lift.reachable].tolist()
    )
    counts = {status.name.lower(): statuses[status] for status in Status if statuses[status]}
    people = [
        {
            "name": limb.skeleton.person.name,
            "sex": limb.skeleton.person.sex,
            "training_factor": limb.skeleton.person.training_factor,
            "sizes_si": {k: round(v, 6) for k, v in limb.skeleton.sizes.to_dict().items()},
            "estimated": list(limb.skeleton.sizes.estimated),
            "strength_factors_from_tests": {
                k: round(v, 4) for k, v in limb.strength_changes[0].items()
            },
        }
        for limb in study.limbs
    ]
    return {
        "record_version": RECORD_VERSION,
        "title": file.title,
        "note": file.note,
        "study_digest": study.study.digest,
        "versions": versions(),
        "model": {
            "name": model.name,
            "version": model.version,
            "digest": model.digest,
            "description": model.description,
            "scapula": study.limbs[0].skeleton.scapula_policy if study.limbs else "",
        },
        "settings": _finite(file.settings.model_dump(mode="json")),
        "balanced_rows": list(file.settings.criterion().rows),
        "people": people,
        "conditions": [c.model_dump(mode="json", exclude_none=True) for c in file.condition],
        "frame_status": counts,
        "refusals": [
            {"person": r.person, "condition": r.condition, "reason": r.reason}
            for r in study.refusals
        ],
        "limits_broken": [
            {"person": c.person, "condition": c.condition, "limit": b.text()}
            for c in study.cases
            for b in c.prepared.lift.breaches
        ],
        **cited.to_dict(),
        "files": sorted(files),
        "limits": [*LIMITS, *model.limits.titles],
        "cautions": list(CAUTIONS),
    }

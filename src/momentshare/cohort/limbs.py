"""Limbs of the people of a cohort: sizes, strength tests, and the demands of best lifts."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from momentshare.study.run import limb_plan

if TYPE_CHECKING:
    from collections.abc import Sequence

    from momentshare.cohort.schema import CohortStudy
    from momentshare.model import Model
    from momentshare.runs import LimbPlan

__all__ = ["cohort_limbs"]


def cohort_limbs(study: CohortStudy, people: Sequence[str], model: Model) -> LimbPlan:
    """How the limbs of people of a cohort are built, by name."""
    plan = limb_plan([study.person(name) for name in people], study.file.settings, model)
    if not study.raised:
        return plan
    return replace(plan, raised=tuple(study.raised.get(name, {}) for name in people))

"""Outcomes that papers report: one value per repetition, phase, arm and item, each defined once."""

from momentshare.cohort.outcomes.definitions import (
    OUTCOMES,
    Outcome,
    definition_table,
)

__all__ = ["OUTCOMES", "Outcome", "definition_table"]

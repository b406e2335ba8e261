"""Many lifts at once: blocks of frames, cases, variations."""

from momentshare.runs.band import Band, solve_band
from momentshare.runs.block import Answer, Block, make_blocks
from momentshare.runs.cases import (
    Case,
    CaseSet,
    LimbPlan,
    Refusal,
    Setup,
    Task,
    built_limbs,
    shelf_in,
    solve_setup,
)
from momentshare.runs.variation import Variation, solve_variations

__all__ = [
    "Answer",
    "Band",
    "Block",
    "Case",
    "CaseSet",
    "LimbPlan",
    "Refusal",
    "Setup",
    "Task",
    "Variation",
    "built_limbs",
    "make_blocks",
    "shelf_in",
    "solve_band",
    "solve_setup",
    "solve_variations",
]

"""Many lifts at once: blocks of frames, cases, variations."""

from momentshare.runs.band import Band, begin_band, solve_band
from momentshare.runs.block import Answer, Block, make_blocks
from momentshare.runs.cases import (
    Case,
    CaseSet,
    LimbPlan,
    Refusal,
    Setup,
    Task,
    built_limbs,
    prepare_setup,
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
    "begin_band",
    "built_limbs",
    "make_blocks",
    "prepare_setup",
    "shelf_in",
    "solve_band",
    "solve_setup",
    "solve_variations",
]

"""Many lifts at once: blocks of frames, cases, variations."""

from momentshare.runs.band import Band, band_of
from momentshare.runs.block import Answer, Block, blocks_of
from momentshare.runs.cases import Case, CaseSet, LimbPlan, Refusal, Setup, Task, solve_setup
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
    "band_of",
    "blocks_of",
    "solve_setup",
    "solve_variations",
]

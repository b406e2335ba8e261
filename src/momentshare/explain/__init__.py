"""Explain a head, or why it works more here than there: drive, what if, differences."""

from momentshare.explain.counterfactual import Counterfactuals, counterfactuals
from momentshare.explain.difference import Difference, explain_difference
from momentshare.explain.drive import DriveSplit, drive_split, drive_table, explain_along
from momentshare.explain.frame_pairs import EqualMoments, equal_moments
from momentshare.explain.group_changes import WhatIf, what_if
from momentshare.explain.head import CapacityFactors, HeadExplanation, MomentPart, explain_head
from momentshare.explain.heads_apart import HeadsApart, explain_heads_apart
from momentshare.explain.leaning import Leaning, leanings, limit_texts
from momentshare.explain.limiting import LimitingStrength, limiting_strength
from momentshare.explain.paragraphs import explanation_text
from momentshare.explain.problem import (
    FrameProblem,
    frame_at,
    frame_problem,
    hardest_frames,
    weakest_frame,
)
from momentshare.explain.short import short_sentences, short_text
from momentshare.explain.worked import WorkedCase, WorkedExample, case_from_frame, work

__all__ = [
    "CapacityFactors",
    "Counterfactuals",
    "Difference",
    "DriveSplit",
    "EqualMoments",
    "FrameProblem",
    "HeadExplanation",
    "HeadsApart",
    "Leaning",
    "LimitingStrength",
    "MomentPart",
    "WhatIf",
    "WorkedCase",
    "WorkedExample",
    "case_from_frame",
    "counterfactuals",
    "drive_split",
    "drive_table",
    "equal_moments",
    "explain_along",
    "explain_difference",
    "explain_head",
    "explain_heads_apart",
    "explanation_text",
    "frame_at",
    "frame_problem",
    "hardest_frames",
    "leanings",
    "limit_texts",
    "limiting_strength",
    "short_sentences",
    "short_text",
    "weakest_frame",
    "what_if",
    "work",
]

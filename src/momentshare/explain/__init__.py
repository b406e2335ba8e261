"""Explain a head: capacity, drive by joint, and what changes when one thing is changed."""

from momentshare.explain.counterfactual import Counterfactuals, counterfactuals
from momentshare.explain.drive import (
    CapacityFactors,
    DriveSplit,
    FrameProblem,
    HeadExplanation,
    MomentPart,
    drive_split,
    drive_table,
    explain_along,
    explain_head,
    frame_at,
    frame_problem,
    weakest_frame,
)
from momentshare.explain.leaning import Leaning, leanings, limit_texts
from momentshare.explain.words import explanation_text
from momentshare.explain.worked import WorkedCase, WorkedExample, case_from_frame, work

__all__ = [
    "CapacityFactors",
    "Counterfactuals",
    "DriveSplit",
    "FrameProblem",
    "HeadExplanation",
    "Leaning",
    "MomentPart",
    "WorkedCase",
    "WorkedExample",
    "case_from_frame",
    "counterfactuals",
    "drive_split",
    "drive_table",
    "explain_along",
    "explain_head",
    "explanation_text",
    "frame_at",
    "frame_problem",
    "leanings",
    "limit_texts",
    "weakest_frame",
    "work",
]

"""Explain a head: capacity, drive by joint, and what changes when one thing is changed."""

from momentshare.explain.counterfactual import Counterfactuals, counterfactuals
from momentshare.explain.drive import DriveSplit, drive_split, drive_table, explain_along
from momentshare.explain.head import CapacityFactors, HeadExplanation, MomentPart, explain_head
from momentshare.explain.leaning import Leaning, leanings, limit_texts
from momentshare.explain.paragraphs import explanation_text
from momentshare.explain.problem import FrameProblem, frame_at, frame_problem, weakest_frame
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

"""How sure: draws of everything that has a spread, solved, summarised and ranked."""

from momentshare.uncertainty.draws import Draws
from momentshare.uncertainty.layout import FAMILIES, Layout, build_layout
from momentshare.uncertainty.plan import UncertaintyPlan
from momentshare.uncertainty.run import run_uncertainty
from momentshare.uncertainty.summary import Summary

__all__ = [
    "FAMILIES",
    "Draws",
    "Layout",
    "Summary",
    "UncertaintyPlan",
    "build_layout",
    "run_uncertainty",
]

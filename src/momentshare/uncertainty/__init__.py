"""How sure: draws of everything that has a spread, solved, summarised and ranked.

What sums up loads on first use, since a process that solves draws needs none of its libraries.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

from momentshare.uncertainty.draws import Draws
from momentshare.uncertainty.layout import FAMILIES, Layout, build_layout
from momentshare.uncertainty.plan import UncertaintyPlan

if TYPE_CHECKING:
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

_HOME = {"Summary": "summary", "run_uncertainty": "run"}


def __getattr__(name: str) -> Any:
    if name in _HOME:
        return getattr(import_module(f"momentshare.uncertainty.{_HOME[name]}"), name)
    raise AttributeError(f"module 'momentshare.uncertainty' has no attribute {name!r}")

"""Limbs of one's own: bodies, joints, rows and heads from a folder, solved in one call."""

from momentshare.linkage.dynamics import EndLoad
from momentshare.linkage.load import available_linkages, load_linkage
from momentshare.linkage.result import LinkageResult
from momentshare.linkage.schema import Linkage, LinkageHead
from momentshare.linkage.solve import linkage_moment_arms, solve_linkage

__all__ = [
    "EndLoad",
    "Linkage",
    "LinkageHead",
    "LinkageResult",
    "available_linkages",
    "linkage_moment_arms",
    "load_linkage",
    "solve_linkage",
]

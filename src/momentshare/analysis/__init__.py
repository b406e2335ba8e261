"""One lift, or many in a row: prepared once, solved under any treatment."""

from momentshare.analysis.solve import (
    BALANCED,
    Criterion,
    HandChoice,
    Lateral,
    LiftResult,
    Prepared,
    assemble,
    prepare,
    require_bar,
    solve_lift,
)
from momentshare.analysis.speeds import lengthening_speed

__all__ = [
    "BALANCED",
    "Criterion",
    "HandChoice",
    "Lateral",
    "LiftResult",
    "Prepared",
    "assemble",
    "lengthening_speed",
    "prepare",
    "require_bar",
    "solve_lift",
]

"""Force curves of muscle and tendon, and what a head can produce at a length and velocity."""

from momentshare.muscle.capacity import (
    LARGEST_PENNATION,
    SHORTEST_FIBRE,
    HeadState,
    head_state,
)
from momentshare.muscle.curves import (
    CURVE_SETS,
    CurveSet,
    DeGrooteCurves,
    ThelenCurves,
    curve_set,
)

__all__ = [
    "CURVE_SETS",
    "LARGEST_PENNATION",
    "SHORTEST_FIBRE",
    "CurveSet",
    "DeGrooteCurves",
    "HeadState",
    "ThelenCurves",
    "curve_set",
    "head_state",
]

"""Tables, figures and records of a run; reads results and computes nothing new.

``draw_arm``, ``draw_arms`` and ``draw_arm_strip`` load on first use.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from momentshare.report.figures.arm.drawing import draw_arm, draw_arm_strip, draw_arms

__all__ = ["draw_arm", "draw_arm_strip", "draw_arms"]


def __getattr__(name: str) -> Any:
    if name in __all__:
        from momentshare.report.figures.arm import drawing as arm_drawing

        return getattr(arm_drawing, name)
    raise AttributeError(f"module 'momentshare.report' has no attribute {name!r}")

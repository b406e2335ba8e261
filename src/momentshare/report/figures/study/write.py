"""Every figure of a study that has something to show."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from momentshare.report.figures.study.conditions import condition_dots
from momentshare.report.figures.study.heads import (
    activation_along_lift,
    activation_by_head,
    fibre_length,
    lateral_range,
)
from momentshare.report.figures.study.joints import (
    gravity_arms,
    greatest_load,
    lateral_force,
    moments_along_lift,
)
from momentshare.report.figures.study.order import ordering
from momentshare.report.figures.study.results import solved_study

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy as np
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from momentshare.study.run import StudyResult

    Floats = NDArray[np.float64]

__all__ = ["FIGURES", "nothing_to_show", "study_drawings"]

FIGURES: dict[str, Callable[[StudyResult], Figure]] = {
    "condition_dots": condition_dots,
    "activation_by_head": activation_by_head,
    "activation_along_lift": activation_along_lift,
    "moments_along_lift": moments_along_lift,
    "gravity_arms": gravity_arms,
    "lateral_force": lateral_force,
    "greatest_load": greatest_load,
    "lateral_range": lateral_range,
    "fibre_length": fibre_length,
    "ordering": ordering,
}


def nothing_to_show(study: StudyResult) -> set[str]:
    """Names of figures that would show nothing."""
    solved = solved_study(study)
    out = set()
    if len(solved.conditions) < 2:
        out |= {"ordering", "condition_dots"}
    if not solved.bars:
        out.add("lateral_force")
    if len(solved.modes) < 2 and study.band is None:
        out.add("lateral_range")
    return out


def study_drawings(
    study: StudyResult, folder: str = ""
) -> tuple[dict[str, Callable[[], Figure]], list[str]]:
    """Every figure that has something to show, by name, and the texts that they show."""
    from momentshare.report.figures.arm.selection import arm_drawings

    skipped = nothing_to_show(study)
    wanted: dict[str, Callable[[], Figure]] = {
        name: partial(make, study) for name, make in FIGURES.items() if name not in skipped
    }
    wanted |= arm_drawings(study)
    drawings = {f"{folder}{name}": make for name, make in wanted.items()}
    return drawings, [c.name for c in study.study.file.condition]

"""Every figure of a study that has something to show."""

from __future__ import annotations

from dataclasses import replace
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
from momentshare.study.factors import MOST_CROSSED

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy as np
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from momentshare.study.run import StudyResult

    Floats = NDArray[np.float64]

__all__ = [
    "FIGURES",
    "MOST_DRAWN",
    "drawn_note",
    "nothing_to_show",
    "study_drawings",
]

MOST_DRAWN = MOST_CROSSED
"""Conditions that figures show, since width and memory grow with each (120: 175,570 pixels)."""

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


def drawn_note(study: StudyResult) -> str:
    """Note for the foot of every figure: that of the study, and which conditions are left out."""
    count, note = len(study.study.file.condition), study.study.file.note
    if count <= MOST_DRAWN:
        return note
    return f"{note} The first {MOST_DRAWN} of {count:,} conditions.".strip()


def _drawn(study: StudyResult) -> StudyResult:
    """Part of a study that figures show."""
    names = [c.name for c in study.study.file.condition]
    if len(names) <= MOST_DRAWN:
        return study
    shown = set(names[:MOST_DRAWN])
    return replace(
        study,
        study=study.study.only(conditions=names[:MOST_DRAWN]),
        cases=tuple(case for case in study.cases if case.condition in shown),
        refusals=tuple(refusal for refusal in study.refusals if refusal.condition in shown),
    )


def study_drawings(
    study: StudyResult, folder: str = "", *, panels: bool = True, arms: bool = True
) -> tuple[dict[str, Callable[[], Figure]], list[str]]:
    """Every figure that has something to show, by name, and the texts that they show.

    Of more than :data:`MOST_DRAWN` conditions the first are shown.

    Parameters
    ----------
    study : StudyResult
    folder : str
        Put before names.
    panels : bool
        Figures of numbers.
    arms : bool
        Drawings of the arm, which show nothing of the band of the posture rule.
    """
    study = _drawn(study)
    wanted: dict[str, Callable[[], Figure]] = {}
    if panels:
        skipped = nothing_to_show(study)
        wanted |= {
            name: partial(make, study) for name, make in FIGURES.items() if name not in skipped
        }
    if arms:
        from momentshare.report.figures.arm.selection import arm_drawings

        wanted |= arm_drawings(study)
    drawings = {f"{folder}{name}": make for name, make in wanted.items()}
    return drawings, [c.name for c in study.study.file.condition]

"""Figures of a study; one function per figure returns a matplotlib ``Figure``.

Lines are means over people, thin bands the range over people. Sizes are laid out in inches
from measured text widths, so that nothing overlaps however long the names are.
"""

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
from momentshare.report.figures.study.write import drawn_note, study_drawings

__all__ = [
    "activation_along_lift",
    "activation_by_head",
    "condition_dots",
    "drawn_note",
    "fibre_length",
    "gravity_arms",
    "greatest_load",
    "lateral_force",
    "lateral_range",
    "moments_along_lift",
    "ordering",
    "study_drawings",
]

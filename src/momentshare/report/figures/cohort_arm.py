"""The arm of a cohort: the person who is nearest to the means, drawn in two conditions."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from momentshare.cohort.typical import solved_repetition
from momentshare.errors import MomentshareError
from momentshare.limits import lift_kinds
from momentshare.report.figures.arm.drawing import draw_arms
from momentshare.report.figures.arm.selection import ends_apart, shift_title
from momentshare.report.figures.footer import without_emg

if TYPE_CHECKING:
    from collections.abc import Callable

    import pandas as pd
    from matplotlib.figure import Figure

    from momentshare.cohort.run import CohortResult
    from momentshare.cohort.summary import CohortSummary

__all__ = ["arm_caption", "cohort_arm", "drawn_lifts"]


def drawn_lifts(typical: pd.DataFrame, summary: CohortSummary) -> pd.DataFrame:
    """Rows of the conditions that are drawn: first and last, or ends of the first factor.

    Parameters
    ----------
    typical : DataFrame
        From :func:`momentshare.cohort.typical.typical_lifts`.
    summary : CohortSummary
    """
    known = list(typical["condition"])
    names = ends_apart(summary.factors, known) or dict.fromkeys([*known[:1], *known[-1:]])
    return typical.set_index("condition").loc[list(names)].reset_index()


def cohort_arm(
    result: CohortResult, summary: CohortSummary, typical: pd.DataFrame
) -> Callable[[], Figure] | str:
    """Return what draws the arm, or why it cannot be drawn.

    Parameters
    ----------
    result : CohortResult
    summary : CohortSummary
    typical : DataFrame
        From :func:`momentshare.cohort.typical.typical_lifts`.
    """
    if typical.empty:
        return "no repetition has heads that count"
    pair = {}
    try:
        for row in drawn_lifts(typical, summary).to_dict("records"):
            pair[str(row["condition"])] = solved_repetition(
                result.study, int(row["trial"]), int(row["repetition"]), summary.mode
            )
    except (MomentshareError, OSError) as err:
        return result.study.pseudonyms.told(str(err))
    return partial(
        draw_arms,
        pair,
        title=shift_title(pair),
        note=without_emg(result.study.file.note),
        kinds=lift_kinds(result.study.file.condition),
    )


def arm_caption(typical: pd.DataFrame, summary: CohortSummary) -> str:
    """Say whose repetitions are drawn, and how they were chosen."""
    drawn = drawn_lifts(typical, summary)
    warned = (
        " A check of this person's measurements warns (see Trials and checks)."
        if drawn["warned"].any()
        else ""
    )
    told = "; ".join(
        f"{row['condition']}: {row['person']}, trial {row['trial']}, repetition "
        f"{row['repetition']} ({row['distance_nm']:.1f} N·m from the mean)"
        for row in drawn.to_dict("records")
    )
    return (
        "The arm of the person whose net moments are nearest to the mean curves of the conditions "
        "(root mean square; people without a warning come first), "
        f"at the height where their net moments are greatest together, lateral force "
        f"{summary.mode}. {told}.{warned} It is one person, whose heads "
        "need not be in the order of the means. Left "
        "arms are mirrored. All conditions: typical_lifts.csv."
    )

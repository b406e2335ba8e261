"""What the posture rule changes, in a sentence or two."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from momentshare import reading
from momentshare.report.text.opening import counted
from momentshare.report.text.study_opening import POSTURE, verdict_table
from momentshare.report.text.verdicts import LEVEL_PAIR, LIMITED
from momentshare.text import head_phrase

if TYPE_CHECKING:
    import pandas as pd

    from momentshare.study import StudyResult

__all__ = ["band_note", "band_sentences"]

_WORKING = 0.05
"""Lift-mean activation from which a head counts as active."""


def band_note(study: StudyResult) -> str:
    """Name what was varied, for the note of a figure; empty without a band."""
    if study.band is None or not study.band.rules:
        return ""
    known = [rules for rules in dict.fromkeys(study.band.rules.values()) if rules]
    return "; ".join(", ".join(rules) for rules in known)


def band_sentences(study: StudyResult) -> list[str]:
    """State how far results vary over the band of the posture rule and the hand couples."""
    if study.band is None:
        return []
    table = reading.head_table(study)
    table = table[table["mean_activation_mean"] >= _WORKING]
    found = []
    width = _width(table, "posture")
    if width is not None:
        middle, most, row = width
        found.append(
            f"Within the band of the posture rule ({band_note(study)}) the lift-mean activation "
            f"of a working head spans {middle:.0f} points in the median and {most:.0f} at "
            f"most ({head_phrase(str(row['head']))}, '{row['condition']}', lateral force "
            f"{row['lateral']}: {100 * row['mean_activation_posture_low']:.0f} to "
            f"{100 * row['mean_activation_posture_high']:.0f} %).{_turns(study)}"
        )
    width = _width(table, "couples")
    if width is not None:
        middle, most, row = width
        found.append(
            f"Free couples of the hands move lift-mean activation by {middle:.0f} points in the "
            f"median and {most:.0f} at most ({head_phrase(str(row['head']))}, "
            f"'{row['condition']}', lateral force {row['lateral']})."
        )
    return found


def _width(table: pd.DataFrame, kind: str) -> tuple[float, float, pd.Series] | None:
    """Median and greatest width of a band [points], and the row of the latter."""
    low, high = (f"mean_activation_{kind}_{end}" for end in ("low", "high"))
    width = 100.0 * (table[high] - table[low])
    if not width.notna().any():
        return None
    return float(width.median()), float(width.max()), table.iloc[int(np.nanargmax(width))]


def _turns(study: StudyResult) -> str:
    """Count the orders between conditions that are reversed within the band, as verdicts do."""
    table = verdict_table(study)
    table = table[table["verdict"] != LEVEL_PAIR]
    if table.empty or reading.ordering_table(study)["turns_with_posture"].isna().all():
        return ""
    turned = table[table["turns_with"].str.contains(POSTURE)]
    within = int((turned["verdict"] != LIMITED).sum())
    among = f"{within:,}" if within else "none"
    return (
        f" Moved equally in both conditions, it reverses {len(turned):,} of "
        f"{counted(len(table), 'order')} of two conditions within a head, {among} of them among "
        "those that the limb supports."
    )

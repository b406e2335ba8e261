"""Titles that state a result where one is firm; from the verdicts that the text is made from."""

from __future__ import annotations

from typing import TYPE_CHECKING

from momentshare.report.text.opening import counted, foremost, points
from momentshare.report.text.verdicts import FIRM_ORDER, TURNING
from momentshare.text import head_phrase

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

__all__ = ["firm_count_title", "firm_title", "turning_title"]

_LATERAL = "lateral force"


def firm_title(verdicts: pd.DataFrame, named: Sequence[str] = ()) -> str:
    """State the firm order that leads the text; empty where nothing is firm.

    Parameters
    ----------
    verdicts : DataFrame
        ``head``, ``condition``, ``other``, ``difference``, ``activation``, ``active_volume_cm3``
        and ``verdict``.
    named : sequence of str
        Heads that the study names beforehand.
    """
    firm = verdicts[verdicts["verdict"] == FIRM_ORDER]
    if firm.empty:
        return ""
    row, _ = foremost(firm, named)
    return (
        f"Firm: {head_phrase(str(row['head']))} works more in '{row['condition']}' than in "
        f"'{row['other']}', by "
        f"{points(row['difference'])}"
    )


def firm_count_title(verdicts: pd.DataFrame) -> str:
    """State how many orders are firm; empty where none is."""
    count = int((verdicts["verdict"] == FIRM_ORDER).sum())
    if not count:
        return ""
    return f"{count:,} of {counted(len(verdicts), 'order')} of two conditions are firm"


def turning_title(verdicts: pd.DataFrame) -> str:
    """State how many orders turn with the lateral force; empty where none does."""
    turning = verdicts[verdicts["verdict"] == TURNING]
    count = int(turning["turns_with"].str.contains(_LATERAL).sum()) if len(turning) else 0
    if not count:
        return ""
    return (
        f"{count:,} of {counted(len(verdicts), 'order')} of two conditions "
        f"{'turns' if count == 1 else 'turn'} with the lateral force"
    )

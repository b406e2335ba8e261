"""Columns that tables of lifts share, and how tables are put together."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from momentshare.analysis.tables import place_columns
from momentshare.analysis.tables import status_words as frame_status

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from momentshare.analysis import LiftResult
    from momentshare.runs import Case, CaseSet


__all__ = ["case_key", "case_keys", "frame_status", "height_columns", "result_table", "stacked"]


def case_keys(case: Case, result: LiftResult) -> dict[str, str]:
    """Columns that identify the result to which a row belongs."""
    return {
        "person": case.person,
        "condition": case.condition,
        "lateral": result.lateral.mode,
    }


def case_key(case: Case, result: LiftResult) -> tuple[str, str, str]:
    """Person, condition and lateral mode of a result."""
    return case.person, case.condition, result.lateral.mode


def height_columns(case: Case) -> dict[str, Any]:
    """Columns for the place of a row along the lift, one row per frame."""
    return place_columns(case.prepared.lift)


def stacked(parts: Sequence[Mapping[str, Any]]) -> pd.DataFrame:
    """Put the columns of parts one below the other; an empty table if there are none.

    A column is an array, or one value for all rows of its part; NaN where a part has none.
    """
    rows = [max(len(v) for v in part.values() if not np.isscalar(v)) for part in parts]
    names = dict.fromkeys(name for part in parts for name in part)
    return pd.DataFrame(
        {name: _column([part.get(name, np.nan) for part in parts], rows) for name in names}
    )


def _column(values: Sequence[Any], rows: Sequence[int]) -> np.ndarray | pd.Series:
    """One below the other; a single value is repeated over the rows of its part."""
    if all(np.isscalar(value) for value in values):
        return pd.Series(values).repeat(list(rows)).reset_index(drop=True)
    return np.concatenate(
        [np.full(n, v) if np.isscalar(v) else v for v, n in zip(values, rows, strict=True)]
    )


def result_table(
    study: CaseSet, columns: Callable[[Case, LiftResult], Mapping[str, Any]]
) -> pd.DataFrame:
    """Table of some columns of every result, with its keys in front."""
    return stacked(
        [{**case_keys(case, result), **columns(case, result)} for case, result in study.pairs()]
    )

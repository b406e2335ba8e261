"""Spread between people beside the spread of the model, from the same draws.

A cohort's interval tells how people differ and nothing of errors that all of them share; that of
the draws tells what these errors may be and nothing of how people differ. Neither contains the
other, so both stand beside one mean.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

__all__ = ["COLUMNS", "CONFIDENCE", "MIN_PEOPLE", "beside_people", "both_clear", "people_rows"]

CONFIDENCE = 0.95
"""Level of the intervals where the study states none; convention."""

MIN_PEOPLE = 3
"""People from which an interval over them is given, as for a test."""

COLUMNS = ("mean", "people_low", "people_high", "model_low", "model_high", "n_people", "draws")


def beside_people(values: NDArray[np.float64], confidence: float) -> tuple[float, ...]:
    """Mean, its interval over people and that over draws.

    Parameters
    ----------
    values : float array, shape (draws, people)
        Draws in which a person has no value are left out.
    confidence : float
        Level of both intervals.

    Returns
    -------
    tuple of float
        In the order of :data:`COLUMNS`. Over people it is Student's interval of each person's mean
        over the draws; over draws it is between quantiles of the mean over people.

    Examples
    --------
    >>> import numpy as np
    >>> found = beside_people(np.array([[1.0, 2.0, 3.0], [2.0, 3.0, 4.0]]), 0.95)
    >>> [round(value, 1) for value in found]
    [2.5, 0.0, 5.0, 2.0, 3.0, 3, 2]
    """
    from scipy.stats import t

    whole = values[~np.isnan(values).any(axis=1)]
    draws, people = whole.shape
    if not draws:
        return (*([float("nan")] * 5), people, 0)
    own, mean = whole.mean(axis=0), whole.mean(axis=1)
    half = t.ppf(0.5 * (1.0 + confidence), people - 1) * own.std(ddof=1) / np.sqrt(people)
    ends = np.quantile(mean, [0.5 * (1.0 - confidence), 0.5 * (1.0 + confidence)])
    middle = float(own.mean())
    return (
        middle, middle - float(half), middle + float(half), float(ends[0]), float(ends[1]),
        people, draws,
    )  # fmt: skip


def people_rows(
    values: Iterable[tuple[str, NDArray[np.float64]]],
    cells: Sequence[tuple[str, str, str]],
    pairs: Sequence[tuple[str, int, int]],
    confidence: float,
) -> pd.DataFrame:
    """Means of conditions and differences between them, each with both intervals.

    Parameters
    ----------
    values : iterable of (str, float array of shape (draws, people, cells))
        Head, and its lift-mean activation.
    cells : sequence of (condition, lateral, criterion)
    pairs : sequence of (lateral, cell, cell)
        Cells that are compared.
    confidence : float

    Returns
    -------
    DataFrame
        ``head``, ``condition``, ``other`` (nothing for the mean of one condition), ``lateral``,
        ``criterion`` and :data:`COLUMNS`.
    """
    rows: list[tuple[object, ...]] = []
    for head, value in values:
        rows += [
            (head, condition, "", mode, criterion, *beside_people(value[..., k], confidence))
            for k, (condition, mode, criterion) in enumerate(cells)
        ]
        rows += [
            (
                head, cells[a][0], cells[b][0], mode, cells[a][2],
                *beside_people(value[..., a] - value[..., b], confidence),
            )
            for mode, a, b in pairs
        ]  # fmt: skip
    return pd.DataFrame(
        rows, columns=["head", "condition", "other", "lateral", "criterion", *COLUMNS]
    )


def both_clear(table: pd.DataFrame) -> pd.Series[bool]:
    """Whether both intervals of a row exclude zero."""
    return (table["people_low"] * table["people_high"] > 0.0) & (
        table["model_low"] * table["model_high"] > 0.0
    )

"""Means of people in conditions: repetitions averaged, tables checked."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.errors import InputError, UnknownNameError

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd


__all__ = [
    "by_person",
    "check_columns",
    "check_confidence",
    "subject_means",
    "table_parts",
]

_GREATEST = 1e100
"""Size of a value beyond which squares would overflow; refused (assumed)."""


def subject_means(
    table: pd.DataFrame,
    keys: Sequence[str],
    values: Sequence[str],
) -> pd.DataFrame:
    """Average repetitions within a person and condition.

    Parameters
    ----------
    table : DataFrame
        One row for each repetition and combination of keys.
    keys : sequence of str
        Further columns that distinguish values, such as ``head``.
    values : sequence of str
        Numeric columns; NaN does not count.

    Returns
    -------
    DataFrame
        person, condition, keys, means of the values, ``repetitions`` (rows with any value),
        in the order of appearance.

    Raises
    ------
    InputError
        A missing column, text or infinity in place of a number, a row without person or condition,
        each with its row.

    Examples
    --------
    >>> import pandas as pd
    >>> table = pd.DataFrame({
    ...     "person": ["Ama", "Ama", "Bo"], "condition": "wide", "activation": [0.4, 0.6, 0.3],
    ... })
    >>> subject_means(table, [], ["activation"])
      person condition  activation  repetitions
    0    Ama      wide     0.5            2
    1     Bo      wide     0.3            1
    """
    labels = ["person", "condition", *keys]
    check_columns(table, labels, values)
    frame = table[labels].copy()
    for name in values:
        frame[name] = table[name].astype(float)
    counted = "repetitions"
    if counted in frame.columns:
        raise InputError(f"table: column {counted!r} is the name of a result; rename it")
    frame[counted] = frame[list(values)].notna().any(axis=1).astype(int)
    grouped = frame.groupby(labels, sort=False, observed=True, dropna=False)
    mean = grouped[list(values)].mean()
    mean[counted] = grouped[counted].sum()
    return mean.reset_index()


def check_confidence(confidence: float) -> None:
    """Refuse anything but a number between 0 and 1."""
    if not 0.0 < confidence < 1.0:
        raise InputError(f"confidence: must be between 0 and 1; got {confidence!r}")


def check_columns(table: pd.DataFrame, labels: Sequence[str], values: Sequence[str]) -> None:
    """Refuse columns that are missing or hold the wrong kind of value."""
    from pandas.api.types import is_bool_dtype, is_numeric_dtype

    asked = [*labels, *values]
    twice = sorted({str(n) for n in asked if asked.count(n) > 1})
    if twice:
        raise InputError(f"columns: {', '.join(twice)} asked for twice; name each once")
    for name in asked:
        if name not in table.columns:
            raise UnknownNameError("column", str(name), map(str, table.columns), where="table")
    repeated = sorted({str(n) for n in table.columns[table.columns.duplicated()]} & set(asked))
    if repeated:
        raise InputError(f"table: column {repeated[0]!r} is duplicated; rename one")
    faults = []
    for name in labels[:2]:
        empty = np.flatnonzero(table[name].isna().to_numpy())
        if empty.size:
            faults.append(f"row {empty[0]}, column {name!r}: is empty; name the {name}")
    for name in values:
        column = table[name]
        if is_bool_dtype(column.dtype) or not is_numeric_dtype(column.dtype):
            faults.append(f"column {name!r}: must hold numbers; got {column.dtype}; convert it")
            continue
        numbers = column.to_numpy(dtype=float, na_value=np.nan)
        endless = np.flatnonzero(np.abs(numbers) > _GREATEST)
        if endless.size:
            faults.append(
                f"row {endless[0]}, column {name!r}: is {numbers[endless[0]]:g}; leave it out or "
                "make it NaN"
            )
    if faults:
        raise InputError("table:", faults)


def table_parts(table: pd.DataFrame, keys: list[str]) -> list[tuple[dict[str, Any], pd.DataFrame]]:
    """Parts of a table by keys, with their labels."""
    if not keys:
        return [({}, table)]
    grouped = table.groupby(keys, sort=False, observed=True, dropna=False)
    return [(dict(zip(keys, name, strict=True)), part) for name, part in grouped]


def by_person(table: pd.DataFrame, where: str = "") -> pd.DataFrame:
    """People × conditions of the column ``value``; NaN where there is none."""
    double = table.duplicated(["person", "condition"])
    if double.any():
        row = table[double].iloc[0]
        raise InputError(
            f"table: {where}{row['person']!r} has two rows in condition {row['condition']!r}; "
            "average repetitions with subject_means first, or add the columns that tell rows "
            "apart to the keys"
        )
    conditions = table["condition"]
    if hasattr(conditions, "cat"):
        present = set(conditions)
        order = [c for c in conditions.cat.categories if c in present]
    else:
        order = list(dict.fromkeys(conditions))
    plain = table[["person", "condition"]].astype(object).assign(value=table["value"].astype(float))
    wide = plain.pivot(index="person", columns="condition", values="value")  # noqa: PD010 - no mean
    return wide.reindex(index=list(dict.fromkeys(plain["person"])), columns=order)

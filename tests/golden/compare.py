"""Compare a table with the stored one; every difference becomes a sentence."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from tests.golden import renamed
from tests.golden.renamed import Duplicate
from tests.golden.tables import CLOSE

if TYPE_CHECKING:
    from collections.abc import Mapping

    from tests.golden.tables import Table

_SHOWN = 5
"""Differences of one kind and column that are spelled out; the others are counted."""


def differences(
    name: str,
    spec: Table,
    old: pd.DataFrame,
    new: pd.DataFrame,
    *,
    columns: Mapping[str, Mapping[str, str | Duplicate]] = renamed.COLUMNS,
    values: Mapping[str, Mapping[str, Mapping[str, str]]] = renamed.VALUES,
) -> list[str]:
    """Say how a new table differs from the stored one.

    Rows are matched by their keys, in any order. New columns are welcome.

    Parameters
    ----------
    name : str
        Of the table.
    spec : Table
    old : DataFrame
        As stored, that is, reduced.
    new : DataFrame
        As a run returns it.
    columns, values : mapping
        As in :mod:`tests.golden.renamed`.

    Returns
    -------
    list of str
        Empty where nothing differs.
    """
    mapped = {**columns.get("*", {}), **columns.get(name, {})}
    mapped = {o: n for o, n in mapped.items() if o in old}
    found, old = _without_duplicates(name, old, mapped)
    back = {n: o for o, n in mapped.items() if isinstance(n, str)}
    lost = [n for n, o in back.items() if n not in new]
    stale = [o for o in back.values() if o in new]
    found += [f"{name}: column {n!r} (stored as {back[n]!r}) is missing" for n in lost]
    found += [f"{name}: column {o!r} is said to be renamed, but is there" for o in stale]
    if lost or stale:
        return found
    new = _with_old_values(name, new.rename(columns=back), old, values)
    keys = list(spec.keys)
    lost = [c for c in old if c not in new]
    found += [f"{name}: column {c!r} is missing" for c in lost]
    if any(key in lost for key in keys):
        return found
    new = spec.reduced(new)
    for which, table in (("stored", old), ("new", new)):
        twice = table[table.duplicated(keys)]
        if len(twice):
            found.append(f"{name}: {which} row {_row(twice.iloc[0], keys)} stands there twice")
    if any("twice" in line for line in found):
        return found
    both = (
        old[keys]
        .assign(at_old=np.arange(len(old)))
        .merge(new[keys].assign(at_new=np.arange(len(new))), how="outer", on=keys)
        .sort_values(["at_old", "at_new"])
    )
    for side, word in (("at_new", "missing"), ("at_old", "additional")):
        alone = both[both[side].isna()]
        found += [
            f"{name}: row {_row(row, keys)} is {word}" for _, row in alone.head(_SHOWN).iterrows()
        ]
        if len(alone) > _SHOWN:
            found.append(f"{name}: {len(alone)} rows are {word} in all")
    shared = both.dropna(subset=["at_old", "at_new"])
    left = old.iloc[shared["at_old"].astype(int)].reset_index(drop=True)
    right = new.iloc[shared["at_new"].astype(int)].reset_index(drop=True)
    loose = _rows_with(None if spec.loose_rows is None else spec.loose_rows[0], spec, left)
    free = () if spec.several is None else spec.several.columns
    several = None if spec.several is None else spec.several.rows(left)
    for column in [c for c in old if c not in keys and c not in lost]:
        then, now = left, right[column]
        if several is not None and column in free:
            # Numbers that may be others set no scale either.
            there = several & left[column].notna() & now.notna()
            then, now = left.assign(**{column: left[column].mask(there)}), now.mask(there)
        found += _column(name, spec, column, then, now, loose)
    return found


def _without_duplicates(
    name: str, old: pd.DataFrame, mapped: Mapping[str, str | Duplicate]
) -> tuple[list[str], pd.DataFrame]:
    """Leave out columns that another one repeats, where it does so exactly."""
    found = []
    gone = {o: n for o, n in mapped.items() if isinstance(n, Duplicate)}
    for column, duplicate in gone.items():
        if not duplicate.reason.strip():
            found.append(f"{name}: column {column!r} is left out without a reason")
        if duplicate.of not in old or duplicate.of in gone:
            found.append(f"{name}: {duplicate.of!r}, said to repeat {column!r}, is not kept")
        elif not old[column].equals(old[duplicate.of]):
            found.append(f"{name}: column {column!r} is no duplicate of {duplicate.of!r}")
    return found, old.drop(columns=list(gone))


def _with_old_values(
    name: str,
    new: pd.DataFrame,
    old: pd.DataFrame,
    values: Mapping[str, Mapping[str, Mapping[str, str]]],
) -> pd.DataFrame:
    """Restore old values in place of renamed ones, where the stored table has them."""
    changed = {}
    for table in ("*", name):
        for column, known in values.get(table, {}).items():
            if column in new and column in old:
                there = set(old[column].astype(str))
                back = {n: o for o, n in known.items() if o in there}
                changed[column] = new[column].map(lambda v, back=back: back.get(v, v))
    return new.assign(**changed)


def _column(
    name: str, spec: Table, column: str, left: pd.DataFrame, new: pd.Series, loose: np.ndarray
) -> list[str]:
    """Say how one column differs, row by row; ``left`` holds the keys and the stored values."""
    old = left[column]
    if not pd.api.types.is_float_dtype(old) or not pd.api.types.is_numeric_dtype(new):
        same = (old == new) | (old.isna() & new.isna())
        return _sentences(name, spec, column, left, new, ~same.to_numpy(dtype=bool), "")
    a, b = old.to_numpy(dtype=float), new.to_numpy(dtype=float)
    gaps = np.isnan(a) != np.isnan(b)
    out = _sentences(name, spec, column, left, new, gaps, "")
    limit = (spec.noise or {}).get(column)
    if limit is not None:
        large = ~gaps & (np.abs(b) > limit)
        return out + _sentences(name, spec, column, left, new, large, f", must be below {limit:g}")
    limit = (spec.loose or {}).get(column, CLOSE)
    scale = _scale(spec, left, column)
    looser = limit if spec.loose_rows is None else max(limit, spec.loose_rows[1])
    for wanted, rows in ((limit, ~loose), (looser, loose)):
        allowed = wanted * scale
        with np.errstate(invalid="ignore"):
            off = rows & ~gaps & ~np.isnan(a) & (a != b) & ~(np.abs(a - b) <= allowed)
        why = f", apart by more than {wanted:g} of the column's scale"
        out += _sentences(name, spec, column, left, new, off, why)
    return out


def _rows_with(word: str | None, spec: Table, left: pd.DataFrame) -> np.ndarray:
    """Rows with a word in one of their keys; none without a word."""
    found = np.zeros(len(left), dtype=bool)
    if word is not None:
        for key in spec.keys:
            found |= left[key].astype(str).str.contains(word, regex=False).to_numpy()
    return found


def _scale(spec: Table, left: pd.DataFrame, column: str) -> np.ndarray:
    """Greatest stored size of a column, within keys that set its unit."""
    size = left[column].abs().where(np.isfinite(left[column]))
    if spec.scale_by:
        parts = [left[key] for key in spec.scale_by]
        scale = size.groupby(parts).transform("max").fillna(0.0).to_numpy(dtype=float)
    else:
        scale = np.full(len(left), np.nan_to_num(size.max()))
    return np.maximum(scale, (spec.least_scale or {}).get(column, 0.0))


def _sentences(
    name: str,
    spec: Table,
    column: str,
    left: pd.DataFrame,
    new: pd.Series,
    off: np.ndarray,
    why: str,
) -> list[str]:
    places = np.flatnonzero(off)
    out = [
        f"{name}: {_row(left.iloc[k], list(spec.keys))}: {column}: "
        f"stored {_shown(left[column].iloc[k])}, now {_shown(new.iloc[k])}{why}"
        for k in places[:_SHOWN]
    ]
    if len(places) > _SHOWN:
        out.append(f"{name}: {column}: {len(places)} of {len(off)} rows differ in all")
    return out


def _shown(value: object) -> str:
    return f"{value:.17g}" if isinstance(value, float) else repr(value)


def _row(row: pd.Series, keys: list[str]) -> str:
    return ", ".join(f"{key} {row[key]}" for key in keys)

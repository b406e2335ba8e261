"""Compare conditions over people who were measured in several of them.

One value per person and condition enters, the mean over repetitions. The model is

    outcome = condition + person + residual,

with a random intercept for each person (``statsmodels`` ``MixedLM``, restricted maximum
likelihood). The likelihood has one parameter that matters, the ratio of the variance between people
to the residual variance, and its maximum is searched along that line, because a general optimiser
stalls where either is near zero. Where the search ends at an edge, or there are too few data to
search, the person is a fixed effect instead (least squares within people: the repeated-measures
analysis of variance, and for two conditions the paired t test); the note says so. On complete data
the two give the same tests.

Tests are Wald tests over the degrees of freedom within people, N − rank(person + condition), as
F and t: with few people the usual normal and χ² limits find differences that are not there. On
complete data they equal the repeated-measures analysis of variance. A person without one of the
conditions contributes the others.

The pooled error of the model assumes that the differences between any two conditions have equal
variance (sphericity; textbooks, from memory). Where people vary more in one condition than in
another this fails, and the model's p is then too small for some contrasts and too large for others;
the paired t test of each contrast, with its own Holm adjustment, needs no such assumption.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.cohort.contrasts import (
    CONTRAST_COLUMNS,
    OMNIBUS_COLUMNS,
    contrast_row,
    holm,
    holm_within,
    omnibus_row,
)
from momentshare.cohort.fit import NONE, Data, fitted, linked
from momentshare.cohort.means import (
    by_person,
    check_columns,
    check_confidence,
    condition_rows,
    table_parts,
)
from momentshare.errors import InputError, MissingExtraError, UnknownNameError

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd


__all__ = ["Comparison", "compare_all", "compare_conditions"]

_LEVEL = 1e-9
"""Difference, in the outcome's unit or over its greatest size where that is above one, below
which two values are level: rounding of a solver, not behaviour (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Comparison:
    """Conditions compared in one outcome.

    Attributes
    ----------
    outcome : str
    conditions : tuple
        In the order of appearance, or of the categories.
    method : str
        ``"mixed model"``, ``"least squares within people"`` or ``"none"``.
    omnibus : DataFrame
        One row: ``f``, ``df_numerator``, ``df_denominator``, ``p``;
        ``epsilon_greenhouse_geisser`` and ``p_greenhouse_geisser``, on complete data only, for
        unequal variances of differences; ``sd_between_people``, ``sd_within_people``; numbers of
        people, values and conditions; method and note.
    contrasts : DataFrame
        One row for each pair. ``estimate`` is condition minus other with ``se``, ``df``,
        ``estimate_low``, ``estimate_high``, ``p``; ``p_holm`` within the family. ``p_paired_t``
        is the paired t test of the people who have both, ``p_paired_holm`` the same within the
        family, and ``difference_mean`` with ``difference_low`` to ``difference_high`` their
        mean difference and Student's interval; no test or interval with fewer than three of
        them. Prefer these in general: they assume nothing about the other conditions, and keep
        their error rate where people vary more in some conditions than in others. Prefer the
        model's ``p_holm`` where the variances of the differences are equal
        (``epsilon_greenhouse_geisser`` near 1), since it has more degrees of freedom with few
        people, or where many people miss a condition, since it also uses people who have only one
        of the two. ``difference_sd`` is of the people who have both; ``cohen_d_z`` is
        ``difference_mean`` over it, ``hedges_g_z`` the same with Hedges' correction for small
        samples, and ``cohen_d_z_low`` to ``cohen_d_z_high`` the interval of the population's value
        from the noncentral t, exact for normal differences. ``n_people`` have both;
        ``n_same_direction`` of them differ in the direction of ``estimate``, ``n_opposite`` in the
        opposite one, ``n_level`` not at all.
    descriptives : DataFrame
        See :func:`describe_conditions`.
    notes : tuple of str
        What had to be decided, in words.
    """

    outcome: str
    conditions: tuple[Any, ...]
    method: str
    omnibus: pd.DataFrame
    contrasts: pd.DataFrame
    descriptives: pd.DataFrame
    notes: tuple[str, ...]


def compare_conditions(
    means: pd.DataFrame,
    *,
    outcome: str,
    person: str = "person",
    condition: str = "condition",
    confidence: float = 0.95,
    family: Sequence[tuple[Any, Any]] | None = None,
) -> Comparison:
    """Compare the conditions in one outcome; see the module for the model.

    Parameters
    ----------
    means : DataFrame
        One row per person and condition; rows without a value are left out and counted in a note.
    outcome, person, condition : str
        Columns.
    confidence : float
        Of every interval.
    family : sequence of pairs of conditions, optional
        The contrasts that were planned: Holm's adjustment is over these, and others have no
        ``p_holm`` and no ``p_paired_holm``. All contrasts when not given. A contrast without a
        test does not count.

    Returns
    -------
    Comparison
        NaN and a note where the data are insufficient; this never raises.

    Raises
    ------
    InputError
        A missing column, values that are not numbers, two rows for one person and condition, a
        family that names no contrast.
    MissingExtraError
        ``statsmodels`` is not installed.
    """
    _need_statsmodels()
    check_confidence(confidence)
    check_columns(means, [person, condition], [outcome])
    wide = by_person(means, outcome, person, condition)
    return _compared(wide, outcome, condition, confidence, family)


def compare_all(
    means: pd.DataFrame,
    *,
    keys: Sequence[str],
    value: str,
    columns: tuple[str, str] = ("person", "condition"),
    confidence: float = 0.95,
    family: Sequence[str] | None = None,
    wide_family: Sequence[str] | None = None,
    unit: str = "",
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Compare the conditions in many outcomes at once.

    Parameters
    ----------
    means : DataFrame
        Tidy: person, condition, keys and the value.
    keys : sequence of str
        Columns whose combinations are the outcomes, such as lateral mode × head.
    value : str
        Column of the value.
    columns : tuple of str
        Columns of the person and of the condition.
    confidence : float
        Of every interval.
    family : sequence of str, optional
        Keys within whose combinations Holm's adjustments ``p_holm`` and ``p_paired_holm`` are
        made; by default all, so that the contrasts of one outcome are a family.
    wide_family : sequence of str, optional
        Keys of a wider family; by default all but the last, so that all heads are one. Its
        columns are ``p_holm_over_`` and ``p_paired_holm_over_`` with the keys that were taken
        together; none without keys.
    unit : str
        Ending for the names of columns that have the value's unit, such as ``"nm"``.

    Returns
    -------
    omnibus, contrasts : DataFrame
        The tables of :class:`Comparison` with the keys in front; its text says when to prefer
        the paired columns of a contrast. In the omnibus table the only adjustment is over the
        wider family.

    Raises
    ------
    InputError, MissingExtraError
        As :func:`compare_conditions`.
    """
    _need_statsmodels()
    check_confidence(confidence)
    keys = list(keys)
    person, condition = columns
    for name in keys:
        if name in OMNIBUS_COLUMNS or name in CONTRAST_COLUMNS:
            raise InputError(f"keys: {name!r} is the name of a result column; rename it")
    check_columns(means, [person, condition, *keys], [value])
    own = _family_keys("family", keys if family is None else family, keys)
    wider = _family_keys("wide_family", keys[:-1] if wide_family is None else wide_family, keys)
    whole, pairs = [], []
    for labels, part in table_parts(means, keys):
        name = ", ".join(str(v) for v in labels.values()) or value
        wide = by_person(part, value, person, condition, f"{name}: ")
        found = _compared(wide, name, condition, confidence, None)
        whole.append(_with_labels(found.omnibus, labels))
        pairs.append(_with_labels(found.contrasts, labels))
    omnibus, contrasts = (
        _joined(whole, keys, OMNIBUS_COLUMNS),
        _joined(pairs, keys, CONTRAST_COLUMNS),
    )
    for column, adjusted in _ADJUSTED.items():
        contrasts[adjusted] = holm_within(contrasts, own, column)
    if set(wider) != set(keys):
        over = "_over_" + "_and_".join(k for k in keys if k not in wider)
        places = [(omnibus, "p", "p", "p_holm")]
        places += [(contrasts, column, name, name) for column, name in _ADJUSTED.items()]
        for table, column, after, name in places:
            values = holm_within(table, wider, column)
            table.insert(list(table).index(after) + 1, name + over, values)
    if unit:
        omnibus, contrasts = (
            t.rename(columns={c: _with_unit(c, unit) for c in _WITH_UNIT if c in t})
            for t in (omnibus, contrasts)
        )
    return omnibus, contrasts


_ADJUSTED = {"p": "p_holm", "p_paired_t": "p_paired_holm"}
"""Columns of p of a contrast and those of their adjustments."""

_WITH_UNIT = (
    "estimate", "se", "estimate_low", "estimate_high",
    "difference_mean", "difference_low", "difference_high", "difference_sd",
    "sd_between_people", "sd_within_people",
)  # fmt: skip


def _with_unit(column: str, unit: str) -> str:
    """Insert the unit after the name, before the statistic."""
    name, _, what = column.rpartition("_")
    if name in {"estimate", "difference"}:
        return f"{name}_{unit}_{what}"
    return f"{column}_{unit}"


def _need_statsmodels() -> None:
    try:
        import statsmodels  # noqa: F401
    except ImportError as err:
        raise MissingExtraError(
            "statsmodels", "cohort", "comparing conditions over people"
        ) from err


def _family_keys(argument: str, given: Sequence[str], keys: list[str]) -> list[str]:
    for name in given:
        if name not in keys:
            raise UnknownNameError("key", str(name), keys, where=argument)
    return list(given)


def _with_labels(table: pd.DataFrame, labels: dict[str, Any]) -> pd.DataFrame:
    return table.assign(**labels)[[*labels, *table.columns]]


def _joined(tables: list[pd.DataFrame], keys: list[str], columns: Sequence[str]) -> pd.DataFrame:
    import pandas as pd

    filled = [t for t in tables if not t.empty]
    if not filled:
        return pd.DataFrame(columns=[*keys, *columns])
    return pd.concat(filled, ignore_index=True)


def _compared(
    wide: pd.DataFrame,
    outcome: str,
    condition: str,
    confidence: float,
    family: Sequence[tuple[Any, Any]] | None,
) -> Comparison:
    import pandas as pd

    empty = [c for c in wide.columns if wide[c].isna().all()]
    used = wide.drop(columns=empty).dropna(how="all")
    conditions = list(used.columns)
    planned = _planned(family, list(wide.columns), conditions)
    values = used.to_numpy(dtype=float)
    who, what = np.nonzero(~np.isnan(values))
    y = values[who, what]
    data = Data(
        y=y,
        who=who,
        what=what,
        conditions=len(conditions),
        level=_LEVEL * max(1.0, float(np.abs(y).max(initial=0.0))),
    )
    notes = _missing_notes(used, empty)
    fit = fitted(data)
    notes += list(fit.notes)
    if fit.method != NONE and not linked(data):
        notes.append("The conditions fall into sets that no person links: no overall test.")
    rows = [
        contrast_row(data, values, fit, (a, b), conditions, confidence)
        for a, b in combinations(range(len(conditions)), 2)
    ]
    contrasts = pd.DataFrame(rows, columns=list(CONTRAST_COLUMNS))
    contrasts = contrasts.astype({"n_same_direction": float, "n_opposite": float})
    inside = [frozenset((r["condition"], r["other"])) in planned for r in rows]
    chosen = np.array(inside, dtype=bool)
    for column, name in _ADJUSTED.items():
        adjusted = np.full(len(rows), np.nan)
        adjusted[chosen] = holm(contrasts[column].to_numpy(dtype=float)[chosen])
        contrasts[name] = adjusted
    omnibus = omnibus_row(data, values, fit) | {"note": " ".join(notes)}
    return Comparison(
        outcome=outcome,
        conditions=tuple(wide.columns),
        method=fit.method,
        omnibus=pd.DataFrame([omnibus]),
        contrasts=contrasts,
        descriptives=pd.DataFrame(condition_rows(wide, condition, confidence)),
        notes=tuple(notes),
    )


def _planned(
    family: Sequence[tuple[Any, Any]] | None, known: list[Any], present: list[Any]
) -> set[frozenset[Any]]:
    if family is None:
        return {frozenset(pair) for pair in combinations(present, 2)}
    for pair in family:
        if len(pair) != 2 or pair[0] == pair[1]:
            raise InputError(f"family: must be pairs of two conditions; got {pair!r}")
        for name in pair:
            if name not in known:
                raise UnknownNameError("condition", str(name), map(str, known), where="family")
    return {frozenset(pair) for pair in family}


def _missing_notes(used: pd.DataFrame, empty: list[Any]) -> list[str]:
    notes = [f"Nobody has a value in {name}." for name in empty]
    gaps = used.isna()
    lacking = gaps.any(axis=1)
    if lacking.any():
        texts = [
            f"{who} ({', '.join(str(c) for c in used.columns[row.to_numpy()])})"
            for who, row in gaps[lacking].iterrows()
        ]
        notes.append(
            f"{int(lacking.sum())} of {len(used)} people lack a condition and count with the "
            f"others: {'; '.join(texts)}."
        )
    return notes

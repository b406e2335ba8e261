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
    table_parts,
)
from momentshare.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd


__all__ = ["Comparison", "compare_all", "compared"]

_LEVEL = 1e-9
"""Difference, in the outcome's unit or over its greatest size where that is above one, below
which two values are level: rounding of a solver, not behaviour (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Comparison:
    """Conditions compared in one outcome.

    Attributes
    ----------
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
    notes : tuple of str
        What had to be decided, in words.
    """

    method: str
    omnibus: pd.DataFrame
    contrasts: pd.DataFrame
    notes: tuple[str, ...]


def compare_all(
    means: pd.DataFrame,
    *,
    keys: Sequence[str],
    confidence: float = 0.95,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Compare the conditions in many outcomes at once.

    Parameters
    ----------
    means : DataFrame
        Tidy: ``person``, ``condition``, keys and ``value``, one row for each combination; rows
        without a value are left out and counted in a note.
    keys : sequence of str
        Columns whose combinations are the outcomes, such as lateral mode × head.
    confidence : float
        Of every interval.

    Returns
    -------
    omnibus, contrasts : DataFrame
        The tables of :class:`Comparison` with the keys in front; its text says when to prefer
        the paired columns of a contrast. Holm's adjustments ``p_holm`` and ``p_paired_holm`` are
        over the contrasts of one outcome. A wider family is that of all keys but the last, so that
        all heads are one; its columns are ``p_holm_over_`` and ``p_paired_holm_over_`` with the
        last key, and none without keys. In the omnibus table that is the only adjustment. NaN and
        a note where the data are insufficient.

    Raises
    ------
    InputError
        A missing column, values that are not numbers, two rows for one person and condition.
    MissingExtraError
        ``statsmodels`` is not installed.
    """
    check_confidence(confidence)
    keys = list(keys)
    for name in keys:
        if name in OMNIBUS_COLUMNS or name in CONTRAST_COLUMNS:
            raise InputError(f"keys: {name!r} is the name of a result column; rename it")
    check_columns(means, ["person", "condition", *keys], ["value"])
    whole, pairs = [], []
    for labels, part in table_parts(means, keys):
        name = ", ".join(str(v) for v in labels.values()) or "value"
        found = compared(by_person(part, f"{name}: "), confidence)
        whole.append(_with_labels(found.omnibus, labels))
        pairs.append(_with_labels(found.contrasts, labels))
    omnibus, contrasts = (
        _joined(whole, keys, OMNIBUS_COLUMNS),
        _joined(pairs, keys, CONTRAST_COLUMNS),
    )
    if keys:
        over = f"_over_{keys[-1]}"
        places = [(omnibus, "p", "p", "p_holm")]
        places += [(contrasts, column, name, name) for column, name in _ADJUSTED.items()]
        for table, column, after, name in places:
            values = holm_within(table, keys[:-1], column)
            table.insert(list(table).index(after) + 1, name + over, values)
    return omnibus, contrasts


_ADJUSTED = {"p": "p_holm", "p_paired_t": "p_paired_holm"}
"""Columns of p of a contrast and those of their adjustments."""


def _with_labels(table: pd.DataFrame, labels: dict[str, Any]) -> pd.DataFrame:
    return table.assign(**labels)[[*labels, *table.columns]]


def _joined(tables: list[pd.DataFrame], keys: list[str], columns: Sequence[str]) -> pd.DataFrame:
    import pandas as pd

    filled = [t for t in tables if not t.empty]
    if not filled:
        return pd.DataFrame(columns=[*keys, *columns])
    return pd.concat(filled, ignore_index=True)


def compared(wide: pd.DataFrame, confidence: float) -> Comparison:
    """Compare the conditions in one outcome, a table of people × conditions."""
    import pandas as pd

    empty = [c for c in wide.columns if wide[c].isna().all()]
    used = wide.drop(columns=empty).dropna(how="all")
    conditions = list(used.columns)
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
    for column, name in _ADJUSTED.items():
        contrasts[name] = holm(contrasts[column].to_numpy(dtype=float))
    omnibus = omnibus_row(data, values, fit) | {"note": " ".join(notes)}
    return Comparison(
        method=fit.method,
        omnibus=pd.DataFrame([omnibus]),
        contrasts=contrasts,
        notes=tuple(notes),
    )


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

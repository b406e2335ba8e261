"""Each head over a lift, and over people."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from momentshare.directions import ROWS
from momentshare.reading.columns import (
    case_key,
    result_table,
    stacked,
)
from momentshare.reading.once import made_once

if TYPE_CHECKING:
    from momentshare.analysis import LiftResult
    from momentshare.runs import Band, Case, CaseSet


__all__ = [
    "BAND_COLUMNS",
    "HEADS_COLUMNS",
    "HEAD_OUTCOMES",
    "head_table",
    "head_table_by_person",
    "over_people",
]

HEAD_OUTCOMES = ("mean_activation", "peak_activation", "mean_force_n", "peak_force_n")
"""Columns of every table of heads on a lift, in this order."""

HEADS_COLUMNS = (
    "condition",
    "lateral",
    "head",
    "people",
    *(
        f"{name}_{end}"
        for name in (*HEAD_OUTCOMES, "min_fibre_length", "max_fibre_length")
        for end in ("mean", "sd")
    ),
)

BAND_COLUMNS = tuple(
    f"{value}_{kind}_{end}"
    for value in ("mean_activation", "mean_force_n")
    for kind in ("posture", "couples")
    for end in ("low", "high")
)
"""Further columns where a study carries the band of its posture rule: the range of a lift mean, or
of its mean over people, over the edges and corners of the rule; and the same over zero and free
couples of the hands."""

_DECISIVE_MOMENT = 1.0
"""Lift-mean moment [N·m] below which a share of it means nothing."""


@made_once
def head_table_by_person(study: CaseSet) -> pd.DataFrame:
    """One row per person × condition × lateral mode × head."""

    def columns(case: Case, result: LiftResult) -> dict[str, Any]:
        lift, state, found = case.prepared.lift, case.prepared.state, case.prepared.paths
        good = lift.reachable
        force, activation = result.force[good], result.activation[good]
        fibre = state.fibre_length_normalised[good]
        entry: dict[str, Any] = {
            "head": list(study.model.head_names),
            "mean_activation": activation.mean(axis=0),
            "peak_activation": activation.max(axis=0),
            "mean_force_n": force.mean(axis=0),
            "peak_force_n": force.max(axis=0),
            "min_fibre_length": fibre.min(axis=0),
            "max_fibre_length": fibre.max(axis=0),
            "fibre_excursion": np.ptp(fibre, axis=0),
            "greatest_path_length_m": found.length[good].max(axis=0),
        }
        if lift.time is not None:
            entry["impulse_ns"] = np.trapezoid(force, lift.time[good], axis=0)
        for row in result.criterion.rows:
            index = ROWS.index(row)
            part = np.mean(found.moment_arms[good][:, index] * force, axis=0)
            whole = float(np.mean(result.moments[good, index]))
            known = abs(whole) >= _DECISIVE_MOMENT
            entry[f"share_{row}"] = part / whole if known else np.full(len(part), np.nan)
        return entry | band_columns([case_key(case, result)], study)

    return result_table(study, columns)


@made_once
def head_table(study: CaseSet) -> pd.DataFrame:
    """Summarise each head over the lift and over people.

    Parameters
    ----------
    study : CaseSet
        Such as a :class:`~momentshare.StudyResult`.

    Returns
    -------
    DataFrame
        One row per condition × lateral mode × head. ``people`` counts; mean and standard deviation
        over people (``…_mean``, ``…_sd``) of ``mean_activation`` and ``peak_activation`` (0 to 1),
        ``mean_force_n`` and ``peak_force_n``, ``min_fibre_length`` and ``max_fibre_length`` (in
        peak fibre lengths). With a band of the posture rule also its ranges (``…_posture_low``,
        ``…_posture_high``, ``…_couples_…``).

    Examples
    --------
    >>> from momentshare import head_table, run_study
    >>> from momentshare.demo import small_study
    >>> result = run_study(small_study(), band=False)
    >>> table = head_table(result)
    >>> list(table.columns[:5])
    ['condition', 'lateral', 'head', 'people', 'mean_activation_mean']
    >>> len(table) == 2 * 2 * len(result.model.head_names)
    True
    """
    values = [*HEAD_OUTCOMES, "min_fibre_length", "max_fibre_length"]
    keys = ["condition", "lateral", "head"]
    table = over_people(head_table_by_person(study), keys, values)
    if getattr(study, "band", None) is None:
        return table
    people: dict[tuple[str, str], list[tuple[str, str, str]]] = {}
    for case, result in study.pairs():
        people.setdefault((case.condition, result.lateral.mode), []).append(case_key(case, result))
    parts = [
        {"condition": condition, "lateral": mode, "head": list(study.model.head_names)}
        | band_columns(same, study)
        for (condition, mode), same in people.items()
    ]
    return table.merge(stacked(parts), how="left", on=keys)


def band_columns(keys: list[tuple[str, str, str]], study: CaseSet) -> dict[str, np.ndarray]:
    """Columns of :data:`BAND_COLUMNS` for the mean over some people; none without a band."""
    band: Band | None = getattr(study, "band", None)
    if band is None:
        return {}
    out = {}
    for value, name in (("mean_activation", "activation"), ("mean_force_n", "force")):
        for kind, known in (("posture", band.posture), ("couples", band.couples)):
            low = high = np.full(len(study.model.head_names), np.nan)
            if all(key in known for key in keys):
                # A variation that someone cannot perform would change the people behind the mean.
                mean = np.mean([getattr(known[key], name) for key in keys], axis=0)
                low, high = np.fmin.reduce(mean, axis=0), np.fmax.reduce(mean, axis=0)
            out[f"{value}_{kind}_low"], out[f"{value}_{kind}_high"] = low, high
    return {name: out[name] for name in BAND_COLUMNS}


def over_people(table: pd.DataFrame, keys: list[str], values: list[str]) -> pd.DataFrame:
    """Mean and standard deviation over people, and their number.

    Parameters
    ----------
    table : DataFrame
        One row per person and combination of the keys.
    keys, values : list of str
        Columns.

    Returns
    -------
    DataFrame
        The keys, ``people``, and ``<value>_mean`` and ``<value>_sd`` of each value; the SD of
        one person is NaN.
    """
    grouped = table.groupby(keys, sort=False, observed=True)
    mean, spread = grouped[values].mean(), grouped[values].std()
    columns = {"people": grouped["person"].nunique()}
    for name in values:
        columns |= {f"{name}_mean": mean[name], f"{name}_sd": spread[name]}
    return pd.DataFrame(columns).reset_index()

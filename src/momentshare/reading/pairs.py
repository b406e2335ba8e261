"""Conditions compared, head by head."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from momentshare.reading.columns import stacked
from momentshare.reading.heads import head_table_by_person
from momentshare.reading.once import made_once
from momentshare.study.factors import Factors

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from momentshare.runs import Band, CaseSet
    from momentshare.study.run import StudyResult


__all__ = ["ordering_table", "ratio_table"]

_TIE = 1e-6
"""Difference of lift-mean activation below which two conditions are level."""


def _comparable(table: pd.DataFrame) -> list[tuple[str, pd.DataFrame]]:
    """Split by lateral mode; conditions without a lateral force join every mode."""
    always = [
        name
        for name, part in table.groupby("condition", sort=False, observed=True)
        if set(part["lateral"]) == {"zero"}
    ]
    modes = list(dict.fromkeys(table["lateral"]))
    several = [
        m for m in modes if not set(table.loc[table["lateral"] == m, "condition"]) <= set(always)
    ]
    out = []
    for mode in several or modes:
        keep = (table["lateral"] == mode) | table["condition"].isin(always)
        out.append((mode, table[keep]))
    return out


def ratio_table(study: StudyResult) -> pd.DataFrame:
    """Each condition over the first one, per lateral mode and head, the mean over people."""
    table = head_table_by_person(study)
    first = study.study.file.condition[0].name
    heads = study.model.head_names
    parts = []
    for mode, part in _comparable(table):
        names, activation = _grid(part, "mean_activation", heads)
        _, force = _grid(part, "mean_force_n", heads)
        if first not in names:
            continue
        at = names.index(first)
        parts += [
            {
                "lateral": mode,
                "head": heads,
                "condition": condition,
                "other": first,
                "activation_ratio": _mean_ratio(activation[..., k], activation[..., at]),
                "force_ratio": _mean_ratio(force[..., k], force[..., at]),
            }
            for k, condition in enumerate(names)
        ]
    return stacked(parts)


def _grid(
    table: pd.DataFrame, value: str, heads: Sequence[str]
) -> tuple[list[str], NDArray[np.float64]]:
    """Conditions in order, and a column laid out as heads × people × conditions."""
    wide = table.pivot_table(
        index=["head", "person"], columns="condition", values=value, observed=True, sort=False
    )
    rows = pd.Index(heads).get_indexer(wide.index.get_level_values("head"))
    people, names = pd.factorize(wide.index.get_level_values("person"))
    grid = np.full((len(heads), len(names), wide.shape[1]), np.nan)
    grid[rows, people] = wide.to_numpy(dtype=float)
    return [str(name) for name in wide.columns], grid


def _mean_ratio(top: NDArray[np.float64], bottom: NDArray[np.float64]) -> NDArray[np.float64]:
    """Mean over people of top ÷ bottom; NaN where the head is hardly active in the reference."""
    known = (bottom > 1e-3) & ~np.isnan(top)
    ratio = np.divide(top, bottom, out=np.zeros_like(top), where=known)
    count = known.sum(axis=1)
    mean = np.full(len(top), np.nan)
    np.divide(ratio.sum(axis=1), count, out=mean, where=count > 0)
    return mean


@made_once
def ordering_table(study: CaseSet) -> pd.DataFrame:
    """Each pair of conditions, per lateral mode and head: which is higher, and for how many.

    ``people_agreeing`` counts the people whose lift-mean activation has the order of the mean over
    people. Where the study carries the band of its posture rule, ``turns_with_posture`` says
    whether the order of the means is reversed when both conditions are moved to the same edge or
    corner of it. One row per pair, of many conditions not of every two
    (:meth:`momentshare.study.factors.Factors.compared`); ``condition`` is the one with the larger
    mean, so that ``difference``, condition minus other, is never negative.
    """
    table = head_table_by_person(study)
    heads = study.model.head_names
    planned = getattr(study, "study", None)
    factors = Factors() if planned is None else planned.factors
    parts = []
    for mode, part in _comparable(table):
        names, activation = _grid(part, "mean_activation", heads)
        if len(names) > 1:
            pairs = np.array(factors.compared(names))
            parts.append(_orders(mode, np.array(heads), np.array(names), activation, pairs))
    return _with_turns(stacked(parts), study)


def _orders(
    mode: str,
    heads: NDArray[np.str_],
    names: NDArray[np.str_],
    activation: NDArray[np.float64],
    pairs: NDArray[np.intp],
) -> dict[str, Any]:
    """Order pairs of conditions within every head, from heads × people × conditions."""
    one, two = pairs.T
    difference = activation[..., two] - activation[..., one]  # heads, people, pairs
    known = ~np.isnan(difference)
    people = known.sum(axis=1)
    mean = np.divide(
        np.where(known, difference, 0.0).sum(axis=1), people,
        out=np.full(people.shape, np.nan), where=people > 0,
    )  # fmt: skip
    rises = mean >= 0.0
    agreeing = np.count_nonzero(difference * np.sign(mean)[:, None, :] > _TIE, axis=1)
    some = people > 0
    return {
        "lateral": mode,
        "head": np.broadcast_to(heads[:, None], people.shape)[some],
        "condition": names[np.where(rises, two, one)][some],
        "other": names[np.where(rises, one, two)][some],
        "difference": np.abs(mean)[some],
        "people_agreeing": agreeing[some],
        "people": people[some],
    }


def _with_turns(table: pd.DataFrame, study: CaseSet) -> pd.DataFrame:
    """State for every order whether it is reversed within the band of the posture rule."""
    band: Band | None = getattr(study, "band", None)
    if band is None or table.empty:
        return table
    people: dict[tuple[str, str], list[np.ndarray]] = {}
    for (_, condition, mode), varied in band.posture.items():
        people.setdefault((condition, mode), []).append(varied.activation)
    means = {key: np.mean(found, axis=0) for key, found in people.items()}
    heads = {name: k for k, name in enumerate(study.model.head_names)}
    turned: dict[tuple[str, str, str], NDArray[np.bool_] | None] = {}
    answers: list[Any] = []
    columns = (table[name] for name in ("condition", "other", "lateral", "head"))
    for condition, other, lateral, head in zip(*columns, strict=True):
        key = (condition, other, lateral)
        if key not in turned:
            top, bottom = (
                means.get((name, lateral), means.get((name, "zero"))) for name in (condition, other)
            )
            turned[key] = (
                np.any(top - bottom < -_TIE, axis=0)
                if top is not None and bottom is not None and top.shape == bottom.shape
                else None
            )
        found = turned[key]
        answers.append(pd.NA if found is None else bool(found[heads[str(head)]]))
    return table.assign(turns_with_posture=answers)

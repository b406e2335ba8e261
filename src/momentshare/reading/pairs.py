"""Conditions compared, head by head."""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from momentshare.reading.heads import head_table_by_person

if TYPE_CHECKING:
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
    rows = []
    for mode, part in _comparable(table):
        activation, force = (
            _by_condition(part, "mean_activation"),
            _by_condition(part, "mean_force_n"),
        )
        if first not in activation:
            continue
        for condition in activation.columns:
            for head in study.model.head_names:
                e, f = activation.loc[head], force.loc[head]
                rows.append(
                    {
                        "lateral": mode,
                        "head": head,
                        "condition": condition,
                        "other": first,
                        "activation_ratio": _mean_ratio(e[condition], e[first]),
                        "force_ratio": _mean_ratio(f[condition], f[first]),
                    }
                )
    return pd.DataFrame(rows)


def _by_condition(table: pd.DataFrame, value: str) -> pd.DataFrame:
    """Spread a column over conditions: one row per head and person, one column per condition."""
    return table.pivot_table(
        index=["head", "person"], columns="condition", values=value, observed=True, sort=False
    )


def _mean_ratio(top: pd.Series, bottom: pd.Series) -> float:
    """Mean over people of top ÷ bottom; NaN where the head is hardly active in the reference."""
    known = (bottom > 1e-3) & top.notna()
    return float((top[known] / bottom[known]).mean()) if known.any() else float("nan")


def ordering_table(study: CaseSet) -> pd.DataFrame:
    """Each pair of conditions, per lateral mode and head: which is higher, and for how many.

    ``people_agreeing`` counts the people whose lift-mean activation has the order of the mean over
    people. Where the study carries the band of its posture rule, ``turns_with_posture`` says
    whether the order of the means is reversed when both conditions are moved to the same edge or
    corner of it. One row per pair; ``condition`` is the one with the larger mean, so that
    ``difference``, condition minus other, is never negative.
    """
    table = head_table_by_person(study)
    rows = []
    for mode, part in _comparable(table):
        wide = _by_condition(part, "mean_activation")
        names = list(wide.columns)
        blocks = {
            str(head): part.to_numpy()
            for head, part in wide.groupby(wide.index.get_level_values("head"), sort=False)
        }
        for head in study.model.head_names:
            for i, j in combinations(range(len(names)), 2):
                difference = blocks[head][:, j] - blocks[head][:, i]
                difference = difference[~np.isnan(difference)]
                if difference.size == 0:
                    continue
                mean = float(difference.mean())
                lower, higher = (names[k] for k in ((i, j) if mean >= 0.0 else (j, i)))
                agreeing = np.count_nonzero(difference * np.sign(mean) > _TIE)
                rows.append(
                    {
                        "lateral": mode,
                        "head": head,
                        "condition": higher,
                        "other": lower,
                        "difference": abs(mean),
                        "people_agreeing": int(agreeing),
                        "people": difference.size,
                    }
                )
    return _with_turns(pd.DataFrame(rows), study)


def _with_turns(table: pd.DataFrame, study: CaseSet) -> pd.DataFrame:
    """State for every order whether it is reversed within the band of the posture rule."""
    band: Band | None = getattr(study, "band", None)
    if band is None or table.empty:
        return table
    means: dict[tuple[str, str], np.ndarray] = {}
    people: dict[tuple[str, str], list[np.ndarray]] = {}
    for (_, condition, mode), varied in band.posture.items():
        people.setdefault((condition, mode), []).append(varied.activation)
    for key, found in people.items():
        means[key] = np.mean(found, axis=0)
    heads = {name: k for k, name in enumerate(study.model.head_names)}

    def turns(row: pd.Series) -> Any:
        pair = [
            means.get((row[name], row["lateral"]), means.get((row[name], "zero")))
            for name in ("condition", "other")
        ]
        if pair[0] is None or pair[1] is None or pair[0].shape != pair[1].shape:
            return pd.NA
        difference = (pair[0] - pair[1])[:, heads[str(row["head"])]]
        return bool(np.any(difference < -_TIE))

    return table.assign(turns_with_posture=[turns(row) for _, row in table.iterrows()])

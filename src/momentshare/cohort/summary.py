"""From the trials of a cohort to the tables of a paper.

Repetitions are averaged within a person first, then people count alike. Every table is tidy and
carries units in its column names.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from momentshare.cohort.statistics import compare_all, subject_means

if TYPE_CHECKING:
    from collections.abc import Mapping

    from momentshare.cohort.run import CohortResult

__all__ = ["CohortSummary", "shown_mode", "summarise_cohort"]

_HEAD_OUTCOMES = ("mean_effort", "peak_effort", "mean_force_n", "peak_force_n")
_LEVEL = 1e-9
"""Difference of effort below which two conditions are level."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CohortSummary:
    """Tables of a cohort by name, in the order in which they are written and shown."""

    tables: Mapping[str, pd.DataFrame]
    mode: str


def shown_mode(table: pd.DataFrame) -> str:
    """Treatment of the lateral force that figures show: the first one that there is."""
    found = list(dict.fromkeys(table["lateral"].astype(str))) if not table.empty else []
    return next((m for m in ("measured", "free", "zero") if m in found), "zero")


def summarise_cohort(result: CohortResult) -> CohortSummary:
    """Build every table of a cohort from the trials that count.

    Parameters
    ----------
    result : CohortResult

    Returns
    -------
    CohortSummary
    """
    heads = result.table("heads")
    if heads.empty:
        return CohortSummary(tables=_some(_trial_tables(result)), mode="zero")
    mode = shown_mode(heads)
    confidence = result.study.file.statistics.confidence
    means = subject_means(heads, ["lateral", "head"], list(_HEAD_OUTCOMES))
    regions = subject_means(
        result.table("regions"), ["lateral", "region", "quantity", "item"], ["mean"]
    )
    tables = _trial_tables(result)
    tables |= {
        "heads_by_person": means.merge(_verdicts(result), on=["person", "condition"], how="left"),
        "regions_by_person": regions,
        "heads": _between(means, ["condition", "lateral", "head"], list(_HEAD_OUTCOMES)),
        "regions": _between(
            regions, ["condition", "lateral", "region", "quantity", "item"], ["mean"]
        ),
    }
    tables |= _curves(result)
    tables |= _statistics(means, regions, confidence)
    sensitivity = result.table("sensitivity")
    if not sensitivity.empty:
        tables |= _sensitivity(sensitivity)
    tables |= _emg(result)
    return CohortSummary(tables=_some(tables), mode=mode)


def _some(tables: dict[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
    """Tables that hold something."""
    return {name: table for name, table in tables.items() if not table.empty}


def _trial_tables(result: CohortResult) -> dict[str, pd.DataFrame]:
    """Tell what became of every trial: outcome, checks, events."""
    counted = {o.number for o in result.counted}
    trials = pd.DataFrame(
        [
            {
                "trial": o.number,
                "person": o.person,
                "condition": o.condition,
                "file": o.file,
                "load_kg": o.record.get("load_kg"),
                "repetitions_used": len(o.record.get("repetitions", ())),
                "verdict": o.verdict or "skipped",
                "counted": o.number in counted,
                "reason": o.fault,
                "repetitions_refused": "; ".join(o.record.get("refused", ())),
                "notes": "; ".join(o.record.get("notes", ())),
            }
            for o in result.outcomes
        ]
    )
    return {
        "trials": trials,
        "checks": result.table("checks", all_solved=True),
        "events": result.table("events", all_solved=True),
    }


def _verdicts(result: CohortResult) -> pd.DataFrame:
    """Worst verdict of the checks behind each person and condition."""
    order = ("not possible", "pass", "warn", "fail")
    worst: dict[tuple[str, str], str] = {}
    for outcome in result.counted:
        key = (outcome.person, outcome.condition)
        worst[key] = max(worst.get(key, order[0]), outcome.verdict, key=order.index)
    rows = [(person, condition, verdict) for (person, condition), verdict in worst.items()]
    return pd.DataFrame(rows, columns=["person", "condition", "worst_check"])


def _between(means: pd.DataFrame, keys: list[str], values: list[str]) -> pd.DataFrame:
    """Mean, standard deviation and number of people, wide."""
    grouped = means.groupby(keys, sort=False, observed=True)[values].agg(["mean", "std", "count"])
    grouped.columns = pd.Index(["_".join(pair) for pair in grouped.columns.to_flat_index()])
    return grouped.reset_index()


def _band(table: pd.DataFrame, keys: list[str], value: str) -> pd.DataFrame:
    """Mean over repetitions within a person, then mean and spread over people."""
    own = table.groupby(["person", *keys], sort=False, observed=True)[value].mean().reset_index()
    band = own.groupby(keys, sort=False, observed=True)[value].agg(["mean", "std", "count"])
    return band.reset_index().rename(columns={"std": "sd", "count": "people"})


def _curves(result: CohortResult) -> dict[str, pd.DataFrame]:
    """Curves against lift percent, mean and SD over people."""
    frames, moments, motion = (result.table(n) for n in ("frames", "moments", "motion"))
    heads = [
        _band(frames, ["condition", "lateral", "head", "lift_percent"], value).assign(
            quantity=value
        )
        for value in ("effort", "force_n")
    ]
    along = ["condition", "lateral", "row", "lift_percent"]
    net = [
        _band(moments, along, value).assign(quantity=value) for value in ("moment_nm", "unmet_nm")
    ]
    first = moments[moments["row"] == moments["row"].iloc[0]]
    hand = [
        _band(first, ["condition", "lateral", "lift_percent"], value).assign(quantity=value)
        for value in ("lateral_ratio", "lateral_force_n", "vertical_force_n")
    ]
    speed = _band(motion, ["condition", "lift_percent"], "speed_mps")
    angles = [
        _band(motion, ["condition", "lift_percent"], name).assign(quantity=name)
        for name in motion.columns
        if name.endswith("_deg")
    ]
    return {
        "curves_heads": pd.concat(heads, ignore_index=True),
        "curves_moments": pd.concat(net, ignore_index=True),
        "curves_hand": pd.concat(hand, ignore_index=True),
        "curves_speed": speed,
        "curves_angles": pd.concat(angles, ignore_index=True),
    }


def _statistics(
    means: pd.DataFrame, regions: pd.DataFrame, confidence: float
) -> dict[str, pd.DataFrame]:
    """Compare conditions: effort of every head, moments and ratio over the whole lift."""
    if means["condition"].nunique() < 2:
        return {}
    whole = regions[regions["region"] == "whole lift"]
    pieces = {
        "effort": means.assign(
            item=means["head"], outcome="mean_effort", value=means["mean_effort"]
        ),
        "others": whole[whole["quantity"].isin(["moment_nm", "lateral_ratio"])].assign(
            outcome=lambda t: t["quantity"], value=lambda t: t["mean"]
        ),
    }
    columns = ["person", "condition", "lateral", "outcome", "item", "value"]
    table = pd.concat([piece[columns] for piece in pieces.values()], ignore_index=True)
    omnibus, contrasts = compare_all(
        table, keys=["lateral", "outcome", "item"], value="value", confidence=confidence
    )
    return {"omnibus": omnibus, "contrasts": contrasts}


def _sensitivity(table: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """Mean change of every head, and orders of conditions that a change turns."""
    keys = ["condition", "lateral", "change", "head"]
    own = table.groupby(["person", *keys], sort=False, observed=True)[
        ["mean_effort", "mean_effort_changed"]
    ].mean()
    mean = own.groupby(keys, sort=False, observed=True).mean().reset_index()
    mean["difference"] = mean["mean_effort_changed"] - mean["mean_effort"]
    orders = []
    for (lateral, change, head), part in mean.groupby(
        ["lateral", "change", "head"], sort=False, observed=True
    ):
        rows = part.set_index("condition")
        for a, b in combinations(rows.index, 2):
            before = rows.loc[a, "mean_effort"] - rows.loc[b, "mean_effort"]
            after = rows.loc[a, "mean_effort_changed"] - rows.loc[b, "mean_effort_changed"]
            if max(abs(before), abs(after)) < _LEVEL:
                continue
            orders.append(
                {
                    "lateral": lateral,
                    "change": change,
                    "head": head,
                    "condition": a,
                    "other_condition": b,
                    "effort_difference": before,
                    "effort_difference_changed": after,
                    "order_holds": bool(np.sign(before) == np.sign(after)),
                }
            )
    return {"sensitivity": mean, "sensitivity_orders": pd.DataFrame(orders)}


def _emg(result: CohortResult) -> dict[str, pd.DataFrame]:
    """Measured and predicted activation, within each muscle only."""
    from momentshare.emg import compare_emg

    table = result.table("emg")
    if table.empty:
        return {}
    mode = shown_mode(table)
    keys = ["person", "condition", "head", "lift_percent"]
    own = (
        table[table["lateral"] == mode]
        .groupby(keys, sort=False, observed=True)[["emg", "activation", "pulled_activation"]]
        .mean()
        .reset_index()
    )
    found = compare_emg(own, confidence=result.study.file.statistics.confidence)
    return {
        "emg_curves_by_person": own,
        "emg_by_person": found.by_person,
        "emg_agreement": found.agreement,
        "emg_ordering": found.ordering,
    }

"""From the trials of a cohort to the tables of a paper.

Repetitions are averaged within a person first (:mod:`momentshare.cohort.reduce`), then people count
equally. Every table is tidy and carries units in its column names.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from momentshare.cohort.adjusted import own_loads
from momentshare.cohort.best_lift import best_lift_tables
from momentshare.cohort.exchanged import electrode_trials, exchanged_table
from momentshare.cohort.limited import limited
from momentshare.cohort.misfiled import SpacedTrial, misfiled_table
from momentshare.cohort.outcomes.beside import beside_published, emg_by_condition
from momentshare.cohort.outcomes.over_people import factor_tests, named_contrasts, outcome_tables
from momentshare.cohort.peers import influence_table, peers_table
from momentshare.cohort.reduce import Curves, reduced_groups
from momentshare.cohort.statistics import compare_all
from momentshare.limits import Limits
from momentshare.reading import HEAD_OUTCOMES, over_people
from momentshare.study.factors import Factors

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

    from momentshare.cohort.reduce import Reduced
    from momentshare.cohort.run import CohortResult

__all__ = ["OFTEN_FULL", "CohortSummary", "shown_mode", "summarise_cohort"]

OFTEN_FULL = 0.05
"""Share of frames at full activation, mean over people, from which a head is not tested; chosen
here."""

_LEVEL = 0.01
"""Difference of lift-mean activation below which two conditions are called level; assumed."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CohortSummary:
    """Tables of a cohort by name, in the order in which they are written and shown.

    ``confidence`` is the level of their intervals, ``named_heads`` are the heads that the study
    named beforehand, ``covariates`` those of its model, ``volumes`` those of the heads in the
    reference person [m³]. ``loads`` has the mean ``load_kg`` of each ``person`` and ``condition``.
    """

    tables: Mapping[str, pd.DataFrame]
    mode: str
    limits: Limits = field(default_factory=Limits)
    factors: Factors = field(default_factory=Factors)
    volumes: Mapping[str, float] = field(default_factory=dict)
    confidence: float = 0.95
    named_heads: tuple[str, ...] = ()
    covariates: tuple[str, ...] = ()
    loads: pd.DataFrame = field(default_factory=pd.DataFrame)


def shown_mode(table: pd.DataFrame) -> str:
    """Treatment of the lateral force that figures show: the first available one."""
    found = list(dict.fromkeys(table["lateral"].astype(str))) if not table.empty else []
    return next((m for m in ("measured", "free", "zero") if m in found), "zero")


def summarise_cohort(
    result: CohortResult,
    *,
    workers: int | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> CohortSummary:
    """Build every table of a cohort from the trials that count.

    Parameters
    ----------
    result : CohortResult
    workers : int, optional
        Processes that average within people; by default one for a small cohort, otherwise one a
        core. The tables do not depend on it.
    progress : callable, optional
        Called with the number of people × conditions done, and of all.

    Returns
    -------
    CohortSummary
    """
    data, curves = _gathered(reduced_groups(result, workers=workers, progress=progress))
    means = data["heads"]
    if means.empty:
        return CohortSummary(tables=_some(_trial_tables(result, means)), mode="zero")
    mode = shown_mode(means)
    confidence = result.study.file.statistics.confidence
    outcomes = [*HEAD_OUTCOMES, "saturated_share"]
    regions, shortfalls = data["regions"], data["shortfalls"]
    verdicts = _verdicts(result)
    fallen = _short_by_person(shortfalls)
    flagged = _flagged(verdicts)
    tables = _trial_tables(result, shortfalls[shortfalls["lateral"] == mode])
    tables |= {
        "shortfalls": shortfalls,
        "heads_by_person": means.merge(verdicts, on=["person", "condition"], how="left").merge(
            fallen, on=["person", "condition", "lateral"], how="left"
        ),
        "regions_by_person": regions.merge(verdicts, on=["person", "condition"], how="left"),
        "heads": over_people(means, ["condition", "lateral", "head"], outcomes)
        .merge(flagged, on="condition", how="left")
        .merge(_people_short(fallen), on=["condition", "lateral"], how="left"),
        "regions": over_people(
            regions, ["condition", "lateral", "region", "quantity", "item"], ["mean"]
        )
        .rename(columns={"mean_mean": "mean", "mean_sd": "sd"})
        .merge(flagged, on="condition", how="left"),
    }
    tables |= _with_height(curves)
    full = _at_full(tables["heads"])
    tables |= _statistics(means, regions, confidence, mode, full)
    tables["untested"] = full[full["lateral"] == mode].reset_index(drop=True)
    tables |= outcome_tables(data["outcomes"], result, mode)
    tables["factors"] = factor_tests(data["outcomes"], _not_full(means, full), result, mode)
    nothing = pd.DataFrame()
    tables["named_contrasts"] = named_contrasts(
        tables.get("contrasts", nothing), tables.get("outcome_contrasts", nothing), result, mode
    )
    tables |= _sensitivity(data["sensitivity"], means, mode)
    tables |= _emg(result, data["emg"])
    tables["beside_published"] = beside_published(regions, result, mode, confidence)
    tables |= _glenoid(data["glenoid_heads"]) | best_lift_tables(result.best_lifts)
    return CohortSummary(
        tables=limited(_some(tables), result),
        mode=mode,
        limits=result.model.limits,
        factors=result.study.factors,
        volumes={head.name: head.volume.value for head in result.model.heads},
        confidence=confidence,
        named_heads=tuple(result.study.file.statistics.heads),
        covariates=tuple(result.study.file.statistics.covariates),
        loads=own_loads(result.counted),
    )


_CURVES: dict[str, tuple[list[str], tuple[str, ...]]] = {
    "heads": (["lateral", "head", "lift_percent"], ("activation", "force_n")),
    "moments": (["lateral", "row", "lift_percent"], ("moment_nm", "unmet_nm")),
    "hand": (
        ["lateral", "lift_percent"],
        ("lateral_ratio", "lateral_force_n", "vertical_force_n"),
    ),
    "speed": (["lift_percent"], ("speed_mps",)),
    "height": (["lift_percent"], ("height_fraction",)),
    "angles": (["lift_percent"], ()),
}
"""Kinds of curves: the columns that tell their points apart, and quantities."""

_OWN = ("heads", "regions", "shortfalls", "sensitivity", "glenoid_heads", "emg", "outcomes")
"""Tables of own means."""


def _gathered(groups: Iterable[Reduced]) -> tuple[dict[str, pd.DataFrame], dict[str, pd.DataFrame]]:
    """Own means of all groups, stacked, and bands of curves over people."""
    own: dict[str, dict[int, list[pd.DataFrame]]] = {name: {} for name in _OWN}
    bands: dict[str, Curves] = {}
    for group in groups:
        for name, parts in group.tables.items():
            for place, part in enumerate(parts):
                if not part.empty:
                    own[name].setdefault(place, []).append(part)
        for name, parts in group.curves.items():
            kind, value = name.split("/")
            band = bands.setdefault(name, Curves(_CURVES[kind][0], value))
            for place, part in enumerate(parts):
                if not part.empty:
                    band.add(place, part)
    data = {}
    for name, places in own.items():
        found = [part for place in sorted(places) for part in places[place]]
        data[name] = pd.concat(found, ignore_index=True) if found else pd.DataFrame()
    tables = {}
    for kind in _CURVES:
        mine = [
            (name.split("/")[1], band.table())
            for name, band in bands.items()
            if name.startswith(f"{kind}/")
        ]
        parts = [
            table if kind == "speed" else table.assign(quantity=value) for value, table in mine
        ]
        parts = [part for part in parts if not part.empty]
        tables[f"curves_{kind}"] = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()
    return data, tables


def _with_height(curves: dict[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
    """Put the mean height fraction beside every point of the curves of heads and of the hand.

    What the limb does not support may concern a third of the bar height, and curves run over time.
    """
    height = curves.pop("curves_height")
    if height.empty:
        return curves
    height = height.rename(columns={"mean": "height_fraction"})
    keys = ["condition", "lift_percent"]
    for name in ("curves_heads", "curves_hand"):
        if not curves[name].empty:
            curves[name] = curves[name].merge(
                height[[*keys, "height_fraction"]], how="left", on=keys
            )
    return curves


def _short_by_person(shortfalls: pd.DataFrame) -> pd.DataFrame:
    """Share of frames of each person, condition and treatment in which a moment cannot be met."""
    keys = ["person", "condition", "lateral"]
    summed = shortfalls.groupby(keys, sort=False, observed=True)[["frames", "frames_short"]].sum()
    return (summed["frames_short"] / summed["frames"]).rename("share_of_frames_short").reset_index()


def _people_short(fallen: pd.DataFrame) -> pd.DataFrame:
    """Count the people of each condition and treatment whose limb falls short somewhere."""
    return (
        fallen.assign(people_short=fallen["share_of_frames_short"] > 0.0)
        .groupby(["condition", "lateral"], sort=False)["people_short"]
        .sum()
        .reset_index()
    )


def _some(tables: dict[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
    """Tables that hold something."""
    return {name: table for name, table in tables.items() if not table.empty}


def _trial_tables(result: CohortResult, short: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """List the outcome of every trial: fate, shortfall, checks, events."""
    counted = {o.number for o in result.counted}
    with_heads = {o.number for o in result.heads_counted}
    fallen = {} if short.empty else short.set_index("trial").to_dict("index")
    trials = pd.DataFrame(
        [
            {
                "trial": o.number,
                "person": o.person,
                "condition": o.condition,
                "file": o.file,
                "load_kg": o.record.get("load_kg"),
                "repetitions_used": len(o.record.get("repetitions", ())),
                "verdict": o.verdict or ("skipped" if o.used else "not used"),
                "limb_verdict": o.limb_verdict,
                "checks_possible": " of ".join(map(str, o.record.get("checks_possible", ()))),
                "counted": o.number in counted,
                "heads_counted": o.number in with_heads,
                "left_out_for": ", ".join(result.failures(o)),
                "frames_short": fallen.get(o.number, {}).get("frames_short"),
                "greatest_unmet_nm": fallen.get(o.number, {}).get("greatest_unmet_nm"),
                "short_of": fallen.get(o.number, {}).get("short_of", ""),
                "reason": " ".join(o.fault.split()),
                "repetitions_refused": "; ".join(o.record.get("refused", ())),
                "notes": "; ".join([*o.record.get("notes", ()), *o.record.get("emg", ())]),
            }
            for o in result.outcomes
        ]
    )
    return {
        "trials": trials,
        "checks": result.table("checks", all_solved=True),
        "events": _counted(result.table("events", all_solved=True), counted),
        "places": _places(result.table("places")),
        "peers": peers_table(result),
        "misfiled": misfiled_table(
            [
                SpacedTrial(
                    number=o.number,
                    person=o.person,
                    condition=o.condition,
                    file=o.file,
                    spacing=spacing,
                )
                for o in result.solved
                if (spacing := o.record.get("hand_spacing_m")) is not None
            ]
        ),
        "exchanged": exchanged_table(electrode_trials(result.solved)),
    }


def _places(table: pd.DataFrame) -> pd.DataFrame:
    """Change of each moment when trunk, joint centre or grip is located another way, all trials."""
    if table.empty:
        return table
    keys = ["place", "way", "other", "row"]
    grouped = table.assign(square=table["rms_change_nm"] ** 2).groupby(keys, sort=False)
    return (
        grouped.agg(
            trials=("trial", "nunique"),
            mean_change_nm=("mean_change_nm", "mean"),
            square=("square", "mean"),
        )
        .reset_index()
        .assign(rms_change_nm=lambda t: np.sqrt(t.pop("square")))
    )


def _counted(table: pd.DataFrame, numbers: set[int]) -> pd.DataFrame:
    """Mark for every row whether its trial enters means and comparisons."""
    return table if table.empty else table.assign(counted=table["trial"].isin(numbers))


def _verdicts(result: CohortResult) -> pd.DataFrame:
    """Worst verdict of the checks behind each person and condition."""
    order = ("not possible", "pass", "warn", "fail")
    worst: dict[tuple[str, str], str] = {}
    for outcome in result.counted:
        key = (outcome.person, outcome.condition)
        worst[key] = max(worst.get(key, order[0]), outcome.verdict, key=order.index)
    rows = [(person, condition, verdict) for (person, condition), verdict in worst.items()]
    return pd.DataFrame(rows, columns=["person", "condition", "worst_check"])


def _flagged(verdicts: pd.DataFrame) -> pd.DataFrame:
    """Count the people of each condition with a trial that warned or failed."""
    bad = verdicts.assign(people_flagged=verdicts["worst_check"].isin(["warn", "fail"]))
    return bad.groupby("condition", sort=False)["people_flagged"].sum().reset_index()


def _at_full(heads: pd.DataFrame) -> pd.DataFrame:
    """Heads that are fully active in part of the lift, by condition and treatment.

    Such an activation is at its ceiling: how much more the moments would have required is not
    known, so its differences are not a sample for a t test.
    """
    keys = ["condition", "lateral", "head"]
    table = heads[heads["saturated_share_mean"] > OFTEN_FULL]
    return table[[*keys, "people", "saturated_share_mean", "mean_activation_mean"]].reset_index(
        drop=True
    )


def _not_full(means: pd.DataFrame, full: pd.DataFrame) -> pd.DataFrame:
    """Leave heads out of the conditions in which they are at full activation."""
    keys = ["condition", "lateral", "head"]
    marked = means.merge(full[keys].assign(full=True), on=keys, how="left")
    return means[marked["full"].isna().to_numpy()]


def _statistics(
    means: pd.DataFrame, regions: pd.DataFrame, confidence: float, mode: str, full: pd.DataFrame
) -> dict[str, pd.DataFrame]:
    """Compare conditions: activation of every head, moments and ratio over the whole lift.

    Heads at full activation are left out of the conditions where they are.
    """
    means = _not_full(means, full)
    if means["condition"].nunique() < 2:
        return {}
    whole = regions[regions["region"] == "whole lift"]
    pieces = {
        "activation": means.assign(
            item=means["head"], outcome="mean_activation", value=means["mean_activation"]
        ),
        "others": whole[whole["quantity"].isin(["moment_nm", "lateral_ratio"])].assign(
            outcome=lambda t: t["quantity"], value=lambda t: t["mean"]
        ),
    }
    columns = ["person", "condition", "lateral", "outcome", "item", "value"]
    table = pd.concat([piece[columns] for piece in pieces.values()], ignore_index=True)
    omnibus, contrasts = compare_all(
        table, keys=["lateral", "outcome", "item"], confidence=confidence
    )
    shown = contrasts[contrasts["lateral"] == mode]
    influence = influence_table(table[table["lateral"] == mode], shown, 1.0 - confidence)
    return {"omnibus": omnibus, "contrasts": contrasts, "influence": influence}


def _sensitivity(table: pd.DataFrame, means: pd.DataFrame, mode: str) -> dict[str, pd.DataFrame]:
    """Mean change of every head, and orders of conditions that a change reverses.

    The other treatments of the lateral force count as changes of the one that is shown.
    """
    keys = ["condition", "lateral", "change", "head"]
    parts = [_treatments(means, mode), table]
    both = pd.concat([part for part in parts if not part.empty] or parts[:1])
    if both.empty:
        return {}
    mean = (
        both.groupby(keys, sort=False, observed=True)[
            ["mean_activation", "mean_activation_changed"]
        ]
        .mean()
        .reset_index()
    )
    mean["difference"] = mean["mean_activation_changed"] - mean["mean_activation"]
    return {"sensitivity": mean, "sensitivity_orders": _orders_under_changes(both)}


def _orders_under_changes(both: pd.DataFrame) -> pd.DataFrame:
    """Difference of two conditions before and after a change, mean of the people who have both.

    The same people as in the paired comparison: means over everybody would confound a change of
    order with missing conditions.
    """
    names, activation = (
        ["lateral", "change", "head"],
        ["mean_activation", "mean_activation_changed"],
    )
    rank = {name: k for k, name in enumerate(dict.fromkeys(both["condition"]))}
    table = both.assign(
        group=both.groupby(names, sort=False, observed=True).ngroup(),
        rank=both["condition"].map(rank).astype(int),
    )
    pairs = table.merge(
        table[["group", "person", "rank", "condition", *activation]],
        on=["group", "person"],
        suffixes=("", "_other"),
    ).rename(columns={"condition_other": "other"})
    pairs = pairs[pairs["rank"] < pairs["rank_other"]]
    before, after = (pairs[name] - pairs[f"{name}_other"] for name in activation)
    pairs = pairs.assign(activation_difference=before, activation_difference_changed=after)
    keys = ["group", "rank", "rank_other", *names, "condition", "other"]
    values = ["activation_difference", "activation_difference_changed"]
    orders = pairs.groupby(keys, observed=True)[values].mean().reset_index()
    orders = orders[orders["activation_difference"].abs() >= _LEVEL].drop(columns=keys[:3])
    signs = np.sign(orders[values])
    holds = signs["activation_difference"] == signs["activation_difference_changed"]
    return orders.assign(order_holds=holds).reset_index(drop=True)


def _treatments(means: pd.DataFrame, mode: str) -> pd.DataFrame:
    """Compare the shown treatment of the lateral force with the others, by person."""
    keys = ["person", "condition", "head"]
    shown = means[means["lateral"] == mode][[*keys, "mean_activation"]]
    parts = []
    for other in dict.fromkeys(means["lateral"]):
        if other == mode:
            continue
        changed = means[means["lateral"] == other][[*keys, "mean_activation"]]
        changed = changed.rename(columns={"mean_activation": "mean_activation_changed"})
        parts.append(
            shown.merge(changed, on=keys).assign(lateral=mode, change=f"lateral force {other}")
        )
    columns = [*keys, "mean_activation", "mean_activation_changed", "lateral", "change"]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=columns)


def _glenoid(own: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """Activation without and within the stability limits of the glenoid, where asked for."""
    if own.empty:
        return {}
    keys = ["condition", "lateral", "head"]
    values = ["mean_activation", "mean_activation_within_limits", "difference"]
    return {"glenoid_heads": own.groupby(keys, sort=False)[values].mean().reset_index()}


def _emg(result: CohortResult, own: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """Measured and predicted activation, within each muscle only."""
    from momentshare.emg import compare_emg

    if own.empty:
        return {}
    mode = shown_mode(own)
    own = own[own["lateral"] == mode].drop(columns="lateral").reset_index(drop=True)
    if own[["emg", "activation"]].isna().any(axis=1).all():
        return {}
    found = compare_emg(own, confidence=result.study.file.statistics.confidence)
    return {
        "emg_curves_by_person": own,
        "emg_by_condition": emg_by_condition(own, result.study.file.statistics.confidence),
        "emg_by_person": found.by_person,
        "emg_agreement": found.agreement,
        "emg_ordering": found.ordering,
    }

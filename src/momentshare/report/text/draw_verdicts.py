"""Verdicts on the orders of drawn studies, and which of their rows are shown."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from momentshare.limits import merged_keys
from momentshare.reading.once import made_once
from momentshare.report.text.null_orders import with_null_limbs
from momentshare.report.text.opening import head_volumes
from momentshare.report.text.verdicts import LIMITED, MOST_SHORT, verdict_on
from momentshare.uncertainty.plan import SURE
from momentshare.uncertainty.summary import EVERYONE

if TYPE_CHECKING:
    from momentshare.uncertainty import Summary

__all__ = [
    "describe_people",
    "judged_modes",
    "judged_pairs",
    "judged_rows",
    "main_treatment",
    "shown_activation",
    "sure_orders",
]

_WORKING = 0.05
"""Median lift-mean activation that a head must reach in some condition to be shown or judged;
assumed."""


def describe_people(found: Summary) -> str:
    """Return whose rows are shown: the mean over people, or the one person."""
    people = found.plan.people_drawn
    return EVERYONE if len(people) > 1 else str(people[0])


def main_treatment(found: Summary) -> tuple[str, str]:
    """Criterion and lateral mode that figures show: the first of each."""
    table = found.intervals
    several = table[table["lateral"] != "zero"]
    source = several if len(several) else table
    return str(table["criterion"].iloc[0]), str(source["lateral"].iloc[0])


def shown_activation(found: Summary) -> tuple[pd.DataFrame, list[str], list[str]]:
    """Lines of lift-mean activation to draw, conditions, and working heads by activation."""
    criterion, mode = main_treatment(found)
    table = found.intervals
    part = table[
        (table["measure"] == "mean_activation")
        & (table["person"] == describe_people(found))
        & (table["criterion"] == criterion)
    ]
    own = part.groupby("condition", sort=False)["lateral"].transform(lambda m: mode in set(m))
    part = part[(part["lateral"] == mode) | ~own.astype(bool)]
    part = part.drop_duplicates(["condition", "head"])
    top = part.groupby("head", sort=False)["median"].max()
    order = top[top >= _WORKING].sort_values(ascending=False, kind="stable")
    known = top.dropna()
    heads = [str(h) for h in order.index] or [str(known.idxmax() if len(known) else top.index[0])]
    names = list(found.plan.conditions)
    return part, [n for n in names if n in set(part["condition"])], heads


def named_heads(found: Summary) -> tuple[str, ...]:
    """Heads that the study names beforehand; none where it is planned."""
    statistics = getattr(found.plan.study.file, "statistics", None)
    return tuple(getattr(statistics, "heads", ()))


def judged_modes(found: Summary) -> list[str]:
    """Treatments of the lateral force that a verdict rests on.

    All of them where the force is not known. Where it was measured, zero and free contradict the
    measurement, whose error the draws contain; they are shown beside it and decide nothing.
    """
    modes = [str(mode) for mode in dict.fromkeys(found.condition_order["lateral"])]
    known = found.plan.measured is not None and "measured" in modes
    return ["measured"] if known else modes


def judged_rows(found: Summary) -> pd.DataFrame:
    """Orders under the treatments that verdicts rest on; all of them where none of these is known.

    See :func:`judged_modes`.
    """
    table, modes = found.condition_order, judged_modes(found)
    counts = table["lateral"].isin(modes)
    if counts.all():
        return table
    counts &= table["probability"].notna()
    pair = [table[name] for name in ("head", "condition", "other")]
    return table[counts | ~counts.groupby(pair, sort=False).transform("any")]


@made_once
def judged_pairs(found: Summary) -> pd.DataFrame:
    """Judge the order of every two conditions within every working head.

    Returns
    -------
    DataFrame
        One row per head and pair: ``condition`` is the higher one in the treatment and criterion
        shown first; ``probability`` is that of the order there, ``probability_low`` and
        ``probability_high`` the least and greatest over criteria and the treatments of
        :func:`judged_modes`; ``difference`` is its mean over the same draws as ``probability``;
        ``verdict`` is ``firm``, ``turns`` (sure, but not under all), ``open``, ``short of the
        moments`` (a published condition of which more than 10 % of draws fall short at some
        point) or ``beyond the limb``; ``probability_met`` and ``draws_met`` are those of the
        treatment and criterion shown first over draws without a shortfall;
        ``active_volume_cm3`` is the difference times the volume of
        the head in the reference person, ``activation`` the median in ``condition``;
        ``null_agree`` and ``null_limbs`` what null limbs give of it, if that is known.
    """
    criterion, mode = main_treatment(found)
    part, _, _ = shown_activation(found)
    medians = part.set_index(["head", "condition"])["median"]
    volumes = head_volumes(found.model)
    fallen = _fallen(found)
    rows = []
    for (head, one, other), group in judged_rows(found).groupby(
        ["head", "condition", "other"], sort=False
    ):
        ends = [float(medians.get((head, name), np.nan)) for name in (one, other)]
        if not max(ends) >= _WORKING:
            continue
        shown = group[(group["criterion"] == criterion) & (group["lateral"] == mode)]
        shown = shown if len(shown) else group
        main = float(shown["probability"].iloc[0])
        values = group["probability"].dropna().to_numpy(dtype=float)
        if not len(values) or np.isnan(main):
            continue
        flip = main < 0.5
        values = 1.0 - values if flip else values
        gap = float(shown["mean_difference"].iloc[0])
        limit = merged_keys(group["limit"]) if "limit" in group else ""
        sure = bool(values.min() >= SURE)
        turns = not sure and bool(values.max() >= SURE or values.min() <= 1.0 - SURE)
        high, low = (other, one) if flip else (one, other)
        met = float(shown["probability_met"].iloc[0])
        rows.append(
            {
                "head": head, "condition": high, "other": low,
                "difference": -gap if flip else gap,
                "probability": 1.0 - main if flip else main,
                "probability_low": values.min(), "probability_high": values.max(),
                "verdict": verdict_on(
                    limit, turns=turns, sure=sure, short=bool(fallen & {one, other})
                ),
                "limit": limit,
                "probability_met": 1.0 - met if flip else met,
                "draws_met": int(shown["draws_met"].iloc[0]),
                "active_volume_cm3": abs(gap) * volumes[str(head)],
                "activation": ends[1] if flip else ends[0],
            }
        )  # fmt: skip
    columns = [
        "head", "condition", "other", "difference", "probability", "probability_low",
        "probability_high", "verdict", "limit", "probability_met", "draws_met",
        "active_volume_cm3", "activation",
    ]  # fmt: skip
    return with_null_limbs(pd.DataFrame(rows, columns=columns), found.null)


def _fallen(found: Summary) -> set[str]:
    """Name the published conditions with a point that falls short in too many draws.

    A lift that is planned or measured has frames by the dozen, and a few that fall short hardly
    move its mean; they are counted, and the heads supply what they can.
    """
    setup = found.plan.measured
    if setup is None or any(task.given is None for task in setup.tasks):
        return set()
    table = found.failures
    share = table["with_shortfall"] / (table["draws"] - table["failed"]).clip(lower=1)
    return set(table.loc[share > MOST_SHORT, "condition"])


def sure_orders(found: Summary, pairs: pd.DataFrame) -> pd.DataFrame:
    """Count the judged orders that are sure, in each treatment and criterion by itself.

    Parameters
    ----------
    found : Summary
    pairs : DataFrame
        See :func:`judged_pairs`.

    Returns
    -------
    DataFrame
        ``lateral``, ``criterion``; ``orders`` of ``pairs`` that were drawn there; of these
        ``sure`` and ``open``, and ``sure_beyond`` and ``open_beyond``, those of each beyond what
        the limb supports.
    """
    beyond = {
        (row.head, frozenset((row.condition, row.other))): str(row.verdict) == LIMITED
        for row in pairs.itertuples()
    }
    rows = []
    for (mode, criterion), part in found.condition_order.groupby(
        ["lateral", "criterion"], sort=False
    ):
        mine = {
            (row.head, frozenset((row.condition, row.other))): float(str(row.probability))
            for row in part.dropna(subset=["probability"]).itertuples()
        }
        shown = {key: chance for key, chance in mine.items() if key in beyond}
        sure = [key for key, chance in shown.items() if max(chance, 1.0 - chance) >= SURE]
        sure_beyond = sum(beyond[key] for key in sure)
        rows.append(
            {
                "lateral": mode, "criterion": criterion, "orders": len(shown), "sure": len(sure),
                "sure_beyond": sure_beyond, "open": len(shown) - len(sure),
                "open_beyond": sum(beyond[key] for key in shown) - sure_beyond,
            }
        )  # fmt: skip
    return pd.DataFrame(rows)

"""Which trials count, which do not and why, and what leaving them out selects."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

import numpy as np

from momentshare.cohort.adjusted import LEAST_FREE, WORTH_SAYING, own_loads
from momentshare.cohort.schema import LOAD
from momentshare.report.text.opening import joined

if TYPE_CHECKING:
    from collections.abc import Sequence

    from momentshare.cohort.run import CohortResult, TrialOutcome

__all__ = ["left_out_conditions", "selection_texts"]


def left_out_conditions(result: CohortResult) -> list[str]:
    """Name the conditions that were recorded and not asked for, in quotes."""
    return [f"'{name}'" for name in result.study.conditions_left_out]


def selection_texts(result: CohortResult, *, advice: bool = True) -> list[str]:
    """State in a few sentences what counts, what does not, and why.

    Moments, lateral ratio, motion and electromyograms of every sound measurement count; heads
    carry the shortfall of the limb, and the study says whether they stay.
    """
    if not result.outcomes:
        return []
    texts = [
        f"Not used, as the study says: trial {outcome.number} ({outcome.person}, "
        f"{outcome.condition}): {outcome.fault.removeprefix('not used: ')}"
        for outcome in result.outcomes
        if not outcome.used
    ]
    reasons = Counter(name for o in result.solved for name in result.failures(o))
    if reasons:
        out = len(result.solved) - len(result.counted)
        told = ", ".join(f"{name} ({count})" for name, count in reasons.most_common())
        texts.append(
            f"{_trials(out)} left out of everything, because a check of the measurement failed: "
            f"{told}."
        )
    kept = [o for o in result.counted if o.record.get("failed_checks")]
    if kept:
        texts.append(
            f"{_trials(len(kept))} kept although a check of the measurement failed, as the study "
            "says."
        )
    short = [o for o in result.counted if o.limb_verdict == "fail"]
    if short:
        heads = len(result.counted) - len(result.heads_counted)
        texts.append(
            f"In {_trials(len(short), verb=False)} the limb falls short of a moment in more than a "
            "tenth of the frames (named in trials.csv). Their moments, lateral ratio, motion and "
            "EMG count; their heads are "
            + ("left out." if heads else "in the means, where fully active heads count.")
        )
        texts += _selection("heads", result.heads_counted, result.solved) if heads else []
    # A trial that could not be read says nothing about what was selected.
    every = [o for o in result.outcomes if not (o.fault and o.used)]
    texts += _selection("means and comparisons", result.counted, every)
    if unrun := left_out_conditions(result):
        verb = "was" if len(unrun) == 1 else "were"
        texts.append(
            f"{joined(unrun)} {verb} recorded and left out of this run. Which conditions are "
            "compared decides how many tests p is adjusted for, so choose them before looking."
            if advice
            else f"{joined(unrun)} {verb} recorded too and {verb} not analysed."
        )
    return [*texts, *_loads(result, advice=advice)]


def _loads(result: CohortResult, *, advice: bool) -> list[str]:
    """State by how much the loads differ between conditions, in people who have them all."""
    table = own_loads(result.counted)
    wide = table.pivot_table(index="person", columns="condition", values=LOAD, sort=False)
    whole = wide.dropna()
    if wide.shape[1] < 2 or whole.empty:
        return []
    means = whole.mean()
    if float(means.max() / means.min()) - 1.0 < WORTH_SAYING:
        return []
    listed = ", ".join(f"'{name}' {value:.1f}" for name, value in means.items())
    text = (
        f"Loads differ between conditions: {listed} kg on average over "
        f"{len(whole)} people who have them all"
    )
    if not advice:
        return [f"{text}."]
    text += ", so a difference between these conditions may be one of load"
    free = len(whole) - 2  # of a paired difference regressed on that of the load
    if LOAD in result.study.file.statistics.covariates:
        return [f"{text}; factors.csv has each difference with the load held (term difference)."]
    if free < LEAST_FREE:
        left = f"{free} degree{'s' if free != 1 else ''} of freedom" if free > 0 else "none"
        text += (
            f". {len(whole)} people are too few to hold the load in a model (it would leave {left})"
            "; only equal loads avoid the question."
        )
        return [text]
    text += (
        '; with covariates = ["load_kg"] under [statistics] factors.csv has each difference with '
        "the load held, and an order is firm only if it is shown with it, too."
    )
    return [text]


def _trials(count: int, *, verb: bool = True) -> str:
    if not verb:
        return "1 trial" if count == 1 else f"{count} trials"
    return "1 trial is" if count == 1 else f"{count} trials are"


def _selection(
    what: str, chosen: Sequence[TrialOutcome], every: Sequence[TrialOutcome]
) -> list[str]:
    """State how the loads of trials that count differ from those that do not."""
    inside = {o.number for o in chosen}
    loads = {
        which: [
            float(o.record["load_kg"])
            for o in every
            if (o.number in inside) == which and o.record.get("load_kg")
        ]
        for which in (True, False)
    }
    if not loads[True] or not loads[False]:
        return []
    mean, other = float(np.mean(loads[True])), float(np.mean(loads[False]))
    if abs(other / mean - 1.0) < WORTH_SAYING:
        return []
    whole = sorted({o.person for o in every} - {o.person for o in chosen})
    gone = f" No trial of {', '.join(whole)} is left." if whole else ""
    count, way = len(loads[False]), "lighter" if other < mean else "heavier"
    which = (
        "the one trial that does not count"
        if count == 1
        else (f"the {count} trials that do not count")
    )
    text = (
        f"Selection: {which} for {what} {'was' if count == 1 else 'were'} {way} ({other:.0f} "
        f"against {mean:.0f} kg on average), so means describe "
        f"{'lighter' if mean < other else 'heavier'} lifts than were measured.{gone}"
    )
    return [text]

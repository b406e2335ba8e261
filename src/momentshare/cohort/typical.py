"""The person of a cohort who is nearest to the means, and that person's repetitions.

A mean posture is nobody's arm: people differ in size, and moments of a mean posture are not the
means of the moments. So what is drawn of a condition is one measured repetition, of the same person
in every condition, since loads and sizes would differ otherwise.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from momentshare.cohort.limbs import cohort_limbs
from momentshare.cohort.measured import processed_trial, trial_tasks
from momentshare.cohort.trials import read_table
from momentshare.errors import InputError
from momentshare.model import load_model
from momentshare.runs import Setup, solve_setup

if TYPE_CHECKING:
    import pandas as pd

    from momentshare.analysis import LiftResult
    from momentshare.cohort.run import CohortResult
    from momentshare.cohort.schema import CohortStudy
    from momentshare.cohort.summary import CohortSummary

__all__ = ["solved_repetition", "typical_lifts"]

_COLUMNS = ["condition", "person", "trial", "repetition", "distance_nm", "repetitions", "warned"]


def typical_lifts(result: CohortResult, summary: CohortSummary) -> pd.DataFrame:
    """Find the person whose net moments are nearest to the mean curves, and the repetitions.

    Among the people with the most conditions it is the one with the least mean square distance, of
    those of whom no check of the measurement warns as long as there is one; each with the nearest
    repetition of a condition. A condition that this person lacks gets the nearest repetition of
    anybody.

    Parameters
    ----------
    result : CohortResult
    summary : CohortSummary
        With the mean curves of the moments.

    Returns
    -------
    DataFrame
        ``condition``, ``person``, ``trial``, ``repetition``, ``distance_nm`` (root mean square
        over rows and points of the lift, lateral force as in figures), ``repetitions`` of the
        condition that were compared; ``warned``: whether a check of the person's trials warns.
        Trials whose heads do not count are left out.
    """
    import pandas as pd

    curves = summary.tables.get("curves_moments")
    if curves is None:
        return pd.DataFrame(columns=_COLUMNS)
    curves = curves[curves["quantity"] == "moment_nm"]
    rows = []
    for outcome in result.heads_counted:
        moments = read_table(result.folder, outcome.number, "moments")
        if moments.empty:
            continue
        # Implements that cannot be pushed along have no lateral force under any treatment.
        shown = summary.mode if result.study.condition(outcome.condition).one_bar else "zero"
        own = moments[moments["lateral"] == shown].astype({"row": str})
        mean = curves[
            (curves["condition"] == outcome.condition) & (curves["lateral"] == summary.mode)
        ]
        both = own.merge(mean[["row", "lift_percent", "mean"]], on=["row", "lift_percent"])
        square = (both["moment_nm"] - both["mean"]) ** 2
        for repetition, part in square.groupby(both["repetition"]):
            distance = float(np.sqrt(part.mean()))
            rows.append((outcome.condition, outcome.person, outcome.number, repetition, distance))
    found = pd.DataFrame(rows, columns=_COLUMNS[:-2])
    if found.empty:
        return found.assign(repetitions=0, warned=False)
    best = found.loc[found.groupby(["condition", "person"], sort=False)["distance_nm"].idxmin()]
    people = best.assign(square=best["distance_nm"] ** 2).groupby("person", sort=False)["square"]
    warned = {o.person for o in result.heads_counted if o.verdict in {"warn", "fail"}}
    order = people.agg(["size", "mean"]).assign(warned=lambda t: t.index.isin(warned))
    order = order.sort_values(
        ["size", "warned", "mean"], ascending=[False, True, True], kind="stable"
    )
    own = best["person"] == order.index[0]
    ranked = best.assign(other=~own).sort_values(["other", "distance_nm"], kind="stable")
    chosen = ranked.drop_duplicates("condition").set_index("condition")[_COLUMNS[1:-2]]
    counts = found.groupby("condition", sort=False).size()
    named = [c for c in dict.fromkeys(curves["condition"].astype(str)) if c in chosen.index]
    marked = chosen.loc[named].assign(repetitions=counts)
    return marked.assign(warned=marked["person"].isin(warned)).reset_index()


def solved_repetition(study: CohortStudy, number: int, repetition: int, mode: str) -> LiftResult:
    """Read a trial again and solve one of its repetitions.

    Parameters
    ----------
    study : CohortStudy
        Of a :class:`momentshare.cohort.run.CohortResult`.
    number : int
        Of the trial, from 1.
    repetition : int
    mode : str
        Treatment of the lateral force; where the trial has only one, that one is taken.

    Raises
    ------
    MomentshareError
        The trial cannot be used, or it has no such repetition.
    OSError
        Its file cannot be read.
    """
    entry = study.file.trial[number - 1]
    plan = cohort_limbs(study, [entry.person], load_model(study.file.model))
    limbs, faults = plan.build()
    if faults:
        raise faults[0]
    trial, _ = processed_trial(study, number, limbs.take(0))
    tasks = [t for t in trial_tasks(study, number, trial) if t.repetition == repetition]
    if not tasks:
        raise InputError(f"{entry.file}: repetition {repetition} is not there any more; run again")
    settings = study.file.settings
    setup = Setup(
        limbs=plan,
        tasks=tuple(tasks),
        criterion=settings.criterion(),
        glenoid=settings.glenoid_constraint,
    )
    (case,) = solve_setup(setup, greatest_load=False).cases
    modes: list[str] = [answer.lateral.mode for answer in case.results]
    return case.results[modes.index(mode) if len(modes) > 1 else 0]

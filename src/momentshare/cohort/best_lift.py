"""A lifter's best single lift, as a bound on strength.

The load is held still in every posture of the lifter's own trials of that condition, with their
lateral ratio. That the lifter moved it is a lower bound on strength; how fast, and with how much in
reserve, is not known, so strength is never lowered. Of several repetitions, the one in which the
limb lifts most counts. What is missing from the limb is reported moment by moment, as the factor on
all muscle groups together and on each alone, and as the least change relative to the spread of each
group's strength: measured groups move less than estimated ones
(:mod:`momentshare.strength.needed`).
"""

from __future__ import annotations

from contextlib import closing
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from momentshare.analysis import prepare
from momentshare.cohort.limbs import cohort_limbs
from momentshare.cohort.measured import processed_trial, trial_tasks
from momentshare.directions import moment_direction
from momentshare.errors import MomentshareError
from momentshare.limb.matching import GREATEST_FACTOR, PRIOR, TEST_ERROR
from momentshare.model import load_model
from momentshare.processes import collect_answers
from momentshare.sharing import Status
from momentshare.strength.needed import TaskFrames, needed_strength
from momentshare.trial.checks.verdict import failed_checks
from momentshare.units import in_kg

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    import pandas as pd
    from numpy.typing import NDArray

    from momentshare.balance import Balance, Lateral
    from momentshare.cohort.schema import BestLiftEntry, CohortStudy
    from momentshare.exercise import Lift
    from momentshare.limb import Limb

__all__ = ["BestLift", "best_lift_tables", "best_lift_texts", "with_best_lifts"]

_FRAMES = 21
"""Number of postures of a lift in which a best lift is held; enough to show its weakest place."""

_LEAST_MOMENT = 0.5
"""Moment [N·m] from which one is said to be missing; assumed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BestLift:
    """One best lift applied to its lifter's limb.

    Attributes
    ----------
    person, condition : str
    load_kg : float
        What was lifted.
    fault : str
        Why it could not be applied to the limb; empty where it could.
    limb_kg : float
        What the limb holds in the weakest posture, before any change [kg].
    weakest_percent : float
        Height of that posture [% from chest to lock-out].
    missing : tuple of (str, float)
        Moments that are missing with the best lift in that posture: direction and size [N·m].
    groups : tuple of str
    common : float
        Least common factor on the strength of all groups; 1 where nothing is missing.
    alone, factors : tuple of float
        Least factor of each group alone (NaN where none suffices), and least change of all
        together.
    used : bool
        Whether the factors are applied to the limb.
    """

    person: str
    condition: str
    load_kg: float
    fault: str = ""
    limb_kg: float = float("nan")
    weakest_percent: float = float("nan")
    missing: tuple[tuple[str, float], ...] = ()
    groups: tuple[str, ...] = ()
    common: float = float("nan")
    alone: tuple[float, ...] = ()
    factors: tuple[float, ...] = ()
    used: bool = False

    @property
    def explained(self) -> bool:
        """Whether the limb holds the load without any change."""
        return not self.fault and self.limb_kg >= self.load_kg

    def text(self) -> str:
        """State in a sentence or two what it shows."""
        front = f"{self.person}, {self.condition}: best lift {self.load_kg:g} kg"
        if self.fault:
            return f"{front} could not be applied to the limb: {self.fault}"
        front += f", the limb holds {in_kg(self.limb_kg)} kg"
        if self.explained:
            return f"{front} in its weakest posture; nothing is missing."
        front += f" in its weakest posture ({self.weakest_percent:.0f} % of the height)"
        if self.missing:
            named = ", ".join(f"{direction} {size:.0f} N·m" for direction, size in self.missing)
            front += f". With the best lift {named} would be missing"
        if not np.isfinite(self.factors).all() or not self.factors:
            return (
                f"{front}; no strength of any muscle group makes up for it, so posture or load is "
                "in doubt."
            )
        raised = [
            f"{group.replace('_', ' ')} {factor:.2f}"
            for group, factor in zip(self.groups, self.factors, strict=True)
            if factor > 1.005
        ]
        least = f"{front}. All groups {self.common:.2f} times as strong would suffice; the least "
        least += f"change is {', '.join(raised)} times"
        if self.used:
            return f"{least}, and is used."
        if max(self.factors) > GREATEST_FACTOR:
            return f"{least}, implausibly large, and is not used."
        return f"{least}, and is not used, as the study says."


def with_best_lifts(
    study: CohortStudy,
    *,
    workers: int | None = None,
    progress: Callable[[int, int, str], None] | None = None,
) -> tuple[CohortStudy, tuple[BestLift, ...]]:
    """Apply every best lift to its lifter's limb; return the study with the strength they require.

    Parameters
    ----------
    study : CohortStudy
    workers : int, optional
        Processes; by default one per core.
    progress : callable, optional
        Called with the number of lifters done, of all, and who was done last.

    Returns
    -------
    study : CohortStudy
        With ``raised``, unless ``best_lift = "report"``; where a lifter has several best lifts,
        each group takes the greatest factor that any of them requires.
    found : tuple of BestLift
        In the order of the study; lifters without a trial in the run are left out.
    """
    here = {study.file.trial[number - 1].person for number in study.numbers}
    entries = {
        number: entry for number, entry in enumerate(study.file.best_lift) if entry.person in here
    }
    if not entries:
        return study, ()
    found: dict[int, BestLift] = {}
    bare = replace(study, raised={})
    tasks = [(number, (bare, entry)) for number, entry in entries.items()]
    with closing(collect_answers(laid_on_limb, tasks, workers)) as answers:
        for number, answer in answers:
            entry = entries[number]
            found[number] = answer or _fault(entry, "the process that worked on it died")
            if progress is not None:
                progress(len(found), len(entries), f"best lift of {entry.person}")
    lifts = tuple(found[number] for number in entries)
    raised: dict[str, dict[str, float]] = {}
    for lift in lifts:
        if lift.used:
            own = raised.setdefault(lift.person, {})
            for group, factor in zip(lift.groups, lift.factors, strict=True):
                if factor > 1.0:
                    own[group] = max(own.get(group, 1.0), factor)
    return replace(study, raised=raised), lifts


def _trials(study: CohortStudy, entry: BestLiftEntry) -> list[int]:
    """Numbers of the lifter's trials in the condition, left out of the run or not.

    So the limb does not depend on which conditions are run.
    """
    return [
        number
        for number, trial in enumerate(study.file.trial, start=1)
        if trial.use and (trial.person, trial.condition) == (entry.person, entry.condition)
    ]


def _fault(entry: BestLiftEntry, why: str) -> BestLift:
    return BestLift(
        person=entry.person, condition=entry.condition, load_kg=entry.load_kg, fault=why
    )


def laid_on_limb(study: CohortStudy, entry: BestLiftEntry) -> BestLift:
    """Apply one best lift to its lifter's limb. Runs in any process."""
    model = load_model(study.file.model)
    plan = cohort_limbs(study, [entry.person], model)
    limbs, faults = plan.build()
    if faults:
        return _fault(entry, str(faults[0]))
    limb = limbs.take(0)
    lifts, reasons = _lifts(study, entry, limb)
    if not lifts:
        return _fault(entry, "; ".join(reasons) or "no trial of the lifter is in this condition")
    criterion = study.file.settings.criterion()
    balances = [
        (prepare(limb, held(lift, entry.load_kg)).balance(criterion).treated(lateral), lift)
        for lift, lateral in lifts
    ]
    loads = [_holds(balance) for balance, _ in balances]
    best = int(np.argmax([load.min() for load in loads]))
    (balance, lift), load = balances[best], loads[best]
    weakest = int(np.argmin(load))
    groups = tuple(dict.fromkeys(balance.groups))
    answer = BestLift(
        person=entry.person,
        condition=entry.condition,
        load_kg=entry.load_kg,
        limb_kg=float(load[weakest]),
        weakest_percent=100.0 * float(lift.fraction[weakest]),
        groups=groups,
        common=1.0,
        alone=(1.0,) * len(groups),
        factors=(1.0,) * len(groups),
    )
    if answer.explained:
        return answer
    tested = {group for own in limb.strength_changes for group in own}
    spreads = np.array([TEST_ERROR if group in tested else PRIOR for group in groups])
    needed = needed_strength(TaskFrames.of(balance, groups), spreads)
    believed = needed.possible and float(needed.factors.max()) <= GREATEST_FACTOR
    return replace(
        answer,
        missing=_missing(balance, weakest, study),
        common=needed.common,
        alone=tuple(map(float, needed.alone)),
        factors=tuple(map(float, needed.factors)),
        used=believed and study.file.settings.best_lift == "bound",
    )


def held(lift: Lift, load_kg: float) -> Lift:
    """Return the lift with another load [kg, both hands] held still in each of its postures."""
    return replace(
        lift,
        time=None,
        motion=None,
        load_force=None,
        push_axis=None,
        load_mass=0.5 * load_kg,
        notes=(),
    )


def _lifts(
    study: CohortStudy, entry: BestLiftEntry, limb: Limb
) -> tuple[list[tuple[Lift, Lateral]], list[str]]:
    """Repetitions of the lifter's sound trials in the condition, with their lateral force."""
    found: list[tuple[Lift, Lateral]] = []
    reasons = []
    for number in _trials(study, entry):
        name = study.file.trial[number - 1].file
        try:
            trial, _ = processed_trial(study, number, limb, frames=_FRAMES)
            tasks = trial_tasks(study, number, trial)
        except MomentshareError as err:
            reasons.append(f"{name}: {err}")
            continue
        if out := study.file.processing.excluding(failed_checks(trial.checks)):
            reasons.append(f"{name}: left out, failed checks: {', '.join(out)}")
            continue
        found += [(t.lift, t.treatments[0]) for t in tasks if t.lift is not None]
    return found, reasons


def _holds(balance: Balance) -> NDArray[np.float64]:
    """Load that each posture holds [kg, both hands]; 0 where not even the arm is held."""
    best = balance.greatest_load()
    return np.where(np.asarray(best.status) == Status.SOLVED, best.factor, 0.0)


def _missing(balance: Balance, frame: int, study: CohortStudy) -> tuple[tuple[str, float], ...]:
    """Moments that are missing in a frame, the largest first."""
    unmet = balance.take(slice(frame, frame + 1)).share(study.file.settings.criterion()).unmet[0]
    named = [
        (moment_direction(row, float(value)).words, abs(float(value)))
        for row, value in zip(balance.row_names, unmet, strict=True)
        if abs(value) > _LEAST_MOMENT
    ]
    return tuple(sorted(named, key=lambda item: -item[1]))


def best_lift_texts(lifts: Sequence[BestLift]) -> list[str]:
    """State what every best lift shows, those with something missing first."""
    return [lift.text() for lift in sorted(lifts, key=lambda lift: lift.explained)]


def best_lift_tables(lifts: Sequence[BestLift]) -> dict[str, pd.DataFrame]:
    """Tables ``best_lifts``, one row per best lift, and ``best_lift_strength``, one per group."""
    import pandas as pd

    if not lifts:
        return {}
    rows = [
        {
            "person": lift.person,
            "condition": lift.condition,
            "best_lift_kg": lift.load_kg,
            "limb_holds_kg": lift.limb_kg,
            "weakest_at_height_percent": lift.weakest_percent,
            "explained": lift.explained,
            "missing": "; ".join(f"{name} {size:.1f} N·m" for name, size in lift.missing),
            "factor_on_all": lift.common,
            "used": lift.used,
            "note": lift.text(),
        }
        for lift in lifts
    ]
    groups = [
        {
            "person": lift.person,
            "condition": lift.condition,
            "group": group,
            "factor_alone": alone,
            "factor_least_change": factor,
            "used": lift.used,
        }
        for lift in lifts
        for group, alone, factor in zip(lift.groups, lift.alone, lift.factors, strict=True)
    ]
    return {"best_lifts": pd.DataFrame(rows), "best_lift_strength": pd.DataFrame(groups)}

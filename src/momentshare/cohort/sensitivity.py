"""How much the answer of a repetition moves with what is least known.

One thing is changed at a time and the lift is solved anew: the criterion, the lateral ratio, the
strength of a group, the scapula's posture, the moment arms of a group. The sizes of the changes
are ours (common practice, no source). A longer moment arm acts on the balance only, in all rows of
the group's heads; lengths and speeds stay, so its effect is overstated a little.
``momentshare uncertainty`` draws all inputs together for planned presses.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from momentshare.analysis import Prepared, prepare, solve_lift
from momentshare.limb import build_limb
from momentshare.model.numbers import Numbers

if TYPE_CHECKING:
    from collections.abc import Callable

    from momentshare.analysis import LiftResult
    from momentshare.balance import Criterion, Lateral
    from momentshare.study.run import Case

__all__ = ["CHANGES", "Change", "sensitivity_table"]

_RATIO = 0.05
_STRENGTH = 1.2
_ARMS = 1.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One changed input; each function returns its argument where it changes nothing."""

    name: str
    prepared: Callable[[Prepared], Prepared] = lambda x: x
    lateral: Callable[[Lateral], Lateral] = lambda x: x
    criterion: Callable[[Criterion], Criterion] = lambda x: x


def _stronger(group: str) -> Callable[[Prepared], Prepared]:
    def change(given: Prepared) -> Prepared:
        factor = np.where([h.group == group for h in given.limb.model.heads], _STRENGTH, 1.0)
        state = replace(
            given.state,
            active_capacity=given.state.active_capacity * factor,
            passive_force=given.state.passive_force * factor,
        )
        return replace(given, state=state)

    return change


def _longer_arms(group: str) -> Callable[[Prepared], Prepared]:
    def change(given: Prepared) -> Prepared:
        factor = np.where([h.group == group for h in given.limb.model.heads], _ARMS, 1.0)
        found = replace(given.paths, moment_arms=given.paths.moment_arms * factor)
        return replace(given, paths=found)

    return change


def _turned_scapula(angle: str, degrees: float) -> Callable[[Prepared], Prepared]:
    """Turn the scapula from the angle of its policy; the arm stays where it was measured."""

    def change(given: Prepared) -> Prepared:
        limb = given.limb
        skeleton, model = limb.skeleton, limb.model
        key = f"scapula_{skeleton.scapula_policy}_{angle}"
        turned = build_limb(
            skeleton.person,
            model,
            scapula=skeleton.scapula_policy,
            numbers=Numbers(quantities={key: model.number(key) + math.radians(degrees)}),
            options=limb.options,
        )
        tested = np.array([limb.strength_changes[0].get(h.group, 1.0) for h in model.heads])
        force = turned.max_isometric_force * tested
        return prepare(replace(turned, max_isometric_force=force), given.lift)

    return change


def _shifted(by: float) -> Callable[[Lateral], Lateral]:
    def change(given: Lateral) -> Lateral:
        if given.mode != "measured":
            return given
        ratio = np.asarray(given.ratio, dtype=float) + by
        return replace(given, ratio=float(ratio) if ratio.ndim == 0 else tuple(map(float, ratio)))

    return change


CHANGES = (
    Change(name="criterion: sum of a³", criterion=lambda c: replace(c, exponent=3.0)),
    Change(name="criterion: weighted by volume", criterion=lambda c: replace(c, weights="volume")),
    Change(name=f"lateral ratio +{_RATIO:g}", lateral=_shifted(_RATIO)),
    Change(name=f"lateral ratio -{_RATIO:g}", lateral=_shifted(-_RATIO)),
    Change(name="elbow extensors 20 % stronger", prepared=_stronger("elbow_extensors")),
    Change(
        name="shoulder flexors and adductors 20 % stronger",
        prepared=_stronger("shoulder_flexors_adductors"),
    ),
    Change(name="deltoid 20 % stronger", prepared=_stronger("deltoid")),
    Change(name="rotator cuff 20 % stronger", prepared=_stronger("rotator_cuff")),
    Change(name="scapula 10 deg more upward", prepared=_turned_scapula("upward", 10.0)),
    Change(name="scapula 10 deg less upward", prepared=_turned_scapula("upward", -10.0)),
    Change(name="scapula 10 deg more internal", prepared=_turned_scapula("internal", 10.0)),
    Change(name="scapula 10 deg less internal", prepared=_turned_scapula("internal", -10.0)),
    Change(name="moment arms of elbow extensors +10 %", prepared=_longer_arms("elbow_extensors")),
    Change(
        name="moment arms of shoulder flexors and adductors +10 %",
        prepared=_longer_arms("shoulder_flexors_adductors"),
    ),
)
"""Every change that is tried."""


def sensitivity_table(case: Case) -> pd.DataFrame:
    """One row a change × lateral mode × head: lift-mean effort before and after.

    A change that cannot matter, such as a shifted ratio where the force along the bar is not
    measured, is left out.
    """
    rows = []
    changed = [change.prepared(case.prepared) for change in CHANGES]
    for result in case.results:
        before = result.effort.mean(axis=0)
        for change, prepared in zip(CHANGES, changed, strict=True):
            after = _changed(case, result, change, prepared)
            if after is None:
                continue
            rows.append(
                pd.DataFrame(
                    {
                        "person": case.person,
                        "condition": case.condition,
                        "lateral": result.lateral.mode,
                        "change": change.name,
                        "head": list(case.prepared.limb.head_names),
                        "mean_effort": before,
                        "mean_effort_changed": after.effort.mean(axis=0),
                    }
                )
            )
    return pd.concat(rows, ignore_index=True)


def _changed(
    case: Case, result: LiftResult, change: Change, prepared: Prepared
) -> LiftResult | None:
    lateral = change.lateral(result.lateral)
    criterion = change.criterion(result.criterion)
    same = prepared is case.prepared and lateral is result.lateral and criterion == result.criterion
    return None if same else solve_lift(prepared, lateral, criterion, greatest_load=False)

"""How much the answer of a trial depends on the least certain inputs.

One thing is changed at a time and the lifts are solved again: the criterion, the lateral ratio, the
strength of a group, the scapula's posture, the moment arms of a group. The sizes of the changes
are assumed (common practice, no source). A longer moment arm acts on the balance only, in all rows
of the group's heads; lengths and speeds stay the same, so its effect is slightly overstated.
``momentshare uncertainty`` draws all inputs together for planned presses.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from momentshare.runs import solve_variations
from momentshare.runs.variation import (
    longer_arms,
    other_criterion,
    shifted_ratio,
    stronger,
    turned_scapula,
)

if TYPE_CHECKING:
    from momentshare.runs import CaseSet, Setup

__all__ = ["VARIATIONS", "sensitivity_table"]

_RATIO = 0.05
_STRENGTH = 1.2
_ARMS = 1.1
_TURN = 10.0

VARIATIONS = (
    other_criterion("criterion: sum of a³", exponent=3.0),
    other_criterion("criterion: weights by volume", weights="volume"),
    other_criterion("criterion: equal weights", weights="none"),
    shifted_ratio(f"lateral ratio +{_RATIO:g}", _RATIO),
    shifted_ratio(f"lateral ratio -{_RATIO:g}", -_RATIO),
    stronger("elbow extensors 20 % stronger", "elbow_extensors", _STRENGTH),
    stronger(
        "shoulder flexors and adductors 20 % stronger", "shoulder_flexors_adductors", _STRENGTH
    ),
    stronger("deltoid 20 % stronger", "deltoid", _STRENGTH),
    stronger("rotator cuff 20 % stronger", "rotator_cuff", _STRENGTH),
    turned_scapula("scapula 10 deg more upward", "upward", _TURN),
    turned_scapula("scapula 10 deg less upward", "upward", -_TURN),
    turned_scapula("scapula 10 deg more internal", "internal", _TURN),
    turned_scapula("scapula 10 deg less internal", "internal", -_TURN),
    longer_arms("moment arms of elbow extensors +10 %", "elbow_extensors", _ARMS),
    longer_arms(
        "moment arms of shoulder flexors and adductors +10 %", "shoulder_flexors_adductors", _ARMS
    ),
)
"""All changes that are tried."""


def sensitivity_table(setup: Setup, base: CaseSet) -> pd.DataFrame:
    """One row per repetition × change × lateral mode × head: lift-mean activation before and after.

    A change that cannot matter, such as a shifted ratio where the force along the bar is not
    measured, is left out.

    Parameters
    ----------
    setup : Setup
    base : CaseSet
        The setup solved as it is.
    """
    before = {
        (case.repetition, result.lateral.mode): result.activation.mean(axis=0)
        for case, result in base.pairs()
    }
    rows = [
        pd.DataFrame(
            {
                "repetition": case.repetition,
                "person": case.person,
                "condition": case.condition,
                "lateral": result.lateral.mode,
                "change": variation.name,
                "head": list(base.model.head_names),
                "mean_activation": before[case.repetition, result.lateral.mode],
                "mean_activation_changed": result.activation.mean(axis=0),
            }
        )
        for variation, changed in solve_variations(setup, VARIATIONS)
        for case, result in changed.pairs()
    ]
    return pd.concat(rows, ignore_index=True)

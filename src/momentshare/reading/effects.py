"""What each modelling choice does to a study: one switch at a time, everything solved again."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import pandas as pd

from momentshare.reading import condition_table, head_table_by_person
from momentshare.runs import solve_setup, solve_variations
from momentshare.runs.variation import (
    bound_couples,
    freed_couples,
    held_glenoid,
    moved_girdle,
    other_criterion,
    other_options,
    other_tempo,
    turned_scapula,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from momentshare.runs import CaseSet, Setup, Variation

__all__ = ["effect_tables", "switches"]

_TEMPO = 1.5
"""Duration [s] given to the lift of a quasi-static condition to show the effect of speed."""

_PROTRACTION = 5.0
"""Change of a lifter's protraction [deg], equal to the spread of the model's own value."""

_SCAPULA = 10.0
"""Shift of each scapula angle [deg], the size of published regression errors of 6.9 to 10.4
degrees (Xu et al., abstract read)."""


def switches(setup: Setup) -> tuple[Variation, ...]:
    """Return the modelling choices that can be switched in a setup, one at a time.

    Planned exercises are given another tempo too; a measured lift keeps its own.
    """
    options = setup.limbs.options
    found = [
        other_options(
            "no passive force" if options.passive else "passive force",
            passive=not options.passive,
        ),
        other_options(
            "rigid tendon" if options.elastic_tendon else "elastic tendon",
            elastic_tendon=not options.elastic_tendon,
        ),
    ]
    held = any(lateral.free_couples for task in setup.tasks for lateral in task.treatments)
    found.append(bound_couples() if held else freed_couples())
    # Published moments say nothing about the force across the joint.
    if all(task.given is None for task in setup.tasks):
        found.append(
            held_glenoid("without the glenoid limit", held=False)
            if setup.glenoid
            else held_glenoid("within the glenoid limit", held=True)
        )
    other = "degroote2016" if options.curves == "thelen2003" else "thelen2003"
    found.append(other_options(f"curves {other}", curves=other))
    if math.isfinite(setup.criterion.exponent):
        sizes = "volume" if setup.criterion.weights == "area" else "area"
        found.append(other_criterion(f"criterion weighted by {sizes}", weights=sizes))
    planned = [task.exercise for task in setup.tasks if task.exercise is not None]
    if planned:
        timed = any(getattr(exercise, "duration", None) is not None for exercise in planned)
        found.append(
            other_tempo("quasi-static", None)
            if timed
            else other_tempo(f"timed, {_TEMPO:g} s", _TEMPO)
        )
    if (setup.limbs.scapula or setup.limbs.model.default_scapula) in (
        setup.limbs.model.moving_scapulae
    ):
        found += [
            moved_girdle("girdle as the arm takes it", setup, None),
            *(
                moved_girdle(f"protraction {turn:+g} deg", setup, math.radians(turn))
                for turn in (_PROTRACTION, -_PROTRACTION)
            ),
        ]
    found += [
        turned_scapula(f"scapula {angle.replace('_', ' ')} {turn:+g} deg", angle, turn)
        for angle in ("internal", "upward", "anterior_tilt")
        for turn in (_SCAPULA, -_SCAPULA)
    ]
    return tuple(found)


def effect_tables(
    setup: Setup, *, progress: Callable[[int, int, str], None] | None = None
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Solve a setup as it is and with each modelling choice switched in turn.

    Parameters
    ----------
    setup : Setup
        Of a planned study (:func:`momentshare.study.plan_study`) or of measured trials.
    progress : callable, optional
        Called with the number of runs done, the total number, and what comes next.

    Returns
    -------
    heads : DataFrame
        One row per switch × condition × lateral mode × head: lift-mean activation as it is and
        changed, and the difference.
    conditions : DataFrame
        One row per switch × condition × lateral mode: peak moments and, of planned lifts, the
        greatest load, as they are and changed, means over all lifts.

    Examples
    --------
    >>> from momentshare import effect_tables, plan_study
    >>> from momentshare.demo import small_study
    >>> planned = plan_study(small_study(), conditions=["narrow"], frames=3)
    >>> heads, conditions = effect_tables(planned.setup)
    >>> "elastic tendon" in set(heads["switch"]), list(heads.columns[-1:])
    (True, ['difference'])
    """
    planned = any(task.exercise is not None for task in setup.tasks)
    keys = ["condition", "lateral", "head"]
    base = solve_setup(setup, greatest_load=planned, compared=False)
    base_heads, base_lifts = _heads(base, keys), _lifts(condition_table(base))
    heads, lifts = [], []
    found = solve_variations(setup, switches(setup), greatest_load=planned, progress=progress)
    for variation, result in found:
        both = pd.DataFrame(
            {"mean_activation": base_heads, "mean_activation_changed": _heads(result, keys)}
        )
        both["difference"] = both["mean_activation_changed"] - both["mean_activation"]
        both.insert(0, "switch", variation.name)
        heads.append(both.reset_index())
        part = base_lifts.join(_lifts(condition_table(result)).add_suffix("_changed"))
        part.insert(0, "switch", variation.name)
        lifts.append(part.reset_index())
    order = ["switch", *keys, "mean_activation", "mean_activation_changed", "difference"]
    return pd.concat(heads, ignore_index=True)[order], pd.concat(lifts, ignore_index=True)


def _heads(solved: CaseSet, keys: list[str]) -> pd.Series[float]:
    """Lift-mean activation, averaged first over repetitions, then over people."""
    table = head_table_by_person(solved)
    for name in ("head", "condition", "lateral", "person"):
        table[name] = table[name].astype(str)
    own = table.groupby([*keys, "person"], sort=False)["mean_activation"].mean()
    return own.groupby(keys, sort=False).mean()


def _lifts(table: pd.DataFrame) -> pd.DataFrame:
    wanted = [
        "greatest_load_kg",
        "peak_shoulder_horizontal_adduction_nm",
        "peak_elbow_extension_nm",
    ]
    have = [name for name in wanted if name in table]
    return table.groupby(["condition", "lateral"], sort=False)[have].mean()

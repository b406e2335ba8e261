"""Trials filed under another condition: found by the distance between the hands."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from tests import bench_lab
from tests.reference.test_bench_lab import one

from momentshare.cli.check import _print
from momentshare.cohort.check import TrialCheck
from momentshare.cohort.misfiled import SpacedTrial, misfiled_table, misfiled_trials
from momentshare.report.text.cohort_peers import peer_texts
from momentshare.trial.process import process_trial


def cohort(people=5, repeats=2, seed=4, grips=bench_lab.GRIPS):
    """Spacings of the independent laboratory, 1 cm of scatter between trials."""
    rng = np.random.default_rng(seed)
    found = []
    for lifter in bench_lab.lifters(people, seed):
        for grip, over_breadth in grips.items():
            for _ in range(repeats):
                spacing = 2.0 * over_breadth * lifter.half_breadth + 0.01 * rng.standard_normal()
                found.append(
                    SpacedTrial(
                        number=len(found) + 1, person=lifter.name, condition=grip,
                        file=f"{lifter.name}_{grip}.c3d", spacing=spacing,
                    )
                )  # fmt: skip
    return found


def filed(trials, **other):
    """The same with the trials of some numbers under other conditions."""
    return [
        replace(t, condition=other[f"t{t.number}"]) if f"t{t.number}" in other else t
        for t in trials
    ]


def test_sound_cohorts_have_none():
    for seed in range(40):
        assert misfiled_trials(cohort(seed=seed)) == []


@pytest.mark.parametrize("people", [3, 8])
def test_two_exchanged_trials_are_found_and_no_other(people):
    wrong = filed(cohort(people), t1="wide", t5="narrow")  # both of the first person
    found = misfiled_trials(wrong)
    assert [(f.trial.number, f.trial.condition, f.other) for f in found] == [
        (1, "wide", "narrow"),
        (5, "narrow", "wide"),
    ]
    lifter = bench_lab.lifters(people, 4)[0]
    for each in found:
        for grip, expected in (
            (each.trial.condition, each.expected),
            (each.other, each.expected_other),
        ):
            truth = 2.0 * bench_lab.GRIPS[grip] * lifter.half_breadth
            assert expected == pytest.approx(truth, abs=0.04)


def test_conditions_that_people_hold_alike_are_not_taken_for_each_other():
    alike = {"light": 1.4, "heavy": 1.4, "slow": 1.42}
    wrong = filed(cohort(grips=alike), t1="heavy", t3="light")
    assert misfiled_trials(wrong) == []


def test_two_people_and_unknown_spacings_tell_nothing():
    assert misfiled_trials(filed(cohort(2), t1="wide", t5="narrow")) == []
    assert misfiled_trials([replace(t, spacing=np.nan) for t in cohort()]) == []


def test_the_distance_is_that_of_the_hands():
    lifter, truth, seen, skeleton = one()
    trial = process_trial(seen, skeleton, load=lifter.load)
    hands = 2.0 * bench_lab.GRIPS[truth.condition] * lifter.half_breadth
    assert trial.record["hand_spacing_m"] == pytest.approx(hands, abs=0.015)


def test_report_and_command_name_file_values_and_remedy(capsys):
    from rich.console import Console

    wrong = filed(cohort(), t1="wide", t5="narrow")
    table = misfiled_table(wrong)
    first, _ = peer_texts(SimpleNamespace(tables={"misfiled": table}))
    row = table.iloc[0]
    assert first == (
        f"Trial 1, P01_narrow.c3d of P01, may not be wide: its hands are "
        f"{row['hand_spacing_cm']:.0f} cm apart, where the other trials lead to "
        f"{row['expected_cm']:.0f} cm, and to {row['expected_other_cm']:.0f} cm in narrow; check "
        "the condition of the trial, or the name of its file."
    )
    checked = [
        TrialCheck(number=t.number, person=t.person, condition=t.condition, file=t.file,
                   verdict="pass", hand_spacing=t.spacing)
        for t in wrong
    ]  # fmt: skip
    _print(Console(width=400), checked)
    told = [line for line in capsys.readouterr().out.splitlines() if line.startswith("warn ")]
    assert told[0] == f"warn {first.removesuffix('.')} (trial 1)"
    assert len(told) == 2


def test_the_table_is_empty_where_nothing_is_misfiled():
    assert isinstance(misfiled_table(cohort()), pd.DataFrame)
    assert misfiled_table(cohort()).empty

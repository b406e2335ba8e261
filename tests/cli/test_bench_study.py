"""The first run of a laboratory at a bench: its files, a short study, and what comes out.

Files and faults are planted by :mod:`tests.bench_study`, whose body and mechanics are not the
library's.
"""

import pandas as pd
import pytest
from tests.bench_study import HEAD, LATE_S, ZERO_N, write_study

from momentshare.cohort.check import check_trials
from momentshare.cohort.load import load_cohort
from momentshare.cohort.run import run_cohort
from momentshare.cohort.summary import summarise_cohort
from momentshare.report.text.cohort_messages import LINES, account_lines

pytest.importorskip("ezc3d")
pytest.importorskip("statsmodels")

LATE, ZERO, UNUSED = "P02", "P03", ("P04", "medium")


@pytest.mark.slow
def test_forty_eight_trials_take_few_lines_and_every_sound_one_counts(tmp_path):
    place, _ = write_study(tmp_path)
    assert len(place.read_text("utf-8").splitlines()) < 80
    study = load_cohort(place)
    assert len(study.numbers) == 48
    found = list(check_trials(study))
    assert [(f.number, f.fault) for f in found if f.fault] == []
    assert [(f.number, c.name) for f in found for c in f.checks if c.verdict == "fail"] == []
    assert all(f.repetitions == 1 for f in found)


@pytest.fixture(scope="module")
def outcome(tmp_path_factory):
    folder = tmp_path_factory.mktemp("bench")
    place, truths = write_study(folder, people=6, grips=2)
    rows = pd.read_csv(folder / "trials.csv")
    left_out = (rows["person"] == UNUSED[0]) & (rows["condition"] == UNUSED[1])
    rows["use"] = ["no" if out else "" for out in left_out]
    rows["reason"] = ["the bar slipped" if out else "" for out in left_out]
    rows.to_csv(folder / "trials.csv", index=False)
    study = load_cohort(place)
    result = run_cohort(study, folder / "out", workers=2)
    return result, summarise_cohort(result), truths


@pytest.mark.slow
def test_what_counts_and_what_does_not_is_told(outcome):
    result, summary, _ = outcome
    trials = summary.tables["trials"].set_index(["person", "condition"])
    assert trials.loc[UNUSED, "verdict"] == "not used"
    assert "the bar slipped" in trials.loc[UNUSED, "reason"]
    others = trials.drop(index=[UNUSED])
    assert len(others) == 11
    assert others["counted"].all()
    lines = account_lines(result, summary)
    assert len(lines) <= LINES
    assert lines[0].startswith("11 of 12 trials count: 6 people, 11 repetitions")
    assert any("the bar slipped" in line for line in lines)


@pytest.mark.slow
def test_faults_that_no_single_trial_shows_stand_out(outcome):
    peers = outcome[1].tables["peers"]
    found = peers[peers["stands_out"]]
    zero = found[found["check"].str.contains("vertical force less")]
    assert list(zero["person"]) == [ZERO]
    assert zero["value"].iloc[0] == pytest.approx(ZERO_N, abs=4.0)
    late = found[found["check"].str.contains("EMG behind the hand force")]
    assert list(late["person"]) == [LATE]
    gap = 0.001 * (late["value"] - late["others_median"]).iloc[0]
    assert gap == pytest.approx(LATE_S, abs=0.06)


@pytest.mark.slow
def test_strength_in_the_test_and_in_the_task_stand_side_by_side(outcome):
    own = outcome[1].tables["outcomes_by_person"]
    mine = own[(own["item"] == "elbow_extension") & (own["phase"] == "ascent")]
    of = set(mine.loc[mine["outcome"].isin(
        ["peak_over_test_strength", "peak_over_task_strength"]), "person"])  # fmt: skip
    assert of == {"P01"}  # who was tested, twice
    assert mine["outcome"].isin(["peak_moment_over_mass"]).any()


@pytest.mark.slow
def test_electromyograms_in_files_of_their_own_are_read(outcome):
    means = outcome[1].tables["emg_by_condition"]
    assert set(means["head"]) == {HEAD}
    assert (means["people"] >= 5).all()

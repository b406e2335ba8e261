"""Upper arms of a cohort: all trials of a person put the joint centre below the acromion."""

from dataclasses import replace

import numpy as np
import pytest
from tests import bench_lab
from tests.bench_study import write_study

from momentshare.cohort import upper_arms
from momentshare.cohort.load import load_cohort
from momentshare.cohort.preflight import trial_tag
from momentshare.cohort.run import run_cohort
from momentshare.cohort.upper_arms import with_upper_arms
from momentshare.model import load_model

pytest.importorskip("ezc3d")


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    return load_cohort(write_study(tmp_path_factory.mktemp("bench"), people=2, grips=2)[0])


@pytest.fixture(scope="module")
def found(study):
    return with_upper_arms(study, workers=1)


def test_every_person_has_one_from_all_trials_and_both_arms(found):
    lifters = bench_lab.lifters(2, 91)
    assert list(found.upper_arms) == [lifter.name for lifter in lifters]
    for lifter, arm in zip(lifters, found.upper_arms.values(), strict=True):
        assert (arm.paths, arm.strange) == (4, 0)  # two grips, two arms
        assert arm.length == pytest.approx(lifter.upper, abs=0.012)


def test_it_does_not_depend_on_which_trials_are_run(found, study):
    one = study.only(conditions=[study.file.condition[0].name])
    again = with_upper_arms(one, workers=1).upper_arms
    for name, arm in found.upper_arms.items():
        assert np.array_equal(again[name].offset, arm.offset)


def test_a_landmark_of_the_joint_centre_needs_no_upper_arm(study):
    layouts = [
        x.model_copy(update={"markers": x.markers | {"right_gh": "RGH"}}) for x in study.file.layout
    ]
    seen = replace(study, file=study.file.model_copy(update={"layout": layouts}))
    assert with_upper_arms(seen, workers=1).upper_arms == {}


def test_a_trial_is_solved_again_when_it_changes(found, study):
    model = load_model(study.file.model)
    (number, *_) = study.numbers
    assert trial_tag(found, number, model) != trial_tag(study, number, model)


def test_a_process_that_died_is_no_person_without_an_upper_arm(study, monkeypatch, tmp_path):
    """The trials of that person are left out with the reason, and solved by the next run."""

    def all_but_the_first(work, tasks, workers):
        yield from ((k, work(*values) if k else None) for k, values in tasks)

    one = study.only(conditions=[study.file.condition[0].name])
    with monkeypatch.context() as patch:
        patch.setattr(upper_arms, "collect_answers", all_but_the_first)
        first = run_cohort(one, tmp_path / "out", workers=1)
    lost, kept = (person.name for person in study.file.person)
    assert {o.person for o in first.outcomes if not o.fault} == {kept}
    assert all(
        f"{lost}: the process that fitted the upper arm to all trials died" in o.fault
        for o in first.outcomes
        if o.person == lost
    )
    again = run_cohort(one, tmp_path / "out", workers=1)
    assert [o.fault for o in again.outcomes] == [""] * len(again.outcomes)
    assert {o.person for o in again.outcomes if o.reused} == {kept}


def exchanged(recording, pairs):
    """The recording with the labels of some landmarks exchanged."""
    channels = dict(recording.channels)
    for one, other in pairs:
        channels[one], channels[other] = channels[other], channels[one]
    return replace(recording, channels=channels)


ARM = ("acromion", "el", "em", "rs", "us", "grip")


@pytest.mark.parametrize(
    "pairs",
    [
        [(f"right_{part}", f"left_{part}") for part in ARM],
        [("right_el", "left_el")],
        [("ij", "px")],
    ],
    ids=["arms", "elbows", "sternum"],
)
def test_a_trial_with_exchanged_labels_does_not_move_the_others(study, monkeypatch, pairs):
    """The person's arm is that of the other trial alone."""
    name = study.file.person[0].name
    good, bad = (t for t in study.file.trial if t.person == name)
    without = replace(study, file=study.file.model_copy(update={"trial": [good]}))
    (alone,) = upper_arms.person_upper_arm(without, name)
    read = upper_arms.trial_recording

    def reading(study, entry, **options):
        found = read(study, entry, **options)
        return exchanged(found, pairs) if entry == bad else found

    monkeypatch.setattr(upper_arms, "trial_recording", reading)
    (arm,) = upper_arms.person_upper_arm(study, name)
    assert arm.paths == alone.paths == 2
    assert np.allclose(arm.offset, alone.offset, atol=1e-9)
    assert arm.length == pytest.approx(alone.length, abs=1e-9)

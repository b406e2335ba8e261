"""Trials of a cohort are read and checked alike in one process or several, each file once."""

from dataclasses import replace

import pytest
from tests.bench_study import write_study

from momentshare.cohort import check, measured
from momentshare.cohort.check import check_trials
from momentshare.cohort.load import load_cohort
from momentshare.trial.formats.read import read_recording

pytest.importorskip("ezc3d")


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    place, _ = write_study(tmp_path_factory.mktemp("bench"), people=2, grips=2)
    return load_cohort(place)


def plain(items):
    """Everything about the trials, as text: NaN equals itself there."""
    rows = [[(c.name, c.value, c.verdict, c.note) for c in item.checks] for item in items]
    return str([replace(item, checks=()) for item in items]) + str(rows)


def test_workers_find_the_same_in_the_same_order(study):
    told = []
    alone = check_trials(study, workers=1, progress=lambda *done: told.append(done))
    assert told == [(2, 4, "trials of P01"), (4, 4, "trials of P02")]
    assert [item.number for item in alone] == [1, 2, 3, 4]
    assert all(item.checks and not item.fault for item in alone)
    assert plain(check_trials(study, workers=2)) == plain(alone)


def test_trials_of_a_process_that_died_cannot_be_used(study, monkeypatch):
    def dies(_, tasks, __):
        return ((key, None) for key, _ in tasks)

    monkeypatch.setattr(check, "collect_answers", dies)
    found = check_trials(study)
    assert [item.number for item in found] == [1, 2, 3, 4]
    assert all("died, perhaps for lack of memory" in item.fault for item in found)


def test_where_landmarks_alone_are_wanted_electromyograms_are_not_read(study, monkeypatch):
    files = []

    def noted(path, *rest, **named):
        files.append(path.name)
        return read_recording(path, *rest, **named)

    monkeypatch.setattr(measured, "read_recording", noted)
    whole = measured.trial_recording(study, study.file.trial[0])
    assert files == ["narrow_1.c3d", "narrow_1_emg.csv"]
    bare = measured.trial_recording(study, study.file.trial[0], emg=False)
    assert files[2:] == ["narrow_1.c3d"]
    assert {role for role in whole.channels if not role.startswith("emg/")} == set(bare.channels)


def test_maximal_contractions_are_read_once_a_person(study, monkeypatch):
    from momentshare.cohort import electromyograms

    files = []

    def noted(path, *rest, **named):
        files.append("/".join(path.parts[-2:]))
        return read_recording(path, *rest, **named)

    monkeypatch.setattr(electromyograms, "read_recording", noted)
    check_trials(study, workers=1)
    assert files
    assert len(files) == len(set(files))

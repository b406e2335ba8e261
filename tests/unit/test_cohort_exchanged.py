"""Electrodes that were exchanged are told by their envelopes, in one trial or in all of a person.

Envelopes follow the moments of an invented laboratory whose mechanics are not the library's
(:mod:`tests.bench_lab`), with gains, courses and noise of each person and trial on top.
"""

from functools import cache
from types import SimpleNamespace

import numpy as np
import pytest
from tests import bench_lab

from momentshare.cohort.electromyograms import POINTS, emg_courses, emg_settings, raw_envelopes
from momentshare.cohort.exchanged import (
    ElectrodeTrial,
    electrode_trials,
    exchanged_table,
    exchanged_text,
)
from momentshare.cohort.schema import EmgEntry
from momentshare.emg import envelope
from momentshare.trial.recording import Channel

HEADS = (
    "pectoralis_major/clavicular",
    "pectoralis_major/sternocostal_lower",
    "deltoid/clavicular",
    "triceps_brachii/long",
    "triceps_brachii/lateral",
)
PEOPLE, GRIPS = 8, tuple(bench_lab.GRIPS)


@cache
def efforts():
    """What each head does by person and grip, shape (heads, POINTS)."""
    found = {}
    for p, lifter in enumerate(bench_lab.lifters(PEOPLE, 5)):
        for c, grip in enumerate(GRIPS):
            truth = bench_lab.press(lifter, grip, 100 * p + c, 1)
            begin, end = truth.marks[0]
            inside = (truth.time >= begin) & (truth.time < end)
            moments = np.clip(truth.moments[inside], 0.0, None) / lifter.mass
            _, rise, across, extend = moments.T
            low = np.linspace(1.0, 0.0, inside.sum())
            every = [
                0.35 * across + 0.25 * rise + 0.1 * low,
                0.55 * across,
                0.2 * across + 0.45 * rise + 0.1 * (1.0 - low),
                0.45 * extend + 0.05 * low,
                0.75 * extend,
            ]
            pieces = [np.array_split(e, POINTS) for e in every]
            found[p, grip] = np.array([[x.mean() for x in e] for e in pieces])
    return found


def cohort(seed, *, noise=0.2, person=None, trial=None, pair=(0, 4), people=PEOPLE):
    """Trials of invented people; the channels of ``person`` or ``trial`` are exchanged."""
    rng = np.random.default_rng(seed)
    trials, number = [], 0
    for p in range(people):
        gain = 1e-4 * np.exp(0.5 * rng.standard_normal((len(HEADS), 1)))
        tilt = np.exp(noise * rng.standard_normal((len(HEADS), 1)) * np.linspace(-1, 1, POINTS))
        for grip in GRIPS:
            number += 1
            own = np.exp(0.7 * noise * rng.standard_normal((len(HEADS), 1)))
            rough = np.exp(0.5 * noise * rng.standard_normal((len(HEADS), POINTS)))
            courses = gain * (efforts()[p, grip] * tilt * own * rough + 0.004)
            order = np.arange(len(HEADS))
            if p == person or number == trial:
                order[list(pair)] = order[list(pair)[::-1]]
            record = {
                head: {"channel": f"EMG {h + 1}", "course": courses[order[h]].tolist()}
                for h, head in enumerate(HEADS)
            }
            trials.append(
                SimpleNamespace(
                    number=number, person=f"P{p}", condition=grip, record={"emg_courses": record}
                )
            )
    return electrode_trials(trials)


@pytest.mark.parametrize("noise", [0.1, 0.2, 0.4])
def test_sound_electrodes_are_not_named(noise):
    for seed in range(8):
        assert exchanged_table(cohort(seed, noise=noise)).empty


@pytest.mark.parametrize("pair", [(0, 4), (1, 3), (1, 4), (2, 4)])
def test_electrodes_of_a_person_are_found_where_the_heads_work_differently(pair):
    """Pectoralis or deltoid with triceps, in every trial: by course and grips alone."""
    hits = 0
    for seed in range(6):
        found = exchanged_table(cohort(seed, person=3, pair=pair))
        assert len(found) <= 1
        for row in found.to_dict("records"):
            assert (row["trial"], row["person"]) == (0, "P3")
            assert (row["head"], row["other_head"]) == (HEADS[pair[0]], HEADS[pair[1]])
            hits += 1
    assert hits >= 3


def test_heads_that_work_alike_are_never_named_in_all_trials():
    """Both heads of the triceps follow one moment: only their level differs, and people do too."""
    for seed in range(4):
        assert exchanged_table(cohort(seed, person=3, pair=(3, 4))).empty


@pytest.mark.parametrize("pair", [(0, 1), (2, 4), (3, 4)])
def test_electrodes_of_one_trial_are_found_by_level_too(pair):
    hits = 0
    for seed in range(6):
        found = exchanged_table(cohort(seed, noise=0.1, trial=14, pair=pair))
        for row in found.to_dict("records"):
            assert (row["trial"], row["person"]) == (14, "P3")
            assert (row["head"], row["other_head"]) == (HEADS[pair[0]], HEADS[pair[1]])
            hits += 1
    assert hits >= 2


def test_the_sentence_names_both_and_holds_the_numbers_of_the_row():
    seed = next(s for s in range(9) if len(exchanged_table(cohort(s, person=3))))
    (row,) = exchanged_table(cohort(seed, person=3)).to_dict("records")
    text = exchanged_text(row)
    assert text.startswith("All trials of P3: the electrodes of pectoralis_major/clavicular (EMG 1")
    assert f"are {row['distance']:.1f} times as far" in text
    assert f"and {row['distance_exchanged']:.1f} times when exchanged" in text
    assert row["distance"] > 2.0 * row["distance_exchanged"]
    assert exchanged_text(row | {"trial": 14}).startswith("Trial 14 of P3: ")


def test_few_people_and_one_electrode_for_two_heads_tell_nothing():
    assert exchanged_table(cohort(0, person=1, people=3)).empty
    assert exchanged_table([]).empty
    course = [1e-4] * POINTS
    one = ElectrodeTrial(number=1, person="A", condition="x",
                         courses=dict.fromkeys(HEADS[:2], course),
                         labels=dict.fromkeys(HEADS[:2], "EMG 1"))  # fmt: skip
    assert exchanged_table([one] * 5).empty


def test_courses_are_means_of_the_envelope_between_chest_and_lockout():
    rate = 1000.0
    time = np.arange(6000) / rate
    raw = 1e-4 * (1.0 + time) * np.sin(2.0 * np.pi * 137.0 * time)
    channel = Channel(label="EMG 1", values=raw, rate=rate, start=0.5, unit="V")
    marks = SimpleNamespace(chest=200, lockout=400)
    trial = SimpleNamespace(
        recording=SimpleNamespace(channels={f"emg/{HEADS[0]}": channel, "ij": None}),
        repetitions=[SimpleNamespace(repetition=marks)],
        track=SimpleNamespace(rate=100.0, start=0.0),
    )
    study = SimpleNamespace(file=SimpleNamespace(emg=EmgEntry()))
    entry = SimpleNamespace(file="a.c3d")
    shapes = raw_envelopes(study, entry, trial)
    found = emg_courses(trial, shapes)
    level = envelope(raw, rate, emg_settings(study.file)).values
    # From 2 to 4 s, ten stretches of 0.2 s; the channel begins at 0.5 s.
    wanted = level[1500:3500].reshape(POINTS, 200).mean(axis=1)
    assert found.keys() == {HEADS[0]}
    assert found[HEADS[0]]["channel"] == "EMG 1"
    np.testing.assert_allclose(found[HEADS[0]]["course"], wanted, rtol=2e-3)
    marks.lockout = 700  # beyond the recording
    assert emg_courses(trial, shapes) == {}


def test_a_channel_without_an_envelope_has_no_course_and_keeps_its_reason():
    channel = Channel(label="EMG 1", values=np.zeros(40), rate=1000.0, start=0.0, unit="V")
    trial = SimpleNamespace(recording=SimpleNamespace(channels={f"emg/{HEADS[0]}": channel}))
    study = SimpleNamespace(file=SimpleNamespace(emg=EmgEntry()))
    shapes = raw_envelopes(study, SimpleNamespace(file="a.c3d"), trial)
    assert "a.c3d: EMG 1" in str(shapes[HEADS[0]])
    assert emg_courses(trial, shapes) == {}


def test_a_trial_filters_each_electromyogram_once(tmp_path, monkeypatch):
    """Normalised levels and courses come from the same envelope."""
    from tests.bench_study import write_study

    from momentshare.cohort import check, electromyograms, load

    calls = []

    def counted(values, *rest, label="", **named):
        calls.append(label)
        return envelope(values, *rest, label=label, **named)

    monkeypatch.setattr(electromyograms, "envelope", counted)
    path, _ = write_study(tmp_path, 1, 1, late=-1, zero=-1)
    (found,) = check.check_trials(load.load_cohort(path))
    assert found.record["emg_courses"]
    assert len(calls) == 1

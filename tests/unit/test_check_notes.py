"""Notes of a check: what differs in numbers alone is told once; what is lost is no note."""

import io
import math
from types import SimpleNamespace

import pytest

from momentshare.cli.check import _brief, _notes, _print, _static_advice
from momentshare.cohort.check import TrialCheck
from momentshare.cohort.electromyograms import LEFT_OUT


def trials(*notes):
    return [SimpleNamespace(number=k, notes=(text,)) for k, text in enumerate(notes, start=1)]


def test_numbers_become_a_range_over_all_trials():
    found = _notes(
        trials(
            "grip: its landmark lies 2.8 cm off the line in 10 samples",
            "grip: its landmark lies 11.0 cm off the line in 9 samples",
            "grip: its landmark lies 2.8 cm off the line in 10 samples",
        )
    )
    assert found == [
        ("grip: its landmark lies 2.8 to 11.0 cm off the line in 9 to 10 samples", [1, 2, 3])
    ]


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("trunk: C7 was not recorded", "trunk: T8 was not recorded"),
        ("clock: see narrow_1.c3d", "clock: see narrow_2.c3d"),
        ("clock: begins at 0.5 s", "clock: ends at 0.5 s"),
    ],
)
def test_names_with_digits_and_other_words_stay_apart(one, other):
    assert _notes(trials(one, other)) == [(one, [1]), (other, [2])]


def test_an_electromyogram_that_is_left_out_is_no_mere_note():
    from rich.console import Console

    screen = Console(record=True, width=200, file=io.StringIO())
    same = {"person": "A", "condition": "x", "verdict": "pass", "repetitions": 1}
    lost = f"triceps_brachii/lateral{LEFT_OUT}max.csv: there is no column 'EMG9'"
    found = [TrialCheck(number=n, file=f"{n}.csv", notes=(lost, "Plain."), **same) for n in (1, 2)]
    _print(screen, found)
    lines = [line.strip() for line in screen.export_text().splitlines()]
    assert f"left out {lost} (trials 1, 2)" in lines
    assert "note Plain. (trials 1, 2)" in lines


def test_what_a_static_trial_is_worth_is_told_over_the_trials_without_one():
    def trial(number, person, change, people=0):
        return TrialCheck(
            number=number, person=person, condition="wide", file="f", steeper_nm=change,
            slope_spread=math.radians(0.0 if change is None else change), slope_people=people,
        )  # fmt: skip

    found = [trial(1, "Ines", 3.0), trial(2, "Ines", 5.0), trial(3, "Tove", None)]
    text = _static_advice(found)
    assert "C7 and T8 in view, of one person: " in text
    assert "sternum is assumed and may be off by 4.1 degrees" in text  # √((9 + 25) / 2)
    assert "by 4.1 N·m (root mean square over 2 trials)" in text  # √((9 + 25) / 2)
    text = _static_advice([*found, trial(4, "Tove", 4.0, people=7)])
    assert "in view, of 2 people: " in text
    assert "estimated from how it lies among those of 7 people" in text
    assert _static_advice(found[2:]) == ""


def test_a_note_on_every_repetition_is_cut_after_its_first_clauses():
    """Three repetitions of swapped epicondyles filled 15 lines."""
    parts = ["by more than 5 degrees", *(f"repetition {k}: worst {k} deg" for k in range(1, 7))]
    assert _brief("; ".join(parts)) == "; ".join(parts[:4]) + "; and 3 more"
    assert _brief("; ".join(parts[:4])) == "; ".join(parts[:4])


def test_warnings_on_people_come_before_the_notes_on_trials():
    from rich.console import Console

    screen = Console(record=True, width=200, file=io.StringIO())
    same = {"person": "A", "condition": "x", "verdict": "pass", "repetitions": 1}
    _print(screen, [TrialCheck(number=1, file="1.csv", notes=("Plain.",), **same)], ["A is late."])
    lines = screen.export_text().splitlines()
    assert [line for line in lines if line.startswith(("warn", "note"))] == [
        "warn A is late",
        "note Plain. (trial 1)",
    ]

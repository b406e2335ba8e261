"""The same measurement under two names: told by its numbers where the bytes differ."""

import numpy as np
import pytest

from momentshare.cohort.copies import Copies, marks
from momentshare.cohort.schema import TrialEntry
from momentshare.trial.checks.verdict import LIMITS, impossible, judge

VALUES = {
    "forearm constant": 0.4321,
    "left against right": 1.2345,
    "marker noise": 0.8765,
    "peak speed": 0.6543,
}


def entry(file="a.c3d", **given):
    return TrialEntry(person="A", condition="x", file=file, layout="l", **given)


def test_only_what_depends_on_the_recording_is_compared():
    checks = [judge(name, 0.5) for name in LIMITS]
    found = marks([*checks, impossible("marker noise", "no landmarks")])
    assert set(found) == {*VALUES, "lateral forces cancel"}


def test_an_export_rounded_otherwise_is_the_same_measurement():
    copies = Copies()
    assert copies.fault(1, entry(), VALUES) == ""
    again = {name: value * (1.0 + 1e-4) for name, value in VALUES.items()}
    told = copies.fault(2, entry("b.csv"), again)
    assert "trial[1] 'a.c3d'" in told
    assert "remove one" in told
    # A copy is held against the first, and a third against that too.
    assert "trial[1]" in copies.fault(3, entry("c.csv"), again)


@pytest.mark.parametrize(
    ("mine", "other"),
    [
        ({}, {"side": "left"}),
        ({"repetitions": [1]}, {"repetitions": [2]}),
    ],
)
def test_two_arms_and_other_repetitions_of_a_recording_are_no_copies(mine, other):
    copies = Copies()
    copies.fault(1, entry(**mine), VALUES)
    assert copies.fault(2, entry("b.csv", **other), VALUES) == ""


def test_presses_that_differ_in_one_value_or_tell_too_little_are_no_copies():
    copies = Copies()
    few = {"peak speed": 0.6, "marker noise": 0.8, "left against right": 0.0}
    copies.fault(1, entry(), VALUES)
    copies.fault(2, entry("b.csv"), few)
    assert copies.fault(3, entry("c.csv"), VALUES | {"peak speed": 0.656}) == ""
    assert copies.fault(4, entry("d.csv"), few) == ""


def test_independent_presses_agree_by_chance_hardly_ever():
    """Values that spread by a tenth, three to a trial, 1,200 trials."""
    rng = np.random.default_rng(4)
    copies = Copies()
    names = list(VALUES)[:3]
    told = [
        copies.fault(n, entry(f"{n}.c3d"), dict(zip(names, row, strict=True)))
        for n, row in enumerate(1.0 + 0.1 * rng.standard_normal((1200, 3)), start=1)
    ]
    assert not any(told)

"""Tables made once for a study, and pairs of conditions against the obvious loop."""

import gc
import itertools
import weakref

import numpy as np
import pandas as pd
import pytest

from momentshare.reading import pairs
from momentshare.reading.columns import stacked
from momentshare.reading.once import made_once
from momentshare.runs import CaseSet

HEADS = np.array(["one", "two", "three"])


def test_a_table_is_made_once_for_each_study():
    asked = []

    @made_once
    def table(study):
        asked.append(study)
        return pd.DataFrame({"value": [1.0, 2.0]})

    first, second = CaseSet(model=None, cases=()), CaseSet(model=None, cases=())
    mine = table(first)
    mine["value"] = 0.0
    assert list(table(first)["value"]) == [1.0, 2.0]
    table(second)
    assert asked == [first, second]


def test_a_table_goes_with_its_study():
    table = made_once(lambda study: pd.DataFrame({"cases": [len(study.cases)]}))
    study = CaseSet(model=None, cases=())
    assert table(study)["cases"].item() == 0
    gone = weakref.ref(study)
    del study
    gc.collect()
    assert gone() is None


@pytest.fixture
def activation():
    rng = np.random.default_rng(7)
    found = rng.uniform(0.0, 1.0, (len(HEADS), 4, 5))  # heads, people, conditions
    found[:, 1, 2] = np.nan  # a person who cannot do a condition
    found[:, :, 4] = np.nan  # a condition that nobody can do
    found[:, :, 3] = found[:, :, 0]  # two conditions level in everybody
    found[1, 0, 0] = 0.0
    return found


def test_orders_are_those_of_a_loop(activation):
    names = np.array(list("abcde"))
    wanted = []
    for h, head in enumerate(HEADS):
        for i, j in itertools.combinations(range(len(names)), 2):
            both = [
                (activation[h, p, i], activation[h, p, j])
                for p in range(activation.shape[1])
                if not np.isnan(activation[h, p, [i, j]]).any()
            ]
            if not both:
                continue
            mean = float(np.mean([b - a for a, b in both]))
            higher, lower = (j, i) if mean >= 0.0 else (i, j)
            agree = sum((b - a) * np.sign(mean) > 1e-6 for a, b in both)
            row = ("free", head, names[higher], names[lower], abs(mean), agree, len(both))
            wanted.append(row)
    every = np.array(list(itertools.combinations(range(len(names)), 2)))
    found = stacked([pairs._orders("free", HEADS, names, activation, every)])
    assert len(found) == len(wanted) == 18
    for row, want in zip(found.itertuples(index=False), wanted, strict=True):
        assert tuple(row) == (*want[:4], pytest.approx(want[4], abs=1e-15), *want[5:])


def test_mean_ratios_are_those_of_a_loop(activation):
    for k in range(activation.shape[2]):
        found = pairs._mean_ratio(activation[..., k], activation[..., 0])
        for h in range(len(HEADS)):
            known = [
                top / bottom
                for top, bottom in zip(activation[h, :, k], activation[h, :, 0], strict=True)
                if bottom > 1e-3 and not np.isnan(top)
            ]
            wanted = np.mean(known) if known else np.nan
            assert found[h] == pytest.approx(wanted, rel=1e-14, nan_ok=True)


def test_stacked_columns_are_those_of_tables_one_below_the_other():
    parts = [
        {"name": "a", "at": np.arange(3), "value": np.array([0.1, np.nan, 0.3]), "timed": True},
        {"name": "b", "at": np.arange(2), "value": np.array([1.0, 2.0]), "timed": False,
         "impulse": np.array([5.0, 6.0])},
        {"name": "c", "at": np.arange(0), "value": np.zeros(0), "timed": False},
    ]  # fmt: skip
    want = pd.concat([pd.DataFrame(part) for part in parts], ignore_index=True)
    pd.testing.assert_frame_equal(stacked(parts), want)
    assert stacked([]).empty

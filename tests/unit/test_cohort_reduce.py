"""Summing up person by person: bands of curves, parts of long tables, processes, flat memory."""

import tracemalloc
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from tests.report.cohort_planted import planted

from momentshare.cohort.reduce import Curves, group_trials, reduced_groups
from momentshare.cohort.summary import _gathered, summarise_cohort
from momentshare.files.writer import Writer

pytest.importorskip("statsmodels")


def curve(person, condition, values, head="a"):
    lift = np.linspace(0.0, 100.0, len(values))
    return pd.DataFrame(
        {"person": person, "condition": condition, "head": head, "lift_percent": lift}
    ).assign(activation=values)


def test_a_band_is_mean_and_sd_over_people():
    rng = np.random.default_rng(4)
    people = [rng.normal(1e3, 1.0, 11) for _ in range(7)]
    band = Curves(["head", "lift_percent"], "activation")
    for k, values in enumerate(people):
        band.add(0, curve(f"P{k}", "wide", values))
    found = band.table()
    assert found["mean"].to_numpy() == pytest.approx(np.mean(people, axis=0), rel=1e-14)
    assert found["sd"].to_numpy() == pytest.approx(np.std(people, axis=0, ddof=1), rel=1e-11)
    assert (found["people"] == 7).all()


def test_points_that_some_people_lack_count_for_the_others():
    band = Curves(["head", "lift_percent"], "activation")
    band.add(0, curve("A", "wide", [1.0, np.nan, 3.0]))
    band.add(0, curve("B", "wide", [3.0, 5.0, 7.0]))
    band.add(0, curve("B", "wide", [4.0], head="b"))
    found = band.table()
    assert found["people"].tolist() == [2, 1, 2, 1]
    assert found["mean"].tolist() == [2.0, 5.0, 5.0, 4.0]
    assert found["sd"].iloc[[0, 2]].to_numpy() == pytest.approx(np.sqrt([2.0, 8.0]))
    assert found["sd"].iloc[[1, 3]].isna().all()


def test_conditions_keep_their_order_and_copies_stand_last():
    band = Curves(["head", "lift_percent"], "activation")
    for place, condition in ((0, "wide"), (0, "free"), (1, "free"), (0, "narrow")):
        band.add(place, curve("A", condition, [1.0]))
    assert band.table()["condition"].tolist() == ["wide", "free", "narrow", "free"]


def test_several_processes_give_the_same_tables():
    result = planted().result
    alone = planted().tables
    together = summarise_cohort(result, workers=2).tables
    assert list(alone) == list(together)
    for name, table in alone.items():
        pd.testing.assert_frame_equal(table, together[name])


def test_progress_counts_people_and_conditions():
    told = []
    result = planted().result
    summarise_cohort(result, progress=lambda done, total: told.append((done, total)))
    count = len(group_trials(result))
    assert told == [(k + 1, count) for k in range(count)]


def test_memory_does_not_grow_with_people():
    """Five times the people give the same curves; held all at once they would take five times."""
    result = planted().result
    few = [o for o in result.counted if o.person in {"Ama", "Bo"}][:4]

    def peak(copies):
        many = tuple(replace(o, person=f"{o.person} {k}") for k in range(copies) for o in few)
        groups = reduced_groups(replace(result, outcomes=many), workers=1)
        tracemalloc.start()
        _, curves = _gathered(_without_tables(found) for found in groups)
        most = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return most, curves["curves_heads"]

    peak(1)  # what is imported and cached at first use
    small, once = peak(1)
    large, often = peak(5)
    assert (often["people"] == 5 * once["people"]).all()
    assert often["mean"].to_numpy() == pytest.approx(once["mean"].to_numpy(), rel=1e-12)
    assert large < 2.0 * small


def _without_tables(found):
    found.tables.clear()
    return found


def test_a_long_table_is_written_part_by_part(tmp_path):
    first = pd.DataFrame({"trial": [1, 1], "head": pd.Categorical(["a", "b"]), "x": [0.5, 1.5]})
    second = pd.DataFrame({"trial": [2], "head": pd.Categorical(["c"]), "x": [2.5], "more": ["y"]})
    writer = Writer(tmp_path)
    assert writer.parquet_parts("long.parquet", lambda: iter([first, second]))
    found = pd.read_parquet(tmp_path / "long.parquet")
    wanted = pd.concat(
        [first.assign(head=["a", "b"]), second.assign(head=["c"])], ignore_index=True
    )
    pd.testing.assert_frame_equal(found, wanted)
    assert not writer.parquet_parts("none.parquet", lambda: iter([]))
    assert writer.names == ("long.parquet",)


def test_parts_that_are_alike_are_traversed_once(tmp_path):
    parts = [pd.DataFrame({"trial": [k], "head": pd.Categorical(["a"])}) for k in range(3)]
    asked = []

    def again():
        asked.append(None)
        yield from parts

    assert Writer(tmp_path).parquet_parts("long.parquet", again)
    assert len(asked) == 1
    assert pd.read_parquet(tmp_path / "long.parquet")["trial"].tolist() == [0, 1, 2]

"""Intervals and orderings of synthetic draws whose truth is known."""

import math

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from scipy.stats import norm

from momentshare.model import load_model
from momentshare.study import parse_study
from momentshare.uncertainty import UncertaintyPlan, summary
from momentshare.uncertainty.chunks import MEASURES
from momentshare.uncertainty.summary import EVERYONE, order_probability, summarise

STUDY = """
title = "Synthetic"
[[person]]
name = "A"
sex = "male"
stature_cm = 178
body_mass_kg = 80
[[person]]
name = "B"
sex = "male"
stature_cm = 178
body_mass_kg = 80
[[condition]]
name = "one"
exercise = "bar_press"
spacing_cm = 60
tuck_deg = 70
load_kg = 30
lateral_ratio = 0.0
[[condition]]
name = "two"
exercise = "bar_press"
spacing_cm = 60
tuck_deg = 70
load_kg = 30
lateral_ratio = 0.0
"""
DRAWS, CHUNK = 2000, 500


@pytest.fixture(scope="module")
def model():
    return load_model()


def write(folder, model, activation, failed=frozenset()):
    """Chunk files of activations (draws, people, conditions), the same for every head."""
    files = []
    for index in range(len(activation) // CHUNK):
        rows = {"draw": [], "person": [], "condition": [], "status": [], "reason": []}
        values = []
        for draw in range(index * CHUNK, (index + 1) * CHUNK):
            for p, person in enumerate("AB"):
                for c, condition in enumerate(("one", "two")):
                    lost = (draw, person, condition) in failed
                    rows["draw"].append(draw)
                    rows["person"].append(person)
                    rows["condition"].append(condition)
                    rows["status"].append("failed" if lost else "ok")
                    rows["reason"].append("out of reach" if lost else "")
                    values.append(math.nan if lost else activation[draw, p, c])
        table = {name: pa.array(v) for name, v in rows.items()}
        count = len(values)
        table["lateral"] = pa.array(["measured"] * count)
        table["criterion"] = pa.array(["study"] * count)
        for name in ("frames_out_of_reach", "frames_with_shortfall", "frames_uncertified"):
            table[name] = pa.array([0] * count, pa.int32())
        for measure in MEASURES:
            for k, head in enumerate(model.head_names):
                # Heads differ by a fixed step, so that their order is certain.
                table[f"{measure}:{head}"] = pa.array(np.array(values) + 0.001 * k)
        path = folder / f"draws-{index:06d}.parquet"
        pq.write_table(pa.table(table), path)
        files.append(path)
    return files


@pytest.fixture(scope="module")
def plan():
    return UncertaintyPlan(study=parse_study(STUDY), draws=DRAWS, trajectories=0, sobol=0)


def noise(seed, shape, sd=0.05):
    return sd * np.random.default_rng(seed).standard_normal(shape)


def test_identical_conditions_with_independent_noise_are_a_coin(tmp_path, model, plan):
    files = write(tmp_path, model, 0.5 + noise(1, (DRAWS, 2, 2)))
    order = summarise(plan, model, files, None).condition_order
    # Four standard errors of a proportion of one half.
    assert order["probability"].to_numpy() == pytest.approx(0.5, abs=4 * 0.5 / math.sqrt(DRAWS))
    assert (order["ties"] == 0).all()
    assert (order["draws"] == DRAWS).all()


def test_a_built_in_effect_is_certain_though_intervals_overlap(tmp_path, model, plan):
    common = noise(2, (DRAWS, 1, 1), sd=0.2)
    activation = 0.5 + common + np.array([0.0, 0.01])
    found = summarise(plan, model, write(tmp_path, model, activation + np.zeros((1, 2, 1))), None)
    assert (found.condition_order["probability"] == 0.0).all()
    assert (found.condition_order["standard_error"] == 0.0).all()
    part = found.intervals[found.intervals["person"] == EVERYONE]
    one, two = (part[part["condition"] == n].iloc[0] for n in ("one", "two"))
    assert one["high"] > two["low"]


def test_no_difference_at_all_is_a_tie(tmp_path, model, plan):
    activation = np.repeat(0.5 + noise(3, (DRAWS, 2, 1)), 2, axis=2)
    order = summarise(plan, model, write(tmp_path, model, activation), None).condition_order
    assert (order["probability"] == 0.5).all()
    assert (order["ties"] == 1.0).all()


def test_heads_in_a_fixed_order_are_certain(tmp_path, model, plan):
    files = write(tmp_path, model, 0.5 + noise(4, (DRAWS, 2, 2)))
    order = summarise(plan, model, files, None).head_order
    heads = len(model.head_names)
    assert len(order) == 2 * heads * (heads - 1) / 2
    assert (order["probability"] == 0.0).all()


def test_intervals_cover_the_known_distribution(tmp_path, model, plan):
    files = write(tmp_path, model, 0.5 + noise(5, (DRAWS, 2, 2)))
    table = summarise(plan, model, files, None).intervals
    first = table[(table["head"] == model.head_names[0]) & (table["measure"] == "mean_activation")]
    for who, sd in (("A", 0.05), (EVERYONE, 0.05 / math.sqrt(2))):
        line = first[(first["person"] == who) & (first["condition"] == "one")].iloc[0]
        assert line["mean"] == pytest.approx(0.5, abs=4 * sd / math.sqrt(DRAWS))
        assert line["sd"] == pytest.approx(sd, rel=4 / math.sqrt(2 * DRAWS))
        for name, p in (("low", 0.05), ("median", 0.5), ("high", 0.95)):
            wanted = 0.5 + sd * norm.ppf(p)
            # Standard error of a sample quantile.
            error = math.sqrt(p * (1 - p) / DRAWS) / norm.pdf(norm.ppf(p)) * sd
            assert line[name] == pytest.approx(wanted, abs=4 * error)


def test_a_failed_draw_leaves_the_pooled_mean_and_is_counted(tmp_path, model, plan):
    failed = {(3, "A", "one"), (150, "A", "one"), (150, "B", "two")}
    found = summarise(
        plan, model, write(tmp_path, model, 0.5 + noise(6, (DRAWS, 2, 2)), failed), None
    )
    assert (found.condition_order["draws"] == DRAWS - 2).all()
    counts = found.failures.set_index(["person", "condition"])
    assert counts.loc[("A", "one"), "failed"] == 2
    assert counts.loc[("B", "two"), "failed"] == 1
    assert counts.loc[("A", "two"), "failed"] == 0
    assert counts.loc[("A", "one"), "reasons"] == "2 x out of reach"
    assert (counts["draws"] == DRAWS).all()
    table = found.intervals
    one = table[(table["condition"] == "one") & (table["measure"] == "mean_activation")]
    assert set(one.loc[one["person"] == EVERYONE, "draws"]) == {DRAWS - 2}
    assert set(one.loc[one["person"] == "B", "draws"]) == {DRAWS}


def test_summary_does_not_depend_on_how_draws_are_cut_into_files(tmp_path, model, plan):
    activation = 0.5 + noise(7, (DRAWS, 2, 2))
    files = write(tmp_path, model, activation)
    joined = tmp_path / "joined.parquet"
    pq.write_table(pa.concat_tables([pq.read_table(f) for f in files]), joined)
    parts, whole = (summarise(plan, model, f, None) for f in (files, [joined]))
    assert parts.intervals.equals(whole.intervals)
    assert parts.condition_order.equals(whole.condition_order)
    assert parts.head_order.equals(whole.head_order)


def test_quantiles_do_not_depend_on_the_number_of_passes(tmp_path, model, plan, monkeypatch):
    files = write(tmp_path, model, 0.5 + noise(8, (DRAWS, 2, 2)))
    one = summarise(plan, model, files, None).intervals
    monkeypatch.setattr(summary, "_HELD", 10 * DRAWS)
    assert summarise(plan, model, files, None).intervals.equals(one)


def test_order_probability_leaves_out_what_is_unknown():
    first = np.array([1.0, np.nan, 3.0, 2.0])
    second = np.array([0.0, 1.0, np.nan, 2.0])
    assert order_probability(first, second) == (0.75, 0.5, 2)


def test_moments_of_rows_are_those_of_each_by_itself():
    """With draws that some rows lack, rows of equal numbers, one draw, and none."""
    rng = np.random.default_rng(4)
    rows = rng.normal(size=(9, 40))
    rows[1:3, 5], rows[3, 7:9], rows[4], rows[5, 1:] = np.nan, np.nan, np.nan, np.nan
    rows[6], rows[7] = 0.1, np.where(np.arange(40) == 3, np.nan, 0.1)
    for row, (count, mean, spread, *points) in zip(rows, summary._moments(rows), strict=True):
        good = row[~np.isnan(row)]
        assert count == good.size
        if good.size == 0:
            assert np.isnan([mean, spread, *points]).all()
        elif np.ptp(good) == 0.0:
            assert {mean, *points} == {good[0]}
            assert spread == 0.0
        else:
            assert (mean, spread) == (good.mean(), good.std(ddof=1))
            assert points == np.quantile(good, [0.05, 0.25, 0.5, 0.75, 0.95]).tolist()

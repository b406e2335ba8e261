"""Readings: tidy tables whose every number can be worked out again from the frames."""

import numpy as np
import pandas as pd
import pytest

from momentshare.directions import DIRECTIONS, ROWS
from momentshare.model import load_model
from momentshare.paths import paths
from momentshare.person import Person
from momentshare.posture import posture_from_angles
from momentshare.reading import (
    BAND_COLUMNS,
    HEADS_COLUMNS,
    certificate_table,
    condition_table,
    doubtful_heads,
    frame_table,
    head_table,
    head_table_by_person,
    load_table,
    moment_table,
    ordering_table,
    posture_table,
    ratio_table,
)
from momentshare.skeleton import build_skeleton
from momentshare.study import parse_study, run_study

STUDY = """\
title = "Readings"
[settings]
frames = 9
[[person]]
name = "Edda"
sex = "female"
stature_cm = 168
body_mass_kg = 64
training_factor = 1.3
[[person]]
name = "Bram"
sex = "male"
stature_cm = 183
body_mass_kg = 88
training_factor = 1.3
[[condition]]
name = "narrow"
exercise = "bar_press"
spacing_biacromial = 1.1
tuck_deg = [[0, 60], [1, 82]]
forearm_tilt_deg = [[0, 7], [1, -6]]
load_per_body_mass = 0.4
lateral_ratio = -0.05
[[condition]]
name = "wide, timed"
exercise = "bar_press"
spacing_biacromial = 1.6
tuck_deg = [[0, 60], [1, 82]]
forearm_tilt_deg = [[0, 7], [1, -6]]
load_per_body_mass = 0.4
lateral_ratio = 0.1
duration_s = 1.5
[[condition]]
name = "dumbbells"
exercise = "dumbbell_press"
spacing_biacromial = 1.4
tuck_deg = 70
load_per_body_mass = 0.3
"""
FRAMES, PEOPLE = 9, 2
PAIRS = 2 * (3 + 3 + 1)
KEYS = ["person", "condition", "lateral"]


@pytest.fixture(scope="module")
def result():
    return run_study(parse_study(STUDY))


@pytest.fixture(scope="module")
def frames(result):
    return frame_table(result)


@pytest.fixture(scope="module")
def by_person(result):
    return head_table_by_person(result)


def test_head_table_has_exactly_the_stated_columns(result):
    wanted = (
        "condition",
        "lateral",
        "head",
        "people",
        *("mean_activation_mean", "mean_activation_sd"),
        *("peak_activation_mean", "peak_activation_sd"),
        *("mean_force_n_mean", "mean_force_n_sd"),
        *("peak_force_n_mean", "peak_force_n_sd"),
        *("min_fibre_length_mean", "min_fibre_length_sd"),
        *("max_fibre_length_mean", "max_fibre_length_sd"),
    )
    assert wanted == HEADS_COLUMNS
    assert tuple(head_table(result).columns) == (*wanted, *BAND_COLUMNS)


def test_head_table_has_one_row_a_condition_lateral_mode_and_head(result):
    table = head_table(result)
    assert len(table) == 7 * len(result.model.head_names)
    assert not table.duplicated(["condition", "lateral", "head"]).any()
    assert list(table["condition"].unique()) == ["narrow", "wide, timed", "dumbbells"]
    assert list(table["head"].unique()) == list(result.model.head_names)


def test_head_table_is_the_mean_over_people(result, by_person):
    table = head_table(result).set_index(["condition", "lateral", "head"])
    for key, part in by_person.groupby(["condition", "lateral", "head"]):
        assert len(part) == PEOPLE
        assert table.loc[key, "people"] == PEOPLE
        for column in HEADS_COLUMNS[4::2]:
            name = column.removesuffix("_mean")
            own = table.loc[key, [f"{name}_mean", f"{name}_sd"]].to_list()
            assert own == pytest.approx([part[name].mean(), part[name].std()], rel=1e-9)


def test_frame_table_has_one_row_a_frame_and_head(result, frames):
    assert len(frames) == PAIRS * FRAMES * len(result.model.head_names)
    assert not frames.duplicated([*KEYS, "frame", "head"]).any()
    numbers = frames.drop(columns=[*KEYS, "head", "time_s"]).to_numpy(dtype=float)
    assert np.isfinite(numbers).all()


def test_peaks_and_means_of_a_head_are_those_of_its_frames(frames, by_person):
    groups = frames.groupby([*KEYS, "head"], observed=True)
    table = by_person.set_index([*KEYS, "head"])
    for column, source, how in (
        ("peak_activation", "activation", "max"),
        ("mean_activation", "activation", "mean"),
        ("peak_force_n", "force_n", "max"),
        ("mean_force_n", "force_n", "mean"),
        ("min_fibre_length", "fibre_length", "min"),
        ("max_fibre_length", "fibre_length", "max"),
        ("greatest_path_length_m", "path_length_m", "max"),
    ):
        wanted = groups[source].agg(how)
        wanted.index = pd.MultiIndex.from_tuples(list(wanted.index), names=table.index.names)
        pd.testing.assert_series_equal(
            table[column].sort_index(),
            wanted.sort_index(),
            check_names=False,
            check_exact=False,
            rtol=1e-12,
        )


def test_force_is_capacity_times_activation_plus_passive_force(frames):
    wanted = frames["activation"] * frames["capacity_n"] + frames["passive_force_n"]
    np.testing.assert_allclose(frames["force_n"], wanted, atol=1e-9)


def test_impulse_is_given_for_timed_lifts_only(by_person, frames):
    timed = by_person["condition"] == "wide, timed"
    assert by_person.loc[~timed, "impulse_ns"].isna().all()
    part = frames[(frames["condition"] == "wide, timed") & (frames["head"] == "anconeus")]
    for (person, lateral), lift in part.groupby(["person", "lateral"], observed=True):
        wanted = np.trapezoid(lift["force_n"], lift["time_s"])
        row = by_person[
            timed
            & (by_person["person"] == person)
            & (by_person["lateral"] == lateral)
            & (by_person["head"] == "anconeus")
        ]
        assert row["impulse_ns"].item() == pytest.approx(wanted, rel=1e-12)


def test_shares_of_all_heads_make_up_the_balanced_moment(by_person):
    for row in ("elbow_extension", "shoulder_horizontal_adduction"):
        total = by_person.groupby(KEYS)[f"share_{row}"].sum()
        # The balance holds to 1e-6 N·m of moments of tens of N·m; nothing is short here.
        np.testing.assert_allclose(total, 1.0, atol=1e-6)


def test_moment_table_has_every_row_and_says_which_are_balanced(result):
    table = moment_table(result)
    assert len(table) == PAIRS * FRAMES * len(ROWS)
    balanced = table.groupby("row")["balanced"].all()
    assert balanced[list(ROWS[:4])].all()
    assert not balanced["forearm_pronation"]
    assert table.loc[~table["balanced"], "unmet_nm"].isna().all()
    assert table.loc[table["balanced"], "unmet_nm"].notna().all()


def test_moment_table_gives_lateral_force_as_ratio_times_vertical_force(result):
    table = moment_table(result)
    np.testing.assert_allclose(
        table["lateral_force_n"], table["lateral_ratio"] * table["vertical_force_n"], atol=1e-9
    )


def test_moments_are_made_by_the_heads(result, frames):
    table = moment_table(result)
    wanted = table[table["row"] == "elbow_extension"].set_index([*KEYS, "frame"])["moment_nm"]
    work = frames.assign(made=frames["arm_elbow_extension_m"] * frames["force_n"])
    made = work.groupby([*KEYS, "frame"], observed=True)["made"].sum()
    made.index = pd.MultiIndex.from_tuples(list(made.index), names=wanted.index.names)
    np.testing.assert_allclose(made.sort_index(), wanted.sort_index(), atol=1e-6)


def test_certificates_cover_every_frame(result):
    table = certificate_table(result)
    assert len(table) == PAIRS * FRAMES
    assert not table["status"].isin(["uncertified"]).any()
    for column in ("moment_residual_nm", "bound_violation", "stationarity", "duality_gap"):
        assert table[column].abs().max() < 1e-6, column


def test_posture_table_is_in_degrees_and_metres(result):
    table = posture_table(result)
    assert len(table) == 2 * 3 * FRAMES
    assert table["elbow_flexion_deg"].between(5.0, 150.0).all()
    assert table["elevation_deg"].between(40.0, 100.0).all()
    assert table["reachable"].all()


def test_load_table_names_what_ends_the_lift(result):
    table = load_table(result)
    assert len(table) == PAIRS * FRAMES
    assert table["limiting_row"].isin(ROWS[:4]).all()
    assert (table["greatest_load_kg"] > table["load_kg"]).all()
    assert table["limiting_share"].between(1.0 / 4.0 - 1e-9, np.inf).all()
    heads = {h for names in table["limiting_heads"] for h in names.split()}
    assert heads
    assert heads <= set(result.model.head_names)


def test_the_direction_that_ends_a_lift_is_the_one_that_the_weight_asks_for(result):
    loads = load_table(result)
    loads = loads[(loads["lateral"] == "zero") & (loads["limiting_row"] != "")]
    arms = moment_table(result).set_index([*KEYS, "frame", "row"])["gravity_arm_m"]
    assert len(loads) > 10
    for line in loads.itertuples():
        found = DIRECTIONS[line.limiting_direction]
        assert found.row == line.limiting_row
        key = (line.person, line.condition, line.lateral, line.frame, line.limiting_row)
        assert found.sign == np.sign(arms[key])


def test_greatest_load_of_a_condition_is_the_least_over_the_lift(result):
    loads = load_table(result).groupby(KEYS)["greatest_load_kg"].min()
    table = condition_table(result).set_index(KEYS)["greatest_load_kg"]
    pd.testing.assert_series_equal(loads.sort_index(), table.sort_index(), check_names=False)


def test_load_beyond_the_greatest_has_a_shortfall_and_one_below_has_none(result):
    greatest = condition_table(result).set_index(KEYS)["greatest_load_kg"]
    for factor, short in ((0.98, False), (1.05, True)):
        load = factor * greatest["Bram", "narrow", "zero"]
        text = STUDY.replace("load_per_body_mass = 0.4", f"load_kg = {load:.6f}", 1)
        text = text.replace("frames = 9", 'frames = 9\nlateral = ["zero"]')
        again = condition_table(run_study(parse_study(text))).set_index(KEYS)
        found = again.loc[("Bram", "narrow", "zero"), "frames_with_shortfall"]
        assert (found > 0) == short


def test_condition_table_has_one_row_a_person_condition_and_mode(result):
    table = condition_table(result)
    assert len(table) == PAIRS
    assert not table.duplicated(KEYS).any()
    assert (table["frames_with_shortfall"] == 0).all()
    measured = table[(table["lateral"] == "measured") & (table["condition"] == "narrow")]
    np.testing.assert_allclose(measured["mean_lateral_ratio"], -0.05, atol=1e-12)


def test_ratios_compare_with_the_first_condition(result, by_person):
    table = ratio_table(result)
    first = table[table["condition"] == "narrow"]
    assert (table["other"] == "narrow").all()
    np.testing.assert_allclose(first["activation_ratio"].dropna(), 1.0, atol=1e-12)
    row = table[
        (table["lateral"] == "zero")
        & (table["head"] == "triceps_brachii/medial")
        & (table["condition"] == "wide, timed")
    ]
    part = by_person[
        (by_person["lateral"] == "zero") & (by_person["head"] == "triceps_brachii/medial")
    ].pivot_table(index="person", columns="condition", values="mean_activation")
    wanted = (part["wide, timed"] / part["narrow"]).mean()
    assert row["activation_ratio"].item() == pytest.approx(wanted, rel=1e-12)


def test_orderings_name_the_higher_condition_and_count_the_people(result, by_person):
    table = ordering_table(result)
    assert (table["difference"] >= 0.0).all()
    assert table["people_agreeing"].between(0, PEOPLE).all()
    assert set(table["lateral"]) == {"measured", "zero", "free"}
    for lateral in ("measured", "zero", "free"):
        part = table[(table["lateral"] == lateral) & (table["head"] == "anconeus")]
        # Three conditions make three pairs; dumbbells, always zero, join every mode.
        assert len(part) == 3
    mean = by_person.groupby(["lateral", "condition", "head"])["mean_activation"].mean()
    for row in table[table["lateral"] == "zero"].itertuples():
        high, low = (mean["zero", c, row.head] for c in (row.condition, row.other))
        assert high - low == pytest.approx(row.difference, abs=1e-12)


def test_heads_whose_path_cannot_be_trusted_are_named():
    person = Person(name="Kai", sex="male", stature=1.78, body_mass=80.0)
    skeleton = build_skeleton(person, load_model())
    # The arm across the chest beyond its reach: the tendon lies within the chest surface.
    across = posture_from_angles(np.radians([40.0, 160.0]), np.radians(75.0), np.radians(40.0))
    found = paths(skeleton, across)
    assert found.inside[1].any()
    assert not doubtful_heads(found, np.array([True, False]))
    assert "pectoralis_major/abdominal" in doubtful_heads(found, np.array([True, True]))

"""Electromyograms beside predicted activation, within a muscle."""

import inspect

import numpy as np
import pandas as pd
import pytest
from scipy.stats import t, ttest_1samp

from momentshare import emg
from momentshare.cohort import summary
from momentshare.emg import CAVEATS, compare_emg

PERCENT = np.linspace(0.0, 100.0, 11)
LONG, LATERAL = "triceps_brachii/long", "triceps_brachii/lateral"


def curve(person, condition, head, emg, activation):
    return pd.DataFrame(
        {
            "person": person,
            "condition": condition,
            "head": head,
            "lift_percent": PERCENT,
            "emg": np.broadcast_to(emg, PERCENT.shape),
            "activation": np.broadcast_to(activation, PERCENT.shape),
        }
    )


def cohort(people=6, heads=(LONG,), conditions=("narrow", "medium", "wide"), seed=0):
    rng = np.random.default_rng(seed)
    return pd.concat(
        [
            curve(
                f"p{person}",
                condition,
                head,
                np.abs(0.4 + 0.1 * place + 0.1 * np.sin(PERCENT / 30) + rng.normal(0, 0.03, 11)),
                0.3 + 0.1 * place + 0.2 * np.sin(PERCENT / 30.0),
            )
            for person in range(people)
            for place, condition in enumerate(conditions)
            for head in heads
        ],
        ignore_index=True,
    )


def test_order_of_conditions_person_by_person():
    # EMG differences a - b: +0.2, +0.2, -0.2, +0.005; predicted +0.1 in all.
    levels = {"p1": 0.6, "p2": 0.6, "p3": 0.2, "p4": 0.405}
    table = pd.concat(
        [curve(p, "narrow", LONG, value, 0.5) for p, value in levels.items()]
        + [curve(p, "wide", LONG, 0.4, 0.4) for p in levels]
    )
    (row,) = compare_emg(table).ordering.to_dict("records")
    assert (row["condition"], row["other"]) == ("narrow", "wide")
    assert (row["people"], row["agree"], row["disagree"], row["level"]) == (4, 2, 1, 1)
    assert row["share_agree"] == 0.5
    assert 0.0 < row["share_agree_low"] < 0.5 < row["share_agree_high"] < 1.0
    assert row["emg_difference"] == pytest.approx(0.05125)
    assert row["activation_difference"] == pytest.approx(0.1)
    # The interval of the EMG difference includes zero, so its sign is not known.
    told = ttest_1samp([0.2, 0.2, -0.2, 0.005], 0.0).confidence_interval(0.95)
    assert (row["emg_difference_low"], row["emg_difference_high"]) == pytest.approx(tuple(told))
    assert (row["activation_difference_low"], row["activation_difference_high"]) == pytest.approx(
        (0.1, 0.1)
    )
    assert row["verdict"] == "open"


@pytest.mark.parametrize(
    ("change", "predicted", "verdict"),
    [
        (0.2, 0.1, "agree"),
        (-0.2, -0.1, "agree"),
        (-0.2, 0.1, "disagree"),
        (0.2, 0.005, "level"),
        (0.005, 0.2, "level"),
        (0.0, 0.0, "level"),
    ],
)
def test_verdicts(change, predicted, verdict):
    table = pd.concat(
        [
            curve("p1", "narrow", LONG, 0.4 + change, 0.4 + predicted),
            curve("p1", "wide", LONG, 0.4, 0.4),
        ]
    )
    row = compare_emg(table).ordering.iloc[0]
    assert row["verdict"] == verdict
    assert (
        row[
            [
                "emg_difference_low",
                "emg_difference_high",
                "activation_difference_low",
                "activation_difference_high",
            ]
        ]
        .isna()
        .all()
    )
    assert row["note"] == "one person, so no interval; the verdict is by signs alone"


def pairs_of(measured, predicted):
    """People with these differences between narrow and wide."""
    return pd.concat(
        [
            curve(f"p{k}", name, LONG, 0.5 + share * e, 0.5 + share * a)
            for k, (e, a) in enumerate(zip(measured, predicted, strict=True))
            for name, share in (("narrow", 0.5), ("wide", -0.5))
        ]
    )


SURE, UNSURE, SLIGHT = (0.2, 0.25, 0.3), (0.2, -0.1, 0.3), (0.005, 0.006, 0.004)


@pytest.mark.parametrize(
    ("measured", "predicted", "verdict"),
    [
        (SURE, SURE, "agree"),
        (SURE, [-d for d in SURE], "disagree"),
        (UNSURE, SURE, "open"),
        (SURE, UNSURE, "open"),
        ([-d for d in UNSURE], SURE, "open"),
        (UNSURE, UNSURE, "open"),
        (SLIGHT, SURE, "level"),
        (UNSURE, SLIGHT, "level"),
        ((0.2, 0.3), (0.2, 0.21), "open"),
        ((0.2, 0.201), (0.2, 0.21), "agree"),
    ],
)
def test_verdicts_over_people_need_both_signs_to_be_known(measured, predicted, verdict):
    row = compare_emg(pairs_of(measured, predicted)).ordering.iloc[0]
    assert row["verdict"] == verdict
    known = (
        row["emg_difference_low"] * row["emg_difference_high"] > 0
        and row["activation_difference_low"] * row["activation_difference_high"] > 0
    )
    assert known or verdict in {"open", "level"}
    assert row["note"] == ""


def test_less_confidence_settles_an_open_verdict():
    table = pairs_of((0.2, 0.3), (0.2, 0.21))
    assert compare_emg(table, confidence=0.8).ordering["verdict"].item() == "agree"


def test_every_pair_of_conditions_once_for_every_head():
    found = compare_emg(cohort(heads=(LONG, LATERAL)))
    pairs = found.ordering[["head", "condition", "other"]]
    assert len(pairs) == 6
    assert not pairs.duplicated().any()
    assert len(found.agreement) == 6
    assert len(found.by_person) == 36


def test_numbers_of_one_curve_are_their_definitions():
    table = cohort(people=1, conditions=("narrow",))
    (row,) = compare_emg(table).by_person.to_dict("records")
    measured, predicted = table["emg"].to_numpy(), table["activation"].to_numpy()
    centred = measured - measured.mean(), predicted - predicted.mean()
    r = centred[0] @ centred[1] / np.sqrt((centred[0] @ centred[0]) * (centred[1] @ centred[1]))
    assert row["r"] == pytest.approx(r, rel=1e-12)
    assert row["rmse"] == pytest.approx(np.sqrt(((predicted - measured) ** 2).mean()))
    assert row["difference"] == pytest.approx(predicted.mean() - measured.mean())


def test_correlation_is_averaged_by_fishers_z():
    found = compare_emg(cohort())
    r = found.by_person.query("condition == 'wide'")["r"]
    row = found.agreement.query("condition == 'wide'").iloc[0]
    assert row["r"] == pytest.approx(np.tanh(np.arctanh(r).mean()), rel=1e-12)
    assert row["r_low"] < row["r"] < row["r_high"]
    assert row["rmse_low"] < row["rmse"] < row["rmse_high"]


def test_a_perfect_correlation_is_no_infinity():
    table = pd.concat(
        [curve(f"p{k}", "narrow", LONG, 0.1 + PERCENT / 200.0, PERCENT / 200.0) for k in range(3)]
    )
    row = compare_emg(table).agreement.iloc[0]
    assert row["r"] == pytest.approx(1.0, abs=1e-9)
    assert (row["difference_low"], row["difference_high"]) == pytest.approx((-0.1, -0.1))


def test_one_person_has_no_interval_and_is_told_so():
    found = compare_emg(cohort(people=1))
    names = [name for name in found.agreement if name.endswith(("_low", "_high"))]
    assert len(names) == 6
    assert found.agreement[names].isna().all(axis=None)
    assert found.agreement["note"].str.contains("one person, so no interval").all()
    assert found.ordering[["share_agree_low", "share_agree_high"]].isna().all(axis=None)
    assert found.ordering["note"].str.contains("one person").all()
    assert found.agreement["r"].notna().all()


def test_intervals_of_few_people_widen_with_students_t():
    row = compare_emg(cohort(people=2, conditions=("narrow",))).agreement.iloc[0]
    found = compare_emg(cohort(people=2, conditions=("narrow",))).by_person["difference"]
    half = t.ppf(0.975, 1) * found.std(ddof=1) / np.sqrt(2.0)
    assert row["difference_high"] - row["difference"] == pytest.approx(half)
    assert row["note"] == ""


def test_the_interval_of_an_error_ends_at_zero():
    table = pd.concat(
        [curve(f"p{k}", "narrow", LONG, 0.2, 0.2 + gap) for k, gap in enumerate((0.0, 0.3, 0.01))]
    )
    row = compare_emg(table).agreement.iloc[0]
    assert row["rmse_low"] == 0.0
    assert row["difference_low"] < 0.0
    assert row["rmse_high"] == pytest.approx(row["difference_high"])


def test_a_constant_curve_has_no_correlation_and_is_told_so():
    table = pd.concat(
        [
            cohort(people=2, conditions=("narrow",)),
            curve("flat", "narrow", LONG, 0.3, PERCENT / 200.0),
            curve("still", "narrow", LONG, PERCENT / 200.0, 0.3),
        ]
    )
    found = compare_emg(table)
    people = found.by_person.set_index("person")
    assert people["r"].isna().to_dict() == {"flat": True, "p0": False, "p1": False, "still": True}
    assert people.loc["flat", "note"].startswith("EMG is constant")
    assert people.loc["still", "note"].startswith("activation is constant")
    row = found.agreement.iloc[0]
    assert (row["people"], row["people_with_r"]) == (4, 2)
    assert "no correlation in 2 of 4" in row["note"]
    assert np.isfinite(row["r"])
    alone = compare_emg(table.query("person == 'flat'")).agreement.iloc[0]
    assert np.isnan(alone["r"])


def test_a_missing_condition_does_not_count():
    table = cohort(people=3)
    table = table.query("not (person == 'p1' and condition == 'wide')")
    found = compare_emg(table)
    people = found.ordering.set_index(["condition", "other"])["people"].to_dict()
    assert people == {("narrow", "medium"): 3, ("narrow", "wide"): 2, ("medium", "wide"): 2}


def test_a_condition_that_a_head_lacks_altogether_is_missing():
    table = pd.concat(
        [
            cohort(people=3, conditions=("narrow", "wide")),
            cohort(people=3, conditions=("narrow",), heads=(LATERAL,)),
        ]
    )
    found = compare_emg(table)
    row = found.ordering.query("head == @LATERAL").iloc[0]
    assert (row["verdict"], row["people"]) == ("missing", 0)
    assert np.isnan(row["emg_difference"])
    assert "nobody" in row["note"]
    gone = found.agreement.query("head == @LATERAL and condition == 'wide'").iloc[0]
    assert gone["people"] == 0
    assert np.isnan(gone["rmse"])
    assert gone["note"] == "nobody was measured"


def test_missing_samples_are_left_out_counted_and_matched_between_conditions():
    table = pd.concat(
        [
            curve("p1", "narrow", LONG, 0.2 + PERCENT / 200.0, 0.2 + PERCENT / 200.0),
            curve("p1", "wide", LONG, 0.1 + PERCENT / 200.0, 0.1 + PERCENT / 200.0),
        ],
        ignore_index=True,
    )
    # Without its high part the first curve would have the lower mean.
    table.loc[(table["condition"] == "narrow") & (table["lift_percent"] > 45.0), "emg"] = np.nan
    found = compare_emg(table)
    row = found.ordering.iloc[0]
    assert row["emg_difference"] == pytest.approx(0.1)
    assert row["activation_difference"] == pytest.approx(0.1)
    assert found.by_person["samples"].tolist() == [5, 11]


def test_conditions_without_a_common_part_of_the_lift():
    table = pd.concat([curve("p1", c, LONG, 0.5, 0.5) for c in ("narrow", "wide")])
    early = table["lift_percent"] < 50.0
    narrow = table["condition"] == "narrow"
    found = compare_emg(table[early == narrow]).ordering.iloc[0]
    assert found["verdict"] == "missing"
    assert "share no part of the lift" in found["note"]


def test_nothing_can_be_asked_about_two_muscles():
    names = set(inspect.signature(compare_emg).parameters)
    assert not {name for name in names if "head" in name or "muscle" in name}
    found = compare_emg(cohort(heads=(LONG, LATERAL)))
    for table in (found.ordering, found.agreement, found.by_person):
        assert [name for name in table if "head" in name] == ["head"]
        assert set(table["head"]) <= {LONG, LATERAL}
    assert any("ranks neither muscles" in caveat for caveat in CAVEATS)
    assert len(CAVEATS) == 6


def test_a_head_does_not_notice_the_others():
    table = cohort(heads=(LONG, LATERAL))
    other = table.copy()
    other.loc[other["head"] == LATERAL, "emg"] *= 0.2
    alone = table[table["head"] == LONG]
    told = compare_emg(alone)
    for given in (table, other):
        found = compare_emg(given)
        for name in ("ordering", "agreement", "by_person"):
            mine = getattr(found, name).query("head == @LONG").reset_index(drop=True)
            pd.testing.assert_frame_equal(mine, getattr(told, name))


def test_the_order_of_rows_changes_no_number():
    table = cohort(people=7)
    mixed = table.sample(frac=1.0, random_state=1)
    keys = ["head", "condition"]
    one = compare_emg(table).agreement.sort_values(keys).reset_index(drop=True)
    two = compare_emg(mixed).agreement.sort_values(keys).reset_index(drop=True)
    pd.testing.assert_frame_equal(one, two)


def test_categories_and_numbers_as_names_are_fine():
    table = cohort(people=3)
    table["person"] = table["person"].str[1:].astype(int)
    for key in ("condition", "head"):
        table[key] = table[key].astype("category")
    assert len(compare_emg(table).by_person) == 9


def test_electromyograms_without_a_sample_in_common_are_left_out():
    own = cohort(2).assign(lateral="zero", emg=np.nan)
    assert summary._emg(None, own) == {}


def test_public_names_can_be_imported():
    assert list(emg.__all__) == sorted(emg.__all__)
    assert all(hasattr(emg, name) for name in emg.__all__)

"""Comparing conditions over people: tables, gaps, edges where the data cannot answer."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from tests.absent import hide

from momentshare.cohort.contrasts import omnibus_row
from momentshare.cohort.fit import Data, fitted
from momentshare.cohort.means import by_person, subject_means
from momentshare.cohort.statistics import compare_all, compared
from momentshare.errors import InputError, MissingExtraError

# Invented: lift-mean activation of one head in seven people, three grips.
ACTIVATION = np.array(
    [
        [0.41, 0.47, 0.55],
        [0.38, 0.45, 0.49],
        [0.52, 0.53, 0.61],
        [0.33, 0.41, 0.40],
        [0.47, 0.46, 0.58],
        [0.44, 0.52, 0.57],
        [0.29, 0.37, 0.46],
    ]
)
NAMES = ("Ada", "Bo", "Cleo", "Dov", "Ema", "Finn", "Gro")
GRIPS = ("narrow", "middle", "wide")


def tidy(values, conditions=GRIPS, **more):
    """One row for each value that is there."""
    rows = [
        {"person": NAMES[i], "condition": conditions[j], "value": values[i][j]} | more
        for i in range(len(values))
        for j in range(len(values[i]))
        if not np.isnan(values[i][j])
    ]
    return pd.DataFrame(rows)


def compare(values, confidence=0.95):
    """One outcome, from values or from a tidy table."""
    table = values if isinstance(values, pd.DataFrame) else tidy(values)
    return compared(by_person(table), confidence)


def test_subject_means_count_repetitions_and_skip_what_is_missing():
    table = pd.DataFrame(
        {
            "person": ["Bo", "Bo", "Bo", "Ada", "Ada"],
            "condition": ["wide"] * 5,
            "head": ["x", "x", "y", "x", "x"],
            "value": [0.2, 0.4, 0.9, np.nan, np.nan],
            "force_n": [10, 20, 30, 40, 60],
        }
    )
    means = subject_means(table, ["head"], ["value", "force_n"])
    assert list(means.columns) == [
        "person", "condition", "head", "value", "force_n", "repetitions",
    ]  # fmt: skip
    assert means["person"].tolist() == ["Bo", "Bo", "Ada"]
    np.testing.assert_allclose(means["value"], [0.3, 0.9, np.nan])
    np.testing.assert_allclose(means["force_n"], [15.0, 30.0, 50.0])
    assert means["repetitions"].tolist() == [2, 1, 2]


def test_repetitions_without_any_value_do_not_count():
    table = tidy([[0.2, 0.3, 0.4]])
    double = pd.concat([table, table.assign(value=np.nan)])
    assert subject_means(double, [], ["value"])["repetitions"].tolist() == [1, 1, 1]


def test_categories_keep_their_order_and_drop_what_is_unused():
    table = tidy(ACTIVATION)
    table["condition"] = pd.Categorical(table["condition"], ["wide", "extra", "middle", "narrow"])
    found = compare(subject_means(table, [], ["value"])).contrasts
    assert found["condition"].tolist() == ["wide", "wide", "middle"]


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"value": "much"}, "must hold numbers"),
        ({"value": True}, "must hold numbers"),
        ({"value": np.inf}, "row 0, column 'value': is inf"),
        ({"value": -1e200}, "is -1e+200"),
        ({"person": None}, "row 0, column 'person': is empty"),
        ({"condition": np.nan}, "row 0, column 'condition': is empty"),
    ],
)
def test_bad_cells_are_named(change, says):
    table = tidy(ACTIVATION).assign(**change)
    for call in (
        lambda: subject_means(table, [], ["value"]),
        lambda: compare_all(table, keys=[]),
    ):
        with pytest.raises(InputError, match="table") as caught:
            call()
        assert says in str(caught.value)


def test_columns_that_are_not_there_or_clash_are_named():
    table = tidy(ACTIVATION)
    with pytest.raises(InputError, match="did you mean 'value'"):
        subject_means(table, [], ["valeu"])
    with pytest.raises(InputError, match="asked for twice"):
        subject_means(table, ["person"], ["value"])
    with pytest.raises(InputError, match="name of a result"):
        compare_all(table.assign(note="a"), keys=["note"])
    with pytest.raises(InputError, match="is duplicated"):
        compare_all(pd.concat([table, table["value"]], axis=1), keys=[])
    for share in (0.0, 1.0, 95.0, np.nan):
        with pytest.raises(InputError, match="confidence"):
            compare_all(table, keys=[], confidence=share)


def test_two_rows_for_a_person_and_condition_are_refused():
    table = tidy(ACTIVATION)
    with pytest.raises(InputError, match="'Ada' has two rows in condition 'narrow'"):
        compare(pd.concat([table, table.head(1)]))


def test_contrasts_are_first_less_second_with_counts_of_people():
    found = compare(ACTIVATION)
    assert found.method == "mixed model"
    assert not found.notes
    table = found.contrasts.set_index(["condition", "other"])
    assert list(table.index) == [("narrow", "middle"), ("narrow", "wide"), ("middle", "wide")]
    for (a, b), row in table.iterrows():
        gap = ACTIVATION[:, GRIPS.index(a)] - ACTIVATION[:, GRIPS.index(b)]
        assert row["estimate"] == pytest.approx(gap.mean())
        assert row["estimate_low"] < row["estimate"] < row["estimate_high"]
        assert row["cohen_d_z"] == pytest.approx(gap.mean() / gap.std(ddof=1))
        assert abs(row["hedges_g_z"]) < abs(row["cohen_d_z"])
        assert row["cohen_d_z_low"] < row["cohen_d_z"] < row["cohen_d_z_high"]
        assert row["n_people"] == row["n_condition"] == row["n_other"] == 7
        assert row["n_same_direction"] == (gap < 0).sum()
        assert row["n_opposite"] == (gap > 0).sum()
        assert row["p"] <= row["p_holm"] <= 1.0
    assert found.omnibus["n_values"].item() == 21


def test_order_of_rows_does_not_matter():
    first = compare(ACTIVATION)
    shuffled = tidy(ACTIVATION).sample(frac=1.0, random_state=3)
    shuffled["condition"] = pd.Categorical(shuffled["condition"], GRIPS)
    second = compare(shuffled)
    pd.testing.assert_frame_equal(first.contrasts, second.contrasts, rtol=1e-6)
    pd.testing.assert_frame_equal(first.omnibus, second.omnibus, rtol=1e-6)


@pytest.mark.parametrize("factor", [1e-4, -3.0, 1e6])
def test_scale_and_shift_of_the_outcome_change_no_test(factor):
    values = ACTIVATION.copy()
    values[2, 1] = np.nan
    first, second = compare(values), compare(values * factor + 7.0 * factor)
    same = ["p", "p_holm", "p_paired_t", "p_paired_holm", "n_same_direction", "df"]
    pd.testing.assert_frame_equal(first.contrasts[same], second.contrasts[same], rtol=1e-5)
    np.testing.assert_allclose(
        second.contrasts[["estimate", "se"]] / [factor, abs(factor)],
        first.contrasts[["estimate", "se"]],
        rtol=1e-5,
    )


def test_wider_confidence_is_wider():
    narrow, wide = compare(ACTIVATION, confidence=0.8), compare(ACTIVATION, confidence=0.99)
    assert (wide.contrasts["estimate_low"] < narrow.contrasts["estimate_low"]).all()
    assert (wide.contrasts["cohen_d_z_high"] > narrow.contrasts["cohen_d_z_high"]).all()


def test_a_person_who_lacks_a_condition_counts_with_the_others_and_is_named():
    values = ACTIVATION.copy()
    values[3, 2] = np.nan
    found = compare(values)
    assert found.method == "mixed model"
    assert "1 of 7 people lack a condition" in found.notes[0]
    assert "Dov (wide)" in found.notes[0]
    table = found.contrasts
    assert table["n_people"].tolist() == [7, 6, 6]
    assert table["df"].unique().tolist() == [20 - 9]
    assert np.isnan(found.omnibus["p_greenhouse_geisser"].item())
    # Dov, a low one, is missing from wide; the model knows that, the plain mean does not.
    plain = np.nanmean(values[:, 0]) - np.nanmean(values[:, 2])
    own = np.nanmean(values[:, 0] - values[:, 2])
    assert abs(table["estimate"][1] - own) < abs(table["estimate"][1] - plain)


def test_condition_that_nobody_has_is_said():
    table = tidy(ACTIVATION)
    table.loc[table["condition"] == "wide", "value"] = np.nan
    found = compare(table)
    assert found.notes == ("Nobody has a value in wide.",)
    assert len(found.contrasts) == 1


def test_no_variance_between_people_falls_back_and_says_so():
    values = ACTIVATION - ACTIVATION.mean(axis=1, keepdims=True)
    found = compare(values)
    assert found.method == "least squares within people"
    assert "singular fit" in found.notes[0]
    assert "repeated-measures" in found.omnibus["note"].item()
    # The person's level is taken out either way, so the test is that of the raw values.
    np.testing.assert_allclose(found.contrasts["p"], compare(ACTIVATION).contrasts["p"], rtol=1e-5)


def test_hardly_any_rest_falls_back_and_says_so():
    values = ACTIVATION * 0.1 + 1000.0 * np.arange(7.0)[:, None]
    found = compare(values)
    assert found.method == "least squares within people"
    assert "residual variance is negligible" in found.notes[0]
    np.testing.assert_allclose(found.contrasts["p"], compare(ACTIVATION).contrasts["p"], rtol=1e-3)


def test_constant_outcome_has_no_test():
    found = compare(np.full((5, 3), 0.2) + 1e-13 * ACTIVATION[:5])
    assert found.method == "none"
    assert "constant" in found.notes[0]
    assert found.contrasts[["se", "p", "p_holm", "cohen_d_z"]].isna().all(axis=None)
    np.testing.assert_allclose(found.contrasts["estimate"], 0.0, atol=1e-12)
    assert found.contrasts["n_level"].tolist() == [5, 5, 5]


def test_same_difference_in_everyone_has_an_estimate_but_no_test():
    found = compare(np.linspace(0.1, 0.5, 5)[:, None] + [0.0, 0.1, 0.3])
    assert "same amount" in found.notes[0]
    np.testing.assert_allclose(found.contrasts["estimate"], [-0.1, -0.3, -0.2])
    assert (
        found.contrasts[["p", "estimate_low", "cohen_d_z", "cohen_d_z_low"]].isna().all(axis=None)
    )
    assert found.contrasts[["p_paired_holm", "difference_low"]].isna().all(axis=None)
    assert found.contrasts["note"].str.contains("no paired test").all()
    assert found.contrasts["n_same_direction"].tolist() == [5, 5, 5]


@pytest.mark.parametrize("people", [1, 2])
def test_too_few_people_have_estimates_but_no_test(people):
    found = compare(ACTIVATION[:people])
    assert found.method == "none"
    assert "person" in found.notes[0] or "too few" in found.notes[0]
    wanted = ACTIVATION[:people, 0].mean() - ACTIVATION[:people, 1].mean()
    assert found.contrasts["estimate"][0] == pytest.approx(wanted)
    untested = [
        "se",
        "p",
        "p_paired_t",
        "p_paired_holm",
        "difference_low",
        "difference_high",
        "cohen_d_z_low",
    ]
    assert found.contrasts[untested].isna().all(axis=None)
    for notes in (found.omnibus["note"], found.contrasts["note"]):
        assert notes.str.contains("3 are needed").all()


def test_two_people_say_how_many_are_needed_also_when_nothing_differs():
    found = compare(np.full((2, 3), 0.2))
    assert found.omnibus["note"].item() == "There are 2 people, too few for a test; 3 are needed."
    assert (found.contrasts["note"] == found.omnibus["note"].item()).all()


@pytest.mark.parametrize(("both", "says"), [(1, "1 person has both"), (2, "2 people have both")])
def test_a_pair_that_few_people_have_says_how_many_are_needed(both, says):
    values = ACTIVATION.copy()
    values[both:, 2] = np.nan
    found = compare(values).contrasts.set_index(["condition", "other"])
    lacking, whole = found.loc[("narrow", "wide")], found.loc[("narrow", "middle")]
    assert says in lacking["note"]
    assert "too few for a paired test; 3 are needed" in lacking["note"]
    assert lacking[["p_paired_t", "p_paired_holm", "difference_low"]].isna().all()
    assert np.isfinite(lacking["p"])
    assert whole["note"] == ""
    # The one pair with a paired test is a family of its own.
    assert whole["p_paired_holm"] == whole["p_paired_t"]


def test_f_is_never_below_zero():
    """Rounding in a covariance with practically no residual can make the sum of squares
    negative."""
    who, what = np.indices((4, 3))
    data = Data(
        y=ACTIVATION[:4].ravel(), who=who.ravel(), what=what.ravel(), conditions=3, level=1e-9
    )
    fit = fitted(data)
    turned = replace(fit, beta=np.array([1e-10, 0.0, 0.0]), cov=-fit.cov)
    row = omnibus_row(data, ACTIVATION[:4], turned)
    assert (row["f"], row["p"]) == (0.0, 1.0)
    flat = ACTIVATION - ACTIVATION.mean(axis=0)
    assert compare(flat).omnibus["f"].item() == pytest.approx(0.0, abs=1e-12)
    assert compare(flat).omnibus["f"].item() >= 0.0


def test_one_condition_and_no_values_are_answers():
    one = compare(ACTIVATION[:, :1])
    assert one.contrasts.empty
    assert "one condition" in one.notes[0]
    assert np.isnan(one.omnibus["p"].item())
    none = compare(tidy(ACTIVATION).assign(value=np.nan))
    assert none.contrasts.empty
    assert none.notes[-1] == "There are no values."
    empty = compare(tidy(ACTIVATION).head(0))
    assert empty.contrasts.empty


def test_different_people_in_each_condition_are_not_compared():
    values = np.full((6, 2), np.nan)
    values[:3, 0], values[3:, 1] = ACTIVATION[:3, 0], ACTIVATION[3:6, 1]
    found = compare(values)
    assert "No person has two conditions" in found.notes[-1]
    row = found.contrasts.iloc[0]
    assert np.isnan(row["p"])
    assert row["n_people"] == 0
    assert row["estimate"] == pytest.approx(np.nanmean(values[:, 0]) - np.nanmean(values[:, 1]))


def test_conditions_that_nobody_links_have_no_test():
    values = np.full((7, 4), np.nan)
    values[:4, :2], values[4:, 2:] = ACTIVATION[:4, :2], ACTIVATION[4:, 1:]
    table = tidy(values, ("a", "b", "c", "d"))
    found = compare(table)
    assert "no person links" in found.notes[-1]
    tested = found.contrasts.dropna(subset="p")
    assert list(zip(tested["condition"], tested["other"], strict=True)) == [
        ("a", "b"),
        ("c", "d"),
    ]
    assert np.isnan(found.omnibus["f"].item())


def test_an_interval_that_excludes_zero_goes_with_its_paired_p():
    for share in (0.9, 0.95, 0.999):
        found = compare(ACTIVATION, confidence=share).contrasts
        outside = found["difference_low"] * found["difference_high"] > 0.0
        assert (outside == (found["p_paired_t"] < 1.0 - share)).all()


def many(noise):
    rng = np.random.default_rng(4)
    parts = [
        tidy(ACTIVATION + noise * rng.standard_normal(ACTIVATION.shape), lateral=mode, head=head)
        for mode in ("zero", "free")
        for head in ("x", "y", "z")
    ]
    return pd.concat(parts, ignore_index=True)


def test_families_of_many_outcomes():
    table = many(0.03)
    omnibus, contrasts = compare_all(table, keys=["lateral", "head"])
    assert list(omnibus.columns[:2]) == ["lateral", "head"]
    assert len(omnibus) == 6
    assert len(contrasts) == 18
    part = contrasts[(contrasts["lateral"] == "free") & (contrasts["head"] == "y")]
    alone = compare(table[(table["lateral"] == "free") & (table["head"] == "y")])
    np.testing.assert_allclose(part["p_holm"], alone.contrasts["p_holm"])
    for mode in ("zero", "free"):
        rows = contrasts[contrasts["lateral"] == mode].sort_values("p")
        steps = rows["p"].to_numpy() * np.arange(9, 0, -1)
        by_hand = np.minimum(np.maximum.accumulate(steps), 1.0)
        np.testing.assert_allclose(rows["p_holm_over_head"], by_hand)
        rows = contrasts[contrasts["lateral"] == mode].sort_values("p_paired_t")
        steps = rows["p_paired_t"].to_numpy() * np.arange(9, 0, -1)
        by_hand = np.minimum(np.maximum.accumulate(steps), 1.0)
        np.testing.assert_allclose(rows["p_paired_holm_over_head"], by_hand)
    np.testing.assert_allclose(part["p_paired_holm"], alone.contrasts["p_paired_holm"])
    assert "p_paired_holm_over_head" not in omnibus
    whole = omnibus[omnibus["lateral"] == "zero"].sort_values("p")
    steps = whole["p"].to_numpy() * np.arange(3, 0, -1)
    np.testing.assert_allclose(
        whole["p_holm_over_head"], np.minimum(np.maximum.accumulate(steps), 1.0)
    )


def test_an_idle_head_beside_busy_ones_does_not_count_in_the_family():
    idle = tidy(np.zeros((7, 3)), head="idle")
    table = pd.concat([tidy(ACTIVATION, head="busy"), idle], ignore_index=True)
    omnibus, contrasts = compare_all(table, keys=["head"])
    busy = contrasts[contrasts["head"] == "busy"]
    np.testing.assert_allclose(busy["p_holm_over_head"], busy["p_holm"])
    assert contrasts[contrasts["head"] == "idle"]["p_holm"].isna().all()
    assert "constant" in omnibus["note"].iloc[1]


def test_nothing_to_compare_gives_empty_tables_with_their_columns():
    omnibus, contrasts = compare_all(tidy(ACTIVATION, head="x").head(0), keys=["head"])
    assert omnibus.empty
    assert contrasts.empty
    assert {"head", "p", "p_holm_over_head"} <= set(omnibus.columns) & set(contrasts.columns)
    _, contrasts = compare_all(tidy(ACTIVATION[:, :1], head="x"), keys=["head"])
    assert contrasts.empty
    assert "estimate" in contrasts


def test_duplicates_among_outcomes_name_the_outcome():
    table = many(0.0)
    with pytest.raises(InputError, match="zero: 'Ada' has two rows"):
        compare_all(table, keys=["lateral"])


def test_without_statsmodels_the_message_says_what_to_install(monkeypatch):
    hide(monkeypatch, "statsmodels")
    with pytest.raises(MissingExtraError, match=r"momentshare\[cohort\]"):
        compare_all(tidy(ACTIVATION), keys=[])


def test_random_gaps_never_crash_and_never_warn():
    rng = np.random.default_rng(11)
    for _ in range(40):
        people, conditions = rng.integers(1, 7), rng.integers(1, 5)
        values = rng.choice([0.0, 1e-3, 1.0, 1e4], size=(people, conditions))
        values = values * rng.standard_normal(values.shape).round(int(rng.integers(0, 4)))
        values[rng.random(values.shape) < rng.choice([0.0, 0.3, 0.7])] = np.nan
        table = tidy(values, ("a", "b", "c", "d"))
        if table.empty:
            continue
        found = compare(table)
        p = found.contrasts[["p", "p_holm", "p_paired_t"]].to_numpy(dtype=float)
        assert (np.isnan(p) | ((p >= 0.0) & (p <= 1.0))).all()
        silent = found.contrasts["p"].isna() & (found.contrasts["note"] == "")
        assert not silent.any()

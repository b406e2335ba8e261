"""Differences with covariates held, against a general library and where there is none."""

import numpy as np
import pandas as pd
import pytest

from momentshare.cohort.adjusted import LEAST_FREE, adjusted_differences, load_gap


def sample(people, gap=0.3, slope=0.02, seed=4):
    rng = np.random.default_rng(seed)
    rows = []
    for who in range(people):
        own = rng.normal(0.5, 0.2)
        for k, condition in enumerate(("narrow", "wide")):
            load = 40.0 + 5.0 * who + rng.normal(3.0 * k, 1.0)
            value = own + gap * k + slope * load + rng.normal(0.0, 0.02)
            rows.append((str(who), condition, "activation", "a", value, load))
    columns = ["person", "condition", "outcome", "item", "value", "load_kg"]
    return pd.DataFrame(rows, columns=columns)


@pytest.mark.parametrize("confidence", [0.95, 0.9])
def test_a_difference_equals_a_regression_with_a_column_for_each_person(confidence):
    api = pytest.importorskip("statsmodels.formula.api")
    table = sample(9)
    (row,) = adjusted_differences(table, ["load_kg"], confidence).to_dict("records")
    fit = api.ols("value ~ C(condition) + C(person) + load_kg", table).fit()
    name = "C(condition)[T.wide]"
    assert (row["condition"], row["other"]) == ("narrow", "wide")
    assert row["difference"] == pytest.approx(-fit.params[name])
    assert row["difference_se"] == pytest.approx(fit.bse[name])
    assert row["p"] == pytest.approx(fit.pvalues[name])
    assert row["df_denominator"] == fit.df_resid == 7
    low, high = fit.conf_int(1.0 - confidence).loc[name]
    assert (row["difference_low"], row["difference_high"]) == pytest.approx((-high, -low))


def test_people_with_one_of_the_conditions_do_not_count():
    table = sample(9)
    fewer = table.drop(table.index[(table["person"] == "3") & (table["condition"] == "wide")])
    (row,) = adjusted_differences(fewer, ["load_kg"], 0.95).to_dict("records")
    (without,) = adjusted_differences(table[table["person"] != "3"], ["load_kg"], 0.95).to_dict(
        "records"
    )
    assert row == without
    assert row["people"] == 8


@pytest.mark.parametrize(
    ("table", "note"),
    [
        (sample(2), "too few to hold the covariates"),
        (sample(9).assign(load_kg=lambda t: 30.0 + 5.0 * (t["condition"] == "wide")),
         "cannot be separated"),
    ],
)  # fmt: skip
def test_without_a_test_the_note_says_why(table, note):
    (row,) = adjusted_differences(table, ["load_kg"], 0.95).to_dict("records")
    assert note in row["note"]
    assert "difference" not in row


def test_a_covariate_that_does_not_vary_within_people_changes_nothing():
    table = sample(9).assign(load_kg=lambda t: 40.0 + t["person"].astype(float))
    (row,) = adjusted_differences(table, ["load_kg"], 0.95).to_dict("records")
    gap = table.pivot_table(index="person", columns="condition", values="value")
    assert row["difference"] == pytest.approx((gap["narrow"] - gap["wide"]).mean())
    assert row["df_denominator"] == 8
    assert "load_kg does not vary within people" in row["note"]


def test_no_covariate_gives_no_row():
    assert adjusted_differences(sample(9), [], 0.95).empty


def test_an_interval_of_few_degrees_of_freedom_is_a_third_wider():
    from scipy.stats import norm, t

    wide = t.ppf(0.975, LEAST_FREE - 1) / norm.ppf(0.975), t.ppf(0.975, LEAST_FREE)
    assert wide[0] > 4.0 / 3.0 > 1.0
    assert wide[1] / norm.ppf(0.975) < 4.0 / 3.0


def test_loads_are_compared_over_the_people_who_have_both():
    loads = pd.DataFrame(
        [("A", "narrow", 30.0), ("A", "wide", 33.0), ("B", "narrow", 90.0)],
        columns=["person", "condition", "load_kg"],
    )
    assert load_gap(loads, "wide", "narrow") == (33.0, 30.0, 1)
    assert load_gap(loads, "wide", "medium") is None

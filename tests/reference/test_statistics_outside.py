"""Comparison of conditions against the outside.

Sources: statsmodels' AnovaRM, multipletests and general mixed-model fit, SciPy's paired t test and
bootstrap, independent codes run here; the restricted likelihood written out with whole matrices
(textbook, from memory) and climbed by a general optimiser; Holm's steps worked by hand; Hedges'
factor in closed form; the adjustment of Greenhouse and Geisser in Box's sum form (textbook, from
memory); coverage and error rate by drawing. All data are invented.
"""

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from scipy.optimize import minimize
from statsmodels.regression.mixed_linear_model import MixedLM
from statsmodels.stats.anova import AnovaRM
from statsmodels.stats.multitest import multipletests

from momentshare.cohort.means import by_person
from momentshare.cohort.statistics import compare_all, compared

# Invented: elbow moment [N·m] of eight people at four hand spacings.
MOMENT = np.array(
    [
        [42.0, 38.5, 31.0, 27.5],
        [51.5, 49.0, 44.0, 41.0],
        [36.0, 35.5, 33.0, 24.0],
        [47.0, 40.0, 41.5, 33.0],
        [55.0, 52.5, 43.5, 45.0],
        [39.5, 41.0, 30.5, 29.0],
        [44.0, 39.0, 37.0, 30.0],
        [48.5, 47.5, 40.0, 31.5],
    ]
)
GRIPS = ("1.0", "1.4", "1.7", "2.0")


def tidy(values):
    rows = [
        {"person": f"P{i}", "condition": GRIPS[j], "value": values[i, j]}
        for i in range(values.shape[0])
        for j in range(values.shape[1])
        if not np.isnan(values[i, j])
    ]
    return pd.DataFrame(rows)


def compare(values, confidence=0.95):
    return compared(by_person(tidy(values)), confidence)


def test_overall_test_equals_the_repeated_measures_analysis_of_variance():
    found = compare(MOMENT)
    assert found.method == "mixed model"
    table = AnovaRM(tidy(MOMENT), "value", "person", within=["condition"]).fit().anova_table
    row = found.omnibus.iloc[0]
    assert row["f"] == pytest.approx(table["F Value"].iloc[0], rel=1e-6)
    assert row["df_numerator"] == table["Num DF"].iloc[0]
    assert row["df_denominator"] == table["Den DF"].iloc[0]
    assert row["p"] == pytest.approx(table["Pr > F"].iloc[0], rel=1e-5)


def test_two_conditions_give_the_paired_t_test():
    found = compare(MOMENT[:, :2]).contrasts.iloc[0]
    paired = stats.ttest_rel(MOMENT[:, 0], MOMENT[:, 1])
    interval = paired.confidence_interval(0.95)
    assert found["estimate"] / found["se"] == pytest.approx(paired.statistic, rel=1e-6)
    for name in ("p", "p_paired_t"):
        assert found[name] == pytest.approx(paired.pvalue, rel=1e-5)
    assert found["estimate_low"] == pytest.approx(interval.low, rel=1e-6)
    assert found["estimate_high"] == pytest.approx(interval.high, rel=1e-6)
    assert found["df"] == paired.df


def test_contrasts_of_complete_data_have_the_pooled_error():
    rest = MOMENT - MOMENT.mean(axis=0) - MOMENT.mean(axis=1, keepdims=True) + MOMENT.mean()
    error = np.sqrt(2.0 / 8.0 * (rest**2).sum() / 21.0)
    np.testing.assert_allclose(compare(MOMENT).contrasts["se"], error, rtol=1e-6)


def with_gaps():
    values = MOMENT.copy()
    values[[0, 2, 5, 5], [3, 0, 1, 2]] = np.nan
    return values


def restricted(values):
    """Variances, condition means and their covariance by the whole-matrix likelihood."""
    who, what = np.nonzero(~np.isnan(values))
    y, design = values[who, what], (what[:, None] == np.arange(values.shape[1])).astype(float)
    alike = (who[:, None] == who).astype(float)

    def parts(logs):
        weight = np.linalg.inv(np.exp(logs[0]) * alike + np.exp(logs[1]) * np.eye(len(y)))
        information = design.T @ weight @ design
        beta = np.linalg.solve(information, design.T @ weight @ y)
        return weight, information, beta

    def loss(logs):
        weight, information, beta = parts(logs)
        rest = y - design @ beta
        sizes = np.linalg.slogdet(information)[1] - np.linalg.slogdet(weight)[1]
        return 0.5 * (sizes + rest @ weight @ rest)

    best = minimize(
        loss, [2.0, 2.0], method="Nelder-Mead", options={"xatol": 1e-10, "fatol": 1e-12}
    )
    _, information, beta = parts(best.x)
    return np.sqrt(np.exp(best.x)), beta, np.linalg.inv(information)


def test_mixed_model_with_gaps_maximises_the_restricted_likelihood():
    found = compare(with_gaps())
    assert found.method == "mixed model"
    spreads, beta, cov = restricted(with_gaps())
    row = found.omnibus.iloc[0]
    np.testing.assert_allclose(
        [row["sd_between_people"], row["sd_within_people"]], spreads, rtol=1e-5
    )
    pairs = [(a, b) for a in range(4) for b in range(a + 1, 4)]
    lines = np.array([np.eye(4)[a] - np.eye(4)[b] for a, b in pairs])
    np.testing.assert_allclose(found.contrasts["estimate"], lines @ beta, rtol=1e-5)
    np.testing.assert_allclose(
        found.contrasts["se"], np.sqrt(np.einsum("ij,jk,ik->i", lines, cov, lines)), rtol=1e-5
    )


def test_mixed_model_with_gaps_agrees_with_the_general_fit():
    table = tidy(with_gaps())
    fit = MixedLM.from_formula("value ~ C(condition)", table, groups="person").fit(reml=True)
    assert fit.converged
    found = compare(with_gaps()).contrasts
    mine = found[found["condition"] == GRIPS[0]]
    np.testing.assert_allclose(-mine["estimate"], fit.fe_params.iloc[1:], rtol=1e-3)
    np.testing.assert_allclose(mine["se"], fit.bse_fe.iloc[1:], rtol=1e-3)


def test_holm_steps_worked_by_hand():
    # Sorted 0.01, 0.03, 0.04: times 3, 2, 1 gives 0.03, 0.06, 0.04, and a later step is never
    # below an earlier one: 0.03, 0.06, 0.06.
    wanted = {0.01: 0.03, 0.03: 0.06, 0.04: 0.06}
    rng = np.random.default_rng(2)
    noise = rng.standard_normal(6)
    noise = (noise - noise.mean()) / noise.std(ddof=1)
    parts = []
    for p in wanted:
        gap = stats.t.isf(0.5 * p, 5) / np.sqrt(6.0) + noise
        pair = np.stack([gap, np.zeros(6)], axis=1) + rng.standard_normal((6, 1))
        parts.append(tidy(pair).assign(head=f"head {p}"))
    _, contrasts = compare_all(pd.concat(parts), keys=["head"])
    np.testing.assert_allclose(contrasts["p"], list(wanted), rtol=1e-5)
    np.testing.assert_allclose(contrasts["p_holm_over_head"], list(wanted.values()), rtol=1e-5)


def test_paired_columns_are_the_paired_t_test_of_each_pair_and_its_library_adjustment():
    found = compare(MOMENT, confidence=0.9).contrasts
    for _, row in found.iterrows():
        a, b = (MOMENT[:, GRIPS.index(row[side])] for side in ("condition", "other"))
        paired = stats.ttest_rel(a, b)
        assert row["p_paired_t"] == pytest.approx(paired.pvalue, rel=1e-9)
        interval = paired.confidence_interval(0.9)
        assert (row["difference_low"], row["difference_high"]) == pytest.approx(
            tuple(interval), rel=1e-9
        )
    wanted = multipletests(found["p_paired_t"], method="holm")[1]
    np.testing.assert_allclose(found["p_paired_holm"], wanted)


@pytest.mark.parametrize(("people", "conditions"), [(18, 5), (24, 3), (15, 7)])
def test_least_squares_within_people_has_the_pooled_error(people, conditions):
    """No variance between people; the error is √(2/n) of the pooled spread (textbook)."""
    values = np.random.default_rng(people).standard_normal((people, conditions))
    values -= values.mean(axis=1, keepdims=True)
    found = compared(pd.DataFrame(values), 0.95)
    assert found.method == "least squares within people"
    rest = values - values.mean(axis=0)
    free = (people - 1) * (conditions - 1)
    error = np.sqrt(2.0 / people * (rest**2).sum() / free)
    np.testing.assert_allclose(found.contrasts["se"], error, rtol=1e-9)
    spread = people * (values.mean(axis=0) ** 2).sum() / (conditions - 1)
    f = spread / ((rest**2).sum() / free)
    assert found.omnibus["f"].item() == pytest.approx(f, rel=1e-9)


def test_holm_equals_the_library_for_many_outcomes():
    rng = np.random.default_rng(5)
    parts = [
        tidy(MOMENT * 0.1 + 4.0 * rng.standard_normal(MOMENT.shape)).assign(head=f"head {i}")
        for i in range(4)
    ]
    omnibus, contrasts = compare_all(pd.concat(parts), keys=["head"])
    for table in (omnibus, contrasts):
        wanted = multipletests(table["p"], method="holm")[1]
        np.testing.assert_allclose(table["p_holm_over_head"], wanted)
    for _, part in contrasts.groupby("head"):
        np.testing.assert_allclose(part["p_holm"], multipletests(part["p"], method="holm")[1])


def test_greenhouse_geisser_equals_the_sum_form_and_keeps_its_limits():
    cov = np.cov(MOMENT, rowvar=False)
    k = len(cov)
    above = k**2 * (np.trace(cov) / k - cov.mean()) ** 2
    below = (k - 1) * (
        (cov**2).sum() - 2 * k * (cov.mean(axis=1) ** 2).sum() + k**2 * cov.mean() ** 2
    )
    row = compare(MOMENT).omnibus.iloc[0]
    assert row["epsilon_greenhouse_geisser"] == pytest.approx(above / below)
    assert 1.0 / (k - 1) <= row["epsilon_greenhouse_geisser"] <= 1.0
    assert row["p_greenhouse_geisser"] > row["p"]
    two = compare(MOMENT[:, :2]).omnibus.iloc[0]
    assert two["epsilon_greenhouse_geisser"] == pytest.approx(1.0)


def test_effect_size_interval_agrees_with_a_bootstrap_of_many_people():
    rng = np.random.default_rng(8)
    gap = 0.6 + rng.standard_normal(300)
    found = compare(np.stack([gap, np.zeros(300)], axis=1) + 2.0 * rng.standard_normal((300, 1)))
    row = found.contrasts.iloc[0]
    drawn = stats.bootstrap(
        (gap,),
        lambda x, axis: x.mean(axis=axis) / x.std(axis=axis, ddof=1),
        n_resamples=4000,
        rng=np.random.default_rng(1),
    ).confidence_interval
    # The bounds differ by the bootstrap's own noise and by the sample's shape, each near 0.01.
    assert row["cohen_d_z_low"] == pytest.approx(drawn.low, abs=0.03)
    assert row["cohen_d_z_high"] == pytest.approx(drawn.high, abs=0.03)


@pytest.mark.parametrize(
    ("people", "factor"), [(3, 1.0 / np.sqrt(np.pi)), (5, np.sqrt(2.0 / np.pi))]
)
def test_hedges_factor_in_closed_form(people, factor):
    # Γ(f/2) / (√(f/2) Γ((f − 1)/2)) with f = people − 1: f = 2 gives 1/√π, f = 4 gives √(2/π).
    row = compare(MOMENT[:people, :2]).contrasts.iloc[0]
    assert row["hedges_g_z"] / row["cohen_d_z"] == pytest.approx(factor)


def effects(people, size, count):
    rng = np.random.default_rng(people)
    for _ in range(count):
        pair = np.zeros((people, 2))
        pair[:, 0] = size + rng.standard_normal(people)
        yield compare(pair + rng.standard_normal((people, 1))).contrasts.iloc[0]


@pytest.mark.slow
@pytest.mark.parametrize("size", [0.0, 1.5])
def test_effect_size_interval_of_few_people_covers_and_hedges_is_unbiased(size):
    count = 400
    rows = list(effects(6, size, count))
    held = sum(r["cohen_d_z_low"] <= size <= r["cohen_d_z_high"] for r in rows)
    assert abs(held - 0.95 * count) < 3.5 * np.sqrt(count * 0.95 * 0.05)
    drawn = np.array([r["hedges_g_z"] for r in rows])
    assert abs(drawn.mean() - size) < 3.5 * drawn.std() / np.sqrt(count)


@pytest.mark.slow
@pytest.mark.parametrize("between", [0.0, 2.0])
def test_intervals_cover_and_the_overall_test_keeps_its_rate_with_gaps(between):
    """Six people, three conditions, two values lost; normal noise, no true difference."""
    rng = np.random.default_rng(20)
    count, covered, found_something = 300, 0, 0
    for _ in range(count):
        values = rng.standard_normal((6, 3)) + between * rng.standard_normal((6, 1))
        values[[1, 4], [0, 2]] = np.nan
        found = compare(values)
        row = found.contrasts.iloc[1]
        covered += row["estimate_low"] <= 0.0 <= row["estimate_high"]
        found_something += found.omnibus["p"].item() < 0.05
    assert abs(covered - 0.95 * count) < 3.5 * np.sqrt(count * 0.95 * 0.05)
    assert abs(found_something - 0.05 * count) < 3.5 * np.sqrt(count * 0.95 * 0.05)


@pytest.mark.slow
def test_paired_contrasts_keep_their_rate_where_conditions_spread_people_unlike():
    """Eight people, four conditions whose spread grows from 0.5 to 3, no true difference.

    The pooled error is too small for the two widest conditions; paired differences do not care.
    """
    rng, count = np.random.default_rng(31), 300
    pooled = paired = any_paired = overall = corrected = 0
    for _ in range(count):
        values = rng.standard_normal((8, 1)) + rng.standard_normal((8, 4)) * [0.5, 1.0, 2.0, 3.0]
        found = compare(values)
        widest = found.contrasts.iloc[-1]
        pooled += widest["p"] < 0.05
        paired += widest["p_paired_t"] < 0.05
        any_paired += (found.contrasts["p_paired_holm"] < 0.05).any()
        overall += found.omnibus["p"].item() < 0.05
        corrected += found.omnibus["p_greenhouse_geisser"].item() < 0.05
    slack = 3.5 * np.sqrt(count * 0.05 * 0.95)
    assert abs(paired - 0.05 * count) < slack
    assert any_paired < 0.05 * count + slack
    assert corrected < 0.05 * count + slack
    assert pooled > 0.05 * count + slack
    assert overall >= corrected

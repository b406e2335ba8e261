"""Electromyograms and the pull against the outside.

Sources: the rectified mean of a normally distributed signal is √(2/π) of its standard deviation,
and two such signals of correlation ρ have, once rectified, the covariance
(2/π)(√(1 − ρ²) + ρ asin ρ − 1) (textbook statistics, from memory, and checked here by drawing);
filters straight from SciPy; intervals of means from SciPy's t tests, and their coverage by drawing
here; Wilson's interval from statsmodels; the closed form of a small quadratic programme by
Lagrange (computed here); SciPy's SLSQP, an independent general solver; cvxpy with Clarabel,
another.
"""

import importlib.util

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import lsq_linear, minimize
from scipy.signal import butter, sosfiltfilt, sosfreqz
from scipy.stats import ttest_1samp, ttest_rel
from statsmodels.stats.proportion import proportion_confint
from tests import naive

from momentshare.emg import EmgSettings, compare_emg, draw_activation, envelope
from momentshare.emg.intervals import student

RATE = 2000.0
needs_cvxpy = pytest.mark.skipif(
    importlib.util.find_spec("cvxpy") is None, reason="cvxpy is not installed"
)


def carrier(seconds, seed):
    """White noise between 30 and 400 Hz with standard deviation 1."""
    white = np.random.default_rng(seed).standard_normal(round(seconds * RATE))
    shaped = sosfiltfilt(butter(4, [30.0, 400.0], "bandpass", fs=RATE, output="sos"), white)
    return shaped / shaped.std()


def level_of(raw, settings=None):
    """Values of an envelope."""
    return envelope(raw, RATE, settings).values  # noqa: PD011 - no table


def slow(time):
    return 0.55 + 0.45 * np.sin(2.0 * np.pi * 0.5 * time)


def gains(frequency):
    """Power gains of carrier, band and smoothing, each forth and back, designed with SciPy."""
    closed = (np.sqrt(2.0) - 1.0) ** 0.25
    low, high = np.tan(np.pi * np.array([20.0, 450.0]) / RATE)
    wide = (high - low) / closed
    top = 0.5 * (wide + np.sqrt(wide**2 + 4.0 * low * high))
    edges = np.arctan([top - wide, top]) * RATE / np.pi
    opened = np.arctan(np.tan(np.pi * 6.0 / RATE) / closed) * RATE / np.pi
    designs = (
        butter(4, [30.0, 400.0], "bandpass", fs=RATE, output="sos"),
        butter(2, edges, "bandpass", fs=RATE, output="sos"),
        butter(2, opened, fs=RATE, output="sos"),
    )
    with np.errstate(divide="ignore"):
        return designs, [np.abs(sosfreqz(d, frequency, fs=RATE)[1]) ** 4 for d in designs]


def kept():
    """Part of the carrier's standard deviation that the band lets through."""
    _, (carried, band, _) = gains(np.linspace(0.5, RATE / 2.0 - 0.5, 2000))
    return np.sqrt((carried * band).sum() / carried.sum())


def test_rectified_covariance_is_the_closed_form():
    """The formula from memory against a million draws."""
    rng = np.random.default_rng(0)
    for rho in (-0.9, 0.3, 0.8):
        x = rng.standard_normal((2, 1_000_000))
        y = rho * x[0] + np.sqrt(1.0 - rho**2) * x[1]
        seen = np.cov(np.abs(x[0]), np.abs(y))[0, 1]
        told = 2.0 / np.pi * (np.sqrt(1.0 - rho**2) + rho * np.arcsin(rho) - 1.0)
        assert seen == pytest.approx(told, abs=2e-3)


def test_the_spread_of_an_envelope_of_steady_noise_is_the_predicted_one():
    """How much an envelope must waver although the muscle works evenly, from theory alone."""
    inside = level_of(carrier(200.0, seed=1))[4000:-4000]
    count = 1 << 15
    _, (carried, band, smoothing) = gains(np.fft.rfftfreq(count, 1.0 / RATE))
    rho = np.fft.irfft(carried * band)
    rho = np.clip(rho / rho[0], -1.0, 1.0)
    rectified = 2.0 / np.pi * (np.sqrt(1.0 - rho**2) + rho * np.arcsin(rho) - 1.0)
    smoothed = np.fft.irfft(np.fft.rfft(rectified).real * smoothing)[0]
    told = np.sqrt(smoothed) / np.sqrt(2.0 / np.pi)
    # About 12 independent values a second: the spread is known to 1/√(2 · 2400) = 1.4 %.
    assert inside.std() / inside.mean() == pytest.approx(told, rel=0.05)
    assert inside.mean() == pytest.approx(np.sqrt(2.0 / np.pi) * kept(), rel=0.01)


@pytest.mark.parametrize(("method", "level"), [("linear", np.sqrt(2.0 / np.pi)), ("rms", 1.0)])
def test_a_known_modulation_comes_back(method, level):
    """Noise times a known slow course: one run within 12 %, the mean of 40 within its error."""
    time = np.arange(round(6.0 * RATE)) / RATE
    settings = EmgSettings(method=method)
    runs = [level_of(slow(time) * carrier(6.0, seed), settings) for seed in range(40)]
    inside = slice(1000, -1000)
    found = np.array(runs)[:, inside]
    true = level * kept() * slow(time)[inside]
    assert (np.sqrt(((found - true) ** 2).mean(axis=1)) < 0.12 * level).all()
    # Five standard errors of 40 runs, and 2 % of the level for the curvature of the course
    # within a window and the root of a mean that wavers.
    error = found.std(axis=0, ddof=1) / np.sqrt(40)
    assert (np.abs(found.mean(axis=0) - true) < 5.0 * error + 0.02 * level).all()
    assert np.polyfit(true, found.mean(axis=0), 1)[0] == pytest.approx(1.0, abs=0.03)


def test_the_envelope_is_the_one_that_scipy_gives():
    raw = 1e-3 * slow(np.arange(8000) / RATE) * carrier(4.0, seed=3)
    found = level_of(raw)
    (_, band, smoothing), _ = gains(np.array([100.0]))
    told = sosfiltfilt(smoothing, np.abs(sosfiltfilt(band, raw - raw.mean())))
    # Away from the ends, where each continues the signal in its own way.
    inside = slice(2000, -2000)
    np.testing.assert_allclose(found[inside], told[inside], rtol=1e-4)


def test_the_cutoff_is_where_the_envelope_passes_one_over_root_two():
    """A sine carrier modulated at 6 Hz keeps 1/√2 of its modulation, at 1 Hz nearly all."""
    time = np.arange(round(10.0 * RATE)) / RATE
    for modulation, told in ((6.0, np.sqrt(0.5)), (1.0, 1.0)):
        course = 1.0 + 0.5 * np.cos(2.0 * np.pi * modulation * time)
        inside = level_of(course * np.sin(2.0 * np.pi * 137.3 * time))[4000:-4000]
        depth = np.ptp(inside) / (inside.max() + inside.min())
        assert depth / 0.5 == pytest.approx(told, abs=0.01)


# --- comparison -----------------------------------------------------------------------------


def cohort(people, *, seed=0, samples=21):
    rng = np.random.default_rng(seed)
    percent = np.linspace(0.0, 100.0, samples)
    rows = []
    for person in range(people):
        for condition, lift in (("narrow", 0.0), ("wide", 0.05)):
            activation = 0.3 + lift + 0.2 * np.sin(percent / 30.0)
            emg = np.abs(activation + rng.normal(0.0, 0.1) + rng.normal(0.0, 0.05, samples))
            rows.append(
                pd.DataFrame(
                    {
                        "person": f"p{person:04d}",
                        "condition": condition,
                        "head": "triceps_brachii/long",
                        "lift_percent": percent,
                        "emg": emg,
                        "activation": activation,
                    }
                )
            )
    return pd.concat(rows, ignore_index=True)


def test_intervals_are_students():
    """SciPy's interval of a mean; of a correlation on Fisher's z."""
    found = compare_emg(cohort(7), confidence=0.9)
    row = found.agreement.query("condition == 'wide'").iloc[0]
    for name in ("difference", "rmse", "r"):
        values = found.by_person.query("condition == 'wide'")[name].to_numpy()
        turned = np.arctanh(values) if name == "r" else values
        told = np.array(ttest_1samp(turned, 0.0).confidence_interval(0.9))
        told = np.tanh(told) if name == "r" else told
        assert (row[f"{name}_low"], row[f"{name}_high"]) == pytest.approx(tuple(told), rel=1e-9)


def test_intervals_of_paired_differences_are_those_of_the_paired_t_test():
    table = cohort(7, seed=3)
    # The prediction is alike in everyone; here people also differ in it.
    own = np.random.default_rng(4).uniform(0.8, 1.2, 14)
    table["activation"] *= np.repeat(own, 21)
    answer = compare_emg(table)
    row = answer.ordering.iloc[0]
    for name in ("emg", "activation"):
        means = answer.by_person.set_index(["condition", "person"])[f"{name}_mean"]
        told = ttest_rel(means["narrow"], means["wide"]).confidence_interval(0.95)
        found = (row[f"{name}_difference_low"], row[f"{name}_difference_high"])
        assert found == pytest.approx(tuple(told), rel=1e-9)


def test_intervals_of_six_people_cover():
    """Drawn: 400 cohorts of six whose EMG lies off by a normal share and wanders by noise.

    Each cohort is represented by one head. The mean over all 2400 people is the truth, or zero for
    the difference. Means of six resampled with replacement hold it in about 86 %.
    """
    rng, cohorts, people, samples = np.random.default_rng(12), 400, 6, 15
    percent = np.linspace(0.0, 100.0, samples)
    shape = (cohorts, people, samples)
    activation = np.broadcast_to(0.5 + 0.1 * np.sin(percent / 30.0), shape)
    emg = activation + 0.1 * rng.standard_normal((cohorts, people, 1))
    emg = emg + 0.05 * rng.standard_normal(shape)
    head, person, place = (axis.ravel() for axis in np.indices(shape))
    table = pd.DataFrame(
        {
            "person": person, "condition": "one", "head": head, "lift_percent": percent[place],
            "emg": emg.ravel(), "activation": activation.ravel(),
        }
    )  # fmt: skip
    found = compare_emg(table)
    z = np.arctanh(found.by_person["r"])
    truth = {"difference": 0.0, "r": np.tanh(z.mean()), "rmse": found.by_person["rmse"].mean()}
    rows = found.agreement
    held = {
        name: ((rows[f"{name}_low"] <= value) & (value <= rows[f"{name}_high"])).mean()
        for name, value in truth.items()
    }
    # Three standard errors of a share of 0.95 in 400; the skew of the error costs 5 per cent more.
    slack = 3.0 * np.sqrt(0.95 * 0.05 / cohorts)
    assert held["difference"] == pytest.approx(0.95, abs=slack)
    assert held["r"] == pytest.approx(0.95, abs=slack)
    assert 0.90 - slack < held["rmse"] < 0.95 + slack


def test_the_interval_of_agreement_is_wilsons():
    """statsmodels has its own implementation."""
    found = compare_emg(cohort(40, seed=2)).ordering.iloc[0]
    assert 0 < found["agree"] < 40
    low, high = proportion_confint(found["agree"], 40, method="wilson")
    assert (found["share_agree_low"], found["share_agree_high"]) == pytest.approx(
        (low, high), rel=1e-10
    )


def test_intervals_hold_the_true_mean_as_often_as_they_say():
    """Student's interval of six people in 1001 draws, truth 0.5: 95 %."""
    drawn = 0.5 + 0.05 * np.random.default_rng(5).standard_normal((1001, 6))
    ends = np.array([student(values, 0.95)[1:] for values in drawn])
    share = ((ends[:, 0] <= 0.5) & (ends[:, 1] >= 0.5)).mean()
    # Three standard errors of a share of 0.95 in 1001.
    assert share == pytest.approx(0.95, abs=3.0 * np.sqrt(0.95 * 0.05 / 1001))


# --- pull -----------------------------------------------------------------------------------


def objective(activation, emg, weight):
    return (activation**2).sum() + weight * np.nansum((activation - emg) ** 2)


def by_slsqp(loads, wanted, emg, weight):
    size = np.linalg.norm(loads, axis=1)
    known = ~np.isnan(emg)
    aim = np.where(known, emg, 0.0)
    share = 1.0 / (1.0 + weight)
    answer = minimize(
        lambda a: share * (a @ a + weight * ((a - aim)[known] ** 2).sum()),
        np.full(emg.size, 0.5),
        jac=lambda a: share * (2.0 * a + 2.0 * weight * known * (a - aim)),
        bounds=[(0.0, 1.0)] * emg.size,
        constraints={
            "type": "eq",
            "fun": lambda a: (loads @ a - wanted) / size,
            "jac": lambda _: loads / size[:, None],
        },
        method="SLSQP",
        options={"maxiter": 1000, "ftol": 1e-14},
    )
    # 8: no further descent within rounding.
    assert answer.status in {0, 8}
    assert np.abs((loads @ answer.x - wanted) / size).max() < 1e-9
    return answer.x


def measured(frames, heads, seed):
    rng = np.random.default_rng(seed)
    emg = rng.uniform(0.0, 1.0, (frames, heads))
    emg[:, rng.random(heads) < 0.4] = np.nan
    emg[rng.random((frames, heads)) < 0.1] = np.nan
    return emg


@pytest.mark.parametrize("weight", [0.0, 0.1, 1.0, 30.0])
def test_the_pull_agrees_with_slsqp(weight):
    arms, capacity, moments = naive.limb_like(12, heads=9, level=0.5, seed=4)
    emg = measured(12, 9, seed=1)
    drawn = draw_activation(arms, capacity, moments, emg, weight)
    assert drawn.certified.all()
    for frame in range(12):
        told = by_slsqp(arms[frame] * capacity[frame], moments[frame], emg[frame], weight)
        np.testing.assert_allclose(drawn.activation[frame], told, atol=2e-6)
        ours = objective(drawn.activation[frame], emg[frame], weight)
        assert ours <= objective(told, emg[frame], weight) + 1e-9


@needs_cvxpy
@pytest.mark.parametrize("weight", [0.5, 20.0])
def test_the_pull_agrees_with_a_general_convex_solver(weight):
    import cvxpy as cp

    arms, capacity, moments = naive.limb_like(6, level=0.4, seed=8)
    emg = measured(6, 28, seed=2)
    drawn = draw_activation(arms, capacity, moments, emg, weight)
    for frame in range(6):
        loads = arms[frame] * capacity[frame]
        size = np.linalg.norm(loads, axis=1)
        known = np.flatnonzero(~np.isnan(emg[frame]))
        a = cp.Variable(28)
        cost = cp.sum_squares(a) + weight * cp.sum_squares(a[known] - emg[frame][known])
        balance = (loads / size[:, None]) @ a == moments[frame] / size
        programme = cp.Problem(cp.Minimize(cost), [balance, a >= 0.0, a <= 1.0])
        programme.solve(solver=cp.CLARABEL, tol_gap_abs=1e-11, tol_gap_rel=1e-11, tol_feas=1e-11)
        np.testing.assert_allclose(drawn.activation[frame], a.value, atol=1e-6)


def test_the_pull_of_one_joint_is_lagranges_closed_form():
    """Inside the bounds a = t + d λ / (2 c), with one multiplier from the one balance."""
    arms, capacity = np.array([[[0.05, 0.04, 0.03]]]), np.array([[600.0, 500.0, 400.0]])
    emg, weight, wanted = np.array([[0.5, np.nan, 0.2]]), 3.0, 25.0
    load = (arms * capacity[:, None])[0, 0]
    cost = np.array([4.0, 1.0, 4.0])
    aim = np.array([0.375, 0.0, 0.15])
    multiplier = 2.0 * (wanted - load @ aim) / (load @ (load / cost))
    told = aim + load * multiplier / (2.0 * cost)
    assert ((told > 0.0) & (told < 1.0)).all()
    drawn = draw_activation(arms, capacity, [[wanted]], emg, weight)
    np.testing.assert_allclose(drawn.activation[0], told, rtol=1e-10)
    np.testing.assert_allclose(drawn.multipliers[0], multiplier, rtol=1e-10)


def test_a_great_weight_comes_as_near_the_emg_as_the_moments_allow():
    """The nearest point by bounded least squares, with the balance held by a heavy row."""
    arms, capacity, moments = naive.limb_like(5, heads=10, level=0.5, seed=6)
    emg = np.random.default_rng(3).uniform(0.0, 1.0, (5, 10))
    drawn = draw_activation(arms, capacity, moments, emg, 1e6)
    for frame in range(5):
        loads = arms[frame] * capacity[frame]
        size = np.linalg.norm(loads, axis=1)[:, None]
        heavy = 1e5
        told = lsq_linear(
            np.vstack([np.eye(10), heavy * loads / size]),
            np.append(emg[frame], heavy * moments[frame] / size[:, 0]),
            bounds=(0.0, 1.0),
            method="bvls",
            tol=1e-14,
        ).x
        np.testing.assert_allclose(drawn.activation[frame], told, atol=2e-5)

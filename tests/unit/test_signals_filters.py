"""Filters: what passes, what gaps and short stretches do, and a cut-off from the residual."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from momentshare.errors import InputError, ShapeError
from momentshare.signals import band_pass, low_pass, low_pass_design, residual_cutoff

NAN = float("nan")
RATE = 200.0


def walk(seed, samples=1500):
    return np.random.default_rng(seed).normal(size=samples).cumsum()


def test_the_design_says_what_each_pass_and_the_whole_are():
    whole = low_pass_design(RATE, 6.0, 4)
    assert (whole.pass_order, whole.effective_order, whole.effective_cutoff) == (2, 4, 6.0)
    # Far below half the rate the warping is nothing and the factor is the bare one.
    slow = low_pass_design(1e6, 6.0, 4)
    assert slow.pass_cutoff == pytest.approx(6.0 / (np.sqrt(2.0) - 1.0) ** 0.25, rel=1e-9)
    each = low_pass_design(RATE, 6.0, 4, corrected=False)
    assert (each.pass_order, each.effective_order, each.pass_cutoff) == (4, 8, 6.0)
    assert each.effective_cutoff < 6.0


@pytest.mark.parametrize("order", [2, 4, 8])
def test_what_a_raw_design_states_is_what_a_corrected_one_takes(order):
    raw = low_pass_design(RATE, 9.0, order, corrected=False)
    back = low_pass_design(RATE, raw.effective_cutoff, raw.effective_order)
    assert back.pass_order == order
    assert back.pass_cutoff == pytest.approx(9.0, rel=1e-12)


@pytest.mark.parametrize("cutoff", [0.5, 60.0, 99.99])
def test_any_cutoff_below_half_the_rate_can_be_corrected(cutoff):
    assert cutoff < low_pass_design(RATE, cutoff).pass_cutoff < RATE / 2
    assert np.isfinite(low_pass(walk(1), RATE, cutoff)).all()


@given(st.floats(-1e3, 1e3), st.floats(1.0, 90.0), st.integers(1, 4))
@settings(max_examples=40, deadline=None)
def test_constants_and_lines_of_level_pass_unchanged(level, cutoff, half):
    got = low_pass(np.full(400, level), RATE, cutoff, 2 * half)
    np.testing.assert_allclose(got, level, rtol=1e-7, atol=1e-9)


@given(st.integers(0, 1000))
@settings(max_examples=20, deadline=None)
def test_turned_in_time_sign_or_size_the_filter_does_the_same(seed):
    x = walk(seed)
    y = low_pass(x, RATE, 6.0)
    scale = np.ptp(x)
    assert abs(low_pass(x[::-1], RATE, 6.0)[::-1] - y).max() < 1e-7 * scale
    assert abs(low_pass(-3.0 * x, RATE, 6.0) + 3.0 * y).max() < 1e-12 * scale


def test_components_are_filtered_each_by_itself():
    x = np.stack([walk(1), walk(2)], axis=1)
    both = low_pass(x, RATE, 6.0)
    for k in range(2):
        np.testing.assert_array_equal(both[:, k], low_pass(x[:, k], RATE, 6.0))


def test_stretches_between_gaps_are_filtered_by_themselves():
    x = walk(3, 600)
    x[200:210] = NAN
    x[210:] += 500.0  # what lies beyond the gap must not leak through it
    got = low_pass(x, RATE, 6.0)
    assert np.isnan(got[200:210]).all()
    np.testing.assert_array_equal(got[:200], low_pass(x[:200], RATE, 6.0))
    np.testing.assert_array_equal(got[210:], low_pass(x[210:], RATE, 6.0))


def test_a_stretch_shorter_than_a_period_stays_missing():
    x = walk(4, 600)
    x[100] = x[120] = NAN  # 19 samples between; a period of 6 Hz has 34
    x[300] = x[335] = NAN  # 34 between: one short of spanning the period
    x[400] = x[436] = NAN  # 35 between, just enough
    got = low_pass(x, RATE, 6.0)
    assert np.isnan(got[101:120]).all()
    assert np.isnan(got[301:335]).all()
    assert np.isfinite(got[401:436]).all()
    assert np.isfinite(got[:100]).all()


def test_a_component_that_was_not_recorded_stays_missing_beside_one_that_was():
    x = np.stack([np.full(600, NAN), walk(5, 600)], axis=1)
    got = low_pass(x, RATE, 6.0)
    assert np.isnan(got[:, 0]).all()
    assert np.isfinite(got[:, 1]).all()


def test_signals_without_one_long_stretch_are_refused_with_what_is_wanted():
    with pytest.raises(InputError, match=r"has 10 samples \(0.05 s\).* needs 35, one period"):
        low_pass(np.zeros(10), RATE, 6.0)
    with pytest.raises(InputError, match="every sample is missing"):
        low_pass(np.full(100, NAN), RATE, 6.0)
    with pytest.raises(InputError, match="longest stretch"):
        low_pass([1.0], RATE, 6.0)
    with pytest.raises(InputError, match="band-pass from 5 to 20 Hz needs 41"):
        band_pass(np.zeros(30), RATE, 5.0, 20.0)


@pytest.mark.parametrize("cutoff", [100.0, 150.0])
def test_cutoffs_not_below_half_the_rate_are_refused(cutoff):
    text = f"{cutoff:g} Hz is not below half the sampling rate of 200 Hz .100 Hz.; lower it"
    for call in (
        lambda: low_pass(np.zeros(500), RATE, cutoff),
        lambda: band_pass(np.zeros(500), RATE, 10.0, cutoff),
        lambda: residual_cutoff(np.zeros(500), RATE, np.linspace(1.0, cutoff, 20)),
    ):
        with pytest.raises(InputError, match=text):
            call()


@pytest.mark.parametrize("cutoff", [0.0, -6.0, NAN, np.inf, "6 Hz"])
def test_cutoffs_that_are_none_are_refused(cutoff):
    with pytest.raises(InputError, match="cutoff: must be a"):
        low_pass(np.zeros(500), RATE, cutoff)


@pytest.mark.parametrize(
    ("order", "text"), [(3, "take 4, or corrected=False"), (0, "at least 1"), (2.5, "whole number")]
)
def test_orders_that_cannot_be_are_refused(order, text):
    with pytest.raises(InputError, match=text):
        low_pass(np.zeros(500), RATE, 6.0, order)


def test_odd_orders_are_fine_for_each_pass():
    assert low_pass_design(RATE, 6.0, 3, corrected=False).effective_order == 6


def test_infinite_and_misshapen_signals_are_refused():
    x = np.zeros((500, 2))
    x[7, 1] = -np.inf
    with pytest.raises(InputError, match="sample 7 is -inf"):
        low_pass(x, RATE, 6.0)
    with pytest.raises(ShapeError, match="time on the first axis"):
        low_pass(np.zeros((5, 5, 5)), RATE, 6.0)
    with pytest.raises(ShapeError, match="at least one sample"):
        band_pass(np.zeros((0, 3)), RATE, 5.0, 20.0)


def test_a_band_that_is_turned_round_is_refused():
    with pytest.raises(InputError, match="20 Hz is not below high, 5 Hz"):
        band_pass(np.zeros(500), RATE, 20.0, 5.0)


def test_a_band_takes_away_the_level():
    got = band_pass(np.full(2000, 5.0), 1000.0, 20.0, 400.0)
    assert abs(got).max() < 1e-9


# Residual analysis


def swaying(rate, noise, seed=0, seconds=10.0):
    """Slow motion of two components and white noise of known size."""
    t = np.arange(0.0, seconds, 1.0 / rate)
    x = np.stack([0.3 * np.sin(2.5 * t) + 0.05 * np.sin(14.0 * t), 0.2 * np.cos(3.0 * t)], axis=1)
    return x, x + np.random.default_rng(seed).normal(0.0, noise, x.shape)


@pytest.mark.parametrize("rate", [100.0, 200.0, 1000.0])
@pytest.mark.parametrize("noise", [1e-4, 1e-3])
def test_the_intercept_is_the_noise_that_was_put_in(rate, noise):
    found = residual_cutoff(swaying(rate, noise)[1], rate)
    assert not found.at_edge
    # Two components of equal noise: the length of the difference is √2 times as large. The
    # intercept of a line laid on √(1 − 2f/rate) is up to 3 % above; the rest is chance.
    assert found.noise == pytest.approx(np.sqrt(2.0) * noise, rel=0.08)
    at = np.interp(found.cutoff, found.cutoffs, found.residuals)
    assert at == pytest.approx(found.noise, rel=1e-9)
    assert 2.3 < found.cutoff < 15.0


def test_more_noise_asks_for_a_lower_cutoff():
    cutoffs = [
        residual_cutoff(swaying(RATE, noise)[1], RATE).cutoff for noise in (1e-4, 1e-3, 5e-3)
    ]
    assert cutoffs == sorted(cutoffs, reverse=True)
    assert cutoffs[0] > cutoffs[-1] + 2.0


def test_the_cutoff_chosen_is_near_the_best_there_is():
    truth, noisy = swaying(RATE, 2e-3)
    found = residual_cutoff(noisy, RATE)

    def error(cutoff):
        return np.sqrt(np.mean((low_pass(noisy, RATE, cutoff) - truth) ** 2))

    best = min(error(cutoff) for cutoff in found.cutoffs)
    assert error(found.cutoff) < 1.5 * best
    assert error(found.cutoff) < 0.5 * np.std(noisy - truth)


def test_residuals_fall_with_the_cutoff_and_arrays_are_read_only():
    found = residual_cutoff(swaying(RATE, 1e-3)[1], RATE)
    assert (np.diff(found.residuals) < 0.0).all()
    assert (found.cutoffs[0], found.cutoffs[-1]) == (1.0, 50.0)
    for array in (found.cutoffs, found.residuals):
        with pytest.raises(ValueError, match="read-only"):
            array[0] = 0.0


def test_a_gap_changes_little():
    noisy = swaying(RATE, 1e-3)[1]
    gappy = noisy.copy()
    gappy[900:960] = NAN
    whole, part = residual_cutoff(noisy, RATE), residual_cutoff(gappy, RATE)
    assert part.noise == pytest.approx(whole.noise, rel=0.03)
    assert part.cutoff == pytest.approx(whole.cutoff, abs=0.6)


def test_a_signal_that_fits_below_no_cutoff_says_so():
    fast = np.sin(2.0 * np.pi * 40.0 * np.arange(2000) / RATE)
    found = residual_cutoff(fast, RATE, np.linspace(1.0, 10.0, 19))
    assert found.at_edge
    still = residual_cutoff(np.zeros(2000), RATE)
    assert (still.at_edge, still.cutoff, still.noise) == (True, 1.0, 0.0)


@pytest.mark.parametrize(
    ("candidates", "text"),
    [
        ([1.0, 2.0], "at least 6 cut-offs"),
        ([5.0, 4.0, 3.0, 2.0, 1.0, 0.5], "rising order"),
        ([0.0, 1.0, 2.0, 3.0, 4.0, 5.0], "above 0"),
        ([1.0, 2.0, 3.0, 4.0, 5.0, 50.0], "fewer than three lie above 25 Hz"),
    ],
)
def test_candidates_that_make_no_curve_are_refused(candidates, text):
    with pytest.raises(InputError, match=text):
        residual_cutoff(np.zeros(2000), RATE, candidates)


def test_too_low_a_rate_and_too_short_a_recording_are_refused():
    with pytest.raises(InputError, match="at 10 Hz fewer than 6 cut-offs"):
        residual_cutoff(np.zeros(100), 10.0)
    with pytest.raises(InputError, match="low-pass at 1 Hz needs 201"):
        residual_cutoff(np.zeros(100), RATE)

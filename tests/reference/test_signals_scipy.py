"""Signals against SciPy (read: butter, sosfreqz, sosfiltfilt, find_peaks, Rotation, RotationSpline)
and against closed forms of the Butterworth gain.

SciPy also runs the filters; what is checked against it is the design of the two passes, the
padding, the turning points, and angular motion.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal
from scipy.interpolate import CubicSpline
from scipy.spatial.transform import Rotation, RotationSpline

from momentshare.signals import (
    Repetition,
    angular_acceleration,
    angular_velocity,
    band_pass,
    delay,
    derivative,
    low_pass,
    low_pass_design,
    press_events,
    resample,
)

HALF_POWER = 1.0 / np.sqrt(2.0)


def gain(filtered, frequency, rate):
    """Amplitude of a sine in the middle half of a signal, by least squares."""
    middle = slice(len(filtered) // 4, 3 * len(filtered) // 4)
    t = np.arange(len(filtered))[middle] / rate
    basis = np.stack([np.sin(2 * np.pi * frequency * t), np.cos(2 * np.pi * frequency * t)], axis=1)
    sine, cosine = np.linalg.lstsq(basis, filtered[middle], rcond=None)[0]
    return sine, cosine


def sine(frequency, rate, periods=400):
    return np.sin(2 * np.pi * frequency * np.arange(int(periods * rate / frequency)) / rate)


@pytest.mark.parametrize(
    ("rate", "cutoff"), [(100.0, 6.0), (200.0, 6.0), (1000.0, 12.5), (50.0, 20.0)]
)
@pytest.mark.parametrize("order", [2, 4, 6, 8])
def test_a_sine_at_the_cutoff_comes_out_at_minus_three_decibels_and_in_phase(rate, cutoff, order):
    got = gain(low_pass(sine(cutoff, rate), rate, cutoff, order), cutoff, rate)
    np.testing.assert_allclose(got, [HALF_POWER, 0.0], atol=1e-6)


@pytest.mark.parametrize("order", [2, 4])
def test_uncorrected_it_is_minus_six_there_and_minus_three_where_the_design_says(order):
    rate, cutoff = 200.0, 6.0
    got = gain(low_pass(sine(cutoff, rate), rate, cutoff, order, corrected=False), cutoff, rate)
    np.testing.assert_allclose(got, [0.5, 0.0], atol=1e-6)
    lower = low_pass_design(rate, cutoff, order, corrected=False).effective_cutoff
    got = gain(low_pass(sine(lower, rate), rate, cutoff, order, corrected=False), lower, rate)
    np.testing.assert_allclose(got, [HALF_POWER, 0.0], atol=1e-6)


@pytest.mark.parametrize("frequency", [2.0, 5.0, 9.0, 20.0, 40.0])
def test_the_gain_elsewhere_is_that_of_two_passes(frequency):
    rate, cutoff, order = 200.0, 6.0, 4
    got, lag = gain(low_pass(sine(frequency, rate), rate, cutoff, order), frequency, rate)
    design = low_pass_design(rate, cutoff, order)
    sections = signal.butter(design.pass_order, design.pass_cutoff, fs=rate, output="sos")
    one_pass = abs(signal.sosfreqz(sections, [frequency], fs=rate)[1][0])
    ratio = np.tan(np.pi * frequency / rate) / np.tan(np.pi * cutoff / rate)
    closed = 1.0 / (1.0 + (np.sqrt(2.0) - 1.0) * ratio**order)
    assert one_pass**2 == pytest.approx(closed, rel=1e-9)
    assert (got, lag) == (pytest.approx(closed, abs=1e-6), pytest.approx(0.0, abs=1e-6))


@pytest.mark.parametrize(("rate", "low", "high"), [(1000.0, 20.0, 450.0), (2000.0, 10.0, 500.0)])
@pytest.mark.parametrize("order", [2, 4])
def test_both_edges_of_a_band_come_out_at_minus_three_decibels(rate, low, high, order):
    for edge in (low, high):
        got = gain(band_pass(sine(edge, rate), rate, low, high, order), edge, rate)
        np.testing.assert_allclose(got, [HALF_POWER, 0.0], atol=1e-5)
    middle = (
        np.arctan(np.sqrt(np.prod(np.tan(np.pi * np.array([low, high]) / rate)))) * rate / np.pi
    )
    got = gain(band_pass(sine(middle, rate), rate, low, high, order), middle, rate)
    np.testing.assert_allclose(got, [1.0, 0.0], atol=1e-5)


def test_away_from_the_ends_the_padding_does_not_show():
    x = np.random.default_rng(4).normal(size=3000).cumsum()
    sections = signal.butter(4, 6.0, fs=200.0, output="sos")
    plain = signal.sosfiltfilt(sections, x)
    raw = low_pass(x, 200.0, 6.0, 4, corrected=False)
    assert abs(raw - plain)[400:-400].max() < 1e-6
    padded = signal.sosfiltfilt(sections, x, padlen=100)
    np.testing.assert_allclose(raw, padded, atol=1e-12)


def test_a_step_is_half_way_up_when_it_happens():
    x = np.repeat([0.0, 1.0], 500)
    got = low_pass(x, 200.0, 6.0)
    assert 0.5 * (got[499] + got[500]) == pytest.approx(0.5, abs=1e-9)


@given(st.integers(0, 10_000), st.floats(0.03, 0.4))
@settings(max_examples=150, deadline=None)
def test_velocity_peaks_are_those_of_find_peaks_with_the_same_prominence(seed, share):
    """Random ascents: speed from rest over a rough hill back to rest."""
    rng = np.random.default_rng(seed)
    rate, samples = 200.0, 400
    knots = np.concatenate([[0.0, 0.0], rng.uniform(0.05, 1.0, 12), [0.0, 0.0]])
    speed = CubicSpline(np.linspace(0, samples - 1, len(knots)), knots)(np.arange(samples))
    speed = np.concatenate([np.zeros(20), np.maximum(speed, 0.0), np.zeros(20)])
    height = np.concatenate([[0.0], np.cumsum(speed)]) / rate
    repetition = Repetition(chest=5, lockout=len(height) - 5)
    velocity = derivative(height, rate)[5 : len(height) - 4]
    peaks, _ = signal.find_peaks(velocity, prominence=share * velocity.max())
    found = press_events(height, rate, repetition, least_dip=share)
    if len(peaks) < 2:
        assert not found.has_sticking_region
        assert found.first_peak == 5 + peaks[0]
    else:
        assert (found.first_peak, found.second_peak) == (5 + peaks[0], 5 + peaks[1])
        between = velocity[peaks[0] : peaks[1] + 1]
        assert found.minimum == 5 + peaks[0] + int(np.argmin(between))


def test_angular_motion_against_a_rotation_spline():
    rate = 400.0
    knots = np.linspace(0.0, 3.0, 13)
    turns = Rotation.random(1, rng=1) * Rotation.from_rotvec(
        np.random.default_rng(2).normal(0.0, 0.5, (13, 3)).cumsum(axis=0)
    )
    spline = RotationSpline(knots, turns)
    t = np.arange(0.0, 3.0, 1.0 / rate)
    R = spline(t).as_matrix()
    # SciPy turns the last orientation by a rotation vector on the right, so its rates are on the
    # moving axes (read in its code). Acceleration has kinks at the knots; samples beside them are
    # left out.
    omega = np.einsum("nij,nj->ni", R, spline(t, 1))
    alpha = np.einsum("nij,nj->ni", R, spline(t, 2))
    away = abs(t[:, None] - knots).min(axis=1) > 2.0 / rate
    scale = abs(omega).max(), abs(alpha).max()
    assert abs(angular_velocity(R, rate) - omega)[away].max() < 2e-3 * scale[0]
    assert abs(angular_acceleration(R, rate) - alpha)[away].max() < 2e-3 * scale[1]


def test_resampling_is_the_cubic_spline_of_scipy():
    x = np.random.default_rng(5).normal(size=(80, 2))
    own = 3.0 + np.arange(80) / 50.0
    times = np.linspace(3.0, own[-1], 333)
    np.testing.assert_allclose(
        resample(x, 50.0, 3.0, times), CubicSpline(own, x)(times), atol=1e-10
    )


@pytest.mark.parametrize("shift", [-17, 0, 9])
def test_whole_delays_agree_with_correlate(shift):
    rng = np.random.default_rng(6)
    base = low_pass(rng.normal(size=1200), 100.0, 5.0)
    a, b = base[100:1100], base[100 - shift : 1100 - shift]
    full = signal.correlate(b - b.mean(), a - a.mean(), mode="full")
    lags = signal.correlation_lags(len(b), len(a), mode="full")
    assert lags[np.argmax(full)] == shift
    assert delay(a, b, 100.0, 0.4).seconds == pytest.approx(shift / 100.0, abs=1e-3)

"""One clock: resampling, common time, and delays that were put in."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from momentshare.errors import InputError, ShapeError
from momentshare.signals import common_clock, delay, resample

NAN = float("nan")


@given(st.floats(-10, 10), st.floats(-10, 10), st.floats(20, 2000), st.floats(-50, 50))
@settings(deadline=None)
def test_a_line_resampled_is_the_line(level, slope, rate, start):
    own = start + np.arange(40) / rate
    times = np.linspace(own[0], own[-1], 73)
    got = resample(level + slope * own, rate, start, times)
    np.testing.assert_allclose(
        got, level + slope * times, atol=1e-8 * (1 + abs(level) + 60 * abs(slope))
    )


def test_a_cubic_is_exact_and_components_go_together():
    t = 2.0 + np.arange(30) / 50.0
    times = np.linspace(2.0, t[-1], 200)
    got = resample(np.stack([t**3, 1 - t**2], axis=1), 50.0, 2.0, times)
    np.testing.assert_allclose(got, np.stack([times**3, 1 - times**2], axis=1), atol=1e-11)


def test_times_in_any_order_and_none_at_all():
    x = np.sin(np.arange(50) / 5.0)
    times = np.array([0.31, 0.02, 0.17])
    back = np.argsort(times)
    np.testing.assert_array_equal(
        resample(x, 100.0, 0.0, times)[back], resample(x, 100.0, 0.0, times[back])
    )
    assert resample(np.zeros((5, 3)), 1.0, 0.0, []).shape == (0, 3)


def test_outside_and_within_a_gap_nothing_is_known():
    x = np.arange(20.0)
    x[8:11] = NAN
    times = [-0.01, 0.0, 0.7, 0.71, 0.8, 1.05, 1.09, 1.1, 1.9, 1.91]
    got = resample(x, 10.0, 0.0, times)
    assert np.isnan(got).tolist() == [
        True,
        False,
        False,
        True,
        True,
        True,
        True,
        False,
        False,
        True,
    ]
    np.testing.assert_allclose(got[[1, 2, 7, 8]], [0.0, 7.0, 11.0, 19.0], atol=1e-12)


def test_gaps_of_one_component_are_its_own():
    x = np.zeros((20, 2))
    x[5, 0] = NAN
    got = resample(x, 10.0, 0.0, [0.5])
    assert np.isnan(got[0]).tolist() == [True, False]


def test_a_single_sample_is_known_at_its_time_only():
    np.testing.assert_array_equal(resample([4.0], 10.0, 1.0, [0.9, 1.0, 1.1]), [NAN, 4.0, NAN])


def test_the_end_is_reached_in_spite_of_rounding():
    for rate in (59.94, 100.0, 150.0, 1000.0):
        start = 1234.567
        clock = common_clock([(start, start + 700 / rate)], rate)
        assert len(clock) == 701
        assert np.isfinite(resample(np.arange(701.0), rate, start, clock)).all()


def test_wholly_missing_stays_so():
    assert np.isnan(resample(np.full((5, 2), NAN), 1.0, 0.0, [1.0, 2.0])).all()


@pytest.mark.parametrize(
    ("change", "error", "text"),
    [
        ({"values": []}, ShapeError, "at least one sample"),
        ({"values": np.zeros((2, 2, 2))}, ShapeError, "time on the first axis"),
        ({"values": [0.0, np.inf]}, InputError, "sample 1 is inf"),
        ({"rate": -1.0}, InputError, "rate: must be"),
        ({"start": NAN}, InputError, "start: must be"),
        ({"times": [[0.0]]}, ShapeError, r"times: must have shape \(n,\)"),
        ({"times": [0.0, NAN]}, InputError, "times: entry 1 is nan"),
        ({"times": ["now"]}, ShapeError, "array of numbers"),
    ],
)
def test_resample_refuses(change, error, text):
    case = {"values": np.zeros(5), "rate": 1.0, "start": 0.0, "times": [1.0]} | change
    with pytest.raises(error, match=text):
        resample(**case)


# Common clock


def test_the_clock_runs_from_the_latest_start_to_the_earliest_end():
    clock = common_clock([(0.0, 10.0), (0.25, 9.0), (-3.0, 8.5)], 4.0)
    assert (clock[0], clock[-1], len(clock)) == (0.25, 8.5, 34)
    assert common_clock([(0.0, 1.0), (0.1, 0.95)], 10.0)[-1] == pytest.approx(0.9)


def test_a_single_common_moment_is_enough():
    assert common_clock([(0.0, 1.0), (1.0, 2.0)], 10.0).tolist() == [1.0]


@given(
    st.lists(st.tuples(st.floats(-5, 0), st.floats(1, 9)), min_size=1, max_size=5),
    st.floats(1, 500),
)
def test_every_time_lies_in_every_span_and_no_step_is_left_out(spans, rate):
    clock = common_clock(spans, rate)
    start, end = max(s for s, _ in spans), min(e for _, e in spans)
    assert clock[0] == start
    assert clock[-1] <= end + 1e-5 / rate
    assert clock[-1] > end - 1.0 / rate - 1e-9
    np.testing.assert_allclose(np.diff(clock), 1.0 / rate, atol=1e-12)


@pytest.mark.parametrize(
    ("spans", "text"),
    [
        ([], "at least one pair"),
        ([(0.0, 1.0, 2.0)], "at least one pair"),
        ([(0.0, 1.0), (2.0,)], "pairs of start and end"),
        ([(0.0, 1.0), (3.0, 2.0)], "span 1 runs from 3 to 2 s"),
        ([(0.0, NAN)], "span 0 runs from 0 to nan s"),
        ([(0.0, 1.0), (1.5, 4.0)], "no time in common: span 1 starts at 1.5 s, span 0 ends at 1 s"),
    ],
)
def test_spans_without_common_time_are_refused(spans, text):
    with pytest.raises(InputError, match=text):
        common_clock(spans, 100.0)


# Delay


def bumps(t):
    return np.exp(-(((t - 1.0) / 0.15) ** 2)) + 0.6 * np.exp(-(((t - 1.9) / 0.25) ** 2))


@pytest.mark.parametrize("shift", [0.0, 0.05, -0.05, 0.0123, -0.0871, 0.15])
@pytest.mark.parametrize("noise", [0.0, 0.02])
def test_a_delay_that_was_put_in_is_found_to_a_part_of_a_sample(shift, noise):
    rate = 200.0
    t = np.arange(0.0, 3.0, 1.0 / rate)
    rng = np.random.default_rng(2)
    a = 5.0 * bumps(t) + 3.0 + rng.normal(0.0, 5 * noise, t.size)
    b = 800.0 * bumps(t - shift) - 100.0 + rng.normal(0.0, 800 * noise, t.size)
    found = delay(a, b, rate, 0.25)
    assert not found.at_edge
    # Without noise within a tenth of a sample of 5 ms; with 2 % of noise within half of one.
    assert found.seconds == pytest.approx(shift, abs=2.5e-3 if noise else 5e-4)
    assert found.correlation > (0.98 if noise else 0.999)


def test_exchanged_signals_change_the_sign():
    t = np.arange(0.0, 3.0, 0.005)
    a, b = bumps(t), bumps(t - 0.0371)
    assert delay(a, b, 200.0, 0.2).seconds == pytest.approx(-delay(b, a, 200.0, 0.2).seconds)


@given(st.floats(0.01, 100), st.floats(-100, 100))
@settings(max_examples=20, deadline=None)
def test_scale_and_level_do_not_count(scale, level):
    t = np.arange(0.0, 3.0, 0.005)
    a, b = bumps(t), bumps(t - 0.0371)
    one, two = delay(a, b, 200.0, 0.1), delay(a, level + scale * b, 200.0, 0.1)
    assert two.seconds == pytest.approx(one.seconds, abs=1e-8)
    assert two.correlation == pytest.approx(one.correlation, abs=1e-8)


def test_components_share_one_delay():
    t = np.arange(0.0, 3.0, 0.005)
    a = np.stack([bumps(t), np.zeros_like(t)], axis=1)
    b = np.stack([bumps(t - 0.05), np.zeros_like(t)], axis=1)
    assert delay(a, b, 200.0, 0.1).seconds == pytest.approx(0.05, abs=1e-4)


def test_a_delay_beyond_the_longest_is_at_the_edge():
    t = np.arange(0.0, 3.0, 0.005)
    assert delay(bumps(t), bumps(t - 0.2), 200.0, 0.1).at_edge
    assert delay(bumps(t - 0.2), bumps(t), 200.0, 0.1).at_edge


def test_a_signal_that_does_not_vary_has_no_delay():
    for still in (np.zeros(100), np.full(100, 0.1), np.full(100, 1e6)):
        found = delay(still, np.sin(np.arange(100) / 9.0), 100.0, 0.1)
        assert np.isnan([found.seconds, found.correlation]).all()
        assert not found.at_edge


@pytest.mark.parametrize(
    ("change", "error", "text"),
    [
        ({"b": np.zeros(99)}, ShapeError, "resample to one clock"),
        ({"a": np.full(100, NAN)}, InputError, "a: sample 0 is missing"),
        ({"longest": 0.001}, InputError, "less than one sample at 100 Hz; must be 0.01 s"),
        ({"longest": 0.9}, InputError, "too little of 100 samples"),
        ({"longest": -1.0}, InputError, "longest: must be"),
        ({"rate": 0.0}, InputError, "rate: must be"),
        ({"a": [1.0], "b": [1.0]}, InputError, "too little of 1 samples"),
        ({"a": [], "b": []}, ShapeError, "at least one sample"),
    ],
)
def test_delay_refuses(change, error, text):
    case = {"a": np.arange(100.0), "b": np.arange(100.0), "rate": 100.0, "longest": 0.1} | change
    with pytest.raises(error, match=text):
        delay(**case)

"""Gaps: where they are, which are filled, and with what."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from momentshare.errors import InputError, ShapeError
from momentshare.signals import Gap, fill_gaps, find_gaps

NAN = float("nan")
RATE = 100.0


def holed(values, *cuts):
    values = np.array(values, dtype=float)
    for first, stop in cuts:
        values[first:stop] = NAN
    return values


def test_gaps_are_found_with_their_ends_and_length():
    found = find_gaps(holed(np.arange(10.0), (0, 1), (3, 6), (9, 10)), RATE)
    assert [(g.first, g.last, g.samples) for g in found] == [(0, 0, 1), (3, 5, 3), (9, 9, 1)]
    assert found[1].seconds == pytest.approx(0.03)


def test_one_missing_component_makes_the_sample_missing():
    values = np.zeros((6, 3))
    values[2, 0] = values[3, 2] = NAN
    assert find_gaps(values, RATE) == (Gap(first=2, last=3, samples=2, seconds=0.02),)


def test_whole_and_wholly_missing_signals():
    assert find_gaps(np.zeros(4), RATE) == ()
    assert find_gaps(np.full((4, 2), NAN), RATE)[0].samples == 4


def test_a_cubic_comes_back_from_short_gaps():
    t = np.arange(60) / RATE
    truth = np.stack([3 * t**3 - t**2 + 1, -(t**3) + 5 * t], axis=1)
    filled, done, left = fill_gaps(holed(truth, (10, 18), (30, 31)), RATE, 0.08)
    np.testing.assert_allclose(filled, truth, atol=1e-13)
    assert [g.samples for g in done] == [8, 1]
    assert left == ()


def test_the_lowest_point_within_a_gap_is_kept_where_a_monotone_cubic_is_flat():
    from scipy.interpolate import PchipInterpolator

    t = np.arange(41) / RATE
    truth = 1.5 * (t - 0.2) ** 2
    gappy = holed(truth, (15, 26))
    filled, _, _ = fill_gaps(gappy, RATE, 0.2)
    known = ~np.isnan(gappy)
    flat = PchipInterpolator(t[known], truth[known])(t)
    assert abs(filled - truth).max() < 1e-13
    assert abs(flat - truth).max() > 1e-3


def test_gaps_that_are_too_long_stay_and_cut_the_curve():
    values = holed(np.arange(40.0), (10, 15), (20, 22))
    values[15:] += 1000.0  # a step across the long gap must not show in the short one
    filled, done, left = fill_gaps(values, RATE, 0.04)
    assert [(g.first, g.last) for g in done] == [(20, 21)]
    assert [(g.first, g.last) for g in left] == [(10, 14)]
    assert np.isnan(filled[10:15]).all()
    np.testing.assert_allclose(filled[20:22], [1020.0, 1021.0], atol=1e-9)


def test_a_gap_just_as_long_as_allowed_is_filled():
    for samples, longest in ((3, 0.03), (7, 0.07), (29, 0.29)):
        values = holed(np.arange(60.0), (10, 10 + samples))
        assert len(fill_gaps(values, RATE, longest)[1]) == 1
        assert len(fill_gaps(values, RATE, longest - 0.005)[2]) == 1


def test_gaps_at_the_ends_are_never_filled():
    filled, done, left = fill_gaps(holed(np.arange(20.0), (0, 1), (19, 20)), RATE, 1.0)
    assert done == ()
    assert len(left) == 2
    assert np.isnan(filled[[0, -1]]).all()


def test_nothing_is_filled_at_zero_and_nothing_is_left_of_a_wholly_missing_signal():
    values = holed(np.arange(20.0), (5, 6))
    assert fill_gaps(values, RATE, 0.0)[1] == ()
    filled, done, left = fill_gaps(np.full(5, NAN), RATE, 9.0)
    assert np.isnan(filled).all()
    assert (done, len(left)) == ((), 1)


def test_components_recorded_within_a_gap_keep_their_values():
    values = np.zeros((20, 2))
    values[8, 0], values[8, 1] = NAN, 7.0
    filled, _, _ = fill_gaps(values, RATE, 0.1)
    assert filled[8].tolist() == [0.0, 7.0]


def test_two_and_three_known_samples_give_a_line_and_a_parabola():
    np.testing.assert_allclose(fill_gaps([0.0, NAN, NAN, 3.0], RATE, 1.0)[0], [0, 1, 2, 3])
    np.testing.assert_allclose(fill_gaps([0.0, 1.0, NAN, 9.0], RATE, 1.0)[0], [0, 1, 4, 9])


def test_the_signal_given_is_not_touched():
    values = holed(np.arange(20.0), (5, 8))
    values.setflags(write=False)
    fill_gaps(values, RATE, 1.0)
    assert np.isnan(values[5:8]).all()


def test_masked_samples_are_missing_ones():
    values = np.ma.masked_array(np.arange(5.0), mask=[False, False, True, False, False])
    assert [g.first for g in find_gaps(values, RATE)] == [2]


@given(st.lists(st.booleans(), min_size=1, max_size=60), st.floats(0.0, 0.3))
@settings(deadline=None)
def test_every_gap_is_either_filled_or_left_and_known_samples_stay(missing, longest):
    values = np.where(missing, NAN, np.sin(np.arange(len(missing))))
    filled, done, left = fill_gaps(values, RATE, longest)
    assert sorted(done + left, key=lambda g: g.first) == list(find_gaps(values, RATE))
    assert find_gaps(filled, RATE) == left
    known = ~np.isnan(values)
    assert (filled[known] == values[known]).all()


@pytest.mark.parametrize(
    ("values", "error", "text"),
    [
        ([], ShapeError, "at least one sample"),
        (3.0, ShapeError, "time on the first axis"),
        (np.zeros((2, 3, 3)), ShapeError, "time on the first axis"),
        (["a", "b"], ShapeError, "array of numbers"),
        ([1.0, 2j], ShapeError, "real numbers"),
        ([0.0, np.inf], InputError, "sample 1 is inf"),
    ],
)
def test_values_that_are_no_signal_are_refused(values, error, text):
    for call in (lambda: find_gaps(values, RATE), lambda: fill_gaps(values, RATE, 1.0)):
        with pytest.raises(error, match=text):
            call()


@pytest.mark.parametrize("rate", [0.0, -100.0, NAN, np.inf, "fast", None])
def test_rates_that_are_none_are_refused(rate):
    with pytest.raises(InputError, match="rate: must be a"):
        find_gaps([1.0], rate)


@pytest.mark.parametrize("longest", [-0.1, NAN, np.inf])
def test_longest_gaps_that_are_none_are_refused(longest):
    with pytest.raises(InputError, match="longest: must be a finite number"):
        fill_gaps([1.0], RATE, longest)

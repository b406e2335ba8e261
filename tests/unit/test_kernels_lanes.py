"""Eight numbers side by side do lane by lane what one number does."""

import importlib.util
import math

import numpy as np
import pytest

pytestmark = pytest.mark.skipif(
    importlib.util.find_spec("numba") is None, reason="numba is not installed"
)


@pytest.fixture(scope="module")
def run():
    """Apply a compiled function of two numbers to arrays (rows, 8)."""
    from numba import njit

    from momentshare._kernels.lanes import put, take

    def applied(function, a, b):
        inner = njit(error_model="numpy")(function)

        @njit(error_model="numpy")
        def rows(a, b, out):
            for k in range(a.shape[0]):
                put(out, k, inner(take(a, k), take(b, k)))

        out = np.empty_like(a)
        rows(a, b, out)
        return out

    return applied


def numbers(rows=400, seed=0):
    rng = np.random.default_rng(seed)
    a, b = rng.normal(size=(2, rows, 8)) * 10.0 ** rng.integers(-9, 9, (2, rows, 8))
    a[0], b[0] = [0, 0, 0, 1, -1, np.nan, 1, 3], [0, 1, -1, 0, 0, 1, np.nan, 3]
    a[1], b[1] = [1, -1, 2, -2, 1e-300, 1e300, -0.0, 7], [1, 1, -2, -2, 1e-300, 1e300, 1, 7]
    return a, b


def test_the_angle_is_that_of_the_library(run):
    from momentshare._kernels.lanes import angle_of

    def angle(y, x):
        return angle_of(y, x)

    a, b = numbers(4000)
    found, wanted = run(angle, a, b), np.arctan2(a, b)
    np.testing.assert_array_equal(np.isnan(found), np.isnan(wanted))
    # Three roundings: of the quotient, of the polynomial and of what is added.
    np.testing.assert_allclose(found, wanted, rtol=3 * np.finfo(float).eps, atol=0.0)


def test_the_angle_near_a_change_of_formula_and_near_the_axes(run):
    from momentshare._kernels.lanes import angle_of

    def angle(y, x):
        return angle_of(y, x)

    turns = np.arange(-4, 5)[:, None] * (math.pi / 4)
    edge = np.concatenate([turns, turns + math.atan(0.66), turns - math.atan(0.66)])
    near = edge + np.array([-1e-6, -1e-15, 0.0, 1e-16, 1e-15, 1e-9, 1e-6, 1e-3])
    found = run(angle, np.sin(near), np.cos(near))
    wanted = np.arctan2(np.sin(near), np.cos(near))
    np.testing.assert_allclose(found, wanted, rtol=3 * np.finfo(float).eps, atol=0.0)


def test_arithmetic_and_choices_go_lane_by_lane(run):
    from momentshare._kernels.lanes import any_of, choose, is_nan, other, root, size, spread

    def taken(a, b):
        where = (a > b) & other(a >= 2.0) | (b == 0.0) ^ is_nan(a)
        if not any_of(where):
            return spread(-1)
        low = choose(a <= b, a, b * 1.0)
        return choose(where, root(size(a)) / 3 + 2.0 * low, choose(a != 7.0, 5, 1.0 - low))

    a, b = numbers()
    b[2:40] = np.abs(b[2:40]) + np.abs(a[2:40])  # rows in which nothing is chosen
    with np.errstate(invalid="ignore", over="ignore"):
        where = (a > b) & ~(a >= 2.0) | (b == 0.0) ^ np.isnan(a)
        low = np.where(a <= b, a, b)
        wanted = np.where(
            where, np.sqrt(np.abs(a)) / 3 + 2.0 * low, np.where(a != 7.0, 5.0, 1.0 - low)
        )
    wanted[~where.any(axis=1)] = -1.0
    assert 0 < where.any(axis=1).sum() < len(a)
    np.testing.assert_allclose(run(taken, a, b), wanted, rtol=1e-15)


def test_plain_numbers_are_taken_too():
    from numba import njit

    from momentshare._kernels.lanes import angle_of, any_of, choose, is_nan, other, root, size

    def taken(a, b):
        if any_of(other(a > b) & is_nan(a)):
            return -1.0
        return choose(a > b, root(size(a)), angle_of(a, b))

    made = njit(error_model="numpy")(taken)
    for a, b in ((4.0, 1.0), (1.0, 4.0), (math.nan, 1.0)):
        assert made(a, b) == taken(a, b) == {4.0: 2.0, 1.0: math.atan2(1.0, 4.0)}.get(a, -1.0)

"""The min–max criterion."""

import math

import numpy as np
import pytest
from scipy.optimize import linprog
from tests import naive

from momentshare.sharing import Status, greatest_factor, share
from momentshare.sharing._backends.balance import normalise
from momentshare.sharing._backends.compiled import run_minmax
from momentshare.sharing._backends.minmax import certify_minmax, solve_peaks
from momentshare.sharing._problem import build_problem


def programme(arms, capacity, moments, weights):
    """Least greatest weighted activation, written down as a linear programme."""
    heads = capacity.size
    answer = linprog(
        np.append(np.zeros(heads), 1.0),
        A_eq=np.hstack([arms * capacity, np.zeros((moments.size, 1))]),
        b_eq=moments,
        A_ub=np.hstack([np.diag(weights), -np.ones((heads, 1))]),
        b_ub=np.zeros(heads),
        bounds=[(0.0, 1.0)] * heads + [(0.0, None)],
    )
    assert answer.status == 0
    return answer.fun


@pytest.mark.parametrize("uneven", [False, True])
@pytest.mark.parametrize("level", [0.3, 1.0])
def test_agrees_with_the_linear_programme(uneven, level):
    arms, capacity, moments = naive.limb_like(12, level=level, seed=2)
    weights = np.random.default_rng(1).uniform(0.2, 3.0, 28) if uneven else np.ones(28)
    answer = share(arms, capacity, moments, exponent=math.inf, weights=weights)
    assert (answer.status == Status.SOLVED).all()
    assert np.abs(moments - np.einsum("fji,fi->fj", arms, answer.force)).max() < 1e-8
    for f in range(12):
        assert (weights * answer.activation[f]).max() == pytest.approx(
            programme(arms[f], capacity[f], moments[f], weights), rel=1e-9
        )
    # Some cases must reach the bound at 1 for the second kind of bound to be exercised.
    if uneven and level == 1.0:
        assert (answer.activation > 1 - 1e-9).any()


@pytest.mark.parametrize("uneven", [False, True])
@pytest.mark.parametrize("free", [0, 1])
@pytest.mark.parametrize("level", [0.3, 1.0, 3.0])
def test_the_kernel_and_the_numpy_form_agree(level, free, uneven):
    arms, capacity, moments = naive.limb_like(60, level=level, seed=7)
    arms[:, :, 5] = arms[:, :, 4]
    capacity[:, 5] = capacity[:, 4]
    arms[:, :, 9] = 0.0
    columns = np.random.default_rng(5).normal(size=(60, 4, free))
    weights = np.random.default_rng(1).uniform(0.2, 3.0, 28) if uneven else np.ones(28)
    given = {"exponent": math.inf, "free_columns": columns, "weights": weights}
    fast = share(arms, capacity, moments, **given, method="compiled")
    slow = share(arms, capacity, moments, **given, method="numpy")
    np.testing.assert_array_equal(fast.status, slow.status)
    assert (fast.status != Status.UNCERTIFIED).all()
    np.testing.assert_allclose(fast.activation.max(axis=1), slow.activation.max(axis=1), rtol=1e-9)
    # Among equal answers the least squares one is unique.
    np.testing.assert_allclose(fast.activation, slow.activation, atol=1e-6)
    np.testing.assert_array_equal(fast.activation[:, 9], 0.0)


def test_is_the_inverse_of_the_greatest_factor():
    arms, capacity, moments = naive.limb_like(10, seed=3)
    answer = share(arms, capacity, moments, exponent=math.inf)
    factor = greatest_factor(arms, capacity, 0.0 * moments, moments).factor
    np.testing.assert_allclose(answer.activation.max(axis=1), 1.0 / factor, rtol=1e-9)
    # λ·m is the greatest activation itself.
    priced = (answer.multipliers * moments).sum(axis=1)
    np.testing.assert_allclose(priced, answer.activation.max(axis=1), rtol=1e-9)


def test_large_exponents_tend_to_it():
    arms, capacity, moments = naive.limb_like(5, heads=8, rows=2, seed=4)
    limit = share(arms, capacity, moments, exponent=math.inf).activation.max(axis=1)
    gaps = []
    for exponent in (2.0, 4.0, 8.0):
        answer = share(arms, capacity, moments, exponent=exponent)
        gaps.append(answer.activation.max(axis=1) - limit)
    # A frame whose greatest activation is fixed by the balance has no gap to close.
    open_ = gaps[0] > 1e-3
    assert open_.sum() > 2
    assert (gaps[1] < 0.6 * gaps[0])[open_].all()
    assert (gaps[2] < 0.6 * gaps[1])[open_].all()
    assert (gaps[2] > -1e-12).all()


def test_among_equal_answers_the_one_of_least_squares():
    """Closed form: the elbow fixes a = 0.5 there; the two equal shoulder heads split evenly."""
    arms = [[0.02, 0.0, 0.0], [0.0, 0.03, 0.03]]
    answer = share(arms, [1000.0, 1000.0, 1000.0], [10.0, 12.0], exponent=math.inf)
    np.testing.assert_allclose(answer.activation, [0.5, 0.2, 0.2], atol=1e-10)


def test_free_columns_and_zero_moments():
    arms, capacity, moments = naive.limb_like(6, seed=5)
    column = np.random.default_rng(3).normal(size=(6, 4, 1))
    moments[2] = 0.0
    free = share(arms, capacity, moments, exponent=math.inf, free_columns=column)
    held = share(arms, capacity, moments, exponent=math.inf)
    assert (free.status == Status.SOLVED).all()
    np.testing.assert_array_equal(free.activation[2], 0.0)
    assert (free.activation.max(axis=1) <= held.activation.max(axis=1) + 1e-12).all()
    left = moments - np.einsum("fji,fi->fj", arms, free.force)
    np.testing.assert_allclose(left, column[..., 0] * free.free_values, atol=1e-9)


def test_a_shortfall_is_the_nearest_moment():
    arms, capacity, moments = naive.limb_like(10, level=10.0, seed=6)
    answer = share(arms, capacity, moments, exponent=math.inf)
    squares = share(arms, capacity, moments, exponent=2.0)
    assert (answer.status == Status.SHORTFALL).all()
    np.testing.assert_allclose(answer.unmet, squares.unmet, atol=1e-9)


@pytest.mark.parametrize("free", [0, 1])
@pytest.mark.parametrize("level", [0.3, 1.0, 3.0])
def test_greatest_factors_and_the_kernel_of_directions_agree_in_every_frame(level, free):
    """Both ways on their own: neither falls back on the other here."""
    arms, capacity, moments = naive.limb_like(60, level=level, seed=8)
    arms[:, :, 5] = arms[:, :, 4]
    capacity[:, 5] = capacity[:, 4]
    problem = build_problem(
        arms,
        capacity,
        moments,
        exponent=math.inf,
        weights=np.random.default_rng(1).uniform(0.2, 3.0, 28),
        free_columns=np.random.default_rng(5).normal(size=(60, 4, free)),
    )
    found, ended = solve_peaks(problem, 1)
    activation = found.activation
    other, _, told = run_minmax(problem, 1)
    assert (ended < 2).all()
    sure = told < 2
    assert sure.sum() > 30
    np.testing.assert_array_equal(ended[sure], told[sure])
    met = sure & (ended == 0)
    assert met.sum() > 10 if level < 3.0 else (ended == 1).sum() > 10
    # Heads at 1 before others reach the greatest are what takes more than one factor.
    assert level < 1.0 or (activation[met] == 1.0).any() or not met.any()
    np.testing.assert_allclose(activation[met], other[met], atol=1e-9)
    assert (found.status[ended == 0] == Status.SOLVED).all()
    raw = certify_minmax(problem, normalise(problem), activation, found.multipliers)
    assert (raw.status[ended == 0] == Status.SOLVED).all()
    np.testing.assert_allclose(
        found.numbers[ended == 0], raw.numbers[ended == 0], atol=1e-12, rtol=1e-6
    )
    for name in ("active", "force", "unmet", "free_values"):
        np.testing.assert_allclose(
            getattr(found, name)[ended == 0], getattr(raw, name)[ended == 0], atol=1e-9
        )

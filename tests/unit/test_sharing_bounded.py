"""Several bounded free values: the quick route against the general solver, and its conditions."""

from importlib.util import find_spec

import numpy as np
import pytest
from tests import naive

from momentshare.sharing import Certificate, Status, share
from momentshare.sharing._certificate import certify
from momentshare.sharing._problem import build_problem

needs_cvxpy = pytest.mark.skipif(find_spec("cvxpy") is None, reason="needs the general solver")

LOW, HIGH = np.array([-3.0, -0.5, -1.0]), np.array([2.0, 0.5, 0.3])


def problem(frames, *, level=1.0, seed=0):
    arms, capacity, moments = naive.limb_like(frames, level=level, seed=seed)
    columns = np.random.default_rng(seed + 50).normal(size=(frames, 4, 3))
    return (arms, capacity, moments), {"free_columns": columns, "free_bounds": (LOW, HIGH)}


def assert_conditions(answer, columns, low=LOW, high=HIGH):
    """Slope of the least effort: zero off the bounds, pushing against a bound that is met."""
    value = answer.free_values
    assert (value >= low - 1e-9).all()
    assert (value <= high + 1e-9).all()
    met = answer.status == Status.SOLVED
    price = np.einsum("fj,fjk->fk", answer.multipliers, columns)[met]
    terms = np.einsum("fj,fjk->fk", np.abs(answer.multipliers), np.abs(columns))[met]
    value = value[met]
    at_high, at_low = value >= high - 1e-9, value <= low + 1e-9
    assert (np.abs(price) <= 1e-7 * terms)[~at_high & ~at_low].all()
    assert (price >= -1e-7 * terms)[at_high].all()
    assert (price <= 1e-7 * terms)[at_low].all()
    return at_high | at_low


@needs_cvxpy
@pytest.mark.parametrize("exponent", [1.5, 2.0, 3.0])
def test_activation_is_that_of_the_general_solver(exponent):
    given, bounds = problem(24, seed=1)
    quick = share(*given, **bounds, exponent=exponent)
    slow = share(*given, **bounds, exponent=exponent, method="convex")
    assert "convex" not in quick.method
    assert (quick.status == Status.SOLVED).all()
    cost = (quick.activation**exponent).sum(axis=1)
    assert (cost <= (slow.activation**exponent).sum(axis=1) * (1.0 + 1e-6)).all()
    np.testing.assert_allclose(quick.activation, slow.activation, atol=2e-4)


@pytest.mark.parametrize("method", ["auto", "numpy"])
def test_every_value_is_free_or_pushes_against_its_bound(method):
    given, bounds = problem(300, seed=2)
    answer = share(*given, **bounds, method=method)
    assert (answer.status == Status.SOLVED).all()
    held = assert_conditions(answer, bounds["free_columns"])
    assert 0.05 < held.mean() < 0.98


@needs_cvxpy
def test_the_nearest_moment_is_that_of_the_general_solver():
    given, bounds = problem(16, level=4.0, seed=3)
    quick = share(*given, **bounds)
    slow = share(*given, **bounds, method="convex")
    short = slow.status == Status.SHORTFALL
    assert short.sum() > 3
    np.testing.assert_array_equal(quick.status == Status.SHORTFALL, short)
    np.testing.assert_allclose(quick.unmet, slow.unmet, atol=2e-4)


@needs_cvxpy
def test_inequalities_are_kept_beside_the_bounds():
    given, bounds = problem(8, seed=4)
    plain = share(*given, **bounds)
    level = 0.97 * plain.force.sum(axis=1, keepdims=True)
    limit = (np.ones((8, 1, 28)), level)
    quick = share(*given, **bounds, inequalities=limit)
    slow = share(*given, **bounds, inequalities=limit, method="convex")
    np.testing.assert_allclose(quick.force.sum(axis=1, keepdims=True), level, rtol=1e-7)
    np.testing.assert_allclose(quick.activation, slow.activation, atol=1e-6)
    assert_conditions(quick, bounds["free_columns"])


@needs_cvxpy
def test_least_greatest_activation_is_that_of_the_general_solver():
    given, bounds = problem(10, seed=5)
    quick = share(*given, **bounds, exponent=np.inf)
    slow = share(*given, **bounds, exponent=np.inf, method="convex")
    np.testing.assert_allclose(quick.activation.max(axis=1), slow.activation.max(axis=1), rtol=1e-6)


def test_bounds_that_shut_a_value_and_columns_of_zeros_change_nothing():
    (arms, capacity, moments), bounds = problem(40, seed=6)
    column = bounds["free_columns"][..., :1]
    one = share(arms, capacity, moments, free_columns=column, free_bounds=(LOW[:1], HIGH[:1]))
    columns = np.concatenate([column, bounds["free_columns"][..., 1:2], 0.0 * column], axis=-1)
    shut = (np.array([LOW[0], 0.0, -5.0]), np.array([HIGH[0], 0.0, 5.0]))
    three = share(arms, capacity, moments, free_columns=columns, free_bounds=shut)
    np.testing.assert_allclose(three.activation, one.activation, atol=1e-9)
    np.testing.assert_allclose(three.free_values[:, 0], one.free_values[:, 0], atol=1e-8)
    np.testing.assert_array_equal(three.free_values[:, 1:], 0.0)


def test_wide_bounds_give_what_no_bounds_give():
    given, bounds = problem(40, seed=7)
    columns = bounds["free_columns"]
    none = share(*given, free_columns=columns)
    wide = share(*given, free_columns=columns, free_bounds=(np.full(3, -1e6), np.full(3, 1e6)))
    half = share(
        *given,
        free_columns=columns,
        free_bounds=(np.array([-np.inf, -1e6, -1e6]), np.array([np.inf, 1e6, 1e6])),
    )
    for answer in (wide, half):
        np.testing.assert_allclose(answer.activation, none.activation, atol=1e-8)
        np.testing.assert_allclose(answer.free_values, none.free_values, rtol=1e-5, atol=1e-5)


def test_a_frame_does_not_depend_on_its_neighbours():
    given, bounds = problem(30, seed=8)
    whole = share(*given, **bounds, chain=False)
    for f in (0, 11, 29):
        alone = share(
            *(a[f] for a in given), free_columns=bounds["free_columns"][f],
            free_bounds=(LOW, HIGH), chain=False,
        )  # fmt: skip
        np.testing.assert_allclose(alone.activation, whole.activation[f], atol=1e-11)


def test_a_frame_that_is_not_finite_is_marked_alone():
    (arms, capacity, moments), bounds = problem(6, seed=9)
    moments = moments.copy()
    moments[2, 0] = np.nan
    answer = share(arms, capacity, moments, **bounds, on_invalid="mark")
    assert answer.status[2] == Status.INVALID
    assert (np.delete(answer.status, 2) == Status.SOLVED).all()


def beside_a_shortfall(seed):
    """A row that falls short with one head, and two rows that free values carry at no effort."""
    rng = np.random.default_rng(seed)
    arms = np.zeros((3, 6))
    arms[0, 0], arms[1:, 1:] = 0.05, 0.03 * rng.normal(size=(2, 5))
    capacity, columns = rng.uniform(200.0, 2000.0, 6), np.zeros((3, 2))
    columns[1:] = rng.normal(size=(2, 2))
    carried = columns @ rng.uniform(-1.0, 1.0, 2)
    moments = np.array([0.05 * capacity[0] * rng.uniform(1.5, 4.0), *carried[1:]])
    return (arms, capacity, moments), columns


@pytest.mark.parametrize("exponent", [1.5, 2.0, 4.47])
def test_values_across_a_shortfall_take_what_costs_nothing(exponent):
    """A value that brings the moment no nearer is chosen by effort, whatever rounding says."""
    for seed in range(100):
        given, columns = beside_a_shortfall(seed)
        answer = share(*given, exponent=exponent, free_columns=columns, free_bounds=([-2.0], [2.0]))
        assert answer.status == Status.SHORTFALL
        # One head is fully active; the others' effort is what the certificate leaves open.
        assert (answer.activation**exponent).sum() - 1.0 <= 1e-9


@pytest.mark.parametrize("factor", [1.0, 4.0])
def test_a_value_that_others_could_better_is_not_certified(factor):
    """The certificate is that of the choice of values too, met moments and shortfalls alike."""
    given, options = problem(40, level=factor, seed=4)
    columns = options["free_columns"]
    best = share(*given, **options)
    assert (best.status <= Status.SHORTFALL).all()
    room = (HIGH - LOW) * 0.1
    moved = np.clip(best.free_values + room, LOW, HIGH)
    held = share(given[0], given[1], given[2] - np.einsum("fjk,fk->fj", columns, moved))
    whole = build_problem(*given, **options)
    right, wrong = (
        certify(
            whole, one.activation, one.multipliers, value, one.status == Status.SHORTFALL
        )
        for one, value in ((best, best.free_values), (held, moved))
    )  # fmt: skip
    np.testing.assert_array_equal(right.status, best.status)
    dearer = (held.activation**2).sum(axis=1) > (best.activation**2).sum(axis=1) * (1.0 + 1e-6)
    farther = np.abs(held.unmet).max(axis=1) > np.abs(best.unmet).max(axis=1) + 1e-6
    assert (dearer | farther).mean() > 0.8
    assert (wrong.status[dearer | farther] == Status.UNCERTIFIED).all()


def test_values_beyond_their_bounds_are_not_certified():
    given, options = problem(10, seed=5)
    best = share(*given, free_columns=options["free_columns"])
    judged = certify(
        build_problem(*given, **options), best.activation, best.multipliers, best.free_values,
        best.status == Status.SHORTFALL,
    )  # fmt: skip
    beyond = ((best.free_values < LOW) | (best.free_values > HIGH)).any(axis=1)
    assert beyond.any()
    assert (Certificate.of(judged.numbers).bound_violation[beyond] > 1e-6).all()
    assert (judged.status[beyond] == Status.UNCERTIFIED).all()
    assert (judged.status[~beyond] == best.status[~beyond]).all()

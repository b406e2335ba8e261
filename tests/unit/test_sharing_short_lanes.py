"""Moments out of reach, eight frames side by side: the answers of the kernel for single frames."""

import importlib.util

import numpy as np
import pytest
from tests import naive
from tests.unit.test_sharing_lanes import both, hostile

from momentshare.sharing import Status, greatest_factor, share
from momentshare.sharing._backends.kernels import plain_lanes
from momentshare.sharing._certificate import certify
from momentshare.sharing._problem import build_problem

pytestmark = pytest.mark.skipif(
    importlib.util.find_spec("numba") is None, reason="numba is not installed"
)


def far(frames, heads, rows, seed):
    """Hostile heads, some with one row alone or nearly parallel, and moments out of reach."""
    arms, capacity, moments = hostile(frames, heads, rows, 1.0, seed)
    rng = np.random.default_rng(seed)
    arms[:, :-1, heads - 3 :] = 0.0
    arms[::2, :, 4] = arms[::2, :, 5] * (1.0 + 1e-9 * rng.normal(size=(rows, 1))).T
    moments *= 10.0 ** rng.uniform(0.3, 3.0, (frames, 1))
    moments[::5, 0] = 0.0
    return arms, capacity, moments


def distance(problem, unmet):
    """Unmet moment over the norms of the rows, as a part of what is asked for."""
    row = np.linalg.norm(problem.arms * problem.capacity[:, None, :], axis=2)
    asked = np.linalg.norm(problem.moments / row, axis=1)
    return np.linalg.norm(unmet / row, axis=1) / np.maximum(asked, 1.0)


@pytest.mark.parametrize(("rows", "heads"), [(1, 8), (2, 9), (3, 12), (4, 26), (5, 28), (6, 28)])
@pytest.mark.parametrize("exponent", [2, 3])
def test_what_is_certified_is_the_same_as_one_frame_at_a_time(rows, heads, exponent):
    arms, capacity, moments = far(203, heads, rows, rows)
    rng = np.random.default_rng(rows)
    given = {
        "passive_force": rng.uniform(0.0, 30.0, heads),
        "weights": 10.0 ** rng.uniform(-2.0, 2.0, heads),
        "exponent": exponent,
    }
    side, single = both(arms, capacity, moments, **given)
    problem = build_problem(arms, capacity, moments, **given)
    short = np.flatnonzero(side.status == Status.SHORTFALL)
    assert short.size > 100
    known = short[single.status[short] != Status.UNCERTIFIED]
    assert (single.status[known] == Status.SHORTFALL).all()
    apart = distance(problem, side.unmet) - distance(problem, single.unmet)
    np.testing.assert_allclose(apart[known], 0.0, atol=1e-9)
    power = exponent - 1
    np.testing.assert_allclose(
        side.activation[known] ** power, single.activation[known] ** power, atol=1e-8
    )
    np.testing.assert_array_equal(side.active, problem.capacity * side.activation)
    part = problem.take(short)
    again = certify(
        part, side.activation[short], side.multipliers[short], np.zeros((short.size, 0)),
        np.ones(short.size, dtype=bool),
    )  # fmt: skip
    assert (again.status == Status.SHORTFALL).all()
    size = np.linalg.norm(part.arms * part.capacity[:, None, :], axis=2).max(axis=1)
    apart = np.abs(side.numbers[short, 0] - again.numbers[:, 0])
    assert (apart / (size + np.abs(part.moments).max())).max() <= 1e-11
    np.testing.assert_allclose(side.unmet[short], again.unmet, rtol=1e-11, atol=1e-9)


@pytest.mark.parametrize(("exponent", "part"), [(2, 0.95), (3, 0.9)])
def test_few_are_left_to_the_other_kernel(exponent, part):
    arms, capacity, moments = naive.limb_like(2000, level=0.5, seed=2)
    side, single = both(arms, capacity, 10.0 * moments, exponent=exponent)
    short = single.status == Status.SHORTFALL
    assert short.sum() > 1000
    assert (side.status[short] == Status.SHORTFALL).mean() > part


@pytest.mark.parametrize("beyond", [-1e-4, -1e-8, 1e-8, 1e-6, 1e-4, 1e-2])
@pytest.mark.parametrize("exponent", [2, 3])
def test_moments_at_the_edge_of_what_can_be_met(beyond, exponent):
    arms, capacity, moments = naive.limb_like(200, level=0.5, seed=11)
    most = greatest_factor(arms, capacity, 0.0 * moments, moments).factor
    moments = moments * (most * (1.0 + beyond))[:, None]
    side, _ = both(arms, capacity, moments, exponent=exponent)
    answer = share(arms, capacity, moments, exponent=exponent, chain=False)
    wrong = Status.SHORTFALL if beyond < 0.0 else Status.SOLVED
    assert not (side.status == wrong).any()
    # A shortfall so slight that rounding may feign it is certified by neither route.
    if not 0.0 < beyond < 1e-5:
        assert (answer.status != Status.UNCERTIFIED).all()
    slow = share(arms, capacity, moments, exponent=exponent, method="numpy")
    np.testing.assert_array_equal(answer.status, slow.status)
    power = exponent - 1
    np.testing.assert_allclose(answer.activation**power, slow.activation**power, atol=1e-7)


@pytest.mark.parametrize("exponent", [2, 3])
def test_a_frame_that_falls_short_has_the_same_digits_in_any_company(exponent):
    arms, capacity, moments = far(1500, 28, 4, 5)
    order = np.random.default_rng(0).permutation(1500)
    given = {"exponent": exponent, "chain": False}
    whole = share(arms, capacity, moments, **given, threads=1)
    mixed = share(arms[order], capacity[order], moments[order], **given, threads=1)
    split = share(arms, capacity, moments, **given, threads=2)
    some = share(arms[7:20], capacity[7:20], moments[7:20], **given)
    assert (whole.status == Status.SHORTFALL).sum() > 700
    for name in ("activation", "multipliers", "unmet", "status"):
        found = getattr(whole, name)
        np.testing.assert_array_equal(getattr(mixed, name), found[order])
        np.testing.assert_array_equal(getattr(split, name), found)
        np.testing.assert_array_equal(getattr(some, name), found[7:20])


def test_a_frame_with_one_head_free_between_bounds():
    """Two rows, heads along both: the nearest moment lies on a facet that one head moves along."""
    arms = np.zeros((1, 2, 8))
    arms[0, 0, :4], arms[0, 1, 4:] = 0.05, 0.05
    capacity = np.full((1, 8), 100.0)
    side, _ = both(arms, capacity, np.array([[100.0, 4.0]]))
    assert side.status[0] == Status.SHORTFALL
    np.testing.assert_allclose(side.activation[0], [1.0] * 4 + [0.2] * 4, atol=1e-12)
    np.testing.assert_allclose(side.unmet[0], [80.0, 0.0], atol=1e-9)
    assert plain_lanes.SHORTFALL == Status.SHORTFALL

"""What the kernels leave within inequalities is solved as two quadratic programmes."""

from dataclasses import replace
from importlib.util import find_spec

import numpy as np
import pytest

from momentshare.sharing import _share, greatest_factor, share
from momentshare.sharing._result import Status

HEADS, ROWS, FACETS = 12, 4, 8


def drawn(seed, frames=6, free=0):
    """Problems of which some can be met and some cannot, with inequalities that often hold."""
    rng = np.random.default_rng(seed)
    arms = rng.normal(0.0, 0.03, (frames, ROWS, HEADS))
    capacity = rng.uniform(100.0, 900.0, (frames, HEADS))
    some = rng.uniform(0.0, 1.0, (frames, HEADS)) * capacity
    moments = np.einsum("fji,fi->fj", arms, some) * rng.choice([0.5, 1.0, 4.0], (frames, 1))
    limits = rng.normal(0.0, 1.0, (frames, FACETS, HEADS))
    levels = np.einsum("fgi,fi->fg", limits, some) * 0.2 + rng.uniform(0.0, 400.0, (frames, FACETS))
    given = {"weights": rng.uniform(0.2, 3.0, (frames, HEADS)), "inequalities": (limits, levels)}
    if free:
        given["free_columns"] = rng.normal(0.0, 0.4, (frames, ROWS, free))
    return arms, capacity, moments, given


@pytest.fixture
def left(monkeypatch):
    """Leave every frame to what comes after the kernels, and nothing to the general solver."""
    plain = _share._solve_unbounded

    def none(problem, *words, **more):
        raw = plain(problem, *words, **more)
        status = np.full_like(raw.status, Status.UNCERTIFIED)
        return replace(raw, status=status, activation=raw.activation * np.nan)

    monkeypatch.setattr(_share, "_solve_unbounded", none)
    monkeypatch.setattr(_share, "run_side_by_side", lambda _p, raw, _t: raw.status.fill(2))
    monkeypatch.setattr(_share, "find_spec", lambda _: None)


@pytest.mark.parametrize("free", [0, 1])
def test_answers_are_those_of_the_kernels(left, monkeypatch, free):
    found = [share(*arrays, **given) for *arrays, given in (drawn(s, free=free) for s in range(12))]
    monkeypatch.undo()
    seen = set()
    for seed, own in enumerate(found):
        *arrays, given = drawn(seed, free=free)
        wanted = share(*arrays, **given)
        sure = wanted.status != Status.UNCERTIFIED
        seen |= set(wanted.status[sure].tolist())
        np.testing.assert_array_equal(own.status[sure], wanted.status[sure])
        known = sure & (wanted.status != Status.INFEASIBLE)
        np.testing.assert_allclose(own.activation[known], wanted.activation[known], atol=1e-6)
        np.testing.assert_allclose(own.unmet[known], wanted.unmet[known], atol=1e-6)
        assert (own.certificate.duality_gap[known] < 1e-9).all()
    assert {Status.SOLVED, Status.SHORTFALL} <= seen


@pytest.mark.skipif(find_spec("cvxpy") is None, reason="the general solver is not installed")
def test_a_shortfall_at_many_inequalities_is_that_of_the_general_solver(left, monkeypatch):
    *arrays, given = drawn(3, frames=8)
    arrays[2] = 20.0 * arrays[2]
    own = share(*arrays, **given)
    monkeypatch.undo()
    slow = share(*arrays, **given, method="convex")
    np.testing.assert_array_equal(own.status, slow.status)
    assert (own.status == Status.SHORTFALL).all()
    held = (own.shortfall_prices > 1e-9).sum(axis=-1)
    assert held.max() >= 3
    np.testing.assert_allclose(own.unmet, slow.unmet, rtol=1e-6, atol=1e-6)
    np.testing.assert_allclose(own.activation, slow.activation, atol=1e-5)


def test_moments_just_out_of_reach_are_shortfalls_without_the_general_solver(left):
    """By a hundred thousandth, where multipliers are great; the heads are as at the limit."""
    limits = []
    for seed in range(6):
        arms, capacity, moments, given = drawn(seed)
        best = greatest_factor(
            arms, capacity, np.zeros_like(moments), moments, inequalities=given["inequalities"]
        )
        limits.append(best.activation)
        most = moments * best.factor[:, None]
        answer = share(arms, capacity, 1.00001 * most, **given)
        assert (answer.status == Status.SHORTFALL).all()
        assert (np.abs(answer.certificate.duality_gap) < 1e-5).all()
        size = np.linalg.norm(arms * capacity[:, None, :], axis=2)
        missing = np.linalg.norm(answer.unmet / size, axis=1)
        assert (missing > 0.0).all()
        assert (missing < 1.0001e-5 * np.linalg.norm(most / size, axis=1)).all()
        np.testing.assert_allclose(answer.activation, best.activation, atol=1e-3)
    assert np.ptp(limits) > 0.5


def test_inequalities_that_no_forces_obey_are_told(left):
    arms, capacity, moments, given = drawn(5, frames=3)
    limits, levels = given["inequalities"]
    limits, levels = limits.copy(), levels.copy()
    limits[1, 1] = -limits[1, 0]  # the same sum of forces is to be below −1 and above 1
    levels[1, :2] = -1.0
    answer = share(arms, capacity, moments, **{**given, "inequalities": (limits, levels)})
    assert answer.status.tolist()[1] == Status.INFEASIBLE
    assert np.isnan(answer.activation[1]).all()
    assert Status.INFEASIBLE not in answer.status[[0, 2]]

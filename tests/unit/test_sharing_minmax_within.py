"""The min–max criterion within inequalities."""

import math

import numpy as np
import pytest
from scipy.optimize import linprog, minimize
from tests import naive

from momentshare.sharing import Solver, Status, contact_cone, share


def pressed(frames, level, seed, *, heads=12, rows=3):
    """Frames of an arm whose heads press a joint that holds inside a cone."""
    arms, capacity, moments = naive.limb_like(
        frames, heads=heads, rows=rows, level=level, seed=seed
    )
    rng = np.random.default_rng(seed + 50)
    lines = rng.normal(size=(frames, heads, 3))
    lines[..., 0] = 0.3 + np.abs(lines[..., 0])
    lines /= np.linalg.norm(lines, axis=-1, keepdims=True)
    base = rng.normal(scale=20.0, size=(frames, 3))
    ratios = 0.35 + 0.2 * np.cos(2 * np.pi * np.arange(8) / 8)
    cone = contact_cone(lines, base, ratios, axis=[1, 0, 0], towards=[0, 0, 1])
    return arms, capacity, moments, cone


def programme(arms, capacity, moments, weights, limits, levels, passive):
    """Least greatest weighted activation within inequalities, in newtons and newton metres."""
    heads = capacity.size
    answer = linprog(
        np.append(np.zeros(heads), 1.0),
        A_eq=np.hstack([arms * capacity, np.zeros((moments.size, 1))]),
        b_eq=moments - arms @ passive,
        A_ub=np.vstack(
            [
                np.hstack([np.diag(weights), -np.ones((heads, 1))]),
                np.hstack([limits * capacity, np.zeros((levels.size, 1))]),
            ]
        ),
        b_ub=np.append(np.zeros(heads), levels - limits @ passive),
        bounds=[(0.0, 1.0)] * heads + [(0.0, None)],
    )
    assert answer.status == 0
    return answer.fun


def excess(answer, limits, levels):
    return (np.einsum("...gi,...i->...g", limits, answer.force) - levels).max(axis=-1)


@pytest.mark.parametrize("method", ["compiled", "numpy"])
@pytest.mark.parametrize("uneven", [False, True])
@pytest.mark.parametrize("level", [0.3, 1.0])
def test_keeps_the_inequalities_with_the_least_peak(level, uneven, method):
    arms, capacity, moments, cone = pressed(40, level, 3)
    rng = np.random.default_rng(1)
    weights = rng.uniform(0.2, 3.0, 12) if uneven else np.ones(12)
    passive = rng.uniform(0.0, 20.0, 12)
    limits, levels = cone.inequalities()
    given = {"exponent": math.inf, "weights": weights, "passive_force": passive, "method": method}
    answer = share(arms, capacity, moments, inequalities=cone, **given)
    bare = share(arms, capacity, moments, **given)
    breaks = (excess(bare, limits, levels) > 1.0) & (answer.status == Status.SOLVED)
    assert breaks.sum() >= 5
    met = np.flatnonzero(answer.status == Status.SOLVED)
    assert excess(answer, limits, levels)[met].max() < 1e-7
    for f in met:
        least = programme(arms[f], capacity[f], moments[f], weights, limits[f], levels[f], passive)
        assert (weights * answer.activation[f]).max() == pytest.approx(least, rel=1e-8)
        assert np.abs(answer.unmet[f]).max() < 1e-8
    peaks = [(weights * found.activation).max(axis=1) for found in (answer, bare)]
    dear = breaks & (peaks[0] > (1.0 + 1e-6) * peaks[1])
    assert dear.sum() >= 3
    assert (answer.inequality_multipliers[dear] > 0.0).any(axis=1).all()
    numbers = answer.certificate
    for name in ("bound_violation", "stationarity", "duality_gap"):
        assert np.abs(getattr(numbers, name)[met]).max() <= 1e-9


def test_what_cannot_be_met_within_them_reads_as_with_squares():
    arms, capacity, moments, cone = pressed(60, 2.0, 5)
    limits, levels = cone.inequalities()
    levels = levels.copy()
    limits = limits.copy()
    limits[::6, 0], levels[::6, 0] = 1.0, -50.0  # no pull is below zero
    answer = share(arms, capacity, moments, exponent=math.inf, inequalities=(limits, levels))
    squares = share(arms, capacity, moments, inequalities=(limits, levels))
    np.testing.assert_array_equal(answer.status, squares.status)
    counts = np.bincount(answer.status, minlength=5)
    assert (answer.status[::6] == Status.INFEASIBLE).all()
    assert counts[Status.SHORTFALL] > 10
    assert counts[Status.UNCERTIFIED] == 0
    short = answer.status == Status.SHORTFALL
    np.testing.assert_allclose(answer.unmet[short], squares.unmet[short], atol=1e-9)
    np.testing.assert_allclose(answer.force[short], squares.force[short], atol=1e-6)


def test_among_equal_answers_the_one_of_least_squares():
    """Closed form: the first of three heads of a joint is held to 100 N, the others share evenly.

    The heads of a second joint need less than the peak and split it evenly.
    """
    arms = np.array([[0.05, 0.04, 0.03, 0.0, 0.0], [0.0, 0.0, 0.0, 0.02, 0.02]])
    capacity = np.array([1000.0, 500.0, 800.0, 900.0, 900.0])
    limits, levels = np.array([[1.0, 0.0, 0.0, 0.0, 0.0]]), np.array([100.0])
    answer = share(arms, capacity, [30.0, 9.0], exponent=math.inf, inequalities=(limits, levels))
    peak = 25.0 / (500.0 * 0.04 + 800.0 * 0.03)
    assert str(answer.status_text) == "solved"
    np.testing.assert_allclose(answer.activation, [0.1, peak, peak, 0.25, 0.25], atol=1e-9)


def test_ties_within_a_cone_are_those_of_a_general_solver():
    arms, capacity, moments, cone = pressed(12, 0.5, 8, heads=6, rows=2)
    limits, levels = cone.inequalities()
    answer = share(arms, capacity, moments, exponent=math.inf, inequalities=cone)
    bare = share(arms, capacity, moments, exponent=math.inf)
    chosen = np.flatnonzero((answer.status == Status.SOLVED) & (excess(bare, limits, levels) > 1.0))
    assert chosen.size >= 2
    for f in chosen:
        peak = answer.activation[f].max()
        loads, rows = arms[f] * capacity[f], limits[f] * capacity[f]
        free = minimize(
            lambda a: a @ a, answer.activation[f], jac=lambda a: 2 * a, method="SLSQP",
            bounds=[(0.0, peak)] * 6, options={"ftol": 1e-15, "maxiter": 300},
            constraints=[
                {"type": "eq", "fun": lambda a, A=loads, b=moments[f]: A @ a - b},
                {"type": "ineq", "fun": lambda a, G=rows, h=levels[f]: (h - G @ a) / 1e3},
            ],
        )  # fmt: skip
        assert answer.activation[f] @ answer.activation[f] <= free.fun * (1.0 + 1e-6)


def test_a_free_value_and_a_solver_keep_them_too():
    arms, capacity, moments, cone = pressed(30, 0.4, 9)
    limits, levels = cone.inequalities()
    column = np.array([[0.3], [0.1], [-0.2]])
    answer = share(
        arms, capacity, moments, exponent=math.inf, inequalities=cone, free_columns=column
    )
    met = answer.status == Status.SOLVED
    assert met.sum() > 20
    assert excess(answer, limits, levels)[met].max() < 1e-7
    held = share(arms, capacity, moments, exponent=math.inf, inequalities=cone)
    both = met & (held.status == Status.SOLVED)
    assert both.sum() > 10
    assert (answer.activation.max(axis=1) <= held.activation.max(axis=1) + 1e-9)[both].all()
    solver = Solver(heads=12, exponent=math.inf, inequalities=(limits[0], levels[0]))
    batch = solver.solve(arms, capacity, moments, inequalities=(limits, levels))
    np.testing.assert_array_equal(batch.status, held.status)
    np.testing.assert_allclose(batch.force, held.force, atol=1e-6)
    for f in range(4):
        step = solver.step(arms[f], capacity[f], moments[f], inequalities=(limits[f], levels[f]))
        assert step.status == held.status[f]
        np.testing.assert_allclose(step.force, held.force[f], atol=1e-6)

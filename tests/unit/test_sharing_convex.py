"""Inequalities, the cone of a joint force, and the general solver behind them."""

import importlib.util
import math

import numpy as np
import pytest
from tests import naive

from momentshare.errors import MissingExtraError, ShapeError
from momentshare.sharing import Status, cone_inequalities, share

needs_cvxpy = pytest.mark.skipif(
    importlib.util.find_spec("cvxpy") is None, reason="cvxpy is not installed"
)
# The general solver stops at 1e-10 in its own measure; activations follow its square root.
LOOSE = 2e-5


@needs_cvxpy
@pytest.mark.parametrize("exponent", [1.5, 2.0, 3.0])
def test_the_general_solver_agrees(exponent):
    arms, capacity, moments = naive.limb_like(5, seed=1)
    weights = np.random.default_rng(0).uniform(0.3, 3.0, 28)
    fast = share(arms, capacity, moments, exponent=exponent, weights=weights)
    slow = share(arms, capacity, moments, exponent=exponent, weights=weights, method="convex")
    assert slow.method == "convex"
    assert (slow.status == Status.SOLVED).all()
    tight = 1e-10 if exponent == 2.0 else LOOSE
    np.testing.assert_allclose(slow.activation, fast.activation, atol=tight)
    np.testing.assert_allclose(
        slow.multipliers, fast.multipliers, atol=tight * np.abs(fast.multipliers).max()
    )


@needs_cvxpy
def test_the_general_solver_agrees_on_min_max():
    arms, capacity, moments = naive.limb_like(4, seed=2)
    fast = share(arms, capacity, moments, exponent=math.inf)
    slow = share(arms, capacity, moments, exponent=math.inf, method="convex")
    np.testing.assert_allclose(slow.activation.max(axis=1), fast.activation.max(axis=1), rtol=1e-7)


@needs_cvxpy
def test_the_general_solver_agrees_on_the_nearest_moment():
    arms, capacity, moments = naive.limb_like(6, level=4.0, seed=3)
    fast = share(arms, capacity, moments)
    slow = share(arms, capacity, moments, method="convex")
    short = fast.status == Status.SHORTFALL
    assert short.sum() > 2
    np.testing.assert_allclose(slow.unmet, fast.unmet, atol=1e-4)


@needs_cvxpy
def test_bounds_on_one_free_value_agree_with_clamping():
    arms, capacity, moments = naive.limb_like(8, seed=4)
    column = np.array([[1.0], [0.5], [-0.2], [0.3]])
    given = {"free_columns": column, "free_bounds": (-3.0, 2.0)}
    fast = share(arms, capacity, moments, **given)
    slow = share(arms, capacity, moments, **given, method="convex")
    np.testing.assert_allclose(slow.activation, fast.activation, atol=1e-9)
    np.testing.assert_allclose(slow.free_values, fast.free_values, atol=1e-7)


@needs_cvxpy
def test_bounds_on_several_free_values():
    arms, capacity, moments = naive.limb_like(6, seed=5)
    columns = np.random.default_rng(2).normal(size=(4, 2))
    low, high = np.array([-2.0, -1.0]), np.array([1.0, 3.0])
    answer = share(arms, capacity, moments, free_columns=columns, free_bounds=(low, high))
    assert answer.method != "convex"
    assert (answer.status == Status.SOLVED).all()
    assert (answer.free_values >= low - 1e-9).all()
    assert (answer.free_values <= high + 1e-9).all()
    gain = answer.multipliers @ columns
    inside = (answer.free_values > low + 1e-6) & (answer.free_values < high - 1e-6)
    assert inside.any()
    assert (~inside).any()
    assert np.abs(gain[inside]).max() < 1e-9
    assert (gain[answer.free_values >= high - 1e-6] > 0.0).all()
    assert (gain[answer.free_values <= low + 1e-6] < 0.0).all()


def test_inequalities_that_hold_anyway_cost_nothing():
    arms, capacity, moments = naive.limb_like(6, seed=6)
    plain = share(arms, capacity, moments)
    roomy = share(arms, capacity, moments, inequalities=(np.ones((1, 28)), [1e6]))
    assert roomy.method == plain.method
    np.testing.assert_array_equal(roomy.activation, plain.activation)
    np.testing.assert_array_equal(roomy.inequality_multipliers, np.zeros((6, 1)))


@needs_cvxpy
@pytest.mark.parametrize("exponent", [2.0, 3.0])
def test_a_limit_on_the_total_force_is_kept_and_priced(exponent):
    arms, capacity, moments = naive.limb_like(5, seed=7)
    passive = np.full(28, 2.0)
    given = {"passive_force": passive, "exponent": exponent}
    plain = share(arms, capacity, moments, **given)
    level = 0.97 * plain.force.sum(axis=1, keepdims=True)
    answer = share(arms, capacity, moments, **given, inequalities=(np.ones((5, 1, 28)), level))
    assert (answer.status == Status.SOLVED).all()
    np.testing.assert_allclose(answer.force.sum(axis=1, keepdims=True), level, rtol=1e-7)
    assert (answer.inequality_multipliers > 0.0).all()
    a = answer.activation
    drive = capacity * (
        np.einsum("fji,fj->fi", arms, answer.multipliers) - answer.inequality_multipliers
    )
    marginal = exponent * a ** (exponent - 1.0)
    inside = (a > 1e-3) & (a < 1.0 - 1e-3)
    tight = 1e-9 if exponent == 2.0 else 1e-4
    assert np.abs(drive - marginal)[inside].max() < tight
    before, after = naive.effort(plain.activation, exponent), naive.effort(a, exponent)
    assert (after > before).all()


@needs_cvxpy
def test_limits_nobody_can_obey_are_said_to_be_so():
    arms, capacity, moments = naive.limb_like(2, seed=8)
    answer = share(arms, capacity, moments, inequalities=(np.ones((1, 28)), [-1.0]))
    assert (answer.status == Status.INFEASIBLE).all()
    assert np.isnan(answer.activation).all()


def limits_of_a_cone(frames, seed):
    rng = np.random.default_rng(seed)
    lines = rng.normal(size=(frames, 28, 3))
    lines[..., 0] = 0.3 + np.abs(lines[..., 0])
    lines /= np.linalg.norm(lines, axis=-1, keepdims=True)
    base = rng.normal(scale=20.0, size=(frames, 3))
    ratios = 0.35 + 0.2 * np.cos(2 * np.pi * np.arange(8) / 8)
    return lines, base, ratios


@needs_cvxpy
def test_the_joint_force_stays_in_its_cone():
    arms, capacity, moments = naive.limb_like(12, seed=9)
    lines, base, ratios = limits_of_a_cone(12, 9)
    cone = cone_inequalities(lines, base, ratios, axis=[2.0, 0.0, 0.0], towards=[0.0, 0.0, 1.0])

    def excess(answer):
        joint = base + np.einsum("fi,fix->fx", answer.force, lines)
        turn = 2 * np.pi * np.arange(8) / 8
        # Right-handed about x from z: z, then −y.
        tangent = joint[:, 2:3] * np.cos(turn) - joint[:, 1:2] * np.sin(turn)
        return (tangent - ratios * joint[:, :1]).max(axis=1)

    plain = share(arms, capacity, moments)
    held = share(arms, capacity, moments, inequalities=cone)
    outside = excess(plain) > 1e-6
    assert outside.sum() > 2
    assert (held.status == Status.SOLVED).all()
    assert excess(held).max() < 1e-6
    np.testing.assert_array_equal(held.activation[~outside], plain.activation[~outside])
    cost = naive.effort(held.activation, 2.0) - naive.effort(plain.activation, 2.0)
    assert (cost[outside] > 0.0).all()


def test_the_cone_is_the_one_described():
    lines, base, ratios = limits_of_a_cone(3, 10)
    G, h = cone_inequalities(lines, base, ratios, axis=[1.0, 0.0, 0.0], towards=[5.0, 1.0, 0.0])
    assert G.shape == (3, 8, 28)
    assert h.shape == (3, 8)
    force = np.random.default_rng(1).uniform(0.0, 100.0, (3, 28))
    joint = base + np.einsum("fi,fix->fx", force, lines)
    slack = h - np.einsum("fgi,fi->fg", G, force)
    np.testing.assert_allclose(slack[:, 0], ratios[0] * joint[:, 0] - joint[:, 1], rtol=1e-12)
    np.testing.assert_allclose(slack[:, 2], ratios[2] * joint[:, 0] - joint[:, 2], rtol=1e-12)
    np.testing.assert_allclose(slack[:, 4], ratios[4] * joint[:, 0] + joint[:, 1], rtol=1e-12)


@pytest.mark.parametrize(
    ("change", "argument"),
    [
        ({"ratios": [0.5] * 7}, "ratios"),
        ({"ratios": [-0.5] * 8}, "ratios"),
        ({"axis": [0.0, 0.0, 0.0]}, "axis"),
        ({"towards": [2.0, 0.0, 0.0]}, "towards"),
        ({"lines_of_action": np.ones((28, 2))}, "lines_of_action"),
        ({"base_force": [math.nan, 0.0, 0.0]}, "base_force"),
    ],
)
def test_faults_of_a_cone_are_named(change, argument):
    given = {
        "lines_of_action": np.ones((28, 3)), "base_force": np.zeros(3), "ratios": [0.5] * 8,
        "axis": [1.0, 0.0, 0.0], "towards": [0.0, 1.0, 0.0], **change,
    }  # fmt: skip
    with pytest.raises(ShapeError, match=argument):
        cone_inequalities(
            given["lines_of_action"], given["base_force"], given["ratios"],
            axis=given["axis"], towards=given["towards"],
        )  # fmt: skip


def test_without_cvxpy_the_install_line_is_given(monkeypatch):
    arms, capacity, moments = naive.limb_like(1)
    monkeypatch.setattr("momentshare.sharing._backends.convex.find_spec", lambda _: None)
    with pytest.raises(MissingExtraError, match=r"momentshare\[convex\]"):
        share(arms, capacity, moments, method="convex")

"""Greatest factor and greatest moment against the linear programme and closed form."""

import math

import numpy as np
import pytest
from tests import naive

from momentshare.errors import MissingExtraError, ShapeError
from momentshare.sharing import Status, greatest_factor, greatest_moment, share
from momentshare.sharing._backends import climb

both = pytest.mark.parametrize("method", ["compiled", "numpy"])


@pytest.mark.parametrize("fixed_part", [0.0, 0.3, 3.0])
def test_the_factor_is_that_of_the_linear_programme(fixed_part):
    arms, capacity, moments = naive.limb_like(60, level=1.0, seed=1)
    rng = np.random.default_rng(2)
    fixed = fixed_part * moments
    scaled = rng.normal(scale=20.0, size=moments.shape)
    limit = greatest_factor(arms, capacity, fixed, scaled)
    slow = [
        naive.greatest_factor(*frame) for frame in zip(arms, capacity, fixed, scaled, strict=True)
    ]
    np.testing.assert_allclose(limit.factor, slow, rtol=1e-8)
    assert (np.isnan(limit.factor) == (limit.status == Status.INFEASIBLE)).all()
    if fixed_part == 3.0:
        assert 0 < (limit.status == Status.INFEASIBLE).sum() < 60


def test_the_activation_at_the_limit_supplies_it():
    arms, capacity, moments = naive.limb_like(40, level=0.3, seed=3)
    limit = greatest_factor(arms, capacity, 0.2 * moments, moments)
    force = capacity * limit.activation
    wanted = (0.2 + limit.factor[:, None]) * moments
    supplied = np.einsum("fji,fi->fj", arms, force)
    np.testing.assert_allclose(supplied, wanted, atol=1e-8)
    assert (limit.activation >= 0.0).all()
    assert (limit.activation <= 1.0).all()


def test_just_below_the_limit_it_can_be_met_and_just_above_not():
    arms, capacity, moments = naive.limb_like(40, level=0.3, seed=4)
    factor = greatest_factor(arms, capacity, np.zeros(4), moments).factor[:, None]
    assert (share(arms, capacity, 0.9999 * factor * moments).status == Status.SOLVED).all()
    assert (share(arms, capacity, 1.0001 * factor * moments).status == Status.SHORTFALL).all()


def test_multipliers_are_the_factor_lost_per_moment():
    arms, capacity, moments = naive.limb_like(10, level=0.3, seed=5)
    fixed = 0.1 * moments
    limit = greatest_factor(arms, capacity, fixed, moments)
    np.testing.assert_allclose((limit.multipliers * moments).sum(axis=1), 1.0, rtol=1e-9)
    step = 1e-4  # exact while no other head becomes limiting
    for row in range(4):
        more = fixed.copy()
        more[:, row] += step
        less = fixed.copy()
        less[:, row] -= step
        change = (
            greatest_factor(arms, capacity, more, moments).factor
            - greatest_factor(arms, capacity, less, moments).factor
        ) / (2 * step)
        np.testing.assert_allclose(-change, limit.multipliers[:, row], rtol=1e-5, atol=1e-8)


def test_more_capacity_helps_in_limiting_heads_only():
    arms, capacity, moments = naive.limb_like(1, level=0.3, seed=6)
    limit = greatest_factor(arms, capacity, np.zeros(4), moments)
    assert 0 < limit.limiting.sum() < 28
    np.testing.assert_allclose(limit.activation[limit.limiting], 1.0, atol=1e-9)
    for head in range(28):
        stronger = capacity.copy()
        stronger[:, head] *= 1.01
        gain = greatest_factor(arms, stronger, np.zeros(4), moments).factor - limit.factor
        assert (gain[0] > 1e-8) == limit.limiting[0, head]


def test_free_columns_and_their_bounds():
    arms, capacity, moments = naive.limb_like(10, level=0.3, seed=7)
    column = np.array([[1.0], [-0.4], [0.2], [0.5]])
    none = greatest_factor(arms, capacity, np.zeros(4), moments).factor
    tight = greatest_factor(
        arms, capacity, np.zeros(4), moments, free_columns=column, free_bounds=(-2.0, 2.0)
    )
    free = greatest_factor(arms, capacity, np.zeros(4), moments, free_columns=column).factor
    assert tight.limiting.shape == (10, 28)
    assert (none < tight.factor).all()
    assert (tight.factor < free).all()
    shut = greatest_factor(
        arms, capacity, np.zeros(4), moments, free_columns=column, free_bounds=(0.0, 0.0)
    )
    np.testing.assert_allclose(shut.factor, none, rtol=1e-9)
    with pytest.raises(ShapeError, match="free_bounds"):
        greatest_factor(
            arms, capacity, np.zeros(4), moments, free_columns=column, free_bounds=(0.0, np.inf)
        )


def test_nothing_asked_has_no_limit_unless_the_fixed_part_has():
    """Closed form: 70 N·m is all two flexors of 50 and 20 N·m can do."""
    arms, capacity = [[0.05, 0.04]], [1000.0, 500.0]
    free = greatest_factor(arms, capacity, [60.0], [0.0])
    assert free.status == Status.UNBOUNDED
    assert float(free.factor) == math.inf
    stuck = greatest_factor(arms, capacity, [80.0], [0.0])
    assert stuck.status == Status.INFEASIBLE
    assert math.isnan(stuck.factor)
    behind = greatest_factor(arms, capacity, [80.0], [1.0])
    assert behind.status_text == "infeasible"
    relieved = greatest_factor(arms, capacity, [80.0], [-1.0])
    assert float(relieved.factor) == pytest.approx(80.0)


def test_passive_forces_count():
    limit = greatest_factor(
        [[0.05, 0.04]], [1000.0, 500.0], [0.0], [25.0], passive_force=[100.0, 0.0]
    )
    assert float(limit.factor) == pytest.approx((70.0 + 5.0) / 25.0, rel=1e-12)


@pytest.mark.parametrize("batch", [(), (0,), (2, 3)])
def test_limits_keep_the_batch_axes(batch):
    arms, capacity, moments = naive.limb_like(1, heads=6, rows=2, seed=2)
    wide = np.broadcast_to(moments[0], (*batch, 2))
    limit = greatest_factor(arms[0], capacity[0], 0.0 * wide, wide)
    assert limit.factor.shape == limit.status.shape == batch
    assert limit.activation.shape == limit.limiting.shape == (*batch, 6)
    strength = greatest_moment(np.broadcast_to(arms[0], (*batch, 2, 6)), capacity[0], 0, 1)
    assert strength.moment.shape == batch


@pytest.mark.parametrize("sign", [1, -1])
def test_braced_strength_is_every_helping_head(sign):
    arms, capacity, _ = naive.limb_like(5, seed=8)
    passive = np.full(28, 3.0)
    strength = greatest_moment(arms, capacity, 2, sign, passive_force=passive, others="braced")
    gain = sign * arms[:, 2] * capacity
    expected = sign * np.maximum(gain, 0.0).sum(axis=1) + (arms[:, 2] * 3.0).sum(axis=1)
    np.testing.assert_allclose(strength.moment, expected, rtol=1e-12)
    np.testing.assert_array_equal(strength.limiting, gain > 0.0)


@pytest.mark.parametrize("sign", [1, -1])
def test_balanced_strength_never_exceeds_braced(sign):
    arms, capacity, _ = naive.limb_like(30, seed=9)
    balanced = greatest_moment(arms, capacity, 3, sign)
    braced = greatest_moment(arms, capacity, 3, sign, others="braced")
    assert (balanced.status == Status.SOLVED).all()
    assert (sign * balanced.moment <= sign * braced.moment + 1e-9).all()
    assert (sign * balanced.moment < sign * braced.moment - 1e-3).any()
    supplied = np.einsum("fji,fi->fj", arms, capacity * balanced.activation)
    np.testing.assert_allclose(supplied[:, :3], 0.0, atol=1e-8)
    np.testing.assert_allclose(supplied[:, 3], balanced.moment, atol=1e-8)


def test_other_rows_are_held_where_told():
    arms, capacity, _ = naive.limb_like(5, seed=10)
    held = np.array([5.0, -3.0, 2.0, 999.0])
    strength = greatest_moment(arms, capacity, 3, 1, held=held)
    supplied = np.einsum("fji,fi->fj", arms, capacity * strength.activation)
    np.testing.assert_allclose(supplied[:, :3], np.broadcast_to(held[:3], (5, 3)), atol=1e-8)
    out = greatest_moment(arms, capacity, 3, 1, held=1e4 * held)
    assert (out.status == Status.INFEASIBLE).all()
    assert np.isnan(out.moment).all()


def test_strength_against_a_stronger_passive_pull_is_negative():
    """Closed form: 10 N·m of help against 15 N·m of passive pull."""
    strength = greatest_moment([[0.05, -0.05]], [200.0, 200.0], 0, 1, passive_force=[0.0, 300.0])
    assert float(strength.moment) == pytest.approx(-5.0, rel=1e-12)


@pytest.mark.parametrize(
    ("change", "argument"),
    [
        ({"row": 4}, "row"),
        ({"sign": 2}, "sign"),
        ({"others": "dropped"}, "others"),
        ({"held": [1.0]}, "held"),
    ],
)
def test_faults_are_named(change, argument):
    arms, capacity, _ = naive.limb_like(1)
    given = {"row": 0, "sign": 1, **change}
    with pytest.raises(ShapeError, match=argument):
        greatest_moment(arms, capacity, given.pop("row"), given.pop("sign"), **given)


def test_a_scaled_part_of_the_wrong_shape_is_named():
    arms, capacity, moments = naive.limb_like(2)
    with pytest.raises(ShapeError, match="scaled_moments"):
        greatest_factor(arms, capacity, moments, np.ones(3))


@both
def test_heads_that_do_not_limit_share_what_is_left_with_least_effort(method):
    """Closed form: elbow heads that act alone there share 9 N·m as force arms ask.

    The first head ends the shoulder row at 30 N·m, 3 × 10; a_i = 9 L_i / Σ L².
    """
    arms = [[0.03, 0.0, 0.0, 0.0], [0.0, 0.02, 0.04, -0.03]]
    capacity = np.array([1000.0, 500.0, 400.0, 300.0])
    limit = greatest_factor(arms, capacity, [0.0, 0.0], [10.0, 3.0], method=method)
    assert float(limit.factor) == pytest.approx(3.0, rel=1e-12)
    loads = np.array([10.0, 16.0])
    wanted = [1.0, *(9.0 * loads / (loads @ loads)), 0.0]
    np.testing.assert_allclose(limit.activation, wanted, atol=1e-9)
    np.testing.assert_array_equal(limit.limiting, [True, False, False, False])


@both
def test_a_head_that_is_full_leaves_the_rest_of_least_effort_to_the_others(method):
    """Closed form: of 24 N·m the head of 16 is fully active; the one of 10 gives 8."""
    arms = [[0.03, 0.0, 0.0], [0.0, 0.02, 0.04]]
    limit = greatest_factor(arms, [1000.0, 500.0, 400.0], [0.0, 0.0], [10.0, 8.0], method=method)
    np.testing.assert_allclose(limit.activation, [1.0, 0.8, 1.0], atol=1e-9)


@both
def test_activation_at_the_limit_is_of_least_effort(method):
    """Against sequential quadratic programming on the balance at the limit."""
    arms, capacity, _ = naive.limb_like(6, heads=9, rows=3, seed=11)
    arms = arms[:, :, [0, 1, 2, 3, 4, 7, 8, 7, 8, 7, 8]]
    capacity = capacity[:, [0, 1, 2, 3, 4, 5, 6, 7, 8, 5, 6]]
    scaled = np.array([20.0, -10.0, 1.0])
    limit = greatest_factor(arms, capacity, np.zeros(3), scaled, method=method)
    assert (limit.status == Status.SOLVED).all()
    for f in range(6):
        slow = naive.share(arms[f], capacity[f], limit.factor[f] * scaled, 2.0)
        np.testing.assert_allclose(limit.activation[f], slow, atol=2e-5)


@both
def test_of_several_sets_of_prices_the_least_is_told(method):
    """Closed form: prices (1, p)/10; both heads full allow |p| ≤ 1, the idle one p ≥ 0.3."""
    arms, capacity = [[0.05, 0.05], [0.05, -0.05]], [200.0, 200.0]
    limit = greatest_factor(arms, capacity, [0.0, 0.0], [10.0, 0.0], method=method)
    np.testing.assert_allclose(limit.multipliers, [0.1, 0.0], atol=1e-12)
    assert float(limit.factor) == pytest.approx(2.0)
    arms = [[0.05, 0.05, 0.015], [0.05, -0.05, -0.05]]
    limit = greatest_factor(arms, [*capacity, 200.0], [0.0, 0.0], [10.0, 0.0], method=method)
    np.testing.assert_allclose(limit.activation, [1.0, 1.0, 0.0], atol=1e-12)
    np.testing.assert_allclose(limit.multipliers, [0.1, 0.03], atol=1e-12)


@both
def test_a_row_in_which_heads_pull_one_way_only(method):
    """Closed form: 0 N·m held by heads that all pull up leaves them idle; prices stop at zero.

    Any price from −2/3 to −∞ of the second row keeps the second head (20 by 30 N·m) idle.
    """
    arms, capacity = [[0.05, 0.02], [0.0, 0.03]], [1000.0, 1000.0]
    limit = greatest_factor(arms, capacity, [0.0, 0.0], [1.0, 0.0], method=method)
    assert float(limit.factor) == pytest.approx(50.0)
    np.testing.assert_allclose(limit.activation, [1.0, 0.0], atol=1e-12)
    np.testing.assert_allclose(limit.multipliers, [1.0, -2.0 / 3.0], rtol=1e-9)
    np.testing.assert_array_equal(limit.limiting, [True, False])


@both
def test_free_values_cost_nothing_at_the_limit(method):
    arms, capacity, moments = naive.limb_like(30, level=0.3, seed=12)
    columns = np.random.default_rng(1).normal(size=(30, 4, 2))
    limit = greatest_factor(
        arms, capacity, 0.0 * moments, moments, free_columns=columns, method=method
    )
    cost = np.einsum("fj,fjk->fk", limit.multipliers, columns)
    np.testing.assert_allclose(cost, 0.0, atol=1e-12 * np.abs(limit.multipliers).max())


def _missing(method):
    def run(*given):
        found = method(*given)
        found.missed[:] = np.inf
        found.activation[:], found.prices[:], found.factor[:] = 0.5, 1.0, 7.0
        return found

    return run


@pytest.mark.parametrize("free", [False, True])
def test_the_rescue_says_what_the_kernel_says(monkeypatch, free):
    arms, capacity, moments = naive.limb_like(12, heads=12, level=0.3, seed=13)
    arms = np.concatenate([arms, arms[:, :, [9, 10, 11]]], axis=2)
    capacity = np.concatenate([capacity, capacity[:, [9, 10, 11]]], axis=1)
    columns = np.array([[1.0], [-0.4], [0.2], [0.5]]) if free else None
    given = arms, capacity, 0.5 * moments, moments
    usual = greatest_factor(*given, free_columns=columns, method="compiled")
    for other in ("by_kernel", "by_newton"):
        monkeypatch.setattr(climb, other, _missing(getattr(climb, other)))
    rescued = greatest_factor(*given, free_columns=columns, method="compiled")
    np.testing.assert_array_equal(usual.status, rescued.status)
    assert (usual.status == Status.SOLVED).all()
    np.testing.assert_allclose(rescued.factor, usual.factor, rtol=1e-9)
    np.testing.assert_allclose(rescued.activation, usual.activation, atol=1e-7)
    size = np.abs(usual.multipliers).max()
    np.testing.assert_allclose(rescued.multipliers, usual.multipliers, atol=1e-8 * size)
    np.testing.assert_array_equal(rescued.limiting, usual.limiting)


def test_without_numba_the_answers_come_from_numpy(monkeypatch):
    arms, capacity, moments = naive.limb_like(5, level=0.3, seed=14)
    monkeypatch.setattr(climb, "is_available", lambda: False)
    limit = greatest_factor(arms, capacity, 0.0 * moments, moments)
    wanted = greatest_factor(arms, capacity, 0.0 * moments, moments, method="numpy")
    np.testing.assert_array_equal(limit.factor, wanted.factor)
    with pytest.raises(MissingExtraError, match="numba"):
        greatest_factor(arms, capacity, 0.0 * moments, moments, method="compiled")
    with pytest.raises(ShapeError, match="method"):
        greatest_factor(arms, capacity, 0.0 * moments, moments, method="quick")

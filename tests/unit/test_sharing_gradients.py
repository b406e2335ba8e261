"""Derivatives of the shared forces against differences, and on either side of a kink."""

import math

import numpy as np
import pytest
from tests import naive

from momentshare.errors import ShapeError
from momentshare.sharing import Status, cone_inequalities, force_gradients, share


def difference(force, size):
    """Derivative at zero by central differences, extrapolated to fourth order."""
    step = 1e-3 * size
    near = (force(step) - force(-step)) / (2 * step)
    far = (force(2 * step) - force(-2 * step)) / (4 * step)
    return (4 * near - far) / 3


def calm_frames(frames, exponent, seed, **given):
    """Frames whose heads stay well away from the bounds they are at or between."""
    arms, capacity, moments = naive.limb_like(400, heads=10, rows=3, level=0.8, seed=seed)
    answer = share(arms, capacity, moments, exponent=exponent, chain=False, **given)
    drive = capacity * np.einsum("fji,fj->fi", arms, answer.multipliers)
    top = exponent
    away = np.minimum(np.abs(drive), np.abs(drive - top)).min(axis=1)
    away[answer.status != Status.SOLVED] = -1.0
    full = (answer.activation >= 1.0).any(axis=1)
    # The calmest with a head at its upper bound, and the calmest of the others.
    order = np.argsort(-away)
    first = order[full[order]][:1]
    chosen = np.concatenate([first, order[~full[order]][: frames - first.size]])
    assert away[chosen].min() > 0.01
    return arms[chosen], capacity[chosen], moments[chosen]


@pytest.mark.parametrize("exponent", [1.5, 2.0, 3.0, 5.0])
def test_every_derivative_is_the_difference(exponent):
    arms, capacity, moments = calm_frames(4, exponent, 1)
    passive = np.linspace(0.0, 9.0, 10)
    moments = moments + np.einsum("fji,i->fj", arms, passive)
    given = {"exponent": exponent, "passive_force": passive}
    slope = force_gradients(arms, capacity, moments, **given)
    assert (slope.status == Status.SOLVED).all()
    assert not slope.at_kink.any()

    def force(arms=arms, capacity=capacity, moments=moments, passive=passive):
        return share(
            arms, capacity, moments, exponent=exponent, passive_force=passive, chain=False
        ).force

    def close(found, wanted):
        np.testing.assert_allclose(found, wanted, atol=1e-8 * max(1.0, np.abs(wanted).max()))

    for j in range(3):
        unit = np.eye(3)[j]
        found = difference(lambda t, u=unit: force(moments=moments + t * u), 1.0)
        close(slope.by_moment[:, :, j], found)
    for head in range(10):
        unit = np.eye(10)[head]
        found = difference(lambda t, u=unit: force(capacity=capacity + t * u), 100.0)
        close(slope.by_capacity[:, :, head], found)
        found = difference(lambda t, u=unit: force(passive=passive + t * u), 10.0)
        close(slope.by_passive_force[:, :, head], found)
        for j in range(3):
            unit = np.zeros((3, 10))
            unit[j, head] = 1.0
            found = difference(lambda t, u=unit: force(arms=arms + t * u), 3e-3)
            close(slope.by_arms[:, :, j, head], found)


@pytest.mark.parametrize("exponent", [1.5, 2.0, 3.0])
def test_free_columns_and_inequalities_take_part(exponent):
    rng = np.random.default_rng(2)
    arms, capacity, moments = calm_frames(6, exponent, 2)
    column = np.array([[0.4], [-0.3], [0.2]])
    lines = rng.normal(size=(6, 10, 3))
    lines[..., 0] = 0.3 + np.abs(lines[..., 0])
    cone = cone_inequalities(
        lines, rng.normal(scale=20.0, size=(6, 3)), [0.3] * 8, axis=[1, 0, 0], towards=[0, 1, 0]
    )
    given = {"exponent": exponent, "free_columns": column, "inequalities": cone}
    answer = share(arms, capacity, moments, **given, chain=False)
    met = answer.status == Status.SOLVED
    assert met.sum() >= 4
    arms, capacity, moments = arms[met], capacity[met], moments[met]
    given["inequalities"] = cone[0][met], cone[1][met]
    answer = share(arms, capacity, moments, **given, chain=False)
    assert (answer.inequality_multipliers > 0.0).any(axis=1).sum() >= 2
    slope = force_gradients(arms, capacity, moments, **given)
    checked = 0
    for j in range(3):
        unit = np.eye(3)[j]

        def force(t, u=unit):
            return share(arms, capacity, moments + t * u, **given, chain=False).force

        found, again = difference(force, 1e-2), difference(force, 1e-3)
        # Where the two agree no head or facet changes within the step.
        calm = np.abs(found - again).max(axis=1) <= 1e-6
        checked += calm.sum()
        np.testing.assert_allclose(slope.by_moment[calm][:, :, j], found[calm], atol=1e-6)
    assert checked > 6


def test_the_derivative_of_a_multiplier_is_the_curvature_of_the_effort():
    arms, capacity, moments = calm_frames(3, 3.0, 3)
    slope = force_gradients(arms, capacity, moments, exponent=3.0)
    curvature = slope.multipliers_by_moment
    np.testing.assert_allclose(curvature, curvature.transpose(0, 2, 1), rtol=1e-9, atol=1e-12)
    for j in range(3):
        unit = np.eye(3)[j]

        def price(t, u=unit):
            return share(arms, capacity, moments + t * u, exponent=3.0, chain=False).multipliers

        np.testing.assert_allclose(curvature[:, :, j], difference(price, 1.0), atol=1e-8)


@pytest.mark.parametrize("exponent", [1.5, 2.0, 4.0])
def test_at_full_activation_each_side_has_its_own_slope(exponent):
    """Two flexors, the first just at its bound: below both take part, above the second alone."""
    arms, capacity = np.array([[0.05, 0.02]]), np.array([1000.0, 1000.0])
    # a₂ = (c₂ r₂ / c₁ r₁)^(1/(p−1)) when a₁ = 1.
    second = 0.4 ** (1.0 / (exponent - 1.0))
    moments = np.array([50.0 + 20.0 * second])
    step = 1e-5

    def force(m):
        return share(arms, capacity, m, exponent=exponent).force

    inside = force_gradients(arms, capacity, moments, exponent=exponent)
    bound = force_gradients(arms, capacity, moments, exponent=exponent, kinks="bound")
    np.testing.assert_array_equal(inside.at_kink, [True, False])
    before = (force(moments) - force(moments - step)) / step
    after = (force(moments + step) - force(moments)) / step
    np.testing.assert_allclose(inside.by_moment[:, 0], before, rtol=1e-4, atol=1e-4)
    np.testing.assert_allclose(bound.by_moment[:, 0], after, rtol=1e-4, atol=1e-4)
    np.testing.assert_allclose(bound.by_moment[:, 0], [0.0, 50.0], rtol=1e-9)


def test_a_head_that_starts_to_work_has_two_slopes_for_p_2():
    """Rows 1 and 2 met by heads 1 and 2; head 3 helps row 1, hinders row 2, and is at rest."""
    arms = np.array([[0.05, 0.0, 0.05], [0.0, 0.05, -0.05]])
    capacity = np.full(3, 1000.0)
    moments = np.array([20.0, 20.0])  # λ equal in both rows: no drive on head 3
    inside = force_gradients(arms, capacity, moments)
    bound = force_gradients(arms, capacity, moments, kinks="bound")
    np.testing.assert_array_equal(inside.at_kink, [False, False, True])
    more, less = np.array([1e-3, 0.0]), np.array([-1e-3, 0.0])
    here = share(arms, capacity, moments).force
    up = (share(arms, capacity, moments + more).force - here) / 1e-3
    down = (here - share(arms, capacity, moments + less).force) / 1e-3
    np.testing.assert_allclose(inside.by_moment[:, 0], up, atol=1e-6)
    np.testing.assert_allclose(bound.by_moment[:, 0], down, atol=1e-6)


REST = np.array([0.02, 0.02, 0.02, 0.01, -0.035, -0.035, -0.02, -0.05])


@pytest.mark.parametrize("kinks", ["inside", "bound"])
def test_a_joint_at_rest_has_no_derivative(kinks):
    """Flexors answer a moment one way, extensors the other; together they answer neither."""
    one = force_gradients(REST[None], np.full(8, 500.0), [0.0], kinks=kinks)
    assert one.at_kink.all()
    for name in ("by_moment", "by_capacity", "by_arms", "by_passive_force"):
        assert np.isnan(getattr(one, name)).all()


def test_heads_that_start_together_have_the_slope_of_their_side():
    arms, capacity = np.abs(REST[None, :4]), np.full(4, 500.0)
    found = force_gradients(arms, capacity, [0.0])
    assert found.at_kink.all()
    up = share(arms, capacity, [1e-3]).force / 1e-3
    np.testing.assert_allclose(found.by_moment[:, 0], up, rtol=1e-9)


def test_frames_with_numbers_that_cannot_be_used_are_marked_if_asked():
    moments = np.array([[25.0], [math.nan]])
    with pytest.raises(ShapeError, match="on_invalid='mark'"):
        force_gradients([[0.05, 0.04]], [1000.0, 500.0], moments)
    found = force_gradients([[0.05, 0.04]], [1000.0, 500.0], moments, on_invalid="mark")
    assert list(found.status) == [Status.SOLVED, Status.INVALID]
    assert np.isfinite(found.by_moment[0]).all()
    assert np.isnan(found.by_moment[1]).all()


def test_where_there_is_no_derivative_it_says_so():
    answer = force_gradients([[0.05, 0.04]], [1000.0, 500.0], [[25.0], [999.0], [70.0]])
    assert np.isfinite(answer.by_moment[0]).all()
    assert np.isnan(answer.by_moment[1]).all()
    assert list(answer.status[:2]) == [Status.SOLVED, Status.SHORTFALL]
    stuck = force_gradients([[0.05, 0.04], [0.0, 0.0]], [1000.0, 500.0], [25.0, 0.0])
    assert np.isnan(stuck.by_arms).all()
    with pytest.raises(ShapeError, match="exponent"):
        force_gradients([[0.05]], [100.0], [1.0], exponent=math.inf)
    with pytest.raises(ShapeError, match="kinks"):
        force_gradients([[0.05]], [100.0], [1.0], kinks="left")


def test_shapes_follow_the_batch():
    arms, capacity, moments = naive.limb_like(6, heads=5, rows=2, seed=5)
    shaped = force_gradients(
        arms.reshape(2, 3, 2, 5), capacity.reshape(2, 3, 5), moments.reshape(2, 3, 2)
    )
    assert shaped.by_moment.shape == (2, 3, 5, 2)
    assert shaped.by_arms.shape == (2, 3, 5, 2, 5)
    single = force_gradients(arms[0], capacity[0], moments[0])
    np.testing.assert_allclose(single.by_capacity, shaped.by_capacity[0, 0], rtol=1e-9)

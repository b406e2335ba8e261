"""Inputs on which a sharing solver goes wrong quietly; each has bitten one before."""

import math

import numpy as np
import pytest
from tests import naive

from momentshare.sharing import Certificate, Status, greatest_factor, share

METHODS = ["compiled", "numpy"]
EXPONENTS = [1.5, 2.0, 3.0]
both = pytest.mark.parametrize("method", METHODS)
powers = pytest.mark.parametrize("exponent", EXPONENTS)


@both
@powers
def test_a_bad_frame_touches_no_neighbour(method, exponent):
    arms, capacity, moments = naive.limb_like(40, seed=3)
    clean = share(arms, capacity, moments, exponent=exponent, method=method)
    arms[7, 2, 5] = math.nan
    moments[11, 0] = math.inf
    capacity[19, 3] = -1.0
    moments[23] *= 1e6
    capacity[29] = 0.0
    answer = share(arms, capacity, moments, exponent=exponent, method=method, on_invalid="mark")
    bad = [7, 11, 19]
    assert (answer.status[bad] == Status.INVALID).all()
    assert np.isnan(answer.activation[bad]).all()
    assert np.isnan(answer.certificate.moment_residual[bad]).all()
    assert (answer.status[[23, 29]] == Status.SHORTFALL).all()
    good = np.setdiff1d(np.arange(40), [*bad, 23, 29])
    assert (answer.status[good] == Status.SOLVED).all()
    np.testing.assert_allclose(answer.activation[good], clean.activation[good], atol=1e-9)


@both
@powers
def test_a_head_without_capacity_stays_out(method, exponent):
    arms, capacity, moments = naive.limb_like(20, seed=4)
    capacity[:, [2, 20]] = 0.0
    with_them = share(arms, capacity, moments, exponent=exponent, method=method)
    keep = np.setdiff1d(np.arange(28), [2, 20])
    without = share(arms[:, :, keep], capacity[:, keep], moments, exponent=exponent, method=method)
    assert (with_them.status == Status.SOLVED).all()
    np.testing.assert_array_equal(with_them.activation[:, [2, 20]], 0.0)
    np.testing.assert_allclose(with_them.activation[:, keep], without.activation, atol=1e-8)


@both
@powers
def test_no_moment_needs_no_effort(method, exponent):
    arms, capacity, _ = naive.limb_like(5, seed=4)
    answer = share(arms, capacity, np.zeros((5, 4)), exponent=exponent, method=method)
    assert (answer.status == Status.SOLVED).all()
    np.testing.assert_array_equal(answer.activation, 0.0)
    np.testing.assert_array_equal(answer.multipliers, 0.0)
    np.testing.assert_array_equal(answer.certificate.duality_gap, 0.0)


@both
@powers
def test_a_load_ten_times_too_great_is_missed_by_as_little_as_possible(method, exponent):
    arms, capacity, moments = naive.limb_like(30, level=30.0, seed=5)
    answer = share(arms, capacity, moments, exponent=exponent, method=method)
    assert (answer.status == Status.SHORTFALL).all()
    assert answer.certificate.stationarity.max() < 1e-9
    size = np.linalg.norm(arms * capacity[:, None, :], axis=2)
    distance = np.linalg.norm(answer.unmet / size, axis=1)
    # The nearest point of a convex body: no other activation lies farther along the
    # shortfall, and random ones do not come closer.
    along = np.einsum("fji,fj->fi", arms * capacity[:, None, :], answer.unmet / size**2)
    reached = (along * answer.activation).sum(axis=1)
    np.testing.assert_allclose(reached, np.maximum(along, 0.0).sum(axis=1), rtol=1e-9)
    rng = np.random.default_rng(0)
    for _ in range(20):
        other = np.clip(answer.activation + rng.normal(scale=0.2, size=(30, 28)), 0.0, 1.0)
        missed = moments - np.einsum("fji,fi->fj", arms, capacity * other)
        assert (np.linalg.norm(missed / size, axis=1) >= distance * (1 - 1e-9)).all()


@both
@powers
def test_a_shortfall_is_reached_with_least_effort(method, exponent):
    """What can be met is shared as if it alone had been asked for."""
    arms, capacity, moments = naive.limb_like(60, level=3.0, seed=6)
    answer = share(arms, capacity, moments, exponent=exponent, method=method)
    short = answer.status == Status.SHORTFALL
    assert 10 < short.sum() < 60
    assert (answer.status != Status.UNCERTIFIED).all()
    met = moments - answer.unmet
    again = share(arms[short], capacity[short], met[short], exponent=exponent, method=method)
    np.testing.assert_allclose(
        naive.effort(again.activation, exponent),
        naive.effort(answer.activation[short], exponent),
        rtol=1e-6,
    )
    # The multipliers stay of the size of the effort; they are not a slack weight.
    drive = capacity * np.einsum("fji,fj->fi", arms, answer.multipliers)
    assert np.median(np.abs(drive[short]).max(axis=1)) < 1e4


@both
def test_all_heads_saturated(method):
    answer = share([[0.05, 0.04]], [1000.0, 500.0], [250.0], method=method)
    np.testing.assert_array_equal(answer.activation, [1.0, 1.0])
    np.testing.assert_allclose(answer.unmet, [180.0], rtol=1e-12)
    assert answer.status == Status.SHORTFALL
    exact = share([[0.05, 0.04]], [1000.0, 500.0], [70.0], method=method)
    np.testing.assert_allclose(exact.activation, [1.0, 1.0], atol=1e-9)
    assert abs(float(exact.unmet[0])) < 1e-7


@both
@pytest.mark.parametrize("closeness", [1e-3, 1e-6, 1e-9, 0.0])
def test_rows_nearly_dependent(method, closeness):
    rng = np.random.default_rng(7)
    arms, capacity, _ = naive.limb_like(10, seed=7)
    arms[:, 1] = 0.7 * arms[:, 0] + closeness * rng.normal(scale=0.02, size=(10, 28))
    moments = 0.2 * np.einsum("fji,fi->fj", arms, capacity * rng.uniform(size=(10, 28)))
    answer = share(arms, capacity, moments, method=method)
    assert (answer.status == Status.SOLVED).all()
    left = moments - np.einsum("fji,fi->fj", arms, answer.force)
    assert np.abs(left).max() < 1e-9 * np.abs(moments).max()


@both
@powers
def test_rows_that_contradict_each_other_share_the_shortfall(method, exponent):
    """Closed form: one head, two equal rows asking 10 and 20 N·m: 15 is nearest to both."""
    answer = share([[0.05], [0.05]], [1000.0], [10.0, 20.0], exponent=exponent, method=method)
    np.testing.assert_allclose(answer.activation, [0.3], rtol=1e-9)
    np.testing.assert_allclose(answer.unmet, [-5.0, 5.0], rtol=1e-9)
    assert answer.status == Status.SHORTFALL


@both
def test_a_row_no_head_acts_on_is_left_unmet(method):
    answer = share([[0.05, 0.04], [0.0, 0.0]], [1000.0, 500.0], [25.0, 3.0], method=method)
    np.testing.assert_allclose(answer.force, [431.034483, 86.206897], atol=1e-6)
    np.testing.assert_allclose(answer.unmet, [0.0, 3.0], atol=1e-12)
    assert answer.status == Status.SHORTFALL


@both
def test_a_moment_no_head_can_turn_to(method):
    """All arms positive, a negative moment: nothing helps, nothing is done."""
    answer = share([[0.05, 0.04]], [1000.0, 500.0], [-10.0], method=method)
    np.testing.assert_array_equal(answer.activation, 0.0)
    np.testing.assert_allclose(answer.unmet, [-10.0])
    assert answer.status == Status.SHORTFALL


@both
def test_no_capacity_at_all(method):
    answer = share([[0.05, 0.04]], [0.0, 0.0], [10.0], method=method)
    np.testing.assert_array_equal(answer.activation, 0.0)
    np.testing.assert_array_equal(answer.unmet, [10.0])
    assert answer.status == Status.SHORTFALL


@both
@pytest.mark.parametrize("exponent", [3.0, 4.0, 6.0, 8.0])
def test_large_exponents_keep_their_digits_near_rest(method, exponent):
    """A head between 0 and 1 whose drive is below rounding must not spoil the balance."""
    arms, capacity, moments = naive.limb_like(200, seed=8)
    answer = share(arms, capacity, moments, exponent=exponent, method=method)
    assert (answer.status == Status.SOLVED).all()
    left = moments - np.einsum("fji,fi->fj", arms, answer.force)
    assert np.abs(left).max() < 1e-7
    assert answer.certificate.stationarity.max() < 1e-9


@both
@powers
@pytest.mark.parametrize("scale", [1e-9, 1e-3, 1e3])
def test_small_and_large_units_keep_their_digits(method, exponent, scale):
    arms, capacity, moments = naive.limb_like(10, seed=9)
    plain = share(arms, capacity, moments, exponent=exponent, method=method)
    units = share(arms, scale * capacity, scale * moments, exponent=exponent, method=method)
    assert (units.status == Status.SOLVED).all()
    np.testing.assert_allclose(units.activation, plain.activation, atol=1e-8)


@both
@pytest.mark.parametrize("part", [1e-12, 1e-6, 1e-3])
def test_tiny_moments_are_shared_as_well(method, part):
    """Without bounds in force and p = 2 activations are proportional to the moment."""
    arms, capacity, moments = naive.limb_like(10, level=0.1, seed=9)
    whole = share(arms, capacity, moments, method=method)
    assert (whole.activation < 1.0).all()
    some = share(arms, capacity, part * moments, method=method)
    np.testing.assert_allclose(some.activation / part, whole.activation, atol=1e-9)


@both
def test_weights_over_twelve_orders(method):
    arms, capacity, moments = naive.limb_like(10, seed=10)
    weights = np.logspace(-6, 6, 28)
    answer = share(arms, capacity, moments, weights=weights, method=method)
    assert (answer.status == Status.SOLVED).all()
    assert np.abs(answer.unmet).max() < 1e-6


def test_one_thread_and_two_give_the_same_answer():
    arms, capacity, moments = naive.limb_like(5000, heads=12, rows=2, seed=11)
    one = share(arms, capacity, moments, threads=1)
    two = share(arms, capacity, moments, threads=2)
    assert (one.status == two.status).all()
    # Chunks start anew, so the last digits may differ and no more.
    np.testing.assert_allclose(one.activation, two.activation, atol=1e-10)
    again = share(arms, capacity, moments, threads=2)
    np.testing.assert_array_equal(again.activation, two.activation)


@both
@powers
def test_a_misleading_start_does_not_change_the_answer(method, exponent):
    arms, capacity, moments = naive.limb_like(20, seed=12)
    plain = share(arms, capacity, moments, exponent=exponent, method=method)
    for start in (plain.multipliers, -plain.multipliers, 100.0 * plain.multipliers):
        again = share(arms, capacity, moments, exponent=exponent, start=start, method=method)
        assert (again.status == Status.SOLVED).all()
        np.testing.assert_allclose(again.activation, plain.activation, atol=1e-8)


@powers
def test_the_certificate_notices_a_wrong_answer(exponent):
    """A certificate that every answer passes would be worth nothing."""
    from momentshare.sharing._certificate import certify
    from momentshare.sharing._problem import build_problem

    arms, capacity, moments = naive.limb_like(6, seed=13)
    problem = build_problem(arms, capacity, moments, exponent=exponent)
    right = share(arms, capacity, moments, exponent=exponent)
    free, met = np.zeros((6, 0)), np.zeros(6, dtype=bool)

    def status(activation, multipliers):
        return certify(problem, activation, multipliers, free, met)

    good = status(right.activation, right.multipliers)
    assert (good.status == Status.SOLVED).all()
    bent = status(right.activation, 1.001 * right.multipliers)
    assert (bent.status == Status.UNCERTIFIED).all()
    assert (Certificate.of(bent.numbers).stationarity > 1e-5).all()
    moved = right.activation.copy()
    moved[:, moved.argmax(axis=1)] += 1e-5
    off = status(moved, right.multipliers)
    assert (off.status == Status.UNCERTIFIED).all()
    assert (Certificate.of(off.numbers).moment_residual > 1e-6).all()
    outside = right.activation.copy()
    outside[:, 0] = 1.001
    assert (
        Certificate.of(status(outside, right.multipliers).numbers).bound_violation >= 0.001 - 1e-15
    ).all()
    broken = right.activation.copy()
    broken[2] = math.nan
    assert status(broken, right.multipliers).status[2] == Status.UNCERTIFIED


@pytest.mark.filterwarnings("ignore:(overflow|invalid value|divide by zero) encountered")
@pytest.mark.parametrize("method", ["numpy", "auto"])
@pytest.mark.parametrize("exponent", [1.5, 2.0, 3.0, 20.0, np.inf])
@pytest.mark.parametrize("heads", [2, 8])
def test_numbers_whose_squares_overflow_never_read_solved(heads, exponent, method):
    arms, moment = np.full((1, heads), 0.02), [0.02 * 1e308]
    for capacity, possible in ((1e308, False), (1e160, False), (1e150, True), (1e-140, True)):
        answer = share(
            arms, np.full(heads, capacity), [0.5 * heads * 0.02 * capacity],
            exponent=exponent, method=method,
        )  # fmt: skip
        wanted = Status.SOLVED if possible else Status.UNCERTIFIED
        assert answer.status == wanted
    found = greatest_factor(arms, np.full(heads, 1e308), [0.0], moment, method=method)
    assert found.status == Status.UNCERTIFIED
    assert np.isnan(found.factor)

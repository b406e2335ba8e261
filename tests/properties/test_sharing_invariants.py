"""What must hold for every sharing problem, whatever its size, signs and scale."""

import importlib.util

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests import naive

from momentshare.sharing import Status, greatest_factor, share

EXPONENTS = st.sampled_from([1.2, 1.5, 2.0, 3.0, 4.0])
CALM = settings(max_examples=40, deadline=None, derandomize=True)


@st.composite
def problems(draw, frames=3):
    rows = draw(st.integers(1, 5))
    heads = draw(st.integers(1, 30))
    level = draw(st.sampled_from([0.0, 0.01, 0.3, 1.0, 3.0]))
    seed = draw(st.integers(0, 2**20))
    arms, capacity, moments = naive.limb_like(
        frames, heads=heads, rows=rows, level=level, seed=seed
    )
    units = 10.0 ** draw(st.integers(-3, 3))
    return arms, capacity * units, moments * units


@CALM
@given(problems(), EXPONENTS)
def test_balance_bounds_and_certificate_hold(problem, exponent):
    arms, capacity, moments = problem
    answer = share(arms, capacity, moments, exponent=exponent)
    assert (answer.status != Status.UNCERTIFIED).all()
    assert (answer.activation >= 0.0).all()
    assert (answer.activation <= 1.0).all()
    supplied = np.einsum("fji,fi->fj", arms, answer.force)
    size = np.abs(moments).max() + (np.abs(arms) * capacity[:, None, :]).sum(axis=2).max()
    np.testing.assert_allclose(supplied + answer.unmet, moments, atol=1e-12 * size)
    solved = answer.status == Status.SOLVED
    assert np.abs(answer.unmet[solved]).max(initial=0.0) <= 1e-8 * size


@CALM
@given(problems(frames=4), EXPONENTS)
def test_a_batch_equals_a_loop(problem, exponent):
    arms, capacity, moments = problem
    batch = share(arms, capacity, moments, exponent=exponent)
    cost = naive.effort(batch.activation, exponent)
    for f in range(4):
        single = share(arms[f], capacity[f], moments[f], exponent=exponent)
        assert single.status == batch.status[f]
        # Frames start each other, so the last digits differ; p > 2 hardly tells small
        # activations apart, hence the effort is compared as well as the balance.
        assert naive.effort(single.activation, exponent) == pytest.approx(
            cost[f], rel=1e-8, abs=1e-300
        )
        if exponent <= 2.0:
            np.testing.assert_allclose(single.activation, batch.activation[f], atol=1e-8)


@CALM
@given(problems(), EXPONENTS)
def test_kernel_and_numpy_form_agree(problem, exponent):
    arms, capacity, moments = problem
    one = share(arms, capacity, moments, exponent=exponent, method="compiled")
    other = share(arms, capacity, moments, exponent=exponent, method="numpy")
    assert (one.status == other.status).all()
    np.testing.assert_allclose(
        naive.effort(one.activation, exponent), naive.effort(other.activation, exponent), rtol=1e-8
    )
    if exponent <= 2.0:
        np.testing.assert_allclose(one.activation, other.activation, atol=1e-8)


@CALM
@given(problems(), EXPONENTS, st.integers(-3, 3), st.integers(0, 2**20))
def test_rows_may_be_scaled_and_heads_reordered(problem, exponent, decade, seed):
    arms, capacity, moments = problem
    rng = np.random.default_rng(seed)
    order = rng.permutation(arms.shape[2])
    factor = 10.0**decade * rng.uniform(0.5, 2.0, arms.shape[1])
    plain = share(arms, capacity, moments, exponent=exponent)
    other = share(
        arms[:, :, order] * factor[:, None], capacity[:, order], moments * factor,
        exponent=exponent,
    )  # fmt: skip
    assert (plain.status == other.status).all()
    np.testing.assert_allclose(
        naive.effort(plain.activation, exponent),
        naive.effort(other.activation, exponent),
        rtol=1e-7,
    )
    size = np.linalg.norm(arms * capacity[:, None, :], axis=2)
    np.testing.assert_allclose(
        other.unmet / factor / np.maximum(size, 1e-300),
        plain.unmet / np.maximum(size, 1e-300),
        atol=1e-7,
    )
    if exponent <= 2.0:
        np.testing.assert_allclose(other.activation, plain.activation[:, order], atol=1e-7)


@CALM
@given(problems(frames=1), EXPONENTS, st.integers(0, 2**20))
def test_more_capacity_never_costs_more(problem, exponent, seed):
    arms, capacity, moments = problem
    rng = np.random.default_rng(seed)
    before = share(arms, capacity, moments, exponent=exponent)
    if before.status[0] != Status.SOLVED:
        return
    capacity[:, rng.integers(capacity.shape[1])] *= rng.uniform(1.0, 2.0)
    after = share(arms, capacity, moments, exponent=exponent)
    assert after.status[0] == Status.SOLVED
    least = naive.effort(before.activation, exponent)
    assert naive.effort(after.activation, exponent) <= least * (1 + 1e-9)


@CALM
@given(problems(frames=1), EXPONENTS, st.integers(0, 2**20))
def test_no_other_balanced_activation_costs_less(problem, exponent, seed):
    """A step in the null space of the loads keeps the balance; it must not pay."""
    arms, capacity, moments = problem
    answer = share(arms, capacity, moments, exponent=exponent)
    loads = (arms * capacity[:, None, :])[0]
    _, values, rows = np.linalg.svd(loads)
    rank = int((values > 1e-10 * values.max(initial=0.0)).sum())
    null = rows[rank:]
    if null.shape[0] == 0:
        return
    rng = np.random.default_rng(seed)
    least = naive.effort(answer.activation[0], exponent)
    for size in (1e-2, 1e-1, 1.0):
        step = rng.normal(size=null.shape[0]) @ null
        other = answer.activation[0] + size * step
        if (other >= 0.0).all() and (other <= 1.0).all():
            assert naive.effort(other, exponent) >= least * (1 - 1e-9)


@CALM
@given(problems(frames=2), st.floats(0.05, 0.95))
def test_share_and_greatest_factor_agree_on_what_can_be_met(problem, part):
    arms, capacity, moments = problem
    limit = greatest_factor(arms, capacity, 0.0 * moments, moments)
    finite = np.isfinite(limit.factor) & (limit.factor > 1e-6)
    if not finite.any():
        return
    asked = limit.factor[finite, None] * moments[finite]
    inside = share(arms[finite], capacity[finite], part * asked)
    beyond = share(arms[finite], capacity[finite], (2.0 - part) * asked)
    assert (inside.status == Status.SOLVED).all()
    assert (beyond.status == Status.SHORTFALL).all()


@pytest.mark.skipif(importlib.util.find_spec("quadprog") is None, reason="quadprog is missing")
@CALM
@given(problems(frames=1))
def test_agrees_with_an_active_set_method(problem):
    """Goldfarb and Idnani's dual active-set method on the same quadratic programme."""
    import quadprog

    arms, capacity, moments = problem
    answer = share(arms, capacity, moments)
    loads = (arms * capacity[:, None, :])[0]
    size = np.linalg.norm(loads, axis=1)
    rank = np.linalg.matrix_rank(loads / np.maximum(size[:, None], 1e-300), tol=1e-8)
    if answer.status[0] != Status.SOLVED or rank < size.size:
        return
    heads = capacity.shape[1]
    if not (np.abs(answer.activation[0]) > 0).any() or heads < size.size:
        return
    constraints = np.hstack([(loads / size[:, None]).T, np.eye(heads), -np.eye(heads)])
    levels = np.concatenate([moments[0] / size, np.zeros(heads), -np.ones(heads)])
    try:
        found = quadprog.solve_qp(np.eye(heads), np.zeros(heads), constraints, levels, size.size)
    except ValueError:  # moments at the very edge of what can be met
        factor = greatest_factor(arms, capacity, 0.0 * moments, moments).factor[0]
        assert factor == pytest.approx(1.0, abs=1e-6)
        return
    np.testing.assert_allclose(answer.activation[0], found[0], atol=1e-7)

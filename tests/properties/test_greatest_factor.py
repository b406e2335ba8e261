"""Greatest factors of thousands of random and hostile problems.

The referee is the dual simplex method of HiGHS as SciPy offers it, on a formulation of its own:
normalised rows, free values as unknowns. Beside it stands a proof from the data alone, by
weak duality: an activation that supplies the factor, and prices by which no more is possible.
"""

import os
import subprocess
import sys

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog
from tests import naive

from momentshare.sharing import Status, greatest_factor, greatest_moment

KINDS = {
    "plain": 20,
    "zero arms": 20,
    "zero capacity": 20,
    "duplicates": 20,
    "equal arms": 20,
    "rounded arms": 20,
    "weak heads": 20,
    "one sense": 20,
    "idle row": 20,
    "dependent rows": 20,
    "scaled by decades": 20,
    "units": 20,
}


def hostile(kind, seed, count=12):
    """A batch of problems of one kind: arms, capacity, fixed, scaled, free columns."""
    rng = np.random.default_rng([sorted(KINDS).index(kind), seed])
    rows, heads = int(rng.integers(1, 6)), int(rng.integers(1, 31))
    free = int(rng.integers(0, min(3, rows)))
    arms, _, _ = naive.limb_like(count, heads=heads, rows=rows, seed=int(rng.integers(2**30)))
    capacity = rng.uniform(50.0, 1500.0, (count, heads))
    if kind == "zero arms":
        arms[:, :, rng.random(heads) < 0.4] = 0.0
    elif kind == "zero capacity":
        capacity[rng.random((count, heads)) < 0.5] = 0.0
    elif kind == "duplicates":
        arms = arms[:, :, rng.integers(0, heads, heads)]
    elif kind == "equal arms":
        arms = 0.03 * np.sign(arms)
        capacity[:] = 500.0
    elif kind == "rounded arms":
        arms = np.round(arms, 2)
    elif kind == "weak heads":
        capacity *= 10.0 ** rng.integers(-4, 3, heads)
    elif kind == "one sense":
        arms = np.abs(arms)
    elif kind == "idle row":
        arms[:, rng.integers(rows)] = 0.0
    elif kind == "dependent rows":
        arms[:, 0] = 2.0 * arms[:, -1]
    loads = arms * capacity[:, None, :]
    fixed = np.einsum("fji,fi->fj", loads, rng.uniform(size=(count, heads)))
    fixed *= rng.choice([0.0, 0.2, 1.0, 3.0], (count, 1))
    at_random = rng.normal(scale=20.0, size=(count, rows))
    fixed[::3] = rng.normal(scale=20.0, size=fixed[::3].shape)
    within = np.einsum("fji,fi->fj", loads, rng.uniform(size=(count, heads)))
    along = np.eye(rows)[rng.integers(rows, size=count)]
    choices = np.stack([at_random, within, -fixed, along, np.zeros_like(fixed)])
    scaled = choices[rng.choice(5, count, p=[0.35, 0.3, 0.1, 0.2, 0.05]), np.arange(count)]
    columns = rng.normal(size=(count, rows, free))
    if kind == "scaled by decades":
        scaled = scaled * 10.0 ** rng.integers(-9, 9)
    if kind == "units":
        unit = 10.0 ** rng.integers(-4, 4)
        capacity, fixed, scaled = capacity * unit, fixed * unit, scaled * unit
    return arms, capacity, fixed, scaled, columns


def referee(arms, capacity, fixed, scaled, columns):
    """Factor in units of the normalised scaled part, and that unit."""
    loads = arms * capacity
    size = np.linalg.norm(loads, axis=1)
    size = np.where(size > 0.0, size, size.max() if size.any() else 1.0)
    direction = scaled / size
    unit = np.linalg.norm(direction) or 1.0
    free = columns / size[:, None]
    free = free / np.linalg.norm(free, axis=0)
    heads = capacity.size
    cost = np.zeros(heads + 1 + free.shape[1])
    cost[heads] = -1.0
    answer = linprog(
        cost,
        A_eq=np.hstack([loads / size[:, None], -direction[:, None] / unit, free]),
        b_eq=fixed / size,
        bounds=[(0.0, 1.0)] * heads + [(0.0, None)] + [(None, None)] * free.shape[1],
        method="highs-ds",
        options={"primal_feasibility_tolerance": 1e-10, "dual_feasibility_tolerance": 1e-10},
    )
    if answer.status == 2:
        return np.nan, unit
    if answer.status == 3:
        return np.inf, unit
    assert answer.status == 0
    return -answer.fun, unit


def assert_proven(problem, limit):
    """Primal and dual value agree, computed independently; worst of a batch."""
    arms, capacity, fixed, scaled, columns = problem
    loads = arms * capacity[:, None, :]
    for f in np.flatnonzero(limit.status == Status.SOLVED):
        a, price, factor = limit.activation[f], limit.multipliers[f], limit.factor[f]
        assert (a >= 0.0).all()
        assert (a <= 1.0).all()
        rest = loads[f] @ a - fixed[f] - factor * scaled[f]
        if columns.shape[2]:
            rest = rest - columns[f] @ np.linalg.lstsq(columns[f], rest, rcond=None)[0]
        size = np.abs(loads[f]).sum() + np.abs(fixed[f]).max()
        assert np.abs(rest).max() <= 1e-9 * size
        norm = np.linalg.norm(price)
        assert price @ scaled[f] == pytest.approx(1.0, rel=1e-9)
        assert np.abs(price @ columns[f]).max(initial=0.0) <= 1e-9 * norm * np.abs(columns[f]).max(
            initial=1e-300
        )
        most = np.maximum(price @ loads[f], 0.0).sum() - price @ fixed[f]
        if factor > 0.0:
            assert abs(most - factor) <= 1e-9 * norm * size


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_the_referee_agrees_and_the_answer_proves_itself(kind):
    seen, left = set(), 0
    for seed in range(KINDS[kind]):
        problem = hostile(kind, seed)
        free = problem[4] if problem[4].shape[2] else None
        limit = greatest_factor(*problem[:4], free_columns=free)
        assert_proven(problem, limit)
        left += int((limit.status == Status.UNCERTIFIED).sum())
        for f in range(len(limit.factor)):
            wanted, unit = referee(*(part[f] for part in problem))
            got = limit.factor[f] * unit
            seen.add(int(limit.status[f]))
            if np.isfinite(wanted) and np.isfinite(got):
                # The referee meets every row to 1e-10; a row is worth its price.
                loads = np.linalg.norm(problem[0][f] * problem[1][f], axis=1)
                worth = unit * np.abs(limit.multipliers[f] * loads).sum()
                assert abs(got - wanted) <= 1e-9 * (1.0 + abs(wanted) + worth), (seed, f)
            else:
                assert np.array_equal(got, wanted, equal_nan=True), (seed, f, got, wanted)
    assert left == 0
    assert Status.SOLVED in seen
    assert len(seen) > 1


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_routes_agree(kind):
    for seed in range(6):
        arms, capacity, fixed, scaled, columns = hostile(kind, 1000 + seed)
        free = columns if columns.shape[2] else None
        one, other = (
            greatest_factor(arms, capacity, fixed, scaled, free_columns=free, method=method)
            for method in ("compiled", "numpy")
        )
        if kind == "weak heads":
            # NumPy and SciPy do not always settle heads a millionth as strong as others.
            solved = other.status == Status.SOLVED
            assert (one.status[solved] == Status.SOLVED).all()
            np.testing.assert_allclose(one.factor[solved], other.factor[solved], rtol=1e-6)
            continue
        np.testing.assert_array_equal(one.status, other.status)
        np.testing.assert_allclose(one.factor, other.factor, rtol=1e-7, atol=1e-12)
        np.testing.assert_allclose(one.activation, other.activation, atol=1e-7)
        for f in np.flatnonzero(one.status == Status.SOLVED):
            size = np.abs(one.multipliers[f]).max()
            np.testing.assert_allclose(one.multipliers[f], other.multipliers[f], atol=1e-7 * size)


def test_neither_threads_nor_neighbours_change_a_digit():
    arms, capacity, moments = naive.limb_like(3000, level=0.5, seed=1)
    given_ = arms, capacity, 0.1 * moments, moments
    whole = greatest_factor(*given_, method="compiled", threads=1)
    threaded = greatest_factor(*given_, method="compiled", threads=3)
    order = np.random.default_rng(2).permutation(3000)[:1100]
    some = greatest_factor(*(part[order] for part in given_), method="compiled")
    alone = [greatest_factor(*(part[f] for part in given_), method="compiled") for f in order[:20]]
    for name in ("factor", "multipliers", "activation", "limiting", "residual", "status"):
        np.testing.assert_array_equal(getattr(whole, name), getattr(threaded, name))
        np.testing.assert_array_equal(getattr(whole, name)[order], getattr(some, name))
        np.testing.assert_array_equal(
            getattr(some, name)[:20], np.stack([getattr(one, name) for one in alone])
        )


@settings(max_examples=60, deadline=None, derandomize=True)
@given(st.sampled_from(sorted(KINDS)), st.integers(0, 2**16), st.integers(-3, 3))
def test_heads_reordered_rows_and_load_scaled(kind, seed, decade):
    arms, capacity, fixed, scaled, columns = hostile(kind, seed, count=4)
    free = columns if columns.shape[2] else None
    rng = np.random.default_rng(seed)
    order = rng.permutation(arms.shape[2])
    row = 10.0**decade * rng.uniform(0.5, 2.0, arms.shape[1])
    plain = greatest_factor(arms, capacity, fixed, scaled, free_columns=free)
    other = greatest_factor(
        arms[:, :, order] * row[:, None],
        capacity[:, order],
        fixed * row,
        3.0 * scaled * row,
        free_columns=None if free is None else free * row[:, None],
    )
    np.testing.assert_array_equal(plain.status, other.status)
    size = np.nanmax(np.where(np.isfinite(plain.factor), np.abs(plain.factor), 0.0))
    np.testing.assert_allclose(3.0 * other.factor, plain.factor, rtol=1e-8, atol=1e-9 * size)
    if kind == "weak heads":
        return
    np.testing.assert_allclose(other.activation, plain.activation[:, order], atol=1e-8)
    for f in np.flatnonzero(plain.status == Status.SOLVED):
        norm = np.abs(plain.multipliers[f]).max()
        np.testing.assert_allclose(
            3.0 * other.multipliers[f] * row, plain.multipliers[f], atol=1e-7 * norm
        )


@settings(max_examples=60, deadline=None, derandomize=True)
@given(st.sampled_from(sorted(set(KINDS) - {"weak heads"})), st.integers(0, 2**16))
def test_a_head_cut_in_equal_parts_changes_nothing(kind, seed):
    """The parts share its activation, whether it is settled, and prices stay."""
    arms, capacity, fixed, scaled, columns = hostile(kind, seed, count=4)
    free = columns if columns.shape[2] else None
    head = seed % arms.shape[2]
    cut = np.concatenate([arms, np.repeat(arms[:, :, [head]], 2, axis=2)], axis=2)
    parts = np.concatenate([capacity, np.repeat(capacity[:, [head]], 2, axis=1)], axis=1)
    parts[:, [head, -2, -1]] /= 3.0
    plain = greatest_factor(arms, capacity, fixed, scaled, free_columns=free)
    other = greatest_factor(cut, parts, fixed, scaled, free_columns=free)
    np.testing.assert_array_equal(plain.status, other.status)
    np.testing.assert_allclose(other.factor, plain.factor, rtol=1e-8, atol=1e-12)
    np.testing.assert_allclose(other.activation[:, -1], other.activation[:, head], atol=1e-8)
    for f in np.flatnonzero(plain.status == Status.SOLVED):
        norm = np.abs(plain.multipliers[f]).max()
        np.testing.assert_allclose(other.multipliers[f], plain.multipliers[f], atol=1e-7 * norm)


def test_the_greatest_moment_is_that_of_the_referee():
    arms, capacity, _ = naive.limb_like(60, seed=5)
    held = np.array([4.0, -3.0, 2.0, 0.0])
    direction = np.array([0.0, 0.0, 0.0, 1.0])
    for sign in (1.0, -1.0):
        strength = greatest_moment(arms, capacity, 3, int(sign), held=held, method="compiled")
        for f in range(60):
            wanted, unit = referee(arms[f], capacity[f], held, sign * direction, np.zeros((4, 0)))
            assert sign * strength.moment[f] == pytest.approx(wanted / unit, rel=1e-8)


PLAIN = """
import numpy as np
from momentshare.sharing import greatest_factor
from momentshare.sharing._backends import climb
from momentshare.sharing._backends.kernels import vertex
from tests.properties.test_greatest_factor import hostile
vertex.LONG = 0
climb.is_available = lambda: True
for kind in ("plain", "duplicates", "equal arms", "rounded arms", "dependent rows"):
    for seed in range(3):
        *given, columns = hostile(kind, seed)
        free = columns if columns.shape[2] else None
        one = greatest_factor(*given, free_columns=free, method="compiled")
        other = greatest_factor(*given, free_columns=free, method="numpy")
        np.testing.assert_array_equal(one.status, other.status)
        np.testing.assert_allclose(one.factor, other.factor, rtol=1e-8, atol=1e-12)
        np.testing.assert_allclose(one.activation, other.activation, atol=1e-7)
print("agreed")
"""


def test_short_steps_with_ties_to_the_first_head_end_too():
    """The rule that cannot cycle (Bland 1977, from memory), from the first step on, uncompiled."""
    done = subprocess.run(
        [sys.executable, "-c", PLAIN],
        capture_output=True,
        text=True,
        env={**os.environ, "NUMBA_DISABLE_JIT": "1"},
        check=False,
    )
    assert done.stdout == "agreed\n", done.stderr

"""Frames with one free column side by side: the answers of the kernel for single frames."""

import importlib.util

import numpy as np
import pytest
from tests import naive

from momentshare.sharing import Solver, Status, contact_cone, share
from momentshare.sharing._backends import compiled
from momentshare.sharing._backends.projected import FEWEST, run_projected
from momentshare.sharing._certificate import certify
from momentshare.sharing._problem import build_problem

pytestmark = pytest.mark.skipif(
    importlib.util.find_spec("numba") is None, reason="numba is not installed"
)


def pushed(frames, rows, heads, level, seed):
    """Frames of an arm with a column, some with bound heads, idle heads or no column at all."""
    arms, capacity, moments = naive.limb_like(
        frames, heads=heads, rows=rows, level=level, seed=seed
    )
    rng = np.random.default_rng(seed + 9)
    columns = rng.normal(size=(frames, rows, 1))
    columns[1::5] *= 1e-6
    columns[2::9, 1:] = 0.0
    columns[4::9, 0] = 0.0
    columns[7::31] = 0.0
    capacity[::3, 2] = 0.0
    arms[1::3, :, 3] = 2e-3 * columns[1::3, :, 0]  # a head that does what the free value does
    moments[2::17] *= 30.0
    moments[3::11] = 0.0
    return arms, capacity, moments, columns


def around(frames, heads, seed):
    """A cone for the force of the heads."""
    rng = np.random.default_rng(seed + 50)
    lines = rng.normal(size=(frames, heads, 3))
    lines[..., 0] = 0.3 + np.abs(lines[..., 0])
    lines /= np.linalg.norm(lines, axis=-1, keepdims=True)
    base = rng.normal(scale=20.0, size=(frames, 3))
    ratios = 0.35 + 0.2 * np.cos(2 * np.pi * np.arange(8) / 8)
    return contact_cone(lines, base, ratios, axis=[1, 0, 0], towards=[0, 0, 1])


def both(problem):
    """Answers side by side before any other kernel helps, and one frame at a time."""
    side, single = compiled.empty_raw(problem), compiled.empty_raw(problem)
    run_projected(problem, side, 1, compiled.run_side_by_side)
    compiled._run_single(problem, single, 1, chain=False)
    return side, single


@pytest.mark.parametrize(
    ("rows", "heads", "form"),
    [
        *((rows, heads, None) for rows, heads in ((2, 8), (3, 12), (4, 28), (5, 28), (7, 30))),
        *((rows, 28, form) for rows in (4, 5) for form in ("cone", "pair")),
    ],
)
def test_the_same_to_a_billionth_wherever_it_is_certified(rows, heads, form):
    arms, capacity, moments, columns = pushed(300, rows, heads, 0.6, rows)
    rng = np.random.default_rng(0)
    cone = around(300, heads, rows)
    inequalities = {None: None, "cone": cone, "pair": cone.inequalities()}[form]
    problem = build_problem(
        arms, capacity, moments, passive_force=rng.uniform(0.0, 30.0, heads),
        weights=rng.uniform(0.2, 5.0, heads), free_columns=columns, inequalities=inequalities,
    )  # fmt: skip
    side, single = both(problem)
    known = np.flatnonzero(side.status == Status.SOLVED)
    assert known.size > 150
    assert not np.isin(np.arange(7, 300, 31), known).any()  # without a column: the other kernel
    # It certifies nothing that the other does not.
    assert (single.status[known] == Status.SOLVED).all()
    np.testing.assert_allclose(side.activation[known], single.activation[known], atol=1e-9)
    for name in ("multipliers", "free_values", "held"):
        found, wanted = getattr(side, name)[known], getattr(single, name)[known]
        size = np.maximum(np.abs(wanted).max(axis=1, keepdims=True), 1e-300) if wanted.size else 1.0
        np.testing.assert_allclose(found / size, wanted / size, atol=1e-7, err_msg=name)
    again = certify(
        problem.take(known), side.activation[known], side.multipliers[known],
        side.free_values[known], np.zeros(known.size, dtype=bool), held=side.held[known],
    )  # fmt: skip
    assert (again.status == Status.SOLVED).all()
    np.testing.assert_allclose(side.numbers[known], again.numbers, atol=1e-10)
    np.testing.assert_allclose(side.unmet[known], again.unmet, atol=1e-10)


@pytest.mark.parametrize(
    ("rows", "heads", "form"),
    [
        *((rows, heads, None) for rows, heads in ((2, 8), (3, 12), (4, 28), (5, 28), (7, 30))),
        *((4, 28, form) for form in ("cone", "pair")),
    ],
)
def test_shortfalls_are_those_of_the_whole_balance(rows, heads, form):
    arms, capacity, moments, columns = pushed(300, rows, heads, 3.0, rows)
    rng = np.random.default_rng(0)
    cone = around(300, heads, rows)
    inequalities = {None: None, "cone": cone, "pair": cone.inequalities()}[form]
    problem = build_problem(
        arms, capacity, moments, passive_force=rng.uniform(0.0, 30.0, heads),
        weights=rng.uniform(0.2, 5.0, heads), free_columns=columns, inequalities=inequalities,
    )  # fmt: skip
    side, single = both(problem)
    short = single.status == Status.SHORTFALL
    known = np.flatnonzero(side.status == Status.SHORTFALL)
    assert short.sum() > 30
    assert known.size > 0.7 * short.sum()
    assert short[known].all()
    assert form is None or (single.parted[known] > 0.0).any()
    size = np.abs(single.unmet[known]).max(axis=1, keepdims=True)
    np.testing.assert_allclose(side.unmet[known], single.unmet[known], atol=1e-9 * size.max())
    np.testing.assert_allclose(side.activation[known], single.activation[known], atol=1e-8)
    again = certify(
        problem.take(known), side.activation[known], side.multipliers[known],
        side.free_values[known], np.ones(known.size, dtype=bool), held=side.held[known],
        parted=side.parted[known],
    )  # fmt: skip
    assert (again.status == Status.SHORTFALL).all()
    np.testing.assert_allclose(side.unmet[known], again.unmet, atol=1e-9)
    np.testing.assert_allclose(side.numbers[known], again.numbers, atol=1e-8)


def test_it_leaves_few_frames_of_an_arm_to_the_other_kernel():
    arms, capacity, moments = naive.limb_like(2000, level=0.5, seed=2)
    columns = np.random.default_rng(3).normal(size=(2000, 4, 1))
    side, single = both(build_problem(arms, capacity, moments, free_columns=columns))
    assert (single.status == Status.SOLVED).all()
    assert (side.status == Status.SOLVED).mean() > 0.98


@pytest.mark.parametrize("bounds", [None, (-5.0, 8.0), (-np.inf, 0.0), (2.0, 2.0)])
@pytest.mark.parametrize("within", [False, True])
def test_the_whole_call_is_that_of_numpy(bounds, within):
    arms, capacity, moments, columns = pushed(150, 4, 28, 1.0, 4)
    given = {
        "free_columns": columns,
        "free_bounds": None if bounds is None else ([bounds[0]], [bounds[1]]),
        "inequalities": around(150, 28, 4) if within else None,
    }
    fast = share(arms, capacity, moments, **given)
    slow = share(arms, capacity, moments, method="numpy", **given)
    np.testing.assert_array_equal(fast.status, slow.status)
    known = np.isin(fast.status, (Status.SOLVED, Status.SHORTFALL))
    np.testing.assert_allclose(fast.activation[known], slow.activation[known], atol=1e-8)
    if bounds is not None:
        value = fast.free_values[known, 0]
        assert bounds[0] <= value.min()
        assert value.max() <= bounds[1]
        at = np.isfinite(bounds) & (np.abs(value[:, None] - bounds) == 0.0).any(axis=0)
        assert at.any() == np.isfinite(bounds).any()


def test_a_frame_has_the_same_digits_in_any_company_and_with_any_threads():
    arms, capacity, moments, columns = pushed(6000, 4, 28, 0.7, 5)
    whole = share(arms, capacity, moments, free_columns=columns, threads=1)
    parted = share(arms, capacity, moments, free_columns=columns, threads=3)
    some = slice(11, 11 + FEWEST)
    few = share(arms[some], capacity[some], moments[some], free_columns=columns[some])
    for name in ("activation", "multipliers", "unmet", "free_values", "status"):
        np.testing.assert_array_equal(getattr(parted, name), getattr(whole, name))
        np.testing.assert_array_equal(getattr(few, name), getattr(whole, name)[some])


def test_a_solver_writes_into_its_own_arrays():
    arms, capacity, moments, columns = pushed(100, 4, 28, 0.7, 6)
    answer = share(arms, capacity, moments, free_columns=columns[0])
    out = Solver(heads=28, free_columns=columns[0]).solve(arms, capacity, moments)
    for name in ("activation", "free_values", "status"):
        np.testing.assert_array_equal(getattr(out, name), getattr(answer, name))


def test_values_that_hold_for_every_frame_are_given_once():
    arms, capacity, moments, columns = pushed(64, 4, 28, 0.7, 8)
    once = share(arms[0], capacity[0], moments, free_columns=columns[0])
    often = share(
        np.tile(arms[0], (64, 1, 1)), np.tile(capacity[0], (64, 1)), moments,
        free_columns=np.tile(columns[0], (64, 1, 1)),
    )  # fmt: skip
    np.testing.assert_array_equal(once.activation, often.activation)
    np.testing.assert_array_equal(once.free_values, often.free_values)

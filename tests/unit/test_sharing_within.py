"""Inequalities in frames side by side: the answers of the kernel for single frames."""

import importlib.util
import os
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import linprog
from tests import naive

from momentshare.errors import ShapeError
from momentshare.sharing import (
    Cone,
    Solver,
    Status,
    cone_inequalities,
    contact_cone,
    share,
)
from momentshare.sharing._backends import compiled
from momentshare.sharing._backends.beyond import breaks_alone
from momentshare.sharing._backends.within import run_within
from momentshare.sharing._certificate import certify
from momentshare.sharing._problem import build_problem

pytestmark = pytest.mark.skipif(
    importlib.util.find_spec("numba") is None, reason="numba is not installed"
)


def pressed(frames, level, seed, *, heads=28, facets=8, opening=0.35):
    """Frames of an arm whose heads press a joint that holds inside a cone."""
    arms, capacity, moments = naive.limb_like(frames, heads=heads, level=level, seed=seed)
    rng = np.random.default_rng(seed + 50)
    lines = rng.normal(size=(frames, heads, 3))
    lines[..., 0] = 0.3 + np.abs(lines[..., 0])
    lines /= np.linalg.norm(lines, axis=-1, keepdims=True)
    base = rng.normal(scale=20.0, size=(frames, 3))
    ratios = opening + 0.2 * np.cos(2 * np.pi * np.arange(facets) / facets)
    cone = contact_cone(lines, base, ratios, axis=[1, 0, 0], towards=[0, 0, 1])
    return arms, capacity, moments, cone


def both(problem):
    """Answers side by side before any other kernel helps, and one frame at a time."""
    side, single = compiled.empty_raw(problem), compiled.empty_raw(problem)
    run_within(problem, side, 1, compiled.limits_of_method())
    compiled._run_single(problem, single, 1, chain=False)
    return side, single


@pytest.mark.parametrize("form", ["cone", "pair"])
@pytest.mark.parametrize(("level", "facets"), [(0.3, 8), (1.0, 16), (2.5, 8)])
@pytest.mark.parametrize("exponent", [2, 3])
def test_the_same_to_a_billionth_wherever_it_is_certified(form, level, facets, exponent):
    arms, capacity, moments, cone = pressed(300, level, 1, facets=facets)
    rng = np.random.default_rng(0)
    passive, weights = rng.uniform(0.0, 30.0, 28), rng.uniform(0.2, 5.0, 28)
    capacity[::3, 2] = 0.0
    arms[1::3, :, 3] = 0.0
    moments[2::7] *= 30.0
    moments[3::11] = 0.0
    given = cone if form == "cone" else cone.inequalities()
    problem = build_problem(
        arms, capacity, moments, passive_force=passive, weights=weights, inequalities=given,
        exponent=exponent,
    )  # fmt: skip
    side, single = both(problem)
    known = side.status == Status.SOLVED
    assert known.sum() > 100
    held = (side.held[known] > 0.0).sum(axis=1)
    assert {0, 1, 2} <= set(held.tolist())
    # It certifies nothing that the other does not.
    assert (single.status[known] == Status.SOLVED).all()
    # Where nearly nothing drives a head its activation has a slope without bound for p = 3.
    power = exponent - 1
    np.testing.assert_allclose(
        side.activation[known] ** power, single.activation[known] ** power, atol=1e-9
    )
    scale = np.abs(single.held[known]).max()
    np.testing.assert_allclose(side.held[known], single.held[known], atol=1e-8 * scale)
    assert (side.held[known] >= 0.0).all()
    assert side.numbers[known][:, 1:].max() <= 1e-9
    again = certify(
        problem.take(np.flatnonzero(known)), side.activation[known], side.multipliers[known],
        np.zeros((known.sum(), 0)), np.zeros(known.sum(), dtype=bool), held=side.held[known],
    )  # fmt: skip
    assert (again.status == Status.SOLVED).all()
    np.testing.assert_allclose(side.numbers[known], again.numbers, atol=1e-10)


@pytest.mark.parametrize(("exponent", "part"), [(2, 0.99), (3, 0.93)])
def test_it_leaves_few_frames_that_can_be_met_to_the_other_kernel(exponent, part):
    arms, capacity, moments, cone = pressed(2000, 0.3, 2)
    problem = build_problem(arms, capacity, moments, inequalities=cone, exponent=exponent)
    side, single = both(problem)
    met = single.status == Status.SOLVED
    assert met.mean() > 0.9
    assert (single.held[met] > 0.0).any(axis=1).mean() > 0.3
    assert (side.status[met] == Status.SOLVED).mean() > part


@pytest.mark.parametrize("form", ["cone", "pair"])
@pytest.mark.parametrize(("exponent", "part"), [(2, 0.8), (3, 0.7)])
def test_shortfalls_within_inequalities_are_those_of_the_other_kernel(form, exponent, part):
    arms, capacity, moments, cone = pressed(400, 2.5, 3)
    rng = np.random.default_rng(1)
    passive, weights = rng.uniform(0.0, 30.0, 28), rng.uniform(0.2, 5.0, 28)
    problem = build_problem(
        arms, capacity, moments, passive_force=passive, weights=weights, exponent=exponent,
        inequalities=cone if form == "cone" else cone.inequalities(),
    )  # fmt: skip
    side, single = both(problem)
    short = single.status == Status.SHORTFALL
    known = side.status == Status.SHORTFALL
    assert short[known].all()
    assert short.sum() > 100
    assert known.sum() > part * short.sum()
    held = (single.parted[known] > 0.0).sum(axis=1)
    assert {0, 1, 2} <= set(held.tolist())
    np.testing.assert_allclose(side.unmet[known], single.unmet[known], atol=1e-8)
    power = exponent - 1
    np.testing.assert_allclose(
        side.activation[known] ** power, single.activation[known] ** power, atol=1e-8
    )
    assert (side.parted[known] >= 0.0).all()
    assert not side.parted[~known].any()
    again = certify(
        problem.take(np.flatnonzero(known)), side.activation[known], side.multipliers[known],
        np.zeros((known.sum(), 0)), np.ones(known.sum(), dtype=bool), held=side.held[known],
        parted=side.parted[known],
    )  # fmt: skip
    assert (again.status == Status.SHORTFALL).all()


@pytest.mark.parametrize("form", ["cone", "pair"])
@pytest.mark.parametrize("exponent", [2, 3])
def test_share_answers_shortfalls_within_inequalities_like_the_single_kernel(form, exponent):
    arms, capacity, moments, cone = pressed(400, 2.5, 7)
    weights = np.random.default_rng(2).uniform(0.2, 5.0, 28)
    given = cone if form == "cone" else cone.inequalities()
    found = share(
        arms, capacity, moments, weights=weights, exponent=exponent, inequalities=given, threads=1
    )
    problem = build_problem(
        arms, capacity, moments, weights=weights, exponent=exponent, inequalities=given
    )
    single = compiled.empty_raw(problem)
    compiled._run_single(problem, single, 1, chain=False)
    short = single.status == Status.SHORTFALL
    assert short.sum() > 100
    assert ((single.parted > 0.0).any(axis=1) & short).sum() > 30
    np.testing.assert_array_equal(found.status, single.status)
    power, greatest = exponent - 1, single.active[short].max()
    np.testing.assert_allclose(
        found.activation[short] ** power, single.activation[short] ** power, atol=1e-9
    )
    np.testing.assert_allclose(
        (found.active_force[short] / greatest) ** power,
        (single.active[short] / greatest) ** power,
        atol=1e-9,
    )
    np.testing.assert_allclose(found.unmet[short], single.unmet[short], atol=1e-9)
    np.testing.assert_allclose(
        np.linalg.norm(found.unmet[short], axis=1), np.linalg.norm(single.unmet[short], axis=1),
        rtol=1e-9,
    )  # fmt: skip


@pytest.mark.parametrize("exponent", [2, 3])
def test_a_frame_that_keeps_a_cone_anyway_has_the_digits_of_a_call_without_it(exponent):
    arms, capacity, moments, cone = pressed(600, 1.0, 3)
    found = []
    for limits in (cone, None):
        problem = build_problem(arms, capacity, moments, exponent=exponent, inequalities=limits)
        found.append(compiled.empty_raw(problem))
        compiled.run_side_by_side(problem, found[-1], 1)
    within, plain = found
    # At p = 3 some need more passes than they get there, and go on to the other kernel.
    free = (within.status == Status.SOLVED) & ~within.held.any(axis=1)
    free &= plain.status == Status.SOLVED
    assert 200 < free.sum() < 500
    for name in ("activation", "active", "force", "multipliers", "unmet"):
        np.testing.assert_array_equal(getattr(within, name)[free], getattr(plain, name)[free])
    rest = [0, 2, 3]  # the bound tells of inequalities too
    np.testing.assert_array_equal(within.numbers[free][:, rest], plain.numbers[free][:, rest])
    # No zero has lost its sign beside frames with inequalities in force.
    assert not np.signbit(within.numbers[:, 1]).any()


def test_a_cone_and_its_inequalities_are_one_problem():
    arms, capacity, moments, cone = pressed(200, 2.0, 3)
    one = share(arms, capacity, moments, inequalities=cone)
    other = share(arms, capacity, moments, inequalities=cone.inequalities())
    np.testing.assert_array_equal(one.status, other.status)
    assert set(one.status.tolist()) == {Status.SOLVED, Status.SHORTFALL}
    np.testing.assert_allclose(one.activation, other.activation, atol=1e-9)
    solver = Solver(
        heads=28,
        inequalities=Cone(lines=cone.lines[0], normals=cone.normals, levels=cone.levels[0]),
    )
    step = solver.step(arms[0], capacity[0], moments[0])
    np.testing.assert_allclose(step.activation, one.activation[0], atol=1e-9)


@pytest.mark.parametrize("frames", [1, 7, 9, 530])
@pytest.mark.parametrize("exponent", [2, 3])
def test_a_frame_has_the_same_digits_in_any_company_and_with_any_threads(frames, exponent):
    arms, capacity, moments, cone = pressed(2600, 0.5, 4)
    given = {"exponent": exponent, "chain": False}
    whole = share(arms, capacity, moments, inequalities=cone, threads=1, **given)
    threads = share(arms, capacity, moments, inequalities=cone, threads=2, **given)
    np.testing.assert_array_equal(threads.activation, whole.activation)
    np.testing.assert_array_equal(threads.inequality_multipliers, whole.inequality_multipliers)
    pick = slice(3, 3 + frames)
    part = Cone(lines=cone.lines[pick], normals=cone.normals, levels=cone.levels[pick])
    some = share(arms[pick], capacity[pick], moments[pick], inequalities=part, **given)
    np.testing.assert_array_equal(some.activation, whole.activation[pick])
    np.testing.assert_array_equal(some.multipliers, whole.multipliers[pick])


@pytest.mark.parametrize("form", ["cone", "pair"])
@pytest.mark.parametrize("exponent", [2, 3])
def test_frames_in_another_order_have_the_same_digits(form, exponent):
    arms, capacity, moments, cone = pressed(1100, 0.6, 7)
    order = np.random.default_rng(8).permutation(1100)
    found = []
    for index in (np.arange(1100), order):
        some = Cone(lines=cone.lines[index], normals=cone.normals, levels=cone.levels[index])
        problem = build_problem(
            arms[index], capacity[index], moments[index], exponent=exponent,
            inequalities=some if form == "cone" else some.inequalities(),
        )  # fmt: skip
        found.append(compiled.empty_raw(problem))
        run_within(problem, found[-1], 1, compiled.limits_of_method())
    plain, mixed = found
    assert ((plain.held > 0.0).sum(axis=1) > 1).sum() > 50
    np.testing.assert_array_equal(mixed.status, plain.status[order])
    sure = plain.status[order] != Status.UNCERTIFIED
    for name in ("activation", "multipliers", "unmet", "held", "numbers"):
        np.testing.assert_array_equal(getattr(mixed, name)[sure], getattr(plain, name)[order][sure])


def obeys(capacity, G, h):
    """Whether any activation obeys the inequalities, by linear programming."""
    rows = G * capacity
    answer = linprog(
        np.zeros(capacity.size), A_ub=rows, b_ub=h, bounds=[(0.0, 1.0)] * capacity.size,
        method="highs",
    )  # fmt: skip
    return answer.status == 0


@pytest.mark.parametrize("exponent", [1.5, 2.0, 3.0, 20.0])
@pytest.mark.parametrize("method", ["compiled", "numpy"])
def test_limits_that_no_forces_obey_are_told_without_a_general_solver(
    exponent, method, monkeypatch
):
    monkeypatch.setattr("momentshare.sharing._share.find_spec", lambda _name: None)
    arms, capacity, moments, cone = pressed(40, 0.3, 5)
    # A pull out of the socket that grows from frame to frame until no head can hold against it.
    pull = np.linspace(0.0, 2.5, 40)[:, None] * capacity.sum(axis=1, keepdims=True)
    levels = cone.levels - pull * np.abs(cone.normals[..., 0])
    G, _ = cone.inequalities()
    can = np.array([obeys(*frame) for frame in zip(capacity, G, levels, strict=True)])
    assert 5 < can.sum() < 35
    answer = share(
        arms, capacity, moments, exponent=exponent, inequalities=replace(cone, levels=levels),
        method=method,
    )  # fmt: skip
    np.testing.assert_array_equal(answer.status == Status.INFEASIBLE, ~can)
    assert np.isnan(answer.activation[~can]).all()
    # Most of these break one inequality by itself, which is looked at before any is solved.
    alone = breaks_alone(
        build_problem(arms, capacity, moments, inequalities=replace(cone, levels=levels))
    )
    assert not (alone & can).any()
    assert 3 < alone.sum() <= (~can).sum()
    known = answer.status[can]
    if exponent <= 3.0:
        assert np.isin(known, [Status.SOLVED, Status.SHORTFALL]).all()


def test_bad_numbers_spoil_their_own_frame_only():
    arms, capacity, moments, cone = pressed(16, 0.5, 7)
    clean = share(arms, capacity, moments, inequalities=cone)
    lines = cone.lines.copy()
    lines[3, 2, 1] = np.nan
    moments[9, 0] = np.inf
    answer = share(
        arms, capacity, moments, inequalities=replace(cone, lines=lines), on_invalid="mark"
    )
    bad = [3, 9]
    assert (answer.status[bad] == Status.INVALID).all()
    good = np.setdiff1d(np.arange(16), bad)
    np.testing.assert_array_equal(answer.activation[good], clean.activation[good])


def test_a_cone_of_other_heads_or_other_shapes_is_refused():
    arms, capacity, moments, cone = pressed(4, 0.5, 8)
    with pytest.raises(ShapeError, match="28 heads"):
        share(
            arms, capacity, moments,
            inequalities=Cone(lines=cone.lines[:, :5], normals=cone.normals, levels=cone.levels),
        )  # fmt: skip
    with pytest.raises(ShapeError, match="cone levels"):
        Cone(lines=cone.lines, normals=cone.normals, levels=cone.levels[:, :3])
    with pytest.raises(ShapeError, match="cone normals"):
        Cone(lines=cone.lines, normals=np.zeros((8, 2)), levels=cone.levels)


def test_the_planes_of_a_cone_stand_where_its_ratios_say():
    """A force on the boundary in the direction of a facet has slack zero there."""
    ratios = np.array([0.3, 0.5, 0.4, 0.6, 0.35, 0.45, 0.55, 0.65])
    lines = np.eye(3)
    axis, towards = np.array([1.0, 2.0, -0.5]), np.array([0.2, -0.3, 1.0])
    G, h = cone_inequalities(lines, np.zeros(3), ratios, axis=axis, towards=towards)
    along = axis / np.linalg.norm(axis)
    first = towards - along * (towards @ along)
    first /= np.linalg.norm(first)
    second = np.cross(along, first)
    for k, ratio in enumerate(ratios):
        turn = 2 * np.pi * k / 8
        force = along + ratio * (np.cos(turn) * first + np.sin(turn) * second)
        slack = h - G @ force
        assert slack[k] == pytest.approx(0.0, abs=1e-12)


def test_processors_with_narrower_vectors_say_the_same(tmp_path):
    import llvmlite.binding as llvm

    if not llvm.get_process_triple().startswith("x86_64"):
        pytest.skip("another family of processors")
    code = """
import numpy as np
from tests.unit.test_sharing_within import pressed
from momentshare.sharing import share
arms, capacity, moments, cone = pressed(40, 0.5, 9)
answer = share(arms, capacity, moments, inequalities=cone)
print(*answer.status, *answer.activation.ravel())
"""
    env = {
        **os.environ, "NUMBA_CPU_NAME": "x86-64-v3", "NUMBA_CPU_FEATURES": "",
        "NUMBA_CACHE_DIR": str(tmp_path),
    }  # fmt: skip
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, env=env
    )
    arms, capacity, moments, cone = pressed(40, 0.5, 9)
    answer = share(arms, capacity, moments, inequalities=cone)
    found = np.array(done.stdout.split(), dtype=float)
    np.testing.assert_array_equal(found[:40], answer.status)
    np.testing.assert_allclose(found[40:], answer.activation.ravel(), atol=1e-9)


def test_what_was_compiled_is_found_again_by_the_next_process(tmp_path):
    code = """
from momentshare.sharing._backends.kernels.bounded_lanes import within_kernel
stats = within_kernel(1, 2).stats
print(sum(stats.cache_hits.values()), sum(stats.cache_misses.values()))
"""
    env = {**os.environ, "NUMBA_CACHE_DIR": str(tmp_path)}
    told = [
        subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, check=True, env=env
        ).stdout.split()
        for _ in range(2)
    ]
    assert told == [["0", "1"], ["1", "0"]]

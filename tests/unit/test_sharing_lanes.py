"""Eight frames side by side give the answers of the kernel for single frames."""

import importlib.util
import os
import subprocess
import sys

import numpy as np
import pytest
from tests import naive

from momentshare.errors import ShapeError
from momentshare.sharing import Solver, Status, share
from momentshare.sharing._backends import compiled
from momentshare.sharing._backends.kernels import plain_lanes
from momentshare.sharing._problem import build_problem

pytestmark = pytest.mark.skipif(
    importlib.util.find_spec("numba") is None, reason="numba is not installed"
)


def outputs(problem, raw):
    """Arguments of the kernel after the frames to solve."""
    return (
        raw.activation, raw.active, raw.force, raw.force is not raw.active, raw.multipliers,
        raw.unmet, raw.status, raw.numbers,
        plain_lanes.aligned(plain_lanes.room(problem.rows, problem.heads)),
        np.empty(plain_lanes.places_room(), dtype=np.int64), compiled.limits_of_method(),
    )  # fmt: skip


def both(arms, capacity, moments, **given):
    """Answers side by side before any other kernel helps, and one frame at a time."""
    problem = build_problem(arms, capacity, moments, **given)
    side, single = compiled.empty_raw(problem), compiled.empty_raw(problem)
    kernel = plain_lanes.lane_kernel(problem.rows, int(problem.exponent))
    kernel(
        problem.arms, problem.capacity, problem.moments, problem.passive, problem.weights,
        0, problem.frames, *outputs(problem, side),
    )  # fmt: skip
    compiled._run_single(problem, single, 1, chain=False)
    return side, single


def hostile(frames, heads, rows, level, seed):
    """Duplicates, heads without arm or capacity, bound heads, moments out of reach and none."""
    arms, capacity, moments = naive.limb_like(
        frames, heads=heads, rows=rows, level=level, seed=seed
    )
    arms[:, :, 1] = arms[:, :, 0]
    capacity[:, 1] = capacity[:, 0]
    arms[::3, :, 2] = 0.0
    capacity[1::3, 3] = 0.0
    moments[2::7] *= 30.0
    moments[3::11] = 0.0
    moments[5::13] *= 1e-9
    return arms, capacity, moments


@pytest.mark.parametrize(
    ("rows", "heads"),
    [(1, 8), (2, 8), (2, 9), (3, 12), (4, 17), (4, 26), (4, 28), (5, 28), (6, 28)],
)
@pytest.mark.parametrize("level", [0.3, 1.0])
@pytest.mark.parametrize("exponent", [2, 3])
def test_the_same_to_a_billionth_wherever_it_is_certified(rows, heads, level, exponent):
    arms, capacity, moments = hostile(203, heads, rows, level, rows)
    rng = np.random.default_rng(0)
    passive, weights = rng.uniform(0.0, 30.0, heads), rng.uniform(0.2, 5.0, heads)
    side, single = both(
        arms, capacity, moments, passive_force=passive, weights=weights, exponent=exponent
    )
    known = side.status == Status.SOLVED
    # It certifies nothing that the other does not; how much it covers is a matter of speed.
    assert (single.status[known] == Status.SOLVED).all()
    assert known.sum() > 100
    # Where nearly nothing drives a head its activation has a slope without bound for p = 3.
    power = exponent - 1
    np.testing.assert_allclose(
        side.activation[known] ** power, single.activation[known] ** power, atol=1e-9
    )
    np.testing.assert_array_equal(side.active, capacity * side.activation)
    np.testing.assert_array_equal(side.force[known], (side.active + passive)[known])
    np.testing.assert_allclose(side.unmet[known], single.unmet[known], atol=1e-9)
    size = np.abs(single.multipliers[known]).max(axis=1, keepdims=True)
    np.testing.assert_allclose(
        side.multipliers[known] / np.maximum(size, 1e-300),
        single.multipliers[known] / np.maximum(size, 1e-300),
        atol=1e-7,
    )
    assert side.numbers[known][:, 1:].max() <= 1e-9


@pytest.mark.parametrize(("exponent", "part"), [(2, 0.999), (3, 0.98)])
def test_it_leaves_few_frames_of_an_arm_to_the_other_kernel(exponent, part):
    side, single = both(*naive.limb_like(2000, level=0.5, seed=2), exponent=exponent)
    assert (single.status == Status.SOLVED).all()
    assert (side.status == Status.SOLVED).mean() > part


@pytest.mark.parametrize("exponent", [2, 3])
def test_the_certificate_is_the_one_of_numpy(exponent):
    from momentshare.sharing._certificate import certify

    arms, capacity, moments = hostile(100, 28, 4, 0.8, 3)
    passive = np.linspace(0.0, 20.0, 28)
    problem = build_problem(arms, capacity, moments, passive_force=passive, exponent=exponent)
    side, _ = both(arms, capacity, moments, passive_force=passive, exponent=exponent)
    known = np.flatnonzero(side.status == Status.SOLVED)
    again = certify(
        problem.take(known), side.activation[known], side.multipliers[known],
        np.zeros((known.size, 0)), np.zeros(known.size, dtype=bool),
    )  # fmt: skip
    assert (again.status == Status.SOLVED).all()
    np.testing.assert_allclose(side.numbers[known], again.numbers, atol=1e-11)
    np.testing.assert_allclose(side.unmet[known], again.unmet, atol=1e-11)


@pytest.mark.parametrize("exponent", [2, 3])
def test_the_whole_call_leaves_no_frame_behind(exponent):
    arms, capacity, moments = hostile(500, 28, 4, 1.0, 4)
    answer = share(arms, capacity, moments, exponent=exponent, chain=False)
    slow = share(arms, capacity, moments, method="numpy", exponent=exponent)
    np.testing.assert_array_equal(answer.status, slow.status)
    assert (answer.status != Status.UNCERTIFIED).all()
    power = exponent - 1
    np.testing.assert_allclose(answer.activation**power, slow.activation**power, atol=1e-9)
    out = Solver(heads=28, exponent=exponent).solve(arms, capacity, moments)
    np.testing.assert_array_equal(out.activation, answer.activation)
    np.testing.assert_array_equal(out.status, answer.status)


@pytest.mark.parametrize("frames", [0, 1, 7, 8, 9, 17])
@pytest.mark.parametrize("exponent", [2, 3])
def test_a_frame_has_the_same_digits_in_any_company(frames, exponent):
    arms, capacity, moments = naive.limb_like(40, level=0.7, seed=5)
    whole = share(arms, capacity, moments, exponent=exponent, chain=False)
    part = slice(3, 3 + frames)
    some = share(arms[part], capacity[part], moments[part], exponent=exponent, chain=False)
    np.testing.assert_array_equal(some.activation, whole.activation[part])
    np.testing.assert_array_equal(some.multipliers, whole.multipliers[part])


def test_one_set_of_arms_or_moments_serves_every_frame():
    arms, capacity, moments = naive.limb_like(20, level=0.7, seed=6)
    fixed = share(arms[0], capacity[0], moments)
    spread = share(np.repeat(arms[:1], 20, 0), np.repeat(capacity[:1], 20, 0), moments)
    np.testing.assert_array_equal(fixed.force, spread.force)
    one = share(arms, capacity, moments[0])
    np.testing.assert_array_equal(
        one.force, share(arms, capacity, np.repeat(moments[:1], 20, 0)).force
    )


@pytest.mark.parametrize("exponent", [2, 3])
@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf, -1.0])
@pytest.mark.parametrize(
    "which", ["moment_arms", "active_capacity", "joint_moments", "passive_force", "weights"]
)
def test_numbers_that_cannot_be_used_are_found_without_reading_them_first(which, bad, exponent):
    names = ("moment_arms", "active_capacity", "joint_moments")
    given = dict(zip(names, naive.limb_like(40, level=0.5, seed=7), strict=True))
    given["passive_force"], given["weights"] = np.zeros((40, 28)), np.ones((40, 28))
    clean = share(**given, exponent=exponent)
    given[which] = given[which].copy()
    given[which][5, ..., 2] = bad
    if bad == -1.0 and which not in {"active_capacity", "weights"}:
        assert share(**given, exponent=exponent).status[5] <= Status.SHORTFALL
        return
    with pytest.raises(ShapeError, match=rf"{which}: .*frame \(5,\)"):
        share(**given, exponent=exponent)
    marked = share(**given, exponent=exponent, on_invalid="mark")
    assert marked.status[5] == Status.INVALID
    assert np.isnan(marked.force[5]).all()
    others = np.arange(40) != 5
    np.testing.assert_array_equal(marked.force[others], clean.force[others])


def test_bad_numbers_spoil_their_own_lane_only():
    arms, capacity, moments = naive.limb_like(16, level=0.5, seed=7)
    clean, _ = both(arms, capacity, moments)
    problem = build_problem(arms, capacity, moments)
    spoiled = problem.arms.copy(), problem.capacity.copy(), problem.moments.copy()
    spoiled[0][2, 0, 4] = np.nan
    spoiled[1][5, 3] = -100.0
    spoiled[2][9, 1] = np.inf
    raw = compiled.empty_raw(problem)
    plain_lanes.lane_kernel(4, 2)(
        *spoiled, problem.passive, problem.weights, 0, 16, *outputs(problem, raw)
    )
    bad = [2, 5, 9]
    assert (raw.status[bad] == Status.UNCERTIFIED).all()
    good = np.setdiff1d(np.arange(16), bad)
    np.testing.assert_array_equal(raw.activation[good], clean.activation[good])


def test_where_it_does_not_compile_the_other_kernel_answers(monkeypatch):
    arms, capacity, moments = naive.limb_like(20, seed=8)
    wanted = share(arms, capacity, moments)

    def fails(_rows, _exponent):
        raise NotImplementedError("no vectors here")

    monkeypatch.setattr(plain_lanes, "_compile", fails)
    plain_lanes.lane_kernel.cache_clear()
    try:
        with pytest.warns(RuntimeWarning, match="no vectors here"):
            answer = share(arms, capacity, moments)
    finally:
        plain_lanes.lane_kernel.cache_clear()
    np.testing.assert_allclose(answer.activation, wanted.activation, atol=1e-9)


@pytest.mark.parametrize("processor", ["generic", "x86-64-v3"])
def test_processors_with_narrower_vectors_say_the_same(processor, tmp_path):
    import llvmlite.binding as llvm

    if processor != "generic" and not llvm.get_process_triple().startswith("x86_64"):
        pytest.skip("another family of processors")
    code = """
import numpy as np
from tests import naive
from momentshare.sharing import share
answer = share(*naive.limb_like(50, level=0.7, seed=9))
print(*answer.status, *answer.activation.ravel())
"""
    env = {
        **os.environ, "NUMBA_CPU_NAME": processor, "NUMBA_CPU_FEATURES": "",
        "NUMBA_CACHE_DIR": str(tmp_path),
    }  # fmt: skip
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, env=env
    )
    answer = share(*naive.limb_like(50, level=0.7, seed=9))
    found = np.array(done.stdout.split(), dtype=float)
    np.testing.assert_array_equal(found[:50], answer.status)
    np.testing.assert_allclose(found[50:], answer.activation.ravel(), atol=1e-9)


def test_digits_do_not_depend_on_how_many_lanes_are_written_at_once(tmp_path):
    code = """
import sys
from tests import naive
from momentshare.sharing import share
from momentshare.sharing._backends.kernels import lane_code
lane_code.lanes_at_once = lambda: int(sys.argv[1])
arms, capacity, moments = naive.limb_like(60, level=0.7, seed=9)
moments[::3] *= 20.0
answer = share(arms, capacity, moments)
print(*answer.status, *(value.hex() for value in answer.activation.ravel()))
"""
    told = []
    for width in ("4", "8"):
        env = {**os.environ, "NUMBA_CACHE_DIR": str(tmp_path / width)}
        done = subprocess.run(
            [sys.executable, "-c", code, width],
            capture_output=True, text=True, check=True, env=env,
        )  # fmt: skip
        told.append(done.stdout)
    assert told[0] == told[1]
    assert set(told[0].split()[:60]) == {"0", "1"}


def test_what_was_compiled_is_found_again_by_the_next_process(tmp_path):
    code = """
from momentshare.sharing._backends.kernels.plain_lanes import lane_kernel
stats = lane_kernel(2, 2).stats
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

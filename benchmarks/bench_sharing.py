"""Time and accuracy of the sharing solver beside general solvers, one table a run.

    python benchmarks/bench_sharing.py [--source limb|random] [--only PART] [--frames N]

Every solver gets the same frames: p = 2, rows at unit norm, tolerances tightened. Its
error is the greatest difference in activation from a reference solved in extended
precision, whose optimality conditions hold to 1e-12 and are checked here.
"""

from __future__ import annotations

import argparse
import importlib.metadata
import os
import platform
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from scipy import sparse
from scipy.optimize import minimize

from momentshare.sharing import (
    Solver,
    Status,
    _share,
    contact_cone,
    greatest_factor,
    share,
)
from momentshare.sharing._backends import compiled
from momentshare.sharing._problem import build_problem


def random_problems(frames, seed=0):
    """28 heads and 4 rows: arms to 60 mm, 50 to 1500 N, two-joint heads across the elbow."""
    rng = np.random.default_rng(seed)
    acts = np.ones((4, 28), dtype=bool)
    acts[:3, 20:] = False
    acts[3, :15] = False
    arms = rng.uniform(-0.06, 0.06, (frames, 4, 28)) * acts
    capacity = rng.uniform(50.0, 1500.0, (frames, 28))
    activation = rng.uniform(0.0, 1.0, (frames, 28)) * (rng.random((frames, 28)) < 0.6)
    moments = 0.3 * np.einsum("fji,fi->fj", arms, capacity * activation)
    return arms, capacity, moments, False


def limb_problems(frames):
    """Bench presses of the reference limb, frames in the order of the lifts."""
    from momentshare.analysis import BALANCED, prepare
    from momentshare.exercise.press import BenchPress
    from momentshare.exercise.profile import Profile
    from momentshare.limb import build_limb
    from momentshare.model.load import load_model
    from momentshare.person import Person

    model = load_model()
    person = Person(name="benchmark", sex="male", stature=1.80, body_mass=82.0)
    limb = build_limb(person, model)
    rows = range(len(BALANCED))
    lifts = [(load, width) for width in (0.5, 0.65, 0.8) for load in (20.0, 40.0, 60.0)]
    each = max(2, -(-frames // len(lifts)))
    parts = []
    for load, width in lifts:
        lift = BenchPress(
            load_mass=load,
            spacing=Profile.constant(width),
            tuck=Profile.constant(np.radians(60.0)),
            tilt=Profile.constant(0.0),
            frames=each,
        ).lift(limb.skeleton)
        ready = prepare(limb, lift)
        good = lift.reachable
        arms = ready.paths.moment_arms[good][:, rows]
        passive = ready.state.passive_force[good]
        need = ready.demand.moments(0.0)[good][:, rows]
        moments = need - np.einsum("fji,fi->fj", arms, passive)
        parts.append((arms, ready.state.active_capacity[good], moments))
    arms, capacity, moments = (np.concatenate(part)[:frames] for part in zip(*parts, strict=True))
    return arms, capacity, moments, True


def normalised(arms, capacity, moments):
    """Loads and moments with unit rows, as every general solver gets them."""
    loads = arms * capacity[:, None, :]
    size = np.linalg.norm(loads, axis=2)
    return loads / size[:, :, None], moments / size


def reference(A, b, guess):
    """Solve each frame on the active set of ``guess`` in extended precision, and check it."""
    A, b = A.astype(np.longdouble), b.astype(np.longdouble)
    inside = (guess > 0.0) & (guess < 1.0)
    full = (guess >= 1.0).astype(np.longdouble)
    left = b - np.einsum("fji,fi->fj", A, full)
    F = np.where(inside[:, None, :], A, 0)
    system = 0.5 * np.einsum("fji,fki->fjk", F, F)
    price = eliminate(system, left)
    drive = np.einsum("fji,fj->fi", A, price)
    a = np.where(inside, 0.5 * drive, full)
    fault = np.maximum.reduce(
        [
            np.abs(np.einsum("fji,fi->fj", A, a) - b).max(axis=1),
            np.where(inside, np.maximum(-a, a - 1.0), -1.0).max(axis=1),
            np.where(~inside & (full == 0.0), drive, -1.0).max(axis=1),
            np.where(full == 1.0, 2.0 - drive, -1.0).max(axis=1),
        ]
    )
    return a.astype(np.float64), fault.astype(np.float64)


def eliminate(system, right):
    """Gaussian elimination in the precision given; symmetric positive systems."""
    system, right = system.copy(), right.copy()
    rows = right.shape[1]
    for j in range(rows):
        for k in range(j + 1, rows):
            ratio = system[:, k, j] / system[:, j, j]
            system[:, k] -= ratio[:, None] * system[:, j]
            right[:, k] -= ratio * right[:, j]
    found = np.zeros_like(right)
    for j in reversed(range(rows)):
        known = (system[:, j, j + 1 :] * found[:, j + 1 :]).sum(axis=1)
        found[:, j] = (right[:, j] - known) / system[:, j, j]
    return found


def by_cvxpy(A, b):
    import cvxpy as cp

    rows, heads = A.shape[1:]
    matrix, target = cp.Parameter((rows, heads)), cp.Parameter(rows)
    a = cp.Variable(heads)
    problem = cp.Problem(cp.Minimize(cp.sum_squares(a)), [matrix @ a == target, a >= 0, a <= 1])

    def solve(f):
        matrix.value, target.value = A[f], b[f]
        problem.solve(solver=cp.CLARABEL, tol_gap_abs=1e-12, tol_gap_rel=1e-12, tol_feas=1e-12)
        return a.value

    return solve


def by_clarabel(A, b):
    import clarabel

    rows, heads = A.shape[1:]
    settings = clarabel.DefaultSettings()
    settings.verbose = False
    settings.tol_gap_abs = settings.tol_gap_rel = settings.tol_feas = 1e-12
    cost = sparse.csc_matrix(2.0 * np.eye(heads))
    cones = [clarabel.ZeroConeT(rows), clarabel.NonnegativeConeT(2 * heads)]
    zero, eye = np.zeros(heads), np.eye(heads)

    def solve(f):
        matrix = sparse.csc_matrix(np.vstack([A[f], -eye, eye]))
        level = np.concatenate([b[f], zero, np.ones(heads)])
        return np.array(
            clarabel.DefaultSolver(cost, zero, matrix, level, cones, settings).solve().x
        )

    return solve


def by_osqp(A, b):
    import osqp

    rows, heads = A.shape[1:]
    pattern = sparse.csc_matrix(np.vstack([np.ones((rows, heads)), np.eye(heads)]))
    eye = np.eye(heads)
    solver = osqp.OSQP()
    solver.setup(
        sparse.csc_matrix(2.0 * eye), np.zeros(heads), pattern,
        np.zeros(rows + heads), np.ones(rows + heads), verbose=False,
        eps_abs=1e-9, eps_rel=1e-9, max_iter=20000, polishing=True,
    )  # fmt: skip

    def solve(f):
        # Column by column: the dense rows of A, then the one of the identity.
        values = np.vstack([A[f], np.ones(heads)]).T.ravel()
        solver.update(
            Ax=values, l=np.concatenate([b[f], np.zeros(heads)]),
            u=np.concatenate([b[f], np.ones(heads)]),
        )  # fmt: skip
        return np.array(solver.solve().x)

    return solve


def by_quadprog(A, b):
    import quadprog

    rows, heads = A.shape[1:]
    cost, zero, eye = 2.0 * np.eye(heads), np.zeros(heads), np.eye(heads)
    level = np.concatenate([np.zeros(heads), -np.ones(heads)])

    def solve(f):
        constraints = np.vstack([A[f], eye, -eye]).T
        return quadprog.solve_qp(cost, zero, constraints, np.concatenate([b[f], level]), rows)[0]

    return solve


def by_daqp(A, b):
    import daqp

    rows, heads = A.shape[1:]
    cost, zero = 2.0 * np.eye(heads), np.zeros(heads)
    sense = np.concatenate([np.zeros(heads), np.full(rows, 5)]).astype(np.int32)
    above, below = np.ones(heads), np.zeros(heads)

    def solve(f):
        return daqp.solve(
            cost, zero, np.ascontiguousarray(A[f]), np.concatenate([above, b[f]]),
            np.concatenate([below, b[f]]), sense, primal_tol=1e-12, dual_tol=1e-12,
        )[0]  # fmt: skip

    return solve


def by_slsqp(A, b):
    heads = A.shape[2]
    bounds = [(0.0, 1.0)] * heads

    def solve(f):
        return minimize(
            lambda a: a @ a, np.full(heads, 0.3), jac=lambda a: 2.0 * a, bounds=bounds,
            constraints={"type": "eq", "fun": lambda a: A[f] @ a - b[f], "jac": lambda _: A[f]},
            method="SLSQP", options={"ftol": 1e-14, "maxiter": 500},
        ).x  # fmt: skip

    return solve


LOOPS = {
    "cvxpy (parametrised)": (by_cvxpy, 200, "cvxpy"),
    "SciPy SLSQP": (by_slsqp, 200, "scipy"),
    "Clarabel": (by_clarabel, 1000, "clarabel"),
    "OSQP": (by_osqp, 1000, "osqp"),
    "quadprog": (by_quadprog, 2000, "quadprog"),
    "DAQP": (by_daqp, 2000, "daqp"),
}


def timed(run, rounds):
    best = np.inf
    for _ in range(rounds):
        begin = time.perf_counter()
        answer = run()
        best = min(best, time.perf_counter() - begin)
    return best, answer


def table(problem, frames, rounds):
    arms, capacity, moments, smooth = problem
    solved = share(arms, capacity, moments).status == Status.SOLVED
    arms, capacity, moments = arms[solved], capacity[solved], moments[solved]
    print(f"frames that can be met: {solved.sum()} of {solved.size}")
    count = arms.shape[0]
    shuffled = np.random.default_rng(1).permutation(count)
    A, b = normalised(arms, capacity, moments)
    guess = share(arms, capacity, moments, chain=False).activation
    exact, fault = reference(A, b, guess)
    sure = fault <= 1e-12
    print(f"reference: conditions hold to 1e-12 in {sure.sum()} of {count} frames")

    order = np.resize(np.arange(count), frames)
    mixed = np.resize(shuffled, frames)
    runs = {}

    def ours(name, index, **options):
        given = arms[index], capacity[index], moments[index]
        runs[name] = index, lambda: share(*given, **options).activation

    ours("ours, 1 core, cold", mixed, threads=1, chain=False)
    ours("ours, 2 cores, cold", mixed, threads=2, chain=False)
    if (os.cpu_count() or 1) >= 16:
        ours("ours, 16 cores, cold", mixed, threads=16, chain=False)
    if smooth:
        ours("ours, 1 core, chained", order, threads=1)
        ours("ours, 2 cores, chained", order, threads=2)
    given = arms[mixed], capacity[mixed], moments[mixed]
    for cores in (1, 2, 16):
        if cores <= (os.cpu_count() or 1):
            solver = Solver(heads=arms.shape[2])
            runs[f"arrays reused, {cores} core{'s' * (cores > 1)}, cold"] = (
                mixed,
                lambda solver=solver, cores=cores: (
                    solver.solve(*given, threads=cores, chain=False).activation
                ),
            )
    ours("ours, NumPy form", shuffled[:2000], method="numpy")
    few = shuffled[:500]
    runs["ours, one call a frame"] = (
        few,
        lambda: [share(arms[f], capacity[f], moments[f]).activation for f in few],
    )
    for name, (make, most, package) in LOOPS.items():
        try:
            solve = make(A, b)
        except ImportError:
            print(f"{name}: {package} is not installed")
            continue
        index = shuffled[:most]
        runs[name] = index, lambda solve=solve, index=index: [solve(f) for f in index]

    # Turn by turn, so that what else the machine does falls on all alike; the best counts.
    best = dict.fromkeys(runs, np.inf)
    error = {}
    for _ in range(rounds):
        for name, (index, run) in runs.items():
            begin = time.perf_counter()
            answers = run()
            best[name] = min(best[name], (time.perf_counter() - begin) / index.size)
            error[name] = np.abs(np.array(answers, dtype=float) - exact[index])[sure[index]].max()
    lines = [(name, best[name], error[name], runs[name][0].size) for name in runs]

    base = lines[0][1]
    print(f"\n{'solver':<26}{'µs/frame':>12}{'× ours cold':>13}{'max |Δa|':>12}{'frames':>9}")
    for name, seconds, error, size in lines:
        print(f"{name:<26}{1e6 * seconds:>12.2f}{seconds / base:>13.2f}{error:>12.1e}{size:>9}")
    loops = [best[name] for name in ("DAQP", "quadprog", "OSQP", "Clarabel") if name in best]
    for name in (name for name in best if name.endswith("cold") and loops):
        print(f"  {name}: {min(loops) / best[name]:.1f} × the fastest compiled solver's loop, "
              f"{base / best[name]:.1f} × one core")  # fmt: skip


def around_a_cone(frames, heads):
    """A cone of eight facets on which more than half of the frames come to lie."""
    rng = np.random.default_rng(3)
    lines = rng.normal(size=(frames, heads, 3))
    lines[..., 0] = 0.3 + np.abs(lines[..., 0])
    lines /= np.linalg.norm(lines, axis=-1, keepdims=True)
    base = rng.normal(scale=20.0, size=(frames, 3))
    ratios = 0.35 + 0.2 * np.cos(2 * np.pi * np.arange(8) / 8)
    return contact_cone(lines, base, ratios, axis=[1, 0, 0], towards=[0, 0, 1])


def costs(problem, rounds):
    """What each kind of frame costs, as a ratio to a named row of the same run."""
    arms, capacity, moments, _ = problem
    met = share(arms, capacity, moments).status == Status.SOLVED
    index = np.resize(np.random.default_rng(1).permutation(np.flatnonzero(met)), 2000)
    arms, capacity, moments = arms[index], capacity[index], moments[index]
    rows, heads = arms.shape[1:]
    cone = around_a_cone(index.size, heads)
    pair = cone.inequalities()
    column = np.random.default_rng(2).normal(size=(rows, 1))
    far = 30.0 * moments
    uneven = np.random.default_rng(0).uniform(0.2, 3.0, heads)

    def kernel(**given):
        """Call the kernel itself, one thread, every frame on its own."""
        exponent = given.get("exponent", 2.0)
        built = build_problem(arms, capacity, given.pop("moments", moments), **given)
        room = compiled.empty_raw(built)

        def run():
            if np.isinf(exponent):
                return _share.solve(built, "compiled", 1, chain=False)[0].status
            if (
                given.get("free_columns") is None
                and exponent == 2.0
                and "inequalities" not in given
            ):
                compiled._run_single(built, room, 1, chain=False)  # noqa: SLF001
            else:
                compiled.run_kernel(built, room, 1, chain=False)
            return room.status

        return run

    def side_by_side():
        return share(arms, capacity, moments, threads=1).status

    groups = {
        "p = 2, one frame at a time in the kernel": {
            "p = 2, one frame at a time in the kernel": kernel(),
            "p = 2, eight frames side by side, whole call": side_by_side,
            "p = 2, one free column": kernel(free_columns=column),
            "p = 2, moments × 30: one at a time": kernel(moments=far),
            "p = 2, moments × 30: whole call": lambda: share(arms, capacity, far, threads=1).status,
            "p = 1.5": kernel(exponent=1.5),
            "p = 3": kernel(exponent=3.0),
            "p = 3, moments × 30": kernel(exponent=3.0, moments=far),
            "p = 4": kernel(exponent=4.0),
            "p = 10": kernel(exponent=10.0),
            "min–max, whole solve": kernel(exponent=np.inf),
            "min–max, weights of 0.2 to 3": kernel(exponent=np.inf, weights=uneven),
            "the same, moments × 2": kernel(exponent=np.inf, weights=uneven, moments=2 * moments),
            "p = 2, NumPy form": lambda: share(arms, capacity, moments, method="numpy").status,
        },
        "p = 2, whole call": {
            "p = 2, whole call": side_by_side,
            "cone of eight facets, whole call": lambda: (
                share(arms, capacity, moments, threads=1, inequalities=cone).status
            ),
            "the same as inequalities G F <= h": lambda: (
                share(arms, capacity, moments, threads=1, inequalities=pair).status
            ),
        },
        "p = 3, whole call": {
            "p = 3, whole call": lambda: (
                share(arms, capacity, moments, exponent=3.0, threads=1, chain=False).status
            ),
            "p = 3, cone of eight facets": lambda: (
                share(
                    arms, capacity, moments, exponent=3.0, threads=1, chain=False, inequalities=cone
                ).status
            ),
        },
    }
    for name, runs in groups.items():
        print(f"\nthread time as a ratio to: {name} (median of {rounds} rounds in turn)")
        taken = {key: [] for key in runs}
        said = {}
        for _ in range(rounds + 1):
            for key, run in runs.items():
                begin = time.thread_time()
                status = run()
                taken[key].append(time.thread_time() - begin)
                counts = np.bincount(status, minlength=3)
                said[key] = f"solved {counts[0]}, shortfall {counts[1]}, uncertified {counts[2]}"
        base = np.array(taken[name][1:])
        for key, seconds in taken.items():
            own = np.array(seconds[1:])
            micro = 1e6 * np.median(own) / index.size
            print(f"  {key:<46}{np.median(own / base):>8.2f}{micro:>10.2f} µs   {said[key]}")


def latency(problem, count=4000):
    """How long one frame takes when it comes alone: median, 99th percentile and worst.

    Ours at several p, then each general solver at p = 2, all on the same frames.
    """
    arms, capacity, moments, _ = problem
    met = np.flatnonzero(share(arms, capacity, moments).status == Status.SOLVED)
    order = np.resize(met, count)
    mixed = np.random.default_rng(0).permutation(order)
    solver = {p: Solver(heads=arms.shape[2], exponent=p) for p in (2.0, 3.0)}
    some = np.random.default_rng(5).random(count) < 0.2
    pushed = np.where(some[:, None], 30.0, 1.0) * moments[mixed]

    def step(p, index, wanted):
        return lambda k: solver[p].step(arms[index[k]], capacity[index[k]], wanted[k])

    runs = {
        "Solver.step, in order, p = 2": step(2.0, order, moments[order]),
        "Solver.step, shuffled, p = 2": step(2.0, mixed, moments[mixed]),
        "Solver.step, shuffled, a fifth beyond reach": step(2.0, mixed, pushed),
        "Solver.step, in order, p = 3": step(3.0, order, moments[order]),
        "share, one frame per call": lambda k: share(
            arms[mixed[k]], capacity[mixed[k]], moments[mixed[k]]
        ),
    }
    for p in (10.0, 20.0, 50.0, np.inf):
        solver[p] = Solver(heads=arms.shape[2], exponent=p)
        runs[f"Solver.step, shuffled, p = {p:.0f}"] = step(p, mixed, moments[mixed])
        runs[f"Solver.step, p = {p:.0f}, a fifth beyond reach"] = step(p, mixed, pushed)
    sizes = dict.fromkeys(runs, count)
    A, b = normalised(arms, capacity, moments)
    for name, (make, most, package) in LOOPS.items():
        try:
            solve = make(A, b)
        except ImportError:
            print(f"{name}: {package} is not installed")
            continue
        runs[name] = lambda k, solve=solve: solve(mixed[k])
        sizes[name] = min(count, most)
    head = f"{'one frame alone, µs of thread time':<46}{'p50':>8}{'p99':>8}"
    print(f"\n{head}{'worst':>9}{'worst/p50':>11}{'p50 / first':>13}")
    print("  as measured, then the best of five runs of each frame")
    first = None
    for name, run in runs.items():
        taken = np.empty((5, sizes[name]))
        for row in taken:
            for k in range(row.size):
                begin = time.thread_time_ns()
                run(k)
                row[k] = time.thread_time_ns() - begin
        for label, values in ((name, taken[1:]), ("", taken.min(axis=0))):
            middle, late, worst = np.percentile(values, [50, 99, 100]) / 1e3
            first = first or middle
            print(
                f"  {label:<44}{middle:>8.1f}{late:>8.1f}{worst:>9.1f}{worst / middle:>11.1f}"
                f"{middle / first:>13.2f}"
            )


def greatest(problem, rounds):
    """Greatest factors beside the sharing of the same frames, one core, turn by turn."""
    arms, capacity, moments, _ = problem
    cone = around_a_cone(*capacity.shape)
    fixed, column = 0.1 * moments, np.array([[0.2], [0.1], [0.3], [-0.25]])
    runs = {
        "share, compiled": lambda free: share(
            arms, capacity, moments, free_columns=free, method="compiled", threads=1
        ),
        "greatest, compiled": lambda free: greatest_factor(
            arms, capacity, fixed, moments, free_columns=free, method="compiled", threads=1
        ),
        "greatest in a cone": lambda free: greatest_factor(
            arms,
            capacity,
            fixed,
            moments,
            free_columns=free,
            method="compiled",
            threads=1,
            inequalities=cone,
        ),
        "greatest, NumPy": lambda free: greatest_factor(
            arms, capacity, fixed, moments, free_columns=free, method="numpy"
        ),
    }
    count = arms.shape[0]
    for title, free in (("no free column", None), ("one free column", column)):
        best = dict.fromkeys(runs, np.inf)
        for _ in range(rounds):
            for name, run in runs.items():
                begin = time.process_time()
                run(free)
                best[name] = min(best[name], (time.process_time() - begin) / count)
        base = best["share, compiled"]
        print(f"\ngreatest factor, {title}, {count} frames, processor time")
        for name, seconds in best.items():
            print(f"  {name:<20}{1e6 * seconds:>10.2f} µs/frame{seconds / base:>9.2f} × share")


def stream(problem, total):
    arms, capacity, moments, _ = problem
    met = share(arms, capacity, moments).status == Status.SOLVED
    arms, capacity, moments = arms[met], capacity[met], moments[met]
    size = 100_000
    index = np.resize(np.arange(arms.shape[0]), size)
    given = arms[index], capacity[index], moments[index]
    print(f"\nstreaming {total:.0e} frames that can be met, in chunks of {size}")
    for part in (total // 10, total):
        begin, done, uncertified = time.perf_counter(), 0, 0
        while done < part:
            answer = share(*given)
            uncertified += int((answer.status == Status.UNCERTIFIED).sum())
            done += size
        seconds = time.perf_counter() - begin
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
        print(
            f"  {done:>10} frames {seconds:8.2f} s {1e6 * seconds / done:7.2f} µs/frame, "
            f"peak memory {peak:.2f} GB, uncertified {uncertified}"
        )


def start_up():
    print("\nstart-up, each in a new interpreter")
    calls = {
        "p = 2, eight heads": "share([[0.05] * 8], [100.0] * 8, [1.0])",
        "p = 3, eight heads": "share([[0.05] * 8], [100.0] * 8, [1.0], exponent=3)",
    }
    for name, first in calls.items():
        call = (
            "import time; t = time.perf_counter(); from momentshare.sharing import share; "
            f"i = time.perf_counter() - t; {first}; "
            "print(f'import {i:.2f} s, first call {time.perf_counter() - t - i:.2f} s')"
        )
        with tempfile.TemporaryDirectory() as folder:
            env = {**os.environ, "NUMBA_CACHE_DIR": folder}
            for state in ("compiled", "from cache"):
                done = subprocess.run(
                    [sys.executable, "-c", call],
                    capture_output=True,
                    text=True,
                    check=True,
                    env=env,
                )
                print(f"  {name}, {state:<12}{done.stdout.strip()}")


def machine():
    model = platform.processor() or platform.machine()
    try:
        info = Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines()
        model = next(line.split(":")[1].strip() for line in info if "model name" in line)
    except (OSError, StopIteration):
        pass
    print(f"{model}, {os.cpu_count()} cores, Python {platform.python_version()}")
    packages = ("numpy", "scipy", "numba", "cvxpy", "clarabel", "osqp", "quadprog", "daqp")
    found = []
    for package in packages:
        try:
            found.append(f"{package} {importlib.metadata.version(package)}")
        except importlib.metadata.PackageNotFoundError:
            found.append(f"{package} –")
    print(", ".join(found))


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--source", choices=["limb", "random"], default="limb")
    parser.add_argument("--frames", type=int, default=20_000)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--stream", type=int, default=1_000_000)
    parser.add_argument(
        "--only", choices=["solvers", "costs", "factors", "latency", "stream", "start"]
    )
    chosen = parser.parse_args()
    machine()
    problem = limb_problems(4000) if chosen.source == "limb" else random_problems(4000)
    heads, rows = problem[0].shape[2], problem[0].shape[1]
    print(f"source {chosen.source}: {heads} heads, {rows} rows, p = 2")
    parts = {
        "solvers": lambda: table(problem, chosen.frames, chosen.rounds),
        "costs": lambda: costs(problem, chosen.rounds),
        "factors": lambda: greatest(problem, chosen.rounds),
        "latency": lambda: latency(problem),
        "stream": lambda: stream(problem, chosen.stream),
        "start": start_up,
    }
    for name, part in parts.items():
        if chosen.only in {None, name}:
            part()


if __name__ == "__main__":
    main()

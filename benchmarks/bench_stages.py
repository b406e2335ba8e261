"""Frames per second of every stage from posture to heads, one table a run.

    python benchmarks/bench_stages.py [--seconds S] [--draws N] [--keep-memory]

The plain chain is paths, capacity, demand and sharing with NumPy alone; every ratio is to it,
at the same number of frames and in the same run. One thread throughout, except where a row
says otherwise. Stages are timed in turn, round after round, and the best round counts, so
that a busy machine slows all rows alike. With ``--keep-memory`` the C library of Linux keeps the
memory of large arrays for the next ones, as in worker processes; by default it is given back after
every call of the chain and got again, page by page.
"""

from __future__ import annotations

import argparse
import importlib.metadata
import os
import platform
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from momentshare.analysis import Lateral, prepare, solve_lift
from momentshare.exercise.demand import demand
from momentshare.exercise.press import BenchPress
from momentshare.exercise.profile import Profile
from momentshare.limb import build_limb
from momentshare.model import load_model
from momentshare.model.numbers import Numbers
from momentshare.paths import paths
from momentshare.person import Person
from momentshare.posture import Posture
from momentshare.processes import KEPT_MEMORY
from momentshare.sharing import Status, share
from momentshare.skeleton import build_skeletons

SIZES = (1, 100, 10_000)
ROWS = 4


def press(frames):
    """A press that every frame can hold; a lift has two frames at least."""
    return BenchPress(
        load_mass=50.0,
        spacing=Profile.constant(0.6),
        tuck=Profile.constant(1.0),
        tilt=Profile.constant(0.1),
        frames=max(frames, 2),
    )


def first_frames(lift, frames):
    """Keep what the chain reads of the first frames; a lift has two at least."""
    posture = Posture(
        humerus=lift.posture.humerus[:frames],
        elbow_flexion=lift.posture.elbow_flexion[:frames],
        forearm_rotation=lift.posture.forearm_rotation[:frames],
    )
    names = ("fraction", "height", "shoulder", "hand", "elbow", "reachable", "gap")
    return replace(lift, posture=posture, **{name: getattr(lift, name)[:frames] for name in names})


def stages(limb, frames):
    """Name → call, each from the inputs that its stage has in the chain."""
    bench = press(frames)
    lift = first_frames(bench.lift(limb.skeleton), frames)
    found = paths(limb.skeleton, lift.posture)
    state = limb.capacity(found.length)
    need = demand(limb.skeleton, lift)

    def shared(found, state, need, method, threads=1):
        return share(
            found.moment_arms[:, :ROWS],
            state.active_capacity,
            need.moments()[:, :ROWS],
            passive_force=state.passive_force,
            method=method,
            threads=threads,
        )

    def chain(method, threads=1):
        found = paths(limb.skeleton, lift.posture, method=method, threads=threads)
        state = limb.capacity(found.length)
        return shared(found, state, demand(limb.skeleton, lift), method, threads)

    def whole_lift():
        prepared = prepare(limb, bench.lift(limb.skeleton))
        return solve_lift(prepared, Lateral(mode="zero"), greatest_load=False)

    for method in ("numpy", "compiled"):
        answer = chain(method)
        if not np.all(answer.status == Status.SOLVED):
            raise SystemExit("the benchmark press must be solvable in every frame")
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    return {
        "plain chain (NumPy)": lambda: chain("numpy"),
        "  paths, NumPy": lambda: paths(limb.skeleton, lift.posture, method="numpy"),
        "  capacity": lambda: limb.capacity(found.length),
        "  demand": lambda: demand(limb.skeleton, lift),
        "  sharing, NumPy": lambda: shared(found, state, need, "numpy"),
        "  paths, compiled": lambda: paths(
            limb.skeleton, lift.posture, method="compiled", threads=1
        ),
        "  sharing, compiled": lambda: shared(found, state, need, "compiled"),
        "whole chain, compiled": lambda: chain("compiled"),
        f"whole chain, {cores} threads": lambda: chain("compiled", None),
        "lift (closing the chain)": lambda: bench.lift(limb.skeleton),
        f"lift to result, {cores} threads": whole_lift,
    }


def best_times(calls, seconds):
    """Best time of each call; all are run in turn until the time is up."""
    best = dict.fromkeys(calls, float("inf"))
    end = time.perf_counter() + seconds
    rounds = 0
    while rounds < 3 or time.perf_counter() < end:
        for name, call in calls.items():
            start = time.perf_counter()
            call()
            best[name] = min(best[name], time.perf_counter() - start)
        rounds += 1
    return best


def draws_times(model, person, count, seconds):
    """Frames per second of the paths of many draws, against a loop over their skeletons."""
    rng = np.random.default_rng(0)
    names = list(model.sites)
    numbers = Numbers(offsets={n: 0.003 * rng.normal(size=(count, 3)) for n in names})
    drawn = build_skeletons([person] * count, model, numbers=numbers)
    single = [drawn.take(k) for k in range(count)]
    posture = press(51).lift(single[0]).posture
    tiled = Posture(
        humerus=np.tile(posture.humerus, (count, 1, 1)),
        elbow_flexion=np.tile(posture.elbow_flexion, count),
        forearm_rotation=np.tile(posture.forearm_rotation, count),
    )
    limb = np.repeat(np.arange(count), 51)
    calls = {
        "loop over draws, NumPy": lambda: [paths(s, posture, method="numpy") for s in single],
        "loop over draws, compiled": lambda: [
            paths(s, posture, method="compiled", threads=1) for s in single
        ],
        "all draws at once, compiled": lambda: paths(
            drawn, tiled, limb=limb, method="compiled", threads=1
        ),
        "scaling the draws": lambda: build_skeletons([person] * count, model, numbers=numbers),
    }
    return best_times(calls, seconds)


COLD = """
import sys, time
begin = time.perf_counter()
import momentshare.limb, momentshare.sharing
from momentshare.model import load_model
from momentshare.paths import paths
from momentshare.person import Person
from momentshare.posture import posture_from_angles
from momentshare.skeleton import build_skeletons
imported = time.perf_counter()
import numba
with_numba = time.perf_counter()
ada = Person(name="Ada", sex="female", stature=1.66, body_mass=62.0)
skeleton = build_skeletons([ada], load_model()).take(0)
built = time.perf_counter()
found = paths(skeleton, posture_from_angles(elevation=[0.5]), method="compiled")
traced = time.perf_counter()
momentshare.sharing.share([[0.05, 0.04]], [1000.0, 500.0], [25.0], method="compiled")
shared = time.perf_counter()
print(imported - begin, with_numba - imported, traced - built, shared - traced)
"""


def cold_starts(code=COLD):
    """Seconds of a fresh process with an empty and with a filled compile cache.

    Raises
    ------
    SystemExit
        With what the process said, where it fails.
    """
    out = []
    with tempfile.TemporaryDirectory() as folder:
        environment = {**os.environ, "NUMBA_CACHE_DIR": folder}
        for _ in range(2):
            run = subprocess.run(
                [sys.executable, "-c", code],
                env=environment,
                capture_output=True,
                text=True,
                check=False,
            )
            if run.returncode:
                raise SystemExit(f"a fresh process ended with {run.returncode}:\n{run.stderr}")
            out.append([float(part) for part in run.stdout.split()])
    return out


def machine():
    """Processor, cores and versions in one line."""
    name = platform.processor() or platform.machine()
    info = Path("/proc/cpuinfo")
    if info.is_file():
        lines = info.read_text(encoding="utf-8").splitlines()
        name = next((s.split(":", 1)[1].strip() for s in lines if "model name" in s), name)
    versions = ", ".join(f"{p} {importlib.metadata.version(p)}" for p in ("numpy", "numba"))
    return f"{name}, {os.cpu_count()} cores; Python {platform.python_version()}, {versions}"


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=4.0, help="time for each column")
    parser.add_argument("--draws", type=int, default=200, help="draws of 51 frames each")
    parser.add_argument("--keep-memory", action="store_true", help="keep the memory of arrays")
    options = parser.parse_args()
    if options.keep_memory and any(os.environ.get(k) != v for k, v in KEPT_MEMORY.items()):
        # The C library reads these as a process starts.
        os.execve(sys.executable, [sys.executable, *sys.argv], {**os.environ, **KEPT_MEMORY})  # noqa: S606
    model = load_model()
    person = Person(name="benchmark", sex="male", stature=1.80, body_mass=82.0)
    limb = build_limb(person, model)

    print(machine())
    print(f"reference limb, {len(model.heads)} heads, {ROWS} balanced rows, p = 2\n")
    columns = {n: best_times(stages(limb, n), options.seconds) for n in SIZES}
    plain = next(iter(columns[1]))
    head = " | ".join(f"{n:,} frames/s | ratio" for n in SIZES)
    print(f"| {'stage':<26} | {head} |")
    print(f"| {'-' * 26} |" + " ---: | ---: |" * len(SIZES))
    for name in columns[1]:
        cells = []
        for n, times in columns.items():
            # One frame is cut from a lift of two, which is what closing the chain makes.
            made = max(n, 2) if "lift" in name else n
            cells.append(f"{made / times[name]:,.0f}")
            cells.append(f"{made / times[name] / (n / times[plain]):.2f}")
        print(f"| {name:<26} | " + " | ".join(cells) + " |")

    print(f"\n{options.draws} draws of 51 frames, paths alone:\n")
    times = draws_times(model, person, options.draws, options.seconds)
    base = next(iter(times))
    print("| way | frames/s | ratio to the NumPy loop |\n| --- | ---: | ---: |")
    for name, seconds in times.items():
        print(f"| {name} | {51 * options.draws / seconds:,.0f} | {times[base] / seconds:.2f} |")

    print("\nA fresh process, seconds:\n")
    print("| | import momentshare | import numba | first paths | first sharing |")
    print("| --- | ---: | ---: | ---: | ---: |")
    for name, row in zip(
        ("empty compile cache", "filled compile cache"), cold_starts(), strict=True
    ):
        print(f"| {name} | " + " | ".join(f"{part:.2f}" for part in row) + " |")


if __name__ == "__main__":
    main()

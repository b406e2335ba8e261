"""Processor time of whole tasks beside an earlier checkout.

    git worktree add --detach ../before COMMIT
    python benchmarks/beside.py ../before [--rounds 3] [--only study,chunk]

Every task runs in a process of its own for each checkout, in turn, round after round, and the least
time of a task counts: what other work on the machine adds is left out as far as it can be. Times
are processor time of the process and its children, one thread of the linear algebra. The ratio is
before / now, above 1 where this checkout is faster. Tasks that the earlier checkout does not know
are compared with another task of this one, which the table names. ``demo`` runs the command with
figures, twice in each checkout (the first compiles).
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).resolve().parents[1]

SETUP = """
import json, sys, time
from dataclasses import replace
rounds = int(sys.argv[1])

def least(call, times=1):
    call()  # compiles, imports
    best = float("inf")
    for _ in range(rounds):
        start = time.process_time()
        for _ in range(times):
            call()
        best = min(best, (time.process_time() - start) / times)
    return best

found = {}
"""

DEMO = """
from pathlib import Path
from momentshare.demo import demo_text
from momentshare.study import load_study, run_study
import tempfile
folder = Path(tempfile.mkdtemp())
(folder / "study.toml").write_text(demo_text())
study = load_study(folder / "study.toml")
"""

STUDY_BEFORE = DEMO + 'found["study"] = least(lambda: run_study(study))\n'

STUDY_NOW = (
    DEMO
    + """
from momentshare import plan_study
found["study"] = least(lambda: run_study(study, band=False))
found["study with band"] = least(lambda: run_study(study))
ready = plan_study(study)
found["study without loads"] = least(lambda: ready.solve(greatest_load=False))
"""
)

CHUNK_BEFORE = (
    DEMO
    + """
from momentshare.model import load_model
from momentshare.uncertainty.chunks import Task, chunk_bytes
from momentshare.uncertainty.plan import Plan
model = load_model(study.file.model)
plan = Plan(study=study, draws=16, frames=51, people=("Ines",))
task = Task(plan, model.digest, "draws", 0, "run")
found["chunk"] = least(lambda: chunk_bytes(task))
"""
)

CHUNK_NOW = (
    DEMO
    + """
from momentshare import UncertaintyPlan
from momentshare.model import load_model
from momentshare.uncertainty.chunks import Task, chunk_bytes
model = load_model(study.file.model)
plan = UncertaintyPlan(study=study, draws=16, frames=51, people=("Ines",))
setup = plan.setup()
task = Task(
    setup=setup, model=study.file.model, model_digest=model.digest, spreads=plan.spreads,
    criteria=plan.criteria, index=0, seed=plan.seed, draws=16,
)
found["chunk"] = least(lambda: chunk_bytes(task))
"""
)

LIFT = """
from momentshare.analysis import Lateral, prepare, solve_lift
from momentshare.exercise.press import BenchPress
from momentshare.exercise.profile import Profile
from momentshare.limb import build_limb
from momentshare.model import load_model
from momentshare.person import Person

limb = build_limb(Person(name="b", sex="male", stature=1.80, body_mass=82.0), load_model())

def chain(frames):
    press = BenchPress(
        load_mass=50.0, spacing=Profile.constant(0.6), tuck=Profile.constant(1.0),
        tilt=Profile.constant(0.1), frames=frames,
    )
    lift = press.lift(limb.skeleton)

    def solve():
        return solve_lift(prepare(limb, lift), Lateral(mode="zero"), greatest_load=False)

    return press, solve

press, solve = chain(5)
found["lift of 5 frames"] = least(
    lambda: solve_lift(prepare(limb, press.lift(limb.skeleton)), Lateral(mode="zero")), times=20
)
_, solve = chain(10_000)
found["chain of 10,000 frames"] = least(solve)
"""

BESIDE = "before"

TASKS = {
    "study": (STUDY_BEFORE, STUDY_NOW),
    "chunk": (CHUNK_BEFORE, CHUNK_NOW),
    "lift": (LIFT, LIFT),
}
"""Task → its script in the earlier checkout and in this one."""

AGAINST = {
    "study with band": "study",
    "study without loads": "study",
    "demo --lab": "demo",
}
"""Measure that only this checkout has → the one of this checkout that it is compared with."""


def environment(checkout: Path) -> dict[str, str]:
    """What a process of a checkout sees: its own sources, and one thread."""
    return {
        **os.environ,
        "PYTHONPATH": str(checkout / "src"),
        "OMP_NUM_THREADS": "1",
        "OPENBLAS_NUM_THREADS": "1",
    }


def run(checkout: Path, script: str, rounds: int) -> dict[str, float]:
    """Processor seconds of what a script measures."""
    text = f"{SETUP}\n{script}\nprint(json.dumps(found))"
    done = subprocess.run(
        [sys.executable, "-c", text, str(rounds)],
        env=environment(checkout), capture_output=True, text=True, cwd=checkout, check=False,
    )  # fmt: skip
    if done.returncode:
        raise SystemExit(f"{checkout}:\n{done.stderr}")
    times: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    return times


def command(checkout: Path, *options: str) -> float:
    """Processor seconds of ``momentshare demo``, children included."""
    with tempfile.TemporaryDirectory() as folder:
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run(
            [sys.executable, "-m", "momentshare", "demo", "--quiet", *options, f"{folder}/demo"],
            env=environment(checkout), check=True, cwd=checkout, stdout=subprocess.DEVNULL,
        )  # fmt: skip
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def measured(before: Path, names: list[str], rounds: int) -> dict[str, dict[str, float]]:
    """Least processor seconds of every measure, by checkout."""
    best: dict[str, dict[str, float]] = {BESIDE: {}, "now": {}}

    def note(side: str, times: dict[str, float]) -> None:
        for name, seconds in times.items():
            best[side][name] = min(seconds, best[side].get(name, float("inf")))

    for _ in range(rounds):
        for name in names:
            for side, checkout in ((BESIDE, before), ("now", HERE)):
                if name in TASKS:
                    note(side, run(checkout, TASKS[name][side == "now"], rounds))
                    continue
                options = name.split()[1:]
                if side == BESIDE and options:
                    continue
                if name not in best[side]:
                    command(checkout, *options)  # compiles
                note(side, {name: command(checkout, *options)})
    return best


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("before", type=Path, help="checkout of the earlier commit")
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--only", default="study,chunk,lift,demo", help="tasks, with commas")
    options = parser.parse_args()
    names = [name.strip() for name in options.only.split(",")]
    known = [*TASKS, "demo", "demo --lab"]
    if unknown := set(names) - set(known):
        parser.error(f"--only: must be of {', '.join(known)}; got {', '.join(unknown)}")
    best = measured(options.before.resolve(), names, options.rounds)
    print("| what | before [s] | now [s] | ratio |\n| --- | ---: | ---: | ---: |")
    for name, seconds in best["now"].items():
        earlier = best[BESIDE].get(name)
        if earlier is None:
            other = AGAINST.get(name)
            beside = best[BESIDE].get(other) or best["now"].get(other)
            text = f"{beside / seconds:.2f} ({other})" if beside else ""
        else:
            text = f"{earlier / seconds:.2f}"
        shown = "" if earlier is None else f"{earlier:.4g}"
        print(f"| {name} | {shown} | {seconds:.4g} | {text} |")
    if chain := best["now"].get("chain of 10,000 frames"):
        print(f"\nchain: {10_000 / chain:,.0f} frames a second of processor time")
    if {"study", "study without loads"} <= set(best["now"]):
        whole, bare = best["now"]["study"], best["now"]["study without loads"]
        print(f"greatest loads: {(whole - bare) / bare:.2f} of a study without them")


if __name__ == "__main__":
    main()

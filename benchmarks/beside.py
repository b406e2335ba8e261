"""Processor time of whole tasks beside an earlier checkout.

    git worktree add --detach ../before COMMIT
    python benchmarks/beside.py ../before [--rounds 3] [--only study,chunk] [--minutes 9]

``before`` is a checkout, or a tar file of one (``git archive COMMIT | gzip``). Every task runs in a
process of its own for each checkout, in pairs, round after round and now the one first, now the
other; what is compiled is compiled before. Times are processor time of the process and its
children, one thread of the linear algebra. The ratio is before / now, above 1 where this checkout
is faster: the median over the pairs, with the least and the greatest. Tasks that the earlier
checkout does not know are compared with another task of this one, which the table names. What
fails is told and leaves the rest alone; no pair begins after ``--minutes``. ``--cores`` leaves so
many cores to everything that is started.

``demo`` runs the command with figures. ``draws`` solves 1,000 draws of one person in ten conditions
of 51 frames; ``lab`` runs the laboratory demo; of both, and of ``demo``, wall time is told too.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import statistics
import subprocess
import sys
import tarfile
import tempfile
import time
from collections import defaultdict
from pathlib import Path

HERE = Path(__file__).resolve().parents[1]

SETUP = """
import json, sys, time
from dataclasses import replace
repeats = int(sys.argv[1])

def least(call, times=1):
    call()  # loads what is compiled
    best = float("inf")
    for _ in range(repeats):
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

DRAWS = """
import os, tempfile
from pathlib import Path
from momentshare import UncertaintyPlan, run_uncertainty
from momentshare.study import load_study
conditions = "".join(
    f'[[condition]]\\nname = "{k}"\\nexercise = "bar_press"\\n'
    f"spacing_biacromial = {1.0 + 0.08 * k:.2f}\\nload_kg = 40\\n"
    for k in range(10)
)
folder = Path(tempfile.mkdtemp())
(folder / "study.toml").write_text(
    'title = "Ten spacings"\\n[settings]\\nlateral = ["zero", "free"]\\n'
    '[[person]]\\nname = "Ada"\\nsex = "female"\\nstature_cm = 166\\nbody_mass_kg = 62\\n'
    + conditions
)
plan = UncertaintyPlan(
    study=load_study(folder / "study.toml"), draws=1000, frames=51, trajectories=0, sobol=0
)
run_uncertainty(plan, folder / "draws", workers=2)
"""
"""Ten conditions, shared with zero and with free lateral force: 1,020,000 answers."""

SCRIPTS = {
    "study": (STUDY_BEFORE, STUDY_NOW),
    "chunk": (CHUNK_BEFORE, CHUNK_NOW),
    "lift": (LIFT, LIFT),
}
"""Task → its script in the earlier checkout and in this one; they time themselves."""

COMMANDS = {
    "demo": ("-m", "momentshare", "demo", "--quiet"),
    "lab": ("-m", "momentshare", "demo", "--lab", "--quiet"),
    "draws": ("-c", DRAWS),
}
"""Task → what a Python is called with, and a folder; the process is timed as a whole."""

NEW = ("lab", "draws")
"""Commands that are not run in the earlier checkout."""

AGAINST = {"study with band": "study", "study without loads": "study"}
"""Measure that only this checkout has → the one of the earlier that it is compared with."""


class FailedTaskError(Exception):
    """A task that did not end well."""


def environment(checkout: Path, scratch: Path) -> dict[str, str]:
    """What a process of a checkout sees: its own sources, and one thread.

    A version stands beside them for a checkout that is not installed.
    """
    told = scratch / "told" / "momentshare-0.1.0.dist-info"
    told.mkdir(parents=True, exist_ok=True)
    (told / "METADATA").write_text("Metadata-Version: 2.1\nName: momentshare\nVersion: 0.1.0\n")
    others = os.environ.get("PYTHONPATH", "").split(os.pathsep)
    paths = [str(checkout / "src"), *(p for p in others if p), str(told.parent)]
    threads = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"), "1")
    return {**os.environ, **threads, "PYTHONPATH": os.pathsep.join(paths), "MPLBACKEND": "Agg"}


def finished(checkout: Path, scratch: Path, words: tuple[str, ...]) -> tuple[str, float, float]:
    """Output of a process, its processor time with that of its children, and wall time [s]."""
    before, began = os.times(), time.monotonic()
    done = subprocess.run(
        [sys.executable, *words], env=environment(checkout, scratch), capture_output=True,
        text=True, cwd=scratch, check=False,
    )  # fmt: skip
    after, wall = os.times(), time.monotonic() - began
    if done.returncode:
        raise FailedTaskError(done.stderr.strip() or f"code {done.returncode}")
    taken = after.children_user + after.children_system
    return done.stdout, taken - before.children_user - before.children_system, wall


def measured(name: str, checkout: Path, scratch: Path, repeats: int, now: bool) -> dict[str, float]:
    """Seconds of whatever a task measures."""
    if name in SCRIPTS:
        text = f"{SETUP}\n{SCRIPTS[name][now]}\nprint(json.dumps(found))"
        told = finished(checkout, scratch, ("-c", text, str(repeats)))[0]
        times: dict[str, float] = json.loads(told.splitlines()[-1])
        return times
    with tempfile.TemporaryDirectory(dir=scratch) as folder:
        _, processor, wall = finished(checkout, scratch, (*COMMANDS[name], f"{folder}/out"))
    return {name: processor, f"{name}, wall": wall}


class Pairs:
    """Seconds of every measure in every round, in both checkouts."""

    def __init__(self) -> None:
        self.now: dict[str, list[float]] = defaultdict(list)
        self.before: dict[str, list[float]] = defaultdict(list)
        self.failed: dict[str, str] = {}

    def rows(self) -> list[tuple[str, float | None, float, list[float], str]]:
        """Name, least seconds before and now, ratios of the pairs, what it is compared with."""
        out = []
        for name, seconds in self.now.items():
            other = name if name in self.before else AGAINST.get(name, "")
            earlier = self.before.get(other, [])
            ratios = [b / n for b, n in zip(earlier, seconds, strict=False)]
            beside = min(earlier) if earlier and other == name else None
            out.append((name, beside, min(seconds), ratios, other if other != name else ""))
        return out

    def text(self) -> str:
        """Table in Markdown, with what follows from it."""
        lines = [
            "| what | before [s] | now [s] | ratio | pairs |",
            "| --- | ---: | ---: | ---: | ---: |",
        ]
        for name, beside, now, ratios, other in self.rows():
            shown = "" if beside is None else f"{beside:.4g}"
            ratio = ""
            if ratios:
                ratio = f"{statistics.median(ratios):.2f} ({min(ratios):.2f} to {max(ratios):.2f})"
                ratio += f", to {other}" if other else ""
            lines.append(f"| {name} | {shown} | {now:.4g} | {ratio} | {len(ratios)} |")
        for side, found in (("before", self.before), ("now", self.now)):
            if chain := found.get("chain of 10,000 frames"):
                lines.append(f"\nchain, {side}: {10_000 / min(chain):,.0f} frames a second")
        if "study" in self.now:
            whole, bare = min(self.now["study"]), min(self.now["study without loads"])
            lines.append(f"\ngreatest loads: {(whole - bare) / bare:.2f} of a study without them")
        if draws := self.now.get("draws"):
            lines.append(
                f"\ndraws: {1_020_000 / min(draws):,.0f} answers a second of processor time"
            )
        lines += [f"\n{name}: {text}" for name, text in self.failed.items()]
        return "\n".join(lines)


def compared(
    before: Path, scratch: Path, names: list[str], *, rounds: int, repeats: int, minutes: float
) -> Pairs:
    """Measure every task in pairs until the rounds or the minutes are over."""
    pairs, end = Pairs(), time.monotonic() + 60.0 * minutes
    sides = {"before": (before, pairs.before), "now": (HERE, pairs.now)}

    def one(name: str, side: str, *, keep: bool) -> None:
        checkout, found = sides[side]
        began = time.monotonic()
        times = measured(name, checkout, scratch, repeats if keep else 1, side == "now")
        for what, seconds in times.items() if keep else ():
            found[what].append(seconds)
        label = ", ".join(f"{what} {seconds:.3g} s" for what, seconds in times.items())
        print(
            f"{name}, {side}{'' if keep else ', first'}: {label}; took "
            f"{time.monotonic() - began:.0f} s", file=sys.stderr, flush=True,
        )  # fmt: skip

    for turn in range(rounds + 1):  # the first compiles
        for name in names:
            both = ["now"] if name in NEW else ["before", "now"][:: 1 if turn % 2 else -1]
            if name in pairs.failed or time.monotonic() > end or (turn == 0 and name in NEW):
                continue
            try:
                for side in both:
                    one(name, side, keep=turn > 0)
            except FailedTaskError as err:
                pairs.failed[name] = str(err)
    return pairs


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("before", type=Path, help="checkout of the earlier commit, or a tar of it")
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--repeats", type=int, default=3, help="within a process")
    parser.add_argument("--only", default="study,chunk,lift,demo", help="tasks, with commas")
    parser.add_argument("--minutes", type=float, default=9.0)
    parser.add_argument("--cores", type=int, help="cores to use; by default all")
    parser.add_argument("--json", type=Path, help="file for all seconds")
    options = parser.parse_args()
    names = [name.strip() for name in options.only.split(",")]
    known = [*SCRIPTS, *COMMANDS]
    if unknown := set(names) - set(known):
        parser.error(f"--only: must be of {', '.join(known)}; got {', '.join(unknown)}")
    if options.cores and hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, sorted(os.sched_getaffinity(0))[: options.cores])
    with tempfile.TemporaryDirectory(prefix="momentshare-beside-") as place:
        scratch, before = Path(place), options.before.resolve()
        if before.is_file():
            with contextlib.closing(tarfile.open(before)) as file:
                file.extractall(scratch / "before", filter="data")
            before = scratch / "before"
        pairs = compared(
            before, scratch, names, rounds=options.rounds, repeats=options.repeats,
            minutes=options.minutes,
        )  # fmt: skip
    print(pairs.text())
    if options.json:
        options.json.write_text(json.dumps({"before": pairs.before, "now": pairs.now}, indent=1))


if __name__ == "__main__":
    main()

"""Runs that are ended at any moment, and what their folder holds after the next one.

A server process imports the library once and forks for every run, so that a run costs what it
computes and hundreds fit into minutes. A case is a command, how it is ended, and when: a part of
the time that an undisturbed run takes, or the number of a write to the disk. After it the same
command runs again, and nothing may tell the folder from one that was never disturbed.
"""

import errno
import json
import os
import random
import signal
import subprocess
import sys
import time
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from tests.process_tree import family, running, until

STUDY = """
title = "Two presses"
[settings]
frames = 5
lateral = ["measured", "free"]
[[person]]
name = "Edda"
sex = "female"
stature_cm = 168
body_mass_kg = 64
[[condition]]
name = "bar"
exercise = "bar_press"
spacing_biacromial = 1.5
tuck_deg = 65
load_kg = 25
lateral_ratio = 0.1
[[condition]]
name = "dumbbells"
exercise = "dumbbell_press"
spacing_cm = 50
tuck_deg = 60
load_kg = 20
"""

ANGLES = "time_s,elbow_flexion_deg,shoulder_flexion_deg\n" + "".join(
    f"{k / 20},{30 + 4 * k},{k}\n" for k in range(21)
)

COMMANDS = {
    "compare": ("study.toml", "--no-figures", "--quiet"),
    "uncertainty": (
        *("study.toml", "--draws", "64", "--frames", "5", "--trajectories", "0"),
        *("--no-figures", "--quiet"),
    ),
    "cohort": (
        *("cohort.toml", "--condition", "wide", "--condition", "narrow"),
        *("--no-figures", "--quiet"),
    ),
    "explore": ("study.toml", "--draws", "0", "--condition", "bar", "--quiet"),
    "strength": ("study.toml", "--frames", "5", "--no-figures"),
    "maximal-lift": ("study.toml", "--condition", "bar", "--no-figures"),
    "explain": ("study.toml", "--draws", "0", "--no-figures"),
    "limb": ("textbook_arm", "--angles", "angles.csv", "--mass", "5"),
    "calibrate": ("--rounds", "1"),
    "validate": (),
}
"""Command → what it is run with, besides ``--out``."""

OUTS = {"explore": "page.html"}
"""What a command writes, where that is one file."""

WAYS = ("kill", "term", "interrupt", "full disk", "lost disk", "two runs")
"""How a run is ended; of two runs in one folder one is refused."""

FAILING = {"full disk": errno.ENOSPC, "lost disk": errno.EIO}
"""What every write to the disk answers from some write on."""

SIGNALS = {"kill": signal.SIGKILL, "term": signal.SIGTERM, "interrupt": signal.SIGINT}

SERVER = r"""
import json, os, pathlib, signal, sys

import momentshare.cli.main as main
import momentshare.cohort.run, momentshare.cohort.solve, momentshare.cohort.summary
import momentshare.report.writing.cohort, momentshare.report.writing.study
import momentshare.report.writing.uncertainty, momentshare.report.text.terminal
import momentshare.uncertainty
import pandas, pyarrow.parquet, statsmodels.api, statsmodels.formula.api


def fail(left, number):
    def limited(real):
        def call(*given, **named):
            left[0] -= 1
            if left[0] < 0:
                raise OSError(number, os.strerror(number))
            return real(*given, **named)
        return call
    os.fsync = limited(os.fsync)
    os.replace = limited(os.replace)
    pathlib.Path.write_bytes = limited(pathlib.Path.write_bytes)


def begin(asked):
    pid = os.fork()
    if pid:
        return pid
    os.setsid()
    os.chdir(asked["cwd"])
    os.environ["TMPDIR"] = asked["tmp"]
    out = os.open(asked["said"], os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
    os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
    os.dup2(out, 1)
    os.dup2(out, 2)
    sys.stdout, sys.stderr = open(1, "w", closefd=False), open(2, "w", closefd=False)
    signal.signal(signal.SIGINT, signal.default_int_handler)
    if asked["writes"] is not None:
        fail([asked["writes"]], asked["failing"])
    sys.argv = ["momentshare", *asked["words"]]
    code = 70
    try:
        main.main()
        code = 0
    except SystemExit as err:
        code = err.code if isinstance(err.code, int) else (0 if err.code is None else 1)
    except KeyboardInterrupt:
        code = 130
    except BaseException:
        import traceback
        traceback.print_exc()
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)


# Compiled code is loaded once, and shared by the processes that are forked.
from momentshare.study import load_study, run_study
run_study(load_study("study.toml"))

for line in sys.stdin:
    asked = json.loads(line)
    if "wait" in asked:
        answer = os.waitstatus_to_exitcode(os.waitpid(asked["wait"], 0)[1])
    else:
        answer = begin(asked)
    print(answer, flush=True)
"""


@dataclass(frozen=True)
class Case:
    """One disturbed run: which command, how it is ended, and when (a part, 0 to 1)."""

    command: str
    way: str
    when: float


@dataclass
class Bench:
    """A folder with studies, a server, and what undisturbed runs leave."""

    place: Path
    server: subprocess.Popen
    whole: dict = field(default_factory=dict)
    seconds: dict = field(default_factory=dict)
    workers: int = 1
    number: int = 0

    def ask(self, **asked):
        self.server.stdin.write(json.dumps(asked) + "\n")
        self.server.stdin.flush()
        return int(self.server.stdout.readline())

    def begin(self, command, out, writes=None, failing=errno.ENOSPC):
        """Start a run; its process number. From some write on the disk may fail."""
        self.number += 1
        words = [command, *COMMANDS[command], "--out", str(out)]
        words += ["--workers", str(self.workers)] if command in {"uncertainty", "cohort"} else []
        return self.ask(
            words=words, cwd=str(self.place), tmp=str(self.place / "tmp"), writes=writes,
            failing=failing, said=str(self.place / f"said-{self.number}.txt"),
        )  # fmt: skip

    def said(self):
        return (self.place / f"said-{self.number}.txt").read_text("utf-8")

    def wait(self, pid):
        return self.ask(wait=pid)

    def undisturbed(self, command):
        """What a whole run of a command leaves; run once, and timed the second time."""
        if command not in self.whole:
            for name in ("first", "whole"):
                out = self.place / f"{name}-{command}" / OUTS.get(command, "out")
                began = time.monotonic()
                code = self.wait(self.begin(command, out))
                assert code == 0, self.said()
                self.seconds[command] = time.monotonic() - began
                found = everything(out.parent)
                assert self.whole.setdefault(command, found) == found
        return self.whole[command]


def everything(folder):
    """Names and bytes of all files of a folder, and the names of its folders."""
    return {
        str(p.relative_to(folder)): p.read_bytes() if p.is_file() else None
        for p in folder.rglob("*")
    }


def small_cohort(lab):
    """Text of a study of an invented laboratory that is quick, whatever folder it is put into."""
    text = lab.read_text("utf-8").split("[[published]]")[0]
    text = text.replace('file = "lab/', f'file = "{lab.parent}/lab/')
    text = text.replace("frames = 101 ", "frames = 11 ")
    return text + "\n[statistics]\nsensitivity = false\n"


@contextmanager
def bench(place, lab=None):
    """Give a bench; ``lab`` is the study file of an invented laboratory, for cohorts."""
    (place / "study.toml").write_text(STUDY, encoding="utf-8")
    (place / "angles.csv").write_text(ANGLES, encoding="utf-8")
    (place / "tmp").mkdir()
    if lab is not None:
        (place / "cohort.toml").write_text(small_cohort(lab), encoding="utf-8")
    server = subprocess.Popen(
        [sys.executable, "-c", SERVER],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "OMP_NUM_THREADS": "1", "NUMBA_NUM_THREADS": "1"},
        cwd=place,
    )
    with server:
        yield Bench(place, server)


def end(bench, case, out):
    """Run a case to its end; how many processes it had, and their exit codes."""
    if case.way in FAILING:
        writes, failing = int(40 * case.when**2), FAILING[case.way]
        if case.command in OUTS:  # which writes twice, once and in place
            writes = int(3 * case.when)
        code = bench.wait(bench.begin(case.command, out, writes, failing))
        assert code in {0, 1}, (code, bench.said())
        assert code == 0 or "run again" in bench.said(), bench.said()
        return
    pid = bench.begin(case.command, out)
    time.sleep(case.when * bench.seconds[case.command])
    if case.way == "two runs":
        other = bench.begin(case.command, out)
        second = bench.wait(other)
        text = bench.said()
        first = bench.wait(pid)
        assert first == 0 or second == 0, text
        assert {first, second} <= {0, 2}, text
        assert second == 0 or "is writing here" in text, text
        return
    workers = family(pid)
    try:
        os.killpg(pid, SIGNALS[case.way])
    except ProcessLookupError:  # not yet a group of its own
        os.kill(pid, SIGNALS[case.way])
    code = bench.wait(pid)
    assert "Traceback" not in bench.said(), bench.said()
    wanted = {"kill": {-9, 0}, "term": {143, -15, 0}, "interrupt": {130, 1, 0}}[case.way]
    assert code in wanted, (code, bench.said())
    assert until(lambda: not running(workers), 10.0), "a process was left"


def run(bench, case):
    """End a run in its way, run it again, and hold the folder against an undisturbed one."""
    whole = bench.undisturbed(case.command)
    parent = bench.place / f"case-{bench.number}"
    parent.mkdir()
    out = parent / OUTS.get(case.command, "out")
    end(bench, case, out)
    code = bench.wait(bench.begin(case.command, out))
    assert code == 0, bench.said()
    found = everything(parent)
    assert found.keys() == whole.keys(), "something is missing, or was left"
    assert [name for name in whole if found[name] != whole[name]] == []
    assert list((bench.place / "tmp").iterdir()) == [], "something temporary was left"


def seeded(number, commands=tuple(COMMANDS)):
    """Case of this number."""
    rng = random.Random(number)  # noqa: S311 - no secret
    return Case(rng.choice(commands), WAYS[number % len(WAYS)], rng.uniform(0.02, 1.0))

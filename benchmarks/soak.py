"""Cohort and uncertainty in a loop in one process: are memory and open files flat?

    python benchmarks/soak.py --minutes 60 --workers 2 --figures 5

Each round runs an invented laboratory (one person, two conditions) and 64 draws of a study of two
presses into new folders, checks that every round leaves the same bytes, and removes them. Every
``--figures``-th round draws the figures too. What is looked at after each round: resident memory
of this process, its open files and threads, processes left, files left in the folder for temporary
files. The first quarter of the rounds is the warm-up; over the others memory must not grow by more
than a tenth (straight line through the rounds), and files, threads and processes not at all.
Ends with code 1 where they do. Linux only, for /proc.
"""

import argparse
import gc
import hashlib
import os
import shutil
import sys
import tempfile
import threading
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
from tests import kills
from tests.process_tree import family

from momentshare.cli.main import app
from momentshare.demo.lab import write_lab

GROWTH = 0.1
"""Share of the memory by which it may grow over the rounds that count."""


def run(*words):
    """One command, in this process."""
    code = app([*words, "--quiet"], standalone_mode=False)
    assert not code, (words, code)


def look(temporary):
    """Resident memory [MB], open files, threads, child processes, temporary files."""
    gc.collect()
    status = Path("/proc/self/status").read_text(encoding="ascii")
    memory = next(int(x.split()[1]) for x in status.splitlines() if x.startswith("VmRSS"))
    open_files = len(os.listdir("/proc/self/fd")) - 1  # noqa: PTH208 - the listing opens one
    children = len(family(os.getpid()) - {os.getpid()})
    return (
        *(memory / 1024, open_files, threading.active_count(), children),
        sum(1 for _ in temporary.rglob("*")),
    )


def digest(folder):
    """Digest of all names and bytes of a folder."""
    found = hashlib.sha256()
    for name, data in sorted(kills.everything(folder).items()):
        found.update(name.encode() + b"\0" + (data or b""))
    return found.hexdigest()


def one_round(place, workers, figures):
    """Run both commands once; digest of what they left."""
    found = []
    for command in ("cohort", "uncertainty"):
        words = [w for w in kills.COMMANDS[command] if figures is False or w != "--no-figures"]
        words[0] = str(place / words[0])
        out = place / "out"
        run(command, *words, "--workers", str(workers), "--out", str(out))
        found.append(digest(out))
        shutil.rmtree(out)
    return tuple(found)


def slope(values):
    """Growth over all rounds, by a straight line through them."""
    rounds = np.arange(len(values))
    return float(np.polyfit(rounds, values, 1)[0] * (len(values) - 1))


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--workers", type=int, default=2, help="processes of each run")
    parser.add_argument("--figures", type=int, default=5, help="figures every so many rounds")
    options = parser.parse_args()
    seen, digests, began = [], {}, time.monotonic()
    with tempfile.TemporaryDirectory(prefix="momentshare-soak-") as name:
        place = Path(name)
        temporary = place / "tmp"
        temporary.mkdir()
        os.environ["TMPDIR"] = tempfile.tempdir = str(temporary)
        lab = write_lab(place, people=1, repetitions=1)
        (place / "study.toml").write_text(kills.STUDY, encoding="utf-8")
        (place / "cohort.toml").write_text(kills.small_cohort(lab), encoding="utf-8")
        print("round   s  MB resident  open files  threads  processes  temporary", flush=True)
        while time.monotonic() - began < 60.0 * options.minutes or len(seen) < 8:
            figures = len(seen) % options.figures == 0
            left = one_round(place, options.workers, figures)
            assert digests.setdefault(figures, left) == left, "a round left other bytes"
            seen.append(look(temporary))
            after = time.monotonic() - began
            print(
                f"{len(seen):5} {after:5.0f} {seen[-1][0]:10.1f} {seen[-1][1]:11}"
                f"{seen[-1][2]:9}{seen[-1][3]:11}{seen[-1][4]:11}",
                flush=True,
            )
    counted = np.array(seen[len(seen) // 4 :])
    memory = counted[:, 0]
    growth = slope(memory)
    print(
        f"{len(seen)} rounds in {(time.monotonic() - began) / 60:.1f} minutes, {len(counted)} count"
    )
    print(
        f"memory {memory.min():.1f} to {memory.max():.1f} MB, growth {growth:+.1f} MB over them; "
        f"open files {counted[:, 1].min():.0f} to {counted[:, 1].max():.0f}"
    )
    flat = growth <= GROWTH * memory[0] and (counted[:, 1:].max(0) == counted[:, 1:].min(0)).all()
    print("flat" if flat else "NOT FLAT")
    return 0 if flat else 1


if __name__ == "__main__":
    sys.exit(main())

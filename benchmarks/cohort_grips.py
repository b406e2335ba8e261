"""Time and memory of a whole cohort: people × four grips × three repetitions.

    python benchmarks/cohort_grips.py [--people 12] [--workers 2] [--figures]

The files are those of an invented laboratory with a body of its own (``tests/bench_study.py``,
needs ezc3d). ``momentshare cohort`` solves, sums up and writes them; the memory of the process
and all below it is looked at every half second. Memory is flat if the greatest of the second half
of the time is that of the first, and that of twice the people. Reads /proc (Linux).
"""

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.cohort_scale import held
from tests.bench_study import write_study
from tests.process_tree import family


def watched(words, cwd):
    """Run a command; seconds, processor seconds and the memory [MB] of every half second."""
    before, began = os.times(), time.monotonic()
    sizes = []
    with subprocess.Popen([sys.executable, *words], cwd=cwd) as process:
        while process.poll() is None:
            sizes.append(sum(held(n)[0] for n in {process.pid} | family(process.pid)))
            time.sleep(0.5)
    if process.returncode:
        sys.exit(f"ended with code {process.returncode}")
    after = os.times()
    cpu = after.children_user + after.children_system
    return time.monotonic() - began, cpu - before.children_user - before.children_system, sizes


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--people", type=int, default=12)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--figures", action="store_true", help="draw the figures too")
    options = parser.parse_args()
    print("| people | trials | wall [s] | processor [s] | first half [MB] | second half [MB] |")
    print("| ---: | ---: | ---: | ---: | ---: | ---: |")
    for people in (options.people // 2, options.people):
        with tempfile.TemporaryDirectory(prefix="momentshare-grips-") as name:
            folder = Path(name)
            trials = 4 * people
            study, _ = write_study(folder, people, repetitions=3)
            words = ["-m", "momentshare", "cohort", str(study), "--out", "out", "--quiet"]
            words += ["--workers", str(options.workers)]
            words += [] if options.figures else ["--no-figures"]
            wall, cpu, sizes = watched(words, folder)
            answers = folder / "out"
            solved = sum(
                not json.loads((p / "trial.json").read_text("utf-8")).get("fault")
                for p in (answers / "trials").iterdir()
            )
            if solved != trials:
                sys.exit(f"{solved} of {trials} trials were solved")
        half = len(sizes) // 2
        print(
            f"| {people} | {trials} | {wall:.0f} | {cpu:.0f} | {max(sizes[:half]):.0f} | "
            f"{max(sizes[half:]):.0f} |",
            flush=True,
        )


if __name__ == "__main__":
    main()

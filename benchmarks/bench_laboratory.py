"""Moments from skin markers against an invented laboratory's truth, over draws of people.

    python benchmarks/bench_laboratory.py [--cohorts 71 72 73] [--workers 2] [--repetitions 3]
        [--arch 5]

Each cohort is 8 people in 4 grips (`tests/bench_lab.py`): with the defaults, on a copy that is
mirrored, turned and begins later, with the slope of the sternum assumed rather than compared
between people, and with a static trial of each person. A line gives the root mean square error of
each moment over people, grips and repetitions, and the greatest error of a difference between two
grips [N·m]. With `--arch` lifters differ by that many degrees in how they lie in every lift, which
a comparison cannot tell from the slopes of their sternums. Ends with code 1 where a limit is
passed; what is assumed has none.
"""

import argparse
import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from tests.reference.test_bench_lab import ROWS, contrast_error, measured, rms

WAYS = {
    "defaults": {},
    "copy": {"copy": True},
    "assumed": {"compared": False},
    "static trial": {"static": True},
}
LIMITED = ("defaults", "copy", "static trial")
LIMITS = {row: 1.0 if row == "internal rotation" else 3.0 for row in ROWS}
CONTRAST = 2.5


def one(cohort, way, repetitions, arch):
    """Errors of one cohort: how many trials count, root mean square by row, contrasts."""
    errors, trials = measured(
        cohort=cohort, repetitions=repetitions, arch=np.radians(arch), **WAYS[way]
    )
    sound = sum(t.verdict != "fail" for t in trials)
    return sound, len(trials), rms(errors), contrast_error(errors)


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cohorts", type=int, nargs="+", default=[71, 72, 73])
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--arch", type=float, default=0.0)
    parser.add_argument("--repetitions", type=int, default=3)
    options = parser.parse_args()
    jobs = [(cohort, way) for way in WAYS for cohort in options.cohorts]
    print(f"{'cohort':6} {'way':12} {'trials':8} " + "  ".join(ROWS) + "  greatest contrast error")
    passed = []
    with ProcessPoolExecutor(options.workers) as pool:
        found = [pool.submit(one, *job, options.repetitions, options.arch) for job in jobs]
        for (cohort, way), future in zip(jobs, found, strict=True):
            sound, trials, size, contrast = future.result()
            cells = "  ".join(f"{v:{len(r)}.2f}" for r, v in zip(ROWS, size, strict=True))
            print(f"{cohort:6} {way:12} {sound:3}/{trials:<4} {cells}  {contrast.max():.2f}",
                  flush=True)  # fmt: skip
            if way not in LIMITED:
                continue
            over = [r for r, v in zip(ROWS, size, strict=True) if v > LIMITS[r]]
            over += ["contrasts"] if contrast.max() > CONTRAST else []
            over += ["trials that fail a check"] if sound < trials else []
            passed += [f"{cohort}, {way}: {', '.join(over)}"] if over else []
    rows = np.array([f.result()[2] for f in found]).reshape(len(WAYS), -1, len(ROWS))
    for way, sizes in zip(WAYS, rows, strict=True):
        print(f"all    {way:12} " + "  ".join(map("{:.2f}".format, np.sqrt((sizes**2).mean(0)))))
    if passed:
        sys.exit("over the limit: " + "; ".join(passed))


if __name__ == "__main__":
    main()

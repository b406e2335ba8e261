"""Ten thousand conditions at the edges of what a study file may say.

    python benchmarks/edges.py --conditions 10000 [--first N] [--people 8]
        [--least-exponent 10] [--most-exponent 30] [--still-from 30]

Every study has some people (120 to 230 cm, 35 to 200 kg) in every exercise, with a load from
nothing to 1,000 kg, an exponent from 1.01 to 100 or the min–max, and any other setting; half of
them keep the glenoid's limit. Counts what became of the frames and of one small change of a number
(`tests/edges.py`), by exponent. Studies are numbered: the same number is the same study. Ends with
code 1 where an answer is not finite or out of bounds, a frame without proof or a refusal has no
reason, or an answer does not follow its input. Interrupted (Ctrl-C), it shows what it has.
"""

import argparse
import math
import sys
import time
from collections import defaultdict
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from tests import edges

BANDS = (1.1, 2.0, 4.0, 10.0, 30.0, 100.0, math.inf)
SHOWN = 10


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--conditions", type=int, default=10_000)
    parser.add_argument("--first", type=int, default=0, help="number of the first study")
    parser.add_argument("--people", type=int, default=8, help="in each study")
    parser.add_argument("--least-exponent", type=float, default=1.0)
    parser.add_argument("--most-exponent", type=float, default=math.inf)
    parser.add_argument(
        "--still-from", type=float, default=math.inf, help="exponent from which nothing is moved"
    )
    options = parser.parse_args()
    found, began, number = defaultdict(edges.Found), time.monotonic(), options.first
    try:
        while sum(f.conditions for f in found.values()) < options.conditions:
            exponent = edges.seeded(number)["settings"]["exponent"]
            if options.least_exponent <= exponent <= options.most_exponent:
                band = next(b for b in BANDS if exponent <= b)
                still = options.still_from <= exponent < math.inf
                one = edges.look(number, people=options.people, moving=not still)
                found[band].add(one)
                seconds = time.monotonic() - began
                print(
                    f"study {number}, exponent {exponent:.4g}: {dict(one.statuses)}, "
                    f"{len(one.faults)} faults, {len(one.jumps)} jumps ({seconds:.0f} s)",
                    file=sys.stderr,
                    flush=True,
                )
            number += 1
    except KeyboardInterrupt:
        print("interrupted")
    return shown(found, f"studies {options.first} to {number - 1}", time.monotonic() - began)


def shown(found, studies, seconds):
    """Print the table and what is wrong; the exit code."""
    names = ("solved", "shortfall", "uncertified", "infeasible")
    print(
        f"{'exponent to':>11} {'conditions':>10} {'refused':>8}",
        *(f"{n:>11}" for n in names),
        f"{'compared':>9} {'jumps':>6} {'faults':>6}",
    )
    total = edges.Found()
    for band in sorted(found):
        part = found[band]
        total.add(part)
        print(
            f"{band:11g} {part.conditions:10} {part.refused:8}",
            *(f"{part.statuses[n]:11}" for n in names),
            f"{part.compared.total():9} {len(part.jumps):6} {len(part.faults):6}",
        )
    print(f"{total.conditions} conditions of {studies} in {seconds:.0f} s")
    print("what fails most where there is no proof:", dict(total.reasons))
    for study, where, what in total.faults[:SHOWN]:
        print(f"study {study}, {where}: {what}")
    for study, key, what, change, left in total.jumps[:SHOWN]:
        print(f"study {study}, {key}, {what}: {change:.2g}, at a tenth of the step {left:.2g}")
    return 1 if total.faults or total.jumps else 0


if __name__ == "__main__":
    sys.exit(main())

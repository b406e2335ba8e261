"""Ten thousand conditions at the edges of what a study file may say.

    python benchmarks/edges.py --conditions 10000 [--first N] [--most-exponent 10]

Every study has one person (120 to 230 cm, 35 to 200 kg) in every exercise, with a load from
nothing to 1,000 kg, an exponent from 1.01 to 100 or the min–max, and any other setting; half of
them keep the glenoid's limit. Counts what became of the frames and of one small change of a number
(`tests/edges.py`), by exponent. Studies are numbered: the same number is the same study. Ends with
code 1 where an answer is not finite or out of bounds, a frame without proof or a refusal has no
reason, or an answer does not follow its input.
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
    parser.add_argument("--most-exponent", type=float, default=math.inf)
    options = parser.parse_args()
    found, began, number = defaultdict(edges.Found), time.monotonic(), options.first
    while sum(f.conditions for f in found.values()) < options.conditions:
        exponent = edges.seeded(number)["settings"]["exponent"]
        if exponent <= options.most_exponent:
            band = next(b for b in BANDS if exponent <= b)
            found[band].add(edges.look(number))
        number += 1
    names = ("solved", "shortfall", "uncertified", "infeasible")
    print(
        f"{'exponent to':>11} {'conditions':>10} {'refused':>8}",
        *(f"{n:>11}" for n in names),
        f"{'compared':>9} {'jumps':>6} {'faults':>6}",
    )
    for band in sorted(found):
        part = found[band]
        print(
            f"{band:11g} {part.conditions:10} {part.refused:8}",
            *(f"{part.statuses[n]:11}" for n in names),
            f"{part.compared.total():9} {len(part.jumps):6} {len(part.faults):6}",
        )
    total = edges.Found()
    for part in found.values():
        total.add(part)
    print(
        f"{total.conditions} conditions of studies {options.first} to {number - 1} "
        f"in {time.monotonic() - began:.0f} s"
    )
    for study, where, what in total.faults[:SHOWN]:
        print(f"study {study}, {where}: {what}")
    for study, key, what, change, left in total.jumps[:SHOWN]:
        print(f"study {study}, {key}, {what}: {change:.2g}, at a tenth of the step {left:.2g}")
    return 1 if total.faults or total.jumps else 0


if __name__ == "__main__":
    sys.exit(main())

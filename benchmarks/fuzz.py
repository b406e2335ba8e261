"""Any number of damaged inputs of every kind; counts what becomes of them.

    python benchmarks/fuzz.py --cases 10000 --first 0 --kind C3D

Ends with code 1 when anything but "read" and "refused" happened, after telling the first such
cases. Cases are numbered: the same number is the same case.
"""

import argparse
import sys
import tempfile
import time
import warnings
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from tests import fuzz

SHOWN = 5


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cases", type=int, default=1000)
    parser.add_argument("--first", type=int, default=0, help="number of the first case")
    parser.add_argument("--kind", choices=list(fuzz.KINDS), help="only this kind of input")
    options = parser.parse_args()
    warnings.simplefilter("error")  # a warning that reaches the user is a fault of ours too
    counts, bad = Counter(), []
    began, number, done = time.monotonic(), options.first, 0
    with tempfile.TemporaryDirectory(prefix="momentshare-fuzz-") as folder:
        while done < options.cases:
            kind, which, damage = fuzz.seeded(number)
            if options.kind in {None, kind}:
                found, story = fuzz.outcome(kind, folder, which, damage)
                counts[kind, found] += 1
                done += 1
                if found not in {"read", "refused"}:
                    bad.append((number, kind, found, story))
            number += 1
    classes = sorted({found for _, found in counts})
    print(f"{'kind':26}", *(f"{c:>12}" for c in classes))
    for kind in fuzz.KINDS:
        if any(counts[kind, c] for c in classes):
            print(f"{kind:26}", *(f"{counts[kind, c]:12}" for c in classes))
    seconds = time.monotonic() - began
    print(f"{done} cases from {options.first} to {number - 1} in {seconds:.0f} s")
    for case, kind, found, story in bad[:SHOWN]:
        print(f"\ncase {case}, {kind}: {found}\n{story}")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())

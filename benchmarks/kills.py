"""Runs of commands ended at random moments, and what the next run leaves.

    python benchmarks/kills.py --cases 200 --first 0 --workers 2

The commands are all that write results. Ways to end a run: SIGKILL, SIGTERM, SIGINT, a disk that is
full, or gone, from some write on, and a second run in the same folder. Ends with code 1 when a
rerun left other bytes than an undisturbed run, or a process, lock or temporary file. Cases are
numbered: the same number is the same case.
"""

import argparse
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from tests import kills

from momentshare.demo.lab import write_lab

SHOWN = 5


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cases", type=int, default=200)
    parser.add_argument("--first", type=int, default=0, help="number of the first case")
    parser.add_argument("--workers", type=int, default=2, help="processes of each run")
    parser.add_argument(
        "--command", choices=list(kills.COMMANDS), action="append", help="only these commands"
    )
    parser.add_argument("--minutes", type=float, default=1e6, help="begin no case after them")
    options = parser.parse_args()
    chosen = tuple(options.command or kills.COMMANDS)
    counts, bad, began = Counter(), [], time.monotonic()
    with tempfile.TemporaryDirectory(prefix="momentshare-kills-") as name:
        place = Path(name)
        (place / "bench").mkdir()
        lab = write_lab(place, people=1, repetitions=1)
        with kills.bench(place / "bench", lab) as bench:
            bench.workers = options.workers
            for number in range(options.first, options.first + options.cases):
                if time.monotonic() - began > 60.0 * options.minutes:
                    break
                case = kills.seeded(number, chosen)
                try:
                    kills.run(bench, case)
                    counts[case.command, case.way, True] += 1
                except AssertionError as err:
                    counts[case.command, case.way, False] += 1
                    bad.append((number, case, err))
    print(f"{'ended by':12}", *(f"{c:>14}" for c in chosen))
    for way in kills.WAYS:
        cells = [
            f"{counts[c, way, True]} of {counts[c, way, True] + counts[c, way, False]}"
            for c in chosen
        ]
        print(f"{way:12}", *(f"{cell:>14}" for cell in cells))
    whole = sum(n for (_, _, good), n in counts.items() if good)
    ended = counts.total()
    seconds = time.monotonic() - began
    print(f"{whole} of {ended} made whole by the next run, in {seconds:.0f} s")
    for number, case, err in bad[:SHOWN]:
        print(f"\ncase {number}, {case}: {err}")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())

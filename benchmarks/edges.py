"""Ten thousand conditions at the edges of what a study file may say.

    python benchmarks/edges.py --conditions 10000 [--first N] [--people 8] [--workers 14]
        [--least-exponent 10] [--most-exponent 30] [--moving 2] [--minutes 8] [--json FILE]

Every study has some people (120 to 230 cm, 35 to 200 kg) in every exercise, with a load from
nothing to 1,000 kg, an exponent from 1.01 to 100 or the min–max, and any other setting; half of
them keep the glenoid's limit. Counts what became of the frames and of ever smaller changes of a
number (`tests/edges.py`), by exponent. Above an exponent of 30 only one person of a study is moved.
Studies are numbered: the same number is the same study. Ends with code 1 where an answer is not
finite or out of bounds, a frame without proof or a refusal has no reason, or an answer does not
follow its input. Interrupted (Ctrl-C) or out of minutes, it shows what it has.
"""

import argparse
import json
import math
import os
import sys
import time
from collections import defaultdict
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from tests import edges

BANDS = (1.1, 2.0, 4.0, 10.0, 30.0, 100.0, math.inf)
HEAVY = 30.0
"""Exponent from which a frame takes so long that a study is divided among processes."""
SHOWN = 10


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--conditions", type=int, default=10_000)
    parser.add_argument("--first", type=int, default=0, help="number of the first study")
    parser.add_argument("--people", type=int, default=8, help="in each study")
    parser.add_argument("--least-exponent", type=float, default=1.0)
    parser.add_argument("--most-exponent", type=float, default=math.inf)
    parser.add_argument("--moving", type=int, help="people of a study who are moved; default: all")
    parser.add_argument("--workers", type=int, default=1, help="processes")
    parser.add_argument("--minutes", type=float, default=math.inf, help="most time to take")
    parser.add_argument("--json", type=Path, help="file for a summary")
    options = parser.parse_args()
    began = time.monotonic()
    parts = portions(options)
    found, done = defaultdict(edges.Found), 0
    pool = ProcessPoolExecutor(options.workers)
    try:
        waiting = [pool.submit(one, *part, options.people) for part in parts]
        for future in as_completed(waiting, timeout=min(60.0 * options.minutes, 1e6)):
            number, exponent, part, seconds = future.result()
            found[next(b for b in BANDS if exponent <= b)].add(part)
            done += 1
            print(
                f"study {number}, exponent {exponent:.4g}: {dict(part.statuses)}, "
                f"{len(part.faults)} faults, {len(part.jumps)} jumps "
                f"({seconds:.0f} s; {done} of {len(parts)})",
                file=sys.stderr,
                flush=True,
            )
    except (KeyboardInterrupt, TimeoutError):
        print(f"stopped after {done} of {len(parts)} parts")
    workers = list(pool._processes.values())  # noqa: SLF001 - no other way to end a task
    pool.shutdown(wait=False, cancel_futures=True)
    for worker in workers:
        worker.terminate()
    last = max(number for number, *_ in parts)
    return shown(
        found, f"studies {options.first} to {last}", time.monotonic() - began, options.json
    )


def portions(options):
    """Number, people and moved people of every piece of work, whole studies first."""
    light, heavy, count, number = [], [], 0, options.first
    while count < options.conditions:
        settings = edges.seeded(number)["settings"]
        if options.least_exponent <= settings["exponent"] <= options.most_exponent:
            count += len(edges.EXERCISES) * options.people
            if settings["exponent"] < HEAVY:
                light.append((number, slice(None), options.moving))
            else:
                some = [(number, slice(k, k + 1), int(k == 0)) for k in range(options.people)]
                heavy = some + heavy if settings["glenoid_constraint"] else heavy + some
        number += 1
    return light + heavy


def one(number, some, moving, people):
    """Look at one piece of work."""
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    began = time.monotonic()
    exponent = edges.seeded(number)["settings"]["exponent"]
    found = edges.look(number, people=people, some=some, moving=moving)
    return number, exponent, found, time.monotonic() - began


def shown(found, studies, seconds, summary):
    """Print the table and what is wrong; the exit code."""
    names = ("solved", "shortfall", "uncertified", "infeasible")
    print(
        f"{'exponent to':>11} {'conditions':>10} {'refused':>8}",
        *(f"{n:>11}" for n in names),
        f"{'compared':>9} {'jumps':>6} {'faults':>6}",
    )
    total, rows = edges.Found(), []
    for band in sorted(found):
        part = found[band]
        total.add(part)
        print(
            f"{band:11g} {part.conditions:10} {part.refused:8}",
            *(f"{part.statuses[n]:11}" for n in names),
            f"{part.compared.total():9} {len(part.jumps):6} {len(part.faults):6}",
        )
        rows.append(
            {
                "exponent_to": band,
                "conditions": part.conditions,
                "refused": part.refused,
                "statuses": dict(part.statuses),
                "reasons": dict(part.reasons),
                "compared": dict(part.compared),
                "jumps": [[str(value) for value in jump] for jump in part.jumps],
                "faults": part.faults,
            }
        )
    print(f"{total.conditions} conditions of {studies} in {seconds:.0f} s")
    print("what fails most where there is no proof:", dict(total.reasons))
    for study, where, what in total.faults[:SHOWN]:
        print(f"study {study}, {where}: {what}")
    for study, key, what, change, left in total.jumps[:SHOWN]:
        print(f"study {study}, {key}, {what}: {change:.2g}, at the last step {left:.2g}")
    if summary is not None:
        text = json.dumps({"seconds": seconds, "bands": rows}, indent=1)
        summary.write_text(text, encoding="utf-8")
    return 1 if total.faults or total.jumps else 0


if __name__ == "__main__":
    sys.exit(main())

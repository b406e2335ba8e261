"""What a change of each control of ``momentshare explore`` costs the page's thread.

    python benchmarks/bench_page.py                 # writes a page first, some minutes
    python benchmarks/bench_page.py --page press.html --load 2

Two settings are shown, so that everything is solved and drawn twice. Milliseconds of the page's
thread, layout and painting included, the least of some rounds; ``of loop`` is the time over that of
20 million square roots on the same thread. ``--load`` starts that many busy processes beside it.
"""

import argparse
import multiprocessing
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from tests.browser import DESKTOP, begun_browser, open_page
from tests.explored import begun
from tests.paced import CHANGES, Clock

from momentshare.explore import build_page, example_study


def spin():
    while True:
        pass


def measured(place, options):
    """Least cost of every control, and of the loop."""
    with tempfile.TemporaryDirectory() as folder, begun_browser(folder) as driver:
        open_page(driver, place, DESKTOP, "task=bar")
        begun(driver)
        driver.execute_script("document.getElementById('keep').click();")
        clock = Clock(driver)
        names = options.control or list(CHANGES)
        for name in names:  # the first round compiles the page
            clock.change(name, options.changes)
        loops = []
        costs = {name: [] for name in names}
        for _ in range(options.rounds):
            loops.append(clock.loop())
            for name in names:
                costs[name].append(clock.change(name, options.changes))
    return min(loops), {n: min(c, key=lambda cost: cost.whole) for n, c in costs.items()}


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--page", type=Path, help="a page that is there already")
    parser.add_argument("--changes", type=int, default=22, help="changes of a control per round")
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--load", type=int, default=0, help="busy processes beside the browser")
    parser.add_argument("--control", choices=list(CHANGES), action="append")
    options = parser.parse_args()
    busy = [multiprocessing.Process(target=spin, daemon=True) for _ in range(options.load)]
    for process in busy:
        process.start()
    with tempfile.TemporaryDirectory() as folder:
        place = options.page
        if place is None:
            place = Path(folder) / "page.html"
            place.write_text(build_page(example_study()), encoding="utf-8")
        loop, costs = measured(place.resolve(), options)
    print(f"loop: {loop:.0f} ms\n")
    print("| control | whole [ms] | script | style | layout | of loop |")
    print("| --- | ---: | ---: | ---: | ---: | ---: |")
    for name, cost in costs.items():
        row = (cost.whole, cost.script, cost.style, cost.layout)
        print(f"| {name} | {' | '.join(f'{ms:.1f}' for ms in row)} | {cost.whole / loop:.2f} |")


if __name__ == "__main__":
    main()

"""Time and memory of a whole cohort: people × four grips × three repetitions.

    python benchmarks/cohort_grips.py [--people 12] [--workers 2] [--figures]

The trials are those of an invented laboratory with a body of its own (``tests/bench_lab.py``),
one table each. ``momentshare cohort`` solves, sums up and writes them; the memory of the process
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

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.cohort_scale import held
from tests import bench_lab
from tests.process_tree import family

LAYOUT = """
[[layout]]
name = "table"
up = "+y"
right = "+z"
force_on = "hand"
time_column = "time_s"
units = { markers = "m", forces = "N" }

[layout.markers]
"""


def written(truth, place, seed):
    """Write what the laboratory sees of a trial as a table, at the rate of the markers."""
    found = bench_lab.seen(truth, seed)
    points = {role: c for role, c in found.channels.items() if c.unit == "m"}
    columns = {"time_s": truth.time}
    for role, channel in points.items():
        seen = np.asarray(channel.values)
        columns |= {f"{role}_{a}": seen[:, k] for k, a in enumerate("xyz")}
    for role, channel in found.channels.items():
        if channel.unit == "N":
            seen = np.asarray(channel.values)
            time_s = np.arange(len(seen)) / channel.rate
            for k, a in enumerate("xyz"):
                columns[f"{role}_{a}"] = np.interp(truth.time, time_s, seen[:, k])
    pd.DataFrame(columns).to_parquet(place, index=False)
    return list(points)


def study(folder, people):
    """Write files and the study that names them; how many trials."""
    persons, trials, roles = [], [], []
    for who, lifter in enumerate(bench_lab.lifters(people)):
        persons.append(
            f'[[person]]\nname = "{lifter.name}"\nsex = "{lifter.sex}"\n'
            f"stature_cm = {100.0 * lifter.stature:.1f}\nbody_mass_kg = {lifter.mass}\n"
        )
        for number, grip in enumerate(bench_lab.GRIPS):
            seed = 10 * who + number
            name = f"{lifter.name}_{grip}.parquet"
            roles = written(bench_lab.press(lifter, grip, seed), folder / name, seed)
            trials.append(
                f'[[trial]]\nperson = "{lifter.name}"\ncondition = "{grip}"\nfile = "{name}"\n'
                f'layout = "table"\nload_kg = {lifter.load}\n'
            )
    markers = "\n".join(f'{role} = "{role}"' for role in roles)
    forces = "\n".join(
        f'{side}_hand_force = ["{side}_hand_force_x", "{side}_hand_force_y", "{side}_hand_force_z"]'
        for side in ("right", "left")
    )
    conditions = "".join(
        f'[[condition]]\nname = "{grip}"\nimplement = "bar"\n' for grip in bench_lab.GRIPS
    )
    text = 'title = "Four grips"\n\n' + "\n".join(persons) + LAYOUT + markers
    text += f"\n\n[layout.forces]\n{forces}\n\n{conditions}\n" + "\n".join(trials)
    (folder / "cohort.toml").write_text(text, encoding="utf-8")
    return len(trials)


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
            trials = study(folder, people)
            words = ["-m", "momentshare", "cohort", "cohort.toml", "--out", "out", "--quiet"]
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

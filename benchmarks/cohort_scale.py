"""Memory and time of a large cohort: solving, summing up, writing.

    python benchmarks/cohort_scale.py --trials 1200 [--workers 2] [--solve 6] [--limit-mb 2000]
        [--figures] [--place FOLDER] [--stages solve plant sum-up write]

``--solve`` trials of the invented laboratory are solved in fact; each stage runs in a process of
its own. The other trials are copies of these with people of their own and a little noise on every
number, put into the folder as a run keeps them, then summed up and written like any others. Stages
that are run one by one find each other's files in ``--place``; writing sums up first, as a run
does, unless ``--kept`` says to write the summary that the stage before left there.

The memory of the stage and all processes below it is looked at every second: *resident* counts
pages that several share once for each, *proportional* once altogether and is looked at every tenth
time, since it costs the kernel a walk through all pages. *watch* is the processor time of looking.
Ends with code 1 when the peak of resident memory passes ``--limit-mb``. Needs no installation, only
src on PYTHONPATH. Reads /proc (Linux).
"""

import argparse
import json
import os
import pickle
import shutil
import subprocess
import sys
import tempfile
import threading
import time
import tomllib
from dataclasses import replace
from importlib import metadata
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from tests.process_tree import family

from momentshare.cohort.load import load_cohort
from momentshare.cohort.run import COMMAND, CohortResult, TrialOutcome, folder_options, run_cohort
from momentshare.cohort.summary import summarise_cohort
from momentshare.cohort.trials import read_table, record_in, trial_files, trial_name
from momentshare.demo.lab import write_lab
from momentshare.files import run_folder
from momentshare.model import load_model
from momentshare.report.writing.cohort import write_cohort

ROOT = Path(__file__).resolve().parents[1]

STAGES = ("solve", "plant", "sum-up", "write")

SUMMARY = "summary.pickle"

CONDITIONS, TIMES = 3, 4
"""Conditions of the laboratory, and trials of a person in each."""


def name_the_version(place):
    """Name the version as an installation would, where only the source is at hand."""
    try:
        metadata.version("momentshare")
    except metadata.PackageNotFoundError:
        project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
        folder = place / "named" / f"momentshare-{project['version']}.dist-info"
        folder.mkdir(parents=True, exist_ok=True)
        text = f"Metadata-Version: 2.1\nName: momentshare\nVersion: {project['version']}\n"
        (folder / "METADATA").write_text(text, "utf-8")
        sys.path.append(str(folder.parent))


def solve(place, count, workers):
    """Solve the first trials of the invented laboratory."""
    people = max(1, -(-count // CONDITIONS))
    study = load_cohort(write_lab(place, people=min(people, 6), repetitions=3))
    sound = [n for n in study.numbers if "broken" not in study.file.trial[n - 1].file][:count]
    left_out = frozenset(set(study.numbers) - set(sound))
    found = run_cohort(replace(study, left_out=left_out), place / "solved", workers=workers)
    return len(found.solved)


def plant(place, trials):
    """Copy solved trials into a folder of their own; the study that names them all."""
    study = load_cohort(place / "cohort.toml")
    model = load_model(study.file.model)
    donors = {}
    for entry in (place / "solved" / "trials").iterdir():
        number = int(entry.name)
        record = json.loads((entry / "trial.json").read_text("utf-8"))
        if not record.get("fault"):
            donors.setdefault(study.file.trial[number - 1].condition, []).append((number, record))
    planted_from = {
        donor: {name: read_table(place / "solved", donor, name) for name in record["tables"]}
        for found in donors.values()
        for donor, record in found
    }
    names = list(donors)
    person = study.file.person[0]
    people = [f"P{k + 1:04d}" for k in range(-(-trials // (len(names) * TIMES)))]
    entries = [
        {"person": who, "condition": condition, "file": f"{who}_{condition}_{k}.c3d",
         "layout": study.file.trial[0].layout, "load_kg": 50.0}
        for who in people for condition in names for k in range(TIMES)
    ][:trials]  # fmt: skip
    file = study.file.model_copy(
        update={
            "person": [person.model_copy(update={"name": who}) for who in people],
            "trial": [type(study.file.trial[0])(**entry) for entry in entries],
            "maximal_contraction": [],
            "published": [],
        }
    )
    (place / "many.json").write_text(file.model_dump_json(), "utf-8")
    many = replace(study, file=file)
    rng = np.random.default_rng(1)
    records = []
    with run_folder(place / "many", COMMAND, **folder_options(many, place / "many")) as run:
        for number, entry in enumerate(entries, start=1):
            choices = donors[entry["condition"]]
            donor, record = choices[number % len(choices)]
            tables = {
                name: varied(table, entry, number, rng)
                for name, table in planted_from[donor].items()
            }
            record = record | {"load_kg": entry["load_kg"]}
            files = trial_files(number, record, tables)
            run.keep(trial_name(number), "planted", files)
            records.append(record_in(number, files))
        (place / "records.json").write_text(json.dumps(records), "utf-8")
    return model.name


def varied(table, entry, number, rng):
    """Rows of a trial for another person, each number off by a few per cent."""
    keep = {"trial", "repetition", "frame", "lift_percent", "height_fraction", "limit", "worst"}
    out = table.assign(
        **{
            name: table[name] * (1.0 + 0.03 * rng.standard_normal())
            for name in table.select_dtypes("floating").columns
            if name not in keep
        }
    )
    for name in ("activation", "mean_activation", "mean_activation_changed"):
        if name in out:
            out[name] = out[name].clip(0.0, 1.0)
    given = {"trial": number} if "trial" in out else {}
    given |= {k: entry[k] for k in ("person", "condition") if k in out}
    return out.assign(**given)


def planted(place):
    """The planted cohort as a run would hand it on."""
    study = load_cohort(place / "cohort.toml")
    file = type(study.file).model_validate_json((place / "many.json").read_text("utf-8"))
    records = json.loads((place / "records.json").read_text("utf-8"))
    outcomes = tuple(
        TrialOutcome(
            number=number, person=entry.person, condition=entry.condition, file=entry.file,
            fault="", verdict=record["verdict"], record=record, reused=True,
        )
        for number, (entry, record) in enumerate(zip(file.trial, records, strict=True), start=1)
    )  # fmt: skip
    return CohortResult(
        study=replace(study, file=file),
        model=load_model(file.model),
        folder=place / "many",
        outcomes=outcomes,
    )


def stage(name, place, options):
    """Do one stage in this process; what it took."""
    began = time.monotonic()
    name_the_version(place)
    if name == "solve":
        told = f"{solve(place, options.solve, options.workers)} trials"
    elif name == "plant":
        shutil.rmtree(place / "many", ignore_errors=True)
        plant(place, options.trials)
        told = f"{options.trials} trials"
    else:
        told = summed_up(name, place, options)
    return {"told": told, "seconds": time.monotonic() - began, "cpu": sum(os.times()[:4])}


def summed_up(name, place, options):
    """Sum up the planted trials, or take what was kept of that, and write them if asked to."""
    result = planted(place)
    if name == "write" and options.kept:
        summary = pickle.loads((place / SUMMARY).read_bytes())  # noqa: S301 - of our own making
    else:
        summary = summarise_cohort(result, workers=options.workers)
    if name == "write":
        files = write_cohort(result, summary, [], figures=options.figures)
        return f"{len(files)} files"
    (place / SUMMARY).write_bytes(pickle.dumps(summary))
    return f"{len(result.outcomes)} trials, {len(summary.tables)} tables"


def held(number, *, shared=True):
    """Resident and proportional memory of a process [MB]; nothing once it has ended.

    Without ``shared`` the proportional memory is left out, which spares a walk through all pages.
    """
    found = dict.fromkeys(("Rss", "Pss"), 0.0)
    try:
        if not shared:
            pages = int(Path(f"/proc/{number}/statm").read_text().split()[1])
            return pages * os.sysconf("SC_PAGESIZE") / 2.0**20, 0.0
        lines = Path(f"/proc/{number}/smaps_rollup").read_text().splitlines()
    except OSError:
        return 0.0, 0.0
    for line in lines[1:]:
        name, size = line.split(":")
        if name in found:
            found[name] = float(size.split()[0]) / 1024.0
    return found["Rss"], found["Pss"]


class Watch(threading.Thread):
    """Greatest memory of a process and all that descend from it, looked at again and again.

    ``cpu`` is what the looking took [s]; every ``shared_every``-th look asks for proportional
    memory too.
    """

    def __init__(self, root, every=1.0, shared_every=10):
        super().__init__(daemon=True)
        self.root, self.every, self.shared_every = root, every, shared_every
        self.resident = self.proportional = self.cpu = 0.0
        self.processes = 0
        self.done = threading.Event()

    def run(self):
        look = 0
        while not self.done.wait(self.every):
            look += 1
            shared = look % self.shared_every == 1
            family_now = {self.root} | family(self.root)
            sizes = np.array([held(n, shared=shared) for n in family_now])
            resident, proportional = sizes.sum(axis=0)
            self.resident = max(self.resident, resident)
            self.proportional = max(self.proportional, proportional)
            self.processes = max(self.processes, int((sizes[:, 0] > 0.0).sum()))
            self.cpu = time.thread_time()


def watched(which, place):
    """Run one stage in a process of its own; what it told, and its watch."""
    command = [sys.executable, __file__, *sys.argv[1:], "--stage", which, "--place", str(place)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        watch = Watch(process.pid)
        watch.start()
        text = process.communicate()[0]
        watch.done.set()
        watch.join()
    if process.returncode:
        sys.exit(f"the stage {which!r} ended with code {process.returncode}")
    return json.loads(text.splitlines()[-1]), watch


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--trials", type=int, default=1200)
    parser.add_argument("--solve", type=int, default=6, help="trials that are solved in fact")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--limit-mb", type=float, default=2000.0)
    parser.add_argument("--figures", action="store_true", help="draw the figures too")
    parser.add_argument("--place", type=Path, help="folder that keeps what each stage leaves; a "
                        "temporary one otherwise")  # fmt: skip
    parser.add_argument("--stages", nargs="+", choices=STAGES, default=STAGES,
                        help="those to run now; earlier ones are found in the folder")  # fmt: skip
    parser.add_argument("--kept", action="store_true", help="write the summary that sum-up left")
    parser.add_argument("--stage", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.stage:
        print(json.dumps(stage(options.stage, options.place, options)))
        return
    worst = 0.0
    print("stage    seconds     CPU  watch  processes  resident MB  proportional MB")
    with tempfile.TemporaryDirectory(prefix="momentshare-scale-") as name:
        place = options.place or Path(name)
        place.mkdir(parents=True, exist_ok=True)
        for which in options.stages:
            found, watch = watched(which, place)
            print(
                f"{which:8} {found['seconds']:7.0f} {found['cpu']:7.0f} {watch.cpu:6.2f} "
                f"{watch.processes:10} {watch.resident:12.0f} {watch.proportional:16.0f}  "
                f"{found['told']}",
                flush=True,
            )
            if which != "plant":
                worst = max(worst, watch.resident)
    if worst > options.limit_mb:
        sys.exit(f"{worst:.0f} MB are more than {options.limit_mb:.0f} MB")


if __name__ == "__main__":
    main()

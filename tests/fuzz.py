"""Damaged inputs of every kind, and what becomes of them.

A case is a sound input with a list of mutations: a place in the file as a fraction, what happens
there, and a token. The same mutations come from hypothesis in the tests and from a random number
generator in ``benchmarks/fuzz.py``. Whatever comes in, it is read or refused with a message that
names the file; all else is a fault of ours.
"""

import io
import random
import shutil
import sys
import tempfile
import time
import tomllib
import traceback
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import pyarrow as pa
from pyarrow import parquet

from momentshare.cohort.load import parse_cohort
from momentshare.demo import demo_text
from momentshare.errors import MomentshareError, StudyError
from momentshare.files import run_folder
from momentshare.inputs import STUDY, read_text
from momentshare.model import models_folder
from momentshare.model.sources import read_bibliography
from momentshare.published import read_published
from momentshare.strength.utilisation import read_moments
from momentshare.study import load_study
from momentshare.trial.formats.contents import file_contents
from momentshare.trial.formats.layout import LayoutEntry
from momentshare.trial.formats.proposal import proposed_layout
from momentshare.trial.formats.read import read_recording
from tests import fuzz_folders as folders
from tests.c3d_writer import BIG, LITTLE, VAX, File

SLOW = 10.0
"""Seconds after which an answer came too late; most take a hundredth."""

HUGE = 1_000_000_000
"""Bytes by which no input may make this process grow."""

LONGEST = 70_000
"""Characters of the longest message: 30 faults of 2000 and a head."""

OPERATIONS = ("flip", "write", "insert", "delete", "double", "cut", "swap", "number", "word")
_GENTLE = ("flip", "flip", "write", "number", "swap")
"""Operations after which much is still sound, so that what lies deeper is reached."""

TOKENS = (
    *(b"nan", b"inf", b"-inf", b"-1", b"0", b"1e400", b"-1e-400", b"99999999999999999999"),
    *(b"true", b"[]", b"{}", b"''", b'"', b"'", b"\\", b"[[", b"]]", b"= =", b",", b";", b"\t"),
    *(b"\0", b"\xff\xfe", b"\xef\xbb\xbf", b"\x1b[2J", "\u202e".encode(), b"\r", b"\n\n"),
    *(b"=1+1", b"@{", b"}}}", b"{" * 300, b"[" * 2000, b"x" * 3000, b"9" * 5000, b"a.b.c = 1\n"),
    *(b"1_0", b"0x10", b"1979-05-27", "\u0661".encode(), b"%s", b"../../..", b"/dev/zero"),
)


def mutated(raw, mutations):
    """Apply mutations (operation, place from 0 to 1, number of a token) one after another."""
    data = bytearray(raw)
    for operation, place, number in mutations:
        at = int(place * len(data))
        token = TOKENS[number % len(TOKENS)]
        size = 1 + number % 40
        if operation == "flip" and data:
            data[min(at, len(data) - 1)] ^= 1 + number % 255
        elif operation == "write":
            data[at : at + len(token)] = token[: len(data) - at]
        elif operation == "insert":
            data[at:at] = token
        elif operation == "delete":
            del data[at : at + size]
        elif operation == "double":
            data[at:at] = data[at : at + 10 * size]
        elif operation == "cut":
            del data[at:]
        elif operation == "swap":
            one, two = bytes(data[at : at + size]), bytes(data[at + size : at + 2 * size])
            data[at : at + 2 * size] = two + one
        elif operation in {"number", "word"}:
            begin, end = _token(data, at, digits=operation == "number")
            data[begin:end] = token
    return bytes(data)


def _token(data, at, *, digits):
    """Where the next number or word begins and ends."""

    def inside(byte):
        character = chr(byte)
        return character in "0123456789.+-e" if digits else character.isalnum() or character == "_"

    while at < len(data) and not inside(data[at]):
        at += 1
    end = at
    while end < len(data) and inside(data[end]) and end < at + 60:
        end += 1
    return at, end


def random_mutations(rng):
    """Mutations from a generator of random numbers."""
    count = 1 + min(int(rng.expovariate(0.7)), 8)
    return [(rng.choice(OPERATIONS), rng.random(), rng.randrange(1 << 16)) for _ in range(count)]


# Sound inputs

COHORT = """
title = "Fuzz"
[[person]]
name = "Ines"
sex = "female"
stature_cm = 168
body_mass_kg = 64
[[layout]]
name = "table"
up = "+z"
right = "+x"
force_on = "hand"
delimiter = ","
time_column = "t"
units = { markers = "mm", forces = "N", emg = "mV" }
[layout.markers]
ij = "IJ"
right_el = "EL"
[layout.forces]
right_hand_force = ["Fx", "", "Fz"]
[layout.emg]
"triceps_brachii/lateral" = "EMG"
[layout.signals."EMG"]
gain = 1000.0
delay_s = 0.01
[[condition]]
name = "narrow"
implement = "bar"
[[trial]]
person = "Ines"
condition = "narrow"
file = "a.csv"
layout = "table"
load_kg = 30.0
[processing]
cutoff_hz = 6.0
[statistics]
confidence = 0.95
"""

MOMENTS = """condition,row,moment_nm,sd_nm,elbow_flexion_deg,elevation_deg
bar,elbow_extension,25.0,3.0,90,70
bar,shoulder_horizontal_adduction,30.5,,90,70
"""

PUBLISHED = """condition,point,n,source,known,plane_deg,elevation_deg,axial_deg,elbow_flexion_deg,\
forearm_rotation_deg,elbow_extension_nm,elbow_extension_sd_nm
wide,chest,12,Invented2020,invented,60,70,10,90,90,25.0,3.0
narrow,chest,12,Invented2020,invented,70,60,10,95,90,30.0,4.0
"""


def table():
    """Columns of a sound recording."""
    rng = np.random.default_rng(5)
    columns = {"t": np.arange(12) / 100.0}
    columns |= {
        f"{m}_{a}": rng.uniform(100.0, 900.0, 12).round(2) for m in ("IJ", "EL") for a in "xyz"
    }
    columns |= {name: rng.uniform(1.0, 200.0, 12).round(3) for name in ("Fx", "Fz", "EMG")}
    return columns


def csv_text():
    columns = table()
    rows = [",".join(map(str, row)) for row in zip(*columns.values(), strict=True)]
    return "\n".join([",".join(columns), *rows, ""])


def parquet_bytes():
    target = io.BytesIO()
    parquet.write_table(pa.table(table()), target)
    return target.getvalue()


@cache
def c3d_files():
    """Sound files of every sort, with and without points."""
    return [
        (
            "points.c3d" if points else "analogue.c3d",
            File(
                processor=processor,
                real=real,
                points=points,
                channels=3,
                unsigned=not real,
                scales=(0.01, 0.02, 0.04),
            ).written(),
        )
        for processor in (LITTLE, VAX, BIG)
        for real in (True, False)
        for points in (0, 2)
    ]


def layout():
    (found,) = tomllib.loads(COHORT)["layout"]
    return found


C3D_LAYOUT = {
    **{k: v for k, v in layout().items() if k in {"name", "up", "right", "force_on"}},
    "forces": {"right_hand_force": ["C1", "C2", "C3"]},
}
PARQUET_LAYOUT = {k: v for k, v in layout().items() if k != "delimiter"}


# What is done with them


def recording(place, entry):
    read = read_recording(place, LayoutEntry.model_validate(entry))
    for channel in read.channels.values():
        assert not np.isinf(channel.values).any()
        assert channel.rate > 0.0


def c3d(place):
    markers = {"markers": {"ij": "P1"}} if place.name == "points.c3d" else {}
    recording(place, {**C3D_LAYOUT, **markers})


def look(place):
    """Propose a layout; it has to load."""
    (found,) = tomllib.loads(proposed_layout(file_contents(place)))["layout"]
    LayoutEntry.model_validate(found)


def with_layout(place):
    """Read a sound table by a damaged layout."""
    (place.parent / "a.csv").write_text(csv_text(), encoding="utf-8")
    study = parse_cohort(read_text(place, STUDY, StudyError), str(place), place.parent)
    recording_of = study.file.layout[0]
    read_recording(place.parent / "a.csv", recording_of)


@dataclass(frozen=True)
class Kind:
    """How a kind of input is made and read; ``seeds`` are sound ones with their file name."""

    seeds: object
    read: object
    share: int = 1
    """Cases of this kind among others."""


def _one(name, text):
    return lambda: [(name, text().encode() if callable(text) else text.encode())]


PARTS = {
    "draws-000000": {"chunks/draws-000000.parquet": parquet_bytes()},
    "trials/0001": {"trials/0001/trial.json": b"{}\n", "trials/0001/heads.parquet": b"PAR1"},
}
"""Parts of a run: a chunk, and a trial of two files."""

TAG = "what made it"


@cache
def run_files(*, ended):
    """Files of a sound run by name: ended, or killed after its parts, with a journal."""
    with tempfile.TemporaryDirectory() as name:
        place = Path(name) / "run"
        with run_folder(place, "cohort", study={"draws": 4}) as run:
            for part, files in PARTS.items():
                run.keep(part, TAG, files)
            with run.results() as writer:
                writer.text("heads.csv", "head,force_n\n")
            if not ended:
                return _files(place)
        return _files(place)


def _files(folder):
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


RUN_FILES = {
    "run_manifest.json": (True, "manifest.json"),
    "run_copy.json": (True, ".momentshare.json"),
    "run_journal": (False, ".momentshare/journal"),
    "run_chunk": (True, "chunks/draws-000000.parquet"),
    "run_trial": (True, "trials/0001/trial.json"),
}
"""Damaged file → whether its run has ended, and its name in the folder."""


def run_again(place):
    """Go on with a run one file of which is damaged: what is not whole is never taken for whole.

    What is whole is not solved again, and nothing outside the folder, nor a file that the run did
    not write, is touched.
    """
    ended, damaged = RUN_FILES[place.name]
    folder = place.parent / "run"
    shutil.rmtree(folder, ignore_errors=True)
    mine = {place.parent / "beside.txt": b"mine", folder / "notes.txt": b"mine"}
    for name, data in run_files(ended=ended).items():
        target = folder / name
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(place.read_bytes() if name == damaged else data)
    for other, data in mine.items():
        other.write_bytes(data)
    try:
        with run_folder(folder, "cohort", study={"draws": 5}) as run:
            for part, files in PARTS.items():
                sound = all(
                    (folder / n).is_file() and (folder / n).read_bytes() == data
                    for n, data in files.items()
                )
                assert run.has(part, TAG) == sound
            run.drop(run.parts)
            with run.results() as writer:
                writer.text("conditions.csv", "condition\n")
    finally:
        assert all(other.read_bytes() == data for other, data in mine.items())


KINDS = {
    "study": Kind(_one("study.toml", demo_text), load_study, 3),
    "cohort study and layout": Kind(_one("cohort.toml", COHORT), with_layout, 3),
    "CSV": Kind(_one("t.csv", csv_text), lambda p: recording(p, layout()), 3),
    "CSV, looked at": Kind(_one("t.csv", csv_text), look),
    "Parquet": Kind(
        lambda: [("t.parquet", parquet_bytes())], lambda p: recording(p, PARQUET_LAYOUT), 2
    ),
    "C3D": Kind(c3d_files, c3d, 6),
    "C3D, looked at": Kind(c3d_files, look, 2),
    "model": Kind(folders.model_seeds, folders.model),
    "linkage": Kind(folders.linkage_seeds, folders.linkage),
    "study in small files": Kind(
        lambda: [
            (f"small_{name}", text.encode())
            for name, text in {"study.toml": folders.SMALL_STUDY, **folders.SMALL_TABLES}.items()
        ],
        folders.small_study,
        3,
    ),
    "bibliography": Kind(
        lambda: [("references.bib", (models_folder() / "references.bib").read_bytes())],
        read_bibliography,
        2,
    ),
    "moments": Kind(_one("moments.csv", MOMENTS), read_moments, 2),
    "run folder": Kind(
        lambda: [
            (name, run_files(ended=ended)[inside]) for name, (ended, inside) in RUN_FILES.items()
        ],
        run_again,
    ),
    "published table": Kind(_one("published.csv", PUBLISHED), read_published, 2),
}


def outcome(kind, folder, which, mutations):
    """What becomes of a case: a word for the class, and a text where it is a fault of ours."""
    seeds = KINDS[kind].seeds()
    name, raw = seeds[which % len(seeds)]
    place = Path(folder) / name
    place.write_bytes(mutated(raw, mutations))
    began, before = time.monotonic(), most_memory()
    try:
        KINDS[kind].read(place)
        found = "read"
    except MomentshareError as err:
        found = _of_message(str(err))
        if found != "refused":
            return found, repr(str(err)[:500])
    except Exception:  # noqa: BLE001 - that is what is looked for
        return "crash", traceback.format_exc()
    if most_memory() - before > HUGE:
        return "huge", f"{(most_memory() - before) / 1e6:.0f} MB more"
    if time.monotonic() - began > SLOW:
        return "slow", f"{time.monotonic() - began:.1f} s"
    return found, ""


def most_memory():
    """Most memory that this process has held [bytes]; 0 where the system does not tell."""
    try:
        import resource
    except ImportError:
        return 0
    unit = 1 if sys.platform == "darwin" else 1024
    return unit * resource.getrusage(resource.RUSAGE_SELF).ru_maxrss


def _of_message(text):
    if len(text) > LONGEST:
        return "endless message"
    if any(c < " " and c != "\n" for c in text):
        return "message that steers a terminal"
    return "refused"


def random_case(rng):
    """Kind, number of a sound input, and mutations."""
    kinds = [name for name, kind in KINDS.items() for _ in range(kind.share)]
    return rng.choice(kinds), rng.randrange(64), random_mutations(rng)


def sound(kind, folder):
    """Outcomes of the sound inputs of a kind."""
    return [outcome(kind, folder, n, []) for n in range(len(KINDS[kind].seeds()))]


def seeded(number):
    """Case of this number."""
    return random_case(random.Random(number))  # noqa: S311 - no secret

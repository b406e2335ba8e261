"""The tests on every Python and with the lowest and newest versions of what we depend on.

    python benchmarks/versions.py                            # 3.11 to 3.13, lowest and newest
    python benchmarks/versions.py --python 3.11 --take lowest
    python benchmarks/versions.py --every-test               # in place of the telling part
    python benchmarks/versions.py --brief                    # the least that touches every library
    python benchmarks/versions.py --alone --here             # only on Pythons that this machine has

A wheel is built once. For each Python and choice of versions it goes, with everything that
``full`` asks for, into an environment of its own made by uv, and the tests run beside nothing but
themselves: a folder that holds ``tests`` and what they read. Then the wheel alone, with numpy,
scipy and pydantic, must solve frames and a lift and say which extra the command needs, and the
wheel with ``studies`` must answer a study, both from an empty folder. Pythons of this machine (on
the path, or of pyenv) are taken, others fetched. A Python or a version that cannot be had is told
and left out; a test that fails ends with code 1.
"""

import argparse
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
import tomllib
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]

PYTHONS = ("3.11", "3.12", "3.13")
TAKES = {"lowest": "lowest-direct", "newest": "highest"}

TOOLS = ("pytest>=8.2", "pytest-xdist>=3.6", "hypothesis>=6.100", "pypdf>=5.0", "c3d>=0.5")
"""What the tests themselves need, with the bounds of the extra dev."""

TELLING = (
    "tests/cli/test_commands.py",
    "tests/cli/test_uncertainty.py",
    "tests/unit/test_figures.py",
    "tests/unit/test_processes.py",
    "tests/unit/test_published.py",
    "tests/unit/test_run_folder.py",
    "tests/unit/test_sharing_share.py",
    "tests/properties/test_fuzz.py",
    "tests/golden/test_golden.py::test_numbers_stay[demo/frames]",
    "tests/golden/test_golden.py::test_numbers_stay[demo/heads]",
    "tests/golden/test_golden.py::test_numbers_stay[demo/loads]",
    "tests/golden/test_golden.py::test_numbers_stay[lab/heads]",
)
"""What touches every library: parsing, tables, Parquet, C3D, figures, compiled code, children."""

BRIEF = (
    "tests/golden/test_golden.py::test_numbers_stay[demo/heads]",
    "tests/golden/test_golden.py::test_numbers_stay[demo/loads]",
    "tests/golden/test_golden.py::test_numbers_stay[lab/heads]",
    "tests/unit/test_published.py",
    "tests/unit/test_reading.py",
    "tests/unit/test_run_folder.py",
    "tests/unit/test_sharing_share.py",
    "tests/unit/test_text.py",
)
"""The least of it, for every submission: stored numbers of a planned and a measured study, sharing,
readings, run folders."""

SMALL = """
title = "Two presses"
[settings]
frames = 5
[[person]]
name = "Edda"
sex = "female"
stature_cm = 168
body_mass_kg = 64
[[condition]]
name = "bar"
exercise = "bar_press"
spacing_biacromial = 1.5
load_kg = 25
[[condition]]
name = "dumbbells"
exercise = "dumbbell_press"
spacing_cm = 50
load_kg = 20
"""


CORE = """
import importlib.util, sys
import numpy as np
from momentshare import BenchPress, Lateral, Person, Profile, build_limb, load_model, prepare
from momentshare import solve_lift
from momentshare.sharing import Solver, greatest_factor, share
for name in ("pandas", "pyarrow", "matplotlib", "jinja2", "typer", "rich", "filelock", "numba"):
    assert importlib.util.find_spec(name) is None, name
arms = np.array([[0.022, 0.022, 0.0], [-0.02, 0.0, 0.035]])
capacity = np.array([800.0, 1000.0, 1200.0])
answer = share(arms, capacity, [[20.0, 30.0], [90.0, 5.0]])
assert [str(s) for s in answer.status_text] == ["solved", "shortfall"]
assert str(Solver(heads=3).step(arms, capacity, [20.0, 30.0]).status_text) == "solved"
assert greatest_factor(arms, capacity, [0.0, 0.0], [20.0, 30.0]).factor > 1.0
limb = build_limb(Person(name="Runa", sex="female", stature=1.68, body_mass=64), load_model())
press = BenchPress(load_mass=20.0, spacing=Profile.constant(0.5), tilt=Profile.constant(0.0),
                   tuck=Profile(((0.0, 1.0), (1.0, 1.4))), frames=5)
result = solve_lift(prepare(limb, press.lift(limb.skeleton)), Lateral(mode="free"))
assert result.force.shape == (5, 26) and bool((result.force >= 0.0).all())
assert "matplotlib" not in sys.modules
"""
"""What an embedder does with the small core."""


def call(words, where=None, **environment):
    """Run a command; whether it ended well, and what it said."""
    clean = {k: v for k, v in os.environ.items() if not k.startswith(("PYTHON", "MOMENTSHARE"))}
    done = subprocess.run(
        [str(w) for w in words],
        cwd=where,
        env={**clean, "MPLBACKEND": "Agg", "COLUMNS": "200", **environment},
        capture_output=True,
        text=True,
        check=False,
    )
    return done.returncode == 0, done.stdout + done.stderr


def python_here(version):
    """A Python of this version that runs on this machine; None where there is none.

    A name on the path proves nothing: pyenv puts one there for every Python that it knows, and it
    runs only where that version is chosen.
    """
    pyenv = Path(os.environ.get("PYENV_ROOT") or Path.home() / ".pyenv")
    found = [shutil.which(f"python{version}"), *pyenv.glob(f"versions/{version}.*/bin/python")]
    for place in filter(None, found):
        good, told = call([place, "-c", "import sys; print('%d.%d' % sys.version_info[:2])"])
        if good and told.strip() == version:
            return place
    return None


def uv_of(place):
    """Command line of uv, installed into a folder where it is not on the path."""
    if (found := shutil.which("uv")) is not None:
        return [found]
    home = place / "uv"
    good, told = call([sys.executable, "-m", "pip", "install", "-q", "--target", home, "uv"])
    if not good:
        raise SystemExit(f"uv cannot be installed:\n{told[-2000:]}")
    return [home / "bin" / "uv"]


def environment(uv, place, python, what, take):
    """Make an environment; its Python, or None and why the index does not serve it."""
    good, told = call([*uv, "venv", "--quiet", "--python", python, place])
    if not good:
        return None, told
    inside = place / ("Scripts" if os.name == "nt" else "bin") / "python"
    words = [*uv, "pip", "install", "--quiet", "--only-binary", ":all:", "--python", inside]
    good, told = call([*words, "--resolution", TAKES[take], *what])
    return (inside, told) if good else (None, told)


def required(extra="full"):
    """Requirements of the library with an extra, as pyproject writes them: "numpy>=2.1".

    They are given to uv beside the wheel: what only the wheel asks for is not direct to it, and
    comes in the newest version whatever is wanted.
    """
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    found, ahead = dict.fromkeys(project["dependencies"]), [extra]
    while ahead:
        for line in project["optional-dependencies"][ahead.pop()]:
            inner = re.fullmatch(r"momentshare\[(.+)\]", line)
            if inner:
                ahead += inner[1].split(",")
            else:
                found[line] = None
    return list(found)


def not_lowest(requirements, installed):
    """Requirements whose lowest version is not the one installed (name → version)."""

    def numbers(version):
        found = [int(part) for part in re.findall(r"\d+", version)]
        return found + [0] * (4 - len(found))

    here = {name.lower().replace("_", "-"): version for name, version in installed.items()}
    return [
        f"{line} (has {here.get(name)})"
        for line in requirements
        for name, lowest in [line.lower().split(">=")]
        if numbers(here.get(name, "")) != numbers(lowest)
    ]


def alone(python, place):
    """The wheel and what it requires, nothing else: does the solver answer, and the command say
    what it needs?"""
    place.mkdir()
    good, told = call([python, "-I", "-c", CORE], place)
    if not good:
        return False, told[-3000:]
    good, told = call([python, "-m", "momentshare", "--version"], place)
    wanted = "run: pip install 'momentshare[studies]'"
    return not good and wanted in told and "Traceback" not in told, f"--version: {told[-3000:]}"


def studies(python, place):
    """The wheel with study files, tables and figures: does a study get its answer?"""
    place.mkdir()
    (place / "study.toml").write_text(SMALL, encoding="utf-8")
    steps = (
        ["-m", "momentshare", "--version"],
        ["-m", "momentshare", "compare", "study.toml", "--out", "results", "--no-band"],
        ["-m", "momentshare", "explain", "study.toml", "--condition", "bar"],
        ["-I", "-c", "import importlib.util as u; assert not u.find_spec('numba')"],
    )
    for words in steps:
        good, told = call([python, *words], place)
        if not good:
            return False, f"{words}: {told[-3000:]}"
    wanted = ("heads.csv", "frames.parquet", "figures/activation_by_head.png", "manifest.json")
    missing = [name for name in wanted if not (place / "results" / name).exists()]
    return not missing, f"not written: {missing}"


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--python", action="append", help="such as 3.12; may be repeated")
    parser.add_argument("--here", action="store_true", help="fetch no Python")
    parser.add_argument("--take", action="append", choices=list(TAKES), help="may be repeated")
    parser.add_argument("--alone", action="store_true", help="the wheel alone, no tests")
    parser.add_argument("--every-test", action="store_true", help="not only the telling part")
    parser.add_argument("--brief", action="store_true", help="the least of the telling part")
    parser.add_argument("--workers", type=int, default=2, help="processes of the tests")
    options = parser.parse_args()
    tests = ["tests"] if options.every_test else list(BRIEF if options.brief else TELLING)
    bad = 0
    with tempfile.TemporaryDirectory(prefix="momentshare-versions-") as name:
        place = Path(name)
        uv = uv_of(place)
        good, told = call([*uv, "build", "--quiet", "--wheel", "--out-dir", place / "dist", ROOT])
        if not good:
            raise SystemExit(told)
        (wheel,) = (place / "dist").glob("*.whl")
        beside = place / "beside"
        beside.mkdir()
        for part in (
            "tests",
            "models",
            "benchmarks",
            "README.md",
            "DEVELOPERS.md",
            "pyproject.toml",
        ):
            given = ROOT / part
            (shutil.copytree if given.is_dir() else shutil.copy)(given, beside / part)
        for python in options.python or PYTHONS:
            source = python_here(python)
            if source is None and options.here:
                print(f"Python {python}: not on this machine, not tried", flush=True)
                continue
            source = source or python
            for take in [] if options.alone else options.take or TAKES:
                began = time.monotonic()
                what = [f"{wheel}[full]", *required(), *TOOLS]
                home = place / f"{python}-{take}"
                inside, told = environment(uv, home, source, what, take)
                if inside is None:
                    print(f"Python {python}, {take}: not served here\n{told[-1500:]}", flush=True)
                    continue
                _, told = call([*uv, "pip", "list", "--format", "json", "--python", inside])
                rows = json.loads(told[told.index("[") : told.rindex("]") + 1])
                wrong = not_lowest(required(), {row["name"]: row["version"] for row in rows})
                if take == "lowest" and wrong:
                    bad += 1
                    print(f"Python {python}, {take}: not the lowest: {wrong}", flush=True)
                words = [inside, "-m", "pytest", "-q", "-p", "no:cacheprovider", "-W", "default"]
                words += ["-n", str(options.workers), "--dist", "loadfile"]
                good, told = call([*words, *tests], beside)
                last = told.strip().splitlines()[-1] if told.strip() else ""
                seconds = time.monotonic() - began
                print(f"Python {python}, {take}: {last} ({seconds:.0f} s in all)", flush=True)
                if not good:
                    bad += 1
                    print(told[-8000:], flush=True)
                shutil.rmtree(home)
            for said, what, tried in (
                ("the wheel alone", str(wheel), alone),
                ("the wheel with studies", f"{wheel}[studies]", studies),
            ):
                kind = tried.__name__
                inside, told = environment(uv, place / f"{python}-{kind}", source, [what], "newest")
                if inside is None:
                    print(f"Python {python}, {said}: not served here\n{told[-1500:]}", flush=True)
                    continue
                good, told = tried(inside, place / f"{python}-{kind}-empty")
                bad += not good
                print(f"Python {python}, {said}: {'answers' if good else told}", flush=True)
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())

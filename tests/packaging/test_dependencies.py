"""What the library depends on is what DEVELOPERS lists, with its lowest version and a reason."""

import os
import re
import sys
import tomllib
from importlib import metadata
from pathlib import Path

import pytest
from benchmarks import versions

ROOT = Path(__file__).resolve().parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
OUTSIDE_FULL = {"dev", "bench", "jax", "torch"}
_ASKED = re.compile(r"([A-Za-z0-9_.-]+)>=([0-9.]+)")


def asked():
    """(package, lowest version, extra) of everything that pyproject requires."""
    groups = {"": PROJECT["dependencies"], **PROJECT["optional-dependencies"]}
    found = set()
    for extra, lines in groups.items():
        for line in lines:
            if line.startswith("momentshare["):
                continue
            match = _ASKED.fullmatch(line)
            assert match, f"{line}: wanted name>=version"
            found.add((match[1], match[2], extra))
    return found


def listed():
    """Rows of the table of dependencies: (package, lowest version, extra) and the reason."""
    text = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    part = text.split("## Dependencies", 1)[1].split("\n## ", 1)[0]
    rows = [
        [cell.strip() for cell in line.strip("|").split("|")]
        for line in part.splitlines()
        if line.startswith("| ") and not line.startswith("| package")
    ]
    assert all(len(row) == 4 for row in rows)
    return {(name, lowest, extra): why for name, lowest, extra, why in rows}


def test_every_dependency_is_listed_with_a_reason():
    found = listed()
    assert set(found) == asked()
    assert all(len(why) > 3 for why in found.values())


def test_every_library_that_is_imported_is_asked_for():
    """Whatever the source imports beyond Python itself is a dependency, under its own name."""
    modules = metadata.packages_distributions()
    known = {name.lower().replace("_", "-") for name, _, _ in asked()} | {"momentshare"}
    # What is imported only where a dependency brings it.
    brought = {
        "patsy": "statsmodels",
        "click": "typer",
        "llvmlite": "numba",
        "markupsafe": "jinja2",
    }
    pattern = re.compile(r"^\s*(?:from|import)\s+([A-Za-z_][\w]*)", re.MULTILINE)
    seen = set()
    for path in (ROOT / "src").rglob("*.py"):
        seen |= set(pattern.findall(path.read_text("utf-8")))
    unknown = {
        module
        for module in seen & set(modules)
        if module not in sys.stdlib_module_names
        and brought.get(module, modules[module][0]).lower().replace("_", "-") not in known
    }
    assert unknown == set()


def test_pythons_that_are_named_are_those_that_are_tested():
    text = (ROOT / "benchmarks" / "versions.py").read_text("utf-8")
    named = {
        line.rpartition(" :: ")[2]
        for line in PROJECT["classifiers"]
        if re.fullmatch(r"Programming Language :: Python :: 3\.\d+", line)
    }
    tested = set(re.findall(r'"(3\.\d+)"', text.split("PYTHONS", 1)[1].split("\n", 1)[0]))
    assert named == tested
    assert PROJECT["requires-python"] == f">={min(named, key=lambda v: int(v.split('.')[1]))}"


def test_lowest_versions_are_asked_for_by_name():
    """What only the wheel asked for came in its newest version where the lowest were tried."""
    full = {(name, lowest) for name, lowest, extra in asked() if extra not in OUTSIDE_FULL}
    assert {tuple(line.split(">=")) for line in versions.required()} == full
    lines = ["numpy>=2.1", "SALib>=1.5.1", "axe-core-python>=0.1"]
    lowest = {"numpy": "2.1.0", "salib": "1.5.1", "axe_core_python": "0.1"}
    assert versions.not_lowest(lines, lowest) == []
    newer = versions.not_lowest(lines, {**lowest, "numpy": "2.5.5"})
    assert newer == ["numpy>=2.1 (has 2.5.5)"]
    del lowest["salib"]
    assert versions.not_lowest(lines, lowest) == ["SALib>=1.5.1 (has None)"]


@pytest.mark.parametrize("row", sorted(asked()), ids=lambda row: row[0])
def test_lowest_versions_are_not_above_what_runs_here(row):
    name, lowest, _ = row
    try:
        here = metadata.version(name)
    except metadata.PackageNotFoundError:
        pytest.skip(f"{name} is not installed")
    numbers = [[int(p) for p in re.findall(r"\d+", v)[:3]] for v in (lowest, here)]
    assert numbers[0] <= numbers[1]


@pytest.mark.skipif(os.name == "nt", reason="scripts of a POSIX shell")
def test_a_python_counts_as_here_only_where_it_runs(tmp_path, monkeypatch):
    """pyenv puts a name on the path for every Python that it knows, chosen or not."""

    def script(place, line):
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_text(f"#!/bin/sh\n{line}\n", encoding="utf-8")
        place.chmod(0o755)
        return place

    monkeypatch.setenv("PATH", str(tmp_path / "shims"))
    monkeypatch.setenv("PYENV_ROOT", str(tmp_path))
    script(tmp_path / "shims" / "python3.12", "echo 'pyenv: python3.12: not found' >&2; exit 127")
    assert versions.python_here("3.12") is None
    own = script(tmp_path / "versions" / "3.12.1" / "bin" / "python", "echo 3.12")
    assert versions.python_here("3.12") == own
    script(tmp_path / "versions" / "3.13.0" / "bin" / "python", "echo 3.12")
    assert versions.python_here("3.13") is None

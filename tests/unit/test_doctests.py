"""Every example in a docstring, in README and in the help runs."""

import doctest
import importlib
import pkgutil
from pathlib import Path

import pytest

import momentshare

ROOT = Path(__file__).resolve().parents[2]
MODULES = sorted(
    m.name
    for m in pkgutil.walk_packages(momentshare.__path__, "momentshare.")
    if not m.name.endswith("__main__") and ".models" not in m.name
)
FLAGS = doctest.NORMALIZE_WHITESPACE | doctest.ELLIPSIS


@pytest.mark.parametrize("name", MODULES)
def test_examples_of_a_module_run(name):
    result = doctest.testmod(importlib.import_module(name), optionflags=FLAGS)
    assert result.failed == 0


def test_examples_of_the_readme_run():
    result = doctest.testfile(str(ROOT / "README.md"), module_relative=False, optionflags=FLAGS)
    assert result.attempted >= 8
    assert result.failed == 0


@pytest.mark.parametrize(("name", "least"), [("python", 10), ("solver", 5), ("linkage", 9)])
def test_examples_of_the_help_run(name, least):
    place = ROOT / "src" / "momentshare" / "help" / "topics" / f"{name}.md"
    result = doctest.testfile(str(place), module_relative=False, optionflags=FLAGS)
    assert result.attempted >= least
    assert result.failed == 0

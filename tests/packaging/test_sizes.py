"""Files and functions stay small enough to be read at a sitting.

Statements and complexity are bounded by ruff. A file that ruff lets have long signatures may have
them in the functions named here only.
"""

import ast
import tomllib
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
SOURCE = ROOT / "src" / "momentshare"

MOST_LINES = 500
MOST_ARGUMENTS = 8

LONG_SIGNATURES = {
    "cli/cohort.py": {"cohort"},
    "cli/main.py": {"compare"},
    "cli/explain.py": {"explain"},
    "cli/strength.py": {"strength"},
    "cli/uncertainty.py": {"uncertainty"},
    "muscle/capacity.py": {"head_state"},
    "sharing/_feasible.py": {"greatest_factor", "greatest_moment"},
    "sharing/_gradients.py": {"force_gradients"},
    # What is written as code has the arguments of its call.
    "sharing/_backends/kernels/lane_cone.py": {"join", "look"},
    "sharing/_backends/kernels/lane_functions.py": {"certify", "lane_pass"},
    "sharing/_backends/kernels/short_lanes.py": {"certify_short"},
    "sharing/_share.py": {"share"},
    "sharing/_solver.py": {"__init__", "solve"},
    "trial/process.py": {"process_trial"},
}
"""Options of a command or of a public call stand in its signature, where they are documented."""


def signatures(text):
    """Functions of a module with their number of arguments."""
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef)):
            given = node.args
            names = [a.arg for a in (*given.posonlyargs, *given.args, *given.kwonlyargs)]
            yield node.name, len(set(names) - {"self", "cls"})


def compiled():
    """Files whose loops are compiled and exempt."""
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["tool"]["ruff"]["lint"]
    return {
        name.removeprefix("src/momentshare/")
        for name, rules in settings["per-file-ignores"].items()
        if "kernels/" in name and "PLR0913" in rules
    }


def long_signatures(folder):
    found = {}
    for path in folder.rglob("*.py"):
        name = path.relative_to(folder).as_posix()
        long = {n for n, count in signatures(path.read_text("utf-8")) if count > MOST_ARGUMENTS}
        if long and name not in compiled():
            found[name] = long
    return found


def test_long_signatures_are_found(tmp_path):
    names = ", ".join("abcdefgh")
    (tmp_path / "one.py").write_text(f"def f({names}, *, i): ...\ndef g({names}): ...\n")
    assert long_signatures(tmp_path) == {"one.py": {"f"}}


def test_only_doors_and_compiled_loops_have_long_signatures():
    for name, functions in long_signatures(SOURCE).items():
        assert functions <= LONG_SIGNATURES.get(name, set()), name


def test_the_compiled_loops_are_files_that_there_are():
    assert compiled()
    assert all((SOURCE / name).is_file() for name in compiled())


def test_no_file_is_longer_than_it_may_be():
    long = {
        path.relative_to(SOURCE).as_posix()
        for path in SOURCE.rglob("*.py")
        if len(path.read_text("utf-8").splitlines()) > MOST_LINES
    }
    assert not long

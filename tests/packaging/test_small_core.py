"""What works with numpy, scipy and pydantic alone, and what is said where an extra is missing.

Children see those three and what they require, nothing else that is installed here.
"""

import json
import os
import re
import subprocess
import sys
import tomllib
from importlib import metadata
from pathlib import Path

import numpy as np
import pytest

from momentshare.extras import LIBRARIES

ROOT = Path(__file__).resolve().parents[2]
SOURCE = ROOT / "src"
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]


def name_of(requirement):
    return re.match(r"[A-Za-z0-9_.-]+", requirement)[0].lower().replace("_", "-")


def required(names):
    """Names of packages and of all that they require here."""
    found, left = set(), list(names)
    while left:
        name = left.pop()
        if name not in found:
            found.add(name)
            left += [name_of(r) for r in metadata.requires(name) or () if "extra ==" not in r]
    return found - {"tzdata"}


@pytest.fixture(scope="module")
def core(tmp_path_factory):
    """Run a program with the core's libraries only; its output, or the whole process."""
    place = tmp_path_factory.mktemp("core")
    for name in required([name_of(r) for r in PROJECT["dependencies"]]):
        for file in metadata.files(name):
            top = Path(file).parts[0]
            source = Path(metadata.distribution(name).locate_file(top))
            if top != ".." and not (place / top).exists():
                (place / top).symlink_to(source)

    def run(*words, check=True):
        whole = subprocess.run(
            [sys.executable, "-S", *words],
            env={**os.environ, "PYTHONPATH": os.pathsep.join([str(SOURCE), str(place)])},
            capture_output=True,
            text=True,
            check=False,
            cwd=place,
        )
        if not check:
            return whole
        assert whole.returncode == 0, whole.stderr
        return whole.stdout

    return run


def test_only_the_core_is_there(core):
    code = "import importlib.util as u; print([n for n in NAMES if u.find_spec(n)])"
    names = [*LIBRARIES, "numba", "cvxpy"]
    assert core("-c", code.replace("NAMES", repr(names))).strip() == "[]"
    assert core("-c", "import numpy, scipy, pydantic; print(numpy.__version__)")


def test_importing_the_solver_loads_nothing_but_numpy():
    code = (
        "import sys, numpy; before = set(sys.modules)\nimport momentshare.sharing\n"
        "print(*{m.partition('.')[0] for m in set(sys.modules) - before})"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    # Python's own that are slow to load are left out as well: hashing, threads, temporary files.
    assert set(run.stdout.split()) - {"momentshare", "numpy"} <= {
        "__future__",
        "copy",
        "dataclasses",
        "importlib",
        "unicodedata",
    }


def test_the_solver_is_reached_from_the_package():
    code = "import momentshare; print(momentshare.sharing.Solver.__name__)"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout == "Solver\n"


SOLVE = """
import json
import numpy as np
from momentshare import BenchPress, Lateral, Person, Profile, build_limb, load_model, prepare
from momentshare import share, solve_lift
from momentshare.sharing import Solver, force_gradients, greatest_factor

arms = np.array([[0.022, 0.022, 0.0], [-0.02, 0.0, 0.035]])
capacity = np.array([800.0, 1000.0, 1200.0])
moments = np.array([[20.0, 30.0], [90.0, 5.0]])
answer = share(arms, capacity, moments)
solver = Solver(heads=3)
stepped = solver.step(arms, capacity, moments[0]).force.tolist()
factor = greatest_factor(arms, capacity, [0.0, 0.0], moments[0])
gradients = force_gradients(arms, capacity, moments[0])
limb = build_limb(Person(name="Runa", sex="female", stature=1.68, body_mass=64), load_model())
press = BenchPress(
    load_mass=20.0,
    spacing=Profile.constant(0.5),
    tuck=Profile(((0.0, 1.0), (1.0, 1.4))),
    tilt=Profile.constant(0.0),
    frames=5,
)
result = solve_lift(prepare(limb, press.lift(limb.skeleton)), Lateral(mode="free"))
print(json.dumps({
    "force": answer.force.tolist(),
    "stepped": stepped,
    "factor": float(factor.factor),
    "lift": result.force.tolist(),
    "status": [str(s) for s in answer.status_text],
}))
"""


def test_solver_limb_and_lift_answer_in_the_core(core):
    found = json.loads(core("-c", SOLVE))
    here = subprocess.run(
        [sys.executable, "-c", SOLVE], capture_output=True, text=True, check=True, cwd=ROOT
    )
    whole = json.loads(here.stdout)
    assert found["status"] == ["solved", "shortfall"]
    # Without numba NumPy solves; both are certified, not equal to the last digit.
    for name in ("force", "stepped", "factor", "lift"):
        np.testing.assert_allclose(found[name], whole[name], rtol=1e-6, atol=1e-5)
    assert np.shape(found["lift"]) == (5, 26)


def test_every_module_loads_or_says_what_to_install(core):
    code = (
        "import importlib, json, pathlib\n"
        "from momentshare.errors import MissingExtraError\n"
        "root = pathlib.Path(importlib.import_module('momentshare').__file__).parent\n"
        "told, odd = {}, {}\n"
        "for path in sorted(root.rglob('*.py')):\n"
        "    parts = path.relative_to(root.parent).with_suffix('').parts\n"
        "    name = '.'.join(parts[:-1] if parts[-1] == '__init__' else parts)\n"
        "    if 'tutorials.files' in name or '_kernels' in name or '.kernels' in name:\n"
        "        continue\n"
        "    try:\n"
        "        importlib.import_module(name)\n"
        "    except MissingExtraError as err:\n"
        "        told[name] = str(err)\n"
        "    except ImportError as err:\n"
        "        odd[name] = repr(err)\n"
        "print(json.dumps([told, odd]))"
    )
    told, odd = json.loads(core("-c", code))
    odd = {k: v for k, v in odd.items() if "momentshare.sharing" not in k}
    assert odd == {}
    for text in told.values():
        assert re.search(
            r"run: pip install 'momentshare\[(tables|figures|studies|jax|torch)\]'$", text
        ), text
    for name in ("limb", "paths", "analysis", "sharing", "balance", "model", "exercise"):
        assert not [module for module in told if module.startswith(f"momentshare.{name}")], name


@pytest.mark.parametrize(
    ("code", "extra"),
    [
        ("import momentshare; momentshare.head_table", "tables"),
        ("import momentshare; momentshare.draw_arm", "tables"),
        ("import momentshare; momentshare.run_uncertainty", "studies"),
        (
            "from momentshare.sharing import share; share([[0.1]], [9.0], [0.3]).to_dataframe()",
            "tables",
        ),
    ],
)
def test_what_needs_an_extra_names_it(core, code, extra):
    whole = core("-c", code, check=False)
    assert "MissingExtraError" in whole.stderr.splitlines()[-1]
    assert whole.stderr.strip().endswith(f"run: pip install 'momentshare[{extra}]'")


def test_the_command_says_what_to_install(core):
    whole = core("-m", "momentshare", "compare", "study.toml", "--out", "here", check=False)
    assert whole.returncode == 2
    assert whole.stderr == (
        "error: the command line needs typer, which is not installed; "
        "run: pip install 'momentshare[studies]'\n"
    )


def test_imports_of_others_fail_as_they_always_did(core):
    code = (
        "import momentshare, importlib.util\n"
        "from momentshare.errors import MissingExtraError\n"
        "assert importlib.util.find_spec('pandas') is None\n"
        "try:\n    import pandas\n"
        "except ImportError as err:\n    print(type(err).__name__, err)\n"
    )
    assert core("-c", code).strip() == "ModuleNotFoundError No module named 'pandas'"


def test_extras_of_the_messages_are_those_of_the_package():
    extras = PROJECT["optional-dependencies"]
    for library, (extra, _) in LIBRARIES.items():
        assert library.lower() in {name_of(line) for line in extras[extra]}
    ours = {name_of(line) for name in {e for e, _ in LIBRARIES.values()} for line in extras[name]}
    assert ours - {"momentshare"} == {library.lower() for library in LIBRARIES}


def test_full_holds_every_extra_but_tools_and_frameworks():
    full = re.fullmatch(r"momentshare\[(.*)\]", PROJECT["optional-dependencies"]["full"][0])[1]
    left = {"full", "dev", "bench", "jax", "torch"} | set(full.split(","))
    # studies brings tables and figures
    assert set(PROJECT["optional-dependencies"]) - left == {"tables", "figures"}

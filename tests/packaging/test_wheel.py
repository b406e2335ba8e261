"""The wheel holds what it should and works from another folder."""

import os
import shutil
import subprocess
import sys
import venv
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def wheel(tmp_path_factory):
    out = tmp_path_factory.mktemp("wheel")
    subprocess.run(
        [sys.executable, "-m", "pip", "wheel", "--no-deps", "-q", "-w", str(out), str(ROOT)],
        check=True,
    )
    (found,) = out.glob("momentshare-*.whl")
    return found


@pytest.mark.slow
def test_wheel_holds_models_types_and_demo(wheel):
    names = set(zipfile.ZipFile(wheel).namelist())
    for wanted in (
        "momentshare/py.typed",
        "momentshare/models/references.bib",
        "momentshare/models/reference_limb/limb.toml",
        "momentshare/models/reference_limb/sites.csv",
        "momentshare/demo/harbour_rescue.toml",
        "momentshare/help/topics/study.md",
        "momentshare/tutorials/files/developer/notebook.ipynb",
    ):
        assert wanted in names
    assert not [n for n in names if n.startswith(("tests/", "benchmarks/"))]


@pytest.mark.slow
def test_a_wheel_built_elsewhere_and_later_has_the_same_bytes(wheel, tmp_path):
    """From a copy of the source in another folder, with other times of its files."""
    copy = tmp_path / "another folder"
    kept = (
        "src",
        "models",
        "README.md",
        "LICENSE",
        "pyproject.toml",
        "DEVELOPERS.md",
        ".gitignore",
    )
    copy.mkdir()
    for name in kept:
        source = ROOT / name
        if source.is_dir():
            ignored = shutil.ignore_patterns("__pycache__")
            shutil.copytree(source, copy / name, copy_function=shutil.copyfile, ignore=ignored)
        elif source.exists():
            shutil.copyfile(source, copy / name)
    words = [sys.executable, "-m", "pip", "wheel", "--no-deps", "-q", "-w", str(tmp_path / "out")]
    surroundings = {**os.environ, "TZ": "Pacific/Kiritimati", "PYTHONHASHSEED": "4711"}
    subprocess.run([*words, str(copy)], check=True, env=surroundings)
    (again,) = (tmp_path / "out").glob("momentshare-*.whl")
    assert again.name == wheel.name
    assert again.read_bytes() == wheel.read_bytes()


@pytest.mark.slow
def test_installed_wheel_loads_the_model_from_another_folder(wheel, tmp_path):
    home = tmp_path / "env"
    # The libraries it depends on come from this environment; the package itself must not.
    venv.create(home, with_pip=False)
    site = next(home.glob("lib/python*/site-packages"))
    zipfile.ZipFile(wheel).extractall(site)
    libraries = [p for p in sys.path if p.endswith("site-packages")]
    code = (
        "import momentshare, pathlib, sys; m = momentshare.load_model(); "
        "print(len(m.heads)); print(pathlib.Path(momentshare.__file__).resolve())"
    )
    run = subprocess.run(
        [home / "bin" / "python", "-c", code],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": os.pathsep.join([str(site), *libraries])},
        check=True,
        capture_output=True,
        text=True,
    )
    heads, place = run.stdout.split("\n")[:2]
    assert int(heads) == 26
    assert Path(place).is_relative_to(home.resolve())

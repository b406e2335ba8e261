"""The same study gives the same bytes, whoever runs it, where, and in whose language."""

import os
import shutil
import subprocess
import sys

import pytest
from tests import kills

DIFFERENT = {
    "first": {"PYTHONHASHSEED": "1", "TZ": "UTC", "LC_ALL": "C.UTF-8"},
    "second": {
        "PYTHONHASHSEED": "4711",
        "TZ": "Pacific/Kiritimati",
        "LC_ALL": "de_DE.UTF-8",
        "LANG": "tr_TR.UTF-8",
        "USER": "somebody",
        "HOSTNAME": "elsewhere",
        "OMP_NUM_THREADS": "2",
        "NUMBA_NUM_THREADS": "2",
        "COLUMNS": "60",
    },
}


def ran(place, name, words):
    """Names and bytes of what a command leaves, run in a folder and surroundings of its own."""
    folder = place / name / ("a" if name == "first" else "a longer name with blanks")
    folder.mkdir(parents=True)
    (folder / "study.toml").write_text(kills.STUDY, encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-m", "momentshare", *words, "--quiet", "--out", "out"],
        cwd=folder,
        env={**os.environ, **DIFFERENT[name]},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    found = kills.everything(folder / "out")
    shutil.rmtree(folder / "out")
    return found


@pytest.mark.slow
@pytest.mark.parametrize(
    ("first", "second"),
    [
        (("compare", "study.toml"), ("compare", "study.toml")),
        (
            (*("uncertainty", *kills.COMMANDS["uncertainty"]), "--workers", "1"),
            (*("uncertainty", *kills.COMMANDS["uncertainty"]), "--workers", "3"),
        ),
    ],
    ids=["compare, figures too", "uncertainty, 1 and 3 workers"],
)
def test_same_study_same_bytes(tmp_path, first, second):
    one, two = ran(tmp_path, "first", first), ran(tmp_path, "second", second)
    assert one.keys() == two.keys()
    assert [name for name in one if one[name] != two[name]] == []
    assert len(one) > 5

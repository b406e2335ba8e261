"""Compiling ahead of time, in Python and by the command."""

import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

from momentshare import warm_up
from momentshare._kernels import is_available
from momentshare.cli.main import app
from momentshare.errors import InputError, MissingExtraError

needs_numba = pytest.mark.skipif(not is_available(), reason="numba is not installed")


@pytest.mark.parametrize("rows", [[0], [7], [3.0], [True]])
def test_rows_that_no_kernel_is_written_for_are_refused(rows):
    with pytest.raises(InputError, match=r"rows: must be whole numbers from 1 to 6; got"):
        warm_up(rows)


def test_without_numba_the_install_line_is_told(monkeypatch):
    monkeypatch.setenv("NUMBA_DISABLE_JIT", "1")
    with pytest.raises(MissingExtraError, match=r"momentshare\[fast\]"):
        warm_up([4])


@needs_numba
def test_the_command_names_every_kernel_and_where_it_is_kept():
    run = CliRunner().invoke(app, ["warm-up", "--rows", "4"])
    assert run.exit_code == 0, run.output
    lines = run.output.splitlines()
    names = [line[11:] for line in lines if line.startswith(("compiled ", "read back"))]
    assert {"paths", "presses", "sharing, min–max"} <= set(names)
    assert len(names) == len(set(names)) >= 5
    folders = [Path(line.removeprefix("Kept in ")) for line in lines if line.startswith("Kept in")]
    assert folders
    assert all(list(folder.glob("*.nbi")) for folder in folders)
    assert CliRunner().invoke(app, ["warm-up", "--rows", "4", "--quiet"]).output == ""


@needs_numba
def test_a_process_after_it_reads_everything_back():
    """In another process nothing is compiled any more, and lifts find their kernels as well."""
    code = (
        "from momentshare import warm_up\n"
        "made = warm_up([4])\n"
        "assert all(kernel.kept for kernel in made), [k.name for k in made if not k.kept]\n"
        "assert all(kernel.folder for kernel in made)\n"
    )
    warm_up([4])
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stderr

"""The folder that a command holds: also where nothing else can be written to."""

import os
import tempfile

import pytest

from momentshare import temporary
from momentshare._kernels.compiling import private_folder
from momentshare.cli import tables
from momentshare.cli.tables import held_folder

FONTS = "MPLCONFIGDIR"


@pytest.mark.parametrize("writable", [True, False])
def test_libraries_lay_aside_in_the_folder_where_nothing_else_can_be_written_to(
    tmp_path, monkeypatch, writable
):
    """Figures failed after all was solved, and uncertainty did not begin."""
    monkeypatch.delenv(FONTS, raising=False)
    monkeypatch.setattr(tables, "_has_font_cache", lambda: writable)
    monkeypatch.setattr(tables, "_has_temporary", lambda: writable)
    before = tempfile.gettempdir()
    with held_folder(tmp_path / "r", "compare") as run:
        assert os.environ.get(FONTS) == (None if writable else str(run.scratch))
        assert (tempfile.gettempdir() == str(run.scratch)) != writable
        with run.results() as writer:
            writer.text("a.csv", "1")
    assert FONTS not in os.environ
    assert tempfile.gettempdir() == before
    assert sorted(p.name for p in (tmp_path / "r").iterdir()) == [
        ".momentshare.json", "a.csv", "manifest.json",
    ]  # fmt: skip


def test_folders_of_the_user_are_taken_where_they_can_be_written_to(tmp_path, monkeypatch):
    monkeypatch.delenv(FONTS, raising=False)
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.delenv("XDG_CACHE_HOME", raising=False)
    monkeypatch.delenv("XDG_CONFIG_HOME", raising=False)
    assert tables._has_font_cache()
    assert tables._has_temporary()
    refused = {str(tmp_path)}
    real = os.access
    monkeypatch.setattr(os, "access", lambda p, mode: str(p) not in refused and real(p, mode))
    assert not tables._has_font_cache()
    monkeypatch.setenv(FONTS, str(tmp_path))  # what the user says stays
    assert tables._has_font_cache()
    monkeypatch.setattr(tempfile, "tempdir", None)
    monkeypatch.setattr(tempfile, "_get_default_tempdir", _none)
    assert not tables._has_temporary()


def test_the_current_folder_is_none_for_temporary_files_and_gives_no_compiled_code(
    tmp_path, monkeypatch
):
    """It is where Python looks last; what lies beside the data would be loaded as compiled code."""
    monkeypatch.chdir(tmp_path)
    for name in ("TMPDIR", "TEMP", "TMP"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    monkeypatch.setattr(temporary, "_USUAL", ())
    with pytest.raises(OSError, match="no folder for temporary files"):
        private_folder()
    assert not tables._has_temporary()
    assert list(tmp_path.iterdir()) == []
    monkeypatch.setenv("TMPDIR", str(tmp_path))  # what the user says stays
    assert tables._has_temporary()
    assert private_folder().parent == tmp_path


def _none():
    raise FileNotFoundError(2, "No usable temporary directory")

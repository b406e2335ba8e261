"""Names of files on every platform, looked at on this one."""

import ntpath
import unicodedata
from pathlib import Path, PureWindowsPath

import pytest

from momentshare.cohort.expand import _named
from momentshare.cohort.patterns import fitting_files
from momentshare.errors import InputError
from momentshare.files import Writer, run_folder
from momentshare.files.names import as_one, found_as, unportable
from momentshare.inputs import STUDY, TABLE, read_bytes, read_text

ZOE = unicodedata.normalize("NFC", "Zoë")
APART = unicodedata.normalize("NFD", "Zoë")


@pytest.mark.parametrize(
    "name",
    [
        *("con", "NUL.csv", "figures/aux.png", "com1.txt", "LPT9", "nul .csv", "PRN.tar.gz"),
        *("a:b", 'a"b', "a\\b", "what?", "a|b", "a*", "<a>", "bell\a"),
        *("dot.", "blank ", "folder./a.csv", "x" * 201),
    ],
)
def test_names_that_windows_does_not_take_are_never_written(tmp_path, name):
    assert unportable(name)
    with pytest.raises(ValueError, match=r"Windows|characters"):
        Writer(tmp_path).text(name, "")
    assert not [p for p in tmp_path.rglob("*") if p.is_file()]


@pytest.mark.parametrize(
    "name", ["console.csv", "a.nul", "null.csv", ".momentshare", "ë.svg", "com"]
)
def test_names_that_only_look_like_devices_serve(name):
    assert unportable(name) == ""


def test_every_reserved_name_of_the_standard_library_is_known():
    """Python's own list (``ntpath``, before 3.13 ``pathlib``) is the reference."""
    reserved = getattr(ntpath, "isreserved", lambda name: PureWindowsPath(name).is_reserved())
    numbered = [f"{device}{n}" for device in ("COM", "LPT") for n in range(1, 10)]
    for stem in ("CON", "PRN", "AUX", "NUL", *numbered):
        assert reserved(stem)
        assert unportable(f"{stem.lower()}.csv")


def test_names_that_differ_in_capitals_only_are_one_file_elsewhere(tmp_path):
    writer = Writer(tmp_path)
    writer.text("Heads.csv", "")
    writer.text("Heads.csv", "again")
    for other in ("heads.csv", "HEADS.CSV"):
        with pytest.raises(ValueError, match="case is ignored"):
            writer.text(other, "")
    writer.text(f"{ZOE}.csv", "")
    with pytest.raises(ValueError, match="case is ignored"):
        writer.text(f"{APART}.csv", "")
    assert as_one(APART) == as_one(ZOE)


def test_a_run_that_would_write_such_a_name_leaves_nothing(tmp_path):
    def work():
        with run_folder(tmp_path / "r", "compare") as run, run.results() as writer:
            writer.text("a.csv", "1")
            writer.text("nul.csv", "2")

    with pytest.raises(ValueError, match="kept for a device"):
        work()
    assert not (tmp_path / "r").exists()


def test_files_of_a_study_from_another_platform_are_found(tmp_path):
    (tmp_path / "lab").mkdir()
    (tmp_path / "lab" / "a.csv").touch()
    (tmp_path / f"{APART}.csv").touch()
    assert found_as(tmp_path, "lab\\a.csv") == tmp_path / "lab" / "a.csv"
    assert found_as(tmp_path, f"{ZOE}.csv") == tmp_path / f"{APART}.csv"
    assert found_as(tmp_path, "lab\\b.csv") == tmp_path / "lab\\b.csv"  # told as it was asked for
    assert found_as(tmp_path, "a\0b") == tmp_path / "a\0b"
    (tmp_path / "lab\\a.csv").touch()  # a name that Linux takes, as it stands
    assert found_as(tmp_path, "lab\\a.csv") == tmp_path / "lab\\a.csv"


def test_capitals_count_and_the_right_ones_are_offered(tmp_path):
    (tmp_path / "Trial.CSV").write_text("x")
    if (tmp_path / "trial.csv").exists():
        pytest.skip("this disk tells no capitals apart")
    with pytest.raises(InputError, match=r"no such file; did you mean 'Trial\.CSV'"):
        read_text(found_as(tmp_path, "trial.csv"), STUDY)


def test_patterns_find_people_however_their_accents_are_written(tmp_path):
    for name in (f"{APART}_1.csv", f"{ZOE}_2.csv"):
        (tmp_path / name).touch()
    faults = []
    found = fitting_files("{person}_{n}.csv", tmp_path, "files", faults)
    assert not faults
    assert [said for _, said in found] == [{"person": ZOE, "n": str(n)} for n in (1, 2)] or len(
        {p.name for p in tmp_path.iterdir()}
    ) == 1
    assert all((tmp_path / name).exists() for name, _ in found)
    assert _named([{"name": APART}], ZOE) == APART
    assert _named([{"name": "x", "file_label": ZOE}], APART) == "x"


def test_the_order_of_trials_is_that_of_the_bytes_of_their_names(tmp_path, monkeypatch):
    """Windows sorts paths by small letters; the numbers of trials must not depend on it."""
    for name in ("b.csv", "A.csv", "a.csv", "B.csv"):
        (tmp_path / name).touch()
    monkeypatch.setattr(Path, "__lt__", lambda a, b: a.name.lower() < b.name.lower())
    names = [name for name, _ in fitting_files("{person}.csv", tmp_path, "files", [])]
    assert names == sorted(names)


def test_a_file_that_is_not_there_offers_no_unlike_name(tmp_path):
    """Of files that share no more than an ending, none is what was meant."""
    for name in ("aron_narrow.csv", "ines_wide.csv"):
        (tmp_path / name).write_text("a\n", "utf-8")
    with pytest.raises(InputError, match=r"no such file; check the path"):
        read_bytes(tmp_path / "nofile.csv", TABLE)
    with pytest.raises(InputError, match=r"did you mean 'ines_wide\.csv'"):
        read_bytes(tmp_path / "ines_wid.csv", TABLE)

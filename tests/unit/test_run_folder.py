"""The folder of a run: held by one process, complete or not at all, and nothing else touched."""

import errno
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from types import SimpleNamespace

import pandas as pd
import pytest
from pyarrow import parquet

from momentshare.cli.tables import held_folder
from momentshare.cohort.trials import read_table as read_trial
from momentshare.errors import InputError, StorageError
from momentshare.files import as_run_folder, folder, lock, run_folder
from momentshare.files.writer import parquet_bytes
from momentshare.temporary import temporary_folder
from momentshare.uncertainty.run import chunk_path

STUDY = {"title": "t", "people": ("A",)}


ACCOUNT = {"manifest.json", ".momentshare.json"}


def everything(place):
    return {str(p.relative_to(place)): p.read_bytes() for p in place.rglob("*") if p.is_file()}


def written(place, files, command="compare", study=STUDY, leave=()):
    with run_folder(place, command, study=study) as run, run.results(leave=leave) as writer:
        for name, text in files.items():
            writer.text(name, text)


def manifest(place):
    return json.loads((place / "manifest.json").read_text("utf-8"))


# ------------------------------------------------------------------ results


def test_results_are_there_with_their_digests_and_nothing_else(tmp_path):
    written(tmp_path / "r", {"a.csv": "1", "figures/b.svg": "2"})
    assert set(everything(tmp_path / "r")) == {"a.csv", "figures/b.svg", *ACCOUNT}
    assert not (tmp_path / "r" / ".momentshare").exists()
    # SHA-256 of "1" (FIPS 180-4, as coreutils computes it).
    digest = subprocess.run(["sha256sum"], input=b"1", capture_output=True, check=True).stdout
    assert manifest(tmp_path / "r")["files"]["a.csv"] == digest.decode().split()[0]
    assert manifest(tmp_path / "r")["study"] == {"title": "t", "people": ["A"]}


def test_an_error_leaves_earlier_results_as_they_were(tmp_path):
    written(tmp_path / "r", {"a.csv": "1"})
    before = everything(tmp_path / "r")
    with pytest.raises(ValueError, match="no name within"):
        written(tmp_path / "r", {"a.csv": "2", "../b": "3"}, study={"title": "other"})
    assert everything(tmp_path / "r") == before


def test_a_run_that_ends_with_nothing_leaves_no_folder(tmp_path):
    with pytest.raises(ZeroDivisionError), run_folder(tmp_path / "new" / "r", "compare"):
        raise ZeroDivisionError
    assert not list(tmp_path.iterdir())


def test_what_is_not_written_again_goes_unless_it_was_changed_or_is_anothers(tmp_path):
    place = tmp_path / "r"
    written(place, {"a.csv": "1", "b.csv": "2", "c/d.csv": "3"})
    (place / "mine.txt").write_text("mine")
    (place / "b.csv").write_text("by hand")
    written(place, {"a.csv": "4"})
    assert set(everything(place)) == {"a.csv", "b.csv", "mine.txt", *ACCOUNT}
    assert (place / "b.csv").read_text() == "by hand"
    with pytest.raises(InputError, match=r"b\.csv: is in the way"):
        written(place, {"b.csv": "5"})
    assert (place / "b.csv").read_text() == "by hand"


def test_figures_stay_only_while_the_study_is_the_same(tmp_path):
    place = tmp_path / "r"
    written(place, {"a.csv": "1", "f.png": "2"})
    written(place, {"a.csv": "1"}, leave=(".png",))
    assert (place / "f.png").exists()
    other = {"title": "other"}
    # A run of another study that began and was stopped has not made the figures its own.
    with pytest.raises(KeyboardInterrupt), run_folder(place, "compare", study=other):
        raise KeyboardInterrupt
    written(place, {"a.csv": "1"}, study=other, leave=(".png",))
    assert not (place / "f.png").exists()


# ------------------------------------------------------------------ parts


def test_a_part_is_whole_under_its_tag_or_has_to_be_made_again(tmp_path):
    place = tmp_path / "r"
    with run_folder(place, "uncertainty") as run:
        run.keep("one", "tag", {"x/1": b"a", "x/2": b"b"})
        assert run.has("one", "tag")
    with run_folder(place, "uncertainty") as run:
        assert run.has("one", "tag")
        assert not run.has("one", "other")
        assert not run.has("two", "tag")
        (place / "x" / "2").write_bytes(b"B")
        assert not run.has("one", "tag")
        run.keep("one", "tag", {"x/1": b"a"})
        assert run.has("one", "tag")
    assert not (place / "x" / "2").exists()
    with run_folder(place, "uncertainty") as run:
        run.drop(["one"])
    assert not (place / "x" / "1").exists()


def test_a_killed_run_leaves_an_account_of_all_that_it_wrote(tmp_path):
    place = tmp_path / "r"
    program = (
        "import os, sys\n"
        "from momentshare.files import run_folder\n"
        "with run_folder(sys.argv[1], 'uncertainty') as run:\n"
        "    run.keep('one', 'tag', {'chunks/1': b'a'})\n"
        "    open(run.scratch + '/left', 'w').close()\n"
        "    os.kill(os.getpid(), 9)\n"
    )
    subprocess.run([sys.executable, "-c", program, place], check=False)
    assert (place / ".momentshare" / "journal").exists()
    journal = place / ".momentshare" / "journal"
    journal.write_bytes(journal.read_bytes() + b'{"part": "two", "is": {"ta')  # torn
    with run_folder(place, "uncertainty") as run:
        assert run.has("one", "tag")
        assert run.parts == ("one",)
        run.keep("one", "new", {"chunks/1": b"c"})
    assert set(everything(place)) == {"chunks/1", *ACCOUNT}
    assert not (place / ".momentshare").exists()


def test_what_is_temporary_lies_within_the_run_and_goes_with_a_killed_one(tmp_path, monkeypatch):
    place, system = tmp_path / "r", tmp_path / "tmp"
    system.mkdir()
    program = (
        "import os, sys\n"
        "from momentshare.files import run_folder\n"
        "from momentshare.processes import collect_answers\n"
        "with run_folder('r', 'cohort') as run:\n"
        "    for key, pid in collect_answers(os.getpid, [(1, ()), (2, ()), (3, ())], 2):\n"
        "        os.kill(os.getpid(), 9)\n"
    )
    env = os.environ | {"TMPDIR": str(system)}
    run = subprocess.run([sys.executable, "-c", program], check=False, cwd=tmp_path, env=env)
    assert run.returncode == -9
    assert list(system.iterdir()) == []
    assert [p.name[:12] for p in (place / ".momentshare" / "scratch").iterdir()] == ["momentshare-"]
    with run_folder(place, "cohort"):
        pass
    assert not (place / ".momentshare").exists()
    monkeypatch.setattr(tempfile, "tempdir", str(system))
    with temporary_folder() as folder:
        assert folder.parent == system


# ------------------------------------------------------------------ damaged accounts


def long_run(place, **options):
    """A run of two chunks and a result; what it solved, and what it told of its account."""
    solved = []
    with run_folder(place, "uncertainty", study=STUDY, **options) as run:
        for name in ("one", "two"):
            if not run.has(name, "tag"):
                solved.append(name)
                run.keep(name, "tag", {f"chunks/{name}": name.encode()})
        with run.results() as writer:
            writer.text("a.csv", "1")
        return solved, run.mended


DAMAGE = {
    "cut to nothing": lambda raw: raw[:0],
    "cut in half": lambda raw: raw[: len(raw) // 2],
    "a sector of zeros": lambda raw: raw[:40] + bytes(512) + raw[552:],
    "a digest of a result": lambda raw: raw.replace(b'"a.csv": "', b'"a.csv": "0'),
    "the name of a result": lambda raw: raw.replace(b"a.csv", b"b.csv"),
    "the name of a chunk": lambda raw: raw.replace(b"chunks/one", b"chunks/0ne"),
    "the command": lambda raw: raw.replace(b'"uncertainty"', b'"uncertainly"'),
    "the format": lambda raw: raw.replace(b'"format": 4', b'"format": 6'),
    "not text": lambda raw: b"\xff\xfe" + raw,
    "gone": None,
}


@pytest.mark.parametrize("how", DAMAGE)
@pytest.mark.parametrize("name", sorted(ACCOUNT))
def test_an_account_that_is_damaged_is_restored_from_the_other_one(tmp_path, name, how):
    """A damaged manifest was refused with the whole folder: all had to be solved again."""
    place = tmp_path / "r"
    assert long_run(place) == (["one", "two"], "")
    (place / "mine.txt").write_text("mine")
    before, damaged = everything(place), DAMAGE[how]
    if damaged is None:
        (place / name).unlink()
    else:
        raw = damaged(before[name])
        assert raw != before[name]
        (place / name).write_bytes(raw)
    (place / "chunks" / "two").write_bytes(b"damaged too")
    solved, told = long_run(place)
    assert solved == ["two"]
    assert everything(place) == before
    was = "was missing" if damaged is None else "was damaged"
    assert (f"manifest.json: {was} and is restored" in told) == (name == "manifest.json")


def test_whoever_calls_the_library_is_warned_of_a_restored_account(tmp_path):
    long_run(tmp_path)
    (tmp_path / "manifest.json").write_text("")
    with (
        pytest.warns(UserWarning, match=r"manifest\.json: was damaged and is restored"),
        as_run_folder(tmp_path, "uncertainty", study=STUDY),
    ):
        pass


def test_the_command_line_says_what_was_restored(tmp_path, capsys):
    long_run(tmp_path)
    (tmp_path / "manifest.json").write_text("")
    told = []
    for _ in range(2):
        with held_folder(tmp_path, "uncertainty", study=STUDY):
            told.append(capsys.readouterr().err)
    assert told[0].startswith("note: ")
    assert "manifest.json: was damaged and is restored from its copy" in told[0]
    assert told[1] == ""


def test_where_both_accounts_are_damaged_nothing_is_touched(tmp_path):
    long_run(tmp_path)
    for name in ACCOUNT:
        (tmp_path / name).write_text("{")
    before = everything(tmp_path)
    with pytest.raises(InputError, match=r"manifest\.json: is damaged, or is not a manifest of"):
        long_run(tmp_path)
    (tmp_path / "manifest.json").unlink()
    with pytest.raises(InputError, match=r"\.momentshare\.json: is damaged, or is not a manifest"):
        long_run(tmp_path)
    assert everything(tmp_path) == {k: v for k, v in before.items() if k != "manifest.json"}


def test_a_folder_whose_results_the_user_removed_is_empty(tmp_path):
    """A copy that was hidden from the user does not keep the folder for its command."""
    long_run(tmp_path)
    for name in ("manifest.json", "a.csv", "chunks/one", "chunks/two"):
        (tmp_path / name).unlink()
    written(tmp_path, {"b.csv": "2"})
    assert {k for k in everything(tmp_path) if "/" not in k} == {"b.csv", *ACCOUNT}


@pytest.mark.parametrize("damage", [b"", b"\0" * 60, b"not json\n"])
@pytest.mark.parametrize("which", ["journal", "journal.copy"])
def test_a_journal_that_is_damaged_is_taken_over_from_its_copy(tmp_path, which, damage):
    program = (
        "import os, sys\n"
        "from momentshare.files import run_folder\n"
        "with run_folder(sys.argv[1], 'uncertainty', study={'title': 't', 'people': ['A']}) as r:\n"
        "    for name in ('one', 'two'):\n"
        "        r.keep(name, 'tag', {'chunks/' + name: name.encode()})\n"
        "    os.kill(os.getpid(), 9)\n"
    )
    subprocess.run([sys.executable, "-c", program, tmp_path / "r"], check=False)
    journal = tmp_path / "r" / ".momentshare" / which
    raw = journal.read_bytes()
    journal.write_bytes(damage + raw[len(damage) :] if damage else b"")
    assert long_run(tmp_path / "r") == ([], "")
    assert long_run(tmp_path / "undisturbed") == (["one", "two"], "")
    assert everything(tmp_path / "r") == everything(tmp_path / "undisturbed")


# ------------------------------------------------------------------ refusals


def test_a_second_run_is_kept_out_and_told_by_whom(tmp_path):
    with run_folder(tmp_path / "r", "compare"):
        with (
            pytest.raises(InputError, match=f"another run .process {os.getpid()}. is writing"),
            run_folder(tmp_path / "r", "compare"),
        ):
            pass
        with run_folder(tmp_path / "other", "compare"):
            pass
    with run_folder(tmp_path / "r", "compare"):
        pass


@pytest.mark.parametrize("again", [False, True])
def test_a_lock_file_that_went_between_opening_and_locking_is_no_lock(tmp_path, monkeypatch, again):
    path, real, seen = tmp_path / "c" / "lock", lock._mine, []

    def late(handle):
        seen.append(os.fstat(handle).st_ino)
        if len(seen) == 1:  # the run that held it ended, and another may have begun
            path.rename(tmp_path / "gone")
            if again:
                path.touch()
        return real(handle)

    monkeypatch.setattr(lock, "_mine", late)
    with lock.held(path):
        assert len(seen) == 2
        assert path.stat().st_ino == seen[1] != seen[0]
        with pytest.raises(lock.HeldError), lock.held(path):
            pass
    assert not path.parent.exists()


def test_a_lock_file_that_cannot_go_while_open_goes_once_it_is_closed(tmp_path, monkeypatch):
    """As on Windows, where an open file stays."""
    path, real, closed = tmp_path / "c" / "lock", Path.unlink, []

    def close(handle):
        closed.append(handle)
        os.close(handle)

    def unlink(file, *given, **named):
        if not closed:
            raise PermissionError(13, "open elsewhere", str(file))
        real(file, *given, **named)

    monkeypatch.setattr(Path, "unlink", unlink)
    monkeypatch.setattr(lock, "os", SimpleNamespace(**{**vars(os), "name": "nt", "close": close}))
    with lock.held(path):
        assert path.exists()
    assert closed
    assert not path.parent.exists()


@pytest.mark.parametrize("number", [3, 5])
def test_another_version_is_refused_by_name(tmp_path, number):
    written(tmp_path, {"a.csv": "1"})
    text = (tmp_path / "manifest.json").read_text().replace('"format": 4', f'"format": {number}')
    for name in ACCOUNT:
        (tmp_path / name).write_text(text)
    before = everything(tmp_path)
    age = "an earlier" if number == 3 else "a later"
    with pytest.raises(InputError, match=f"a run of {age} version of momentshare"):
        written(tmp_path, {"a.csv": "2"})
    assert everything(tmp_path) == before


def test_the_manifest_of_an_earlier_uncertainty_is_known(tmp_path):
    (tmp_path / "manifest.json").write_text('{"format": 2, "chunk": 16, "draws": 200}')
    with pytest.raises(InputError, match=r"an earlier version of momentshare \(format 2"):
        written(tmp_path, {"a.csv": "2"}, command="uncertainty")


@pytest.mark.parametrize(
    "text",
    ["", "{", "[]", "3", "[" * 100_000, '{"momentshare": {"command": 3, "format": 4}}', "\0"],
)
def test_a_manifest_that_says_nothing_and_has_no_copy_is_refused(tmp_path, text):
    (tmp_path / "manifest.json").write_text(text)
    with pytest.raises(InputError, match=r"manifest\.json"):
        written(tmp_path, {"a.csv": "2"})
    assert (tmp_path / "manifest.json").read_text() == text


@pytest.mark.parametrize("name", ["run.json", "summary.json", "trials/study.json"])
def test_results_of_a_version_without_manifests_are_refused(tmp_path, name):
    (tmp_path / name).parent.mkdir(exist_ok=True)
    (tmp_path / name).write_text("{}")
    with pytest.raises(InputError, match=f"holds {name} without manifest"):
        written(tmp_path, {"a.csv": "2"})
    assert set(everything(tmp_path)) == {name}


@pytest.mark.parametrize("link", ["a.csv", "figures", ".momentshare", *sorted(ACCOUNT)])
def test_links_inside_are_refused_and_what_they_lead_to_is_left(tmp_path, link):
    place, elsewhere = tmp_path / "r", tmp_path / "elsewhere"
    place.mkdir()
    elsewhere.mkdir()
    (elsewhere / "b.svg").write_text("mine")
    target = elsewhere if link in {"figures", ".momentshare"} else elsewhere / "b.svg"
    (place / link).symlink_to(target)
    with pytest.raises(InputError, match=r"is a link|is not a folder of|manifest"):
        written(place, {"a.csv": "1", "figures/b.svg": "2"})
    assert everything(elsewhere) == {"b.svg": b"mine"}
    assert sorted(p.name for p in place.iterdir()) == [link]


def test_a_link_in_place_of_a_lock_is_not_followed(tmp_path):
    (tmp_path / "r" / ".momentshare").mkdir(parents=True)
    (tmp_path / "mine").write_text("mine")
    (tmp_path / "r" / ".momentshare" / "lock").symlink_to(tmp_path / "mine")
    with pytest.raises(StorageError):
        written(tmp_path / "r", {"a.csv": "1"})
    assert (tmp_path / "mine").read_text() == "mine"


def test_a_file_in_the_way_shows_before_anything_is_done(tmp_path):
    (tmp_path / "heads.csv").write_text("mine")
    with (
        pytest.raises(InputError, match=r"heads\.csv: is in the way"),
        run_folder(tmp_path, "compare", names=["heads.csv"]),
    ):
        raise AssertionError("the run must not begin")
    assert set(everything(tmp_path)) == {"heads.csv"}


@pytest.mark.parametrize("name", ["chunks", "figures", "trials"])
@pytest.mark.parametrize("kind", ["link", "file"])
def test_what_is_in_the_way_of_a_folder_shows_before_anything_is_done(tmp_path, name, kind):
    """A link ``figures`` was refused after all was computed."""
    place, elsewhere = tmp_path / "r", tmp_path / "elsewhere"
    place.mkdir()
    elsewhere.mkdir()
    if kind == "link":
        (place / name).symlink_to(elsewhere)
    else:
        (place / name).write_text("mine")
    with (
        pytest.raises(InputError, match=rf"{name}: is a {kind} where a folder of results"),
        run_folder(place, "compare"),
    ):
        raise AssertionError("the run must not begin")
    assert [p.name for p in place.iterdir()] == [name]
    assert everything(elsewhere) == {}


def test_a_linked_folder_and_another_disk_serve(tmp_path):
    shared = Path("/dev/shm")  # noqa: S108 - a disk of its own on Linux
    if not os.access(shared, os.W_OK) or shared.stat().st_dev == tmp_path.stat().st_dev:
        pytest.skip("there is no second disk")
    there = shared / f"momentshare-test-{os.getpid()}"
    there.mkdir()
    try:
        (tmp_path / "link").symlink_to(there)
        written(tmp_path / "link", {"a.csv": "1"})
        assert set(everything(there)) == {"a.csv", *ACCOUNT}
        assert (tmp_path / "link").is_symlink()
    finally:
        shutil.rmtree(there)


def test_too_little_room_shows_before_anything_is_done(tmp_path):
    free = shutil.disk_usage(tmp_path).free
    with (
        pytest.raises(StorageError, match=r"the run writes about \d+ MB, its disk has"),
        run_folder(tmp_path / "r", "compare", room=2 * free),
    ):
        raise AssertionError("the run must not begin")
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("number", range(12))
def test_a_disk_that_is_full_at_any_write_keeps_what_was_finished(tmp_path, monkeypatch, number):
    place = tmp_path / "r"
    with run_folder(place, "uncertainty") as run:
        run.keep("one", "tag", {"chunks/1": b"a"})
    real, left = os.fsync, [number]

    def full(handle):
        if left[0] == 0:
            raise OSError(errno.ENOSPC, "No space left on device")
        left[0] -= 1
        real(handle)

    def work():
        with run_folder(place, "uncertainty") as run:
            assert run.has("one", "tag")
            for part in ("two", "three"):
                if not run.has(part, "tag"):
                    run.keep(part, "tag", {f"chunks/{part}": part.encode()})
            with run.results() as writer:
                writer.text("a.csv", "1")

    monkeypatch.setattr(os, "fsync", full)
    try:
        work()
    except StorageError as err:
        assert "make room and run again" in str(err)  # noqa: PT017
        assert left == [0]
    monkeypatch.setattr(os, "fsync", real)
    work()
    assert everything(place).keys() == {
        "chunks/1", "chunks/two", "chunks/three", "a.csv", *ACCOUNT,
    }  # fmt: skip
    assert not (place / ".momentshare").exists()


@pytest.mark.parametrize("refusals", [1, 4, 5])
def test_a_file_that_another_program_has_open_is_waited_for(tmp_path, monkeypatch, refusals):
    """As Windows has it: what is open in another program cannot be replaced for a moment."""
    place = tmp_path / "r"
    with run_folder(place, "uncertainty") as run:
        run.keep("one", "tag", {"chunks/1": b"a"})
    real, left, waits = os.replace, [refusals], []

    def refuses(source, target):
        if Path(target).name == "1" and left[0]:
            left[0] -= 1
            raise PermissionError(errno.EACCES, "The process cannot access the file")
        real(source, target)

    monkeypatch.setattr(os, "replace", refuses)
    monkeypatch.setattr(time, "sleep", waits.append)
    with run_folder(place, "uncertainty") as run:
        if refusals < 5:
            run.keep("one", "new", {"chunks/1": b"b"})
        else:  # it stays open: said, and what was finished is kept
            with pytest.raises(StorageError, match="cannot access the file"):
                run.keep("one", "new", {"chunks/1": b"b"})
    assert sum(waits) <= 1.0
    monkeypatch.setattr(os, "replace", real)
    with run_folder(place, "uncertainty") as run:
        assert run.has("one", "new") == (refusals < 5)
        run.keep("one", "new", {"chunks/1": b"b"})
        assert run.has("one", "new")
    assert (place / "chunks" / "1").read_bytes() == b"b"
    assert not (place / ".momentshare").exists()


def test_a_folder_that_is_held_is_gone_on_with(tmp_path):
    with run_folder(tmp_path / "r", "compare") as run, as_run_folder(run, "compare") as same:
        assert same is run


def test_names_cannot_leave_the_folder(tmp_path):
    for name in ("../a", "/a", ""):
        with pytest.raises(ValueError, match="no name within"):
            written(tmp_path / "r", {name: "1"})
    assert folder.CONTROL == ".momentshare"


NAMED_ELSEWHERE = """
import os, sys
import pandas as pd
from momentshare.cli.tables import held_folder
from momentshare.cohort.trials import read_table
from momentshare.files import run_folder
from momentshare.files.writer import parquet_bytes, stored_table
from momentshare.uncertainty.run import chunk_path
assert sys.getfilesystemencoding() == "ascii"
table = pd.DataFrame({"a": [1, 2]})
with run_folder("r", "compare") as run:
    run.keep("trials/0001", "tag", {"trials/0001/heads.parquet": parquet_bytes(table)})
    run.keep("draws", "tag", {"chunks/draws-000000.parquet": parquet_bytes(table)})
    with run.results() as writer:
        writer.parquet_blocks("blocks.parquet", iter([table]))
        writer.parquet_parts("parts.parquet", lambda: iter([table]))
    assert read_table(run.path, 1, "heads").equals(table)
    assert stored_table(chunk_path(run.path, "draws", 0)).num_rows == 2
"""


def test_a_folder_whose_name_the_system_does_not_encode_as_utf_8_serves(tmp_path):
    """The library of Parquet encodes names as UTF-8: all was solved, and then lost."""
    place = tmp_path / "Jörg"
    place.mkdir()
    paths = [str(Path(folder.__file__).parents[2]), *filter(None, [os.environ.get("PYTHONPATH")])]
    plain = {"LC_ALL": "POSIX", "PYTHONUTF8": "0", "PYTHONPATH": os.pathsep.join(paths)}
    subprocess.run(
        [sys.executable, "-c", NAMED_ELSEWHERE], cwd=place, env={**os.environ, **plain}, check=True
    )
    assert len(list(place.rglob("*.parquet"))) == 4


@pytest.mark.parametrize("name", ["~", "a:b", "s3:results", "file:results"])
def test_the_name_of_a_folder_is_neither_a_home_nor_an_address(tmp_path, monkeypatch, name):
    """Every table lies where the other files are, written in one piece or in many."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    table = pd.DataFrame({"a": [1, 2]})
    with run_folder(name, "compare") as run:
        run.keep("trials/0001", "tag", {"trials/0001/heads.parquet": parquet_bytes(table)})
        run.keep("draws", "tag", {"chunks/draws-000000.parquet": parquet_bytes(table)})
        with run.results() as writer:
            writer.parquet_blocks("blocks.parquet", iter([table]))
            writer.parquet_parts("parts.parquet", lambda: iter([table]))
        assert read_trial(run.path, 1, "heads").equals(table)
        assert parquet.read_table(chunk_path(run.path, "draws", 0)).num_rows == 2
    assert {p.name for p in tmp_path.rglob("*.parquet")} == {
        *("heads.parquet", "draws-000000.parquet", "blocks.parquet", "parts.parquet"),
    }
    assert sorted(p.name for p in tmp_path.iterdir()) == [name]

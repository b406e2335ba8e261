"""A single file that a command writes: completely or not at all, by one run at a time."""

import errno
import os
import shutil
import subprocess
import sys

import pytest

from momentshare.errors import InputError, StorageError
from momentshare.files import lone_file


def names(folder):
    return sorted(p.name for p in folder.iterdir())


def test_a_file_is_there_whole_and_nothing_beside_it(tmp_path):
    place = tmp_path / "new" / "page.html"
    for text in (b"one", b"two"):
        with lone_file(place) as write:
            assert names(place.parent) == [
                ".page.html.momentshare",
                *["page.html"] * (text != b"one"),
            ]
            write(text)
        assert place.read_bytes() == text
        assert names(place.parent) == ["page.html"]


def test_a_run_that_fails_leaves_what_was_there(tmp_path):
    (tmp_path / "page.html").write_bytes(b"earlier")
    for place in (tmp_path / "page.html", tmp_path / "new" / "page.html"):
        with pytest.raises(ZeroDivisionError), lone_file(place):
            raise ZeroDivisionError
    assert names(tmp_path) == ["page.html"]
    assert (tmp_path / "page.html").read_bytes() == b"earlier"


def test_a_second_run_is_kept_out(tmp_path):
    with lone_file(tmp_path / "page.html") as write:
        with (
            pytest.raises(InputError, match=f"another run .process {os.getpid()}. is writing"),
            lone_file(tmp_path / "page.html"),
        ):
            pass
        with lone_file(tmp_path / "other.html") as other:
            other(b"2")
        write(b"1")
    assert names(tmp_path) == ["other.html", "page.html"]


def test_what_a_killed_run_left_goes_with_the_next(tmp_path):
    program = (
        "import os, sys\n"
        "from pathlib import Path\n"
        "from momentshare.files import lone_file\n"
        "with lone_file(sys.argv[1]) as write:\n"
        "    part = Path(sys.argv[1]).parent / '.page.html.momentshare' / 'part'\n"
        "    part.write_text('half')\n"
        "    os.kill(os.getpid(), 9)\n"
    )
    subprocess.run([sys.executable, "-c", program, tmp_path / "page.html"], check=False)
    assert names(tmp_path) == [".page.html.momentshare"]
    with lone_file(tmp_path / "page.html") as write:
        write(b"whole")
    assert names(tmp_path) == ["page.html"]


@pytest.mark.parametrize("kind", ["link", "folder", "link in place of the lock's folder"])
def test_what_is_in_the_way_shows_before_anything_is_done(tmp_path, kind):
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    place = tmp_path / "page.html"
    if kind == "folder":
        place.mkdir()
    elif kind == "link":
        place.symlink_to(elsewhere / "mine.html")
    else:
        (tmp_path / ".page.html.momentshare").symlink_to(elsewhere)
    before = names(tmp_path)
    with pytest.raises(InputError, match=r"is a (link|folder)|is not a folder"), lone_file(place):
        raise AssertionError("the run must not begin")
    assert names(tmp_path) == before
    assert names(elsewhere) == []


@pytest.mark.parametrize("kind", ["file", "empty file", "pipe"])
def test_what_has_not_the_mark_of_the_command_is_never_replaced(tmp_path, kind):
    place = tmp_path / "page.html"
    if kind == "pipe":
        os.mkfifo(place)
    else:
        place.write_bytes(b"somebody's work"[: 0 if kind == "empty file" else None])
    with (
        pytest.raises(InputError, match=r"page\.html: is in the way and was not written by"),
        lone_file(place, mark=b"<mark>"),
    ):
        raise AssertionError("the run must not begin")
    assert names(tmp_path) == ["page.html"]


def test_what_has_the_mark_is_replaced(tmp_path):
    place = tmp_path / "page.html"
    for text in (b"<mark> one", b"<mark> two"):
        with lone_file(place, mark=b"<mark>") as write:
            write(text)
        assert place.read_bytes() == text


@pytest.mark.parametrize("name", ["fsync", "replace"])
@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EIO])
def test_a_disk_that_takes_nothing_leaves_what_was_there(tmp_path, monkeypatch, name, number):
    place = tmp_path / "page.html"
    place.write_bytes(b"earlier")

    def gone(*_given):
        raise OSError(number, os.strerror(number))

    def work():
        with lone_file(place) as write:
            monkeypatch.setattr(os, name, gone)
            write(b"new")

    with pytest.raises(StorageError, match="run again"):
        work()
    assert names(tmp_path) == ["page.html"]
    assert place.read_bytes() == b"earlier"


def test_too_little_room_shows_before_anything_is_done(tmp_path):
    room = 2 * shutil.disk_usage(tmp_path).free
    with pytest.raises(StorageError, match="its disk has"), lone_file(tmp_path / "a", room=room):
        raise AssertionError("the run must not begin")
    assert names(tmp_path) == []

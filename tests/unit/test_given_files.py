"""Files that a command gives to its user: all of them, and over none of the user's."""

import os
import subprocess
import sys

import pytest
from typer.testing import CliRunner

from momentshare.cli.main import app
from momentshare.errors import InputError
from momentshare.files import given_files

STUDIES = (("demo", "study.toml"), ("tutorial student", "press.toml"))
"""Commands that give files at once, and one of the files."""


def names(folder):
    return sorted(p.name for p in folder.rglob("*"))


def given(folder, texts, more=()):
    with given_files(folder, texts) as made:
        for name, data in more:
            (made / name).parent.mkdir(exist_ok=True)
            (made / name).write_bytes(data)


def test_all_files_are_there_and_nothing_beside_them(tmp_path):
    for _ in range(2):  # the second time they are there already
        given(tmp_path / "t", {"a.md": b"a"}, [("lab/b.csv", b"b")])
        assert names(tmp_path / "t") == ["a.md", "b.csv", "lab"]
    assert (tmp_path / "t" / "lab" / "b.csv").read_bytes() == b"b"


@pytest.mark.parametrize("mine", ["a.md", "lab/b.csv"])
def test_a_file_of_the_user_stays_and_nothing_comes_beside_it(tmp_path, mine):
    (tmp_path / "lab").mkdir()
    (tmp_path / mine).write_bytes(b"mine")
    with pytest.raises(InputError, match="exists with other contents; choose another folder"):
        given(tmp_path, {"a.md": b"a"}, [("lab/b.csv", b"b"), ("lab/a.csv", b"a")])
    assert names(tmp_path) == sorted({"lab", os.path.basename(mine)})  # noqa: PTH119
    assert (tmp_path / mine).read_bytes() == b"mine"


@pytest.mark.parametrize("there", [True, False])
@pytest.mark.parametrize("name", ["a.md", "lab"])
def test_a_link_is_not_followed(tmp_path, name, there):
    away, place = tmp_path / "away", tmp_path / "t"
    place.mkdir()
    if there:
        away.mkdir()
    (place / name).symlink_to(away)
    with pytest.raises(InputError, match="is a link where a file should go"):
        given(place, {"a.md": b"a"}, [("lab/b.csv", b"b")])
    assert names(place) == [name]
    assert not there or names(away) == []


def test_what_a_killed_run_left_goes_with_the_next(tmp_path):
    program = (
        "import os, sys\n"
        "from momentshare.files import given_files\n"
        "with given_files(sys.argv[1], {'a.md': b'a'}) as made:\n"
        "    (made / 'b.md').write_bytes(b'half')\n"
        "    os._exit(9)\n"
    )
    done = subprocess.run([sys.executable, "-c", program, str(tmp_path)], check=False)
    assert done.returncode == 9
    assert "b.md" in names(tmp_path)
    given(tmp_path, {"a.md": b"a"})
    assert names(tmp_path) == ["a.md"]


def test_a_second_run_is_kept_out(tmp_path):
    with (
        given_files(tmp_path, {"a.md": b"a"}),
        pytest.raises(InputError, match="another run"),
        given_files(tmp_path, {}),
    ):
        pass
    assert names(tmp_path) == ["a.md"]


@pytest.mark.parametrize(("command", "name"), STUDIES)
@pytest.mark.parametrize("what", ["link", "pipe", "folder", "bytes"])
def test_a_command_that_gives_files_refuses_what_is_in_the_way(tmp_path, command, name, what):
    away, place = tmp_path / "away", tmp_path / "t"
    place.mkdir()
    target = place / name
    if what == "link":
        target.symlink_to(away)
    elif what == "pipe":
        os.mkfifo(target)
    elif what == "folder":
        target.mkdir()
    else:
        target.write_bytes(b"\xff\xfe")
    done = CliRunner().invoke(app, [*command.split(), str(place)])
    assert isinstance(done.exception, InputError)
    assert name in str(done.exception)
    assert names(tmp_path) == [name, "t"]


def test_the_invented_laboratory_replaces_no_study(tmp_path):
    (tmp_path / "cohort.toml").write_text("mine", encoding="utf-8")
    done = CliRunner().invoke(app, ["demo", str(tmp_path), "--lab"])
    assert isinstance(done.exception, InputError)
    assert "cohort.toml: exists with other contents" in str(done.exception)
    assert names(tmp_path) == ["cohort.toml"]
    assert (tmp_path / "cohort.toml").read_text("utf-8") == "mine"

"""The single entry point for input files: what is read, and what every reader refuses."""

import os
import subprocess
import sys
import threading
import time
from pathlib import Path
from types import SimpleNamespace

import pytest

from momentshare.errors import InputError, ModelError, StudyError
from momentshare.files.place import check_place
from momentshare.inputs import (
    LONGEST_CELL,
    MOST_LINES,
    STUDY,
    Kind,
    csv_rows,
    decoded,
    read_bytes,
    read_text,
    toml_data,
)
from momentshare.model import load_model, models_folder
from momentshare.model.sources import read_bibliography
from momentshare.published import read_published
from momentshare.strength.utilisation import read_moments
from momentshare.study import load_study
from momentshare.trial.formats.contents import file_contents

READERS = {
    "study": (load_study, "study.toml", StudyError),
    "moments": (read_moments, "moments.csv", InputError),
    "published": (read_published, "published.csv", InputError),
    "bibliography": (read_bibliography, "references.bib", ModelError),
    "recording": (file_contents, "trial.csv", InputError),
}


@pytest.fixture(params=READERS)
def reader(request, tmp_path):
    read, name, error = READERS[request.param]

    def fault(prepare):
        place = tmp_path / name
        prepare(place)
        with pytest.raises(error) as caught:
            read(place)
        assert name in str(caught.value)
        return str(caught.value)

    return fault


def in_time(work, seconds=10.0):
    """Do something that may wait for ever, and fail if it does."""
    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    thread.join(seconds)
    assert not thread.is_alive()


def test_every_reader_refuses_a_pipe_without_waiting(reader):
    in_time(lambda: answers.append(reader(os.mkfifo)))
    assert "is not a plain file" in answers.pop()


answers = []


def test_every_reader_refuses_a_device(reader):
    assert "is not a plain file" in reader(lambda p: p.symlink_to("/dev/zero"))


def test_every_reader_refuses_a_folder(reader):
    assert "is a folder" in reader(Path.mkdir)


def test_every_reader_names_what_is_not_there(reader):
    assert "no such file" in reader(lambda _: None)


def test_every_reader_refuses_what_is_too_large(reader):
    def large(place):
        with place.open("wb") as file:
            file.truncate(300 << 20)

    assert "is larger than" in reader(large)


@pytest.mark.parametrize("raw", ["a\nb".encode("utf-16"), b"a\xe4b\n\n", b"a\0b\n\n"])
def test_every_reader_refuses_another_encoding(reader, raw):
    text = reader(lambda p: p.write_bytes(raw))
    assert "UTF-8" in text or "zero bytes" in text


def test_a_file_that_grows_for_ever_ends_at_the_limit():
    small = Kind(name="list", most=100, size="100 bytes", remedy="; cut it")
    with pytest.raises(InputError, match="is larger than 100 bytes; cut it"):
        read_bytes("/proc/cpuinfo", small)


def test_names_never_reach_the_terminal_as_they_are(tmp_path):
    odd = tmp_path / "a\x1b[2J\u202e\n.toml"
    with pytest.raises(StudyError) as caught:
        read_text(odd, STUDY, StudyError)
    assert "\x1b" not in str(caught.value)
    assert "\\x1b[2J\\u202e" in str(caught.value)
    with pytest.raises(InputError, match="cannot be read") as caught:
        read_text("x" * 5_000 + "\0", STUDY)
    assert len(str(caught.value)) < 500


def test_the_command_line_shows_no_control_characters(tmp_path):
    for words in (["compare", "\x1b]0;x\x07.toml", "--out", "o"], ["inspect", "\x1b[2J.c3d"]):
        done = subprocess.run(
            [sys.executable, "-m", "momentshare", *words],
            cwd=tmp_path,
            capture_output=True,
            check=False,
        )
        assert done.returncode == 2
        assert b"\x1b" not in done.stderr + done.stdout
        assert b"\\x1b" in done.stderr


def test_names_that_are_no_text_are_refused_before_anything_is_done(tmp_path):
    odd = os.fsdecode(os.fsencode(tmp_path) + b"/st\xff.toml")
    Path(odd).write_text("title = 'x'")
    with pytest.raises(StudyError, match=r"st\\udcff\.toml: its name is not valid UTF-8; rename"):
        load_study(odd)
    with pytest.raises(InputError, match="is not valid UTF-8"):
        check_place(Path(odd).with_suffix(""))


def test_a_link_to_nowhere(tmp_path):
    (tmp_path / "a.toml").symlink_to(tmp_path / "b.toml")
    with pytest.raises(InputError, match="is a link to a missing file"):
        read_bytes(tmp_path / "a.toml", STUDY)


def test_a_byte_order_mark_is_left_out():
    assert decoded(b"\xef\xbb\xbfabc", "x") == "abc"


def test_rows_of_csv_are_counted_as_an_editor_counts():
    text = 'a,b\n\n1,"two\nlines"\n ,\n3,4\n'
    assert csv_rows(text, "t.csv") == [
        (1, ["a", "b"]),
        (4, ["1", "two\nlines"]),
        (6, ["3", "4"]),
    ]


@pytest.mark.parametrize("length", [LONGEST_CELL + 1, 131_072, 140_000, 900_000])
def test_an_endless_cell_is_a_clear_fault(length):
    with pytest.raises(ModelError, match=r"^t\.csv: row 2: a cell has more than 10000") as caught:
        csv_rows(f"a,b\n1,{'x' * length}\n", "t.csv", ModelError)
    assert len(str(caught.value)) < 300


@pytest.mark.parametrize("end", ["\n", "\r", "\r\n"])
def test_very_many_lines_are_refused_before_they_are_read(end):
    """Sixteen megabytes of empty ones took ten seconds and more."""
    began = time.process_time()
    with pytest.raises(InputError, match=r"^t\.csv: has more than 1000000 lines; split it$"):
        csv_rows("a,b" + end * (MOST_LINES + 1), "t.csv")
    assert time.process_time() - began < 1.0
    assert csv_rows("a,b" + end * 1_000 + "1,2", "t.csv")[1][0] == 1_001


def test_an_endless_cell_in_a_model_is_a_fault_of_its_file(tmp_path):
    import shutil

    shutil.copytree(models_folder() / "reference_limb", tmp_path / "limb")
    shutil.copy(models_folder() / "references.bib", tmp_path)
    with (tmp_path / "limb" / "sites.csv").open("a") as file:
        file.write("x" * 200_000 + "\n")
    with pytest.raises(ModelError) as caught:
        load_model(tmp_path / "limb")
    assert any(f.startswith("sites.csv: row ") for f in caught.value.faults)
    assert len(str(caught.value)) < 20_000


def test_messages_are_never_endless():
    err = InputError("x" * 1_000_000, ["y" * 1_000_000] * 100)
    assert len(str(err)) < 70_000
    assert len(err.faults) == 100


def test_messages_hold_nothing_that_steers_a_terminal():
    err = InputError("a\x1b[2J:", ["key 'x\ty\u202e' is unknown"])
    assert str(err) == "a\\x1b[2J:\n  - key 'x\\ty\\u202e' is unknown"


ENDLESS = {
    "words": ".".join("a" * 300_000) + " = 1",
    "header": "[" + " . ".join(["ab"] * 90_000) + "]",
    "quoted": ".".join(['"a,"'] * 150_000) + " = 1",
    "escaped quotes": ".".join(['"\\""'] * 150_000) + " = 1",
    "literal": ".".join(["'='"] * 200_000) + " = 1",
    "in a table": "x = {b = 1, " + ".".join("a" * 300_000) + " = 1}",
}


@pytest.mark.parametrize("how", ENDLESS)
def test_a_key_of_very_many_parts_is_refused_before_it_is_read(how):
    """Reading one takes the square of their number: hours for a megabyte."""
    began = time.process_time()
    with pytest.raises(ValueError, match=r"key has more than 64 parts \(at line 2\)"):
        toml_data("# a title\n" + ENDLESS[how])
    assert time.process_time() - began < 5.0


@pytest.mark.parametrize(
    "text",
    [
        "x = [" + "[0.1, 65.25], " * 60_000 + "]",
        "x" * 900_000 + " = 1",
        'x = "' + "a.b " * 200_000 + '"',
        'x = "' + ". " * 400_000 + '"',
        "# " + '"' * 900_000,
        'x = """' + "\n" * 900_000 + '"""',
        ".".join("a" * 64) + " = 1",
    ],
    ids=["numbers", "a word", "text", "dots", "quotes", "lines", "as many as may be"],
)
def test_long_toml_is_read_in_a_time_that_grows_with_its_length(text):
    began = time.process_time()
    assert toml_data(text) is not None
    assert time.process_time() - began < 8.0


@pytest.mark.parametrize(
    "value", ["0x" + "f" * 5_000, "[1, 0x" + "f" * 16 + "]", "9223372036854775808"]
)
def test_an_integer_beyond_what_toml_has_is_refused(tmp_path, value):
    """One of more than 4,300 digits cannot be shown: its fault was a traceback."""
    study = tmp_path / "s.toml"
    study.write_text(f'title = "x"\n[settings]\nframes = {value}\n', encoding="utf-8")
    wanted = "The integer of 'frames' has more than 64 bits; write a smaller number"
    with pytest.raises(StudyError, match=wanted):
        load_study(study)
    assert toml_data(f"x = {2**63 - 1}") == {"x": 2**63 - 1}


def test_very_many_faults_are_counted_and_not_all_described(tmp_path):
    study = tmp_path / "s.toml"
    study.write_text("".join(f"k{number} = 1\n" for number in range(70_000)), encoding="utf-8")
    began = time.process_time()
    with pytest.raises(StudyError) as caught:
        load_study(study)
    assert time.process_time() - began < 5.0
    assert len(caught.value.faults) == 1_001
    assert caught.value.faults[-1].endswith(" faults after these are not described")


@pytest.mark.parametrize("name", READERS)
def test_a_file_that_does_not_come_in_time_is_refused(name, tmp_path, monkeypatch):
    """As from a share that gives a piece now and then; the clock runs, the test does not wait."""
    read, file, error = READERS[name]
    path = tmp_path / file
    path.write_bytes(b"# slow\n")
    clock = iter(range(0, 100_000, 200))
    monkeypatch.setattr(
        "momentshare.inputs.time", SimpleNamespace(monotonic=lambda: float(next(clock)))
    )
    with pytest.raises(error, match=r"has not come within 120 s; copy it to a disk of this"):
        read(path)


def test_a_file_in_many_pieces_comes_whole(tmp_path, monkeypatch):
    monkeypatch.setattr("momentshare.inputs._PIECE", 7)
    path = tmp_path / "a.toml"
    path.write_bytes(bytes(range(1, 200)))
    kind = Kind(name="study file", most=199, size="199 bytes", remedy="; cut it")
    assert read_bytes(path, kind) == bytes(range(1, 200))
    path.write_bytes(bytes(200))
    with pytest.raises(InputError, match="is larger than 199 bytes; cut it"):
        read_bytes(path, kind)

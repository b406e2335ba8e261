"""Patterns of file names: what fits, what is refused, and that no pattern takes for ever."""

import errno
import fnmatch
import os
import re
import time
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from momentshare.cohort.patterns import PLACEHOLDER, _may_fit, _read, fitting_files


def pieces(pattern):
    return [piece for piece in re.split(r"(\{[A-Za-z_]\w*\}|\*)", pattern) if piece]


def by_expression(pattern, name):
    """The same by a regular expression, in a time that nothing bounds."""
    parts, seen = [], set()
    for piece in pieces(pattern):
        label = piece[1:-1]
        if piece == "*":
            parts.append("[^/]*")
        elif PLACEHOLDER.fullmatch(piece):
            parts.append(f"(?P={label})" if label in seen else f"(?P<{label}>[^/]+?)")
            seen.add(label)
        else:
            parts.append(re.escape(piece))
    found = re.fullmatch("".join(parts), name)
    return None if found is None else found.groupdict()


WILD = st.sampled_from(["{a}", "{b}", "*"])
FIXED = st.sampled_from(["x", "_", "/", "x_", "_/x", "yx"])


@settings(max_examples=400)
@given(
    first=st.sampled_from(["", "x", "_"]),
    rest=st.lists(st.tuples(WILD, FIXED), min_size=1, max_size=4),
    open_end=st.booleans(),
    name=st.text("xy_/", min_size=1, max_size=12),
)
def test_names_are_read_as_a_regular_expression_reads_them(first, rest, open_end, name):
    pattern = first + "".join(wild + fixed for wild, fixed in rest)
    if open_end:
        pattern = pattern[: -len(rest[-1][1])]
    expected = by_expression(pattern, name)
    found = _read(pieces(pattern), [name])
    assert found == ([] if expected is None else [(name, expected)])


@pytest.mark.parametrize(
    ("pattern", "words"),
    [
        ("{person}{take}.csv", "must have fixed text between placeholders and stars"),
        ("{person}*.csv", "must have fixed text between placeholders and stars"),
        ("**/{person}.csv", "must have fixed text between placeholders and stars"),
        ("", "must have a name of files"),
        (" ", "must have a name of files"),
        ("/data/{person}.csv", "must be a name relative to the study"),
        (".", "must have a name of files"),
        ("..", "must have a name of files"),
        ("{person}\0.csv", "fits no file"),
        ("d" * 3_000 + "/{person}.csv", "cannot be looked for"),
        ("{" * 400 + "/{person}.csv", "cannot be looked for"),
        ("x" * 255 + "{person}.csv", "cannot be looked for"),
        ("d/" * 3_000 + "{person}.csv", "cannot be looked for"),
    ],
)
def test_a_pattern_that_cannot_be_is_a_fault(tmp_path, pattern, words):
    """Placeholders side by side, two stars, a dot, no name, a very long one and thousands of
    folders were tracebacks."""
    (tmp_path / "Ines_1.csv").touch()
    faults = []
    assert fitting_files(pattern, tmp_path, "files", faults) == []
    assert len(faults) == 1
    assert faults[0].startswith("files → pattern: ")
    assert words in faults[0]
    assert len(faults[0]) < 400


def test_a_pattern_as_long_as_names_can_be_is_looked_for(tmp_path):
    name = "d" * 63 + "/"
    folder = tmp_path / (name * 3)
    folder.mkdir(parents=True)
    (folder / ("x" * 240 + "Ines.csv")).touch()
    longest = "{" + "p" * 300 + "}"
    faults = []
    found = fitting_files(name * 3 + "x" * 240 + f"{longest}.csv", tmp_path, "files", faults)
    assert faults == []
    assert [said for _, said in found] == [{"p" * 300: "Ines"}]


def test_a_pattern_of_very_many_ways_ends(tmp_path):
    """Six placeholders of which one is repeated can part 180 underscores in 4e10 ways."""
    (tmp_path / ("Ines" + "_" * 180 + "wide.csv")).touch()
    faults, began = [], time.process_time()
    pattern = "{person}_{take}_{a}_{b}_{c}_{d}_{take}x{a}.csv"
    (tmp_path / ("Ines" + "_" * 180 + "xwide.csv")).touch()
    assert fitting_files(pattern, tmp_path, "files", faults) == []
    assert "can be read in too many ways" in faults[0]
    assert time.process_time() - began < 60.0


def test_looking_for_files_ends_whatever_the_name(tmp_path):
    """The search of Python 3.13 tried every way of parting a name at the stars."""
    for name in ("_" * 180 + "wide.csv", "_" * 90 + "x" + "_" * 90 + ".csv"):
        (tmp_path / name).touch()
    began, faults = time.process_time(), []
    assert fitting_files("*" + "_*" * 8 + "y*.csv", tmp_path, "files", faults) == []
    assert "fits no file" in faults[0]
    assert time.process_time() - began < 5.0


def test_links_that_lead_round_do_not_keep_a_search(tmp_path, monkeypatch):
    monkeypatch.setattr("momentshare.cohort.patterns._MOST_SEEN", 5_000)
    (tmp_path / "Ines_1.csv").touch()
    for name in "ab":
        (tmp_path / name).symlink_to(tmp_path, target_is_directory=True)
    faults = []
    assert len(fitting_files("*/*/{person}_*.csv", tmp_path, "files", faults)) == 4
    assert faults == []
    assert fitting_files("*/" * 60 + "{person}_*.csv", tmp_path, "files", faults) == []
    assert "leads through more than 5000 files and folders" in faults[0]


def test_a_folder_that_is_locked_is_told(tmp_path, monkeypatch):
    (tmp_path / "Ines").mkdir()
    real = os.scandir

    def locked(place):
        if Path(place).name == "Ines":
            raise PermissionError(errno.EACCES, "Permission denied", str(place))
        return real(place)

    monkeypatch.setattr(os, "scandir", locked)
    faults = []
    assert fitting_files("{person}/*.csv", tmp_path, "files", faults) == []
    assert "Ines: Permission denied" in faults[0]


@pytest.mark.parametrize(
    ("pattern", "wanted"),
    [
        ("{person}/*.csv", ["Ines/a.csv", "Ines/b.csv", "Zoe/a.csv"]),
        ("Ines/{take}.csv", ["Ines/a.csv", "Ines/b.csv"]),
        ("{person}/a.csv", ["Ines/a.csv", "Zoe/a.csv"]),
        ("../{person}.csv", ["../beside.csv"]),
        ("{person}[1].csv", ["Ines[1].csv"]),
        ("Ines?.{end}", ["Ines?.csv"]),
        ("*s.csv", [".Ines.csv", "Ines.csv"]),
        (".{name}", [".Ines.csv"]),
        ("{person}", [".Ines.csv", "Ines.csv", "Ines?.csv", "Ines[1].csv"]),
    ],
)
def test_files_that_a_pattern_fits_are_found(tmp_path, pattern, wanted):
    place = tmp_path / "study"
    for name in ("Ines/a.csv", "Ines/b.csv", "Zoe/a.csv", "Zoe/deep/a.csv", "../beside.csv"):
        (place / name).parent.mkdir(parents=True, exist_ok=True)
        (place / name).touch()
    for name in ("Ines.csv", "Ines[1].csv", "Ines?.csv", ".Ines.csv"):
        (place / name).touch()
    faults = []
    found = fitting_files(pattern, place, "files", faults)
    assert ([name for name, _ in found], faults) == (wanted, [])


@given(
    st.lists(st.sampled_from(["*", "a", "b", "ab", "_"]), min_size=1, max_size=6), st.text("ab_")
)
def test_what_may_fit_is_what_a_search_finds(parts, name):
    pattern = "".join(parts)
    if "*" in pattern:
        assert _may_fit(pattern.split("*"), name) == fnmatch.fnmatchcase(name, pattern)


def test_so_many_files_are_refused_before_they_are_read(tmp_path, monkeypatch):
    monkeypatch.setattr("momentshare.cohort.patterns._MOST_FILES", 3)
    for number in range(4):
        (tmp_path / f"Ines_{number}.csv").touch()
    faults = []
    assert fitting_files("{person}_*.csv", tmp_path, "files", faults) == []
    assert "fits more than 3 files" in faults[0]

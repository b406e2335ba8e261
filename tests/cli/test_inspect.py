"""What a file holds, and a layout that reads it."""

import json
import subprocess
import sys
import tomllib

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests import bench_lab
from tests.c3d_writer import File, text_values

from momentshare.errors import InputError
from momentshare.trial.formats.contents import file_contents
from momentshare.trial.formats.layout import LayoutEntry
from momentshare.trial.formats.proposal import proposed_layout
from momentshare.trial.formats.read import read_recording

CORNERS = np.array([[300.0, 200, 0], [-300, 200, 0], [-300, -200, 0], [300, -200, 0]])


def run(*words, cwd):
    return subprocess.run(
        [sys.executable, "-m", "momentshare", "inspect", *words],
        cwd=cwd,
        capture_output=True,
        text=True,
        check=False,
    )


def layout_of(text):
    """The one layout of a TOML text, with nothing left to say about it."""
    (found,) = tomllib.loads(text)["layout"]
    return LayoutEntry.model_validate(found)


def c3d(points=("IJ", "R EL", "LEM", "bar left"), **more):
    plate = {"type": 2, "corners": CORNERS, "channels": [1, 2, 3, 4, 5, 6]}
    file = File(real=True, points=len(points), channels=8, ratio=10, plates=(plate,), **more)
    numbers = file.numbers()
    numbers["POINT"]["LABELS"] = text_values(points)
    names = ["FX", "FY", "FZ", "MX", "MY", "MZ", "Triceps long", "EMG 2"]
    numbers["ANALOG"]["LABELS"] = text_values(names)
    numbers["ANALOG"]["UNITS"] = text_values(["N", "N", "N", "Nmm", "Nmm", "Nmm", "mV", "mV"])
    numbers["POINT"]["Y_SCREEN"] = text_values(["+Y"], flat=True)
    file.numbers = lambda: numbers
    return file


def test_a_c3d_file_is_listed_and_its_layout_reads_it(tmp_path):
    file = c3d()
    (tmp_path / "a.c3d").write_bytes(file.written())
    done = run("a.c3d", "--layout", "layout.toml", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    for said in ("R EL", "Triceps long", "500", "platform 1: type 2, channels FX, FY, FZ"):
        assert said in done.stdout
    layout = layout_of((tmp_path / "layout.toml").read_text("utf-8"))
    assert layout.faults("c3d") == []
    assert layout.up == "+y"
    assert layout.emg == {"triceps_brachii/long": "Triceps long"}
    got = read_recording(tmp_path / "a.c3d", layout)
    assert set(got.channels) == {
        *("ij", "right_el", "left_em", "bar_left"),
        *("right_hand_force", "emg/triceps_brachii/long"),
    }


@pytest.mark.parametrize(
    ("points", "prefix"),
    [
        (("P01:IJ", "P01:REL", "P01:LEM", "P01:BARL"), "P01:"),
        (("A:P01:IJ", "A:P01:REL"), "A:P01:"),
        (("P01:IJ", "P02:REL"), ""),
        (("P01:IJ", "REL"), ""),
    ],
)
def test_what_stands_before_every_label_becomes_the_prefix(tmp_path, points, prefix):
    file = c3d(points=points)
    (tmp_path / "a.c3d").write_bytes(file.written())
    layout = layout_of(proposed_layout(file_contents(tmp_path / "a.c3d")))
    assert layout.label_prefix == prefix
    if prefix:
        assert layout.markers["right_el"] == ("REL",)
        got = read_recording(tmp_path / "a.c3d", layout)
        assert {"ij", "right_el"} <= set(got.channels)


def test_gaps_units_and_rates_are_told_as_json(tmp_path):
    file = c3d(frames=40, seed=3)
    (tmp_path / "a.c3d").write_bytes(file.written())
    done = run("a.c3d", "--json", cwd=tmp_path)
    record = json.loads(done.stdout)
    assert (record["format"], record["upward"], record["record_version"]) == ("c3d", "+y", 1)
    first, *_ = record["signals"]
    lost = file.lost[:, 0]
    runs = max(map(len, "".join("x" if gone else " " for gone in lost).split()))
    assert first == {
        "kind": "marker",
        "label": "IJ",
        "unit": "mm",
        "rate": 50.0,
        "samples": 40,
        "missing": int(lost.sum()),
        "longest_gap": runs / 50.0,
        "least": float(np.nanmin(file.places()[:, 0])),
        "greatest": float(np.nanmax(file.places()[:, 0])),
        "middle": np.nanmedian(file.places()[:, 0], axis=0).tolist(),
    }
    assert layout_of(record["proposed_layout"]).format == "c3d"


def table(rows=12):
    rng = np.random.default_rng(2)
    columns = {"time": np.arange(rows) / 100.0}
    for stem, size in (("IJ", 900.0), ("REL", 900.0), ("right force", 300.0)):
        columns |= {f"{stem}_{a}": rng.uniform(100.0, size, rows).round(3) for a in "xyz"}
    columns["EMG tric lat"] = rng.normal(0.0, 1.0, rows).round(4)
    return pd.DataFrame(columns)


ROLES = {"ij", "right_el", "right_hand_force", "emg/triceps_brachii/lateral"}


@pytest.mark.parametrize(
    ("delimiter", "decimal"), [(",", "."), (";", ","), ("\t", "."), ("|", ",")]
)
def test_a_text_is_listed_and_its_layout_reads_it(tmp_path, delimiter, decimal):
    table().to_csv(tmp_path / "a.csv", index=False, sep=delimiter, decimal=decimal)
    contents = file_contents(tmp_path / "a.csv")
    assert contents.text.time_column == "time"
    layout = layout_of(proposed_layout(contents))
    assert layout.faults("csv") == []
    assert (layout.delimiter, layout.decimal, layout.units.markers) == (delimiter, decimal, "mm")
    got = read_recording(tmp_path / "a.csv", layout)
    assert set(got.channels) == ROLES
    assert got.channels["ij"].rate == pytest.approx(100.0)


def test_a_text_with_names_in_two_rows_and_a_row_of_units(tmp_path):
    data = table()
    names = ";IJ;;;R EL;;;FR;;;"
    axes = ";".join(["time", *"XYZXYZXYZ", "emg"])
    units = ";".join(["s", *["mm"] * 6, *["N"] * 3, "mV"])
    rows = data.to_csv(index=False, header=False, sep=";", decimal=",")
    (tmp_path / "a.txt").write_text(f"Some export\n\n{names}\n{axes}\n{units}\n{rows}")
    contents = file_contents(tmp_path / "a.txt")
    assert contents.text.header_rows == (3, 4)
    assert (contents.text.units_row, contents.text.first_row) == (5, 6)
    layout = layout_of(proposed_layout(contents))
    assert layout.axes == (" X", " Y", " Z")
    got = read_recording(tmp_path / "a.txt", layout)
    assert set(got.channels) == {"ij", "right_el", "right_hand_force"}
    np.testing.assert_allclose(
        np.sort(got.channels["ij"].values, axis=1),
        np.sort(data[[f"IJ_{a}" for a in "xyz"]].to_numpy() / 1000.0, axis=1),
    )


def test_a_parquet_file_is_listed_and_its_layout_reads_it(tmp_path):
    table().to_parquet(tmp_path / "a.parquet", index=False)
    layout = layout_of(proposed_layout(file_contents(tmp_path / "a.parquet")))
    assert layout.faults("parquet") == []
    assert set(read_recording(tmp_path / "a.parquet", layout).channels) == ROLES


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [
        ("a.csv", b"some words\nand more\n", "no rows of numbers were found"),
        ("a.csv", b"1,2\n3,4\n5,6\n7,8\n", "no row of names"),
        ("a.csv", b"", "is empty"),
        ("a.c3d", b"\x02\x50" + bytes(3000), "damaged"),
        ("a.parquet", b"PAR1 and nothing", "not readable as Parquet"),
    ],
)
def test_what_is_no_recording_is_refused(tmp_path, name, content, said):
    (tmp_path / name).write_bytes(content)
    with pytest.raises(InputError, match=said) as caught:
        file_contents(tmp_path / name)
    assert name in str(caught.value)


def test_a_refusal_ends_with_code_2_and_no_traceback(tmp_path):
    (tmp_path / "a.c3d").write_bytes(b"\x02\x50" + bytes(3000))
    done = run("a.c3d", cwd=tmp_path)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.startswith("error: a.c3d: ")
    assert "Traceback" not in done.stderr


def test_a_layout_is_not_written_over_a_file(tmp_path):
    (tmp_path / "a.c3d").write_bytes(c3d().written())
    (tmp_path / "mine.toml").write_text("mine")
    done = run("a.c3d", "--layout", "mine.toml", cwd=tmp_path)
    assert done.returncode == 2
    assert (tmp_path / "mine.toml").read_text() == "mine"


def test_labels_that_steer_a_terminal_are_shown_and_left_out(tmp_path):
    (tmp_path / "a.c3d").write_bytes(c3d(points=("IJ\x1b[2J", "R EL")).written())
    done = run("a.c3d", cwd=tmp_path)
    assert "\x1b" not in done.stdout
    assert "IJ\\x1b[2J" in done.stdout
    assert set(layout_of(done.stdout.partition("CHECK:\n")[2]).markers) == {"right_el"}


labels = st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=12)


@settings(max_examples=60, derandomize=True, database=None, deadline=None)
@given(names=st.lists(labels, min_size=1, max_size=6))
def test_every_proposal_loads(names, tmp_path_factory):
    place = tmp_path_factory.getbasetemp() / "any.c3d"
    file = c3d(points=("IJ",))
    numbers = file.numbers()
    width = max(1, *(len(n.encode()) for n in names))
    data = b"".join(n.encode().ljust(width) for n in names)
    numbers["ANALOG"]["LABELS"] = (-1, (width, len(names)), data)
    place.write_bytes(file.written())
    layout = layout_of(proposed_layout(file_contents(place)))
    assert layout.markers["ij"] == ("IJ",)


# Columns of the laboratory's axes x, y, z in the world of a recording: to the feet, up, right.
ROOMS = {
    ("+z", "-y"): [[1, 0, 0], [0, 0, -1], [0, 1, 0]],
    ("+y", "+z"): [[1, 0, 0], [0, 1, 0], [0, 0, 1]],
    ("-x", "+y"): [[0, -1, 0], [0, 0, 1], [-1, 0, 0]],
}


@pytest.mark.parametrize("room", ROOMS, ids="up {0[0]} right {0[1]}".format)
@pytest.mark.parametrize("acts", ["bar", "hand"])
def test_axes_and_forces_are_guessed_from_where_things_lie(tmp_path, room, acts):
    """A bench lifter of the independent generator, exported into rooms with other axes."""
    truth = bench_lab.press(bench_lab.lifters(1, 3)[0], "wide", 5)
    turn = np.array(ROOMS[room], dtype=float)
    columns = {"time": truth.time}
    for role, place in truth.points.items():
        side, _, name = role.partition("_")
        label = f"{side[0]} {name}" if side in {"right", "left"} else role.replace("_", " ")
        for axis, values in zip("xyz", (1000.0 * place @ turn.T).T, strict=True):
            columns[f"{label}_{axis}"] = values
    for hand, flip in (("FR", 1.0), ("FL", -1.0)):
        force = truth.force * [1.0, 1.0, flip] * (-1.0 if acts == "bar" else 1.0)
        for axis, values in zip("xyz", (force @ turn.T).T, strict=True):
            columns[f"{hand}{axis}"] = values
    pd.DataFrame(columns).to_csv(tmp_path / "a.csv", index=False)
    text = proposed_layout(file_contents(tmp_path / "a.csv"))
    layout = layout_of(text)
    assert (layout.up, layout.right, layout.force_on) == (*room, acts)
    assert [line for line in text.splitlines() if line.startswith(("up", "right ", "force"))] == [
        line for line in text.splitlines() if line.endswith("CHECK") and "units" not in line
    ]
    got = read_recording(tmp_path / "a.csv", layout)
    for role in ("right_el", "left_grip", "bar_right"):
        assert np.allclose(got.channels[role].values, truth.points[role], atol=1e-6)
    assert np.allclose(got.channels["right_hand_force"].values, truth.force, atol=1e-6)


def test_places_that_tell_no_axis_leave_the_usual_ones(tmp_path):
    frame = {"time": np.arange(30) / 100.0}
    for label, place in {"R EL": (1, 1, 1), "R RS": (2, 2, 2), "L EL": (1, 1, 1)}.items():
        frame |= {f"{label}_{a}": np.full(30, float(v)) for a, v in zip("xyz", place, strict=True)}
    pd.DataFrame(frame).to_csv(tmp_path / "a.csv", index=False)
    layout = layout_of(proposed_layout(file_contents(tmp_path / "a.csv")))
    assert (layout.up, layout.right, layout.force_on) == ("+z", "+x", "hand")


def rows_of(changed):
    """A table of twenty rows, of which some are replaced."""
    rows = ["t,a,b,c", *(f"{k / 100},{k},{2 * k},3" for k in range(20))]
    for number, row in changed.items():
        rows[number - 1] = row
    return "\n".join([*rows, ""]).encode()


@pytest.mark.parametrize(
    ("number", "row", "fault"),
    [
        (2, "0.00,abc,0,3", "row 2: 'abc' is not a number"),
        (3, "0.01,=cmd|x,2,3", r"row 3: '=cmd\|x' is not a number"),
        (2, '0.00,1,"2,3', "row 2: '2,3' is not a number"),
        (2, "0.00,1,2,3,4", "row 2: has 5 cells, the rows below it others"),
    ],
)
def test_a_damaged_first_row_does_not_name_the_columns(tmp_path, number, row, fault):
    (tmp_path / "a.csv").write_bytes(rows_of({number: row}))
    with pytest.raises(InputError, match=f"a.csv: {fault}"):
        file_contents(tmp_path / "a.csv")


@pytest.mark.parametrize(
    ("changed", "told"),
    [
        ({12: "0.10,x,20,3", 13: "0.11,y,z,3"}, "column 'a': 'x' is not a number; and 2 more such"),
        ({12: "0.10,10"}, "row 12: has 2 cells, the header 4"),
        ({12: ""}, "row 12: has 0 cells, the header 4"),
        ({12: "0.05,10,20,3"}, "row 12, column 't': does not come after the row before"),
        ({}, None),
    ],
)
def test_what_the_reader_will_refuse_is_told(tmp_path, changed, told):
    (tmp_path / "a.csv").write_bytes(rows_of(changed))
    notes = file_contents(tmp_path / "a.csv").notes
    assert len(notes) == (told is not None)
    assert told is None or told in notes[0]


def test_a_layout_that_cannot_be_written_is_refused_before_anything_is_listed(tmp_path):
    (tmp_path / "a.csv").write_bytes(rows_of({}))
    done = run("a.csv", "--layout", "a.csv/new.toml", cwd=tmp_path)
    assert (done.returncode, done.stdout) == (2, "")
    assert "a.csv is not a folder; choose another place" in done.stderr
    done = run("a.csv", "--layout", "new/layout.toml", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "new" / "layout.toml").is_file()


def test_markers_without_a_role_and_channels_without_a_head_are_listed(tmp_path):
    file = c3d(points=("P01:IJ", "P01:REL", "P01:RKN"))
    (tmp_path / "a.c3d").write_bytes(file.written())
    text = proposed_layout(file_contents(tmp_path / "a.c3d"))
    assert '\n#role = "RKN"\n' in text
    assert layout_of(text).markers.keys() == {"ij", "right_el"}


@pytest.mark.parametrize(("size", "unit"), [(0.3, "mV"), (3e-4, "V")])
def test_channels_called_emg_tell_their_unit_by_size(tmp_path, size, unit):
    time = np.arange(200) / 1000.0
    frame = {"time_s": time, "EMG1": size * np.sin(900.0 * time), "EMG2": 0.1 * size * time}
    pd.DataFrame(frame).to_csv(tmp_path / "a.csv", index=False)
    text = proposed_layout(file_contents(tmp_path / "a.csv"))
    assert layout_of(text).units.emg == unit
    assert '#"muscle/head" = "EMG2"' in text

"""Reading of C3D, CSV and Parquet files, and what is refused."""

import dataclasses
import os
import sys

import numpy as np
import pyarrow as pa
import pytest
from pyarrow import parquet

from momentshare.errors import InputError
from momentshare.trial.formats import read
from momentshare.trial.formats.layout import LayoutEntry
from momentshare.trial.formats.read import merge_recordings, read_recording

LAB = {"name": "lab", "up": "+z", "right": "+x"}
TABLE = {
    **LAB,
    "time_column": "time_s",
    "units": {"markers": "mm", "forces": "N", "angles": "deg", "emg": "mV"},
}
FRAMES, RATIO = 30, 10


def places(count=3, frames=FRAMES):
    """Positions in mm, shape (3, markers, frames), float32 as a C3D file holds them."""
    rng = np.random.default_rng(4)
    return rng.uniform(100.0, 900.0, (3, count, frames)).astype(np.float32).astype(float)


def write_c3d(path, *, labels=("IJ", "EL", "BAR R"), unit="mm", plate=False, first=0, **options):
    library = pytest.importorskip("ezc3d")
    points = options.get("points", places(len(labels)))
    channels = options.get("channels", ["FX", "FY", "FZ", "MX", "MY", "MZ", "EMG1"])
    units = options.get("units", ["N", "N", "N", "Nmm", "Nmm", "Nmm", "mV"])
    analogs = options.get("analogs")
    if analogs is None:
        analogs = np.random.default_rng(5).normal(0.0, 200.0, (1, len(channels), FRAMES * RATIO))
        analogs = analogs.astype(np.float32).astype(float)
    file = library.c3d()
    parameters = file["parameters"]
    parameters["POINT"]["RATE"]["value"] = [100.0]
    parameters["POINT"]["LABELS"]["value"] = list(labels)
    parameters["POINT"]["UNITS"]["value"] = [unit] if unit else []
    parameters["ANALOG"]["RATE"]["value"] = [100.0 * RATIO]
    parameters["ANALOG"]["LABELS"]["value"] = channels
    parameters["ANALOG"]["UNITS"]["value"] = units
    parameters["ANALOG"]["SCALE"]["value"] = np.ones(len(channels))
    file["header"]["points"]["first_frame"] = first
    file["data"]["points"], file["data"]["analogs"] = points, analogs
    if "residuals" in options:
        masks = np.zeros((7, len(labels), points.shape[2]), dtype=bool)
        file["data"]["meta_points"] = {"residuals": options["residuals"], "camera_masks": masks}
    if plate:

        def whole(name, values, shape):
            parameter = library.ezc3d.Parameter(name, "")
            parameter.set(library.ezc3d.VecInt(values), shape)
            parameters.add_parameter("FORCE_PLATFORM", parameter)

        whole("USED", [1], [1])
        whole("TYPE", [2], [1])
        whole("ZERO", [1, 0], [2])
        whole("CHANNEL", [1, 2, 3, 4, 5, 6], [6, 1])
        corners = [[300.0, -200, 0], [-300, -200, 0], [-300, 200, 0], [300, 200, 0]]
        file.add_parameter("FORCE_PLATFORM", "CORNERS", np.array(corners).T[:, :, None])
        file.add_parameter("FORCE_PLATFORM", "ORIGIN", np.array([[0.0, 0.0, -20.0]]).T)
    file.write(str(path))
    return points, analogs[0]


def write_csv(path, *, rows=40, delimiter=",", decimal=".", end="\n", names=None, **options):
    rng = np.random.default_rng(6)
    columns = {
        "time_s": np.arange(rows) / 200.0 + 0.5,
        **{f"IJ{a}": rng.uniform(100.0, 900.0, rows) for a in ("_x", "_y", "_z")},
        **{f"EL{a}": rng.uniform(100.0, 900.0, rows) for a in ("_x", "_y", "_z")},
        **{f"F{a}": rng.uniform(100.0, 300.0, rows) for a in ("_x", "_y", "_z")},
        "elevation": rng.uniform(20.0, 90.0, rows),
        "EMG1": rng.normal(0.0, 0.5, rows),
    }
    columns.update(options.get("change", {}))
    names = names or list(columns)
    lines = [delimiter.join(names)]
    for row in zip(*columns.values(), strict=True):
        cells = ["" if np.isnan(v) else repr(float(v)).replace(".", decimal) for v in row]
        lines.append(delimiter.join(cells))
    text = end.join(lines) + end
    path.write_bytes((b"\xef\xbb\xbf" if options.get("mark") else b"") + text.encode())
    return columns


def table_layout(**changes):
    given = {
        "markers": {"ij": "IJ", "right_el": "EL"},
        "forces": {"right_hand_force": "F"},
        "force_on": "hand",
        "angles": {"right_elevation": "elevation"},
        "emg": {"triceps_brachii/lateral": "EMG1"},
        "delimiter": ",",
    }
    return LayoutEntry.model_validate({**TABLE, **given, **changes})


def c3d_layout(**changes):
    given = {
        "markers": {"ij": "IJ", "right_el": "EL", "bar_right": "BAR R"},
        "forces": {"right_hand_force": ["FX", "", "FZ"]},
        "force_on": "hand",
        "emg": {"triceps_brachii/lateral": "EMG1"},
    }
    return LayoutEntry.model_validate({**LAB, **given, **changes})


def refused(path, layout, **options):
    """Text of the fault; it names the file."""
    with pytest.raises(InputError) as caught:
        read_recording(path, layout, **options)
    assert path.name in str(caught.value)
    return str(caught.value)


def world(lab):
    """Vectors of a laboratory with z up and x to the right, shape (..., 3)."""
    return lab[..., [1, 2, 0]]


# C3D


def test_c3d_markers_forces_and_electromyogram(tmp_path):
    points, analogs = write_c3d(tmp_path / "a.c3d", first=50)
    got = read_recording(tmp_path / "a.c3d", c3d_layout(), offset=2.0)
    for index, role in enumerate(("ij", "right_el", "bar_right")):
        channel = got.channels[role]
        assert channel.values == pytest.approx(world(points[:, index].T) / 1000.0, rel=1e-6)
        assert (channel.rate, channel.unit) == (100.0, "m")
        assert channel.start == pytest.approx(2.0 + 0.5)
    force = got.channels["right_hand_force"]
    assert force.rate == 1000.0
    assert force.values[:, 1] == pytest.approx(analogs[2], rel=1e-6)
    assert force.values[:, 2] == pytest.approx(analogs[0], rel=1e-6)
    assert np.isnan(force.values[:, 0]).all()
    emg = got.channels["emg/triceps_brachii/lateral"]
    assert emg.values == pytest.approx(analogs[6] / 1000.0, rel=1e-6)
    assert (emg.unit, emg.label, len(got.digest)) == ("V", "EMG1", 16)
    assert not emg.values.flags.writeable


def test_c3d_reaction_is_turned_to_the_hand(tmp_path):
    write_c3d(tmp_path / "a.c3d")
    hand = read_recording(tmp_path / "a.c3d", c3d_layout())
    bar = read_recording(tmp_path / "a.c3d", c3d_layout(force_on="bar"))
    forces = [r.channels["right_hand_force"].values[:, 1:] for r in (hand, bar)]
    assert forces[0] == pytest.approx(-forces[1])
    assert hand.channels["ij"].values == pytest.approx(bar.channels["ij"].values)


def test_c3d_lost_markers_are_missing(tmp_path):
    points, residuals = places(), np.zeros((1, 3, FRAMES))
    points[:, 0, 3] = np.nan
    points[:, 0, 4] = 0.0
    residuals[0, 0, 5] = -1.0
    write_c3d(tmp_path / "a.c3d", points=points, residuals=residuals)
    values = read_recording(tmp_path / "a.c3d", c3d_layout()).channels["ij"].values
    assert np.flatnonzero(np.isnan(values).all(axis=1)).tolist() == [3, 4, 5]
    assert np.isnan(values).sum() == 9


def test_c3d_a_marker_never_seen_is_left_out_and_noted(tmp_path):
    points = places()
    points[:, 1] = np.nan
    write_c3d(tmp_path / "a.c3d", points=points)
    got = read_recording(tmp_path / "a.c3d", c3d_layout())
    assert not got.has("right_el")
    assert any("right_el" in note and "no sample" in note for note in got.notes)


def test_c3d_platform_in_the_laboratory_frame(tmp_path):
    _, analogs = write_c3d(tmp_path / "a.c3d", plate=True)
    layout = c3d_layout(forces={"right_hand_force": {"plate": 1}})
    force = read_recording(tmp_path / "a.c3d", layout).channels["right_hand_force"]
    # By the definition of C3D the platform's x runs from corner 2 to 1 and its y from 4 to 1:
    # here the laboratory's x, and against its y; so the platform's z points down.
    lab = np.stack([analogs[0], -analogs[1], -analogs[2]], axis=-1)
    assert force.values == pytest.approx(world(lab), rel=1e-5)
    text = refused(tmp_path / "a.c3d", c3d_layout(forces={"right_hand_force": {"plate": 2}}))
    assert "there is no platform 2; it holds 1" in text


def test_c3d_labels_are_taken_letter_by_letter(tmp_path):
    write_c3d(tmp_path / "a.c3d", labels=("IJ", "el", "BARR"))
    text = refused(tmp_path / "a.c3d", c3d_layout(emg={"triceps_brachii/long": "EMG 1"}))
    assert "did you mean 'el'" in text
    assert "did you mean 'BARR'" in text
    assert "did you mean 'EMG1'" in text


def test_c3d_the_same_label_twice(tmp_path):
    write_c3d(tmp_path / "a.c3d", labels=("IJ", "IJ", "BAR R"))
    assert "2 markers are called 'IJ'" in refused(
        tmp_path / "a.c3d", c3d_layout(markers={"ij": "IJ"})
    )
    layout = c3d_layout(markers={"bar_right": "BAR R"})
    assert read_recording(tmp_path / "a.c3d", layout).has("bar_right")


def test_c3d_units_of_the_file_count(tmp_path):
    points, _ = write_c3d(tmp_path / "a.c3d", unit="cm", points=places() / 10.0)
    values = read_recording(tmp_path / "a.c3d", c3d_layout()).channels["ij"].values
    assert values == pytest.approx(world(points[:, 0].T) / 100.0, rel=1e-6)
    text = refused(tmp_path / "a.c3d", c3d_layout(units={"markers": "mm"}))
    assert "the file says cm, the layout mm" in text


def test_c3d_missing_and_unknown_units(tmp_path):
    write_c3d(tmp_path / "a.c3d", unit="", units=["N", "", "lb", "", "", "", "mV"])
    text = refused(tmp_path / "a.c3d", c3d_layout())
    assert "states no unit; add units.markers" in text
    assert "'lb'" in text
    layout = c3d_layout(units={"markers": "mm"}, forces={})
    got = read_recording(tmp_path / "a.c3d", layout)
    assert any("mm is taken from the layout" in note for note in got.notes)
    text = refused(tmp_path / "a.c3d", c3d_layout(emg={"a/b": "FZ"}, forces={}, markers={}))
    assert "'lb' is not known for emg" in text


def test_c3d_components_in_different_units(tmp_path):
    write_c3d(tmp_path / "a.c3d", units=["N", "N", "kN", "", "", "", "mV"])
    assert "different units: N, kN" in refused(tmp_path / "a.c3d", c3d_layout())


def test_c3d_label_with_an_umlaut_in_one_byte(tmp_path):
    write_c3d(tmp_path / "a.c3d", labels=("IJ", "Büx", "BAR R"))
    raw = (tmp_path / "a.c3d").read_bytes()
    assert raw.count("Büx".encode()) == 1
    (tmp_path / "b.c3d").write_bytes(raw.replace("Büx".encode(), b"B\xfcx "))
    for name in ("a.c3d", "b.c3d"):
        assert read_recording(tmp_path / name, c3d_layout(markers={"right_el": "Büx"})).has(
            "right_el"
        )


def test_c3d_that_is_none(tmp_path):
    (tmp_path / "a.c3d").write_bytes(b"not at all" * 500)
    assert "is not a C3D file" in refused(tmp_path / "a.c3d", c3d_layout())


def test_c3d_cut_short_is_not_read_in_part(tmp_path):
    write_c3d(tmp_path / "a.c3d")
    raw = (tmp_path / "a.c3d").read_bytes()
    (tmp_path / "b.c3d").write_bytes(raw[: len(raw) * 3 // 4])
    assert "is cut short: it promises 30 frames" in refused(tmp_path / "b.c3d", c3d_layout())


def test_c3d_longer_than_its_counts(tmp_path):
    frames = 66_000
    points = np.ones((3, 1, frames))
    write_c3d(
        tmp_path / "a.c3d",
        labels=("IJ",),
        points=points,
        channels=[],
        units=[],
        analogs=np.zeros((1, 0, frames * RATIO)),
    )
    text = refused(tmp_path / "a.c3d", c3d_layout(markers={"ij": "IJ"}, forces={}, emg={}))
    assert "export it in shorter parts" in text


def test_c3d_needs_no_further_library(tmp_path, monkeypatch):
    write_c3d(tmp_path / "a.c3d")
    monkeypatch.setitem(sys.modules, "ezc3d", None)
    assert read_recording(tmp_path / "a.c3d", c3d_layout()).has("ij")


# Tables


@pytest.mark.parametrize(
    ("delimiter", "decimal", "end", "mark"),
    [(",", ".", "\n", False), (";", ",", "\r\n", True), ("\t", ".", "\r\n", False)],
)
def test_csv_variants(tmp_path, delimiter, decimal, end, mark):
    path = tmp_path / "übung 1.csv"
    columns = write_csv(path, delimiter=delimiter, decimal=decimal, end=end, mark=mark)
    layout = table_layout(delimiter=delimiter, decimal=decimal)
    got = read_recording(path, layout, offset=-0.5)
    lab = np.stack([columns[f"EL_{a}"] for a in "xyz"], axis=-1)
    elbow = got.channels["right_el"]
    assert elbow.values == pytest.approx(world(lab) / 1000.0)
    assert elbow.rate == pytest.approx(200.0)
    assert elbow.start == pytest.approx(0.0)
    assert got.channels["right_hand_force"].values[:, 1] == pytest.approx(columns["F_z"])
    assert got.channels["right_elevation"].values == pytest.approx(np.radians(columns["elevation"]))
    emg = got.channels["emg/triceps_brachii/lateral"].values
    assert emg == pytest.approx(columns["EMG1"] / 1000.0)


def test_parquet_is_read_like_csv(tmp_path):
    columns = write_csv(tmp_path / "a.csv")
    parquet.write_table(pa.table(columns), tmp_path / "a.parquet")
    layout = table_layout().model_dump(exclude_unset=True)
    del layout["delimiter"]
    one = read_recording(tmp_path / "a.csv", table_layout())
    two = read_recording(tmp_path / "a.parquet", LayoutEntry.model_validate(layout))
    assert set(one.channels) == set(two.channels)
    for role, channel in one.channels.items():
        assert channel.values == pytest.approx(two.channels[role].values)
        assert channel.rate == two.channels[role].rate
    assert one.digest != two.digest


def test_csv_rate_and_time_in_milliseconds(tmp_path):
    write_csv(tmp_path / "a.csv", change={"time_s": np.arange(40) * 5.0})
    got = read_recording(tmp_path / "a.csv", table_layout(time_unit="ms", rate_hz=200.0))
    assert got.channels["ij"].rate == pytest.approx(200.0)
    got = read_recording(tmp_path / "a.csv", table_layout(time_column=None, rate_hz=250.0))
    assert (got.channels["ij"].rate, got.channels["ij"].start) == (250.0, 0.0)
    text = refused(tmp_path / "a.csv", table_layout(time_unit="ms", rate_hz=2000.0))
    assert "rises at 200 Hz, but rate_hz is 2000" in text
    assert "0.2 Hz lies outside" in refused(tmp_path / "a.csv", table_layout())


def test_csv_empty_cells_are_missing(tmp_path):
    values = np.linspace(100.0, 900.0, 40)
    values[7:9] = np.nan
    write_csv(tmp_path / "a.csv", change={"IJ_x": values})
    got = read_recording(tmp_path / "a.csv", table_layout()).channels["ij"].values
    assert np.argwhere(np.isnan(got)).tolist() == [[7, 2], [8, 2]]


def edited(tmp_path, old, new, **options):
    """Return a CSV file in which a piece of text was replaced once."""
    write_csv(tmp_path / "a.csv", **options)
    text = (tmp_path / "a.csv").read_text()
    assert old in text
    (tmp_path / "a.csv").write_text(text.replace(old, new, 1))
    return tmp_path / "a.csv"


def test_csv_text_in_a_cell(tmp_path):
    path = edited(tmp_path, "\n0.51,", "\nlost,")
    text = refused(path, table_layout())
    assert "row 4, column 'time_s': 'lost' is not a number" in text


def test_csv_decimal_comma_in_a_file_said_to_have_points(tmp_path):
    write_csv(tmp_path / "a.csv", delimiter=";", decimal=",")
    text = refused(tmp_path / "a.csv", table_layout(delimiter=";"))
    assert "row 2, column 'time_s': '0,5' is not a number; it has a decimal comma" in text
    assert "set decimal = ','" in text
    write_csv(tmp_path / "a.csv", delimiter=",", decimal=",")
    assert "are there decimal commas?" in refused(tmp_path / "a.csv", table_layout())
    write_csv(tmp_path / "a.csv", delimiter=";")
    text = refused(tmp_path / "a.csv", table_layout(delimiter=";", decimal=","))
    assert "set decimal = '.'" in text


def test_csv_another_delimiter_is_not_guessed(tmp_path):
    write_csv(tmp_path / "a.csv", delimiter=";")
    assert "the header has ';' between names" in refused(tmp_path / "a.csv", table_layout())


def test_csv_columns(tmp_path):
    columns = list(write_csv(tmp_path / "a.csv"))
    doubled = ["IJ_x" if n == "EL_x" else n for n in columns]
    write_csv(tmp_path / "a.csv", names=doubled)
    text = refused(tmp_path / "a.csv", table_layout())
    assert "2 columns are called 'IJ_x'" in text
    assert "right_el: there is no column 'EL_x'" in text
    write_csv(tmp_path / "a.csv", names=[n.lower() for n in columns])
    assert "did you mean 'emg1'" in refused(tmp_path / "a.csv", table_layout())


def test_csv_rows_of_another_length(tmp_path):
    path = edited(tmp_path, "\n0.51,", "\n")
    assert "row 4: has 11 cells, the header 12" in refused(path, table_layout())
    path = edited(tmp_path, "\n0.51,", '\n"0.51,')
    assert "row 4" in refused(path, table_layout())
    path = edited(tmp_path, "\n0.51,", "\n\n0.51,")
    assert "row 4: is empty" in refused(path, table_layout())
    (tmp_path / "a.csv").write_text("")
    assert "is empty" in refused(tmp_path / "a.csv", table_layout())
    for end in ("", "\n", "\n\n"):
        write_csv(tmp_path / "a.csv", rows=0)
        text = (tmp_path / "a.csv").read_text().rstrip() + end
        (tmp_path / "a.csv").write_text(text)
        assert "a header and no rows" in refused(tmp_path / "a.csv", table_layout())
    write_csv(tmp_path / "a.csv", rows=1)
    assert "has 1 row of data" in refused(tmp_path / "a.csv", table_layout())


@pytest.mark.parametrize(
    ("index", "value", "phrase"),
    [
        (6, 0.52, "row 8, column 'time_s': 0.52 does not come after"),
        (6, np.nan, "row 8, column 'time_s': the time is missing"),
        (6, 0.534, "row 8, column 'time_s': the step to this row is 0.009 s"),
        (39, 1.5, "row 41, column 'time_s': the step to this row"),
    ],
)
def test_csv_times_must_rise_evenly(tmp_path, index, value, phrase):
    time = np.arange(40) / 200.0 + 0.5
    time[index] = value
    write_csv(tmp_path / "a.csv", change={"time_s": time})
    assert phrase in refused(tmp_path / "a.csv", table_layout())


def test_csv_a_lost_sample_is_found(tmp_path):
    time = np.delete(np.arange(41) / 200.0, 20)
    write_csv(tmp_path / "a.csv", change={"time_s": time})
    assert "row 22, column 'time_s'" in refused(tmp_path / "a.csv", table_layout())


def test_csv_times_rounded_to_milliseconds_are_even(tmp_path):
    write_csv(tmp_path / "a.csv", change={"time_s": np.round(np.arange(40) / 240.0, 3)})
    got = read_recording(tmp_path / "a.csv", table_layout())
    assert got.channels["ij"].rate == pytest.approx(240.0, rel=5e-3)


def test_csv_encodings(tmp_path):
    write_csv(tmp_path / "a.csv")
    raw = (tmp_path / "a.csv").read_bytes()
    (tmp_path / "a.csv").write_bytes(raw.replace(b"EMG1", b"EMG\xfc"))
    assert "row 1: byte 62 is not UTF-8" in refused(tmp_path / "a.csv", table_layout())
    (tmp_path / "a.csv").write_bytes(raw.decode().encode("utf-16"))
    assert "UTF-16" in refused(tmp_path / "a.csv", table_layout())
    (tmp_path / "a.csv").write_bytes(raw.replace(b"EMG1", "Müller €".encode()))
    layout = table_layout(emg={"triceps_brachii/long": "Müller €"})
    assert read_recording(tmp_path / "a.csv", layout).has("emg/triceps_brachii/long")


def test_csv_not_finite(tmp_path):
    path = edited(tmp_path, "\n0.51,", "\ninf,")
    assert "row 4, column 'time_s': is not finite" in refused(path, table_layout())


def test_parquet_of_wrong_types(tmp_path):
    layout = table_layout().model_dump(exclude_unset=True)
    del layout["delimiter"]
    layout = LayoutEntry.model_validate(layout)
    columns = dict(write_csv(tmp_path / "a.csv"))
    columns["IJ_x"] = ["a"] * 40
    columns["EL_x"] = [[1.0]] * 40
    columns["EMG1"] = [True] * 40
    columns["F_x"] = np.arange(40)
    parquet.write_table(pa.table(columns), tmp_path / "a.parquet")
    text = refused(tmp_path / "a.parquet", layout)
    for name in ("IJ_x", "EL_x", "EMG1"):
        assert f"column {name!r}: holds" in text
    assert "F_x" not in text
    (tmp_path / "a.parquet").write_bytes(b"PAR1" + b"\0" * 40 + b"PAR1")
    assert "is not readable as Parquet" in refused(tmp_path / "a.parquet", layout)


# Units and rates that cannot be


def test_slips_of_units(tmp_path):
    path = tmp_path / "a.csv"
    write_csv(path)
    text = refused(path, table_layout(units={**TABLE["units"], "markers": "m"}))
    assert "from the origin (limit 20 m); is the unit right?" in text
    assert "ij ('IJ_x'" in text
    write_csv(path, change={f"{m}_{a}": np.full(40, 1.0) for m in ("IJ", "EL") for a in "xyz"})
    assert "of each other; is the unit of markers right?" in refused(path, table_layout())
    write_csv(path)
    text = refused(path, table_layout(units={**TABLE["units"], "forces": "kN"}))
    assert "more than 10000 N on one hand" in text
    text = refused(path, table_layout(units={**TABLE["units"], "angles": "rad"}))
    assert "right_elevation" in text
    assert "more than a whole turn" in text
    write_csv(path, change={"EMG1": np.linspace(-300.0, 300.0, 40)})
    text = refused(path, table_layout(units={**TABLE["units"], "emg": "V"}))
    assert "EMG1" in text
    assert "is the unit right?" in text


def test_doubtful_units_are_noted(tmp_path):
    small = {f"F_{a}": np.full(40, 0.3) for a in "xyz"}
    bent = {"elevation": np.full(40, 1.2), "EMG1": np.full(40, 4000.0)}
    write_csv(tmp_path / "a.csv", change={**small, **bent})
    notes = "\n".join(read_recording(tmp_path / "a.csv", table_layout()).notes)
    for phrase in ("was the hand loaded?", "are these radians?", "the amplifier's gain"):
        assert phrase in notes


def test_all_faults_of_a_file_come_together(tmp_path):
    write_csv(tmp_path / "a.csv")
    units = {"markers": "m", "forces": "kN", "angles": "rad", "emg": "mV"}
    with pytest.raises(InputError) as caught:
        read_recording(tmp_path / "a.csv", table_layout(units=units))
    assert len(caught.value.faults) == 4


# Paths, roles, several files


def test_paths(tmp_path, monkeypatch):
    write_csv(tmp_path / "a.csv")
    layout = table_layout()
    assert "did you mean 'a.csv'" in refused(tmp_path / "b.csv", layout)
    assert "is a folder" in refused(tmp_path, layout)
    os.mkfifo(tmp_path / "pipe.csv")
    assert "is not a plain file" in refused(tmp_path / "pipe.csv", layout)
    (tmp_path / "link.csv").symlink_to(tmp_path / "a.csv")
    assert "is a link to" in read_recording(tmp_path / "link.csv", layout).notes[0]
    (tmp_path / "dead.csv").symlink_to(tmp_path / "nowhere.csv")
    assert "is a link to a missing file" in refused(tmp_path / "dead.csv", layout)
    (tmp_path / "loop.csv").symlink_to(tmp_path / "loop.csv")
    refused(tmp_path / "loop.csv", layout)
    (tmp_path / "a.dat").write_bytes(b"1")
    assert "names no format" in refused(tmp_path / "a.dat", layout)
    with pytest.raises(InputError, match=r"nn … n+\.csv: cannot be read"):
        read_recording("n" * 400 + ".csv", layout)
    small = dataclasses.replace(read.RECORDING, most=100)
    monkeypatch.setattr(read, "RECORDING", small)
    assert "export a shorter part" in refused(tmp_path / "a.csv", layout)


@pytest.mark.skipif(
    not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may read everything"
)
def test_a_file_without_rights(tmp_path):
    write_csv(tmp_path / "a.csv")
    (tmp_path / "a.csv").chmod(0)
    assert "check name and permissions" in refused(tmp_path / "a.csv", table_layout())


def test_a_layout_that_does_not_fit_the_file(tmp_path):
    write_csv(tmp_path / "a.csv")
    text = refused(tmp_path / "a.csv", c3d_layout())
    for phrase in ("time_column: is missing", "units.markers: is missing", "delimiter: is missing"):
        assert phrase in text


def test_roles(tmp_path):
    write_csv(tmp_path / "a.csv")
    got = read_recording(tmp_path / "a.csv", table_layout(), roles=["ij"])
    assert list(got.channels) == ["ij"]
    text = refused(tmp_path / "a.csv", table_layout(), roles=["ij", "px"])
    assert "px: layout 'lab' gives no label" in text
    assert "finite number of seconds" in refused(
        tmp_path / "a.csv", table_layout(), offset=float("nan")
    )


def test_files_are_joined(tmp_path):
    write_csv(tmp_path / "a.csv")
    one = read_recording(tmp_path / "a.csv", table_layout(), roles=["ij"])
    two = read_recording(tmp_path / "a.csv", table_layout(), roles=["right_el"], offset=0.1)
    both = merge_recordings(one, two)
    assert both.has("ij", "right_el")
    assert both.channels["right_el"].start == pytest.approx(0.6)
    assert "a.csv + " in both.source
    assert len(both.digest) == 16
    assert merge_recordings(one) is one
    with pytest.raises(InputError, match="ij: is in"):
        merge_recordings(one, two, one)


def renamed(path, between, axes="XYZ"):
    """Write a CSV file in which vectors end in other letters."""
    names = list(write_csv(path))
    for old, new in zip("xyz", axes, strict=True):
        names = [f"{n[:-2]}{between}{new}" if n.endswith(f"_{old}") else n for n in names]
    write_csv(path, names=names)
    return names


def test_other_endings_are_one_fault_that_says_what_to_set(tmp_path):
    path = tmp_path / "a.csv"
    renamed(path, ".")
    with pytest.raises(InputError) as caught:
        read_recording(path, table_layout())
    (fault,) = caught.value.faults
    assert fault == (
        "axes: for ij, looked for 'IJ_x', 'IJ_y', 'IJ_z', and likewise for right_el, "
        "right_hand_force; the file has 'IJ.X', 'IJ.Y', 'IJ.Z': set axes = "
        '[".X", ".Y", ".Z"], or give the three labels'
    )
    assert read_recording(path, table_layout(axes=[".X", ".Y", ".Z"])).has("ij", "right_el")


def test_endings_of_a_longer_label_are_not_offered(tmp_path):
    path = tmp_path / "a.csv"
    names = [n.replace("EL.", "IJ2.") for n in renamed(path, ".")]
    write_csv(path, names=names)
    layout = table_layout(markers={"ij": "IJ"}, forces={})
    assert 'set axes = [".X", ".Y", ".Z"]' in refused(path, layout)


def test_endings_that_are_not_plain_are_not_proposed(tmp_path):
    path = tmp_path / "a.csv"
    renamed(path, "_", axes="123")
    text = refused(path, table_layout())
    assert "ij: there are no columns for 'IJ', looked for 'IJ_x', 'IJ_y', 'IJ_z'" in text
    assert "did you mean 'IJ_1' or 'IJ_2' or 'IJ_3'? Set axes" in text
    labels = {"ij": ["IJ_1", "IJ_2", "IJ_3"], "right_el": ["EL_2", "EL_3", "EL_1"]}
    force = {"right_hand_force": ["F_1", "F_2", "F_3"]}
    by_label = read_recording(path, table_layout(markers=labels, forces=force))
    renamed(path, "_", axes="xyz")
    by_axes = read_recording(path, table_layout())
    assert np.array_equal(by_label.channels["ij"].values, by_axes.channels["ij"].values)
    lab = by_axes.channels["right_el"].values[:, [2, 0, 1]]  # laboratory's x, y, z
    assert np.array_equal(by_label.channels["right_el"].values, world(lab[:, [1, 2, 0]]))


def test_one_electrode_for_several_heads(tmp_path):
    heads = {"triceps_brachii/lateral": "EMG1", "triceps_brachii/medial": "EMG1"}
    write_csv(tmp_path / "a.csv")
    columns = write_csv(tmp_path / "b.csv")
    parquet.write_table(pa.table(columns), tmp_path / "b.parquet")
    sheet = LayoutEntry.model_validate({**TABLE, "emg": heads, "markers": {"ij": "IJ"}})
    for path, layout in (
        (tmp_path / "a.csv", table_layout(emg=heads)),
        (tmp_path / "b.parquet", sheet),
    ):
        got = read_recording(path, layout).channels
        one, two = (got[f"emg/{head}"].values for head in heads)
        assert np.array_equal(one, two)
        assert np.isfinite(one).all()


def test_one_electrode_for_several_heads_in_c3d(tmp_path):
    heads = {"triceps_brachii/lateral": "EMG1", "triceps_brachii/medial": "EMG1"}
    _, analogs = write_c3d(tmp_path / "a.c3d")
    got = read_recording(tmp_path / "a.c3d", c3d_layout(emg=heads)).channels
    for head in heads:
        assert got[f"emg/{head}"].values == pytest.approx(analogs[6] / 1000.0)


@pytest.mark.parametrize("ending", ["csv", "parquet", "c3d"])
def test_signals_that_may_be_absent_are_left_out_and_noted(tmp_path, ending):
    """A standing person shows the trunk; the layout of the lifts names the bar and forces too."""
    place = tmp_path / f"standing.{ending}"
    columns = {f"{m}_{a}": np.linspace(1.0, 9.0, FRAMES) + 150.0 * k
               for k, m in enumerate(("IJ", "PX")) for a in "xyz"}  # fmt: skip
    columns["time_s"] = np.arange(FRAMES) / 100.0
    if ending == "csv":
        rows = [",".join(columns), *(",".join(map(str, r)) for r in zip(*columns.values()))]  # noqa: B905
        place.write_text("\n".join(rows))
    elif ending == "parquet":
        parquet.write_table(pa.table(columns), place)
    else:
        write_c3d(place, labels=("IJ", "PX", "BAR R"))
    given = {"delimiter": ","} if ending == "csv" else {}
    layout = LayoutEntry(
        **(TABLE if ending != "c3d" else LAB) | given,
        force_on="hand",
        markers={"ij": "IJ", "px": "PX", "right_el": "REL"},
        forces={"right_hand_force": ["GX", "GY", "GZ"]},
    )
    with pytest.raises(InputError, match="the recording cannot be used"):
        read_recording(place, layout)
    found = read_recording(place, layout, absent="leave out")
    assert set(found.channels) == {"ij", "px"}
    lost = [note for note in found.notes if "left out" in note]
    assert len(lost) == 2
    assert "REL" in lost[0]
    assert lost[1].startswith("right_hand_force: 'G")
    with pytest.raises(InputError, match=r"right_el: 'REL.* not in the file"):
        read_recording(place, layout, absent="leave out", roles=["right_el"])

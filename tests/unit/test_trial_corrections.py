"""What a layout knows better than a file: names, units, gains, zeros, delays, sensor axes, rows."""

import numpy as np
import pytest
from pydantic import ValidationError
from tests.c3d_writer import File, text_values

from momentshare.errors import InputError
from momentshare.trial.formats.layout import LayoutEntry
from momentshare.trial.formats.read import read_recording

BASE = {"name": "lab", "up": "+z", "right": "+x", "force_on": "hand"}
HEAD = "triceps_brachii/lateral"
CORNERS = np.array([[300.0, 200, 0], [-300, 200, 0], [-300, -200, 0], [300, -200, 0]])


def lab(**more):
    return LayoutEntry.model_validate({**BASE, **more})


def world(values):
    """From axes with z up and x to the right."""
    return values[..., [1, 2, 0]]


@pytest.fixture
def c3d(tmp_path):
    """A file with channels of known units, and its numbers."""

    def written(units=("N", "N", "N", "mV"), plates=(), **more):
        count = 8 if plates else 4
        file = File(real=True, channels=count, ratio=10, frames=20, plates=plates, **more)
        numbers = file.numbers()
        numbers["ANALOG"]["UNITS"] = text_values([*units, *["N"] * count][:count])
        file.numbers = lambda: numbers
        (tmp_path / "a.c3d").write_bytes(file.written())
        return tmp_path / "a.c3d", file

    return written


FORCE = {"forces": {"right_hand_force": ["C1", "C2", "C3"]}}


def force_of(place, layout):
    return read_recording(place, layout).channels["right_hand_force"]


def test_a_unit_of_nobody_is_taken_from_the_layout_and_noted(c3d):
    place, file = c3d(units=("nt", "nt", "nt"))
    with pytest.raises(InputError, match=r"'nt' is not known for forces; add units\.forces"):
        read_recording(place, lab(**FORCE))
    got = read_recording(place, lab(**FORCE, units={"forces": "N"}))
    np.testing.assert_allclose(
        got.channels["right_hand_force"].values, world(file.signals()[:, :3])
    )
    assert any("'nt' is not known; N is taken from the layout" in note for note in got.notes)


def test_volts_become_newtons_by_a_factor_for_each_channel(c3d):
    place, file = c3d(units=("V", "V", "N"))
    with pytest.raises(InputError, match="give unit and factor under signals"):
        read_recording(place, lab(**FORCE, units={"forces": "N"}))
    signals = {
        "C1": {"unit": "N", "factor": 5.0},
        "C2": {"unit": "kN", "factor": -0.002, "zero": 1.5},
    }
    got = force_of(place, lab(**FORCE, signals=signals))
    c = file.signals()
    wanted = np.stack([5.0 * c[:, 0], -2.0 * (c[:, 1] - 1.5), c[:, 2]], axis=-1)
    np.testing.assert_allclose(got.values, world(wanted), rtol=1e-12)


def test_gain_zero_and_delay_of_an_electromyogram(c3d):
    place, file = c3d()
    signals = {"C4": {"gain": 500.0, "zero_s": [0.1, 0.2], "delay_s": 0.048}}
    got = read_recording(place, lab(emg={HEAD: "C4"}, signals=signals)).channels[f"emg/{HEAD}"]
    raw = file.signals()[:, 3]
    np.testing.assert_allclose(got.values, (raw - raw[50:100].mean()) / 500.0 / 1000.0)
    assert got.start == pytest.approx(-0.048)


def test_words_for_units_are_known(c3d):
    place, file = c3d(units=("Newtons", "newton", "N", "Volts"))
    got = read_recording(place, lab(**FORCE, emg={HEAD: "C4"}, signals={"C4": {"gain": 1000.0}}))
    assert got.channels["right_hand_force"].unit == "N"
    np.testing.assert_allclose(got.channels[f"emg/{HEAD}"].values, file.signals()[:, 3] / 1000.0)


def test_another_name_is_taken_where_the_file_has_that(c3d):
    place, file = c3d()
    layout = lab(
        markers={"ij": "STRN"},
        forces={"right_hand_force": ["Fx", "C2", "C3"]},
        signals={"STRN": {"also": ["IJ", "P1"]}, "Fx": {"also": ["C1"], "factor": 2.0}},
    )
    got = read_recording(place, layout)
    np.testing.assert_allclose(
        got.channels["ij"].values, world(file.places()[:, 0]) / 1000.0, rtol=1e-12
    )
    assert got.channels["right_hand_force"].values[:, 2] == pytest.approx(
        2.0 * file.signals()[:, 0]
    )
    assert any("ij: 'STRN' appears as 'P1' in this file" in note for note in got.notes)


def test_axes_of_a_sensor(c3d):
    place, file = c3d()
    given = {"labels": ["C1", "", "C3"], "axes": ["-z", "+x", "+y"]}
    got = force_of(place, lab(forces={"right_hand_force": given}))
    c = file.signals()
    lost = np.full(len(c), np.nan)
    np.testing.assert_array_equal(got.values, world(np.stack([lost, c[:, 2], -c[:, 0]], axis=-1)))


def test_channels_and_axes_of_a_platform(c3d):
    plate = {"type": 2, "corners": CORNERS, "channels": [1, 2, 3, 4, 5, 6]}
    place, file = c3d(plates=(plate,), units=("V", "V", "V"))
    fixes = {f"C{n}": {"unit": "N", "factor": 2.0, "delay_s": 0.02} for n in (1, 2, 3)}
    layout = lab(forces={"right_hand_force": {"plate": 1}}, signals=fixes)
    c = 2.0 * file.signals()[:, :3]
    got = force_of(place, layout)
    np.testing.assert_allclose(got.values, world(c * [1.0, 1.0, 1.0]), rtol=1e-9)
    assert got.start == pytest.approx(-0.02)
    turned = {"plate": 1, "axes": ["+y", "+x", "-z"]}
    got = force_of(place, lab(forces={"right_hand_force": turned}, signals=fixes))
    np.testing.assert_allclose(got.values, world(c[:, [1, 0, 2]] * [1.0, 1.0, -1.0]), rtol=1e-9)
    with pytest.raises(InputError, match="different delays"):
        read_recording(place, layout.model_copy(update={"signals": {"C1": layout.signals["C1"]}}))


def test_components_with_different_delays_are_refused(c3d):
    place, _ = c3d()
    with pytest.raises(InputError, match=r"components have different delays: 0, 0\.01 s"):
        read_recording(place, lab(**FORCE, signals={"C1": {"delay_s": 0.01}}))


def test_a_zero_where_nothing_was_recorded(c3d):
    place, _ = c3d()
    with pytest.raises(InputError, match="has no value from 7 to 8 s"):
        read_recording(place, lab(**FORCE, signals={"C1": {"zero_s": [7.0, 8.0]}}))


@pytest.mark.parametrize(
    ("entry", "said"),
    [
        ({"unit": "lb"}, "unit: must be one of mm"),
        ({"factor": 0.0}, "factor: must not be 0"),
        ({"gain": -1.0}, "greater than 0"),
        ({"zero": 1.0, "zero_s": [0.0, 1.0]}, "either zero or zero_s"),
        ({"zero_s": [1.0, 1.0]}, "beginning and end of a stretch"),
        ({"delay_s": 30.0}, "less than or equal to 10"),
        ({"name": "x"}, "not permitted"),
    ],
)
def test_corrections_that_make_no_sense(entry, said):
    with pytest.raises(ValidationError, match=said):
        lab(**FORCE, signals={"C1": entry})


def test_a_correction_of_nothing_is_a_fault():
    (fault,) = lab(**FORCE, signals={"C9": {"factor": 2.0}}).faults()
    assert "signals.'C9': is not a label of this layout" in fault
    plated = lab(forces={"right_hand_force": {"plate": 1}}, signals={"C9": {"factor": 2.0}})
    assert plated.faults() == []


# Texts with several rows above the data

ROWS = np.arange(1.0, 1.0 + 5 * 7).reshape(5, 7)
ROWS[:, 0] = np.arange(5) / 100.0


def text(*above, delimiter=","):
    rows = [delimiter.join(f"{v:g}" for v in row) for row in ROWS]
    return "\n".join([*above, *rows]) + "\n"


TABLE = {
    "time_column": "Time",
    "delimiter": ",",
    "markers": {"ij": "IJ"},
    "forces": {"right_hand_force": "F"},
}


def read_text(tmp_path, content, **more):
    (tmp_path / "a.csv").write_text(content)
    return read_recording(tmp_path / "a.csv", lab(**{**TABLE, **more}))


def checked(got):
    np.testing.assert_allclose(got.channels["ij"].values, world(ROWS[:, 1:4]) / 1000.0)
    np.testing.assert_allclose(got.channels["right_hand_force"].values, world(ROWS[:, 4:7]))


def test_a_row_of_units_below_the_names(tmp_path):
    content = text("Time,IJ_x,IJ_y,IJ_z,F_x,F_y,F_z", "s,[mm],[mm],[mm],(N),(N),(N)")
    checked(read_text(tmp_path, content, units_row=2))
    with pytest.raises(InputError, match=r"units\.markers: is missing"):
        read_text(tmp_path, content, first_row=3)


def test_units_of_a_table_that_contradict_the_layout(tmp_path):
    content = text("Time,IJ_x,IJ_y,IJ_z,F_x,F_y,F_z", "s,mm,mm,mm,N,N,N")
    with pytest.raises(InputError, match="the file says mm, the layout cm"):
        read_text(tmp_path, content, units_row=2, units={"markers": "cm"})


def test_names_over_the_first_of_three_columns(tmp_path):
    content = text(
        "Exported on some day, by someone", "", ",IJ,,,F", "Time,X,Y,Z,X,Y,Z", "s,mm,mm,mm,N,N,N"
    )
    checked(read_text(tmp_path, content, header_rows=[3, 4], units_row=5, axes=[" X", " Y", " Z"]))


def test_rows_are_counted_as_an_editor_counts_them(tmp_path):
    content = text("a", "", "Time,IJ_x,IJ_y,IJ_z,F_x,F_y,F_z", "s,mm,mm,mm,N,N,N")
    options = {"header_rows": 3, "units_row": 4}
    checked(read_text(tmp_path, content, **options))
    lines = content.splitlines()
    lines[6] = lines[6].replace("16", "oops")
    with pytest.raises(InputError, match="row 7, column 'IJ_x': 'oops' is not a number"):
        read_text(tmp_path, "\n".join(lines), **options)
    lines[6] += ",1"
    with pytest.raises(InputError, match="row 7: has 8 cells, the header 7"):
        read_text(tmp_path, "\n".join(lines), **options)
    lines[6] = ""
    with pytest.raises(InputError, match="row 7: is empty"):
        read_text(tmp_path, "\n".join(lines), **options)
    with pytest.raises(InputError, match="its data should begin in 80"):
        read_text(tmp_path, content, first_row=80, **options)


def test_rows_that_do_not_go_together():
    (fault,) = lab(**TABLE, units_row=2, first_row=2).faults("csv")
    assert "first_row: must come after the rows of names and units" in fault
    (fault,) = lab(**TABLE, units_row=1).faults("csv")
    assert "got 2 after [1, 1]" in fault
    faults = lab(markers={"ij": "IJ"}, units_row=2).faults("c3d")
    assert any("units_row: is for tables" in fault for fault in faults)


def test_units_by_label_are_enough_for_a_table(tmp_path):
    content = text("Time,IJ_x,IJ_y,IJ_z,F_x,F_y,F_z")
    checked(read_text(tmp_path, content, signals={"IJ": {"unit": "mm"}, "F": {"unit": "N"}}))
    with pytest.raises(InputError, match=r"units\.forces: is missing"):
        read_text(tmp_path, content, signals={"IJ": {"unit": "mm"}, "F_x": {"unit": "N"}})


def test_corrections_of_a_table_by_stem_and_by_column(tmp_path):
    content = text("Time,CLAV_x,CLAV_y,CLAV_z,F_x,F_y,F_z")
    got = read_text(
        tmp_path,
        content,
        units={"markers": "mm", "forces": "N"},
        signals={"IJ": {"also": ["CLAV"], "delay_s": 0.5}, "F_y": {"factor": -1.0}},
    )
    assert got.channels["ij"].start == pytest.approx(-0.5)
    np.testing.assert_allclose(got.channels["ij"].values, world(ROWS[:, 1:4]) / 1000.0)
    np.testing.assert_allclose(
        got.channels["right_hand_force"].values, world(ROWS[:, 4:7] * [1.0, -1.0, 1.0])
    )

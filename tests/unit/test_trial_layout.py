"""Layouts: what is checked when a cohort file is read, and the turn to the world frame."""

import tomllib

import numpy as np
import pytest
from pydantic import ValidationError

from momentshare.trial.formats.layout import (
    ANGLE_ROLES,
    FORCE_ROLES,
    MARKER_ROLES,
    LayoutEntry,
    suggestion,
    unit_factor,
)

EXAMPLE = """
name = "lab"
format = "csv"
up = "+z"
right = "+x"
force_on = "hand"
time_column = "time_s"
delimiter = ";"
decimal = ","
axes = [" X", " Y", " Z"]
units = { markers = "mm", forces = "N", angles = "deg", emg = "mV" }
[markers]
ij = "IJ"
right_el = "R.ELB.LAT"
bar_right = "BAR_R"
[forces]
right_hand_force = ["FRX", "", "FRZ"]
left_hand_force = "FL"
[angles]
right_elevation = "elevation"
[emg]
"triceps_brachii/lateral" = "EMG3"
"""


def layout(**changes):
    return LayoutEntry.model_validate({**tomllib.loads(EXAMPLE), **changes})


def lines(**changes):
    """Messages of the faults that a changed example has, with their places."""
    with pytest.raises(ValidationError) as caught:
        layout(**changes)
    return [f"{'.'.join(map(str, e['loc']))}: {e['msg']}" for e in caught.value.errors()]


def test_example_asks_for_every_signal():
    entry = layout()
    assert entry.faults() == []
    wanted = {w.role: w for w in entry.wanted("csv")}
    assert wanted["ij"].labels == ("IJ X", "IJ Y", "IJ Z")
    assert wanted["right_hand_force"].labels == ("FRX", "", "FRZ")
    assert wanted["left_hand_force"].labels == ("FL X", "FL Y", "FL Z")
    assert wanted["right_elevation"].labels == ("elevation",)
    assert wanted["emg/triceps_brachii/lateral"].unit == "mV"
    assert entry.roles() == tuple(wanted)


def test_the_same_roles_as_a_recording_has():
    assert len(MARKER_ROLES) == 4 + 2 * 7 + 2
    assert FORCE_ROLES == (
        "right_hand_force", "left_hand_force", "right_floor_force", "left_floor_force"
    )  # fmt: skip
    assert len(ANGLE_ROLES) == 10


def test_every_unknown_role_is_a_fault_with_a_near_name():
    found = lines(
        markers={"ijj": "IJ", "right_elbow": "EL", "px": "PX"},
        forces={"hand_force_right": ["A", "B", "C"]},
        angles={"right_elevatoin": "e"},
        emg={"triceps_brachii/": "EMG3"},  # names without a part are judged by the model
    )
    assert len(found) == 5
    text = "\n".join(found)
    for phrase in ("did you mean 'ij'", "'right_elbow'", "right_elevation", "must be a head"):
        assert phrase in text
    assert "right_hand_force" in text


@pytest.mark.parametrize(
    ("change", "phrase"),
    [
        ({"up": "z"}, "up"),
        ({"units": {"markers": "km"}}, "units.markers"),
        ({"units": {"emg": "kV"}}, "units.emg"),
        ({"markers": {"ij": ""}}, "markers.ij"),
        ({"markers": {"ij": "A", "px": "A"}}, "stands for both 'ij' and 'px'"),
        ({"markers": {"ij": "A\x1b[2J"}}, "control character"),
        ({"forces": {"right_hand_force": ["A", "B"]}}, "must be one label, a list of three"),
        ({"forces": {"right_hand_force": ["", "", ""]}}, "must be one label, a list of three"),
        ({"forces": {"right_hand_force": {"plate": 0}}}, "plate"),
        ({"forces": {"right_hand_force": {"plate": 1, "labels": ["A"]}}}, "not both"),
        ({"forces": {"right_hand_force": {"platform": 1}}}, "platform"),
        ({"rate_hz": -1.0}, "rate_hz"),
        ({"rate_hz": float("nan")}, "rate_hz"),
        ({"rate_hz": "200"}, "without quotes"),
        ({"axes": ["x", "x", "z"]}, "must differ"),
        ({"delimiter": "::"}, "delimiter"),
        ({"colour": "blue"}, "colour"),
    ],
)
def test_a_wrong_field_is_named(change, phrase):
    assert phrase in "\n".join(lines(**change))


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"up": None}, "up: is missing"),
        ({"right": None}, "right: is missing"),
        ({"right": "-z"}, "right: must lie on another axis"),
        ({"force_on": None}, "force_on: is missing"),
        ({"time_column": None}, "time_column: is missing"),
        ({"units": {"markers": "mm", "forces": "N", "angles": "deg"}}, "units.emg: is missing"),
        ({"delimiter": None}, "delimiter: is missing"),
        ({"delimiter": ","}, "decimal: must differ"),
        ({"forces": {"right_hand_force": {"plate": 1}}}, "forces.right_hand_force: a table has no"),
        ({"markers": {}, "forces": {}, "angles": {}, "emg": {}}, "markers: is missing"),
        ({"format": "parquet"}, "delimiter: is for CSV"),
        ({"format": "c3d"}, "time_column: is for tables"),
        ({"format": "c3d"}, "forces.left_hand_force: must be three analogue channels"),
    ],
)
def test_what_does_not_go_together_is_named(change, field):
    assert any(fault.startswith(field) for fault in layout(**change).faults())


def test_angles_alone_need_no_axes():
    entry = LayoutEntry(
        name="goniometer",
        rate_hz=100.0,
        units={"angles": "deg"},
        angles={"right_elevation": "e"},
    )
    assert entry.faults("parquet") == []


@pytest.mark.parametrize("up", ["+x", "-x", "+y", "-y", "+z", "-z"])
@pytest.mark.parametrize("right", ["+x", "-x", "+y", "-y", "+z", "-z"])
def test_turn_to_the_world_is_a_rotation(up, right):
    if up[1] == right[1]:
        return
    entry = layout(up=up, right=right)
    turned = entry.to_world(np.eye(3))  # rows: where the laboratory's x, y, z point

    def lab(axis):
        return (1.0 if axis[0] == "+" else -1.0) * np.eye(3)["xyz".index(axis[1])]

    assert np.linalg.det(turned) == pytest.approx(1.0)
    assert np.array_equal(lab(up) @ turned, [0.0, 1.0, 0.0])
    assert np.array_equal(lab(right) @ turned, [0.0, 0.0, 1.0])


def test_a_missing_component_does_not_spread():
    turned = layout().to_world(np.array([[1.0, np.nan, 3.0]]))
    assert np.array_equal(turned, [[np.nan, 3.0, 1.0]], equal_nan=True)


def test_units():
    assert unit_factor("markers", "cm") == 0.01
    assert unit_factor("emg", "\u00b5V") == unit_factor("emg", "\u03bcV") == 1e-6
    assert unit_factor("forces", "mm") is None


def test_suggestions():
    assert "did you mean 'R.ELB LAT'" in suggestion("r.elblat", ["R.ELB LAT", "X"], "markers")
    assert "no markers" in suggestion("IJ", [], "markers")
    assert len(suggestion("zzz", [f"label {n}" for n in range(500)], "markers")) < 300
    assert "\x1b" not in suggestion("zzz", ["a\x1b[2J"], "markers")


def test_one_electrode_may_stand_for_several_heads():
    heads = {"triceps_brachii/lateral": "K3", "triceps_brachii/medial": "K3"}
    entry = layout(emg=heads)
    assert [w.labels for w in entry.wanted("csv") if w.kind == "emg"] == [("K3",), ("K3",)]
    angles = {"right_elevation": "K3", "right_plane": "K3"}
    assert "'right_elevation' and 'right_plane'" in "\n".join(lines(angles=angles))


def test_a_marker_may_have_three_labels_in_a_table():
    entry = layout(markers={"ij": ["across", "along", "up"], "right_el": "EL"})
    wanted = {w.role: w for w in entry.wanted("csv")}
    assert (wanted["ij"].labels, wanted["ij"].stem) == (("across", "along", "up"), "")
    assert (wanted["right_el"].labels, wanted["right_el"].stem) == (("EL X", "EL Y", "EL Z"), "EL")
    assert LayoutEntry.model_validate(entry.model_dump(exclude_unset=True)) == entry
    c3d = LayoutEntry(name="c", up="+z", right="+x", markers={"ij": ["a", "b", "c"]})
    assert any("markers.ij: a C3D file holds" in fault for fault in c3d.faults("c3d"))
    assert any(fault.startswith("units.markers") for fault in c3d.faults("csv"))


@pytest.mark.parametrize(
    "labels", [["A", "B"], ["A", "", "C"], ["A", "A", "C"], [], ["A", 2, "C"], {"plate": 1}, 5]
)
def test_other_labels_of_a_marker_are_faults(labels):
    assert "markers.ij" in "\n".join(lines(markers={"ij": labels}))


def test_two_markers_share_no_column():
    text = "\n".join(lines(markers={"ij": ["A", "B", "C"], "px": ["D", "B", "E"]}))
    assert "label 'B' stands for both 'ij' and 'px'" in text


def test_suggestions_stand_in_the_order_of_the_file():
    assert suggestion("IJ", ["t", "IJ_z", "IJ_x", "IJ_y"], "columns") == (
        "did you mean 'IJ_z' or 'IJ_x' or 'IJ_y'?"
    )
    assert suggestion("q", ["zulu", "alpha", "mike"], "columns") == "known: zulu, alpha, mike"

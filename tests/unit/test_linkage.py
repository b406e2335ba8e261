"""Limbs of one's own: what their folders must hold, how faults are told, what answers look like."""

import csv
import json
import math
import shutil
from dataclasses import replace

import numpy as np
import pytest

from momentshare import Criterion, EndLoad, load_linkage, solve_linkage
from momentshare.errors import InputError, ModelError, ShapeError, UnknownNameError
from momentshare.linkage import available_linkages
from momentshare.model import models_folder
from momentshare.model.sources import KINDS
from momentshare.units import FACTORS

SHIPPED = ("elbow_by_table", "finger", "leg", "textbook_arm")


@pytest.fixture
def copied(tmp_path):
    """Copy a shipped linkage into a folder that a test may damage."""

    def copy(name):
        place = tmp_path / "own"
        shutil.copytree(models_folder() / name, place)
        shutil.copy(models_folder() / "references.bib", place / "references.bib")
        return place

    return copy


def set_cell(place, match, column, value):
    """Write a cell of the first row that begins with ``match``; return its line number."""
    with place.open(encoding="utf-8", newline="") as file:
        rows = list(csv.reader(file))
    at = next(i for i, row in enumerate(rows) if row[: len(match)] == list(match))
    rows[at][rows[0].index(column)] = str(value)
    with place.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file, lineterminator="\n").writerows(rows)
    return at + 1


def drop_rows(place, match):
    lines = place.read_text(encoding="utf-8").splitlines()
    kept = [line for line in lines if not line.startswith(match)]
    assert len(kept) < len(lines)
    place.write_text("\n".join(kept) + "\n", encoding="utf-8")


def edit(place, old, new):
    text = place.read_text(encoding="utf-8")
    assert old in text
    place.write_text(text.replace(old, new, 1), encoding="utf-8")


def faults(folder):
    with pytest.raises(ModelError) as caught:
        load_linkage(folder)
    assert caught.value.exit_code == 2
    return caught.value.faults


def only_fault(folder):
    found = faults(folder)
    assert len(found) == 1, found
    return found[0]


def test_the_examples_ship():
    assert available_linkages() == SHIPPED


@pytest.mark.parametrize("name", SHIPPED)
def test_every_number_has_unit_source_and_kind(name):
    linkage = load_linkage(name)
    numbers = [number for head in linkage.heads for number in head.numbers.values()]
    for body in linkage.bodies.values():
        numbers += [body.mass, *(body.centre or ()), *(body.radii or ())]
    assert len(numbers) > 8
    for number in numbers:
        assert number.unit in FACTORS
        assert number.kind in {"assumed", "from memory"}
        assert number.source in linkage.references
        assert math.isfinite(number.value)
        assert number.spread > 0.0 or number.value == 0.0
    for item in (*linkage.joints, *linkage.rows, *linkage.sites.values()):
        assert item.kind in KINDS
        assert item.source in linkage.references
    assert set(linkage.source_keys()) <= set(linkage.references)


@pytest.mark.parametrize("name", SHIPPED)
def test_no_path_lies_within_its_surface_or_lets_go_within_the_limits(name):
    """Each angle through its range, the others at a tenth, a half and nine tenths of theirs."""
    linkage = load_linkage(name)
    low, high = (np.array([getattr(row, end) for row in linkage.rows]) for end in ("low", "high"))
    for share in (0.1, 0.5, 0.9):
        for k, row in enumerate(linkage.rows):
            angles = np.tile(low + share * (high - low), (181, 1))
            angles[:, k] = np.linspace(low[k], high[k], 181)
            given = dict(zip(linkage.row_names, angles.T, strict=True))
            result = solve_linkage(linkage, given, moments={}, criterion=Criterion(weights="none"))
            assert not result.paths.inside.any(), row.name
            arms = result.paths.moment_arms
            assert np.abs(np.diff(arms, axis=0)).max() < 4e-3, (row.name, share)


def test_a_linkage_is_named_as_a_model_is(copied, tmp_path, monkeypatch):
    copied("leg")
    monkeypatch.chdir(tmp_path)
    assert load_linkage("./own").name == "leg"
    with pytest.raises(UnknownNameError, match=r"unknown linkage 'own'; .* write './own'"):
        load_linkage("own")
    with pytest.raises(UnknownNameError, match=r"unknown linkage 'legg'; did you mean 'leg'"):
        load_linkage("legg")
    with pytest.raises(UnknownNameError, match=r"holds a limb.toml and no linkage.toml"):
        load_linkage(models_folder() / "reference_limb")


def test_faults_of_all_files_are_reported_together(copied):
    folder = copied("leg")
    rows = {
        "joints.csv": set_cell(folder / "joints.csv", ["knee"], "unit", "inch"),
        "rows.csv": set_cell(folder / "rows.csv", ["knee_flexion"], "axis_z", "-2"),
        "sites.csv": set_cell(folder / "sites.csv", ["calcaneus"], "source", "nobody1999"),
        "surfaces.csv": set_cell(folder / "surfaces.csv", ["kneecap"], "radius", "0"),
        "heads.csv": set_cell(folder / "heads.csv", ["soleus", "volume"], "value", "much"),
    }
    drop_rows(folder / "bodies.csv", "foot,mass,")
    edit(folder / "linkage.toml", '"soleus_origin"', '"soleus_orign"')
    found = faults(folder)
    assert len(found) == len(rows) + 2, found
    for name, row in rows.items():
        assert any(fault.startswith(f"{name} row {row}: ") for fault in found), name
    assert "joints.csv row 3: unknown unit 'inch'; known: 1, m, cm, mm" in found[0]
    assert any("the axis of a row must have length 1; got 2" in fault for fault in found)
    assert any(
        f.startswith("bodies.csv: body 'foot' has no mass; add a row, with 0") for f in found
    )
    wrong = "linkage.toml path 'soleus': unknown site 'soleus_orign'; did you mean 'soleus_origin'"
    assert any(fault.startswith(wrong) for fault in found)


@pytest.mark.parametrize(
    ("name", "file", "match", "column", "value", "words"),
    [
        ("leg", "joints.csv", ["knee"], "parent", "thig", "row 3: field 'parent': body 'thig' is"),
        ("leg", "joints.csv", ["hip"], "parent", "shank", "'shank' leads round in a circle"),
        ("leg", "joints.csv", ["ankle"], "body", "shank", "row 4: body 'shank' hangs from two"),
        ("leg", "joints.csv", ["ankle"], "body", "pelvis", "row 4: body 'pelvis' is the ground"),
        ("leg", "joints.csv", ["knee"], "type", "slider", "row 3: field 'type'"),
        ("leg", "rows.csv", ["knee_flexion"], "joint", "kne", "unknown joint 'kne'; did you mean"),
        ("leg", "rows.csv", ["knee_flexion"], "joint", "hip", "'hip' is a ball, so it must have 3"),
        ("leg", "rows.csv", ["knee_flexion"], "high_deg", "-5", "low_deg 0 must lie below"),
        ("leg", "rows.csv", ["knee_flexion"], "balanced", "maybe", "row 5: field 'balanced'"),
        ("leg", "rows.csv", ["knee_flexion"], "row", "Knee flexion", "row 5: field 'row'"),
        ("leg", "sites.csv", ["calcaneus"], "body", "fot", "unknown body 'fot'; did you mean"),
        ("leg", "sites.csv", ["calcaneus"], "x", "nan", "field 'x'"),
        ("leg", "bodies.csv", ["foot", "mass"], "value", "-1", "mass must be zero or more; got -1"),
        ("leg", "bodies.csv", ["foot", "centre_x"], "unit", "kg", "unit 'kg' measures mass"),
        ("leg", "bodies.csv", ["foot", "mass"], "body", "feet", "'feet' hangs from no joint"),
        ("leg", "heads.csv", ["soleus", "volume"], "quantity", "area", "unknown quantity; known: "),
        ("leg", "heads.csv", ["soleus", "volume"], "head", "solus", "'solus' has neither path nor"),
        ("leg", "heads.csv", ["soleus", "pennation"], "value", "85", "pennation must be below 80"),
        ("leg", "heads.csv", ["soleus", "peak_fibre_length"], "value", "0", "must be above zero"),
        ("leg", "heads.csv", ["soleus", "volume"], "kind", "guess", "field 'kind'"),
        ("elbow_by_table", "arms.csv", ["brachialis"], "row", "elbow", "unknown row 'elbow'"),
        ("elbow_by_table", "arms.csv", ["brachialis"], "angle_deg", "35", "35 is duplicated"),
        ("elbow_by_table", "capacities.csv", ["brachialis"], "unit", "mm", "measures length"),
        ("elbow_by_table", "arms.csv", ["brachialis"], "source", "me", "'me' is not in references"),
    ],
)  # fmt: skip
def test_a_wrong_cell_is_named(copied, name, file, match, column, value, words):
    folder = copied(name)
    set_cell(folder / file, match, column, value)
    found = faults(folder)
    assert any(words in fault and fault.startswith(file) for fault in found), found


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        (
            'ground = "pelvis"',
            'ground = "pelvs"',
            "row 2: field 'parent': body 'pelvis'",
        ),
        ("up = [0.0, 1.0, 0.0]", "up = [0.0, 2.0, 0.0]", "linkage.toml: field 'up'"),
        ('end = "ball_of_foot"', 'end = "toe"', "linkage.toml: field 'end': unknown site 'toe'"),
        ("knee_flexion = 15.0", "knee = 15.0", "field 'postures.standing': unknown row 'knee'"),
        ("[postures.standing]", "[postures.lying]", "linkage.toml has no posture 'standing'"),
        ('"round:kneecap-"', '"round:kneecap"', "a cylinder needs a sense + or -"),
        ('name = "leg"', "name = leg", "linkage.toml: not readable as TOML"),
        ("[paths]", "[routes]", "linkage.toml: field 'routes'"),
    ],
)
def test_a_wrong_entry_of_the_file_is_named(copied, old, new, words):
    folder = copied("leg")
    edit(folder / "linkage.toml", old, new)
    found = faults(folder)
    assert any(words in fault for fault in found), found


@pytest.mark.parametrize(
    ("file", "start", "words"),
    [
        ("rows.csv", "hip_adduction,", "joint 'hip' is a ball, so it must have 3 rows; got 2"),
        ("bodies.csv", "foot,centre_y,", "body 'foot' lacks some of centre_x, centre_y, centre_z"),
        ("heads.csv", "soleus,volume,", "head 'soleus' lacks greatest_isometric_force (or volume"),
        ("heads.csv", "soleus,pennation,", "head 'soleus' lacks pennation; add the rows"),
    ],
)
def test_a_missing_row_is_named(copied, file, start, words):
    folder = copied("leg")
    drop_rows(folder / file, start)
    fault = only_fault(folder)
    assert fault.startswith(f"{file}: ")
    assert words in fault


def rewrite(place, change):
    """Write a table again; ``change`` takes header and rows as lists of cells."""
    with place.open(encoding="utf-8", newline="") as file:
        header, *rows = csv.reader(file)
    with place.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file, lineterminator="\n").writerows(change(header, rows))


def test_a_wrong_header_is_one_fault_and_not_one_for_every_row(copied):
    folder = copied("leg")
    rewrite(folder / "sites.csv", lambda h, r: [[c.replace("unit", "units") for c in h], *r])
    assert faults(folder) == (
        "sites.csv row 1: unknown column 'units'; did you mean 'unit'?",
        "sites.csv row 1: lacks the column unit",
    )


def test_an_entry_of_the_file_that_is_wrong_makes_no_other_file_wrong(copied):
    folder = copied("leg")
    edit(folder / "linkage.toml", 'version = "', 'author = "me"\nedition = "')
    assert faults(folder) == (
        "linkage.toml: field 'version': must be given",
        "linkage.toml: field 'author': there is no such field; take it out; got 'me'",
        "linkage.toml: field 'edition': there is no such field; take it out; got '1'",
    )


def test_tables_of_heads_are_looked_at_where_the_file_is_wrong(copied):
    folder = copied("leg")
    edit(folder / "linkage.toml", "up = [0", "up = [3")
    row = set_cell(folder / "heads.csv", ["soleus", "volume"], "unit", "stone")
    axis, volume = faults(folder)
    assert axis.startswith("linkage.toml: field 'up': must have length 1")
    assert volume.startswith(f"heads.csv row {row}: unknown unit 'stone'")


def test_tables_of_arms_are_looked_at_where_the_file_is_wrong(copied):
    folder = copied("elbow_by_table")
    edit(folder / "linkage.toml", "up = [0", "up = [3")
    row = set_cell(folder / "arms.csv", ["brachialis"], "row", "knee_flexion")
    assert any(f.startswith(f"arms.csv row {row}: field 'row'") for f in faults(folder))


def test_a_joint_that_cannot_be_read_is_not_missing_as_well(copied):
    folder = copied("leg")
    edit(folder / "joints.csv", "knee,hinge,", "knee,hinge,,")
    (fault,) = faults(folder)
    assert fault.startswith("joints.csv row 3: has another number of columns than the header")


def test_a_joint_that_is_wrong_leads_no_joint_behind_it_round_in_a_circle(copied):
    folder = copied("leg")
    edit(folder / "joints.csv", "hip,ball,", "hip,bal,")
    assert only_fault(folder).startswith("joints.csv row 2: field 'type': must be 'hinge'")


def test_joints_that_go_round_in_a_circle_are_named(copied):
    folder = copied("leg")
    set_cell(folder / "joints.csv", ["hip"], "parent", "shank")
    found = faults(folder)
    assert any("'shank' leads round in a circle" in fault for fault in found)


def test_a_fault_of_a_whole_row_names_no_field(copied):
    folder = copied("leg")
    row = set_cell(folder / "rows.csv", ["knee_flexion"], "axis_z", "2")
    assert only_fault(folder) == f"rows.csv row {row}: the axis of a row must have length 1; got 2"


def test_the_ground_has_no_mass(copied):
    folder = copied("leg")
    set_cell(folder / "bodies.csv", ["foot", "radius_x"], "body", "pelvis")
    assert any("'pelvis' is the ground and has no mass; remove it" in f for f in faults(folder))


def test_a_blank_cell_is_left_out_where_the_column_may_be(copied):
    folder = copied("leg")
    whole = load_linkage(folder).surfaces["kneecap"]
    set_cell(folder / "surfaces.csv", ["kneecap"], "largest_turn_deg", "")
    assert load_linkage(folder).surfaces["kneecap"] == whole
    assert math.degrees(whole.largest_turn) == pytest.approx(180.0)
    set_cell(folder / "surfaces.csv", ["kneecap"], "spread", "")
    assert "field 'spread': must be a number; got ''" in only_fault(folder)


def test_a_path_round_a_surface_that_no_file_holds_is_named(copied):
    folder = copied("leg")
    (folder / "surfaces.csv").unlink()
    wanted = "unknown surface 'kneecap'; there is none"
    assert any(fault.endswith(wanted) for fault in faults(folder))


def test_fibres_of_impossible_length_are_refused(copied):
    """A percentage in place of a ratio, and a millimetre in place of a centimetre."""
    folder = copied("leg")
    set_cell(folder / "heads.csv", ["*", "fibre_length_standing"], "value", "95")
    assert "must be above 0 and at most 3 peak fibre lengths; got 95" in only_fault(folder)
    set_cell(folder / "heads.csv", ["*", "fibre_length_standing"], "value", "0.95")
    set_cell(folder / "heads.csv", ["soleus", "peak_fibre_length"], "unit", "mm")
    bent = {"ankle_dorsiflexion": np.radians([0.0, 25.0])}
    with pytest.raises(InputError, match=r"head 'soleus': its fibres are .* long in frame 1"):
        solve_linkage(load_linkage(folder), bent)


def test_axes_of_a_joint_are_looked_at(copied):
    folder = copied("leg")
    set_cell(folder / "rows.csv", ["hip_adduction"], "axis_x", "0.8")
    set_cell(folder / "rows.csv", ["hip_adduction"], "axis_z", "0.6")
    for axis, value in zip("xyz", ("0", "0", "1"), strict=True):
        set_cell(folder / "rows.csv", ["ankle_dorsiflexion"], f"axis_{axis}", value)
        set_cell(folder / "rows.csv", ["subtalar_inversion"], f"axis_{axis}", value)
    assert faults(folder) == (
        "rows.csv: joint 'hip': the axes of a ball must be at right angles",
        "rows.csv: joint 'ankle': the two axes of a pair must differ",
    )


def test_tables_and_paths_exclude_each_other(copied):
    folder = copied("elbow_by_table")
    place = folder / "linkage.toml"
    text = place.read_text(encoding="utf-8")
    place.write_text(f'{text}\n[paths]\nbrachialis = ["grip", "grip"]\n', encoding="utf-8")
    assert only_fault(folder).startswith("arms.csv: head 'brachialis' has a path as well")


# Answers


@pytest.fixture(scope="module")
def arm():
    return load_linkage("textbook_arm")


def test_a_head_added_in_python_changes_the_digest(arm):
    more = replace(arm, heads=(*arm.heads, replace(arm.heads[0], name="invented")))
    assert more.digest != arm.digest
    assert replace(more, heads=arm.heads).digest == arm.digest
    assert solve_linkage(more, {}).force.shape == (1, 9)
    head = arm.heads[0]
    (name, number) = next(iter(head.numbers.items()))
    stronger = replace(head, numbers={**head.numbers, name: replace(number, value=9.9)})
    assert replace(arm, heads=(stronger, *arm.heads[1:])).digest != arm.digest


def test_frames_side_by_side_are_frames_alone(arm):
    angles = np.linspace(0.2, 2.0, 7)
    load = EndLoad(mass=2.0)
    whole = solve_linkage(arm, {"elbow_flexion": angles, "shoulder_flexion": 0.3}, loads=load)
    for k, angle in enumerate(angles):
        one = solve_linkage(arm, {"elbow_flexion": angle, "shoulder_flexion": 0.3}, loads=load)
        assert one.force[0] == pytest.approx(whole.force[k], abs=1e-9)
        assert one.moments[0] == pytest.approx(whole.moments[k], abs=1e-12)


def test_a_frame_without_a_posture_is_not_answered(arm):
    result = solve_linkage(arm, {"elbow_flexion": [0.5, np.nan, 1.0]})
    assert result.posed.tolist() == [True, False, True]
    table = result.head_table()
    lost = table[table["frame"] == 1]
    assert (
        lost[["activation", "force_n", "capacity_n", "arm_elbow_flexion_m"]].isna().all(axis=None)
    )
    assert set(lost["status"]) == {"no posture"}
    assert not table[table["frame"] != 1]["force_n"].isna().any()
    assert result.row_table().query("frame == 1")["moment_nm"].isna().all()


def test_a_load_may_be_an_array_a_function_or_several(arm):
    angles = {"elbow_flexion": np.linspace(0.5, 1.5, 5)}
    push = np.array([20.0, -30.0, 0.0])
    plain = solve_linkage(arm, angles, loads=EndLoad(force=push)).moments

    def pull(time, position):
        assert time.shape == (5,)
        assert position.shape == (5, 3)
        return np.broadcast_to(push, position.shape)

    assert solve_linkage(arm, angles, loads=EndLoad(force=pull)).moments == pytest.approx(plain)
    halves = [EndLoad(force=push / 2), EndLoad(force=push / 2, site="grip")]
    assert solve_linkage(arm, angles, loads=halves).moments == pytest.approx(plain)
    turned = solve_linkage(arm, angles, loads=EndLoad(couple=[0.0, 0.0, 4.0])).moments
    bare = solve_linkage(arm, angles).moments
    assert turned - bare == pytest.approx(np.full((5, 2), -4.0), abs=1e-12)


def test_a_moment_beyond_the_heads_is_a_shortfall_and_not_an_error(arm):
    result = solve_linkage(arm, {"elbow_flexion": 1.5}, moments={"elbow_flexion": 500.0})
    assert str(result.sharing.status_text[0]) == "shortfall"
    row = result.row_table().set_index("row").loc["elbow_flexion"]
    assert row["unmet_nm"] > 300.0
    assert row["moment_nm"] == 500.0


def test_tables_hold_what_the_answer_holds(arm):
    result = solve_linkage(arm, {"elbow_flexion": [0.5, 2.7]}, loads=EndLoad(mass=1.0))
    heads, rows, joints = result.head_table(), result.row_table(), result.joint_table()
    assert heads["force_n"].to_numpy().reshape(2, 8) == pytest.approx(result.force)
    assert rows["moment_nm"].to_numpy().reshape(2, 2) == pytest.approx(result.moments)
    assert rows["within_limits"].tolist() == [True, True, True, False]
    across = joints[[f"contact_force_{axis}_n" for axis in "xyz"]].to_numpy().reshape(2, 2, 3)
    assert across == pytest.approx(result.contact)
    arms = heads[["arm_shoulder_flexion_m", "arm_elbow_flexion_m"]].to_numpy().reshape(2, 8, 2)
    total = np.einsum("fhr,fh->fr", arms, result.force)
    unmet = rows["unmet_nm"].to_numpy().reshape(2, 2)
    assert abs(unmet[1, 1]) > 0.1  # beyond its limit the elbow falls short
    assert total + unmet == pytest.approx(result.moments, abs=1e-8)


@pytest.mark.parametrize("key", [3, slice(1, 6, 2), [4, 0]])
def test_an_index_takes_frames_and_all_that_belongs_to_them(arm, key):
    angles = {"elbow_flexion": np.linspace(0.4, 1.6, 9)}
    result = solve_linkage(arm, angles, rate=20.0, loads=EndLoad(mass=2.0))
    chosen, part = np.atleast_1d(np.arange(9)[key]), result[key]
    for table in ("head_table", "row_table", "joint_table"):
        some, whole = getattr(part, table)(), getattr(result, table)()
        lines = len(whole) // 9
        wanted = np.concatenate([np.arange(lines) + lines * f for f in chosen])
        wanted = whole.iloc[wanted].reset_index(drop=True).drop(columns="frame")
        assert some.drop(columns="frame").equals(wanted), table
    body = arm.joints[-1].body
    np.testing.assert_array_equal(part.poses.rotation[body], result.poses.rotation[body][chosen])
    with pytest.raises(IndexError):
        result[9]


def test_an_answer_in_plain_values_is_that_of_the_tables(arm):
    result = solve_linkage(arm, {"elbow_flexion": [0.5, 1.0, np.nan]})
    whole = json.loads(result.to_json())
    found, axes = whole["data_vars"], {n: len(c["data"]) for n, c in whole["coords"].items()}
    for name, part in found.items():
        shape = tuple((axes | {"frame": 3})[axis] for axis in part["dims"])
        assert np.shape(part["data"]) == shape, name
        assert part["attrs"].get("units") or name in {"status", "posed"}, name
    table = result.head_table()
    for name, column in (
        ("force", "force_n"),
        ("capacity", "capacity_n"),
        ("path_length", "path_length_m"),
    ):
        values = np.array(found[name]["data"], dtype=float).ravel()
        np.testing.assert_array_equal(values, table[column])
    moments = np.array(found["net_moments"]["data"], dtype=float).ravel()
    np.testing.assert_array_equal(moments, result.row_table()["moment_nm"])
    assert found["force"]["data"][2][0] is None
    assert whole["coords"]["net_row"]["data"] == list(arm.row_names)


def test_rows_that_are_not_balanced_are_told_and_not_met():
    leg = load_linkage("leg")
    result = solve_linkage(leg, {"hip_adduction": 0.2}, loads=EndLoad(force=[50.0, 300.0, 0.0]))
    table = result.row_table().set_index("row")
    assert not table.loc["hip_internal_rotation", "balanced"]
    assert np.isnan(table.loc["hip_internal_rotation", "unmet_nm"])
    assert table.loc["hip_internal_rotation", "moment_nm"] != 0.0


@pytest.mark.parametrize(
    ("call", "error", "words"),
    [
        ({"angles": {"elbow": 1.0}}, UnknownNameError, "unknown row 'elbow'; did you mean"),
        ({"angles": {"elbow_flexion": [1.0, 90.0]}}, ShapeError, "90 in frame 1; degrees"),
        ({"angles": {"elbow_flexion": [[1.0]]}}, ShapeError, r"got shape \(1, 1\)"),
        ({"angles": {"elbow_flexion": np.inf}}, ShapeError, "finite numbers, or NaN where"),
        ({"angles": {"elbow_flexion": "bent"}}, ShapeError, "must be an array of numbers"),
        ({"angles": {"elbow_flexion": []}}, ShapeError, "at least one frame long"),
        (
            {"angles": {"elbow_flexion": [1.0, 1.1], "shoulder_flexion": [0.0] * 3}},
            ShapeError,
            "elbow_flexion 2, shoulder_flexion 3",
        ),
        (
            {"angles": {"elbow_flexion": [1.0, 1.1]}, "rate": 50.0},
            ShapeError,
            "at least four frames",
        ),
        (
            {"angles": {"elbow_flexion": [1.0] * 9}, "rate": 0.0},
            InputError,
            "rate: must be a finite number above 0",
        ),
        ({"loads": EndLoad(site="hand", mass=1.0)}, UnknownNameError, "unknown site 'hand'"),
        ({"loads": EndLoad(force=[1.0, 2.0])}, ShapeError, r"force at 'grip': .*got shape \(2,\)"),
        ({"loads": EndLoad(mass=1.0), "moments": {}}, InputError, "loads would not count"),
        ({"moments": {"wrist": 1.0}}, UnknownNameError, "unknown row 'wrist'"),
        ({"moments": {"elbow_flexion": [1.0, 2.0]}}, ShapeError, "the frames 1, elbow_flexion 2"),
        ({"curves": "mine"}, UnknownNameError, "unknown curve set 'mine'"),
        ({"criterion": Criterion(balance_forearm=True)}, InputError, "balance_forearm"),
    ],
)
def test_wrong_arguments_are_named(arm, call, error, words):
    with pytest.raises(error, match=words):
        solve_linkage(arm, **({"angles": {}} | call))


def test_a_mask_is_kept(arm):
    hidden = np.ma.masked_array([1.0, 0.5], [True, False])
    assert solve_linkage(arm, {"elbow_flexion": hidden}).status.tolist() == ["no posture", "solved"]
    push = EndLoad(force=np.ma.masked_array([1.0, 2.0, 3.0], [True, False, False]))
    assert np.isnan(solve_linkage(arm, {}, loads=push).force).all()


@pytest.mark.parametrize(
    ("words", "options"),
    [
        ("linkage: must be a Linkage; got 'arm'; load_linkage", {"linkage": "arm"}),
        ("angles: must be a mapping; got list", {"angles": [1.0]}),
        ("loads: must be an EndLoad; got 3", {"loads": [3]}),
        ("loads: must be a sequence; got 3", {"loads": 3}),
        ("criterion: must be a Criterion; got 'area'", {"criterion": "area"}),
    ],
)
def test_another_class_is_refused_with_the_one_wanted(arm, words, options):
    with pytest.raises(InputError, match=words):
        solve_linkage(**{"linkage": arm, "angles": {}} | options)


def test_a_negative_mass_is_refused():
    with pytest.raises(InputError, match="mass of a load"):
        EndLoad(mass=-1.0)


def test_an_angle_beyond_a_table_is_named():
    table = load_linkage("elbow_by_table")
    with pytest.raises(InputError, match=r"'brachialis'.* from 0 to 140 .*150 in frame 1"):
        solve_linkage(table, {"elbow_flexion": np.radians([90.0, 150.0])})


def test_volumes_are_asked_for_where_they_count(copied):
    folder = copied("elbow_by_table")
    drop_rows(folder / "heads.csv", "brachialis,")
    table = load_linkage(folder)
    with pytest.raises(InputError, match="head 'brachialis' has none; add volume, or"):
        solve_linkage(table, {"elbow_flexion": 1.0})
    equal = solve_linkage(table, {"elbow_flexion": 1.0}, criterion=Criterion(weights="none"))
    assert str(equal.sharing.status_text[0]) == "solved"

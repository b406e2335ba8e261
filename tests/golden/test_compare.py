"""The comparison of golden tables works: planted faults are reported, and nothing else is."""

import numpy as np
import pandas as pd
import pytest

from tests.golden.compare import differences
from tests.golden.renamed import COLUMNS, VALUES, Duplicate
from tests.golden.specs import TABLES
from tests.golden.tables import Several, Table, packed, path_of, stored


@pytest.fixture(scope="module")
def frames():
    return stored("demo/frames")


@pytest.fixture(scope="module")
def moments():
    return stored("demo/moments")


def _told(name, new, **maps):
    """Compare a changed copy of a stored table, thinned already, with it."""
    plain = {"columns": {}, "values": {}}
    return differences(name, TABLES[name], stored(name), new, **(plain | maps))


@pytest.mark.parametrize("name", TABLES)
def test_a_table_is_like_itself_in_any_order(name):
    table = stored(name)
    assert not differences(name, TABLES[name], table, table, columns={}, values={})
    mixed = table.sample(frac=1.0, random_state=1)
    assert not differences(name, TABLES[name], table, mixed, columns={}, values={})


@pytest.mark.parametrize("name", TABLES)
def test_every_column_of_every_table_is_watched(name):
    table = stored(name)
    spec = TABLES[name]
    new, planted = table.copy(), []
    for column in [c for c in table if c not in spec.keys and c not in (spec.noise or {})]:
        if not pd.api.types.is_float_dtype(table[column]):
            continue
        sizes = np.abs(table[column].to_numpy())
        watched = np.isfinite(sizes) & (sizes > 0.0)
        if spec.several is not None and column in spec.several.columns:
            watched &= ~spec.several.rows(table)
        known = np.flatnonzero(watched)
        if len(known):
            greatest = int(known[np.argmax(sizes[known])])
            least = (spec.least_scale or {}).get(column, 0.0)
            new.loc[greatest, column] += 1e-5 * max(sizes[greatest], least)
            planted.append(column)
    found = differences(name, spec, table, new, columns={}, values={})
    assert len(found) == len(planted)
    for column, line in zip(planted, found, strict=True):
        assert line.startswith(f"{name}: ")
        assert f": {column}: stored" in line


def test_rounding_is_let_through(frames):
    floats = frames.select_dtypes("float").columns
    new = frames.assign(**{c: frames[c] * (1.0 + 1e-13) for c in floats})
    assert not _told("demo/frames", new)


def test_capacity_of_one_head_a_thousandth_up(frames):
    head = frames["head"] == "anconeus"
    assert head.any()
    new = frames.assign(capacity_n=frames["capacity_n"].where(~head, frames["capacity_n"] * 1.001))
    found = _told("demo/frames", new)
    assert found
    assert all("head anconeus" in line for line in found[:5])
    old, now = (float(t["capacity_n"][head].iloc[0]) for t in (frames, new))
    assert f"capacity_n: stored {old:.17g}, now {now:.17g}" in found[0]
    assert f"capacity_n: {head.sum()} of {len(frames)} rows differ in all" in found[-1]


def test_two_heads_swapped(frames):
    one, two = "triceps_brachii/lateral", "triceps_brachii/medial"
    assert {one, two} <= set(frames["head"])
    swapped = frames["head"].replace({one: two, two: one})
    found = _told("demo/frames", frames.assign(head=swapped))
    assert any(f"head {one}" in line and "force_n" in line for line in found)
    assert any(f"head {two}" in line and "force_n" in line for line in found)
    assert not any("pectoralis" in line for line in found)


def test_frames_shifted_by_one(moments):
    keys = ["person", "condition", "lateral", "row"]
    shifted = moments.groupby(keys, sort=False)["moment_nm"].shift(-1)
    new = moments.assign(moment_nm=shifted.fillna(moments["moment_nm"]))
    assert any("moment_nm: stored" in line for line in _told("demo/moments", new))
    later = moments.assign(frame=moments["frame"] + 10)
    found = _told("demo/moments", later)
    assert any("frame 0" in line and "is missing" in line for line in found)
    assert any("frame 60" in line and "is additional" in line for line in found)


def test_sign_of_one_moment_row(moments):
    row = moments["row"] == "shoulder_elevation"
    new = moments.assign(moment_nm=moments["moment_nm"].where(~row, -moments["moment_nm"]))
    found = _told("demo/moments", new)
    assert found
    assert all("row shoulder_elevation: moment_nm: stored" in line for line in found[:-1])


def test_row_lost_added_and_doubled(moments):
    (lost,) = _told("demo/moments", moments.drop(index=7))
    assert "is missing" in lost
    more = moments.iloc[[7]].assign(condition="bar 9")
    (added,) = _told("demo/moments", pd.concat([moments, more], ignore_index=True))
    assert "condition bar 9" in added
    assert "is additional" in added
    (twice,) = _told("demo/moments", pd.concat([moments, moments.iloc[[7]]], ignore_index=True))
    assert "stands there twice" in twice


def test_gaps_either_way(moments):
    gap = int(np.flatnonzero(moments["multiplier_per_nm"].isna())[0])
    for place, value, words in ((0, np.nan, "now nan"), (gap, 0.0, "stored nan, now 0")):
        new = moments.copy()
        new.loc[place, "multiplier_per_nm"] = value
        (found,) = _told("demo/moments", new)
        assert words in found


def test_column_lost_and_column_of_gaps(moments):
    assert _told("demo/moments", moments.drop(columns="gravity_arm_m")) == [
        "demo/moments: column 'gravity_arm_m' is missing"
    ]
    assert _told("demo/moments", moments.drop(columns="row")) == [
        "demo/moments: column 'row' is missing"
    ]
    assert _told("demo/moments", moments.assign(time_s=1.0))
    assert not _told("demo/moments", moments.assign(further=1.0))


def test_words_states_and_truth_values():
    loads = stored("demo/loads")
    new = loads.copy()
    new.loc[3, "limiting_row"] = "forearm_pronation"
    (found,) = _told("demo/loads", new)
    assert "limiting_row: stored" in found
    assert "now 'forearm_pronation'" in found
    glenoid = stored("demo/glenoid")
    flipped = glenoid.copy()
    flipped.loc[3, "within_limits"] = not flipped.loc[3, "within_limits"]
    assert len(_told("demo/glenoid", flipped)) == 1


def test_prose_may_be_reworded_but_not_come_or_go():
    table = stored("exercises/conditions")
    said = table["limits"].astype(bool)
    assert said.any()
    reworded = table.assign(limits=np.where(said, "put otherwise", ""))
    assert not _told("exercises/conditions", reworded)
    assert _told("exercises/conditions", table.assign(limits=""))


def test_certificates_are_held_by_size():
    table = stored("demo/certificates")
    assert not _told("demo/certificates", table.assign(moment_residual_nm=1e-9))
    assert _told("demo/certificates", table.assign(moment_residual_nm=1e-3))


def test_a_wider_limit_holds_for_its_column_alone():
    spec = Table(keys=("row",), loose={"steep": 1e-6})
    old = pd.DataFrame({"row": ["a"], "steep": [1.0], "plain": [1.0]})
    new = old.assign(steep=1.0 + 1e-8, plain=1.0 + 1e-8)
    (found,) = differences("t", spec, old, new, columns={}, values={})
    assert ": plain: stored 1, now 1.00000" in found
    assert "apart by more than 1e-09 of the column's scale" in found
    (found,) = differences("t", spec, old, old.assign(steep=1.0 + 1e-5), columns={}, values={})
    assert ": steep: stored 1" in found


def test_a_wider_limit_holds_for_its_rows_alone():
    spec = Table(keys=("row",), loose_rows=("timed", 1e-6))
    old = pd.DataFrame({"row": ["bar, timed", "bar"], "value": [1.0, 1.0]})
    (found,) = differences("t", spec, old, old.assign(value=1.0 + 1e-8), columns={}, values={})
    assert "row bar: value: stored 1" in found
    (found,) = differences(
        "t", spec, old, old.assign(value=[1.0 + 1e-5, 1.0]), columns={}, values={}
    )
    assert "row bar, timed: value" in found
    assert "apart by more than 1e-06" in found


def test_one_of_several_answers_need_only_be_there():
    several = Several(("price",), ("unmet",), within=("frame",))
    spec = Table(keys=("frame", "row"), several=several)
    old = pd.DataFrame(
        {
            "frame": [0, 0, 1, 1],
            "row": ["shoulder", "elbow", "shoulder", "elbow"],
            "unmet": [1e-12, 0.0, 0.0, -3.0],
            "price": [1.0, 2.0, 3.0, 4.0],
            "load": [1.0, 2.0, 3.0, 4.0],
        }
    )
    # Every row of a frame with an unmet moment, and none of another.
    other = old.assign(price=[1.0, 2.0, 3.5, 4.5])
    assert not differences("t", spec, old, other, columns={}, values={})
    for change in (
        {"price": [1.1, 2.0, 3.0, 4.0]},
        {"price": [1.0, 2.0, 3.0, None]},
        {"load": [1.0, 2.0, 3.1, 4.0]},
        {"unmet": [1e-12, 0.0, 0.0, -3.1]},
    ):
        assert differences("t", spec, old, old.assign(**change), columns={}, values={}), change


def test_keys_that_are_numbers_match_to_six_decimals():
    spec = Table(keys=("percent",))
    old = pd.DataFrame({"percent": [15.0, 20.0], "value": [1.0, 2.0]})
    new = old.assign(percent=[15.000000000000002, 20.0])
    assert not differences("t", spec, old, new, columns={}, values={})
    assert differences("t", spec, old, old.assign(percent=[15.1, 20.0]), columns={}, values={})


def test_scale_of_a_unit():
    spec = Table(keys=("row",), scale_by=("unit",))
    old = pd.DataFrame({"row": ["a", "b"], "unit": ["N", "1"], "value": [1e4, 1e-4]})
    new = old.assign(value=[1e4, 1.001e-4])
    (found,) = differences("t", spec, old, new, columns={}, values={})
    assert "row b: value" in found
    assert not differences("t", Table(keys=("row",)), old, new.assign(value=[1e4, 1e-4 + 1e-6]))


def test_renamed_columns_and_values(frames):
    columns = {
        "*": {"force_n": "tendon_force_n"},
        "demo/frames": {"effort": Duplicate("activation", "the same number in this model")},
    }
    values = {"demo/frames": {"lateral": {"free": "optimised"}}}
    old = frames.assign(effort=frames["activation"])

    def told(new, **maps):
        return differences("demo/frames", TABLES["demo/frames"], old, new, **maps)

    new = old.rename(columns={"force_n": "tendon_force_n"}).drop(columns="effort")
    new = new.assign(lateral=new["lateral"].replace("free", "optimised"))
    maps = {"columns": columns, "values": values}
    assert not told(new, **maps)
    wrong = new.assign(tendon_force_n=new["tendon_force_n"] * 1.001)
    assert told(wrong, **maps)
    assert told(new, columns=columns, values={})
    (stale,) = told(new.assign(force_n=1.0), **maps)
    assert "is said to be renamed, but is there" in stale
    (lost,) = told(new.drop(columns="tendon_force_n"), **maps)
    assert "'tendon_force_n' (stored as 'force_n') is missing" in lost


def test_a_duplicate_must_be_one(frames):
    old = frames.assign(effort=frames["activation"])

    def told(new, columns):
        spec = TABLES["demo/frames"]
        return differences("demo/frames", spec, old, new, columns=columns, values={})

    gone = old.drop(columns="force_n")
    no = {"demo/frames": {"force_n": Duplicate("activation", "surely the same")}}
    assert "demo/frames: column 'force_n' is no duplicate of 'activation'" in told(gone, no)
    both = {
        "demo/frames": {
            "effort": Duplicate("activation", "the same"),
            "activation": Duplicate("effort", "the same"),
        }
    }
    new = old.drop(columns=["effort", "activation"])
    assert any("is not kept" in line for line in told(new, both))
    mute = {"demo/frames": {"effort": Duplicate("activation", " ")}}
    (found,) = told(frames, mute)
    assert "without a reason" in found


def test_mappings_name_what_is_stored():
    for maps in (COLUMNS, VALUES):
        assert set(maps) <= {"*", *TABLES}
        for name, mapped in maps.items():
            tables = [stored(n) for n in (TABLES if name == "*" else [name])]
            for column in mapped:
                assert any(column in table for table in tables), (name, column)


def test_stored_numbers_are_exact(tmp_path):
    table = pd.DataFrame({"a": [1 / 3, np.nan, -0.0, 5e-324, np.inf], "b": list("vwxyz")})
    (tmp_path / "t.parquet").write_bytes(packed(table))
    back = pd.read_parquet(tmp_path / "t.parquet")
    assert (back["a"].to_numpy().view("int64") == table["a"].to_numpy().view("int64")).all()
    assert path_of("demo/heads").exists()

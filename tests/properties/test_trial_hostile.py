"""Damaged and hostile files: a correct recording or one fault that names the file; nothing else.

Not a traceback of another kind, not a hang, not half of the data. A file is damaged here in its
header, its parameters or its data, cut at any length, or made of random bytes.
"""

import io
import struct
import time

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pyarrow import parquet

from momentshare.errors import InputError
from momentshare.trial.formats.c3d_header import walk
from momentshare.trial.formats.layout import LayoutEntry
from momentshare.trial.formats.read import read_recording

FRAMES, RATIO = 20, 5
LONGEST = 5.0
"""Seconds for a damaged file; a sound one takes a hundredth (common practice, no source)."""

quick = settings(
    max_examples=150,
    derandomize=True,
    database=None,
    deadline=None,
    suppress_health_check=list(HealthCheck),
)

C3D = LayoutEntry(
    name="lab",
    up="+z",
    right="+x",
    force_on="hand",
    markers={"ij": "IJ", "right_el": "EL"},
    forces={"right_hand_force": ["FX", "FY", "FZ"]},
)
TABLE = {
    "name": "lab",
    "up": "+z",
    "right": "+x",
    "time_column": "t",
    "units": {"markers": "mm"},
    "markers": {"ij": "IJ"},
}
CSV = LayoutEntry.model_validate({**TABLE, "delimiter": ","})
PARQUET = LayoutEntry.model_validate(TABLE)
LAYOUTS = {".c3d": C3D, ".csv": CSV, ".parquet": PARQUET}


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("hostile")


@pytest.fixture(scope="module")
def sound_c3d(folder):
    library = pytest.importorskip("ezc3d")
    rng = np.random.default_rng(3)
    file = library.c3d()
    file["parameters"]["POINT"]["RATE"]["value"] = [100.0]
    file["parameters"]["POINT"]["LABELS"]["value"] = ["IJ", "EL"]
    file["parameters"]["POINT"]["UNITS"]["value"] = ["mm"]
    file["parameters"]["ANALOG"]["RATE"]["value"] = [100.0 * RATIO]
    file["parameters"]["ANALOG"]["LABELS"]["value"] = ["FX", "FY", "FZ"]
    file["parameters"]["ANALOG"]["UNITS"]["value"] = ["N", "N", "N"]
    file["parameters"]["ANALOG"]["SCALE"]["value"] = np.ones(3)
    file["data"]["points"] = rng.uniform(100.0, 900.0, (3, 2, FRAMES))
    file["data"]["analogs"] = rng.uniform(100.0, 300.0, (1, 3, FRAMES * RATIO))
    file.write(str(folder / "sound.c3d"))
    return (folder / "sound.c3d").read_bytes()


@pytest.fixture(scope="module")
def table():
    rng = np.random.default_rng(3)
    columns = {f"IJ_{a}": rng.uniform(100.0, 900.0, FRAMES) for a in "xyz"}
    return {"t": np.arange(FRAMES) / 100.0, **columns}


@pytest.fixture(scope="module")
def sound_csv(table):
    rows = [
        ",".join(table),
        *(",".join(map(repr, map(float, r))) for r in zip(*table.values(), strict=True)),
    ]
    return "\n".join(rows).encode()


@pytest.fixture(scope="module")
def sound_parquet(table):
    target = io.BytesIO()
    parquet.write_table(pa.table(table), target)
    return target.getvalue()


def attempt(folder, ending, raw):
    """Recording, or the fault's text; anything else fails the test."""
    place = folder / f"trial{ending}"
    place.write_bytes(raw)
    began = time.monotonic()
    try:
        answer = read_recording(place, LAYOUTS[ending])
    except InputError as err:
        answer = str(err)
        assert str(place) in answer
        assert "\x1b" not in answer
        assert len(answer) < 6000
    assert time.monotonic() - began < LONGEST
    return answer


def whole(answer):
    """A recording that was not refused is complete and in SI."""
    for role, channel in answer.channels.items():
        count = FRAMES * RATIO if "force" in role else FRAMES
        assert channel.values.shape == (count, 3), role
        assert 10.0 <= channel.rate <= 100_000.0
        assert not np.isinf(channel.values).any()


def flipped(raw, changes):
    out = bytearray(raw)
    for place, value in changes:
        out[place % len(out)] = value
    return bytes(out)


def bytes_changed(low, high, most=6):
    return st.lists(
        st.tuples(st.integers(low, high), st.integers(0, 255)), min_size=1, max_size=most
    )


# C3D


def test_a_sound_file_of_each_kind_is_read(folder, sound_c3d, sound_csv, sound_parquet):
    for ending, raw in ((".c3d", sound_c3d), (".csv", sound_csv), (".parquet", sound_parquet)):
        answer = attempt(folder, ending, raw)
        assert not isinstance(answer, str), answer
        whole(answer)


@quick
@given(data=st.data())
def test_c3d_cut_at_any_length_is_refused(folder, sound_c3d, data):
    used = len(sound_c3d.rstrip(b"\0"))
    length = data.draw(st.integers(1, used - 1))
    answer = attempt(folder, ".c3d", sound_c3d[:length])
    # The last float may end in zeros that padding would restore; anything shorter is caught.
    assert isinstance(answer, str)


@quick
@given(changes=bytes_changed(0, 2500))
def test_walk_through_a_damaged_c3d_ends(sound_c3d, changes):
    try:
        accounts = walk(flipped(sound_c3d, changes))
    except InputError:
        return
    size = 16 * accounts.points + 4 * accounts.channels * accounts.samples_per_frame
    assert accounts.frames * max(size, 1) <= 4 * len(sound_c3d)


@quick
@given(changes=bytes_changed(512, 2000, most=2))
def test_c3d_with_damaged_parameters(folder, sound_c3d, changes):
    answer = attempt(folder, ".c3d", flipped(sound_c3d, changes))
    if not isinstance(answer, str):
        whole(answer)


@quick
@given(changes=bytes_changed(2, 24, most=2))
def test_c3d_with_a_damaged_header(folder, sound_c3d, changes):
    answer = attempt(folder, ".c3d", flipped(sound_c3d, changes))
    if not isinstance(answer, str):
        whole(answer)


@quick
@given(changes=bytes_changed(2048, 4000, most=30))
def test_c3d_with_damaged_data(folder, sound_c3d, changes):
    answer = attempt(folder, ".c3d", flipped(sound_c3d, changes))
    if not isinstance(answer, str):
        whole(answer)


@pytest.mark.parametrize("count", [0, 3, 255, 32_767, 65_535])
@pytest.mark.parametrize("word", range(1, 10))
def test_c3d_with_another_count_in_its_header(folder, sound_c3d, word, count):
    """Refused, or read as it was because another account and the length of the file agree."""
    raw = bytearray(sound_c3d)
    sound = attempt(folder, ".c3d", sound_c3d)
    struct.pack_into("<H", raw, 2 * word, count)
    answer = attempt(folder, ".c3d", bytes(raw))
    if isinstance(answer, str):
        assert "damaged" in answer
        return
    for role, channel in sound.channels.items():
        np.testing.assert_array_equal(answer.channels[role].values, channel.values)
    if word in {1, 2} or (word == 8 and count):
        assert any("its length agrees with" in note for note in answer.notes)


def test_c3d_without_offsets_is_read_without(folder, sound_c3d):
    whole(attempt(folder, ".c3d", sound_c3d.replace(b"OFFSET", b"OFFSEX")))


def test_c3d_with_a_terminal_code_for_a_label(folder, sound_c3d):
    place = sound_c3d.index(b"IJEL")
    raw = sound_c3d[:place] + b"\x1b[EL" + sound_c3d[place + 4 :]
    assert "there is no marker 'IJ'" in attempt(folder, ".c3d", raw)


def test_c3d_with_a_marker_in_metres_said_to_be_millimetres(folder, sound_c3d):
    raw = sound_c3d.replace(b"\x02mm", b"\x02m ")
    assert raw != sound_c3d
    assert "is the unit right?" in attempt(folder, ".c3d", raw)


# Tables


@quick
@given(data=st.data())
def test_csv_cut_at_any_length(folder, sound_csv, data):
    length = data.draw(st.integers(1, len(sound_csv) - 1))
    answer = attempt(folder, ".csv", sound_csv[:length])
    if isinstance(answer, str):
        return
    # Whole rows were lost, or the end of the last number; a text cannot tell.
    rows = sound_csv[:length].strip().count(b"\n")
    assert answer.channels["ij"].values.shape == (rows, 3)


@quick
@given(changes=bytes_changed(0, 3000, most=4))
def test_csv_with_damaged_bytes(folder, sound_csv, changes):
    answer = attempt(folder, ".csv", flipped(sound_csv, changes))
    if not isinstance(answer, str):
        assert answer.channels["ij"].values.shape[1] == 3
        assert not np.isinf(answer.channels["ij"].values).any()


@quick
@given(data=st.data())
def test_parquet_cut_or_damaged(folder, sound_parquet, data):
    if data.draw(st.booleans()):
        raw = sound_parquet[: data.draw(st.integers(1, len(sound_parquet) - 1))]
        assert isinstance(attempt(folder, ".parquet", raw), str)
        return
    answer = attempt(
        folder, ".parquet", flipped(sound_parquet, data.draw(bytes_changed(0, len(sound_parquet))))
    )
    if not isinstance(answer, str):
        assert answer.channels["ij"].values.shape == (FRAMES, 3)


@quick
@given(raw=st.binary(max_size=3000), ending=st.sampled_from(sorted(LAYOUTS)))
def test_random_bytes(folder, raw, ending):
    assert isinstance(attempt(folder, ending, raw), str)


@quick
@given(body=st.binary(max_size=1500), block=st.integers(0, 4))
def test_random_bytes_behind_the_sign_of_a_c3d(folder, body, block):
    head = bytes([block, 0x50]) + body
    assert isinstance(attempt(folder, ".c3d", head), str)


@quick
@given(text=st.text(st.sampled_from('t,IJ_xyz0123456789.-e+"\n\r; naif\t')))
def test_csv_of_random_text(folder, text):
    attempt(folder, ".csv", b"t,IJ_x,IJ_y,IJ_z\n" + text.encode())


def test_a_small_parquet_that_promises_many_rows(folder):
    """At eight bytes a cell these are 272 MB, and four times as many took 4.1 GB."""
    columns = {n: np.zeros(8_500_000, dtype=np.int8) for n in ("t", "IJ_x", "IJ_y", "IJ_z")}
    target = io.BytesIO()
    parquet.write_table(pa.table(columns), target)
    raw = target.getvalue()
    assert len(raw) < 1_000_000
    assert "more than are read" in attempt(folder, ".parquet", raw)


def test_parquet_with_the_same_name_twice(folder, table):
    columns = [pa.array(c) for c in table.values()]
    names = ["t", "IJ_x", "IJ_x", "IJ_z"]
    target = io.BytesIO()
    parquet.write_table(pa.Table.from_arrays(columns, names=names), target)
    answer = attempt(folder, ".parquet", target.getvalue())
    assert "2 columns are called 'IJ_x'" in answer


def test_csv_with_very_many_columns_and_a_very_long_row(folder):
    raw = b",".join(b"c%d" % n for n in range(20_000)) + b"\n" + b"1," * 19_999 + b"1\n"
    assert "there is no column 't'" in attempt(folder, ".csv", raw)
    raw = b"t,IJ_x,IJ_y,IJ_z\n0,1,2," + b"9" * 2_000_000 + b"\n1,2,3,4\n"
    assert isinstance(attempt(folder, ".csv", raw), str)


@pytest.mark.parametrize("cell", ["1e200", "-1e308", "1e-320", "9" * 400])
@pytest.mark.parametrize("place", range(4))
def test_csv_with_absurd_numbers(folder, cell, place):
    rows = [[f"{n / 100:g}", "1", "2", str(n)] for n in range(20)]
    rows[-1][place] = cell
    raw = "\n".join(",".join(row) for row in [["t", "IJ_x", "IJ_y", "IJ_z"], *rows])
    answer = attempt(folder, ".csv", raw.encode())
    assert isinstance(answer, str) == (place == 0 or cell != "1e-320")


def test_csv_rows_without_any_number(folder):
    raw = b"t,IJ_x,IJ_y,IJ_z\n0,,,\n0.01,nan,NaN,\n"
    assert "none of the signals has a sample" in attempt(folder, ".csv", raw)

"""Odd C3D files, each with exactly known numbers, read the same by independent readers.

Every file is written byte by byte (tests/c3d_writer.py) after the public description of the format
(from memory). Sources of the comparison, run here, not remembered: the general-purpose libraries
``ezc3d`` and ``c3d`` with reading code of their own. Where one of them cannot read a file, or is
known to read it otherwise, the table says so and why.
"""

import warnings
from dataclasses import dataclass, field

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.c3d_writer import BIG, LITTLE, VAX, File, record, text_values

from momentshare.errors import InputError
from momentshare.trial.formats.c3d_data import C3d
from momentshare.trial.formats.c3d_plates import plate_count, plate_force


def by_ezc3d(path):
    """Points and channels as one library has them."""
    library = pytest.importorskip("ezc3d")
    found = library.c3d(str(path))
    points = np.moveaxis(np.asarray(found["data"]["points"][:3]), 0, -1).swapaxes(0, 1)
    points = points.astype(float)
    points[np.asarray(found["data"]["meta_points"]["residuals"])[0].T < 0.0] = np.nan
    return points, np.asarray(found["data"]["analogs"])[0].T


def by_c3d(path):
    """Points and channels as the other library has them."""
    library = pytest.importorskip("c3d")
    with path.open("rb") as file, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        points, analogs = [], []
        for _, places, samples in library.Reader(file).read_frames():
            points.append(np.where(places[:, 3:4] < 0.0, np.nan, places[:, :3]))
            analogs.append(samples.T)
    return np.array(points), np.concatenate(analogs)


READERS = {"ezc3d": by_ezc3d, "c3d": by_c3d}


@dataclass
class Case:
    """A file, what the reader notes about it, and which libraries do not read it or otherwise."""

    file: File
    note: str = ""
    not_by: dict = field(default_factory=dict)


UNSIGNED = "takes unsigned numbers for signed ones"
NEGATIVE = "loses the sign of a negative offset"
BIG_ENDIAN = "refuses big-endian files"
FILLER = [record("NOTES", -9), record("FILLER", 9, File().packed(-1, (250,), b"x" * 250))]

CASES = {
    "whole numbers": Case(File()),
    "real numbers": Case(File(real=True)),
    "later first frame": Case(File(first=31)),
    "offsets and scales": Case(File(offsets=(100, 2000, 30), general=0.5)),
    "real numbers with offsets and scales": Case(
        File(real=True, offsets=(100, 2000, 30), general=0.5)
    ),
    "negative offset": Case(File(offsets=(0, -2000, 0)), not_by={"ezc3d": NEGATIVE}),
    "unsigned, small": Case(File(unsigned=True, offsets=(2048, 1024, 0), largest=4095)),
    "unsigned": Case(File(unsigned=True, offsets=(2048, 1024, 0)), not_by={"ezc3d": UNSIGNED}),
    "unsigned, offsets above half": Case(
        File(unsigned=True, offsets=(32768, 40000, 65535)), not_by={"ezc3d": UNSIGNED}
    ),
    "unsigned, real numbers, offsets above half": Case(
        File(unsigned=True, real=True, offsets=(32768, 40000, 65535)), not_by={"ezc3d": UNSIGNED}
    ),
    "VAX, whole numbers": Case(File(processor=VAX, offsets=(5, 6, 7))),
    "VAX, real numbers": Case(File(processor=VAX, real=True)),
    "VAX, unsigned": Case(
        File(processor=VAX, unsigned=True, offsets=(40000, 0, 0)), not_by={"ezc3d": UNSIGNED}
    ),
    "big-endian, whole numbers": Case(
        File(processor=BIG, offsets=(5, -6, 7)), not_by={"ezc3d": BIG_ENDIAN}
    ),
    "big-endian, real numbers": Case(File(processor=BIG, real=True), not_by={"ezc3d": BIG_ENDIAN}),
    "big-endian, unsigned": Case(
        File(processor=BIG, unsigned=True, offsets=(40000, 0, 0)), not_by={"ezc3d": BIG_ENDIAN}
    ),
    "no points": Case(File(points=0)),
    "no points, real numbers": Case(File(points=0, real=True)),
    "no parameters of points but their scale": Case(
        File(
            points=0,
            leave_out=tuple(
                f"POINT:{n}" for n in ("USED", "RATE", "DATA_START", "FRAMES", "LABELS", "UNITS")
            ),
        ),
    ),
    "no channels": Case(File(channels=0, ratio=1)),
    "padding before the data": Case(File(padding=2)),
    "data within the room stated for parameters": Case(
        File(blocks_stated=3), note="begin within the room stated"
    ),
    "parameters longer than stated": Case(
        File(blocks_stated=1, more=FILLER), note="more room than the file states"
    ),
    "doubled parameter of the exporter": Case(
        File(
            more=[
                record("PROCESSING", -9),
                record("SUBJECT", 9, File().packed(4, (), [70.0])),
                record("SUBJECT", 9, File().packed(4, (), [71.0])),
            ]
        ),
        note="duplicated parameters; the first counts: PROCESSING:SUBJECT",
        not_by={"c3d": "refuses a parameter that stands twice"},
    ),
    "parameter of a group without a name": Case(
        File(more=[record("ODD", 7, File().packed(4, (), [1.0]))]),
        note="groups without a name: 7",
    ),
    "parameter that the next one cuts off": Case(
        File(
            more=[
                record("NOTES", -9),
                record("LONG", 9, File().packed(-1, (90,), b"x" * 20), offset=26),
                record("SHORT", 9, File().packed(2, (), [5])),
            ]
        ),
        note="cut off by the next one: NOTES:LONG",
        not_by={"ezc3d": "reads on and loses the way", "c3d": "reads on and loses the way"},
    ),
    "chain that ends with its last record": Case(
        File(
            more=[record("NOTES", -9), record("LAST", 9, File().packed(2, (), [5]), offset=0)],
            end=b"",
        )
    ),
    "no label for some": Case(
        File(leave_out=("POINT:LABELS",)), note="2 of 2 columns have no label"
    ),
    "too many frames in the header": Case(
        File(change={"header:4": 7}, ratio=64),
        note="number of frames: 7 and 6 are stated in the file; its length agrees with 6",
    ),
    "too few frames in the parameters": Case(
        File(change={"POINT:FRAMES": 5}, ratio=64),
        note="number of frames: 6 and 5 are stated in the file; its length agrees with 6",
        not_by={"ezc3d": "counts by the parameters"},
    ),
    "a short frame too many in the header": Case(
        File(change={"header:4": 7}),
        note="number of frames: 7 and 6 are stated in the file; its length agrees with 6",
        not_by={"c3d": "counts by the header"},
    ),
    "a short frame too few in the parameters": Case(
        File(change={"POINT:FRAMES": 5}),
        note="number of frames: 6 and 5 are stated in the file; its length agrees with 6",
        not_by={"ezc3d": "counts by the parameters"},
    ),
    "too few samples of a frame in the header": Case(
        File(change={"header:9": 3}),
        note="analogue samples per frame: 9 and 12 are stated in the file; "
        "its length agrees with 12",
        not_by={"c3d": "wants the counts to agree"},
    ),
    "no first block in the parameters": Case(File(leave_out=("POINT:DATA_START",))),
    "another first block in the parameters": Case(
        File(change={"POINT:DATA_START": 9}), note="first block of data"
    ),
    "no number of channels in the parameters": Case(
        File(change={"ANALOG:USED": 0}, frames=30),
        note="analogue samples per frame: 0 and 12 are stated in the file; "
        "its length agrees with 12",
        not_by={"ezc3d": "counts by the parameters", "c3d": "counts by the parameters"},
    ),
    "channels in the parameters alone": Case(
        File(change={"header:2": 0}, frames=30),
        note="analogue samples per frame: 12 and 0 are stated in the file; "
        "its length agrees with 12",
        not_by={"c3d": "wants the counts to agree"},
    ),
    "more frames than sixteen bits count": Case(
        File(
            frames=66_000,
            points=1,
            channels=1,
            ratio=1,
            tail=1,  # ezc3d would take the rest of the last block for frames
            change={"header:4": 65535, "POINT:FRAMES": 65535},
            more=[
                record("TRIAL", -9),
                record("ACTUAL_START_FIELD", 9, File().packed(2, (2,), [1, 0])),
                record("ACTUAL_END_FIELD", 9, File().packed(2, (2,), [464, 1])),
            ],
        ),
    ),
    "more frames, as a number of 32 bits": Case(
        File(
            frames=66_000,
            points=1,
            channels=1,
            ratio=1,
            tail=1,  # ezc3d would take the rest of the last block for frames
            change={"header:4": 65535, "POINT:FRAMES": 65535},
            more=[record("LONG_FRAMES", 1, File().packed(4, (), [66_000.0]))],
        ),
    ),
    "not filled up to a block": Case(File(tail=1)),
    "no rate in the header": Case(
        File(change={"header:10": 0, "header:11": 0}), not_by={"c3d": "wants the rates to agree"}
    ),
    "no rate in the parameters": Case(File(leave_out=("POINT:RATE",))),
}


@pytest.fixture(params=CASES)
def case(request):
    return CASES[request.param]


def test_every_number_comes_back(case):
    found = C3d.read(case.file.written())
    points = np.stack([found.point(n) for n in range(case.file.points)] or [np.empty(0)], axis=1)
    if case.file.points:
        np.testing.assert_array_equal(points, case.file.places())
    for channel in range(case.file.channels):
        np.testing.assert_array_equal(found.analog(channel), case.file.signals()[:, channel])
    assert (found.rate, found.analog_rate) == (50.0, 50.0 * found.accounts.samples_per_frame)
    assert found.start == (case.file.first - 1) / 50.0
    if case.note:
        assert any(case.note in note for note in found.notes), found.notes
    else:
        assert found.notes == ()


@pytest.mark.parametrize("reader", READERS)
def test_an_independent_reader_agrees(case, reader, tmp_path):
    (tmp_path / "a.c3d").write_bytes(case.file.written())
    pytest.importorskip(reader)

    def agree():
        points, signals = READERS[reader](tmp_path / "a.c3d")
        if case.file.points:
            np.testing.assert_array_equal(points, case.file.places())
        if case.file.channels:
            np.testing.assert_allclose(signals, case.file.signals(), rtol=1e-6)

    if reader not in case.not_by:
        agree()
        return
    with pytest.raises(Exception):  # noqa: B017 - whatever it is: it does not read the file
        agree()


def test_most_oddities_are_read_by_another_reader_too():
    alone = [name for name, case in CASES.items() if set(case.not_by) == set(READERS)]
    assert len(alone) == 2, alone


random_files = st.builds(
    File,
    processor=st.sampled_from([LITTLE, VAX, BIG]),
    real=st.booleans(),
    frames=st.integers(1, 9),
    points=st.integers(0, 5),
    channels=st.integers(1, 8),
    ratio=st.integers(1, 7),
    first=st.integers(1, 900),
    unsigned=st.booleans(),
    scale=st.sampled_from([0.0625, 0.5, 1.0]),
    rate=st.sampled_from([25.0, 50.0, 120.0, 1000.0]),
    offsets=st.tuples(*[st.integers(0, 65535)] * 8),
    general=st.sampled_from([0.25, 1.0, 2.0]),
    padding=st.integers(0, 3),
    tail=st.sampled_from([1, 4, 512]),
    seed=st.integers(0, 10_000),
)


@settings(max_examples=120, derandomize=True, database=None, deadline=None)
@given(file=random_files)
def test_any_sound_file_comes_back(file, tmp_path_factory):
    raw = file.written()
    found = C3d.read(raw)
    for channel in range(file.channels):
        np.testing.assert_array_equal(found.analog(channel), file.signals()[:, channel])
    for point in range(file.points):
        np.testing.assert_array_equal(found.point(point), file.places()[:, point])
    place = tmp_path_factory.getbasetemp() / "any.c3d"
    place.write_bytes(raw)
    points, signals = by_c3d(place)
    np.testing.assert_allclose(signals, file.signals(), rtol=1e-6, atol=1e-9)
    np.testing.assert_array_equal(points, file.places())


# Platforms

CORNERS = np.array([[320.0, 240, 4], [-300, 250, 1], [-310, -260, 0], [310, -250, 2]])
RNG = np.random.default_rng(8)
PLATES = {
    1: {"type": 1, "corners": CORNERS, "channels": [1, 2, 3, 4, 5, 6]},
    2: {"type": 2, "corners": CORNERS[::-1], "channels": [2, 1, 3, 6, 5, 4]},
    3: {"type": 3, "corners": CORNERS, "channels": [1, 2, 3, 4, 5, 6, 7, 8]},
    4: {
        "type": 4,
        "corners": CORNERS,
        "channels": [1, 2, 3, 4, 5, 6],
        "matrix": RNG.integers(-8, 9, (6, 6)) / 4.0,
    },
}


def plated(*kinds, **options):
    plates = tuple(PLATES[kind] for kind in kinds)
    width = max(len(p["channels"]) for p in plates)
    plates = tuple({**p, "channels": [*p["channels"], *[0] * width][:width]} for p in plates)
    if any("matrix" in p for p in plates):
        plates = tuple({"matrix": np.zeros((6, 6)), **p} for p in plates)
    return File(channels=8, plates=plates, **options)


def by_definition(kind, signals, corners):
    """Force along the laboratory's axes, written out."""
    c = [signals[:, n - 1] for n in PLATES[kind]["channels"]]
    if kind == 3:
        force = np.stack([c[0] + c[1], c[2] + c[3], c[4] + c[5] + c[6] + c[7]], axis=-1)
    elif kind == 4:
        force = (PLATES[4]["matrix"] @ np.array(c))[:3].T
    else:
        force = np.stack(c[:3], axis=-1)
    x = (corners[0] - corners[1]) / np.linalg.norm(corners[0] - corners[1])
    z = np.cross(x, corners[0] - corners[3])
    z /= np.linalg.norm(z)
    return force[:, :1] * x + force[:, 1:2] * np.cross(z, x) + force[:, 2:] * z


@pytest.mark.parametrize("kinds", [(1,), (2,), (3,), (4,), (2, 2), (1, 3), (4, 4), (2, 4)])
def test_platforms_give_the_force_of_their_definition(kinds, tmp_path):
    library = pytest.importorskip("ezc3d")
    file = plated(*kinds, real=True)
    (tmp_path / "a.c3d").write_bytes(file.written())
    found = C3d.read(file.written())
    others = library.c3d(str(tmp_path / "a.c3d"), extract_forceplat_data=True)["data"]["platform"]
    assert plate_count(found) == len(others) == len(kinds)
    for number, kind in enumerate(kinds, start=1):
        force, fault = plate_force(found, number, found.analog)
        assert not fault
        wanted = by_definition(kind, file.signals(), np.array(file.plates[number - 1]["corners"]))
        np.testing.assert_allclose(force, wanted, rtol=1e-6, atol=1e-3)
        np.testing.assert_allclose(others[number - 1]["force"].T, wanted, rtol=1e-5, atol=1e-2)


def test_a_platform_with_axes_of_its_own(tmp_path):
    file = plated(2, real=True)
    found = C3d.read(file.written())
    axes = np.array([[0.0, 1, 0], [1, 0, 0], [0, 0, -1]])
    force, fault = plate_force(found, 1, found.analog, axes)
    signals = file.signals()
    assert not fault
    np.testing.assert_array_equal(
        force, np.stack([signals[:, 0], signals[:, 1], -signals[:, 2]], 1)
    )


@pytest.mark.parametrize(
    ("change", "fault"),
    [
        ({"FORCE_PLATFORM:TYPE": 5}, "is of type 5; types 1 to 4 are read"),
        ({"FORCE_PLATFORM:TYPE": 0}, "is of type 0"),
    ],
)
def test_platforms_that_are_not_read(change, fault):
    found = C3d.read(plated(2, change=change).written())
    assert fault in plate_force(found, 1, found.analog)[1]


@pytest.mark.parametrize(
    ("name", "fault"),
    [
        ("CORNERS", "its corners are not stated"),
        ("CHANNEL", "its channels are not stated"),
        ("TYPE", "its type is not stated"),
    ],
)
def test_platforms_that_state_too_little(name, fault):
    found = C3d.read(plated(2, leave_out=(f"FORCE_PLATFORM:{name}",)).written())
    assert fault in plate_force(found, 1, found.analog)[1]


# Damage

DAMAGE = {
    "points of the header and the parameters": (
        File(change={"POINT:USED": 3}),
        "number of points: 2 and 3 are stated in the file, and its length does not decide",
    ),
    "samples of a frame, in a file that fits neither": (
        File(change={"header:9": 3, "header:4": 9}),
        "analogue samples per frame: 9 and 12 are stated in the file",
    ),
    "a rate that fits nothing": (
        File(change={"POINT:RATE": 60.0, "ANALOG:RATE": 100.0}),
        "its rates do not fit",
    ),
    "a parameter of the data that stands twice": (
        File(more=[record("SCALE", 1, File().packed(4, (), [0.5]))]),
        "POINT:SCALE is duplicated with different values",
    ),
    "text in place of numbers": (
        File(leave_out=("ANALOG:SCALE",), more=[record("SCALE", 2, text_values(["abc"])[2])]),
        "damaged",
    ),
    "too few offsets": (
        File(leave_out=("ANALOG:OFFSET",), more=[record("OFFSET", 2, File().packed(2, (1,), [0]))]),
        "OFFSET has 1 values for 3 channels",
    ),
    "an unknown processor": (File(processor=80), "processor type 80"),
    "a chain that never ends": (File(end=b"\x01\0A\0\0"), "chain of parameters breaks"),
}


@pytest.mark.parametrize("name", DAMAGE)
def test_what_is_damaged_is_refused(name):
    file, fault = DAMAGE[name]
    with pytest.raises(InputError, match=fault):
        C3d.read(file.written()).analog(0)

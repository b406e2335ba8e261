"""C3D files written by another program than the one whose library reads them here.

Source: the general-purpose Python package ``c3d`` (BSD/MIT licence, its own reading and writing
of the public C3D format; run here, not remembered). That the same numbers come back shows that
the reader, and the walk through the header before it, are not tuned to one writer. The integer
file below is put together by hand after the public description of the format (from memory).
"""

import struct

import numpy as np
import pytest

from momentshare.trial.formats.layout import LayoutEntry
from momentshare.trial.formats.read import read_recording

pytest.importorskip("ezc3d")

FRAMES, RATIO = 60, 10


def layout(**changes):
    given = {
        "name": "lab",
        "up": "+z",
        "right": "+y",
        "force_on": "hand",
        "markers": {"ij": "IJ", "right_el": "R.ELB"},
        "forces": {"right_hand_force": ["FX", "FY", "FZ"]},
        "units": {"forces": "N"},
    }
    return LayoutEntry.model_validate({**given, **changes})


def write(path, *, unit="mm  ", first=1, gaps=()):
    other = pytest.importorskip("c3d")
    rng = np.random.default_rng(11)
    points = rng.uniform(100.0, 900.0, (FRAMES, 3, 3)).astype(np.float32)
    analogs = rng.uniform(50.0, 300.0, (FRAMES, 4, RATIO)).astype(np.float32)
    writer = other.Writer(point_rate=120.0, analog_rate=1200.0, point_units=unit)
    writer.set_point_labels(["IJ", "R.ELB", "BAR"])
    writer.set_analog_labels(["FX", "FY", "FZ", "EMG"])
    writer.set_analog_scales([1.0] * 4)
    writer.set_analog_offsets([0] * 4)
    writer.set_start_frame(first)
    for frame in range(FRAMES):
        rows = np.zeros((3, 5), dtype=np.float32)
        rows[:, :3] = points[frame]
        if frame in gaps:
            rows[0] = [0.0, 0.0, 0.0, -1.0, -1.0]
        writer.add_frames((rows, analogs[frame]))
    with path.open("wb") as file:
        writer.write(file)
    return points.astype(float), np.concatenate(list(analogs.astype(float)), axis=1)


@pytest.mark.filterwarnings("ignore::DeprecationWarning:c3d")
def test_markers_and_forces_come_back(tmp_path):
    points, analogs = write(tmp_path / "a.c3d", first=31, gaps=(5, 6))
    got = read_recording(tmp_path / "a.c3d", layout())
    # z up and y to the right: x of the world is y × z taken from the laboratory, which is −x.
    lab = points[:, 1] / 1000.0
    world = np.stack([-lab[:, 0], lab[:, 2], lab[:, 1]], axis=-1)
    elbow = got.channels["right_el"]
    assert elbow.values == pytest.approx(world, rel=1e-6)
    assert elbow.rate == pytest.approx(120.0)
    assert elbow.start == pytest.approx(30 / 120.0)
    lost = np.isnan(got.channels["ij"].values).all(axis=1)
    assert np.flatnonzero(lost).tolist() == [5, 6]
    force = got.channels["right_hand_force"]
    assert force.rate == pytest.approx(1200.0)
    expected = np.stack([-analogs[0], analogs[2], analogs[1]], axis=-1)
    assert force.values == pytest.approx(expected, rel=1e-6)


@pytest.mark.filterwarnings("ignore::DeprecationWarning:c3d")
def test_its_unit_counts(tmp_path):
    write(tmp_path / "a.c3d", unit="cm  ")
    one = read_recording(tmp_path / "a.c3d", layout()).channels["ij"].values
    write(tmp_path / "b.c3d", unit="mm  ")
    two = read_recording(tmp_path / "b.c3d", layout()).channels["ij"].values
    assert one == pytest.approx(10.0 * two)


def parameter(group, name, kind, shape, data):
    """One record of the chain of parameters."""
    body = struct.pack("bB", kind, len(shape)) + bytes(shape) + data + b"\0"
    head = struct.pack("bb", len(name), group) + name.encode()
    return head + struct.pack("<h", len(body) + 2) + body


def by_hand(processor):
    """Two markers over four frames as 16-bit integers in steps of 0.1 mm, no analogue data."""
    places = np.arange(24).reshape(4, 2, 3) * 100 + 1000
    places[:, 1] += 3000
    places[2, 0] = 0
    groups = struct.pack("bb", 5, -1) + b"POINT" + struct.pack("<h", 3) + b"\0"
    groups += struct.pack("bb", 6, -2) + b"ANALOG" + struct.pack("<h", 3) + b"\0"

    def whole(number):
        return struct.pack("<h", number)

    def real(number):
        if processor == 85:  # floats of a VAX: another exponent, and the halves exchanged
            four = struct.pack("<f", 4.0 * number)
            return four[2:] + four[:2]
        return struct.pack("<f", number)

    chain = groups
    for group, name, kind, shape, data in (
        (1, "USED", 2, (), whole(2)),
        (1, "FRAMES", 2, (), whole(4)),
        (1, "DATA_START", 2, (), whole(3)),
        (1, "SCALE", 4, (), real(0.1)),
        (1, "RATE", 4, (), real(50.0)),
        (1, "LABELS", -1, (5, 2), b"IJ   R.ELB"),
        (1, "UNITS", -1, (2,), b"mm"),
        (2, "USED", 2, (), whole(0)),
        (2, "RATE", 4, (), real(0.0)),
        (2, "GEN_SCALE", 4, (), real(1.0)),
    ):
        chain += parameter(group, name, kind, shape, data)
    section = (bytes([1, 0x50, 1, processor]) + chain).ljust(512, b"\0")
    head = bytes([2, 0x50]) + struct.pack("<5H", 2, 0, 1, 4, 10)
    head += real(0.1) + struct.pack("<HH", 3, 0) + real(50.0)
    data = b""
    for frame in range(4):
        for point in range(2):
            lost = frame == 2 and point == 0
            data += struct.pack("<3h", *places[frame, point])
            data += struct.pack("<h", -1 if lost else 1)
    return head.ljust(512, b"\0") + section + data.ljust(512, b"\0"), places / 10.0


@pytest.mark.parametrize("processor", [84, 85])
def test_integer_files(tmp_path, processor):
    raw, places = by_hand(processor)
    (tmp_path / "a.c3d").write_bytes(raw)
    got = read_recording(tmp_path / "a.c3d", layout(forces={}))
    lab = places[:, 1] / 1000.0
    world = np.stack([-lab[:, 0], lab[:, 2], lab[:, 1]], axis=-1)
    assert got.channels["right_el"].values == pytest.approx(world, rel=1e-5)
    assert got.channels["right_el"].rate == 50.0
    lost = np.isnan(got.channels["ij"].values).all(axis=1)
    assert np.flatnonzero(lost).tolist() == [2]

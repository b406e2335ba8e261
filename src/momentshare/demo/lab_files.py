"""Files as a laboratory exports them: C3D and tables, in their own axes and units."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.files.writer import parquet_bytes

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from momentshare.trial.recording import Recording


__all__ = ["FORCES", "LABELS", "write_c3d", "write_table"]

_MILLIMETRES = 1000.0

_TO_LAB = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]])
"""World axes (x, y up, z right) to the laboratory's: x, y to the left, z up."""

LABELS = {
    "ij": "IJ",
    "c7": "C7",
    "px": "PX",
    "t8": "T8",
    "right_gh": "R GH",
    "right_el": "R EL",
    "right_em": "R EM",
    "right_rs": "R RS",
    "right_us": "R US",
    "right_grip": "R GRIP",
    "left_gh": "L GH",
    "left_el": "L EL",
    "left_em": "L EM",
    "left_rs": "L RS",
    "left_us": "L US",
    "left_grip": "L GRIP",
    "bar_right": "BAR R",
    "bar_left": "BAR L",
}

FORCES = {"right_hand_force": "FR", "left_hand_force": "FL"}


def write_c3d(recording: Recording, path: Path) -> None:
    """Write a recording as a laboratory's C3D: millimetres, newtons, millivolts.

    Axes: x to the feet, y to the left, z up. Forces are those of the hand *on* the bar.
    """
    from ezc3d import c3d

    file: Any = c3d()
    points = {r: c for r, c in recording.channels.items() if c.unit == "m"}
    analogs = _analog_columns(recording)
    point_rate = next((c.rate for c in points.values()), 100.0)
    frames = min((len(c.values) for c in points.values()), default=0)
    analog_rate = next((rate for _, _, rate, _ in analogs), point_rate)
    per_frame = round(analog_rate / point_rate)
    longest = min((len(v) for _, v, _, _ in analogs), default=0) // max(per_frame, 1)
    frames = min(frames, longest) if points and analogs else max(frames, longest)
    data = np.full((4, len(points), frames), 1.0)
    for index, channel in enumerate(points.values()):
        data[:3, index] = (_MILLIMETRES * channel.values[:frames] @ _TO_LAB.T).T
    file["parameters"]["POINT"]["RATE"]["value"] = [point_rate]
    file["parameters"]["POINT"]["UNITS"]["value"] = ["mm"]
    file["parameters"]["POINT"]["LABELS"]["value"] = [LABELS[r] for r in points]
    file["data"]["points"] = data
    file["parameters"]["ANALOG"]["RATE"]["value"] = [analog_rate]
    file["parameters"]["ANALOG"]["LABELS"]["value"] = [name for name, *_ in analogs]
    file["parameters"]["ANALOG"]["UNITS"]["value"] = [unit for *_, unit in analogs]
    values = np.stack([v[: frames * per_frame] for _, v, _, _ in analogs])
    file["data"]["analogs"] = values[None]
    file.write(str(path))


def _analog_columns(recording: Recording) -> list[tuple[str, NDArray[np.float64], float, str]]:
    """Label, values, rate and unit of every analog channel, in laboratory axes and units."""
    found = []
    for role, channel in recording.channels.items():
        if role in FORCES:
            on_bar = -(channel.values @ _TO_LAB.T)
            found += [
                (f"{FORCES[role]}{axis}", on_bar[:, k], channel.rate, "N")
                for k, axis in enumerate("xyz")
            ]
        elif role.startswith("emg/"):
            found.append((channel.label, 1000.0 * channel.values, channel.rate, "mV"))
    return found


def write_table(recording: Recording, path: Path) -> None:
    """Write landmarks and forces as one table, at the rate of the landmarks, with its time.

    Electromyograms go into a second table beside it, named ``…_emg``, at their own rate.
    """
    import pandas as pd

    points = {r: c for r, c in recording.channels.items() if c.unit == "m"}
    rate = next(iter(points.values())).rate
    count = min(len(c.values) for c in points.values())
    columns: dict[str, NDArray[np.float64]] = {"time_s": np.arange(count) / rate}
    for role, channel in points.items():
        lab = _MILLIMETRES * np.asarray(channel.values)[:count] @ _TO_LAB.T
        columns |= {f"{LABELS[role]}_{a}": lab[:, k] for k, a in enumerate("xyz")}
    for name, values, own_rate, unit in _analog_columns(recording):
        if unit == "N":
            time = np.arange(len(values)) / own_rate
            columns[name] = np.interp(columns["time_s"], time, values)
    _save(pd.DataFrame(columns), path)
    emg = [column for column in _analog_columns(recording) if column[3] == "mV"]
    if emg:
        count = min(len(values) for _, values, _, _ in emg)
        fast = {"time_s": np.arange(count) / emg[0][2]}
        fast |= {name: values[:count] for name, values, _, _ in emg}
        _save(pd.DataFrame(fast), path.with_name(f"{path.stem}_emg{path.suffix}"))


def _save(table: Any, path: Path) -> None:
    if path.suffix == ".parquet":
        path.write_bytes(parquet_bytes(table))
    else:
        table.to_csv(path, index=False, float_format="%.6g", lineterminator="\n")

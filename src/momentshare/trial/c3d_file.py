"""Read a C3D file: first its own accounts, then its data in a process that may die.

The library that reads C3D trusts the counts in the file; a damaged one can end the program or
keep it busy for ever. So the layout of the file is walked first (:mod:`c3d_header`), and the
library then runs in a process of its own with a limit of time and memory.
"""

from __future__ import annotations

import json
import math
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from importlib import import_module, util
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.errors import InputError, MissingExtraError, ProcessError
from momentshare.processes import child_command, child_environment
from momentshare.trial.c3d_header import AGAIN, Accounts, walk

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from momentshare.trial.layout import Raw, Wanted

# The layout module is imported inside functions: the process that only reads must start quickly.

__all__ = ["read_c3d"]

SECONDS_TO_START = 60.0
"""Time the reader may take to find its libraries; 0.2 s on an idle core (common practice, no
source)."""

SECONDS = 10.0
"""Time a C3D file may take before it counts as damaged, besides a second for each
:data:`BYTES_PER_SECOND`; reading takes 0.3 s on an idle core (common practice, no source)."""

BYTES_PER_SECOND = 5e6
"""Reading speed that even a busy machine reaches; an idle one reads 30 MB each second."""

MEMORY = (4 << 30, 40)
"""Bytes the reader may take: so many, and so many for each byte of the file (it takes 13)."""


_STARTED = "started"
"""Name of the file by which the reader says that it has its libraries."""


def read_c3d(raw: bytes, wanted: Sequence[Wanted]) -> tuple[list[Raw], list[str], list[str]]:
    """Read what a layout asks for.

    Parameters
    ----------
    raw : bytes
        The whole file.
    wanted : sequence of Wanted

    Returns
    -------
    signals : list of Raw
        In the file's units and the laboratory's axes.
    faults, notes : list of str
        What cannot be used, and what had to be decided.

    Raises
    ------
    InputError
        When the file is damaged; the message does not name it.
    MissingExtraError
        When the library for C3D is not installed.
    ProcessError
        When the process that reads cannot start.
    """
    if util.find_spec("ezc3d") is None:
        raise MissingExtraError("ezc3d", "trial", "reading C3D files")
    accounts = walk(raw)
    content = _content(raw, accounts, plates=any(w.plate for w in wanted))
    signals: list[Raw] = []
    faults: list[str] = []
    notes = list(accounts.notes)
    for want in wanted:
        found, fault, note = content.find(want)
        faults += fault
        notes += note
        if found is not None:
            signals.append(found)
    return signals, faults, notes


@dataclass(frozen=True, slots=True, kw_only=True)
class _Content:
    """What the library read: labels, units, rates and data."""

    about: dict[str, Any]
    arrays: dict[str, NDArray[np.float64]]
    start: float

    def find(self, want: Wanted) -> tuple[Raw | None, list[str], list[str]]:
        """Return one signal, faults and notes."""
        from momentshare.trial.layout import Raw

        if want.plate:
            values, units, faults = self._platform(want)
        else:
            kind = "points" if want.kind == "markers" else "analogs"
            values, units, faults = self._labelled(want, kind)
        if faults:
            return None, faults, []
        unit, faults, notes = _unit(want, units)
        if faults:
            return None, faults, []
        rate = self.about["point_rate" if want.kind == "markers" else "analog_rate"]
        signal = Raw(wanted=want, values=values, rate=rate, start=self.start, unit=unit)
        return signal, [], notes

    def _labelled(
        self, want: Wanted, kind: str
    ) -> tuple[NDArray[np.float64], list[str], list[str]]:
        from momentshare.trial.layout import suggestion

        labels, units = self.about[f"{kind[:-1]}_labels"], self.about[f"{kind[:-1]}_units"]
        data = self.arrays[kind]
        what = "marker" if kind == "points" else "analogue channel"
        columns, used, faults = [], [], []
        for label in want.labels:
            count = labels.count(label) if label else 0
            if not label:
                columns.append(np.full(data.shape[-1], np.nan))
            elif count == 1:
                place = labels.index(label)
                columns.append(data[..., place, :])
                used.append(units[place])
            elif count:
                faults.append(
                    f"{want.role}: {count} {what}s are called {label!r}; rename them in the file"
                )
            else:
                near = suggestion(label, labels, f"{what}s")
                faults.append(f"{want.role}: there is no {what} {label!r}; {near}")
        if faults:
            return np.empty(0), [], faults
        if kind == "points":
            return np.array(columns[0].T), used, []
        values = columns[0] if len(columns) == 1 else np.stack(columns, axis=-1)
        return np.array(values), used, []

    def _platform(self, want: Wanted) -> tuple[NDArray[np.float64], list[str], list[str]]:
        count = self.about["plates"]
        if want.plate > count:
            held = f"it holds {count}" if count else "it holds none"
            return np.empty(0), [], [f"{want.role}: there is no platform {want.plate}; {held}"]
        units = self.about["plate_units"][want.plate - 1]
        return np.array(self.arrays[f"plate{want.plate}"].T), units, []


def _unit(want: Wanted, given: Sequence[str]) -> tuple[str, list[str], list[str]]:
    """Return the unit of a signal: the file's, or the layout's where the file has none."""
    from momentshare.trial.layout import unit_factor

    stated = sorted({unit for unit in given if unit})
    factors = {unit_factor(want.kind, unit) for unit in stated}
    if not stated and want.unit:
        note = f"{want.name}: the file states no unit; {want.unit} is taken from the layout"
        return want.unit, [], [note]
    if not stated:
        fault = f"the file states no unit; add units.{want.kind} to the layout"
    elif None in factors:
        fault = f"the file's unit {', '.join(map(repr, stated))} is not known for {want.kind}"
    elif len(factors) > 1:
        fault = f"its components have different units: {', '.join(stated)}"
    elif want.unit and unit_factor(want.kind, want.unit) not in factors:
        fault = (
            f"the file says {stated[0]}, the layout {want.unit}; take units.{want.kind} out of "
            "the layout if the file is right"
        )
    else:
        return stated[0], [], []
    return "", [f"{want.name}: {fault}"], []


def _content(raw: bytes, accounts: Accounts, *, plates: bool) -> _Content:
    """Read the data in a process of its own."""
    with tempfile.TemporaryDirectory(prefix="momentshare-") as folder:
        source, target = Path(folder) / "trial.c3d", Path(folder) / "trial.npz"
        source.write_bytes(raw)
        code, said = _run(
            child_command(
                "momentshare.trial.c3d_file:serve", str(source), str(target), str(int(plates))
            ),
            folder,
            SECONDS + len(raw) / BYTES_PER_SECOND,
        )
        if code < 0:
            raise InputError(f"the reader broke off ({_signal(code)}); {AGAIN}")
        if code or not target.exists():
            raise InputError(f"could not be read ({said!r}); {AGAIN}")
        with np.load(target, allow_pickle=False) as file:
            arrays = {name: file[name] for name in file.files}
    about = json.loads(arrays.pop("about").tobytes())
    if "error" in about:
        raise InputError(f"could not be read ({about['error']!r}); {AGAIN}")
    _check(about, arrays, accounts)
    start = max(accounts.first - 1, 0) / about["point_rate"]
    return _Content(about=about, arrays=arrays, start=start)


def _run(command: list[str], folder: str, limit: float) -> tuple[int, str]:
    """Exit code of the reader and the last line it wrote, once it has started.

    What happens after its libraries were there is due to the file; what happens before is not.
    """
    started, told = Path(folder) / _STARTED, Path(folder) / "told.txt"
    try:
        with told.open("wb") as errors:
            reader = subprocess.Popen(  # noqa: S603 - our own interpreter and our own words
                command,
                cwd=folder,
                env=child_environment(folder),
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=errors,
            )
    except OSError as err:
        raise ProcessError(f"the reader of C3D files cannot start ({err.strerror})") from err
    with reader:
        try:
            patience = time.monotonic() + SECONDS_TO_START
            while not started.exists() and time.monotonic() < patience:
                if reader.poll() is not None:
                    break
                time.sleep(0.005)
            if started.exists():
                reader.wait(limit)
        except subprocess.TimeoutExpired as err:
            raise InputError(f"could not be read within {limit:.0f} s; {AGAIN}") from err
        finally:
            reader.kill()
    lines = told.read_text(encoding="utf-8", errors="replace").strip().splitlines()
    said = lines[-1][:300] if lines else ""
    if not started.exists():
        raise ProcessError(
            f"the reader of C3D files did not start (exit code {reader.returncode}, {said!r}); no "
            "file is at fault: install momentshare again with its extra 'trial', or run with fewer "
            "--workers if the machine is busy"
        )
    return reader.returncode, said


def _signal(code: int) -> str:
    import signal

    try:
        return signal.Signals(-code).name
    except ValueError:
        return f"signal {-code}"


def _check(
    about: dict[str, Any], arrays: dict[str, NDArray[np.float64]], accounts: Accounts
) -> None:
    """Raise when the library saw other data than the header promises."""
    samples = accounts.frames * accounts.samples_per_frame
    rates = [about["point_rate"]]
    if accounts.channels:
        rates.append(about["analog_rate"])
    if not all(math.isfinite(rate) and rate > 0.0 for rate in rates):
        raise InputError(f"states a sample rate of {rates} Hz; {AGAIN}")
    fitting = (
        arrays["points"].shape == (3, accounts.points, accounts.frames)
        and (not accounts.channels or arrays["analogs"].shape == (accounts.channels, samples))
        and all(arrays[f"plate{n}"].shape == (3, samples) for n in range(1, about["plates"] + 1))
        and len(about["point_labels"]) == accounts.points
        and len(about["analog_labels"]) == accounts.channels
    )
    if accounts.channels:
        ratio = about["analog_rate"] / about["point_rate"]
        fitting = fitting and math.isclose(ratio, accounts.samples_per_frame, rel_tol=1e-3)
    if not fitting:
        raise InputError(
            "its labels, rates and data do not fit its header "
            f"({accounts.points} points, {accounts.channels} channels, {accounts.frames} frames); "
            f"{AGAIN}"
        )


def serve() -> None:
    """Read one file and write what it holds; runs in a process of its own.

    Arguments on the command line: the C3D file, the file to write, and 1 when the forces of
    platforms are wanted.
    """
    source, target, plates = sys.argv[1:4]
    library = import_module("ezc3d")
    Path(source).with_name(_STARTED).touch()
    _limit_memory(Path(source).stat().st_size)
    arrays: dict[str, Any] = {}
    try:
        about, arrays = _read(library, source, plates=plates == "1")
    except (Exception, MemoryError) as err:  # noqa: BLE001 - whatever it is, the file is at fault
        about = {"error": (str(err) or type(err).__name__)[:200]}
    text = np.frombuffer(json.dumps(about).encode("ascii"), dtype=np.uint8)
    np.savez(target, allow_pickle=False, about=text, **arrays)


def _limit_memory(size: int) -> None:
    if util.find_spec("resource") is None:
        return
    import resource

    most = MEMORY[0] + MEMORY[1] * size
    hard = resource.getrlimit(resource.RLIMIT_AS)[1]
    if hard == resource.RLIM_INFINITY or hard > most:
        resource.setrlimit(resource.RLIMIT_AS, (most, hard))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def _read(library: Any, source: str, *, plates: bool) -> tuple[dict[str, Any], dict[str, Any]]:
    file = library.c3d(source, extract_forceplat_data=plates)
    parameters, data = file["parameters"], file["data"]

    def value(group: str, name: str) -> Any:
        return parameters[group][name]["value"] if name in parameters.get(group, {}) else []

    def texts(group: str, name: str) -> list[str]:
        found = [str(t) for t in value(group, name)]
        number = 2
        while name + str(number) in parameters.get(group, {}):
            found += [str(t) for t in value(group, name + str(number))]
            number += 1
        return [_text(t) for t in found]

    def first(group: str, name: str) -> float:
        numbers = np.ravel(np.asarray(value(group, name), dtype=float))
        return float(numbers[0]) if numbers.size else 0.0

    points = np.array(data["points"][:3], dtype=float)
    residual = np.asarray(data["meta_points"]["residuals"])[0]
    missing = (residual < 0.0) | ~np.isfinite(points).all(axis=0) | (points == 0.0).all(axis=0)
    points[:, missing] = np.nan
    analogs = np.asarray(data["analogs"])[0]
    arrays = {"points": points, "analogs": analogs}
    point_labels = texts("POINT", "LABELS")[: points.shape[1]]
    analog_labels = texts("ANALOG", "LABELS")[: analogs.shape[0]]
    analog_units = _filled(texts("ANALOG", "UNITS"), len(analog_labels))
    about: dict[str, Any] = {
        "point_labels": point_labels,
        "point_units": _filled(texts("POINT", "UNITS")[:1] * len(point_labels), len(point_labels)),
        "point_rate": first("POINT", "RATE"),
        "analog_labels": analog_labels,
        "analog_units": analog_units,
        "analog_rate": first("ANALOG", "RATE"),
        "plates": 0,
        "plate_units": [],
    }
    if plates:
        about["plates"] = len(data["platform"])
        channels = np.asarray(value("FORCE_PLATFORM", "CHANNEL"), dtype=int)
        kinds = [int(k) for k in value("FORCE_PLATFORM", "TYPE")]
        for index, plate in enumerate(data["platform"]):
            arrays[f"plate{index + 1}"] = np.asarray(plate["force"])
            # A calibrated platform (type 4 on) turns volts into forces by its own matrix.
            of_force = {1: 3, 2: 3, 3: 8}.get(kinds[index], 0)
            about["plate_units"].append([analog_units[c - 1] for c in channels[:of_force, index]])
    return about, arrays


def _text(text: str) -> str:
    """Old files write umlauts in one byte each; the library passes such bytes on as they are."""
    try:
        text.encode()
    except UnicodeEncodeError:
        text = text.encode("utf-8", "surrogateescape").decode("latin-1")
    return text.strip()


def _filled(units: list[str], count: int) -> list[str]:
    return [*units, *[""] * count][:count]

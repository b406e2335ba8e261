"""What is kept of each trial in the folder of a cohort: a record and tables.

``trials/0001`` holds ``trial.json`` and the tables of a trial. They form one part of the run
folder, so they are there completely or not at all.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from momentshare.files.manifest import path_digest
from momentshare.files.writer import json_text, parquet_bytes, stored_table
from momentshare.inputs import RECORD, read_text

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    import pandas as pd

    from momentshare.files import RunFolder

__all__ = [
    "file_digest",
    "read_lateral",
    "read_table",
    "stored_record",
    "trial_files",
    "trial_folder",
    "trial_name",
]

_RECORD = "trial.json"

file_digest = path_digest


def trial_name(number: int) -> str:
    """Name of a trial among the parts of a run, and of its folder."""
    return f"trials/{number:04d}"


def trial_folder(folder: Path, number: int) -> Path:
    """Path of a trial, absolute."""
    return folder.absolute() / trial_name(number)


def read_table(folder: Path, number: int, name: str) -> pd.DataFrame:
    """Read a table of one trial; empty where the trial has none of it."""
    import pandas as pd

    place = trial_folder(folder, number) / f"{name}.parquet"
    if not place.exists():
        return pd.DataFrame()
    with place.open("rb") as file:  # see stored_table
        return pd.read_parquet(file)


def read_lateral(folder: Path, number: int) -> list[str]:
    """Treatments of the lateral force that a trial was solved with, in their order."""
    place = trial_folder(folder, number) / "heads.parquet"
    if not place.exists():
        return []
    return list(dict.fromkeys(map(str, stored_table(place, ["lateral"])["lateral"].to_pylist())))


def trial_files(
    number: int, record: Mapping[str, Any], tables: Mapping[str, pd.DataFrame]
) -> dict[str, bytes]:
    """Bytes of the files of a trial by name; tables without rows are left out."""
    front = trial_name(number)
    files = {
        f"{front}/{name}.parquet": parquet_bytes(table)
        for name, table in tables.items()
        if not table.empty
    }
    whole = {**record, "tables": [name for name, table in tables.items() if not table.empty]}
    files[f"{front}/{_RECORD}"] = json_text(whole, allow_nan=True).encode()
    return files


def record_in(number: int, files: Mapping[str, bytes]) -> dict[str, Any]:
    """Record of a trial from the bytes of its files."""
    return json.loads(files[f"{trial_name(number)}/{_RECORD}"])  # type: ignore[no-any-return]


def stored_record(run: RunFolder, number: int, tag: str) -> dict[str, Any] | None:
    """Record of a trial that was kept completely under this tag; None if it has to be solved.

    A trial that could not be used is tried again.
    """
    if not run.has(trial_name(number), tag):
        return None
    record = json.loads(read_text(trial_folder(run.path, number) / _RECORD, RECORD))
    return None if record.get("fault") else record

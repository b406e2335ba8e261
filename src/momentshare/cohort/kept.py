"""What is kept of each trial in the folder of a cohort, and what may be removed there.

``trials/0001`` holds ``trial.json`` and the tables of a trial, nothing else. A folder that holds
anything else is not ours: it is never emptied, and stands in the way of a run.
"""

from __future__ import annotations

import hashlib
import json
import shutil
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

from momentshare.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    import pandas as pd

__all__ = [
    "file_digest",
    "keep",
    "kept_record",
    "read_table",
    "refuse_foreign",
    "remove_others",
    "trial_folder",
]

PARTIAL = ".trial-"

_RECORD = "trial.json"
_BLOCK = 1 << 20
_LARGEST_RECORD = 16 * _BLOCK
_VERDICTS = {"", "pass", "warn", "fail", "not possible"}


def trial_folder(folder: Path, number: int) -> Path:
    """Where a trial is kept."""
    return folder / "trials" / f"{number:04d}"


def read_table(folder: Path, number: int, name: str) -> pd.DataFrame:
    """Read a table of one trial; empty where the trial has none of it."""
    import pandas as pd

    place = trial_folder(folder, number) / f"{name}.parquet"
    return pd.read_parquet(place) if place.exists() else pd.DataFrame()


def file_digest(path: Path) -> str:
    """Digest of a file's bytes; what stands in its way otherwise."""
    digest = hashlib.sha256()
    try:
        if not path.is_file():
            return "no plain file"
        with path.open("rb") as file:
            while block := file.read(_BLOCK):
                digest.update(block)
    except OSError as err:
        return str(err.strerror)
    return digest.hexdigest()


def keep(
    folder: Path, number: int, record: Mapping[str, Any], tables: Mapping[str, pd.DataFrame]
) -> dict[str, Any]:
    """Put a trial into its folder, whole or not at all; return the record as kept.

    Raises
    ------
    InputError
        The disk does not take it.
    """
    target = trial_folder(folder, number)
    try:
        partial = _written(target, record, tables)
    except OSError as err:
        raise InputError(
            f"{target}: cannot be written ({err.strerror or err}); make room, or choose another "
            "folder"
        ) from err
    try:
        _remove(target)
        partial.replace(target)
    finally:
        shutil.rmtree(partial, ignore_errors=True)
    return json.loads((target / _RECORD).read_text("utf-8"))  # type: ignore[no-any-return]


def _written(target: Path, record: Mapping[str, Any], tables: Mapping[str, pd.DataFrame]) -> Path:
    """Write into a folder beside the target."""
    partial = Path(tempfile.mkdtemp(prefix=PARTIAL, dir=target.parent))
    try:
        digests = {}
        for name, table in tables.items():
            if table.empty:
                continue
            table.to_parquet(partial / f"{name}.parquet", index=False)
            digests[name] = file_digest(partial / f"{name}.parquet")
        whole = {**record, "tables": digests}
        text = json.dumps(whole, indent=2, ensure_ascii=False, default=float)
        (partial / _RECORD).write_text(text + "\n", encoding="utf-8")
    except BaseException:
        shutil.rmtree(partial, ignore_errors=True)
        raise
    return partial


def kept_record(folder: Path, number: int, tag: str) -> dict[str, Any] | None:
    """Record of a trial that was kept whole under this tag; None where it has to be solved."""
    place = trial_folder(folder, number)
    try:
        path = place / _RECORD
        if not path.is_file() or path.stat().st_size > _LARGEST_RECORD:
            return None
        record = json.loads(path.read_text("utf-8"))
        sound = (
            record["tag"] == tag
            and record.get("fault", "") == ""
            and record["verdict"] in _VERDICTS
            and all(
                file_digest(place / f"{name}.parquet") == digest
                for name, digest in record["tables"].items()
            )
        )
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return None
    return record if sound else None


def refuse_foreign(folder: Path, numbers: Iterable[int]) -> None:
    """Refuse a folder in which something that is not ours stands where trials go.

    Raises
    ------
    InputError
        Naming what is in the way.
    """
    for number in numbers:
        place = trial_folder(folder, number)
        if (place.exists() or place.is_symlink()) and not _is_ours(place):
            raise InputError(
                f"{place}: is not a trial that momentshare kept, and stands in the way; move it, "
                "or choose another folder for --out"
            )


def remove_others(folder: Path, numbers: set[int]) -> None:
    """Remove trials that the study no longer has, and what a killed run left half done."""
    for found in (folder / "trials").iterdir():
        stale = found.name.isdigit() and int(found.name) not in numbers
        if (stale or found.name.startswith(PARTIAL)) and _is_ours(found):
            _remove(found)


def _is_ours(place: Path) -> bool:
    """Whether a folder holds nothing but a record and tables."""
    if place.is_symlink() or not place.is_dir():
        return False
    return all(
        item.is_file() and not item.is_symlink() and _is_name(item.name) for item in place.iterdir()
    )


def _is_name(name: str) -> bool:
    from momentshare.cohort.solve import TABLES

    return name == _RECORD or name.removesuffix(".parquet") in TABLES


def _remove(place: Path) -> None:
    if place.exists() and _is_ours(place):
        shutil.rmtree(place)

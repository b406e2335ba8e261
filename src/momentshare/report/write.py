"""Write the results of a study into a folder, all or nothing."""

from __future__ import annotations

import json
import os
import shutil
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from momentshare import reading
from momentshare.errors import InputError
from momentshare.report.record import run_record

if TYPE_CHECKING:
    from collections.abc import Callable

    from momentshare.study import StudyResult

__all__ = ["prepare_folder", "write_results"]

_DIGITS = "%.7g"
_RECORD = "run.json"


def prepare_folder(folder: Path) -> None:
    """Refuse early a folder that cannot be written to."""
    if not str(folder).strip() or str(folder) == ".":
        raise InputError("the folder for the results has no name; give one")
    parent = folder
    while not os.path.lexists(parent):
        parent = parent.parent
    if not parent.is_dir():
        raise InputError(f"{folder}: {parent} is not a folder; choose another place")
    if not os.access(parent, os.W_OK):
        raise InputError(f"{folder}: {parent} cannot be written to; choose another folder")


def write_results(
    study: StudyResult,
    folder: Path,
    *,
    figures: bool = True,
    progress: Callable[[str], None] | None = None,
) -> list[str]:
    """Write tables, figures and the record of a run.

    Everything is written beside the folder first and moved in at the end, so that an
    interrupted run leaves earlier results as they were.

    Returns
    -------
    list of str
        Names of the files written.
    """
    prepare_folder(folder)
    folder.parent.mkdir(parents=True, exist_ok=True)
    partial = Path(tempfile.mkdtemp(prefix=f".{folder.name}-", dir=folder.parent))
    try:
        _write_all(study, partial, figures=figures, progress=progress)
        names = sorted(str(p.relative_to(partial)) for p in partial.rglob("*") if p.is_file())
        stale = _earlier_files(folder) - set(names)
        for name in names:
            target = folder / name
            target.parent.mkdir(parents=True, exist_ok=True)
            if target.is_dir():
                raise InputError(f"{target}: is a folder where a result should go; move it away")
        # The record goes last, so that it never speaks of files that are not there yet.
        for name in sorted(names, key=lambda n: n == _RECORD):
            os.replace(partial / name, folder / name)  # noqa: PTH105 - replaces on every platform
        for name in stale:
            (folder / name).unlink(missing_ok=True)
    finally:
        shutil.rmtree(partial, ignore_errors=True)
    return names


def _earlier_files(folder: Path) -> set[str]:
    """Files that an earlier run wrote here, by its own record."""
    try:
        record = json.loads((folder / _RECORD).read_text("utf-8"))
        names = {str(name) for name in record["files"]}
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return set()
    inside = folder.resolve()
    return {n for n in names if (folder / n).resolve().is_relative_to(inside)}


def _write_all(
    study: StudyResult,
    folder: Path,
    *,
    figures: bool,
    progress: Callable[[str], None] | None,
) -> None:
    def say(what: str) -> None:
        if progress is not None:
            progress(what)

    say("tables")
    tables = {
        "heads.csv": reading.head_table,
        "heads_by_person.csv": reading.head_table_by_person,
        "moments.csv": reading.moment_table,
        "loads.csv": reading.load_table,
        "conditions.csv": reading.condition_table,
        "certificates.csv": reading.certificate_table,
        "postures.csv": reading.posture_table,
        "ratios.csv": reading.ratio_table,
        "ordering.csv": reading.ordering_table,
        "glenoid.csv": reading.glenoid_table,
    }
    if study.study.file.settings.glenoid_constraint:
        tables["glenoid_heads.csv"] = reading.glenoid_head_table
    for name, make in tables.items():
        make(study).to_csv(folder / name, index=False, float_format=_DIGITS, lineterminator="\n")
    reading.frame_table(study).to_parquet(folder / "frames.parquet", index=False)
    if figures:
        from momentshare.report.figures import write_figures

        say("figures")
        (folder / "figures").mkdir()
        write_figures(study, folder / "figures")
    files = [str(p.relative_to(folder)) for p in folder.rglob("*") if p.is_file()]
    record = run_record(study, [*files, _RECORD])
    text = json.dumps(record, indent=2, ensure_ascii=False, allow_nan=False)
    (folder / _RECORD).write_text(text + "\n", encoding="utf-8")

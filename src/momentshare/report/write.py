"""Write the results of a study into a folder, all or nothing."""

from __future__ import annotations

import json
import os
import shutil
import tempfile
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from momentshare import reading
from momentshare.errors import InputError
from momentshare.inputs import require_text
from momentshare.report.citations import citations, run_keys
from momentshare.report.record import run_record
from momentshare.text import write_csv

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    import pandas as pd
    from matplotlib.figure import Figure

    from momentshare.study import StudyResult

__all__ = ["prepare_folder", "staged", "write_report", "write_results"]

_DIGITS = "%.7g"
_RECORD = "run.json"
_SOURCES = "sources.bib"


def prepare_folder(folder: Path) -> None:
    """Refuse early a folder that cannot be written to."""
    if not str(folder).strip() or str(folder) == ".":
        raise InputError("the folder for the results has no name; give one")
    require_text(folder)
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
    with staged(folder, _RECORD) as (partial, names):
        _write_all(study, partial, figures=figures, progress=progress)
    return names


def write_report(
    folder: Path,
    record_name: str,
    *,
    tables: Mapping[str, pd.DataFrame],
    record: Mapping[str, object],
    texts: Mapping[str, str],
    figures: Mapping[str, Callable[[], Figure]],
    shown: Sequence[str] = (),
) -> list[str]:
    """Write tables, texts, a record and figures into a folder, all or nothing.

    Parameters
    ----------
    folder : Path
    record_name : str
        File name of the record.
    tables : mapping
        File name → table.
    record : mapping
        Contents of the record, ready for JSON.
    texts : mapping
        File name → text.
    figures : mapping
        Name without ending → function that makes the figure.
    shown : sequence of str
        Texts that the figures show, for the choice of fonts.

    Returns
    -------
    list of str
        Names of the files written.
    """
    import matplotlib as mpl

    from momentshare.report import style

    with staged(folder, record_name) as (partial, names):
        for name, table in tables.items():
            write_csv(table, partial / name, _DIGITS)
        for name, text in texts.items():
            (partial / name).write_text(text, encoding="utf-8")
        written = json.dumps(record, indent=2, ensure_ascii=False, allow_nan=False)
        (partial / record_name).write_text(written + "\n", encoding="utf-8")
        look: Any = style.settings(shown)
        with mpl.rc_context(look), style.quiet():
            for name, make in figures.items():
                figure = make()
                figure.savefig(partial / f"{name}.png", dpi=130, metadata={"Software": None})
                figure.savefig(partial / f"{name}.svg", metadata={"Date": None})
    return names


@contextmanager
def staged(folder: Path, record: str) -> Iterator[tuple[Path, list[str]]]:
    """Hand out a folder beside ``folder`` and move what lies in it over at the end.

    The list handed out beside it holds the names of the files once they have moved. The
    record goes last, so that it never speaks of files that are not there yet; files that an
    earlier record of the same name lists and that are not written anew are removed.
    """
    prepare_folder(folder)
    folder.parent.mkdir(parents=True, exist_ok=True)
    partial = Path(tempfile.mkdtemp(prefix=f".{folder.name}-", dir=folder.parent))
    names: list[str] = []
    try:
        yield partial, names
        names += sorted(str(p.relative_to(partial)) for p in partial.rglob("*") if p.is_file())
        stale = _earlier_files(folder, record) - set(names)
        for name in names:
            target = folder / name
            target.parent.mkdir(parents=True, exist_ok=True)
            if target.is_dir():
                raise InputError(f"{target}: is a folder where a result should go; move it away")
        for name in sorted(names, key=lambda n: n == record):
            os.replace(partial / name, folder / name)  # noqa: PTH105 - replaces on every platform
        for name in stale:
            (folder / name).unlink(missing_ok=True)
    finally:
        shutil.rmtree(partial, ignore_errors=True)


def _earlier_files(folder: Path, record: str) -> set[str]:
    """Files that an earlier run wrote here, by its own record."""
    try:
        found = json.loads((folder / record).read_text("utf-8"))
        names = {str(name) for name in found["files"]}
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
        write_csv(make(study), folder / name, _DIGITS)
    reading.frame_table(study).to_parquet(folder / "frames.parquet", index=False)
    if figures:
        from momentshare.report.figures import write_figures

        say("figures")
        (folder / "figures").mkdir()
        write_figures(study, folder / "figures")
    files = [str(p.relative_to(folder)) for p in folder.rglob("*") if p.is_file()]
    cited = citations(study.model, run_keys(study.model, study.study.file.settings.curves))
    (folder / _SOURCES).write_text(cited.bibtex(), encoding="utf-8")
    record = run_record(study, [*files, _SOURCES, _RECORD])
    text = json.dumps(record, indent=2, ensure_ascii=False, allow_nan=False)
    (folder / _RECORD).write_text(text + "\n", encoding="utf-8")

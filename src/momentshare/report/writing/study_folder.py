"""The folder of a study's results: what is in it, and how much room it takes.

A command holds it before it imports what fills it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from momentshare.runs.block import FRAMES

if TYPE_CHECKING:
    from momentshare.cohort.schema import CohortStudy
    from momentshare.model import Model
    from momentshare.study import Study

__all__ = ["COMPARE", "RESULTS", "TABLES", "folder_options", "is_long", "study_identity"]

COMPARE = "compare"
"""Command whose folders hold the results of a study."""

RECORD = "run.json"
SOURCES = "sources.bib"

FRAME_TABLE = "frames.parquet"
"""Every head in every frame."""

TABLES = {
    "heads.csv": "head_table",
    "heads_by_person.csv": "head_table_by_person",
    "moments.csv": "moment_table",
    "loads.csv": "load_table",
    "conditions.csv": "condition_table",
    "certificates.csv": "certificate_table",
    "postures.csv": "posture_table",
    "ratios.csv": "ratio_table",
    "ordering.csv": "ordering_table",
    "glenoid.csv": "glenoid_table",
}
"""File → the function of :mod:`momentshare.reading` that makes it."""

VERDICTS = "verdicts.csv"
"""Orders of two conditions, with verdicts."""

REPORT = "report.html"
"""The main page."""

RESULTS = (*TABLES, VERDICTS, FRAME_TABLE, REPORT, SOURCES, RECORD)
"""Files that every study yields."""


def study_identity(study: Study | CohortStudy, model: Model | None = None) -> dict[str, Any]:
    """Identify a study, or part of one, for the manifest of its folder."""
    found = {
        "title": study.title,
        "digest": study.digest,
        "people": [p.name for p in study.file.person],
        "conditions": [c.name for c in study.file.condition],
        "model": study.file.model,
    }
    return found if model is None else found | {"model_digest": model.digest}


_ROW_BYTES = 160
"""Bytes of all results over the rows of ``frames.parquet`` (the demo: 24 MB and 151,164 rows)."""

_FIGURES = 5_000_000
"""Bytes that a small study writes (one person in two conditions: 4.4 MB)."""


_SHELF_BYTES = (230, 110)
"""Bytes of all that is solved, a frame and head: once, and for each treatment of the lateral force
(two treatments within the glenoid's limit: 380)."""


def is_long(study: Study) -> bool:
    """Whether what is solved of a study is better laid aside than held in memory."""
    return _frames(study) > FRAMES


def _frames(study: Study) -> int:
    return len(study.file.person) * len(study.file.condition) * study.file.settings.frames


def folder_options(study: Study, model: Model) -> dict[str, Any]:
    """Arguments for the folder of a study's results; see :func:`momentshare.files.run_folder`."""
    rows, ways = _frames(study) * len(model.heads), len(study.file.settings.lateral)
    once, each = _SHELF_BYTES if is_long(study) else (0, 0)
    return {
        "study": study_identity(study, model),
        "names": RESULTS,
        "room": (once + (each + _ROW_BYTES) * ways) * rows + _FIGURES,
    }

"""The report of a command that answers one question: strength, maximal lift, explanation."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from momentshare.model import load_model
from momentshare.report.page.document import Block, Page, Paragraph, Section, Table
from momentshare.report.page.parts import (
    captioned,
    limits_section,
    report_page,
    settings_section,
)
from momentshare.report.text.settings import muscles_text, person_rows, setting_rows
from momentshare.validation.table import told_rows

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    import pandas as pd

    from momentshare.cohort.schema import CohortStudy
    from momentshare.model.sources import Reference
    from momentshare.report.text.opening import Opening
    from momentshare.study import Study

__all__ = ["PUBLISHED", "Answer", "answer_page"]

PUBLISHED = "published_rows.csv"
"""Published rows that bear on an answer; they come at the end."""

_MOST = 40
"""Rows of a table on the page; all are in its file."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What a report holds besides the tables and figures of its command.

    Attributes
    ----------
    study : Study or CohortStudy
    title : str
        What was asked.
    opening : Opening
    figures : mapping
        Name of a figure → its caption; the first goes with the opening.
    tables : mapping
        File of a table → its caption; others are left to their files.
    leading : sequence of Table
        Tables that open the findings.
    texts : sequence of str
        Paragraphs of the findings.
    options : mapping
        Options given on the command line.
    shown : mapping
        File of a table → what the page shows of it.
    """

    study: Study | CohortStudy
    title: str
    opening: Opening
    figures: Mapping[str, str]
    tables: Mapping[str, str]
    leading: Sequence[Table] = ()
    texts: Sequence[str] = ()
    options: Mapping[str, str] = field(default_factory=dict)
    shown: Mapping[str, pd.DataFrame] = field(default_factory=dict)


def answer_page(
    answer: Answer, tables: Mapping[str, pd.DataFrame], pictures: Mapping[str, bytes]
) -> Page:
    """Assemble the page.

    Parameters
    ----------
    answer : Answer
    tables : mapping
        File → table.
    pictures : mapping
        Name of a figure → bytes of its PNG.
    """
    file = answer.study.file
    model = load_model(file.model)
    first, *others = [*answer.figures, ""]
    blocks: list[Block] = [*answer.leading, *(Paragraph(text=text) for text in answer.texts)]
    blocks += [b for name in others if name for b in captioned(name, pictures, answer.figures)]
    blocks += [
        _table(answer.shown.get(name, tables[name]), caption, name)
        for name, caption in answer.tables.items()
        if name in tables and name != PUBLISHED and not tables[name].empty
    ]
    options = [
        {"part": "command", "setting": name, "value": value}
        for name, value in answer.options.items()
    ]
    sections = [
        Section(title="Findings", anchor="findings", blocks=blocks),
        limits_section(model, concerned=_concerned(tables.values())),
        settings_section(
            [muscles_text(model, file.settings)],
            person_rows(file.person, model),
            [*options, *setting_rows({"settings": file.settings})],
        ),
    ]
    published = tables.get(PUBLISHED)
    if published is not None and not published.empty:
        caption = "Published rows that bear on this answer, beside the values of the limb"
        sections.append(
            Section(
                title="Published rows",
                anchor="published",
                blocks=[_table(_published(published, model.references), caption, PUBLISHED)],
            )
        )
    note = remark_text(answer.study.title, file.note)
    return report_page(
        (answer.title, note),
        answer.opening,
        captioned(first, pictures, answer.figures) if first else [],
        sections,
        model=model,
        curves=file.settings.curves,
        digest=answer.study.digest,
    )


_INNER = ["drive_per_n"]
"""Columns that give in another unit what a column beside them gives: a drive is told as a part of
the activation, on the page as on the terminal."""


def _concerned(tables: Iterable[pd.DataFrame]) -> list[str]:
    """Keys of the limits that mark rows of the tables."""
    cells = [table["limit"] for table in tables if "limit" in table]
    return [str(cell) for column in cells for cell in column.dropna()]


def _published(table: pd.DataFrame, references: Mapping[str, Reference]) -> pd.DataFrame:
    """Keep what a reader wants of published rows: the value beside that of the limb."""
    names = ["about", "quantity", "posture", "unit", "published", "model", "right", "use", "source"]
    return told_rows(table, references)[names].rename(columns={"model": "in this limb"})


def _table(table: pd.DataFrame, caption: str, name: str) -> Table:
    table = table.dropna(axis="columns", how="all").drop(columns=_INNER, errors="ignore")
    labels = {"part": "part of the activation"} if "multiplier_per_nm" in table else {}
    cut = f"; the first {_MOST} of {len(table)} rows" if len(table) > _MOST else ""
    return Table(
        frame=table.head(_MOST), caption=f"{caption}{cut}. All in {name}.",
        labels={n: v for n, v in labels.items() if n in table},
    )  # fmt: skip


def remark_text(title: str, note: str) -> str:
    """Title of a study as a sentence, and its note.

    Examples
    --------
    >>> remark_text("Narrow or wide?", "Invented person."), remark_text("Two grips", "")
    ('Narrow or wide? Invented person.', 'Two grips.')
    """
    return f"{title}{'' if title.endswith(('.', '?', '!')) else '.'} {note}".strip()

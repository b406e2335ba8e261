"""Where the results of a command go: JSON to the terminal, or files in a folder."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from momentshare.cli.tables import echo, print_json

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    import pandas as pd
    from matplotlib.figure import Figure

    from momentshare.files import RunFolder
    from momentshare.report.page.answer import Answer

__all__ = ["Output", "Written"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Written:
    """What a command writes.

    Attributes
    ----------
    record : mapping
        Inputs and results, ready for JSON.
    tables : mapping
        File name → table.
    texts : mapping
        File name → text.
    figures : mapping
        Name → function that draws it.
    shown : sequence of str
        Texts from the user that figures show.
    answer : Answer, optional
        What the report holds besides tables and figures.
    """

    record: Mapping[str, Any]
    tables: Mapping[str, pd.DataFrame]
    texts: Mapping[str, str] = field(default_factory=dict)
    figures: Mapping[str, Callable[[], Figure]] = field(default_factory=dict)
    shown: Sequence[str] = ()
    answer: Answer | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Output:
    """Where results go.

    Attributes
    ----------
    run : RunFolder or None
        Folder of ``--out``.
    as_json : bool
        Print the record instead of tables.
    figures : bool
        Draw figures.
    """

    run: RunFolder | None
    as_json: bool = False
    figures: bool = True

    def print_json(self, record: Mapping[str, Any]) -> None:
        """Print the record if JSON was requested."""
        if self.as_json:
            print_json(record)

    def write(self, name: str, what: Written) -> None:
        """Write everything to the folder, if there is one, all or nothing.

        ``name`` is the file of the record.
        """
        if self.run is None:
            return
        from momentshare.report.page.answer import answer_page
        from momentshare.report.page.document import render
        from momentshare.report.writing.drawings import write_drawings

        answer = what.answer
        with self.run.results() as writer:
            for file, table in what.tables.items():
                writer.csv(file, table)
            for file, text in what.texts.items():
                writer.text(file, text)
            writer.json(name, what.record)
            note = "" if answer is None else answer.study.file.note
            pictures = write_drawings(writer, what.figures, what.shown, dpi=130, note=note)
            if answer is not None:
                writer.text("report.html", render(answer_page(answer, what.tables, pictures)))
        if not self.as_json:
            page = "" if answer is None else f". Open {self.run.path / 'report.html'}"
            echo(f"Wrote {len(writer.names)} files to {self.run.path}{page}")

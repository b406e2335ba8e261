"""``momentshare check``: read every file of a cohort study and report before anything is solved."""

from __future__ import annotations

from collections import defaultdict
from pathlib import Path  # noqa: TC003 - typer reads the annotations
from typing import TYPE_CHECKING, Annotated

import typer

from momentshare.cli.tables import Conditions, People, console

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.console import Console

    from momentshare.cohort.check import TrialCheck

__all__ = ["check"]

_SHOWN = 6
"""Maximum number of trials named by a message about several."""


def check(
    study: Annotated[Path, typer.Argument(help="Cohort study file (TOML).")],
    person: People = None,
    condition: Conditions = None,
) -> None:
    """Read and check every trial of a cohort STUDY without solving any.

    Ends with exit code 1 where a trial cannot be used or fails a check.
    """
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

    from momentshare.cohort.check import check_trials
    from momentshare.cohort.load import load_cohort

    read = load_cohort(study).only(person or (), condition or ())
    screen = console()
    found: list[TrialCheck] = []
    columns = (TextColumn("{task.description}", markup=False), BarColumn(), MofNCompleteColumn())
    with Progress(*columns, console=screen, transient=True) as bar:
        task = bar.add_task("reading", total=len(read.numbers))
        for item in check_trials(read):
            found.append(item)
            bar.update(task, advance=1, description=item.file)
    _print(screen, found)
    if any((item.fault and item.used) or item.verdict == "fail" for item in found):
        raise typer.Exit(1)


def _print(screen: Console, found: Sequence[TrialCheck]) -> None:
    """Print a line per trial, then every message once with the trials that it concerns."""
    from rich.table import Table
    from rich.text import Text

    table = Table()
    for heading in ("trial", "person", "condition", "file", "repetitions", "verdict"):
        table.add_column(heading)
    for item in found:
        verdict = item.verdict or ("cannot be used" if item.used else "not used")
        table.add_row(
            str(item.number),
            *(Text(text) for text in (item.person, item.condition, item.file)),
            str(item.repetitions),
            verdict,
        )
    screen.print(table)
    good = sum(item.verdict in {"pass", "warn"} for item in found)
    screen.print(f"{good} of {len(found)} trials can be used and fail no check.", highlight=False)
    groups: dict[tuple[str, str], list[int]] = defaultdict(list)
    for item in found:
        if item.fault:
            groups["fault" if item.used else "left out", item.fault].append(item.number)
        for one in item.checks:
            if one.verdict in {"fail", "warn"}:
                groups[one.verdict, one.name].append(item.number)
        for text in item.refused:
            groups["refused", text].append(item.number)
        for text in dict.fromkeys(item.notes):
            groups["note", text].append(item.number)
    order = ("fault", "fail", "left out", "refused", "warn", "note")
    values = {(i.number, c.name): c for i in found for c in i.checks}
    for (kind, text), numbers in sorted(groups.items(), key=lambda g: order.index(g[0][0])):
        more = f" and {len(numbers) - _SHOWN} more" if len(numbers) > _SHOWN else ""
        which = f"{', '.join(map(str, numbers[:_SHOWN]))}{more}"
        detail = ""
        if kind in {"fail", "warn"}:
            worst = max((values[n, text] for n in numbers), key=lambda c: c.value)
            note = f"; {worst.note}" if worst.note else ""
            detail = f": up to {worst.value:.3g} {worst.unit}, limit {worst.limit:g}{note}"
        line = Text(f"{kind} ", style="bold")
        line.append(f"{text}{detail} (trial {which})", style="not bold")
        screen.print(line)

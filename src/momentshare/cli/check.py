"""``momentshare check``: read every file of a cohort study and report before anything is solved."""

from __future__ import annotations

import math
import re
from collections import defaultdict
from pathlib import Path  # noqa: TC003 - typer reads the annotations
from typing import TYPE_CHECKING, Annotated

import typer

from momentshare.cli.tables import Conditions, People, console, progress_bar
from momentshare.text import for_terminal

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.console import Console

    from momentshare.cohort.check import TrialCheck
    from momentshare.cohort.schema import CohortFile

__all__ = ["check"]

_SHOWN = 6
"""Maximum number of trials, and of signals, named by a message about several."""

_CLAUSES = 4
"""Maximum number of clauses of a note on a check."""

_NOTE = re.compile(r"(?:[^:]*\.\w+: )?(?P<name>[^:()]+?)(?: \([^:]*\))?: (?P<text>.+)", re.DOTALL)
"""Note of a file on a signal: file, name, labels, and what it says."""

_NUMBER = re.compile(r"(?<![\w.])\d+(?:\.\d+)?(?![\w.]*\w)")
"""A number that stands alone, not part of a name such as C7 or file_2.c3d."""


def check(
    study: Annotated[Path, typer.Argument(metavar="STUDY.toml", help="Cohort study file (TOML).")],
    person: People = None,
    condition: Conditions = None,
    workers: Annotated[
        int | None, typer.Option(min=1, help="Processes; one per core for large studies.")
    ] = None,
) -> None:
    """Read and check every trial of a cohort STUDY without solving any.

    Ends with exit code 1 where a trial cannot be used or fails a check.
    """
    from momentshare.cohort.check import check_trials
    from momentshare.cohort.load import load_cohort
    from momentshare.report.text.cohort_peers import people_texts, weighed_people

    read = load_cohort(study).only(person or (), condition or ())
    screen = console()
    with progress_bar(screen, "reading") as show:
        show(0, len(read.numbers), "reading")
        found = check_trials(read, workers=workers, progress=show)
    people = people_texts(read.file.person, weighed_people(found))
    _print(screen, found, [*people, *_standing(found)])
    if advice := _static_advice(found):
        screen.print(f"note {advice}", highlight=False, markup=False)
    if not (person or condition) and (idle := _without_trials(read.file)):
        which = "a trial" if len(idle) == 1 else "trials"
        screen.print(
            f"note no trial is of {_some(idle)}: add {which}, or take the name out", highlight=False
        )
    if any((item.fault and item.used) or item.verdict == "fail" for item in found):
        raise typer.Exit(1)


def _without_trials(file: CohortFile) -> list[str]:
    """People of whom there is no trial and no published table."""
    named = {trial.person for trial in file.trial} | {table.person for table in file.published}
    return [for_terminal(p.name) for p in file.person if p.name not in named]


def _print(screen: Console, found: Sequence[TrialCheck], on_people: Sequence[str] = ()) -> None:
    """Print a line per trial, then every message once with the trials that it concerns.

    Warnings ``on_people`` come before the notes.
    """
    from rich.text import Text

    from momentshare.cohort.electromyograms import LEFT_OUT

    _print_table(screen, found)
    good = sum(item.verdict in {"pass", "warn"} for item in found)
    screen.print(f"{good} of {len(found)} trials can be used and fail no check.", highlight=False)
    groups: dict[tuple[str, str], list[int]] = defaultdict(list)
    for item in found:
        if item.fault:
            what = f"{for_terminal(item.file)}: {item.fault}"
            groups["fault" if item.used else "left out", what].append(item.number)
        for one in item.checks:
            if one.verdict in {"fail", "warn"}:
                groups[one.verdict, one.name].append(item.number)
        for text in item.refused:
            groups["refused", text].append(item.number)
    for text, numbers in _notes(found):
        groups["left out" if LEFT_OUT in text else "note", text] = numbers
    for text, numbers in _elsewhere(found):
        groups["warn", text] = numbers
    for text in on_people:
        groups["warn", text.removesuffix(".")] = []
    order = ("fault", "fail", "left out", "refused", "warn", "note")
    values = {(i.number, c.name): c for i in found for c in i.checks}
    for (kind, text), numbers in sorted(groups.items(), key=lambda g: order.index(g[0][0])):
        which = _some(list(map(str, numbers)))
        detail = ""
        if numbers and (numbers[0], text) in values:
            worst = max((values[n, text] for n in numbers), key=lambda c: c.value)
            note = f"; {_brief(worst.note)}" if worst.note else ""
            detail = f": up to {worst.value:.3g} {worst.unit}, limit {worst.limit:g}{note}"
        line = Text(f"{kind} ", style="bold")
        trials = "trial" if len(numbers) == 1 else "trials"
        named = f" ({trials} {which})" if numbers else ""
        line.append(f"{for_terminal(text)}{detail}{named}", style="not bold")
        screen.print(line)


def _print_table(screen: Console, found: Sequence[TrialCheck]) -> None:
    """Print a line per trial."""
    from rich.table import Table
    from rich.text import Text

    table = Table()
    for heading in ("trial", "person", "condition", "file", "repetitions", "verdict"):
        table.add_column(heading)
    for item in found:
        verdict = item.verdict or ("cannot be used" if item.used else "not used")
        table.add_row(
            str(item.number),
            *(Text(for_terminal(text)) for text in (item.person, item.condition, item.file)),
            str(item.repetitions),
            verdict,
        )
    screen.print(table)


def _standing(found: Sequence[TrialCheck]) -> list[str]:
    """State whose checks stand out from those of the other people."""
    import pandas as pd

    from momentshare.cohort.peers import compare_with_peers
    from momentshare.cohort.trial_tables import check_row
    from momentshare.report.text.cohort_peers import standing_texts

    rows = [{"person": item.person} | check_row(c) for item in found for c in item.checks]
    peers = compare_with_peers(pd.DataFrame(rows), found)
    return standing_texts(peers) if len(peers) else []


def _brief(note: str) -> str:
    """First clauses of a note that lists every repetition."""
    clauses = note.split("; ")
    more = len(clauses) - _CLAUSES
    return note if more <= 0 else f"{'; '.join(clauses[:_CLAUSES])}; and {more} more"


def _static_advice(found: Sequence[TrialCheck]) -> str:
    """Say what a static trial would be worth; empty where every slope was measured."""
    size = {item.number: item.steeper_nm for item in found if item.steeper_nm is not None}
    if not size:
        return ""
    without = [item for item in found if item.number in size]
    people = len({item.person for item in without})
    error = math.sqrt(sum(value**2 for value in size.values()) / len(size))
    off = math.sqrt(sum(item.slope_spread**2 for item in without) / len(without))
    compared = max(item.slope_people for item in without)
    where = f"estimated from how it lies among those of {compared} people"
    return (
        f"record a [[static]] trial, standing, with IJ, PX, C7 and T8 in view, of "
        f"{'one person' if people == 1 else f'{people} people'}: without one the slope of the "
        f"sternum is {where if compared else 'assumed'} and may be off by "
        f"{math.degrees(off):.1f} degrees, which changes the elevation moment by {error:.1f} N·m "
        f"(root mean square over {'one trial' if len(size) == 1 else f'{len(size)} trials'})"
    )


def _elsewhere(found: Sequence[TrialCheck]) -> list[tuple[str, list[int]]]:
    """Trials that look like those of another condition, and electrodes that look exchanged."""
    from momentshare.cohort.exchanged import electrode_trials, exchanged_table, exchanged_text
    from momentshare.cohort.misfiled import SpacedTrial, misfiled_table, misfiled_text

    spaced = [
        SpacedTrial(
            number=item.number,
            person=item.person,
            condition=item.condition,
            file=item.file,
            spacing=item.hand_spacing,
        )
        for item in found
        if item.hand_spacing is not None
    ]
    texts = [
        (misfiled_text(row).removesuffix("."), [int(row["trial"])])
        for row in misfiled_table(spaced).to_dict("records")
    ]
    for row in exchanged_table(electrode_trials(found)).to_dict("records"):
        mine = [item.number for item in found if item.person == row["person"]]
        numbers = [int(row["trial"])] if row["trial"] else mine
        texts.append((exchanged_text(row).removesuffix("."), numbers))
    return texts


def _notes(found: Sequence[TrialCheck]) -> list[tuple[str, list[int]]]:
    """Return every note once with its trials; what several signals share names them together."""
    alike: dict[str, dict[str, list[int]]] = defaultdict(lambda: defaultdict(list))
    whole: dict[tuple[str, str], str] = {}
    for item in found:
        for note in dict.fromkeys(item.notes):
            match = _NOTE.fullmatch(note)
            name, text = ("", note) if match is None else (match["name"], match["text"])
            alike[text][name].append(item.number)
            whole.setdefault((text, name), note)
    told = []
    for text, names in alike.items():
        if len(names) == 1:
            ((name, numbers),) = names.items()
            said = whole[text, name] if len(set(numbers)) == 1 or not name else f"{name}: {text}"
            told.append((said, list(dict.fromkeys(numbers))))
        else:
            numbers = sorted({n for some in names.values() for n in some})
            told.append((f"{_some(list(names))}: {text}", numbers))
    return _but_for_numbers(told)


def _but_for_numbers(told: Sequence[tuple[str, list[int]]]) -> list[tuple[str, list[int]]]:
    """Join notes that differ in numbers alone: least to greatest stand in place of each."""
    alike: dict[str, list[tuple[str, list[int]]]] = defaultdict(list)
    for text, numbers in told:
        alike[_NUMBER.sub("#", text)].append((text, numbers))
    return [
        (_ranged([text for text, _ in group]), sorted({n for _, some in group for n in some}))
        for group in alike.values()
    ]


def _ranged(texts: Sequence[str]) -> str:
    """One text for several that differ in their numbers alone."""
    places = iter(zip(*(_NUMBER.findall(text) for text in texts), strict=True))

    def span(_: re.Match[str]) -> str:
        found = sorted(set(next(places)), key=float)
        return found[0] if len(found) == 1 else f"{found[0]} to {found[-1]}"

    return _NUMBER.sub(span, texts[0])


def _some(names: Sequence[str]) -> str:
    """Name the first few, and how many more there are."""
    more = f" and {len(names) - _SHOWN} more" if len(names) > _SHOWN else ""
    return ", ".join(names[:_SHOWN]) + more

"""Run a cohort: trials in parallel, each kept as soon as it is done.

The folder of a run holds ``trials/0001`` and so on. A trial is moved there as a whole, so a killed
run loses at most the trials in progress; the next run reuses what is there if nothing behind it has
changed: study entries, files, model and version. Only the parent writes.
"""

from __future__ import annotations

import os
from contextlib import closing
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from momentshare.cohort.best_lift import with_best_lifts
from momentshare.cohort.copies import Copies
from momentshare.cohort.preflight import check_cohort, trial_tag
from momentshare.cohort.slopes import with_slopes
from momentshare.cohort.trials import (
    read_table,
    record_in,
    stored_record,
    trial_files,
    trial_name,
)
from momentshare.cohort.upper_arms import with_upper_arms
from momentshare.errors import InputError, MomentshareError, StudyError
from momentshare.files import RunFolder, as_run_folder
from momentshare.processes import collect_answers
from momentshare.results import brief

if TYPE_CHECKING:
    from collections.abc import Callable, Generator, Iterator, Sequence

    import pandas as pd

    from momentshare.cohort.best_lift import BestLift
    from momentshare.cohort.schema import CohortStudy
    from momentshare.model import Model

__all__ = [
    "COMMAND",
    "CohortResult",
    "TrialOutcome",
    "fault_of_trial",
    "folder_options",
    "grouped_faults",
    "run_cohort",
]

COMMAND = "cohort"

_TRIAL_BYTES = 2_000_000
"""Size of a trial in bytes: its own tables and its part of the cohort's tables and figures (in the
invented laboratory its own take 0.8 MB, with one repetition)."""

_FIGURES = 10_000_000
"""Size in bytes of the cohort's figures, and of the page that shows them."""

_SHOWN_FILES = 4
"""Number of files named by a fault that several share (common practice, no source)."""

_SHOWN_LINES = 10
"""Number of lines that the same fault may take (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialOutcome:
    """Outcome of one trial.

    Attributes
    ----------
    number : int
        In the study file, from 1.
    person, condition, file : str
    fault : str
        Why it was skipped, without the name of ``file``; empty when it was solved.
    verdict : str
        The worst check of the measurement; empty when it was skipped.
    record : dict
        What was done; always holds ``load_kg``.
    reused : bool
        Whether an earlier run had already solved it.
    """

    number: int
    person: str
    condition: str
    file: str
    fault: str
    verdict: str
    record: dict[str, Any]
    reused: bool

    @property
    def limb_verdict(self) -> str:
        """Whether the limb meets the moments: a verdict on its heads, not on the measurement."""
        return str(self.record.get("limb_verdict", ""))

    @property
    def used(self) -> bool:
        """False where the study says not to use the trial."""
        return not self.record.get("not_used", False)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CohortResult:
    """A cohort with the outcome of every trial, and the place of its tables."""

    study: CohortStudy
    model: Model
    folder: Path
    outcomes: tuple[TrialOutcome, ...]
    best_lifts: tuple[BestLift, ...] = ()

    __repr__ = brief

    @property
    def solved(self) -> tuple[TrialOutcome, ...]:
        """Trials with an answer."""
        return tuple(o for o in self.outcomes if not o.fault)

    @property
    def counted(self) -> tuple[TrialOutcome, ...]:
        """Trials whose measurement enters means and comparisons."""
        return tuple(o for o in self.solved if not self.failures(o))

    @property
    def heads_counted(self) -> tuple[TrialOutcome, ...]:
        """Trials whose heads enter means and comparisons of heads."""
        keep = self.study.file.processing.short_heads == "keep"
        return tuple(o for o in self.counted if keep or o.limb_verdict != "fail")

    def failures(self, outcome: TrialOutcome) -> list[str]:
        """Name the failed checks for which a trial is left out; none where it counts."""
        return self.study.file.processing.excluding(outcome.record.get("failed_checks", ()))

    def table(self, name: str, *, all_solved: bool = False) -> pd.DataFrame:
        """One table over the trials that count, or over all solved trials."""
        import pandas as pd

        parts = list(self.table_parts(name, all_solved=all_solved))
        return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()

    def table_parts(self, name: str, *, all_solved: bool = False) -> Iterator[pd.DataFrame]:
        """Do the same trial by trial, one at a time in memory; trials without rows are skipped."""
        for outcome in self.solved if all_solved else self.counted:
            part = read_table(self.folder, outcome.number, name)
            if not part.empty:
                yield part


def run_cohort(
    study: CohortStudy,
    folder: str | Path | RunFolder,
    *,
    workers: int | None = None,
    scheduler: str | None = None,
    progress: Callable[[int, int, str], None] | None = None,
) -> CohortResult:
    """Solve every trial of a cohort.

    Parameters
    ----------
    study : CohortStudy
    folder : str, Path or RunFolder
        Holds a folder per trial; trials that are already there and unchanged are not solved again.
    workers : int, optional
        Processes; by default one per core. One solves in this process. The answer does not depend
        on it.
    scheduler : str, optional
        Address of a Dask scheduler, whose workers solve the trials instead of local processes; they
        must find the files of the study in the same place.
    progress : callable, optional
        Called with the number of trials done, the total, and the last one done.

    Returns
    -------
    CohortResult
        A trial that cannot be used becomes an outcome with its fault, never an exception.

    Raises
    ------
    InputError
        Another run is writing into the folder, or it holds another study.
    StudyError
        No trial can be used.
    KeyboardInterrupt
        The user interrupted the run; the message says how many trials are kept.

    Examples
    --------
    >>> from pathlib import Path
    >>> from tempfile import TemporaryDirectory
    >>> from momentshare import load_cohort, run_cohort
    >>> from momentshare.demo.lab import write_lab
    >>> with TemporaryDirectory() as folder:
    ...     study = load_cohort(write_lab(Path(folder), people=1, repetitions=1))
    ...     only = study.only(conditions=[study.file.condition[0].name])
    ...     result = run_cohort(only, Path(folder) / "cohort", workers=1)
    >>> len(result.solved) > 0
    True
    """
    from momentshare.study.run import study_model

    if workers is not None and workers < 1:
        raise InputError(f"workers: must be 1 or more; got {workers}")
    model = study_model(study.file.model, study.source)
    check_cohort(study, model)
    with as_run_folder(folder, COMMAND, **folder_options(study, folder)) as run:
        study = with_slopes(study, workers=workers, progress=progress)
        study = with_upper_arms(study, workers=workers, progress=progress)
        raised, lifts = with_best_lifts(study, workers=workers, progress=progress)
        solve = partial(_solve_all, raised, workers=workers, scheduler=scheduler)
        outcomes = _outcomes(raised, run, model, solve, progress)
        return CohortResult(
            study=raised, model=model, folder=run.path, outcomes=outcomes, best_lifts=lifts
        )


def _way_to(study: CohortStudy, folder: Path) -> str:
    """Path of the study file from a folder, which is the same where both were moved together."""
    there, here = Path(study.source).resolve(), folder.resolve()
    try:
        found = Path(os.path.relpath(there, here))
    except ValueError:  # two disks of Windows
        found = there
    return study.pseudonyms.file(found.as_posix())


def folder_options(study: CohortStudy, place: str | Path | RunFolder) -> dict[str, Any]:
    """Arguments for the folder of a cohort; see :func:`momentshare.files.run_folder`.

    A study may be renamed or moved, and its title edited; one that differs in both is another
    study, and would replace the trials of the first.
    """
    folder = place.path if isinstance(place, RunFolder) else Path(place)
    mine = {"title": study.file.title, "study": _way_to(study, folder)}
    earlier = str(Path(study.source).resolve())  # as versions before told it

    def accept(found: dict[str, Any]) -> None:
        same = found.get("study") in {mine["study"], earlier}
        if found.get("title") != mine["title"] and not same:
            raise InputError(
                f"holds the trials of another study, {found.get('title')!r} "
                f"({found.get('study')}); choose another folder for --out"
            )
        if found.get("pseudonyms", False) != bool(study.pseudonyms):
            kind = "people's names" if study.pseudonyms else "codes for people"
            raise InputError(f"holds trials with {kind}; choose another folder for --out")

    about = {"digest": study.digest, "trials": list(study.numbers)}
    return {
        "study": mine | about | {"pseudonyms": bool(study.pseudonyms)},
        "accept": accept,
        "names": ["run.json", "report.html", "trials.csv"],
        "room": _TRIAL_BYTES * len(study.numbers) + _FIGURES,
    }


def _outcomes(
    study: CohortStudy,
    run: RunFolder,
    model: Model,
    solve: Callable[[list[int]], Generator[tuple[int, dict[str, bytes] | None]]],
    progress: Callable[[int, int, str], None] | None,
) -> tuple[TrialOutcome, ...]:
    """Reuse or solve every trial, in a folder that this process holds."""
    numbers, every = study.numbers, range(1, len(study.file.trial) + 1)
    tags = {n: trial_tag(study, n, model) for n in numbers}
    run.refuse_what_is_in_the_way(name for n in numbers for name in trial_files(n, {}, {}))
    found: dict[int, TrialOutcome | None] = {}
    for number in numbers:
        record = stored_record(run, number, tags[number])
        found[number] = None if record is None else _outcome(study, number, record, reused=True)
    for number in numbers:
        if not study.file.trial[number - 1].use:
            reason = study.file.trial[number - 1].reason
            record = {"not_used": True, "fault": f"not used: {reason}"}
            found[number] = _outcome(study, number, record, reused=False)
    todo = [n for n in numbers if found[n] is None]
    done = len(tags) - len(todo)
    try:
        with closing(solve(todo)) as solved:
            for number, answer in solved:
                record = _kept(run, number, tags[number], answer)
                found[number] = _outcome(study, number, record, reused=False)
                done += 1
                if progress is not None:
                    progress(done, len(tags), study.file.trial[number - 1].file)
    except KeyboardInterrupt:
        kept = sum(o is not None and not o.fault for o in found.values())
        raise KeyboardInterrupt(
            f"stopped; {kept} of {len(tags)} trials are kept in {run.path}, run again to continue"
        ) from None
    outcomes = _without_copies(study, [o for n in numbers if (o := found[n]) is not None])
    if outcomes and all(o.fault for o in outcomes):
        raise StudyError(f"{study.source}: no trial can be used:", grouped_faults(outcomes))
    run.claim()
    run.drop(set(run.parts) - {trial_name(n) for n in every})
    return outcomes


def _without_copies(
    study: CohortStudy, outcomes: Sequence[TrialOutcome]
) -> tuple[TrialOutcome, ...]:
    """Skip what is the measurement of an earlier trial, which would count a person twice."""
    copies, found = Copies(), []
    for outcome in outcomes:
        entry, fault = study.file.trial[outcome.number - 1], ""
        if not outcome.fault:
            fault = copies.fault(outcome.number, entry, outcome.record.get("marks", {}))
        found.append(replace(outcome, fault=fault, verdict="") if fault else outcome)
    return tuple(found)


_DIED = {
    "fault": "the process that solved it died, perhaps for lack of memory; run again, with "
    "fewer --workers"
}


def _kept(run: RunFolder, number: int, tag: str, files: dict[str, bytes] | None) -> dict[str, Any]:
    """Put a trial into the folder; return its record as kept."""
    if files is None:
        return _DIED
    run.keep(trial_name(number), tag, files)
    return record_in(number, files)


def grouped_faults(outcomes: Sequence[TrialOutcome]) -> list[str]:
    """Explain why trials were skipped: each fault once, with the files that have it.

    Parameters
    ----------
    outcomes : sequence of TrialOutcome

    Returns
    -------
    list of str
        One text for each group of faults that the same files share; its further lines are
        indented. Empty when nothing was skipped.
    """
    files: dict[tuple[str, str], dict[str, None]] = {}
    for outcome in outcomes:
        first, *lines = outcome.fault.splitlines() or [""]
        for line in lines or [""]:
            if first:
                key = (first, line.strip().removeprefix("- "))
                files.setdefault(key, {})[outcome.file] = None
    groups: dict[tuple[tuple[str, ...], str], list[str]] = {}
    for (first, line), names in files.items():
        groups.setdefault((tuple(names), first), []).append(line)
    return [_group(names, first, lines) for (names, first), lines in groups.items()]


def _group(names: tuple[str, ...], first: str, lines: list[str]) -> str:
    where = names[0]
    if len(names) > 1:
        more = ", …" if len(names) > _SHOWN_FILES else ""
        where = f"in {len(names)} files ({', '.join(names[:_SHOWN_FILES])}{more})"
    shown = [line for line in lines[:_SHOWN_LINES] if line]
    if len(lines) > _SHOWN_LINES:
        shown.append(f"and {len(lines) - _SHOWN_LINES} more")
    return "\n      ".join([f"{where}: {first}", *shown])


def _outcome(
    study: CohortStudy, number: int, record: dict[str, Any], *, reused: bool
) -> TrialOutcome:
    entry = study.file.trial[number - 1]
    record = {"load_kg": entry.load_kg, **record}
    return TrialOutcome(
        number=number,
        person=entry.person,
        condition=entry.condition,
        file=entry.file,
        fault=record.get("fault", ""),
        verdict=record.get("verdict", ""),
        record=record,
        reused=reused,
    )


def _solve_all(
    study: CohortStudy,
    todo: list[int],
    *,
    workers: int | None,
    scheduler: str | None,
) -> Generator[tuple[int, dict[str, bytes] | None]]:
    """Yield the number and the files of each trial as it is done; none where its process died."""
    if scheduler is not None:
        study = replace(study, folder=study.folder.resolve())
    tasks = [(number, (study, number)) for number in todo]
    return collect_answers(solved_files, tasks, workers, scheduler=scheduler)


def solved_files(study: CohortStudy, number: int) -> dict[str, bytes]:
    """Solve one trial; the bytes of its record and tables. Runs in any process."""
    from momentshare.cohort.solve import solve_trial
    from momentshare.model import load_model

    tables: Any = {}
    try:
        answer = solve_trial(study, number, load_model(study.file.model))
        tables, record = answer.tables, dict(answer.record)
    except MomentshareError as err:
        record = {"fault": fault_of_trial(study, number, str(err))}
    except OSError as err:
        fault = f"{err.filename or 'the disk'}: {err.strerror or err}"
        record = {"fault": study.pseudonyms.told(fault)}
    except Exception as err:  # noqa: BLE001 - a fault of ours must not cost the other trials
        record = {
            "fault": f"unexpected {type(err).__name__}: {err}; this is a bug in momentshare, "
            "please report it"
        }
    record.setdefault("load_kg", study.file.trial[number - 1].load_kg)
    # The header of a measured file may name its person too.
    coded = study.pseudonyms
    tables = {name: coded.table(table) for name, table in tables.items()}
    return trial_files(number, {"verdict": "", **coded.data(record)}, tables)


def fault_of_trial(study: CohortStudy, number: int, fault: str) -> str:
    """Drop the leading name of the trial's own file: whoever shows the fault adds it.

    Codes stand for people where the study asks for them.
    """
    name = study.file.trial[number - 1].file
    for front in (name, str(study.path(name)), name):
        fault = fault.removeprefix(f"{front}: ")
    return study.pseudonyms.told(fault)

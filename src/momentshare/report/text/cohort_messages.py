"""What counted, what did not and why, in no more lines than fit on a screen; grouped."""

from __future__ import annotations

from typing import TYPE_CHECKING

from momentshare.cohort.electromyograms import LEFT_OUT
from momentshare.cohort.run import grouped_faults
from momentshare.report.text.cohort_selection import selection_texts
from momentshare.trial.checks.verdict import OF_LIMB

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

    from momentshare.cohort.run import CohortResult
    from momentshare.cohort.summary import CohortSummary

__all__ = ["LINES", "account_lines", "check_lines"]

LINES = 10
"""Number of lines that the summary of a run takes on a screen; assumed."""

_NAMED = 6
"""Number of trials that a line names; assumed."""

_LONGEST = 240
"""Characters of a line on a check, from which the rest of its note is left to checks.csv; about two
rows of a wide screen; assumed."""


def account_lines(result: CohortResult, summary: CohortSummary) -> list[str]:
    """State in at most ``LINES`` lines what counted, what did not, and why.

    Warnings come last. Those without a line of their own are named in the last line, and other
    messages are counted there; every trial is in trials.csv, every check in checks.csv.
    """
    if not result.outcomes:
        return []
    counted = result.counted
    people = len({o.person for o in counted})
    repetitions = sum(len(o.record.get("repetitions", ())) for o in counted)
    first = (
        f"{len(counted)} of {len(result.outcomes)} trials count: {people} people, {repetitions} "
        "repetitions."
    )
    skipped = [o for o in result.outcomes if o.fault and o.used]
    lines = [f"skipped {' '.join(text.split())}" for text in grouped_faults(skipped)]
    lines += selection_texts(result)
    lines += _lost_emg(result)
    checks = summary.tables.get("checks")
    if checks is not None and any(o.limb_verdict == "fail" for o in counted):
        # The sentence on the limb has told it.
        checks = checks[(checks["check"] != OF_LIMB) | (checks["verdict"] != "fail")]
    failed = [] if checks is None else check_lines(checks, ("fail",))
    warned = [] if checks is None else check_lines(checks, ("warn",))
    lines += [*failed, *_standing(summary), *_best_lifts(result)]
    room = LINES - 1
    if len(lines) + len(warned) <= room:
        return [first, *lines, *warned]
    own = room - 1 - len(lines)
    if checks is None or own < 0:
        more = len(lines) + len(warned) - (room - 1)
        return [first, *lines[: room - 1], f"and {more} more; see trials.csv and checks.csv"]
    return [first, *lines, *warned[:own], _other_warnings(checks, own)]


def _other_warnings(checks: pd.DataFrame, told: int) -> str:
    """Name the warnings after those that were told, with the number of their trials."""
    warned = checks[checks["verdict"] == "warn"]
    counts = [(name, part["trial"].nunique()) for name, part in warned.groupby("check", sort=False)]
    named = [f"{name} ({n} trial{'' if n == 1 else 's'})" for name, n in counts[told:]]
    return f"warn, too: {', '.join(named)}; see checks.csv"


def _standing(summary: CohortSummary) -> list[str]:
    """One line on who differs from the other people, and in what; the values follow below it."""
    peers = summary.tables.get("peers")
    if peers is None or not peers["stands_out"].any():
        return []
    out = peers[peers["stands_out"]]
    told = [
        f"{person} ({', '.join(map(str, part['check']))})"
        for person, part in out.groupby("person", sort=False, observed=True)
    ]
    more = f" and {len(told) - _NAMED} more" if len(told) > _NAMED else ""
    return [f"unlike the others: {', '.join(told[:_NAMED])}{more}; values in peers.csv"]


def check_lines(checks: pd.DataFrame, verdicts: Sequence[str] = ("fail", "warn")) -> list[str]:
    """One line for each verdict and check that did not pass: how often, how far, where, why once.

    Parameters
    ----------
    checks : DataFrame
        One row per trial and check.
    verdicts : sequence of str
        Which of them are told, in this order.
    """
    lines = []
    for verdict in verdicts:
        bad = checks[checks["verdict"] == verdict]
        for name, part in bad.groupby("check", sort=False):
            worst = part.sort_values("value").iloc[-1]
            numbers = list(dict.fromkeys(part["trial"]))
            told = (
                f"{verdict} {name}: {_trials(numbers)}, up to {worst['value']:.3g} "
                f"{worst['unit']} in trial {worst['trial']} ({worst['person']}, "
                f"{worst['condition']}), limit {worst['limit']:g}"
            )
            lines.append(_with_note(told, worst["note"]))
    return lines


def _with_note(told: str, note: str) -> str:
    """Add the clauses of a note for which there is room."""
    for clause in note.split("; ") if note else []:
        if len(told) + len(clause) > _LONGEST:
            return f"{told}; …"
        told += f"; {clause}"
    return told


def _trials(numbers: Sequence[int]) -> str:
    if len(numbers) == 1:
        return f"trial {numbers[0]}"
    shown = ", ".join(map(str, numbers[:_NAMED]))
    more = ", …" if len(numbers) > _NAMED else ""
    return f"{len(numbers)} trials ({shown}{more})"


def _lost_emg(result: CohortResult) -> list[str]:
    """One line on the electromyograms that do not count, with the first reason."""
    lost = {
        o.number: told
        for o in result.counted
        if (told := [t for k in ("notes", "emg") for t in o.record.get(k, ()) if LEFT_OUT in t])
    }
    if not lost:
        return []
    first = " ".join(next(iter(lost.values()))[0].split())
    return [f"EMG left out in {_trials(list(lost))}: {first}"]


def _best_lifts(result: CohortResult) -> list[str]:
    """One line on all best lifts; each of them is on the page and in best_lifts.csv."""
    lifts = result.best_lifts
    if not lifts:
        return []
    explained = sum(lift.explained for lift in lifts)
    raised = list(dict.fromkeys(lift.person for lift in lifts if lift.used))
    text = f"best lifts: {explained} of {len(lifts)} within the limb's strength"
    if raised:
        text += f"; strength raised for {', '.join(raised[:_NAMED])}"
        text += ", …" if len(raised) > _NAMED else ""
    return [f"{text} (best_lifts.csv)"]

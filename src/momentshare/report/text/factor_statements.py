"""What each factor of a study does with the others held, from the verdicts on its orders."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from momentshare.limits import merged_keys
from momentshare.report.text.opening import counted, joined
from momentshare.report.text.verdicts import (
    FIRM_ORDER,
    LEVEL_PAIR,
    LIMITED,
    SHORT_ORDER,
    TURNING,
    verdict_on,
)
from momentshare.text import head_phrase, signed_number, with_minus

if TYPE_CHECKING:
    from momentshare.study.factors import Factors, Step

__all__ = ["SETTING", "drawn_statements", "factor_statements", "factor_verdicts"]

SETTING = "other factors"
"""What an order may turn with when each setting of the other factors has a firm one of its own."""

_NAMED = 3
"""Heads that a statement names in either direction."""

_COLUMNS = [
    "factor", "head", "level", "other", "settings", "difference", "difference_low",
    "difference_high", "verdict", "turns_with", "limit",
]  # fmt: skip


def factor_verdicts(factors: Factors, verdicts: pd.DataFrame) -> pd.DataFrame:
    """Judge every two levels of a factor within every head, over the settings of the others.

    Parameters
    ----------
    factors : Factors
    verdicts : DataFrame
        See :func:`momentshare.report.text.study_opening.verdict_table`.

    Returns
    -------
    DataFrame
        One row per factor, head and pair of levels. ``difference`` is the lift-mean activation at
        ``level``, the first one of the file, minus that at ``other``, the mean over the
        ``settings`` of the other factors in which the head works; ``difference_low`` and
        ``difference_high`` are the least and greatest over settings and treatments of the lateral
        force. ``verdict`` is ``firm`` where every setting has a firm order in the same direction,
        ``level`` where every one is level, ``beyond the limb`` where a limit touches one, and
        ``turns`` otherwise, with ``turns_with`` naming what turns it.
    """
    rows: list[dict[str, Any]] = []
    known = {
        (line.head, frozenset((line.condition, line.other))): line
        for line in verdicts.itertuples(index=False)
    }
    heads = list(dict.fromkeys(verdicts["head"]))
    steps: dict[tuple[str, str, str], list[Step]] = {}
    for step in factors.steps():
        steps.setdefault((step.factor, step.level, step.other_level), []).append(step)
    for (factor, level, other), mine in steps.items():
        for head in heads:
            found = [
                (step, known[key])
                for step in mine
                if (key := (head, frozenset((step.condition, step.other)))) in known
            ]
            if found:
                judged = _judged(found, complete=len(found) == len(mine))
                rows.append(
                    {"factor": factor, "head": head, "level": level, "other": other} | judged
                )
    return pd.DataFrame(rows, columns=_COLUMNS)


def _judged(found: list[tuple[Step, Any]], *, complete: bool) -> dict[str, Any]:
    """Judge the orders of one pair of levels, a row of verdicts for each setting."""
    signs = np.array([1.0 if row.condition == step.condition else -1.0 for step, row in found])
    ends = np.array([sign * np.array([row.difference_low, row.difference_high])
                     for sign, (_, row) in zip(signs, found, strict=True)])  # fmt: skip
    values = signs * np.array([row.difference for _, row in found])
    each = [row.verdict for _, row in found]
    causes = dict.fromkeys(
        cause for _, row in found for cause in str(row.turns_with).split("; ") if cause
    )
    limit = merged_keys(str(row.limit) for _, row in found)
    level = all(verdict == LEVEL_PAIR for verdict in each)
    firm = all(verdict == FIRM_ORDER for verdict in each) and len(set(signs)) == 1 and complete
    if len(set(signs)) > 1 or not complete:
        causes[SETTING] = None
    verdict = verdict_on(limit, level=level, turns=not firm, short=SHORT_ORDER in each)
    return {
        "settings": len(found),
        "difference": float(values.mean()),
        "difference_low": float(ends.min()),
        "difference_high": float(ends.max()),
        "verdict": verdict,
        "turns_with": "" if firm or level else "; ".join(causes),
        "limit": limit,
    }


def drawn_statements(factors: Factors, pairs: pd.DataFrame) -> dict[str, str]:
    """Say of each factor what draws leave standing of its step from the first level to the last.

    Parameters
    ----------
    factors : Factors
    pairs : DataFrame
        See :func:`momentshare.report.text.draw_verdicts.judged_pairs`.
    """
    ends = dict.fromkeys(("difference_low", "difference_high"), pairs["difference"])
    table = factor_verdicts(factors, pairs.assign(turns_with="", **ends))
    return factor_statements(factors, table, "are open or turn")


def factor_statements(
    factors: Factors, table: pd.DataFrame, turning: str = "turn"
) -> dict[str, str]:
    """Say of each factor what its step from the first level to the last does.

    Parameters
    ----------
    factors : Factors
    table : DataFrame
        See :func:`factor_verdicts`.
    turning : str
        What heads do in which an order is neither firm nor beyond the limb.
    """
    told: dict[str, str] = {}
    for factor in factors.names:
        levels = factors.levels(factor)
        if len(levels) < 2:
            continue
        mine = table[
            (table["factor"] == factor)
            & (table["level"] == levels[0])
            & (table["other"] == levels[-1])
        ]
        if len(mine):
            others = [name for name in factors.names if name != factor]
            held = f" with {joined(others)} held" if others else ""
            step = mine.assign(difference=-mine["difference"])  # to the last from the first
            told[factor] = f"From {levels[0]} to {levels[-1]}{held}, {_counts(step, turning)}."
    return told


def _counts(mine: pd.DataFrame, turning: str) -> str:
    by = {str(name): part for name, part in mine.groupby("verdict", sort=False)}
    none = mine.iloc[:0]
    firm = by.get(FIRM_ORDER, none)
    text = f"the order is firm in {len(firm)} of {counted(len(mine), 'working head')}"
    ways = [
        part
        for word, sign in (("more", 1.0), ("less", -1.0))
        if (part := _named(firm[sign * firm["difference"] > 0.0], word))
    ]
    text += f": {'; '.join(ways)}, in points" if ways else ""
    rest = [
        f"{len(by[name])} {_agreeing(len(by[name]), words)}"
        for name, words in (
            (TURNING, turning), (SHORT_ORDER, "rest on moments that fall short"),
            (LIMITED, "lie beyond the limb"), (LEVEL_PAIR, "are level"),
        )
        if name in by
    ]  # fmt: skip
    return f"{text}. Of the others {joined(rest)}" if rest else text


_ALONE = {"are": "is", "lie": "lies", "rest": "rests", "turn": "turns"}


def _agreeing(count: int, words: str) -> str:
    """Let verbs agree with a count."""
    return " ".join(_ALONE.get(word, word) for word in words.split()) if count == 1 else words


def _named(part: pd.DataFrame, word: str) -> str:
    """Name the heads that change most in one direction."""
    if part.empty:
        return ""
    widest = part.loc[part["difference"].abs().sort_values(ascending=False, kind="stable").index]
    named = [
        with_minus(f"{head_phrase(str(head))} ({signed_number(100 * value, 0)})")
        for head, value in zip(widest["head"][:_NAMED], widest["difference"][:_NAMED], strict=True)
    ]
    more = len(widest) - len(named)
    tail = f" and {counted(more, 'other head')}" if more else ""
    text = "; ".join(named)
    return f"{word} activation in {text}{tail}"

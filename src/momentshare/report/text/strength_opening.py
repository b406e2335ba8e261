"""Opening of a strength study: on which side of the task its test lies."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from momentshare.directions import DIRECTIONS
from momentshare.limits import BIAS_CLAIMS, strength_keys
from momentshare.report.text.opening import Opening, beyond_limb, counted, joined, sentence, widest
from momentshare.report.text.verdicts import FIRM_ORDER, LIMITED, verdict_on

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from momentshare.limits import LiftKind, Limits

__all__ = ["bias_table", "bias_title", "strength_opening"]

_BIAS = "test_posture_bias"
_CAUSES = {
    "others": "whether other moments are braced or balanced",
    "person": "the person",
    "lateral": "the lateral force",
}
"""Column → what may reverse a bias."""


def bias_table(
    utilisation: pd.DataFrame,
    limits: Limits | None = None,
    kinds: Mapping[str, LiftKind] | None = None,
) -> pd.DataFrame:
    """Range of the test-posture bias of every condition and direction.

    Parameters
    ----------
    utilisation : DataFrame
        ``condition``, ``direction``, ``test_posture_bias``; ``person``, ``others`` and
        ``lateral`` where they vary.
    limits : Limits, optional
    kinds : mapping, optional
        Condition → what kind of lift it is.

    Returns
    -------
    DataFrame
        ``condition``, ``direction``, ``only_under`` (the treatments of the lateral force under
        which the moment has this direction; empty for all), ``bias_low``, ``bias_high``,
        ``verdict`` (``harder``: above 1 throughout, so the test makes the task look harder than it
        is; ``easier``; ``turns``; ``beyond the limb`` where a limit concerns the strength or the
        comparison of postures),
        ``turns_with`` and ``limit``. Rows without a bias are left out.
    """
    known = utilisation[utilisation[_BIAS].notna()]
    rows = []
    for (condition, direction), part in known.groupby(["condition", "direction"], sort=False):
        low, high = float(part[_BIAS].min()), float(part[_BIAS].max())
        kind = (kinds or {}).get(str(condition))
        limit = strength_keys(limits, str(direction), *BIAS_CLAIMS, kind=kind) if limits else ""
        turns = low <= 1.0 <= high
        causes = [name for name in _CAUSES if turns and name in part and _turns_with(part, name)]
        verdict = verdict_on(limit, turns=turns)
        verdict = ("harder" if low > 1.0 else "easier") if verdict == FIRM_ORDER else verdict
        only = _only_under(known, part, str(condition))
        rows.append((condition, direction, only, low, high, verdict, "; ".join(causes), limit))
    columns = [
        "condition", "direction", "only_under", "bias_low", "bias_high", "verdict", "turns_with",
        "limit",
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=columns)


def _only_under(known: pd.DataFrame, part: pd.DataFrame, condition: str) -> str:
    """Name the treatments under which a moment has a direction; empty for all of a condition."""
    if "lateral" not in known:
        return ""
    all_, own = (
        list(dict.fromkeys(table["lateral"]))
        for table in (known[known["condition"] == condition], part)
    )
    return "" if len(own) == len(all_) else joined([str(mode) for mode in own])


def _turns_with(part: pd.DataFrame, name: str) -> bool:
    """Return whether the bias crosses 1 between values of one column, all else equal."""
    same = [other for other in _CAUSES if other != name and other in part]
    groups = [own for _, own in part.groupby(same)] if same else [part]
    return any(own[_BIAS].min() <= 1.0 <= own[_BIAS].max() and len(own) > 1 for own in groups)


def bias_title(table: pd.DataFrame) -> str:
    """Count the pairs that the test's posture makes look harder or easier; empty without any.

    Parameters
    ----------
    table : DataFrame
        From :func:`bias_table`.
    """
    counts = table["verdict"].value_counts()
    harder, easier = int(counts.get("harder", 0)), int(counts.get("easier", 0))
    if not harder + easier:
        return ""
    return (
        f"The test makes {harder:,} of {counted(len(table), 'pair')} of condition and direction "
        f"look harder and {easier:,} easier, throughout"
    )


def strength_opening(
    utilisation: pd.DataFrame,
    published: pd.DataFrame,
    refusals: Sequence[str] = (),
    limits: Limits | None = None,
    kinds: Mapping[str, LiftKind] | None = None,
) -> Opening:
    """State how strength in the test's posture represents the task.

    Parameters
    ----------
    utilisation : DataFrame
        See :func:`bias_table`.
    published : DataFrame
        Published rows on strength in these directions, with ``right``.
    refusals : sequence of str
        People and conditions without a posture.
    limits, kinds : Limits and mapping, optional
        What the limb does not support; see :func:`bias_table`.
    """
    table = bias_table(utilisation, limits, kinds)
    beyond = table[table["verdict"] == LIMITED]
    unsaid = _unsaid(utilisation, published, refusals, beyond)
    return Opening(firm=_firm(table), turns=_turns(table), unsaid=unsaid)


def _named(row: pd.Series) -> str:
    ends = dict.fromkeys((f"{row['bias_low']:.2f}", f"{row['bias_high']:.2f}"))
    under = f", lateral force {row['only_under']} only" if row["only_under"] else ""
    return (
        f"{DIRECTIONS[str(row['direction'])].words} in '{row['condition']}' (bias "
        f"{' to '.join(ends)}{under})"
    )


def _firm(table: pd.DataFrame) -> str:
    if table.empty:
        return "Nothing is firm: no strength was found in both postures."
    counts = table["verdict"].value_counts()
    harder, easier = int(counts.get("harder", 0)), int(counts.get("easier", 0))
    start = (
        f"Of {counted(len(table), 'pair')} of condition and direction, the test's posture makes "
        f"{_count(harder)} look harder than {'it is' if harder == 1 else 'they are'} and "
        f"{_count(easier)} easier, throughout"
    )
    sure = table[table["verdict"].isin(["harder", "easier"])]
    if sure.empty:
        return f"{start}."
    # As far from 1 as the nearer end of its range.
    ends = sure[["bias_low", "bias_high"]]
    far = (ends.where(ends >= 1.0, 1.0 / ends).min(axis=1)).rename("far")
    return f"{start}; farthest off is {_named(widest(sure.assign(far=far), 'far'))}."


def _count(number: int) -> str:
    return f"{number:,}" if number else "none"


def _turns(table: pd.DataFrame) -> str:
    turning = table[table["verdict"] == "turns"]
    if turning.empty:
        among = " that the limb supports" if (table["verdict"] == LIMITED).any() else ""
        return (
            f"No bias{among} changes sides between people, treatments or definitions of strength."
        )
    shares = [
        f"{count:,} with {words}"
        for name, words in _CAUSES.items()
        if (count := sum(name in cell.split("; ") for cell in turning["turns_with"]))
    ]
    told = f": {joined(shares)}" if shares else ""
    size = (turning["bias_high"] / turning["bias_low"]).rename("size")
    return (
        f"{counted(len(turning), 'pair')} {'changes' if len(turning) == 1 else 'change'} sides"
        f"{told}; widest is {_named(widest(turning.assign(size=size), 'size'))}."
    )


def _too_weak(utilisation: pd.DataFrame) -> str:
    """State where the task demands more than the strength in its own posture; empty if nowhere."""
    name = "utilisation_here"
    if name not in utilisation:
        return ""
    # The treatment of the lateral force that the summary shows.
    keys = [c for c in ("condition", "lateral", "direction") if c in utilisation]
    if "lateral" in keys:
        first = utilisation.groupby("condition", sort=False)["lateral"].transform("first")
        utilisation = utilisation[utilisation["lateral"] == first]
    # The higher strength of the two definitions, so that the lower one is not held against it.
    both = [*(["person"] if "person" in utilisation else []), *keys]
    least = utilisation.groupby(both, sort=False, as_index=False)[name].min()
    mean = least.groupby(keys, sort=False, as_index=False)[name].mean()
    over = mean[mean[name] > 1.0]
    if over.empty:
        return ""
    worst = widest(over, name)
    under = f", lateral force {worst['lateral']}" if "lateral" in keys else ""
    return (
        f"in {counted(len(over), 'pair')} the moment is above the strength in the task's own "
        f"posture, most in {DIRECTIONS[str(worst['direction'])].words} in '{worst['condition']}' "
        f"({worst[name]:.2f} times, mean over people{under}): the limb is too weak "
        "for what was lifted or is planned"
    )


def _unsaid(
    utilisation: pd.DataFrame,
    published: pd.DataFrame,
    refusals: Sequence[str],
    beyond: pd.DataFrame,
) -> str:
    parts = []
    if len(beyond):
        parts.append(beyond_limb(beyond.to_dict(orient="records"), "pair"))
    if text := _too_weak(utilisation):
        parts.append(text)
    lost = int(utilisation[_BIAS].isna().sum())
    if lost:
        parts.append(
            f"{counted(lost, 'row')} of the table {'has' if lost == 1 else 'have'} no bias"
        )
    if refusals:
        parts.append(f"{counted(len(refusals), 'case')} could not be performed")
    if len(published):
        missed = int((~published["right"].astype(bool)).sum())
        parts.append(
            f"the limb misses {missed:,} of {counted(len(published), 'published row')} on strength "
            "in these directions"
        )
    parts.append("the size of a strength is that of a model, not of the people tested")
    return sentence(parts)

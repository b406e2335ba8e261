"""Opening of an explanation: its answer, what changes it, and what it does not support."""

from __future__ import annotations

from typing import TYPE_CHECKING

from momentshare.report.text.opening import ANSWER, MOVES, Opening, counted, sentence, widest
from momentshare.text import head_phrase

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

__all__ = ["explain_opening", "heads_moves", "heads_opening", "unsaid_of_heads"]


def explain_opening(
    answer: str,
    turns: str,
    published: pd.DataFrame,
    keys: Sequence[str],
    second: str = MOVES,
    short: Sequence[str] = (),
) -> Opening:
    """Open with an answer.

    Parameters
    ----------
    answer : str
        The answer in two sentences.
    turns : str
        What moves it.
    published : DataFrame
        Published rows on the heads, with ``right``.
    keys : sequence of str
        Limits of the limb that concern the answer.
    second : str
        Words before what moves it.
    short : sequence of str
        What falls short, see :func:`momentshare.explain.short.short_text`.
    """
    unsaid = unsaid_of_heads(published, keys, short)
    return Opening(firm=answer, turns=turns, unsaid=unsaid, word=ANSWER, second=second)


def heads_moves(along: pd.DataFrame, heads: Sequence[str], height: float) -> str:
    """State how far the activation of heads varies with the lateral force and along the lift.

    Parameters
    ----------
    along : DataFrame
        ``head``, ``lateral``, ``height_fraction`` and ``activation``, a row per frame at least.
    heads : sequence of str
    height : float
        Height that is explained, as a fraction.
    """
    modes = list(dict.fromkeys(along.loc[along["head"].isin(list(heads)), "lateral"]))
    runs, sentences = [], []
    for head in heads:
        mine, name = along[along["head"] == head], head_phrase(head)
        low, high = 100 * mine["activation"].min(), 100 * mine["activation"].max()
        runs.append(f"{name} runs from {low:.0f} to {high:.0f} %")
        near = (mine["height_fraction"] - height).abs()
        here = mine[near == near.min()].groupby("lateral", sort=False)["activation"].first()
        listed = ", ".join(f"{100 * value:.0f} % ({mode})" for mode, value in here.items())
        sentences.append(
            f"At this height the treatments of the lateral force give {name} {listed}; along the "
            f"lift it runs from {low:.0f} to {high:.0f} %."
        )
    if len(modes) > 1:
        return " ".join(sentences)
    return (
        f"One treatment of the lateral force was solved ({modes[0]}); along the lift "
        f"{' and '.join(runs)}."
    )


def unsaid_of_heads(published: pd.DataFrame, keys: Sequence[str], short: Sequence[str] = ()) -> str:
    """State what the limb cannot meet, and does not support, in an answer about heads."""
    parts = [text for text in short if text]
    if len(published):
        missed = int((~published["right"].astype(bool)).sum())
        parts.append(
            f"the limb misses {missed:,} of {counted(len(published), 'published row')} on these "
            "heads"
        )
    else:
        parts.append("no published row concerns these heads")
    if keys:
        one = len(keys) == 1
        parts.append(
            f"limit{'' if one else 's'} {', '.join(keys)} concern{'s' if one else ''} the answer"
        )
    parts.append("the size of a force is uncertain by tens of percent")
    return sentence(parts)


def heads_opening(table: pd.DataFrame, short: str = "") -> Opening:
    """Open a table of all heads at one height.

    Parameters
    ----------
    table : DataFrame
        ``head``, ``activation``, ``force_n``, ``limit``.
    short : str
        What falls short, see :func:`momentshare.explain.short.short_text`.
    """
    supported = table[table["limit"] == ""]
    top = widest(supported if len(supported) else table, "force_n")
    among = "of those that the limb supports, " if len(supported) else ""
    working = int((table["activation"] > 0.05).sum())
    limited = int((table["limit"] != "").sum())
    unsaid = ["the size of a force is uncertain by tens of percent"]
    if limited:
        are = "is" if limited == 1 else "are"
        unsaid.insert(0, f"{counted(limited, 'head')} {are} beyond what this limb supports")
    unsaid = [short, *unsaid] if short else unsaid
    return Opening(
        firm=(
            f"{working:,} of {counted(len(table), 'head')} {'is' if working == 1 else 'are'} above "
            f"5 % here; {among}{head_phrase(str(top['head']))} pulls hardest, at "
            f"{100 * top['activation']:.0f} %."
        ),
        turns="Only this height and treatment were examined; name a head to have it explained.",
        unsaid=sentence(unsaid),
        word=ANSWER,
        second=MOVES,
    )

"""Scores of the comparison: numbers, orders and senses separately, with those of the null limb.

Only rows of use ``validation`` are scored. Rows from a source that the limb has used, in its fit
or for a number of its model, are scored separately: another posture of a fitted study is not an
independent test. A row that nine of ten null limbs get right says nothing when the limb gets it
right too; it is scored separately from the rows that distinguish a limb from its null, and a miss
there, where almost any limb is right, is the worst of all.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from momentshare.text import percent_text

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pandas as pd

__all__ = [
    "AS_OFTEN",
    "GROUPS",
    "KIND_NAMES",
    "Score",
    "markdown_table",
    "score_rows",
    "scores",
    "scores_by_source",
    "scores_markdown",
]

AS_OFTEN = 0.9
"""Share of null limbs from which a row is uninformative for a limb that is right; assumed."""

KIND_NAMES = {"number": "numbers", "order": "orders", "sense": "senses"}
"""Kind of a row → name of its score."""

GROUPS = (("other sources", False), ("sources the limb also used", True))


@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    """How many rows of one kind the limb gets right.

    Attributes
    ----------
    group : str
        ``other sources``, or ``sources the limb also used``.
    kind : str
        ``numbers``, ``orders`` or ``senses``.
    rows, right : int
    null : float
        Mean share of null limbs that are right; NaN without draws.
    telling, telling_right : int
        Rows that fewer than nine of ten null limbs get right, and how many the limb does.
    telling_null : float
        Mean share of null limbs that are right on those.
    within : int
        Numbers within 20 % of the published value, whatever their band; zero for orders and senses.
    """

    group: str
    kind: str
    rows: int
    right: int
    null: float
    telling: int
    telling_right: int
    telling_null: float
    within: int


def scores(table: pd.DataFrame) -> tuple[Score, ...]:
    """Score a validation table; kinds and groups without rows are left out."""
    judged = table[table["use"] == "validation"]
    out = []
    for group, shared in GROUPS:
        for kind, name in KIND_NAMES.items():
            part = judged[(judged["kind"] == kind) & (judged["source_used"] == shared)]
            if part.empty:
                continue
            telling = part[part["telling"]]
            out.append(
                Score(
                    group=group,
                    kind=name,
                    rows=len(part),
                    right=int(part["right"].sum()),
                    null=_mean(part["null_right"]),
                    telling=len(telling),
                    telling_right=int(telling["right"].sum()),
                    telling_null=_mean(telling["null_right"]),
                    within=int((part["relative_error"] <= 0.2).sum()) if kind == "number" else 0,
                )
            )
    return tuple(out)


def scores_by_source(table: pd.DataFrame) -> pd.DataFrame:
    """Count right rows of validation source by source and quantity by quantity.

    Returns
    -------
    DataFrame
        ``source``, ``quantity``, ``kind``, ``source_used``, ``rows``, ``right``, ``null_right``
        (mean share of null limbs that are right).
    """
    judged = table[table["use"] == "validation"].copy()
    judged["quantity"] = judged["quantity"].str.split(":").str[0]
    by = ["source", "quantity", "kind", "source_used"]
    found = judged.groupby(by, sort=True).agg(
        rows=("right", "size"), right=("right", "sum"), null_right=("null_right", "mean")
    )
    return found.reset_index()


def score_rows(found: Sequence[Score]) -> list[dict[str, str]]:
    """Return scores as rows of text, the same for a screen and a page."""
    return [
        {
            "sources": s.group,
            "judged": s.kind,
            "right": f"{s.right} of {s.rows} ({percent_text(s.right / s.rows)})",
            "within 20 %": f"{s.within} of {s.rows}" if s.kind == "numbers" else "–",
            "null limb": percent_text(s.null),
            "right where it tells": (
                f"{s.telling_right} of {s.telling}"
                + (f" ({percent_text(s.telling_right / s.telling)})" if s.telling else "")
            ),
            "null limb there": percent_text(s.telling_null),
        }
        for s in found
    ]


def scores_markdown(found: Sequence[Score]) -> str:
    """Return the scores as a Markdown table."""
    rows = score_rows(found)
    if not rows:
        return "No row of validation.\n"
    return markdown_table(rows)


def markdown_table(rows: Sequence[Mapping[str, str]]) -> str:
    """Return rows of text, of which there must be one, as a Markdown table."""
    lines = [f"| {' | '.join(rows[0])} |", "|" + "---|" * len(rows[0])]
    lines += [f"| {' | '.join(row.values())} |" for row in rows]
    return "\n".join(lines) + "\n"


def _mean(values: pd.Series[float]) -> float:
    return float(values.mean()) if len(values) else float("nan")

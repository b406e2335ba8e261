"""The whole explanation of a head, paragraph by paragraph."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from momentshare.explain.along import along_text, sign_text
from momentshare.explain.comparison import comparison_text, coupling_text
from momentshare.explain.phrases import capital, percent
from momentshare.explain.sentences import (
    bound_text,
    capacity_text,
    case_text,
    drive_text,
    fibre_text,
    moments_text,
)
from momentshare.sharing import Status
from momentshare.text import head_phrase, signed_number

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd

    from momentshare.explain.counterfactual import Counterfactuals
    from momentshare.explain.head import HeadExplanation

__all__ = ["Told", "explanation_parts", "explanation_text"]


@dataclass(frozen=True, slots=True)
class Told:
    """A paragraph, and what stands for it where tables of drive and changes are beside it.

    ``beside_tables`` is the paragraph itself, a shorter one, or nothing.
    """

    text: str
    beside_tables: str


def _same(text: str) -> Told:
    return Told(text, text)


def _by_treatment(text: str, alongs: Mapping[str, pd.DataFrame]) -> Told:
    """Leave out of one treatment what its course along the lift has said."""
    return Told(text, text if len(alongs) > 1 else "")


def explanation_text(
    found: HeadExplanation,
    changes: Counterfactuals,
    *,
    title: str = "",
    note: str = "",
    other: HeadExplanation | None = None,
    other_changes: Counterfactuals | None = None,
    alongs: Mapping[str, pd.DataFrame] | None = None,
    other_alongs: Mapping[str, pd.DataFrame] | None = None,
) -> tuple[str, ...]:
    """Explain in paragraphs.

    Parameters
    ----------
    found : HeadExplanation
    changes : Counterfactuals
        Of the same head and frame.
    title : str
        Person and subject, for the first line.
    note : str
        Why this height, for the first line.
    other : HeadExplanation, optional
        A second head of the same frame, compared with the first.
    other_changes : Counterfactuals, optional
        Counterfactuals of the second head.
    alongs, other_alongs : mapping, optional
        Treatment of the lateral force → table of :func:`explain_along`, for each head.

    Returns
    -------
    tuple of str
        One paragraph each.

    Examples
    --------
    >>> from momentshare import (
    ...     counterfactuals, explain_head, explanation_text, frame_problem, run_study
    ... )
    >>> from momentshare.demo import small_study
    >>> lift = run_study(small_study(), band=False).cases[0].results[0]
    >>> found = explain_head(lift, "triceps_brachii/lateral", frame=2)
    >>> changes = counterfactuals(frame_problem(lift, 2), "triceps_brachii/lateral")
    >>> text = explanation_text(found, changes, title="Ada, narrow")
    >>> len(text) > 3, all(isinstance(paragraph, str) for paragraph in text)
    (True, True)
    """
    parts = explanation_parts(
        found,
        changes,
        title=title,
        note=note,
        other=other,
        other_changes=other_changes,
        alongs=alongs,
        other_alongs=other_alongs,
    )
    return tuple(part.text for part in parts if part.text)


def explanation_parts(
    found: HeadExplanation,
    changes: Counterfactuals,
    *,
    title: str = "",
    note: str = "",
    other: HeadExplanation | None = None,
    other_changes: Counterfactuals | None = None,
    alongs: Mapping[str, pd.DataFrame] | None = None,
    other_alongs: Mapping[str, pd.DataFrame] | None = None,
) -> tuple[Told, ...]:
    """Explain in paragraphs, each with what stands for it beside tables.

    Parameters are those of :func:`explanation_text`.
    """
    place = (
        f"at {percent(found.height_fraction)} of the bar height (frame {found.frame}), "
        f"lateral force {found.lateral_mode} ({signed_number(found.lateral_force, 0)} N, ratio "
        f"{signed_number(found.lateral_ratio, 2)})"
    )
    if note:
        place = f"{place}; {note}"
    head = head_phrase(found.head)
    out = [_same(f"{f'{title}, {head}' if title else capital(head)} {place}.")]
    status = Status(int(found.sharing.status))
    if status == Status.SHORTFALL:
        out.append(
            _same(
                "The moment cannot be met here; multipliers and parts are those of the answer that "
                "comes nearest, and their size then says little."
            )
        )
    elif status != Status.SOLVED:
        out.append(_same(f"This frame is {status.name.lower()}: {status.meaning}."))
    out += [
        Told(capacity_text(found), fibre_text(found)),
        Told(drive_text(found), bound_text(found)),
        _same(moments_text(found)),
    ]
    if other is not None:
        compared = f"For comparison, {head_phrase(other.head)}."
        out += [
            Told(f"{compared} {capacity_text(other)}", f"{compared} {fibre_text(other)}"),
            Told(drive_text(other), bound_text(other)),
            _same(comparison_text(found, changes, other)),
        ]
        if other_changes is not None:
            for joint in other.problem.crosses(other.index):
                if joint not in found.problem.crosses(found.index):
                    out.append(_same(coupling_text(other, other_changes, found, joint)))
    out += [Told(case_text(changes, case), "") for case in changes.told[1:]]
    if alongs is not None:
        out.append(
            _same(along_text(found.head, alongs, other.head if other else None, other_alongs))
        )
        out.append(_by_treatment(sign_text(found.head, alongs, found.frame), alongs))
        if other is not None and other_alongs is not None:
            out.append(_same(along_text(other.head, other_alongs)))
            out.append(
                _by_treatment(sign_text(other.head, other_alongs, other.frame), other_alongs)
            )
    return tuple(out)

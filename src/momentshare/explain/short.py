"""What the limb cannot meet in a frame that is explained."""

from __future__ import annotations

from typing import TYPE_CHECKING

from momentshare.explain.phrases import capital, direction
from momentshare.sharing import Status

if TYPE_CHECKING:
    from momentshare.explain.head import HeadExplanation

__all__ = ["short_sentences", "short_text"]

_WORTH_SAYING = 0.05
"""Unmet moment that a text names [N·m]: it would not be shown as zero."""


def short_text(found: HeadExplanation, name: str = "") -> str:
    """State which moments fall short, and what that makes of activations; empty if all are met.

    ``name`` is that of the condition, where there are two.
    """
    if found.sharing.status != Status.SHORTFALL:
        return ""
    unmet = zip(found.problem.row_names, found.sharing.unmet, strict=True)
    rows = [
        f"{direction(row, float(value))} by {abs(float(value)):.1f} N·m"
        for row, value in sorted(unmet, key=lambda pair: -abs(float(pair[1])))
        if abs(float(value)) >= _WORTH_SAYING
    ]
    if not rows:
        return ""
    where = f"in '{name}'" if name else "here"
    return (
        f"{where} the limb is too weak for {', '.join(rows)}, so activations are what it can "
        "supply, not what the task demands"
    )


def short_sentences(found: HeadExplanation, name: str = "") -> list[str]:
    """Return :func:`short_text` as a sentence, or none."""
    text = short_text(found, name)
    return [f"{capital(text)}."] if text else []

"""What drives a head along a whole lift, in sentences."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from momentshare.explain.phrases import NOTHING, number_sign, percent, signed
from momentshare.text import head_phrase

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pandas as pd


__all__ = ["along_text", "sign_runs", "sign_text"]


def sign_runs(fraction: Sequence[float], values: Sequence[float]) -> list[tuple[int, float, float]]:
    """Find runs of constant sign along a lift: sign, first and last height fraction.

    Examples
    --------
    >>> sign_runs([0.0, 0.5, 1.0], [-0.2, -0.1, 0.3])
    [(-1, 0.0, 0.5), (1, 1.0, 1.0)]
    """
    runs: list[tuple[int, float, float]] = []
    for at, value in zip(fraction, values, strict=True):
        if not math.isfinite(value):
            continue
        sign = number_sign(value)
        if runs and runs[-1][0] == sign:
            runs[-1] = (sign, runs[-1][1], at)
        else:
            runs.append((sign, at, at))
    return runs


def _runs_text(
    fraction: Sequence[float], values: Sequence[float], words: tuple[str, str, str]
) -> str:
    """Describe the runs; ``words`` are for positive, negative and zero."""
    parts = []
    for sign, first, last in sign_runs(fraction, values):
        word = {1: words[0], -1: words[1], 0: words[2]}[sign]
        if first == last:
            parts.append(f"{word} at {percent(first)}")
        else:
            parts.append(f"{word} at heights of {100.0 * first:.0f} to {percent(last)}")
    return ", ".join(parts) if parts else "no frame can be reached"


def along_text(
    head: str,
    alongs: Mapping[str, pd.DataFrame],
    against: str | None = None,
    others: Mapping[str, pd.DataFrame] | None = None,
) -> str:
    """State for the whole lift, by treatment of the lateral force, when signs change.

    Parameters
    ----------
    head : str
    alongs : mapping
        Treatment of the lateral force → table of :func:`explain_along`.
    against : str, optional
        A second head.
    others : mapping, optional
        Its tables.
    """
    lines = []
    for mode, table in alongs.items():
        fraction = list(table["height_fraction"])
        joints = [
            name.removeprefix("part_")
            for name in table.columns
            if name.startswith("part_") and "_" not in name.removeprefix("part_")
        ]
        said = []
        for joint in joints:
            values = table[f"part_{joint}"]
            if (values.abs().max() or 0.0) < NOTHING:
                continue
            runs = _runs_text(fraction, list(values), ("adds", "takes", "gives nothing"))
            said.append(f"the {joint} {runs}")
        if not said:
            said.append("no joint drives it")
        text = f"Lateral force {mode}: " + "; ".join(said) + "."
        if against is not None and others is not None:
            gap = table["activation"] - others[mode]["activation"]
            runs = _runs_text(fraction, list(gap), ("higher", "lower", "level"))
            text += f" Activation of {head_phrase(head)} against {head_phrase(against)}: {runs}."
        lines.append(text)
    return f"Along the lift, {head_phrase(head)}. " + " ".join(lines)


def sign_text(head: str, alongs: Mapping[str, pd.DataFrame], frame: int) -> str:
    """State whether the effect of a joint depends on bar height and on the lateral force.

    Parameters
    ----------
    head : str
    alongs : mapping
        Treatment of the lateral force → table of :func:`explain_along`.
    frame : int
        Frame at which the treatments are compared.
    """
    first = next(iter(alongs.values()))
    lines = []
    for name in first.columns:
        joint = name.removeprefix("part_")
        if joint == name or "_" in joint:
            continue
        here = {mode: float(table[name].iloc[frame]) for mode, table in alongs.items()}
        if all(
            number_sign(value) == 0 for table in alongs.values() for value in table[name].dropna()
        ):
            continue
        turning = [
            mode
            for mode, table in alongs.items()
            if len({number_sign(value) for value in table[name].dropna()} - {0}) > 1
        ]
        kinds = {number_sign(value) for value in here.values()}
        if kinds == {0} and not turning:
            continue  # it has no sign here, and one only where it has any
        values = ", ".join(f"{mode} {signed(value)}" for mode, value in here.items())
        text = f"Part of the {joint} at this height by lateral force: {values}"
        if len(here) > 1 and kinds != {0}:
            text += "; its sign " + (
                "depends on the lateral force here" if len(kinds) > 1
                else "is the same for all of them here"
            )  # fmt: skip
        text += ". " + (
            f"Its sign changes with bar height (lateral force {', '.join(turning)})."
            if turning
            else "Its sign does not change with bar height."
        )
        lines.append(text)
    return f"What decides the sign for {head_phrase(head)}. " + " ".join(lines) if lines else ""

"""At which heights of a lift the limb does not support what is said about heads."""

from __future__ import annotations

from typing import TYPE_CHECKING

from momentshare.explain.phrases import listed
from momentshare.limits import PARTS, height_third, keys_text
from momentshare.text import head_phrase

if TYPE_CHECKING:
    from collections.abc import Sequence

    from momentshare.limits import LiftKind, Limits

__all__ = ["head_keys", "limit_words", "limited_heights_texts"]


def head_keys(
    limits: Limits,
    head: str,
    height: float,
    kinds: Sequence[LiftKind],
    lateral: str = "",
    claim: str = "size",
) -> str:
    """Keys of the limits that concern activation and force of a head at a height.

    Parameters
    ----------
    limits : Limits
    head : str
    height : float
        Fraction, 0 chest to 1 lock-out.
    kinds : sequence of LiftKind
        The lift, or the two that are compared.
    lateral : str
        Treatment of the lateral force.
    claim : {"size", "order"}
        Whether the number is told as it is or compared with another condition.
    """
    part = height_third(height)
    return keys_text(
        limits.at(
            "activation", "force", head=head, kinds=kinds, part=part, claim=claim, lateral=lateral
        )
    )


def limit_words(keys: str) -> str:
    """Put keys of limits behind a number or a name; empty where there are none.

    Examples
    --------
    >>> limit_words("L4 L10"), limit_words("")
    (' (limit L4, L10)', '')
    """
    return f" (limit {', '.join(keys.split())})" if keys else ""


def limited_heights_texts(
    limits: Limits,
    heads: Sequence[str],
    heights: Sequence[float],
    kinds: Sequence[LiftKind],
    laterals: Sequence[str],
    claim: str = "size",
) -> tuple[str, ...]:
    """Say which limits concern some heights of a lift and not the others.

    Parameters
    ----------
    limits : Limits
    heads : sequence of str
    heights : sequence of float
        Fractions of the frames in ascending order.
    kinds, claim
        As for :func:`head_keys`.
    laterals : sequence of str
        Treatments of the lateral force that are told.

    Returns
    -------
    tuple of str
        One sentence per limit and stretch; none for limits of whole lifts, which are told wherever
        a head is named.
    """
    found: dict[tuple[str, str], dict[str, None]] = {}
    modes: dict[tuple[str, str], dict[str, None]] = {}
    for head in heads:
        for mode in laterals:
            for key, parts in _parts(limits, head, kinds, mode, claim).items():
                stretch = _stretch(heights, parts)
                if len(parts) < len(PARTS) and stretch:
                    found.setdefault((key, stretch), {})[head] = None
                    modes.setdefault((key, stretch), {})[mode] = None
    return tuple(
        f"Limit {key} ({limits.of(key)[0].title}) concerns {listed(list(map(head_phrase, named)))} "
        f"at {stretch} of the bar height{_under(modes[key, stretch], laterals)}."
        for (key, stretch), named in found.items()
    )


def _parts(
    limits: Limits, head: str, kinds: Sequence[LiftKind], mode: str, claim: str
) -> dict[str, list[str]]:
    """Key → thirds of the bar height in which it concerns a head."""
    out: dict[str, list[str]] = {}
    for part in PARTS:
        own = limits.at(
            "activation", "force", head=head, kinds=kinds, part=part, claim=claim, lateral=mode
        )
        for key in keys_text(own).split():
            out.setdefault(key, []).append(part)
    return out


def _stretch(heights: Sequence[float], parts: Sequence[str]) -> str:
    """First and last height in these thirds, run by run."""
    runs: list[list[float]] = []
    going = False
    for height in heights:
        inside = height_third(height) in parts
        if inside and going:
            runs[-1].append(height)
        elif inside:
            runs.append([height])
        going = inside
    ends = [tuple(dict.fromkeys(f"{100.0 * x:.0f}" for x in (run[0], run[-1]))) for run in runs]
    return " and ".join(f"{' to '.join(two)} %" for two in ends)


def _under(modes: dict[str, None], laterals: Sequence[str]) -> str:
    if len(modes) == len(set(laterals)):
        return ""
    return f", lateral force {listed(list(modes))}"

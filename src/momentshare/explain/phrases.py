"""Names, numbers and verbs of an explanation; every verb follows the sign of its number."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from momentshare.directions import ROWS, moment_direction
from momentshare.explain.counterfactual import NO_JOINT
from momentshare.explain.glenoid import GLENOID
from momentshare.text import signed_number

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence


__all__ = [
    "NOTHING",
    "capital",
    "case_label",
    "direction",
    "facet_phrase",
    "group_phrase",
    "listed",
    "number_sign",
    "percent",
    "signed",
    "verb_for",
]

NOTHING = 5e-4
"""Parts and changes of activation below this print as 0.000 and are described as nothing."""


def group_phrase(group: str) -> str:
    """Spell out a strength group.

    Examples
    --------
    >>> group_phrase("shoulder_flexors_adductors"), group_phrase("rotator_cuff")
    ('shoulder flexors and adductors', 'rotator cuff')
    """
    return group.replace("s_a", "s_and_a").replace("_", " ")


def direction(row: str, sign: float, *, alone: bool = True) -> str:
    """Name the direction of a signed moment; not ``alone`` if the joint has been named."""
    if row in ROWS:
        found = moment_direction(row, sign)
        return found.words if alone else found.noun
    plain = row.replace("_", " ")  # a row of a problem that does not come from this limb
    return plain if sign >= 0.0 else f"the opposite of {plain}"


def signed(value: float) -> str:
    """Write a number with its sign and three decimals, or three digits if it is large."""
    return signed_number(value, 3) if abs(value) < 100.0 else f"{value:+.3g}"


def verb_for(value: float, positive: str, negative: str, none: str) -> str:
    """Choose the verb that matches the sign of a number."""
    if abs(value) < NOTHING:
        return none
    return positive if value > 0.0 else negative


def percent(fraction: float) -> str:
    """Write a fraction as a whole per cent."""
    return f"{100.0 * fraction:.0f} %"


def case_label(case: str, twin_of: Mapping[str, str] | None = None) -> str:
    """Describe a counterfactual."""
    kept = (twin_of or {}).get(case)
    if case.startswith("no_arm_"):
        twin = f" (one-joint twin, {kept} only)" if kept else ""
        if kept == NO_JOINT:
            twin = " (it then acts on no joint)"
        return f"no moment arm at the {case.removeprefix('no_arm_')}{twin}"
    if case.startswith("only_"):
        return f"one-joint twin, {case.removeprefix('only_')} only"
    return {
        "as_it_is": "as it is",
        "best_length": "at peak fibre length",
        "twice_the_area": "twice the area",
        "removed": "head removed",
    }.get(case, case.replace("_", " "))


def facet_phrase(name: str) -> str:
    """Spell out a facet of the limit of the glenoid.

    Examples
    --------
    >>> facet_phrase("glenoid_posterior_superior_2")
    'posterior-superior side (facet 2)'
    """
    word, _, number = name.removeprefix(f"{GLENOID}_").partition("_")
    rest, _, last = number.rpartition("_") if number[-1:].isdigit() else (number, "", "")
    whole = "-".join(part for part in (word, rest) if part)
    return f"{whole} side" + (f" (facet {last})" if last else "")


def capital(text: str) -> str:
    """Capitalise a sentence."""
    return text[:1].upper() + text[1:]


def listed(items: Sequence[str]) -> str:
    """Join items as in a sentence.

    Examples
    --------
    >>> listed(["a"]), listed(["a", "b", "c"])
    ('a', 'a, b and c')
    """
    return " and ".join(part for part in (", ".join(items[:-1]), items[-1]) if part)


def number_sign(value: float) -> int:
    """Sign of a number as printed: zero where it prints as nothing."""
    return 0 if abs(value) < NOTHING else int(math.copysign(1, value))

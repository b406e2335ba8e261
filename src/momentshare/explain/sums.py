"""The sum of a head with every factor printed, so that a pocket calculator confirms it.

Each number is printed with enough digits for the product and the sum of the printed values to give
the printed result to its last digit.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from momentshare.explain.phrases import capital, direction, facet_phrase

if TYPE_CHECKING:
    from momentshare.explain.head import HeadExplanation

__all__ = ["capacity_sum", "drive_sum", "sum_lines"]


def sum_lines(found: HeadExplanation, name: str = "") -> tuple[str, ...]:
    """Write capacity and activation of a head as sums, one line each.

    Parameters
    ----------
    found : HeadExplanation
    name : str
        Name of the frame, at the start of each line.
    """
    if not name:
        return capital(capacity_sum(found)), capital(drive_sum(found))
    return f"{name}: {capacity_sum(found)}", f"{name}: {drive_sum(found)}"


def _number(value: float) -> str:
    """Six significant digits, without a power of ten."""
    return np.format_float_positional(value, precision=6, fractional=False, trim="-")


def _factor(value: float) -> str:
    """Put a negative factor in brackets."""
    return f"({_number(value)})" if value < 0.0 else _number(value)


def capacity_sum(found: HeadExplanation) -> str:
    """Write the capacity here as a product of all its factors."""
    f = found.factors
    if f.slack:
        return "capacity here = 0 N (the path is no longer than the tendon)"
    return (
        f"capacity here = {_number(1e6 * f.volume)} cm³ (volume) "
        f"÷ {_number(100.0 * f.peak_fibre_length)} cm (peak fibre length) "
        f"× {_number(1e-4 * f.specific_tension)} N/cm² (specific tension) "
        f"× {_number(f.strength_factor)} (strength factor) "
        f"× {_number(f.length_factor)} (length) × {_number(f.velocity_factor)} (velocity) "
        f"× {_number(f.cosine)} (fibre angle) = {f.capacity:.1f} N"
    )


def drive_sum(found: HeadExplanation) -> str:
    """Write the activation as capacity × sum of multiplier × arm, with ½, weight and bounds."""
    split = found.split
    terms = [
        f"{_factor(price)} × {_factor(arm)} ({direction(row, 1.0)})"
        for row, price, arm in zip(
            split.row_names, split.multiplier.tolist(), split.moment_arm.tolist(), strict=True
        )
        if arm != 0.0
    ]
    whole = " + ".join(terms) if terms else "0"
    for k in split.facets:
        whole += (
            f" \N{MINUS SIGN} {_factor(float(split.price[k]))} × {_factor(float(split.slope[k]))} "
            f"(glenoid, {facet_phrase(split.facet_names[k]).replace(' (', ', ').rstrip(')')})"
        )
    p = split.exponent
    front = f"{found.factors.capacity:.1f} N × [{whole}] 1/N ÷ {_number(split.weight)} (weight)"
    if math.isinf(p):
        return (
            f"part in the price of the greatest level = {front} = {split.total:+.3f}; under "
            f"min–max the head works at {split.activation:.3f}"
        )
    if p == 2.0:
        text = f"activation = ½ × {front} = {split.total:+.3f}"
    else:
        text = (
            f"activation to the power {p - 1.0:g} = 1 ÷ {p:g} × {front} = {split.total:+.3f}; "
            f"activation before the bounds {split.before_bounds:+.3f}"
        )
    if split.bound == "zero":
        return f"{text}; a muscle cannot push, so it rests at {split.activation:.3f}"
    if split.bound == "one":
        return f"{text}; held at {split.activation:.3f}"
    return text

"""Conversion at the interface: files use mm, degrees and kilograms, the library uses SI.

Every unit that a model or study file may use is in :data:`FACTORS`; anything else is refused by
name, so that a mistake such as ``cm`` for ``mm`` cannot pass as a new unit.
"""

from __future__ import annotations

import math

__all__ = ["FACTORS", "GRAVITY", "in_kg", "to_si"]

GRAVITY = 9.80665
"""Standard acceleration of free fall [m/s²] (CGPM 1901, exact by convention)."""

FACTORS: dict[str, tuple[str, float]] = {
    "1": ("number", 1.0),
    "m": ("length", 1.0),
    "cm": ("length", 1e-2),
    "mm": ("length", 1e-3),
    "rad": ("angle", 1.0),
    "deg": ("angle", math.pi / 180.0),
    "kg": ("mass", 1.0),
    "g": ("mass", 1e-3),
    "s": ("time", 1.0),
    "cm3": ("volume", 1e-6),
    "m3": ("volume", 1.0),
    "N": ("force", 1.0),
    "N*m": ("moment", 1.0),
    "N/cm2": ("stress", 1e4),
    "kg/m3": ("density", 1.0),
    "1/s": ("rate", 1.0),
    "mm/mm": ("number", 1.0),
}
"""Unit → (dimension, factor to SI)."""


def in_kg(load: float) -> str:
    """Write a load in kilograms: whole from ten on, with one decimal below.

    Examples
    --------
    >>> in_kg(50.6), in_kg(5.26)
    ('51', '5.3')
    """
    return f"{load:.0f}" if round(abs(load), 1) >= 10.0 else f"{load:.1f}"


def to_si(value: float, unit: str, dimension: str) -> float:
    """Return ``value`` in SI; raise ``ValueError`` if the unit does not fit."""
    if unit not in FACTORS:
        raise ValueError(f"unknown unit {unit!r}; known: {', '.join(FACTORS)}")
    got, factor = FACTORS[unit]
    if got != dimension:
        fitting = ", ".join(u for u, (d, _) in FACTORS.items() if d == dimension)
        raise ValueError(f"unit {unit!r} measures {got}; must measure {dimension} ({fitting})")
    return value * factor

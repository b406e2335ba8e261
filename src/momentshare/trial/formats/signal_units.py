"""Units of the kinds of signal, as files write them."""

from __future__ import annotations

import math

__all__ = ["KINDS", "SI", "known_units", "of_another_kind", "unit_factor"]

SI: dict[str, str] = {"markers": "m", "forces": "N", "angles": "rad", "emg": "V", "time": "s"}
"""Kind of signal → SI unit."""

KINDS = ("markers", "forces", "angles", "emg")

_FACTORS: dict[str, dict[str, float]] = {
    "markers": {"mm": 1e-3, "cm": 1e-2, "m": 1.0},
    "forces": {"N": 1.0, "kN": 1e3},
    "angles": {"deg": math.pi / 180.0, "rad": 1.0},
    # The micro sign and the Greek letter look alike; files hold both.
    "emg": {"V": 1.0, "mV": 1e-3, "uV": 1e-6, "\u00b5V": 1e-6, "\u03bcV": 1e-6},
    "time": {"s": 1.0, "ms": 1e-3},
}

_WRITTEN_OUT = {
    "markers": {"millimeter": "mm", "millimetre": "mm", "centimeter": "cm", "centimetre": "cm"}
    | {"meter": "m", "metre": "m", "mm": "mm", "cm": "cm"},
    "forces": {"newton": "N", "n": "N", "kilonewton": "kN", "kn": "kN"},
    "angles": {"degree": "deg", "radian": "rad", "deg": "deg", "rad": "rad", "\u00b0": "deg"},
    "emg": {"volt": "V", "millivolt": "mV", "microvolt": "uV"},
    "time": {"second": "s", "sec": "s", "millisecond": "ms", "msec": "ms"},
}
"""Words for units, small and singular, of each kind."""


def unit_factor(kind: str, unit: str) -> float | None:
    """Return what one ``unit`` is in SI, or ``None`` when the unit is not known for the kind.

    Examples
    --------
    >>> unit_factor("markers", "mm"), unit_factor("forces", "Newtons"), unit_factor("emg", "N")
    (0.001, 1.0, None)
    """
    bare = unit.strip()
    factors = _FACTORS[kind]
    if bare in factors:
        return factors[bare]
    word = bare.casefold()
    words = _WRITTEN_OUT[kind]
    known = words.get(word) or words.get(word.removesuffix("s"))
    return None if known is None else factors[known]


def known_units(kind: str) -> tuple[str, ...]:
    """Units of a kind."""
    return tuple(_FACTORS[kind])


def of_another_kind(kind: str, unit: str) -> bool:
    """Whether a unit measures something else, as volts do where a force is expected."""
    return any(unit_factor(other, unit) is not None for other in _FACTORS if other != kind)

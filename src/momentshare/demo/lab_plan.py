"""What the invented laboratory measured: trials, loads, electrodes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from momentshare.study.schema import PersonEntry


__all__ = [
    "BROKEN",
    "LOADS",
    "MUSCLES",
    "PUBLISHED",
    "PUBLISHED_AT",
    "RATIOS",
    "SPACINGS",
    "TUCKS",
    "Plan",
]

SPACINGS = {"narrow": 1.1, "medium": 1.4, "wide": 1.7}

RATIOS = {"narrow": -0.08, "medium": 0.02, "wide": 0.14}

TUCKS = {"narrow": 58.0, "medium": 66.0, "wide": 72.0}

LOADS = {"narrow": 0.60, "medium": 0.65, "wide": 0.66}

MUSCLES = {
    "pectoralis_major/clavicular": "EMG 1",
    "pectoralis_major/sternocostal_lower": "EMG 2",
    "deltoid/clavicular": "EMG 3",
    "triceps_brachii/long": "EMG 4",
    "triceps_brachii/lateral": "EMG 5",
}

BROKEN = "ines_broken_off.c3d"
"""A copy of the first trial that ends half-way, to show what becomes of a bad file."""

PUBLISHED = "published_invented.csv"

PUBLISHED_AT = 0.35
"""Part of the ascent's time that the invented published table covers."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """One invented trial."""

    entry: PersonEntry
    condition: str
    number: int

    @property
    def stem(self) -> str:
        """Name of its file, without extension."""
        return f"{self.entry.name.lower()}_{self.condition}"

    @property
    def load(self) -> float:
        """Whole load [kg]."""
        return round((self.entry.reference_load_kg or 60.0) * LOADS[self.condition], 1)

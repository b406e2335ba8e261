"""Spreads that neither the model nor the study file holds."""

from __future__ import annotations

from dataclasses import dataclass

from momentshare.errors import InputError

__all__ = ["Spreads"]

_MOST = {
    "scale": 10.0,
    "posture_deg": 90.0,
    "load": 1.0,
    "lateral_ratio": 1.0,
    "measured_mm": 100.0,
    "measured_deg": 90.0,
}
"""Greatest spreads; beyond them draws say nothing (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Spreads:
    """Spreads that neither the model nor the study file holds: one standard deviation.

    Parameters
    ----------
    scale : float
        Factor on every spread; 0 leaves the nominal answer.
    shared : float
        Fraction of the variance that numbers of one kind and source share, 0 to 1.
    posture_deg : float
        Each angle of the arm that the exercise prescribes, e.g. tuck and forearm tilt, and the
        protraction that it adds [deg]. If a press leaves that to the model, the model's spread
        applies.
    load : float
        Load on the hand, relative.
    lateral_ratio : float
        Given lateral ratio [1].
    measured_mm : float
        Length of a person that was measured [mm].
    measured_deg : float
        Measured posture [deg]: turn of the trunk about each of its axes, of the upper arm about its
        own, and protraction of the girdle (common practice, no source).
    """

    scale: float = 1.0
    shared: float = 0.5
    posture_deg: float = 5.0
    load: float = 0.02
    lateral_ratio: float = 0.05
    measured_mm: float = 3.0
    measured_deg: float = 3.0

    def __post_init__(self) -> None:
        faults = []
        for name, most in _MOST.items():
            value = getattr(self, name)
            if not 0.0 <= value <= most:
                faults.append(f"{name}: must be between 0 and {most:g}; got {value!r}")
        if not 0.0 <= self.shared <= 1.0:
            faults.append(f"shared: must be between 0 and 1; got {self.shared!r}")
        if faults:
            raise InputError("spreads:", faults)

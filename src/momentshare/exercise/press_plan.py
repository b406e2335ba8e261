"""What a press on the bench prescribes, and how it is checked."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from momentshare.errors import InputError
from momentshare.exercise.bar_path import BarPath
from momentshare.exercise.profile import Profile, require_profiles
from momentshare.geometry.radians import degree_faults

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["PressPlan"]

_UPRIGHT = Profile.constant(0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class PressPlan:
    """Fields of :class:`~momentshare.exercise.press.BenchPress`, where they are explained."""

    load_mass: float
    spacing: Profile
    tuck: Profile | None = None
    tilt: Profile = _UPRIGHT
    path: BarPath | None = None
    protraction: Profile | None = None
    shrug: Profile = _UPRIGHT
    bench_angle: float = 0.0
    implement: Literal["bar", "dumbbells"] = "bar"
    grip: Literal["pronated", "neutral"] = "pronated"
    chest_height: float | None = None
    lockout_height: float | None = None
    lockout_flexion: float = float(np.radians(12.0))
    duration: float | None = None
    frames: int = 51

    def __post_init__(self) -> None:
        require_profiles(
            spacing=self.spacing, tuck=self.tuck, tilt=self.tilt,
            protraction=self.protraction, shrug=self.shrug,
        )  # fmt: skip
        faults = []
        if not np.isfinite(self.load_mass) or self.load_mass < 0.0:
            faults.append(f"load_mass: must be zero or more [kg]; got {self.load_mass!r}")
        if not isinstance(self.frames, (int, np.integer)) or self.frames < 2:
            faults.append(f"frames: must be a whole number of 2 or more; got {self.frames!r}")
        if self.duration is not None and not (np.isfinite(self.duration) and self.duration > 0.0):
            faults.append(f"duration: must be a positive time [s]; got {self.duration!r}")
        if not abs(self.bench_angle) <= np.radians(80.0):
            faults.append(
                "bench_angle: must be between -80 and 80 degrees; an overhead press is another "
                "exercise"
            )
        if not 0.0 < self.lockout_flexion < np.pi:
            faults.append(
                f"lockout_flexion: must be an angle above 0; got {self.lockout_flexion!r}"
            )
        faults += degree_faults(
            tuck=None if self.tuck is None else self.tuck.values,
            tilt=self.tilt.values,
            protraction=None if self.protraction is None else self.protraction.values,
            shrug=self.shrug.values,
        )
        if self.implement not in {"bar", "dumbbells"}:
            faults.append(f"implement: must be 'bar' or 'dumbbells'; got {self.implement!r}")
        if self.grip not in {"pronated", "neutral"}:
            faults.append(f"grip: must be 'pronated' or 'neutral'; got {self.grip!r}")
        if any(value <= 0.0 for _, value in self.spacing.points):
            faults.append("spacing: must be positive distances [m]")
        for name in ("chest_height", "lockout_height"):
            value = getattr(self, name)
            if value is not None and not np.isfinite(value):
                faults.append(f"{name}: must be a height [m]; got {value!r}")
        if self.tuck is not None and self.path is not None:
            faults.append("tuck: a bar path is given too, which decides the tuck; give one of them")
        if self.implement == "bar" and len(self.spacing.points) > 1:
            faults.append("spacing: the hands cannot slide on a bar; give one value")
        if faults:
            raise InputError("bench press:", faults)

    @property
    def profiles(self) -> tuple[str, ...]:
        """Names of the fields that may change along the lift."""
        return ("tilt", "spacing") if self.tuck is None else ("tuck", "tilt", "spacing")

    @property
    def way(self) -> BarPath:
        """The bar path where no tuck is given, filled in."""
        return self.path or BarPath()

    @property
    def up(self) -> NDArray[np.float64]:
        """Vertical in the thorax frame."""
        return np.array([np.cos(self.bench_angle), np.sin(self.bench_angle), 0.0])

    @property
    def headward(self) -> NDArray[np.float64]:
        """Horizontal towards the head in the thorax frame."""
        return np.array([-np.sin(self.bench_angle), np.cos(self.bench_angle), 0.0])

"""What a run of draws is asked to do; all that decides its numbers stands here."""

from __future__ import annotations

import hashlib
import json
import math
from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING, Any

from momentshare.errors import InputError, StudyError, UnknownNameError
from momentshare.uncertainty.draws import Spreads

if TYPE_CHECKING:
    from momentshare.model import Model
    from momentshare.study import Study

__all__ = ["CHUNK", "CRITERIA", "FORMAT", "Plan"]

FORMAT = 3
"""Version of the chunk files."""

CHUNK = 16
"""Draws in a chunk; fixed, so that results do not depend on the number of workers."""

CRITERIA = {"p2": 2.0, "p3": 3.0, "minmax": math.inf}
"""Names of the criteria that draws can be solved with: exponent of Σ w aᵖ."""


MOST_DRAWS = 100_000
"""Draws that a run may ask for: a probability is then known to 0.002 (closed form, two standard
errors of a half), and the model is not."""

_MOST_DESIGNED = 4096
"""Trajectories, or points of the indices, that a run may ask for (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """Settings of a run.

    Parameters
    ----------
    study : Study
    draws : int
        Random draws.
    seed : int
        Every eight draws have a stream of their own, seeded with the pair of this and their place.
    frames : int
        Frames along each lift.
    people : tuple of str
        Names to keep; all where empty.
    criteria : tuple of str
        Names of :data:`CRITERIA`, or ``study`` for the exponent of the study file.
    spreads : Spreads
        Spreads that neither the model nor the study file holds.
    trajectories : int
        Morris screening: one run more than there are families, times this; 0 leaves it out.
    sobol : int
        Base sample of the variance-based indices, a power of two; 0 leaves them out.
    few : int
        Families that the variance-based step keeps.
    """

    study: Study
    draws: int
    seed: int = 1
    frames: int = 21
    people: tuple[str, ...] = ()
    criteria: tuple[str, ...] = ("study",)
    spreads: Spreads = field(default_factory=Spreads)
    trajectories: int = 8
    sobol: int = 32
    few: int = 4

    def __post_init__(self) -> None:
        faults = []
        if not 1 <= self.draws <= MOST_DRAWS:
            faults.append(f"draws: wanted 1 to {MOST_DRAWS}, got {self.draws}")
        if self.seed < 0:
            faults.append(f"seed: wanted 0 or more, got {self.seed}")
        if not 2 <= self.frames <= 2001:
            faults.append(f"frames: wanted 2 to 2001, got {self.frames}")
        if not 0 <= self.trajectories <= _MOST_DESIGNED or self.trajectories == 1:
            faults.append(
                f"trajectories: wanted 0, or 2 to {_MOST_DESIGNED}, got {self.trajectories}"
            )
        if not 0 <= self.sobol <= _MOST_DESIGNED or self.sobol & (self.sobol - 1):
            faults.append(
                f"sobol: wanted 0 or a power of two up to {_MOST_DESIGNED}, got {self.sobol}"
            )
        if self.sobol and not self.trajectories:
            faults.append("sobol: needs the screening, which is left out; set trajectories")
        if self.few < 1:
            faults.append(f"few: wanted 1 or more, got {self.few}")
        if not self.criteria or len(set(self.criteria)) != len(self.criteria):
            faults.append("criteria: name each at most once, and at least one")
        if faults:
            raise InputError("uncertainty:", faults)
        for name in self.criteria:
            if name not in {"study", *CRITERIA}:
                raise UnknownNameError("criterion", name, ["study", *CRITERIA])
        known = [p.name for p in self.study.file.person]
        for name in self.people:
            if name not in known:
                raise UnknownNameError("person", name, known, self.study.source)
        if not self.study.file.condition:
            raise StudyError(f"{self.study.source}: holds no condition")

    @property
    def chunks(self) -> int:
        """Number of chunks of random draws."""
        return -(-self.draws // CHUNK)

    def exponent(self, criterion: str) -> float:
        """Exponent of a criterion by name."""
        return CRITERIA.get(criterion, self.study.file.settings.exponent)

    def manifest(self, model: Model) -> dict[str, Any]:
        """Everything that decides the numbers, as plain data."""
        return {
            "format": FORMAT,
            "chunk": CHUNK,
            "study_digest": self.study.digest,
            "study_title": self.study.title,
            "model": model.name,
            "model_digest": model.digest,
            "draws": self.draws,
            "seed": self.seed,
            "frames": self.frames,
            "people": list(self.people) or [p.name for p in self.study.file.person],
            "conditions": [c.name for c in self.study.file.condition],
            "criteria": list(self.criteria),
            "spreads": asdict(self.spreads),
            "trajectories": self.trajectories,
            "sobol": self.sobol,
            "few": self.few,
        }

    def digest(self, model: Model) -> str:
        """Short name of the run; stands in every chunk."""
        text = json.dumps(self.manifest(model), sort_keys=True)
        return hashlib.sha256(text.encode()).hexdigest()[:16]

"""The plan of a run of draws; everything that decides its numbers is here."""

from __future__ import annotations

import hashlib
import json
import math
from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING, Any, Literal, Protocol, TypeAlias, get_args

from momentshare.errors import InputError, StudyError, UnknownNameError
from momentshare.uncertainty.spreads import Spreads

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from momentshare.model import Model
    from momentshare.runs import Setup
    from momentshare.study import Study
    from momentshare.study.factors import Factors
    from momentshare.study.schema import ConditionEntry, PersonEntry, SettingsEntry

    class StudyFile(Protocol):
        """File of a study of any kind."""

        @property
        def title(self) -> str: ...
        @property
        def note(self) -> str: ...
        @property
        def model(self) -> str: ...
        @property
        def settings(self) -> SettingsEntry: ...
        @property
        def person(self) -> Sequence[PersonEntry]: ...
        @property
        def condition(self) -> Sequence[ConditionEntry | Any]: ...

    class AnyStudy(Protocol):
        """A checked study of any kind."""

        @property
        def source(self) -> str: ...
        @property
        def digest(self) -> str: ...
        @property
        def file(self) -> StudyFile: ...
        @property
        def factors(self) -> Factors: ...


__all__ = ["CHUNK", "CRITERIA", "FORMAT", "SURE", "UncertaintyPlan"]

SURE = 0.95
"""Share of draws, or probability, from which an order is called firm; convention."""

FORMAT = 3
"""Version of the chunk files."""

CHUNK = 16
"""Number of draws in a chunk; fixed, so that results do not depend on the number of workers."""

CRITERIA = {"p2": 2.0, "p3": 3.0, "minmax": math.inf}
"""Names of the criteria that draws can be solved with: exponent of Σ w aᵖ."""

CriterionName: TypeAlias = Literal["study", "p2", "p3", "minmax"]
"""The same, and that of the study, for type checkers."""


MOST_DRAWS = 100_000
"""Greatest number of draws: a probability is then known to 0.002 (closed form, two standard errors
of a half), far better than the model."""

_MOST_DESIGNED = 4096
"""Greatest number of trajectories, or of points for the indices (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class UncertaintyPlan:
    """Settings of a run.

    Parameters
    ----------
    study : Study
        A study of planned lifts, or any other, whose lifts are then in ``measured``.
    draws : int
        Random draws.
    seed : int
        Every eight draws have their own stream, seeded with this number and their index.
    frames : int
        Frames along each lift.
    people : tuple of str
        Names to keep; all if empty.
    criteria : tuple of str
        Names of :data:`CRITERIA`, or ``study`` for the exponent of the study file.
    spreads : Spreads
        Spreads that neither the model nor the study file holds.
    trajectories : int
        Morris screening: this number times one more than the number of families; 0 leaves it out.
    sobol : int
        Base sample of the variance-based indices, a power of two; 0 leaves them out.
    few : int
        Families that the variance-based step keeps.
    measured : Setup, optional
        Measured lifts of the study.
    inputs : str
        Digest of the measured files.

    Raises
    ------
    InputError, UnknownNameError, StudyError
        A setting out of range; an unknown criterion or person; a study without conditions.

    Examples
    --------
    >>> from momentshare import UncertaintyPlan
    >>> from momentshare.demo import small_study
    >>> plan = UncertaintyPlan(study=small_study(), draws=8, frames=5, trajectories=0, sobol=0)
    >>> plan.draws, plan.criteria
    (8, ('study',))
    """

    study: Study | AnyStudy
    draws: int
    seed: int = 1
    frames: int = 21
    people: tuple[str, ...] = ()
    criteria: tuple[CriterionName, ...] = ("study",)
    spreads: Spreads = field(default_factory=Spreads)
    trajectories: int = 8
    sobol: int = 32
    few: int = 4
    measured: Setup | None = None
    inputs: str = ""

    def __post_init__(self) -> None:
        if faults := list(self._number_faults()):
            raise InputError("uncertainty:", faults)
        for criterion in self.criteria:
            if criterion not in get_args(CriterionName):
                raise UnknownNameError("criterion", criterion, get_args(CriterionName))
        known = [p.name for p in self.study.file.person]
        for name in self.people:
            if name not in known:
                raise UnknownNameError("person", name, known, self.study.source)
        if not self.conditions and not getattr(self.study.file, "published", ()):
            raise StudyError(f"{self.study.source}: holds no condition")

    def _number_faults(self) -> Iterator[str]:
        if not 1 <= self.draws <= MOST_DRAWS:
            yield f"draws: must be between 1 and {MOST_DRAWS}; got {self.draws}"
        if self.seed < 0:
            yield f"seed: must be 0 or more; got {self.seed}"
        if not 2 <= self.frames <= 2001:
            yield f"frames: must be between 2 and 2001; got {self.frames}"
        if not 0 <= self.trajectories <= _MOST_DESIGNED or self.trajectories == 1:
            yield (f"trajectories: must be 0, or 2 to {_MOST_DESIGNED}; got {self.trajectories}")
        if not 0 <= self.sobol <= _MOST_DESIGNED or self.sobol & (self.sobol - 1):
            yield (f"sobol: must be 0 or a power of two up to {_MOST_DESIGNED}; got {self.sobol}")
        if self.sobol and not self.trajectories:
            yield "sobol: needs the screening, which is left out; set trajectories"
        if self.few < 1:
            yield f"few: must be 1 or more; got {self.few}"
        if not self.criteria or len(set(self.criteria)) != len(self.criteria):
            yield "criteria: name each at most once, and at least one"

    @property
    def conditions(self) -> tuple[str, ...]:
        """Names of the conditions."""
        if self.measured is not None:
            return tuple(dict.fromkeys(task.condition for task in self.measured.tasks))
        return tuple(c.name for c in self.study.file.condition)

    @property
    def people_drawn(self) -> tuple[str, ...]:
        """Names of the people."""
        if self.measured is not None:
            return tuple(person.name for person in self.measured.limbs.people)
        return self.people or tuple(p.name for p in self.study.file.person)

    def setup(self) -> Setup:
        """Return the nominal setup: limbs, lifts, treatments, criterion."""
        from momentshare.study import Study, plan_study

        if self.measured is not None:
            return self.measured
        if not isinstance(self.study, Study):
            raise InputError(
                f"{self.study.source}: its lifts are measured; give them as `measured` "
                "(momentshare.cohort.setup.measured_lifts)"
            )
        return plan_study(self.study, people=self.people, frames=self.frames).setup

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
            "study_title": self.study.file.title,
            "lifts": "planned" if self.measured is None else "measured",
            "inputs": self.inputs,
            "model": model.name,
            "model_digest": model.digest,
            "draws": self.draws,
            "seed": self.seed,
            "frames": self.frames,
            "people": list(self.people_drawn),
            "conditions": list(self.conditions),
            "criteria": list(self.criteria),
            "spreads": asdict(self.spreads),
            "trajectories": self.trajectories,
            "sobol": self.sobol,
            "few": self.few,
        }

    def digest(self, model: Model) -> str:
        """Short name of the run, stored in every chunk."""
        text = json.dumps(self.manifest(model), sort_keys=True)
        return hashlib.sha256(text.encode()).hexdigest()[:16]

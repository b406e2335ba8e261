"""What a cohort study file holds: people, layouts, conditions, trials, published tables."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import AfterValidator, Field, field_validator, model_validator

from momentshare.cohort.outcomes.definitions import OUTCOMES
from momentshare.errors import StudyError, nearest_name
from momentshare.files.names import found_as
from momentshare.limits import LiftKind
from momentshare.results import brief
from momentshare.study.factors import Factors
from momentshare.study.pseudonyms import NO_PSEUDONYMS, Pseudonyms
from momentshare.study.schema import (
    Entry,
    Finite,
    GirdleEntry,
    ModelPlace,
    Name,
    Number,
    PeopleEntry,
    PersonEntry,
    Positive,
    SettingsEntry,
    check_names,
)
from momentshare.trial.checks.verdict import LIMITS, OF_LIMB
from momentshare.trial.formats.layout import LayoutEntry
from momentshare.trial.motion.girdle import OVERHEAD

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from pathlib import Path

    from momentshare.trial.motion.trunk import SternumSlope
    from momentshare.trial.motion.upper_arm import UpperArm

__all__ = [
    "BestLiftEntry",
    "CohortFile",
    "CohortSettings",
    "CohortStudy",
    "EmgEntry",
    "MaximalEntry",
    "MeasuredCondition",
    "ProcessingEntry",
    "PublishedEntry",
    "StaticEntry",
    "StatisticsEntry",
    "TrialEntry",
]

FileName = Annotated[str, Field(min_length=1, max_length=1000)]


class CohortSettings(SettingsEntry):
    """The ``[settings]`` of a planned study, with the frames of a lift in percent.

    ``best_lift`` says how a stated best lift is used: ``"bound"`` raises the strength of the muscle
    groups just enough to explain it, ``"report"`` only reports what is missing.
    """

    frames: Annotated[int, Field(ge=11, le=2001)] = 101
    best_lift: Literal["bound", "report"] = "bound"


def _check_name(value: str) -> str:
    known = [name for name in LIMITS if name != OF_LIMB]
    if value == OF_LIMB:
        raise ValueError(
            f"{OF_LIMB!r} judges the limb, not the measurement; short_heads says what "
            "happens to its heads"
        )
    if value not in known:
        raise ValueError(f"unknown check {value!r}; {nearest_name(value, known)}")
    return value


CheckName = Annotated[str, AfterValidator(_check_name)]


class ProcessingEntry(Entry):
    """The ``[processing]`` table: filters, gaps, repetitions, and what a failed check does.

    ``failed_checks`` says which failed checks of the measurement exclude a trial from means and
    comparisons: all (``"leave out"``), none (``"keep"``), or those named. ``short_heads`` says
    whether heads of trials in which the limb falls short of a moment stay in the means of heads;
    moments, lateral ratio, motion and electromyograms of a sound measurement always count.
    ``sternum_slope`` says where the slope of a sternum comes from that no static trial tells: from
    how it lies on the bench beside those of the others, or assumed.
    """

    cutoff_hz: Annotated[Number, Field(gt=0.5, le=100.0)] | Literal["residual"] = 6.0
    force_cutoff_hz: Annotated[Number, Field(gt=0.5, le=500.0)] | None = None
    filter_order: Literal[2, 4, 6] = 4
    fill_gaps_s: Annotated[Number, Field(ge=0.0, le=0.5)] = 0.2
    least_rise_cm: Annotated[Number, Field(ge=2.0, le=100.0)] = 10.0
    hinge: Literal["epicondyles", "forearm"] = "epicondyles"
    failed_checks: (
        Literal["keep", "leave out"] | Annotated[list[CheckName], Field(min_length=1)]
    ) = "leave out"
    short_heads: Literal["keep", "leave out"] = "keep"
    sternum_slope: Literal["compared", "assumed"] = "compared"

    def excluding(self, failed: Iterable[str]) -> list[str]:
        """Failed checks for which a trial is left out; none where it counts."""
        wanted = self.failed_checks
        if wanted == "keep":
            return []
        return [name for name in failed if wanted == "leave out" or name in wanted]


def _check_outcome(value: str) -> str:
    if value not in OUTCOMES:
        raise ValueError(f"unknown outcome {value!r}; {nearest_name(value, OUTCOMES)}")
    return value


def _check_covariate(value: str) -> str:
    known = [LOAD, *(name for name, item in OUTCOMES.items() if item.of == "lift")]
    if value not in known:
        raise ValueError(f"unknown covariate {value!r}; {nearest_name(value, known)}")
    return value


LOAD = "load_kg"
"""Covariate that each trial states."""

OutcomeName = Annotated[str, AfterValidator(_check_outcome)]
CovariateName = Annotated[str, AfterValidator(_check_covariate)]


class EmgEntry(Entry):
    """The ``[emg]`` table."""

    band_hz: tuple[Positive, Positive] = (20.0, 450.0)
    envelope_hz: Annotated[Number, Field(gt=0.5, le=50.0)] = 6.0
    method: Literal["linear", "rms"] = "linear"
    delay_ms: Annotated[Number, Field(ge=0.0, le=200.0)] = 0.0
    pull_weight: Annotated[Number, Field(gt=0.0, le=1e6)] | None = None

    @field_validator("band_hz")
    @classmethod
    def _band_rises(cls, value: tuple[float, float]) -> tuple[float, float]:
        if not value[0] < value[1]:
            raise ValueError(f"must be in order, low below high; got {value[0]:g} and {value[1]:g}")
        return value


class StatisticsEntry(Entry):
    """The ``[statistics]`` table.

    ``heads`` and ``outcomes`` name what the study is about, before it is run: Holm's adjustment is
    then made over their contrasts alone. ``factor`` of the conditions and ``covariates`` of the
    trials (``load_kg``, or an outcome of the whole lift) go into a model of their own.
    """

    confidence: Annotated[Number, Field(gt=0.5, lt=1.0)] = 0.95
    sensitivity: bool = True
    descents: bool = True
    both_arms: bool = False
    heads: Annotated[list[Name], Field(max_length=100)] = Field(default_factory=list)
    outcomes: Annotated[list[OutcomeName], Field(max_length=100)] = Field(default_factory=list)
    covariates: Annotated[list[CovariateName], Field(max_length=5)] = Field(default_factory=list)


class MeasuredCondition(GirdleEntry):
    """One ``[[condition]]`` under which trials were recorded.

    ``protraction_deg`` and ``shrug_deg`` apply where no landmark shows the girdle; without them a
    press on a bench has the protraction of the model, and nothing is added overhead or with the
    hands on the ground.
    """

    name: Name
    implement: Literal["bar", "dumbbells", "ground"] = "bar"
    trunk_angle_deg: Annotated[Number, Field(ge=-60.0, le=110.0)] = 0.0
    lateral_ratio: Annotated[Number, Field(ge=-1.0, le=1.0)] | None = None
    lateral_bounds: tuple[Finite, Finite] | None = None
    note: str = ""
    file_label: Name | None = None

    @model_validator(mode="after")
    def _bounds_in_order(self) -> MeasuredCondition:
        bounds = self.lateral_bounds
        if bounds is not None and not -1.0 <= bounds[0] <= bounds[1] <= 1.0:
            raise ValueError(
                f"lateral_bounds must be [low, high] within -1 to 1; got {list(bounds)}"
            )
        if self.implement == "dumbbells" and (bounds or self.lateral_ratio is not None):
            raise ValueError("dumbbells carry no lateral force; remove lateral_ratio and bounds")
        return self

    @property
    def one_bar(self) -> bool:
        """Whether the hands can push along what they hold."""
        return self.implement != "dumbbells"

    @property
    def lift_kind(self) -> LiftKind:
        """Exercise that it resembles; the hand spacing of a measured lift is not known."""
        if self.ground:
            return LiftKind("push_up")
        presses = {"bar": ("bar_press", "overhead_press")}.get(
            self.implement, ("dumbbell_press", "overhead_dumbbell_press")
        )
        return LiftKind(presses[math.radians(self.trunk_angle_deg) > OVERHEAD])

    @property
    def ground(self) -> bool:
        """Whether the hands rest on the ground, with the trunk face down."""
        return self.implement == "ground"


class MoreEntry(Entry):
    """A further file of a trial, on a clock of its own."""

    file: FileName
    layout: Name
    offset_s: Finite = 0.0


class TrialEntry(Entry):
    """One ``[[trial]]``: a person in a condition, in one or several files."""

    person: Name
    condition: Name
    file: FileName
    layout: Name
    offset_s: Finite = 0.0
    force_offset_s: Finite = 0.0
    emg_offset_s: Finite = 0.0
    side: Literal["right", "left"] = "right"
    load_kg: Annotated[Number, Field(ge=0.0, le=1000.0)] | None = None
    repetitions: Annotated[list[Annotated[int, Field(ge=1)]], Field(min_length=1)] | None = None
    use: bool = True
    reason: Annotated[str, Field(max_length=500)] = ""
    more: list[MoreEntry] = Field(default_factory=list)

    @model_validator(mode="after")
    def _reason_for_leaving_out(self) -> TrialEntry:
        if not self.use and not self.reason.strip():
            raise ValueError("reason: is missing; say why the trial is not used")
        if self.use and self.reason:
            raise ValueError("reason: is for trials with use = false; take it out, or set use")
        return self


class MaximalEntry(Entry):
    """One ``[[maximal_contraction]]``: what 100 % of a head's electromyogram is."""

    person: Name
    head: Name
    envelope_mv: Positive | None = None
    file: FileName | None = None
    files: Annotated[list[FileName], Field(max_length=100)] = Field(default_factory=list)
    layout: Name | None = None

    @model_validator(mode="after")
    def _one_way(self) -> MaximalEntry:
        given = [bool(self.every_file), self.layout is not None]
        stated = self.envelope_mv is not None
        if any(given) == stated or (any(given) and not all(given)):
            raise ValueError("give either envelope_mv, or file with layout")
        return self

    @property
    def every_file(self) -> tuple[str, ...]:
        """Files whose greatest level counts."""
        return (*([self.file] if self.file is not None else []), *self.files)


class BestLiftEntry(Entry):
    """One ``[[best_lift]]``: a person's best single lift in a condition of the study.

    The posture is that of the person's own trials in the condition.
    """

    person: Name
    condition: Name
    load_kg: Annotated[Number, Field(gt=0.0, le=1000.0)]


class StaticEntry(Entry):
    """One ``[[static]]`` or functional trial: what it shows about a person's trunk and shoulder."""

    person: Name
    file: FileName
    layout: Name
    side: Literal["right", "left"] = "right"


class PublishedEntry(Entry):
    """One ``[[published]]`` table of moments, and the person to whose limb it is applied."""

    file: FileName
    person: Name
    spread: Literal["sd", "se"] = "sd"
    draws: Annotated[int, Field(ge=0, le=20000)] = 500
    seed: int = 1


class CohortFile(Entry):
    """A whole cohort study file."""

    title: Name
    note: str = ""
    model: ModelPlace = "reference_limb"
    settings: CohortSettings = CohortSettings()
    processing: ProcessingEntry = ProcessingEntry()
    emg: EmgEntry = EmgEntry()
    statistics: StatisticsEntry = StatisticsEntry()
    people: PeopleEntry = PeopleEntry()
    person: Annotated[list[PersonEntry], Field(min_length=1)]
    layout: list[LayoutEntry] = Field(default_factory=list)
    condition: list[MeasuredCondition] = Field(default_factory=list)
    trial: list[TrialEntry] = Field(default_factory=list)
    maximal_contraction: list[MaximalEntry] = Field(default_factory=list)
    best_lift: list[BestLiftEntry] = Field(default_factory=list)
    static: list[StaticEntry] = Field(default_factory=list)
    published: list[PublishedEntry] = Field(default_factory=list)


@dataclass(frozen=True, slots=True, kw_only=True)
class CohortStudy:
    """A checked cohort study, and the folder to which its file names are relative.

    ``raised`` holds the strength that the best lifts require: person → group → factor;
    ``upper_arms`` what all trials of a person show about the joint centre, or ``None`` where the
    process that was to tell died; ``slopes`` the likely slope of each person's sternum.
    """

    source: str
    digest: str
    folder: Path
    file: CohortFile
    left_out: frozenset[int] = frozenset()
    raised: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    upper_arms: Mapping[str, UpperArm | None] = field(default_factory=dict)
    slopes: Mapping[str, SternumSlope] = field(default_factory=dict)
    pseudonyms: Pseudonyms = NO_PSEUDONYMS
    on_disk: Mapping[str, str] = field(default_factory=dict)
    """Name of a file in ``file`` → its name on the disk, where codes stand for people."""

    __repr__ = brief

    @property
    def title(self) -> str:
        """Title of the study."""
        return self.file.title

    @property
    def factors(self) -> Factors:
        """Factors that its conditions cross."""
        return Factors.stated(self.file.condition)

    @property
    def numbers(self) -> tuple[int, ...]:
        """Numbers of the trials to run, as in the file, from 1."""
        every = range(1, len(self.file.trial) + 1)
        return tuple(n for n in every if n not in self.left_out)

    @property
    def conditions_left_out(self) -> tuple[str, ...]:
        """Conditions that have trials in the study, none of which is to run."""
        kept = {self.file.trial[number - 1].condition for number in self.numbers}
        every = dict.fromkeys(trial.condition for trial in self.file.trial if trial.use)
        return tuple(name for name in every if name not in kept)

    def only(self, people: Sequence[str] = (), conditions: Sequence[str] = ()) -> CohortStudy:
        """Return the study without the trials of other people and conditions.

        All of a kind are kept where none is named; a person may be given by name or by code. Trials
        keep their numbers, so that what was kept of the others in a folder stays there; published
        tables of others are left out.

        Raises
        ------
        UnknownNameError
            A name that the study does not hold, with the nearest one that it does.
        StudyError
            There is no trial and no published table of them.
        """
        people = [self.pseudonyms.code(name) for name in people]
        check_names("person", people, [p.name for p in self.file.person], self.source)
        check_names("condition", conditions, [c.name for c in self.file.condition], self.source)
        other = frozenset(
            number
            for number, trial in enumerate(self.file.trial, start=1)
            if (people and trial.person not in people)
            or (conditions and trial.condition not in conditions)
        )
        published = [p for p in self.file.published if not people or p.person in people]
        if len(other) == len(self.file.trial) and not published:
            raise StudyError(
                f"{self.source}: holds no trial of the people and conditions named; name others"
            )
        file = self.file.model_copy(update={"published": published})
        return replace(self, file=file, left_out=other)

    def path(self, name: str) -> Path:
        """Path of a file of the study."""
        return found_as(self.folder, self.on_disk.get(name, name))

    def person(self, name: str) -> PersonEntry:
        """Person by name."""
        return next(p for p in self.file.person if p.name == name)

    def condition(self, name: str) -> MeasuredCondition:
        """Condition by name."""
        return next(c for c in self.file.condition if c.name == name)

    def layout(self, name: str, person: str | None = None) -> LayoutEntry:
        """Layout by name, with a person's own prefix of labels."""
        found = next(x for x in self.file.layout if x.name == name)
        if person is None or not found.label_prefix:
            return found
        entry = self.person(person)
        label = self.pseudonyms.label(entry.name) or entry.file_label or entry.name
        prefix = found.label_prefix.replace("{person}", label)
        return found.model_copy(update={"label_prefix": prefix})

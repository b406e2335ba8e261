"""From the trials of one person and condition to that person's own means.

A cohort is summarised person by person: the tables of a trial are read, averaged with those of the
same person and condition and released, so that memory does not grow with the number of trials, and
any number of processes may share the work. Implements that cannot be pushed along, such as
dumbbells, have no lateral force under any treatment, so their one answer is repeated for every
treatment of the bar.
"""

from __future__ import annotations

from contextlib import closing
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from momentshare.cohort.means import subject_means
from momentshare.cohort.outcomes.definitions import OUTCOMES
from momentshare.cohort.outcomes.measure import NO_TREATMENT
from momentshare.cohort.shortfall import LEAST_UNMET, greatest_unmet, shortfall_text
from momentshare.cohort.trials import read_lateral, read_table
from momentshare.errors import ProcessError
from momentshare.processes import collect_answers
from momentshare.reading import HEAD_OUTCOMES

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence
    from pathlib import Path

    from momentshare.cohort.run import CohortResult

__all__ = ["FULL", "Curves", "Group", "Reduced", "group_trials", "own_means", "reduced_groups"]

FULL = 0.99
"""Activation from which a head counts as fully active."""

_ALONE = 40
"""Number of trials up to which one process is quicker than starting others; common practice, no
source."""

_REPETITION = ["trial", "repetition"]

_SENSITIVITY = ["mean_activation", "mean_activation_changed"]
_WITHIN = ["mean_activation", "mean_activation_within_limits", "difference"]
_EMG = ["emg", "activation", "pulled_activation"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Trials of one person in one condition that count.

    Attributes
    ----------
    person, condition : str
    trials : tuple of int
    with_heads : frozenset of int
        Trials whose heads count as well.
    modes : tuple of str
        Treatments of the bar beside which an answer without lateral force is put; empty for a bar.
    """

    person: str
    condition: str
    trials: tuple[int, ...]
    with_heads: frozenset[int]
    modes: tuple[str, ...] = ()


@dataclass(slots=True)
class Reduced:
    """What is kept of a group: its own means by table, and its own curves by kind.

    The tables of copies beside another treatment follow those of the group itself, so that all
    of a cohort stand in the order of its trials with the copies at the end.
    """

    tables: dict[str, list[pd.DataFrame]] = field(default_factory=dict)
    curves: dict[str, list[pd.DataFrame]] = field(default_factory=dict)


class Curves:
    """Mean and spread over people of curves, person by person (Welford 1962, from memory).

    Parameters
    ----------
    keys : sequence of str
        Columns, apart from the condition, that distinguish the points of a curve.
    value : str
        Column.
    """

    def __init__(self, keys: Sequence[str], value: str) -> None:
        self.keys, self.value = list(keys), value
        self._states: dict[tuple[int, str], pd.DataFrame] = {}

    def add(self, place: int, own: pd.DataFrame) -> None:
        """Add the curves of one person and condition; ``place`` is 0, or that of a copy."""
        condition = str(own["condition"].iloc[0])
        points = own.set_index(self.keys)[self.value]
        state = self._states.get((place, condition))
        if state is None:
            state = pd.DataFrame({"people": 0.0, "mean": 0.0, "square": 0.0}, index=points.index)
        elif not state.index.equals(points.index):
            more = points.index.difference(state.index, sort=False)
            fresh = pd.DataFrame({"people": 0.0, "mean": 0.0, "square": 0.0}, index=more)
            state = pd.concat([state, fresh]) if len(more) else state
            points = points.reindex(state.index)
        value = points.to_numpy(dtype=float)
        known = np.isfinite(value)
        count = state["people"].to_numpy() + known
        off = np.where(known, value - state["mean"].to_numpy(), 0.0)
        mean = state["mean"].to_numpy() + off / np.maximum(count, 1.0)
        rest = np.where(known, value - mean, 0.0)
        self._states[place, condition] = pd.DataFrame(
            {"people": count, "mean": mean, "square": state["square"].to_numpy() + off * rest},
            index=state.index,
        )

    def table(self) -> pd.DataFrame:
        """Condition, keys, ``mean``, ``sd`` (NaN of one person) and ``people``."""
        parts = []
        for key in sorted(self._states, key=lambda found: found[0]):
            state = self._states[key]
            people = state["people"].to_numpy()
            with np.errstate(divide="ignore", invalid="ignore"):
                spread = np.sqrt(state["square"].to_numpy() / (people - 1.0))
            part = state.index.to_frame(index=False)
            part.insert(0, "condition", key[1])
            parts.append(
                part.assign(
                    mean=np.where(people > 0, state["mean"], np.nan),
                    sd=np.where(people > 1, spread, np.nan),
                    people=people.astype(int),
                )
            )
        return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


def group_trials(result: CohortResult) -> list[Group]:
    """Trials that count by person and condition, in the order of the trials."""
    alone = {c.name for c in result.study.file.condition if not c.one_bar}
    with_heads = {o.number for o in result.heads_counted}
    found: dict[tuple[str, str], list[int]] = {}
    bars: dict[str, None] = {}
    for outcome in result.counted:
        found.setdefault((outcome.person, outcome.condition), []).append(outcome.number)
        if outcome.condition not in alone:
            bars |= dict.fromkeys(read_lateral(result.folder, outcome.number))
    modes = tuple(mode for mode in bars if mode != "zero")
    return [
        Group(
            person=person,
            condition=condition,
            trials=tuple(numbers),
            with_heads=frozenset(with_heads & set(numbers)),
            modes=modes if condition in alone else (),
        )
        for (person, condition), numbers in found.items()
    ]


def reduced_groups(
    result: CohortResult,
    *,
    workers: int | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Iterator[Reduced]:
    """Reduce every group of a cohort, in order.

    Parameters
    ----------
    result : CohortResult
    workers : int, optional
        Processes; by default one for a small cohort, otherwise one per core. The answer does not
        depend on it.
    progress : callable, optional
        Called with the number of groups done, and of all.
    """
    groups = group_trials(result)
    if workers is None and len(result.counted) <= _ALONE:
        workers = 1
    for done, found in enumerate(_in_order(result.folder, groups, workers), start=1):
        if progress is not None:
            progress(done, len(groups))
        yield found


def _in_order(folder: Path, groups: list[Group], workers: int | None) -> Iterator[Reduced]:
    tasks = [(number, (folder, group)) for number, group in enumerate(groups)]
    waiting: dict[int, Reduced] = {}
    turn = 0
    with closing(collect_answers(own_means, tasks, workers)) as answers:
        for number, answer in answers:
            if answer is None:
                raise ProcessError(
                    "a worker process that summed up trials died, perhaps for lack of memory; run "
                    "again, with fewer --workers: the trials are kept"
                )
            waiting[number] = answer
            while turn in waiting:
                yield waiting.pop(turn)
                turn += 1


def own_means(folder: Path, group: Group) -> Reduced:
    """Reduce the trials of one person and condition. Runs in any process."""
    out = Reduced()
    beside: Sequence[str | None] = (None, *group.modes)
    heads = _read(folder, group, "heads", of_heads=True)
    frames = _read(folder, group, "frames", of_heads=True)
    moments = _read(folder, group, "moments")
    regions = _read(folder, group, "regions")
    changed = _read(folder, group, "sensitivity", of_heads=True)
    if not regions.empty:
        there = regions["trial"].isin(group.with_heads)
        regions = regions[there | ~regions["quantity"].isin(["activation", "force_n"])]
    if not heads.empty:
        heads = heads.merge(_saturated(frames), on=[*_REPETITION, "lateral", "head"])
    for mode in beside:
        _put(out.tables, "heads", _heads(heads), mode)
        _put(out.tables, "regions", _regions(regions), mode)
        _put(out.tables, "shortfalls", _shortfalls(moments, mode), None)
        _put(out.tables, "sensitivity", _own(changed, ["change", "head"], _SENSITIVITY), mode)
        for value in ("activation", "force_n"):
            _put(out.curves, f"heads/{value}", _own(frames, ["head", *_LIFT], [value]), mode)
        for value in ("moment_nm", "unmet_nm"):
            _put(out.curves, f"moments/{value}", _own(moments, ["row", *_LIFT], [value]), mode)
        for value in ("lateral_ratio", "lateral_force_n", "vertical_force_n"):
            _put(out.curves, f"hand/{value}", _own(_one_row(moments), _LIFT, [value]), mode)
    outcomes = _outcomes(_read(folder, group, "outcomes"), group)
    _put(out.tables, "outcomes", outcomes)
    if not outcomes.empty:
        held = outcomes[outcomes["lateral"] != NO_TREATMENT]
        for mode in group.modes:
            _put(out.tables, "outcomes", held, mode)
    _put(
        out.tables, "glenoid_heads", _own(_read(folder, group, "glenoid_heads"), ["head"], _WITHIN)
    )
    _put(out.tables, "emg", _own(_read(folder, group, "emg"), ["head", *_LIFT], _EMG))
    _motion(out, _read(folder, group, "motion"))
    return out


_LIFT = ["lift_percent"]


def _read(folder: Path, group: Group, name: str, *, of_heads: bool = False) -> pd.DataFrame:
    """One table of the trials of a group."""
    numbers: Iterable[int] = group.trials
    if of_heads:
        numbers = [n for n in group.trials if n in group.with_heads]
    parts = [read_table(folder, number, name) for number in numbers]
    parts = [part for part in parts if not part.empty]
    if not parts:
        return pd.DataFrame()
    table = pd.concat(parts, ignore_index=True)
    labels = table.select_dtypes("category").columns
    return table.assign(**{name: table[name].astype(str) for name in labels})


def _put(
    into: dict[str, list[pd.DataFrame]], name: str, table: pd.DataFrame, mode: str | None = None
) -> None:
    """Keep a table, or its copy beside another treatment; an empty one keeps its place."""
    if mode is not None and "lateral" in table:
        table = table.assign(lateral=mode)
    into.setdefault(name, []).append(table)


def _saturated(frames: pd.DataFrame) -> pd.DataFrame:
    """Share of frames in which a head is fully active."""
    full = frames.assign(saturated_share=(frames["activation"] > FULL).astype(float))
    grouped = full.groupby([*_REPETITION, "lateral", "head"], sort=False, observed=True)
    return grouped["saturated_share"].mean().reset_index()


def _heads(heads: pd.DataFrame) -> pd.DataFrame:
    if heads.empty:
        return heads
    return subject_means(heads, ["lateral", "head"], [*HEAD_OUTCOMES, "saturated_share"])


def _regions(regions: pd.DataFrame) -> pd.DataFrame:
    if regions.empty:
        return regions
    return subject_means(regions, ["lateral", "region", "quantity", "item"], ["mean"])


def _outcomes(table: pd.DataFrame, group: Group) -> pd.DataFrame:
    """Own means of outcomes; those that depend on the limb, from the trials whose heads count."""
    if table.empty:
        return table
    of_limb = table["outcome"].isin([name for name, item in OUTCOMES.items() if item.of_limb])
    table = table[table["trial"].isin(group.with_heads) | ~of_limb]
    return subject_means(table, ["lateral", "arm", "side", "phase", "outcome", "item"], ["value"])


def _one_row(moments: pd.DataFrame) -> pd.DataFrame:
    """Rows of one moment, for values that all rows of a frame share."""
    return moments if moments.empty else moments[moments["row"] == moments["row"].iloc[0]]


def _own(table: pd.DataFrame, keys: list[str], values: list[str]) -> pd.DataFrame:
    """Mean of the person, over repetitions and trials."""
    if table.empty:
        return table
    along = ["person", "condition", *(["lateral"] if "lateral" in table else []), *keys]
    return table.groupby(along, sort=False, observed=True)[values].mean().reset_index()


def _motion(out: Reduced, motion: pd.DataFrame) -> None:
    _put(out.curves, "speed/speed_mps", _own(motion, _LIFT, ["speed_mps"]))
    _put(out.curves, "height/height_fraction", _own(motion, _LIFT, ["height_fraction"]))
    if not motion.empty:
        for name in motion.columns:
            if name.endswith("_deg"):
                _put(out.curves, f"angles/{name}", _own(motion, _LIFT, [name]))


def _shortfalls(moments: pd.DataFrame, mode: str | None) -> pd.DataFrame:
    """Frames of every trial and treatment in which a balanced moment could not be met."""
    if moments.empty:
        return moments
    if mode is not None:
        moments = moments.assign(lateral=mode)
    keys = ["trial", "person", "condition", "lateral"]
    frame = [*keys, "repetition", "frame"]
    table = greatest_unmet(moments, frame).reset_index()
    at_bound = moments.groupby(frame, sort=False, observed=True)["bound_met"].first() != ""
    table = table.merge(at_bound.rename("at_bound").reset_index(), on=frame)
    grouped = table.assign(short=table["size"] > LEAST_UNMET).groupby(
        keys, sort=False, observed=True
    )
    counts: pd.DataFrame = grouped.agg(
        frames=("short", "size"),
        frames_short=("short", "sum"),
        greatest_unmet_nm=("size", "max"),
        frames_at_hand_bound=("at_bound", "sum"),
    ).reset_index()
    rows: list[tuple[Any, ...]] = [
        (*key, shortfall_text(part))
        for key, part in moments.groupby(keys, sort=False, observed=True)
    ]
    return counts.merge(pd.DataFrame(rows, columns=[*keys, "short_of"]), on=keys)

"""A chunk: a few draws solved together, and the resulting table.

The frames of all draws, people and conditions of a chunk are joined in one call to
:func:`momentshare.sharing.share` for each treatment of the lateral force and criterion. Only lift
means and peaks of a draw are kept, never frames, so that memory does not grow.
"""

from __future__ import annotations

import io
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from momentshare.errors import InputError, MomentshareError, StudyError
from momentshare.exercise import make_lifts
from momentshare.model import load_model
from momentshare.runs import make_blocks
from momentshare.sharing import Status
from momentshare.uncertainty.draws import CUT, Draws, first_line
from momentshare.uncertainty.layout import Layout, build_layout
from momentshare.uncertainty.plan import CHUNK, CRITERIA

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from momentshare.exercise import Exercise, Lift
    from momentshare.limb import Limb
    from momentshare.model import Model
    from momentshare.person import Person
    from momentshare.runs import Answer, Setup
    from momentshare.runs import Task as SetupTask
    from momentshare.uncertainty.spreads import Spreads

__all__ = [
    "MEASURES",
    "Task",
    "chunk_bytes",
    "drawn_lifts",
    "planned_lifts",
    "random_normals",
    "setup_cells",
    "solve",
]

MEASURES = ("mean_activation", "peak_activation", "mean_force_n", "peak_force_n")
"""What is kept per head, lift and draw; columns are ``measure:head``."""

_SEEDED = 8
"""Number of draws per seeded stream."""

_FRAMES = 4096
"""Frames solved at a time, whose arrays stay near the processor; no digit depends on it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """One chunk to solve; can be sent to any process.

    Parameters
    ----------
    setup : Setup
        Without its model, which each process reads for itself.
    model : str
        Name or folder of the model.
    model_digest : str
        Digest of the model with which the run began; another one is refused.
    spreads : Spreads
    criteria : tuple of str
        As in :class:`~momentshare.uncertainty.UncertaintyPlan`.
    index : int
        Number of the chunk within its stage.
    seed, draws : int
        Of the plan; for a chunk that makes its own normals.
    normals : float array, shape (draws, variables), optional
        Standard normals of a designed chunk.
    """

    setup: Setup
    model: str
    model_digest: str
    spreads: Spreads
    criteria: tuple[str, ...]
    index: int
    seed: int
    draws: int
    normals: NDArray[np.float64] | None = None


@lru_cache(maxsize=4)
def _model(name: str) -> Any:
    return load_model(name)


def random_normals(seed: int, first: int, count: int, variables: int) -> NDArray[np.float64]:
    """Return the standard normals of draws; each depends on the seed and its number alone."""
    blocks = range(first // _SEEDED, -(-(first + count) // _SEEDED))
    # Whole blocks are drawn, so that the number of draws does not change the last one's values.
    normals = np.concatenate(
        [
            np.random.default_rng(np.random.SeedSequence([seed, block])).standard_normal(
                (_SEEDED, variables)
            )
            for block in blocks
        ]
    )
    skip = first % _SEEDED
    return np.asarray(np.clip(normals[skip : skip + count], -CUT, CUT))


def chunk_bytes(task: Task) -> bytes:
    """Solve a chunk; return its Parquet file. Runs in any process and needs no folder."""
    model = _model(task.model)
    if model.digest != task.model_digest:
        raise StudyError(
            f"model {model.name!r}: differs from the one the run began with "
            f"({model.digest}; must be {task.model_digest}); start anew in another folder"
        )
    setup = replace(task.setup, limbs=replace(task.setup.limbs, model=model))
    layout = build_layout(setup, task.spreads)
    first = task.index * CHUNK
    normals = task.normals
    if normals is None:
        count = min(CHUNK, task.draws - first)
        normals = random_normals(task.seed, first, count, len(layout))
    table = solve(layout, task.criteria, normals, first)
    buffer = io.BytesIO()
    # No two floats of a column are equal, and nobody asks for its least: what finds either costs
    # more than half of writing and reading.
    pq.write_table(
        table, buffer, compression="lz4", use_dictionary=list(_TEXTS), write_statistics=False
    )
    return buffer.getvalue()


_COUNTS = ("frames_out_of_reach", "frames_with_shortfall", "frames_uncertified")
_TEXTS = ("person", "condition", "lateral", "criterion", "status", "reason")


@dataclass(slots=True)
class _Rows:
    """Rows of the table of a chunk, filled as lifts are solved; each is a mean over its lifts."""

    heads: tuple[str, ...]
    keys: list[dict[str, Any]]
    sums: NDArray[np.float64]
    lifts: NDArray[np.intp]

    @property
    def values(self) -> NDArray[np.float64]:
        """Means over lifts, NaN where there is none."""
        count = np.where(self.lifts > 0, self.lifts, np.nan)
        return np.asarray(self.sums / count[:, None, None])

    def table(self) -> pa.Table:
        """Return the table."""
        values = self.values

        def column(name: str) -> list[Any]:
            return [row[name] for row in self.keys]

        count = np.where(self.lifts > 0, self.lifts, np.nan)
        arrays: dict[str, Any] = {
            "draw": _numbers(np.array(column("draw"), dtype=np.int64)),
            **{name: _texts(column(name)) for name in _TEXTS},
            **{name: _numbers(np.array(column(name), dtype=np.int32)) for name in _COUNTS},
            "mean_lateral_ratio": _numbers(np.array(column("mean_lateral_ratio")) / count),
        }
        for index, measure in enumerate(MEASURES):
            for at, head in enumerate(self.heads):
                arrays[f"{measure}:{head}"] = _numbers(values[:, index, at])
        return pa.table(arrays)


def _numbers(values: NDArray[Any]) -> pa.Array:
    """Column of numbers; ``pa.array`` imports pandas, a third of the start of a process."""
    kind = pa.from_numpy_dtype(values.dtype)
    return pa.Array.from_buffers(
        kind, len(values), [None, pa.py_buffer(np.ascontiguousarray(values))]
    )


def _texts(values: list[str]) -> pa.Array:
    """Column of texts, each stored once."""
    codes = {text: code for code, text in enumerate(dict.fromkeys(values))}
    parts = [text.encode() for text in codes]
    edges = np.cumsum([0, *map(len, parts)], dtype=np.int32)
    words = pa.StringArray.from_buffers(
        len(parts), pa.py_buffer(edges), pa.py_buffer(b"".join(parts))
    )
    own = _numbers(np.array([codes[text] for text in values], dtype=np.int32))
    return pa.DictionaryArray.from_arrays(own, words)


def solve(
    layout: Layout, criteria: Sequence[str], normals: NDArray[np.float64], first: int = 0
) -> pa.Table:
    """Solve draws and reduce them to lift means and peaks.

    Parameters
    ----------
    layout : Layout
    criteria : sequence of str
        Names of :data:`~momentshare.uncertainty.plan.CRITERIA`, or ``study``.
    normals : float array, shape (draws, variables)
    first : int
        Index of the first draw.

    Returns
    -------
    pyarrow.Table
        One row per draw, person, condition, lateral mode and criterion, in this order:
        ``status`` (``ok`` or ``failed`` with ``reason``), counts of frames, and
        ``measure:head`` columns, NaN where failed. Activation is relative, force in N.
    """
    setup, draws = layout.setup, Draws(layout, normals)
    cells = setup_cells(setup)
    keys: list[dict[str, Any]] = []
    slots: dict[tuple[int, str, str, str, str], int] = {}
    for draw in range(len(draws)):
        for person in setup.limbs.people:
            for condition, modes in cells.items():
                for mode in modes:
                    for criterion in criteria:
                        slot = (draw, person.name, condition, mode, criterion)
                        slots[slot] = len(keys)
                        keys.append(
                            dict(zip(("draw", *_TEXTS[:4]), (first + draw, *slot[1:]), strict=True))
                            | {"status": "ok", "reason": "", "mean_lateral_ratio": 0.0}
                            | dict.fromkeys(_COUNTS, 0)
                        )
    heads = layout.model.head_names
    rows = _Rows(
        heads, keys, np.zeros((len(keys), len(MEASURES), len(heads))), np.zeros(len(keys), int)
    )
    for row in range(len(setup.limbs.people)):
        _solve_person(draws, row, criteria, rows, slots)
    return rows.table()


def setup_cells(setup: Setup) -> dict[str, tuple[str, ...]]:
    """Conditions with the treatments of the lateral force that all their lifts have.

    Raises
    ------
    InputError
        A person has no lift of a condition, so nothing could be paired.
    """
    modes: dict[str, tuple[str, ...]] = {}
    seen = set()
    for task in setup.tasks:
        own = tuple(lateral.mode for lateral in task.treatments)
        both = modes.get(task.condition, own)
        modes[task.condition] = tuple(mode for mode in both if mode in own)
        seen.add((task.person, task.condition))
    people = [person.name for person in setup.limbs.people]
    faults = [
        f"{person!r} has no lift of {condition!r}"
        for person in people
        for condition in modes
        if (person, condition) not in seen
    ]
    if faults:
        raise InputError(
            "uncertainty pairs all conditions of all people; choose with --person and "
            "--condition those that are whole:",
            faults,
        )
    return modes


def _solve_person(
    draws: Draws,
    row: int,
    criteria: Sequence[str],
    rows: _Rows,
    slots: Mapping[tuple[int, str, str, str, str], int],
) -> None:
    """Solve one person's draws in all conditions, treatments and criteria."""
    setup = draws.layout.setup
    name, tasks = setup.limbs.people[row].name, [t for t in setup.tasks if t.limb == row]
    limbs, limb_rows, failed = draws.limbs(row)
    reasons = {(k, task.condition): why for k, why in failed.items() for task in tasks}
    lifts: list[Lift] = []
    owners: list[tuple[int, SetupTask]] = []
    if limbs is not None:
        planned, unmade = planned_lifts(draws, tasks, limbs, limb_rows)
        reasons |= unmade
        for task in tasks:
            found, why = drawn_lifts(draws, task, limbs, limb_rows, planned)
            reasons |= {(k, task.condition): reason for k, reason in why.items()}
            lifts += found.values()
            owners += [(k, task) for k in found]
    for (draw, person, condition, _, _), slot in slots.items():
        if person == name and (draw, condition) in reasons:
            rows.keys[slot] |= {"status": "failed", "reason": reasons[draw, condition]}
    if limbs is None or not lifts:
        return
    shifts = {t.condition: draws.ratio_shifts(t) for t in tasks if t.given is None}
    limb_of_lift = [limb_rows[k] for k, _ in owners]
    for block in make_blocks(limbs, lifts, limb_of_lift, frames=_FRAMES, threads=1):
        wanted = []
        for place, number in enumerate(block.numbers):
            draw, task = owners[number]
            shift = float(shifts[task.condition][draw]) if task.given is None else 0.0
            wanted += [
                (place, lateral.shifted(shift) if lateral.mode == "measured" else lateral)
                for lateral in task.treatments
                if (draw, name, task.condition, lateral.mode, criteria[0]) in slots
            ]
        for criterion in criteria:
            chosen = setup.criterion
            if criterion in CRITERIA:
                chosen = replace(chosen, exponent=CRITERIA[criterion])
            for answer in block.solve(
                wanted, chosen, greatest_load=False, glenoid=setup.glenoid, threads=1
            ):
                at = [
                    slots[owner[0], name, owner[1].condition, lateral.mode, criterion]
                    for place, lateral in answer.members
                    for owner in (owners[block.numbers[place]],)
                ]
                _reduce(answer, np.array(at), rows)


def planned_lifts(
    draws: Draws, tasks: Sequence[SetupTask], limbs: Limb, limb_rows: Mapping[int, int]
) -> tuple[dict[tuple[int, str], Lift | MomentshareError], dict[tuple[int, str], str]]:
    """Lifts of all planned tasks at once, by draw and condition, and why there is no exercise."""
    reasons: dict[tuple[int, str], str] = {}
    exercises: list[Exercise] = []
    keys: list[tuple[int, str]] = []
    for task in tasks:
        if task.given is not None or task.lift is not None:
            continue
        made: dict[int, Exercise] = {}
        for k, at in limb_rows.items():
            try:
                made[k] = _exercise(task, limbs.skeleton.people[at], limbs.model)
            except MomentshareError as err:
                reasons[k, task.condition] = first_line(err)
        drawn, why = draws.exercises(made, task)
        reasons |= {(k, task.condition): text for k, text in why.items()}
        keys += [(k, task.condition) for k in drawn]
        exercises += drawn.values()
    rows = [limb_rows[k] for k, _ in keys]
    found = make_lifts(exercises, limbs.skeleton, rows, limits=False)
    return dict(zip(keys, found, strict=True)), reasons


def drawn_lifts(
    draws: Draws,
    task: SetupTask,
    limbs: Limb,
    limb_rows: Mapping[int, int],
    planned: Mapping[tuple[int, str], Lift | MomentshareError] | None = None,
) -> tuple[dict[int, Lift], dict[int, str]]:
    """Lifts of one task by draw, and why there are none.

    ``planned`` are those of :func:`planned_lifts` if several tasks were solved together.
    """
    reasons: dict[int, str] = {}
    if planned is None:
        planned, unmade = planned_lifts(draws, [task], limbs, limb_rows)
        reasons |= {k: why for (k, _), why in unmade.items()}
    found: Mapping[int, Lift | MomentshareError]
    if task.given is not None:
        given = draws.given(task)
        return {k: given[k].lift(limbs.skeleton.take(at)) for k, at in limb_rows.items()}, reasons
    if task.lift is not None:
        found = {**draws.measured(task, limbs.skeleton, limb_rows)}
    else:
        own = ((k, planned.get((k, task.condition))) for k in limb_rows)
        found = {k: lift for k, lift in own if lift is not None}
    factors = draws.load_factors(task)
    lifts: dict[int, Lift] = {}
    for k, lift in found.items():
        if isinstance(lift, MomentshareError):
            reasons[k] = first_line(lift)
        elif lift.reachable.any():
            lifts[k] = replace(lift, load_mass=lift.load_mass * float(factors[k]))
        else:
            reasons[k] = "no frame can be reached"
    return lifts, reasons


def _exercise(task: SetupTask, person: Person, model: Model) -> Exercise:
    """Exercise of a planned task for a drawn person."""
    assert task.exercise is not None  # noqa: S101 - a task that is not measured is planned
    return task.exercise if task.exercise_for is None else task.exercise_for(person, model)


def _reduce(answer: Answer, slots: NDArray[np.intp], rows: _Rows) -> None:
    """Keep lift means and peaks of the frames within reach."""
    posed, begin = answer.balance.posed, answer.edges[:-1]

    def total(values: NDArray[Any]) -> NDArray[Any]:
        known = posed.reshape(-1, *[1] * (values.ndim - 1))
        return np.asarray(np.add.reduceat(np.where(known, values, 0), begin))

    count = total(posed.astype(np.int64))
    for k, values in ((0, answer.sharing.activation), (2, answer.sharing.force)):
        known = np.where(posed[:, None], values, -np.inf)
        np.add.at(rows.sums[:, k], slots, total(values) / count[:, None])
        np.add.at(rows.sums[:, k + 1], slots, np.maximum.reduceat(known, begin))
    np.add.at(rows.lifts, slots, 1)
    mean = total(answer.hand.ratio(answer.balance.vertical)) / count
    lost = np.diff(answer.edges) - count
    short, open_ = (
        total((answer.sharing.status == status).astype(np.int64))
        for status in (Status.SHORTFALL, Status.UNCERTIFIED)
    )
    for at, slot in enumerate(slots):
        row = rows.keys[slot]
        row["mean_lateral_ratio"] += float(mean[at])
        row["frames_out_of_reach"] += int(lost[at])
        row["frames_with_shortfall"] += int(short[at])
        row["frames_uncertified"] += int(open_[at])

"""A chunk: a few draws solved together, and the table that they leave.

The frames of all draws, people and conditions of a chunk stand side by side in one call to
:func:`momentshare.sharing.share` for each treatment of the lateral force and criterion. What
stays of a draw are lift means and peaks, never frames, so that memory does not grow.
"""

from __future__ import annotations

import io
import json
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from momentshare.errors import MomentshareError, StudyError
from momentshare.exercise import lifts_of
from momentshare.model import load_model
from momentshare.runs import blocks_of
from momentshare.sharing import Status
from momentshare.study.run import exercise_of, lateral_of
from momentshare.uncertainty.draws import CUT, Draws, Layout, build_layout, first_line
from momentshare.uncertainty.plan import CHUNK, Plan

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from momentshare.exercise import Exercise, Lift
    from momentshare.limb import Limb
    from momentshare.model import Model
    from momentshare.runs import Answer
    from momentshare.study.schema import ConditionEntry, PersonEntry

__all__ = ["MEASURES", "Task", "chunk_bytes", "random_normals", "solve"]

MEASURES = ("mean_activation", "peak_activation", "mean_force_n", "peak_force_n")
"""What is kept of each head, lift and draw; columns are ``measure:head``."""

_SEEDED = 8
"""Draws that one seeded stream gives."""


@dataclass(frozen=True, slots=True)
class Task:
    """One chunk to solve.

    Parameters
    ----------
    plan : Plan
    model_digest : str
        Of the model the manifest was written with; another one is refused.
    stage : {"draws", "screening", "indices"}
    index : int
        Number of the chunk within its stage.
    run : str
        Digest of the manifest.
    normals : float array, shape (draws, variables), optional
        Standard normals of a designed chunk; a random one makes its own from the seed.
    """

    plan: Plan
    model_digest: str
    stage: str
    index: int
    run: str
    normals: NDArray[np.float64] | None = None


@lru_cache(maxsize=4)
def _model(name: str) -> Any:
    return load_model(name)


def random_normals(seed: int, first: int, count: int, variables: int) -> NDArray[np.float64]:
    """Return the standard normals of draws; each depends on the seed and its number alone."""
    blocks = range(first // _SEEDED, -(-(first + count) // _SEEDED))
    # Whole blocks are drawn, so that the number of draws does not shift the last one's.
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
    """Solve a chunk; return its Parquet file. Runs in any process, knows no folder."""
    plan, model = task.plan, _model(task.plan.study.file.model)
    if model.digest != task.model_digest:
        raise StudyError(
            f"model {model.name!r}: differs from the one the run began with "
            f"({model.digest}, wanted {task.model_digest}); start anew in another folder"
        )
    layout = build_layout(plan.study, model, plan.spreads, plan.people)
    first = task.index * CHUNK
    normals = task.normals
    if normals is None:
        normals = random_normals(plan.seed, first, min(CHUNK, plan.draws - first), len(layout))
    table = solve(layout, plan, normals, first)
    tag = {"run": task.run, "stage": task.stage, "index": task.index}
    table = table.replace_schema_metadata({"momentshare": json.dumps(tag)})
    buffer = io.BytesIO()
    pq.write_table(table, buffer, compression="zstd")
    return buffer.getvalue()


_COUNTS = ("frames_out_of_reach", "frames_with_shortfall", "frames_uncertified")
_TEXTS = ("person", "condition", "lateral", "criterion", "status", "reason")


@dataclass(slots=True)
class _Rows:
    """Rows of the table of a chunk, filled as lifts are solved."""

    heads: tuple[str, ...]
    keys: list[dict[str, Any]]
    values: NDArray[np.float64]

    def table(self) -> pa.Table:
        """Return the table."""

        def column(name: str) -> list[Any]:
            return [row[name] for row in self.keys]

        arrays: dict[str, Any] = {
            "draw": pa.array(column("draw"), pa.int64()),
            **{name: pa.array(column(name), pa.string()).dictionary_encode() for name in _TEXTS},
            **{name: pa.array(column(name), pa.int32()) for name in _COUNTS},
            "mean_lateral_ratio": pa.array(column("mean_lateral_ratio"), pa.float64()),
        }
        for index, measure in enumerate(MEASURES):
            for at, head in enumerate(self.heads):
                arrays[f"{measure}:{head}"] = pa.array(self.values[:, index, at], pa.float64())
        return pa.table(arrays)


def solve(layout: Layout, plan: Plan, normals: NDArray[np.float64], first: int = 0) -> pa.Table:
    """Solve draws and reduce them to lift means and peaks.

    Parameters
    ----------
    layout : Layout
    plan : Plan
    normals : float array, shape (draws, variables)
    first : int
        Number of the first draw.

    Returns
    -------
    pyarrow.Table
        One row a draw, person, condition, lateral mode and criterion, in this order:
        ``status`` (``ok`` or ``failed`` with ``reason``), counts of frames, and
        ``measure:head`` columns, NaN where failed. Activation is relative, force in N.
    """
    file, draws = plan.study.file, Draws(layout, normals)
    keys: list[dict[str, Any]] = []
    slots: dict[tuple[int, str, str, str, str], int] = {}
    for draw in range(len(draws)):
        for entry in layout.people:
            for condition in file.condition:
                for lateral in lateral_of(condition, file.settings):
                    for criterion in plan.criteria:
                        slot = (draw, entry.name, condition.name, lateral.mode, criterion)
                        slots[slot] = len(keys)
                        keys.append(
                            dict(zip(("draw", *_TEXTS[:4]), (first + draw, *slot[1:]), strict=True))
                            | {"status": "ok", "reason": "", "mean_lateral_ratio": np.nan}
                            | dict.fromkeys(_COUNTS, 0)
                        )
    heads = layout.model.head_names
    rows = _Rows(heads, keys, np.full((len(keys), len(MEASURES), len(heads)), np.nan))
    for entry in layout.people:
        _solve_person(draws, entry, plan, rows, slots)
    return rows.table()


def _solve_person(
    draws: Draws,
    entry: PersonEntry,
    plan: Plan,
    rows: _Rows,
    slots: Mapping[tuple[int, str, str, str, str], int],
) -> None:
    """Carry one person's draws through all conditions, treatments and criteria."""
    file, model = plan.study.file, draws.layout.model
    limbs, limb_rows, failed = draws.limbs(entry)
    reasons = {(k, c.name): why for k, why in failed.items() for c in file.condition}
    lifts: list[Lift] = []
    owners: list[tuple[int, ConditionEntry]] = []
    if limbs is not None:
        for condition in file.condition:
            found, why = _lifts(draws, entry, condition, limbs, limb_rows, model, plan.frames)
            reasons |= {(k, condition.name): reason for k, reason in why.items()}
            lifts += found.values()
            owners += [(k, condition) for k in found]
    for (draw, name, condition_name, _, _), slot in slots.items():
        if name == entry.name and (draw, condition_name) in reasons:
            rows.keys[slot] |= {"status": "failed", "reason": reasons[draw, condition_name]}
    if limbs is None or not lifts:
        return
    shifts = {c.name: draws.ratio_shifts(entry, c.name) for c in file.condition}
    settings = file.settings
    whole = sum(len(lift.fraction) for lift in lifts)
    limb_of_lift = [limb_rows[k] for k, _ in owners]
    for block in blocks_of(limbs, lifts, limb_of_lift, frames=whole, threads=1):
        wanted = []
        for place, number in enumerate(block.numbers):
            draw, condition = owners[number]
            for lateral in lateral_of(condition, settings):
                shifted = lateral
                if lateral.mode == "measured":
                    shifted = lateral.shifted(float(shifts[condition.name][draw]))
                wanted.append((place, shifted))
        for criterion in plan.criteria:
            chosen = replace(settings.criterion(), exponent=plan.exponent(criterion))
            for answer in block.solve(
                wanted,
                chosen,
                greatest_load=False,
                glenoid=settings.glenoid_constraint,
                threads=1,
            ):
                at = [
                    slots[owner[0], entry.name, owner[1].name, lateral.mode, criterion]
                    for place, lateral in answer.members
                    for owner in (owners[block.numbers[place]],)
                ]
                _reduce(answer, np.array(at), rows)


def _lifts(
    draws: Draws,
    entry: PersonEntry,
    condition: ConditionEntry,
    limbs: Limb,
    limb_rows: Mapping[int, int],
    model: Model,
    frames: int,
) -> tuple[dict[int, Lift], dict[int, str]]:
    """Lifts of one condition by draw, and where there is none, why."""
    made: dict[int, Exercise] = {}
    reasons: dict[int, str] = {}
    for k, row in limb_rows.items():
        try:
            made[k] = exercise_of(condition, entry, limbs.skeleton.people[row], model, frames)
        except MomentshareError as err:
            reasons[k] = first_line(err)
    made = draws.exercises(made, entry, condition.name)
    found = lifts_of(
        list(made.values()), limbs.skeleton, [limb_rows[k] for k in made], limits=False
    )
    factors = draws.load_factors(entry, condition.name)
    lifts: dict[int, Lift] = {}
    for k, lift in zip(made, found, strict=True):
        if isinstance(lift, MomentshareError):
            reasons[k] = first_line(lift)
        elif lift.reachable.any():
            lifts[k] = replace(lift, load_mass=lift.load_mass * float(factors[k]))
        else:
            reasons[k] = "no frame can be reached"
    return lifts, reasons


def _reduce(answer: Answer, slots: NDArray[np.intp], rows: _Rows) -> None:
    """Keep lift means and peaks of the frames in reach."""
    posed, begin = answer.balance.posed, answer.edges[:-1]

    def total(values: NDArray[Any]) -> NDArray[Any]:
        known = posed.reshape(-1, *[1] * (values.ndim - 1))
        return np.asarray(np.add.reduceat(np.where(known, values, 0), begin))

    count = total(posed.astype(np.int64))
    for k, values in ((0, answer.sharing.activation), (2, answer.sharing.force)):
        rows.values[slots, k] = total(values) / count[:, None]
        known = np.where(posed[:, None], values, -np.inf)
        rows.values[slots, k + 1] = np.maximum.reduceat(known, begin)
    vertical = answer.balance.vertical
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(vertical > 0.0, answer.hand.push / vertical, 0.0)
    mean = total(ratio) / count
    lost = np.diff(answer.edges) - count
    short, open_ = (
        total((answer.sharing.status == status).astype(np.int64))
        for status in (Status.SHORTFALL, Status.UNCERTIFIED)
    )
    for at, slot in enumerate(slots):
        rows.keys[slot] |= {
            "mean_lateral_ratio": float(mean[at]),
            "frames_out_of_reach": int(lost[at]),
            "frames_with_shortfall": int(short[at]),
            "frames_uncertified": int(open_[at]),
        }

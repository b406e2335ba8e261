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

from momentshare.errors import StudyError
from momentshare.model import load_model
from momentshare.paths import ROWS
from momentshare.sharing import Status, share
from momentshare.study.run import lateral_of
from momentshare.uncertainty.batch import Block, blocks_of
from momentshare.uncertainty.draws import CUT, Draw, Layout, build_layout
from momentshare.uncertainty.plan import CHUNK, Plan

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from momentshare.analysis import Lateral
    from momentshare.study.schema import ConditionEntry, PersonEntry

__all__ = ["MEASURES", "Task", "chunk_bytes", "random_normals", "read_tag", "solve"]

MEASURES = ("mean_effort", "peak_effort", "mean_force_n", "peak_force_n")
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


def read_tag(path: str) -> dict[str, Any] | None:
    """Which chunk a file holds; None where it cannot be read to its end."""
    try:
        meta = pq.read_schema(path).metadata or {}
        tag = json.loads(meta[b"momentshare"])
    except (OSError, KeyError, ValueError, pa.ArrowException):
        return None
    return tag if isinstance(tag, dict) else None


@dataclass(slots=True)
class _Entry:
    """One lift of one draw; its frames stand from ``first`` to ``last`` of all."""

    draw: int
    person: str
    condition: str
    modes: tuple[Lateral, ...]
    first: int
    last: int
    lost: int
    weights: NDArray[np.float64]
    reason: str


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
        ``measure:head`` columns, NaN where failed. Effort is relative, force in N.
    """
    file = plan.study.file
    draws = [Draw(layout, z) for z in normals]
    blocks: list[Block] = []
    lifts: dict[tuple[int, int, int], _Entry] = {}
    frames = 0
    for p, entry in enumerate(layout.people):
        found = blocks_of(draws, entry, file.condition, plan.frames)
        for c, (condition, block) in enumerate(zip(file.condition, found, strict=True)):
            ends = frames + np.cumsum(block.counts)
            for k, draw in enumerate(draws):
                lifts[k, p, c] = _Entry(
                    draw=first + k,
                    person=entry.name,
                    condition=condition.name,
                    modes=_modes(draw, entry, condition, list(file.settings.lateral)),
                    first=int(ends[k] - block.counts[k]),
                    last=int(ends[k]),
                    lost=int(block.lost[k]),
                    weights=block.weights[k],
                    reason=block.reasons[k],
                )
            frames = int(ends[-1])
            blocks.append(block)
    return _reduce([lifts[key] for key in sorted(lifts)], blocks, layout, plan)


def _modes(
    draw: Draw, entry: PersonEntry, condition: ConditionEntry, modes: list[str]
) -> tuple[Lateral, ...]:
    """Treatments of the lateral force, a given ratio shifted by its draw."""
    shift = draw.ratio_shift(entry, condition.name)
    return tuple(
        replace(m, ratio=float(np.asarray(m.ratio)) + shift) if m.mode == "measured" else m
        for m in lateral_of(condition, modes)
    )


def _reduce(
    lifts: Sequence[_Entry], blocks: Sequence[Block], layout: Layout, plan: Plan
) -> pa.Table:
    """Share every mode and criterion and keep lift means and peaks."""
    heads = layout.model.head_names
    keys: dict[str, list[Any]] = {
        name: []
        for name in (
            "draw", "person", "condition", "lateral", "criterion", "status", "reason",
            "frames_out_of_reach", "frames_with_shortfall", "frames_uncertified",
            "mean_lateral_ratio",
        )
    }  # fmt: skip
    slots: dict[tuple[int, str, str], int] = {}
    for number, item in enumerate(lifts):
        for lateral in item.modes:
            for criterion in plan.criteria:
                slots[number, lateral.mode, criterion] = len(keys["draw"])
                for name, value in (
                    ("draw", item.draw),
                    ("person", item.person),
                    ("condition", item.condition),
                    ("lateral", lateral.mode),
                    ("criterion", criterion),
                    ("status", "failed" if item.reason else "ok"),
                    ("reason", item.reason),
                    ("frames_out_of_reach", item.lost),
                    ("frames_with_shortfall", 0),
                    ("frames_uncertified", 0),
                    ("mean_lateral_ratio", np.nan),
                ):
                    keys[name].append(value)
    values = np.full((len(keys["draw"]), len(MEASURES), len(heads)), np.nan)
    if any(not item.reason for item in lifts):
        rows = [ROWS.index(name) for name in plan.study.file.settings.criterion().rows]
        whole = {
            name: np.concatenate([getattr(block, name) for block in blocks])
            for name in ("arms", "capacity", "passive", "moments", "lateral", "vertical")
        }
        whole |= {name: whole[name][:, rows] for name in ("arms", "moments", "lateral")}
        for mode in ("measured", "zero", "free"):
            members = [
                (number, item, lateral)
                for number, item in enumerate(lifts)
                if not item.reason
                for lateral in item.modes
                if lateral.mode == mode
            ]
            if members:
                _solve_mode(mode, members, whole, plan, heads, slots, keys, values)
    arrays: dict[str, Any] = {
        "draw": pa.array(keys["draw"], pa.int64()),
        **{
            name: pa.array(keys[name], pa.string()).dictionary_encode()
            for name in ("person", "condition", "lateral", "criterion", "status", "reason")
        },
        **{
            name: pa.array(keys[name], pa.int32())
            for name in ("frames_out_of_reach", "frames_with_shortfall", "frames_uncertified")
        },
        "mean_lateral_ratio": pa.array(keys["mean_lateral_ratio"], pa.float64()),
    }
    for index, measure in enumerate(MEASURES):
        for at, head in enumerate(heads):
            arrays[f"{measure}:{head}"] = pa.array(values[:, index, at], pa.float64())
    return pa.table(arrays)


def _solve_mode(
    mode: str,
    members: list[tuple[int, _Entry, Lateral]],
    whole: dict[str, NDArray[np.float64]],
    plan: Plan,
    heads: tuple[str, ...],
    slots: dict[tuple[int, str, str], int],
    keys: dict[str, list[Any]],
    values: NDArray[np.float64],
) -> None:
    """Solve all frames of one treatment of the lateral force, one call a criterion."""
    at = np.concatenate([np.arange(item.first, item.last) for _, item, _ in members])
    counts = [item.last - item.first for _, item, _ in members]
    edges = np.concatenate([[0], np.cumsum(counts)])
    data = {name: array[at] for name, array in whole.items()}
    moments, push = data["moments"], np.zeros(len(at))
    columns: NDArray[np.float64] | None = None
    bounds: tuple[NDArray[np.float64], NDArray[np.float64]] | None = None
    if mode == "measured":
        ratio = np.repeat([lateral.ratio for _, _, lateral in members], counts)
        push = ratio * data["vertical"]
        moments = moments + push[:, None] * data["lateral"]
    elif mode == "free":
        # R F = m + c f, so the free column of R F + C f = m is -c.
        columns = -data["lateral"][:, :, None]
        if any(lateral.bounds is not None for _, _, lateral in members):
            limits = [lateral.bounds or (-np.inf, np.inf) for _, _, lateral in members]
            low, high = (
                np.repeat([limit[k] for limit in limits], counts) * data["vertical"] for k in (0, 1)
            )
            bounds = (low[:, None], high[:, None])
    weights = None
    if plan.study.file.settings.weights == "volume":
        weights = np.repeat(np.array([item.weights for _, item, _ in members]), counts, axis=0)
    for criterion in plan.criteria:
        answer = share(
            data["arms"],
            data["capacity"],
            moments,
            passive_force=data["passive"],
            exponent=plan.exponent(criterion),
            weights=weights,
            free_columns=columns,
            free_bounds=bounds,
            threads=1,
            head_names=heads,
        )
        out = answer.free_values[:, 0] if columns is not None else push
        vertical = data["vertical"]
        lateral_ratio = np.where(vertical > 0.0, out / np.where(vertical > 0.0, vertical, 1.0), 0.0)
        slot = [slots[number, lateral.mode, criterion] for number, _, lateral in members]
        begin, size = edges[:-1], np.array(counts)
        for k, value in ((0, answer.activation), (2, answer.force)):
            values[slot, k] = np.add.reduceat(value, begin) / size[:, None]
            values[slot, k + 1] = np.maximum.reduceat(value, begin)
        means = np.add.reduceat(lateral_ratio, begin) / size
        short, unsure = (
            np.add.reduceat((answer.status == status).astype(np.int64), begin)
            for status in (Status.SHORTFALL, Status.UNCERTIFIED)
        )
        for at_slot, mean, few, open_ in zip(slot, means, short, unsure, strict=True):
            keys["mean_lateral_ratio"][at_slot] = float(mean)
            keys["frames_with_shortfall"][at_slot] = int(few)
            keys["frames_uncertified"][at_slot] = int(open_)

"""A chunk: a few draws solved together, and the table that they leave.

The frames of all draws, people and conditions of a chunk stand side by side in one call to
:func:`momentshare.sharing.share` for each treatment of the lateral force and criterion. What
stays of a draw are lift means and peaks, never frames, so that memory does not grow.
"""

from __future__ import annotations

import io
import json
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from momentshare.demand import demand
from momentshare.errors import MomentshareError, StudyError
from momentshare.model import load_model
from momentshare.paths import ROWS, Paths
from momentshare.posture import Posture
from momentshare.sharing import Status, share
from momentshare.study.run import exercise_of, lateral_of
from momentshare.uncertainty.draws import CUT, Draw, Layout, build_layout
from momentshare.uncertainty.plan import CHUNK, Plan

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from momentshare.analysis import Lateral
    from momentshare.exercise.lift import Lift
    from momentshare.limb import Limb
    from momentshare.study.schema import ConditionEntry, PersonEntry

__all__ = ["MEASURES", "Task", "chunk_bytes", "random_normals", "read_tag", "solve"]

MEASURES = ("mean_effort", "peak_effort", "mean_force_n", "peak_force_n")
"""What is kept of each head, lift and draw; columns are ``measure:head``."""


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


def random_normals(seed: int, index: int, count: int, variables: int) -> NDArray[np.float64]:
    """Return the standard normals of a chunk; they depend on seed and index alone."""
    rng = np.random.default_rng(np.random.SeedSequence([seed, index]))
    # A whole chunk is drawn, so that the number of draws does not shift the last one's.
    return np.clip(rng.standard_normal((CHUNK, variables)), -CUT, CUT)[:count]


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
        normals = random_normals(plan.seed, task.index, min(CHUNK, plan.draws - first), len(layout))
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
class _Batch:
    """Frames of many lifts, stacked; one entry a lift in ``lifts``."""

    lifts: list[_Entry] = field(default_factory=list)
    arms: list[NDArray[np.float64]] = field(default_factory=list)
    capacity: list[NDArray[np.float64]] = field(default_factory=list)
    passive: list[NDArray[np.float64]] = field(default_factory=list)
    moments: list[NDArray[np.float64]] = field(default_factory=list)
    lateral: list[NDArray[np.float64]] = field(default_factory=list)
    vertical: list[NDArray[np.float64]] = field(default_factory=list)
    frames: int = 0


@dataclass(slots=True)
class _Entry:
    draw: int
    person: str
    condition: str
    modes: tuple[Lateral, ...]
    first: int = 0
    last: int = 0
    lost: int = 0
    weights: NDArray[np.float64] | None = None
    reason: str = ""


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
    rows = [ROWS.index(name) for name in file.settings.criterion().rows]
    batch = _Batch()
    for offset, z in enumerate(normals):
        draw = Draw(layout, z)
        for entry in layout.people:
            _gather(batch, draw, first + offset, entry, file.condition, plan, rows)
    return _reduce(batch, layout, plan)


def _gather(
    batch: _Batch,
    draw: Draw,
    number: int,
    entry: PersonEntry,
    conditions: Sequence[ConditionEntry],
    plan: Plan,
    rows: list[int],
) -> None:
    """Add the lifts of one person in one draw; a failure is an entry with a reason."""
    settings = plan.study.file.settings
    entries = [
        _Entry(number, entry.name, c.name, _modes(draw, entry, c, list(settings.lateral)))
        for c in conditions
    ]
    batch.lifts += entries
    try:
        limb = draw.limb(entry)
    except MomentshareError as err:
        for item in entries:
            item.reason = str(err).split("\n", maxsplit=1)[0]
        return
    lifts: list[tuple[_Entry, Lift]] = []
    for item, condition in zip(entries, conditions, strict=True):
        try:
            exercise = exercise_of(
                condition, entry, limb.skeleton.person, draw.layout.model, plan.frames
            )
            lift = draw.lift(exercise, entry, condition.name, limb.skeleton)
        except MomentshareError as err:
            item.reason = str(err).split("\n", maxsplit=1)[0]
            continue
        if not lift.reachable.any():
            item.reason = "no frame can be reached"
            continue
        lifts.append((item, lift))
    if not lifts:
        return
    found = _joint_paths(limb, [lift for _, lift in lifts])
    heavy = replace(limb.skeleton, model=draw.inertia_model())
    weights = limb.volume / limb.volume.mean() if settings.weights == "volume" else None
    begin = 0
    for item, lift in lifts:
        count = len(lift.fraction)
        part = _slice(found, begin, begin + count)
        begin += count
        good = lift.reachable
        need = demand(heavy, lift)
        state = limb.capacity(part.length, _velocity(part, lift))
        batch.arms.append(part.moment_arms[good][:, rows])
        batch.capacity.append(state.active_capacity[good])
        batch.passive.append(state.passive_force[good])
        batch.moments.append(
            (need.limb_moments[good] + need.load_mass * need.load_moments[good])[:, rows]
        )
        batch.lateral.append(need.lateral_moments[good][:, rows])
        batch.vertical.append(need.hand_force()[good])
        item.first, item.last = batch.frames, batch.frames + int(good.sum())
        item.lost, item.weights = int((~good).sum()), weights
        batch.frames = item.last


def _modes(
    draw: Draw, entry: PersonEntry, condition: ConditionEntry, modes: list[str]
) -> tuple[Lateral, ...]:
    """Treatments of the lateral force, a given ratio shifted by its draw."""
    shift = draw.ratio_shift(entry, condition.name)
    return tuple(
        replace(m, ratio=m.ratio + shift) if m.mode == "measured" else m
        for m in lateral_of(condition, modes)
    )


def _joint_paths(limb: Limb, lifts: Sequence[Lift]) -> Paths:
    """Paths of all lifts of a limb in one call."""
    return limb.paths(
        Posture(
            humerus=np.concatenate([x.posture.humerus for x in lifts]),
            elbow_flexion=np.concatenate([x.posture.elbow_flexion for x in lifts]),
            forearm_rotation=np.concatenate([x.posture.forearm_rotation for x in lifts]),
        )
    )


def _slice(found: Paths, begin: int, end: int) -> Paths:
    arrays = {
        name: getattr(found, name)[begin:end]
        for name in Paths.__dataclass_fields__
        if name != "head_names"
    }
    return Paths(head_names=found.head_names, **arrays)


def _velocity(found: Paths, lift: Lift) -> NDArray[np.float64] | None:
    """Path velocity [m/s] of a timed lift, as :func:`momentshare.analysis.prepare` has it."""
    motion = lift.motion
    if motion is None:
        return None
    turn = np.einsum("fhk,fk->fh", found.shoulder_moment, motion.humerus_angular_velocity)
    hinge = -found.moment_arms[:, 3] * motion.elbow_flexion_velocity[:, None]
    spin = found.moment_arms[:, 4] * motion.forearm_rotation_velocity[:, None]
    return np.asarray(-(turn + hinge + spin))


def _reduce(batch: _Batch, layout: Layout, plan: Plan) -> pa.Table:
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
    for number, item in enumerate(batch.lifts):
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
    if batch.frames:
        whole = {
            name: np.concatenate(getattr(batch, name))
            for name in ("arms", "capacity", "passive", "moments", "lateral", "vertical")
        }
        for mode in ("measured", "zero", "free"):
            members = [
                (number, item, lateral)
                for number, item in enumerate(batch.lifts)
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
        for (number, _, lateral), begin, end in zip(members, edges[:-1], edges[1:], strict=True):
            slot = slots[number, lateral.mode, criterion]
            effort, force = answer.activation[begin:end], answer.force[begin:end]
            values[slot] = effort.mean(0), effort.max(0), force.mean(0), force.max(0)
            status = answer.status[begin:end]
            keys["frames_with_shortfall"][slot] = int((status == Status.SHORTFALL).sum())
            keys["frames_uncertified"][slot] = int((status == Status.UNCERTIFIED).sum())
            keys["mean_lateral_ratio"][slot] = float(lateral_ratio[begin:end].mean())

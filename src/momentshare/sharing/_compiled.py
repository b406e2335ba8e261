"""Run the compiled kernel over chunks of frames, one thread a core."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from importlib.util import find_spec
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from momentshare.errors import MissingExtraError
from momentshare.sharing import _newton
from momentshare.sharing._balance import DEPENDENT, IDLE
from momentshare.sharing._certificate import CERTIFIED, ROUNDED
from momentshare.sharing._result import RawSharing, Status

if TYPE_CHECKING:
    from collections.abc import Callable

    from momentshare.sharing._problem import Problem

CHUNK = 2048
"""Frames that are worth a thread of their own."""


def is_available() -> bool:
    """Whether the kernel can be compiled here."""
    return find_spec("numba") is not None


def cores() -> int:
    """Cores this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def solve_compiled(
    problem: Problem,
    threads: int | None,
    otherwise: Callable[[Problem], RawSharing],
    *,
    chain: bool = True,
) -> RawSharing:
    """Solve every frame; those the kernel cannot certify go to ``otherwise``.

    With ``chain`` each frame of a chunk starts at the multipliers of the one before.

    Raises
    ------
    MissingExtraError
        If numba is not installed.
    """
    if not is_available():
        raise MissingExtraError("numba", "fast", "the compiled sharing route")
    from momentshare.sharing._kernel import solve_frames
    from momentshare.sharing._kernel_frame import Limits

    frames, rows, heads, free = problem.frames, problem.rows, problem.heads, problem.free
    raw = RawSharing(
        activation=np.empty((frames, heads)),
        multipliers=np.empty((frames, rows)),
        unmet=np.empty((frames, rows)),
        free_values=np.empty((frames, free)),
        held=np.zeros((frames, problem.limits.shape[1])),
        status=np.zeros(frames, dtype=np.int8),
        moment_residual=np.empty(frames),
        bound_violation=np.empty(frames),
        stationarity=np.empty(frames),
        duality_gap=np.empty(frames),
    )
    good = np.zeros(frames, dtype=np.bool_)
    numbers = np.empty((frames, 4))
    start = np.zeros((0, rows)) if problem.start is None else problem.start

    limits = Limits(
        slack_weight=_newton.SLACK_WEIGHT,
        residual=_newton.RESIDUAL,
        settled=_newton.SETTLED,
        curvature=_newton.CURVATURE,
        near=_newton.NEAR,
        finish=_newton.FINISH,
        dependent=DEPENDENT,
        idle=IDLE,
        certified=CERTIFIED,
        rounded=ROUNDED,
    )

    def run(span: tuple[int, int]) -> None:
        solve_frames(
            problem.arms, problem.capacity, problem.moments, problem.passive, problem.weights,
            problem.columns, start, problem.exponent, *span, chain,
            raw.activation, raw.multipliers, raw.unmet, raw.free_values, good, numbers, limits,
        )  # fmt: skip

    workers = min(threads or cores(), max(1, frames // CHUNK))
    edges = np.linspace(0, frames, workers + 1).astype(int)
    spans = [(int(low), int(high)) for low, high in pairwise(edges)]
    if workers == 1:
        run(spans[0])
    else:
        with ThreadPoolExecutor(workers) as pool:
            list(pool.map(run, spans))
    for column, name in enumerate(
        ("moment_residual", "bound_violation", "stationarity", "duality_gap")
    ):
        getattr(raw, name)[:] = numbers[:, column]
    raw.status[good] = Status.SOLVED
    left = np.flatnonzero(~good)
    for first in range(0, left.size, CHUNK):
        index = left[first : first + CHUNK]
        part = otherwise(problem.take(index))
        for name in RawSharing.__dataclass_fields__:
            getattr(raw, name)[index] = getattr(part, name)
    return raw

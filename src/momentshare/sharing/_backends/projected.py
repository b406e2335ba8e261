"""Frames with one free column, side by side: it is taken out, and follows from the answer.

What is left has a row less and no free column. Frames that it does not solve go on to the kernel
for single frames, and so does a frame whose free value leaves its bounds, which is then held there.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from momentshare._kernels import in_chunks
from momentshare.sharing._backends.balance import IDLE
from momentshare.sharing._certificate import CERTIFIED

if TYPE_CHECKING:
    from collections.abc import Callable

    from momentshare.sharing._problem import Problem
    from momentshare.sharing._result import RawSharing

FEWEST = 32
"""Frames from which taking the column out pays."""

BLOCK = 32_768
"""Number of frames taken at a time, for memory."""

_CHUNK = 2048


def run_projected(
    problem: Problem,
    raw: RawSharing,
    threads: int | None,
    solve: Callable[[Problem, RawSharing, int | None], None],
) -> None:
    """Fill ``raw`` for a problem with one free column; what is left reads ``uncertified``.

    ``solve`` fills the answers of a problem without free columns.
    """
    for first in range(0, problem.frames, BLOCK):
        frames = slice(first, min(first + BLOCK, problem.frames))
        some = {name: getattr(raw, name)[frames] for name in raw.__dataclass_fields__}
        _run_block(problem.take(frames), replace(raw, **some), threads, solve)


def _run_block(
    problem: Problem,
    raw: RawSharing,
    threads: int | None,
    solve: Callable[[Problem, RawSharing, int | None], None],
) -> None:
    from momentshare.sharing._backends.kernels.projected import project_frames, recover_frames

    frames, rows, heads = problem.frames, problem.rows, problem.heads
    arms, moments = np.empty((frames, rows - 1, heads)), np.empty((frames, rows - 1))
    size, mirror = np.empty((frames, rows)), np.empty((frames, rows))
    turned, lengths = np.empty((frames, rows - 1, rows - 1)), np.empty(frames)
    whole = (problem.arms, problem.capacity, problem.moments)

    def project(first: int, last: int) -> None:
        project_frames(
            *whole, problem.columns, first, last, IDLE, arms, moments, size, mirror, turned,
            lengths, np.empty((rows, rows)),
        )  # fmt: skip

    in_chunks(project, frames, threads, least=_CHUNK)
    none = np.zeros((1, 0))
    less = replace(
        problem,
        arms=arms,
        moments=moments,
        columns=np.zeros((1, rows - 1, 0)),
        lower=none,
        upper=none,
    )
    found = replace(
        raw, multipliers=np.empty((frames, rows - 1)), unmet=np.empty((frames, rows - 1)),
        free_values=np.empty((frames, 0)),
    )  # fmt: skip
    solve(less, found, threads)

    def recover(first: int, last: int) -> None:
        recover_frames(
            *whole, problem.passive, problem.columns, size, mirror, turned, lengths,
            found.multipliers, first, last, CERTIFIED, raw.activation, raw.multipliers, raw.unmet,
            raw.free_values, raw.parted, raw.status, raw.numbers,
        )  # fmt: skip

    in_chunks(recover, frames, threads, least=_CHUNK)

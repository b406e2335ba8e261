"""Run the kernel that keeps inequalities in frames side by side."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from momentshare._kernels import in_chunks

if TYPE_CHECKING:
    from momentshare.sharing._backends.kernels.frame import Limits
    from momentshare.sharing._problem import Problem
    from momentshare.sharing._result import RawSharing

CHUNK = 1024
"""Minimum number of frames per chunk."""


def run_within(problem: Problem, raw: RawSharing, threads: int | None, limits: Limits) -> None:
    """Fill ``raw``; frames left to the kernel for single frames read ``uncertified``."""
    from momentshare.sharing._backends.kernels.bounded_block import places_room, room
    from momentshare.sharing._backends.kernels.bounded_lanes import within_kernel
    from momentshare.sharing._backends.kernels.plain_lanes import aligned

    kernel = within_kernel(problem.rows, int(problem.exponent))
    cone = problem.cone
    facets = problem.limits if cone is None else cone.lines
    normals = np.zeros((1, problem.facets, 0)) if cone is None else cone.normals
    size = room(problem.rows, problem.heads, problem.facets)
    raw.parted[...] = 0.0

    def run(first: int, last: int) -> None:
        block, batch = places_room()
        kernel(
            problem.arms, problem.capacity, problem.moments, problem.passive, problem.weights,
            facets, normals, problem.levels, first, last,
            raw.activation, raw.active, raw.force, raw.force is not raw.active, raw.multipliers,
            raw.unmet, raw.held, raw.parted, raw.status, raw.numbers,
            np.empty(block, dtype=np.int64), np.empty(batch, dtype=np.int64), aligned(size), limits,
        )  # fmt: skip

    in_chunks(run, problem.frames, threads, least=CHUNK)

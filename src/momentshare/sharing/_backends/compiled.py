"""Run the compiled kernel over chunks of frames, one thread per core."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

import numpy as np

from momentshare._kernels import in_chunks, is_available
from momentshare.errors import MissingExtraError
from momentshare.sharing._backends import newton, staged
from momentshare.sharing._backends.balance import DEPENDENT, IDLE
from momentshare.sharing._backends.beyond import breaks_alone, with_slacks
from momentshare.sharing._backends.projected import FEWEST, run_projected
from momentshare.sharing._backends.within import run_within
from momentshare.sharing._certificate import CERTIFIED, ROUNDED
from momentshare.sharing._result import RawSharing, Status, put

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from momentshare.sharing._backends.kernels.frame import Limits
    from momentshare.sharing._problem import Problem
    from momentshare.sharing._result import FloatArray, IntArray

CHUNK = 2048
"""Minimum number of frames per chunk."""

SIDE_CHUNK = 1024
"""The same for frames side by side."""


def solve_compiled(
    problem: Problem,
    threads: int | None,
    otherwise: Callable[[Problem, FloatArray], RawSharing],
    *,
    chain: bool = True,
    again: bool = False,
    room: RawSharing | None = None,
) -> RawSharing:
    """Solve every frame; those the kernel cannot certify go to ``otherwise``, as far as it came.

    With ``chain`` each frame of a chunk starts at the multipliers of the one before. ``again``
    says that frames side by side have left these. The answer is in ``room`` if it is given.

    Raises
    ------
    MissingExtraError
        If numba is not installed.
    """
    if not is_available():
        raise MissingExtraError("numba", "fast", "the compiled sharing route")
    raw = empty_raw(problem) if room is None else room
    run_kernel(problem, raw, threads, chain=chain, again=again)
    left = np.flatnonzero(raw.status == Status.UNCERTIFIED)
    for first in range(0, left.size, CHUNK):
        index = left[first : first + CHUNK]
        put(raw, index, otherwise(problem.take(index), raw.activation[index]))
    return raw


def empty_raw(problem: Problem) -> RawSharing:
    """Room for the answers of every frame.

    All floats lie in one block: when it is dropped it stays at hand for the next call, where
    several go back to the system, from which they cost a third of a call to get again.
    """
    frames, rows, heads, facets = problem.frames, problem.rows, problem.heads, problem.facets
    widths = {
        "activation": heads, "active": heads, "multipliers": rows, "unmet": rows,
        "free_values": problem.free, "held": facets, "parted": facets, "numbers": 4,
    }  # fmt: skip
    if problem.pushed:
        widths["force"] = heads
    block = np.empty(frames * sum(widths.values()))
    parts: dict[str, FloatArray] = {}
    first = 0
    for name, width in widths.items():
        last = first + frames * width
        parts[name] = block[first:last].reshape(frames, width)
        first = last
    parts.setdefault("force", parts["active"])
    return RawSharing(**parts, status=np.empty(frames, dtype=np.int8))


@cache
def limits_of_method() -> Limits:
    """Gather the numbers of the method for the kernel."""
    from momentshare.sharing._backends.kernels.frame import Limits

    return Limits(
        slack_weight=newton.SLACK_WEIGHT,
        residual=newton.RESIDUAL,
        settled=newton.SETTLED,
        curvature=newton.CURVATURE,
        near=newton.NEAR,
        finish=float(newton.FINISH),
        dependent=DEPENDENT,
        idle=IDLE,
        certified=CERTIFIED,
        rounded=ROUNDED,
        short=newton.SHORT,
        across=newton.ACROSS,
        spanned=staged.SPANNED,
        slight=staged.SLIGHT,
        growth=staged.GROWTH,
    )


def run_kernel(
    problem: Problem, raw: RawSharing, threads: int | None, *, chain: bool, again: bool = False
) -> None:
    """Fill ``raw``; a frame that no kernel can certify reads ``uncertified``."""
    if again or not is_side_by_side(problem):
        _run_single(problem, raw, threads, chain=chain)
    else:
        run_side_by_side(problem, raw, threads)
        left = np.flatnonzero(raw.status == Status.UNCERTIFIED)
        if left.size and problem.facets:
            none = breaks_alone(problem.take(left) if problem.frames > 1 else problem)
            _set_infeasible(raw, left[none])
            left = left[~none]
        if left.size:
            part = problem.take(left) if problem.frames > 1 else problem
            alone = empty_raw(part)
            _run_single(part, alone, threads, chain=False)
            put(raw, left, alone)
    if problem.facets:
        _mark_infeasible(problem, raw, threads)


def _mark_infeasible(problem: Problem, raw: RawSharing, threads: int | None) -> None:
    """Find the frames whose inequalities no forces obey; their values are NaN."""
    left = np.flatnonzero(raw.status == Status.UNCERTIFIED)
    if left.size == 0:
        return
    part = with_slacks(problem.take(left) if problem.frames > 1 else problem)
    found = empty_raw(part)
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        _run_single(part, found, threads, chain=False)
    _set_infeasible(raw, left[found.status == Status.SHORTFALL])


def _set_infeasible(raw: RawSharing, frames: NDArray[np.intp]) -> None:
    for name in RawSharing.__dataclass_fields__:
        getattr(raw, name)[frames] = Status.INFEASIBLE if name == "status" else np.nan


def is_side_by_side(problem: Problem) -> bool:
    """Whether the problem is plain enough for eight frames side by side, and that compiles here."""
    projected = problem.free == 1 and problem.rows > 1 and problem.frames >= FEWEST
    plain = problem.exponent == 2.0 and (problem.free == 0 or projected)
    cubed = problem.exponent == 3.0 and problem.free == 0
    if not (plain or cubed) or problem.start is not None or not is_available():
        return False
    from momentshare.sharing._backends.kernels.plain_lanes import (
        FEWEST_HEADS,
        MOST_ROWS,
        lane_kernel,
    )

    rows = problem.rows - problem.free
    if problem.heads < FEWEST_HEADS or rows > MOST_ROWS:
        return False
    return lane_kernel(rows, int(problem.exponent)) is not None


def run_side_by_side(problem: Problem, raw: RawSharing, threads: int | None) -> None:
    """Solve eight frames side by side; a free column is taken out first."""
    if problem.free:
        run_projected(problem, raw, threads, run_side_by_side)
    elif problem.facets:
        run_within(problem, raw, threads, limits_of_method())
    else:
        _run_lanes(problem, raw, threads)


def _run_lanes(problem: Problem, raw: RawSharing, threads: int | None) -> None:
    from momentshare.sharing._backends.kernels.plain_lanes import (
        aligned,
        lane_kernel,
        places_room,
        room,
    )

    kernel = lane_kernel(problem.rows, int(problem.exponent))
    assert kernel is not None  # noqa: S101 - it has just been asked for
    size, limits = room(problem.rows, problem.heads), limits_of_method()

    def run(first: int, last: int) -> None:
        kernel(
            problem.arms, problem.capacity, problem.moments, problem.passive, problem.weights,
            first, last, raw.activation, raw.active, raw.force, raw.force is not raw.active,
            raw.multipliers, raw.unmet, raw.status, raw.numbers,
            aligned(size), np.empty(places_room(), dtype=np.int64), limits,
        )  # fmt: skip

    in_chunks(run, problem.frames, threads, least=SIDE_CHUNK)


def _run_single(problem: Problem, raw: RawSharing, threads: int | None, *, chain: bool) -> None:
    """Solve one frame after the other."""
    from momentshare.sharing._backends.kernels.frame import room
    from momentshare.sharing._backends.kernels.frames import CHAIN, solve_frames

    frames, rows = problem.frames, problem.rows
    size = room(rows, problem.heads, problem.free, problem.facets)
    start = np.zeros((0, rows)) if problem.start is None else problem.start
    limits = limits_of_method()

    def run(first: int, last: int) -> None:
        solve_frames(
            problem.arms, problem.capacity, problem.moments, problem.passive, problem.weights,
            problem.columns, problem.limits, problem.levels, start, problem.exponent, first, last,
            chain, raw.activation, raw.active, raw.force, raw.multipliers, raw.unmet,
            raw.free_values, raw.held, raw.parted, raw.status, raw.numbers, np.empty(size), limits,
        )  # fmt: skip

    in_chunks(run, frames, threads, least=CHAIN)


def run_minmax(problem: Problem, threads: int | None) -> tuple[FloatArray, FloatArray, IntArray]:
    """Activations, multipliers and how each frame ended, by the compiled min–max kernel."""
    from momentshare.sharing._backends.kernels.frame import room
    from momentshare.sharing._backends.kernels.minmax import solve_minmax_frames

    frames, rows, heads = problem.frames, problem.rows, problem.heads
    size = room(rows, heads, problem.free, 0) + rows * heads + rows
    activation, multipliers = np.empty((frames, heads)), np.empty((frames, rows))
    ended = np.empty(frames, dtype=np.int8)
    limits = limits_of_method()

    def run(first: int, last: int) -> None:
        solve_minmax_frames(
            problem.arms, problem.capacity, problem.moments, problem.passive, problem.weights,
            problem.columns, first, last, activation, multipliers, ended, np.empty(size), limits,
        )  # fmt: skip

    in_chunks(run, frames, threads, least=CHUNK)
    return activation, multipliers, ended

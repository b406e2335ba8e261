"""The plain problem at p = 2, eight frames side by side, compiled.

Without free columns and inequalities, for at least eight heads. A frame that is not done
after ten passes or not certified is marked and left to ``kernels.frames``, whose answers these are
to 1e-9.
"""

from __future__ import annotations

import warnings
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from momentshare._kernels.compiling import has_numba, outermost
from momentshare.sharing._backends.kernels import lane_code as _code
from momentshare.sharing._backends.kernels import lane_exchange as _exchange
from momentshare.sharing._backends.kernels import lane_pass as _pass
from momentshare.sharing._backends.kernels.frame import Limits
from momentshare.sharing._backends.kernels.lane_code import (
    LAM,
    LANES,
    MOMENT,
    RESIDUAL,
    UNMET,
    state_rows,
)
from momentshare.sharing._backends.kernels.lane_pass import lane_functions

if TYPE_CHECKING:
    from collections.abc import Callable

    from momentshare.sharing._result import FloatArray, IntArray

PASSES = 10
"""Passes before the frames of a block that are not done are left to the other kernel."""

FEWEST_HEADS = LANES
"""Heads from which whole vectors are read from a frame."""

MOST_ROWS = 6
"""Rows that are unrolled."""

SOLVED, UNCERTIFIED = 0, 2
"""As in ``_result.Status``."""


# Seen by the compiler as names of this module: what a kernel encloses must be the same in every
# process for its compiled form to be found again.
if has_numba():
    set_up, lane_pass, certify, gather, scatter = lane_functions()


def room(rows: int, heads: int) -> int:
    """Length of the buffer of a block."""
    return LANES * (2 * rows * heads + 5 * heads + state_rows(rows))


@cache
def lane_kernel(rows: int) -> Callable[..., None] | None:
    """Compile the kernel for so many rows; None, with a warning, where that fails."""
    try:
        return _compile(rows)
    except Exception as error:  # noqa: BLE001 - whatever the compiler says, another kernel is there
        warnings.warn(
            f"the kernel for eight frames side by side does not compile here ({error}); "
            "the kernel for single frames takes its place, some six times slower",
            RuntimeWarning,
            stacklevel=2,
        )
        return None


def _compile(rows: int) -> Callable[..., None]:
    from numba import typeof, types

    count = state_rows(rows)

    def solve_lanes(
        arms: FloatArray,
        capacity: FloatArray,
        moments: FloatArray,
        passive: FloatArray,
        weights: FloatArray,
        first: int,
        last: int,
        activation: FloatArray,
        multipliers: FloatArray,
        unmet: FloatArray,
        status: IntArray,
        numbers: FloatArray,
        buffer: FloatArray,
        limits: Limits,
    ) -> None:
        """Solve the frames first … last − 1; the last block repeats its last frame."""
        heads = arms.shape[2]
        k = LANES * rows * heads
        packed = buffer[:k].reshape((rows, heads, LANES))
        loads = buffer[k : 2 * k].reshape((rows, heads, LANES))
        k *= 2
        sides = buffer[k : k + 5 * LANES * heads].reshape((5, heads, LANES))
        k += 5 * LANES * heads
        state = buffer[k : k + LANES * count].reshape((count, LANES))
        for begin in range(first, last, LANES):
            gather(arms, int(arms.shape[0] == 1), begin, last, rows * heads, packed)
            gather(capacity, int(capacity.shape[0] == 1), begin, last, heads, sides[0])
            gather(passive, int(passive.shape[0] == 1), begin, last, heads, sides[1])
            gather(weights, int(weights.shape[0] == 1), begin, last, heads, sides[2])
            for lane in range(LANES):
                f = min(begin + lane, last - 1)
                for j in range(rows):
                    state[MOMENT * rows + j, lane] = moments[f if moments.shape[0] > 1 else 0, j]
            set_up(rows, packed, loads, sides, state)
            for index in range(PASSES):
                done = lane_pass(rows, loads, sides, state, limits.residual, 1 if index == 0 else 0)
                if done == 2**LANES - 1:
                    break
            good = certify(rows, 0, packed, sides, state, limits.certified, limits.rounded)
            scatter(activation, 0, begin, last, heads, sides[4])
            for lane in range(min(LANES, last - begin)):
                f = begin + lane
                status[f] = SOLVED if (good >> lane) & 1 else UNCERTIFIED
                for j in range(rows):
                    multipliers[f, j] = state[LAM * rows + j, lane]
                    unmet[f, j] = state[UNMET * rows + j, lane]
                for n in range(4):
                    numbers[f, n] = state[7 * rows + RESIDUAL + n, lane]

    def given(axes: int) -> Any:
        return types.Array(types.float64, axes, "C", readonly=True)

    def written(dtype: Any, axes: int) -> Any:
        return types.Array(dtype, axes, "C")

    signature = types.void(
        *(given(axes) for axes in (3, 2, 2, 2, 2)),
        types.int64,
        types.int64,
        *(written(types.float64, 2) for _ in range(3)),
        written(types.int8, 1),
        written(types.float64, 2),
        written(types.float64, 1),
        typeof(Limits(*(0.0,) * len(Limits._fields))),  # type: ignore[no-untyped-call]
    )
    files = [str(Path(module.__file__ or "")) for module in (_code, _exchange, _pass)]
    files.append(__file__)
    made: Callable[..., None] = outermost(signature, files, closed_over=f"{rows} rows")(solve_lanes)
    return made

"""The plain problem at p = 2 or 3, eight frames side by side, compiled.

Without free columns and inequalities, for at least eight heads. Frames that are not done after
a few passes come again among others like them, then those that are seen to fall short. One that is
not done even then, or not certified, is marked and left to ``kernels.frames``, whose answers these
are to 1e-9.
"""

from __future__ import annotations

import warnings
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from momentshare._kernels.compiling import has_numba, outermost
from momentshare.sharing._backends.kernels import lane_code as _code
from momentshare.sharing._backends.kernels import lane_cone as _cone
from momentshare.sharing._backends.kernels import lane_exchange as _exchange
from momentshare.sharing._backends.kernels import lane_functions as _functions
from momentshare.sharing._backends.kernels import lane_pass as _pass
from momentshare.sharing._backends.kernels import short_lanes as _short
from momentshare.sharing._backends.kernels.lane_code import (
    DONE,
    LAM,
    LANES,
    MOMENT,
    RESIDUAL,
    SIDES,
    SIZE,
    UNMET,
    VECTORS,
    state_rows,
)
from momentshare.sharing._backends.kernels.lane_cone import cone_functions
from momentshare.sharing._backends.kernels.lane_exchange import place_functions
from momentshare.sharing._backends.kernels.lane_functions import lane_functions
from momentshare.sharing._backends.kernels.short_lanes import STEEP, short_functions

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from momentshare.sharing._backends.kernels.frame import Limits
    from momentshare.sharing._result import FloatArray, IntArray

    Places = NDArray[np.int64]

FEW = {2: 7, 3: 12}
"""Passes before the frames of a block that are not done come again among others like them."""

PASSES = 48
"""Passes before those are left to the other kernel."""

SQUARE_PASSES = 2
"""Passes of p = 2 before those of p = 3."""

STEPS = 16
"""Steps towards the nearest moment."""

BATCH = 512
"""Frames that wait for each other."""

FEWEST_HEADS = LANES
"""Heads from which whole vectors are read from a frame."""

MOST_ROWS = 6
"""Rows that are unrolled."""

SOLVED, SHORTFALL, UNCERTIFIED = 0, 1, 2
"""As in ``_result.Status``."""


MODULES = (_code, _cone, _exchange, _functions, _pass, _short)
"""What a kernel is written by."""

# Seen by the compiler as names of this module: what a kernel encloses must be the same in every
# process for its compiled form to be found again.
if has_numba():
    reciprocals, set_up, lane_pass, turn, certify = lane_functions()
    prefetch, fetch, bring, weigh, combine = place_functions()
    look, join, add_up = cone_functions()
    approach, separate, certify_short = short_functions()


def room(rows: int, heads: int) -> int:
    """Length of the buffer of a block."""
    return LANES * (2 * rows * heads + len(SIDES) * heads + state_rows(rows))


def aligned(size: int) -> FloatArray:
    """Give room that begins where a whole vector may, so that none lies across two lines."""
    room = np.empty(size + LANES)
    begin = -(room.__array_interface__["data"][0] // 8) % LANES
    return room[begin : begin + size]


def places_room() -> int:
    """Length of the whole numbers that a thread keeps: places of lanes, and frames that wait."""
    return 5 * LANES + 2 * BATCH


@cache
def lane_kernel(rows: int, exponent: int) -> Callable[..., None] | None:
    """Compile the kernel for so many rows and p; None, with a warning, where that fails."""
    try:
        return _compile(rows, exponent)
    except Exception as error:  # noqa: BLE001 - whatever the compiler says, another kernel is there
        warnings.warn(
            f"the kernel for eight frames side by side does not compile here ({error}); "
            "the kernel for single frames takes its place, some six times slower",
            RuntimeWarning,
            stacklevel=2,
        )
        return None


def _compile(rows: int, exponent: int) -> Callable[..., None]:
    from numba import types

    from momentshare.sharing._backends.kernels.signatures import numbers_of_method, read, written

    few = FEW[exponent]
    count, sides_kept, singles = state_rows(rows), len(SIDES), VECTORS * rows

    def solve_lanes(
        arms: FloatArray,
        capacity: FloatArray,
        moments: FloatArray,
        passive: FloatArray,
        weights: FloatArray,
        first: int,
        last: int,
        activation: FloatArray,
        active: FloatArray,
        force: FloatArray,
        apart: bool,
        multipliers: FloatArray,
        unmet: FloatArray,
        status: IntArray,
        numbers: FloatArray,
        buffer: FloatArray,
        whole: Places,
        limits: Limits,
    ) -> None:
        """Solve the frames first … last − 1; the last block of some repeats its last frame.

        ``apart`` says that there are passive forces, so that forces are not the active ones.
        """
        heads = arms.shape[2]
        k = LANES * rows * heads
        packed = buffer[:k].reshape((rows, heads, LANES))
        loads = buffer[k : 2 * k].reshape((rows, heads, LANES))
        k *= 2
        sides = buffer[k : k + sides_kept * LANES * heads].reshape((sides_kept, heads, LANES))
        k += sides_kept * LANES * heads
        state = buffer[k : k + LANES * count].reshape((count, LANES))
        places = whole[: 5 * LANES].reshape((5, LANES))
        plain, falling = whole[5 * LANES :][:BATCH], whole[5 * LANES + BATCH :]
        places[:] = 0
        # What all frames share is packed once.
        fetch(arms, places[0], rows * heads, packed)
        fetch(capacity, places[1], heads, sides[0])
        fetch(passive, places[2], heads, sides[1])
        fetch(weights, places[3], heads, sides[2])
        reciprocals(exponent, sides)
        for start in range(first, last, BATCH):
            waiting, size, short = plain, min(BATCH, last - start), 0
            for e in range(size):
                waiting[e] = start + e
            for again in range(3):
                left = 0
                if again == 2:
                    waiting, size = falling, short
                for begin in range(0, size, LANES):
                    for lane in range(LANES):
                        f = waiting[min(begin + lane, size - 1)]
                        places[0, lane] = f * rows * heads if arms.shape[0] > 1 else 0
                        places[1, lane] = f * heads if capacity.shape[0] > 1 else 0
                        places[2, lane] = f * heads if passive.shape[0] > 1 else 0
                        places[3, lane] = f * heads if weights.shape[0] > 1 else 0
                        places[4, lane] = f * heads
                        g = f if moments.shape[0] > 1 else 0
                        for j in range(rows):
                            state[MOMENT * rows + j, lane] = moments[g, j]
                    if arms.shape[0] > 1:
                        fetch(arms, places[0], rows * heads, packed)
                    if capacity.shape[0] > 1:
                        fetch(capacity, places[1], heads, sides[0])
                    if passive.shape[0] > 1:
                        fetch(passive, places[2], heads, sides[1])
                    if weights.shape[0] > 1:
                        fetch(weights, places[3], heads, sides[2])
                        reciprocals(exponent, sides)
                    set_up(rows, packed, loads, sides, state, int(apart))
                    if again == 2:
                        for j in range(rows):
                            for lane in range(LANES):
                                state[LAM * rows + j, lane] /= exponent * STEEP
                        for _ in range(STEPS):
                            if approach(rows, 0, loads, sides, state) == 2**LANES - 1:
                                break
                        separate(rows, 0, loads, sides, state, limits.across)
                    if exponent > 2:
                        for _ in range(SQUARE_PASSES):
                            lane_pass(rows, 0, 2, loads, sides, state, limits.residual, 0.0)
                        turn(rows, loads, sides, state)
                    done = 0
                    for index in range(PASSES if again == 1 else few):
                        ahead = begin + LANES + index
                        if index < LANES and ahead < size:
                            f = waiting[ahead]
                            prefetch(activation, f * heads, heads)
                            prefetch(active, f * heads, heads)
                            if arms.shape[0] > 1:
                                prefetch(arms, f * rows * heads, rows * heads)
                            if capacity.shape[0] > 1:
                                prefetch(capacity, f * heads, heads)
                            if passive.shape[0] > 1:
                                prefetch(passive, f * heads, heads)
                                prefetch(force, f * heads, heads)
                        done = lane_pass(
                            rows, 0, exponent, loads, sides, state, limits.residual, 0.0
                        )
                        if done == 2**LANES - 1:
                            break
                    if again == 2:
                        good = certify_short(
                            rows, 0, exponent, packed, sides, state, limits.certified,
                            limits.rounded, limits.slight,
                        )  # fmt: skip
                    else:
                        good = certify(
                            rows, 0, exponent, packed, sides, state, limits.certified,
                            limits.rounded,
                        )  # fmt: skip
                    reads = SHORTFALL if again == 2 else SOLVED
                    bring(activation, places[4], heads, sides[4])
                    bring(active, places[4], heads, sides[5])
                    if apart:
                        bring(force, places[4], heads, sides[6])
                    for lane in range(min(LANES, size - begin)):
                        f = waiting[begin + lane]
                        status[f] = reads if (good >> lane) & 1 else UNCERTIFIED
                        for j in range(rows):
                            multipliers[f, j] = state[LAM * rows + j, lane]
                            unmet[f, j] = state[UNMET * rows + j, lane]
                        for n in range(4):
                            numbers[f, n] = state[singles + RESIDUAL + n, lane]
                        if again == 2 or not state[singles + SIZE, lane] >= 0.0:
                            continue
                        if state[singles + DONE, lane] < 0.0:
                            falling[short] = f
                            short += 1
                        elif state[singles + DONE, lane] == 0.0:
                            waiting[left] = f
                            left += 1
                size = left

    signature = types.void(
        *read(3, 2, 2, 2, 2),
        types.int64,
        types.int64,
        *written(2, 2, 2),
        types.boolean,
        *written(2, 2),
        *written(1, dtype=types.int8),
        *written(2, 1),
        *written(1, dtype=types.int64),
        numbers_of_method(),
    )
    files = [str(Path(module.__file__ or "")) for module in MODULES] + [__file__]
    made: Callable[..., None] = outermost(
        signature, files, closed_over=f"{rows} rows p {exponent}"
    )(solve_lanes)
    return made

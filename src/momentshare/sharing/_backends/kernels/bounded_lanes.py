"""Inequalities at p = 2 or 3, eight frames side by side, compiled.

A dual method on the set of inequalities in force, each a row like those of the balance. A frame
is solved from the multipliers that it has; then the inequality broken most joins, or one whose
multiplier has turned below zero leaves, and the frame comes again among others with as many in
force. The least effort never falls when one joins, so the answer with none broken and no
multiplier below zero is the optimum. What a frame goes through depends on nothing but itself.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from momentshare._kernels.compiling import inner, named, outermost
from momentshare.sharing._backends.kernels import broken as _broken
from momentshare.sharing._backends.kernels import plain_lanes as _plain
from momentshare.sharing._backends.kernels.broken import AGAIN, DONE, DROP, GIVEN_UP, broken_most
from momentshare.sharing._backends.kernels.frame import Limits
from momentshare.sharing._backends.kernels.lane_code import (
    BOUND,
    DIRECTION,
    LAM,
    LANES,
    MOMENT,
    RESIDUAL,
    ROW_SIZE,
    SIDES,
    SLOPE,
    UNMET,
    VECTORS,
    state_rows,
)
from momentshare.sharing._backends.kernels.lane_pass import BEGUN, ONWARD
from momentshare.sharing._backends.kernels.plain_lanes import (
    SOLVED,
    SQUARE_PASSES,
    UNCERTIFIED,
    bring,
    certify,
    combine,
    fetch,
    lane_pass,
    reciprocals,
    set_up,
    turn,
    weigh,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy as np
    from numpy.typing import NDArray

    from momentshare.sharing._result import FloatArray, IntArray

    Places = NDArray[np.int64]

MODULES = (_broken, _plain, *_plain.MODULES)

MOST_HELD = 3
"""Most inequalities in force at once; more are left to the kernel for single frames."""

PASSES = {2: 5, 3: 9}
"""Passes before the frames of a block that are not done come again among others of their kind."""

TURNS = 12
"""Times that a frame comes before it is left to the kernel for single frames."""

BATCH = 512
"""Frames that wait for each other."""

FINISHED = 2 * MOST_HELD + 2
"""Queue of the frames for which nothing follows. The others wait in queue 2 n with n in force, and
in the next one when they come again with as many."""

WHOLE_PASSES = {2: 16, 3: 18}
"""Passes of those that come again."""


def room(rows: int, heads: int, facets: int) -> int:
    """Length of the buffer of a block."""
    whole = rows + MOST_HELD
    return LANES * (
        2 * whole * heads + (len(SIDES) + 3) * heads + state_rows(whole) + 3 * max(facets, 3)
    )


class Given(NamedTuple):
    """The problem: arrays as in ``Problem``."""

    arms: FloatArray
    capacity: FloatArray
    moments: FloatArray
    passive: FloatArray
    weights: FloatArray
    facets: FloatArray
    normals: FloatArray
    levels: FloatArray


class Found(NamedTuple):
    """The answers: arrays as in ``RawSharing``."""

    activation: FloatArray
    active: FloatArray
    force: FloatArray
    apart: bool  # whether there are passive forces, so that forces are not the active ones
    multipliers: FloatArray
    unmet: FloatArray
    prices: FloatArray
    status: IntArray
    numbers: FloatArray


class Block(NamedTuple):
    """Eight frames side by side and the batch that they come from."""

    packed: FloatArray  # (rows, heads, 8) moment arms, then coefficients of rows in force
    loads: FloatArray  # the same times capacity
    sides: FloatArray  # (sides, heads, 8) see ``lane_functions``
    lines: FloatArray  # (3 heads, 8) lines of a cone, or coefficients of one inequality
    state: FloatArray
    found: FloatArray  # sums of every row of coefficients, see ``broken_most``
    places: Places  # (7, 8) where the numbers of each lane begin
    queue: Places  # (BATCH,) where each frame of the batch waits
    following: Places  # (BATCH,)
    turns: Places  # (BATCH,)
    chosen: Places  # (BATCH, MOST_HELD) the inequalities in force
    start: int


def places_room() -> tuple[tuple[int, int], tuple[int, int]]:
    """Shapes of the whole numbers that a thread keeps: for a block and for a batch."""
    return (7, LANES), (4 + MOST_HELD, BATCH)


@inner
def fetch_frames(given: Given, work: Block, order: Places, begin: int) -> None:
    """Pack what belongs to the eight frames of a block; what all share is packed already."""
    rows, heads = given.arms.shape[1], given.arms.shape[2]
    each = given.facets.shape[1] * given.facets.shape[2]
    places = work.places
    for lane in range(LANES):
        f = work.start + order[min(begin + lane, order.size - 1)]
        places[0, lane] = f * rows * heads if given.arms.shape[0] > 1 else 0
        places[1, lane] = f * heads if given.capacity.shape[0] > 1 else 0
        places[2, lane] = f * heads if given.passive.shape[0] > 1 else 0
        places[3, lane] = f * heads if given.weights.shape[0] > 1 else 0
        places[4, lane] = f * heads
        places[5, lane] = f * each if given.facets.shape[0] > 1 else 0
    fetch(given.arms, places[0], rows * heads, work.packed)
    fetch(given.capacity, places[1], heads, work.sides[0])
    if given.passive.shape[0] > 1:
        fetch(given.passive, places[2], heads, work.sides[1])
    if given.weights.shape[0] > 1:
        fetch(given.weights, places[3], heads, work.sides[2])
    if given.normals.shape[2] > 0:
        fetch(given.facets, places[5], 3 * heads, work.lines)


@inner
def fetch_held(given: Given, work: Block, order: Places, begin: int, held: int, whole: int) -> None:
    """Pack the rows in force behind those of the balance, and what every row is to come to."""
    rows, heads, places = given.arms.shape[1], given.arms.shape[2], work.places
    for n in range(held):
        for lane in range(LANES):
            e = order[min(begin + lane, order.size - 1)]
            f = work.start + e if given.normals.shape[0] > 1 else 0
            for d in range(given.normals.shape[2]):
                work.found[d, lane] = given.normals[f, work.chosen[e, n], d]
            places[6, lane] = places[5, lane] + work.chosen[e, n] * heads
        if given.normals.shape[2] > 0:
            combine(work.lines, work.found, work.packed[rows + n])
        else:
            fetch(given.facets, places[6], heads, work.packed[rows + n])
    moments, levels = given.moments, given.levels
    for lane in range(LANES):
        e = order[min(begin + lane, order.size - 1)]
        f = work.start + e
        for j in range(rows):
            work.state[MOMENT * whole + j, lane] = moments[f if moments.shape[0] > 1 else 0, j]
        for n in range(held):
            work.state[MOMENT * whole + rows + n, lane] = levels[
                f if levels.shape[0] > 1 else 0, work.chosen[e, n]
            ]


@inner
def begin_warm(
    given: Given, found: Found, work: Block, order: Places, begin: int, held: int, whole: int
) -> None:
    """Begin a block at the multipliers that its frames have."""
    rows, state = given.arms.shape[1], work.state
    for lane in range(LANES):
        e = order[min(begin + lane, order.size - 1)]
        f = work.start + e
        for j in range(rows):
            size = state[ROW_SIZE * whole + j, lane]
            state[LAM * whole + j, lane] = found.multipliers[f, j] * size
        for n in range(held):
            size = state[ROW_SIZE * whole + rows + n, lane]
            state[LAM * whole + rows + n, lane] = -found.prices[f, work.chosen[e, n]] * size
        for j in range(whole):
            state[DIRECTION * whole + j, lane] = 0.0
        state[VECTORS * whole + SLOPE, lane] = 0.0


@inner
def weigh_facets(given: Given, work: Block) -> None:
    """Add up what the forces of a block make of every row of coefficients."""
    heads, places = given.arms.shape[2], work.places
    if given.normals.shape[2] > 0:
        for d in range(3):
            weigh(work.lines[d:], 3, work.sides, work.found, 3 * d * LANES)
        return
    for g in range(given.facets.shape[1]):
        for lane in range(LANES):
            places[6, lane] = places[5, lane] + g * heads
        fetch(given.facets, places[6], heads, work.lines)
        weigh(work.lines, 1, work.sides, work.found, 3 * g * LANES)


@inner
def conclude(
    given: Given, found: Found, work: Block, order: Places, begin: int, held: int, done: int,
    good: int, limits: Limits,
) -> None:  # fmt: skip
    """Write what the lanes of a block have come to and what follows for their frames."""
    rows, state, bound = given.arms.shape[1], work.state, BOUND - RESIDUAL
    whole = rows + held
    for lane in range(min(LANES, order.size - begin)):
        e = order[begin + lane]
        f = work.start + e
        found.status[f] = UNCERTIFIED
        work.following[e] = GIVEN_UP if (done >> lane) & 1 else AGAIN
        for j in range(rows):
            found.multipliers[f, j] = state[LAM * whole + j, lane]
            found.unmet[f, j] = state[UNMET * whole + j, lane]
        for n in range(4):
            found.numbers[f, n] = state[VECTORS * whole + RESIDUAL + n, lane]
        for g in range(given.levels.shape[1]):
            found.prices[f, g] = 0.0
        lowest, which = 0.0, -1
        for n in range(held):
            price = -state[LAM * whole + rows + n, lane]
            found.prices[f, work.chosen[e, n]] = price
            price *= state[ROW_SIZE * whole + rows + n, lane]
            if price < lowest:
                lowest, which = price, n
        if (good >> lane) & 1 == 0 and (done >> lane) & 1:
            continue
        if which >= 0 and (done >> lane) & 1:
            work.following[e] = DROP - which
            continue
        joins, worst = broken_most(
            work.found, given.normals[f if given.normals.shape[0] > 1 else 0],
            given.levels[f if given.levels.shape[0] > 1 else 0], lane, work.chosen[e], held,
        )  # fmt: skip
        if (done >> lane) & 1 == 0:
            # What is broken now is likely to stay so; a wrong guess leaves again.
            if joins >= 0:
                work.following[e] = joins
            continue
        work.following[e] = joins
        found.numbers[f, bound] = max(found.numbers[f, bound], worst)
        if joins == DONE and worst <= limits.certified:
            found.status[f] = SOLVED


@inner
def queue_again(
    order: Places, queue: Places, following: Places, turns: Places, chosen: Places
) -> None:
    """Change the sets in force as was found, and say where each frame waits."""
    for e in order:
        held, follows = queue[e] // 2, following[e]
        turns[e] += 1
        at = FINISHED
        if turns[e] < TURNS:
            if follows == AGAIN and queue[e] % 2 == 0:
                at = 2 * held + 1
            elif follows >= 0 and held < MOST_HELD:
                chosen[e, held] = follows
                at = 2 * held + 3
            elif follows <= DROP:
                for n in range(DROP - follows, held - 1):
                    chosen[e, n] = chosen[e, n + 1]
                at = 2 * held - 1
        queue[e] = at


def _level(rows: int, held: int, exponent: int) -> Callable[..., None]:
    """Compile the blocks of frames with so many inequalities in force."""
    whole, kind = rows + held, ONWARD if held == 0 and exponent == 2 else BEGUN

    def solve_blocks(
        given: Given, found: Found, work: Block, order: Places, passes: int, limits: Limits
    ) -> None:
        """Solve the frames ``start + order`` of a batch.

        With none in force they begin like frames without inequalities, so that one
        which is kept anyway changes no digit.
        """
        heads = given.arms.shape[2]
        packed = work.packed[:whole]
        loads = work.loads[:whole]
        for begin in range(0, order.size, LANES):
            fetch_frames(given, work, order, begin)
            if given.weights.shape[0] > 1:
                reciprocals(exponent, work.sides)
            fetch_held(given, work, order, begin, held, whole)
            set_up(whole, packed, loads, work.sides, work.state, int(found.apart))
            if held > 0:
                begin_warm(given, found, work, order, begin, held, whole)
            elif exponent > 2:
                for _ in range(SQUARE_PASSES):
                    lane_pass(whole, 2, loads, work.sides, work.state, limits.residual, ONWARD)
                turn(whole, loads, work.sides, work.state)
            done = 0
            for index in range(passes):
                done = lane_pass(
                    whole, exponent, loads, work.sides, work.state, limits.residual,
                    kind if index == 0 else ONWARD,
                )  # fmt: skip
                if done == 2**LANES - 1:
                    break
            good = certify(
                whole,
                held,
                exponent,
                packed,
                work.sides,
                work.state,
                limits.certified,
                limits.rounded,
            )
            bring(found.activation, work.places[4], heads, work.sides[4])
            bring(found.active, work.places[4], heads, work.sides[5])
            if found.apart:
                bring(found.force, work.places[4], heads, work.sides[6])
            weigh_facets(given, work)
            conclude(given, found, work, order, begin, held, done, good, limits)

    return inner(named(solve_blocks, f"{rows} rows {held} held p {exponent}"))


@cache
def within_kernel(rows: int, exponent: int) -> Callable[..., None]:
    """Compile the kernel for so many rows and p."""
    from numba import typeof, types

    alone, one, two, three = (_level(rows, held, exponent) for held in range(MOST_HELD + 1))
    few, many = PASSES[exponent], WHOLE_PASSES[exponent]
    whole = rows + MOST_HELD
    count, kept = state_rows(whole), len(SIDES)

    def solve_within(
        arms: FloatArray,
        capacity: FloatArray,
        moments: FloatArray,
        passive: FloatArray,
        weights: FloatArray,
        facets: FloatArray,
        normals: FloatArray,
        levels: FloatArray,
        first: int,
        last: int,
        activation: FloatArray,
        active: FloatArray,
        force: FloatArray,
        apart: bool,
        multipliers: FloatArray,
        unmet: FloatArray,
        prices: FloatArray,
        status: IntArray,
        numbers: FloatArray,
        places: Places,
        waits: Places,
        buffer: FloatArray,
        limits: Limits,
    ) -> None:
        """Solve the frames first … last − 1, one batch after the other.

        ``facets`` (frames, facets, heads) are the coefficients of the inequalities; where
        ``normals`` (frames, facets, 3) are given, the lines (frames, heads, 3) of a cone.
        """
        heads = arms.shape[2]
        k = LANES * heads
        given = Given(arms, capacity, moments, passive, weights, facets, normals, levels)
        found = Found(activation, active, force, apart, multipliers, unmet, prices, status, numbers)
        packed = buffer[: whole * k].reshape((whole, heads, LANES))
        loads = buffer[whole * k : 2 * whole * k].reshape((whole, heads, LANES))
        k *= 2 * whole
        sides = buffer[k : k + kept * LANES * heads].reshape((kept, heads, LANES))
        k += kept * LANES * heads
        lines = buffer[k : k + 3 * LANES * heads].reshape((3 * heads, LANES))
        k += 3 * LANES * heads
        state = buffer[k : k + LANES * count].reshape((count, LANES))
        k += LANES * count
        folded = 3 if normals.shape[2] > 0 else facets.shape[1]
        sums = buffer[k : k + 3 * LANES * folded].reshape((3 * folded, LANES))
        places[:] = 0
        fetch(passive, places[2], heads, sides[1])
        fetch(weights, places[3], heads, sides[2])
        reciprocals(exponent, sides)
        chosen = waits[4:].reshape((BATCH, MOST_HELD))
        waiting = waits[3]
        for start in range(first, last, BATCH):
            work = Block(
                packed, loads, sides, lines, state, sums, places, waits[0], waits[1], waits[2],
                chosen, start,
            )  # fmt: skip
            size = min(BATCH, last - start)
            for e in range(size):
                work.queue[e] = 0
                work.turns[e] = 0
            while True:
                at, total = FINISHED, 0
                for e in range(size):
                    if work.queue[e] < at:
                        at, total = work.queue[e], 0
                    if work.queue[e] == at:
                        waiting[total] = e
                        total += 1
                if at == FINISHED:
                    break
                order, passes = waiting[:total], many if at % 2 else few
                if at < 2:
                    alone(given, found, work, order, passes, limits)
                elif at < 4:
                    one(given, found, work, order, passes, limits)
                elif at < 6:
                    two(given, found, work, order, passes, limits)
                else:
                    three(given, found, work, order, passes, limits)
                queue_again(order, work.queue, work.following, work.turns, chosen)

    def known(axes: int) -> Any:
        return types.Array(types.float64, axes, "C", readonly=True)

    def written(dtype: Any, axes: int) -> Any:
        return types.Array(dtype, axes, "C")

    signature = types.void(
        *(known(axes) for axes in (3, 2, 2, 2, 2, 3, 3, 2)),
        types.int64,
        types.int64,
        *(written(types.float64, 2) for _ in range(3)),
        types.boolean,
        *(written(types.float64, 2) for _ in range(3)),
        written(types.int8, 1),
        written(types.float64, 2),
        written(types.int64, 2),
        written(types.int64, 2),
        written(types.float64, 1),
        typeof(Limits(*(0.0,) * len(Limits._fields))),  # type: ignore[no-untyped-call]
    )
    files = [str(Path(module.__file__ or "")) for module in MODULES] + [__file__]
    made: Callable[..., None] = outermost(
        signature, files, closed_over=f"{rows} rows p {exponent}"
    )(solve_within)
    return made

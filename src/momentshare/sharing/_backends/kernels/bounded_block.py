"""Eight frames within inequalities in a block: how they are packed and concluded, compiled."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from momentshare._kernels.compiling import has_numba, inner
from momentshare.sharing._backends.kernels.broken import (
    AGAIN,
    DROP,
    FALLS,
    FRESH,
    GIVEN_UP,
    KEPT,
    MOST_HELD,
    SHORT,
    loosest,
)
from momentshare.sharing._backends.kernels.lane_broken import JUDGED, judging_functions
from momentshare.sharing._backends.kernels.lane_code import (
    BOUND,
    DIRECTION,
    DONE,
    FIRST_STEP,
    LAM,
    LANES,
    MOMENT,
    NORMAL,
    RESIDUAL,
    ROW_SIZE,
    SIDES,
    SLOPE,
    UNIT,
    UNMET,
    VECTORS,
    state_rows,
)
from momentshare.sharing._backends.kernels.lane_cone import CHOSEN, JOINED
from momentshare.sharing._backends.kernels.lane_pass import BEGUN
from momentshare.sharing._backends.kernels.plain_lanes import (
    SHORTFALL,
    SOLVED,
    UNCERTIFIED,
    add_up,
    bring,
    combine,
    fetch,
    prefetch,
    weigh,
)

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from momentshare.sharing._backends.kernels.frame import Limits
    from momentshare.sharing._result import FloatArray, IntArray

    Places = NDArray[np.int64]

if has_numba():
    judge_cone, judge = judging_functions()

BATCH = 512
"""Frames that wait for each other."""


def room(rows: int, heads: int, facets: int) -> int:
    """Length of the buffer of a block."""
    whole = rows + MOST_HELD
    return LANES * (
        2 * whole * heads + (len(SIDES) + 3) * heads + 2 * state_rows(whole) + 7 * max(facets, 3)
        + len(CHOSEN) * JOINED + JUDGED
    )  # fmt: skip


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
    parted: FloatArray
    status: IntArray
    numbers: FloatArray


class Block(NamedTuple):
    """Eight frames side by side and the batch that they come from."""

    packed: FloatArray  # (rows, heads, 8) moment arms, then coefficients of rows in force
    loads: FloatArray  # the same times capacity
    sides: FloatArray  # (sides, heads, 8) see ``lane_functions``
    lines: FloatArray  # (3 heads, 8) lines of a cone, or coefficients of one inequality
    state: FloatArray
    wide: FloatArray  # the same with the rows of a cone that have joined
    found: FloatArray  # sums of every row of coefficients, see ``lane_cone.write_add_up``
    planes: FloatArray  # (4 facets, 8) normals, if it is a cone, and then levels
    joining: FloatArray  # what joins, see ``lane_cone.CHOSEN``
    judged: FloatArray  # see ``lane_broken.JUDGED``
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
def fetch_some(values: FloatArray, places: Places, count: int, block: FloatArray) -> None:
    """Pack so many numbers of each of eight places, however few they are."""
    if count >= LANES:
        fetch(values, places, count, block)
        return
    flat = values.reshape(values.size)
    for lane in range(LANES):
        for k in range(count):
            block[k, lane] = flat[places[lane] + k]


@inner
def fetch_frames(given: Given, work: Block, order: Places, begin: int) -> None:
    """Pack what belongs to the eight frames of a block; what all share is packed already."""
    rows, heads = given.arms.shape[1], given.arms.shape[2]
    each, facets = given.facets.shape[1] * given.facets.shape[2], given.levels.shape[1]
    places = work.places
    for lane in range(LANES):
        f = work.start + order[min(begin + lane, order.size - 1)]
        places[6, lane] = f * facets if given.levels.shape[0] > 1 else 0
        places[0, lane] = f * rows * heads if given.arms.shape[0] > 1 else 0
        places[1, lane] = f * heads if given.capacity.shape[0] > 1 else 0
        places[2, lane] = f * heads if given.passive.shape[0] > 1 else 0
        places[3, lane] = f * heads if given.weights.shape[0] > 1 else 0
        places[4, lane] = f * heads
        places[5, lane] = f * each if given.facets.shape[0] > 1 else 0
    if given.levels.shape[0] > 1:
        fetch_some(given.levels, places[6], facets, work.planes[3 * facets :])
    if given.normals.shape[0] > 1:
        for lane in range(LANES):
            places[6, lane] = 3 * facets * (work.start + order[min(begin + lane, order.size - 1)])
        fetch_some(given.normals, places[6], 3 * facets, work.planes)
    fetch(given.arms, places[0], rows * heads, work.packed)
    fetch(given.capacity, places[1], heads, work.sides[0])
    if given.passive.shape[0] > 1:
        fetch(given.passive, places[2], heads, work.sides[1])
    if given.weights.shape[0] > 1:
        fetch(given.weights, places[3], heads, work.sides[2])
    if given.normals.shape[2] > 0:
        fetch(given.facets, places[5], 3 * heads, work.lines)


@inner
def call_up(given: Given, found: Found, work: Block, order: Places, at: int) -> None:
    """Ask for what belongs to a frame that comes soon."""
    if at >= order.size:
        return
    f, rows, heads = work.start + order[at], given.arms.shape[1], given.arms.shape[2]
    facets = given.levels.shape[1]
    prefetch(found.activation, f * heads, heads)
    prefetch(found.active, f * heads, heads)
    prefetch(found.prices, f * facets, facets)
    if given.arms.shape[0] > 1:
        prefetch(given.arms, f * rows * heads, rows * heads)
    if given.capacity.shape[0] > 1:
        prefetch(given.capacity, f * heads, heads)
    if given.passive.shape[0] > 1:
        prefetch(given.passive, f * heads, heads)
        prefetch(found.force, f * heads, heads)
    if given.facets.shape[0] > 1:
        each = given.facets.shape[1] * given.facets.shape[2]
        prefetch(given.facets, f * each, each)
    if given.normals.shape[0] > 1:
        prefetch(given.normals, 3 * f * facets, given.normals.shape[2] * facets)


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
        state[VECTORS * whole + FIRST_STEP, lane] = BEGUN


@inner
def hold_joined(work: Block, order: Places, begin: int, some: int) -> None:
    """Keep which inequalities have joined."""
    for lane in range(min(LANES, order.size - begin)):
        e = order[begin + lane]
        held = 0
        for n in range(JOINED if (some >> lane) & 1 else 0):
            which = int(work.joining[n * len(CHOSEN) + 4, lane])
            if which >= 0:
                work.chosen[e, held] = which
                held += 1
        work.queue[e] = 3 * held + FRESH


@inner
def weigh_facets(given: Given, work: Block, order: Places, begin: int) -> int:
    """Add up what the forces of a block make of every inequality, and judge it.

    Gives the lanes that may break an inequality as the bits of a number.
    """
    heads, places = given.arms.shape[2], work.places
    for lane in range(LANES):
        e = order[min(begin + lane, order.size - 1)]
        held = work.queue[e] // 3
        for n in range(MOST_HELD):
            work.judged[n, lane] = work.chosen[e, n] if n < held else -1
    if given.normals.shape[2] > 0:
        add_up(work.sides, work.lines, work.found)
        within: int = judge_cone(work.sides, work.planes, work.found, work.judged)
        return within
    for g in range(given.facets.shape[1]):
        for lane in range(LANES):
            places[6, lane] = places[5, lane] + g * heads
        fetch(given.facets, places[6], heads, work.lines)
        weigh(work.lines, work.sides, work.found, 3 * g * LANES)
    beyond: int = judge(work.sides, work.planes, work.found, work.judged)
    return beyond


@inner
def bring_back(found: Found, work: Block, heads: int) -> None:
    """Write activations and forces of a block."""
    bring(found.activation, work.places[4], heads, work.sides[4])
    bring(found.active, work.places[4], heads, work.sides[5])
    if found.apart:
        bring(found.force, work.places[4], heads, work.sides[6])


@inner
def leave_unpriced(found: Found, work: Block, e: int, f: int) -> None:
    """Take the inequalities that have no price out of those in force."""
    held, kept = work.queue[e] // 3, 0
    for n in range(held):
        which = work.chosen[e, n]
        if found.prices[f, which] > 0.0:
            work.chosen[e, kept] = which
            kept += 1
    work.queue[e] -= 3 * (held - kept)


@inner
def conclude(
    given: Given, found: Found, work: Block, state: FloatArray, order: Places, begin: int,
    whole: int, done: int, good: int, kind: int, limits: Limits,
) -> None:  # fmt: skip
    """Write what the lanes of a block have come to and what follows for their frames."""
    rows, bound, short = given.arms.shape[1], BOUND - RESIDUAL, kind == SHORT
    beyond = weigh_facets(given, work, order, begin)
    for lane in range(min(LANES, order.size - begin)):
        e = order[begin + lane]
        f, held = work.start + e, work.queue[e] // 3
        found.status[f] = UNCERTIFIED
        ended = (done >> lane) & 1
        for j in range(rows):
            found.multipliers[f, j] = state[LAM * whole + j, lane]
            found.unmet[f, j] = state[UNMET * whole + j, lane]
        for n in range(4):
            found.numbers[f, n] = state[VECTORS * whole + RESIDUAL + n, lane]
        for g in range(given.levels.shape[1]):
            found.prices[f, g] = 0.0
        for n in range(held):
            found.prices[f, work.chosen[e, n]] = max(-state[LAM * whole + rows + n, lane], 0.0)
        if ended and (good >> lane) & 1 == 0:
            work.following[e] = GIVEN_UP
            continue
        if ended == 0 and (kind != FRESH or state[VECTORS * whole + DONE, lane] < 0.0):
            work.following[e] = GIVEN_UP if short else FALLS
            continue
        leaves = loosest(state, rows, whole, held, lane, short)
        if ended and leaves <= DROP:
            work.following[e] = leaves
            continue
        joins, worst = KEPT, 0.0
        if (beyond >> lane) & 1:
            joins, worst = int(work.judged[MOST_HELD, lane]), work.judged[MOST_HELD + 1, lane]
        if ended == 0:
            # What is broken now is likely to stay so; a wrong guess gets no price.
            work.following[e] = joins if joins >= 0 and held == 0 else AGAIN
            continue
        work.following[e] = joins
        if held > 0 and not short:
            leave_unpriced(found, work, e, f)
            if joins == KEPT and work.queue[e] // 3 == 0:
                # With none in force it is to have the digits of a call without inequalities.
                work.queue[e], work.following[e] = FRESH, AGAIN
                continue
        found.numbers[f, bound] = max(found.numbers[f, bound], worst)
        if joins == KEPT and worst <= limits.certified:
            found.status[f] = SHORTFALL if short else SOLVED
            for n in range(held if short else 0):
                j = rows + n
                price = -state[NORMAL * whole + j, lane] * state[UNIT * whole + j, lane]
                found.parted[f, work.chosen[e, n]] = max(price, 0.0)

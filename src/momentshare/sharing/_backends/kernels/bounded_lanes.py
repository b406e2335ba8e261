"""Inequalities at p = 2 or 3, eight frames side by side, compiled.

A dual method on the set of inequalities in force, each a row like those of the balance. A frame
is solved from the multipliers that it has, none of which turns below zero: a row whose multiplier
would is left out of the step, so one that was guessed wrongly does no harm. Then those without a
price leave, the inequality broken most joins, and the frame comes again among others with as many
in force. The least effort never falls so, and the answer with none broken is the optimum. Where
the moment cannot be met with those in force, the nearest one is sought, see ``short_lanes``: the
least distance never falls either, and of equal ones the least effort. There those in force have to
be met, and one whose price has turned below zero leaves. Of a cone two inequalities may join
before a frame is solved, where its block stands, see ``lane_cone``. What a frame goes through
depends on nothing but itself.
"""

from __future__ import annotations

import math
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from momentshare._kernels.compiling import inner, named, outermost
from momentshare.sharing._backends.kernels import bounded_block as _block
from momentshare.sharing._backends.kernels import broken as _broken
from momentshare.sharing._backends.kernels import lane_broken as _judging
from momentshare.sharing._backends.kernels import plain_lanes as _plain
from momentshare.sharing._backends.kernels.bounded_block import (
    BATCH,
    Block,
    Found,
    Given,
    begin_warm,
    bring_back,
    call_up,
    conclude,
    fetch_frames,
    fetch_held,
    fetch_some,
    hold_joined,
)
from momentshare.sharing._backends.kernels.broken import (
    FRESH,
    MOST_HELD,
    SHORT,
    next_queue,
    queue_again,
)
from momentshare.sharing._backends.kernels.lane_broken import JUDGED
from momentshare.sharing._backends.kernels.lane_code import LAM, LANES, SIDES, state_rows
from momentshare.sharing._backends.kernels.lane_cone import CHOSEN, JOINED
from momentshare.sharing._backends.kernels.plain_lanes import (
    SQUARE_PASSES,
    STEPS,
    approach,
    certify,
    certify_short,
    fetch,
    join,
    lane_pass,
    look,
    reciprocals,
    separate,
    set_up,
    turn,
)
from momentshare.sharing._backends.kernels.short_lanes import STEEP

if TYPE_CHECKING:
    from collections.abc import Callable

    from momentshare.sharing._backends.kernels.bounded_block import Places
    from momentshare.sharing._backends.kernels.frame import Limits
    from momentshare.sharing._result import FloatArray, IntArray

MODULES = (_block, _broken, _judging, _plain, *_plain.MODULES)

PASSES = {2: 5, 3: 9}
"""Passes before the frames of a block that are not done come again among others of their kind."""

EARLY = {2: 3, 3: 3}
"""Passes after which the inequalities of a cone join that are likely to be in force."""

WHOLE_PASSES = {2: 24, 3: 48}
"""Passes of those that come again."""

LEVEL = 2
"""Level of optimisation, see ``optimised_to``. At the usual one a frame takes a third longer at
p = 2 and a tenth at p = 3 once the code is read back from the cache, with the same digits."""

WITHIN_STEPS = 30
"""Steps towards the nearest moment with inequalities in force."""


def _level(rows: int, held: int, exponent: int) -> Callable[..., None]:
    """Compile the blocks of frames with so many inequalities in force."""
    whole = rows + held

    def solve_blocks(
        given: Given, found: Found, work: Block, order: Places, passes: int, kind: int,
        limits: Limits,
    ) -> None:  # fmt: skip
        """Solve the frames ``start + order`` of a batch.

        With none in force they begin like frames without inequalities, so that one
        which is kept anyway changes no digit.
        """
        heads, short = given.arms.shape[2], kind == SHORT
        # Towards the nearest moment prices in effort have either sign.
        most = math.inf if short else 0.0
        packed = work.packed[:whole]
        loads = work.loads[:whole]
        for begin in range(0, order.size, LANES):
            fetch_frames(given, work, order, begin)
            if given.weights.shape[0] > 1:
                reciprocals(exponent, work.sides)
            fetch_held(given, work, order, begin, held, whole)
            set_up(whole, packed, loads, work.sides, work.state, int(found.apart))
            if short:
                for j in range(LAM * whole, (LAM + 1) * whole):
                    for lane in range(LANES):
                        work.state[j, lane] /= exponent * STEEP
                for _ in range(STEPS if held == 0 else WITHIN_STEPS):
                    if approach(whole, held, loads, work.sides, work.state) == 2**LANES - 1:
                        break
                separate(whole, held, loads, work.sides, work.state, limits.across)
            elif held > 0:
                begin_warm(given, found, work, order, begin, held, whole)
            if exponent > 2 and (short or held == 0):
                for _ in range(SQUARE_PASSES):
                    lane_pass(whole, held, 2, loads, work.sides, work.state, limits.residual, most)
                turn(whole, loads, work.sides, work.state)
            done = 0
            for index in range(passes):
                call_up(given, found, work, order, begin + LANES + index)
                done = lane_pass(
                    whole, held, exponent, loads, work.sides, work.state, limits.residual, most
                )
                if done == 2**LANES - 1:
                    break
            if short:
                good = certify_short(
                    whole, held, exponent, packed, work.sides, work.state, limits.certified,
                    limits.rounded, limits.slight,
                )  # fmt: skip
            else:
                good = certify(
                    whole, held, exponent, packed, work.sides, work.state, limits.certified,
                    limits.rounded,
                )  # fmt: skip
            bring_back(found, work, heads)
            conclude(
                given, found, work, work.state, order, begin, whole, done, good, kind, limits
            )  # fmt: skip

    return inner(named(solve_blocks, f"{rows} rows {held} held p {exponent}"))


def _first(rows: int, exponent: int) -> Callable[..., None]:
    """Compile the blocks of frames that come for the first time, within a cone."""
    wide, early = rows + JOINED, EARLY[exponent]

    def solve_first(
        given: Given, found: Found, work: Block, order: Places, passes: int, limits: Limits
    ) -> None:
        """Solve the frames ``start + order`` of a batch, with what joins after a few passes."""
        heads = given.arms.shape[2]
        packed, loads = work.packed[:wide], work.loads[:wide]
        bare, sides, state = work.loads[:rows], work.sides, work.state
        for begin in range(0, order.size, LANES):
            fetch_frames(given, work, order, begin)
            if given.weights.shape[0] > 1:
                reciprocals(exponent, sides)
            fetch_held(given, work, order, begin, 0, rows)
            set_up(rows, work.packed[:rows], bare, sides, state, int(found.apart))
            if exponent > 2:
                for _ in range(SQUARE_PASSES):
                    lane_pass(rows, 0, 2, bare, sides, state, limits.residual, 0.0)
                turn(rows, bare, sides, state)
            done = 0
            for index in range(early):
                call_up(given, found, work, order, begin + LANES + index)
                done = lane_pass(rows, 0, exponent, bare, sides, state, limits.residual, 0.0)
            some = look(rows, exponent, bare, sides, state, work.lines, work.planes, work.joining)
            hold_joined(work, order, begin, some)
            if some:
                join(rows, packed, loads, sides, state, work.lines, work.joining, work.wide)
                for index in range(passes):
                    call_up(given, found, work, order, begin + LANES + early + index)
                    done = lane_pass(
                        wide, JOINED, exponent, loads, sides, work.wide, limits.residual, 0.0
                    )
                    if done == 2**LANES - 1:
                        break
                good = certify(
                    wide, JOINED, exponent, packed, sides, work.wide, limits.certified,
                    limits.rounded,
                )  # fmt: skip
            else:
                for index in range(passes):
                    if done == 2**LANES - 1:
                        break
                    call_up(given, found, work, order, begin + LANES + early + index)
                    done = lane_pass(rows, 0, exponent, bare, sides, state, limits.residual, 0.0)
                good = certify(
                    rows, 0, exponent, work.packed[:rows], sides, state, limits.certified,
                    limits.rounded,
                )  # fmt: skip
            bring_back(found, work, heads)
            conclude(
                given, found, work, work.wide if some else state, order, begin,
                wide if some else rows, done, good, FRESH, limits,
            )  # fmt: skip

    return inner(named(solve_first, f"{rows} rows p {exponent}"))


@cache
def within_kernel(rows: int, exponent: int) -> Callable[..., None]:
    """Compile the kernel for so many rows and p."""
    from numba import types

    from momentshare._kernels.levels import optimised_to
    from momentshare.sharing._backends.kernels.signatures import numbers_of_method, read, written

    alone, one, two, three = (_level(rows, held, exponent) for held in range(MOST_HELD + 1))
    within_cone = _first(rows, exponent)
    few, many = PASSES[exponent], WHOLE_PASSES[exponent]
    whole = rows + MOST_HELD
    count, kept, joined = state_rows(whole), len(SIDES), len(CHOSEN) * JOINED

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
        parted: FloatArray,
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
        found = Found(
            activation, active, force, apart, multipliers, unmet, prices, parted, status, numbers
        )
        packed = buffer[: whole * k].reshape((whole, heads, LANES))
        loads = buffer[whole * k : 2 * whole * k].reshape((whole, heads, LANES))
        k *= 2 * whole
        sides = buffer[k : k + kept * LANES * heads].reshape((kept, heads, LANES))
        k += kept * LANES * heads
        lines = buffer[k : k + 3 * LANES * heads].reshape((3 * heads, LANES))
        k += 3 * LANES * heads
        state = buffer[k : k + LANES * count].reshape((count, LANES))
        k += LANES * count
        wide = buffer[k : k + LANES * count].reshape((count, LANES))
        k += LANES * count
        folded, planes = max(levels.shape[1], 3), 4 * levels.shape[1]
        sums = buffer[k : k + 3 * LANES * folded].reshape((3 * folded, LANES))
        k += 3 * LANES * folded
        planar = buffer[k : k + LANES * planes].reshape((planes, LANES))
        k += LANES * planes
        joining = buffer[k : k + LANES * joined].reshape((joined, LANES))
        k += LANES * joined
        judged = buffer[k : k + LANES * JUDGED].reshape((JUDGED, LANES))
        places[:] = 0
        fetch(passive, places[2], heads, sides[1])
        fetch(weights, places[3], heads, sides[2])
        reciprocals(exponent, sides)
        fetch_some(normals, places[4], 3 * levels.shape[1] if normals.size else 0, planar)
        fetch_some(levels, places[4], levels.shape[1], planar[3 * levels.shape[1] :])
        chosen = waits[4:].reshape((BATCH, MOST_HELD))
        waiting = waits[3]
        for start in range(first, last, BATCH):
            work = Block(
                packed, loads, sides, lines, state, wide, sums, planar, joining, judged, places,
                waits[0], waits[1], waits[2], chosen, start,
            )  # fmt: skip
            size = min(BATCH, last - start)
            for e in range(size):
                work.queue[e] = 0
                work.turns[e] = 0
            while True:
                at, total = next_queue(work.queue[:size], waiting)
                if total == 0:
                    break
                order, kind = waiting[:total], at % 3
                passes = few if kind == FRESH else many
                if at == FRESH and normals.shape[2] > 0:
                    within_cone(given, found, work, order, few, limits)
                elif at < 3:
                    alone(given, found, work, order, passes, kind, limits)
                elif at < 6:
                    one(given, found, work, order, passes, kind, limits)
                elif at < 9:
                    two(given, found, work, order, passes, kind, limits)
                else:
                    three(given, found, work, order, passes, kind, limits)
                queue_again(order, work.queue, work.following, work.turns, chosen)

    signature = types.void(
        *read(3, 2, 2, 2, 2, 3, 3, 2),
        types.int64,
        types.int64,
        *written(2, 2, 2),
        types.boolean,
        *written(2, 2, 2, 2),
        *written(1, dtype=types.int8),
        *written(2),
        *written(2, 2, dtype=types.int64),
        *written(1),
        numbers_of_method(),
    )
    files = [str(Path(module.__file__ or "")) for module in MODULES] + [__file__]
    with optimised_to(LEVEL):
        made: Callable[..., None] = outermost(
            signature, files, closed_over=f"{rows} rows p {exponent}"
        )(solve_within)
    return made

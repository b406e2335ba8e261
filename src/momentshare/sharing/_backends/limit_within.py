"""The greatest factor while inequalities on the forces of the heads hold.

    maximise s  subject to  A a − s g = b,   G F − s k ≤ h,   0 ≤ a ≤ 1.

The factor is found without them. Where one is broken it becomes a further row of the balance, met
by the heads and by a slack that is a head of its own, and the frame is solved again; so the factor
only falls, and the answer that breaks none is the optimum. A slack never needs more than is left
where every head works against the inequality, so its capacity takes nothing away. Frames with the
same number of rows are solved together.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from momentshare.sharing._limit import GreatestFactor, solve_limit
from momentshare.sharing._result import Status

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from momentshare.sharing._problem import Problem
    from momentshare.sharing._result import FloatArray

    Places = NDArray[np.intp]

BROKEN = 1e-11
"""Part of its terms by which an inequality may be exceeded: rounding."""


def limit_within(
    problem: Problem,
    given: Problem,
    gains: FloatArray,
    least: float,
    method: str,
    threads: int | None,
) -> GreatestFactor:
    """Solve the linear programme of every frame within the inequalities of ``given``.

    Parameters
    ----------
    problem : Problem
        With bounded free values as further heads, which no inequality moves.
    given : Problem
        As it came; its heads come first.
    gains : float array, shape (frames or 1, facets)
        k [N].
    least, method, threads
        As for ``solve_limit``.
    """
    best = solve_limit(problem, least, method, threads)
    facets = given.facets
    answer = {name: np.array(getattr(best, name)) for name in GreatestFactor.__slots__}
    answer["inequality_multipliers"] = np.zeros((problem.frames, facets))
    open_ended = answer["status"] == Status.UNBOUNDED
    if open_ended.any() and gains.any():
        # A load that asks nothing of the heads but presses on the joint is not treated here.
        answer["status"][open_ended] = Status.UNCERTIFIED
    order = np.flatnonzero(np.isin(answer["status"], (Status.SOLVED, Status.UNBOUNDED)))
    chosen, prices = np.zeros((order.size, 0), dtype=np.intp), best.multipliers[order]
    while order.size:
        worst = _broken_most(given, gains, order, chosen, answer)
        kept = np.flatnonzero(worst >= 0)
        order = order[kept]
        if order.size == 0:
            break
        chosen = np.concatenate([chosen[kept], worst[kept, None]], axis=1)
        reach = np.nan_to_num(answer["factor"][order], posinf=0.0)
        part = _with_rows(problem, given, gains, order, chosen, reach)
        before = np.nan_to_num(np.concatenate([prices[kept], np.zeros((order.size, 1))], axis=1))
        found = solve_limit(part, least, method, threads, before)
        heads, rows = problem.heads, problem.rows
        answer["factor"][order] = found.factor
        answer["limiting"][order] = found.limiting[:, :heads]
        answer["multipliers"][order] = found.multipliers[:, :rows]
        answer["activation"][order] = found.activation[:, :heads]
        answer["residual"][order] = found.residual
        answer["status"][order] = found.status
        eased = np.zeros((order.size, facets))
        np.put_along_axis(eased, chosen, np.maximum(-found.multipliers[:, rows:], 0.0), axis=1)
        answer["inequality_multipliers"][order] = eased
        go_on = np.isin(found.status, (Status.SOLVED, Status.UNBOUNDED))
        order, chosen, prices = order[go_on], chosen[go_on], found.multipliers[go_on]
    return GreatestFactor(**answer)


def _frame_values(array: FloatArray, order: Places) -> FloatArray:
    """Give the values of some frames of an array that may hold for every frame."""
    return array if array.shape[0] == 1 else array[order]


def _broken_most(
    given: Problem, gains: FloatArray, order: Places, chosen: Places, answer: dict[str, FloatArray]
) -> Places:
    """Inequality broken most in each frame, of those that are no rows yet; −1 where none is."""
    heads = given.heads
    force = _frame_values(given.capacity, order) * answer["activation"][order, :heads]
    force = force + _frame_values(given.passive, order)
    factor = np.where(np.isfinite(answer["factor"][order]), answer["factor"][order], 0.0)
    grown = factor[:, None] * _frame_values(gains, order)
    level = _frame_values(given.levels, order)
    if given.cone is not None:
        lines, normals = (
            _frame_values(given.cone.lines, order),
            _frame_values(given.cone.normals, order),
        )
        pressed = np.matmul(force[:, None, :], lines)[:, 0]
        sizes = np.matmul(np.abs(force)[:, None, :], np.abs(lines))[:, 0]
        reached = np.matmul(normals, pressed[:, :, None])[:, :, 0]
        bare = np.matmul(np.abs(normals), sizes[:, :, None])[:, :, 0]
        unit = np.linalg.norm(normals, axis=2)
    else:
        limits = _frame_values(given.limits, order)
        reached = np.matmul(limits, force[:, :, None])[:, :, 0]
        bare = np.matmul(np.abs(limits), np.abs(force)[:, :, None])[:, :, 0]
        unit = np.linalg.norm(limits * _frame_values(given.capacity, order)[:, None, :], axis=2)
    excess = reached - level - grown
    broken = excess > BROKEN * (bare + np.abs(level) + np.abs(grown))
    np.put_along_axis(broken, chosen, False, axis=1)
    measure = np.where(broken, excess / np.where(unit > 0.0, unit, 1e-300), -1.0)
    worst = measure.argmax(axis=1)
    return np.where(broken.any(axis=1), worst, -1)


def _with_rows(
    problem: Problem,
    given: Problem,
    gains: FloatArray,
    order: Places,
    chosen: Places,
    reach: FloatArray,
) -> Problem:
    """Add the chosen inequalities as rows and their slacks as heads; ``reach`` bounds s."""
    count, extra = chosen.shape
    part = problem.take(order)
    pick = np.arange(count)[:, None]
    if given.cone is not None:
        normals = np.broadcast_to(
            _frame_values(given.cone.normals, order), (count, given.facets, 3)
        )
        lines = np.swapaxes(_frame_values(given.cone.lines, order), 1, 2)
        held = np.matmul(normals[pick, chosen], lines)
    else:
        limits = np.broadcast_to(
            _frame_values(given.limits, order), (count, given.facets, given.heads)
        )
        held = limits[pick, chosen]
    level = np.broadcast_to(_frame_values(given.levels, order), (count, given.facets))[pick, chosen]
    gain = np.broadcast_to(_frame_values(gains, order), (count, given.facets))[pick, chosen]
    capacity, passive = _frame_values(given.capacity, order), _frame_values(given.passive, order)
    load = held * capacity[:, None, :]
    resting = np.einsum("fgi,fi->fg", held, np.broadcast_to(passive, (count, given.heads)))
    most = np.maximum(level, level + reach[:, None] * gain) - resting
    most = np.maximum(most - np.minimum(load, 0.0).sum(axis=2), 0.0)

    rows, heads, free = problem.rows, problem.heads, problem.free
    arms = np.zeros((count, rows + extra, heads + extra))
    arms[:, :rows, :heads] = part.arms
    arms[:, rows:, : given.heads] = held
    arms[:, rows + np.arange(extra), heads + np.arange(extra)] = most
    columns = np.zeros((count, rows + extra, free))
    columns[:, :rows] = part.columns

    def joined(first: FloatArray, second: FloatArray) -> FloatArray:
        both = [np.broadcast_to(array, (count, array.shape[-1])) for array in (first, second)]
        return np.concatenate(both, axis=1)

    slacks = np.ones((1, extra))
    scaled = np.zeros((1, rows)) if part.start is None else part.start
    return replace(
        part,
        arms=arms,
        capacity=joined(part.capacity, slacks),
        passive=joined(part.passive, 0.0 * slacks),
        weights=joined(part.weights, slacks),
        moments=joined(part.moments, level),
        start=joined(scaled, gain),
        columns=columns,
        coefficients=np.zeros((1, 0, heads + extra)),
        cone=None,
        levels=np.zeros((1, 0)),
    )

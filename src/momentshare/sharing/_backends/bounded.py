"""Bounds on several free values, by guessing which are active and checking their prices.

The least effort is a convex function of the free values, and its slope against value k is
``-λ·C_k`` with the multipliers λ of the problem in which that value is held. So an answer is
optimal where every value off its bounds is free, every value at its upper bound has
``λ·C_k ≥ 0`` and every value at its lower bound ``λ·C_k ≤ 0``. Starting from a guess, values that
leave their bounds are held there and values whose price has the wrong sign are let go, all at
once at first and later one at a time, until nothing changes. In a shortfall the distance from
the required moment comes before the effort: its slope is ``-(D⁻² u)·C_k``, with u the unmet moment
and D the row norms, and the price of effort decides only where that slope is zero.
"""

from __future__ import annotations

from dataclasses import replace
from importlib.util import find_spec
from typing import TYPE_CHECKING

import numpy as np

from momentshare.sharing._backends.balance import normalise, row_sizes
from momentshare.sharing._backends.compiled import empty_raw
from momentshare.sharing._backends.convex import solve_convex
from momentshare.sharing._backends.minmax import certify_minmax
from momentshare.sharing._backends.minmax_within import evened
from momentshare.sharing._certificate import CERTIFIED, certify, idle_values
from momentshare.sharing._result import RawSharing, Status, put, replaced

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from momentshare.sharing._problem import Problem
    from momentshare.sharing._result import FloatArray, IntArray

ROUNDS = 40
"""Number of changes of the guess after which a frame goes to the general solver."""

_TOGETHER = 8
"""Rounds in which all values of a frame change at once."""

PRICED = 1e-8
"""Part of the terms of a price below which its sign means nothing."""

_OVER = 1e-10
"""Part of the way between the bounds by which a value may pass one: rounding."""

_WIDE = 0.5
"""A value with less than this part of the reach of the widest one is first held, not free."""

LOW, LOOSE, HIGH, RESTING = -1, 0, 1, 2
"""Places of a value: at a bound, free, or held at zero until its price is known."""


def solve_bounded(
    problem: Problem, solve: Callable[[Problem], RawSharing]
) -> tuple[RawSharing, bool]:
    """Share with several free values of which some have bounds.

    Parameters
    ----------
    problem : Problem
    solve : callable
        Solves a problem whose free values have no bounds.

    Returns
    -------
    raw : RawSharing
    helped : bool
        Whether the general solver had to settle any frame.
    """
    place = _guess(problem)
    raw = empty_raw(problem)
    raw.status[:] = Status.UNCERTIFIED
    open_ = np.arange(problem.frames)
    for turn in range(ROUNDS):
        if open_.size == 0:
            break
        part = problem.take(open_)
        found = _solve_places(part, place[open_], solve)
        changed = _moved(part, found, place[open_], one=turn >= _TOGETHER)
        put(raw, open_, found)
        moves = (changed != place[open_]).any(axis=1)
        place[open_] = changed
        open_ = open_[moves]
    if np.isinf(problem.exponent) and open_.size:
        raw = _proved_anyway(problem, raw, open_)
    loose = place == LOOSE
    loose[open_] = False  # the search has not ended, and their places are not those of the answer
    raw = proved(problem, raw, loose)
    left = np.flatnonzero((raw.status == Status.UNCERTIFIED) & ~problem.invalid)
    helped = left.size > 0 and find_spec("cvxpy") is not None
    if helped:
        again = solve_convex(problem.take(left))
        better = again.status != Status.UNCERTIFIED
        raw = replaced(raw, left[better], again.take(better))
    if np.isinf(problem.exponent):
        raw = _told_apart(problem, raw, solve)
    return raw, helped


def _told_apart(
    problem: Problem, raw: RawSharing, solve: Callable[[Problem], RawSharing]
) -> RawSharing:
    """Of the min–max answers with other free values but the same peak, the least Σ (w a)²."""
    met = np.flatnonzero(raw.status == Status.SOLVED)
    if met.size == 0:
        return raw
    part, some = problem.take(met), raw.take(met)
    weights = np.broadcast_to(problem.weights, (met.size, problem.heads))
    even = evened(part, some, weights, lambda squares: solve_bounded(squares, solve)[0])
    again = certify_minmax(part, normalise(part), even, some.multipliers, some.held)
    again = _with_gains(part, again)
    better = np.flatnonzero(again.status == Status.SOLVED)
    return replaced(raw, met[better], again.take(better))


def _proved_anyway(problem: Problem, raw: RawSharing, frames: NDArray[np.intp]) -> RawSharing:
    """Certify min–max answers whose search for the places of values has not ended.

    It turns in a circle where values could move at no price. In a shortfall, Σ w a² is what is
    least.
    """
    part, found = problem.take(frames), raw.take(frames)
    some = _with_gains(part, found)
    short = np.flatnonzero(found.status == Status.SHORTFALL)
    if short.size:
        least = found.take(short)
        again = certify(
            replace(part.take(short), exponent=2.0),
            least.activation,
            least.multipliers,
            least.free_values,
            np.ones(short.size, dtype=np.bool_),
            held=least.held,
            parted=least.parted,
        )
        some = replaced(some, short, again)
    return replaced(raw, frames, some)


def _with_gains(problem: Problem, raw: RawSharing) -> RawSharing:
    """Count as gap what values could still gain at the multipliers of min–max answers."""
    rows = row_sizes(problem.arms * problem.capacity[:, None, :])
    gain, outside = idle_values(problem, raw.free_values, rows, raw.multipliers[None])
    greatest = (problem.weights * raw.activation).max(axis=1, initial=0.0)
    numbers = raw.numbers.copy()
    numbers[:, 1] = np.maximum(numbers[:, 1], outside)
    numbers[:, 3] += gain[0] / np.where(greatest > 0.0, greatest, 1.0)
    good = (raw.status == Status.SOLVED) & (np.abs(numbers[:, [1, 3]]) <= CERTIFIED).all(axis=1)
    status = np.where(good, Status.SOLVED, Status.UNCERTIFIED).astype(np.int8)
    return replace(raw, numbers=numbers, status=status)


def proved(problem: Problem, raw: RawSharing, loose: NDArray[np.bool_]) -> RawSharing:
    """Certify answers found with some values held, the choice of those values included.

    Answers have the certificate of the problem in which the values that are not ``loose`` are
    held. It is that of the whole where each is at a bound that it pushes against; the others are
    certified anew. A value that brings a shortfall nearer is at its bound whatever effort says, as
    a head that does so is: multipliers move along what is missing until they agree.
    """
    found = np.isin(raw.status, (Status.SOLVED, Status.SHORTFALL))
    if np.isinf(problem.exponent) or not found.any():
        return raw
    rows = row_sizes(problem.arms * problem.capacity[:, None, :])
    short = raw.status == Status.SHORTFALL
    effort = np.einsum("fj,fjk->fk", raw.multipliers, problem.columns)
    nearer, most = _nearer(problem, raw, rows)
    pushing = loose | (
        _pushes(problem, raw, effort) & (~short[:, None] | _pushes(problem, raw, nearer))
    )
    left = np.flatnonzero(found & ~pushing.all(axis=1))
    if left.size == 0:
        return raw
    with np.errstate(divide="ignore", invalid="ignore"):
        needed = np.where(np.abs(nearer) > PRICED * most, -effort / nearer, 0.0)
    needed = np.where(short, needed.max(axis=1, initial=0.0), 0.0)[left, None]
    some = raw.take(left)
    again = certify(
        problem.take(left),
        some.activation,
        some.multipliers + needed * (raw.unmet / rows**2)[left],
        some.free_values,
        short[left],
        held=some.held + needed * some.parted,
        parted=some.parted,
    )
    return replaced(raw, left, again)


def _pushes(problem: Problem, raw: RawSharing, price: FloatArray) -> NDArray[np.bool_]:
    """Whether every value is where a price, of effort or of nearness, draws it to."""
    value = raw.free_values
    high, low = value >= problem.upper, value <= problem.lower
    return ((price <= 0.0) | high) & ((price >= 0.0) | low)


def _guess(problem: Problem) -> IntArray:
    """Values without bounds and those that reach farthest are free, all others begin at zero."""
    size = row_sizes(problem.arms * problem.capacity[:, None, :])
    length = np.linalg.norm(problem.columns / size[:, :, None], axis=1)
    span = np.where(length > 0.0, problem.upper - problem.lower, 0.0)
    with np.errstate(invalid="ignore"):
        reach = np.where(length > 0.0, length * span, 0.0)
        wide = reach >= _WIDE * reach.max(axis=1, initial=0.0, keepdims=True)
    place = np.where(wide & (span > 0.0), LOOSE, RESTING)
    return np.array(np.broadcast_to(place, (problem.frames, problem.free)), dtype=np.int8)


def _solve_places(
    part: Problem, place: IntArray, solve: Callable[[Problem], RawSharing]
) -> RawSharing:
    """Solve frames with some values held, those with the same values free side by side."""
    whole = empty_raw(part)
    value = held_values(part, place)
    pattern = (place == LOOSE) @ (1 << np.arange(place.shape[1]))
    for code in np.unique(pattern):
        index = np.flatnonzero(pattern == code)
        some = part.take(index)
        loose = np.array([bool(code >> k & 1) for k in range(place.shape[1])])
        fixed = value[index][:, ~loose]
        endless = np.full((1, int(loose.sum())), np.inf)
        moved = some.moments - np.einsum("fjk,fk->fj", some.columns[:, :, ~loose], fixed)
        found = solve(
            replace(
                some,
                moments=np.ascontiguousarray(np.broadcast_to(moved, (index.size, part.rows))),
                columns=np.ascontiguousarray(some.columns[:, :, loose]),
                lower=-endless,
                upper=endless,
            )
        )
        free = value[index]
        free[:, loose] = found.free_values
        put(whole, index, replace(found, free_values=free))
    return whole


def held_values(part: Problem, place: IntArray) -> FloatArray:
    """Values at their bounds; zero, or the bound next to it, for those that rest."""
    lower = np.broadcast_to(part.lower, place.shape)
    upper = np.broadcast_to(part.upper, place.shape)
    value = np.clip(np.zeros(place.shape), lower, upper)
    value = np.where(place == LOW, lower, value)
    return np.asarray(np.where(place == HIGH, upper, value))


def _moved(part: Problem, found: RawSharing, place: IntArray, *, one: bool) -> IntArray:
    """Return the places that the answer calls for; the same ones where it is optimal."""
    lower = np.broadcast_to(part.lower, place.shape)
    upper = np.broadcast_to(part.upper, place.shape)
    price, size = _prices(part, found)
    sign = np.where(np.abs(price) > PRICED * size, np.sign(price), 0.0)
    value = found.free_values
    with np.errstate(invalid="ignore"):
        room = np.where(np.isfinite(upper - lower), upper - lower, 1.0)
        room = _OVER * np.maximum(room, np.abs(value))
        over = np.where(value > upper + room, value - upper, 0.0)
        under = np.where(value < lower - room, lower - value, 0.0)
    wanted = place.copy()
    loose = place == LOOSE
    wanted[loose & (over > 0.0)] = HIGH
    wanted[loose & (under > 0.0)] = LOW
    wanted[(place == HIGH) & (sign < 0.0)] = LOOSE
    wanted[(place == LOW) & (sign > 0.0)] = LOOSE
    resting, shut = place == RESTING, upper <= lower
    bound = np.where(sign > 0.0, upper, lower)
    towards = np.where(np.isfinite(bound), np.where(sign > 0.0, HIGH, LOW), LOOSE)
    at_bound = value == bound  # resting on zero that is itself a bound
    asks = resting & (sign != 0.0) & ~shut & ~at_bound
    wanted[asks] = towards[asks]
    wanted[shut] = place[shut]
    if one:
        # A single change per round, the largest first, is less prone to cycling.
        pull = np.where(size > 0.0, np.abs(price) / np.where(size > 0.0, size, 1.0), 0.0)
        far = (over + under) / np.where(np.isfinite(upper - lower), upper - lower + 1e-300, 1.0)
        weight = np.where(wanted != place, np.maximum(pull, far), -1.0)
        keep = np.arange(place.shape[1]) == weight.argmax(axis=1)[:, None]
        wanted = np.where(keep, wanted, place)
    return np.asarray(wanted, dtype=np.int8)


def _prices(part: Problem, found: RawSharing) -> tuple[FloatArray, FloatArray]:
    """Effort saved, or in a shortfall distance, for each unit of a free value; and its terms."""
    effort = np.einsum("fj,fjk->fk", found.multipliers, part.columns)
    terms = np.einsum("fj,fjk->fk", np.abs(found.multipliers), np.abs(part.columns))
    rows = row_sizes(part.arms * part.capacity[:, None, :])
    nearer, most = _nearer(part, found, rows)
    first = (found.status == Status.SHORTFALL)[:, None] & (np.abs(nearer) > PRICED * most)
    return np.where(first, nearer, effort), np.where(first, most, terms)


def _nearer(part: Problem, found: RawSharing, rows: FloatArray) -> tuple[FloatArray, FloatArray]:
    """How much nearer to the moment a unit of each free value comes, and the most it could."""
    nearer = np.einsum("fj,fjk->fk", found.unmet / rows**2, part.columns)
    # Beside the whole of what is missing: a row that misses nothing holds rounding alone.
    length = np.linalg.norm(part.columns / rows[:, :, None], axis=1)
    most = np.linalg.norm(found.unmet / rows, axis=1)[:, None] * length
    return nearer, most

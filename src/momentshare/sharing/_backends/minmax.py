"""The min–max criterion: make the greatest weighted activation as small as possible.

    minimise s  subject to  A a = b,  0 ≤ a_i ≤ min(1, s/w_i).

With u = w a / s it is the greatest factor t on b that the columns A_i/w_i can meet with
0 ≤ u ≤ 1, and s = 1/t; among equal answers the one of least Σ (w a)² is taken. Where a
small weight lets a head reach 1 before the others reach s, the frame is solved as a
linear programme of its own. The multiplier λ is the change of s per N·m, so s = λ·b when
no head is at 1.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from momentshare._kernels import cores, is_available
from momentshare.sharing._backends.balance import free_values, normalise
from momentshare.sharing._backends.climb import by_kernel, climb
from momentshare.sharing._backends.compiled import run_minmax, solve_compiled
from momentshare.sharing._backends.newton import RESIDUAL
from momentshare.sharing._backends.newton import SHORT as SLIGHT
from momentshare.sharing._backends.staged import solve_balance
from momentshare.sharing._certificate import CERTIFIED, certify
from momentshare.sharing._result import RawSharing, Status, replaced

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from momentshare.sharing._backends.balance import Balance
    from momentshare.sharing._problem import Problem
    from momentshare.sharing._result import BoolArray, FloatArray, IntArray

FOUND, SHORT, LEFT_OVER = 0, 1, 2
"""How a frame ends, as in the kernel."""

ROUNDS = 12
"""Values of s that are tried before a frame is left to the kernel."""

SAME = 1e-12
"""Part by which an activation or a factor may pass one."""

SEPARATED = 1e-6
"""Part of a moment that heads at 1 lack along a direction, from which it cannot be met. Nothing
depends on it but time."""


def solve_minmax(
    problem: Problem, threads: int | None = None, *, compiled: bool = False
) -> RawSharing:
    """Share every frame by the min–max criterion, each with its certificate."""
    if not compiled:
        return _solve_plain(problem)
    threads = threads or cores()
    balance = normalise(problem)
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        activation, prices, ended = solve_peaks(balance, problem.weights, threads)
    raw = certify_minmax(problem, balance, activation, prices / balance.row_size)
    left = np.flatnonzero((raw.status == Status.UNCERTIFIED) & (ended != SHORT))
    if left.size:
        part = problem.take(left)
        again, multipliers, ended[left] = run_minmax(part, threads)
        raw = replaced(raw, left, certify_minmax(part, balance.take(left), again, multipliers))
    beyond = np.flatnonzero(ended == SHORT)
    if beyond.size:
        raw = _with_shortfall(raw, beyond, replace(problem.take(beyond), exponent=2.0), threads)
    left = np.flatnonzero((raw.status == Status.UNCERTIFIED) & (ended != SHORT))
    return replaced(raw, left, _solve_plain(problem.take(left))) if left.size else raw


def solve_peaks(
    balance: Balance, weights: FloatArray, threads: int
) -> tuple[FloatArray, FloatArray, IntArray]:
    """Activations and prices by greatest factors, and how each frame ended, as in the kernel.

    The first is the one of heads that may all reach s/w. Where some would pass 1, its prices say
    how great s has to be; heads that may reach min(1, s/w) have another factor, and s grows until
    that is one.
    """
    frames, rows, heads = balance.matrix.shape
    activation, prices = np.zeros((frames, heads)), np.zeros((frames, rows))
    ended = np.full(frames, LEFT_OVER, dtype=np.int8)
    asks = np.abs(balance.target).max(axis=1, initial=0.0) > RESIDUAL * balance.target_size
    ended[~asks] = FOUND
    index = np.flatnonzero(asks)
    s, begin, costs = np.zeros(index.size), None, None
    for turn in range(ROUNDS):
        if not index.size:
            break
        part = balance if index.size == frames else balance.take(index)
        w = weights if weights.shape[0] == 1 else weights[index]
        reach = 1.0 / w
        if turn:
            reach = np.minimum(1.0, s[:, None] / w)
            costs = (w * reach / s[:, None]) ** 2
        scaled = replace(
            part,
            matrix=part.matrix * reach[:, None, :],
            target=np.zeros(part.target.shape),
        )
        found = by_kernel(scaled, part.target, threads, begin, costs)
        # The prices v are such that v·b is one.
        v, factor = found.prices, found.factor
        if turn:
            a, held = reach * found.activation, factor >= 1.0 - SAME
            rate = np.maximum(np.where(s[:, None] <= w, _along(v, part), 0.0), 0.0) / w
            price = v / rate.sum(axis=1)[:, None]
        else:
            a, price = (reach / factor[:, None]) * found.activation, v / factor[:, None]
            held = (factor > 0.0) & (a.max(axis=1) <= 1.0 + SAME)
        done = index[held]
        activation[done], prices[done] = np.minimum(a[held], 1.0), price[held]
        ended[done] = FOUND
        on = np.flatnonzero(~held)
        if not on.size:
            break
        index, before, begin, part = index[on], s[on], v[on], part.take(on)
        along = np.maximum(_along(begin, part), 0.0)
        s = _least_peak(along, w if w.shape[0] == 1 else w[on], before)
        # All heads at 1 do not reach the moment along v, by more than rounding.
        ended[index[np.isnan(s) & (along.sum(axis=1) < 1.0 - SEPARATED)]] = SHORT
        on = np.flatnonzero(s > before)
        index, s, begin = index[on], s[on], begin[on]
    return activation, prices, ended


def _along(prices: FloatArray, balance: Balance) -> FloatArray:
    """Give what every head adds along prices."""
    return np.asarray(np.matmul(prices[:, None, :], balance.matrix)[:, 0])


def _least_peak(push: FloatArray, weights: FloatArray, s: FloatArray) -> FloatArray:
    """Least s for which heads reach one along prices, from one too small; NaN where none will do.

    What they reach, Σ push min(1, s/w), bends down at each weight, so that its tangents lead there
    from below.
    """
    for _ in range(weights.shape[1] + 1):
        full = s[:, None] > weights
        capped = np.where(full, push, 0.0).sum(axis=1)
        rate = np.where(full, 0.0, push / weights).sum(axis=1)
        following = np.where(rate > 0.0, (1.0 - capped) / rate, np.nan)
        grown = following > s * (1.0 + 1e-15)
        s = np.where(grown | np.isnan(following), following, s)
        if not grown.any():
            break
    return s


def _solve_plain(problem: Problem) -> RawSharing:
    count, heads = problem.frames, problem.heads
    balance = normalise(problem)
    weights = np.broadcast_to(problem.weights, (count, heads))
    activation = np.zeros((count, heads))
    prices = np.zeros((count, problem.rows))
    short = np.zeros(count, dtype=np.bool_)

    asks = np.abs(balance.target).max(axis=1, initial=0.0) > RESIDUAL * balance.target_size
    frames = np.flatnonzero(asks)
    if frames.size:
        activation[frames], prices[frames], fits = _scaled(balance.take(frames), weights[frames])
        rest = frames[~fits]
        if rest.size:
            # The loops of the kernel: the programme would not break ties by least squares.
            with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
                found, multipliers, ended = run_minmax(problem.take(rest), 1)
            activation[rest], short[rest] = found, ended == 1
            prices[rest] = multipliers * balance.row_size[rest]
            rest = rest[ended > 1]
        for frame in rest:
            vertex = _programme(balance.matrix[frame], balance.target[frame], weights[frame])
            short[frame] = vertex is None
            if vertex is not None:
                activation[frame], prices[frame] = vertex
                left = balance.target[frame] - balance.matrix[frame] @ vertex[0]
                size = balance.target_size[frame] + np.linalg.norm(vertex[0])
                # The programme lets a small shortfall pass.
                short[frame] = np.abs(left).max() > SLIGHT * size
    projected = prices - np.einsum("fjk,flk,fl->fj", balance.basis, balance.basis, prices)
    multipliers = projected / balance.row_size
    raw = certify_minmax(problem, balance, activation, multipliers)
    beyond = np.flatnonzero(short)
    if beyond.size:
        raw = _with_shortfall(raw, beyond, replace(problem.take(beyond), exponent=2.0), None)
    return raw


def _scaled(balance: Balance, weights: FloatArray) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Activation and prices as if no head could reach 1, and whether none does."""
    free = replace(
        balance, matrix=balance.matrix / weights[:, None, :], target=0.0 * balance.target
    )
    factor, prices, share, _, status = climb(free, balance.target, 0.0, method="numpy")
    held = (status == Status.SOLVED) & (factor > 0.0)
    greatest = 1.0 / np.where(held, factor, 1.0)
    activation = greatest[:, None] * np.where(held[:, None], share, 0.0) / weights
    fits = held & (activation.max(axis=1, initial=0.0) <= 1.0 + 1e-12)
    return np.minimum(activation, 1.0), prices * greatest[:, None], fits


def _programme(A: FloatArray, b: FloatArray, w: FloatArray) -> tuple[FloatArray, FloatArray] | None:
    """One frame with the bound 1 in force; None where the moment cannot be met."""
    from scipy.optimize import linprog

    heads = w.size
    cost = np.zeros(heads + 1)
    cost[-1] = 1.0
    answer = linprog(
        cost,
        A_eq=np.hstack([A, np.zeros((b.size, 1))]),
        b_eq=b,
        A_ub=np.hstack([np.diag(w), -np.ones((heads, 1))]),
        b_ub=np.zeros(heads),
        bounds=[(0.0, 1.0)] * heads + [(0.0, None)],
        method="highs-ds",
    )
    if answer.status != 0:
        return None
    x = np.asarray(answer.x)
    return np.clip(x[:-1], 0.0, 1.0), np.asarray(answer.eqlin.marginals)


def _with_shortfall(
    raw: RawSharing, frames: NDArray[np.intp], problem: Problem, threads: int | None
) -> RawSharing:
    """Nearest moment with least Σ w a² for frames whose moment cannot be met."""
    if threads is None or not is_available():
        part = solve_squares(problem)
    else:
        part = solve_compiled(problem, threads, lambda left, _: solve_squares(left), chain=False)
    part.status[part.status == Status.SOLVED] = Status.UNCERTIFIED
    return replaced(raw, frames, part)


def solve_squares(problem: Problem) -> RawSharing:
    """Least Σ w a² with NumPy."""
    balance = normalise(problem)
    weights = np.broadcast_to(problem.weights, (problem.frames, problem.heads))
    answer = solve_balance(balance, weights, 2.0)
    projected = answer.multipliers - np.einsum(
        "fjk,flk,fl->fj", balance.basis, balance.basis, answer.multipliers
    )
    force = problem.capacity * answer.activation + problem.passive
    rest = problem.moments - np.einsum("fji,fi->fj", problem.arms, force)
    return certify(
        problem,
        answer.activation,
        projected / balance.row_size,
        free_values(balance, rest / balance.row_size),
        answer.short,
    )


def certify_minmax(
    problem: Problem,
    balance: Balance,
    activation: FloatArray,
    multipliers: FloatArray,
    held: FloatArray | None = None,
) -> RawSharing:
    """Residual, bounds, optimality and gap of the linear programme, from its data.

    ``held`` are the prices of the inequalities, nothing where not given.
    """
    weights = problem.weights
    active = problem.capacity * activation
    force = active + problem.passive
    rest = problem.moments - np.einsum("fji,fi->fj", problem.arms, force)
    free = free_values(balance, rest / balance.row_size)
    unmet = rest - np.einsum("fjk,fk->fj", problem.columns, free)
    size = balance.target_size + np.linalg.norm(activation, axis=1)
    near = np.abs(unmet / balance.row_size).max(axis=1, initial=0.0)

    greatest = (weights * activation).max(axis=1, initial=0.0)
    pulled = np.einsum("fji,fj->fi", problem.arms, multipliers)
    bound = np.maximum(np.maximum(-activation, activation - 1.0), 0.0).max(axis=1, initial=0.0)
    paid: FloatArray | float = 0.0
    if held is None:
        held = np.zeros((problem.frames, problem.facets))
    if problem.facets:
        slack = problem.levels - np.einsum("fgi,fi->fg", problem.limits, force)
        held = np.maximum(held, 0.0)
        pulled = pulled - np.einsum("fgi,fg->fi", problem.limits, held)
        passive = np.einsum("fgi,fi->fg", problem.limits, problem.passive)
        paid = (held * (problem.levels - passive)).sum(axis=1)
        bare = np.einsum("fgi,fi->fg", np.abs(problem.limits), np.abs(force))
        bare = bare + np.abs(problem.levels)
        broken = np.maximum(-slack, 0.0) / np.where(bare > 0.0, bare, 1.0)
        bound = np.maximum(bound, broken.max(axis=1))
    drive = problem.capacity * pulled
    at_one = weights * (1.0 + 1e-12) < greatest[:, None]
    pull = np.maximum(drive, 0.0)
    dual = np.einsum("fj,fj->f", multipliers, balance.row_size * balance.target)
    dual = dual - np.where(at_one, pull, 0.0).sum(axis=1) - paid
    some = greatest > 0.0
    gap = np.where(some, (greatest - dual) / np.where(some, greatest, 1.0), 0.0)
    # The prices of the heads that share the greatest weighted activation add up to one.
    total = np.where(at_one, 0.0, pull / weights).sum(axis=1)
    top = np.minimum(1.0, greatest[:, None] / weights)
    away = np.where(drive > 0.0, top - activation, activation)
    scale = np.abs(drive).max(axis=1, initial=0.0, keepdims=True)
    wrong = np.minimum(np.abs(drive) / np.where(scale > 0.0, scale, 1.0), np.abs(away))
    stationarity = np.maximum(
        wrong.max(axis=1, initial=0.0), np.where(some, np.abs(total - 1.0), 0.0)
    )
    good = (
        np.isfinite(balance.row_size).all(axis=1)  # beside an overflow anything is small
        & (near <= CERTIFIED * size)
        & (bound <= CERTIFIED)
        & (stationarity <= CERTIFIED)
        & (np.abs(gap) <= CERTIFIED)
    )
    return RawSharing(
        activation=activation,
        active=active,
        force=force,
        multipliers=multipliers,
        unmet=unmet,
        free_values=free,
        held=held,
        parted=np.zeros((problem.frames, problem.facets)),
        status=np.where(good, Status.SOLVED, Status.UNCERTIFIED).astype(np.int8),
        numbers=np.stack(
            [np.abs(unmet).max(axis=1, initial=0.0), bound, stationarity, gap], axis=1
        ),
    )

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
from functools import cache
from typing import TYPE_CHECKING

import numpy as np

from momentshare._kernels import cores, in_chunks, is_available
from momentshare.sharing._backends.balance import free_values, normalise
from momentshare.sharing._backends.climb import AGREE, BOUND, FREE, climb
from momentshare.sharing._backends.compiled import (
    empty_raw,
    limits_of_method,
    run_minmax,
    solve_compiled,
)
from momentshare.sharing._backends.newton import RESIDUAL
from momentshare.sharing._backends.newton import SHORT as SLIGHT
from momentshare.sharing._backends.staged import solve_balance
from momentshare.sharing._certificate import CERTIFIED, certify
from momentshare.sharing._result import RawSharing, Status, replaced

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from momentshare.sharing._backends.balance import Balance
    from momentshare.sharing._backends.kernels.peaks import Rules
    from momentshare.sharing._problem import Problem
    from momentshare.sharing._result import BoolArray, FloatArray, IntArray

FOUND, SHORT, LEFT_OVER = 0, 1, 2
"""How a frame ends, as in the kernel."""

CHUNK = 1024
"""Minimum number of frames per thread."""


def solve_minmax(
    problem: Problem, threads: int | None = None, *, compiled: bool = False
) -> RawSharing:
    """Share every frame of a problem without inequalities, each with its certificate."""
    if not compiled:
        return _solve_plain(problem)
    threads = threads or cores()
    raw, ended = solve_peaks(problem, threads)
    left = np.flatnonzero(ended == LEFT_OVER)
    if left.size:
        part = problem.take(left)
        again, multipliers, ended[left] = run_minmax(part, threads)
        certified = certify_minmax(part, normalise(part), again, multipliers)
        raw = replaced(raw, left, certified)
    beyond = np.flatnonzero(ended == SHORT)
    if beyond.size:
        raw = _with_shortfall(raw, beyond, replace(problem.take(beyond), exponent=2.0), threads)
    left = np.flatnonzero((raw.status == Status.UNCERTIFIED) & (ended != SHORT))
    return replaced(raw, left, _solve_plain(problem.take(left), "compiled")) if left.size else raw


def solve_peaks(problem: Problem, threads: int) -> tuple[RawSharing, IntArray]:
    """Answers by greatest factors with their certificates, and how each frame ended."""
    from momentshare.sharing._backends.kernels.peaks import peak_room
    from momentshare.sharing._backends.kernels.peaks import solve_peaks as kernel

    raw = empty_raw(problem)
    raw.held[...] = 0.0
    raw.parted[...] = 0.0
    ended = np.empty(problem.frames, dtype=np.int8)
    rules, limits = rules_of_factors(), limits_of_method()

    def run(first: int, last: int) -> None:
        kernel(
            problem.arms, problem.capacity, problem.moments, problem.passive, problem.weights,
            problem.columns, first, last, raw.activation, raw.active, raw.force, raw.multipliers,
            raw.unmet, raw.free_values, raw.status, raw.numbers, ended,
            peak_room(problem.rows, problem.heads, problem.free), rules, limits,
        )  # fmt: skip

    in_chunks(run, problem.frames, threads, least=CHUNK)
    return raw, ended


@cache
def rules_of_factors() -> Rules:
    """Gather the numbers of the greatest factor for the kernel."""
    from momentshare.sharing._backends.kernels.peaks import Rules

    return Rules(agree=AGREE, free=FREE, bound=BOUND)


def _solve_plain(problem: Problem, method: str = "numpy") -> RawSharing:
    count, heads = problem.frames, problem.heads
    balance = normalise(problem)
    weights = np.broadcast_to(problem.weights, (count, heads))
    activation = np.zeros((count, heads))
    prices = np.zeros((count, problem.rows))
    short = np.zeros(count, dtype=np.bool_)

    asks = np.abs(balance.target).max(axis=1, initial=0.0) > RESIDUAL * balance.target_size
    frames = np.flatnonzero(asks)
    if frames.size:
        activation[frames], prices[frames], fits = _scaled(
            balance.take(frames), weights[frames], method
        )
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


def _scaled(
    balance: Balance, weights: FloatArray, method: str
) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Activation and prices as if no head could reach 1, and whether none does."""
    free = replace(
        balance, matrix=balance.matrix / weights[:, None, :], target=0.0 * balance.target
    )
    factor, prices, share, _, status = climb(free, balance.target, 0.0, method=method)
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

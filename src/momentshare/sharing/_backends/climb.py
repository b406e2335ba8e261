"""Solve the linear programme of the greatest factor on balances in normalised rows.

    maximise s  subject to  A a − s g = b,   0 ≤ a ≤ 1.

The compiled dual simplex method (``kernels.climb``) takes the frames where numba is
installed, NumPy elsewhere: a little effort added to the programme,
``maximise K s − Σ a²``, leaves its answer as it is once K is large. Projected on the
complement of g that is a sharing problem with a reward K Aᵀg/|g|² on the activations, which
the dual Newton method solves frames side by side. Either answer is checked against the dual
value

    s ≤ Σ_i max(0, A_iᵀ v) − v·b   for every v with v·g = 1,

and a frame in which the two differ goes to the simplex method of SciPy.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from momentshare._kernels import in_chunks, is_available
from momentshare.errors import MissingExtraError
from momentshare.sharing._backends.least_prices import least_prices
from momentshare.sharing._backends.newton import solve_dual
from momentshare.sharing._backends.staged import SPANNED, solve_balance
from momentshare.sharing._result import Status

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from momentshare.sharing._backends.balance import Balance
    from momentshare.sharing._result import BoolArray, FloatArray, IntArray

REWARDS = (1e1, 1e3, 1e5)
"""Rewards K on the factor in units of its first bound, approached one from the other."""

AGREE = 1e-11
"""Primal and dual value, and the balance, agree to this part or the simplex method is asked."""

SURE = 1e-8
"""Greatest relative disagreement of a solved frame."""

FREE = 1e-12
"""A head whose reduced cost is below this part of its size has none."""

BOUND = 1e-11
"""Distance from a bound at which an activation rests on it."""

CHUNK = 1024
"""Minimum number of frames per thread."""


@dataclass(slots=True, kw_only=True)
class Found:
    """What a method found, frame axis first."""

    factor: FloatArray
    prices: FloatArray  # v, with v·g = 1
    activation: FloatArray
    most: FloatArray  # the dual value
    missed: FloatArray  # greatest part of the balance not met
    none: BoolArray  # frames that no activation can hold
    loose: BoolArray  # frames in which other prices would do as well

    def take(self, index: NDArray[np.intp]) -> Found:
        """Return the answers of some frames."""
        return Found(**{name: getattr(self, name)[index] for name in self.__slots__})

    def put(self, index: NDArray[np.intp], part: Found) -> None:
        """Write the answers of some frames."""
        for name in self.__slots__:
            getattr(self, name)[index] = getattr(part, name)


def climb(
    balance: Balance,
    scaled: FloatArray,
    least: float,
    *,
    method: str = "auto",
    threads: int | None = None,
    strengths: Callable[[NDArray[np.intp]], FloatArray] | None = None,
    begin: FloatArray | None = None,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, IntArray]:
    """Factor, prices, activation, residual and status where the scaled part asks something.

    Parameters
    ----------
    balance : Balance
    scaled : float array, shape (frames, rows)
        g, in the units of the balance, nowhere zero, at right angles to the free columns.
    least : float
        Smallest factor that counts; below it the frame is infeasible.
    method, threads
        As in :func:`momentshare.sharing.share`.
    strengths : callable, optional
        From frame numbers to the sizes, shape (frames, rows), with which prices are weighed
        where they are not unique; one where not given.
    begin : float array, shape (frames, rows), optional
        Prices from which the compiled method begins, in the units of the balance.
    """
    if method == "compiled" and not is_available():
        raise MissingExtraError("numba", "fast", "the compiled greatest factor")
    span = _span(balance, scaled)
    compiled = method == "compiled" or (method == "auto" and is_available())
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        found = (
            by_kernel(balance, scaled, threads, begin) if compiled else by_newton(balance, scaled)
        )
        off = _disagreement(found, balance, span)
        left = np.flatnonzero((off > AGREE) & ~found.none)
        if compiled and left.size:
            part = balance.take(left)
            second = by_newton(part, scaled[left])
            _put_better(found, off, left, second, _disagreement(second, part, span[left]))
            left = left[off[left] > AGREE]
        for one in left[:, None]:
            part = balance.take(one)
            third = _rescue(part, scaled[one])
            if third is None:
                continue
            if third.none[0]:
                found.none[one] = off[one] > SURE
                continue
            _put_better(found, off, one, third, _disagreement(third, part, span[one]))
    loose = np.flatnonzero(found.loose & ~found.none)
    if loose.size:
        part = balance.take(loose)
        weigh = np.ones((loose.size, scaled.shape[1])) if strengths is None else strengths(loose)
        prices = least_prices(
            part, scaled[loose], found.activation[loose], found.prices[loose], weigh, BOUND
        )
        most = _dual_value(part, prices)
        gap = np.abs(most - found.factor[loose])
        before = np.abs(found.most[loose] - found.factor[loose])
        proves = gap <= np.maximum(AGREE * span[loose], before)
        found.prices[loose[proves]], found.most[loose[proves]] = prices[proves], most[proves]

    size = balance.target_size + np.linalg.norm(found.activation, axis=1)
    with np.errstate(invalid="ignore"):
        sure = (found.missed <= SURE * size) & (np.abs(found.most - found.factor) <= SURE * span)
        none = found.none | np.isnan(found.factor) | (found.factor < least - SURE * span)
    status = np.where(sure, Status.SOLVED, Status.UNCERTIFIED)
    status = np.where(none, Status.INFEASIBLE, status).astype(np.int8)
    factor = np.where(none, np.nan, np.maximum(found.factor, least))
    activation = np.where(none[:, None], np.nan, found.activation)
    residual = np.where(none, np.nan, found.missed)
    return factor, found.prices, activation, residual, status


def _span(balance: Balance, scaled: FloatArray) -> FloatArray:
    """Size of the factor: its bound along g alone."""
    unit = scaled / np.einsum("fj,fj->f", scaled, scaled)[:, None]  # v·g = 1
    along = np.matmul(unit[:, None, :], balance.matrix)[:, 0]
    reach = np.maximum(along, 0.0).sum(axis=1)
    below = np.einsum("fj,fj->f", unit, balance.target)
    return np.asarray(np.maximum(reach - below, reach) + 1e-300)


def _disagreement(found: Found, balance: Balance, span: FloatArray) -> FloatArray:
    """Relative gap between primal and dual value, or miss of the balance if greater."""
    size = balance.target_size + np.linalg.norm(found.activation, axis=1)
    gap = np.abs(found.most - found.factor) / span
    off = np.maximum(gap, found.missed / np.maximum(size, 1e-300))
    return np.asarray(np.where(np.isfinite(off), off, np.inf))


def _put_better(
    found: Found, off: FloatArray, frames: NDArray[np.intp], part: Found, other: FloatArray
) -> None:
    """Take over the frames in which another method disagrees with itself less."""
    better = np.flatnonzero(other < off[frames])
    found.put(frames[better], part.take(better))
    off[frames[better]] = other[better]


def _dual_value(balance: Balance, prices: FloatArray) -> FloatArray:
    along = np.einsum("fji,fj->fi", balance.matrix, prices)
    below = np.einsum("fj,fj->f", prices, balance.target)
    return np.asarray(np.maximum(along, 0.0).sum(axis=1) - below)


def by_kernel(
    balance: Balance,
    scaled: FloatArray,
    threads: int | None,
    begin: FloatArray | None = None,
    costs: FloatArray | None = None,
) -> Found:
    """Every frame by the compiled dual simplex method, from scratch or from prices of its own.

    Of activations that do as well as others those of least Σ c a² are taken, with the ``costs`` c,
    shape (frames, heads), one where not given.
    """
    from momentshare.sharing._backends.kernels.climb import climb_frames, scratch
    from momentshare.sharing._backends.kernels.vertex import FOUND, SEPARATED

    frames, rows, heads = balance.matrix.shape
    prices, activation = np.empty((frames, rows)), np.empty((frames, heads))
    numbers, code = np.empty((frames, 3)), np.empty(frames, dtype=np.int8)
    tied = np.empty((frames, heads), dtype=np.bool_)
    loose = np.empty(frames, dtype=np.bool_)
    prior = np.zeros((0, rows)) if begin is None else np.ascontiguousarray(begin)
    yields = np.ones((1, heads)) if costs is None else 1.0 / costs

    def run(first: int, last: int) -> None:
        climb_frames(
            balance.matrix, balance.target, balance.basis, scaled, balance.target_size, prior,
            yields, AGREE, FREE, BOUND, first, last,
            prices, activation, numbers, code, tied, loose, scratch(rows, heads),
        )  # fmt: skip

    in_chunks(run, frames, threads, least=CHUNK)
    found = Found(
        factor=numbers[:, 0].copy(),
        prices=prices,
        activation=activation,
        most=numbers[:, 1].copy(),
        missed=numbers[:, 2].copy(),
        none=code == SEPARATED,
        loose=loose & (code == FOUND),
    )
    found.missed[(code != FOUND) & (code != SEPARATED)] = np.inf
    for frame in np.flatnonzero(tied.any(axis=1)):
        cost = np.ones(heads) if costs is None else costs[frame]
        _ease(found, balance, scaled, int(frame), tied[frame], cost)
    return found


def by_newton(balance: Balance, scaled: FloatArray) -> Found:
    """Every frame by the dual Newton method over a reward, frames side by side."""
    frames, _, heads = balance.matrix.shape
    A, b = balance.matrix, balance.target
    unit = scaled / np.einsum("fj,fj->f", scaled, scaled)[:, None]
    span = _span(balance, scaled)
    part = _across(balance, scaled)
    slope = np.einsum("fji,fj->fi", A, unit) / span[:, None]
    weights = np.ones((frames, heads))
    start: FloatArray | None = None
    for reward, before in zip(REWARDS, (1.0, *REWARDS[:-1]), strict=True):
        start = None if start is None else start * (reward / before)
        answer = solve_dual(part, weights, 2.0, start, offset=reward * slope)
        start = answer.multipliers
    side = answer.multipliers * (span / REWARDS[-1])[:, None]
    side = side - np.einsum("fjk,flk,fl->fj", part.basis, part.basis, side)
    prices = _flush(part.matrix, A, answer.activation, unit + side)
    reached = np.einsum("fji,fi->fj", A, answer.activation) - b
    factor = np.einsum("fj,fj->f", unit, reached)
    return Found(
        factor=factor,
        prices=prices,
        activation=answer.activation,
        most=_dual_value(balance, prices),
        missed=np.abs(reached - factor[:, None] * scaled).max(axis=1),
        none=np.zeros(frames, dtype=np.bool_),
        loose=_is_loose(part, answer.activation),
    )


def _across(balance: Balance, scaled: FloatArray) -> Balance:
    """Project the balance on the complement of g."""
    A, b = balance.matrix, balance.target
    line = scaled / np.linalg.norm(scaled, axis=1)[:, None]
    return replace(
        balance,
        matrix=A - line[:, :, None] * np.einsum("fj,fji->fi", line, A)[:, None, :],
        target=b - line * np.einsum("fj,fj->f", line, b)[:, None],
        basis=np.concatenate([balance.basis, line[:, :, None]], axis=2),
    )


def _is_loose(part: Balance, activation: FloatArray) -> BoolArray:
    """Whether the heads between their bounds leave the prices free somewhere."""
    inside = (activation > BOUND) & (activation < 1.0 - BOUND)
    whole = np.linalg.norm(part.matrix, axis=1)
    unit = part.matrix / np.where(whole > 0.0, whole, 1.0)[:, None, :]
    taken = np.linalg.norm(part.basis, axis=1) > 0.5
    depth = part.target.shape[1] - taken.sum(axis=1)
    rank = np.linalg.matrix_rank(np.where(inside[:, None, :], unit, 0.0), tol=1e-9)
    return np.asarray(rank < depth)


def _flush(
    across: FloatArray, A: FloatArray, activation: FloatArray, prices: FloatArray
) -> FloatArray:
    """Turn the prices so that heads between their bounds add nothing along them.

    Least squares with the smallest change across the scaled direction; done twice, since
    the normal equations lose half the digits.
    """
    inside = (activation > 0.0) & (activation < 1.0)
    between = np.where(inside[:, None, :], across, 0.0)
    values, vectors = np.linalg.eigh(between @ between.transpose(0, 2, 1))
    kept = values > SPANNED * np.maximum(values[:, -1:], 1e-300)
    inverse = np.where(kept, 1.0 / np.where(kept, values, 1.0), 0.0)
    for _ in range(2):
        along = np.where(inside, np.einsum("fji,fj->fi", A, prices), 0.0)
        pull = np.einsum("fji,fi->fj", between, along)
        prices = prices - np.einsum("fjl,fl,fkl,fk->fj", vectors, inverse, vectors, pull)
    return prices


def _rescue(balance: Balance, scaled: FloatArray) -> Found | None:
    """Ask the simplex method of SciPy for one frame; None where it fails."""
    A, b, g, Q = balance.matrix[0], balance.target[0], scaled[0], balance.basis[0]
    answer = _simplex(A, b, g)
    if answer is None:
        return None
    factor, prices, activation = answer
    # Rows depend on each other where there are free columns; prices lie across those.
    prices = prices - Q @ (Q.T @ prices)
    along = float(prices @ g)
    prices = prices / along if along > 0.0 else prices
    found = Found(
        factor=np.array([factor]),
        prices=prices[None],
        activation=activation[None],
        most=_dual_value(balance, prices[None]),
        missed=np.array([np.abs(A @ activation - b - factor * g).max()]),
        none=np.array([np.isnan(factor)]),
        loose=np.zeros(1, dtype=np.bool_),
    )
    if found.none[0]:
        return found
    across = _across(balance, scaled)
    length = np.linalg.norm(A, axis=0)
    tied = np.abs(A.T @ prices) <= FREE * length * np.linalg.norm(prices)
    tied &= np.linalg.norm(across.matrix[0], axis=0) > 1e-14 * length
    if tied.sum() > np.linalg.matrix_rank(across.matrix[0][:, tied]):
        _ease(found, balance, scaled, 0, tied, np.ones(tied.size))
    found.loose = _is_loose(across, found.activation)
    return found


def _ease(
    found: Found,
    balance: Balance,
    scaled: FloatArray,
    frame: int,
    tied: BoolArray,
    costs: FloatArray,
) -> None:
    """Give the heads without reduced cost the activations of least effort, in one frame."""
    one = np.array([frame])
    part = _across(balance.take(one), scaled[one])
    others = np.where(tied, 0.0, found.activation[frame])
    rest = part.target - part.matrix @ others
    part = replace(part, matrix=np.where(tied, part.matrix, 0.0), target=rest)
    answer = solve_balance(part, costs[None], 2.0)
    activation = np.where(tied, answer.activation[0], others)
    A, b, g = balance.matrix[frame], balance.target[frame], scaled[frame]
    reached = A @ activation - b
    factor = float(g @ reached / (g @ g))
    missed = np.abs(reached - factor * g).max()
    # Activations of less effort are no use where the prices no longer prove their factor.
    worth = missed * np.abs(found.prices[frame]).sum()
    size = balance.target_size[frame] + np.linalg.norm(activation)
    if missed <= AGREE * size and worth <= AGREE * max(abs(factor), abs(found.most[frame])):
        found.activation[frame], found.factor[frame] = activation, factor
        found.missed[frame] = missed


def _simplex(
    A: FloatArray, b: FloatArray, g: FloatArray
) -> tuple[float, FloatArray, FloatArray] | None:
    """One frame by the dual simplex method: NaN where no factor will do, None where it fails."""
    from scipy.optimize import linprog

    rows, heads = A.shape
    cost = np.zeros(heads + 1)
    cost[-1] = -1.0
    answer = linprog(
        cost,
        A_eq=np.hstack([A, -g[:, None]]),
        b_eq=b,
        bounds=[(0.0, 1.0)] * heads + [(None, None)],
        method="highs-ds",
    )
    if answer.status == 2:
        return np.nan, np.zeros(rows), np.full(heads, np.nan)
    if answer.x is None:
        return None
    x = np.asarray(answer.x)
    return float(x[-1]), np.asarray(answer.eqlin.marginals), np.clip(x[:-1], 0.0, 1.0)

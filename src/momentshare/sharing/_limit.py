"""The greatest factor of checked problems, and the form in which it is returned."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.results import ReadOnly, brief
from momentshare.sharing._backends.balance import normalise
from momentshare.sharing._backends.climb import SURE, climb
from momentshare.sharing._backends.staged import solve_balance
from momentshare.sharing._labelled import labelled_most
from momentshare.sharing._result import (
    STATUSES,
    BoolArray,
    FloatArray,
    IntArray,
    Status,
    of_frames,
    status_text,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from momentshare.sharing._problem import Problem

PUSHES = 1e-7
"""Sine between a head and the limiting plane from which the head counts as limiting."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GreatestFactor(ReadOnly):
    """Largest s for which fixed + s·scaled moments can be met, and what limits it.

    Attributes
    ----------
    factor : float array, shape (...)
        s; infinite where ``unbounded``, NaN where ``infeasible``.
    limiting : bool array, shape (..., heads)
        Heads at full activation whose greater capacity would raise the factor.
    multipliers : float array, shape (..., rows)
        Factor lost per N·m added to the fixed moment of a row; the largest identifies the limiting
        row. ``multipliers · scaled = 1``, or with inequalities in force ``multipliers · scaled −
        inequality_multipliers · scaled_levels = 1``. Where several sets are possible, as when all
        heads are at a bound, the factor lost per N·m depends on the direction; the set of least Σ
        (λ_j Σ_i |R_ji| capacity_i)² is given, and ``limiting`` follows from it.
    activation : float array, shape (..., heads)
        Activations at the limit; among those possible the ones of least Σ a².
    inequality_multipliers : float array, shape (..., facets)
        Factor gained per N by which an inequality is relaxed, at least zero; no facets if there are
        no inequalities.
    residual : float array, shape (...)
        Greatest unmet moment at the limit over the norm of its row; relative.
    status : int array, shape (...)
        Codes of :class:`Status`: solved, unbounded, infeasible or uncertified.

    Examples
    --------
    >>> from momentshare.sharing import greatest_factor
    >>> limit = greatest_factor([[0.05, 0.04]], [1000.0, 500.0], [0.0], [25.0])
    >>> str(limit.status_text), float((limit.multipliers * 25.0).sum().round(9))
    ('solved', 1.0)
    >>> limit.to_dict()["data_vars"]["limiting"]
    {'dims': ('head',), 'data': [True, True], 'attrs': {}}
    """

    factor: FloatArray
    limiting: BoolArray
    multipliers: FloatArray
    activation: FloatArray
    inequality_multipliers: FloatArray
    residual: FloatArray
    status: IntArray

    __repr__ = brief

    def __getitem__(self, key: Any) -> GreatestFactor:
        """Answers of some frames: an index, slice, mask or tuple over the batch axes."""
        return replace(self, **of_frames(self, key))

    def to_dict(self) -> dict[str, Any]:
        """Everything with its unit and the names of its axes, as plain Python values.

        The layout is that of :meth:`Sharing.to_dict`.
        """
        return labelled_most(self, STATUSES, {})

    @property
    def status_text(self) -> NDArray[np.str_]:
        """Status of every frame in words."""
        return status_text(self.status)


def solve_limit(
    problem: Problem,
    least: float,
    method: str = "auto",
    threads: int | None = None,
    begin: FloatArray | None = None,
) -> GreatestFactor:
    """Solve the linear programme of every frame; ``start`` holds the scaled moments.

    ``begin`` (frames, rows) are multipliers to begin from.
    """
    count, heads, rows = problem.frames, problem.heads, problem.rows
    balance = normalise(replace(problem, start=None))
    asked = np.zeros((1, rows)) if problem.start is None else problem.start
    scaled = np.broadcast_to(asked, (count, rows)) / balance.row_size
    whole = np.abs(scaled).max(axis=1, initial=0.0)
    for _ in range(2):  # the remainder may be small compared with what the free columns take
        scaled = scaled - np.einsum("fjk,flk,fl->fj", balance.basis, balance.basis, scaled)
    asks = np.abs(scaled).max(axis=1, initial=0.0) > 1e-13 * whole

    factor = np.full(count, np.nan)
    prices = np.zeros((count, rows))
    activation = np.full((count, heads), np.nan)
    residual = np.full(count, np.nan)
    status = np.full(count, Status.INFEASIBLE, dtype=np.int8)
    frames = np.flatnonzero(asks)
    if frames.size:
        found = climb(
            balance if frames.size == count else balance.take(frames),
            scaled if frames.size == count else scaled[frames],
            least,
            method=method,
            threads=threads,
            begin=None if begin is None else (begin * balance.row_size)[frames],
            strengths=lambda index: _strengths(problem, frames[index], balance.row_size),
        )
        factor[frames], prices[frames], activation[frames] = found[:3]
        residual[frames], status[frames] = found[3:]
    idle = np.flatnonzero(~asks)
    if idle.size:
        answer = solve_balance(balance.take(idle), np.ones((idle.size, heads)), 2.0)
        held = ~answer.short
        factor[idle] = np.where(held, np.inf, np.nan)
        activation[idle] = np.where(held[:, None], answer.activation, np.nan)
        residual[idle] = np.abs(answer.unmet).max(axis=1)
        status[idle] = np.where(held, Status.UNBOUNDED, Status.INFEASIBLE)
    lost = ~np.isfinite(balance.row_size).all(axis=1)  # beside an overflow nothing asks anything
    factor[lost], status[lost] = np.nan, Status.UNCERTIFIED

    ended = np.isfinite(factor)[:, None]
    along = np.einsum("fji,fj->fi", balance.matrix, prices)
    length = np.linalg.norm(balance.matrix, axis=1) * np.linalg.norm(prices, axis=1)[:, None]
    return GreatestFactor(
        factor=factor,
        limiting=(along > PUSHES * length) & ended,
        multipliers=_scaled_to_one(np.where(ended, prices / balance.row_size, np.nan), asked),
        activation=activation,
        inequality_multipliers=np.zeros((count, 0)),
        residual=residual,
        status=status,
    )


def _scaled_to_one(multipliers: FloatArray, scaled: FloatArray) -> FloatArray:
    """Remove the last rounding from multipliers · scaled = 1."""
    total = np.einsum("fj,fj->f", multipliers, np.broadcast_to(scaled, multipliers.shape))
    near = np.abs(total - 1.0) < SURE
    return np.asarray(multipliers / np.where(near, total, 1.0)[:, None])


def _strengths(problem: Problem, frames: NDArray[np.intp], row_size: FloatArray) -> FloatArray:
    """Sum what all heads can do about a row, in either sense, over its norm, in some frames."""
    part = problem.take(frames)
    loads = np.abs(part.arms * part.capacity[:, None, :]).sum(axis=2)
    whole = np.broadcast_to(loads, (frames.size, problem.rows)) / row_size[frames]
    mean = whole.sum(axis=1, keepdims=True) / np.maximum((whole > 0.0).sum(axis=1), 1)[:, None]
    return np.asarray(np.where(whole > 0.0, whole, np.where(mean > 0.0, mean, 1.0)))

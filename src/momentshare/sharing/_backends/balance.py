"""Bring the moment balance to unit rows and eliminate the free unknowns.

The balance of a frame is ``R (capacity∘a + passive) + C f = m``. With
``B = R∘capacity`` and D the diagonal of the row norms of B it becomes, after the part
that the free unknowns can supply is projected away,

    A a = b,   A = P D⁻¹ B,   b = P D⁻¹ (m − R passive),   P = I − Q Qᵀ,

where the columns of Q span D⁻¹ C. Multipliers go back as ``λ = D⁻¹ P λ_A``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from momentshare.sharing._problem import Problem
    from momentshare.sharing._result import FloatArray

DEPENDENT = 1e-12
"""A free column with less than this part outside the earlier ones adds nothing."""


IDLE = 1e-14
"""A head of which less than this part is left beside the free columns cannot help."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Balance:
    """Normalised balance, frame axis first."""

    matrix: FloatArray  # A, (frames, rows, heads)
    target: FloatArray  # b, (frames, rows)
    basis: FloatArray  # Q, (frames, rows, k); zero columns where dependent
    mixing: FloatArray  # upper triangle T with D⁻¹ C = Q T, (frames, k, k)
    row_size: FloatArray  # diagonal of D, (frames, rows) [N·m]
    target_size: FloatArray  # magnitude that rounding acts on, (frames,)

    def take(self, index: NDArray[np.intp]) -> Balance:
        """Return the balance of some frames."""
        return Balance(**{name: getattr(self, name)[index] for name in self.__slots__})


def normalise(problem: Problem) -> Balance:
    """Give every row unit size and project on the complement of the free columns."""
    count = problem.frames
    loads = problem.arms * problem.capacity[:, None, :]
    size = row_sizes(loads)
    passive = np.einsum("fji,fi->fj", problem.arms, problem.passive)
    bare = np.einsum("fji,fi->fj", np.abs(problem.arms), np.abs(problem.passive))
    target = (problem.moments - passive) / size
    magnitude = ((np.abs(problem.moments) + bare) / size).max(axis=1)
    basis, mixing = orthonormal_columns(problem.columns / size[:, :, None])
    matrix = loads / size[:, :, None]
    if problem.free:
        whole = np.abs(matrix).max(axis=1, keepdims=True)
        matrix = matrix - basis @ (basis.transpose(0, 2, 1) @ matrix)
        # A head that turns the free unknowns alone cannot help; rounding must not say it can.
        helps = np.abs(matrix).max(axis=1, keepdims=True) > IDLE * whole
        matrix = np.where(helps, matrix, 0.0)
        target = target - np.einsum("fjk,flk,fl->fj", basis, basis, target)

    def spread(array: FloatArray) -> FloatArray:
        return np.ascontiguousarray(np.broadcast_to(array, (count, *array.shape[1:])))

    return Balance(
        matrix=spread(matrix),
        target=spread(target),
        basis=spread(basis),
        mixing=spread(mixing),
        row_size=spread(size),
        target_size=np.ascontiguousarray(np.broadcast_to(magnitude, (count,))),
    )


def row_sizes(loads: FloatArray) -> FloatArray:
    """Norm of every row [N·m]; a row that no head acts on takes the mean of the others."""
    norm = np.linalg.norm(loads, axis=2)
    acting = norm > 0.0
    count = acting.sum(axis=1, keepdims=True)
    mean = norm.sum(axis=1, keepdims=True) / np.maximum(count, 1)
    return np.asarray(np.where(acting, norm, np.where(count > 0, mean, 1.0)))


def orthonormal_columns(columns: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Gram–Schmidt, done twice for accuracy: columns = Q T, T upper triangular.

    A column that depends on earlier ones gives a zero column of Q and a zero on the
    diagonal of T; its free value is then taken as zero.
    """
    frames, _, free = columns.shape
    basis = np.zeros_like(columns)
    mixing = np.zeros((frames, free, free))
    for k in range(free):
        column = columns[:, :, k]
        length = np.linalg.norm(column, axis=1)
        rest = column
        for _ in range(2):
            part = np.einsum("fjl,fj->fl", basis, rest)
            mixing[:, :, k] += part
            rest = rest - np.einsum("fjl,fl->fj", basis, part)
        left = np.linalg.norm(rest, axis=1)
        new = left > DEPENDENT * length
        basis[:, :, k] = np.where(new[:, None], rest / np.where(new, left, 1.0)[:, None], 0.0)
        mixing[:, k, k] = np.where(new, left, 0.0)
    return basis, mixing


def free_values(balance: Balance, rest: FloatArray) -> FloatArray:
    """Free unknowns that carry the normalised remainder ``D⁻¹ (m − R F)`` as well as possible."""
    free = balance.basis.shape[2]
    part: FloatArray = np.einsum("fjk,fj->fk", balance.basis, rest)
    values = np.zeros_like(part)
    for k in reversed(range(free)):
        known = np.einsum("fl,fl->f", balance.mixing[:, k, k + 1 :], values[:, k + 1 :])
        pivot = balance.mixing[:, k, k]
        usable = pivot > 0.0
        values[:, k] = np.where(usable, (part[:, k] - known) / np.where(usable, pivot, 1.0), 0.0)
    return np.asarray(values)

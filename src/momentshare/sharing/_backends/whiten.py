"""Replace the rows of a balance by orthonormal ones.

Rows that nearly depend on each other make the Newton system of the dual nearly singular,
the square of how nearly. With ``Aᵀ = V T`` (V orthonormal, T upper triangular) the balance
A a = b reads ``Vᵀ a = y`` with ``Tᵀ y = b``, and λ follows from ``T λ = μ``: the same
activations, without the square. Only for moments that can be met: what is nearest, where
they cannot, depends on how the rows are measured.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from momentshare.sharing._backends.balance import orthonormal_columns

if TYPE_CHECKING:
    from momentshare.sharing._backends.balance import Balance
    from momentshare.sharing._result import FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Whitened:
    """Balance in orthonormal rows and the triangle that leads back."""

    balance: Balance
    triangle: FloatArray

    def back(self, multipliers: FloatArray) -> FloatArray:
        """Multipliers of the original rows; zero for a row that repeats earlier ones."""
        rows = multipliers.shape[1]
        found = np.zeros_like(multipliers)
        for j in reversed(range(rows)):
            known = np.einsum("fk,fk->f", self.triangle[:, j, j + 1 :], found[:, j + 1 :])
            pivot = self.triangle[:, j, j]
            usable = pivot > 0.0
            found[:, j] = np.where(
                usable, (multipliers[:, j] - known) / np.where(usable, pivot, 1.0), 0.0
            )
        return found


def whiten(balance: Balance) -> Whitened:
    """Orthonormal rows that span what the rows of the balance span."""
    vectors, triangle = orthonormal_columns(balance.matrix.transpose(0, 2, 1))
    rows = balance.matrix.shape[1]
    target = np.zeros_like(balance.target)
    for j in range(rows):
        known = np.einsum("fk,fk->f", triangle[:, :j, j], target[:, :j])
        pivot = triangle[:, j, j]
        usable = pivot > 0.0
        target[:, j] = np.where(
            usable, (balance.target[:, j] - known) / np.where(usable, pivot, 1.0), 0.0
        )
    return Whitened(
        balance=replace(
            balance,
            matrix=np.ascontiguousarray(vectors.transpose(0, 2, 1)),
            target=target,
            basis=np.zeros((*target.shape, 0)),
        ),
        triangle=triangle,
    )

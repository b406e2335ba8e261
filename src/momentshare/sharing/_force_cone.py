"""Inequalities on a force in space that is linear in the forces of the heads."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from momentshare.arrays import numbers
from momentshare.errors import ShapeError
from momentshare.results import brief

if TYPE_CHECKING:
    from momentshare.sharing._result import FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Cone:
    """Planes that a joint force must stay behind: ``normals · Σ_i F_i lines_i ≤ levels``.

    The same as the inequalities G F ≤ h with ``G = normals linesᵀ`` and ``h = levels``, in a
    form that costs less, since every head adds three numbers instead of one per plane.

    Parameters
    ----------
    lines : float array, shape (..., heads, 3)
        Force on the joint per force of the head.
    normals : float array, shape (..., facets, 3)
        Outward normals, of any length.
    levels : float array, shape (..., facets)
        [N], at normals of unit length.

    Raises
    ------
    ShapeError
        Wrong shapes.

    Examples
    --------
    A head that pulls downward on a joint that may bear 100 N that way:

    >>> from momentshare.sharing import Cone, share
    >>> cone = Cone(
    ...     lines=[[0.0, -1.0, 0.0], [1.0, 0.0, 0.0]], normals=[[0.0, -1.0, 0.0]], levels=[100.0]
    ... )
    >>> answer = share([[0.05, 0.04]], [1000.0, 500.0], [15.0], inequalities=cone)
    >>> bool(answer.force[0] <= 100.0 + 1e-6), str(answer.status_text)
    (True, 'solved')
    """

    lines: FloatArray
    normals: FloatArray
    levels: FloatArray

    __repr__ = brief

    def __post_init__(self) -> None:
        for name in self.__slots__:
            object.__setattr__(self, name, numbers(f"cone {name}", getattr(self, name)))
        for name, array in (("lines", self.lines), ("normals", self.normals)):
            if array.ndim < 2 or array.shape[-1] != 3:
                wanted, got = "shape (..., n, 3)", f"shape {array.shape}"
                advice = "give x, y and z along the last axis"
                raise ShapeError(f"cone {name}", wanted, got, advice)
        if self.levels.ndim < 1 or self.levels.shape[-1] != self.normals.shape[-2]:
            wanted = f"shape (..., {self.normals.shape[-2]})"
            raise ShapeError(
                "cone levels", wanted, f"shape {self.levels.shape}",
                "give one level for each normal",
            )  # fmt: skip

    def inequalities(self) -> tuple[FloatArray, FloatArray]:
        """G, shape (..., facets, heads), and h, shape (..., facets)."""
        return self.normals @ np.swapaxes(self.lines, -1, -2), self.levels

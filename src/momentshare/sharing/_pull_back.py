"""Derivatives of any function of the shared forces, from its derivative by these forces.

What reverse-mode frameworks ask for: with g_i = ∂L/∂F_i, the sums Σ_i g_i ∂F_i/∂x for every
argument x of the sharing, in the shape of that argument.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, TypeAlias

import numpy as np

from momentshare.sharing._arguments import require_choice
from momentshare.sharing._gradients import force_gradients
from momentshare.sharing._share import share

if TYPE_CHECKING:
    from momentshare.sharing._result import FloatArray

Unsolved: TypeAlias = Literal["nan", "zero"]

BLOCK = 1024
"""Frames whose derivatives are held at once."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shared:
    """What stays the same when forces are differentiated by arms, capacity and moments."""

    exponent: float = 2.0
    weights: FloatArray | None = None
    unsolved: Unsolved = "nan"

    def __post_init__(self) -> None:
        require_choice("unsolved", self.unsolved, ("nan", "zero"))

    def forces(
        self, arms: FloatArray, capacity: FloatArray, moments: FloatArray, passive: FloatArray
    ) -> FloatArray:
        """Total force of every head, every frame on its own."""
        return share(
            arms,
            capacity,
            moments,
            passive_force=passive,
            exponent=self.exponent,
            weights=self.weights,
            chain=False,
        ).force

    def pull_back(
        self,
        arms: FloatArray,
        capacity: FloatArray,
        moments: FloatArray,
        passive: FloatArray,
        change: FloatArray,
    ) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """Give the derivatives by all four arguments; ``change`` is ∂L/∂F."""
        given = (arms, capacity, moments, passive)
        cores = (2, 1, 1, 1)
        batch = np.broadcast_shapes(
            *(x.shape[: x.ndim - core] for x, core in zip(given, cores, strict=True)),
            change.shape[:-1],
        )
        frames = int(np.prod(batch, dtype=np.int64))
        flat = [
            np.broadcast_to(x, batch + x.shape[x.ndim - core :]).reshape(
                frames, *x.shape[x.ndim - core :]
            )
            for x, core in zip((*given, change), (*cores, 1), strict=True)
        ]
        found = [np.empty(x.shape) for x in flat[:4]]
        for first in range(0, frames, BLOCK):
            part = slice(first, first + BLOCK)
            self._block([x[part] for x in flat], [x[part] for x in found])
        shaped = [
            _summed(x.reshape(batch + x.shape[1:]), y.shape)
            for x, y in zip(found, given, strict=True)
        ]
        return shaped[0], shaped[1], shaped[2], shaped[3]

    def _block(self, given: list[FloatArray], found: list[FloatArray]) -> None:
        """Fill the derivatives of some frames."""
        arms, capacity, moments, passive, change = given
        slope = force_gradients(
            arms,
            capacity,
            moments,
            passive_force=passive,
            exponent=self.exponent,
            weights=self.weights,
        )
        found[0][...] = np.einsum("fi,fijl->fjl", change, slope.by_arms)
        found[1][...] = np.einsum("fi,fil->fl", change, slope.by_capacity)
        found[2][...] = np.einsum("fi,fij->fj", change, slope.by_moment)
        found[3][...] = np.einsum("fi,fil->fl", change, slope.by_passive_force)
        if self.unsolved == "zero":
            for array in found:
                np.nan_to_num(array, copy=False, nan=0.0)


def _summed(values: FloatArray, shape: tuple[int, ...]) -> FloatArray:
    """Add up what belongs to one element of an argument that stood for many."""
    extra = values.ndim - len(shape)
    values = values.sum(axis=tuple(range(extra)))
    wide = tuple(i for i, size in enumerate(shape) if size == 1 and values.shape[i] != 1)
    return np.asarray(values.sum(axis=wide, keepdims=True) if wide else values)

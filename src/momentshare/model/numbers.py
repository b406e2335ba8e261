"""Numbers to use in place of a model's: for one limb, or for many side by side."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from momentshare.errors import ShapeError, UnknownNameError

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from numpy.typing import ArrayLike, NDArray

    from momentshare.model.schema import Model

__all__ = ["HEAD_FACTORS", "Numbers"]

HEAD_FACTORS = ("volume", "peak_fibre_length", "reference_fibre_length")
"""What a factor per head may act on."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Numbers:
    """Changed numbers of a model; a leading axis, where there is one, runs over limbs.

    Parameters
    ----------
    quantities : mapping
        Quantity → value [SI], shape () or (limbs,).
    offsets : mapping
        Site → shift in its body frame before scaling [m], shape (3,) or (limbs, 3).
    radii : mapping
        Surface → surface radius before scaling [m], shape () or (limbs,).
    head_factors : mapping
        One of :data:`HEAD_FACTORS` → factor per head, shape (heads,) or (limbs, heads).
    inertia : mapping
        (Segment, quantity) → value in place of that of the person's sex, shape () or (limbs,).
    """

    quantities: Mapping[str, ArrayLike] = field(default_factory=dict)
    offsets: Mapping[str, ArrayLike] = field(default_factory=dict)
    radii: Mapping[str, ArrayLike] = field(default_factory=dict)
    head_factors: Mapping[str, ArrayLike] = field(default_factory=dict)
    inertia: Mapping[tuple[str, str], ArrayLike] = field(default_factory=dict)

    def check(self, model: Model) -> None:
        """Raise ``UnknownNameError`` for a name that the model does not have."""
        known: tuple[tuple[str, Iterable[str], Iterable[str]], ...] = (
            ("model quantity", self.quantities, model.quantities),
            ("site", self.offsets, model.sites),
            ("surface", self.radii, model.surfaces),
            ("head factor", self.head_factors, HEAD_FACTORS),
        )
        for kind, given, names in known:
            for name in given:
                if name not in names:
                    raise UnknownNameError(kind, name, tuple(names))

    def quantity(self, model: Model, name: str) -> NDArray[np.float64]:
        """Value of a quantity [SI], shape () or (limbs,)."""
        found = self.quantities.get(name)
        return np.asarray(model.number(name) if found is None else found, dtype=np.float64)

    def heads(self, model: Model, name: str) -> NDArray[np.float64]:
        """Return the number of every head with its factor, (heads,) or (limbs, heads)."""
        value = np.array([getattr(head, name).value for head in model.heads])
        factor = np.asarray(self.head_factors.get(name, 1.0), dtype=np.float64)
        if factor.ndim and factor.shape[-1] != len(value):
            raise ShapeError(
                f"head_factors[{name!r}]", f"shape (..., {len(value)})", f"shape {factor.shape}",
                "give one factor, or one for each head of the model",
            )  # fmt: skip
        return value * factor

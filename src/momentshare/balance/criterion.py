"""What the optimiser minimises, and which rows it balances."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from momentshare.directions import ROWS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]


__all__ = ["BALANCED", "Criterion"]

BALANCED = ROWS[:4]
"""Rows balanced by default: three at the shoulder and elbow extension.

The couple about the forearm is left out, because the grip can carry it.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Criterion:
    """What the optimiser minimises: Σ w aᵖ.

    With weights by volume the answer does not depend on how a muscle is divided into heads: parts
    with the same arm and fibre length together cost as much as the whole. With equal weights it
    does (Holmberg and Klarbring 2012, abstract read; that weighting by volume preserves the answer
    is arithmetic).

    Parameters
    ----------
    exponent : float
        p > 1, or infinity to minimise the greatest activation. In that case weights drop out, since
        (Σ w aᵖ)^(1/p) tends to the greatest activation whatever they are; so dividing a muscle
        changes nothing there either.
    weights : {"volume", "none"}
        Weights in proportion to the volume of the head, or equal weights.
    balance_forearm : bool
        Whether the forearm rotation row is balanced too.

    Raises
    ------
    InputError
        An exponent that is not above 1.

    Examples
    --------
    >>> from momentshare import Criterion
    >>> bool(Criterion(exponent=3.0).by_volume)
    True
    >>> Criterion(balance_forearm=True).rows[-1]
    'forearm_pronation'
    """

    exponent: float = 2.0
    weights: Literal["volume", "none"] = "volume"
    balance_forearm: bool = False

    @property
    def by_volume(self) -> bool:
        """Whether the volumes of the heads count; not when the greatest activation is minimised."""
        return self.weights == "volume" and np.isfinite(self.exponent)

    @property
    def rows(self) -> tuple[str, ...]:
        """Names of the balanced rows."""
        return ROWS if self.balance_forearm else BALANCED

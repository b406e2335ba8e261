"""What the optimiser minimises, and which rows it balances."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, Protocol

import numpy as np

from momentshare.directions import ROWS
from momentshare.errors import InputError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]


__all__ = ["BALANCED", "Criterion"]

BALANCED = ROWS[:4]
"""Rows balanced by default: three at the shoulder and elbow extension.

The couple about the forearm is left out, because the grip can carry it.
"""


class Sized(Protocol):
    """What holds the sizes of heads, each over the mean of its limb."""

    @property
    def volume_weights(self) -> Floats:
        """Volumes, shape (..., heads)."""

    @property
    def area_weights(self) -> Floats:
        """Greatest isometric forces, shape (..., heads)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Criterion:
    """What the optimiser minimises: Σ w aᵖ.

    With weights by volume or by area the answer does not depend on how a muscle is divided into
    heads: parts with the same arm and fibre length together cost as much as the whole. With equal
    weights it does (Holmberg and Klarbring 2012, abstract read; that such weights preserve the
    answer is arithmetic). Area is the default: the sum is that of force × stress, a weighted sum of
    squared forces as used at the shoulder (Happee 1994 and, against EMG, Happee and van der Helm
    1995, abstracts read), and activation depends on the moment arm alone. The energy that muscles
    use follows the volume that is active (abstract read of a study of running and hopping, 2022),
    but by volume the cost of a force falls with fibre length, so the shortest fibres lead: in a
    press the anconeus and the supraspinatus would work to their bound and the pectoralis at half
    of its own.

    Parameters
    ----------
    exponent : float
        p > 1, or infinity to minimise the greatest activation. In that case weights drop out, since
        (Σ w aᵖ)^(1/p) tends to the greatest activation whatever they are; so dividing a muscle
        changes nothing there either.
    weights : {"area", "volume", "none"}
        Weights in proportion to the greatest isometric force of the head (area times tension) or
        to its volume, or equal weights.
    balance_forearm : bool
        Whether the forearm rotation row is balanced too.

    Raises
    ------
    InputError
        An exponent that is not above 1, weights of another name.

    Examples
    --------
    >>> from momentshare import Criterion
    >>> Criterion(exponent=3.0).by_size
    'area'
    >>> Criterion(balance_forearm=True).rows[-1]
    'forearm_pronation'
    """

    exponent: float = 2.0
    weights: Literal["area", "volume", "none"] = "area"
    balance_forearm: bool = False

    def __post_init__(self) -> None:
        faults = []
        number = isinstance(self.exponent, (int, float, np.number))
        if isinstance(self.exponent, bool) or not (number and self.exponent > 1.0):
            faults.append(f"exponent: must be a number above 1, or math.inf; got {self.exponent!r}")
        if self.weights not in {"area", "volume", "none"}:
            faults.append(f"weights: must be area, volume or none; got {self.weights!r}")
        if faults:
            raise InputError("criterion:", faults)

    @property
    def by_size(self) -> Literal["area", "volume"] | None:
        """What the heads are weighted by; nothing when the greatest activation is minimised."""
        return self.weights if self.weights != "none" and np.isfinite(self.exponent) else None

    def weights_of(self, sized: Sized) -> Floats | None:
        """Weights of the heads of a limb or a balance, shape (..., heads); None where equal."""
        sizes = {"volume": sized.volume_weights, "area": sized.area_weights, None: None}
        return sizes[self.by_size]

    @property
    def rows(self) -> tuple[str, ...]:
        """Names of the balanced rows."""
        return ROWS if self.balance_forearm else BALANCED

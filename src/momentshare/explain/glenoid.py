"""The limit of the glenoid in one frame: how a head's pull loads it, and what that costs.

Each facet of the limit is a plane that the contact force must stay behind, ``G F ≤ h``. Its price
μ is effort per newton; a head whose pull brings the force nearer to the facet pays for it, so that

    p w a^(p−1) = F (Σ_j λ_j r_j − Σ_g μ_g G_g).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from momentshare.balance import stability_cone
from momentshare.limb.joint import DIRECTIONS
from momentshare.results import ReadOnly, brief

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from momentshare.balance import Balance, GlenoidLimit
    from momentshare.sharing import Cone

__all__ = ["GLENOID", "HeldGlenoid", "facet_names", "held_glenoid"]

GLENOID = "glenoid"
"""Name of the limit's parts where other parts are named after a joint."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HeldGlenoid(ReadOnly):
    """What keeps the contact force of one frame within the limit of the glenoid.

    Attributes
    ----------
    limit : GlenoidLimit
        Of this frame, without a frame axis.
    across : float array, shape (3,)
        Net force across the shoulder on the arm with the given lateral force [N].
    push_weights : float array, shape (rows,)
        Free push per newton metre that the heads leave unmet [N/(N·m)]; zeros where the push is
        given.
    """

    limit: GlenoidLimit
    across: NDArray[np.float64]
    push_weights: NDArray[np.float64]

    __repr__ = brief

    def cone(self, arms: NDArray[np.float64], moments: NDArray[np.float64]) -> Cone:
        """Facets for heads with these moment arms [m] under these moments [N·m].

        A free push follows from what the heads leave unmet, so the arms of a head affect the
        contact force as well as its line.
        """
        axis = self.limit.push_axis
        pushed = -self.push_weights @ arms
        lines = self.limit.lines + pushed[:, None] * axis
        rest = float(-self.push_weights @ moments)
        return stability_cone(self.limit, lines, self.across + rest * axis)


def held_glenoid(balance: Balance) -> HeldGlenoid:
    """Extract the limit from a balance of one frame, which must hold one."""
    limit = balance.glenoid
    assert limit is not None  # noqa: S101 - asked only where the limit is kept
    weights = balance.push_weights() if balance.free else np.zeros(len(balance.row_names))
    return HeldGlenoid(
        limit=limit,
        across=np.asarray(limit.across + balance.push * limit.push_axis),
        push_weights=np.asarray(weights),
    )


def facet_names(turns: NDArray[np.float64]) -> tuple[str, ...]:
    """Name each facet by the direction in which the head would leave the glenoid there.

    Examples
    --------
    >>> import numpy as np
    >>> facet_names(np.array([0.0, 0.1, np.pi]))
    ('glenoid_anterior', 'glenoid_anterior_2', 'glenoid_posterior')
    """
    eighth = np.round(-np.asarray(turns) / (np.pi / 4.0)).astype(int) % 8
    names: list[str] = []
    seen: dict[str, int] = {}
    for place in eighth:
        word = f"{GLENOID}_{DIRECTIONS[place].replace('-', '_')}"
        seen[word] = seen.get(word, 0) + 1
        names.append(word if seen[word] == 1 else f"{word}_{seen[word]}")
    return tuple(names)

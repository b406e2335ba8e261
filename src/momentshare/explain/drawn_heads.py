"""How sure the difference of two heads is: the same frame split in draws of the limb.

Every draw is split as the answer is (:mod:`momentshare.explain.heads_apart`), so that the sign of
each part, and which component is the largest, come with the share of draws in which they hold.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from momentshare.explain.drawn import Share
from momentshare.explain.heads_apart import READINGS_BY_FACTOR, explain_heads_apart
from momentshare.explain.problem import frame_at

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd
    from numpy.typing import NDArray

    from momentshare.analysis import LiftResult
    from momentshare.explain.mixtures import Member

    Floats = NDArray[np.float64]

__all__ = ["DrawnHeads", "drawn_heads"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DrawnHeads:
    """Two heads in the draws; the first less the second.

    Attributes
    ----------
    head, other : str
    activation : float array, shape (draws, 2)
        Of both [1].
    parts : dict
        Component → its part in the difference of activation, shape (draws,).
    """

    head: str
    other: str
    activation: Floats
    parts: dict[Member, Floats]

    @property
    def draws(self) -> int:
        """Draws in which the lift could be solved."""
        return len(self.activation)

    def same_sign(self, gap: float) -> Share:
        """Draws in which the difference has the sign of a value."""
        own = self.activation[:, 0] - self.activation[:, 1]
        return Share.counted(np.sign(own) == np.sign(gap))

    def part_sign(self, factor: str, part: float) -> Share:
        """Draws in which the part of a factor has the sign of a value."""
        own = np.zeros(self.draws)
        for member, values in self.parts.items():
            if member.factor == factor:
                own = own + values
        return Share.counted(np.sign(own) == np.sign(part))

    def largest(self, component: Member, part: float) -> Share:
        """Draws in which no component of the same reading is larger, with the sign of a value."""
        reading = READINGS_BY_FACTOR[component.factor]
        own = self.parts.get(component, np.zeros(self.draws))
        sizes = [
            np.abs(values)
            for member, values in self.parts.items()
            if READINGS_BY_FACTOR[member.factor] == reading
        ]
        greatest = np.max(sizes, axis=0) if sizes else np.zeros(self.draws)
        return Share.counted((np.sign(own) == np.sign(part)) & (np.abs(own) >= greatest))

    def to_dataframe(self) -> pd.DataFrame:
        """One line per draw and component, with both activations."""
        import pandas as pd

        members = list(self.parts)
        count = len(members)
        return pd.DataFrame(
            {
                "draw": np.repeat(np.arange(self.draws), count),
                "head": self.head,
                "other": self.other,
                "activation": np.repeat(self.activation[:, 0], count),
                "other_activation": np.repeat(self.activation[:, 1], count),
                "reading": [READINGS_BY_FACTOR[m.factor] for m in members] * self.draws,
                "factor": [m.factor for m in members] * self.draws,
                "component": [m.name for m in members] * self.draws,
                "activation_part": np.array([self.parts[m] for m in members]).T.ravel(),
            }
        )


def drawn_heads(
    results: Sequence[LiftResult], heads: tuple[str, str], height: float
) -> DrawnHeads | None:
    """Split the difference between two heads in every draw.

    Parameters
    ----------
    results : sequence of LiftResult
        One per draw, from :func:`momentshare.explain.drawn.drawn_results`.
    heads : pair of str
    height : float
        Height fraction of the frame.

    Returns
    -------
    DrawnHeads or None
        None without draws.
    """
    if not results:
        return None
    found = [explain_heads_apart(own, *heads, frame=frame_at(own, height)) for own in results]
    parts: dict[Member, Floats] = {}
    for draw, one in enumerate(found):
        for member, part in (
            *zip(one.members, one.parts, strict=True),
            *zip(one.asked, one.asked_parts, strict=True),
        ):
            parts.setdefault(member, np.zeros(len(found)))[draw] = part[0]
    return DrawnHeads(
        head=found[0].head,
        other=found[0].other,
        activation=np.array([one.activation for one in found]),
        parts=parts,
    )

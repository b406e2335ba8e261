"""How the families of inputs rank."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Sensitivity"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sensitivity:
    """Ranking of the families.

    Attributes
    ----------
    screening : DataFrame
        One line per family, condition, head and measure: ``mu_star``, ``mu_star_confidence``,
        ``sigma`` in the unit of the measure; measures are ``mean_activation`` and, for
        conditions after the first, ``difference_from_first`` of it.
    overall : DataFrame
        ``mu_star`` of each family over its greatest, averaged over working heads and
        conditions, largest first.
    indices : DataFrame
        One line per kept family, condition, head and measure: ``first_order``, ``total`` and their
        95 % half-widths; empty if not requested.
    failed : int
        Designed draws that could not be solved; their values are taken from the mean, so a
        number above zero lowers the effects.
    """

    screening: pd.DataFrame
    overall: pd.DataFrame
    indices: pd.DataFrame
    failed: int

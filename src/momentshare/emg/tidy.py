"""Put the curves of a table of electromyograms and activation on one grid."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, cast

import numpy as np

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

__all__ = ["Curve", "Curves", "read_curves"]

_KEYS = ["person", "condition", "head"]

_DIGITS = 6
"""Decimals of a lift percent that count; further ones are rounding."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Curve:
    """One head of one person in one condition; NaN where a sample is missing."""

    person: str
    condition: str
    head: str
    emg: NDArray[np.float64]
    activation: NDArray[np.float64]

    @property
    def known(self) -> NDArray[np.bool_]:
        """Where both are known."""
        return np.asarray(~np.isnan(self.emg))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Curves:
    """All curves on one grid of lift percent, heads and conditions as they first appear."""

    grid: NDArray[np.float64]
    heads: tuple[str, ...]
    conditions: tuple[str, ...]
    curves: tuple[Curve, ...]

    def of(self, head: str, condition: str) -> list[Curve]:
        """Curves of one head in one condition, people in order of their names."""
        return [c for c in self.curves if (c.head, c.condition) == (head, condition)]


def read_curves(table: pd.DataFrame) -> Curves:
    """Return the curves of a table; see :func:`momentshare.emg.compare_emg`.

    A sample without EMG or without activation counts as missing, in both; a curve without any
    sample is left out.
    """
    import pandas as pd

    frame = pd.DataFrame({key: [str(name) for name in table[key]] for key in _KEYS})
    emg, activation, percent = (
        table[name].to_numpy(dtype=np.float64) for name in ("emg", "activation", "lift_percent")
    )
    grid, place = np.unique(np.round(percent, _DIGITS), return_inverse=True)
    known = np.isfinite(emg) & np.isfinite(activation)
    curves = []
    for key, indices in frame.groupby(_KEYS, sort=True).indices.items():
        person, condition, head = cast("tuple[str, ...]", key)
        rows = np.asarray(indices)
        use = rows[known[rows]]
        if not use.size:
            continue
        curve = np.full((2, grid.size), np.nan)
        curve[:, place[use]] = emg[use], activation[use]
        curves.append(
            Curve(person=person, condition=condition, head=head, emg=curve[0], activation=curve[1])
        )
    return Curves(
        grid=grid,
        heads=tuple(frame["head"].unique()),
        conditions=tuple(frame["condition"].unique()),
        curves=tuple(curves),
    )

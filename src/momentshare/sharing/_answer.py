"""What a :class:`~momentshare.sharing.Solver` writes its answers to."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING

import numpy as np

from momentshare.results import brief
from momentshare.sharing._result import BoolArray, FloatArray, IntArray, Status, status_text

if TYPE_CHECKING:
    from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """Arrays for the answers of a :class:`Solver`, overwritten by each call that uses them.

    Attributes
    ----------
    activation, active_force, force, multipliers, unmet, free_values, \
    inequality_multipliers, shortfall_prices, status
        As in :class:`~momentshare.sharing.Sharing`, with one frame axis (none from
        :meth:`Solver.step`).
    certificate : float array, shape (..., 4)
        Moment residual [N·m], bound violation, stationarity and duality gap, as in
        :class:`~momentshare.sharing.Certificate`.

    Examples
    --------
    >>> import numpy as np
    >>> from momentshare.sharing import Solver
    >>> solver = Solver(heads=2)
    >>> answer = solver.step(
    ...     np.array([[0.05, 0.04]]), np.array([1000.0, 500.0]), np.array([25.0])
    ... )
    >>> answer.force.shape, str(answer.status_text), bool(answer.certified)
    ((2,), 'solved', True)
    """

    activation: FloatArray
    active_force: FloatArray
    force: FloatArray
    multipliers: FloatArray
    unmet: FloatArray
    free_values: FloatArray
    inequality_multipliers: FloatArray
    shortfall_prices: FloatArray
    status: IntArray
    certificate: FloatArray

    __repr__ = brief

    @property
    def status_text(self) -> NDArray[np.str_]:
        """Status of every frame in words."""
        return status_text(self.status)

    @property
    def certified(self) -> BoolArray:
        """Frames whose certificate holds: solved or shortfall."""
        return np.asarray(self.status <= Status.SHORTFALL)

    def copy(self) -> Answer:
        """Copy what the next call would overwrite."""
        return Answer(**{item.name: getattr(self, item.name).copy() for item in fields(self)})

    def frame(self, index: int) -> Answer:
        """Give views of one frame, without the frame axis."""
        whole = {item.name: getattr(self, item.name)[index, ...] for item in fields(self)}
        return Answer(**whole)

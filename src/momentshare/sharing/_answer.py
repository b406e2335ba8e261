"""What a :class:`~momentshare.sharing.Solver` writes its answers to."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from momentshare.sharing._labelled import UNITS
from momentshare.sharing._result import Certificate, FloatArray, IntArray, PerFrame, of_frames

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray


ARRAYS = (*UNITS, "status", "proof")
"""Names of the arrays of an answer."""


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class Answer(PerFrame):
    """Answers of a :class:`Solver`, in arrays that its next call overwrites.

    Everything of a :class:`~momentshare.sharing.Sharing` has the same name here. An index or a
    slice gives views, which the next call overwrites too; ``copy`` keeps what they hold.

    Attributes
    ----------
    activation, active_force, force, multipliers, unmet, free_values, \
    inequality_multipliers, shortfall_prices, status
        As in :class:`~momentshare.sharing.Sharing`, with one frame axis (none from
        :meth:`Solver.step`).
    certificate : Certificate
        Evidence per frame, as in :class:`~momentshare.sharing.Sharing`.
    proof : float array, shape (..., 4)
        The fields of the certificate in their order, as the kernel writes them.
    exponent : float
        p of Σ w aᵖ; infinity is min–max.
    method : str
        Which route computed the last answer.
    head_names, row_names : tuple of str
        Labels for tables.
    frame_index : pandas.Index, or None
        As in :class:`~momentshare.sharing.Sharing`; None from :meth:`Solver.step`.

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
    >>> bool(answer.certificate.stationarity < 1e-9)
    True
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
    proof: FloatArray
    exponent: float
    method: str
    head_names: tuple[str, ...] = ()
    row_names: tuple[str, ...] = ()
    frame_index: pd.Index[Any] | None = None

    def __getitem__(self, key: Any) -> Answer:
        """Answers of some frames: an index, slice or mask; the first two give views."""
        found = of_frames(self, key)
        return replace(self, **found, frame_index=self.frame_labels(found, key))

    @property
    def certificate(self) -> Certificate:
        """Evidence per frame."""
        return Certificate.of(self.proof)

    def copy(self) -> Answer:
        """Copy what the next call would overwrite."""
        kept: dict[str, Any] = {name: array.copy() for name, array in answer_arrays(self).items()}
        return replace(self, **kept)


def answer_arrays(answer: Answer) -> dict[str, NDArray[Any]]:
    """Every array that a call writes to, by name."""
    return {name: getattr(answer, name) for name in ARRAYS}


def tell(answer: Answer, **known: Any) -> None:
    """Say in the answer how what its arrays hold now was computed, and whose it is."""
    for name, value in known.items():
        object.__setattr__(answer, name, value)

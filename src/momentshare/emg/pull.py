"""A lift whose activations are drawn towards measured electromyograms.

The moments stay those that the pure optimum supplies: what it leaves unmet stays unmet, and a
free lateral force keeps its value. The method is described in :mod:`momentshare.emg.draw`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from momentshare.directions import ROWS
from momentshare.emg.draw import Drawn, draw_activation, freeze
from momentshare.errors import InputError
from momentshare.sharing import Status

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from momentshare.analysis import LiftResult

__all__ = ["PulledResult", "pull_to_emg"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PulledResult:
    """Result of pulling one lift towards measured electromyograms; NaN out of reach.

    Attributes
    ----------
    activation : float array, shape (frames, heads)
    force : float array, shape (frames, heads)
        Active and passive force [N].
    moment_residual, bound_violation, mismatch : float array, shape (frames,)
        See :class:`Drawn`; the residual [N·m] is against the moments that the pure optimum
        supplies.
    certified : bool array, shape (frames,)
        False out of reach.
    notes : tuple of str
    """

    activation: NDArray[np.float64]
    force: NDArray[np.float64]
    moment_residual: NDArray[np.float64]
    bound_violation: NDArray[np.float64]
    mismatch: NDArray[np.float64]
    certified: NDArray[np.bool_]
    notes: tuple[str, ...]

    def __post_init__(self) -> None:
        freeze(self)


def pull_to_emg(result: LiftResult, emg: ArrayLike, weight: float) -> PulledResult:
    """Draw the activations of a lift towards measured electromyograms.

    The moments that the heads have to supply stay those of the pure optimum: what it leaves
    unmet stays unmet, and a free lateral force stays at the value it was given there.

    Parameters
    ----------
    result : LiftResult
        With exponent 2 and without the glenoid constraint.
    emg : array_like, shape (frames, heads)
        Share of the maximal contraction, heads in the order of the limb; NaN where not
        measured. Values outside 0 to 1 are clipped for the pull, and noted.
    weight : float
        0 (the pure optimum) to 1e6 (as near the electromyograms as the moments allow).

    Returns
    -------
    PulledResult

    Raises
    ------
    InputError
        Another exponent, or a glenoid constraint.
    """
    if result.criterion.exponent != 2.0:
        raise InputError(
            "pull_to_emg: criterion: must have exponent 2; got "
            f"{result.criterion.exponent:g}; solve the lift with exponent 2 for this"
        )
    if result.sharing.inequality_multipliers.shape[-1]:
        raise InputError(
            "pull_to_emg: the lift was solved with the glenoid constraint, which the pull does "
            "not keep; solve it without"
        )
    prepared = result.prepared
    good = prepared.lift.reachable
    given = np.asarray(emg, dtype=np.float64)
    chosen = [ROWS.index(name) for name in result.criterion.rows]
    arms = prepared.paths.moment_arms[good][:, chosen]
    capacity = prepared.state.active_capacity[good]
    passive = prepared.state.passive_force[good]
    supplied = (result.moments[:, chosen] - result.sharing.unmet)[good]
    sizes = result.criterion.weights_of(prepared.limb)
    weights = np.ones(capacity.shape[-1]) if sizes is None else sizes
    drawn = draw_activation(
        arms,
        capacity,
        supplied - np.einsum("frh,fh->fr", arms, passive),
        given[good],
        weight,
        weights=weights,
    )
    certified = np.zeros(len(good), dtype=bool)
    certified[good] = drawn.certified
    return PulledResult(
        activation=_spread(drawn.activation, good),
        force=_spread(capacity * drawn.activation + passive, good),
        moment_residual=_spread(drawn.moment_residual, good),
        bound_violation=_spread(drawn.bound_violation, good),
        mismatch=_spread(drawn.mismatch, good),
        certified=certified,
        notes=_notes(result, given, drawn),
    )


def _notes(result: LiftResult, given: NDArray[np.float64], drawn: Drawn) -> tuple[str, ...]:
    """Describe what the pull had to decide."""
    notes = []
    outside = (given < 0.0) | (given > 1.0)
    if outside.any():
        names = result.prepared.limb.head_names
        notes.append(
            f"{int(outside.sum())} values of the electromyogram lie outside 0 to 1 "
            f"({np.nanmin(given):.2f} to {np.nanmax(given):.2f}) and were clipped for the pull: "
            + ", ".join(names[head] for head in np.flatnonzero(outside.any(axis=0)))
        )
    if result.lateral.mode == "free":
        notes.append("the free lateral force was held at the value of the pure optimum")
    short = int((result.sharing.status == Status.SHORTFALL).sum())
    if short:
        notes.append(f"in {short} frames the moment is unmet, by as much as in the pure optimum")
    open_frames = int((~drawn.certified).sum())
    if open_frames:
        notes.append(
            f"{open_frames} frames are not certified; look at moment_residual and mismatch, or "
            "take a smaller weight"
        )
    return tuple(notes)


def _spread(values: NDArray[np.float64], good: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Put frames within reach back among all frames; NaN elsewhere."""
    out = np.full((len(good), *values.shape[1:]), np.nan)
    out[good] = values
    return out

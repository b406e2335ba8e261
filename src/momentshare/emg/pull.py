"""A lift whose activations are drawn towards measured electromyograms.

The moments stay those that the pure optimum supplies: what it leaves unmet stays unmet, and a
free lateral force keeps its value. The method is described in :mod:`momentshare.emg.draw`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from momentshare.directions import ROWS
from momentshare.emg.draw import Drawn, draw_activation
from momentshare.errors import InputError
from momentshare.results import spread_frames

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from momentshare.analysis import LiftResult

__all__ = ["pull_to_emg"]


def pull_to_emg(result: LiftResult, emg: ArrayLike, weight: float) -> Drawn:
    """Draw the activations of a lift towards measured electromyograms.

    The moments that the heads have to supply stay those of the pure optimum: what it leaves
    unmet stays unmet, and a free lateral force stays at the value it was given there.

    Parameters
    ----------
    result : LiftResult
        With exponent 2 and without the glenoid constraint.
    emg : array_like, shape (frames, heads)
        Share of the maximal contraction, heads in the order of the limb; NaN where not
        measured. Values outside 0 to 1 are clipped for the pull.
    weight : float
        0 (the pure optimum) to 1e6 (as near the electromyograms as the moments allow).

    Returns
    -------
    Drawn
        Its residual is against the moments that the pure optimum supplies.

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
    drawn = draw_activation(
        arms,
        capacity,
        supplied - np.einsum("frh,fh->fr", arms, passive),
        given[good],
        weight,
        weights=result.criterion.weights_of(prepared.limb),
    )
    return spread_frames(drawn, good, {})

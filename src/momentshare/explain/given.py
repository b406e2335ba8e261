"""One frame with everything given: moments, arms, capacities, and the push it had.

The push and couples of the hand that the optimiser chose are taken as given, so that the answer of
the frame stays the same and the lateral force can be changed on its own, like any other input.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING

import numpy as np

from momentshare.balance import Balance, GlenoidLimit
from momentshare.explain.problem import keeps_glenoid, require_frame

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from momentshare.analysis import LiftResult

    Floats = NDArray[np.float64]

__all__ = ["GivenFrame", "given_frame", "given_frames", "solve_given"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GivenFrame:
    """Inputs to the answer of one frame; leading axes (...) for several.

    Attributes
    ----------
    moments : float array, shape (..., rows)
        Net moments without the lateral force [N·m].
    lateral : float array, shape (..., rows)
        What push and couples of the hand add to them [N·m].
    arms : float array, shape (..., rows, heads)
        [m]
    capacity, passive : float array, shape (..., heads)
        [N]
    weights : float array, shape (..., heads)
        Weights of the criterion.
    across, pushed : float array, shape (..., 3)
        Net force across the shoulder without the lateral force, and what it adds [N]; zeros where
        the limit of the glenoid is not kept.
    lines : float array, shape (..., heads, 3)
        Force on the arm for a pull of 1 N.
    frame : float array, shape (..., 3, 3)
        Of the glenoid.
    """

    moments: Floats
    lateral: Floats
    arms: Floats
    capacity: Floats
    passive: Floats
    weights: Floats
    across: Floats
    pushed: Floats
    lines: Floats
    frame: Floats

    def at(self, index: int) -> GivenFrame:
        """Select one of several."""
        return GivenFrame(**{f.name: getattr(self, f.name)[index] for f in fields(self)})


def given_frames(result: LiftResult) -> GivenFrame:
    """Take all frames of a lift, including those out of reach, which hold NaN."""
    held = keeps_glenoid(result)
    balance = result.prepared.balance(result.criterion, glenoid=held)
    count, heads = balance.capacity.shape
    push = np.asarray(result.lateral_force)
    lateral = push[:, None] * balance.lever
    if balance.couple_lever is not None:
        lateral = lateral + np.einsum("frk,fk->fr", balance.couple_lever, result.hand_couple)
    limit = balance.glenoid
    weights = balance.weights(result.criterion)
    return GivenFrame(
        moments=balance.moments,
        lateral=lateral,
        arms=balance.arms,
        capacity=balance.capacity,
        passive=balance.passive,
        weights=np.broadcast_to(1.0 if weights is None else weights, (count, heads)),
        across=np.zeros((count, 3)) if limit is None else limit.across,
        pushed=np.zeros((count, 3)) if limit is None else push[:, None] * limit.push_axis,
        lines=np.zeros((count, heads, 3)) if limit is None else limit.lines,
        frame=np.zeros((count, 3, 3)) if limit is None else limit.frame,
    )


def given_frame(result: LiftResult, frame: int) -> GivenFrame:
    """Take one frame of a lift.

    Raises
    ------
    InputError
        There is no such frame, or it is out of reach.
    """
    require_frame(result, frame)
    return given_frames(result).at(frame)


def solve_given(cases: GivenFrame, like: LiftResult) -> tuple[Floats, Floats, Floats]:
    """Share the moments of given frames with one leading axis.

    Parameters
    ----------
    cases : GivenFrame
    like : LiftResult
        Says names, criterion and whether the limit of the glenoid is kept.

    Returns
    -------
    activation, force : float array, shape (cases, heads)
        [1], [N]
    unmet : float array, shape (cases,)
        Greatest moment that cannot be met [N·m].
    """
    chosen = like.criterion
    held = keeps_glenoid(like)
    count = len(cases.moments)
    known = np.asarray(cases.moments + cases.lateral)
    limit: GlenoidLimit | None = None
    if held:
        own = like.prepared.balance(chosen, glenoid=True).glenoid
        assert own is not None  # noqa: S101 - asked for just now
        limit = GlenoidLimit(
            lines=cases.lines,
            across=cases.across + cases.pushed,
            push_axis=np.zeros((count, 3)),
            frame=cases.frame,
            turns=own.turns,
            limits=own.limits,
        )
    balance = Balance(
        head_names=like.prepared.limb.head_names,
        row_names=chosen.rows,
        arms=cases.arms,
        capacity=cases.capacity,
        passive=cases.passive,
        moments=known,
        lever=np.zeros_like(known),
        vertical=np.zeros(count),
        ratio=np.zeros(count),
        posed=np.ones(count, dtype=bool),
        volume_weights=cases.weights,
        area_weights=cases.weights,
        glenoid=limit,
    )
    answer = balance.share(chosen, glenoid=held, chain=False)
    return answer.activation, answer.force, np.abs(answer.unmet).max(axis=-1)

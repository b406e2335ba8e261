"""One head at one frame: its capacity, its drive and what it supplies of each moment."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from momentshare.directions import ROWS
from momentshare.explain.drive import DriveSplit, drive_split
from momentshare.explain.problem import (
    FrameProblem,
    answer_at,
    frame_problem,
    head_index,
    weakest_frame,
)
from momentshare.results import brief

if TYPE_CHECKING:
    from momentshare.analysis import LiftResult
    from momentshare.sharing import Sharing

__all__ = ["CapacityFactors", "HeadExplanation", "MomentPart", "explain_head"]

LEAST_MOMENT = 1.0
"""Net moment [N·m] below which a share of it is meaningless; assumed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CapacityFactors:
    """Factors of the capacity here.

    ``area × specific_tension × strength_factor`` is the greatest isometric force, and that
    times ``length_factor × velocity_factor × cosine`` the capacity here.

    Attributes
    ----------
    volume, peak_fibre_length, area : float
        [m³], [m], [m²]; area = volume / peak fibre length.
    specific_tension : float
        [Pa]
    strength_factor : float
        Product of calibration and of a person's strength tests for the group of the head.
    greatest_isometric_force : float
        [N]
    fibre_length, fibre_velocity : float
        Over the peak fibre length and over the greatest velocity, shortening negative.
    length_factor, velocity_factor, cosine : float
    capacity, passive_force : float
        [N]
    slack : bool
        The path is no longer than the tendon, so the head cannot pull.
    """

    volume: float
    peak_fibre_length: float
    area: float
    specific_tension: float
    strength_factor: float
    greatest_isometric_force: float
    fibre_length: float
    fibre_velocity: float
    length_factor: float
    velocity_factor: float
    cosine: float
    capacity: float
    passive_force: float
    slack: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class MomentPart:
    """What a head supplies of one net joint moment [N·m]; ``share`` is NaN for small moments."""

    row: str
    net_moment: float
    moment: float
    share: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HeadExplanation:
    """One head at one bar height of one lift.

    Attributes
    ----------
    head : str
    index : int
        Index of the head.
    frame : int
        Frame of the lift.
    height_fraction : float
    lateral_mode : str
    lateral_force, lateral_ratio : float
        Outward push of the hand [N], and over its vertical force.
    problem : FrameProblem
    sharing : Sharing
        The answer of this frame, without a frame axis.
    split : DriveSplit
    factors : CapacityFactors
    force, active_force : float
        [N]
    moments : tuple of MomentPart
        One per balanced row.
    """

    head: str
    index: int
    frame: int
    height_fraction: float
    lateral_mode: str
    lateral_force: float
    lateral_ratio: float
    problem: FrameProblem
    sharing: Sharing
    split: DriveSplit
    factors: CapacityFactors
    force: float
    active_force: float
    moments: tuple[MomentPart, ...]

    __repr__ = brief


def explain_head(result: LiftResult, head: str, *, frame: int | None = None) -> HeadExplanation:
    """Explain one head at one frame of a lift.

    Parameters
    ----------
    result : LiftResult
    head : str
    frame : int, optional
        A reachable frame; by default the one where the greatest load is least.

    Returns
    -------
    HeadExplanation

    Raises
    ------
    UnknownNameError, InputError
        An unknown head, or a frame out of reach.

    Examples
    --------
    >>> from momentshare import explain_head, run_study
    >>> from momentshare.demo import small_study
    >>> result = run_study(small_study(), band=False)
    >>> lift = result.cases[0].results[0]
    >>> found = explain_head(lift, "triceps_brachii/lateral", frame=2)
    >>> found.head, found.frame, found.lateral_mode
    ('triceps_brachii/lateral', 2, 'zero')
    >>> [part.row for part in found.moments] == list(lift.criterion.rows)
    True
    """
    index = head_index(result.prepared.limb.head_names, head)
    at = weakest_frame(result) if frame is None else frame
    problem = frame_problem(result, at)
    answer = answer_at(result.sharing, at)
    force = float(answer.force[index])
    parts = []
    for j, row in enumerate(problem.row_names):
        net = float(result.moments[at, ROWS.index(row)])
        mine = float(problem.moment_arms[j, index]) * force
        part = mine / net if abs(net) >= LEAST_MOMENT else math.nan
        parts.append(MomentPart(row=row, net_moment=net, moment=mine, share=part))
    return HeadExplanation(
        head=problem.head_names[index],
        index=index,
        frame=at,
        height_fraction=float(result.prepared.lift.fraction[at]),
        lateral_mode=result.lateral.mode,
        lateral_force=float(result.lateral_force[at]),
        lateral_ratio=float(result.lateral_ratio[at]),
        problem=problem,
        sharing=answer,
        split=drive_split(problem, answer, head),
        factors=_factors(result, at, index),
        force=force,
        active_force=float(answer.active_force[index]),
        moments=tuple(parts),
    )


def _factors(result: LiftResult, frame: int, index: int) -> CapacityFactors:
    limb, state = result.prepared.limb, result.prepared.state
    area = float(limb.volume[index] / limb.peak_fibre_length[index])
    tension = float(limb.model.number("specific_tension"))
    greatest = float(limb.greatest_isometric_force[index])
    return CapacityFactors(
        volume=float(limb.volume[index]),
        peak_fibre_length=float(limb.peak_fibre_length[index]),
        area=area,
        specific_tension=tension,
        strength_factor=greatest / (area * tension),
        greatest_isometric_force=greatest,
        fibre_length=float(state.fibre_length_normalised[frame, index]),
        fibre_velocity=float(state.fibre_velocity_normalised[frame, index]),
        length_factor=float(state.length_factor[frame, index]),
        velocity_factor=float(state.velocity_factor[frame, index]),
        cosine=float(np.cos(state.pennation[frame, index])),
        capacity=float(state.active_capacity[frame, index]),
        passive_force=float(state.passive_force[frame, index]),
        slack=bool(state.slack[frame, index]),
    )

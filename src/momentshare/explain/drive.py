"""What drives one head at one bar height: the sum over joints of multiplier × moment arm.

Where no bound is met, least effort gives each head

    p w a^(p−1) = F Σ_j λ_j r_j,

with F the capacity here, r_j the moment arm and λ_j the multiplier of row j. The sum is the
**drive** of the head. Its parts are shown as ``F λ_j r_j / (p w)``: they add up to
``a^(p−1)``, so for p = 2 to the activation itself, before the bounds 0 and 1 clip it. Where the
limit of the glenoid is kept, each facet that the contact force lies on adds one further term
(:mod:`momentshare.explain.glenoid`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, fields
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from momentshare.directions import ROWS, row_named
from momentshare.errors import InputError, UnknownNameError
from momentshare.explain.glenoid import GLENOID, HeldGlenoid, facet_names, held_glenoid
from momentshare.muscle.curves import CurveSet, curve_set
from momentshare.reading import frame_status
from momentshare.sharing import Cone, Sharing, share

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd
    from numpy.typing import NDArray

    from momentshare.analysis import LiftResult

__all__ = [
    "CapacityFactors",
    "DriveSplit",
    "FrameProblem",
    "HeadExplanation",
    "MomentPart",
    "before_bounds",
    "best_length",
    "drive_split",
    "drive_table",
    "explain_along",
    "explain_head",
    "frame_at",
    "frame_problem",
    "head_index",
    "joint_of",
    "keeps_glenoid",
    "weakest_frame",
]

Bound = Literal["none", "zero", "one"]

LEAST_MOMENT = 1.0
"""Net moment [N·m] below which a share of it means nothing; a choice."""

_LONGEST = 2.0
"""Normalised fibre length up to which the peak of the active curve is looked for."""


def joint_of(row: str) -> str:
    """Joint that a moment row belongs to; of a row not ours, the first word of its name.

    The facets of the limit of the glenoid belong to ``glenoid``.
    """
    return row_named(row).joint if row in ROWS else row.split("_", maxsplit=1)[0]


def head_index(names: tuple[str, ...], head: str, kind: str = "head") -> int:
    """Place of a head, or an error that offers the nearest names."""
    if head not in names:
        raise UnknownNameError(kind, head, names)
    return names.index(head)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FrameProblem:
    """The sharing problem of one frame, as data that can be changed and solved again.

    Attributes
    ----------
    head_names, row_names : tuple of str
        The first word of a row's name is its joint.
    moment_arms : float array, shape (rows, heads)
        [m]
    capacity, passive_force : float array, shape (heads,)
        Greatest active force here and passive force [N].
    moments : float array, shape (rows,)
        Net moments without what a free lateral force adds [N·m].
    exponent : float
    weights : float array, shape (heads,)
    free_columns : float array, shape (rows, k)
        Moment that one newton of free lateral force, and one newton metre of each free couple
        of the hands, takes over; no column where they are given.
    free_bounds : pair of float array, shape (k,), optional
        Least and greatest free values [N, N·m].
    weights_follow_volume : bool
        Whether a head of twice the volume has twice the weight.
    best_capacity, best_passive_force : float array, shape (heads,), optional
        Capacity and passive force with every fibre at the peak of its active curve and its
        velocity factor as here [N].
    glenoid : HeldGlenoid, optional
        The limit of the glenoid, where it is kept.
    """

    head_names: tuple[str, ...]
    row_names: tuple[str, ...]
    moment_arms: NDArray[np.float64]
    capacity: NDArray[np.float64]
    passive_force: NDArray[np.float64]
    moments: NDArray[np.float64]
    exponent: float
    weights: NDArray[np.float64]
    free_columns: NDArray[np.float64]
    free_bounds: tuple[NDArray[np.float64], NDArray[np.float64]] | None = None
    weights_follow_volume: bool = False
    best_capacity: NDArray[np.float64] | None = None
    best_passive_force: NDArray[np.float64] | None = None
    glenoid: HeldGlenoid | None = None

    def __post_init__(self) -> None:
        for item in fields(self):
            value = getattr(self, item.name)
            if isinstance(value, np.ndarray):
                value.setflags(write=False)

    @property
    def joints(self) -> tuple[str, ...]:
        """Joints of the balanced rows, in the order of the rows."""
        return tuple(dict.fromkeys(joint_of(row) for row in self.row_names))

    def rows_of(self, joint: str) -> list[int]:
        """Places of the rows of a joint."""
        return [j for j, row in enumerate(self.row_names) if joint_of(row) == joint]

    def crosses(self, head: int) -> tuple[str, ...]:
        """Joints at which a head has any moment arm in a balanced row."""
        return tuple(
            joint
            for joint in self.joints
            if np.any(self.moment_arms[self.rows_of(joint), head] != 0.0)
        )

    def effort(self, activation: NDArray[np.float64]) -> NDArray[np.float64]:
        """Total effort: Σ w aᵖ, or the greatest w a for min-max; last axis heads."""
        if math.isinf(self.exponent):
            return np.asarray(np.max(self.weights * activation, axis=-1))
        return np.asarray(np.sum(self.weights * activation**self.exponent, axis=-1))

    def cone(self) -> Cone | None:
        """Facets that the contact force must stay behind; None where the limit is not kept."""
        if self.glenoid is None:
            return None
        return self.glenoid.cone(self.moment_arms, self.moments)

    def solve(self) -> Sharing:
        """Share the moments of this frame anew; arrays without a frame axis."""
        return answer_at(solve_problems([self]), 0)


def solve_problems(problems: Sequence[FrameProblem]) -> Sharing:
    """Solve problems of one frame side by side, the first axis over the problems.

    All have the heads, rows, exponent and kind of lateral force of the first.
    """
    first = problems[0]
    bounds = first.free_bounds
    return share(
        np.stack([p.moment_arms for p in problems]),
        np.stack([p.capacity for p in problems]),
        np.stack([p.moments for p in problems]),
        passive_force=np.stack([p.passive_force for p in problems]),
        exponent=first.exponent,
        weights=None if math.isinf(first.exponent) else np.stack([p.weights for p in problems]),
        free_columns=np.stack([p.free_columns for p in problems])
        if first.free_columns.shape[1]
        else None,
        free_bounds=bounds,
        inequalities=_stacked([p.cone() for p in problems]),
        head_names=first.head_names,
        row_names=first.row_names,
    )


def _stacked(cones: Sequence[Cone | None]) -> Cone | None:
    kept = [cone for cone in cones if cone is not None]
    if not kept:
        return None
    return Cone(**{name: np.stack([getattr(c, name) for c in kept]) for name in Cone.__slots__})


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DriveSplit:
    """What each row adds to or takes from the drive of one head; arrays over rows.

    Attributes
    ----------
    head : str
    row_names : tuple of str
    moment_arm : float array
        r [m].
    multiplier : float array
        λ, effort per N·m.
    drive_per_n : float array
        λ r, effort per newton of this head.
    part : float array
        F λ r / (p w); F λ r / w for min-max, where all heads together have parts of one.
    facet_names : tuple of str
        Facets of the limit of the glenoid; none where it is not kept.
    slope : float array, shape (facets,)
        G, by how much a newton of this head brings the contact force nearer to a facet [N/N].
    price : float array, shape (facets,)
        μ, effort per newton, positive where the contact force lies on the facet.
    facet_part : float array, shape (facets,)
        −F μ G / (p w).
    exponent : float
    weight : float
    before_bounds : float
        Activation that the sum of the parts asks for before the bounds; NaN for min-max, in
        which a head with a positive sum works at the common greatest level.
    activation : float
    bound : {"none", "zero", "one"}
        The bound that clips the activation.
    """

    head: str
    row_names: tuple[str, ...]
    moment_arm: NDArray[np.float64]
    multiplier: NDArray[np.float64]
    drive_per_n: NDArray[np.float64]
    part: NDArray[np.float64]
    facet_names: tuple[str, ...] = ()
    slope: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    price: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    facet_part: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    exponent: float
    weight: float
    before_bounds: float
    activation: float
    bound: Bound

    @property
    def total(self) -> float:
        """Sum of the parts."""
        return float(np.sum(self.part) + np.sum(self.facet_part))

    @property
    def facets(self) -> tuple[int, ...]:
        """Places of the facets that cost anything."""
        return tuple(int(k) for k in np.flatnonzero(self.price > 0.0))

    def by_joint(self) -> dict[str, float]:
        """Parts summed over the rows of each joint, and over the facets of the glenoid."""
        out: dict[str, float] = {}
        for row, part in zip(self.row_names, self.part, strict=True):
            out[joint_of(row)] = out.get(joint_of(row), 0.0) + float(part)
        if self.facet_names:
            out[GLENOID] = float(np.sum(self.facet_part))
        return out

    def to_dataframe(self) -> pd.DataFrame:
        """One line a row, then one a facet that costs anything; units in the column names."""
        import pandas as pd

        at = list(self.facets)
        none, lost = np.full(len(self.row_names), np.nan), np.full(len(at), np.nan)
        names = [*self.row_names, *(self.facet_names[k] for k in at)]
        return pd.DataFrame(
            {
                "head": self.head,
                "row": names,
                "joint": [joint_of(row) for row in names],
                "moment_arm_m": np.concatenate([self.moment_arm, lost]),
                "multiplier_per_nm": np.concatenate([self.multiplier, lost]),
                "slope": np.concatenate([none, self.slope[at]]),
                "price_per_n": np.concatenate([none, self.price[at]]),
                "drive_per_n": np.concatenate(
                    [self.drive_per_n, -self.price[at] * self.slope[at] + 0.0]
                ),
                "part": np.concatenate([self.part, self.facet_part[at]]),
            }
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class CapacityFactors:
    """How the capacity here comes about.

    ``area × specific_tension × strength_factor`` is the greatest isometric force, and that
    times ``length_factor × velocity_factor × cosine`` the capacity here.

    Attributes
    ----------
    volume, peak_fibre_length, area : float
        [m³], [m], [m²]; area = volume / peak fibre length.
    specific_tension : float
        [Pa]
    strength_factor : float
        What calibration and a person's strength tests put on the group of the head.
    greatest_isometric_force : float
        [N]
    fibre_length, fibre_velocity : float
        Over the peak fibre length and over the greatest velocity, shortening negative.
    length_factor, velocity_factor, cosine : float
    capacity, passive_force : float
        [N]
    slack : bool
        The path is no longer than the tendon, so that the head cannot pull.
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
        Place of the head.
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
        One a balanced row.
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


def weakest_frame(result: LiftResult) -> int:
    """Frame where the greatest load is least; that of most effort where no load can be held."""
    good = np.flatnonzero(result.prepared.lift.reachable)
    if good.size == 0:
        raise InputError("no frame of this lift can be reached, so there is nothing to explain")
    if result.greatest is not None and np.isfinite(result.greatest.factor).any():
        return int(np.nanargmin(result.greatest.factor))
    return int(np.nanargmax(np.sum(result.sharing.activation**2, axis=1)))


def frame_at(result: LiftResult, height: float) -> int:
    """Reachable frame nearest to a height fraction, 0 chest to 1 lock-out."""
    if not 0.0 <= height <= 1.0:
        raise InputError(
            f"height: wanted a fraction from 0 (chest) to 1 (lock-out), got {height!r}"
        )
    lift = result.prepared.lift
    good = np.flatnonzero(lift.reachable)
    if good.size == 0:
        raise InputError("no frame of this lift can be reached, so there is nothing to explain")
    return int(good[np.argmin(np.abs(lift.fraction[good] - height))])


def frame_problem(result: LiftResult, frame: int) -> FrameProblem:
    """Take the sharing problem of one frame out of a lift.

    Parameters
    ----------
    result : LiftResult
    frame : int
        A reachable frame.

    Returns
    -------
    FrameProblem
        Solving it gives the lift's own answer again.

    Raises
    ------
    InputError
        There is no such frame, or it is out of reach.

    Examples
    --------
    >>> from momentshare import frame_problem, run_study
    >>> from momentshare.demo import small_study
    >>> result = run_study(small_study(), band=False)
    >>> problem = frame_problem(result.cases[0].results[0], 2)
    >>> problem.head_names == result.model.head_names
    True
    """
    _require_frame(result, frame)
    chosen = result.criterion
    held = keeps_glenoid(result)
    balance = result.prepared.balance(chosen, glenoid=held).treated(result.lateral).take(frame)
    columns, bounds = balance.columns, balance.free_bounds
    weights = balance.weights(chosen)
    best, resist = _at_best_length(result, frame)
    return FrameProblem(
        head_names=balance.head_names,
        row_names=balance.row_names,
        moment_arms=balance.arms.copy(),
        capacity=balance.capacity.copy(),
        passive_force=balance.passive.copy(),
        moments=balance.known_moments,
        exponent=chosen.exponent,
        weights=np.ones(len(balance.head_names)) if weights is None else weights.copy(),
        free_columns=np.zeros((len(balance.row_names), 0)) if columns is None else columns,
        free_bounds=bounds,
        weights_follow_volume=chosen.by_volume,
        best_capacity=best,
        best_passive_force=resist,
        glenoid=held_glenoid(balance) if held else None,
    )


def keeps_glenoid(result: LiftResult) -> bool:
    """Whether an answer keeps the contact force within the limit of the glenoid."""
    return bool(result.sharing.inequality_multipliers.shape[-1] > 0)


def _require_frame(result: LiftResult, frame: int) -> None:
    good = result.prepared.lift.reachable
    if not 0 <= frame < len(good) or not good[frame]:
        raise InputError(
            f"frame: wanted a reachable one of 0 to {len(good) - 1}, got {frame}; "
            "choose another bar height"
        )


def best_length(curves: CurveSet) -> float:
    """Normalised fibre length at the peak of the active curve.

    Examples
    --------
    >>> from momentshare.muscle.curves import curve_set
    >>> round(best_length(curve_set("thelen2003")), 6)
    1.0
    """
    from scipy.optimize import minimize_scalar

    grid = np.linspace(0.2, _LONGEST, 361)
    top = int(np.argmax(curves.active_force_length(grid)))
    found = minimize_scalar(
        lambda x: -float(curves.active_force_length(x)),
        bounds=(grid[max(top - 1, 0)], grid[min(top + 1, grid.size - 1)]),
        method="bounded",
        options={"xatol": 1e-10},
    )
    return float(found.x)


def _at_best_length(
    result: LiftResult, frame: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Capacity and passive force with the fibre at its best length, velocity factor as here."""
    limb, state = result.prepared.limb, result.prepared.state
    curves = curve_set(limb.options.curves)
    best = best_length(curves)
    cosine = np.sqrt(1.0 - np.minimum(np.sin(limb.pennation) / best, 1.0) ** 2)
    peak = float(curves.active_force_length(best))
    resist = float(curves.passive_force_length(best)) if limb.options.passive else 0.0
    capacity = limb.greatest_isometric_force * cosine * peak * state.velocity_factor[frame]
    return capacity, limb.passive_scale * cosine * resist


def drive_split(problem: FrameProblem, answer: Sharing, head: str) -> DriveSplit:
    """Split the drive of a head by row.

    Parameters
    ----------
    problem : FrameProblem
    answer : Sharing
        The answer of this frame, without a frame axis.
    head : str

    Returns
    -------
    DriveSplit

    Raises
    ------
    UnknownNameError
        No head of that name.
    """
    index = head_index(problem.head_names, head)
    arm = problem.moment_arms[:, index].copy()
    # Adding zero turns a negative zero, where there is no arm, into a plain one.
    per_newton = answer.multipliers * arm + 0.0
    weight = float(problem.weights[index])
    part = problem.capacity[index] * per_newton / _divisor(problem.exponent, weight)
    cone = problem.cone()
    facets: dict[str, Any] = {}
    if cone is not None and problem.glenoid is not None:
        slope, price = cone.normals @ cone.lines[index], answer.inequality_multipliers.copy()
        paid = price * slope / _divisor(problem.exponent, weight)
        facets = {
            "facet_names": facet_names(problem.glenoid.limit.turns),
            "slope": slope,
            "price": price,
            "facet_part": -problem.capacity[index] * paid + 0.0,
        }
    activation = float(answer.activation[index])
    total = float(np.sum(part) + np.sum(facets.get("facet_part", 0.0)))
    raw = before_bounds(total, problem.exponent)
    bound: Bound = "none"
    if activation >= 1.0 or raw >= 1.0:
        bound = "one"
    elif activation <= 0.0 or raw <= 0.0:
        bound = "zero"
    return DriveSplit(
        head=head,
        row_names=problem.row_names,
        moment_arm=arm,
        multiplier=answer.multipliers.copy(),
        drive_per_n=per_newton,
        part=part,
        exponent=problem.exponent,
        weight=weight,
        before_bounds=raw,
        activation=activation,
        bound=bound,
        **facets,
    )


def _divisor(exponent: float, weight: float) -> float:
    return weight if math.isinf(exponent) else exponent * weight


def before_bounds(total: float, exponent: float) -> float:
    """Activation that a sum of parts asks for before the bounds; NaN for min-max.

    A negative sum gives a negative activation: the answer if heads could push as well, with
    effort Σ w |a|ᵖ.

    Examples
    --------
    >>> before_bounds(0.25, 2.0), before_bounds(0.25, 3.0), before_bounds(-0.25, 2.0)
    (0.25, 0.5, -0.25)
    """
    if math.isinf(exponent):
        return math.nan
    if exponent == 2.0:
        return total
    return math.copysign(abs(total) ** (1.0 / (exponent - 1.0)), total)


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
        head=head,
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


def answer_at(whole: Sharing, frame: int) -> Sharing:
    """One frame of an answer, without its frame axis."""
    proof = whole.certificate
    return Sharing(
        activation=whole.activation[frame].copy(),
        active_force=whole.active_force[frame].copy(),
        force=whole.force[frame].copy(),
        multipliers=whole.multipliers[frame].copy(),
        unmet=whole.unmet[frame].copy(),
        free_values=whole.free_values[frame].copy(),
        inequality_multipliers=whole.inequality_multipliers[frame].copy(),
        status=np.asarray(whole.status[frame]),
        certificate=type(proof)(
            **{item.name: np.asarray(getattr(proof, item.name)[frame]) for item in fields(proof)}
        ),
        exponent=whole.exponent,
        method=whole.method,
        head_names=whole.head_names,
        row_names=whole.row_names,
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


def drive_table(problem: FrameProblem, answer: Sharing) -> pd.DataFrame:
    """Drive of every head at one frame, one line a head."""
    import pandas as pd

    lines = []
    for index, head in enumerate(problem.head_names):
        split = drive_split(problem, answer, head)
        lines.append(
            {
                "head": head,
                "capacity_n": float(problem.capacity[index]),
                **{f"part_{joint}": value for joint, value in split.by_joint().items()},
                "sum_of_parts": split.total,
                "activation_before_bounds": split.before_bounds,
                "bound": split.bound,
                "activation": split.activation,
                "force_n": float(answer.force[index]),
            }
        )
    return pd.DataFrame(lines)


def explain_along(result: LiftResult, head: str) -> pd.DataFrame:
    """Drive split of a head at every frame of a lift.

    Parameters
    ----------
    result : LiftResult
    head : str

    Returns
    -------
    pandas.DataFrame
        One line a frame; ``part_<row>`` and, summed over its rows, ``part_<joint>``; NaN where
        out of reach.
    """
    import pandas as pd

    prepared, rows = result.prepared, result.criterion.rows
    index = head_index(prepared.limb.head_names, head)
    lift, good = prepared.lift, prepared.lift.reachable
    weight = 1.0
    if result.criterion.by_volume:
        weight = float(prepared.limb.volume_weights[index])
    exponent = result.criterion.exponent
    places = [ROWS.index(name) for name in rows]
    lost = ~good
    arms = np.where(lost[:, None], np.nan, prepared.paths.moment_arms[:, places, index])
    capacity = np.where(lost, np.nan, prepared.state.active_capacity[:, index])
    part = capacity[:, None] * result.sharing.multipliers * arms / _divisor(exponent, weight)

    columns: dict[str, object] = {
        "head": head,
        "lateral": result.lateral.mode,
        "frame": np.arange(len(good)),
        "height_fraction": lift.fraction,
        "capacity_n": capacity,
    }
    for j, row in enumerate(rows):
        columns[f"arm_{row}_m"] = arms[:, j]
        columns[f"part_{row}"] = part[:, j]
    for joint in dict.fromkeys(joint_of(row) for row in rows):
        mine = [j for j, row in enumerate(rows) if joint_of(row) == joint]
        columns[f"part_{joint}"] = part[:, mine].sum(axis=1)
    total = part.sum(axis=1)
    if keeps_glenoid(result):
        columns[f"part_{GLENOID}"] = paid = _glenoid_along(result, index, capacity, weight)
        total = total + paid
    columns["sum_of_parts"] = total
    columns["activation_before_bounds"] = np.array(
        [before_bounds(float(value), exponent) for value in total]
    )
    columns["activation"] = result.activation[:, index]
    columns["force_n"] = result.force[:, index]
    columns["lateral_force_n"] = result.lateral_force
    columns["status"] = frame_status(good, result.sharing.status_text)
    return pd.DataFrame(columns)


def _glenoid_along(
    result: LiftResult, index: int, capacity: NDArray[np.float64], weight: float
) -> NDArray[np.float64]:
    """Part of the limit of the glenoid in the drive of a head, NaN where out of reach."""
    chosen, good = result.criterion, result.prepared.lift.reachable
    balance = result.prepared.balance(chosen, glenoid=True).treated(result.lateral)
    out = np.full(len(good), np.nan)
    for frame in np.flatnonzero(good):
        own = balance.take(int(frame))
        cone = held_glenoid(own).cone(own.arms, own.known_moments)
        price = result.sharing.inequality_multipliers[frame]
        out[frame] = -price @ (cone.normals @ cone.lines[index])
    return np.asarray(capacity * out / _divisor(chosen.exponent, weight))

"""From one lift to forces, effort, multipliers, greatest load and contact force.

Words, always in this sense: **activation** a in 0–1; **force** along the tendon [N];
**capacity here** the greatest active force at this length and velocity; **relative effort**
active force / capacity here; **strength fraction** force / maximal isometric force.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from momentshare.demand import Demand, demand
from momentshare.errors import InputError
from momentshare.geometry.rotation import rotation_about
from momentshare.joint import FACETS, glenoid_frame, stability_limits
from momentshare.paths import ROWS, paths
from momentshare.posture import Posture
from momentshare.sharing import (
    GreatestFactor,
    Sharing,
    cone_inequalities,
    greatest_factor,
    share,
)

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from momentshare.exercise.lift import Lift
    from momentshare.limb import Limb
    from momentshare.muscle.capacity import HeadState
    from momentshare.paths import Paths
    from momentshare.skeleton import Skeleton

__all__ = [
    "BALANCED",
    "Criterion",
    "Lateral",
    "LiftResult",
    "Prepared",
    "prepare",
    "solve_lift",
    "with_greatest_loads",
]

_MOMENT = 1e-5
"""Time step of central differences [s]."""

BALANCED = ROWS[:4]
"""Rows balanced by default: three at the shoulder and elbow extension.

The couple about the forearm is left out, because the grip can carry it.
"""

LateralMode = Literal["measured", "zero", "free"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Lateral:
    """How the lateral hand force along the bar is known.

    Parameters
    ----------
    mode : {"measured", "zero", "free"}
        A given ratio, no lateral force, or the optimiser's choice.
    ratio : float or tuple of float
        Outward push over vertical force, for ``measured``; one value, or one a frame.
    bounds : pair of float, optional
        Least and greatest ratio for ``free``, set by grip friction or by the couple that the
        hand can carry.
    """

    mode: LateralMode
    ratio: float | tuple[float, ...] = 0.0
    bounds: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        if self.mode not in {"measured", "zero", "free"}:
            raise InputError(f"lateral mode: wanted measured, zero or free, got {self.mode!r}")
        given = np.asarray(self.ratio, dtype=float)
        bad = given[~(np.abs(given) <= 2.0)]
        if bad.size:
            raise InputError(
                f"lateral ratio: wanted -2 to 2 (force over force), got {float(bad[0])!r}"
            )
        if self.bounds is not None and not self.bounds[0] <= self.bounds[1]:
            raise InputError(f"lateral bounds: wanted low <= high, got {self.bounds!r}")

    def ratio_in(self, frames: NDArray[np.bool_]) -> NDArray[np.float64]:
        """Ratio in the frames of a mask: the given one when measured, otherwise zero."""
        given = np.asarray(self.ratio if self.mode == "measured" else 0.0, dtype=float)
        if given.ndim and given.shape != frames.shape:
            raise InputError(
                f"lateral ratio: wanted one value or one for each of {len(frames)} frames, "
                f"got {given.size}"
            )
        return np.broadcast_to(given, frames.shape)[frames]


@dataclass(frozen=True, slots=True, kw_only=True)
class Criterion:
    """What the optimiser minimises: Σ w aᵖ.

    Parameters
    ----------
    exponent : float
        p > 1, or infinity for the smallest greatest activation.
    weights : {"none", "volume"}
        Equal weights, or weights in proportion to the volume of the head.
    balance_forearm : bool
        Whether the forearm rotation row is balanced too.
    """

    exponent: float = 2.0
    weights: Literal["none", "volume"] = "none"
    balance_forearm: bool = False

    @property
    def rows(self) -> tuple[str, ...]:
        """Names of the balanced rows."""
        return ROWS if self.balance_forearm else BALANCED


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Prepared:
    """A lift with everything that does not depend on how the lateral force is treated."""

    limb: Limb
    lift: Lift
    paths: Paths
    state: HeadState
    demand: Demand


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LiftResult:
    """The answer for one lift and one treatment of the lateral force.

    Attributes
    ----------
    prepared : Prepared
    lateral : Lateral
    criterion : Criterion
    sharing : Sharing
        Balanced rows only, see ``criterion.rows``.
    moments : float array, shape (frames, rows)
        Net moments with the lateral force of this answer [N·m], all rows of ``ROWS``.
    lateral_force, lateral_ratio : float array, shape (frames,)
        Outward push of one hand [N], and over its vertical force.
    force : float array, shape (frames, heads)
        Active and passive force [N].
    effort : float array, shape (frames, heads)
        Relative effort: active force / capacity here.
    greatest : GreatestFactor or None
        The factor is the greatest load [kg, both hands] at each height.
    contact : float array, shape (frames, 3)
        Force of the glenoid on the humeral head [N], thorax frame.
    """

    prepared: Prepared
    lateral: Lateral
    criterion: Criterion
    sharing: Sharing
    moments: NDArray[np.float64]
    lateral_force: NDArray[np.float64]
    lateral_ratio: NDArray[np.float64]
    force: NDArray[np.float64]
    effort: NDArray[np.float64]
    greatest: GreatestFactor | None
    contact: NDArray[np.float64]


def prepare(limb: Limb, lift: Lift) -> Prepared:
    """Compute paths, capacity and demand of a lift once, for any number of solves."""
    found = limb.paths(lift.posture)
    velocity = None
    if lift.motion is not None:
        motion = lift.motion
        # Shortening speed from the moment arms: dL/dt = -(arm vector · ω + arms · rates).
        turn = np.einsum("fhk,fk->fh", found.shoulder_moment, motion.humerus_angular_velocity)
        hinge = -found.moment_arms[:, 3] * motion.elbow_flexion_velocity[:, None]
        spin = found.moment_arms[:, 4] * motion.forearm_rotation_velocity[:, None]
        velocity = -(turn + hinge + spin)
        if limb.skeleton.rhythm:
            velocity = path_velocity(limb.skeleton, lift)
    return Prepared(
        limb=limb,
        lift=lift,
        paths=found,
        state=limb.capacity(found.length, velocity),
        demand=demand(limb.skeleton, lift),
    )


def path_velocity(skeleton: Skeleton, lift: Lift) -> NDArray[np.float64]:
    """Lengthening speed of every path [m/s] by central differences, shape (frames, heads).

    Unlike the moment arms, which hold the scapula, it contains what a scapula that moves with
    the arm adds to dL/dq.
    """
    motion, posture = lift.motion, lift.posture
    assert motion is not None  # noqa: S101 - called for timed lifts only
    speed = np.linalg.norm(motion.humerus_angular_velocity, axis=-1)
    axis = motion.humerus_angular_velocity / np.where(speed > 0.0, speed, 1.0)[:, None]
    axis[speed == 0.0] = [1.0, 0.0, 0.0]

    def length(step: float) -> NDArray[np.float64]:
        moved = Posture(
            humerus=rotation_about(axis, step * speed) @ posture.humerus,
            elbow_flexion=posture.elbow_flexion + step * motion.elbow_flexion_velocity,
            forearm_rotation=posture.forearm_rotation + step * motion.forearm_rotation_velocity,
        )
        return paths(skeleton, moved).length

    return np.asarray((length(_MOMENT) - length(-_MOMENT)) / (2.0 * _MOMENT))


def solve_lift(
    prepared: Prepared,
    lateral: Lateral,
    criterion: Criterion | None = None,
    *,
    greatest_load: bool = True,
    glenoid: bool = False,
) -> LiftResult:
    """Share the moments of a lift among the heads.

    Parameters
    ----------
    prepared : Prepared
    lateral : Lateral
        Treatment of the lateral hand force; dumbbells allow ``zero`` only.
    criterion : Criterion, optional
        Default: Σ a².
    greatest_load : bool
        Also find the greatest load at each height.
    glenoid : bool
        Keep the contact force within the stability limits of the glenoid. The greatest load
        is then still the one without this constraint.

    Returns
    -------
    LiftResult
        NaN in frames that are out of reach.

    Raises
    ------
    InputError
        A lateral force is asked of an implement that cannot carry one.
    """
    chosen = criterion or Criterion()
    lift, need, limb = prepared.lift, prepared.demand, prepared.limb
    if not lift.lateral_free and lateral.mode != "zero":
        raise InputError(
            f"lateral mode {lateral.mode!r}: dumbbells cannot be pushed against each other; "
            "use 'zero'"
        )
    rows = [ROWS.index(name) for name in chosen.rows]
    good = lift.reachable
    arms = prepared.paths.moment_arms[good][:, rows]
    capacity = prepared.state.active_capacity[good]
    passive = prepared.state.passive_force[good]
    vertical = need.hand_force()[good]
    weights = None
    if chosen.weights == "volume":
        weights = limb.volume / limb.volume.mean()
    push = lateral.ratio_in(good) * vertical
    columns = bounds = None
    if lateral.mode == "free":
        # R F = m + c f, so the free column of R F + C f = m is -c.
        columns = -need.lateral_moments[good][:, rows, None]
        if lateral.bounds is not None:
            bounds = tuple(limit * vertical[:, None] for limit in lateral.bounds)
    known = need.limb_moments[good] + need.load_mass * need.load_moments[good]
    known = known + push[:, None] * need.lateral_moments[good]
    inequalities = None
    if glenoid:
        inequalities = _glenoid_cone(prepared, push, arms, known[:, rows], columns)
    answer = share(
        arms,
        capacity,
        known[:, rows],
        passive_force=passive,
        exponent=chosen.exponent,
        weights=weights,
        free_columns=columns,
        free_bounds=bounds,  # type: ignore[arg-type]
        inequalities=inequalities,
        head_names=limb.head_names,
        row_names=chosen.rows,
    )
    if lateral.mode == "free":
        push = answer.free_values[:, 0]
    moments = known + (push[:, None] * need.lateral_moments[good] if columns is not None else 0.0)
    pull = np.einsum("fh,fhk->fk", answer.force, prepared.paths.line_of_action[good])
    across = (
        need.joint_force_limb[good]
        + need.load_mass * need.joint_force_load[good]
        + push[:, None] * need.lateral_axis_in(good)
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(vertical > 0.0, push / vertical, 0.0)
    result = LiftResult(
        prepared=prepared,
        lateral=lateral,
        criterion=chosen,
        sharing=answer,
        moments=_spread(moments, good),
        lateral_force=_spread(push, good),
        lateral_ratio=_spread(ratio, good),
        force=_spread(answer.force, good),
        effort=_spread(answer.activation, good),
        greatest=None,
        contact=_spread(across - pull, good),
    )
    return with_greatest_loads([result])[0] if greatest_load else result


def _glenoid_cone(
    prepared: Prepared,
    push: NDArray[np.float64],
    arms: NDArray[np.float64],
    moments: NDArray[np.float64],
    columns: NDArray[np.float64] | None,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Inequalities that keep the head's force on the glenoid within the stability limits.

    A free lateral force adds to the joint force. It follows from the balance R F + C f = m as
    f = C·(m - R F) / C·C, which is linear in the head forces, so it joins their lines.
    """
    need, good, skeleton = prepared.demand, prepared.lift.reachable, prepared.limb.skeleton
    across = need.joint_force_limb[good] + need.load_mass * need.joint_force_load[good]
    lateral_axis = need.lateral_axis_in(good)
    across = across + push[:, None] * lateral_axis
    lines = prepared.paths.line_of_action[good]
    if columns is not None:
        column = columns[..., 0]
        size = np.einsum("fr,fr->f", column, column)
        weight = column / np.where(size > 0.0, size, 1.0)[:, None]
        across = across + np.einsum("fr,fr->f", weight, moments)[:, None] * lateral_axis
        by_head = np.einsum("fr,frh->fh", weight, arms)
        lines = lines + by_head[..., None] * lateral_axis[:, None]
    frame = glenoid_frame(skeleton, prepared.lift.posture)[good]
    angle = 2.0 * np.pi * np.arange(FACETS) / FACETS
    # Right-handed about the inward normal, beginning forward: forward, down, back, up.
    limits = stability_limits(skeleton.model, np.cos(angle), -np.sin(angle))
    return cone_inequalities(lines, -across, limits, axis=-frame[:, 2], towards=frame[:, 0])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _LoadProblem:
    """What the greatest load of one lift depends on; arrays over reachable frames."""

    arms: NDArray[np.float64]
    capacity: NDArray[np.float64]
    passive: NDArray[np.float64]
    fixed: NDArray[np.float64]
    load: NDArray[np.float64]
    lever: NDArray[np.float64]
    force: NDArray[np.float64]

    def at_ratio(self, ratio: NDArray[np.float64] | float) -> NDArray[np.float64]:
        """Moments of one more kilogram with the lateral force in a given ratio."""
        push = np.broadcast_to(ratio, self.force.shape) * self.force
        return self.load + push[:, None] * self.lever


def with_greatest_loads(results: Sequence[LiftResult]) -> list[LiftResult]:
    """Add the largest load [kg, both hands] that can be held at each height.

    The lateral force grows with the load: for a measured ratio it keeps the ratio, for a free
    one it is chosen anew. Where a free ratio would leave its bounds, the nearer bound is best,
    because the loads and forces that can be met form a convex set. All lifts are solved
    together, which is what makes it quick.
    """
    problems = [_load_problem(r) for r in results]
    found: list[GreatestFactor | None] = [None] * len(results)
    free = [k for k, r in enumerate(results) if r.lateral.mode == "free"]
    given = [k for k, r in enumerate(results) if r.lateral.mode != "free"]
    scaled = {
        k: problems[k].at_ratio(results[k].lateral.ratio_in(results[k].prepared.lift.reachable))
        for k in given
    }
    for k, factor in _solve_loads(problems, free, {k: problems[k].load for k in free}, free=True):
        found[k] = factor
    again = [k for k in free if results[k].lateral.bounds is not None]
    for k in again:
        best, bounds = found[k], results[k].lateral.bounds
        assert best is not None  # noqa: S101 - solved just above
        assert bounds is not None  # noqa: S101 - selected for having bounds
        scaled[k] = problems[k].at_ratio(np.clip(_push_ratio(problems[k], best), *bounds))
    for k, factor in _solve_loads(problems, [*given, *again], scaled, free=False):
        found[k] = factor
    return [replace(r, greatest=f) for r, f in zip(results, found, strict=True)]


def _load_problem(result: LiftResult) -> _LoadProblem:
    prepared = result.prepared
    rows = [ROWS.index(name) for name in result.criterion.rows]
    need, good = prepared.demand, prepared.lift.reachable
    return _LoadProblem(
        arms=prepared.paths.moment_arms[good][:, rows],
        capacity=prepared.state.active_capacity[good],
        passive=prepared.state.passive_force[good],
        fixed=need.limb_moments[good][:, rows],
        # One kilogram in both hands together is half a kilogram in each.
        load=0.5 * need.load_moments[good][:, rows],
        lever=need.lateral_moments[good][:, rows],
        force=0.5 * need.vertical_force[good],
    )


def _solve_loads(
    problems: list[_LoadProblem],
    which: list[int],
    scaled: dict[int, NDArray[np.float64]],
    *,
    free: bool,
) -> Iterator[tuple[int, GreatestFactor]]:
    """Solve several lifts as one batch and hand each its part back."""
    if not which:
        return
    chosen = [problems[k] for k in which]
    columns = np.concatenate([-p.lever[..., None] for p in chosen]) if free else None
    found = greatest_factor(
        np.concatenate([p.arms for p in chosen]),
        np.concatenate([p.capacity for p in chosen]),
        np.concatenate([p.fixed for p in chosen]),
        np.concatenate([scaled[k] for k in which]),
        passive_force=np.concatenate([p.passive for p in chosen]),
        free_columns=columns,
    )
    start = 0
    for k, problem in zip(which, chosen, strict=True):
        part = slice(start, start + len(problem.force))
        start = part.stop
        yield k, GreatestFactor(**{f.name: getattr(found, f.name)[part] for f in fields(found)})


def _push_ratio(problem: _LoadProblem, best: GreatestFactor) -> NDArray[np.float64]:
    """Ratio of the push that goes with a greatest load; from the balance it must close."""
    pull = np.einsum("frh,fh->fr", problem.arms, best.activation * problem.capacity)
    pull = pull + np.einsum("frh,fh->fr", problem.arms, problem.passive)
    lever = problem.lever
    with np.errstate(divide="ignore", invalid="ignore"):
        rest = pull - problem.fixed - best.factor[:, None] * problem.load
        push = np.einsum("fr,fr->f", lever, rest) / np.einsum("fr,fr->f", lever, lever)
        ratio = push / (best.factor * problem.force)
    return np.where(np.isfinite(ratio), ratio, 0.0)


def _spread(values: NDArray[np.float64], good: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Put reachable frames back among all frames; NaN elsewhere."""
    out = np.full((len(good), *values.shape[1:]), np.nan)
    out[good] = values
    out.setflags(write=False)
    return out

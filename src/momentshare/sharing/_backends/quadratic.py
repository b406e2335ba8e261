"""Quadratic effort within inequalities, a frame at a time, for what the kernels leave.

The kernels leave frames whose moments cannot be met within the inequalities where too many of these
hold at once. An interior-point method finds the nearest moment that can be met, and with it which
heads rest at a bound and which inequalities hold wherever it is met; the least effort among what
these leave is a programme of its own. Every answer is judged by the certificate of all routes.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from momentshare.sharing._backends.balance import row_sizes
from momentshare.sharing._certificate import CERTIFIED, certify, nothing
from momentshare.sharing._result import Status, joined

if TYPE_CHECKING:
    from momentshare.sharing._problem import Problem
    from momentshare.sharing._result import FloatArray, RawSharing

_STEPS = 80
"""Most steps of the interior-point method; some 15 to 30 are needed."""

_EXACT, _KEPT = 1e-17, 1e-13
"""Mean product of slack and multiplier, and breach of an inequality, at which it ends."""

_ROUNDED = 1e-9
"""Slope that may be left then: sums of large multipliers. The certificate sees what it does."""

_SPANNED = 1e-9
"""Part of the greatest below which a singular value counts as none."""

_MET = 1e-9
"""Distance from the moment, relative, below which it counts as met."""

_BROKEN = 1e-7
"""Part of their size by which inequalities have to be broken to say that no forces obey them."""


class Optimum(NamedTuple):
    """Answer of a programme: x, multipliers of the inequalities, and the slack left by them."""

    x: FloatArray
    multipliers: FloatArray
    slack: FloatArray
    close: bool


def least(curved: FloatArray, slope: FloatArray, limits: FloatArray, levels: FloatArray) -> Optimum:
    """Least of ½ xᵀ H x + cᵀ x where G x ≤ h, by a predictor–corrector interior-point method.

    Parameters
    ----------
    curved : float array, shape (n, n)
        H, positive semidefinite.
    slope : float array, shape (n,)
        c
    limits, levels : float array, shapes (m, n) and (m,)
        G and h.
    """
    count = len(levels)
    x = np.zeros(len(slope))
    s, z = np.maximum(levels, 1.0), np.ones(count)
    flat = _ROUNDED * (1.0 + np.abs(slope).max(initial=0.0))
    close = not len(slope)
    for _ in range(0 if close else _STEPS):
        falls = curved @ x + slope + limits.T @ z
        breaks = limits @ x + s - levels
        centre = float(s @ z) / count
        close = bool(
            centre <= _EXACT and np.abs(breaks).max() <= _KEPT and np.abs(falls).max() <= flat
        )
        if close or not np.isfinite(centre):
            break
        system = curved + (limits.T * (z / s)) @ limits
        even = 1.0 / np.sqrt(np.maximum(np.diag(system), 1e-300))
        system = even[:, None] * system * even + 1e-15 * np.eye(len(x))

        def step(target: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
            right = -falls - limits.T @ ((z * breaks + target - s * z) / s)  # noqa: B023
            dx = np.asarray(even * np.linalg.solve(system, even * right), dtype=float)  # noqa: B023
            ds = -breaks - limits @ dx  # noqa: B023
            return dx, ds, np.asarray((target - s * z - z * ds) / s)  # noqa: B023

        _, ds, dz = step(np.zeros(count))
        far = min(_reach(s, ds), _reach(z, dz))
        ahead = float((s + far * ds) @ (z + far * dz)) / count
        dx, ds, dz = step((ahead / centre) ** 3 * centre - ds * dz)
        far = 0.995 * min(_reach(s, ds), _reach(z, dz))
        x, s, z = x + far * dx, s + far * ds, z + far * dz
    return Optimum(x, z if len(slope) else np.zeros(count), s, close)


def _reach(values: FloatArray, change: FloatArray) -> float:
    """Longest step, at most one, that leaves all values positive."""
    falling = change < 0.0
    return min(1.0, float((-values[falling] / change[falling]).min(initial=np.inf)))


def solve_quadratic(problem: Problem, *, short_tolerance: float = CERTIFIED) -> RawSharing:
    """Solve every frame of a problem with p = 2; what is not certified reads ``uncertified``.

    ``short_tolerance`` is that of the certificate of moments that cannot be met: where little is
    missing, the multipliers are great and rounding shows in them.
    """
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        return joined(
            [_tried(problem.take(slice(f, f + 1)), short_tolerance) for f in range(problem.frames)]
        )


def _tried(frame: Problem, short_tolerance: float) -> RawSharing:
    try:
        return _frame(frame, short_tolerance)
    except np.linalg.LinAlgError:
        return nothing(frame, Status.UNCERTIFIED)


class _Scaled(NamedTuple):
    """A frame in units of its rows and inequalities, on activations and free values.

    Inequalities are first those of the frame, then that no activation is below 0, that none is
    above 1, and bounds of free values.
    """

    reach: FloatArray
    wanted: FloatArray
    limits: FloatArray
    levels: FloatArray
    cost: FloatArray  # twice the weights over the greatest, 0 of free values


class _Answer(NamedTuple):
    """What a certificate is made of, in the same units."""

    x: FloatArray
    multipliers: FloatArray
    held: FloatArray
    parted: FloatArray
    short: bool


def _frame(frame: Problem, short_tolerance: float) -> RawSharing:
    loads = frame.arms * frame.capacity[:, None, :]
    size = row_sizes(loads)[0]
    heaviest = float(frame.weights.max())
    carried = frame.columns[0] / size[:, None]
    scale = np.maximum(np.linalg.norm(carried, axis=0), 1e-300)
    limits, levels, strength = _inequalities(frame, scale)
    scaled = _Scaled(
        reach=np.hstack([loads[0] / size[:, None], carried / scale]),
        wanted=(frame.moments - np.einsum("fji,fi->fj", frame.arms, frame.passive))[0] / size,
        limits=limits,
        levels=levels,
        cost=np.append(2.0 * frame.weights[0] / heaviest, np.zeros(frame.free)),
    )
    found = _solved(scaled, frame.heads, frame.facets)
    if found is None:
        none = _none_obeys(limits, levels)
        return nothing(frame, Status.INFEASIBLE if none else Status.UNCERTIFIED)
    return certify(
        frame,
        np.clip(found.x[: frame.heads], 0.0, 1.0)[None],
        (found.multipliers * heaviest / size)[None],
        (found.x[frame.heads :] / scale)[None],
        np.array([found.short]),
        held=np.maximum(found.held * heaviest / strength, 0.0)[None],
        parted=np.maximum(found.parted / strength, 0.0)[None],
        tolerance=short_tolerance if found.short else CERTIFIED,
    )


def _solved(frame: _Scaled, heads: int, facets: int) -> _Answer | None:
    """Nearest moment and least effort of a frame; None where no nearest moment is found."""
    reach, wanted, limits, levels, cost = frame
    near = least(reach.T @ reach, -reach.T @ wanted, limits, levels)
    if not near.close:
        return None
    apart = wanted - reach @ near.x
    short = bool(np.linalg.norm(apart) > _MET * (1.0 + np.linalg.norm(wanted)))
    tight = (near.multipliers > near.slack) & short
    fixed = np.full(len(near.x), np.nan)
    fixed[:heads][tight[facets : facets + heads]] = 0.0
    fixed[:heads][tight[facets + heads : facets + 2 * heads]] = 1.0
    loose = np.isnan(fixed)
    rest = np.where(loose, 0.0, fixed)
    holding = np.flatnonzero(tight[:facets])
    walls, at = limits[holding], levels[holding] - limits[holding] @ rest
    parted = np.zeros(facets)
    if short:
        apart, parted[holding] = _apart(reach[:, loose], wanted - reach @ rest, walls[:, loose], at)

    # Of what meets the nearest moment, the least effort; equations that depend on others drop out.
    equal, asked = np.vstack([reach, walls]), np.append(wanted - apart - reach @ rest, at)
    left, strong, across = np.linalg.svd(equal[:, loose])
    rank = int((strong > _SPANNED * strong.max(initial=0.0)).sum())
    begin = across[:rank].T @ ((left[:, :rank].T @ asked) / strong[:rank])
    ways, inner, own = across[rank:].T, limits[~tight][:, loose], cost[loose]
    best = least(
        ways.T @ (own[:, None] * ways),
        ways.T @ (own * begin),
        inner @ ways,
        levels[~tight] - limits[~tight] @ rest - inner @ begin,
    )
    x, pressed = rest.copy(), np.zeros(len(levels))
    x[loose], pressed[~tight] = begin + ways @ best.x, best.multipliers
    drive = own * x[loose] + inner.T @ best.multipliers
    prices = left[:, :rank] @ ((across[:rank] @ drive) / strong[:rank])
    multipliers, held = prices[: len(wanted)], pressed[:facets]
    held[holding] -= prices[len(wanted) :]
    if short:
        # Any multiple of what separates may join; the least that keeps heads at their bounds.
        pull = reach.T @ multipliers - limits[:facets].T @ held
        along = (reach.T @ apart - limits[:facets].T @ parted)[~loose]
        lacks = (np.where(fixed == 1.0, cost, 0.0) - pull)[~loose]
        behind = np.append(along, parted[holding])
        more = np.append(lacks, -held[holding])[behind != 0.0] / behind[behind != 0.0]
        multipliers = multipliers + more.max(initial=0.0) * apart
        held = held + more.max(initial=0.0) * parted
    return _Answer(x, multipliers, held, parted, short)


def _apart(
    reach: FloatArray, wanted: FloatArray, walls: FloatArray, at: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Find what is left of a moment at its nearest where walls · x = at, and the walls' prices."""
    begin = np.linalg.lstsq(walls, at, rcond=_SPANNED)[0]
    _, strong, across = np.linalg.svd(walls)
    along = across[int((strong > _SPANNED * strong.max(initial=0.0)).sum()) :]
    rest = wanted - reach @ begin
    found, strong, _ = np.linalg.svd(reach @ along.T, full_matrices=False)
    found = found[:, strong > _SPANNED * strong.max(initial=0.0)]
    apart = rest - found @ (found.T @ rest)
    return apart, np.asarray(np.linalg.lstsq(walls.T, reach.T @ apart, rcond=_SPANNED)[0], float)


def _inequalities(frame: Problem, scale: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Inequalities on activations and free values, and the length that each was divided by.

    First those of the frame, then that no activation is below 0, that none is above 1, and bounds
    of free values.
    """
    rows = (frame.limits * frame.capacity[:, None, :])[0]
    level = (frame.levels - np.einsum("fgi,fi->fg", frame.limits, frame.passive))[0]
    strength = np.maximum(np.linalg.norm(rows, axis=1), 1e-300)
    one, free = np.eye(frame.heads), np.eye(frame.free)
    parts = [(rows / strength[:, None], level / strength), (-one, np.zeros(frame.heads))]
    parts.append((one, np.ones(frame.heads)))
    limits = np.vstack([np.hstack([part, np.zeros((len(part), frame.free))]) for part, _ in parts])
    levels = np.concatenate([level for _, level in parts])
    for sign, bound in ((-1.0, -frame.lower[0]), (1.0, frame.upper[0])):
        known = np.isfinite(bound)
        more = np.hstack([np.zeros((int(known.sum()), frame.heads)), sign * free[known]])
        limits, levels = np.vstack([limits, more]), np.append(levels, (bound * scale)[known])
    return limits, levels, strength


def _none_obeys(limits: FloatArray, levels: FloatArray) -> bool:
    """Whether all inequalities can hold only if they are relaxed; its multipliers prove it."""
    slope = np.zeros(limits.shape[1] + 1)
    slope[-1] = 1.0
    relaxed = np.column_stack([limits, -np.ones(len(levels))])
    found = least(np.zeros((len(slope), len(slope))), slope, relaxed, levels)
    return bool(found.close and -levels @ found.multipliers > _BROKEN)

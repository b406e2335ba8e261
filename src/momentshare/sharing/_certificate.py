"""Certify an answer from the problem data alone, whichever route produced it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from momentshare.sharing._backends.balance import orthonormal_columns, row_sizes
from momentshare.sharing._result import RawSharing, Status

if TYPE_CHECKING:
    from momentshare.sharing._problem import Problem
    from momentshare.sharing._result import BoolArray, FloatArray

CERTIFIED = 1e-9
"""Greatest relative residual, stationarity and gap of a certified frame."""

ROUNDED = 1e-5
"""Fraction of the largest term of a sum with which a mismatch is compared, if that is more."""


def certify(
    problem: Problem,
    activation: FloatArray,
    multipliers: FloatArray,
    free: FloatArray,
    short: BoolArray,
    *,
    held: FloatArray | None = None,
    parted: FloatArray | None = None,
    tolerance: float = CERTIFIED,
) -> RawSharing:
    """Residual, bounds, stationarity and gap of every frame, and the status they allow."""
    p = problem.exponent
    weights = problem.weights
    loads = problem.arms * problem.capacity[:, None, :]
    active = problem.capacity * activation
    force = active + problem.passive
    carried = np.einsum("fjk,fk->fj", problem.columns, free)
    unmet = problem.moments - np.einsum("fji,fi->fj", problem.arms, force) - carried
    rows = row_sizes(loads)
    size = (
        np.abs(problem.moments)
        + np.einsum("fji,fi->fj", np.abs(problem.arms), np.abs(force))
        + np.einsum("fjk,fk->fj", np.abs(problem.columns), np.abs(free))
    )
    priced = ROUNDED * np.where(short, 0.0, np.einsum("fj,fj->f", np.abs(multipliers), size))
    size = np.broadcast_to((size / rows).max(axis=1), (problem.frames,))

    limits = problem.limits
    none = np.zeros((problem.frames, problem.facets))
    held = none if held is None else held
    parted = none if parted is None else parted
    slack = problem.levels - np.einsum("fgi,fi->fg", limits, force)
    room = np.abs(problem.levels) + np.einsum("fgi,fi->fg", np.abs(limits), np.abs(force))
    priced = priced + ROUNDED * np.einsum("fg,fg->f", held, room)

    relative = unmet / rows
    distance = np.linalg.norm(relative, axis=1)
    along = np.einsum("fji,fj->fi", loads, relative / rows)
    along = along - problem.capacity * np.einsum("fgi,fg->fi", limits, parted)
    lost = (np.maximum(along, 0.0) - along * activation).sum(axis=1)
    lost = lost + np.einsum("fg,fg->f", parted, slack)
    idle, outside = idle_values(problem, free, rows, np.stack([multipliers, relative / rows]))
    lost = lost + idle[1]
    closer = lost / np.where(distance > 0.0, distance, 1.0)
    near = np.where(short, np.abs(closer), np.abs(relative).max(axis=1, initial=0.0))
    residual = np.where(short, np.abs(closer) * rows.max(axis=1), np.abs(unmet).max(axis=1))

    drive = np.einsum("fji,fj->fi", loads, multipliers)
    drive = drive - problem.capacity * np.einsum("fgi,fg->fi", limits, held)
    broken = np.maximum(-slack, 0.0) / np.where(room > 0.0, room, 1.0)
    # Where rows are nearly dependent, and in a shortfall, λ is large and its terms cancel; their
    # rounding is not a fault of the answer.
    terms = np.einsum("fji,fj->fi", np.abs(loads), np.abs(multipliers))
    terms = terms + problem.capacity * np.einsum("fgi,fg->fi", np.abs(limits), held)
    terms = terms.max(axis=1, initial=0.0)
    stationarity = stationarity_residual(drive, activation, weights, p, ROUNDED * terms)
    effort = weights * activation**p
    response = clipped_response(drive, weights, p)
    conjugate = drive * response - weights * response**p
    parts = effort + conjugate - drive * activation
    # The remainder λ·(m − R F − C f) counts too, unless it is the shortfall itself.
    loose = np.where(short, 0.0, np.einsum("fj,fj->f", multipliers, unmet))
    loose = loose - np.einsum("fg,fg->f", held, slack)
    cost = effort.sum(axis=1)
    scale = np.maximum(cost, priced)
    gap = (parts.sum(axis=1) - loose + idle[0]) / np.where(scale > 0.0, scale, 1.0)
    bound = np.maximum(np.maximum(-activation, activation - 1.0), 0.0).max(axis=1, initial=0.0)
    bound = np.maximum(np.maximum(bound, broken.max(axis=1, initial=0.0)), outside)

    with np.errstate(invalid="ignore"):
        good = (
            np.isfinite(rows).all(axis=1)  # beside an overflow anything is small
            & (near <= tolerance * size)
            & (bound <= tolerance)
            & (stationarity <= tolerance)
            & (np.abs(gap) <= tolerance)
        )
    status = np.where(
        good, np.where(short, Status.SHORTFALL, Status.SOLVED), Status.UNCERTIFIED
    ).astype(np.int8)
    return RawSharing(
        activation=activation,
        active=active,
        force=force,
        multipliers=multipliers,
        unmet=unmet,
        free_values=free,
        held=held,
        parted=parted,
        status=status,
        numbers=np.stack([residual, bound, stationarity, gap], axis=1),
    )


def nothing(frame: Problem, status: Status) -> RawSharing:
    """Return the result of a frame without an answer."""
    heads, facets = np.full((1, frame.heads), np.nan), np.full((1, frame.facets), np.nan)
    return RawSharing(
        **dict.fromkeys(("activation", "active", "force"), heads),
        **dict.fromkeys(("multipliers", "unmet"), np.full((1, frame.rows), np.nan)),
        **dict.fromkeys(("held", "parted"), facets),
        free_values=np.full((1, frame.free), np.nan),
        status=np.full(1, status, dtype=np.int8),
        numbers=np.full((1, 4), np.nan),
    )


def idle_values(
    problem: Problem, free: FloatArray, rows: FloatArray, prices: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Bound on what other free values could still gain at some prices, and how far they are off.

    A value gains its price times the room that is left towards the bound it is drawn to. Values
    without bounds have the room that the heads give them: Q (Qᵀ D⁻¹ B Δa) for the orthonormal
    columns Q, with no activation changing by more than one.

    Parameters
    ----------
    problem : Problem
    free : float array, shape (frames, k)
    rows : float array, shape (frames, rows)
        Norms of the rows D.
    prices : float array, shape (n, frames, rows)
        Gain of each row, several kinds of gain at once.

    Returns
    -------
    gain : float array, shape (n, frames)
    outside : float array, shape (frames,)
        Greatest distance of a value from its bounds over its reach.
    """
    if problem.free == 0:
        return np.zeros(prices.shape[:2]), np.zeros(problem.frames)
    columns = problem.columns / rows[:, :, None]
    lower, upper = (np.broadcast_to(b, free.shape) for b in (problem.lower, problem.upper))
    span = np.where(np.isfinite(upper - lower), upper - lower, 0.0)
    loads = problem.arms * problem.capacity[:, None, :] / rows[:, :, None]
    moving = np.linalg.norm(loads, axis=1).sum(axis=1)
    moving = moving + (np.linalg.norm(columns, axis=1) * span).sum(axis=1)
    per_row = prices * rows

    endless = np.isinf(lower).all(axis=0) & np.isinf(upper).all(axis=0)
    basis, _ = orthonormal_columns(columns[:, :, endless])
    gain = np.abs(per_row[..., None, :] @ basis)[..., 0, :].sum(axis=2) * moving

    held = ~endless
    reach = np.linalg.norm(np.linalg.pinv(columns), axis=2)[:, held] * moving[:, None]
    most = np.where(span[:, held] > 0.0, span[:, held], reach)
    value, low, high = free[:, held], lower[:, held], upper[:, held]
    up, down = (np.clip(room, 0.0, most) for room in (high - value, value - low))
    price = (per_row[..., None, :] @ columns[:, :, held])[..., 0, :]
    gain = gain + (np.maximum(price, 0.0) * up + np.maximum(-price, 0.0) * down).sum(axis=2)
    over = np.maximum(np.maximum(value - high, low - value), 0.0)
    outside = over / np.where(reach > 0.0, reach, 1.0)
    return gain, outside.max(axis=1, initial=0.0)


def clipped_response(drive: FloatArray, weights: FloatArray, exponent: float) -> FloatArray:
    """Activation that corresponds to a drive."""
    reduced = np.minimum(np.maximum(drive, 0.0) / (exponent * weights), 1.0)
    return np.asarray(reduced ** (1.0 / (exponent - 1.0)))


def stationarity_residual(
    drive: FloatArray,
    activation: FloatArray,
    weights: FloatArray,
    exponent: float,
    floor: FloatArray,
) -> FloatArray:
    """Greatest over heads of the smaller of two mismatches, see ``Certificate``."""
    marginal = exponent * weights * activation ** (exponent - 1.0)
    greatest = np.maximum(marginal.max(axis=1, initial=0.0), floor)[:, None]
    excess = drive - marginal
    excess = np.where(activation >= 1.0, np.minimum(excess, 0.0), excess)
    excess = np.where(activation <= 0.0, np.maximum(excess, 0.0), excess)
    in_drive = np.abs(excess) / np.where(greatest > 0.0, greatest, 1.0)
    in_activation = np.abs(activation - clipped_response(drive, weights, exponent))
    return np.asarray(np.minimum(in_drive, in_activation).max(axis=1, initial=0.0))

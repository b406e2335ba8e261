"""What the heads can supply at most: greatest factor on a moment, greatest moment.

The greatest factor is the linear programme

    maximise s  subject to  A a − s g = b,   0 ≤ a ≤ 1,

with g the scaled and b the fixed moments in normalised rows. A little effort added to it,
``maximise K s − Σ a²``, leaves its answer as it is once K is large, and picks among equal
answers the one of least effort. Projected on the complement of g that is a sharing
problem with a reward K Aᵀg/|g|² on the activations, which the dual Newton method solves
frames side by side. Each answer is then checked against the dual value

    s ≤ Σ_i max(0, A_iᵀ v) − v·b   for every v with v·g = 1,

and a frame in which the two differ goes to the simplex method of SciPy.
"""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal, TypeAlias

import numpy as np

from momentshare.errors import ShapeError
from momentshare.sharing._balance import Balance, normalise
from momentshare.sharing._newton import solve_dual
from momentshare.sharing._problem import Problem, build_problem, one_of
from momentshare.sharing._result import (
    BoolArray,
    FloatArray,
    IntArray,
    Status,
    read_only,
    status_text,
)
from momentshare.sharing._stages import SPANNED, solve_balance

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import ArrayLike, NDArray

Others: TypeAlias = Literal["balanced", "braced"]

REWARDS = (1e1, 1e3, 1e5)
"""Rewards K on the factor in units of its first bound, approached one from the other."""

AGREE = 1e-11
"""Primal and dual value, and the balance, agree to this part or the simplex method is asked."""

SURE = 1e-8
"""Greatest relative disagreement of a solved frame."""

PUSHES = 1e-7
"""Sine between a head and the limiting plane from which the head counts as limiting."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GreatestFactor:
    """Largest s for which fixed + s·scaled moments can be met, and what ends it.

    Attributes
    ----------
    factor : float array, shape (...)
        s; infinite where ``unbounded``, NaN where ``infeasible``.
    limiting : bool array, shape (..., heads)
        Heads at full activation whose greater capacity would raise the factor.
    multipliers : float array, shape (..., rows)
        Factor lost per N·m added to the fixed moment of a row; the largest tells which
        row ends it. ``multipliers · scaled = 1``.
    activation : float array, shape (..., heads)
        Activations at the limit; among those possible the ones of least Σ a².
    residual : float array, shape (...)
        Greatest unmet moment at the limit over the norm of its row; relative.
    status : int array, shape (...)
        Codes of :class:`Status`: solved, unbounded, infeasible or uncertified.
    """

    factor: FloatArray
    limiting: BoolArray
    multipliers: FloatArray
    activation: FloatArray
    residual: FloatArray
    status: IntArray

    def __post_init__(self) -> None:
        for name in self.__slots__:
            read_only(getattr(self, name))

    @property
    def status_text(self) -> NDArray[np.str_]:
        """Status of every frame in words."""
        return status_text(self.status)


@dataclass(frozen=True, slots=True, kw_only=True)
class GreatestMoment:
    """Greatest moment about one row, with the definition it was computed by.

    Attributes
    ----------
    moment : float array, shape (...)
        Net moment about the row in the direction asked for [N·m], passive forces included;
        negative where the heads cannot reach that direction at all.
    limiting : bool array, shape (..., heads)
        Heads at full activation whose greater capacity would raise it.
    activation : float array, shape (..., heads)
        Activations at the limit.
    status : int array, shape (...)
        Codes of :class:`Status`; ``infeasible`` where the other rows cannot be held.
    definition : str
        ``balanced`` or ``braced``.
    """

    moment: FloatArray
    limiting: BoolArray
    activation: FloatArray
    status: IntArray
    definition: str

    def __post_init__(self) -> None:
        for array in (self.moment, self.limiting, self.activation, self.status):
            read_only(array)

    @property
    def status_text(self) -> NDArray[np.str_]:
        """Status of every frame in words."""
        return status_text(self.status)


def greatest_factor(
    moment_arms: ArrayLike,
    active_capacity: ArrayLike,
    fixed_moments: ArrayLike,
    scaled_moments: ArrayLike,
    *,
    passive_force: ArrayLike | None = None,
    free_columns: ArrayLike | None = None,
    free_bounds: tuple[ArrayLike, ArrayLike] | None = None,
) -> GreatestFactor:
    """Largest s ≥ 0 for which ``fixed + s·scaled`` joint moments can be met.

    Solves, frame by frame and exactly up to rounding, the linear programme

        maximise s  subject to  R (capacity∘a + passive) + C f = fixed + s scaled,
                                0 ≤ a ≤ 1,  s ≥ 0.

    Parameters
    ----------
    moment_arms : array_like, shape (..., rows, heads)
        R [m], as in :func:`share`.
    active_capacity, passive_force : array_like, shape (..., heads)
        [N].
    fixed_moments, scaled_moments : array_like, shape (..., rows)
        [N·m]; gravity and the bar, say.
    free_columns : array_like, shape (..., rows, k), optional
        C, as in :func:`share`.
    free_bounds : pair of array_like, optional
        Lowest and highest free values; each free value has both bounds finite or neither.

    Returns
    -------
    GreatestFactor

    Raises
    ------
    ShapeError
        As in :func:`share`.

    Examples
    --------
    Two flexors can hold 70 N·m at most, 2.8 times 25 N·m.

    >>> from momentshare.sharing import greatest_factor
    >>> limit = greatest_factor([[0.05, 0.04]], [1000.0, 500.0], [0.0], [25.0])
    >>> round(float(limit.factor), 9)
    2.8
    >>> limit.limiting
    array([ True,  True])
    """
    with _arguments_named(joint_moments="fixed_moments", start="scaled_moments"):
        problem = build_problem(
            moment_arms,
            active_capacity,
            fixed_moments,
            passive_force=passive_force,
            free_columns=free_columns,
            free_bounds=free_bounds,
            start=scaled_moments,
        )
    limit = _limit(bounds_as_heads(problem), least=0.0)
    heads = problem.heads
    return _shaped(
        replace(limit, limiting=limit.limiting[:, :heads], activation=limit.activation[:, :heads]),
        problem.batch,
    )


def greatest_moment(
    moment_arms: ArrayLike,
    active_capacity: ArrayLike,
    row: int,
    sign: float,
    *,
    passive_force: ArrayLike | None = None,
    others: Others = "balanced",
    held: ArrayLike | None = None,
    free_columns: ArrayLike | None = None,
) -> GreatestMoment:
    """Greatest net moment about one row, the other rows balanced or braced.

    ``balanced``
        The heads also hold every other row at ``held`` (zero where not given): the
        strength of a limb that nothing supports.
    ``braced``
        The other rows are carried from outside and dropped: the strength a dynamometer
        with a strapped limb reads. Every head that helps is then fully active.

    Parameters
    ----------
    moment_arms, active_capacity, passive_force, free_columns
        As in :func:`share`. Free columns act in the balanced definition only.
    row : int
        Index of the row.
    sign : {1, -1}
        Direction.
    others : {'balanced', 'braced'}
        Definition.
    held : array_like, shape (..., rows), optional
        Net moments of the other rows [N·m]; the entry of ``row`` is ignored.

    Returns
    -------
    GreatestMoment

    Examples
    --------
    A two-joint head adds to elbow strength only as far as the shoulder can be balanced.

    >>> from momentshare.sharing import greatest_moment
    >>> arms = [[0.02, 0.02], [-0.03, 0.0]]
    >>> float(greatest_moment(arms, [500.0, 500.0], 0, 1, others="braced").moment)
    20.0
    >>> float(greatest_moment(arms, [500.0, 500.0], 0, 1).moment.round(9))
    10.0
    """
    one_of("others", others, ("balanced", "braced"))
    if sign not in {1, -1}:
        raise ShapeError("sign", "1 or -1", repr(sign))
    rows = np.shape(moment_arms)[-2] if np.ndim(moment_arms) >= 2 else 0
    with _arguments_named(joint_moments="held"):
        problem = build_problem(
            moment_arms,
            active_capacity,
            np.zeros(rows) if held is None else held,
            passive_force=passive_force,
            free_columns=free_columns,
        )
    if isinstance(row, bool) or not isinstance(row, (int, np.integer)):
        raise ShapeError("row", "the index of a row", repr(row))
    if not -problem.rows <= row < problem.rows:
        raise ShapeError("row", f"an index below {problem.rows}", repr(row))
    count = problem.frames
    if others == "braced":
        gain = sign * problem.arms[:, row] * problem.capacity
        resting = (sign * problem.arms[:, row] * problem.passive).sum(axis=1)
        helping = np.broadcast_to(gain > 0.0, (count, problem.heads))
        moment = np.broadcast_to(np.maximum(gain, 0.0).sum(axis=1) + resting, (count,))
        return GreatestMoment(
            moment=np.asarray(sign * moment.reshape(problem.batch)),
            limiting=helping.reshape(*problem.batch, -1).copy(),
            activation=helping.reshape(*problem.batch, -1).astype(np.float64),
            status=np.zeros(problem.batch, dtype=np.int8),
            definition=others,
        )
    fixed = problem.moments.copy()
    fixed[:, row] = 0.0
    direction = np.zeros((1, problem.rows))
    direction[0, row] = sign
    limit = _shaped(
        _limit(replace(problem, moments=fixed, start=direction), least=-np.inf), problem.batch
    )
    return GreatestMoment(
        moment=np.asarray(sign * limit.factor),
        limiting=limit.limiting,
        activation=limit.activation,
        status=limit.status,
        definition=others,
    )


@contextmanager
def _arguments_named(**names: str) -> Iterator[None]:
    """Let errors name the argument the caller gave."""
    try:
        yield
    except ShapeError as error:
        argument = names.get(error.argument, error.argument)
        raise ShapeError(argument, error.wanted, error.got) from error


def bounds_as_heads(problem: Problem) -> Problem:
    """Turn bounded free values into further heads; effort does not matter to a limit.

    A value from l to u adds ``C (l + (u − l) a)``, a head with a passive part.
    """
    finite = np.isfinite(problem.lower) & np.isfinite(problem.upper)
    neither = np.isneginf(problem.lower) & np.isposinf(problem.upper)
    if not (finite | neither).all() or (finite.any(axis=0) != finite.all(axis=0)).any():
        raise ShapeError(
            "free_bounds", "for every free value both bounds finite or neither",
            f"{problem.lower[0]} and {problem.upper[0]}",
        )  # fmt: skip
    bounded = finite.all(axis=0)
    if not bounded.any() or problem.free == 0:
        return problem
    count = problem.frames
    lower, upper = problem.lower[:, bounded], problem.upper[:, bounded]
    columns = problem.columns[:, :, bounded]

    def joined(first: FloatArray, second: FloatArray) -> FloatArray:
        parts = [np.broadcast_to(part, (count, *part.shape[1:])) for part in (first, second)]
        return np.concatenate(parts, axis=-1)

    rest = int((~bounded).sum())
    return replace(
        problem,
        arms=joined(problem.arms, columns),
        capacity=joined(problem.capacity, upper - lower),
        passive=joined(problem.passive, lower),
        weights=joined(problem.weights, np.ones((1, int(bounded.sum())))),
        columns=problem.columns[:, :, ~bounded],
        lower=np.full((1, rest), -np.inf),
        upper=np.full((1, rest), np.inf),
    )


def _limit(problem: Problem, least: float) -> GreatestFactor:
    """Solve the linear programme of every frame; ``start`` holds the scaled moments."""
    count, heads, rows = problem.frames, problem.heads, problem.rows
    balance = normalise(replace(problem, start=None))
    asked = np.zeros((1, rows)) if problem.start is None else problem.start
    scaled = np.broadcast_to(asked, (count, rows)) / balance.row_size
    whole = np.abs(scaled).max(axis=1, initial=0.0)
    scaled = scaled - np.einsum("fjk,flk,fl->fj", balance.basis, balance.basis, scaled)
    asks = np.abs(scaled).max(axis=1, initial=0.0) > 1e-13 * whole

    factor = np.full(count, np.nan)
    prices = np.zeros((count, rows))
    activation = np.full((count, heads), np.nan)
    residual = np.full(count, np.nan)
    status = np.full(count, Status.INFEASIBLE, dtype=np.int8)
    frames = np.flatnonzero(asks)
    if frames.size:
        found = climb(balance.take(frames), scaled[frames], least)
        factor[frames], prices[frames], activation[frames] = found[:3]
        residual[frames], status[frames] = found[3:]
    idle = np.flatnonzero(~asks)
    if idle.size:
        answer = solve_balance(balance.take(idle), np.ones((idle.size, heads)), 2.0)
        held = ~answer.short
        factor[idle] = np.where(held, np.inf, np.nan)
        activation[idle] = np.where(held[:, None], answer.activation, np.nan)
        residual[idle] = np.abs(answer.unmet).max(axis=1)
        status[idle] = np.where(held, Status.UNBOUNDED, Status.INFEASIBLE)

    ended = np.isfinite(factor)[:, None]
    along = np.einsum("fji,fj->fi", balance.matrix, prices)
    length = np.linalg.norm(balance.matrix, axis=1) * np.linalg.norm(prices, axis=1)[:, None]
    return GreatestFactor(
        factor=factor,
        limiting=(along > PUSHES * length) & ended,
        multipliers=np.where(ended, prices / balance.row_size, np.nan),
        activation=activation,
        residual=residual,
        status=status,
    )


def climb(
    balance: Balance, scaled: FloatArray, least: float
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, IntArray]:
    """Factor, prices, activation, residual and status where the scaled part asks something."""
    frames, _, heads = balance.matrix.shape
    A, b = balance.matrix, balance.target
    square = np.einsum("fj,fj->f", scaled, scaled)
    unit = scaled / square[:, None]  # v·g = 1
    reach = np.maximum(np.einsum("fji,fj->fi", A, unit), 0.0).sum(axis=1)
    span = np.maximum(reach - np.einsum("fj,fj->f", unit, b), reach) + 1e-300

    line = scaled / np.sqrt(square)[:, None]
    basis = np.concatenate([balance.basis, line[:, :, None]], axis=2)
    part = replace(
        balance,
        matrix=A - line[:, :, None] * np.einsum("fj,fji->fi", line, A)[:, None, :],
        target=b - line * np.einsum("fj,fj->f", line, b)[:, None],
        basis=basis,
    )
    slope = np.einsum("fji,fj->fi", A, unit) / span[:, None]
    weights = np.ones((frames, heads))
    start: FloatArray | None = None
    for reward, before in zip(REWARDS, (1.0, *REWARDS[:-1]), strict=True):
        start = None if start is None else start * (reward / before)
        answer = solve_dual(part, weights, 2.0, start, offset=reward * slope)
        start = answer.multipliers
    side = answer.multipliers * (span / REWARDS[-1])[:, None]
    side = side - np.einsum("fjk,flk,fl->fj", basis, basis, side)
    prices = _flush(part.matrix, A, answer.activation, unit + side)
    along = np.einsum("fji,fj->fi", A, prices)
    most = np.maximum(along, 0.0).sum(axis=1) - np.einsum("fj,fj->f", prices, b)
    reached = np.einsum("fji,fi->fj", A, answer.activation) - b
    factor = np.einsum("fj,fj->f", unit, reached)

    activation = answer.activation
    missed = np.abs(reached - factor[:, None] * scaled).max(axis=1)
    size = balance.target_size + np.linalg.norm(activation, axis=1)
    good = (missed <= AGREE * size) & (np.abs(most - factor) <= AGREE * span)
    for frame in np.flatnonzero(~good):
        found = _simplex(A[frame], b[frame], scaled[frame])
        if found is not None:
            factor[frame], prices[frame], activation[frame] = found
    residual = np.abs(np.einsum("fji,fi->fj", A, activation) - b - factor[:, None] * scaled).max(
        axis=1
    )
    along = np.einsum("fji,fj->fi", A, prices)
    most = np.maximum(along, 0.0).sum(axis=1) - np.einsum("fj,fj->f", prices, b)
    sure = (residual <= SURE * size) & (np.abs(most - factor) <= SURE * span)
    status = np.where(sure, Status.SOLVED, Status.UNCERTIFIED)
    none = np.isnan(factor) | (factor < least - SURE * span)
    status = np.where(none, Status.INFEASIBLE, status).astype(np.int8)
    factor = np.where(none, np.nan, np.maximum(factor, least))
    activation = np.where(none[:, None], np.nan, activation)
    return factor, prices, activation, residual, status


def _flush(
    across: FloatArray, A: FloatArray, activation: FloatArray, prices: FloatArray
) -> FloatArray:
    """Turn the prices so that heads between their bounds add nothing along them.

    Least squares with the smallest change across the scaled direction; done twice, since
    the normal equations lose half the digits.
    """
    inside = (activation > 0.0) & (activation < 1.0)
    between = np.where(inside[:, None, :], across, 0.0)
    values, vectors = np.linalg.eigh(between @ between.transpose(0, 2, 1))
    kept = values > SPANNED * np.maximum(values[:, -1:], 1e-300)
    inverse = np.where(kept, 1.0 / np.where(kept, values, 1.0), 0.0)
    for _ in range(2):
        along = np.where(inside, np.einsum("fji,fj->fi", A, prices), 0.0)
        pull = np.einsum("fji,fi->fj", between, along)
        prices = prices - np.einsum("fjl,fl,fkl,fk->fj", vectors, inverse, vectors, pull)
    return prices


def _simplex(
    A: FloatArray, b: FloatArray, g: FloatArray
) -> tuple[float, FloatArray, FloatArray] | None:
    """One frame by the dual simplex method: NaN where no factor will do, None where it fails."""
    from scipy.optimize import linprog

    rows, heads = A.shape
    cost = np.zeros(heads + 1)
    cost[-1] = -1.0
    answer = linprog(
        cost,
        A_eq=np.hstack([A, -g[:, None]]),
        b_eq=b,
        bounds=[(0.0, 1.0)] * heads + [(None, None)],
        method="highs-ds",
    )
    if answer.status == 2:
        return np.nan, np.zeros(rows), np.full(heads, np.nan)
    if answer.x is None:
        return None
    x = np.asarray(answer.x)
    return float(x[-1]), np.asarray(answer.eqlin.marginals), np.clip(x[:-1], 0.0, 1.0)


def _shaped(limit: GreatestFactor, batch: tuple[int, ...]) -> GreatestFactor:
    return GreatestFactor(
        factor=limit.factor.reshape(batch),
        limiting=limit.limiting.reshape(*batch, limit.limiting.shape[-1]),
        multipliers=limit.multipliers.reshape(*batch, limit.multipliers.shape[-1]),
        activation=limit.activation.reshape(*batch, limit.activation.shape[-1]),
        residual=limit.residual.reshape(batch),
        status=limit.status.reshape(batch),
    )

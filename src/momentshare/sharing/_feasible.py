"""What the heads can supply at most: greatest factor on a moment, greatest moment.

The greatest factor is the linear programme

    maximise s  subject to  A a − s g = b,   0 ≤ a ≤ 1,

with g the scaled and b the fixed moments in normalised rows; ``_climb`` solves it.
"""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal, TypeAlias

import numpy as np

from momentshare.errors import ShapeError
from momentshare.sharing._balance import normalise
from momentshare.sharing._climb import SURE, climb
from momentshare.sharing._problem import Problem, build_problem, one_of
from momentshare.sharing._result import (
    BoolArray,
    FloatArray,
    IntArray,
    Status,
    read_only,
    status_text,
)
from momentshare.sharing._stages import solve_balance

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import ArrayLike, NDArray

__all__ = ["GreatestFactor", "GreatestMoment", "climb", "greatest_factor", "greatest_moment"]

Others: TypeAlias = Literal["balanced", "braced"]

Route: TypeAlias = Literal["auto", "compiled", "numpy"]
ROUTES: tuple[Route, ...] = ("auto", "compiled", "numpy")

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
        row ends it. ``multipliers · scaled = 1``. Where several sets would do, as when all
        heads rest on a bound, the factor lost per N·m depends on the direction; the set of
        least Σ (λ_j Σ_i |R_ji| capacity_i)² is given, and ``limiting`` follows from it.
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
    method: Route = "auto",
    threads: int | None = None,
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
    method : {'auto', 'compiled', 'numpy'}
        ``auto`` takes the compiled route where numba is installed. The routes agree but for
        rounding.
    threads : int, optional
        Most threads of the compiled route; by default one per available core. Every frame
        is solved from scratch, so neither threads nor other frames change its answer.

    Returns
    -------
    GreatestFactor

    Raises
    ------
    ShapeError
        As in :func:`share`.
    MissingExtraError
        If the compiled route is asked for and numba is not installed.

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
    one_of("method", method, ROUTES)
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
    limit = _limit(bounds_as_heads(problem), 0.0, method, threads)
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
    method: Route = "auto",
    threads: int | None = None,
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
    method, threads
        As in :func:`greatest_factor`.

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
    one_of("method", method, ROUTES)
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
        _limit(replace(problem, moments=fixed, start=direction), -np.inf, method, threads),
        problem.batch,
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


def _limit(
    problem: Problem, least: float, method: str = "auto", threads: int | None = None
) -> GreatestFactor:
    """Solve the linear programme of every frame; ``start`` holds the scaled moments."""
    count, heads, rows = problem.frames, problem.heads, problem.rows
    balance = normalise(replace(problem, start=None))
    asked = np.zeros((1, rows)) if problem.start is None else problem.start
    scaled = np.broadcast_to(asked, (count, rows)) / balance.row_size
    whole = np.abs(scaled).max(axis=1, initial=0.0)
    for _ in range(2):  # what is left may be small beside what the free columns take
        scaled = scaled - np.einsum("fjk,flk,fl->fj", balance.basis, balance.basis, scaled)
    asks = np.abs(scaled).max(axis=1, initial=0.0) > 1e-13 * whole

    factor = np.full(count, np.nan)
    prices = np.zeros((count, rows))
    activation = np.full((count, heads), np.nan)
    residual = np.full(count, np.nan)
    status = np.full(count, Status.INFEASIBLE, dtype=np.int8)
    frames = np.flatnonzero(asks)
    if frames.size:
        found = climb(
            balance if frames.size == count else balance.take(frames),
            scaled if frames.size == count else scaled[frames],
            least,
            method=method,
            threads=threads,
            strengths=lambda index: _strengths(problem, frames[index], balance.row_size),
        )
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
        multipliers=_scaled_to_one(np.where(ended, prices / balance.row_size, np.nan), asked),
        activation=activation,
        residual=residual,
        status=status,
    )


def _scaled_to_one(multipliers: FloatArray, scaled: FloatArray) -> FloatArray:
    """Take the last rounding out of multipliers · scaled = 1."""
    total = np.einsum("fj,fj->f", multipliers, np.broadcast_to(scaled, multipliers.shape))
    near = np.abs(total - 1.0) < SURE
    return np.asarray(multipliers / np.where(near, total, 1.0)[:, None])


def _strengths(problem: Problem, frames: NDArray[np.intp], row_size: FloatArray) -> FloatArray:
    """Add up what all heads can do about a row, either way, over its norm, in some frames."""
    part = problem.take(frames)
    loads = np.abs(part.arms * part.capacity[:, None, :]).sum(axis=2)
    whole = np.broadcast_to(loads, (frames.size, problem.rows)) / row_size[frames]
    mean = whole.sum(axis=1, keepdims=True) / np.maximum((whole > 0.0).sum(axis=1), 1)[:, None]
    return np.asarray(np.where(whole > 0.0, whole, np.where(mean > 0.0, mean, 1.0)))


def _shaped(limit: GreatestFactor, batch: tuple[int, ...]) -> GreatestFactor:
    return GreatestFactor(
        factor=limit.factor.reshape(batch),
        limiting=limit.limiting.reshape(*batch, limit.limiting.shape[-1]),
        multipliers=limit.multipliers.reshape(*batch, limit.multipliers.shape[-1]),
        activation=limit.activation.reshape(*batch, limit.activation.shape[-1]),
        residual=limit.residual.reshape(batch),
        status=limit.status.reshape(batch),
    )

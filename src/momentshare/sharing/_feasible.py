"""The most that the heads can supply: greatest factor on a moment, greatest moment.

The greatest factor is the linear programme

    maximise s  subject to  A a − s g = b,   0 ≤ a ≤ 1,

with g the scaled and b the fixed moments in normalised rows; ``climb`` solves it.
"""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal, TypeAlias

import numpy as np

from momentshare._kernels import require_threads
from momentshare.arrays import numbers
from momentshare.errors import ShapeError
from momentshare.results import ReadOnly, brief
from momentshare.sharing._arguments import require_choice
from momentshare.sharing._backends.climb import climb
from momentshare.sharing._backends.limit_within import limit_within
from momentshare.sharing._labelled import labelled_most
from momentshare.sharing._limit import GreatestFactor, solve_limit
from momentshare.sharing._problem import Problem, build_problem
from momentshare.sharing._result import (
    STATUSES,
    BoolArray,
    FloatArray,
    IntArray,
    of_frames,
    status_text,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import ArrayLike, NDArray

    from momentshare.sharing._force_cone import Cone

__all__ = ["GreatestFactor", "GreatestMoment", "climb", "greatest_factor", "greatest_moment"]

Others: TypeAlias = Literal["balanced", "braced"]

Route: TypeAlias = Literal["auto", "compiled", "numpy"]
ROUTES: tuple[Route, ...] = ("auto", "compiled", "numpy")


@dataclass(frozen=True, slots=True, kw_only=True)
class GreatestMoment(ReadOnly):
    """Greatest moment about one row, with the definition used.

    Attributes
    ----------
    moment : float array, shape (...)
        Net moment about the row in the requested direction [N·m], passive forces included;
        negative where the heads cannot reach that direction at all.
    limiting : bool array, shape (..., heads)
        Heads at full activation whose greater capacity would raise it.
    activation : float array, shape (..., heads)
        Activations at the limit.
    status : int array, shape (...)
        Codes of :class:`Status`; ``infeasible`` where the other rows cannot be held.
    definition : str
        ``balanced`` or ``braced``.

    Examples
    --------
    >>> from momentshare.sharing import greatest_moment
    >>> limit = greatest_moment([[0.05, 0.04]], [1000.0, 500.0], 0, 1)
    >>> float(limit.moment.round(9)), str(limit.status_text), limit.definition
    (70.0, 'solved', 'balanced')
    >>> limit.to_dict()["data_vars"]["moment"]["attrs"]
    {'units': 'N m'}
    """

    moment: FloatArray
    limiting: BoolArray
    activation: FloatArray
    status: IntArray
    definition: Others

    __repr__ = brief

    def __getitem__(self, key: Any) -> GreatestMoment:
        """Answers of some frames: an index, slice, mask or tuple over the batch axes."""
        return replace(self, **of_frames(self, key))

    def to_dict(self) -> dict[str, Any]:
        """Everything with its unit and the names of its axes, as plain Python values.

        The layout is that of :meth:`Sharing.to_dict`.
        """
        return labelled_most(self, STATUSES, {"definition": self.definition})

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
    inequalities: Cone | tuple[ArrayLike, ArrayLike] | None = None,
    scaled_levels: ArrayLike | None = None,
    method: Route = "auto",
    threads: int | None = None,
) -> GreatestFactor:
    """Largest s ≥ 0 for which ``fixed + s·scaled`` joint moments can be met.

    Solves, frame by frame and exactly up to rounding, the linear programme

        maximise s  subject to  R (capacity∘a + passive) + C f = fixed + s scaled,
                                G (capacity∘a + passive) ≤ h + s k,
                                0 ≤ a ≤ 1,  s ≥ 0.

    Parameters
    ----------
    moment_arms : array_like, shape (..., rows, heads)
        R [m], as in :func:`share`.
    active_capacity, passive_force : array_like, shape (..., heads)
        [N].
    fixed_moments, scaled_moments : array_like, shape (..., rows)
        [N·m], for example gravity and the bar.
    free_columns : array_like, shape (..., rows, k), optional
        C, as in :func:`share`.
    free_bounds : pair of array_like, optional
        Lowest and highest free values; each free value has both bounds finite or neither.
    inequalities : Cone or pair (G, h), optional
        Limits G F ≤ h on the total force F of the heads [N], as in :func:`share`.
    scaled_levels : array_like, shape (..., facets), optional
        k, gain of each h per unit of the factor [N], for example the force of the load on a joint.
        Zero if not given.
    method : {'auto', 'compiled', 'numpy'}
        ``auto`` takes the compiled route if numba is installed. The routes agree apart from
        rounding.
    threads : int, optional
        Maximum number of threads of the compiled route; by default one per available core. Every
        frame is solved from scratch, so neither threads nor other frames change its answer.

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
    require_choice("method", method, ROUTES)
    require_threads(threads)
    with _arguments_named(joint_moments="fixed_moments", start="scaled_moments"):
        problem = build_problem(
            moment_arms,
            active_capacity,
            fixed_moments,
            passive_force=passive_force,
            free_columns=free_columns,
            free_bounds=free_bounds,
            inequalities=inequalities,
            start=scaled_moments,
        )
    heads, whole = problem.heads, bounds_as_heads(problem)
    if problem.facets:
        gains = _levels(scaled_levels, problem)
        limit = limit_within(whole, problem, gains, 0.0, method, threads)
    else:
        limit = solve_limit(whole, 0.0, method, threads)
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
    inequalities: Cone | tuple[ArrayLike, ArrayLike] | None = None,
    method: Route = "auto",
    threads: int | None = None,
) -> GreatestMoment:
    """Greatest net moment about one row, the other rows balanced or braced.

    ``balanced``
        The heads also hold every other row at ``held`` (zero if not given): the strength of an
        unsupported limb.
    ``braced``
        The other rows are carried externally and dropped: the strength that a dynamometer with a
        strapped limb reads. Every head that helps is then fully active.

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
    inequalities : Cone or pair (G, h), optional
        Limits G F ≤ h on the total force F of the heads [N], as in :func:`share`; they hold in
        either definition.
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
    require_choice("others", others, ("balanced", "braced"))
    require_choice("method", method, ROUTES)
    require_threads(threads)
    if sign not in {1, -1}:
        raise ShapeError("sign", "1 or -1", repr(sign), "1 asks along the row, -1 against it")
    rows = np.shape(moment_arms)[-2] if np.ndim(moment_arms) >= 2 else 0
    with _arguments_named(joint_moments="held"):
        problem = build_problem(
            moment_arms,
            active_capacity,
            np.zeros(rows) if held is None else held,
            passive_force=passive_force,
            free_columns=free_columns,
            inequalities=inequalities,
        )
    if isinstance(row, bool) or not isinstance(row, (int, np.integer)):
        advice = "count the rows of moment_arms from zero"
        raise ShapeError("row", "the index of a row", repr(row), advice)
    if not -problem.rows <= row < problem.rows:
        advice = f"moment_arms has {problem.rows} rows, counted from zero"
        raise ShapeError("row", f"an index below {problem.rows}", repr(row), advice)
    count = problem.frames
    if others == "braced" and problem.facets == 0:
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
    asked = replace(problem, moments=fixed, start=direction)
    if others == "braced":
        one = [row % problem.rows]
        asked = replace(
            asked, arms=problem.arms[:, one], moments=fixed[:, one], start=direction[:, one],
            columns=np.zeros((1, 1, 0)), lower=np.zeros((1, 0)), upper=np.zeros((1, 0)),
        )  # fmt: skip
    if problem.facets:
        still = np.zeros((1, problem.facets))
        found = limit_within(asked, asked, still, -np.inf, method, threads)
    else:
        found = solve_limit(asked, -np.inf, method, threads)
    limit = _shaped(found, problem.batch)
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
        raise ShapeError(argument, error.wanted, error.got, error.remedy) from error


def _levels(given: ArrayLike | None, problem: Problem) -> FloatArray:
    """Gains of the levels, frame axis first."""
    facets = problem.facets
    if given is None:
        return np.zeros((1, facets))
    gains = numbers("scaled_levels", given)
    if gains.ndim < 1 or gains.shape[-1] != facets or not np.isfinite(gains).all():
        raise ShapeError(
            "scaled_levels", f"finite and of shape (..., {facets})", f"shape {gains.shape}",
            "give one gain for each inequality; zero leaves its level alone",
        )  # fmt: skip
    try:
        spread = np.broadcast_to(gains, (*problem.batch, facets))
    except ValueError as error:
        raise ShapeError(
            "scaled_levels", f"leading axes that broadcast with {problem.batch}",
            f"shape {gains.shape}", "give one line for each frame, or one for all",
        ) from error  # fmt: skip
    return np.ascontiguousarray(spread.reshape(problem.frames, facets))


def bounds_as_heads(problem: Problem) -> Problem:
    """Turn bounded free values into further heads; effort does not matter to a limit.

    A value from l to u adds ``C (l + (u − l) a)``, a head with a passive part.
    """
    finite = np.isfinite(problem.lower) & np.isfinite(problem.upper)
    neither = np.isneginf(problem.lower) & np.isposinf(problem.upper)
    if not (finite | neither).all() or (finite.any(axis=0) != finite.all(axis=0)).any():
        raise ShapeError(
            "free_bounds", "for every free value both bounds finite or neither",
            f"{problem.lower[0]} and {problem.upper[0]}", "give the missing bound a large number",
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


def _shaped(limit: GreatestFactor, batch: tuple[int, ...]) -> GreatestFactor:
    return GreatestFactor(
        factor=limit.factor.reshape(batch),
        limiting=limit.limiting.reshape(*batch, limit.limiting.shape[-1]),
        multipliers=limit.multipliers.reshape(*batch, limit.multipliers.shape[-1]),
        activation=limit.activation.reshape(*batch, limit.activation.shape[-1]),
        inequality_multipliers=limit.inequality_multipliers.reshape(
            *batch, limit.inequality_multipliers.shape[-1]
        ),
        residual=limit.residual.reshape(batch),
        status=limit.status.reshape(batch),
    )

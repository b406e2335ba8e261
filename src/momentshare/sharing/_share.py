"""The public call: share joint moments among heads with least effort."""

from __future__ import annotations

import math
from dataclasses import replace
from importlib.util import find_spec
from typing import TYPE_CHECKING, Literal, TypeAlias

import numpy as np

from momentshare._kernels import is_available, require_threads
from momentshare.sharing._arguments import require_choice
from momentshare.sharing._backends.balance import free_values, normalise
from momentshare.sharing._backends.bounded import proved, solve_bounded
from momentshare.sharing._backends.compiled import (
    empty_raw,
    is_side_by_side,
    run_kernel,
    run_side_by_side,
    solve_compiled,
)
from momentshare.sharing._backends.convex import ACCEPTED, solve_convex
from momentshare.sharing._backends.interior import solve_inside
from momentshare.sharing._backends.minmax import solve_minmax
from momentshare.sharing._backends.minmax_within import (
    keep_inequalities,
    without_inequalities,
)
from momentshare.sharing._backends.quadratic import solve_quadratic
from momentshare.sharing._backends.staged import solve_balance
from momentshare.sharing._backends.whiten import whiten
from momentshare.sharing._certificate import certify
from momentshare.sharing._labelled import frames_index, read_labels, require_names
from momentshare.sharing._problem import OnInvalid, Problem, check_numbers, lay_out
from momentshare.sharing._result import (
    Certificate,
    FloatArray,
    RawSharing,
    Sharing,
    Status,
    joined,
    put,
    replaced,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike

    from momentshare.sharing._force_cone import Cone

Method: TypeAlias = Literal["auto", "compiled", "numpy", "convex"]

BLOCK = 4096
"""Number of frames that the NumPy route holds together."""


def share(
    moment_arms: ArrayLike,
    active_capacity: ArrayLike,
    joint_moments: ArrayLike,
    *,
    passive_force: ArrayLike | None = None,
    exponent: float = 2.0,
    weights: ArrayLike | None = None,
    free_columns: ArrayLike | None = None,
    free_bounds: tuple[ArrayLike, ArrayLike] | None = None,
    inequalities: Cone | tuple[ArrayLike, ArrayLike] | None = None,
    start: ArrayLike | None = None,
    on_invalid: OnInvalid = "raise",
    method: Method = "auto",
    threads: int | None = None,
    chain: bool = True,
    head_names: Sequence[str] = (),
    row_names: Sequence[str] = (),
) -> Sharing:
    """Share joint moments among muscle heads with least effort.

    Every frame is the problem

        minimise   Σ_i w_i a_i^p
        subject to R (capacity∘a + passive) + C f = m,   0 ≤ a ≤ 1,

    a moment arm being positive where a pulling head adds to the moment m of its row. The
    free values f cost nothing. A moment that cannot be met is missed by as little as
    possible (least squares over rows, each divided by the norm of its row of R∘capacity),
    then with least effort; ``unmet`` holds what is missing and the status reads ``shortfall``.
    Inequalities always hold: the least unmet moment is the least that forces within them allow, and
    the least effort is the least among those forces. If no forces satisfy them, the frame reads
    ``infeasible`` and its values are NaN.

    Parameters
    ----------
    moment_arms : array_like, shape (..., rows, heads)
        R [m].
    active_capacity : array_like, shape (..., heads)
        Active force at full activation [N], at least zero.
    joint_moments : array_like, shape (..., rows)
        m, the net moments that the heads must supply [N·m].
    passive_force : array_like, shape (..., heads), optional
        Force present at zero activation [N].
    exponent : float
        p > 1; ``math.inf`` minimises the greatest w_i a_i, and among those answers
        Σ (w a)².
    weights : array_like, shape (..., heads), optional
        w > 0; one where not given.
    free_columns : array_like, shape (..., rows, k), optional
        C: moment of each row per unit of each free value.
    free_bounds : pair of array_like, each broadcasting to (..., k), optional
        Lowest and highest free values; infinite where absent.
    inequalities : Cone, or pair (G, h) of shapes (..., facets, heads), (..., facets), optional
        Limits G F ≤ h on the total force F of the heads [N].
    start : array_like, shape (..., rows), optional
        Multipliers to begin from, e.g. those of a similar problem.
    on_invalid : {'raise', 'mark'}
        What to do with frames that hold non-finite values or negative capacities: raise, or return
        NaN there with status ``invalid``. Other frames are never affected.
    method : {'auto', 'compiled', 'numpy', 'convex'}
        ``auto`` takes the compiled kernel if numba is installed and NumPy otherwise;
        ``convex`` solves a cvxpy formulation frame by frame.
    threads : int, optional
        Maximum number of threads of the compiled route; by default one per available core.
    chain : bool
        Start each frame from the previous one, which is quicker where frames are similar and
        changes the last digits. False makes every answer independent of its neighbours, bit for
        bit.
    head_names, row_names : sequence of str, optional
        Labels kept in the result.

    Returns
    -------
    Sharing

    Raises
    ------
    ShapeError
        Wrong shape, negative capacity, non-finite input or p ≤ 1, naming argument, frame
        and value.
    MissingExtraError
        If a route needs a library that is not installed.

    Notes
    -----
    The criterion Σ (F/F_max)ᵖ goes back to Crowninshield and Brand (1981), J. Biomech. 14,
    793–801. Starting each frame of a batch from the previous one changes results in the last digits
    only: the certificate of every frame is computed from the problem data. It bounds the effort,
    not each activation: a gap of g leaves open what a head at (g)^(1/p) of full activation costs
    beside one that is fully active, at most 3e-5 for p = 2, 0.13 for p = 10 and 0.8 for p = 100
    with g = 1e-9 (usually it is near 1e-15). The results are the
    same, bit for bit, with any ``threads``. A frame counts as certified at 1e-9 (see
    ``Certificate``), at 1e-5 where the general solver solved it, as it does occasionally with
    several bounded free values, or where a moment is just out of reach within inequalities. Calls
    share nothing and may run in several threads at once.

    Examples
    --------
    Two flexors of one joint, 50 and 40 mm from its axis, carry 25 N·m.

    >>> from momentshare.sharing import share
    >>> answer = share([[0.05, 0.04]], [1000.0, 500.0], [25.0])
    >>> answer.force.round(2)
    array([431.03,  86.21])
    >>> str(answer.status_text)
    'solved'
    """
    problem = lay_out(
        moment_arms,
        active_capacity,
        joint_moments,
        passive_force=passive_force,
        exponent=exponent,
        weights=weights,
        free_columns=free_columns,
        free_bounds=free_bounds,
        inequalities=inequalities,
        start=start,
        on_invalid=on_invalid,
    )
    require_threads(threads)
    named, listed, index = read_labels(active_capacity, joint_moments)
    heads = require_names("head_names", head_names or named, problem.heads)
    rows = require_names("row_names", row_names or listed, problem.rows)
    problem, raw, route = solve_checked(
        problem, choose_route(method), threads, chain=chain, raising=on_invalid == "raise"
    )
    answer = assemble(problem, raw, route, heads, rows)
    index = frames_index(index, problem.batch)
    return answer if index is None else replace(answer, frame_index=index)


def choose_route(method: Method) -> str:
    """Name the backend that implements a method.

    ``auto`` compiles wherever numba is installed, however few the frames.
    """
    require_choice("method", method, ("auto", "compiled", "numpy", "convex"))
    if method == "auto":
        return "compiled" if is_available() else "numpy"
    return method


def solve_checked(
    problem: Problem,
    route: str,
    threads: int | None,
    *,
    chain: bool,
    raising: bool,
    room: RawSharing | None = None,
) -> tuple[Problem, RawSharing, str]:
    """Check the numbers of a problem and solve it, in arrays of ``room`` if it is given.

    Frames side by side are solved first: that kernel looks at every number anyway and leaves
    frames with numbers that cannot be used; reading them beforehand takes a fifth of its time.
    """
    if route != "compiled" or problem.free or not is_side_by_side(problem):
        problem = check_numbers(problem, raising=raising)
        raw, route = solve(problem, route, threads, chain=chain, room=room)
        if room is not None and raw is not room:
            put(room, slice(None), raw)
            raw = room
        return problem, raw, route
    raw = empty_raw(problem) if room is None else room
    run_side_by_side(problem, raw, threads)
    left = np.flatnonzero(raw.status == Status.UNCERTIFIED)
    if left.size:
        part = check_numbers(problem.take(left), raising=False)
        if part.invalid.any():
            # Numbered as they were given.
            problem = check_numbers(problem, raising=raising)
            part = problem.take(left)
        found, route = solve(part, route, threads, chain=False, again=True)
        put(raw, left, found)
    return problem, raw, route


def solve(
    problem: Problem,
    route: str,
    threads: int | None,
    *,
    chain: bool,
    again: bool = False,
    room: RawSharing | None = None,
) -> tuple[RawSharing, str]:
    """Solve a checked problem by the named route; return the routes actually taken.

    ``again`` says that frames side by side have left these; the kernel writes to ``room``, which
    is the answer where nothing had to be done after it.
    """
    if route == "convex":
        return solve_convex(problem), "convex"
    if problem.free > 1 and problem.has_bounds:
        raw, helped = solve_bounded(
            problem, lambda part: _solve_unbounded(part, route, threads, chain=chain)
        )
        return raw, f"{route} and convex" if helped else route
    raw = _solve_unbounded(problem, route, threads, chain=chain, again=again, room=room)
    if problem.has_bounds:
        raw = _clamp_free_value(problem, raw, route, threads, chain=chain)
    if problem.facets == 0:
        return raw, route
    left = np.flatnonzero(raw.status == Status.UNCERTIFIED)
    if left.size and problem.exponent == 2.0:
        part = solve_quadratic(problem.take(left), short_tolerance=ACCEPTED)
        known = part.status != Status.UNCERTIFIED
        raw = replaced(raw, left[known], part.take(known))
        left = np.flatnonzero(raw.status == Status.UNCERTIFIED)
    if left.size == 0 or find_spec("cvxpy") is None:
        return raw, route
    part = solve_convex(problem.take(left))
    return replaced(raw, left, part), f"{route} and convex"


def _solve_unbounded(
    problem: Problem,
    route: str,
    threads: int | None,
    *,
    chain: bool,
    again: bool = False,
    room: RawSharing | None = None,
) -> RawSharing:
    if math.isinf(problem.exponent):
        if problem.facets == 0:
            return solve_minmax(problem, threads, compiled=route == "compiled")
        raw = solve_minmax(without_inequalities(problem), threads, compiled=route == "compiled")
        return keep_inequalities(
            problem, raw, lambda part: _solve_unbounded(part, route, threads, chain=False)
        )
    if route == "compiled":
        return solve_compiled(problem, threads, solve_left, chain=chain, again=again, room=room)
    parts = [
        solve_plain(problem.take(slice(first, first + BLOCK)))
        for first in range(0, max(problem.frames, 1), BLOCK)
    ]
    return parts[0] if len(parts) == 1 else joined(parts)


def solve_left(problem: Problem, reached: FloatArray) -> RawSharing:
    """Solve what the kernel could not certify; ``reached`` holds its last activations.

    For p > 2 this is nearly always a moment that can be met by heads whose drives are below
    rounding, so the interior-point method comes first; for p = 2 within inequalities one that
    cannot be met.
    """
    if problem.facets and problem.exponent == 2.0:
        raw = solve_quadratic(problem)
    elif problem.facets or problem.exponent <= 2.0:
        return solve_plain(problem)
    else:
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            raw = _solve_inside(problem, reached)
    left = np.flatnonzero(raw.status == Status.UNCERTIFIED)
    return replaced(raw, left, solve_plain(problem.take(left))) if left.size else raw


def _solve_inside(problem: Problem, reached: FloatArray) -> RawSharing:
    """Interior-point method on orthonormal rows, for moments that can be met."""
    balance = normalise(problem)
    weights = np.ascontiguousarray(
        np.broadcast_to(problem.weights, (problem.frames, problem.heads))
    )
    straight = whiten(balance)
    scale = np.clip(np.nan_to_num(reached.max(axis=1), nan=1.0), 1e-6, 1.0)
    multipliers, activation, _ = solve_inside(straight.balance, weights, problem.exponent, scale)
    multipliers = straight.back(multipliers)
    multipliers -= np.einsum("fjk,flk,fl->fj", balance.basis, balance.basis, multipliers)
    force = problem.capacity * activation + problem.passive
    rest = problem.moments - np.einsum("fji,fi->fj", problem.arms, force)
    free = free_values(balance, rest / balance.row_size)
    met = np.zeros(problem.frames, dtype=np.bool_)
    return certify(problem, activation, multipliers / balance.row_size, free, met)


def solve_plain(problem: Problem) -> RawSharing:
    """Solve without numba: NumPy, then the loops of the kernel for inequalities that break."""
    raw = solve_numpy(problem)
    if problem.facets == 0:
        return raw
    broken = np.flatnonzero(raw.status == Status.UNCERTIFIED)
    if broken.size == 0:
        return raw
    part = problem.take(broken)
    again = empty_raw(part)
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        run_kernel(part, again, 1, chain=False)
    return replaced(raw, broken, again)


def solve_numpy(problem: Problem) -> RawSharing:
    """Newton on the dual with NumPy, every frame certified.

    Numbers may overflow in a frame that diverges; its certificate then fails.
    """
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        return _solve_numpy(problem)


def _solve_numpy(problem: Problem) -> RawSharing:
    balance = normalise(problem)
    start = None
    if problem.start is not None:
        start = np.broadcast_to(problem.start * balance.row_size, balance.target.shape)
    weights = np.broadcast_to(problem.weights, (problem.frames, problem.heads))
    answer = solve_balance(balance, weights, problem.exponent, start)
    projected = answer.multipliers - np.einsum(
        "fjk,flk,fl->fj", balance.basis, balance.basis, answer.multipliers
    )
    force = problem.capacity * answer.activation + problem.passive
    rest = problem.moments - np.einsum("fji,fi->fj", problem.arms, force)
    free = free_values(balance, rest / balance.row_size)
    return certify(problem, answer.activation, projected / balance.row_size, free, answer.short)


def _clamp_free_value(
    problem: Problem, raw: RawSharing, route: str, threads: int | None, *, chain: bool
) -> RawSharing:
    """Hold the single free value at the bound it left and share the remaining moments again.

    Exact because the least effort as a function of one free value is convex.
    """
    value = raw.free_values[:, 0]
    held = np.clip(value, problem.lower[:, 0], problem.upper[:, 0])
    outside = np.flatnonzero(held != value)
    if outside.size == 0:
        return raw
    part = problem.take(outside)
    unbounded = np.full((1, 0), np.inf)
    shifted = part.moments - part.columns[:, :, 0] * held[outside, None]
    fixed = _solve_unbounded(
        replace(
            part, moments=shifted, columns=part.columns[:, :, :0],
            lower=-unbounded, upper=unbounded,
        ),
        route,
        threads,
        chain=chain,
    )  # fmt: skip
    fixed = replace(fixed, free_values=held[outside, None])
    return replaced(raw, outside, proved(part, fixed, np.zeros((outside.size, 1), dtype=bool)))


def assemble(
    problem: Problem,
    raw: RawSharing,
    method: str,
    head_names: tuple[str, ...],
    row_names: tuple[str, ...],
) -> Sharing:
    """Restore the batch axes of flat results, and set invalid frames to NaN."""
    batch, some = problem.batch, bool(problem.invalid.any())

    def shaped(array: FloatArray) -> FloatArray:
        if some:
            array = array.copy()
            array[problem.invalid] = math.nan
        return array.reshape(batch + array.shape[1:])

    status = raw.status
    if some:
        status = np.where(problem.invalid, np.int8(Status.INVALID), status)
    return Sharing(
        activation=shaped(raw.activation),
        active_force=shaped(raw.active),
        force=shaped(raw.force),
        multipliers=shaped(raw.multipliers),
        unmet=shaped(raw.unmet),
        free_values=shaped(raw.free_values),
        inequality_multipliers=shaped(raw.held),
        shortfall_prices=shaped(raw.parted),
        status=status.reshape(batch),
        certificate=Certificate.of(shaped(raw.numbers)),
        exponent=problem.exponent,
        method=method,
        head_names=head_names,
        row_names=row_names,
    )

"""The sharing problem formulated for a general convex solver, frame by frame.

It checks the fast route in tests and serves what that route does not cover: linear
inequalities on the head forces and bounds on several free values. For p = 2 the active
bounds it finds are then solved as linear equations, which restores full accuracy.
"""

from __future__ import annotations

import math
from functools import cache
from importlib import import_module
from importlib.util import find_spec
from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.errors import MissingExtraError
from momentshare.sharing._backends.balance import normalise, row_sizes
from momentshare.sharing._backends.minmax import certify_minmax
from momentshare.sharing._certificate import certify, nothing
from momentshare.sharing._result import RawSharing, Status, joined

if TYPE_CHECKING:
    from momentshare.sharing._problem import Problem
    from momentshare.sharing._result import FloatArray

ACCURACY = 1e-10
"""Tolerance required of the general solver."""

HELD = 1e-7
"""Shortfall, relative, below which the moment counts as met."""

ACCEPTED = 1e-5
"""Certificate that a frame of this route has to reach."""

_FORMS = 8
"""Forms of problems whose programmes are kept."""


def solve_convex(problem: Problem) -> RawSharing:
    """Solve every frame with cvxpy.

    Raises
    ------
    MissingExtraError
        If cvxpy is not installed.
    """
    if find_spec("cvxpy") is None:
        raise MissingExtraError("cvxpy", "convex", "sharing by a general convex solver")
    model = _model(problem)
    frames = [model.solve(problem.take(slice(f, f + 1))) for f in range(problem.frames)]
    if not frames:
        return _empty(problem)
    return joined(frames)


@cache
def _models_of_threads() -> Any:
    """Programmes by form, each thread its own; made when needed, since threads are slow to load."""
    from threading import local

    return local()


def _model(problem: Problem) -> _Model:
    """Programmes for problems of this form; writing them down takes longer than solving one."""
    bounds = [np.isfinite(b).all(axis=0).tobytes() for b in (problem.lower, problem.upper)]
    form = (problem.rows, problem.heads, problem.facets, problem.exponent, *bounds)
    models: dict[tuple[object, ...], _Model] = _models_of_threads().__dict__.setdefault(
        "models", {}
    )
    if form not in models:
        if len(models) >= _FORMS:
            models.clear()
        models[form] = _Model(problem)
    return models[form]


class _Model:
    """The two programmes, built once and fed frame by frame.

    In units of the row norms: first the nearest moment, if the required one cannot be met, then the
    least effort that reaches it.
    """

    def __init__(self, problem: Problem) -> None:
        cp: Any = import_module("cvxpy")
        self.cp = cp
        rows, heads, free = problem.rows, problem.heads, problem.free
        facets = problem.facets
        self.matrix = cp.Parameter((rows, heads))
        self.target = cp.Parameter(rows)
        self.weights = cp.Parameter(heads, nonneg=True)
        self.a = cp.Variable(heads)
        supplied = self.matrix @ self.a
        box = [self.a >= 0.0, self.a <= 1.0]
        self.free = cp.Variable(free) if free else None
        if self.free is not None:
            self.columns = cp.Parameter((rows, free))
            supplied = supplied + self.columns @ self.free
            self.lower, self.upper = cp.Parameter(free), cp.Parameter(free)
            low = np.isfinite(problem.lower).all(axis=0)
            high = np.isfinite(problem.upper).all(axis=0)
            self.low, self.high = np.flatnonzero(low), np.flatnonzero(high)
            if low.any():
                box.append(self.free[self.low] >= self.lower[self.low])
            if high.any():
                box.append(self.free[self.high] <= self.upper[self.high])
        self.limit = None
        if facets:
            self.limits = cp.Parameter((facets, heads))
            self.levels = cp.Parameter(facets)
            self.limit = self.limits @ self.a <= self.levels
            box.append(self.limit)
        self.supplied = supplied
        self.balance = self.target - supplied == 0.0
        if math.isinf(problem.exponent):
            effort = cp.max(cp.multiply(self.weights, self.a))
        elif problem.exponent == 2.0:
            self.roots = cp.Parameter(heads, nonneg=True)
            effort = cp.sum_squares(cp.multiply(self.roots, self.a))
        else:
            effort = self.weights @ cp.power(self.a, problem.exponent)
        self.share = cp.Problem(cp.Minimize(effort), [self.balance, *box])
        self.nearest = cp.Problem(cp.Minimize(cp.sum_squares(self.target - supplied)), box)

    def solve(self, frame: Problem) -> RawSharing:
        """One frame."""
        loads = frame.arms * frame.capacity[:, None, :]
        size = row_sizes(loads)
        passive = np.einsum("fji,fi->fj", frame.arms, frame.passive)
        wanted = ((frame.moments - passive) / size)[0]
        self.matrix.value = (loads / size[:, :, None])[0]
        self.target.value = wanted
        heaviest = float(frame.weights.max())
        self.weights.value = frame.weights[0] / heaviest
        if frame.exponent == 2.0:
            self.roots.value = np.sqrt(self.weights.value)
        if self.free is not None:
            scale = np.maximum(np.abs(frame.columns / size[:, :, None]).max(axis=(0, 1)), 1e-300)
            self.columns.value = (frame.columns / size[:, :, None])[0] / scale
            with np.errstate(over="ignore"):
                self.lower.value = np.nan_to_num(frame.lower[0] * scale, neginf=-1e300)
                self.upper.value = np.nan_to_num(frame.upper[0] * scale, posinf=1e300)
        limits, levels, strength = self._limits(frame)
        if self.limit is not None:
            self.limits.value, self.levels.value = limits, levels

        short = False
        parted = np.zeros(levels.size)
        if not self._run(self.share):
            if not self._run(self.nearest):
                return nothing(frame, Status.INFEASIBLE)
            left = wanted - self._supplied()
            if self.limit is not None:
                # Half, since the programme minimises the square and not its half.
                parted = 0.5 * np.maximum(np.asarray(self.limit.dual_value), 0.0) / strength
            short = bool(np.abs(left).max() > HELD * (1.0 + np.abs(wanted).max()))
            self.target.value = wanted - left
            if not self._run(self.share):
                return nothing(frame, Status.INFEASIBLE)
        helps = (loads != 0.0).any(axis=1)[0] | (limits != 0.0).any(axis=0)
        activation = np.where(helps, np.clip(np.asarray(self.a.value), 0.0, 1.0), 0.0)
        multipliers = np.asarray(self.balance.dual_value) * heaviest / size[0]
        free = np.zeros(0) if self.free is None else np.asarray(self.free.value) / scale
        held = np.zeros(levels.size)
        if self.limit is not None:
            held = np.asarray(self.limit.dual_value) * heaviest / strength
        return _judged(frame, activation, multipliers, free, held, parted, short=short)

    def _limits(self, frame: Problem) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Inequalities on activations, every facet at unit size."""
        rows = frame.limits * frame.capacity[:, None, :]
        level = frame.levels - np.einsum("fgi,fi->fg", frame.limits, frame.passive)
        strength = np.maximum(np.linalg.norm(rows, axis=2), 1e-300)
        return (rows / strength[:, :, None])[0], (level / strength)[0], strength[0]

    def _supplied(self) -> FloatArray:
        return np.asarray(self.supplied.value)

    def _run(self, programme: Any) -> bool:
        import warnings

        try:
            # Powers of activations a rounding below zero are not numbers, and the proof that a
            # moment cannot be met has no size; neither is used.
            with warnings.catch_warnings(), np.errstate(invalid="ignore", over="ignore"):
                # An answer outside the tolerance is tested by its certificate below.
                warnings.simplefilter("ignore", UserWarning)
                programme.solve(
                    solver=self.cp.CLARABEL, warm_start=False,
                    tol_gap_abs=ACCURACY, tol_gap_rel=ACCURACY, tol_feas=ACCURACY,
                )  # fmt: skip
        except self.cp.error.SolverError:
            return False
        return programme.status in {self.cp.OPTIMAL, self.cp.OPTIMAL_INACCURATE}


def _judged(
    frame: Problem,
    activation: FloatArray,
    multipliers: FloatArray,
    free: FloatArray,
    held: FloatArray,
    parted: FloatArray,
    *,
    short: bool,
) -> RawSharing:
    """Certificate of one frame, after the last digits have been restored where possible."""
    if math.isinf(frame.exponent):
        return certify_minmax(
            frame, normalise(frame), activation[None], multipliers[None], held[None]
        )
    flags = np.array([short])

    def judge(a: FloatArray, lam: FloatArray, f: FloatArray, mu: FloatArray) -> RawSharing:
        return certify(
            frame, a[None], lam[None], f[None], flags,
            held=np.maximum(mu[None], 0.0), parted=parted[None] if short else None,
            tolerance=ACCEPTED,
        )  # fmt: skip

    raw = judge(activation, multipliers, free, held)
    if frame.exponent == 2.0 and not short:
        sharper = judge(*_sharpen(frame, activation, multipliers, free, held))
        if _worst(sharper) < _worst(raw):
            return sharper
    return raw


def _worst(raw: RawSharing) -> float:
    residual, bound, stationarity, gap = (float(value) for value in raw.numbers[0])
    return max(stationarity, bound, abs(gap)) + residual


def _sharpen(
    frame: Problem,
    activation: FloatArray,
    multipliers: FloatArray,
    free: FloatArray,
    held: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Solve the optimality conditions as linear equations on the active bounds (p = 2)."""
    capacity, w = frame.capacity[0], frame.weights[0]
    loads = frame.arms[0] * capacity
    limits = frame.limits[0] * capacity
    drive = loads.T @ multipliers - limits.T @ held
    full, rest = drive >= 2.0 * w, drive <= 0.0
    inside = np.flatnonzero(~full & ~rest)
    fixed = full.astype(np.float64)
    slack = frame.levels[0] - frame.limits[0] @ (capacity * activation + frame.passive[0])
    size = np.abs(frame.levels[0]) + np.abs(limits).sum(axis=1) + 1e-300
    tight = np.flatnonzero(held * np.maximum(w.max(), 1.0) > slack / size)
    reach = 1e-7 * (1.0 + np.abs(free))
    loose = np.flatnonzero((free > frame.lower[0] + reach) & (free < frame.upper[0] - reach))
    bound = np.clip(free, frame.lower[0], frame.upper[0])
    bound[loose] = 0.0
    C = frame.columns[0]
    rows, n, k, g = loads.shape[0], inside.size, loose.size, tight.size
    system = np.zeros((n + k + rows + g, n + k + rows + g))
    right = np.zeros(n + k + rows + g)
    system[:n, :n] = np.diag(2.0 * w[inside])
    system[:n, n + k : n + k + rows] = -loads[:, inside].T
    system[:n, n + k + rows :] = limits[np.ix_(tight, inside)].T
    system[n : n + k, n + k : n + k + rows] = C[:, loose].T
    system[n + k : n + k + rows, :n] = loads[:, inside]
    system[n + k : n + k + rows, n : n + k] = C[:, loose]
    system[n + k + rows :, :n] = limits[np.ix_(tight, inside)]
    passive = frame.passive[0]
    right[n + k : n + k + rows] = (
        frame.moments[0] - frame.arms[0] @ passive - loads @ fixed - C @ bound
    )
    right[n + k + rows :] = (
        frame.levels[0][tight] - frame.limits[0][tight] @ passive - limits[tight] @ fixed
    )
    scale = np.maximum(np.abs(system).max(axis=1), 1e-300)
    found = np.linalg.lstsq(system / scale[:, None], right / scale, rcond=1e-14)[0]
    a = fixed.copy()
    a[inside] = np.clip(found[:n], 0.0, 1.0)
    values = bound.copy()
    values[loose] = found[n : n + k]
    mu = np.zeros_like(held)
    mu[tight] = np.maximum(found[n + k + rows :], 0.0)
    return a, found[n + k : n + k + rows], values, mu


def _empty(problem: Problem) -> RawSharing:
    return RawSharing(
        **dict.fromkeys(("activation", "active", "force"), np.zeros((0, problem.heads))),
        multipliers=np.zeros((0, problem.rows)),
        unmet=np.zeros((0, problem.rows)),
        free_values=np.zeros((0, problem.free)),
        held=np.zeros((0, problem.facets)),
        parted=np.zeros((0, problem.facets)),
        status=np.zeros(0, dtype=np.int8),
        numbers=np.zeros((0, 4)),
    )

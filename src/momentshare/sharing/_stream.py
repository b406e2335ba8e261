"""Buffers of a solver for one frame after the other, and the kernels that work on them."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare._kernels.compiling import direct
from momentshare.arrays import numbers
from momentshare.errors import ShapeError
from momentshare.sharing._answer import answer_arrays
from momentshare.sharing._arguments import as_pair
from momentshare.sharing._backends.compiled import limits_of_method
from momentshare.sharing._backends.minmax import SHORT, rules_of_factors
from momentshare.sharing._force_cone import Cone
from momentshare.sharing._problem import Components
from momentshare.sharing._result import FloatArray, IntArray, RawSharing, Status

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from momentshare.sharing._answer import Answer
    from momentshare.sharing._problem import Problem

Call = tuple[Any, tuple[Any, ...]]
"""A compiled kernel and its arguments."""


@dataclass(slots=True, kw_only=True)
class Stream:
    """Buffers of one frame and the calls that point to them."""

    problem: Problem
    whole: Answer
    answer: Answer
    arms: FloatArray
    capacity: FloatArray
    moments: FloatArray
    passive: FloatArray
    limits: FloatArray
    levels: FloatArray
    status: IntArray
    start: FloatArray
    first: Call | None
    ended: IntArray
    beyond: Call | None
    bounded: bool  # bounds of free values, which no kernel knows
    held: Stream | None  # the same with the one free value held
    pushed: bool = False  # passive forces in the last step
    turned: bool = False  # inequalities of its own
    left: bool = False  # not solved by a kernel alone

    def run(self) -> int:
        """Solve the frame as far as kernels can; its status."""
        if self.first is None:
            return int(Status.UNCERTIFIED)
        kernel, given = self.first
        kernel(*given)
        if self.beyond is not None and self.ended.item() == SHORT:
            kernel, given = self.beyond
            kernel(*given)
            if self.status.item() == Status.SOLVED:
                return int(Status.UNCERTIFIED)
        if self.bounded:
            free = self.whole.free_values
            if (free < self.problem.lower).any() or (free > self.problem.upper).any():
                return self._hold()
        return int(self.status.item())

    def _hold(self) -> int:
        """Solve the frame with its free value at the bound it has left; its status."""
        held, problem = self.held, self.problem
        if held is None or self.status.item() > Status.SHORTFALL:
            return int(Status.UNCERTIFIED)
        column = problem.columns[0, :, 0]
        wanted = self.whole.free_values.item()
        value = min(max(wanted, problem.lower.item()), problem.upper.item())
        held.moments[...] = self.moments - column * value
        held.start[...] = self.start
        code = held.run()
        if code > Status.SHORTFALL or not held.pushes(column, 1.0 if wanted > value else -1.0):
            return int(Status.UNCERTIFIED)
        for name, array in answer_arrays(held.whole).items():
            if name != "free_values":
                getattr(self.whole, name)[...] = array
        self.whole.free_values[...] = value
        return code

    def pushes(self, column: FloatArray, side: float) -> bool:
        """Whether a value held on a side is drawn there, as ``bounded.proved`` asks."""
        if math.isinf(self.problem.exponent):
            return True
        drawn = side * float(self.answer.multipliers @ column) >= 0.0
        if self.status.item() == Status.SHORTFALL:
            size = ((self.arms * self.capacity) ** 2).sum(axis=1)
            drawn = drawn and side * float((self.answer.unmet / size) @ column) >= 0.0
        return drawn


def open_stream(problem: Problem, whole: Answer, *, compiled: bool) -> Stream:
    """Lay out the buffers of a stream: ``problem`` and ``whole`` have one frame."""
    start, ended = whole.multipliers, np.zeros(1, dtype=np.int8)
    first, beyond = None, None
    if compiled:
        if math.isfinite(problem.exponent):
            first = arguments(replace(problem, start=start), whole)
        elif problem.facets == 0:
            first = _peak_arguments(problem, whole, ended)
            beyond = arguments(replace(problem, exponent=2.0), whole)
    return Stream(
        problem=problem, whole=whole, answer=whole[0], arms=problem.arms[0],
        capacity=problem.capacity[0], moments=problem.moments[0], passive=problem.passive[0],
        limits=problem.limits[0], levels=problem.levels[0], status=whole.status, start=start,
        first=first, ended=ended, beyond=beyond, bounded=problem.has_bounds,
        held=_open_held(problem, whole) if compiled and problem.free == 1 else None,
    )  # fmt: skip


def _open_held(problem: Problem, whole: Answer) -> Stream | None:
    """Open a stream for the same frame with its one free value held, if that has bounds."""
    if not problem.has_bounds:
        return None
    none = np.zeros((1, 0))
    without = replace(
        problem, moments=np.zeros_like(problem.moments), lower=none, upper=none,
        columns=np.zeros((1, problem.rows, 0)),
    )  # fmt: skip
    return open_stream(without, replace(whole.copy(), free_values=none), compiled=True)


_EACH = {
    "moment_arms": "one row for each moment and one column for each head of the solver",
    "joint_moments": "one value for each row",
    "start": "one value for each row",
    "inequalities (lines)": "a cone with one line for each head of the solver",
    "inequalities (normals)": "a cone with as many facets as the solver was made with",
    "inequalities": "one row for each inequality that the solver was made with",
    "inequalities (level)": "one level for each inequality that the solver was made with",
}


def _remedy(name: str, call: str) -> str:
    """Say what an argument of ``solve`` or ``step`` has to hold."""
    held = _EACH.get(name, "one value for each head of the solver")
    one = "of one frame; solve takes a batch" if call == "step" else "for each frame, or once"
    return f"give {held}, {one}"


def put_values(name: str, place: FloatArray, values: ArrayLike) -> None:
    """Copy one argument of a step into its buffer."""
    if type(values) is not np.ndarray or values.shape != place.shape:
        values = numbers(name, values)
        if values.shape != place.shape:
            raise ShapeError(
                name, f"shape {place.shape}", f"shape {values.shape}", _remedy(name, "step")
            )
    elif values.dtype != np.float64:
        values = numbers(name, values)
    place[...] = values


def laid(name: str, values: ArrayLike, tail: tuple[int, ...], frames: int) -> FloatArray:
    """Give one argument of a batch contiguous, with a frame axis of one or of all."""
    array = numbers(name, values)
    if array.ndim == len(tail):
        array = array[np.newaxis]
    if array.shape[1:] != tail or array.shape[0] not in {1, frames}:
        wanted = ", ".join(str(size) for size in tail)
        raise ShapeError(
            name, f"shape ({wanted}) or ({frames}, {wanted})", f"shape {np.shape(values)}",
            _remedy(name, "solve"),
        )  # fmt: skip
    return np.ascontiguousarray(array)


def laid_limits(
    kind: Problem, inequalities: Cone | tuple[ArrayLike, ArrayLike], heads: int, frames: int
) -> Problem:
    """Put inequalities in the place of those of a problem, which has as many."""
    facets = kind.facets
    if isinstance(inequalities, Cone):
        lines = laid("inequalities (lines)", inequalities.lines, (heads, 3), frames)
        normals = laid("inequalities (normals)", inequalities.normals, (facets, 3), frames)
        levels = laid("inequalities (level)", inequalities.levels, (facets,), frames)
        cone = Components(lines=lines, normals=normals)
        return replace(kind, coefficients=None, cone=cone, levels=levels)
    G, h = as_pair(inequalities)
    coefficients = laid("inequalities", G, (facets, heads), frames)
    levels = laid("inequalities (level)", h, (facets,), frames)
    return replace(kind, coefficients=coefficients, cone=None, levels=levels)


def apart(problem: Problem, answer: Answer) -> Problem:
    """Copy the input that lies in arrays of the answer, which a kernel overwrites as it goes."""
    written = answer_arrays(answer).values()
    given = {
        name: getattr(problem, name)
        for name in (
            "arms", "capacity", "moments", "passive", "coefficients", "levels", "start", "cone"
        )
    }  # fmt: skip
    cone = given.pop("cone")
    if cone is not None:
        given |= {"lines": cone.lines, "normals": cone.normals}
    moved = {
        name: array.copy()
        for name, array in given.items()
        if array is not None and any(np.may_share_memory(array, other) for other in written)
    }
    parts = {name: moved.pop(name) for name in ("lines", "normals") if name in moved}
    if parts:
        moved["cone"] = replace(cone, **parts)
    return replace(problem, **moved) if moved else problem


def arguments(problem: Problem, answer: Answer) -> Call:
    """Collect the kernel of one frame and the arguments that point to the arrays of an answer."""
    from momentshare.sharing._backends.kernels.frame import room
    from momentshare.sharing._backends.kernels.frames import solve_frames

    rows = problem.rows
    start = np.zeros((0, rows)) if problem.start is None else problem.start
    size = room(rows, problem.heads, problem.free, problem.facets)
    return direct(solve_frames), (
        problem.arms, problem.capacity, problem.moments, problem.passive, problem.weights,
        problem.columns, problem.limits, problem.levels, start, problem.exponent, 0, 1,
        False, answer.activation, answer.active_force, answer.force, answer.multipliers,
        answer.unmet, answer.free_values,
        answer.inequality_multipliers, answer.shortfall_prices, answer.status,
        answer.proof, np.empty(size), limits_of_method(),
    )  # fmt: skip


def _peak_arguments(problem: Problem, answer: Answer, ended: IntArray) -> Call:
    """Collect those of min–max."""
    from momentshare.sharing._backends.kernels.peaks import peak_room, solve_peaks

    return direct(solve_peaks), (
        problem.arms, problem.capacity, problem.moments, problem.passive, problem.weights,
        problem.columns, 0, 1, answer.activation, answer.active_force, answer.force,
        answer.multipliers, answer.unmet, answer.free_values, answer.status, answer.proof,
        ended, peak_room(problem.rows, problem.heads, problem.free), rules_of_factors(),
        limits_of_method(),
    )  # fmt: skip


def as_raw(answer: Answer) -> RawSharing:
    """Give the arrays of an answer the names of a backend."""
    return RawSharing(
        activation=answer.activation, active=answer.active_force, force=answer.force,
        multipliers=answer.multipliers, unmet=answer.unmet, free_values=answer.free_values,
        held=answer.inequality_multipliers, parted=answer.shortfall_prices,
        status=answer.status, numbers=answer.proof,
    )  # fmt: skip

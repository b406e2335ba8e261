"""A solver prepared once for many calls: streams of frames, or batches of one size."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare._kernels import is_available, require_threads
from momentshare.arrays import numbers
from momentshare.errors import ShapeError
from momentshare.sharing._answer import Answer, answer_arrays, tell
from momentshare.sharing._arguments import as_pair, require_choice
from momentshare.sharing._force_cone import Cone
from momentshare.sharing._labelled import frames_index, read_labels, require_names
from momentshare.sharing._problem import OnInvalid, Problem, build_problem
from momentshare.sharing._result import FloatArray, Status
from momentshare.sharing._share import Method, choose_route, solve_checked
from momentshare.sharing._stream import (
    Stream,
    apart,
    as_raw,
    laid,
    laid_limits,
    open_stream,
    put_values,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike


_REMEDIES = {
    "weights": "give one number above zero for each head, the same for all frames",
    "free_columns": "give one row for each moment and one column for each free value",
    "free_bounds": "give each bound as one number, or as one for each column of free_columns",
    "inequalities (level)": "give h with one level for each row of G",
    "inequalities": "give G with one column for each head and h with one level for each row of G",
}
"""What to do about an argument of a solver: those of `share` speak of moment arms and frames."""


class Solver:
    """Share joint moments for many frames of one kind, checked and laid out once.

    The problem and its answers are those of :func:`~momentshare.sharing.share`. What stays
    the same from call to call is given here; :meth:`solve` takes batches, :meth:`step` one frame
    after the other. The arrays of the answer are allocated at the first call of a size and
    overwritten by the next. :meth:`solve` gives the numbers of ``share`` with the same options, bit
    for bit; :meth:`step` begins where the last frame ended, which changes last digits. A solver
    owns its buffers, so each thread needs its own solver.

    Parameters
    ----------
    heads : int
        Number of heads; may be left out where ``head_names`` are given.
    exponent : float
        p > 1; ``math.inf`` minimises the greatest w a (:meth:`solve` then allocates in each call).
    weights : array_like, shape (heads,), optional
        w > 0; one where not given.
    free_columns : array_like, shape (rows, k), optional
        C: moment of each row per unit of each free value.
    free_bounds : pair of array_like, each broadcasting to (k,), optional
        Lowest and highest free values; infinite where absent. A frame in which one of several
        values would leave them takes :meth:`step` about as long as ``share``.
    inequalities : Cone, or pair (G, h) of shapes (facets, heads) and (facets,), optional
        Limits G F ≤ h on the total force of the heads [N]; calls may supply others of the same
        shape, such as the cone of another posture.
    on_invalid : {'mark', 'raise'}
        What to do with frames that hold numbers that cannot be used (not finite, a negative
        capacity): return NaN there with status ``invalid``, which is the default here because a
        stream must go on, or raise.
    method : {'auto', 'compiled', 'numpy', 'convex'}
        As for ``share``.
    head_names, row_names : sequence of str, optional
        Labels kept in the answers.

    Raises
    ------
    ShapeError
        Wrong shapes or values, naming the argument.

    Examples
    --------
    >>> import numpy as np
    >>> from momentshare.sharing import Solver
    >>> solver = Solver(head_names=["long", "short"])
    >>> arms, capacity = np.array([[0.05, 0.04]]), np.array([1000.0, 500.0])
    >>> answer = solver.step(arms, capacity, np.array([25.0]))
    >>> answer.force.round(2)
    array([431.03,  86.21])
    >>> batch = solver.solve(arms, capacity, np.array([[25.0], [99.0]]))
    >>> [str(text) for text in batch.status_text]
    ['solved', 'shortfall']
    """

    def __init__(
        self,
        *,
        heads: int | None = None,
        exponent: float = 2.0,
        weights: ArrayLike | None = None,
        free_columns: ArrayLike | None = None,
        free_bounds: tuple[ArrayLike, ArrayLike] | None = None,
        inequalities: Cone | tuple[ArrayLike, ArrayLike] | None = None,
        on_invalid: OnInvalid = "mark",
        method: Method = "auto",
        head_names: Sequence[str] = (),
        row_names: Sequence[str] = (),
    ) -> None:
        require_choice("on_invalid", on_invalid, ("raise", "mark"))
        choose_route(method)
        self._raising, self._method = on_invalid == "raise", method
        self._heads = _count(heads, head_names)
        self.head_names = require_names("head_names", head_names, self._heads)
        self._columns = None if free_columns is None else numbers("free_columns", free_columns)
        shape = (1, 0) if self._columns is None else self._columns.shape
        rows = shape[-2] if len(shape) > 1 else 1
        self.row_names = require_names(
            "row_names", row_names, None if free_columns is None else rows
        )
        try:
            # The checks of `share`, once, on everything that stays the same.
            self._kind = build_problem(
                np.zeros((rows, self._heads)), np.zeros(self._heads), np.zeros(rows),
                exponent=exponent, weights=weights, free_columns=self._columns,
                free_bounds=free_bounds, inequalities=inequalities,
            )  # fmt: skip
        except ShapeError as error:
            name, wanted, got = error.argument, error.wanted, error.got
            remedy = _REMEDIES.get(name, error.remedy)
            if isinstance(inequalities, Cone):
                remedy = remedy.replace(_REMEDIES["inequalities"], "give one line for each head")
            raise ShapeError(name, wanted, got, remedy) from error
        if self._kind.batch:
            raise ShapeError(
                "weights, free_columns, free_bounds and inequalities", "without a frame axis",
                f"leading axes {self._kind.batch}",
                "give what holds for all frames; inequalities of a frame go to solve or step",
            )  # fmt: skip
        self._answer: Answer | None = None
        self._like: Answer | None = None
        self._stream: Stream | None = None

    def __repr__(self) -> str:
        kind = self._kind
        return (
            f"Solver(heads={self._heads}, exponent={kind.exponent:g}, free values={kind.free}, "
            f"inequalities={kind.facets})"
        )

    def __getstate__(self) -> dict[str, Any]:
        # Buffers belong to one solver: a copy of views would no longer be the kernel's arrays.
        return vars(self) | {"_answer": None, "_like": None, "_stream": None}

    @property
    def exponent(self) -> float:
        """Exponent p of the criterion."""
        return self._kind.exponent

    def room(self, frames: int, rows: int) -> Answer:
        """Arrays for the answers of a number of frames, for ``out``."""
        heads, free, facets = self._heads, self._kind.free, self._kind.facets
        return Answer(
            activation=np.zeros((frames, heads)),
            active_force=np.zeros((frames, heads)),
            force=np.zeros((frames, heads)),
            multipliers=np.zeros((frames, rows)),
            unmet=np.zeros((frames, rows)),
            free_values=np.zeros((frames, free)),
            inequality_multipliers=np.zeros((frames, facets)),
            shortfall_prices=np.zeros((frames, facets)),
            status=np.zeros(frames, dtype=np.int8),
            proof=np.zeros((frames, 4)),
            exponent=self._kind.exponent,
            method=self._route(),
            head_names=self.head_names,
            row_names=require_names("row_names", self.row_names, rows),
        )

    def _route(self) -> str:
        return choose_route(self._method)

    def _own_room(self, frames: int, rows: int, *, pushed: bool) -> Answer:
        """Give the arrays of the last call where they fit; without passive forces one less."""
        kept = self._answer
        fits = kept is not None and kept.unmet.shape == (frames, rows)
        if kept is not None and fits and (kept.force is kept.active_force) != pushed:
            return kept
        room = self.room(frames, rows)
        return room if pushed else replace(room, force=room.active_force)

    def _own_size(self, out: Answer, frames: int, rows: int, *, pushed: bool) -> Answer:
        """Refuse arrays that the kernel cannot write its answers to."""
        if not isinstance(out, Answer):
            given = type(out).__name__
            raise TypeError(f"out: must be an Answer from Solver.room; got {given}; make one")
        like = self._like
        if like is None or like.unmet.shape[1] != rows:
            like = self._like = self.room(0, rows)
        for item in ("exponent", "head_names", "row_names"):
            wanted, found = getattr(like, item), getattr(out, item)
            if found != wanted and (wanted or item == "exponent"):
                advice = "make it with room of this solver"
                raise ShapeError("out", f"an answer with {item} {wanted}", f"{found}", advice)
        kinds = answer_arrays(like)
        for name, array in answer_arrays(out).items():
            kind = kinds[name]
            whole = array.flags.c_contiguous and array.flags.writeable
            shape = (frames, *kind.shape[1:])
            if array.shape != shape or array.dtype != kind.dtype or not whole:
                asked = f"an answer of room({frames}, {rows}), whose {name} has shape {shape}"
                got = f"shape {array.shape}" if whole else "an array with gaps, or read-only"
                advice = f"make it with room({frames}, {rows}), or leave it out"
                raise ShapeError("out", asked, got, advice)
        if pushed and out.force is out.active_force:
            raise ShapeError(
                "out", "made by room", "one of a call without passive forces",
                f"make it with room({frames}, {rows}), or leave it out",
            )  # fmt: skip
        return out

    def solve(
        self,
        moment_arms: ArrayLike,
        active_capacity: ArrayLike,
        joint_moments: ArrayLike,
        *,
        passive_force: ArrayLike | None = None,
        inequalities: Cone | tuple[ArrayLike, ArrayLike] | None = None,
        start: ArrayLike | None = None,
        out: Answer | None = None,
        threads: int | None = None,
        chain: bool = True,
    ) -> Answer:
        """Share the moments of a batch of frames.

        Parameters
        ----------
        moment_arms : array_like, shape ((frames,) rows, heads)
            [m].
        active_capacity, passive_force : array_like, shape ((frames,) heads)
            [N].
        joint_moments : array_like, shape (frames, rows)
            [N·m]. Of a DataFrame the answer keeps the index, and the names of its columns where
            the solver was given no ``row_names``; likewise of capacities.
        inequalities : Cone, or pair (G, h), optional
            Takes the place of the solver's own in this call; shapes ((frames,) facets, heads) and
            ((frames,) facets), with as many facets.
        start : array_like, shape ((frames,) rows), optional
            Multipliers to begin from, e.g. those of a similar batch.
        out : Answer, optional
            Where to write, as :meth:`room` makes it for the same ``frames`` and ``rows``; by
            default the arrays of the last call of the same size. A part of a larger answer will
            do where its arrays are contiguous, such as ``answer[:100]``, and with passive forces
            only one whose ``force`` is an array of its own. Input that lies in its arrays is copied
            first.
        threads : int, optional
            Maximum number of threads; by default one per available core.
        chain : bool
            Start each frame from the previous one.

        Returns
        -------
        Answer
            ``out``, or arrays that the next call overwrites; ``force`` is then ``active_force``
            itself where no passive force is given.

        Raises
        ------
        ShapeError, TypeError
            Naming the argument, and with ``on_invalid="raise"`` frame and value; what the arrays
            of the answer hold is then of no use.
        """
        require_threads(threads)
        named, listed, index = read_labels(active_capacity, joint_moments)
        moments = numbers("joint_moments", joint_moments)
        if moments.ndim != 2 or moments.shape[1] == 0:
            raise ShapeError(
                "joint_moments", "shape (frames, rows)", f"shape {moments.shape}",
                "give one line for each frame; step takes one frame alone",
            )  # fmt: skip
        frames, rows = moments.shape
        pushed = passive_force is not None
        if out is None:
            answer = self._answer = self._own_room(frames, rows, pushed=pushed)
        else:
            answer = self._own_size(out, frames, rows, pushed=pushed)
        problem = self._problem(
            moment_arms, active_capacity, moments, passive_force, inequalities, start
        )
        heads = require_names("head_names", self.head_names or named, self._heads)
        lines = require_names("row_names", self.row_names or listed, rows)
        self._fill(answer, apart(problem, answer), threads, chain=chain)
        index = frames_index(index, problem.batch)
        tell(answer, head_names=heads, row_names=lines, frame_index=index)
        return answer

    def step(
        self,
        moment_arms: ArrayLike,
        active_capacity: ArrayLike,
        joint_moments: ArrayLike,
        *,
        passive_force: ArrayLike | None = None,
        inequalities: Cone | tuple[ArrayLike, ArrayLike] | None = None,
        start: ArrayLike | None = None,
    ) -> Answer:
        """Share the moments of one frame, beginning where the last one ended.

        Labels of pandas are not read, and one frame takes one thread.

        Parameters
        ----------
        moment_arms : array_like, shape (rows, heads)
        active_capacity, passive_force : array_like, shape (heads,)
        joint_moments : array_like, shape (rows,)
        inequalities : Cone, or pair (G, h) of shapes (facets, heads) and (facets,), optional
            Takes the place of the solver's own in this call.
        start : array_like, shape (rows,), optional
            Multipliers to begin from in place of those of the last frame; zeros make the answer
            independent of the frames before.

        Returns
        -------
        Answer
            Without a frame axis; overwritten by the next step.

        Raises
        ------
        ShapeError
            Naming the argument, and with ``on_invalid="raise"`` the value.
        """
        stream = self._stream
        if stream is None or np.shape(joint_moments) != stream.moments.shape:
            stream = self._stream = self._open(numbers("joint_moments", joint_moments))
        put_values("moment_arms", stream.arms, moment_arms)
        put_values("active_capacity", stream.capacity, active_capacity)
        put_values("joint_moments", stream.moments, joint_moments)
        if passive_force is None:
            if stream.pushed:
                stream.passive[...] = 0.0
                stream.pushed = False
        else:
            put_values("passive_force", stream.passive, passive_force)
            stream.pushed = True
        if inequalities is not None:
            G, h = as_pair(inequalities)
            put_values("inequalities", stream.limits, G)
            put_values("inequalities (level)", stream.levels, h)
            stream.turned = True
        elif stream.turned:
            stream.limits[...], stream.levels[...] = self._kind.limits[0], self._kind.levels[0]
            stream.turned = False
        problem, usable = stream.problem, True
        if start is not None:
            put_values("start", stream.start[0], start)
            problem = replace(problem, start=stream.start.copy())
            usable = bool(np.isfinite(stream.start).all())
        answer = stream.answer
        if usable and stream.run() <= Status.SHORTFALL:
            if stream.left:
                tell(answer, method=self._route())
                stream.left = False
            return answer
        stream.left = True
        try:
            tell(answer, method=self._fill(stream.whole, problem, 1, chain=False))
        except ShapeError:
            stream.start[...] = 0.0
            raise
        if stream.status.item() > Status.SHORTFALL:
            # Nothing to start the next frame from; and a solver's NaN must not persist.
            answer.multipliers[...] = np.nan_to_num(answer.multipliers, nan=0.0)
            stream.start[...] = 0.0
        return answer

    def _problem(
        self,
        arms: ArrayLike,
        capacity: ArrayLike,
        moments: FloatArray,
        passive: ArrayLike | None,
        inequalities: Cone | tuple[ArrayLike, ArrayLike] | None,
        start: ArrayLike | None = None,
    ) -> Problem:
        """Combine the arrays of a call with what stays the same."""
        frames, rows = moments.shape
        kind, heads = self._kind, self._heads
        if kind.free and kind.rows != rows:
            raise ShapeError(
                "joint_moments",
                f"shape (frames, {kind.rows}), as many rows as free_columns",
                f"shape {moments.shape}",
                "give one moment for each row of free_columns, or make another Solver",
            )
        if inequalities is not None:
            kind = laid_limits(kind, inequalities, heads, frames)
        return replace(
            kind,
            arms=laid("moment_arms", arms, (rows, heads), frames),
            capacity=laid("active_capacity", capacity, (heads,), frames),
            moments=laid("joint_moments", moments, (rows,), frames),
            passive=kind.passive
            if passive is None
            else laid("passive_force", passive, (heads,), frames),
            columns=kind.columns if kind.free else np.zeros((1, rows, 0)),
            start=None if start is None else laid("start", start, (rows,), frames),
            frames=frames,
            batch=(frames,),
            invalid=np.zeros(frames, dtype=np.bool_),
        )

    def _open(self, moments: FloatArray) -> Stream:
        """Lay out the buffers of a stream whose frames have such moments."""
        rows = moments.size
        kind = self._kind
        if moments.ndim != 1 or rows == 0 or (kind.free and kind.rows != rows):
            wanted = f"({kind.rows},), as many as free_columns has" if kind.free else "(rows,)"
            raise ShapeError(
                "joint_moments", f"shape {wanted}", f"shape {moments.shape}",
                "give the moments of one frame; solve takes a batch of frames",
            )  # fmt: skip
        whole = self.room(1, rows)
        heads = self._heads
        problem = self._problem(
            np.zeros((1, rows, heads)), np.zeros((1, heads)), np.zeros((1, rows)),
            np.zeros((1, heads)),
            (kind.limits.copy(), kind.levels.copy()),
        )  # fmt: skip
        compiled = self._route() == "compiled" and is_available()
        return open_stream(problem, whole, compiled=compiled)

    def _fill(self, answer: Answer, problem: Problem, threads: int | None, *, chain: bool) -> str:
        """Solve a problem as ``share`` does, in the arrays of an answer; name the route taken."""
        problem, _, route = solve_checked(
            problem, self._route(), threads, chain=chain, raising=self._raising,
            room=as_raw(answer),
        )  # fmt: skip
        if problem.invalid.any():
            answer.status[problem.invalid] = Status.INVALID
            for array in answer_arrays(answer).values():
                if array.dtype == np.float64:
                    array[problem.invalid] = math.nan
        tell(answer, method=route)
        return route


def _count(heads: int | None, head_names: Sequence[str]) -> int:
    """Give the number of heads, or of their names where none is given."""
    if heads is None and not isinstance(head_names, str):
        heads = len(head_names)
    if isinstance(heads, (int, np.integer)) and not isinstance(heads, bool) and heads > 0:
        return int(heads)
    raise ShapeError(
        "heads", "a whole number of at least one", repr(heads),
        "give how many heads there are, or their names as head_names",
    )  # fmt: skip

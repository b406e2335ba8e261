"""A solver prepared once for many calls: streams of frames, or batches of one size."""

from __future__ import annotations

import math
from dataclasses import fields, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare._kernels import is_available, require_threads
from momentshare.arrays import numbers
from momentshare.errors import ShapeError
from momentshare.sharing._answer import Answer
from momentshare.sharing._backends.compiled import run_kernel
from momentshare.sharing._force_cone import Cone
from momentshare.sharing._problem import Problem, build_problem
from momentshare.sharing._result import (
    FloatArray,
    Status,
    put,
)
from momentshare.sharing._share import solve
from momentshare.sharing._stream import (
    Stream,
    apart,
    as_raw,
    laid,
    open_stream,
    put_values,
    unusable,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike


class Solver:
    """Share joint moments for many frames of one kind, checked and laid out once.

    The problem and its answers are those of :func:`~momentshare.sharing.share`. What stays
    the same from call to call is given here; :meth:`solve` takes batches, :meth:`step` one frame
    after the other. The arrays of the answer are allocated at the first call of a size and
    overwritten by the next; numbers that cannot be used (not finite, a negative capacity) mark
    their frame ``invalid``. A solver owns its buffers, so each thread needs its own solver.

    Parameters
    ----------
    heads : int or sequence of str
        Number of heads, or their names.
    exponent : float
        p > 1; ``math.inf`` minimises the greatest w a (:meth:`solve` then allocates in each call).
    weights : array_like, shape (heads,), optional
        w > 0; one where not given.
    free_columns : array_like, shape (rows, k), optional
        C: moment of each row per unit of each free value.
    limits : Cone, or pair (G, h) of shapes (facets, heads) and (facets,), optional
        Limits G F ≤ h on the total force of the heads [N]; calls may supply others of the same
        shape, such as the cone of another posture.

    Raises
    ------
    ShapeError
        Wrong shapes or values, naming the argument.

    Examples
    --------
    >>> import numpy as np
    >>> from momentshare.sharing import Solver
    >>> solver = Solver(heads=["long", "short"])
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
        heads: int | Sequence[str],
        exponent: float = 2.0,
        weights: ArrayLike | None = None,
        free_columns: ArrayLike | None = None,
        limits: Cone | tuple[ArrayLike, ArrayLike] | None = None,
    ) -> None:
        try:
            count = heads if isinstance(heads, (int, np.integer)) else len(heads)
        except TypeError:
            count = 0
        if isinstance(heads, (bool, str)) or count < 1:
            raise ShapeError("heads", "a whole number of at least one, or names", repr(heads))
        self.head_names: tuple[str, ...] = (
            () if isinstance(heads, (int, np.integer)) else tuple(heads)
        )
        self._heads = int(count)
        self._columns = None if free_columns is None else numbers("free_columns", free_columns)
        rows = 1 if self._columns is None else self._columns.shape[0]
        if isinstance(limits, Cone):
            limits = limits.inequalities()
        try:
            # The checks of `share`, once, on everything that stays the same.
            self._kind = build_problem(
                np.zeros((rows, self._heads)), np.zeros(self._heads), np.zeros(rows),
                exponent=exponent, weights=weights, free_columns=self._columns,
                inequalities=limits,
            )  # fmt: skip
        except ShapeError as error:
            argument = error.argument.replace("inequalities", "limits")
            raise ShapeError(argument, error.wanted, error.got) from error
        if self._kind.batch:
            raise ShapeError("weights", "without a frame axis", f"{self._kind.batch}")
        self._answer: Answer | None = None
        self._stream: Stream | None = None

    def __repr__(self) -> str:
        kind = self._kind
        return (
            f"Solver(heads={self._heads}, exponent={kind.exponent:g}, free values={kind.free}, "
            f"limits={kind.facets})"
        )

    def __getstate__(self) -> dict[str, Any]:
        # Buffers belong to one solver: a copy of views would no longer be the kernel's arrays.
        return vars(self) | {"_answer": None, "_stream": None}

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
            certificate=np.zeros((frames, 4)),
        )

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
        like = self.room(0, rows)
        for item in fields(out):
            array, kind = getattr(out, item.name), getattr(like, item.name)
            whole = array.flags.c_contiguous and array.flags.writeable
            wanted = (frames, *kind.shape[1:])
            if array.shape != wanted or array.dtype != kind.dtype or not whole:
                asked = f"an answer of room({frames}, {rows}), whose {item.name} has shape {wanted}"
                raise ShapeError("out", asked, f"shape {array.shape}" if whole else "a view")
        if pushed and out.force is out.active_force:
            raise ShapeError("out", "made by room", "one of a call without passive forces")
        return out

    def solve(
        self,
        arms: ArrayLike,
        capacity: ArrayLike,
        moments: ArrayLike,
        *,
        passive_force: ArrayLike | None = None,
        limits: tuple[ArrayLike, ArrayLike] | None = None,
        out: Answer | None = None,
        threads: int = 1,
        chain: bool = True,
    ) -> Answer:
        """Share the moments of a batch of frames.

        Parameters
        ----------
        arms : array_like, shape ((frames,) rows, heads)
            [m].
        capacity, passive_force : array_like, shape ((frames,) heads)
            [N].
        moments : array_like, shape (frames, rows)
            [N·m].
        limits : pair (G, h), shapes ((frames,) facets, heads) and ((frames,) facets), optional
            Replaces the solver's own; same number of facets.
        out : Answer, optional
            Where to write, as :meth:`room` makes it for the same ``frames`` and ``rows``; by
            default the arrays of the last call of the same size. A part of a larger answer will
            do where its arrays are contiguous (``Answer.frame`` takes an axis away, so that
            none of its answers will), and with passive forces only one whose ``force`` is an
            array of its own. Input that lies in its arrays is copied first.
        threads : int
            Maximum number of threads.
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
            Naming the argument.
        """
        require_threads(threads)
        wanted = numbers("moments", moments)
        if wanted.ndim != 2 or wanted.shape[1] == 0:
            raise ShapeError("moments", "shape (frames, rows)", f"shape {wanted.shape}")
        frames, rows = wanted.shape
        if out is None:
            answer = self._answer = self._own_room(frames, rows, pushed=passive_force is not None)
        else:
            answer = self._own_size(out, frames, rows, pushed=passive_force is not None)
        problem = apart(self._problem(arms, capacity, wanted, passive_force, limits), answer)
        if is_available() and math.isfinite(problem.exponent):
            run_kernel(problem, as_raw(answer), threads, chain=chain)
        else:
            answer.status[:] = Status.UNCERTIFIED
        self._finish(problem, answer)
        return answer

    def step(
        self,
        arms: ArrayLike,
        capacity: ArrayLike,
        moments: ArrayLike,
        *,
        passive_force: ArrayLike | None = None,
        limits: tuple[ArrayLike, ArrayLike] | None = None,
    ) -> Answer:
        """Share the moments of one frame, beginning where the last one ended.

        Parameters
        ----------
        arms : array_like, shape (rows, heads)
        capacity, passive_force : array_like, shape (heads,)
        moments : array_like, shape (rows,)
        limits : pair (G, h), shapes (facets, heads) and (facets,), optional

        Returns
        -------
        Answer
            Without a frame axis; overwritten by the next step.
        """
        stream = self._stream
        if stream is None or np.shape(moments) != stream.moments.shape:
            stream = self._stream = self._open(np.size(numbers("moments", moments)))
        put_values("arms", stream.arms, arms)
        put_values("capacity", stream.capacity, capacity)
        put_values("moments", stream.moments, moments)
        if passive_force is None:
            if stream.pushed:
                stream.passive[...] = 0.0
                stream.pushed = False
        else:
            put_values("passive_force", stream.passive, passive_force)
            stream.pushed = True
        if limits is not None:
            put_values("limits", stream.limits, limits[0])
            put_values("limits (level)", stream.levels, limits[1])
        answer = stream.answer
        if stream.run() <= Status.SHORTFALL:
            return answer
        stream.status[...] = Status.UNCERTIFIED
        self._finish(stream.problem, stream.whole)
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
        limits: tuple[ArrayLike, ArrayLike] | None,
    ) -> Problem:
        """Combine the arrays of a call with what stays the same."""
        frames, rows = moments.shape
        kind, heads = self._kind, self._heads
        if kind.free and kind.rows != rows:
            raise ShapeError(
                "moments",
                f"shape (frames, {kind.rows}), as many rows as free_columns",
                f"shape {moments.shape}",
            )
        facets = kind.facets
        G, h = (kind.limits, kind.levels) if limits is None else limits
        return replace(
            kind,
            arms=laid("arms", arms, (rows, heads), frames),
            capacity=laid("capacity", capacity, (heads,), frames),
            moments=laid("moments", moments, (rows,), frames),
            passive=kind.passive
            if passive is None
            else laid("passive_force", passive, (heads,), frames),
            columns=kind.columns if kind.free else np.zeros((1, rows, 0)),
            coefficients=laid("limits", G, (facets, heads), frames),
            cone=None,
            levels=laid("limits (level)", h, (facets,), frames),
            frames=frames,
            batch=(frames,),
            invalid=np.zeros(frames, dtype=np.bool_),
        )

    def _open(self, rows: int) -> Stream:
        """Lay out the buffers of a stream."""
        whole = self.room(1, rows)
        heads = self._heads
        problem = self._problem(
            np.zeros((1, rows, heads)), np.zeros((1, heads)), np.zeros((1, rows)),
            np.zeros((1, heads)),
            (self._kind.limits.copy(), self._kind.levels.copy()),
        )  # fmt: skip
        return open_stream(problem, whole)

    def _finish(self, problem: Problem, answer: Answer) -> None:
        """Solve what the kernel left open, mark what cannot be used."""
        if (left := np.flatnonzero(answer.status == Status.UNCERTIFIED)).size:
            # An array with one frame for all belongs to every frame of a part as well.
            part = problem.take(left) if problem.frames > 1 else problem
            bad = unusable(part)
            good = np.flatnonzero(~bad)
            if good.size:
                some = part.take(good) if part.frames > 1 else part
                raw, _ = solve(some, "numpy" if not is_available() else "compiled", 1, chain=False)
                put(as_raw(answer), left[good], raw)
            answer.status[left[bad]] = Status.INVALID
            for item in fields(answer):
                array = getattr(answer, item.name)
                if array.dtype == np.float64:
                    array[left[bad]] = math.nan

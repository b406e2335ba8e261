"""Compiled versions of hot loops: arrays in, arrays out, run over chunks of frames.

The module ``paths`` needs numba and is imported by the function that calls it; everything
else here works without it. Each loop has a twin in NumPy, to which the tests compare it.
"""

from __future__ import annotations

import os
from collections import deque
from functools import cache
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from momentshare._kernels.compiling import has_numba
from momentshare.errors import MissingExtraError, ShapeError

if TYPE_CHECKING:
    from collections.abc import Callable
    from concurrent.futures import ThreadPoolExecutor

__all__ = [
    "choose_route",
    "cores",
    "in_chunks",
    "is_available",
]

MOST_THREADS = 64
"""Threads that are kept for work at most."""

CHUNKS_PER_THREAD = 8
"""Chunks into which the work of a thread is cut, so that none waits long for the slowest."""


def is_available() -> bool:
    """Whether kernels can be compiled here."""
    return has_numba()


def cores() -> int:
    """Cores this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def choose_route(method: str, purpose: str) -> bool:
    """Whether the compiled route is used.

    ``auto`` takes it wherever numba is installed, however few the frames, so that the same call
    gives the same digits whenever it runs.

    Raises
    ------
    ShapeError
        If the method is not ``auto``, ``compiled`` or ``numpy``.
    MissingExtraError
        If ``compiled`` is asked for and numba is not installed.
    """
    known = ("auto", "compiled", "numpy")
    if method not in known:
        text = " or ".join(repr(name) for name in known)
        raise ShapeError("method", text, repr(method), "give one of these words")
    if method == "compiled" and not is_available():
        raise MissingExtraError("numba", "fast", purpose)
    return method != "numpy" and is_available()


def require_threads(threads: int | None) -> None:
    """Refuse what is no number of threads.

    Raises
    ------
    ShapeError
        Naming the argument.
    """
    whole = isinstance(threads, (int, np.integer)) and not isinstance(threads, bool)
    if threads is not None and (not whole or threads < 1):
        raise ShapeError(
            "threads", "a whole number of at least one, or None", repr(threads),
            "None takes one per available core",
        )  # fmt: skip


def in_chunks(
    run: Callable[[int, int], None], count: int, threads: int | None, *, least: int
) -> None:
    """Call ``run(first, last)`` on chunks of 0 … count, in parallel threads.

    A kernel releases the interpreter lock and treats every frame by itself, so the answer
    does not depend on the number of threads. Chunks begin at multiples of ``least``. Each thread
    has a stretch of neighbouring chunks, so that threads write to memory far from each other, which
    costs fewer page faults than neighbouring chunks do. A thread that is through takes the last
    chunk of whoever has most left.

    Parameters
    ----------
    run : callable
    count : int
    threads : int, optional
        Maximum number of threads; by default one per available core.
    least : int
        Minimum number of frames per chunk.
    """
    require_threads(threads)
    workers = min(threads or cores(), max(1, count // least), MOST_THREADS)
    if workers == 1:
        run(0, count)
        return
    size = least * max(1, count // (least * workers * CHUNKS_PER_THREAD))
    edges = [*range(0, count - least + 1, size), count]
    spans = list(pairwise(edges))
    bounds = [len(spans) * k // workers for k in range(workers + 1)]
    stretches = [deque(spans[begin:end]) for begin, end in pairwise(bounds)]

    def work(own: deque[tuple[int, int]]) -> None:
        while True:
            try:
                span = own.popleft()
            except IndexError:
                fullest = max(stretches, key=len)
                if not fullest:
                    return
                try:
                    span = fullest.pop()
                except IndexError:  # its owner was quicker
                    continue
            run(*span)

    from concurrent.futures import wait

    helping = [_threads().submit(work, stretch) for stretch in stretches[1:]]
    try:
        work(stretches[0])
    finally:
        for stretch in stretches:
            stretch.clear()
        wait(helper for helper in helping if not helper.cancel())
    for helper in helping:
        if not helper.cancelled():
            helper.result()


@cache
def _threads() -> ThreadPoolExecutor:
    """Threads that wait for work; starting them takes as long as some thousand frames."""
    from concurrent.futures import ThreadPoolExecutor

    return ThreadPoolExecutor(MOST_THREADS, thread_name_prefix="momentshare")


if hasattr(os, "register_at_fork"):
    # The threads stay with the parent.
    os.register_at_fork(after_in_child=_threads.cache_clear)

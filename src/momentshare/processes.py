"""Work in several processes that end with the one that started them.

Every worker holds the end of a pipe whose other end only the parent has. When the parent ends,
whatever way, or closes it because the user broke off, the workers see it and end at once with all
that they started. Workers never see an interrupt from the keyboard: the parent decides.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import tempfile
import threading
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager, suppress
from itertools import islice
from typing import TYPE_CHECKING, Any, TypeVar

if TYPE_CHECKING:
    from collections.abc import Callable, Generator, Iterable, Iterator
    from multiprocessing.connection import Connection

__all__ = ["on_processes"]

IN_FLIGHT = 2
"""Tasks handed out for each process at a time, so that neither tasks nor answers pile up."""

ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
"""What keeps the libraries for linear algebra from one thread a core in every process."""

Answer = TypeVar("Answer")


def on_processes(
    work: Callable[..., Answer], tasks: Iterable[tuple[int, tuple[Any, ...]]], processes: int
) -> Generator[tuple[int, Answer | None]]:
    """Yield the key and the answer of each task as it is done.

    Parameters
    ----------
    work : callable
        A function of a module; called with the values of a task.
    tasks : iterable
        Key and arguments of each; read as processes become free.
    processes : int
        How many at once.

    Yields
    ------
    key : int
    answer : object or None
        ``None`` when a process died. Closing the generator early ends every process at once.
    """
    context = multiprocessing.get_context("spawn")
    theirs, ours = context.Pipe(duplex=False)
    with tempfile.TemporaryDirectory(prefix="momentshare-", ignore_cleanup_errors=True) as scratch:
        pool = ProcessPoolExecutor(
            processes, mp_context=context, initializer=_begin, initargs=(theirs, scratch)
        )
        done = False
        left = iter(tasks)
        waiting: dict[Future[Answer], int] = {}

        def hand_out(count: int) -> None:
            with _start():
                for key, values in islice(left, count):
                    waiting[_submit(pool, work, values)] = key

        try:
            hand_out(IN_FLIGHT * processes)
            while waiting:
                ready, _ = wait(waiting, return_when=FIRST_COMPLETED)
                for future in ready:
                    key, answer = waiting.pop(future), None
                    with suppress(BrokenProcessPool):
                        answer = future.result()
                    hand_out(1)
                    yield key, answer
            done = True
        finally:
            if not done:
                ours.close()
            pool.shutdown(wait=True, cancel_futures=True)
            ours.close()
            theirs.close()


def _submit(
    pool: ProcessPoolExecutor, work: Callable[..., Answer], values: tuple[Any, ...]
) -> Future[Answer]:
    """Hand a task to the pool; where the pool has broken, a task that has failed likewise."""
    try:
        return pool.submit(work, *values)
    except BrokenProcessPool as err:
        lost: Future[Answer] = Future()
        lost.set_exception(err)
        return lost


@contextmanager
def _start() -> Iterator[None]:
    """Let processes that start here inherit one thread each and no interrupt.

    What the user has set stays.
    """
    added = [name for name in ONE_THREAD if name not in os.environ]
    os.environ.update(dict.fromkeys(added, "1"))
    masks = hasattr(signal, "pthread_sigmask")
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT}) if masks else set()
    try:
        yield
    finally:
        for name in added:
            os.environ.pop(name, None)
        if masks:
            signal.pthread_sigmask(signal.SIG_SETMASK, before)  # a waiting interrupt comes here


def _begin(lifeline: Connection, scratch: str) -> None:
    """Prepare a worker: a process group of its own, a folder that the parent removes, a watch."""
    if hasattr(os, "setpgid"):
        os.setpgid(0, 0)
    tempfile.tempdir = scratch
    threading.Thread(target=_watch, args=(lifeline,), daemon=True).start()


def _watch(lifeline: Connection) -> None:
    with suppress(EOFError, OSError):
        lifeline.recv_bytes()  # nothing is ever sent: it returns when the other end is gone
    if hasattr(os, "killpg") and os.getpgrp() == os.getpid():
        os.killpg(os.getpid(), signal.SIGKILL)
    os._exit(1)

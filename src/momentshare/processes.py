"""Work in several processes that end with the one that started them, or on a Dask cluster.

A child is a Python of its own that takes the modules of this one and nothing of the current
folder: a file ``random.py`` beside the data is never run. It shares nothing with the program that
started it, so a script needs no guard. It reads tasks from its standard input and ends, with all
that it started, when that input ends: when the parent ends, however that happens, or when the user
interrupts. It never sees an interrupt from the keyboard: the parent decides.
"""

from __future__ import annotations

import os
import pickle
import queue
import signal
import struct
import subprocess
import sys
import sysconfig
import threading
import traceback
from contextlib import closing, suppress
from itertools import islice
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, TypeVar

from momentshare.errors import InputError, ProcessError
from momentshare.temporary import is_here, temporary_folder

if TYPE_CHECKING:
    from collections.abc import Callable, Generator, Iterable, Sequence

__all__ = [
    "Keeper",
    "answer_in",
    "child_command",
    "child_environment",
    "collect_answers",
    "on_cluster",
    "on_processes",
]

IN_FLIGHT = 2
"""Tasks assigned to each process at a time, so that neither tasks nor answers pile up."""

ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
"""Settings that keep linear algebra libraries from using one thread per core in every process."""

KEPT_MEMORY = {"MALLOC_MMAP_THRESHOLD_": "33554432", "MALLOC_TRIM_THRESHOLD_": "268435456"}
"""Settings with which the C library of Linux keeps large arrays that are dropped for the next ones.
Given back to the system, as they are by default, they cost a tenth of a chunk of draws to get
again. Elsewhere they mean nothing."""

Key = TypeVar("Key")
Answer = TypeVar("Answer")

_BEGIN = """
import sys
from importlib.machinery import PathFinder
from importlib.util import module_from_spec
sys.path[:] = {paths}
spec = PathFinder.find_spec("momentshare", {home})
sys.modules["momentshare"] = module_from_spec(spec)
spec.loader.exec_module(sys.modules["momentshare"])
"""
"""How a child finds modules where its parent does, and this library in the very same place."""

_LENGTH = struct.Struct("<Q")


def child_command() -> list[str]:
    """Command line of a Python that serves work; see :func:`serve`.

    Raises
    ------
    ProcessError
        When the path of this Python is not known.
    """
    if not sys.executable:
        raise ProcessError("the place of the Python interpreter is not known; run in a plain one")
    home = str(Path(__file__).resolve().parents[1])
    code = _BEGIN.format(paths=ascii(_module_path()), home=ascii([home]))
    code += "from momentshare.processes import serve; serve()"
    flags = ["-I"] if sys.flags.isolated else ["-P"]
    return [sys.executable, *flags, "-c", code]


def child_environment(scratch: str) -> dict[str, str]:
    """Environment of a child: one thread each, ``scratch`` for what is temporary.

    The user's settings for threads and memory stay; what would lead to the current folder is
    removed.
    """
    found = {**dict.fromkeys(ONE_THREAD, "1"), **KEPT_MEMORY, **os.environ}
    found.update(dict.fromkeys(("TMPDIR", "TEMP", "TMP"), scratch), PYTHONSAFEPATH="1")
    paths = [p for p in found.pop("PYTHONPATH", "").split(os.pathsep) if not is_here(p)]
    if paths:
        found["PYTHONPATH"] = os.pathsep.join(paths)
    return found


def _module_path() -> list[str]:
    """Where this program finds modules, without the current folder."""
    installed = {os.path.realpath(p) for p in sysconfig.get_paths().values()}
    return [p for p in sys.path if not is_here(p) or os.path.realpath(p) in installed]


def collect_answers(
    work: Callable[..., Answer],
    tasks: Sequence[tuple[Key, tuple[Any, ...]]],
    workers: int | None = None,
    *,
    scheduler: str | None = None,
) -> Generator[tuple[Key, Answer | None]]:
    """Yield the key and the answer of each task as it is done, wherever that is.

    Parameters
    ----------
    work, tasks
        As for :func:`on_processes`.
    workers : int, optional
        Processes; by default one per core, and never more than tasks. One works in this process.
    scheduler : str, optional
        Address of a Dask scheduler, whose workers take the place of processes.
    """
    processes = min(workers or os.cpu_count() or 1, len(tasks))
    if scheduler is not None and tasks:
        answers: Generator[tuple[Key, Answer | None]] = on_cluster(work, tasks, scheduler)
    elif processes <= 1:
        answers = ((key, work(*values)) for key, values in tasks)
    else:
        answers = on_processes(work, tasks, processes)
    with closing(answers):
        yield from answers


def on_processes(
    work: Callable[..., Answer],
    tasks: Iterable[tuple[Key, tuple[Any, ...]]],
    processes: int,
) -> Generator[tuple[Key, Answer | None]]:
    """Yield the key and the answer of each task as it is done.

    Parameters
    ----------
    work : callable
        A function of an installed module; called with the values of a task.
    tasks : iterable
        Key and arguments of each; read as processes become free.
    processes : int
        How many at once.

    Yields
    ------
    key : object
    answer : object or None
        ``None`` when the process that worked on it died; another one takes its place. Closing the
        generator early ends every process at once.

    Raises
    ------
    ProcessError
        When a process cannot start.
    Exception
        Whatever ``work`` raises.
    """
    with temporary_folder() as own:
        staff = [Keeper(str(own)) for _ in range(processes)]
        answers: queue.SimpleQueue[tuple[Any, bytes | Exception]] = queue.SimpleQueue()
        todo: queue.SimpleQueue[tuple[Any, bytes] | None] = queue.SimpleQueue()
        threads = [
            threading.Thread(target=keeper.run, args=(todo, answers), daemon=True)
            for keeper in staff
        ]
        left = iter(tasks)

        def hand_out(count: int) -> int:
            given = 0
            for key, values in islice(left, count):
                todo.put((key, pickle.dumps((work, values))))
                given += 1
            return given

        try:
            waiting = hand_out(IN_FLIGHT * processes)
            for thread in threads:
                thread.start()
            while waiting:
                try:
                    key, frame = answers.get(timeout=1.0)  # so that an interrupt is seen anywhere
                except queue.Empty:
                    continue
                waiting += hand_out(1) - 1
                yield key, answer_in(frame)
        finally:
            for keeper in staff:
                keeper.end()
            for _ in threads:
                todo.put(None)
            for thread in threads:
                if thread.ident is not None:
                    thread.join()


def on_cluster(
    work: Callable[..., Answer],
    tasks: Iterable[tuple[Key, tuple[Any, ...]]],
    address: str,
) -> Generator[tuple[Key, Answer]]:
    """Yield the key and the answer of each task as it is done.

    The scheduler gives the tasks of a lost worker to another. A few tasks for each thread of the
    cluster are handed out at a time, so that neither tasks nor answers pile up.

    Parameters
    ----------
    work : callable
        A function of an installed module; called with the values of a task.
    tasks : iterable
        Key and arguments of each; read as workers become free.
    address : str
        Address of the scheduler, such as ``tcp://host:8786``.

    Raises
    ------
    MissingExtraError
        ``distributed`` is not installed.
    InputError
        No scheduler answers there.
    Exception
        Whatever ``work`` raises.
    """
    from distributed import Client, as_completed

    make: Any = Client
    try:
        client = make(address, timeout="15s", set_as_default=False)
    except (OSError, ValueError) as err:
        raise InputError(
            f"--scheduler {address!r}: no scheduler answers there ({err}); check the address"
        ) from err
    left = iter(tasks)
    with client:
        threads = sum(client.nthreads().values()) or 1
        keys: dict[Any, Key] = {}

        def submit(task: tuple[Key, tuple[Any, ...]]) -> Any:
            future = client.submit(work, *task[1], pure=False, retries=3)
            keys[future.key] = task[0]
            return future

        gather: Any = as_completed
        ready = gather([submit(t) for t in islice(left, IN_FLIGHT * threads)], loop=client.loop)
        for future in ready:
            answer: Answer = future.result()
            key = keys.pop(future.key)
            future.release()
            for task in islice(left, 1):
                ready.add(submit(task))
            yield key, answer


def answer_in(frame: bytes | Exception) -> Any:
    """Return what a child answered, ``None`` if it died; an exception of its task is raised."""
    if isinstance(frame, Exception):
        raise frame
    if not frame:
        return None
    done, answer = pickle.loads(frame)  # noqa: S301 - written by our own child
    if not done:
        raise answer
    return answer


class Keeper:
    """Keeps one child at work, and replaces it when it dies."""

    def __init__(self, scratch: str) -> None:
        self.scratch = scratch
        self.child: subprocess.Popen[bytes] | None = None
        self.ended = False
        self.lock = threading.Lock()

    def run(
        self,
        todo: queue.SimpleQueue[tuple[Any, bytes] | None],
        answers: queue.SimpleQueue[tuple[Any, bytes | Exception]],
    ) -> None:
        """Work on tasks until there are none, or until it is ended."""
        while not self.ended and (task := todo.get()) is not None:
            key, values = task
            try:
                answers.put((key, self.ask(values)))
            except Exception as err:  # noqa: BLE001 - told to the thread that waits
                answers.put((key, err))
        self.leave()

    def leave(self) -> None:
        """Let the child end, since nothing more comes."""
        if self.child is not None:
            self._bury(self.child)

    def ask(self, values: bytes) -> bytes:
        """Answer of the child, or nothing if it died on the task."""
        child = self._start() if self.child is None else self.child
        assert child.stdin is not None  # noqa: S101 - pipes were asked for
        assert child.stdout is not None  # noqa: S101
        with suppress(OSError):
            _send(child.stdin, values)
        answer = _receive(child.stdout)
        if answer is None:
            self._bury(child)
        return answer or b""

    def _start(self) -> subprocess.Popen[bytes]:
        own_group: dict[str, Any] = (
            {"process_group": 0}
            if os.name == "posix"
            else {"creationflags": getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0)}
        )
        with self.lock:
            if self.ended:
                raise ProcessError("broken off")
            try:
                child = subprocess.Popen(  # noqa: S603 - our own interpreter and our own words
                    child_command(),
                    env=child_environment(self.scratch),
                    stdin=subprocess.PIPE,
                    stdout=subprocess.PIPE,
                    **own_group,
                )
            except OSError as err:
                raise ProcessError(f"a worker process cannot start ({err.strerror})") from err
            self.child = child
        assert child.stdout is not None  # noqa: S101 - a pipe was asked for
        if _receive(child.stdout) is None:
            code = self._bury(child)
            raise ProcessError(
                f"a worker process ended while starting (exit code {code}); what it wrote stands "
                "above; install momentshare again, or run with one worker"
            )
        return child

    def _bury(self, child: subprocess.Popen[bytes]) -> int:
        """Clean up after a child that has ended; return its exit code."""
        for stream in (child.stdin, child.stdout):
            if stream is not None:
                with suppress(OSError):
                    stream.close()
        try:
            code = child.wait(timeout=5.0)
        except subprocess.TimeoutExpired:
            child.kill()
            code = child.wait()
        with self.lock:
            self.child = None
        return code

    def end(self) -> None:
        """End the child and everything it started, at once."""
        with self.lock:
            self.ended = True
            if self.child is None or self.child.returncode is not None:
                return
            with suppress(OSError):
                if hasattr(os, "killpg"):
                    os.killpg(self.child.pid, signal.SIGKILL)
                else:
                    self.child.kill()


def _send(stream: IO[bytes], frame: bytes) -> None:
    stream.write(_LENGTH.pack(len(frame)))
    stream.write(frame)
    stream.flush()


def _receive(stream: IO[bytes]) -> bytes | None:
    """Next frame, or ``None`` when the other side is gone."""
    try:
        head = stream.read(_LENGTH.size)
        if len(head) < _LENGTH.size:
            return None
        (length,) = _LENGTH.unpack(head)
        frame = stream.read(length)
    except (OSError, ValueError):
        return None
    return frame if len(frame) == length else None


def serve() -> None:
    """Work on what comes in, until nothing more can come; runs in a child."""
    # What a library prints must not mix with the answers, nor may it read the tasks.
    tasks, answers = os.fdopen(os.dup(0), "rb"), os.fdopen(os.dup(1), "wb")
    nothing = os.open(os.devnull, os.O_RDONLY)
    os.dup2(nothing, 0)
    os.dup2(2, 1)
    inbox: queue.SimpleQueue[bytes | None] = queue.SimpleQueue()
    busy = threading.Event()
    threading.Thread(target=_listen, args=(tasks, inbox, busy), daemon=True).start()
    _send(answers, b"ready")
    while (frame := inbox.get()) is not None:
        _send(answers, _worked(frame))
        busy.clear()


def _listen(
    tasks: IO[bytes], inbox: queue.SimpleQueue[bytes | None], busy: threading.Event
) -> None:
    """Pass on tasks; when the parent is gone while one is being worked on, end at once."""
    while (frame := _receive(tasks)) is not None:
        busy.set()
        inbox.put(frame)
    if busy.is_set():
        if hasattr(os, "killpg") and os.getpgrp() == os.getpid():
            os.killpg(os.getpid(), signal.SIGKILL)
        os._exit(1)
    inbox.put(None)


def _worked(frame: bytes) -> bytes:
    """Answer of one task, or the exception it ended with."""
    try:
        work, values = pickle.loads(frame)  # noqa: S301 - written by our own parent
        return pickle.dumps((True, work(*values)))
    except Exception as err:  # noqa: BLE001 - raised again in the parent
        story = traceback.format_exc()
        err.add_note(f"in a worker process:\n{story}")
        try:
            told = pickle.dumps((False, err))
            pickle.loads(told)  # noqa: S301 - some exceptions go in and do not come out
        except Exception:  # noqa: BLE001
            return pickle.dumps((False, RuntimeError(story)))
        return told

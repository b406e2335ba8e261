"""Processes beside this one that share its work, piece by piece, for as long as a command runs.

They load what the work needs while this process is still finding out what there is to do. The
answers depend on what is asked, not on who works it out.
"""

from __future__ import annotations

import pickle
import threading
from collections import deque
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Generic, TypeVar

from momentshare.processes import Keeper, answer_in
from momentshare.temporary import temporary_folder

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence

__all__ = ["Helpers", "Shared", "helping"]

Key = TypeVar("Key")
Answer = TypeVar("Answer")


class Shared(Generic[Key, Answer]):
    """Work that this process and helpers do together, each taking what nobody has begun.

    Parameters
    ----------
    keys : sequence
        What each piece of work is called.
    here : callable
        Does a piece in this process.
    there : callable
        Work of an installed module and its values, for a piece that a helper does.

    Attributes
    ----------
    left : deque
        Keys of what nobody has begun; this process takes the first, others the last.
    done : dict
        Answers by key.
    """

    def __init__(
        self,
        keys: Iterable[Key],
        here: Callable[[Key], Answer],
        there: Callable[[Key], tuple[Callable[..., Answer], tuple[Any, ...]]],
    ) -> None:
        self._keys = tuple(keys)
        self.left = deque(self._keys)
        self.done: dict[Key, Answer] = {}
        self._lost: deque[Key] = deque()  # pieces whose process died; no helper takes them again
        self._here, self._there = here, there
        self._fault: Exception | None = None
        self._pending = 0
        self._change = threading.Condition()

    def finish(
        self,
        progress: Callable[[Key], None] | None = None,
        only: Iterable[Key] | None = None,
    ) -> dict[Key, Answer]:
        """Do what is left and wait for the others; ``progress`` hears of each piece done here.

        Parameters
        ----------
        progress : callable, optional
        only : iterable, optional
            Keys that are wanted; the others are left to whoever is free.

        Returns
        -------
        dict
            Answers in the order of the keys, whoever gave them and when.

        Raises
        ------
        Exception
            Whatever a piece raises, here or there.
        """
        wanted = self._keys if only is None else tuple(only)
        for key in wanted:
            if _claimed(self.left, key):
                self._do(key, progress)
        while (lost := self._waited_for(wanted)) is not None:
            if _claimed(self._lost, lost):
                self._do(lost, progress)
        return {key: self.done[key] for key in wanted}

    def _do(self, key: Key, progress: Callable[[Key], None] | None) -> None:
        if progress is not None:
            progress(key)
        self.done[key] = self._here(key)

    def _waited_for(self, wanted: Iterable[Key]) -> Key | None:
        """Wait for the others; return a piece that one of them lost, None once all are done."""
        with self._change:
            while self._pending and self._fault is None:
                missing = [key for key in wanted if key not in self.done]
                if not missing or any(key in self._lost for key in missing):
                    break
                self._change.wait(timeout=1.0)  # so that an interrupt is seen anywhere
            if self._fault is not None:
                raise self._fault
            return next((key for key in wanted if key in self._lost), None)

    def _begun(self) -> Key | None:
        """Return the last piece that nobody has begun, for a helper."""
        with self._change:
            key = None if self._fault else _taken(self.left.pop)
            self._pending += key is not None
            return key

    def _ended(self, key: Key, frame: bytes | Exception) -> None:
        """Take the answer of a helper; a piece whose process died is done by this one."""
        with self._change:
            self._pending -= 1
            try:
                if isinstance(frame, bytes) and not frame:
                    self._lost.append(key)  # done here, where a fault becomes visible
                else:
                    self.done[key] = answer_in(frame)
            except Exception as err:  # noqa: BLE001 - raised again where the answers are wanted
                self._fault = err
            self._change.notify_all()


def _taken(take: Callable[[], Key]) -> Key | None:
    try:
        return take()
    except IndexError:
        return None


def _claimed(keys: deque[Key], key: Key) -> bool:
    """Whether a piece was there to be taken, and is taken now."""
    try:
        keys.remove(key)
    except ValueError:
        return False
    return True


class Helpers:
    """Processes that do work beside this one, the latest first; see :func:`helping`.

    Parameters
    ----------
    staff : sequence of Keeper
    ready : callable
        What each does first, so that it has loaded what the work needs.
    """

    def __init__(self, staff: Sequence[Keeper], ready: Callable[[], object]) -> None:
        self._staff = staff
        self._ready = pickle.dumps((ready, ()))
        self._work: list[Shared[Any, Any]] = []
        self._over = False
        self._change = threading.Condition()
        self._threads = [
            threading.Thread(target=self._follow, args=(keeper,), daemon=True) for keeper in staff
        ]
        for thread in self._threads:
            thread.start()

    def __bool__(self) -> bool:
        """Whether there are any."""
        return bool(self._staff)

    def join(self, shared: Shared[Any, Any]) -> None:
        """Let them work on something until nothing of it is left, before what came earlier."""
        with self._change:
            self._work.append(shared)
            self._change.notify_all()

    def end(self) -> None:
        """End them, whatever they are at."""
        with self._change:
            self._over = True
            self._change.notify_all()
        for keeper in self._staff:
            keeper.end()
        for thread in self._threads:
            thread.join()

    def _next(self) -> tuple[Shared[Any, Any], Any] | None:
        """Return a piece that nobody has begun, once there is one; None when all is over."""
        with self._change:
            while not self._over:
                while self._work:
                    if (key := self._work[-1]._begun()) is not None:  # noqa: SLF001
                        return self._work[-1], key
                    self._work.pop()
                self._change.wait()
        return None

    def _follow(self, keeper: Keeper) -> None:
        fault: Exception | None = None
        try:
            keeper.ask(self._ready)
        except Exception as err:  # noqa: BLE001 - told where work is wanted
            fault = err
        while (piece := self._next()) is not None:
            shared, key = piece
            try:
                frame: bytes | Exception = fault or keeper.ask(
                    pickle.dumps(shared._there(key))  # noqa: SLF001
                )
            except Exception as err:  # noqa: BLE001 - told where the answers are wanted
                frame = err
            shared._ended(key, frame)  # noqa: SLF001
        keeper.leave()


@contextmanager
def helping(processes: int, ready: Callable[[], object]) -> Iterator[Helpers]:
    """Start processes that load what work needs, before it is known what there is to do.

    Parameters
    ----------
    processes : int
        May be none.
    ready : callable
        A function of an installed module that each calls first.
    """
    with temporary_folder() as own:
        helpers = Helpers([Keeper(str(own)) for _ in range(processes)], ready)
        try:
            yield helpers
        finally:
            helpers.end()

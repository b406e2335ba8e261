"""Work on a Dask cluster instead of in processes on this machine."""

from __future__ import annotations

from itertools import islice
from typing import TYPE_CHECKING, Any, TypeVar

from momentshare.errors import InputError
from momentshare.processes import IN_FLIGHT

if TYPE_CHECKING:
    from collections.abc import Callable, Generator, Iterable

__all__ = ["on_cluster"]

Answer = TypeVar("Answer")


def on_cluster(
    work: Callable[..., Answer],
    tasks: Iterable[tuple[int, tuple[Any, ...]]],
    address: str,
) -> Generator[tuple[int, Answer]]:
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
        keys: dict[Any, int] = {}

        def submit(task: tuple[int, tuple[Any, ...]]) -> Any:
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

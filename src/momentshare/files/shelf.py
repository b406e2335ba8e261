"""Arrays laid aside in a file, and read from there as they are needed.

What a long study has solved is read once or twice more, lift by lift, by its tables and figures.
On a shelf it takes room on the disk in place of memory: objects stay as they are, but their arrays
are views of a file that has no name, so that nothing is left of it however the run ends.
"""

from __future__ import annotations

import io
import mmap
import pickle
import tempfile
from copyreg import dispatch_table
from types import MappingProxyType
from typing import IO, TYPE_CHECKING, Any, TypeVar

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from pathlib import Path

__all__ = ["Shelf", "fetched", "laid_aside"]

_T = TypeVar("_T")

_ALIGNED = 64
"""Arrays begin at multiples of so many bytes."""


class Shelf:
    """Keeps the arrays of objects in files without a name.

    Parameters
    ----------
    folder : str or Path
        On whose disk the files are.
    whole : tuple of type
        Objects of these types stay in memory and are shared as they are.

    Examples
    --------
    >>> import numpy as np
    >>> shelf = Shelf(tempfile.gettempdir())
    >>> kept = shelf.put({"force": np.arange(3.0)})
    >>> kept["force"], kept["force"].flags.writeable
    (array([0., 1., 2.]), False)
    """

    def __init__(self, folder: str | Path, whole: tuple[type, ...] = ()) -> None:
        self._folder = folder
        self._whole = whole
        self._maps: list[mmap.mmap] = []

    def __repr__(self) -> str:
        return f"Shelf({str(self._folder)!r}, bytes={sum(map(len, self._maps))})"

    def __reduce__(self) -> tuple[type[None], tuple[()]]:
        """Stay where it is: what travels to another process takes its arrays along."""
        return type(None), ()

    def put(self, values: _T) -> _T:
        """Return the same objects with their arrays on the shelf, read-only."""
        kept: list[Any] = []
        with tempfile.TemporaryFile(dir=self._folder) as file:
            told, spans = laid_aside(values, file, self._whole, kept)
            file.flush()
            store = _mapped(file, spans)
        if store is not None:
            self._maps.append(store)
        found: _T = _loaded(told, spans, store, kept)
        self.release()
        return found

    def release(self) -> None:
        """Give back the memory of what was read; it is read again where it is needed."""
        if hasattr(mmap, "MADV_DONTNEED"):
            for store in self._maps:
                store.madvise(mmap.MADV_DONTNEED)


def laid_aside(
    values: object, file: IO[bytes], whole: tuple[type, ...] = (), kept: list[Any] | None = None
) -> tuple[bytes, list[tuple[int, int]]]:
    """Write the arrays of objects into a file.

    Parameters
    ----------
    values : object
    file : binary file
    whole : tuple of type
        Objects of these types are left out and added to ``kept``.
    kept : list, optional

    Returns
    -------
    told : bytes
        The rest of the objects, for :func:`fetched`.
    spans : list of (int, int)
        Where each array begins in the file, and its bytes.
    """
    left: list[Any] = [] if kept is None else kept
    places: dict[int, int] = {}
    spans: list[tuple[int, int]] = []

    def aside(buffer: pickle.PickleBuffer) -> None:
        raw = buffer.raw()
        at = -(-file.tell() // _ALIGNED) * _ALIGNED
        file.seek(at)
        file.write(raw)
        spans.append((at, raw.nbytes))

    class Pickler(pickle.Pickler):
        dispatch_table = {**dispatch_table, MappingProxyType: _reduced}  # noqa: RUF012

        def persistent_id(self, obj: Any) -> int | None:
            if not isinstance(obj, whole):
                return None
            if id(obj) not in places:
                places[id(obj)] = len(left)
                left.append(obj)
            return places[id(obj)]

    buffer = io.BytesIO()
    Pickler(buffer, protocol=5, buffer_callback=aside).dump(values)
    return buffer.getvalue(), spans


def fetched(told: bytes, spans: Iterable[tuple[int, int]], file: IO[bytes]) -> Any:
    """Return what was laid aside; its arrays are views of the file, read-only."""
    places = list(spans)
    return _loaded(told, places, _mapped(file, places), [])


def _mapped(file: IO[bytes], spans: list[tuple[int, int]]) -> mmap.mmap | None:
    if not any(size for _, size in spans):
        return None
    return mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ)


def _loaded(
    told: bytes, spans: list[tuple[int, int]], store: mmap.mmap | None, kept: list[Any]
) -> Any:
    class Unpickler(pickle.Unpickler):
        def persistent_load(self, pid: int) -> Any:
            return kept[pid]

    view = memoryview(store if store is not None else b"")
    buffers = [view[at : at + size] for at, size in spans]
    return Unpickler(io.BytesIO(told), buffers=buffers).load()  # written a moment ago by ourselves


def _reduced(mapping: MappingProxyType[Any, Any]) -> tuple[Callable[..., Any], tuple[Any]]:
    return read_only, (dict(mapping),)


def read_only(mapping: dict[Any, Any]) -> MappingProxyType[Any, Any]:
    """Make a mapping read-only again."""
    return MappingProxyType(mapping)

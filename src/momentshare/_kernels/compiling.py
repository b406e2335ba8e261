"""Compile hot loops where numba is installed, and keep what was compiled where one may write.

A compiled function is kept beside its source, else in the user's cache folder, else in a
folder below the system's temporary one that nobody else may write to, else not at all: a
read-only installation costs the time to compile and nothing more. What was kept is used
again only while every file that the function draws on is unchanged.

Without numba the decorators hand the plain function back, which gives the same numbers,
slowly.
"""

from __future__ import annotations

import os
import stat
import time
from contextlib import contextmanager, suppress
from importlib import import_module
from importlib.util import find_spec
from typing import TYPE_CHECKING, Any, ClassVar, TypeVar

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from pathlib import Path

Function = TypeVar("Function", bound="Callable[..., Any]")

OPTIONS: dict[str, Any] = {
    "nogil": True,
    "error_model": "numpy",
    "fastmath": False,
    "_nrt": False,
}
"""Sums are taken as they are written. With freer arithmetic a loop has other last digits in the
process that compiles it than where it is read back (5e-15 in shortfalls), and every process is to
give the same ones; it would save up to a quarter at p = 3."""

PATIENCE = 600.0
"""Seconds for which a process waits for another one that compiles the same function."""

_LOCK_FLAGS = os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_CLOEXEC", 0)


def has_numba() -> bool:
    """Whether loops can be compiled here; ``NUMBA_DISABLE_JIT=1`` asks for plain functions."""
    return os.environ.get("NUMBA_DISABLE_JIT", "0") in {"", "0"} and find_spec("numba") is not None


def inner(function: Function) -> Function:
    """Compile a function that other compiled functions call."""
    if not has_numba():
        return function
    from numba import njit

    made: Function = njit(**OPTIONS)(function)
    return made


def named(function: Function, what: str) -> Function:
    """Tell a function from others of the same source in the names of what is compiled of it.

    Numba tells them apart by a number that counts the functions of a process. Two of one source,
    each compiled in a process of its own and read back together, can have the same one, and the
    first then runs in place of the second.
    """
    function.__qualname__ = f"{function.__qualname__}_{what.replace(' ', '_')}"
    return function


def outermost(
    signature: Any, files: Iterable[str], *, closed_over: str = "", **options: Any
) -> Callable[[Function], Function]:
    """Compile a function for one signature and keep the result for the next process.

    Parameters
    ----------
    signature : numba signature, or None
        None where numba is missing.
    files : iterable of str
        Every source file that the function draws on.
    closed_over : str
        What tells functions of the same source apart. Numba would tell them by what they close
        over, pickled, which differs from process to process where that is compiled itself.
    **options
        Of :func:`numba.njit`, in place of :data:`OPTIONS`.
    """
    if not has_numba():
        return lambda function: function
    from numba import njit

    def wrap(function: Function) -> Function:
        if closed_over:
            function = named(function, closed_over)
        made = njit(**{**OPTIONS, **options})(function)
        keep(made, files, closed_over)
        with _alone(made):
            made.compile(signature)
        made.disable_compile()
        return made  # type: ignore[no-any-return]

    return wrap


def direct(compiled: Function) -> Function:
    """Give what `outermost` compiled without the search for a signature, for arguments that fit it.

    There is one signature, and searching takes half as long as a frame of sharing.
    """
    made = getattr(compiled, "overloads", {})
    if len(made) != 1:
        return compiled
    found: Function = next(iter(made.values())).entry_point
    return found


def keep(dispatcher: Any, files: Iterable[str], closed_over: str = "") -> None:
    """Let a function compiled by numba be kept in the first folder that can be written to."""
    stamp = _digest(files)
    try:
        dispatcher._cache = _cache_type(stamp, closed_over)(dispatcher.py_func)  # noqa: SLF001
    except (ImportError, AttributeError, RuntimeError, OSError):
        return  # nowhere to write: compiled anew in each process


@contextmanager
def _alone(dispatcher: Any) -> Iterator[None]:
    """Let one process compile a function while the others wait, and then read what it kept.

    Workers that start together would each compile the same, in twice the memory. Where nothing is
    kept, or nothing can be locked, each compiles for itself; so it does after ``PATIENCE``.
    """
    handle, path, locked = None, "", False
    try:
        from filelock import lock_descriptor

        cache = dispatcher._cache  # noqa: SLF001
        path = os.path.join(cache.cache_path, f"{cache._impl.filename_base}.lock")  # noqa: SLF001, PTH118
        handle = os.open(path, _LOCK_FLAGS, 0o600)
        until = time.monotonic() + PATIENCE
        while not (locked := lock_descriptor(handle, blocking=False)):
            if time.monotonic() > until:
                break
            time.sleep(0.05)
    except (ImportError, AttributeError, OSError):
        pass  # no numba, no filelock, nowhere to write or no locks on that disk
    try:
        yield
    finally:
        if handle is not None:
            if locked:
                with suppress(OSError):
                    os.unlink(path)  # noqa: PTH108
            os.close(handle)


def _digest(files: Iterable[str]) -> str:
    import hashlib
    from pathlib import Path

    joined = hashlib.sha256(Path(__file__).read_bytes())
    for file in sorted(files):
        try:
            joined.update(Path(file).read_bytes())
        except OSError:
            joined.update(file.encode())
    return joined.hexdigest()


def _cache_type(stamp: str, closed_over: str) -> Any:
    """Cache of numba that looks for its folder as described above."""
    caching: Any = import_module("numba.core.caching")

    class Stamped:
        def get_source_stamp(self) -> str:
            return stamp

    def stamped(base: type) -> type:
        return type(base.__name__, (Stamped, base), {})

    class Private(caching.InTreeCacheLocator):  # type: ignore[misc]
        def __init__(self, py_func: Any, py_file: str) -> None:
            super().__init__(py_func, py_file)
            self._cache_path = str(private_folder() / self.get_suitable_cache_subpath(py_file))

    bases = [caching.InTreeCacheLocator, caching.UserWideCacheLocator, Private]
    for name in ("UserProvidedCacheLocator", "_UserProvidedCacheLocator"):
        if hasattr(caching, name):
            bases.insert(0, getattr(caching, name))
            break

    class Implementation(caching.CompileResultCacheImpl):  # type: ignore[misc]
        _locator_classes: ClassVar[list[type]] = [stamped(base) for base in bases]

    class Cache(caching.FunctionCache):  # type: ignore[misc]
        _impl_class = Implementation

        def _index_key(self, sig: Any, codegen: Any) -> tuple[Any, ...]:
            return sig, codegen.magic_tuple(), closed_over

    return Cache


def private_folder() -> Path:
    """Folder below the temporary one that only this user can write to.

    Compiled code is loaded from it, so a folder of the same name that someone else made is
    not trusted.

    Raises
    ------
    OSError
        If there is no such folder and none can be made.
    """
    from momentshare.temporary import system_folder

    user = os.getuid() if hasattr(os, "getuid") else "user"
    folder = system_folder() / f"momentshare-compiled-{user}"
    folder.mkdir(mode=0o700, exist_ok=True)
    found = folder.lstat()
    if not stat.S_ISDIR(found.st_mode):
        raise OSError(f"{folder} is not a folder")
    if hasattr(os, "getuid") and (
        found.st_uid != os.getuid() or found.st_mode & (stat.S_IWGRP | stat.S_IWOTH)
    ):
        raise OSError(f"{folder} may be written to by others")
    return folder

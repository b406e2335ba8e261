"""How far LLVM optimises what numba compiles."""

from __future__ import annotations

from contextlib import contextmanager
from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["optimised_to"]


@contextmanager
def optimised_to(level: int) -> Iterator[None]:
    """Compile at this level, or at the one that ``NUMBA_OPT`` asks for where that is lower.

    What is read back from the cache has been optimised twice, by itself and where it was linked.
    At the usual level the second time can make long vector code a third slower.
    """
    settings: Any = import_module("numba.core.config")
    registry: Any = import_module("numba.core.registry")
    lock: Any = import_module("numba.core.compiler_lock").global_compiler_lock
    _ = registry.cpu_target.target_context  # makes the code generator, at the usual level
    with lock:
        usual = settings.OPT
        settings.OPT = type(usual)(min(level, usual))
        try:
            yield
        finally:
            settings.OPT = usual

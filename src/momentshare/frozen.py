"""A dictionary that cannot be changed, for results and models; it can be pickled and copied."""

from __future__ import annotations

from typing import Any, NoReturn, TypeVar

__all__ = ["FrozenDict"]

Key = TypeVar("Key")
Value = TypeVar("Value")


class FrozenDict(dict[Key, Value]):
    """A dictionary that refuses to be changed; ``|`` and ``dict()`` give one that may be."""

    __slots__ = ()

    def _refuse(self, *_: Any, **__: Any) -> NoReturn:
        raise TypeError("a model's mapping cannot be changed; make a new one with dict(mapping)")

    __setitem__ = __delitem__ = __ior__ = _refuse
    update = pop = popitem = clear = setdefault = _refuse

    def __reduce__(self) -> tuple[type, tuple[dict[Key, Value]]]:
        return type(self), (dict(self),)

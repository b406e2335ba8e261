"""What result types share: a short text, values that cannot be changed, and an axis of frames."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import fields, is_dataclass, replace
from typing import TYPE_CHECKING, Any, NoReturn, TypeVar

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = [
    "FrozenDict",
    "ReadOnly",
    "brief",
    "per_frame",
    "places",
    "put_frames",
    "spread_frames",
    "take_frames",
]

Key = TypeVar("Key")
Value = TypeVar("Value")
_T = TypeVar("_T")

_LONGEST = 40
"""Characters of a text or number that are shown as they are."""

_SHOWN = 6
"""Fields shown; the others are counted."""


def brief(thing: Any) -> str:
    """Class and first fields of a dataclass on one line; to be its ``__repr__``.

    Examples
    --------
    >>> from dataclasses import dataclass
    >>> import numpy as np
    >>> from momentshare.results import brief
    >>> @dataclass(frozen=True)
    ... class Pull:
    ...     force: np.ndarray
    ...     heads: tuple[str, ...]
    ...     __repr__ = brief
    >>> Pull(np.zeros((3, 2)), ("long", "short"))
    Pull(force=array(3, 2), heads=2 entries)
    """
    named = [item for item in fields(thing) if item.repr]
    parts = [f"{item.name}={_told(getattr(thing, item.name))}" for item in named[:_SHOWN]]
    if len(named) > _SHOWN:
        parts.append(f"and {len(named) - _SHOWN} more")
    return f"{type(thing).__name__}({', '.join(parts)})"


def _told(value: Any) -> str:
    if isinstance(value, np.ndarray):
        return (
            f"array({', '.join(str(size) for size in value.shape)})" if value.ndim else f"{value:g}"
        )
    if isinstance(value, (str, int, float, np.generic)) or value is None:
        text = repr(value.item() if isinstance(value, np.generic) else value)
        return text if len(text) <= _LONGEST else text[: _LONGEST - 1] + "…"
    if isinstance(value, (Mapping, Sequence, set, frozenset)):
        return f"{len(value)} {'entry' if len(value) == 1 else 'entries'}"
    if is_dataclass(value) or not hasattr(value, "shape"):
        return f"{type(value).__name__}(…)"
    return f"{type(value).__name__}{tuple(value.shape)}"


class ReadOnly:
    """Base of a dataclass whose arrays cannot be written, nor those in its tuples and mappings.

    What is copied or has been pickled cannot be written either.

    Examples
    --------
    >>> import copy
    >>> from dataclasses import dataclass
    >>> import numpy as np
    >>> from momentshare.results import ReadOnly
    >>> @dataclass(frozen=True)
    ... class Pull(ReadOnly):
    ...     force: np.ndarray
    >>> copy.deepcopy(Pull(np.zeros(3))).force.flags.writeable
    False
    """

    __slots__ = ()

    def __post_init__(self) -> None:
        for item in fields(self):  # type: ignore[arg-type]
            _freeze(getattr(self, item.name, None))

    def __reduce__(self) -> tuple[Any, ...]:
        known = {item.name: getattr(self, item.name) for item in fields(self)}  # type: ignore[arg-type]
        return _made_again, (type(self), known)


def _freeze(value: Any) -> None:
    """Make an array, and arrays in a tuple or a mapping, read-only."""
    if isinstance(value, np.ndarray):
        value.setflags(write=False)
    elif isinstance(value, tuple) and not isinstance(next(iter(value), ""), str):
        for part in value:
            _freeze(part)
    elif isinstance(value, Mapping):
        for part in value.values():
            _freeze(part)


def _made_again(kind: type[_T], known: dict[str, Any]) -> _T:
    """Give an object that was copied or pickled its values back, read-only as they were."""
    made = object.__new__(kind)
    for name, value in known.items():
        _freeze(value)
        object.__setattr__(made, name, value)
    return made


class FrozenDict(dict[Key, Value]):
    """A dictionary that refuses to be changed; ``|`` and ``dict()`` give one that may be.

    It can be pickled and copied.
    """

    __slots__ = ()

    def _refuse(self, *_: Any, **__: Any) -> NoReturn:
        raise TypeError("a model's mapping cannot be changed; make a new one with dict(mapping)")

    __setitem__ = __delitem__ = __ior__ = _refuse
    update = pop = popitem = clear = setdefault = _refuse

    def __reduce__(self) -> tuple[type, tuple[dict[Key, Value]]]:
        return type(self), (dict(self),)


def per_frame(dims: tuple[str, ...], values: Any, unit: str | None, **more: str) -> dict[str, Any]:
    """Values of every frame in plain Python with the names of their axes, as xarray reads them.

    A truth value has no unit. What else is known goes to the attributes.
    """
    attrs = more if unit is None else {"units": unit, **more}
    return {"dims": ("frame", *dims), "data": np.asarray(values).tolist(), "attrs": attrs}


def places(key: Any, frames: int) -> slice | NDArray[np.intp]:
    """Which of some frames a key means; a slice stays one, so that arrays are views.

    Parameters
    ----------
    key : int, slice, int or bool array
        A whole number means one frame, in an axis of length one.
    frames : int

    Raises
    ------
    IndexError
        There is no such frame, or a mask has another length.
    """
    if isinstance(key, slice):
        return key
    return np.atleast_1d(np.arange(frames)[key])


def take_frames(values: _T, frames: Any, *, axes: int = 1, whole: Collection[str] = ()) -> _T:
    """Select frames of every array of a dataclass, including nested ones.

    Parameters
    ----------
    values : dataclass
    frames : int, slice, int or bool array
        Index into the leading axes; arrays are views where the index allows it.
    axes : int
        Number of leading axes; arrays with fewer stay whole.
    whole : collection of str
        Names of fields without frames.
    """
    parts = {
        item.name: _taken(getattr(values, item.name), frames, axes, whole)
        for item in fields(values)  # type: ignore[arg-type]
        if item.name not in whole
    }
    return replace(values, **parts)  # type: ignore[type-var]


def _taken(value: Any, frames: Any, axes: int, whole: Collection[str]) -> Any:
    if isinstance(value, np.ndarray):
        return np.asarray(value[frames]) if value.ndim >= axes else value
    if is_dataclass(value) and not isinstance(value, type):
        return take_frames(value, frames, axes=axes, whole=whole)
    if isinstance(value, tuple) and value and isinstance(value[0], np.ndarray):
        return tuple(_taken(item, frames, axes, whole) for item in value)
    if isinstance(value, dict) and isinstance(next(iter(value.values()), None), np.ndarray):
        return {name: _taken(item, frames, axes, whole) for name, item in value.items()}
    return value


def put_frames(values: _T, frames: NDArray[np.bool_], part: _T) -> _T:
    """Overwrite the values of some frames; all fields are arrays."""
    found: dict[str, Any] = {}
    for item in fields(values):  # type: ignore[arg-type]
        value = np.array(getattr(values, item.name))
        value[frames] = getattr(part, item.name)
        found[item.name] = value
    return replace(values, **found)  # type: ignore[type-var]


def spread_frames(values: _T, among: NDArray[np.bool_], empty: Mapping[str, Any]) -> _T:
    """Scatter frames back among all frames.

    Parameters
    ----------
    values : dataclass
        Its arrays have one leading axis.
    among : bool array, shape (...)
        True where the frames of ``values`` belong.
    empty : mapping
        Field → value of other frames, where it is neither NaN nor false.
    """
    found: dict[str, Any] = {}
    for item in fields(values):  # type: ignore[arg-type]
        value = getattr(values, item.name)
        if isinstance(value, np.ndarray):
            filler = empty.get(item.name, False if value.dtype == np.bool_ else np.nan)
            out = np.full((*among.shape, *value.shape[1:]), filler, dtype=value.dtype)
            out[among] = value
            found[item.name] = out
        elif is_dataclass(value) and not isinstance(value, type):
            found[item.name] = spread_frames(value, among, empty)
    return replace(values, **found)  # type: ignore[type-var]

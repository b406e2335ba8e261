"""One line for results with many numbers: shapes in place of arrays, counts in place of lists."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import fields, is_dataclass
from typing import Any

import numpy as np

__all__ = ["brief"]

LONGEST = 40
"""Characters of a text or number that are shown as they are."""

SHOWN = 6
"""Fields shown; the others are counted."""


def brief(thing: Any) -> str:
    """Class and first fields of a dataclass on one line; to be its ``__repr__``.

    Examples
    --------
    >>> from dataclasses import dataclass
    >>> import numpy as np
    >>> from momentshare.brief import brief
    >>> @dataclass(frozen=True)
    ... class Pull:
    ...     force: np.ndarray
    ...     heads: tuple[str, ...]
    ...     __repr__ = brief
    >>> Pull(np.zeros((3, 2)), ("long", "short"))
    Pull(force=array(3, 2), heads=2 entries)
    """
    named = [item for item in fields(thing) if item.repr]
    parts = [f"{item.name}={_told(getattr(thing, item.name))}" for item in named[:SHOWN]]
    if len(named) > SHOWN:
        parts.append(f"and {len(named) - SHOWN} more")
    return f"{type(thing).__name__}({', '.join(parts)})"


def _told(value: Any) -> str:
    if isinstance(value, np.ndarray):
        return (
            f"array({', '.join(str(size) for size in value.shape)})" if value.ndim else f"{value:g}"
        )
    if isinstance(value, (str, int, float, np.generic)) or value is None:
        text = repr(value.item() if isinstance(value, np.generic) else value)
        return text if len(text) <= LONGEST else text[: LONGEST - 1] + "…"
    if isinstance(value, (Mapping, Sequence, set, frozenset)):
        return f"{len(value)} {'entry' if len(value) == 1 else 'entries'}"
    if is_dataclass(value) or not hasattr(value, "shape"):
        return f"{type(value).__name__}(…)"
    return f"{type(value).__name__}{tuple(value.shape)}"

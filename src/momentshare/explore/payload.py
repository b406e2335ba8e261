"""Arrays as text: what varies smoothly along a lift becomes small differences, then deflate.

Floats are kept in single precision. Numbers of 32 or 16 bits are replaced by their difference from
the previous height, and bytes of equal significance are grouped, which compresses well. The page
undoes both (``page/payload.js``).
"""

from __future__ import annotations

import zlib
from base64 import b64encode
from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.errors import InputError
from momentshare.explore.draws import PUSHES, QUANTITIES

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

__all__ = ["STEPS", "pack", "stored"]

STEPS = {
    "paths": 2e-4,
    "girdle": 2e-4,
    "fibre": 1e-4,
    **{
        f"{quantity}{end}_{push}": step
        for quantity, step in zip(QUANTITIES, (1e-2, 0.1, 0.1), strict=True)
        for push in PUSHES
        for end in ("low", "high")
    },
}
"""Arrays that are kept as 16-bit integers, and the value of one unit."""


def stored(name: str, values: Floats) -> Floats:
    """Return the values as the page will see them."""
    if name in STEPS:
        return np.asarray(np.round(values / STEPS[name]) * STEPS[name])
    return values.astype(np.float32).astype(np.float64)


def pack(arrays: Mapping[str, Floats]) -> tuple[list[dict[str, Any]], str]:
    """Pack arrays of shape (presses, heights, …).

    Returns
    -------
    index : list of dict
        Name, shape and step of each array, in the order of the data; no step means a float.
    data : str
        Base64 of the deflated bytes.
    """
    index, parts = [], []
    for name, values in arrays.items():
        step = STEPS.get(name)
        clean = np.nan_to_num(np.ascontiguousarray(values))
        if step is None:
            whole: NDArray[Any] = clean.astype("<f4").view("<u4")
        else:
            number = np.round(clean / step)
            if number.size and np.abs(number).max() > np.iinfo(np.int16).max:
                raise InputError(f"{name}: a value of {np.abs(clean).max():.3g} is beyond 16 bits")
            whole = number.astype("<i2").view("<u2")
        change = whole.copy()
        change[:, 1:] -= whole[:, :-1]
        planes = change.reshape(-1, 1).view(np.uint8).reshape(change.size, -1)
        parts.append(np.ascontiguousarray(planes.T).tobytes())
        index.append({"name": name, "shape": list(values.shape), "step": step or 0})
    return index, b64encode(zlib.compress(b"".join(parts), 9)).decode("ascii")

"""Forces of the force platforms of a C3D file, in the laboratory's axes.

Types 1 to 4 as the public C3D user guide defines them (c3d.org; from memory): 1 gives force, point
of application and free moment, 2 force and moment, 3 the eight outputs of four sensors, 4 the six
of type 2 before their calibration matrix. The platform's x runs from corner 2 to corner 1, its y
from corner 4 to corner 1.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from momentshare.trial.formats.c3d_parameters import AGAIN

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from momentshare.trial.formats.c3d_data import C3d

__all__ = ["plate_channels", "plate_count", "plate_force"]

_GROUP = "FORCE_PLATFORM"
_CHANNELS = {1: 6, 2: 6, 3: 8, 4: 6}
_OF_FORCE = {1: 3, 2: 3, 3: 8, 4: 6}
_SMALLEST = 1e-9


def plate_count(file: C3d) -> int:
    """Return the number of platforms that the file describes."""
    return file.accounts.parameters.whole(_GROUP, "USED") or 0


def plate_channels(file: C3d, number: int) -> tuple[int, list[int], str]:
    """Type of a platform, the channels its force needs (from 0), and a fault or an empty text."""
    parameters = file.accounts.parameters
    types = parameters.numbers(_GROUP, "TYPE", signed=False)
    if len(types) < number:
        return 0, [], f"its type is not stated; {AGAIN}"
    kind = int(types[number - 1])
    if kind not in _CHANNELS:
        return kind, [], f"is of type {kind}; types 1 to 4 are read: name its channels instead"
    table = _table(
        parameters.numbers(_GROUP, "CHANNEL", signed=False), parameters.shape(_GROUP, "CHANNEL"), 1
    )
    if table is None or table.shape[0] < _CHANNELS[kind] or table.shape[1] < number:
        return kind, [], f"its channels are not stated; {AGAIN}"
    channels = [int(c) - 1 for c in table[: _OF_FORCE[kind], number - 1]]
    if not all(0 <= c < file.accounts.channels for c in channels):
        held = file.accounts.channels
        return kind, [], f"asks for channels {[c + 1 for c in channels]} of {held}; {AGAIN}"
    return kind, channels, ""


def plate_force(
    file: C3d,
    number: int,
    column: Callable[[int], NDArray[np.float64]],
    axes: NDArray[np.float64] | None = None,
) -> tuple[NDArray[np.float64], str]:
    """Return the force of a platform and a fault or an empty text.

    Parameters
    ----------
    file : C3d
    number : int
        Of the platform, from 1.
    column : callable
        Course of an analogue channel, by its number from 0.
    axes : float array, shape (3, 3), optional
        Directions of the platform's axes in the laboratory as columns; by default from its
        corners.

    Returns
    -------
    force : float array, shape (samples, 3)
        In the unit of the channels, along the laboratory's axes.
    fault : str
    """
    empty = np.empty((0, 3))
    kind, channels, fault = plate_channels(file, number)
    if fault:
        return empty, fault
    if axes is None:
        axes, fault = _axes(file, number)
        if fault:
            return empty, fault
    values = np.stack([column(c) for c in channels], axis=-1)
    if kind == 3:
        x12, x34, y14, y23, *z = (values[:, n] for n in range(8))
        values = np.stack([x12 + x34, y14 + y23, np.sum(z, axis=0)], axis=-1)
    elif kind == 4:
        parameters = file.accounts.parameters
        matrices = _table(
            parameters.numbers(_GROUP, "CAL_MATRIX"), parameters.shape(_GROUP, "CAL_MATRIX"), 2
        )
        if matrices is None or matrices.shape[:2] != (6, 6) or matrices.shape[2] < number:
            return empty, f"its calibration matrix is not stated; {AGAIN}"
        values = values @ matrices[:3, :, number - 1].T
    return values @ axes.T, ""


def _axes(file: C3d, number: int) -> tuple[NDArray[np.float64], str]:
    """Directions of a platform's axes, as columns, and a fault or an empty text."""
    parameters = file.accounts.parameters
    corners = _table(parameters.numbers(_GROUP, "CORNERS"), parameters.shape(_GROUP, "CORNERS"), 2)
    none = np.eye(3)
    if corners is None or corners.shape[:2] != (3, 4) or corners.shape[2] < number:
        return none, "its corners are not stated; give the directions of its axes in the layout"
    first, second, _, fourth = corners[:, :, number - 1].T
    x = first - second
    z = np.cross(x, first - fourth)
    y = np.cross(z, x)
    directions = np.stack([x, y, z], axis=-1)
    lengths = np.linalg.norm(directions, axis=0)
    if not np.isfinite(lengths).all() or lengths.min() < _SMALLEST:
        return none, "its corners span no plane; give the directions of its axes in the layout"
    return directions / lengths, ""


def _table(
    values: NDArray[np.float64], shape: tuple[int, ...], axes: int
) -> NDArray[np.float64] | None:
    """Reshape values, with an axis for the platforms even if there is only one."""
    if len(shape) == axes:
        shape = (*shape, 1)
    if len(shape) != axes + 1 or values.size < np.prod(shape):
        return None
    return values[: int(np.prod(shape))].reshape(shape, order="F")

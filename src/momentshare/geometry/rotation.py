"""Vectors and rotation matrices with any number of leading batch axes.

A rotation matrix ``R`` of a frame in its parent has the frame's axes as its columns, so
``R @ v`` takes components in the frame to components in the parent. Angles are in radians
and turn by the right-hand rule unless a function says otherwise.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from momentshare.errors import ShapeError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = [
    "cross",
    "dot",
    "norm",
    "perpendicular",
    "rotated",
    "rotation_about",
    "rotation_from_axes",
    "rotation_from_yxy",
    "rotation_from_yxz",
    "unit",
    "yxy_from_rotation",
    "yxz_from_rotation",
]

_SINGULAR_SINE = 1e-9
_ORTHONORMAL_TOLERANCE = 1e-9


def _as_vectors(argument: str, value: ArrayLike) -> NDArray[np.float64]:
    array = np.asarray(value, dtype=np.float64)
    if array.ndim == 0 or array.shape[-1] != 3:
        raise ShapeError(
            argument,
            "an array whose last axis has length 3",
            f"shape {array.shape}",
            "put x, y and z on the last axis",
        )
    return array


def _as_rotations(argument: str, value: ArrayLike) -> NDArray[np.float64]:
    array = np.asarray(value, dtype=np.float64)
    if array.ndim < 2 or array.shape[-2:] != (3, 3):
        raise ShapeError(argument, "rotation matrices, shape (..., 3, 3)", f"shape {array.shape}")
    return array


def dot(a: ArrayLike, b: ArrayLike) -> NDArray[np.float64]:
    """Scalar product over the last axis.

    Parameters
    ----------
    a, b : float array, shape (..., 3)
        Broadcast against each other.

    Returns
    -------
    float array, shape (...)
    """
    first, second = _as_vectors("a", a), _as_vectors("b", b)
    return np.asarray(np.einsum("...i,...i->...", first, second), dtype=np.float64)


def cross(a: ArrayLike, b: ArrayLike) -> NDArray[np.float64]:
    """Vector product over the last axis.

    Parameters
    ----------
    a, b : float array, shape (..., 3)
        Broadcast against each other.

    Returns
    -------
    float array, shape (..., 3)
    """
    first, second = _as_vectors("a", a), _as_vectors("b", b)
    a0, a1, a2 = first[..., 0], first[..., 1], first[..., 2]
    b0, b1, b2 = second[..., 0], second[..., 1], second[..., 2]
    return np.stack([a1 * b2 - a2 * b1, a2 * b0 - a0 * b2, a0 * b1 - a1 * b0], axis=-1)


def norm(v: ArrayLike) -> NDArray[np.float64]:
    """Euclidean length over the last axis.

    Parameters
    ----------
    v : float array, shape (..., 3)

    Returns
    -------
    float array, shape (...)
        In the unit of ``v``.
    """
    return np.sqrt(dot(v, v))


def unit(v: ArrayLike) -> NDArray[np.float64]:
    """Vectors of length one along ``v``.

    Parameters
    ----------
    v : float array, shape (..., 3)

    Returns
    -------
    float array, shape (..., 3)
        Dimensionless. A vector of length zero has no direction and gives NaN in its row.
    """
    vectors = _as_vectors("v", v)
    length = norm(vectors)[..., None]
    return vectors / np.where(length > 0.0, length, np.nan)


def perpendicular(vector: NDArray[np.float64], to: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the unit vector of the part of a vector that is perpendicular to a unit vector."""
    return unit(vector - dot(vector, to)[..., None] * to)


def rotated(rotation: NDArray[np.float64], vector: NDArray[np.float64]) -> NDArray[np.float64]:
    """Rotate vectors (..., 3) by matrices (..., 3, 3), or multiply any matrix by any vector."""
    return np.asarray((rotation @ vector[..., None])[..., 0])


def rotation_about(axis: ArrayLike, angle: ArrayLike) -> NDArray[np.float64]:
    """Rotation matrices for a turn of ``angle`` about ``axis`` (right-hand rule).

    ``R = I + sin(angle) K + (1 - cos(angle)) K²`` with ``K v = axis × v``.

    Parameters
    ----------
    axis : float array, shape (..., 3)
        Direction; its length does not matter, but zero gives NaN.
    angle : float array, shape (...)
        Angle [rad], broadcast against the batch axes of ``axis``.

    Returns
    -------
    float array, shape (..., 3, 3)

    References
    ----------
    Rodrigues' rotation formula (textbook).
    """
    direction = unit(axis)
    turn = np.asarray(angle, dtype=np.float64)
    shape = np.broadcast_shapes(direction.shape[:-1], turn.shape)
    x, y, z = (np.broadcast_to(direction[..., i], shape) for i in range(3))
    zero = np.zeros(shape)
    skew = np.stack([zero, -z, y, z, zero, -x, -y, x, zero], axis=-1).reshape(*shape, 3, 3)
    sine = np.sin(turn)[..., None, None]
    versine = 2.0 * np.sin(0.5 * turn)[..., None, None] ** 2
    return np.asarray(np.eye(3) + sine * skew + versine * (skew @ skew), dtype=np.float64)


def rotation_from_axes(x: ArrayLike, y: ArrayLike, z: ArrayLike) -> NDArray[np.float64]:
    """Rotation matrices whose columns are the given axes.

    Parameters
    ----------
    x, y, z : float array, shape (..., 3)
        Axes of the frame in its parent: of length one, at right angles, right-handed
        (``x × y = z``). Rows that hold NaN pass through.

    Returns
    -------
    float array, shape (..., 3, 3)
        Takes components in the frame to components in the parent.

    Raises
    ------
    ShapeError
        If the axes are not orthonormal and right-handed to within 1e-9.
    """
    axes = np.broadcast_arrays(_as_vectors("x", x), _as_vectors("y", y), _as_vectors("z", z))
    rotation = np.stack(axes, axis=-1)
    fault = np.maximum(
        np.abs(np.swapaxes(rotation, -1, -2) @ rotation - np.eye(3)).max(axis=-1, initial=0.0),
        np.abs(cross(axes[0], axes[1]) - axes[2]),
    )
    if np.any(fault > _ORTHONORMAL_TOLERANCE):
        raise ShapeError(
            "x, y, z",
            "orthonormal right-handed axes (within 1e-9)",
            f"a departure of {np.nanmax(fault):.3g}",
            "build the third axis as a cross product and apply unit()",
        )
    return rotation


def _about(axis: int, angle: ArrayLike) -> NDArray[np.float64]:
    """Turn about one of the axes: :func:`rotation_about` written out, to the last digit."""
    turn = np.asarray(angle, dtype=np.float64)
    sine, versine = np.sin(turn), 2.0 * np.sin(0.5 * turn) ** 2
    second, third = (axis + 1) % 3, (axis + 2) % 3
    out = np.zeros((*turn.shape, 3, 3))
    out[..., axis, axis] = 1.0
    out[..., second, second] = out[..., third, third] = 1.0 - versine
    out[..., third, second], out[..., second, third] = 0.0 + sine, 0.0 - sine
    out[np.isnan(turn)] = np.nan
    return out


def rotation_from_yxy(
    plane: ArrayLike, elevation: ArrayLike, axial: ArrayLike
) -> NDArray[np.float64]:
    """Orientation of the right humerus in the thorax (or scapula) from Y-X-Y angles.

    ``R = Ry(plane) Rx(-elevation) Ry(axial)``, with x forward, y up (towards the shoulder
    along the humerus) and z to the right. Elevation is counted positive although its
    right-hand rotation about the moving x axis is negative.

    - ``plane`` 0 is abduction: at 90° of elevation the shaft, from shoulder to elbow (-y),
      points to the right (+z). ``plane`` 90° is forward flexion: it points forward (+x).
    - ``axial`` is positive for internal rotation.

    Parameters
    ----------
    plane, elevation, axial : float array, shape (...)
        Angles [rad], broadcast against each other.

    Returns
    -------
    float array, shape (..., 3, 3)

    References
    ----------
    Wu G et al. 2005, J Biomech 38:981-992 (sequence and frames; signs from memory).
    """
    lift = -np.asarray(elevation, dtype=np.float64)
    return np.asarray(_about(1, plane) @ _about(0, lift) @ _about(1, axial), dtype=np.float64)


def yxy_from_rotation(
    rotation: ArrayLike,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Plane of elevation, elevation and axial rotation; undoes :func:`rotation_from_yxy`.

    Parameters
    ----------
    rotation : float array, shape (..., 3, 3)

    Returns
    -------
    plane, elevation, axial : float array, shape (...)
        Angles [rad]: plane and axial in (-π, π], elevation in [0, π].

    Notes
    -----
    At elevation 0 and π only plane + axial (or plane - axial) is defined. There the plane is
    reported as 0 and the whole rotation as axial rotation.
    """
    R = _as_rotations("rotation", rotation)
    sine = np.hypot(R[..., 1, 0], R[..., 1, 2])
    elevation = np.arctan2(sine, R[..., 1, 1])
    singular = sine < _SINGULAR_SINE
    plane = np.where(singular, 0.0, np.arctan2(-R[..., 0, 1], -R[..., 2, 1]))
    axial = np.where(
        singular,
        np.arctan2(R[..., 0, 2], R[..., 0, 0]),
        np.arctan2(-R[..., 1, 0], R[..., 1, 2]),
    )
    return plane, elevation, axial


def rotation_from_yxz(
    about_y: ArrayLike, about_x: ArrayLike, about_z: ArrayLike
) -> NDArray[np.float64]:
    """Orientation of the right scapula in the thorax from Y-X-Z angles.

    ``R = Ry(about_y) Rx(about_x) Rz(about_z)``, every angle by the right-hand rule about the
    moving axes (x forward, y up, z right).

    - ``about_y``: protraction (internal rotation) positive, retraction negative;
    - ``about_x``: downward (medial) rotation positive, **upward rotation negative**;
    - ``about_z``: posterior tilt positive, anterior tilt negative.

    Parameters
    ----------
    about_y, about_x, about_z : float array, shape (...)
        Angles [rad], broadcast against each other.

    Returns
    -------
    float array, shape (..., 3, 3)

    References
    ----------
    Wu G et al. 2005, J Biomech 38:981-992 (sequence and frames; signs from memory).
    """
    return np.asarray(
        _about(1, about_y) @ _about(0, about_x) @ _about(2, about_z), dtype=np.float64
    )


def yxz_from_rotation(
    rotation: ArrayLike,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Angles about y, x and z; undoes :func:`rotation_from_yxz`.

    Parameters
    ----------
    rotation : float array, shape (..., 3, 3)

    Returns
    -------
    about_y, about_x, about_z : float array, shape (...)
        Angles [rad]; ``about_x`` in [-π/2, π/2], the others in (-π, π].

    Notes
    -----
    At ``about_x`` = ±π/2 the other two cannot be distinguished: ``about_z`` is reported as 0.
    """
    R = _as_rotations("rotation", rotation)
    cosine = np.hypot(R[..., 1, 0], R[..., 1, 1])
    about_x = np.arctan2(-R[..., 1, 2], cosine)
    singular = cosine < _SINGULAR_SINE
    about_y = np.where(
        singular,
        np.arctan2(-R[..., 2, 0], R[..., 0, 0]),
        np.arctan2(R[..., 0, 2], R[..., 2, 2]),
    )
    about_z = np.where(singular, 0.0, np.arctan2(R[..., 1, 0], R[..., 1, 1]))
    return about_y, about_x, about_z

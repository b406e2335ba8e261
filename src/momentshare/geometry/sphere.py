r"""Shortest path from one point to another round a sphere.

::

              enter ___ leave
                 .-'   '-.
        start  /    |     \  end          p = start - centre, q = end - centre
            *-'     |      '-*            ψ = angle between p and q
                    o centre              α = acos(radius / |p|), the same for q
                                          wrap angle = ψ - α(p) - α(q)

The path is straight, follows a great circle in the plane of start, end and centre, and is
straight again. It touches when the wrap angle is positive, which holds exactly when the
straight *segment* would cut the sphere. At wrap angle zero the wrapped and the straight
length agree in value and first derivative.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from momentshare.errors import ShapeError
from momentshare.geometry.rotation import _as_vectors, cross, dot, norm
from momentshare.results import ReadOnly

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["Wrap", "round_sphere"]

_ON_SURFACE = 1e-9
"""Points less deep than this share of the radius count as lying on the surface."""

_COLLINEAR = 1e-12
"""Sine of the angle start-centre-end below which any plane through them will do."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Wrap(ReadOnly):
    """A path from start to end that may run round a surface; all arrays are read-only.

    Attributes
    ----------
    enter, leave : float array, shape (..., 3)
        Points where the path reaches and leaves the surface [m]. Without contact both hold
        the point of the straight segment nearest to the centre (sphere) or axis (cylinder).
    length : float array, shape (...)
        Length of the whole path, start to end [m]; the straight distance without contact.
    contact : bool array, shape (...)
        Whether the path lies on the surface for part of its course.
    angle : float array, shape (...)
        Angle turned on the surface, about centre or axis [rad]; 0 without contact.
    arc_length : float array, shape (...)
        Length of the part on the surface [m]; 0 without contact.
    start_direction, end_direction : float array, shape (..., 3)
        Unit vectors along the path, away from the start and away from the end. The gradient
        of ``length`` to the start point is ``-start_direction``, to the end point
        ``-end_direction``. Zero when a straight path has no length.
    inside : bool array, shape (...)
        Start or end lies within the surface (deeper than 1e-9 of the radius). No path round
        the surface exists; the row holds the straight one and ``contact`` is false.
    margin : float array, shape (...)
        How far the posture is from a jump of the path [rad]. Sphere: π - ψ, since the path
        changes sides where start, centre and end fall in line. Cylinder: angle by which the
        end may turn about the axis before the path lets go abruptly.
    """

    enter: NDArray[np.float64]
    leave: NDArray[np.float64]
    length: NDArray[np.float64]
    contact: NDArray[np.bool_]
    angle: NDArray[np.float64]
    arc_length: NDArray[np.float64]
    start_direction: NDArray[np.float64]
    end_direction: NDArray[np.float64]
    inside: NDArray[np.bool_]
    margin: NDArray[np.float64]

    def __repr__(self) -> str:
        return (
            f"Wrap(shape={self.length.shape}, "
            f"contact={np.count_nonzero(self.contact)}, inside={np.count_nonzero(self.inside)})"
        )


def _as_radius(value: ArrayLike) -> NDArray[np.float64]:
    radius = np.asarray(value, dtype=np.float64)
    if not np.all(radius > 0.0):
        raise ShapeError(
            "radius", "positive lengths [m]", f"{value!r}", "give the radius in metres"
        )
    return radius


def _batch_shape(**shapes: tuple[int, ...]) -> tuple[int, ...]:
    try:
        return np.broadcast_shapes(*shapes.values())
    except ValueError as error:
        got = ", ".join(f"{name} {shape}" for name, shape in shapes.items())
        raise ShapeError(
            ", ".join(shapes), "batch axes that broadcast together", got, "align the leading axes"
        ) from error


def _tangent_length(
    distance: NDArray[np.float64], radius: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Length of the tangent from a point at ``distance`` to a circle; 0 on and in it."""
    return np.sqrt(np.maximum((distance - radius) * (distance + radius), 0.0))


def _nearest_on_segment(
    start: NDArray[np.float64],
    end: NDArray[np.float64],
    p: NDArray[np.float64],
    q: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Point of the segment start-end where its image p-q comes nearest to the origin."""
    step = q - p
    square = dot(step, step)
    share = np.clip(-dot(p, step) / np.where(square > 0.0, square, 1.0), 0.0, 1.0)
    return start + share[..., None] * (end - start)


def _assemble(
    start: NDArray[np.float64],
    end: NDArray[np.float64],
    *,
    wrapped: dict[str, NDArray[np.float64]],
    nearest: NDArray[np.float64],
    contact: NDArray[np.bool_],
    inside: NDArray[np.bool_],
    margin: NDArray[np.float64],
) -> Wrap:
    """Take the wrapped values where there is contact and the straight ones elsewhere."""
    step = end - start
    distance = norm(step)
    straight = step / np.where(distance == 0.0, 1.0, distance)[..., None]
    touch = contact[..., None]
    return Wrap(
        enter=np.where(touch, wrapped["enter"], nearest),
        leave=np.where(touch, wrapped["leave"], nearest),
        length=np.where(contact, wrapped["length"], distance),
        contact=contact,
        angle=np.where(contact, wrapped["angle"], 0.0),
        arc_length=np.where(contact, wrapped["arc_length"], 0.0),
        start_direction=np.where(touch, wrapped["start_direction"], straight),
        end_direction=np.where(touch, wrapped["end_direction"], -straight),
        inside=inside,
        margin=np.asarray(margin),
    )


def _any_perpendicular(v: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return one fixed choice of a vector at right angles to each ``v``, not of unit length."""
    smallest = np.argmin(np.abs(v), axis=-1)
    return cross(v, np.eye(3)[smallest])


def round_sphere(start: ArrayLike, end: ArrayLike, centre: ArrayLike, radius: ArrayLike) -> Wrap:
    """Shortest path from start to end that does not cut the sphere.

    ``length = √(|p|² - r²) + √(|q|² - r²) + r (ψ - acos(r/|p|) - acos(r/|q|))`` with
    ``p = start - centre``, ``q = end - centre`` and ψ the angle between them, in [0, π].

    Parameters
    ----------
    start, end, centre : float array, shape (..., 3)
        Points in one frame [m], broadcast against each other.
    radius : float array, shape (...)
        Radius of the sphere [m], positive.

    Returns
    -------
    Wrap
        Row by row; ``margin`` is π - ψ.

    Raises
    ------
    ShapeError
        If a last axis is not 3, the batch axes do not broadcast or a radius is not positive.

    Notes
    -----
    The side on which the path passes follows the points: it changes where start, centre and
    end come into line (``margin`` 0), where the direction jumps although the length does
    not. For a line that must keep its side, choose a cylinder with a stored sense. Where the
    three points are in line to within rounding the path keeps to one arbitrary plane.

    A row that holds NaN stays NaN and does not affect the others.

    References
    ----------
    Closed form (plane trigonometry); great circles are the geodesics of the sphere.

    Examples
    --------
    >>> import numpy as np
    >>> path = round_sphere([-1.0, 1.0, 0.0], [1.0, 1.0, 0.0], [0.0, 0.0, 0.0], 1.0)
    >>> bool(path.contact), float(path.length)
    (False, 2.0)
    >>> path = round_sphere([-1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 0.0], 1.0)
    >>> bool(np.isclose(path.length, np.pi / 2))
    True
    """
    a, b, c = _as_vectors("start", start), _as_vectors("end", end), _as_vectors("centre", centre)
    r = _as_radius(radius)
    shape = _batch_shape(start=a.shape[:-1], end=b.shape[:-1], centre=c.shape[:-1], radius=r.shape)
    a, b, c = (np.broadcast_to(v, (*shape, 3)) for v in (a, b, c))
    r = np.broadcast_to(r, shape)
    p, q = a - c, b - c
    dp, dq = norm(p), norm(q)
    inside = (dp < r * (1.0 - _ON_SURFACE)) | (dq < r * (1.0 - _ON_SURFACE))
    dp_safe, dq_safe = np.where(dp == 0.0, 1.0, dp), np.where(dq == 0.0, 1.0, dq)

    # Plane of the path and the directions in it, at right angles to p and q, that turn
    # from p towards q.
    normal = cross(p, q)
    sine = norm(normal)
    flat = sine <= _COLLINEAR * dp * dq
    normal = np.where(flat[..., None], _any_perpendicular(p), normal)
    size = norm(normal)
    normal = normal / np.where(size == 0.0, 1.0, size)[..., None]
    p_hat, q_hat = p / dp_safe[..., None], q / dq_safe[..., None]
    p_turn, q_turn = cross(normal, p_hat), cross(normal, q_hat)

    psi = np.arctan2(sine, dot(p, q))
    tp, tq = _tangent_length(dp, r), _tangent_length(dq, r)
    angle = psi - np.arctan2(tp, r) - np.arctan2(tq, r)
    contact = (angle > 0.0) & ~inside

    cp, sp = (np.minimum(r / dp_safe, 1.0))[..., None], (tp / dp_safe)[..., None]
    cq, sq = (np.minimum(r / dq_safe, 1.0))[..., None], (tq / dq_safe)[..., None]
    radius_column = r[..., None]
    wrapped = {
        "enter": c + radius_column * (cp * p_hat + sp * p_turn),
        "leave": c + radius_column * (cq * q_hat - sq * q_turn),
        "length": tp + tq + r * angle,
        "angle": angle,
        "arc_length": r * angle,
        "start_direction": cp * p_turn - sp * p_hat,
        "end_direction": -(cq * q_turn + sq * q_hat),
    }
    return _assemble(
        a,
        b,
        wrapped=wrapped,
        nearest=_nearest_on_segment(a, b, p, q),
        contact=contact,
        inside=inside,
        margin=np.pi - psi,
    )

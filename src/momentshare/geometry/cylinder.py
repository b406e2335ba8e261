r"""Path from one point to another round an infinite cylinder, on a fixed side.

Seen along the axis, towards the viewer, with ``sense`` +1 (anticlockwise from start to end)::

                 leave .---. enter
                     /       \
                    |    o    |            p, q = start, end at right angles to the axis
          end      /|         |\           δ = angle from p to q in the stored sense, 0..2π
             *----'  \       /  '---* start
                       '---'               α = acos(radius / |p|), the same for q
                                           wrap angle w = δ - α(p) - α(q)

Unrolled, the path is one straight line: the axial distance is divided in proportion to the planar
lengths, and the part on the surface is a helix.

When the path touches
---------------------
Contact holds for 0 < w < largest, at most π.

- w ≤ 0: the straight segment passes the cylinder on the stored side, outside the radius, or
  both tangent points would lie beyond an end of the segment. The path is straight. At w = 0
  the straight segment is the tangent, and wrapped and straight paths agree in length and in
  direction, so that length and moment arms are continuous there.
- w > 0: the straight segment cuts the cylinder, or has passed to the other side of the axis.
  The path keeps to the stored side and w grows on; it never changes to the shorter way.
- The path lets go with a jump in one place only, where w reaches the largest wrap angle, π
  where a surface names no smaller one. No muscle wraps a bone by half a circle; beyond that the
  same δ is read as a turn the other way past the start, as when a point on the bone rotates past
  the line of pull, and the path is straight. A surface whose paths never wrap that far may let go
  sooner, which leaves more room for turns the other way. ``Wrap.margin`` is the angle left to that
  jump.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from momentshare.errors import ShapeError
from momentshare.geometry.rotation import _as_vectors, cross, dot, norm
from momentshare.geometry.sphere import (
    _ON_SURFACE,
    Wrap,
    _as_radius,
    _assemble,
    _batch_shape,
    _nearest_on_segment,
    _tangent_length,
)

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["LARGEST_WRAP_ANGLE", "round_cylinder"]

LARGEST_WRAP_ANGLE = np.pi
"""Wrap angle at which a path is taken to have come off the cylinder [rad], unless a surface
names a smaller one; assumed."""

_TURN_ROUNDING = 1e-9
"""A turn from start to end this little against the stored sense counts as zero [rad]."""


def _as_sense(value: ArrayLike) -> NDArray[np.float64]:
    sense = np.asarray(value, dtype=np.float64)
    if not np.all(np.abs(sense) == 1.0):
        raise ShapeError(
            "sense",
            "+1 (right-hand rotation about the axis, from start to end) or -1",
            f"{value!r}",
        )
    return sense


def round_cylinder(
    start: ArrayLike,
    end: ArrayLike,
    centre: ArrayLike,
    axis: ArrayLike,
    radius: ArrayLike,
    sense: ArrayLike,
    *,
    largest: float = LARGEST_WRAP_ANGLE,
) -> Wrap:
    """Path from start to end round an infinite cylinder in the stored sense.

    With planar length ``P = √(|p|² - r²) + √(|q|² - r²) + r w`` and axial distance h, the
    length is ``√(P² + h²)``; see the module text for w and for when the path touches.

    Parameters
    ----------
    start, end, centre : float array, shape (..., 3)
        Points in one frame [m], broadcast against each other; ``centre`` is any point on
        the axis.
    axis : float array, shape (..., 3)
        Direction of the axis; its length does not matter but must not be zero.
    radius : float array, shape (...)
        Radius of the cylinder [m], positive.
    sense : float array, shape (...)
        +1: going from start to end the path turns about ``axis`` by the right-hand rule;
        -1: the other way.
    largest : float
        Wrap angle at which the path comes off [rad], above 0 and at most π.

    Returns
    -------
    Wrap
        Row by row. Swapping start and end and turning ``sense`` gives the same path.

    Raises
    ------
    ShapeError
        If a last axis is not 3, the batch axes do not broadcast, a radius is not positive,
        the axis is zero, a sense is not ±1 or ``largest`` is out of its range.

    Notes
    -----
    A segment parallel to the axis, and one along a ray from it, is straight. A row that holds NaN
    stays NaN and does not affect the others.

    References
    ----------
    Closed form (plane trigonometry); helices are the geodesics of the cylinder.

    Examples
    --------
    A quarter turn on the surface, climbing by 0.03:

    >>> import numpy as np
    >>> path = round_cylinder([0.02, 0, 0], [0, 0.02, 0.03], [0, 0, 0], [0, 0, 1], 0.02, 1)
    >>> bool(np.isclose(path.length, np.hypot(0.02 * np.pi / 2, 0.03)))
    True
    """
    a, b, c = _as_vectors("start", start), _as_vectors("end", end), _as_vectors("centre", centre)
    k = _as_vectors("axis", axis)
    r, s = _as_radius(radius), _as_sense(sense)
    shape = _batch_shape(
        start=a.shape[:-1],
        end=b.shape[:-1],
        centre=c.shape[:-1],
        axis=k.shape[:-1],
        radius=r.shape,
        sense=s.shape,
    )
    if not 0.0 < largest <= LARGEST_WRAP_ANGLE:
        raise ShapeError("largest", "an angle above 0 and at most π", f"{largest!r}")
    size = norm(k)
    if np.any(size == 0.0):
        raise ShapeError("axis", "directions of non-zero length", "a zero vector")
    a, b, c, k = (np.broadcast_to(v, (*shape, 3)) for v in (a, b, c, k / size[..., None]))
    r, s = np.broadcast_to(r, shape), np.broadcast_to(s, shape)

    # Split into the part along the axis and the plane at right angles to it.
    ap, aq = dot(a - c, k), dot(b - c, k)
    climb = aq - ap
    p, q = a - c - ap[..., None] * k, b - c - aq[..., None] * k
    dp, dq = norm(p), norm(q)
    inside = (dp < r * (1.0 - _ON_SURFACE)) | (dq < r * (1.0 - _ON_SURFACE))
    dp_safe, dq_safe = np.where(dp == 0.0, 1.0, dp), np.where(dq == 0.0, 1.0, dq)
    p_hat, q_hat = p / dp_safe[..., None], q / dq_safe[..., None]
    forward = s[..., None] * k
    p_turn, q_turn = cross(forward, p_hat), cross(forward, q_hat)

    turn = np.arctan2(dot(forward, cross(p, q)), dot(p, q))
    turn = np.where(turn < -_TURN_ROUNDING, turn + 2.0 * np.pi, turn)
    tp, tq = _tangent_length(dp, r), _tangent_length(dq, r)
    free = np.arctan2(tp, r) + np.arctan2(tq, r)
    angle = turn - free
    contact = (angle > 0.0) & (angle < largest) & ~inside
    jump = largest + free
    gap = np.abs(turn - jump)

    arc = np.where(contact, r * angle, 0.0)
    planar = tp + tq + arc
    length = np.hypot(planar, climb)
    scale = np.where(planar == 0.0, 1.0, planar)
    slope = (climb / scale)[..., None] * k  # climb for each unit of planar length
    stretch = np.where(length == 0.0, 1.0, length)[..., None]
    cp, sp = (np.minimum(r / dp_safe, 1.0))[..., None], (tp / dp_safe)[..., None]
    cq, sq = (np.minimum(r / dq_safe, 1.0))[..., None], (tq / dq_safe)[..., None]
    radius_column, base = r[..., None], c + ap[..., None] * k
    along = planar[..., None]
    wrapped = {
        "enter": base + radius_column * (cp * p_hat + sp * p_turn) + tp[..., None] * slope,
        "leave": base + radius_column * (cq * q_hat - sq * q_turn) + (tp + arc)[..., None] * slope,
        "length": length,
        "angle": angle,
        "arc_length": arc * length / scale,
        "start_direction": along * (cp * p_turn - sp * p_hat + slope) / stretch,
        "end_direction": -along * (cq * q_turn + sq * q_hat + slope) / stretch,
    }
    return _assemble(
        a,
        b,
        wrapped=wrapped,
        nearest=_nearest_on_segment(a, b, p, q),
        contact=contact,
        inside=inside,
        margin=np.minimum(gap, 2.0 * np.pi - gap),
    )

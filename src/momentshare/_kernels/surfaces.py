"""Vectors and round surfaces in compiled code, of eight frames side by side or of one.

The surfaces are those of :mod:`momentshare.geometry`, their twin. What one frame does not do and
another does is done for both and chosen. Numbers of eight frames are one value
(:mod:`momentshare._kernels.lanes`), a row of an array (rows, 8); a vector takes three rows.

Angles are not taken one by one. With p and q the ends seen from the axis, and t the tangent
lengths, the wrap angle ``w = turn(p, q) - acos(r/|p|) - acos(r/|q|)`` is the argument of the
complex number

    (p·q + i k·(p × q)) (r - i t_p) (r - i t_q),

whose imaginary part alone tells whether the path touches (0 < w < π). A cylinder's margin,
the angle between w and the jump at π the nearer way round, is then π - |w|.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from numba import njit

from momentshare._kernels.lanes import angle_of, any_of, choose, other, put, root, size, take

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from momentshare._kernels.compiling import Function

    Vector = tuple[Any, Any, Any]
    Floats = NDArray[np.float64]
    Answer = tuple[Any, Any, Any, Any, Vector, Vector]


OPTIONS: dict[str, Any] = {
    "nogil": True,
    "error_model": "numpy",
    "fastmath": {"contract"},
    "_nrt": False,
}


def part(function: Function) -> Function:
    """Compile what the kernel is made of, into the place where it is called.

    NaN and infinity keep their meaning, products and sums may be fused.
    """
    made: Any = njit(**OPTIONS, forceinline=True)(function)
    return made  # type: ignore[no-any-return]


ON_SURFACE = 1e-9
COLLINEAR = 1e-12
"""As in ``geometry.sphere``; a test compares them."""


@part
def row(a: Floats, i: int) -> Vector:
    """Vector i of an array."""
    return take(a, 3 * i), take(a, 3 * i + 1), take(a, 3 * i + 2)


@part
def put_row(a: Floats, i: int, v: Vector) -> None:
    """Write vector i of an array."""
    put(a, 3 * i, v[0])
    put(a, 3 * i + 1, v[1])
    put(a, 3 * i + 2, v[2])


@part
def choose_row(where: Any, yes: Vector, no: Vector) -> Vector:
    """Choose one of two vectors."""
    return choose(where, yes[0], no[0]), choose(where, yes[1], no[1]), choose(where, yes[2], no[2])


@part
def dot(a: Vector, b: Vector) -> Any:
    """Scalar product."""
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


@part
def cross(a: Vector, b: Vector) -> Vector:
    """Vector product."""
    return (
        a[1] * b[2] - a[2] * b[1],
        a[2] * b[0] - a[0] * b[2],
        a[0] * b[1] - a[1] * b[0],
    )


@part
def add(a: Vector, s: Any, b: Vector) -> Vector:
    """Sum a + s b."""
    return a[0] + s * b[0], a[1] + s * b[1], a[2] + s * b[2]


@part
def less(a: Vector, b: Vector) -> Vector:
    """Difference a - b."""
    return a[0] - b[0], a[1] - b[1], a[2] - b[2]


@part
def scaled(s: Any, v: Vector) -> Vector:
    """Multiple s v."""
    return s * v[0], s * v[1], s * v[2]


@part
def add_where(a: Vector, where: Any, s: Any, b: Vector) -> Vector:
    """Sum a + s b where it is to be added; what is not a number elsewhere does no harm."""
    return choose_row(where, add(a, s, b), a)


@part
def turned(rotation: Floats, body: int, v: Vector) -> Vector:
    """Turn a vector from the frame of a body into that of the thorax."""
    k = 3 * body
    return dot(row(rotation, k), v), dot(row(rotation, k + 1), v), dot(row(rotation, k + 2), v)


@part
def spun(axis: Vector, sine: Any, versine: Any, v: Vector) -> Vector:
    """Turn a vector about a unit axis (Rodrigues), by the angle of that sine and 1 - cosine."""
    once = cross(axis, v)
    return add(add(v, sine, once), versine, cross(axis, once))


@part
def tangent_length(distance: Any, radius: Any) -> Any:
    """Length of the tangent from a point to a circle; 0 on and in it, NaN stays."""
    square = (distance - radius) * (distance + radius)
    return root(choose(square <= 0.0, 0.0, square))


@part
def is_inside(distance: Any, radius: Any) -> Any:
    """Whether a point lies within the surface."""
    return distance < radius * (1.0 - ON_SURFACE)


@part
def some_normal(p: Vector) -> Vector:
    """Give a vector square to another: the twin's choice where any will do."""
    x, y, z = size(p[0]), size(p[1]), size(p[2])
    first, second = (x <= y) & (x <= z), y <= z
    return (
        choose(first, 0.0, choose(second, 0.0 - p[2], p[1])),
        choose(first, p[2], choose(second, 0.0, 0.0 - p[0])),
        choose(first, 0.0 - p[1], choose(second, p[0], 0.0)),
    )


@part
def round_sphere(start: Vector, end: Vector, centre: Vector, radius: Any) -> Answer:
    """Contact, inside, arc length, margin, point of entering and of leaving.

    The last two hold the start where there is no contact.
    """
    p, q = less(start, centre), less(end, centre)
    dp, dq = root(dot(p, p)), root(dot(q, q))
    normal, along = cross(p, q), dot(p, q)
    sine = root(dot(normal, normal))
    tp, tq = tangent_length(dp, radius), tangent_length(dq, radius)
    inside = is_inside(dp, radius) | is_inside(dq, radius)
    margin = math.pi - angle_of(sine, along)
    real, less_real = radius * radius - tp * tq, radius * (tp + tq)
    height, width = sine * real - along * less_real, along * real + sine * less_real
    # Both ends on the surface, opposite each other: the height is zero, the angle π.
    half_turn = (less_real == 0.0) & (width < 0.0)
    on = other(inside) & ((height > 0.0) | half_turn)
    if not any_of(on):
        return on, inside, 0.0 * radius, margin, start, start
    arc = radius * angle_of(height, width)
    collinear = sine <= COLLINEAR * dp * dq
    if any_of(on & collinear):
        # Any plane through the line will do.
        normal = choose_row(collinear, some_normal(p), normal)
        sine = root(dot(normal, normal))
    far, near = radius / (dp * dp), radius / (dq * dq)
    enter = add(add(centre, far * radius, p), far * tp / sine, cross(normal, p))
    leave = add(add(centre, near * radius, q), 0.0 - near * tq / sine, cross(normal, q))
    arc = choose(on, arc, 0.0)
    return on, inside, arc, margin, choose_row(on, enter, start), choose_row(on, leave, start)


@part
def round_cylinder(
    start: Vector,
    end: Vector,
    centre: Vector,
    axis: Vector,
    radius: Any,
    sense: float,
    largest: float,
) -> Answer:
    """As :func:`round_sphere`, for an infinite cylinder rounded in the stored sense.

    ``largest`` is the wrap angle at which it lets go [rad].
    """
    p, q = less(start, centre), less(end, centre)
    ap, aq = dot(p, axis), dot(q, axis)
    p, q = add(p, 0.0 - ap, axis), add(q, 0.0 - aq, axis)
    dp, dq = root(dot(p, p)), root(dot(q, q))
    # A point on the axis has no direction; the twin takes the turn as nil.
    nowhere = (dp == 0.0) | (dq == 0.0)
    along = choose(nowhere, 1.0, dot(p, q))
    turn = choose(nowhere, 0.0, sense * dot(axis, cross(p, q)))
    tp, tq = tangent_length(dp, radius), tangent_length(dq, radius)
    inside = is_inside(dp, radius) | is_inside(dq, radius)
    real, less_real = radius * radius - tp * tq, radius * (tp + tq)
    height = turn * real - along * less_real
    angle = angle_of(height, along * real + turn * less_real)
    gap = size(angle - largest)
    back = 2.0 * math.pi - gap
    margin = choose(back < gap, back, gap)
    on = other(inside) & (height > 0.0) & (angle < largest)
    if not any_of(on):
        return on, inside, 0.0 * radius, margin, start, start
    arc = radius * angle
    climb, planar = aq - ap, tp + tq + arc
    slope = climb / planar
    base = add(centre, ap, axis)
    far, near = radius / (dp * dp), radius / (dq * dq)
    enter = add(add(base, far * radius, p), sense * far * tp, cross(axis, p))
    leave = add(add(base, near * radius, q), 0.0 - sense * near * tq, cross(axis, q))
    enter, leave = add(enter, slope * tp, axis), add(leave, slope * (tp + arc), axis)
    stretch = root(planar * planar + climb * climb) / planar
    arc = choose(on, arc * stretch, 0.0)
    return on, inside, arc, margin, choose_row(on, enter, start), choose_row(on, leave, start)

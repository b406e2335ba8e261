"""The paths of every head compiled: frame by frame, head by head.

The twin of the NumPy form in :mod:`momentshare.paths`, which explains the formulas; the
surfaces are those of :mod:`momentshare.geometry`. Imported late, since compiling needs numba.
Everything compiled stands in this one file, because the compile cache watches only the file
of the outermost function.

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

from momentshare._kernels.compiling import Function, keep

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Vector = tuple[float, float, float]
    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]
    Flags = NDArray[np.bool_]
    Answer = tuple[bool, bool, float, float, Vector, Vector]


OPTIONS: dict[str, Any] = {
    "nogil": True,
    "error_model": "numpy",
    "fastmath": {"contract"},
    "_nrt": False,
}


def compiled(function: Function) -> Function:
    """Compile; NaN and infinity keep their meaning, products and sums may be fused.

    Nothing is allocated within, so that no view of an array has to be counted: a fourth of the
    time otherwise.
    """
    made: Any = njit(**OPTIONS)(function)
    keep(made, [__file__])
    return made  # type: ignore[no-any-return]


SITE, SPHERE = 0, 1
"""Kinds of step, as in :mod:`momentshare._kernels.flat`; any other is a cylinder."""

ON_SURFACE = 1e-9
COLLINEAR = 1e-12
HANGING = 1e-9
"""As in ``geometry.sphere`` and ``posture``; a test compares them."""


@compiled
def row(a: Floats, i: int) -> Vector:
    """Row i of an array as a vector."""
    return a[i, 0], a[i, 1], a[i, 2]


@compiled
def put(a: Floats, i: int, v: Vector) -> None:
    """Write a vector into row i of an array."""
    a[i, 0], a[i, 1], a[i, 2] = v


@compiled
def dot(a: Vector, b: Vector) -> float:
    """Scalar product."""
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


@compiled
def cross(a: Vector, b: Vector) -> Vector:
    """Vector product."""
    return (
        a[1] * b[2] - a[2] * b[1],
        a[2] * b[0] - a[0] * b[2],
        a[0] * b[1] - a[1] * b[0],
    )


@compiled
def add(a: Vector, s: float, b: Vector) -> Vector:
    """Sum a + s b."""
    return a[0] + s * b[0], a[1] + s * b[1], a[2] + s * b[2]


@compiled
def turned(rotation: Floats, v: Vector) -> Vector:
    """Return the vector in the parent frame."""
    return (
        rotation[0, 0] * v[0] + rotation[0, 1] * v[1] + rotation[0, 2] * v[2],
        rotation[1, 0] * v[0] + rotation[1, 1] * v[1] + rotation[1, 2] * v[2],
        rotation[2, 0] * v[0] + rotation[2, 1] * v[1] + rotation[2, 2] * v[2],
    )


@compiled
def spun(axis: Vector, angle: float, v: Vector) -> Vector:
    """Turn a vector about a unit axis (Rodrigues)."""
    half = math.sin(0.5 * angle)
    once = cross(axis, v)
    return add(add(v, math.sin(angle), once), 2.0 * half * half, cross(axis, once))


@compiled
def tangent_length(distance: float, radius: float) -> float:
    """Length of the tangent from a point to a circle; 0 on and in it, NaN stays."""
    square = (distance - radius) * (distance + radius)
    return 0.0 if square <= 0.0 else math.sqrt(square)


@compiled
def is_inside(distance: float, radius: float) -> bool:
    """Whether a point lies within the surface."""
    return distance < radius * (1.0 - ON_SURFACE)


@compiled
def round_sphere(start: Vector, end: Vector, centre: Vector, radius: float) -> Answer:
    """Contact, inside, arc length, margin, point of entering and of leaving.

    The last two hold the start where there is no contact.
    """
    p, q = add(start, -1.0, centre), add(end, -1.0, centre)
    dp, dq = math.sqrt(dot(p, p)), math.sqrt(dot(q, q))
    normal, along = cross(p, q), dot(p, q)
    sine = math.sqrt(dot(normal, normal))
    tp, tq = tangent_length(dp, radius), tangent_length(dq, radius)
    inside = is_inside(dp, radius) or is_inside(dq, radius)
    margin = math.pi - math.atan2(sine, along)
    real, less = radius * radius - tp * tq, radius * (tp + tq)
    height, width = sine * real - along * less, along * real + sine * less
    # Both ends on the surface, opposite each other: the height is zero, the angle π.
    half_turn = less == 0.0 and width < 0.0
    if inside or not (height > 0.0 or half_turn):
        return False, inside, 0.0, margin, start, start
    angle = math.atan2(height, width)
    if sine <= COLLINEAR * dp * dq:
        # Any plane through the line will do; the twin's choice is taken.
        x, y, z = abs(p[0]), abs(p[1]), abs(p[2])
        if x <= y and x <= z:
            normal = (0.0, p[2], -p[1])
        elif y <= z:
            normal = (-p[2], 0.0, p[0])
        else:
            normal = (p[1], -p[0], 0.0)
        sine = math.sqrt(dot(normal, normal))
    unit = (normal[0] / sine, normal[1] / sine, normal[2] / sine)
    share = radius / (dp * dp)
    enter = add(add(centre, share * radius, p), share * tp, cross(unit, p))
    share = radius / (dq * dq)
    leave = add(add(centre, share * radius, q), -share * tq, cross(unit, q))
    return True, False, radius * angle, margin, enter, leave


@compiled
def round_cylinder(
    start: Vector,
    end: Vector,
    centre: Vector,
    axis: Vector,
    radius: float,
    sense: float,
    largest: float,
) -> Answer:
    """As :func:`round_sphere`, for an infinite cylinder rounded in the stored sense.

    ``largest`` is the wrap angle at which it lets go [rad].
    """
    p, q = add(start, -1.0, centre), add(end, -1.0, centre)
    ap, aq = dot(p, axis), dot(q, axis)
    p, q = add(p, -ap, axis), add(q, -aq, axis)
    dp, dq = math.sqrt(dot(p, p)), math.sqrt(dot(q, q))
    along, turn = dot(p, q), sense * dot(axis, cross(p, q))
    if dp == 0.0 or dq == 0.0:
        # A point on the axis has no direction; the twin takes the turn as nil.
        along, turn = 1.0, 0.0
    tp, tq = tangent_length(dp, radius), tangent_length(dq, radius)
    inside = is_inside(dp, radius) or is_inside(dq, radius)
    real, less = radius * radius - tp * tq, radius * (tp + tq)
    height = turn * real - along * less
    angle = math.atan2(height, along * real + turn * less)
    gap = abs(angle - largest)
    margin = min(gap, 2.0 * math.pi - gap)
    if inside or not height > 0.0 or not angle < largest:
        return False, inside, 0.0, margin, start, start
    arc = radius * angle
    climb, planar = aq - ap, tp + tq + arc
    slope = climb / planar
    base = add(centre, ap, axis)
    share = radius / (dp * dp)
    enter = add(add(base, share * radius, p), sense * share * tp, cross(axis, p))
    share = radius / (dq * dq)
    leave = add(add(base, share * radius, q), -sense * share * tq, cross(axis, q))
    stretch = math.sqrt(planar * planar + climb * climb) / planar
    return (
        True,
        False,
        arc * stretch,
        margin,
        add(enter, slope * tp, axis),
        add(leave, slope * (tp + arc), axis),
    )


@compiled
def beyond(level: int, joint: int) -> float:
    """1 for a body farther out than the joint, 0 for one nearer the trunk."""
    return 1.0 if level > joint else 0.0


@compiled
def round_surfaces(
    kind: Integers,
    item: Integers,
    sense: Floats,
    first: int,
    last: int,
    start: Vector,
    end: Vector,
    centre: Floats,
    axis: Floats,
    radius: Floats,
    largest: Floats,
    enter: Floats,
    leave: Floats,
    numbers: Floats,
    touch: Flags,
    rounds: int,
    settled: float,
) -> bool:
    """Lead a path round the surfaces of the steps first … last − 1, until nothing moves.

    Writes points of contact, arc length and margin (``numbers``) and contact by place in
    the run; returns whether a point lies within a surface. A surface that the path has let go
    of stays out of it.
    """
    count = last - first
    inside = False
    for k in range(count):
        touch[k] = False
        numbers[k, 2] = 0.0  # set when the path has let go of the surface for good
    for turn in range(rounds):
        moved, inside = 0.0, False
        for k in range(count):
            before, after = start, end
            for other in range(k):
                if touch[other]:
                    before = row(leave, other)
            for other in range(count - 1, k, -1):
                if touch[other]:
                    after = row(enter, other)
            s = item[first + k]
            if kind[first + k] == SPHERE:
                on, within, arc, margin, enters, leaves = round_sphere(
                    before, after, row(centre, s), radius[s]
                )
            else:
                on, within, arc, margin, enters, leaves = round_cylinder(
                    before, after, row(centre, s), row(axis, s), radius[s], sense[first + k],
                    largest[s],
                )  # fmt: skip
            if touch[k] and not on:
                numbers[k, 2] = 1.0
            elif numbers[k, 2] > 0.0:
                on, arc = False, 0.0
            if on != touch[k]:
                moved = math.inf
            elif on:
                for c in range(3):
                    moved = max(moved, abs(leaves[c] - leave[k, c]))
            touch[k] = on
            put(enter, k, enters)
            put(leave, k, leaves)
            numbers[k, 0], numbers[k, 1] = arc, margin
            inside = inside or within
        later = False
        for k in range(1, count):
            later = later or touch[k]
        # In the first round no surface knew of those after it; without contact none matters.
        if (turn == 0 and not later) or moved < settled:
            break
    return inside


@compiled
def trace_frames(
    first_line: Integers,
    first_step: Integers,
    kind: Integers,
    item: Integers,
    sense: Floats,
    site_level: Integers,
    surface_level: Integers,
    surface_bearer: Integers,
    site: Floats,
    centre: Floats,
    axis: Floats,
    radius: Floats,
    largest: Floats,
    humerus_length: Floats,
    forearm_axis: Floats,
    radial_head: Floats,
    limb: Integers,
    place: Integers,
    base_rotation: Floats,
    base_origin: Floats,
    joint: Floats,
    humerus: Floats,
    elbow_flexion: Floats,
    forearm_rotation: Floats,
    first: int,
    last: int,
    rounds: int,
    settled: float,
    length: Floats,
    moment_arms: Floats,
    shoulder_moment: Floats,
    line_of_action: Floats,
    contact: Flags,
    inside: Flags,
    margin: Floats,
    rotation: Floats,
    origin: Floats,
    point: Floats,
    middle: Floats,
    shaft: Floats,
    enter: Floats,
    leave: Floats,
    numbers: Floats,
    touch: Flags,
) -> None:
    """Trace every head in the rows first … last − 1 and write the fields of ``Paths``.

    A head is the mean of its lines.

    Row n has the numbers of limb ``limb[n]``, and clavicle, scapula and joint centre in row
    ``place[n]`` of ``base_rotation`` (…, 2, 3, 3), ``base_origin`` (…, 2, 3) and ``joint`` (…, 3).
    What follows ``margin`` is room to work in; ``rotation`` and ``origin`` begin as zeros.
    """
    heads = first_line.size - 1
    for n in range(first, last):
        d, base = limb[n], place[n]
        R = humerus[n]
        flexion, pronation = elbow_flexion[n], forearm_rotation[n]

        # Where the bodies are.
        for body in range(2):
            put(origin, 1 + body, row(base_origin[base], body))
            for c in range(3):
                for k in range(3):
                    rotation[1 + body, c, k] = base_rotation[base, body, c, k]
        bones, ulna, radius_bone = rotation[3], rotation[4], rotation[5]
        half = math.sin(0.5 * flexion)
        sine, cosine = math.sin(flexion), 1.0 - 2.0 * half * half
        for c in range(3):
            for k in range(3):
                bones[c, k] = R[c, k]
            ulna[c, 0] = R[c, 0] * cosine + R[c, 1] * sine
            ulna[c, 1] = R[c, 1] * cosine - R[c, 0] * sine
            ulna[c, 2] = R[c, 2]
        pivot, head_of_radius = row(forearm_axis, d), row(radial_head, d)
        for k in range(3):
            basis = (1.0 if k == 0 else 0.0, 1.0 if k == 1 else 0.0, 1.0 if k == 2 else 0.0)
            column = turned(ulna, spun(pivot, pronation, basis))
            radius_bone[0, k], radius_bone[1, k], radius_bone[2, k] = column
        shoulder = row(joint, base)
        y = (R[0, 1], R[1, 1], R[2, 1])
        elbow = add(shoulder, -humerus_length[d], y)
        put(origin, 3, shoulder)
        put(origin, 4, elbow)
        still = add(head_of_radius, -1.0, spun(pivot, pronation, head_of_radius))
        put(origin, 5, add(elbow, 1.0, turned(ulna, still)))
        hinge = (R[0, 2], R[1, 2], R[2, 2])
        spin, spin_point = turned(ulna, pivot), add(elbow, 1.0, turned(ulna, head_of_radius))
        for s in range(site_level.size):
            level, v = site_level[s], row(site[d], s)
            if level > 0:
                v = add(row(origin, level), 1.0, turned(rotation[level], v))
            put(point, s, v)
        for s in range(surface_level.size):
            level, v, w = surface_level[s], row(centre[d], s), row(axis[d], s)
            if level > 0:
                v = add(row(origin, level), 1.0, turned(rotation[level], v))
                w = turned(rotation[level], w)
            put(middle, s, v)
            put(shaft, s, w)

        # The axes of the arm frame: along the arm, of elevation, across.
        down = (-y[0], -y[1], -y[2])
        size = math.sqrt(down[2] * down[2] + down[0] * down[0])
        lift = (0.0, 0.0, 1.0)
        if size > HANGING:
            lift = (-down[2] / size, 0.0, down[0] / size)
        across = cross(lift, down)

        for h in range(heads):
            total, least, within, touched = 0.0, math.inf, False, False
            moment, pull = (0.0, 0.0, 0.0), (0.0, 0.0, 0.0)
            bend, twist = (0.0, 0.0, 0.0), (0.0, 0.0, 0.0)
            for line in range(first_line[h], first_line[h + 1]):
                here, level, bearer = (0.0, 0.0, 0.0), -1, -1
                step, stop = first_step[line], first_step[line + 1]
                while step < stop:
                    # A run of surfaces, which may be empty, and the site that ends it.
                    begin = step
                    while kind[step] != SITE:
                        step += 1
                    end, end_level = row(point, item[step]), site_level[item[step]]
                    count = step - begin
                    if count > 0:
                        within |= round_surfaces(
                            kind, item, sense, begin, step, here, end, middle, shaft, radius[d],
                            largest, enter, leave, numbers, touch, rounds, settled,
                        )  # fmt: skip
                    for k in range(count + 1):
                        if k < count:
                            if numbers[k, 1] < least or math.isnan(numbers[k, 1]):
                                least = numbers[k, 1]
                            if not touch[k]:
                                continue
                            touched = True
                            to, to_level = row(enter, k), surface_level[item[begin + k]]
                            to_bearer = surface_bearer[item[begin + k]]
                        else:
                            to, to_level, to_bearer = end, end_level, end_level
                        if level >= 0:
                            # The straight span from here.
                            way = add(to, -1.0, here)
                            size = math.sqrt(dot(way, way))
                            total += size
                            if level != to_level or bearer != to_bearer:
                                share = 1.0 / size if size != 0.0 else 1.0
                                u = (way[0] * share, way[1] * share, way[2] * share)
                                sign = beyond(level, 2) - beyond(to_level, 2)
                                if sign != 0.0:
                                    lever = cross(add(here, -1.0, shoulder), u)
                                    moment = add(moment, sign, lever)
                                sign = (1.0 if bearer > 2 else 0.0) - (
                                    1.0 if to_bearer > 2 else 0.0
                                )
                                if sign != 0.0:
                                    pull = add(pull, sign, u)
                                sign = beyond(level, 3) - beyond(to_level, 3)
                                if sign != 0.0:
                                    bend = add(bend, sign, cross(add(here, -1.0, elbow), u))
                                sign = beyond(level, 4) - beyond(to_level, 4)
                                if sign != 0.0:
                                    twist = add(twist, sign, cross(add(here, -1.0, spin_point), u))
                        here, level, bearer = to, to_level, to_bearer
                        if k < count:
                            total += numbers[k, 0]
                            here = row(leave, k)
                    step += 1
            lines = first_line[h + 1] - first_line[h]
            if lines > 1:
                part = 1.0 / lines
                total *= part
                moment = (part * moment[0], part * moment[1], part * moment[2])
                pull = (part * pull[0], part * pull[1], part * pull[2])
                bend = (part * bend[0], part * bend[1], part * bend[2])
                twist = (part * twist[0], part * twist[1], part * twist[2])
            length[n, h] = total
            moment_arms[n, 0, h] = dot(y, moment)
            moment_arms[n, 1, h] = dot(lift, moment)
            moment_arms[n, 2, h] = dot(across, moment)
            moment_arms[n, 3, h] = -dot(hinge, bend)
            moment_arms[n, 4, h] = dot(spin, twist)
            put(shoulder_moment[n], h, moment)
            put(line_of_action[n], h, pull)
            contact[n, h], inside[n, h], margin[n, h] = touched, within, least

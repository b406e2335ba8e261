"""The paths of every head compiled: eight frames side by side, head by head.

The twin of the NumPy form in :mod:`momentshare.paths`, which explains the formulas. Imported late,
since compiling needs numba. What one frame does not do and another does is done for both and
chosen, so that no frame depends on its company.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numba import njit

from momentshare._kernels import lanes as _lanes
from momentshare._kernels import surfaces as _surfaces
from momentshare._kernels.compiling import Function, keep
from momentshare._kernels.lanes import (
    LANES,
    any_of,
    choose,
    is_nan,
    other,
    put,
    root,
    size,
    spread,
    take,
)
from momentshare._kernels.surfaces import (
    OPTIONS,
    add,
    add_where,
    choose_row,
    cross,
    dot,
    less,
    part,
    put_row,
    round_cylinder,
    round_sphere,
    row,
    scaled,
    spun,
    turned,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Vector = tuple[Any, Any, Any]
    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]
    Flags = NDArray[np.bool_]


def compiled(function: Function) -> Function:
    """Compile the kernel and keep it.

    Nothing is allocated within, so that no view of an array has to be counted: a fourth of the
    time otherwise.
    """
    made: Any = njit(**OPTIONS)(function)
    keep(made, [__file__, str(_lanes.__file__), str(_surfaces.__file__)])
    return made  # type: ignore[no-any-return]


SITE, SPHERE = 0, 1
"""Kinds of step, as in :mod:`momentshare._kernels.flat`; any other is a cylinder."""

FOUND = 15
"""Numbers that are written of a head: length, five arms, moment, force, contact, inside, margin."""

HANGING = 1e-9
"""As in ``posture``; a test compares them."""


class Room(NamedTuple):
    """What a thread works in, arrays (rows, 8); vectors take three rows, rotations nine."""

    site: Floats  # numbers of the limbs: where sites are in the frame of their body
    centre: Floats
    axis: Floats
    radius: Floats
    bone: Floats  # axis of the forearm, head of the radius, length of the humerus
    turn: Floats  # sine and cosine of the elbow, sine and 1 - cosine of the forearm
    rotation: Floats  # of the six bodies
    origin: Floats
    point: Floats  # sites in the frame of the thorax
    middle: Floats  # centres of surfaces
    shaft: Floats  # their axes
    enter: Floats  # of the surfaces of a run
    leave: Floats
    numbers: Floats  # arc, margin, and 1 where the path has let go of the surface for good
    touch: Floats  # 1 where the path touches
    found: Floats  # what is written of a head


def room(sites: int, surfaces: int, run: int) -> Room:
    """Give room for so many sites, surfaces, and surfaces in one run."""
    given = (3 * sites, 3 * surfaces, 3 * surfaces, surfaces, 7, 4)
    placed = (54, 18, 3 * sites, 3 * surfaces, 3 * surfaces)
    met = (3 * run, 3 * run, 3 * run, run, FOUND)
    return Room(*(np.zeros((count, LANES)) for count in (*given, *placed, *met)))


@part
def beyond(level: int, joint: int) -> float:
    """1 for a body farther out than the joint, 0 for one nearer the trunk."""
    return 1.0 if level > joint else 0.0


@part
def round_surfaces(
    kind: Integers,
    item: Integers,
    sense: Floats,
    largest: Floats,
    first: int,
    last: int,
    start: Vector,
    end: Vector,
    work: Room,
    rounds: int,
    settled: float,
) -> Any:
    """Lead a path round the surfaces of the steps first … last − 1, until nothing moves.

    Writes points of contact, arc length and margin (``numbers``) and contact by place in
    the run; returns where a point lies within a surface. A surface that the path has let go
    of stays out of it. A frame that has come to rest stays as it is.
    """
    enter, leave, numbers, touch = work.enter, work.leave, work.numbers, work.touch
    count = last - first
    for k in range(count):
        put(touch, k, 0.0)
        put(numbers, 3 * k + 2, 0.0)
    zero = spread(0.0)
    moving, inside = zero == 0.0, zero > 0.0
    for turn in range(rounds):
        moved, within = zero, zero > 0.0
        for k in range(count):
            before, after = start, end
            for before_it in range(k):
                before = choose_row(take(touch, before_it) > 0.0, row(leave, before_it), before)
            for behind in range(count - 1, k, -1):
                after = choose_row(take(touch, behind) > 0.0, row(enter, behind), after)
            s = item[first + k]
            if kind[first + k] == SPHERE:
                on, hidden, arc, margin, enters, leaves = round_sphere(
                    before, after, row(work.middle, s), take(work.radius, s)
                )
            else:
                on, hidden, arc, margin, enters, leaves = round_cylinder(
                    before, after, row(work.middle, s), row(work.shaft, s),
                    take(work.radius, s), sense[first + k], largest[s],
                )  # fmt: skip
            was, gone = take(touch, k), take(numbers, 3 * k + 2)
            let_go = (was > 0.0) & other(on)
            on = on & (gone == 0.0)
            shift = less(leaves, row(leave, k))
            for way in (size(shift[0]), size(shift[1]), size(shift[2])):
                moved = choose(on & (way > moved), way, moved)
            moved = choose(on ^ (was > 0.0), math.inf, moved)
            put(touch, k, choose(moving, choose(on, 1.0, zero), was))
            put(numbers, 3 * k + 2, choose(moving & let_go, 1.0, gone))
            put(numbers, 3 * k, choose(moving, choose(on, arc, 0.0), take(numbers, 3 * k)))
            put(numbers, 3 * k + 1, choose(moving, margin, take(numbers, 3 * k + 1)))
            put_row(enter, k, choose_row(moving, enters, row(enter, k)))
            put_row(leave, k, choose_row(moving, leaves, row(leave, k)))
            within = within | hidden
        inside = (moving & within) | (other(moving) & inside)
        moving = moving & other(moved < settled)
        if turn == 0:
            # No surface knew yet of those after it; without contact none matters.
            later = zero > 0.0
            for k in range(1, count):
                later = later | (take(touch, k) > 0.0)
            moving = moving & later
        if not any_of(moving):
            break
    return inside


@part
def place_bodies(work: Room) -> None:
    """Find forearm, sites and surfaces' bodies from humerus and joints."""
    rotation, origin = work.rotation, work.origin
    sine, cosine = take(work.turn, 0), take(work.turn, 1)
    for c in range(3):
        x, y, z = row(rotation, 9 + c)
        put_row(rotation, 12 + c, (x * cosine + y * sine, y * cosine - x * sine, z))
    pivot, head = row(work.bone, 0), row(work.bone, 1)
    sine, versine = take(work.turn, 2), take(work.turn, 3)
    for k in range(3):
        basis = (
            spread(1.0 if k == 0 else 0.0),
            spread(1.0 if k == 1 else 0.0),
            spread(1.0 if k == 2 else 0.0),
        )
        x, y, z = turned(rotation, 4, spun(pivot, sine, versine, basis))
        put(rotation, 45 + k, x)
        put(rotation, 48 + k, y)
        put(rotation, 51 + k, z)
    along = take(rotation, 28), take(rotation, 31), take(rotation, 34)
    elbow = add(row(origin, 3), 0.0 - take(work.bone, 6), along)
    put_row(origin, 4, elbow)
    still = less(head, spun(pivot, sine, versine, head))
    put_row(origin, 5, add(elbow, 1.0, turned(rotation, 4, still)))


@part
def place_on_bodies(site_level: Integers, surface_level: Integers, work: Room) -> None:
    """Find where sites and surfaces are."""
    for s in range(site_level.size):
        level, v = site_level[s], row(work.site, s)
        if level > 0:
            v = add(row(work.origin, level), 1.0, turned(work.rotation, level, v))
        put_row(work.point, s, v)
    for s in range(surface_level.size):
        level, v, w = surface_level[s], row(work.centre, s), row(work.axis, s)
        if level > 0:
            v = add(row(work.origin, level), 1.0, turned(work.rotation, level, v))
            w = turned(work.rotation, level, w)
        put_row(work.middle, s, v)
        put_row(work.shaft, s, w)


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
    work: Room,
    length: Floats,
    moment_arms: Floats,
    shoulder_moment: Floats,
    line_of_action: Floats,
    contact: Flags,
    inside: Flags,
    margin: Floats,
) -> None:
    """Trace every head in the rows first … last − 1 and write the fields of ``Paths``.

    A head is the mean of its lines; a line begins with a site. The last eight frames are filled up
    with the last one.

    Row n has the numbers of limb ``limb[n]``, and clavicle, scapula and joint centre in row n of
    ``base_rotation`` (…, 2, 3, 3), ``base_origin`` (…, 2, 3) and ``joint`` (…, 3).
    """
    heads = first_line.size - 1
    zero = spread(0.0)
    for begin in range(first, last, LANES):
        for lane in range(LANES):
            n = min(begin + lane, last - 1)
            d = limb[n]
            before = min(begin - LANES + lane, last - 1)
            if begin == first or d != limb[before]:
                for s in range(site_level.size):
                    for c in range(3):
                        work.site[3 * s + c, lane] = site[d, s, c]
                for s in range(surface_level.size):
                    work.radius[s, lane] = radius[d, s]
                    for c in range(3):
                        work.centre[3 * s + c, lane] = centre[d, s, c]
                        work.axis[3 * s + c, lane] = axis[d, s, c]
                for c in range(3):
                    work.bone[c, lane] = forearm_axis[d, c]
                    work.bone[3 + c, lane] = radial_head[d, c]
                work.bone[6, lane] = humerus_length[d]
            for c in range(3):
                work.origin[9 + c, lane] = joint[n, c]
                for body in range(2):
                    work.origin[3 + 3 * body + c, lane] = base_origin[n, body, c]
                for k in range(3):
                    work.rotation[27 + 3 * c + k, lane] = humerus[n, c, k]
                    for body in range(2):
                        work.rotation[9 + 9 * body + 3 * c + k, lane] = base_rotation[n, body, c, k]
            flexion, pronation = elbow_flexion[n], forearm_rotation[n]
            half, other_half = math.sin(0.5 * flexion), math.sin(0.5 * pronation)
            work.turn[0, lane] = math.sin(flexion)
            work.turn[1, lane] = 1.0 - 2.0 * half * half
            work.turn[2, lane] = math.sin(pronation)
            work.turn[3, lane] = 2.0 * other_half * other_half
        place_bodies(work)
        place_on_bodies(site_level, surface_level, work)
        shoulder, elbow = row(work.origin, 3), row(work.origin, 4)
        spin = turned(work.rotation, 4, row(work.bone, 0))
        spin_point = add(elbow, 1.0, turned(work.rotation, 4, row(work.bone, 1)))
        hinge = take(work.rotation, 29), take(work.rotation, 32), take(work.rotation, 35)
        y = take(work.rotation, 28), take(work.rotation, 31), take(work.rotation, 34)

        # The axes of the arm frame: along the arm, of elevation, across.
        level_part = root(y[2] * y[2] + y[0] * y[0])
        raised = level_part > HANGING
        level_part = choose(raised, level_part, 1.0)
        lift = (
            choose(raised, y[2] / level_part, 0.0),
            zero,
            choose(raised, 0.0 - y[0] / level_part, 1.0),
        )
        across = cross(y, lift)

        for h in range(heads):
            total, least = zero, spread(math.inf)
            within, touched = zero > 0.0, zero > 0.0
            moment, pull = (zero, zero, zero), (zero, zero, zero)
            bend, twist = (zero, zero, zero), (zero, zero, zero)
            for line in range(first_line[h], first_line[h + 1]):
                step, stop = first_step[line], first_step[line + 1]
                here = row(work.point, item[step])
                level = site_level[item[step]]
                at = (
                    spread(beyond(level, 2)), spread(beyond(level, 3)), spread(beyond(level, 4)),
                    spread(beyond(level, 2)),
                )  # fmt: skip
                step += 1
                while step < stop:
                    # A run of surfaces, which may be empty, and the site that ends it.
                    start = step
                    while kind[step] != SITE:
                        step += 1
                    end = row(work.point, item[step])
                    count = step - start
                    if count > 0:
                        within = within | round_surfaces(
                            kind, item, sense, largest, start, step, here, end, work, rounds,
                            settled,
                        )  # fmt: skip
                    for k in range(count + 1):
                        on, to = zero == 0.0, end
                        level = bearer = site_level[item[step]]
                        if k < count:
                            left = take(work.numbers, 3 * k + 1)
                            least = choose((left < least) | is_nan(left), left, least)
                            on = take(work.touch, k) > 0.0
                            if not any_of(on):
                                continue
                            touched, to = touched | on, row(work.enter, k)
                            level = surface_level[item[start + k]]
                            bearer = surface_bearer[item[start + k]]
                        there = (
                            beyond(level, 2),
                            beyond(level, 3),
                            beyond(level, 4),
                            beyond(bearer, 2),
                        )
                        # The straight span from here.
                        way = less(to, here)
                        long = root(dot(way, way))
                        total = total + choose(on, long, 0.0)
                        turns = (
                            choose(on, at[0] - there[0], 0.0), choose(on, at[1] - there[1], 0.0),
                            choose(on, at[2] - there[2], 0.0), choose(on, at[3] - there[3], 0.0),
                        )  # fmt: skip
                        first_sign, last_sign = turns[0] != 0.0, turns[2] != 0.0
                        hinge_sign, borne = turns[1] != 0.0, turns[3] != 0.0
                        if any_of(first_sign | hinge_sign | last_sign | borne):
                            u = scaled(1.0 / choose(long != 0.0, long, 1.0), way)
                            if any_of(first_sign):
                                lever = cross(less(here, shoulder), u)
                                moment = add_where(moment, first_sign, turns[0], lever)
                            if any_of(borne):
                                pull = add_where(pull, borne, turns[3], u)
                            if any_of(hinge_sign):
                                lever = cross(less(here, elbow), u)
                                bend = add_where(bend, hinge_sign, turns[1], lever)
                            if any_of(last_sign):
                                lever = cross(less(here, spin_point), u)
                                twist = add_where(twist, last_sign, turns[2], lever)
                        if k < count:
                            total = total + choose(on, take(work.numbers, 3 * k), 0.0)
                            to = row(work.leave, k)
                        here = choose_row(on, to, here)
                        at = (
                            choose(on, there[0], at[0]), choose(on, there[1], at[1]),
                            choose(on, there[2], at[2]), choose(on, there[3], at[3]),
                        )  # fmt: skip
                    step += 1
            share = 1.0 / (first_line[h + 1] - first_line[h])
            moment, pull = scaled(share, moment), scaled(share, pull)
            put(work.found, 0, share * total)
            put(work.found, 1, dot(y, moment))
            put(work.found, 2, dot(lift, moment))
            put(work.found, 3, dot(across, moment))
            put(work.found, 4, 0.0 - dot(hinge, scaled(share, bend)))
            put(work.found, 5, dot(spin, scaled(share, twist)))
            put_row(work.found, 2, moment)
            put_row(work.found, 3, pull)
            put(work.found, 12, choose(touched, 1.0, zero))
            put(work.found, 13, choose(within, 1.0, zero))
            put(work.found, 14, least)
            for lane in range(min(LANES, last - begin)):
                n = begin + lane
                length[n, h] = work.found[0, lane]
                for k in range(5):
                    moment_arms[n, k, h] = work.found[1 + k, lane]
                for c in range(3):
                    shoulder_moment[n, h, c] = work.found[6 + c, lane]
                    line_of_action[n, h, c] = work.found[9 + c, lane]
                contact[n, h] = work.found[12, lane] > 0.0
                inside[n, h] = work.found[13, lane] > 0.0
                margin[n, h] = work.found[14, lane]

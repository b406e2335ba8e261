"""Where the shoulder joint comes to rest in presses, compiled: frame by frame, limb by limb.

The twin of :func:`momentshare.exercise.chain.settle` with the closing of
:mod:`momentshare.exercise.closing`, where the formulas are explained, for benches on which the
elbow has a closed form. Imported late, since compiling needs numba.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
from numba import njit

from momentshare._kernels.compiling import Function, keep

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Vector = tuple[float, float, float]
    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]

HEIGHT, OVER_JOINT, STRAIGHT, CHEST = 0, 1, 2, 3
"""What determines the hand's place: its height; on a bar path the distance towards the feet from
the hanging joint or from the joint as it is; the elbow's flexion at lock-out; the chest under the
bar."""

REACHED = 0.97
"""As in ``exercise.bar_path``; a test compares the two routes."""


def compiled(function: Function) -> Function:
    """Compile; NaN keeps its meaning, products and sums are taken as they are written."""
    made: Any = njit(nogil=True, error_model="numpy")(function)
    keep(made, [__file__])
    return made  # type: ignore[no-any-return]


@compiled
def upright(
    upper: float,
    fore: float,
    aside: float,
    thickness: float,
    height: float,
    sine: float,
    cosine: float,
) -> float:
    """Place on the chest, towards the feet, above which the forearm is upright."""
    if math.isfinite(height):
        room = upper * upper - aside * aside - (height - fore) * (height - fore)
        return max(math.sqrt(max(room, 0.0)) * cosine - height * sine, 0.0)
    still = (
        thickness * thickness
        - 2.0 * fore * thickness * cosine
        + fore * fore
        + aside * aside
        - upper * upper
    )
    return max(math.sqrt(max((fore * sine) * (fore * sine) - still, 0.0)) - fore * sine, 0.0)


@compiled
def on_chest(
    upper: float,
    fore: float,
    aside: float,
    thickness: float,
    usual: float,
    touch: float,
    shift: float,
    height: float,
    sine: float,
    cosine: float,
) -> tuple[float, float]:
    """Place of a bar on the chest, towards the feet from the joint and above it."""
    given = math.isfinite(height)
    most = upright(upper, fore, 0.0, thickness, height, sine, cosine)
    halfway = 0.5 * (
        upright(upper, fore, aside, thickness, height, sine, cosine) + min(usual, most)
    )
    place = touch if math.isfinite(touch) else halfway
    place = min(place + shift, max(place, REACHED * upper))
    if given:
        thickness = (height + place * sine) / cosine
    return thickness * sine + place * cosine, thickness * cosine - place * sine


@compiled
def place_shaft(
    upper: float,
    fore: float,
    cosine_of_tuck: float,
    tilt: float,
    height: float,
    lateral: float,
    up: tuple[float, float],
) -> Vector:
    """Direction of the upper arm that closes the chain on the outer side."""
    cosine_of_tuck = min(max(cosine_of_tuck, -1.0), 1.0)
    sine_of_tuck = math.sin(math.acos(cosine_of_tuck))
    side, reach = upper * sine_of_tuck, fore * math.cos(tilt)
    still = height * height + lateral * lateral + side * side - reach * reach
    lean, swing = 2.0 * height * side, 2.0 * lateral * side
    size = math.hypot(lean, swing)
    cosine = still / size if size > 0.0 else 0.0
    angle = math.acos(min(max(cosine, -1.0), 1.0)) - math.atan2(lean, swing)
    back, out = sine_of_tuck * math.sin(angle), sine_of_tuck * math.cos(angle)
    # Up and towards the head are (up[0], up[1], 0) and (-up[1], up[0], 0).
    return (
        -back * up[0] + cosine_of_tuck * up[1],
        -back * up[1] - cosine_of_tuck * up[0],
        out,
    )


@compiled
def place_joint(
    shaft: Vector,
    n: int,
    d: int,
    root: Floats,
    length: Floats,
    corner: Floats,
    hanging: Floats,
    rise: Floats,
    reach: Floats,
    follow: Floats,
    setting: Floats,
    add: Floats,
    angle: Floats,
) -> Vector:
    """Glenohumeral centre where the girdle of limb d has it in frame n."""
    elevation = math.acos(min(max(-shaft[1], -1.0), 1.0))
    lifted = math.sqrt(elevation * elevation + setting[d] * setting[d]) - setting[d]
    for k in range(6):
        angle[k] = hanging[d, k] + lifted * rise[d, k] + shaft[0] * reach[d, k]
        angle[k] += add[n, 0] * follow[d, 0, k] + add[n, 1] * follow[d, 1, k]
    a, b = angle[0], -angle[1]
    x = root[d, 0] + length[d] * math.sin(a) * math.cos(b)
    y = root[d, 1] - length[d] * math.sin(b)
    z = root[d, 2] + length[d] * math.cos(a) * math.cos(b)
    # The scapula turns its corner about z, x and y in this order.
    sine, cosine = math.sin(angle[5]), math.cos(angle[5])
    p = cosine * corner[d, 0] - sine * corner[d, 1]
    q = sine * corner[d, 0] + cosine * corner[d, 1]
    sine, cosine = math.sin(-angle[4]), math.cos(-angle[4])
    q, r = cosine * q - sine * corner[d, 2], sine * q + cosine * corner[d, 2]
    sine, cosine = math.sin(angle[3]), math.cos(angle[3])
    return x - (cosine * p + sine * r), y - q, z - (cosine * r - sine * p)


@compiled
def settle_frames(
    limb: Integers,
    rest: Floats,
    upper: Floats,
    fore: Floats,
    root: Floats,
    length: Floats,
    corner: Floats,
    hanging: Floats,
    rise: Floats,
    reach: Floats,
    follow: Floats,
    setting: Floats,
    add: Floats,
    tilt: Floats,
    spacing: Floats,
    tuck: Floats,
    footward: Floats,
    height: Floats,
    chest: Floats,
    touch: Floats,
    shift: Floats,
    up: tuple[float, float],
    mode: int,
    by_path: bool,
    flexion: float,
    first: int,
    last: int,
    rounds: int,
    settled: float,
    boldest: float,
    out: Floats,
) -> None:
    """Settle the joint centre in the frames first … last − 1 and write it to ``out``.

    Frame n is that of limb ``limb[n]``. ``tuck`` is read where there is no bar path, ``footward``
    where there is one; ``chest``, ``touch`` and ``shift`` on the chest only.
    """
    angle = np.empty(6)
    for n in range(first, last):
        d = limb[n]
        x, y, z = rest[d, 0], rest[d, 1], rest[d, 2]
        lx, ly, lz, ex, ey, ez = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
        for turn in range(rounds):
            mx, my = x - rest[d, 0], y - rest[d, 1]
            risen, headward = mx * up[0] + my * up[1], my * up[0] - mx * up[1]
            lateral = 0.5 * spacing[n] - z
            along, above = footward[n], height[n] - risen
            if mode == HEIGHT:
                along += headward
            elif mode == CHEST:
                along, above = on_chest(
                    upper[d], fore[d], lateral, chest[n, 0] - mx, chest[n, 1] + my,
                    touch[n] + my, shift[n], above, up[1], up[0],
                )  # fmt: skip
            if by_path:
                cosine_of_tuck = (along + fore[d] * math.sin(tilt[n])) / upper[d]
            else:
                cosine_of_tuck = math.cos(tuck[n])
                along = upper[d] * cosine_of_tuck - fore[d] * math.sin(tilt[n])
            if mode == STRAIGHT:
                whole = upper[d] * upper[d] + fore[d] * fore[d]
                whole += 2.0 * upper[d] * fore[d] * math.cos(flexion)
                above = math.sqrt(max(whole - along * along - lateral * lateral, 0.0))
            shaft = place_shaft(upper[d], fore[d], cosine_of_tuck, tilt[n], above, lateral, up)
            to = place_joint(
                shaft, n, d, root, length, corner, hanging, rise, reach, follow, setting, add, angle
            )
            sx, sy, sz = to[0] - x, to[1] - y, to[2] - z
            if not math.sqrt(sx * sx + sy * sy + sz * sz) > settled:
                break
            nx, ny, nz = to
            if turn > 0:
                cx, cy, cz = sx - ex, sy - ey, sz - ez
                size = cx * cx + cy * cy + cz * cz
                share = (sx * cx + sy * cy + sz * cz) / size if size > 0.0 else 0.0
                share = min(max(share, -boldest), boldest)
                nx -= share * (x - lx + cx)
                ny -= share * (y - ly + cy)
                nz -= share * (z - lz + cz)
            lx, ly, lz, ex, ey, ez = x, y, z, sx, sy, sz
            if turn < rounds - 1:
                x, y, z = nx, ny, nz
        out[n, 0], out[n, 1], out[n, 2] = x, y, z

"""How far to go along a Newton step, compiled: exact between kinks for p = 2, else near enough.

A kink is where a head enters or leaves a bound, or a slack the value zero.
"""

from __future__ import annotations

import math

from momentshare._kernels.compiling import inner
from momentshare.sharing._backends.kernels.frame import (
    CHANGE,
    DRIVE,
    FULL,
    RECIPROCAL,
    SLOPE,
    Limits,
    Work,
    root,
)

LOOSE = 1e12
"""Slope of a slack in its drive."""


@inner
def walk_kinks(heads: int, soft: int, work: Work, scale: float, begin: float, bend: float) -> float:
    """Length that ends the slope along the step when it is linear between kinks (p = 2)."""
    drive, change, slope, full = (
        work.long[DRIVE],
        work.long[CHANGE],
        work.long[SLOPE],
        work.long[FULL],
    )
    kinks = work.kinks
    curvature = bend
    for i in range(heads):
        enter, leave = math.inf, math.inf
        if change[i] > 0.0:
            if drive[i] < full[i]:
                leave = (full[i] - drive[i]) / change[i]
            if drive[i] <= 0.0:
                enter = -drive[i] / change[i]
        elif change[i] < 0.0:
            if drive[i] > 0.0:
                leave = -drive[i] / change[i]
            if drive[i] >= full[i]:
                enter = (full[i] - drive[i]) / change[i]
        kinks[i] = enter
        kinks[heads + i] = leave
        curvature += slope[i] * change[i] * change[i]
    t, value = 0.0, begin
    for _ in range(2 * heads + 1):
        nearest, which = math.inf, -1
        for k in range(2 * heads):
            if kinks[k] < nearest:
                nearest, which = kinks[k], k
        fall = curvature * (nearest - t)
        if which < 0 or value <= fall:
            return t + value / curvature
        value -= fall
        t = nearest
        head = which % heads
        inside = scale * work.long[RECIPROCAL][head] if head < soft else LOOSE
        bent = change[head] * change[head] * inside
        curvature += bent if which < heads else -bent
        curvature = max(curvature, bend)
        kinks[which] = math.inf
    return t


@inner
def slope_at(
    t: float, heads: int, soft: int, work: Work, scale: float, power: float,
    constant: float, bend: float,
) -> float:  # fmt: skip
    """Slope of the damped dual at length t along the step."""
    drive, change, full, reciprocal = (
        work.long[DRIVE],
        work.long[CHANGE],
        work.long[FULL],
        work.long[RECIPROCAL],
    )
    supplied = 0.0
    for i in range(soft):
        z = drive[i] + t * change[i]
        if z >= full[i]:
            supplied += change[i]
        elif z > 0.0:
            supplied += change[i] * scale * root(z * reciprocal[i], power)
    for i in range(soft, heads):
        supplied += change[i] * LOOSE * max(drive[i] + t * change[i], 0.0)
    return constant - supplied - bend * t


@inner
def halve_kinks(
    heads: int, soft: int, work: Work, scale: float, power: float,
    constant: float, bend: float, begin: float, limits: Limits,
) -> float:  # fmt: skip
    """Length at which the slope along the step is nearly gone, any p."""
    drive, change, full, kinks = work.long[DRIVE], work.long[CHANGE], work.long[FULL], work.kinks
    count = 0
    for i in range(heads):
        if change[i] != 0.0:
            for upper in range(2):
                t = ((full[i] if upper == 1 else 0.0) - drive[i]) / change[i]
                if t > 0.0 and math.isfinite(t):
                    at = count
                    while at > 0 and kinks[at - 1] > t:
                        kinks[at] = kinks[at - 1]
                        at -= 1
                    kinks[at] = t
                    count += 1
    low, low_slope, low_index = 0.0, begin, -1
    high, high_slope, high_index = math.inf, -math.inf, count
    while high_index - low_index > 1:
        middle = (low_index + high_index) // 2
        t = kinks[middle]
        value = slope_at(t, heads, soft, work, scale, power, constant, bend)
        if value > 0.0:
            low, low_slope, low_index = t, value, middle
        else:
            high, high_slope, high_index = t, value, middle
    if high_index == count:
        return low + max(low_slope, 0.0) / max(bend, 1e-300)
    side = 0
    t = low
    for _ in range(60):
        t = low + (high - low) * low_slope / max(low_slope - high_slope, 1e-300)
        value = slope_at(t, heads, soft, work, scale, power, constant, bend)
        if abs(value) <= limits.curvature * begin:
            break
        if value > 0.0:
            low, low_slope = t, value
            if side > 0:
                high_slope *= 0.5
            side = 1
        else:
            high, high_slope = t, value
            if side < 0:
                low_slope *= 0.5
            side = -1
    return t

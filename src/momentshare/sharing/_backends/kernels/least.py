"""Least effort among the activations that reach the same greatest factor, compiled.

The heads without reduced cost may share what the others leave of the balance as they like:

    minimise ½ Σ a_i²/q_i  subject to  Σ M_i a_i = r,  0 ≤ a ≤ 1.

With multipliers λ of the one to four rows each takes a_i = min(1, max(0, q_i M_i·λ)), and
whatever λ makes them supply they supply with least effort; so only the balance is left to
solve. Newton steps in the span of the heads between their bounds, and steps along what that
span lacks, go to the exact top of the concave dual between kinks; it has finitely many pieces.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from momentshare._kernels.compiling import inner

if TYPE_CHECKING:
    from momentshare.sharing._result import BoolArray, FloatArray

STEPS = 100
"""Steps before the frame is left to the NumPy stages."""


@inner
def span_of(M: FloatArray, chosen: BoolArray, depth: int, E: FloatArray, step: FloatArray) -> int:
    """Orthonormal basis of the columns chosen; returns its dimension."""
    size = 0
    for i in range(chosen.size):
        if not chosen[i] or size == depth:
            continue
        whole = 0.0
        for j in range(depth):
            step[j] = M[j, i]
            whole += step[j] * step[j]
        for _ in range(2):
            for c in range(size):
                part = 0.0
                for j in range(depth):
                    part += E[j, c] * step[j]
                for j in range(depth):
                    step[j] -= part * E[j, c]
        left = 0.0
        for j in range(depth):
            left += step[j] * step[j]
        if left > 1e-20 * whole:
            left = math.sqrt(left)
            for j in range(depth):
                E[j, size] = step[j] / left
            size += 1
    return size


@inner
def newton_step(
    M: FloatArray,
    q: FloatArray,
    chosen: BoolArray,
    g: FloatArray,
    size: int,
    depth: int,
    E: FloatArray,
    H: FloatArray,
    part: FloatArray,
    step: FloatArray,
) -> bool:
    """Shortest d in the span with Σ q_i M_i (M_i·d) = g over the heads chosen, by Cholesky."""
    for k in range(size):
        for c in range(k + 1):
            H[k, c] = 0.0
    for i in range(chosen.size):
        if chosen[i]:
            for k in range(size):
                total = 0.0
                for j in range(depth):
                    total += E[j, k] * M[j, i]
                part[k] = total
                for c in range(k + 1):
                    H[k, c] += q[i] * part[k] * part[c]
    for k in range(size):
        for c in range(k + 1):
            total = H[k, c]
            for i in range(c):
                total -= H[k, i] * H[c, i]
            if k > c:
                H[k, c] = total / H[c, c]
            elif total > 0.0:
                H[k, k] = math.sqrt(total)
            else:
                return False
    for k in range(size):
        total = 0.0
        for j in range(depth):
            total += E[j, k] * g[j]
        for c in range(k):
            total -= H[k, c] * part[c]
        part[k] = total / H[k, k]
    for k in range(size - 1, -1, -1):
        total = part[k]
        for c in range(k + 1, size):
            total -= H[c, k] * part[c]
        part[k] = total / H[k, k]
    for j in range(depth):
        total = 0.0
        for k in range(size):
            total += E[j, k] * part[k]
        step[j] = total
    return True


@inner
def top_along(
    slope: float,
    drive: FloatArray,
    change: FloatArray,
    q: FloatArray,
    may: BoolArray,
    kinks: FloatArray,
) -> float:
    """Length at which the slope of the dual along a step is gone."""
    heads = change.size
    curvature = 0.0
    for i in range(heads):
        kinks[i] = kinks[heads + i] = math.inf
        if not may[i] or change[i] == 0.0:
            continue
        low, high = -drive[i] / change[i], (1.0 - drive[i]) / change[i]
        if change[i] < 0.0:
            low, high = high, low
        if high > 0.0:
            kinks[heads + i] = high
            if low >= 0.0:
                kinks[i] = low
            else:
                curvature += change[i] * change[i] / q[i]
    t = 0.0
    while True:
        nearest, which = math.inf, -1
        for k in range(2 * heads):
            if kinks[k] < nearest:
                nearest, which = kinks[k], k
        if which < 0:
            return t
        fall = curvature * (nearest - t)
        if slope <= fall:
            return t + slope / curvature
        slope -= fall
        t = nearest
        bend = change[which % heads] ** 2 / q[which % heads]
        curvature = max(curvature + (bend if which < heads else -bend), 0.0)
        kinks[which] = math.inf


@inner
def least_effort(
    M: FloatArray,
    r: FloatArray,
    q: FloatArray,
    may: BoolArray,
    depth: int,
    reach: float,
    activation: FloatArray,
    work: FloatArray,
    drive: FloatArray,
    change: FloatArray,
    kinks: FloatArray,
    inside: BoolArray,
) -> bool:
    """Fill the activations of the heads that ``may`` change; false where the balance is missed."""
    heads = may.size
    E, H = work[:depth], work[depth : 2 * depth]
    g, step, part, lam = (
        work[2 * depth],
        work[2 * depth + 1],
        work[2 * depth + 2],
        work[2 * depth + 3],
    )
    for j in range(depth):
        lam[j] = 0.0
    before = math.inf
    for turn in range(STEPS):
        for j in range(depth):
            g[j] = r[j]
        for i in range(heads):
            inside[i] = False
            if may[i]:
                total = 0.0
                for j in range(depth):
                    total += M[j, i] * lam[j]
                total *= q[i]
                drive[i] = total
                inside[i] = turn == 0 or 0.0 < total < 1.0
                total = min(max(total, 0.0), 1.0)
                for j in range(depth):
                    g[j] -= total * M[j, i]
        left = 0.0
        for j in range(depth):
            left = max(left, abs(g[j]))
        near = left <= 1e-13 * reach
        if left <= 1e-15 * reach or (near and left >= before):
            break
        before = left if near else math.inf
        size = span_of(M, inside, depth, E, step)
        outside = 0.0
        if size < depth:
            for j in range(depth):
                step[j] = g[j]
            for _ in range(2):
                for k in range(size):
                    total = 0.0
                    for j in range(depth):
                        total += E[j, k] * step[j]
                    for j in range(depth):
                        step[j] -= total * E[j, k]
            for j in range(depth):
                outside += step[j] * step[j]
            outside = math.sqrt(outside)
        if turn == 0 and outside > 1e-11 * reach:
            return False
        if turn > 0 and outside > 1e-13 * reach:
            for j in range(depth):
                step[j] /= outside
        elif size == 0 or not newton_step(M, q, inside, g, size, depth, E, H, part, step):
            break
        t = 1.0
        if turn > 0:
            slope = 0.0
            for j in range(depth):
                slope += step[j] * g[j]
            for i in range(heads):
                change[i] = 0.0
                if may[i]:
                    whole = 0.0
                    for j in range(depth):
                        change[i] += M[j, i] * step[j]
                        whole += abs(M[j, i] * step[j])
                    change[i] = 0.0 if abs(change[i]) <= 1e-14 * whole else q[i] * change[i]
            t = top_along(slope, drive, change, q, may, kinks)
        for j in range(depth):
            lam[j] += t * step[j]
    if not left <= 1e-12 * reach:
        return False
    share = change
    for i in range(heads):
        share[i] = min(max(drive[i], 0.0), 1.0) if may[i] else 0.0
        inside[i] = may[i] and 0.0 < share[i] < 1.0
    # Beside weak heads λ is large and its rounding shows in strong ones: move them directly.
    size = span_of(M, inside, depth, E, step)
    for turn in range(3):
        left = 0.0
        for j in range(depth):
            g[j] = r[j]
            for i in range(heads):
                g[j] -= share[i] * M[j, i]
            left = max(left, abs(g[j]))
        if turn == 2 or size == 0:
            break
        if not newton_step(M, q, inside, g, size, depth, E, H, part, step):
            break
        for i in range(heads):
            if inside[i]:
                total = 0.0
                for j in range(depth):
                    total += M[j, i] * step[j]
                share[i] = min(max(share[i] + q[i] * total, 0.0), 1.0)
    if not left <= 1e-14 * reach:
        return False
    for i in range(heads):
        if may[i]:
            activation[i] = share[i]
    return True

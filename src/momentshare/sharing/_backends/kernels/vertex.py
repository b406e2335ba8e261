"""The dual simplex method on the few rows across the scaled direction, compiled, one frame.

Across the scaled direction g and the free columns only a few rows are left. With the
orthonormal basis N of what is left and u = g/|g| the linear programme is

    maximise Σ c_i a_i  subject to  Σ M_i a_i = t,  0 ≤ a ≤ 1,
    c = Aᵀ u,  M = Nᵀ A,  t = Nᵀ b,

and its dual the least of φ(y) = Σ max(0, c_i + M_i·y) − y·t over a y of one to four numbers.
The reduced cost c_i + M_i·y of a head says on which bound it rests; heads of the basis have
none. A step keeps that of all basic heads but one at zero and goes down φ past every
kink, where a head changes its bound, up to the one at which φ rises again: that
head joins the basis. Every frame begins at y = 0, or at its own answer without the last of its
rows, with an empty basis, filled along the steepest descent; so its answer depends on nothing
but itself.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from momentshare._kernels.compiling import inner

if TYPE_CHECKING:
    from typing import TypeAlias

    import numpy as np
    from numpy.typing import NDArray

    from momentshare.sharing._result import BoolArray, FloatArray

    Places: TypeAlias = NDArray[np.int64]

FOUND, SEPARATED, LEFT = 0, 1, 2
"""Codes of a frame: vertex found, no activation will do, given up."""

EXACT = 40
"""Steps after which rounding may miss the balance and the bounds by more."""

LONG = 60
"""Steps after which each goes to the nearest kink only and ties fall to the first head."""

STEPS = 400
"""Steps before a frame is given up."""


@inner
def across(Q: FloatArray, line: FloatArray, N: FloatArray, left: FloatArray) -> int:
    """Orthonormal basis of the complement of Q and ``line``; returns its dimension.

    Unit vectors, the one that sticks out most next, made orthogonal twice. Zero columns
    of Q stand for nothing.
    """
    rows = line.size
    count = rows - 1
    for j in range(rows):
        left[j] = 1.0 - line[j] * line[j]
    for k in range(Q.shape[1]):
        whole = 0.0
        for j in range(rows):
            left[j] -= Q[j, k] * Q[j, k]
            whole += Q[j, k] * Q[j, k]
        if whole > 0.5:
            count -= 1
    for n in range(count):
        best = 0
        for j in range(rows):
            if left[j] > left[best]:
                best = j
        for j in range(rows):
            N[j, n] = 0.0
        N[best, n] = 1.0
        for _ in range(2):
            part = 0.0
            for j in range(rows):
                part += line[j] * N[j, n]
            for j in range(rows):
                N[j, n] -= part * line[j]
            for k in range(Q.shape[1]):
                part = 0.0
                for j in range(rows):
                    part += Q[j, k] * N[j, n]
                for j in range(rows):
                    N[j, n] -= part * Q[j, k]
            for m in range(n):
                part = 0.0
                for j in range(rows):
                    part += N[j, m] * N[j, n]
                for j in range(rows):
                    N[j, n] -= part * N[j, m]
        square = 0.0
        for j in range(rows):
            square += N[j, n] * N[j, n]
        square = math.sqrt(square)
        for j in range(rows):
            N[j, n] /= square
            left[j] -= N[j, n] * N[j, n]
    return count


@inner
def dual_basis(
    M: FloatArray,
    basic: Places,
    size: int,
    depth: int,
    E: FloatArray,
    T: FloatArray,
    D: FloatArray,
) -> bool:
    """Vectors D_k in the span of the basic columns with M_basic(i)·D_k = δ_ik.

    Gram–Schmidt done twice, M_basic = E T with T upper triangular, and D = E T⁻ᵀ. False where
    a column depends on the others.
    """
    for k in range(size):
        i = basic[k]
        whole = 0.0
        for j in range(depth):
            E[j, k] = M[j, i]
            whole += M[j, i] * M[j, i]
        for c in range(k):
            T[c, k] = 0.0
        for _ in range(2):
            for c in range(k):
                part = 0.0
                for j in range(depth):
                    part += E[j, c] * E[j, k]
                T[c, k] += part
                for j in range(depth):
                    E[j, k] -= part * E[j, c]
        square = 0.0
        for j in range(depth):
            square += E[j, k] * E[j, k]
        if not square > 1e-26 * whole:
            return False
        T[k, k] = math.sqrt(square)
        for j in range(depth):
            E[j, k] /= T[k, k]
    for j in range(depth):
        for k in range(size - 1, -1, -1):
            total = E[j, k]
            for c in range(k + 1, size):
                total -= T[k, c] * D[j, c]
            D[j, k] = total / T[k, k]
    return True


@inner
def supply(
    M: FloatArray,
    t: FloatArray,
    on: BoolArray,
    basic: Places,
    size: int,
    depth: int,
    D: FloatArray,
    bare: FloatArray,
    rest: FloatArray,
    share: FloatArray,
) -> None:
    """Activations of the basic heads, refined once, and what they leave of the target.

    ``bare`` takes what the heads at one leave of it.
    """
    for j in range(depth):
        total = t[j]
        for i in range(on.size):
            part = M[j, i]
            total -= part if on[i] else 0.0
        bare[j] = total
        rest[j] = total
    for k in range(size):
        share[k] = 0.0
    for _ in range(2):
        for k in range(size):
            part = 0.0
            for j in range(depth):
                part += D[j, k] * rest[j]
            share[k] += part
        for j in range(depth):
            total = bare[j]
            for k in range(size):
                total -= M[j, basic[k]] * share[k]
            rest[j] = total


@inner
def walk(
    slope: float,
    change: FloatArray,
    cost: FloatArray,
    on: BoolArray,
    kinks: FloatArray,
    order: Places,
    long: bool,
    slack: float,
) -> tuple[int, float]:
    """Go along a step past the kinks until φ rises; returns the head there and the length.

    Bounds of the heads passed are changed. The head is −1 where φ falls without end.
    ``slack`` is a fall that rounding may feign: the last kink then counts, or if there is
    none the step is not worth going and the head is −2.
    """
    count = 0
    for i in range(change.size):
        # Written without a branch, which would be guessed wrong half of the time.
        kinks[count] = max(0.0, -cost[i] / (change[i] if change[i] != 0.0 else 1.0))
        order[count] = i
        count += int((change[i] < 0.0) if on[i] else (change[i] > 0.0))
    which, length = -1, 0.0
    while True:
        nearest, at = math.inf, -1
        for k in range(count):
            if kinks[k] < nearest:
                nearest, at = kinks[k], k
        if at < 0:
            if slope <= -slack:
                return -1, length
            return (which if which >= 0 else -2), length
        if which >= 0:
            on[which] = not on[which]
        which, length = order[at], nearest
        slope += abs(change[which])
        kinks[at] = math.inf
        if slope >= 0.0 or not long:
            return which, length


@inner
def reduce_costs(M: FloatArray, c: FloatArray, y: FloatArray, depth: int, cost: FloatArray) -> None:
    """Reduced cost of every head, c + Mᵀ y."""
    for i in range(c.size):
        cost[i] = c[i]
    for j in range(depth):
        for i in range(c.size):
            cost[i] += M[j, i] * y[j]


@inner
def solve_vertex(
    M: FloatArray,
    c: FloatArray,
    t: FloatArray,
    reach: float,
    depth: int,
    held: int,
    on: BoolArray,
    basic: Places,
    y: FloatArray,
    share: FloatArray,
    work: FloatArray,
    cost: FloatArray,
    change: FloatArray,
    kinks: FloatArray,
    order: Places,
    length: FloatArray,
    agree: float,
) -> tuple[int, int]:
    """Code and number of basic heads, from the y given; fills bounds, basis, y, activations.

    Where ``held`` is not less than zero, so many heads are basic and the bounds are settled.
    """
    heads = c.size
    E, T, D = work[:depth], work[depth : 2 * depth], work[2 * depth : 3 * depth]
    rest, step, bare = work[3 * depth], work[3 * depth + 1], work[3 * depth + 2]
    size = max(held, 0)
    reduce_costs(M, c, y, depth, cost)
    if held < 0:
        for i in range(heads):
            on[i] = cost[i] > 0.0
    for turn in range(STEPS):
        if not dual_basis(M, basic, size, depth, E, T, D):
            return LEFT, size
        supply(M, t, on, basic, size, depth, D, bare, rest, share)
        left = 0.0
        for j in range(depth):
            left += rest[j] * rest[j]
        left = math.sqrt(left)
        leaving, slope = size, 0.0
        if size < depth and left > (1e-15 if turn < EXACT else 1e-13) * reach:
            for j in range(depth):
                step[j] = rest[j] / left
            # Once more across the basis: a small rest is a difference of large numbers.
            square = 0.0
            for k in range(size):
                part = 0.0
                for j in range(depth):
                    part += E[j, k] * step[j]
                for j in range(depth):
                    step[j] -= part * E[j, k]
            for j in range(depth):
                square += step[j] * step[j]
            square = math.sqrt(square)
            for j in range(depth):
                step[j] /= square
                slope -= step[j] * rest[j]
        else:
            worst = 0.0
            for k in range(size):
                beyond = max(-share[k], share[k] - 1.0)
                if beyond > (1e-14 if turn < EXACT else 1e-12):
                    square = 0.0
                    for j in range(depth):
                        square += D[j, k] * D[j, k]
                    beyond /= math.sqrt(square)
                    if beyond > worst and (
                        turn < LONG or leaving == size or basic[k] < basic[leaving]
                    ):
                        leaving = k
                        worst = beyond if turn < LONG else 0.0
            if leaving == size:
                return FOUND, size
            up = share[leaving] > 1.0
            square = 0.0
            for j in range(depth):
                step[j] = D[j, leaving] if up else -D[j, leaving]
                square += step[j] * step[j]
            square = math.sqrt(square)
            slope = (1.0 - share[leaving] if up else share[leaving]) / square
            for j in range(depth):
                step[j] /= square
            on[basic[leaving]] = up
        for i in range(heads):
            change[i] = 0.0
        for j in range(depth):
            for i in range(heads):
                change[i] += M[j, i] * step[j]
        for i in range(heads):
            change[i] = change[i] if abs(change[i]) > 1e-13 * length[i] else 0.0
        for k in range(size):
            # Its bound is settled; the others of the basis do not move.
            change[basic[k]] = 0.0
        entering, far = walk(slope, change, cost, on, kinks, order, turn < LONG, agree * reach)
        if entering < 0:
            if leaving < size:
                on[basic[leaving]] = False
            if entering == -2:
                return FOUND, size
            asked = 0.0
            for j in range(depth):
                asked += step[j] * t[j]
            for i in range(heads):
                total = 0.0
                for j in range(depth):
                    total += M[j, i] * step[j]
                asked -= max(total, 0.0)
            return (SEPARATED if asked > agree * reach else LEFT), size
        if leaving == size:
            size += 1
        basic[leaving] = entering
        on[entering] = False
        for j in range(depth):
            y[j] += far * step[j]
        reduce_costs(M, c, y, depth, cost)
    return LEFT, size

"""What a frame needs beside the Newton method, compiled: large exponents and shortfalls.

A shortfall is solved in two stages. The Newton method ends where the unmet part separates
the wanted moment from everything the heads can supply within their bounds and the
inequalities: along that direction some heads must rest at a bound and some inequalities
must be in force. The rest of the answer is an ordinary balance across it, which can be met.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from momentshare._kernels.compiling import inner
from momentshare.sharing._backends.kernels.frame import (
    ACTIVE,
    BEFORE,
    DRIVE,
    FIXED,
    FULL,
    LAM,
    LEFT,
    PRICE,
    REST,
    TARGET,
    UPHILL,
    Limits,
    Work,
)
from momentshare.sharing._backends.kernels.newton import (
    apply_rows,
    bounded,
    prepare,
)

if TYPE_CHECKING:
    from momentshare.sharing._result import FloatArray


@inner
def nearer(
    rows: int, heads: int, soft: int, work: Work, power: float, exponent: float, scale: float,
    limits: Limits,
) -> tuple[float, float]:  # fmt: skip
    """Move the exponent from ``power`` towards p, and the multipliers with it."""
    step = min(limits.growth, exponent / power) if exponent > power else exponent / power
    following = exponent if abs(step * power - exponent) < 1e-12 else step * power
    top = 0.0
    for i in range(soft):
        top = max(top, work.long[ACTIVE][i])
    top = bounded(top, following)
    after = top
    # λ in effort per moment grows like p a^(p−1); written in the units before and after.
    factor = (following / power) * top ** (following - power)
    factor *= scale ** (power - 1.0) / after ** (following - 1.0)
    for j in range(rows):
        work.short[LAM][j] *= factor
    prepare(heads, soft, work, following, after)
    return following, after


@inner
def span_of(A: FloatArray, rows: int, heads: int, work: Work, limits: Limits) -> int:
    """Orthonormal columns of ``span`` that span the columns of A; returns how many.

    Gram–Schmidt, the longest remaining column first, done twice for accuracy.
    """
    span = work.squares[1]
    taken = 0
    first = 0.0
    for _ in range(rows):
        longest, which = 0.0, -1
        for i in range(heads):
            square = 0.0
            for j in range(rows):
                square += A[j, i] * A[j, i]
            for c in range(taken):
                part = 0.0
                for j in range(rows):
                    part += span[j, c] * A[j, i]
                square -= part * part
            if square > longest:
                longest, which = square, i
        if which < 0 or longest <= limits.spanned * first:
            break
        if taken == 0:
            first = longest
        for j in range(rows):
            span[j, taken] = A[j, which]
        orthogonalise(span, rows, taken)
        taken += 1
    return taken


@inner
def orthogonalise(span: FloatArray, rows: int, column: int) -> float:
    """Take earlier columns out of one and give it unit length; returns the length it had."""
    for _ in range(2):
        for c in range(column):
            part = 0.0
            for j in range(rows):
                part += span[j, c] * span[j, column]
            for j in range(rows):
                span[j, column] -= part * span[j, c]
    square = 0.0
    for j in range(rows):
        square += span[j, column] ** 2
    length = math.sqrt(square)
    for j in range(rows):
        span[j, column] = span[j, column] / length if length > 0.0 else 0.0
    return length


@inner
def complement_of(rows: int, taken: int, work: Work) -> int:
    """Orthonormal rows of ``rest_span``, across every column of ``span``; returns how many."""
    span, rest = work.squares[1], work.squares[2]
    for found in range(rows - taken):
        best, which = -1.0, 0
        for k in range(rows):
            # Length of the k-th axis outside what is spanned already.
            square = 1.0
            for c in range(taken + found):
                square -= span[k, c] ** 2
            if square > best:
                best, which = square, k
        for j in range(rows):
            span[j, taken + found] = 1.0 if j == which else 0.0
        orthogonalise(span, rows, taken + found)
        for j in range(rows):
            rest[found, j] = span[j, taken + found]
    return rows - taken


@inner
def unmet_across(rows: int, hard: int, count: int, work: Work) -> None:
    """Least change of the balance rows of ``left`` that brings it into the span.

    Puts it into ``rest`` (zero in the rows of inequalities) and the direction that separates,
    whose balance part it is, into ``price``.
    """
    normal, left, unmet, price = (
        work.squares[2],
        work.short[LEFT],
        work.short[REST],
        work.short[PRICE],
    )
    for j in range(rows):
        unmet[j] = 0.0
        price[j] = 0.0
    kept = 0
    for k in range(count):
        asked = 0.0
        for j in range(rows):
            asked += normal[k, j] * left[j]
        # Orthonormal in the balance rows; the whole normal and its demand go along.
        for c in range(kept):
            part = 0.0
            for j in range(hard):
                part += normal[c, j] * normal[k, j]
            for j in range(rows):
                normal[k, j] -= part * normal[c, j]
            asked -= part * work.short[UPHILL][c]
        square = 0.0
        for j in range(hard):
            square += normal[k, j] ** 2
        length = math.sqrt(square)
        if length <= 1e-9:
            continue
        for j in range(rows):
            normal[kept, j] = normal[k, j] / length
        work.short[UPHILL][kept] = asked / length
        for j in range(rows):
            price[j] += normal[kept, j] * work.short[UPHILL][kept]
        for j in range(hard):
            unmet[j] += normal[kept, j] * work.short[UPHILL][kept]
        kept += 1


@inner
def lie_across(
    A: FloatArray, rows: int, hard: int, heads: int, soft: int, work: Work, passes: int,
    limits: Limits,
) -> bool:  # fmt: skip
    """Set up the balance across ``price``, which separates; see ``staged``.

    Heads that push along it are held at their bounds (``fixed``, −1 for the others). What
    they leave unmet is a sharper ``price``, used where there is a second pass. False where
    nothing is left to separate.
    """
    B, left, price = work.loads[1], work.short[LEFT], work.short[PRICE]
    fixed, target = work.long[FIXED], work.short[TARGET]
    for _ in range(passes):
        square = 0.0
        for j in range(rows):
            square += price[j] ** 2
            left[j] = target[j]
        for i in range(heads):
            along, norm = 0.0, 0.0
            for j in range(rows):
                along += A[j, i] * price[j]
                norm += A[j, i] * A[j, i]
            bound = along * along > limits.across * limits.across * norm * square
            fixed[i] = (1.0 if along > 0.0 and i < soft else 0.0) if bound else -1.0
            for j in range(rows):
                B[j, i] = 0.0 if bound else A[j, i]
                if fixed[i] == 1.0:
                    left[j] -= A[j, i]
        taken = span_of(B, rows, heads, work, limits)
        count = complement_of(rows, taken, work)
        if count == 0:
            return False
        unmet_across(rows, hard, count, work)
    for j in range(rows):
        left[j] -= work.short[REST][j]
        work.short[BEFORE][j] = price[j]
    return True


@inner
def rejoin(A: FloatArray, rows: int, heads: int, work: Work) -> None:
    """Put the heads held at their bounds back, and the multiplier that holds them there.

    Any multiple of the separating direction may join λ; the smallest that will do is taken.
    """
    lam, drive, price = work.short[LAM], work.long[DRIVE], work.short[PRICE]
    fixed = work.long[FIXED]
    for j in range(rows):
        price[j] = work.short[BEFORE][j]
    apply_rows(A, rows, heads, lam, drive)
    reach = 0.0
    for i in range(heads):
        if fixed[i] >= 0.0:
            along = 0.0
            for j in range(rows):
                along += A[j, i] * price[j]
            needed = work.long[FULL][i] - drive[i] if along > 0.0 else -drive[i]
            if along != 0.0:
                reach = max(reach, needed / along)
            work.long[ACTIVE][i] = fixed[i]
    for j in range(rows):
        lam[j] += reach * price[j]

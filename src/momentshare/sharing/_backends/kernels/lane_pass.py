"""Eight frames side by side (p = 2): the Newton pass as vector code.

Compilers do not turn short loops over lanes into vector instructions by themselves, so the
pass is written for vectors of eight doubles, rows unrolled: :class:`Vector` writes each
operation into the code that numba compiles. On processors with narrower vectors the
compiler splits the operations, which gives the same numbers.

One pass does for eight frames what a step of ``kernels.newton`` does for one: drives,
activations, unmet moment and Hessian in one sweep over the heads, then the step by Cholesky.
It begins at λ = 0 with every head counted as free, so that the first step is the least
squares one. In place of an exact line search a step is capped, and cut where the slope along
it has turned to less than −½ of what it was: to where the line through both slopes is zero.
That settles nearly every frame within eight passes; the others are left to the kernel for
single frames.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from momentshare.sharing._backends.kernels.lane_code import (
    BASE,
    BOUND,
    DIRECTION,
    DONE,
    FIRST_STEP,
    GAP,
    LAM,
    LANES,
    LENGTH,
    MOMENT,
    RESIDUAL,
    ROW_SIZE,
    SIZE,
    SLOPE,
    STATIONARITY,
    TARGET,
    UNMET,
    Code,
    Vector,
    of_heads,
    opened,
    started,
)
from momentshare.sharing._backends.kernels.lane_exchange import in_order, write_exchange

if TYPE_CHECKING:
    from collections.abc import Callable

DAMPING = 1e-12
"""Part of the trace added to the diagonal of the Hessian."""

CAP = 8.0
"""Longest step, in units of the least-squares one."""

TURNED = -0.5
"""Slope along a step, relative to the one at its begin, from which the step is cut."""

ONWARD, COLD, WARM = 0, 1, 2
"""Kinds of pass: a later one, the first from λ = 0, the first from multipliers at hand."""


def write_set_up(code: Code, arms: Any, loads: Any, given: dict[str, Any]) -> None:
    """Write loads R∘c, row norms, targets and the size that rounding acts on.

    ``given`` points to capacity, passive, weights and reciprocal, each (heads, 8).
    """
    from numba.core import cgutils

    builder, rows = code.builder, code.rows
    squares, taken, bare = code.sums(rows), code.sums(rows), code.sums(rows)
    lowest = code.sums(1)[0]
    stride = builder.mul(code.heads, code.index(LANES))
    with cgutils.for_range(builder, code.heads) as loop:
        at = code.head(loop.index)
        R = code.load_head(arms, loop.index)
        c, passive = code.load(given["capacity"], at), code.load(given["passive"], at)
        for j in range(rows):
            load = R[j] * c
            code.store(load, loads, builder.add(at, builder.mul(stride, code.index(j))))
            code.add(squares[j], load * load)
            part = R[j] * passive
            code.add(taken[j], part)
            code.add(bare[j], part.size())
        half = code.constant(0.5) / code.load(given["weights"], at)
        code.store(half, given["reciprocal"], at)
        code.raise_to(lowest, c * -1.0)
    size = code.constant(0.0)
    whole = code.value(lowest).compare("<=", 0.0)
    for j in range(rows):
        square = code.value(squares[j])
        norm = square.root()
        # A row that no head turns takes its size from the others: left to the other kernel.
        whole = whole.both(square.compare(">", 0.0))
        moment = code.row(MOMENT, j)
        code.keep(ROW_SIZE, j, norm)
        code.keep(TARGET, j, (moment - code.value(taken[j])) / norm)
        size = size.most((moment.size() + code.value(bare[j])) / norm)
        for vector in (LAM, BASE, DIRECTION):
            code.keep(vector, j, code.constant(0.0))
    code.keep_single(SIZE, whole.choose(size, -1e300))
    for which in (SLOPE, DONE, LENGTH, FIRST_STEP):
        code.keep_single(which, code.constant(0.0))


def write_pass(code: Code, loads: Any, reciprocal: Any, tolerance: Any, first: Any) -> Any:
    """Write one Newton pass; gives the lanes that are done as the bits of a number.

    ``first`` tells the kind of pass: ``ONWARD``, ``COLD`` or ``WARM``.
    """
    from numba.core import cgutils

    builder, rows, ir = code.builder, code.rows, code.ir
    norm = [code.row(ROW_SIZE, j) for j in range(rows)]
    unit = [code.constant(1.0) / norm[j] for j in range(rows)]
    lam = [code.row(LAM, j) for j in range(rows)]
    price = [lam[j] * unit[j] for j in range(rows)]
    pairs = [(j, k) for j in range(rows) for k in range(j + 1)]
    supplied, bent, square = code.sums(rows), code.sums(len(pairs)), code.sums(1)[0]
    flags = ir.VectorType(ir.IntType(1), LANES)
    free_all = code.spread(builder.icmp_signed("==", first, code.index(COLD)), flags)
    begun = code.spread(builder.icmp_signed("==", first, code.index(WARM)), flags)
    with cgutils.for_range(builder, code.heads) as loop:
        A, r = code.load_head(loads, loop.index), code.load(reciprocal, code.head(loop.index))
        drive = A[0] * price[0]
        for j in range(1, rows):
            drive += A[j] * price[j]
        asked = r * drive
        a = asked.most(0.0).least(1.0)
        inside = asked.compare(">", 0.0).both(asked.compare("<", 1.0)).either(free_all)
        slope = inside.choose(r, 0.0)
        scaled = [slope * A[j] for j in range(rows)]
        for j in range(rows):
            code.add(supplied[j], A[j] * a)
        for slot, (j, k) in zip(bent, pairs, strict=True):
            code.add(slot, scaled[j] * A[k])
        code.add(square, a * a)
    rest = [code.row(TARGET, j) - code.value(supplied[j]) * unit[j] for j in range(rows)]
    H = {
        (j, k): code.value(slot) * (unit[j] * unit[k])
        for slot, (j, k) in zip(bent, pairs, strict=True)
    }
    worst = rest[0].size()
    for j in range(1, rows):
        worst = worst.most(rest[j].size())
    total = (code.single(SIZE) + code.value(square).root()) * code.spread(tolerance)
    done = code.single(DONE).compare(">", 0.5).either(worst.compare("<=", total))
    step = _solve(rows, rest, H)
    before = [code.row(DIRECTION, j) for j in range(rows)]
    reach, begin, ahead = step[0].size(), step[0] * rest[0], before[0] * rest[0]
    for j in range(1, rows):
        reach = reach.most(step[j].size())
        begin += step[j] * rest[j]
        ahead += before[j] * rest[j]
    turned = ahead.compare("<", code.single(SLOPE) * TURNED)
    known = reach
    for j in range(rows):
        known = known.most(lam[j].size())
    longest = free_all.choose(reach, begun.choose(known, code.single(FIRST_STEP)))
    length = (longest * CAP / reach.most(1e-300)).least(1.0)
    before_it = code.single(SLOPE)
    crossing = (before_it / (before_it - ahead)).most(0.1)
    length = turned.choose(code.single(LENGTH) * crossing, length)
    for j in range(rows):
        origin = turned.choose(code.row(BASE, j), lam[j])
        chosen = turned.choose(before[j], step[j])
        code.keep(LAM, j, done.choose(lam[j], origin + length * chosen))
        code.keep(BASE, j, origin)
        code.keep(DIRECTION, j, chosen)
    code.keep_single(SLOPE, turned.choose(code.single(SLOPE), begin))
    code.keep_single(DONE, done.choose(code.constant(1.0), 0.0))
    code.keep_single(LENGTH, length)
    code.keep_single(FIRST_STEP, longest)
    return builder.zext(builder.bitcast(done.value, ir.IntType(LANES)), code.index)


def _solve(rows: int, right: list[Vector], H: dict[tuple[int, int], Vector]) -> list[Vector]:
    """Write Cholesky's solution of H x = right, lane by lane."""
    trace = H[0, 0]
    for j in range(1, rows):
        trace += H[j, j]
    small = trace * DAMPING + 1e-300
    L: dict[tuple[int, int], Vector] = {}
    inverse: list[Vector] = []
    for j in range(rows):
        for k in range(j + 1):
            value = H[j, k] + small if j == k else H[j, k]
            for i in range(k):
                value -= L[j, i] * L[k, i]
            if j == k:
                pivot = value.most(small)
                unit = pivot * 0.0 + 1.0
                inverse.append(unit / pivot.root())
            else:
                L[j, k] = value * inverse[k]
    y: list[Vector] = []
    for j in range(rows):
        value = right[j]
        for i in range(j):
            value -= L[j, i] * y[i]
        y.append(value * inverse[j])
    x: dict[int, Vector] = {}
    for j in reversed(range(rows)):
        value = y[j]
        for i in range(j + 1, rows):
            value -= L[i, j] * x[i]
        x[j] = value * inverse[j]
    return [x[j] for j in range(rows)]


def write_certificate(
    code: Code, held: int, arms: Any, given: dict[str, Any], certified: Any, rounded: Any
) -> Any:
    """Write activations, multipliers and certificate; gives the lanes that are certified.

    The numbers of ``_certificate.certify`` for p = 2 and a moment that is met, from arms,
    capacities, passive forces, weights and moments as they were given. The last ``held`` rows
    are inequalities in force.
    """
    from numba.core import cgutils

    builder, rows, ir = code.builder, code.rows, code.ir
    norm = [code.row(ROW_SIZE, j) for j in range(rows)]
    price = [code.row(LAM, j) / norm[j] for j in range(rows)]
    total, bare = code.sums(rows), code.sums(rows)
    greatest, cost, parts, worst = code.sums(4)
    part, activation = code.spread(rounded), given["activation"]

    def of_head(i: Any) -> tuple[Vector, Vector, Vector, list[Vector], Vector]:
        at, R = code.head(i), code.load_head(arms, i)
        c, w = code.load(given["capacity"], at), code.load(given["weights"], at)
        drive = R[0] * price[0]
        for j in range(1, rows):
            drive += R[j] * price[j]
        return c, w, drive * c, R, at

    with cgutils.for_range(builder, code.heads) as loop:
        c, w, drive, R, at = of_head(loop.index)
        a = (drive * code.load(given["reciprocal"], at)).most(0.0).least(1.0)
        code.store(a, activation, at)
        force = c * a + code.load(given["passive"], at)
        terms = (R[0] * price[0]).size()
        for j in range(1, rows):
            terms += (R[j] * price[j]).size()
        for j in range(rows):
            moment = R[j] * force
            code.add(total[j], moment)
            code.add(bare[j], moment.size())
        code.raise_to(greatest, (w * a * 2.0).most(terms * c * part))
    most = code.value(greatest)
    scale = most.compare(">", 0.0).choose(most, 1.0)
    with cgutils.for_range(builder, code.heads) as loop:
        _, w, drive, _, at = of_head(loop.index)
        a = code.load(activation, at)
        reduced = (drive.most(0.0) / (w * 2.0)).least(1.0)
        effort = w * a * a
        code.add(cost, effort)
        code.add(parts, effort + drive * reduced - w * reduced * reduced - drive * a)
        excess = drive - w * a * 2.0
        excess = a.compare(">=", 1.0).choose(excess.least(0.0), excess)
        excess = a.compare("<=", 0.0).choose(excess.most(0.0), excess)
        code.raise_to(worst, (excess.size() / scale).least((a - reduced).size()))
    near, residual, size = code.constant(0.0), code.constant(0.0), code.constant(0.0)
    loose, priced, bound = code.constant(0.0), code.constant(0.0), code.constant(0.0)
    for j in range(rows):
        moment = code.row(MOMENT, j)
        unmet = moment - code.value(total[j])
        code.keep(UNMET, j, unmet)
        code.keep(LAM, j, price[j])
        reach = moment.size() + code.value(bare[j])
        if j < rows - held:
            residual = residual.most(unmet.size())
            near = near.most(unmet.size() / norm[j])
            size = size.most(reach / norm[j])
        else:
            bound = bound.most(unmet * -1.0 / reach.compare(">", 0.0).choose(reach, 1.0))
        loose += price[j] * unmet
        priced += price[j].size() * reach
    spent = code.value(cost).most(priced * part)
    gap = (code.value(parts) - loose) / spent.compare(">", 0.0).choose(spent, 1.0)
    for which, value in (
        (RESIDUAL, residual), (BOUND, bound), (STATIONARITY, code.value(worst)),
        (GAP, gap),
    ):  # fmt: skip
        code.keep_single(which, value)
    limit = code.spread(certified)
    good = near.compare("<=", size * limit).both(code.value(worst).compare("<=", limit))
    good = good.both(gap.size().compare("<=", limit)).both(gap.compare("==", gap))
    good = good.both(code.single(DONE).compare(">", 0.5)).both(bound.compare("<=", limit))
    return builder.zext(builder.bitcast(good.value, ir.IntType(LANES)), code.index)


def lane_functions() -> tuple[Callable[..., Any], ...]:
    """Give the written code as functions for compiled code.

    ``set_up(rows, arms, loads, heads, state)``, ``lane_pass(rows, loads, heads, state,
    tolerance, first)``, ``certify(rows, held, arms, heads, state, certified, rounded)``,
    and ``gather`` and ``scatter(frames, shared, first, last, count, block)``. Rows and held have
    to be constants; ``heads`` (5, heads, 8) holds capacity, passive force, weights, reciprocal
    and activation.
    """
    from numba.core import types
    from numba.extending import intrinsic

    @intrinsic(prefer_literal=True)
    def set_up(_typing: Any, rows: Any, arms: Any, loads: Any, heads: Any, state: Any) -> Any:
        def write(context: Any, builder: Any, kind: Any, given: Any) -> Any:
            views = opened(context, builder, kind, given)
            code = started(builder, rows.literal_value, views[3], views[4])
            write_set_up(code, views[1].data, views[2].data, of_heads(code, views[3]))
            return context.get_dummy_value()

        return types.void(rows, arms, loads, heads, state), write

    @intrinsic(prefer_literal=True)
    def lane_pass(
        _typing: Any, rows: Any, loads: Any, heads: Any, state: Any, _tolerance: Any, _first: Any
    ) -> Any:
        def write(context: Any, builder: Any, kind: Any, given: Any) -> Any:
            views = opened(context, builder, kind, given)
            code = started(builder, rows.literal_value, views[2], views[3])
            reciprocal = of_heads(code, views[2])["reciprocal"]
            return write_pass(code, views[1].data, reciprocal, views[4], views[5])

        return types.int64(rows, loads, heads, state, types.float64, types.int64), write

    @intrinsic(prefer_literal=True)
    def certify(
        _typing: Any, rows: Any, held: Any, arms: Any, heads: Any, state: Any, _certified: Any,
        _rounded: Any,
    ) -> Any:  # fmt: skip
        def write(context: Any, builder: Any, kind: Any, given: Any) -> Any:
            views = opened(context, builder, kind, given)
            code = started(builder, rows.literal_value, views[3], views[4])
            return write_certificate(
                code, held.literal_value, views[2].data, of_heads(code, views[3]),
                views[5], views[6],
            )  # fmt: skip

        return types.int64(rows, held, arms, heads, state, types.float64, types.float64), write

    def exchange(*, back: bool) -> Any:
        @intrinsic
        def exchanged(
            _typing: Any, frames: Any, _shared: Any, _first: Any, _last: Any, _count: Any,
            block: Any,
        ) -> Any:  # fmt: skip
            def write(context: Any, builder: Any, kind: Any, given: Any) -> Any:
                views = opened(context, builder, kind, given)
                code = Code(builder, 0, None, None)
                count = views[4]
                stride = builder.select(
                    builder.icmp_signed("!=", views[1], code.index(0)), code.index(0), count
                )
                starts = in_order(code, views[0].data, stride, views[2], views[3])
                write_exchange(code, starts, count, views[5].data, back=back)
                return context.get_dummy_value()

            whole = types.int64
            return types.void(frames, whole, whole, whole, whole, block), write

        return exchanged

    return set_up, lane_pass, certify, exchange(back=False), exchange(back=True)

"""Eight frames side by side (p = 2 and 3): the Newton pass as vector code.

Compilers do not turn short loops over lanes into vector instructions by themselves, so the
pass is written for vectors of eight doubles, rows unrolled: :class:`Vector` writes each
operation into the code that numba compiles. On processors with narrower vectors the
compiler splits the operations, which gives the same numbers.

One pass does for eight frames what a step of ``kernels.newton`` does for one: drives,
activations, unmet moment and Hessian in one sweep over the heads, then the step by L D Lᵀ.
The first step, from λ = 0 with every head counted as free, is the least squares one and comes
with the set-up. In place of an exact line search a step is capped, and cut where the slope along
it has turned to less than −1 of what it was: to where the line through both slopes is zero.
That settles nearly every frame of p = 2 within eight passes. For p = 3 two such passes come first;
with their activations a, drives are those of p = 2 times Σ a³ / Σ a, to the power of one half.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

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
    UNIT,
    UNMET,
    Code,
    Vector,
)

DAMPING = 1e-14
"""Part of the trace added to the diagonal of the Hessian."""

CAP = 2.0
"""Longest step, in units of the least-squares one."""

TURNED = -1.0
"""Slope along a step, relative to the one at its begin, from which the step is cut."""

SHORTEST = 0.3
"""Least part of a step that is left of it when it is cut."""

BEGUN = -1.0
"""In place of ``FIRST_STEP`` where multipliers are at hand, whose size then bounds a step."""

SEPARATED = 1e-6
"""Part by which a moment has to pass what heads can add up to along a direction, to count as one
that cannot be met. Nothing depends on it but time."""


def write_reciprocals(code: Code, given: dict[str, Any], exponent: float) -> None:
    """Write 1/(p w), by which drives become aᵖ⁻¹; no number where w is none."""
    from numba.core import cgutils

    with cgutils.for_range(code.builder, code.heads) as loop:
        at = code.head(loop.index)
        w = code.load(given["weights"], at)
        usable = w.compare(">", 0.0).both(w.finite())
        reciprocal = code.constant(1.0 / exponent) / w
        code.store(usable.choose(reciprocal, float("nan")), given["reciprocal"], at)


def write_set_up(code: Code, arms: Any, loads: Any, given: dict[str, Any], pushed: Any) -> None:
    """Write loads R∘c, row norms, targets, the size that rounding acts on, and the first step.

    ``given`` points to capacity, passive and reciprocal, each (heads, 8); ``pushed`` says whether
    there are passive forces. A lane with a number that cannot be used gets a size that no residual
    is small beside, so that it is never done.
    """
    from numba.core import cgutils

    builder, rows, ir = code.builder, code.rows, code.ir
    pairs = [(j, k) for j in range(rows) for k in range(j + 1)]
    squares, bent = code.sums(rows), code.sums(len(pairs))
    taken, bare = code.sums(rows), code.sums(rows)
    lowest, reciprocals = code.sums(2)
    stride = builder.mul(code.heads, code.index(LANES))
    with cgutils.for_range(builder, code.heads) as loop:
        at = code.head(loop.index)
        R = code.load_head(arms, loop.index)
        c, r = code.load(given["capacity"], at), code.load(given["reciprocal"], at)
        load = [R[j] * c for j in range(rows)]
        scaled = [load[j] * r for j in range(rows)]
        for j in range(rows):
            code.store(load[j], loads, builder.add(at, builder.mul(stride, code.index(j))))
            code.add(squares[j], load[j] * load[j])
        for slot, (j, k) in zip(bent, pairs, strict=True):
            code.add(slot, scaled[j] * load[k])
        code.add(reciprocals, r)
        code.raise_to(lowest, c * -1.0)
    some = builder.icmp_signed("!=", pushed, ir.Constant(pushed.type, 0))
    with builder.if_then(some), cgutils.for_range(builder, code.heads) as loop:
        R, passive = code.load_head(arms, loop.index), code.head(loop.index)
        for j in range(rows):
            part = R[j] * code.load(given["passive"], passive)
            code.add(taken[j], part)
            code.add(bare[j], part.size())
    size = code.constant(0.0)
    whole = code.value(lowest).compare("<=", 0.0).both(code.value(reciprocals).finite())
    unit, target = [], []
    for j in range(rows):
        square, push = code.value(squares[j]), code.value(bare[j])
        moment = code.row(MOMENT, j)
        norm = square.root()
        unit.append(code.constant(1.0) / norm)
        target.append((moment - code.value(taken[j])) * unit[j])
        # A row that no head turns takes its size from the others: left to the other kernel.
        whole = whole.both(square.compare(">", 0.0)).both(square.finite())
        whole = whole.both(push.finite()).both(moment.finite())
        size = size.most((moment.size() + push) * unit[j])
        for vector, value in ((ROW_SIZE, norm), (UNIT, unit[j])):
            code.keep(vector, j, value)
    code.keep_single(SIZE, whole.choose(size, -1e300))
    write_start(code, target, _hessian(code, bent, unit))


def write_start(code: Code, target: list[Vector], H: dict[tuple[int, int], Vector]) -> None:
    """Write the first step towards a target, with every head counted as free."""
    rows = code.rows
    step = Factor(rows, H, DAMPING).solve(target)
    reach, slope = step[0].size(), step[0] * target[0]
    for j in range(1, rows):
        reach = reach.most(step[j].size())
        slope += step[j] * target[j]
    for j in range(rows):
        for vector, value in (
            (TARGET, target[j]), (LAM, step[j]), (DIRECTION, step[j]), (BASE, code.constant(0.0)),
        ):  # fmt: skip
            code.keep(vector, j, value)
    for which, value in (
        (SLOPE, slope), (DONE, code.constant(0.0)), (LENGTH, code.constant(1.0)),
        (FIRST_STEP, reach),
    ):  # fmt: skip
        code.keep_single(which, value)


def _hessian(code: Code, sums: list[Any], unit: list[Vector]) -> dict[tuple[int, int], Vector]:
    """Write the Hessian on unit rows from the sums over heads."""
    pairs = [(j, k) for j in range(code.rows) for k in range(j + 1)]
    return {
        (j, k): code.value(slot) * (unit[j] * unit[k])
        for slot, (j, k) in zip(sums, pairs, strict=True)
    }


def write_response(drive: Vector, r: Vector, exponent: float) -> tuple[Vector, Vector]:
    """Write the activation that a drive asks for, and its slope (zero at a bound)."""
    asked = r * drive
    reduced = asked.most(0.0).least(1.0)
    inside = asked.compare("==", reduced)
    if exponent == 2.0:
        return reduced, inside.choose(r, 0.0)
    a = reduced.root()
    return a, inside.both(asked.compare(">", 0.0)).choose(a / (drive + drive), 0.0)


def write_pass(
    code: Code, held: int, loads: Any, given: dict[str, Any], exponent: float, tolerance: Any,
    most: Any,
) -> Any:  # fmt: skip
    """Write one Newton pass; gives the lanes that are done as the bits of a number.

    The last ``held`` rows are inequalities, whose multipliers stay at ``most`` or below (zero, or
    infinite where they have to be met): where one is there and its row keeps the inequality, it is
    left out of the step and need not be met.
    Where every lane is done nothing is left to write, and no step once every lane is found to be.
    """
    cgutils: Any = import_module("numba.core.cgutils")
    builder = code.builder
    done = code.single(DONE).compare(">", 0.5)
    found = cgutils.alloca_once_value(builder, code.bits(done))
    with builder.if_then(code.some(done.neither())):
        top = code.spread(most) if held else None
        rest, resting, done = _write_rest(code, held, loads, given, exponent, tolerance, top, done)
        builder.store(code.bits(done), found)
        code.keep_single(DONE, done.choose(code.constant(1.0), 0.0))
        with builder.if_then(code.some(done.neither())):
            _write_step(code, loads, given, rest, resting, top, done)
    return builder.load(found)


def _write_rest(
    code: Code, held: int, loads: Any, given: dict[str, Any], exponent: float, tolerance: Any,
    top: Vector | None, done: Vector,
) -> tuple[list[Vector], dict[int, Vector], Vector]:  # fmt: skip
    """Write what the multipliers leave unmet, the rows that rest, and the lanes that are done.

    The slopes of the heads lie where the activations will.
    """
    from numba.core import cgutils

    builder, rows = code.builder, code.rows
    unit = [code.row(UNIT, j) for j in range(rows)]
    price = [code.row(LAM, j) * unit[j] for j in range(rows)]
    supplied, square = code.sums(rows), code.sums(1)[0]
    with cgutils.for_range(builder, code.heads) as loop:
        at = code.head(loop.index)
        A, r = code.load_head(loads, loop.index), code.load(given["reciprocal"], at)
        drive = A[0] * price[0]
        for j in range(1, rows):
            drive += A[j] * price[j]
        a, slope = write_response(drive, r, exponent)
        code.store(slope, given["activation"], at)
        for j in range(rows):
            code.add(supplied[j], A[j] * a)
        code.add(square, a * a)
    rest = [code.row(TARGET, j) - code.value(supplied[j]) * unit[j] for j in range(rows)]
    resting: dict[int, Vector] = {}
    for j in range(rows - held, rows):
        assert top is not None  # noqa: S101 - given where rows are held
        resting[j] = code.row(LAM, j).compare(">=", top).both(rest[j].compare(">=", 0.0))
        rest[j] = resting[j].choose(code.constant(0.0), rest[j])
    worst = rest[0].size()
    for j in range(1, rows):
        worst = worst.most(rest[j].size())
    total = (code.single(SIZE) + code.value(square).root()) * code.spread(tolerance)
    return rest, resting, done.either(worst.compare("<=", total))


def _write_step(
    code: Code, loads: Any, given: dict[str, Any], rest: list[Vector],
    resting: dict[int, Vector], top: Vector | None, done: Vector,
) -> None:  # fmt: skip
    """Write the step of the lanes that are not done."""
    from numba.core import cgutils

    builder, rows = code.builder, code.rows
    unit = [code.row(UNIT, j) for j in range(rows)]
    lam = [code.row(LAM, j) for j in range(rows)]
    pairs = [(j, k) for j in range(rows) for k in range(j + 1)]
    bent = code.sums(len(pairs))
    with cgutils.for_range(builder, code.heads) as loop:
        A = code.load_head(loads, loop.index)
        slope = code.load(given["activation"], code.head(loop.index))
        scaled = [slope * A[j] for j in range(rows)]
        for slot, (j, k) in zip(bent, pairs, strict=True):
            code.add(slot, scaled[j] * A[k])
    H = _hessian(code, bent, unit)
    for j, rests in resting.items():
        for k in range(rows):
            if k != j:
                pair = max(j, k), min(j, k)
                H[pair] = rests.choose(code.constant(0.0), H[pair])
    step = Factor(rows, H, DAMPING).solve(rest)
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
    first = code.single(FIRST_STEP)
    longest = first.compare("<", 0.0).choose(known, first)
    length = (longest * CAP / reach.most(1e-300)).least(1.0)
    before_it = code.single(SLOPE)
    crossing = (before_it / (before_it - ahead)).most(SHORTEST)
    length = turned.choose(code.single(LENGTH) * crossing, length)
    for j in range(rows):
        origin = turned.choose(code.row(BASE, j), lam[j])
        chosen = turned.choose(before[j], step[j])
        reached = origin + length * chosen
        if j in resting and top is not None:
            reached = reached.least(top)
        code.keep(LAM, j, done.choose(lam[j], reached))
        code.keep(BASE, j, origin)
        code.keep(DIRECTION, j, chosen)
    code.keep_single(SLOPE, turned.choose(code.single(SLOPE), begin))
    code.keep_single(LENGTH, length)
    code.keep_single(FIRST_STEP, longest)


def write_turn(code: Code, loads: Any, reciprocal: Any) -> None:
    """Write the change from multipliers of p = 2 to those from which p = 3 begins."""
    from numba.core import cgutils

    builder, rows = code.builder, code.rows
    price = [code.row(LAM, j) * code.row(UNIT, j) for j in range(rows)]
    total, cube = code.sums(2)
    with cgutils.for_range(builder, code.heads) as loop:
        A, r = code.load_head(loads, loop.index), code.load(reciprocal, code.head(loop.index))
        drive = A[0] * price[0]
        for j in range(1, rows):
            drive += A[j] * price[j]
        a, _ = write_response(drive, r, 2.0)
        code.add(total, a)
        code.add(cube, a * a * a)
    scale = (code.value(cube) / code.value(total).most(1e-300)).root()
    nothing = code.constant(0.0)
    for j in range(rows):
        code.keep(LAM, j, code.row(LAM, j) * scale)
        code.keep(DIRECTION, j, nothing)
    for which, value in ((SLOPE, nothing), (DONE, nothing), (FIRST_STEP, nothing + BEGUN)):
        code.keep_single(which, value)


class Factor:
    """H + ρ I = L D Lᵀ, lane by lane, with ρ a part of the trace of H."""

    def __init__(self, rows: int, H: dict[tuple[int, int], Vector], damping: float) -> None:
        trace = H[0, 0]
        for j in range(1, rows):
            trace += H[j, j]
        self.rows, self.small = rows, trace * damping + 1e-300
        self.L: dict[tuple[int, int], Vector] = {}
        self.inverse: list[Vector] = []
        for j in range(rows):
            value: dict[int, Vector] = {}
            for k in range(j + 1):
                value[k] = H[j, k] + self.small if j == k else H[j, k]
                for i in range(k):
                    value[k] -= value[i] * self.L[k, i] if k < j else value[i] * self.L[j, i]
                if k < j:
                    self.L[j, k] = value[k] * self.inverse[k]
            pivot = value[j].most(self.small)
            unit = pivot * 0.0 + 1.0
            self.inverse.append(unit / pivot)

    def solve(self, right: list[Vector]) -> list[Vector]:
        """Write the solution of (H + ρ I) x = right."""
        y: list[Vector] = []
        for j in range(self.rows):
            part = right[j]
            for i in range(j):
                part -= self.L[j, i] * y[i]
            y.append(part)
        x: dict[int, Vector] = {}
        for j in reversed(range(self.rows)):
            part = y[j] * self.inverse[j]
            for i in range(j + 1, self.rows):
                part -= self.L[i, j] * x[i]
            x[j] = part
        return [x[j] for j in range(self.rows)]


def write_drive(arms: list[Vector], price: list[Vector]) -> tuple[Vector, Vector]:
    """Write Σ_j R_j λ_j of a head and the sum of the sizes of its terms."""
    turned = [arm * cost for arm, cost in zip(arms, price, strict=True)]
    drive, terms = turned[0], turned[0].size()
    for term in turned[1:]:
        drive += term
        terms += term.size()
    return drive, terms


def write_excess(drive: Vector, marginal: Vector, a: Vector) -> Vector:
    """Write by how much a drive exceeds the marginal effort, as far as bounds leave it free."""
    excess = drive - marginal
    excess = a.compare(">=", 1.0).choose(excess.least(0.0), excess)
    return a.compare("<=", 0.0).choose(excess.most(0.0), excess)


def write_certificate(
    code: Code, held: int, exponent: float, arms: Any, given: dict[str, Any], certified: Any,
    rounded: Any,
) -> Any:  # fmt: skip
    """Write activations, forces, multipliers and certificate; gives the certified lanes.

    The numbers of ``_certificate.certify`` for a moment that is met, from arms, capacities,
    passive forces, weights and moments as they were given. The last ``held`` rows are inequalities
    in force. ``DONE`` of a lane turns to −1 where its multipliers prove that the moment cannot be
    met: no forces within their bounds add up to as much along them.
    """
    from numba.core import cgutils

    builder, rows = code.builder, code.rows
    unit = [code.row(UNIT, j) for j in range(rows)]
    price = [code.row(LAM, j) * unit[j] for j in range(rows)]
    total, bare = code.sums(rows), code.sums(rows)
    greatest, cost, parts, worst, reach_along = code.sums(5)
    part = code.spread(rounded)
    with cgutils.for_range(builder, code.heads) as loop:
        at, R = code.head(loop.index), code.load_head(arms, loop.index)
        c, w = code.load(given["capacity"], at), code.load(given["weights"], at)
        r = code.load(given["reciprocal"], at)
        drive, terms = write_drive(R, price)
        drive = drive * c
        code.add(reach_along, drive.most(0.0))
        a, _ = write_response(drive, r, exponent)
        active = c * a
        force = active + code.load(given["passive"], at)
        for name, value in (("activation", a), ("active", active), ("force", force)):
            code.store(value, given[name], at)
        for j in range(rows):
            moment = R[j] * force
            code.add(total[j], moment)
            code.add(bare[j], moment.size())
        effort = w * a if exponent == 2.0 else w * a * a
        marginal = effort * exponent
        code.add(cost, effort * a)
        code.raise_to(greatest, marginal.most(terms * c * part))
        excess = write_excess(drive, marginal, a)
        code.raise_to(worst, excess.size())
        # What the activation loses against the one that its drive asks for, or more.
        code.add(parts, excess * excess * r * 0.5 if exponent == 2.0 else excess.size())
    most = code.value(greatest)
    stationarity = code.value(worst) / most.compare(">", 0.0).choose(most, 1.0)
    beyond = _beyond(code, price, code.value(reach_along))
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
            near = near.most(unmet.size() * unit[j])
            size = size.most(reach * unit[j])
        else:
            # The sum is no negative zero.
            bound = bound.most(unmet * -1.0 / reach.compare(">", 0.0).choose(reach, 1.0) + 0.0)
        loose += price[j] * unmet
        priced += price[j].size() * reach
    spent = code.value(cost).most(priced * part)
    gap = (code.value(parts) - loose) / spent.compare(">", 0.0).choose(spent, 1.0)
    for which, value in (
        (RESIDUAL, residual), (BOUND, bound), (STATIONARITY, stationarity), (GAP, gap),
    ):  # fmt: skip
        code.keep_single(which, value)
    limit = code.spread(certified)
    good = near.compare("<=", size * limit).both(stationarity.compare("<=", limit))
    good = good.both(gap.size().compare("<=", limit)).both(gap.compare("==", gap))
    good = good.both(code.single(DONE).compare(">", 0.5)).both(bound.compare("<=", limit))
    code.keep_single(DONE, beyond.choose(code.constant(-1.0), code.single(DONE)))
    return code.bits(good)


def _beyond(code: Code, price: list[Vector], reach: Vector) -> Vector:
    """Write where no forces within their bounds add up to the moment along the prices."""
    along = code.constant(0.0)
    for j in range(code.rows):
        along += price[j] * (code.row(TARGET, j) * code.row(ROW_SIZE, j))
    return along.compare(">", reach * (1.0 + SEPARATED))

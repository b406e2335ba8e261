"""Frames that fall short, eight side by side (p = 2 and 3), as vector code.

First the nearest moment: least ½ |v|² + Σ max(0, Aᵀv) − b·v, whose kinks are rounded off by
activations clip(s Aᵀv, 0, 1) with a steep s. A Newton step goes to where the slope along it has
nearly vanished, in a few sweeps that only add up. What matters of the answer are the heads between
their bounds: across them lies the direction that separates, and it says which heads are held at a
bound. The others share what is left, an ordinary balance that can be met; see ``staged``.

The last ``held`` rows are inequalities in force: they are kept whatever it costs, so that their
part of v has no square, and their part of the direction that separates is their price.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from momentshare.sharing._backends.kernels.lane_code import (
    BOUND,
    DONE,
    GAP,
    LAM,
    MOMENT,
    NORMAL,
    RESIDUAL,
    ROW_SIZE,
    SIZE,
    STATIONARITY,
    TARGET,
    UNIT,
    UNMET,
    Code,
    Vector,
    in_parts,
    opened,
)
from momentshare.sharing._backends.kernels.lane_pass import (
    DAMPING,
    Factor,
    write_drive,
    write_excess,
    write_response,
    write_start,
)

if TYPE_CHECKING:
    from collections.abc import Callable

STEEP = 1e4
"""Change of an activation with the drive of the nearest moment, on unit rows."""

CLOSE = 1e-10
"""Slope of the rounded problem, relative, at which it is solved."""

LENGTHS = 14
"""Most lengths of a step that are tried."""

FLAT = 0.1
"""Part of the slope along a step at which it is long enough."""

PLANE = 1e-10
"""Part of the trace that tells what heads span from what they do not."""

KEPT_DAMPING = 1e-3
"""Curvature added to a row in force, which heads between bounds bend far more."""

ROUNDED = 1e-24
"""Part of a squared length that is left of it for rounding."""


def _tools() -> Any:
    return import_module("numba.core.cgutils")


def _dot(A: list[Vector], price: list[Vector]) -> Vector:
    total = A[0] * price[0]
    for j in range(1, len(A)):
        total += A[j] * price[j]
    return total


def _pairs(code: Code) -> list[tuple[int, int]]:
    return [(j, k) for j in range(code.rows) for k in range(j + 1)]


def write_approach(code: Code, held: int, loads: Any, given: dict[str, Any]) -> Any:
    """Write one step towards the nearest moment; gives the lanes that are done as bits.

    ``LAM`` holds v. Drives and which heads are between their bounds (one, else zero) lie where
    activations and active forces will.
    """
    cgutils, builder, rows = _tools(), code.builder, code.rows
    done = code.single(DONE).compare(">", 0.5)
    found = cgutils.alloca_once_value(builder, code.bits(done))
    with builder.if_then(code.some(done.neither())):
        unit = [code.row(UNIT, j) for j in range(rows)]
        v = [code.row(LAM, j) for j in range(rows)]
        price = [v[j] * unit[j] for j in range(rows)]
        supplied = code.sums(rows)
        with cgutils.for_range(builder, code.heads) as loop:
            at, A = code.head(loop.index), code.load_head(loads, loop.index)
            asked = _dot(A, price) * STEEP
            a = asked.most(0.0).least(1.0)
            code.store(asked, given["activation"], at)
            code.store(a.compare("==", asked).choose(code.constant(1.0), 0.0), given["active"], at)
            for j in range(rows):
                code.add(supplied[j], A[j] * a)
        rest = [code.row(TARGET, j) - code.value(supplied[j]) * unit[j] for j in range(rows)]
        for j in range(rows - held):
            rest[j] -= v[j]
        worst = rest[0].size()
        for j in range(1, rows):
            worst = worst.most(rest[j].size())
        done = done.either(worst.compare("<=", code.single(SIZE) * CLOSE))
        code.keep_single(DONE, done.choose(code.constant(1.0), 0.0))
        builder.store(code.bits(done), found)
        with builder.if_then(code.some(done.neither())):
            _write_move(code, held, loads, given, rest, done)
    return builder.load(found)


def _write_move(
    code: Code, held: int, loads: Any, given: dict[str, Any], rest: list[Vector], done: Vector
) -> None:
    """Write the step from what is left of the slope, for the lanes that are not done."""
    cgutils, builder, rows = _tools(), code.builder, code.rows
    unit = [code.row(UNIT, j) for j in range(rows)]
    v = [code.row(LAM, j) for j in range(rows)]
    H = _spanned(code, loads, given["active"], unit)
    for j, k in _pairs(code):
        H[j, k] = H[j, k] * STEEP
    for j in range(rows):
        H[j, j] += 1.0 if j < rows - held else KEPT_DAMPING
    step = Factor(rows, H, DAMPING).solve(rest)
    turned = [step[j] * unit[j] for j in range(rows)]
    with cgutils.for_range(builder, code.heads) as loop:
        A = code.load_head(loads, loop.index)
        code.store(_dot(A, turned) * STEEP, given["force"], code.head(loop.index))
    bend = _dot(step[: rows - held], step)
    begin = _dot(step, rest)
    wanted = [code.row(TARGET, j) for j in range(rows)]
    for j in range(rows - held):
        wanted[j] -= v[j]
    constant = _dot(step, wanted)
    length = _write_length(code, given, (begin, constant, bend), done)
    for j in range(rows):
        code.keep(LAM, j, done.choose(v[j], v[j] + length * step[j]))


def _spanned(
    code: Code, loads: Any, scale: Any, unit: list[Vector]
) -> dict[tuple[int, int], Vector]:
    """Write Σ s A Aᵀ on unit rows."""
    pairs = _pairs(code)
    sums = code.sums(len(pairs))
    with _tools().for_range(code.builder, code.heads) as loop:
        A, s = code.load_head(loads, loop.index), code.load(scale, code.head(loop.index))
        scaled = [s * A[j] for j in range(code.rows)]
        for slot, (j, k) in zip(sums, pairs, strict=True):
            code.add(slot, scaled[j] * A[k])
    return {
        (j, k): code.value(slot) * (unit[j] * unit[k])
        for slot, (j, k) in zip(sums, pairs, strict=True)
    }


def _write_length(
    code: Code, given: dict[str, Any], along: tuple[Vector, Vector, Vector], done: Vector
) -> Vector:
    """Write the length at which the slope along a step has nearly vanished.

    One, or between lengths on either side by the chord, whose end that stays is halved.
    """
    cgutils, builder = _tools(), code.builder
    begin, constant, bend = along
    names = ("low", "low_slope", "high", "high_slope", "side", "best", "least")
    slots = dict(zip(names, code.sums(len(names)), strict=True))
    builder.store(begin.value, slots["low_slope"])
    builder.store(begin.value, slots["high_slope"])
    builder.store(code.constant(1e300).value, slots["least"])
    with cgutils.for_range(builder, code.index(LENGTHS)) as tries:
        low, low_slope = code.value(slots["low"]), code.value(slots["low_slope"])
        high, high_slope = code.value(slots["high"]), code.value(slots["high_slope"])
        between = high_slope.compare("<=", 0.0)
        part = (low_slope / (low_slope - high_slope).most(1e-300)).most(0.02).least(0.98)
        t = between.choose(low + (high - low) * part, (high * 4.0).most(1.0))
        total = code.sums(1)[0]
        builder.store(code.constant(0.0).value, total)
        with cgutils.for_range(builder, code.heads) as loop:
            at = code.head(loop.index)
            change = code.load(given["force"], at)
            a = (code.load(given["activation"], at) + t * change).most(0.0).least(1.0)
            code.add(total, change * a)
        slope = constant - bend * t - code.value(total) * (1.0 / STEEP)
        up = slope.compare(">", 0.0)
        side = code.value(slots["side"])
        # The end that has stayed for two tries counts half, so that the chord moves it as well.
        high_slope = (
            between.both(up).both(side.compare(">", 0.0)).choose(high_slope * 0.5, high_slope)
        )
        low_slope = (
            between.both(up.neither())
            .both(side.compare("<", 0.0))
            .choose(low_slope * 0.5, low_slope)
        )
        stays = up.neither()
        values = {
            "low": up.choose(t, between.choose(low, high)),
            "low_slope": up.choose(slope, between.choose(low_slope, high_slope)),
            "high": between.both(up).choose(high, t),
            "high_slope": between.both(up).choose(high_slope, slope),
            "side": stays.choose(code.constant(-1.0), 1.0),
        }
        least = code.value(slots["least"])
        better = slope.size().compare("<", least).both(least.compare(">", begin * FLAT))
        values["best"] = better.choose(t, code.value(slots["best"]))
        values["least"] = better.choose(slope.size(), least)
        for name, value in values.items():
            builder.store(value.value, slots[name])
        ended = values["least"].compare("<=", begin * FLAT).either(done)
        with builder.if_then(builder.not_(code.some(ended.neither()))):
            tries.do_break()
    return code.value(slots["best"])


def _across(rows: int, H: dict[tuple[int, int], Vector], asked: list[Vector]) -> list[Vector]:
    """Write the part of a vector across what H spans.

    ρ (H + ρ I)⁻¹ keeps it but for rounding over ρ, and little of the rest; twice and on what it has
    lost it is exact.
    """
    factor = Factor(rows, H, PLANE)

    def kept(vector: list[Vector]) -> list[Vector]:
        for _ in range(2):
            vector = [part * factor.small for part in factor.solve(vector)]
        return vector

    found = kept(asked)
    for _ in range(2):
        lost = kept([asked[j] - found[j] for j in range(rows)])
        found = [found[j] + lost[j] for j in range(rows)]
    return found


def _least_missed(
    rows: int, held: int, H: dict[tuple[int, int], Vector], left: list[Vector]
) -> list[Vector]:
    """Write the direction across what H spans whose part in the balances takes least out of them.

    Without inequalities the part of ``left`` across the span. With them only balances may miss
    their target: P E p = P left, p across the span, by conjugate gradients, which end after as
    many steps as there are different eigenvalues.
    """
    rest = _across(rows, H, left)
    if held == 0:
        return rest
    hard, nothing = rows - held, rest[0] * 0.0
    found, towards, square = [nothing] * rows, rest, _dot(rest, rest)
    small = square * ROUNDED
    for step in range(held + 1):
        curvature = _dot(towards[:hard], towards)
        length = square / curvature.compare(">", 0.0).choose(curvature, 1.0)
        found = [found[j] + length * towards[j] for j in range(rows)]
        if step == held:
            break
        bent = _across(rows, H, towards[:hard] + [nothing] * held)
        rest = [rest[j] - length * bent[j] for j in range(rows)]
        after = _dot(rest, rest)
        goes_on = after.compare(">", small)
        ratio = after / square.compare(">", 0.0).choose(square, 1.0)
        towards = [goes_on.choose(rest[j] + ratio * towards[j], 0.0) for j in range(rows)]
        square = goes_on.choose(after, 0.0)
    return found


def write_separation(code: Code, held: int, loads: Any, given: dict[str, Any], across: Any) -> None:
    """Write the direction that separates, heads held at a bound, and the balance of the others.

    ``loads`` of heads that are held turn to zero; where active forces will lie stands their bound,
    −1 for the others. A balance that is met across the direction begins as after the set-up.
    """
    cgutils, builder, rows = _tools(), code.builder, code.rows
    unit = [code.row(UNIT, j) for j in range(rows)]
    supplied = code.sums(rows)
    with cgutils.for_range(builder, code.heads) as loop:
        A = code.load_head(loads, loop.index)
        a = code.load(given["activation"], code.head(loop.index)).most(0.0).least(1.0)
        for j in range(rows):
            code.add(supplied[j], A[j] * a)
    rest = [code.row(TARGET, j) - code.value(supplied[j]) * unit[j] for j in range(rows - held)]
    rest += [code.row(LAM, j) for j in range(rows - held, rows)]
    normal = _across(rows, _spanned(code, loads, given["active"], unit), rest)
    price = [normal[j] * unit[j] for j in range(rows)]
    least = _dot(normal, normal) * code.spread(across) * code.spread(across)
    full, stride = code.sums(rows), builder.mul(code.heads, code.index(8))
    for slot in full:
        builder.store(code.constant(0.0).value, slot)
    with cgutils.for_range(builder, code.heads) as loop:
        at, A = code.head(loop.index), code.load_head(loads, loop.index)
        along = _dot(A, price)
        scaled = [A[j] * unit[j] for j in range(rows)]
        fixed = (along * along).compare(">", _dot(scaled, scaled) * least)
        most = along.compare(">", 0.0).choose(code.constant(1.0), 0.0)
        code.store(fixed.choose(most, -1.0), given["active"], at)
        for j in range(rows):
            code.add(full[j], fixed.choose(A[j] * most, 0.0))
            place = builder.add(at, builder.mul(stride, code.index(j)))
            code.store(fixed.choose(code.constant(0.0), A[j]), loads, place)
    left = [code.row(TARGET, j) - code.value(full[j]) * unit[j] for j in range(rows)]
    H = _spanned(code, loads, given["reciprocal"], unit)
    normal = _least_missed(rows, held, H, left)
    for j in range(rows):
        code.keep(NORMAL, j, normal[j])
    missed = [left[j] - normal[j] for j in range(rows - held)]
    write_start(code, missed + left[rows - held :], H)


def write_short_certificate(
    code: Code, held: int, exponent: float, arms: Any, given: dict[str, Any],
    limits: tuple[Any, Any, Any],
) -> Any:  # fmt: skip
    """Write activations, forces, multipliers and certificate of a shortfall; gives lanes certified.

    The numbers of ``_certificate.certify`` for one. ``limits`` are those of the certificate, of
    rounding, and of a shortfall that rows which nearly depend on each other may feign.
    """
    rows, hard = code.rows, code.rows - held
    certified, rounded, slight = (code.spread(value) for value in limits)
    reaches, cost = _write_rejoined(code, held, exponent, arms, given)
    unit = [code.row(UNIT, j) for j in range(rows)]
    apart = [code.row(UNMET, j) * unit[j] for j in range(hard)]
    distance = _dot(apart, apart).root()
    longest = code.row(ROW_SIZE, 0)
    for j in range(1, hard):
        longest = longest.most(code.row(ROW_SIZE, j))
    towards = [apart[j] * unit[j] for j in range(hard)]
    towards += [code.row(NORMAL, j) * unit[j] for j in range(hard, rows)]
    lost, worst, greatest, parts = _write_losses(code, exponent, arms, given, towards, rounded)
    bound, priced = code.constant(0.0), code.constant(0.0)
    for j in range(hard, rows):
        slack, price, reach = code.row(UNMET, j), code.row(LAM, j), reaches[j]
        lost -= towards[j] * slack
        parts -= price * slack
        priced += price.size() * reach
        bound = bound.most(slack * -1.0 / reach.compare(">", 0.0).choose(reach, 1.0))
    cost = cost.most(priced * rounded)
    near = lost.size() / distance.compare(">", 0.0).choose(distance, 1.0)
    stationarity = worst / greatest.compare(">", 0.0).choose(greatest, 1.0)
    gap = parts / cost.compare(">", 0.0).choose(cost, 1.0)
    for which, value in (
        (RESIDUAL, near * longest), (BOUND, bound), (STATIONARITY, stationarity), (GAP, gap),
    ):  # fmt: skip
        code.keep_single(which, value)
    size = code.single(SIZE)
    good = near.compare("<=", size * certified).both(stationarity.compare("<=", certified))
    good = good.both(gap.size().compare("<=", certified)).both(bound.compare("<=", certified))
    good = good.both(distance.compare(">", size * slight)).both(distance.finite())
    return code.bits(good.both(code.single(DONE).compare(">", 0.5)))


def _write_rejoined(
    code: Code, held: int, exponent: float, arms: Any, given: dict[str, Any]
) -> tuple[list[Vector], Vector]:
    """Write activations, forces, what they leave unmet, and multipliers.

    Any multiple of the separating direction may join λ; the smallest that will do is taken. Gives
    the size of the terms of every row, and the cost.
    """
    rows, hard = code.rows, code.rows - held
    unit = [code.row(UNIT, j) for j in range(rows)]
    price = [code.row(LAM, j) * unit[j] for j in range(rows)]
    normal = [code.row(NORMAL, j) * unit[j] for j in range(rows)]
    total, bare, (cost, reach) = code.sums(rows), code.sums(rows), code.sums(2)
    for j in range(hard, rows):
        # No inequality pulls the other way.
        against = normal[j].compare("<", 0.0)
        needed = price[j] * -1.0 / against.choose(normal[j], 1.0)
        code.raise_to(reach, against.choose(needed, 0.0))
    with _tools().for_range(code.builder, code.heads) as loop:
        at, R = code.head(loop.index), code.load_head(arms, loop.index)
        c, w = code.load(given["capacity"], at), code.load(given["weights"], at)
        drive, along = _dot(R, price) * c, _dot(R, normal) * c
        fixed = code.load(given["active"], at)
        rests = fixed.compare(">=", 0.0)
        asked, _ = write_response(drive, code.load(given["reciprocal"], at), exponent)
        a = rests.choose(fixed, asked)
        needed = along.compare(">", 0.0).choose(w * exponent - drive, drive * -1.0)
        code.raise_to(reach, rests.choose(needed / rests.choose(along, 1.0), 0.0))
        active = c * a
        force = active + code.load(given["passive"], at)
        for name, value in (("activation", a), ("active", active), ("force", force)):
            code.store(value, given[name], at)
        for j in range(rows):
            moment = R[j] * force
            code.add(total[j], moment)
            code.add(bare[j], moment.size())
        code.add(cost, w * a * a if exponent == 2.0 else w * a * a * a)
    size, reaches = code.constant(0.0), []
    for j in range(rows):
        moment = code.row(MOMENT, j)
        code.keep(UNMET, j, moment - code.value(total[j]))
        code.keep(LAM, j, price[j] + code.value(reach) * normal[j])
        reaches.append(moment.size() + code.value(bare[j]))
        if j < hard:
            size = size.most(reaches[j] * unit[j])
    code.keep_single(SIZE, code.single(SIZE).compare(">=", 0.0).choose(size, -1e300))
    return reaches, code.value(cost)


def _write_losses(
    code: Code, exponent: float, arms: Any, given: dict[str, Any], towards: list[Vector],
    rounded: Vector,
) -> tuple[Vector, Vector, Vector, Vector]:  # fmt: skip
    """Write how much nearer heads could come, and how far they are from what drives ask for."""
    rows = code.rows
    price = [code.row(LAM, j) for j in range(rows)]
    lost, worst, greatest, parts = code.sums(4)
    with _tools().for_range(code.builder, code.heads) as loop:
        at, R = code.head(loop.index), code.load_head(arms, loop.index)
        c, a = code.load(given["capacity"], at), code.load(given["activation"], at)
        along = _dot(R, towards) * c
        code.add(lost, along.most(0.0) - along * a)
        drive, terms = write_drive(R, price)
        effort = code.load(given["weights"], at) * (a if exponent == 2.0 else a * a)
        marginal = effort * exponent
        code.raise_to(greatest, marginal.most(terms * c * rounded))
        excess = write_excess(drive * c, marginal, a)
        code.raise_to(worst, excess.size())
        r = code.load(given["reciprocal"], at)
        code.add(parts, excess * excess * r * 0.5 if exponent == 2.0 else excess.size())
    return code.value(lost), code.value(worst), code.value(greatest), code.value(parts)


def short_functions() -> tuple[Callable[..., Any], ...]:
    """Give the written code as functions for compiled code.

    ``approach(rows, held, loads, heads, state)``, ``separate(rows, held, loads, heads, state,
    across)`` and ``certify_short(rows, held, exponent, arms, heads, state, certified, rounded,
    slight)``; see ``lane_functions``.
    """
    from numba.core import types
    from numba.extending import intrinsic

    real = types.float64

    @intrinsic(prefer_literal=True)
    def approach(_typing: Any, rows: Any, held: Any, loads: Any, heads: Any, state: Any) -> Any:
        def write(context: Any, builder: Any, kind: Any, given: Any) -> Any:
            views = opened(context, builder, kind, given)
            return in_parts(
                builder, rows.literal_value, views[3], views[4],
                lambda code, sides: write_approach(
                    code, held.literal_value, views[2].data, sides
                ),
            )  # fmt: skip

        return types.int64(rows, held, loads, heads, state), write

    @intrinsic(prefer_literal=True)
    def separate(
        _typing: Any, rows: Any, held: Any, loads: Any, heads: Any, state: Any, _across: Any
    ) -> Any:
        def write(context: Any, builder: Any, kind: Any, given: Any) -> Any:
            views = opened(context, builder, kind, given)
            in_parts(
                builder, rows.literal_value, views[3], views[4],
                lambda code, sides: write_separation(
                    code, held.literal_value, views[2].data, sides, views[5]
                ),
            )  # fmt: skip
            return context.get_dummy_value()

        return types.void(rows, held, loads, heads, state, real), write

    @intrinsic(prefer_literal=True)
    def certify_short(
        _typing: Any, rows: Any, held: Any, exponent: Any, arms: Any, heads: Any, state: Any,
        _certified: Any, _rounded: Any, _slight: Any,
    ) -> Any:  # fmt: skip
        def write(context: Any, builder: Any, kind: Any, given: Any) -> Any:
            views = opened(context, builder, kind, given)
            power = float(exponent.literal_value)
            return in_parts(
                builder, rows.literal_value, views[4], views[5],
                lambda code, sides: write_short_certificate(
                    code, held.literal_value, power, views[3].data, sides,
                    (views[6], views[7], views[8]),
                ),
            )  # fmt: skip

        return types.int64(rows, held, exponent, arms, heads, state, real, real, real), write

    return approach, separate, certify_short

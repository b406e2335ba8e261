"""Frames that leave a cone, eight side by side, as vector code.

A few passes after the set-up the force on the joint tells which of the cone's inequalities will be
in force: the one broken most and, with the force moved back onto it, the one broken most then. They
join as two further rows where the block stands; where a lane has fewer a row is nothing but zeros,
and neither its multiplier nor any other is touched by it.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from momentshare.sharing._backends.kernels.lane_code import (
    BASE,
    DIRECTION,
    DONE,
    FIRST_STEP,
    LAM,
    LANES,
    LENGTH,
    MOMENT,
    ROW_SIZE,
    SIZE,
    SLOPE,
    TARGET,
    UNIT,
    Code,
    Vector,
    in_parts,
    opened,
)
from momentshare.sharing._backends.kernels.lane_pass import BEGUN, write_response

if TYPE_CHECKING:
    from collections.abc import Callable

JOINED = 2
"""Inequalities that join at once."""

CHOSEN = ("x", "y", "z", "level", "which")
"""What is kept of an inequality that joins: normal, level and number (−1 where none does)."""

SLIGHT = 1e-9
"""Part of the first excess below which what is left of another one is rounding."""


def _tools() -> Any:
    return import_module("numba.core.cgutils")


def dot(one: list[Vector], other: list[Vector]) -> Vector:
    total = one[0] * other[0]
    for d in range(1, len(one)):
        total += one[d] * other[d]
    return total


def _line(code: Code, lines: Any, head: Any) -> list[Vector]:
    """Give the line of a head in lines (heads, 3, 8)."""
    first = code.builder.mul(code.head(head), code.index(3))
    return [
        code.load(lines, code.builder.add(first, code.index(d * LANES))) for d in range(3)
    ]  # fmt: skip


def plane_at(code: Code, normals: Any, levels: Any, g: Any) -> tuple[list[Vector], Vector]:
    """Give normal and level of inequality g of normals (facets, 3, 8) and levels (facets, 8)."""
    return _line(code, normals, g), code.load(levels, code.head(g))


def cone_of(builder: Any, planes: Any) -> tuple[Any, Any, Any]:
    """Give normals, levels and number of the inequalities in planes (4 facets, 8)."""
    rows = builder.extract_value(planes.shape, 0)
    facets = builder.sdiv(rows, rows.type(4))
    first = builder.mul(facets, facets.type(3 * LANES))
    return planes.data, builder.gep(planes.data, [first]), facets


def write_look(
    code: Code, exponent: float, loads: Any, given: dict[str, Any],
    cone: tuple[Any, Any, Any, Any], chosen: Any,
) -> Any:  # fmt: skip
    """Write which inequalities join (see ``CHOSEN``); gives the lanes in which some do as bits.

    ``cone`` are lines, normals, levels and the number of inequalities.
    """
    builder, rows = code.builder, code.rows
    lines, normals, levels, facets = cone
    price = [code.row(LAM, j) * code.row(UNIT, j) for j in range(rows)]
    sums = code.sums(3)
    with _tools().for_range(builder, code.heads) as loop:
        at, A = code.head(loop.index), code.load_head(loads, loop.index)
        a, _ = write_response(dot(A, price), code.load(given["reciprocal"], at), exponent)
        pull = code.load(given["capacity"], at) * a + code.load(given["passive"], at)
        for slot, u in zip(sums, _line(code, lines, loop.index), strict=True):
            code.add(slot, u * pull)
    force = [code.value(slot) for slot in sums]
    first = _write_most(code, normals, levels, facets, force, None)
    back = first["excess"] / first["square"]
    second = _write_most(code, normals, levels, facets, force, (first, back))
    # With both in force the first may not be priced any more.
    across = dot(_normal(first), _normal(second))
    both = second["which"].compare(">=", 0.0)
    own = (first["excess"] * second["square"]).compare(">", second["excess"] * across)
    moves = both.both(own.neither())
    for n, plane in enumerate((first, second)):
        for k, name in enumerate(CHOSEN):
            none = code.constant(-1.0 if name == "which" else 0.0)
            if n == 0:
                value = moves.choose(second[name], first[name])
            else:
                value = moves.choose(none, plane[name])
            code.store(value, chosen, code.index((n * len(CHOSEN) + k) * LANES))
    return code.bits(first["which"].compare(">=", 0.0))


def _normal(plane: dict[str, Vector]) -> list[Vector]:
    return [plane[name] for name in ("x", "y", "z")]


def _write_most(
    code: Code, normals: Any, levels: Any, facets: Any, force: list[Vector],
    before: tuple[dict[str, Vector], Vector] | None,
) -> dict[str, Vector]:  # fmt: skip
    """Write the plane that a force lies farthest beyond, once moved back along one before."""
    builder = code.builder
    names = (*CHOSEN, "excess", "square", "measure")
    slots = dict(zip(names, code.sums(len(names)), strict=True))
    builder.store(code.constant(-1.0).value, slots["which"])
    builder.store(code.constant(1.0).value, slots["square"])
    with _tools().for_range(builder, facets) as loop:
        normal, level = plane_at(code, normals, levels, loop.index)
        excess = dot(normal, force) - level
        square, left = dot(normal, normal), excess
        beyond = square.compare(">", 0.0)
        if before is None:
            beyond = beyond.both(excess.compare(">", 0.0))
        else:
            first, back = before
            left = excess - back * dot(normal, _normal(first))
            beyond = beyond.both(left.compare(">", first["excess"] * SLIGHT))
            beyond = beyond.both(first["which"].compare(">=", 0.0))
        # Excess over the length of the normal, squared.
        measure = left * left / square
        most = beyond.both(measure.compare(">", code.value(slots["measure"])))
        number = builder.sitofp(loop.index, code.ir.DoubleType())
        values = dict(zip(("x", "y", "z"), normal, strict=True))
        values |= {
            "level": level, "which": code.spread(number), "excess": excess, "square": square,
            "measure": measure,
        }  # fmt: skip
        for name, value in values.items():
            builder.store(most.choose(value, code.value(slots[name])).value, slots[name])
    return {name: code.value(slot) for name, slot in slots.items()}


def write_join(
    code: Code, arms: Any, loads: Any, given: dict[str, Any], lines: Any, chosen: Any, state: Any
) -> None:
    """Write the rows that join behind the others, and the state with them into another block."""
    builder, rows = code.builder, code.rows
    wide = Code(builder, rows + JOINED, code.heads, state, code.first, code.width)
    nothing = code.constant(0.0)
    for vector in (LAM, BASE, DIRECTION, TARGET, ROW_SIZE, UNIT, MOMENT):
        for j in range(rows):
            wide.keep(vector, j, code.row(vector, j))
    held = [
        {
            name: code.load(chosen, code.index((n * len(CHOSEN) + k) * LANES))
            for k, name in enumerate(CHOSEN)
        }
        for n in range(JOINED)
    ]
    joined = held[0]["which"].compare(">=", 0.0)
    for j in range(rows):
        wide.keep(DIRECTION, j, joined.choose(nothing, code.row(DIRECTION, j)))
    for which, begin in (
        (SLOPE, 0.0), (DONE, 0.0), (LENGTH, 1.0), (FIRST_STEP, BEGUN), (SIZE, None),
    ):  # fmt: skip
        value = code.single(which)
        wide.keep_single(which, value if begin is None else joined.choose(begin, value))
    stride = builder.mul(code.heads, code.index(LANES))
    squares, pushes = code.sums(JOINED), code.sums(JOINED)
    with _tools().for_range(builder, code.heads) as loop:
        at, line = code.head(loop.index), _line(code, lines, loop.index)
        c, passive = code.load(given["capacity"], at), code.load(given["passive"], at)
        for n, plane in enumerate(held):
            place = builder.add(at, builder.mul(stride, code.index(rows + n)))
            own = dot(line, _normal(plane))
            load = own * c
            code.store(own, arms, place)
            code.store(load, loads, place)
            code.add(squares[n], load * load)
            code.add(pushes[n], own * passive)
    for n, plane in enumerate(held):
        j, square = rows + n, code.value(squares[n])
        some = square.compare(">", 0.0)
        norm = some.choose(square.root(), 0.0)
        unit = some.choose(code.constant(1.0) / some.choose(norm, 1.0), 0.0)
        wide.keep(ROW_SIZE, j, norm)
        wide.keep(UNIT, j, unit)
        wide.keep(MOMENT, j, plane["level"])
        wide.keep(TARGET, j, (plane["level"] - code.value(pushes[n])) * unit)
        for vector in (LAM, BASE, DIRECTION):
            wide.keep(vector, j, nothing)


def write_add_up(code: Code, given: dict[str, Any], lines: Any, found: Any) -> None:
    """Write the force on the joint.

    Of each component the sum of its terms, of their sizes, and of the squares of coefficient times
    capacity, as ``write_facet`` does.
    """
    builder = code.builder
    sums = [code.sums(3) for _ in range(3)]
    with _tools().for_range(builder, code.heads) as loop:
        at = code.head(loop.index)
        c = code.load(given["capacity"], at)
        force = c * code.load(given["activation"], at) + code.load(given["passive"], at)
        for (total, bare, square), u in zip(sums, _line(code, lines, loop.index), strict=True):
            part, load = u * force, u * c
            code.add(total, part)
            code.add(bare, part.size())
            code.add(square, load * load)
    for d, slots in enumerate(sums):
        for k, slot in enumerate(slots):
            code.store(code.value(slot), found, code.index((3 * d + k) * LANES))


def cone_functions() -> tuple[Callable[..., Any], ...]:
    """Give the written code as functions for compiled code.

    ``look(rows, exponent, loads, heads, state, lines, planes, chosen)``, ``join(rows, arms, loads,
    heads, state, lines, chosen, wide)`` and ``add_up(heads, lines, found)``; lines (3 heads, 8),
    planes (4 facets, 8) normals, then levels, chosen (10, 8), found (9, 8); see ``lane_functions``.
    """
    from numba.core import types
    from numba.extending import intrinsic

    @intrinsic(prefer_literal=True)
    def look(
        _typing: Any, rows: Any, exponent: Any, loads: Any, heads: Any, state: Any, lines: Any,
        planes: Any, chosen: Any,
    ) -> Any:  # fmt: skip
        def write(context: Any, builder: Any, kind: Any, given: Any) -> Any:
            views = opened(context, builder, kind, given)
            cone = (views[5].data, *cone_of(builder, views[6]))
            return in_parts(
                builder, rows.literal_value, views[3], views[4],
                lambda code, sides: write_look(
                    code, float(exponent.literal_value), views[2].data, sides,
                    cone, views[7].data,
                ),
            )  # fmt: skip

        return types.int64(rows, exponent, loads, heads, state, lines, planes, chosen), write

    @intrinsic(prefer_literal=True)
    def join(
        _typing: Any, rows: Any, arms: Any, loads: Any, heads: Any, state: Any, lines: Any,
        chosen: Any, wide: Any,
    ) -> Any:  # fmt: skip
        def write(context: Any, builder: Any, kind: Any, given: Any) -> Any:
            views = opened(context, builder, kind, given)
            in_parts(
                builder, rows.literal_value, views[3], views[4],
                lambda code, sides: write_join(
                    code, views[1].data, views[2].data, sides, views[5].data, views[6].data,
                    views[7].data,
                ),
            )  # fmt: skip
            return context.get_dummy_value()

        return types.void(rows, arms, loads, heads, state, lines, chosen, wide), write

    @intrinsic
    def add_up(_typing: Any, heads: Any, lines: Any, found: Any) -> Any:
        def write(context: Any, builder: Any, kind: Any, given: Any) -> Any:
            views = opened(context, builder, kind, given)
            in_parts(
                builder, 0, views[0], views[2],
                lambda code, sides: write_add_up(code, sides, views[1].data, views[2].data),
            )  # fmt: skip
            return context.get_dummy_value()

        return types.void(heads, lines, found), write

    return look, join, add_up

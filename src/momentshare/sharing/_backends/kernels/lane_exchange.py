"""Between the numbers of eight frames and vectors of eight, in code that is being written.

See ``kernels.lane_code``.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from momentshare.sharing._backends.kernels.lane_code import (
    LANES,
    Code,
    Vector,
    in_parts,
    opened,
)

if TYPE_CHECKING:
    from collections.abc import Callable


NEAR = 2
"""Second-level cache, as the instruction counts."""


def _transposed(builder: Any, vectors: list[Any]) -> list[Any]:
    """Write the exchange of rows and columns of eight vectors of eight."""
    from llvmlite import ir

    kind = ir.VectorType(ir.IntType(32), LANES)
    for span in (1, 2, 4):
        following: list[Any] = [None] * LANES
        low = [k if k & span == 0 else k - span + LANES for k in range(LANES)]
        high = [k + span if k & span == 0 else k + LANES for k in range(LANES)]
        for k in range(LANES):
            if k & span == 0:
                one, other = vectors[k], vectors[k + span]
                following[k] = builder.shuffle_vector(one, other, ir.Constant(kind, low))
                following[k + span] = builder.shuffle_vector(one, other, ir.Constant(kind, high))
        vectors = following
    return vectors


def write_exchange(code: Code, starts: list[Any], count: Any, block: Any, *, back: bool) -> None:
    """Write the way between ``count`` numbers from each of eight places and (count, 8).

    At least eight numbers; the end is done over.
    """
    from numba.core import cgutils

    builder, index = code.builder, code.index
    blocks = builder.sdiv(builder.add(count, index(LANES - 1)), index(LANES))
    with cgutils.for_range(builder, blocks) as loop:
        begin = builder.mul(loop.index, index(LANES))
        end = builder.sub(count, index(LANES))
        begin = builder.select(builder.icmp_signed("<", begin, end), begin, end)
        inside = [builder.mul(builder.add(begin, index(k)), index(LANES)) for k in range(LANES)]
        if back:
            values = [code.load(block, at).value for at in inside]
            for start, value in zip(starts, _transposed(builder, values), strict=True):
                code.store(Vector(builder, value), start, begin)
        else:
            values = [code.load(start, begin).value for start in starts]
            for at, value in zip(inside, _transposed(builder, values), strict=True):
                code.store(Vector(builder, value), block, at)


def write_facet(code: Code, facet: Any, given: dict[str, Any], found: Any, at: Any) -> None:
    """Write what the forces of a block make of one inequality.

    ``facet`` (heads, 8) holds the coefficients; ``found`` takes, from ``at`` on, the sum
    of their terms, that of their sizes and that of the squares of coefficient times capacity.
    """
    from numba.core import cgutils

    builder = code.builder
    total, bare, square = code.sums(3)
    with cgutils.for_range(builder, code.heads) as loop:
        place = code.head(loop.index)
        G = code.load(facet, place)
        c = code.load(given["capacity"], place)
        force = c * code.load(given["activation"], place) + code.load(given["passive"], place)
        part, load = G * force, G * c
        code.add(total, part)
        code.add(bare, part.size())
        code.add(square, load * load)
    for k, slot in enumerate((total, bare, square)):
        code.store(code.value(slot), found, builder.add(at, code.index(k * LANES)))


def write_combination(code: Code, lines: Any, normals: Any, row: Any) -> None:
    """Write normals · lines into a row: lines (heads, 3, 8), normals (3, 8), row (heads, 8)."""
    from numba.core import cgutils

    builder = code.builder
    normal = [code.load(normals, code.index(d * LANES)) for d in range(3)]
    with cgutils.for_range(builder, code.heads) as loop:
        at = code.head(loop.index)
        first = builder.mul(at, code.index(3))
        total = code.load(lines, first) * normal[0]
        for d in (1, 2):
            total += code.load(lines, builder.add(first, code.index(d * LANES))) * normal[d]
        code.store(total, row, at)


def write_prefetch(code: Code, begin: Any, count: Any) -> None:
    """Write the request that numbers which are soon needed come near, line by line."""
    from llvmlite import ir
    from numba.core import cgutils

    builder, module, index = code.builder, code.builder.module, code.index
    word, byte, name = ir.IntType(32), ir.IntType(8).as_pointer(), "llvm.prefetch.p0i8"
    function = module.globals.get(name) or ir.Function(
        module, ir.FunctionType(ir.VoidType(), [byte, word, word, word]), name
    )
    lines = builder.sdiv(builder.add(count, index(LANES - 1)), index(LANES))
    with cgutils.for_range(builder, lines) as loop:
        place = builder.gep(begin, [builder.mul(loop.index, index(LANES))])
        builder.call(function, [builder.bitcast(place, byte), word(0), word(NEAR), word(1)])


def place_functions() -> tuple[Callable[..., Any], ...]:
    """Give the code for frames in any order as functions for compiled code.

    ``prefetch(numbers, place, count)``, ``fetch`` and ``bring(numbers, places, count, block)`` from
    and to eight places, ``weigh(facet, heads, found, at)`` (see ``write_facet``) and
    ``combine(lines, normals, row)``.
    """
    from numba.core import types
    from numba.extending import intrinsic

    @intrinsic
    def weigh(_typing: Any, facet: Any, heads: Any, found: Any, _at: Any) -> Any:
        def write(context: Any, builder: Any, kind: Any, given: Any) -> Any:
            views = opened(context, builder, kind, given)
            in_parts(
                builder, 0, views[1], views[2],
                lambda code, sides: write_facet(
                    code, views[0].data, sides, views[2].data, views[3]
                ),
            )  # fmt: skip
            return context.get_dummy_value()

        return types.void(facet, heads, found, types.int64), write

    @intrinsic
    def combine(_typing: Any, lines: Any, normals: Any, row: Any) -> Any:
        def write(context: Any, builder: Any, kind: Any, given: Any) -> Any:
            views = opened(context, builder, kind, given)
            heads = builder.extract_value(views[2].shape, 0)
            code = Code(builder, 0, heads, None)
            write_combination(code, views[0].data, views[1].data, views[2].data)
            return context.get_dummy_value()

        return types.void(lines, normals, row), write

    @intrinsic
    def prefetch(_typing: Any, array: Any, _place: Any, _count: Any) -> Any:
        def write(context: Any, builder: Any, kind: Any, given: Any) -> Any:
            view, place, count = opened(context, builder, kind, given)
            write_prefetch(Code(builder, 0, None, None), builder.gep(view.data, [place]), count)
            return context.get_dummy_value()

        return types.void(array, types.int64, types.int64), write

    def exchange_at(*, back: bool) -> Any:
        @intrinsic
        def exchanged(_typing: Any, array: Any, places: Any, _count: Any, block: Any) -> Any:
            def write(context: Any, builder: Any, kind: Any, given: Any) -> Any:
                views = opened(context, builder, kind, given)
                code = Code(builder, 0, None, None)
                starts = []
                for lane in range(LANES):
                    place = builder.load(builder.gep(views[1].data, [code.index(lane)]))
                    starts.append(builder.gep(views[0].data, [place]))
                write_exchange(code, starts, views[2], views[3].data, back=back)
                return context.get_dummy_value()

            return types.void(array, places, types.int64, block), write

        return exchanged

    return prefetch, exchange_at(back=False), exchange_at(back=True), weigh, combine

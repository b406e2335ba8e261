"""Vectors of eight doubles in code that is being written for the compiler.

:class:`Vector` turns arithmetic into vector instructions, :class:`Code` knows the arrays that
a block of eight frames keeps; ``kernels.lane_pass`` writes the solver with them.
"""

from __future__ import annotations

from functools import cache
from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable

LANES = 8
"""Frames side by side."""

NARROW = 4
"""Lanes that are written at once for processors with sixteen vectors of four doubles, too few for
the sums of a sweep over the heads otherwise. Each lane has the same operations either way."""

LAM, BASE, DIRECTION, TARGET, ROW_SIZE, UNIT, MOMENT, UNMET, NORMAL = range(9)
"""Vectors over rows that a block keeps, one after the other."""

VECTORS = 9
"""How many these are."""

SLOPE, SIZE, DONE, LENGTH, FIRST_STEP, RESIDUAL, BOUND, STATIONARITY, GAP = range(9)
"""Single rows that follow them."""


SIDES = ("capacity", "passive", "weights", "reciprocal", "activation", "active", "force")
"""What a block keeps of its heads, one after the other."""


def state_rows(rows: int) -> int:
    """Rows of eight doubles that a block keeps."""
    return VECTORS * rows + 9


class Vector:
    """A vector value in code being written; arithmetic writes further code."""

    def __init__(self, builder: Any, value: Any) -> None:
        self.builder, self.value = builder, value

    def like(self, other: Vector | float) -> Any:
        """Give the value of a vector, or of one with a number in every lane."""
        if isinstance(other, Vector):
            return other.value
        kind = self.value.type
        return kind([float(other)] * kind.count)

    def _made(self, value: Any) -> Vector:
        return Vector(self.builder, value)

    def __add__(self, other: Vector | float) -> Vector:
        return self._made(self.builder.fadd(self.value, self.like(other), flags=("contract",)))

    def __sub__(self, other: Vector | float) -> Vector:
        return self._made(self.builder.fsub(self.value, self.like(other), flags=("contract",)))

    def __mul__(self, other: Vector | float) -> Vector:
        return self._made(self.builder.fmul(self.value, self.like(other), flags=("contract",)))

    def __truediv__(self, other: Vector | float) -> Vector:
        return self._made(self.builder.fdiv(self.value, self.like(other)))

    def compare(self, sign: str, other: Vector | float) -> Vector:
        """Lanes in which the comparison holds; false where a side is not a number."""
        return self._made(self.builder.fcmp_ordered(sign, self.value, self.like(other)))

    def both(self, other: Vector) -> Vector:
        """Lanes in which both hold."""
        return self._made(self.builder.and_(self.value, other.value))

    def either(self, other: Vector) -> Vector:
        """Lanes in which one or the other holds."""
        return self._made(self.builder.or_(self.value, other.value))

    def neither(self) -> Vector:
        """Lanes in which this does not hold."""
        return self._made(self.builder.not_(self.value))

    def choose(self, yes: Vector | float, no: Vector | float) -> Vector:
        """Where this holds the one, elsewhere the other."""
        like = yes if isinstance(yes, Vector) else no
        assert isinstance(like, Vector)  # noqa: S101 - one of the two is a vector
        return self._made(self.builder.select(self.value, like.like(yes), like.like(no)))

    def least(self, other: Vector | float) -> Vector:
        """Lane by lane the smaller."""
        return self.compare("<", other).choose(self, other)

    def most(self, other: Vector | float) -> Vector:
        """Lane by lane the greater."""
        return self.compare(">", other).choose(self, other)

    def size(self) -> Vector:
        """Absolute value."""
        return self._called("fabs")

    def root(self) -> Vector:
        """Square root."""
        return self._called("sqrt")

    def finite(self) -> Vector:
        """Lanes that hold a finite number."""
        return (self * 0.0).compare("==", 0.0)

    def _called(self, what: str) -> Vector:
        from llvmlite import ir

        kind = self.value.type
        module = self.builder.module
        name = f"llvm.{what}.v{kind.count}f64"
        function = module.globals.get(name) or ir.Function(
            module, ir.FunctionType(kind, [kind]), name
        )
        return self._made(self.builder.call(function, [self.value]))


@cache
def lanes_at_once() -> int:
    """Lanes that are written at once for this processor."""
    binding: Any = import_module("llvmlite.binding")
    return LANES if binding.get_host_cpu_features().get("avx512f", False) else NARROW


class Code:
    """The builder of the code for some of the lanes, with the block's arrays at hand."""

    def __init__(
        self, builder: Any, rows: int, heads: Any, state: Any, first: int = 0, width: int = LANES
    ) -> None:
        from llvmlite import ir

        self.ir, self.builder, self.rows, self.heads, self.state = ir, builder, rows, heads, state
        self.index = ir.IntType(64)
        self.first, self.width = first, width
        self.kind = ir.VectorType(ir.DoubleType(), width)

    def place(self, base: Any, at: Any) -> Any:
        """Give the address of the doubles of these lanes."""
        pointer = self.builder.gep(base, [at])
        if self.first:
            pointer = self.builder.gep(pointer, [self.index(self.first)])
        return self.builder.bitcast(pointer, self.kind.as_pointer())

    def bits(self, flags: Vector) -> Any:
        """Give the lanes in which something holds as the bits of a number."""
        builder, ir = self.builder, self.ir
        found = builder.zext(builder.bitcast(flags.value, ir.IntType(self.width)), self.index)
        return builder.shl(found, self.index(self.first)) if self.first else found

    def some(self, flags: Vector) -> Any:
        """Write whether something holds in any of these lanes."""
        return self.builder.icmp_unsigned("!=", self.bits(flags), self.index(0))

    def load(self, base: Any, at: Any) -> Vector:
        """Write the loading of these lanes."""
        return Vector(self.builder, self.builder.load(self.place(base, at), align=8))

    def store(self, value: Vector, base: Any, at: Any) -> None:
        """Write the storing of these lanes."""
        self.builder.store(value.value, self.place(base, at), align=8)

    def row(self, vector: int, j: int) -> Vector:
        """Row j of one of the block's vectors."""
        return self.load(self.state, self.index((vector * self.rows + j) * LANES))

    def single(self, which: int) -> Vector:
        """One of the block's single rows."""
        return self.load(self.state, self.index((VECTORS * self.rows + which) * LANES))

    def keep(self, vector: int, j: int, value: Vector) -> None:
        """Write row j of one of the block's vectors."""
        self.store(value, self.state, self.index((vector * self.rows + j) * LANES))

    def keep_single(self, which: int, value: Vector) -> None:
        """Write one of the block's single rows."""
        self.store(value, self.state, self.index((VECTORS * self.rows + which) * LANES))

    def spread(self, value: Any) -> Vector:
        """Give one number in every lane."""
        ir = self.ir
        nothing = ir.Constant(self.kind, ir.Undefined)
        first = self.builder.insert_element(nothing, value, ir.IntType(32)(0))
        mask = ir.Constant(ir.VectorType(ir.IntType(32), self.width), [0] * self.width)
        return Vector(self.builder, self.builder.shuffle_vector(first, nothing, mask))

    def constant(self, value: float) -> Vector:
        """Give a number in every lane."""
        return Vector(self.builder, self.kind([value] * self.width))

    def sums(self, count: int) -> list[Any]:
        """Make sums at zero, which the compiler keeps in registers."""
        tools: Any = import_module("numba.core.cgutils")
        slots = [tools.alloca_once(self.builder, self.kind) for _ in range(count)]
        for slot in slots:
            self.builder.store(self.kind([0.0] * self.width), slot)
        return slots

    def value(self, slot: Any) -> Vector:
        """Give what a sum has come to."""
        return Vector(self.builder, self.builder.load(slot))

    def add(self, slot: Any, value: Vector) -> None:
        """Add to a sum."""
        self.builder.store((self.value(slot) + value).value, slot)

    def raise_to(self, slot: Any, value: Vector) -> None:
        """Keep the greater."""
        self.builder.store(self.value(slot).most(value).value, slot)

    def head(self, i: Any) -> Any:
        """Offset of head i in an array (heads, 8)."""
        return self.builder.mul(i, self.index(LANES))

    def load_head(self, loads: Any, i: Any) -> list[Vector]:
        """Every row of head i of an array (rows, heads, 8)."""
        stride = self.builder.mul(self.heads, self.index(LANES))
        return [
            self.load(
                loads, self.builder.add(self.head(i), self.builder.mul(stride, self.index(j)))
            )
            for j in range(self.rows)
        ]


def opened(context: Any, builder: Any, kind: Any, given: Any) -> list[Any]:
    """Give the arguments of written code, arrays as views of them."""
    from numba.core import types

    return [
        context.make_array(item)(context, builder, value)
        if isinstance(item, types.Array) else value
        for item, value in zip(kind.args, given, strict=True)
    ]  # fmt: skip


def of_heads(code: Code, view: Any) -> dict[str, Any]:
    """Give the addresses of the parts of an array (sides, heads, 8)."""
    size = code.builder.mul(code.heads, code.index(LANES))
    return {
        name: code.builder.gep(view.data, [code.builder.mul(size, code.index(k))])
        for k, name in enumerate(SIDES)
    }


def in_parts(
    builder: Any, rows: int, heads: Any, state: Any, write: Callable[[Code, dict[str, Any]], Any]
) -> Any:
    """Write code for all lanes, part by part, and join the bits that it gives, if any.

    ``heads`` is an array (sides, heads, 8), ``state`` that of a block; ``write`` gets the builder
    of each part and the addresses of the sides.
    """
    count, width = builder.extract_value(heads.shape, 1), lanes_at_once()
    found = None
    for first in range(0, LANES, width):
        code = Code(builder, rows, count, state.data, first, width)
        bits = write(code, of_heads(code, heads))
        found = bits if found is None or bits is None else builder.or_(found, bits)
    return found

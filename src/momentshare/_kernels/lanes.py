"""Eight numbers side by side as one value of compiled code.

Compilers do not turn loops over frames with branches into vector instructions by themselves. Here
a kernel takes the same step for eight frames at once: ``take`` reads eight numbers from a row of
an array (rows, 8), arithmetic and comparisons go lane by lane, ``choose`` stands in place of a
branch. On processors with narrower vectors the compiler splits the operations, which gives the
same numbers.

The functions take plain numbers and truth values too, so that a formula is written once. Imported
late, since it needs numba.
"""

from __future__ import annotations

import math
import operator
from importlib import import_module
from typing import TYPE_CHECKING, Any

from llvmlite import ir
from numba.core import types
from numba.extending import models, overload, register_model

if TYPE_CHECKING:
    from collections.abc import Callable

intrinsic: Any = import_module("numba.extending").intrinsic  # its types forget what it makes

LANES = 8
"""Frames side by side."""

_INSIDE: dict[str, Any] = {"strict": False, "jit_options": {"forceinline": True}}
"""What stands in place of an operator or a function is written where it is called: by itself it
could be taken for another of the same name where compiled code is read back."""


class LanesType(types.Type):
    """Eight doubles."""

    def __init__(self) -> None:
        super().__init__(name="lanes")


class FlagsType(types.Type):
    """Eight truth values."""

    def __init__(self) -> None:
        super().__init__(name="flags")


lanes, flags = LanesType(), FlagsType()
_DOUBLES = ir.VectorType(ir.DoubleType(), LANES)
_BITS = ir.VectorType(ir.IntType(1), LANES)


@register_model(LanesType)
class _LanesModel(models.PrimitiveModel):
    def __init__(self, manager: Any, kind: Any) -> None:
        super().__init__(manager, kind, _DOUBLES)  # type: ignore[no-untyped-call]


@register_model(FlagsType)
class _FlagsModel(models.PrimitiveModel):
    def __init__(self, manager: Any, kind: Any) -> None:
        super().__init__(manager, kind, _BITS)  # type: ignore[no-untyped-call]


def _wide(context: Any, builder: Any, kind: Any, value: Any) -> Any:
    """Give a number in every lane; eight stay as they are."""
    if isinstance(kind, LanesType):
        return value
    value = context.cast(builder, value, kind, types.float64)
    first = builder.insert_element(ir.Constant(_DOUBLES, ir.Undefined), value, ir.IntType(32)(0))
    mask = ir.Constant(ir.VectorType(ir.IntType(32), LANES), [0] * LANES)
    return builder.shuffle_vector(first, first, mask)


def _are(kinds: Any) -> bool:
    return all(isinstance(k, (LanesType, types.Float, types.Integer)) for k in kinds) and any(
        isinstance(k, LanesType) for k in kinds
    )


def _written(answer: Any, write: Callable[..., Any], *operators: Any) -> None:
    """Let operators on lanes, or on lanes and a number, write code by ``write(builder, a, b)``."""

    @intrinsic  # type: ignore[untyped-decorator]
    def both(_typing: Any, a: Any, b: Any) -> Any:
        def code(context: Any, builder: Any, sign: Any, given: Any) -> Any:
            sides = zip(sign.args, given, strict=True)
            return write(builder, *(_wide(context, builder, k, v) for k, v in sides))

        return answer(a, b), code

    for symbol in operators:

        @overload(symbol, **_INSIDE)
        def written(a: Any, b: Any) -> Any:
            return (lambda a, b: both(a, b)) if _are((a, b)) else None


_FUSED = ("contract",)
_written(lanes, lambda w, a, b: w.fadd(a, b, flags=_FUSED), operator.add)
_written(lanes, lambda w, a, b: w.fsub(a, b, flags=_FUSED), operator.sub)
_written(lanes, lambda w, a, b: w.fmul(a, b, flags=_FUSED), operator.mul)
_written(lanes, lambda w, a, b: w.fdiv(a, b), operator.truediv)
_written(flags, lambda w, a, b: w.fcmp_ordered("<", a, b), operator.lt)
_written(flags, lambda w, a, b: w.fcmp_ordered("<=", a, b), operator.le)
_written(flags, lambda w, a, b: w.fcmp_ordered(">", a, b), operator.gt)
_written(flags, lambda w, a, b: w.fcmp_ordered(">=", a, b), operator.ge)
_written(flags, lambda w, a, b: w.fcmp_ordered("==", a, b), operator.eq)
_written(flags, lambda w, a, b: w.fcmp_unordered("!=", a, b), operator.ne)


def _logic(name: str, symbol: Any) -> None:
    @intrinsic  # type: ignore[untyped-decorator]
    def both(_typing: Any, a: Any, b: Any) -> Any:
        def code(_context: Any, builder: Any, _sign: Any, given: Any) -> Any:
            return getattr(builder, name)(*given)

        return flags(a, b), code

    @overload(symbol, **_INSIDE)
    def written(a: Any, b: Any) -> Any:
        if isinstance(a, FlagsType) and isinstance(b, FlagsType):
            return lambda a, b: both(a, b)
        return None


_logic("and_", operator.and_)
_logic("or_", operator.or_)
_logic("xor", operator.xor)


def _called(name: str) -> Any:
    """Write the call of a function of the compiler on one vector."""

    @intrinsic  # type: ignore[untyped-decorator]
    def one(_typing: Any, a: Any) -> Any:
        def code(_context: Any, builder: Any, _sign: Any, given: Any) -> Any:
            kind = ir.FunctionType(_DOUBLES, [_DOUBLES])
            full = f"llvm.{name}.v{LANES}f64"
            known = builder.module.globals.get(full)
            return builder.call(known or ir.Function(builder.module, kind, full), given)

        return lanes(a), code

    return one


_root, _size = _called("sqrt"), _called("fabs")


@intrinsic  # type: ignore[untyped-decorator]
def _select(_typing: Any, where: Any, yes: Any, no: Any) -> Any:
    def code(context: Any, builder: Any, sign: Any, given: Any) -> Any:
        a, b = (_wide(context, builder, sign.args[k], given[k]) for k in (1, 2))
        return builder.select(given[0], a, b)

    return lanes(where, yes, no), code


@intrinsic  # type: ignore[untyped-decorator]
def _any(_typing: Any, where: Any) -> Any:
    def code(_context: Any, builder: Any, _sign: Any, given: Any) -> Any:
        bits = builder.bitcast(given[0], ir.IntType(LANES))
        return builder.icmp_unsigned("!=", bits, ir.IntType(LANES)(0))

    return types.boolean(where), code


@intrinsic  # type: ignore[untyped-decorator]
def _other(_typing: Any, where: Any) -> Any:
    def code(_context: Any, builder: Any, _sign: Any, given: Any) -> Any:
        return builder.not_(given[0])

    return flags(where), code


@intrinsic  # type: ignore[untyped-decorator]
def spread(_typing: Any, value: Any) -> Any:
    """One number in every lane."""

    def code(context: Any, builder: Any, sign: Any, given: Any) -> Any:
        return _wide(context, builder, sign.args[0], given[0])

    return lanes(value), code


def _address(context: Any, builder: Any, kind: Any, array: Any, row: Any) -> Any:
    data = context.make_array(kind)(context, builder, array).data
    start = builder.gep(data, [builder.mul(row, ir.IntType(64)(LANES))])
    return builder.bitcast(start, _DOUBLES.as_pointer())


@intrinsic  # type: ignore[untyped-decorator]
def take(_typing: Any, array: Any, row: Any) -> Any:
    """Row of a contiguous array (rows, 8)."""

    def code(context: Any, builder: Any, sign: Any, given: Any) -> Any:
        row = context.cast(builder, given[1], sign.args[1], types.int64)
        return builder.load(_address(context, builder, sign.args[0], given[0], row), align=8)

    return lanes(array, row), code


@intrinsic  # type: ignore[untyped-decorator]
def put(_typing: Any, array: Any, row: Any, value: Any) -> Any:
    """Write eight numbers into a row of a contiguous array (rows, 8)."""

    def code(context: Any, builder: Any, sign: Any, given: Any) -> Any:
        row = context.cast(builder, given[1], sign.args[1], types.int64)
        wide = _wide(context, builder, sign.args[2], given[2])
        builder.store(wide, _address(context, builder, sign.args[0], given[0], row), align=8)
        return context.get_dummy_value()

    return types.void(array, row, value), code


def choose(where: Any, yes: Any, no: Any) -> Any:
    """Where it holds the one, elsewhere the other."""
    return yes if where else no


def root(a: Any) -> Any:
    """Square root."""
    return math.sqrt(a)


def size(a: Any) -> Any:
    """Absolute value."""
    return abs(a)


def any_of(where: Any) -> bool:
    """Whether it holds in any lane."""
    return bool(where)


def other(where: Any) -> Any:
    """Where it does not hold."""
    return not where


def is_nan(a: Any) -> Any:
    """Where there is no number."""
    return math.isnan(a)


@overload(choose, **_INSIDE)
def _choose(where: Any, yes: Any, no: Any) -> Any:
    if isinstance(where, FlagsType):
        return lambda where, yes, no: _select(where, yes, no)
    return lambda where, yes, no: yes if where else no


@overload(root, **_INSIDE)
def _of_root(a: Any) -> Any:
    return (lambda a: _root(a)) if isinstance(a, LanesType) else (lambda a: math.sqrt(a))


@overload(size, **_INSIDE)
def _of_size(a: Any) -> Any:
    return (lambda a: _size(a)) if isinstance(a, LanesType) else (lambda a: abs(a))


@overload(any_of, **_INSIDE)
def _of_any(where: Any) -> Any:
    return (lambda where: _any(where)) if isinstance(where, FlagsType) else (lambda where: where)


@overload(other, **_INSIDE)
def _of_other(where: Any) -> Any:
    if isinstance(where, FlagsType):
        return lambda where: _other(where)
    return lambda where: not where


@overload(is_nan, **_INSIDE)
def _of_nan(a: Any) -> Any:
    return lambda a: a != a  # noqa: PLR0124 - only what is no number differs from itself


_HALF_PI = 0.5 * math.pi
_BEYOND = 6.123233995736766e-17
"""What π/2 exceeds its nearest double by."""

_P = (
    -8.750608600031904122785e-1,
    -1.615753718733365076637e1,
    -7.500855792314704667340e1,
    -1.228866684490136173410e2,
    -6.485021904942025371773e1,
)
_Q = (
    2.485846490142306297962e1,
    1.650270098316988542046e2,
    4.328810604912902668951e2,
    4.853903996359136964868e2,
    1.945506571482613964425e2,
)
"""Coefficients of (atan(t) − t) / t³ = P(t²) / Q(t²) for |t| ≤ 0.66, Q with a leading 1 (Moshier,
Methods and Programs for Mathematical Functions, 1989; from memory, and tested)."""


def angle_of(y: Any, x: Any) -> Any:
    """Angle of the point (x, y) [rad], −π to π, to some 4e-16; zero at the origin.

    Like :func:`math.atan2` but for the sign of zeros, and for numbers beyond 1e±300.
    """
    return math.atan2(y, x)


@overload(angle_of, **_INSIDE)
def _angle_of(y: Any, x: Any) -> Any:
    if not isinstance(y, LanesType):
        return lambda y, x: math.atan2(y, x)
    p0, p1, p2, p3, p4 = _P
    q0, q1, q2, q3, q4 = _Q

    def found(y: Any, x: Any) -> Any:
        across, along = size(x), size(y)
        steep = along > across
        high, low = choose(steep, along, across), choose(steep, across, along)
        high = choose(high == 0.0, 1.0, high)
        # Beyond 0.66 the angle from the diagonal, tan(a − π/4) = (t − 1) / (t + 1).
        far = low > 0.66 * high
        t = choose(far, low - high, low) / choose(far, low + high, high)
        z = t * t
        top = (((p0 * z + p1) * z + p2) * z + p3) * z + p4
        below = ((((z + q0) * z + q1) * z + q2) * z + q3) * z + q4
        angle = t * (z * top / below) + t
        angle = choose(far, (angle + 0.5 * _BEYOND) + 0.5 * _HALF_PI, angle)
        angle = choose(steep, _HALF_PI - (angle - _BEYOND), angle)
        angle = choose(x < 0.0, math.pi - (angle - 2.0 * _BEYOND), angle)
        return choose(y < 0.0, 0.0 - angle, angle)

    return found

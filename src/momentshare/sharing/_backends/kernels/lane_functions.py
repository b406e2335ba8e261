"""What is written for eight frames side by side, as functions for compiled code."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from momentshare.sharing._backends.kernels.lane_code import Code, in_parts, of_heads, opened
from momentshare.sharing._backends.kernels.lane_pass import (
    write_certificate,
    write_pass,
    write_reciprocals,
    write_set_up,
    write_turn,
)

if TYPE_CHECKING:
    from collections.abc import Callable


def lane_functions() -> tuple[Callable[..., Any], ...]:
    """Give the written code as functions for compiled code.

    ``reciprocals(exponent, heads)``, ``set_up(rows, arms, loads, heads, state, pushed)``,
    ``lane_pass(rows, held, exponent, loads, heads, state, tolerance, most)``, ``turn(rows, loads,
    heads, state)`` and ``certify(rows, held, exponent, arms, heads, state, certified, rounded)``.
    Rows, held and exponent (a whole number) have to be constants; ``heads`` (sides, heads, 8) holds
    what ``SIDES`` names.
    """
    from numba.core import types
    from numba.extending import intrinsic

    @intrinsic(prefer_literal=True)
    def reciprocals(_typing: Any, exponent: Any, heads: Any) -> Any:
        def write(context: Any, builder: Any, kind: Any, given: Any) -> Any:
            view = opened(context, builder, kind, given)[1]
            code = Code(builder, 0, builder.extract_value(view.shape, 1), None)
            write_reciprocals(code, of_heads(code, view), float(exponent.literal_value))
            return context.get_dummy_value()

        return types.void(exponent, heads), write

    @intrinsic(prefer_literal=True)
    def set_up(
        _typing: Any, rows: Any, arms: Any, loads: Any, heads: Any, state: Any, _pushed: Any
    ) -> Any:
        def write(context: Any, builder: Any, kind: Any, given: Any) -> Any:
            views = opened(context, builder, kind, given)
            in_parts(
                builder, rows.literal_value, views[3], views[4],
                lambda code, sides: write_set_up(
                    code, views[1].data, views[2].data, sides, views[5]
                ),
            )  # fmt: skip
            return context.get_dummy_value()

        return types.void(rows, arms, loads, heads, state, types.int64), write

    @intrinsic(prefer_literal=True)
    def lane_pass(
        _typing: Any, rows: Any, held: Any, exponent: Any, loads: Any, heads: Any, state: Any,
        _tolerance: Any, _most: Any,
    ) -> Any:  # fmt: skip
        def write(context: Any, builder: Any, kind: Any, given: Any) -> Any:
            views = opened(context, builder, kind, given)
            power = float(exponent.literal_value)
            return in_parts(
                builder, rows.literal_value, views[4], views[5],
                lambda code, sides: write_pass(
                    code, held.literal_value, views[3].data, sides, power, views[6], views[7]
                ),
            )  # fmt: skip

        real = types.float64
        return types.int64(rows, held, exponent, loads, heads, state, real, real), write

    @intrinsic(prefer_literal=True)
    def turn(_typing: Any, rows: Any, loads: Any, heads: Any, state: Any) -> Any:
        def write(context: Any, builder: Any, kind: Any, given: Any) -> Any:
            views = opened(context, builder, kind, given)
            in_parts(
                builder, rows.literal_value, views[2], views[3],
                lambda code, sides: write_turn(code, views[1].data, sides["reciprocal"]),
            )  # fmt: skip
            return context.get_dummy_value()

        return types.void(rows, loads, heads, state), write

    @intrinsic(prefer_literal=True)
    def certify(
        _typing: Any, rows: Any, held: Any, exponent: Any, arms: Any, heads: Any, state: Any,
        _certified: Any, _rounded: Any,
    ) -> Any:  # fmt: skip
        def write(context: Any, builder: Any, kind: Any, given: Any) -> Any:
            views = opened(context, builder, kind, given)
            power = float(exponent.literal_value)
            return in_parts(
                builder, rows.literal_value, views[4], views[5],
                lambda code, sides: write_certificate(
                    code, held.literal_value, power, views[3].data, sides, views[6], views[7]
                ),
            )  # fmt: skip

        real = types.float64
        return types.int64(rows, held, exponent, arms, heads, state, real, real), write

    return reciprocals, set_up, lane_pass, turn, certify

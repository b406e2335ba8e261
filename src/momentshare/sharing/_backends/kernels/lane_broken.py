"""What the forces of eight frames make of their inequalities, as vector code."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from momentshare.sharing._backends.kernels.broken import BROKEN, GIVEN_UP, KEPT, MOST_HELD
from momentshare.sharing._backends.kernels.lane_code import LANES, Code, Vector, in_parts, opened
from momentshare.sharing._backends.kernels.lane_cone import cone_of, dot, plane_at

if TYPE_CHECKING:
    from collections.abc import Callable

JUDGED = MOST_HELD + 2
"""Rows of what is judged: numbers of the inequalities in force (−1 where there are fewer), then the
number of the one broken most of those not in force, and the worst relative excess."""


def _tools() -> Any:
    return import_module("numba.core.cgutils")


class _Sums:
    """What the forces of a block make of every inequality, from the sums of ``found``.

    Three for every row of coefficients: of its terms, of their sizes, and of the squares of
    coefficient times capacity. Of a cone the rows are the components of the force.
    """

    def __init__(self, code: Code, planes: Any, found: Any, *, cone: bool) -> None:
        self.code, self.found = code, found
        self.normals, self.levels, self.facets = cone_of(code.builder, planes)
        self.folded = [[self._sum(code.index(3 * d + k)) for d in range(3)] for k in range(3)]
        self.cone = cone

    def _sum(self, row: Any) -> Vector:
        code = self.code
        return code.load(self.found, code.builder.mul(row, code.index(LANES)))

    def excess(self, g: Any) -> Vector:
        """Give by how much inequality g is exceeded."""
        code = self.code
        if self.cone:
            normal, level = plane_at(code, self.normals, self.levels, g)
            return dot(normal, self.folded[0]) - level
        return self._of(g, 0) - code.load(self.levels, code.head(g))

    def sizes(self, g: Any) -> tuple[Vector, Vector]:
        """Give the size of its terms, and the sum of squares of coefficient times capacity."""
        code = self.code
        if not self.cone:
            level = code.load(self.levels, code.head(g))
            return self._of(g, 1) + level.size(), self._of(g, 2)
        normal, level = plane_at(code, self.normals, self.levels, g)
        bare = level.size() + dot([part.size() for part in normal], self.folded[1])
        return bare, dot([part * part for part in normal], self.folded[2])

    def _of(self, g: Any, k: int) -> Vector:
        builder, index = self.code.builder, self.code.index
        return self._sum(builder.add(builder.mul(g, index(3)), index(k)))


def write_judge(code: Code, planes: Any, found: Any, judged: Any, *, cone: bool) -> Any:
    """Write which inequality is broken most; gives the lanes that may break one as bits."""
    builder, tools = code.builder, _tools()
    sums = _Sums(code, planes, found, cone=cone)
    worst, counted, relative, most = code.sums(4)
    which = code.sums(1)[0]
    builder.store(code.constant(float(KEPT)).value, which)
    builder.store(code.constant(-1.0).value, most)
    with tools.for_range(builder, sums.facets) as loop:
        excess = sums.excess(loop.index)
        code.raise_to(worst, excess)
        # What is no number or infinite spoils this sum.
        code.add(counted, excess * 0.0)
    sound = code.value(counted).compare("==", 0.0)
    beyond = code.value(worst).compare("<=", 0.0).both(sound).neither()
    held = [code.load(judged, code.index(n * LANES)) for n in range(MOST_HELD)]
    # Most blocks without one in force keep all, and need no more than this.
    with builder.if_then(code.some(beyond)):
        with tools.for_range(builder, sums.facets) as loop:
            excess = sums.excess(loop.index)
            bare, square = sums.sizes(loop.index)
            over = excess.compare(">", 0.0)
            code.raise_to(relative, over.choose(excess / bare, 0.0))
            number = code.spread(builder.sitofp(loop.index, code.ir.DoubleType()))
            joins = excess.compare(">", bare * BROKEN)
            for one in held:
                joins = joins.both(one.compare("==", number).neither())
            # Excess over the change that the heads can make, squared.
            some = square.compare(">", 0.0)
            measure = some.choose(excess * excess / square, float("inf"))
            joins = joins.both(measure.compare(">", code.value(most)))
            builder.store(joins.choose(measure, code.value(most)).value, most)
            builder.store(joins.choose(number, code.value(which)).value, which)
        unsound = code.constant(float(GIVEN_UP))
        builder.store(sound.choose(code.value(which), unsound).value, which)
    for row, slot in ((MOST_HELD, which), (MOST_HELD + 1, relative)):
        code.store(code.value(slot), judged, code.index(row * LANES))
    return code.bits(beyond)


def judging_functions() -> tuple[Callable[..., Any], ...]:
    """Give the written code as functions for compiled code.

    ``judge_cone`` and ``judge(heads, planes, found, judged)``; planes (4 facets, 8) normals, if it
    is a cone, then levels, judged (``JUDGED``, 8); see ``lane_functions``.
    """
    from numba.core import types
    from numba.extending import intrinsic

    def judging(*, cone: bool) -> Any:
        @intrinsic
        def judged_by(_typing: Any, heads: Any, planes: Any, found: Any, judged: Any) -> Any:
            def write(context: Any, builder: Any, kind: Any, given: Any) -> Any:
                views = opened(context, builder, kind, given)
                return in_parts(
                    builder, 0, views[0], views[2],
                    lambda code, _: write_judge(
                        code, views[1], views[2].data, views[3].data, cone=cone
                    ),
                )  # fmt: skip

            return types.int64(heads, planes, found, judged), write

        return judged_by

    return judging(cone=True), judging(cone=False)

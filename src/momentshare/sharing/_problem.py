"""Check the arguments of a sharing problem once and bring them to one layout."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal, TypeAlias, TypedDict, Unpack

import numpy as np

from momentshare.errors import ShapeError
from momentshare.sharing._arguments import (
    read_array,
    read_bounds,
    read_exponent,
    read_inequalities,
    require_choice,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import ArrayLike, NDArray

    from momentshare.sharing._force_cone import Cone
    from momentshare.sharing._result import BoolArray, FloatArray


OnInvalid: TypeAlias = Literal["raise", "mark"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Components:
    """Inequalities on a force in space that is linear in the head forces: G = normals linesᵀ."""

    lines: FloatArray  # (frames or 1, heads, 3)
    normals: FloatArray  # (frames or 1, facets, 3)


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """A batch of balances, frame axis first.

    An array whose frame axis has length one holds for every frame; nothing is copied
    for it.
    """

    arms: FloatArray  # (frames or 1, rows, heads) [m]
    capacity: FloatArray  # (frames or 1, heads) [N]
    moments: FloatArray  # (frames or 1, rows) [N·m]
    passive: FloatArray  # (frames or 1, heads) [N]
    weights: FloatArray  # (frames or 1, heads)
    columns: FloatArray  # (frames or 1, rows, k)
    lower: FloatArray  # (frames or 1, k)
    upper: FloatArray  # (frames or 1, k)
    coefficients: FloatArray | None  # G, (frames or 1, facets, heads); None where a cone is given
    cone: Components | None
    levels: FloatArray  # h, (frames or 1, facets) [N]
    start: FloatArray | None  # (frames or 1, rows), multipliers to begin from
    exponent: float
    frames: int
    batch: tuple[int, ...]
    invalid: BoolArray  # (frames,)

    @property
    def rows(self) -> int:
        """Number of balance rows."""
        return int(self.arms.shape[1])

    @property
    def heads(self) -> int:
        """Number of heads."""
        return int(self.arms.shape[2])

    @property
    def free(self) -> int:
        """Number of free columns."""
        return int(self.columns.shape[2])

    @property
    def facets(self) -> int:
        """Number of inequalities."""
        return int(self.levels.shape[1])

    @property
    def limits(self) -> FloatArray:
        """G, shape (frames or 1, facets, heads); made again at each call if a cone is given."""
        if self.coefficients is not None:
            return self.coefficients
        assert self.cone is not None  # noqa: S101 - one of the two is given
        return np.ascontiguousarray(self.cone.normals @ np.swapaxes(self.cone.lines, 1, 2))

    @property
    def pushed(self) -> bool:
        """Whether any head carries a passive force."""
        return self.passive.shape[0] > 1 or bool(self.passive.any())

    @property
    def has_bounds(self) -> bool:
        """Whether any free value is bounded."""
        return bool(np.isfinite(self.lower).any() or np.isfinite(self.upper).any())

    def take(self, index: slice | NDArray[np.intp]) -> Problem:
        """Return the problem of some frames only."""

        def pick(array: FloatArray) -> FloatArray:
            return array if array.shape[0] == 1 and self.frames != 1 else array[index]

        invalid = self.invalid[index]
        return replace(
            self,
            arms=pick(self.arms),
            capacity=pick(self.capacity),
            moments=pick(self.moments),
            passive=pick(self.passive),
            weights=pick(self.weights),
            columns=pick(self.columns),
            lower=pick(self.lower),
            upper=pick(self.upper),
            coefficients=None if self.coefficients is None else pick(self.coefficients),
            cone=None
            if self.cone is None
            else Components(lines=pick(self.cone.lines), normals=pick(self.cone.normals)),
            levels=pick(self.levels),
            start=None if self.start is None else pick(self.start),
            frames=int(invalid.size),
            batch=(int(invalid.size),),
            invalid=invalid,
        )


class Options(TypedDict, total=False):
    """Optional parts of a problem besides arms, capacities and moments; see ``share``."""

    passive_force: ArrayLike | None
    exponent: float
    weights: ArrayLike | None
    free_columns: ArrayLike | None
    free_bounds: tuple[ArrayLike, ArrayLike] | None
    inequalities: Cone | tuple[ArrayLike, ArrayLike] | None
    start: ArrayLike | None
    on_invalid: OnInvalid


def build_problem(
    moment_arms: ArrayLike,
    active_capacity: ArrayLike,
    joint_moments: ArrayLike,
    **options: Unpack[Options],
) -> Problem:
    """Check every argument and return the problem with one frame axis.

    Raises
    ------
    ShapeError
        Naming argument, frame and value.
    """
    return check_numbers(
        lay_out(moment_arms, active_capacity, joint_moments, **options),
        raising=options.get("on_invalid", "raise") == "raise",
        remedy=MARK if "on_invalid" in options else LEAVE_OUT,
    )


def lay_out(
    moment_arms: ArrayLike,
    active_capacity: ArrayLike,
    joint_moments: ArrayLike,
    **options: Unpack[Options],
) -> Problem:
    """Check the shapes of every argument, but not its numbers; see ``check_numbers``.

    Raises
    ------
    ShapeError
        Naming the argument.
    """
    passive_force, weights = options.get("passive_force"), options.get("weights")
    free_columns, start = options.get("free_columns"), options.get("start")
    on_invalid = options.get("on_invalid", "raise")
    require_choice("on_invalid", on_invalid, ("raise", "mark"))
    power = read_exponent(options.get("exponent", 2.0))
    arms = read_array(
        "moment_arms", moment_arms, 2, "give a table of rows and heads; [[0.05, 0.04]] has one row"
    )
    rows, heads = arms.shape[-2:]
    if rows == 0 or heads == 0:
        raise ShapeError(
            "moment_arms",
            "shape (..., rows, heads) with at least one of each",
            f"shape {arms.shape}",
            "give one row for each moment and one column for each head",
        )
    told = f"moment_arms of shape {arms.shape} has {rows} rows and {heads} heads"
    if rows > heads:
        told += "; transpose it if its columns are the moments"
    per_head, per_row = f"give one value for each head: {told}", f"give one for each row: {told}"
    capacity = read_array("active_capacity", active_capacity, 1, per_head, (heads,))
    moments = read_array("joint_moments", joint_moments, 1, per_row, (rows,))
    zeros = np.zeros(heads)
    passive = (
        zeros
        if passive_force is None
        else read_array("passive_force", passive_force, 1, per_head, (heads,))
    )
    weight = (
        np.ones(heads) if weights is None else read_array("weights", weights, 1, per_head, (heads,))
    )
    by_value = "give one row for each row of moment_arms and one column for each free value"
    columns = (
        np.zeros((rows, 0))
        if free_columns is None
        else read_array("free_columns", free_columns, 2, by_value)
    )
    if columns.shape[-2] != rows:
        wanted = f"shape (..., {rows}, k)"
        raise ShapeError("free_columns", wanted, f"shape {columns.shape}", by_value)
    free = columns.shape[-1]
    lower, upper = read_bounds(options.get("free_bounds"), free)
    limits, lines, levels = read_inequalities(options.get("inequalities"), heads)
    first = None if start is None else read_array("start", start, 1, per_row, (rows,))

    named: dict[str, tuple[FloatArray, int]] = {
        "moment_arms": (arms, 2),
        "active_capacity": (capacity, 1),
        "joint_moments": (moments, 1),
        "passive_force": (passive, 1),
        "weights": (weight, 1),
        "free_columns": (columns, 2),
        "free_bounds": (lower, 1),
        "free_bounds (upper)": (upper, 1),
        "inequalities": (limits, 2),
        "inequalities (level)": (levels, 1),
    }
    if lines is not None:
        named["inequalities (lines)"] = (lines, 2)
    if first is not None:
        named["start"] = (first, 1)
    batch = _common_batch(named)
    frames = math.prod(batch)
    flat = {name: _flatten(array, axes, batch, frames) for name, (array, axes) in named.items()}

    return Problem(
        arms=flat["moment_arms"],
        capacity=flat["active_capacity"],
        moments=flat["joint_moments"],
        passive=flat["passive_force"],
        weights=flat["weights"],
        columns=flat["free_columns"],
        lower=flat["free_bounds"],
        upper=flat["free_bounds (upper)"],
        coefficients=flat["inequalities"] if lines is None else None,
        cone=None
        if lines is None
        else Components(lines=flat["inequalities (lines)"], normals=flat["inequalities"]),
        levels=flat["inequalities (level)"],
        start=flat.get("start"),
        exponent=power,
        frames=frames,
        batch=batch,
        invalid=np.zeros(frames, dtype=np.bool_),
    )


_FINITE = {
    "moment_arms": "arms",
    "active_capacity": "capacity",
    "joint_moments": "moments",
    "passive_force": "passive",
    "weights": "weights",
    "free_columns": "columns",
    "inequalities": "coefficients",
    "inequalities (normals)": "normals",
    "inequalities (level)": "levels",
    "inequalities (lines)": "lines",
    "start": "start",
}
"""Arguments, and where their numbers are in a ``Problem`` or its cone."""


MARK = "pass on_invalid='mark' to get NaN in such frames and go on"
LEAVE_OUT = "put another value there, or leave such frames out"
"""What to do about numbers that cannot be used, where a call can mark them and where it cannot."""


def check_numbers(problem: Problem, *, raising: bool, remedy: str = MARK) -> Problem:
    """Refuse, or mark and replace, numbers that cannot be used.

    Raises
    ------
    ShapeError
        Naming argument, frame and value, if ``raising``.
    """
    bad = np.zeros(problem.frames, dtype=np.bool_)
    cone = problem.cone
    checks = [
        *((name, "finite", _not_finite) for name in _FINITE),
        ("active_capacity", "at least zero [N]", _negative),
        ("weights", "above zero", _not_positive),
    ]
    changed: dict[str, Any] = {}
    for name, wanted, rule in checks:
        field = _FINITE[name]
        owner = cone if field in {"normals", "lines"} else problem
        values = changed.get(field, getattr(owner, field, None))
        if values is None:
            continue
        shown = name.replace(" (normals)", "")
        faulty = _check(shown, wanted, values, rule, problem.batch, remedy if raising else None)
        if faulty is not None:
            bad |= faulty
            changed[field] = _repaired(values, rule, name)
    if not changed:
        return problem
    parts = {field: changed.pop(field) for field in ("normals", "lines") if field in changed}
    if cone is not None and parts:
        cone = replace(cone, **parts)
    return replace(problem, **changed, cone=cone, invalid=bad)


def _not_finite(values: FloatArray) -> BoolArray:
    return ~np.isfinite(values)


def _negative(values: FloatArray) -> BoolArray:
    return np.asarray(values < 0.0)


def _not_positive(values: FloatArray) -> BoolArray:
    return np.asarray(~(values > 0.0))


def _all_keep(values: FloatArray, rule: Callable[[FloatArray], BoolArray]) -> bool:
    """Whether one reading of the values is enough to see that all keep a rule."""
    if rule is not _not_finite:
        return values.size == 0 or bool(values.min() > 0.0)
    with np.errstate(over="ignore", invalid="ignore"):
        return math.isfinite(values.sum())


def _common_batch(named: dict[str, tuple[FloatArray, int]]) -> tuple[int, ...]:
    batch: tuple[int, ...] = ()
    for name, (array, axes) in named.items():
        lead = array.shape[: array.ndim - axes]
        try:
            batch = np.broadcast_shapes(batch, lead)
        except ValueError as error:
            raise ShapeError(
                name, f"leading axes that broadcast with {batch}",
                f"shape {array.shape} with leading axes {lead}",
                "give as many frames as elsewhere, or no frame axis where one serves all",
            ) from error  # fmt: skip
    return batch


def _flatten(array: FloatArray, axes: int, batch: tuple[int, ...], frames: int) -> FloatArray:
    tail = array.shape[array.ndim - axes :]
    lead = array.shape[: array.ndim - axes]
    if all(size == 1 for size in lead):
        return np.ascontiguousarray(array.reshape(1, *tail))
    full = np.broadcast_to(array, batch + tail).reshape(frames, *tail)
    return np.ascontiguousarray(full)


def _check(
    name: str,
    wanted: str,
    values: FloatArray,
    rule: Callable[[FloatArray], BoolArray],
    batch: tuple[int, ...],
    remedy: str | None,
) -> BoolArray | None:
    """Frames whose values break the rule, or None; raises at the first one if there is a remedy."""
    if _all_keep(values, rule):
        return None
    faults: BoolArray = rule(values)
    if not faults.any():
        return None
    if remedy is not None:
        first = tuple(int(i) for i in np.argwhere(faults)[0])
        frame: object = "every frame"
        if values.shape[0] != 1 and batch:
            frame = f"frame {tuple(int(i) for i in np.unravel_index(first[0], batch))}"
        raise ShapeError(
            name,
            wanted,
            f"{_shown(values[first])} in {frame} at {first[1:]}",
            remedy,
        )
    return np.asarray(faults.reshape(faults.shape[0], -1).any(axis=1))


def _shown(value: float) -> str:
    return "nan or a masked value" if math.isnan(value) else f"{value}"


def _repaired(values: FloatArray, rule: Callable[[FloatArray], BoolArray], name: str) -> FloatArray:
    """Give a copy with harmless numbers in place of faulty ones."""
    harmless = 1.0 if name == "weights" else 0.0
    return np.where(rule(values), harmless, values)

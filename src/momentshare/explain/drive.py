"""What drives one head at one bar height: the sum over joints of multiplier × moment arm.

Where no bound is active, least effort gives each head

    p w a^(p−1) = F Σ_j λ_j r_j,

with F the capacity here, r_j the moment arm and λ_j the multiplier of row j. The sum is the
**drive** of the head. Its parts are shown as ``F λ_j r_j / (p w)``: they add up to
``a^(p−1)``, so for p = 2 to the activation itself, before the bounds 0 and 1 clip it. Where the
limit of the glenoid is kept, each facet on which the contact force lies adds one further term
(:mod:`momentshare.explain.glenoid`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from momentshare.directions import ROWS
from momentshare.explain.glenoid import GLENOID, facet_names, held_glenoid
from momentshare.explain.problem import (
    FrameProblem,
    head_index,
    keeps_glenoid,
    row_joint,
)
from momentshare.reading import frame_status
from momentshare.results import ReadOnly, brief

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    from momentshare.analysis import LiftResult
    from momentshare.sharing import Sharing

__all__ = ["DriveSplit", "before_bounds", "drive_split", "drive_table", "explain_along"]

Bound = Literal["none", "zero", "one"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DriveSplit(ReadOnly):
    """What each row adds to or takes from the drive of one head; arrays over rows.

    Attributes
    ----------
    head : str
    row_names : tuple of str
    moment_arm : float array
        r [m].
    multiplier : float array
        λ, effort per N·m.
    drive_per_n : float array
        λ r, effort per newton of this head.
    part : float array
        F λ r / (p w); F λ r / w for min–max, where the parts of all heads together sum to one.
    facet_names : tuple of str
        Facets of the limit of the glenoid; none where it is not kept.
    slope : float array, shape (facets,)
        G, how far a newton of this head moves the contact force towards a facet [N/N].
    price : float array, shape (facets,)
        μ, effort per newton, positive where the contact force lies on the facet.
    facet_part : float array, shape (facets,)
        −F μ G / (p w).
    exponent : float
    weight : float
    before_bounds : float
        Activation implied by the sum of the parts before the bounds; NaN for min–max, where a head
        with a positive sum works at the common greatest level.
    activation : float
    bound : {"none", "zero", "one"}
        The bound that clips the activation.
    """

    head: str
    row_names: tuple[str, ...]
    moment_arm: NDArray[np.float64]
    multiplier: NDArray[np.float64]
    drive_per_n: NDArray[np.float64]
    part: NDArray[np.float64]
    facet_names: tuple[str, ...] = ()
    slope: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    price: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    facet_part: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    exponent: float
    weight: float
    before_bounds: float
    activation: float
    bound: Bound

    __repr__ = brief

    @property
    def total(self) -> float:
        """Sum of the parts."""
        return float(np.sum(self.part) + np.sum(self.facet_part))

    @property
    def facets(self) -> tuple[int, ...]:
        """Indices of the facets with a non-zero price."""
        return tuple(int(k) for k in np.flatnonzero(self.price > 0.0))

    def by_joint(self) -> dict[str, float]:
        """Parts summed over the rows of each joint, and over the facets of the glenoid."""
        out: dict[str, float] = {}
        for row, part in zip(self.row_names, self.part, strict=True):
            out[row_joint(row)] = out.get(row_joint(row), 0.0) + float(part)
        if self.facet_names:
            out[GLENOID] = float(np.sum(self.facet_part))
        return out

    def to_dataframe(self) -> pd.DataFrame:
        """One line per row, then one per facet with a non-zero price; units in the column names."""
        import pandas as pd

        at = list(self.facets)
        none, lost = np.full(len(self.row_names), np.nan), np.full(len(at), np.nan)
        names = [*self.row_names, *(self.facet_names[k] for k in at)]
        return pd.DataFrame(
            {
                "head": self.head,
                "row": names,
                "joint": [row_joint(row) for row in names],
                "moment_arm_m": np.concatenate([self.moment_arm, lost]),
                "multiplier_per_nm": np.concatenate([self.multiplier, lost]),
                "slope": np.concatenate([none, self.slope[at]]),
                "price_per_n": np.concatenate([none, self.price[at]]),
                "drive_per_n": np.concatenate(
                    [self.drive_per_n, -self.price[at] * self.slope[at] + 0.0]
                ),
                "weight": self.weight,
                "part": np.concatenate([self.part, self.facet_part[at]]),
            }
        )


def drive_split(problem: FrameProblem, answer: Sharing, head: str) -> DriveSplit:
    """Split the drive of a head by row.

    Parameters
    ----------
    problem : FrameProblem
    answer : Sharing
        The answer of this frame, without a frame axis.
    head : str

    Returns
    -------
    DriveSplit

    Raises
    ------
    UnknownNameError
        No head of that name.
    """
    index = head_index(problem.head_names, head)
    arm = problem.moment_arms[:, index].copy()
    # Adding zero turns a negative zero, where there is no arm, into a positive one.
    per_newton = answer.multipliers * arm + 0.0
    weight = float(problem.weights[index])
    part = problem.capacity[index] * per_newton / _divisor(problem.exponent, weight)
    cone = problem.cone()
    facets: dict[str, Any] = {}
    if cone is not None and problem.glenoid is not None:
        slope, price = cone.normals @ cone.lines[index], answer.inequality_multipliers.copy()
        paid = price * slope / _divisor(problem.exponent, weight)
        facets = {
            "facet_names": facet_names(problem.glenoid.limit.turns),
            "slope": slope,
            "price": price,
            "facet_part": -problem.capacity[index] * paid + 0.0,
        }
    activation = float(answer.activation[index])
    total = float(np.sum(part) + np.sum(facets.get("facet_part", 0.0)))
    raw = before_bounds(total, problem.exponent)
    bound: Bound = "none"
    if activation >= 1.0 or raw >= 1.0:
        bound = "one"
    elif activation <= 0.0 or raw <= 0.0:
        bound = "zero"
    return DriveSplit(
        head=problem.head_names[index],
        row_names=problem.row_names,
        moment_arm=arm,
        multiplier=answer.multipliers.copy(),
        drive_per_n=per_newton,
        part=part,
        exponent=problem.exponent,
        weight=weight,
        before_bounds=raw,
        activation=activation,
        bound=bound,
        **facets,
    )


def _divisor(exponent: float, weight: float) -> float:
    return weight if math.isinf(exponent) else exponent * weight


def before_bounds(total: float, exponent: float) -> float:
    """Activation implied by a sum of parts before the bounds; NaN for min–max.

    A negative sum gives a negative activation: the answer if heads could also push, with effort Σ w
    |a|ᵖ.

    Examples
    --------
    >>> before_bounds(0.25, 2.0), before_bounds(0.25, 3.0), before_bounds(-0.25, 2.0)
    (0.25, 0.5, -0.25)
    """
    if math.isinf(exponent):
        return math.nan
    if exponent == 2.0:
        return total
    return math.copysign(abs(total) ** (1.0 / (exponent - 1.0)), total)


def drive_table(problem: FrameProblem, answer: Sharing) -> pd.DataFrame:
    """Drive of every head at one frame, one line per head."""
    import pandas as pd

    lines = []
    for index, head in enumerate(problem.head_names):
        split = drive_split(problem, answer, head)
        lines.append(
            {
                "head": head,
                "capacity_n": float(problem.capacity[index]),
                **{f"part_{joint}": value for joint, value in split.by_joint().items()},
                "sum_of_parts": split.total,
                "activation_before_bounds": split.before_bounds,
                "bound": split.bound,
                "activation": split.activation,
                "force_n": float(answer.force[index]),
            }
        )
    return pd.DataFrame(lines)


def explain_along(result: LiftResult, head: str) -> pd.DataFrame:
    """Drive split of a head at every frame of a lift.

    Parameters
    ----------
    result : LiftResult
    head : str

    Returns
    -------
    pandas.DataFrame
        One line per frame; ``part_<row>`` and, summed over its rows, ``part_<joint>``; NaN where
        out of reach.
    """
    import pandas as pd

    prepared, rows = result.prepared, result.criterion.rows
    index = head_index(prepared.limb.head_names, head)
    lift, good = prepared.lift, prepared.lift.reachable
    weights = result.criterion.weights_of(prepared.limb)
    weight = 1.0 if weights is None else float(weights[index])
    exponent = result.criterion.exponent
    places = [ROWS.index(name) for name in rows]
    lost = ~good
    arms = np.where(lost[:, None], np.nan, prepared.paths.moment_arms[:, places, index])
    capacity = np.where(lost, np.nan, prepared.state.active_capacity[:, index])
    part = capacity[:, None] * result.sharing.multipliers * arms / _divisor(exponent, weight)

    columns: dict[str, object] = {
        "head": prepared.limb.head_names[index],
        "lateral": result.lateral.mode,
        "frame": np.arange(len(good)),
        "height_fraction": lift.fraction,
        "capacity_n": capacity,
    }
    for j, row in enumerate(rows):
        columns[f"arm_{row}_m"] = arms[:, j]
        columns[f"part_{row}"] = part[:, j]
    for joint in dict.fromkeys(row_joint(row) for row in rows):
        mine = [j for j, row in enumerate(rows) if row_joint(row) == joint]
        columns[f"part_{joint}"] = part[:, mine].sum(axis=1)
    total = part.sum(axis=1)
    if keeps_glenoid(result):
        columns[f"part_{GLENOID}"] = paid = _glenoid_along(result, index, capacity, weight)
        total = total + paid
    columns["sum_of_parts"] = total
    columns["activation_before_bounds"] = np.array(
        [before_bounds(float(value), exponent) for value in total]
    )
    columns["activation"] = result.activation[:, index]
    columns["force_n"] = result.force[:, index]
    columns["lateral_force_n"] = result.lateral_force
    columns["status"] = frame_status(good, result.sharing.status_text)
    return pd.DataFrame(columns)


def _glenoid_along(
    result: LiftResult, index: int, capacity: NDArray[np.float64], weight: float
) -> NDArray[np.float64]:
    """Part of the limit of the glenoid in the drive of a head, NaN where out of reach."""
    chosen, good = result.criterion, result.prepared.lift.reachable
    balance = result.prepared.balance(chosen, glenoid=True).treated(result.lateral)
    out = np.full(len(good), np.nan)
    for frame in np.flatnonzero(good):
        own = balance.take(int(frame))
        cone = held_glenoid(own).cone(own.arms, own.known_moments)
        price = result.sharing.inequality_multipliers[frame]
        out[frame] = -price @ (cone.normals @ cone.lines[index])
    return np.asarray(capacity * out / _divisor(chosen.exponent, weight))

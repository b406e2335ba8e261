"""How sure an explanation is: the compared lifts, solved for draws of the limb.

Everything uncertain is drawn as :mod:`momentshare.uncertainty` draws it; limbs, postures and forces
of a draw belong together, so the two lifts of a draw form a pair. A statement is given with the
share of draws in which it holds.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from momentshare.explain.difference import factor_parts
from momentshare.explain.given import given_frame
from momentshare.explain.mixtures import FACTORS
from momentshare.explain.problem import frame_at
from momentshare.runs import make_blocks
from momentshare.uncertainty.chunks import drawn_lifts, random_normals
from momentshare.uncertainty.draws import Draws
from momentshare.uncertainty.layout import build_layout
from momentshare.uncertainty.plan import SURE
from momentshare.uncertainty.spreads import Spreads

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd
    from numpy.typing import NDArray

    from momentshare.analysis import LiftResult
    from momentshare.exercise import Lift
    from momentshare.runs import Setup
    from momentshare.runs import Task as SetupTask

    Floats = NDArray[np.float64]

__all__ = ["DrawnDifferences", "Share", "drawn_differences", "drawn_results"]


@dataclass(frozen=True, slots=True)
class Share:
    """Number of draws in which a statement holds, and of all draws."""

    holds: int
    draws: int

    @classmethod
    def counted(cls, holds: NDArray[np.bool_]) -> Share:
        """Count the draws in which a statement holds."""
        return cls(int(np.count_nonzero(holds)), int(holds.size))

    @property
    def is_open(self) -> bool:
        """Whether too few draws agree for an order to be firm."""
        return self.holds < SURE * self.draws

    def __str__(self) -> str:
        return f"in {self.holds} of {self.draws} draws"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DrawnDifferences:
    """Differences in the draws; the first lift less the second.

    Attributes
    ----------
    head_names : tuple of str
    activation : float array, shape (draws, 2, heads)
    parts : float array, shape (draws, factors, heads)
    """

    head_names: tuple[str, ...]
    activation: Floats
    parts: Floats

    @property
    def draws(self) -> int:
        """Draws in which both lifts could be solved."""
        return len(self.activation)

    def to_dataframe(self) -> pd.DataFrame:
        """One line per draw and head: both activations and the part of each factor."""
        import pandas as pd

        heads = len(self.head_names)
        columns: dict[str, object] = {
            "draw": np.repeat(np.arange(self.draws), heads),
            "head": np.tile(np.array(self.head_names, dtype=object), self.draws),
            "activation_first": self.activation[:, 0].ravel(),
            "activation_second": self.activation[:, 1].ravel(),
            "difference": (self.activation[:, 0] - self.activation[:, 1]).ravel(),
        }
        for k, factor in enumerate(FACTORS):
            columns[f"by_{factor.replace(' ', '_')}"] = self.parts[:, k].ravel()
        return pd.DataFrame(columns)

    def gap(self, head: str) -> Floats:
        """Difference of a head's activation, shape (draws,)."""
        index = self.head_names.index(head)
        return np.asarray(self.activation[:, 0, index] - self.activation[:, 1, index])

    def same_sign(self, head: str, gap: float) -> Share:
        """Draws in which the difference of a head has the sign of a value."""
        return Share.counted(np.sign(self.gap(head)) == np.sign(gap))

    def same_factor(self, head: str, factor: str) -> Share:
        """Draws in which a factor accounts for most of the difference, in its sense."""
        own = self.parts[:, :, self.head_names.index(head)]
        carried = own * np.sign(self.gap(head))[:, None]
        return Share.counted(np.argmax(carried, axis=1) == FACTORS.index(factor))

    def part_sign(self, head: str, factor: str, part: float) -> Share:
        """Draws in which the part of a factor has the sign of a value."""
        own = self.parts[:, FACTORS.index(factor), self.head_names.index(head)]
        return Share.counted(np.sign(own) == np.sign(part))


def drawn_results(
    setup: Setup,
    wanted: Sequence[tuple[SetupTask, str]],
    draws: int,
    *,
    seed: int = 1,
    spreads: Spreads | None = None,
) -> list[tuple[LiftResult, ...]]:
    """Solve some lifts of one person for draws of the limb.

    Parameters
    ----------
    setup : Setup
        Tasks and people that are not needed are left out.
    wanted : sequence of (Task, str)
        Lifts, and the treatment of the lateral force of each.
    draws : int
    seed : int
    spreads : Spreads, optional

    Returns
    -------
    list of tuple of LiftResult
        One per draw in which every lift could be performed, in the order requested.
    """
    given = list({id(task): task for task, _ in wanted}.values())
    tasks = tuple(replace(task, limb=0) for task in given)
    person = wanted[0][0].limb
    plan = replace(
        setup.limbs,
        people=setup.limbs.people[person : person + 1],
        strengths=setup.limbs.strengths[person : person + 1],
    )
    alone = replace(setup, limbs=plan, tasks=tasks)
    layout = build_layout(alone, spreads or Spreads())
    drawn = Draws(layout, random_normals(seed, 0, draws, len(layout)))
    limbs, rows, _ = drawn.limbs(0)
    if limbs is None:
        return []
    lifts: list[Lift] = []
    owners: list[tuple[int, int]] = []
    for place, task in enumerate(tasks):
        found, _ = drawn_lifts(drawn, task, limbs, rows)
        lifts += found.values()
        owners += [(draw, place) for draw in found]
    asked = [(given.index(task), mode) for task, mode in wanted]
    solved: dict[tuple[int, int, str], LiftResult] = {}
    for block in make_blocks(limbs, lifts, [rows[draw] for draw, _ in owners], threads=1):
        each = []
        for k, number in enumerate(block.numbers):
            draw, place = owners[number]
            shift = _shifts(drawn, tasks[place], draw)
            for lateral in tasks[place].treatments:
                if (place, lateral.mode) in asked:
                    moved = lateral.shifted(shift) if lateral.mode == "measured" else lateral
                    each.append((k, moved))
        answers = block.results(
            each, alone.criterion, greatest_load=False, glenoid=alone.glenoid, change=alone.balance
        )
        for (k, lateral), answer in zip(each, answers, strict=True):
            solved[(*owners[block.numbers[k]], lateral.mode)] = answer
    return [
        tuple(solved[draw, place, mode] for place, mode in asked)
        for draw in range(draws)
        if all((draw, place, mode) in solved for place, mode in asked)
    ]


def _shifts(drawn: Draws, task: SetupTask, draw: int) -> float:
    return 0.0 if task.given is not None else float(drawn.ratio_shifts(task)[draw])


def drawn_differences(
    results: Sequence[tuple[LiftResult, LiftResult]], heights: tuple[float, float]
) -> DrawnDifferences:
    """Split the difference between two lifts in every draw.

    Parameters
    ----------
    results : sequence of pair of LiftResult
        From :func:`drawn_results`.
    heights : pair of float
        Height fraction of the frame in the first lift and in the second.
    """
    if not results:
        return DrawnDifferences(
            head_names=(), activation=np.zeros((0, 2, 0)), parts=np.zeros((0, len(FACTORS), 0))
        )
    first, second = (
        [given_frame(pair[k], frame_at(pair[k], heights[k])) for pair in results] for k in (0, 1)
    )
    like = results[0][0]
    parts, ends = factor_parts(first, second, like)
    return DrawnDifferences(head_names=like.prepared.limb.head_names, activation=ends, parts=parts)

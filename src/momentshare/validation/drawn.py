"""Drawn limbs: every number of the model moved within its own spread, against published rows.

They say how much of a miss the limb's spreads explain: a row that one drawn limb in three gets
right lies within what is not known of the muscles, one that none gets right does not. And they say
how far a firm order can be trusted: ``uncertainty`` calls an order firm when nearly all draws agree
on it, and here agreement stands beside what was published.

The limb is drawn as in ``uncertainty``; posture, load and lateral force of a task stay as they are.
A drawn limb takes some seconds, so what the limbs get is stored beside the targets.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from momentshare.errors import ModelError
from momentshare.exercise import BenchPress, Profile
from momentshare.runs.cases import LimbPlan, Setup, Task
from momentshare.uncertainty.draws import CUT, Draws
from momentshare.uncertainty.layout import build_layout
from momentshare.uncertainty.spreads import Spreads
from momentshare.validation.answers import answers_of_each
from momentshare.validation.probe import Probe, average_person
from momentshare.validation.stored import rows_under, stored_text

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from numpy.typing import NDArray

    from momentshare.model import Model
    from momentshare.model.numbers import Numbers
    from momentshare.validation.targets import Target

__all__ = [
    "DRAWN",
    "INTERVAL",
    "DrawnRow",
    "drawn_csv",
    "drawn_numbers",
    "drawn_shares",
    "drawn_values",
    "read_drawn",
    "stored_drawn",
]

DRAWN = 40
"""Number of drawn limbs behind the stored results; assumed."""

INTERVAL = (0.05, 0.95)
"""Quantiles of the drawn limbs that are stored of every row."""

_FILE = "drawn_limbs.csv"
_COLUMNS = ("target", "right", "low", "high")
_SEED = 20091
_FRAMES = 11
"""Heights of a press that a drawn limb solves; fewer than the limb itself, for speed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnRow:
    """What drawn limbs get of one row.

    Attributes
    ----------
    right : str
        One mark a limb, ``1`` right and ``0`` wrong; a limb that cannot do the task is wrong.
    low, high : float
        Interval of the limbs that can, in the unit of the row; NaN where none can.
    """

    right: str
    low: float
    high: float

    @property
    def share(self) -> float:
        """Share of the limbs that are right."""
        return self.right.count("1") / len(self.right)


def drawn_numbers(model: Model, draws: int = DRAWN) -> list[Callable[[str], Numbers]]:
    """Draw the numbers of limbs; the same ones on every run, and the first whatever ``draws``.

    Returns
    -------
    list of callable
        ``numbers(sex)`` of each limb. Men and women of one draw differ in the masses of their
        segments only, so that a comparison of the sexes rests on one limb.
    """
    people = (average_person(model, "male"), average_person(model, "female"))
    # A press that leaves the girdle to the model, so that the model's protraction is drawn.
    press = BenchPress(load_mass=1.0, spacing=Profile.constant(0.5), frames=2)
    tasks = tuple(
        Task(person=one.name, condition="press", limb=row, treatments=(), exercise=press)
        for row, one in enumerate(people)
    )
    layout = build_layout(Setup(limbs=LimbPlan(people=people, model=model), tasks=tasks), Spreads())
    found: list[Callable[[str], Numbers]] = []
    for k in range(draws):
        z = np.random.default_rng([_SEED, k]).standard_normal((1, len(layout)))
        found.append(Draws(layout, np.clip(z, -CUT, CUT)).numbers)
    return found


def drawn_values(
    model: Model, targets: Sequence[Target], draws: int = DRAWN
) -> NDArray[np.float64]:
    """Compute the value of every target in each drawn limb.

    Parameters
    ----------
    model : Model
    targets : sequence of Target
    draws : int

    Returns
    -------
    float array, shape (draws, targets)
        In the unit of each target; NaN where a limb cannot be built or cannot do the task.
    """
    probes = (
        Probe(model, numbers=numbers, frames=_FRAMES) for numbers in drawn_numbers(model, draws)
    )
    return answers_of_each(targets, probes)


def drawn_csv(targets: Sequence[Target], values: NDArray[np.float64]) -> str:
    """Return the text of ``drawn_limbs.csv``."""
    lines = [",".join(_COLUMNS)]
    for target, own in zip(targets, values.T, strict=True):
        marks = "".join("01"[int(target.is_right(value))] for value in own)
        known = own[np.isfinite(own)]
        low, high = np.quantile(known, INTERVAL) if len(known) else (np.nan, np.nan)
        lines.append(f"{target.id},{marks},{low:.6g},{high:.6g}")
    return "\n".join(lines) + "\n"


def stored_drawn(model: Model) -> dict[str, DrawnRow]:
    """Read ``drawn_limbs.csv`` of a model by target; empty where it has no such file.

    Raises
    ------
    ModelError
        The file has other columns, or a row that is none.
    """
    found = stored_text(model, _FILE)
    return {} if found is None else read_drawn(*found)


def read_drawn(text: str, where: str = _FILE) -> dict[str, DrawnRow]:
    """Read the text of ``drawn_limbs.csv``; see :func:`stored_drawn`."""
    rows = rows_under(text, where, _COLUMNS)
    draws = {len(row[1]) for _, row in rows if len(row) == len(_COLUMNS)}
    found: dict[str, DrawnRow] = {}
    for number, row in rows:
        own = _drawn_row(row) if len(draws) == 1 else None
        if own is None:
            raise ModelError(
                f"{where} row {number}: must hold a target, as many marks 0 or 1 as in the other "
                f"rows, and an interval; got {row}; make the file again with momentshare validate "
                f"--drawn-limbs {DRAWN}"
            )
        found[row[0]] = own
    return found


def _drawn_row(row: Sequence[str]) -> DrawnRow | None:
    """Read a row; None where it is none."""
    if len(row) != len(_COLUMNS) or not row[1] or set(row[1]) - {"0", "1"}:
        return None
    try:
        return DrawnRow(right=row[1], low=float(row[2]), high=float(row[3]))
    except ValueError:
        return None


def drawn_shares(targets: Sequence[Target], rows: Mapping[str, DrawnRow]) -> NDArray[np.float64]:
    """Share of drawn limbs right, and their interval; shape (targets, 3), NaN without draws."""
    none = (np.nan, np.nan, np.nan)
    found = [
        none if (row := rows.get(t.id)) is None else (row.share, row.low, row.high) for t in targets
    ]
    return np.array(found).reshape(-1, 3)

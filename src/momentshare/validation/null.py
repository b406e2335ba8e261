"""The null limb: what a limb gets right that knows nothing about this anatomy.

Every site is displaced by three of its spreads in a random direction, and the peak fibre lengths
are shuffled among the heads. Surfaces, bones, volumes, strength factors and the task itself stay
the same: what such a limb gets right as often as the model's is decided by posture and load, not by
the muscles.

Null limbs take a minute, so what they get right is stored beside the targets.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from momentshare.errors import ModelError
from momentshare.model.numbers import Numbers
from momentshare.validation.answers import answers_of_each
from momentshare.validation.probe import Probe, Tasks
from momentshare.validation.stored import rows_under, stored_text

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from numpy.typing import NDArray

    from momentshare.model import Model
    from momentshare.validation.targets import Target

__all__ = [
    "DISPLACEMENT",
    "DRAWS",
    "null_csv",
    "null_numbers",
    "null_right",
    "null_share",
    "read_marks",
    "stored_null",
]

DISPLACEMENT = 3.0
"""Displacement of each site in spreads; assumed."""

DRAWS = 20
"""Number of null limbs behind the stored results; assumed."""

_FILE = "null_limb.csv"
_COLUMNS = ("target", "right")
_SEED = 20090
_FRAMES = 11
"""Heights of a press that a null limb solves; fewer than the limb itself, for speed."""


def null_numbers(model: Model, draws: int = DRAWS) -> list[Numbers]:
    """Draw null limbs; the same ones on every run, and the first ones whatever ``draws``."""
    found = []
    own = np.array([head.peak_fibre_length.value for head in model.heads])
    for k in range(draws):
        rng = np.random.default_rng([_SEED, k])
        offsets = {}
        for site in model.sites.values():
            direction = rng.standard_normal(3)
            offsets[site.name] = DISPLACEMENT * site.spread * direction / np.linalg.norm(direction)
        factors = own[rng.permutation(len(model.heads))] / own
        found.append(Numbers(offsets=offsets, head_factors={"peak_fibre_length": factors}))
    return found


def null_right(model: Model, targets: Sequence[Target], draws: int = DRAWS) -> NDArray[np.bool_]:
    """Say which targets each null limb gets right.

    Parameters
    ----------
    model : Model
    targets : sequence of Target
    draws : int

    Returns
    -------
    bool array, shape (draws, targets)
        A limb that cannot be built or cannot do a task is wrong there.
    """
    tasks = Tasks()
    probes = (
        Probe(model, numbers=_of_both_sexes(numbers), frames=_FRAMES, tasks=tasks)
        for numbers in null_numbers(model, draws)
    )
    right = [
        [t.is_right(v) for t, v in zip(targets, found, strict=True)]
        for found in answers_of_each(targets, probes)
    ]
    return np.array(right, dtype=bool).reshape(draws, len(targets))


def _of_both_sexes(numbers: Numbers) -> Callable[[str], Numbers]:
    return lambda _: numbers


def stored_null(model: Model) -> dict[str, str]:
    """Read ``null_limb.csv``: target → one mark a null limb, ``1`` right and ``0`` wrong.

    Empty where the model has no such file.

    Raises
    ------
    ModelError
        The file has other columns, or marks that are no row of 0 and 1.
    """
    found = stored_text(model, _FILE)
    return {} if found is None else read_marks(*found)


def read_marks(text: str, where: str = _FILE) -> dict[str, str]:
    """Read the text of ``null_limb.csv``; see :func:`stored_null`."""
    rows = [row for _, row in rows_under(text, where, _COLUMNS)]
    lengths = {len(row[1]) for row in rows if len(row) == 2}
    for number, row in enumerate(rows, start=2):
        if len(row) != 2 or set(row[1]) - {"0", "1"} or len(lengths) != 1:
            raise ModelError(
                f"{where} row {number}: must hold a target and as many marks 0 or 1 as in the "
                f"other rows; got {row}; make the file again "
                "with momentshare validate --null-limbs 20"
            )
    return {row[0]: row[1] for row in rows}


def null_csv(targets: Sequence[Target], right: NDArray[np.bool_]) -> str:
    """Return the text of ``null_limb.csv``."""
    lines = [",".join(_COLUMNS)]
    lines += [
        f"{target.id},{''.join('01'[int(mark)] for mark in marks)}"
        for target, marks in zip(targets, right.T, strict=True)
    ]
    return "\n".join(lines) + "\n"


def null_share(targets: Sequence[Target], marks: Mapping[str, str]) -> NDArray[np.float64]:
    """Share of null limbs that get each target right; NaN for one without marks."""
    found = [marks.get(t.id, "") for t in targets]
    return np.array([m.count("1") / len(m) if m else np.nan for m in found])

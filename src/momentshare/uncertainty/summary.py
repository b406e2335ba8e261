"""Intervals and orderings from chunk files, read one after another.

Draws are paired: conditions, and heads, are compared within the same draw. A draw counts for
a comparison if all people could be solved in it. Orderings are summed chunk by chunk;
quantiles are exact and take as many passes over the files as memory requires.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from momentshare.files.writer import stored_rows, stored_table
from momentshare.limits import lift_kinds, with_limits
from momentshare.results import brief
from momentshare.uncertainty.chunks import MEASURES
from momentshare.uncertainty.people import CONFIDENCE, MIN_PEOPLE, people_rows

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from momentshare.limits import LiftKind, Limits
    from momentshare.model import Model
    from momentshare.uncertainty.plan import UncertaintyPlan
    from momentshare.uncertainty.ranking import Sensitivity

__all__ = ["EVERYONE", "QUANTILES", "ChunkRows", "Summary", "order_probability", "summarise"]

EVERYONE = "mean over people"
"""Marks lines that hold the mean over all people."""

QUANTILES = {"low": 0.05, "q25": 0.25, "median": 0.5, "q75": 0.75, "high": 0.95}
"""Columns of the intervals → share of the draws below; ``low`` to ``high`` holds 90 % of them."""

_TIE = 1e-6
"""Difference of lift-mean activation below which two values are level."""

_PART = 1e-12
"""Part of a difference of activations in which sums over draws are counted."""

_PAIRS = 128
"""Number of pairs of conditions, and of conditions, that are counted at a time, for memory."""

_CELL = ("condition", "lateral", "criterion")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, weakref_slot=True)
class Summary:
    """Results of the draws; tidy tables with units in the column names.

    Attributes
    ----------
    plan : UncertaintyPlan
    model : Model
    intervals : DataFrame
        Mean, standard deviation and quantiles of each measure per person (and mean over people),
        condition, lateral mode, criterion and head.
    condition_order, head_order : DataFrame
        Probability that the lift-mean activation in ``condition``, or of ``head``, is greater
        than in, or of, ``other``, ties counted half, with its standard error, the share of ties
        and the draws; between conditions also the mean of the difference over these draws.
    failures : DataFrame
        Draws, failed draws and draws with lost or short frames, per person and condition, with the
        reasons.
    sensitivity : Sensitivity or None
    people_and_model : DataFrame
        Of measured lifts of several people: the mean of each condition, and each difference
        between two, with an interval over people and one over draws; otherwise empty. See
        :func:`momentshare.uncertainty.people.people_rows`.
    null : DataFrame, optional
        What null limbs give of each judged order, from
        :func:`momentshare.validation.null_orders.null_agreement`.
    """

    plan: UncertaintyPlan
    model: Model
    intervals: pd.DataFrame
    condition_order: pd.DataFrame
    head_order: pd.DataFrame
    failures: pd.DataFrame
    sensitivity: Sensitivity | None
    people_and_model: pd.DataFrame = field(default_factory=pd.DataFrame)
    null: pd.DataFrame | None = None

    __repr__ = brief


@dataclass(frozen=True, slots=True)
class ChunkRows:
    """Order of the rows in every chunk: for each draw and person the same cells.

    ``cells`` are (condition, lateral mode, criterion).
    """

    people: tuple[str, ...]
    cells: tuple[tuple[str, str, str], ...]

    @classmethod
    def read(cls, path: Path) -> ChunkRows:
        """Learn the order from a chunk."""
        table = stored_table(path, ["draw", "person", *_CELL])
        draw = table.column("draw").to_numpy()
        count = int((draw == draw[0]).sum())
        person, *cell = (
            table.column(name).slice(0, count).to_pylist() for name in ("person", *_CELL)
        )
        people = tuple(dict.fromkeys(person))
        per = count // len(people)
        return cls(people, tuple(zip(*(part[:per] for part in cell), strict=True)))

    def grid(self, path: Path, columns: Sequence[str]) -> NDArray[np.float64]:
        """Values of a chunk, shape (draws, people, cells, columns)."""
        table = stored_table(path, columns)
        values = np.stack([table.column(name).to_numpy() for name in columns], axis=-1)
        return values.reshape(-1, len(self.people), len(self.cells), len(columns))

    def modes(self) -> dict[str, list[str]]:
        """Treatments of the lateral force of each condition."""
        out: dict[str, list[str]] = {}
        for condition, mode, _ in self.cells:
            own = out.setdefault(condition, [])
            if mode not in own:
                own.append(mode)
        return out


def order_probability(
    first: NDArray[np.float64], second: NDArray[np.float64]
) -> tuple[float, float, int]:
    """Probability that paired draws of the first exceed the second.

    Returns
    -------
    probability, ties, draws : float, float, int
        Ties within 1e-6 count half; draws with NaN in either are left out.

    Examples
    --------
    >>> import numpy as np
    >>> order_probability(np.array([2.0, 1.0, 3.0]), np.array([1.0, 1.0, 5.0]))
    (0.5, 0.3333333333333333, 3)
    """
    tally = _Tally(1)
    tally.add((first - second)[:, None])
    record = tally.record(0)
    return record["probability"], record["ties"], int(record["draws"])


@dataclass(slots=True)
class _Tally:
    """Counts of paired differences above, level and known, and their sum, one per column."""

    columns: int
    above: NDArray[np.int64] = field(init=False)
    level: NDArray[np.int64] = field(init=False)
    known: NDArray[np.int64] = field(init=False)
    total: NDArray[np.int64] = field(init=False)

    def __post_init__(self) -> None:
        self.total = np.zeros(self.columns, dtype=np.int64)
        self.above, self.level, self.known = (
            np.zeros(self.columns, dtype=np.int64) for _ in range(3)
        )

    def add(self, gap: NDArray[np.float64], columns: slice = slice(None)) -> None:
        self.above[columns] += (gap > _TIE).sum(axis=0)
        self.level[columns] += (np.abs(gap) <= _TIE).sum(axis=0)
        self.known[columns] += (~np.isnan(gap)).sum(axis=0)
        # In whole parts, so that the sum does not depend on how draws are cut into files.
        self.total[columns] += np.rint(np.nan_to_num(gap) / _PART).astype(np.int64).sum(axis=0)

    def record(self, column: int) -> dict[str, float]:
        above, level, known = (int(a[column]) for a in (self.above, self.level, self.known))
        p = (above + 0.5 * level) / known if known else float("nan")
        return {
            "probability": p,
            "standard_error": float(np.sqrt(p * (1.0 - p) / known)) if known else float("nan"),
            "ties": level / max(known, 1),
            "draws": known,
        }

    def mean(self, column: int) -> float:
        """Mean of the differences that are known."""
        known = int(self.known[column])
        return _PART * float(self.total[column]) / known if known else float("nan")


def summarise(
    plan: UncertaintyPlan, model: Model, files: Sequence[Path], sensitivity: Sensitivity | None
) -> Summary:
    """Summarise the chunk files of the random draws.

    Parameters
    ----------
    plan : UncertaintyPlan
    model : Model
    files : sequence of Path
        In the order of the chunks.
    sensitivity : Sensitivity or None
        Passed on.
    """
    chunk_rows = ChunkRows.read(files[0])
    conditions, heads = _orders(chunk_rows, model, files)
    limits, kinds = model.limits, lift_kinds(plan.study.file.condition)
    intervals = _intervals(chunk_rows, model, files)
    return Summary(
        plan=plan,
        model=model,
        intervals=with_limits(intervals, limits, kinds, "activation", "force"),
        condition_order=with_limits(conditions, limits, kinds, "activation"),
        head_order=_with_limits_of_both(heads, limits, kinds),
        failures=_failures(chunk_rows, files),
        sensitivity=sensitivity,
        people_and_model=_people_and_model(plan, chunk_rows, model, files),
    )


def _people_and_model(
    plan: UncertaintyPlan, chunk_rows: ChunkRows, model: Model, files: Sequence[Path]
) -> pd.DataFrame:
    """Lay the spread between people beside that of the draws; measured lifts only."""
    file = plan.study.file
    if plan.measured is None or len(chunk_rows.people) < MIN_PEOPLE:
        return pd.DataFrame()
    values = (
        (
            head,
            np.concatenate([chunk_rows.grid(path, [f"mean_activation:{head}"]) for path in files]),
        )
        for head in model.head_names
    )
    table = people_rows(
        ((head, value[..., 0]) for head, value in values),
        chunk_rows.cells,
        _condition_pairs(chunk_rows),
        # Only cohorts, which are built on this, state a level.
        getattr(getattr(file, "statistics", None), "confidence", CONFIDENCE),
    )
    kinds, alone = lift_kinds(file.condition), table["other"] == ""
    parts = [table[alone].drop(columns="other"), table[~alone]]
    marked = [with_limits(part, model.limits, kinds, "activation")["limit"] for part in parts]
    return table.assign(limit=pd.concat(marked)).fillna({"limit": ""})


def _with_limits_of_both(
    table: pd.DataFrame, limits: Limits, kinds: Mapping[str, LiftKind]
) -> pd.DataFrame:
    """Mark rows that compare two heads with the limits of either."""
    sides = [table.drop(columns=["head", "other"]).assign(head=table[c]) for c in ("head", "other")]
    marks = [with_limits(side, limits, kinds, "activation")["limit"] for side in sides]
    both = [" ".join(dict.fromkeys(f"{a} {b}".split())) for a, b in zip(*marks, strict=True)]
    return table.assign(limit=both)


def _orders(
    chunk_rows: ChunkRows, model: Model, files: Sequence[Path]
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Sum orderings over the chunks, one chunk in memory at a time."""
    names = model.head_names
    columns = [f"mean_activation:{head}" for head in names]
    pairs, cells, heads = _condition_pairs(chunk_rows), len(chunk_rows.cells), len(columns)
    head_pairs = list(combinations(range(heads), 2))
    first, second = (np.array([p[k] for p in head_pairs], dtype=int) for k in (0, 1))
    one, other = (np.array([p[k] for p in pairs], dtype=int) for k in (1, 2))
    between_conditions, where_met = (_Tally(len(pairs) * heads) for _ in range(2))
    between_heads = _Tally(cells * len(head_pairs))
    for path in files:
        values = chunk_rows.grid(path, [*columns, "frames_with_shortfall"])
        mean, short = values[..., :-1].mean(axis=1), np.any(values[..., -1] > 0, axis=1)
        for begin in range(0, len(pairs), _PAIRS):
            a, b = (part[begin : begin + _PAIRS] for part in (one, other))
            gap, place = mean[:, a] - mean[:, b], slice(begin * heads, (begin + len(a)) * heads)
            between_conditions.add(gap.reshape(len(gap), -1), place)
            gap[short[:, a] | short[:, b]] = np.nan
            where_met.add(gap.reshape(len(gap), -1), place)
        for begin in range(0, cells, _PAIRS):
            gap = mean[:, begin : begin + _PAIRS, first] - mean[:, begin : begin + _PAIRS, second]
            place = slice(begin * len(head_pairs), (begin + gap.shape[1]) * len(head_pairs))
            between_heads.add(gap.reshape(len(gap), -1), place)
    order = [
        {
            "criterion": chunk_rows.cells[a][2],
            "lateral": mode,
            "head": head,
            "condition": chunk_rows.cells[a][0],
            "other": chunk_rows.cells[b][0],
            **between_conditions.record(k),
            "mean_difference": between_conditions.mean(k),
            "probability_met": where_met.record(k)["probability"],
            "draws_met": int(where_met.known[k]),
        }
        for pair, (mode, a, b) in enumerate(pairs)
        for k, head in enumerate(names, start=pair * heads)
    ]
    between = [
        {
            "criterion": criterion,
            "lateral": mode,
            "condition": condition,
            "head": names[a],
            "other": names[b],
            **between_heads.record(k),
        }
        for cell, (condition, mode, criterion) in enumerate(chunk_rows.cells)
        for k, (a, b) in enumerate(head_pairs, start=cell * len(head_pairs))
    ]
    empty = [
        "criterion", "lateral", "head", "condition", "other", "probability", "mean_difference",
        "probability_met", "draws_met",
    ]  # fmt: skip
    return pd.DataFrame(order, columns=None if order else empty), pd.DataFrame(between)


def _condition_pairs(chunk_rows: ChunkRows) -> list[tuple[str, int, int]]:
    """Lateral mode and the two cells of every comparison between conditions.

    Conditions with ``zero`` only, such as dumbbells, join every mode.
    """
    modes = chunk_rows.modes()
    shared = [m for own in modes.values() if own != ["zero"] for m in own]
    at = {cell: index for index, cell in enumerate(chunk_rows.cells)}
    out = []
    for criterion in dict.fromkeys(cell[2] for cell in chunk_rows.cells):
        for mode in dict.fromkeys(shared or ["zero"]):
            for names in combinations(modes, 2):
                own = [mode if modes[n] != ["zero"] else "zero" for n in names]
                places = [at.get((n, m, criterion)) for n, m in zip(names, own, strict=True)]
                if places[0] is not None and places[1] is not None:
                    out.append((mode, places[0], places[1]))
    return out


def _failures(chunk_rows: ChunkRows, files: Sequence[Path]) -> pd.DataFrame:
    """Count each draw once, whatever its lateral modes and criteria."""
    counted = {
        "partly_out_of_reach": "frames_out_of_reach",
        "with_shortfall": "frames_with_shortfall",
        "with_uncertified_frames": "frames_uncertified",
    }
    cells: dict[str, list[int]] = {}
    for index, (condition, _, _) in enumerate(chunk_rows.cells):
        cells.setdefault(condition, []).append(index)
    shape = (len(chunk_rows.people), len(chunk_rows.cells))
    lost = {
        (person, condition): dict.fromkeys(("draws", "failed", *counted), 0)
        for person in chunk_rows.people
        for condition in cells
    }
    reasons: dict[tuple[str, str], dict[str, int]] = {key: {} for key in lost}
    for path in files:
        table = stored_table(path, ["status", "reason", *counted.values()])
        status, reason, *frames = (
            np.reshape(table.column(name).to_numpy(), (-1, *shape)) for name in table.column_names
        )
        for (person, condition), entry in lost.items():
            row, own = chunk_rows.people.index(person), cells[condition]
            failed = status[:, row, own[0]] == "failed"
            entry["draws"] += len(failed)
            entry["failed"] += int(failed.sum())
            for name, values in zip(counted, frames, strict=True):
                entry[name] += int((values[:, row, own] > 0).any(axis=1).sum())
            told = reasons[person, condition]
            for text in reason[failed, row, own[0]]:
                told[text] = told.get(text, 0) + 1
    return pd.DataFrame(
        [
            {"person": key[0], "condition": key[1], **entry, "reasons": _in_words(reasons[key])}
            for key, entry in lost.items()
        ]
    )


_SHOWN_REASONS = 3
"""Number of reasons that a line spells out: draws give the same reason with other numbers."""


def _in_words(reasons: dict[str, int]) -> str:
    """Most frequent reasons, all others counted."""
    order = sorted(reasons.items(), key=lambda item: (-item[1], item[0]))
    words = [f"{count} x {reason}" for reason, count in order[:_SHOWN_REASONS]]
    left = sum(count for _, count in order[_SHOWN_REASONS:])
    return "; ".join([*words, *([f"and {left} more draws"] if left else [])])


_HELD = 4_000_000
"""Number of values that the search for quantiles holds at a time; more draws mean more passes."""


def _intervals(chunk_rows: ChunkRows, model: Model, files: Sequence[Path]) -> pd.DataFrame:
    """Exact quantiles, a block of columns of all chunks in memory at a time."""
    rows = sum(stored_rows(path) for path in files)
    columns = [(measure, head) for measure in MEASURES for head in model.head_names]
    width = max(1, _HELD // max(rows, 1))
    several = len(chunk_rows.people) > 1
    lines = []
    for begin in range(0, len(columns), width):
        block = columns[begin : begin + width]
        names = [f"{measure}:{head}" for measure, head in block]
        values = np.concatenate([chunk_rows.grid(path, names) for path in files])
        stacks = [(EVERYONE, values.mean(axis=1))] if several else []
        stacks += [(person, values[:, p]) for p, person in enumerate(chunk_rows.people)]
        found = [
            (person, cell, _moments(part[:, index].T))
            for person, part in stacks
            for index, cell in enumerate(chunk_rows.cells)
        ]
        lines += [
            (measure, head, person, *cell, *moments[k])
            for k, (measure, head) in enumerate(block)
            for person, cell, moments in found
        ]
    return pd.DataFrame(
        lines,
        columns=["measure", "head", "person", *_CELL, "draws", "mean", "sd", *QUANTILES],
    )


def _moments(values: NDArray[np.float64]) -> list[tuple[float, ...]]:
    """Count the draws of every row; their mean, standard deviation and quantiles.

    Rows that lack the same draws, as all heads of a lift do, are taken together.
    """
    known = ~np.isnan(values)
    rows_by_draws: dict[bytes, list[int]] = {}
    for row, draws in enumerate(known):
        rows_by_draws.setdefault(draws.tobytes(), []).append(row)
    out: list[tuple[float, ...]] = [()] * len(values)
    for rows in rows_by_draws.values():
        some = np.ascontiguousarray(values[rows][:, known[rows[0]]])
        count = some.shape[1]
        if count == 0:
            found = np.full((len(rows), 2 + len(QUANTILES)), np.nan)
        else:
            quantiles = np.quantile(some, list(QUANTILES.values()), axis=1)
            spread = some.std(axis=1, ddof=1) if count > 1 else np.zeros(len(rows))
            found = np.vstack([some.mean(axis=1), spread, quantiles]).T
            # The mean of equal numbers can differ from them in the last digit.
            level = np.ptp(some, axis=1) == 0.0
            found[level] = some[level, :1]
            found[level, 1] = 0.0
        for row, numbers in zip(rows, found.tolist(), strict=True):
            out[row] = (count, *numbers)
    return out

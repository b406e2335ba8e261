"""Intervals and orderings from chunk files, read one after another.

Draws are paired: conditions, and heads, are compared within the same draw. A draw counts for
a comparison if all people could be solved in it. Orderings are summed chunk by chunk;
quantiles are exact and take as many passes over the files as memory requires.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from momentshare.files.writer import stored_table
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
    """

    plan: UncertaintyPlan
    model: Model
    intervals: pd.DataFrame
    condition_order: pd.DataFrame
    head_order: pd.DataFrame
    failures: pd.DataFrame
    sensitivity: Sensitivity | None
    people_and_model: pd.DataFrame = field(default_factory=pd.DataFrame)

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

    def add(self, gap: NDArray[np.float64]) -> None:
        self.above += (gap > _TIE).sum(axis=0)
        self.level += (np.abs(gap) <= _TIE).sum(axis=0)
        self.known += (~np.isnan(gap)).sum(axis=0)
        # In whole parts, so that the sum does not depend on how draws are cut into files.
        self.total += np.rint(np.nan_to_num(gap) / _PART).astype(np.int64).sum(axis=0)

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
        failures=_failures(files),
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
    columns = [f"mean_activation:{head}" for head in model.head_names]
    pairs = _condition_pairs(chunk_rows)
    head_pairs = list(combinations(range(len(columns)), 2))
    first, second = (np.array([p[k] for p in head_pairs], dtype=int) for k in (0, 1))
    between_conditions = [_Tally(len(columns)) for _ in pairs]
    where_met = [_Tally(len(columns)) for _ in pairs]
    between_heads = [_Tally(len(head_pairs)) for _ in chunk_rows.cells]
    for path in files:
        mean = chunk_rows.grid(path, columns).mean(axis=1)
        frames = chunk_rows.grid(path, ["frames_with_shortfall"])[..., 0]
        short = np.any(frames > 0, axis=1)
        for tally, met, (_, a, b) in zip(between_conditions, where_met, pairs, strict=True):
            gap = mean[:, a] - mean[:, b]
            tally.add(gap)
            met.add(np.where((short[:, a] | short[:, b])[:, None], np.nan, gap))
        for index, tally in enumerate(between_heads):
            tally.add(mean[:, index, first] - mean[:, index, second])
    order = [
        {
            "criterion": chunk_rows.cells[a][2],
            "lateral": mode,
            "head": head,
            "condition": chunk_rows.cells[a][0],
            "other": chunk_rows.cells[b][0],
            **tally.record(k),
            "mean_difference": tally.mean(k),
            "probability_met": met.record(k)["probability"],
            "draws_met": int(met.known[k]),
        }
        for tally, met, (mode, a, b) in zip(between_conditions, where_met, pairs, strict=True)
        for k, head in enumerate(model.head_names)
    ]
    between = [
        {
            "criterion": criterion,
            "lateral": mode,
            "condition": condition,
            "head": model.head_names[a],
            "other": model.head_names[b],
            **tally.record(k),
        }
        for tally, (condition, mode, criterion) in zip(between_heads, chunk_rows.cells, strict=True)
        for k, (a, b) in enumerate(head_pairs)
    ]
    names = [
        "criterion", "lateral", "head", "condition", "other", "probability", "mean_difference",
        "probability_met", "draws_met",
    ]  # fmt: skip
    return pd.DataFrame(order, columns=None if order else names), pd.DataFrame(between)


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


def _failures(files: Sequence[Path]) -> pd.DataFrame:
    """Count each draw once, whatever its lateral modes and criteria."""
    counted = (
        "frames_out_of_reach",
        "frames_with_shortfall",
        "frames_uncertified",
    )
    lost: dict[tuple[str, str], dict[str, Any]] = {}
    for path in files:
        names = ["draw", "person", "condition", "status", "reason", *counted]
        table = stored_table(path, names).to_pylist()
        worst: dict[tuple[int, str, str], dict[str, Any]] = {}
        for line in table:
            key = (line["draw"], line["person"], line["condition"])
            seen = worst.setdefault(key, line)
            for name in counted:
                seen[name] = max(seen[name], line[name])
        for (_, person, condition), line in worst.items():
            entry = lost.setdefault(
                (person, condition),
                {
                    "draws": 0, "failed": 0, "partly_out_of_reach": 0, "with_shortfall": 0,
                    "with_uncertified_frames": 0, "reasons": {},
                },
            )  # fmt: skip
            entry["draws"] += 1
            entry["failed"] += line["status"] == "failed"
            entry["partly_out_of_reach"] += line["frames_out_of_reach"] > 0
            entry["with_shortfall"] += line["frames_with_shortfall"] > 0
            entry["with_uncertified_frames"] += line["frames_uncertified"] > 0
            if line["status"] == "failed":
                entry["reasons"][line["reason"]] = entry["reasons"].get(line["reason"], 0) + 1
    return pd.DataFrame(
        [
            {"person": person, "condition": condition}
            | {k: v for k, v in entry.items() if k != "reasons"}
            | {"reasons": _in_words(entry["reasons"])}
            for (person, condition), entry in lost.items()
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
    rows = sum(stored_table(path, ["draw"]).num_rows for path in files)
    columns = [(measure, head) for measure in MEASURES for head in model.head_names]
    width = max(1, _HELD // max(rows, 1))
    several = len(chunk_rows.people) > 1
    lines = []
    for begin in range(0, len(columns), width):
        block = columns[begin : begin + width]
        names = [f"{measure}:{head}" for measure, head in block]
        values = np.concatenate([chunk_rows.grid(path, names) for path in files])
        for k, (measure, head) in enumerate(block):
            value = np.ascontiguousarray(values[..., k])
            stacks = [(EVERYONE, value.mean(axis=1))] if several else []
            stacks += [(person, value[:, p]) for p, person in enumerate(chunk_rows.people)]
            for person, part in stacks:
                lines += [
                    (measure, head, person, *cell, *_moments(part[:, index]))
                    for index, cell in enumerate(chunk_rows.cells)
                ]
    return pd.DataFrame(
        lines,
        columns=["measure", "head", "person", *_CELL, "draws", "mean", "sd", *QUANTILES],
    )


def _moments(values: NDArray[np.float64]) -> tuple[float, ...]:
    good = values[~np.isnan(values)]
    if good.size == 0:
        return (0, *([float("nan")] * (2 + len(QUANTILES))))
    if np.ptp(good) == 0.0:
        # The mean of equal numbers can differ from them in the last digit.
        return (good.size, float(good[0]), 0.0, *([float(good[0])] * len(QUANTILES)))
    points = np.quantile(good, list(QUANTILES.values()))
    return (
        good.size,
        float(good.mean()),
        float(good.std(ddof=1)),
        *(float(p) for p in points),
    )

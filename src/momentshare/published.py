"""Net moments that came from elsewhere: a published table gives heads with intervals.

A paper often prints what this library begins with, net joint moments and a posture for each
condition as mean ± standard deviation, and nothing else. :func:`read_published` reads such a
table, typed off into a CSV file, and :func:`heads_of_published` lays it on a limb: once at the
means, then in draws around them.

Signs are those of the arm frame (:func:`momentshare.posture.arm_frame`): internal rotation,
elevation and horizontal adduction positive, and extension demand positive at the elbow.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections import Counter
from dataclasses import dataclass, fields
from itertools import combinations, groupby
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from momentshare.analysis import BALANCED, Criterion
from momentshare.errors import InputError, nearest_name
from momentshare.posture import posture_from_angles
from momentshare.sharing import Status, share

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pandas as pd
    from numpy.typing import NDArray

    from momentshare.limb import Limb

__all__ = [
    "PublishedLine",
    "PublishedResult",
    "PublishedTable",
    "heads_of_published",
    "read_published",
]

KNOWN = ("read", "from memory", "common practice", "invented")
"""How the numbers of a line are known."""

_ANGLES = ("plane", "elevation", "axial", "elbow_flexion", "forearm_rotation")

_ANGLE_RANGE = {
    "plane": (-180.0, 180.0),
    "elevation": (0.0, 180.0),
    "axial": (-180.0, 180.0),
    "elbow_flexion": (-20.0, 180.0),
    "forearm_rotation": (-30.0, 180.0),
}
"""Angles that a file may state [deg]; beyond them unit or sign is wrong (common practice, no
source). Draws keep to the narrower limits of the limb's model."""

_GREATEST_MOMENT = 2000.0
"""Net moment [N·m] beyond which the unit must be wrong (common practice, no source)."""

_GREATEST_SPREAD = 90.0
"""Standard deviation of an angle [deg] beyond which the unit must be wrong (common practice, no
source)."""

_MOST_PEOPLE = 1_000_000
_MOST_BYTES = 5_000_000
_MOST_LINES = 2000
_MOST_DRAWS = 100_000
_BLOCK = 60_000
"""Frames whose paths are held in memory at once, some 100 MB; a usual table fits in one."""

_INTERVAL = (0.025, 0.5, 0.975)
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_LABELS = ("condition", "point", "source", "known", "note")
_SHOWN = 40


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PublishedLine:
    """One condition at one point of a lift; arrays are read-only.

    Attributes
    ----------
    condition, point : str
    people : int
        Over how many the paper averaged.
    moments, moment_sd : float array, shape (4,)
        In the order of :data:`momentshare.analysis.BALANCED` [N·m]; NaN where not given.
    angles, angle_sd : float array, shape (5,)
        Plane, elevation, axial, elbow flexion, forearm rotation [rad]; a spread that was not
        given is NaN.
    source : str
        Where the numbers come from.
    known : str
        One of :data:`KNOWN`.
    note : str
    row : int
        Of the file, the header being row 1.
    """

    condition: str
    point: str
    people: int
    moments: NDArray[np.float64]
    moment_sd: NDArray[np.float64]
    angles: NDArray[np.float64]
    angle_sd: NDArray[np.float64]
    source: str
    known: str
    note: str
    row: int

    def __post_init__(self) -> None:
        for item in fields(self):
            value = getattr(self, item.name)
            if isinstance(value, np.ndarray):
                value.setflags(write=False)

    @property
    def balanced(self) -> tuple[str, ...]:
        """Moment rows that the paper reports; only these are balanced."""
        given = ~np.isnan(self.moments)
        return tuple(name for name, has in zip(BALANCED, given, strict=True) if has)

    @property
    def place(self) -> str:
        """Condition and point in words."""
        return f"{self.condition}, {self.point}"


@dataclass(frozen=True, slots=True, kw_only=True)
class PublishedTable:
    """A checked table of moments; ``source`` is the name of its file."""

    source: str
    lines: tuple[PublishedLine, ...]

    @property
    def citations(self) -> tuple[str, ...]:
        """Sources of the lines with how they are known, each once."""
        return tuple(dict.fromkeys(f"{x.source} ({x.known})" for x in self.lines))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PublishedResult:
    """Heads from a published table.

    Attributes
    ----------
    table : PublishedTable
    criterion : Criterion
    spread : {"sd", "se"}
        Whether draws are persons or means over the people of the paper.
    correlation : float
        Between the moments of a line.
    draws, seed : int
    balanced : mapping
        (condition, point) → names of the rows that were balanced.
    heads : DataFrame
        Condition × point × head: effort and force [N] at the means, and median, 2.5 % and
        97.5 % of the draws (``_median``, ``_low``, ``_high``). ``rows_balanced`` counts rows;
        where ``doubtful_path`` the path lies in a surface and is not to be trusted.
    orderings : DataFrame
        Point × head × pair of conditions: ``effort_difference`` at the means, and the
        probability that the effort of condition_a is the greater, ties counted half. In
        ``probability`` both conditions of a draw lie off their means in the same sense, as
        when the same person stands high in both (common random numbers); in
        ``probability_independent`` they have nothing to do with each other. The truth about
        repeated measures lies between. ``same_rows``: whether the same rows were balanced.
    shortfalls : DataFrame
        Condition × point: rows balanced and not given, status at the means, part of the draws
        that fall short or have no certified answer, and the unmet moment of every row at the
        means [N·m].
    notes : tuple of str
        What was not given, what was assumed, how far to trust it.
    """

    table: PublishedTable
    criterion: Criterion
    spread: str
    correlation: float
    draws: int
    seed: int
    balanced: Mapping[tuple[str, str], tuple[str, ...]]
    heads: pd.DataFrame
    orderings: pd.DataFrame
    shortfalls: pd.DataFrame
    notes: tuple[str, ...]


def read_published(path: str | Path) -> PublishedTable:
    """Read a table of published moments.

    Parameters
    ----------
    path : str or Path
        CSV, UTF-8, comma between cells, point in numbers. Columns ``condition``; ``point``, a
        label such as ``sticking region`` or a percent of the lift; ``n``, people; ``source``;
        ``known``, one of ``read``, ``from memory``, ``common practice``, ``invented``;
        ``plane_deg``, ``elevation_deg``, ``axial_deg``, ``elbow_flexion_deg``,
        ``forearm_rotation_deg``; any of ``shoulder_internal_rotation_nm``,
        ``shoulder_elevation_nm``, ``shoulder_horizontal_adduction_nm``,
        ``elbow_extension_nm``. For each of the last two groups a standard deviation may stand
        in ``…_sd_deg`` or ``…_sd_nm``; ``note`` is free. A moment left blank was not reported
        and is not balanced; a blank standard deviation was not given.

    Returns
    -------
    PublishedTable

    Raises
    ------
    InputError
        One line for each fault: row, column, value and remedy.
    """
    place = Path(path)
    header, records = _records(place, _text(place))
    faults = _header_faults(header)
    if faults:
        raise InputError(f"{place}: row 1:", faults)
    lines: list[PublishedLine] = []
    seen: dict[tuple[str, str], int] = {}
    for row, cells in records:
        if len(cells) != len(header):
            faults.append(
                f"row {row}: has {len(cells)} cells, the header {len(header)}; put text that "
                "contains a comma in quotes"
            )
            continue
        line, own = _line(row, dict(zip(header, cells, strict=True)))
        faults += own
        if line is None:
            continue
        key = (line.condition, line.point)
        if key in seen:
            faults.append(
                f"row {row}: condition {key[0]!r} at point {key[1]!r} stands in row {seen[key]} "
                "already; keep one, or name them apart"
            )
        seen.setdefault(key, row)
        lines.append(line)
    if not records:
        faults.append("row 2: there is no line below the header; add one for each condition")
    if faults:
        raise InputError(f"{place}:", faults)
    return PublishedTable(source=place.name, lines=tuple(lines))


def _text(place: Path) -> str:
    try:
        if not place.is_file():
            raise InputError(f"{place}: is no file; check the name")
        if place.stat().st_size > _MOST_BYTES:
            raise InputError(
                f"{place}: has more than {_MOST_BYTES // 1_000_000} MB, wanted one line a "
                "condition and point; check that it is the right file"
            )
        raw = place.read_bytes()
    except (OSError, ValueError) as err:
        if isinstance(err, InputError):
            raise
        why = err.strerror if isinstance(err, OSError) else err
        raise InputError(f"{place}: cannot be read ({why})") from err
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as err:
        raise InputError(f"{place}: is not UTF-8 text ({err.reason}); save it as UTF-8") from err
    if "\x00" in text:
        raise InputError(f"{place}: contains zero bytes; save it as plain CSV text")
    return text


def _records(place: Path, text: str) -> tuple[list[str], list[tuple[int, list[str]]]]:
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    records: list[tuple[int, list[str]]] = []
    try:
        header = [cell.strip() for cell in next(reader, [])]
        for cells in reader:
            if any(cell.strip() for cell in cells):
                records.append((reader.line_num, [cell.strip() for cell in cells]))
            if len(records) > _MOST_LINES:
                raise InputError(f"{place}: has more than {_MOST_LINES} lines; split it")
    except csv.Error as err:
        raise InputError(f"{place}: row {reader.line_num}: {err}; check the quotes") from err
    if not any(header):
        raise InputError(f"{place}: row 1: is empty, wanted the names of the columns")
    if len(header) == 1 and any(sign in header[0] for sign in ";\t|"):
        raise InputError(f"{place}: row 1: wanted a comma between names; save it as comma CSV")
    return header, records


def _columns() -> dict[str, bool]:
    """Names that a header may hold → whether it must."""
    out = {"condition": True, "point": True, "n": True, "source": True, "known": True}
    for name in _ANGLES:
        out |= {f"{name}_deg": True, f"{name}_sd_deg": False}
    for name in BALANCED:
        out |= {f"{name}_nm": False, f"{name}_sd_nm": False}
    return out | {"note": False}


def _header_faults(header: list[str]) -> list[str]:
    known = _columns()
    faults = [
        f"column {_short(name)} is unknown; {nearest_name(name, known)}"
        for name in header
        if name not in known
    ]
    faults += [
        f"column {name!r} stands {times} times; keep one"
        for name, times in Counter(header).items()
        if times > 1 and name in known
    ]
    faults += [
        f"column {name!r} is missing; add it"
        for name, must in known.items()
        if must and name not in header
    ]
    if not any(f"{name}_nm" in header for name in BALANCED):
        wanted = ", ".join(f"{name}_nm" for name in BALANCED)
        faults.append(f"there is no column of moments; add one or more of {wanted}")
    return faults


def _short(text: str) -> str:
    return repr(text if len(text) <= _SHOWN else text[:_SHOWN] + "…")


class _Cells:
    """Cells of one row with the faults that were found in them."""

    def __init__(self, row: int, cells: dict[str, str]) -> None:
        self.row, self.cells = row, cells
        self.faults: list[str] = []

    def fault(self, column: str, text: str) -> None:
        self.faults.append(f"row {self.row}, column {column!r}: {text}")

    def label(self, column: str, *, must: bool = True, longest: int = 80) -> str:
        from momentshare.study.schema import plain_text

        text = self.cells.get(column, "")
        if must and not text:
            remedy = "say where the numbers come from" if column == "source" else "fill it in"
            self.fault(column, f"is blank; {remedy}")
        if len(text) > longest:
            self.fault(column, f"has {len(text)} characters, wanted {longest} at most; shorten it")
        try:
            return plain_text(text)
        except ValueError as err:
            self.fault(column, str(err))
            return ""

    def number(self, column: str, low: float, high: float, remedy: str) -> float:
        """Read a number within limits; NaN where the cell is blank or at fault."""
        text = self.cells.get(column, "")
        if not text:
            return math.nan
        if not _NUMBER.fullmatch(text):
            hint = "write a number with a decimal point"
            if "−" in text or "–" in text:
                hint = "write the minus sign as a plain hyphen"
            elif "±" in text:
                hint = "put the spread in the column of the standard deviation"
            self.fault(column, f"wanted a number, got {_short(text)}; {hint}")
            return math.nan
        value = float(text)
        if not low <= value <= high:
            self.fault(column, f"wanted {low:g} to {high:g}, got {value:g}; {remedy}")
            return math.nan
        return value


def _line(row: int, named: dict[str, str]) -> tuple[PublishedLine | None, list[str]]:
    """One line of the table, or its faults."""
    cells = _Cells(row, named)
    longest = {"condition": 80, "point": 80}
    texts = {
        name: cells.label(name, must=name != "note", longest=longest.get(name, 1000))
        for name in _LABELS
    }
    if texts["known"] and texts["known"] not in KNOWN:
        cells.fault("known", f"wanted one of {', '.join(KNOWN)}, got {_short(texts['known'])}")
    people = cells.number("n", 1, _MOST_PEOPLE, "give the number of people")
    if not named["n"]:
        cells.fault("n", "is blank; give the number of people")
    elif people % 1.0 > 0.0:
        cells.fault("n", f"wanted a whole number, got {people:g}; give the number of people")
    unit, most = "check the unit, N*m", _GREATEST_MOMENT
    moments = [cells.number(f"{name}_nm", -most, most, unit) for name in BALANCED]
    moment_sd = [cells.number(f"{name}_sd_nm", 0.0, most, unit) for name in BALANCED]
    unit = "check unit and sign, degrees"
    angles = [cells.number(f"{name}_deg", *_ANGLE_RANGE[name], unit) for name in _ANGLES]
    angle_sd = [cells.number(f"{name}_sd_deg", 0.0, _GREATEST_SPREAD, unit) for name in _ANGLES]
    for name in _ANGLES:
        if not named[f"{name}_deg"]:
            cells.fault(
                f"{name}_deg",
                "is blank; moment arms need the posture, so state the best estimate and say so in "
                "note",
            )
    for name in BALANCED:
        if named.get(f"{name}_sd_nm") and not named.get(f"{name}_nm"):
            cells.fault(f"{name}_sd_nm", "has no mean beside it; give the moment or remove it")
    if not any(named.get(f"{name}_nm") for name in BALANCED):
        cells.faults.append(f"row {row}: no moment is given; give one or remove the row")
    if cells.faults:
        return None, cells.faults
    line = PublishedLine(
        condition=texts["condition"],
        point=texts["point"],
        people=int(people),
        moments=np.array(moments),
        moment_sd=np.array(moment_sd),
        angles=np.radians(angles),
        angle_sd=np.radians(angle_sd),
        source=texts["source"],
        known=texts["known"],
        note=texts["note"],
        row=row,
    )
    return line, []


def heads_of_published(
    table: PublishedTable,
    limb: Limb,
    *,
    criterion: Criterion | None = None,
    draws: int = 500,
    seed: int = 1,
    spread: Literal["sd", "se"] = "sd",
    correlation: float = 0.0,
) -> PublishedResult:
    """Share published moments among the heads of a limb.

    Parameters
    ----------
    table : PublishedTable
    limb : Limb
        Whose moment arms and strength are used; heads are held at no speed.
    criterion : Criterion, optional
        Default: Σ a². A forearm row is never balanced, since no table states it.
    draws : int
        Around the means; 0 gives the answer at the means only.
    seed : int
        The same seed gives the same numbers.
    spread : {"sd", "se"}
        Normal with the standard deviation (persons), or with that over √n (the mean).
    correlation : float
        Between any two moments of a line, −1/3 to 1. Angles are drawn independently, within the
        limits of the limb's model (or up to the mean, where that lies outside).

    Returns
    -------
    PublishedResult

    Raises
    ------
    InputError
        An option out of range.
    """
    _check_options(draws, seed, spread, correlation)
    chosen = criterion or Criterion()
    lines = table.lines
    values = _drawn(table, limb, draws, seed, spread, correlation)
    effort = np.empty((*values.shape[:2], len(limb.head_names)))
    force, inside = np.empty_like(effort), np.zeros(effort.shape, dtype=bool)
    status = np.empty(values.shape[:2], dtype=int)
    unmet = np.full((len(lines), len(BALANCED)), np.nan)
    per = max(1, _BLOCK // values.shape[1])
    order = sorted(range(len(lines)), key=lambda k: lines[k].balanced)
    for _, group in groupby(order, key=lambda k: lines[k].balanced):
        alike = list(group)
        for first in range(0, len(alike), per):
            part = alike[first : first + per]
            rows = np.flatnonzero(~np.isnan(lines[part[0]].moments))
            found, shared = _solved(limb, values[part], rows, chosen)
            effort[part], force[part], inside[part] = shared.activation, shared.force, found
            status[part] = shared.status
            unmet[np.array(part)[:, None], rows] = shared.unmet[:, 0]
    proven = np.isin(status, (Status.SOLVED, Status.SHORTFALL))
    effort[~proven], force[~proven] = np.nan, np.nan
    shortfalls = _shortfalls(lines, status, unmet, draws)
    return PublishedResult(
        table=table,
        criterion=chosen,
        spread=spread,
        correlation=correlation,
        draws=draws,
        seed=seed,
        balanced={(x.condition, x.point): x.balanced for x in lines},
        heads=_heads(lines, limb, effort, force, inside, draws),
        orderings=_orderings(lines, limb, effort, draws),
        shortfalls=shortfalls,
        notes=_notes(table, limb, chosen, draws, spread, correlation, shortfalls),
    )


def _check_options(draws: int, seed: int, spread: str, correlation: float) -> None:
    faults = []
    if isinstance(draws, bool) or not isinstance(draws, int) or not 0 <= draws <= _MOST_DRAWS:
        faults.append(f"draws: wanted a whole number from 0 to {_MOST_DRAWS}, got {draws!r}")
    if isinstance(seed, bool) or not isinstance(seed, int) or seed < 0:
        faults.append(f"seed: wanted a whole number, 0 or more, got {seed!r}")
    if spread not in {"sd", "se"}:
        faults.append(f"spread: wanted 'sd' (persons) or 'se' (the mean), got {spread!r}")
    lowest = -1.0 / (len(BALANCED) - 1)
    if not lowest <= correlation <= 1.0:
        faults.append(
            f"correlation: wanted {lowest:.4g} to 1, got {correlation!r}; four moments cannot all "
            "go against each other more strongly"
        )
    if faults:
        raise InputError("published table:", faults)


def _limits(limb: Limb) -> NDArray[np.float64]:
    """Lowest and highest angle of the limb's model [rad], shape (5, 2)."""
    number = limb.model.number
    low = {name: number(f"limit_{name}_min") for name in _ANGLES if name != "elevation"}
    return np.array([(low.get(name, 0.0), number(f"limit_{name}_max")) for name in _ANGLES])


def _drawn(
    table: PublishedTable, limb: Limb, draws: int, seed: int, spread: str, correlation: float
) -> NDArray[np.float64]:
    """Moments and angles, shape (lines, 1 + 2 draws, 9): means, common and own random numbers."""
    from scipy.stats import norm, truncnorm

    rows, count = len(BALANCED), len(BALANCED) + len(_ANGLES)
    rng = np.random.default_rng(seed)
    wanted = np.full((rows, rows), correlation) + (1.0 - correlation) * np.eye(rows)
    size, turn = np.linalg.eigh(wanted)
    root = (turn * np.sqrt(np.maximum(size, 0.0))) @ turn.T
    common = rng.standard_normal((draws, count))
    limits = _limits(limb)
    out = np.empty((len(table.lines), 1 + 2 * draws, count))
    for index, line in enumerate(table.lines):
        noise = np.concatenate([common, rng.standard_normal((draws, count))])
        noise[:, :rows] = noise[:, :rows] @ root
        scale = 1.0 if spread == "sd" else 1.0 / math.sqrt(line.people)
        mean = np.concatenate([line.moments, line.angles])
        sd = scale * np.nan_to_num(np.concatenate([line.moment_sd, line.angle_sd]))
        out[index, 0] = mean
        out[index, 1:] = mean + sd * noise
        for k, (low, high) in enumerate(limits, start=rows):
            if sd[k] > 0.0:
                ends = (np.array([min(low, mean[k]), max(high, mean[k])]) - mean[k]) / sd[k]
                out[index, 1:, k] = mean[k] + sd[k] * truncnorm.ppf(norm.cdf(noise[:, k]), *ends)
    return out


def _solved(
    limb: Limb, values: NDArray[np.float64], rows: NDArray[np.intp], criterion: Criterion
) -> tuple[NDArray[np.bool_], Any]:
    """Share the drawn moments of the given rows; every answer by itself."""
    first = len(BALANCED)
    posture = posture_from_angles(*(values[..., first + k] for k in range(len(_ANGLES))))
    found = limb.paths(posture)
    state = limb.capacity(found.length)
    weights = limb.volume / limb.volume.mean() if criterion.weights == "volume" else None
    return found.inside, share(
        found.moment_arms[..., rows, :],
        state.active_capacity,
        values[..., rows],
        passive_force=state.passive_force,
        exponent=criterion.exponent,
        weights=weights,
        chain=False,
        head_names=limb.head_names,
        row_names=[BALANCED[k] for k in rows],
    )


def _quantiles(drawn: NDArray[np.float64]) -> NDArray[np.float64]:
    """2.5 %, 50 % and 97.5 % over the draws that have an answer, shape (3, heads)."""
    known = drawn[~np.isnan(drawn).any(axis=1)]
    if not known.size:
        return np.full((3, drawn.shape[1]), np.nan)
    return np.asarray(np.quantile(known, _INTERVAL, axis=0))


def _heads(
    lines: Sequence[PublishedLine],
    limb: Limb,
    effort: NDArray[np.float64],
    force: NDArray[np.float64],
    inside: NDArray[np.bool_],
    draws: int,
) -> pd.DataFrame:
    import pandas as pd

    parts = []
    for k, line in enumerate(lines):
        columns: dict[str, Any] = {
            "condition": line.condition,
            "point": line.point,
            "head": limb.head_names,
            "rows_balanced": len(line.balanced),
        }
        for name, unit, value in (("effort", "", effort[k]), ("force", "_n", force[k])):
            low, median, high = _quantiles(value[1 : 1 + draws])
            columns |= {
                f"{name}{unit}": value[0],
                f"{name}_median{unit}": median,
                f"{name}_low{unit}": low,
                f"{name}_high{unit}": high,
            }
        parts.append(pd.DataFrame(columns | {"doubtful_path": inside[k, 0]}))
    return pd.concat(parts, ignore_index=True)


def _orderings(
    lines: Sequence[PublishedLine], limb: Limb, effort: NDArray[np.float64], draws: int
) -> pd.DataFrame:
    import pandas as pd

    from momentshare.uncertainty.summary import order_probability

    columns = [
        "point", "condition_a", "condition_b", "head", "effort_difference", "probability",
        "probability_independent", "draws", "same_rows",
    ]  # fmt: skip
    rows = []
    for a, b in combinations(range(len(lines)), 2):
        if lines[a].point != lines[b].point:
            continue
        for h, head in enumerate(limb.head_names):
            first, second = effort[a, :, h], effort[b, :, h]
            common, _, counted = order_probability(first[1 : 1 + draws], second[1 : 1 + draws])
            own, _, _ = order_probability(first[1 + draws :], second[1 + draws :])
            given = (
                lines[a].point, lines[a].condition, lines[b].condition, head, first[0] - second[0],
                common, own, counted, lines[a].balanced == lines[b].balanced,
            )  # fmt: skip
            rows.append(dict(zip(columns, given, strict=True)))
    return pd.DataFrame(rows, columns=columns)


def _shortfalls(
    lines: Sequence[PublishedLine],
    status: NDArray[np.int_],
    unmet: NDArray[np.float64],
    draws: int,
) -> pd.DataFrame:
    import pandas as pd

    rows = []
    for k, line in enumerate(lines):
        drawn = status[k, 1 : 1 + draws]
        row: dict[str, Any] = {
            "condition": line.condition,
            "point": line.point,
            "n_people": line.people,
            "balanced": "; ".join(line.balanced),
            "not_given": "; ".join(r for r in BALANCED if r not in line.balanced),
            "status": Status(int(status[k, 0])).name.lower(),
            "share_short": float((drawn == Status.SHORTFALL).mean()) if draws else np.nan,
            "share_unsolved": float((drawn > Status.SHORTFALL).mean()) if draws else np.nan,
        }
        row |= {f"{name}_unmet_nm": unmet[k, j] for j, name in enumerate(BALANCED)}
        rows.append(row | {"source": line.source, "known": line.known, "note": line.note})
    return pd.DataFrame(rows)


def _notes(
    table: PublishedTable,
    limb: Limb,
    criterion: Criterion,
    draws: int,
    spread: str,
    correlation: float,
    shortfalls: pd.DataFrame,
) -> tuple[str, ...]:
    lines, count = table.lines, len(table.lines)
    notes = [f"Numbers from {citation}." for citation in table.citations]
    notes.append(
        "Moments and postures of other people are laid on the limb of "
        f"{limb.skeleton.person.name}, held still; their own size and strength do not enter."
    )
    for k, name in enumerate(BALANCED):
        absent = [x.place for x in lines if np.isnan(x.moments[k])]
        if absent:
            notes.append(
                f"{name} is blank in {_of(absent, count)} and is not balanced there: the heads may "
                "do about that axis what the other rows make them do."
            )
    if len({x.balanced for x in lines}) > 1:
        notes.append("Conditions balanced in different rows cannot be compared; see same_rows.")
    if criterion.balance_forearm:
        notes.append("No table states a forearm moment: it is left to the grip.")
    spreads = {
        f"{name}_sd_nm": [
            x.place for x in lines if np.isnan(x.moment_sd[k]) and not np.isnan(x.moments[k])
        ]
        for k, name in enumerate(BALANCED)
    }
    for k, name in enumerate(_ANGLES):
        spreads[f"{name}_sd_deg"] = [x.place for x in lines if np.isnan(x.angle_sd[k])]
    notes += [
        f"{name} is blank in {_of(absent, count)} and counts as none, so intervals are too narrow."
        for name, absent in spreads.items()
        if absent and draws
    ]
    limits = _limits(limb)
    outside = [
        x.place
        for x in lines
        if ((x.angles < limits[:, 0] - 1e-9) | (x.angles > limits[:, 1] + 1e-9)).any()
    ]
    if outside:
        notes.append(
            f"The posture lies outside the limits of the limb's model in {_of(outside, count)}."
        )
    short = shortfalls[shortfalls["status"] != "solved"]
    if not short.empty:
        places = [f"{r['condition']}, {r['point']}" for _, r in short.iterrows()]
        notes.append(
            f"At the means the limb does not meet the moments in {_of(places, count)}; heads there "
            "come as near as they can (see shortfalls)."
        )
    if draws:
        what = "persons" if spread == "sd" else "means over the people of the paper"
        related = "independent" if correlation == 0.0 else f"correlated by {correlation:g}"
        notes.append(
            f"{draws} draws stand for {what}. Moments were drawn {related} and angles independent; "
            "how moments and angles really go together from person to person is not published, so "
            "intervals and probabilities are rough."
        )
        notes.append(
            "Orderings are given for conditions that move together and for conditions that do not; "
            "people measured in both lie between."
        )
    return tuple(notes)


def _of(places: list[str], count: int) -> str:
    if len(places) == count:
        return "all lines" if count > 1 else "the line"
    shown = "; ".join(places[:6]) + ("; …" if len(places) > 6 else "")
    return f"{len(places)} of {count} lines ({shown})"

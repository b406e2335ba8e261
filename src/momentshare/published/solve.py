"""Heads with intervals from a published table.

A paper often prints what this library starts from, net joint moments and a posture for each
condition as mean ± standard deviation, and nothing else. :func:`heads_of_published` applies such a
table to a limb: once at the means, then in draws around them.

Signs are those of the arm frame (:func:`momentshare.posture.arm_frame`): internal rotation,
elevation and horizontal adduction positive, and extension demand positive at the elbow.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations, groupby
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from momentshare.balance import BALANCED, Balance, Criterion
from momentshare.errors import InputError
from momentshare.exercise.given import GivenMoments
from momentshare.exercise.reach import shoulder_limits
from momentshare.limits import LiftKind, with_limits
from momentshare.posture import posture_from_angles
from momentshare.published.table import ANGLE_NAMES, PublishedLine, PublishedTable
from momentshare.results import brief
from momentshare.sharing import Status

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pandas as pd
    from numpy.typing import NDArray

    from momentshare.limb import Limb

__all__ = ["PublishedResult", "given_moments", "heads_of_published"]

_MOST_DRAWS = 100_000

_BLOCK = 60_000
"""Frames whose paths are held in memory at once, some 100 MB; a usual table fits in one."""

_RAISED = math.radians(120.0)
"""Elevation of the arm above which a condition may be overhead, so that those limits apply too;
assumed."""

_INTERVAL = (0.025, 0.5, 0.975)


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
        Condition × point × head: activation and force [N] at the means, and median, 2.5 % and
        97.5 % of the draws (``_median``, ``_low``, ``_high``). ``rows_balanced`` counts rows;
        where ``doubtful_path`` is set, the path enters a surface and cannot be trusted.
    orderings : DataFrame
        Point × head × pair of conditions: ``activation_difference`` at the means, and the
        probability that the activation of ``condition`` is above that of ``other``, ties
        counted half. In ``probability`` both conditions of a draw deviate from their means in the
        same sense, as when the same person scores high in both (common random numbers); in
        ``probability_independent`` they are independent. Repeated measures most likely lie between,
        since strong people are strong in both. ``same_rows``: whether the same rows were balanced;
        ``limit``: keys of the limits of the limb that concern the order.
    shortfalls : DataFrame
        Condition × point: rows balanced and not given, status at the means, part of the draws
        that fall short or have no certified answer, and the unmet moment of every row at the
        means [N·m].
    notes : tuple of str
        What was not given, what was assumed, and how far to trust it.
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

    __repr__ = brief


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
    r"""Share published moments among the heads of a limb.

    Parameters
    ----------
    table : PublishedTable
    limb : Limb
        Provides moment arms and strength; heads are held at zero speed.
    criterion : Criterion, optional
        Default: Σ w a², w the greatest isometric force of the head. A forearm row is never
        balanced, since no table states it.
    draws : int
        Number of draws around the means; 0 gives the answer at the means only.
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

    Examples
    --------
    >>> from pathlib import Path
    >>> from tempfile import TemporaryDirectory
    >>> from momentshare import Person, build_limb, heads_of_published, load_model, read_published
    >>> columns = "condition,point,n,elbow_extension_nm,plane_deg,elevation_deg,axial_deg,"
    >>> columns += "elbow_flexion_deg,forearm_rotation_deg,source,known"
    >>> with TemporaryDirectory() as folder:
    ...     path = Path(folder) / "moments.csv"
    ...     line = "narrow,sticking region,12,28,35,70,10,75,130,made up here,invented"
    ...     _ = path.write_text(f"{columns}\n{line}\n", encoding="utf-8")
    ...     table = read_published(path)
    >>> ada = Person(name="Ada", sex="female", stature=1.66, body_mass=62.0)
    >>> found = heads_of_published(table, build_limb(ada, load_model()), draws=0)
    >>> found.balanced[("narrow", "sticking region")]
    ('elbow_extension',)
    """
    _check_options(draws, seed, spread, correlation)
    chosen = criterion or Criterion()
    lines = table.lines
    values = _drawn(table, limb, draws, seed, spread, correlation)
    activation = np.empty((*values.shape[:2], len(limb.head_names)))
    force, inside = np.empty_like(activation), np.zeros(activation.shape, dtype=bool)
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
            activation[part], force[part], inside[part] = shared.activation, shared.force, found
            status[part] = shared.status
            unmet[np.array(part)[:, None], rows] = shared.unmet[:, 0]
    proven = np.isin(status, (Status.SOLVED, Status.SHORTFALL))
    activation[~proven], force[~proven] = np.nan, np.nan
    shortfalls = _shortfalls(lines, status, unmet, draws)
    return PublishedResult(
        table=table,
        criterion=chosen,
        spread=spread,
        correlation=correlation,
        draws=draws,
        seed=seed,
        balanced={(x.condition, x.point): x.balanced for x in lines},
        heads=_heads(lines, limb, activation, force, inside, draws),
        orderings=_orderings(lines, limb, activation, draws),
        shortfalls=shortfalls,
        notes=_notes(table, limb, chosen, draws, spread, correlation, shortfalls),
    )


def _check_options(draws: int, seed: int, spread: str, correlation: float) -> None:
    faults = []
    if isinstance(draws, bool) or not isinstance(draws, int) or not 0 <= draws <= _MOST_DRAWS:
        faults.append(f"draws: must be a whole number from 0 to {_MOST_DRAWS}; got {draws!r}")
    if isinstance(seed, bool) or not isinstance(seed, int) or seed < 0:
        faults.append(f"seed: must be a whole number, 0 or more; got {seed!r}")
    if spread not in {"sd", "se"}:
        faults.append(f"spread: must be 'sd' (persons) or 'se' (the mean); got {spread!r}")
    lowest = -1.0 / (len(BALANCED) - 1)
    if not lowest <= correlation <= 1.0:
        faults.append(
            f"correlation: must be between {lowest:.4g} and 1; got {correlation!r}; four moments "
            "cannot all go against each other more strongly"
        )
    if faults:
        raise InputError("published table:", faults)


def _limits(limb: Limb, line: PublishedLine) -> NDArray[np.float64]:
    """Lowest and highest angle about the mean posture of a line [rad], shape (5, 2).

    Those of the shoulder depend on each other; each is taken with the others at their means.
    """
    number = limb.model.number
    mean = dict(zip(ANGLE_NAMES, line.angles, strict=True))
    reach = shoulder_limits(limb.skeleton, np.asarray(mean["elevation"]))
    turned = mean["plane"] * max(np.cos(mean["elevation"]), 0.0)
    found = {name: (float(low), float(high)) for name, (low, high) in reach.items()}
    found["axial"] = (found["twist"][0] - turned, found["twist"][1] - turned)
    for name in ("elbow_flexion", "forearm_rotation"):
        found[name] = (number(f"limit_{name}_min"), number(f"limit_{name}_max"))
    return np.array([found[name] for name in ANGLE_NAMES])


def given_moments(
    lines: Sequence[PublishedLine], limb: Limb, *, spread: Literal["sd", "se"] = "sd"
) -> GivenMoments:
    """Take lines of one condition as the points of a lift, with the spread of persons or means.

    Parameters
    ----------
    lines : sequence of PublishedLine
    limb : Limb
        Limb to which they are applied; drawn angles stay within its limits (or at the mean, if
        outside).
    spread : {"sd", "se"}
        Standard deviation of persons, or that over √n, of the mean. One not given counts as zero.
    """
    scale = np.array([1.0 if spread == "sd" else 1.0 / math.sqrt(x.people) for x in lines])
    angles = np.array([x.angles for x in lines])
    limits = np.array([_limits(limb, x) for x in lines])
    return GivenMoments(
        angles=angles,
        angle_sd=scale[:, None] * np.nan_to_num([x.angle_sd for x in lines]),
        low=np.minimum(limits[..., 0], angles),
        high=np.maximum(limits[..., 1], angles),
        moments=np.array([x.moments for x in lines]),
        moment_sd=scale[:, None] * np.nan_to_num([x.moment_sd for x in lines]),
    )


def _within(limb: Limb, line: PublishedLine) -> bool:
    """Whether the mean posture of a line is within the limits of the limb."""
    low, high = _limits(limb, line).T
    return bool(((line.angles >= low - 1e-9) & (line.angles <= high + 1e-9)).all())


def _drawn(
    table: PublishedTable, limb: Limb, draws: int, seed: int, spread: str, correlation: float
) -> NDArray[np.float64]:
    """Moments and angles, shape (lines, 1 + 2 draws, 9): means, common and own random numbers."""
    from scipy.stats import norm, truncnorm

    rows, count = len(BALANCED), len(BALANCED) + len(ANGLE_NAMES)
    rng = np.random.default_rng(seed)
    wanted = np.full((rows, rows), correlation) + (1.0 - correlation) * np.eye(rows)
    size, turn = np.linalg.eigh(wanted)
    root = (turn * np.sqrt(np.maximum(size, 0.0))) @ turn.T
    common = rng.standard_normal((draws, count))
    out = np.empty((len(table.lines), 1 + 2 * draws, count))
    for index, line in enumerate(table.lines):
        noise = np.concatenate([common, rng.standard_normal((draws, count))])
        noise[:, :rows] = noise[:, :rows] @ root
        scale = 1.0 if spread == "sd" else 1.0 / math.sqrt(line.people)
        mean = np.concatenate([line.moments, line.angles])
        sd = scale * np.nan_to_num(np.concatenate([line.moment_sd, line.angle_sd]))
        out[index, 0] = mean
        out[index, 1:] = mean + sd * noise
        for k, (low, high) in enumerate(_limits(limb, line), start=rows):
            if sd[k] > 0.0:
                ends = (np.array([min(low, mean[k]), max(high, mean[k])]) - mean[k]) / sd[k]
                out[index, 1:, k] = mean[k] + sd[k] * truncnorm.ppf(norm.cdf(noise[:, k]), *ends)
    return out


def _solved(
    limb: Limb, values: NDArray[np.float64], rows: NDArray[np.intp], criterion: Criterion
) -> tuple[NDArray[np.bool_], Any]:
    """Share the drawn moments of the given rows; every answer is independent."""
    first = len(BALANCED)
    posture = posture_from_angles(*(values[..., first + k] for k in range(len(ANGLE_NAMES))))
    found = limb.paths(posture)
    state = limb.capacity(found.length)
    balance = Balance.of_moments(
        found.moment_arms[..., rows, :],
        state.active_capacity,
        values[..., rows],
        passive_force=state.passive_force,
        volume_weights=limb.volume_weights,
        area_weights=limb.area_weights,
        head_names=limb.head_names,
        row_names=tuple(BALANCED[k] for k in rows),
    )
    return found.inside, balance.share(criterion, chain=False)


def _quantiles(drawn: NDArray[np.float64]) -> NDArray[np.float64]:
    """2.5 %, 50 % and 97.5 % over the draws that have an answer, shape (3, heads)."""
    known = drawn[~np.isnan(drawn).any(axis=1)]
    if not known.size:
        return np.full((3, drawn.shape[1]), np.nan)
    return np.asarray(np.quantile(known, _INTERVAL, axis=0))


def _heads(
    lines: Sequence[PublishedLine],
    limb: Limb,
    activation: NDArray[np.float64],
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
        for name, value in (("activation", activation[k]), ("force_n", force[k])):
            low, median, high = _quantiles(value[1 : 1 + draws])
            columns |= {
                name: value[0],
                f"{name}_median": median,
                f"{name}_low": low,
                f"{name}_high": high,
            }
        parts.append(pd.DataFrame(columns | {"doubtful_path": inside[k, 0]}))
    return pd.concat(parts, ignore_index=True)


def _orderings(
    lines: Sequence[PublishedLine], limb: Limb, activation: NDArray[np.float64], draws: int
) -> pd.DataFrame:
    import pandas as pd

    from momentshare.uncertainty.summary import order_probability

    columns = [
        "point", "condition", "other", "head", "activation_difference", "probability",
        "probability_independent", "draws", "same_rows",
    ]  # fmt: skip
    rows = []
    for a, b in combinations(range(len(lines)), 2):
        if lines[a].point != lines[b].point:
            continue
        for h, head in enumerate(limb.head_names):
            first, second = activation[a, :, h], activation[b, :, h]
            common, _, counted = order_probability(first[1 : 1 + draws], second[1 : 1 + draws])
            own, _, _ = order_probability(first[1 + draws :], second[1 + draws :])
            given = (
                lines[a].point, lines[a].condition, lines[b].condition, head, first[0] - second[0],
                common, own, counted, lines[a].balanced == lines[b].balanced,
            )  # fmt: skip
            rows.append(dict(zip(columns, given, strict=True)))
    table = pd.DataFrame(rows, columns=columns)
    return with_limits(table, limb.model.limits, _kinds(lines), "activation")


def _kinds(lines: Sequence[PublishedLine]) -> dict[str, LiftKind]:
    """Take a condition for a press, or for an unknown exercise where the arm is raised high."""
    raised = {line.condition for line in lines if line.angles[1] > _RAISED}
    return {x.condition: LiftKind("" if x.condition in raised else "bar_press") for x in lines}


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
        "Moments and postures of other people are applied to the limb of "
        f"{limb.skeleton.person.name}, held still; their own size and strength do not enter."
    )
    for k, name in enumerate(BALANCED):
        absent = [x.place for x in lines if np.isnan(x.moments[k])]
        if absent:
            notes.append(
                f"{name} is blank in {_in(absent, count)} and is not balanced there: the heads may "
                "produce any moment about that axis."
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
    for k, name in enumerate(ANGLE_NAMES):
        spreads[f"{name}_sd_deg"] = [x.place for x in lines if np.isnan(x.angle_sd[k])]
    notes += [
        f"{name} is blank in {_in(absent, count)} and counts as zero, so intervals are too narrow."
        for name, absent in spreads.items()
        if absent and draws
    ]
    outside = [x.place for x in lines if not _within(limb, x)]
    if outside:
        notes.append(
            f"The posture lies outside the limits of the limb's model in {_in(outside, count)}."
        )
    short = shortfalls[shortfalls["status"] != "solved"]
    if not short.empty:
        places = [f"{r['condition']}, {r['point']}" for _, r in short.iterrows()]
        notes.append(
            f"At the means the limb does not meet the moments in {_in(places, count)}; heads there "
            "come as close as they can (see shortfalls)."
        )
    if draws:
        what = "persons" if spread == "sd" else "means over the people of the paper"
        related = "independent" if correlation == 0.0 else f"correlated by {correlation:g}"
        notes.append(
            f"{draws} draws represent {what}. Moments were drawn {related} and angles independent; "
            "how moments and angles really vary together between people is not published, so "
            "intervals and probabilities are rough."
        )
        notes.append(
            "Orders are given for conditions that move together and for conditions that do not; "
            "people measured in both most likely lie between."
        )
    return tuple(notes)


def _in(places: list[str], count: int) -> str:
    if len(places) == count:
        return "all lines" if count > 1 else "the line"
    shown = "; ".join(places[:6]) + ("; …" if len(places) > 6 else "")
    return f"{len(places)} of {count} lines ({shown})"

"""Readings of a study: tables per frame, per head, per condition and between conditions.

Every table is tidy (one row, one observation) and carries units in its column names.
``activation`` is active force over capacity here, 0 to 1; ``fibre_length`` is over the
peak fibre length; the lift mean is over frames, which are even in height for a
quasi-static lift and even in time for a timed one.
"""

from __future__ import annotations

from itertools import combinations, compress
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from momentshare.directions import ROWS, direction_of
from momentshare.hand import COUPLES
from momentshare.joint import glenoid_load
from momentshare.sharing import Status
from momentshare.units import GRAVITY

if TYPE_CHECKING:
    from momentshare.analysis import LiftResult
    from momentshare.paths import Paths
    from momentshare.runs import Band, Case, CaseSet
    from momentshare.study.run import StudyResult

__all__ = [
    "BAND_COLUMNS",
    "HEADS_COLUMNS",
    "HEAD_OUTCOMES",
    "certificate_table",
    "condition_table",
    "doubtful_heads",
    "frame_status",
    "frame_table",
    "glenoid_head_table",
    "glenoid_table",
    "head_table",
    "head_table_by_person",
    "load_table",
    "moment_table",
    "ordering_table",
    "over_people",
    "posture_table",
    "ratio_table",
]

HEAD_OUTCOMES = ("mean_activation", "peak_activation", "mean_force_n", "peak_force_n")
"""What every table of heads says of a lift, in this order."""

HEADS_COLUMNS = (
    "condition",
    "lateral",
    "head",
    "people",
    *(
        f"{name}_{end}"
        for name in (*HEAD_OUTCOMES, "min_fibre_length", "max_fibre_length")
        for end in ("mean", "sd")
    ),
)

BAND_COLUMNS = tuple(
    f"{value}_{kind}_{end}"
    for value in ("mean_activation", "mean_force_n")
    for kind in ("posture", "couples")
    for end in ("low", "high")
)
"""What a table of heads says besides where a study carries the band of its posture rule: the
range of a lift mean, or of the mean over people of it, over the edges and corners of the rule;
and the same over no and free couples of the hands."""

_DECISIVE_MOMENT = 1.0
"""Lift-mean moment [N·m] below which a share of it means nothing."""

_NEAR_JUMP = float(np.radians(5.0))
"""Angle before a path would change its side below which its arms are not to be trusted."""

_TIE = 1e-6
"""Difference of lift-mean activation below which two conditions are level."""


def _keys(case: Case, result: LiftResult) -> dict[str, str]:
    return {
        "person": case.person,
        "condition": case.condition,
        "lateral": result.lateral.mode,
    }


def _along(case: Case) -> dict[str, np.ndarray]:
    lift = case.prepared.lift
    return {
        "frame": np.arange(len(lift.fraction)),
        "height_fraction": lift.fraction,
        "bar_height_m": lift.height,
        "time_s": np.full(len(lift.fraction), np.nan) if lift.time is None else lift.time,
    }


def _stack(parts: list[pd.DataFrame]) -> pd.DataFrame:
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


def frame_table(study: CaseSet) -> pd.DataFrame:
    """List every head in every frame.

    Parameters
    ----------
    study : CaseSet
        Such as a :class:`~momentshare.StudyResult`.

    Returns
    -------
    DataFrame
        One row a person × condition × lateral mode × frame × head: height fraction (0 chest, 1
        lock-out), ``bar_height_m``, ``time_s`` (NaN when quasi-static), ``activation`` (0 to 1),
        ``force_n``, ``passive_force_n``, ``capacity_n`` (greatest active force here),
        ``strength_fraction``, ``fibre_length`` and ``fibre_velocity`` (normalised, lengthening
        positive), ``path_length_m``, ``on_surface``, and the moment arms ``arm_…_m``, positive in
        the direction that the column names. NaN out of reach.

    Examples
    --------
    >>> from momentshare import frame_table, run_study
    >>> from momentshare.demo import small_study
    >>> result = run_study(small_study(), band=False)
    >>> table = frame_table(result)
    >>> len(table) == 2 * 2 * 5 * len(result.model.head_names)
    True
    >>> bool(table["activation"].between(0.0, 1.0).all())
    True
    """
    parts = []
    names = np.array(study.model.head_names)
    for case, result in study.pairs():
        lift, state, found = case.prepared.lift, case.prepared.state, case.prepared.paths
        frames, heads = result.force.shape
        lost = ~lift.reachable[:, None]

        def flat(values: np.ndarray, lost: np.ndarray = lost) -> np.ndarray:
            return np.where(lost, np.nan, values).ravel()

        columns: dict[str, object] = {k: np.repeat(v, heads) for k, v in _along(case).items()}
        columns["head"] = np.tile(names, frames)
        columns |= {
            "activation": result.activation.ravel(),
            "force_n": result.force.ravel(),
            "passive_force_n": flat(state.passive_force),
            "capacity_n": flat(state.active_capacity),
            "strength_fraction": (
                result.force / case.prepared.limb.greatest_isometric_force
            ).ravel(),
            "fibre_length": flat(state.fibre_length_normalised),
            "fibre_velocity": flat(state.fibre_velocity_normalised),
            "path_length_m": flat(found.length),
            "on_surface": np.asarray(found.contact).ravel(),
        }
        columns |= {
            f"arm_{row}_m": flat(found.moment_arms[:, index]) for index, row in enumerate(ROWS)
        }
        parts.append(pd.DataFrame(_keys(case, result) | columns))
    table = _stack(parts)
    for key in ("person", "condition", "lateral", "head"):
        table[key] = table[key].astype("category")
    return table


def moment_table(study: CaseSet) -> pd.DataFrame:
    """List every moment row in every frame.

    Parameters
    ----------
    study : CaseSet
        Such as a :class:`~momentshare.StudyResult`.

    Returns
    -------
    DataFrame
        One row a person × condition × lateral mode × frame × moment row: ``moment_nm`` (net,
        positive in the direction that ``row`` names), ``balanced``, ``gravity_arm_m`` (of the
        load alone), ``unmet_nm``, ``multiplier_per_nm``, the force of one hand
        (``vertical_force_n``, ``lateral_force_n`` outward, ``lateral_ratio``), its couples
        ``couple_…_nm`` and the bounds they meet (``bound_met``).

    Examples
    --------
    >>> from momentshare import moment_table, run_study
    >>> from momentshare.demo import small_study
    >>> result = run_study(small_study(), band=False)
    >>> table = moment_table(result)
    >>> sorted(set(table["row"][table["balanced"]]))
    ['elbow_extension', 'shoulder_elevation', 'shoulder_horizontal_adduction',
     'shoulder_internal_rotation']
    """
    parts = []
    for case, result in study.pairs():
        need = case.prepared.demand
        frames = len(case.prepared.lift.reachable)
        unmet = np.full((frames, len(ROWS)), np.nan)
        price = np.full((frames, len(ROWS)), np.nan)
        at = [ROWS.index(name) for name in result.criterion.rows]
        unmet[:, at] = result.sharing.unmet
        price[:, at] = result.sharing.multipliers
        columns: dict[str, object] = {k: np.repeat(v, len(ROWS)) for k, v in _along(case).items()}
        columns["row"] = np.tile(np.array(ROWS), frames)
        columns |= {
            "balanced": np.tile([name in result.criterion.rows for name in ROWS], frames),
            "moment_nm": result.moments.ravel(),
            "gravity_arm_m": need.gravity_arms.ravel(),
            "unmet_nm": unmet.ravel(),
            "multiplier_per_nm": price.ravel(),
            "vertical_force_n": np.repeat(need.hand_force(), len(ROWS)),
            "lateral_force_n": np.repeat(result.lateral_force, len(ROWS)),
            "lateral_ratio": np.repeat(result.lateral_ratio, len(ROWS)),
            **{
                f"couple_{axis}_nm": np.repeat(result.hand_couple[:, k], len(ROWS))
                for k, axis in enumerate(COUPLES)
            },
            "bound_met": np.repeat(_bounds_met(result), len(ROWS)),
        }
        parts.append(pd.DataFrame(_keys(case, result) | columns))
    return _stack(parts)


def _bounds_met(result: LiftResult) -> np.ndarray:
    """Name in every frame what of the hand stands at a bound; empty where nothing does."""
    names = ("lateral force", *(f"{axis} couple" for axis in COUPLES))
    return np.array(
        ["; ".join(compress(names, met)) for met in result.hand_bound_met], dtype=object
    )


def certificate_table(study: CaseSet) -> pd.DataFrame:
    """One row a person × condition × lateral mode × frame: status and proof."""
    parts = []
    for case, result in study.pairs():
        lift, proof = case.prepared.lift, result.sharing.certificate
        columns: dict[str, object] = dict(_along(case))
        columns["status"] = frame_status(lift.reachable, result.sharing.status_text)
        for name in ("moment_residual", "bound_violation", "stationarity", "duality_gap"):
            columns[name + ("_nm" if name == "moment_residual" else "")] = getattr(proof, name)
        columns["hand_gap_m"] = lift.gap
        contact = np.linalg.norm(result.contact, axis=-1)
        columns["glenohumeral_contact_n"] = contact
        parts.append(pd.DataFrame(_keys(case, result) | columns))
    return _stack(parts)


def posture_table(study: CaseSet) -> pd.DataFrame:
    """One row a person × condition × frame: angles [deg] and positions [m]."""
    parts = []
    for case in study.cases:
        lift = case.prepared.lift
        columns: dict[str, object] = dict(_along(case))
        columns |= {f"{k}_deg": np.degrees(v) for k, v in lift.posture.angles().items()}
        for axis, letter in enumerate("xyz"):
            columns[f"hand_{letter}_m"] = lift.hand[:, axis]
            columns[f"elbow_{letter}_m"] = lift.elbow[:, axis]
        columns["reachable"] = lift.reachable
        keys = {"person": case.person, "condition": case.condition}
        parts.append(pd.DataFrame(keys | columns))
    return _stack(parts)


def head_table_by_person(study: CaseSet) -> pd.DataFrame:
    """One row a person × condition × lateral mode × head."""
    parts = []
    for case, result in study.pairs():
        lift, state, found = case.prepared.lift, case.prepared.state, case.prepared.paths
        good = lift.reachable
        force, activation = result.force[good], result.activation[good]
        fibre = state.fibre_length_normalised[good]
        columns: dict[str, object] = {
            "head": list(study.model.head_names),
            "mean_activation": activation.mean(axis=0),
            "peak_activation": activation.max(axis=0),
            "mean_force_n": force.mean(axis=0),
            "peak_force_n": force.max(axis=0),
            "min_fibre_length": fibre.min(axis=0),
            "max_fibre_length": fibre.max(axis=0),
            "fibre_excursion": np.ptp(fibre, axis=0),
            "greatest_path_length_m": found.length[good].max(axis=0),
        }
        if lift.time is not None:
            columns["impulse_ns"] = np.trapezoid(force, lift.time[good], axis=0)
        for row in result.criterion.rows:
            index = ROWS.index(row)
            part = np.mean(found.moment_arms[good][:, index] * force, axis=0)
            whole = float(np.mean(result.moments[good, index]))
            known = abs(whole) >= _DECISIVE_MOMENT
            columns[f"share_{row}"] = part / whole if known else np.full(len(part), np.nan)
        columns |= _band_of([_key(case, result)], study)
        parts.append(pd.DataFrame(_keys(case, result) | columns))
    return _stack(parts)


def head_table(study: CaseSet) -> pd.DataFrame:
    """Sum up each head over the lift and over people.

    Parameters
    ----------
    study : CaseSet
        Such as a :class:`~momentshare.StudyResult`.

    Returns
    -------
    DataFrame
        One row a condition × lateral mode × head. ``people`` counts; mean and standard deviation
        over people (``…_mean``, ``…_sd``) of ``mean_activation`` and ``peak_activation`` (0 to 1),
        ``mean_force_n`` and ``peak_force_n``, ``min_fibre_length`` and ``max_fibre_length`` (over
        the fibre length at which active force peaks). With a band of the posture rule also its
        ranges (``…_posture_low``, ``…_posture_high``, ``…_couples_…``).

    Examples
    --------
    >>> from momentshare import head_table, run_study
    >>> from momentshare.demo import small_study
    >>> result = run_study(small_study(), band=False)
    >>> table = head_table(result)
    >>> list(table.columns[:5])
    ['condition', 'lateral', 'head', 'people', 'mean_activation_mean']
    >>> len(table) == 2 * 2 * len(result.model.head_names)
    True
    """
    values = [*HEAD_OUTCOMES, "min_fibre_length", "max_fibre_length"]
    keys = ["condition", "lateral", "head"]
    table = over_people(head_table_by_person(study), keys, values)
    if getattr(study, "band", None) is None:
        return table
    people: dict[tuple[str, str], list[tuple[str, str, str]]] = {}
    for case, result in study.pairs():
        people.setdefault((case.condition, result.lateral.mode), []).append(_key(case, result))
    parts = [
        pd.DataFrame(
            {"condition": condition, "lateral": mode, "head": list(study.model.head_names)}
            | _band_of(same, study)
        )
        for (condition, mode), same in people.items()
    ]
    return table.merge(_stack(parts), how="left", on=keys)


def _key(case: Case, result: LiftResult) -> tuple[str, str, str]:
    return case.person, case.condition, result.lateral.mode


def _band_of(keys: list[tuple[str, str, str]], study: CaseSet) -> dict[str, np.ndarray]:
    """Columns of :data:`BAND_COLUMNS` for the mean over some people; none without a band."""
    band: Band | None = getattr(study, "band", None)
    if band is None:
        return {}
    out = {}
    for value, name in (("mean_activation", "activation"), ("mean_force_n", "force")):
        for kind, known in (("posture", band.posture), ("couples", band.couples)):
            low = high = np.full(len(study.model.head_names), np.nan)
            if all(key in known for key in keys):
                # A variation that someone cannot do would change who the mean is over.
                mean = np.mean([getattr(known[key], name) for key in keys], axis=0)
                low, high = np.nanmin(mean, axis=0), np.nanmax(mean, axis=0)
            out[f"{value}_{kind}_low"], out[f"{value}_{kind}_high"] = low, high
    return {name: out[name] for name in BAND_COLUMNS}


def over_people(table: pd.DataFrame, keys: list[str], values: list[str]) -> pd.DataFrame:
    """Mean and standard deviation over people, and how many there are.

    Parameters
    ----------
    table : DataFrame
        One row a person and combination of the keys.
    keys, values : list of str
        Columns.

    Returns
    -------
    DataFrame
        The keys, ``people``, and ``<value>_mean`` and ``<value>_sd`` of each value; the SD of
        one person is NaN.
    """
    grouped = table.groupby(keys, sort=False, observed=True)
    mean, spread = grouped[values].mean(), grouped[values].std()
    columns = {"people": grouped["person"].nunique()}
    for name in values:
        columns |= {f"{name}_mean": mean[name], f"{name}_sd": spread[name]}
    return pd.DataFrame(columns).reset_index()


def load_table(study: CaseSet) -> pd.DataFrame:
    """List the greatest load at every height.

    Parameters
    ----------
    study : CaseSet
        Such as a :class:`~momentshare.StudyResult`.

    Returns
    -------
    DataFrame
        One row a person × condition × lateral mode × frame: ``greatest_load_kg``, both hands.
        ``limiting_row`` is the moment whose price times demand is largest,
        ``limiting_direction`` where the load asks for it, ``limiting_share`` its part of the whole
        (the parts of all rows sum to one); ``limiting_heads`` give all they have.

    Examples
    --------
    >>> from momentshare import load_table, run_study
    >>> from momentshare.demo import small_study
    >>> result = run_study(small_study(), band=False)
    >>> table = load_table(result)
    >>> bool((table["greatest_load_kg"] > 0.0).all()), len(table)
    (True, 20)
    """
    parts = []
    for case, result in study.pairs():
        if result.greatest is None:
            continue
        greatest = result.greatest.factor
        rows, directions = (np.full(len(greatest), "", dtype=object) for _ in range(2))
        shares = np.full(len(greatest), np.nan)
        heads = np.full(len(greatest), "", dtype=object)
        asked, part = _limits(result)
        names = np.array(study.model.head_names)
        for frame in np.flatnonzero(np.isfinite(greatest)):
            top = int(np.argmax(part[frame]))
            rows[frame] = result.criterion.rows[top]
            directions[frame] = direction_of(rows[frame], asked[frame, top]).name
            shares[frame] = part[frame, top]
            heads[frame] = " ".join(names[result.greatest.limiting[frame]])
        columns: dict[str, object] = dict(_along(case))
        columns |= {
            "load_kg": 2.0 * case.prepared.lift.load_mass,
            "greatest_load_kg": greatest,
            "limiting_row": rows,
            "limiting_direction": directions,
            "limiting_share": shares,
            "limiting_heads": heads,
            "status": frame_status(case.prepared.lift.reachable, result.greatest.status_text),
        }
        parts.append(pd.DataFrame(_keys(case, result) | columns))
    return _stack(parts)


def _limits(result: LiftResult) -> tuple[np.ndarray, np.ndarray]:
    """Moments of one more kilogram, and price × moment of each row as parts of their sum."""
    assert result.greatest is not None  # noqa: S101 - the caller has looked
    balance = result.prepared.balance(result.criterion)
    ratio = result.lateral.ratios(len(balance.posed), balance.fraction)
    asked = balance.moments_of_a_kilogram(ratio)
    part = result.greatest.multipliers * asked
    total = part.sum(axis=1, keepdims=True)
    return asked, np.asarray(part / np.where(total == 0.0, 1.0, total))


def frame_status(reachable: np.ndarray, status: np.ndarray) -> np.ndarray:
    """Status of every frame in words; ``out of reach`` where there is no posture."""
    return np.where(reachable, status.astype(object), "out of reach")


def doubtful_heads(found: Paths, good: np.ndarray) -> tuple[str, ...]:
    """Heads whose path lies in a surface, or near a change of side, in some frame."""
    doubt = found.inside[good].any(axis=0) | (found.margin[good].min(axis=0) < _NEAR_JUMP)
    return tuple(name for name, bad in zip(found.head_names, doubt, strict=True) if bad)


def condition_table(study: CaseSet) -> pd.DataFrame:
    """Sum up each lift: what it asks and where it ends.

    Parameters
    ----------
    study : CaseSet
        Such as a :class:`~momentshare.StudyResult`.

    Returns
    -------
    DataFrame
        One row a person × condition × lateral mode: ``load_kg``, frames that are out of reach,
        short or uncertified, the worst unmet moment, lateral ratios, net moments by row
        (``peak_…_nm`` is the one of largest size, with its sign), ``greatest_load_kg`` at the
        weakest height, ``weak_height_fraction``, ``peak_contact_n`` of the glenoid, and the
        limits breached.

    Examples
    --------
    >>> from momentshare import condition_table, run_study
    >>> from momentshare.demo import small_study
    >>> result = run_study(small_study(), band=False)
    >>> table = condition_table(result)
    >>> list(table["condition"]), int(table["frames_out_of_reach"].sum())
    (['narrow', 'narrow', 'wide', 'wide'], 0)
    """
    rows = []
    for case, result in study.pairs():
        lift, found = case.prepared.lift, case.prepared.paths
        good = lift.reachable
        unmet = np.nan_to_num(np.abs(result.sharing.unmet))
        short = result.sharing.status == Status.SHORTFALL
        entry: dict[str, object] = _keys(case, result) | {
            "load_kg": 2.0 * lift.load_mass,
            "frames": len(good),
            "frames_out_of_reach": int(np.count_nonzero(~good)),
            "frames_with_shortfall": int(np.count_nonzero(short)),
            "frames_uncertified": int(
                np.count_nonzero(result.sharing.status == Status.UNCERTIFIED)
            ),
        }
        worst_row, worst = "", 0.0
        if short.any():
            frame, row = np.unravel_index(int(np.argmax(unmet)), unmet.shape)
            name = result.criterion.rows[row]
            worst = float(unmet[frame, row])
            worst_row = direction_of(name, float(result.sharing.unmet[frame, row])).words
        entry |= {"worst_unmet_direction": worst_row, "worst_unmet_nm": worst}
        ratio = result.lateral_ratio[good]
        entry |= {
            "mean_lateral_ratio": float(ratio.mean()),
            "least_lateral_ratio": float(ratio.min()),
            "greatest_lateral_ratio": float(ratio.max()),
            "frames_at_lateral_bound": int(np.count_nonzero(result.hand_bound_met[good, 0])),
            "frames_at_couple_bound": int(
                np.count_nonzero(result.hand_bound_met[good, 1:].any(axis=1))
            ),
        }
        for index, row_name in enumerate(ROWS):
            moment = result.moments[good, index]
            entry[f"peak_{row_name}_nm"] = float(moment[np.argmax(np.abs(moment))])
            entry[f"mean_{row_name}_nm"] = float(moment.mean())
            entry[f"greatest_{row_name}_nm"] = float(moment.max())
            entry[f"least_{row_name}_nm"] = float(moment.min())
        if result.greatest is not None:
            factor = result.greatest.factor[good]
            lost = np.isnan(factor)
            entry["frames_without_load"] = int(np.count_nonzero(lost))
            # Where the limb cannot hold itself, no load can be taken through the whole lift.
            weak = int(np.argmax(lost)) if lost.any() else int(np.argmin(factor))
            entry |= {
                "greatest_load_kg": float(factor[weak]),
                "weak_height_fraction": float(lift.fraction[good][weak]),
            }
        entry |= _condition_band(case, result, study)
        contact = np.linalg.norm(result.contact[good], axis=-1)
        entry["peak_contact_n"] = float(contact.max())
        entry["heads_with_doubtful_path"] = " ".join(doubtful_heads(found, good))
        entry["limits"] = "; ".join([*(b.text() for b in lift.breaches), *lift.notes])
        rows.append(entry)
    return pd.DataFrame(rows)


def _condition_band(case: Case, result: LiftResult, study: CaseSet) -> dict[str, object]:
    """Tell what the posture rule changes in greatest load and ratio; nothing without a band."""
    band: Band | None = getattr(study, "band", None)
    if band is None:
        return {}
    found = band.posture.get(_key(case, result))
    entry: dict[str, object] = {"postures_varied": 0}
    values = {"mean_lateral_ratio": "ratio"}
    if result.greatest is not None:
        values["greatest_load_kg"] = "load"
    for value, name in values.items():
        rows = np.full(1, np.nan) if found is None else getattr(found, name)
        known = rows[np.isfinite(rows)]
        entry[f"{value}_posture_low"] = float(known.min()) if known.size else np.nan
        entry[f"{value}_posture_high"] = float(known.max()) if known.size else np.nan
    if found is not None:
        entry["postures_varied"] = int(np.isfinite(found.activation[1:, 0]).sum())
    return entry


def _comparable(table: pd.DataFrame) -> list[tuple[str, pd.DataFrame]]:
    """Split by lateral mode; conditions without a lateral force join every mode."""
    always = [
        name
        for name, part in table.groupby("condition", sort=False, observed=True)
        if set(part["lateral"]) == {"zero"}
    ]
    modes = list(dict.fromkeys(table["lateral"]))
    several = [
        m for m in modes if not set(table.loc[table["lateral"] == m, "condition"]) <= set(always)
    ]
    out = []
    for mode in several or modes:
        keep = (table["lateral"] == mode) | table["condition"].isin(always)
        out.append((mode, table[keep]))
    return out


def glenoid_table(study: CaseSet) -> pd.DataFrame:
    """List the load of the glenoid in every frame.

    Parameters
    ----------
    study : CaseSet
        Such as a :class:`~momentshare.StudyResult`.

    Returns
    -------
    DataFrame
        One row a person × condition × lateral mode × frame. ``within_limits`` tells whether the
        answer was kept within the stability limits. ``contact_n`` is the size of the contact force,
        ``compression_n``, ``anterior_shear_n`` and ``superior_shear_n`` its components,
        ``shear_ratio`` shear over compression, ``stability_ratio`` its limit in that direction,
        and ``share_of_limit`` the one over the other: 0 centred, 1 at the limit, more beyond it.
        ``inside_limit_by_deg`` is the angle that the force may still turn before it reaches the
        limit there, negative beyond it; ``shear_direction`` says where the shear pushes the
        humeral head on the glenoid.

    Examples
    --------
    >>> from momentshare import glenoid_table, run_study
    >>> from momentshare.demo import small_study
    >>> result = run_study(small_study(), band=False)
    >>> table = glenoid_table(result)
    >>> bool((table["contact_n"] > 0.0).all())
    True
    >>> wanted = table["shear_ratio"] / table["stability_ratio"]
    >>> bool((table["share_of_limit"] - wanted).abs().max() < 1e-9)
    True
    >>> bool(((table["share_of_limit"] < 1.0) == (table["inside_limit_by_deg"] > 0.0)).all())
    True
    """
    parts = []
    for case in study.cases:
        for within, results in _glenoid_answers(case):
            for result in results:
                load = glenoid_load(
                    case.prepared.limb.skeleton, result.contact, case.prepared.lift.posture
                )
                weight = case.prepared.limb.skeleton.person.body_mass * GRAVITY
                columns: dict[str, object] = dict(_along(case))
                columns |= {
                    "within_limits": within,
                    "contact_n": np.linalg.norm(result.contact, axis=-1),
                    "contact_body_weights": np.linalg.norm(result.contact, axis=-1) / weight,
                    "compression_n": load.compression,
                    "anterior_shear_n": load.anterior,
                    "superior_shear_n": load.superior,
                    "shear_ratio": load.ratio,
                    "stability_ratio": load.limit,
                    "share_of_limit": load.share_of_limit,
                    "inside_limit_by_deg": np.degrees(load.inside_limit_by),
                    "shear_direction": load.direction,
                }
                parts.append(pd.DataFrame(_keys(case, result) | columns))
    return _stack(parts)


def _glenoid_answers(case: Case) -> list[tuple[bool, tuple[LiftResult, ...]]]:
    """Answers of a case without the limits of the glenoid (False) and within them (True)."""
    kept = any(result.sharing.inequality_multipliers.shape[-1] for result in case.results)
    found = [(False, case.without_limit if kept else case.results)]
    return [*found, (True, case.results if kept else ())]


def glenoid_head_table(study: CaseSet) -> pd.DataFrame:
    """One row a condition × lateral mode × head: activation without and within the limits."""
    rows = []
    for case in study.cases:
        (_, without), (_, within) = _glenoid_answers(case)
        for free, kept in zip(without, within, strict=False):
            good = case.prepared.lift.reachable
            for index, head in enumerate(study.model.head_names):
                a, b = (float(r.activation[good, index].mean()) for r in (free, kept))
                rows.append(
                    {
                        "condition": case.condition,
                        "lateral": free.lateral.mode,
                        "head": head,
                        "mean_activation": a,
                        "mean_activation_within_limits": b,
                        "difference": b - a,
                    }
                )
    table = pd.DataFrame(rows)
    return table.groupby(["condition", "lateral", "head"], sort=False).mean().reset_index()


def ratio_table(study: StudyResult) -> pd.DataFrame:
    """Each condition over the first one, per lateral mode and head, the mean over people."""
    table = head_table_by_person(study)
    first = study.study.file.condition[0].name
    rows = []
    for mode, part in _comparable(table):
        activation = part.pivot_table(
            index=["head", "person"],
            columns="condition",
            values="mean_activation",
            observed=True,
            sort=False,
        )
        force = part.pivot_table(
            index=["head", "person"],
            columns="condition",
            values="mean_force_n",
            observed=True,
            sort=False,
        )
        if first not in activation:
            continue
        for condition in activation.columns:
            for head in study.model.head_names:
                e, f = activation.loc[head], force.loc[head]
                rows.append(
                    {
                        "lateral": mode,
                        "head": head,
                        "condition": condition,
                        "other": first,
                        "activation_ratio": _mean_ratio(e[condition], e[first]),
                        "force_ratio": _mean_ratio(f[condition], f[first]),
                    }
                )
    return pd.DataFrame(rows)


def _mean_ratio(top: pd.Series, bottom: pd.Series) -> float:
    """Mean over people of top ÷ bottom; NaN where the head hardly works in the reference."""
    known = (bottom > 1e-3) & top.notna()
    return float((top[known] / bottom[known]).mean()) if known.any() else float("nan")


def ordering_table(study: CaseSet) -> pd.DataFrame:
    """Each pair of conditions, per lateral mode and head: which is higher, and for how many.

    ``people_agreeing`` counts the people in whom the lift-mean activation stands in the
    order of the mean over people. Where the study carries the band of its posture rule,
    ``turns_with_posture`` says whether the order of the means turns when both conditions are
    moved alike to some edge or corner of it. One row a pair; ``condition`` is the one with the
    larger mean, so that ``difference``, condition minus other, is never negative.
    """
    table = head_table_by_person(study)
    rows = []
    for mode, part in _comparable(table):
        wide = part.pivot_table(
            index=["head", "person"],
            columns="condition",
            values="mean_activation",
            observed=True,
            sort=False,
        )
        names = list(wide.columns)
        blocks = {
            str(head): part.to_numpy()
            for head, part in wide.groupby(wide.index.get_level_values("head"), sort=False)
        }
        for head in study.model.head_names:
            for i, j in combinations(range(len(names)), 2):
                difference = blocks[head][:, j] - blocks[head][:, i]
                difference = difference[~np.isnan(difference)]
                if difference.size == 0:
                    continue
                mean = float(difference.mean())
                lower, higher = (names[k] for k in ((i, j) if mean >= 0.0 else (j, i)))
                agreeing = np.count_nonzero(difference * np.sign(mean) > _TIE)
                rows.append(
                    {
                        "lateral": mode,
                        "head": head,
                        "condition": higher,
                        "other": lower,
                        "difference": abs(mean),
                        "people_agreeing": int(agreeing),
                        "people": difference.size,
                    }
                )
    return _with_turns(pd.DataFrame(rows), study)


def _with_turns(table: pd.DataFrame, study: CaseSet) -> pd.DataFrame:
    """Say of every order whether it turns within the band of the posture rule."""
    band: Band | None = getattr(study, "band", None)
    if band is None or table.empty:
        return table
    means: dict[tuple[str, str], np.ndarray] = {}
    people: dict[tuple[str, str], list[np.ndarray]] = {}
    for (_, condition, mode), varied in band.posture.items():
        people.setdefault((condition, mode), []).append(varied.activation)
    for key, found in people.items():
        means[key] = np.mean(found, axis=0)
    heads = {name: k for k, name in enumerate(study.model.head_names)}

    def turns(row: pd.Series) -> Any:
        pair = [
            means.get((row[name], row["lateral"]), means.get((row[name], "zero")))
            for name in ("condition", "other")
        ]
        if pair[0] is None or pair[1] is None or pair[0].shape != pair[1].shape:
            return pd.NA
        difference = (pair[0] - pair[1])[:, heads[str(row["head"])]]
        return bool(np.any(difference < -_TIE))

    return table.assign(turns_with_posture=[turns(row) for _, row in table.iterrows()])

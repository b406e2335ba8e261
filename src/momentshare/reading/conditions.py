"""Summary of each lift: its demands and its limits."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from momentshare.directions import ROWS, moment_direction
from momentshare.reading.columns import (
    case_key,
    case_keys,
)
from momentshare.reading.once import made_once
from momentshare.sharing import Status

if TYPE_CHECKING:
    from momentshare.analysis import LiftResult
    from momentshare.paths import Paths
    from momentshare.runs import Band, Case, CaseSet


__all__ = ["condition_table", "doubtful_heads"]

_NEAR_JUMP = float(np.radians(5.0))
"""Angle left before a path changes side below which its arms cannot be trusted."""


def doubtful_heads(found: Paths, good: np.ndarray) -> tuple[str, ...]:
    """Heads whose path enters a surface, or is near a change of side, in some frame."""
    doubt = found.inside[good].any(axis=0) | (found.margin[good].min(axis=0) < _NEAR_JUMP)
    return tuple(name for name, bad in zip(found.head_names, doubt, strict=True) if bad)


@made_once
def condition_table(study: CaseSet) -> pd.DataFrame:
    """Summarise each lift: its demands and its limits.

    Parameters
    ----------
    study : CaseSet
        Such as a :class:`~momentshare.StudyResult`.

    Returns
    -------
    DataFrame
        One row per person × condition × lateral mode: ``load_kg``, frames that are out of reach,
        short, uncertified or infeasible, the worst unmet moment, lateral ratios, net moments by row
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
        entry: dict[str, object] = case_keys(case, result) | {
            "load_kg": 2.0 * lift.load_mass,
            "frames": len(good),
            "frames_out_of_reach": int(np.count_nonzero(~good)),
            "frames_with_shortfall": int(np.count_nonzero(short)),
            **{
                f"frames_{status.name.lower()}": int(
                    np.count_nonzero(result.sharing.status == status)
                )
                for status in (Status.UNCERTIFIED, Status.INFEASIBLE)
            },
        }
        worst_row, worst = "", 0.0
        if short.any():
            frame, row = np.unravel_index(int(np.argmax(unmet)), unmet.shape)
            name = result.criterion.rows[row]
            worst = float(unmet[frame, row])
            worst_row = moment_direction(name, float(result.sharing.unmet[frame, row])).words
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
            # Where the limb cannot hold its own weight, no load can be moved through the whole
            # lift.
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
    """Return what the posture rule changes in greatest load and ratio; empty without a band."""
    band: Band | None = getattr(study, "band", None)
    if band is None:
        return {}
    found = band.posture.get(case_key(case, result))
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

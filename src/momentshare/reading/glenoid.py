"""The load of the glenoid, and the answers without and within its limits."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from momentshare.analysis.girdle_forces import girdle_load, girdle_pull
from momentshare.limb.joint import glenoid_load
from momentshare.reading.columns import (
    case_keys,
    frame_status,
    height_columns,
    stacked,
)
from momentshare.reading.once import made_once
from momentshare.units import GRAVITY

if TYPE_CHECKING:
    from momentshare.analysis import LiftResult
    from momentshare.runs import Case, CaseSet


__all__ = ["GIRDLE_FORCE", "GIRDLE_MOMENT", "glenoid_head_table", "glenoid_table"]

GIRDLE_FORCE = tuple(f"girdle_force_{way}_n" for way in ("forward", "up", "outward"))
"""Columns of the force that the girdle transmits to the trunk; x, y and z of the thorax."""

GIRDLE_MOMENT = tuple(f"girdle_moment_{way}_nm" for way in ("lowering", "protracting", "backward"))
"""Columns of its moment about the sternoclavicular joint; x, y and z of the thorax."""


@made_once
def glenoid_table(study: CaseSet) -> pd.DataFrame:
    """List the load of the glenoid in every frame.

    Parameters
    ----------
    study : CaseSet
        Such as a :class:`~momentshare.StudyResult`.

    Returns
    -------
    DataFrame
        One row per person × condition × lateral mode × frame. ``within_limits`` says whether the
        answer was kept within the stability limits, ``status`` what became of it. ``contact_n`` is
        the size of the contact force, ``compression_n``, ``anterior_shear_n`` and
        ``superior_shear_n`` its components, ``shear_ratio`` shear over compression,
        ``stability_ratio`` its limit in that direction, and ``share_of_limit`` the first over the
        second: 0 centred, 1 at the limit, more beyond it.
        ``inside_limit_by_deg`` is the angle that the force may still turn before it reaches the
        limit there, negative beyond it; ``shear_direction`` says where the shear pushes the humeral
        head on the glenoid. ``girdle_force_…_n`` is the force that clavicle and scapula transmit to
        the trunk (:mod:`momentshare.analysis.girdle_forces`), ``girdle_moment_…_nm`` its moment
        about the sternoclavicular joint: positive values lower the clavicle, protract it and rotate
        it backward.

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
        pull = girdle_pull(case.prepared)
        for within, results in _glenoid_answers(case):
            for result in results:
                handed = girdle_load(result, pull)
                load = glenoid_load(
                    case.prepared.limb.skeleton, result.contact, case.prepared.lift.posture
                )
                weight = case.prepared.limb.skeleton.person.body_mass * GRAVITY
                columns = height_columns(case)
                columns |= {
                    "within_limits": within,
                    "status": frame_status(
                        case.prepared.lift.reachable, result.sharing.status_text
                    ),
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
                    **dict(zip(GIRDLE_FORCE, handed.force.T, strict=True)),
                    **dict(zip(GIRDLE_MOMENT, handed.moment.T, strict=True)),
                }
                parts.append(case_keys(case, result) | columns)
    return stacked(parts)


def _glenoid_answers(case: Case) -> list[tuple[bool, tuple[LiftResult, ...]]]:
    """Answers of a case without the limits of the glenoid (False) and within them (True)."""
    kept = any(result.sharing.inequality_multipliers.shape[-1] for result in case.results)
    found = [(False, case.without_limit if kept else case.results)]
    return [*found, (True, case.results if kept else ())]


@made_once
def glenoid_head_table(study: CaseSet) -> pd.DataFrame:
    """One row per condition × lateral mode × head: activation without and within the limits."""
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

"""Tables of every frame: heads, moments, certificates, postures."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.analysis.tables import head_columns, row_columns
from momentshare.reading.columns import (
    frame_status,
    height_columns,
    result_table,
    stacked,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

    import pandas as pd

    from momentshare.analysis import LiftResult
    from momentshare.runs import Case, CaseSet


__all__ = ["certificate_table", "frame_blocks", "frame_table", "moment_table", "posture_table"]

FRAME_LABELS = ("person", "condition", "lateral", "head")
"""Columns that tell the rows of a frame apart, besides the frame."""


def frame_table(study: CaseSet) -> pd.DataFrame:
    """List every head in every frame.

    Parameters
    ----------
    study : CaseSet
        Such as a :class:`~momentshare.StudyResult`.

    Returns
    -------
    DataFrame
        One row per person × condition × lateral mode × frame × head: height fraction (0 chest, 1
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
    table = result_table(study, lambda _, result: head_columns(result))
    for key in FRAME_LABELS:
        table[key] = table[key].astype("category")
    return table


def frame_blocks(study: CaseSet) -> Iterator[pd.DataFrame]:
    """Give the rows of :func:`frame_table` in parts; labels know those of every case.

    A case that is a part by itself comes result by result.
    """
    keys = [(case.person, case.condition, result.lateral.mode) for case, result in study.pairs()]
    labels = dict(
        zip(
            FRAME_LABELS,
            [*(sorted(set(k)) for k in zip(*keys, strict=True)), sorted(study.model.head_names)],
            strict=True,
        )
    )
    for part in study.parts():
        for few in _single_results(part) if len(part.cases) == 1 else [part]:
            table = frame_table(few)
            for key, known in labels.items():
                table[key] = table[key].cat.set_categories(known)
            yield table


def _single_results(study: CaseSet) -> Iterator[CaseSet]:
    """Every result as a set of its own."""
    for case, result in study.pairs():
        yield replace(study, cases=(replace(case, results=(result,)),))


def moment_table(study: CaseSet) -> pd.DataFrame:
    """List every moment row in every frame.

    Parameters
    ----------
    study : CaseSet
        Such as a :class:`~momentshare.StudyResult`.

    Returns
    -------
    DataFrame
        One row per person × condition × lateral mode × frame × moment row: ``moment_nm`` (net,
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
    return result_table(study, lambda _, result: row_columns(result))


def certificate_table(study: CaseSet) -> pd.DataFrame:
    """One row per person × condition × lateral mode × frame: status and proof."""

    def columns(case: Case, result: LiftResult) -> dict[str, Any]:
        lift, proof = case.prepared.lift, result.sharing.certificate
        return {
            **height_columns(case),
            "status": frame_status(lift.reachable, result.sharing.status_text),
            "moment_residual_nm": proof.moment_residual,
            "bound_violation": proof.bound_violation,
            "stationarity": proof.stationarity,
            "duality_gap": proof.duality_gap,
            "hand_gap_m": lift.gap,
            "glenohumeral_contact_n": np.linalg.norm(result.contact, axis=-1),
        }

    return result_table(study, columns)


def posture_table(study: CaseSet) -> pd.DataFrame:
    """One row per person × condition × frame: angles [deg] and positions [m]."""
    parts = []
    for case in study.cases:
        lift = case.prepared.lift
        columns = height_columns(case)
        columns |= {f"{k}_deg": np.degrees(v) for k, v in lift.posture.angles().items()}
        for axis, letter in enumerate("xyz"):
            columns[f"hand_{letter}_m"] = lift.hand[:, axis]
            columns[f"elbow_{letter}_m"] = lift.elbow[:, axis]
        columns["reachable"] = lift.reachable
        keys = {"person": case.person, "condition": case.condition}
        parts.append(keys | columns)
    return stacked(parts)

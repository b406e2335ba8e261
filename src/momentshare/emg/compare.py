"""Measured electromyograms beside predicted activation, one muscle at a time.

Every number here belongs to one head: how the head's electromyogram changes between conditions
compared with its predicted activation, and how similar the two curves are along the lift. No
function takes two heads, because amplitudes of two muscles cannot be compared.

People are the units of every interval. Lift means are over samples, which are even in the lift.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from momentshare.emg.intervals import student, wilson, window_mean
from momentshare.emg.tidy import Curve, Curves, read_curves

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd
    from numpy.typing import NDArray

__all__ = ["CAVEATS", "EmgComparison", "compare_emg"]

CAVEATS = (
    (
        "EMG amplitude ranks neither muscles by force nor growth; the tables compare a muscle "
        "with itself between conditions, never two muscles."
    ),
    (
        "Normalised amplitude depends on the reference contraction: one that was not maximal, or "
        "in another posture, changes every value of that muscle and person."
    ),
    (
        "Surface electrodes also pick up neighbouring muscles (cross-talk), and skin moves over "
        "the muscle during the lift."
    ),
    (
        "Static optimisation predicts little co-contraction, so antagonists are expected to be "
        "measured above what is predicted."
    ),
    (
        "Correlation over a lift rises with any trend that the two curves share, such as more "
        "effort near the chest; its samples are not independent, so intervals are over people."
    ),
    (
        "A root mean square error contains the difference of two scales: the relation of EMG "
        "amplitude to activation need not be a straight line with slope 1."
    ),
)
"""What a comparison with electromyograms can and cannot show."""

LEVEL = 0.01
"""Difference of lift means (of 1) up to which two conditions count as level; assumed."""

LEAST_SAMPLES = 3
"""Number of samples below which no correlation is computed; two always give 1 or -1."""

_CONSTANT = 1e-9
"""Standard deviation up to which a curve counts as constant: rounding."""

_ALIKE = 1.0 - 1e-12
"""Largest size of a correlation that is transformed; at 1 Fisher's z is infinite."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EmgComparison:
    """Tables of a comparison; every row belongs to one head.

    Attributes
    ----------
    ordering : DataFrame
        Head × pair of conditions. ``emg_difference`` and ``activation_difference`` are means
        over people of lift mean in ``condition`` less that in ``other``, with Student's
        interval of the paired differences (``emg_difference_low`` and ``_high``,
        ``activation_difference_low`` and ``_high``), none for one person. ``verdict``:
        ``"level"`` where either mean is within :data:`LEVEL`, which says that it is small, not that
        this is certain; ``"open"`` where either interval includes zero, so that its sign is
        uncertain; otherwise ``"agree"`` or ``"disagree"`` by the signs. For one person the signs
        alone decide, and the note says so; ``"missing"`` where nobody has both. ``agree``,
        ``disagree`` and ``level`` count people, each by own signs; ``share_agree`` is over all
        people with both conditions, so that level ones do not count for the model, with its Wilson
        interval.
    agreement : DataFrame
        Head × condition. ``r``: Pearson correlation along the lift, mean over people of Fisher's
        z turned back; ``rmse``, ``difference`` (activation less EMG): means over people. Each
        has Student's interval over people: of ``r`` on Fisher's z, of ``rmse`` as it is, cut at
        zero. A logarithm would suit its skew, but gives another mean and has no value where
        the curves are the same; in draws of six people the interval at 95 % held the mean of
        ``rmse`` in 90 to 95 %, least where people differ most in their systematic difference.
    by_person : DataFrame
        Head × condition × person: the numbers behind ``agreement``.
    """

    ordering: pd.DataFrame
    agreement: pd.DataFrame
    by_person: pd.DataFrame


def compare_emg(table: pd.DataFrame, *, confidence: float = 0.95) -> EmgComparison:
    """Compare electromyograms with predicted activation within each head.

    Parameters
    ----------
    table : DataFrame
        Columns ``person``, ``condition``, ``head``, ``lift_percent``, ``emg`` (share of the
        maximal contraction) and ``activation``; one row per sample, repetitions averaged, one
        treatment of the lateral force. All curves on one even grid of ``lift_percent``; a
        missing EMG or activation is NaN or has no row.
    confidence : float
        Of every interval.

    Returns
    -------
    EmgComparison
    """
    import pandas as pd

    found = read_curves(table)
    persons = [_person_row(curve) for curve in found.curves]
    by_person = pd.DataFrame(persons)
    ordering = [
        _ordering_row(found, head, pair, confidence)
        for head in found.heads
        for pair in combinations(found.conditions, 2)
    ]
    agreement = [
        _agreement_row(found, head, condition, persons, confidence)
        for head in found.heads
        for condition in found.conditions
    ]
    return EmgComparison(
        ordering=pd.DataFrame(ordering, columns=list(ORDERING_COLUMNS)),
        agreement=pd.DataFrame(agreement),
        by_person=by_person,
    )


ORDERING_COLUMNS = (
    "head",
    "condition",
    "other",
    "people",
    "emg_difference",
    "emg_difference_low",
    "emg_difference_high",
    "activation_difference",
    "activation_difference_low",
    "activation_difference_high",
    "verdict",
    "agree",
    "disagree",
    "level",
    "share_agree",
    "share_agree_low",
    "share_agree_high",
    "note",
)


def _person_row(curve: Curve) -> dict[str, object]:
    """Similarity of the two curves of one person."""
    emg, activation = curve.emg[curve.known], curve.activation[curve.known]
    r, note = np.nan, ""
    if emg.size < LEAST_SAMPLES:
        note = f"correlation needs {LEAST_SAMPLES} samples; got {emg.size}"
    elif emg.std() <= _CONSTANT:
        note = "EMG is constant, so there is no correlation"
    elif activation.std() <= _CONSTANT:
        note = "activation is constant, so there is no correlation"
    else:
        r = float(np.corrcoef(emg, activation)[0, 1])
    return {
        "head": curve.head,
        "condition": curve.condition,
        "person": curve.person,
        "samples": emg.size,
        "r": r,
        "rmse": float(np.sqrt(np.mean((activation - emg) ** 2))),
        "difference": float(np.mean(activation - emg)),
        "emg_mean": float(emg.mean()),
        "activation_mean": float(activation.mean()),
        "note": note,
    }


def _agreement_row(
    found: Curves,
    head: str,
    condition: str,
    persons: Sequence[dict[str, object]],
    confidence: float,
) -> dict[str, object]:
    chosen = [
        row
        for curve, row in zip(found.curves, persons, strict=True)
        if (curve.head, curve.condition) == (head, condition)
    ]

    def column(name: str) -> NDArray[np.float64]:
        return np.array([row[name] for row in chosen], dtype=float)

    r = column("r")
    z = np.arctanh(np.clip(r[~np.isnan(r)], -_ALIKE, _ALIKE))
    row: dict[str, object] = {"head": head, "condition": condition, "people": len(chosen)}
    row["people_with_r"] = z.size
    means = {"r": z, "rmse": column("rmse"), "difference": column("difference")}
    for name, values in means.items():
        mean, low, high = student(values, confidence)
        if name == "r":
            mean, low, high = np.tanh([mean, low, high])
        elif name == "rmse":
            low = max(low, 0.0)
        row |= {name: mean, f"{name}_low": low, f"{name}_high": high}
    row["emg_mean"] = window_mean(column("emg_mean"))
    row["activation_mean"] = window_mean(column("activation_mean"))
    row["note"] = _people_note(len(chosen), len(chosen) - z.size)
    return row


def _people_note(people: int, without_r: int) -> str:
    notes = []
    if people == 0:
        return "nobody was measured"
    if people == 1:
        notes.append("one person, so no interval")
    if without_r:
        notes.append(f"no correlation in {without_r} of {people} (see by_person)")
    return "; ".join(notes)


def _ordering_row(
    found: Curves, head: str, pair: tuple[str, str], confidence: float
) -> dict[str, object]:
    """Whether two conditions rank the same by EMG and by prediction, within one head."""
    first, second = pair
    there = {curve.person: curve for curve in found.of(head, second)}
    emg, activation = [], []
    lacking = 0
    for here in found.of(head, first):
        if here.person not in there:
            continue
        other = there[here.person]
        # Both conditions over the same part of the lift.
        both = here.known & other.known
        if not both.any():
            lacking += 1
            continue
        emg.append(here.emg[both].mean() - other.emg[both].mean())
        activation.append(here.activation[both].mean() - other.activation[both].mean())
    by_emg, by_model = np.array(emg), np.array(activation)
    people = by_emg.size
    verdicts = [_verdict(e, a) for e, a in zip(by_emg, by_model, strict=True)]
    counts = {name: verdicts.count(name) for name in ("agree", "disagree", "level")}
    share, low, high = wilson(counts["agree"], people, confidence)
    notes = []
    if people == 0:
        notes.append("nobody was measured in both conditions")
    elif people == 1:
        notes.append("one person, so no interval; the verdict is by signs alone")
    if lacking:
        notes.append(f"{lacking} people share no part of the lift between the two")
    emg_mean, emg_low, emg_high = student(by_emg, confidence)
    model_mean, model_low, model_high = student(by_model, confidence)
    verdict = _verdict(emg_mean, model_mean) if people else "missing"
    if verdict in {"agree", "disagree"} and (
        emg_low <= 0.0 <= emg_high or model_low <= 0.0 <= model_high
    ):
        verdict = "open"
    return {
        "head": head,
        "condition": first,
        "other": second,
        "people": people,
        "emg_difference": emg_mean,
        "emg_difference_low": emg_low,
        "emg_difference_high": emg_high,
        "activation_difference": model_mean,
        "activation_difference_low": model_low,
        "activation_difference_high": model_high,
        "verdict": verdict,
        **counts,
        "share_agree": share,
        "share_agree_low": low,
        "share_agree_high": high,
        "note": "; ".join(notes),
    }


def _verdict(emg: float, activation: float) -> str:
    if min(abs(emg), abs(activation)) <= LEVEL:
        return "level"
    return "agree" if emg * activation > 0.0 else "disagree"

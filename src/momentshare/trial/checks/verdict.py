"""One residual check: its value, its limits and its verdict.

The limits are assumed (common practice, no source) unless a check says otherwise; they flag but do
not correct.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

import numpy as np

from momentshare.results import ReadOnly, brief

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

__all__ = [
    "LIMITS",
    "OF_LIMB",
    "Check",
    "Verdict",
    "count_possible",
    "failed_checks",
    "impossible",
    "judge",
    "over",
    "worst_verdict",
]

Verdict = Literal["pass", "warn", "fail", "not possible"]

LIMITS: dict[str, tuple[float, float, str]] = {
    "force balance": (5.0, 10.0, "% of load × (g + a)"),
    "share of body weight": (0.0, 15.0, "% of body weight outside 35 to 90"),
    "left against right": (10.0, 20.0, "% of the mean of both hands"),
    "lateral forces cancel": (1.0, 2.5, "% of the vertical force"),
    "lateral ratio": (30.0, 60.0, "% of the vertical force"),
    "moment balance of the bar": (1.5, 3.0, "cm off the middle of the bar"),
    "yaw balance of the bar": (1.5, 3.0, "cm, moment about the vertical over vertical force"),
    "joint limits": (5.0, 20.0, "% of frames"),
    "trunk posture": (25.0, 45.0, "deg from the vertical of the condition"),
    "side of the arm": (-3.0, 0.0, "cm beyond the trunk's midline"),
    "hinge": (8.0, 16.0, "deg out of the plane of the hinge"),
    "upper arm constant": (1.5, 3.0, "% (SD over mean)"),
    "forearm constant": (1.5, 3.0, "% (SD over mean)"),
    "upper arm against the person": (6.0, 12.0, "% of the person's length"),
    "grip against the person": (12.0, 25.0, "% of the person's length"),
    "grip off the bar": (5.0, 8.0, "cm from the line of the bar"),
    "marker noise": (1.5, 4.0, "mm"),
    "synchrony": (10.0, 30.0, "ms"),
    "missing samples": (1.0, 10.0, "% of samples"),
    "moments met": (2.0, 10.0, "% of frames short of a moment"),
    "peak speed": (1.5, 3.0, "m/s"),
}
"""Check → value up to which it passes, value up to which it warns, unit."""

OF_LIMB = "moments met"
"""The check that concerns the limb; all others concern the measurement."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Check(ReadOnly):
    """One check of a trial.

    Attributes
    ----------
    name : str
        A key of :data:`LIMITS`.
    value : float
        NaN where the check is not possible.
    limit, worst : float
        Passes up to the first, warns up to the second.
    unit : str
    verdict : {"pass", "warn", "fail", "not possible"}
    note : str
        Why it is not possible, or what to look for.
    time : float array, shape (samples,)
        [s]
    curves : mapping
        What to draw against time: label → float array, shape (samples,).
    axis : str
        What the curves show, with unit.
    """

    name: str
    value: float
    limit: float
    worst: float
    unit: str
    verdict: Verdict
    note: str = ""
    time: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    curves: Mapping[str, NDArray[np.float64]] = field(default_factory=dict)
    axis: str = ""

    __repr__ = brief


def worst_verdict(checks: Sequence[Check]) -> Verdict:
    """Return the worst verdict of several checks; those not possible do not count."""
    found = {check.verdict for check in checks}
    for verdict in ("fail", "warn", "pass"):
        if verdict in found:
            return verdict
    return "not possible"


def failed_checks(checks: Sequence[Check]) -> list[str]:
    """Names of the checks that failed."""
    return [check.name for check in checks if check.verdict == "fail"]


def judge(
    name: str,
    value: float,
    *,
    doubt: float = 0.0,
    note: str = "",
    above: str = "",
    time: NDArray[np.float64] | None = None,
    curves: Mapping[str, NDArray[np.float64]] | None = None,
    axis: str = "",
) -> Check:
    """Compare a value with the limits of its check; NaN counts as not possible.

    Only what is beyond ``doubt`` is held against the limits. Above the first one the note is
    ``above``, if there is one.
    """
    limit, worst, unit = LIMITS[name]
    if above and value > limit:
        note = above
    verdict: Verdict
    if not np.isfinite(value):
        verdict = "not possible"
        note = note or "the samples of the repetitions hold gaps"
    else:
        sure = value - doubt
        verdict = "pass" if sure <= limit else "warn" if sure <= worst else "fail"
    return Check(
        name=name,
        value=float(value) if np.isfinite(value) else float("nan"),
        limit=limit,
        worst=worst,
        unit=unit,
        verdict=verdict,
        note=note,
        time=np.zeros(0) if time is None else time,
        curves=curves or {},
        axis=axis,
    )


def count_possible(checks: Sequence[Check]) -> tuple[int, int]:
    """How many checks were possible, and of how many."""
    return sum(check.verdict != "not possible" for check in checks), len(checks)


def impossible(name: str, why: str) -> Check:
    """Return a check that cannot be made, and why."""
    return judge(name, np.nan, note=why)


def over(part: float, whole: float) -> float:
    """Return part over whole; NaN if the whole is zero."""
    return part / whole if whole != 0.0 else float("nan")

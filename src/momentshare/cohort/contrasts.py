"""Tests, contrasts, effect sizes and adjusted p of a fit."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.cohort.fit import LEAST_PEOPLE, MIXED, NONE, Data, Fit, linked, spanned

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

__all__ = [
    "CONTRAST_COLUMNS",
    "OMNIBUS_COLUMNS",
    "contrast_row",
    "holm",
    "holm_within",
    "omnibus_row",
]

CONTRAST_COLUMNS = (
    "condition", "other", "estimate", "se", "df", "estimate_low", "estimate_high", "p", "p_holm",
    "p_paired_t", "p_paired_holm", "difference_mean", "difference_low", "difference_high",
    "difference_sd", "cohen_d_z", "hedges_g_z", "cohen_d_z_low", "cohen_d_z_high", "n_people",
    "n_condition", "n_other", "n_same_direction", "n_opposite", "n_level", "method", "note",
)  # fmt: skip

OMNIBUS_COLUMNS = (
    "f", "df_numerator", "df_denominator", "p", "epsilon_greenhouse_geisser",
    "p_greenhouse_geisser", "sd_between_people", "sd_within_people", "n_people", "n_values",
    "n_conditions", "method", "note",
)  # fmt: skip

_LARGEST_T = 1000.0
"""Paired t beyond which the noncentral t is not inverted: the differences hardly vary, and the
distribution's routines lose accuracy (tested with scipy 1.17)."""


def omnibus_row(data: Data, values: NDArray[np.float64], fit: Fit) -> dict[str, Any]:
    """Test all conditions at once."""
    from scipy.stats import f

    k = data.conditions
    out: dict[str, Any] = {
        **dict.fromkeys(OMNIBUS_COLUMNS, np.nan), "df_numerator": k - 1.0 if k else np.nan,
        "sd_between_people": fit.sd_between, "sd_within_people": fit.sd_within,
        "n_people": data.people, "n_values": data.y.size, "n_conditions": k, "method": fit.method,
    }  # fmt: skip
    if fit.method == NONE or not linked(data):
        return out
    lines = np.hstack([np.ones((k - 1, 1)), -np.eye(k - 1)])
    gap = lines @ fit.beta
    # A sum of squares: a negative value is rounding about zero.
    value = max(0.0, float(gap @ np.linalg.solve(lines @ fit.cov @ lines.T, gap)) / (k - 1))
    out |= {"f": value, "df_denominator": float(fit.df), "p": float(f.sf(value, k - 1, fit.df))}
    if not np.isnan(values).any():
        # Greenhouse and Geisser (1959), Psychometrika 24, 95-112, from memory.
        cov = np.cov(values, rowvar=False)
        centre = np.eye(k) - 1.0 / k
        inner = centre @ cov @ centre
        epsilon = float(np.trace(inner) ** 2 / ((k - 1) * np.sum(inner**2)))
        out["epsilon_greenhouse_geisser"] = epsilon
        out["p_greenhouse_geisser"] = float(f.sf(value, epsilon * (k - 1), epsilon * fit.df))
    return out


def contrast_row(
    data: Data,
    values: NDArray[np.float64],
    fit: Fit,
    pair: tuple[int, int],
    conditions: list[Any],
    confidence: float,
) -> dict[str, Any]:
    """One row of the table of contrasts: condition minus other."""
    from scipy.stats import t

    a, b = pair
    line = np.zeros(data.conditions)
    line[a], line[b] = 1.0, -1.0
    notes: list[str] = []
    out: dict[str, Any] = dict.fromkeys(CONTRAST_COLUMNS, np.nan)
    estimate = float(line @ fit.beta)
    out |= {
        "condition": conditions[a], "other": conditions[b], "estimate": estimate,
        "n_condition": int((~np.isnan(values[:, a])).sum()),
        "n_other": int((~np.isnan(values[:, b])).sum()),
        "method": fit.method,
    }  # fmt: skip
    if not spanned(data, line):
        notes.append("No person links the two conditions, so there is no test within people.")
        out["method"] = NONE
        if fit.method != MIXED:
            out["estimate"] = estimate = float(np.nanmean(values[:, a]) - np.nanmean(values[:, b]))
    elif fit.method == NONE:
        notes += fit.notes
    else:
        se = float(np.sqrt(line @ fit.cov @ line))
        half = t.ppf(0.5 + 0.5 * confidence, fit.df) * se
        out |= {
            "se": se, "df": float(fit.df),
            "estimate_low": estimate - half, "estimate_high": estimate + half,
            "p": float(2.0 * t.sf(abs(estimate) / se, fit.df)),
        }  # fmt: skip
    gap = values[:, a] - values[:, b]
    gap = gap[~np.isnan(gap)]
    out |= _counts(gap, estimate, data.level)
    out |= _effect(data, gap, confidence, notes)
    out["note"] = " ".join(notes)
    return out


def _counts(gap: NDArray[np.float64], estimate: float, level: float) -> dict[str, Any]:
    """People whose own difference has the sign of the estimate, the opposite one, or neither."""
    sign = 0.0 if abs(estimate) <= level else float(np.sign(estimate))
    moved = np.where(np.abs(gap) <= level, 0.0, np.sign(gap))
    return {
        "n_people": gap.size,
        "n_same_direction": int((moved * sign > 0.0).sum()) if sign else np.nan,
        "n_opposite": int((moved * sign < 0.0).sum()) if sign else np.nan,
        "n_level": int((moved == 0.0).sum()),
    }


def _effect(
    data: Data, gap: NDArray[np.float64], confidence: float, notes: list[str]
) -> dict[str, Any]:
    """Paired t, the mean of paired differences, plain and standardised, and their intervals."""
    from scipy.special import gammaln
    from scipy.stats import t

    n, level = gap.size, data.level
    out: dict[str, Any] = {}
    if n == 0:
        notes.append("Nobody has both conditions, so there is no effect size.")
        return out
    out["difference_mean"] = mean = float(gap.mean())
    sd = np.nan
    if n > 1:
        out["difference_sd"] = sd = float(gap.std(ddof=1))
    if n < LEAST_PEOPLE:
        if data.people >= LEAST_PEOPLE:
            have = "2 people have" if n == 2 else "1 person has"
            notes.append(
                f"{have} both conditions, too few for a paired test; {LEAST_PEOPLE} are needed."
            )
        return out
    if sd <= level:
        notes.append(
            "The differences do not vary between people, so there is no paired test and no effect "
            "size."
        )
        return out
    free = n - 1
    value = mean / sd * np.sqrt(n)
    # Hedges (1981), J. Educ. Stat. 6, 107-128, from memory: the exact factor, not 1 - 3/(4f - 1).
    shrink = float(np.exp(gammaln(0.5 * free) - gammaln(0.5 * (free - 1))) / np.sqrt(0.5 * free))
    half = float(t.ppf(0.5 + 0.5 * confidence, free)) * sd / np.sqrt(n)
    low, high = (limit / np.sqrt(n) for limit in _noncentral_limits(value, free, confidence))
    if np.isnan(low) or np.isnan(high):
        notes.append("The differences hardly vary, and the effect size has no usable interval.")
    return out | {
        "p_paired_t": float(2.0 * t.sf(abs(value), free)),
        "difference_low": mean - half,
        "difference_high": mean + half,
        "cohen_d_z": mean / sd,
        "hedges_g_z": mean / sd * shrink,
        "cohen_d_z_low": low,
        "cohen_d_z_high": high,
    }


def _noncentral_limits(value: float, free: int, confidence: float) -> tuple[float, float]:
    """Noncentralities under which a t this low or this high is as rare as the interval allows.

    Steiger and Fouladi (1997), from memory; common practice for effect sizes.
    """
    from scipy.optimize import brentq
    from scipy.stats import nct, norm

    if abs(value) > _LARGEST_T:
        return np.nan, np.nan
    size, tail = abs(value), 0.5 * (1.0 - confidence)

    def below(centre: float) -> float:
        """Probability of a t below the one found; the routine gives NaN far out in a tail."""
        share = float(nct.cdf(size, free, centre))
        return share if np.isfinite(share) else float(centre < size)

    reach = 8.0 + 8.0 * np.sqrt(1.0 + size**2 / (2.0 * free))
    limits = []
    for share in (1.0 - tail, tail):
        # A noncentrality of the normal quantile puts no more than that share below zero.
        low, high = float(norm.ppf(tail)) - 1e-6, size + reach
        while below(high) > share and high < size + 64.0 * reach:
            high += reach
        try:
            limits.append(float(brentq(lambda c, q=share: below(c) - q, low, high, xtol=1e-9)))
        except (ValueError, RuntimeError):
            return np.nan, np.nan
    return (limits[0], limits[1]) if value >= 0.0 else (-limits[1], -limits[0])


def holm(p: NDArray[np.float64]) -> NDArray[np.float64]:
    """Adjust by Holm's method (1979); NaN stays and does not count.

    The same numbers as ``statsmodels``' ``multipletests``, which clears memory at each call and
    takes a hundred times longer.
    """
    out = np.full(p.shape, np.nan)
    order = np.argsort(p)[: int((~np.isnan(p)).sum())]
    steps = p[order] * np.arange(order.size, 0, -1)
    out[order] = np.minimum(np.maximum.accumulate(steps), 1.0)
    return out


def holm_within(table: pd.DataFrame, keys: list[str], column: str) -> NDArray[np.float64]:
    """Adjust a column of p within each combination of keys."""
    p = table[column].to_numpy(dtype=float)
    out = np.full(p.shape, np.nan)
    if not keys:
        return holm(p)
    groups = table.groupby(keys, sort=False, observed=True, dropna=False).ngroup().to_numpy()
    for group in np.unique(groups):
        out[groups == group] = holm(p[groups == group])
    return out

"""Factors of the conditions, and covariates of the trials, in one model.

    outcome = cell of the factors + slopes × covariates + person + residual

with a random intercept for each person, by restricted maximum likelihood along its one variance
ratio, as in :mod:`momentshare.cohort.fit`. Main effects and the interaction are linear hypotheses
on the means of the cells, all levels weighted equally (so-called type III); F tests take the
degrees of freedom within people, N − rank(person, cells, covariates). Covariates are centred, so
that the means of the cells are those at the mean covariate. A covariate that does not vary within
any person has no slope here, since the person's intercept absorbs it, and is named in the note.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations, pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pandas as pd
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

__all__ = ["FactorFit", "factor_table", "fit_factors"]

_RATIOS = (-6.0, 6.0)
"""Powers of ten between which the ratio of the variance between people to the residual is
searched."""

_STILL = 1e-9
"""Fraction of a covariate's size below which it does not vary within people."""

_LEAST_PEOPLE = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class FactorFit:
    """Fitted cells and slopes.

    Attributes
    ----------
    beta : float array, shape (cells + covariates,)
    cov : float array
        Of ``beta``.
    df : int
        Within people.
    ratio : float
        Variance between people over the residual variance.
    """

    beta: Floats
    cov: Floats
    df: int
    ratio: float

    def wald(self, lines: Floats) -> tuple[float, int, float]:
        """F, degrees of freedom of the numerator and p of the hypothesis that lines · beta = 0."""
        from scipy.stats import f as fisher

        value = lines @ self.beta
        spread = lines @ self.cov @ lines.T
        rank = int(np.linalg.matrix_rank(lines))
        found = float(value @ np.linalg.pinv(spread, hermitian=True) @ value) / rank
        return found, rank, float(fisher.sf(found, rank, self.df))


def fit_factors(y: Floats, who: NDArray[np.intp], design: Floats) -> FactorFit | str:
    """Fit a random intercept for people in addition to a design, or explain why not.

    Parameters
    ----------
    y : float array, shape (n,)
    who : int array, shape (n,)
        Person of each value.
    design : float array, shape (n, k)
        Of full rank.
    """
    from scipy.optimize import minimize_scalar

    people = (who[:, None] == np.unique(who)).astype(float)
    df = len(y) - int(np.linalg.matrix_rank(np.hstack([people, design])))
    if people.shape[1] < _LEAST_PEOPLE:
        return f"There are {people.shape[1]} people, too few for a test."
    if df < 1:
        return "People have too few cells in common for a test."
    if np.ptp(y) <= 1e-12 * max(1.0, float(np.abs(y).max())):
        return "The outcome is constant."
    count = people.sum(axis=0)
    sums, level = people.T @ design, people.T @ y

    def solved(power: float) -> tuple[float, Floats, Floats, float]:
        """Minus twice the restricted likelihood, beta, information and scale at a ratio."""
        ratio = 10.0**power
        share = ratio / (1.0 + ratio * count)  # V⁻¹ = I − share J for each person
        info = design.T @ design - sums.T @ (share[:, None] * sums)
        beta = np.linalg.solve(info, design.T @ y - sums.T @ (share * level))
        rest = y - design @ beta
        own = people.T @ rest
        square = float(rest @ rest - np.sum(share * own**2))
        free = len(y) - design.shape[1]
        loss = (
            free * np.log(square / free)
            + float(np.sum(np.log1p(ratio * count)))
            + float(np.linalg.slogdet(info)[1])
        )
        return loss, beta, info, square / free

    grid = np.linspace(*_RATIOS, 25)
    best = int(np.argmin([solved(p)[0] for p in grid]))
    span = grid[max(best - 1, 0)], grid[min(best + 1, len(grid) - 1)]
    power = float(
        minimize_scalar(
            lambda p: solved(p)[0], bounds=span, method="bounded", options={"xatol": 1e-8}
        ).x
    )
    _, beta, info, scale = solved(power)
    cov = np.asarray(scale * np.linalg.inv(info), dtype=np.float64)
    return FactorFit(beta=beta, cov=cov, df=df, ratio=10.0**power)


def factor_table(
    means: pd.DataFrame,
    levels: Mapping[str, Mapping[str, str]],
    covariates: Sequence[str] = (),
) -> pd.DataFrame:
    """Test factors, their interaction and covariates in each outcome.

    Parameters
    ----------
    means : DataFrame
        One row per person, condition, ``outcome`` and ``item``: ``value`` and the covariates.
    levels : mapping Condition → factor → level; none where there are no factors, and then the
    conditions are the one factor. covariates : sequence of str
        Columns.

    Returns
    -------
    DataFrame
        ``outcome``, ``item``, ``term``, ``f``, ``df_numerator``, ``df_denominator``, ``p``;
        ``slope`` with ``slope_se`` for covariates; ``people``, ``values`` and ``note``.
    """
    import pandas as pd

    rows = []
    for (outcome, item), part in means.groupby(["outcome", "item"], sort=False, observed=True):
        whole = part.dropna(subset=["value", *covariates])
        rows += [
            {"outcome": outcome, "item": item, **row} for row in _rows(whole, levels, covariates)
        ]
    return pd.DataFrame(rows)


def _rows(
    part: pd.DataFrame, levels: Mapping[str, Mapping[str, str]], covariates: Sequence[str]
) -> list[dict[str, Any]]:
    same: dict[str, Any] = {"people": part["person"].nunique(), "values": len(part)}
    conditions = [
        c for c in dict.fromkeys(part["condition"].astype(str)) if not levels or c in levels
    ]
    part = part[part["condition"].isin(conditions)]
    who = part["person"].astype("category").cat.codes.to_numpy().astype(np.intp)
    what = part["condition"].astype(str).to_numpy()
    cells = (what[:, None] == np.array(conditions)).astype(float)
    used, still = [], []
    slopes = np.zeros((len(part), 0))
    for name in covariates:
        values = part[name].to_numpy(dtype=float)
        own = values - part.groupby("person", sort=False)[name].transform("mean").to_numpy()
        if np.abs(own).max(initial=0.0) <= _STILL * max(
            1.0, float(np.abs(values).max(initial=0.0))
        ):
            still.append(name)
            continue
        used.append(name)
        slopes = np.column_stack([slopes, values - values.mean()])
    note = f"{', '.join(still)} does not vary within people and has no slope" if still else ""
    design = np.hstack([cells, slopes])
    if np.linalg.matrix_rank(design) < design.shape[1]:
        fit: FactorFit | str = "Covariates and conditions cannot be separated."
    else:
        fit = fit_factors(part["value"].to_numpy(dtype=float), who, design)
    if isinstance(fit, str):
        return [
            {
                "term": "",
                "f": np.nan,
                "p": np.nan,
                **same,
                "note": "; ".join(filter(None, (fit, note))),
            }
        ]
    out = []
    for term, lines in _hypotheses(conditions, levels).items():
        padded = np.hstack([lines, np.zeros((len(lines), len(used)))])
        value, rank, p = fit.wald(padded)
        out.append({"term": term, "f": value, "df_numerator": rank, "p": p, "note": note})
    for k, name in enumerate(used):
        line = np.zeros((1, design.shape[1]))
        line[0, len(conditions) + k] = 1.0
        value, rank, p = fit.wald(line)
        at = len(conditions) + k
        out.append(
            {"term": name, "f": value, "df_numerator": rank, "p": p, "note": note,
             "slope": float(fit.beta[at]), "slope_se": float(np.sqrt(fit.cov[at, at]))}
        )  # fmt: skip
    return [{**row, "df_denominator": fit.df, **same} for row in out]


def _hypotheses(
    conditions: Sequence[str], levels: Mapping[str, Mapping[str, str]]
) -> dict[str, Floats]:
    """Lines on the means of the cells by term: main effects and interactions of two factors each.

    A main effect compares the means of its levels, with equal weights on the cells of the other
    factors; it needs every cell. Where a cell is missing, only what the present cells can show is
    tested.
    """
    if not levels:
        return {"condition": np.array([_unit(conditions, a) - _unit(conditions, b)
                                       for a, b in pairwise(conditions)])}  # fmt: skip
    names = list(next(iter(levels.values())))
    found: dict[str, Floats] = {}
    sets = {n: list(dict.fromkeys(levels[c][n] for c in conditions)) for n in names}
    for name in names:
        means = {
            level: np.mean(
                [_unit(conditions, c) for c in conditions if levels[c][name] == level], axis=0
            )
            for level in sets[name]
        }
        lines = [means[a] - means[b] for a, b in pairwise(sets[name])]
        if lines:
            found[name] = np.array(lines)
    for left, right in combinations(names, 2):
        at = {
            (a, b): np.mean(
                [_unit(conditions, c) for c in conditions
                 if levels[c][left] == a and levels[c][right] == b],
                axis=0,
            )
            for a, b in dict.fromkeys((levels[c][left], levels[c][right]) for c in conditions)
        }  # fmt: skip
        lines = [
            at[a, c] - at[b, c] - at[a, d] + at[b, d]
            for a, b in pairwise(sets[left])
            for c, d in pairwise(sets[right])
            if {(a, c), (b, c), (a, d), (b, d)} <= set(at)
        ]
        if lines:
            found[f"{left} × {right}"] = np.array(lines)
    return found


def _unit(conditions: Sequence[str], name: str) -> Floats:
    return np.array([float(c == name) for c in conditions])

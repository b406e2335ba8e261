"""Means of conditions over people: the mixed model and its substitutes."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["LEAST_PEOPLE", "MIXED", "NONE", "WITHIN", "Data", "Fit", "fitted", "linked", "spanned"]

LEAST_PEOPLE = 3
"""Fewest people for a test; the spread of two differences says next to nothing (common
practice, no source)."""

_RATIOS = (-6.0, 8.0)
"""Powers of ten between which the variance between people over the residual is searched; beyond
them the fit does not change by a part in a million (assumed)."""

_NULL = 1e-9
"""Singular values below this share of the greatest are zero. Singular values of centred indicator
columns lie far on either side; the library's own limit is so low that rounding exceeds it and
shifts standard errors by several per cent."""

_GRID = 15
"""Points of the first search, so that a second maximum of the likelihood is not missed."""

MIXED = "mixed model"
WITHIN = "least squares within people"
NONE = "none"


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """Condition means of a model, their covariance, and how it was fitted."""

    method: str
    beta: NDArray[np.float64]
    cov: NDArray[np.float64]
    df: int
    sd_between: float
    sd_within: float
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Data:
    """Values in a column with the indices of their person and condition."""

    y: NDArray[np.float64]
    who: NDArray[np.intp]
    what: NDArray[np.intp]
    conditions: int
    level: float

    @property
    def people(self) -> int:
        """Number of people."""
        return int(np.unique(self.who).size)

    def dummies(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Columns of indicators for people and for conditions."""
        persons = (self.who[:, None] == np.unique(self.who)).astype(float)
        return persons, (self.what[:, None] == np.arange(self.conditions)).astype(float)

    def own(self) -> NDArray[np.float64]:
        """Mean of the person to whom each value belongs."""
        persons, _ = self.dummies()
        return np.asarray(persons @ (persons.T @ self.y / persons.sum(axis=0)))

    def within(self) -> NDArray[np.float64]:
        """Columns of the conditions less each person's mean."""
        persons, conditions = self.dummies()
        mean = persons.T @ conditions / persons.sum(axis=0)[:, None]
        return np.asarray(conditions - persons @ mean)


def fitted(data: Data) -> Fit:
    """Fit the mixed model, or its substitute; never raises and never warns."""
    k = data.conditions
    level = np.array(
        [data.y[data.what == j].mean() if (data.what == j).any() else np.nan for j in range(k)]
    )
    nothing = Fit(
        method=NONE, beta=level, cov=np.full((k, k), np.nan), df=0,
        sd_between=np.nan, sd_within=np.nan, notes=(),
    )  # fmt: skip

    def without(note: str, **changes: Any) -> Fit:
        return _replaced(nothing, notes=(note,), **changes)

    if data.y.size == 0:
        return without("There are no values.")
    if k < 2:
        return without("There is one condition, so nothing to compare.")
    if np.bincount(data.who).max() < 2:
        return without(
            "No person has two conditions; comparing different people is outside this analysis."
        )
    if data.people < LEAST_PEOPLE:
        return without(
            f"There are {data.people} people, too few for a test; {LEAST_PEOPLE} are needed."
            if data.people > 1
            else f"There is one person, so no test over people; {LEAST_PEOPLE} are needed.",
            beta=_paired(data),
        )
    if np.ptp(data.y) <= data.level:
        return without(
            "The outcome is constant, so there is no spread to test against.", beta=_paired(data)
        )
    persons, conditions = data.dummies()
    df = data.y.size - int(np.linalg.matrix_rank(np.hstack([persons, conditions])))
    if df < 1:
        return without("People have too few conditions in common for a test.", beta=_paired(data))
    with warnings.catch_warnings(), np.errstate(all="ignore"):
        warnings.simplefilter("ignore")
        within = _within_people(data, df)
        if within.sd_within <= data.level:
            return without(
                "Every person differs between conditions by the same amount, so there is no "
                "spread to test against.",
                beta=within.beta,
                sd_within=0.0,
            )
        try:
            return _mixed(data, df)
        except _NoMixedModelError as err:
            return _replaced(within, notes=(f"{err} {_INSTEAD}",))
        except (ValueError, ArithmeticError, np.linalg.LinAlgError) as err:
            reason = f"The mixed model could not be fitted ({err})."
            return _replaced(within, notes=(f"{reason} {_INSTEAD}",))


_INSTEAD = (
    "Least squares within people are used instead: the repeated-measures analysis of variance, "
    "which for "
    "two conditions is the paired t test."
)


class _NoMixedModelError(Exception):
    """The mixed model has no solution inside its limits; the message is the note."""


def _replaced(fit: Fit, **changes: Any) -> Fit:
    from dataclasses import replace

    return replace(fit, **changes)


def _paired(data: Data) -> NDArray[np.float64]:
    """Condition means after taking out people's levels, by least squares."""
    beta, *_ = np.linalg.lstsq(data.within(), data.y - data.own(), rcond=None)
    return np.asarray(beta + data.y.mean())


def _within_people(data: Data, df: int) -> Fit:
    """Least squares with the person as a fixed effect."""
    design, beta = data.within(), _paired(data)
    rest = data.y - data.own() - design @ beta
    variance = float(rest @ rest) / df
    return Fit(
        method=WITHIN,
        beta=beta,
        cov=np.asarray(
            variance * np.linalg.pinv(design.T @ design, rcond=_NULL, hermitian=True),
            dtype=np.float64,
        ),
        df=df,
        sd_between=np.nan,
        sd_within=float(np.sqrt(variance)),
        notes=(),
    )


def _mixed(data: Data, df: int) -> Fit:
    """Random intercept by restricted maximum likelihood, along its one variance ratio."""
    from scipy.optimize import minimize_scalar
    from statsmodels.regression.mixed_linear_model import MixedLM, MixedLMParams

    persons, conditions = data.dummies()
    shift, size = float(data.y.mean()), float(data.y.std())
    model = MixedLM((data.y - shift) / size, conditions, data.who)
    model.reml, model.cov_pen, model.fe_pen = True, None, None
    zero = np.zeros(data.conditions)

    def loss(power: float) -> float:
        ratio = np.array([[10.0**power]])
        return -float(model.loglike(MixedLMParams.from_components(zero, cov_re=ratio)))

    grid = np.linspace(*_RATIOS, _GRID)
    losses = [loss(p) for p in grid]
    if not np.isfinite(losses).all():
        raise _NoMixedModelError("The likelihood of the mixed model could not be computed.")
    best = int(np.argmin(losses))
    if best == _GRID - 1:
        raise _NoMixedModelError(
            "The residual variance is negligible next to the variance between people, and the "
            "mixed model has no inner best fit."
        )
    span = grid[max(best - 1, 0)], grid[best + 1]
    power = float(minimize_scalar(loss, bounds=span, method="bounded", options={"xatol": 1e-7}).x)
    if power < _RATIOS[0] + 0.5:
        raise _NoMixedModelError(
            "No variance between people was found beyond that within them (singular fit)."
        )
    ratio = np.array([[10.0**power]])
    beta, _ = model.get_fe_params(ratio, np.empty(0))
    scale = float(model.get_scale(beta, ratio, np.empty(0))) * size**2
    # X'V⁻¹X of a random intercept in closed form: V⁻¹ = (1 − ρ/(1 + ρ n) J)/scale per person.
    shares = ratio[0, 0] / (1.0 + ratio[0, 0] * persons.sum(axis=0))
    counts = persons.T @ conditions
    information = (conditions.T @ conditions - counts.T @ (shares[:, None] * counts)) / scale
    return Fit(
        method=MIXED,
        beta=np.asarray(beta) * size + shift,
        cov=np.linalg.inv(information),
        df=df,
        sd_between=float(np.sqrt(ratio[0, 0] * scale)),
        sd_within=float(np.sqrt(scale)),
        notes=(),
    )


def linked(data: Data) -> bool:
    """Whether people link every condition with every other."""
    return bool(np.linalg.matrix_rank(data.within()) == data.conditions - 1)


def spanned(data: Data, line: NDArray[np.float64]) -> bool:
    """Whether people link the conditions of a contrast."""
    within = data.within()
    return bool(np.allclose(line @ np.linalg.pinv(within, rcond=_NULL) @ within, line, atol=1e-8))

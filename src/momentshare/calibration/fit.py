"""Regularised fit of attachments, surface radii and strength factors.

Two steps, because geometry does not depend on strength:

1. attachments and surface radii of the heads that a calibration target names, to moment arms and
   lines of action;
2. the factors of the strength groups, to greatest moments and their ratios.

Each step minimises

    Σ ((model - published) / σ)² + Σ ((x - x₀) / s)²

with σ the ``fit_sigma`` of the target, x₀ the number in the model's tables and s its spread; x
stays within 2.5 s of x₀. Rows used here are marked ``calibration`` and never count as
validation. Nothing is fitted to hand-force ratios, press loads or EMG.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import least_squares

from momentshare.errors import InputError
from momentshare.limb import Limb, build_limb
from momentshare.model.numbers import Numbers
from momentshare.validation.evaluate import average_person, evaluate, is_posture
from momentshare.validation.targets import Target, load_targets

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from momentshare.model import Model

__all__ = ["Calibration", "FittedNumber", "calibrate"]

_GEOMETRY = {"moment_arm", "peak_moment_arm", "peak_moment_arm_abduction", "line_of_action"}
_STRENGTH = {"strength"}
_REACH = 2.5
"""Bounds in spreads to each side."""

_STRENGTH_SPREAD = 0.5
"""Prior spread of the logarithm of a strength factor: a factor of about 1.6 either way."""

_STRENGTH_BOUNDS = (np.log(0.5), np.log(8.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedNumber:
    """One number before and after, in the unit of its table."""

    table: str
    name: str
    field: str
    before: float
    after: float
    unit: str
    spread: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Calibration:
    """Outcome of a fit: numbers, and every target before and after."""

    model: Model
    numbers: tuple[FittedNumber, ...]
    targets: tuple[Target, ...]
    before: NDArray[np.float64]
    after: NDArray[np.float64]
    cost_before: float
    cost_after: float
    evaluations: int


@dataclass(frozen=True, slots=True)
class _Knob:
    """One free number of the geometry."""

    table: str
    name: str
    axis: int
    start: float
    spread: float


def calibrate(
    model: Model,
    *,
    rounds: int = 60,
    progress: Callable[[str, int], None] | None = None,
) -> Calibration:
    """Fit a model to its own targets.

    Parameters
    ----------
    model : Model
        As loaded with ``calibrated=False``, so that the fit starts from the described limb.
    rounds : int
        Most evaluations of the Jacobian for each step.
    progress : callable, optional
        Called with the step's name and the number of evaluations so far.

    Returns
    -------
    Calibration
        The same numbers on every run.

    Raises
    ------
    InputError
        When the model has no calibration target.
    """
    targets = tuple(t for t in load_targets(model) if is_posture(t))
    geometry = [t for t in targets if t.use == "calibration" and t.quantity in _GEOMETRY]
    strength = [t for t in targets if t.use == "calibration" and t.quantity in _STRENGTH]
    if not geometry and not strength:
        raise InputError(f"model {model.name!r}: no row of targets.csv is marked calibration")
    knobs = _knobs(model, geometry)
    groups = sorted({h.group for h in model.heads})
    start_groups = np.array([np.log(model.number(f"strength_{g}")) for g in groups])

    def judged(
        offset: NDArray[np.float64], factors: NDArray[np.float64], rows: list[Target]
    ) -> NDArray[np.float64]:
        made: dict[tuple[str, str], Limb] = {}

        def limb_of(sex: str, scapula: str) -> Limb:
            if (sex, scapula) not in made:
                made[sex, scapula] = _limb(model, sex, scapula, knobs, offset, groups, factors)
            return made[sex, scapula]

        return evaluate(rows, limb_of)

    still = np.zeros(len(knobs))
    before = judged(still, start_groups, list(targets))
    count = 0

    def residual(rows: list[Target], found: NDArray[np.float64]) -> NDArray[np.float64]:
        wanted = np.array([t.value if t.value is not None else np.nan for t in rows])
        width = np.array([t.fit_sigma for t in rows], dtype=float)
        return np.asarray((found - wanted) / width)

    def shape_cost(x: NDArray[np.float64]) -> NDArray[np.float64]:
        nonlocal count
        count += 1
        if progress is not None:
            progress("attachments and radii", count)
        offset = x * np.array([k.spread for k in knobs])
        return np.concatenate([residual(geometry, judged(offset, start_groups, geometry)), x])

    offset = still
    cost_before = cost_after = 0.0
    if geometry:
        first = shape_cost(still)
        fit = least_squares(
            shape_cost,
            still,
            bounds=(-_REACH, _REACH),
            max_nfev=rounds,
            diff_step=np.full(len(knobs), 1e-4),
            xtol=1e-6,
            ftol=1e-6,
            gtol=1e-6,
        )
        # The table keeps hundredths of a millimetre; what follows must rest on the same digits.
        offset = np.round(fit.x * np.array([k.spread for k in knobs]), 5)
        cost_before += float(first @ first)
        cost_after += 2.0 * float(fit.cost)

    def strength_cost(x: NDArray[np.float64]) -> NDArray[np.float64]:
        nonlocal count
        count += 1
        if progress is not None:
            progress("strength factors", count)
        prior = (x - start_groups) / _STRENGTH_SPREAD
        return np.concatenate([residual(strength, judged(offset, x, strength)), prior])

    factors = start_groups
    if strength:
        first = strength_cost(start_groups)
        fit = least_squares(
            strength_cost,
            start_groups,
            bounds=_STRENGTH_BOUNDS,
            max_nfev=rounds,
            diff_step=np.full(len(groups), 1e-4),
        )
        factors = np.log(np.round(np.exp(fit.x), 3))
        cost_before += float(first @ first)
        cost_after += 2.0 * float(fit.cost)

    return Calibration(
        model=model,
        numbers=(
            *_fitted_geometry(knobs, offset),
            *_fitted_strength(model, groups, start_groups, factors),
        ),
        targets=targets,
        before=before,
        after=judged(offset, factors, list(targets)),
        cost_before=cost_before,
        cost_after=cost_after,
        evaluations=count,
    )


def _knobs(model: Model, rows: list[Target]) -> list[_Knob]:
    """Sites and radii on the paths of the heads that the rows name, in the model's order."""
    named = {s for t in rows for s in t.subjects}
    sites: dict[str, None] = {}
    surfaces: dict[str, None] = {}
    for head in model.heads:
        if head.name in named:
            for step in head.path:
                (surfaces if step.is_surface else sites)[step.name] = None
    knobs = [
        _Knob("sites", name, axis, model.sites[name].position[axis], model.sites[name].spread)
        for name in sites
        for axis in range(3)
    ]
    knobs += [
        _Knob("surfaces", name, 0, model.surfaces[name].radius, model.surfaces[name].spread)
        for name in surfaces
    ]
    return knobs


def _limb(
    model: Model,
    sex: str,
    scapula: str,
    knobs: list[_Knob],
    offset: NDArray[np.float64],
    groups: list[str],
    factors: NDArray[np.float64],
) -> Limb:
    shifts: dict[str, NDArray[np.float64]] = {}
    radii: dict[str, float] = {}
    for knob, move in zip(knobs, offset, strict=True):
        if knob.table == "sites":
            shifts.setdefault(knob.name, np.zeros(3))[knob.axis] = move
        else:
            radii[knob.name] = knob.start + move
    strengths = {f"strength_{g}": float(np.exp(f)) for g, f in zip(groups, factors, strict=True)}
    person = average_person(model, sex)
    numbers = Numbers(offsets=shifts, radii=radii, quantities=strengths)
    return build_limb(person, model, scapula=scapula, numbers=numbers)


def _fitted_geometry(knobs: list[_Knob], offset: NDArray[np.float64]) -> list[FittedNumber]:
    return [
        FittedNumber(
            table=k.table,
            name=k.name,
            field="xyz"[k.axis] if k.table == "sites" else "radius",
            before=round(1000.0 * k.start, 3),
            after=round(1000.0 * float(k.start + move), 3),
            unit="mm",
            spread=round(1000.0 * k.spread, 3),
        )
        for k, move in zip(knobs, offset, strict=True)
    ]


def _fitted_strength(
    model: Model,
    groups: list[str],
    start: NDArray[np.float64],
    factors: NDArray[np.float64],
) -> list[FittedNumber]:
    out = []
    for group, before, after in zip(groups, start, factors, strict=True):
        old = model.quantities[f"strength_{group}"]
        value = round(float(np.exp(after)), 3)
        out.append(
            FittedNumber(
                table="quantities",
                name=f"strength_{group}",
                field="value",
                before=round(float(np.exp(before)), 3),
                after=value,
                unit="1",
                spread=round(value * old.spread / old.value, 3),
            )
        )
    return out

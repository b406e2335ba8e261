"""Regularised fit of attachments, surface radii, fibre lengths and strength factors.

Two steps, because geometry does not depend on fibres:

1. attachments and surface radii of the heads that a calibration target names, to moment arms and
   lines of action;
2. the fibre length of every head at which force peaks, its length in the reference posture, and
   the factors of the strength groups, to greatest moments over postures and their ratios
   (isometric against isometric, isokinetic at the speed of the test) and to operating ranges.

Each step minimises

    Σ ((model - published) / σ)² + Σ ((x - x₀) / s)²

with σ the ``fit_sigma`` of the target, x₀ the number in the model's tables and s its spread; x
stays within 2.5 s of x₀. Strength factors have no x₀ of their own: their logarithms are shrunk
towards their mean, since specific tension is taken as the same for all muscles. An order counts
where the limb does not satisfy it by σ. In the second step no head may have more than a small
passive force with the arm hanging, since a relaxed arm hangs straight, and passive forces may
resist axial rotation near its ends by no more than the weight of the forearm overcomes, since a
relaxed arm can be laid there; a raised arm is held wherever it reaches (common practice, no source,
all three); and abduction is not stronger at 90 degrees than near the side. Rows used here are
marked ``calibration`` and never count as validation. Nothing is fitted to hand-force ratios, press
loads or EMG.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import least_squares

from momentshare.calibration.bounds import broken_bounds
from momentshare.errors import InputError
from momentshare.limb import Limb, build_limbs
from momentshare.model.numbers import Numbers
from momentshare.validation.evaluate import average_person, evaluate, is_posture
from momentshare.validation.targets import Target, load_targets

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from momentshare.model import Model

__all__ = ["REACH", "Calibration", "FittedNumber", "calibrate", "misfit"]

_GEOMETRY = {"moment_arm", "peak_moment_arm", "peak_moment_arm_abduction", "line_of_action"}
_FIBRES = {"strength", "torque_share", "active_factor", "passive_factor", "fibre_range"}
REACH = 2.5
"""Bounds on each side, in spreads."""

_DIGITS = 0.02
"""Spreads from the end of its range within which a number counts as there: its table keeps no more
digits, and the optimiser stops inside."""

_STRENGTH_SPREAD = 0.15
"""Prior spread of the logarithm of a group's strength factor about the mean of all groups.

Specific tension is one number for every muscle, so groups differ by the errors of their areas: a
volume is known to 18 % and a fibre length to 10 %, in a group of about three heads of like size
12 %; another 10 % is left to tension itself (assumed). The mean of all groups is free.
"""

_STRENGTH_BOUNDS = (np.log(0.5), np.log(8.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedNumber:
    """One number before and after, in the unit of its table.

    ``moved`` is the change in spreads of the fit (of a strength factor, the distance of its
    logarithm from the mean of all groups); ``at_bound`` says that the fit would not let it go on.
    """

    table: str
    name: str
    field: str
    before: float
    after: float
    unit: str
    spread: float
    moved: float
    at_bound: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, weakref_slot=True)
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
class _FreeNumber:
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
        Maximum number of evaluations of the Jacobian for each step.
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
    fibres = [t for t in targets if t.use == "calibration" and t.quantity in _FIBRES]
    if not geometry and not fibres:
        raise InputError(f"model {model.name!r}: no row of targets.csv is marked calibration")
    free = _free_numbers(model, geometry)
    groups = sorted({h.group for h in model.heads})
    start_groups = np.array([np.log(model.number(f"strength_{g}")) for g in groups])

    heads = len(model.heads)
    length_spread = np.array(
        [h.peak_fibre_length.spread / h.peak_fibre_length.value for h in model.heads]
    )
    place_spread = np.array(
        [h.reference_fibre_length.spread / h.reference_fibre_length.value for h in model.heads]
    )

    def numbers(offset: NDArray[np.float64], y: NDArray[np.float64]) -> Numbers:
        moved = _moved(free, offset)
        return replace(
            moved,
            quantities={
                f"strength_{g}": float(np.exp(f))
                for g, f in zip(groups, y[2 * heads :], strict=True)
            },
            head_factors={
                "peak_fibre_length": 1.0 + y[:heads] * length_spread,
                "reference_fibre_length": 1.0 + y[heads : 2 * heads] * place_spread,
            },
        )

    def limbs(offset: NDArray[np.float64], y: NDArray[np.float64]) -> Callable[[str, str], Limb]:
        made: dict[tuple[str, str], Limb] = {}

        def person_limb(sex: str, scapula: str) -> Limb:
            if (sex, scapula) not in made:
                made[sex, scapula] = build_limbs(
                    [average_person(model, sex)], model, scapula=scapula,
                    numbers=numbers(offset, y), shorten=True,
                )[0].take(0)  # fmt: skip
            return made[sex, scapula]

        return person_limb

    def judged(
        offset: NDArray[np.float64], y: NDArray[np.float64], rows: list[Target]
    ) -> NDArray[np.float64]:
        return evaluate(rows, limbs(offset, y))

    still = np.zeros(len(free))
    unchanged = np.concatenate([np.zeros(2 * heads), start_groups])
    before = judged(still, unchanged, list(targets))
    count = 0

    def shape_cost(x: NDArray[np.float64]) -> NDArray[np.float64]:
        nonlocal count
        count += 1
        if progress is not None:
            progress("attachments and radii", count)
        offset = x * np.array([k.spread for k in free])
        return np.concatenate([misfit(geometry, judged(offset, unchanged, geometry)), x])

    offset = still
    cost_before = cost_after = 0.0
    if geometry:
        first = shape_cost(still)
        fit = least_squares(
            shape_cost,
            still,
            bounds=(-REACH, REACH),
            max_nfev=rounds,
            diff_step=np.full(len(free), 1e-4),
            xtol=1e-6,
            ftol=1e-6,
            gtol=1e-6,
        )
        # The table keeps hundredths of a millimetre; what follows must use the same digits.
        offset = np.round(fit.x * np.array([k.spread for k in free]), 5)
        cost_before += float(first @ first)
        cost_after += 2.0 * float(fit.cost)

    def fibre_cost(y: NDArray[np.float64]) -> NDArray[np.float64]:
        nonlocal count
        count += 1
        if progress is not None:
            progress("fibre lengths and strength factors", count)
        person_limb = limbs(offset, y)
        men = {p: person_limb("male", p) for p in model.scapula_policies}
        default = model.default_scapula
        return np.concatenate(
            [
                misfit(fibres, evaluate(fibres, person_limb)),
                broken_bounds(men, person_limb("female", default), default),
                y[: 2 * heads],
                (y[2 * heads :] - y[2 * heads :].mean()) / _STRENGTH_SPREAD,
            ]
        )

    fitted = unchanged
    if fibres:
        first = fibre_cost(unchanged)
        low, high = np.full(len(unchanged), -REACH), np.full(len(unchanged), REACH)
        low[2 * heads :], high[2 * heads :] = _STRENGTH_BOUNDS
        fit = least_squares(
            fibre_cost,
            unchanged,
            bounds=(low, high),
            max_nfev=rounds,
            diff_step=np.full(len(unchanged), 1e-4),
            xtol=1e-6,
            ftol=1e-6,
            gtol=1e-6,
        )
        fitted = _rounded(model, fit.x, length_spread, place_spread)
        cost_before += float(first @ first)
        cost_after += 2.0 * float(fit.cost)

    return Calibration(
        model=model,
        numbers=(
            *_fitted_geometry(free, offset),
            *_fitted_fibres(model, fitted, length_spread, place_spread),
            *_fitted_strength(model, groups, start_groups, fitted[2 * heads :]),
        ),
        targets=targets,
        before=before,
        after=judged(offset, fitted, list(targets)),
        cost_before=cost_before,
        cost_after=cost_after,
        evaluations=count,
    )


def misfit(rows: Sequence[Target], found: NDArray[np.float64]) -> NDArray[np.float64]:
    """Distance of the values found from rows of the fit, in their ``fit_sigma``.

    Positive where the limb's value is too large. Orders and senses are off only where they are not
    satisfied by one ``fit_sigma``, and then negative.
    """
    wanted = np.array([np.nan if t.value is None else t.value for t in rows])
    width = np.array([t.fit_sigma for t in rows], dtype=float)
    number = np.array([t.kind == "number" for t in rows])
    off = np.where(number, found - wanted, np.minimum(found - width, 0.0))
    return np.asarray(off / width)


def _free_numbers(model: Model, rows: list[Target]) -> list[_FreeNumber]:
    """Sites and radii on the paths of the heads that the rows name, in the model's order."""
    named = {s for t in rows for s in t.subjects}
    sites: dict[str, None] = {}
    surfaces: dict[str, None] = {}
    for head in model.heads:
        if head.name in named:
            for step in (step for line in head.lines for step in line):
                (surfaces if step.is_surface else sites)[step.name] = None
    free = [
        _FreeNumber("sites", name, axis, model.sites[name].position[axis], model.sites[name].spread)
        for name in sites
        for axis in range(3)
    ]
    free += [
        _FreeNumber("surfaces", name, 0, model.surfaces[name].radius, model.surfaces[name].spread)
        for name in surfaces
    ]
    return free


def _moved(free: list[_FreeNumber], offset: NDArray[np.float64]) -> Numbers:
    shifts: dict[str, NDArray[np.float64]] = {}
    radii: dict[str, float] = {}
    for number, move in zip(free, offset, strict=True):
        if number.table == "sites":
            shifts.setdefault(number.name, np.zeros(3))[number.axis] = move
        else:
            radii[number.name] = number.start + move
    return Numbers(offsets=shifts, radii=radii)


def _rounded(
    model: Model,
    y: NDArray[np.float64],
    length_spread: NDArray[np.float64],
    place_spread: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Keep the digits that the table keeps: hundredths of a centimetre, thousandths of a length."""
    heads = len(model.heads)
    length = np.array([h.peak_fibre_length.value for h in model.heads])
    place = np.array([h.reference_fibre_length.value for h in model.heads])
    new_length = np.round(length * (1.0 + y[:heads] * length_spread), 4)
    new_place = np.round(place * (1.0 + y[heads : 2 * heads] * place_spread), 3)
    return np.concatenate(
        [
            (new_length / length - 1.0) / length_spread,
            (new_place / place - 1.0) / place_spread,
            np.log(np.round(np.exp(y[2 * heads :]), 3)),
        ]
    )


def _fitted_fibres(
    model: Model,
    y: NDArray[np.float64],
    length_spread: NDArray[np.float64],
    place_spread: NDArray[np.float64],
) -> list[FittedNumber]:
    out = []
    heads = len(model.heads)
    for k, head in enumerate(model.heads):
        length, place = head.peak_fibre_length, head.reference_fibre_length
        after = length.value * (1.0 + float(y[k] * length_spread[k]))
        out.append(
            FittedNumber(
                table="heads", name=head.name, field="peak_fibre_length",
                before=round(100.0 * length.value, 2), after=round(100.0 * after, 2), unit="cm",
                spread=round(100.0 * after * float(length_spread[k]), 2),
                moved=float(y[k]), at_bound=_at_end(y[k]),
            )
        )  # fmt: skip
        after = place.value * (1.0 + float(y[heads + k] * place_spread[k]))
        out.append(
            FittedNumber(
                table="heads", name=head.name, field=f"fibre_length_{head.reference_posture}",
                before=round(place.value, 3), after=round(after, 3), unit="1",
                spread=round(after * float(place_spread[k]), 3),
                moved=float(y[heads + k]), at_bound=_at_end(y[heads + k]),
            )
        )  # fmt: skip
    return out


def _fitted_geometry(free: list[_FreeNumber], offset: NDArray[np.float64]) -> list[FittedNumber]:
    return [
        FittedNumber(
            table=k.table,
            name=k.name,
            field="xyz"[k.axis] if k.table == "sites" else "radius",
            before=round(1000.0 * k.start, 3),
            after=round(1000.0 * float(k.start + move), 3),
            unit="mm",
            spread=round(1000.0 * k.spread, 3),
            moved=float(move / k.spread),
            at_bound=_at_end(move / k.spread),
        )
        for k, move in zip(free, offset, strict=True)
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
                moved=float(after - np.mean(factors)) / _STRENGTH_SPREAD,
                at_bound=bool(np.isclose(after, _STRENGTH_BOUNDS, rtol=0.0, atol=_DIGITS).any()),
            )
        )
    return out


def _at_end(moved: float) -> bool:
    """Whether a number is as many spreads off as the fit allows, as far as its digits tell."""
    return bool(abs(moved) > REACH - _DIGITS)

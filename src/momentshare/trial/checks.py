"""Residual checks of a trial, before any muscle number.

Every check has a value, a limit, a verdict and the curves it was read from. The limits are ours
(common practice, no source) unless a check says otherwise; they flag, they do not correct.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

import numpy as np

from momentshare.signals import delay, second_derivative
from momentshare.units import GRAVITY

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from momentshare.person import Sizes
    from momentshare.trial.kinematics import ArmTrack

__all__ = ["LIMITS", "Check", "Verdict", "check_trial", "worst_verdict"]

Verdict = Literal["pass", "warn", "fail", "not possible"]

LIMITS: dict[str, tuple[float, float, str]] = {
    "force balance": (5.0, 10.0, "% of load × (g + a)"),
    "left against right": (10.0, 20.0, "% of the mean of both hands"),
    "lateral forces cancel": (3.0, 6.0, "% of the vertical force"),
    "moment balance of the bar": (1.5, 3.0, "cm off the middle of the bar"),
    "upper arm constant": (1.5, 3.0, "% (SD over mean)"),
    "forearm constant": (1.5, 3.0, "% (SD over mean)"),
    "upper arm against the person": (6.0, 12.0, "% of the person's length"),
    "marker noise": (1.5, 4.0, "mm"),
    "synchrony": (10.0, 30.0, "ms"),
    "missing samples": (1.0, 10.0, "% of samples"),
    "peak speed": (1.5, 3.0, "m/s"),
}
"""Check → value up to which it passes, value up to which it warns, unit."""

_LONGEST_DELAY = 0.25
"""How far apart forces and landmarks are looked for [s]; ours."""

_LEAST_MATCH = 0.5
"""Correlation of measured and expected force below which a delay means nothing; ours."""

_LEAST_CHANGE = 0.02
"""Variation of the expected force, over its mean, that a delay needs to be seen; ours."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Check:
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


def worst_verdict(checks: Sequence[Check]) -> Verdict:
    """Return the worst verdict of several checks; those not possible do not count."""
    found = {check.verdict for check in checks}
    for verdict in ("fail", "warn", "pass"):
        if verdict in found:
            return verdict
    return "not possible"


def check_trial(
    track: ArmTrack,
    forces: Mapping[str, NDArray[np.float64]],
    *,
    window: NDArray[np.bool_],
    load: float | None,
    one_bar: bool,
    ground: bool,
    grips: Mapping[str, NDArray[np.float64]],
    bar_middle: NDArray[np.float64] | None,
    noise: Mapping[str, NDArray[np.float64]],
    missing: Mapping[str, NDArray[np.bool_]],
    sizes: Sizes,
) -> tuple[Check, ...]:
    """Judge a trial.

    Parameters
    ----------
    track : ArmTrack
    forces : mapping
        "right" and "left", where measured → force on the hand, world frame [N], shape
        (samples, 3), on the clock of the track.
    window : bool array, shape (samples,)
        Samples within repetitions, which alone are judged.
    load : float or None
        Whole load, both hands [kg].
    one_bar : bool
        Whether the hands can push along what they hold.
    ground : bool
        Whether the hands rest on the ground.
    grips : mapping
        "right" and "left", where recorded → grip, world frame [m], shape (samples, 3).
    bar_middle : float array, shape (samples, 3), or None
        Middle of the bar, world frame [m].
    noise : mapping
        Landmark → distance that the filter moved it [m], shape (its own samples,).
    missing : mapping
        Channel → samples that it lacks, shape (its own samples,).
    sizes : Sizes
        Of the person.
    """
    time = track.start + np.arange(len(track.height)) / track.rate
    if ground:  # the hands press down, so the ground carries them up
        forces = {side: force * [1.0, -1.0, 1.0] for side, force in forces.items()}
    rising = second_derivative(track.height, track.rate)
    found = [
        _impossible("force balance", "on the ground the hands carry a part of the body")
        if ground
        else _force_balance(time, forces, rising, window, load),
        _left_right(time, forces, window),
        _lateral(time, forces, window, one_bar=one_bar and not ground),
        _bar_moment(time, forces, grips, bar_middle, window, one_bar=one_bar and not ground),
        _constant("upper arm constant", time, track.upper_arm, window),
        _constant("forearm constant", time, track.forearm, window),
        _against_person(time, track, window, sizes),
        _noise(track, noise),
        _synchrony(track, forces, rising, window),
        _missing(track, missing),
        _speed(time, track, window),
    ]
    return tuple(found)


def _judge(
    name: str,
    value: float,
    *,
    note: str = "",
    time: NDArray[np.float64] | None = None,
    curves: Mapping[str, NDArray[np.float64]] | None = None,
    axis: str = "",
) -> Check:
    limit, worst, unit = LIMITS[name]
    verdict: Verdict
    if not np.isfinite(value):
        verdict = "not possible"
        note = note or "the samples of the repetitions hold gaps"
    else:
        verdict = "pass" if value <= limit else "warn" if value <= worst else "fail"
    return Check(
        name=name,
        value=float(value),
        limit=limit,
        worst=worst,
        unit=unit,
        verdict=verdict,
        note=note,
        time=np.zeros(0) if time is None else time,
        curves=curves or {},
        axis=axis,
    )


def _impossible(name: str, why: str) -> Check:
    return _judge(name, np.nan, note=why)


def _vertical(forces: Mapping[str, NDArray[np.float64]], side: str) -> NDArray[np.float64]:
    return -forces[side][:, 1]


def _total(forces: Mapping[str, NDArray[np.float64]]) -> tuple[NDArray[np.float64], str]:
    """Vertical force of both hands on the load; of one hand twice, and a word about it."""
    if {"right", "left"} <= set(forces):
        return _vertical(forces, "right") + _vertical(forces, "left"), ""
    side = next(iter(forces))
    return 2.0 * _vertical(forces, side), f"only the {side} hand was measured; it counts twice"


def _force_balance(
    time: NDArray[np.float64],
    forces: Mapping[str, NDArray[np.float64]],
    rising: NDArray[np.float64],
    window: NDArray[np.bool_],
    load: float | None,
) -> Check:
    name = "force balance"
    if not forces:
        return _impossible(name, "no hand force was measured; the load's weight and inertia count")
    if not load:
        return _impossible(name, "the load is not stated (load_kg)")
    total, note = _total(forces)
    wanted = load * (GRAVITY + rising)
    off = (total - wanted)[window]
    value = 100.0 * float(np.sqrt(np.mean(off**2)) / np.mean(wanted[window]))
    ratio = float(np.mean(total[window]) / np.mean(wanted[window]))
    if value > LIMITS[name][0]:
        note = f"{note}; " if note else ""
        note += f"measured over expected is {ratio:.3g} on average{_slip(ratio)}"
    return _judge(
        name,
        value,
        note=note,
        time=time,
        curves={"measured": total, "load × (g + a)": wanted},
        axis="vertical force, both hands [N]",
    )


def _slip(ratio: float) -> str:
    """Name a slip that a ratio of forces points to."""
    known = {
        1.0 / GRAVITY: "the forces look as if they were in kilograms",
        GRAVITY: "the load looks as if it were in newtons",
        0.5: "the load looks as if it were counted twice, or one hand were missing",
        2.0: "the load looks as if it were that of one hand",
        -1.0: "the sign of the force looks turned (force_on of the layout)",
        0.4536: "the load looks as if it were in pounds",
        1.0 / 0.4536: "the forces look as if they were in pounds",
    }
    for value, text in known.items():
        if abs(ratio / value - 1.0) < 0.05:
            return f"; {text}"
    return ""


def _left_right(
    time: NDArray[np.float64], forces: Mapping[str, NDArray[np.float64]], window: NDArray[np.bool_]
) -> Check:
    name = "left against right"
    if not {"right", "left"} <= set(forces):
        return _impossible(name, "forces of both hands are needed")
    right, left = _vertical(forces, "right"), _vertical(forces, "left")
    mean = 0.5 * float(np.mean((right + left)[window]))
    value = 100.0 * abs(float(np.mean((right - left)[window]))) / abs(mean)
    return _judge(
        name,
        value,
        time=time,
        curves={"right": right, "left": left},
        axis="vertical force of a hand [N]",
    )


def _lateral(
    time: NDArray[np.float64],
    forces: Mapping[str, NDArray[np.float64]],
    window: NDArray[np.bool_],
    *,
    one_bar: bool,
) -> Check:
    name = "lateral forces cancel"
    if not one_bar:
        return _impossible(name, "the hands hold no common bar")
    if not {"right", "left"} <= set(forces):
        return _impossible(name, "forces of both hands are needed")
    right, left = -forces["right"][:, 2], forces["left"][:, 2]
    total = _vertical(forces, "right") + _vertical(forces, "left")
    if not np.isfinite(right[window] + left[window]).all():
        return _impossible(name, "the force along the bar was not measured")
    off = (right - left)[window]
    value = 100.0 * float(np.sqrt(np.mean(off**2)) / abs(np.mean(total[window])))
    return _judge(
        name,
        value,
        time=time,
        curves={"right, outward": right, "left, outward": left},
        axis="force along the bar [N]",
    )


def _bar_moment(
    time: NDArray[np.float64],
    forces: Mapping[str, NDArray[np.float64]],
    grips: Mapping[str, NDArray[np.float64]],
    middle: NDArray[np.float64] | None,
    window: NDArray[np.bool_],
    *,
    one_bar: bool,
) -> Check:
    name = "moment balance of the bar"
    if not one_bar:
        return _impossible(name, "the hands hold no common bar")
    if not {"right", "left"} <= set(forces) or not {"right", "left"} <= set(grips):
        return _impossible(name, "forces and grips of both hands are needed")
    if middle is None:
        return _impossible(name, "both ends of the bar are needed")
    right, left = _vertical(forces, "right"), _vertical(forces, "left")
    arm_right = grips["right"][:, 2] - middle[:, 2]
    arm_left = grips["left"][:, 2] - middle[:, 2]
    with np.errstate(invalid="ignore", divide="ignore"):
        offset = 100.0 * (right * arm_right + left * arm_left) / (right + left)
    value = abs(float(np.mean(offset[window])))
    return _judge(
        name,
        value,
        note="weight off the middle, an uneven bar, or unequal calibration of the hands"
        if value > LIMITS[name][0]
        else "",
        time=time,
        curves={"point of support": offset},
        axis="to the right of the bar's middle [cm]",
    )


def _constant(
    name: str, time: NDArray[np.float64], length: NDArray[np.float64], window: NDArray[np.bool_]
) -> Check:
    if not length.size:
        return _impossible(name, "joint angles were recorded, not landmarks")
    part = length[window]
    value = 100.0 * float(np.std(part) / np.mean(part))
    return _judge(
        name,
        value,
        note="landmarks that slide or are mixed up, or a misplaced joint centre"
        if value > LIMITS[name][0]
        else "",
        time=time,
        curves={name.removesuffix(" constant"): 100.0 * length},
        axis="length [cm]",
    )


def _against_person(
    time: NDArray[np.float64], track: ArmTrack, window: NDArray[np.bool_], sizes: Sizes
) -> Check:
    name = "upper arm against the person"
    if not track.upper_arm.size:
        return _impossible(name, "joint angles were recorded, not landmarks")
    measured = float(np.mean(track.upper_arm[window]))
    value = 100.0 * abs(measured / sizes.humerus_length - 1.0)
    estimated = "humerus_length" in sizes.estimated
    note = f"landmarks give {100 * measured:.1f} cm, the person {100 * sizes.humerus_length:.1f} cm"
    note += " (estimated from stature)" if estimated else " (measured)"
    return _judge(
        name,
        value,
        note=note,
        time=time,
        curves={
            "landmarks": 100.0 * track.upper_arm,
            "person": np.full(len(time), 100.0 * sizes.humerus_length),
        },
        axis="length [cm]",
    )


def _noise(track: ArmTrack, noise: Mapping[str, NDArray[np.float64]]) -> Check:
    name = "marker noise"
    # Each coordinate has the same share of a distance in space.
    size = {
        role: float(np.sqrt(np.nanmean(moved**2) / 3.0))
        for role, moved in noise.items()
        if np.isfinite(moved).any()
    }
    if not size:
        return _impossible(name, "no landmarks were filtered")
    worst = max(size, key=lambda role: size[role])
    moved = 1000.0 * noise[worst]
    return _judge(
        name,
        1000.0 * size[worst],
        note=f"root mean square of a coordinate, most in {worst}",
        time=track.start + np.arange(len(moved)) / track.rate,
        curves={worst: moved},
        axis="distance from the filtered path [mm]",
    )


def _synchrony(
    track: ArmTrack,
    forces: Mapping[str, NDArray[np.float64]],
    rising: NDArray[np.float64],
    window: NDArray[np.bool_],
) -> Check:
    name = "synchrony"
    if not forces:
        return _impossible(name, "no hand force was measured")
    total, _ = _total(forces)
    samples = np.flatnonzero(window)
    part = slice(samples[0], samples[-1] + 1)
    measured, expected = total[part], GRAVITY + rising[part]
    if not np.isfinite(measured).all() or not np.isfinite(expected).all():
        return _impossible(name, "the samples of the repetitions hold gaps")
    if np.std(expected) < _LEAST_CHANGE * np.mean(expected):
        return _impossible(name, "the load moved too evenly to compare the clocks")
    longest = min(_LONGEST_DELAY, len(measured) / track.rate / 3.0)
    found = delay(expected, measured, track.rate, longest)
    if found.at_edge or not found.correlation >= _LEAST_MATCH:
        return _impossible(
            name,
            "force and acceleration do not resemble each other (correlation "
            f"{found.correlation:.2f}); they may be from different trials",
        )
    late = "later" if found.seconds > 0 else "earlier"
    return _judge(
        name,
        1000.0 * abs(found.seconds),
        note=f"forces come {1000 * abs(found.seconds):.0f} ms {late} than the motion; state "
        "offset_s to shift them"
        if abs(found.seconds) * 1000.0 > LIMITS[name][0]
        else "",
        time=track.start + samples[0] / track.rate + np.arange(len(measured)) / track.rate,
        curves={
            "force over its mean": measured / np.mean(measured),
            "g + a over its mean": expected / np.mean(expected),
        },
        axis="ratio to the mean",
    )


def _missing(track: ArmTrack, missing: Mapping[str, NDArray[np.bool_]]) -> Check:
    name = "missing samples"
    worst = max(missing, key=lambda role: float(missing[role].mean()))
    gone = missing[worst]
    share = 100.0 * float(gone.mean())
    return _judge(
        name,
        share,
        note=f"most in {worst}, before gaps were filled" if share else "",
        time=track.start + np.arange(len(gone)) / track.rate,
        curves={worst: gone.astype(float)},
        axis="missing (1) or not (0)",
    )


def _speed(time: NDArray[np.float64], track: ArmTrack, window: NDArray[np.bool_]) -> Check:
    speed = np.gradient(track.height, 1.0 / track.rate)
    value = float(np.max(np.abs(speed[window])))
    return _judge(
        "peak speed",
        value,
        note="faster than a loaded press; check units and rates" if value > 1.5 else "",
        time=time,
        curves={"speed": speed},
        axis="upward speed [m/s]",
    )

"""Checks of the hand forces: balances of what is held, sides, ratio, clock.

Forces come in as forces on the hand, world frame, with the vertical reversed for hands on the
ground, so that in every check the force carried by the hand is positive.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from momentshare.signals import delay
from momentshare.trial.checks.placement import between_repetitions
from momentshare.trial.checks.verdict import LIMITS, Check, impossible, judge, over
from momentshare.units import GRAVITY

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from momentshare.trial.motion.repetition import MeasuredRepetition
    from momentshare.trial.motion.track import ArmTrack

__all__ = [
    "bar_moment",
    "bar_yaw",
    "body_weight",
    "force_balance",
    "lateral_cancels",
    "lateral_ratio",
    "left_right",
    "synchrony",
]

_LONGEST_DELAY = 0.25
"""Greatest delay that is searched for between forces and landmarks [s]; assumed."""

_FARTHEST = 2.0
"""Greatest delay that is searched for over the whole set where single lifts show none [s];
assumed."""

_AROUND = 2.0
"""What is compared then before the first lift and after the last one [s]; assumed."""

_LEAST_MATCH = 0.5
"""Correlation of measured and expected force below which a delay is meaningless; assumed."""

_LEAST_CHANGE = 0.02
"""Variation of the expected force, over its mean, needed to detect a delay; assumed."""

_OF_MEDIAN = 1.2533
"""Standard error of a median over that of a mean, of normal errors: the root of half of pi."""

_BODY_SHARE = (35.0, 90.0)
"""Share of body weight [%] that both hands of a push-up carry. Published static shares are 65 to
75 % (Mier 2014, read); the range is assumed, for hands or feet raised, knees on the ground and
speed."""

_PUBLISHED_RATIO = "-10 to +16 % at maximal loads (Larsen 2021, abstract)"
"""Mean ratio over grip widths, read; up to about 40 % is common practice, no source."""

_NO_BAR = "the hands hold no common bar"
_ONE_HAND = "forces of both hands are needed"
_EMPTY = "the hands carry nothing on average"


def _vertical(forces: Mapping[str, NDArray[np.float64]], side: str) -> NDArray[np.float64]:
    return -forces[side][:, 1]


def _total(forces: Mapping[str, NDArray[np.float64]]) -> tuple[NDArray[np.float64], str]:
    """Vertical force of both hands on the load, or twice that of one hand; and a note."""
    if {"right", "left"} <= set(forces):
        return _vertical(forces, "right") + _vertical(forces, "left"), ""
    side = next(iter(forces))
    return 2.0 * _vertical(forces, side), f"only the {side} hand was measured; it counts twice"


def force_balance(
    time: NDArray[np.float64],
    forces: Mapping[str, NDArray[np.float64]],
    rising: NDArray[np.float64],
    window: NDArray[np.bool_],
    load: float | None,
) -> Check:
    """Vertical force of both hands against weight and inertia of the load."""
    name = "force balance"
    if not forces:
        return impossible(name, "no hand force was measured; the load's weight and inertia count")
    if not load:
        return impossible(name, "the load is not stated (load_kg)")
    total, note = _total(forces)
    wanted = load * (GRAVITY + rising)
    off = (total - wanted)[window]
    expected = float(np.mean(wanted[window]))
    value = 100.0 * over(float(np.sqrt(np.mean(off**2))), expected)
    ratio = over(float(np.mean(total[window])), expected)
    if value > LIMITS[name][0]:
        note = f"{note}; " if note else ""
        note += (
            f"measured over expected is {ratio:.3g} on average{_slip(ratio)}; the forces are those "
            f"of {ratio * load:.1f} kg and load_kg is {load:g}: correct load_kg, or gain and zero "
            "of the force cells"
        )
    return judge(
        name,
        value,
        note=note,
        time=time,
        curves={"measured": total, "load × (g + a)": wanted},
        axis="vertical force, both hands [N]",
    )


def _slip(ratio: float) -> str:
    """Name a mistake that a ratio of forces suggests."""
    known = {
        1.0 / GRAVITY: "the forces look as if they were in kilograms",
        GRAVITY: "the load looks as if it were in newtons",
        0.5: "the load looks as if it were counted twice, or one hand were missing",
        2.0: "the load looks as if it were that of one hand",
        -1.0: "the sign of the force looks reversed (force_on of the layout)",
        0.4536: "the load looks as if it were in pounds",
        1.0 / 0.4536: "the forces look as if they were in pounds",
    }
    for value, text in known.items():
        if abs(ratio / value - 1.0) < 0.05:
            return f"; {text}"
    return ""


def left_right(
    time: NDArray[np.float64], forces: Mapping[str, NDArray[np.float64]], window: NDArray[np.bool_]
) -> Check:
    """Difference of the hands over their mean."""
    name = "left against right"
    if not {"right", "left"} <= set(forces):
        return impossible(name, _ONE_HAND)
    right, left = _vertical(forces, "right"), _vertical(forces, "left")
    mean = 0.5 * float(np.mean((right + left)[window]))
    value = 100.0 * over(abs(float(np.mean((right - left)[window]))), abs(mean))
    down = [side for side, one in (("right", right), ("left", left)) if np.mean(one[window]) < 0.0]
    reversed_ = (
        f"the force on the {down[0]} hand points the other way; reverse its sign in the layout "
        "(axes of the force, or factor = -1 of its signals)"
        if len(down) == 1
        else ""
    )
    return judge(
        name,
        value,
        note=_EMPTY if mean == 0.0 else reversed_,
        time=time,
        curves={"right": right, "left": left},
        axis="vertical force of a hand [N]",
    )


def lateral_cancels(
    time: NDArray[np.float64],
    forces: Mapping[str, NDArray[np.float64]],
    window: NDArray[np.bool_],
    *,
    one_bar: bool,
) -> Check:
    """Difference of the pushes along the bar, which must cancel, as the bar stays."""
    name = "lateral forces cancel"
    if not one_bar:
        return impossible(name, _NO_BAR)
    if not {"right", "left"} <= set(forces):
        return impossible(name, _ONE_HAND)
    right, left = -forces["right"][:, 2], forces["left"][:, 2]
    total = _vertical(forces, "right") + _vertical(forces, "left")
    if not np.isfinite(right[window] + left[window]).all():
        return impossible(name, "the force along the bar was not measured")
    off = (right - left)[window]
    mean = abs(float(np.mean(total[window])))
    value = 100.0 * over(float(np.sqrt(np.mean(off**2))), mean)
    return judge(
        name,
        value,
        note=_EMPTY if mean == 0.0 else "",
        time=time,
        curves={"right, outward": right, "left, outward": left},
        axis="force along the bar [N]",
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HandsOnBar:
    """Both hands on one bar.

    Attributes
    ----------
    forces, grips : mapping
        Side → force on the hand [N] and grip [m], world frame, shape (samples, 3).
    middle : float array, shape (samples, 3), or None
        Middle of the bar [m].
    one_bar : bool
        False if the hands hold no common bar.
    """

    forces: Mapping[str, NDArray[np.float64]]
    grips: Mapping[str, NDArray[np.float64]]
    middle: NDArray[np.float64] | None
    one_bar: bool

    def why_no_balance(self) -> str:
        """Explain why the moments on the bar cannot be balanced; empty if they can."""
        if not self.one_bar:
            return _NO_BAR
        both = {"right", "left"}
        if not both <= set(self.forces) or not both <= set(self.grips):
            return "forces and grips of both hands are needed"
        return ""


def bar_moment(hands: HandsOnBar, time: NDArray[np.float64], window: NDArray[np.bool_]) -> Check:
    """Point at which the two vertical forces together support the bar."""
    name = "moment balance of the bar"
    if why := hands.why_no_balance():
        return impossible(name, why)
    forces, grips, middle = hands.forces, hands.grips, hands.middle
    if middle is None:
        return impossible(name, "both ends of the bar are needed")
    right, left = _vertical(forces, "right"), _vertical(forces, "left")
    arm_right = grips["right"][:, 2] - middle[:, 2]
    arm_left = grips["left"][:, 2] - middle[:, 2]
    with np.errstate(invalid="ignore", divide="ignore"):
        offset = 100.0 * (right * arm_right + left * arm_left) / (right + left)
    value = abs(float(np.mean(offset[window])))
    return judge(
        name,
        value,
        above="weight off the middle, an uneven bar, or unequal calibration of the hands",
        time=time,
        curves={"point of support": offset},
        axis="to the right of the bar's middle [cm]",
    )


def bar_yaw(hands: HandsOnBar, time: NDArray[np.float64], window: NDArray[np.bool_]) -> Check:
    """Moment of the hands about the vertical, which must vanish, as the bar hardly turns."""
    name = "yaw balance of the bar"
    if why := hands.why_no_balance():
        return impossible(name, why)
    forces, grips, middle = hands.forces, hands.grips, hands.middle
    sides = ("right", "left")
    if any(np.isnan(forces[side][window][:, [0, 2]]).all() for side in sides):
        return impossible(name, "the horizontal forces were not measured")
    centre = 0.5 * (grips["right"] + grips["left"]) if middle is None else middle
    moment, total = np.zeros(len(time)), np.zeros(len(time))
    for side in sides:
        arm, force = grips[side] - centre, -forces[side]
        moment += arm[:, 2] * force[:, 0] - arm[:, 0] * force[:, 2]
        total += force[:, 1]
    mean = float(np.mean(total[window]))
    value = 100.0 * over(abs(float(np.mean(moment[window]))), abs(mean))
    with np.errstate(invalid="ignore", divide="ignore"):
        offset = np.where(total != 0.0, 100.0 * moment / total, np.nan)
    return judge(
        name,
        value,
        note=_EMPTY if mean == 0.0 else "",
        above="the hands seem to turn the bar about the vertical: check the axes of the force "
        "plates or sensors, which may be turned by 90 degrees",
        time=time,
        curves={"moment about the vertical": offset},
        axis="over the vertical force [cm]",
    )


def lateral_ratio(track: ArmTrack, used: Sequence[MeasuredRepetition], *, one_bar: bool) -> Check:
    """Size of the mean outward push over the vertical force."""
    name = "lateral ratio"
    if not one_bar:
        return impossible(name, _NO_BAR)
    if not used:
        return impossible(name, "no repetition could be used")
    ratios = [
        100.0 * np.asarray(item.measured.lateral.ratio, dtype=np.float64)
        for item in used
        if item.measured.lateral is not None
    ]
    if len(ratios) < len(used):
        return impossible(name, "the force along the bar was not measured")
    mean = float(np.mean(np.concatenate(ratios)))
    time, drawn = between_repetitions(track, used, ratios)
    return judge(
        name,
        abs(mean),
        note=f"the mean is {mean:+.1f} %, outward positive; published: {_PUBLISHED_RATIO}. Swapped "
        "hands or a reversed lateral axis satisfy every balance; only the sign of the ratio shows "
        "them",
        time=time,
        curves={"outward push": drawn},
        axis="over the vertical force [%]",
    )


def body_weight(
    time: NDArray[np.float64],
    forces: Mapping[str, NDArray[np.float64]],
    window: NDArray[np.bool_],
    *,
    body_mass: float,
    load: float | None,
    ground: bool,
) -> Check:
    """Fraction of body weight on both hands, less the load on the back."""
    name = "share of body weight"
    if not ground:
        return impossible(name, "the hands are not on the ground")
    if not forces:
        return impossible(name, "no hand force was measured")
    total, note = _total(forces)
    share = 100.0 * (total / GRAVITY - (load or 0.0)) / body_mass
    mean = float(np.mean(share[window]))
    low, high = _BODY_SHARE
    note = f"{note}; " if note else ""
    note += (
        f"the hands carry {mean:.0f} % of body weight; published for still push-ups: 65 to 75 % "
        "(Mier 2014)"
    )
    outside = float(np.maximum(0.0, np.maximum(low - mean, mean - high)))
    if outside > 0.0:
        note += "; check the unit of the force, its sign, and that each plate carries one hand"
    return judge(
        name,
        outside,
        note=note if np.isfinite(mean) else "",
        time=time,
        curves={"both hands": share},
        axis="share of body weight [%]",
    )


def synchrony(
    track: ArmTrack,
    forces: Mapping[str, NDArray[np.float64]],
    rising: NDArray[np.float64],
    spans: Sequence[tuple[int, int]],
) -> Check:
    """Delay of the force behind the acceleration of the load, median over the repetitions.

    Both clocks run throughout a recording, so repetitions differ by chance only and the median is
    more robust than the worst of them. A slow lift tells a delay badly: judged is the part of it
    that is beyond twice its standard error. Where force and acceleration match in no repetition,
    the whole set is compared over longer delays.
    """
    name = "synchrony"
    if not forces:
        return impossible(name, "no hand force was measured")
    total, _ = _total(forces)
    found, spreads, reasons = [], [], []
    for first, last in spans:
        inside = slice(first, last + 1)
        seconds, why = _lag(total[inside], rising[inside], track.rate)
        if why:
            reasons.append(why)
        else:
            found.append(seconds)
            spreads.append(_lag_spread(total[inside], rising[inside], seconds, track.rate))
    over_what = "one repetition"
    if len(found) > 1:
        over_what = (
            f"median of {len(found)} repetitions, {1000 * min(found):.0f} to "
            f"{1000 * max(found):.0f}"
        )
    if not found:
        around = round(_AROUND * track.rate)
        whole = slice(max(spans[0][0] - around, 0), spans[-1][1] + around)
        seconds, why = _lag(total[whole], rising[whole], track.rate, _FARTHEST)
        if why or abs(seconds) <= _LONGEST_DELAY:
            return impossible(name, reasons[0])
        found, over_what = [seconds], "the whole set"
        spreads = [_lag_spread(total[whole], rising[whole], seconds, track.rate)]
    middle = float(np.median(found))
    # Of a median of several, as of normal errors.
    wide = (_OF_MEDIAN if len(found) > 1 else 1.0) / np.sqrt(len(found))
    doubt = 2.0 * wide * float(np.sqrt(np.mean(np.square(spreads))))
    note = ""
    if 1000.0 * abs(middle) > LIMITS[name][0]:
        late = "later" if middle > 0 else "earlier"
        note = (
            f"forces come {1000 * abs(middle):.0f} ± {1000 * doubt:.0f} ms {late} than the motion "
            f"({over_what}); add {-middle:.3f} to force_offset_s of the trial (or to offset_s of a "
            "file of their own)"
        )
    begin, end = spans[0][0], spans[-1][1] + 1
    rises = np.zeros(end - begin, dtype=bool)
    for first, last in spans:
        rises[first - begin : last + 1 - begin] = True
    curves = {}
    for label, values in (
        ("force over its mean", total[begin:end]),
        ("g + a over its mean", GRAVITY + rising[begin:end]),
    ):
        known = rises & np.isfinite(values)
        curves[label] = np.where(rises, values / np.mean(values[known]), np.nan)
    found_delay = judge(
        name,
        1000.0 * abs(middle),
        doubt=1000.0 * doubt,
        note=note,
        time=track.start + np.arange(begin, end) / track.rate,
        curves=curves,
        axis="ratio to the mean",
    )
    if found_delay.verdict == "pass" and 1000.0 * doubt > LIMITS[name][1]:
        return impossible(
            name,
            "the load moved too evenly to compare the clocks more closely than to "
            f"{1000.0 * doubt:.0f} ms",
        )
    return found_delay


def _lag(
    force: NDArray[np.float64],
    rising: NDArray[np.float64],
    rate: float,
    longest: float = _LONGEST_DELAY,
) -> tuple[float, str]:
    """Delay of the force in a stretch [s], or why it cannot be determined."""
    expected = GRAVITY + rising
    if not np.isfinite(force).all() or not np.isfinite(expected).all():
        return np.nan, "the samples of the repetitions hold gaps"
    if np.std(expected) < _LEAST_CHANGE * np.mean(expected):
        return np.nan, "the load moved too evenly to compare the clocks"
    found = delay(expected, force, rate, min(longest, len(force) / rate / 3.0))
    if found.at_edge or not found.correlation >= _LEAST_MATCH:
        why = (
            "force and acceleration do not match (correlation "
            f"{found.correlation:.2f}); they may be from different trials"
        )
        return np.nan, why
    return found.seconds, ""


def _lag_spread(
    force: NDArray[np.float64], rising: NDArray[np.float64], seconds: float, rate: float
) -> float:
    """Return the standard error of a delay [s], from what is left of the force once it is fitted.

    What is left over the slope of the force is an error of time. The slope is what both have in
    common, since the noise of either would pass for a steep one; samples of a filtered signal are
    not independent, so they count by their autocorrelation.
    """
    sample = np.arange(len(force)) / rate
    expected = np.interp(sample - seconds, sample, GRAVITY + rising)
    expected, own = expected - expected.mean(), force - force.mean()
    size = float(own @ expected / (expected @ expected))
    left = own - size * expected
    slope = size * float(np.mean(np.gradient(expected, 1.0 / rate) * np.gradient(own, 1.0 / rate)))
    if not slope > 0.0:
        return float("inf")
    alike = np.correlate(left, left, "full")[len(left) - 1 :]
    if not alike[0] > 0.0:
        return 0.0
    alike = alike / alike[0]
    until = int(np.argmax(alike < 0.0)) or len(alike)
    independent = max(len(left) / (1.0 + 2.0 * float(alike[1:until].sum())), 1.0)
    return float(np.sqrt(np.mean(left**2) / slope / independent))

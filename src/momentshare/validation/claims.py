"""Comparisons that need a whole task: presses by hand spacing, contact force, orderings.

The pressing posture is our own choice, the same at every spacing: tuck 60 degrees on the
chest to 82 at lock-out, the hand nearer the head than the elbow by 7 degrees falling to -6.
The lifter is the average man with a training factor of 1.33 (fukunaga2001). Lateral ratios
and loads are those of larsen2021. None of these rows is used in any fit.
"""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.analysis import LiftResult, prepare, solve_lift
from momentshare.balance import Lateral
from momentshare.exercise import BenchPress, Lift, Profile
from momentshare.limb import Limb, build_limb
from momentshare.paths import ROWS
from momentshare.person import Person
from momentshare.posture import posture_from_angles
from momentshare.skeleton import body_poses
from momentshare.units import GRAVITY
from momentshare.validation.evaluate import average_person
from momentshare.validation.push_up import push_up_rows

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from momentshare.model import Model

__all__ = ["MEASURED_RATIOS", "claim_rows", "press_results", "unloaded_abduction"]

MEASURED_RATIOS = {1.0: -0.093, 1.4: -0.011, 1.7: 0.144}
"""Lateral over vertical hand force by spacing, middle of the range of larsen2021 (read)."""

_RATIO_RANGE = {1.0: (-0.101, -0.085), 1.4: (-0.018, -0.004), 1.7: (0.131, 0.157)}
_LOADS = {1.0: (103.7, 24.0), 1.4: (108.9, 26.4), 1.7: (109.8, 24.5)}
_TESTED_LOAD = 70.0
_DEGREE = np.pi / 180.0


def press_results(model: Model, *, frames: int = 21) -> dict[tuple[float, str], LiftResult]:
    """Solve the bench press at the three spacings and in every treatment of the bar force.

    Returns
    -------
    dict
        Key: spacing over biacromial breadth, lateral mode.
    """
    limb = _lifter(model)
    out: dict[tuple[float, str], LiftResult] = {}
    for spacing, ratio in MEASURED_RATIOS.items():
        press = _press(limb, spacing, frames=frames)
        ready = prepare(limb, press.lift(limb.skeleton))
        for lateral in (
            Lateral(mode="measured", ratio=ratio),
            Lateral(mode="zero"),
            Lateral(mode="free"),
        ):
            out[spacing, lateral.mode] = solve_lift(ready, lateral)
    return out


def unloaded_abduction(limb: Limb, elevation: float = 90.0) -> LiftResult:
    """Solve the arm held out to the side in the scapular plane, upright, without a load."""
    posture = posture_from_angles(
        plane=np.array([30 * _DEGREE]),
        elevation=elevation * _DEGREE,
        elbow_flexion=5 * _DEGREE,
        forearm_rotation=90 * _DEGREE,
    )
    poses = body_poses(limb.skeleton, posture)
    elbow = poses.origin["ulna"]
    hand = elbow - limb.skeleton.sizes.grip_length * poses.rotation["ulna"][..., :, 1]
    lift = Lift(
        fraction=np.zeros(1),
        height=hand[:, 1],
        time=None,
        posture=posture,
        hand=hand,
        elbow=elbow.copy(),
        up=np.array([0.0, 1.0, 0.0]),
        load_mass=0.0,
        lateral_axis=np.array([0.0, 0.0, 1.0]),
        lateral_free=False,
        reachable=np.ones(1, dtype=bool),
        gap=np.zeros(1),
        breaches=(),
        motion=None,
    )
    return solve_lift(prepare(limb, lift), Lateral(mode="zero"), greatest_load=False)


def claim_rows(model: Model, limb_of: Callable[[str, str], Limb]) -> list[dict[str, Any]]:
    """Rows of the validation table that come from whole tasks."""
    results = press_results(model)
    return [
        *_lateral_rows(results),
        *_load_rows(results),
        *_moment_rows(results),
        *_activity_rows(results),
        *_angle_rows(model),
        *_contact_rows(limb_of("male", "resting")),
        *(_row(*row) for row in push_up_rows(model, limb_of)),
    ]


def _lifter(model: Model) -> Limb:
    """Limb of the average man with an athlete's muscle volume."""
    base = average_person(model, "male")
    return build_limb(
        Person(
            name="average lifter",
            sex="male",
            stature=base.stature,
            body_mass=base.body_mass,
            training_factor=model.number("volume_athlete_over_student"),
        ),
        model,
    )


def _press(
    limb: Limb, spacing: float, *, tuck: float = 60.0, bench: float = 0.0, frames: int = 21
) -> BenchPress:
    """Return the press of the module text, with another tuck on the chest or bench angle."""
    return BenchPress(
        load_mass=_TESTED_LOAD,
        spacing=Profile.constant(spacing * limb.skeleton.sizes.biacromial_breadth),
        tuck=Profile(((0.0, tuck * _DEGREE), (1.0, 82 * _DEGREE))),
        tilt=Profile(((0.0, 7 * _DEGREE), (1.0, -6 * _DEGREE))),
        bench_angle=bench * _DEGREE,
        frames=frames,
    )


def _angle_rows(model: Model) -> list[dict[str, Any]]:
    """Orderings by bench angle and tuck that coaches report; no published source."""
    limb = _lifter(model)

    def efforts(tuck: float = 60.0, bench: float = 0.0) -> dict[str, float]:
        press = _press(limb, 1.4, tuck=tuck, bench=bench)
        ready = prepare(limb, press.lift(limb.skeleton))
        result = solve_lift(
            ready, Lateral(mode="measured", ratio=MEASURED_RATIOS[1.4]), greatest_load=False
        )
        return {h: _mean_effort(result, h) for h in limb.head_names}

    flat, incline, decline = efforts(), efforts(bench=30.0), efforts(bench=-15.0)
    tucked, flared = efforts(tuck=45.0), efforts(tuck=70.0)
    wanted = (
        ("deltoid/clavicular", "incline 30", "flat", incline, flat),
        ("pectoralis_major/abdominal", "flat", "incline 30", flat, incline),
        ("pectoralis_major/abdominal", "decline 15", "flat", decline, flat),
        ("deltoid/clavicular", "tuck 45", "tuck 70", tucked, flared),
    )
    return [
        _row(
            f"activity_{head.replace('/', '_')}_{more.replace(' ', '_')}",
            f"lift-mean effort of {head}, {more} less {less}",
            "bench press, 1.4 × biacromial, lateral force measured",
            f"more with {more}",
            (0.0, np.inf),
            "1",
            top[head] - bottom[head],
            "common practice",
            "commonpractice",
            "rule of thumb among coaches, no source; sign only",
        )
        for head, more, less, top, bottom in wanted
    ]


def _row(
    name: str,
    quantity: str,
    posture: str,
    published: str,
    band: tuple[float, float],
    unit: str,
    value: float,
    known: str,
    source: str,
    reason: str,
) -> dict[str, Any]:
    return {
        "id": name,
        "quantity": quantity,
        "posture": posture,
        "published": published,
        "low": band[0],
        "high": band[1],
        "unit": unit,
        "model": float(value),
        "in_band": bool(band[0] <= value <= band[1]),
        "known": known,
        "use": "validation",
        "source": source,
        "band_reason": reason,
    }


def _mean_effort(result: LiftResult, head: str) -> float:
    index = result.prepared.limb.head_names.index(head)
    return float(result.effort[:, index].mean())


def _lateral_rows(results: dict[tuple[float, str], LiftResult]) -> list[dict[str, Any]]:
    mean = {s: float(results[s, "free"].lateral_ratio.mean()) for s in MEASURED_RATIOS}
    rows = [
        _row(
            f"free_lateral_ratio_{s}",
            "lateral over vertical hand force, free, lift mean",
            f"bench press, {s} × biacromial",
            f"{low:g} to {high:g}",
            (low - 0.1, high + 0.1),
            "1",
            mean[s],
            "read",
            "larsen2021",
            "sticking region of 14 lifters; the size differs about twofold between studies, "
            "so 0.1 to each side",
        )
        for s, (low, high) in _RATIO_RANGE.items()
    ]
    order = sorted(mean)
    rows.append(
        _row(
            "free_lateral_ratio_rises",
            "free lateral ratio, least rise from one spacing to the next wider",
            "bench press, 1.0, 1.4, 1.7 × biacromial",
            "rises",
            (0.0, np.inf),
            "1",
            min(mean[b] - mean[a] for a, b in pairwise(order)),
            "read",
            "larsen2021",
            "the rise with width is firm, its size is not",
        )
    )
    return rows


def _load_rows(results: dict[tuple[float, str], LiftResult]) -> list[dict[str, Any]]:
    weakest: dict[float, float] = {}
    place: dict[float, float] = {}
    for s in MEASURED_RATIOS:
        greatest = results[s, "measured"].greatest
        if greatest is None:  # pragma: no cover - press_results always asks for it
            continue
        k = int(np.nanargmin(greatest.factor))
        weakest[s] = float(greatest.factor[k])
        place[s] = float(results[s, "measured"].prepared.lift.fraction[k])
    rows = [
        _row(
            f"greatest_load_{s}",
            "greatest load over the lift, measured lateral ratio",
            f"bench press, {s} × biacromial",
            f"{mean:g} ± {sd:g}",
            (mean - 2 * sd, mean + 2 * sd),
            "kg",
            weakest[s],
            "read",
            "larsen2021",
            "one-repetition maximum of 14 trained lifters; band two standard deviations",
        )
        for s, (mean, sd) in _LOADS.items()
    ]
    rows += [
        _row(
            f"greatest_load_{s}_over_narrow",
            "greatest load over that at 1.0",
            f"bench press, {s} × biacromial",
            f"{_LOADS[s][0] / _LOADS[1.0][0]:.3f}",
            (_LOADS[s][0] / _LOADS[1.0][0] - 0.1, _LOADS[s][0] / _LOADS[1.0][0] + 0.1),
            "1",
            weakest[s] / weakest[1.0],
            "read",
            "larsen2021",
            "means of the same lifters; the spread of the ratio was not given, band 0.1",
        )
        for s in (1.4, 1.7)
    ]
    rows += [
        _row(
            f"weak_zone_{s}",
            "place of the least greatest load",
            f"bench press, {s} × biacromial",
            "inside the lift",
            (0.05, 0.95),
            "1",
            place[s],
            "read",
            "vandentillaar2012",
            "a weak region within twelve isometric bar heights; neither end counts",
        )
        for s in MEASURED_RATIOS
    ]
    return rows


def _moment_rows(results: dict[tuple[float, str], LiftResult]) -> list[dict[str, Any]]:
    def mean_moment(spacing: float, row: str) -> float:
        return float(results[spacing, "measured"].moments[:, ROWS.index(row)].mean())

    elbow = {s: mean_moment(s, "elbow_extension") for s in MEASURED_RATIOS}
    shoulder = {s: mean_moment(s, "shoulder_horizontal_adduction") for s in MEASURED_RATIOS}
    rows = [
        _row(
            "elbow_moment_narrow_over_wide",
            "lift-mean elbow extension moment, 1.0 over 1.7",
            "bench press",
            "larger when narrow",
            (1.0, np.inf),
            "1",
            elbow[1.0] / elbow[1.7],
            "read",
            "mausehund2022",
            "sign only; 35 lifters",
        ),
        _row(
            "shoulder_moment_wide_over_narrow",
            "lift-mean horizontal adduction moment, 1.7 over 1.0",
            "bench press",
            "larger when wide",
            (1.0, np.inf),
            "1",
            shoulder[1.7] / shoulder[1.0],
            "read",
            "mausehund2022",
            "sign only; 35 lifters",
        ),
    ]
    for s in MEASURED_RATIOS:
        arms = results[s, "zero"].prepared.demand.gravity_arms
        across = np.abs(arms[:, ROWS.index("shoulder_horizontal_adduction")])
        hinge = arms[:, ROWS.index("elbow_extension")]
        rows.append(
            _row(
                f"gravity_arm_shoulder_falls_{s}",
                "gravity-only shoulder arm across the plane of elevation, end over beginning",
                f"bench press, {s} × biacromial",
                "falls all the way",
                (0.0, 1.0) if _falls(across) else (0.0, 0.0),
                "1",
                float(across[-1] / across[0]),
                "read",
                "elliott1989",
                "monotone decrease in the ascent; the band closes when the fall is not monotone",
            )
        )
        least = int(np.argmin(np.abs(hinge)))
        rows.append(
            _row(
                f"gravity_arm_elbow_least_{s}",
                "place of the least gravity-only elbow arm",
                f"bench press, {s} × biacromial",
                "sticking region, then rises",
                (0.1, 0.9),
                "1",
                float(results[s, "zero"].prepared.lift.fraction[least]),
                "read",
                "elliott1989",
                "decrease, minimum in the sticking region, increase; neither end counts",
            )
        )
    return rows


def _falls(values: NDArray[np.float64]) -> bool:
    return bool(np.all(np.diff(values) <= 0.0))


def _activity_rows(results: dict[tuple[float, str], LiftResult]) -> list[dict[str, Any]]:
    rows = []
    wanted = (
        ("pectoralis_major/clavicular", "narrow"),
        ("deltoid/clavicular", "narrow"),
        ("triceps_brachii/lateral", "narrow"),
        ("pectoralis_major/abdominal", "wide"),
    )
    for mode in ("measured", "free"):
        for head, where in wanted:
            narrow, wide = (_mean_effort(results[s, mode], head) for s in (1.0, 1.7))
            top, bottom = (narrow, wide) if where == "narrow" else (wide, narrow)
            rows.append(
                _row(
                    f"activity_{head.replace('/', '_')}_{mode}",
                    f"lift-mean effort of {head}, {where} less the other end",
                    f"bench press, 1.0 and 1.7, lateral force {mode}",
                    f"more when {where}",
                    (0.0, np.inf),
                    "1",
                    top - bottom,
                    "read",
                    "mausehund2022",
                    "order of EMG within the muscle, 35 lifters; activity is not force",
                )
            )
    return rows


def _contact_rows(limb: Limb) -> list[dict[str, Any]]:
    result = unloaded_abduction(limb)
    force = result.contact[0]
    weight = limb.skeleton.person.body_mass * GRAVITY
    outward = limb.skeleton.fixed["scapula"][0][:, 2]
    # The glenoid pushes the head outward; what runs across that is shear.
    pressing = float(force @ outward)
    shear = float(np.linalg.norm(force - pressing * outward))
    return [
        _row(
            "contact_abduction_90",
            "glenohumeral contact force over body weight, arm held out unloaded",
            "scapular plane, elevation 90 deg",
            "about 0.9",
            (0.6, 1.2),
            "1",
            float(np.linalg.norm(force)) / weight,
            "read",
            "asme1998",
            "analytical estimates of the older literature; band one third",
        ),
        _row(
            "contact_direction_90",
            "shear over compression at the glenoid, arm held out unloaded",
            "scapular plane, elevation 90 deg",
            "up to 0.60",
            (0.0, 0.6),
            "1",
            shear / pressing if pressing > 0.0 else np.inf,
            "read",
            "lippitt1993",
            "greatest stability ratio over eight directions, labrum intact",
        ),
    ]

"""Studies at the edges of what a study file may say, and whether their answers hold.

A case is a study of people of any size, from a child's to a giant's, in every exercise, with
a load from nothing to a ton, an exponent from 1.01 to 100 (or the min–max), and any other
setting. Its answers must be finite and within bounds, a frame without proof must show in its
certificate what does not hold, a refusal must say why. Then one number of the study is moved a
little: an answer that does not follow has a jump.
"""

import math
import random
from collections import Counter
from dataclasses import dataclass, field

import numpy as np

from momentshare.errors import MomentshareError
from momentshare.sharing import Status
from momentshare.study import parse_study, plan_study
from momentshare.study.exercises import EXERCISES

FRAMES = 5

STEP = 1e-6
"""Part by which a number of a study is moved."""

ROUNDING = 1e-6
"""Change of an activation that is no jump, whatever the step."""

STEEP = 0.2
"""An answer that follows its input changes by a tenth when a tenth of the step is made; a jump
does not shrink. What lies above this part of the first change counts as a jump."""

DETERMINED = 1e-12
"""With a great exponent p a head that next to nothing drives is active all the same (a part of
1e-16 of the greatest drive, raised to 1/(p − 1), is 0.46 at p = 49). Below this part of the
greatest marginal effort w aᵖ⁻¹ rounding decides, and no answer in double precision can follow its
input."""

TOLERANCE = 1e-9
"""Distance from 0 to 1 of an activation that is rounding."""

PROOF = ("bound_violation", "stationarity", "duality_gap", "moment_residual")
"""Parts of a certificate, any of which may fail."""

MOVED = ("load", "exponent", "body_mass_kg", "stature_cm", "spacing", "posture")


@dataclass
class Found:
    """What became of some cases."""

    conditions: int = 0
    statuses: Counter = field(default_factory=Counter)
    reasons: Counter = field(default_factory=Counter)
    """What fails most in the certificate of a frame without proof."""
    refused: int = 0
    compared: Counter = field(default_factory=Counter)
    jumps: list = field(default_factory=list)
    """(number of the study, condition, what was moved, change, change at a tenth of the step)."""
    faults: list = field(default_factory=list)

    def add(self, other):
        self.conditions += other.conditions
        self.statuses += other.statuses
        self.reasons += other.reasons
        self.refused += other.refused
        self.compared += other.compared
        self.jumps += other.jumps
        self.faults += other.faults


def seeded(number, people=1):
    """Values of the study of this number: settings, people, a condition of each exercise.

    The first person and the conditions are the same however many people there are.
    """
    rng = random.Random(number)  # noqa: S311 - no secret
    exponent = 10 ** rng.uniform(math.log10(1.01), 2.0)
    values = {
        "settings": {
            "exponent": float("inf") if rng.random() < 0.1 else exponent,
            "weights": rng.choice(["volume", "none"]),
            "lateral": rng.choice([["free"], ["zero", "free"], ["measured", "zero"]]),
            "hand_couples": rng.choice(["zero", "zero", "free"]),
            "balance_forearm": rng.random() < 0.2,
            "glenoid_constraint": rng.random() < 0.5,
            "frames": FRAMES,
            "elastic_tendon": rng.random() < 0.1,
            "scapula": rng.choice(["moving", "moving", "resting", "pressing"]),
        },
        "people": [_person(0, rng)],
    }
    values["conditions"] = [_condition(name, rng) for name in EXERCISES]
    values["people"] += [_person(k, rng) for k in range(1, people)]
    return values


def _person(number, rng):
    return {
        "name": f"P{number}",
        "sex": rng.choice(["female", "male"]),
        "stature_cm": rng.uniform(120.0, 230.0),
        "body_mass_kg": rng.uniform(35.0, 200.0),
        "training_factor": rng.uniform(0.3, 3.0),
    }


def _condition(exercise, rng):
    kind = EXERCISES[exercise]
    load = 0.0 if rng.random() < 0.05 else 10 ** rng.uniform(-1.0, 3.0)
    found = {"name": exercise, "exercise": exercise, "load_kg": load}
    if any("spacing_cm" in group for group in kind.require_choice):
        found["spacing_biacromial"] = rng.uniform(0.6, 2.6)
    if exercise in {"bar_press", "dumbbell_press"} and rng.random() < 0.5:
        found["touch_point_cm"] = rng.uniform(0.0, 25.0)
    elif "tuck_deg" in kind.fields:
        found["tuck_deg"] = rng.uniform(30.0, 100.0)
    for name, low, high, chance in (
        ("forearm_tilt_deg", -20.0, 20.0, 0.3),
        ("bench_angle_deg", -30.0, 60.0, 0.3),
        ("trunk_angle_deg", 0.0, 90.0, 0.3),
        ("plane_deg", 0.0, 90.0, 0.3),
        ("duration_s", 0.4, 5.0, 0.3),
        ("protraction_deg", -15.0, 20.0, 0.2),
        ("cable_angle_deg", 0.0, 90.0, 0.5),
    ):
        if name in kind.fields and rng.random() < chance:
            found[name] = rng.uniform(low, high)
    if kind.lateral and rng.random() < 0.7:
        found["lateral_ratio"] = rng.uniform(-0.3, 0.5)
    if kind.lateral and rng.random() < 0.2:
        found["lateral_bounds"] = sorted(rng.uniform(-0.5, 0.5) for _ in range(2))
    return found


def _toml(value):
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, list):
        return f"[{', '.join(map(_toml, value))}]"
    return repr(value)


def text_of(values):
    """Text of the study file."""
    tables = [("[settings]", values["settings"])]
    tables += [("[[person]]", p) for p in values["people"]]
    tables += [("[[condition]]", c) for c in values["conditions"]]
    lines = ['title = "Edge"']
    for head, table in tables:
        lines += [head, *(f"{k} = {_toml(v)}" for k, v in table.items())]
    return "\n".join(lines)


def moved(values, what, by):
    """The study with one number moved by a part of itself; None where it has no such number."""
    settings, people = dict(values["settings"]), [dict(p) for p in values["people"]]
    conditions = [dict(c) for c in values["conditions"]]
    if what == "exponent":
        if not math.isfinite(settings["exponent"]):
            return None
        settings["exponent"] = 1.0 + (settings["exponent"] - 1.0) * (1.0 + by)
    elif what in people[0]:
        for person in people:
            person[what] *= 1.0 + by
    else:
        names = {
            "load": ("load_kg",),
            "spacing": ("spacing_biacromial",),
            "posture": ("tuck_deg", "touch_point_cm", "plane_deg", "trunk_angle_deg"),
        }[what]
        for condition in conditions:
            for name in names:
                if name in condition:
                    condition[name] *= 1.0 + by
    return {"settings": settings, "people": people, "conditions": conditions}


def solved(values):
    """Answers of a study; None where nobody can perform anything."""
    planned = plan_study(parse_study(text_of(values)))
    try:
        return planned.solve(greatest_load=False)
    except MomentshareError as err:
        if err.exit_code == 1 and str(err):
            return None
        raise


def answers(result):
    """Results by person, condition, treatment and whether the glenoid's limit is kept."""
    return {
        (case.person, case.condition, answer.lateral.mode, number): (case, answer)
        for case in result.cases
        for number, kept in enumerate((case.results, case.without_limit))
        for answer in kept
    }


def look(number, *, people=1, moving=True):
    """Solve the study of a number and check its answers."""
    values, found = seeded(number, people), Found()
    found.conditions = len(values["conditions"]) * people
    try:
        result = solved(values)
    except Exception as err:  # noqa: BLE001 - that is what is looked for
        found.faults.append((number, "", f"{type(err).__name__}: {str(err)[:300]}"))
        return found
    if result is None:
        found.refused = found.conditions
        return found
    for refusal in result.refusals:
        found.refused += 1
        if not refusal.reason.strip():
            found.faults.append((number, refusal.condition, "refused without a reason"))
    for (person, condition, mode, _), (case, answer) in answers(result).items():
        for fault in judged(case, answer, found):
            found.faults.append((number, f"{person}, {condition}", f"{mode}: {fault}"))
    if moving:
        follow(number, values, result, found)
    return found


def judged(case, answer, found):
    """Faults of one answer; its statuses and reasons are counted in ``found``."""
    reach = case.prepared.lift.reachable
    sharing = answer.sharing
    status = sharing.status[reach]
    found.statuses.update(Status(int(s)).name.lower() for s in status)
    usable = reach & ~np.isin(sharing.status, (Status.INVALID, Status.INFEASIBLE))
    if (sharing.status[reach] == Status.INVALID).any():
        yield "invalid where the hand can reach"
    arrays = {
        "activation": sharing.activation,
        "force": sharing.force,
        "multipliers": sharing.multipliers,
        "unmet": sharing.unmet,
        "moments": answer.moments,
        "lateral force": answer.lateral_force,
        "contact": answer.contact,
    }
    for name, array in arrays.items():
        if not np.isfinite(array[usable]).all():
            yield f"{name}: not finite"
    inside = sharing.activation[usable]
    if inside.size and not (inside.min() >= -TOLERANCE and inside.max() <= 1.0 + TOLERANCE):
        yield f"activation from {inside.min():.6g} to {inside.max():.6g}"
    open_ = usable & (sharing.status == Status.UNCERTIFIED)
    if open_.any():
        worst = np.array([np.abs(getattr(sharing.certificate, name)[open_]) for name in PROOF])
        if not (worst.max(axis=0) > TOLERANCE).all():
            yield "uncertified, and nothing in the certificate says why"
        found.reasons.update(PROOF[k] for k in worst.argmax(axis=0))


def follow(number, values, result, found):
    """Move one number of the study, ever less, and see whether the answers follow."""
    what = MOVED[number % len(MOVED)]
    near, nearer = (moved(values, what, part * STEP) for part in (1.0, 0.1))
    if near is None:
        return
    here = answers(result)
    changes = []
    for other in (near, nearer):
        there = solved(other)
        changes.append({} if there is None else _change(here, answers(there)))
    found.compared[what] += len(changes[0])
    for key, change in changes[0].items():
        left = changes[1].get(key, 1.0)
        if change > ROUNDING and left > max(ROUNDING, STEEP * change):  # it did not shrink
            found.jumps.append((number, key, what, change, left))


def _change(here, there):
    """Greatest change of an activation over the frames that both have proved, by answer."""
    found = {}
    for key, (case, answer) in here.items():
        if key not in there:
            found[key] = 1.0
            continue
        other = there[key][1]
        proved = (Status.SOLVED, Status.SHORTFALL)
        both = case.prepared.lift.reachable & there[key][0].prepared.lift.reachable
        both &= np.isin(answer.sharing.status, proved) & np.isin(other.sharing.status, proved)
        if both.any():
            found[key] = _greatest_change(
                answer.activation[both], other.activation[both], answer.criterion.exponent
            )
    return found


def _greatest_change(one, two, exponent):
    """Greatest change of an activation that double precision can tell from rounding."""
    change = np.abs(one - two)
    if math.isfinite(exponent):
        with np.errstate(under="ignore"):
            marginal = [np.maximum(a, 0.0) ** (exponent - 1.0) for a in (one, two)]
        greatest = np.max(marginal[0], axis=1, keepdims=True)
        change = np.where(np.abs(marginal[0] - marginal[1]) > DETERMINED * greatest, change, 0.0)
    return float(change.max(initial=0.0))

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
from momentshare.sharing._certificate import ROUNDED
from momentshare.study import parse_study, plan_study
from momentshare.study.exercises import EXERCISES

FRAMES = 5

STEPS = tuple(10.0**-k for k in range(6, 13))
"""Parts by which a number of a study is moved, one after the other until its answers follow. After
the last, rounding of what is computed from it (hundreds of terms) decides."""

TWICE = 2.0
"""An answer that follows its input changes in proportion to it; the slope of a jump grows as the
step shrinks. What has no more than this part of the slope of the step before follows. Moments of
timed lifts are differences of differences and hold rounding of 1e-6 N·m: where they do not shrink
with the step, the slope of the first step counts."""

ROUNDING = 1e-6
"""Change that is no jump, whatever the step."""

GAP = 1e-14
"""Duality gap, relative, that rounding leaves in the sums over 45 lines."""

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
    """(number of the study, answer, what was moved, change at first, change at the last step)."""
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
            "weights": rng.choice(["area", "volume", "none"]),
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


def look(number, *, people=1, some=slice(None), moving=None):
    """Solve the study of a number and check its answers.

    ``some`` of its people are taken, the first ``moving`` of them (all where not said) also with
    a number of the study moved.
    """
    values, found = seeded(number, people), Found()
    values["people"] = values["people"][some]
    found.conditions = len(values["conditions"]) * len(values["people"])
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
    moved_people = values["people"][:moving]
    if moved_people:
        follow(number, values | {"people": moved_people}, result, found)
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
    if moved(values, what, STEPS[0]) is None:
        return
    names = {person["name"] for person in values["people"]}
    here = {key: kept for key, kept in answers(result).items() if key[0] in names}
    first, before, open_ = None, {}, set()
    for step in STEPS:
        there = solved(moved(values, what, step))
        changes = {} if there is None else _changes(here, answers(there), step)
        if first is None:
            first, open_ = changes, set(changes)
        else:
            open_ = {
                key for key in open_ if not _follows(first[key], before[key], changes.get(key))
            }
        open_ = {key for key in open_ if changes[key][0] > ROUNDING}
        before = changes
        if not open_:
            break
    found.compared[what] += len(first)
    found.jumps += [(number, key, what, first[key][0], before[key][0]) for key in open_]


def _follows(first, before, now):
    """Whether a change is in proportion to that of its input; each is (change, its input's)."""
    if now is None:
        return False
    slope = now[0] / now[1]
    shrank = now[1] < 0.5 * before[1]
    return slope <= TWICE * first[0] / first[1] or (
        shrank and slope <= TWICE * before[0] / before[1]
    )


def _changes(here, there, step):
    """Greatest change of what follows its input, and of the input, over frames proved twice."""
    found = {}
    for key, (case, answer) in here.items():
        if key not in there:
            found[key] = (1.0, step)
            continue
        other_case, other = there[key]
        both = case.prepared.lift.reachable & other_case.prepared.lift.reachable
        for one in (answer, other):
            both = both & np.isin(one.sharing.status, (Status.SOLVED, Status.SHORTFALL))
        if both.any():
            pairs = ((case, answer), (other_case, other))
            top = np.maximum(*(one.activation.max(axis=1, keepdims=True) for _, one in pairs))
            values, known = zip(*(following(*pair, top) for pair in pairs), strict=True)
            change = np.abs(values[0] - values[1])
            change = np.where(change > known[0] + known[1], change, 0.0).max(axis=1)
            frame = np.where(both, change, -1.0).argmax()
            inputs = _input_change(*(balance_of(*pair) for pair in pairs), frame)
            found[key] = (float(change[frame]), max(step, inputs))
    return found


def balance_of(case, answer):
    """The balance that an answer is of."""
    return case.prepared.balance(answer.criterion).treated(answer.lateral)


def _input_change(one, other, frame):
    """Greatest change of moments, arms and capacities, each over the greatest of its kind."""
    changes = []
    for name in ("known_moments", "arms", "capacity"):
        values = [getattr(balance, name)[frame] for balance in (one, other)]
        changes.append(np.abs(values[0] - values[1]).max() / max(np.abs(values[0]).max(), 1e-300))
    return float(max(changes))


def following(case, answer, greatest):
    """What follows its input in proportion, and to what its certificate says that it is known.

    Multipliers λ and, as a function of the moment, activations follow their input in proportion
    where the heads that act span the rows. A drive Rᵀλ does so as a function of everything, an
    activation that answers it by the power 1/(p − 1), whose slope has no bound at zero for p > 2:
    with p = 10 a tenth of the drive is 0.77 of the activation. So marginal efforts aᵖ⁻¹ over that
    of the greatest activation A are compared for p > 2, activations for p ≤ 2 and the min–max.

    An answer a that costs Γ more than the best one a* of its moment has Σ D(a, a*) ≤ Γ, with D
    the excess of w aᵖ over its tangent at a*. For p ≤ 2 its curvature is at least p (p − 1) w
    Aᵖ⁻² up to A: a is known to √(2 Γ A²⁻ᵖ / (p (p − 1) w)). For p > 2
    the same holds of the conjugate and g = p w aᵖ⁻¹, with curvature A²⁻ᵖ / (p (p − 1) w), so that
    aᵖ⁻¹ over Aᵖ⁻¹ is known to √(2 Γ (p − 1) / (p w Aᵖ)). Γ is the gap of the certificate, which is
    one over the effort, or where the moment is met over 1e-5 of its terms' prices if that is more.
    """
    p, sharing = answer.criterion.exponent, answer.sharing
    if not math.isfinite(p):
        return sharing.activation, np.zeros_like(sharing.activation)
    balance = balance_of(case, answer)
    weights = answer.criterion.weights_of(balance)
    weights = np.broadcast_to(1.0 if weights is None else weights, sharing.activation.shape)
    greatest = np.maximum(greatest, 1e-300)
    part = np.maximum(sharing.activation, 0.0) / greatest
    terms = np.abs(balance.known_moments)
    terms = terms + np.einsum("fjh,fh->fj", np.abs(balance.arms), sharing.force)
    if balance.columns is not None:
        terms = terms + np.einsum(
            "fjk,fk->fj", np.abs(balance.columns), np.abs(sharing.free_values)
        )
    priced = ROUNDED * np.einsum("fj,fj->f", np.abs(sharing.multipliers), terms)
    priced = np.where(sharing.status == Status.SOLVED, priced, 0.0)[:, None]
    with np.errstate(under="ignore", over="ignore", divide="ignore"):
        effort = (weights * part**p).sum(axis=1, keepdims=True)  # over Aᵖ
        gap = np.abs(sharing.certificate.duality_gap)[:, None] + GAP
        dearer = gap * np.maximum(effort, priced / greatest**p)
        known = known_to(dearer, p, weights, greatest)
        return (part ** (p - 1.0) if p > 2.0 else sharing.activation), known


def known_to(dearer, exponent, weights, greatest):
    """Bound on the error of what :func:`following` compares; ``dearer`` is Γ over Aᵖ."""
    if exponent > 2.0:
        return np.sqrt(2.0 * dearer * (exponent - 1.0) / (exponent * weights))
    return greatest * np.sqrt(2.0 * dearer / (exponent * (exponent - 1.0) * weights))

"""Place the sites and surfaces of the muscles that cross the shoulder: the search, as it was run.

    python -m benchmarks.place_paths [GROUP…] [--seeds N] [--workers N] [--out FILE]

The calibration (:mod:`momentshare.calibration`) fits numbers by a few millimetres where the
paths are smooth. Which way a line runs round the head, and whether it jumps within the reach, is
decided before that, here: differential evolution over the sites of a group of heads and the
surfaces that they run round, for the least

    Σ ((arm - wanted) / σ)² + Σ ((line - published) / σ)² + Σ ((x - described) / s)²
      + penalties for a jump, a point inside a surface, a line that runs through the head of the
        humerus or what covers it, and a rotation arm of the wrong sense,

in an average man and an average woman.

Wanted arms are those of anatomy texts and of the studies of moment arms by subregion, **from
memory**, with σ of 4 to 8 mm: they say what a region is for, not how much. Lines are the rows of
``targets.csv`` marked ``calibration`` or ``comparison``. Rows that validate are not looked at.
Found numbers are written into ``sites.csv`` and ``surfaces.csv`` by hand, as assumed sites within
described areas.
"""

from __future__ import annotations

import argparse
import dataclasses
import json
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from scipy.optimize import differential_evolution

from momentshare.exercise.reach import reachable, shoulder_limits
from momentshare.model import load_model
from momentshare.paths import paths
from momentshare.posture import Posture, posture_from_angles
from momentshare.skeleton import body_poses, build_skeleton
from momentshare.validation.probe import average_person
from momentshare.validation.targets import load_targets

ROTATION, ELEVATION, HORIZONTAL = 0, 1, 2
"""Rows: internal rotation +, elevation +, horizontal adduction +."""

ABDUCTION, SCAPULAR, FLEXION = (0.0, 0.0), (30.0, 0.0), (90.0, -90.0)
"""Plane of elevation and the axial angle at which the arm is not turned [deg]."""

LINE = 0.08
"""Spread of a component of a published unit force."""

TERMS = ("prior", "arms", "lines", "jump", "through", "inside", "margin", "sense")

JUMP = 1.5e-3
"""Change of an arm over half a degree that costs nothing [m]."""


@dataclass(frozen=True)
class Wanted:
    """An arm of a head [mm] in a posture of the moving girdle, with its spread."""

    head: str
    row: int
    course: tuple[float, float]
    elevation: float
    arm: float
    spread: float = 4.0


@dataclass(frozen=True)
class Group:
    """Heads that are placed together."""

    heads: tuple[str, ...]
    wanted: tuple[Wanted, ...] = ()
    axes: tuple[str, ...] = ()
    senses: dict[str, int] = field(default_factory=dict)
    steady: tuple[str, ...] = ()
    fixed: tuple[str, ...] = ()
    reach: float = 2.0
    clear: float = 0.0
    """Least distance of the lines from the centre of the head [mm]."""


def courses(head: str, row: int, spread: float = 4.0, **arms: dict[float, float]) -> list[Wanted]:
    planes = {"abduction": ABDUCTION, "scapular": SCAPULAR, "flexion": FLEXION}
    return [
        Wanted(head, row, planes[name], elevation, arm, spread)
        for name, values in arms.items()
        for elevation, arm in values.items()
    ]


GROUPS = {
    "supraspinatus": Group(
        ("supraspinatus",),
        (
            *courses("supraspinatus", ELEVATION, 3.0,
                     abduction={10: 24, 45: 22, 90: 14, 120: 8},
                     scapular={10: 24, 45: 22, 90: 14, 120: 8},
                     flexion={10: 20, 45: 17, 90: 10, 120: 5}),
            *courses("supraspinatus", ROTATION, 4.0, abduction={30: -4, 60: -4, 90: -4},
                     flexion={30: 3, 60: 4, 90: 4}),
        ),
    ),
    "infraspinatus_upper": Group(
        ("infraspinatus/upper",),
        (
            *courses("infraspinatus/upper", ELEVATION, scapular={10: 5, 45: 7, 90: 7, 120: 5},
                     flexion={10: 2, 45: 2, 90: 0}),
            *courses("infraspinatus/upper", ROTATION, abduction={10: -20, 45: -21, 90: -18}),
            *courses("infraspinatus/upper", HORIZONTAL, scapular={90: -8}, abduction={90: -8}),
        ),
        senses={"infraspinatus/upper": -1},
    ),
    "infraspinatus_lower": Group(
        ("infraspinatus/lower",),
        (
            *courses("infraspinatus/lower", ELEVATION, scapular={10: -2, 45: 0, 90: 3, 120: 3},
                     flexion={10: -3, 45: -4, 90: -4}),
            *courses("infraspinatus/lower", ROTATION, abduction={10: -22, 45: -22, 90: -20}),
            *courses("infraspinatus/lower", HORIZONTAL, scapular={90: -8}, abduction={90: -8}),
        ),
        senses={"infraspinatus/lower": -1},
    ),
    "teres_minor": Group(
        ("teres_minor",),
        (
            *courses("teres_minor", ELEVATION, abduction={10: -8, 45: -6, 90: -3},
                     flexion={10: -8, 45: -8, 90: -8}),
            *courses("teres_minor", ROTATION, abduction={10: -20, 45: -21, 90: -20}),
            *courses("teres_minor", HORIZONTAL, scapular={90: -4}, abduction={90: -4}),
        ),
        senses={"teres_minor": -1},
    ),
    "subscapularis_upper": Group(
        ("subscapularis/upper",),
        (
            *courses("subscapularis/upper", ELEVATION, abduction={10: 4, 45: 7, 90: 8},
                     scapular={10: 5, 45: 8, 90: 8}, flexion={10: 8, 45: 7, 90: 5}),
            *courses("subscapularis/upper", ROTATION, abduction={10: 20, 45: 18, 90: 14}),
            *courses("subscapularis/upper", HORIZONTAL, scapular={90: 5}, abduction={90: 4}),
        ),
        senses={"subscapularis/upper": 1},
    ),
    "subscapularis_lower": Group(
        ("subscapularis/lower",),
        (
            *courses("subscapularis/lower", ELEVATION, abduction={10: -6, 45: -3, 90: 2},
                     scapular={10: -4, 45: -1, 90: 2}, flexion={10: -1, 45: -2, 90: -4}),
            *courses("subscapularis/lower", ROTATION, abduction={10: 19, 45: 20, 90: 18}),
            *courses("subscapularis/lower", HORIZONTAL, scapular={90: 5}, abduction={90: 4}),
        ),
        senses={"subscapularis/lower": 1},
    ),
    "deltoid_front": Group(
        ("deltoid/clavicular",),
        (
            *courses("deltoid/clavicular", ELEVATION, 5.0,
                     abduction={10: 2, 45: 7, 90: 14, 120: 20},
                     flexion={10: 20, 45: 28, 90: 34, 120: 36}),
            *courses("deltoid/clavicular", HORIZONTAL, 6.0, abduction={90: 35}, scapular={90: 35}),
        ),
        axes=("deltoid_front",),
        clear=28.0,
    ),
    "deltoid_side": Group(
        ("deltoid/acromial",),
        (
            *courses("deltoid/acromial", ELEVATION, 5.0,
                     abduction={10: 16, 45: 24, 90: 30, 120: 30},
                     scapular={10: 16, 45: 24, 90: 30, 120: 30},
                     flexion={10: 6, 45: 9, 90: 15, 120: 20}),
        ),
        axes=("deltoid_side",),
        fixed=("deltoid_acromial_insertion",),
        clear=27.0,
    ),
    "deltoid_back": Group(
        ("deltoid/spinal",),
        (
            *courses("deltoid/spinal", ELEVATION, 9.0,
                     abduction={10: -16, 45: -6, 90: 4, 120: 10},
                     flexion={10: -30, 45: -28, 90: -22, 120: -14}),
            *courses("deltoid/spinal", HORIZONTAL, 9.0, abduction={90: -38}, scapular={90: -38}),
        ),
        axes=("deltoid_back",),
    ),
    "collar": Group(
        ("pectoralis_major/clavicular",),
        axes=("coracoid_column",),
        steady=("pectoralis_major/clavicular",),
        fixed=("humeral_shaft_front",),
        clear=27.0,
    ),
    "latissimus": Group(
        ("latissimus_dorsi/upper", "latissimus_dorsi/lower"),
        (
            *courses("latissimus_dorsi/upper", ELEVATION, 8.0,
                     abduction={10: -25, 45: -42, 90: -40, 120: -25},
                     flexion={10: -35, 45: -45, 90: -38, 120: -20}),
            *courses("latissimus_dorsi/lower", ELEVATION, 8.0,
                     abduction={10: -25, 45: -45, 90: -45, 120: -30},
                     flexion={10: -35, 45: -45, 90: -38, 120: -20}),
            *courses("latissimus_dorsi/upper", ROTATION, 2.5, abduction={10: 9, 45: 8, 90: 6},
                     flexion={45: 9, 90: 8}),
            *courses("latissimus_dorsi/lower", ROTATION, 2.5, abduction={10: 9, 45: 8, 90: 6},
                     flexion={45: 9, 90: 8}),
        ),
        fixed=("humeral_shaft_back",),
    ),
    "chest": Group(
        ("pectoralis_major/sternocostal_upper", "pectoralis_major/sternocostal_lower",
         "pectoralis_major/abdominal"),
        axes=("chest_wall",),
        steady=("pectoralis_major/sternocostal_upper", "pectoralis_major/sternocostal_lower",
                "pectoralis_major/abdominal"),
        fixed=("humeral_shaft_front",),
        reach=2.5,
    ),
}  # fmt: skip


@dataclass(frozen=True)
class Free:
    """One number that the search moves."""

    kind: str
    name: str
    axis: int
    start: float
    spread: float


class Search:
    """Cost of a placement of one group."""

    def __init__(self, name: str, grid: float) -> None:
        self.group = GROUPS[name]
        whole = load_model(calibrated=False)
        self.whole = whole
        heads = tuple(h for h in whole.heads if h.name in self.group.heads)
        self.model = dataclasses.replace(whole, heads=heads)
        self.names = [h.name for h in heads]
        self.free = self._free()
        self.people = {s: average_person(whole, s) for s in ("male", "female")}
        self.sweeps = {
            (s, p): self._sweep(s, p, grid) for s in self.people for p in whole.scapula_policies
        }
        self.targets = [
            t for t in load_targets(whole)
            if t.use != "validation" and t.quantity in {"line_of_action", "line_direction"}
            and set(t.subjects) <= set(self.names)
        ]  # fmt: skip
        self.before = self._core(self.model) if self.group.steady else None

    def _free(self) -> list[Free]:
        sites, surfaces = {}, {}
        for head in self.model.heads:
            for step in (step for line in head.lines for step in line):
                (surfaces if step.is_surface else sites)[step.name] = None
        free = [
            Free("site", n, k, self.whole.sites[n].position[k], self.whole.sites[n].spread)
            for n in sites
            if n not in self.group.fixed
            for k in range(3)
        ]
        if self.group.steady:
            free = []
        for n in surfaces:
            if n in self.group.axes:
                surface = self.whole.surfaces[n]
                free += [Free("centre", n, k, surface.centre[k], surface.spread) for k in range(3)]
                free += [Free("axis", n, k, 0.0, np.radians(15.0)) for k in range(2)]
                free.append(Free("radius", n, 0, surface.radius, surface.spread))
        return free

    def bounds(self) -> list[tuple[float, float]]:
        reach = self.group.reach
        return [(f.start - reach * f.spread, f.start + reach * f.spread) for f in self.free]

    def placed(self, x: np.ndarray):
        sites, surfaces = dict(self.model.sites), dict(self.model.surfaces)
        for f, value in zip(self.free, x, strict=True):
            if f.kind == "site":
                at = list(sites[f.name].position)
                at[f.axis] = float(value)
                sites[f.name] = dataclasses.replace(sites[f.name], position=tuple(at))
            elif f.kind == "centre":
                at = list(surfaces[f.name].centre)
                at[f.axis] = float(value)
                surfaces[f.name] = dataclasses.replace(surfaces[f.name], centre=tuple(at))
            elif f.kind == "radius":
                surfaces[f.name] = dataclasses.replace(surfaces[f.name], radius=float(value))
        turns: dict[str, list[float]] = {}
        for f, value in zip(self.free, x, strict=True):
            if f.kind == "axis":
                turns.setdefault(f.name, [0.0, 0.0])[f.axis] = float(value)
        for name, (first, second) in turns.items():
            axis = np.array(self.whole.surfaces[name].axis)
            side = np.cross(axis, [0.0, 0.0, 1.0] if abs(axis[2]) < 0.8 else [1.0, 0.0, 0.0])
            side /= np.linalg.norm(side)
            moved = axis + np.tan(first) * side + np.tan(second) * np.cross(axis, side)
            moved /= np.linalg.norm(moved)
            surfaces[name] = dataclasses.replace(surfaces[name], axis=tuple(map(float, moved)))
        return dataclasses.replace(self.model, sites=sites, surfaces=surfaces)

    def _sweep(self, sex: str, policy: str, grid: float) -> tuple[Posture, np.ndarray]:
        """Postures within reach with neighbours half a degree on, (frames, 4)."""
        skeleton = build_skeleton(self.people[sex], self.whole, scapula=policy)
        elevation = np.append(np.arange(2.0, 150.0, grid), 149.0)
        rows = []
        for e in elevation:
            limits = {k: np.degrees(v) for k, v in shoulder_limits(skeleton, np.radians(e)).items()}
            low, high = (float(np.ravel(v)[0]) for v in limits["plane"])
            for p in np.append(np.arange(low + 0.3, high - 0.6, 1.5 * grid), high - 0.6):
                rows += [(p, e, a) for a in np.arange(-175.0, 150.0, 1.5 * grid)]
        base = np.array(rows)
        steps = np.array([[0, 0, 0], [0.5, 0, 0], [0, 0.5, 0], [0, 0, 0.5]])
        angles = np.radians(base[:, None] + steps[None])
        posture = posture_from_angles(
            plane=angles[..., 0], elevation=angles[..., 1], axial=angles[..., 2],
            elbow_flexion=np.full(angles.shape[:2], 1.0),
            forearm_rotation=np.full(angles.shape[:2], 1.0),
        )  # fmt: skip
        good = reachable(skeleton, posture).all(axis=1)
        return posture[good], base[good]

    def _skeleton(self, model, policy, sex="male"):
        return build_skeleton(self.people[sex], model, scapula=policy)

    def _core(self, model):
        posture, base = self.sweeps["male", "moving"]
        found = paths(self._skeleton(model, "moving"), posture[:, 0])
        core = (base[:, 1] < 110.0) & (base[:, 0] > -20.0) & (base[:, 0] < 95.0)
        return found.moment_arms[core][:, :3]

    def terms(self, x: np.ndarray) -> dict[str, float]:
        model = self.placed(x)
        terms = dict.fromkeys(TERMS, 0.0)
        terms["prior"] = float(
            sum(((v - f.start) / f.spread) ** 2 for f, v in zip(self.free, x, strict=True))
        )
        skeleton = self._skeleton(model, "moving")
        if self.group.wanted:
            w = self.group.wanted
            at = np.array([(g.course[0], g.elevation, g.course[1]) for g in w])
            found = paths(skeleton, _posture(at))
            arms = 1000.0 * np.array(
                [found.moment_arms[k, g.row, self.names.index(g.head)] for k, g in enumerate(w)]
            )
            terms["arms"] = float(
                sum(((a - g.arm) / g.spread) ** 2 for a, g in zip(arms, w, strict=True))
            )
        if self.targets:
            terms["lines"] = self._lines(model)
        if self.before is not None:
            terms["arms"] = float(np.mean((1000.0 * (self._core(model) - self.before)) ** 2))
        for (sex, policy), (posture, _) in self.sweeps.items():
            found = paths(self._skeleton(model, policy, sex), posture)
            moment = found.shoulder_moment
            step = np.linalg.norm(moment[:, 1:] - moment[:, :1], axis=-1).max(axis=1)
            over = np.maximum(step - JUMP, 0.0)
            terms["jump"] += float(1e3 * over.max(axis=0).sum() + 1e3 * over.mean() * 200.0)
            terms["inside"] += float(100.0 * found.inside[:, 0].mean(axis=0).sum()) + float(
                3.0 * found.inside.any(axis=(0, 1)).sum()
            )
            near = np.maximum(self.group.clear - 1e3 * np.linalg.norm(moment[:, 0], axis=-1), 0.0)
            terms["through"] += float(5.0 * near.max(axis=0).sum() + 20.0 * near.mean())
            margin = found.margin[:, 0].min(axis=0)
            terms["margin"] += float((np.maximum(0.12 - margin, 0.0) / 0.02).sum())
            for head, sense in self.group.senses.items():
                wrong = np.maximum(-sense * found.moment_arms[:, 0, 0, self.names.index(head)], 0.0)
                terms["sense"] += float(10.0 * np.mean(1000.0 * wrong))
        return terms

    def _lines(self, model) -> float:
        total = 0.0
        skeleton = self._skeleton(model, "resting")
        for target in self.targets:
            ask = target.asks[0]
            posture = _posture(np.array([[ask.angles[0], ask.angles[1], ask.angles[2]]]))
            found = paths(skeleton, posture)
            pull = found.line_of_action[0, [self.names.index(s) for s in target.subjects]].sum(0)
            unit = body_poses(skeleton, posture).rotation["scapula"][0].T @ pull
            unit /= np.linalg.norm(unit)
            place = {"anterior": 0, "superior": 1, "lateral": 2}
            given = {part: ask.number(f"force_{part}", np.nan) for part in place}
            if target.quantity == "line_of_action":
                given = {ask.direction: float(target.value)}
            for part, value in given.items():
                if np.isfinite(value):
                    total += ((unit[place[part]] - value) / LINE) ** 2
        return total

    def cost(self, x: np.ndarray) -> float:
        terms = self.terms(x)
        return sum(terms.values()) + 4.0 * terms["jump"] + 4.0 * terms["margin"]


def _posture(at: np.ndarray) -> Posture:
    angles = np.radians(at)
    return posture_from_angles(
        plane=angles[:, 0], elevation=angles[:, 1], axial=angles[:, 2],
        elbow_flexion=np.full(len(at), np.pi / 2.0), forearm_rotation=np.full(len(at), 1.0),
    )  # fmt: skip


def place(name: str, seed: int, asked: argparse.Namespace) -> dict:
    """Search one group; returns what was found and what it costs."""
    began = time.monotonic()
    search = Search(name, asked.grid)
    start = np.array([f.start for f in search.free])
    found = differential_evolution(
        search.cost, search.bounds(), x0=start, maxiter=asked.rounds, popsize=asked.members,
        rng=seed, tol=1e-4, polish=False,
        callback=lambda *_: time.monotonic() - began > asked.seconds,
    )  # fmt: skip
    numbers = [
        {"kind": f.kind, "name": f.name, "axis": f.axis, "from": f.start, "to": float(v)}
        for f, v in zip(search.free, found.x, strict=True)
    ]
    model = search.placed(found.x)
    axes = {n: model.surfaces[n].axis for n in search.group.axes}
    return {
        "group": name, "seed": seed, "cost": float(found.fun),
        "before": search.terms(start), "after": search.terms(found.x),
        "evaluations": found.nfev, "numbers": numbers, "axes": axes,
    }  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("groups", nargs="*", help=", ".join(GROUPS))
    parser.add_argument("--rounds", type=int, default=120)
    parser.add_argument("--grid", type=float, default=10.0)
    parser.add_argument("--members", type=int, default=6)
    parser.add_argument("--seeds", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=np.inf)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--out", type=Path, default=Path("placed.json"))
    asked = parser.parse_args()
    groups = asked.groups or list(GROUPS)
    with ProcessPoolExecutor(asked.workers) as pool:
        jobs = [pool.submit(place, g, s, asked) for s in range(asked.seeds) for g in groups]
        every = [job.result() for job in jobs]
    done = [min((d for d in every if d["group"] == g), key=lambda d: d["cost"]) for g in groups]
    for item in every:
        print(item["group"], item["seed"], item["evaluations"], "evaluations", item["cost"])
        for stage in ("before", "after"):
            print("  ", stage, {k: round(v, 2) for k, v in item[stage].items()})
    asked.out.write_text(json.dumps(done, indent=1) + "\n")


if __name__ == "__main__":
    main()

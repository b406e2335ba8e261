"""The runs whose tables are stored: which study, which settings, through the public API.

A run returns its tables by name, with full precision and the columns of today. When an
interface changes, this file changes; stored data and :mod:`tests.golden.specs` do not.
"""

from __future__ import annotations

import math
import tempfile
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from momentshare.explain.worked import WorkedAnswer
    from momentshare.study import Study

STUDIES = Path(__file__).parent / "studies"

READINGS = {
    "heads": "head_table",
    "heads_by_person": "head_table_by_person",
    "moments": "moment_table",
    "loads": "load_table",
    "conditions": "condition_table",
    "certificates": "certificate_table",
    "postures": "posture_table",
    "ratios": "ratio_table",
    "ordering": "ordering_table",
    "glenoid": "glenoid_table",
    "frames": "frame_table",
}


def chosen(
    name: str,
    *,
    people: tuple[str, ...] = (),
    conditions: tuple[str, ...] = (),
    **settings: object,
) -> Study:
    """Read a study of this folder, keep some people and conditions, and change settings."""
    from momentshare import load_study

    study = load_study(STUDIES / f"{name}.toml")
    file = study.file
    return replace(
        study,
        file=file.model_copy(
            update={
                "settings": file.settings.model_copy(update=settings),
                "person": [p for p in file.person if not people or p.name in people],
                "condition": [c for c in file.condition if not conditions or c.name in conditions],
            }
        ),
    )


def read_all(study: Study) -> dict[str, pd.DataFrame]:
    """Run a planned study and read every table of it."""
    from momentshare import reading, run_study

    result = run_study(study)
    tables = {name: getattr(reading, make)(result) for name, make in READINGS.items()}
    tables["refusals"] = pd.DataFrame(
        [(r.person, r.condition) for r in result.refusals], columns=["person", "condition"]
    )
    if study.file.settings.glenoid_constraint:
        tables["glenoid_heads"] = reading.glenoid_head_table(result)
    return tables


def numbered(table: pd.DataFrame, within: list[str]) -> pd.DataFrame:
    """Name rows by their place where only a measured number tells them apart."""
    return table.assign(place=table.groupby(within, sort=False).cumcount())


def demo() -> dict[str, pd.DataFrame]:
    """``compare`` of the demo study, all six people, 51 frames."""
    return read_all(chosen("harbour_rescue"))


def effects() -> dict[str, pd.DataFrame]:
    """``compare --effects``: a woman and a man, three conditions, 7 frames, every switch."""
    from momentshare.reading.effects import effect_tables
    from momentshare.study import plan_study

    study = chosen(
        "harbour_rescue",
        people=("Ines", "Milo"),
        conditions=("bar 1.1, tucked", "bar 1.7, flared", "dumbbells"),
        frames=7,
    )
    heads, conditions = effect_tables(plan_study(study).setup)
    return {"heads": heads, "conditions": conditions}


_DRAWN = ("bar 1.1, tucked", "bar 1.7, flared", "dumbbells")


def uncertainty(workers: int = 1) -> dict[str, pd.DataFrame]:
    """``uncertainty``: 32 draws, seed 7, two people, three conditions, 5 frames, two criteria."""
    from momentshare.uncertainty import UncertaintyPlan, run_uncertainty

    plan = UncertaintyPlan(
        study=chosen("harbour_rescue", conditions=_DRAWN),
        draws=32,
        seed=7,
        frames=5,
        people=("Ines", "Milo"),
        criteria=("study", "p3"),
        trajectories=0,
        sobol=0,
    )
    with tempfile.TemporaryDirectory() as folder:
        found = run_uncertainty(plan, Path(folder) / "run", workers=workers)
    return {
        "intervals": found.intervals,
        "condition_order": found.condition_order,
        "head_order": found.head_order,
        "failures": found.failures,
    }


def ranking(workers: int = 1) -> dict[str, pd.DataFrame]:
    """``uncertainty``: ranking of the inputs, one person, two conditions, 3 frames."""
    from momentshare.uncertainty import UncertaintyPlan, run_uncertainty

    plan = UncertaintyPlan(
        study=chosen("harbour_rescue", conditions=_DRAWN[:2], lateral=["measured", "free"]),
        draws=1,
        seed=3,
        frames=3,
        people=("Aron",),
        trajectories=2,
        sobol=2,
        few=2,
    )
    with tempfile.TemporaryDirectory() as folder:
        found = run_uncertainty(plan, Path(folder) / "run", workers=workers).sensitivity
    assert found is not None
    return {"screening": found.screening, "overall": found.overall, "indices": found.indices}


def strength() -> dict[str, pd.DataFrame]:
    """``strength``: a man with a strength test of his own, two conditions, a moving test."""
    from momentshare.strength import StrengthTest, study_strength

    found = study_strength(
        chosen("harbour_rescue"),
        StrengthTest(mode="concentric", speed_deg_s=60.0),
        people=("Runa", "Milo"),
        conditions=("bar 1.1, tucked", "bar 1.7, flared"),
        frames=6,
    )
    return {
        "along": found.along,
        "frames": found.frames,
        "utilisation": found.utilisation,
        "tests": found.tests,
        "curves": numbered(found.curves, ["person", "direction", "others"]),
    }


def exercises() -> dict[str, pd.DataFrame]:
    """``compare``: every exercise, two people, 9 frames; timed lifts, bounds on a free lateral
    force, loads that cannot be met, postures out of reach.
    """
    return read_all(chosen("exercises"))


_VARIANTS: dict[str, dict[str, object]] = {
    "equal weights": {"weights": "none"},
    "exponent 3, equal weights": {"exponent": 3.0, "weights": "none"},
    "min-max": {"exponent": math.inf},
    "forearm balanced": {"balance_forearm": True},
    "elastic tendon": {"elastic_tendon": True},
    "curves thelen2003, no passive force": {"curves": "thelen2003", "passive_force": False},
    "resting scapula": {"scapula": "resting"},
    "pressing scapula": {"scapula": "pressing"},
    "without the glenoid limit": {"glenoid_constraint": False},
}
_VARIED = ("bar, timed", "bar, bounds", "bar, too heavy", "overhead bar", "pull-down")


def variants() -> dict[str, pd.DataFrame]:
    """``compare`` with other settings: one person, five exercises, 5 frames, for each of equal
    weights, other exponents, the forearm balanced, an elastic tendon, other curves, other
    scapulae, no limit of the glenoid.
    """
    found: dict[str, list[pd.DataFrame]] = {}
    for label, settings in _VARIANTS.items():
        study = chosen("exercises", people=("Olav",), conditions=_VARIED, frames=5, **settings)
        for name, table in read_all(study).items():
            found.setdefault(name, []).append(table.assign(variant=label))
    wanted = ("heads_by_person", "moments", "loads", "conditions", "glenoid", "glenoid_heads")
    return {name: pd.concat(found[name], ignore_index=True) for name in wanted}


def uncertainty_exercises(workers: int = 1) -> dict[str, pd.DataFrame]:
    """``uncertainty``: 16 draws, seed 11, timed lifts, bounds, a load too heavy, postures out of
    reach, weights by volume, other spreads, 5 frames.
    """
    from momentshare.uncertainty import UncertaintyPlan, run_uncertainty
    from momentshare.uncertainty.spreads import Spreads

    plan = UncertaintyPlan(
        study=chosen(
            "exercises",
            conditions=(*_VARIED, "bar, too high in part", "bar, out of reach", "push-up"),
            weights="volume",
        ),
        draws=16,
        seed=11,
        frames=5,
        people=("Olav",),
        spreads=Spreads(scale=0.5, shared=0.2, posture_deg=8.0, load=0.05, lateral_ratio=0.1),
        trajectories=0,
        sobol=0,
    )
    with tempfile.TemporaryDirectory() as folder:
        found = run_uncertainty(plan, Path(folder) / "run", workers=workers)
    return {
        "intervals": found.intervals,
        "condition_order": found.condition_order,
        "failures": found.failures,
    }


def strength_exercises() -> dict[str, pd.DataFrame]:
    """``strength --task-mode lift`` of timed lifts, and ``strength --moments``."""
    from momentshare.strength import StrengthTest, read_moments, study_strength
    from momentshare.strength.study import moments_report

    study = chosen("exercises", conditions=("bar, timed", "pull-down"), weights="volume")
    test = StrengthTest(elevation_deg=45.0, plane_deg=30.0, elbow_flexion_deg=70.0)
    found = study_strength(study, test, people=("Olav",), task_mode="lift", frames=5)
    table = moments_report(study, read_moments(STUDIES / "moments.csv"), test)
    return {
        "along": found.along,
        "utilisation": found.utilisation,
        "moments": table,
    }


_EXPLAINED: tuple[tuple[str, dict[str, object], str, str, str, str, str, float | None], ...] = (
    ("harbour_rescue", {}, "Ines", "bar 1.1, tucked", "free",
     "triceps_brachii/long", "triceps_brachii/lateral", None),
    ("harbour_rescue", {"weights": "volume", "exponent": 3.0}, "Milo", "bar 1.7, flared",
     "measured", "pectoralis_major/clavicular", "deltoid/clavicular", 0.3),
    ("exercises", {}, "Olav", "bar, too heavy", "zero",
     "pectoralis_major/sternocostal_lower", "triceps_brachii/long", 0.0),
    ("exercises", {"elastic_tendon": True}, "Ylva", "bar, timed", "free",
     "triceps_brachii/long", "biceps_brachii/long", 0.6),
)  # fmt: skip
"""Study, settings, person, condition, lateral force, two heads, height."""


def explain() -> dict[str, pd.DataFrame]:
    """``explain``: two heads in each of four cases, with what-ifs and worked algebra: a free
    lateral force, weights by volume with exponent 3, a load too heavy, an elastic tendon in a
    timed lift; 11 frames.
    """
    from momentshare import explain as ex
    from momentshare import run_study

    found: dict[str, list[pd.DataFrame]] = {}

    def add(name: str, case: str, table: pd.DataFrame) -> None:
        found.setdefault(name, []).append(table.assign(explained=case))

    for source, settings, person, condition, mode, first, second, height in _EXPLAINED:
        study = chosen(source, people=(person,), conditions=(condition,), frames=11, **settings)
        (case,) = run_study(study).cases
        (result,) = (r for r in case.results if r.lateral.mode == mode)
        frame = ex.weakest_frame(result) if height is None else ex.frame_at(result, height)
        heads = [ex.explain_head(result, head, frame=frame) for head in (first, second)]
        name = f"{person}, {condition}"
        unmet = np.abs(result.sharing.unmet).max(axis=-1)
        worst = unmet[heads[0].frame]
        drives = ex.drive_table(heads[0].problem, heads[0].sharing)
        add("drive_by_head", name, drives.assign(worst_unmet_nm=worst))
        for item in heads:
            add("drive", name, item.split.to_dataframe().assign(worst_unmet_nm=worst))
            facts = asdict(item.factors) | {
                "frame": item.frame,
                "height_fraction": item.height_fraction,
                "lateral_force": item.lateral_force,
                "lateral_ratio": item.lateral_ratio,
                "force": item.force,
                "active_force": item.active_force,
            }
            add("factors", name, pd.DataFrame([facts]).assign(head=item.head))
            moments = pd.DataFrame([asdict(part) for part in item.moments])
            add("moments", name, moments.assign(head=item.head))
            along = ex.explain_along(result, item.head)
            add("along", name, along.assign(worst_unmet_nm=unmet[along["frame"]]))
            changes = ex.counterfactuals(item.problem, item.head)
            add("counterfactuals", name, changes.to_dataframe())
            add("counterfactual_cases", name, changes.to_cases())
        if "too heavy" not in condition:
            answers = ex.work(ex.case_from_frame(*heads[:1])).answers
            add("worked", name, _worked(answers))
    return {name: pd.concat(parts, ignore_index=True) for name, parts in found.items()}


def _worked(answers: Iterable[WorkedAnswer]) -> pd.DataFrame:
    return pd.DataFrame(
        [
            {
                "exponent": str(answer.exponent),
                "head": head,
                "unbounded": answer.unbounded,
                "activation": answer.activation[k],
                "force": answer.force[k],
            }
            for answer in answers
            for k, head in enumerate("LES")
        ]
    )


def published() -> dict[str, pd.DataFrame]:
    """``[[published]]``: the invented laboratory's table, rows with two moments only and moments
    that cannot be met; 200 draws, standard deviation, and standard error with correlation.
    """
    from momentshare import build_limb, load_model
    from momentshare.analysis import Criterion
    from momentshare.published import heads_of_published, read_published

    (entry,) = (p for p in chosen("harbour_rescue").file.person if p.name == "Sten")
    limb = build_limb(entry.person(), load_model())
    table = read_published(STUDIES / "published.csv")
    runs = {
        "sd": heads_of_published(table, limb, draws=200, seed=1),
        "se": heads_of_published(
            table, limb, criterion=Criterion(exponent=3.0, weights="volume"),
            draws=200, seed=5, spread="se", correlation=0.4,
        ),
    }  # fmt: skip
    return {
        name: pd.concat(
            [getattr(found, name).assign(run=run) for run, found in runs.items()],
            ignore_index=True,
        )
        for name in ("heads", "orderings", "shortfalls")
    }


def validation() -> dict[str, pd.DataFrame]:
    """``validate``: every published value and claim beside the model's."""
    from momentshare import load_model
    from momentshare.validation.table import validation_table

    return {"table": validation_table(load_model())}


_LONG = ("frames", "moments", "motion", "emg", "glenoid", "conditions")


def lab(workers: int = 1) -> dict[str, pd.DataFrame]:
    """``demo --lab``: three of its people (one of the left arm, from tables; one with a late
    clock of the forces), one repetition a trial, 21 frames, lateral force measured and free.
    """
    from momentshare import load_cohort, run_cohort
    from momentshare.cohort.summary import summarise_cohort
    from momentshare.demo.lab import write_lab

    with tempfile.TemporaryDirectory() as folder:
        place = write_lab(Path(folder), people=3, repetitions=1)
        text = place.read_text("utf-8")
        for old, new in (
            ("frames = 101 ", "frames = 21 "),
            ('lateral = ["measured", "zero", "free"]', 'lateral = ["measured", "free"]'),
        ):
            assert text.count(old) == 1
            text = text.replace(old, new)
        place.write_text(text, "utf-8")
        result = run_cohort(load_cohort(place), Path(folder) / "run", workers=workers)
        summary = summarise_cohort(result)
        summary.tables.pop("outcome_definitions")  # words
        return dict(summary.tables) | {f"all_{name}": result.table(name) for name in _LONG}


RUNS: dict[str, Callable[..., dict[str, pd.DataFrame]]] = {
    "demo": demo,
    "effects": effects,
    "uncertainty": uncertainty,
    "ranking": ranking,
    "strength": strength,
    "exercises": exercises,
    "variants": variants,
    "uncertainty_exercises": uncertainty_exercises,
    "strength_exercises": strength_exercises,
    "explain": explain,
    "published": published,
    "validation": validation,
    "lab": lab,
}

"""The runs whose tables are stored: which study, which settings, through the public API.

A run returns its tables by name, with full precision and the columns of today. When an
interface changes, this file changes; stored data and :mod:`tests.golden.tables` do not.
"""

from __future__ import annotations

import tempfile
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from tests.golden.tables import Table

if TYPE_CHECKING:
    from collections.abc import Callable

    import pandas as pd

    from momentshare.study import Study

STUDIES = Path(__file__).parent / "studies"

_LIFT = ("person", "condition", "lateral")
_FRAME = (*_LIFT, "frame")

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

_ROUNDING = {
    "moment_residual_nm": 1e-6,
    "bound_violation": 1e-9,
    "stationarity": 1e-6,
    "duality_gap": 1e-6,
}
"""A certificate says how far rounding went; only its size is held, by unit."""


_MET = {"unmet_nm": 1.0}
"""Where every moment is met, the unmet one is rounding."""


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
    import pandas as pd

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
    from momentshare.effects import effect_tables

    study = chosen(
        "harbour_rescue",
        people=("Ines", "Milo"),
        conditions=("bar 1.1, tucked", "bar 1.7, flared", "dumbbells"),
        frames=7,
    )
    heads, conditions = effect_tables(study)
    return {"heads": heads, "conditions": conditions}


_DRAWN = ("bar 1.1, tucked", "bar 1.7, flared", "dumbbells")


def uncertainty(workers: int = 1) -> dict[str, pd.DataFrame]:
    """``uncertainty``: 32 draws, seed 7, two people, three conditions, 5 frames, two criteria."""
    from momentshare.uncertainty import Plan, run_uncertainty

    plan = Plan(
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
    from momentshare.uncertainty import Plan, run_uncertainty

    plan = Plan(
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


RUNS: dict[str, Callable[..., dict[str, pd.DataFrame]]] = {
    "demo": demo,
    "effects": effects,
    "uncertainty": uncertainty,
    "ranking": ranking,
    "strength": strength,
}

_SOME = {"person": ("Ines", "Milo")}

TABLES: dict[str, Table] = {
    "demo/heads": Table(keys=("condition", "lateral", "head")),
    "demo/heads_by_person": Table(keys=(*_LIFT, "head")),
    "demo/moments": Table(keys=(*_FRAME, "row"), every=10, least_scale=_MET),
    "demo/loads": Table(keys=_FRAME, every=10),
    "demo/conditions": Table(keys=_LIFT, words=("limits",)),
    "demo/certificates": Table(keys=_FRAME, every=10, noise=_ROUNDING),
    "demo/postures": Table(keys=("person", "condition", "frame"), every=10),
    "demo/ratios": Table(keys=("lateral", "head", "condition", "reference")),
    "demo/ordering": Table(keys=("lateral", "head", "lower", "higher")),
    "demo/glenoid": Table(keys=_FRAME, every=10),
    "demo/frames": Table(keys=(*_FRAME, "head"), every=10, only=_SOME),
    "demo/refusals": Table(keys=("person", "condition")),
    "effects/heads": Table(keys=("switch", "condition", "lateral", "head")),
    "effects/conditions": Table(keys=("switch", "condition", "lateral")),
    "uncertainty/intervals": Table(
        keys=("measure", "head", *_LIFT, "criterion"), scale_by=("measure",)
    ),
    "uncertainty/condition_order": Table(keys=("criterion", "lateral", "head", "first", "second")),
    "uncertainty/head_order": Table(keys=("criterion", "lateral", "condition", "first", "second")),
    "uncertainty/failures": Table(keys=("person", "condition"), words=("reasons",)),
    "ranking/screening": Table(keys=("measure", "condition", "head", "family")),
    "ranking/overall": Table(keys=("family",)),
    "ranking/indices": Table(keys=("measure", "condition", "head", "family")),
    "strength/along": Table(keys=("person", "condition", "frame", "direction", "others")),
    "strength/frames": Table(keys=(*_FRAME, "row", "others")),
    "strength/utilisation": Table(keys=(*_LIFT, "row", "others")),
    "strength/tests": Table(keys=("person", "direction", "others")),
    "strength/curves": Table(keys=("person", "direction", "others", "place")),
}

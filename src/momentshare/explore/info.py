"""What a page needs besides its arrays: names, nodes, people, limits, curves."""

from __future__ import annotations

from importlib import metadata
from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.balance import BALANCED
from momentshare.cautions import CAUTIONS, LIMITS
from momentshare.directions import row_named
from momentshare.explain.phrases import group_phrase
from momentshare.explore.drawing import trunk_outlines
from momentshare.explore.draws import page_criterion, usual_load
from momentshare.explore.grid import HEIGHTS
from momentshare.limb import braced_strength
from momentshare.limb.joint import stability_facets
from momentshare.limits import height_third, with_what_it_rests_on
from momentshare.muscle.curves import curve_set
from momentshare.posture import posture_from_angles
from momentshare.study import plan_study
from momentshare.text import head_label

if TYPE_CHECKING:
    from momentshare.explore.grid import Nodes, Press
    from momentshare.explore.tables import PressTables
    from momentshare.limb import Limb
    from momentshare.model import Model
    from momentshare.study import Study

__all__ = ["EXAMPLE", "limit_rows", "load_limits", "page_info", "posture_limits"]

EXAMPLE = "built-in example"
"""Source of the study of a page that is written without one."""


_PUSHES = {"measured": "measured", "zero": "none", "free": "free"}
"""Treatment of the lateral force → push of the page."""

_EVEN = np.linspace(0.0, 1.0, HEIGHTS)
"""Height fraction of every frame of a page."""

_CURVE = np.round(np.linspace(0.3, 1.8, 76), 3)
"""Fibre lengths over the peak fibre length at which the curves are drawn."""


def page_info(
    study: Study, limbs: Limb, nodes: Nodes, presses: list[Press], tables: PressTables
) -> dict[str, Any]:
    """Collect everything but the arrays, as plain data."""
    model = limbs.model
    heights = next(press.lift.fraction for press in tables.presses if press.lift is not None)
    return {
        "title": study.title,
        "note": study.file.note,
        "version": metadata.version("momentshare"),
        "model": model.name,
        "heads": _heads(model, tables),
        "rows": [_row(name) for name in BALANCED],
        "heights": np.round(heights, 6).tolist(),
        "people": _people(study, limbs, nodes),
        "criterion": page_criterion(study)[1],
        "glenoid": study.file.settings.glenoid_constraint,
        "spacings": list(nodes.spacings),
        "touches_cm": [round(100.0 * touch, 3) for touch in nodes.touches],
        "angles_deg": list(nodes.angles),
        "conditions": [condition.name for condition in study.file.condition],
        "exercises": [condition.exercise for condition in study.file.condition],
        "condition_spacings": [c.lift_kind.spacing for c in study.file.condition],
        "opens_at_study": study.source != EXAMPLE,
        **_presses(study, limbs, presses, tables),
        "path_sizes": list(tables.path_sizes),
        "curves": _curves(limbs),
        **_stability(model),
        "cautions": list(CAUTIONS),
        "limits": [*LIMITS, *model.limits.titles],
        "posture_limits": posture_limits(model, "elbow_extension"),
        "load_limits": load_limits(model),
        "limit_marks": limit_rows(model, "activation"),
        "force_marks": limit_rows(model, "force"),
        "parts": [height_third(float(fraction)) for fraction in heights],
    }


def _heads(model: Model, tables: PressTables) -> list[dict[str, Any]]:
    found = []
    arms = np.abs(np.nan_to_num(tables.geometry["arms"])).max(axis=(0, 1))
    rows = [row_named(name) for name in BALANCED]
    for number, head in enumerate(model.heads):
        muscle, _, part = head.name.partition("/")
        found.append(
            {
                "id": head.name,
                "label": head_label(head.name),
                "muscle": muscle.replace("_", " "),
                "part": part.replace("_", " "),
                "group": group_phrase(head.group),
                "joints": list(
                    dict.fromkeys(
                        r.joint for r, own in zip(rows, arms[:, number], strict=True) if own
                    )
                ),
            }
        )
    return found


def posture_limits(model: Model, direction: str) -> list[str]:
    """Limits that concern a comparison of strength in a direction between postures, in words."""
    rows = model.limits.at(f"strength_{direction}", claim="order")
    return list(dict.fromkeys(model.limits.said(row.key) for row in rows))


def load_limits(model: Model) -> list[str]:
    """Limits that concern greatest loads, in words."""
    rows = model.limits.at("greatest_load", claim="size")
    return list(dict.fromkeys(model.limits.said(row.key) for row in rows))


def limit_rows(model: Model, quantity: str = "activation") -> list[dict[str, Any]]:
    """Limits of the model that concern a quantity of some heads.

    Returns
    -------
    list of dict
        ``place`` in the page's list of limits, ``heads`` as indices, and what else decides whether
        a limit holds; the page looks them up as :meth:`momentshare.limits.Limits.at` does.
    """
    limits = model.limits
    asked = with_what_it_rests_on(quantity)
    return [
        {
            "place": len(LIMITS) + limits.keys.index(row.key),
            "heads": [n for n, head in enumerate(model.head_names) if row.names(head)],
            "exercises": list(row.exercises),
            "parts": list(row.parts),
            "claim": row.claim,
            "condition": row.condition,
            "value": row.value,
        }
        for row in limits.rows
        if row.quantity in asked and not row.of_a_column
    ]


def _row(name: str) -> dict[str, Any]:
    row = row_named(name)
    return {
        "name": name,
        "joint": row.joint,
        "axis": row.axis,
        "positive": {"words": row.positive.words, "noun": row.positive.noun},
        "negative": {"words": row.negative.words, "noun": row.negative.noun},
    }


def _people(study: Study, limbs: Limb, nodes: Nodes) -> list[dict[str, Any]]:
    found = []
    for place, entry in enumerate(study.file.person):
        limb = limbs.take(place)
        found.append(
            {
                "name": entry.name,
                "sex": entry.sex,
                "stature_cm": entry.stature_cm,
                "mass_kg": entry.body_mass_kg,
                "breadth_cm": round(100.0 * limb.skeleton.sizes.biacromial_breadth, 2),
                "joint_up_cm": round(100.0 * float(limb.skeleton.joint_centre[1]), 3),
                "upper_arm_cm": round(100.0 * float(limb.skeleton.humerus_length), 2),
                "usual_load_kg": usual_load(
                    limbs, place, nodes, glenoid=study.file.settings.glenoid_constraint
                ),
                "test_extension_nm": _tested_extension(limb),
                "weights": {
                    "area": [float(w) for w in limb.area_weights],
                    "volume": [float(w) for w in limb.volume_weights],
                },
            }
        )
    return found


def _tested_extension(limb: Limb) -> float:
    """Greatest extension moment in a seated test: arm at the side, elbow at 90 degrees [N·m]."""
    posture = posture_from_angles(elevation=0.0, elbow_flexion=float(np.pi / 2))
    return float(braced_strength(limb, posture, "elbow_extension"))


def _presses(
    study: Study, limbs: Limb, presses: list[Press], tables: PressTables
) -> dict[str, Any]:
    """Presses with a lift, where to find them, and why others have none."""
    lookup: dict[str, int] = {}
    reasons: dict[str, str] = {}
    outlines: list[dict[str, Any]] = []
    seen: dict[tuple[Any, ...], int] = {}
    known = {id(press): number for number, press in enumerate(tables.presses)}
    places = {c.name: k for k, c in enumerate(study.file.condition)}
    loads = _loads(study)
    found: list[dict[str, Any]] = []
    for press in presses:
        if press.node is None:
            key = f"{press.person}|c{places[press.condition]}"
        else:
            kind = "u" if press.kind == "push_up" else "p"
            key = "|".join(map(str, (press.person, kind, *press.node)))
        if press.lift is None:
            reasons[key] = press.reason
            continue
        number = known[id(press)]
        lookup[key] = number
        lift = press.lift
        look = (press.person, tuple(np.round(np.ravel(lift.up), 6)), press.kind == "push_up")
        if look not in seen:
            seen[look] = len(outlines)
            outlines.append(trunk_outlines(limbs, press))
        given = loads.get((press.person, press.condition), {})
        found.append(
            {
                "person": press.person,
                "kind": press.kind,
                "geometry": tables.geometry_of[number],
                "lateral": lift.lateral_free,
                "outline": seen[look],
                "breaches": [breach.text() for breach in lift.breaches],
                **given,
            }
        )
    order = sorted(range(len(found)), key=lambda k: list(lookup.values())[k])
    return {
        "presses": [found[k] for k in order],
        "lookup": lookup,
        "reasons": reasons,
        "outlines": outlines,
    }


def _loads(study: Study) -> dict[tuple[int, str], dict[str, Any]]:
    """Load [kg], and lateral ratio as measured, of the study's conditions, by person."""
    out = {}
    for task in plan_study(study).setup.tasks:
        exercise = task.exercise
        load = getattr(exercise, "load_mass", getattr(exercise, "extra_mass", 0.0))
        measured = next((t for t in task.treatments if t.mode == "measured"), None)
        ratios = None if measured is None else measured.ratios(HEIGHTS, _EVEN).tolist()
        bounds = next((t.bounds for t in task.treatments if t.mode == "free"), None)
        push = _PUSHES[(measured or task.treatments[0]).mode]
        out[task.limb, task.condition] = {
            "load": float(load),
            "ratios": ratios,
            "bounds": bounds,
            "push": push,
        }
    return out


def _curves(limbs: Limb) -> dict[str, Any]:
    curves = curve_set(limbs.options.curves)
    passive = curves.passive_force_length(_CURVE) if limbs.options.passive else 0.0 * _CURVE
    return {
        "name": limbs.options.curves,
        "x": _CURVE.tolist(),
        "active": np.round(curves.active_force_length(_CURVE), 4).tolist(),
        "passive": np.round(passive, 4).tolist(),
    }


def _stability(model: Model) -> dict[str, Any]:
    turns, ratios = stability_facets(model)
    return {
        "turns": turns.tolist(),
        "facets": ratios.tolist(),
        "stability": {
            side: model.number(f"stability_{side}")
            for side in ("anterior", "posterior", "superior", "inferior")
        },
    }

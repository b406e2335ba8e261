"""How every stored table is keyed, thinned and compared; names are those of today's data."""

from __future__ import annotations

from dataclasses import replace

from tests.golden.tables import Several, Table

_LIFT = ("person", "condition", "lateral")
_FRAME = (*_LIFT, "frame")

_ROWS = (
    "shoulder_internal_rotation",
    "shoulder_elevation",
    "shoulder_horizontal_adduction",
    "elbow_extension",
    "forearm_pronation",
)

_ROUNDING = {
    "moment_residual_nm": 1e-6,
    "bound_violation": 1e-9,
    "stationarity": 1e-6,
    "duality_gap": 1e-6,
}
"""A certificate says how far rounding went; only its size is held, by unit."""


_MET = {"unmet_nm": 1.0}
"""Where every moment is met, the unmet one is rounding."""


_SEARCHED = 1e-6
"""Results of the mixed models, whose share of variance is found by a search along a line: with
the other route of the sharing they move by up to 3e-8 and, where p values are multiplied over
items, 6e-8 of the column."""

_STEEP = 1e-6
"""Multipliers of moments that cannot be met stand in the ratio of the unmet moment to a very
small weight, and min-max has several: with every net moment off by 1e-13 of itself they, and
the parts of a drive that follow from them, move by up to 1.1e-7 of the column."""

_TIMED = 1e-6
"""Accelerations of a timed lift are second differences over 1e-5 s, which carry rounding on to
the moments: with the presses of all draws closed in one array in place of one by one, timed
conditions moved by up to 3e-8 of the column and no others did. Processors round differently too:
between one with vectors of 512 bits and one with 256 they moved by up to 1e-8, and again no others
did."""

_TIMED_ROWS = ("timed", _TIMED)

_SEVERAL = ("multiplier_per_nm",)
"""Where a moment is not met, every head that helps is at its bound and several multipliers prove
the same shares: kernels, and processors, find others, apart by up to 0.7 % and the shares the same
to 1e-9."""

_DRIVEN = 1e-5
"""A maximal lift ends at a time that is searched for and carries it on to every speed: two
processors were apart by up to 1.4e-6."""

_MEASURED = 1e-6
"""Files of a laboratory hold single precision, 6e-8 of a value: what two processors round
differently in the last place of sixteen is written in another last place of seven, and moves
results by up to 2e-7 of the column."""

_DELAY = 1e-5
"""A delay is where a correlation is greatest and so level: rounding moves it by its square root,
the synchrony of one trial by 1.1e-6 of the column between two processors."""

_DRAWN = 1e-8
"""Quantiles by p = 3 moved by up to 2e-9 between two processors."""

_SOME = {"person": ("Ines", "Milo")}
_HEADS = (*_LIFT, "head")
_CASE = ("criterion", "lateral")


def _study_tables(
    run: str, *, every: int, only: dict[str, tuple[str, ...]] | None = None
) -> dict[str, Table]:
    """Tables of a planned study; frames are thinned, and long tables kept for some people."""
    found = {
        f"{run}/heads": Table(keys=("condition", "lateral", "head")),
        f"{run}/heads_by_person": Table(keys=_HEADS),
        f"{run}/moments": Table(
            keys=(*_FRAME, "row"),
            every=every,
            least_scale=_MET,
            loose={"multiplier_per_nm": _STEEP},
            several=Several(_SEVERAL, ("unmet_nm",), within=_FRAME),
        ),
        f"{run}/loads": Table(keys=_FRAME, every=every),
        f"{run}/conditions": Table(keys=_LIFT, words=("limits",)),
        f"{run}/certificates": Table(keys=_FRAME, every=every, noise=_ROUNDING),
        f"{run}/postures": Table(keys=("person", "condition", "frame"), every=every),
        f"{run}/ratios": Table(keys=("lateral", "head", "condition", "other")),
        f"{run}/ordering": Table(keys=("lateral", "head", "other", "condition")),
        f"{run}/glenoid": Table(keys=(*_FRAME, "within_limits"), every=every),
        f"{run}/glenoid_heads": Table(keys=("condition", "lateral", "head")),
        f"{run}/frames": Table(keys=(*_FRAME, "head"), every=every, only=only),
        f"{run}/refusals": Table(keys=("person", "condition")),
    }
    return {name: replace(table, loose_rows=_TIMED_ROWS) for name, table in found.items()}


_WITHIN = (
    *("mean_activation_within_limits", "difference", "contact_n", "contact_body_weights"),
    *("compression_n", "anterior_shear_n", "superior_shear_n"),
    *("shear_ratio", "stability_ratio", "share_of_limit", "inside_limit_by_deg"),
)
"""What an interior-point method finds within the glenoid's limits; up to 6e-9 was seen in timed
conditions."""


def _variant_tables() -> dict[str, Table]:
    keys = {
        "heads_by_person": _HEADS,
        "moments": (*_FRAME, "row"),
        "loads": _FRAME,
        "conditions": _LIFT,
        "glenoid": (*_FRAME, "within_limits"),
        "glenoid_heads": ("condition", "lateral", "head"),
    }
    loose = {"multiplier_per_nm": _STEEP}
    loose |= dict.fromkeys(_WITHIN, _TIMED)
    several = Several(_SEVERAL, ("unmet_nm",), within=("variant", *_FRAME))
    return {
        f"variants/{name}": Table(
            keys=("variant", *own),
            words=("limits",),
            least_scale=_MET,
            loose=loose,
            loose_rows=_TIMED_ROWS,
            several=several if name == "moments" else None,
        )
        for name, own in keys.items()
    }


def _drawn_tables(run: str, *, limit: float | None = None) -> dict[str, Table]:
    values = ("mean", "sd", "low", "q25", "median", "q75", "high")
    loose = None if limit is None else dict.fromkeys(values, limit)
    return {
        f"{run}/intervals": Table(
            keys=("measure", *_HEADS, "criterion"), scale_by=("measure",), loose=loose
        ),
        f"{run}/condition_order": Table(keys=(*_CASE, "head", "condition", "other")),
        f"{run}/failures": Table(keys=("person", "condition"), words=("reasons",)),
    }


def _explain_tables() -> dict[str, Table]:
    unmet = dict.fromkeys((f"unmet_{row}_nm" for row in _ROWS), 1.0)
    keys = {
        "drive_by_head": ("head",),
        "drive": ("head", "row"),
        "factors": ("head",),
        "moments": ("head", "row"),
        "along": ("head", "lateral", "frame"),
        "counterfactuals": ("changed_head", "case", "head"),
        "counterfactual_cases": ("changed_head", "case"),
        "worked": ("exponent", "head"),
    }
    parts = ("shoulder", "elbow", "glenoid", *_ROWS)
    steep = ["part", "drive_per_n", "multiplier_per_nm", "sum_of_parts", "activation_before_bounds"]
    steep += [f"part_{part}" for part in parts] + [f"multiplier_{row}_per_nm" for row in _ROWS]
    worst, columns = ("worst_unmet_nm",), tuple(steep)
    several = {
        "drive_by_head": Several(columns, worst, within=("explained",)),
        "drive": Several(columns, worst, within=("explained",)),
        "along": Several(columns, worst, within=("explained", "lateral", "frame")),
        "counterfactual_cases": Several(
            columns,
            tuple(f"unmet_{row}_nm" for row in _ROWS[:-1]),  # the forearm is not balanced
            within=("explained", "changed_head", "case"),
        ),
    }
    return {
        f"explain/{name}": Table(
            keys=("explained", *own),
            noise=_ROUNDING,
            least_scale=unmet,
            loose=dict.fromkeys(steep, _STEEP),
            loose_rows=_TIMED_ROWS,
            several=several.get(name),
        )
        for name, own in keys.items()
    }


_MODEL = dict.fromkeys(
    (
        *("f", "p", "p_holm", "p_holm_over_item", "p_greenhouse_geisser"),
        *("sd_between_people", "sd_within_people", "se", "low", "high"),
    ),
    _SEARCHED,
)


def _lab_tables() -> dict[str, Table]:
    trial = ("trial",)
    lift = ("trial", "repetition", "lateral")
    frame = (*lift, "frame")
    curve = ("condition", "lift_percent")
    words = ("note", "notes", "reason", "limits")

    def table(
        *keys: str,
        scale_by: tuple[str, ...] = (),
        every: int = 1,
        loose: dict[str, float] | None = None,
    ) -> Table:
        return Table(
            keys=keys,
            scale_by=scale_by,
            every=every,
            words=words,
            least_scale=_MET,
            loose=loose,
        )

    found = {
        "trials": table(*trial),
        "checks": table(*trial, "check", scale_by=("check",), loose={"value": _DELAY}),
        "events": table("trial", "repetition"),
        "places": table("place", "way", "other", "row"),
        "shortfalls": table("trial", "lateral"),
        "heads_by_person": table(*_HEADS),
        "heads": table("condition", "lateral", "head"),
        "regions_by_person": table(*_LIFT, "region", "quantity", "item", scale_by=("quantity",)),
        "regions": table(
            "condition", "lateral", "region", "quantity", "item", scale_by=("quantity",)
        ),
        "curves_heads": table(*curve, "lateral", "head", "quantity", scale_by=("quantity",)),
        "curves_moments": table(*curve, "lateral", "row", "quantity"),
        "curves_hand": table(*curve, "lateral", "quantity", scale_by=("quantity",)),
        "curves_speed": table(*curve),
        "curves_angles": table(*curve, "quantity", scale_by=("quantity",)),
        "omnibus": table("lateral", "outcome", "item", scale_by=("outcome",), loose=_MODEL),
        "contrasts": table(
            "lateral",
            "outcome",
            "item",
            "condition",
            "other",
            scale_by=("outcome",),
            loose=_MODEL,
        ),
        "outcomes": table(
            "condition", "lateral", "phase", "outcome", "item", scale_by=("outcome",)
        ),
        "outcomes_by_person": table(
            *_LIFT, "arm", "phase", "outcome", "item", scale_by=("outcome",)
        ),
        "outcome_omnibus": table("outcome", "item", scale_by=("outcome",), loose=_MODEL),
        "outcome_contrasts": table(
            "outcome", "item", "condition", "other", scale_by=("outcome",), loose=_MODEL
        ),
        "ascent_descent": table("condition", "outcome", "item", scale_by=("outcome",)),
        "emg_by_condition": table("head", "condition"),
        "sensitivity": table("condition", "lateral", "change", "head"),
        "sensitivity_orders": table("lateral", "change", "head", "condition", "other"),
        "emg_curves_by_person": table("person", *curve, "head"),
        "emg_by_person": table("head", "condition", "person"),
        "emg_agreement": table("head", "condition"),
        "emg_ordering": table("head", "condition", "other"),
        "all_frames": table(*frame, "head", every=5),
        "all_moments": table(*frame, "row", every=5),
        "all_motion": table("trial", "repetition", "frame", every=5),
        "all_emg": table(*lift, "head", "lift_percent"),
        "all_glenoid": table(*frame, "within_limits", every=5),
        "glenoid_heads": table("condition", "lateral", "head"),
        "all_conditions": table(*lift),
    }
    return {
        f"lab/{name}": replace(spec, loose_rows=("", _MEASURED)) for name, spec in found.items()
    }


_ALONG = ("person", "condition", "frame", "direction", "others")

TABLES: dict[str, Table] = {
    **_study_tables("demo", every=10, only=_SOME),
    "effects/heads": Table(keys=("switch", "condition", "lateral", "head"), loose_rows=_TIMED_ROWS),
    "effects/conditions": Table(keys=("switch", "condition", "lateral"), loose_rows=_TIMED_ROWS),
    **_drawn_tables("uncertainty", limit=_DRAWN),
    "uncertainty/head_order": Table(keys=(*_CASE, "condition", "head", "other")),
    "ranking/screening": Table(keys=("measure", "condition", "head", "family")),
    "ranking/overall": Table(keys=("family",)),
    "ranking/indices": Table(keys=("measure", "condition", "head", "family")),
    "strength/along": Table(keys=_ALONG),
    "strength/frames": Table(keys=(*_FRAME, "row", "others")),
    "strength/utilisation": Table(keys=(*_LIFT, "row", "others")),
    "strength/tests": Table(keys=("person", "direction", "others")),
    "strength/curves": Table(keys=("person", "direction", "others", "place")),
    **_study_tables("exercises", every=4),
    **_variant_tables(),
    **_drawn_tables("uncertainty_exercises", limit=_TIMED),
    "strength_exercises/along": Table(keys=_ALONG),
    "strength_exercises/utilisation": Table(keys=(*_LIFT, "row", "others"), loose_rows=_TIMED_ROWS),
    "strength_exercises/moments": Table(
        keys=("person", "condition", "row", "others"), words=("note",)
    ),
    **_explain_tables(),
    "published/heads": Table(keys=("run", "condition", "point", "head")),
    "published/orderings": Table(keys=("run", "condition", "other", "point", "head")),
    "published/shortfalls": Table(
        keys=("run", "condition", "point"),
        words=("note", "source"),
        least_scale=dict.fromkeys((f"{row}_unmet_nm" for row in _ROWS), 1.0),
    ),
    "validation/table": Table(
        keys=("id",),
        scale_by=("id",),
        words=("quantity", "posture", "source", "note"),
        # what ought to be zero is rounding; the finest unit in the table is 1
        least_scale={"model": 1e-3, "relative_error": 1e-3},
        loose_rows=("maximal_", _DRIVEN),
    ),
    **_lab_tables(),
}

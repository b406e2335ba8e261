"""The answer for a lift with names of axes and units, in plain Python values."""

from __future__ import annotations

from importlib.metadata import version
from typing import Any

import numpy as np

from momentshare.directions import ROWS
from momentshare.exercise.hand import COUPLES
from momentshare.results import per_frame

FRAME = {
    "time": "s",
    "height": "m",
    "load_mass": "kg",
    "reachable": None,
    "lateral_force": "N",
    "lateral_ratio": "1",
    "greatest_load": "kg",
}
"""Quantities of a frame and their units; a truth value has none."""

HEADS = {
    "capacity": "N",
    "passive_force": "N",
    "path_length": "m",
    "fibre_length": "1",
    "fibre_velocity": "1",
    "strength_fraction": "1",
}
"""Quantities of a head, likewise."""


def labelled_lift(result: Any) -> dict[str, Any]:
    """See `LiftResult.to_dict`; ``result`` is such a one."""
    prepared, lift = result.prepared, result.prepared.lift
    limb, state = prepared.limb, prepared.state
    posed = lift.reachable
    whole: dict[str, Any] = result.sharing.to_dict()
    coords, found = whole["coords"], whole["data_vars"]
    coords["net_row"] = {"dims": ("net_row",), "data": list(ROWS)}
    coords["direction"] = {"dims": ("direction",), "data": ["x", "y", "z"]}
    coords["couple"] = {"dims": ("couple",), "data": list(COUPLES)}
    coords["height_fraction"] = {
        "dims": ("frame",), "data": lift.fraction.tolist(), "attrs": {"units": "1"},
    }  # fmt: skip

    def put(name: str, dims: tuple[str, ...], values: Any, unit: str | None, **more: str) -> None:
        found[name] = per_frame(dims, values, unit, **more)

    greatest = result.greatest
    strongest, own = limb.greatest_isometric_force, lift.limb_in(limb.skeleton)
    strongest = strongest if own is None else strongest[own]
    of_frames = {
        "time": lift.time,
        "height": lift.height,
        "load_mass": np.broadcast_to(lift.load_mass, posed.shape),
        "reachable": posed,
        "lateral_force": result.lateral_force,
        "lateral_ratio": result.lateral_ratio,
        "greatest_load": None if greatest is None else greatest.factor,
    }
    of_heads = {
        "capacity": state.active_capacity,
        "passive_force": state.passive_force,
        "path_length": prepared.paths.length,
        "fibre_length": state.fibre_length_normalised,
        "fibre_velocity": state.fibre_velocity_normalised,
        "strength_fraction": result.force / strongest,
    }
    for name, unit in FRAME.items():
        if of_frames[name] is not None:
            put(name, (), of_frames[name], unit)
    for name, unit in HEADS.items():
        put(name, ("head",), np.where(posed[:, None], of_heads[name], np.nan), unit)
    put("net_moments", ("net_row",), result.moments, "N m")
    arms = np.where(posed[:, None, None], prepared.paths.moment_arms, np.nan)
    put("moment_arms", ("net_row", "head"), arms, "m")
    put("contact", ("direction",), result.contact, "N", frame="thorax")
    put("hand_couple", ("couple",), result.hand_couple, "N m")
    whole["attrs"].update(
        lateral=result.lateral.mode,
        weights=result.criterion.weights,
        model=limb.model.name,
        model_digest=limb.model.digest,
        momentshare=version("momentshare"),
    )
    return whole

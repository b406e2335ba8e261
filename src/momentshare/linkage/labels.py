"""The answer for a linkage with names of axes and units, in plain Python values."""

from __future__ import annotations

from importlib.metadata import version
from typing import Any

import numpy as np

from momentshare.results import per_frame

__all__ = ["labelled_linkage"]

HEADS = {
    "capacity": "N",
    "passive_force": "N",
    "path_length": "m",
    "fibre_length": "1",
    "fibre_velocity": "1",
}
"""Quantities of a head and their units."""


def labelled_linkage(result: Any) -> dict[str, Any]:
    """See `LinkageResult.to_dict`; ``result`` is such a one."""
    linkage, paths, fibres, posed = result.linkage, result.paths, result.fibres, result.posed
    whole: dict[str, Any] = result.sharing.to_dict()
    coords, found = whole["coords"], whole["data_vars"]
    coords["net_row"] = {"dims": ("net_row",), "data": list(linkage.row_names)}
    coords["joint"] = {"dims": ("joint",), "data": [joint.name for joint in linkage.joints]}
    coords["direction"] = {"dims": ("direction",), "data": ["x", "y", "z"]}

    def put(name: str, dims: tuple[str, ...], values: Any, unit: str | None, **more: str) -> None:
        found[name] = per_frame(dims, values, unit, **more)

    of_heads = {
        "capacity": fibres.capacity,
        "passive_force": fibres.passive,
        "path_length": result.path_length,
        "fibre_length": fibres.fibre_length,
        "fibre_velocity": fibres.fibre_velocity,
    }
    if result.time is not None:
        put("time", (), result.time, "s")
    put("posed", (), posed, None)
    put("angles", ("net_row",), result.angles, "rad")
    put("net_moments", ("net_row",), result.moments, "N m")
    for name, unit in HEADS.items():
        put(name, ("head",), np.where(posed[:, None], of_heads[name], np.nan), unit)
    arms = np.where(posed[:, None, None], paths.moment_arms, np.nan)
    put("moment_arms", ("net_row", "head"), arms, "m")
    put("joint_force", ("joint", "direction"), result.joint_force, "N", frame="ground")
    put("contact", ("joint", "direction"), result.contact, "N", frame="ground")
    whole["attrs"].update(
        model=linkage.name, curves=result.curves, momentshare=version("momentshare")
    )
    return whole

"""Columns of an answer for a lift: heads, rows of the moment and frames, one line for each."""

from __future__ import annotations

from itertools import compress
from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.directions import ROWS
from momentshare.exercise.hand import COUPLES

if TYPE_CHECKING:
    from momentshare.exercise.lift import Lift

__all__ = ["frame_columns", "head_columns", "place_columns", "row_columns", "status_words"]


def status_words(reachable: np.ndarray, status: np.ndarray) -> np.ndarray:
    """Status of every frame in words; ``out of reach`` where there is no posture."""
    return np.where(reachable, status.astype(object), "out of reach")


def place_columns(lift: Lift, rows: int = 1) -> dict[str, Any]:
    """Columns for the place of a line along the lift, ``rows`` lines per frame."""
    columns = {
        "frame": np.arange(len(lift.fraction)),
        "height_fraction": lift.fraction,
        "bar_height_m": lift.height,
        "time_s": np.full(len(lift.fraction), np.nan) if lift.time is None else lift.time,
    }
    return {name: np.repeat(values, rows) for name, values in columns.items()}


def head_columns(result: Any) -> dict[str, Any]:
    """One line per frame and head; ``result`` is a `LiftResult`, here as below."""
    prepared = result.prepared
    lift, state, found = prepared.lift, prepared.state, prepared.paths
    frames, heads = result.force.shape
    lost = ~lift.reachable[:, None]
    strongest, own = prepared.limb.greatest_isometric_force, lift.limb_in(prepared.limb.skeleton)

    def flat(values: np.ndarray) -> np.ndarray:
        return np.where(lost, np.nan, values).ravel()

    return {
        **place_columns(lift, rows=heads),
        "head": np.tile(np.array(found.head_names), frames),
        "activation": result.activation.ravel(),
        "force_n": result.force.ravel(),
        "passive_force_n": flat(state.passive_force),
        "capacity_n": flat(state.active_capacity),
        "strength_fraction": (
            result.force / (strongest if own is None else strongest[own])
        ).ravel(),
        "fibre_length": flat(state.fibre_length_normalised),
        "fibre_velocity": flat(state.fibre_velocity_normalised),
        "path_length_m": flat(found.length),
        "on_surface": np.asarray(found.contact).ravel(),
        **{f"arm_{row}_m": flat(found.moment_arms[:, k]) for k, row in enumerate(ROWS)},
    }


def row_columns(result: Any) -> dict[str, Any]:
    """One line per frame and row of the moment."""
    lift = result.prepared.lift
    count, frames = len(ROWS), len(lift.reachable)
    unmet, price = np.full((frames, count), np.nan), np.full((frames, count), np.nan)
    at = [ROWS.index(name) for name in result.criterion.rows]
    unmet[:, at] = result.sharing.unmet
    price[:, at] = result.sharing.multipliers
    need = result.prepared.demand
    of_hand = {
        "vertical_force_n": need.hand_force(),
        "lateral_force_n": result.lateral_force,
        "lateral_ratio": result.lateral_ratio,
        **{f"couple_{axis}_nm": result.hand_couple[:, k] for k, axis in enumerate(COUPLES)},
        "bound_met": _bounds_met(result),
    }
    return {
        **place_columns(lift, rows=count),
        "row": np.tile(np.array(ROWS), frames),
        "balanced": np.tile([name in result.criterion.rows for name in ROWS], frames),
        "moment_nm": result.moments.ravel(),
        "gravity_arm_m": need.gravity_arms.ravel(),
        "unmet_nm": unmet.ravel(),
        "multiplier_per_nm": price.ravel(),
        **{name: np.repeat(values, count) for name, values in of_hand.items()},
    }


def frame_columns(result: Any) -> dict[str, Any]:
    """One line per frame: load, force of the hand, greatest load, contact force and proof."""
    lift, proof, greatest = result.prepared.lift, result.sharing.certificate, result.greatest
    frames = len(lift.reachable)
    return {
        **place_columns(lift),
        # Both hands together, as a condition has it; a lift gives it for one.
        "load_kg": 2.0 * np.broadcast_to(np.asarray(lift.load_mass, dtype=float), frames),
        "greatest_load_kg": np.full(frames, np.nan) if greatest is None else greatest.factor,
        "vertical_force_n": result.prepared.demand.hand_force(),
        "lateral_force_n": result.lateral_force,
        "lateral_ratio": result.lateral_ratio,
        **{f"contact_force_{axis}_n": result.contact[:, k] for k, axis in enumerate("xyz")},
        "glenohumeral_contact_n": np.linalg.norm(result.contact, axis=-1),
        "moment_residual_nm": proof.moment_residual,
        "stationarity": proof.stationarity,
        "duality_gap": proof.duality_gap,
        "status": status_words(lift.reachable, result.sharing.status_text),
    }


def _bounds_met(result: Any) -> np.ndarray:
    """Name in every frame which force or couple of the hand is at a bound; empty if none is."""
    names = ("lateral force", *(f"{axis} couple" for axis in COUPLES))
    return np.array(
        ["; ".join(compress(names, met)) for met in result.hand_bound_met], dtype=object
    )

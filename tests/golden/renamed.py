"""Names that have changed since the tables were stored; the stored data keep the old ones.

Each mapping goes from a table, or ``"*"`` for all, to its names. Tables are called as in
``specs.TABLES``, such as ``"demo/heads"``.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Duplicate:
    """A stored column that is gone because another one held exactly the same.

    Parameters
    ----------
    of : str
        Old name of the column that remains; the test compares the two in the stored table.
    reason : str
        Why one of them was enough.
    """

    of: str
    reason: str


_SAME = "activation is active force over capacity here: the same array under two names"

COLUMNS: dict[str, dict[str, str | Duplicate]] = {
    "*": {
        "condition_a": "condition",
        "condition_b": "other",
        "reference": "other",
        "higher": "condition",
        "lower": "other",
        "effort_ratio": "activation_ratio",
        "effort_difference": "activation_difference",
        "mean_effort": "mean_activation",
        "mean_effort_changed": "mean_activation_changed",
        "mean_effort_within_limits": "mean_activation_within_limits",
        "peak_effort": "peak_activation",
        "q05": "low",
        "q95": "high",
        "sd_nm": "moment_nm_sd",
        "corrected_sd": "corrected_utilisation_sd",
        "mtu_length_m": "path_length_m",
        "greatest_mtu_length_m": "greatest_path_length_m",
        "wrapped": "on_surface",
        "optimal_fibre_length": "peak_fibre_length",
        "max_isometric_force": "greatest_isometric_force",
    },
    **{
        f"{run}/{table}": {name: Duplicate(name.replace("effort", "activation"), _SAME)}
        for run, table, name in (
            ("demo", "frames", "effort"),
            ("exercises", "frames", "effort"),
        )
    },
    **{
        f"{run}/heads_by_person": {
            "peak_effort": Duplicate("peak_activation", _SAME),
            "mean_effort": Duplicate("mean_activation", _SAME),
        }
        for run in ("demo", "exercises", "variants")
    },
    **{
        f"{run}/heads": {
            **{
                name: f"{name}_mean"
                for name in (
                    *("mean_activation", "peak_activation", "mean_force_n", "peak_force_n"),
                    *("min_fibre_length", "max_fibre_length"),
                )
            },
            "peak_effort": Duplicate("peak_activation", _SAME),
        }
        for run in ("demo", "exercises")
    },
    **{
        f"{run}/{table}": {"first": name, "second": "other"}
        for run, table, name in (
            ("uncertainty", "condition_order", "condition"),
            ("uncertainty", "head_order", "head"),
            ("uncertainty_exercises", "condition_order", "condition"),
        )
    },
    "published/heads": {
        "effort": "activation",
        "effort_median": "activation_median",
        "effort_low": "activation_low",
        "effort_high": "activation_high",
        "force_median_n": "force_n_median",
        "force_low_n": "force_n_low",
        "force_high_n": "force_n_high",
    },
}
"""Table → old column → new column, or the column that it was a duplicate of."""

VALUES: dict[str, dict[str, dict[str, str]]] = {
    "*": {
        "direction": {"shoulder_adduction": "shoulder_lowering"},
        "measure": {"mean_effort": "mean_activation", "peak_effort": "peak_activation"},
        "outcome": {"mean_effort": "mean_activation"},
        "quantity": {"effort": "activation"},
        "family": {"wrap_radii": "surface_radii"},
        "switch": {"curves Thelen2003": "curves thelen2003"},
        "variant": {
            "curves Thelen2003, no passive force": "curves thelen2003, no passive force",
        },
    },
}
"""Table → old column → old value → new value: names of rows, modes, heads, states."""

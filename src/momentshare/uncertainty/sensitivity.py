"""Which inputs matter: screening of all families, then variance-based indices of a few.

Families of inputs move as groups. Screening: elementary effects (Morris 1991, from memory)
with ``mu_star``, the mean size of the change when a family moves from one level to another.
Indices: first-order and total shares of variance (Sobol 1993; Saltelli 2002; from memory) of
the families that screened highest, the others held at the model's value. Both by SALib.
Levels are probabilities from 0.02 to 0.98, turned into standard normals.
"""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
from scipy.special import ndtri

from momentshare.uncertainty.ranking import Sensitivity
from momentshare.uncertainty.summary import ChunkRows

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from numpy.typing import NDArray

    from momentshare.uncertainty.layout import Layout
    from momentshare.uncertainty.plan import UncertaintyPlan

__all__ = ["Sensitivity", "rank_families"]

_ACTIVATION = "mean_activation:"
_LEVELS = 4
_TAIL = 0.02
"""Probability left at either end of an input's range."""

_WORKING = 0.05
"""Mean activation from which a head is included in the ranking."""


def rank_families(
    plan: UncertaintyPlan,
    layout: Layout,
    solve: Callable[[str, NDArray[np.float64]], list[Path]],
) -> Sensitivity:
    """Screen all families, then find the indices of the few that matter most.

    Parameters
    ----------
    plan : UncertaintyPlan
    layout : Layout
    solve : callable
        Solves the standard normals of a named stage and returns the chunk files.
    """
    from SALib.analyze import morris as analyse
    from SALib.sample import morris as sample

    families = list(layout.families)
    problem = _problem(layout, families)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        design = sample.sample(problem, plan.trajectories, num_levels=_LEVELS, seed=plan.seed)
    outputs, failed = _outputs(plan, solve("screening", _normals(layout, families, design)))
    lines = []
    for key, values in outputs.items():
        with warnings.catch_warnings(), np.errstate(all="ignore"):
            warnings.simplefilter("ignore")
            found = analyse.analyze(
                problem, design, values, num_levels=_LEVELS, seed=plan.seed, print_to_console=False
            )
        mu, conf, sigma = (np.asarray(found[k]) for k in ("mu_star", "mu_star_conf", "sigma"))
        lines += [
            (*key, family, float(mu[i]), float(conf[i]), float(sigma[i]))
            for i, family in enumerate(found["names"])
        ]
    columns = ["measure", "condition", "head", "family"]
    table = pd.DataFrame(lines, columns=[*columns, "mu_star", "mu_star_confidence", "sigma"])
    overall = _overall(table)
    indices = pd.DataFrame(
        columns=[*columns, "first_order", "first_order_confidence", "total", "total_confidence"]
    )
    if plan.sobol:
        few = [f for f in families if f in set(overall["family"].head(plan.few))]
        indices, lost = _indices(plan, layout, few, solve)
        failed += lost
    return Sensitivity(screening=table, overall=overall, indices=indices, failed=failed)


def _indices(
    plan: UncertaintyPlan,
    layout: Layout,
    families: list[str],
    solve: Callable[[str, NDArray[np.float64]], list[Path]],
) -> tuple[pd.DataFrame, int]:
    from SALib.analyze import sobol as analyse
    from SALib.sample import sobol as sample

    problem = _problem(layout, families)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        design = sample.sample(problem, plan.sobol, calc_second_order=False, seed=plan.seed)
    outputs, failed = _outputs(plan, solve("indices", _normals(layout, families, design)))
    lines = []
    for key, values in outputs.items():
        if np.ptp(values) <= 0.0:
            continue
        with warnings.catch_warnings(), np.errstate(all="ignore"):
            warnings.simplefilter("ignore")
            found = analyse.analyze(
                problem, values, calc_second_order=False, seed=plan.seed, print_to_console=False
            )
        lines += [
            (*key, family, *(float(found[k][i]) for k in ("S1", "S1_conf", "ST", "ST_conf")))
            for i, family in enumerate(families)
        ]
    columns = [
        "measure", "condition", "head", "family",
        "first_order", "first_order_confidence", "total", "total_confidence",
    ]  # fmt: skip
    return pd.DataFrame(lines, columns=columns), failed


def _problem(layout: Layout, families: list[str]) -> dict[str, Any]:
    """Describe the variables of some families, each family a group."""
    kept = [v for v in layout.variables if v.family in families]
    # Groups keep the order of their first variable; chosen here follows the families.
    kept.sort(key=lambda v: families.index(v.family))
    return {
        "num_vars": len(kept),
        "names": [v.name for v in kept],
        "bounds": [[_TAIL, 1.0 - _TAIL]] * len(kept),
        "groups": [v.family for v in kept],
    }


def _normals(
    layout: Layout, families: list[str], design: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Convert probabilities of a design to standard normals of the whole layout, others at zero."""
    out = np.zeros((len(design), len(layout)))
    places = np.concatenate([layout.members(f) for f in families])
    out[:, places] = ndtri(design)
    return out


def _outputs(
    plan: UncertaintyPlan, files: list[Path]
) -> tuple[dict[tuple[str, str, str], NDArray[np.float64]], int]:
    """Value of each measure, condition and head in every row of a design.

    Mean over people; first treatment of the lateral force of each condition and first
    criterion. Heads that are inactive everywhere are left out.
    """
    chunk_rows = ChunkRows.read(files[0])
    names = list(plan.conditions)
    first_mode = {name: modes[0] for name, modes in chunk_rows.modes().items()}
    at = [chunk_rows.cells.index((n, first_mode[n], plan.criteria[0])) for n in names]
    heads = [
        c.removeprefix(_ACTIVATION) for c in pq.read_schema(files[0]).names if _ACTIVATION in c
    ]
    columns = [_ACTIVATION + head for head in heads]
    # The mean over people is NaN unless all of them could be solved.
    grid = np.concatenate([chunk_rows.grid(path, columns).mean(axis=1)[:, at] for path in files])
    failed = int(np.isnan(grid).any(axis=(1, 2)).sum())
    out: dict[tuple[str, str, str], NDArray[np.float64]] = {}
    for k, head in enumerate(heads):
        values = np.stack([_filled(grid[:, c, k]) for c in range(len(names))])
        if values.mean(axis=1).max() < _WORKING:
            continue
        for c, name in enumerate(names):
            out["mean_activation", name, head] = values[c]
            if c:
                out["difference_from_first", name, head] = values[c] - values[0]
    return out, failed


def _filled(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Replace NaN by the mean; SALib accepts complete designs only."""
    lost = np.isnan(values)
    return np.where(lost, values[~lost].mean() if not lost.all() else 0.0, values)


def _overall(table: pd.DataFrame) -> pd.DataFrame:
    """Rank the families: mu_star over the greatest of its cell, mean over cells."""
    if table.empty:
        return pd.DataFrame(columns=["family", "relative_mu_star"])
    cells = table.groupby(["measure", "condition", "head"], sort=False)["mu_star"]
    top = cells.transform("max")
    share = (table["mu_star"] / top.where(top > 0.0)).fillna(0.0)
    means = share.groupby(table["family"], sort=False).mean()
    ranked = means.sort_values(ascending=False, kind="stable")
    return ranked.rename("relative_mu_star").reset_index()

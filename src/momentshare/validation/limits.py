"""Limits of a limb beside the published rows behind them, with their current outcome."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd

from momentshare.limits import keys_text

if TYPE_CHECKING:
    from momentshare.limits import Limit, Limits

__all__ = ["LIMIT_COLUMNS", "limit_outcomes", "limits_behind", "out_of_date"]

LIMIT_COLUMNS = ("limit", "title", "reason", "target", "published", "model", "right")


def limit_outcomes(limits: Limits, table: pd.DataFrame) -> pd.DataFrame:
    """One row per limit and published row behind it; an empty ``target`` means none.

    Parameters
    ----------
    limits : Limits
    table : DataFrame
        From :func:`momentshare.validation.table.validation_table`.

    Returns
    -------
    DataFrame
        Columns :data:`LIMIT_COLUMNS`; ``right`` is missing where there is no published row.
    """
    judged = {row["id"]: row for row in table.to_dict("records")}
    lines: list[dict[str, Any]] = []
    for key in limits.keys:
        rows = limits.of(key)
        shared = {"limit": key, "title": rows[0].title, "reason": limits.reasons(key)}
        targets = dict.fromkeys(name for row in rows for name in row.targets if name in judged)
        own = [
            {"target": name} | {c: judged[name][c] for c in ("published", "model", "right")}
            for name in targets
        ]
        none = {"target": "", "published": "", "model": float("nan"), "right": None}
        lines += [shared | line for line in own or [none]]
    return pd.DataFrame(lines, columns=list(LIMIT_COLUMNS))


def limits_behind(limits: Limits) -> dict[str, str]:
    """Target → keys of the limits that rest on it, as a cell shows them."""
    rows: dict[str, list[Limit]] = {}
    for key in limits.keys:
        for row in limits.of(key):
            for name in row.targets:
                rows.setdefault(name, []).append(row)
    return {name: keys_text(found) for name, found in rows.items()}


def out_of_date(outcomes: pd.DataFrame) -> tuple[str, ...]:
    """Limits whose published rows are all right today: the limb may have outgrown them."""
    known = outcomes[outcomes["target"] != ""]
    good = known.groupby("limit", sort=False)["right"].agg(all)
    return tuple(str(key) for key in good.index[good.astype(bool)])

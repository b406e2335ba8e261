"""Mean and spread of each condition as lines with bands, shared by the figures of a cohort."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.report.figures import style

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes


__all__ = ["BAND", "NO_LIMITS", "band", "counted_people", "listed_conditions", "zero_line"]

BAND = "band: one SD between people"

NO_LIMITS = (-np.inf, np.inf)


def listed_conditions(table: pd.DataFrame) -> list[str]:
    """Conditions of a table, in its order."""
    return list(dict.fromkeys(table["condition"].astype(str)))


def counted_people(table: pd.DataFrame) -> str:
    """Count the people behind the means of a table, in words."""
    low, high = int(table["people"].min()), int(table["people"].max())
    if low == high:
        return f"{high} person" if high == 1 else f"{high} people"
    return f"{low} to {high} people"


def band(
    ax: Axes,
    part: pd.DataFrame,
    look: dict[str, Any],
    place: float,
    limits: tuple[float, float] = NO_LIMITS,
) -> None:
    """Draw one mean with its band; the band is cut at what is possible.

    ``place`` in 0 to 1 sets off the markers, so that those of several lines do not coincide.
    """
    x = part["lift_percent"].to_numpy()
    mean, spread = part["mean"].to_numpy(), np.nan_to_num(part["sd"].to_numpy())
    step = max(1, (len(x) - 1) // 4)
    ax.plot(x, mean, markevery=(int(place * step) % step, step), **look)
    low, high = np.clip(mean - spread, *limits), np.clip(mean + spread, *limits)
    ax.fill_between(x, low, high, color=look["color"], alpha=0.13, lw=0)


def zero_line(ax: Axes) -> None:
    """Draw where a quantity is zero."""
    ax.axhline(0.0, color=style.FAINT, linewidth=0.7, zorder=0)

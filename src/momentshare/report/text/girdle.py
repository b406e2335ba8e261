"""What the girdle transmits to the trunk, in a sentence."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from momentshare.reading.glenoid import GIRDLE_FORCE, GIRDLE_MOMENT
from momentshare.report.text.opening import listed

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["girdle_sentences"]


def girdle_sentences(table: pd.DataFrame) -> list[str]:
    """State the greatest load of the girdle in each condition, mean over people; one sentence.

    Parameters
    ----------
    table : DataFrame
        Of :func:`momentshare.reading.glenoid_table`. Of several treatments of the lateral force the
        first one counts, and answers within the limits of the glenoid if they were requested.

    Returns
    -------
    list of str
        Empty where no load is known.
    """
    if table.empty:
        return []
    own = table[table["lateral"] == table["lateral"].iloc[0]]
    own = own[own["within_limits"] == own["within_limits"].any()]
    own = own.assign(
        force=np.linalg.norm(own[list(GIRDLE_FORCE)], axis=1),
        moment=np.linalg.norm(own[list(GIRDLE_MOMENT)], axis=1),
    ).dropna(subset=["force", "moment"])
    if own.empty:
        return []
    keys = ["condition", "person"]
    peaks = own.groupby(keys, sort=False, observed=True)[["force", "moment"]].max()
    means = peaks.groupby("condition", sort=False, observed=True).mean()
    told = listed(
        f"'{condition}' {row.force:.0f} N and {row.moment:.0f} N·m"
        for condition, row in means.iterrows()
    )
    mode = own["lateral"].iloc[0]
    sentence = (
        "clavicle and scapula transmit to the trunk at most (mean over people, lateral force "
        f"{mode}), about the sternoclavicular joint: {told}; what holds them there is not modelled"
    )
    return [sentence]

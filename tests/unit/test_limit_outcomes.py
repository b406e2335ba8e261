"""Limits beside the published rows behind them: outcomes, and what may be out of date."""

from __future__ import annotations

import numpy as np
import pandas as pd

from momentshare.limits import Limit, Limits
from momentshare.validation.limits import LIMIT_COLUMNS, limit_outcomes, out_of_date

JUDGED = pd.DataFrame(
    {
        "id": ["arm", "order", "load"],
        "published": ["20", "larger", "100"],
        "model": [25.0, 1.0, np.nan],
        "right": [False, True, False],
    }
)


def limits(**targets):
    return Limits(
        tuple(
            Limit(key=key, title=key, quantity="greatest_load", reason="r", targets=names)
            for key, names in targets.items()
        )
    )


def test_a_limit_stands_beside_each_of_its_rows():
    found = limit_outcomes(limits(L1=("arm", "order"), L2=()), JUDGED)
    assert tuple(found.columns) == LIMIT_COLUMNS
    assert found[["limit", "target", "right"]].to_numpy().tolist() == [
        ["L1", "arm", False],
        ["L1", "order", True],
        ["L2", "", None],
    ]


def test_rows_of_one_key_are_one_limit():
    row = Limit(key="L1", title="t", quantity="greatest_load", reason="a", targets=("arm",))
    other = Limit(key="L1", title="t", quantity="contact", reason="b", targets=("arm", "load"))
    found = limit_outcomes(Limits((row, other)), JUDGED)
    assert list(found["target"]) == ["arm", "load"]
    assert set(found["reason"]) == {"greatest load: a; load of the glenoid: b"}


def test_a_limit_is_out_of_date_when_all_its_rows_are_right():
    every = limits(L1=("order",), L2=("order", "arm"), L3=("load",), L4=())
    assert out_of_date(limit_outcomes(every, JUDGED)) == ("L1",)


def test_a_limb_without_limits_has_no_outcomes():
    assert limit_outcomes(Limits(), JUDGED).empty
    assert out_of_date(limit_outcomes(Limits(), JUDGED)) == ()

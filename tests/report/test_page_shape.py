"""Tables of a report fit a page of 1,200 pixels, and what belongs together stands together."""

from __future__ import annotations

import pandas as pd
import pytest

from momentshare.report.page.cells import (
    _LEAST_TEXT,
    _SCREEN_CHARACTERS,
    _SCREEN_GAP,
    table_view,
)
from momentshare.report.page.document import Table
from momentshare.report.page.study import _grouped
from momentshare.report.text.messages import Message


def least_width(view):
    """Characters that a table needs at least: its columns and the space between them."""
    return sum(c["least"] for c in view["columns"]) + _SCREEN_GAP * len(view["columns"])


@pytest.mark.parametrize("columns", range(2, 8))
def test_texts_of_a_wide_table_wrap_so_that_it_fits(columns):
    frame = pd.DataFrame({f"c{k}": ["a text of twenty six letters"] * 2 for k in range(columns)})
    view = table_view(Table(frame=frame, caption="c"))
    assert least_width(view) <= max(_SCREEN_CHARACTERS, (_LEAST_TEXT + _SCREEN_GAP) * columns)
    narrow = table_view(Table(frame=frame.iloc[:, :2], caption="c"))
    assert [c["least"] for c in narrow["columns"]] == [26, 26]  # as before
    assert not narrow["dense"]


def test_messages_without_a_word_go_on_with_the_one_before():
    found = _grouped([Message("Glenoid", "which changes most:"), Message("", "a"), Message("", "b"),
                      Message("Posture", "p")])  # fmt: skip
    assert found == ["Glenoid: which changes most: a; b", "Posture: p"]

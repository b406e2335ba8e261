"""Counts of published orders by how many drawn limbs agree, on invented rows."""

from __future__ import annotations

import pandas as pd
import pytest

from momentshare.errors import ModelError
from momentshare.validation.agreement import (
    AGREEMENT_FILE,
    agreement_markdown,
    agreement_rows,
    agreement_table,
    agreements,
    firm_orders,
    reaches,
    stored_agreements,
)


def rows(*own, kind="order", used=False, use="validation"):
    return pd.DataFrame(
        [
            {
                "kind": kind, "use": use, "source_used": used, "drawn_right": share,
                "null_right": null,
                "limit": limit, "low": 1.0, "high": 2.0, "drawn_low": low, "drawn_high": high,
            }
            for share, limit, low, high, null in own
        ]
    )  # fmt: skip


def order(share, limit="", null=0.5):
    return (share, limit, 0.0, 0.0, null)


def test_an_order_counts_where_most_drawn_limbs_are():
    found = agreements(
        rows(order(1.0), order(0.95), order(0.05, "L1"), order(0.0), order(0.9), order(0.3, "L2"))
    )
    firm, most = found
    assert (firm.least, firm.rows, firm.right, firm.covered) == (0.95, 4, 2, 1)
    assert (firm.alike, firm.alike_right) == (0, 0)
    assert (most.least, most.rows, most.right, most.covered) == (0.7, 2, 1, 1)


def test_null_limbs_agree_with_the_side_of_the_drawn_limbs_right_or_wrong():
    """A row that hardly any null limb gets right, and the drawn limbs do not, is one they share."""
    (found,) = agreements(
        rows(
            order(1.0, null=0.95), order(1.0, null=0.1), order(0.0, null=0.05),
            order(0.0, null=0.9), order(0.0, null=float("nan")),
        )
    )  # fmt: skip
    assert (found.rows, found.right, found.alike, found.alike_right) == (5, 2, 2, 1)


def test_a_tie_is_not_right_and_rows_that_do_not_judge_are_left_out():
    (tie,) = agreements(rows(order(0.5)))
    assert (tie.least, tie.rows, tie.right) == (0.5, 1, 0)
    assert agreements(rows(order(1.0), use="comparison")) == ()
    assert agreements(rows(order(float("nan")))) == ()


def test_sources_and_kinds_are_counted_apart():
    table = pd.concat([rows(order(1.0)), rows(order(1.0), used=True, kind="sense")])
    assert [(a.group, a.kind) for a in agreements(table)] == [
        ("other sources", "orders"),
        ("sources the limb also used", "senses"),
    ]


def test_a_number_is_reached_where_the_intervals_meet():
    spans = [
        (0.0, "", 1.5, 3.0, 0.5),
        (0.0, "", 2.0, 3.0, 0.5),
        (0.0, "", 2.1, 3.0, 0.5),
        (0.0, "", 0.0, 0.9, 0.5),
    ]
    (found,) = reaches(rows(*spans, kind="number"))
    assert (found.rows, found.reached) == (4, 2)


def test_the_statement_says_what_limits_cover():
    some = agreements(rows(order(1.0, null=1.0), order(0.0, "L1"), order(0.0)))
    assert firm_orders(some) == (
        "Of 3 published orders on which at least 95 % of limbs drawn within this limb's spreads "
        "agree, 1 are right: 1 of the 1 that at least nine of ten null limbs give too, and 0 of "
        "the other 2. Limits, written from such rows, cover 1 of those that are wrong."
    )
    every = agreements(rows(order(1.0), order(0.0, "L1")))
    assert firm_orders(every).endswith("cover those that are wrong.")
    assert firm_orders(agreements(rows(order(1.0)))).endswith("and 1 of the other 1.")
    assert firm_orders(()) == ""


def test_the_table_for_a_reader_holds_the_counts():
    table = pd.concat(
        [rows(order(1.0), order(0.0, "L1")), rows((0.0, "", 1.5, 3.0, 0.5), kind="number")]
    )
    first, last = agreement_rows(table)
    assert first["drawn limbs that agree"] == "95 % or more"
    assert first["right"] == "1 of 2 (50 %)"
    assert (first["wrong, under a limit"], first["wrong, under none"]) == ("1", "0")
    assert last["right"] == "1 of 1 (100 %)"
    text = agreement_markdown(table)
    assert text.splitlines()[2].split("|")[4].strip() == "1 of 2 (50 %)"
    assert agreement_markdown(rows(order(float("nan")))) == ""


class Folder:
    def __init__(self, path):
        self.path = path


def test_stored_counts_are_read_back(tmp_path):
    found = agreements(rows(order(1.0), order(0.8), order(0.0, "L1")))
    table = agreement_table(rows(order(1.0), order(0.8), order(0.0, "L1")))
    table.to_csv(tmp_path / AGREEMENT_FILE, index=False)
    assert stored_agreements(Folder(tmp_path)) == found
    assert stored_agreements(Folder(tmp_path / "none")) == ()


@pytest.mark.parametrize(
    "text",
    [
        "group,kind\n",
        "group,kind,least,most,rows,right,alike,alike_right,covered\na,b,0.95,1.0,3,two,1,1,1\n",
        "group,kind,least,most,rows,right,alike,alike_right,covered\na,b,0.95\n",
    ],
)
def test_damaged_counts_are_refused(tmp_path, text):
    (tmp_path / AGREEMENT_FILE).write_text(text)
    with pytest.raises(ModelError, match=r"must (have the columns|hold a group)"):
        stored_agreements(Folder(tmp_path))

"""Outcomes on the page of a cohort: every cell is found in the tables it was made from."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from momentshare.cohort.outcomes import OUTCOMES
from momentshare.cohort.outcomes.over_people import outcome_tables
from momentshare.cohort.schema import StatisticsEntry
from momentshare.report.page.cohort_outcomes import outcomes_section
from momentshare.report.page.document import Paragraph, Table

pytest.importorskip("statsmodels")

CONDITIONS = ("narrow", "wide")
VALUES = {"bar_work": ("", 60.0), "peak_moment": ("elbow_extension", 40.0),
          "peak_activation": ("deltoid/clavicular", 0.5)}  # fmt: skip


def own_means():
    rng = np.random.default_rng(9)
    rows = []
    for who in "ABCDE":
        for c, condition in enumerate(CONDITIONS):
            for name, (item, size) in VALUES.items():
                for arm, side in (("studied", "right"), ("other", "left")):
                    for phase in ("ascent", "descent"):
                        for lateral in (
                            ["measured", "zero"] if OUTCOMES[name].by_treatment else ["any"]
                        ):
                            value = size * (1.0 + 0.1 * c + 0.05 * rng.standard_normal())
                            rows.append(
                                (who, condition, lateral, arm, side, phase, name, item, value, 1)
                            )
    columns = ["person", "condition", "lateral", "arm", "side", "phase", "outcome", "item", "value",
               "repetitions"]  # fmt: skip
    return pd.DataFrame(rows, columns=columns)


def section(**statistics):
    file = SimpleNamespace(statistics=StatisticsEntry(**statistics), condition=[], published=[])
    result = SimpleNamespace(study=SimpleNamespace(file=file), counted=())
    own = own_means()
    tables = {k: t for k, t in outcome_tables(own, result, "measured").items() if not t.empty}
    from momentshare.cohort.outcomes.over_people import named_contrasts

    named = named_contrasts(pd.DataFrame(), tables["outcome_contrasts"], result, "measured")
    if not named.empty:
        tables["named_contrasts"] = named
    summary = SimpleNamespace(tables=tables, mode="measured")
    return own, tables, outcomes_section(result, summary)


def table(found, words):
    (one,) = [b for b in found.blocks if isinstance(b, Table) and words in b.caption]
    return one.frame


def test_cells_are_means_of_the_people_in_the_treatment_shown():
    own, _, found = section()
    shown = table(found, "by condition")
    assert set(shown["outcome"]) == {OUTCOMES[n].label for n in ("bar_work", "peak_moment")}
    for name, (item, _) in VALUES.items():
        if name == "peak_activation":
            continue
        lateral = "measured" if OUTCOMES[name].by_treatment else "any"
        (row,) = shown[shown["outcome"] == OUTCOMES[name].label].to_dict("records")
        assert row["unit"] == OUTCOMES[name].unit
        for condition in CONDITIONS:
            mine = own[(own["outcome"] == name) & (own["item"] == item) & (own["arm"] == "studied")
                       & (own["phase"] == "ascent") & (own["lateral"] == lateral)
                       & (own["condition"] == condition)]["value"]  # fmt: skip
            assert row[condition] == f"{mine.mean():.3g} ± {mine.std():.2g}"


def test_up_and_down_and_both_arms_are_told_of_the_whole_lift():
    own, _, found = section()
    for words, column, pair in (
        ("ascent less descent", "phase", ("ascent", "descent")),
        ("right less left", "side", ("right", "left")),
    ):
        shown = table(found, words)
        assert set(shown["outcome"]) == {OUTCOMES["bar_work"].label}
        for row in shown.to_dict("records"):
            fixed = (
                own[own["phase"] == "ascent"] if column == "side" else own[own["arm"] == "studied"]
            )
            mine = fixed[
                (fixed["outcome"] == "bar_work") & (fixed["condition"] == row["condition"])
            ]
            means = mine.groupby(column)["value"].mean()
            assert row[pair[0]] == pytest.approx(means[pair[0]])
            assert row["difference"] == pytest.approx(means[pair[0]] - means[pair[1]])


def test_what_was_named_stands_first_and_nothing_named_is_said():
    _, _, found = section()
    assert isinstance(found.blocks[0], Paragraph)
    assert "No head and no outcome was named beforehand" in found.blocks[0].text
    _, tables, found = section(outcomes=["bar_work"])
    first = found.blocks[0]
    assert isinstance(first, Table)
    assert set(first.frame["outcome"]) == {OUTCOMES["bar_work"].label}
    (row,) = first.frame.to_dict("records")
    contrast = tables["outcome_contrasts"].query("outcome == 'bar_work'").iloc[0]
    assert row["p_named"] == contrast["p_paired_t"]  # one comparison: nothing to adjust for


def test_heads_are_tested_only_where_named():
    _, tables, _ = section()
    assert "peak_activation" not in set(tables["outcome_contrasts"]["outcome"])
    _, tables, _ = section(heads=["deltoid/clavicular"])
    assert "peak_activation" in set(tables["outcome_contrasts"]["outcome"])

"""Which orders of a study null limbs give as well, and what is said of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from tests.drawn import plain, printed
from tests.planned import PEOPLE, TEXT, solved
from tests.report.page_reader import PageReader

from momentshare import plan_study
from momentshare.errors import ModelError
from momentshare.reading import head_table_by_person
from momentshare.report.page.document import render
from momentshare.report.page.study import study_page
from momentshare.report.text.null_orders import null_text, with_null_limbs
from momentshare.report.text.study_opening import verdict_table
from momentshare.report.text.terminal import print_study
from momentshare.report.writing.study import write_results
from momentshare.runs import solve_setup
from momentshare.runs.variation import other_muscles
from momentshare.study import load_study
from momentshare.validation import null_orders
from momentshare.validation.agreement import is_firm, stored_agreements
from momentshare.validation.null import null_numbers
from momentshare.validation.null_orders import null_agreement


@pytest.fixture(scope="module")
def planned(tmp_path_factory):
    place = tmp_path_factory.mktemp("study") / "study.toml"
    place.write_text(TEXT)
    return plan_study(load_study(place))


def test_the_share_counts_null_limbs_that_can_do_both(planned):
    """Null limb by null limb, solved and compared one after the other."""
    orders = verdict_table(solved())
    found = null_agreement(planned.setup, orders, 3)
    signs = []
    for numbers in null_numbers(planned.model, 3):
        limbs = other_muscles("null", numbers).limbs(planned.setup.limbs)
        table = head_table_by_person(solve_setup(replace(planned.setup, limbs=limbs)))
        table = table.astype(dict.fromkeys(("head", "condition", "lateral", "person"), str))
        own = {
            (row.head, row.condition, row.lateral, row.person): row.mean_activation
            for row in table.itertuples()
        }

        def difference(o, own=own):
            # Over the people who can do both; dumbbells are solved without a lateral force only.
            found = []
            for person in PEOPLE:
                ends = [
                    own[o.head, name, "zero" if name == "dumbbells" else o.lateral, person]
                    for name in (o.condition, o.other)
                ]
                found.append(ends[0] - ends[1])
            known = [gap for gap in found if np.isfinite(gap)]
            return np.sign(np.mean(known)) if known else np.nan

        signs.append([difference(order) for order in orders.itertuples()])
    table = np.array(signs)
    known = np.isfinite(table).sum(axis=0)
    wanted = np.where(known > 0, (table > 0).sum(axis=0) / np.maximum(known, 1), np.nan)
    assert len(found) == len(orders) > 10
    np.testing.assert_array_equal(found["null_agree"], wanted)
    np.testing.assert_array_equal(found["null_limbs"], known)


def test_null_limbs_keep_bones_volumes_and_strength(planned):
    numbers = null_numbers(planned.model, 1)[0]
    plan = planned.setup.limbs
    changed = other_muscles("null", numbers).limbs(plan)
    assert changed.shorten
    (own, _), (null, faults) = plan.build(), changed.build()
    assert not faults
    np.testing.assert_array_equal(own.volume, null.volume)
    for k in range(len(plan.people)):
        assert own.skeleton.take(k).sizes == null.skeleton.take(k).sizes
    assert not np.allclose(own.peak_fibre_length, null.peak_fibre_length)


def test_null_limbs_that_cannot_be_solved_are_not_counted(planned, monkeypatch):
    orders = verdict_table(solved())
    whole = null_orders.solve_variations
    calls = []

    def sometimes(setup, variations):
        calls.append(1)
        if len(calls) == 1:
            raise ModelError("no such limb")
        return whole(setup, variations)

    def never(*_):
        raise ModelError("no such limb")

    monkeypatch.setattr(null_orders, "solve_variations", sometimes)
    two = null_agreement(planned.setup, orders, 2)
    assert set(two["null_limbs"]) <= {0, 1}
    assert set(two["null_agree"].dropna()) <= {0.0, 1.0}
    monkeypatch.setattr(
        null_orders, "solve_variations", lambda *_: (_ for _ in ()).throw(ModelError("x"))
    )
    none = null_agreement(planned.setup, orders, 2)
    assert none["null_agree"].isna().all()
    assert (none["null_limbs"] == 0).all()


def null_limbs(*agree, able=11):
    return pd.DataFrame({"null_agree": agree, "null_limbs": able})


def test_a_condition_that_is_missing_counts_for_no_null_limb(planned):
    orders = verdict_table(solved())
    rest = [task for task in planned.setup.tasks if task.condition != "wide"]
    found = null_agreement(replace(planned.setup, tasks=tuple(rest)), orders, 1)
    wide = (orders[["condition", "other"]] == "wide").any(axis=1).to_numpy()
    assert wide.any()
    assert (found["null_limbs"][wide] == 0).all()
    assert found["null_agree"][wide].isna().all()


def test_the_statement_counts_both_kinds():
    model = solved().model
    firm = null_limbs(1.0, 0.9, 0.89, 0.2, np.nan, 1.0, able=[11, 12, 12, 12, 0, 9])
    known = next(a for a in stored_agreements(model) if is_firm(a))
    published = (
        f" Of published orders, limits left aside, {known.alike_right} of {known.alike} of the "
        f"first kind are right and {known.right - known.alike_right} of the other "
        f"{known.rows - known.alike}."
    )
    assert null_text(firm, model) == (
        " Of the 6, 2 hold in at least nine of ten of the 11 to 12 null limbs that can do both "
        "conditions, so posture and load decide them; 2 rest on the muscles of this limb; fewer "
        "than 10 null limbs can do both conditions of 2." + published
    )
    one = null_text(firm.iloc[:1], model)
    assert one.startswith(" Of the 1, 1 holds in at least nine of ten of the 11 null limbs that")
    assert "so posture and load decide it." in one
    assert null_text(pd.DataFrame({"head": ["a"]}), model) == ""
    assert null_text(firm.iloc[:0], model) == ""
    assert "What null limbs give is not known" in null_text(firm.iloc[4:], model)


def test_terminal_page_and_table_say_what_was_counted(tmp_path):
    study = solved()
    verdicts = verdict_table(study)
    agree = np.linspace(0.0, 1.0, len(verdicts))
    null = null_limbs(*agree)
    marked = with_null_limbs(verdicts, null)
    firm = marked[marked["verdict"] == "firm"]
    said = null_text(firm, study.model)
    assert len(firm) > 2
    assert plain(said) in plain(printed(lambda console: print_study(console, study, null)))
    page = PageReader(render(study_page(study, marked, {})))
    assert plain(said) in plain(page.text("In short"))
    shown = page.table("Orders of two conditions in lift-mean activation that nothing reversed")
    largest = firm.sort_values("difference", ascending=False, kind="stable").head(len(shown.rows))
    assert shown.column("null limbs that agree") == [
        f"{100 * share:.0f} %" for share in largest["null_agree"]
    ]
    write_results(study, tmp_path, figures=False, null=null)
    written = pd.read_csv(tmp_path / "verdicts.csv")
    assert written["null_agree"].to_numpy() == pytest.approx(agree, rel=1e-6)
    assert (written["null_limbs"] == 11).all()

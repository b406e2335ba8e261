"""Limits as data: rows are checked by name, and a lookup finds what touches a cell."""

from __future__ import annotations

import csv
import pickle
import shutil
from itertools import pairwise

import pandas as pd
import pytest

from momentshare.errors import ModelError, UnknownNameError
from momentshare.limits import (
    EXERCISE_GROUPS,
    EXERCISES,
    PARTS,
    LiftKind,
    Limit,
    Limits,
    height_third,
    keys_text,
    with_limits,
)
from momentshare.model import load_model, models_folder
from momentshare.study.exercises import EXERCISES as STUDY_EXERCISES

HEADER = (
    *("key", "title", "head", "quantity", "exercise", "part", "claim"),
    *("condition", "value", "unit", "reason", "targets", "source", "kind", "note"),
)
SOUND = {
    "key": "L1",
    "title": "Effort of the back of the cuff",
    "head": "infraspinatus+teres_minor",
    "quantity": "activation",
    "exercise": "press",
    "part": "all",
    "claim": "any",
    "reason": "their fibres are short",
    "targets": "elbow_arm_triceps_30",
    "source": "ownchoice",
    "kind": "assumed",
}


@pytest.fixture(scope="module")
def copied(tmp_path_factory):
    place = tmp_path_factory.mktemp("models") / "limb"
    shutil.copytree(models_folder() / "reference_limb", place)
    shutil.copy(models_folder() / "references.bib", place / "references.bib")
    return place


def loaded(folder, *rows):
    with (folder / "limits.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, HEADER, restval="")
        writer.writeheader()
        writer.writerows([SOUND | row for row in rows])
    return load_model(folder)


def fault_of(folder, *rows):
    with pytest.raises(ModelError) as err:
        loaded(folder, *rows)
    return "\n".join(err.value.faults)


def limit(**changes):
    return Limit(**({"key": "L1", "title": "t", "quantity": "activation", "reason": "r"} | changes))


def keys(limits, *quantities, **where):
    return [row.key for row in limits.at(*quantities, **where)]


# ------------------------------------------------------------------ the file


def test_a_sound_row_is_read(copied):
    (row,) = loaded(copied, {}).limits.rows
    assert row.heads == ("infraspinatus", "teres_minor")
    assert row.exercises == EXERCISE_GROUPS["press"]
    assert row.parts == ()
    assert row.targets == ("elbow_arm_triceps_30",)


@pytest.mark.parametrize(
    ("change", "wanted"),
    [
        ({"head": "infraspinatos"}, "'infraspinatos' is unknown; did you mean 'infraspinatus'"),
        ({"head": "infraspinatus/middle"}, "'infraspinatus/middle' is unknown"),
        ({"quantity": "activaton"}, "'activaton' is unknown; did you mean 'activation'"),
        ({"exercise": "bar_pres"}, "'bar_pres' is unknown; did you mean 'bar_press'"),
        ({"part": "lockout"}, "'lockout' is unknown; did you mean 'lock-out'"),
        ({"claim": "rank"}, "'rank' is unknown"),
        ({"targets": "elbow_arm_triceps_31"}, "'elbow_arm_triceps_31' is not an id of targets.csv"),
        ({"source": "nobody1900"}, "'nobody1900' is not in references.bib"),
        ({"kind": "guessed"}, "field 'kind'"),
        ({"key": "cuff"}, "field 'key'"),
        ({"title": ""}, "the first row of 'L1' needs a title"),
        ({"reason": ""}, "field 'reason': is blank"),
        ({"condition": "spacing_over", "value": "2", "unit": "1"}, "'spacing_over' is unknown"),
        ({"condition": "spacing_at_least"}, "needs a hand spacing"),
        ({"condition": "spacing_at_least", "value": "2", "unit": "m"}, "unit 1; got 'm'"),
        ({"value": "2", "unit": "1"}, "takes none; got 2"),
        ({"quantity": "greatest_load"}, "'greatest_load' belongs to no head"),
    ],
)
def test_what_is_unknown_is_refused_by_name(copied, change, wanted):
    told = fault_of(copied, change)
    assert "limits.csv row 2" in told
    assert wanted in told


def test_rows_of_a_key_share_the_title_of_the_first(copied):
    second = {"title": "", "head": "supraspinatus", "reason": ""}
    limits = loaded(copied, {}, second).limits
    assert len(limits) == 1
    assert limits.titles == ("L1: Effort of the back of the cuff",)
    assert [row.reason for row in limits.of("L1")] == ["their fibres are short"] * 2
    assert "leave it blank here" in fault_of(copied, {}, {"head": "supraspinatus"})


def test_a_limb_without_the_file_has_no_limits(copied):
    (copied / "limits.csv").unlink()
    assert load_model(copied).limits == Limits()


def test_limits_are_part_of_the_digest(copied):
    one = loaded(copied, {}).digest
    assert loaded(copied, {"reason": "another"}).digest != one


def test_limits_travel_to_other_processes():
    limits = load_model().limits
    assert pickle.loads(pickle.dumps(limits)) == limits  # noqa: S301 - our own


def test_exercises_are_those_of_study_files():
    assert set(EXERCISES) == set(STUDY_EXERCISES)
    assert {e for group in EXERCISE_GROUPS.values() for e in group} <= set(EXERCISES)


def test_shipped_titles_are_short_and_no_key_comes_back_later():
    rows = load_model().limits.rows
    changes = sum(a.key != b.key for a, b in pairwise(rows))
    assert changes + 1 == len(load_model().limits)
    assert all(len(row.title) <= 120 and row.title[-1] != "." for row in rows)


# ------------------------------------------------------------------ the lookup


def test_a_muscle_stands_for_its_heads_and_a_head_for_itself():
    limits = Limits((limit(heads=("deltoid",)), limit(key="L2", heads=("deltoid/spinal",))))
    assert keys(limits, "activation", head="deltoid/spinal") == ["L1", "L2"]
    assert keys(limits, "activation", head="deltoid/acromial") == ["L1"]
    assert keys(limits, "activation", head="teres_major") == []
    assert keys(limits, "activation") == []


def test_a_force_rests_on_its_activation_but_not_the_other_way_round():
    head = ("anconeus",)
    limits = Limits((limit(heads=head), limit(key="L2", heads=head, quantity="force")))
    assert keys(limits, "force", head="anconeus") == ["L1", "L2"]
    assert keys(limits, "activation", head="anconeus") == ["L1"]


@pytest.mark.parametrize("part", PARTS)
def test_a_part_touches_itself_and_the_whole_lift(part):
    limits = Limits((limit(heads=("anconeus",), parts=("lock-out",)),))
    found = keys(limits, "activation", head="anconeus", part=part)
    assert found == (["L1"] if part == "lock-out" else [])
    assert keys(limits, "activation", head="anconeus") == ["L1"]


def test_thirds_of_the_bar_height():
    assert [height_third(f) for f in (-0.1, 0.0, 0.33, 0.34, 0.66, 0.67, 1.0)] == [
        *["chest"] * 3, *["middle"] * 2, *["lock-out"] * 2,
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("claim", "size", "order"), [("size", 1, 0), ("order", 0, 1), ("any", 1, 1)]
)
def test_sizes_and_orders_are_told_apart(claim, size, order):
    limits = Limits((limit(heads=("anconeus",), claim=claim),))
    assert len(limits.at("activation", head="anconeus", claim="size")) == size
    assert len(limits.at("activation", head="anconeus", claim="order")) == order


@pytest.mark.parametrize(
    ("condition", "spacings", "held"),
    [
        ("spacing_at_least", (1.6,), False),
        ("spacing_at_least", (1.7,), True),
        ("spacing_at_least", (1.0, 1.8), True),
        ("spacing_at_most", (1.6,), True),
        ("spacing_at_most", (1.8,), False),
        ("spacing_at_least", (None,), True),
        ("spacing_differs", (1.4, 1.4), False),
        ("spacing_differs", (1.4, 1.7), True),
        ("spacing_differs", (1.4, None), True),
    ],
)
def test_a_spacing_that_is_not_known_counts_as_met(condition, spacings, held):
    value = None if condition == "spacing_differs" else 1.7
    limits = Limits((limit(heads=("anconeus",), condition=condition, value=value),))
    kinds = [LiftKind("bar_press", spacing) for spacing in spacings]
    assert bool(limits.at("activation", head="anconeus", kinds=kinds)) == held


def test_an_exercise_that_is_not_known_may_be_any():
    limits = Limits((limit(heads=("anconeus",), exercises=("push_up",)),))
    for exercise, found in (("push_up", 1), ("bar_press", 0), ("", 1)):
        kinds = [LiftKind(exercise)]
        assert len(limits.at("activation", head="anconeus", kinds=kinds)) == found


def test_a_free_ratio_is_told_from_a_given_one():
    limits = Limits((limit(quantity="lateral_ratio", condition="lateral_free"),))
    assert keys(limits, "lateral_ratio", lateral="free") == ["L1"]
    assert keys(limits, "lateral_ratio", lateral="measured") == []


def test_a_limit_of_every_head_and_lift_is_said_with_the_column():
    limits = Limits((limit(quantity="force"), limit(key="L2", quantity="greatest_load")))
    assert keys(limits, "force", head="anconeus") == []
    assert keys(limits, "greatest_load") == ["L2"]


def test_unknown_names_are_refused():
    with pytest.raises(UnknownNameError, match="did you mean 'activation'"):
        Limits().at("activaton")
    with pytest.raises(UnknownNameError, match="L9"):
        Limits((limit(),)).of("L9")


def test_each_key_is_written_once():
    assert keys_text([limit(), limit(), limit(key="L2")]) == "L1 L2"


@pytest.mark.parametrize(
    ("exercises", "met"),
    [
        (("bar_press", "dumbbell_press"), True),
        (("dumbbell_press", ""), True),  # an unknown one may be another
        (("bar_press", "bar_press"), False),
        (("bar_press", "push_up"), False),  # not an exercise of the limit
        (("bar_press",), False),
    ],
)
def test_an_order_across_exercises_is_met_by_two_of_the_limit(exercises, met):
    named = ("bar_press", "dumbbell_press")
    row = limit(claim="order", condition="exercise_differs", exercises=named, heads=("deltoid",))
    kinds = [LiftKind(name) for name in exercises]
    found = keys(Limits((row,)), "activation", head="deltoid/spinal", kinds=kinds, claim="order")
    assert found == (["L1"] if met else [])


def test_no_order_of_the_pectoralis_between_bar_and_dumbbells_is_told_unmarked():
    limits, pair = load_model().limits, [LiftKind("bar_press", 1.7), LiftKind("dumbbell_press")]
    (row,) = limits.of("L18")
    assert row.targets == ("emg_dumbbell_over_barbell_pectoralis",)
    for head in load_model().head_names:
        found = keys(limits, "activation", head=head, kinds=pair, claim="order")
        assert ("L18" in found) == head.startswith("pectoralis_major/")
        assert "L18" not in keys(limits, "activation", head=head, kinds=pair)


# ------------------------------------------------------------------ tables


def test_a_table_gets_the_keys_of_every_row():
    limits = Limits(
        (
            limit(heads=("anconeus",), parts=("lock-out",), exercises=("bar_press",)),
            limit(key="L2", heads=("anconeus",), claim="order"),
        )
    )
    table = pd.DataFrame(
        {
            "condition": ["bar", "bar", "ground", "bar"],
            "head": ["anconeus", "anconeus", "anconeus", "brachialis"],
            "height_fraction": [0.1, 0.9, 0.9, 0.9],
        },
        index=[7, 5, 3, 1],
    )
    kinds = {"bar": LiftKind("bar_press"), "ground": LiftKind("push_up")}
    found = with_limits(table, limits, kinds, "force")
    assert list(found["limit"]) == ["", "L1", "", ""]
    assert list(found.index) == [7, 5, 3, 1]
    orders = table.drop(columns="height_fraction").assign(other="ground")
    found = with_limits(orders, limits, kinds, "activation")
    assert list(found["limit"]) == ["L1 L2", "L1 L2", "L2", ""]


def test_a_table_without_rows_gets_the_column():
    table = pd.DataFrame({"condition": [], "head": []})
    assert list(with_limits(table, Limits((limit(),)), {}, "force")["limit"]) == []


def test_a_limit_of_the_course_applies_at_a_height_and_to_no_mean():
    row = Limit(
        key="L1", title="t", heads=("anconeus",), quantity="activation", parts=("lock-out",),
        claim="course", reason="r",
    )  # fmt: skip
    limits = Limits((row,))
    assert limits.at("activation", head="anconeus", part="lock-out") == (row,)
    assert limits.at("force", head="anconeus", part="lock-out") == (row,)
    for part, claim in (("chest", "size"), ("", "size"), ("", "order")):
        assert limits.at("activation", head="anconeus", part=part, claim=claim) == ()


def test_reasons_of_several_rows_say_what_they_are_about():
    front = limit(heads=("deltoid/clavicular",), reason="it follows the tuck")
    back = limit(heads=("triceps_brachii",), reason="it turns with the push")
    whole = limit(quantity="contact", reason="it slides back")
    assert Limits((front, back, whole)).reasons("L1") == (
        "the clavicular deltoid: it follows the tuck; the triceps brachii: it turns with the push; "
        "load of the glenoid: it slides back"
    )
    assert Limits((front,)).reasons("L1") == "it follows the tuck"


def test_the_reasons_of_the_shipped_limits_name_heads_in_words():
    limits = load_model().limits
    told = " ".join(limits.notes(limits.keys))
    assert "the triceps brachii, the anconeus: which head gains" in told
    assert "the clavicular deltoid: its order follows the tuck" in told
    for head in load_model().head_names:
        assert head == head.partition("/")[0] or head not in told
    assert "_" not in told

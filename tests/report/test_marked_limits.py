"""What the limb does not support is marked where it appears: in tables, on screen, in figures.

The limits are planted, so nothing here depends on what a limb supports today.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import pandas as pd
import pytest
from tests.drawn import head_of_figure, plain, printed, printed_tables, spoken, unmarked
from tests.planned import CONDITIONS, solved

from momentshare.limits import Limit, Limits
from momentshare.report.figures import study as figures
from momentshare.report.page.study import study_page
from momentshare.report.text.study_opening import study_opening, verdict_table
from momentshare.report.text.terminal import print_study
from momentshare.report.writing.study import write_results
from momentshare.text import head_label

BACK, FRONT, SIDE = "infraspinatus/lower", "deltoid/clavicular", "triceps_brachii/lateral"

LIMITS = Limits(
    (
        Limit(key="L1", title="Every force", quantity="force", claim="size", reason="scale"),
        Limit(
            key="L2",
            title="Back of the cuff",
            heads=("infraspinatus",),
            quantity="activation",
            exercises=("bar_press",),
            reason="short fibres",
        ),
        Limit(
            key="L3",
            title="Front of the deltoid between spacings",
            heads=(FRONT,),
            quantity="activation",
            claim="order",
            condition="spacing_differs",
            reason="it follows the tuck",
        ),
        Limit(
            key="L4",
            title="End of the lift",
            heads=(SIDE,),
            quantity="activation",
            parts=("lock-out",),
            claim="size",
            reason="the elbow is straight",
        ),
        Limit(key="L5", title="Load", quantity="greatest_load", claim="size", reason="too weak"),
        Limit(
            key="L6",
            title="Free ratio",
            quantity="lateral_ratio",
            condition="lateral_free",
            reason="unlike measured ones",
        ),
    )
)


@cache
def study():
    found = solved()
    return replace(found, model=replace(found.model, limits=LIMITS))


@pytest.fixture(scope="module")
def tables(tmp_path_factory):
    folder = tmp_path_factory.mktemp("limited")
    write_results(study(), folder, figures=False)
    found = {p.stem: pd.read_csv(p, keep_default_na=False) for p in folder.glob("*.csv")}
    return found | {"frames": pd.read_parquet(folder / "frames.parquet")}


@pytest.fixture(scope="module")
def said():
    return printed(lambda console: print_study(console, study()))


def marks(table, **where):
    for name, value in where.items():
        table = table[table[name] == value]
    assert len(table)
    return set(table["limit"])


# ------------------------------------------------------------------ tables


def test_a_head_is_marked_in_the_exercises_of_its_limit(tables):
    for name in ("heads", "heads_by_person", "frames"):
        table = tables[name]
        assert marks(table, head=BACK, condition="wide") == {"L2"}
        assert marks(table, head=BACK, condition="dumbbells") == {""}
        assert marks(table, head="brachialis") == {""}


def test_a_part_of_the_lift_marks_its_frames_and_the_whole(tables):
    frames = tables["frames"]
    late = frames["height_fraction"] >= 2 / 3
    assert marks(frames[late], head=SIDE) == {"L4"}
    assert marks(frames[~late], head=SIDE) == {""}
    assert marks(tables["heads"], head=SIDE) == {"L4"}


def test_an_order_is_marked_where_an_order_is_meant(tables):
    assert marks(tables["ordering"], head=FRONT) == {"L3"}
    assert marks(tables["ratios"], head=FRONT, condition="wide") == {"L3"}
    assert marks(tables["ratios"], head=FRONT, condition="narrow") == {""}  # with itself
    assert marks(tables["heads"], head=FRONT) == {""}


def test_loads_and_free_ratios_are_marked(tables):
    conditions = tables["conditions"]
    assert marks(tables["loads"]) == {"L5"}
    assert marks(conditions, lateral="free") == {"L5 L6"}
    assert marks(conditions, lateral="measured") == {"L5"}
    assert marks(tables["moments"], lateral="free") == {"L6"}


# ------------------------------------------------------------------ screen


def test_marks_on_screen_are_those_of_the_table(tables, said):
    heads, seen = tables["heads"], set()
    for title, rows in printed_tables(said).items():
        if not title.startswith("Activation"):
            continue
        mine = heads[heads["lateral"] == title.rsplit(" ", maxsplit=1)[1]]
        mine = mine.assign(head=mine["head"].map(head_label))
        for cells in rows:
            for condition in mine["condition"].unique():
                _, keys = unmarked(cells[condition])
                assert {keys} == marks(mine, head=cells["head"], condition=condition)
                seen |= set(keys.split())
    assert {"L2", "L4"} <= seen


def test_conditions_on_screen_carry_the_marks_of_loads_and_ratios(said):
    rows = printed_tables(said)["Conditions: greatest moments along the lift, means over people"]
    for cells in rows:
        free = cells["lateral force"] == "free"
        assert unmarked(cells["ratio out/vertical"])[1] == ("L6" if free else "")
        assert unmarked(cells["greatest load [kg]"])[1] == "L5"
        assert unmarked(cells["weakest at [% of lift]"])[1] == "L5"


def test_every_mark_on_screen_is_explained_below(said):
    text = plain(said)
    assert "L2: Back of the cuff (short fibres)" in text
    assert "L4: End of the lift (the elbow is straight)" in text
    assert "L5: Load (too weak)" in text
    assert "L3: Front of the deltoid between spacings (it follows the tuck)" in text  # an order
    for key in LIMITS.keys:
        assert text.count(f"{key}: ") <= 1


# ------------------------------------------------------------------ figures


def hatched(ax):
    """Left, right, bottom and top of every hatched stretch."""
    found = [p for p in ax.patches if p.get_hatch()]
    return [(*(p.get_x() + d for d in (0, p.get_width())), p.get_y()) for p in found]


def titled(figure):
    titles = {plain(ax.get_title(loc="left")): ax for ax in figure.axes}
    return {unmarked(title)[0]: (unmarked(title)[1], ax) for title, ax in titles.items() if title}


def test_cells_of_the_heat_map_are_hatched_where_the_table_has_a_mark(tables):
    figure = figures.activation_by_head(study())
    heads, names = tables["heads"], list(study().model.head_names)
    for ax in figure.axes[: len(set(heads["lateral"]))]:
        mode = "free" if "free" in ax.get_title(loc="left") else None
        mine = heads[heads["lateral"] == mode] if mode else heads[heads["condition"] != "dumbbells"]
        found = {(names[round(b + 0.5)], CONDITIONS[round(x + 0.5)]) for x, _, b in hatched(ax)}
        for head, condition in mine[["head", "condition"]].drop_duplicates().to_numpy():
            marked = bool(marks(mine, head=head, condition=condition) - {""})
            assert marked == ((head, condition) in found)
    labels = [t.get_text() for t in figure.axes[0].get_yticklabels()]
    assert dict(map(unmarked, map(plain, labels)))[spoken(BACK)] == "L2"
    note = head_of_figure(figure)
    assert "(L2); End of the lift, in the last third of the bar height (L4)" in note
    assert "Load (L5)" not in note


def test_stretches_along_the_lift_are_hatched():
    figure = figures.activation_along_lift(study())
    found = titled(figure)
    keys, ax = found[spoken(SIDE)]
    assert keys == "L4"
    ((left, right, _),) = hatched(ax)
    assert (left, right) == pytest.approx((200 / 3, 100))
    keys, ax = found[spoken(FRONT)]
    assert keys == "L3"  # an order between the lines of a panel
    assert hatched(ax) == []
    note = head_of_figure(figure)
    assert "Front of the deltoid between spacings (L3)" in note
    assert "Stretches are hatched where an activation itself is not supported" in note


@pytest.mark.parametrize(("mode", "pushed"), [("measured", False), ("free", True)])
def test_stretches_are_hatched_and_named_by_the_treatment_that_is_drawn(mode, pushed):
    common = {"quantity": "activation", "reason": "r"}
    course = Limit(
        key="L1", title="Course", heads=(SIDE,), parts=("middle",), claim="course", **common
    )
    push = Limit(
        key="L2",
        title="Push",
        heads=("pectoralis_major",),
        parts=("chest",),
        condition="lateral_free",
        **common,
    )
    found = study()
    found = replace(found, model=replace(found.model, limits=Limits((course, push))))
    figure = figures.activation_along_lift(found, lateral=mode)
    keys, ax = titled(figure)[spoken(SIDE)]
    assert (keys, len(hatched(ax))) == ("L1", 1)
    assert hatched(ax)[0][:2] == pytest.approx((100 / 3, 200 / 3))
    keys, ax = titled(figure)[spoken("pectoralis_major/clavicular")]
    assert (keys, len(hatched(ax))) == ("L2" if pushed else "", int(pushed))
    course, push = (f", in the {which} third of the bar height" for which in ("middle", "first"))
    told = f"Course{course} (L1)" + (f"; Push{push} (L2)." if pushed else ".")
    assert f"Not supported by the limb: {told} Such stretches are hatched." in head_of_figure(
        figure
    )


def test_a_limit_on_the_course_is_told_beside_the_firm_orders_that_it_leaves_standing():
    bare = replace(study(), model=replace(study().model, limits=Limits()))
    firm = verdict_table(bare).query("verdict == 'firm'")
    head = firm["head"].iloc[0]
    course = Limit(key="L1", title="Course", heads=(head,), quantity="activation",
                   parts=("middle",), claim="course", reason="r")  # fmt: skip
    idle = replace(course, key="L2", heads=("nothing",), title="Idle")
    found = replace(bare, model=replace(bare.model, limits=Limits((course, idle))))
    verdicts = verdict_table(found)
    assert list(verdicts["verdict"]) == list(verdict_table(bare)["verdict"])
    said, without = (study_opening(s, verdicts).firm for s in (found, bare))
    count = (firm["head"] == head).sum()
    assert said == (
        f"{without} The course of activation is not supported in the middle third of the bar "
        f"height in {count} of them (L1)."
    )
    (limits,) = [s for s in study_page(found, verdicts, {}).sections if s.anchor == "limits"]
    first, other = limits.blocks[2], limits.blocks[4]
    assert "this report concerns" in limits.blocks[1].text
    assert list(first.items) == ["L1: Course (r)"]
    assert list(other.items) == ["L2: Idle"]


def test_orders_that_cannot_be_borne_are_named_in_their_figure():
    figure = figures.ordering(study())
    found = titled(figure)
    assert found[spoken(FRONT)][0] == "L3"
    assert found[spoken(SIDE)][0] == ""
    assert "Front of the deltoid between spacings (L3)" in head_of_figure(figure)


def test_loads_and_free_ratios_have_a_footnote():
    assert "Load (L5)" in head_of_figure(figures.greatest_load(study()))
    assert "Free ratio (L6)" in head_of_figure(figures.lateral_force(study()))


def test_patterns_that_tell_bars_apart_are_not_those_of_limits():
    from momentshare.report.figures import difference, explain

    for looks in (explain._JOINTS, {"other": explain._OTHER_JOINT}, difference._BARS):
        assert not any("/" in look["hatch"] for look in looks.values())
        assert not any("\\" in look["hatch"] for look in looks.values())

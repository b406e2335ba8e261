"""Limits mark heads, lines and panels of the figures of every command; panels hold four lines."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise, product
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from matplotlib.patches import Rectangle
from tests.drawn import head_of_figure, plain, spoken
from tests.planned import solved

from momentshare.explain import explain_along, explain_head
from momentshare.limits import LiftKind, Limits, height_third
from momentshare.maximal import MAXIMAL
from momentshare.model import load_model
from momentshare.report.figures.arm.drawing import draw_arm
from momentshare.report.figures.arm.geometry import arm_scene
from momentshare.report.figures.arm.panel import arm_scale
from momentshare.report.figures.explain import drive_figure
from momentshare.report.figures.maximal import lift_figure, loads_figure
from momentshare.report.figures.strength import utilisation_figure
from momentshare.study.factors import MOST_LINES, Factors

LIMITS = load_model().limits
PRESS = LiftKind("bar_press", 1.6)
CONDITIONS = tuple(f"{a} {b}" for a, b in product("123", "xy"))
SIX = Factors({c: dict(zip(("grip", "tuck"), c.split(), strict=True)) for c in CONDITIONS})


def wide(mode="measured"):
    return next(
        r for case in solved().cases if case.condition == "wide" for r in case.results
        if r.lateral.mode == mode
    )  # fmt: skip


def hatched(ax):
    """Left edges of hatched stretches [% of the lift]."""
    return {
        round(part.get_x(), 3)
        for part in ax.patches
        if isinstance(part, Rectangle) and part.get_hatch() == "////" and not part.get_fill()
    }


@pytest.mark.parametrize("frame", [0, 6])
def test_heads_of_an_arm_carry_the_limits_of_the_place(frame):
    result = wide()
    scene = arm_scene(result, frame, PRESS)
    figure = draw_arm(result, frame, kind=PRESS)
    written = {plain(text.get_text()) for text in figure.texts}
    part = height_third(scene.height)
    shown, keys = arm_scale([scene]).shown(scene), set()
    for head in shown:
        rows = LIMITS.at("force", "activation", head=head, kinds=[PRESS], part=part,
                         lateral="measured")  # fmt: skip
        own = list(dict.fromkeys(row.key for row in rows))
        keys |= set(own)
        assert " ".join([spoken(head), *own]) in written
    assert keys
    said = head_of_figure(figure)
    assert all(f"({key})" in said for key in keys)
    bare = head_of_figure(draw_arm(result, frame))
    assert "Not supported by the limb" not in bare


# The biceps is not supported on the chest if the push is free, and at the end of any press (L5).
@pytest.mark.parametrize(
    ("mode", "biceps"), [("measured", {66.667}), ("zero", {66.667}), ("free", {0.0, 66.667})]
)
def test_an_explained_head_is_hatched_where_the_limb_cannot_bear_it(mode, biceps):
    result = wide(mode)
    heads = ("biceps_brachii/long", "deltoid/clavicular")
    found = [explain_head(result, head, frame=6) for head in heads]
    alongs = [explain_along(result, head) for head in heads]
    figure = drive_figure(found, alongs, "Edda, wide", LIMITS, PRESS)
    bars, lines = figure.axes[:2], figure.axes[2:]
    # The deltoid's course up to the end (L17).
    drawn = [[hatched(ax) for ax in lines[column::2]] for column in range(2)]
    assert all(own == biceps for own in drawn[0])
    assert all(own == {66.667} for own in drawn[1])
    titles = [plain(ax.get_title(loc="left")) for ax in bars]
    assert titles[0].startswith("biceps brachii, long L5")
    assert titles[1].startswith("deltoid, clavicular L17")
    said = head_of_figure(figure)
    assert "The end of a press (L5)" in said
    assert "in the last third of the bar height (L17). Such stretches are hatched." in said
    plainer = drive_figure(found, alongs, "Edda, wide")
    assert not any(hatched(ax) for ax in plainer.axes)


def maximal():
    """A made-up report of six conditions, one person, one treatment."""
    heights = np.linspace(0.0, 1.0, 5)
    keys = [{"person": "Ada", "condition": c, "lateral": "zero"} for c in CONDITIONS]
    lifts = ["50 %", "70 %", "80 %", "90 %", MAXIMAL]
    return SimpleNamespace(
        loads=pd.DataFrame([k | {"greatest_load_kg": 50.0} for k in keys]),
        lifts=pd.DataFrame([k | {"lift": MAXIMAL, "dip": False} for k in keys]),
        curves=pd.DataFrame(
            [
                k | {"lift": lift, "height_fraction": h, "speed_mps": 0.3}
                for k in keys for lift in lifts for h in heights
            ]
        ),
        held=pd.DataFrame(
            [k | {"height_fraction": h, "held_load_kg": 60.0} for k in keys for h in heights]
        ),
    )  # fmt: skip


def curves(ax):
    return [line for line in ax.lines if len(line.get_xdata()) > 2]


def test_the_greatest_load_of_a_maximal_lift_is_marked_and_conditions_are_shared_out():
    figure = lift_figure(maximal(), SIX, LIMITS)
    keys = {row.key for row in LIMITS.at("greatest_load", "weak_height")}
    titles = [plain(ax.get_title(loc="left")) for ax in figure.axes]
    marked = [t for t in titles if t.startswith("Greatest load held")]
    assert marked
    assert all(key in title.split(",")[0] for title in marked for key in keys)
    assert all(f"({key})" in head_of_figure(figure) for key in keys)
    assert [len(curves(ax)) for ax in figure.axes] == [3, 3, 3, 3]
    assert {t.rsplit(" ", 2)[-2] + t[-1] for t in titles} == {"tuck:x", "tuck:y"}


def test_the_maximal_lift_is_titled_by_a_firm_order_and_two_pairs_stand_side_by_side():
    even = lift_figure(maximal())
    said = head_of_figure(even)  # all loads are the same
    assert said.startswith("Speed of the maximal lift, and the load that can be held The")
    report = maximal()
    loads = report.loads.assign(greatest_load_kg=50.0 + 3.0 * np.arange(len(report.loads)))
    parts = [loads.assign(lateral=mode) for mode in ("zero", "free")]
    both = {
        name: pd.concat([table.assign(lateral=mode) for mode in ("zero", "free")])
        for name, table in vars(report).items()
    }
    whole = SimpleNamespace(**{**both, "loads": pd.concat(parts)})
    limited = head_of_figure(lift_figure(whole, SIX, LIMITS))
    assert limited.startswith("Speed of the maximal lift")  # no order of loads is beyond L6
    presses = Limits(tuple(replace(row, exercises=("bar_press",)) for row in LIMITS.rows))
    for kind, start in ((PRESS, "Speed of the"), (LiftKind("push_up"), "Firm: a greater load")):
        of_kind = lift_figure(whole, SIX, presses, dict.fromkeys(CONDITIONS, kind))
        assert head_of_figure(of_kind).startswith(start)  # as the limits of its kind have it
    figure = lift_figure(whole, SIX)
    best = loads.loc[loads["greatest_load_kg"].idxmax(), "condition"]
    least = loads.loc[loads["greatest_load_kg"].idxmin(), "condition"]
    said = head_of_figure(figure)
    assert said.startswith(f"Firm: a greater load passes in '{best}' than in '{least}'")
    assert len(figure.axes) == 8
    figure.draw_without_rendering()
    rows = {round(ax.get_position().y0, 3) for ax in figure.axes}
    assert len(rows) == 2
    titles = [ax.get_title(loc="left").split(",")[0] for ax in figure.axes]
    assert [t.startswith("Speed") for t in titles] == [True, False] * 4
    width = figure.bbox.width
    boxes = [ax.get_tightbbox() for ax in figure.axes]
    assert all(box.x0 >= 0.0 and box.x1 <= width for box in boxes)
    for one, two in pairwise(boxes[:4]):
        assert one.x1 <= two.x0 + 1.0
    turned = pd.concat(
        [loads, loads.assign(lateral="free", greatest_load_kg=-loads["greatest_load_kg"])]
    )
    figure = lift_figure(SimpleNamespace(**{**both, "loads": turned}), SIX, LIMITS)
    assert head_of_figure(figure).startswith("Speed of the maximal lift")  # every order turns


def test_at_most_four_loads_share_a_panel_and_the_note_says_where_the_rest_is():
    figure = loads_figure(maximal())
    assert {len(curves(ax)) for ax in figure.axes if ax.get_visible()} == {4}
    assert "maximal_curves.csv" in head_of_figure(figure)


@pytest.mark.parametrize("count", [1, 2, 6])
def test_the_legend_of_loads_stays_on_its_figure(count):
    report = maximal()
    some = list(dict.fromkeys(report.curves["condition"]))[:count]
    curves_of = report.curves[report.curves["condition"].isin(some)]
    figure = loads_figure(SimpleNamespace(**{**vars(report), "curves": curves_of}))
    figure.draw_without_rendering()
    (box,) = [legend.get_window_extent() for legend in figure.legends]
    assert 0.0 <= box.x0 < box.x1 <= figure.get_size_inches()[0] * figure.dpi


def test_utilisation_of_six_conditions_stands_in_two_panels_each():
    rows = [
        {
            "condition": c, "lateral": "zero", "row": "elbow_extension", "others": others,
            "height_fraction": h, "utilisation_here": 0.1 * k, "direction": "elbow_extension",
        }
        for k, c in enumerate(CONDITIONS, start=1)
        for others in ("braced", "balanced")
        for h in np.linspace(0.0, 1.0, 5)
    ]  # fmt: skip
    figure = utilisation_figure(SimpleNamespace(frames=pd.DataFrame(rows)), SIX)
    assert len(figure.axes) == 4
    for ax in figure.axes:
        tuck = ax.get_title(loc="left")[-1]
        own = [k for k, c in enumerate(CONDITIONS, start=1) if c.endswith(tuck)]
        values = [float(line.get_ydata()[0]) for line in curves(ax)]
        assert values == pytest.approx([10.0 * k for k in own])
    assert "Not supported" not in head_of_figure(figure)  # no limits were given


def test_loads_that_pass_are_marks_at_the_edge_and_no_further_lines():
    report = maximal()
    loads = report.loads.assign(greatest_load_kg=50.0 + 3.0 * np.arange(len(report.loads)))
    figure = lift_figure(SimpleNamespace(**{**vars(report), "loads": loads}))
    shown = []
    for ax in figure.axes[1::2]:
        assert sum(len(line.get_xdata()) > 2 for line in ax.lines) <= MOST_LINES
        marks = [line for line in ax.lines if list(line.get_xdata()) == [1.0]]
        shown += [float(line.get_ydata()[0]) for line in marks]
        assert all(line.get_linestyle() == "None" for line in marks)
        assert not any(list(line.get_xdata()) == [0, 1] for line in ax.lines)
    assert sorted(shown) == sorted(loads["greatest_load_kg"])

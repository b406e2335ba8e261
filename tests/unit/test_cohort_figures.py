"""Figures of a cohort: nothing cut off, nothing in the way, any conditions and checks."""

from __future__ import annotations

from itertools import combinations
from types import SimpleNamespace

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
from matplotlib.collections import FillBetweenPolyCollection

from momentshare.cohort.limited import limited
from momentshare.cohort.outcomes import OUTCOMES
from momentshare.limits import LiftKind, Limit, Limits
from momentshare.model import load_model
from momentshare.report.figures import style
from momentshare.report.figures.cohort import cohort_figures, trial_checks_figure
from momentshare.study.factors import Factors
from momentshare.text import head_label

HEADS = [
    "pectoralis_major/clavicular",
    "pectoralis_major/sternocostal_upper",
    "triceps_brachii/lateral",
    "deltoid/acromial",
    "anconeus",
]
LIFT = np.arange(0.0, 101.0, 5.0)
LONG = "very wide, on a bench turned thirty degrees up"


@pytest.fixture(autouse=True)
def _look():
    with mpl.rc_context(style.settings()):
        yield


def curves(conditions, keys, levels, spread):
    """Mean and SD along the lift for each condition and set of keys; a level for each set."""
    parts = [
        pd.DataFrame({"condition": c, "lift_percent": LIFT, "mean": levels[k], "sd": spread})
        .assign(people=4, **key)
        for c in conditions
        for k, key in enumerate(keys)
    ]  # fmt: skip
    return pd.concat(parts, ignore_index=True)


def summary_of(conditions, free=0.2):
    """Tables as a cohort makes them, with round numbers."""
    modes = ("measured", "zero", "free")
    wave = np.sin(LIFT / 20.0) ** 2
    heads = [
        {"head": h, "lateral": "measured", "quantity": q} for q in ("activation", "force_n")
        for h in HEADS
    ]  # fmt: skip
    scale = [0.02 + 0.96 * wave] * len(HEADS) + [f * wave for f in (300, 200, 1400, 80, 40)]
    hand = [{"lateral": m, "quantity": "lateral_ratio"} for m in modes]
    rows = [
        {"row": r, "lateral": "measured", "quantity": "moment_nm"}
        for r in ("shoulder_horizontal_adduction", "shoulder_elevation", "elbow_extension")
    ]
    events = pd.DataFrame(
        [
            {"trial": t, "condition": c, "sticking_region": t > 0, "first_peak_percent": 30.0}
            | {"minimum_percent": 45.0, "second_peak_percent": 65.0}
            for c in conditions
            for t in range(3)
        ]
    )
    events.loc[events["trial"] == 0, "first_peak_percent"] = 5.0
    people = pd.DataFrame(
        [
            {
                "person": p,
                "condition": c,
                "lateral": "measured",
                "head": h,
                "mean_activation": 0.04 * p,
            }
            for p in range(4)
            for c in conditions
            for h in HEADS
        ]
    )
    means = pd.DataFrame(
        [
            {"condition": c, "lateral": "measured", "head": h, "mean_activation_mean": 0.2}
            | {"mean_activation_sd": 0.5}
            for c in conditions
            for h in HEADS
        ]
    )
    changes = ["criterion: weighted by volume", "lateral ratio -0.05"]
    sensitivity = pd.DataFrame(
        [
            {"condition": c, "lateral": "measured", "change": x, "head": h}
            | {"difference": 0.6 if (h, x) == ("anconeus", changes[0]) else -0.02}
            for c in conditions
            for x in changes
            for h in HEADS
        ]
    )
    orders = pd.concat(
        [
            sensitivity[sensitivity["condition"] == a].assign(other=b)
            for a, b in combinations(conditions, 2)
        ]
        or [sensitivity[:0].assign(other="")]
    )
    orders = orders.assign(order_holds=orders["difference"] < 0.5)
    emg = pd.concat(
        [
            pd.DataFrame({"person": p, "condition": c, "head": h, "lift_percent": LIFT})
            .assign(emg=0.5 * wave, activation=0.4 * wave, pulled_activation=0.45 * wave)
            for p in "ab" for c in conditions for h in HEADS[:2]
        ]
    )  # fmt: skip
    outcomes = measure_outcomes(conditions)
    tables = {
        "outcomes": outcomes,
        "outcomes_by_person": pd.concat(
            [
                outcomes.assign(person=p, arm="studied", value=f * outcomes["mean"])
                for p, f in (("a", 0.9), ("b", 1.1))
            ]
        ),
        "named_contrasts": outcomes[outcomes["outcome"].isin(["bar_work", "fibre_shortening"])],
        "trials": pd.DataFrame({"trial": range(3), "counted": True}),
        "events": events,
        "curves_speed": curves(conditions, [{}], [0.4 * wave], 0.05),
        "curves_moments": curves(conditions, rows, [-130.0 * wave] * 3, 20.0),
        "curves_heads": curves(conditions, heads, scale, 0.3),
        "curves_hand": curves(conditions, hand, [0.1, 0.0, free], 0.01),
        "heads": means,
        "heads_by_person": people,
        "sensitivity": sensitivity,
        "sensitivity_orders": orders,
        "emg_curves_by_person": emg,
        "checks": checks(),
    }
    return SimpleNamespace(
        factors=Factors(),
        tables=tables,
        mode="measured",
        limits=Limits(),
        confidence=0.95,
        named_heads=tuple(HEADS[2:]),
    )


def measure_outcomes(conditions):
    """Every outcome that there is, with names and numbers of any length."""
    items = {"lift": [""], "angle": ["elevation", "elbow_flexion"], "head": HEADS[1:3]}
    rows = ["shoulder_internal_rotation", "shoulder_horizontal_adduction", "elbow_extension"]
    items |= {"moment": rows, "direction": rows[1:]}
    return pd.DataFrame(
        [
            {"condition": c, "lateral": "measured" if o.by_treatment else "any",
             "phase": "ascent", "outcome": o.name, "item": item, "mean": m, "low": m - 0.2 * abs(m),
             "high": m + 0.2 * abs(m)}
            for k, c in enumerate(conditions) for n, o in enumerate(OUTCOMES.values())
            for item in items[o.of] for m in [(1 + 0.1 * k) * (-1234.5, 0.00123, 12.0)[n % 3]]
        ]
    )  # fmt: skip


def checks():
    """Checks of two trials, not the same ones; one has a value and no curve, one neither."""
    lines = [
        (1, "left against right", 0.4641, 10.0, "% of the mean of both hands", "pass"),
        (1, "synchrony", 20.1, 10.0, "ms", "warn"),
        (1, "joint limits", 0.0, 2.0, "% of frames", "pass"),
        (1, "share of body weight", np.nan, 5.0, "% of body weight", "not possible"),
        (2, "left against right", 25.0, 10.0, "% of the mean of both hands", "fail"),
        (2, "a check that is new here", 3.0, 10.0, "deg, both arms", "pass"),
    ]
    names = ["trial", "check", "value", "limit", "unit", "verdict"]
    table = pd.DataFrame(lines, columns=names)
    return table.assign(person="Ines", condition="narrow")


def check_curves():
    time = np.arange(0.0, 10.0, 0.01)
    step = np.tanh((time - 6.0) / 0.1)
    both = {
        ("left against right", "vertical force of a hand [N]"): {
            "right": 1e5 + step, "left": 1e5 - step,
        },
        ("synchrony", "ratio to the mean"): {
            "force over its mean": step, "g + a over its mean": np.tanh((time - 5.98) / 0.1),
        },
    }  # fmt: skip
    return pd.concat(
        [
            pd.DataFrame({"check": c, "axis": a, "curve": n, "time_s": time, "value": v})
            for (c, a), lines in both.items()
            for n, v in lines.items()
        ]
    )


def seen(figure):
    """Boxes [pixel] of the figure, of its panels with all their texts, and of its own texts."""
    figure.draw_without_rendering()
    panels = [ax.get_tightbbox() for ax in figure.axes]
    texts = [t.get_window_extent() for t in figure.texts if t.get_text()]
    return figure.bbox, panels, texts + [k.get_window_extent() for k in figure.legends]


def assert_clear(figure):
    whole, panels, texts = seen(figure)
    for box in panels + texts:
        assert box.x0 >= whole.x0
        assert box.x1 <= whole.x1
        assert box.y0 >= whole.y0
        assert box.y1 <= whole.y1
    for one, two in combinations(panels + texts, 2):
        wide = min(one.x1, two.x1) - max(one.x0, two.x0)
        tall = min(one.y1, two.y1) - max(one.y0, two.y0)
        assert min(wide, tall) < 1.0, (one, two)


NAMES = sorted(cohort_figures(summary_of(["narrow"])))


@pytest.mark.parametrize("conditions", [["narrow"], ["narrow", "wide", LONG], [*"abcd", LONG]])
@pytest.mark.parametrize("name", NAMES)
def test_nothing_is_cut_off_or_in_the_way(name, conditions):
    assert_clear(cohort_figures(summary_of(conditions))[name]())


def test_heads_that_were_named_have_a_figure_of_their_own():
    made = cohort_figures(summary_of(["narrow"]))
    named = made["head_activation_named"]()
    titles = [ax.get_title(loc="left").replace("\n", " ") for ax in named.axes]
    assert titles == [head_label(h) for h in HEADS[2:]]
    assert "Heads named beforehand." in named.texts[1].get_text().replace("\n", " ")


def test_clearance_sees_a_label_that_is_cut_off():
    figure = cohort_figures(summary_of(["narrow"]))["activation_by_head"]()
    figure.axes[0].set_yticks([0], ["m" * 80])
    with pytest.raises(AssertionError):
        assert_clear(figure)


@pytest.mark.parametrize("count", [1, 2, 3, 4, 5, 7])
def test_lowest_panel_of_every_column_has_tick_labels(count):
    figure = cohort_figures(summary_of([f"c{i}" for i in range(count)]))["speed"]()
    figure.draw_without_rendering()
    places = [ax.get_position() for ax in figure.axes]
    for ax, place in zip(figure.axes, places, strict=True):
        lowest = all(p.y0 >= place.y0 - 1e-9 for p in places if abs(p.x0 - place.x0) < 1e-9)
        shown = any(t.get_visible() and t.get_text() for t in ax.get_xticklabels())
        assert shown == lowest


def bands(figure):
    """Lowest and highest place of all bands of a figure."""
    found = [
        band.get_paths()[0].vertices[:, 1]
        for ax in figure.axes
        for band in ax.collections
        if isinstance(band, FillBetweenPolyCollection)
    ]
    assert found
    return min(map(np.min, found)), max(map(np.max, found))


def test_bands_are_cut_at_what_is_possible_and_the_note_says_so():
    made = cohort_figures(summary_of(["narrow"]))
    activation, force = made["head_activation"](), made["head_forces"]()
    assert bands(activation) == (0.0, 100.0)
    assert bands(force)[0] == 0.0
    assert "cut at 0 and 100 %" in activation.texts[1].get_text().replace("\n", " ")
    assert "cut at 0" in force.texts[1].get_text().replace("\n", " ")


def test_bars_of_activation_end_at_zero():
    ax = cohort_figures(summary_of(["narrow"]))["activation_by_head"]().axes[0]
    ends = np.concatenate([p.vertices[:, 0] for c in ax.collections for p in c.get_paths()])
    assert (ends.min(), ends.max()) == pytest.approx((0.0, 70.0))


def test_force_has_a_scale_for_each_row_of_panels():
    figure = cohort_figures(summary_of(["narrow"]))["head_forces"]()
    tops = [ax.get_ylim()[1] for ax in figure.axes]
    assert tops[0] == tops[3] > 1000.0  # a row of four
    assert tops[4] < 60.0
    assert "Each row of panels has its own scale" in figure.texts[1].get_text().replace("\n", " ")


def test_speed_names_lifts_without_sticking_region_above_the_panel():
    figure = cohort_figures(summary_of(["narrow"]))["speed"]()
    ax = figure.axes[0]
    assert ax.get_title(loc="left") == "narrow\n1 of 3 lifts without sticking region"
    assert list(ax.texts) == []
    edges = {round(p.get_x(), 6) for p in ax.patches}
    assert edges == {0.0, 30.0, 45.0, 65.0}  # the lift without one does not count
    assert figure.texts[0].get_text() == "Speed of the lift"


def test_ratio_says_where_the_free_one_goes_far():
    near, far = (cohort_figures(summary_of(["a", "b"], f))["lateral_ratio"]() for f in (0.4, 0.6))
    assert "hands may not" not in near.texts[1].get_text()
    note = far.texts[1].get_text().replace("\n", " ")
    assert "hands may not be able to push that hard" in note
    assert "In 'a' and 'b' the free ratio" in note
    assert "lies outside −0.4 to 0.5 in part of the lift" in note


def test_the_free_ratio_is_hatched_where_the_limb_does_not_bear_it_and_zero_is_left_out():
    limit = Limit(key="L2", title="Its size", quantity="lateral_ratio", reason="r")
    plain_one, summary = summary_of(["a", "b"]), summary_of(["a", "b"])
    hand = summary.tables["curves_hand"]
    here = np.where((hand["lateral"] == "free") & (hand["lift_percent"] >= 50.0), "L2", "")
    summary.tables["curves_hand"] = hand.assign(limit_here=here)
    summary.limits = Limits((limit,))
    figure = cohort_figures(summary)["lateral_ratio"]()
    titles = [ax.get_title(loc="left").replace("\n", " ") for ax in figure.axes]
    assert titles == ["measured ratio", "free (chosen by the optimiser) L2"]
    boxes = [[p.get_bbox() for p in ax.patches if p.get_hatch()] for ax in figure.axes]
    assert boxes[0] == []
    assert [(box.x0, box.x1) for box in boxes[1]] == [(47.5, 100.0)]
    note = figure.texts[1].get_text().replace("\n", " ")
    assert "Not supported by the limb: Its size (L2). Such stretches are hatched." in note
    bare = cohort_figures(plain_one)["lateral_ratio"]()
    assert not any(p.get_hatch() for ax in bare.axes for p in ax.patches)


def test_a_study_without_a_push_shows_its_one_treatment():
    summary = summary_of(["a"])
    hand = summary.tables["curves_hand"]
    summary.tables["curves_hand"] = hand[hand["lateral"] == "zero"]
    figure = cohort_figures(summary)["lateral_ratio"]()
    assert [ax.get_title(loc="left") for ax in figure.axes] == ["zero"]


def test_only_the_free_ratio_is_marked_in_the_table_of_the_hand():
    model = load_model()
    table = pd.DataFrame(
        [
            {"condition": "a", "lateral": mode, "quantity": quantity, "lift_percent": 0.0}
            for mode in ("measured", "free")
            for quantity in ("lateral_ratio", "lateral_force_n", "vertical_force_n")
        ]
    )
    condition = SimpleNamespace(name="a", lift_kind=LiftKind("bar_press", 1.4))
    study = SimpleNamespace(file=SimpleNamespace(condition=[condition]))
    found = limited({"curves_hand": table}, SimpleNamespace(model=model, study=study))
    marks = found["curves_hand"].set_index(["lateral", "quantity"])["limit_here"]
    wanted = {row.key for row in model.limits.rows if row.quantity == "lateral_ratio"}
    assert wanted
    for (mode, quantity), keys in marks.items():
        free = mode == "free" and quantity != "vertical_force_n"
        assert set(keys.split()) == (wanted if free else set())


def test_emg_names_the_lateral_force_and_stays_within_a_muscle():
    made = cohort_figures(summary_of(["a", "b"]))
    for name in ("emg_curves", "emg_agreement"):
        title, note = (t.get_text().replace("\n", " ") for t in made[name]().texts[:2])
        assert "within each muscle" in title
        assert "lateral force measured" in title
        assert "within a muscle only" in note


def test_sensitivity_has_a_scale_and_circles_inside_their_cells():
    figure = cohort_figures(summary_of(["a", "b", "c"]))["sensitivity"]()
    figure.draw_without_rendering()
    ax, scale = figure.axes
    assert "% points" in scale.get_xlabel()
    (circle,) = [line for line in ax.lines if line.get_gid() == "order-turns"]
    row = HEADS.index("anconeus")
    cell = ax.transData.transform([[-0.5, row + 0.5], [0.5, row - 0.5]])
    (low_x, low_y), (high_x, high_y) = np.sort(cell, axis=0)
    x, y = ax.transData.transform(circle.get_xydata())[0]
    radius = 0.5 * (circle.get_markersize() + circle.get_markeredgewidth()) * figure.dpi / 72.0
    assert low_x + 1 < x - radius
    assert x + radius < high_x - 1
    assert low_y + 1 < y - radius
    assert y + radius < high_y - 1
    assert circle.get_color() == "#ffffff"  # the cell is the darkest
    assert "cancel" in figure.texts[1].get_text()


def test_checks_of_a_trial_read_as_value_and_limit():
    table = checks()
    figure = trial_checks_figure(check_curves(), table[table["trial"] == 1], "Trial 1")
    assert_clear(figure)
    titles = [ax.get_title(loc="left") for ax in figure.axes]
    assert titles == ["synchrony\nwarn: 20.1 ms (limit 10)"]
    note = figure.texts[1].get_text().replace("\n", " ")
    mine = table[table["trial"] == 1]
    quiet = int((~mine["verdict"].isin(["warn", "fail"])).sum())
    assert f"{quiet} other checks in the table of checks" in note
    for ax in figure.axes:  # the legend stands above the curves
        assert ax.get_legend().get_window_extent().y0 >= ax.get_window_extent().y1 - 1.0


def test_clocks_are_shown_enlarged_around_the_largest_change():
    table = checks()
    figure = trial_checks_figure(check_curves(), table[table["trial"] == 1], "Trial 1")
    (close,) = figure.axes
    assert close.get_xlim() == pytest.approx((5.25, 6.75), abs=0.02)
    assert "1.5 s around the largest change" in figure.texts[1].get_text().replace("\n", " ")
    pixels = close.transData.transform([[0.0, 0.0], [0.02, 0.0]])[:, 0]
    line = 0.9 * figure.dpi / 72.0
    assert np.diff(pixels)[0] > line  # a lag of 20 ms is wider than a line


def test_checks_without_any_curve_are_told_in_words():
    table = checks()
    none = check_curves().iloc[:0]
    figure = trial_checks_figure(none, table[table["trial"] == 2], "Trial 2")
    assert figure.axes == []
    said = figure.texts[1].get_text().replace("\n", " ")
    assert "Without curves: left against right (fail: 25 % (limit 10))." in said
    assert "1 other check in the table of checks" in said
    assert_clear(figure)


def test_matrix_takes_its_columns_from_the_table():
    ax = cohort_figures(summary_of(["narrow"]))["checks"]().axes[0]
    names = [t.get_text().split(" [")[0] for t in ax.get_xticklabels()]
    told = checks()
    loud = told[told["verdict"].isin(["warn", "fail"])]
    assert names == [n for n in dict.fromkeys(told["check"]) if n in set(loud["check"])]
    shown = told[told["check"].isin(names) & told["trial"].isin(loud["trial"])]
    assert len(ax.patches) == len(shown)  # the checks that a trial lacks stay empty

"""Figures of a cohort: every line, bar, dot, cell and title is the number that it stands for.

A line is known as a reader knows it, by its colour in the legend; a panel by its title.
"""

from __future__ import annotations

import functools
from dataclasses import replace

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
from matplotlib.collections import FillBetweenPolyCollection, LineCollection
from matplotlib.colors import to_hex
from tests.drawn import labelled, unmarked
from tests.report import cohort_planted as plan
from tests.report.cohort_planted import (
    BARS,
    CONDITIONS,
    GRID,
    HEADS,
    MODES,
    ROWS,
    SHOWN,
    counted_people,
    mean_and_sd,
    planted,
    spelled,
)
from tests.report.page_reader import assert_shows, value_of

from momentshare.directions import moment_direction, row_named
from momentshare.report.figures import style
from momentshare.report.figures.cohort import cohort_figures, trial_checks_figure
from momentshare.report.figures.emg import emg_agreement_figure, emg_curves_figure
from momentshare.report.figures.layout import WIDEST
from momentshare.report.figures.sensitivity import sensitivity_figure
from momentshare.report.text.cohort_orders import judged_orders

pytest.importorskip("statsmodels")

WORKING = [head for head in HEADS if head != plan.IDLE]


@functools.cache
def figure(name):
    with mpl.rc_context(style.settings()):
        return cohort_figures(planted().summary)[name]()


def words(text):
    return " ".join(text.split())


def panels(name):
    """Title → panel."""
    found = {unmarked(words(ax.get_title(loc="left")))[0]: ax for ax in figure(name).axes}
    assert len(found) == len(figure(name).axes)
    return found


def title(name):
    return words(figure(name).texts[0].get_text())


def note(name):
    return words(figure(name).texts[1].get_text())


def legend(name):
    """Colour → text of the one legend of a figure."""
    (key,) = figure(name).legends
    found = {
        to_hex(handle.get_color()): words(text.get_text())
        for handle, text in zip(key.legend_handles, key.get_texts(), strict=True)
    }
    assert len(found) == len(key.get_texts())
    return found


def curves(ax):
    """Colour → line, of the lines that run along the lift."""
    found = {to_hex(line.get_color()): line for line in ax.lines if len(line.get_xdata()) > 2}
    assert sum(len(line.get_xdata()) > 2 for line in ax.lines) == len(found)
    return found


def solve_band(ax, colour):
    """Lowest and highest value of the band of a colour at each lift percent."""
    (band,) = [
        c
        for c in ax.collections
        if isinstance(c, FillBetweenPolyCollection) and to_hex(c.get_facecolor()[0]) == colour
    ]
    points = band.get_paths()[0].vertices
    return np.array(
        [[f(points[np.isclose(points[:, 0], x), 1]) for x in GRID] for f in (np.min, np.max)]
    )


def assert_bands(ax, colours, wanted, limits=(-np.inf, np.inf)):
    """Compare every line and band of a panel with mean and spread along the lift."""
    found = curves(ax)
    assert {colours[c] for c in found} == set(wanted)
    for colour, line in found.items():
        mean, spread = wanted[colours[colour]]
        np.testing.assert_allclose(line.get_xdata(), GRID)
        np.testing.assert_allclose(line.get_ydata(), mean, atol=1e-9)
        low, high = solve_band(ax, colour)
        np.testing.assert_allclose(low, np.clip(mean - spread, *limits), atol=1e-9)
        np.testing.assert_allclose(high, np.clip(mean + spread, *limits), atol=1e-9)


def along(table, value, condition, mode, **where):
    """Mean and spread over people at each lift percent."""
    rows = [mean_and_sd(table, value, condition, mode, **where, lift_percent=x) for x in GRID]
    return np.array([r[0] for r in rows]), np.array([r[1] for r in rows])


@pytest.mark.parametrize(
    ("name", "quantity", "scale", "top", "label", "heading"),
    [
        (
            "head_activation", plan.ACTIVATION, 100.0, 100.0, "activation [%]",
            "Activation of each head",
        ),
        ("head_forces", plan.FORCE, 1.0, np.inf, "force [N]", "Force of each head"),
    ],
)  # fmt: skip
def test_curves_of_each_head_stand_in_its_panel(name, quantity, scale, top, label, heading):
    shown = panels(name)
    assert list(shown) == [spelled(head) for head in WORKING]
    assert title(name) == heading
    assert "Lateral force measured." in note(name)
    assert figure(name).axes[0].get_ylabel() == label
    for head in WORKING:
        wanted = {
            c: tuple(scale * part for part in along("frames", quantity, c, SHOWN, head=head))
            for c in CONDITIONS
        }
        assert_bands(shown[spelled(head)], legend(name), wanted, (0.0, top))


def widest_difference(outcome):
    """Title of the widest difference that a paired test shows, from the rows of its table."""
    table = planted().tables["contrasts"]
    mine = table[table["outcome"] == outcome]
    found = []
    for row in mine[mine["lateral"] == SHOWN].to_dict("records"):
        if row["p_paired_holm_over_item"] >= 0.05 or row["n_opposite"]:
            continue
        same = mine[
            (mine["item"] == row["item"])
            & (mine["condition"] == row["condition"])
            & (mine["other"] == row["other"])
        ]
        difference, words = row["difference_mean"], ""
        if outcome == "moment_nm":
            if len({np.sign(d) for d in same["difference_mean"]}) > 1:
                continue
            means = [
                along("moments", plan.MOMENT, row[side], SHOWN, row=row["item"])[0].mean()
                for side in ("condition", "other")
            ]
            if means[0] * means[1] <= 0.0:
                continue
            words = moment_direction(row["item"], means[0]).words
            difference *= np.sign(means[0])
        pair = (
            (row["condition"], row["other"]) if difference > 0 else (row["other"], row["condition"])
        )
        found.append((abs(difference), words, *pair))
    assert found
    size, words, high, low = max(found)
    if outcome == "moment_nm":
        return f"Firm: the {words} moment is larger in '{high}' than in '{low}', by {size:.1f} N·m"
    return f"The measured ratio is larger in '{high}' than in '{low}', by {size:.2f}"


def test_figures_are_titled_neutrally_where_no_test_shows_anything():
    tables = {k: v for k, v in planted().tables.items() if k != "contrasts"}
    for changed in (
        tables,
        tables | {"contrasts": planted().tables["contrasts"].assign(p_paired_holm_over_item=0.9)},
        tables | {"contrasts": planted().tables["contrasts"].assign(n_opposite=1)},
    ):
        summary = replace(planted().summary, tables=changed)
        with mpl.rc_context(style.settings()):
            made = cohort_figures(summary)
            heads = {n: words(made[n]().texts[0].get_text()) for n in ("moments", "lateral_ratio")}
        assert heads["moments"] == "Net joint moments"
        assert heads["lateral_ratio"] == "Lateral over vertical hand force"


@pytest.mark.parametrize("name", ["head_activation", "head_forces"])
def test_a_curve_is_hatched_where_the_limb_does_not_bear_it(name):
    high = [  # points at which some condition is in the last third of its height
        any(plan.height_at(lift, c) >= 2.0 / 3.0 for c in CONDITIONS) for lift in GRID
    ]
    first = GRID[high.index(True)]
    before = GRID[high.index(True) - 1]
    assert all(high[high.index(True) :])
    for head in WORKING:
        boxes = [p.get_bbox() for p in panels(name)[spelled(head)].patches if p.get_hatch()]
        found = [(box.x0, box.x1) for box in boxes]
        assert found == ([(0.5 * (before + first), 100.0)] if head == plan.FRONT else [])
    table = planted().tables["curves_heads"]
    mine = table[(table["limit_here"] != "") & (table["lateral"] == SHOWN)]
    assert set(mine["head"]) == {plan.FRONT}
    assert set(mine["limit_here"]) == {"L2"}
    for condition in CONDITIONS:
        marked = set(mine.loc[mine["condition"] == condition, "lift_percent"])
        assert marked == {x for x in GRID if plan.height_at(x, condition) >= 2.0 / 3.0}
    assert "(L2)" in note(name)
    assert ("(L1)" in note(name)) == (name == "head_activation")  # an order of activations
    even = "Hatched: the part of the lift in which not even the course of one condition is"
    assert ("Such stretches are hatched." if name == "head_forces" else even) in note(name)


def test_moments_of_each_row_stand_in_its_panel():
    shown = panels("moments")
    names = {}
    for row in ROWS:
        means = [along("moments", plan.MOMENT, c, SHOWN, row=row)[0] for c in CONDITIONS]
        other = f" (below zero: {row_named(row).negative.label})" * bool(np.min(means) < 0.0)
        names[row] = f"{labelled(row)}{other}"
    assert "(below zero: external rotation)" in names["shoulder_internal_rotation"]
    assert set(shown) == set(names.values())
    assert title("moments") == widest_difference("moment_nm")
    assert "Net joint moments along the lift. Lateral force measured." in note("moments")
    assert figure("moments").axes[0].get_ylabel() == "net moment [N·m]"
    for row in ROWS:
        wanted = {c: along("moments", plan.MOMENT, c, SHOWN, row=row) for c in CONDITIONS}
        assert_bands(shown[names[row]], legend("moments"), wanted)


def test_ratio_of_each_treatment_stands_in_its_panel():
    shown = panels("lateral_ratio")
    names = {"measured": "measured ratio", "free": "free (chosen by the optimiser)"}
    assert "zero" in MODES
    assert set(shown) == set(names.values())  # without a push there is nothing to see
    for mode in names:
        wanted = {c: along("moments", plan.RATIO, c, mode, row=ROWS[0]) for c in CONDITIONS}
        assert_bands(shown[names[mode]], legend("lateral_ratio"), wanted)
    free = np.array([along("moments", plan.RATIO, c, "free", row=ROWS[0])[0] for c in CONDITIONS])
    assert f"(means {free.min():.2f} to {free.max():.2f})" in note("lateral_ratio")
    far = [c for c, means in zip(CONDITIONS, free, strict=True) if means.max() > 0.5]
    assert far == ["wide"]
    assert "In 'wide' the free ratio (means " in note("lateral_ratio")
    assert "lies outside −0.4 to 0.5 in part of the lift" in note("lateral_ratio")
    assert figure("lateral_ratio").axes[0].get_ylabel() == "ratio [1]"
    assert title("lateral_ratio") == widest_difference("lateral_ratio")


def motion(quantity, condition):
    rows = []
    for lift in GRID:
        own = plan._by_person("motion", quantity, (plan.LIFT,))[condition, None, lift]
        values = np.array([np.mean(v) for v in own.values()])
        rows.append((values.mean(), values.std(ddof=1)))
    return np.array(rows).T


def test_speed_and_regions_belong_to_the_condition_of_their_panel():
    counted = {t.number for t in plan.COUNTED}
    shown = {}
    for ax in figure("speed").axes:
        condition, *rest = ax.get_title(loc="left").split("\n", 1)
        shown[condition] = (ax, words("".join(rest)))
    assert set(shown) == set(CONDITIONS)
    assert figure("speed").axes[0].get_ylabel() == "speed [m/s]"
    names = [words(t.get_text()) for t in figure("speed").legends[0].get_texts()]
    darkness = [h.get_alpha() for h in figure("speed").legends[0].legend_handles]
    assert names == ["pre-sticking", "sticking", "post-sticking", "to lock-out"]
    for condition, (ax, told) in shown.items():
        (line,) = curves(ax).values()
        mean, spread = motion(plan.SPEED, condition)
        np.testing.assert_allclose(line.get_ydata(), mean)
        low, high = solve_band(ax, to_hex(line.get_color()))
        np.testing.assert_allclose(low, mean - spread, atol=1e-9)
        np.testing.assert_allclose(high, mean + spread, atol=1e-9)
        events = [
            e for e in planted().rows["events"]
            if e[plan.CONDITION] == condition and e[plan.TRIAL] in counted
        ]  # fmt: skip
        stuck = [e for e in events if e[plan.STICKING]]
        edges = [0.0, *(np.mean([e[mark] for e in stuck]) for mark in plan.MARKS), 100.0]
        spans = sorted((p.get_x(), p.get_x() + p.get_width(), p.get_alpha()) for p in ax.patches)
        wanted = list(zip(edges[:-1], edges[1:], darkness, strict=True))
        np.testing.assert_allclose(spans, wanted)
        without = len(events) - len(stuck)
        said = f"{without} of {len(events)} lifts without sticking region"
        assert told == (said if without else "")
    assert sum(bool(told) for _, told in shown.values()) == 2


def test_people_behind_the_means_are_counted():
    def low_and_high(curve, **where):
        table = planted().tables[curve]
        for column, value in where.items():
            table = table[table[column] == value]
        return f"{table['people'].min()} to {table['people'].max()} people"

    held = {
        c: len(counted_people("heads", plan.MEAN_ACTIVATION, c, SHOWN, head=HEADS[0])) for c in BARS
    }
    assert held == {"narrow": 7, "medium": 6, "wide": 5}
    assert low_and_high("curves_heads", lateral=SHOWN) == "5 to 7 people"
    for name in ("head_activation", "head_forces", "moments", "lateral_ratio"):
        assert "5 to 7 people; band: one SD between people" in note(name)
    assert "6 to 7 people" in note("speed")


def test_lift_means_have_their_bar_and_their_people():
    ax = figure("activation_by_head").axes[0]
    assert ax.get_xlabel() == "lift-mean activation [%]"
    names = [unmarked(t.get_text())[0] for t in ax.get_yticklabels()]
    assert names == [spelled(head) for head in WORKING]
    (key,) = figure("activation_by_head").legends
    colours = {
        to_hex(handle.get_color()): words(text.get_text())
        for handle, text in zip(key.legend_handles, key.get_texts(), strict=True)
        if words(text.get_text()) in CONDITIONS
    }
    assert set(colours.values()) == set(CONDITIONS)
    seen = set()
    for container in ax.containers:
        marker, _, (bars,) = container
        x, y = marker.get_xdata()[0], marker.get_ydata()[0]
        head, condition = WORKING[round(y)], colours[to_hex(marker.get_color())]
        assert abs(y - round(y)) < 0.4
        mean, spread, _ = mean_and_sd("heads", plan.MEAN_ACTIVATION, condition, SHOWN, head=head)
        mean, spread = 100.0 * mean, 100.0 * spread
        assert x == pytest.approx(mean)
        assert isinstance(bars, LineCollection)
        ends = bars.get_segments()[0][:, 0]
        assert sorted(ends) == pytest.approx(np.clip([mean - spread, mean + spread], 0.0, 100.0))
        (dots,) = [
            line
            for line in ax.lines
            if line.get_marker() == "." and line.get_ydata()[0] == pytest.approx(y, abs=1e-9)
        ]
        assert to_hex(dots.get_color()) == to_hex(marker.get_color())
        own = counted_people("heads", plan.MEAN_ACTIVATION, condition, SHOWN, head=head)
        assert sorted(dots.get_xdata()) == pytest.approx([100 * v for v in sorted(own.values())])
        seen.add((head, condition))
    assert seen == {(h, c) for h in WORKING for c in CONDITIONS}
    assert "Lateral force measured." in note("activation_by_head")


def test_a_filled_dot_marks_the_heads_with_a_firm_order():
    made = figure("activation_by_head")
    ax, (key,) = made.axes[0], made.legends
    found = judged_orders(planted().summary)
    firm = {line["head"] for line in found.firm}
    assert set() < firm & set(WORKING) < set(WORKING)
    dots = {
        WORKING[round(line.get_ydata()[0])]: to_hex(line.get_markerfacecolor())
        for line in ax.lines
        if line.get_gid() in {"firm", "not-firm"}
    }
    filled, open_ = style.INK, "#ffffff"
    assert dots == {head: filled if head in firm else open_ for head in WORKING}
    told = {
        words(text.get_text()): to_hex(handle.get_markerfacecolor())
        for handle, text in zip(key.legend_handles, key.get_texts(), strict=True)
    }
    assert told["a firm order"] == filled
    assert told["no firm order"] == open_
    assert "Dot at the right end of a row: whether an order of the head is firm." in note(
        "activation_by_head"
    )
    # Without tests nothing is called firm, and no dot is drawn.
    tables = {n: t for n, t in planted().summary.tables.items() if n != "contrasts"}
    with mpl.rc_context(style.settings()):
        bare = cohort_figures(replace(planted().summary, tables=tables))["activation_by_head"]()
    assert not any(line.get_gid() in {"firm", "not-firm"} for line in bare.axes[0].lines)
    assert "firm" not in " ".join(text.get_text() for text in bare.legends[0].get_texts())


EMG_WORDS = {
    plan.EMG: "EMG over the maximal contraction",
    plan.ACTIVATION: "predicted activation",
    plan.PULLED: "activation pulled towards EMG",
}


def test_emg_curves_stand_in_the_panel_of_their_muscle_and_condition():
    shown = panels("emg_curves")
    assert len(shown) == len(plan.ELECTRODES) * len(BARS)
    colours = legend("emg_curves")
    for head in plan.ELECTRODES:
        for condition in BARS:
            found = curves(shown[f"{spelled(head)} {condition}"])
            assert {colours[c] for c in found} == set(EMG_WORDS.values())
            for name, label in EMG_WORDS.items():
                (line,) = [x for c, x in found.items() if colours[c] == label]
                wanted = 100.0 * along("emg", name, condition, SHOWN, head=head)[0]
                np.testing.assert_allclose(line.get_xdata(), GRID)
                np.testing.assert_allclose(line.get_ydata(), wanted)
    assert f"Mean over people ({len(plan.MEASURED_EMG)})" in note("emg_curves")
    assert title("emg_curves").endswith("lateral force measured")


def test_a_predicted_course_beside_emg_is_hatched_where_the_limb_does_not_bear_it():
    """As if the limit on the anterior deltoid were one on the lateral triceps."""
    tables, limits = planted().tables, planted().summary.limits
    curves = tables["curves_heads"]
    turned = curves["head"].replace({plan.FRONT: plan.SIDE, plan.SIDE: plan.FRONT})
    with mpl.rc_context(style.settings()):
        made = emg_curves_figure(
            tables["emg_curves_by_person"], SHOWN, curves.assign(head=turned), limits
        )
    shown = {words(ax.get_title(loc="left")): ax for ax in made.axes}
    for head in plan.ELECTRODES:
        for condition in BARS:
            limited = head == plan.SIDE
            ax = shown[f"{spelled(head)} {condition}{' L2' if limited else ''}"]
            high = [plan.height_at(lift, condition) >= 2.0 / 3.0 for lift in GRID]
            at = high.index(True)
            wanted = [(0.5 * (GRID[at - 1] + GRID[at]), 100.0)] if limited else []
            boxes = [p.get_bbox() for p in ax.patches if p.get_hatch()]
            assert [(box.x0, box.x1) for box in boxes] == wanted
    said = words(made.texts[1].get_text())
    assert "(L2). Hatched: there the predicted course is not supported." in said
    assert "Hatched" not in note("emg_curves")  # of the planted limits, none is about these heads


def test_names_of_people_beside_emg_do_not_lie_on_each_other():
    table = planted().tables["emg_curves_by_person"]
    one = table[table["person"] == table["person"].iloc[0]]
    four = [one.assign(person=f"person {k}", emg=one["emg"] + 1e-4 * k) for k in range(4)]
    near = pd.concat(four)
    with mpl.rc_context(style.settings()):
        made = emg_agreement_figure(near, SHOWN)
        made.draw_without_rendering()
        for ax in made.axes:
            boxes = [mpl.text.Text.get_window_extent(t) for t in ax.texts]
            assert len(boxes) == 4
            for k, box in enumerate(boxes):
                for other in boxes[k + 1 :]:
                    height = min(box.y1, other.y1) - max(box.y0, other.y0)
                    width = min(box.x1, other.x1) - max(box.x0, other.x0)
                    assert height < 0.35 * box.height or width <= 0.0


def test_no_name_beside_emg_lies_on_a_marker():
    """Conditions of one person in a row to the right of the dot that carries the name."""
    table = planted().tables["emg_curves_by_person"]
    one = table[table["person"] == table["person"].iloc[0]]
    crowd = [
        one.assign(person=f"person {k}", emg=one["emg"] + 0.03 * (k % 3), activation=
                   one["activation"] + 0.015 * (k // 3))
        for k in range(6)
    ]  # fmt: skip
    marked = 0
    for shown in (table, pd.concat(crowd)):
        with mpl.rc_context(style.settings()):
            made = emg_agreement_figure(shown, SHOWN)
            made.draw_without_rendering()
            for ax in made.axes:
                dots = [
                    ax.transData.transform(np.column_stack(line.get_data()).astype(float))
                    for line in ax.lines
                    if line.get_linestyle() == "None"
                ]
                spots = np.concatenate(dots)
                for text in ax.texts:
                    box = mpl.text.Text.get_window_extent(text)
                    inside = (spots > [box.x0, box.y0]) & (spots < [box.x1, box.y1])
                    assert not inside.all(axis=1).any(), text.get_text()
                    marked += 1
    assert marked > 6


def lift_means(head, condition, name):
    """Person → lift mean of the measured or predicted curve [%]."""
    own = plan._by_person("emg", name, (plan.HEAD,))[condition, SHOWN, head]
    return {person: 100.0 * np.mean(values) for person, values in own.items()}


def test_agreement_has_emg_across_and_activation_up():
    shown = panels("emg_agreement")
    assert set(shown) == {spelled(head) for head in plan.ELECTRODES}
    colours = legend("emg_agreement")
    for head in plan.ELECTRODES:
        ax = shown[spelled(head)]
        assert ax.get_xlabel() == "EMG [%]"
        markers = {
            colours.get(to_hex(x.get_color())): x for x in ax.lines if x.get_marker() != "None"
        }
        assert set(markers) == set(BARS)
        people = {}
        for condition, line in markers.items():
            across, up = (lift_means(head, condition, n) for n in (plan.EMG, plan.ACTIVATION))
            points = sorted(zip(line.get_xdata(), line.get_ydata(), strict=True))
            np.testing.assert_allclose(points, sorted((across[p], up[p]) for p in across))
            for person in across:
                people.setdefault(person, []).append((across[person], up[person]))
        joined = [x.get_xydata() for x in ax.lines if x.get_marker() == "None"]
        diagonal = joined.pop()
        np.testing.assert_allclose(diagonal[:, 0], diagonal[:, 1])
        assert len(joined) == len(people)
        for line, points in zip(joined, people.values(), strict=True):
            np.testing.assert_allclose(line, points)
    assert figure("emg_agreement").axes[0].get_ylabel() == "activation [%]"


def test_cells_of_the_sensitivities_are_changes_of_their_row_and_column():
    ax, scale = figure("sensitivity").axes
    rows = [t.get_text() for t in ax.get_yticklabels()]
    columns = [words(t.get_text()).replace("−", "-") for t in ax.get_xticklabels()]
    assert rows == [spelled(head) for head in WORKING]
    changes = ["lateral force zero", "lateral force free", *plan.CHANGES]
    assert columns == changes
    table = planted().tables["sensitivity"]
    table = table[table["lateral"] == SHOWN]
    values = ax.collections[0].get_array().reshape(len(rows), len(columns))
    cells = {(round(t.get_position()[1]), round(t.get_position()[0])): t for t in ax.texts}
    assert len(cells) == len(rows) * len(columns)
    for (row, column), text in cells.items():
        mine = table[(table["head"] == WORKING[row]) & (table["change"] == changes[column])]
        wanted = 100.0 * mine["difference"].mean()
        assert len(mine) == len(CONDITIONS)
        assert values[row, column] == pytest.approx(wanted)
        shown, half = value_of(text.get_text())
        assert abs(shown - wanted) <= half + 1e-9
    circles = {
        (WORKING[round(line.get_ydata()[0])], changes[round(line.get_xdata()[0] - 0.36)])
        for line in ax.lines
    }
    wanted = {(head, change) for (head, _), found in plan.TURNED.items() for change in found}
    assert circles == wanted
    assert scale.get_xlabel() == "change of lift-mean activation [% points]"
    assert "Lateral force measured." in note("sensitivity")
    means = np.abs(values).mean(axis=0)
    change = columns[int(means.argmax())].replace("-", "−")
    assert f"What moves the answer most: {change}, by {means.max():.0f} point" in title(
        "sensitivity"
    )


def test_of_two_conditions_the_change_of_their_difference_is_drawn():
    table = planted().tables["sensitivity"]
    table = table[(table["lateral"] == SHOWN) & table["condition"].isin(["narrow", "wide"])]
    with mpl.rc_context(style.settings()):
        made = sensitivity_figure(table, None, WORKING, SHOWN)
    ax, scale = made.axes
    columns = [words(t.get_text()).replace("−", "-") for t in ax.get_xticklabels()]
    values = ax.collections[0].get_array().reshape(len(WORKING), len(columns))
    own = table.set_index(["head", "change", "condition"])["difference"]
    for row, head in enumerate(WORKING):
        for column, change in enumerate(columns):
            wanted = own[head, change, "narrow"] - own[head, change, "wide"]
            assert values[row, column] == pytest.approx(100.0 * wanted)
    assert np.ptp(values) > 1.0
    assert words(scale.get_xlabel()) == "change of the difference 'narrow' − 'wide' [% points]"
    assert "What moves the difference most" in words(made.texts[0].get_text())


def test_one_cell_does_not_set_the_colours():
    table = planted().tables["sensitivity"]
    table = table.assign(difference=table["difference"].clip(-0.05, 0.05))
    table.loc[(table["head"] == WORKING[0]) & (table["change"] == next(iter(plan.CHANGES))),
              "difference"] = 0.6  # fmt: skip
    with mpl.rc_context(style.settings()):
        made = sensitivity_figure(table, None, WORKING, SHOWN)
    image = made.axes[0].collections[0]
    assert image.get_array().max() == pytest.approx(60.0)
    low, high = image.get_clim()
    assert -low == high <= 5.0
    assert f"Colours end at {high:g} points" in words(made.texts[1].get_text())


def test_verdicts_stand_in_the_cell_of_their_trial_and_check():
    ax = figure("checks").axes[0]
    trials = [words(t.get_text()) for t in ax.get_yticklabels()]
    heads = [words(t.get_text()) for t in ax.get_xticklabels()]
    names = [head.split(" [")[0].split(",")[0] for head in heads]
    rows = planted().rows["checks"]
    bad = [c for c in rows if c["verdict"] in {"warn", "fail"}]
    drawn = {key: {c[key] for c in bad} for key in (plan.TRIAL, "check")}
    checks = [c for c in rows if all(c[key] in names for key, names in drawn.items())]
    signs = {"pass": "·", "warn": "!", "fail": "×", "not possible": "–"}
    shade_of = dict(zip(
        (words(t.get_text()) for t in figure("checks").legends[0].get_texts()),
        (to_hex(p.get_facecolor()) for p in figure("checks").legends[0].get_patches()),
        strict=True,
    ))  # fmt: skip
    for verdict, meaning in (("pass", "passes"), ("warn", "warns"), ("fail", "fails")):
        assert f"{signs[verdict]} {meaning}" in shade_of
    found = {}
    for text in ax.texts:
        x, y = text.get_position()
        found[trials[y], names[x]] = text.get_text()
    for key, what in ((plan.TRIAL, "trial"), ("check", "check")):
        left = len({c[key] for c in rows} - drawn[key])
        assert (f"{left} {what}{'s' * (left != 1)}" in note("checks")) == (left > 0)
    fails, warns = (sum(c["verdict"] == v for c in bad) for v in ("fail", "warn"))
    assert (fails, len(drawn[plan.TRIAL])) == (1, 3)
    assert words(figure("checks").texts[0].get_text()) == (
        f"1 check fails, {warns} warn, in 3 trials"
    )
    shades = {}
    for patch in ax.patches:
        x, y = (round(v + 0.5) for v in patch.get_xy())
        sign = found[trials[y], names[x]].split(" ")[0]
        shades.setdefault(sign, set()).add(to_hex(patch.get_facecolor()))
    assert {len(colours) for colours in shades.values()} == {1}
    assert set(shades) == {signs[check["verdict"]] for check in checks}
    assert len({next(iter(c)) for c in shades.values()}) == len(shades) >= 3
    for check in checks:
        trial = f"{check[plan.PERSON]}, {check[plan.CONDITION]} ({check[plan.TRIAL]})"
        sign, *number = found.pop((trial, check["check"])).split(" ")
        assert sign == signs[check["verdict"]]
        assert bool(number) == (check["verdict"] in {"warn", "fail"})
        if number:
            assert_shows(number[0], check["value"])
            (head,) = (h for h, name in zip(heads, names, strict=True) if name == check["check"])
            assert f"limit {check['limit']:g}" in head
            assert check["unit"].split(" ")[0] in head
    assert found == {}
    for meaning, shade in shade_of.items():
        assert shades[meaning.split(" ")[0]] == {shade}


def test_curves_of_a_check_have_their_label_value_and_limit():
    number = next(t.number for t in plan.TRIALS if t.place == ("Bo", "medium"))
    raw = planted()
    curve_table = raw.result.table("check_curves")
    checks = raw.tables["checks"]
    with mpl.rc_context(style.settings()):
        made = trial_checks_figure(
            curve_table[curve_table["trial"] == number], checks[checks["trial"] == number], "T"
        )
    assert words(made.texts[0].get_text()) == "T"
    mine = [c for c in raw.rows["checks"] if c[plan.TRIAL] == number]
    bad = {c["check"] for c in mine if c["verdict"] in {"warn", "fail"}}
    left = len({c["check"] for c in mine} - bad)
    assert f"{left} other checks in the table of checks." in words(made.texts[1].get_text())
    assert [ax.get_title(loc="left").split("\n")[0] for ax in made.axes] == ["synchrony"]
    for ax in made.axes:
        name, finding = ax.get_title(loc="left").split("\n")
        (check,) = [c for c in raw.rows["checks"] if c[plan.TRIAL] == number and c["check"] == name]
        unit = {"synchrony": "ms", "force balance": "%"}[name]
        assert finding == (
            f"{check['verdict']}: {check['value']:.3g} {unit} (limit {check['limit']:g})"
        )
        assert words(ax.get_ylabel()) == f"{name} [N]"
        assert ax.get_xlabel() == "time [s]"
        mine = [
            c for c in raw.rows["check_curves"] if c[plan.TRIAL] == number and c["check"] == name
        ]
        shown = {line.get_label(): line for line in ax.lines}
        assert set(shown) == {c["curve"] for c in mine}
        for label, line in shown.items():
            points = [(c["time_s"], c["value"]) for c in mine if c["curve"] == label]
            np.testing.assert_allclose(line.get_xydata(), points)
        if ax.get_legend() is not None:
            handles = ax.get_legend().legend_handles
            for handle, text in zip(handles, ax.get_legend().get_texts(), strict=True):
                assert to_hex(handle.get_color()) == to_hex(shown[text.get_text()].get_color())


def test_seventeen_changes_fit_the_width_of_a_page_and_no_word_is_cut():
    changes = [f"moment arms of adductors {k} %" for k in range(17)]
    heads = ["pectoralis_major/sternocostal_upper", "anconeus"]
    rows = [("measured", h, c, 0.01 * len(c)) for h in heads for c in changes]
    table = pd.DataFrame(rows, columns=["lateral", "head", "change", "difference"])
    table["condition"] = "narrow"
    with mpl.rc_context(style.settings()):
        made = sensitivity_figure(table, None, heads, "measured")
    assert made.get_size_inches()[0] <= WIDEST
    assert [words(t.get_text()) for t in made.axes[0].get_xticklabels()] == changes

"""Every value that a figure of a study draws is in the tables, under its own label."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache
from itertools import combinations

import numpy as np
import pandas as pd
import pytest
from matplotlib.colors import to_hex, to_rgb
from matplotlib.container import ErrorbarContainer
from tests.drawn import (
    beside,
    head_of_figure,
    labelled,
    legend,
    line_like,
    lines_like,
    look,
    panels,
    places,
    plain,
    points,
    row_names,
    spans,
    spoken,
    ticks,
    unmarked,
    written,
)
from tests.planned import CONDITIONS, PEOPLE, TEXT, alone, renamed, solved

from momentshare.limits import lift_kinds
from momentshare.report.figures import study as figures
from momentshare.report.figures import style
from momentshare.report.figures.layout import WIDEST
from momentshare.report.figures.study import conditions as conditions_module
from momentshare.report.figures.study import heads as heads_module
from momentshare.report.figures.study import order as order_module
from momentshare.report.figures.study import write
from momentshare.report.figures.study.joint_titles import order_title
from momentshare.report.text.study_opening import verdict_table
from momentshare.report.writing.study import write_results
from momentshare.text import head_phrase

ACTIVATION, GREATEST, LOAD = "mean_activation", "greatest_load_kg", "load_kg"
SHORTEST, LONGEST = "min_fibre_length", "max_fibre_length"
PRECISION = 2e-6
"""Relative: the tables hold seven digits."""

MEASURED = TEXT.replace("frames = 7", 'frames = 7\nlateral = ["measured"]')

MODES = {"measured ratio": "measured", "zero": "zero", "free (chosen by the optimiser)": "free"}


@cache
def figure_of(name: str, text: str = TEXT):
    return getattr(figures, name)(solved(text))


def tables_of(folder):
    found = {path.stem: pd.read_csv(path) for path in folder.glob("*.csv")}
    found["frames"] = pd.read_parquet(folder / "frames.parquet")
    return found


@pytest.fixture(scope="module")
def tables(tmp_path_factory):
    folder = tmp_path_factory.mktemp("study")
    write_results(solved(), folder, figures=False)
    return tables_of(folder)


@pytest.fixture(scope="module")
def tables_measured(tmp_path_factory):
    folder = tmp_path_factory.mktemp("measured")
    write_results(solved(MEASURED), folder, figures=False)
    return tables_of(folder)


@pytest.fixture(scope="module")
def tables_alone(tmp_path_factory):
    folder = tmp_path_factory.mktemp("alone")
    write_results(solved(alone()), folder, figures=False)
    return tables_of(folder)


def mode_in(text: str) -> str:
    """Treatment of the lateral force that a title or a legend names."""
    words = text.split("lateral force: ")[1].split(";", maxsplit=1)[0]
    return MODES[words]


def own_mode(condition: str, mode: str) -> str:
    return "zero" if condition == "dumbbells" else mode


def rows_of(table: pd.DataFrame, condition: str, mode: str) -> pd.DataFrame:
    """Return the rows of a condition; dumbbells have no lateral force in any panel."""
    return table[
        (table["condition"] == condition) & (table["lateral"] == own_mode(condition, mode))
    ]


def along(table: pd.DataFrame, value: str) -> pd.DataFrame:
    """Value by height of the bar [%]: mean, least and greatest over people."""
    found = table.groupby("frame").agg(
        height=("height_fraction", "mean"),
        mean=(value, "mean"),
        least=(value, "min"),
        greatest=(value, "max"),
    )
    assert len(table) == len(PEOPLE) * len(found)
    return found.assign(height=100.0 * found["height"])


def assert_drawn(ax, handle, wanted: pd.DataFrame, scale: float = 1.0) -> None:
    """A curve with the look of the handle, and the band of its colour, hold these values."""
    drawn = points(line_like(ax, handle))
    expected = np.column_stack([wanted["height"], scale * wanted["mean"]])
    np.testing.assert_allclose(drawn, expected, rtol=PRECISION, atol=1e-6)
    (band,) = [
        part
        for part in ax.collections
        if part.get_alpha() and to_hex(part.get_facecolor()[0]) == to_hex(handle.get_color())
    ]
    corners = band.get_paths()[0].vertices
    for edge in ("least", "greatest"):
        for height, value in zip(wanted["height"], scale * wanted[edge], strict=True):
            near = np.abs(corners - (height, value)).max(axis=1).min()
            assert near < 1e-4


def lightness(colour) -> float:
    """Relative luminance of sRGB (WCAG 2.1, from memory)."""
    parts = np.array(to_rgb(colour))
    linear = np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
    return float(linear @ (0.2126, 0.7152, 0.0722))


def assert_readable(ax, texts) -> None:
    """Ink on a cell has a contrast of at least 3, what WCAG 2.1 asks of large text (memory)."""
    image = ax.images[0]
    cells = image.get_array()
    for text in texts:
        column, row = (round(v) for v in text.get_position())
        ground, ink = (
            lightness(c) + 0.05
            for c in (image.cmap(image.norm(cells[row, column])), text.get_color())
        )
        assert max(ground, ink) / min(ground, ink) >= 3.0, text.get_text()


# --------------------------------------------------------------- heads


def test_heat_map_prints_the_activation_of_the_named_head_and_condition(tables):
    figure = figure_of("activation_by_head")
    shown = panels(figure)
    assert {mode_in(title) for title in shown} == set(MODES.values())
    means = tables["heads_by_person"].groupby(["condition", "lateral", "head"])[ACTIVATION].mean()
    heads = row_names(figure, next(iter(shown.values())))
    assert set(heads) == {spoken(h) for h in solved().model.head_names}

    def heads_at(head: str) -> float:
        return heads[spoken(head)]

    for title, ax in shown.items():
        columns, cells = places(ax.xaxis), written(ax)
        assert set(columns) == set(CONDITIONS)
        colours = np.ma.filled(ax.images[0].get_array(), np.nan)
        for (condition, lateral, head), value in means.items():
            if lateral != own_mode(condition, mode_in(title)):
                continue
            at = (columns[condition], heads[spoken(head)])
            assert colours[int(at[1]), int(at[0])] == pytest.approx(100 * value, rel=1e-5)
            assert cells.pop(at, "") == (f"{100 * value:.0f}" if 100 * value >= 0.5 else "")
        assert not cells
        assert plain(ax.get_xlabel()) == "condition"
        assert beside(figure, ax, "ylabel") == "muscle head"
        assert_readable(ax, [text for text in ax.texts if text.get_text()])
        muscles = [head.split("/")[0] for head in sorted(solved().model.head_names, key=heads_at)]
        parted = {round(line.get_ydata()[0] + 0.5) for line in ax.lines}
        assert parted == {k for k in range(1, len(muscles)) if muscles[k] != muscles[k - 1]}
    (bar,) = [ax for ax in figure.axes if "[%]" in ax.get_ylabel()]
    assert plain(bar.get_ylabel()) == "activation [%]"
    assert figure.axes[0].images[0].get_clim() == (0.0, 100.0)


def test_each_panel_along_the_lift_shows_its_own_head(tables):
    figure = figure_of("activation_along_lift")
    mode, keys = mode_in(head_of_figure(figure)), legend(figure)
    assert "dumbbells: none" in head_of_figure(figure)
    assert "mean of 2 people" in head_of_figure(figure)
    assert "Band: range over people." in head_of_figure(figure)
    assert "5 % in some condition" in head_of_figure(figure)
    heads = {spoken(h): h for h in solved().model.head_names}
    shown = pd.concat([rows_of(tables["heads"], c, mode) for c in CONDITIONS])
    means = shown.groupby("head")["mean_activation_mean"].max()
    assert set(panels(figure)) == {spoken(h) for h in means.index[means > 0.05]}
    for title, ax in panels(figure).items():
        frames = tables["frames"][tables["frames"]["head"] == heads[title]]
        for condition in CONDITIONS:
            wanted = along(rows_of(frames, condition, mode), "activation")
            assert_drawn(ax, keys[condition], wanted, 100.0)
        assert beside(figure, ax, "ylabel") == "activation [%]"


def test_another_lateral_force_is_shown_and_named_when_asked_for(tables):
    figure = figures.activation_along_lift(solved(), lateral="free")
    assert mode_in(head_of_figure(figure)) == "free"
    frames = tables["frames"]
    (head, *_) = panels(figure)
    part = frames[frames["head"].map(spoken) == head]
    wanted = along(rows_of(part, "wide", "free"), "activation")
    assert_drawn(panels(figure)[head], legend(figure)["wide"], wanted, 100.0)


def test_dots_of_the_lateral_range_are_the_activations_of_the_named_treatment(tables):
    figure = figure_of("lateral_range")
    keys = {mode_in(label): handle for label, handle in legend(figure).items()}
    means = tables["heads_by_person"].groupby(["condition", "lateral", "head"])[ACTIVATION].mean()
    limits, kinds = solved().model.limits, lift_kinds(solved().study.file.condition)
    marked = 0
    first = figure.axes[0].get_yticklabels()
    said = dict(unmarked(plain(tick.get_text())) for tick in first)
    for condition, ax in panels(figure).items():
        names = row_names(figure, ax)
        heads = [h for h in solved().model.head_names if spoken(h) in names]
        modes = ["zero"] if condition == "dumbbells" else list(keys)
        hatched = {round(p.get_y() + 0.5) for p in ax.patches if p.get_hatch()}
        for head in heads:
            own = limits.at("activation", head=head, kinds=(kinds[condition],))
            assert (round(names[spoken(head)]) in hatched) == bool(own)
            assert {row.key for row in own} <= set(said[spoken(head)].split())
            marked += bool(own)
        seen = {}
        for mode in modes:
            drawn = {at: x for x, at in points(line_like(ax, keys[mode]))}
            for head in heads:
                x = drawn[names[spoken(head)]]
                assert x == pytest.approx(100 * means[condition, mode, head], rel=1e-5, abs=1e-4)
                seen.setdefault(head, []).append(x)
        assert len(ax.lines) == len(modes)
        strokes = spans(ax, style.FAINT)
        for head, values in seen.items():
            assert strokes[names[spoken(head)]] == (min(values), max(values))
        assert plain(ax.get_xlabel()) == "activation [%]"
    assert marked


def test_panels_that_compare_conditions_name_the_limits_of_their_order():
    figure = figure_of("condition_dots")
    limits, kinds = solved().model.limits, lift_kinds(solved().study.file.condition)
    shown = dict(unmarked(plain(ax.get_title(loc="left"))) for ax in figure.axes)
    heads = [h for h in solved().model.head_names if spoken(h) in shown]
    marked = set()
    for head in heads:
        pairs = combinations(CONDITIONS, 2)
        orders = {
            row.key
            for a, b in pairs
            for row in limits.at("activation", head=head, kinds=(kinds[a], kinds[b]), claim="order")
        }
        assert orders <= set(shown[spoken(head)].split())
        marked |= orders
    assert marked
    assert all(f"({key})" in head_of_figure(figure) for key in marked)


def test_bars_of_fibre_length_run_from_shortest_to_longest(tables):
    figure = figure_of("fibre_length")
    keys, table = legend(figure), tables["heads_by_person"]
    bar = keys["shortest to longest along the lift"].get_facecolor()
    people = keys["range over people"].get_color()
    for condition, ax in panels(figure).items():
        names = row_names(figure, ax)
        mean, whole = spans(ax, bar), spans(ax, people)
        for head in solved().model.head_names:
            part = rows_of(table[table["head"] == head], condition, "zero")
            at = names[spoken(head)]
            assert mean[at] == pytest.approx(
                (part[SHORTEST].mean(), part[LONGEST].mean()), rel=1e-5
            )
            assert whole[at] == pytest.approx((part[SHORTEST].min(), part[LONGEST].max()), rel=1e-5)
        (optimal,) = [line for line in ax.lines if set(line.get_xdata()) == {1.0}]
        assert optimal.get_visible()
        assert plain(ax.get_xlabel()) == "fibre length [1]"


# --------------------------------------------------------------- orderings


def dots_of_an_ordering(figure, tables):
    """Check the rows of an ordering; whether any of its dots are full, and any open."""
    mode = mode_in(head_of_figure(figure))
    assert "Right of zero the condition named first activates the head more" in plain(
        head_of_figure(figure)
    )
    wide = tables["heads_by_person"].pivot_table(
        index=["head", "person"], columns=["condition", "lateral"], values=ACTIVATION
    )
    firm = {
        (row.head, frozenset((row.condition, row.other)))
        for row in tables["verdicts"].itertuples()
        if row.verdict == "firm"
    }
    heads = {spoken(h): h for h in solved().model.head_names}
    filled = set()
    for title, ax in panels(figure).items():
        names = row_names(figure, ax)
        assert len(names) == len(CONDITIONS) - 1
        for words, place in names.items():
            one, other = plain(words).split(" \N{MINUS SIGN} ")
            assert one == CONDITIONS[0]
            mine = wide.loc[heads[title]]
            gap = 100 * (mine[one, own_mode(one, mode)] - mine[other, own_mode(other, mode)])
            lines = [line for line in ax.lines if set(line.get_ydata()) == {place}]
            (dot,) = [line for line in lines if line.get_marker() == "o"]
            (bar,) = [line for line in lines if line.get_marker() != "o"]
            np.testing.assert_allclose(dot.get_xdata(), [gap.mean()], rtol=PRECISION, atol=1e-5)
            ends = [gap.min(), gap.max()]
            np.testing.assert_allclose(bar.get_xdata(), ends, rtol=PRECISION, atol=1e-5)
            full = to_hex(dot.get_markerfacecolor()) == style.INK
            assert full == ((heads[title], frozenset((one, other))) in firm)
            filled.add(full)
    return filled


def test_rows_of_an_ordering_are_differences_and_full_dots_are_firm(tables, tables_measured):
    seen = dots_of_an_ordering(figure_of("ordering"), tables)
    assert seen | dots_of_an_ordering(figure_of("ordering", MEASURED), tables_measured) == {
        True,
        False,
    }


def test_a_title_states_what_the_verdicts_say(tables):
    verdicts = tables["verdicts"]
    firm = verdicts[verdicts["verdict"] == "firm"]
    title = plain(figure_of("condition_dots").texts[0].get_text())
    head, one, other, points_ = re.fullmatch(
        r"Firm: (.*) works more in '(.*)' than in '(.*)', by (\d+) points", title
    ).groups()
    row = firm.loc[firm["active_volume_cm3"].idxmax()]
    assert (head, one, other) == (head_phrase(row["head"]), row["condition"], row["other"])
    assert int(points_) == round(100 * row["difference"])
    title = plain(figure_of("ordering").texts[0].get_text())
    assert title == f"{len(firm)} of {len(verdicts)} orders of two conditions are firm"
    title = plain(figure_of("lateral_range").texts[0].get_text())
    turning = verdicts[verdicts["verdict"] == "turns"]
    count = turning["turns_with"].str.contains("lateral force").sum()
    verb = "turns" if count == 1 else "turn"
    assert count
    assert (
        title
        == f"{count} of {len(verdicts)} orders of two conditions {verb} with the lateral force"
    )


def test_captions_name_only_what_the_study_has_tried():
    """A caption said 'under every treatment' where one treatment of one person was solved."""
    for text, people, treatments in (
        (TEXT, len(PEOPLE), 3),
        (MEASURED, len(PEOPLE), 1),
        (alone(), 1, len(solved(alone()).study.file.settings.lateral)),
    ):
        said = [head_of_figure(figure_of(name, text)) for name in ("ordering", "lateral_range")]
        everyone = "for both people" if people == 2 else f"for all {people} people"
        assert (everyone in said[0]) == (people > 1)
        assert (f"under all {treatments} treatments" in said[0]) == (treatments > 1)
        assert ("joins the treatments" in said[1]) == (treatments > 1)
        assert "every treatment" not in said[0]
        assert ("all treatments together" in said[1]) == (
            treatments > 1 and solved(text).band is not None
        )


@pytest.mark.parametrize("name", ["condition_dots", "ordering", "lateral_range"])
def test_a_title_is_neutral_where_nothing_is_firm(name, monkeypatch):
    def open_(study):
        return verdict_table(study).assign(verdict="open")

    for module in (conditions_module, order_module, heads_module):
        monkeypatch.setattr(module, "verdict_table", open_)
    title = plain(getattr(figures, name)(solved()).texts[0].get_text())
    assert not re.search(r"[Ff]irm|turn|\d+ of", title)
    assert "mean of 2 people" in title


# --------------------------------------------------------------- factors


def with_factors():
    """The study with the grip as a factor; nothing is solved again."""
    study = solved()
    levels = {"narrow": {"grip": "close"}, "wide": {"grip": "far"}, "dumbbells": {}}
    file = study.study.file
    told = [c.model_copy(update={"factor": levels[c.name]}) for c in file.condition]
    return replace(
        study, study=replace(study.study, file=file.model_copy(update={"condition": told}))
    )


def test_a_factor_names_lines_and_rows(tables):
    figure = figures.activation_along_lift(with_factors())
    keys = legend(figure)
    assert set(keys) == {"grip: close", "grip: far", "dumbbells"}
    rows = tables["frames"]
    heads = {spoken(h): h for h in solved().model.head_names}
    mode = mode_in(head_of_figure(figure))
    for title, ax in panels(figure).items():
        for name, condition in (("grip: close", "narrow"), ("grip: far", "wide")):
            mine = rows_of(rows[rows["head"] == heads[title]], condition, mode)
            assert_drawn(ax, keys[name], along(mine, "activation"), 100.0)
    ordering = figures.ordering(with_factors())
    words = {plain(w) for w in row_names(ordering, next(iter(panels(ordering).values())))}
    assert words == {"grip: close \N{MINUS SIGN} far", "narrow \N{MINUS SIGN} dumbbells"}


# --------------------------------------------------------------- moments, forces, loads


def test_moments_stand_beside_their_row_under_their_condition(tables):
    figure = figure_of("moments_along_lift")
    keys = {mode_in(label): handle for label, handle in legend(figure).items()}
    table, seen = tables["moments"], set()
    for ax in figure.axes:
        condition, label = beside(figure, ax, "title"), beside(figure, ax, "ylabel")
        row, unit = label.rsplit(" ", 1)
        assert unit == "[N·m]"
        part = table[table["row"].map(labelled) == row]
        modes = ["zero"] if condition == "dumbbells" else list(keys)
        for mode in modes:
            wanted = along(rows_of(part, condition, mode), "moment_nm")
            assert_drawn(ax, keys[mode], wanted)
            seen.add((condition, row, mode))
        assert len([line for line in ax.lines if len(line.get_xdata()) == 7]) == len(modes)
    assert len(seen) == 4 * (3 + 3 + 1)


def widest_everywhere(values):
    """The widest order of two conditions that holds in each person and treatment.

    Quantity → condition → one row per person, one column per treatment, the first is shown.
    """
    found = []
    for quantity, own in values.items():
        for one, two in combinations(own, 2):
            gaps = own[one] - own[two]
            if (gaps > 0.0).all() or (gaps < 0.0).all():
                high, low = (one, two) if gaps[0, 0] > 0.0 else (two, one)
                found.append((abs(gaps[:, 0].mean()), quantity, high, low, abs(gaps.mean(axis=0))))
    return max(found, key=lambda one: one[:4])


def told(name, unit):
    pattern = rf"(.*) is larger in '(.*)' than in '(.*)', by ([\d. to]+) {unit}, (for both .*)"
    return re.fullmatch(pattern, plain(figure_of(name).texts[0].get_text())).groups()


def test_titles_of_moments_state_an_order_that_holds_for_everyone(tables):
    """As recomputed from moments.csv, over the rows that a press loads most."""
    table = tables["moments"]
    modes = solved().study.file.settings.lateral

    def peaks(row, condition, value):
        part = table[(table["row"] == row) & (table["condition"] == condition)]
        top = part.groupby(["person", "lateral"], sort=False)[value].max()
        people = dict.fromkeys(part["person"])
        return np.array([[top.get((p, m), top[p, "zero"]) for m in modes] for p in people])

    for name, value, words, unit, factor in (
        ("moments_along_lift", "moment_nm", "Peak shoulder horizontal adduction", "N·m", 1.0),
        ("gravity_arms", "gravity_arm_m",
         "The greatest moment arm of a weight for horizontal adduction", "cm", 100.0),
    ):  # fmt: skip
        rows = {words: "shoulder_horizontal_adduction"}
        rows[words.replace("shoulder horizontal adduction", "elbow extension").replace(
            "horizontal adduction", "elbow extension")] = "elbow_extension"  # fmt: skip
        values = {
            said: {c: factor * peaks(row, c, value) for c in CONDITIONS}
            for said, row in rows.items()
        }
        _, quantity, high, low, sizes = widest_everywhere(values)
        said = told(name, unit)
        assert said[:3] == (quantity, high, low)
        # The mean over people, from the treatment where it is least to that where it is greatest.
        digits = 0 if unit == "N·m" else 1
        assert said[3].split(" to ") == list(
            dict.fromkeys(f"{size:.{digits}f}" for size in (sizes.min(), sizes.max()))
        )
        everyone = "for both people"
        assert said[4] == everyone + (
            " and under every treatment of the lateral force" if unit == "N·m" else ""
        )


def test_a_condition_without_a_number_has_no_part_in_a_title():
    known, none = np.array([[3.0], [4.0]]), np.full((2, 1), np.nan)
    own = {"a": known, "b": known + 2.0, "c": none, "d": known[:1]}
    assert order_title({"peak": own}, "N·m") == "Peak is larger in 'b' than in 'a', by 2 N·m"
    assert order_title({"peak": {"a": known, "c": none}}, "N·m") == ""
    turned = {"a": known, "b": known[::-1]}
    assert order_title({"peak": turned}, "N·m") == ""  # not for everyone
    base = np.zeros((1, 3))
    ranged = {"a": base, "b": np.array([[19.4, 6.7, 22.5]])}
    said = order_title({"peak": ranged}, "N·m")
    assert said == "Peak is larger in 'b' than in 'a', by 7 to 22 N·m"
    nearly = {"a": base, "b": np.array([[19.4, 0.1, 22.5]])}
    assert order_title({"peak": nearly}, "N·m") == ""  # under one treatment it prints as nothing


def test_the_title_of_the_lateral_force_states_the_free_ratio(tables):
    table = tables["conditions"]
    free = table[table["lateral"] == "free"]
    means = free.groupby("condition", sort=False)["mean_lateral_ratio"].mean()
    said = plain(figure_of("lateral_force").texts[0].get_text())
    assert said == (  # and no size, which the limb does not support (L2)
        f"The free lateral ratio is larger in '{means.idxmax()}' than in '{means.idxmin()}', for "
        "both people"
    )


def test_gravity_arms_are_those_of_the_named_row_in_centimetres(tables):
    figure = figure_of("gravity_arms")
    keys, table = legend(figure), tables["moments"]
    assert len(panels(figure)) == 4
    for title, ax in panels(figure).items():
        part = table[table["row"].map(labelled) == title]
        for condition in CONDITIONS:
            wanted = along(rows_of(part, condition, "zero"), "gravity_arm_m")
            assert_drawn(ax, keys[condition], wanted, 100.0)
        assert beside(figure, ax, "ylabel") == "moment arm [cm]"


def test_lateral_force_is_that_of_the_named_treatment_and_beside_the_measured(tables):
    figure = figure_of("lateral_force")
    keys, table = legend(figure), tables["moments"]
    left, right = figure.axes
    mode = mode_in(plain(left.get_title(loc="left")))
    assert mode == "free"
    columns = places(right.xaxis)
    bars = {
        to_hex(box.lines[0].get_color()): box
        for box in right.containers
        if isinstance(box, ErrorbarContainer)
    }
    dashes = {line.get_xdata()[0]: line for line in right.lines if line.get_marker() == "_"}
    given = {c.name: c.lateral_ratio for c in solved().study.file.condition}
    one_row = table[table["row"] == table["row"].iloc[0]]
    for condition in CONDITIONS[:2]:
        wanted = along(rows_of(one_row, condition, mode), "lateral_ratio")
        assert_drawn(left, keys[condition], wanted)
        box = bars[to_hex(keys[condition].get_color())]
        (at,), (middle,) = box.lines[0].get_data()
        assert at == columns[condition]
        assert middle == pytest.approx(wanted["mean"].mean(), rel=1e-5)
        (((_, low), (_, high)),) = box.lines[2][0].get_segments()
        assert (low, high) == pytest.approx((wanted["mean"].min(), wanted["mean"].max()), rel=1e-5)
    for condition in CONDITIONS[:2]:
        assert dashes[columns[condition]].get_ydata()[0] == given[condition]
    assert "dumbbells" not in {*columns, *keys}  # they have no lateral force
    assert len(bars) == 2
    assert plain(left.get_ylabel()) == "lateral / vertical force [1]"
    assert keys["measured ratio"].get_marker() == "_"


def test_greatest_load_of_several_people_is_over_the_load_of_the_study(tables):
    figure = figure_of("greatest_load")
    keys, table = legend(figure), tables["loads"]
    table = table.assign(over=table[GREATEST] / table[LOAD])
    for title, ax in panels(figure).items():
        for condition in CONDITIONS:
            wanted = along(rows_of(table, condition, mode_in(title)), "over")
            assert_drawn(ax, keys[condition], wanted)
        assert plain(figure.axes[0].get_ylabel()) == "greatest load [study load = 1]"


def test_greatest_load_of_one_person_is_the_table_in_kilograms(tables_alone):
    figure = figure_of("greatest_load", alone())
    keys, table = legend(figure), tables_alone["loads"]
    assert plain(figure.axes[0].get_ylabel()) == "greatest load, both hands [kg]"
    assert "1 person" in head_of_figure(figure)
    assert "Band" not in head_of_figure(figure)
    for title, ax in panels(figure).items():
        for condition in CONDITIONS:
            part = rows_of(table, condition, mode_in(title))
            drawn = points(line_like(ax, keys[condition]))
            np.testing.assert_allclose(drawn[:, 1], part[GREATEST], rtol=PRECISION)
            rings = [
                line
                for line in ax.lines
                if len(line.get_xdata()) == 1
                and to_hex(line.get_color()) == to_hex(keys[condition].get_color())
            ]
            (ring,) = rings
            weakest = part.loc[part[GREATEST].idxmin()]
            assert points(ring)[0] == pytest.approx(
                (100 * weakest["height_fraction"], weakest[GREATEST]), rel=1e-5, abs=1e-9
            )
            assert ring.get_marker() == keys["weakest height"].get_marker()


@pytest.mark.parametrize(
    "name", ["activation_along_lift", "moments_along_lift", "gravity_arms", "lateral_force"]
)
def test_no_curve_leaves_its_panel(name):
    for ax in figure_of(name).axes:
        low, high = ax.get_ylim()
        for line in ax.lines:
            values = points(line)[:, 1]
            assert (values >= low).all()
            assert (values <= high).all()


def test_loads_are_cut_only_where_the_note_says_so(tables):
    figure = figure_of("greatest_load")
    over = tables["loads"].assign(over=lambda t: t[GREATEST] / t[LOAD])
    means = over.groupby(["condition", "lateral", "frame"])["over"].mean()
    for ax in figure.axes:
        low, high = ax.get_ylim()
        assert low == 0.0
        assert high >= means.groupby(["condition", "lateral"]).min().max()
    cut = means.max() > figure.axes[0].get_ylim()[1]
    assert ("Lines are cut off at the top" in head_of_figure(figure)) == cut


# --------------------------------------------------------------- names


def test_letters_stand_for_the_conditions_that_the_note_names(tables):
    names = {c: f"a press with the hands {c} on the bar of the rack" for c in CONDITIONS}
    study = renamed(solved(), names)
    means = tables["heads_by_person"].groupby(["condition", "lateral", "head"])[ACTIVATION].mean()
    for make in (figures.activation_by_head, figures.lateral_force):
        figure = make(study)
        note = head_of_figure(figure) + "; " + "; ".join(legend(figure) if figure.legends else ())
        there = CONDITIONS[:2] if make is figures.lateral_force else CONDITIONS
        key = {c: note.split(f" = {names[c]}")[0][-1] for c in there}
        assert sorted(key.values()) == ["A", "B", "C"][: len(there)]
        if make is figures.activation_by_head:
            ax = next(ax for title, ax in panels(figure).items() if "zero" in title)
            heads = row_names(figure, ax)
            for condition, letter in key.items():
                at = places(ax.xaxis)[letter]
                for head in solved().model.head_names:
                    value = 100 * means[condition, "zero", head]
                    if value >= 0.5:
                        assert written(ax)[at, heads[spoken(head)]] == f"{value:.0f}"
        if make is figures.lateral_force:
            ax = figure.axes[-1]
            for line in ax.lines:
                if line.get_marker() == "_":
                    name = ticks(ax.xaxis)[float(line.get_xdata()[0])]
                    (condition,) = [c for c, letter in key.items() if letter == name]
                    ratios = {c.name: c.lateral_ratio for c in study.study.file.condition}
                    assert line.get_ydata()[0] == ratios[names[condition]]


def test_a_condition_that_some_cannot_do_says_how_many_can():
    whole = solved()
    cases = tuple(c for c in whole.cases if (c.person, c.condition) != ("Bram", "wide"))
    keys = legend(figures.activation_along_lift(replace(whole, cases=cases)))
    assert set(keys) == {"narrow", "wide (1 of 2 people)", "dumbbells"}


def test_the_legend_tells_conditions_apart_and_each_has_one_curve():
    figure = figure_of("activation_along_lift")
    keys = legend(figure)
    assert len({look(handle) for handle in keys.values()}) == len(CONDITIONS)
    for ax in panels(figure).values():
        assert all(len(lines_like(ax, handle)) == 1 for handle in keys.values())


def test_each_figure_is_written_under_its_own_name():
    assert set(write.FIGURES) == set(figures.__all__) - {"drawn_note", "study_drawings"}
    for name, make in write.FIGURES.items():
        assert make is getattr(figures, name)


def test_files_hold_the_tables_that_their_names_promise(tables):
    heads = solved().model.head_names
    assert set(tables["heads"]["head"]) == set(heads)
    people = tables["heads_by_person"]
    means = people.groupby(["condition", "lateral", "head"])[["mean_force_n", ACTIVATION]].mean()
    table = tables["heads"].set_index(["condition", "lateral", "head"])
    np.testing.assert_allclose(
        table["mean_force_n_mean"], means["mean_force_n"].loc[table.index], rtol=1e-5
    )
    np.testing.assert_allclose(
        table["mean_activation_mean"], means[ACTIVATION].loc[table.index], rtol=1e-5, atol=1e-9
    )
    ordering = tables["ordering"]
    for line in ordering.itertuples():
        up, down = (
            means.loc[(c, own_mode(c, line.lateral), line.head)]
            for c in (line.condition, line.other)
        )
        assert up[ACTIVATION] - down[ACTIVATION] == pytest.approx(line.difference, abs=1e-6)
        assert line.difference >= 0.0
    ratios = tables["ratios"]
    for line in ratios[ratios["condition"] != ratios["other"]].itertuples():
        parts = [
            rows_of(people[people["head"] == line.head], c, line.lateral).set_index("person")
            for c in (line.condition, line.other)
        ]
        if (parts[1][ACTIVATION] > 1e-3).all():
            wanted = (parts[0][ACTIVATION] / parts[1][ACTIVATION]).mean()
            assert line.activation_ratio == pytest.approx(wanted, rel=1e-4)


def seven():
    """Seven conditions, the three of the study under further names; nothing is solved again."""
    study = solved()
    file, copies = study.study.file, [f"{k}" for k in range(3)]
    told = [c.model_copy(update={"name": f"{c.name} {k}"}) for k in copies for c in file.condition]
    cases = [replace(c, condition=f"{c.condition} {k}") for k in copies for c in study.cases]
    told = told[:7]
    names = {c.name for c in told}
    return replace(
        study,
        study=replace(study.study, file=file.model_copy(update={"condition": told})),
        cases=tuple(c for c in cases if c.condition in names),
        band=None,
    )


@pytest.mark.parametrize("name", sorted(write.FIGURES))
def test_seven_conditions_fit_a_page_and_no_panel_has_more_than_four_lines(name):
    figure = write.FIGURES[name](seven())
    assert figure.get_size_inches()[0] <= WIDEST + 0.05
    for ax in figure.axes:
        long = [line for line in ax.lines if len(np.unique(line.get_xdata())) > 2]
        assert len(long) <= 4


def test_of_very_many_conditions_the_first_are_drawn_and_every_figure_says_so(monkeypatch):
    """Of 120 conditions one figure was 175,570 pixels wide, and a study took 1.3 GB."""
    study = solved()
    names = [c.name for c in study.study.file.condition]
    assert write.drawn_note(study) == study.study.file.note
    monkeypatch.setattr(write, "MOST_DRAWN", 2)
    drawings, shown = write.study_drawings(study)
    assert shown == names[:2]
    assert {"ordering", "lateral_force"} <= set(drawings)
    for name in write.FIGURES.keys() & drawings.keys():
        (part,) = drawings[name].args
        assert {case.condition for case in part.cases} <= set(names[:2])
    assert write.drawn_note(study).endswith(f"The first 2 of {len(names)} conditions.")

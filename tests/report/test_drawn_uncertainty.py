"""Intervals, orderings and rankings as drawn and printed, against draws whose truth is known."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass, replace
from itertools import combinations
from types import SimpleNamespace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from matplotlib.colors import to_hex
from matplotlib.figure import Figure
from scipy.stats import norm, ttest_1samp
from tests.drawn import (
    head_of_figure,
    legend,
    look,
    panels,
    places,
    plain,
    printed,
    printed_tables,
    row_names,
    spoken,
    written,
)
from tests.planned import CONDITIONS, PEOPLE, TEXT
from tests.report.page_reader import PageReader, assert_shows

from momentshare.cli.uncertainty import _print
from momentshare.model import load_model
from momentshare.report.figures import style
from momentshare.report.figures import uncertainty as report
from momentshare.report.figures.sensitivity import sensitivity_figure
from momentshare.report.page.document import render
from momentshare.report.page.uncertainty import uncertainty_page
from momentshare.report.text.null_orders import AGREE_WORDS, null_text
from momentshare.report.text.opening import MOVES, TURNS
from momentshare.report.text.uncertainty_opening import judged_pairs, uncertainty_opening
from momentshare.report.text.verdicts import FIRM_ORDER
from momentshare.report.writing.uncertainty import write_summary
from momentshare.study import parse_study
from momentshare.text import head_phrase
from momentshare.uncertainty import FAMILIES, UncertaintyPlan
from momentshare.uncertainty.chunks import MEASURES
from momentshare.uncertainty.sensitivity import Sensitivity, rank_families
from momentshare.uncertainty.summary import EVERYONE, summarise

if TYPE_CHECKING:
    from pathlib import Path

DRAWS, CHUNK = 40, 10
CELLS = [
    (condition, mode, criterion)
    for condition in CONDITIONS
    for mode in (("zero",) if condition == "dumbbells" else ("measured", "zero", "free"))
    for criterion in ("p3", "p2")
]
HEADS = load_model().head_names
PLAN = UncertaintyPlan(
    study=parse_study(TEXT), draws=DRAWS, trajectories=4, sobol=0, criteria=("p3", "p2")
)
WORKS = {0: 0.5, 1: 0.42, 4: 0.4, 7: 0.65, 8: 0.6, 10: 0.3}
"""Heads that work, and how much; the others rest."""


def activations() -> np.ndarray:
    """Activation of each draw, person, cell and head, skewed and correlated in no simple way."""
    rng = np.random.default_rng(7)
    level = np.array([WORKS.get(k, 0.01) for k in range(len(HEADS))])
    shape = (DRAWS, len(PEOPLE), len(CELLS), len(HEADS))
    spread = np.exp(0.25 * rng.standard_normal(shape))
    tilt = 1.0 + 0.1 * rng.standard_normal((1, 1, len(CELLS), len(HEADS)))
    values = level * spread * tilt
    values[:, :, :, 10] = np.where(rng.random(shape[:3]) < 0.5, 0.3, 0.31)  # ties
    return values


def write(
    folder: Path,
    activation: np.ndarray,
    people=PEOPLE,
    cells=CELLS,
    lost=frozenset(),
    short=frozenset(),
) -> list[Path]:
    """Chunk files of activations (draws, people, cells, heads); the others are four times them."""
    files = []
    for begin in range(0, len(activation), CHUNK):
        keys = [
            (draw, person, *cell)
            for draw in range(begin, min(begin + CHUNK, len(activation)))
            for person in people
            for cell in cells
        ]
        names = ("draw", "person", "condition", "lateral", "criterion")
        table = {n: [key[k] for key in keys] for k, n in enumerate(names)}
        failed = [key[:3] in lost for key in keys]
        table["status"] = ["failed" if f else "ok" for f in failed]
        table["reason"] = ["arm too short" if f else "" for f in failed]
        for name in ("frames_out_of_reach", "frames_uncertified"):
            table[name] = pa.array([0] * len(keys), pa.int32())
        table["frames_with_shortfall"] = pa.array(
            [2 if key[:3] in short else 0 for key in keys], pa.int32()
        )
        block = activation[begin : begin + CHUNK].reshape(len(keys), -1)
        block = np.where(np.array(failed)[:, None], np.nan, block)
        for measure in MEASURES:
            factor = 1.0 if measure == "mean_activation" else 4.0
            for k, head in enumerate(HEADS):
                table[f"{measure}:{head}"] = pa.array(factor * block[:, k])
        path = folder / f"draws-{begin:06d}.parquet"
        pq.write_table(pa.table(table), path)
        files.append(path)
    return files


# --------------------------------------------------------------- which inputs matter

FIRST, SECOND, THIRD = "posture", "muscle_volume", "hand_force"
SLOPES = {FIRST: 0.30, SECOND: -0.12, THIRD: 0.04}
BOTH = 0.4
TAIL = 0.02


@dataclass
class Inputs:
    """One input a family, in an order that is not that of their weight."""

    families: tuple[str, ...] = (SECOND, THIRD, FIRST)

    @property
    def variables(self):
        return [SimpleNamespace(name=f"one {name}", family=name) for name in self.families]

    def members(self, family: str) -> np.ndarray:
        return np.array([self.families.index(family)])

    def __len__(self) -> int:
        return len(self.families)


def answer(normals: np.ndarray, both: float) -> np.ndarray:
    """Activation of one head: straight in each input's probability, with a product of two."""
    chance = norm.cdf(normals)
    column = {name: chance[:, k] - 0.5 for k, name in enumerate(Inputs().families)}
    straight = sum(SLOPES[name] * column[name] for name in SLOPES)
    return 0.5 + straight + both * column[FIRST] * column[SECOND]


def ranked(folder: Path, plan: UncertaintyPlan, both: float = 0.0) -> Sensitivity:
    cells = [(c, "zero" if c == "dumbbells" else "measured", "p3") for c in CONDITIONS]

    def solve(stage: str, normals: np.ndarray) -> list[Path]:
        place = folder / stage
        place.mkdir(exist_ok=True)
        value = answer(normals, both)
        activation = np.zeros((len(normals), 1, len(cells), len(HEADS)))
        for cell, factor in enumerate((1.0, 0.5, 0.8)):
            activation[:, 0, cell, 7] = factor * value
            activation[:, 0, cell, 0] = 0.5 * factor * value
        return write(place, activation, people=PEOPLE[:1], cells=cells)

    return rank_families(plan, Inputs(), solve)


@pytest.fixture(scope="module")
def ranking(tmp_path_factory):
    return ranked(tmp_path_factory.mktemp("ranking"), PLAN)


def test_effect_of_a_straight_input_is_its_slope_over_the_range(ranking):
    """The elementary effect of a linear input is its slope, in closed form."""
    screening = ranking.screening.set_index(["measure", "condition", "head", "family"])
    for condition, factor in zip(CONDITIONS, (1.0, 0.5, 0.8), strict=True):
        for k, share in ((7, 1.0), (0, 0.5)):
            for name, slope in SLOPES.items():
                line = screening.loc[("mean_activation", condition, HEADS[k], name)]
                wanted = abs(factor * share * slope * (1.0 - 2.0 * TAIL))
                assert line["mu_star"] == pytest.approx(wanted, rel=1e-9)
                assert line["sigma"] == pytest.approx(0.0, abs=1e-9)
                if condition != CONDITIONS[0]:
                    line = screening.loc[("difference_from_first", condition, HEADS[k], name)]
                    wanted = abs((factor - 1.0) * share * slope * (1.0 - 2.0 * TAIL))
                    assert line["mu_star"] == pytest.approx(wanted, rel=1e-9)
    assert list(ranking.overall["family"]) == [FIRST, SECOND, THIRD]
    shares = [abs(SLOPES[n] / SLOPES[FIRST]) for n in (FIRST, SECOND, THIRD)]
    assert list(ranking.overall["relative_mu_star"]) == pytest.approx(shares)
    assert set(ranking.screening["head"]) == {HEADS[7], HEADS[0]}
    assert ranking.failed == 0


def test_first_order_and_total_shares_are_those_of_the_known_variance(tmp_path):
    """Variances of a bilinear function of uniform inputs, in closed form."""
    plan = replace(PLAN, sobol=512, few=2)
    table = ranked(tmp_path, plan, BOTH).indices
    assert set(table["family"]) == {FIRST, SECOND}
    unit = (1.0 - 2.0 * TAIL) ** 2 / 12.0
    single = {name: SLOPES[name] ** 2 * unit for name in (FIRST, SECOND)}
    joint = BOTH**2 * unit**2
    whole = sum(single.values()) + joint
    for line in table[table["measure"] == "mean_activation"].itertuples():
        # Sampling error of 512 base points; first order and total differ by more than it.
        assert line.first_order == pytest.approx(single[line.family] / whole, abs=0.03)
        assert line.total == pytest.approx((single[line.family] + joint) / whole, abs=0.03)
    assert joint / whole > 0.06


# --------------------------------------------------------------- summary


@pytest.fixture(scope="module")
def summary(tmp_path_factory, ranking):
    files = write(tmp_path_factory.mktemp("chunks"), activations())
    return summarise(PLAN, load_model(), files, ranking)


@pytest.fixture(scope="module")
def tables(summary, tmp_path_factory):
    folder = tmp_path_factory.mktemp("summary")
    written = write_summary(summary, folder, figures=False)
    assert {*written, "manifest.json"} == {path.name for path in folder.glob("[!.]*")}
    found = {path.stem: pd.read_csv(path) for path in folder.glob("*.csv")}
    found["summary"] = json.loads((folder / "summary.json").read_text("utf-8"))
    return found


def values_of(condition: str, mode: str, criterion: str, head: str) -> np.ndarray:
    """Return the mean over people in every draw."""
    cell = CELLS.index((condition, "zero" if condition == "dumbbells" else mode, criterion))
    return activations()[:, :, cell, HEADS.index(head)].mean(axis=1)


BOUNDS = {"low": 0.05, "q25": 0.25, "median": 0.5, "q75": 0.75, "high": 0.95}


def test_bounds_of_an_interval_are_the_quantiles_that_name_them(tables):
    table = tables["intervals"]
    own = activations()
    for person in (EVERYONE, *PEOPLE):
        part = table[(table["person"] == person) & (table["head"] == HEADS[7])]
        assert len(part) == len(CELLS) * len(MEASURES)
        for line in part.to_dict(orient="records"):
            cell = CELLS.index((line["condition"], line["lateral"], line["criterion"]))
            drawn = own[:, :, cell, 7]
            drawn = drawn.mean(axis=1) if person == EVERYONE else drawn[:, PEOPLE.index(person)]
            drawn = drawn * (1.0 if line["measure"] == "mean_activation" else 4.0)
            for name, chance in BOUNDS.items():
                assert line[name] == pytest.approx(np.quantile(drawn, chance), rel=1e-5)
            assert line["mean"] == pytest.approx(drawn.mean(), rel=1e-5)
            assert line["sd"] == pytest.approx(drawn.std(ddof=1), rel=1e-5)
            assert line["draws"] == DRAWS


def chance(first: np.ndarray, second: np.ndarray) -> float:
    level = np.abs(first - second) <= 1e-6
    return float(np.mean(np.where(level, 0.5, first > second)))


def test_probability_is_that_of_the_first_being_greater(tables):
    for line in tables["condition_order"].itertuples():
        pair = [
            values_of(c, line.lateral, line.criterion, line.head)
            for c in (line.condition, line.other)
        ]
        assert line.probability == pytest.approx(chance(*pair), abs=1e-6)
        assert line.ties == pytest.approx(np.mean(np.abs(pair[0] - pair[1]) <= 1e-6), abs=1e-6)
        assert line.mean_difference == pytest.approx(np.mean(pair[0] - pair[1]), abs=1e-6)
        p = line.probability
        assert line.standard_error == pytest.approx(np.sqrt(p * (1 - p) / DRAWS), abs=1e-6)
    order = tables["head_order"]
    assert len(order) == len(CELLS) * len(list(combinations(HEADS, 2)))
    for line in order[order["head"].eq(HEADS[0]) & order["criterion"].eq("p2")].itertuples():
        cell = (line.condition, line.lateral, line.criterion)
        wanted = chance(values_of(*cell, line.head), values_of(*cell, line.other))
        assert line.probability == pytest.approx(wanted, abs=1e-6)
    record = tables["summary"]
    assert {row["person"] for row in record["mean_activation"]} == {EVERYONE}
    first = record["mean_activation"][0]
    part = tables["intervals"].query("measure == 'mean_activation' and person == @EVERYONE")
    line = part[(part["head"] == first["head"]) & (part["condition"] == first["condition"])]
    assert first["low"] == pytest.approx(line["low"].iloc[0], rel=1e-5)
    assert [row["family"] for row in record["ranking"]] == [FIRST, SECOND, THIRD]


def titled(figure, *wanted: str) -> None:
    text = head_of_figure(figure)
    for words in (*wanted, f"{DRAWS} draws", "mean over people", "lateral force measured",
                  "exponent of the effort 3"):  # fmt: skip
        assert words in text


def plainly(line) -> tuple[object, ...]:
    """Colour, width and marker; a dot may keep the line style that it does not show."""
    colour, _, marker = look(line)
    return colour, marker, None if marker else line.get_linewidth()


def test_interval_bars_span_what_the_legend_says(summary, tables):
    figure = report.intervals_figure(summary)
    titled(figure, "How sure each activation is")
    keys, table = legend(figure), tables["intervals"]
    shown = panels(figure)
    assert set(shown) == {spoken(HEADS[k]) for k in WORKS}
    for title, ax in shown.items():
        names = row_names(figure, ax)
        assert set(names) == set(CONDITIONS)
        for condition, place in names.items():
            mode = "zero" if condition == "dumbbells" else "measured"
            (line,) = table[
                (table["head"].map(spoken) == title)
                & (table["condition"] == condition)
                & (table["lateral"] == mode)
                & (table["criterion"] == "p3")
                & (table["person"] == EVERYONE)
                & (table["measure"] == "mean_activation")
            ].to_dict(orient="records")
            for label, bounds in (
                ("5 to 95 % of draws", ("low", "high")),
                ("25 to 75 %", ("q25", "q75")),
                ("mean of the draws", ("mean",)),
            ):
                (stroke,) = [
                    drawn
                    for drawn in ax.lines
                    if plainly(drawn) == plainly(keys[label]) and drawn.get_ydata()[0] == place
                ]
                wanted = [100 * line[name] for name in bounds]
                assert list(stroke.get_xdata()) == pytest.approx(wanted, rel=1e-5)
    lowest = {plain(ax.get_xlabel()) for ax in figure.axes} - {""}
    assert lowest == {"activation, lift mean [%]"}


def test_a_limit_on_how_a_head_changes_marks_its_panel(summary):
    _, _, (first, *others) = report.shown_activation(summary)
    order = summary.condition_order
    planted = order.assign(limit=np.where(order["head"] == first, "L3", ""))
    plainer = summary.intervals.assign(limit="")
    figure = report.intervals_figure(replace(summary, condition_order=planted, intervals=plainer))
    marks = {plain(ax.get_title(loc="left")) for ax in figure.axes if ax.get_visible()}
    assert {title for title in marks if title.endswith("L3")} == {f"{spoken(first)} L3"}
    assert len(marks) == 1 + len(others)
    assert "(L3)" in head_of_figure(figure)


def test_the_first_picture_has_four_heads_those_with_a_firm_order_first(summary, monkeypatch):
    assert (len(WORKS) > 4) == bool(report.leading_heads(summary))
    monkeypatch.setattr(report, "_LEADING", 2)
    _, _, heads = report.shown_activation(summary)
    assert len(heads) > 2
    last, first = heads[-1], heads[0]
    pairs = judged_pairs(summary)
    planted = pairs.assign(
        verdict=np.where(pairs["head"] == last, FIRM_ORDER, "open"), active_volume_cm3=1.0,
        activation=0.1,
    )  # fmt: skip
    monkeypatch.setattr(report, "judged_pairs", lambda _: planted)
    assert report.leading_heads(summary) == [last, first]
    figure = report.leading_figure(summary)
    assert list(panels(figure)) == [spoken(last), spoken(first)]
    assert f"2 of {len(heads)} heads that work: first those with a firm" in head_of_figure(figure)
    monkeypatch.setattr(report, "judged_pairs", lambda _: planted.assign(verdict="open"))
    assert report.leading_heads(summary) == heads[:2]
    monkeypatch.setattr(report, "judged_pairs", lambda _: planted.assign(activation=0.099))
    assert report.leading_heads(summary) == heads[:2]  # a head that hardly works does not lead


@pytest.mark.parametrize("lost", [0, 5])
def test_the_difference_in_a_title_is_that_of_the_dots_or_the_note_says_over_what(
    summary, monkeypatch, lost
):
    """One statistic: a title gave means beside dots that were medians, 19 for 27 points."""
    _, _, (head, *_) = report.shown_activation(summary)
    pairs = judged_pairs(summary)
    row = pairs[pairs["head"] == head].iloc[0]
    mine = (pairs["head"] == head) & (pairs["other"] == row["other"])
    mine &= pairs["condition"] == row["condition"]
    planted = pairs.assign(verdict=np.where(mine, FIRM_ORDER, "open"))
    monkeypatch.setattr(report, "judged_pairs", lambda _: planted)
    table = summary.intervals
    names = [row["condition"], row["other"]]
    both = int(summary.condition_order["draws"].max())
    own = table["condition"].isin(names) & (table["measure"] == "mean_activation")
    full = table.assign(draws=np.where(own, both + lost, table["draws"]))
    figure = report.intervals_figure(replace(summary, intervals=full))
    said = head_of_figure(figure)
    start = f"works more in '{names[0]}' than in '{names[1]}', by "
    told = float(re.search(re.escape(start) + r"([\d.]+) points? on average", said)[1])
    ax = panels(figure)[spoken(head)]
    rows = row_names(figure, ax)
    dot = plainly(legend(figure)["mean of the draws"])
    at = {line.get_ydata()[0]: line.get_xdata()[0] for line in ax.lines if plainly(line) == dot}
    drawn = at[rows[names[0]]] - at[rows[names[1]]]
    over = f"is the mean over the {both:,} draws that gave both conditions"
    if lost:
        assert over in said
    else:
        assert told == pytest.approx(drawn, abs=0.5)
        assert "The difference in the title is that of two dots" in said


def chances(head: str, one: str, other: str) -> dict[tuple[str, str], float]:
    """Treatment and criterion → share of draws in which one condition is above the other [%]."""
    return {
        (mode, criterion): 100
        * chance(*(values_of(c, mode, criterion, head) for c in (one, other)))
        for mode in ("measured", "zero", "free")
        for criterion in ("p3", "p2")
    }


def is_full(dot) -> bool:
    return to_hex(dot.get_markerfacecolor()) == style.INK


def test_dots_of_the_order_are_probabilities_and_bars_span_treatments_and_criteria(summary, tables):
    figure = report.condition_order_figure(summary)
    titled(figure, "Probability that the condition named first activates the head more")
    firm = {
        (line.head, frozenset((line.condition, line.other)))
        for line in tables["verdicts"].itertuples()
        if line.verdict == "firm"
    }
    seen = set()
    for title, ax in panels(figure).items():
        (head,) = [h for h in HEADS if spoken(h) == title]
        names = row_names(figure, ax)
        pairs = {frozenset(words.split(" above ")) for words in names}
        assert pairs == set(map(frozenset, combinations(CONDITIONS, 2)))
        for words, place in names.items():
            one, other = words.split(" above ")
            assert CONDITIONS.index(one) < CONDITIONS.index(other)  # as in the table
            values = chances(head, one, other)
            mine = [line for line in ax.lines if set(line.get_ydata()) == {place}]
            (dot,) = [line for line in mine if line.get_marker() == "o"]
            (bar,) = [line for line in mine if line.get_marker() != "o"]
            assert dot.get_xdata()[0] == pytest.approx(values["measured", "p3"])
            ends = [min(values.values()), max(values.values())]
            assert list(bar.get_xdata()) == pytest.approx(ends)
            assert is_full(dot) == ((head, frozenset((one, other))) in firm)
            seen.add(is_full(dot))
        edges = [line.get_xdata()[0] for line in ax.lines if len(set(line.get_ydata())) > 1]
        assert sorted(edges) == pytest.approx([5.0, 50.0, 95.0])
    assert len(panels(figure)) == len(WORKS)
    sure = summary.condition_order.assign(probability=1.0, limit="")
    for ax in panels(
        report.condition_order_figure(replace(summary, condition_order=sure))
    ).values():
        assert all(is_full(line) for line in ax.lines if line.get_marker() == "o")
    assert seen == {False}


RANGE = "range over treatments of the lateral force and criteria"


def test_the_key_of_the_orders_holds_what_is_drawn(summary):
    order = summary.condition_order
    kept = order[(order["lateral"] == "free") & (order["criterion"] == "p3")]
    some = kept.assign(
        probability=kept["probability"].where(kept["head"] != HEADS[7], 1.0), limit=""
    )
    for table, wanted in (
        (order, {"not firm", RANGE}),
        (order[order["lateral"] == "free"], {"not firm", "range over criteria"}),
        (kept.assign(limit="L3"), {"not firm"}),
        (kept.assign(probability=1.0, limit=""), {"firm"}),
        (some, {"firm", "not firm"}),
        (order.assign(probability=1.0, limit=""), {"firm"}),
    ):
        figure = report.condition_order_figure(replace(summary, condition_order=table))
        assert set(legend(figure)) == wanted


def test_orders_that_are_not_drawn_are_said(summary, monkeypatch):
    def said():
        return plain(head_of_figure(report.condition_order_figure(summary)))

    assert "condition_order.csv" not in said()
    monkeypatch.setattr(report, "_EACH", 2)
    assert "Not every two conditions are drawn against each other; all orders are in" in said()
    monkeypatch.setattr(report, "_MOST", 4)
    assert f"4 of {len(WORKS)} heads that work are drawn: those with a firm order" in said()


def test_heads_with_a_firm_order_are_drawn_though_others_work_harder(summary, monkeypatch):
    monkeypatch.setattr(report, "_MOST", 3)
    hardest = sorted(WORKS, key=WORKS.get)
    least = HEADS[hardest[0]]
    order = summary.condition_order
    sure = order.assign(probability=order["probability"].where(order["head"] != least, 1.0))
    for table, drawn in ((order, False), (sure.assign(limit=""), True)):
        figure = report.condition_order_figure(replace(summary, condition_order=table))
        assert (spoken(least) in panels(figure)) == drawn
        assert spoken(HEADS[hardest[-1]]) in panels(figure)
        assert len(panels(figure)) == 3


def test_titles_of_drawn_orders_state_the_verdicts(summary):
    order = summary.condition_order
    sure = order.assign(
        probability=order["probability"].where(order["head"] != HEADS[7], 1.0), limit=""
    )
    some = replace(summary, condition_order=sure)
    verdicts = judged_pairs(some)
    firm = verdicts[verdicts["verdict"] == "firm"]
    assert 0 < len(firm) < len(verdicts)
    title = plain(report.condition_order_figure(some).texts[0].get_text())
    assert title == f"{len(firm)} of {len(verdicts)} orders of two conditions are firm"
    title = plain(report.intervals_figure(some).texts[0].get_text())
    row = firm.loc[firm["active_volume_cm3"].idxmax()]
    assert title == (
        f"Firm: {head_phrase(row['head'])} works more in '{row['condition']}' than in "
        f"'{row['other']}', by {100 * row['difference']:.0f} points on average"
    )
    order = summary.condition_order.assign(probability=0.5)
    unsure = replace(summary, condition_order=order)
    for make in (report.intervals_figure, report.condition_order_figure):
        assert plain(make(unsure).texts[0].get_text()).startswith("How sure ")


def test_the_order_of_heads_goes_down_by_the_medians_of_the_condition_in_the_title(summary):
    figure = report.head_order_figure(summary)
    titled(figure, f"How sure the order of the heads is in '{CONDITIONS[0]}'")
    (ax,) = figure.axes
    names = places(ax.yaxis)
    heads = {spoken(h): h for h in HEADS}

    def values(name: str):
        return values_of(CONDITIONS[0], "measured", "p3", heads[name])

    rows = [plain(name).split(" above ") for name in sorted(names, key=names.get)]
    ranked = [rows[0][0], *(second for _, second in rows)]
    assert [first for first, _ in rows] == ranked[:-1]
    assert set(ranked) == {spoken(HEADS[k]) for k in WORKS}
    medians = [np.median(values(name)) for name in ranked]
    assert medians == sorted(medians, reverse=True)
    dots = {line.get_ydata()[0]: line for line in ax.lines if line.get_marker() == "o"}
    for place, (one, other) in enumerate(rows):
        value = 100 * chance(values(one), values(other))
        assert dots[place].get_xdata()[0] == pytest.approx(value)
        assert is_full(dots[place]) == (value >= 95.0)


def test_bars_of_the_inputs_are_their_effects(summary, tables):
    figure = report.tornado_figure(summary)
    text = head_of_figure(figure)
    assert text.startswith(f"How far each group of inputs moves activation, in '{CONDITIONS[0]}' ")
    assert "(2 to 98 % of draws), at 4 random places among the other inputs" in text
    assert "whisker: 95 % interval of that mean" in text
    table = tables["screening"]
    table = table[(table["measure"] == "mean_activation") & (table["condition"] == CONDITIONS[0])]
    words = {label: family for family, label in FAMILIES.items()}
    assert set(panels(figure)) == {spoken(HEADS[7]), spoken(HEADS[0])}
    for title, ax in panels(figure).items():
        names = places(figure.axes[0].yaxis)
        assert [words[n] for n in sorted(names, key=names.get)] == [FIRST, SECOND, THIRD]
        part = table[table["head"].map(spoken) == title].set_index("family")
        bars = {bar.get_y() + bar.get_height() / 2: bar for bar in ax.patches}
        (whiskers,) = [box for box in ax.containers if hasattr(box, "lines")]
        strokes = {s[0][1]: s for s in whiskers.lines[2][0].get_segments()}
        for label, place in names.items():
            line = part.loc[words[label]]
            size, spread = 100 * line["mu_star"], 100 * line["mu_star_confidence"]
            (bar,) = [b for at, b in bars.items() if abs(at - place) < 1e-9]
            assert bar.get_width() == pytest.approx(size, rel=1e-5)
            ends = strokes[place][:, 0]
            assert list(ends) == pytest.approx([size - min(spread, size), size + min(spread, size)])
        assert "[% points]" in ax.get_xlabel()


def test_failures_count_draws_and_lift_by_lift(tmp_path, ranking):
    lost = {(3, "Edda", "wide"), (4, "Edda", "wide"), (9, "Bram", "narrow")}
    short = {(1, "Bram", "wide"), (2, "Bram", "wide"), (5, "Edda", "dumbbells")}
    files = write(tmp_path, activations(), lost=lost, short=short)
    found = summarise(PLAN, load_model(), files, replace(ranking, failed=3))
    counts = found.failures.set_index(["person", "condition"])
    assert counts.loc[("Edda", "wide"), ["draws", "failed"]].tolist() == [DRAWS, 2]
    assert counts.loc[("Bram", "wide"), "with_shortfall"] == 2
    assert counts["with_shortfall"].sum() == 3
    text = printed(lambda console: _print(console, found))
    assert f"Not solved Edda, wide: 2 of {DRAWS} draws (2 x arm too short)" in text
    assert f"Not solved Bram, narrow: 1 of {DRAWS} draws (1 x arm too short)" in text
    assert text.count("Not solved") == 3
    assert "Not solved 3 draws of the ranking; their values were taken from the mean" in text
    lifts = DRAWS * len(PEOPLE) * len(CONDITIONS)
    assert f"in 3 of {lifts} drawn lifts a moment falls short under some treatment" in text
    order = found.condition_order
    # Draws in which somebody falls short in either condition do not count as met.
    bad = {"narrow": {9}, "wide": {1, 2, 3, 4}, "dumbbells": {5}}
    for row in order.itertuples():
        assert row.draws_met == DRAWS - len(bad[row.condition] | bad[row.other])
    order = order[(order["condition"] == "narrow") & (order["other"] == "wide")]
    assert set(order["draws"]) == {DRAWS - 3}


def test_firm_orders_whose_course_is_not_supported_are_counted_and_the_limit_is_listed(summary):
    """Course and order are two claims: the lift means stay firm, the course is named beside."""
    (limit,) = [row for row in summary.model.limits.rows if row.claim == "course"]
    pairs = judged_pairs(summary)
    firm = pairs[pairs["verdict"] == FIRM_ORDER]
    of_course = [h for h in pairs["head"] if {h, h.split("/")[0]} & set(limit.heads)]
    assert of_course
    # The same pairs, with a firm order of a head that the limit names.
    planted = pairs.assign(
        verdict=pairs["verdict"].where(~pairs["head"].isin(of_course), FIRM_ORDER)
    )
    for table in (pairs, planted):
        mine = table[table["verdict"] == FIRM_ORDER]
        count = sum(head in of_course for head in mine["head"])
        said = uncertainty_opening(summary, table).firm
        told = (
            " The course of activation is not supported in the last third of the bar height in "
            f"{count} of them ({limit.key})."
        )
        assert (told in said) == (count > 0)
        assert ("The course" in said) == (count > 0)
    assert len(planted[planted["verdict"] == FIRM_ORDER]) > len(firm)
    section = next(s for s in uncertainty_page(summary, {}).sections if s.title == "Limits")
    listed, rest = repr(section).split("What else", 1)
    assert f"{limit.key}:" in listed
    assert f"{limit.key}:" not in rest


def test_null_limbs_are_told_in_the_terminal_the_page_and_the_table(summary, tmp_path):
    pairs = judged_pairs(summary)
    agree = np.linspace(0.0, 1.0, len(pairs))
    found = replace(summary, null=pd.DataFrame({"null_agree": agree, "null_limbs": 11}))
    firm = judged_pairs(found)[pairs["verdict"] == FIRM_ORDER]
    said = plain(null_text(firm, found.model))
    assert (said != "") == (len(firm) > 0)
    assert said in plain(printed(lambda console: _print(console, found)))
    page = PageReader(render(uncertainty_page(found, {})))
    assert said in plain(page.text("In short"))
    shown = [
        share
        for table in page.tables
        if AGREE_WORDS in table.headers
        for share in table.column(AGREE_WORDS)
    ]
    assert set(shown) <= {f"{100 * share:.0f} %" for share in agree}
    assert len(shown) >= len(firm)
    write_summary(found, tmp_path, figures=False)
    stored = pd.read_csv(tmp_path / "verdicts.csv")
    assert stored["null_agree"].to_numpy() == pytest.approx(agree, rel=1e-6)
    assert "null_agree" not in pairs


def test_printed_shares_of_sure_and_open_orderings_are_counted_from_the_table(summary, tables):
    text = printed(lambda console: _print(console, summary))
    shown = printed_tables(text)
    (title,) = [t for t in shown if t.startswith("Orders of two conditions")]
    order, judged = tables["condition_order"], pairs_by_hand(tables)
    said = uncertainty_opening(summary, judged_pairs(summary)).firm
    assert f" of {len(judged)} orders " in said
    assert " supported by the limb and hold" in said
    seen = set()
    for cells in shown[title]:
        mode, criterion = cells["lateral force"], cells["criterion"]
        part = order[(order["lateral"] == mode) & (order["criterion"] == criterion)]
        names = ("orders", "sure (95 % and more)", "sure, beyond the limb", "open")
        counts = dict.fromkeys((*names, "open, beyond the limb"), 0)
        for line in part.itertuples():
            key = next(
                k
                for k in [
                    (line.head, line.condition, line.other),
                    (line.head, line.other, line.condition),
                    None,
                ]
                if k in judged or k is None
            )
            if key is None:
                continue
            sure = line.probability >= 0.95 or line.probability <= 0.05
            counts["orders"] += 1
            counts["sure (95 % and more)" if sure else "open"] += 1
            if judged[key][3]:
                counts[f"{'sure' if sure else 'open'}, beyond the limb"] += 1
        assert {name: int(cells[name]) for name in counts} == counts
        assert counts["orders"] == len(judged)
        seen.add((mode, criterion))
    assert len(seen) == 6
    assert "Firm are those that are sure in every line" in text
    rows = shown["Inputs that matter most"]
    assert [cells["input"] for cells in rows] == [FAMILIES[n] for n in (FIRST, SECOND, THIRD)]
    for cells, value in zip(rows, tables["ranking"]["relative_mu_star"], strict=True):
        assert cells["mean part of the greatest effect [%]"] == f"{100 * value:.0f}"


@pytest.mark.parametrize("known", [True, False])
def test_each_figure_is_written_under_its_own_name(summary, monkeypatch, tmp_path, known):
    names = {"intervals", "head_order", "condition_order", "tornado"}
    names |= {"leading_heads"} if len(WORKS) > 4 else set()
    for name in names:

        def draw(_, name=name):
            figure = Figure()
            figure.text(0.5, 0.5, "x", gid=f"drawn-{name}")
            return figure

        monkeypatch.setitem(report.DRAWN, name, draw)
    order = summary.condition_order
    order = order if known else order.assign(probability=np.nan)
    written_names = write_summary(replace(summary, condition_order=order), tmp_path / "u")
    kept = {path.name: path.read_bytes() for path in (tmp_path / "u").glob("[!.]*")}
    assert sorted([*written_names, "manifest.json"]) == sorted(kept)
    wanted = names if known else names - {"condition_order"}
    assert {n for n in kept if n.endswith(".svg")} == {f"{name}.svg" for name in wanted}
    assert {n for n in kept if n.endswith(".png")} == {f"{name}.png" for name in wanted}
    for name in wanted:
        assert f"drawn-{name}".encode() in kept[f"{name}.svg"]


@pytest.mark.parametrize(("certain", "sure"), [(0.95, True), (0.05, True), (0.94, False)])
def test_an_ordering_that_holds_in_95_of_100_draws_is_sure(summary, certain, sure):
    order = summary.condition_order.assign(probability=certain, limit="L3")
    found = replace(summary, condition_order=order)
    text = printed(lambda console: _print(console, found))
    rows = next(v for k, v in printed_tables(text).items() if k.startswith("Orders"))
    total = str(len(judged_pairs(found)))
    for cells in rows:
        assert cells["orders"] == total
        assert cells["sure (95 % and more)"] == cells["sure, beyond the limb"]
        assert cells["sure (95 % and more)"] == (total if sure else "0")
        assert cells["open"] == ("0" if sure else total)
        assert cells["open, beyond the limb"] == cells["open"]


@pytest.mark.parametrize(("draws", "few"), [(1, True), (8, True), (19, True), (20, False)])
def test_few_draws_are_said_to_be_sure_only_where_all_agree(summary, draws, few):
    found = replace(summary, plan=replace(PLAN, draws=draws))
    said = uncertainty_opening(found, judged_pairs(found)).unsaid
    word = "1 draw" if draws == 1 else f"{draws} draws"
    told = f"ith {word} 95 % can only mean {draws} of {draws}, which chance gives too; take 20 or"
    assert (told in said) == few
    assert ("can only mean" in said) == few


# --------------------------------------------------------------- what the report opens with


def pairs_by_hand(tables):
    """(head, pair) → least and greatest probability of the order, its difference, its limits."""
    order, medians = tables["condition_order"], tables["intervals"]
    medians = medians[
        (medians["measure"] == "mean_activation")
        & (medians["person"] == EVERYONE)
        & (medians["criterion"] == "p3")
    ]
    found = {}
    for head in HEADS:
        for one, two in combinations(CONDITIONS, 2):
            both = []
            for name in (one, two):
                mode = "zero" if name == "dumbbells" else "measured"
                own = medians[(medians["head"] == head) & (medians["condition"] == name)]
                both.append(own.loc[own["lateral"] == mode, "median"].item())
            if max(both) < 0.05:
                continue
            rows = order[
                (order["head"] == head)
                & order["condition"].isin((one, two))
                & order["other"].isin((one, two))
            ]
            chance = rows["probability"].where(rows["condition"] == one, 1.0 - rows["probability"])
            shown = chance[(rows["criterion"] == "p3") & (rows["lateral"] == "measured")].item()
            chance = chance if shown >= 0.5 else 1.0 - chance
            gap = rows["mean_difference"].where(rows["condition"] == one, -rows["mean_difference"])
            gap = gap[(rows["criterion"] == "p3") & (rows["lateral"] == "measured")].item()
            size = gap if shown >= 0.5 else -gap
            limits = set(" ".join(rows["limit"].fillna("")).split())
            found[head, one, two] = (chance.min(), chance.max(), size, limits)
    return found


def test_the_report_opens_with_what_the_draws_leave_standing(summary, tables):
    said = uncertainty_opening(summary, judged_pairs(summary))
    pairs = pairs_by_hand(tables)
    free = {key: value for key, value in pairs.items() if not value[3]}
    firm = {key: value for key, value in free.items() if value[0] >= 0.95}
    turning = [v for k, v in free.items() if k not in firm and (v[1] >= 0.95 or v[0] <= 0.05)]
    unsure = len(free) - len(firm) - len(turning)
    assert said.firm.startswith(f"{len(firm)} of {len(pairs)} orders of two conditions")
    assert f"in at least 95 % of the {DRAWS} draws, " in said.firm
    solved = tables["condition_order"]
    assert all(mode in said.firm for mode in set(solved["lateral"]))
    assert f"by each of {solved['criterion'].nunique()} criteria" in said.firm
    one = solved[(solved["lateral"] == "free") & (solved["criterion"] == solved["criterion"][0])]
    alone = uncertainty_opening(replace(summary, condition_order=one), judged_pairs(summary))
    assert " draws, lateral force free" in alone.firm
    assert "criteria" not in alone.firm
    if firm:
        head, *_ = key = max(firm, key=lambda k: firm[k][2])
        assert f"in {head_phrase(head)} " in said.firm
        assert f"by {100 * firm[key][2]:.0f} points" in said.firm
    assert (f"{len(turning)} order" in said.turns) == bool(turning)
    assert f"{unsure} order" in said.unsaid
    assert f"{len(pairs) - len(free)} order" in said.unsaid or len(pairs) == len(free)


def test_the_inputs_that_matter_most_are_named_with_their_share(summary, tables):
    said = uncertainty_opening(summary, judged_pairs(summary)).turns
    lines = list(tables["ranking"].head(3).itertuples())
    names = [FAMILIES[line.family] for line in lines]
    shares = [f"{100 * line.relative_mu_star:.0f}" for line in lines]
    assert (
        f"ctivations depend most on {names[0]}, {names[1]} and {names[2]}: {shares[0]}, "
        f"{shares[1]} and {shares[2]} % of the effect of the strongest input, on average" in said
    )


def test_a_ranking_alone_is_not_called_what_turns(summary):
    """Under one treatment and criterion nothing can turn, so what moves activations is told."""
    order = summary.condition_order
    one = order[(order["lateral"] == "measured") & (order["criterion"] == order["criterion"][0])]
    said = uncertainty_opening(replace(summary, condition_order=one), judged_pairs(summary))
    assert said.labelled()[1][0] == MOVES
    assert said.turns.startswith("Activations depend most on ")
    assert uncertainty_opening(summary, judged_pairs(summary)).labelled()[1][0] == TURNS


def test_firm_orders_say_how_they_read_without_draws_that_fall_short(summary):
    order = summary.condition_order.assign(limit="", probability=0.99)
    pair = (order["condition"] == "narrow") & (order["other"] == "wide")
    assert "too weak" not in uncertainty_opening(summary, judged_pairs(summary)).firm
    some = order.assign(
        draws_met=np.where(pair, 30, 25),
        probability_met=np.where(order["head"] == HEADS[0], 0.9, 1),
    )
    found = replace(summary, condition_order=some)
    pairs = judged_pairs(found)
    said = uncertainty_opening(found, pairs).firm
    assert f"In {DRAWS - 30} to {DRAWS - 25} of {DRAWS} draws, by pair of conditions," in said
    weaker = (pairs["head"] == HEADS[0]).sum()
    assert 0 < weaker < len(pairs)
    assert f"without these draws {len(pairs) - weaker} of {len(pairs)} stay firm." in said
    few = replace(summary, condition_order=some.assign(draws_met=np.where(pair, 30, 19)))
    left = (judged_pairs(few)["draws_met"] < 20).sum()
    said = uncertainty_opening(few, judged_pairs(few)).firm
    assert f"for {left} fewer than 20 draws are left" in said
    none = replace(summary, condition_order=some.assign(draws_met=3))
    said = uncertainty_opening(none, judged_pairs(none)).firm
    assert "too few are left to call an order firm" in said


@pytest.mark.parametrize("chance", [0.99, 0.5])
def test_orders_become_firm_or_open_with_their_probability(summary, chance):
    order = summary.condition_order.assign(probability=chance, limit="")
    pairs = judged_pairs(replace(summary, condition_order=order))
    assert set(pairs["verdict"]) == {"firm" if chance > 0.95 else "open"}
    assert len(pairs)


def test_a_lost_lift_is_counted_where_nothing_can_be_said(summary):
    failures = summary.failures.assign(failed=2, with_shortfall=3)
    found = replace(summary, failures=failures)
    said = uncertainty_opening(found, judged_pairs(found)).unsaid
    total = f"{failures['draws'].sum():,} drawn lifts"
    assert f"{2 * len(failures)} of {total} could not be solved" in said
    assert f"n {3 * len(failures)} of {total} a moment falls short under some treat" in said


def test_the_page_of_the_draws_holds_the_statements_and_the_tables(summary, tables, tmp_path):
    write_summary(summary, tmp_path / "u")
    page = PageReader((tmp_path / "u" / "report.html").read_text("utf-8"))
    said = uncertainty_opening(summary, judged_pairs(summary))
    for _, statement in said.labelled():
        assert " ".join(statement.split()) in page.text("In short")
    assert page.pictures[0][0].startswith("Figure 1 How sure each activation is")
    rows = page.table("quantiles of the draws").records()
    part = tables["intervals"]
    part = part[(part["measure"] == "mean_activation") & (part["person"] == EVERYONE)]
    part = part[(part["criterion"] == "p3") & (part["lateral"] != "free")]
    for row in rows:
        mine = part[part["condition"] == row["condition"]]
        mode = "zero" if row["condition"] == "dumbbells" else "measured"
        mine = mine[(mine["lateral"] == mode) & (mine["head"].map(spoken) == row["head"])]
        for name, header in (
            ("mean", "mean"), ("low", "5 %"), ("median", "median"), ("high", "95 %"),
        ):  # fmt: skip
            assert row[header] == f"{100 * mine[name].item():.1f}"
    assert rows


# --------------------------------------------------------------- changes of a cohort


def test_a_change_is_drawn_with_its_sign_in_its_row_and_column():
    heads = ["m/upper", "m/lower"]
    changes = ["tuck +5 deg", "tuck -5 deg", "smaller areas"]
    rng = np.random.default_rng(3)
    rows = [
        {"head": h, "change": c, "lateral": mode, "condition": condition,
         "difference": float(0.1 * rng.standard_normal())}
        for h in heads for c in changes for mode in ("measured", "free")
        for condition in CONDITIONS
    ]  # fmt: skip
    table = pd.DataFrame(rows)
    orders = pd.DataFrame(
        {
            "head": ["m/upper", "m/lower", "m/upper"],
            "change": ["tuck -5 deg", "tuck +5 deg", "smaller areas"],
            "lateral": ["free", "free", "measured"],
            "order_holds": [False, True, False],
        }
    )
    figure = sensitivity_figure(table, orders, heads, "free")
    ax = figure.axes[0]
    names = {label.replace("\N{MINUS SIGN}", "-"): at for label, at in places(ax.xaxis).items()}
    rows_at = places(ax.yaxis)
    colours = ax.collections[0].get_array()
    means = table[table["lateral"] == "free"].groupby(["head", "change"])["difference"].mean()
    texts = {(round(x), y): text for (x, y), text in written(ax).items()}
    for (head, change), value in means.items():
        at = (names[change], rows_at[spoken(head)])
        assert float(texts[at].replace("\N{MINUS SIGN}", "-")) == pytest.approx(
            100 * value, abs=0.051
        )
        assert colours[int(at[1]), int(at[0])] == pytest.approx(100 * value)
    (ring,) = ax.lines
    (x,), (y,) = ring.get_data()
    assert (round(x), y) == (names["tuck -5 deg"], rows_at["m, upper"])
    low, high = ax.collections[0].get_clim()
    assert -low == high == pytest.approx(100 * means.abs().max())
    assert "Lateral force free." in plain(" ".join(t.get_text() for t in figure.texts))


def test_draws_that_orders_do_without_are_counted(summary):
    order = summary.condition_order
    assert "orders rest on" not in uncertainty_opening(summary, judged_pairs(summary)).unsaid
    lost = replace(summary, condition_order=order.assign(draws=order["draws"] - 1))
    pairs, used = judged_pairs(lost), summary.plan.draws - 1
    assert f"% of the {used} draws" in uncertainty_opening(lost, pairs).firm
    said = uncertainty_opening(lost, pairs).unsaid.lower()
    assert f"orders rest on {used} of {summary.plan.draws} draws, those that could be" in said
    some = order.assign(draws=np.where(np.arange(len(order)) == 0, used, order["draws"]))
    few = replace(summary, condition_order=some)
    assert f" {used} to {summary.plan.draws} draws" in uncertainty_opening(few, pairs).firm


# --------------------------------------------------------------- measured lifts

CROWD = ("Edda", "Bram", "Cleo", "Dirk")


def crowd(seed=11):
    """Activations of four people who differ in level, in draws that shift all of them."""
    rng = np.random.default_rng(seed)
    people = 0.1 * rng.standard_normal((1, len(CROWD), len(CELLS), 1))
    shift = 0.05 * rng.standard_normal((DRAWS, 1, len(CELLS), 1))
    return 0.5 + people + shift + np.zeros((1, 1, 1, len(HEADS)))


@pytest.fixture(scope="module")
def of_crowd(tmp_path_factory):
    from momentshare.study import plan_study

    plan = replace(PLAN, measured=plan_study(PLAN.study).setup, inputs="of four")
    files = write(tmp_path_factory.mktemp("crowd"), crowd(), CROWD)
    return summarise(plan, load_model(), files, None)


def test_people_and_model_have_each_their_own_interval(of_crowd, tmp_path):
    values = crowd()
    write_summary(of_crowd, tmp_path, figures=False)
    table = pd.read_csv(tmp_path / "people_and_model.csv", keep_default_na=False)
    one, other = (CELLS.index((name, "measured", "p2")) for name in CONDITIONS[:2])
    first, second = values[:, :, one, 0], values[:, :, other, 0]
    wanted = {"": first, CONDITIONS[1]: first - second}
    for against, part in wanted.items():
        (line,) = table[
            (table["head"] == HEADS[0]) & (table["condition"] == CONDITIONS[0])
            & (table["other"] == against) & (table["lateral"] == "measured")
            & (table["criterion"] == "p2")
        ].itertuples()  # fmt: skip
        low, high = ttest_1samp(part.mean(axis=0), 0.0).confidence_interval(0.95)
        assert line.mean == pytest.approx(part.mean(), abs=1e-6)
        assert (line.people_low, line.people_high) == pytest.approx((low, high), abs=1e-6)
        ends = np.quantile(part.mean(axis=1), [0.025, 0.975])
        assert (line.model_low, line.model_high) == pytest.approx(ends, abs=1e-6)
        assert (line.n_people, line.draws) == (len(CROWD), DRAWS)
    shown = PageReader((tmp_path / "report.html").read_text("utf-8"))
    found = shown.table("Differences of lift-mean activation [% points] between two conditions")
    assert found.section == "People and model"
    criterion, mode = report.main_treatment(of_crowd)
    mine = table[(table["criterion"] == criterion) & (table["lateral"] == mode)]
    wanted = {(spoken(r.head), r.condition, r.other): r for r in mine.itertuples()}
    assert len(found.records()) > 2
    for cells in found.records():
        line = wanted[cells["head"], cells["condition"], cells["other"]]
        assert_shows(cells["mean"], 100.0 * line.mean)
        assert_shows(cells["model, low"], 100.0 * line.model_low)
        assert CONDITIONS.index(line.condition) < CONDITIONS.index(line.other)
    assert {"people, low", "people, high", "model, low", "model, high"} <= set(found.headers)


def test_a_measured_force_rules_out_zero_and_free(tmp_path):
    """Narrow is above wide as measured in every draw, and below it with a free force."""
    from momentshare.study import plan_study

    values = np.full((DRAWS, len(PEOPLE), len(CELLS), len(HEADS)), 0.4)
    first, second = CONDITIONS[:2]
    for k, (condition, mode, _) in enumerate(CELLS):
        if condition == first:
            values[:, :, k] += 0.1 if mode == "measured" else -0.1
    values += 0.001 * np.random.default_rng(3).standard_normal(values.shape)
    files = write(tmp_path, values)
    verdicts = {}
    for name, measured in (("planned", None), ("measured", plan_study(PLAN.study).setup)):
        plan = replace(PLAN, measured=measured, inputs=name)
        found = summarise(plan, load_model(), files, None)
        pairs = judged_pairs(found)
        mine = pairs[(pairs["condition"] == first) & (pairs["other"] == second)]
        verdicts[name] = set(mine["verdict"]) - {"beyond the limb"}
        assert "lateral force measured" in uncertainty_opening(found, pairs).firm or not measured
    assert verdicts == {"planned": {"turns"}, "measured": {"firm"}}

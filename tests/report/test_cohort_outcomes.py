"""Outcomes on the page of a cohort: every cell is found in the tables it was made from."""

from types import SimpleNamespace

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
from scipy import stats
from tests.drawn import legend, panels, plain

from momentshare.cohort.outcomes import OUTCOMES
from momentshare.cohort.outcomes.beside import emg_by_condition
from momentshare.cohort.outcomes.over_people import outcome_tables
from momentshare.cohort.schema import StatisticsEntry
from momentshare.directions import row_named
from momentshare.report.figures import style
from momentshare.report.figures.differences import difference_figures
from momentshare.report.figures.outcomes import outcome_figures
from momentshare.report.page.cells import table_view
from momentshare.report.page.cohort_captions import captioned
from momentshare.report.page.cohort_outcomes import every_outcome, outcomes_section
from momentshare.report.page.document import Paragraph, Picture, Table
from momentshare.study.factors import Factors
from momentshare.text import head_label

pytest.importorskip("statsmodels")

CONDITIONS = ("narrow", "wide")
SVG = '<svg xmlns="http://www.w3.org/2000/svg"/>'
VALUES = {"bar_work": ("", 60.0), "peak_moment": ("elbow_extension", 40.0),
          "peak_activation": ("deltoid/clavicular", 0.5),
          "fibre_shortening": ("deltoid/clavicular", 0.2)}  # fmt: skip


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
    summary = SimpleNamespace(tables=tables, mode="measured", confidence=0.95, factors=Factors())
    pictures = dict.fromkeys(outcome_figures(summary) | difference_figures(summary), SVG)
    made = outcomes_section(result, summary, pictures), every_outcome(result, summary, pictures)
    return own, summary, SimpleNamespace(blocks=[b for part in made for b in part.blocks])


def table(found, words):
    (one,) = [b for b in found.blocks if isinstance(b, Table) and words in b.caption]
    return one.frame


def test_cells_are_means_of_the_people_in_the_treatment_shown():
    own, _, found = section()
    shown = table(found, "by condition")
    assert set(shown["outcome"]) == {OUTCOMES[n].label for n in ("bar_work", "peak_moment")}
    for name, (item, _) in VALUES.items():
        if OUTCOMES[name].of == "head":
            continue
        lateral = "measured" if OUTCOMES[name].by_treatment else "any"
        (row,) = shown[shown["outcome"] == OUTCOMES[name].label].to_dict("records")
        assert row["unit"] == OUTCOMES[name].unit
        for condition in CONDITIONS:
            mine = own[(own["outcome"] == name) & (own["item"] == item) & (own["arm"] == "studied")
                       & (own["phase"] == "ascent") & (own["lateral"] == lateral)
                       & (own["condition"] == condition)]["value"]  # fmt: skip
            places = max(1 - int(np.floor(np.log10(mine.std()))), 0)
            assert row[condition] == f"{mine.mean():.{places}f} ± {mine.std():.{places}f}"


def test_up_and_down_and_both_arms_are_told_of_the_whole_lift(monkeypatch):
    monkeypatch.setitem(VALUES, "duration", ("", 2.0))
    own, _, found = section()
    for words, column, pair in (
        ("ascent less descent", "phase", ("ascent", "descent")),
        ("right less left", "side", ("right", "left")),
    ):
        shown = table(found, words)
        # What goes up comes down: work and rise of the two phases are not set beside each other.
        names = {"duration"} if column == "phase" else {"duration", "bar_work"}
        assert set(shown["outcome"]) == {OUTCOMES[name].label for name in names}
        for row in shown.to_dict("records"):
            (name,) = [n for n in names if OUTCOMES[n].label == row["outcome"]]
            fixed = (
                own[own["phase"] == "ascent"] if column == "side" else own[own["arm"] == "studied"]
            )
            mine = fixed[(fixed["outcome"] == name) & (fixed["condition"] == row["condition"])]
            means = mine.groupby(column)["value"].mean()
            assert row[pair[0]] == pytest.approx(means[pair[0]])
            assert row["difference"] == pytest.approx(means[pair[0]] - means[pair[1]])


def test_small_outcomes_keep_their_digits_beside_large_ones(monkeypatch):
    """Seconds beside a thousand joules: no 2 − 1 = 0."""
    monkeypatch.setitem(VALUES, "bar_work", ("", 2000.0))
    monkeypatch.setitem(VALUES, "duration", ("", 2.0))
    monkeypatch.setitem(VALUES, "bar_horizontal_travel", ("", 0.02))
    _, _, found = section()
    (block,) = [b for b in found.blocks if isinstance(b, Table) and "ascent less" in b.caption]
    names = list(block.frame)
    for (row, _), source in zip(
        table_view(block)["rows"], block.frame.to_dict("records"), strict=True
    ):
        cells = {name: cell for name, (cell, _) in zip(names, row, strict=True)}
        for name in ("ascent", "descent", "difference"):
            assert float(cells[name].replace("−", "-")) == pytest.approx(
                source[name], rel=0.01, abs=0.005 * abs(source["ascent"])
            )
    shown = table(found, "by condition")
    (work,) = shown[shown["outcome"] == OUTCOMES["bar_work"].label].to_dict("records")
    assert "e+" not in work["narrow"]


def test_a_person_measured_on_either_side_counts_once():
    """Some trials of the right arm, some of the left: their mean is the person's."""
    own = own_means()
    mine = (own["person"] == "A") & (own["arm"] == "studied")
    left = own[mine].assign(side="left", value=own.loc[mine, "value"] + 3.0)
    file = SimpleNamespace(statistics=StatisticsEntry(), condition=[], published=[])
    result = SimpleNamespace(study=SimpleNamespace(file=file), counted=())
    found = outcome_tables(pd.concat([own, left]), result, "measured")["outcomes"]
    one_side = outcome_tables(own, result, "measured")["outcomes"]
    assert list(found["people"]) == list(one_side["people"])
    assert (found["mean"] - one_side["mean"]).to_numpy() == pytest.approx(1.5 / 5)


def test_what_was_named_stands_first_and_nothing_named_is_said():
    _, _, found = section()
    assert isinstance(found.blocks[0], Paragraph)
    assert "No head and no outcome was named beforehand" in found.blocks[0].text
    _, summary, found = section(outcomes=["bar_work"])
    tables = summary.tables
    first = found.blocks[0]
    assert isinstance(first, Table)
    assert set(first.frame["outcome"]) == {f"{OUTCOMES['bar_work'].label} [J]"}
    (row,) = first.frame.to_dict("records")
    contrast = tables["outcome_contrasts"].query("outcome == 'bar_work'").iloc[0]
    assert row["p_named"] == contrast["p_paired_t"]  # one comparison: nothing to adjust for


def test_heads_are_tested_only_where_named():
    tables = section()[1].tables
    assert "peak_activation" not in set(tables["outcome_contrasts"]["outcome"])
    tables = section(heads=["deltoid/clavicular"])[1].tables
    assert "peak_activation" in set(tables["outcome_contrasts"]["outcome"])


def drawn(name, **statistics):
    """Own means of the way up in the treatment shown, and the panels of a figure of outcomes."""
    own, summary, _ = section(**statistics)
    with mpl.rc_context(style.settings()):
        figure = outcome_figures(summary)[name]()
    lateral = np.where([OUTCOMES[n].by_treatment for n in own["outcome"]], "measured", "any")
    mine = (own["arm"] == "studied") & (own["phase"] == "ascent") & (own["lateral"] == lateral)
    return own[mine], figure


@pytest.mark.parametrize(
    ("name", "statistics", "shown"),
    [
        ("outcomes", {}, {"work on the bar [J]": "bar_work"}),
        ("outcome_fibres", {}, {"fibre shortening, deltoid, clavicular [1]": "fibre_shortening"}),
        ("outcome_moments", {}, {"peak net moment, elbow extension [N·m]": "peak_moment"}),
        (
            "outcomes_named",
            {"outcomes": ["bar_work"], "heads": ["deltoid/clavicular"]},
            {"work on the bar [J]": "bar_work"},
        ),
        (
            "outcomes_named",
            {"outcomes": ["peak_activation"], "heads": ["deltoid/clavicular"]},
            {"peak activation, deltoid, clavicular [1]": "peak_activation"},
        ),
    ],
)
def test_a_panel_shows_people_their_means_and_the_interval(name, statistics, shown):
    own, figure = drawn(name, **statistics)
    found = panels(figure)
    assert set(found) == set(shown)
    colours = {label: mpl.colors.to_hex(h.get_color()) for label, h in legend(figure).items()}
    assert list(colours) == list(CONDITIONS)
    for title, ax in found.items():
        mine = own[own["outcome"] == shown[title]]
        faint = [x for x in ax.lines if mpl.colors.to_hex(x.get_color()) == style.FAINT]
        people = mine.pivot_table(index="person", columns="condition", values="value")
        assert len(faint) == len(people)
        own_lines = people[list(CONDITIONS)].to_numpy()
        for line in faint:
            assert any(np.allclose(line.get_ydata(), row) for row in own_lines)
        for condition in CONDITIONS:
            values = people[condition].to_numpy()
            bars = [
                c for c in ax.containers
                if mpl.colors.to_hex(c.lines[0].get_color()) == colours[condition]
            ]  # fmt: skip
            (bar,) = bars
            assert bar.lines[0].get_ydata() == pytest.approx([values.mean()])
            (ends,) = (segment[:, 1] for segment in bar.lines[2][0].get_segments())
            assert ends == pytest.approx(
                stats.t.interval(0.95, len(values) - 1, values.mean(), stats.sem(values))
            )


def test_factors_decide_the_look_of_the_conditions():
    _, summary, _ = section()
    levels = {name: {"spacing": name} for name in CONDITIONS}
    summary.factors = Factors(levels | {"beside": {}})
    with mpl.rc_context(style.settings()):
        figure = outcome_figures(summary)["outcomes"]()
    keys = legend(figure)
    assert list(keys) == ["spacing: narrow", "spacing: wide"]
    (ax,) = panels(figure).values()
    shown = [c.lines[0] for c in ax.containers]
    for line, key in zip(shown, keys.values(), strict=True):
        assert (line.get_color(), line.get_marker()) == (key.get_color(), key.get_marker())


def test_the_note_of_the_figure_says_what_marker_bar_and_lines_are():
    _, figure = drawn("outcomes")
    note = plain(figure.texts[1].get_text())
    assert "lateral force measured" in note
    assert "95 % interval" in note
    assert "lines join the means of one person" in note


def test_what_a_value_below_zero_means_is_said_where_one_is_drawn():
    _, summary, _ = section()
    whole = summary.tables["outcomes"]
    for shift, said in ((0.0, False), (-5.0, True)):
        moved = whole.assign(**{n: whole[n] + shift for n in ("mean", "low", "high")})
        peaks = (whole["outcome"] == "peak_activation") & (whole["mean"] > 0.0)
        summary.tables["outcomes"] = pd.concat(
            [moved[moved["outcome"] == "fibre_shortening"], whole[peaks].assign(mean=0.5)]
        )
        part = summary.tables["outcomes"]
        part = part[(part["outcome"] == "fibre_shortening") & (part["phase"] == "ascent")]
        assert bool((part["low"] < 0.0).any()) == said
        with mpl.rc_context(style.settings()):
            note = plain(outcome_figures(summary)["outcome_fibres"]().texts[1].get_text())
        assert "Fibre lengths are multiples of the peak fibre length." in note
        sign = OUTCOMES["fibre_shortening"].sign
        assert (f"Positive fibre shortening: {sign}; negative: the reverse." in note) == said
    with mpl.rc_context(style.settings()):
        drawn = difference_figures(summary)["ascent_descent"]()
    note = plain(drawn.texts[1].get_text())
    assert "Above zero: greater in the ascent." in note


def test_pictures_stand_before_the_table_of_outcomes():
    _, _, found = section(outcomes=["bar_work"])
    kinds = [type(b).__name__ for b in found.blocks]
    captions = [b.caption for b in found.blocks if isinstance(b, Picture)]
    assert [c.split()[:3] for c in captions] == [
        ["Outcomes", "that", "the"],  # in the first part; the others stand in the appendix
        ["Outcomes", "of", "the"],
        ["Peak", "moments,", "work,"],
        ["Greatest", "fibre", "length"],
        ["Outcomes", "of", "the"],  # ascent less descent
        ["Outcomes", "of", "the"],  # right less left
    ]
    assert kinds.index("Picture") < [
        "by condition, mean" in getattr(b, "caption", "") for b in found.blocks
    ].index(True)


def test_one_person_has_no_interval():
    own = own_means()
    file = SimpleNamespace(statistics=StatisticsEntry(), condition=[], published=[])
    result = SimpleNamespace(study=SimpleNamespace(file=file), counted=())
    tables = outcome_tables(own[own["person"] == "A"], result, "measured")
    tables = {k: t for k, t in tables.items() if not t.empty}
    summary = SimpleNamespace(tables=tables, mode="measured", confidence=0.95, factors=Factors())
    with mpl.rc_context(style.settings()):
        (ax,) = outcome_figures(summary)["outcomes"]().axes
    assert not ax.containers
    assert len(ax.lines) == 1 + len(CONDITIONS)


def marks(ax):
    """Value, low and high of every marker with a bar, by the colour of its condition."""
    found = {}
    for bar in ax.containers:
        (ends,) = (segment[:, 1] for segment in bar.lines[2][0].get_segments())
        colour = mpl.colors.to_hex(bar.lines[0].get_color())
        found[colour] = (float(bar.lines[0].get_ydata()[0]), *map(float, ends))
    return found


def differences_in(summary, name):
    """Panel → condition → drawn value, low and high; every panel has a line at zero."""
    with mpl.rc_context(style.settings()):
        figure = difference_figures(summary)[name]()
        colours = {mpl.colors.to_hex(h.get_color()): label for label, h in legend(figure).items()}
        found = panels(figure)
        assert all(
            any(set(line.get_ydata()) == {0.0} for line in ax.lines) for ax in found.values()
        )
        return {
            title: {colours[colour]: values for colour, values in marks(ax).items()}
            for title, ax in found.items()
        }


@pytest.mark.parametrize("name", ["ascent_descent", "both_arms"])
def test_differences_are_drawn_as_the_table_has_them(name):
    _, summary, _ = section()
    drawn = differences_in(summary, name)
    titles = {"work on the bar [J]": "bar_work",
              "peak net moment, elbow extension [N·m]": "peak_moment"}  # fmt: skip
    if name == "ascent_descent":  # what goes up comes down
        del titles["work on the bar [J]"]
    assert set(drawn) == set(titles)
    table = summary.tables[name]
    for title, outcome in titles.items():
        mine = table[table["outcome"] == outcome].set_index("condition")
        assert set(drawn[title]) == set(mine.index) == set(CONDITIONS)
        for condition, values in drawn[title].items():
            row = mine.loc[condition]
            assert values == pytest.approx(
                (row["difference"], row["difference_low"], row["difference_high"])
            )


def test_figures_of_many_panels_go_on_and_the_page_shows_every_sheet():
    _, summary, _ = section()
    whole = summary.tables["outcomes"]
    mine = whole[whole["outcome"] == "fibre_shortening"]
    peaks = whole[whole["outcome"] == "peak_activation"]
    heads = [f"muscle/head_{k}" for k in range(26)]
    many = [part.assign(item=head) for head in heads for part in (mine, peaks.assign(mean=0.5))]
    summary.tables["outcomes"] = pd.concat(many)
    made = outcome_figures(summary)
    assert [name for name in made if "fibres" in name] == ["outcome_fibres", "outcome_fibres_2"]
    titles = []
    for number, name in enumerate(("outcome_fibres", "outcome_fibres_2"), start=1):
        with mpl.rc_context(style.settings()):
            figure = made[name]()
        assert plain(figure.texts[0].get_text()).endswith(f", {number} of 2")
        assert figure.get_size_inches()[1] < 11.0  # of a printed page
        titles += panels(figure)
    assert titles == [f"fibre shortening, {head_label(head)} [1]" for head in heads]
    shown = captioned("outcome_fibres", dict.fromkeys(made, SVG))
    assert [p.caption.endswith("(continued).") for p in shown] == [False, True]


def test_the_discrepancy_of_emg_is_drawn_in_per_cent():
    rng = np.random.default_rng(4)
    own = pd.DataFrame(
        [
            (who, condition, "deltoid/clavicular", at, rng.random(), rng.random())
            for who in "ABCD" for condition in CONDITIONS for at in (0.0, 50.0, 100.0)
        ],
        columns=["person", "condition", "head", "lift_percent", "emg", "activation"],
    )  # fmt: skip
    table = emg_by_condition(own, 0.95)
    tables = {"emg_by_condition": table}
    summary = SimpleNamespace(tables=tables, mode="measured", confidence=0.95, factors=Factors())
    ((title, drawn),) = differences_in(summary, "emg_discrepancy").items()
    assert title == "deltoid, clavicular [%]"
    for row in table.to_dict("records"):
        assert drawn[row["condition"]] == pytest.approx(
            [100 * row[f"discrepancy{end}"] for end in ("", "_low", "_high")]
        )


def test_published_moments_are_drawn_beside_own():
    rows = [
        {"source": "A", "condition": condition, "region": "sticking", "row": "elbow_extension",
         "difference_nm": 4.0 + k, "difference_low_nm": 1.0, "difference_high_nm": 9.0 - k}
        for k, condition in enumerate(CONDITIONS)
    ]  # fmt: skip
    summary = SimpleNamespace(
        tables={"beside_published": pd.DataFrame(rows)},
        mode="measured",
        confidence=0.95,
        factors=Factors(),
    )
    ((title, drawn),) = differences_in(summary, "beside_published").items()
    assert title == f"{row_named('elbow_extension').label}, sticking [N·m]"
    for row in rows:
        assert drawn[row["condition"]] == pytest.approx(
            (row["difference_nm"], row["difference_low_nm"], row["difference_high_nm"])
        )

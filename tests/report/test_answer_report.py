"""Reports of strength, maximal lifts and explanations open with what their tables say."""

from __future__ import annotations

import re
from itertools import combinations

import numpy as np
import pandas as pd
import pytest
from tests.drawn import plain, spoken
from tests.planned import TEXT
from tests.report.page_reader import PageReader, assert_shows
from typer.testing import CliRunner

from momentshare.cli.main import app
from momentshare.directions import DIRECTIONS
from momentshare.limits import Limit, Limits
from momentshare.model import load_model
from momentshare.report.text.explain_opening import heads_moves, heads_opening, unsaid_of_heads
from momentshare.report.text.maximal_opening import load_orders, maximal_opening
from momentshare.report.text.strength_opening import bias_table, strength_opening
from momentshare.text import head_phrase

BIAS, LOAD = "test_posture_bias", "greatest_load_kg"
HEAD = "triceps_brachii/long"
NO_ROWS = pd.DataFrame({"right": []})


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    place = tmp_path_factory.mktemp("answer") / "study.toml"
    short = TEXT[: TEXT.index('[[condition]]\nname = "dumbbells"')]
    place.write_text(short, encoding="utf-8")
    return place


def run(study, *words):
    folder = study.parent / words[-1]
    done = CliRunner().invoke(app, [words[0], str(study), *words[1:-1], "--out", str(folder)])
    assert done.exit_code == 0, done.output
    tables = {path.stem: pd.read_csv(path) for path in folder.glob("*.csv")}
    page = PageReader((folder / "report.html").read_text("utf-8"))
    return tables, page, plain(done.output)


@pytest.fixture(scope="module")
def strength(study):
    return run(study, "strength", "--frames", "5", "s")


@pytest.fixture(scope="module")
def maximal(study):
    return run(study, "maximal-lift", "--share", "0.8", "m")


@pytest.fixture(scope="module")
def explained(study):
    return run(
        study, "explain", "--person", "Edda", "--condition", "wide", "--head", HEAD, "--height",
        "0.5", "e",
    )  # fmt: skip


def as_printed(text):
    """As a terminal writes it."""
    return plain(text)


def statements(page):
    """Word → statement of the opening."""
    lines = page.text("In short").split("\n")[1:4]
    return dict(line.split(". ", 1) for line in lines)


# --------------------------------------------------------------- strength


def test_biases_are_counted_on_their_side_of_one(strength):
    tables, page, printed = strength
    table = tables["utilisation"].dropna(subset=[BIAS])
    ends = table.groupby(["condition", "direction"])[BIAS].agg(["min", "max"])
    said = statements(page)
    unsupported = re.match(
        r"(\d+) pairs? lies? beyond .* \((L[\dL, ]+); see Limits\); ", said["What cannot be said"]
    )
    marks = table.groupby(["condition", "direction"])["limit"].agg(
        lambda cells: " ".join(cells.fillna("")).strip()
    )
    limited = marks != ""  # whatever the table marks is no finding
    told = set(unsupported[2].split(", ")) if unsupported else set()
    assert told == set(" ".join(marks).split())
    assert limited.sum() == (int(unsupported[1]) if unsupported else 0)
    pairs, ends = len(ends), ends[~limited]
    harder, easier = (ends["min"] > 1.0).sum(), (ends["max"] < 1.0).sum()
    assert said["What is firm"].startswith(
        f"Of {pairs} pairs of condition and direction, the test's posture makes "
        f"{harder or 'none'} look"
    )
    assert f" and {easier or 'none'} easier, throughout" in said["What is firm"]
    nearest = ends.apply(lambda row: min(max(v, 1.0 / v) for v in row), axis=1)
    sure = ends[(ends["min"] > 1.0) | (ends["max"] < 1.0)]
    assert ("farthest off is" in said["What is firm"]) == (len(sure) > 0)
    if len(sure):
        condition, direction = nearest[sure.index].idxmax()
        low, high = ends.loc[(condition, direction)]
        span = " to ".join(dict.fromkeys((f"{low:.2f}", f"{high:.2f}")))
        mine = table[table["condition"] == condition]
        own = dict.fromkeys(mine.loc[mine["direction"] == direction, "lateral"])
        under = (
            ""
            if len(own) == mine["lateral"].nunique()
            else f", lateral force {' and '.join(own)} only"
        )
        told = f"{DIRECTIONS[direction].words} in '{condition}' (bias {span}{under})."
        assert f"farthest off is {told}" in said["What is firm"]
    count = len(ends) - harder - easier
    assert (f"{count} pair" in said["What turns"]) == (count > 0)
    for word, statement in said.items():
        assert plain(f"{word}. {statement}") in printed


def test_published_rows_on_strength_are_counted_and_listed_at_the_end(strength):
    tables, page, _ = strength
    rows = tables["published_rows"]
    missed = (~rows["right"]).sum()
    assert (
        f"misses {missed} of {len(rows)} published rows" in statements(page)["What cannot be said"]
    )
    assert list(page.texts)[-3:] == ["Published rows", "Cautions", "Sources"]
    assert len(page.table("Published rows that bear").rows) == min(len(rows), 40)


def planted_bias(**rows):
    return pd.DataFrame(
        [
            {
                "person": p,
                "condition": "bar",
                "direction": d,
                "lateral": "zero",
                "others": o,
                BIAS: v,
            }
            for (d, p, o), v in rows.pop("rows").items()
        ]
    )


def test_a_bias_that_changes_sides_names_what_turns_it():
    up, out = "shoulder_elevation", "elbow_extension"
    table = planted_bias(
        rows={
            (up, "A", "braced"): 1.2, (up, "A", "balanced"): 1.4,
            (up, "B", "braced"): 1.1, (up, "B", "balanced"): 1.3,
            (out, "A", "braced"): 0.9, (out, "A", "balanced"): 1.1,
            (out, "B", "braced"): 0.95, (out, "B", "balanced"): 1.05,
        }
    )  # fmt: skip
    found = bias_table(table).set_index("direction")
    assert found.loc[up, "verdict"] == "harder"
    assert (found.loc[out, "verdict"], found.loc[out, "turns_with"]) == ("turns", "others")
    said = strength_opening(table, NO_ROWS)
    assert "makes 1 look harder than it is and none easier" in said.firm
    assert "1 with whether other moments are braced or balanced" in said.turns
    assert "elbow extension in 'bar' (bias 0.90 to 1.10)" in said.turns
    table.loc[table["others"] == "balanced", BIAS] = [1.4, 1.3, 0.8, 1.05]
    assert set(bias_table(table).set_index("direction").loc[out, "turns_with"].split("; ")) == {
        "others", "person",
    }  # fmt: skip


def test_rows_without_a_bias_are_counted():
    table = planted_bias(rows={("elbow_extension", "A", "braced"): np.nan})
    said = strength_opening(table, NO_ROWS, refusals=["A, bar"])
    assert said.firm.startswith("Nothing is firm")
    assert said.unsaid.startswith("1 row of the table has no bias; 1 case could not be performed")


# --------------------------------------------------------------- maximal lifts


def test_orders_by_load_follow_from_everyone_and_every_treatment(maximal):
    tables, page, printed = maximal
    loads = tables["maximal_loads"]
    firm = total = 0
    for one, two in combinations(dict.fromkeys(loads["condition"]), 2):
        gaps = [
            (own[own["condition"] == one][LOAD].item() - own[own["condition"] == two][LOAD].item())
            for _, own in loads.groupby(["person", "lateral"])
        ]
        total += 1
        firm += all(gap > 0.0 for gap in gaps) or all(gap < 0.0 for gap in gaps)
    said = statements(page)
    whole = load_model().limits
    marks = [
        row.key for claim in ("size", "order") for row in whole.at("greatest_load", claim=claim)
    ]
    if marks:
        firm = 0
        assert (
            f"supports ({', '.join(dict.fromkeys(marks))}; see Limits)"
            in said["What cannot be said"]
        )
        assert re.search(rf"\d {marks[0]} ", printed)
        assert whole.said(marks[0]) in printed
    assert said["What is firm"].startswith(f"{firm} of {total} order")
    if firm:
        high, low, size = re.search(
            r"widest, '(.*?)' above '(.*?)' by ([\d.]+) kg", said["What is firm"]
        ).groups()
        means = loads.groupby("condition")[LOAD].mean()
        assert float(size) == pytest.approx(means[high] - means[low], abs=0.051)
    top = tables["maximal_lifts"]
    top = (
        top[top["lift"] == "maximal"]
        if "maximal" in set(top["lift"])
        else top[~top["lift"].str.contains("%")]
    )
    still = (~top["dip"]).sum()
    assert (f"{still} of {len(top)} maximal lifts" in said["What cannot be said"]) == (still > 0)
    for word, statement in said.items():
        assert plain(f"{word}. {statement}") in printed


def loads_of(values):
    return pd.DataFrame(
        [
            {"person": p, "lateral": m, "condition": c, LOAD: v}
            for (p, m), pair in values.items()
            for c, v in zip(("a", "b"), pair, strict=True)
        ]
    )


@pytest.mark.parametrize(
    ("values", "verdict", "turns"),
    [
        ({("A", "zero"): (50, 40), ("B", "zero"): (60, 45)}, "firm", ""),
        ({("A", "zero"): (50, 40), ("B", "zero"): (45, 48)}, "turns", "people"),
        ({("A", "zero"): (50, 40), ("A", "free"): (40, 42)}, "turns", "lateral force"),
    ],
)
def test_an_order_by_load_turns_with_people_or_lateral_force(values, verdict, turns):
    (row,) = load_orders(loads_of(values)).itertuples()
    assert (row.condition, row.other, row.verdict, row.turns_with) == ("a", "b", verdict, turns)
    gaps = [one - two for one, two in values.values()]
    assert row.difference_kg == pytest.approx(np.mean(gaps))


def test_an_order_of_loads_that_a_limit_excludes_is_no_finding():
    """A limit of the size of loads concerns an order told in kilograms too."""
    loads = loads_of({("A", "zero"): (50, 40)})
    limits = Limits(
        (Limit(key="L6", title="t", quantity="greatest_load", claim="size", reason="r"),)
    )
    (row,) = load_orders(loads, limits).itertuples()
    assert (row.verdict, row.limit) == ("beyond the limb", "L6")

    class Report:
        lifts = pd.DataFrame()
        refusals = ()

    Report.loads = loads
    said = maximal_opening(Report, limits)
    assert said.firm.startswith("0 of 1 order of two conditions by the greatest load")
    assert said.firm.endswith("are supported by the limb and hold as solved.")
    assert "'a'" not in said.firm
    assert said.unsaid.startswith("1 order lies beyond what this limb supports (L6; see Limits)")


def test_the_first_sentence_of_maximal_lifts_names_only_what_was_tried():
    class Report:
        lifts = pd.DataFrame()
        refusals = ()

    Report.loads = loads_of({(who, mode): (50, 40) for who in "AB" for mode in ("zero", "free")})
    said = maximal_opening(Report).firm
    assert "for both people and under both treatments of the lateral force" in said


def test_one_condition_has_no_order():
    class Report:
        loads = loads_of({("A", "zero"): (50, 40)}).query("condition == 'a'")
        lifts = pd.DataFrame()
        refusals = ("B, a: out of reach",)

    said = maximal_opening(Report)
    assert "in 'a' 50 kg pass" in said.firm
    assert said.unsaid.startswith("1 case could not be driven")


# --------------------------------------------------------------- explanations


def test_an_explanation_opens_with_its_answer_and_what_moves_it(explained):
    tables, page, printed = explained
    said = statements(page)
    assert list(said) == ["Answer", "What moves it", "What cannot be said"]
    assert as_printed(said["Answer"]) in printed
    along = tables["drive_along_lift"]
    along = along[along["head"] == HEAD]
    here = along[(along["height_fraction"] - 0.5).abs() < 1e-9]
    for mode, value in here.groupby("lateral")["activation"].first().items():
        assert f"{100 * value:.0f} % ({mode})" in said["What moves it"]
    low, high = 100 * along["activation"].min(), 100 * along["activation"].max()
    modes = along["lateral"].nunique()
    name = "it" if modes > 1 else head_phrase(HEAD)
    assert f"along the lift {name} runs from {low:.0f} to {high:.0f} %" in said["What moves it"]
    assert f"give {head_phrase(HEAD)} " in said["What moves it"] or modes == 1
    rows = tables["published_rows"]
    missed = (~rows["right"].astype(bool)).sum()
    assert f"misses {missed} of {len(rows)} published row" in said["What cannot be said"]
    assert page.pictures[0][0].startswith("Figure 1 What the activation is made of")


def test_the_page_gives_a_drive_on_the_scale_of_the_terminal(explained):
    """Parts of the activation in both; the page had newtons to the power of minus one as well."""
    tables, page, text = explained
    shown = page.table("Parts of the drive")
    assert "drive [1/N]" not in shown.headers
    parts = tables["drive"]["part"].dropna()
    cells = [cell for cell in shown.column("part of the activation") if cell != "–"]
    assert len(cells) == len(parts)
    for cell, value in zip(cells, parts, strict=True):
        assert_shows(cell, value)
    assert "part of activation before the bounds" in text


def test_the_difference_of_two_conditions_has_a_report(study):
    tables, page, printed = run(
        study, "explain", "--person", "Edda", "--condition", "wide", "--against", "narrow",
        "--head", HEAD, "d",
    )  # fmt: skip
    said = statements(page)
    assert as_printed(said["Answer"]) in printed
    assert as_printed(said["How sure it is"]) in printed
    assert said["How sure it is"].startswith("Over ")
    # A page writes negative numbers with a minus sign.
    assert not re.search(r"[ (]-\d", " ".join(said.values()))
    row = tables["difference"].set_index("head").loc[HEAD]
    shown = page.table("Difference of every head that works").row(head=spoken(HEAD))
    assert float(shown["activation difference"].replace("\N{MINUS SIGN}", "-")) == pytest.approx(
        row["activation_difference"], abs=1e-3
    )


def test_all_heads_open_with_the_one_that_pulls_hardest_within_the_limits(study):
    tables, page, printed = run(study, "explain", "--person", "Edda", "--condition", "wide", "a")
    table = tables["drive_by_head"]
    supported = table[table["limit"].isna()]
    top = supported.loc[supported["force_n"].idxmax()]
    said = statements(page)["Answer"]
    assert said.startswith(f"{(table['activation'] > 0.05).sum()} of {len(table)} heads are above")
    assert said.endswith(
        f"of those that the limb supports, {head_phrase(top['head'])} pulls hardest, at "
        f"{100 * top['activation']:.0f} %."
    )
    assert plain(said) in printed
    assert "capacity [N]" in printed


def test_a_limb_that_is_too_weak_is_told_before_anything_is_explained(study, tmp_path):
    """A load no limb of the study can hold: every moment that is not met is named with its size."""
    text = study.read_text("utf-8")
    heavy = tmp_path / "heavy.toml"
    heavy.write_text(
        text.replace("load_per_body_mass = 0.4", "load_per_body_mass = 4"), encoding="utf-8"
    )
    for words in ([], ["--head", HEAD]):
        folder = f"e{len(words)}"
        tables, page, printed = run(
            heavy, "explain", "--person", "Edda", "--condition", "wide", "--draws", "0",
            "--no-figures", *words, folder,
        )  # fmt: skip
        assert tables
        said = statements(page)["What cannot be said"]
        (unmet,) = re.findall(r"the limb is too weak for .* by ([\d.]+)\sN·m, so activations", said)
        assert float(unmet) > 0.0
        assert "the limb is too weak for" in printed


def test_strength_tells_where_the_task_is_above_it():
    rows = {("elbow_extension", "A", "braced"): 1.2, ("elbow_extension", "A", "balanced"): 1.4,
            ("shoulder_elevation", "A", "braced"): 0.7}  # fmt: skip
    table = planted_bias(rows=rows).assign(utilisation_here=[1.5, 1.3, 0.6])
    said = strength_opening(table, NO_ROWS)
    assert (
        "In 1 pair the moment is above the strength in the task's own posture, most in elbow "
        "extension in 'bar' (1.30 times, mean over people, lateral force zero)"
    ) in said.unsaid
    # Another treatment of the lateral force is told nowhere in the summary, so not here either.
    other = table.assign(lateral="free", utilisation_here=9.0)
    assert strength_opening(pd.concat([table, other]), NO_ROWS).unsaid == said.unsaid
    assert (
        "is above the strength"
        not in strength_opening(table.assign(utilisation_here=0.9), NO_ROWS).unsaid
    )


def test_heads_and_limits_are_told_in_the_right_number():
    table = pd.DataFrame(
        {
            "head": ["m/a", "m/b"],
            "activation": [0.2, 0.01],
            "force_n": [9.0, 3.0],
            "limit": ["L1", ""],
        }
    )
    said = heads_opening(table)
    assert said.firm == (
        "1 of 2 heads is above 5 % here; of those that the limb supports, the b m pulls hardest, "
        "at 1 %."
    )
    assert said.unsaid.startswith("1 head is beyond")
    rows = pd.DataFrame({"right": [True, False, False]})
    assert "misses 2 of 3 published rows" in unsaid_of_heads(rows, ["L1", "L3"])
    assert "limits L1, L3 concern the answer" in unsaid_of_heads(rows, ["L1", "L3"])
    assert "limit L1 concerns the answer" in unsaid_of_heads(rows, ["L1"])
    assert unsaid_of_heads(NO_ROWS, []).startswith("No published row concerns")


def test_one_treatment_is_not_called_several():
    along = pd.DataFrame(
        {"head": "m/a", "lateral": "zero", "height_fraction": [0.0, 1.0], "activation": [0.1, 0.3]}
    )
    said = heads_moves(along, ["m/a"], 0.9)
    assert said == (
        "One treatment of the lateral force was solved (zero); along the lift the a m runs from "
        "10 to 30 %."
    )
    two = pd.concat([along, along.assign(head="m/b", activation=[0.5, 0.4])])
    assert heads_moves(two, ["m/a", "m/b"], 0.9) == (
        "One treatment of the lateral force was solved (zero); along the lift the a m runs from "
        "10 to 30 % and the b m runs from 40 to 50 %."
    )

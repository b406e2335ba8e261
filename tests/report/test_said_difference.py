"""Every number and every verb of an explained difference is found in the tables beside it."""

import json
import re
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import typer
from tests.drawn import head_of_figure, with_hyphens, with_sign
from typer.testing import CliRunner

from momentshare.cli.explain import explain
from momentshare.errors import InputError, UnknownNameError
from momentshare.explain.difference import explain_difference, factor_parts_along
from momentshare.explain.difference_sentences import (
    FACTOR_LABELS,
    FACTOR_WORDS,
    answer_sentences,
)
from momentshare.explain.mixtures import FACTORS, Member, member_words
from momentshare.explain.phrases import group_phrase
from momentshare.limits import lift_kinds
from momentshare.model import load_model
from momentshare.report.figures.difference import difference_figure
from momentshare.study import parse_study, run_study
from momentshare.study.factors import MOST_LINES
from momentshare.text import head_phrase
from momentshare.units import in_kg

STUDY = """
title = "Two presses and dumbbells"
[settings]
frames = 5
lateral = ["measured", "free", "zero"]
[[person]]
name = "Edda"
sex = "female"
stature_cm = 168
body_mass_kg = 64
training_factor = 1.3
[[condition]]
name = "wide [bar]"
exercise = "bar_press"
spacing_biacromial = 1.7
load_kg = 25
lateral_ratio = 0.12
[[condition]]
name = "narrow"
exercise = "bar_press"
spacing_biacromial = 1.2
load_kg = 25
lateral_ratio = 0.04
[[condition]]
name = "dumbbells"
exercise = "dumbbell_press"
spacing_cm = 50
load_kg = 20
"""
LATERAL, CHEST = "triceps_brachii/lateral", "pectoralis_major/sternocostal_lower"
WIDE = "wide [bar]"
SIGNED = r"[+-]\d+\.\d{3}"
SHARE = r"in (\d+) of (\d+) draws"

app = typer.Typer()
app.command()(explain)


def run(*words):
    return CliRunner().invoke(app, [str(word) for word in words])


class Said:
    """One run: its output, paragraphs, tables and record."""

    def __init__(self, folder, *words):
        (folder / "study.toml").write_text(STUDY, encoding="utf-8")
        self.out = folder / "why"
        done = run(folder / "study.toml", *words, "--out", self.out)
        assert done.exit_code == 0, done.output
        self.output = with_hyphens(" ".join(done.output.split()))
        self.texts = with_hyphens((self.out / "explanation.txt").read_text("utf-8")).split("\n\n")
        self.record = json.loads((self.out / "explain.json").read_text("utf-8"))

    def table(self, name):
        return pd.read_csv(self.out / name, keep_default_na=False, na_values=[""])

    def paragraph(self, start):
        (only,) = [text for text in self.texts if text.startswith(start)]
        return only


CASES = {
    "measured": ("--condition", WIDE, "--against", "narrow", "--head", CHEST, "--draws", "6"),
    "free": (
        "--condition", WIDE, "--against", "narrow", "--head", LATERAL, "--lateral", "free",
        "--height", "0.5", "--draws", "0", "--no-figures",
    ),
    "dumbbells": ("--condition", "dumbbells", "--against", "narrow", "--draws", "0"),
}  # fmt: skip


@pytest.fixture(scope="module", params=CASES)
def said(request, tmp_path_factory):
    return Said(tmp_path_factory.mktemp(request.param), *CASES[request.param])


def own(said):
    """Row of the head that is explained, and its parts by factor."""
    table = said.table("difference.csv").set_index("head")
    row = table.loc[said.record["difference"]["head"]]
    return row, {f: float(row[f"activation_by_{f.replace(' ', '_')}"]) for f in FACTORS}


def test_the_answer_stands_first_in_two_sentences_with_the_numbers_of_the_tables(said):
    row, parts = own(said)
    text = said.texts[0]
    assert " ".join(text.split()) in said.output
    assert len(re.findall(r"\.(?= [A-Z]|$)", text)) == 2
    assert text.lower().startswith(head_phrase(row.name))
    assert f"at {row['activation_first']:.3f} in '{row['condition']}'" in text
    assert f"at {row['activation_second']:.3f} in '{row['other']}'" in text
    gap = row["activation_difference"]
    assert f", a difference of {gap:+.3f}" in text
    assert gap == pytest.approx(row["activation_first"] - row["activation_second"], abs=1e-6)
    top = max(FACTORS, key=lambda f: parts[f] if gap >= 0.0 else -parts[f])
    first, second = re.split(r"(?<=\.) (?=[A-Z])", text)
    assert f"{FACTOR_WORDS[top]} " in first
    assert f"{parts[top]:+.3f}" in first
    for factor in FACTORS:
        if factor != top and abs(parts[factor]) >= 5e-4:
            assert f"{FACTOR_WORDS[factor]} {parts[factor]:+.3f}" in second
    components = said.table("difference_components.csv")
    mine = components[(components["head"] == row.name) & (components["factor"] == top)]
    best = mine.loc[mine["activation_part"].abs().idxmax()]
    assert f"{best['activation_part']:+.3f}" in second
    assert member_words(Member(top, best["component"])) in second
    if best["component"].startswith(("shoulder_", "elbow_")):
        scale = 1000.0 if best["unit"] == "m" else 1.0
        for value in (best["value_first"], best["value_second"]):
            if abs(scale * value) >= 0.05:
                assert f"{abs(scale * value):.1f}" in second
        pushed = components[components["factor"] == "lateral force"]
        pushed = pushed[["value_first", "value_second"]].abs().max().max() >= 0.05
        assert ("N·m, without the lateral force)" in second) == (top == "moments" and pushed)


def compared(one, other):
    """A difference of one head without any part."""
    return SimpleNamespace(
        head_names=("triceps_brachii/lateral",),
        activation=np.array([[one], [other]]),
        names=("wide", "narrow"),
        heights=(0.18, 0.18),
        factors=lambda _: dict.fromkeys(FACTORS, 0.0),
        components=lambda *_: {},
    )


def test_a_head_that_is_fully_active_in_both_is_not_compared():
    full, place = answer_sentences(compared(1.0, 1.0), "triceps_brachii/lateral")
    assert full == (
        "The lateral head of the triceps brachii is fully active in 'wide' and in 'narrow' at 18 % "
        "of the bar height, so the limb cannot show which of the two demands more of it there."
    )
    assert place == "At another height it may differ."
    same, parts = answer_sentences(compared(0.5, 0.5), "triceps_brachii/lateral")
    assert "works at 0.500 in 'wide' and at 0.500 in 'narrow'" in same
    assert same.endswith("no difference worth the name.")
    assert parts == "No single cause stands out."


def test_parts_sum_to_the_difference_in_every_table(said):
    table, components = said.table("difference.csv"), said.table("difference_components.csv")
    by = table[[f"activation_by_{f.replace(' ', '_')}" for f in FACTORS]].sum(axis=1)
    assert (by - table["activation_difference"]).abs().max() < 1e-6
    whole = components.groupby("head", sort=False)["activation_part"].sum()
    assert (whole.to_numpy() - table["activation_difference"].to_numpy()).max() < 1e-6
    along = said.table("difference_along_lift.csv")
    by = along[[f"by_{f.replace(' ', '_')}" for f in FACTORS]].sum(axis=1)
    assert (by - along["difference"]).abs().max() < 1e-6
    record = said.record["difference"]
    assert sum(record["parts"].values()) == pytest.approx(record["difference"], abs=1e-6)


def test_the_sum_is_printed_with_every_factor_for_both(said):
    row, _ = own(said)
    for name in (row["condition"], row["other"]):
        (capacity,) = [t for t in said.texts if t.startswith(f"'{name}': capacity here")]
        (sum_,) = [t for t in said.texts if t.startswith(f"'{name}': activation = ½ × ")]
        for word in ("(volume)", "(specific tension)", "(strength factor)", "(fibre angle)"):
            assert word in capacity
        assert "(weight)" in sum_
        which = "first" if name == row["condition"] else "second"
        assert f"= {row[f'capacity_{which}_n']:.1f} N" in capacity
        done = re.search(rf" = ({SIGNED})", sum_)
        shown = float(done.group(1))
        assert min(max(shown, 0.0), 1.0) == pytest.approx(row[f"activation_{which}"], abs=6e-4)


def test_the_whole_lift_is_told_from_its_table(said):
    row, _ = own(said)
    along = said.table("difference_along_lift.csv")
    mine = along[along["head"] == row.name]
    text = said.paragraph("Along the lift")
    assert f"mean over {len(mine)} heights: {mine['difference'].mean():+.3f}" in text
    for factor in FACTORS:
        part = mine[f"by_{factor.replace(' ', '_')}"].mean()
        if abs(part) >= 6e-4:
            assert f"{FACTOR_WORDS[factor]} {part:+.3f}" in text
    told = text.rsplit("it works", 1)[1]
    assert ("more" in told) == bool((mine["difference"] >= 6e-4).any())
    assert ("less" in told) == bool((mine["difference"] <= -6e-4).any())


def test_shares_of_draws_are_those_of_the_table_of_draws(said):
    if any(text.startswith("No draws were made") for text in said.texts):
        assert not (said.out / "difference_draws.csv").exists()
        assert not re.search(SHARE, " ".join(said.texts))
        return
    text = said.paragraph("Over ")
    row, parts = own(said)
    draws = said.table("difference_draws.csv")
    mine = draws[draws["head"] == row.name]
    gap = row["activation_difference"]
    same = int((np.sign(mine["difference"]) == np.sign(gap)).sum())
    assert f"has this sign in {same} of {len(mine)} draws" in text
    is_open = ", so it is open" if same < 0.95 * len(mine) else ""
    assert (
        f", a difference of {gap:+.3f} (in {same} of {len(mine)} draws{is_open})" in said.texts[0]
    )
    columns = [f"by_{factor.replace(' ', '_')}" for factor in FACTORS]
    top = max(FACTORS, key=lambda f: np.sign(gap) * parts[f])
    carried = mine[columns].mul(np.sign(mine["difference"]), axis=0).to_numpy()
    most = int((carried.argmax(axis=1) == FACTORS.index(top)).sum())
    assert f"more than anything else (in {most} of {len(mine)} draws)" in said.texts[0]
    for factor, column in zip(FACTORS, columns, strict=True):
        held = int((np.sign(mine[column]) == np.sign(parts[factor])).sum())
        words = f"{FACTOR_WORDS[factor]} {parts[factor]:+.3f} (in {held} of {len(mine)} draws)"
        assert (words in said.texts[0]) == (factor != top)


def test_what_ifs_are_those_of_their_table(said):
    text = said.paragraph("What if")
    row, _ = own(said)
    table = said.table("what_if.csv").fillna("")
    mine = table[table["head"] == row.name]
    wide = mine.pivot_table(index="case", columns="condition", values="activation")
    gaps = wide[row["condition"]] - wide[row["other"]]
    assert f"as it is {gaps['as_it_is']:+.3f}" in text
    short = mine.groupby("case")["greatest_unmet_nm"].max() > 0.05
    met = gaps[~short].drop("as_it_is")
    best = (met - gaps["as_it_is"]).abs().idxmax()
    assert with_sign(gaps[best], 3) in text
    name = re.sub("^(without|stronger|leave_out)_", "", best)
    assert (
        group_phrase(name) in text
        or member_words(Member("arms", name)) in text
        or (best == "no_lateral_force" and "without any lateral force" in text)
    )


def test_what_limits_the_load_is_the_first_line_of_its_table(said):
    table = said.table("greatest_load_by_strength.csv").fillna("")
    row, _ = own(said)
    for name in (row["condition"], row["other"]):
        text = said.paragraph(f"What limits the load in '{name}':")
        mine = table[table["condition"] == name]
        assert f"{in_kg(mine['greatest_load_kg'].iloc[0])} kg (limit L6) can be held" in text
        group = mine[mine["kind"] == "group"].iloc[0]
        assert group["gain_kg"] == mine.loc[mine["kind"] == "group", "gain_kg"].max()
        assert f"strength of the {group_phrase(group['name'])}" in text
        assert f"by {in_kg(group['gain_kg'])} kg ({group['gain_percent']:.1f} %" in text
        for key in str(group["limit"]).split():
            assert key in text
        head = mine[mine["kind"] == "head"].iloc[0]
        assert f"{head_phrase(head['name'])}" in text


def test_equal_moments_are_equal_in_their_table_and_no_limited_head_is_shown(said):
    table = said.table("equal_moments.csv")
    opens = ("Nearly equal moments:", "One moment nearly equal,")
    texts = [t for t in said.texts if t.startswith(opens)]
    assert len(texts) == min(2, table["scope"].nunique())
    kinds = list(lift_kinds(parse_study(STUDY).file.condition).values())
    limits = load_model().limits
    for text in texts:
        gap = float(re.search(rf", ({SIGNED}):", text).group(1))
        line = table[(table["difference"] - gap).abs() < 6e-4].iloc[0]
        assert head_phrase(line["head"]) in text
        assert f"works at {line['activation']:.3f} and at {line['other_activation']:.3f}" in text
        assert f"{abs(line['moment_nm']):.1f}" in text
    for head in table["head"].unique():
        assert not limits.at("activation", "force", head=head, kinds=kinds[:1])


def test_limits_and_published_rows_that_touch_are_named(said):
    row, _ = own(said)
    study = parse_study(STUDY)
    kinds = lift_kinds(study.file.condition)
    limits = load_model().limits
    touched = limits.at(
        "activation", "force", head=row.name, claim="order",
        kinds=[kinds[row["condition"]], kinds[row["other"]]],
    )  # fmt: skip
    named = [t for t in said.texts if f"concerns what is said about {head_phrase(row.name)}" in t]
    assert {re.match(r"Limit (\S+)", t).group(1) for t in named} >= {
        r.key for r in touched if not r.parts and not r.condition.startswith("lateral")
    }
    loads = limits.at(
        "greatest_load", kinds=[kinds[row["condition"]], kinds[row["other"]]],
        lateral=said.record["difference"]["lateral"][0],
    )  # fmt: skip
    for item in loads:
        text = said.paragraph(f"Limit {item.key} concerns what is said about the greatest load")
        assert item.reason in text
        behind = {name for row in loads if row.key == item.key for name in row.targets}
        assert (f"{len(behind)} published row" in text) == bool(behind)
    rows = said.table("published_rows.csv")
    missed = rows[~rows["right"].astype(bool)]
    (text,) = [t for t in said.texts if "published rows on the heads named here" in t or
               "No published row" in t]  # fmt: skip
    if len(rows):
        assert str(len(rows)) in text
    if len(missed):
        assert f"misses {len(missed)}" in text
        assert any(name in text for name in missed["quantity"])
        assert not any(name in text for name in missed["id"])


def test_the_picture_shows_the_numbers_of_the_tables(tmp_path):
    said = Said(tmp_path, *CASES["measured"])
    assert (said.out / "difference.png").stat().st_size > 10_000
    assert (said.out / "difference.svg").exists()
    assert (said.out / "arms.png").stat().st_size > 10_000
    page = (said.out / "report.html").read_text("utf-8")
    assert page.count("<figcaption") >= 2
    assert "The arm in both conditions at the height that is explained" in page
    lifts = [
        next(r for r in case.results if r.lateral.mode == "measured")
        for case in run_study(parse_study(STUDY), band=False).cases[:2]
    ]
    found = explain_difference(*lifts, frame=1, names=(WIDE, "narrow"))
    along = factor_parts_along(*lifts)
    figure = difference_figure(found, CHEST, along, None, "Edda")
    figure.draw_without_rendering()
    bars, lines, whole = figure.axes
    labels = [tick.get_text() for tick in bars.get_yticklabels()]
    widths = [patch.get_width() for patch in bars.patches]
    values = dict(zip(labels, widths, strict=True))
    factors = found.factors(CHEST)
    for factor, part in factors.items():
        assert values[FACTOR_LABELS[factor]] == pytest.approx(part)
    index = found.head_names.index(CHEST)
    assert values["difference"] == pytest.approx(found.gap[index])
    assert sum(factors.values()) == pytest.approx(values["difference"])
    printed = [text.get_text().replace("\N{MINUS SIGN}", "-") for text in bars.texts]
    assert printed == [with_sign(width, 3) for width in widths]
    mine = along[along["head"] == CHEST]
    drawn, alone = (
        [tuple(np.round(line.get_ydata(), 9)) for line in ax.lines if len(line.get_xdata()) > 2]
        for ax in (lines, whole)
    )
    assert len(drawn) == len(FACTORS) <= MOST_LINES
    for factor in FACTORS:
        assert tuple(mine[f"by_{factor.replace(' ', '_')}"].to_numpy().round(9)) in drawn
    assert alone == [tuple(mine["difference"].to_numpy().round(9))]
    heading = head_of_figure(figure)
    assert f"{found.activation[0, index]:.3f} in '{WIDE}'" in heading
    assert "Edda. Above: parts of the difference at this height" in heading
    inside = figure.get_window_extent()
    for legend in figure.legends:
        box = legend.get_window_extent()
        assert inside.x0 <= box.x0 <= box.x1 <= inside.x1
        assert not box.overlaps(bars.get_tightbbox())
        assert not box.overlaps(lines.get_tightbbox())
        assert not box.overlaps(whole.get_tightbbox())
    left = bars.get_tightbbox().x0
    assert left > inside.x0 + 1.0  # no name is cut off


WRONG = [
    (("--against", "narow"), UnknownNameError, "narrow"),
    (("--against", "triceps_brachii/latral"), UnknownNameError, LATERAL),
    (("--against", WIDE), InputError, "the condition itself"),
    (("--against", "narrow", "--worked"), InputError, "--worked"),
    (("--against", "narrow", "--head", "deltoid"), UnknownNameError, "deltoid/clavicular"),
    (("--against", LATERAL), InputError, "--head"),
    (("--against", "narrow", "--lateral", "fre"), UnknownNameError, "free"),
    (("--against", "narrow", "--height", "40"), InputError, "chest"),
]


@pytest.mark.parametrize(("words", "error", "wanted"), WRONG)
def test_wrong_comparisons_are_refused_and_nothing_is_written(tmp_path, words, error, wanted):
    (tmp_path / "study.toml").write_text(STUDY, encoding="utf-8")
    out = tmp_path / "none"
    done = run(tmp_path / "study.toml", *words, "--out", out)
    assert not out.exists()
    with pytest.raises(error, match=re.escape(wanted)):
        raise done.exception


def test_dumbbells_join_the_treatment_of_a_bar(tmp_path):
    text = STUDY.replace('"measured", "free", "zero"', '"measured", "free"')
    (tmp_path / "study.toml").write_text(text, encoding="utf-8")
    done = run(tmp_path / "study.toml", "--against", "dumbbells", "--draws", "0", "--json")
    assert done.exit_code == 0, done.output
    assert json.loads(done.stdout)["difference"]["lateral"] == ["measured", "zero"]


def test_json_holds_the_difference(tmp_path):
    (tmp_path / "study.toml").write_text(STUDY, encoding="utf-8")
    done = run(
        tmp_path / "study.toml", "--against", "narrow", "--head", CHEST, "--draws", "0", "--json"
    )
    assert done.exit_code == 0, done.output
    record = json.loads(done.stdout)["difference"]
    assert record["conditions"] == [WIDE, "narrow"]
    for factor, components in record["components"].items():
        assert sum(components.values()) == pytest.approx(record["parts"][factor], abs=1e-9)
    # The first is the condition that --condition names, or else the first of the study.
    cases = {c.condition: c for c in run_study(parse_study(STUDY), band=False).cases}
    for name, height, activation in zip(
        record["conditions"], record["height_fractions"], record["activation"], strict=True
    ):
        lift = next(r for r in cases[name].results if r.lateral.mode == "measured")
        frame = int(np.argmin(np.abs(lift.prepared.lift.fraction - height)))
        index = lift.prepared.limb.head_names.index(CHEST)
        assert activation == pytest.approx(lift.activation[frame, index], abs=1e-7)

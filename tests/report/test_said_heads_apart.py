"""What is said of two heads of one frame, and the drawing of two frames, is in the tables."""

import re

import numpy as np
import pytest
from tests.drawn import (
    head_of_figure,
    legend,
    line_like,
    places,
    points,
    spoken,
    with_hyphens,
    with_sign,
)
from tests.report.page_reader import PageReader, assert_shows
from tests.report.test_said_difference import LATERAL, SHARE, STUDY, WIDE, Said

from momentshare.explain.difference_sentences import FACTOR_WORDS
from momentshare.explain.frame_pairs import (
    equal_moments,
    most_unlike,
    pair_heads_table,
    pairs_table,
)
from momentshare.explain.mixtures import FACTORS, Member, member_words
from momentshare.explain.phrases import group_phrase
from momentshare.limits import height_third, lift_kinds
from momentshare.model import load_model
from momentshare.report.figures.equal_moments import equal_moments_figure
from momentshare.study import parse_study, run_study


def test_two_heads_lead_with_both_readings(tmp_path):
    said = Said(
        tmp_path, "--head", "triceps_brachii/long", "--against", LATERAL, "--draws", "4",
        "--no-figures",
    )  # fmt: skip
    table = said.table("heads_apart.csv")
    parts = table.groupby("factor")["activation_part"].sum()
    text = said.texts[0]
    for factor in FACTORS:
        part = re.escape(f"{parts[factor]:+.3f}")
        words = rf"{FACTOR_WORDS[factor]}( accounts? for)? {part}"
        assert bool(re.search(words, text)) == (abs(parts[factor]) >= 5e-4)
    gap = table.groupby("reading")["activation_part"].sum()
    assert gap.iloc[0] == pytest.approx(gap.iloc[1], abs=1e-6)
    assert f"{gap.iloc[0]:+.3f} (in " in text
    for reading, part in table[table["factor"] != "no moment asked"].groupby("reading"):
        best = part.loc[part["activation_part"].abs().idxmax()]
        assert f"{best['activation_part']:+.3f}" in text, reading
    draws = said.table("heads_apart_draws.csv")
    whole = draws.pivot_table(index="draw", columns="factor", values="activation_part",
                              aggfunc="sum")  # fmt: skip
    for factor in FACTORS:
        if abs(parts[factor]) < 5e-4:
            continue
        held = int((np.sign(whole[factor]) == np.sign(parts[factor])).sum())
        assert re.search(
            rf"{FACTOR_WORDS[factor]}( accounts? for)? {re.escape(f'{parts[factor]:+.3f}')} "
            rf"\(same sign in {held} of {len(whole)} draws",
            text,
        )
    for reading, part in table[table["factor"] != "no moment asked"].groupby("reading"):
        best = part.loc[part["activation_part"].abs().idxmax()]
        mine = draws[draws["reading"] == reading]
        lead = mine.loc[mine.groupby("draw")["activation_part"].apply(lambda v: v.abs().idxmax())]
        held = int(
            (
                (lead["factor"] == best["factor"])
                & (lead["component"] == best["component"])
                & (np.sign(lead["activation_part"]) == np.sign(best["activation_part"]))
            ).sum()
        )
        number = f"{best['activation_part']:+.3f}"
        assert f"alone {number}, largest in {held} of {len(whole)} draws" in text
    assert re.search(SHARE, said.paragraph("What limits the load"))


def test_what_ifs_of_two_heads_are_those_of_their_table(tmp_path):
    long = "triceps_brachii/long"
    said = Said(
        tmp_path, "--head", long, "--against", LATERAL, "--draws", "0", "--condition", "narrow"
    )
    table = said.table("what_if.csv").fillna("")
    wide = table.pivot_table(index="case", columns="head", values="activation")
    gaps = wide[long] - wide[LATERAL]
    text = said.paragraph("What if")
    assert text in with_hyphens(said.output)
    assert f"the difference is {gaps['as_it_is']:+.3f}" in text
    assert f"a difference of {gaps['as_it_is']:+.3f}." in said.texts[0]
    assert "draws" not in said.texts[0]
    short = table.groupby("case")["greatest_unmet_nm"].max() > 0.05
    met = gaps[~short].drop("as_it_is")
    order = (met - gaps["as_it_is"]).abs().sort_values(ascending=False).index
    best = order[0]
    words = text.split(": ", 1)[1].split(";")[0].rstrip(".")
    assert words.endswith(f"it would be {with_sign(gaps[best], 3)}")
    name = re.sub("^(without|stronger|leave_out)_", "", best)
    assert group_phrase(name) in words or member_words(Member("arms", name)) in words
    # On the page, every case with both heads and the difference between them.
    shown = PageReader((said.out / "report.html").read_text("utf-8")).table("What would become of")
    assert len(shown.rows) == len(gaps)
    for cell, value in zip(
        shown.column("difference"), table[table["head"] == long]["case"].map(gaps), strict=True
    ):
        assert_shows(cell, value)


def test_the_pair_that_differs_most_is_drawn_and_its_dots_are_in_the_table():
    cases = {c.condition: c for c in run_study(parse_study(STUDY), band=False).cases}
    lifts = {
        name: next(r for r in cases[name].results if r.lateral.mode == "measured")
        for name in (WIDE, "narrow")
    }
    kinds = lift_kinds(parse_study(STUDY).file.condition)
    pairs = equal_moments(list(lifts.items()))
    pair = most_unlike(pairs)[0]
    assert abs(pair.gap) == max(abs(other.gap) for other in pairs)
    limits = load_model().limits
    figure = equal_moments_figure(pair, lifts, "Edda", limits=limits, kinds=kinds)
    (ax,) = figure.axes
    lines = {label: line_like(ax, handle) for label, handle in legend(figure).items()}
    table = pair_heads_table(pair, lifts)
    heads = places(ax.yaxis)
    assert spoken(pair.head) in heads
    for place, (name, height) in enumerate(zip(pair.names, pair.heights, strict=True)):
        dots = points(lines[f"'{name}' at {100.0 * height:.0f} % of the bar height"])
        drawn = {float(at): float(x) for x, at in dots}
        mine = table[(table["condition"] == name) & (table["height_fraction"] == height)]
        values = mine.set_index("head")["activation"]
        for head, value in values.items():
            if spoken(head) in heads:
                assert drawn[heads[spoken(head)]] == pytest.approx(value, abs=1e-12)
            else:
                assert value < 0.02
        assert values[pair.head] == pair.activation[place]
    said = head_of_figure(figure)
    line = pairs_table([pair]).iloc[0]
    assert f"works at {line['activation']:.3f} and at {line['other_activation']:.3f}" in said
    assert f"{abs(line['moment_nm']):.1f} against" in said
    # Rows of heads that a limit concerns are hatched, and the limit is spelt out.
    hatched = {round(p.get_y() + 0.5, 6) for p in ax.patches if p.get_hatch()}
    limited = set()
    for head in table["head"].unique():
        keys = {
            row.key
            for name, height in zip(pair.names, pair.heights, strict=True)
            for row in limits.at(
                "activation", head=head, kinds=[kinds[name]], part=height_third(height),
                lateral="measured",
            )
        }  # fmt: skip
        if keys and spoken(head) in heads:
            limited.add(heads[spoken(head)])
            assert all(f"({key})" in said for key in keys)
    assert limited == hatched
    assert limited

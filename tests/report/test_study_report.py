"""What the report of a study opens with is what its tables say."""

from __future__ import annotations

import base64
import re
from itertools import combinations

import numpy as np
import pandas as pd
import pytest
from tests.drawn import plain, printed
from tests.planned import CONDITIONS, PEOPLE, alone, solved
from tests.report.page_reader import PageReader

from momentshare.model import load_model
from momentshare.report.figures.study import condition_dots
from momentshare.report.text.opening import counted
from momentshare.report.text.posture_band import band_sentences
from momentshare.report.text.study_opening import study_opening
from momentshare.report.text.terminal import print_study
from momentshare.report.text.titles import firm_title
from momentshare.report.writing.study import write_results
from momentshare.text import head_label, head_phrase

MEAN = "mean_activation"
WORKING, LEVEL = 0.05, 0.01
MODES = ("measured", "zero", "free")


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    place = tmp_path_factory.mktemp("study")
    write_results(solved(), place)
    return place


@pytest.fixture(scope="module")
def tables(folder):
    return {path.stem: pd.read_csv(path, keep_default_na=False) for path in folder.glob("*.csv")}


@pytest.fixture(scope="module")
def text(folder):
    return (folder / "report.html").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def opening(text):
    """Word → statement."""
    section = text.split('aria-labelledby="in-short"')[1].split("</section>")[0]
    found = re.findall(r"<p><strong>(.*?)\.</strong> (.*?)</p>", section, re.DOTALL)
    return {word: plain(re.sub("&#39;", "'", said)) for word, said in found}


def own(people, head, condition, mode):
    """Lift means of a head by person; dumbbells have no lateral force in any treatment."""
    mode = "zero" if condition == "dumbbells" else mode
    part = people[
        (people["head"] == head) & (people["condition"] == condition) & (people["lateral"] == mode)
    ]
    return part.set_index("person")[MEAN].astype(float)


def judged(tables):
    """Verdict, what turns it and signed differences of every pair, from the people's own rows."""
    people, orders = tables["heads_by_person"], tables["ordering"]
    found = {}
    for head in dict.fromkeys(people["head"]):
        for pair in combinations(CONDITIONS, 2):
            means = {(c, m): own(people, head, c, m).mean() for c in pair for m in MODES}
            if max(means.values()) < WORKING:
                continue
            gaps = {m: own(people, head, pair[0], m) - own(people, head, pair[1], m) for m in MODES}
            sign = 1.0 if gaps["measured"].mean() >= 0.0 else -1.0
            sizes = [sign * gap.mean() for gap in gaps.values()]
            rows = orders[
                (orders["head"] == head)
                & orders["condition"].isin(pair)
                & orders["other"].isin(pair)
            ]
            turned = {
                "lateral force": any(size <= 0.0 for size in sizes),
                "posture rule": (rows["turns_with_posture"].astype(str) == "True").any(),
                "people": any((np.sign(gap.mean()) * gap <= 1e-6).any() for gap in gaps.values()),
            }
            turns = [name for name, it in turned.items() if it]
            if all(abs(size) < LEVEL for size in sizes):
                verdict = "level"
            elif any(rows["limit"]):
                verdict = "beyond the limb"
            else:
                verdict = "turns" if turns else "firm"
            found[head, frozenset(pair)] = (verdict, turns, sign, sizes)
    return found


def test_verdicts_follow_from_the_people_and_the_band(tables):
    wanted, table = judged(tables), tables["verdicts"]
    named = [(row.head, frozenset((row.condition, row.other))) for row in table.itertuples()]
    assert sorted(map(str, named)) == sorted(map(str, set(named)))
    assert set(named) == set(wanted)
    for row in table.itertuples():
        verdict, turns, sign, sizes = wanted[row.head, frozenset((row.condition, row.other))]
        assert (row.verdict, row.turns_with) == (verdict, "; ".join(turns)), row
        first = min((row.condition, row.other), key=CONDITIONS.index)
        assert (row.condition == first) == (sign > 0.0)
        shown = [row.difference, row.difference_low, row.difference_high]
        wanted_sizes = [sizes[0], min(sizes), max(sizes)]
        np.testing.assert_allclose(shown, wanted_sizes, rtol=0.0, atol=2e-7)  # seven digits
    assert len(set(table["verdict"])) >= 3


LEAD = "the largest, weighted by muscle volume: "
"""Before the order that is named, where there are several."""


def strong(table):
    """Orders of heads that reach 10 % in a condition; all if there is none."""
    return table[table["activation"] >= 0.1] if (table["activation"] >= 0.1).any() else table


def lead(table):
    """What stands before the order that is named: more words if a larger one is passed over."""
    if len(table) < 2:
        return ""
    passed = strong(table)["active_volume_cm3"].max() < table["active_volume_cm3"].max()
    return LEAD.replace(":", ", in heads that reach 10 %:" if passed else ":")


def foremost(table):
    """The order in which most volume of muscle is active in addition, of heads that matter."""
    volume = {head.name: 1e6 * head.volume.value for head in load_model().heads}
    active = table["difference"] * table["head"].map(volume)
    np.testing.assert_allclose(table["active_volume_cm3"], active, rtol=1e-5)
    row = table.loc[active[strong(table).index].idxmax()]
    return (
        f"'{row['condition']}' activates {head_phrase(row['head'])} "
        f"{counted(round(100 * row['difference']), 'point')} more than '{row['other']}' "
        f"(lateral force {row['lateral']})"
    )


def course(firm):
    """What is said of the firm orders whose course along the lift the limb does not support."""
    (limit,) = [row for row in solved().model.limits.rows if row.claim == "course"]
    assert limit.parts == ("lock-out",)
    count = sum(head in limit.heads or head.split("/")[0] in limit.heads for head in firm["head"])
    assert count
    return (
        " The course of activation is not supported in the last third of the bar height in "
        f"{count} of them ({limit.key})."
    )


def test_the_first_statement_counts_firm_orders_and_names_that_of_most_muscle(tables, opening):
    table = tables["verdicts"]
    firm = table[table["verdict"] == "firm"]
    said = opening["What is firm"]
    assert said.startswith(f"{len(firm)} of {len(table)} orders of two conditions within a head")
    assert len(PEOPLE) == 2
    assert "for both people" in said
    assert f"under all {len(MODES)} treatments of the lateral force" in said
    assert said.endswith(f"; {lead(firm)}{foremost(firm)}.{course(firm)}")


def test_a_head_that_hardly_works_does_not_lead_and_the_words_say_so(tables):
    """A head of 8 % whose order is firm, and the largest by far, gives way to the next one."""
    table = tables["verdicts"]
    means = {
        (row.head, row.condition, row.lateral): row.mean_activation_mean
        for row in tables["heads"].itertuples()
    }
    for row in table.itertuples():
        lateral = row.lateral if row.condition != "dumbbells" else "zero"
        assert row.activation == pytest.approx(means[row.head, row.condition, lateral], abs=2e-7)
    firm = table.assign(verdict="firm", turns_with="", activation=0.3)
    first = firm["active_volume_cm3"].idxmax()
    second = firm["active_volume_cm3"].drop(first).idxmax()
    named = {}
    for place, share in (("above", 0.1), ("below", 0.08), ("all below", None)):
        mine = firm.assign(activation=0.05) if share is None else firm.copy()
        if share is not None:
            mine.loc[first, "activation"] = share
        said = study_opening(solved(), mine).firm
        assert said.endswith(f"; {lead(mine)}{foremost(mine)}.{course(mine)}")
        named[place] = said, firm_title(mine)
    for place, row in (("above", first), ("below", second), ("all below", first)):
        words = head_phrase(firm.loc[row, "head"])
        assert named[place][1].startswith(f"Firm: {words} works more in ")
        assert ("in heads that reach 10 %" in named[place][0]) == (place == "below")


def test_the_second_statement_counts_what_turns_and_with_what(tables, opening):
    table = tables["verdicts"]
    turning = table[table["verdict"] == "turns"]
    said = opening["What turns"]
    assert said.startswith(f"{len(turning)} order{'s turn' if len(turning) > 1 else ' turns'}: ")
    for name, words in (
        ("lateral force", "with the treatment of the lateral force"),
        ("posture rule", "with the posture rule"),
        ("people", "with the person"),
    ):
        count = sum(name in cell.split("; ") for cell in turning["turns_with"])
        assert (f"{count} {words}" in said) == (count > 0)
    assert f"; {lead(turning)}{foremost(turning)}" in said


def test_no_sentence_denies_what_another_one_counts(tables):
    """Where nothing within the limb turns, what turns beyond it is still counted, and as the note
    on the posture rule counts it."""
    only = tables["verdicts"].copy()
    only = only[only["verdict"] != "turns"]
    beyond = only[(only["verdict"] == "beyond the limb") & (only["turns_with"] != "")]
    posture = int(beyond["turns_with"].str.contains("posture rule").sum())
    assert posture
    said = study_opening(solved(), only.assign(turns_with=only["turns_with"].fillna(""))).turns
    assert said.startswith("No order that this limb supports was reversed by anything tried; ")
    assert f"{posture} with the posture rule" in said
    note = band_sentences(solved())[0]
    counts = re.search(r"reverses (\d+) of (\d+) orders .*?, (\d+|none) of them among", note)
    whole = tables["verdicts"]
    whole = whole[whole["verdict"] != "level"]
    turned = whole[whole["turns_with"].str.contains("posture rule")]
    within = int((turned["verdict"] != "beyond the limb").sum())
    assert [int(c.replace("none", "0")) for c in counts.groups()] == [
        len(turned),
        len(whole),
        within,
    ]
    opening_ = study_opening(solved(), tables["verdicts"]).turns
    assert f"{within} with the posture rule" in opening_


def test_the_third_statement_counts_what_the_limb_cannot_bear(tables, opening):
    table = tables["verdicts"]
    limited, level = (table[table["verdict"] == v] for v in ("beyond the limb", "level"))
    said = opening["What cannot be said"]
    found = re.search(
        r"(\d+) orders? (?:lies|lie) beyond what this limb supports \((.*?); see", said
    )
    assert int(found[1]) == len(limited)
    assert set(found[2].split(", ")) == set(" ".join(limited["limit"]).split())
    found = re.search(r"(\d+) pairs? (?:is|are) level", said, re.IGNORECASE)
    assert (int(found[1]) if found else 0) == len(level)


def test_the_terminal_opens_with_the_same_statements(opening):
    said = printed(lambda console: print_study(console, solved()))
    head = plain(said.split("Conditions:")[0])
    assert head.endswith(" ".join(f"{word}. {statement}" for word, statement in opening.items()))


def test_statements_and_picture_come_before_all_else_and_sources_last(folder, text):
    places = [
        text.index(part)
        for part in (
            'id="in-short"', "data:image/png", 'id="findings"', 'id="heads"', 'id="limits"',
            'id="settings"', 'id="sources"',
        )
    ]  # fmt: skip
    assert places == sorted(places)
    picture = (folder / "figures" / "condition_dots.png").read_bytes()
    first = re.search(r"data:image/png;base64,([^\"]+)", text)[1]
    assert base64.b64decode(first) == picture
    assert "<script" not in text


def test_every_order_on_the_page_is_a_row_of_its_table(text, tables):
    page, table = PageReader(text), tables["verdicts"]
    seen = 0
    for verdict, caption in (("firm", "that nothing reversed"), ("turns", "are reversed by")):
        mine = table[table["verdict"] == verdict].sort_values(
            "difference", ascending=False, kind="stable"
        )
        for row, wanted in zip(page.table(caption).records(), mine.itertuples(), strict=False):
            assert row["head"] == head_label(wanted.head)
            assert (row["condition"], row["other"]) == (wanted.condition, wanted.other)
            assert row["difference"] == f"{wanted.difference:.2f}"
            seen += 1
    assert seen


def test_one_condition_has_nothing_to_compare(tmp_path):
    study = solved(alone()[: alone().index('[[condition]]\nname = "wide"')])
    write_results(study, tmp_path, figures=False)
    text = plain((tmp_path / "report.html").read_text(encoding="utf-8"))
    heads = pd.read_csv(tmp_path / "heads.csv")
    # L10 concerns the force of the supraspinatus in presses, and no cell of its activation.
    supported = heads[heads["limit"].isna() & (heads["head"] != "supraspinatus")]
    top = supported.loc[supported["mean_force_n_mean"].idxmax()]
    said = f"{head_phrase(top['head'])}, {100 * top['mean_activation_mean']:.0f} % active"
    assert said in text
    assert pd.read_csv(tmp_path / "verdicts.csv").empty


def test_dots_and_bars_are_those_of_the_named_head_and_condition(tables):
    heads = tables["heads"]
    figure = condition_dots(solved())
    panels = [ax for ax in figure.axes if ax.get_title(loc="left")]
    assert panels
    labels = {head_label(h): h for h in dict.fromkeys(heads["head"])}
    for ax in panels:
        title = plain(ax.get_title(loc="left").replace("\n", " "))
        head = labels[re.sub(r"( L\d+)+$", "", title)]
        for place, condition in enumerate(CONDITIONS):
            part = heads[(heads["head"] == head) & (heads["condition"] == condition)]
            means = 100 * part["mean_activation_mean"].astype(float)
            main = part["lateral"] == ("zero" if condition == "dumbbells" else "measured")
            lines = [line for line in ax.lines if line.get_ydata()[0] == place]
            (dot,) = [line for line in lines if line.get_marker() == "o"]
            assert dot.get_xdata()[0] == pytest.approx(means[main].iloc[0], rel=2e-6)
            spans = {round(line.get_linewidth(), 1): line.get_xdata() for line in lines}
            if condition != "dumbbells":
                np.testing.assert_allclose(spans[4.2], [means.min(), means.max()], rtol=2e-6)
            low = 100 * part["mean_activation_posture_low"].astype(float).min()
            high = 100 * part["mean_activation_posture_high"].astype(float).max()
            np.testing.assert_allclose(spans[1.0], [low, high], rtol=2e-6)


def test_published_rows_that_the_limb_misses_stand_at_the_end(tables, text):
    from momentshare.validation.bearing import misses, rows_on_heads

    heads = list(dict.fromkeys(tables["verdicts"]["head"]))
    rows = rows_on_heads(solved().model, heads)
    missed = misses(rows)
    assert missed
    section = text.split('id="published"')[1].split("</section>")[0]
    assert f"{len(missed)} of {len(rows)}" in plain(section)
    assert text.index('id="settings"') < text.index('id="published"') < text.index('id="sources"')
    for row in missed[:3]:
        assert row.cited in section
        assert row.source not in section
    shown = PageReader(text).table("Published rows about")
    units = {"1": "", "N*m": "N·m", "cm2": "cm²", "cm3": "cm³"}
    for cells, row in zip(shown.records(), missed, strict=False):
        assert cells["unit"] == units.get(row.unit, row.unit)
        assert cells["source"] == row.cited
        assert cells["published"] == ("as named" if row.published == "sense" else row.published)
        assert float(cells["model"].replace("−", "-")) == float(f"{row.model:.3g}")
    assert {"1", "mm"} <= {row.unit for row in missed[: len(shown.rows)]}
    assert not re.search(r"\w/\w", " ".join(shown.column("posture") + shown.column("quantity")))


def test_a_course_is_listed_with_the_height_of_each_value(text):
    shown = PageReader(text).table("Every setting")
    for entry in solved().study.file.condition:
        tilt = entry.forearm_tilt_deg
        if not isinstance(tilt, list):
            continue
        row = shown.row(part=f"condition {entry.name}", setting="forearm tilt [deg]")
        told = row["value"].replace("−", "-")
        found = re.findall(r"(\S+) at (\S+) % of the lift", told)
        assert [[float(h) / 100.0, float(v)] for v, h in found] == [list(pair) for pair in tilt]
    assert shown.row(part="settings", setting="passive force")["value"] == "yes"

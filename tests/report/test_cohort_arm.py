"""The arm of a cohort: whose it is, and that it is drawn from the answer of that trial."""

from __future__ import annotations

import re
from collections import defaultdict
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from tests.drawn import head_of_figure, plain
from tests.report import cohort_planted as plan
from tests.report.cohort_planted import CONDITIONS, SHOWN, planted

from momentshare.cohort.load import parse_cohort
from momentshare.cohort.run import run_cohort
from momentshare.cohort.summary import summarise_cohort
from momentshare.cohort.typical import solved_repetition, typical_lifts
from momentshare.demo.lab import write_lab
from momentshare.directions import ROWS
from momentshare.explain import hardest_frames
from momentshare.report.figures.arm.geometry import arm_scene, hand_force, views
from momentshare.report.figures.cohort_arm import arm_caption, cohort_arm, drawn_lifts

pytest.importorskip("statsmodels")


def distances():
    """(condition, person) → (distance, trial, repetition) of the nearest, from the planted rows."""
    means = planted().tables["curves_moments"]
    means = means[(means["quantity"] == plan.MOMENT) & (means["lateral"] == SHOWN)]
    mean = {
        (r["condition"], r["row"], r["lift_percent"]): r["mean"] for r in means.to_dict("records")
    }
    counted = {o.number for o in planted().result.heads_counted}
    squares = defaultdict(list)
    for row in planted().rows["moments"]:
        held = "zero" if row["condition"] == plan.FREE_HANDS else SHOWN
        if row["lateral"] == held and row["trial"] in counted:
            key = row["condition"], row["person"], row["trial"], row["repetition"]
            off = row[plan.MOMENT] - mean[row["condition"], row["row"], row["lift_percent"]]
            squares[key].append(off**2)
    best = {}
    for (condition, person, *place), found in squares.items():
        mine = float(np.sqrt(np.mean(found))), *place
        best[condition, person] = min(mine, best.get((condition, person), mine))
    return best, squares


def test_the_person_nearest_to_the_means_is_found_from_the_planted_rows():
    best, squares = distances()
    people = defaultdict(list)
    for (_, person), (distance, *_) in best.items():
        people[person].append(distance**2)
    most = max(map(len, people.values()))
    warned = {o.person for o in planted().result.heads_counted if o.verdict == "warn"}
    assert warned == {person for person, _ in plan.WARNED}
    whole = {p: np.mean(d) for p, d in people.items() if len(d) == most}
    everywhere = {p: d for p, d in whole.items() if p not in warned}
    assert len(everywhere) > 1
    chosen = min(everywhere, key=everywhere.get)
    table = typical_lifts(planted().result, planted().summary).set_index("condition")
    assert list(table.index) == list(CONDITIONS)
    assert set(table["person"]) == {chosen}
    for condition, row in table.iterrows():
        distance, trial, repetition = best[condition, chosen]
        assert row["distance_nm"] == pytest.approx(distance)
        assert (row["trial"], row["repetition"]) == (trial, repetition)
        assert row["repetitions"] == sum(key[0] == condition for key in squares)
        assert not row["warned"]


def test_a_person_whose_measurement_warns_is_drawn_only_where_all_do():
    given = planted().result
    kept = tuple(o for o in given.outcomes if o.person in {p for p, _ in plan.WARNED})
    table = typical_lifts(replace(given, outcomes=kept), planted().summary)
    assert table["warned"].all()
    assert "A check of this person's measurements warns" in arm_caption(table, planted().summary)
    free = typical_lifts(given, planted().summary)
    assert "measurements warns" not in arm_caption(free, planted().summary)


def test_a_cohort_whose_files_are_gone_says_why_no_arm_is_drawn():
    typical = typical_lifts(planted().result, planted().summary)
    why = cohort_arm(planted().result, planted().summary, typical)
    assert isinstance(why, str)
    assert str(drawn_lifts(typical, planted().summary)["trial"].iloc[0]) in why or ".csv" in why


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    pytest.importorskip("ezc3d")
    place = write_lab(tmp_path_factory.mktemp("lab"), people=2, repetitions=1)
    head, *trials = place.read_text("utf-8").split("[[trial]]")
    names = [f"{p}_{c}." for p in ("ines", "runa") for c in ("wide", "narrow")]
    trials = [t.split("[[published]]")[0] for t in trials if any(n in t for n in names)]
    text = head + "".join("[[trial]]" + t for t in trials)
    text = re.sub(r"(?s)\[\[maximal_contraction\]\].*?(?=\[\[|\Z)", "", text)
    text = text.replace("[statistics]", "[statistics]\nsensitivity = false", 1)
    study = parse_cohort(text, "study.toml", place.parent)
    result = run_cohort(study, tmp_path_factory.mktemp("out"), workers=1)
    return result, summarise_cohort(result)


def test_the_drawing_holds_the_answer_of_the_named_trials(lab):
    result, summary = lab
    typical = typical_lifts(result, summary)
    drawn = drawn_lifts(typical, summary)
    assert len(drawn) == 2
    assert len(set(drawn["person"])) == 1
    pair = {
        row["condition"]: solved_repetition(
            result.study, row["trial"], row["repetition"], summary.mode
        )
        for row in drawn.to_dict("records")
    }
    frames = result.table("frames")
    for row in drawn.to_dict("records"):
        own = frames[
            (frames["trial"] == row["trial"])
            & (frames["repetition"] == row["repetition"])
            & (frames["lateral"] == summary.mode)
        ]
        wide = own.pivot_table(index="frame", columns="head", values="force_n", observed=True)
        answer = pair[row["condition"]]
        wanted = wide[list(answer.prepared.limb.head_names)].to_numpy()
        np.testing.assert_allclose(answer.force, wanted, atol=1e-6)
    found = cohort_arm(result, summary, typical)
    assert not isinstance(found, str), found
    figure = found()
    chosen = hardest_frames(list(pair.values()))
    heights = [a.prepared.lift.fraction[k] for a, k in zip(pair.values(), chosen, strict=True)]
    assert abs(heights[0] - heights[1]) < 0.05
    title = plain(figure.texts[0].get_text())
    told = " and ".join(dict.fromkeys(f"{100 * height:.0f} %" for height in heights))
    assert title.startswith(
        f"'{drawn['condition'][0]}' and '{drawn['condition'][1]}' at {told} of bar height"
    )
    told = re.findall(r"(\d+\.\d) and (\d+\.\d) cm from the (\w+)", title)
    said = head_of_figure(figure)
    scenes = [arm_scene(a, k) for a, k in zip(pair.values(), chosen, strict=True)]
    levers = [hand_force(scene, views(scene)[0]).levers for scene in scenes]
    for one, two, (first, second, joint) in zip(*levers, told, strict=True):
        assert one.joint == two.joint == joint
        assert (float(first), float(second)) == pytest.approx(
            (100.0 * one.distance, 100.0 * two.distance), abs=0.051
        )
        for lever in (one, two):
            assert f"{100 * lever.distance:.2f} cm × {lever.force:.1f} N" in said
            assert lever.distance * lever.force == pytest.approx(abs(lever.moment))
    caption = arm_caption(typical, summary)
    for row in drawn.to_dict("records"):
        assert (
            f"{row['condition']}: {row['person']}, trial {row['trial']}, repetition "
            f"{row['repetition']} ({row['distance_nm']:.1f} N·m from the mean)"
        ) in caption


def test_the_drawn_height_is_that_of_the_greatest_moments(lab):
    result, summary = lab
    typical = typical_lifts(result, summary)
    pair = [
        solved_repetition(result.study, r["trial"], r["repetition"], summary.mode)
        for r in drawn_lifts(typical, summary).to_dict("records")
    ]
    rows = [ROWS.index(row) for row in pair[0].criterion.rows]
    heights = np.linspace(0.0, 1.0, 401)
    sizes = [
        np.interp(heights, a.prepared.lift.fraction, np.sqrt((a.moments[:, rows] ** 2).sum(axis=1)))
        for a in pair
    ]
    most = heights[int(np.argmax(np.sum(sizes, axis=0)))]
    for answer, frame in zip(pair, hardest_frames(pair), strict=True):
        fraction = answer.prepared.lift.fraction
        assert abs(fraction[frame] - most) <= 0.5 * np.max(np.diff(fraction)) + 0.01


def test_who_lacks_the_reference_condition_is_not_taken(lab):
    """A person with fewer conditions never stands for all of them."""
    result, summary = lab
    whole = typical_lifts(result, summary)
    chosen = whole["person"].iloc[0]
    lost = next(o for o in result.outcomes if o.person == chosen and o.condition == "narrow")
    fewer = replace(result, outcomes=tuple(o for o in result.outcomes if o is not lost))
    table = typical_lifts(fewer, summary)
    assert isinstance(table, pd.DataFrame)
    assert set(table["person"]) == {o.person for o in result.outcomes} - {chosen}

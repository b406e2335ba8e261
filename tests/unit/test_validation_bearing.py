"""Published rows that bear on a claim are those of the validation table, and no others."""

import pytest

from momentshare.directions import DIRECTIONS
from momentshare.model import load_model
from momentshare.validation.bearing import misses, rows_on_heads, rows_on_strength, rows_table
from momentshare.validation.evaluate import evaluate
from momentshare.validation.probe import Probe
from momentshare.validation.targets import load_targets


@pytest.fixture(scope="module")
def model():
    return load_model()


@pytest.fixture(scope="module")
def strength(model):
    return rows_on_strength(model, DIRECTIONS)


def test_values_and_marks_are_those_of_the_targets(model, strength):
    targets = {t.id: t for t in load_targets(model)}
    chosen = [targets[row.id] for row in strength]
    for row, target, value in zip(
        strength, chosen, evaluate(chosen, Probe(model).limb), strict=True
    ):
        assert row.model == pytest.approx(float(value))
        assert row.right == target.is_right(float(value))
        assert row.published == target.published


def test_every_strength_row_is_there_but_those_that_compare_sexes(model, strength):
    wanted = set()
    for target in load_targets(model):
        if target.quantity != "strength":
            continue
        sexes = {ask.sex for ask in target.asks}
        if len(sexes) == 1 or target.combination == "mean":
            wanted.add(target.id)
    found = {row.id for row in strength}
    assert wanted <= found
    assert not any("women_men" in name or name.startswith("men_stronger") for name in found)


def test_rows_of_one_direction_are_about_it(model):
    rows = rows_on_strength(model, ["elbow_extension"])
    assert {row.about for row in rows} == {"elbow_extension"}
    targets = {t.id: t for t in load_targets(model)}
    for row in rows:
        assert any(ask.direction == "elbow_extension" for ask in targets[row.id].asks)


def test_rows_that_compare_postures_come_first_and_all_are_missed(strength):
    missed = misses(strength)
    assert missed
    assert all(not row.right for row in missed)
    order = [row.compares for row in missed]
    assert order == sorted(order, reverse=True)
    named = {row.id: row.compares for row in strength}
    assert named["ratio_extension_shoulder90_shoulder0"]
    assert not named["strength_elbow_extension_men"]
    assert not named["ratio_elbow_flexion_extension"]


def test_rows_of_heads_name_the_head_or_its_muscle(model):
    rows = rows_on_heads(model, ["triceps_brachii/long", "anconeus"])
    targets = {t.id: t for t in load_targets(model)}
    assert {row.about for row in rows} == {"triceps_brachii/long", "anconeus"}
    for row in rows:
        subjects = {s for ask in targets[row.id].asks for s in ask.subjects}
        assert subjects & {row.about, row.about.split("/")[0]}
    assert rows_on_heads(model, []) == ()


def test_a_row_says_what_was_published_and_what_the_limb_has(strength, model):
    for row in strength:
        assert row.text.startswith(f"{row.quantity} ({row.posture}): ")
        assert row.id not in row.text
        assert f"({row.cited})" in row.text
        if row.published == "larger":
            assert (
                "in this limb larger" if row.model > 0.0 else "in this limb smaller"
            ) in row.text
        else:
            assert row.published in row.text
            assert f"{row.model:.3g}" in row.text
    rows = rows_on_heads(model, ["teres_minor"])
    (sign,) = [row for row in rows if row.id == "cuff_teres_minor_abduction_sense"]
    found = "as named" if sign.model > 0.0 else "the reverse"
    assert f"published: as named; in this limb {found}, {abs(sign.model):.3g} mm (" in sign.text
    table = rows_table(strength)
    assert list(table["id"]) == [row.id for row in strength]

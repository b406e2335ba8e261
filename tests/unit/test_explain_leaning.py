"""Claims about a head that lean on others which the limb does not support.

The small case: an adductor that also turns the arm inward, another adductor that does not, and an
outward rotator that has to undo the turn. The less the rotator can give, the more its moment costs,
and the more of the first adductor's drive is that price.
"""

from __future__ import annotations

import re
from types import SimpleNamespace

import numpy as np
import pytest
from tests.planned import solved

from momentshare.explain import FrameProblem, drive_split, explain_head, leanings, limit_texts
from momentshare.explain.leaning import limit_keys
from momentshare.limits import LiftKind, Limit, Limits

CHEST, ROTATOR, OTHER = "pectoralis_major/abdominal", "infraspinatus/lower", "deltoid/clavicular"
ROWS = ("shoulder_internal_rotation", "shoulder_horizontal_adduction")
TURN, ACROSS = 0, 1
LIMITS = Limits(
    (
        Limit(
            key="L4",
            title="Effort of the external rotators",
            heads=("infraspinatus",),
            quantity="activation",
            exercises=("bar_press",),
            reason="short fibres",
        ),
    )
)


def explained(head=CHEST, rotator=600.0, fraction=0.5):
    problem = FrameProblem(
        head_names=(CHEST, ROTATOR, OTHER),
        row_names=ROWS,
        moment_arms=np.array([[0.02, -0.03, 0.0], [0.05, 0.0, 0.05]]),
        capacity=np.array([900.0, rotator, 900.0]),
        passive_force=np.zeros(3),
        moments=np.array([0.0, 25.0]),
        exponent=2.0,
        weights=np.ones(3),
        free_columns=np.zeros((2, 0)),
    )
    answer = problem.solve()
    return SimpleNamespace(
        head=head,
        problem=problem,
        sharing=answer,
        split=drive_split(problem, answer, head),
        height_fraction=fraction,
        lateral_mode="zero",
    )


def share_of_turn(found):
    """The same from multipliers and arms, by hand."""
    terms = found.sharing.multipliers * found.problem.moment_arms[:, 0]
    return abs(terms[TURN]) / abs(terms.sum())


@pytest.mark.parametrize("rotator", [250.0, 400.0, 600.0, 900.0, 2000.0, 6000.0])
def test_a_claim_leans_where_the_price_carries_more_than_half_of_the_drive(rotator):
    found = explained(rotator=rotator)
    share = share_of_turn(found)
    works = found.sharing.activation[1] >= 0.05
    got = leanings(found, LIMITS)
    assert bool(got) == (share > 0.5 and works)
    if got:
        (lean,) = got
        assert lean.row == "shoulder_internal_rotation"
        assert lean.heads == (ROTATOR,)
        assert lean.share == pytest.approx(share, rel=1e-9)


def test_both_answers_occur_in_the_small_case():
    found = [bool(leanings(explained(rotator=r), LIMITS)) for r in (250.0, 6000.0)]
    assert found == [True, False]


def test_the_sentence_names_row_share_heads_and_limit():
    found = explained(rotator=250.0)
    (text,) = limit_texts(found, LIMITS, LiftKind("bar_press"))
    assert f"{100 * share_of_turn(found):.0f} % of its sum" in text
    assert "depends on the lower infraspinatus, which this limb does not support" in text
    assert "(limit L4, Effort of the external rotators)" in text


def test_whatever_limit_a_sentence_names_is_among_the_keys_of_the_opening():
    """The keys are read out of the sentences; a head's own limits come first."""
    for found in (explained(rotator=250.0), explained(ROTATOR), explained(OTHER, rotator=250.0)):
        said = " ".join(limit_texts(found, LIMITS, LiftKind("bar_press")))
        keys = limit_keys(found, LIMITS, LiftKind("bar_press"))
        assert set(re.findall(r"limit (L\d+)", said)) == set(keys)
    assert limit_keys(explained(rotator=250.0), LIMITS, LiftKind("bar_press")) == ("L4",)
    assert limit_keys(explained(rotator=250.0), LIMITS, LiftKind("push_up")) == ()


def test_a_head_that_does_not_turn_the_arm_leans_on_nobody():
    assert limit_texts(explained(OTHER, rotator=250.0), LIMITS) == ()


def test_a_limited_head_says_so_itself():
    (text,) = limit_texts(explained(ROTATOR), LIMITS)
    assert text.startswith(
        "What is said about the lower infraspinatus depends on something that this limb does not"
    )
    assert "limit L4" in text


def test_in_another_exercise_nothing_is_said():
    found = explained(rotator=250.0)
    assert limit_texts(found, LIMITS, LiftKind("push_up")) == ()


def test_an_arm_that_cannot_be_borne_is_named_in_its_part_of_the_lift():
    limits = Limits(
        (
            Limit(
                key="L9",
                title="Arms of the cuff",
                heads=("infraspinatus",),
                quantity="rotation_arm",
                parts=("lock-out",),
                reason="r",
            ),
        )
    )
    assert limit_texts(explained(ROTATOR, fraction=0.5), limits) == ()
    (text,) = limit_texts(explained(ROTATOR, fraction=0.9), limits)
    assert (
        "The moment arm of the lower infraspinatus for shoulder internal rotation is not to be"
        in text
    )


def test_parts_of_a_solved_press_add_up_to_what_is_said():
    """Every head of a real frame: what leans carries more than half, by the table of its drive."""
    result = solved().cases[0].results[0]
    frame = 2
    for head in result.prepared.limb.head_names:
        found = explain_head(result, head, frame=frame)
        for lean in leanings(found, LIMITS, LiftKind("bar_press")):
            table = found.split.to_dataframe().set_index("row")["part"]
            assert abs(table[lean.row]) > 0.5 * abs(table.sum())
            assert all(name.startswith("infraspinatus") for name in lean.heads)

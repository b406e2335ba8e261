"""What two hands on a rigid bar leave open, and what bounds it."""

import numpy as np
import pytest
from scipy.optimize import linprog
from tests.planned import TEXT

from momentshare.analysis import Lateral, prepare, solve_lift
from momentshare.balance import APART, Criterion
from momentshare.directions import ROWS
from momentshare.errors import InputError
from momentshare.exercise import BenchPress, Profile, PushUp
from momentshare.exercise.demand import demand
from momentshare.exercise.hand import hand_limits
from momentshare.limb import build_limb
from momentshare.model import load_model
from momentshare.person import Person
from momentshare.reading import condition_table
from momentshare.report.text.messages import bound_sentences
from momentshare.runs import solve_variations
from momentshare.runs.variation import bound_couples, freed_couples
from momentshare.sharing import Status
from momentshare.study import parse_study, plan_study

FRAMES = 9


@pytest.fixture(scope="module")
def limb():
    return build_limb(Person(name="Ada", sex="male", stature=1.78, body_mass=80.0), load_model())


def press(limb, **changes):
    spacing = Profile.constant(1.5 * limb.skeleton.sizes.biacromial_breadth)
    given = {"load_mass": 30.0, "spacing": spacing, "frames": FRAMES, **changes}
    return prepare(limb, BenchPress(**given).lift(limb.skeleton))


def free(**changes):
    return Lateral(mode="free", couples="free", **changes)


def test_what_cancels_between_mirrored_hands():
    # The mirror of a force keeps its part in the midplane; that of a couple, an axial vector,
    # keeps its part across it. With the bar across, what is free is what turns its sign.
    mirror = np.diag([1.0, 1.0, -1.0])
    for k in range(3):
        axis = np.eye(3)[k]
        force, couple = mirror @ axis, np.linalg.det(mirror) * (mirror @ axis)
        assert np.allclose(force + axis, 0.0) == (k == 2)
        assert np.allclose(couple + axis, 0.0) == (k != 2)


@pytest.mark.parametrize("k", [0, 1])
def test_a_couple_is_that_of_two_forces_at_the_hand(limb, k):
    """Two opposite forces on either side of the hand, by their lever arms alone."""
    lift = press(limb).lift
    outward = np.array([0.0, 0.0, 1.0])
    axis = (lift.up, np.cross(outward, lift.up))[k]
    side = np.cross(axis, outward)  # axis = outward × side
    pair = _moments_of(limb, lift, lift.hand + 0.5 * outward, side)
    pair -= _moments_of(limb, lift, lift.hand - 0.5 * outward, side)
    need = demand(limb.skeleton, lift)
    np.testing.assert_allclose(need.couple_moments[..., k], pair, atol=1e-12)


def _moments_of(limb, lift, hand, force):
    """Moments that muscles supply for a force of the hand on the bar, by lever arms alone."""
    from momentshare.posture import arm_frame
    from momentshare.skeleton import body_poses

    out = np.empty((len(hand), len(ROWS)))
    poses = body_poses(limb.skeleton, lift.posture)
    frame = arm_frame(lift.posture.humerus)
    about_shoulder = np.cross(hand - lift.shoulder, force)
    out[:, :3] = np.einsum("fij,fj->fi", frame, about_shoulder)
    about_elbow = np.cross(hand - lift.elbow, force)
    out[:, 3] = -np.einsum("fj,fj->f", lift.posture.humerus[:, :, 2], about_elbow)
    point = np.cross(hand - poses.forearm_axis_point, force)
    out[:, 4] = np.einsum("fj,fj->f", poses.forearm_axis, point)
    return out


def test_moments_hold_the_couples(limb):
    ready = press(limb)
    given = (3.0, -2.0)
    plain = solve_lift(ready, Lateral(mode="zero"), greatest_load=False)
    turned = solve_lift(ready, Lateral(mode="zero", couples=given), greatest_load=False)
    np.testing.assert_allclose(
        turned.moments - plain.moments, ready.demand.couple_moments @ np.array(given), atol=1e-12
    )
    np.testing.assert_array_equal(turned.hand_couple, np.tile(given, (FRAMES, 1)))
    np.testing.assert_array_equal(turned.contact.shape, plain.contact.shape)
    solved = solve_lift(ready, free(), greatest_load=False)
    pull = np.einsum("fjh,fh->fj", ready.paths.moment_arms[:, :4], solved.force)
    met = solved.sharing.status == Status.SOLVED
    assert met.any()
    np.testing.assert_allclose(pull[met], solved.moments[met, :4], atol=1e-7)


def test_the_more_is_free_the_less_effort_it_takes(limb):
    ready = press(limb)

    def effort(lateral):
        answer = solve_lift(ready, lateral, greatest_load=False)
        weights = limb.area_weights
        assert (answer.sharing.status <= Status.SHORTFALL).all()
        return (weights * answer.activation**2).sum(axis=1), answer.sharing.unmet

    none, unmet_none = effort(Lateral(mode="zero"))
    push, _ = effort(Lateral(mode="free"))
    whole, unmet_whole = effort(free())
    met = np.abs(unmet_none).max(axis=1) < 1e-9
    assert met.any()
    assert (push[met] <= none[met] * (1 + 1e-9)).all()
    assert (whole[met] <= push[met] * (1 + 1e-9)).all()
    assert (np.abs(unmet_whole).max(axis=1)[met] < 1e-9).all()


def test_free_values_keep_within_what_a_hand_can_hold(limb):
    ready = press(limb)
    model = limb.model
    found = solve_lift(ready, free())
    most = model.number("hand_couple_male")
    assert (np.abs(found.hand_couple) <= most * (1 + 1e-9)).all()
    assert (np.abs(found.lateral_ratio) <= model.number("bar_friction") * (1 + 1e-9)).all()
    at = np.abs(found.hand_couple) >= most * (1 - 1e-9)
    np.testing.assert_array_equal(found.hand_bound_met[:, 1:], at)
    assert at.any()
    held = solve_lift(ready, Lateral(mode="free", bounds=(-0.01, 0.01)))
    assert held.hand_bound_met[:, 0].any()
    np.testing.assert_allclose(np.abs(held.lateral_ratio[held.hand_bound_met[:, 0]]), 0.01)


def test_friction_of_the_palm_bounds_a_push_up_and_no_couple_is_passed_on(limb):
    exercise = PushUp(
        spacing=Profile.constant(0.6), tuck=Profile.constant(np.radians(60.0)),
        tilt=Profile.constant(0.0), frames=FRAMES,
    )  # fmt: skip
    ready = prepare(limb, exercise.lift(limb.skeleton))
    found = hand_limits(limb.skeleton, ready.lift)
    np.testing.assert_array_equal(found.friction, limb.model.number("ground_friction"))
    np.testing.assert_array_equal(found.couple, 0.0)
    answer = solve_lift(ready, free(), greatest_load=False)
    plain = solve_lift(ready, Lateral(mode="free"), greatest_load=False)
    np.testing.assert_array_equal(answer.hand_couple, 0.0)
    assert not answer.hand_bound_met[:, 1:].any()
    np.testing.assert_allclose(answer.activation, plain.activation, atol=1e-9)


@pytest.mark.parametrize(
    ("mode", "bounds"), [("zero", None), ("free", None), ("free", (-0.05, 0.05))]
)
def test_greatest_load_is_that_of_a_linear_programme(limb, mode, bounds):
    """Against SciPy: load, activations, push within its ratio, couples within their bounds."""
    ready = press(limb)
    lateral = Lateral(mode=mode, bounds=bounds, couples="free")
    found = solve_lift(ready, lateral).greatest.factor
    balance = ready.balance(Criterion()).treated(lateral)
    ratio = limb.model.number("bar_friction") if bounds is None else bounds[1]
    most = limb.model.number("hand_couple_male")
    heads = len(balance.head_names)
    for f in range(FRAMES):
        loads = balance.arms[f] * balance.capacity[f]
        rest = balance.load.fixed[f] - balance.arms[f] @ balance.passive[f]
        push = balance.lever[f][:, None] if mode == "free" else np.zeros((4, 1))
        matrix = np.hstack([loads, -balance.load.each[f][:, None], -push, -balance.couple_lever[f]])
        width = ratio * balance.load.vertical[f]
        limit = np.zeros((2, heads + 4))
        limit[:, heads] = -width
        limit[:, heads + 1] = 1.0, -1.0
        cost = np.zeros(heads + 4)
        cost[heads] = -1.0
        answer = linprog(
            cost, A_ub=limit, b_ub=[0.0, 0.0], A_eq=matrix, b_eq=rest,
            bounds=[*[(0, 1)] * heads, (0, None), (None, None), *[(-most, most)] * 2],
        )  # fmt: skip
        if answer.status == 0:
            np.testing.assert_allclose(found[f], -answer.fun, rtol=1e-6)
        else:
            assert np.isnan(found[f])
    assert np.isfinite(found).any()


def test_the_glenoid_holds_with_couples_free(limb):
    ready = press(limb)
    for lateral in (free(), Lateral(mode="zero", couples="free")):
        kept = solve_lift(ready, lateral, greatest_load=False, glenoid=True)
        met = kept.sharing.status == Status.SOLVED
        assert met.any()
        assert (kept.sharing.certificate.bound_violation[met] < 1e-6).all()
        held = ready.balance(Criterion(), glenoid=True).glenoid
        shear = np.einsum("fij,fj->fi", held.frame, kept.contact)
        assert np.isfinite(shear).all()


def test_dumbbells_have_no_couples(limb):
    ready = press(limb, implement="dumbbells")
    with pytest.raises(InputError, match="couples of the hands"):
        solve_lift(ready, Lateral(mode="zero", couples="free"))
    assert solve_lift(ready, APART, greatest_load=False).hand_couple.max() == 0.0


@pytest.mark.parametrize("given", ["some", (1.0,), (np.nan, 0.0)])
def test_couples_that_are_none_are_refused(given):
    with pytest.raises(InputError, match="couples of the hands"):
        Lateral(mode="zero", couples=given)


def test_a_study_frees_them_and_says_where_a_bound_is_met():
    text = TEXT.replace("frames = 7", 'frames = 5\nhand_couples = "free"')
    plan = plan_study(parse_study(text), people=["Bram"])
    result = plan.solve(greatest_load=False)
    table = condition_table(result)
    assert (table.loc[table["condition"] == "dumbbells", "frames_at_couple_bound"] == 0).all()
    bar = table[table["condition"] == "wide"]
    assert set(bar["lateral"]) == {"measured", "zero", "free"}
    at_bound = bar.set_index("lateral")["frames_at_couple_bound"]
    assert at_bound["zero"] > 0
    assert at_bound["free"] > 0
    sentences = bound_sentences(result)
    assert any("couple of the hands" in s and "'wide', zero: " in s for s in sentences)
    assert not any("dumbbells" in s for s in sentences)


def test_variations_free_and_bind_the_couples():
    plan = plan_study(parse_study(TEXT.replace("frames = 7", "frames = 5")), people=["Bram"])
    ((_, freed),) = solve_variations(plan.setup, [freed_couples()])
    assert {case.condition for case in freed.cases} == {"narrow", "wide"}
    assert all(result.lateral.free_couples for _, result in freed.pairs())
    assert solve_variations(plan.setup, [bound_couples()]) == []

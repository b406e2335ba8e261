"""A given lateral ratio that changes along the lift."""

import numpy as np
import pytest
from tests.planned import TEXT

from momentshare.analysis import Lateral, prepare, solve_lift
from momentshare.errors import InputError, StudyError
from momentshare.exercise import BenchPress, Profile
from momentshare.limb import build_limb
from momentshare.maximal import driven_path
from momentshare.model import load_model
from momentshare.person import Person
from momentshare.runs import solve_variations
from momentshare.runs.variation import shifted_ratio
from momentshare.study import parse_study, plan_study

COURSE = Profile(((0.0, -0.08), (0.5, 0.02), (1.0, 0.12)))
STUDY = TEXT.replace("lateral_ratio = 0.1", "lateral_ratio = [[0, -0.08], [0.5, 0.02], [1, 0.12]]")


@pytest.fixture(scope="module")
def limb():
    return build_limb(Person(name="Ada", sex="male", stature=1.78, body_mass=80.0), load_model())


@pytest.mark.parametrize("duration", [None, 1.5])
def test_a_profile_is_the_same_as_its_value_in_every_frame(limb, duration):
    press = BenchPress(load_mass=30.0, spacing=Profile.constant(0.6), frames=9, duration=duration)
    ready = prepare(limb, press.lift(limb.skeleton))
    by_frame = tuple(map(float, COURSE(ready.lift.fraction)))
    whole = solve_lift(ready, Lateral(mode="measured", ratio=COURSE))
    each = solve_lift(ready, Lateral(mode="measured", ratio=by_frame))
    np.testing.assert_allclose(whole.lateral_ratio, by_frame, atol=1e-12)
    np.testing.assert_array_equal(whole.activation, each.activation)
    np.testing.assert_array_equal(whole.greatest.factor, each.greatest.factor)


def test_a_study_takes_points_and_solves_lifts_side_by_side():
    result = plan_study(parse_study(STUDY)).solve(greatest_load=False)
    for case, answer in result.pairs():
        if answer.lateral.mode == "measured":
            wanted = COURSE(case.prepared.lift.fraction) if case.condition == "wide" else -0.05
            np.testing.assert_allclose(answer.lateral_ratio, wanted, atol=1e-12)


def test_a_shift_moves_the_whole_profile():
    setup = plan_study(parse_study(STUDY), people=["Bram"], conditions=["wide"]).setup
    ((_, moved),) = solve_variations(setup, [shifted_ratio("more", 0.05)])
    ((case, answer),) = moved.pairs()
    np.testing.assert_allclose(
        answer.lateral_ratio, COURSE(case.prepared.lift.fraction) + 0.05, atol=1e-12
    )
    given = Lateral(mode="measured", ratio=COURSE)
    assert given.mean_ratio == pytest.approx(0.02, abs=2e-3)
    assert given.shifted(0.1).mean_ratio == pytest.approx(given.mean_ratio + 0.1)
    assert Lateral(mode="measured", ratio=(0.1, 0.3)).mean_ratio == pytest.approx(0.2)


def test_a_maximal_lift_takes_it_too(limb):
    path = driven_path(limb, BenchPress(load_mass=1.0, spacing=Profile.constant(0.6)), heights=21)
    at, speed = np.array([0, 10, 20]), np.zeros(3)
    found = path.acceleration(at, speed, 30.0, Lateral(mode="measured", ratio=COURSE))
    for k, a in zip(at, found, strict=True):
        one = Lateral(mode="measured", ratio=float(COURSE(path.lift.fraction[k : k + 1])[0]))
        np.testing.assert_allclose(path.acceleration(np.array([k]), speed[:1], 30.0, one), a)


def test_faults_are_named():
    with pytest.raises(InputError, match="between -2 and 2"):
        Lateral(mode="measured", ratio=Profile(((0.0, 0.1), (1.0, 3.0))))
    with pytest.raises(InputError, match="needs the heights"):
        Lateral(mode="measured", ratio=COURSE).ratios(5)
    for bad in ("1.5", "[[0, 0.1], [1, -1.2]]", "[[1, 0.1], [0, 0.2]]"):
        with pytest.raises(StudyError, match="lateral_ratio"):
            parse_study(TEXT.replace("lateral_ratio = 0.1", f"lateral_ratio = {bad}"))

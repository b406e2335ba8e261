"""A load driven along its path: closed forms, a twin without the grid, and the command."""

import json
from dataclasses import replace

import numpy as np
import pytest
from tests.planned import TEXT

from momentshare.analysis import prepare, solve_lift
from momentshare.balance import Criterion, Lateral
from momentshare.directions import ROWS
from momentshare.errors import InputError, PostureError
from momentshare.exercise import BenchPress, Profile, lying_elbow_extension
from momentshare.exercise.chain import motion_along
from momentshare.exercise.demand import demand
from momentshare.limb import build_limb
from momentshare.maximal import (
    MAXIMAL,
    DriveField,
    drive_load,
    driven_path,
    find_dip,
    greatest_passing_load,
    maximal_lifts,
)
from momentshare.maximal.motion import Drive, follow, held_load
from momentshare.model import load_model
from momentshare.person import Person
from momentshare.report.figures.maximal import lift_figure, loads_figure, sentences
from momentshare.study import parse_study
from momentshare.units import GRAVITY

ZERO = Lateral(mode="zero")
ANGLES = {
    "tuck": Profile(((0.0, np.radians(60.0)), (1.0, np.radians(82.0)))),
    "tilt": Profile(((0.0, np.radians(7.0)), (1.0, np.radians(-6.0)))),
}


@pytest.fixture(scope="module")
def limb():
    person = Person(name="Ada", sex="male", stature=1.8, body_mass=85.0, training_factor=1.3)
    return build_limb(person, load_model())


def press(limb, **changes):
    spacing = Profile.constant(1.4 * limb.skeleton.sizes.biacromial_breadth)
    return BenchPress(**{"load_mass": 1.0, "spacing": spacing, **ANGLES, **changes})


@pytest.fixture(scope="module")
def path(limb):
    return driven_path(limb, press(limb))


def test_a_constant_force_gives_the_fall_upward():
    found = follow(20.0, 0.45, lambda y, _: np.full(np.shape(y), 0.9))
    assert found.passed
    np.testing.assert_allclose(found.duration, np.sqrt(2 * 0.45 / 0.9), rtol=1e-7)
    np.testing.assert_allclose(found.speed**2, 2 * 0.9 * found.height, atol=1e-7)
    np.testing.assert_allclose(found.force, 20.0 * (GRAVITY + 0.9), rtol=1e-12)


def test_a_load_that_is_kept_comes_to_rest_at_the_top_by_its_weight_alone():
    # Pushed up at a, it is let off where 2 a y = 2 g (H - y).
    top, push = 0.45, 2.5
    found = follow(20.0, top, lambda y, _: np.full(np.shape(y), push), thrown=False)
    off = GRAVITY * top / (push + GRAVITY)
    fastest = np.sqrt(2 * push * off)
    assert found.passed
    np.testing.assert_allclose(found.duration, fastest / push + fastest / GRAVITY, rtol=1e-7)
    between = top / (len(found.height) - 1)  # heights reported, on a slope of at most g / v
    np.testing.assert_allclose(found.speed.max(), fastest, atol=GRAVITY / fastest * between)
    assert found.speed[-1] == pytest.approx(0.0, abs=1e-12)
    free = found.height > off * (1 + 1e-6)
    np.testing.assert_allclose(
        found.speed[free] ** 2, 2 * GRAVITY * (top - found.height[free]), atol=1e-6
    )
    np.testing.assert_array_equal(found.force[free], 0.0)
    # All work of the hands has gone into height.
    work = np.trapezoid(found.force, found.height)
    assert work == pytest.approx(20.0 * GRAVITY * top, rel=0.01)


def test_a_load_that_stops_on_the_way_is_not_brought_to_rest_at_the_top():
    found = follow(10.0, 0.5, lambda y, _: np.where(np.asarray(y) < 0.1, 1.0, -3.0), thrown=False)
    assert not found.passed
    assert found.height[-1] == pytest.approx(0.1 + 0.1 / 3.0, rel=1e-4)


def test_speed_follows_from_the_work_done_over_a_weak_zone():
    """v² = 2 ∫ a dy, whatever a is; here with a zone that slows the load down."""

    def acceleration(y, _):
        return 1.0 - 1.6 * np.exp(-(((np.asarray(y) - 0.2) / 0.06) ** 2))

    found = follow(50.0, 0.5, acceleration)
    fine = np.linspace(0.0, 0.5, 20001)
    a = acceleration(fine, None)
    work = np.concatenate([[0.0], np.cumsum(0.5 * (a[1:] + a[:-1])) * (fine[1] - fine[0])])
    wanted = np.sqrt(2.0 * np.interp(found.height, fine, work))
    np.testing.assert_allclose(found.speed, wanted, atol=1e-5)
    dip = find_dip(found, 0.5)
    zeros = fine[np.flatnonzero(np.diff(np.sign(a)))]
    np.testing.assert_allclose([dip.first_peak, dip.minimum], zeros / 0.5, atol=0.006)
    assert dip.second_peak == 1.0
    assert dip.first_peak_time < dip.minimum_time < found.duration


def test_a_force_that_falls_with_speed_gives_a_terminal_speed():
    """m dv/dt = F - c v - m g has the terminal speed (F - m g) / c and its exponential."""
    mass, force, slow = 40.0, 500.0, 300.0
    terminal, rate = (force - mass * GRAVITY) / slow, slow / mass
    found = follow(mass, 0.4, lambda y, v: (force - slow * v) / mass - GRAVITY + 0.0 * y)
    np.testing.assert_allclose(
        found.speed, terminal * (1.0 - np.exp(-rate * found.time)), atol=1e-6
    )


def test_a_load_that_is_too_heavy_stops_where_its_speed_is_used_up():
    # a = 1 up to 0.1 m, then -1: it stops at 0.2 m.
    found = follow(10.0, 0.5, lambda y, v: np.where(np.asarray(y) < 0.1, 1.0, -1.0) + 0.0 * v)
    assert not found.passed
    np.testing.assert_allclose(found.height[-1], 0.2, atol=1e-5)
    assert not follow(10.0, 0.5, lambda y, _: -0.1 + 0.0 * y).passed


class Ramp:
    """A path with a given force by height, whatever the speed."""

    def __init__(self, force):
        self.y = np.linspace(0.0, 0.5, 501)
        self.force = force(self.y)

    def field(self, load, _, *, fastest=1.0):
        a = self.force / load - GRAVITY
        return DriveField(
            load=load, height=self.y, speed=np.array([0.0, fastest]),
            acceleration=np.stack([a, a], axis=1),
        )  # fmt: skip

    glenoid = None

    def standing(self):
        return self

    def treated(self, _):
        return self

    def greatest_load(self, *, glenoid=False):
        assert not glenoid
        return self

    @property
    def factor(self):
        return self.force / GRAVITY


def test_greatest_load_is_the_mean_force_up_to_the_worst_height():
    """A load passes while ∫ F dy > m g y at every height: the least running mean of F over g."""
    ramp = Ramp(lambda y: 800.0 - 300.0 * np.exp(-(((y - 0.25) / 0.1) ** 2)))
    mean = np.cumsum(0.5 * (ramp.force[1:] + ramp.force[:-1])) / np.arange(1, 501)
    load, held = greatest_passing_load(ramp, ZERO)
    np.testing.assert_allclose(load, mean.min() / GRAVITY, rtol=5e-4)
    np.testing.assert_allclose(held, 500.0 / GRAVITY, rtol=1e-6)
    assert load > 1.1 * held


def test_nothing_heavier_than_what_is_held_on_the_chest_passes():
    ramp = Ramp(lambda y: 500.0 + 1000.0 * y)
    load, held = greatest_passing_load(ramp, ZERO)
    np.testing.assert_allclose([load, held], 500.0 / GRAVITY, rtol=2e-4)


def test_the_moments_are_those_of_the_whole_dynamics(limb, path):
    """Against the demand of a lift with that speed and acceleration, rebuilt from its motion."""
    load, speed, rise = 62.0, 0.4, -1.7
    balance = path._balance(np.arange(len(path.lift.fraction)), np.full(61, speed), load)
    got = balance.load.fixed + (rise + GRAVITY) * balance.load.each
    _, _, _, solve = press(limb).course(limb.skeleton)
    motion = motion_along(
        solve, path.lift.fraction, np.full(61, speed / path.travel),
        np.full(61, rise / path.travel),
    )  # fmt: skip
    need = demand(limb.skeleton, replace(path.lift, load_mass=load / 2, motion=motion))
    rows = [ROWS.index(name) for name in Criterion().rows]
    np.testing.assert_allclose(got, need.moments()[:, rows], rtol=1e-9, atol=1e-9)
    force = need.hand_force()
    np.testing.assert_allclose(force, 0.5 * load * (GRAVITY + rise), rtol=1e-5)


def test_the_heads_can_just_make_the_acceleration_that_is_found(path):
    """At it the moments can be met; a hundredth of gravity more cannot."""
    load, lateral = 60.0, Lateral(mode="free")
    at, speed = np.array([0, 10, 30, 50]), np.array([0.0, 0.1, 0.3, 0.5])
    top = path.acceleration(at, speed, load, lateral)
    balance = path._balance(at, speed, load).treated(lateral)
    for extra, met in ((-0.1, True), (0.1, False)):
        felt = top + extra + GRAVITY
        asked = balance.load.fixed + felt[:, None] * balance.load.each
        whole = replace(balance, moments=asked, vertical=0.5 * load * felt)
        answer = whole.share(Criterion())
        np.testing.assert_array_equal(answer.status == 0, met)


def test_at_rest_a_load_hangs_where_it_can_be_held(path):
    held = held_load(path, ZERO)
    for k in (0, 20, 45):
        found = path.acceleration(np.array([k]), np.zeros(1), float(held[k]), ZERO)
        np.testing.assert_allclose(found, 0.0, atol=1e-6)


def test_the_grid_moves_a_load_as_the_limb_itself_does(limb, path):
    """Twin: posture, paths, capacity and linear programme computed again at every step."""
    load, lateral = 0.8 * float(np.min(held_load(path, ZERO))), ZERO
    exercise = press(limb)

    def acceleration(y, v):
        out = np.empty(np.shape(y))
        for k, (height, speed) in enumerate(zip(np.atleast_1d(y), np.atleast_1d(v), strict=True)):
            out[k] = _anew(limb, exercise, path.travel, height, speed, load)
        return out

    quick = drive_load(path.field(load, lateral), thrown=True)
    height, speed = quick.height[::20], quick.speed[::20]
    np.testing.assert_allclose(
        np.interp(height, quick.height, quick.force / load - GRAVITY), acceleration(height, speed),
        atol=0.06,
    )  # fmt: skip
    fine = driven_path(limb, exercise, heights=241)
    finer = drive_load(fine.field(load, lateral, speeds=97), thrown=True)
    np.testing.assert_allclose(quick.duration, finer.duration, rtol=2e-3)
    np.testing.assert_allclose(quick.speed.max(), finer.speed.max(), rtol=2e-3)


def _anew(limb, exercise, travel, height, speed, load):
    """Greatest acceleration of one height and speed, from a lift that has only those."""
    from momentshare.analysis import prepare

    fraction = np.clip(np.array([height / travel]), 0.0, 1.0)
    _, _, _, solve = exercise.course(limb.skeleton)
    here = solve(fraction)
    flat = exercise.lift(limb.skeleton)

    def ready(rise):
        motion = motion_along(
            solve, fraction, np.array([speed / travel]), np.array([rise / travel])
        )
        lift = replace(
            flat, fraction=fraction, height=flat.height[:1], posture=here.posture,
            shoulder=here.shoulder, hand=here.hand, elbow=here.elbow,
            reachable=np.ones(1, bool), gap=np.zeros(1), motion=motion, load_mass=load / 2,
            time=None,
        )  # fmt: skip
        return prepare(limb, lift)

    from momentshare.sharing import greatest_factor

    still, moved = ready(-GRAVITY), ready(1.0 - GRAVITY)
    base = still.demand.moments()[:, :4]
    found = greatest_factor(
        still.paths.moment_arms[:, :4], still.state.active_capacity, base,
        moved.demand.moments()[:, :4] - base, passive_force=still.state.passive_force,
    )  # fmt: skip
    return float(np.nan_to_num(found.factor[0])) - GRAVITY


def test_finer_grids_give_the_same_greatest_load(limb, path):
    fine = driven_path(limb, press(limb), heights=121)
    for lateral in (ZERO, Lateral(mode="free"), Lateral(mode="measured", ratio=0.1)):
        np.testing.assert_allclose(
            greatest_passing_load(path, lateral)[0],
            greatest_passing_load(fine, lateral)[0],
            rtol=3e-3,
        )


def test_a_heavier_load_is_slower_all_the_way(path):
    slow, quick = (drive_load(path.field(load, ZERO), thrown=True) for load in (50.0, 30.0))
    assert slow.duration > quick.duration
    at = np.linspace(0.02, 0.9, 20) * path.travel
    assert (np.interp(at, slow.height, slow.speed) < np.interp(at, quick.height, quick.speed)).all()


def test_a_dip_that_is_none_is_not_told():
    y = np.linspace(0.0, 1.0, 101)

    def drive(speed, *, passed=True):
        return Drive(
            load=1.0, passed=passed, duration=1.0, time=y, height=y, speed=speed, force=0.0 * y
        )

    assert not find_dip(drive(y), 1.0).present
    assert not find_dip(drive(np.sin(np.pi * y)), 1.0).present  # slows down to lock-out
    wave = y + 0.001 * np.sin(40 * y) * 0.001
    assert not find_dip(drive(wave), 1.0).present
    stuck = find_dip(drive(np.sin(np.pi * y), passed=False), 1.0)
    assert stuck.present
    assert np.isnan(stuck.second_peak)


def test_what_has_no_course_is_refused(limb):
    with pytest.raises(InputError, match="a maximal lift needs a press"):
        driven_path(limb, lying_elbow_extension(10.0))
    with pytest.raises(InputError, match="must be more than zero"):
        driven_path(limb, press(limb)).field(0.0, ZERO)


PUSH_UP = """
[[condition]]
name = "push-up"
exercise = "push_up"
spacing_biacromial = 1.4
tuck_deg = 60
"""


@pytest.fixture(scope="module")
def report():
    return maximal_lifts(parse_study(TEXT + PUSH_UP), people=["Bram"], shares=(0.5, 0.8))


def test_a_study_is_driven_case_by_case(report):
    assert len(report.loads) == 3 + 3 + 1
    assert set(report.lifts["lift"]) == {"50 %", "80 %", MAXIMAL}
    assert len(report.refusals) == 1
    assert report.refusals[0].startswith("Bram, push-up: ")
    loads = report.loads.set_index(["condition", "lateral"])["greatest_load_kg"]
    top = report.lifts[report.lifts["lift"] == MAXIMAL].set_index(["condition", "lateral"])
    np.testing.assert_allclose(loads - top["load_kg"], 1.25)
    assert report.lifts["passed"].all()
    assert (report.lifts["peak_speed_mps"] >= report.lifts["mean_speed_mps"]).all()
    each = report.lifts.groupby(["condition", "lateral"], sort=False)["duration_s"]
    assert each.is_monotonic_increasing.all()
    steady = report.curves.groupby(["condition", "lateral", "lift"])["height_fraction"]
    assert steady.is_monotonic_increasing.all()


def test_words_and_figures(report):
    texts = sentences(report)
    assert sum("kg pass" in text for text in texts) == 7
    for figure in (lift_figure(report), loads_figure(report)):
        assert figure.axes
        figure.canvas.draw()


def test_the_limits_of_the_glenoid_are_kept_where_a_study_asks_for_them(limb, report):
    """No more can be driven within them, and at rest it is the greatest load of the lift."""
    text = TEXT.replace("frames = 7", "glenoid_constraint = true")
    kept = maximal_lifts(parse_study(text), people=["Bram"], shares=(0.8,))
    keys = ["condition", "lateral"]
    loads = report.loads.set_index(keys)["greatest_load_kg"]
    within = kept.loads.set_index(keys)["greatest_load_kg"]
    assert (within.fillna(0.0) <= loads.loc[within.index] * (1.0 + 2e-4)).all()
    path = driven_path(limb, press(limb), heights=9, glenoid=True)
    for lateral in (ZERO, Lateral(mode="free")):
        ready = prepare(limb, press(limb, frames=9).lift(limb.skeleton))
        wanted = solve_lift(ready, lateral, glenoid=True).greatest.factor
        # At no speed the default force–velocity curve gives 1.0023, a quasi-static lift has 1.
        np.testing.assert_allclose(held_load(path, lateral), wanted, rtol=3e-3)


def test_a_study_without_a_press_is_an_answer():
    start = TEXT[: TEXT.index("[[condition]]")]
    with pytest.raises(PostureError, match="no condition can be driven"):
        maximal_lifts(parse_study(start + PUSH_UP))


def test_the_command_writes_and_prints(tmp_path):
    from typer.testing import CliRunner

    from momentshare.cli.main import app

    place = tmp_path / "study.toml"
    place.write_text(TEXT, encoding="utf-8")
    out = tmp_path / "out"
    chosen = ["--person", "Edda", "--condition", "wide", "--share", "0.6"]
    run = CliRunner().invoke(app, ["maximal-lift", str(place), "--out", str(out), *chosen])
    assert run.exit_code == 0, run.output
    assert "kg pass" in run.output
    record = json.loads((out / "maximal_lift.json").read_text("utf-8"))
    assert {row["lift"] for row in record["lifts"]} == {"60 %", MAXIMAL}
    written = {p.name for p in out.iterdir()}
    assert written >= {"maximal_lift.json", "maximal_lifts.csv", "maximal_lift.png"}
    run = CliRunner().invoke(app, ["maximal-lift", str(place), "--share", "1.5"])
    assert isinstance(run.exception, InputError)

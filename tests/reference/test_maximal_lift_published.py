"""A maximal lift of the limb against published speeds, dips and loads; nothing here is fitted.

Sources, each read as an abstract unless said otherwise (``press_dynamics.csv``):

- González-Badillo and Sánchez-Medina 2010: mean velocity at 1RM 0.16 (0.04) m/s, n 120, and the
  velocity at each part of 1RM unchanged after 1RM rose by 9.3 %.
- Krzysztofik and others 2020: at 50 % of 1RM with maximal intent mean 0.82 and peak 1.14 m/s; three
  repetitions up in 1.51 s; 1RM 118.5 kg, travel 44.9 cm, n 10. No spread given: ±20 %.
- Pearson and others 2009: greatest mean power at 53.3 (1.7) %, greatest peak power at 49.7 (4.4) %
  of 1RM, n 12. Bands ±20 %, wider than two standard deviations.
- Valverde-Esteve and García-Manso 2021, n 11: a dip of velocity at 90 and 100 % of 1RM, none at 70
  and 80 %. Newton and others 1997 (read second-hand): at 90 %, not at 75 %.
- van den Tillaar and Ettema 2013, n 11: the dip is there in a lift from rest on the chest.
- Rodal and others 2022, n 30: velocities fall with load.
- Larsen and others 2021, n 14: 1RM 109.8 kg at 1.7 × biacromial, 108.9 at 1.4, 103.7 at 1.0.

What the limb misses is marked, with the value it has.
"""

import numpy as np
import pytest

from momentshare.balance import Lateral
from momentshare.exercise import BenchPress, Profile
from momentshare.limb import build_limb
from momentshare.maximal import drive_load, driven_path, find_dip, greatest_passing_load
from momentshare.model import load_model
from momentshare.person import Person

FREE = Lateral(mode="free")
HALF_STEP = 1.25
CHOSEN = 1.7
"""Hand spacing nearest to what lifters choose, 1.76 (0.17) × biacromial, n 16 (abstract read)."""

MISSED = {
    "peak velocity at 50 %": "1.75 m/s: let off at the last moment, by lifters sooner",
    "dip at 90 %": "no dip: the limb is weakest on the chest",
    "dip at 1RM from rest": "no dip: the limb is weakest on the chest",
    "load of greatest mean power": "65 %: light loads are let off early",
    "wide over narrow": "narrow is stronger by 2 % on the chest, where all are weakest",
}


def person_limb(training):
    person = Person(
        name="mean man", sex="male", stature=1.756, body_mass=85.5, training_factor=training
    )
    return build_limb(person, load_model())


def path_of(limb, spacing):
    width = Profile.constant(spacing * limb.skeleton.sizes.biacromial_breadth)
    return driven_path(limb, BenchPress(load_mass=1.0, spacing=width))


@pytest.fixture(scope="module")
def trained():
    return person_limb(load_model().number("volume_athlete_over_student"))


@pytest.fixture(scope="module")
def answers(trained):
    """Everything that the rows below require of the limb."""
    path = path_of(trained, CHOSEN)
    greatest, _ = greatest_passing_load(path, FREE)
    shares = np.round(np.arange(0.2, 0.96, 0.05), 2)
    drives = {float(s): drive_load(path.field(s * greatest, FREE)) for s in shares}
    drives[1.0] = drive_load(path.field(greatest - HALF_STEP, FREE))
    power = {s: (d.force * d.speed).max() for s, d in drives.items()}
    mean_power = {s: np.trapezoid(d.force, d.height) / d.duration for s, d in drives.items()}
    dips = {s: find_dip(d, path.travel).present for s, d in drives.items()}
    loads = {s: greatest_passing_load(path_of(trained, s), FREE)[0] for s in (1.0, 1.4, 1.7)}
    speeds = [d.mean_speed for d in drives.values()]
    return {
        "mean velocity at 1RM": drives[1.0].mean_speed,
        "mean velocity at 50 %": drives[0.5].mean_speed,
        "peak velocity at 50 %": drives[0.5].speed.max(),
        "duration at 50 %": drives[0.5].duration,
        "load of greatest mean power": 100 * max(mean_power, key=mean_power.get),
        "load of greatest peak power": 100 * max(power, key=power.get),
        "no dip at 70 to 80 %": not any(dips[s] for s in (0.7, 0.75, 0.8)),
        "dip at 90 %": dips[0.9],
        "dip at 1RM from rest": dips[1.0],
        "velocities fall with load": bool(np.all(np.diff(speeds) < 0.0)),
        "wide over narrow": loads[1.7] > loads[1.0],
        "medium over narrow": loads[1.4] > loads[1.0],
    }


def rows(*given):
    """Mark the rows that the limb misses; it may come right when the limb changes."""
    return [
        pytest.param(
            *row,
            id=row[0],
            marks=[pytest.mark.xfail(reason=MISSED[row[0]], strict=False)]
            if row[0] in MISSED
            else [],
        )
        for row in given
    ]


@pytest.mark.parametrize(
    ("name", "low", "high"),
    rows(
        ("mean velocity at 1RM", 0.08, 0.24),
        ("mean velocity at 50 %", 0.8 * 0.82, 1.2 * 0.82),
        ("peak velocity at 50 %", 0.8 * 1.14, 1.2 * 1.14),
        ("duration at 50 %", 0.8 * 1.51 / 3, 1.2 * 1.51 / 3),
        ("load of greatest mean power", 0.8 * 53.3, 1.2 * 53.3),
        ("load of greatest peak power", 0.8 * 49.7, 1.2 * 49.7),
    ),
)
def test_number(answers, name, low, high):
    assert low <= answers[name] <= high, f"{name}: {answers[name]:.3g}"


@pytest.mark.parametrize(
    "name",
    rows(
        ("no dip at 70 to 80 %",),
        ("dip at 90 %",),
        ("dip at 1RM from rest",),
        ("velocities fall with load",),
        ("wide over narrow",),
        ("medium over narrow",),
    ),
)
def test_sense(answers, name):
    assert answers[name]


def test_velocity_at_each_part_of_the_greatest_load_does_not_change_with_strength(trained):
    """1RM risen by 9.3 % (González-Badillo and Sánchez-Medina 2010, sign); within a twentieth."""
    speeds = []
    for limb in (trained, person_limb(1.1 * load_model().number("volume_athlete_over_student"))):
        path = path_of(limb, CHOSEN)
        greatest, _ = greatest_passing_load(path, FREE)
        speeds.append(
            [drive_load(path.field(s * greatest, FREE)).mean_speed for s in (0.4, 0.6, 0.8)]
        )
    np.testing.assert_allclose(speeds[1], speeds[0], rtol=0.05)

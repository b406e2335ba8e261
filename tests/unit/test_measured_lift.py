"""A repetition cut from a track: every signal of it at the frames."""

import numpy as np
import pytest

from momentshare.exercise import BenchPress, Profile
from momentshare.model import load_model
from momentshare.person import Person
from momentshare.signals import at_positions, derivative
from momentshare.skeleton import build_skeleton
from momentshare.trial.invent import Imperfections, Tempo, invent_press, recorded
from momentshare.trial.process import process_trial


@pytest.fixture(scope="module")
def trial():
    person = Person(name="A", sex="male", stature=1.80, body_mass=80.0)
    skeleton = build_skeleton(person, load_model())
    press = BenchPress(load_mass=60.0, spacing=Profile.constant(0.55))
    truth = invent_press(press, skeleton, Tempo(repetitions=2), rate=100.0)
    return process_trial(recorded(truth, Imperfections(marker_noise=0.001)), skeleton, load=60.0)


@pytest.mark.parametrize("number", [0, 1])
def test_a_lift_shows_what_splines_through_the_whole_recording_show(trial, number):
    """Only the samples around a repetition take part; the others would change no digit."""
    track, item = trial.track, trial.repetitions[number]
    assert item.repetition.chest > 100
    assert len(track.height) - item.repetition.lockout > 60
    lift, posture = item.measured.lift, track.posture
    for found, signal in (
        (lift.posture.elbow_flexion, posture.elbow_flexion),
        (lift.posture.girdle, posture.girdle),
        (lift.hand - lift.shoulder, track.hand),
        (lift.motion.hand_velocity, derivative(track.hand, track.rate)),
        (lift.motion.girdle_velocity, derivative(posture.girdle, track.rate)),
        (lift.motion.elbow_flexion_velocity, derivative(posture.elbow_flexion, track.rate)),
        (item.measured.speed, derivative(track.height, track.rate)),
    ):
        whole = at_positions(signal, item.positions)
        np.testing.assert_allclose(found, whole, rtol=0.0, atol=1e-12 * np.abs(whole).max())

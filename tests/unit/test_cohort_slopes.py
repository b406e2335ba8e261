"""Slopes of a cohort's sternums: who counts, what depends on them, and how a report tells them."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from tests.bench_study import write_study

from momentshare.cohort import slopes
from momentshare.cohort.check import check_trials
from momentshare.cohort.load import load_cohort
from momentshare.cohort.preflight import trial_tag
from momentshare.cohort.run import run_cohort
from momentshare.cohort.setup import measured_lifts
from momentshare.cohort.slopes import with_slopes
from momentshare.errors import ProcessError
from momentshare.model import load_model
from momentshare.trial.motion.slopes import Lying, estimate_slopes
from momentshare.trial.motion.trunk import STERNUM_SLOPE

pytest.importorskip("ezc3d")


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    return write_study(tmp_path_factory.mktemp("bench"), people=3, grips=2)


@pytest.fixture(scope="module")
def study(written):
    return load_cohort(written[0])


@pytest.fixture(scope="module")
def found(study):
    return with_slopes(study, workers=1)


def test_every_person_has_one_from_how_all_lie(found, written):
    _, truths = written
    lying = []
    for (person, grip), truth in truths.items():
        pitch = np.arcsin(truth.trunk[:, 1, 1]).mean()
        lying.append(Lying(person=person, condition=grip, angle=pitch - truth.lifter.sternum_angle))
    wanted = estimate_slopes(lying)
    assert set(found.slopes) == set(wanted)
    for person, item in found.slopes.items():
        # Skin moves the landmarks of a sternum of 17 cm by 5 mm.
        assert abs(item.angle - wanted[person].angle) < np.radians(2.0)
        assert item.people == 3


def test_they_do_not_depend_on_which_trials_are_run(found, study):
    one = study.only(people=[study.file.person[0].name])
    assert with_slopes(one, workers=1).slopes == found.slopes


def test_a_trial_that_is_not_used_shows_nothing(found, study):
    first, *others = study.file.trial
    without = first.model_copy(update={"use": False, "reason": "slipped"})
    file = study.file.model_copy(update={"trial": [without, *others]})
    other = with_slopes(replace(study, file=file), workers=1).slopes
    assert other != found.slopes
    assert set(other) == set(found.slopes)


def test_a_study_may_ask_for_the_assumed_slope(study, found):
    given = study.file.processing.model_copy(update={"sternum_slope": "assumed"})
    asked = replace(study, file=study.file.model_copy(update={"processing": given}))
    assert with_slopes(asked, workers=1).slopes == {}
    told = [item for item in check_trials(asked) if not item.fault]
    assert {item.slope_people for item in told} == {0}
    assert {round(np.degrees(item.slope_spread), 6) for item in told} == {5.0}


def test_layouts_that_show_the_back_need_none(study, monkeypatch):
    def fails(*_):
        raise AssertionError("nothing should be read")

    monkeypatch.setattr(slopes, "collect_answers", fails)
    layouts = [
        x.model_copy(update={"markers": x.markers | {"c7": "C7", "t8": "T8"}})
        for x in study.file.layout
    ]
    seen = replace(study, file=study.file.model_copy(update={"layout": layouts}))
    assert with_slopes(seen, workers=1).slopes == {}


def test_a_trial_is_solved_again_when_a_slope_changes(found, study):
    model = load_model(study.file.model)
    (number, *_) = study.numbers
    person = study.file.trial[number - 1].person
    other = replace(found.slopes[person], angle=found.slopes[person].angle + 1e-4)
    moved = replace(found, slopes={**found.slopes, person: other})
    tags = [trial_tag(s, number, model) for s in (found, study, moved)]
    assert len(set(tags)) == 3


def test_a_process_that_died_ends_the_run_with_the_reason(study, monkeypatch):
    """Without its person every other slope would be another, and nothing would say so."""
    monkeypatch.setattr(
        slopes, "collect_answers", lambda _, tasks, __: ((k, None) for k, _ in tasks)
    )
    with pytest.raises(ProcessError, match="P01: the process that read how the sternum lies died"):
        with_slopes(study, workers=1)


def test_draws_know_the_spread_and_what_people_share(found, study):
    lifts = measured_lifts(study, frames=7, workers=1)
    for task in lifts.setup.tasks:
        item = found.slopes[task.person]
        assert (task.slope_spread, task.slope_shared) == (item.spread, item.shared)
        assert 0.0 < item.shared < item.spread


def test_the_methods_tell_slope_spread_and_what_it_may_cost(study, found, tmp_path):
    from momentshare.report.text.cohort_places import places_text

    result = run_cohort(study, tmp_path / "out", workers=1)
    text = places_text(result)
    angles = [round(float(np.degrees(item.angle))) for item in found.slopes.values()]
    off = np.degrees(np.sqrt(np.mean([item.spread**2 for item in found.slopes.values()])))
    assert min(angles) != round(np.degrees(STERNUM_SLOPE)) != max(angles)
    table = pd.DataFrame(result.table("places")).query("other == 'steeper'")
    size = np.sqrt((table["rms_change_nm"] ** 2).groupby(table["row"]).mean())
    assert size.idxmax() == "shoulder_elevation"
    assert (
        "The slope of the sternum was not measured in 6 trials: it was taken, at "
        f"{min(angles)} to {max(angles)} degrees, from how it lay on the bench among those of 3 "
        f"people, and may be off by {off:.1f} degrees, which stands for an error of "
        f"{size.max():.1f} N·m in elevation (root mean square), alike in all lifts of a person."
    ) in text
    assert "steeper" not in text

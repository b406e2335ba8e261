"""What is said of a bar path that a study leaves open."""

import numpy as np
import pytest
from tests.planned import TEXT

from momentshare.report.text.bar_path import default_path_sentences, touch_point, tuck_angle
from momentshare.study import parse_study, run_study

ANGLES = "tuck_deg = [[0, 60], [1, 82]]\nforearm_tilt_deg = [[0, 7], [1, -6]]\n"


def solved(text):
    return run_study(parse_study(text), band=False)


def test_nothing_is_said_of_angles_that_are_given():
    result = solved(TEXT)
    assert default_path_sentences(result) == []
    wide = next(case for case in result.cases if case.condition == "wide")
    np.testing.assert_allclose(np.degrees(tuck_angle(wide.prepared.lift)[[0, -1]]), [60.0, 82.0])


def test_default_touch_points_are_named_with_how_they_are_known(monkeypatch):
    result = solved(TEXT.replace(ANGLES, ""))
    touch, lockout = default_path_sentences(result)
    assert "'narrow' " in touch
    assert "'wide' " in touch
    assert "'dumbbells' " not in touch.split(" at: ")[1]  # its tuck is given
    assert "geometry" in touch
    assert "no source" in touch
    assert "over the shoulder joint" in lockout
    places = {case.condition: touch_point(case) for case in result.cases}
    assert places["narrow"] > places["wide"] > 0.0
    narrow = np.mean([touch_point(case) for case in result.cases if case.condition == "narrow"])
    assert f"'narrow' {100 * narrow:.0f} cm, tuck" in touch
    for place, told in ((-0.02, "2 cm towards the head"), (-0.004, "0 cm")):
        monkeypatch.setattr("momentshare.report.text.bar_path.touch_point", lambda _, p=place: p)
        assert f"'narrow' {told}, tuck" in default_path_sentences(result)[0]


def test_a_touch_point_that_is_given_is_where_the_bar_touches():
    text = TEXT.replace(ANGLES, "touch_point_cm = 14\nlockout_over_shoulder_cm = 2\n")
    result = solved(text)
    assert default_path_sentences(result) == []
    for case in result.cases:
        if case.condition != "dumbbells":
            assert touch_point(case) == pytest.approx(0.14, abs=1e-9)

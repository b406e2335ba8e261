"""Moment arms as drawn: the slope of the path of the named head, about the named row."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from matplotlib.colors import to_hex
from tests.drawn import head_of_figure, labelled, legend, plain, points, spoken

from momentshare.directions import ROWS
from momentshare.exercise import reachable
from momentshare.limb import build_limb
from momentshare.model import load_model
from momentshare.posture import posture_from_angles
from momentshare.report.figures.layout import WIDEST
from momentshare.report.figures.moment_arms import SWEEPS, arm_figure
from momentshare.validation.evaluate import average_person

LIFTED = {
    "plane": 30.0,
    "elevation": 45.0,
    "axial": 0.0,
    "elbow_flexion": 60.0,
    "forearm_rotation": 90.0,
}
SLOPES = {
    "elbow": ("elbow_extension", 1.0),  # flexing shortens what flexes and lengthens what extends
    "forearm": ("forearm_pronation", -1.0),
}


@cache
def limb():
    model = load_model()
    return build_limb(average_person(model, "male"), model)


@cache
def figure_of(name: str):
    return arm_figure(limb(), name)


def panels_of(figure, head) -> list[object]:
    """Panels of a head: one, or one for the shoulder and one beyond it."""
    found = {plain(ax.get_title(loc="left")): ax for ax in figure.axes}
    assert len(found) == len(figure.axes)
    named = [f"{spoken(head)}{more}" for more in ("", ": shoulder", ": elbow, forearm")]
    mine = [found[name] for name in named if name in found]
    assert len(mine) in {1, 2}
    return mine


def arm_of(figure, head, key) -> np.ndarray | None:
    """Return the curve of a colour in the panels of a head, or nothing where it has no such arm."""
    curves = [c for ax in panels_of(figure, head) if (c := drawn_arm(ax, key)) is not None]
    assert len(curves) <= 1
    return curves[0] if curves else None


def drawn_arm(ax, key) -> np.ndarray | None:
    """Return the curve of a colour, or nothing where a head has no arm worth drawing."""
    lines = [
        line
        for line in ax.lines
        if to_hex(line.get_color()) == to_hex(key.get_color()) and len(line.get_xdata()) > 2
        and line.get_linestyle() not in {"None", ""}
    ]  # fmt: skip
    assert len(lines) <= 1
    return points(lines[0]) if lines else None


@pytest.mark.parametrize("name", SLOPES)
def test_arm_is_the_slope_of_the_path_of_its_head(name):
    """Moment arm = -d(length)/d(coordinate), by differences of the path's length."""
    figure, (row, sign) = figure_of(name), SLOPES[name]
    key = legend(figure)[labelled(row)]
    swept = SWEEPS[name][0]
    assert figure.axes[-1].get_xlabel() == f"{swept.replace('_', ' ')} [deg]"
    assert figure.axes[0].get_ylabel() == "moment arm [mm]"
    seen = 0
    for index, head in enumerate(limb().head_names):
        curve = arm_of(figure, head, key)
        if curve is None:
            continue
        angles = curve[:, 0]
        held = LIFTED | {swept: angles}
        posture = posture_from_angles(
            **{k: np.radians(np.broadcast_to(v, angles.shape)) for k, v in held.items()}
        )
        length = limb().paths(posture).length[:, index]
        slope = 1000.0 * sign * np.gradient(length, np.radians(angles))
        inner = slice(2, -2)
        error = np.abs(curve[inner, 1] - slope[inner])
        # A path that meets or leaves a surface bends its slope within one step.
        assert np.quantile(error, 0.9) < 0.05
        assert error.max() < 0.1 * np.abs(slope).max() + 0.5
        seen += 1
    assert seen >= 4


def test_every_row_is_drawn_in_the_colour_that_names_it():
    figure = figure_of("elbow")
    angles = np.linspace(*SWEEPS["elbow"][1], 271)
    held = LIFTED | {"elbow_flexion": angles}
    posture = posture_from_angles(
        **{k: np.radians(np.broadcast_to(v, angles.shape)) for k, v in held.items()}
    )
    found, beyond = limb().paths(posture), ~reachable(limb().skeleton, posture)
    keys = legend(figure)
    assert set(keys) == {
        *(labelled(row) for row in ROWS), "touches a surface", "out of reach"
    }  # fmt: skip
    for index, head in enumerate(limb().head_names):
        for at, row in enumerate(ROWS):
            arm = 1000.0 * found.moment_arms[:, at, index]
            curve = arm_of(figure, head, keys[labelled(row)])
            assert (curve is None) == (np.abs(arm).max() <= 0.5)
            if curve is not None:
                np.testing.assert_allclose(curve, np.column_stack([angles, arm]), atol=1e-9)
        for ax in panels_of(figure, head):
            dots = next(line for line in ax.lines if line.get_marker() == ".")
            np.testing.assert_array_equal(dots.get_xdata(), angles[found.contact[:, index]])
    assert not beyond.all()
    held_words = "Held: plane 30, elevation 45, axial 0, forearm rotation 90 [deg]"
    assert held_words in head_of_figure(figure)


@pytest.mark.parametrize("name", ["elbow", "elevation_scapular"])
def test_at_most_four_arms_share_a_panel(name):
    figure = figure_of(name)
    lines = [
        sum(len(x.get_xdata()) > 2 and x.get_linestyle() not in {"None", ""} for x in ax.lines)
        for ax in figure.axes
    ]
    assert max(lines) == 4
    parted = [h for h in limb().head_names if len(panels_of(figure, h)) == 2]
    assert "biceps_brachii/long" in parted
    width, height = figure.get_size_inches()
    assert width <= WIDEST
    figure.draw_without_rendering()
    for box in (ax.get_tightbbox() for ax in figure.axes):
        assert box.x0 >= 0.0
        assert box.x1 <= width * figure.dpi
        assert box.y1 <= height * figure.dpi

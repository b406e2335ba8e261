"""A small page of ``momentshare explore`` and what tests of it share."""

import numpy as np
import pytest

from momentshare.exercise import BarPath, BenchPress, Profile
from momentshare.explore import build_page
from momentshare.explore.grid import HEIGHTS, Nodes
from momentshare.study import parse_study, plan_study

STUDY = """
title = "Two presses"
note = "Invented people."
[settings]
lateral = ["measured", "zero", "free"]
[[person]]
name = "Ada"
sex = "female"
stature_cm = 166
body_mass_kg = 62
training_factor = 1.2
[[condition]]
name = "narrow"
exercise = "bar_press"
spacing_biacromial = 1.1
load_kg = 24
lateral_ratio = [[0.0, 0.02], [0.5, 0.12], [1.0, 0.08]]
[[condition]]
name = "overhead"
exercise = "overhead_press"
spacing_biacromial = 1.6
load_kg = 10
"""
PLAIN = "task=bar"
"""View of a page that does not begin with the conditions of its study."""
NODES = Nodes(spacings=(1.0, 1.6, 2.2), touches=(0.08, 0.14), angles=(0.0, 30.0))


@pytest.fixture(scope="session", name="study")
def a_study():
    return parse_study(STUDY, "two presses")


@pytest.fixture(scope="session", name="page")
def a_page(study, tmp_path_factory):
    place = tmp_path_factory.mktemp("explore") / "page.html"
    place.write_text(build_page(study, draws=16, levels=(NODES,)), encoding="utf-8")
    return place


@pytest.fixture(scope="session", name="limb")
def a_limb(study):
    return plan_study(study).limbs().take(0)


def press(limb, state, load):
    """The press of a state, with a load [kg]."""
    breadth = limb.skeleton.sizes.biacromial_breadth
    return BenchPress(
        load_mass=load,
        spacing=Profile.constant(NODES.spacings[state["spacing"]] * breadth),
        path=BarPath(touch=NODES.touches[state["touch"]]),
        bench_angle=float(np.radians(NODES.angles[state["angle"]])),
        frames=HEIGHTS,
    )


def begun(driver):
    """Wait until the page has drawn."""
    driver.set_script_timeout(30)
    driver.execute_async_script(
        "const done = arguments[0]; const wait = () => document.body.dataset.ms"
        " ? done() : setTimeout(wait, 20); wait();"
    )

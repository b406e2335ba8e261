"""A head that pulls along several lines is the mean of heads with one line each."""

import dataclasses
import shutil

import numpy as np
import pytest

from momentshare.errors import InputError
from momentshare.model import load_model
from momentshare.paths import paths
from momentshare.person import Person
from momentshare.posture import posture_from_angles
from momentshare.skeleton import build_skeleton

RUNA = Person(name="Runa", sex="female", stature=1.63, body_mass=61.0)
POSTURES = posture_from_angles(
    plane=np.radians([30.0, 60.0, 0.0, 90.0]),
    elevation=np.radians([10.0, 75.0, 90.0, 120.0]),
    axial=np.radians([0.0, -40.0, 10.0, -60.0]),
    elbow_flexion=np.radians([5.0, 60.0, 110.0, 130.0]),
    forearm_rotation=np.radians([90.0, 0.0, 150.0, 90.0]),
)
MEANS = ("length", "moment_arms", "shoulder_moment", "line_of_action")


def one_line_a_head(model):
    """The described limb with the first line of every head alone."""
    heads = tuple(dataclasses.replace(head, lines=head.lines[:1]) for head in model.heads)
    return dataclasses.replace(model, heads=heads)


def joined(model, first, second):
    """The model with the line of ``second`` added to those of ``first``."""
    lines = {head.name: head.lines for head in model.heads}
    heads = tuple(
        dataclasses.replace(head, lines=lines[first] + lines[second])
        if head.name == first
        else head
        for head in model.heads
    )
    return dataclasses.replace(model, heads=heads)


PAIRS = [
    ("infraspinatus/upper", "infraspinatus/lower"),
    ("deltoid/clavicular", "deltoid/spinal"),
    ("triceps_brachii/long", "triceps_brachii/medial"),
]


@pytest.mark.parametrize("method", ["numpy", "compiled"])
@pytest.mark.parametrize(("first", "second"), PAIRS)
def test_a_head_of_two_lines_is_their_mean(first, second, method):
    apart = one_line_a_head(load_model())
    names = apart.head_names
    one = paths(build_skeleton(RUNA, apart), POSTURES, method=method)
    both = paths(build_skeleton(RUNA, joined(apart, first, second)), POSTURES, method=method)
    a, b = names.index(first), names.index(second)
    for name in MEANS:
        axis = -2 if name in {"shoulder_moment", "line_of_action"} else -1
        alone, together = getattr(one, name), getattr(both, name)
        mean = (alone.take(a, axis) + alone.take(b, axis)) / 2.0
        np.testing.assert_allclose(together.take(a, axis), mean, atol=1e-15, err_msg=name)
        others = np.delete(np.arange(len(names)), a)
        np.testing.assert_array_equal(together.take(others, axis), alone.take(others, axis))
    np.testing.assert_array_equal(both.contact[:, a], one.contact[:, a] | one.contact[:, b])
    np.testing.assert_array_equal(both.inside[:, a], one.inside[:, a] | one.inside[:, b])
    np.testing.assert_array_equal(both.margin[:, a], np.minimum(one.margin[:, a], one.margin[:, b]))


def test_a_model_file_gives_a_head_one_line_or_several(tmp_path):
    source = load_model().path
    folder = tmp_path / "limb"
    shutil.copytree(source, folder)
    if not (folder / "references.bib").exists():
        shutil.copy(source.parent / "references.bib", tmp_path / "references.bib")
    file = folder / "limb.toml"
    text = file.read_text()
    line = (
        '"coracobrachialis" = ["coracobrachialis_origin", "round:conjoint_front+", '
        '"coracobrachialis_insertion"]'
    )
    assert line in text
    two = '[["coracobrachialis_origin", "coracobrachialis_insertion"], '
    two += '["biceps_short_origin", "coracobrachialis_insertion"]]'
    file.write_text(text.replace(line, f'"coracobrachialis" = {two}'))
    model = load_model(folder)
    head = model.heads[model.head_names.index("coracobrachialis")]
    assert [[step.name for step in line] for line in head.lines] == [
        ["coracobrachialis_origin", "coracobrachialis_insertion"],
        ["biceps_short_origin", "coracobrachialis_insertion"],
    ]
    assert model.digest != load_model().digest
    file.write_text(text.replace(line, f'"coracobrachialis" = {two.replace("biceps_short", "x")}'))
    with pytest.raises(InputError, match=r"limb\.toml.*coracobrachialis.*unknown site 'x_origin'"):
        load_model(folder)

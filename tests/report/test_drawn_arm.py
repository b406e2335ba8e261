"""The drawn arm: its points, arrows, distances and bands are the numbers of the lift."""

import re
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.text import Text
from tests.drawn import head_of_figure, plain

from momentshare import reading
from momentshare.directions import ROWS, moment_direction
from momentshare.errors import InputError
from momentshare.posture import arm_frame
from momentshare.report import draw_arm, draw_arm_strip, draw_arms
from momentshare.report.figures import style
from momentshare.report.figures.arm.geometry import arm_scene, hand_force, views
from momentshare.report.figures.arm.outline import hull
from momentshare.report.figures.arm.panel import arm_scale
from momentshare.report.figures.arm.selection import arm_drawings
from momentshare.study import parse_study, run_study
from momentshare.text import head_label

HEAD = """
title = "Arms"
note = "Invented people."
[settings]
frames = 7
lateral = ["measured"]
[[person]]
name = "Edda"
sex = "female"
stature_cm = 168
body_mass_kg = 64
training_factor = 1.3
"""
TASKS = {
    "wide bar": 'exercise = "bar_press"\nspacing_biacromial = 1.8\ntuck_deg = [[0, 65], [1, 82]]\n'
    "load_kg = 30\nlateral_ratio = 0.2\nduration_s = 1.4",
    "dumbbells": 'exercise = "dumbbell_press"\nspacing_biacromial = 1.4\ntuck_deg = 70\n'
    'load_kg = 20\nbench_angle_deg = 30\ngrip = "neutral"',
    "push-up": 'exercise = "push_up"\nspacing_biacromial = 1.4\ntuck_deg = [[0, 60], [1, 80]]\n'
    "lateral_ratio = 0.05",
    "pull-down": 'exercise = "straight_arm_pull_down"\nload_kg = 15\nlateral_ratio = 0.0',
    "overhead": 'exercise = "overhead_press"\nspacing_biacromial = 1.5\nplane_deg = 40\n'
    "load_kg = 15\nlateral_ratio = 0.05",
}
FRAME = 2


@cache
def study():
    parts = [f'[[condition]]\nname = "{name}"\n{text}\n' for name, text in TASKS.items()]
    return run_study(parse_study(HEAD + "\n".join(parts)))


def result_of(name):
    (case,) = [case for case in study().cases if case.condition == name]
    return case.results[0]


@cache
def drawn(name):
    return draw_arm(result_of(name), FRAME, title=f"Edda, {name}", note="Invented people.")


def by_gid(ax):
    found = {}
    for artist in [*ax.lines, *ax.texts]:
        if artist.get_gid():
            assert artist.get_gid() not in found
            found[artist.get_gid()] = artist
    return found


def ends(line):
    return np.column_stack([line.get_xdata(), line.get_ydata()]).astype(float)


def numbers(text):
    return [float(v.replace("\N{MINUS SIGN}", "-")) for v in
            re.findall(r"[-\N{MINUS SIGN}]?\d+(?:\.\d+)?", text)]  # fmt: skip


def written(figure):
    return [text.get_text() for text in figure.texts]


@pytest.mark.parametrize("name", TASKS)
def test_distance_times_force_is_the_moment_of_the_hand_force_about_the_line_of_sight(name):
    result = result_of(name)
    scene = arm_scene(result, FRAME)
    for view, ax in zip(views(scene), drawn(name).axes, strict=True):
        parts = by_gid(ax)
        force = hand_force(scene, view)
        pushed = np.array([view.right, view.up]) @ scene.force
        for lever in force.levers:
            reach = scene.joints["hand"] - scene.joints[lever.joint]
            seen = scene.force - (scene.force @ view.toward) * view.toward
            moment = np.cross(reach, seen) @ view.toward
            assert lever.moment == pytest.approx(moment, abs=1e-9)
            for kind in ("lever", "dimension"):
                joint, foot = ends(parts[f"{kind}:{lever.joint}"])
                distance = np.linalg.norm(foot - joint)
                assert distance * np.linalg.norm(pushed) == pytest.approx(abs(moment), abs=1e-9)
                assert (foot - joint) @ pushed == pytest.approx(0.0, abs=1e-9)
            # What is printed below the view is this product.
            line = (
                f"{lever.joint}: {100 * distance:.2f} cm × {np.linalg.norm(pushed):.1f} N = "
                f"{abs(moment):.1f} N·m"
            )
            assert line in written(drawn(name))


def test_of_an_upright_force_the_distance_is_how_far_the_joint_stands_to_the_side():
    result = result_of("dumbbells")
    lift = result.prepared.lift
    scene = arm_scene(result, FRAME)
    front, side = views(scene)
    for lever in hand_force(scene, front).levers:
        across = abs(lift.hand[FRAME, 2] - scene.joints[lever.joint][2])
        assert lever.distance == pytest.approx(across, abs=1e-12)
    headward = np.array([-np.sin(np.radians(30)), np.cos(np.radians(30)), 0.0])
    for lever in hand_force(scene, side).levers:
        along = abs((lift.hand[FRAME] - scene.joints[lever.joint]) @ headward)
        assert lever.distance == pytest.approx(along, abs=1e-12)


@pytest.mark.parametrize("name", TASKS)
def test_arrows_are_the_forces_and_begin_at_the_hand(name):
    result = result_of(name)
    scene = arm_scene(result, FRAME)
    need, lift = result.prepared.demand, result.prepared.lift
    scale = arm_scale([scene]).metres_per_newton
    front, side = views(scene)
    vertical = need.hand_force()[FRAME]
    axis = lift.up if lift.push_axis is None else lift.push_axis
    assert scene.force @ axis == pytest.approx(vertical)
    # Accelerations are second differences over 1e-4 of the lift, so rounding of positions leaves
    # some 1e-8 m/s² along the bar for each kilogram.
    assert scene.force @ front.right == pytest.approx(result.lateral_force[FRAME], abs=1e-6)
    for view, ax in zip((front, side), drawn(name).axes, strict=True):
        parts = by_gid(ax)
        whole = view.flat(scene.force)
        wanted = {"resultant": whole, "vertical": [0.0, whole[1]], "sideways": [whole[0], 0.0]}
        assert "force:resultant" in parts
        for kind, force in wanted.items():
            if f"force:{kind}" not in parts:
                assert min(abs(whole)) < 0.005 * np.linalg.norm(whole)
                continue
            arrow = parts[f"force:{kind}"]
            tail, tip = np.array(arrow.xyann), np.array(arrow.xy)
            np.testing.assert_allclose(tail, view.flat(lift.hand[FRAME]), atol=1e-12)
            np.testing.assert_allclose((tip - tail) / scale, force, atol=1e-9)
            assert arrow.arrowprops["shrinkA"] == arrow.arrowprops["shrinkB"] == 0.0
    if name == "wide bar":
        assert f"outward {result.lateral_force[FRAME]:.0f} N" in " ".join(
            t.get_text() for t in drawn(name).axes[0].texts
        )


@pytest.mark.parametrize("name", TASKS)
def test_joints_are_those_of_the_lift(name):
    result = result_of(name)
    lift = result.prepared.lift
    scene = arm_scene(result, FRAME)
    wanted = {
        "shoulder": lift.shoulder[FRAME],
        "elbow": lift.elbow[FRAME],
        "hand": lift.hand[FRAME],
    }
    np.testing.assert_allclose(scene.poses.origin["ulna"], wanted["elbow"], atol=1e-9)
    for view, ax in zip(views(scene), drawn(name).axes, strict=True):
        for joint, point in wanted.items():
            (at,) = ends(by_gid(ax)[f"joint:{joint}"])
            np.testing.assert_allclose(at, [point @ view.right, point @ view.up], atol=1e-12)
        wide, tall = np.diff(ax.get_xlim())[0], np.diff(ax.get_ylim())[0]
        box = ax.get_window_extent()
        assert box.width / wide == pytest.approx(box.height / tall)  # to scale


def bands_by_head(ax):
    """Drawn lines of every head, from ``band:HEAD`` and ``band:HEAD:LINE``."""
    found = {}
    for gid, line in by_gid(ax).items():
        if gid.startswith("band:"):
            found.setdefault(gid.split(":")[1], []).append(line)
    return found


def width_of(lines):
    return sum(line.get_linewidth() for line in lines)


@pytest.mark.parametrize("name", TASKS)
def test_bands_follow_the_paths_with_widths_in_proportion_to_the_forces_of_the_table(name):
    table = reading.frame_table(study())
    rows = table[(table["condition"] == name) & (table["frame"] == FRAME)]
    force = dict(zip(rows["head"], rows["force_n"], strict=True))
    scene = arm_scene(result_of(name), FRAME)
    scale = arm_scale([scene])
    most = max(force.values())
    for view, ax in zip(views(scene), drawn(name).axes, strict=True):
        bands = bands_by_head(ax)
        assert set(bands) == {head for head, f in force.items() if f >= scale.least_force}
        widest = max(width_of(lines) for lines in bands.values())
        for head, lines in bands.items():
            assert width_of(lines) / widest == pytest.approx(force[head] / most, rel=1e-9)
            assert len({line.get_linewidth() for line in lines}) == 1  # each an equal part
            for line, points in zip(lines, scene.path(head), strict=True):
                np.testing.assert_allclose(ends(line), view.flat(points), atol=1e-12)
            letter = by_gid(ax)[f"letter:{head}"].get_text()
            at = written(drawn(name)).index(letter)
            label, values = written(drawn(name))[at + 1 : at + 3]
            assert label == head_label(head)
            assert numbers(values)[0] == pytest.approx(force[head], abs=0.5)
            assert numbers(values)[1] == pytest.approx(
                100 * rows.set_index("head")["activation"][head], abs=0.5
            )


@pytest.mark.parametrize("name", TASKS)
def test_hand_moments_are_those_of_the_force_and_the_rest_is_the_arm(name):
    result = result_of(name)
    scene = arm_scene(result, FRAME)
    humerus = result.prepared.lift.posture.humerus[FRAME]
    at = {j: np.cross(scene.joints["hand"] - scene.joints[j], scene.force)
          for j in ("shoulder", "elbow")}  # fmt: skip
    wanted = [*(arm_frame(humerus) @ at["shoulder"]), -humerus[:, 2] @ at["elbow"]]
    np.testing.assert_allclose(scene.hand_moments[:4], wanted, atol=1e-9)
    limb = result.prepared.demand.limb_moments[FRAME]
    np.testing.assert_allclose(scene.net_moments - scene.hand_moments, limb, atol=1e-9)
    shown = written(drawn(name))
    for row in result.criterion.rows:
        k = ROWS.index(row)
        toward = moment_direction(row, scene.net_moments[k])
        place = shown.index(toward.words)
        values = [numbers(text)[0] for text in shown[place + 1 : place + 4]]
        net = toward.sign * scene.net_moments[k]
        hand = toward.sign * scene.hand_moments[k]
        np.testing.assert_allclose(values, [hand, net - hand, net], atol=0.051)


def test_footer_says_what_it_is():
    said = head_of_figure(drawn("wide bar"))
    assert "Model estimate" in said
    assert "Invented people." in said
    assert "inertia" in said
    assert "inertia" not in head_of_figure(drawn("push-up"))


def test_side_by_side_and_along_the_lift_share_their_scales():
    names = ("wide bar", "dumbbells")
    pair = draw_arms({name: result_of(name) for name in names}, dict.fromkeys(names, FRAME))
    strip = draw_arm_strip(result_of("wide bar"), 5)
    assert len(pair.axes) == 4
    assert len(strip.axes) == 10
    for figure in (pair, strip):
        per_inch = {
            round(ax.get_window_extent().width / np.diff(ax.get_xlim())[0], 6) for ax in figure.axes
        }
        assert len(per_inch) == 1
    heads = set(result_of("wide bar").prepared.limb.head_names)
    scenes = [arm_scene(result_of(name), FRAME) for name in names]
    per_newton = [
        width_of(lines) / scene.head_force[head]
        for scene, ax in zip(scenes, (pair.axes[0], pair.axes[2]), strict=True)
        for head, lines in bands_by_head(ax).items()
        if head in heads
    ]
    np.testing.assert_allclose(per_newton, per_newton[0])
    lift = result_of("wide bar").prepared.lift
    said = " ".join(written(strip))
    for share in (lift.fraction[0], lift.fraction[-1]):
        assert f"{100 * share:.0f} % of bar height" in said


def test_two_conditions_show_what_the_heads_share_beside_what_the_hand_asks():
    """Distance times force is not the net moment about the axis of the elbow; both stand there."""
    names = ("wide bar", "dumbbells")
    pair = draw_arms({name: result_of(name) for name in names}, dict.fromkeys(names, FRAME))
    shown = written(pair)
    starts = [k for k, text in enumerate(shown) if text == "Moment for the muscles [N·m]"]
    assert len(starts) == len(names)
    for name, start in zip(names, starts, strict=True):
        scene = arm_scene(result_of(name), FRAME)
        for row in scene.result.criterion.rows:
            k = ROWS.index(row)
            toward = moment_direction(row, scene.net_moments[k])
            place = shown.index(toward.words, start)
            values = [numbers(text)[0] for text in shown[place + 1 : place + 4]]
            net = toward.sign * scene.net_moments[k]
            hand = toward.sign * scene.hand_moments[k]
            np.testing.assert_allclose(values, [hand, net - hand, net], atol=0.051)
    assert "they are what the heads share" in head_of_figure(pair)


def test_studies_draw_the_first_person_in_up_to_four_conditions():
    made = arm_drawings(study())
    assert list(made) == [
        "arm_wide_bar", "arm_dumbbells", "arm_push_up", "arm_pull_down",
        "arm_along_lift", "arm_side_by_side",
    ]  # fmt: skip
    figure = made["arm_wide_bar"]()
    result = result_of("wide bar")
    weakest = np.nanargmin(result.greatest.factor)
    share = f"{100 * result.prepared.lift.fraction[weakest]:.0f} % of the bar height"
    assert share in head_of_figure(figure)


def test_the_title_of_two_arms_states_the_height_and_the_distances_that_are_drawn():
    figure = arm_drawings(study())["arm_side_by_side"]()
    title = plain(figure.texts[0].get_text())
    pair = ("wide bar", "pull-down")
    moments = reading.moment_table(study())
    moments = moments[moments["condition"].isin(pair)]
    squares = moments.assign(square=moments["moment_nm"] ** 2)
    keys = ["condition", "height_fraction"]
    sizes = squares.groupby(keys)["square"].sum().pow(0.5)
    heights = np.linspace(0.0, 1.0, 101)
    total = sum(np.interp(heights, sizes[name].index, sizes[name]) for name in pair)
    height = heights[np.argmax(total)]
    lifts = [result_of(name).prepared.lift for name in pair]
    frames = [int(np.argmin(np.abs(lift.fraction - height))) for lift in lifts]
    assert len({lift.fraction[at] for lift, at in zip(lifts, frames, strict=True)}) == 1
    weakest = [int(np.nanargmin(result_of(name).greatest.factor)) for name in pair]
    assert weakest != frames  # conditions are compared at one height, not each at its weakest
    told = f"{100 * lifts[0].fraction[frames[0]]:.0f} % of bar height"
    assert f"'{pair[0]}' and '{pair[1]}' at {told}, where their net moments are greatest" in title
    assert [text for text in written(figure) if "bar height" in text][1:] == [
        f"{name}, {told}" for name in pair
    ]
    scenes = [arm_scene(result_of(name), at) for name, at in zip(pair, frames, strict=True)]
    for scene, axes in zip(scenes, (figure.axes[:2], figure.axes[2:]), strict=True):
        for view, ax in zip(views(scene), axes, strict=True):
            (at,) = ends(by_gid(ax)["joint:hand"])
            np.testing.assert_allclose(at, view.flat(scene.joints["hand"]), atol=1e-12)
    for joint in ("elbow", "shoulder"):
        one, two = (
            100 * next(x for x in hand_force(s, views(s)[0]).levers if x.joint == joint).distance
            for s in scenes
        )
        assert f"{one:.1f} and {two:.1f} cm from the {joint}" in title


def test_with_factors_two_arms_differ_in_the_first_alone():
    levels = {
        "wide bar": {"load": "bar"}, "dumbbells": {"load": "free"},
    }  # fmt: skip
    known = study()
    file = known.study.file
    condition = [c.model_copy(update={"factor": levels.get(c.name, {})}) for c in file.condition]
    of_file = file.model_copy(update={"condition": condition})
    named = replace(known, study=replace(known.study, file=of_file))
    title = plain(arm_drawings(named)["arm_side_by_side"]().texts[0].get_text())
    assert "'wide bar' and 'dumbbells'" in title


def test_what_cannot_be_drawn_is_refused():
    result = result_of("wide bar")
    with pytest.raises(InputError, match="must be between 0 and 6; got 7"):
        draw_arm(result, 7)
    with pytest.raises(InputError, match="at least one condition"):
        draw_arms({})
    with pytest.raises(InputError, match="at least one height"):
        draw_arm_strip(result, [])
    with pytest.raises(InputError, match="fraction from 0"):
        draw_arm_strip(result, [1.5])
    high = HEAD + (
        '[[condition]]\nname = "high"\nexercise = "bar_press"\nspacing_biacromial = 1.5\n'
        "tuck_deg = 70\nload_kg = 20\nlateral_ratio = 0.0\nlockout_height_cm = 60\n"
    )
    beyond = run_study(parse_study(high)).cases[0].results[0]
    with pytest.raises(InputError, match="no posture reaches the bar there"):
        draw_arm(beyond, 6)


def test_empty_hands_are_drawn_without_arrows():
    text = HEAD + (
        '[[condition]]\nname = "empty"\nexercise = "bar_press"\nspacing_biacromial = 1.5\n'
        "tuck_deg = 70\nload_kg = 0\nlateral_ratio = 0.0\n"
    )
    figure = draw_arm(run_study(parse_study(text)).cases[0].results[0], FRAME)
    for ax in figure.axes:
        assert not any(gid.startswith(("force:", "lever:")) for gid in by_gid(ax))


def pages():
    yield from ((name, drawn(name)) for name in TASKS)
    yield "pair", draw_arms({n: result_of(n) for n in ("wide bar", "dumbbells")}, title="Pair")
    yield "strip", draw_arm_strip(result_of("wide bar"), title="Along the lift")


def test_no_text_stands_on_another_or_beyond_the_page():
    for name, figure in pages():
        with style.quiet():
            FigureCanvasAgg(figure)
            figure.draw_without_rendering()
        page, boxes, words = figure.bbox, [], []
        assert page.width <= 1260, name  # pixels
        for text in figure.findobj(Text):
            if not (text.get_visible() and text.get_text().strip()):
                continue
            if any(text in axis.get_majorticklabels() for ax in figure.axes
                   for axis in (ax.xaxis, ax.yaxis)):  # fmt: skip
                continue
            assert text.get_fontsize() >= 7.0
            box = Text.get_window_extent(text)
            assert page.x0 - 1 <= box.x0, (name, text.get_text())
            assert box.x1 <= page.x1 + 1, (name, text.get_text())
            assert page.y0 - 1 <= box.y0, (name, text.get_text())
            assert box.y1 <= page.y1 + 1, (name, text.get_text())
            boxes.append(box.padded(-1.0).extents)
            words.append(text.get_text())
        low, high = np.array(boxes)[:, :2], np.array(boxes)[:, 2:]
        meet = np.all((low[:, None] < high[None]) & (low[None] < high[:, None]), axis=-1)
        first, second = np.nonzero(np.triu(meet, 1))
        assert not first.size, (name, words[first[0]], words[second[0]])


@pytest.mark.parametrize("count", [3, 4, 60])
def test_outlines_go_round_all_points_once(count):
    from scipy.spatial import ConvexHull

    points = np.random.default_rng(count).normal(size=(count, 2))
    found, corners = hull(np.concatenate([points, points[:2]])), points[ConvexHull(points).vertices]
    first = int(np.flatnonzero((corners == found[0]).all(axis=1))[0])
    np.testing.assert_array_equal(found, np.roll(corners, -first, axis=0))
    inside = np.array([[0.0, 0.0], [1.0, 0.0], [2.0, 0.0], [1.0, 1.0], [1.0, 0.5]])
    np.testing.assert_array_equal(hull(inside), [[0.0, 0.0], [2.0, 0.0], [1.0, 1.0]])

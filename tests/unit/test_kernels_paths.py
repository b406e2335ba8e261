"""The compiled path geometry against its twin in NumPy, and the routes to both."""

import threading
import time
from dataclasses import fields, replace

import numpy as np
import pytest

from momentshare import _kernels
from momentshare._kernels import flat, in_chunks
from momentshare.errors import MissingExtraError, ShapeError
from momentshare.model import load_model
from momentshare.model.numbers import Numbers
from momentshare.paths import Paths, paths
from momentshare.person import Person
from momentshare.posture import Posture, posture_from_angles
from momentshare.skeleton import build_skeleton, build_skeletons

CLOSE = 1e-12
"""[m], and for unit vectors 1. Coordinates are below 1 m, so one rounding is 1e-16; a tangent
of length t from a surface magnifies it by radius / t, below 1e3 here, and two surfaces are
adjusted to each other to 1e-14 over what one round leaves (at worst 0.7)."""

ARRAYS = tuple(item.name for item in fields(Paths) if item.name != "head_names")
ADA = Person(name="Ada", sex="female", stature=1.66, body_mass=62.0)


@pytest.fixture(scope="module")
def model():
    return load_model()


@pytest.fixture(scope="module")
def skeleton(model):
    return build_skeleton(ADA, model)


def postures(shape, seed=1):
    rng = np.random.default_rng(seed)
    return posture_from_angles(
        plane=rng.uniform(-0.5, 2.2, shape),
        elevation=rng.uniform(0.0, 2.2, shape),
        axial=rng.uniform(-1.5, 1.5, shape),
        elbow_flexion=rng.uniform(0.0, 2.4, shape),
        forearm_rotation=rng.uniform(0.0, 2.8, shape),
    )


def assert_same(got, wanted, atol=CLOSE):
    for name in ARRAYS:
        mine, theirs = getattr(got, name), getattr(wanted, name)
        assert mine.dtype == theirs.dtype, name
        assert mine.shape == theirs.shape, name
        np.testing.assert_allclose(mine, theirs, rtol=0.0, atol=atol, err_msg=name)


def both(skeleton, posture):
    return (paths(skeleton, posture, method=method) for method in ("compiled", "numpy"))


def test_routes_agree_at_random_postures(skeleton):
    posture = postures(3000)
    compiled, plain = both(skeleton, posture)
    assert_same(compiled, plain)
    # The postures must have seen every kind of path, or the line above says little.
    surface = np.isfinite(plain.margin).any(axis=0)
    share = plain.contact.mean(axis=0)
    assert np.all(share[~surface] == 0.0)
    assert share[surface].min() < 0.2
    assert share.max() > 0.8


def test_routes_agree_where_points_lie_within_their_surface(model):
    wide = {name: 1.8 * surface.radius for name, surface in model.surfaces.items()}
    compiled, plain = both(build_skeleton(ADA, model, numbers=Numbers(radii=wide)), postures(500))
    assert_same(compiled, plain)
    assert 0.05 < plain.inside.mean() < 0.95
    assert not np.any(plain.inside & ~np.isfinite(plain.margin))


def test_routes_agree_with_the_arm_along_the_trunk_and_straight(skeleton):
    # Elevation 0 leaves the plane of elevation undefined; the arm frame then takes another
    # branch, as it does at 1e-9 and not at 1e-8.
    posture = posture_from_angles(
        plane=0.4,
        elevation=np.array([0.0, 1e-12, 1e-8, np.pi, 0.0, -1e-8]),
        elbow_flexion=np.array([0.0, 1e-9, 0.3, 0.0, 2.4, 1e-300]),
        forearm_rotation=np.array([0.0, 1e-9, np.pi, 0.0, 1.0, 1e-300]),
    )
    # At an elevation of 1e-8 the direction of the plane holds 1e-16 / 1e-8 only.
    assert_same(*both(skeleton, posture), atol=1e-8)
    level = np.array([0, 3, 4])
    sure = Posture(
        humerus=posture.humerus[level],
        elbow_flexion=posture.elbow_flexion[level],
        forearm_rotation=posture.forearm_rotation[level],
    )
    compiled, plain = both(skeleton, sure)
    for name in ("length", "shoulder_moment", "line_of_action"):
        np.testing.assert_allclose(
            getattr(compiled, name), getattr(plain, name), rtol=0.0, atol=CLOSE
        )


@pytest.mark.parametrize("method", ["compiled", "numpy"])
@pytest.mark.parametrize("part", ["humerus", "elbow_flexion", "forearm_rotation"])
def test_nan_stays_in_its_frame(skeleton, method, part):
    clean = postures(40)
    spoilt = getattr(clean, part).copy()
    spoilt[7] = np.nan
    dirty = replace(clean, **{part: spoilt})
    wanted, got = (paths(skeleton, posture, method=method) for posture in (clean, dirty))
    others = np.arange(40) != 7
    for name in ARRAYS:
        np.testing.assert_array_equal(getattr(got, name)[others], getattr(wanted, name)[others])
    lost = np.isnan(got.length[7])
    crosses = {
        "humerus": np.any(wanted.line_of_action[7] != 0.0, axis=-1),
        "elbow_flexion": wanted.moment_arms[7, 3] != 0.0,
        "forearm_rotation": wanted.moment_arms[7, 4] != 0.0,
    }[part]
    assert crosses.any()
    assert np.all(lost[crosses])


@pytest.mark.parametrize("part", ["humerus", "elbow_flexion", "forearm_rotation"])
def test_routes_agree_where_frames_are_nan(skeleton, part):
    clean = postures(9)
    spoilt = getattr(clean, part).copy()
    spoilt[::2] = np.nan
    assert_same(*both(skeleton, replace(clean, **{part: spoilt})))


@pytest.mark.parametrize("shape", [(), (0,), (1,), (2, 3), (2, 0, 3), (2, 1, 2)])
def test_any_batch_shape_gives_the_frames_of_a_loop(skeleton, shape):
    posture = postures(shape)
    compiled, plain = both(skeleton, posture)
    assert compiled.length.shape == (*shape, 26)
    assert_same(compiled, plain)
    for index in np.ndindex(shape):
        one = Posture(
            humerus=posture.humerus[index],
            elbow_flexion=posture.elbow_flexion[index],
            forearm_rotation=posture.forearm_rotation[index],
        )
        alone = paths(skeleton, one, method="compiled")
        for name in ARRAYS:
            np.testing.assert_array_equal(getattr(compiled, name)[index], getattr(alone, name))


def test_a_frame_of_the_numpy_route_does_not_depend_on_its_company(skeleton):
    # Frames that take many rounds of two surfaces stand beside frames that take few.
    posture = postures(400)
    whole = paths(skeleton, posture, method="numpy")
    half = Posture(
        humerus=posture.humerus[::2],
        elbow_flexion=posture.elbow_flexion[::2],
        forearm_rotation=posture.forearm_rotation[::2],
    )
    part = paths(skeleton, half, method="numpy")
    np.testing.assert_allclose(part.moment_arms, whole.moment_arms[::2], rtol=0.0, atol=1e-15)


def test_strided_postures_are_read_as_they_are(skeleton):
    posture = postures((30, 2))
    turned = Posture(
        humerus=posture.humerus.swapaxes(0, 1)[:, ::3],
        elbow_flexion=posture.elbow_flexion.T[:, ::3],
        forearm_rotation=posture.forearm_rotation.T[:, ::3],
    )
    assert not turned.humerus.flags.c_contiguous
    assert_same(*both(skeleton, turned))


@pytest.mark.parametrize("threads", [1, 2, 3, 7])
def test_answers_do_not_depend_on_the_number_of_threads(skeleton, threads):
    posture = postures(4000)
    once = paths(skeleton, posture, method="compiled", threads=1)
    many = paths(skeleton, posture, method="compiled", threads=threads)
    for name in ARRAYS:
        np.testing.assert_array_equal(getattr(many, name), getattr(once, name))


def test_chunks_cover_every_frame_once_whoever_takes_them():
    for count, threads, least in ((0, 2, 5), (1, 2, 5), (11, 2, 5), (100, 7, 5), (100, None, 9)):
        seen = np.zeros(count, dtype=int)
        spans = []

        def run(first, last, seen=seen, spans=spans):
            spans.append(last - first)
            seen[first:last] += 1

        in_chunks(run, count, threads, least=least)
        assert np.all(seen == 1)
        assert len(spans) == 1 or min(spans) >= least


def test_no_more_threads_work_than_were_asked_for():
    inside, most, lock = 0, 0, threading.Lock()

    def run(first, last):
        nonlocal inside, most
        with lock:
            inside += 1
            most = max(most, inside)
        time.sleep(0.002)
        with lock:
            inside -= 1

    in_chunks(run, 100, 3, least=2)
    assert 1 < most <= 3


def test_threads_begin_far_from_each_other_and_help_who_has_most_left():
    taken = {}

    def run(first, last):
        taken.setdefault(threading.get_ident(), []).append(first)
        # The first stretch is slow, so that the other thread is through before it.
        time.sleep(0.01 if first < 50 else 0.001)

    in_chunks(run, 100, 2, least=2)
    mine, other = taken.pop(threading.get_ident()), *taken.values()
    assert mine[0] == 0
    assert other[0] == 48
    assert mine == sorted(mine)
    helped = [first for first in other if first < 48]
    assert helped == sorted(helped, reverse=True)
    assert helped


def test_an_error_in_a_chunk_reaches_the_caller():
    def run(first, last):
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        in_chunks(run, 100, 4, least=10)


def variants_of(model, count, seed=3):
    rng = np.random.default_rng(seed)
    people = [replace(ADA, stature=1.6 + 0.02 * number) for number in range(count)]
    numbers = Numbers(
        offsets={name: 0.003 * rng.normal(size=(count, 3)) for name in model.sites},
        radii={s.name: s.radius * rng.uniform(0.9, 1.1, count) for s in model.surfaces.values()},
    )
    return people, numbers


def row_of(numbers, k):
    return Numbers(
        offsets={name: value[k] for name, value in numbers.offsets.items()},
        radii={name: value[k] for name, value in numbers.radii.items()},
    )


@pytest.mark.parametrize("method", ["compiled", "numpy"])
def test_limbs_together_equal_a_loop_over_single_ones(model, method):
    people, numbers = variants_of(model, 4)
    together = build_skeletons(people, model, numbers=numbers)
    posture = postures((4, 6))
    rows = np.repeat([[2], [0], [3], [1]], 6, axis=1)
    found = paths(together, posture, limb=rows, method=method)
    assert found.length.shape == (4, 6, 26)
    for place, k in enumerate(rows[:, 0]):
        mine = Posture(
            humerus=posture.humerus[place],
            elbow_flexion=posture.elbow_flexion[place],
            forearm_rotation=posture.forearm_rotation[place],
        )
        alone = build_skeleton(people[k], model, numbers=row_of(numbers, k))
        wanted = paths(alone, mine, method="numpy")
        for name in ARRAYS:
            np.testing.assert_allclose(
                getattr(found, name)[place], getattr(wanted, name), rtol=0.0, atol=CLOSE
            )


@pytest.mark.parametrize("method", ["compiled", "numpy"])
def test_no_frames_give_empty_paths(model, method):
    people, numbers = variants_of(model, 2)
    none = posture_from_angles(elevation=np.empty((2, 0)))
    rows = np.empty((2, 0), dtype=int)
    together = build_skeletons(people, model, numbers=numbers)
    assert paths(together, none, limb=rows, method=method).moment_arms.shape == (2, 0, 5, 26)


@pytest.mark.parametrize(
    ("rows", "wanted"),
    [
        (None, "limb: must be given for each posture"),
        (np.zeros(5, dtype=int), "that of the postures"),
        (np.full(6, 2), "between 0 and 1; got 2"),
        (np.full(6, -1), "between 0 and 1; got -1"),
    ],
)
def test_postures_that_do_not_fit_the_limbs_are_refused(model, rows, wanted):
    people, numbers = variants_of(model, 2)
    with pytest.raises(ShapeError, match=wanted):
        paths(build_skeletons(people, model, numbers=numbers), postures(6), limb=rows)


def test_a_limb_with_other_paths_is_traced_by_both_routes(model):
    # Three surfaces in one run, a site between surfaces, a path that stays on one body.
    by_name = {head.name: head for head in model.heads}
    chest, collar, back, biceps = (
        by_name[name]
        for name in (
            "pectoralis_major/abdominal",
            "pectoralis_major/clavicular",
            "latissimus_dorsi/upper",
            "biceps_brachii/long",
        )
    )
    (front,), (above,), behind = chest.lines, collar.lines, back.lines[0]
    long_run = (front[0], front[1], above[1], front[2], front[-1])
    heads = (replace(chest, lines=(long_run,)), replace(back, lines=(behind[:2],)), biceps)
    skeleton = build_skeleton(ADA, replace(model, heads=heads))
    posture = postures(200)
    compiled, plain = both(skeleton, posture)
    np.testing.assert_array_equal(compiled.moment_arms[:, :, 1], 0.0)
    assert_same(compiled, plain)


def test_without_numba_the_numpy_route_answers(skeleton, monkeypatch):
    posture = postures(3)
    wanted = paths(skeleton, posture, method="numpy")
    monkeypatch.setattr(_kernels, "is_available", lambda: False)
    got = paths(skeleton, posture)
    for name in ARRAYS:
        np.testing.assert_array_equal(getattr(got, name), getattr(wanted, name))
    with pytest.raises(MissingExtraError, match=r"momentshare\[fast\]"):
        paths(skeleton, posture, method="compiled")


def test_an_unknown_route_is_refused(skeleton):
    with pytest.raises(ShapeError, match="'auto' or 'compiled' or 'numpy'; got 'fortran'"):
        paths(skeleton, postures(1), method="fortran")


def test_results_are_read_only(skeleton):
    found = paths(skeleton, postures(2), method="compiled")
    for name in ARRAYS:
        with pytest.raises(ValueError, match="read-only"):
            getattr(found, name)[0] = 0


def test_numbers_and_kinds_are_those_of_the_twin():
    from momentshare import posture as posture_module
    from momentshare._kernels import paths as kernel
    from momentshare._kernels import surfaces
    from momentshare.geometry import sphere

    assert surfaces.ON_SURFACE == sphere._ON_SURFACE
    assert surfaces.COLLINEAR == sphere._COLLINEAR
    assert kernel.HANGING == posture_module._HANGING
    assert (kernel.SITE, kernel.SPHERE) == (flat.SITE, flat.SPHERE)
    assert flat.CYLINDER not in {kernel.SITE, kernel.SPHERE}


def test_a_single_posture_takes_the_compiled_route(skeleton, monkeypatch):
    """No cliff: the loop runs however few the postures."""
    from momentshare.paths import arms

    def refuse(*_):
        raise AssertionError("traced in NumPy")

    monkeypatch.setattr(arms, "_plain", refuse)
    assert paths(skeleton, postures(1)).length.shape == (1, len(skeleton.model.heads))

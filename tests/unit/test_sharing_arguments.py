"""What the sharing calls accept and refuse, and what their errors carry."""

import copy
import pickle
import subprocess
import sys

import numpy as np
import pytest

from momentshare.balance import Balance
from momentshare.errors import (
    MissingExtraError,
    ModelError,
    ShapeError,
    StudyError,
    UnknownNameError,
)
from momentshare.linkage import load_linkage, solve_linkage
from momentshare.sharing import (
    Cone,
    Solver,
    Status,
    cone_inequalities,
    contact_cone,
    force_gradients,
    greatest_factor,
    greatest_moment,
    share,
)

ARMS, CAPACITY, MOMENTS = [[0.05, 0.04]], [1000.0, 500.0], [25.0]


@pytest.mark.parametrize(
    "error",
    [
        ShapeError("weights", "values above zero", "-1.0", "look again"),
        UnknownNameError("head", "bicep", ["biceps", "triceps"], "study.toml"),
        MissingExtraError("numba", "fast", "the kernel"),
        ModelError("two faults", ["one", "two"]),
        StudyError("no fault listed"),
    ],
)
@pytest.mark.parametrize(
    "again",
    [copy.copy, copy.deepcopy, lambda e: pickle.loads(pickle.dumps(e))],  # noqa: S301
)
def test_an_error_survives_copy_and_pickle_with_its_data(error, again):
    other = again(error)
    assert type(other) is type(error)
    assert str(other) == str(error)
    assert vars(other) == vars(error)
    assert other.exit_code == error.exit_code


@pytest.mark.parametrize("argument", ["moment_arms", "active_capacity", "joint_moments"])
def test_a_masked_value_is_missing_not_what_lies_under_the_mask(argument):
    given = {
        "moment_arms": np.array([ARMS] * 2),
        "active_capacity": np.array([CAPACITY] * 2),
        "joint_moments": np.array([MOMENTS] * 2),
    }
    hidden = np.zeros(given[argument].shape, dtype=bool)
    hidden[1].flat[0] = True
    given[argument] = np.ma.array(given[argument], mask=hidden)
    with pytest.raises(ShapeError, match="masked") as caught:
        share(**given)
    assert caught.value.argument == argument
    answer = share(**given, on_invalid="mark")
    assert list(answer.status) == [Status.SOLVED, Status.INVALID]
    assert np.isnan(answer.force[1]).all()


@pytest.mark.parametrize("argument", ["moment_arms", "active_capacity", "joint_moments", "weights"])
def test_truth_values_are_no_numbers(argument):
    given = {"moment_arms": ARMS, "active_capacity": CAPACITY, "joint_moments": MOMENTS}
    shape = np.shape(CAPACITY if argument == "weights" else given[argument])
    for values in (np.ones(shape, dtype=bool), np.ma.array(np.ones(shape, dtype=bool))):
        with pytest.raises(ShapeError, match="array of numbers; got values of type bool") as caught:
            share(**given | {argument: values})
        assert caught.value.argument == argument
        assert "astype(float)" in str(caught.value)
    assert share(**given | {argument: np.ones(shape)}).status in (Status.SOLVED, Status.SHORTFALL)


@pytest.mark.parametrize("other", [True, np.False_, "0.5", b"1"])
@pytest.mark.parametrize("argument", ["moment_arms", "active_capacity", "joint_moments", "weights"])
def test_neither_truth_values_nor_text_pass_among_objects(argument, other):
    """NumPy would make numbers of them."""
    given = {"moment_arms": ARMS, "active_capacity": CAPACITY, "joint_moments": MOMENTS}
    plain = np.ones(np.shape(CAPACITY if argument == "weights" else given[argument]))
    mixed = plain.astype(object)
    assert share(**given | {argument: mixed}).certified
    mixed.flat[-1] = other
    cases = [mixed, np.ma.array(mixed)]
    if not isinstance(other, (str, bytes)) and plain.size > 1:  # else of one kind as a whole
        cases.append(mixed.tolist())
    for values in cases:
        with pytest.raises(ShapeError, match=r"got .* among the values") as caught:
            share(**given | {argument: values})
        assert caught.value.argument == argument
        assert "astype(float)" in str(caught.value)
    if argument != "weights":
        with pytest.raises(ShapeError, match=f"{argument}: must be an array of numbers"):
            Solver(heads=2).step(**given | {argument: mixed})


def test_truth_values_in_one_frame_of_a_list_are_no_numbers():
    with pytest.raises(ShapeError, match="got truth values among the values"):
        share(ARMS, CAPACITY, [np.array(MOMENTS), np.array(MOMENTS) > 0.0])


def test_a_mask_that_hides_nothing_changes_nothing():
    whole = np.ma.array(CAPACITY, mask=False)
    np.testing.assert_array_equal(
        share(ARMS, whole, MOMENTS).force, share(ARMS, CAPACITY, MOMENTS).force
    )


def test_masked_frames_in_a_list_are_noticed():
    frames = [np.ma.array(MOMENTS, mask=[True]), np.ma.array(MOMENTS)]
    with pytest.raises(ShapeError, match="masked"):
        share(ARMS, CAPACITY, frames)


@pytest.mark.parametrize("threads", [0, -1, 1.5, "two", True])
def test_a_thread_count_that_is_none_is_refused(threads):
    with pytest.raises(ShapeError, match="threads"):
        share(ARMS, CAPACITY, MOMENTS, threads=threads)


@pytest.mark.parametrize(
    ("change", "argument"),
    [
        ({"active_capacity": ["1000", "500"]}, "active_capacity"),
        ({"joint_moments": [25.0 + 1j]}, "joint_moments"),
        ({"joint_moments": np.array(["2020-01-01"], dtype="datetime64[D]")}, "joint_moments"),
        ({"free_columns": [[1.0]], "free_bounds": (["low"], [1.0])}, "free_bounds"),
        ({"method": ["auto"]}, "method"),
        ({"on_invalid": None}, "on_invalid"),
        ({"exponent": "3"}, "exponent"),
        ({"exponent": True}, "exponent"),
        ({"exponent": 10**400}, "exponent"),
        ({"joint_moments": [10**400]}, "joint_moments"),
    ],
)
def test_text_dates_and_unknown_words_are_refused(change, argument):
    given = {"moment_arms": ARMS, "active_capacity": CAPACITY, "joint_moments": MOMENTS, **change}
    with pytest.raises(ShapeError, match=argument):
        share(**given)


def test_other_calls_refuse_masks_and_words_too():
    with pytest.raises(ShapeError, match="others"):
        greatest_moment(ARMS, CAPACITY, 0, 1, others=["balanced"])
    with pytest.raises(ShapeError, match="row"):
        greatest_moment(ARMS, CAPACITY, 0.0, 1)
    with pytest.raises(ShapeError, match="scaled_moments"):
        greatest_factor(ARMS, CAPACITY, [0.0], np.ma.array([1.0], mask=[True]))
    with pytest.raises(ShapeError, match="base_force"):
        cone_inequalities(
            np.ones((2, 3)), np.ma.array(np.ones(3), mask=[1, 0, 0]), [0.5] * 8,
            axis=[1, 0, 0], towards=[0, 1, 0],
        )  # fmt: skip


def test_a_single_frame_becomes_a_table():
    table = share(ARMS, CAPACITY, MOMENTS).to_dataframe()
    assert list(table["head"]) == ["head 0", "head 1"]
    assert "axis 0" not in table
    grid = share(ARMS, CAPACITY, np.full((2, 3, 1), 25.0)).to_dataframe()
    assert len(grid) == 12
    assert list(grid["axis 1"][:6]) == [0, 0, 1, 1, 2, 2]


def test_importing_the_solver_leaves_the_general_optimiser_out():
    code = "import sys, momentshare.sharing; print('scipy.optimize' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


@pytest.mark.parametrize("method", ["numpy", "compiled"])
@pytest.mark.parametrize("exponent", [1.2, 2.0, 3.0, 10.0, 20.0, 50.0])
def test_a_head_that_cannot_help_rests_at_every_exponent(method, exponent):
    arms = [[0, -0.077, 0.013, -0.017, -0.014], [0, -0.061, -0.007, -0.026, 0.1]]
    capacity = [813.0, 1058.0, 890.0, 1194.0, 0.0]
    for moments in ([-4.6, -18.0], [-400.0, -180.0]):
        answer = share(arms, capacity, moments, exponent=exponent, method=method)
        assert int(answer.status) in {Status.SOLVED, Status.SHORTFALL}
        np.testing.assert_array_equal(answer.activation[[0, 4]], 0.0)
        assert answer.activation[[1, 2, 3]].max() > 0.0


@pytest.mark.parametrize("method", ["numpy", "compiled"])
@pytest.mark.parametrize("exponent", [2.0, 10.0, 20.0])
def test_a_head_that_only_turns_a_free_unknown_rests(method, exponent):
    column = np.array([[0.3], [-0.7], [0.2]])
    rng = np.random.default_rng(1)
    arms = rng.uniform(-0.05, 0.05, (3, 6))
    arms[:, 2] = 0.1 * column[:, 0]
    answer = share(
        arms, np.full(6, 900.0), arms @ np.full(6, 200.0),
        free_columns=column, exponent=exponent, method=method,
    )  # fmt: skip
    assert answer.status == Status.SOLVED
    assert answer.activation[2] == 0.0


CONE = {"ratios": [0.5] * 8, "axis": [1, 0, 0], "towards": [0, 1, 0]}


@pytest.mark.parametrize(
    ("call", "argument", "shape", "remedy"),
    [
        (lambda: share([0.05, 0.04], CAPACITY, MOMENTS), "moment_arms", (2,), "[[0.05, 0.04]]"),
        (lambda: share(np.zeros((1, 0)), [], MOMENTS), "moment_arms", (1, 0), "one column"),
        (
            lambda: share(np.transpose(ARMS), CAPACITY, MOMENTS),
            "active_capacity", (2,), "transpose",
        ),
        (lambda: share(ARMS, [1.0], MOMENTS), "active_capacity", (1,), "2 heads"),
        (lambda: share(ARMS, 1.0, MOMENTS), "active_capacity", (), "for each head"),
        (lambda: share(ARMS, CAPACITY, [1.0, 2.0]), "joint_moments", (2,), "1 rows"),
        (lambda: share(ARMS, CAPACITY, MOMENTS, weights=[1.0]), "weights", (1,), "each head"),
        (
            lambda: share(ARMS, CAPACITY, MOMENTS, free_columns=[1.0]),
            "free_columns", (1,), "each free value",
        ),
        (
            lambda: share(ARMS, CAPACITY, MOMENTS, free_columns=[[1.0]], free_bounds=([0, 0], 1)),
            "free_bounds", (2,), "each column",
        ),
        (
            lambda: share(ARMS, CAPACITY, MOMENTS, inequalities=([[1.0]], [1.0])),
            "inequalities", (1, 1), "each head",
        ),
        (
            lambda: share(ARMS, CAPACITY, MOMENTS, inequalities=([[1.0, 0.0]], [1.0, 2.0])),
            "inequalities (level)", (2,), "each row of G",
        ),
        (
            lambda: share([ARMS] * 2, [CAPACITY] * 3, MOMENTS),
            "active_capacity", (3, 2), "no frame axis",
        ),
        (lambda: force_gradients(ARMS, [1.0], MOMENTS), "active_capacity", (1,), "2 heads"),
        (lambda: Solver(heads=2).step(ARMS, [1.0], MOMENTS), "active_capacity", (1,), "the solver"),
        (lambda: Solver(heads=2).step(ARMS, CAPACITY, [MOMENTS]), "joint_moments", (1, 1), "solve"),
        (lambda: Solver(heads=2).solve(ARMS, CAPACITY, MOMENTS), "joint_moments", (1,), "step"),
        (
            lambda: Solver(heads=2).solve([[[1, 2]]] * 3, CAPACITY, [MOMENTS] * 2),
            "moment_arms", (3, 1, 2), "for each frame, or once",
        ),
        (lambda: Solver(heads=2, weights=[1.0]), "weights", (1,), "above zero for each head"),
        (lambda: Solver(heads=2, free_columns=1.0), "free_columns", (), "for each moment"),
        (
            lambda: Solver(heads=2).step(ARMS, CAPACITY, MOMENTS, inequalities=([[1, 1]], [1])),
            "inequalities", (1, 2), "the solver was made with",
        ),
        (
            lambda: greatest_factor(ARMS, CAPACITY, MOMENTS, [1.0, 2.0]),
            "scaled_moments", (2,), "1 rows",
        ),
        (lambda: contact_cone([1, 0, 0], [0, 0, 0], **CONE), "lines_of_action", (3,), "x, y and z"),
        (
            lambda: contact_cone([[1, 0, 0]], [0, 0, 0], **CONE | {"ratios": [1.0]}),
            "ratios", (1,), "each facet",
        ),
        (
            lambda: Cone(lines=[[1, 0]], normals=[[1, 0, 0]], levels=[1]),
            "cone lines", (1, 2), "x, y and z",
        ),
        (
            lambda: Balance.of_moments(ARMS, [1.0], [1.0], head_names=("a", "b"), row_names=("r",)),
            "active_capacity", (1,), "2 head_names",
        ),
        (
            lambda: solve_linkage(load_linkage("textbook_arm"), {"elbow_flexion": [[0.5]]}),
            "angles['elbow_flexion']", (1, 1), "one for each",
        ),
    ],
)  # fmt: skip
def test_a_wrong_shape_is_told_with_what_to_do(call, argument, shape, remedy):
    with pytest.raises(ShapeError) as caught:
        call()
    assert caught.value.argument == argument
    text = str(caught.value)
    assert text.startswith(f"{argument}: must ")
    assert f"shape {shape}" in text.split("; got ")[1]
    assert remedy in caught.value.remedy
    assert text.endswith(f"; {caught.value.remedy}")


def test_a_call_that_cannot_mark_frames_does_not_say_so():
    for call in (share, greatest_factor):
        given = (MOMENTS,) if call is share else (MOMENTS, MOMENTS)
        with pytest.raises(ShapeError, match="at least zero") as caught:
            call(ARMS, [1.0, -1.0], *given)
        assert ("on_invalid" in caught.value.remedy) == (call is share)


@pytest.mark.parametrize("axes", [33, 62, 64])
def test_more_axes_than_can_be_broadcast_are_refused(axes):
    arms = np.ones((1,) * axes)
    with pytest.raises(ShapeError, match=f"at most 32 axes; got {axes} axes; reshape"):
        share(arms.tolist(), [1.0], [1.0])
    assert share(np.ones((1,) * 30), [1.0], [1.0]).activation.shape == (1,) * 29

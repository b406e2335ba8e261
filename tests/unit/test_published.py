"""Published moments: reading a table, heads at the means, intervals and orderings by draws."""

import csv
import io

import numpy as np
import pytest

from momentshare.analysis import BALANCED, Criterion
from momentshare.errors import InputError
from momentshare.limb import build_limb
from momentshare.model import load_model
from momentshare.person import Person
from momentshare.posture import posture_from_angles
from momentshare.published import heads_of_published, read_published
from momentshare.sharing import share

ANGLES = ("plane", "elevation", "axial", "elbow_flexion", "forearm_rotation")

# Invented: moments and postures of the size of a bench press of 50 kg near the sticking region.
LINE = {
    "condition": "narrow",
    "point": "sticking region",
    "n": "12",
    "source": "invented for this test",
    "known": "invented",
    "shoulder_internal_rotation_nm": "4",
    "shoulder_elevation_nm": "3",
    "shoulder_horizontal_adduction_nm": "40",
    "elbow_extension_nm": "28",
    "plane_deg": "35",
    "elevation_deg": "70",
    "axial_deg": "10",
    "elbow_flexion_deg": "75",
    "forearm_rotation_deg": "130",
}
SPREADS = {
    "shoulder_internal_rotation_sd_nm": "2",
    "shoulder_elevation_sd_nm": "2",
    "shoulder_horizontal_adduction_sd_nm": "6",
    "elbow_extension_sd_nm": "5",
    "plane_sd_deg": "3",
    "elevation_sd_deg": "4",
    "axial_sd_deg": "4",
    "elbow_flexion_sd_deg": "5",
    "forearm_rotation_sd_deg": "8",
}
NONE = dict.fromkeys(SPREADS, "0")
WIDE = LINE | {
    "condition": "wide",
    "shoulder_horizontal_adduction_nm": "48",
    "elbow_extension_nm": "18",
}


@pytest.fixture(scope="module")
def limb():
    return build_limb(Person(name="Una", sex="male", stature=1.78, body_mass=84.0), load_model())


@pytest.fixture
def write(tmp_path):
    def make(*lines, name="moments.csv"):
        text = io.StringIO()
        columns = list(dict.fromkeys(key for line in lines for key in line))
        out = csv.DictWriter(text, columns, restval="")
        out.writeheader()
        out.writerows(lines)
        path = tmp_path / name
        path.write_text(text.getvalue(), encoding="utf-8")
        return path

    return make


def direct(limb, line, rows=BALANCED, **options):
    """Share the means of a line by hand, each head weighted by its force by default."""
    options = {"weights": limb.greatest_isometric_force} | options
    posture = posture_from_angles(*(np.radians(float(line[f"{a}_deg"])) for a in ANGLES))
    found = limb.paths(posture)
    state = limb.capacity(found.length)
    return share(
        found.moment_arms[[BALANCED.index(r) for r in rows]],
        state.active_capacity,
        [float(line[f"{r}_nm"]) for r in rows],
        passive_force=state.passive_force,
        **options,
    )


def test_table_is_read_with_units_and_what_is_not_given(write):
    table = read_published(write(LINE | SPREADS, WIDE | {"note": "angles guessed"}))
    assert table.source == "moments.csv"
    first, second = table.lines
    assert (first.condition, first.point, first.people) == ("narrow", "sticking region", 12)
    np.testing.assert_allclose(first.moments, [4.0, 3.0, 40.0, 28.0])
    np.testing.assert_allclose(first.angles, np.radians([35.0, 70.0, 10.0, 75.0, 130.0]))
    np.testing.assert_allclose(first.moment_sd, [2.0, 2.0, 6.0, 5.0])
    np.testing.assert_allclose(first.angle_sd, np.radians([3.0, 4.0, 4.0, 5.0, 8.0]))
    assert np.isnan(second.moment_sd).all()
    assert np.isnan(second.angle_sd).all()
    assert second.note == "angles guessed"
    assert table.citations == ("invented for this test (invented)",)
    with pytest.raises(ValueError, match="read-only"):
        first.moments[0] = 1.0


def test_byte_order_mark_blank_lines_and_spaces_do_not_matter(write):
    path = write(LINE, WIDE)
    plain = read_published(path)
    text = path.read_text(encoding="utf-8").replace(",", " , ")
    path.write_bytes(b"\xef\xbb\xbf" + text.replace("\n", "\r\n\r\n").encode() + b",,,,\r\n")
    again = read_published(path)
    assert [x.place for x in again.lines] == [x.place for x in plain.lines]
    np.testing.assert_array_equal(again.lines[1].moments, plain.lines[1].moments)


def test_no_spread_collapses_on_the_direct_answer(limb, write):
    found = heads_of_published(read_published(write(LINE | NONE, WIDE | NONE)), limb, draws=20)
    for line in (LINE, WIDE):
        wanted = direct(limb, line)
        assert str(wanted.status_text) == "solved"
        part = found.heads[found.heads["condition"] == line["condition"]]
        assert part["head"].tolist() == list(limb.head_names)
        for end in ("", "_median", "_low", "_high"):
            np.testing.assert_allclose(part[f"activation{end}"], wanted.activation, atol=1e-9)
            np.testing.assert_allclose(part[f"force_n{end}"], wanted.force, atol=1e-6)
    assert found.shortfalls["status"].tolist() == ["solved", "solved"]
    assert found.shortfalls["share_short"].tolist() == [0.0, 0.0]


@pytest.mark.parametrize(
    "criterion",
    [Criterion(exponent=3.0), Criterion(weights="none"), Criterion(balance_forearm=True)],
)
def test_criterion_is_kept(limb, write, criterion):
    found = heads_of_published(read_published(write(LINE)), limb, criterion=criterion, draws=0)
    weights = limb.greatest_isometric_force if criterion.weights == "area" else None
    wanted = direct(limb, LINE, exponent=criterion.exponent, weights=weights)
    np.testing.assert_allclose(found.heads["activation"], wanted.activation, atol=1e-8)
    assert any("grip" in note for note in found.notes) == criterion.balance_forearm


def width(found, name="activation"):
    heads = found.heads
    unit = "_n" if name == "force" else ""
    return (heads[f"{name}_high{unit}"] - heads[f"{name}_low{unit}"]).to_numpy()


def test_larger_spread_is_wider_and_the_mean_narrower(limb, write):
    small = read_published(write(LINE | SPREADS))
    double = {key: str(2.0 * float(value)) for key, value in SPREADS.items()}
    large = read_published(write(LINE | double))
    first, second = (heads_of_published(t, limb, draws=300) for t in (small, large))
    mean = heads_of_published(small, limb, draws=300, spread="se")
    busy = first.heads["activation"].to_numpy() > 0.05
    # An interval that nearly fills the range from rest to full activation cannot get wider, one
    # that lies at full activation cannot get narrower.
    room = busy & (width(first) < 0.8) & (width(mean) > 0.0)
    assert room.sum() >= 5
    assert (width(second)[room] > 1.2 * width(first)[room]).all()
    assert (width(second)[busy] >= width(first)[busy]).all()
    # √12 = 3.46 where the answer is near linear.
    ratio = np.median(width(first)[room] / width(mean)[room])
    assert 2.8 < ratio < 4.2
    assert (first.heads["activation_low"] <= first.heads["activation_median"]).all()
    assert (first.heads["activation_median"] <= first.heads["activation_high"]).all()


def test_draws_agree_with_a_plain_loop_of_other_random_numbers(limb, write):
    line = LINE | SPREADS
    found = heads_of_published(read_published(write(line)), limb, draws=1500).heads
    rng = np.random.default_rng(77)
    drawn = []
    for _ in range(400):
        own = dict(line)
        for name in [*(f"{r}_nm" for r in BALANCED), *(f"{a}_deg" for a in ANGLES)]:
            spread = float(line[name.replace("_nm", "_sd_nm").replace("_deg", "_sd_deg")])
            own[name] = str(float(line[name]) + spread * rng.standard_normal())
        drawn.append(direct(limb, own).activation)
    drawn = np.array(drawn)
    spread = drawn.std(axis=0)
    # Error of a median about 1.25 σ/√n and of a 2.5 % quantile about 2.7 σ/√n, with n = 400.
    for name, share_below, error in (("median", 0.5, 1.25), ("low", 0.025, 2.7)):
        gap = np.abs(found[f"activation_{name}"] - np.quantile(drawn, share_below, axis=0))
        assert (gap < 4.0 * error * spread / np.sqrt(400.0) + 1e-6).all()


def test_identical_conditions_are_even(limb, write):
    table = read_published(write(LINE | SPREADS, LINE | SPREADS | {"condition": "again"}))
    found = heads_of_published(table, limb, draws=600)
    orders = found.orderings
    assert len(orders) == len(limb.head_names)
    np.testing.assert_allclose(orders["probability"], 0.5)
    np.testing.assert_allclose(orders["activation_difference"], 0.0, atol=1e-9)
    # Independent noise: binomial error 0.5/√600 = 0.02.
    np.testing.assert_allclose(orders["probability_independent"], 0.5, atol=0.09)
    busy = found.heads["activation"][: len(limb.head_names)].to_numpy() > 0.1
    assert (orders["probability_independent"][busy] != 0.5).any()


def test_clear_difference_has_a_clear_order_and_common_numbers_make_it_firmer(limb, write):
    found = heads_of_published(
        read_published(write(LINE | SPREADS, WIDE | SPREADS)), limb, draws=300
    )
    row = found.orderings.set_index("head").loc["triceps_brachii/lateral"]
    assert (row["condition"], row["other"]) == ("narrow", "wide")
    assert row["activation_difference"] > 0.0
    assert row["probability"] >= row["probability_independent"] > 0.8
    assert row["draws"] == 300
    assert row["same_rows"]


def test_orders_are_within_a_point_only(limb, write):
    other = [LINE | {"point": "40"}, WIDE | {"point": "40"}, WIDE]
    found = heads_of_published(read_published(write(LINE, *other)), limb, draws=2)
    assert set(found.orderings["point"]) == {"sticking region", "40"}
    assert len(found.orderings) == 2 * len(limb.head_names)


def test_blank_row_is_not_balanced_and_said(limb, write):
    lacking = WIDE | {"shoulder_internal_rotation_nm": ""}
    found = heads_of_published(read_published(write(LINE, lacking)), limb, draws=5)
    assert found.balanced["narrow", "sticking region"] == BALANCED
    assert found.balanced["wide", "sticking region"] == BALANCED[1:]
    wanted = direct(limb, lacking, rows=BALANCED[1:])
    part = found.heads[found.heads["condition"] == "wide"]
    np.testing.assert_allclose(part["activation"], wanted.activation, atol=1e-9)
    assert part["rows_balanced"].unique().tolist() == [3]
    row = found.shortfalls.iloc[1]
    assert row["not_given"] == "shoulder_internal_rotation"
    assert np.isnan(row["shoulder_internal_rotation_unmet_nm"])
    assert row["elbow_extension_unmet_nm"] == pytest.approx(0.0, abs=1e-6)
    assert not found.orderings["same_rows"].any()
    texts = " ".join(found.notes)
    assert "shoulder_internal_rotation is blank in 1 of 2 lines (wide, sticking region)" in texts
    assert "elbow_extension_sd_nm is blank in all lines" in texts
    assert "cannot be compared" in texts


def test_a_table_of_the_elbow_alone_is_enough(limb, write):
    line = {k: v for k, v in LINE.items() if not k.startswith("shoulder")}
    found = heads_of_published(read_published(write(line)), limb, draws=5)
    wanted = direct(limb, line, rows=("elbow_extension",))
    np.testing.assert_allclose(found.heads["activation"], wanted.activation, atol=1e-9)


def test_moment_too_great_is_a_shortfall(limb, write):
    heavy = LINE | {"elbow_extension_nm": "400", "elbow_extension_sd_nm": "10"}
    found = heads_of_published(read_published(write(LINE, heavy | {"point": "0"})), limb, draws=30)
    row = found.shortfalls.iloc[1]
    assert row["status"] == "shortfall"
    assert row["share_short"] == 1.0
    assert row["elbow_extension_unmet_nm"] > 100.0
    assert any("does not meet the moments in 1 of 2 lines (narrow, 0)" in n for n in found.notes)


def test_angles_are_drawn_within_the_limits_of_the_limb(limb, write):
    from momentshare.published.solve import _drawn

    line = LINE | {"elbow_flexion_deg": "4", "elbow_flexion_sd_deg": "10"}
    drawn = _drawn(read_published(write(line)), limb, 800, 1, "sd", 0.0)[0]
    flexion = np.degrees(drawn[1:, 4 + 3])
    assert flexion.min() >= 0.0
    assert np.unique(flexion).size == 1600
    beyond = LINE | {"plane_deg": "120", "plane_sd_deg": "10"}
    table = read_published(write(beyond))
    assert np.degrees(_drawn(table, limb, 400, 1, "sd", 0.0)[0, :, 4]).max() <= 120.0 + 1e-9
    notes = " ".join(heads_of_published(table, limb, draws=0).notes)
    assert "outside the limits of the limb's model" in notes


@pytest.mark.parametrize("correlation", [-1.0 / 3.0, 0.0, 0.6, 1.0])
def test_moments_are_drawn_with_the_correlation_asked_for(limb, write, correlation):
    from momentshare.published.solve import _drawn

    table = read_published(write(LINE | SPREADS))
    drawn = _drawn(table, limb, 4000, 3, "sd", correlation)[0, 1:]
    found = np.corrcoef(drawn, rowvar=False)
    between = found[:4, :4][np.triu_indices(4, 1)]
    np.testing.assert_allclose(between, correlation, atol=0.05)
    np.testing.assert_allclose(found[:4, 4:], 0.0, atol=0.06)
    np.testing.assert_allclose(drawn[:, :4].std(axis=0), [2.0, 2.0, 6.0, 5.0], rtol=0.05)


def test_same_seed_same_numbers(limb, write):
    table = read_published(write(LINE | SPREADS, WIDE | SPREADS))
    first, again, other = (heads_of_published(table, limb, draws=40, seed=s) for s in (5, 5, 6))
    np.testing.assert_array_equal(first.heads["activation_low"], again.heads["activation_low"])
    assert (first.heads["activation_low"] != other.heads["activation_low"]).any()
    np.testing.assert_array_equal(first.heads["activation"], other.heads["activation"])


def test_no_draws_gives_the_means_only(limb, write):
    found = heads_of_published(read_published(write(LINE, WIDE)), limb, draws=0)
    assert found.heads[["activation_low", "force_n_median"]].isna().all(axis=None)
    assert found.orderings["probability"].isna().all()
    assert found.orderings["activation_difference"].notna().all()
    assert np.isnan(found.shortfalls["share_short"]).all()
    assert not any("draws stand for" in note for note in found.notes)


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({"draws": -1}, "draws: must be"),
        ({"draws": 2.5}, "draws: must be"),
        ({"draws": True}, "draws: must be"),
        ({"draws": 10**9}, "draws: must be"),
        ({"seed": -3}, "seed: must be"),
        ({"spread": "sem"}, "spread: must be"),
        ({"correlation": -0.5}, "correlation: must be"),
        ({"correlation": np.nan}, "correlation: must be"),
    ],
)
def test_options_out_of_range_are_named(limb, write, options, says):
    with pytest.raises(InputError, match=says):
        heads_of_published(read_published(write(LINE)), limb, **options)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"source": ""}, "row 2, column 'source': is blank; say where"),
        ({"known": "guessed"}, "row 2, column 'known': must be one of read, from memory"),
        ({"known": ""}, "column 'known': is blank"),
        ({"condition": " "}, "column 'condition': is blank"),
        ({"condition": "a\x1bb"}, "control character U+001B"),
        ({"condition": "x" * 90}, "has 90 characters"),
        ({"n": ""}, "column 'n': is blank"),
        ({"n": "0"}, "column 'n': must be between 1 and"),
        ({"n": "7.5"}, "column 'n': must be a whole number; got 7.5"),
        ({"elbow_extension_nm": "28,5"}, "must be a number; got '28,5'; write a number with a"),
        ({"elbow_extension_nm": "−28"}, "plain hyphen"),
        ({"elbow_extension_nm": "28 ± 5"}, "column of the standard deviation"),
        ({"elbow_extension_nm": "nan"}, "must be a number; got 'nan'"),
        ({"elbow_extension_nm": "1_0"}, "must be a number; got '1_0'"),
        ({"elbow_extension_nm": "1e999"}, "must be between -2000 and 2000; got inf"),
        (
            {"elbow_extension_nm": "28000"},
            "must be between -2000 and 2000; got 28000; check the unit",
        ),
        ({"elbow_extension_sd_nm": "-1"}, "column 'elbow_extension_sd_nm': must be between 0 and"),
        ({"elbow_extension_nm": "", "elbow_extension_sd_nm": "3"}, "has no mean beside it"),
        ({f"{r}_nm": "" for r in BALANCED}, "row 2: no moment is given"),
        ({"axial_deg": ""}, "column 'axial_deg': is blank; moment arms need the posture"),
        ({"elevation_deg": "-5"}, "column 'elevation_deg': must be between 0 and 180; got -5"),
        ({"plane_sd_deg": "120"}, "column 'plane_sd_deg': must be between 0 and 90"),
        ({"elbow_extention_nm": "1"}, "did you mean 'elbow_extension_nm'"),
    ],
)
def test_faults_name_row_column_value_and_remedy(write, change, says):
    path = write(LINE | change)
    with pytest.raises(InputError) as caught:
        read_published(path)
    assert says in str(caught.value)
    assert str(path) in str(caught.value)


@pytest.mark.parametrize("column", ["condition", "source", "known", "n", "axial_deg"])
def test_columns_that_must_be_there(write, column):
    path = write({k: v for k, v in LINE.items() if k != column})
    with pytest.raises(InputError, match=f"column '{column}' is missing"):
        read_published(path)


def test_all_faults_come_at_once(write):
    path = write(LINE | {"n": "x", "axial_deg": "north"}, WIDE | {"source": ""}, LINE, LINE)
    with pytest.raises(InputError) as caught:
        read_published(path)
    faults = caught.value.faults
    assert len(faults) == 4
    assert faults[-1].startswith(
        "row 5: condition 'narrow' at point 'sticking region' is given in row 4 already"
    )


@pytest.mark.parametrize(
    ("raw", "says"),
    [
        (b"", "row 1: is empty"),
        (b"\n\n", "row 1: is empty"),
        (b"condition;point;n\n", "must have a comma"),
        (b"\xff\xfe\x00c", "is not UTF-8"),
        (b"condition,\x00", "zero bytes"),
        (b'condition,"point\n', "check the quotes"),
        (b"condition,condition\na,b\n", "appears 2 times"),
        (b"PK\x03\x04 some archive", "is unknown"),
        (b"x" * 200_000, "csv|field|unknown"),
        (b"a" * 6_000_000, "larger than 5 MB"),
    ],
)
def test_files_that_are_no_table(tmp_path, raw, says):
    path = tmp_path / "odd.csv"
    path.write_bytes(raw)
    with pytest.raises(InputError, match=says):
        read_published(path)


def test_header_alone_and_ragged_lines(write):
    path = write(LINE)
    text = path.read_text(encoding="utf-8")
    path.write_text(text.splitlines()[0] + "\n", encoding="utf-8")
    with pytest.raises(InputError, match="there is no line"):
        read_published(path)
    path.write_text(text.rstrip() + ",7\n", encoding="utf-8")
    with pytest.raises(InputError, match="row 2: has 15 cells, the header 14"):
        read_published(path)


@pytest.mark.parametrize("name", ["", "nowhere.csv", "\0"])
def test_files_that_are_not_there(tmp_path, name):
    with pytest.raises(InputError, match=r"is a folder|no such file|cannot be read"):
        read_published(tmp_path / name)


def test_damaged_files_are_read_or_refused_with_a_message(write):
    path = write(LINE | SPREADS, WIDE | SPREADS)
    raw = path.read_bytes()
    rng = np.random.default_rng(9)
    refused = 0
    for _ in range(300):
        damaged = bytearray(raw)
        for place in rng.integers(0, len(raw), rng.integers(1, 6)):
            any_byte, likely = rng.integers(0, 256), rng.choice(list(b'",;\n\r-e9 '))
            damaged[place] = any_byte if rng.random() < 0.5 else likely
        end = rng.integers(1, len(raw) + 1) if rng.random() < 0.3 else len(raw)
        path.write_bytes(damaged[:end])
        try:
            table = read_published(path)
        except InputError as err:
            assert str(path) in str(err)  # noqa: PT017 - either outcome is right
            refused += 1
        else:
            assert all(np.isfinite(line.angles).all() for line in table.lines)
    assert 30 < refused < 300

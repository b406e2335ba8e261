"""The model files: complete numbers load, damaged files are refused with all faults at once."""

import csv
import dataclasses
import math
import shutil
from pathlib import Path

import pytest

from momentshare.errors import ModelError, UnknownNameError
from momentshare.model import Number, available_models, load_model, models_folder
from momentshare.model.sources import KINDS
from momentshare.units import FACTORS, to_si

HEADS = {
    "pectoralis_major": {"clavicular", "sternocostal_upper", "sternocostal_lower", "abdominal"},
    "deltoid": {"clavicular", "acromial", "spinal"},
    "triceps_brachii": {"long", "lateral", "medial"},
    "anconeus": {""},
    "biceps_brachii": {"long", "short"},
    "brachialis": {""},
    "brachioradialis": {""},
    "coracobrachialis": {""},
    "latissimus_dorsi": {"upper", "lower"},
    "teres_major": {""},
    "teres_minor": {""},
    "infraspinatus": {"upper", "lower"},
    "supraspinatus": {""},
    "subscapularis": {"upper", "lower"},
    "pronator_teres": {""},
}


@pytest.fixture(scope="module")
def model():
    return load_model()


@pytest.fixture
def folder(tmp_path):
    """A copy of the shipped model that a test may damage."""
    place = tmp_path / "limb"
    shutil.copytree(models_folder() / "reference_limb", place)
    shutil.copy(models_folder() / "references.bib", place / "references.bib")
    return place


def edit(place, old, new, count=1):
    text = place.read_text(encoding="utf-8")
    assert old in text, f"{place.name} no longer holds {old!r}"
    place.write_text(text.replace(old, new, count), encoding="utf-8")


def set_cell(place, key, column, value):
    """Write ``value`` into a column of the row whose first column is ``key``; its line number."""
    with place.open(encoding="utf-8", newline="") as file:
        rows = list(csv.reader(file))
    at = next(i for i, row in enumerate(rows) if row and row[0] == key)
    rows[at][rows[0].index(column)] = value
    with place.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file, lineterminator="\n").writerows(rows)
    return at + 1


def refusal(folder):
    with pytest.raises(ModelError) as caught:
        load_model(folder)
    return caught.value


def only_fault(folder):
    faults = refusal(folder).faults
    assert len(faults) == 1, faults
    return faults[0]


def numbers(model):
    """Every number of a model with its provenance, under a name for the failure message."""
    for kind in ("quantities", "inertia"):
        for key, number in getattr(model, kind).items():
            yield f"{kind} {key}", number
    for head in model.heads:
        for field in dataclasses.fields(head):
            number = getattr(head, field.name)
            if isinstance(number, Number):
                yield f"{head.name} {field.name}", number


def test_shipped_model_is_found_by_name(model):
    assert "reference_limb" in available_models()
    assert model.name == "reference_limb"


def test_model_holds_every_named_head(model):
    found: dict[str, set[str]] = {}
    for name in model.head_names:
        muscle, _, part = name.partition("/")
        found.setdefault(muscle, set()).add(part)
    assert found == HEADS


def test_every_number_carries_unit_spread_source_and_kind(model):
    count = 0
    for name, number in numbers(model):
        count += 1
        assert math.isfinite(number.value), name
        assert 0.0 <= number.spread < math.inf, name
        assert number.unit in FACTORS, name
        assert number.source in model.references, name
        assert number.kind in KINDS, name
    assert count >= 4 * len(model.heads) + len(model.quantities)


def test_every_site_surface_and_fit_carries_source_and_kind(model):
    for item in (*model.sites.values(), *model.surfaces.values()):
        assert item.source in model.references, item.name
        assert item.kind in KINDS, item.name
        assert item.spread > 0.0, item.name
    for key, fit in model.fits.items():
        assert fit.source in model.references, key
        assert fit.kind in KINDS, key
        assert fit.sd > 0.0, key


def test_source_keys_are_those_the_numbers_name(model):
    used = {number.source for _, number in numbers(model)}
    used |= {s.source for s in (*model.sites.values(), *model.surfaces.values())}
    used |= {fit.source for fit in model.fits.values()}
    described = load_model(model.path, calibrated=False).source_keys()
    assert set(model.source_keys()) == used | set(described)
    assert "murray2000" in model.source_keys()  # fibre lengths from which the fitted ones began


def test_lengths_are_in_metres(model):
    for site in model.sites.values():
        assert math.hypot(*site.position) < 0.6, site.name
    for surface in model.surfaces.values():
        assert 0.005 < surface.radius < 0.15, surface.name


def test_copied_model_loads_with_the_same_digest(folder, model):
    assert load_model(folder).digest == model.digest


def test_digest_changes_with_any_number(folder, model):
    set_cell(folder / "sites.csv", "coracobrachialis_origin", "spread", "4.5")
    assert load_model(folder).digest != model.digest


def test_windows_line_ends_change_no_number(folder, model):
    for name in ("sites.csv", "quantities.csv"):
        path = folder / name
        path.write_bytes(path.read_bytes().replace(b"\r\n", b"\n").replace(b"\n", b"\r\n"))
    again = load_model(folder)
    assert again.sites == model.sites
    assert again.quantities == model.quantities


def test_uncalibrated_model_holds_the_described_numbers(folder):
    described = load_model(folder, calibrated=False)
    with (folder / "sites.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    for row in rows:
        wanted = tuple(to_si(float(row[a]), row["unit"], "length") for a in "xyz")
        assert described.sites[row["site"]].position == pytest.approx(wanted, abs=1e-15)


def test_calibrated_numbers_take_the_place_of_the_described_ones(folder):
    fitted = load_model(folder)
    with (folder / "calibrated.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    seen = 0
    for row in rows:
        if row["table"] == "sites":
            value = fitted.sites[row["name"]].position["xyz".index(row["field"])]
            assert value == pytest.approx(
                to_si(float(row["value"]), row["unit"], "length"), abs=1e-15
            )
            assert fitted.sites[row["name"]].kind == row["kind"]
            seen += 1
        elif row["table"] == "quantities":
            number = fitted.quantities[row["name"]]
            assert number.kind == row["kind"]
            seen += 1
    assert seen > 0


def test_fitted_number_for_a_missing_entry_is_named(folder):
    set_cell(folder / "calibrated.csv", "sites", "name", "no_such_site")
    fault = only_fault(folder)
    assert fault.startswith("calibrated.csv row 2")
    assert "no_such_site" in fault


def test_missing_source_key_is_named_with_file_row_and_value(folder):
    row = set_cell(folder / "sites.csv", "triceps_long_origin", "source", "nobody1999")
    fault = only_fault(folder)
    assert fault.startswith(f"sites.csv row {row}: field 'source'")
    assert "nobody1999" in fault
    assert "references.bib" in fault


def test_empty_source_is_refused(folder):
    row = set_cell(folder / "quantities.csv", "reference_stature", "source", "")
    assert f"quantities.csv row {row}: field 'source'" in only_fault(folder)


@pytest.mark.parametrize("column", ["value", "unit", "spread", "kind"])
def test_number_without_one_of_its_parts_does_not_load(folder, column):
    row = set_cell(folder / "quantities.csv", "specific_tension", column, "")
    fault = only_fault(folder)
    assert f"quantities.csv row {row}" in fault
    assert repr(column) in fault


def test_kind_outside_the_list_is_refused(folder):
    row = set_cell(folder / "quantities.csv", "specific_tension", "kind", "guessed")
    fault = only_fault(folder)
    assert f"quantities.csv row {row}: field 'kind'" in fault
    assert "guessed" in fault


def test_unknown_unit_is_named_and_known_ones_offered(folder):
    row = set_cell(folder / "sites.csv", "triceps_long_origin", "unit", "inch")
    fault = next(f for f in refusal(folder).faults if f.startswith("sites.csv"))
    assert fault.startswith(f"sites.csv row {row}: unknown unit 'inch'")
    assert "mm" in fault


def test_unit_of_another_dimension_is_refused(folder):
    row = set_cell(folder / "sites.csv", "triceps_long_origin", "unit", "kg")
    fault = next(f for f in refusal(folder).faults if f.startswith("sites.csv"))
    assert fault.startswith(f"sites.csv row {row}: unit 'kg' measures mass; must measure length")


def test_head_quantity_in_a_unit_of_another_dimension_is_refused(folder):
    row = set_cell(folder / "heads.csv", "anconeus", "unit", "deg")
    faults = refusal(folder).faults
    assert any(f.startswith(f"heads.csv row {row}: unit 'deg' measures angle") for f in faults)


@pytest.mark.parametrize(
    ("table", "key"),
    [
        ("quantities.csv", "specific_tension"),
        ("sites.csv", "radial_head"),
        ("heads.csv", "anconeus"),
    ],
)
def test_negative_spread_is_refused(folder, table, key):
    row = set_cell(folder / table, key, "spread", "-1")
    faults = refusal(folder).faults
    assert any(f.startswith(f"{table} row {row}: field 'spread'") and "-1" in f for f in faults)


@pytest.mark.parametrize("value", ["nan", "inf", "twelve"])
def test_value_that_is_no_finite_number_is_refused(folder, value):
    row = set_cell(folder / "quantities.csv", "specific_tension", "value", value)
    fault = only_fault(folder)
    assert fault.startswith(f"quantities.csv row {row}: field 'value'")
    assert value in fault


def test_duplicate_site_is_refused(folder):
    path = folder / "sites.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    path.write_text("\n".join([*lines, lines[1]]) + "\n", encoding="utf-8")
    fault = only_fault(folder)
    assert fault.startswith(f"sites.csv row {len(lines) + 1}")
    assert "is duplicated" in fault
    assert lines[1].split(",")[0] in fault


def test_path_over_an_unknown_site_offers_the_nearest_name(folder):
    edit(folder / "limb.toml", '"triceps_long_origin"', '"tricep_long_origin"')
    fault = only_fault(folder)
    assert "triceps_brachii/long" in fault
    assert "unknown site 'tricep_long_origin'" in fault
    assert "did you mean" in fault
    assert "'triceps_long_origin'" in fault


def test_path_over_an_unknown_surface_offers_the_nearest_name(folder):
    edit(folder / "limb.toml", "round:deltoid_front+", "round:deltoid_frnt+")
    fault = only_fault(folder)
    assert "unknown surface 'deltoid_frnt'" in fault
    assert "'deltoid_front'" in fault


def test_cylinder_without_sense_is_refused(folder):
    edit(folder / "limb.toml", "round:deltoid_side+", "round:deltoid_side")
    fault = only_fault(folder)
    assert "deltoid/acromial" in fault
    assert "sense" in fault


def test_sphere_with_sense_is_refused(folder):
    edit(folder / "limb.toml", '"round:cuff_sphere"', '"round:cuff_sphere+"')
    assert "a sphere none" in only_fault(folder)


def test_path_that_ends_on_a_surface_is_refused(folder):
    edit(
        folder / "limb.toml",
        '"round:deltoid_back+", "deltoid_spinal_insertion"',
        '"deltoid_spinal_insertion", "round:deltoid_back+"',
    )
    assert "must begin and end at a site" in only_fault(folder)


def test_cylinder_whose_axis_is_not_of_length_one_is_refused(folder):
    row = set_cell(folder / "surfaces.csv", "chest_wall", "axis_y", "2")
    faults = refusal(folder).faults
    assert any(f.startswith(f"surfaces.csv row {row}") and "length 1" in f for f in faults)


@pytest.mark.parametrize("radius", ["0", "-12"])
def test_radius_that_is_not_positive_is_refused(folder, radius):
    row = set_cell(folder / "surfaces.csv", "cuff_sphere", "radius", radius)
    faults = refusal(folder).faults
    assert any(f.startswith(f"surfaces.csv row {row}: field 'radius'") for f in faults)


def test_missing_column_is_named_for_its_field(folder):
    path = folder / "groups.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    path.write_text("\n".join(line.split(",")[0] for line in lines) + "\n", encoding="utf-8")
    faults = refusal(folder).faults
    assert any(f == "groups.csv row 1: lacks the column group" for f in faults)


def test_extra_comma_is_named_with_its_row(folder):
    path = folder / "groups.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    lines[3] += ",surplus"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    faults = refusal(folder).faults
    assert any(f.startswith("groups.csv row 4: ") and "commas" in f for f in faults)


def test_unknown_column_is_refused(folder):
    path = folder / "groups.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    lines = [lines[0] + ",colour", *(line + ",blue" for line in lines[1:])]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    faults = refusal(folder).faults
    assert any(f.startswith("groups.csv row 1: unknown column 'colour'; known:") for f in faults)


@pytest.mark.parametrize("table", ["sites.csv", "limb.toml"])
def test_text_that_is_not_utf8_is_a_model_error_naming_the_file(folder, table):
    path = folder / table
    path.write_bytes(path.read_bytes() + b"\n# na\xefve\n")
    assert any(f.startswith(table) for f in refusal(folder).faults)


def test_bibliography_that_is_not_utf8_is_a_model_error_naming_the_file(folder):
    path = folder / "references.bib"
    path.write_bytes(path.read_bytes() + b"\n% na\xefve\n")
    with pytest.raises(ModelError, match=r"references\.bib"):
        load_model(folder)


def test_broken_toml_is_a_model_error_with_its_place(folder):
    edit(folder / "limb.toml", "[scapula]", "[scapula")
    faults = refusal(folder).faults
    assert faults[0].startswith("limb.toml: not readable as TOML")
    assert "line" in faults[0]


def test_default_scapula_outside_the_policies_is_a_model_error(folder):
    edit(folder / "limb.toml", 'default = "moving"', 'default = "shrugging"')
    assert "shrugging" in str(refusal(folder))


def test_reference_scapula_outside_the_policies_is_a_model_error(folder):
    edit(folder / "limb.toml", 'reference = "moving"', 'reference = "shrugging"')
    assert "field 'scapula.reference': 'shrugging'" in str(refusal(folder))


def test_scapula_policy_without_angles_is_a_model_error(folder):
    edit(folder / "limb.toml", '"resting", "pressing"', '"resting", "pressing", "shrugging"')
    assert "shrugging" in str(refusal(folder))


@pytest.mark.parametrize(
    "quantity", ["reference_stature", "specific_tension", "limit_elbow_flexion_max"]
)
def test_missing_quantity_that_the_limb_needs_is_a_model_error(folder, quantity):
    path = folder / "quantities.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    kept = [line for line in lines if not line.startswith(quantity + ",")]
    assert len(kept) == len(lines) - 1
    path.write_text("\n".join(kept) + "\n", encoding="utf-8")
    assert quantity in str(refusal(folder))


@pytest.mark.parametrize(
    ("table", "start", "name"),
    [
        ("anthropometry.csv", "female,chest_depth,", "chest_depth"),
        ("inertia.csv", "female,forearm,radius_transverse,", "radius_transverse"),
        ("sites.csv", "radial_head,", "radial_head"),
    ],
)
def test_missing_row_that_the_limb_needs_is_a_model_error(folder, table, start, name):
    path = folder / table
    lines = path.read_text(encoding="utf-8").splitlines()
    kept = [line for line in lines if not line.startswith(start)]
    assert len(kept) == len(lines) - 1
    path.write_text("\n".join(kept) + "\n", encoding="utf-8")
    assert name in str(refusal(folder))


def test_missing_table_is_a_model_error_naming_the_file(folder):
    (folder / "surfaces.csv").unlink()
    assert any(f.startswith("surfaces.csv: no such file") for f in refusal(folder).faults)


def test_empty_table_is_a_model_error(folder):
    (folder / "heads.csv").write_text("", encoding="utf-8")
    assert any(fault.startswith("heads.csv") for fault in refusal(folder).faults)


def test_head_without_volume_is_named(folder):
    path = folder / "heads.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    path.write_text(
        "\n".join(line for line in lines if not line.startswith("anconeus,volume,")) + "\n",
        encoding="utf-8",
    )
    fault = only_fault(folder)
    assert fault.startswith("heads.csv")
    assert "'anconeus' lacks volume" in fault


def test_faults_of_all_files_are_reported_together(folder):
    set_cell(folder / "quantities.csv", "specific_tension", "spread", "-1")
    set_cell(folder / "sites.csv", "radial_head", "unit", "inch")
    set_cell(folder / "surfaces.csv", "cuff_sphere", "source", "nobody1999")
    edit(folder / "limb.toml", '"coracobrachialis_insertion"', '"coracobrachialis_insert"')
    error = refusal(folder)
    for start in ("quantities.csv", "sites.csv", "surfaces.csv", "limb.toml"):
        assert any(f.startswith(start) for f in error.faults), start
    assert all(fault in str(error) for fault in error.faults)
    assert error.exit_code == 2


def test_missing_rows_and_wrong_ones_are_reported_together(folder):
    """A row that is refused is not also missing, nor is what leans on it unknown."""
    path = folder / "quantities.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    kept = [line for line in lines if not line.startswith("bar_radius,")]
    path.write_text("\n".join(kept) + "\n", encoding="utf-8")
    set_cell(folder / "quantities.csv", "specific_tension", "unit", "stone")
    set_cell(folder / "sites.csv", "triceps_insertion", "x", "left")
    set_cell(folder / "inertia.csv", "male", "spread", "-1")
    bibliography = folder / "references.bib"
    text = bibliography.read_text(encoding="utf-8").replace(
        "author = {Ward SR", "author {Ward SR", 1
    )
    bibliography.write_text(text, encoding="utf-8")
    set_cell(folder / "heads.csv", "anconeus", "value", "-3")
    starts = (
        "references.bib: line",
        "quantities.csv row",
        "sites.csv row",
        "heads.csv row",
        "inertia.csv row 2: field 'spread'",
        "quantities.csv: quantity 'bar_radius' is missing",
    )
    faults = refusal(folder).faults
    assert len(faults) == len(starts), faults
    for fault, start in zip(faults, starts, strict=True):
        assert fault.startswith(start), fault


def test_a_head_added_in_python_changes_the_digest(model):
    more = dataclasses.replace(model.heads[0], name="invented")
    changed = dataclasses.replace(model, heads=(*model.heads, more))
    assert changed.digest != model.digest
    again = dataclasses.replace(changed, heads=model.heads)
    assert again.digest == model.digest
    weaker = {**model.quantities, "bar_radius": model.quantities["bar_friction"]}
    numbers = dataclasses.replace(model, quantities=weaker)
    assert len({numbers.digest, changed.digest, model.digest}) == 3


def test_unknown_model_name_offers_the_shipped_ones():
    with pytest.raises(UnknownNameError, match="reference_limb"):
        load_model("reference_lim")


def test_a_folder_does_not_take_the_place_of_a_shipped_model(folder, tmp_path, monkeypatch):
    edit(folder / "limb.toml", 'version = "', 'version = "mine ')
    shutil.copytree(folder, tmp_path / "here" / "reference_limb")
    monkeypatch.chdir(tmp_path / "here")
    shipped = load_model("reference_limb")
    assert shipped.path == models_folder() / "reference_limb"
    assert not shipped.version.startswith("mine")
    own = tmp_path / "here" / "reference_limb"
    for path in ("./reference_limb", str(own), Path("reference_limb"), "../here/reference_limb"):
        assert load_model(path).version.startswith("mine"), path


def test_a_folder_is_named_as_a_path(folder, tmp_path, monkeypatch):
    shutil.copytree(folder, tmp_path / "here" / "own")
    monkeypatch.chdir(tmp_path / "here")
    with pytest.raises(UnknownNameError, match=r"unknown model 'own'; .* write './own'"):
        load_model("own")
    assert load_model("./own").name == "reference_limb"
    with pytest.raises(UnknownNameError, match=r"model folder './other'; it holds no limb.toml"):
        load_model("./other")


@pytest.mark.parametrize(
    ("value", "unit", "dimension", "si"),
    [
        (120.0, "mm", "length", 0.12),
        (30.0, "deg", "angle", math.pi / 6.0),
        (250.0, "cm3", "volume", 2.5e-4),
        (26.8, "N/cm2", "stress", 2.68e5),
        (400.0, "g", "mass", 0.4),
    ],
)
def test_units_convert_to_si(value, unit, dimension, si):
    assert to_si(value, unit, dimension) == pytest.approx(si, rel=1e-15)

"""The reference: every topic, and every field and column that it should name."""

import inspect
import json
import re
from pathlib import Path
from typing import get_args

import matplotlib.colors
import matplotlib.image
import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

import momentshare
from momentshare import Criterion, load_linkage, sharing, solve_linkage
from momentshare.cli.main import app
from momentshare.cohort import schema as cohort
from momentshare.cohort.expand import SHORT_FORMS
from momentshare.directions import ROWS
from momentshare.errors import InputError, UnknownNameError
from momentshare.help import entries, entries_named, topic, topics
from momentshare.linkage import entries as linkage
from momentshare.model import load_model
from momentshare.published import table as published
from momentshare.report.text.linkage_opening import criteria_table
from momentshare.report.text.settings import muscles_text
from momentshare.study import schema as study
from momentshare.study.exercises import EXERCISES
from momentshare.trial.formats import layout
from momentshare.trial.formats.wanted import SignalEntry

TOPICS = Path(__import__("momentshare").__file__).parent / "help" / "topics"
STUDENT = TOPICS.parents[1] / "tutorials/files/student"
GOLDEN = Path(__file__).parents[1] / "golden" / "data"


def named(place, section, kind=None):
    """Names that the tables below a heading explain."""
    found = [e for e in entries() if e.topic == place and section in e.headings]
    assert found, f"topic {place}: no heading {section!r}"
    return [n for e in found if kind is None or e.kind == kind for n in e.names]


def test_every_file_of_the_help_is_a_topic():
    assert sorted(p.stem for p in TOPICS.iterdir()) == sorted(t.name for t in topics())


@pytest.mark.parametrize("found", topics(), ids=lambda t: t.name)
def test_a_topic_opens_with_a_title_and_a_sentence(found):
    lines = found.text.split("\n\n")
    assert lines[0].startswith("# ")
    assert "\n" not in lines[0]
    assert found.summary.endswith(".")
    assert len(found.summary) < 160
    assert found.text.count("```") % 2 == 0


def test_rows_of_tables_have_as_many_cells_as_their_heading():
    for found in topics():
        width = 0
        for line in found.text.splitlines():
            cells = line.replace("\\|", "").count("|") if line.startswith("|") else 0
            assert not (cells and width) or cells == width, f"{found.name}: {line}"
            width = cells


def shown(name):
    done = CliRunner().invoke(app, ["help", name], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return done.output


def test_limits_terms_and_public_names_have_entries():
    limits = load_model().limits
    for key in limits.keys:
        text = shown(key)
        assert text.startswith(f"# {limits.said(key)}\n")
        for row in limits.of(key):
            assert f" {row.reason} |" in text
    for entry in entries():
        if entry.topic == "glossary":
            for term in entry.names:
                assert entry.cells[1] in shown(term)
    assert "strict JSON" in shown("to_json")
    assert "status_text" in shown("status_text")


CALLS = {
    "Solver": sharing.Solver,
    "solve": sharing.Solver.solve,
    "step": sharing.Solver.step,
    **{name: getattr(sharing, name) for name in ("share", "force_gradients")},
    **{name: getattr(sharing, name) for name in ("greatest_factor", "greatest_moment")},
}


def test_every_argument_of_the_solver_is_explained_once():
    found = named("solver", "Arguments", "argument")
    wanted = {name for call in CALLS.values() for name in inspect.signature(call).parameters}
    assert len(found) == len(set(found))
    assert set(found) == wanted - {"self"}
    for name in set(found) - {t.name for t in topics()}:
        assert "(topic `solver`)" in shown(name)


def test_every_name_of_the_sharing_has_an_entry():
    for name in sharing.__all__:
        text = shown(name)
        assert text.startswith(f"# {name}\n")
        door = "momentshare" if name in momentshare.__all__ else "momentshare.sharing"
        assert f"`help({door}.{name})`" in text
        assert ":class:" not in text


@pytest.mark.parametrize("word", ["min–max", "min-max", "Min-Max", "minmax", "min max"])
def test_a_term_is_found_however_it_is_written(word):
    assert "the greatest activation is as small as possible" in shown(word)


def test_a_part_of_a_name_finds_fields_and_terms():
    text = shown("spacing")
    assert "`spacing_biacromial`" in text
    assert "(topic `changes`)" not in text  # of spans between two pieces of code


def test_unknown_topic_offers_near_ones():
    with pytest.raises(UnknownNameError, match="study"):
        topic("studdy")


# What the files of a user may hold.


def fields(model):
    return set(model.model_fields)


@pytest.mark.parametrize(
    ("place", "section", "wanted"),
    [
        ("study", "The file", fields(study.StudyFile)),
        ("study", "Settings", fields(study.SettingsEntry)),
        ("study", "Person", fields(study.PersonEntry)),
        ("study", "Strength test of a person", fields(study.StrengthEntry)),
        ("exercises", "Exercises", set(EXERCISES)),
        ("exercises", "Condition", fields(study.ConditionEntry)),
        ("cohort", "The file", fields(cohort.CohortFile) | set(SHORT_FORMS)),
        ("cohort", "Condition of a trial", fields(cohort.MeasuredCondition)),
        ("cohort", "Trial", fields(cohort.TrialEntry)),
        ("cohort", "Processing", fields(cohort.ProcessingEntry)),
        ("cohort", "EMG", fields(cohort.EmgEntry)),
        ("cohort", "Statistics", fields(cohort.StatisticsEntry)),
        ("cohort", "Maximal contraction", fields(cohort.MaximalEntry)),
        ("cohort", "Best lift", fields(cohort.BestLiftEntry)),
        (
            "cohort",
            "Settings of a cohort",
            (fields(cohort.CohortSettings) - fields(study.SettingsEntry)),
        ),
        ("cohort", "Static trial", fields(cohort.StaticEntry)),
        ("published", "Block", fields(cohort.PublishedEntry)),
        ("published", "File", set(published._columns())),
        ("linkage", "linkage.toml", fields(linkage.LinkageFile)),
        ("layout", "Layout", fields(layout.LayoutEntry) | {"based_on"}),
        ("layout", "Markers", set(layout.MARKER_ROLES)),
        ("layout", "Forces", set(layout.FORCE_ROLES)),
        ("layout", "Angles", set(layout.ANGLE_ROLES)),
        ("layout", "Signals", fields(SignalEntry)),
        ("layout", "Places", fields(layout.PlacesEntry)),
    ],
)
def test_every_field_of_a_file_is_explained_once(place, section, wanted):
    found = named(place, section)
    assert len(found) == len(set(found))
    assert set(found) == wanted


@pytest.mark.parametrize(
    ("section", "entry"),
    [
        ("joints.csv", linkage.JointEntry),
        ("rows.csv", linkage.RowEntry),
        ("bodies.csv", linkage.BodyEntry),
        ("sites.csv of a linkage", linkage.LinkageSiteEntry),
        ("surfaces.csv of a linkage", linkage.LinkageSurfaceEntry),
        ("heads.csv of a linkage", linkage.LinkageHeadEntry),
        ("arms.csv", linkage.ArmEntry),
        ("capacities.csv", linkage.CapacityEntry),
    ],
)
def test_every_column_of_a_linkage_is_explained_once(section, entry):
    found = [n for e in entries() if (e.topic, e.section) == ("linkage", section) for n in e.names]
    common = named("linkage", "Every table of a linkage")
    columns = [n for n in found if n in fields(entry)]
    assert len(columns) == len(set(columns))
    assert set(columns) | (set(common) & fields(entry)) == fields(entry)


def test_every_quantity_of_a_linkage_is_explained():
    told = {e.section: e.cells[1] for e in entries() if "quantity" in e.names}
    for name in linkage.HEAD_QUANTITIES:
        assert f"`{name}`" in told["heads.csv of a linkage"]
    for name in get_args(linkage.BodyEntry.model_fields["quantity"].annotation):
        assert f"`{name}`" in told["bodies.csv"]


def test_every_column_of_the_tables_of_a_linkage_is_explained():
    arm = load_linkage("elbow_by_table")
    result = solve_linkage(arm, {"elbow_flexion": 1.0})
    for file, table in (
        ("limb_heads.csv", result.head_table()),
        ("limb_rows.csv", result.row_table()),
        ("limb_joints.csv", result.joint_table()),
        ("limb_criteria.csv", criteria_table(result, Criterion())),
    ):
        told = {n.replace("<row>", "elbow_flexion") for n in named("linkage", file)}
        assert set(table.columns) == told


def test_default_settings_are_as_told():
    told = {n: e.cells[1] for e in entries() if e.section == "Settings" for n in e.names}
    default = study.SettingsEntry()
    assert f"{default.exponent:g} by default" in told["exponent"]
    assert f"{default.frames} by default" in told["frames"]
    assert f"({cohort.CohortSettings().frames} for measured trials)" in told["frames"]
    for name in ("weights", "hand_couples", "curves"):
        assert f"`{getattr(default, name)}` (the default)" in told[name]
    assert all(f"`{mode}`" in told["lateral"] for mode in default.lateral)
    told = {n: e.cells[1] for e in entries() if e.topic == "cohort" for n in e.names}
    assert f"{cohort.ProcessingEntry().fill_gaps_s:g} by default" in told["fill_gaps_s"]
    assert f"{cohort.ProcessingEntry().cutoff_hz:g} by default" in told["cutoff_hz"]
    assert f"{cohort.EmgEntry().envelope_hz:g} by default" in told["envelope_hz"]
    assert f"{cohort.StatisticsEntry().confidence:g} by default" in told["confidence"]


def test_ways_of_places_are_named():
    told = {n: e.cells[1] for e in entries() if e.section == "Places" for n in e.names}
    for name, field in layout.PlacesEntry.model_fields.items():
        for way in get_args(field.annotation):
            assert way == "auto" or f"`{way}`" in told[name]


# What tables hold.

_OWN = {"variant", "explained", "run"}
"""Columns that only stored tables have: which run a row is of."""

_STORED = {
    **{(r, None): ("compare-tables", "{}.csv") for r in ("demo", "exercises", "variants")},
    **{(r, "frames"): ("compare-tables", "frames.parquet") for r in ("demo", "exercises")},
    ("effects", None): ("compare-tables", "effects_{}.csv"),
    ("explain", "along"): ("other-tables", "drive_along_lift.csv"),
    **{
        ("explain", n): ("other-tables", f"{n}.csv")
        for n in ("drive", "drive_by_head", "counterfactuals", "counterfactual_cases")
    },
    **{
        (run, name): ("other-tables", file)
        for run in ("strength", "strength_exercises")
        for name, file in {
            "along": "strength_along_lift.csv",
            "frames": "utilisation_along_lift.csv",
            "utilisation": "utilisation.csv",
            "tests": "strength_test.csv",
            "curves": "strength_curves.csv",
            "moments": "corrected_utilisation.csv",
        }.items()
    },
    ("uncertainty", None): ("other-tables", "{}.csv"),
    ("uncertainty_exercises", None): ("other-tables", "{}.csv"),
    ("ranking", None): ("other-tables", "{}.csv"),
    ("ranking", "overall"): ("other-tables", "ranking.csv"),
    **{
        ("lab", f"all_{n}"): ("cohort-tables", f"{n}.parquet")
        for n in ("emg", "frames", "glenoid", "moments", "motion")
    },
    ("lab", None): ("cohort-tables", "{}.csv"),
    ("published", None): ("cohort-tables", "published_1_{}.csv"),
    ("validation", "table"): ("other-tables", "validation.csv"),
}
"""Run and stored table (or any) → topic and file that it is written to."""

_NO_FILE = {
    *(("explain", n) for n in ("factors", "moments", "worked")),  # told in explanation.txt
    ("lab", "all_conditions"),
}
"""Stored tables that go into texts and sums; refusals are printed."""


def stored():
    """Return topic, file and columns of every stored table that a command writes to a file."""
    for place in sorted(GOLDEN.glob("*/*.parquet")):
        run, name = place.parent.name, place.stem
        if (run, name) in _NO_FILE or name == "refusals":
            continue
        where, file = _STORED.get((run, name)) or _STORED[run, None]
        own = _OWN | ({"place"} if (run, name) == ("strength", "curves") else set())
        own |= {"worst_unmet_nm"} if run == "explain" else set()
        columns = set(pd.read_parquet(place).columns) - own
        yield where, file.format(name), columns


def test_every_column_of_every_stored_table_is_explained():
    tables = list(stored())
    assert len(tables) > 60
    for where, file, columns in tables:
        missing = columns - set(named(where, file, "column"))
        assert not missing, f"{file}: explain {sorted(missing)} in help/topics/{where}.md"


def check_folder(folder, where):
    """Tables of a folder have exactly the columns that the help explains, or fewer."""
    seen = 0
    for place in sorted(folder.iterdir()):
        if place.suffix == ".csv" and place.name != "null_limb.csv":
            columns = set(pd.read_csv(place, nrows=1).columns)
        elif place.suffix == ".parquet":
            columns = set(pd.read_parquet(place).columns)
        else:
            continue
        told = set(named(where, place.name, "column"))
        assert columns <= told, f"{place.name}: explain {sorted(columns - told)} in {where}.md"
        seen += 1
    return seen


SMALL = """
title = "Small"
[settings]
frames = 5
glenoid_constraint = true
lateral = ["measured", "free"]
[[person]]
name = "Ada"
sex = "female"
stature_cm = 166
body_mass_kg = 62
[[condition]]
name = "narrow"
exercise = "bar_press"
spacing_biacromial = 1.2
lateral_ratio = 0.02
load_kg = 20
duration_s = 2.5
[[condition]]
name = "wide"
exercise = "bar_press"
spacing_biacromial = 1.8
lateral_ratio = 0.1
load_kg = 20
"""


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    place = tmp_path_factory.mktemp("help") / "study.toml"
    place.write_text(SMALL, encoding="utf-8")
    return place


def run(*words):
    done = CliRunner().invoke(app, list(map(str, words)), catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return done.stdout


def test_tables_of_compare_have_the_columns_of_the_help(small, tmp_path):
    run("compare", small, "--out", tmp_path / "r", "--effects", "--no-figures", "--quiet")
    assert check_folder(tmp_path / "r", "compare-tables") == 15


@pytest.mark.parametrize(
    ("words", "tables"),
    [
        (("explain",), 1),
        (("explain", "--head", "triceps_brachii/long", "--draws", "2"), 8),
        (("explain", "--head", "anconeus", "--against", "brachialis", "--draws", "2"), 10),
        (("explain", "--against", "wide", "--draws", "2"), 10),
        (("strength", "--frames", "5"), 6),
        (("maximal-lift", "--share", "0.5"), 4),
        (("uncertainty", "--draws", "4", "--sobol", "2", "--trajectories", "2"), 8),
    ],
    ids=lambda v: v[0] if isinstance(v, tuple) else "",
)
def test_tables_of_other_commands_have_the_columns_of_the_help(small, tmp_path, words, tables):
    command, *options = words
    run(command, small, *options, "--out", tmp_path / "r", "--no-figures")
    assert check_folder(tmp_path / "r", "other-tables") == tables


def test_no_column_is_explained_that_no_table_has():
    told = {}
    for where, file, columns in stored():
        told.setdefault((where, file), set()).update(columns)
    for (where, file), columns in told.items():
        # The columns on limits are put in when a table is written; the file of each command
        # above has them.
        more = set(named(where, file, "column")) - columns - {"limit"}
        assert not more - _OPTIONAL, f"{file}: {sorted(more)} in help/topics/{where}.md"


_OPTIONAL = {
    "frames_infeasible",  # newer than the stored tables, as is the status of glenoid.csv
    "status",
    "height_fraction",  # of the curves of a cohort, likewise
    "limit_here",
    "probability_met",
    "draws_met",
    "part_glenoid",
    "capacity_n",  # of drive.csv, which the command adds to the split
    *(f"{front}_{row}{unit}" for row in ROWS for front, unit in [
        ("arm", "_m"), ("part", ""), ("multiplier", "_per_nm"), ("unmet", "_nm"),
    ]),
}  # fmt: skip
"""Columns of rows and of a limit that are balanced only where a study asks for it."""


# README.

README = (Path(__file__).parents[2] / "README.md").read_text("utf-8")


def test_readme_has_the_glossary_and_the_cautions_of_the_help():
    for name, shown in [
        ("glossary", README.split("<!-- glossary -->\n")[1].split("\n<!-- end of glossary -->")[0]),
        ("cautions", README.split("## Cautions\n\n")[1].split("\n\n## ")[0]),
    ]:
        assert topic(name).text.split("\n\n", 2)[2].strip() == shown


@pytest.mark.parametrize("text", [README, *(t.text for t in topics())])
def test_topics_and_entries_that_a_text_names_are_there(text):
    for name in re.findall(r"momentshare help ([\w-]+)", text):
        known = name == "TOPIC" or name in load_model().limits.keys or entries_named(name)
        assert known or topic(name)


def test_readme_shows_its_picture():
    (place,) = re.findall(r"!\[[^]]{60,}\]\((.*?)\)", README)
    data = (Path(__file__).parents[2] / place).read_bytes()
    assert data.startswith(b"\x89PNG")
    assert len(data) < 200_000


@pytest.mark.parametrize("colour", ["#0072b2", "#b57700", "#009e73", "#cc79a7"])
def test_muscles_in_the_picture_of_readme_have_the_colours_of_the_drawing(colour):
    # A small palette merged neighbours: none of the four was left in it.
    picture = matplotlib.image.imread(Path(__file__).parents[2] / "src/momentshare/help/arm.png")
    pixels = np.rint(255.0 * picture[..., :3])
    wanted = np.rint(255.0 * np.array(matplotlib.colors.to_rgb(colour)))
    assert (pixels == wanted).all(axis=-1).sum() > 500


def test_the_caption_of_readme_and_the_tutorial_name_the_same_height():
    assert "both grips on the chest, where their net moments are greatest" in README
    said = "both grips on the chest, the height where their net moments are greatest"
    assert said in (STUDENT / "tutorial.md").read_text("utf-8")


# The command.


def test_help_lists_topics_and_shows_each_as_it_is_where_it_is_piped():
    listed = run("help")
    for found in topics():
        assert f"| `{found.name}` | {found.summary} |" in listed
        assert run("help", found.name) == found.text
    assert {"study", "cohort-tables"} <= {t.name for t in topics()}


def test_help_shows_one_field_or_file():
    shown = run("help", "touch_point_cm")
    assert "exercises" in shown
    assert entries_named("touch_point_cm")[0].cells[1] in shown
    shown = run("help", "ordering.csv")
    assert "`turns_with_posture`" in shown
    assert "`shear_ratio`" not in shown


def test_a_public_name_is_told_by_the_first_lines_of_its_docstring():
    for name in ("share", "lift_from_angles", "Sharing"):
        told = inspect.getdoc(getattr(momentshare, name)).split("\n\n")[0]
        shown = run("help", name)
        assert told in shown
        assert f"help(momentshare.{name})" in shown


def test_reports_say_what_heads_are_weighted_by_as_the_help_does():
    said = muscles_text(load_model(), study.SettingsEntry())
    assert "to the power 2 weighted by greatest isometric force, " in said
    (row,) = [entry for entry in entries_named("weights") if entry.topic == "study"]
    assert "`area` (the default) weights each head by its greatest isometric force" in row.cells[1]


def test_every_command_stands_in_the_help():
    known = {c.name or c.callback.__name__ for c in app.registered_commands}
    told = {name.split()[0] for name in named("commands", "Commands")}
    assert told == known


@pytest.mark.parametrize(
    ("command", "words"),
    [("compare", "STUDY.toml"), ("explore", "STUDY.toml"), ("limb", "LIMB"), ("inspect", "FILE"),
     ("tutorial", "NAME"), ("tutorial", "FOLDER"), ("validate", "MODEL"), ("help", "TOPIC")],
)  # fmt: skip
def test_arguments_of_a_command_are_named_in_capitals(command, words):
    (usage,) = [line for line in run(command, "--help").splitlines() if "Usage:" in line]
    assert words in re.sub(r"[\[\]{}]", " ", usage).split()


def test_a_study_given_to_inspect_is_told_which_command_reads_it(tmp_path):
    place = tmp_path / "study.toml"
    place.write_text('title = "Two presses"\n', encoding="utf-8")
    done = CliRunner().invoke(app, ["inspect", str(place)])
    assert isinstance(done.exception, InputError)
    assert done.exception.exit_code == 2
    assert "study.toml: is a study file or a layout" in str(done.exception)
    assert "'momentshare check'" in str(done.exception)


@pytest.mark.parametrize("name", ["studdy", "no such thing", ""])
def test_unknown_topic_is_refused_with_the_list(name):
    done = CliRunner().invoke(app, ["help", name])
    assert isinstance(done.exception, UnknownNameError)
    assert done.exception.exit_code == 2
    for found in topics():
        assert found.name in str(done.exception)


def test_on_a_terminal_the_text_is_rendered(monkeypatch, capsys):
    import momentshare.cli.help as command

    monkeypatch.setattr("sys.stdout.isatty", lambda: True, raising=False)
    monkeypatch.setenv("COLUMNS", "100")
    command.show_help("cautions")
    shown = capsys.readouterr().out
    assert "Cautions" in shown
    assert "# Cautions" not in shown


def test_json_names_in_examples_are_those_of_records(small, tmp_path):
    run("explain", small, "--out", tmp_path / "r", "--no-figures")
    assert json.loads((tmp_path / "r" / "explain.json").read_text("utf-8"))
    assert "explain.json" in topic("other-tables").text


def test_a_word_that_no_topic_resembles_gets_no_suggestion():
    done = CliRunner().invoke(app, ["help", "bogus"])
    assert "did you mean" not in str(done.exception)
    assert "did you mean 'study'" in str(CliRunner().invoke(app, ["help", "studdy"]).exception)

"""Every number that the terminal prints about a study is in the tables it writes."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from tests.drawn import (
    plain,
    printed,
    printed_tables,
    spoken,
    unmarked,
    with_hyphens,
    with_sign,
)
from tests.planned import CONDITIONS, PEOPLE, alone, solved
from typer.testing import CliRunner

from momentshare import reading
from momentshare.cautions import CAUTIONS
from momentshare.cli.main import app
from momentshare.model import load_model
from momentshare.reading import glenoid_table
from momentshare.reading.effects import effect_tables, switches
from momentshare.report.text.effects import print_effects
from momentshare.report.text.limb import print_calibration, print_validation
from momentshare.report.text.terminal import print_study
from momentshare.report.writing.study import write_results
from momentshare.sharing import Status
from momentshare.study import parse_study, plan_study, run_study
from momentshare.text import head_phrase
from momentshare.units import in_kg
from momentshare.validation.agreement import agreement_rows
from momentshare.validation.table import posture_words, quantity_words

ACTIVATION, GREATEST = "mean_activation", "greatest_load_kg"
MEAN = f"{ACTIVATION}_mean"

FAR = """\
[[condition]]
name = "far"
exercise = "bar_press"
spacing_cm = 150
tuck_deg = 20
load_kg = 25
lateral_ratio = 0.1
"""
HEAVY = (
    alone().replace("load_per_body_mass = 0.4", "load_per_body_mass = 1.3")
    .replace("training_factor = 1.3", "training_factor = 1.0")
    + FAR
)  # fmt: skip
# With equal weights these presses leave the glenoid's limits; by volume they do not.
BOUNDED = alone().replace("frames = 7", 'frames = 5\nweights = "none"\nglenoid_constraint = true')
BOUNDED = BOUNDED[: BOUNDED.rindex("[[condition]]")]


def read(folder):
    return {path.stem: pd.read_csv(path) for path in folder.glob("*.csv")}


@pytest.fixture(scope="module")
def tables(tmp_path_factory):
    folder = tmp_path_factory.mktemp("study")
    write_results(solved(), folder, figures=False)
    return read(folder)


@pytest.fixture(scope="module")
def heavy(tmp_path_factory):
    study = run_study(parse_study(HEAVY))
    folder = tmp_path_factory.mktemp("heavy")
    write_results(study, folder, figures=False)
    return study, read(folder)


@pytest.fixture(scope="module")
def said():
    return printed(lambda console: print_study(console, solved()))


def test_conditions_are_printed_under_their_own_column(tables, said):
    (title,) = [t for t in printed_tables(said) if t.startswith("Conditions")]
    assert title == "Conditions: greatest moments along the lift, means over people"
    moments, loads = tables["moments"], tables["loads"]
    rows = printed_tables(said)[title]
    assert len(rows) == 7
    for cells in rows:
        keys = (cells["condition"], cells["lateral force"])
        part = moments[(moments["condition"] == keys[0]) & (moments["lateral"] == keys[1])]
        for row in ("shoulder_horizontal_adduction", "elbow_extension"):
            peaks = part[part["row"] == row].groupby("person")["moment_nm"].max()
            assert cells[f"{spoken(row)} [N·m]"] == f"{peaks.mean():.0f}"
        ratio = part.groupby("person")["lateral_ratio"].mean().mean()
        wanted = f"{ratio:+.2f}" if round(ratio, 2) else "0.00"
        if keys[1] == "free":
            wanted += f" ({part['lateral_ratio'].min():+.2f} to {part['lateral_ratio'].max():+.2f})"
        assert unmarked(cells["ratio out/vertical"])[0] == wanted
        load = loads[(loads["condition"] == keys[0]) & (loads["lateral"] == keys[1])]
        weak = load.loc[load.groupby("person")[GREATEST].idxmin()]
        assert unmarked(cells["greatest load [kg]"])[0] == in_kg(weak[GREATEST].mean())
        at = 100 * weak["height_fraction"]
        wanted = f"{at.median():.0f}"
        if np.ptp(at) >= 1.0:
            wanted += f" ({at.min():.0f} to {at.max():.0f})"
        assert unmarked(cells["weakest at [% of lift]"])[0] == wanted
    spread = [
        np.ptp(part.loc[part.groupby("person")[GREATEST].idxmin(), "height_fraction"]) >= 0.01
        for _, part in loads.groupby(["condition", "lateral"])
    ]
    assert sum(" to " in cells["weakest at [% of lift]"] for cells in rows) == sum(spread)


def test_activation_of_each_head_is_printed_under_its_condition(tables, said):
    heads, seen = tables["heads"], set()
    for title, rows in printed_tables(said).items():
        if not title.startswith("Activation"):
            continue
        mode = re.fullmatch(r"Activation, lift mean \[%\], lateral force (\w+)", title)[1]
        part = heads[heads["lateral"] == mode]
        wide = part.pivot_table(index="head", columns="condition", values=MEAN)
        wide.index = wide.index.map(spoken)
        assert {cells["head"] for cells in rows} == set(wide.index[wide.max(axis=1) >= 0.05])
        for cells in rows:
            conditions = [name for name in cells if name != "head"]
            assert set(conditions) == set(wide.columns)
            for condition in conditions:
                text, _ = unmarked(cells[condition])
                assert text == f"{100 * wide.loc[cells['head'], condition]:.0f}"
        seen.add(mode)
    assert seen == {"measured", "zero", "free"}


def test_title_counts_people_and_cautions_end_the_report(said):
    assert said.startswith("Three presses – 2 people\n")
    one = printed(lambda console: print_study(console, solved(alone())))
    assert one.startswith("Three presses – 1 person\n")
    end = plain(said.split("Cautions")[1])
    assert end == plain(" ".join(f"• {line}" for line in CAUTIONS))


def glenoid_share(table: pd.DataFrame) -> str:
    free = table[~table["within_limits"]]
    return f"{100 * (free['share_of_limit'] > 1.0).mean():.0f}"


def test_frames_beyond_the_glenoid_are_counted(tables, said):
    found = re.search(r"Glenoid: in (\d+) % of frames \((.*?)\) the shear would pass", said)
    table = tables["glenoid"]
    assert found[1] == glenoid_share(table)
    beyond = table[~table["within_limits"] & (table["share_of_limit"] > 1.0)]
    named = [f"'{c}'" for c in CONDITIONS if c in set(beyond["condition"])]
    every = set(beyond["condition"]) == set(table["condition"])
    assert found[2] == ("of every condition" if every else ", ".join(named))
    assert "held within it, as every answer here is" in said or "changes lift means by" in said
    share = table["shear_ratio"] / table["stability_ratio"]
    np.testing.assert_allclose(table["share_of_limit"], share, rtol=1e-4)
    inside = table["inside_limit_by_deg"] > 0.0
    np.testing.assert_array_equal(inside, table["share_of_limit"] < 1.0)


def test_limits_and_notes_are_those_of_the_condition_table(tables, said):
    table = tables["conditions"].drop_duplicates(["person", "condition"])
    found: dict[tuple[str, str], list[str]] = {}
    for who, text in re.findall(r"^(?:Joint|Note): (.*?): (.*)$", said, re.MULTILINE):
        for case in cases_in(who):
            found.setdefault(case, []).append(text.strip())
    wanted = {
        (line.person, line.condition): line.limits
        for line in table.itertuples()
        if isinstance(line.limits, str)
    }
    assert wanted
    assert {case: "; ".join(texts) for case, texts in found.items()} == wanted


def cases_in(who: str) -> list[tuple[str, str]]:
    """Cases that a message names: 'person, condition', or 'condition; condition (people)'."""
    if "(" not in who:
        person, condition = who.split(", ", 1)
        return [(person, condition)]
    cases = []
    for conditions, people in re.findall(r"(?:^|; )(.*?) \((.*?)\)", who):
        named = PEOPLE if people == "everyone" else people.split(", ")
        cases += [(person, name) for name in conditions.split("; ") for person in named]
    return cases


def test_a_message_that_several_cases_share_is_printed_once(said):
    lines = [line for line in said.splitlines() if re.match(r"(Joint|Note|Path): ", line)]
    texts = [line.split(": ", 2)[2] for line in lines]
    assert len(texts) == len(set(texts))


def test_a_shortfall_is_told_with_its_worst_moment_and_height(heavy):
    study, tables = heavy
    text = printed(lambda console: print_study(console, study))
    lines = re.findall(
        r"Too heavy: (.*?), (.*?), lateral force (\w+): in (\d+) frames? a moment falls short, "
        r"worst (.*?) by (.*?) N·m at (\d+) % of the lift",
        text,
    )
    assert lines
    table = tables["moments"].assign(size=lambda t: t["unmet_nm"].abs())
    whole = table[table["size"] > 1e-6]
    assert len(lines) == len(whole.drop_duplicates(["person", "condition", "lateral"]))
    for person, condition, mode, frames, direction, size, height in lines:
        part = whole[
            (whole["person"] == person)
            & (whole["condition"] == condition)
            & (whole["lateral"] == mode)
        ]
        assert int(frames) == part["frame"].nunique()
        worst = part.loc[part["size"].idxmax()]
        assert float(size) == pytest.approx(worst["size"], abs=0.051)
        assert float(height) == pytest.approx(100 * worst["height_fraction"], abs=0.51)
        assert worst["unmet_nm"] > 0.0
        assert direction == spoken(worst["row"])
    (refusal,) = re.findall(r"Not reachable: (\w+), (\w+): (.*)", text)
    assert refusal[:2] == ("Edda", "far")
    assert refusal[2].strip() == plain(study.refusals[0].reason)


def test_a_moment_that_lacks_the_other_way_is_called_by_its_own_direction():
    study = solved(alone())
    case = study.cases[0]
    first = case.results[0]
    status, unmet = np.array(first.sharing.status), np.array(first.sharing.unmet)
    column = first.criterion.rows.index("elbow_extension")
    status[4], unmet[4, column] = Status.SHORTFALL, -3.14
    changed = replace(first, sharing=replace(first.sharing, status=status, unmet=unmet))
    cases = (replace(case, results=(changed, *case.results[1:])), *study.cases[1:])
    text = printed(lambda console: print_study(console, replace(study, cases=cases)))
    wanted = "in 1 frame a moment falls short, worst elbow flexion by 3.1 N·m at 67 % of the lift"
    assert f"Too heavy: {case.person}, {case.condition}, lateral force measured: {wanted}" in text


@pytest.fixture(scope="module")
def bounded(tmp_path_factory):
    study = run_study(parse_study(BOUNDED))
    folder = tmp_path_factory.mktemp("bounded")
    write_results(study, folder, figures=False)
    return study, read(folder)


def test_what_the_glenoid_changes_most_is_told_the_right_way(bounded):
    study, tables = bounded
    text = printed(lambda console: print_study(console, study))
    told = re.search(r"changes lift means by (\d+) points? at most: (.*?)\n[A-Z]", text, re.DOTALL)
    lines = re.findall(
        r"([^;:]+?) \('([^;]*?)', lateral force (\w+)\) (\d+) → (\d+) %", plain(told[2])
    )
    table = tables["glenoid_heads"]
    table = table.assign(head=table["head"].map(head_phrase))
    table = table.set_index(["head", "condition", "lateral"])
    top = table["difference"].abs().nlargest(5)
    top = top[top >= 0.01]
    assert len(lines) == len(top) > 0
    assert told[1] == f"{100 * top.iloc[0]:.0f}"
    for (*key, before, after), size in zip(lines, top, strict=True):
        line = table.loc[tuple(part.strip() for part in key)]
        assert abs(line["difference"]) == pytest.approx(size)
        assert before == f"{100 * line['mean_activation']:.0f}"
        assert after == f"{100 * line['mean_activation_within_limits']:.0f}"
    heads = tables["heads"].set_index(["head", "condition", "lateral"])
    table = tables["glenoid_heads"].set_index(["head", "condition", "lateral"])
    for key, line in table.iterrows():
        kept = line["mean_activation_within_limits"]
        assert kept == pytest.approx(heads.loc[key, MEAN], abs=1e-6)
        gap = line["mean_activation_within_limits"] - line["mean_activation"]
        assert line["difference"] == pytest.approx(gap, abs=1e-6)
    assert "set glenoid_constraint" not in text
    assert re.search(r"Glenoid: in (\d+) %", text)[1] == glenoid_share(tables["glenoid"])


def test_frames_without_load_or_proof_are_counted():
    study = solved(alone())
    case = study.cases[0]
    first = case.results[0]
    factor = first.greatest.factor.copy()
    factor[:3] = np.nan
    status = np.array(first.sharing.status)
    status[:2] = Status.UNCERTIFIED
    changed = replace(
        first,
        greatest=replace(first.greatest, factor=factor),
        sharing=replace(first.sharing, status=status),
    )
    free = case.without_limit[0]
    status = np.array(free.sharing.status)
    status[:3] = Status.UNCERTIFIED
    without = replace(free, sharing=replace(free.sharing, status=status))
    altered = replace(
        case,
        results=(changed, *case.results[1:]),
        without_limit=(without, *case.without_limit[1:]),
    )
    cases = (altered, *study.cases[1:])
    text = printed(lambda console: print_study(console, replace(study, cases=cases)))
    mode = first.lateral.mode
    assert f"No load: {case.person}, {case.condition}, lateral force {mode}: in 3 frames" in text
    assert "Uncertified: 2 frames" in text
    assert "Uncertified: 3 frames without" in text
    told = re.search(
        r"Frames: within the limit of the glenoid (.*?); without it ([^;]*)", plain(text)
    )
    rows = glenoid_table(replace(study, cases=cases))
    for within, said in zip((True, False), told.groups(), strict=True):
        there = rows.loc[rows["within_limits"] == within, "status"].value_counts()
        for status, count in there.items():
            assert f"{count:,} {status}" in said
    rows = next(iter(printed_tables(text).values()))
    cells = next(r for r in rows if (r["condition"], r["lateral force"]) == (case.condition, mode))
    assert (cells["greatest load [kg]"], cells["weakest at [% of lift]"]) == ("none", "–")


# --------------------------------------------------------------- effects

ONE = alone().replace("frames = 7", 'frames = 5\nlateral = ["measured"]')
TURNED = {
    "no passive force": "passive_force = false",
    "curves thelen2003": 'curves = "thelen2003"',
    "criterion weighted by volume": 'weights = "volume"',
    "scapula upward +10 deg": "scapula_shift_deg = { upward = 10 }",
    "scapula internal +10 deg": "scapula_shift_deg = { internal = 10 }",
    "scapula anterior tilt -10 deg": "scapula_shift_deg = { anterior_tilt = -10 }",
}


@pytest.fixture(scope="module")
def effects(tmp_path_factory):
    """Only the switches that the tests turn themselves are run."""
    study = parse_study(ONE)
    some = tuple(s for s in switches(plan_study(study).setup) if s.name in TURNED)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("momentshare.reading.effects.switches", lambda _: some)
        folder = tmp_path_factory.mktemp("effects")
        (folder / "study.toml").write_text(ONE, encoding="utf-8")
        words = ["compare", str(folder / "study.toml"), "--out", str(folder / "out")]
        done = CliRunner().invoke(app, [*words, "--effects", "--no-figures"])
    assert done.exit_code == 0, done.output
    return done.output, read(folder / "out")


def test_an_effect_is_the_changed_study_less_the_study_as_it_is(effects):
    _, tables = effects
    keys = ["condition", "lateral", "head"]
    heads = tables["effects_heads"]
    base = tables["heads"].set_index(keys)[MEAN]
    assert set(heads["switch"]) == set(TURNED)
    for name, setting in TURNED.items():
        study = run_study(parse_study(ONE.replace("frames = 5", f"frames = 5\n{setting}")))
        for case, result in study.pairs():
            mean = result.activation.mean(axis=0)
            part = heads[
                (heads["switch"] == name)
                & (heads["condition"] == case.condition)
                & (heads["lateral"] == result.lateral.mode)
            ].set_index("head")
            assert len(part) == len(mean)
            for head, value in zip(study.model.head_names, mean, strict=True):
                line = part.loc[head]
                before = base.loc[(case.condition, result.lateral.mode, head)]
                assert line["mean_activation"] == pytest.approx(before, abs=1e-6)
                assert line["mean_activation_changed"] == pytest.approx(value, abs=1e-6)
                assert line["difference"] == pytest.approx(value - before, abs=2e-6)
        loads = tables["effects_conditions"].set_index(["switch", "condition", "lateral"])
        for case, result in study.pairs():
            line = loads.loc[(name, case.condition, result.lateral.mode)]
            assert line[f"{GREATEST}_changed"] == pytest.approx(result.greatest.factor.min())
    own = tables["conditions"].set_index(["condition", "lateral"])
    for line in tables["effects_conditions"].itertuples():
        known = own.loc[(line.condition, line.lateral)]
        assert line.greatest_load_kg == pytest.approx(known[GREATEST], rel=1e-5)
        for name in ("peak_shoulder_horizontal_adduction_nm", "peak_elbow_extension_nm"):
            assert getattr(line, name) == pytest.approx(known[name], rel=1e-5)


def assert_effects_printed(text: str, heads: pd.DataFrame, lifts: pd.DataFrame) -> None:
    # A head stands on one line, a switch may take two.
    found = printed_tables(with_hyphens(text), key=1)
    rows = next(v for k, v in found.items() if k.startswith("One change at a time"))
    assert [cells["switch"] for cells in rows] == list(dict.fromkeys(heads["switch"]))
    for cells in rows:
        part = heads[heads["switch"] == cells["switch"]]
        top = part.loc[part["difference"].abs().idxmax()]
        assert cells["most changed head"] == spoken(top["head"])
        assert cells["condition"] == top["condition"]
        assert cells["lateral force"] == top["lateral"]
        gap = top["mean_activation_changed"] - top["mean_activation"]
        assert cells["change"] == with_sign(100 * gap, 1)
        ends = f"{100 * top['mean_activation']:.0f} → {100 * top['mean_activation_changed']:.0f}"
        assert cells["activation [%]"] == ends
        assert cells["mean of all heads"] == f"{100 * part['difference'].abs().mean():.1f}"
        load = lifts[lifts["switch"] == cells["switch"]]
        change = 100 * (load[f"{GREATEST}_changed"] - load[GREATEST]) / load[GREATEST]
        assert cells["greatest load [%]"] == " to ".join(
            with_sign(v, 1) for v in (change.min(), change.max())
        )


def test_effects_are_printed_with_their_sign(effects):
    output, tables = effects
    assert_effects_printed(output, tables["effects_heads"], tables["effects_conditions"])
    rows = next(iter(printed_tables(with_hyphens(output), key=1).values()))
    signs = {row["change"][0] for row in rows}
    assert signs == {"+", "-"}


def test_every_switch_turns_over_what_its_name_says():
    setup = plan_study(parse_study(ONE)).setup
    found = {s.name: s.applied(setup) for s in switches(setup)}
    model = setup.limbs.model
    for name in ("internal", "upward", "anterior_tilt"):
        for sign in (10, -10):
            numbers = found.pop(f"scapula {name.replace('_', ' ')} {sign:+d} deg").limbs.numbers
            ((key, value),) = numbers.quantities.items()
            assert key == f"scapula_{model.default_scapula}_{name}"
            assert value == pytest.approx(model.number(key) + np.radians(sign))
    assert found.pop("no passive force").limbs.options.passive is False
    assert found.pop("elastic tendon").limbs.options.elastic_tendon is True
    assert found.pop("curves thelen2003").limbs.options.curves == "thelen2003"
    by_volume = found.pop("criterion weighted by volume")
    assert by_volume.criterion.weights == "volume"
    assert "criterion weighted by area" in {s.name for s in switches(by_volume)}
    limb = setup.limbs.build()[0].take(0)
    own = [task.exercise.lift(limb.skeleton).posture.girdle for task in setup.tasks]
    for name, wanted in {
        "girdle as the arm takes it": [0.0 * girdle for girdle in own],
        "protraction +5 deg": [girdle + np.radians([5.0, 0.0]) for girdle in own],
        "protraction -5 deg": [girdle - np.radians([5.0, 0.0]) for girdle in own],
    }.items():
        tasks = found.pop(name).tasks
        for task, girdle in zip(tasks, wanted, strict=True):
            moved = task.exercise.lift(limb.skeleton).posture.girdle
            np.testing.assert_allclose(moved, girdle, atol=1e-12)
    timed = found.pop("timed, 1.5 s")
    assert {task.exercise.duration for task in timed.tasks} == {1.5}
    freed = found.pop("couples of the hands")
    assert all(lateral.free_couples for task in freed.tasks for lateral in task.treatments)
    glenoid = "without the glenoid limit" if setup.glenoid else "within the glenoid limit"
    turned = found.pop(glenoid)
    assert turned.glenoid is not setup.glenoid
    assert {s.name for s in switches(turned)} & {"without the glenoid limit"} == (
        set() if setup.glenoid else {"without the glenoid limit"}
    )
    assert not found
    back = [s for s in switches(timed) if s.name == "quasi-static"]
    assert {task.exercise.duration for task in back[0].applied(timed).tasks} == {None}


def test_effects_without_a_load_say_so():
    heads = pd.DataFrame(
        {
            "switch": ["a", "a"],
            "condition": "one",
            "lateral": "zero",
            "head": ["m/x", "m/y"],
            "mean_activation": [0.5, 0.2],
            "mean_activation_changed": [0.2, 0.4],
        }
    )
    heads["difference"] = heads["mean_activation_changed"] - heads["mean_activation"]
    lifts = pd.DataFrame({"switch": ["a"], "condition": "one", "lateral": "zero"})
    text = printed(lambda console: print_effects(console, (heads, lifts)))
    ((cells,),) = printed_tables(text).values()
    assert list(cells.values()) == ["a", "m, x", "one", "zero", "50 → 20", "-30.0", "25.0", "–"]


def test_effect_tables_tell_how_far_they_are(monkeypatch):
    setup = plan_study(parse_study(ONE)).setup
    some = tuple(s for s in switches(setup) if s.name == "no passive force")
    monkeypatch.setattr("momentshare.reading.effects.switches", lambda _: some)
    told: list[tuple[int, int, str]] = []
    effect_tables(setup, progress=lambda *words: told.append(words))
    assert told == [(0, 1, "no passive force"), (1, 1, "")]


# --------------------------------------------------------------- a limb beside the outside


USED = "source_used"
ROWS = (
    # kind, low, high, model, null limbs right, use, source used by the limb
    ("number", 1.0, 2.0, 2.5, 0.40, "validation", False),
    ("number", -3.0, 4.0, 3.5, 0.95, "validation", False),
    ("number", 5.0, 6.0, 7.0, 0.92, "validation", False),
    ("order", 0.0, np.inf, 0.2, 0.30, "validation", False),
    ("sense", 0.0, np.inf, -0.2, np.nan, "validation", True),
    ("number", 7.0, 8.0, 9.0, 0.10, "comparison", False),
    ("number", 7.0, 8.0, 7.5, 0.10, "calibration", False),
)


def validation_of() -> pd.DataFrame:
    rows = [
        {
            "id": f"row{k}", "kind": kind, "quantity": f"arm [of] {k}", "posture": f"posture {k}",
            "published": f"about {k}", "low": low, "high": high, "unit": "mm", "model": value,
            "right": low < value <= high, "relative_error": 0.1 if k % 2 else 0.3,
            "null_right": null, "telling": not null >= 0.9, "known": f"known {k}", "use": use,
            "source": f"source{k}", USED: used, "note": "",
            "drawn_right": (0.975, 0.25, np.nan)[k % 3], "drawn_low": 0.0, "drawn_high": 1.0,
            "limit": ("", "L1 L2")[k % 2],
        }
        for k, (kind, low, high, value, null, use, used) in enumerate(ROWS)
    ]  # fmt: skip
    return pd.DataFrame(rows)


def test_published_and_model_values_stand_in_their_own_columns():
    data, model = validation_of(), load_model()
    text = printed(lambda console: print_validation(console, model, data))
    shown = printed_tables(text)
    misses = shown[f"Missed by {model.name} {model.version}: 3"]
    wanted = data[(data["use"] == "validation") & ~data["right"]].set_index("quantity")
    assert misses[0]["quantity"] == "arm [of] 2"
    assert {cells["quantity"] for cells in misses} == set(wanted.index)
    for cells in misses:
        line = wanted.loc[cells["quantity"]]
        for column, name in (
            ("kind", "kind"), ("where", "posture"), ("published", "published"),
            ("known", "known"), ("source", "source"),
        ):  # fmt: skip
            assert cells[column] == line[name]
        band = f"{line['low']:.3g} to {line['high']:.3g} mm" if line["kind"] == "number" else ""
        assert cells["band"] == band
        assert cells["limb"] == f"{line['model']:.3g}".replace("-", "−")
        null = line["null_right"]
        assert cells["null limb right"] == ("–" if np.isnan(null) else f"{100 * null:.0f} %")
        drawn = line["drawn_right"]
        assert cells["drawn limbs right"] == ("–" if np.isnan(drawn) else f"{100 * drawn:.0f} %")
        assert cells["limit"] == line["limit"]
    agreed = shown["Right, by how many drawn limbs agree"]
    assert agreed == agreement_rows(data)
    scores = {(cells["sources"], cells["judged"]): cells for cells in shown["Right, kind by kind"]}
    numbers = scores["other sources", "numbers"]
    assert numbers["right"] == "1 of 3 (33 %)"
    assert numbers["within 20 %"] == "1 of 3"
    assert scores["other sources", "orders"]["within 20 %"] == "–"
    assert numbers["null limb"] == "76 %"
    assert numbers["right where it tells"] == "0 of 1 (0 %)"
    assert numbers["null limb there"] == "40 %"
    assert scores["other sources", "orders"]["right"] == "1 of 1 (100 %)"
    assert scores["sources the limb also used", "senses"]["right"] == "0 of 1 (0 %)"
    assert scores["sources the limb also used", "senses"]["null limb"] == "–"
    assert len(scores) == 3
    said = plain(text)
    assert "1 rows that are right prove nothing" in said
    assert ": 1 numbers, 0 orders, 0 senses." in said
    assert "1 rows are missed that nine of ten null limbs get right" in said
    assert "1 rows have no null limb to compare with" in said
    assert "seen while a site was placed): 0 of 1 right" in said
    assert "fitted: 1 of 1 right" in said


def test_targets_are_printed_before_and_after_the_fit():
    from momentshare.calibration.fit import Calibration
    from momentshare.validation import load_targets

    model = load_model(calibrated=False)
    targets = tuple(t for t in load_targets(model) if np.isfinite(t.high - t.low))
    low, high = (np.array([getattr(t, k) for t in targets]) for k in ("low", "high"))
    # Every second row starts beyond its band and comes in; each third goes out.
    before = np.where(np.arange(len(targets)) % 2 == 0, high + 1.0, 0.5 * (low + high))
    after = np.where(np.arange(len(targets)) % 3 == 0, low - 1.0, 0.5 * (low + high))
    fit = Calibration(
        model=model, numbers=(), targets=targets, before=before, after=after,
        cost_before=12.5, cost_after=3.25, evaluations=17,
    )  # fmt: skip
    text = printed(lambda console: print_calibration(console, fit))
    ((title, rows),) = printed_tables(text, key=2).items()
    every = list(zip(targets, before, after, strict=True))
    told = [
        (t, was, now)
        for t, was, now in every
        if (t.low <= was <= t.high) != (t.low <= now <= t.high)
        or (t.use == "calibration" and not t.low <= now <= t.high)
    ]
    assert 0 < len(told) < len(every)
    assert title.endswith(f"rows of the fit that it misses: {len(told)} of {len(every)}")
    for cells, (t, was, now) in zip(rows, told, strict=True):
        assert (cells["quantity"], cells["use"]) == (quantity_words(t), t.use)
        assert cells["posture"] == posture_words(t)
        unit = t.unit.replace("*", "·").replace("2", "²").replace("3", "³")
        assert (cells["published"], cells["unit"]) == (t.published, "" if unit == "1" else unit)
        band = f"{t.low:.4g} to {t.high:.4g}" if t.kind == "number" else ""
        assert cells["band"] == band
        assert (cells["before"], cells["after"]) == (f"{was:.3g}", f"{now:.3g}")
        inside = ["yes" if t.low <= v <= t.high else "no" for v in (was, now)]
        assert cells["in band"] == " → ".join(inside)
    for use in ("calibration", "validation", "comparison"):
        own = np.array([t.use == use for t in targets])
        counts = [int(((low <= v) & (v <= high))[own].sum()) for v in (before, after)]
        assert f"{use}: {counts[0]} → {counts[1]} of {own.sum()} in band" in text
    assert "cost 12.50 → 3.25 in 17 evaluations" in text


MANY = """\
title = "Many"
[settings]
frames = 5
lateral = ["zero"]
[[person]]
name = "Edda"
sex = "female"
stature_cm = 168
body_mass_kg = 64
""" + "".join(
    f"""\
[[condition]]
name = "c{k}"
exercise = "bar_press"
spacing_biacromial = {1.2 + 0.01 * k}
load_kg = 20
"""
    for k in range(28)
)


def test_of_very_many_conditions_the_first_are_printed_and_the_rest_counted():
    """Of 3,000 conditions tables without legible columns filled seven thousand lines."""
    study = run_study(parse_study(MANY), band=False)
    text = printed(lambda console: print_study(console, study))
    rows, heads = printed_tables(text).values()
    assert [row["condition"] for row in rows] == [f"c{k}" for k in range(24)]
    assert list(heads[0]) == ["head", *(f"c{k}" for k in range(24))]
    said = plain(text)
    assert "… and 4 more conditions; all are in the tables" in said
    assert "'c23' 16 cm, tuck" in said
    assert "; … and 4 more. That is halfway" in said
    assert len(reading.condition_table(study)) == 28

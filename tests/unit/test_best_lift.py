"""The lifter's own best lift as a bound on strength: what it raises, what it says is missing."""

import re
from dataclasses import replace

import numpy as np
import pytest

from momentshare.analysis import prepare
from momentshare.cohort.best_lift import best_lift_tables, held, laid_on_limb, with_best_lifts
from momentshare.cohort.limbs import cohort_limbs
from momentshare.cohort.load import parse_cohort
from momentshare.cohort.measured import processed_trial, trial_tasks
from momentshare.cohort.preflight import trial_tag
from momentshare.cohort.run import run_cohort
from momentshare.cohort.summary import summarise_cohort
from momentshare.demo.lab import write_lab
from momentshare.errors import StudyError
from momentshare.model import load_model
from momentshare.runs import Setup
from momentshare.uncertainty.draws import Draws
from momentshare.uncertainty.layout import build_layout
from momentshare.uncertainty.spreads import Spreads

pytest.importorskip("ezc3d")
pytest.importorskip("statsmodels")


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    return write_lab(tmp_path_factory.mktemp("best"), people=1, repetitions=1)


def study(lab, *lifts, settings=""):
    text = lab.read_text("utf-8").replace("[settings]", f"[settings]\n{settings}")
    for condition, load in lifts:
        text += f'\n[[best_lift]]\nperson = "Ines"\ncondition = "{condition}"\nload_kg = {load}\n'
    return parse_cohort(text, "study.toml", lab.parent)


@pytest.fixture(scope="module")
def weak(lab):
    """Load that the limb holds in the medium grip, far below any best lift."""
    return laid_on_limb(*_one(study(lab, ("medium", 1.0)))).limb_kg


def _one(found):
    return found, found.file.best_lift[0]


def loads(found, limb, condition):
    """Greatest load held still in each posture of the trials of a condition [kg]."""
    best = []
    for number in found.numbers:
        entry = found.file.trial[number - 1]
        if entry.condition != condition or "broken" in entry.file:
            continue
        trial, _ = processed_trial(found, number, limb, frames=21)
        for task in trial_tasks(found, number, trial):
            balance = prepare(limb, held(task.lift, 10.0)).balance(found.file.settings.criterion())
            best.append(balance.treated(task.treatments[0]).greatest_load().factor)
    return best


def test_a_heavier_best_lift_raises_strength_just_so_far(lab, weak):
    load = round(1.2 * weak, 1)
    found, (lift,) = with_best_lifts(study(lab, ("medium", load)), workers=1)
    assert lift.used
    assert lift.limb_kg == pytest.approx(weak)
    model = load_model(found.file.model)
    limbs, _ = cohort_limbs(found, ["Ines"], model).build()
    holds = max(values.min() for values in loads(found, limbs.take(0), "medium"))
    assert holds == pytest.approx(load, rel=2e-4)  # held, and not a kilogram more
    bare, _ = cohort_limbs(study(lab), ["Ines"], model).build()
    ratio = limbs.greatest_isometric_force / bare.greatest_isometric_force
    groups = [head.group for head in model.heads]
    assert ratio[0] == pytest.approx([found.raised["Ines"].get(g, 1.0) for g in groups])
    assert (limbs.passive_scale == bare.passive_scale).all()  # stronger, not stiffer


def test_the_sentence_says_what_the_numbers_say(lab, weak):
    load = round(1.2 * weak, 1)
    _, (lift,) = with_best_lifts(study(lab, ("medium", load)), workers=1)
    text = lift.text()
    assert f"best lift {load:g} kg, the limb holds {lift.limb_kg:.0f} kg" in text
    for direction, size in lift.missing:
        assert f"{direction} {size:.0f} N·m" in text
    assert lift.missing
    raised = dict(zip(lift.groups, lift.factors, strict=True))
    told = re.search(r"the least change is (.*) times, and is used", text)[1]
    pairs = dict(part.rsplit(" ", 1) for part in told.split(", "))
    assert pairs == {g.replace("_", " "): f"{f:.2f}" for g, f in raised.items() if f > 1.005}
    table = best_lift_tables([lift])
    row = table["best_lifts"].iloc[0]
    assert row["limb_holds_kg"] == lift.limb_kg
    assert not row["explained"]
    assert row["factor_on_all"] == pytest.approx(load / weak, rel=0.2)
    by_group = table["best_lift_strength"].set_index("group")["factor_least_change"]
    assert by_group.to_dict() == raised


def test_a_lighter_best_lift_lowers_nothing(lab, weak):
    found, (lift,) = with_best_lifts(study(lab, ("medium", round(0.7 * weak, 1))), workers=1)
    assert found.raised == {}
    assert lift.explained
    assert not lift.used
    assert lift.text().endswith("nothing is missing.")


def test_only_report(lab, weak):
    given = study(lab, ("medium", round(1.2 * weak, 1)), settings='best_lift = "report"')
    found, (lift,) = with_best_lifts(given, workers=1)
    assert found.raised == {}
    assert max(lift.factors) > 1.0
    assert "is not used, as the study says" in lift.text()


def test_what_no_strength_explains_is_said_and_not_used(lab, weak):
    found, (lift,) = with_best_lifts(study(lab, ("medium", 990.0)), workers=1)
    assert found.raised == {}
    assert "implausibly large" in lift.text() or "in doubt" in lift.text()


def test_a_lifter_without_a_trial_there_has_a_fault(lab):
    given = study(lab, ("medium", 50.0))
    only = given.file.model_copy(
        update={"trial": [t for t in given.file.trial if t.condition != "medium"]}
    )
    _, (lift,) = with_best_lifts(replace(given, file=only), workers=1)
    assert "no trial of the lifter is in this condition" in lift.text()


def test_a_run_solves_with_the_strength_of_the_best_lift(lab, tmp_path, weak):
    load = round(1.2 * weak, 1)
    with_lift, without = study(lab, ("medium", load)), study(lab)
    other, _ = with_best_lifts(with_lift.only(conditions=["wide"]), workers=1)
    found = run_cohort(with_lift.only(conditions=["medium"]), tmp_path / "b", workers=1)
    plain = run_cohort(without.only(conditions=["medium"]), tmp_path / "c", workers=1)
    assert other.raised == found.study.raised  # whichever conditions are run
    ours, theirs = (
        r.table("heads").query("lateral == 'measured'").set_index("head")["mean_activation"]
        for r in (found, plain)
    )
    stronger = [h.name for h in found.model.heads if found.study.raised["Ines"].get(h.group, 1) > 1]
    assert ours[stronger].sum() < theirs[stronger].sum()
    number = found.outcomes[0].number
    assert found.outcomes[0].record["strength_factors"] == pytest.approx(
        dict(found.study.raised["Ines"])
    )
    model = found.model
    assert trial_tag(found.study, number, model) != trial_tag(plain.study, number, model)
    assert "best_lifts" in summarise_cohort(found).tables


def test_draws_of_a_raised_limb_are_raised(lab, weak):
    """Drawn without any spread, limb and answer are those of the run."""
    given, _ = with_best_lifts(study(lab, ("medium", round(1.2 * weak, 1))), workers=1)
    model = load_model(given.file.model)
    limbs, _ = cohort_limbs(given, ["Ines"], model).build()
    number = given.only(conditions=["medium"]).numbers[0]
    trial, _ = processed_trial(given, number, limbs.take(0), frames=11)
    setup = Setup(
        limbs=cohort_limbs(given, ["Ines"], model), tasks=trial_tasks(given, number, trial)
    )
    layout = build_layout(setup, Spreads(scale=0.0))
    drawn, rows, _ = Draws(layout, np.zeros((2, len(layout)))).limbs(0)
    assert len(rows) == 2
    for row in rows.values():
        assert drawn.greatest_isometric_force[row] == pytest.approx(
            limbs.greatest_isometric_force[0]
        )


def test_best_lifts_in_the_table_of_people(lab, tmp_path):
    text = lab.read_text("utf-8")
    head, *rest = text.split("[[person]]")
    tail = rest[-1][rest[-1].index("# ----") :]
    text = 'people = "people.csv"\n' + head + tail
    (lab.parent / "people.csv").write_text(
        "name,sex,stature_cm,body_mass_kg,best_lift_kg,best_lift_condition\n"
        "Ines,female,171,68,62.5,medium\n",
        "utf-8",
    )
    found = parse_cohort(text, "study.toml", lab.parent)
    (best,) = found.file.best_lift
    assert (best.person, best.condition, best.load_kg) == ("Ines", "medium", 62.5)
    (lab.parent / "people.csv").write_text(
        "name,sex,stature_cm,body_mass_kg,best_lift_kg\nInes,female,171,68,62.5\n", "utf-8"
    )
    with pytest.raises(StudyError, match="best_lift_condition is missing"):
        parse_cohort(text, "study.toml", lab.parent)


@pytest.mark.parametrize(
    ("lifts", "words"),
    [
        ([("mediun", 50.0)], "unknown name 'mediun'.*medium"),
        ([("medium", 50.0), ("medium", 55.0)], "keep the heavier one"),
    ],
)
def test_faults_of_best_lifts(lab, lifts, words):
    with pytest.raises(StudyError, match=words):
        study(lab, *lifts)

"""Methods of a cohort: every setting, count and source in the sentences is that of the run."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from tests.report import cohort_planted as plan
from tests.report.cohort_planted import page, planted

from momentshare.cohort.load import parse_cohort
from momentshare.person import sizes
from momentshare.report.text.cohort_methods import (
    cohort_citations,
    has_emg,
    methods_text,
    people_rows,
    settings_rows,
)
from momentshare.report.text.verdicts import FIRM_ASKS
from momentshare.report.writing.record import versions
from momentshare.text import with_minus

pytest.importorskip("statsmodels")


def texts(**changes):
    """Paragraphs of the methods, with parts of the study file changed."""
    result = planted().result
    if changes:
        text = plan.study_text()
        for old, new in changes.values():
            assert text.count(old) == 1, old
            text = text.replace(old, new)
        study = parse_cohort(text, "planted.toml", result.folder)
        result = replace(result, study=study)
    return methods_text(result)


def test_methods_stand_on_the_page():
    shown = page().texts["Methods"]
    for text in methods_text(planted().result, planted().summary):
        assert " ".join(text.split()) in shown


def test_reading_counts_trials_people_gaps_and_filters():
    reading = texts()[0]
    solved = len(plan.TRIALS) - 1
    counted = len(planted().result.counted)
    assert (
        f"{solved} of {len(plan.TRIALS)} trials of {len(plan.PEOPLE)} people could be used and "
        f"{counted} of these count in means and comparisons." in reading
    )
    assert "Gaps of up to 0.15 s were filled by interpolation (2 gaps)." in reading
    assert "Landmarks were low-pass filtered at 7 Hz and" in reading
    assert "forces at 12 Hz with a zero-lag forward–backward Butterworth filter of" in reading
    assert "effective order 2 (cut-off corrected for the two passes)" in reading
    assert "Left arms were mirrored" in reading


def test_methods_open_with_who_took_part():
    people = planted().result.study.file.person
    women = sum(p.sex == "female" for p in people)
    stature, mass = (np.array([getattr(p, f) for p in people])
                     for f in ("stature_cm", "body_mass_kg"))  # fmt: skip
    loads = [o.record["load_kg"] for o in planted().result.counted]
    assert texts()[0].startswith(
        f"{len(people)} people took part ({women} women and {len(people) - women} men; "
        f"stature {stature.mean():.1f} ± {stature.std(ddof=1):.1f} cm, "
        f"body mass {mass.mean():.1f} ± {mass.std(ddof=1):.1f} kg, "
        f"loads {min(loads):.3g}–{max(loads):.3g} kg; mean ± SD). "
    )
    result = planted().result
    (first,) = [p for p in people if p.name == "Ama"]
    alone = replace(result, outcomes=tuple(o for o in result.outcomes if o.person == "Ama"))
    who = "woman" if first.sex == "female" else "man"
    told = methods_text(alone)[0]
    assert told.startswith(f"1 person took part (1 {who}; stature {first.stature_cm:.1f} cm, body")
    assert " trials of 1 person could be used and " in told
    assert "±" not in told


def test_reading_says_what_else_was_chosen():
    reading = texts(
        cutoff=("cutoff_hz = 7.0", 'cutoff_hz = "residual"'),
        gaps=("fill_gaps_s = 0.15", "fill_gaps_s = 0"),
    )[0]
    assert "chosen by residual analysis" in reading
    assert "No gaps were filled." in reading


def test_motion_names_hinge_rise_frames_and_recorded_angles():
    motion = texts()[1]
    assert "the elbow hinge was taken from the forearm" in motion
    assert "at least 13 cm" in motion
    assert "resampled to 11 frames evenly spaced in time" in motion
    assert "these four rows are balanced." in motion
    angles = sum(t.person == "Cy" for t in plan.COUNTED)
    assert f"In {angles} trials joint angles were recorded instead of landmarks" in motion


def test_heads_name_criterion_curves_and_treatments():
    heads = texts()[2]
    model = planted().result.model
    assert f"version {model.version}, digest {model.digest}" in heads
    assert f"The capacity of the {len(model.head_names)} heads" in heads
    assert (
        "follows the curves of De Groote et al. (2016) with a rigid tendon and with passive force"
        in heads
    )
    assert "sum of activation to the power 2 weighted by volume, with" in heads
    assert "the force along the bar measured, zero and free in turn." in heads
    held = planted().result.study.file.settings.glenoid_constraint
    assert f", {'within' if held else 'without'} the stability limit of the glenoid, " in heads


def test_heads_say_what_else_was_chosen():
    heads = texts(
        weights=(
            'weights = "volume"',
            'exponent = inf\nelastic_tendon = true\npassive_force = false\ncurves = "thelen2003"',
        ),
        pull=("pull_weight = 2.5\n", ""),
    )
    assert "sum of activation to the power ∞, with" in heads[2]
    assert (
        "the curves of Thelen (2003) with an elastic tendon and without passive force" in heads[2]
    )
    assert "drawn towards the electromyograms" not in heads[3]


def test_electromyograms_name_band_envelope_delay_and_weight():
    emg = texts()[3]
    assert "band-passed at 30–400 Hz, rectified and low-pass filtered at 5 Hz" in emg
    assert "delayed by 45 ms" in emg
    assert "delayed" not in texts(at_once=("delay_ms = 45.0", "delay_ms = 0.0"))[3]
    assert "drawn towards the electromyograms with weight 2.5." in emg
    root = texts(method=("envelope_hz = 5.0", 'envelope_hz = 5.0\nmethod = "rms"'))[3]
    assert "converted to a moving root mean square, delayed" in root


def test_statistics_name_confidence_family_and_what_failed():
    told = texts()[4]
    assert told.startswith("Repetitions were averaged within a person.")
    assert (
        "compared by paired t tests, Holm-adjusted over all pairs of conditions and all heads"
        in told
    )
    assert "their 90 % intervals are not adjusted" in told
    assert "1 trial is left out of everything, because a check of the measurement failed" in told
    kept = texts(failed=("least_rise_cm", 'failed_checks = "keep"\nleast_rise_cm'))[4]
    assert "1 trial is kept although a check of the measurement failed" in kept


def test_methods_hold_no_note_on_the_software():
    """What a paper prints names no field of the study file and no table."""
    told = " ".join(methods_text(planted().result, planted().summary))
    for word in ("[statistics]", ".csv", "study file)", "in all)", "note of each row"):
        assert word not in told


def test_methods_say_what_was_asked_of_a_firm_order():
    found = planted()
    told = methods_text(found.result, found.summary)[4]
    tests = found.tables["contrasts"]
    tests = tests[
        (tests["lateral"] == plan.SHOWN)
        & (tests["outcome"] == plan.MEAN_ACTIVATION)
        & tests["p_paired_t"].notna()
    ]
    assert f"Lift-mean activation: {len(tests)} tests, in {len(plan.PEOPLE)} people." in told
    changes = [*plan.CHANGES, "lateral force zero", "lateral force free"]
    listed = told.split(f"{len(changes)} single changes were tried: ")[1].split(". The order")[0]
    assert {with_minus(name) for name in changes} == set(listed.split(", "))
    assert FIRM_ASKS["cohort"] in told
    assert "regressed on those of" not in told
    covaried = texts(held=("[statistics]", '[statistics]\ncovariates = ["load_kg"]'))[4]
    assert "With load_kg held, the paired differences were regressed on those of the co" in covaried


def test_methods_say_how_far_apart_hands_were_and_which_arms_and_forces():
    given = planted().result
    (first, second) = [p.name for p in given.study.file.person[:2]]
    spacing = {(first, "narrow"): 0.40, (second, "narrow"): 0.42, (first, "wide"): 0.7}
    outcomes = tuple(
        replace(
            o,
            record={**o.record, "side": "left" if o.person == first else "right",
                    "hand_spacing_m": spacing.get((o.person, o.condition))},
        )
        for o in given.outcomes
    )  # fmt: skip
    told = methods_text(replace(given, outcomes=outcomes))
    breadths = [
        sizes(p.person(), given.model).biacromial_breadth for p in given.study.file.person[:2]
    ]
    times = np.mean([0.40 / breadths[0], 0.42 / breadths[1]])
    assert f"41.0 ± 1.4 cm in 'narrow' ({times:.2f} biacromial breadths)" in told[0]
    assert f"70.0 cm in 'wide' ({0.7 / breadths[0]:.2f} biacromial breadths) apart." in told[0]
    counted = replace(given, outcomes=outcomes).counted
    left = sum(o.person == first for o in counted)
    assert f"Arms analysed: {len(counted) - left} right and {left} left, by trial" in told[0]
    bars = sum(o.condition != plan.FREE_HANDS for o in counted)
    assert f"In {bars} of {bars} trials with a bar the force along it was not measured" in told[1]
    known = tuple(
        replace(o, record={**o.record, "lateral_ratio_percent": 3.0, "side": "right"})
        for o in outcomes
    )
    told = methods_text(replace(given, outcomes=known))
    assert "not measured" not in told[1]
    assert "from the measured hand force, with segment inertia" in told[1]
    assert "Right arms were analysed." in told[0]


def test_two_failed_trials_are_said_in_the_plural():
    result = planted().result
    outcomes = tuple(
        replace(o, record=o.record | {"failed_checks": ["hinge"]}) if o.number in {1, 5} else o
        for o in result.outcomes
    )
    told = methods_text(replace(result, outcomes=outcomes))[4]
    assert "3 trials are left out of everything" in told
    assert "hinge (2), force balance (1)" in told


def test_two_people_are_not_said_to_be_compared():
    result = planted().result
    few = tuple(o for o in result.outcomes if o.person in {"Ama", "Bo"})
    assert "Conditions were compared" not in " ".join(methods_text(replace(result, outcomes=few)))


def test_versions_and_digest_are_those_of_the_run():
    last = texts()[-1]
    used = versions()
    for name in ("momentshare", "python", "numpy"):
        assert f"{name} {used[name]}" in last
    assert last.endswith(f"study digest {planted().result.study.digest}.")


def test_people_have_centimetres_and_kilograms():
    rows = people_rows(planted().result)
    for row, entry in zip(rows, planted().result.study.file.person, strict=True):
        assert row["person"] == entry.name
        assert row["stature_cm"] == entry.stature_cm
        assert row["body_mass_kg"] == entry.body_mass_kg
        assert row["training_factor"] == entry.training_factor
        lengths = [v for k, v in row.items() if k.endswith("_cm")]
        assert all(15.0 < length <= entry.stature_cm for length in lengths)
        assert row["grip_length_cm"] > row["forearm_length_cm"]


def test_settings_leave_nothing_out_that_was_stated():
    rows = {(row["part"], row["setting"]): row["value"] for row in settings_rows(planted().result)}
    file = planted().result.study.file
    for part in ("settings", "processing", "emg", "statistics"):
        for name, value in getattr(file, part).model_dump(exclude_none=True).items():
            if value not in ("", [], {}):
                assert (part, name) in rows
    assert ("layout lab", "forces") in rows
    assert not any(setting == "markers" for _, setting in rows)


def cited(result):
    found = cohort_citations(result).to_dict()
    return sorted(key for keys in found.values() for key in keys)


def test_sources_follow_from_what_was_done():
    result = planted().result
    keys = cited(result)
    assert keys == sorted(set(keys))
    assert {"holm1979", "hedges1981", "wilson1927", "degroote2016"} <= set(keys)
    assert "winter2009" not in keys
    assert has_emg(result)
    quiet = replace(result, outcomes=tuple(o for o in result.outcomes if o.person == "Eli"))
    assert not has_emg(quiet)
    assert "wilson1927" not in cited(quiet)
    assert not any("Electromyograms" in text for text in methods_text(quiet))


def best(person, factor, **changes):
    from momentshare.cohort.best_lift import BestLift

    given = {"load_kg": 60.0, "limb_kg": 50.0, "groups": ("deltoid",), "factors": (factor,)}
    return BestLift(person=person, condition="medium", **{**given, **changes})


@pytest.mark.parametrize(
    ("lifts", "words"),
    [
        ((), None),
        ((best("Ama", 1.0, limb_kg=70.0),), "Best lifts of 1 person were applied to"),
        ((best("Ama", 1.2, used=True), best("Bo", 1.1)), "for 1 of them the strength"),
        ((best("Ama", 1.2, fault="no trial"),), None),
    ],
)
def test_heads_say_what_best_lifts_did(lifts, words):
    heads = methods_text(replace(planted().result, best_lifts=lifts))[2]
    assert ("Best lifts" in heads) == (words is not None)
    if words:
        assert words in heads
        assert ("no strength was changed" in heads) == (not any(lift.used for lift in lifts))


@pytest.mark.parametrize(("draws", "others"), [(50, None), (0, None), (200, 1500)])
def test_without_a_trial_the_methods_tell_of_the_tables_only(draws, others):
    text = plan.study_text()
    for count in (draws, others):
        if count is not None:
            text += f'\n[[published]]\nfile = "m.csv"\nperson = "Ama"\ndraws = {count}\n'
    given = planted().result
    study = parse_cohort(text, "planted.toml", given.folder)
    told = methods_text(replace(given, study=study, outcomes=()))
    every = " ".join(told)
    for word in (
        "could be used", "– Hz", "low-pass", "repetition", "sticking", "mirrored", "Wu et al",
        "Gaps of", "trials", "styloid", "the force along the bar",
    ):  # fmt: skip
        assert word not in every
        assert word in " ".join(methods_text(given)) or word == "– Hz"
    count = "1 published table were" if others is None else "2 published tables were"
    assert told[0].startswith(f"There was no trial. Net joint moments and postures of {count}")
    assert ("draws around them" in told[0]) == (draws > 0)
    if draws:
        assert f"in {draws}{f' to {others:,}' if others else ''} draws" in told[0]
    assert "shared by minimising" in every
    assert "without the stability limit of the glenoid. Activation" in every
    assert "study digest" in told[-1]

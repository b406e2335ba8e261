"""What a cohort run did, in sentences with every setting, and the sources that it used."""

from __future__ import annotations

from collections import Counter
from statistics import mean, stdev
from typing import TYPE_CHECKING, Any

from momentshare.person import sizes
from momentshare.report.text.cohort_orders import of_named
from momentshare.report.text.cohort_places import places_text
from momentshare.report.text.cohort_selection import selection_texts
from momentshare.report.text.opening import joined
from momentshare.report.text.settings import muscles_text, person_rows, setting_rows
from momentshare.report.text.verdicts import FIRM_ASKS
from momentshare.report.writing.citations import citations, run_keys
from momentshare.report.writing.record import versions
from momentshare.text import with_minus

if TYPE_CHECKING:
    from collections.abc import Sequence

    from momentshare.cohort.run import CohortResult
    from momentshare.cohort.summary import CohortSummary
    from momentshare.model.sources import Citations

__all__ = ["cohort_citations", "has_emg", "methods_text", "people_rows", "settings_rows"]


def cohort_citations(result: CohortResult) -> Citations:
    """Publications behind this run."""
    model, file = result.model, result.study.file
    keys = run_keys(model, file.settings.curves)
    if file.trial and file.processing.cutoff_hz == "residual":
        keys.add("winter2009")
    if file.trial:
        keys |= {"deleva1996", "holm1979", "hedges1981", "larsen2021", "mier2014"}
    if has_emg(result):
        keys.add("wilson1927")
    return citations(model, keys)


def methods_text(result: CohortResult, summary: CohortSummary | None = None) -> list[str]:
    """State what was done, with every setting; one paragraph per item."""
    file, model = result.study.file, result.model
    settings, emg = file.settings, file.emg
    counted = result.counted
    muscles = muscles_text(model, settings, lifts=bool(result.outcomes)) + _best_lifts(result)
    parts = [*(_measured(result) if result.outcomes else _tabled(result)), muscles]
    if any(o.record.get("emg") is not None for o in counted) and has_emg(result):
        parts.append(
            f"Electromyograms were band-passed at {emg.band_hz[0]:g}–{emg.band_hz[1]:g} Hz, "
            + (
                f"rectified and low-pass filtered at {emg.envelope_hz:g} Hz"
                if emg.method == "linear"
                else "converted to a moving root mean square"
            )
            + (f", delayed by {emg.delay_ms:g} ms" if emg.delay_ms else "")
            + " and normalised to the maximal contraction given in the study file"
            + (
                f". In a second solution activations were drawn towards the electromyograms with "
                f"weight {emg.pull_weight:g}."
                if emg.pull_weight is not None
                else "."
            )
        )
    people_in = {o.person for o in counted}
    conditions_in = {o.condition for o in counted}
    if counted:
        parts.append("Repetitions were averaged within a person.")
    if len(people_in) > 2 and len(conditions_in) > 1:
        parts[-1] += (
            " Conditions were compared by paired t tests, Holm-adjusted over all pairs of "
            "conditions and all heads of an outcome"
            + (
                ", and, in the heads and outcomes named beforehand, over these alone"
                if file.statistics.heads or file.statistics.outcomes
                else ""
            )
            + f"; their {100 * file.statistics.confidence:g} % intervals are not adjusted. A "
            "linear mixed model with a random intercept for each person was fitted beside them "
            "(least squares within people where it had no fit)." + _held(file.statistics.covariates)
        )
        if summary is not None:
            parts[-1] += _judging(summary)
    selected = selection_texts(result, advice=False)
    parts[-1] += f" {' '.join(selected)}" if selected else ""
    angles = sum(
        any("joint angles were recorded" in note for note in o.record.get("notes", ()))
        for o in counted
    )
    if angles:
        parts[1] += (
            f" In {angles} trials joint angles were recorded instead of landmarks: positions "
            "follow from the person's segment lengths, with the trunk at the angle given for the "
            "condition."
        )
    used = versions()
    parts.append(
        "Computed with "
        + ", ".join(f"{name} {number}" for name, number in used.items() if number[0].isdigit())
        + f"; study digest {result.study.digest}."
    )
    return parts


def _measured(result: CohortResult) -> list[str]:
    """State how trials were read, and how motion and moments follow from them."""
    settings, processing = result.study.file.settings, result.study.file.processing
    people = len({o.person for o in result.outcomes})
    counted = result.counted
    cutoffs = sorted(
        {float(o.record["filter"]["landmarks_hz"]) for o in counted if "filter" in o.record}
    )
    forces = sorted(
        {float(o.record["filter"]["forces_hz"]) for o in counted if "filter" in o.record}
    )
    filled = sum(len(o.record.get("filled_gaps", ())) for o in counted)
    chosen = " (chosen by residual analysis)" if processing.cutoff_hz == "residual" else ""
    reading = _participants(result) + (
        f"{len(result.solved)} of {len(result.outcomes)} trials of {_several(people)} could be "
        f"used and {_counting(result)} in means and comparisons. "
        "Positions and forces were expressed "
        f"in one frame (y up, z to the person's right). {_arms(result)}"
        + (
            f"Gaps of up to {processing.fill_gaps_s:g} s were filled by interpolation "
            f"({filled} {'gap' if filled == 1 else 'gaps'}). "
            if processing.fill_gaps_s
            else "No gaps were filled. "
        )
        + f"Landmarks were low-pass filtered at {_range(cutoffs)} Hz{chosen} and forces "
        f"at {_range(forces)} Hz with a zero-lag forward–backward Butterworth filter of effective "
        f"order {processing.filter_order} (cut-off corrected for the two passes); forces were then "
        "resampled at the sample times of the landmarks."
    )
    kinematics = (
        "The thorax and humerus frames follow Wu et al. (2005); the forearm axis runs to the "
        f"midpoint of the styloids, and the elbow hinge was taken from the {processing.hinge}. A "
        "repetition "
        f"is an ascent of at least {processing.least_rise_cm:g} cm, from where the upward speed "
        "exceeds 0.02 m/s to where it falls below that, which trims a few hundredths of a second "
        f"from either end; it was resampled to {settings.frames} frames evenly spaced in time. A "
        "sticking region lies between the first peak of speed and the following minimum, provided "
        f"that the dip is at least a tenth of the greatest speed. {_forces(result)}"
        "Shoulder moments are resolved about the humeral axis (rotation), in the plane of "
        "elevation (elevation) and across it (horizontal adduction); with elbow extension, these "
        "four rows are balanced"
        + (", together with forearm rotation." if settings.balance_forearm else ".")
    )
    return [reading + _spacings(result), " ".join(filter(None, (kinematics, places_text(result))))]


def _arms(result: CohortResult) -> str:
    """Say which arms were analysed."""
    sides = Counter(str(o.record["side"]) for o in result.counted if "side" in o.record)
    if set(sides) == {"right"}:
        return "Right arms were analysed. "
    told = joined(f"{count} {side}" for side, count in sides.most_common())
    which = f"Arms analysed: {told}, by trial; l" if told else "L"
    return f"{which}eft arms were mirrored. "


def _forces(result: CohortResult) -> str:
    """Say what net moments were computed from."""
    study = result.study
    bars = [o for o in result.counted if study.condition(o.condition).one_bar]
    without = sum("lateral_ratio_percent" not in o.record for o in bars)
    layouts = [study.layout(study.file.trial[o.number - 1].layout) for o in result.counted]
    some = any(not layout.forces for layout in layouts)
    return (
        "Net joint moments were computed by Newton–Euler recursion from hand to shoulder, from the "
        + (
            "measured hand force"
            if not some
            else "measured hand force or, without one, the weight and inertia of the load"
        )
        + ", with segment inertia after de Leva (1996). "
        + (
            f"In {without} of {len(bars)} trials with a bar the force along it was not measured "
            "and was treated as unknown. "
            if without
            else ""
        )
    )


def _spacings(result: CohortResult) -> str:
    """Say how far apart the hands were in each condition, as measured."""
    wide: dict[str, dict[str, list[float]]] = {}
    for o in result.counted:
        if spacing := o.record.get("hand_spacing_m"):
            wide.setdefault(o.condition, {}).setdefault(o.person, []).append(float(spacing))
    if not wide:
        return ""
    breadths = {
        p.name: sizes(p.person(), result.model).biacromial_breadth for p in result.study.file.person
    }
    told = []
    for condition, own in wide.items():
        cm = [100.0 * mean(values) for values in own.values()]
        times = mean(mean(values) / breadths[person] for person, values in own.items())
        told.append(f"{_spread(cm)} cm in '{condition}' ({times:.2f} biacromial breadths)")
    return f" The hands were {joined(told)} apart."


def _held(covariates: Sequence[str]) -> str:
    """Say how covariates were held."""
    if not covariates:
        return ""
    return (
        f" With {joined(covariates)} held, the paired differences were regressed on those of "
        f"{'the covariate' if len(covariates) == 1 else 'the covariates'} and read where these are "
        "zero."
    )


def _judging(summary: CohortSummary) -> str:
    """Say over how many tests p was adjusted, what was changed, and what was called firm."""
    found = of_named(summary)
    if not found.tested:
        return ""
    orders = summary.tables.get("sensitivity_orders")
    changes = [] if orders is None else list(dict.fromkeys(orders["change"].astype(str)))
    tried = (
        f" {len(changes)} single changes were tried: {', '.join(map(with_minus, changes))}."
        if changes
        else ""
    )
    return (
        f" Lift-mean activation: {found.tests} tests, in {found.people} people.{tried} The order "
        f"of two conditions was called firm if {FIRM_ASKS['cohort']}, and if no limit of the limb "
        "concerned its lift means as a whole."
    )


def _tabled(result: CohortResult) -> list[str]:
    """State what was done in place of trials, where there are published tables only."""
    tables = result.study.file.published
    if not tables:
        return []
    draws = sorted({entry.draws for entry in tables})
    spread = {"sd": "standard deviation of persons", "se": "standard error of the mean"}
    spreads = " or ".join(spread[name] for name in sorted({entry.spread for entry in tables}))
    one = len(tables) == 1
    text = (
        f"There was no trial. Net joint moments and postures of {len(tables)} published "
        f"{'table' if one else 'tables'} were applied to the limb of "
        f"{'one person' if one else 'one person each'}, held still"
    )
    few, many = f"{draws[0]:,}", f"{draws[-1]:,}"
    count = few if few == many else f"{few} to {many}"
    drawn = f"in {count} draws around them, with the {spreads} as spread"
    return [f"{text}: at the means{f', and {drawn}' if draws[-1] else ''}."]


def _participants(result: CohortResult) -> str:
    """Who was measured: number, sex, stature, mass and loads, as the study gives them."""
    took_part = {o.person for o in result.outcomes}
    people = [p for p in result.study.file.person if p.name in took_part]
    if not people:
        return ""
    women = sum(p.sex == "female" for p in people)
    sexes = [(women, "woman", "women"), (len(people) - women, "man", "men")]
    told = " and ".join(f"{n} {one if n == 1 else more}" for n, one, more in sexes if n)
    sizes = [
        f"stature {_spread([p.stature_cm for p in people])} cm",
        f"body mass {_spread([p.body_mass_kg for p in people])} kg",
    ]
    loads = [float(o.record["load_kg"]) for o in result.counted if o.record.get("load_kg")]
    if loads:
        sizes.append(f"loads {_range(loads)} kg")
    how = "; mean ± SD" if len(people) > 1 else ""
    return f"{_several(len(people))} took part ({told}; {', '.join(sizes)}{how}). "


def _spread(values: Sequence[float]) -> str:
    """Mean and standard deviation over people; the value alone of one person."""
    if len(values) == 1:
        return f"{values[0]:.1f}"
    return f"{mean(values):.1f} ± {stdev(values):.1f}"


def _several(people: int) -> str:
    return "1 person" if people == 1 else f"{people} people"


def _counting(result: CohortResult) -> str:
    """How many of the trials that could be used count, with their verb."""
    counted, solved = len(result.counted), len(result.solved)
    if counted == solved:
        return "all of these count" if solved != 1 else "it counts"
    return f"{counted} of these count" if counted != 1 else "1 of these counts"


def _best_lifts(result: CohortResult) -> str:
    """State the effect of best lifts on strength; nothing if none was stated."""
    laid = [lift for lift in result.best_lifts if not lift.fault]
    if not laid:
        return ""
    raised = [lift for lift in laid if lift.used]
    people = len({lift.person for lift in laid})
    text = (
        f" Best lifts of {people} {'person' if people == 1 else 'people'} were applied to the "
        f"limb as "
        "a load held still in every posture of the lifter's own trials, with their lateral ratio"
    )
    if not raised:
        return f"{text}; no strength was changed."
    return (
        f"{text}; for {len({lift.person for lift in raised})} of them the strength of muscle "
        "groups was raised by the least change, in units of its spread, that holds the load."
    )


def has_emg(result: CohortResult) -> bool:
    """Whether any trial that counts has electromyograms."""
    return any("emg" in o.record.get("tables", ()) for o in result.counted)


def _range(values: Sequence[float]) -> str:
    if not values:
        return "–"
    low, high = min(values), max(values)
    return f"{low:.3g}" if low == high else f"{low:.3g}–{high:.3g}"


def people_rows(result: CohortResult) -> list[dict[str, Any]]:
    """Who took part, with every size and how it is known."""
    file = result.study.file
    took_part = {o.person for o in result.outcomes} | {p.person for p in file.published}
    return person_rows([p for p in file.person if p.name in took_part], result.model)


def settings_rows(result: CohortResult) -> list[dict[str, str]]:
    """Every setting of the study file, and the layouts, as names and values."""
    file = result.study.file
    parts: dict[str, Any] = {
        "settings": file.settings,
        "processing": file.processing,
        "emg": file.emg,
        "statistics": file.statistics,
    }
    parts |= {f"condition {c.name}": c for c in file.condition}
    parts |= {f"layout {x.name}": x for x in file.layout}
    return setting_rows(parts)

"""What a reader must know about a run of a study, each thing stated once."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from momentshare import reading
from momentshare.directions import moment_direction
from momentshare.reading.columns import frame_status
from momentshare.report.text.bar_path import default_path_sentences
from momentshare.report.text.girdle import girdle_sentences
from momentshare.report.text.opening import joined, listed, points
from momentshare.report.text.posture_band import band_sentences
from momentshare.sharing import Status
from momentshare.study.exercises import EXERCISES
from momentshare.text import head_phrase

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from momentshare.analysis import LiftResult
    from momentshare.runs import Case, CaseSet
    from momentshare.study import StudyResult

__all__ = ["Message", "bound_sentences", "cases_text", "study_messages"]


_POINT, _MOST_TOLD = 0.01, 5
"""Change of a lift mean from which a head is named, and how many are; assumed."""


@dataclass(frozen=True, slots=True)
class Message:
    """A word for the kind of message, and the message."""

    word: str
    text: str


def study_messages(study: StudyResult) -> list[Message]:
    """Return what a reader of a study must know; what several cases share is stated once."""
    people = list(dict.fromkeys(p.name for p in study.study.file.person))
    found = [
        ("Not reachable", (refusal.person, refusal.condition), refusal.reason)
        for refusal in study.refusals
    ]
    messages = [*_together(found, people), *_left_out(study)]
    messages += [*_without_load(study, people), *_too_heavy(study, people)]
    messages += [
        Message("Posture", line)
        for line in [*default_path_sentences(study), *band_sentences(study)]
    ]
    messages += [Message("Bound", line) for line in bound_sentences(study)]
    messages += _together(list(_of_cases(study)), people)
    messages += _glenoid(study)
    messages += [Message("Girdle", line) for line in girdle_sentences(reading.glenoid_table(study))]
    return [*messages, *_answers(study), *_uncertified(study)]


def _left_out(study: StudyResult) -> list[Message]:
    """Name the conditions that were asked for with a measured ratio and have none."""
    if "measured" not in study.study.file.settings.lateral:
        return []
    without = [
        condition.name
        for condition in study.study.file.condition
        if condition.lateral_ratio is None
        and (kind := EXERCISES.get(condition.exercise)) is not None
        and kind.lateral
    ]
    if not without:
        return []
    have = "has" if len(without) == 1 else "have"
    return [
        Message(
            "Left out",
            f"lateral force measured in {joined(without)}, which {have} no lateral_ratio",
        )
    ]


def _answers(study: StudyResult) -> list[Message]:
    """Count the frames by what became of them, within the limit of the glenoid and without it."""
    kept: Counter[str] = Counter()
    free: Counter[str] = Counter()
    for case in study.cases:
        for counts, results in ((kept, case.results), (free, case.without_limit)):
            for result in results:
                status = frame_status(case.prepared.lift.reachable, result.sharing.status_text)
                counts.update(status.tolist())
    texts = [
        where + ", ".join(f"{count:,} {status}" for status, count in counts.most_common())
        for counts, where in (
            (kept, "within the limit of the glenoid " if free else ""),
            (free, "without it "),
        )
        if counts
    ]
    return [Message("Frames", "; ".join(texts))] if texts else []


def _uncertified(study: StudyResult) -> list[Message]:
    """Count the frames without proof, within the limit of the glenoid and without it."""
    counts = [
        sum(int(np.count_nonzero(r.sharing.status == Status.UNCERTIFIED)) for r in results)
        for results in (
            (r for _, r in study.pairs()),
            (r for case in study.cases for r in case.without_limit),
        )
    ]
    texts = (
        "{} frames; see certificates.csv before use",
        "{} frames without the limit of the glenoid; they are in the means of glenoid_heads.csv",
    )
    return [
        Message("Uncertified", text.format(count))
        for count, text in zip(counts, texts, strict=True)
        if count
    ]


def _of_cases(study: StudyResult) -> Iterator[tuple[str, tuple[str, str], str]]:
    """Joints beyond their limits, paths and notes of each case."""
    for case in study.cases:
        who = (case.person, case.condition)
        for breach in case.prepared.lift.breaches:
            yield "Joint", who, breach.text()
        doubtful = reading.doubtful_heads(case.prepared.paths, case.prepared.lift.reachable)
        if doubtful:
            yield "Path", who, f"near or beyond the range of its surfaces: {', '.join(doubtful)}"
        for note in case.prepared.lift.notes:
            yield "Note", who, note


def _together(
    found: Sequence[tuple[str, tuple[str, str], str]], people: Sequence[str]
) -> list[Message]:
    """State once what several cases have in common, in the order of the first of them."""
    groups: dict[tuple[str, str], list[tuple[str, str]]] = {}
    for word, who, text in found:
        groups.setdefault((word, text), []).append(who)
    return [
        Message(word, f"{cases_text(cases, people)}: {text}")
        for (word, text), cases in groups.items()
    ]


def cases_text(cases: Sequence[tuple[str, str]], people: Sequence[str]) -> str:
    """Name some cases, (person, condition), as briefly as possible.

    Examples
    --------
    >>> cases_text([("Ines", "narrow")], ["Ines", "Runa"])
    'Ines, narrow'
    >>> cases_text([("Ines", "narrow"), ("Runa", "narrow")], ["Ines", "Runa"])
    'narrow (everyone)'
    >>> both = [(person, name) for name in ("narrow", "wide") for person in ("Ines", "Runa")]
    >>> cases_text([*both, ("Ines", "low")], ["Ines", "Runa"])
    'narrow; wide (everyone); low (Ines)'
    """
    once = list(dict.fromkeys(cases))
    if len(once) == 1:
        return ", ".join(once[0])
    who: dict[str, list[str]] = {}
    for person, condition in once:
        who.setdefault(condition, []).append(person)
    alike: dict[tuple[str, ...], list[str]] = {}
    for condition, persons in who.items():
        alike.setdefault(tuple(p for p in people if p in persons), []).append(condition)
    return "; ".join(
        f"{listed(conditions)} "
        f"({'everyone' if len(persons) == len(people) > 1 else ', '.join(persons)})"
        for persons, conditions in alike.items()
    )


def _by_condition(study: StudyResult) -> dict[tuple[str, str], list[tuple[Case, LiftResult]]]:
    groups: dict[tuple[str, str], list[tuple[Case, LiftResult]]] = {}
    for case, result in study.pairs():
        groups.setdefault((case.condition, result.lateral.mode), []).append((case, result))
    return groups


def _without_load(study: StudyResult, people: Sequence[str]) -> list[Message]:
    """State where the limb cannot hold even its own weight."""
    messages = []
    for (_, mode), pairs in _by_condition(study).items():
        frames, cases = 0, []
        for case, result in pairs:
            if result.greatest is None:
                continue
            lost = np.isnan(result.greatest.factor[case.prepared.lift.reachable]).sum()
            if lost:
                frames += int(lost)
                cases.append((case.person, case.condition))
        if cases:
            messages.append(
                Message(
                    "No load",
                    f"{cases_text(cases, people)}, lateral force {mode}: in {_frames(frames)} the "
                    "limb cannot hold its own weight in this posture",
                )
            )
    return messages


def _too_heavy(study: StudyResult, people: Sequence[str]) -> list[Message]:
    """State where moments fall short, and which most."""
    messages = []
    for (_, mode), pairs in _by_condition(study).items():
        frames, cases, worst = 0, [], (0.0, "")
        for case, result in pairs:
            short = int(np.count_nonzero(result.sharing.status == Status.SHORTFALL))
            if not short:
                continue
            frames += short
            cases.append((case.person, case.condition))
            size, text = _worst(case, result)
            if size >= worst[0]:
                worst = size, text if len(pairs) == 1 else f"{text} ({case.person})"
        if len(cases) == 1:
            worst = worst[0], worst[1].removesuffix(f" ({cases[0][0]})")
        if cases:
            messages.append(
                Message(
                    "Too heavy",
                    f"{cases_text(cases, people)}, lateral force {mode}: in {_frames(frames)} a "
                    f"moment falls short, worst {worst[1]}",
                )
            )
    return messages


def _worst(case: Case, result: LiftResult) -> tuple[float, str]:
    """Greatest unmet moment [N·m], and where it is."""
    unmet = np.nan_to_num(np.abs(result.sharing.unmet))
    frame, row = np.unravel_index(int(np.argmax(unmet)), unmet.shape)
    words = moment_direction(result.criterion.rows[row], result.sharing.unmet[frame, row]).words
    size = float(unmet[frame, row])
    amount = f"{size:.1f}" if size >= 0.05 else "less than 0.1"
    height = 100 * case.prepared.lift.fraction[frame]
    return size, f"{words} by {amount} N·m at {height:.0f} % of the lift"


def _frames(count: int) -> str:
    return "1 frame" if count == 1 else f"{count} frames"


_BOUNDS = {
    "frames_at_lateral_bound": "the lateral force is at its bound (friction or lateral_bounds)",
    "frames_at_couple_bound": "a couple of the hands is at the limit of what a hand can hold",
}
"""Column of the condition table → what its frames have in common."""


def bound_sentences(cases: CaseSet) -> list[str]:
    """State where a lateral force or a couple of the hands is at its bound."""
    table = reading.condition_table(cases)
    found = []
    for column, what in _BOUNDS.items():
        places = []
        for (condition, lateral), part in table.groupby(["condition", "lateral"], sort=False):
            frames = int((part["frames"] - part["frames_out_of_reach"]).sum())
            if met := int(part[column].sum()):
                places.append(f"'{condition}', {lateral}: {met} of {frames} frames")
        if places:
            found.append(f"{what} ({listed(places)})")
    return found


def _glenoid(study: StudyResult) -> list[Message]:
    """State where the humeral head would exceed the stability limits, and what holding it costs."""
    table = reading.glenoid_table(study)
    free = table[~table["within_limits"]]
    beyond = free[free["share_of_limit"] > 1.0]
    if beyond.empty:
        return []
    share = 100.0 * len(beyond) / len(free)
    named = dict.fromkeys(beyond["condition"])
    where = listed((f"'{name}'" for name in named), ", ")
    if len(named) == free["condition"].nunique() > 1:
        where = "of every condition"
    kept = study.study.file.settings.glenoid_constraint
    return [
        Message(
            "Glenoid",
            f"in {share:.0f} % of frames ({where}) the shear would pass the stability limit"
            + (
                f" if nothing held it; {_held(study)}"
                if kept
                else "; a real shoulder would stiffen there; set glenoid_constraint = true under "
                "[settings] to see both answers"
            ),
        )
    ]


def _held(study: StudyResult) -> str:
    """State what holding the humeral head within the limit changes, from a point on."""
    heads = reading.glenoid_head_table(study)
    heads = heads.assign(size=heads["difference"].abs()).sort_values("size", ascending=False)
    told = heads[heads["size"] >= _POINT].head(_MOST_TOLD)
    if told.empty:
        return "held within it, as every answer here is, no lift mean changes by a point"
    each = [
        f"{head_phrase(str(row['head']))} ('{row['condition']}', lateral force {row['lateral']}) "
        f"{100 * row['mean_activation']:.0f} → {100 * row['mean_activation_within_limits']:.0f} %"
        for row in told.to_dict(orient="records")
    ]
    return (
        f"holding it within, as every answer here does, changes lift means by "
        f"{points(float(heads['size'].max()))} at most: {'; '.join(each)}"
    )

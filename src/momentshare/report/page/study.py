"""The report of a study of planned lifts."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from momentshare import reading
from momentshare.errors import ModelError
from momentshare.limits import lift_kinds, merged_keys, with_limits
from momentshare.report.page.document import Block, Bullets, Heading, Section, Table
from momentshare.report.page.parts import (
    captioned,
    limits_section,
    report_page,
    settings_section,
)
from momentshare.report.text.factor_statements import factor_statements, factor_verdicts
from momentshare.report.text.messages import study_messages
from momentshare.report.text.null_orders import AGREE_WORDS
from momentshare.report.text.settings import muscles_text, person_rows, setting_rows
from momentshare.report.text.study_opening import concerned_keys, study_opening, tried_text
from momentshare.report.text.verdicts import (
    ANOTHER_RULE,
    FIRM_ASKS,
    FIRM_ORDER,
    LIMITED,
    TURNING,
)
from momentshare.text import percent_text
from momentshare.validation.bearing import misses, rows_on_heads, rows_table
from momentshare.validation.table import told_rows

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pandas as pd

    from momentshare.report.page.document import Page
    from momentshare.report.text.messages import Message
    from momentshare.study import StudyResult

__all__ = ["PICTURED", "study_page"]

PICTURED = {
    "condition_dots": "Lift-mean activation by condition, with what moves it.",
    "activation_by_head": "Lift-mean activation of each head by condition.",
    "activation_along_lift": "Activation of the working heads along the lift.",
    "lateral_range": "Lift-mean activation by treatment of the lateral force.",
    "moments_along_lift": "Net joint moments along the lift.",
    "gravity_arms": "Moment arms of a weight in the hand.",
    "lateral_force": "Lateral over vertical hand force.",
    "greatest_load": "Greatest load along the lift.",
    "fibre_length": "Range of fibre length of each head over the lift.",
    "ordering": "Differences between conditions within each head, firm or not.",
    "arm_side_by_side": "The arm of the first person in two conditions, both at the height where "
    "their net moments together are greatest, with the force of the hand and its distances from "
    "elbow and shoulder.",
}
"""Figures of the page with their captions."""

_SHOWN = 12
"""Rows of a table of orders; all are in verdicts.csv."""

_LABELS = {"null_agree": AGREE_WORDS}
_FORMATS: dict[str, Any] = {
    "difference": ".2f",
    "difference_low": ".2f",
    "difference_high": ".2f",
    "null_agree": percent_text,
}

_PRINTED = 0.005
"""Range from which the ends of a difference have columns; below, they print alike."""

_WORKING = 0.005
"""Lift-mean activation below which a head is left out of a table."""


def study_page(study: StudyResult, verdicts: pd.DataFrame, pictures: Mapping[str, bytes]) -> Page:
    """Assemble the page.

    Parameters
    ----------
    study : StudyResult
    verdicts : DataFrame
        See :func:`momentshare.report.text.study_opening.verdict_table`.
    pictures : mapping
        Name of a figure → bytes of its PNG.
    """
    file = study.study.file
    first = "condition_dots" if "condition_dots" in pictures else "activation_by_head"
    parts: dict[str, Any] = {"settings": file.settings}
    parts |= {f"condition {c.name}": c for c in file.condition}
    sections = [
        _findings(study, verdicts, pictures),
        _heads(study, {k: v for k, v in pictures.items() if k != first}),
        Section(
            title="Moments, hand force and load",
            anchor="moments",
            blocks=[
                *_shown(pictures, "arm_side_by_side", "moments_along_lift", "lateral_force"),
                *_shown(pictures, "greatest_load", "gravity_arms"),
                _conditions(study),
            ],
        ),
        limits_section(
            study.model,
            concerned=concerned_keys(study.model.limits, file.condition, verdicts),
        ),
        settings_section(
            [muscles_text(study.model, file.settings)],
            person_rows(file.person, study.model),
            setting_rows(parts),
        ),
        *_published(study, verdicts),
    ]
    return report_page(
        (study.study.title, file.note),
        study_opening(study, verdicts),
        captioned(first, pictures, PICTURED),
        sections,
        model=study.model,
        curves=file.settings.curves,
        digest=study.study.digest,
    )


def _shown(pictures: Mapping[str, bytes], *names: str) -> list[Block]:
    return [block for name in names for block in captioned(name, pictures, PICTURED)]


def _by_factor(study: StudyResult, verdicts: pd.DataFrame) -> list[Block]:
    """Say what each factor does; nothing without factors."""
    factors = study.study.factors
    told = factor_statements(factors, factor_verdicts(factors, verdicts))
    if not told:
        return []
    items = [f"{name}: {text}" for name, text in told.items()]
    return [Heading(text="Factor by factor"), Bullets(items=items)]


def _findings(study: StudyResult, verdicts: pd.DataFrame, pictures: Mapping[str, bytes]) -> Section:
    told = {
        FIRM_ORDER: "Orders of two conditions in lift-mean activation that nothing reversed",
        TURNING: "Not findings: orders that are reversed by what the last column names",
        LIMITED: "Not findings: orders that rest on what this limb does not support",
    }
    blocks: list[Block] = [*_by_factor(study, verdicts), *_shown(pictures, "ordering")]
    several = len({result.lateral.mode for _, result in study.pairs()}) > 1
    for verdict, caption in told.items():
        mine = verdicts[verdicts["verdict"] == verdict]
        if mine.empty:
            continue
        mine = mine.sort_values("difference", ascending=False, kind="stable")
        columns = ["head", "condition", "other", "difference"]
        shown = mine.head(_SHOWN)
        wide = (shown["difference_high"] - shown["difference_low"]).max() >= _PRINTED
        columns += ["difference_low", "difference_high"] if wide else []
        columns += {TURNING: ["turns_with"], LIMITED: ["limit"]}.get(verdict, [])
        columns += ["null_agree"] if verdict == FIRM_ORDER and "null_agree" in mine else []
        alike = f"No treatment of the lateral force moves a difference by as much as {_PRINTED}"
        notes = [] if wide else [alike] if several else [f"Lateral force {mine['lateral'].iloc[0]}"]
        notes += study.model.limits.notes(mine["limit"])
        cut = (
            f"; the {_SHOWN} of {len(mine)} with the largest difference, largest first"
            if len(mine) > _SHOWN
            else ""
        )
        blocks.append(
            Table(
                frame=shown[columns],
                caption=f"{caption}{cut}. All are in verdicts.csv.",
                labels=_LABELS if "null_agree" in columns else {},
                formats={name: form for name, form in _FORMATS.items() if name in columns},
                note="; ".join(notes),
            )
        )
    tried = tried_text(study)
    messages = study_messages(study)
    if messages:
        blocks.append(Heading(text="Messages of the run"))
        blocks.append(Bullets(items=_grouped(messages)))
    return Section(
        title="Findings",
        anchor="findings",
        lead="Estimates of a model that is the same for every person. What is reversed by a choice "
        "that nobody can make for certain is not a finding; nor is anything that the limb does not "
        f"support (see Limits). Firm means that {FIRM_ASKS['compare']}; "
        f"tried here: {tried or 'nothing of this'}. "
        f"{ANOTHER_RULE}",
        blocks=blocks,
    )


def _grouped(messages: Sequence[Message]) -> list[str]:
    """Messages with their words; one without a word goes on with the one before."""
    items: list[str] = []
    for message in messages:
        if message.word or not items:
            items.append(f"{message.word}: {message.text}" if message.word else message.text)
        else:
            items[-1] += (" " if items[-1].endswith(":") else "; ") + message.text
    return items


def _heads(study: StudyResult, pictures: Mapping[str, bytes]) -> Section:
    kinds = lift_kinds(study.study.file.condition)
    table = with_limits(reading.head_table(study), study.model.limits, kinds, "activation")
    blocks: list[Block] = list(_shown(pictures, "activation_by_head", "activation_along_lift"))
    for mode, part in table.groupby("lateral", sort=False):
        wide = part.pivot_table(
            index="head", columns="condition", values="mean_activation_mean", sort=False
        )
        wide = wide[wide.max(axis=1) >= _WORKING].reset_index()
        wide.columns.name = None
        keys = part.groupby("head", sort=False)["limit"].agg(merged_keys)
        wide["limit"] = wide["head"].map(keys).fillna("")
        if not wide["limit"].any():
            wide = wide.drop(columns="limit")
        blocks.append(
            Table(
                frame=wide,
                caption="Lift-mean activation of each head, mean over people; lateral force "
                f"{mode}.",
                formats={name: ".2f" for name in wide.columns if name not in {"head", "limit"}},
                note="; ".join(study.model.limits.notes(keys)),
            )
        )
    blocks += _shown(pictures, "lateral_range", "fibre_length")
    return Section(title="Heads", anchor="heads", blocks=blocks)


def _published(study: StudyResult, verdicts: pd.DataFrame) -> list[Section]:
    """List the published rows about working heads that the limb misses, where it has any."""
    heads = list(dict.fromkeys(verdicts["head"].astype(str)))
    try:
        rows = rows_on_heads(study.model, heads)
    except ModelError:  # a limb without published values
        return []
    missed = misses(rows)
    if not missed:
        return []
    columns = ["about", "quantity", "posture", "published", "model", "unit", "source"]
    table = told_rows(rows_table(missed)[columns], study.model.references)
    return [
        Section(
            title="Published rows",
            anchor="published",
            blocks=[
                Table(
                    frame=table.head(_SHOWN),
                    caption=f"Published rows about the working heads that the limb misses, "
                    f"{len(missed)} of {len(rows)}"
                    + (f"; the first {_SHOWN}" if len(missed) > _SHOWN else "")
                    + ". All rows: momentshare validate.",
                )
            ],
        )
    ]


def _conditions(study: StudyResult) -> Table:
    """Show the loads of the conditions, means over people."""
    table = reading.condition_table(study)
    columns = [
        name
        for name in ("load_kg", "mean_lateral_ratio", "greatest_load_kg", "weak_height_fraction")
        if name in table
    ]
    means = table.groupby(["condition", "lateral"], sort=False)[columns].mean().reset_index()
    return Table(frame=means, caption="Load, lateral force and greatest load, means over people.")

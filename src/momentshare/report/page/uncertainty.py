"""The report of a run of draws."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from momentshare.report.page.document import (
    Block,
    Bullets,
    Heading,
    Page,
    Paragraph,
    Section,
    Table,
)
from momentshare.report.page.parts import (
    captioned,
    limits_section,
    report_page,
    settings_section,
)
from momentshare.report.text.draw_verdicts import (
    judged_modes,
    judged_rows,
    main_treatment,
    shown_activation,
)
from momentshare.report.text.factor_statements import drawn_statements
from momentshare.report.text.null_orders import AGREE_WORDS
from momentshare.report.text.settings import muscles_text, person_rows, setting_rows
from momentshare.report.text.study_opening import concerned_keys
from momentshare.report.text.uncertainty_opening import (
    ASSUMPTIONS,
    judged_pairs,
    people_text,
    uncertainty_opening,
)
from momentshare.report.text.verdicts import (
    ANOTHER_RULE,
    FIRM_ASKS,
    FIRM_ORDER,
    LIMITED,
    OPEN_ORDER,
    SHORT_ORDER,
    TOO_OFTEN_SHORT,
    TURNING,
)
from momentshare.text import percent_text
from momentshare.uncertainty.layout import FAMILIES
from momentshare.uncertainty.people import COLUMNS

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pandas as pd

    from momentshare.uncertainty import Summary

__all__ = ["uncertainty_page"]

_CAPTIONS = {
    "leading_heads": "How sure each activation is, in the heads that carry what is said above.",
    "intervals": "How sure each activation is.",
    "condition_order": "How sure the order of two conditions is, within each head.",
    "head_order": "How sure the order of two heads is, in the first condition.",
    "tornado": "Which inputs matter most.",
}

_TOLD = {
    FIRM_ORDER: "Firm orders of two conditions in lift-mean activation",
    TURNING: "Not findings: orders that are sure under one treatment or criterion only",
    OPEN_ORDER: "Not findings: open orders",
    SHORT_ORDER: f"Not findings: orders that rest on a point where {TOO_OFTEN_SHORT}",
    LIMITED: "Not findings: orders that rest on what this limb does not support",
}

_PEOPLE_LABELS = {
    "people_low": "people, low",
    "people_high": "people, high",
    "model_low": "model, low",
    "model_high": "model, high",
    "n_people": "people",
}

_MET = ("probability_met", "draws_met")
_MET_WORDS = ("probability without shortfalls", "draws without shortfalls")
"""Columns that are shown where somebody falls short in some draw, and their headings."""

_MOST = 25
"""Rows of a table of orders; all are in verdicts.csv."""

_RUN = ("draws", "seed", "frames", "criteria", "spreads", "trajectories", "sobol", "few")
"""Entries of the plan that are settings of the run."""


def uncertainty_page(found: Summary, pictures: Mapping[str, bytes]) -> Page:
    """Assemble the page.

    Parameters
    ----------
    found : Summary
    pictures : mapping
        Name of a figure → bytes of its PNG.
    """
    file = found.plan.study.file
    pairs = judged_pairs(found)
    sections = [_findings(found, pairs, pictures), *_people(found), _heads(found, pictures)]
    if found.sensitivity is not None:
        sections.append(_inputs(found, pictures))
    sections += [
        _draws(found),
        limits_section(
            found.model,
            concerned=concerned_keys(found.model.limits, file.condition, pairs),
        ),
        settings_section(
            [muscles_text(found.model, file.settings)],
            person_rows((p for p in file.person if p.name in found.plan.people_drawn), found.model),
            [*_run_rows(found), *setting_rows({"settings": file.settings})],
        ),
    ]
    return report_page(
        (file.title, file.note),
        uncertainty_opening(found, pairs),
        captioned(_opening_picture(pictures), pictures, _CAPTIONS),
        sections,
        model=found.model,
        curves=file.settings.curves,
        digest=found.plan.study.digest,
    )


def _opening_picture(pictures: Mapping[str, bytes]) -> str:
    """Name the picture beside the opening; few working heads need no choice of them."""
    return "leading_heads" if "leading_heads" in pictures else "intervals"


def _findings(found: Summary, pairs: pd.DataFrame, pictures: Mapping[str, bytes]) -> Section:
    told = drawn_statements(found.plan.study.factors, pairs)
    over = "treatments of the lateral force and criteria"
    if set(judged_modes(found)) < set(found.condition_order["lateral"]):
        over = "criteria; the lateral force was measured, so zero and free decide nothing"
    treatment = f"lateral force {main_treatment(found)[1]}"
    fallen = len(pairs) and bool((pairs["draws_met"] < judged_rows(found)["draws"].max()).any())
    blocks: list[Block] = []
    if told:
        items = [f"{name}: {text}" for name, text in told.items()]
        blocks += [Heading(text="Factor by factor"), Bullets(items=items)]
    for verdict, caption in _TOLD.items():
        mine = pairs[pairs["verdict"] == verdict]
        if mine.empty:
            continue
        mine = mine.sort_values("difference", ascending=False, kind="stable")
        mine = mine.assign(difference=100.0 * mine["difference"])
        cut = (
            f"; the {_MOST} of {len(mine)} with the largest difference, largest first"
            if len(mine) > _MOST
            else ""
        )
        hidden = {"verdict", "limit", "activation", "null_limbs"} | (set() if fallen else set(_MET))
        columns = [name for name in mine.columns if name not in hidden]
        columns += ["limit"] if mine["limit"].any() else []
        blocks.append(
            Table(
                frame=mine.head(_MOST)[columns],
                caption=f"{caption}{cut}. All are in verdicts.csv.",
                formats={
                    "difference": "+.0f",
                    **{n: ".2f" for n in columns if n.startswith("probability")},
                    **({"null_agree": percent_text} if "null_agree" in columns else {}),
                },
                labels={
                    "difference": f"mean difference, {treatment} [% points]",
                    "probability": f"probability, {treatment}",
                    "probability_low": "least probability",
                    "probability_high": "greatest probability",
                    **({"null_agree": AGREE_WORDS} if "null_agree" in columns else {}),
                    **(dict(zip(_MET, _MET_WORDS, strict=True)) if fallen else {}),
                },
                note="; ".join(found.model.limits.notes(mine["limit"])),
            )
        )
    blocks += captioned("condition_order", pictures, _CAPTIONS)
    return Section(
        title="Findings",
        anchor="findings",
        lead="Probability: share of draws in which the condition activates the head more than the "
        "other; mean difference: that of the same draws, the other taken from the condition. Least "
        f"and greatest probability are over {over}. Firm means that {FIRM_ASKS['uncertainty']}, "
        "and that no limit of the limb concerns the order; a probability counts draws on one side, "
        "so a firm order may have a two-sided interval that just includes zero. "
        f"{ANOTHER_RULE}",
        blocks=blocks,
    )


def _people(found: Summary) -> list[Section]:
    """Show the interval over people beside that of the model; nothing where it was not made."""
    text = people_text(found)
    if not text:
        return []
    criterion, mode = main_treatment(found)
    table = found.people_and_model
    table = table[(table["criterion"] == criterion) & (table["lateral"] == mode)]
    named = list(getattr(getattr(found.plan.study.file, "statistics", None), "heads", ()))
    _, _, heads = shown_activation(found)
    table = table[table["head"].isin(named or heads)]
    pairs, means = table[table["other"] != ""], table[table["other"] == ""]
    widest = pairs["mean"].abs().sort_values(ascending=False, kind="stable").index[:_MOST]
    cut = "" if len(widest) == len(pairs) else f"; the {_MOST} widest of {len(pairs)}"
    which, pair = " of the heads named beforehand" if named else "", f"conditions{cut}"
    return [
        Section(
            title="People and model",
            anchor="people-and-model",
            lead="One mean with two intervals: over people (Student's, of each person's mean over "
            "the draws) and over draws of the model (quantiles of the mean over people). Neither "
            "contains the other. A mean over draws is not the answer of the limb as it is, which a "
            "cohort gives: activations do not rise in proportion to the numbers that are drawn.",
            blocks=[
                Paragraph(text=text),
                *(
                    Table(
                        frame=_hundredfold(part[[c for c in columns if c in part]], COLUMNS[:5]),
                        caption=f"{what}{which}; lateral force {mode}. All are in "
                        "people_and_model.csv.",
                        note="; ".join(found.model.limits.notes(part["limit"])),
                        formats=dict.fromkeys(COLUMNS[:5], ".1f"),
                        labels=_PEOPLE_LABELS,
                    )
                    for what, part, columns in (
                        (
                            f"Differences of lift-mean activation [% points] between two {pair}",
                            pairs.loc[sorted(widest)],
                            ["head", "condition", "other", *COLUMNS, "limit"],
                        ),
                        (
                            "Lift-mean activation [%]",
                            means,
                            ["head", "condition", *COLUMNS, "limit"],
                        ),
                    )
                ),
            ],
        )
    ]


def _hundredfold(table: pd.DataFrame, columns: Sequence[str]) -> pd.DataFrame:
    """Give these columns in per cent."""
    return table.assign(**{name: 100.0 * table[name] for name in columns if name in table})


def _heads(found: Summary, pictures: Mapping[str, bytes]) -> Section:
    part, _, heads = shown_activation(found)
    criterion, mode = main_treatment(found)
    columns = ["head", "condition", "mean", "low", "q25", "median", "q75", "high"]
    shown = part[part["head"].isin(heads)]
    columns += ["limit"] if "limit" in shown and shown["limit"].any() else []
    return Section(
        title="Heads",
        anchor="heads",
        blocks=[
            Table(
                frame=_hundredfold(shown[columns], columns[2:8]),
                caption="Lift-mean activation [%], mean and quantiles of the draws; lateral force "
                f"{mode}, criterion {_criterion_words(criterion)}. All are in intervals.csv.",
                formats=dict.fromkeys(columns[2:8], ".1f"),
                labels={"low": "5 %", "q25": "25 %", "q75": "75 %", "high": "95 %"},
                note="; ".join(found.model.limits.notes(shown["limit"]))
                if "limit" in columns
                else "",
            ),
            *(
                captioned("intervals", pictures, _CAPTIONS)
                if _opening_picture(pictures) != "intervals"
                else []
            ),
            *captioned("head_order", pictures, _CAPTIONS),
        ],
    )


def _inputs(found: Summary, pictures: Mapping[str, bytes]) -> Section:
    assert found.sensitivity is not None  # noqa: S101 - the caller has looked
    table = found.sensitivity.overall
    shown = table.assign(family=[FAMILIES[str(name)] for name in table["family"]])
    return Section(
        title="Inputs",
        anchor="inputs",
        blocks=[
            Table(
                frame=shown[["family", "relative_mu_star"]],
                caption="Effect of each input on lift-mean activation, over the greatest effect of "
                "any input on the same head and condition; mean over heads and conditions.",
                labels={"family": "input", "relative_mu_star": "mean part of the greatest effect"},
                formats={"relative_mu_star": ".2f"},
            ),
            *captioned("tornado", pictures, _CAPTIONS),
        ],
    )


def _draws(found: Summary) -> Section:
    return Section(
        title="Draws",
        anchor="draws",
        blocks=[
            Table(
                frame=found.failures.assign(reasons=found.failures["reasons"].replace("", "–")),
                caption="Draws, and how many could be solved.",
            ),
            Heading(text="What the draws assume"),
            Bullets(items=list(ASSUMPTIONS)),
        ],
    )


def _run_rows(found: Summary) -> list[dict[str, Any]]:
    plan = found.plan.manifest(found.model)
    rows = []
    for name in _RUN:
        value = plan[name]
        text = (
            "; ".join(f"{key}: {number:g}" for key, number in value.items())
            if isinstance(value, dict)
            else ", ".join(map(str, value))
            if isinstance(value, list)
            else str(value)
        )
        rows.append({"part": "draws", "setting": name, "value": text})
    return rows


def _criterion_words(name: str) -> str:
    """Name a criterion in a sentence."""
    return "of the study" if name == "study" else name

"""Outcomes that papers report on the page of a cohort: named ones and figures, and all of them."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from momentshare.cohort.outcomes import OUTCOMES
from momentshare.report.figures.differences import MIRRORED
from momentshare.report.page.cohort_captions import captioned
from momentshare.report.page.document import Block, Heading, Paragraph, Section, Table
from momentshare.text import with_minus

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd

    from momentshare.cohort.run import CohortResult
    from momentshare.cohort.summary import CohortSummary

__all__ = ["every_outcome", "outcomes_section"]

_PAIRED = ["difference", "difference_low", "difference_high", "people", "p", "p_holm"]


def outcomes_section(
    result: CohortResult, summary: CohortSummary, pictures: Mapping[str, bytes]
) -> Section:
    """Show outcomes in short: what was named beforehand, figures, published values beside own."""
    confidence = _confidence(result)
    named = "outcomes_named" in pictures
    blocks: list[Block] = [
        *_named(summary, confidence),
        *captioned("outcomes_named" if named else "outcome_moments", pictures),
    ]
    factors = summary.tables.get("factors")
    chosen = result.study.file.statistics.outcomes
    if factors is not None and chosen:
        blocks += _factors(factors[factors["outcome"].isin(chosen)], "outcomes named beforehand")
    beside = summary.tables.get("beside_published")
    if beside is not None:
        blocks += [
            *captioned("beside_published", pictures),
            Table(
                frame=beside,
                caption="Own mean net moments beside published ones of the same condition and "
                f"region, with Welch's {confidence} interval of the difference.",
            ),
        ]
    return Section(
        title="Outcomes",
        anchor="outcomes",
        lead="Definition, unit, sign and source of every outcome are in outcome_definitions.csv.",
        blocks=blocks,
    )


def every_outcome(
    result: CohortResult, summary: CohortSummary, pictures: Mapping[str, bytes]
) -> Section:
    """Show every outcome by condition, factors, up against down, arm against arm."""
    confidence = _confidence(result)
    blocks: list[Block] = []
    moments = ["outcome_moments"] if "outcomes_named" in pictures else []
    for name in ("outcomes", *moments, "outcome_power", "outcome_fibres"):
        blocks += captioned(name, pictures)
    blocks += _by_condition(summary)
    factors = summary.tables.get("factors")
    if factors is not None:
        blocks += _factors(factors, "all outcomes")
    for name, heading, words in (
        ("ascent_descent", "Up and down", "ascent less descent"),
        ("both_arms", "Both arms", "right less left"),
    ):
        table = summary.tables.get(name)
        if table is not None:
            first, second = words.split(" less ")
            blocks += [Heading(text=heading), *captioned(name, pictures)]
            lift = table[
                [
                    OUTCOMES[str(o)].of == "lift"
                    and not (name == "ascent_descent" and o in MIRRORED)
                    for o in table["outcome"]
                ]
            ]
            if lift.empty:
                continue
            blocks += [
                Table(
                    frame=_labelled(lift)[
                        ["outcome", "unit", "condition", first, second, *_PAIRED]
                    ],
                    by="outcome",
                    alike=[[first, second, *_PAIRED[:3]]],
                    caption=f"Outcomes of the whole lift, {words}, within people, with "
                    f"{confidence} intervals; p of the paired t test, and adjusted after Holm over "
                    f"all rows of {name}.csv.",
                    formats={"p": "p", "p_holm": "p"},
                ),
            ]
    return Section(title="All outcomes", anchor="all-outcomes", blocks=blocks)


def _confidence(result: CohortResult) -> str:
    return f"{100 * result.study.file.statistics.confidence:g} %"


def _factors(table: pd.DataFrame, which: str) -> list[Block]:
    if table.empty:
        return []
    return [
        Table(
            frame=_labelled(table),
            caption=f"Factors and covariates, {which}, in a model with a random intercept for "
            "each person; a slope is the change of the outcome by one unit of the covariate.",
            formats={"p": "p"},
        )
    ]


def _labelled(table: pd.DataFrame) -> pd.DataFrame:
    """Replace the name of an outcome by its label."""
    label = [OUTCOMES[str(o)].label if o in OUTCOMES else str(o) for o in table["outcome"]]
    return table.assign(outcome=label)


def _named(summary: CohortSummary, confidence: str) -> list[Block]:
    """Show what was named before the study was run."""
    table = summary.tables.get("named_contrasts")
    if table is None:
        return [
            Paragraph(
                text="No head and no outcome was named beforehand (statistics → heads, outcomes), "
                "so every test on this page is one of many."
            )
        ]
    labels = {
        "difference_mean": "difference",
        "difference_low": "low",
        "difference_high": "high",
        "hedges_g_z": "Hedges' g",
        "p_named": "p (Holm)",
        "n_people": "people",
    }
    named = _labelled(table)
    units = [f" [{unit}]" if unit != "1" else "" for unit in named["unit"]]
    named["outcome"] = named["outcome"] + units
    return [
        Table(
            frame=named[["outcome", "item", "condition", "other", *labels]],
            by="outcome",
            caption="What the study named beforehand: paired differences with "
            f"{confidence} intervals, Hedges' g of the differences, and p of the paired t test, "
            "adjusted after Holm over this table alone.",
            formats={"p_named": "p", "hedges_g_z": ".2f"},
            labels=labels,
        )
    ]


def _cell(mean: float, sd: float) -> str:
    """Mean ± SD; the mean alone of one person."""
    if math.isnan(sd):
        return with_minus(f"{mean:.{_decimals(mean)}f}")
    places = _decimals(sd, 2)
    return with_minus(f"{mean:.{places}f} ± {sd:.{places}f}")


def _decimals(value: float, digits: int = 3) -> int:
    """Decimals that give a number so many significant digits."""
    return 0 if value == 0.0 else max(digits - 1 - math.floor(math.log10(abs(value))), 0)


def _by_condition(summary: CohortSummary) -> list[Block]:
    """Show mean ± SD of every outcome by condition, of ascents, without heads."""
    table = summary.tables["outcomes"]
    shown = (table["phase"] == "ascent") & table["lateral"].isin([summary.mode, "any"])
    mine = table[shown]
    mine = mine[[OUTCOMES[str(o)].of != "head" for o in mine["outcome"]]]
    cells = mine.assign(cell=[_cell(*pair) for pair in mine[["mean", "sd"]].to_numpy(dtype=float)])
    wide = cells.pivot_table(
        index=["outcome", "item", "unit"], columns="condition", values="cell", aggfunc="first",
        sort=False, observed=True,
    ).reset_index()  # fmt: skip
    wide.columns.name = None
    return [
        Table(
            frame=_labelled(wide),
            caption=f"Outcomes of the ascent by condition, mean ± SD over people; lateral force "
            f"{summary.mode}. Heads, descents and intervals are in outcomes.csv.",
        )
    ]

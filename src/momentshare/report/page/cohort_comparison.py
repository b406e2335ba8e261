"""Sections of a cohort that compare: conditions, EMG, changed inputs, published tables.

Those called *every* or *in detail* belong to the appendix.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from momentshare.cohort.outcomes.over_people import MEAN
from momentshare.emg.compare import LEVEL
from momentshare.report.page.cohort_captions import captioned
from momentshare.report.page.document import (
    Block,
    Bullets,
    Heading,
    Paragraph,
    Section,
    Table,
)
from momentshare.report.text.cohort_changes import (
    COUNTED_ORDERS,
    changed_orders,
    left_out_text,
)
from momentshare.report.text.cohort_orders import WORKING
from momentshare.report.text.opening import listed
from momentshare.text import head_label, with_minus

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pandas as pd

    from momentshare.cohort.summary import CohortSummary
    from momentshare.published import PublishedResult

__all__ = [
    "comparison", "concluded", "emg_details", "emg_section", "every_comparison",
    "published_section", "sensitivity_section",
]  # fmt: skip

_CLEAREST = 12
"""Rows of the table of contrasts in the first part; chosen here, so that it takes half a page."""

_SHOWN_CONTRASTS = 40
"""Rows of the table of contrasts on the page; all are in contrasts.csv."""


_OMNIBUS = [
    "outcome",
    "item",
    "f",
    "df_numerator",
    "df_denominator",
    "p",
    "p_holm_over_item",
    "p_greenhouse_geisser",
    "note",
]


def comparison(summary: CohortSummary) -> Section:
    """Compare the conditions in short: the clearest differences, where there are enough people."""
    omnibus, contrasts = (summary.tables.get(name) for name in ("omnibus", "contrasts"))
    block: Block
    if omnibus is None or contrasts is None:
        block = Paragraph(text="There is only one condition, so there is nothing to compare.")
    elif contrasts["p"].isna().all():
        note = next((text for text in omnibus["note"] if text), "no condition could be compared")
        block = Paragraph(text=f"No test was made. {note} omnibus.csv holds the notes.")
    else:
        pairs = _pairs(contrasts, summary.mode).head(_CLEAREST)
        shown = [*_DIFFERENCE, _ADJUSTED, "n_people", *_limit_column(pairs)]
        block = Table(
            frame=pairs[shown],
            by="outcome",
            caption="The clearest differences between two conditions (condition minus other), "
            f"within people; lateral force {summary.mode}. {_FAMILY} More are in the "
            "appendix, all in contrasts.csv.",
            formats={_ADJUSTED: "p"},
            labels={name: label for name, label in _LABELS.items() if name in shown},
        )
    return Section(title="Comparison of conditions", anchor="comparison", blocks=[block])


_ENDS_OF_DIFFERENCE = ("difference_mean", "difference_low", "difference_high")

_DIFFERENCE = ["outcome", "item", "condition", "other", *_ENDS_OF_DIFFERENCE]

_ADJUSTED = "p_paired_holm_over_item"
"""The p of findings, methods and this page: who looks through all heads tests all of them."""

_FAMILY = (
    "p is that of the paired t test, adjusted after Holm over all pairs of conditions and all "
    "heads (or rows of the moment) of an outcome. A negative moment acts the other way: external "
    "for internal rotation, flexion for extension."
)

_LABELS = {
    "difference_mean": "difference",
    "difference_low": "low",
    "difference_high": "high",
    "p_paired_holm": "p (Holm, pairs of one head or row)",
    "p_paired_holm_over_item": "p (Holm, all heads or rows)",
    "hedges_g_z": "Hedges' g of the differences",
    "n_people": "people",
    "n_same_direction": "in this direction",
}


def _pairs(contrasts: pd.DataFrame, mode: str) -> pd.DataFrame:
    """Contrasts of the treatment that is shown, the clearest first.

    Pairs and signs are those of ``contrasts.csv``; activations are in percentage points.
    """
    mine = contrasts[contrasts["lateral"] == mode].sort_values([_ADJUSTED, "p_paired_holm"])
    size = np.where(mine["outcome"] == MEAN, 100.0, 1.0)
    return mine.assign(
        **{name: size * mine[name] for name in _ENDS_OF_DIFFERENCE},
        outcome=[_OUTCOMES.get(str(name), str(name)) for name in mine["outcome"]],
    )


_OUTCOMES = {
    MEAN: "lift-mean activation [% points]",
    "moment_nm": "lift-mean net moment [N·m]",
    "lateral_ratio": "lift-mean lateral ratio",
}


def _limit_column(table: pd.DataFrame) -> list[str]:
    return ["limit"] if "limit" in table and table["limit"].any() else []


def every_comparison(summary: CohortSummary) -> Section | None:
    """Show the overall tests and more differences; nothing where no test was made."""
    omnibus, contrasts = (summary.tables.get(name) for name in ("omnibus", "contrasts"))
    if omnibus is None or contrasts is None or contrasts["p"].isna().all():
        return None
    whole = omnibus[omnibus["lateral"] == summary.mode].drop(columns=["lateral"])
    words = [_OUTCOMES.get(str(n), str(n)).split(" [")[0] for n in whole["outcome"]]
    whole = whole.assign(outcome=words)
    pairs = _pairs(contrasts, summary.mode).head(_SHOWN_CONTRASTS)
    tests = [_ADJUSTED, "p_paired_holm"]
    counts = ["hedges_g_z", "n_people", "n_same_direction"]
    blocks = [
        Table(
            frame=whole[_OMNIBUS],
            caption=f"Overall tests; lateral force {summary.mode}. The last p allows for unequal "
            "variances of the differences (Greenhouse and Geisser). All columns in omnibus.csv.",
            formats={c: "p" for c in _OMNIBUS if c.startswith("p")},
        ),
        Table(
            frame=pairs[[*_DIFFERENCE, *tests, *counts, *_limit_column(pairs)]],
            by="outcome",
            caption="Paired differences between conditions (condition minus other) with the "
            f"smallest adjusted p; lateral force {summary.mode}. {_FAMILY} The other p is "
            "adjusted over the pairs of one head or row alone, for who named it "
            "beforehand. All are in contrasts.csv, with those of the mixed model.",
            formats=dict.fromkeys(tests, "p"),
            labels=_LABELS,
        ),
    ]
    return Section(title="Tests", anchor="tests", blocks=blocks)


def emg_section(summary: CohortSummary, pictures: Mapping[str, bytes]) -> Section:
    """Show EMG beside prediction in short, within each muscle."""
    blocks: list[Block] = []
    means = summary.tables.get("emg_by_condition")
    if means is not None:
        named = means["head"].isin(summary.named_heads)
        mine = means[named] if named.any() else means
        blocks.append(_by_condition(mine, f"lateral force {summary.mode}"))
    else:
        blocks += captioned("emg_agreement", pictures)
    return Section(
        title="EMG",
        anchor="emg",
        lead="Within a muscle across conditions only, never across muscles.",
        blocks=[
            *(Paragraph(text=text) for text in concluded(summary)),
            *blocks,
            *(Paragraph(text=text) for text in _above_maximum(summary)),
        ],
    )


def concluded(summary: CohortSummary) -> list[str]:
    """State in how many comparisons EMG and prediction order two conditions alike."""
    table = summary.tables.get("emg_ordering")
    if table is None or table.empty:
        return []
    counts = table["verdict"].value_counts()
    agree, against, unsure, level = (
        int(counts.get(name, 0)) for name in ("agree", "disagree", "open", "level")
    )
    text = (
        f"EMG and prediction put two conditions in the same order, both clear of zero, in {agree} "
        f"of {len(table)} comparisons within a head{_named(table[table['verdict'] == 'agree'])}, "
        f"and in opposite orders in {against}{_named(table[table['verdict'] == 'disagree'])}. "
        f"In {unsure} an interval includes zero, so nothing is shown either way"
    )
    apart = table[
        (table["verdict"] == "open")
        & (table["emg_difference"] * table["activation_difference"] < 0.0)
        & (table[["emg_difference", "activation_difference"]].abs().min(axis=1) >= _APART)
    ]
    told = [
        f"{head_label(str(row['head']))} (EMG higher in "
        f"'{row['condition'] if row['emg_difference'] > 0.0 else row['other']}', prediction in "
        f"'{row['other'] if row['emg_difference'] > 0.0 else row['condition']}')"
        for row in apart.to_dict("records")
    ]
    more = f"; the means point opposite ways in {listed(told)}" if told else ""
    same = (
        f" In {level} EMG or prediction differs by {100.0 * LEVEL:g} point at most (level)."
        if level
        else ""
    )
    return [f"{text}{more}.{same}"]


_APART = 0.01
"""Difference of two lift means from which it is said that EMG and prediction point opposite ways:
a percentage point, as where two conditions are level."""


def _named(table: pd.DataFrame) -> str:
    """Heads of some comparisons, in brackets."""
    heads = dict.fromkeys(head_label(str(head)) for head in table["head"])
    return f" ({listed(heads)})" if heads else ""


def _hundredths(value: float) -> str:
    """Text of a number to hundredths; nothing but zeros has no sign."""
    return with_minus(f"{round(value, 2) + 0.0:.2f}")


def _by_condition(means: pd.DataFrame, mode: str) -> Table:
    ends = ["discrepancy", "discrepancy_low", "discrepancy_high"]
    return Table(
        frame=means[["head", "condition", "people", "emg", "activation", *ends]],
        caption="Lift means of EMG over the maximal contraction and of the predicted activation, "
        f"and EMG less activation within people with its interval; {mode}.",
        formats=dict.fromkeys(["emg", "activation", *ends], _hundredths),
        labels={
            "emg": "EMG",
            "discrepancy": "EMG − activation",
            "discrepancy_low": "low",
            "discrepancy_high": "high",
        },
    )


def emg_details(summary: CohortSummary, pictures: Mapping[str, bytes]) -> Section:
    """Show EMG along the lift, the pulled optimum, and how conditions order."""
    from momentshare.emg import CAVEATS
    from momentshare.emg.compare import ORDERING_COLUMNS

    agreement = summary.tables["emg_agreement"]
    ordering = summary.tables.get("emg_ordering")
    shown = list(ORDERING_COLUMNS[: ORDERING_COLUMNS.index("agree") + 1])
    mode = f"lateral force {summary.mode}"
    ends = [f"{n}{e}" for n in ("r", "rmse", "difference") for e in _ENDS]
    means = summary.tables.get("emg_by_condition")
    named = agreement["head"].isin(summary.named_heads)
    return Section(
        title="EMG in detail",
        anchor="emg-details",
        blocks=[
            Bullets(items=CAVEATS),
            *captioned("emg_curves", pictures),
            *([] if means is None else captioned("emg_agreement", pictures)),
            *captioned("emg_discrepancy", pictures),
            *([] if means is None or not named.any() else [_by_condition(means, mode)]),
            _pulled(summary.tables["emg_curves_by_person"], mode),
            Table(
                frame=agreement[["head", "condition", "people", *ends]],
                caption=f"Agreement along the lift, within each muscle: {mode}; means over people "
                "with Student's intervals. All columns in emg_agreement.csv.",
            ),
            *_emg_order(ordering, shown, mode),
        ],
    )


def _pulled(curves: pd.DataFrame, mode: str) -> Table:
    """Lift means of EMG, the pure optimum and the optimum pulled towards EMG, side by side."""
    columns = ["emg", "activation", "pulled_activation"]
    own = curves.groupby(["head", "condition", "person"], sort=False, observed=True)[columns].mean()
    mean = own.groupby(["head", "condition"], sort=False, observed=True).mean().reset_index()
    shown = [name for name in columns if mean[name].notna().any()]
    return Table(
        frame=mean[["head", "condition", *shown]],
        caption=f"Lift means, over people; {mode}.",
        formats=dict.fromkeys(shown, ".2f"),
        labels={
            name: label
            for name, label in (
                ("emg", "EMG over the maximal contraction"),
                ("activation", "activation, pure optimum"),
                ("pulled_activation", "activation, pulled towards EMG"),
            )
            if name in shown
        },
    )


def _emg_order(ordering: pd.DataFrame | None, shown: list[str], mode: str) -> list[Block]:
    if ordering is None:
        return []
    return [
        Table(
            frame=ordering[shown],
            caption=f"Order of conditions by EMG and by prediction, within each muscle; {mode}. "
            f"'level': EMG or prediction differs by {100.0 * LEVEL:g} point at most; 'open': an "
            "interval includes zero; 'agree' counts people.",
        )
    ]


_ENDS = ("", "_low", "_high")


def _above_maximum(summary: CohortSummary) -> list[str]:
    """State how often electromyograms exceed the maximal contraction that normalises them."""
    curves = summary.tables["emg_curves_by_person"]
    above = curves[curves["emg"] > 1.0]
    if above.empty:
        return []
    heads = ", ".join(head_label(str(h)) for h in dict.fromkeys(above["head"]))
    text = (
        f"The envelope exceeds the maximal contraction in {len(above):,} of {len(curves):,} points "
        f"of the curves, up to {above['emg'].max():.2f} times ({heads}): the contraction was not "
        "maximal, or was "
        "made in another posture. trials.csv names the trials."
    )
    return [text]


def sensitivity_section(summary: CohortSummary, pictures: Mapping[str, bytes]) -> Section:
    """Show what changes when one input is changed."""
    orders = changed_orders(summary)
    blocks: list[Block] = [*captioned("sensitivity", pictures)]
    if orders is not None:
        held = (
            orders.counted.groupby("change", sort=False)["order_holds"]
            .agg(["sum", "size"])
            .reset_index()
            .rename(columns={"sum": "orders_that_hold", "size": "orders"})
        )
        blocks.append(
            Table(
                frame=held,
                caption="Orders of two conditions within a head that hold under each change: "
                f"{COUNTED_ORDERS}. sensitivity_orders.csv has weaker heads, too.",
                note=left_out_text(orders),
            )
        )
    return Section(title="Sensitivity", anchor="sensitivity", blocks=blocks)


def published_section(published: Sequence[PublishedResult]) -> Section:
    """Show what published moments demand of the limb."""
    blocks: list[Block] = []
    for found in published:
        name = found.table.source
        heads = found.heads
        top = heads.groupby("head", sort=False)["activation"].max()
        working = list(top.index[top > WORKING])
        orders = found.orderings
        blocks += [
            Heading(text=name),
            Bullets(items=[*found.table.citations, *found.notes]),
            Table(
                frame=heads[heads["head"].isin(working)],
                caption=f"Heads from the moments of {name}, with 95 % intervals; heads above 5 % "
                "in some condition.",
            ),
        ]
        short = found.shortfalls
        blocks.append(
            Table(
                frame=short[["condition", "point", "balanced", "not_given", "share_short"]],
                caption=f"Rows balanced, and share of draws that fall short, {name}; where it is "
                "large, intervals pile up at full activation, and above 10 % an order is not "
                "called firm.",
            )
        )
        if not orders.empty:
            blocks.append(
                Table(
                    frame=orders[orders["head"].isin(working)],
                    caption=f"Orders between conditions, {name}: probability that the condition "
                    "is above the other, with the same draw for both and with independent draws.",
                )
            )
    return Section(
        title="Published tables",
        anchor="published",
        lead="Moments from another source, applied to the limb of one person of the study.",
        blocks=blocks,
    )

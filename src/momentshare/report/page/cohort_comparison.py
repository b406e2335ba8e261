"""Sections of a cohort that compare: conditions, EMG, changed inputs, published tables."""

from __future__ import annotations

from typing import TYPE_CHECKING

from momentshare.report.figures import style
from momentshare.report.page.cohort_captions import captioned
from momentshare.report.page.document import (
    Block,
    Bullets,
    Heading,
    Paragraph,
    Section,
    Table,
)
from momentshare.report.text.cohort_orders import WORKING

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pandas as pd

    from momentshare.cohort.summary import CohortSummary
    from momentshare.published import PublishedResult

__all__ = ["comparison", "emg_section", "published_section", "sensitivity_section"]

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
    """Compare the conditions, with tests if there are enough people."""
    blocks: list[Block] = []
    omnibus, contrasts = (summary.tables.get(name) for name in ("omnibus", "contrasts"))
    if omnibus is None or contrasts is None:
        blocks.append(
            Paragraph(text="There is only one condition, so there is nothing to compare.")
        )
    elif contrasts["p"].isna().all():
        note = next((text for text in omnibus["note"] if text), "no condition could be compared")
        blocks.append(Paragraph(text=f"No test was made. {note} omnibus.csv holds the notes."))
    else:
        blocks += _statistics_blocks(omnibus, contrasts, summary.mode)
    return Section(title="Comparison of conditions", anchor="comparison", blocks=blocks)


def _statistics_blocks(omnibus: pd.DataFrame, contrasts: pd.DataFrame, mode: str) -> list[Block]:
    whole = omnibus[omnibus["lateral"] == mode].drop(columns=["lateral"])
    pairs = contrasts[contrasts["lateral"] == mode].drop(columns=["lateral"])
    pairs = pairs.sort_values("p_paired_holm").head(_SHOWN_CONTRASTS)
    p_columns = {c: "p" for c in _OMNIBUS if c.startswith("p")}
    shown = [
        "outcome",
        "item",
        "condition",
        "other",
        "difference_mean",
        "difference_low",
        "difference_high",
        "p_paired_holm",
        "p_paired_holm_over_item",
        "hedges_g_z",
        "n_people",
        "n_same_direction",
        *(["limit"] if "limit" in pairs and pairs["limit"].any() else []),
    ]
    return [
        Table(
            frame=whole[_OMNIBUS],
            caption=f"Overall tests; lateral force {mode}. The last p allows for unequal "
            "variances of the differences (Greenhouse and Geisser). All columns in omnibus.csv.",
            formats=p_columns,
        ),
        Table(
            frame=pairs[shown],
            by="outcome",
            caption="Paired differences between conditions with the smallest adjusted p; lateral "
            f"force {mode}. All are in contrasts.csv, with those of the mixed model.",
            formats={"p_paired_holm": "p", "p_paired_holm_over_item": "p"},
            labels={
                "difference_mean": "difference",
                "difference_low": "low",
                "difference_high": "high",
                "p_paired_holm": "p (Holm)",
                "p_paired_holm_over_item": "p (Holm over all)",
                "hedges_g_z": "Hedges' g of the differences",
                "n_people": "people",
                "n_same_direction": "in this direction",
            },
        ),
    ]


def emg_section(summary: CohortSummary, pictures: Mapping[str, bytes]) -> Section:
    """Show EMG beside prediction, within each muscle."""
    from momentshare.emg import CAVEATS
    from momentshare.emg.compare import ORDERING_COLUMNS

    agreement = summary.tables["emg_agreement"]
    ordering = summary.tables.get("emg_ordering")
    shown = list(ORDERING_COLUMNS[: ORDERING_COLUMNS.index("agree") + 1])
    mode = f"lateral force {summary.mode}"
    return Section(
        title="EMG",
        anchor="emg",
        lead="Within a muscle across conditions only, never across muscles.",
        blocks=[
            *captioned("emg_curves", pictures),
            *captioned("emg_agreement", pictures),
            _pulled(summary.tables["emg_curves_by_person"], mode),
            Table(
                frame=agreement[
                    [
                        "head",
                        "condition",
                        "people",
                        *(f"{n}{e}" for n in ("r", "rmse", "difference") for e in _ENDS),
                    ]
                ],
                caption=f"Agreement along the lift, within each muscle: {mode}; means over people "
                "with Student's intervals. All columns in emg_agreement.csv.",
            ),
            *_emg_order(ordering, shown, mode),
            Bullets(items=[*CAVEATS, *_above_maximum(summary)]),
        ],
    )


def _pulled(curves: pd.DataFrame, mode: str) -> Table:
    """Lift means of EMG, the pure optimum and the optimum pulled toward EMG, side by side."""
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
                ("pulled_activation", "activation, pulled toward EMG"),
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
            "'open': an interval includes zero; 'agree' counts people.",
        )
    ]


_ENDS = ("", "_low", "_high")


def _above_maximum(summary: CohortSummary) -> list[str]:
    """State how often electromyograms exceed the maximal contraction that normalises them."""
    curves = summary.tables["emg_curves_by_person"]
    above = curves[curves["emg"] > 1.0]
    if above.empty:
        return []
    heads = ", ".join(style.head_label(str(h)) for h in dict.fromkeys(above["head"]))
    share = 100.0 * len(above) / len(curves)
    text = (
        f"The envelope exceeds the maximal contraction in {share:.1f} % of the curves' points, up "
        f"to {above['emg'].max():.2f} times ({heads}): the contraction was not maximal, or was "
        "made in another posture. trials.csv names the trials."
    )
    return [text]


def sensitivity_section(summary: CohortSummary, pictures: Mapping[str, bytes]) -> Section:
    """Show what changes when one input is changed."""
    orders = summary.tables.get("sensitivity_orders")
    blocks: list[Block] = [*captioned("sensitivity", pictures)]
    if orders is not None:
        mine = orders[orders["lateral"] == summary.mode]
        held = (
            mine.groupby("change", sort=False)["order_holds"]
            .agg(["sum", "size"])
            .reset_index()
            .rename(columns={"sum": "orders_that_hold", "size": "orders"})
        )
        blocks.append(
            Table(
                frame=held,
                caption="Orders of two conditions within a head that hold under each change.",
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
                "large, intervals pile up at full activation.",
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

"""The page of a cohort: methods with every setting, checks, tables, figures, limits, sources."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from momentshare.cautions import CAUTIONS
from momentshare.limits import merged_keys
from momentshare.report.figures.cohort import working_heads
from momentshare.report.page.cohort_captions import captioned
from momentshare.report.page.cohort_comparison import (
    comparison,
    emg_details,
    emg_section,
    every_comparison,
    published_section,
    sensitivity_section,
)
from momentshare.report.page.cohort_outcomes import every_outcome, outcomes_section
from momentshare.report.page.document import (
    Block,
    Heading,
    Page,
    Paragraph,
    Picture,
    Section,
    Table,
    Verdict,
    Verdicts,
)
from momentshare.report.page.parts import limits_section, made_by
from momentshare.report.text.cohort_findings import every_order, findings
from momentshare.report.text.cohort_methods import (
    cohort_citations,
    has_emg,
    methods_text,
    people_rows,
    settings_rows,
)
from momentshare.report.text.cohort_opening import cohort_opening
from momentshare.report.text.cohort_orders import WORKING, course_keys, order_keys
from momentshare.report.text.cohort_peers import never_possible, never_text
from momentshare.text import head_label

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pandas as pd

    from momentshare.cohort.run import CohortResult
    from momentshare.cohort.summary import CohortSummary
    from momentshare.published import PublishedResult

__all__ = ["cohort_page"]


def cohort_page(
    result: CohortResult,
    summary: CohortSummary,
    published: Sequence[PublishedResult],
    pictures: Mapping[str, bytes],
    trial_pictures: Mapping[int, bytes],
    arm: Block | None = None,
) -> Page:
    """Assemble the page.

    Parameters
    ----------
    result : CohortResult
    summary : CohortSummary
    published : sequence of PublishedResult
    pictures : mapping
        Name of a cohort figure → bytes of its PNG.
    trial_pictures : mapping
        Number of a trial → bytes of the PNG of its checks.
    arm : Block, optional
        The drawing of the arm, or why there is none.
    """
    file = result.study.file
    named = file.statistics.heads
    heads = summary.tables.get("heads") is not None
    methods = [Paragraph(text=text) for text in methods_text(result, summary)]
    sections = [
        findings(result, summary),
        Section(title="Methods", anchor="methods", blocks=methods),
    ]
    opening, first = cohort_opening(result, summary, published), "activation_by_head"
    if heads:
        sections += [
            _motion(summary, pictures),
            *([] if file.statistics.outcomes else [comparison(summary)]),
            _heads(summary, pictures, named, arm),
        ]
    if "outcomes" in summary.tables:
        sections.append(outcomes_section(result, summary, pictures))
    if "emg_agreement" in summary.tables:
        sections.append(emg_section(summary, pictures))
    sections.append(limits_section(result.model, _own(result), _concerned(summary)))
    appendix = []
    if result.outcomes:
        appendix.append(_trials(result, summary, pictures, trial_pictures))
    if heads:
        more = [every_order(summary), every_comparison(summary)]
        appendix += [
            *_motion_details(pictures),
            _every_head(summary, pictures),
            *(section for section in more if section is not None),
        ]
    if "outcomes" in summary.tables:
        appendix.append(every_outcome(result, summary, pictures))
    if "emg_agreement" in summary.tables:
        appendix.append(emg_details(summary, pictures))
    if published:
        appendix.append(published_section(published))
    if "sensitivity" in summary.tables:
        appendix.append(sensitivity_section(summary, pictures))
    appendix.append(_settings(result))
    return Page(
        title=file.title,
        subtitle=file.note,
        opening=opening.labelled(),
        picture=next((p for p in captioned(first, pictures) if isinstance(p, Picture)), None),
        sections=[*sections, *appendix],
        appendix=appendix[0].anchor,
        sources_bibtex=cohort_citations(result).bibtex(),
        cautions=CAUTIONS,
        made_by=made_by(result.model, result.study.digest),
    )


def _settings(result: CohortResult) -> Section:
    import pandas as pd

    blocks: list[Block] = [
        Table(
            frame=pd.DataFrame(people_rows(result)),
            caption="People; sizes that were not measured are estimated from stature.",
        ),
        Table(
            frame=pd.DataFrame(settings_rows(result)),
            caption="Every setting of the study; landmarks of the layouts are in run.json.",
        ),
    ]
    return Section(title="People and settings", anchor="settings", blocks=blocks)


def _trials(
    result: CohortResult,
    summary: CohortSummary,
    pictures: Mapping[str, bytes],
    trial_pictures: Mapping[int, bytes],
) -> Section:
    trials = summary.tables["trials"]
    blocks: list[Block] = [
        Table(
            frame=trials[
                [
                    "trial",
                    "person",
                    "condition",
                    "load_kg",
                    "repetitions_used",
                    "verdict",
                    "limb_verdict",
                    "frames_short",
                    "counted",
                    "checks_possible",
                    "reason",
                ]
            ],
            caption="Trials.",
            highlight={"verdict": list(trials["verdict"].isin(["fail", "skipped", "not used"]))},
        ),
        *captioned("checks", pictures),
    ]
    checks = summary.tables.get("checks")
    if checks is not None:
        never = checks["check"].isin(never_possible(checks))
        blocks.append(_limits_of_checks(checks[~never]))
        if never.any():
            blocks.append(Paragraph(text=never_text(checks)))
        peers = summary.tables.get("peers")
        if peers is not None and peers["stands_out"].any():
            blocks.append(
                Table(
                    frame=peers[peers["stands_out"]].drop(columns="stands_out"),
                    caption="Who stands out from the others, whatever the limits: the median of "
                    "a person's trials beside that of the other people and their spread "
                    "(1.48 × median absolute deviation, at least 5 % of the limit of the check, so "
                    "that a few people who lie close together make nobody stand out).",
                )
            )
        bad = checks[checks["verdict"].isin(["warn", "fail"])]
        rows = [
            Verdict(
                name=f"{row['person']}, {row['condition']}: {row['check']}",
                value=f"{row['value']:.3g} {row['unit']}",
                limit=f"{row['limit']:g} (fails above {row['worst']:g})",
                verdict=str(row["verdict"]),
                note=str(row["note"]),
            )
            for _, row in bad.iterrows()
        ]
        if rows:
            blocks.append(Verdicts(rows=rows, caption="Checks that did not pass"))
    notes = {o.number: o for o in result.solved}
    for number, image in trial_pictures.items():
        who = notes[number]
        caption = f"Checks of trial {number} that warn or fail: {who.person}, {who.condition}."
        blocks.append(Picture(image=image, alt=caption, caption=caption))
    return Section(
        title="Trials and checks",
        anchor="trials",
        lead="Checks were made before anything was solved; their limits are assumed, and they flag "
        "without correcting.",
        blocks=blocks,
    )


def _limits_of_checks(checks: pd.DataFrame) -> Table:
    """Give the limits of every check with the outcome of the trials."""
    import pandas as pd

    rows = []
    for name, part in checks.groupby("check", sort=False):
        verdicts = part["verdict"]
        row: dict[str, Any] = {
            "check": name,
            "passes_up_to": part["limit"].iloc[0],
            "fails_above": part["worst"].iloc[0],
            "unit": part["unit"].iloc[0],
            "greatest": part["value"].max(),
        }
        for verdict in ("pass", "warn", "fail", "not possible"):
            row[verdict] = int((verdicts == verdict).sum())
        rows.append(row)
    plain = dict.fromkeys(("passes_up_to", "fails_above", "greatest"), ".3g")
    return Table(
        frame=pd.DataFrame(rows),
        caption="Limits of the checks and the number of trials with each verdict.",
        formats=plain,
    )


def _motion(summary: CohortSummary, pictures: Mapping[str, bytes]) -> Section:
    events = summary.tables["events"]
    events = events[events["counted"]]
    marks = ["first_peak_percent", "minimum_percent", "second_peak_percent"]
    shown = events.copy()
    shown.loc[~shown["sticking_region"], marks] = float("nan")
    columns = ["duration_s", "peak_speed_mps", *marks]
    own = shown.groupby(["condition", "person"], sort=False, observed=True)[columns].mean()
    table = own.groupby("condition", sort=False, observed=True).mean().reset_index()
    counts = events.groupby("condition", sort=False, observed=True)["sticking_region"]
    table.insert(1, "repetitions", counts.size().to_numpy())
    table["with_sticking_region"] = counts.sum().to_numpy()
    table = table.drop(columns=[name for name in marks if table[name].isna().all()])
    return Section(
        title="Motion, moments and hand force",
        anchor="motion",
        blocks=[
            Table(
                frame=table,
                caption="Events by condition, means over people"
                + (
                    "; percent of the lift's time, over lifts with a sticking region."
                    if set(marks) & set(table.columns)
                    else "."
                ),
            ),
            *captioned("moments", pictures),
            *captioned("lateral_ratio", pictures),
        ],
    )


def _motion_details(pictures: Mapping[str, bytes]) -> list[Section]:
    """Show the course of the speed, where it was drawn."""
    blocks = captioned("speed", pictures)
    return [Section(title="Speed", anchor="speed", blocks=blocks)] if blocks else []


def _activation_table(summary: CohortSummary, what: str, heads: Sequence[str]) -> Table:
    """Give lift-mean activation, one line per head and one column per condition."""
    table = summary.tables["heads"]
    mine = table[(table["lateral"] == summary.mode) & table["head"].isin(heads)]
    wide = mine.pivot_table(
        index="head", columns="condition", values="mean_activation_mean", sort=False, observed=True
    ).reset_index()
    wide.columns.name = None
    names = [name for name in wide.columns if name != "head"]
    wide[names] = 100.0 * wide[names]
    formats = dict.fromkeys(names, ".0f")
    notes = ""
    if keys := _keys(mine, summary):
        wide["limit"] = wide["head"].map(keys).fillna("")
        notes = "; ".join(summary.limits.notes(keys.values()))
    return Table(
        frame=wide,
        caption=f"Lift-mean activation [%] of {what}, mean over people; lateral force "
        f"{summary.mode}. A limit is of the activation itself, or of how it changes between these "
        "conditions.",
        formats=formats,
        note=notes,
    )


def _heads(
    summary: CohortSummary,
    pictures: Mapping[str, bytes],
    named: Sequence[str],
    arm: Block | None,
) -> Section:
    """Show the arm, and the heads that the study named, or else those that work."""
    what = "the heads named beforehand" if named else "heads above 5 % in some condition"
    shown = named or working_heads(summary)
    drawn = [] if arm is None else [arm]
    return Section(
        title="Heads",
        anchor="heads",
        blocks=[
            _activation_table(summary, f"{what} (all heads are in the appendix)", shown),
            *(captioned("head_activation_named", pictures) if named else []),
            *drawn,
        ],
    )


def _every_head(summary: CohortSummary, pictures: Mapping[str, bytes]) -> Section:
    """Show all heads, and what treatments of the lateral force and the glenoid change."""
    table = summary.tables["heads"]
    modes = table.pivot_table(
        index=["head", "condition"],
        columns="lateral",
        values="mean_activation_mean",
        sort=False,
        observed=True,
    ).reset_index()
    modes.columns.name = None
    modes = modes[modes.drop(columns=["head", "condition"]).max(axis=1) > WORKING]
    treatments = [name for name in modes.columns if name not in {"head", "condition"}]
    modes = modes.assign(**{name: 100.0 * modes[name] for name in treatments})
    return Section(
        title="All heads",
        anchor="all-heads",
        blocks=[
            _activation_table(summary, "each head", list(table["head"].unique())),
            *captioned("head_activation", pictures),
            *captioned("head_forces", pictures),
            Heading(text="What the force along the bar changes"),
            Table(
                frame=modes,
                caption="Lift-mean activation [%] by treatment of the lateral force; heads above "
                "5 % in one of them.",
                formats=dict.fromkeys(treatments, ".0f"),
            ),
            *_glenoid(summary),
        ],
    )


def _keys(mine: pd.DataFrame, summary: CohortSummary) -> dict[str, str]:
    """Keys of the limits of heads, and of their orders where several conditions are shown."""
    found = order_keys(summary) if len(set(mine["condition"])) > 1 else {}
    own = mine.groupby("head", sort=False, observed=True)["limit"] if "limit" in mine else ()
    for head, part in own:
        found[str(head)] = merged_keys([*part, found.get(str(head), "")])
    return {head: keys for head, keys in found.items() if keys}


def _glenoid(summary: CohortSummary) -> list[Block]:
    """Show what the stability limits of the glenoid change, if they were requested."""
    table = summary.tables.get("glenoid_heads")
    if table is None:
        return []
    mine = table[table["lateral"] == summary.mode].drop(columns=["lateral"])
    return [
        Table(
            frame=mine[
                mine[["mean_activation", "mean_activation_within_limits"]].max(axis=1) > WORKING
            ],
            caption="Lift-mean activation without and within the stability limits of the glenoid; "
            f"lateral force {summary.mode}.",
        )
    ]


def _concerned(summary: CohortSummary) -> list[str]:
    """Keys of the limits of working heads, of their orders and of their courses."""
    table = summary.tables.get("heads")
    if table is None or "limit" not in table:
        return []
    heads, found = working_heads(summary), order_keys(summary)
    own = table.loc[table["head"].isin(heads), "limit"]
    courses = [keys for (head, _), keys in course_keys(summary).items() if head in heads]
    return [*own, *(found.get(head, "") for head in heads), *courses]


def _own(result: CohortResult) -> list[str]:
    """Limits that this run itself has revealed."""
    heads = sorted({h for o in result.counted for h in o.record.get("doubtful_heads", ())})
    notes = []
    if heads:
        names = "; ".join(head_label(head) for head in heads)
        notes.append(
            "In some frame the path of these heads lies in a surface or near a change of side, so "
            f"their numbers cannot be trusted there: {names}."
        )
    if any(layout.forces for layout in result.study.file.layout):
        notes.append(
            "A bar in equilibrium looks the same with the forces of the two hands exchanged or the "
            "axis along it reversed. No check detects this; only the sign of the lateral ratio "
            "shows it, compared with what is known of the grip."
        )
    if has_emg(result):
        notes.append(
            "No check of a trial sees the clock of the electromyograms; it shows only where a "
            "person differs from the others (peers.csv)."
        )
    return notes

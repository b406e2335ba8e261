"""``momentshare limb``: a limb of one's own, looked at or solved."""

from __future__ import annotations

import math
from pathlib import Path  # noqa: TC003 - typer reads the annotations
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from momentshare.cli.tables import echo, folder_for, print_json

if TYPE_CHECKING:
    import pandas as pd
    from rich.console import Console

    from momentshare.files import RunFolder
    from momentshare.linkage import Linkage, LinkageResult

__all__ = ["limb"]

_LARGEST_EXPONENT, _HEAVIEST = 400.0, 2000.0
"""Limits of study files too: beyond them rounding decides."""

_FILES = (
    "limb_heads.csv", "limb_rows.csv", "limb_joints.csv", "limb_criteria.csv", "report.html",
    "sources.bib", "limb.json",
)  # fmt: skip


def limb(
    model: Annotated[
        str,
        typer.Argument(
            metavar="LIMB",
            help="A shipped limb (textbook_arm, leg, finger, elbow_by_table) or a folder (./own).",
        ),
    ],
    angles: Annotated[
        Path | None, typer.Option("--angles", help="Joint angles over time (CSV).")
    ] = None,
    mass: Annotated[float, typer.Option("--mass", help="Mass that is carried at --at [kg].")] = 0.0,
    at: Annotated[
        str, typer.Option("--at", help="Site at which mass and force act; the end if left out.")
    ] = "",
    exponent: Annotated[
        float, typer.Option("--exponent", help="p of the criterion, above 1; inf for min-max.")
    ] = 2.0,
    weights: Annotated[
        str, typer.Option("--weights", help="Weights of the criterion: area, volume or none.")
    ] = "area",
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON for machines.")] = False,
    out: Annotated[Path | None, typer.Option("--out", help="Folder for the results.")] = None,
) -> None:
    """Check the folder of a limb of your own and, with --angles, solve it.

    Without --angles it lists joints, rows and heads, and how its numbers are known.
    """
    from momentshare.cli.tables import console
    from momentshare.errors import InputError
    from momentshare.linkage import load_linkage

    linkage = load_linkage(model)
    criterion = _criterion(exponent, weights)
    if not 0.0 <= mass <= _HEAVIEST:
        raise InputError(f"--mass: must be between 0 and {_HEAVIEST:g} kg; got {mass:g}")
    if angles is None:
        if out is not None or mass or at:
            raise InputError("--out, --mass and --at count for a motion; give --angles as well")
        if as_json:
            print_json(_identity(linkage))
        else:
            _describe(console(), linkage)
        return
    options: dict[str, Any] = {
        "limb": linkage.digest,
        "angles": angles.name,
        "mass": mass,
        "at": at,
        "exponent": exponent,
        "weights": weights,
    }
    with folder_for(out, "limb", study=options, names=_FILES) as run:
        from momentshare.report.text.linkage_opening import criteria_table

        result = _solve(linkage, angles, mass, at, criterion)
        criteria = criteria_table(result, criterion)
        record = _record(result, options)
        if as_json:
            print_json(record)
        else:
            _show(console(), result, criteria)
        if run is not None:
            files = _write(run, result, criteria, record)
            if not as_json:
                echo(f"Wrote {len(files)} files to {out}. Open {run.path / 'report.html'}")


def _write(
    run: RunFolder, result: LinkageResult, criteria: pd.DataFrame, record: dict[str, Any]
) -> list[str]:
    from functools import partial

    from momentshare.report.figures.linkage import activation_figure, moment_figure
    from momentshare.report.page.document import render
    from momentshare.report.page.linkage import CAPTIONS, linkage_page
    from momentshare.report.text.linkage_opening import linkage_title
    from momentshare.report.writing.citations import citations
    from momentshare.report.writing.drawings import write_drawings

    bibtex = citations(result.linkage, _keys(result)).bibtex()
    drawings = [partial(activation_figure, result, linkage_title(criteria))]
    drawings += [partial(moment_figure, result)]
    with run.results() as writer:
        writer.csv("limb_heads.csv", result.head_table())
        writer.csv("limb_rows.csv", result.row_table())
        writer.csv("limb_joints.csv", result.joint_table())
        writer.csv("limb_criteria.csv", criteria)
        writer.text("sources.bib", bibtex)
        pictures: dict[str, bytes] = {}
        if result.posed.any():
            shown = [*result.linkage.head_names, *result.linkage.row_names]
            named = dict(zip(CAPTIONS, drawings, strict=True))
            pictures = write_drawings(writer, named, shown, dpi=130)
        page = linkage_page(result, criteria, record["settings"], bibtex, pictures)
        writer.text("report.html", render(page))
        writer.json("limb.json", record | {"files": sorted([*writer.names, "limb.json"])})
    return list(writer.names)


def _criterion(exponent: float, weights: str) -> Any:
    from momentshare.balance import Criterion
    from momentshare.errors import InputError

    if not (1.01 <= exponent <= _LARGEST_EXPONENT or exponent == math.inf):
        raise InputError(
            f"--exponent: must be between 1.01 and {_LARGEST_EXPONENT:g}, or inf; got {exponent:g}"
        )
    kinds: dict[str, Literal["area", "volume", "none"]] = {
        "area": "area",
        "volume": "volume",
        "none": "none",
    }
    if weights not in kinds:
        raise InputError(f"--weights: must be area, volume or none; got {weights!r}")
    return Criterion(exponent=exponent, weights=kinds[weights])


def _solve(linkage: Linkage, angles: Path, mass: float, at: str, criterion: Any) -> LinkageResult:
    from momentshare.errors import InputError
    from momentshare.linkage import EndLoad, solve_linkage
    from momentshare.linkage.motion import read_motion

    motion = read_motion(angles, linkage)
    if motion.moments is not None and (mass or at):
        raise InputError(
            f"--mass and --at: {angles} gives net moments, so loads would not count; drop one"
        )
    loaded = mass or motion.force is not None or at
    return solve_linkage(
        linkage,
        motion.angles,
        rate=motion.rate,
        loads=EndLoad(mass=mass, force=motion.force, site=at) if loaded else (),
        moments=motion.moments,
        criterion=criterion,
    )


def _keys(result: LinkageResult) -> set[str]:
    from momentshare.muscle import curve_set

    return {*result.linkage.source_keys(), curve_set(result.curves).source_key}


def _identity(linkage: Linkage) -> dict[str, Any]:
    return {
        "record_version": 1,
        "limb": {
            "name": linkage.name,
            "version": linkage.version,
            "description": linkage.description,
            "digest": linkage.digest,
            "joints": {joint.name: joint.type for joint in linkage.joints},
            "rows": list(linkage.row_names),
            "balanced": [r.name for r in linkage.rows if r.balanced],
            "heads": list(linkage.head_names),
            "numbers_by_kind": dict(sorted(linkage.kinds().items())),
        },
    }


def _record(result: LinkageResult, options: dict[str, Any]) -> dict[str, Any]:
    import numpy as np

    from momentshare.cautions import CAUTIONS
    from momentshare.report.text.linkage_opening import OWN
    from momentshare.report.writing.citations import citations

    names, counts = np.unique(result.status, return_counts=True)
    given = {name: value for name, value in options.items() if name != "limb"}
    given["exponent"] = str(given["exponent"])
    return {
        **_identity(result.linkage),
        "settings": {**given, "curves": result.curves},
        "frames": len(result.angles),
        "timed": result.time is not None,
        "status": {str(n): int(c) for n, c in zip(names, counts, strict=True)},
        **citations(result.linkage, _keys(result)).to_dict(),
        "cautions": [OWN, *CAUTIONS],
    }


def _describe(screen: Console, linkage: Linkage) -> None:
    """Print what a limb is made of."""
    from rich.table import Table
    from rich.text import Text

    from momentshare.text import for_terminal

    def plain(text: str) -> Text:
        return Text(for_terminal(text, 200))

    screen.print(plain(f"{linkage.name}, version {linkage.version}: {linkage.description}"))
    view = Table(title="Joints and rows", title_justify="left")
    for heading in ("joint", "type", "carries", "row", "from [deg]", "to [deg]", "balanced"):
        view.add_column(Text(heading))
    for joint in linkage.joints:
        for k in linkage.joint_rows(joint.name):
            row = linkage.rows[k]
            low, high = row.limits_deg
            view.add_row(
                *map(plain, (joint.name, joint.type, joint.body, row.name)),
                f"{low:g}",
                f"{high:g}",
                "yes" if row.balanced else "no",
            )
    screen.print(view)
    heads = Table(title="Heads", title_justify="left")
    for heading in ("head", "path", "crosses"):
        heads.add_column(Text(heading))
    for head in linkage.heads:
        lines = f"{len(head.lines)} lines" if len(head.lines) > 1 else "one line"
        path = "table of arms" if head.arms else lines
        heads.add_row(plain(head.name), path, plain(", ".join(linkage.crossed(head))))
    screen.print(heads)
    kinds = ", ".join(f"{count} {kind}" for kind, count in sorted(linkage.kinds().items()))
    screen.print("The files hold no fault. Numbers by kind, a point or an axis counted as one:")
    screen.print(plain(f"{kinds}."))


def _show(screen: Console, result: LinkageResult, criteria: pd.DataFrame) -> None:
    """Print the answer: the statements, moments by row, then heads, the most active first."""
    import numpy as np
    from rich.table import Table
    from rich.text import Text

    from momentshare.report.text.linkage_opening import linkage_opening
    from momentshare.report.text.opening import print_opening
    from momentshare.report.text.terminal import print_cautions
    from momentshare.text import for_terminal, head_label

    print_opening(screen, linkage_opening(result, criteria))

    names, counts = np.unique(result.status, return_counts=True)
    told = ", ".join(f"{count} {name}" for name, count in zip(names, counts, strict=True))
    timed = "held still in each frame" if result.time is None else "in motion"
    front = f"{head_label(result.linkage.name)}: {len(result.angles)} frames, {timed}: {told}."
    screen.print(Text(for_terminal(front, 300)))
    if not result.posed.any():
        return
    good = result.posed
    view = Table(title="Net moments", title_justify="left")
    for heading in ("row", "least [N·m]", "greatest [N·m]", "most unmet [N·m]"):
        view.add_column(Text(heading), justify="left" if heading == "row" else "right")
    unmet = result.unmet
    for k, row in enumerate(result.linkage.row_names):
        moment, missing = result.moments[good, k], np.abs(unmet[good, k])
        worst = "not balanced" if np.isnan(missing).all() else f"{np.nanmax(missing):.2f}"
        view.add_row(
            Text(for_terminal(head_label(row))), f"{moment.min():.2f}", f"{moment.max():.2f}", worst
        )
    screen.print(view)
    heads = Table(title="Heads", title_justify="left")
    for heading in ("head", "mean activation [%]", "peak activation [%]", "peak force [N]"):
        heads.add_column(Text(heading), justify="left" if heading == "head" else "right")
    mean = result.activation[good].mean(axis=0)
    for h in np.argsort(-mean, kind="stable"):
        heads.add_row(
            Text(for_terminal(head_label(result.linkage.head_names[h]))),
            f"{100.0 * mean[h]:.1f}",
            f"{100.0 * result.activation[good, h].max():.1f}",
            f"{result.force[good, h].max():.1f}",
        )
    screen.print(heads)
    print_cautions(screen)

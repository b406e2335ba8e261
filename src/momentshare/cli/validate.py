"""``momentshare validate``: published values beside the model's own."""

from __future__ import annotations

from functools import partial
from pathlib import Path  # noqa: TC003 - typer reads the annotations
from typing import TYPE_CHECKING, Annotated

import typer

from momentshare.cli.tables import echo

if TYPE_CHECKING:
    import pandas as pd
    from rich.console import Console

    from momentshare.files import RunFolder
    from momentshare.model import Model

__all__ = ["validate"]


def validate(
    model: Annotated[
        str, typer.Argument(metavar="MODEL", help="Shipped model, or the path of a folder.")
    ] = "reference_limb",
    out: Annotated[
        Path | None,
        typer.Option("--out", help="Folder for the table and figures of every moment arm."),
    ] = None,
    null_limbs: Annotated[
        int,
        typer.Option(
            "--null-limbs",
            min=0,
            max=1000,
            help="Compute this many null limbs (about 3 s each) in place of the stored ones.",
        ),
    ] = 0,
    drawn_limbs: Annotated[
        int,
        typer.Option(
            "--drawn-limbs",
            min=0,
            max=1000,
            help="Draw this many limbs within the model's spreads (about 5 s each) in place of the "
            "stored ones.",
        ),
    ] = 0,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON for machines.")] = False,
) -> None:
    """Compare a limb with published values; the misses come first."""
    from momentshare.cli.tables import console, folder_for
    from momentshare.model import load_model
    from momentshare.report.page.validation import validation_opening
    from momentshare.report.text.limb import print_validation
    from momentshare.report.text.opening import print_opening
    from momentshare.validation.drawn import drawn_csv, drawn_values, read_drawn
    from momentshare.validation.null import null_csv, null_right, read_marks
    from momentshare.validation.published import load_published_rows
    from momentshare.validation.table import validation_record, validation_table
    from momentshare.validation.targets import load_targets

    source = load_model(model)
    screen = console()
    targets = load_targets(source)
    load_published_rows(source, {t.id for t in targets})
    about = {
        "model": source.name,
        "model_digest": source.digest,
        "null_limbs": null_limbs,
        "drawn_limbs": drawn_limbs,
    }
    with folder_for(out, "validate", study=about, names=["validation.csv"]) as run:
        made: dict[str, str] = {}
        if null_limbs:
            with screen.status("null limbs"):
                made["null_limb.csv"] = null_csv(targets, null_right(source, targets, null_limbs))
        if drawn_limbs:
            with screen.status("drawn limbs"):
                values = drawn_values(source, targets, drawn_limbs)
                made["drawn_limbs.csv"] = drawn_csv(targets, values)
        with screen.status("comparing"):
            table = validation_table(
                source,
                read_marks(made["null_limb.csv"]) if null_limbs else None,
                read_drawn(made["drawn_limbs.csv"]) if drawn_limbs else None,
            )
        opening = validation_opening(source, table)
        if as_json:
            import json

            typer.echo(json.dumps(validation_record(source, table), indent=2, ensure_ascii=False))
        else:
            print_opening(screen, opening)
            print_validation(screen, source, table)
        if run is not None:
            names = _write(run, source, table, made, screen)
            if not as_json:
                echo(f"Wrote {', '.join(names)} to {out}")


def _write(
    run: RunFolder, model: Model, table: pd.DataFrame, made: dict[str, str], screen: Console
) -> list[str]:
    from momentshare.limb import build_limb
    from momentshare.report.figures.moment_arms import write_arm_figures
    from momentshare.report.figures.validation import agreement_figure, scores_figure
    from momentshare.report.page.document import render
    from momentshare.report.page.validation import validation_page
    from momentshare.report.text.limb import write_validation
    from momentshare.report.writing.drawings import write_drawings
    from momentshare.validation.agreement import agreements
    from momentshare.validation.evaluate import average_person
    from momentshare.validation.scores import scores

    with run.results() as writer:
        write_validation(model, table, writer)
        drawings = {"scores": partial(scores_figure, scores(table))}
        if found := agreements(table):
            drawings["agreement"] = partial(agreement_figure, found)
        pictures = write_drawings(writer, drawings)
        writer.text("report.html", render(validation_page(model, table, pictures)))
        for name, text in made.items():
            writer.text(name, text)
        with screen.status("moment arms"):
            write_arm_figures(build_limb(average_person(model, "male"), model), writer)
    return list(writer.names)

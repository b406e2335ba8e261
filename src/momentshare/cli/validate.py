"""``momentshare validate``: published values beside the model's own."""

from __future__ import annotations

from pathlib import Path  # noqa: TC003 - typer reads the annotations
from typing import Annotated

import typer

from momentshare.cli.tables import echo

__all__ = ["validate"]


def validate(
    model: Annotated[
        str, typer.Argument(help="Shipped model, or the path of a folder.")
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
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON for machines.")] = False,
) -> None:
    """Compare a limb with published values; the misses come first."""
    from momentshare.cli.tables import console
    from momentshare.model import load_model
    from momentshare.report.limb_tables import print_validation, write_validation
    from momentshare.report.write import prepare_folder
    from momentshare.validation.null import null_csv, null_right, read_marks
    from momentshare.validation.published import load_published_rows
    from momentshare.validation.table import validation_record, validation_table
    from momentshare.validation.targets import load_targets

    source = load_model(model)
    if out is not None:
        prepare_folder(out)
    screen = console()
    targets = load_targets(source)
    load_published_rows(source, {t.id for t in targets})
    marks = None
    if null_limbs:
        with screen.status("null limbs"):
            marks = null_csv(targets, null_right(source, targets, null_limbs))
    with screen.status("comparing"):
        table = validation_table(source, None if marks is None else read_marks(marks))
    if as_json:
        import json

        typer.echo(json.dumps(validation_record(source, table), indent=2, ensure_ascii=False))
    else:
        print_validation(screen, source, table)
    if out is not None:
        from momentshare.limb import build_limb
        from momentshare.report.arm_figures import write_arm_figures
        from momentshare.validation.evaluate import average_person

        names = write_validation(source, table, out)
        if marks is not None:
            (out / "null_limb.csv").write_text(marks, encoding="utf-8")
            names.append("null_limb.csv")
        with screen.status("moment arms"):
            names += write_arm_figures(build_limb(average_person(source, "male"), source), out)
        if not as_json:
            echo(f"Wrote {', '.join(names)} to {out}")

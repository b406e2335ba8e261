"""``momentshare calibrate``: fit a limb to its published targets."""

from __future__ import annotations

from pathlib import Path  # noqa: TC003 - typer reads the annotations
from typing import TYPE_CHECKING, Annotated

import typer

from momentshare.cli.tables import echo

if TYPE_CHECKING:
    from momentshare.calibration import Calibration
    from momentshare.files import RunFolder

__all__ = ["calibrate"]


def calibrate(
    model: Annotated[
        str, typer.Argument(metavar="MODEL", help="Shipped model, or the path of a folder.")
    ] = "reference_limb",
    out: Annotated[
        Path | None, typer.Option("--out", help="Folder for calibrated.csv and the report.")
    ] = None,
    rounds: Annotated[
        int,
        typer.Option("--rounds", min=1, help="Maximum number of steps of each of the two fits."),
    ] = 60,
) -> None:
    """Fit attachments, surface radii and strength factors to the rows marked calibration.

    Starts from the described limb, whatever was fitted before. Copy calibrated.csv from OUT
    into a model folder to use it.
    """
    from momentshare.calibration import calibrate as fit
    from momentshare.calibration.write import CALIBRATED
    from momentshare.cli.tables import console, folder_for
    from momentshare.model import load_model
    from momentshare.report.page.calibration import calibration_opening
    from momentshare.report.text.limb import print_calibration
    from momentshare.report.text.opening import print_opening

    screen = console()
    source = load_model(model, calibrated=False)
    about = {"model": source.name, "model_digest": source.digest, "rounds": rounds}
    with folder_for(out, "calibrate", study=about, names=[CALIBRATED]) as run:
        with screen.status("fitting") as status:
            done = fit(
                source,
                rounds=rounds,
                progress=lambda step, count: status.update(f"fitting {step}: {count} evaluations"),
            )
        print_opening(screen, calibration_opening(done))
        print_calibration(screen, done)
        if run is not None:
            names = _write(run, done)
            echo(f"Wrote {', '.join(names)} to {out}")


def _write(run: RunFolder, done: Calibration) -> list[str]:
    from functools import partial

    from momentshare.calibration.write import write_calibration
    from momentshare.report.figures.calibration import fit_figure
    from momentshare.report.page.calibration import calibration_page
    from momentshare.report.page.document import render
    from momentshare.report.writing.drawings import write_drawings

    with run.results() as writer:
        write_calibration(done, writer)
        figures = {"fit": partial(fit_figure, done)}
        pictures = write_drawings(writer, figures, dpi=130)
        writer.text("report.html", render(calibration_page(done, pictures["fit"])))
    return sorted(writer.names)

"""``momentshare calibrate``: fit a limb to its published targets."""

from __future__ import annotations

from pathlib import Path  # noqa: TC003 - typer reads the annotations
from typing import Annotated

import typer

from momentshare.cli.tables import echo

__all__ = ["calibrate"]


def calibrate(
    model: Annotated[
        str, typer.Argument(help="Shipped model, or the path of a folder.")
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
    from momentshare.calibration.write import CALIBRATED, write_calibration
    from momentshare.cli.tables import console, folder_for
    from momentshare.model import load_model
    from momentshare.report.text.limb import print_calibration

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
        print_calibration(screen, done)
        if run is not None:
            with run.results() as writer:
                names = write_calibration(done, writer)
            echo(f"Wrote {', '.join(names)} to {out}")

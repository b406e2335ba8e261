"""Commands. Heavy libraries are imported inside them, so that ``--help`` is quick."""

from __future__ import annotations

import _thread
import io
import os
import signal
import sys
import threading
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from momentshare.cli.calibrate import calibrate
from momentshare.cli.check import check
from momentshare.cli.cohort import cohort, run_and_write
from momentshare.cli.explain import explain
from momentshare.cli.explore import explore
from momentshare.cli.help import show_help
from momentshare.cli.inspect import inspect
from momentshare.cli.limb import limb
from momentshare.cli.maximal import maximal_lift
from momentshare.cli.people import people
from momentshare.cli.strength import strength
from momentshare.cli.tables import (
    Conditions,
    NullLimbs,
    People,
    echo,
    progress_bar,
    solve_null_limbs,
)
from momentshare.cli.tutorial import tutorial
from momentshare.cli.uncertainty import uncertainty
from momentshare.cli.validate import validate
from momentshare.cli.warm_up import warm_up
from momentshare.errors import MomentshareError

if TYPE_CHECKING:
    from momentshare.study import Study

__all__ = ["app", "main"]

app = typer.Typer(
    name="momentshare",
    help="From net joint moments to the load on each muscle head in pressing exercises.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

Out = Annotated[Path, typer.Option("--out", help="Folder for the results.")]
Quiet = Annotated[bool, typer.Option("--quiet", help="Print nothing but errors.")]
NoFigures = Annotated[bool, typer.Option("--no-figures", help="Write tables only.")]


def _version(value: bool) -> None:
    if value:
        from importlib import metadata

        echo(f"momentshare {metadata.version('momentshare')}")
        raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_version, is_eager=True, help="Print the version."),
    ] = False,
    debug: Annotated[bool, typer.Option("--debug", help="Show the traceback of an error.")] = False,
) -> None:
    """Hold the options that precede every command."""
    del version, debug


@app.command()
def demo(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="Folder for the study and its results.")
    ],
    lab: Annotated[
        bool,
        typer.Option(
            "--lab",
            help="The invented laboratory study (C3D, CSV, Parquet) instead of the planned one.",
        ),
    ] = False,
    no_figures: NoFigures = False,
    quiet: Quiet = False,
) -> None:
    """Write the invented demo study into FOLDER and run it."""
    from momentshare.demo import demo_text
    from momentshare.errors import InputError
    from momentshare.files import given_files
    from momentshare.inputs import STUDY, read_bytes
    from momentshare.study import load_study

    if lab:
        from momentshare.demo.lab import write_lab

        place = write_lab(folder)
        run_and_write(place, folder / "results", figures=not no_figures, quiet=quiet)
        return
    study, text = folder / "study.toml", demo_text().encode()
    if study.is_file() and not study.is_symlink() and read_bytes(study, STUDY) != text:
        raise InputError(
            f"{study}: exists and is not the demo; run 'momentshare compare {study} --out "
            f"{folder / 'results'}', or choose another folder"
        )
    with given_files(folder, {study.name: text}):
        pass
    _compare(load_study(study), folder / "results", figures=not no_figures, quiet=quiet)


@app.command()
def compare(
    study: Annotated[Path, typer.Argument(metavar="STUDY.toml", help="Study file (TOML).")],
    out: Out,
    effects: Annotated[
        bool,
        typer.Option(
            "--effects",
            help="Also show the effects of passive force, elastic tendon, curves, speed and "
            "scapula.",
        ),
    ] = False,
    person: People = None,
    condition: Conditions = None,
    no_band: Annotated[
        bool,
        typer.Option(
            "--no-band",
            help="Leave out the band of the posture rule (some ten times as many lifts).",
        ),
    ] = False,
    null_limbs: NullLimbs = 0,
    no_figures: NoFigures = False,
    quiet: Quiet = False,
) -> None:
    """Run a STUDY: activation of each head, net moments, lateral range and greatest load.

    Tables give activation as 0 to 1, figures and this summary in per cent.
    """
    from momentshare.study import load_study

    chosen = load_study(study).only(person or (), condition or ())
    _compare(
        chosen,
        out,
        figures=not no_figures,
        quiet=quiet,
        effects=effects,
        band=not no_band,
        null_limbs=null_limbs,
    )


def _compare(
    study: Study,
    out: Path,
    *,
    figures: bool,
    quiet: bool,
    effects: bool = False,
    band: bool = True,
    null_limbs: int = 0,
) -> None:
    from momentshare.cli.tables import console, held_folder
    from momentshare.report.writing.drawings import drawing_processes
    from momentshare.report.writing.study_figures import figures_ahead
    from momentshare.report.writing.study_folder import COMPARE, folder_options, is_long
    from momentshare.runs import shelf_in
    from momentshare.study import plan_study

    planned = plan_study(study)
    with (
        held_folder(out, COMPARE, **folder_options(study, planned.model)) as run,
        drawing_processes(None if figures else 0) as helpers,
        figures_ahead(helpers) as ahead,
    ):
        # Imported while the other processes start.
        from momentshare.report.text.terminal import print_study
        from momentshare.report.writing.study import write_results

        screen = console(quiet=quiet)
        shelf = shelf_in(run.scratch) if is_long(study) else None
        with progress_bar(screen) as show:
            result = planned.solve(
                band=band,
                shelf=shelf,
                helpers=helpers,
                solved=ahead.begin_arms if figures else None,
                progress=show,
            )
        tables = None
        if effects:
            from momentshare.reading.effects import effect_tables

            with screen.status("effects") as status:
                tables = effect_tables(
                    planned.setup,
                    progress=lambda done, total, what: status.update(f"{done}/{total} {what}"),
                )
        agree = None
        if null_limbs:
            from momentshare.report.text.study_opening import verdict_table

            agree = solve_null_limbs(planned.setup, verdict_table(result), null_limbs, screen)
        with screen.status("writing") as status:
            files = write_results(
                result,
                run,
                figures=figures,
                effects=tables,
                null=agree,
                begun=ahead,
                progress=lambda what: status.update(f"writing {what}"),
            )
    if tables is not None:
        from momentshare.report.text.effects import print_effects

        print_effects(screen, tables)
    print_study(screen, result, agree)
    if not quiet:
        echo(f"Wrote {len(files)} files to {out}. Open {out / 'report.html'}")


app.command()(calibrate)
app.command()(check)
app.command()(cohort)
app.command()(explain)
app.command()(explore)
app.command(name="help")(show_help)
app.command()(inspect)
app.command()(limb)
app.command(name="maximal-lift")(maximal_lift)
app.command()(people)
app.command()(strength)
app.command()(tutorial)
app.command()(uncertainty)
app.command()(validate)
app.command(name="warm-up")(warm_up)


_asked_to_end: list[int] = []
"""Exit codes of requests to end that came by a signal."""

_AGAIN = 0.05
"""Seconds after which a request that was swallowed is made again."""


def _ended(number: int, _frame: object) -> None:
    """End as after an interrupt: finished parts are kept, nothing temporary is left."""
    _asked_to_end.append(128 + number)
    sys.exit(128 + number)


def _ask_to_end(number: int) -> None:
    if sys.platform == "win32":
        _thread.interrupt_main(number)
    else:  # a true signal also ends a wait
        signal.pthread_kill(threading.main_thread().ident or 0, number)


def _not_swallowed(told: sys.UnraisableHookArgs) -> None:
    """Ask again to end where the request came within a callback, whose exceptions are dropped."""
    if not issubclass(told.exc_type, (KeyboardInterrupt, SystemExit)):
        sys.__unraisablehook__(told)
        return
    interrupted = issubclass(told.exc_type, KeyboardInterrupt)
    number = signal.SIGINT if interrupted else signal.SIGTERM
    again = threading.Timer(_AGAIN, _ask_to_end, [number])
    again.daemon = True
    again.start()


def _run() -> None:
    """Run the command; an error into which a library turned a request to end is none."""
    try:
        app()
    except Exception:
        if _asked_to_end:  # within an import of compiled code, say
            sys.exit(_asked_to_end[-1])
        raise


class _Outlet(io.FileIO):
    """Standard output that a reader may close: a command ends its work and writes its results."""

    def write(self, data: Any, /) -> int:
        """Write; once nobody reads, what comes is dropped."""
        try:
            return super().write(data) or 0
        except BrokenPipeError:
            return len(data)


def _outlet(stream: Any) -> Any:
    """Return a stream to the same place that survives its reader; a replaced one as it is."""
    try:
        number = stream.fileno()
    except (AttributeError, OSError, ValueError):
        return stream
    return io.TextIOWrapper(
        io.BufferedWriter(_Outlet(number, "w", closefd=False)),
        encoding=stream.encoding, errors=stream.errors, line_buffering=stream.line_buffering,
    )  # fmt: skip


def main() -> None:
    """Run the command line and turn the library's errors into a message and an exit code."""
    debug = "--debug" in sys.argv
    if threading.current_thread() is threading.main_thread():
        signal.signal(signal.SIGTERM, _ended)
        sys.unraisablehook = _not_swallowed
    sys.stdout = _outlet(sys.stdout)
    os.environ["MATPLOTLIBRC"] = os.devnull  # figures look the same wherever the command runs
    try:
        _run()
    except MomentshareError as err:
        if debug:
            raise
        echo(f"error: {err}", err=True)
        sys.exit(err.exit_code)
    except OSError as err:
        if debug:
            raise
        echo(f"error: {err.filename or 'file'}: {err.strerror or err}", err=True)
        sys.exit(1)

"""Shared by commands: the console, options, and the folder for results."""

from __future__ import annotations

import os
import sys
import tempfile
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from momentshare.temporary import system_folder
from momentshare.text import for_terminal, with_minus

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    import pandas as pd
    from rich.console import Console
    from rich.progress import Progress
    from rich.text import Text

    from momentshare.files import RunFolder
    from momentshare.runs import Setup

__all__ = [
    "Conditions",
    "NullLimbs",
    "People",
    "bars",
    "console",
    "echo",
    "folder_for",
    "held_folder",
    "print_json",
    "progress_bar",
    "solve_null_limbs",
]

People = Annotated[
    list[str] | None,
    typer.Option("--person", help="A person; may be repeated; all if left out."),
]
Conditions = Annotated[
    list[str] | None,
    typer.Option("--condition", help="A condition; may be repeated; all if left out."),
]
"""People and conditions of the study for which a command is run."""

NullLimbs = Annotated[
    int,
    typer.Option(
        "--null-limbs",
        min=0,
        max=1000,
        help="Also solve the study with this many null limbs, whose attachments are displaced "
        "at random, and say which orders any limb would give.",
    ),
]
"""How many null limbs a study is solved with; see :func:`solve_null_limbs`."""

_WIDE = 160
"""Width in columns when the output is not a terminal, so that tables in a file are not cut."""


def console(*, quiet: bool = False, stderr: bool = False, copied: bool = False) -> Console:
    """Return a console; wide if the output goes to a file or a pipe.

    Negative numbers are written with a minus sign, unless what is shown is there to be ``copied``.
    """
    from rich.console import Console
    from rich.segment import Segment

    def shown(text: str) -> str:
        return for_terminal(text) if copied else with_minus(for_terminal(text))

    class Safe(Console):
        """Makes control characters visible; all printed text passes through here."""

        def render_str(self, text: str, **options: Any) -> Text:
            return super().render_str(for_terminal(text), **options)

        def render(self, *given: Any, **options: Any) -> Iterator[Segment]:
            for part in super().render(*given, **options):
                # What moves the cursor is the library's own.
                yield part if part.control else Segment(shown(part.text), part.style)

    if stderr:
        return Safe(quiet=quiet, stderr=True)
    return Safe(quiet=quiet, width=None if sys.stdout.isatty() else _WIDE)


def bars(screen: Console, *, left: bool = False) -> Progress:
    """Return bars that vanish when they are done; ``left`` adds the time left."""
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn
    from rich.progress import TimeRemainingColumn as Remaining

    columns = (TextColumn("{task.description}", markup=False), BarColumn(), MofNCompleteColumn())
    more = (Remaining(),) if left else ()
    return Progress(*columns, *more, console=screen, transient=True)


@contextmanager
def progress_bar(
    screen: Console, what: str = "running", *, left: bool = False
) -> Iterator[Callable[[int, int, str], None]]:
    """Show a bar; yields what takes the number done, the total, and what comes next."""
    with bars(screen, left=left) as bar:
        task = bar.add_task(what)
        yield lambda done, total, what: bar.update(
            task, completed=done, total=total, description=what or "done"
        )


def echo(text: str, *, err: bool = False) -> None:
    """Print a line as it is, with control characters made visible."""
    typer.echo(for_terminal(text), err=err)


def print_json(record: Mapping[str, Any]) -> None:
    """Print a record for machines."""
    import json

    typer.echo(json.dumps(record, indent=2, ensure_ascii=False, allow_nan=False))


@contextmanager
def folder_for(out: Path | None, command: str, **options: Any) -> Iterator[RunFolder | None]:
    """Hold the folder of ``--out`` while a command runs; nothing if none was requested.

    Options are those of :func:`momentshare.files.run_folder`.
    """
    if out is None:
        yield None
        return
    with held_folder(out, command, **options) as run:
        yield run


@contextmanager
def held_folder(out: Path, command: str, **options: Any) -> Iterator[RunFolder]:
    """Hold a folder of results; say what had to be restored in it.

    Where nothing else can be written to, what libraries lay aside goes there as well, for as long
    as the command runs.
    """
    from momentshare.files import run_folder

    with run_folder(out, command, **options) as run, ExitStack() as last:
        if run.mended:
            echo(f"note: {run.mended}", err=True)
        scratch = Path(run.scratch).absolute()
        if not _has_temporary():
            last.callback(setattr, tempfile, "tempdir", None)
            tempfile.tempdir = str(scratch)
        if not _has_font_cache():
            last.callback(os.environ.pop, _FONT_CACHE, None)
            os.environ[_FONT_CACHE] = str(scratch)
        yield run


_FONT_CACHE = "MPLCONFIGDIR"


def _has_temporary() -> bool:
    try:
        system_folder()
    except OSError:
        return False
    return True


def _has_font_cache() -> bool:
    """Whether the library of figures has a folder for what it finds out about fonts.

    Without one it draws nothing, or makes a temporary one and prints a warning.
    """
    if _FONT_CACHE in os.environ:
        return True
    for name, usual in (("XDG_CACHE_HOME", ".cache"), ("XDG_CONFIG_HOME", ".config")):
        try:
            own = os.environ.get(name) if sys.platform.startswith(("linux", "freebsd")) else None
            place = Path(own) if own else Path.home() / usual
        except RuntimeError:  # a user without a home
            return False
        while not os.path.lexists(place) and place != place.parent:
            place = place.parent
        if not os.access(place, os.W_OK):
            return False
    return True


def solve_null_limbs(
    setup: Setup, orders: pd.DataFrame, count: int, screen: Console
) -> pd.DataFrame:
    """Solve a setup with null limbs, telling how far it is, and return what they give of orders.

    See :func:`momentshare.validation.null_orders.null_agreement`.
    """
    from momentshare.validation.null_orders import null_agreement

    with screen.status("null limbs") as status:
        return null_agreement(
            setup,
            orders,
            count,
            progress=lambda done, total: status.update(f"null limb {done + 1} of {total}"),
        )

"""``momentshare warm-up``: compile ahead of time, as for an image."""

from __future__ import annotations

from typing import Annotated

import typer

from momentshare.cli.tables import echo

__all__ = ["warm_up"]


def warm_up(
    rows: Annotated[
        list[int] | None,
        typer.Option(
            "--rows",
            help="Number of balance rows, 1 to 6, for frames side by side; may be repeated. "
            "By default 3, 4 and 5.",
        ),
    ] = None,
    no_paths: Annotated[
        bool, typer.Option("--no-paths", help="Leave out muscle paths and presses.")
    ] = False,
    quiet: Annotated[bool, typer.Option("--quiet", help="Print nothing but errors.")] = False,
) -> None:
    """Compile every kernel now, so that no later process has to, as when an image is built."""
    from momentshare.analysis.warm import warm_up as compile_all

    made = compile_all(rows or (3, 4, 5), paths=not no_paths)
    if quiet:
        return
    for kernel in made:
        echo(f"{'read back' if kernel.kept else 'compiled '}  {kernel.name}")
    for folder in sorted({kernel.folder for kernel in made if kernel.folder}):
        echo(f"Kept in {folder}")
    if any(not kernel.folder for kernel in made):
        echo(
            "No folder can be written to, so each process will compile anew; set NUMBA_CACHE_DIR "
            "to a folder that can."
        )

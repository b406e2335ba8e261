"""Write drawings that look the same wherever they are drawn, in several processes if that pays.

Drawing takes longer than everything else in a study's results, and figures are independent of each
other. So other processes draw while this one makes tables, and this one draws what is left.
"""

from __future__ import annotations

import gc
import pickle
from contextlib import ExitStack, contextmanager
from functools import lru_cache
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from momentshare._kernels import cores
from momentshare.files.shelf import fetched, laid_aside
from momentshare.files.writer import figure_bytes
from momentshare.helpers import Shared, helping
from momentshare.temporary import temporary_folder

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence
    from contextlib import AbstractContextManager

    from matplotlib.figure import Figure

    from momentshare.files import Writer
    from momentshare.helpers import Helpers

    Drawing = Callable[[], Figure]

__all__ = ["Drawings", "drawing_processes", "drawn_ahead", "write_drawings"]

_LEAST = 4
"""Number of drawings for which another process is worth its start-up, a second of its time."""

_FORMATS = ("png", "svg")

_NEEDED = (
    "matplotlib.backends.backend_agg",
    "matplotlib.backends.backend_svg",
    "momentshare.report.figures.arm.selection",
    "momentshare.report.figures.study",
    "momentshare.runs.band",
)
"""Modules that drawing needs, and what a study asks of helpers before it."""

_UNUSED = 500_000
"""New objects, of a dozen drawings, some 50 MB, after which a process that draws looks for unused
ones: looking takes a sixteenth of a drawing's time, and most end before that."""

ARRAYS = ".arrays"
"""Ending of the file with the arrays of what is drawn, which other processes only map."""


class _Way(NamedTuple):
    """How figures are drawn: settings of matplotlib, file endings, dots per inch, study note."""

    look: dict[str, Any]
    formats: tuple[str, ...]
    dpi: float | None
    note: str


def write_drawings(
    writer: Writer,
    drawings: Mapping[str, Drawing],
    shown: Sequence[str] = (),
    *,
    formats: Sequence[str] = _FORMATS,
    dpi: float | None = None,
    note: str = "",
    progress: Callable[[str], None] | None = None,
) -> dict[str, bytes]:
    """Draw and write figures that look the same wherever they are drawn.

    Parameters
    ----------
    writer : Writer
    drawings : mapping
        Name without ending → function that makes the figure.
    shown : sequence of str
        Texts that the figures show, for the choice of fonts.
    formats : sequence of str
        File endings that matplotlib knows.
    dpi : float, optional
        Of the figures by default.
    note : str
        Of the study, for the foot of every figure.
    progress : callable, optional
        Called with the name of each figure before it is drawn.

    Returns
    -------
    dict
        Name without folder → bytes of the PNG.
    """
    ready = Drawings(drawings, shown, formats=formats, dpi=dpi, note=note)
    ready.write(writer, progress=progress)
    return {name.rpartition("/")[2]: done["png"] for name, done in ready.shared.done.items()}


def drawing_processes(processes: int | None = None) -> AbstractContextManager[Helpers]:
    """Start processes that load what drawing needs, before it is known what there is to draw.

    Parameters
    ----------
    processes : int, optional
        By default one less than there are cores.
    """
    return helping(cores() - 1 if processes is None else processes, _load)


@contextmanager
def drawn_ahead(
    drawings: Mapping[str, Drawing],
    shown: Sequence[str] = (),
    *,
    note: str = "",
    helpers: Helpers | None = None,
) -> Iterator[Drawings]:
    """Let other processes begin to draw; ``write`` of the result draws what is left and writes all.

    Parameters
    ----------
    drawings : mapping
        Name without ending → function that makes the figure; it must be sent to a process, so
        functions are module-level ones, or partials of them.
    shown, note
        As for :func:`write_drawings`.
    helpers : Helpers, optional
        The other processes, from :func:`drawing_processes`; by default they are started here, and
        none for a few drawings. The files do not depend on it.
    """
    with ExitStack() as stack:
        if helpers is None:
            few = len(drawings) < _LEAST
            helpers = stack.enter_context(drawing_processes(0 if few else None))
        place = stack.enter_context(temporary_folder()) / "drawings"
        ready = Drawings(drawings, shown, note=note, place=place)
        if helpers:
            ready.lay_aside()
            helpers.join(ready.shared)
        try:
            yield ready
        finally:
            ready.shared.left.clear()


class Drawings:
    """Figures to be written, drawn here or by other processes.

    Parameters
    ----------
    drawings, shown, formats, dpi, note
        As for :func:`write_drawings`.
    place : Path, optional
        Where other processes find them, once they are laid aside.

    Attributes
    ----------
    shared : Shared
        Who draws what; bytes by ending of each drawing that is done.
    """

    def __init__(
        self,
        drawings: Mapping[str, Drawing],
        shown: Sequence[str],
        *,
        formats: Sequence[str] = _FORMATS,
        dpi: float | None = None,
        note: str = "",
        place: Path | None = None,
    ) -> None:
        from momentshare.report.figures import style

        self.drawings = drawings
        self.way = _Way(style.settings([*shown, note]), tuple(formats), dpi, note)
        self.place = place
        self.shared: Shared[str, dict[str, bytes]] = Shared(
            drawings,
            lambda name: _drawn(drawings[name], self.way),
            lambda name: (draw_stored, (str(place), name)),
        )

    def lay_aside(self) -> None:
        """Write what other processes read."""
        assert self.place is not None  # noqa: S101 - only those with a place are laid aside
        with self.place.with_suffix(ARRAYS).open("wb") as file:
            told = laid_aside((dict(self.drawings), self.way), file)
        self.place.write_bytes(pickle.dumps(told))

    def write(self, writer: Writer, *, progress: Callable[[str], None] | None = None) -> None:
        """Draw what nobody has begun, wait for the others, and write all in order."""
        done = self.shared.finish(progress)
        for name in self.drawings:
            for ending, data in done[name].items():
                writer.raw(f"{name}.{ending}", data)


def draw_stored(place: str, name: str) -> dict[str, bytes]:
    """Draw one of the drawings of a file, by ending; runs in another process."""
    drawings, way = _stored(place)
    return _drawn(drawings[name], way)


def _load() -> None:
    gc.set_threshold(_UNUSED)
    for name in _NEEDED:
        import_module(name)


@lru_cache(maxsize=1)
def _stored(place: str) -> tuple[dict[str, Drawing], _Way]:
    told, spans = pickle.loads(Path(place).read_bytes())  # noqa: S301 - written by our own parent
    with Path(place).with_suffix(ARRAYS).open("rb") as file:
        found: tuple[dict[str, Drawing], _Way] = fetched(told, spans, file)
    return found


def _drawn(make: Drawing, way: _Way) -> dict[str, bytes]:
    import matplotlib as mpl

    from momentshare.report.figures import style

    look: Any = way.look
    with _without_collecting(), mpl.rc_context(look), style.quiet():
        return _encoded(make, way)


def _encoded(make: Drawing, way: _Way) -> dict[str, bytes]:
    from momentshare.report.figures.footer import add_footer, heading_texts
    from momentshare.report.figures.lettering import Canvas

    figure = make()
    Canvas(figure)
    if way.dpi is not None:
        figure.set_dpi(way.dpi)
    add_footer(figure, way.note)
    texts = heading_texts(figure)
    return {ending: figure_bytes(figure, ending, way.dpi, texts) for ending in way.formats}


@contextmanager
def _without_collecting() -> Iterator[None]:
    """Let unused objects be looked for afterwards: it takes a fifth of a drawing's time."""
    before = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if before:
            gc.enable()

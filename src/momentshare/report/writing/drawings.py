"""Write drawings that look the same wherever they are drawn, in several processes if that pays.

Drawing takes longer than everything else in a study's results, and figures are independent of each
other. So other processes draw while this one makes tables, and this one draws what is left.
"""

from __future__ import annotations

import gc
import pickle
import queue
import threading
from collections import deque
from contextlib import closing, contextmanager
from contextvars import copy_context
from functools import lru_cache
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from momentshare._kernels import cores
from momentshare.files.shelf import fetched, laid_aside
from momentshare.files.writer import figure_bytes
from momentshare.processes import on_processes
from momentshare.temporary import temporary_folder

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from matplotlib.figure import Figure

    from momentshare.files import Writer

    Drawing = Callable[[], Figure]

__all__ = ["Drawings", "Helpers", "drawing_processes", "drawn_ahead", "write_drawings"]

_LEAST = 4
"""Number of drawings for which another process is worth its start-up, a second of its time."""

_FORMATS = ("png", "svg")

_NEEDED = (
    "matplotlib.backends.backend_agg",
    "matplotlib.backends.backend_svg",
    "momentshare.report.figures.arm.selection",
    "momentshare.report.figures.study",
)
"""Modules that drawing needs."""

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
    return {name.rpartition("/")[2]: done["png"] for name, done in ready.done.items()}


@contextmanager
def drawing_processes(processes: int | None = None) -> Iterator[Helpers]:
    """Start processes that load what drawing needs, before it is known what there is to draw.

    Parameters
    ----------
    processes : int, optional
        By default one less than there are cores.
    """
    helpers = Helpers(cores() - 1 if processes is None else processes)
    try:
        yield helpers
    finally:
        helpers.end()


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
        The other processes, from :func:`drawing_processes`, which draw once; by default they are
        started here, and none for a few drawings. The files do not depend on it.
    """
    ready = Drawings(drawings, shown, note=note)
    if helpers is None:
        with drawing_processes(0 if len(drawings) < _LEAST else None) as own:
            yield from _drawn_with(ready, own)
    else:
        yield from _drawn_with(ready, helpers)


def _drawn_with(ready: Drawings, helpers: Helpers) -> Iterator[Drawings]:
    with temporary_folder() as folder:
        try:
            helpers.begin(ready, folder / "drawings")
            yield ready
        finally:
            ready.left.clear()
            helpers.end()


class Drawings:
    """Figures to be written, drawn here or by other processes.

    Parameters
    ----------
    drawings, shown, formats, dpi, note
        As for :func:`write_drawings`.

    Attributes
    ----------
    left : deque of str
        Names of those that nobody has begun; others take the first, this process the last.
    done : dict
        Name → bytes by ending.
    helpers : Helpers or None
        Who draws too.
    """

    def __init__(
        self,
        drawings: Mapping[str, Drawing],
        shown: Sequence[str],
        *,
        formats: Sequence[str] = _FORMATS,
        dpi: float | None = None,
        note: str = "",
    ) -> None:
        from momentshare.report.figures import style

        self.drawings = drawings
        self.way = _Way(style.settings([*shown, note]), tuple(formats), dpi, note)
        self.left = deque(drawings)
        self.done: dict[str, dict[str, bytes]] = {}
        self.helpers: Helpers | None = None

    def write(self, writer: Writer, *, progress: Callable[[str], None] | None = None) -> None:
        """Draw what nobody has begun, wait for the others, and write all in order."""
        take = self.left.popleft if self.helpers is None else self.left.pop
        while (name := _next(take)) is not None:
            if progress is not None:
                progress(name)
            self.done[name] = _drawn(self.drawings[name], self.way)
        if self.helpers is not None:
            self.helpers.wait()
        for name in self.drawings:
            for ending, data in self.done[name].items():
                writer.raw(f"{name}.{ending}", data)


def _next(take: Callable[[], str]) -> str | None:
    try:
        return take()
    except IndexError:
        return None


class Helpers:
    """Processes that draw what they are given once; see :func:`drawing_processes`."""

    def __init__(self, processes: int) -> None:
        self._processes = processes
        self._given: queue.SimpleQueue[tuple[Drawings, str] | None] = queue.SimpleQueue()
        self._fault: BaseException | None = None
        own = copy_context()  # so that its temporary files lie where this run's do
        self._thread = threading.Thread(target=own.run, args=(self._follow,), daemon=True)
        if processes > 0:
            self._thread.start()

    def begin(self, drawings: Drawings, place: Path) -> None:
        """Hand out drawings; processes read them from a file that is made here."""
        if self._processes > 0:
            with place.with_suffix(ARRAYS).open("wb") as file:
                told = laid_aside((dict(drawings.drawings), drawings.way), file)
            place.write_bytes(pickle.dumps(told))
            drawings.helpers = self
            self._given.put((drawings, str(place)))

    def wait(self) -> None:
        """Wait until all that was handed out is drawn; raise what went wrong."""
        self._thread.join()
        if self._fault is not None:
            raise self._fault

    def end(self) -> None:
        """Let the processes end, once they have drawn what they began."""
        self._given.put(None)
        if self._processes > 0:
            self._thread.join()

    def _follow(self) -> None:
        def tasks() -> Iterator[tuple[str, tuple[str, str]]]:
            for _ in range(self._processes):
                yield "", ("", "")
            given.append(self._given.get())
            if given[0] is not None:
                drawings, place = given[0]
                while (name := _next(drawings.left.popleft)) is not None:
                    yield name, (place, name)

        given: list[tuple[Drawings, str] | None] = []
        try:
            with closing(on_processes(draw_stored, tasks(), self._processes, each=1)) as answers:
                for name, found in answers:
                    if not name or not given or given[0] is None:
                        continue
                    if found is None:  # its process died: drawn here, where a fault becomes visible
                        given[0][0].left.append(name)
                    else:
                        given[0][0].done[name] = found
        except BaseException as err:  # noqa: BLE001 - raised again where the figures are wanted
            self._fault = err


def draw_stored(place: str, name: str) -> dict[str, bytes]:
    """Draw one of the drawings of a file, by ending; runs in another process.

    Without a file it loads what drawing needs.
    """
    if not place:
        _load()
        return {}
    drawings, way = _stored(place)
    return _drawn(drawings[name], way)


def _load() -> None:
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
    from momentshare.report.figures.footer import add_footer

    look: Any = way.look
    with mpl.rc_context(look), style.quiet(), _without_collecting():
        figure = make()
        if way.dpi is not None:
            figure.set_dpi(way.dpi)
        add_footer(figure, way.note)
        return {ending: figure_bytes(figure, ending, way.dpi) for ending in way.formats}


@contextmanager
def _without_collecting() -> Iterator[None]:
    """Look for unused objects before and after, not meanwhile: a tenth of a drawing's time."""
    before = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if before:
            gc.enable()

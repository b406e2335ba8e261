"""Write drawings that look the same wherever they are drawn, in several processes if that pays.

Drawing takes longer than everything else in a study's results, and figures are independent of each
other. So other processes draw while this one makes tables, and this one draws what is left.
"""

from __future__ import annotations

import pickle
import tempfile
import threading
from collections import deque
from contextlib import closing, contextmanager
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from momentshare._kernels import cores
from momentshare.files.shelf import fetched, laid_aside
from momentshare.files.writer import figure_bytes
from momentshare.processes import on_processes

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from matplotlib.figure import Figure

    from momentshare.files import Writer

    Drawing = Callable[[], Figure]

__all__ = ["Drawings", "drawn_ahead", "write_drawings"]

_LEAST = 4
"""Number of drawings for which another process is worth its start-up, a second of its time."""

_FORMATS = ("png", "svg")

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
) -> None:
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
    """
    ready = Drawings(drawings, shown, formats=formats, dpi=dpi, note=note)
    ready.write(writer, progress=progress)


@contextmanager
def drawn_ahead(
    drawings: Mapping[str, Drawing],
    shown: Sequence[str] = (),
    *,
    formats: Sequence[str] = _FORMATS,
    dpi: float | None = None,
    note: str = "",
    processes: int | None = None,
) -> Iterator[Drawings]:
    """Let other processes begin to draw; ``write`` of the result draws what is left and writes all.

    Parameters
    ----------
    drawings : mapping
        Name without ending → function that makes the figure; it must be sent to a process, so
        functions are module-level ones, or partials of them.
    shown, formats, dpi, note
        As for :func:`write_drawings`.
    processes : int, optional
        How many others draw; by default one less than there are cores, and none for a few
        drawings. The files do not depend on it.
    """
    others = cores() - 1 if processes is None and len(drawings) >= _LEAST else processes or 0
    ready = Drawings(drawings, shown, formats=formats, dpi=dpi, note=note)
    if others < 1:
        yield ready
        return
    with tempfile.TemporaryDirectory(prefix="momentshare-", ignore_cleanup_errors=True) as folder:
        try:
            ready.begin(Path(folder) / "drawings", others)
            yield ready
        finally:
            ready.end()


class Drawings:
    """Figures to be written, drawn here or by other processes.

    Parameters
    ----------
    drawings, shown, formats, dpi, note
        As for :func:`write_drawings`.
    """

    def __init__(
        self,
        drawings: Mapping[str, Drawing],
        shown: Sequence[str],
        *,
        formats: Sequence[str],
        dpi: float | None,
        note: str = "",
    ) -> None:
        from momentshare.report.figures import style

        self.drawings = drawings
        self.way = _Way(style.settings([*shown, note]), tuple(formats), dpi, note)
        self._left = deque(drawings)
        self._done: dict[str, dict[str, bytes]] = {}
        self._fault: BaseException | None = None
        self._thread: threading.Thread | None = None

    def begin(self, place: Path, processes: int) -> None:
        """Hand drawings to other processes, which read them from a file that is made here."""
        with place.with_suffix(ARRAYS).open("wb") as file:
            told = laid_aside((dict(self.drawings), self.way), file)
        place.write_bytes(pickle.dumps(told))
        self._thread = threading.Thread(target=self._follow, args=(place, processes), daemon=True)
        self._thread.start()

    def write(self, writer: Writer, *, progress: Callable[[str], None] | None = None) -> None:
        """Draw what nobody has begun, wait for the others, and write all in order."""
        while (name := self._next(last=self._thread is not None)) is not None:
            if progress is not None:
                progress(name)
            self._done[name] = _drawn(self.drawings[name], self.way)
        if self._thread is not None:
            self._thread.join()
        if self._fault is not None:
            raise self._fault
        for name in self.drawings:
            for ending, data in self._done[name].items():
                writer.raw(f"{name}.{ending}", data)

    def end(self) -> None:
        """Stop further drawing; wait for what is being drawn."""
        self._left.clear()
        if self._thread is not None:
            self._thread.join()

    def _next(self, *, last: bool) -> str | None:
        """Take the next drawing that nobody has begun; others take the first, this one the last."""
        try:
            return self._left.pop() if last else self._left.popleft()
        except IndexError:
            return None

    def _follow(self, place: Path, processes: int) -> None:
        names = list(self.drawings)

        def tasks() -> Iterator[tuple[int, tuple[str, str]]]:
            while (name := self._next(last=False)) is not None:
                yield names.index(name), (str(place), name)

        try:
            with closing(on_processes(draw_stored, tasks(), processes)) as answers:
                for number, found in answers:
                    if found is None:  # its process died: drawn here, where a fault becomes visible
                        self._left.append(names[number])
                    else:
                        self._done[names[number]] = found
        except BaseException as err:  # noqa: BLE001 - raised again where the figures are wanted
            self._fault = err


def draw_stored(place: str, name: str) -> dict[str, bytes]:
    """Draw one of the drawings of a file, by ending; runs in another process."""
    drawings, way = _stored(place)
    return _drawn(drawings[name], way)


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
    with mpl.rc_context(look), style.quiet():
        figure = make()
        if way.dpi is not None:
            figure.set_dpi(way.dpi)
        add_footer(figure, way.note)
        return {ending: figure_bytes(figure, ending, way.dpi) for ending in way.formats}

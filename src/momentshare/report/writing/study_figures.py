"""Figures of a study, which other processes begin to draw as soon as it is known what they show."""

from __future__ import annotations

from contextlib import ExitStack, contextmanager
from typing import TYPE_CHECKING

from momentshare.report.writing.drawings import Drawings, drawing_processes, drawn_ahead

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from momentshare.files import Writer
    from momentshare.helpers import Helpers
    from momentshare.study import StudyResult

__all__ = ["StudyFigures", "figures_ahead"]

FOLDER = "figures/"
"""Folder of the figures within that of the results."""


class StudyFigures:
    """Figures of one study; see :func:`figures_ahead`.

    Parameters
    ----------
    stack : ExitStack
        Holds what is drawn ahead.
    helpers : Helpers
    """

    def __init__(self, stack: ExitStack, helpers: Helpers) -> None:
        self._stack, self._helpers = stack, helpers
        self._arms: Drawings | None = None
        self._panels: Drawings | None = None

    def begin_arms(self, study: StudyResult) -> None:
        """Begin the drawings of the arm, which show nothing of the band of the posture rule."""
        self._arms = self._begun(study, panels=False)

    def begin(self, study: StudyResult) -> None:
        """Begin all that has not been begun."""
        if self._arms is None:
            self.begin_arms(study)
        self._panels = self._begun(study, arms=False)

    def _begun(self, study: StudyResult, **kinds: bool) -> Drawings:
        from momentshare.report.figures.study import drawn_note, study_drawings

        drawings, shown = study_drawings(study, FOLDER, **kinds)
        ahead = drawn_ahead(drawings, shown, note=drawn_note(study), helpers=self._helpers)
        return self._stack.enter_context(ahead)

    def pictures(self, names: Iterable[str]) -> dict[str, bytes]:
        """PNG of each of these figures that there is; the others are drawn meanwhile."""
        found: dict[str, bytes] = {}
        for drawings in (self._panels, self._arms):
            if drawings is not None:
                places = {f"{FOLDER}{name}": name for name in names}
                here = [place for place in places if place in drawings.drawings]
                done = drawings.shared.finish(only=here)
                found |= {places[place]: forms["png"] for place, forms in done.items()}
        return found

    def write(self, writer: Writer) -> None:
        """Draw what nobody has begun, wait for the others, and write all in order."""
        for drawings in (self._panels, self._arms):
            if drawings is not None:
                drawings.write(writer)


@contextmanager
def figures_ahead(helpers: Helpers | None = None) -> Iterator[StudyFigures]:
    """Draw the figures of a study while it is still being solved and tabled.

    Parameters
    ----------
    helpers : Helpers, optional
        Processes that draw, if they are running already.
    """
    with ExitStack() as stack:
        if helpers is None:
            helpers = stack.enter_context(drawing_processes())
        yield StudyFigures(stack, helpers)

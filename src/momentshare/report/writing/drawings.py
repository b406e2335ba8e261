"""Write drawings that look alike wherever they are drawn."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from matplotlib.figure import Figure

    from momentshare.files import Writer

__all__ = ["write_drawings"]


def write_drawings(
    writer: Writer,
    drawings: Mapping[str, Callable[[], Figure]],
    shown: Sequence[str] = (),
    *,
    formats: Sequence[str] = ("png", "svg"),
    dpi: float | None = None,
    progress: Callable[[str], None] | None = None,
) -> None:
    """Draw and write figures that look alike wherever they are drawn.

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
    progress : callable, optional
        Called with the name of each figure before it is drawn.
    """
    import matplotlib as mpl

    from momentshare.report.figures import style

    look: Any = style.settings(shown)
    with mpl.rc_context(look), style.quiet():
        for name, make in drawings.items():
            if progress is not None:
                progress(name)
            writer.figure(name, make(), formats=formats, dpi=dpi)

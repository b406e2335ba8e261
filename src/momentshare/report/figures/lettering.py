"""Texts of figures, laid out and drawn once however often they occur.

Most texts on figures are the same few numbers and names, and each costs as much to lay out and draw
as a line or a marker does many times over: a canvas of matplotlib spends a quarter of its time so.
This one keeps what a text looks like for as long as the process lasts.
"""

from __future__ import annotations

import re
from collections import OrderedDict
from functools import lru_cache
from io import StringIO
from math import floor
from typing import TYPE_CHECKING, Any, NamedTuple, cast

import numpy as np
from matplotlib.backend_bases import GraphicsContextBase
from matplotlib.backends.backend_agg import FigureCanvasAgg, RendererAgg
from matplotlib.backends.backend_svg import RendererSVG
from matplotlib.textpath import TextToPath

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from typing import TextIO

    from matplotlib.font_manager import FontProperties
    from numpy.typing import NDArray

    Box = tuple[float, float, float]

__all__ = ["LETTERING", "Canvas"]

_KEPT = 4096
"""Texts of each kind that are kept, some 10 kB each at most."""

_STEPS = 2
"""Places within a pixel, each way, at which a text may begin."""


class _Lettering(TextToPath):
    """Texts as outlines, each laid out once: outlines know no size."""

    def __init__(self) -> None:
        super().__init__()
        self._measured = lru_cache(_KEPT)(self._measure)
        self._shaped = lru_cache(_KEPT)(self._shape)

    def get_text_width_height_descent(self, s: str, prop: FontProperties, ismath: Any) -> Box:
        """Width, height and descent of a text at its size [point]."""
        if ismath:
            return super().get_text_width_height_descent(s, prop, ismath)
        one = prop.copy()
        one.set_size(self.FONT_SCALE)
        scale = prop.get_size_in_points() / self.FONT_SCALE
        width, height, descent = self._measured(s, one)
        return width * scale, height * scale, descent * scale

    def width(self, line: str, font: FontProperties) -> float:
        """Width of a line of text [point], from its words: fonts do not kern across spaces."""
        space, *words = (
            self.get_text_width_height_descent(part, font, ismath=False)[0]
            for part in (" ", *line.split(" "))
        )
        return sum(words) + (len(words) - 1) * space

    def _measure(self, text: str, font: FontProperties) -> Box:
        return super().get_text_width_height_descent(text, font, ismath=False)

    def get_glyphs_with_font(
        self,
        font: Any,
        s: str,
        glyph_map: Any = None,
        return_new_glyphs_only: bool = False,
        **more: Any,
    ) -> Any:
        """Place the glyphs of a text; outlines of those that are not in the map yet."""
        if any(more.values()):
            return super().get_glyphs_with_font(font, s, glyph_map, return_new_glyphs_only, **more)
        placed, outlines, boxes = self._shaped(font, s)
        known = OrderedDict() if glyph_map is None else glyph_map
        new = OrderedDict((name, line) for name, line in outlines.items() if name not in known)
        if not return_new_glyphs_only:
            known.update(new)
        return list(placed), new if return_new_glyphs_only else known, list(boxes)

    def _shape(self, font: Any, text: str) -> Any:
        return super().get_glyphs_with_font(font, text)


_SHEET: Any = RendererAgg
"""What draws pixels, without the types that it lacks."""

LETTERING = _Lettering()
"""What measures texts and gives their outlines, for all figures of a process."""


class _Stamp(NamedTuple):
    """A text as an image, and where its lower left corner is from where the text begins [pixel]."""

    cover: NDArray[np.uint8]
    left: int
    down: int


@lru_cache(_KEPT)
def _extent(text: str, font: FontProperties, dpi: float) -> Box:
    found = _SHEET(1, 1, dpi).get_text_width_height_descent(text, font, ismath=False)
    return cast("Box", found)


@lru_cache(_KEPT)
def _stamp(
    text: str, font: FontProperties, angle: float, dpi: float, across: float, down: float
) -> _Stamp:
    """Draw a text in black on a sheet of its own, beginning within a pixel."""
    width, height, descent = _extent(text, font, dpi)
    turn = np.exp(1j * np.radians(angle))
    corners = turn * np.add.outer([0.0, width], 1j * np.array([-descent, height - descent]))
    left, right = int(corners.real.min()) - 4, int(corners.real.max()) + 5
    below, above = int(corners.imag.min()) - 4, int(corners.imag.max()) + 5
    sheet = _SHEET(right - left, above - below, dpi)
    sheet.draw_text(GraphicsContextBase(), across - left, above + down, text, font, angle)
    cover = np.asarray(sheet.buffer_rgba())[..., 3]
    rows, columns = (np.flatnonzero(cover.any(axis=axis)) for axis in (1, 0))
    if not len(rows):
        return _Stamp(cover[:0, :0], 0, 0)
    top, bottom, first, last = rows[0], rows[-1] + 1, columns[0], columns[-1] + 1
    upward = cover[top:bottom, first:last][::-1].copy()  # as images are drawn
    return _Stamp(upward, int(first) + left, int(bottom) - above)


class _Renderer(RendererAgg):
    """Pixels, with texts as stamps."""

    def get_text_width_height_descent(self, s: str, prop: FontProperties, ismath: Any) -> Box:
        """Width, height and descent of a text [pixel]."""
        if ismath:
            fresh: Any = super()
            return cast("Box", fresh.get_text_width_height_descent(s, prop, ismath))
        return _extent(s, prop.copy(), self.dpi)

    def draw_text(
        self,
        gc: Any,
        x: float,
        y: float,
        s: str,
        prop: FontProperties,
        angle: float,
        ismath: Any = False,
        mtext: Any = None,
    ) -> None:
        """Draw a text that begins at a place, at most a quarter of a pixel off."""
        if ismath or not gc.get_antialiased():
            fresh: Any = super()
            fresh.draw_text(gc, x, y, s, prop, angle, ismath, mtext)
            return
        column, row = (floor(v * _STEPS + 0.5) for v in (x, y))
        (column, across), (row, down) = divmod(column, _STEPS), divmod(row, _STEPS)
        stamp = _stamp(s, prop.copy(), angle, self.dpi, across / _STEPS, down / _STEPS)
        if not stamp.cover.size:
            return
        *colour, opaque = (*gc.get_rgb(), 1.0)[:4]
        image = np.empty((*stamp.cover.shape, 4), dtype=np.uint8)
        image[..., :3] = np.round(255.0 * np.asarray(colour))
        image[..., 3] = stamp.cover if opaque == 1.0 else np.round(opaque * stamp.cover)
        plain = self.new_gc()
        plain.copy_properties(gc)
        plain.set_alpha(1.0)  # it is in the image already
        self.draw_image(plain, column + stamp.left, self.height - row - stamp.down, image)


class _Outlines(RendererSVG):
    """Vectors in units of pixels, with texts from outlines that are laid out once."""

    def __init__(self, width: float, height: float, dpi: float, metadata: Any) -> None:
        self._file = StringIO()
        made: Any = super()
        made.__init__(width, height, self._file, metadata=metadata)
        self._text2path = LETTERING
        self._dpi, self._unit = dpi, dpi / 72.0

    def draw_text(
        self,
        gc: Any,
        x: float,
        y: float,
        s: str,
        prop: FontProperties,
        angle: float,
        ismath: Any = False,
        mtext: Any = None,
    ) -> None:
        """Draw a text that begins at a place, as wide as it is in pixels."""
        drawn: Any = super()
        larger = prop.copy()
        larger.set_size(self._unit * prop.get_size_in_points())
        own = LETTERING.width(s, larger)
        if ismath or not own or gc.get_clip_rectangle() or gc.get_clip_path()[0]:
            drawn.draw_text(gc, x, y, s, larger, angle, ismath, mtext)
            return
        stretch = _extent(s, prop.copy(), self._dpi)[0] / own
        place = f"translate({x:.6f} {y:.6f}) rotate({-angle:.6g}) scale({stretch:.6f} 1)"
        writer: Any = self.writer
        writer.start("g", transform=place)
        drawn.draw_text(gc, 0.0, 0.0, s, larger, 0.0, ismath, mtext)
        writer.end("g")

    def _get_style_dict(self, gc: Any, rgbFace: Any) -> dict[str, str]:
        """Say how a line looks; its width and dashes are given in points."""
        drawn: Any = super()
        look = self.new_gc()
        look.copy_properties(gc)
        look.set_linewidth(self._unit * gc.get_linewidth())
        offset, dashes = gc.get_dashes()
        look.set_dashes(
            self._unit * offset, None if dashes is None else [self._unit * d for d in dashes]
        )
        return cast("dict[str, str]", drawn._get_style_dict(look, rgbFace))  # noqa: SLF001

    def text(self) -> str:
        """Return the whole file; its size and that of hatches are in points, as matplotlib's."""
        done: Any = self
        done.finalize()
        unit = self._unit
        found = re.sub(
            r' (width|height)="([\d.]+)pt"',
            lambda size: f' {size[1]}="{float(size[2]) / unit:.6g}pt"',
            self._file.getvalue(),
            count=2,
        )
        return found.replace("<pattern ", f'<pattern patternTransform="scale({unit:.6g})" ')


_DRAWING = (
    "draw_path",
    "draw_markers",
    "draw_path_collection",
    "draw_quad_mesh",
    "draw_image",
    "draw_text",
    "open_group",
    "close_group",
)


class _Both:
    """Pixels and vectors, drawn in one pass: going through a figure takes longer than either."""

    def __init__(self, pixels: Any, outlines: Any) -> None:
        self._pixels = pixels
        for name in _DRAWING:
            setattr(self, name, _twice(getattr(pixels, name), getattr(outlines, name)))

    def __getattr__(self, name: str) -> Any:
        return getattr(self._pixels, name)


def _twice(first: Callable[..., None], second: Callable[..., None]) -> Callable[..., None]:
    def draw(*values: Any, **more: Any) -> None:
        first(*values, **more)
        second(*values, **more)

    return draw


class Canvas(FigureCanvasAgg):
    """A canvas that can write a PNG and an SVG in one pass."""

    _outlines: Any = None

    def get_renderer(self) -> Any:
        """Return what draws the figure at its size and resolution."""
        wide, tall = self.get_width_height(physical=True)
        found = getattr(self, "_pixels", None)
        if found is None or (found.width, found.height, found.dpi) != (wide, tall, self.figure.dpi):
            make: Any = _Renderer
            self._pixels = make(wide, tall, self.figure.dpi)
        return self._pixels if self._outlines is None else _Both(self._pixels, self._outlines)

    def print_png(
        self,
        filename_or_obj: Any,
        *,
        metadata: Mapping[str, str | None] | None = None,
        pil_kwargs: Mapping[str, Any] | None = None,
        beside: TextIO | None = None,
        about: Mapping[str, str | None] | None = None,
        **_: Any,
    ) -> None:
        """Write the figure as PNG, and as SVG to the file ``beside``, with ``about`` in it."""
        fresh: Any = super()
        more = {"metadata": metadata, "pil_kwargs": pil_kwargs}
        if beside is None:
            fresh.print_png(filename_or_obj, **more)
            return
        outlines = _Outlines(*self.figure.bbox.size, self.figure.dpi, about)
        self._outlines = outlines
        try:
            fresh.print_png(filename_or_obj, **more)
        finally:
            self._outlines = None
        beside.write(outlines.text())

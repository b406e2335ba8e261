"""Texts of figures, laid out and drawn once however often they occur.

Most texts on figures are the same few numbers and names, and each costs as much to lay out and draw
as a line or a marker does many times over: a canvas of matplotlib spends a quarter of its time so.
This one keeps what a text looks like for as long as the process lasts.
"""

from __future__ import annotations

from codecs import getwriter
from collections import OrderedDict
from functools import lru_cache
from math import floor
from typing import TYPE_CHECKING, Any, NamedTuple, cast

import numpy as np
from matplotlib import cbook
from matplotlib.backend_bases import GraphicsContextBase
from matplotlib.backends.backend_agg import FigureCanvasAgg, RendererAgg
from matplotlib.backends.backend_mixed import MixedModeRenderer
from matplotlib.backends.backend_svg import RendererSVG
from matplotlib.font_manager import findfont, get_font
from matplotlib.textpath import TextToPath

if TYPE_CHECKING:
    from matplotlib.font_manager import FontProperties
    from numpy.typing import NDArray

    Box = tuple[float, float, float]

__all__ = ["LETTERING", "Canvas"]

_KEPT = 4096
"""Texts of each kind that are kept, some 10 kB each at most."""

_METRICS = (
    ("OS/2", "sTypoLineGap", "sTypoAscender", "sTypoDescender"),
    ("hhea", "lineGap", "ascent", "descent"),
)
"""Tables of a font, and their names for gap between lines, ascent and descent."""

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


@lru_cache(_KEPT)
def _heights(font: FontProperties, dpi: float) -> Box | tuple[None, None, None]:
    """Ascent, descent and gap between lines that a font asks for, as texts look them up.

    Looking them up afresh for each text takes a tenth of a drawing's time.
    """
    face: Any = get_font(findfont(font))
    for name, gap, ascent, descent in _METRICS:
        table = face.get_sfnt_table(name)
        if table is not None:
            units = face.get_sfnt_table("head")["unitsPerEm"]
            scale = 1 / units * font.get_size_in_points() * dpi / 72
            return table[ascent] * scale, -table[descent] * scale, table[gap] * scale
    return None, None, None


class _Renderer(RendererAgg):
    """Pixels, with texts as stamps."""

    def _get_font_height_metrics(self, prop: FontProperties) -> Any:
        """Heights of a font [pixel], for versions of matplotlib that ask for them."""
        return _heights(prop.copy(), self.dpi)

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
    """Vectors, with texts from outlines that are laid out once."""

    def __init__(self, *args: Any, **more: Any) -> None:
        made: Any = super()
        made.__init__(*args, **more)
        self._text2path = LETTERING

    def _get_font_height_metrics(self, prop: FontProperties) -> Any:
        """Heights of a font [point], for versions of matplotlib that ask for them."""
        return _heights(prop.copy(), 72.0)


class Canvas(FigureCanvasAgg):
    """A canvas for PNG and SVG."""

    fixed_dpi = None

    def get_renderer(self) -> Any:
        """Return what draws the figure at its size and resolution."""
        wide, tall = self.get_width_height(physical=True)
        found = getattr(self, "renderer", None)
        if found is None or (found.width, found.height, found.dpi) != (wide, tall, self.figure.dpi):
            make: Any = _Renderer
            self.renderer = make(wide, tall, self.figure.dpi)
        return self.renderer

    def print_svg(self, filename: Any, *, metadata: Any = None, **_: Any) -> None:
        """Write the figure as SVG to a file, open or by name."""
        dpi = self.figure.dpi
        self.figure.dpi = 72
        width, height = self.figure.get_size_inches()
        make: Any = MixedModeRenderer
        with cbook.open_file_cm(filename, "w", encoding="utf-8") as file:
            text = file if cbook.file_requires_unicode(file) else getwriter("utf-8")(file)
            outlines = _Outlines(72 * width, 72 * height, text, image_dpi=dpi, metadata=metadata)
            renderer = make(self.figure, width, height, dpi, outlines)
            self.figure.draw(renderer)
            renderer.finalize()

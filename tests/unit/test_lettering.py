"""Texts that are kept look as those that matplotlib lays out and draws afresh."""

import io

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.textpath import text_to_path

from momentshare.report.figures import lettering, style
from momentshare.report.figures.lettering import LETTERING, Canvas

TEXTS = (
    # text, x and y [pixel], angle, further settings
    ("12", 20.0, 30.0, 0.0, {}),
    ("12", 60.5, 30.5, 0.0, {}),
    ("pectoralis major", 20.0, 120.0, 0.0, {"size": 11, "weight": "bold"}),
    ("turned", 150.0, 120.5, 90.0, {}),
    ("slanted", 200.5, 60.0, 33.0, {}),
    ("back", 200.0, 60.0, -120.0, {}),
    ("", 50.0, 50.0, 0.0, {}),
    ("cut off at the edge", 270.0, 20.0, 0.0, {}),
    ("and at the foot", 200.0, 179.0, 300.0, {}),
)

BY_PIXELS = mpl.__version_info__ < (3, 11)


def pixels(
    kind: type[FigureCanvasAgg],
    text: str,
    x: float,
    y: float,
    angle: float,
    more: dict,
    colour: object = "black",
    alpha: float | None = None,
) -> np.ndarray:
    with mpl.rc_context(style.settings()):
        renderer = kind(Figure(figsize=(3.0, 1.8), dpi=100)).get_renderer()
        gc = renderer.new_gc()
        gc.set_foreground(colour)
        gc.set_alpha(alpha)
        renderer.draw_text(gc, x, y, text, FontProperties(**more), angle)
    return np.asarray(renderer.buffer_rgba()).astype(int)


@pytest.mark.parametrize("text", TEXTS, ids=lambda t: f"{t[0]}_{t[3]:.0f}")
def test_where_kept_texts_may_begin_they_have_the_pixels_of_fresh_ones(text):
    if BY_PIXELS and any(v % 1.0 for v in text[1:3]):
        pytest.skip("this matplotlib begins texts at whole pixels")
    fresh = pixels(FigureCanvasAgg, *text)
    assert (fresh[..., 3].max() > 200) == bool(text[0])
    for _ in range(2):  # the second time they are taken from what is kept
        assert np.abs(pixels(Canvas, *text) - fresh)[..., 3].max() <= 2


@pytest.mark.parametrize(
    "ink", [("#D55E00", None), ("#D55E00", 0.4), ((0.0, 0.4, 0.7, 0.3), None)], ids=str
)
def test_kept_texts_take_the_colour_that_they_are_drawn_in(ink):
    text = TEXTS[0]
    seen, fresh = (pixels(kind, *text, *ink) for kind in (Canvas, FigureCanvasAgg))
    inside = fresh[..., 3] == fresh[..., 3].max()
    assert np.abs(seen - fresh)[inside].max() <= 3
    assert np.abs(seen - fresh)[..., 3].max() <= 3


def test_between_these_places_kept_texts_are_a_quarter_of_a_pixel_off_at_most():
    text, x, y, angle, more = TEXTS[0]
    exact = pixels(Canvas, text, x, y, angle, more)
    assert np.array_equal(pixels(Canvas, text, x + 0.24, y - 0.24, angle, more), exact)
    assert not np.array_equal(pixels(Canvas, text, x + 0.76, y, angle, more), exact)


def test_svg_is_that_of_matplotlib(tmp_path):
    found = []
    for kept in (True, False):
        with mpl.rc_context(style.settings()):
            figure = Figure(figsize=(3.0, 1.8), dpi=100)
            if kept:
                Canvas(figure)
            for text, x, y, angle, more in (*TEXTS, *TEXTS[:2]):
                figure.text(x / 300, y / 180, f"{text}\n{text}", rotation=angle, **more)
            for buffer in (io.StringIO(), io.BytesIO(), tmp_path / f"{kept}.svg"):
                figure.savefig(buffer, format="svg", dpi="figure", metadata={"Date": None})
                found.append(buffer)
    texts, data, files = found[::3], found[1::3], found[2::3]
    assert texts[0].getvalue() == texts[1].getvalue()
    assert texts[0].getvalue().count("<use") > 100
    assert {texts[0].getvalue()} == {kept.getvalue().decode() for kept in data}
    assert {texts[0].getvalue()} == {place.read_text(encoding="utf-8") for place in files}


def test_texts_are_as_wide_as_matplotlib_says():
    font = FontProperties(family="DejaVu Sans", size=7.5, weight="bold")
    for text in ("12", "pectoralis major", ""):
        fresh = text_to_path.get_text_width_height_descent(text, font, ismath=False)
        assert LETTERING.get_text_width_height_descent(text, font, ismath=False) == fresh


def test_lines_are_as_far_apart_as_where_heights_are_looked_up_afresh(monkeypatch):
    def boxes():
        figure = Figure(figsize=(3.0, 2.0), dpi=150)
        canvas = Canvas(figure)
        words = {"a\nno": {"size": 9.3}, "one\n\nox": {"size": 7.0, "weight": "bold"}, "u": {}}
        texts = [figure.text(0.1, 0.2, text, **more) for text, more in words.items()]
        found = [text.get_window_extent(canvas.get_renderer()).bounds for text in texts]
        canvas.print_svg(file := io.StringIO(), metadata={"Date": None})
        return found, file.getvalue()

    with mpl.rc_context({"svg.hashsalt": "same"}):
        known = boxes()
        monkeypatch.setattr(lettering, "_heights", lambda *_: (None, None, None))
        assert boxes() == known
        monkeypatch.setattr(lettering, "_heights", lambda *_: (30.0, 9.0, 2.0))
        assert (boxes() == known) == BY_PIXELS  # earlier versions do not ask

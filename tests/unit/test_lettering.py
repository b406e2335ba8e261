"""Texts that are kept look as those that matplotlib lays out and draws afresh."""

import io
import re
import xml.etree.ElementTree as ET

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.image import imread as read_png
from matplotlib.textpath import text_to_path

from momentshare.files.writer import figure_bytes
from momentshare.report.figures import style
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


def drawing(dpi: float) -> Figure:
    """A figure with everything that figures here are made of."""
    figure = Figure(figsize=(3.0, 1.8), dpi=dpi)
    ax = figure.add_axes((0.3, 0.2, 0.6, 0.6))
    ax.plot([0.0, 1.0, 2.0], [0.0, 3.0, 1.0], marker="s", linestyle=(0, (5, 1.6)), linewidth=1.3)
    ax.fill_between([0.0, 1.0, 2.0], [0.0, 1.0, 0.0], [1.0, 3.0, 2.0], alpha=0.3)
    ax.scatter([0.5, 1.5], [0.5, 2.5], s=30.0)
    ax.bar([0.5], [2.0], width=0.4, facecolor="none", edgecolor="#8a8a8a", hatch="////")
    ax.imshow(np.eye(3), extent=(1.2, 1.8, 0.2, 0.8), aspect="auto")
    ax.set(xlim=(0.0, 2.0), ylim=(-0.1, 3.1), ylabel="moment [N·m]")
    for text, x, y, angle, more in (*TEXTS, *TEXTS[:2]):
        figure.text(x / 300, y / 180, f"{text}\n{text}", rotation=angle, **more)
    return figure


def both(dpi: float) -> tuple[bytes, str]:
    """PNG and SVG of the figure, drawn in one pass."""
    with mpl.rc_context(style.settings()):
        figure, svg = drawing(dpi), io.StringIO()
        Canvas(figure)
        return figure_bytes(figure, "png", beside=svg), svg.getvalue()


def test_a_png_is_the_same_with_an_svg_beside_it_and_without():
    with mpl.rc_context(style.settings()):
        figure = drawing(130.0)
        Canvas(figure)
        assert figure_bytes(figure, "png") == both(130.0)[0]


STRETCHED = re.compile(r"translate\((\S+) (\S+)\) rotate\((\S+)\) scale\((\S+) 1\)")
"""Where a text begins, its angle, and how it is stretched to its width in pixels."""


def parts(svg: str) -> tuple[list[tuple[str, dict[str, str]]], list[tuple[float, ...]]]:
    """Elements of an SVG with their attributes, and what is said of texts that are stretched."""
    found, texts = [], []
    for element in ET.fromstring(svg).iter():  # noqa: S314 - made by these tests
        look = {name: value for name, value in element.attrib.items() if name != "transform"}
        transform = element.get("transform", "")
        if text := STRETCHED.fullmatch(transform):
            texts.append(tuple(map(float, text.groups())))
            continue
        if "scale" in transform:  # of a text that is not stretched
            look["scale"] = transform[transform.index("scale") :]
        found.append((element.tag, look))
    return found, texts


def test_svg_of_the_same_pass_is_that_of_matplotlib():
    """But for the beginnings of texts, which are those of the PNG."""
    with mpl.rc_context(style.settings()):
        fresh, _ = parts(figure_bytes(drawing(72.0), "svg").decode())
    found, texts = parts(both(72.0)[1].replace(' patternTransform="scale(1)"', ""))
    assert len(texts) > 2 * len(TEXTS)
    assert {angle for *_, angle, _ in texts} >= {0.0, -90.0, -33.0, -240.0, -300.0}
    assert sum(tag.endswith("use") for tag, _ in found) > 100
    assert found == fresh


def test_texts_of_an_svg_begin_and_end_where_those_of_its_png_do():
    font = FontProperties(size=7.5)
    lines = ("pectoralis major, sternocostal upper", "1000", "u n")
    with mpl.rc_context(style.settings()):
        figure, svg = Figure(figsize=(3.0, 1.8), dpi=130), io.StringIO()
        Canvas(figure)
        for row, line in enumerate(lines):
            figure.text(0.9, 0.2 + 0.2 * row, line, ha="right", fontproperties=font)
        image = read_png(io.BytesIO(figure_bytes(figure, "png", beside=svg)))
        own = [LETTERING.width(line, font) * 130 / 72 for line in lines]
    _, texts = parts(svg.getvalue())
    for (begin, foot, _, stretch), width in zip(texts, own, strict=True):
        letters = image[int(foot) - 10 : int(foot), :, 0] < 0.8
        dark = np.flatnonzero(letters.any(axis=0))
        assert begin == pytest.approx(dark[0], abs=2.0)
        assert begin + stretch * width == pytest.approx(dark[-1] + 1, abs=2.0)


def test_an_svg_has_the_size_of_the_figure_whatever_the_resolution():
    plain, fine = (both(dpi)[1] for dpi in (108.0, 216.0))
    for name in ("width", "height"):
        first, second = (re.search(rf' {name}="([^"]+)"', svg)[1] for svg in (plain, fine))
        assert first == second
    assert 'patternTransform="scale(3)"' in fine
    plain, fine = (re.sub("<pattern.*</pattern>", "", t, flags=re.DOTALL) for t in (plain, fine))
    for what in (
        r"viewBox=\"0 0 (\S+) (\S+)\"",
        r"stroke-width: ([\d.]+)",
        r"stroke-dasharray: ([\d.]+),([\d.]+)",
        r"transform=\"scale\(([\d.]+) -([\d.]+)\)\"",
        r"<path d=\"M (\S+) (\S+) \nL (\S+) (\S+) \nL (\S+) (\S+) \n\" clip[^>]*dasharray",
        r"<use xlink:href=\"#m\w+\" x=\"(\S+)\" y=\"(\S+)\"",
        r"<image [^>]*x=\"([^\"]+)\" y=\"([^\"]+)\" width=\"([^\"]+)\"",
    ):
        first, second = (
            np.array([m.groups() for m in re.finditer(what, svg)], float) for svg in (plain, fine)
        )
        assert len(first), what
        off = 1.0 if "image" in what else 0.02  # images lie on whole pixels
        np.testing.assert_allclose(second, 2.0 * first, rtol=1e-4, atol=off, err_msg=what)


def test_texts_are_as_wide_as_matplotlib_says():
    font = FontProperties(family="DejaVu Sans", size=7.5, weight="bold")
    for text in ("12", "pectoralis major", ""):
        fresh = text_to_path.get_text_width_height_descent(text, font, ismath=False)
        assert LETTERING.get_text_width_height_descent(text, font, ismath=False) == fresh


def test_a_line_is_as_wide_as_its_words():
    font = FontProperties(family="DejaVu Sans", size=8.0)
    for line in ("", "12", " a  b", "Net joint moments along the lift, mean of 6 people. AV To."):
        whole = text_to_path.get_text_width_height_descent(line, font, ismath=False)[0]
        assert LETTERING.width(line, font) == pytest.approx(whole, abs=1e-9)

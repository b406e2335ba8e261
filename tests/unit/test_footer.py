"""The foot of a figure says what it is, and moves nothing above it."""

from __future__ import annotations

from importlib import metadata

import numpy as np
import pytest
from matplotlib.figure import Figure

from momentshare.files.writer import figure_bytes
from momentshare.report.figures import layout
from momentshare.report.figures.footer import (
    FOOTER,
    add_footer,
    add_heading,
    footer_text,
    heading_texts,
)
from momentshare.report.figures.layout import Texts, panel_grid
from momentshare.report.page.png import png_texts

NOTE = "Invented people and numbers."


def constrained():
    figure = Figure(figsize=(5.0, 3.0), layout="constrained")
    axes = figure.subplots(1, 2)
    for ax in axes:
        ax.plot([1, 2], label="line")
        ax.set_ylabel("a label")
    figure.legend(handles=[axes[0].lines[0]], loc="outside lower center")
    figure.suptitle("a title")
    return figure


def gridded():
    legend = [("a line", {"color": "k"}), ("another", {"color": "k", "linestyle": "--"})]
    texts = Texts(title="a title", note="a note", panels=["one", "two"], legend=legend)
    figure, axes = panel_grid(2, 2, (1.5, 1.0), texts)
    axes[0].plot([1, 2])
    return figure


def places(figure):
    """Boxes of axes, texts and legends from the upper left corner [inch]."""
    figure.draw_without_rendering()
    _, height = figure.get_size_inches()
    kept = [t for t in figure.texts if t.get_gid() != FOOTER]
    boxes = [artist.get_window_extent() for artist in (*figure.axes, *kept, *figure.legends)]
    found = np.array([[b.x0, b.y0, b.x1, b.y1] for b in boxes]) / figure.dpi
    found[:, [1, 3]] = height - found[:, [1, 3]]
    return found


@pytest.mark.parametrize("make", [constrained, gridded])
def test_a_footer_stands_below_all_else_which_stays(make):
    figure = make()
    before = places(figure)
    height = figure.get_size_inches()[1]
    add_footer(figure, NOTE)
    after = places(figure)
    side = after[0, 0] - before[0, 0]
    np.testing.assert_allclose(after, before + np.array([side, 0.0, side, 0.0]), atol=0.02)
    assert 0.0 <= side < 0.1
    (foot,) = [t for t in figure.texts if t.get_gid() == FOOTER]
    box = foot.get_window_extent()
    assert figure.get_size_inches()[1] > height
    assert box.y0 > 0.0
    assert box.y1 / figure.dpi < figure.get_size_inches()[1] - after[:, [1, 3]].max() + 0.02
    assert (
        foot.get_text() == f"Model estimate. {NOTE} momentshare {metadata.version('momentshare')}"
    )


def test_a_figure_gets_one_footer():
    figure = gridded()
    add_footer(figure, NOTE)
    size = tuple(figure.get_size_inches())
    add_footer(figure, NOTE)
    assert tuple(figure.get_size_inches()) == size
    assert len([t for t in figure.texts if t.get_gid() == FOOTER]) == 1


def test_a_long_note_is_wrapped_within_the_figure():
    figure = constrained()
    add_footer(figure, "A note that goes on and on. " * 12)
    (foot,) = [t for t in figure.texts if t.get_gid() == FOOTER]
    assert "\n" in foot.get_text()
    assert foot.get_window_extent().x1 < figure.bbox.width


def test_a_study_without_a_note_says_what_it_is():
    assert footer_text().startswith("Model estimate. momentshare ")


def headed():
    figure = constrained()
    add_heading(figure, "Σ rises by 3 N·m “here”", "A note. " * 30)
    return figure


@pytest.mark.parametrize("make", [headed, gridded])
def test_a_png_says_what_its_figure_is_titled_and_where_the_title_ends(make):
    figure = make()
    add_footer(figure, NOTE)
    said = png_texts(figure_bytes(figure, "png", None, heading_texts(figure)))
    words = {t.get_gid(): t for t in figure.texts}
    for key, name in (("Title", layout.HEADING), ("Description", layout.NOTE)):
        assert said[key] == " ".join(words[name].get_text().split())
    figure.draw_without_rendering()
    tall = figure.get_size_inches()[1] * figure.dpi
    end = words[layout.NOTE].get_window_extent().y0
    below = max(ax.get_tightbbox().y1 for ax in figure.axes)
    cut = tall * (1.0 - float(said["HeadingShare"]))
    assert below - 2.0 <= cut <= end + 1.0


def test_a_figure_without_a_title_says_nothing():
    assert heading_texts(Figure()) == {}
    assert png_texts(figure_bytes(Figure(), "png")) == {}

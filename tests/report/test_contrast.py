"""Contrast of lines with the paper, by the formula of WCAG 2.1 (luminance; from memory)."""

import re
from importlib import resources

import pytest
from matplotlib.colors import to_rgb

from momentshare.report.figures import explain, style
from momentshare.report.figures.arm import panel

LEAST = 3.0
"""Success criterion 1.4.11 of WCAG 2.1, for what is needed to read a graphic (from memory)."""


def luminance(colour: str) -> float:
    parts = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in to_rgb(colour)]
    return 0.2126 * parts[0] + 0.7152 * parts[1] + 0.0722 * parts[2]


def contrast(one: str, other: str = "#ffffff") -> float:
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_the_formula_gives_its_known_ends():
    assert contrast("#000000") == pytest.approx(21.0)
    assert contrast("#ffffff") == pytest.approx(1.0)
    assert contrast("#767676") == pytest.approx(4.54, abs=0.005)  # the lightest grey with 4.5


def test_lines_of_figures_stand_out_from_the_paper():
    lines = [style.INK, style.FAINT, *(style.condition_style(k)["color"] for k in range(7))]
    lines += [look["color"] for look in style.MODE_STYLES.values()]
    lines += [look["color"] for look in explain._LINES.values()]
    for colour in lines:
        assert contrast(colour) >= LEAST, colour


def test_outlines_of_the_arm_stand_out_from_paper_and_filling():
    for look in (panel._BODY, panel._BONE, panel._METAL):
        assert contrast(look["edgecolor"]) >= LEAST
        assert contrast(look["edgecolor"], look["facecolor"]) >= LEAST


def test_outlines_of_the_page_stand_out():
    text = (resources.files("momentshare.explore") / "page" / "arm.js").read_text("utf-8")
    found = set(re.findall(r'stroke: "(#[0-9a-f]{6})"', text)) - {"#ffffff"}
    assert found
    for colour in found:
        assert contrast(colour) >= LEAST, colour

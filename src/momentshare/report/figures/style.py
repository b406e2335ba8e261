"""Colours, line styles, names and text fitting shared by all figures.

Conditions differ in colour, line style and marker at once, so that figures stay readable in
grey and for colour-blind readers. Amounts are shown on a perceptually even sequential scale.
"""

from __future__ import annotations

import warnings
from bisect import bisect_right
from contextlib import contextmanager
from functools import lru_cache
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

__all__ = [
    "FAINT",
    "FIRM",
    "INK",
    "MODES",
    "MODE_STYLES",
    "OPEN",
    "RANGE",
    "SEQUENTIAL",
    "condition_style",
    "factor_style",
    "fit",
    "quiet",
    "settings",
    "text_width",
]

SEQUENTIAL = "cividis"
"""Colour scale for amounts: rises evenly in lightness, also in grey."""

INK = "#222222"
FAINT = "#8a8a8a"

FIRM: dict[str, Any] = {
    "linestyle": "none",
    "marker": "o",
    "markersize": 4.6,
    "color": INK,
    "markerfacecolor": INK,
}
"""Look of an order that is firm; of another, and of its range."""
OPEN: dict[str, Any] = FIRM | {"markerfacecolor": "#ffffff"}
RANGE: dict[str, Any] = {"color": INK, "linewidth": 1.0}

# Okabe-Ito colours without yellow, which is lost on white; ordered so that neighbours, and
# lines that share a line style, differ in lightness.
_COLOURS = ("#0072B2", "#B57700", "#000000", "#3D93C7", "#D55E00", "#009E73", "#CC79A7")
_LINES: tuple[Any, ...] = ("-", (0, (5, 1.6)), (0, (1.2, 1.2)), (0, (6, 1.5, 1.2, 1.5)))
_MARKERS = ("o", "s", "^", "D", "v")

MODES = {
    "measured": "measured ratio",
    "zero": "zero",
    "free": "free (chosen by the optimiser)",
}
"""Treatments of the lateral force in words."""

MODE_STYLES: dict[str, dict[str, Any]] = {
    "measured": {"color": "#000000", "linestyle": "-", "marker": "o", "markerfacecolor": "#000000"},
    "zero": {
        "color": "#D55E00",
        "linestyle": (0, (5, 1.6)),
        "marker": "s",
        "markerfacecolor": "#ffffff",
    },
    "free": {
        "color": "#0072B2",
        "linestyle": (0, (1.2, 1.2)),
        "marker": "D",
        "markerfacecolor": "#9ecae8",
    },
}
"""Line and marker of each treatment of the lateral force."""

_BASE_FONT = "DejaVu Sans"


def condition_style(index: int) -> dict[str, Any]:
    """Colour, line style and marker of the condition with this number; all three differ."""
    return {
        "color": _COLOURS[index % len(_COLOURS)],
        "linestyle": _LINES[index % len(_LINES)],
        "marker": _MARKERS[index % len(_MARKERS)],
    }


def factor_style(first: int, second: int) -> dict[str, Any]:
    """Return the look of a condition with these levels of two factors.

    The first has colour and marker, the second line style and filling of the marker.
    """
    colour = _COLOURS[first % len(_COLOURS)]
    return {
        "color": colour,
        "marker": _MARKERS[first % len(_MARKERS)],
        "linestyle": _LINES[second % len(_LINES)],
        "markerfacecolor": colour if second % 2 == 0 else "#ffffff",
    }


_NOT_OF_FIGURES = ("backend", "interactive", "toolbar", "webagg", "tk.", "figure.max_open", "docs")
"""Beginnings of settings that do not change what a figure looks like."""


def settings(texts: Iterable[str] = ()) -> Any:
    """Return matplotlib settings for figures that show these texts; the user's own are ignored."""
    import matplotlib as mpl

    plain = {k: v for k, v in mpl.rcParamsDefault.items() if not k.startswith(_NOT_OF_FIGURES)}
    return {
        **plain,
        "font.family": [_BASE_FONT, *_fallback_fonts("".join(sorted(set("".join(texts)))))],
        "font.size": 8.0,
        "axes.titlesize": 8.0,
        "axes.labelsize": 8.0,
        "xtick.labelsize": 7.5,
        "ytick.labelsize": 7.5,
        "legend.fontsize": 8.0,
        "axes.spines.top": False,
        "axes.spines.right": False,
        "axes.edgecolor": FAINT,
        "axes.linewidth": 0.7,
        "axes.titley": 1.0,  # no axis on top: titles need not make room
        "axes.labelcolor": INK,
        "text.color": INK,
        "xtick.color": INK,
        "ytick.color": INK,
        "xtick.major.width": 0.7,
        "ytick.major.width": 0.7,
        "xtick.major.size": 2.5,
        "ytick.major.size": 2.5,
        "lines.linewidth": 1.3,
        "lines.markersize": 3.5,
        "axes.unicode_minus": True,
        "text.parse_math": False,
        "text.usetex": False,
        "svg.fonttype": "path",
        "svg.hashsalt": "momentshare",
        "path.simplify": True,
    }


@lru_cache(maxsize=32)
def _fallback_fonts(characters: str) -> tuple[str, ...]:
    """Names of installed fonts for characters that the base font lacks, if there are any."""
    from matplotlib import font_manager

    base = font_manager.get_font(font_manager.findfont(_BASE_FONT)).get_charmap()
    missing = {ord(c) for c in characters if c.isprintable()} - set(base)
    found: list[str] = []
    if missing:
        entries = sorted(font_manager.fontManager.ttflist, key=lambda e: (e.name, e.fname))
        for entry in entries:
            if "last resort" in entry.name.lower():  # covers all characters, with boxes
                continue
            covered = missing & set(font_manager.get_font(entry.fname).get_charmap())
            if covered:
                found.append(entry.name)
                missing -= covered
            if not missing:
                break
    return tuple(dict.fromkeys(found))


@contextmanager
def quiet() -> Iterator[None]:
    """Let a character that no installed font has be drawn as a box without a warning."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message=r"Glyph .* missing from")
        yield


@lru_cache(maxsize=8192)
def _measured(text: str, size: float, family: tuple[str, ...], weight: str) -> float:
    from matplotlib.font_manager import FontProperties

    from momentshare.report.figures.lettering import LETTERING

    font = FontProperties(family=list(family), size=size, weight=weight)
    with quiet():
        width, _, _ = LETTERING.get_text_width_height_descent(text, font, ismath=False)
    return float(width) / 72.0


def text_width(text: str, size: float = 8.0, weight: str = "normal") -> float:
    """Width of the widest line of a text [inch] in the font in force."""
    import matplotlib as mpl

    family = tuple(mpl.rcParams["font.family"])
    return max(_measured(line, size, family, weight) for line in text.split("\n"))


def fit(text: str, width: float, size: float = 8.0, weight: str = "normal") -> str:
    """Break a text into lines no wider than ``width`` [inch]; cut words that are longer."""

    def fitting(pieces: Sequence[str], joint: str) -> int:
        """Count the first pieces that fit on a line; more are never narrower."""
        return bisect_right(
            range(1, len(pieces) + 1),
            False,
            key=lambda count: text_width(joint.join(pieces[:count]), size, weight) > width,
        )

    lines: list[str] = []
    words = text.split()
    while words:
        count = fitting(words, " ")
        if count:
            lines.append(" ".join(words[:count]))
            words = words[count:]
            continue
        keep = max(fitting(words[0], ""), 1)
        lines.append(words[0][:keep])
        words = [rest, *words[1:]] if (rest := words[0][keep:]) else words[1:]
    return "\n".join(lines)


def head_label(head: str) -> str:
    """Spell out the anatomical name: ``muscle/head_part`` as "muscle, head part"."""
    return head.replace("/", ", ").replace("_", " ")

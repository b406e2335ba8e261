"""Figures: labels, layout, edge cases and repeatable bytes."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace
from functools import cache
from itertools import combinations
from typing import TYPE_CHECKING

import matplotlib as mpl
import matplotlib.figure
import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgb
from matplotlib.text import Text

from momentshare import reading
from momentshare.files import Writer
from momentshare.report.figures import study as figures
from momentshare.report.figures import style
from momentshare.report.figures.layout import row_names
from momentshare.report.figures.study import results, write
from momentshare.report.writing.drawings import write_drawings
from momentshare.study import parse_study, run_study

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from momentshare.study.run import StudyResult

MAKERS = {
    "activation_by_head": figures.activation_by_head,
    "activation_along_lift": figures.activation_along_lift,
    "moments_along_lift": figures.moments_along_lift,
    "gravity_arms": figures.gravity_arms,
    "lateral_force": figures.lateral_force,
    "greatest_load": figures.greatest_load,
    "lateral_range": figures.lateral_range,
    "fibre_length": figures.fibre_length,
    "ordering": figures.ordering,
}

PEOPLE = (
    '[[person]]\nname = "Ada"\nsex = "female"\nstature_cm = 166\nbody_mass_kg = 62\n',
    '[[person]]\nname = "Bo"\nsex = "male"\nstature_cm = 182\nbody_mass_kg = 84\n',
)


def bar(
    name: str, spacing: float = 1.4, *, ratio: float | None = 0.05, extra: str = "", load: int = 20
) -> str:
    measured = "" if ratio is None else f"lateral_ratio = {ratio}\n"
    return (
        f'[[condition]]\nname = "{name}"\nexercise = "bar_press"\nspacing_biacromial = {spacing}\n'
        f"tuck_deg = [[0, 55], [1, 80]]\nload_kg = {load}\n{measured}{extra}"
    )


def dumbbells(name: str = "dumbbells") -> str:
    return (
        f'[[condition]]\nname = "{name}"\nexercise = "dumbbell_press"\n'
        "spacing_biacromial = [[0, 1.6], [1, 1.2]]\ntuck_deg = [[0, 60], [1, 80]]\nload_kg = 20\n"
    )


LONG = (
    "Größte Öffnung der Ellenbogen, langsam gesenkt – πλάτος λαβής, $x$ 臥推 & <eng>",
    "Größte Öffnung der Ellenbogen, schnell gesenkt – ширина хвата 1,7 × Schulterbreite",
    "Wort" * 20,
)

STUDIES: dict[str, tuple[int, list[str]]] = {
    "several": (2, [bar("bar 1.2", 1.2), bar("bar 1.6", 1.6), dumbbells()]),
    "one": (1, [bar("bar")]),
    "one dumbbells": (1, [dumbbells()]),
    "only dumbbells": (2, [dumbbells("neutral"), dumbbells("wide")]),
    "no measured ratio": (1, [bar("bar 1.2", 1.2, ratio=None), bar("bar 1.6", 1.6)]),
    "no load": (2, [bar("empty hands", load=0)]),
    "long names": (2, [*(bar(n[:80], 1.2 + 0.2 * i) for i, n in enumerate(LONG)), dumbbells()]),
    "out of reach": (
        2,
        [bar("bar"), bar("very high", 1.5, extra="lockout_height_cm = 60\n")],
    ),
    "twelve": (1, [bar(f"bar {1 + 0.05 * i:.2f}", 1 + 0.05 * i) for i in range(12)]),
}


@cache
def study_of(name: str) -> StudyResult:
    people, conditions = STUDIES[name]
    head = f'title = "{name}"\n[settings]\nframes = 9\n'
    return run_study(parse_study("\n".join([head, *PEOPLE[:people], *conditions])))


@cache
def figure_of(study: str, name: str) -> Figure:
    return MAKERS[name](study_of(study))


def shown_texts(figure: Figure) -> list[Text]:
    hidden_ticks = set()
    for ax in figure.axes:
        for axis in (ax.xaxis, ax.yaxis):
            for tick in axis.get_major_ticks() + axis.get_minor_ticks():
                low, high = sorted(axis.get_view_interval())
                if not low - 1e-9 <= tick.get_loc() <= high + 1e-9:
                    hidden_ticks |= {tick.label1, tick.label2}
    return [
        text
        for text in figure.findobj(Text)
        if text.get_visible() and text.get_text().strip() and text not in hidden_ticks
    ]


def draw(figure: Figure) -> None:
    with style.quiet():
        FigureCanvasAgg(figure)
        figure.draw_without_rendering()


LAYOUTS = {
    "several": tuple(MAKERS),
    "long names": tuple(MAKERS),
    "one": ("activation_along_lift", "lateral_range", "fibre_length", "greatest_load"),
    "one dumbbells": ("activation_by_head", "moments_along_lift", "greatest_load"),
    "only dumbbells": ("activation_by_head", "ordering"),
    "no measured ratio": ("activation_by_head", "lateral_force", "moments_along_lift"),
    "no load": ("greatest_load",),
    "out of reach": (
        "activation_along_lift",
        "greatest_load",
        "moments_along_lift",
        "lateral_force",
    ),
    "twelve": ("activation_by_head", "lateral_force", "greatest_load"),
}


@pytest.mark.parametrize(("study", "name"), [(s, n) for s, names in LAYOUTS.items() for n in names])
def test_layout(study, name):
    figure = figure_of(study, name)
    draw(figure)
    page = figure.bbox
    texts = shown_texts(figure)
    boxes, words = [], []
    for text in texts:
        assert text.get_fontsize() >= 7.0
        box = text.get_window_extent()
        what = text.get_text()
        assert box.x0 >= page.x0 - 1, what
        assert box.x1 <= page.x1 + 1, what
        assert box.y0 >= page.y0 - 1, what
        assert box.y1 <= page.y1 + 1, what
        if text.get_rotation() not in {0.0, 90.0}:
            continue  # the box of a slanted text is far larger than the text
        boxes.append(box.padded(-1.0).extents)
        words.append(what)
    low, high = np.array(boxes)[:, :2], np.array(boxes)[:, 2:]
    meet = np.all((low[:, None] < high[None]) & (low[None] < high[:, None]), axis=-1)
    first, second = np.nonzero(np.triu(meet, 1))
    assert not first.size, f"{words[first[0]]!r} on {words[second[0]]!r}"
    for legend in figure.legends:
        box = legend.get_window_extent()
        assert box.x1 <= page.x1 + 1
        for ax in figure.axes:
            assert not box.overlaps(ax.bbox)


@pytest.mark.parametrize("name", MAKERS)
@pytest.mark.parametrize("study", ["several", "one"])
def test_axes_are_labelled(study, name):
    figure = figure_of(study, name)
    first, last = figure.axes[0], [ax for ax in figure.axes if ax.get_xlabel()][-1]
    if name == "ordering":  # the pairs of conditions, of which one condition has none, are ticks
        ticks = [t.get_text().strip() for t in first.get_yticklabels()]
        assert study == "one" or (ticks and all(ticks))
    else:
        assert first.get_ylabel()
    assert last.get_xlabel()
    words = " ".join(
        [ax.get_xlabel() + ax.get_ylabel() for ax in figure.axes]
        + [text.get_text().replace("\n", " ") for text in figure.texts]
    )
    people = study_of(study)
    count = len({case.person for case in people.cases})
    assert f"{count} p" in words
    unit = {
        "activation_by_head": "[%]",
        "activation_along_lift": "activation [%]",
        "moments_along_lift": "[N·m]",
        "gravity_arms": "arm [cm]",
        "lateral_force": "force [1]",
        "greatest_load": "load [study load = 1]" if count > 1 else "[kg]",
        "lateral_range": "activation [%]",
        "fibre_length": "length [1]",
        "ordering": "difference [points]",
    }[name]
    assert unit in words


def test_heat_map_shows_the_table():
    study = study_of("several")
    figure = figure_of("several", "activation_by_head")
    table = reading.head_table_by_person(study)
    wide = table[table["lateral"] == "zero"].pivot_table(
        index="head", columns="condition", values="mean_activation", sort=False
    )
    panel = figure.axes[1]
    assert "zero" in panel.get_title(loc="left")
    drawn = np.ma.filled(panel.images[0].get_array(), np.nan)
    np.testing.assert_allclose(drawn, 100.0 * wide.to_numpy(), atol=1e-9)
    assert panel.images[0].get_cmap().name == "cividis"
    labels = [t.get_text() for t in figure.axes[0].get_yticklabels()]
    assert "pectoralis major, sternocostal upper" in labels


def test_dumbbells_stand_in_every_panel():
    figure = figure_of("several", "activation_by_head")
    columns = [np.ma.filled(ax.images[0].get_array(), np.nan)[:, 2] for ax in figure.axes[:3]]
    assert np.isfinite(columns).all()
    np.testing.assert_array_equal(columns[0], columns[1])
    np.testing.assert_array_equal(columns[0], columns[2])


def test_missing_mode_is_left_empty():
    figure = figure_of("no measured ratio", "activation_by_head")
    assert "measured" in figure.axes[0].get_title(loc="left")
    drawn = np.ma.getmaskarray(figure.axes[0].images[0].get_array())
    assert drawn[:, 0].all()
    assert not drawn[:, 1].any()


def test_moments_show_every_lateral_mode():
    figure = figure_of("several", "moments_along_lift")
    curves = [line for line in figure.axes[0].lines if len(line.get_xdata()) == 9]
    assert len(curves) == 3
    assert len({line.get_color() for line in curves}) == 3
    assert len({str(line._unscaled_dash_pattern) for line in curves}) == 3
    study = study_of("several")
    table = reading.moment_table(study)
    part = table[
        (table["row"] == "shoulder_horizontal_adduction")
        & (table["condition"] == "bar 1.2")
        & (table["lateral"] == "measured")
    ]
    mean = part.groupby("frame")["moment_nm"].mean().to_numpy()
    np.testing.assert_allclose(curves[0].get_ydata(), mean)


def test_weak_zone_is_the_lowest_point():
    figure = figure_of("several", "greatest_load")
    ax = figure.axes[0]
    curve = next(line for line in ax.lines if len(line.get_xdata()) == 9)
    ring = next(line for line in ax.lines if len(line.get_xdata()) == 1)
    assert ring.get_ydata()[0] == pytest.approx(np.nanmin(curve.get_ydata()))


def test_mean_does_not_jump_where_a_person_drops_out():
    pairs = [(study_of("several").cases[0], None)] * 2
    values = np.arange(18, dtype=float).reshape(2, 9)
    values[1, :3] = np.nan
    curve = results.curve_over_people(pairs, list(values))
    assert np.isnan(curve.mean[:3]).all()
    np.testing.assert_allclose(curve.mean[3:], values[:, 3:].mean(axis=0))
    np.testing.assert_allclose(curve.low[:3], values[0, :3])


def write_figures(study, folder, prefix=""):
    drawings, shown = figures.study_drawings(study, prefix)
    writer = Writer(folder)
    write_drawings(writer, drawings, shown, note=study.study.file.note)
    return list(writer.names)


def test_files_are_the_same_each_time(tmp_path, monkeypatch):
    some = {n: MAKERS[n] for n in ("lateral_force", "ordering", "fibre_length")}
    monkeypatch.setattr(write, "FIGURES", some)
    study = study_of("several")
    first = write_figures(study, tmp_path / "a")
    second = write_figures(study, tmp_path / "b")
    arms = ["bar_1_2", "bar_1_6", "dumbbells", "along_lift", "side_by_side"]
    wanted = [*some, *(f"arm_{name}" for name in arms)]
    assert first == second == [f"{n}.{e}" for n in wanted for e in ("png", "svg")]
    for name in first:
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes(), name
    assert b"<dc:date>" not in (tmp_path / "a" / first[1]).read_bytes()


def test_only_figures_with_something_to_show(tmp_path):
    before = dict(mpl.rcParams)
    folder = tmp_path / "new"
    names = write_figures(study_of("one dumbbells"), folder, "folder/")
    written = [folder / name for name in names]
    wanted = set(MAKERS) - {"ordering", "lateral_force"}
    wanted |= {"arm_dumbbells", "arm_along_lift"}
    assert {p.stem for p in written} == wanted
    assert all(p.stat().st_size > 1000 for p in written)
    assert dict(mpl.rcParams) == before
    assert write.nothing_to_show(study_of("one")) == {"ordering", "condition_dots"}
    assert write.nothing_to_show(study_of("only dumbbells")) == {"lateral_force"}
    plain = replace(study_of("only dumbbells"), band=None)
    assert write.nothing_to_show(plain) == {"lateral_force", "lateral_range"}
    assert write.nothing_to_show(study_of("several")) == set()


def test_names_in_any_script_are_written_without_a_warning(tmp_path, monkeypatch):
    monkeypatch.setattr(write, "FIGURES", {"gravity_arms": figures.gravity_arms})
    written = write_figures(study_of("long names"), tmp_path)
    assert [name[-4:] for name in written] == [".png", ".svg"] * 7


def contrast_with_paper(colour):
    """WCAG 2.1 contrast with white (formula from memory)."""
    parts = np.array(to_rgb(colour))
    linear = np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
    return 1.05 / (float(linear @ (0.2126, 0.7152, 0.0722)) + 0.05)


def test_lines_can_be_seen_on_paper():
    looks = [style.condition_style(i) for i in range(12)] + list(style.MODE_STYLES.values())
    colours = {look["color"] for look in looks} | {style.FAINT, style.INK}
    assert {colour for colour in colours if contrast_with_paper(colour) < 3.0} == set()


def test_levels_of_factors_can_be_seen_on_paper():
    looks = [style.factor_style(i, j) for i in range(9) for j in range(6)]
    assert all(contrast_with_paper(look["color"]) >= 3.0 for look in looks)


def test_conditions_differ_in_two_ways_at_least():
    looks = [style.condition_style(i) for i in range(12)]
    for one, two in combinations(looks, 2):
        assert sum(one[k] != two[k] for k in ("color", "linestyle", "marker")) >= 2


@pytest.mark.parametrize("text", ["", "one", "a b c d e f g h", "unbreakable" * 9])
def test_fit_keeps_to_the_width(text):
    wrapped = style.fit(text, 0.8)
    assert style.text_width(wrapped) <= 0.8
    assert wrapped.replace("\n", "").replace(" ", "") == text.replace(" ", "")


def test_rows_that_a_panel_beside_names_have_no_ticks_of_their_own():
    figure = mpl.figure.Figure()
    first, second = figure.subplots(1, 2)
    row_names(first, ["one", "two"])
    row_names(second, [])
    assert [label.get_text() for label in first.get_yticklabels()] == ["one", "two"]
    assert first.get_yticks().tolist() == [0, 1]
    assert first.yaxis.get_major_ticks()[0].tick1line.get_markersize() == 0
    assert second.get_yticks().size == 0


def test_import_is_cheap():
    code = (
        "import sys, momentshare.report.figures.study; "
        "sys.exit(any(m.startswith('matplotlib') for m in sys.modules))"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_missing_fonts_are_looked_for_once():
    assert style._fallback_fonts("abc äöü λ") == ()
    assert isinstance(style._fallback_fonts("臥"), tuple)

"""The report page in a real browser: on a phone, on a desk, and on paper.

Source: the page is tested in Chromium itself – what it draws, requests, logs and prints. The
least contrast of 4.5:1 and its formula are WCAG 2's (success criterion 1.4.3, from memory); 14 px
as the smallest running text on a phone is common practice, no source.
"""

from __future__ import annotations

import io
from dataclasses import replace
from itertools import pairwise
from unicodedata import normalize

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure
from tests import browser as chrome
from tests.browser import headless  # noqa: F401 - the fixture ``browser``

from momentshare.files.writer import figure_bytes
from momentshare.report.figures import style
from momentshare.report.figures.footer import heading_texts
from momentshare.report.figures.layout import Texts, panel_grid
from momentshare.report.page.document import (
    Bullets,
    Code,
    Heading,
    Page,
    Paragraph,
    Picture,
    Section,
    Table,
    Verdict,
    Verdicts,
    render,
)

HOSTILE = (
    "<script>document.title='taken'</script>",
    "<img src=x onerror=\"document.title='taken'\">",
    "\"' onmouseover='alert(1)",
    "</title></style></table></figure>&amp;&#60;",
    "left \u202eright to left\u202c over",
    "רונה \u200fאבו",
    "A" * 120,
    "nul\x00 and bell\x07",
)
HEADS = (
    "pectoralis_major/clavicular",
    "pectoralis_major/sternocostal_upper",
    "deltoid/clavicular",
    "triceps_brachii/long",
    "triceps_brachii/lateral",
    "infraspinatus/upper",
)
BIBTEX = (
    "@article{madeup2001,\n  author = {Made UP},\n  title = {Invented for a test},\n"
    "  journal = {None},\n  year = {2001}\n}\n"
)
PICTURES = 3


def line_figure():
    figure = Figure(figsize=(7.6, 3.2), layout="constrained")
    ax = figure.subplots()
    lift = np.linspace(0.0, 100.0, 101)
    for index in range(4):
        look = style.condition_style(index)
        activation = 60 + 8 * index + 20 * np.cos(lift / (18 + 3 * index))
        ax.plot(lift, activation, markevery=20, label=f"bar {1.0 + 0.3 * index:.1f}", **look)
    ax.set_xlabel("lift [% of bar height]")
    ax.set_ylabel("activation [%]")
    figure.legend(loc="outside right upper", frameon=False)
    return figure


def saved(figure, kind):
    stream = io.BytesIO()
    with mpl.rc_context(style.settings()):
        figure.savefig(stream, format=kind, dpi=130)
    return stream.getvalue() if kind == "png" else stream.getvalue().decode()


def narrow_table():
    number = np.arange(8.0)
    return pd.DataFrame(
        {
            "condition": ["bar 1.0", "bar 1.4"] * 4,
            "head": [HEADS[int(n) // 2] for n in number],
            "peak_force_n": 731.4 - 61.7 * number,
            "mean_activation": 0.91 - 0.087 * number,
            "difference_percent": -12.4 + 3.3 * number,
            "p": [0.0002, 0.013, 0.2, 0.61, np.nan, 0.04, 0.9, 0.0499],
        }
    )


def wide_table(rows=40):
    rng = np.random.default_rng(4)
    scales = {
        "peak_force_n": 900.0,
        "mean_force_n": 500.0,
        "shoulder_elevation_moment_nm": 60.0,
        "elbow_extension_moment_nm": 40.0,
        "load_kg": 90.0,
        "elbow_flexion_deg": 110.0,
        "bar_height_m": 0.5,
        "duration_s": 2.0,
        "peak_speed_mps": 0.6,
        "difference_percent": 10.0,
        "moment_residual": 1e-9,
    }
    table = pd.DataFrame(
        {
            "person": [HOSTILE[i % len(HOSTILE)] for i in range(rows)],
            "condition": [f"bar {1.0 + 0.1 * (i % 5):.1f}" for i in range(rows)],
            "head": [HEADS[i % len(HEADS)] for i in range(rows)],
        }
    )
    for name, scale in scales.items():
        table[name] = scale * rng.uniform(0.1, 1.0, rows)
    assert table.shape[1] == 14
    return table


def sample():
    checks = (
        Verdict(
            name="Moment balance closes",
            value="4·10⁻⁹ N·m",
            limit="≤ 10⁻⁶ N·m",
            verdict="pass",
            note="greatest over all frames and rows",
        ),
        Verdict(
            name="Force of both hands against weight",
            value="1.7 %",
            limit="≤ 1 %",
            verdict="warn",
            note="mean over the repetition; a plate that was not zeroed shows here",
        ),
        Verdict(name="Clocks agree", value="38 ms", limit="≤ 10 ms", verdict="fail"),
        Verdict(name=HOSTILE[0], value=HOSTILE[4], limit=HOSTILE[2], verdict="not possible"),
    )
    narrow = narrow_table()
    text = (
        "Six invented people pressed a bar at three hand spacings. Forces on both hands and the "
        "posture of the right arm were recorded, and the net moments of shoulder and elbow were "
        "shared among the heads. "
    )
    return Page(
        title="Harbour rescue team: three hand spacings",
        subtitle="Which heads a wider grip loads, and how sure one may be",
        sections=(
            Section(
                title="What was done",
                anchor="done",
                lead="The lateral force on the bar was measured, set to zero, and left free.",
                blocks=(
                    Paragraph(text=2 * text),
                    Bullets(items=["bar 1.0, 1.4 and 1.7", "three repetitions each", *HOSTILE]),
                    Paragraph(text=text + HOSTILE[0]),
                ),
            ),
            Section(
                title="Checks of the recordings",
                anchor="checks",
                blocks=(Verdicts(rows=checks, caption="Checks of every repetition"),),
            ),
            Section(
                title="Activation of the heads",
                anchor="activation",
                lead="Activation is active force over the greatest active force in that posture.",
                blocks=(
                    Heading(text="Along the lift"),
                    Picture(
                        image=saved(line_figure(), "png"),
                        alt="Four falling lines of activation against bar height.",
                        caption="Activation along the lift, mean over people.",
                    ),
                    Picture(
                        image=saved(line_figure(), "svg"),
                        alt=HOSTILE[2],
                        caption=f"The same as a drawing. {HOSTILE[0]}",
                    ),
                    Heading(text="By head"),
                    Table(
                        frame=narrow,
                        caption="Activation and force, mean over people.",
                        note="Bold and tinted: p below 0.05. – not computed.",
                        highlight={"p": list(narrow["p"] < 0.05)},
                    ),
                    Table(frame=wide_table(), caption=f"All of it. {HOSTILE[1]}", note=HOSTILE[3]),
                    Paragraph(text=text),
                    Table(frame=narrow[:0], caption="Nothing fell short."),
                ),
            ),
            Section(
                title=HOSTILE[1],
                anchor="names",
                blocks=(
                    Picture(
                        image=saved(Figure(figsize=(6.0, 14.0)), "png"),
                        alt="An empty sheet, taller than a page is wide.",
                        caption="A tall figure.",
                    ),
                    Code(text="x" * 300 + "\n</code></pre>", label="A long line"),
                ),
            ),
        ),
        cautions=("Forces are estimates of a model.", "Press with a spotter.", HOSTILE[0]),
        sources_bibtex=BIBTEX,
        made_by="momentshare 0.0\nmodel reference_limb, digest " + 64 * "a",
    )


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    file = tmp_path_factory.mktemp("page") / "report.html"
    file.write_text(render(sample()), encoding="utf-8")
    return file


@pytest.mark.parametrize("size", [chrome.DESKTOP, chrome.PHONE])
def test_page_opens_without_faults_requests_or_scripts(browser, path, size):
    chrome.open_page(browser, path, size)
    widths = chrome.image_widths(browser)
    assert len(widths) == PICTURES
    assert min(widths) > 0
    assert chrome.console_faults(browser) == []
    made = chrome.requests_made(browser)
    assert any(url.startswith("file:") for url in made)  # the log was listening
    assert [url for url in made if not url.startswith(("file:", "data:"))] == []
    assert sum(url.startswith("file:") for url in made) == 1
    assert browser.title == sample().title
    assert browser.execute_script("return document.querySelectorAll('script').length") == 0


def test_checks_see_what_is_wrong_with_a_bad_page(browser, tmp_path):
    bad = tmp_path / "bad.html"
    bad.write_text(
        "<!DOCTYPE html><title>bad</title><meta name=viewport content='width=device-width'>"
        "<p style='width:900px'>wide</p><img src='http://127.0.0.1:9/a.png' alt=''>"
        "<p style='color:#999'>pale</p><h3>no first heading</h3>",
        encoding="utf-8",
    )
    chrome.open_page(browser, bad, chrome.PHONE)
    assert chrome.image_widths(browser) == [0]
    assert chrome.sideways(browser) > 1 or browser.execute_script("return innerWidth") > 390
    assert any(url.startswith("http:") for url in chrome.requests_made(browser))
    assert chrome.console_faults(browser)
    assert chrome.too_wide(browser)
    assert [pair for pair in contrasts(browser) if pair[0] < 4.5]


@pytest.mark.parametrize("width", [320, 390])
def test_phone_reads_without_moving_the_page_sideways(browser, path, width):
    chrome.open_page(browser, path, chrome.PHONE)
    if width != chrome.PHONE[0]:
        chrome.resize(browser, (width, 640))
    assert browser.execute_script("return window.innerWidth") == width
    assert chrome.sideways(browser) <= 1
    size = "return parseFloat(getComputedStyle(document.querySelector(arguments[0])).fontSize)"
    assert browser.execute_script(size, "body") >= 14
    assert browser.execute_script(size, "td") >= 13
    moved = browser.execute_script(
        "return [...document.querySelectorAll('.scroll')].map(e => e.scrollWidth > e.clientWidth)"
    )
    assert any(moved)  # the wide table moves inside its own container


def boxes_of_figures(driver):
    """Width shown, width of its box and natural width of each figure [px]; how its box moves."""
    return driver.execute_script(
        "return [...document.querySelectorAll('.picture img')].map(i => [i.clientWidth,"
        " i.parentElement.clientWidth, +i.getAttribute('width'),"
        " getComputedStyle(i.parentElement).overflowX])"
    )


def test_figures_stay_large_enough_to_read_on_a_phone_and_whole_on_paper(browser, path):
    chrome.open_page(browser, path, chrome.PHONE)
    found = boxes_of_figures(browser)
    assert len(found) == PICTURES
    for shown, box, natural, moves in found:
        assert shown >= 0.6 * natural  # 7.5-point texts of 13.5 px stay above 8 px
        assert box < 390
        assert moves == "auto"
    assert chrome.sideways(browser) <= 1
    chrome.open_page(browser, path)
    assert all(shown <= box for shown, box, _, _ in boxes_of_figures(browser))
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    chrome.resize(browser, chrome.PAPER)
    for shown, box, _, moves in boxes_of_figures(browser):
        assert shown <= box
        assert moves == "visible"


def test_headings_tables_and_labels_are_in_order(browser, path):
    chrome.open_page(browser, path)
    levels = browser.execute_script(
        "return [...document.querySelectorAll('h1,h2,h3,h4,h5,h6')].map(h => +h.tagName[1])"
    )
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(b - a <= 1 for a, b in pairwise(levels))
    assert browser.execute_script(
        "return [...document.querySelectorAll('th')].every(h => ['row', 'col'].includes(h.scope))"
    )
    broken = browser.execute_script(
        "return [...document.querySelectorAll('a[href], [aria-labelledby]')].map(e =>"
        " e.getAttribute('aria-labelledby') || e.getAttribute('href').slice(1))"
        ".filter(id => document.querySelectorAll('#' + CSS.escape(id)).length != 1)"
    )
    assert broken == []
    labels = browser.execute_script(
        "return [...document.querySelectorAll('.label')].map(e => e.textContent)"
    )
    assert labels == [
        "Table 1",
        "Figure 1",
        "Figure 2",
        "Table 2",
        "Table 3",
        "Table 4",
        "Figure 3",
    ]


def test_every_text_stands_out_from_its_ground(browser, path):
    chrome.open_page(browser, path)
    found = contrasts(browser)
    assert len(found) > 100
    assert [pair for pair in found if pair[0] < 4.5] == []


def contrasts(driver):
    """Contrast ratio and text of every element with text of its own."""
    return driver.execute_script("""
        const parts = c => c.match(/[\\d.]+/g).map(Number);
        const light = c => parts(c).slice(0, 3).map(v => v / 255).map(v =>
            v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4)
            .reduce((sum, v, i) => sum + v * [0.2126, 0.7152, 0.0722][i], 0);
        const ground = e => {
            for (; e; e = e.parentElement) {
                const c = getComputedStyle(e).backgroundColor;
                if (parts(c).length == 3 || parts(c)[3] > 0) return c;
            }
            return 'rgb(255, 255, 255)';
        };
        return [...document.querySelectorAll('body *')].filter(e =>
            [...e.childNodes].some(n => n.nodeType == 3 && n.textContent.trim())).map(e => {
            const pair = [light(getComputedStyle(e).color), light(ground(e))].sort((a, b) => b - a);
            return [(pair[0] + 0.05) / (pair[1] + 0.05), e.textContent.slice(0, 40)];
        });
    """)


def test_one_click_selects_all_bibtex(browser, path):
    chrome.open_page(browser, path)
    browser.find_element("css selector", "#sources-code pre").click()
    assert browser.execute_script("return getSelection().toString()").strip() == BIBTEX.strip()


def test_first_key_leads_past_the_contents(browser, path):
    chrome.open_page(browser, path)
    body = browser.find_element("css selector", "body")
    body.send_keys("\ue004")  # Tab
    assert browser.execute_script("return document.activeElement.className") == "skip"
    assert browser.execute_script(
        "return document.activeElement.getBoundingClientRect().left"
    ) == pytest.approx(0.0, abs=1.0)


def test_nothing_reaches_beyond_the_paper(browser, path):
    chrome.open_page(browser, path)
    assert chrome.too_wide(browser) == []


def test_table_of_many_columns_still_fits_the_paper(browser, tmp_path):
    parts = [wide_table(20).add_prefix(f"visit_{n}_") for n in range(3)]
    page = Page(
        title="Many columns",
        sections=[
            Section(
                title="All",
                anchor="all",
                blocks=[Table(frame=pd.concat(parts, axis=1), caption="Three visits.")],
            )
        ],
    )
    file = tmp_path / "many.html"
    file.write_text(render(page), encoding="utf-8")
    chrome.open_page(browser, file)
    assert chrome.too_wide(browser) == []
    chrome.open_page(browser, file, chrome.PHONE)
    assert chrome.sideways(browser) <= 1


def printed(driver):
    """Pages of the printed page, and the text of each with its ligatures undone."""
    from pypdf import PdfReader

    pages = PdfReader(io.BytesIO(chrome.print_pdf(driver))).pages
    return pages, [" ".join(normalize("NFKC", p.extract_text()).split()) for p in pages]


def test_page_prints(browser, path):
    chrome.open_page(browser, path)
    pages, texts = printed(browser)
    assert 5 <= len(pages) <= 12
    sizes = {tuple(round(float(v)) for v in page.mediabox[2:]) for page in pages}
    assert all(min(s) == pytest.approx(595, abs=2) for s in sizes)  # A4, upright or turned
    assert all(max(s) == pytest.approx(842, abs=2) for s in sizes)
    assert {s[0] > s[1] for s in sizes} == {True, False}  # the wide table lies on its side
    text = " ".join(texts)
    for wanted in (
        "Harbour rescue team: three hand spacings",
        "Figure 2",
        "Table 3",
        "peak force [N]",
        "not possible",
        "<script>document.title='taken'</script>",
        "@article{madeup2001,",
        "Press with a spotter.",
    ):
        assert wanted in text, wanted
    assert text.count("peak speed [m/s]") >= 2  # the header comes again on the next page


def test_figure_stands_whole_on_one_page_with_its_caption(browser, path):
    chrome.open_page(browser, path)
    pages, texts = printed(browser)
    drawn = [len(page.images) for page in pages]
    assert sum(drawn) == 2  # the PNGs, neither cut in two; the SVG is drawn as lines
    for caption in ("Activation along the lift, mean over people.", "A tall figure."):
        (place,) = [i for i, text in enumerate(texts) if caption in text]
        assert drawn[place] == 1


def opened_page(letters, height):
    """A page of three statements this long and a picture this tall [inch], and one table after."""
    picture = Picture(
        image=saved(Figure(figsize=(7.5, height)), "png"), alt="Empty.", caption="The first figure."
    )
    text = ("Words of a statement. " * letters)[: letters - 8] + " to end."
    wide = Table(frame=wide_table(), caption="A table on its side.")
    return Page(
        title="Which grip?",
        opening=[("What is firm", text), ("What turns", text), ("What cannot be said", text)],
        picture=picture,
        sections=[Section(title="After", anchor="after", blocks=[wide])],
    )


@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize("height", [3.0, 14.0])
@pytest.mark.parametrize("letters", [80, 700])
def test_statements_and_their_picture_are_printed_on_the_first_page(
    browser, tmp_path, paper, height, letters
):
    file = tmp_path / "opened.html"
    page = render(opened_page(letters, height))
    file.write_text(page.replace("size: A4", f"size: {paper}"), encoding="utf-8")
    chrome.open_page(browser, file)
    assert min(chrome.image_widths(browser)) > 0  # waits until it is there to be printed
    pages, texts = printed(browser)
    assert len(pages[0].images) == 1
    assert "The first figure." in texts[0]
    assert texts[0].count("to end.") == 3
    assert "After Table 1 A table on its side." in texts[1]  # the heading is turned with its table
    width, height = (float(v) for v in pages[0].mediabox[2:])
    assert (round(width), round(height)) == {"A4": (595, 842), "Letter": (612, 792)}[paper]


@pytest.mark.parametrize("size", [(1200, 900), chrome.PHONE])
def test_the_picture_begins_on_the_first_screen(browser, tmp_path, size):
    file = tmp_path / "opened.html"
    sections = [Section(title=f"A section {k}", anchor=f"s-{k}") for k in range(14)]
    page = replace(opened_page(230, 8.0), sections=sections)
    file.write_text(render(page), encoding="utf-8")
    chrome.open_page(browser, file, size)
    top = "return document.querySelector(arguments[0]).getBoundingClientRect().top"
    assert browser.execute_script(top, ".opening img") < size[1] - 100
    assert chrome.sideways(browser) <= 1


def test_on_a_phone_the_title_of_a_figure_is_whole_before_the_figure_is_moved(browser, tmp_path):
    title = "Firm: the acromial deltoid works more in 'bar 1.1, flared' than in 'bar 1.7, flared'"
    texts = Texts(title=title, note="Lift-mean activation by condition. " * 4, panels=["a"] * 4)
    figure = panel_grid(4, 4, (2.2, 2.0), texts)[0]
    image = figure_bytes(figure, "png", None, heading_texts(figure))
    page = replace(opened_page(80, 3.0), picture=Picture(image=image, alt="A.", caption="B."))
    file = tmp_path / "titled.html"
    file.write_text(render(page), encoding="utf-8")
    measure = """
        const box = e => { const b = e.getBoundingClientRect(); return [b.left, b.right, b.top]; };
        const [title, image, scroll] = ['.heading .title', '.opening img', '.opening .scroll'];
        const seen = [title, image, scroll].map(q => document.querySelector(q));
        return [seen[0].offsetParent && seen[0].textContent, ...seen.map(box)];
    """
    share = float(heading_texts(figure)["HeadingShare"])
    for size in (chrome.PHONE, (800, 1000)):
        chrome.open_page(browser, file, size)
        said, (left, right, _), (*_, top), (*_, edge) = browser.execute_script(measure)
        assert said == title
        assert left >= 0.0
        assert right <= size[0]
        tall = browser.execute_script(
            "return document.querySelector('.opening img').getBoundingClientRect().height"
        )
        assert edge - top == pytest.approx(share * tall, abs=1.0)  # no title within the picture
        assert chrome.sideways(browser) <= 1
    chrome.open_page(browser, file, (1200, 900))
    said, _, (*_, top), (*_, edge) = browser.execute_script(measure)
    assert said is None
    assert top == edge


def test_statements_longer_than_a_page_do_not_run_into_what_follows(browser, tmp_path):
    page = opened_page(3000, 6.0)
    assert not page.one_page()
    file = tmp_path / "long.html"
    file.write_text(render(page), encoding="utf-8")
    chrome.open_page(browser, file)
    assert min(chrome.image_widths(browser)) > 0  # waits until it is there to be printed
    texts = printed(browser)[1]
    last = max(i for i, text in enumerate(texts) if "to end." in text)
    (after,) = [i for i, text in enumerate(texts) if "A table on its side." in text]
    assert after > last


def filled_page(sections=24):
    """Sections of growing length, so that their headings come to lie all over the paper."""
    parts = []
    for number in range(sections):
        frame = pd.DataFrame({"name": [f"row{number}x{i}" for i in range(18)], "x": 1.5})
        parts.append(
            Section(
                title=f"Section{number}x",
                anchor=f"section-{number}",
                lead=f"Lead{number}x.",
                blocks=(
                    Heading(text=f"Heading{number}x"),
                    Table(frame=frame, caption=f"Caption{number}x"),
                    Paragraph(text="Words. " * (5 + 37 * number % 200)),
                ),
            )
        )
    return Page(title="Fill", sections=parts)


def parted(texts, sections=24):
    """Sections whose heading is on another page than the first row of their table."""
    body = [text for text in texts if "Contents" not in text] or texts
    marks = ("Lead{}x", "Heading{}x", "Caption{}x", "row{}x0")
    return [
        n
        for n in range(1, sections)
        if len({next(i for i, t in enumerate(body) if m.format(n) in t) for m in marks}) > 1
    ]


def test_no_heading_stands_alone_at_the_foot_of_a_page(browser, tmp_path):
    file = tmp_path / "fill.html"
    file.write_text(render(filled_page()), encoding="utf-8")
    chrome.open_page(browser, file)
    assert parted(printed(browser)[1]) == []
    # Without the rules that hold them together the same sections come apart.
    browser.execute_script(
        "document.head.insertAdjacentHTML('beforeend', '<style>@media print {"
        " h2, h3, .lead, .table figcaption { break-after: auto !important } }</style>')"
    )
    assert parted(printed(browser)[1]) != []


def test_sources_are_printed_small(browser, path):
    chrome.open_page(browser, path)
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    size = browser.execute_script(
        "return parseFloat(getComputedStyle(document.querySelector('#sources-code pre')).fontSize)"
    )
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
    assert size == pytest.approx(8.0)  # 6 pt

"""The page of a comparison with published values says what its table holds."""

from __future__ import annotations

import io
import re

import numpy as np
import pandas as pd
import pytest
from tests.drawn import panels, plain
from tests.report.page_reader import PageReader

from momentshare.model import load_model
from momentshare.report.figures.validation import agreement_figure, scores_figure
from momentshare.report.page.document import render
from momentshare.report.page.validation import validation_opening, validation_page
from momentshare.validation.agreement import agreement_rows, agreements, firm_orders
from momentshare.validation.scores import scores

KINDS = ("number", "order", "sense")


def planted():
    """Invented outcomes of invented rows, of every kind and both groups of sources."""
    rng = np.random.default_rng(3)
    rows = []
    for used in (False, True):
        for kind in KINDS:
            for k in range(8):
                null = float(rng.choice([0.2, 0.5, 0.95]))
                rows.append(
                    {
                        "id": f"{kind}_{used}_{k}", "kind": kind, "use": "validation",
                        "quantity": "arm", "posture": "men", "published": "20", "unit": "mm",
                        "model": 21.0, "right": bool(rng.random() < 0.6), "null_right": null,
                        "telling": null < 0.9, "source_used": used, "relative_error": 0.1,
                        "source": "murray2000", "limit": ("", "L1")[k % 2],
                        "drawn_right": float(rng.choice([1.0, 0.0, 0.8, 0.55])),
                        "low": 15.0, "high": 25.0, "drawn_low": 20.0 + k, "drawn_high": 30.0,
                    }
                )  # fmt: skip
    return pd.DataFrame(rows)


def test_the_opening_counts_what_is_right_and_what_null_limbs_get_right():
    table, model = planted(), load_model()
    said = validation_opening(model, table)
    mine = table[~table["source_used"]]
    for kind in KINDS:
        part = mine[mine["kind"] == kind]
        assert f"{part['right'].sum()} of {len(part)} {kind}s" in said.firm
        assert f"{100 * part['null_right'].mean():.0f} % of {kind}s" in said.turns
    telling = mine[mine["telling"]]
    assert f"of {len(telling)} rows that fewer" in said.turns
    assert f"the limb gets {telling['right'].sum()}." in said.turns
    assert said.unsaid.startswith(f"{(~table['right']).sum()} rows of {len(table)} are missed")


def test_dots_are_the_scores_of_their_row_and_panel():
    found = scores(planted())
    figure = scores_figure(found)
    for title, ax in panels(figure).items():
        telling = title.startswith("rows that tell")
        dots = {}
        for line in ax.lines:
            face = "null" if line.get_markerfacecolor() == "#ffffff" else "limb"
            dots[face, int(line.get_ydata()[0])] = float(line.get_xdata()[0])
        for place, score in enumerate(found):
            rows, right, null = (
                (score.telling, score.telling_right, score.telling_null)
                if telling
                else (score.rows, score.right, score.null)
            )
            assert dots["limb", place] == 100.0 * right / rows
            assert dots["null", place] == 100.0 * null
    numbers = plain(figure.texts[0].get_text())
    assert re.match(r"Right, from other sources: \d+ of 8 numbers", numbers)


def test_the_page_opens_with_the_statements_and_shows_every_miss():
    table, model = planted(), load_model()
    image = io.BytesIO()
    scores_figure(scores(table)).savefig(image, format="png")
    drawn = io.BytesIO()
    agreement_figure(agreements(table)).savefig(drawn, format="png")
    pictures = {"scores": image.getvalue(), "agreement": drawn.getvalue()}
    page = PageReader(render(validation_page(model, table, pictures)))
    assert plain(validation_opening(model, table).firm) in plain(page.text("In short"))
    shown = page.table("Rows that the limb misses")
    assert len(shown.rows) == (~table["right"]).sum()
    assert set(shown.column("source")) == {"Murray et al. 2000"}
    assert len(page.pictures) == 2
    firm = firm_orders(agreements(table))
    assert firm
    assert plain(firm) in plain(page.text("In short"))
    missed = table[~table["right"]].sort_values("telling", kind="stable")
    assert len(missed) > 5
    shares = [f"{100 * share:.0f} %" for share in missed["drawn_right"]]
    assert shown.column("drawn limbs right") == shares
    counts = page.table("Limbs drawn within the model")
    wanted = agreement_rows(table)
    assert len(counts.rows) == len(wanted)
    for name in wanted[0]:
        assert counts.column(name) == [row[name] for row in wanted]


def wilson(right, rows, z=1.959964):
    """Interval of a share, Wilson 1927, from the closed form."""
    share = right / rows
    middle = (share + z**2 / (2 * rows)) / (1 + z**2 / rows)
    half = z * np.sqrt(share * (1 - share) / rows + z**2 / (4 * rows**2)) / (1 + z**2 / rows)
    return [100 * (middle - half), 100 * (middle + half)]


def test_dots_and_lines_of_agreement_are_the_counts():
    found = agreements(planted())
    own = [a for a in found if a.group == "other sources"]
    figure = agreement_figure(found)
    for kind, ax in panels(figure).items():
        counts = [
            (right, rows, face)
            for a in own
            if a.kind == kind
            for right, rows, face in (
                (a.alike_right, a.alike, False),
                (a.right - a.alike_right, a.rows - a.alike, True),
            )
            if rows
        ]
        dots = [line for line in ax.lines if line.get_marker() == "o"]
        spans = [line for line in ax.lines if line.get_marker() != "o"]
        assert [text.get_text() for text in ax.texts] == [f"{n} of {of}" for n, of, _ in counts]
        for dot, span, (right, rows, hollow) in zip(dots, spans, counts, strict=True):
            assert float(dot.get_xdata()[0]) == 100.0 * right / rows
            assert (dot.get_markerfacecolor() == "#ffffff") == hollow
            assert span.get_xdata() == pytest.approx(wilson(right, rows), abs=1e-3)
    first = own[0]
    assert plain(figure.texts[0].get_text()) == (
        f"Drawn limbs agree on {first.rows} {first.kind}: {first.alike_right} of {first.alike} are "
        f"right where null limbs agree too, {first.right - first.alike_right} of the other "
        f"{first.rows - first.alike}"
    )

"""The page of a comparison with published values says what its table holds."""

from __future__ import annotations

import io
import re

import numpy as np
import pandas as pd
from tests.drawn import panels, plain
from tests.report.page_reader import PageReader

from momentshare.model import load_model
from momentshare.report.figures.validation import scores_figure
from momentshare.report.page.document import render
from momentshare.report.page.validation import validation_opening, validation_page
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
                        "source": "murray2000",
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
    page = PageReader(render(validation_page(model, table, image.getvalue())))
    assert plain(validation_opening(model, table).firm) in plain(page.text("In short"))
    shown = page.table("Rows that the limb misses")
    assert len(shown.rows) == (~table["right"]).sum()
    assert set(shown.column("source")) == {"Murray et al. 2000"}
    assert len(page.pictures) == 1

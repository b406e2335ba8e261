"""The page of a fit, its figure and its sentences hold what its tables hold."""

from __future__ import annotations

import functools
import io
import re

import matplotlib as mpl
import numpy as np
import pytest
from tests.drawn import legend, places, plain, printed
from tests.report.page_reader import PageReader

from momentshare.calibration import Calibration
from momentshare.calibration.fit import FittedNumber
from momentshare.calibration.write import number_table, target_table
from momentshare.help import entries
from momentshare.model import load_model
from momentshare.report.figures import style
from momentshare.report.figures.calibration import EDGE_SPREADS, fit_figure
from momentshare.report.page.calibration import calibration_opening, calibration_page
from momentshare.report.page.document import render
from momentshare.report.text.opening import print_opening
from momentshare.validation.evaluate import is_posture
from momentshare.validation.table import row_labels
from momentshare.validation.targets import load_targets


@functools.cache
def planted():
    """A fit with invented outcomes: values around the published ones, closer after than before."""
    model = load_model(calibrated=False)
    targets = tuple(t for t in load_targets(model) if is_posture(t))
    rng = np.random.default_rng(5)
    wanted = np.array([1.0 if t.value is None else t.value for t in targets])
    numbers = tuple(
        FittedNumber(
            table="sites", name=f"place_{k}", field="x", before=10.0, after=10.0 + move,
            unit="mm", spread=1.0, moved=move, at_bound=abs(move) > 2.48,
        )
        for k, move in enumerate([2.5, -0.3, -2.5, 1.0, 2.49] * 12)
    )  # fmt: skip
    return Calibration(
        model=model,
        numbers=numbers,
        targets=targets,
        before=wanted * (1.0 + 0.5 * rng.standard_normal(len(wanted))),
        after=wanted * (1.0 + 0.15 * rng.standard_normal(len(wanted))),
        cost_before=9.0,
        cost_after=3.0,
        evaluations=2,
    )


@functools.cache
def drawn():
    with mpl.rc_context(style.settings()):
        return fit_figure(planted())


@functools.cache
def page():
    image = io.BytesIO()
    drawn().savefig(image, format="png")
    return PageReader(render(calibration_page(planted(), image.getvalue())))


def counted_by_hand(use):
    """Rows, in band before and after, gained, lost: from the targets, not from a table."""
    fit = planted()
    found = [
        (t.is_right(b), t.is_right(a))
        for t, b, a in zip(fit.targets, fit.before, fit.after, strict=True)
        if t.use == use
    ]
    before, after = (sum(bool(x[k]) for x in found) for k in (0, 1))
    return (
        len(found), before, after,
        sum(a and not b for b, a in found), sum(b and not a for b, a in found),
    )  # fmt: skip


def test_the_statements_count_rows_and_numbers():
    said = calibration_opening(planted())
    rows, before, after, gained, lost = counted_by_hand("calibration")
    assert [int(n) for n in re.findall(r"\d+", said.firm)] == [rows, after, before, gained, lost]
    rows, before, after, gained, lost = counted_by_hand("validation")
    assert gained > 0
    assert lost > 0
    assert [int(n) for n in re.findall(r"\d+", said.turns)] == [rows, after, before, gained, lost]
    assert "36 of 60 fitted numbers stand at the end of the allowed range" in said.unsaid
    terminal = printed(lambda console: print_opening(console, said))
    for text in (said.firm, said.turns, said.unsaid):
        assert plain(text) in plain(terminal)
        assert plain(text) in plain(page().text("In short"))


def test_dots_are_the_distances_of_the_row_that_names_them():
    fit = planted()
    named = {name: (ax, at) for ax in drawn().axes for name, at in places(ax.yaxis).items()}
    used = [t.use == "calibration" for t in fit.targets]
    labels = row_labels([t for t, fits in zip(fit.targets, used, strict=True) if fits],
                        fit.model.references)  # fmt: skip
    rows = zip(*(np.array(x, dtype=object)[used] for x in (fit.targets, fit.before, fit.after)),
               strict=True)  # fmt: skip
    wanted = dict(zip(labels, rows, strict=True))
    named = {name.replace("\n", " "): place for name, place in named.items()}
    assert set(named) == set(wanted)
    assert len(drawn().axes) == 1
    looks = {
        label: (h.get_markerfacecolor(), h.get_marker()) for label, h in legend(drawn()).items()
    }
    dots = {
        (ax, line.get_markerfacecolor(), line.get_marker(), y): float(x)
        for ax in drawn().axes
        for line in ax.lines
        if line.get_marker() in {"o", "s"}
        for x, y in zip(line.get_xdata(), line.get_ydata(), strict=True)
    }
    for name, (target, *values) in wanted.items():
        for when, value in zip(("before", "after"), values, strict=True):
            if target.kind == "number":
                off = (value - target.value) / target.fit_sigma
            else:
                off = min(value - target.fit_sigma, 0.0) / target.fit_sigma
            ax, at = named[name]
            where = "in" if target.is_right(value) else "outside"
            shown = dots.pop((ax, *looks[f"{when} the fit, {where} the band"], at))
            assert shown == pytest.approx(np.clip(off, -EDGE_SPREADS, EDGE_SPREADS))
    assert not dots
    rows, before, after, *_ = counted_by_hand("calibration")
    title = plain(drawn().texts[0].get_text())
    assert [int(n) for n in re.findall(r"\d+", title)] == [before, after, rows]


def test_labels_of_rows_are_words_and_tell_every_row_from_the_others():
    fit = planted()
    used = {t.id: t for t in fit.targets if t.use == "calibration"}
    labels = row_labels(list(used.values()), fit.model.references)
    told = dict(zip(used, labels, strict=True))
    assert len(set(labels)) == len(used)
    assert not any("_" in label for label in labels)
    assert told["elbow_arm_brachialis_30"] == "moment arm, elbow flexion: brachialis, elbow 30 deg"
    assert told["line_deltoid_spinal_abd60_lateral"] == "line of action, lateral: deltoid spinal"
    assert all(
        ("(from memory)" in label) == (used[name].known == "from memory")
        for name, label in told.items()
    )
    # Two sources measured the same arm in the same posture.
    same = {told[name] for name in ("elbow_arm_triceps_30", "triceps_arm_30_mri")}
    cited = {fit.model.references[used[name].source].cited
             for name in ("elbow_arm_triceps_30", "triceps_arm_30_mri")}  # fmt: skip
    assert all(any(source in label for label in same) for source in cited)


def test_the_page_shows_rows_that_cross_their_band_and_numbers_that_move_most():
    table = target_table(planted())
    judging = table[table["use"] == "validation"]
    crossed = judging[judging["in_band_before"] != judging["in_band_after"]]
    shown = page().table("Rows that the fit does not see")
    assert len(shown.rows) == len(crossed)
    moved = page().table("numbers that moved most")
    assert len(moved.rows) == 40
    assert len(number_table(planted())) == 60
    assert len(page().pictures) == 1


def test_every_column_of_its_tables_is_explained():
    told = {
        file: {n for e in entries() if e.topic == "other-tables" and e.section == file
               for n in e.names}
        for file in ("calibration_report.csv", "calibration_numbers.csv")
    }  # fmt: skip
    assert told["calibration_report.csv"] == set(target_table(planted()).columns)
    assert told["calibration_numbers.csv"] == set(number_table(planted()).columns)

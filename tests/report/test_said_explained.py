"""Every number and every verb of an explanation follows the tables written beside it."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass, replace
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pytest
import typer
from matplotlib.colors import to_hex
from tests.drawn import (
    MINUS,
    head_of_figure,
    labelled,
    legend,
    look,
    panels,
    places,
    plain,
    points,
    printed_tables,
    spoken,
    with_hyphens,
)
from tests.planned import TEXT, solved
from tests.report.page_reader import PageReader, assert_shows
from typer.testing import CliRunner

from momentshare.analysis import solve_lift
from momentshare.balance import Criterion
from momentshare.cli.explain import explain
from momentshare.directions import ROWS
from momentshare.explain import (
    CapacityFactors,
    FrameProblem,
    HeadExplanation,
    counterfactuals,
    drive_split,
    explain_along,
    explain_head,
)
from momentshare.explain.along import along_text, sign_text
from momentshare.explain.comparison import comparison_text
from momentshare.explain.sentences import capacity_text, case_text, drive_text, moments_text
from momentshare.model import load_model
from momentshare.report.figures.explain import drive_figure
from momentshare.study.factors import MOST_LINES
from momentshare.text import head_label, head_phrase

if TYPE_CHECKING:
    from pathlib import Path

LONG, LATERAL, BICEPS = "triceps_brachii/long", "triceps_brachii/lateral", "biceps_brachii/long"
FRONT = "deltoid/clavicular"
NUMBER = r"[+-]?\d+(?:\.\d+)?"
SIGNED = r"[+-]\d+\.\d{3}"
TOLD = rf"(?:{SIGNED}|0\.000)"  # what rounds to nothing has no sign
SMALL = 5e-4
"""Half of the last digit that is printed; what is below counts as nothing."""

TOWARDS = {
    ("shoulder_internal_rotation", 1): "internal rotation",
    ("shoulder_internal_rotation", -1): "external rotation",
    ("shoulder_elevation", 1): "elevation",
    ("shoulder_elevation", -1): "lowering of the arm",
    ("shoulder_horizontal_adduction", 1): "horizontal adduction",
    ("shoulder_horizontal_adduction", -1): "horizontal abduction",
    ("elbow_extension", 1): "extension",
    ("elbow_extension", -1): "flexion",
}
AGAINST = {
    "shoulder_internal_rotation": "external rotation",
    "shoulder_elevation": "lowering of the arm",
    "shoulder_horizontal_adduction": "horizontal abduction",
    "elbow_extension": "elbow flexion",
}
"""How a row is called in a figure where the moment against its positive direction saves effort."""
N = r"(\d+(?:\.\d+)?)"
CAPACITY = (
    rf"of {N} N at best {N} N remain, because its fibres are at {N} of their peak fibre length "
    rf"\(factor {N}\), are held still \(factor {N}\) and lie at an angle \(factor {N}\); "
    rf"the passive force adds {N} N\."
)
app = typer.Typer()


def alone(row: str, moment: float) -> str:
    """How the direction of a moment is called where no joint has been named."""
    noun = TOWARDS[row, -1 if moment < 0 else 1]
    return noun if noun == "lowering of the arm" else f"{row.split('_', maxsplit=1)[0]} {noun}"


app.command()(explain)


@dataclass
class Run:
    heads: tuple[str, ...]
    output: str
    paragraphs: list[str]
    drive: pd.DataFrame
    along: pd.DataFrame
    changes: pd.DataFrame
    cases: pd.DataFrame
    record: dict[str, Any]

    def parts(self, head: str) -> pd.DataFrame:
        return self.drive[self.drive["head"] == head].set_index("row")

    def joints(self, head: str) -> dict[str, float]:
        return self.parts(head).groupby("joint", sort=False)["part"].sum().to_dict()

    def item(self, head: str) -> dict[str, Any]:
        return next(item for item in self.record["heads"] if item["head"] == head)

    def paragraph(self, start: str) -> str:
        (only,) = [text for text in self.paragraphs if text.startswith(start)]
        return only


RUNS = {
    "coupled": ("wide", (LONG, LATERAL), "measured", 0.3),
    "free": ("narrow", (BICEPS,), "free", None),
    "shoulder": ("wide", (FRONT, LONG), "zero", 0.8),
    "dumbbells": ("dumbbells", (LONG, BICEPS), "zero", None),
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    place = tmp_path_factory.mktemp("explain")
    (place / "study.toml").write_text(TEXT, encoding="utf-8")
    return place


def start(folder: Path, name: str) -> Run:
    condition, heads, lateral, height = RUNS[name]
    out = folder / name
    words = [str(folder / "study.toml"), "--condition", condition, "--head", heads[0]]
    words += ["--against", heads[1]] if len(heads) > 1 else []
    words += ["--lateral", lateral, "--out", str(out), "--no-figures"]
    words += [] if height is None else ["--height", str(height)]
    done = CliRunner().invoke(app, words)
    assert done.exit_code == 0, done.output
    read = {path.stem: pd.read_csv(path) for path in out.glob("*.csv")}
    return Run(
        heads=heads,
        output=with_hyphens(done.output),
        paragraphs=with_hyphens((out / "explanation.txt").read_text("utf-8")).split("\n\n"),
        drive=read["drive"],
        along=read["drive_along_lift"],
        changes=read["counterfactuals"],
        cases=read["counterfactual_cases"],
        record=json.loads((out / "explain.json").read_text("utf-8")),
    )


@pytest.fixture(scope="module", params=RUNS)
def run(request, folder):
    return start(folder, request.param)


@pytest.fixture(scope="module")
def coupled(folder):
    return start(folder, "coupled")


def result_of(condition: str, mode: str):
    (case,) = (c for c in solved().cases if (c.person, c.condition) == ("Edda", condition))
    return next(r for r in case.results if r.lateral.mode == mode)


def weight_of(head: str) -> float:
    """Weight of a head in the effort: its greatest isometric force over the mean."""
    limb = result_of("wide", "zero").prepared.limb
    force = limb.greatest_isometric_force
    return float(force[limb.head_names.index(head)] / force.mean())


def titled(figure) -> dict:
    """Panels by the head in their title, whatever the title says of its bounds."""
    return {title.partition(";")[0]: ax for title, ax in panels(figure).items()}


def near(text: str, value: float, digits: int = 3) -> bool:
    return abs(float(text) - value) <= 0.51 * 10.0**-digits + 1e-6 * abs(value)


def start_of(head: str) -> str:
    words = head_phrase(head)
    return words[0].upper() + words[1:]


# --------------------------------------------------------------- sentences


def test_the_answer_stands_first_with_sums_that_name_every_factor(run):
    head = run.heads[0]
    answer, item = run.paragraphs[0], run.item(head)
    assert answer.startswith(f"{start_of(head)} works at {item['activation']:.3f}")
    assert " ".join(answer.split()) in " ".join(run.output.split())
    sums = [text for text in run.paragraphs if "activation = ½ × " in text.lower()]
    assert len(sums) == len(run.heads)
    assert all("(weight)" in text for text in sums)
    if len(run.heads) == 1:
        for row, part in run.parts(head)["part"].items():
            if abs(part) >= SMALL:
                assert f"({part:+.3f}, in " in answer, row
                asked = answer.split("costs effort by")[0]
                assert (f"({part:+.3f}, in " in asked) == (part > 0.0)


def test_prose_beside_tables_leaves_out_what_they_hold(coupled, folder):
    """Answer, sums, tables, the rest; the text file, which has no tables, says all of it."""
    output = " ".join(coupled.output.split())
    whole = " ".join(" ".join(coupled.paragraphs).split())
    page = PageReader((folder / "coupled" / "report.html").read_text("utf-8"))
    beside = with_hyphens(" ".join(page.text("Findings").split()))
    for words in ("through a moment arm of", "these change most", "N remain, because"):
        assert words in whole
        assert words not in output
        assert words not in beside
    places = [output.index(w) for w in ("works at", "activation = ½", "Drive by row", "supplies:")]
    assert places == sorted(places)
    assert len(beside) < 0.7 * len(whole)
    rows = page.table("If one thing were different").records()
    names = {head_label(head): head for head in coupled.changes["head"]}
    told = 0
    for row, (_, line) in zip(rows, own_changes(coupled).iterrows(), strict=True):
        assert_shows(row["activation"], line["activation"])
        mine = coupled.changes[
            (coupled.changes["changed_head"] == line["changed_head"])
            & (coupled.changes["case"] == line["case"])
            & (coupled.changes["head"] != line["changed_head"])
        ].set_index("head")["activation_change"]
        largest = mine.abs().nlargest(2)
        cell = row["greatest changes elsewhere"]
        parts = [p.rsplit(" ", 1) for p in cell.split("; ")] if cell not in {"", "–"} else []
        assert len(parts) == (largest >= SMALL).sum()
        for head, number in parts:
            assert names[head] in set(largest.index)
            assert_shows(number, mine[names[head]])
            told += 1
    assert told > 4


def own_changes(run):
    """Rows of counterfactuals on the changed heads themselves."""
    return run.changes[run.changes["head"] == run.changes["changed_head"]]


def test_first_line_names_person_condition_head_height_and_lateral_force(run):
    name = next(k for k, v in RUNS.items() if v[1] == run.heads)
    condition, heads, lateral, height = RUNS[name]
    first, item = run.paragraph(f"Edda, '{condition}'"), run.item(heads[0])
    said = re.fullmatch(
        rf"Edda, '{condition}', {head_phrase(heads[0])} at (\d+) % of the bar height "
        r"\(frame (\d)\), "
        rf"lateral force {lateral} \(([+-]?\d+) N, ratio ({NUMBER})\)(; .*)?\.",
        first,
    )
    assert said, first
    frame = int(said[2])
    result = result_of(condition, lateral)
    assert near(said[1], 100 * result.prepared.lift.fraction[frame], 0)
    assert near(said[3], result.lateral_force[frame], 0)
    assert near(said[4], result.lateral_ratio[frame], 2)
    if height is None:
        assert said[5] == "; that is where the greatest load that can be held is least"
        assert frame == int(np.argmin(result.greatest.factor))
    else:
        gaps = np.abs(result.prepared.lift.fraction - height)
        assert frame == int(np.argmin(gaps))
        assert said[5] is None
    assert item["activation"] == pytest.approx(
        result.activation[frame, heads_of(heads[0])], abs=1e-9
    )


def heads_of(head: str) -> int:
    return solved().model.head_names.index(head)


def test_capacity_is_the_product_that_the_sentence_writes(run):
    for head in run.heads:
        si = run.item(head)["capacity_si"]
        (text,) = [
            p.split("Capacity here: ")[1]
            for p in run.paragraphs
            if "Capacity here: " in p and ("For comparison" in p) == (head != run.heads[0])
        ]
        found = re.match(CAPACITY, text)
        assert found, text
        said = [float(number) for number in found.groups()]
        wanted = [
            si["greatest_isometric_force"], si["capacity"], si["fibre_length"],
            si["length_factor"], si["velocity_factor"], si["cosine"], si["passive_force"],
        ]  # fmt: skip
        assert said == pytest.approx(wanted, abs=0.5, rel=0.006)
        best, left, fibre, fl, fv, cosine, _ = said
        assert left == pytest.approx(best * fl * fv * cosine, rel=0.01)
        state = result_state(run, head)
        assert left == pytest.approx(state["capacity"], abs=0.51)
        assert fibre == pytest.approx(state["fibre"], abs=0.0051)


def result_state(run: Run, head: str) -> dict[str, float]:
    name = next(k for k, v in RUNS.items() if v[1] == run.heads)
    condition, _, lateral, _ = RUNS[name]
    state, frame = result_of(condition, lateral).prepared.state, run.item(head)["frame"]
    return {
        "capacity": state.active_capacity[frame, heads_of(head)],
        "fibre": state.fibre_length_normalised[frame, heads_of(head)],
    }


@pytest.mark.parametrize(
    ("velocity", "wanted"),
    [
        (-0.12, "shortening at 12 % of its greatest speed"),
        (0.07, "lengthening at 7 % of its greatest speed"),
        (0.0, "held still"),
    ],
)
def test_fibres_that_shorten_are_said_to_shorten(velocity, wanted):
    numbers = dict.fromkeys(CapacityFactors.__dataclass_fields__, 1.0)
    numbers |= {"fibre_velocity": velocity, "slack": False}
    found = toy_head(toy(0.02), "arm/both", CapacityFactors(**numbers))
    assert f"are {wanted} (factor" in capacity_text(found)
    slack = toy_head(toy(0.02), "arm/both", CapacityFactors(**(numbers | {"slack": True})))
    assert "cannot pull" in capacity_text(slack)


def test_each_joint_adds_or_takes_what_its_rows_add_up_to(run):
    found = 0
    for head in run.heads:
        parts, joints = run.parts(head), run.joints(head)
        text = drive_paragraph(run, head)
        for joint, value in joints.items():
            rows = parts[(parts["joint"] == joint) & (parts["moment_arm_m"] != 0.0)]
            if rows.empty:
                assert f"The {joint} contributes nothing: the head has no moment arm there." in text
                continue
            effect = "gives next to nothing"
            if abs(value) >= SMALL:
                effect = f"adds {value:.3f} to" if value > 0 else f"takes {-value:.3f} from"
                effect += " its activation"
            said = re.search(rf"The {joint} {re.escape(effect)}: (.*?\))\.", text)
            assert said, text
            reasons = said[1].split("; through a moment ")
            assert len(reasons) == len(rows)
            for reason, (row, line) in zip(reasons, rows.iterrows(), strict=True):
                assert_reason(reason, str(row), line)
                found += 1
    assert found >= 4


def drive_paragraph(run: Run, head: str) -> str:
    joints = run.joints(head)
    (text,) = [
        p
        for p in run.paragraphs
        if re.match(r"The \w+ (adds|takes|contributes)", p)
        and f"parts sum to {sum(joints.values()):+.3f}" in p
    ]
    return text


def assert_reason(reason: str, row: str, line: pd.Series) -> None:
    arm, price = line["moment_arm_m"], line["multiplier_per_nm"]
    towards = TOWARDS[row, int(np.sign(arm))]
    pull = f"arm of {abs(arm):.4f} m the head pulls towards {towards}, "
    assert reason.removeprefix("through a moment ").startswith(pull)
    if arm * price > 0:
        assert "where more of that moment saves effort" in reason
    else:
        assert "where more of that moment costs effort, because others must undo it" in reason
    said = re.search(rf"multiplier ({NUMBER}) per N·m; ({TOLD})", reason)
    assert near(said[1], price, 4)
    assert near(said[2], line["part"])


def test_sum_bound_activation_and_force_are_those_of_the_record(run):
    for head in run.heads:
        item, text = run.item(head), drive_paragraph(run, head)
        said = re.search(rf"parts sum to ({TOLD}), its activation before the bounds", text)
        assert near(said[1], item["activation_before_bounds"])
        total = item["activation_before_bounds"]
        if total < 0.0:
            assert "the bound at 0 holds it: it rests" in text
            assert item["activation"] == 0.0
        elif total > 1.0:
            assert "the bound at 1 holds it at 1.000" in text
        else:
            said = re.search(rf"works at ({NUMBER}), with ({NUMBER}) N, passive force incl", text)
            assert near(said[1], item["activation"])
            assert near(said[2], item["force_n"], 0)


def test_share_of_each_moment_is_arm_times_force_over_the_net_moment(run):
    name = next(k for k, v in RUNS.items() if v[1] == run.heads)
    condition, _, lateral, _ = RUNS[name]
    result = result_of(condition, lateral)
    item = run.item(run.heads[0])
    text = next(p for p in run.paragraphs if p.startswith(("Of the net joint", "It supplies no")))
    parts = run.parts(run.heads[0])
    for row, line in parts.iterrows():
        moment = line["moment_arm_m"] * item["force_n"]
        whole = result.moments[item["frame"], ROWS.index(row)]
        mine, net = (alone(row, value) for value in (moment, whole))
        said = re.search(
            rf"{mine} {N}(?: of {N} N·m \((\d+) %\)| N·m against the {net} {N} N·m that are)", text
        )
        if moment == 0.0:
            assert not any(alone(row, sign) in text for sign in (1, -1))
            continue
        if abs(whole) < 1.0:
            assert said is None
            continue
        assert near(said[1], abs(moment), 1)
        assert near(said[2] or said[4], abs(whole), 1)
        assert ("against" in said[0]) == (moment * whole < 0.0)
        if said[3] is not None:
            assert near(said[3], 100 * moment / whole, 0)


def test_each_change_is_told_as_the_tables_have_it(run):
    changed = run.changes[run.changes["changed_head"] == run.heads[0]]
    cases = run.cases[run.cases["changed_head"] == run.heads[0]].set_index("case")
    start = changed[changed["case"] == "as_it_is"].set_index("head")
    seen = set()
    for case, line in cases.iloc[1:].iterrows():
        only = line["twin_crosses_only"]
        if only == "no joint":  # as without the head
            assert not any(p.startswith(CASES[case]) for p in run.paragraphs)
            continue
        text = run.paragraph(CASES[case])
        if isinstance(only, str) and only:
            assert f"twin, {only} only" in text.split(":")[0]
        now = changed[changed["case"] == case].set_index("head")
        before, after = (t.loc[run.heads[0]] for t in (start, now))
        if case != "removed":
            gap = after["activation"] - before["activation"]
            verb = "stays at" if abs(gap) < SMALL else "rises from" if gap > 0 else "falls from"
            seen.add(verb)
            said = re.search(
                rf": it {verb} ({NUMBER})(?: to ({NUMBER}))? \((\d+) to (\d+) N\);", text
            )
            assert said, text
            assert near(said[1], before["activation"])
            assert said[2] is None or near(said[2], after["activation"])
            assert near(said[3], before["force_n"], 0)
            assert near(said[4], after["force_n"], 0)
        gaps = (now["activation"] - start["activation"]).drop(run.heads[0])
        order = gaps.abs().sort_values(ascending=False)
        top = [h for h in order.index[:3] if order[h] >= SMALL]
        place = -1
        for head in top:
            mention = f"{head_phrase(head)} {gaps[head]:+.3f}"
            assert text.find(mention) > place
            place = text.find(mention)
            tail = text[place + len(mention) :]
            if case == "removed":
                word = "spared by" if gaps[head] > 0 else "it works to make up for"
                assert tail.startswith(f" ({word} this head)")
        assert len(re.findall(SIGNED, text)) == len(top)
        said = re.search(rf"total effort ({NUMBER}) to ({NUMBER})", text)
        assert near(said[1], cases["total_effort"].iloc[0])
        assert near(said[2], line["total_effort"])
        if case == "removed":
            own = weight_of(run.heads[0]) * before["activation"] ** 2
            said = re.search(rf"that of the others alone ({NUMBER}) to ({NUMBER})", text)
            assert near(said[1], cases["total_effort"].iloc[0] - own)
            assert near(said[2], line["total_effort"])
        push = re.search(r"; lateral force ([+-]\d+) to ([+-]\d+) N", text)
        assert (push is not None) == bool(np.isfinite(line["lateral_force_n"]))
        if push:
            assert near(push[1], cases["lateral_force_n"].iloc[0], 0)
            assert near(push[2], line["lateral_force_n"], 0)
    assert seen


CASES = {
    "no_arm_shoulder": "No moment arm at the shoulder",
    "no_arm_elbow": "No moment arm at the elbow",
    "best_length": "At peak fibre length",
    "twice_the_area": "Twice the area",
    "removed": "Head removed",
}


@pytest.mark.parametrize("run", [k for k, v in RUNS.items() if len(v[1]) > 1], indirect=True)
def test_two_heads_are_compared_the_right_way_round(run):
    me, you = run.heads
    a, b = run.item(me), run.item(you)
    (text,) = [text for text in run.paragraphs[1:] if text.startswith(f"{start_of(me)} works at")]
    said = re.match(
        rf".* works at ({NUMBER}), (higher than|lower than|level with) {head_phrase(you)} at "
        rf"({NUMBER}); it gives (more|less) force, (\d+) against (\d+) N\.",
        text,
    )
    assert said, text
    assert near(said[1], a["activation"])
    assert near(said[3], b["activation"])
    assert said[2] == ("higher than" if a["activation"] > b["activation"] else "lower than")
    assert said[4] == ("more" if a["force_n"] > b["force_n"] else "less")
    assert near(said[5], a["force_n"], 0)
    assert near(said[6], b["force_n"], 0)
    mine, yours = run.joints(me), run.joints(you)
    gaps = {joint: mine[joint] - yours[joint] for joint in mine}
    for joint, gap in gaps.items():
        assert re.search(rf"first minus second:.*{joint} {re.escape(f'{gap:+.3f}')}", text)
    assert f"together {sum(mine.values()) - sum(yours.values()):+.3f}; the " in text
    top = max(gaps, key=lambda joint: abs(gaps[joint]))
    assert f"the {top} accounts for most of it" in text
    assert_ratio(run, me, you, text)
    assert_coupling(run, me, you)


def assert_ratio(run: Run, me: str, you: str, text: str) -> None:
    mine, yours = run.joints(me), run.joints(you)
    said = re.search(
        rf"Its sum is ({NUMBER}) times the other's: ({NUMBER}) by capacity here over weight, "
        rf"({NUMBER}) by the moment arm at the (\w+), and ({NUMBER}) by what the other joints do, "
        rf"which (\w+) it",
        text,
    )
    whole = sum(mine.values()), sum(yours.values())
    common = [joint for joint in mine if mine[joint] > 0.0 and yours[joint] > 0.0]
    if min(whole) <= 0.0 or not common:
        assert said is None
        return
    joint = max(common, key=lambda name: mine[name])
    assert said[4] == joint
    size = run.item(me)["capacity_si"]["capacity"] / run.item(you)["capacity_si"]["capacity"]
    size *= weight_of(you) / weight_of(me)
    rest = (whole[0] / mine[joint]) / (whole[1] / yours[joint])
    assert near(said[1], whole[0] / whole[1], 2)
    assert near(said[2], size, 2)
    assert near(said[3], mine[joint] / yours[joint] / size, 2)
    assert near(said[5], rest, 2)
    assert said[6] == ("leaves" if abs(rest - 1) < SMALL else "raises" if rest > 1 else "lowers")


def assert_coupling(run: Run, me: str, you: str) -> None:
    for one, other in ((me, you), (you, me)):
        arms = [run.parts(h).groupby("joint")["moment_arm_m"].agg(np.any) for h in (one, other)]
        for joint in arms[0].index[arms[0] & ~arms[1]]:
            table = run.changes[run.changes["changed_head"] == one].set_index(["case", "head"])
            now = {h: table.loc[("as_it_is", h), "activation"] for h in (one, other)}
            then = {h: table.loc[(f"no_arm_{joint}", h), "activation"] for h in (one, other)}
            (text,) = [
                p[p.index(f"{start_of(one)} also crosses the {joint};") :]
                for p in run.paragraphs
                if f"{start_of(one)} also crosses the {joint};" in p
            ]
            said = re.search(
                rf"would work at ({NUMBER}) in place of ({NUMBER}) "
                rf"\({head_phrase(other)}: ({NUMBER}) in place of ({NUMBER})\); "
                rf"the arm (.*?)\.",
                text,
            )
            wanted = then[one], now[one], then[other], now[other]
            assert all(near(said[k + 1], value) for k, value in enumerate(wanted)), text
            effect = now[one] - then[one]
            word = "changes nothing" if abs(effect) < SMALL else (
                "makes it contribute more" if effect > 0 else "makes it contribute less"
            )  # fmt: skip
            assert said[5] == word
            part = run.joints(one)[joint]
            if abs(effect) >= SMALL and abs(part) >= SMALL:
                same = (effect > 0) == (part > 0)
                assert ("The split says the same" in text) == same
                assert ("points the other way" in text) != same
                assert f"{part:+.3f}" in text


def told_runs(text: str, words: tuple[str, str, str]) -> list[tuple[int, int, int]]:
    """Read runs back from words: sign, first and last height [%]."""
    sign = dict(zip(words, (1, -1, 0), strict=True))
    pattern = rf"({'|'.join(words)}) (?:at (\d+) %|at heights of (\d+) to (\d+) %)"
    return [
        (sign[word], int(at or first), int(at or last))
        for word, at, first, last in re.findall(pattern, text)
    ]


def runs_of(heights: pd.Series, values: pd.Series) -> list[tuple[int, int, int]]:
    signs = np.where(values.abs() < SMALL, 0, np.sign(values)).astype(int)
    found: list[tuple[int, int, int]] = []
    for height, sign in zip(heights, signs, strict=True):
        at = round(100 * height)
        if found and found[-1][0] == sign:
            found[-1] = (sign, found[-1][1], at)
        else:
            found.append((sign, at, at))
    return found


def test_what_holds_along_the_lift_is_read_from_the_frames(run):
    for head in run.heads:
        text = run.paragraph(f"Along the lift, {head_phrase(head)}.")
        blocks = re.split(r"Lateral force (measured|zero|free): ", text)
        told = dict(zip(blocks[1::2], blocks[2::2], strict=True))
        table = run.along[run.along["head"] == head]
        assert set(told) == set(table["lateral"])
        for mode, words in told.items():
            part = table[table["lateral"] == mode]
            first, _, second = words.partition("Activation of ")
            said = dict(re.findall(r"the (shoulder|elbow) ((?:(?!the ).)*)", first))
            for joint in ("shoulder", "elbow"):
                values = part[f"part_{joint}"]
                if values.abs().max() < SMALL:
                    assert joint not in said
                    continue
                runs = told_runs(said[joint], ("adds", "takes", "gives nothing"))
                assert runs == runs_of(part["height_fraction"], values), (mode, joint)
            if second:
                other = run.along[
                    (run.along["head"] == run.heads[1]) & (run.along["lateral"] == mode)
                ]
                assert second.startswith(
                    f"{head_phrase(head)} against {head_phrase(run.heads[1])}: "
                )
                gap = pd.Series(part["activation"].to_numpy() - other["activation"].to_numpy())
                runs = told_runs(second, ("higher", "lower", "level"))
                assert runs == runs_of(part["height_fraction"], gap)
        assert ("Activation of" in text) == (head == run.heads[0] and len(run.heads) > 1)


def test_what_decides_the_sign_is_that_of_the_tables(run):
    for head in run.heads:
        text = run.paragraph(f"What decides the sign for {head_phrase(head)}.")
        table, frame = run.along[run.along["head"] == head], run.item(head)["frame"]
        here = table[table["frame"] == frame].set_index("lateral")
        for joint in ("shoulder", "elbow"):
            column = f"part_{joint}"
            blocks = text.split(f"Part of the {joint} at this height by lateral force: ")
            if (table[column].abs() < SMALL).all():
                assert len(blocks) == 1
                continue
            block = blocks[1].split("Part of the")[0]
            told = dict(re.findall(rf"(measured|zero|free) ({TOLD})", block))
            assert set(told) == set(here.index)
            assert all(near(value, here.loc[mode, column]) for mode, value in told.items())
            signs = {0 if abs(v) < SMALL else np.sign(v) for v in here[column]}
            if len(here) > 1:
                assert ("depends on the lateral force here" in block) == (len(signs) > 1)
                assert ("is the same for all of them here" in block) == (len(signs) == 1)
            turning = [
                str(mode)
                for mode, part in table.groupby("lateral", sort=False)
                if {np.sign(v) for v in part[column] if abs(v) >= SMALL} == {-1.0, 1.0}
            ]
            if turning:
                assert f"changes with bar height (lateral force {', '.join(turning)})" in block
            else:
                assert "does not change with bar height" in block


# --------------------------------------------------------------- both ways


def toy(shoulder_arm: float, scale: float = 1.0, exponent: float = 2.0) -> FrameProblem:
    """Two-joint head, elbow head and shoulder head under 20 and 30 N·m."""
    return FrameProblem(
        head_names=("arm/both", "arm/elbow", "arm/shoulder"),
        row_names=("elbow_extension", "shoulder_elevation"),
        moment_arms=np.array([[0.022, 0.022, 0.0], [shoulder_arm, 0.0, 0.035]]),
        capacity=np.array([800.0, 1000.0, 1200.0]),
        passive_force=np.zeros(3),
        moments=scale * np.array([20.0, 30.0]),
        exponent=exponent,
        weights=np.ones(3),
        free_columns=np.zeros((2, 0)),
    )


def toy_head(
    problem: FrameProblem, head: str, factors: CapacityFactors | None = None
) -> HeadExplanation:
    answer = problem.solve()
    index = problem.head_names.index(head)
    numbers = dict.fromkeys(CapacityFactors.__dataclass_fields__, 1.0)
    numbers |= {"capacity": float(problem.capacity[index]), "slack": False}
    force = float(answer.force[index])
    return HeadExplanation(
        head=head, index=index, frame=0, height_fraction=0.0, lateral_mode="zero",
        lateral_force=0.0, lateral_ratio=0.0, problem=problem, sharing=answer,
        split=drive_split(problem, answer, head),
        factors=factors or CapacityFactors(**numbers), force=force, active_force=force, moments=(),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("shoulder_internal_rotation", ("internal rotation", "external rotation")),
        ("shoulder_elevation", ("elevation", "lowering of the arm")),
        ("shoulder_horizontal_adduction", ("horizontal adduction", "horizontal abduction")),
        ("elbow_extension", ("extension", "flexion")),
        ("forearm_pronation", ("pronation", "supination")),
    ],
)
def test_the_side_that_an_arm_pulls_to_is_named_by_its_sign(row, words):
    for arm, word in zip((0.02, -0.02), words, strict=True):
        problem = replace(
            toy(0.01),
            row_names=("elbow_x", row),
            moment_arms=np.array([[0.022, 0.022, 0.0], [arm, 0.0, 0.035]]),
        )
        assert f"arm of 0.0200 m the head pulls towards {word}, " in drive_text(
            toy_head(problem, "arm/both")
        )


@pytest.mark.parametrize(("arm", "verb"), [(-0.010, "lowers"), (0.010, "raises")])
def test_an_arm_with_the_moment_raises_the_sum_and_one_against_it_lowers_it(arm, verb):
    problem = toy(arm)
    found, other = toy_head(problem, "arm/both"), toy_head(problem, "arm/elbow")
    text = comparison_text(found, counterfactuals(problem, "arm/both"), other)
    assert f"by what the other joints do, which {verb} it." in text
    back = comparison_text(other, counterfactuals(problem, "arm/elbow"), found)
    opposite = {"lowers": "raises", "raises": "lowers"}[verb]
    assert f"which {opposite} it." in back
    # Less capacity and, against the moment, less drive: the first is lower; reversed, higher.
    gap = found.split.activation - other.split.activation
    assert ("lower than" in text) == (gap < 0) == ("higher than" in back)
    assert ("gives less force" in text) == (found.force < other.force) == ("more force" in back)


def test_a_part_between_joints_is_told_with_its_sign():
    for arm, verb, effort in ((-0.010, "takes", "costs"), (0.010, "adds", "saves")):
        text = drive_text(toy_head(toy(arm), "arm/both"))
        assert f"The shoulder {verb} " in text
        assert f"more of that moment {effort} effort" in text.split("The shoulder")[1]


def test_the_sum_is_told_for_the_exponent_that_was_asked_for():
    cubic = toy_head(toy(0.01, exponent=3.0), "arm/both")
    total, before = cubic.split.total, cubic.split.before_bounds
    assert before == pytest.approx(np.sqrt(total))
    wanted = (
        f"The parts sum to {total:+.3f}; that is activation to the power 2, so the activation "
        f"before the bounds is {before:+.3f}; no bound applies, so it works at "
        f"{cubic.split.activation:.3f}, with {cubic.force:.0f} N, passive force included."
    )
    assert drive_text(cubic).endswith(wanted)
    strong = toy_head(toy(-0.020, scale=1.25), "arm/shoulder")
    assert strong.split.activation == pytest.approx(1.0)
    assert drive_text(strong).endswith(
        f"The parts sum to {strong.split.total:+.3f}, its activation before the bounds. Activation "
        "cannot exceed 1: the bound at 1 holds it at 1.000."
    )
    idle = toy_head(toy(-0.080, scale=0.5), "arm/both")
    assert drive_text(idle).endswith(
        f"The parts sum to {idle.split.total:+.3f}, its activation before the bounds. A muscle "
        "cannot push, so the bound at 0 holds it: it rests."
    )


@pytest.mark.parametrize("arm", [-0.050, 0.300])
def test_least_greatest_activation_is_told_as_such(arm):
    problem = toy(arm, scale=0.5, exponent=float("inf"))
    levels, sums = {}, {}
    for head in problem.head_names:
        found = toy_head(problem, head)
        sums[head], levels[head] = found.split.total, found.split.activation
        text = drive_text(found)
        said = f"{sums[head]:+.3f}" if abs(sums[head]) >= 0.0005 else "0.000"
        wanted = f"The parts sum to {said}, its part in the price of the greatest level"
        assert wanted in text
        assert text.endswith(
            "a head with a positive sum works at the greatest level, one with a negative sum rests "
            "and one whose parts cancel may lie anywhere between; it "
            + ("rests." if levels[head] <= 0.0 else f"works at {levels[head]:.3f}.")
        )
        removed = case_text(counterfactuals(problem, head), "removed")
        assert "that of the others alone" not in removed
    greatest = max(levels.values())
    for head, total in sums.items():
        if abs(total) > 1e-6:
            assert levels[head] == pytest.approx(greatest if total > 0.0 else 0.0, abs=1e-6)
        else:
            assert 0.0 <= levels[head] <= greatest
    assert sum(abs(total) < 1e-6 for total in sums.values()) == 1
    assert (0.0 in levels.values()) == (arm > 0.0)


def test_no_other_head_is_named_where_none_changes():
    found = FrameProblem(
        head_names=("arm/one", "arm/other"),
        row_names=("elbow_extension", "shoulder_elevation"),
        moment_arms=np.array([[0.02, 0.0], [0.0, 0.03]]),
        capacity=np.array([800.0, 900.0]),
        passive_force=np.zeros(2),
        moments=np.array([8.0, 9.0]),
        exponent=2.0,
        weights=np.ones(2),
        free_columns=np.zeros((2, 0)),
    )
    changes = counterfactuals(found, "arm/one")
    text = case_text(changes, "twice_the_area")
    assert "it falls from 0.500 to 0.250 (400 to 400 N); the others stay as they are; " in text
    assert f"total effort {changes.effort[0]:.3f} to {changes.effort[2]:.3f}" in text
    no_arm = case_text(changes, "no_arm_elbow")
    assert no_arm.startswith(
        "No moment arm at the elbow (it then acts on no joint): it falls from 0.500"
    )


def test_a_shortfall_says_which_moment_lacks_how_much():
    problem = toy(-0.020, scale=3.0)
    changes = counterfactuals(problem, "arm/both")
    for k, case in enumerate(changes.cases):
        unmet = changes.sharing.unmet[k]
        worst = int(np.argmax(np.abs(unmet)))
        assert (
            f"cannot be met, {alone(problem.row_names[worst], unmet[worst])} falls short by "
            f"{abs(unmet[worst]):.1f} N·m" in case_text(changes, case)
        )


def test_a_small_moment_is_told_without_a_share():
    found = explain_head(result_of("wide", "measured"), LONG, frame=2)
    part, *rest = found.moments
    small = replace(part, net_moment=0.4, moment=-0.3, share=float("nan"))
    text = moments_text(replace(found, moments=(small, *rest)))
    own, net = alone(part.row, -1), alone(part.row, 1)
    wanted = f"it supplies: {own} 0.3 N·m (in all {net} 0.4 N·m)"
    assert wanted in text
    idle = tuple(replace(m, moment=0.0, share=0.0) for m in found.moments)
    assert moments_text(replace(found, moments=idle)) == "It supplies no joint moment here."


def test_a_part_too_small_to_print_is_called_next_to_nothing():
    found = toy_head(toy(1e-6), "arm/both")
    value = found.split.by_joint()["shoulder"]
    assert 0.0 < abs(value) < SMALL
    assert "The shoulder gives next to nothing: through a moment arm" in drive_text(found)


def test_heads_and_signs_are_told_from_tables_made_by_hand():
    heights = np.linspace(0.0, 1.0, 5)
    part = pd.DataFrame(
        {
            "height_fraction": heights,
            "part_shoulder": [-0.2, -0.1, 0.0, 0.1, 0.2],
            "part_elbow": 0.3,
            "activation": [0.1, 0.2, 0.3, 0.4, 0.5],
            "status": "solved",
        }
    )
    other = part.assign(activation=0.3)
    text = along_text("a/b", {"zero": part}, "c/d", {"zero": other})
    assert (
        "the shoulder takes at heights of 0 to 25 %, gives nothing at 50 %, "
        "adds at heights of 75 to 100 %"
    ) in text
    assert "the elbow adds at heights of 0 to 100 %" in text
    assert (
        "the b a against the d c: lower at heights of 0 to 25 %, level at 50 %, "
        "higher at heights of 75 to 100 %" in text
    )
    turned = part.assign(part_elbow=-0.3)
    said = sign_text("a/b", {"zero": part, "free": turned}, 1)
    assert (
        "Part of the elbow at this height by lateral force: zero +0.300, free -0.300; its " in said
    )
    assert said.count("depends on the lateral force here") == 1
    assert "Its sign changes with bar height (lateral force zero, free)" in said


# --------------------------------------------------------------- terminal tables


def keys_at(head: str, height: float) -> str:
    """Keys that the model's own rows give for a head in a press at a height, as in a table cell."""
    part = ("chest", "middle", "lock-out")[min(int(3 * height), 2)]
    keys = [
        row.key
        for row in load_model().limits.rows
        if row.quantity in {"activation", "force"}
        and (head in row.heads or head.partition("/")[0] in row.heads)
        and (not row.exercises or {"bar_press", "dumbbell_press"} <= set(row.exercises))
        and (not row.parts or part in row.parts)
        and row.claim in {"any", "size", "course"}
        and not row.condition
    ]
    return "".join(f" {key}" for key in dict.fromkeys(keys))


def test_the_printed_drive_is_the_table_of_the_named_head(run):
    (title,) = [t for t in printed_tables(run.output) if t.startswith("Drive by row")]
    rows = printed_tables(run.output)[title]
    (first, *_) = rows[0]
    assert first == "moment, positive in the direction named"
    by_name = {row[first]: row for row in rows}
    columns = list(rows[0])[2:]
    for number, head in enumerate(run.heads):
        arm, part = columns[2 * number : 2 * number + 2]
        height = run.record["heads"][0]["height_fraction"]
        assert arm.startswith(f"{spoken(head)}{keys_at(head, height)} moment arm [m]")
        parts, item = run.parts(head), run.item(head)
        for row, line in parts.iterrows():
            cells = by_name[spoken(row)]
            assert near(cells["multiplier [1/(N·m)]"], line["multiplier_per_nm"], 5)
            if line["moment_arm_m"] == 0.0:
                assert (cells[arm], cells[part]) == ("–", "–")
                continue
            assert near(cells[arm], line["moment_arm_m"], 5)
            assert near(cells[part], line["part"])
            # A pocket calculator confirms the part from the cells as they are printed.
            printed = [cells["multiplier [1/(N·m)]"], cells[arm]]
            printed += [by_name[n][part] for n in ("capacity here [N]", "weight in the effort")]
            multiplier, own, capacity, weight = map(float, printed)
            assert multiplier * own * capacity / (2.0 * weight) == pytest.approx(
                float(cells[part]), abs=1.5e-3
            )
        assert near(by_name["sum of the parts"][part], parts["part"].sum())
        assert near(by_name["activation before the bounds"][part], item["activation_before_bounds"])
        assert near(by_name["activation"][part], item["activation"])
        assert near(by_name["capacity here [N]"][part], item["capacity_si"]["capacity"], 1)
        line = parts.iloc[0]
        assert float(by_name["weight in the effort"][part]) == pytest.approx(
            line["weight"], rel=5e-4
        )
        # What a reader multiplies from the table is the part that stands there.
        for _, line in parts.dropna(subset=["moment_arm_m"]).iterrows():
            product = line["multiplier_per_nm"] * line["moment_arm_m"] * line["capacity_n"]
            assert line["part"] == pytest.approx(
                product / (2.0 * line["weight"]), rel=1e-4, abs=1e-6
            )
        assert near(by_name["force, passive included [N]"][part], item["force_n"], 0)
        bound = {"none": "none", "zero": "0", "one": "1"}[item["bound"]]
        assert by_name["bound that holds it"][part] == bound


def test_the_printed_changes_are_the_table_of_the_named_head(run):
    tables = printed_tables(run.output, key=1)
    height = run.record["heads"][0]["height_fraction"]
    for changed in run.heads:
        rows = tables[f"If one thing about {head_phrase(changed)} were different"]
        table = run.changes[run.changes["changed_head"] == changed]
        cases = run.cases[run.cases["changed_head"] == changed]
        cases = cases[cases["twin_crosses_only"] != "no joint"]
        assert len(rows) == len(cases)
        shown = [changed, *(h for h in run.heads if h != changed)]
        start = table[table["case"] == "as_it_is"].set_index("head")
        for cells, (_, line) in zip(rows, cases.iterrows(), strict=True):
            now = table[table["case"] == line["case"]].set_index("head")
            label = CASES.get(line["case"], "as it is").lower()
            assert cells["change"].lower().startswith(label)
            names = list(cells)
            for number, head in enumerate(shown):
                activation, force = names[1 + 2 * number : 3 + 2 * number]
                assert activation.startswith(f"{spoken(head)}{keys_at(head, height)} activation")
                assert near(cells[activation], now.loc[head, "activation"])
                assert near(cells[force], now.loc[head, "force_n"], 0)
            gaps = (now["activation"] - start["activation"]).drop(shown)
            gaps.index = [f"{spoken(h)}{keys_at(h, height)}" for h in gaps.index]
            told = re.findall(
                rf"([a-z][a-z, ]*(?: L\d+)*) ({TOLD})", cells["greatest changes elsewhere"]
            )
            if line["case"] != "as_it_is":
                top = gaps.abs().nlargest(2)
                assert [float(v) for _, v in told] == pytest.approx(
                    [gaps[h] for h, _ in told], abs=SMALL * 1.02
                )
                assert [abs(gaps[h]) for h, _ in told] == pytest.approx(list(top), abs=1e-6)
            else:
                assert not told
            assert near(cells["total effort"], line["total_effort"])
            unmet = [v for k, v in line.items() if str(k).startswith("unmet_")]
            assert near(cells["unmet [N·m]"], max(map(abs, unmet)), 1)


def test_all_heads_in_short_are_the_table_written(folder):
    out = folder / "all"
    words = [str(folder / "study.toml"), "--condition", "wide", "--out", str(out)]
    done = CliRunner().invoke(app, words)
    assert done.exit_code == 0, done.output
    table = pd.read_csv(out / "drive_by_head.csv").set_index("head")
    marks = table.pop("limit").fillna("")
    assert marks.any()
    (rows,) = printed_tables(with_hyphens(done.output)).values()
    table.index = [f"{spoken(head)} {marks[head]}".strip() for head in table.index]
    assert [row["head"] for row in rows] == list(table.index)
    for row in rows:
        for name in table.columns:
            label = f"{name[:-2]} [N]" if name.endswith("_n") else name.replace("_", " ")
            value, text = table.loc[row["head"], name], row[label]
            if isinstance(value, str):
                assert text == value
            else:
                assert near(text, value, 0 if name.endswith("_n") else 3)


def test_heads_and_heights_that_a_limit_concerns_are_marked_where_they_are_told(run):
    height = run.record["heads"][0]["height_fraction"]
    output = " ".join(with_hyphens(run.output).split())
    listed = output.rpartition(" Limits ")[2]
    for head in run.heads:
        keys = keys_at(head, height).split()
        mark = f" (limit {', '.join(keys)})" if keys else ""
        ends = r"(?! \(limit)"
        number = run.item(head)["activation"]
        says = f"{number:.3f}{mark}"
        assert re.search(re.escape(says) + ends, run.paragraphs[0]), (says, run.paragraphs[0])
        assert all(f"{key}: " in listed for key in keys)
        own = run.along[run.along["head"] == head]
        heights = sorted(set(own["height_fraction"]))
        some = {key for h in heights for key in keys_at(head, h).split()} - set.intersection(
            *(set(keys_at(head, h).split()) for h in heights)
        )
        for key in some:
            inside = [h for h in heights if key in keys_at(head, h).split()]
            # Some limits hold under one treatment of the lateral force at more heights.
            texts = [
                p for p in run.paragraphs
                if p.startswith(f"Limit {key} (") and head_phrase(head) in p
            ]  # fmt: skip
            bounds = dict.fromkeys(f"{100 * h:.0f}" for h in (inside[0], inside[-1]))
            stretch = f" at {' to '.join(bounds)} % of the bar height"
            assert [stretch in text for text in texts].count(True) == 1
            assert f"{key}: " in listed


# --------------------------------------------------------------- figure


@cache
def drawn(condition: str = "wide", mode: str = "measured", frame: int = 2):
    result = result_of(condition, mode)
    found = [explain_head(result, head, frame=frame) for head in (LONG, BICEPS)]
    tables = [explain_along(result, head) for head in (LONG, BICEPS)]
    return found, tables, drive_figure(found, tables, "Edda, wide")


def test_bars_are_the_parts_under_their_row_and_head():
    found, _, figure = drawn()
    keys = {k: v for k, v in legend(figure).items() if k.endswith("by row")}
    shown = titled(figure)
    assert set(shown) == {spoken(item.head) for item in found}
    names = places(next(iter(shown.values())).yaxis)
    for item in found:
        ax = shown[spoken(item.head)]
        bars = {round(bar.get_y() + bar.get_height() / 2, 6): bar for bar in ax.patches}
        notes = {round(note.xy[1], 6): note for note in ax.texts}
        table = item.split.to_dataframe().set_index("row")
        for row, line in table.iterrows():
            called = labelled(row) if line["multiplier_per_nm"] >= 0.0 else AGAINST[row]
            bar, note = (part[round(names[called], 6)] for part in (bars, notes))
            assert bar.get_width() == pytest.approx(line["part"])
            text = note.get_text().replace(MINUS, "-")
            if line["moment_arm_m"] == 0.0:
                assert text == "no moment arm"
            else:
                assert near(text, line["part"])
            key = keys[f"{line['joint']}, by row"]
            assert to_hex(bar.get_facecolor()) == to_hex(key.get_facecolor())
            assert (bar.get_hatch() or "") == (key.get_hatch() or "")
        for label, value in (("sum", item.split.total), ("activation", item.split.activation)):
            place = round(names[label], 6)
            assert bars[place].get_width() == pytest.approx(value)
            assert near(notes[place].get_text().replace(MINUS, "-"), value)
        assert plain(ax.get_xlabel()) == "part of activation before the bounds [1]"


def test_lines_along_the_lift_are_the_joints_of_the_legend():
    found, tables, figure = drawn()
    keys = legend(figure)
    by_head = dict(zip((item.head for item in found), tables, strict=True))
    shown = titled(figure)
    for item in found:
        x0 = shown[spoken(item.head)].get_subplotspec().colspan.start
        (ax,) = [
            a for a in figure.axes
            if a.get_subplotspec().colspan.start == x0 and "lift" in a.get_xlabel()
        ]  # fmt: skip
        table = by_head[item.head]
        lines = {look(line)[:3]: line for line in ax.lines if len(line.get_xdata()) == len(table)}
        for label, column in (
            ("shoulder, all rows", "part_shoulder"),
            ("elbow, all rows", "part_elbow"),
            ("activation", "activation"),
        ):
            drawn_points = points(lines[look(keys[label])])
            wanted = np.column_stack([100 * table["height_fraction"], table[column]])
            np.testing.assert_allclose(drawn_points, wanted)
        height = [line for line in ax.lines if look(line) == look(keys["height of the bars"])]
        assert 100 * item.height_fraction in {float(line.get_xdata()[0]) for line in height}
    title = head_of_figure(figure)
    said = [f"{head_phrase(item.head)} at {100 * item.split.activation:.0f} %" for item in found]
    for words in said:
        assert words in title
    assert title.startswith("Activation at 33 % of the bar height: ")
    assert "Edda, wide, lateral force measured; bars at 33 % of the bar height. Rows" in title


@pytest.mark.parametrize("balance_forearm", [False, True])
def test_no_panel_holds_more_than_four_lines(balance_forearm):
    """With the forearm balanced the biceps crosses three joints, and the glenoid adds a line."""
    before = result_of("wide", "measured")
    result = solve_lift(
        before.prepared,
        before.lateral,
        criterion=Criterion(balance_forearm=balance_forearm),
        glenoid=True,
    )
    found = explain_head(result, BICEPS, frame=2)
    table = explain_along(result, BICEPS)
    figure = drive_figure([found], [table])
    curves = [
        [tuple(line.get_ydata()) for line in ax.lines if len(line.get_xdata()) == len(table)]
        for ax in figure.axes
    ]
    assert max(map(len, curves)) <= MOST_LINES
    joints = ["shoulder", "elbow", *["forearm"] * balance_forearm, "glenoid"]
    drawn = [curve for ax in curves for curve in ax]
    assert len(drawn) == len(joints) + 1
    for joint in joints:
        assert any(np.allclose(curve, table[f"part_{joint}"]) for curve in drawn)
    assert sum(np.array_equal(curve, table["activation"]) for curve in drawn) == 1
    assert curves[-1][-1] == tuple(table["activation"])


def test_a_head_that_a_bound_holds_says_which():
    result = result_of("wide", "measured")
    bounds = {}
    for head in solved().model.head_names:
        found = explain_head(result, head, frame=2)
        bounds.setdefault(found.split.bound, found)
    assert bounds["zero"].split.activation == 0.0
    for bound, found in bounds.items():
        figure = drive_figure([found], [explain_along(result, found.head)])
        tail = {"zero": "; held at 0", "one": "; held at 1", "none": ""}[bound]
        assert set(panels(figure)) == {spoken(found.head) + tail}

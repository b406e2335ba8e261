"""The file that ``momentshare explore`` writes, and its script."""

import re
import shutil
import subprocess
from itertools import combinations, product

import pytest
from tests.node import run_modules
from typer.testing import CliRunner

from momentshare.cautions import LIMITS
from momentshare.cli.main import app
from momentshare.errors import InputError
from momentshare.explore import build_page, example_study
from momentshare.explore.bundle import bundle, needed_modules, page_text
from momentshare.explore.grid import LEVELS, Nodes
from momentshare.explore.info import limit_rows
from momentshare.limits import PARTS, LiftKind
from momentshare.model import load_model
from momentshare.study import parse_study

FEW = Nodes(spacings=(1.0, 1.8), touches=(0.10,), angles=(0.0, 30.0))


def test_modules_share_one_scope_without_a_clash():
    top = re.compile(r"^(?:export )?(?:async )?(?:function|const|let|class) (\w+)", re.MULTILINE)
    names = [n for module in needed_modules("app") for n in top.findall(page_text(f"{module}.js"))]
    assert len(names) > 80
    assert sorted(names) == sorted(set(names))


def test_the_script_of_the_page_is_all_of_its_modules():
    """Nothing is built beforehand: the page takes its sources as they are, imports resolved."""
    script = bundle()
    assert not re.search(r"^(import|export)\b", script, re.MULTILINE)
    for module in needed_modules("app"):
        body = page_text(f"{module}.js").split("*/\n", 1)[1]
        body = re.sub(r"^import .*\n", "", body, flags=re.MULTILINE)
        body = re.sub(r"^export ", "", body, flags=re.MULTILINE)
        assert body.strip() in script
    shipped = build_page(example_study(), levels=(FEW,))
    assert script in shipped
    assert shipped.count("</script>") == 3


def test_a_page_too_large_is_made_coarser_and_then_refused(monkeypatch):
    coarse = Nodes(spacings=(1.6,), touches=(0.10,), angles=(0.0,))
    whole = build_page(example_study(), levels=(FEW, coarse))
    assert '"spacings":[1.0,1.8]' in whole
    monkeypatch.setattr("momentshare.explore.page.MOST_BYTES", len(whole.encode()) - 1)
    text = build_page(example_study(), levels=(FEW, coarse))
    assert len(text.encode()) < len(whole.encode())
    assert '"spacings":[1.6]' in text
    monkeypatch.setattr("momentshare.explore.page.MOST_BYTES", 1_000)
    with pytest.raises(InputError, match="--person"):
        build_page(example_study(), levels=(coarse,))


def test_levels_go_from_fine_to_coarse():
    sizes = [nodes.size for nodes in LEVELS]
    assert sizes == sorted(sizes, reverse=True)


def test_study_text_cannot_leave_its_place():
    study = parse_study(
        """
        title = "</script><b>bold</b><!--data-->"
        [[person]]
        name = "<i>Ada</i>"
        sex = "female"
        stature_cm = 166
        body_mass_kg = 62
        [[condition]]
        name = "\\"quoted\\" & <b>"
        exercise = "bar_press"
        spacing_biacromial = 1.4
        load_kg = 20
        """
    )
    text = build_page(study, levels=(Nodes(spacings=(1.6,), touches=(0.10,), angles=(0.0,)),))
    assert "<b>" not in text
    assert "<i>" not in text
    assert text.count("</script>") == 3


LIFTS = [
    (task, exercise, spacing, push)
    for task, exercise, spacings in (
        ("bar", "bar_press", (1.0, 1.8)),
        ("dumbbells", "dumbbell_press", (1.0, 1.8)),
        ("push_up", "push_up", (1.0, 1.8)),
        ("c0", "bar_press", (1.4,)),
        ("c1", "dumbbell_press", (None,)),
    )
    for spacing in spacings
    for push in ("none", "free")
]
"""State of the page → what kind of lift it is: exercise, hand spacing, treatment of the push."""

ASK = """
import { limitsOf } from "./limits.js";
const { page, asks } = given();
answer(asks.map(([a, b, head, marks]) => limitsOf(page, a, head, b, marks)));
"""


def asked_limits(model, quantity, head, lifts, part):
    """Keys of the limits of a size in each lift, and of the order of both."""
    kinds = [LiftKind(exercise, spacing) for _, exercise, spacing, _ in lifts]
    ways = [
        "free" if push == "free" and task not in {"dumbbells", "c1"} else "zero"
        for task, _, _, push in lifts
    ]
    rows = [
        row
        for kind, way in zip(kinds, ways, strict=True)
        for row in model.limits.at(quantity, head=head, kinds=(kind,), part=part, lateral=way)
    ]
    if len(lifts) > 1:
        rows += model.limits.at(
            quantity, head=head, kinds=kinds, part=part, claim="order",
            lateral="free" if "free" in ways else "zero",
        )  # fmt: skip
    return {row.key for row in rows}


@pytest.mark.parametrize("quantity", ["activation", "force"])
def test_marks_are_the_limits_of_the_model(quantity, tmp_path):
    """The page looks limits up as the library does: one state, and the order of two."""
    model = load_model()
    keys = model.limits.keys
    marks = {"activation": "limit_marks", "force": "force_marks"}[quantity]
    info = {
        marks: limit_rows(model, quantity),
        "parts": list(PARTS),
        "exercises": ["bar_press", "dumbbell_press"],
        "spacings": [1.0, 1.8],
        "condition_spacings": [1.4, None],
        "lookup": {"0|c1": 0},
        "presses": [{"lateral": False, "ratios": None}],
    }
    pairs = [*((lift,) for lift in LIFTS), *combinations(LIFTS, 2)]
    wanted, asks = [], []
    for lifts in pairs:
        for part, head in product(range(len(PARTS)), range(len(model.head_names))):
            states = [
                {"person": 0, "task": task, "touch": 0, "angle": 0, "height": part, "push": push,
                 "spacing": 1 if spacing == 1.8 else 0}
                for task, _, spacing, push in lifts
            ]  # fmt: skip
            asks.append([states[0], states[1] if states[1:] else None, head, marks])
            wanted.append(asked_limits(model, quantity, model.head_names[head], lifts, PARTS[part]))
    found = run_modules(tmp_path, ASK, {"page": {"info": info}, "asks": asks})
    assert [{keys[place - len(LIMITS)] for place in places} for places in found] == wanted
    # Whether a bar or dumbbells load the pectoralis more concerns neither of them alone.
    bridging = [keys for keys, ask in zip(wanted, asks, strict=True) if "L18" in keys and ask[1]]
    assert bridging
    assert not any("L18" in keys for keys, ask in zip(wanted, asks, strict=True) if not ask[1])


def test_the_command_writes_one_file_and_names_what_is_wrong(tmp_path):
    out = tmp_path / "sub" / "press.html"
    study = tmp_path / "study.toml"
    study.write_text(
        'title = "One"\n[[person]]\nname = "Ada"\nsex = "female"\nstature_cm = 166\n'
        'body_mass_kg = 62\n[[condition]]\nname = "bar"\nexercise = "bar_press"\n'
        "spacing_biacromial = 1.4\nload_kg = 20\n",
        encoding="utf-8",
    )
    done = CliRunner().invoke(app, ["explore", str(study), "--out", str(out)])
    assert done.exit_code == 0
    assert out.read_text(encoding="utf-8").startswith("<!doctype html>")
    assert len(out.read_bytes()) <= 3_000_000
    assert "Wrote" in done.stdout
    report = tmp_path / "report.html"
    report.write_text("<!doctype html><p>of another command", encoding="utf-8")
    refused = CliRunner().invoke(app, ["explore", str(study), "--out", str(report)])
    assert isinstance(refused.exception, InputError)
    assert "report.html: is in the way and was not written by this command" in str(
        refused.exception
    )
    assert report.read_text(encoding="utf-8").endswith("another command")
    again = ["explore", str(study), "--out", str(out), "--draws", "0", "--quiet"]
    assert CliRunner().invoke(app, again).exit_code == 0
    refused = CliRunner().invoke(app, ["explore", "--out", str(tmp_path)])
    assert isinstance(refused.exception, InputError)
    assert ".html" in str(refused.exception)


def test_types_in_the_comments_hold(tmp_path):
    """TypeScript reads the JSDoc types of the modules; needs ``tsc`` on the path."""
    program = shutil.which("tsc")
    if program is None:
        pytest.skip("tsc (npm install -g typescript) is not on the path")
    version = subprocess.run([program, "--version"], capture_output=True, text=True, check=True)
    if int(version.stdout.split()[-1].split(".")[0]) < 5:
        pytest.skip(f"TypeScript 5 is needed, tsc here is {version.stdout.strip()}")
    for module in needed_modules("app"):
        (tmp_path / f"{module}.js").write_text(page_text(f"{module}.js"), encoding="utf-8")
    flags = "--noEmit --allowJs --checkJs --strict --target es2023 --module es2022"
    more = "--moduleResolution bundler --lib es2023,dom,dom.iterable"
    files = [f"{module}.js" for module in needed_modules("app")]
    done = subprocess.run(
        [program, *flags.split(), *more.split(), *files],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.stdout == ""
    assert done.returncode == 0

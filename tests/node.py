"""Running the page's modules under Node, for tests of what the page computes.

Without Node the test is skipped and says so; with the environment variable
``MOMENTSHARE_NODE=required`` it fails instead.
"""

import json
import os
import shutil
import subprocess
from importlib import resources

import pytest

OLDEST = 18


def run_modules(folder, script, data):
    """Run a script beside the page's modules; ``data`` is what ``await given()`` gives it.

    The script ends with ``answer(value)``, and the value comes back.
    """
    program = _node()
    place = folder / "page"
    if not place.exists():
        place.mkdir()
        for item in (resources.files("momentshare.explore") / "page").iterdir():
            if item.name.endswith(".js"):
                (place / item.name).write_text(item.read_text("utf-8"), encoding="utf-8")
        (place / "package.json").write_text('{"type": "module"}', encoding="utf-8")
    (place / "given.json").write_text(json.dumps(data), encoding="utf-8")
    frame = (
        'import { readFileSync, writeFileSync } from "node:fs";\n'
        'const given = () => JSON.parse(readFileSync("given.json", "utf-8"));\n'
        'const answer = (value) => writeFileSync("answer.json", JSON.stringify(value));\n'
    )
    (place / "run.js").write_text(frame + script, encoding="utf-8")
    done = subprocess.run(
        [program, "run.js"], cwd=place, capture_output=True, text=True, timeout=300, check=False
    )
    assert done.returncode == 0, done.stderr
    return json.loads((place / "answer.json").read_text("utf-8"))


def _node():
    program = shutil.which("node") or shutil.which("nodejs")
    reason = "Node is not on the path"
    if program is not None:
        found = subprocess.run([program, "--version"], capture_output=True, text=True, check=True)
        if int(found.stdout.strip().lstrip("v").split(".")[0]) >= OLDEST:
            return program
        reason = f"Node {found.stdout.strip()} is older than {OLDEST}"
    if os.environ.get("MOMENTSHARE_NODE") == "required":
        pytest.fail(f"MOMENTSHARE_NODE is 'required', but {reason}")
    pytest.skip(f"{reason}; set MOMENTSHARE_NODE=required to make this a failure")

"""Each tutorial runs from top to bottom, and what it says is what its tables hold."""

import json
import os
import re
import socket
import subprocess
import sys
from importlib import resources
from inspect import signature
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from tests.unit.test_help import check_folder
from typer.testing import CliRunner

from momentshare.cli.main import app
from momentshare.errors import InputError, UnknownNameError
from momentshare.help import entries_named
from momentshare.help.entries import paragraphs_naming
from momentshare.report.text.draw_verdicts import SURE
from momentshare.sharing import share
from momentshare.tutorials import TUTORIALS, write_tutorial


def blocks(text):
    """Shell commands of a tutorial, block by block."""
    return re.findall(r"```sh\n(.*?)```", text, re.DOTALL)


def free_port():
    with socket.socket() as door:
        door.bind(("127.0.0.1", 0))
        return door.getsockname()[1]


@pytest.fixture(scope="module")
def tools(tmp_path_factory):
    """Folder with the commands that a tutorial calls, of this environment."""
    folder = tmp_path_factory.mktemp("bin")
    for name, words in (("python", ""), ("momentshare", " -m momentshare")):
        place = folder / name
        place.write_text(f'#!/bin/sh\nexec "{sys.executable}"{words} "$@"\n', encoding="utf-8")
        place.chmod(0o755)
    return folder


def run(name, folder, tools):
    """Write a tutorial, run every block in it, and return what each printed."""
    done = CliRunner().invoke(app, ["tutorial", name, str(folder)], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    text = (folder / "tutorial.md").read_text("utf-8").replace("8765", str(free_port()))
    printed = []
    environment = {
        **os.environ,
        "PATH": f"{tools}{os.pathsep}{os.environ['PATH']}",
        "MPLBACKEND": "Agg",
        "COLUMNS": "160",
    }
    for commands in blocks(text):
        ran = subprocess.run(
            ["bash", "-euo", "pipefail", "-c", commands],
            cwd=folder,
            env=environment,
            capture_output=True,
            text=True,
            timeout=400,
            check=False,
        )
        assert ran.returncode == 0, f"{commands}\n{ran.stdout}\n{ran.stderr}"
        printed.append(ran.stdout)
    for picture in re.findall(r"!\[.*?\]\((.*?)\)", text):
        assert (folder / picture).stat().st_size > 1000, picture
    return printed


@pytest.fixture(scope="module")
def student(tmp_path_factory, tools):
    folder = tmp_path_factory.mktemp("student") / "press tutorial"
    return folder, run("student", folder, tools)


@pytest.mark.slow
def test_student_finds_what_a_wider_grip_does(student):
    folder, printed = student
    table = pd.read_csv(folder / "results" / "conditions.csv").set_index("condition")
    answer = next(p for p in printed if "moment at the elbow" in p)
    for joint, column in [
        ("elbow", "greatest_elbow_extension_nm"),
        ("shoulder", "greatest_shoulder_horizontal_adduction_nm"),
    ]:
        before, after = table.loc["narrow", column], table.loc["wide", column]
        change = "rises" if after > before else "falls"
        assert f"moment at the {joint} {change} from {before:.1f} to {after:.1f} N·m" in answer
    # The text explains this pair, so it must be as the text says.
    assert "moment at the elbow falls" in answer
    assert "moment at the shoulder rises" in answer
    # Height of the drawing, and where moments are greatest.
    drawn = (folder / "results" / "figures" / "arm_side_by_side.svg").read_text("utf-8")
    for name in table.index:
        assert f"{name}, 0 % of bar height" in drawn
    moments = pd.read_csv(folder / "results" / "moments.csv").set_index("height_fraction")
    for row, low, high in (
        ("shoulder_horizontal_adduction", 0.0, 0.0),
        ("elbow_extension", 0.4, 0.6),
    ):
        found = moments[moments["row"] == row].groupby("condition")["moment_nm"].idxmax()
        assert found.between(low, high).all()


@pytest.mark.slow
def test_student_finds_why_heads_of_the_triceps_differ(student):
    folder, printed = student
    answer = next(p for p in printed if "without a moment arm there" in p.lower())
    drive = pd.read_csv(folder / "why" / "drive.csv")
    mine = drive[(drive["head"] == "triceps_brachii/long") & (drive["joint"] == "shoulder")]
    part = mine["part"].sum()
    said = f"adds {part:.3f} to" if part > 0 else f"takes {-part:.3f} from"
    assert f"The shoulder {said} its activation" in answer
    cases = pd.read_csv(folder / "why" / "counterfactuals.csv")
    own = cases[cases["head"] == "triceps_brachii/long"]
    twin = own[own["case"] == "no_arm_shoulder"]["activation"].iloc[0]
    assert f"would work at {twin:.3f}" in answer
    # What the text says of a line of the drive holds on every line, and on the one printed.
    rows = drive.dropna(subset=["moment_arm_m"])
    product = rows["multiplier_per_nm"] * rows["moment_arm_m"] * rows["capacity_n"]
    assert product.abs().max() > 0.1
    np.testing.assert_allclose(rows["part"], product / (2 * rows["weight"]), atol=1e-4)
    factors = re.search(
        r"elbow: (\S+) 1/\(N·m\) × (\S+) m × (\S+) N ÷ \(2 × (\S+)\) = (\S+)\.\n", answer
    ).groups()
    multiplier, arm, capacity, weight, told = map(float, factors)
    assert multiplier * arm * capacity / (2 * weight) == pytest.approx(told, abs=0.001)


@pytest.mark.slow
def test_student_finds_how_sure_it_is(student):
    folder, printed = student
    answer = printed[-1]
    orders = pd.read_csv(folder / "sure" / "condition_order.csv").set_index("head")
    turned = pd.read_csv(folder / "results" / "ordering.csv")
    turned = turned.set_index("head")["turns_with_posture"]
    *lines, last = answer.strip().splitlines()
    good = [line.split(": ")[0] for line in lines if "nothing against it" in line]
    count = "1 order remains" if len(good) == 1 else f"{len(good)} orders remain"
    assert last == (f"{count}: {', '.join(good)}." if good else "No order remains.")
    for line in lines:
        head, told = line.split(": ", 1)
        row = orders.loc[head]
        # Ties count half in a probability.
        larger = max(row["probability"], 1.0 - row["probability"])
        agreeing = round(larger - row["ties"] / 2.0, 2)
        assert ("no order" in told) == (agreeing <= 0.5), line
        bad = larger < SURE or turned.get(head, False) or isinstance(row["limit"], str)
        assert ("nothing against it" in told) == (not bad), line
    # The program counts the same orders as firm, of the heads that work.
    judged = pd.read_csv(folder / "sure" / "verdicts.csv").set_index("head")
    firm = [head for head, row in judged.iterrows() if row["verdict"] == "firm"]
    beyond = turned.reindex(firm).fillna(value=False).astype(bool)
    assert {head for head in firm if not beyond[head]} == set(good) & set(judged.index)


@pytest.mark.slow
def test_researcher_gets_a_table_with_statistics(tmp_path, tools):
    folder = tmp_path / "lab"
    printed = run("researcher", folder, tools)
    assert "CHECK" in printed[1]
    assert "exit code 1" in printed[2]
    results = folder / "results"
    assert check_folder(results, "cohort-tables") > 30
    table = pd.read_csv(folder / "table.csv", dtype=str).set_index("head")
    tested = pd.read_csv(results / "contrasts.csv")
    tested = tested[(tested["lateral"] == "measured") & (tested["outcome"] == "mean_activation")]
    listed = re.findall(
        r'^    "(\w+/\w+)",$', (folder / "table.py").read_text("utf-8"), re.MULTILINE
    )
    assert len(listed) == 8
    assert list(table.index) == [head for head in listed if head in set(tested["item"])]
    assert len(table) > 4
    heads = pd.read_csv(results / "heads.csv")
    pairs = pd.read_csv(results / "contrasts.csv")
    for head, row in table.iterrows():
        mine = heads[(heads["head"] == head) & (heads["lateral"] == "measured")]
        for name in ("wide", "narrow"):
            value = mine[mine["condition"] == name].iloc[0]
            mean, spread = value["mean_activation_mean"], value["mean_activation_sd"]
            assert row[f"{name} [%]"] == f"{100 * mean:.0f} ± {100 * spread:.0f}"
        by_person = pd.read_csv(results / "heads_by_person.csv")
        own = by_person[(by_person["head"] == head) & (by_person["lateral"] == "measured")]
        wide = own.pivot_table(index="person", columns="condition", values="mean_activation")
        difference = 100 * (wide["narrow"] - wide["wide"]).mean()
        told = row["difference, people [95 % CI]"].split(" ")[0]
        assert abs(float(told) - difference) < 0.51
        pair = pairs[(pairs["item"] == head) & (pairs["lateral"] == "measured")].iloc[0]
        assert row["p (Holm, all heads)"] == f"{pair['p_paired_holm_over_item']:.3f}"
    # The interval of the model beside that of people, and what the draws agree on.
    model = pd.read_csv(folder / "sure" / "people_and_model.csv")
    model = model[(model["lateral"] == "measured") & model["other"].notna()].set_index("head")
    verdicts = pd.read_csv(folder / "sure" / "verdicts.csv").set_index("head")
    for head, row in table.iterrows():
        value, *ends = re.findall(r"[+-]?\d+", row["difference, model [95 % of draws]"])
        mine = model.loc[head]
        assert (mine["condition"], mine["other"]) == ("narrow", "wide")
        assert abs(float(value) - 100 * mine["mean"]) < 0.51
        wanted = 100 * mine["model_low"], 100 * mine["model_high"]
        assert np.allclose([float(end) for end in ends], wanted, atol=0.51)
        assert row["order in draws"] == verdicts.loc[head, "verdict"]
    text = (folder / "table.md").read_text("utf-8")
    assert text.strip() in printed[5]
    assert f"\n{by_person['person'].nunique()} people; " in text
    trials = pd.read_csv(results / "trials.csv")
    loads = trials[trials["counted"]].groupby("condition")["load_kg"].mean()
    assert (
        f"Loads: {loads['narrow']:.1f} kg (narrow), {loads['wide']:.1f} kg (wide), in no test."
        in text
    )
    assert "Differences: narrow minus wide, in percentage points." in text
    assert "−" in text
    assert "-" not in "".join(line for line in text.splitlines()[2:] if line.startswith("|"))
    # The tutorial says that four people are too few to hold the load, and names the reason.
    report = json.loads((results / "run.json").read_text("utf-8"))
    assert "'medium' was recorded too and was not analysed" in " ".join(report["methods"])
    entries = (results / "sources.bib").read_text("utf-8")
    assert f"; {len(re.findall(r'(?m)^@', entries))} entries in sources.bib" in printed[6]
    assert len(printed[6]) > 1000
    # Bibliographies print no remark of ours and know surnames from initials.
    assert "An, K. N. and Hui, F. C." in entries
    assert not re.search(r"(?m)^  (note|recalled) =", entries)


@pytest.fixture(scope="module")
def developer(tmp_path_factory, tools):
    folder = tmp_path_factory.mktemp("developer")
    return folder, run("developer", folder, tools)


@pytest.mark.slow
def test_developer_gets_answers_from_a_service(developer):
    folder, printed = developer
    assert "supplied [N·m]: [20. 30.]" in printed[0]
    good, heavy, wrong = printed[1].strip().splitlines()
    assert good.startswith("can be met: 200 ")
    assert json.loads(good.split(" 200 ")[1])["status"] == "solved"
    found = json.loads(heavy.split(" 200 ")[1])
    assert found["status"] == "shortfall"
    assert found["unmet_nm"][0] > 0
    assert wrong.startswith("wrong: 400 ")
    assert "active_capacity: must be even lists of 0 to 1e+09" in wrong
    assert "got -1000.0 at [1]" in wrong
    lines = (folder / "service.py").read_text("utf-8").splitlines()
    assert sum(bool(line.strip()) for line in lines) <= 65


@pytest.mark.slow
def test_notebook_is_a_valid_one_whose_cells_run(developer):
    folder, printed = developer
    assert "['solved']" in printed[2]
    notebook = json.loads((folder / "notebook.ipynb").read_text("utf-8"))
    assert (notebook["nbformat"], notebook["nbformat_minor"]) == (4, 4)
    # Its drawings say what their numbers are.
    for name in ("forces.svg", "arm.svg"):
        assert "Model estimate" in (folder / name).read_text("utf-8")
    for cell in notebook["cells"]:
        wanted = {"cell_type", "metadata", "source"}
        if cell["cell_type"] == "code":
            wanted |= {"execution_count", "outputs"}
        assert set(cell) == wanted


@pytest.fixture
def service(tmp_path):
    """Return the service of the tutorial as a module, on a port of its own."""
    import importlib.util
    import threading
    from http.server import ThreadingHTTPServer

    write_tutorial("developer", tmp_path)
    spec = importlib.util.spec_from_file_location("service", tmp_path / "service.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    module.Handler.log_message = lambda *_: None
    server = ThreadingHTTPServer(("127.0.0.1", 0), module.Handler)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    yield server.server_address[1]
    server.shutdown()
    server.server_close()
    thread.join()


def not_strict(name):
    raise AssertionError(f"{name} is no JSON")


def post(port, body, path="/share", length=None):
    import http.client

    link = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
    link.putrequest("POST", path)
    link.putheader("Content-Length", str(len(body)) if length is None else length)
    link.endheaders()
    link.send(body)
    reply = link.getresponse()
    found = reply.status, json.loads(reply.read(), parse_constant=not_strict)
    link.close()
    return found


ONE = b'{"moment_arms": [[1]], "active_capacity": [1], "joint_moments": [1]'
"""A request without its end."""


@pytest.mark.parametrize(
    ("body", "status"),
    [
        (b"", 400),
        (b"{", 400),
        (b"[1, 2]", 400),
        (b'{"moment_arms": 1, "active_capacity": 1, "joint_moments": 1}', 400),
        (b'{"moment_arms": [[1]], "active_capacity": [1], "joint_moments": [NaN]}', 400),
        (ONE + b', "more": 1}', 400),
        (ONE + b', "exponent": "x"}', 400),
        (ONE + b', "exponent": null}', 400),
        (b'{"moment_arms": [["a"]], "active_capacity": [1], "joint_moments": [1]}', 400),
        (b'{"moment_arms": {"a": 1}, "active_capacity": [1], "joint_moments": [1]}', 400),
        (ONE + b', "exponent": 1e308}', 400),
        (ONE + b', "exponent": Infinity}', 400),
        (b'{"moment_arms": [[1]], "active_capacity": [1, [2]], "joint_moments": [1]}', 400),
        (
            b'{"moment_arms": [[1]], "active_capacity": [1'
            + b"0" * 400
            + b'], "joint_moments": [1]}',
            400,
        ),
        (
            ONE + b', "exponent": 1' + b"0" * 400 + b"}",
            400,
        ),
        (b'{"moment_arms": [[1]], "active_capacity": [1], "joint_moments": [1e308]}', 400),
        (b'{"moment_arms": [[1]], "active_capacity": [1], "joint_moments": [Infinity]}', 400),
        (b'{"moment_arms": [[1]], "active_capacity": [1], "joint_moments": ["1"]}', 400),
        (b'{"moment_arms": [[1]], "active_capacity": [1], "joint_moments": [true]}', 400),
        (b'{"moment_arms": [[1]], "active_capacity": [1], "joint_moments": [null]}', 400),
        (b'{"moment_arms": [[0.02]], "active_capacity": [100], "joint_moments": [1e9]}', 200),
        (b'{"moment_arms": [[0.02]], "active_capacity": [100], "joint_moments": [1]}', 200),
    ],
)
def test_service_answers_every_body(service, body, status):
    code, record = post(service, body)
    assert code == status
    assert ("error" in record) == (status != 200)


@pytest.mark.parametrize("field", ["moment_arms", "active_capacity", "joint_moments", "exponent"])
@pytest.mark.parametrize("value", [True, False])
def test_service_reads_no_truth_value_as_a_number(service, field, value):
    given = {
        "moment_arms": [[0.02, 0.5]],
        "active_capacity": [9, 8.0],
        "joint_moments": [0.1],
        "exponent": 3,
    }
    changed = {
        "moment_arms": [[0.02, value]],
        "active_capacity": [9, value],
        "joint_moments": [value],
        "exponent": value,
    }
    assert post(service, json.dumps(given).encode())[0] == 200
    status, record = post(service, json.dumps(given | {field: changed[field]}).encode())
    assert status == 400
    assert record["error"].startswith(f"{field}: must be")
    assert "boolean" in record["error"]


@pytest.mark.parametrize(
    ("field", "value", "told"),
    [
        ("joint_moments", [[0.1], [0.2], [float("nan")]], "got nan at [2, 0]"),
        ("active_capacity", [9, -3], "got -3 at [1]"),
        ("moment_arms", [[0.02, "0.5"]], "got '0.5' at [0, 1]"),
        ("moment_arms", [[0.02], [0.1, 0.5]], "got [0.02] at [0]"),
    ],
)
def test_service_names_the_field_the_value_and_its_place(service, field, value, told):
    given = {"moment_arms": [[0.02, 0.5]], "active_capacity": [9, 8.0], "joint_moments": [0.1]}
    status, record = post(service, json.dumps(given | {field: value}).encode())
    assert status == 400
    assert record["error"].startswith(f"{field}: must be")
    assert record["error"].endswith(told)


def test_service_says_what_is_no_json(service):
    for body in (b"{", b"\xff", b""):
        status, record = post(service, body)
        assert status == 400
        assert record["error"].startswith("request: must be JSON; ")


def test_service_bounds_what_comes_in(service):
    heads = 201
    wide = json.dumps(
        {"moment_arms": [[0.02] * heads], "active_capacity": [1] * heads, "joint_moments": [1]}
    )
    assert post(service, wide.encode())[0] == 400
    long = json.dumps(
        {"moment_arms": [[0.02]], "active_capacity": [9], "joint_moments": [[0.1]] * 501}
    )
    assert post(service, long.encode())[0] == 400
    for depth in (4, 40, 5000):  # more axes than an array, than a loop over one, than a parser has
        deep = b'{"moment_arms": ' + b"[" * depth + b"]" * depth
        deep += b', "active_capacity": [1], "joint_moments": [1]}'
        assert post(service, deep)[0] == 400
    for name in ("moment_arms", "active_capacity", "joint_moments"):
        given = {"moment_arms": [[0.02]], "active_capacity": [9], "joint_moments": [0.1]}
        given[name] = [given[name]] * 501
        status, record = post(service, json.dumps(given).encode())
        assert status == 400
        assert name in record["error"]
    assert post(service, b"", length="256001")[0] == 413
    assert post(service, b"", length="-1")[0] == 413
    assert post(service, b"", length="")[0] == 413
    assert post(service, b"", length="\u00b2")[0] == 413
    assert post(service, b"{}", path="/other")[0] == 404


# The command.


@pytest.mark.parametrize("name", ["student", "developer"])
def test_a_tutorial_says_what_it_wrote_and_what_to_do(tmp_path, name):
    done = CliRunner().invoke(app, ["tutorial", name, str(tmp_path / "t")])
    assert done.exit_code == 0
    for file in (tmp_path / "t").iterdir():
        assert file.name in done.stdout
    assert f"open {tmp_path / 't' / 'tutorial.md'}" in done.stdout
    # Written again over itself it changes nothing.
    assert CliRunner().invoke(app, ["tutorial", name, str(tmp_path / "t")]).exit_code == 0


def test_files_of_the_user_are_not_replaced(tmp_path):
    (tmp_path / "press.toml").write_text("mine", encoding="utf-8")
    with pytest.raises(InputError, match=r"press\.toml"):
        write_tutorial("student", tmp_path)
    assert [p.name for p in tmp_path.iterdir()] == ["press.toml"]
    (tmp_path / "cohort.toml").write_text("mine", encoding="utf-8")
    with pytest.raises(InputError, match=r"cohort\.toml"):
        write_tutorial("researcher", tmp_path)
    assert (tmp_path / "cohort.toml").read_text("utf-8") == "mine"


def test_unknown_tutorial_is_refused_with_the_names():
    done = CliRunner().invoke(app, ["tutorial", "nobody", "x"])
    assert isinstance(done.exception, UnknownNameError)
    assert all(name in str(done.exception) for name in TUTORIALS)
    assert not Path("x").exists()


@pytest.mark.parametrize("name", TUTORIALS)
def test_what_a_text_names_is_there(name):
    folder = Path(__import__("momentshare").__file__).parent / "tutorials" / "files" / name
    text = (folder / "tutorial.md").read_text("utf-8")
    for asked in set(re.findall(r"momentshare help ([\w-]+)", text)):
        assert CliRunner().invoke(app, ["help", asked]).exit_code == 0, asked
    for column in re.findall(r"`(\w+_\w+)`", text):
        explained = entries_named(column) or paragraphs_naming(column)
        assert explained or column in signature(share).parameters, column
    for file in re.findall(r"python (\w+\.py)", text):
        assert (folder / file).is_file()


def test_draws_agree_with_the_head_that_is_named(tmp_path):
    """Ties count half in a probability; the share that is printed is that of the named order."""
    heads = ["a/often", "a/seldom"]
    pairs = {"condition": "narrow", "other": "wide", "limit": ""}
    (tmp_path / "sure").mkdir()
    (tmp_path / "results").mkdir()
    order = pd.DataFrame({"head": heads, "probability": [0.95, 0.45], "ties": [0.0, 0.3]})
    order.assign(**pairs).to_csv(tmp_path / "sure/condition_order.csv", index=False)
    turned = pd.DataFrame({"head": heads, "turns_with_posture": False})
    turned.assign(**pairs).to_csv(tmp_path / "results/ordering.csv", index=False)
    script = resources.files("momentshare.tutorials") / "files/student/answers.py"
    said = subprocess.run(
        [sys.executable, str(script), "sure"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=True,
    ).stdout.splitlines()
    assert said == [
        "a/often: more active when narrow; nothing against it",
        "a/seldom: no order; only 40 % of draws agree",
        "1 order remains: a/often.",
    ]


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ([], "python answers.py moments|triceps|sure"),
        (["moment"], "python answers.py moments|triceps|sure"),
        (["triceps"], "why/drive.csv is not there: run the command that writes 'why' first"),
    ],
)
def test_the_script_says_how_it_is_called_and_what_comes_first(tmp_path, words, told):
    script = resources.files("momentshare.tutorials") / "files/student/answers.py"
    done = subprocess.run(
        [sys.executable, str(script), *words],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stderr.strip()) == (1, told)

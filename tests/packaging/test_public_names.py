"""The package root is the public door, and layers import only layers above them."""

import ast
import subprocess
import sys
from pathlib import Path

import momentshare

SOURCE = Path(momentshare.__file__).parent

# From first to last; a module may import from its own layer and from earlier ones.
LAYERS = [
    {
        "arrays",
        "errors",
        "extras",
        "results",
        "temporary",
        "units",
        "cautions",
        "processes",
        "helpers",
        "text",
        "head_names",
        "inputs",
    },
    {"files"},
    {"directions"},
    {"help"},
    {"geometry"},
    {"signals"},
    {"limits"},
    {"model"},
    {"person"},
    {"posture"},
    {"girdle"},
    {"skeleton"},
    {"_kernels"},
    {"exercise"},
    {"paths"},
    {"muscle"},
    {"limb"},
    {"sharing"},
    {"balance"},
    {"linkage"},
    {"analysis"},
    {"runs"},
    {"study"},
    {"trial"},
    {"reading"},
    {"emg"},
    {
        "explain",
        "strength",
        "uncertainty",
        "calibration",
        "validation",
        "published",
        "maximal",
    },
    {"cohort", "demo"},
    {"tutorials"},
    {"report"},
    {"explore"},
    {"cli", "__main__"},
]
ORDER = {name: index for index, layer in enumerate(LAYERS) for name in layer}


def imports(path):
    """Names of our own top-level modules that a file imports, typing included."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("momentshare"):
            parts = node.module.split(".")
            if len(parts) > 1:
                yield parts[1]
            else:
                yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.Import):
            for alias in node.names:
                parts = alias.name.split(".")
                if parts[0] == "momentshare" and len(parts) > 1:
                    yield parts[1]


def test_every_module_imports_only_layers_above_it():
    arrows = []
    for path in SOURCE.rglob("*.py"):
        here = path.relative_to(SOURCE).parts[0].removesuffix(".py")
        if here == "__init__" or "models" in path.relative_to(SOURCE).parts:
            continue
        if path.is_relative_to(SOURCE / "tutorials" / "files"):
            continue  # programs of a user, who sees the public names only
        assert here in ORDER, f"{path.name}: put the new module into LAYERS"
        arrows += [
            f"{path.relative_to(SOURCE)} imports {name}"
            for name in imports(path)
            if ORDER[name] > ORDER[here]
        ]
    assert not arrows


def module_of(path):
    parts = path.relative_to(SOURCE.parent).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def modules_imported(path, known):
    """Modules of ours that a file imports, typing included; a name of a package counts as it."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("momentshare"):
            for alias in node.names:
                whole = f"{node.module}.{alias.name}"
                yield whole if whole in known else node.module


def circles(arrows):
    """Sets of modules that reach each other (Tarjan 1972, from memory)."""
    order, low, stack, found = {}, {}, [], []

    def visit(here):
        order[here] = low[here] = len(order)
        stack.append(here)
        for there in sorted(arrows[here]):
            if there not in order:
                visit(there)
                low[here] = min(low[here], low[there])
            elif there in stack:
                low[here] = min(low[here], order[there])
        if low[here] == order[here]:
            circle = stack[stack.index(here) :]
            del stack[stack.index(here) :]
            if len(circle) > 1:
                found.append(sorted(circle))

    for module in sorted(arrows):
        if module not in order:
            visit(module)
    return found


def test_circles_are_found():
    arrows = {"a": {"b"}, "b": {"c"}, "c": {"a"}, "d": {"a"}, "e": set()}
    assert circles(arrows) == [["a", "b", "c"]]
    assert circles({"a": {"b"}, "b": set()}) == []


def test_no_files_import_each_other_in_a_circle():
    files = {module_of(path): path for path in SOURCE.rglob("*.py")}
    # The root and the packages hand names on; what they import is looked at in the files.
    plain = {name: path for name, path in files.items() if path.name != "__init__.py"}
    arrows = {
        name: {other for other in modules_imported(path, files) if other in plain} - {name}
        for name, path in plain.items()
    }
    assert sum(map(len, arrows.values())) > 300
    assert circles(arrows) == []


def test_public_list_is_sorted_and_equals_what_can_be_imported():
    assert list(momentshare.__all__) == sorted(momentshare.__all__)
    assert set(momentshare._HOME) == set(momentshare.__all__)
    for name in momentshare.__all__:
        assert getattr(momentshare, name).__name__ == name


def test_importing_the_package_stays_light():
    code = "import sys, momentshare; print('numpy' in sys.modules)"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "False"


def test_help_does_not_import_heavy_libraries():
    code = (
        "import sys\nfrom typer.testing import CliRunner\nfrom momentshare.cli.main import app\n"
        "assert CliRunner().invoke(app, ['--help']).exit_code == 0\n"
        "heavy = {'numpy', 'pandas', 'scipy', 'matplotlib', 'numba', 'ezc3d', 'statsmodels'}\n"
        "print(sorted((heavy | {'jinja2'}) & set(sys.modules)))"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "[]"

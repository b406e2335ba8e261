"""The package root is the public door, and layers import only layers above them."""

import ast
import subprocess
import sys
from pathlib import Path

import momentshare

SOURCE = Path(momentshare.__file__).parent

# From first to last; a module may import from its own layer and from earlier ones.
LAYERS = [
    {"errors", "units", "cautions", "processes", "text", "inputs"},
    {"directions"},
    {"sources"},
    {"geometry"},
    {"signals"},
    {"model"},
    {"person"},
    {"posture"},
    {"skeleton"},
    {"exercise"},
    {"_kernels"},
    {"paths"},
    {"muscle"},
    {"limb"},
    {"demand"},
    {"sharing"},
    {"joint"},
    {"balance"},
    {"analysis"},
    {"runs"},
    {"study"},
    {"trial"},
    {"reading"},
    {"emg"},
    {"explain", "strength", "uncertainty", "calibration", "validation", "effects", "published"},
    {"cohort", "demo"},
    {"report"},
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
        assert here in ORDER, f"{path.name}: put the new module into LAYERS"
        arrows += [
            f"{path.relative_to(SOURCE)} imports {name}"
            for name in imports(path)
            if ORDER[name] > ORDER[here]
        ]
    assert not arrows


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

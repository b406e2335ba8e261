"""Libraries that come with an extra, and what is said where one is missing.

The solver, the limb and the paths need no more than numpy, scipy and pydantic. Tables, figures,
study files and commands import their libraries where they use them, in the ordinary way. Where
such an import of ours finds nothing, it raises `MissingExtraError` with the line that installs
the library, instead of Python's own error; imports of other packages are left alone.
"""

from __future__ import annotations

import sys

__all__ = ["LIBRARIES", "watch_imports"]

LIBRARIES = {
    "pandas": ("tables", "making tables"),
    "pyarrow": ("tables", "reading and writing Parquet"),
    "matplotlib": ("figures", "drawing figures"),
    "jinja2": ("figures", "the report page"),
    "typer": ("studies", "the command line"),
    "rich": ("studies", "text for the terminal"),
    "filelock": ("studies", "writing a run folder"),
    "statsmodels": ("cohort", "comparing conditions over people"),
    "ezc3d": ("trial", "writing C3D files"),
    "sympy": ("worked", "the worked algebra"),
    "SALib": ("scale", "ranking the inputs"),
    "dask": ("scale", "running on a cluster"),
    "distributed": ("scale", "running on a cluster"),
    "jax": ("jax", "sharing inside JAX"),
    "torch": ("torch", "sharing inside PyTorch"),
}
"""Library → its extra, and what it is wanted for."""


class _Missing:
    """The last finder of modules: asked only about what no other one has found."""

    @staticmethod
    def find_spec(name: str, path: object = None, target: object = None) -> None:
        """Raise `MissingExtraError` if one of our own modules asked; find nothing otherwise."""
        del path, target
        if name not in LIBRARIES:
            return
        frame = sys._getframe(1)  # noqa: SLF001 - the only way to know who imports
        while frame.f_back and frame.f_code.co_filename.startswith("<frozen importlib"):
            frame = frame.f_back
        if str(frame.f_globals.get("__name__", "")).partition(".")[0] == "momentshare":
            from momentshare.errors import MissingExtraError

            raise MissingExtraError(name, *LIBRARIES[name])


def watch_imports() -> None:
    """Put the finder behind all others, once."""
    if not any(finder is _Missing for finder in sys.meta_path):
        sys.meta_path.append(_Missing)

"""The page's modules in one script: imports are resolved, nothing else is changed.

A module of ``page/`` may import from its neighbours by name (``import { a } from "./b.js"``) and
export functions, constants and classes. All modules share one scope in the page, so a name may be
defined at the top level of one module only; a test checks this.
"""

from __future__ import annotations

import re
from importlib import resources

from momentshare.errors import InputError

__all__ = ["bundle", "needed_modules", "page_text"]

_IMPORT = re.compile(r'^import \{[^}]*\} from "\./(\w+)\.js";\n', re.MULTILINE)
_EXPORT = re.compile(r"^export (?=(async )?(function|const|class) )", re.MULTILINE)
_OTHER = re.compile(r"^(import|export)\b.*", re.MULTILINE)


def page_text(name: str) -> str:
    """Text of a file of the page."""
    return (resources.files("momentshare.explore") / "page" / name).read_text("utf-8")


def needed_modules(entry: str) -> list[str]:
    """Names of the modules that an entry needs, each after those it imports."""
    order: list[str] = []
    open_: list[str] = []

    def visit(name: str) -> None:
        if name in order:
            return
        if name in open_:
            raise InputError(f"page modules import each other in a circle: {open_} → {name}")
        open_.append(name)
        for other in _IMPORT.findall(page_text(f"{name}.js")):
            visit(other)
        open_.remove(name)
        order.append(name)

    visit(entry)
    return order


def bundle() -> str:
    """Join the page's module and everything it imports into one script."""
    parts = []
    for name in needed_modules("app"):
        text = _EXPORT.sub("", _IMPORT.sub("", page_text(f"{name}.js")))
        left = _OTHER.search(text)
        if left:
            raise InputError(f"page module {name}.js: cannot be joined: {left.group(0)!r}")
        parts.append(f"// {name}.js\n{text}")
    return "\n".join(parts)

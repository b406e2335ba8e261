"""The topics of the help: Markdown files beside this module."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib import resources

from momentshare.errors import UnknownNameError

__all__ = ["Topic", "topic", "topics"]

_ORDER = (
    "commands",
    "study",
    "exercises",
    "method",
    "cohort",
    "layout",
    "published",
    "compare-tables",
    "cohort-tables",
    "other-tables",
    "folder",
    "python",
    "linkage",
    "solver",
    "embedding",
    "validity",
    "glossary",
    "cautions",
    "changes",
)
"""Topics in the order in which they are listed; a test compares them with the files."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Topic:
    """One topic of the help.

    Attributes
    ----------
    name : str
        As given to ``momentshare help``.
    text : str
        Markdown: a title, a sentence that summarises the topic, then the content.
    """

    name: str
    text: str

    @property
    def title(self) -> str:
        """Title, without markup."""
        return self.text.splitlines()[0].removeprefix("# ")

    @property
    def summary(self) -> str:
        """First paragraph below the title, on one line."""
        return " ".join(self.text.split("\n\n")[1].split())


@cache
def topics() -> tuple[Topic, ...]:
    """Return every topic, in the order of the list.

    Examples
    --------
    >>> "study" in [topic.name for topic in topics()]
    True
    """
    folder = resources.files("momentshare.help") / "topics"
    return tuple(
        Topic(name=name, text=(folder / f"{name}.md").read_text(encoding="utf-8"))
        for name in _ORDER
    )


def topic(name: str) -> Topic:
    """Return a topic by name.

    Raises
    ------
    UnknownNameError
        No topic has the name.
    """
    for found in topics():
        if found.name == name:
            return found
    raise UnknownNameError("topic", name, [t.name for t in topics()])

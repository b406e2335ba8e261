"""Find the head that a name means: its id, its words in any order, or what trainers call it."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from momentshare.errors import UnknownNameError

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["find_head", "is_head_name"]

_SHORT = {"triceps": "brachii", "biceps": "brachii", "pectoralis": "major", "latissimus": "dorsi"}
"""Muscle by its first word → the word that is left out in the gym."""

_COMMON = {"anterior": "clavicular", "middle": "acromial", "posterior": "spinal"}
"""Part of the deltoid as trainers call it → its anatomical name."""

_FILLING = frozenset({"the", "of", "head", "heads", "part", "parts", "muscle"})


def find_head(
    asked: str,
    known: Sequence[str],
    where: str = "",
    *,
    kind: str = "head",
    others: Sequence[str] = (),
) -> str:
    """Return the id of the head that a name means.

    Parameters
    ----------
    asked : str
        An id such as ``deltoid/clavicular``, or the words of one in any order and case, as
        reports and glossary write them: ``deltoid, clavicular``, ``clavicular deltoid``,
        ``anterior deltoid``, ``long head of the triceps``.
    known : sequence of str
        Ids of the heads, ``muscle`` or ``muscle/part``.
    where : str
        File and field, or option, for the message.
    kind : str
        What is looked for, for the message.
    others : sequence of str
        Further names that would have been right there, for the message.

    Raises
    ------
    UnknownNameError
        No head has this name, or it could mean several, which are named.

    Examples
    --------
    >>> heads = ("triceps_brachii/long", "triceps_brachii/lateral", "deltoid/clavicular")
    >>> find_head("Anterior deltoid", heads), find_head("long head of the triceps", heads)
    ('deltoid/clavicular', 'triceps_brachii/long')
    >>> find_head("triceps", heads)
    Traceback (most recent call last):
    momentshare.errors.UnknownNameError: unknown head 'triceps'; it could mean \
'triceps_brachii/long' or 'triceps_brachii/lateral': name one of them
    """
    if asked in known:
        return asked
    words = _words(asked)
    equal = [head for head in known if words and words == _words(head)]
    if len(equal) == 1:
        return equal[0]
    near = equal or [head for head in known if words and words < _words(head)]
    remedy = None
    if near:
        names = [f"'{head}'" for head in near]
        several = f"{', '.join(names[:-1])} or {names[-1]}" if len(names) > 1 else names[0]
        remedy = f"it could mean {several}: name {'one of them' if len(names) > 1 else 'it so'}"
    raise UnknownNameError(kind, asked, [*others, *known], where, remedy)


def is_head_name(asked: str, known: Sequence[str]) -> bool:
    """Whether a name means one head.

    Examples
    --------
    >>> is_head_name("anterior deltoid", ("deltoid/clavicular",)), is_head_name("narrow", ("a/b",))
    (True, False)
    """
    try:
        find_head(asked, known)
    except UnknownNameError:
        return False
    return True


def _words(name: str) -> frozenset[str]:
    """Words of a name by which heads are told apart."""
    words = set(re.split(r"[\s,/_]+", name.casefold().strip())) - _FILLING - {""}
    words |= {
        more for first, more in _SHORT.items() if first in words and not _has_other(words, more)
    }
    if "deltoid" in words:
        words = {_COMMON.get(word, word) for word in words}
    return frozenset(words)


def _has_other(words: set[str], more: str) -> bool:
    """Whether another muscle of that first word is named, such as a pectoralis minor."""
    return more == "major" and "minor" in words

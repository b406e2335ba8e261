"""What can go wrong, and the data each fault carries.

::

    MomentshareError
    ├── InputError           a file, option or argument is wrong          (ValueError)
    │   ├── ModelError       a model file does not load
    │   ├── StudyError       a study file does not load
    │   ├── UnknownNameError a name that nothing answers to               (KeyError)
    │   └── ShapeError       an array with the wrong axes or bad values
    ├── PostureError         a posture cannot be reached
    ├── SolverError          a solution could not be certified
    ├── ProcessError         a child process cannot start
    ├── StorageError         the disk refuses a write
    └── MissingExtraError    an optional library is not installed         (ImportError)

A message says where the fault is, what must hold, what was found and what to do. The command line
prints it without a traceback and ends with ``exit_code``.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from momentshare.text import for_terminal

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

__all__ = [
    "InputError",
    "MissingExtraError",
    "ModelError",
    "MomentshareError",
    "PostureError",
    "ProcessError",
    "ShapeError",
    "SolverError",
    "StorageError",
    "StudyError",
    "UnknownNameError",
    "nearest_name",
]


_SHOWN = 30
"""Number of faults that a message spells out; all are in ``faults``."""

_AS_ALIKE = 0.2
"""Likeness [1] by which a suggested name may be behind the closest one; assumed."""

_LONGEST = 2000
"""Number of characters shown of a message and of each fault."""


class MomentshareError(Exception):
    """Base of every error that the library raises deliberately.

    Attributes
    ----------
    exit_code : int
        Exit code of the command line: 1 not computable, 2 wrong input.
    faults : tuple of str
        One line per fault, each naming place, field, value and remedy.

    Examples
    --------
    >>> from momentshare import MomentshareError, load_model
    >>> try:
    ...     load_model("reference_lim")
    ... except MomentshareError as err:
    ...     print(type(err).__name__, err.exit_code)
    UnknownNameError 2
    """

    exit_code = 1

    def __init__(self, message: str, faults: Sequence[str] = ()) -> None:
        self.faults = tuple(faults)
        message = for_terminal(message, _LONGEST)
        lines = [f"  - {for_terminal(fault, _LONGEST)}" for fault in self.faults[:_SHOWN]]
        if len(self.faults) > _SHOWN:
            lines.append(f"  - and {len(self.faults) - _SHOWN} more")
        super().__init__("\n".join([message, *lines]))

    def __reduce__(self) -> tuple[object, ...]:
        """Copy and pickle the message and the data instead of calling ``__init__``."""
        return _restored, (type(self), self.args, dict(self.__dict__))


def _restored(
    kind: type[MomentshareError], args: tuple[object, ...], data: dict[str, object]
) -> MomentshareError:
    """Rebuild an error from its message and data."""
    error = kind.__new__(kind, *args)
    error.args = args
    error.__dict__.update(data)
    return error


class InputError(MomentshareError, ValueError):
    """A file, option or argument is wrong."""

    exit_code = 2


class ModelError(InputError):
    """A model file does not load."""


class StudyError(InputError):
    """A study file does not load."""


class UnknownNameError(InputError, KeyError):
    """No such name; the nearest known names are suggested."""

    def __init__(
        self,
        kind: str,
        name: str,
        known: Iterable[str],
        where: str = "",
        remedy: str | None = None,
    ) -> None:
        self.kind, self.name, self.known = kind, name, tuple(known)
        place = f"{where}: " if where else ""
        remedy = nearest_name(name, self.known) if remedy is None else remedy
        super().__init__(f"{place}unknown {kind} {name!r}; {remedy}")

    def __str__(self) -> str:
        return str(self.args[0])


_PROPERTIES = ("shape", "leading axes", "batch axes")
"""Requirements that an array must *have*; any other is something it must *be*."""


class ShapeError(InputError):
    """An array argument has the wrong axes or holds values that cannot be used."""

    def __init__(self, argument: str, wanted: str, got: str, remedy: str = "") -> None:
        self.argument, self.wanted, self.got, self.remedy = argument, wanted, got, remedy
        tail = f"; {remedy}" if remedy else ""
        verb = "have" if wanted.startswith(_PROPERTIES) else "be"
        super().__init__(f"{argument}: must {verb} {wanted}; got {got}{tail}")


def require_kind(argument: str, value: object, kind: type, remedy: str) -> None:
    """Refuse an argument of another class.

    Raises
    ------
    InputError
        With what was given and the remedy.
    """
    if not isinstance(value, kind):
        name = kind.__name__.lower() if kind.__module__ == "collections.abc" else kind.__name__
        article = "an" if name[0] in "AEIO" else "a"
        given = repr(value) if isinstance(value, (str, int, float)) else type(value).__name__
        raise InputError(f"{argument}: must be {article} {name}; got {given}; {remedy}")


class PostureError(MomentshareError):
    """No posture can be reached; the message says where and by how much."""


class SolverError(MomentshareError):
    """A solution could not be certified."""


class ProcessError(MomentshareError):
    """A process that the library needs cannot start; no input file is at fault."""


class StorageError(MomentshareError):
    """The disk refuses a write; whatever was finished before is kept."""


class MissingExtraError(MomentshareError, ImportError):
    """An optional library is not installed; the message gives the install line."""

    exit_code = 2

    def __init__(self, library: str, extra: str, purpose: str) -> None:
        self.library, self.extra = library, extra
        super().__init__(
            f"{purpose} needs {library}, which is not installed; "
            f"run: pip install 'momentshare[{extra}]'"
        )


def nearest_name(name: str, known: Iterable[str], cutoff: float = 0.5) -> str:
    """Return a phrase that suggests the names closest to ``name``.

    Parameters
    ----------
    name : str
    known : iterable of str
    cutoff : float
        How alike a name must be to be suggested, from 0 to 1; more where any word may be given.

    Examples
    --------
    >>> nearest_name("widde", ["wide", "narrow"]), nearest_name("bogus", ["about"], 0.7)
    ("did you mean 'wide'?", 'known: about')
    """
    import difflib

    names = sorted(known)
    if not names:
        return "there is none"
    close = difflib.get_close_matches(name, names, n=3, cutoff=cutoff)
    if close:
        alike = [difflib.SequenceMatcher(None, c, name).ratio() for c in close]
        # Beside a name that is hardly misspelt, one that is half alike is no guess.
        close = [c for c, a in zip(close, alike, strict=True) if a >= alike[0] - _AS_ALIKE]
        return "did you mean " + " or ".join(repr(c) for c in close) + "?"
    return "known: " + ", ".join(names)

"""The folder of a run: one command, one process at a time, completely or not at all.

Whatever a command writes goes through here. The folder is locked before anything is computed and
checked for rights and room. Files are made inside the folder itself, in ``.momentshare``, so that
they are on the same disk and moving them is one step; results of a run move together, parts of a
long run (chunks of draws, trials) as each is finished. The manifest names every file with its
digest before it moves: what a killed run left is known, a damaged part is found and made again, and
nothing that the manifest does not name is ever replaced or removed. A manifest that is damaged
itself is restored from its copy. After a run, or after the next one if it was killed,
``.momentshare`` is removed.
"""

from __future__ import annotations

import json
import os
import shutil
import warnings
from contextlib import contextmanager, suppress
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any

from momentshare.errors import InputError, StorageError
from momentshare.files.manifest import (
    COPY,
    MANIFEST,
    Manifest,
    Part,
    bytes_digest,
    journal_entries,
    journal_line,
    path_digest,
    read_account,
)
from momentshare.files.place import (
    check_place,
    hold_lock,
    link_within,
    missing_made,
    moved,
    require_room,
    settled_digest,
    storage_error,
    sync_folder,
    written,
)
from momentshare.files.writer import Writer, json_text
from momentshare.inputs import shown
from momentshare.temporary import temporary_within

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping

__all__ = ["CONTROL", "RunFolder", "as_run_folder", "check_place", "run_folder"]

CONTROL = ".momentshare"
"""Folder inside a run folder that exists while a run is under way."""

_UNDER_WAY = "under way"
"""Tag of a part whose files are being replaced; no part is requested under it."""

_JOURNALS = ("journal", "journal.copy")
_STAGE = "stage"
_SCRATCH = "scratch"

_INNER = ("chunks", "figures", "trials")
"""Folders inside a run folder, whichever of its files a run will write there."""

_EARLIER = ("run.json", "summary.json", "explain.json", "strength.json", "trials/study.json")
"""Files that identify a folder written by a version without manifests."""


class RunFolder:
    """A folder that this process holds; made by :func:`run_folder`.

    Attributes
    ----------
    path : Path
    mended : str
        What to tell the user of a manifest that was restored; usually empty.
    """

    def __init__(
        self, path: Path, manifest: Manifest, study: dict[str, Any], *, fresh: bool, wrong: str = ""
    ) -> None:
        self.path = path
        self.mended = ""
        if wrong:
            self.mended = (
                f"{shown(path / MANIFEST)}: {wrong} and is restored from its copy; every file is "
                "checked against it, and what is damaged is computed again"
            )
        self._manifest = manifest
        self._study = study
        self._fresh = fresh
        self._noted = 0

    def __repr__(self) -> str:
        account = self._manifest
        return (
            f"RunFolder({str(self.path)!r}, {account.command!r}, parts={len(account.parts)}, "
            f"files={len(account.files)})"
        )

    # ------------------------------------------------------------------ parts of a long run

    @property
    def parts(self) -> tuple[str, ...]:
        """Names of the parts that the folder accounts for, sound or not."""
        return tuple(sorted(self._manifest.parts))

    def has(self, name: str, tag: str) -> bool:
        """Whether a part was finished under this tag and every byte of it is still there."""
        part = self._manifest.parts.get(name)
        return (
            part is not None
            and part.tag == tag
            and all(
                link_within(self.path, file) is None and path_digest(self.path / file) == digest
                for file, digest in part.files.items()
            )
        )

    def keep(self, name: str, tag: str, files: Mapping[str, bytes]) -> None:
        """Put the files of a part into the folder, completely or not at all.

        Parameters
        ----------
        name : str
            Of the part; a part of the same name is replaced.
        tag : str
            Represents everything behind it; see :meth:`has`.
        files : mapping
            Name within the folder → bytes.

        Raises
        ------
        InputError
            A file that this command did not write, or a link, is in the way.
        StorageError
            The disk refuses the write.
        """
        self.refuse_what_is_in_the_way(files)
        earlier = self._manifest.parts.get(name)
        left = {} if earlier is None else {k: v for k, v in earlier.files.items() if k not in files}
        part = Part(tag, {file: bytes_digest(data) for file, data in files.items()})
        self.claim()
        with self._writing():
            stage = self._control(_STAGE)
            for number, data in enumerate(files.values()):
                written(stage / str(number), data)
            # Files that the part no longer has stay in the account until they are removed.
            self._note(name, Part(_UNDER_WAY if left else tag, {**left, **part.files}))
            for number, file in enumerate(files):
                self._move(stage / str(number), file)
            if left:
                self._remove(left, changed=True)
                self._note(name, part)

    def drop(self, names: Iterable[str]) -> None:
        """Remove parts and their files."""
        for name in names:
            part = self._manifest.parts.get(name)
            if part is None:
                continue
            with self._writing():
                self._remove(part.files, changed=True)
                self._note(name, None)

    # ------------------------------------------------------------------ results

    @contextmanager
    def results(self, *, leave: tuple[str, ...] = ()) -> Iterator[Writer]:
        """Provide a writer; what it wrote moves into the folder together at the end.

        Earlier results of this command that were not written again are removed, provided that they
        are unchanged.

        Parameters
        ----------
        leave : tuple of str
            Earlier results with these extensions stay if the study is still the same.

        Raises
        ------
        InputError
            A file that this command did not write, or a link, is in the way.
        StorageError
            The disk refuses the write.
        """
        with self._writing():
            writer = Writer(self._control(_STAGE))
            yield writer
            names = writer.names
            self.refuse_what_is_in_the_way(names)
            new = {name: settled_digest(writer.folder / name) for name in names}
            self._manifest.study = self._study
            account, before = self._manifest, dict(self._manifest.files)
            same = bool(leave) and account.results_of == account.study_digest()
            stay = {k: v for k, v in before.items() if same and k.endswith(leave)}
            account.files, account.results_of = {**before, **new}, ""
            self._write_manifest()
            for name in names:
                self._move(writer.folder / name, name)
            account.files, account.results_of = {**stay, **new}, account.study_digest()
            gone = {k: v for k, v in before.items() if k not in account.owned()}
            self._remove(gone, changed=False)
            self._write_manifest()

    @property
    def scratch(self) -> str:
        """Folder for temporary files; it is removed with the run, or by the next."""
        return str(self._control(_SCRATCH))

    # ------------------------------------------------------------------ inside

    def _control(self, name: str) -> Path:
        place = self.path / CONTROL / name
        place.mkdir(parents=True, exist_ok=True)
        return place

    @contextmanager
    def _writing(self) -> Iterator[None]:
        """Say what to do if the disk refuses a write."""
        try:
            yield
        except OSError as err:
            raise storage_error(self.path, err) from err
        finally:
            shutil.rmtree(self.path / CONTROL / _STAGE, ignore_errors=True)

    def refuse_what_is_in_the_way(
        self, names: Iterable[str], *, folders: Iterable[str] = ()
    ) -> None:
        """Refuse links, folders and foreign files where this run will write.

        Parameters
        ----------
        names : iterable of str
            Of files.
        folders : iterable of str
            Folders that the run may make.

        Raises
        ------
        InputError
            Naming what is in the way.
        """
        owned = {MANIFEST, COPY, *self._manifest.owned()}
        for name in names:
            inside = [str(folder) for folder in PurePosixPath(name).parents][-2::-1]
            for folder in inside:
                self._refuse_other_than_folder(folder)
            target = self.path / name
            if target.is_symlink() or target.is_dir():
                raise self._in_the_way(target, "a result")
            if name not in owned and os.path.lexists(target):
                raise InputError(
                    f"{shown(target)}: is in the way and was not written by momentshare "
                    f"{self._manifest.command}; move it away, or choose another folder for --out"
                )
        for folder in folders:
            self._refuse_other_than_folder(folder)

    def _refuse_other_than_folder(self, name: str) -> None:
        place = self.path / name
        if place.is_symlink() or (os.path.lexists(place) and not place.is_dir()):
            raise self._in_the_way(place, "a folder of results")

    def _in_the_way(self, place: Path, wanted: str) -> InputError:
        kind = "link" if place.is_symlink() else "folder" if place.is_dir() else "file"
        return InputError(
            f"{shown(place)}: is a {kind} where {wanted} should go; move it away, or choose "
            "another folder for --out"
        )

    def _note(self, name: str, part: Part | None) -> None:
        """Enter a part into the account before its files move."""
        for journal in _JOURNALS:
            with (self.path / CONTROL / journal).open("ab") as file:
                file.write(journal_line(self._noted, name, part))
                file.flush()
                os.fsync(file.fileno())
        self._noted += 1
        self._manifest.enter(name, part)

    def _move(self, source: Path, name: str) -> None:
        target = self.path / name
        target.parent.mkdir(parents=True, exist_ok=True)
        moved(source, target)

    def _remove(self, files: Mapping[str, str], *, changed: bool) -> None:
        """Remove files, and folders that are then empty.

        Results that have been changed may be somebody's work and stay, unless ``changed``.
        """
        for name, digest in files.items():
            place = self.path / name
            if link_within(self.path, name) is not None or not place.is_file():
                continue
            if changed or path_digest(place) == digest:
                place.unlink()
                for parent in list(PurePosixPath(name).parents)[:-1]:
                    with suppress(OSError):
                        (self.path / parent).rmdir()

    def _write_manifest(self) -> None:
        text = self._manifest.text().encode()
        for name in (COPY, MANIFEST):  # the copy first: it is never behind the manifest
            stage = self._control(_STAGE) / name
            written(stage, text)
            self._move(stage, name)
            sync_folder(self.path)

    def claim(self) -> None:
        """Record what the run is to do; done automatically before the first file."""
        if self._manifest.study != self._study:
            self._manifest.study = self._study
            with self._writing():
                self._write_manifest()

    def _begin(self) -> None:
        """Take over what an earlier run left, and record at once whose folder this is."""
        control, account = self.path / CONTROL, self._manifest
        for left in (_STAGE, _SCRATCH):
            shutil.rmtree(control / left, ignore_errors=True)
        journals = [control / name for name in _JOURNALS]
        there = [p for p in journals if p.is_file() and not p.is_symlink()]
        entries = journal_entries(p.read_bytes() for p in there)
        for name, part in entries:
            account.enter(name, part)
        if self._fresh:
            account.study = self._study
        manifest, copy = (path_digest(self.path / name) for name in (MANIFEST, COPY))
        if entries or self._fresh or manifest != copy:
            with self._writing():
                self._write_manifest()
        for journal in journals:
            journal.unlink(missing_ok=True)

    def _end(self) -> None:
        """Settle the account; an empty one is removed."""
        account, control = self._manifest, self.path / CONTROL
        with suppress(OSError, StorageError):
            if self._fresh and not account.parts and not account.files:
                for name in (MANIFEST, COPY):
                    (self.path / name).unlink(missing_ok=True)
            elif self._noted:
                with self._writing():
                    self._write_manifest()
            # Kept if the account could not be written: the next run takes it over.
            for journal in _JOURNALS:
                (control / journal).unlink(missing_ok=True)
        for left in (_STAGE, _SCRATCH):
            shutil.rmtree(control / left, ignore_errors=True)


@contextmanager
def run_folder(
    place: str | Path,
    command: str,
    *,
    study: Mapping[str, Any] | None = None,
    accept: Callable[[dict[str, Any]], None] | None = None,
    names: Iterable[str] = (),
    room: int = 0,
) -> Iterator[RunFolder]:
    """Hold the folder of a run, creating it if needed.

    Parameters
    ----------
    place : str or Path
        May be a link or the root of a disk.
    command : str
        Which command writes here.
    study : mapping, optional
        What is to be done, as plain data; recorded in the manifest.
    accept : callable, optional
        Called with what an earlier run of this command was to do; raises ``InputError`` if that
        must not be replaced; the name of the folder is put before the message.
    names : iterable of str
        Files that the run is certain to write, so that obstacles show at once.
    room : int
        Bytes that the run will write.

    Yields
    ------
    RunFolder

    Raises
    ------
    InputError
        The folder cannot be written to, is held by another process, or belongs to another
        command, another version or, by ``accept``, another study; or something in it is in the
        way.
    StorageError
        There is not enough room.
    """
    path = Path(place)
    check_place(path)
    made = missing_made(path)
    try:
        control = path / CONTROL
        if control.is_symlink() or (control.exists() and not control.is_dir()):
            raise InputError(f"{shown(control)}: is not a folder of momentshare; remove it")
        with hold_lock(path, path / CONTROL / "lock"):
            found, wrong = read_account(path)
            account = _own_account(path, command, found)
            if accept is not None and found is not None:
                _accepted(path, accept, account)
            _check_room(path, account, room)
            asked = json.loads(json_text(study or {}))
            run = RunFolder(path, account, asked, fresh=found is None, wrong=wrong)
            run.refuse_what_is_in_the_way(
                [MANIFEST, COPY, *names, *account.owned()], folders=_INNER
            )
            run._begin()  # noqa: SLF001
            try:
                with temporary_within(lambda: run.scratch):
                    yield run
            finally:
                run._end()  # noqa: SLF001
    finally:
        for folder in made:
            with suppress(OSError):
                folder.rmdir()


@contextmanager
def as_run_folder(
    place: str | Path | RunFolder, command: str, **options: Any
) -> Iterator[RunFolder]:
    """Hold a folder, or continue with one that is already held."""
    if isinstance(place, RunFolder):
        yield place
        return
    with run_folder(place, command, **options) as run:
        if run.mended:
            warnings.warn(run.mended, stacklevel=3)
        yield run


def _own_account(path: Path, command: str, account: Manifest | None) -> Manifest:
    """Account of a folder, refused if it is not this command's."""
    if account is None:
        for name in _EARLIER:
            if os.path.lexists(path / name):
                raise InputError(
                    f"{shown(path)}: holds {name} without {MANIFEST}: results of an earlier "
                    "version of momentshare, or of another program; choose another folder for "
                    "--out"
                )
        return Manifest(command=command)
    if account.command != command:
        raise InputError(
            f"{shown(path)}: holds results of momentshare {account.command}; choose another "
            f"folder for --out, so that {command} leaves them alone"
        )
    return account


def _accepted(path: Path, accept: Callable[[dict[str, Any]], None], account: Manifest) -> None:
    try:
        accept(account.study)
    except InputError as err:
        first = str(err).split("\n", maxsplit=1)[0]
        raise InputError(f"{shown(path)}: {first}", err.faults) from err


def _check_room(path: Path, account: Manifest, room: int) -> None:
    there = 0
    for name in account.owned():
        with suppress(OSError):
            there += (path / name).stat().st_size
    require_room(path, path, room - there)

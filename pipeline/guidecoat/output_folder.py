"""A result folder that is there whole or not at all.

A run writes into a hidden folder beside its goal, which is moved into place when all is written.
An earlier result of this tool is replaced whole; anything else in the way is left alone, the run
refused. What belongs to a result is listed in its file `.guidecoat`, so that a photo or a note
somebody put beside it counts as "anything else".
"""

from __future__ import annotations

import contextlib
import errno
import os
import secrets
import shutil
from collections.abc import Iterator
from pathlib import Path

from .errors import SettingsError

MARKER = ".guidecoat"
_MARKER_HEAD = "A guidecoat result. The next run into this folder replaces these files:"
# What file managers leave behind in any folder one looks into.
_IGNORED = {".DS_Store", "Thumbs.db", "desktop.ini", ".directory"}
FILE_MARK = "a guidecoat result"
"""Stands in the head of a single file that a run wrote, so that the next one may replace it."""
_HEAD_BYTES = 1024
_FULL = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}
_FULL_BELOW_BYTES = 1 << 20


def default_folder(scan: Path) -> Path:
    """Where a scan's result goes when nothing is said: `<scan name>_guidecoat` in this folder."""
    return Path.cwd() / f"{scan.stem}_guidecoat"


@contextlib.contextmanager
def result_folder(out: Path) -> Iterator[Path]:
    """Yield a temporary folder beside `out` that becomes `out` if the body succeeds.

    If the body raises, or is interrupted, the temporary folder is removed and `out` is as it was.

    Raises
    ------
    SettingsError : `out` holds something else than an earlier result, is a file, holds the current
        folder, or cannot be written (read-only, disk full). Exit code 2, as the remedy is
        another `--out`.
    """
    goal = out.resolve()
    with _plain_words_for(goal):
        _refuse_if_in_the_way(goal)
    temporary = _beside(goal, "part")
    made: list[Path] = []
    try:
        with _plain_words_for(goal):
            _make_parents(goal.parent, made)
            temporary.mkdir()
        with _plain_words_for(goal, only_full=True):
            yield temporary
        with _plain_words_for(goal):
            _write_marker(temporary)
            _refuse_if_in_the_way(goal)
            _move_into_place(temporary, goal)
    except BaseException:
        shutil.rmtree(temporary, ignore_errors=True)
        for folder in reversed(made):
            with contextlib.suppress(OSError):
                folder.rmdir()
        raise


@contextlib.contextmanager
def result_file(out: Path) -> Iterator[Path]:
    """Yield a temporary file beside `out` that becomes `out` if the body succeeds.

    An earlier result, which has FILE_MARK in its head, is replaced.

    Raises
    ------
    SettingsError : `out` is something else than an earlier result, or cannot be written.
    """
    with _plain_words_for(out):
        if out.is_dir() or (out.exists() and FILE_MARK.encode() not in _head(out)):
            raise SettingsError(f"{out}: something of this name is in the way: name another file")
    temporary = _beside(out, "part")
    try:
        with _plain_words_for(out):
            yield temporary
            temporary.replace(out)
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise


def _head(path: Path) -> bytes:
    with path.open("rb") as file:
        return file.read(_HEAD_BYTES)


def is_disk_full(error: BaseException, folder: Path) -> bool:
    """Whether an error says that there is no room left.

    numpy reports a short write without an error number, so the room left in `folder` is asked too.
    """
    if not isinstance(error, OSError):
        return False
    if error.errno is not None:
        return error.errno in _FULL
    with contextlib.suppress(OSError):
        return shutil.disk_usage(folder).free < _FULL_BELOW_BYTES
    return False


def disk_full_message(folder: Path) -> str:
    """What to say, with the remedy, when a result does not fit."""
    return (
        f"{folder}: the disk is full; nothing was written there. Free some room, or name a folder "
        "on another disk with --out"
    )


def _beside(goal: Path, kind: str) -> Path:
    return goal.with_name(f".{goal.name}.{secrets.token_hex(4)}.{kind}")


def _refuse_if_in_the_way(goal: Path) -> None:
    if not goal.exists():
        return
    if not goal.is_dir():
        raise SettingsError(f"{goal}: a file of this name is in the way: name another --out")
    if Path.cwd().is_relative_to(goal):
        raise SettingsError(
            f"{goal}: a result replaces its folder whole, and this one holds the folder you are "
            "in: name a new folder with --out"
        )
    with _plain_words_for(goal):
        foreign = _foreign(goal)
    if foreign:
        more = f" and {len(foreign) - 3} more" if len(foreign) > 3 else ""
        raise SettingsError(
            f"{goal}: the folder holds something that is no earlier result of guidecoat "
            f"({', '.join(foreign[:3])}{more}): move that away, or name another --out"
        )


def _foreign(goal: Path) -> list[str]:
    """Files in a folder that no earlier result of ours put there."""
    own: set[str] = set()
    marker = goal / MARKER
    if marker.is_file():
        own = {MARKER, *marker.read_text("utf-8", errors="replace").splitlines()[1:]}
    return [name for name in _files(goal) if name not in own and Path(name).name not in _IGNORED]


def _files(folder: Path) -> list[str]:
    """All files below a folder, and its empty folders, as sorted paths relative to it."""
    paths: list[Path] = []
    for place, folders, files in os.walk(folder):
        here = Path(place)
        paths += [here / name for name in files]
        paths += [here / name for name in folders if (here / name).is_symlink()]
        if not folders and not files and here != folder:
            paths.append(here)
    return sorted(path.relative_to(folder).as_posix() for path in paths)


def _write_marker(folder: Path) -> None:
    text = "\n".join([_MARKER_HEAD, *_files(folder), ""])
    (folder / MARKER).write_text(text, encoding="utf-8", newline="\n")


def _make_parents(parent: Path, made: list[Path]) -> None:
    """Make the missing folders above the goal, noting each in `made`, outermost first."""
    missing = [folder for folder in (parent, *parent.parents) if not folder.exists()]
    for folder in reversed(missing):
        folder.mkdir()
        made.append(folder)


def _move_into_place(temporary: Path, goal: Path) -> None:
    """Two renames, the first undone if the second fails; the old result goes last."""
    if not goal.exists():
        temporary.rename(goal)
        return
    old = _beside(goal, "old")
    goal.rename(old)
    try:
        temporary.rename(goal)
    except BaseException:
        old.rename(goal)
        raise
    shutil.rmtree(old, ignore_errors=True)


@contextlib.contextmanager
def _plain_words_for(goal: Path, *, only_full: bool = False) -> Iterator[None]:
    """Turn the system's refusals about `goal` into a message with a remedy."""
    try:
        yield
    except OSError as error:
        if is_disk_full(error, goal.parent):
            raise SettingsError(disk_full_message(goal)) from error
        if only_full:
            raise
        raise SettingsError(
            f"{goal}: cannot be written ({error.strerror or error}): check that the folder above "
            "it is yours to write to, or name another --out"
        ) from error

"""One batch at a time in a result folder; the system lets go of the lock when its holder dies."""

from __future__ import annotations

import contextlib
import errno
import os
import socket
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import IO

from ..errors import SettingsError

LOCK_NAME = ".lock"
_LOOK_EVERY_S = 0.5
# What systems say of a lock that somebody else holds.
_HELD = {errno.EAGAIN, errno.EACCES, errno.EWOULDBLOCK, errno.EDEADLK}


@contextlib.contextmanager
def only_batch(folder: Path, *, wait: bool) -> Iterator[None]:
    """Hold the folder's lock while the body runs.

    Raises
    ------
    SettingsError : another batch holds it and `wait` is not asked, it cannot be written, or files
        cannot be locked there.
    """
    path = folder / LOCK_NAME
    try:
        file = path.open("a+b")
    except OSError as error:
        raise SettingsError(
            f"{folder}: cannot be written ({error.strerror or error}): check that it is yours to "
            "write to, or name another --out"
        ) from error
    with file:
        while not _taken(file, folder):
            if not wait:
                raise SettingsError(
                    f"{folder}: another batch is at work here ({_holder(path)}): let it finish, "
                    "stop it, or wait for it with --wait"
                )
            time.sleep(_LOOK_EVERY_S)
        file.truncate(0)
        file.write(f"process {os.getpid()} on {socket.gethostname()}".encode())
        file.flush()
        yield


def _taken(file: IO[bytes], folder: Path) -> bool:
    try:
        if sys.platform == "win32":
            import msvcrt

            # Far behind the text, which others may then read.
            file.seek(1 << 20)
            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        if error.errno in _HELD:
            return False
        raise SettingsError(
            f"{folder}: files cannot be locked there ({error.strerror or error}), so that nothing "
            "would keep two batches apart: name a folder on a disk of this machine with --out. "
            f"With --out {_as_address(folder)} the results go there all the same, and only the "
            "ledger stays here"
        ) from error
    return True


def _as_address(folder: Path) -> str:
    return f"file://{folder.as_posix()}"


def _holder(path: Path) -> str:
    with contextlib.suppress(OSError):
        return path.read_text("utf-8", errors="replace") or "just started"
    return "unknown"

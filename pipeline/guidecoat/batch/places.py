"""Folders and files by path or by address (any kind fsspec knows, such as `s3://...`)."""

from __future__ import annotations

import contextlib
import hashlib
import os
import stat
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from ..errors import ScanReadError, SettingsError
from ..output_folder import MARKER
from .addresses import as_from_a_disk, changed_s, files_below, is_address, stamp_at, stamp_from

_BLOCK_BYTES = 1 << 22
LEDGER_NAME = "ledger.sqlite"
# A folder that holds one of these is a result of ours, and what is in it are no scans.
_OWN = (MARKER, LEDGER_NAME)


@dataclass(frozen=True)
class FoundFile:
    """A file below the batch's folder.

    address : absolute path or address; relative : from the batch's folder, forward slashes;
    stamp : changes when the content does (size and time of change); changed_s : when it was last
    touched, seconds since the epoch, 0 where the place does not say; modified_s : the same as the
    file itself says, which a copy may have kept from the original.
    """

    address: str
    relative: str
    size: int
    stamp: str
    changed_s: float = 0.0
    modified_s: float = 0.0


@dataclass(frozen=True)
class Listing:
    """Files sorted by path, and folders that could not be looked into."""

    files: tuple[FoundFile, ...]
    closed: tuple[str, ...] = ()


def list_files(place: str) -> Listing:
    """All files below a place; results of ours and hidden folders left out.

    Links to folders are followed, each folder is looked into once, so that links may loop.

    Raises
    ------
    SettingsError : there is no such folder, or it cannot be reached.
    """
    closed: list[str] = []
    if is_address(place):
        return _listing(_address_files(place), closed)
    top = Path(place)
    if not top.is_dir():
        kind = "this is a file" if top.exists() else "there is no such folder"
        raise SettingsError(f"{place}: {kind}: name the folder that holds the scans")
    # The folder itself has to answer, or a share that is away would look like an empty one.
    try:
        os.scandir(top).close()
    except OSError as error:
        raise SettingsError(
            f"{place}: cannot be looked into ({error.strerror or error}): check that it is yours "
            "to read and, if it is a share, that it is there"
        ) from error
    return _listing(_local_files(top.resolve(), closed.append), closed)


def _listing(files: Iterator[FoundFile], closed: list[str]) -> Listing:
    found = tuple(sorted(files, key=lambda file: file.relative))
    return Listing(found, tuple(closed))


def read_bytes(address: str) -> bytes:
    """A small file whole."""
    if is_address(address):
        with as_from_a_disk(address) as files:
            return bytes(files.cat_file(address))
    return Path(address).read_bytes()


def read_start(address: str, size: int) -> bytes:
    """The first bytes of a file."""
    if is_address(address):
        with as_from_a_disk(address) as files:
            return bytes(files.cat_file(address, start=0, end=size))
    with Path(address).open("rb") as file:
        return file.read(size)


def content_hash(address: str) -> str:
    """SHA-256 of a file.

    Raises
    ------
    ScanReadError : it cannot be read.
    """
    digest = hashlib.sha256()
    try:
        with _opened(address) as file:
            while block := file.read(_BLOCK_BYTES):
                digest.update(block)
    except OSError as error:
        raise ScanReadError(
            f"{address}: cannot be read ({error.strerror or error}): copy it again, and check that "
            "it is yours to read"
        ) from error
    return digest.hexdigest()


@contextlib.contextmanager
def _opened(address: str) -> Iterator[IO[bytes]]:
    if is_address(address):
        with as_from_a_disk(address) as files, files.open(address, "rb") as file:
            yield file
    else:
        with Path(address).open("rb") as file:
            yield file


def stamp_of(address: str) -> str:
    """The stamp of a file as `FoundFile` has it, "" where it is gone.

    Raises
    ------
    OSError : whether it is there cannot be told: the disk or the network failed.
    """
    if is_address(address):
        return stamp_at(address)
    try:
        return _local_stamp(Path(address).stat())
    except (FileNotFoundError, NotADirectoryError):
        return ""


def is_settled(file: FoundFile, *, settle_s: float) -> bool:
    """Whether a file has lain still for a while and nobody holds it locked."""
    if file.changed_s and time.time() - file.changed_s < settle_s:
        return False
    return is_address(file.address) or not _is_locked(Path(file.address))


def _local_files(top: Path, closed: Callable[[str], None]) -> Iterator[FoundFile]:
    seen: set[tuple[int, int]] = set()

    def refused(error: OSError) -> None:
        folder = Path(str(error.filename)).relative_to(top).as_posix()
        closed(f"{folder} ({error.strerror or error})")

    for place, folders, names in os.walk(top, followlinks=True, onerror=refused):
        here = Path(place)
        try:
            status = here.stat()
        except OSError:
            folders.clear()
            continue
        if (status.st_dev, status.st_ino) in seen or not set(_OWN).isdisjoint(names):
            folders.clear()
            continue
        seen.add((status.st_dev, status.st_ino))
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        for name in names:
            if not name.startswith("."):
                yield from _local_file(here / name, top)


def _local_file(path: Path, top: Path) -> Iterator[FoundFile]:
    try:
        status = path.stat()
    except OSError:
        # Gone since it was listed, or a link to nothing.
        return
    if not stat.S_ISREG(status.st_mode):
        return
    yield FoundFile(
        address=str(path),
        relative=path.relative_to(top).as_posix(),
        size=status.st_size,
        stamp=_local_stamp(status),
        # A copy that keeps the file's own date cannot keep the time at which it was made.
        changed_s=max(status.st_mtime, status.st_ctime),
        modified_s=status.st_mtime,
    )


def _local_stamp(status: os.stat_result) -> str:
    return f"{status.st_size} {status.st_mtime_ns}"


def _is_locked(path: Path) -> bool:
    """Whether another program keeps the file to itself while it writes."""
    try:
        with path.open("rb") as file:
            if os.name == "posix":
                import fcntl

                fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    except PermissionError:
        # Windows says so of a file that is being written; elsewhere it cannot be read at all,
        # which the job will say.
        return os.name == "nt"
    except OSError:
        return False
    return False


def _address_files(place: str) -> Iterator[FoundFile]:
    for address, relative, facts in files_below(place, own=_OWN):
        if not any(part.startswith(".") for part in relative.split("/")):
            yield FoundFile(
                address=address,
                relative=relative,
                size=int(facts.get("size") or 0),
                stamp=stamp_from(facts),
                changed_s=changed_s(facts),
                modified_s=changed_s(facts),
            )

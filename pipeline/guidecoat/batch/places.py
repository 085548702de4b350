"""Folders and files by path or by address (any kind fsspec knows, such as `s3://...`)."""

from __future__ import annotations

import hashlib
import os
import stat
import time
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import IO, Any, cast

from ..errors import ScanReadError, SettingsError
from ..output_folder import MARKER

_BLOCK_BYTES = 1 << 22
LEDGER_NAME = "ledger.sqlite"


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


def is_address(place: str) -> bool:
    """Whether a place is an address for fsspec and not a path of this machine."""
    return "://" in place


def list_files(place: str) -> list[FoundFile]:
    """All files below a place, sorted by path; results of ours and hidden folders left out.

    Links to folders are followed, each folder is looked into once, so that links may loop.

    Raises
    ------
    SettingsError : there is no such folder, or it cannot be reached.
    """
    if is_address(place):
        return sorted(_address_files(place), key=lambda file: file.relative)
    top = Path(place)
    if not top.is_dir():
        kind = "this is a file" if top.exists() else "there is no such folder"
        raise SettingsError(f"{place}: {kind}: name the folder that holds the scans")
    return sorted(_local_files(top.resolve()), key=lambda file: file.relative)


def read_bytes(address: str) -> bytes:
    """A small file whole."""
    if is_address(address):
        return bytes(filesystem(address).cat_file(address))
    return Path(address).read_bytes()


def read_start(address: str, size: int) -> bytes:
    """The first bytes of a file."""
    if is_address(address):
        return bytes(filesystem(address).cat_file(address, start=0, end=size))
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


def _opened(address: str) -> IO[bytes]:
    if is_address(address):
        return cast("IO[bytes]", filesystem(address).open(address, "rb"))
    return Path(address).open("rb")


def put_files(place: str, paths: Iterable[Path]) -> None:
    """Copy local files to an address, under their own names."""
    files = filesystem(place)
    files.makedirs(place, exist_ok=True)
    for path in paths:
        files.put_file(str(path), f"{place.rstrip('/')}/{path.name}")


def stamp_of(address: str) -> str:
    """The stamp of a file as `FoundFile` has it, "" where it is gone."""
    if is_address(address):
        files = filesystem(address)
        files.invalidate_cache()
        return _address_stamp(files.info(address)) if files.exists(address) else ""
    try:
        status = Path(address).stat()
    except OSError:
        return ""
    return _local_stamp(status)


def is_settled(file: FoundFile, *, settle_s: float) -> bool:
    """Whether a file has lain still for a while and nobody holds it locked."""
    if file.changed_s and time.time() - file.changed_s < settle_s:
        return False
    return is_address(file.address) or not _is_locked(Path(file.address))


def filesystem(address: str) -> Any:
    """The fsspec file system of an address.

    Raises
    ------
    SettingsError : its kind is unknown here, or it cannot be reached.
    """
    import fsspec

    try:
        return fsspec.url_to_fs(address)[0]
    except (ValueError, ImportError, OSError) as error:
        raise SettingsError(
            f"{address}: this kind of address cannot be used here ({error}): install what it "
            "needs, or name a folder"
        ) from error


def _local_files(top: Path) -> Iterator[FoundFile]:
    seen: set[tuple[int, int]] = set()
    for place, folders, names in os.walk(top, followlinks=True):
        here = Path(place)
        try:
            status = here.stat()
        except OSError:
            folders.clear()
            continue
        if (status.st_dev, status.st_ino) in seen or MARKER in names or LEDGER_NAME in names:
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
    files = filesystem(place)
    files.invalidate_cache()
    top = files._strip_protocol(place).rstrip("/")
    try:
        if not files.isdir(place):
            raise SettingsError(f"{place}: there is no such folder: check the address")
        found = files.find(place, detail=True)
    except OSError as error:
        raise SettingsError(f"{place}: cannot be listed ({error}): check the address") from error
    for path, facts in found.items():
        relative = path[len(top) :].lstrip("/")
        if not any(part.startswith(".") for part in relative.split("/")):
            changed_s = _address_time(facts)
            yield FoundFile(
                address=files.unstrip_protocol(path),
                relative=relative,
                size=int(facts.get("size") or 0),
                stamp=_address_stamp(facts),
                changed_s=changed_s,
                modified_s=changed_s,
            )


def _address_stamp(facts: dict[str, Any]) -> str:
    tag = facts.get("ETag") or facts.get("etag") or _address_time(facts)
    return f"{facts.get('size')} {tag}"


def _address_time(facts: dict[str, Any]) -> float:
    for key in ("mtime", "LastModified", "last_modified", "updated", "created"):
        value = facts.get(key)
        if isinstance(value, (int, float)):
            return float(value)
        if isinstance(value, datetime):
            return value.timestamp()
    return 0.0

"""Files at an address of any kind fsspec knows, such as `s3://...`.

File systems behind addresses raise what they like; here it becomes an OSError, as from a disk.
"""

from __future__ import annotations

import contextlib
from collections.abc import Collection, Iterable, Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

from ..errors import GuidecoatError, SettingsError
from ..output_folder import MARKER

JOB_RECORD = "job.json"


def is_address(place: str) -> bool:
    """Whether a place is an address for fsspec and not a path of this machine."""
    return "://" in place


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


@contextlib.contextmanager
def as_from_a_disk(address: str) -> Iterator[Any]:
    """Yield the file system of an address; whatever it raises in the body becomes an OSError."""
    files = filesystem(address)
    try:
        yield files
    except (OSError, GuidecoatError):
        raise
    except Exception as error:
        raise OSError(f"{address}: {type(error).__name__}: {error}") from error


def files_below(place: str, *, own: Collection[str]) -> list[tuple[str, str, dict[str, Any]]]:
    """Address, path below `place` and facts of every file there.

    What lies in or below a folder that holds a file of a name in `own` is left out.

    Raises
    ------
    SettingsError : there is no such folder, or it cannot be reached.
    """
    try:
        with as_from_a_disk(place) as files:
            files.invalidate_cache()
            if not files.isdir(place):
                raise SettingsError(f"{place}: there is no such folder: check the address")
            facts = files.find(place, detail=True)
            below = _by_relative_path(files, place, facts)
            addresses = {relative: files.unstrip_protocol(below[relative]) for relative in below}
    except OSError as error:
        raise SettingsError(f"{place}: cannot be listed ({error}): check the address") from error
    left_out = {_folder(relative) for relative in below if _name(relative) in own}
    return [
        (addresses[relative], relative, facts[path])
        for relative, path in below.items()
        if not any(relative.startswith(folder) for folder in left_out)
    ]


def stamp_at(address: str) -> str:
    """Size and time of change, or the place's own tag, of a file; "" where it is gone."""
    with as_from_a_disk(address) as files:
        files.invalidate_cache()
        try:
            return stamp_from(files.info(address))
        except FileNotFoundError:
            return ""


def stamp_from(facts: dict[str, Any]) -> str:
    """The stamp of a file from what its file system says of it."""
    tag = facts.get("ETag") or facts.get("etag") or changed_s(facts)
    return f"{facts.get('size')} {tag}"


def changed_s(facts: dict[str, Any]) -> float:
    """When a file was changed, seconds since the epoch; 0 where its file system does not say."""
    for key in ("mtime", "LastModified", "last_modified", "updated", "created"):
        value = facts.get(key)
        if isinstance(value, (int, float)):
            return float(value)
        if isinstance(value, datetime):
            return value.timestamp()
    return 0.0


def put_files(place: str, paths: Iterable[Path]) -> None:
    """Copy local files to an address, under their own names."""
    with as_from_a_disk(place) as files:
        files.makedirs(place, exist_ok=True)
        for path in paths:
            files.put_file(str(path), f"{place.rstrip('/')}/{path.name}")


def put_result(folder: Path, place: str) -> None:
    """Copy a whole result to an address in place of an earlier one.

    The list of its files goes first, so that a copy cut short is known for what it is; the job's
    record goes last and makes it a result.

    Raises
    ------
    SettingsError : something else stands there.
    """
    place = place.rstrip("/")
    names = [path.name for path in sorted(folder.iterdir())]
    names.sort(key=lambda name: (name != MARKER, name == JOB_RECORD))
    with as_from_a_disk(place) as files:
        files.invalidate_cache()
        if files.exists(place):
            _refuse_foreign(files, place)
            files.rm(place, recursive=True)
        files.makedirs(place, exist_ok=True)
        for name in names:
            files.put_file(str(folder / name), f"{place}/{name}")


def _refuse_foreign(files: Any, place: str) -> None:
    there = set(_by_relative_path(files, place, files.find(place)))
    own = {MARKER}
    if MARKER in there:
        own |= set(files.cat_file(f"{place}/{MARKER}").decode("utf-8", "replace").splitlines())
    foreign = sorted(there - own)
    if foreign:
        raise SettingsError(
            f"{place}: something stands there that is no earlier result of guidecoat "
            f"({foreign[0]}): move that away, or name another --out"
        )


def _by_relative_path(files: Any, place: str, paths: Iterable[str]) -> dict[str, str]:
    """Paths of a file system by what they are called below a place."""
    top = files._strip_protocol(place).rstrip("/")
    return {path[len(top) :].lstrip("/"): path for path in paths}


def _folder(relative: str) -> str:
    folder = relative.rpartition("/")[0]
    return f"{folder}/" if folder else ""


def _name(relative: str) -> str:
    return relative.rpartition("/")[2]

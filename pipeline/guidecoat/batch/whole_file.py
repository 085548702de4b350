"""A file that is replaced whole: readers see the old one or the new one."""

from __future__ import annotations

from pathlib import Path


def write_whole(path: Path, text: str) -> None:
    """Write text beside `path` and move it into place.

    Raises
    ------
    OSError : the folder cannot be written or the disk is full.
    """
    beside = path.with_name(f".{path.name}.part")
    try:
        beside.write_bytes(text.encode("utf-8", "replace"))
        beside.replace(path)
    except OSError:
        beside.unlink(missing_ok=True)
        raise

"""The folder of ledger, page and table: made, looked at, and words for when it cannot be."""

from __future__ import annotations

import contextlib
import shutil
from collections.abc import Iterator
from pathlib import Path

from ..errors import SettingsError
from ..output_folder import disk_full_message, is_disk_full
from .addresses import is_address
from .lock import LOCK_NAME
from .places import LEDGER_NAME


def make_own_folder(out: Path, *, place: str) -> None:
    """Make the folder of a batch's books if it is not there.

    Raises
    ------
    SettingsError : it holds something else, is where the scans are, or cannot be made.
    """
    if not is_address(place) and Path(place).resolve() == out:
        raise SettingsError(
            f"{out}: the scans lie here, and results do not go among them: name another --out"
        )
    if out.is_dir():
        own = {LEDGER_NAME, LOCK_NAME}
        names = {path.name for path in out.iterdir()}
        if names and not names & own:
            raise SettingsError(
                f"{out}: the folder holds something that is no batch's ({min(names)}): name a new "
                "folder with --out"
            )
    elif out.exists():
        raise SettingsError(f"{out}: a file of this name is in the way: name another --out")
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise SettingsError(
            f"{out}: cannot be made ({error.strerror or error}): check that the folder above it is "
            "yours to write to, or name another --out"
        ) from error


def free_bytes(out: Path) -> int:
    """Room that is left on the disk of a folder."""
    return shutil.disk_usage(out).free


def no_room(out: Path, *, needed: int, free: int) -> SettingsError:
    """What to say when the next result may not fit."""
    return SettingsError(
        f"{out}: the disk is full: the next result takes up to {needed / 1e6:.0f} MB and there are "
        f"{free / 1e6:.0f} MB. Free some room; the same command goes on from here"
    )


@contextlib.contextmanager
def refusals_in_words(out: Path) -> Iterator[None]:
    """Turn what the system refuses about the folder into a message with a remedy."""
    try:
        yield
    except OSError as error:
        if is_disk_full(error, out):
            raise SettingsError(disk_full_message(out)) from error
        raise SettingsError(
            f"{out}: cannot be written ({error.strerror or error}): check that it is yours to "
            "write to; the same command goes on from here"
        ) from error

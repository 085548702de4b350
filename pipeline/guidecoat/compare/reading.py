"""Reading scans that show one panel: what one leaves open of its units, another settles."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from ..errors import UnitsError
from ..scans.scan import Scan
from ..scans.scan_io import read_scan
from ..settings import Settings


def read_alike(
    paths: Sequence[Path], settings: Settings, *, like: Scan | None = None
) -> tuple[Scan, ...]:
    """Read scans of one panel by the settings' units and known length; `like` shows it, too.

    Raises
    ------
    ScanReadError, ScanUnfitError, SettingsError
        With the cause and the remedy; a UnitsError where no scan tells its units.
    """
    read: dict[int, Scan] = {}
    unclear: dict[int, UnitsError] = {}
    for number, path in enumerate(paths):
        try:
            read[number] = _read(path, settings)
        except UnitsError as error:
            unclear[number] = error
    settled = next(iter(read.values()), like)
    for number, why in unclear.items():
        if settled is None:
            raise why
        read[number] = _read(paths[number], settings, like=settled)
    return tuple(read[number] for number in range(len(paths)))


def _read(path: Path, settings: Settings, *, like: Scan | None = None) -> Scan:
    return read_scan(path, units=settings.units, known_length=settings.length_between, like=like)

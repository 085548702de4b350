"""A look at a scan before any surface is laid: what it is, and what it is good for."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from ..errors import ScanUnfitError
from ..panel.surroundings import off_surroundings
from ..panel.unrolled import unroll
from ..scans.scan import Scan
from ..scans.scan_io import estimate_spacing, read_scan
from ..settings import Settings
from ..unrolling.voxels import principal_frame
from .skin import Skin, look_at_skin
from .values import summarise
from .words import tell

_SAMPLE = 200_000


@dataclass(frozen=True, eq=False)
class Survey:
    """What a scan is and is good for.

    extent_mm : sides along its principal axes, longest first, without its outermost strays;
    skin : None where the scan cannot be unrolled, and then `unfit` says why.
    """

    scan: Scan
    settings: Settings
    extent_mm: tuple[float, float, float]
    nearest_mm: float
    skin: Skin | None
    unfit: ScanUnfitError | None

    def lines(self) -> list[str]:
        """The survey in plain words, some twenty lines."""
        return tell(self.scan, self.extent_mm, self.nearest_mm, self.skin)

    def summary(self) -> dict[str, Any]:
        """The survey as plain JSON values, units in the names."""
        why = None if self.unfit is None else str(self.unfit)
        return summarise(self.scan, self.extent_mm, self.nearest_mm, self.skin, why)


def survey_scan(path: Path, settings: Settings) -> Survey:
    """Read a scan and survey it.

    Raises
    ------
    ScanReadError, ScanUnfitError, SettingsError
        The file cannot be read, or its units cannot be told. A scan that was read and cannot be
        unrolled raises nothing here: the survey's `unfit` has the reason.
    """
    return survey(
        read_scan(path, units=settings.units, known_length=settings.length_between), settings
    )


def survey(scan: Scan, settings: Settings) -> Survey:
    """Survey a scan in memory."""
    extent, nearest = _extent(scan), _spacing(scan)
    try:
        unrolled, _ = off_surroundings(lambda part: unroll(part, settings), scan, settings)
    except ScanUnfitError as unfit:
        return Survey(scan, settings, extent, nearest, None, unfit)
    return Survey(scan, settings, extent, nearest, look_at_skin(unrolled, settings), None)


def _spacing(scan: Scan) -> float:
    vertices = slice(len(scan.vertices))
    return estimate_spacing(scan.points_mm[vertices][scan.usable[vertices]])


def _extent(scan: Scan) -> tuple[float, float, float]:
    mean, axes, _ = principal_frame(scan.points_mm, scan.usable)
    rows = np.flatnonzero(scan.usable)
    rows = rows[:: max(1, len(rows) // _SAMPLE)]
    turned = (scan.points_mm[rows] - mean) @ axes.T
    long_mm, wide_mm, deep_mm = np.subtract(*np.percentile(turned, (99.98, 0.02), axis=0))
    return float(long_mm), float(wide_mm), float(deep_mm)

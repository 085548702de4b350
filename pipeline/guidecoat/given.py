"""What a user gives in files: points to hold or release, and body lines."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from .cells import Cells
from .errors import SettingsError
from .scan import Scan

Floats = NDArray[np.float64]

_FARTHEST_MM = 30.0


@dataclass(frozen=True, eq=False)
class GivenPoints:
    """Points from a file, in local mm of the scan: (k, 3) to hold, (r, 3) to release."""

    hold_mm: Floats
    release_mm: Floats


def read_hold_points(path: Path, scan: Scan) -> GivenPoints:
    """Read a CSV with columns x, y, z (in the scan's units and frame) and optionally kind.

    Raises
    ------
    SettingsError : a missing column, a value that is no number, a kind other than hold or release.
    """
    held: list[list[float]] = []
    released: list[list[float]] = []
    for number, row in _rows(path, ("x", "y", "z")):
        kind = (row.get("kind") or "hold").strip().lower()
        if kind not in ("hold", "release"):
            raise SettingsError(
                f'{path}, line {number}: kind "{kind}" is not known: write hold or release'
            )
        (held if kind == "hold" else released).append(_place(row, path, number))
    return GivenPoints(_local(held, scan), _local(released, scan))


def read_crease_lines(path: Path, scan: Scan) -> tuple[Floats, ...]:
    """Read body lines from a CSV with columns x, y, z and optionally line (a name per line).

    Returns
    -------
    tuple of (k, 3) : the points of each line in local mm, in the file's order.

    Raises
    ------
    SettingsError : as `read_hold_points`, and for a line of fewer than two points.
    """
    lines: dict[str, list[list[float]]] = {}
    for number, row in _rows(path, ("x", "y", "z")):
        lines.setdefault((row.get("line") or "").strip(), []).append(_place(row, path, number))
    for name, points in lines.items():
        if len(points) < 2:
            raise SettingsError(
                f'{path}: the body line "{name}" has one point: give at least two, in order'
            )
    return tuple(_local(points, scan) for points in lines.values())


def require_on_panel(path: Path, uvh: Floats, cells: Cells, skin: NDArray[np.bool_]) -> None:
    """Refuse held points that lie far from the scanned skin.

    Parameters
    ----------
    uvh : (k, 3) chart positions of the points to hold.

    Raises
    ------
    SettingsError : a point over 30 mm beside the skin or off it.
    """
    if not len(uvh):
        return
    i, j = cells.grid.index(uvh[:, 0], uvh[:, 1])
    away, nearest = ndimage.distance_transform_edt(~skin, return_indices=True)
    beside = away[i, j] * cells.grid.cell_mm
    beside[cells.grid.beyond(uvh[:, 0], uvh[:, 1])] = np.inf
    off = np.abs(uvh[:, 2] - cells.height_mm[nearest[0][i, j], nearest[1][i, j]])
    for number, (aside, out) in enumerate(zip(beside, off, strict=True), start=1):
        if max(aside, out) > _FARTHEST_MM:
            where = f"{aside:.0f} mm beside it" if np.isfinite(aside) else "outside it"
            raise SettingsError(
                f"{path}: point {number} to hold is not on the panel ({where}, {out:.0f} mm off "
                f"it; {_FARTHEST_MM:.0f} mm is allowed): give it in the scan's own units and frame"
            )


def _rows(path: Path, needed: tuple[str, ...]) -> list[tuple[int, dict[str, str]]]:
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError(
            f"{path}: cannot be read ({error}): give a CSV file saved as UTF-8"
        ) from error
    reader = csv.DictReader(text.splitlines(), skipinitialspace=True)
    names = [name.strip().lower() for name in reader.fieldnames or []]
    missing = [name for name in needed if name not in names]
    if missing:
        raise SettingsError(
            f"{path}: column {', '.join(missing)} is missing: the first line must name the columns "
            f"{', '.join(needed)}"
        )
    reader.fieldnames = names
    return [
        (reader.line_num, row) for row in reader if any((v or "").strip() for v in row.values())
    ]


def _place(row: dict[str, str], path: Path, number: int) -> list[float]:
    try:
        place = [float(row[name]) for name in ("x", "y", "z")]
    except (TypeError, ValueError) as error:
        raise SettingsError(
            f"{path}, line {number}: x, y, z must be numbers with a point ({error})"
        ) from error
    if not np.isfinite(place).all():
        raise SettingsError(f"{path}, line {number}: x, y, z must be finite numbers")
    return place


def _local(points: list[list[float]], scan: Scan) -> Floats:
    if not points:
        return np.zeros((0, 3))
    return (np.array(points) - scan.origin) * scan.units.mm_per_unit

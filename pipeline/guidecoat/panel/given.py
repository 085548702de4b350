"""What a user gives in files: points to hold or release, and body lines."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ..errors import SettingsError
from ..scans.scan import Scan
from ..unrolling.cells import Cells

Floats = NDArray[np.float64]

_FARTHEST_MM = 30.0
# What is farther off than the tolerance makes a mark of its own; and than the noise, is not on the
# skin (choice).
_OFF_NOISE = 6.0


@dataclass(frozen=True, eq=False)
class GivenPoints:
    """Points from a file, in local mm of the scan: (k, 3) to hold, (r, 3) to release."""

    hold_mm: Floats
    release_mm: Floats


@dataclass(frozen=True)
class OffPoint:
    """A point to hold that lies off the scanned skin: its number in the file, its place on the
    chart, and by how much, + above.
    """

    number: int
    u_mm: float
    v_mm: float
    off_mm: float

    @property
    def words(self) -> str:
        """How far and which way.

        >>> OffPoint(2, 0.0, 0.0, -0.52).words
        '0.5 mm below'
        """
        return f"{abs(self.off_mm):.1f} mm {'above' if self.off_mm > 0 else 'below'}"


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


def require_on_panel(
    path: Path, uvh: Floats, cells: Cells, skin: NDArray[np.bool_], *, kind: str = "hold"
) -> None:
    """Refuse points that lie far from the scanned skin.

    Parameters
    ----------
    uvh : (k, 3) chart positions of the points to hold or release.

    Raises
    ------
    SettingsError : a point over 30 mm beside the skin or off it.
    """
    if not len(uvh):
        return
    for number, (aside, off) in enumerate(zip(*_off_skin(uvh, cells, skin), strict=True), start=1):
        out = abs(off)
        if max(aside, out) > _FARTHEST_MM:
            where = f"{aside:.0f} mm beside it" if np.isfinite(aside) else "outside it"
            raise SettingsError(
                f"{path}: point {number} to {kind} is not on the panel ({where}, {out:.0f} mm off "
                f"it; {_FARTHEST_MM:.0f} mm is allowed): give it in the scan's own units and frame"
            )


def points_off(
    uvh: Floats, cells: Cells, skin: NDArray[np.bool_], *, tolerance_mm: float
) -> tuple[OffPoint, ...]:
    """Points to hold that lie off the scanned skin by more than the tolerance and the noise.

    Parameters
    ----------
    uvh : (k, 3) chart positions.
    """
    if not len(uvh):
        return ()
    limit = max(tolerance_mm, _OFF_NOISE * cells.noise_mm)
    _, off = _off_skin(uvh, cells, skin)
    return tuple(
        OffPoint(number, float(u), float(v), float(out))
        for number, ((u, v, _), out) in enumerate(zip(uvh, off, strict=True), start=1)
        if abs(out) > limit
    )


def off_words(points: tuple[OffPoint, ...]) -> list[str]:
    """What to do about every point to hold that lies off the skin."""
    return [
        f"Measure hold point {point.number} again: it lies {point.words} the scanned skin, and the "
        "fair surface was laid through it. If it is right the panel is bent by that much there: "
        "hold a second point beside it, which then says the same."
        for point in points
    ]


def hold_words(
    uvh: Floats,
    cells: Cells,
    skin: NDArray[np.bool_],
    part: NDArray[np.int32],
    main: int,
) -> list[str]:
    """What is doubtful about points to hold that lie on no part that is judged.

    Parameters
    ----------
    uvh : (k, 3) chart positions; part : (nu, nv) face of every cell, 0 for none; main : the
        panel's own.
    """
    said: list[str] = []
    if not len(uvh):
        return said
    i, j = cells.grid.index(uvh[:, 0], uvh[:, 1])
    around = ndimage.maximum_filter(np.where(part == main, np.iinfo(np.int32).max, part), 5)
    beside, _ = _off_skin(uvh, cells, skin)
    for number, (aside, own) in enumerate(zip(beside, around[i, j], strict=True), start=1):
        if own == 0:
            said.append(
                f"Point {number} to hold holds nothing: it lies {aside:.0f} mm beside the skin or "
                "on a part that is not judged. Put it on the panel's face or take it out."
            )
        elif own != np.iinfo(np.int32).max:
            said.append(
                f"Point {number} to hold holds only a smaller part, beyond a body line, a step or "
                "an opening, and not the panel's main face. If that was not meant, move it."
            )
    return said


def _off_skin(uvh: Floats, cells: Cells, skin: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """(k,) how far places lie beside the skin, inf off the grid; and above it, carried on level
    with its slope.
    """
    i, j = cells.grid.index(uvh[:, 0], uvh[:, 1])
    away, nearest = ndimage.distance_transform_edt(~skin, return_indices=True)
    beside = away[i, j] * cells.grid.cell_mm
    beside[cells.grid.beyond(uvh[:, 0], uvh[:, 1])] = np.inf
    at = (nearest[0][i, j], nearest[1][i, j])
    there = cells.height_mm[at]
    there = there + np.nan_to_num(cells.slope_u)[at] * (uvh[:, 0] - cells.u_mm[at])
    there = there + np.nan_to_num(cells.slope_v)[at] * (uvh[:, 1] - cells.v_mm[at])
    return beside, uvh[:, 2] - there


def table_reader(path: Path, needed: tuple[str, ...], *, meaning: str = "") -> csv.DictReader[str]:
    """A CSV file's rows by the names of its columns, which may be written in capitals.

    Parameters
    ----------
    needed : columns that must be there; meaning : what they hold, said where one is missing.

    Raises
    ------
    SettingsError : the file cannot be read, or a column is missing.
    """
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
            f"{', '.join(needed)}{meaning}"
        )
    reader.fieldnames = names
    return reader


def _rows(path: Path, needed: tuple[str, ...]) -> list[tuple[int, dict[str, str]]]:
    reader = table_reader(path, needed)
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

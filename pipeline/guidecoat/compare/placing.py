"""Scans of one panel into one frame: files, picked pairs, and the motion between file frames."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ..errors import SettingsError
from ..panel.given import table_reader
from ..registration import Registration, RegistrationSettings, held_by_pairs, register
from ..registration.rigid import compose
from ..scans.scan import Scan

Floats = NDArray[np.float64]

_PAIR_COLUMNS = ("x", "y", "z", "to_x", "to_y", "to_z")
# Frames farther apart than this are no start for each other, and float64 would lose micrometres.
_FAR_MM = 1e5


def place_scan(
    moving: Scan,
    fixed: Scan,
    *,
    pairs: tuple[Floats, Floats] | None = None,
    already_aligned: bool = False,
    roughly_aligned: bool = False,
    turn_known: bool = False,
    settings: RegistrationSettings | None = None,
) -> tuple[Floats, Registration]:
    """Lay one scan on another.

    Parameters
    ----------
    pairs : picked points, (k, 3) in the moving file's own frame and units and (k, 3) in the
        fixed one's.
    already_aligned : both files share one frame; nothing is moved, the fit is only judged.
    roughly_aligned : they share one frame but for a few millimetres, which are found.
    turn_known : their frames tell which way round it lies, but not where.
    settings : of the registration, the usual ones where None.

    Returns
    -------
    T_fixed_moving (4, 4) between the scans' local frames in mm, and the registration, whose
    directions and centre are in the fixed scan's local frame.

    Raises
    ------
    ScanUnfitError : the scans do not belong together, with the likely reason and the remedy.
    """
    shift = _between_origins(moving, fixed)
    in_one_frame = already_aligned or roughly_aligned or turn_known
    if not in_one_frame and np.abs(shift).max() > _FAR_MM:
        shift = np.zeros(3)
    source = moving.points_mm[moving.usable].astype(np.float64) + shift
    target = fixed.points_mm[fixed.usable].astype(np.float64)
    normals = outward_normals(moving), outward_normals(fixed)
    known = normals[0] is not None and normals[1] is not None
    local = None
    if pairs is not None:
        local = (_local(pairs[0], moving) + shift, _local(pairs[1], fixed))
    found = register(
        source,
        target,
        source_normals=normals[0] if known else None,
        target_normals=normals[1] if known else None,
        pairs=local,
        already_aligned=already_aligned,
        roughly_aligned=roughly_aligned,
        turn_known=turn_known,
        names=(moving.name, fixed.name),
        settings=settings,
    )
    if local is not None and not already_aligned:
        found = held_by_pairs(found, local, settings or RegistrationSettings())
    return found.T_target_source @ compose(np.eye(3), shift), found


def between_files(T_fixed_moving: Floats, moving: Scan, fixed: Scan) -> Floats:
    """(4, 4) the motion in mm between the files' own frames, from the one between local ones."""
    motion = T_fixed_moving.copy()
    origin_moving = moving.origin * moving.units.mm_per_unit
    origin_fixed = fixed.origin * fixed.units.mm_per_unit
    motion[:3, 3] += origin_fixed - motion[:3, :3] @ origin_moving
    return motion


def outward_normals(scan: Scan) -> Floats | None:
    """(n, 3) normals of the usable points as the file has them, by vertex or by face, or None.

    Zero for points that are no vertices.
    """
    if scan.normals is not None:
        whole = np.zeros((len(scan.points_mm), 3))
        whole[: len(scan.normals)] = scan.normals
        return whole[scan.usable]
    if scan.faces is None or not len(scan.faces):
        return None
    corners = [scan.points_mm[scan.faces[:, k]].astype(np.float64) for k in range(3)]
    across = np.nan_to_num(np.cross(corners[1] - corners[0], corners[2] - corners[0]))
    total = np.zeros((len(scan.points_mm), 3))
    for k in range(3):
        for axis in range(3):
            total[:, axis] += np.bincount(scan.faces[:, k], across[:, axis], len(total))
    length = np.linalg.norm(total, axis=1, keepdims=True)
    return np.asarray((total / np.where(length > 0.0, length, 1.0))[scan.usable])


def read_pairs(path: Path) -> tuple[Floats, Floats]:
    """Picked points from a CSV with columns x,y,z (of the later scan) and to_x,to_y,to_z.

    Raises
    ------
    SettingsError : a missing column, a value that is no number, fewer than three pairs.
    """
    meaning = " (x,y,z in the later scan, to_x,to_y,to_z in the first)"
    reader = table_reader(path, _PAIR_COLUMNS, meaning=meaning)
    rows = [_pair(row, path, reader.line_num) for row in reader]
    if len(rows) < 3:
        raise SettingsError(
            f"{path}: {len(rows)} pairs of points, at least 3 are needed: pick points far apart"
        )
    both = np.array(rows)
    return both[:, :3], both[:, 3:]


def _pair(row: dict[str, str], path: Path, number: int) -> list[float]:
    try:
        values = [float(row[name]) for name in _PAIR_COLUMNS]
    except (TypeError, ValueError) as error:
        raise SettingsError(
            f"{path}, line {number}: all six columns must be numbers with a point ({error})"
        ) from error
    if not np.isfinite(values).all():
        raise SettingsError(f"{path}, line {number}: all six columns must be finite numbers")
    return values


def _local(points: Floats, scan: Scan) -> Floats:
    return np.asarray((points - scan.origin) * scan.units.mm_per_unit)


def _between_origins(moving: Scan, fixed: Scan) -> Floats:
    """(3,) mm from the fixed scan's origin to the moving one's, were their files in one frame."""
    return np.asarray(
        moving.origin * moving.units.mm_per_unit - fixed.origin * fixed.units.mm_per_unit
    )

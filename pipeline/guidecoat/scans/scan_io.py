"""Scan files into `Scan`: any format in, millimetres about a local origin out."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ..chunks import by_chunks
from ..errors import ScanReadError, ScanUnfitError, UnitsError
from ..formats.pcd import read_pcd
from ..formats.ply import read_ply
from ..formats.ply_header import refusal
from ..formats.stl import read_stl
from ..formats.text_scans import read_obj, read_table
from .repeats import first_of_each
from .scan import LEAST_POINTS, Scan
from .spacing import estimate_spacing
from .triangles import fill_triangles
from .units import KnownLength, decide_units, require_on_scan, require_possible

__all__ = ["estimate_spacing", "read_scan"]

# A scan narrower than this share of its length is a line, whatever its noise.
LEAST_WIDTH_SHARE = 1e-3
FRAME_SAMPLE = 20_000

Raw = tuple[NDArray[np.void], NDArray[np.int32] | None]


def read_scan(
    path: str | Path,
    *,
    units: str = "auto",
    known_length: KnownLength | None = None,
    like: Scan | None = None,
) -> Scan:
    """Read a scan, centre it in double precision and convert it to millimetres.

    Parameters
    ----------
    path : .ply, .stl, .obj, .pcd, or text with a point per line: .xyz, .pts, .csv, .txt.
    units : auto, or what one unit of the file is: mm, cm, m, in.
    known_length : (point, point, mm): two points in file coordinates and their true distance.
    like : another scan of the same panel, whose size settles units that this one leaves open.

    Raises
    ------
    ScanReadError
        The file is not there, not a scan, cut short, or contradicts itself.
    ScanUnfitError
        Too few points, all on a line, or, a `UnitsError`, units that cannot be told.
    SettingsError
        An unknown unit, a known length that gives no scale or lies off the scan, or both.
    """
    path = Path(path)
    reader = _reader(path)
    with ThreadPoolExecutor(1) as pool:
        # hashlib lets go of the interpreter lock, so the digest costs no time of its own.
        digest = pool.submit(_sha256, path)
        vertices, faces = _loaded(path, reader)
        _check_faces(faces, len(vertices), path)
        xyz = _coordinates(vertices)
        finite, single, dropped = _usable(xyz)
        usable = finite & single
        frame = _frame(xyz, usable, path, dropped)
        local = _centred(xyz, frame.origin)
        del xyz
        seen = local if usable.all() else local[usable]
        spacing = float("nan") if known_length or units != "auto" else estimate_spacing(seen)
        try:
            decided = decide_units(
                frame.extent,
                spacing,
                asked=units,
                known_length=known_length,
                like_mm=None if like is None else _longest_side_mm(like),
            )
        except UnitsError as error:
            raise UnitsError(f"{path}: {error}") from error
        if known_length is None:
            require_possible(frame.extent, decided.value, file=str(path))
        else:
            off = [_nearest(seen, point - frame.origin) for point in np.array(known_length[:2])]
            require_on_scan(known_length, off, frame.extent[0], decided.mm_per_unit)
        if decided.mm_per_unit != 1:
            local *= np.float32(decided.mm_per_unit)
        local[~finite] = np.nan
        between = fill_triangles(local, faces)
        if len(between):
            local = np.concatenate([local, between])
            usable = np.concatenate([usable, np.ones(len(between), np.bool_)])
        scan = Scan(
            name=path.stem,
            points_mm=local,
            usable=usable,
            origin=frame.origin,
            units=decided,
            vertices=vertices,
            normals=_normals(vertices),
            faces=faces,
            path=path,
            sha256=digest.result(),
            dropped=dropped,
        )
    for array in (local, usable, scan.origin, vertices, scan.normals, faces):
        if array is not None:
            array.flags.writeable = False
    return scan


# ---------------------------------------------------------------- formats


def _reader(path: Path) -> Callable[[Path], Raw]:
    readers: dict[str, Callable[[Path], Raw]] = {
        ".ply": _read_ply,
        ".stl": read_stl,
        ".obj": read_obj,
        ".pcd": read_pcd,
        **dict.fromkeys((".xyz", ".pts", ".csv", ".txt", ".asc", ".xyzn"), read_table),
    }
    try:
        if path.is_dir():
            raise refusal(path, "this is a folder, a scan file is needed", "name the file in it")
        if path.exists() and not path.is_file():
            raise refusal(path, "this is a pipe or a device", "save the scan to a file first")
        with path.open("rb") as file:
            empty = not file.read(1)
    except OSError as error:
        raise _unreadable(path, error) from error
    if path.suffix.lower() not in readers:
        known = " ".join(readers)
        raise refusal(path, f"unknown kind of file '{path.suffix}'", f"export it as one of {known}")
    if empty:
        raise refusal(path, "the file is empty", "copy or export the scan again")
    return readers[path.suffix.lower()]


def _read_ply(path: Path) -> Raw:
    ply = read_ply(path)
    return ply.vertices, ply.faces


# ---------------------------------------------------------------- arrays


@dataclass(frozen=True, eq=False)
class _Frame:
    origin: NDArray[np.float64]
    extent: tuple[float, float, float]


def _loaded(path: Path, reader: Callable[[Path], Raw]) -> Raw:
    try:
        return reader(path)
    except OSError as error:
        raise _unreadable(path, error) from error


def _sha256(path: Path) -> str:
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise _unreadable(path, error) from error


def _unreadable(path: Path, error: OSError) -> ScanReadError:
    why = error.strerror or error
    return refusal(path, f"cannot be read ({why})", "check the path and its permissions")


def _check_faces(faces: NDArray[np.int32] | None, points: int, path: Path) -> None:
    if faces is None:
        return
    worst = int(faces.max()) if int(faces.min()) >= 0 else int(faces.min())
    if worst < 0 or worst >= points:
        raise refusal(
            path, f"a face names vertex {worst}, the file holds {points} (0 to {points - 1})"
        )


def _coordinates(vertices: NDArray[np.void]) -> NDArray[np.floating]:
    """(n, 3) contiguous coordinates as they stand in the file, float32 or float64."""
    exact = all(vertices.dtype[axis].str[1:] in ("f4", "i2", "u2", "i1", "u1") for axis in "xyz")
    xyz = np.empty((len(vertices), 3), np.float32 if exact else np.float64)

    def work(part: slice) -> None:
        for i, axis in enumerate("xyz"):
            xyz[part, i] = vertices[axis][part]

    by_chunks(work, len(xyz))
    return xyz


def _usable(
    xyz: NDArray[np.floating],
) -> tuple[NDArray[np.bool_], NDArray[np.bool_], dict[str, int]]:
    """Rows that are finite, rows that repeat no earlier one, and the counts of the others."""
    finite = np.empty(len(xyz), np.bool_)

    def look(part: slice) -> None:
        # A coordinate whose square in mm is beyond float32 is as lost as an infinite one.
        with np.errstate(invalid="ignore"):
            finite[part] = (np.abs(xyz[part]) < 1e15).all(axis=1)

    by_chunks(look, len(xyz))
    single = np.ones(len(xyz), np.bool_)
    if finite.all():
        single = first_of_each(xyz)
    else:
        single[finite] = first_of_each(xyz[finite])
    counts = {"not finite": int((~finite).sum()), "repeated": int((~single).sum())}
    return finite, single, {reason: count for reason, count in counts.items() if count}


def _frame(
    xyz: NDArray[np.floating], usable: NDArray[np.bool_], path: Path, dropped: dict[str, int]
) -> _Frame:
    """Origin and principal extent, from a sample and between percentiles: outliers count little."""
    count = int(usable.sum())
    if count < LEAST_POINTS:
        why = "".join(f", {number} {reason}" for reason, number in dropped.items())
        raise ScanUnfitError(
            f"{path}: too few points: {count} usable of {len(xyz)}{why}; at least {LEAST_POINTS} "
            "are needed, scan the panel more densely or export all of it"
        )
    sample = _sample(xyz, usable)
    low, high = np.percentile(sample, (0.1, 99.9), axis=0)
    turned = (sample - sample.mean(axis=0)) @ _principal_axes(sample)
    sides = np.sort(np.subtract(*np.percentile(turned, (99.9, 0.1), axis=0)))[::-1]
    if sides[1] <= LEAST_WIDTH_SHARE * sides[0]:
        raise ScanUnfitError(
            f"{path}: all points lie on a line ({sides[0]:.4g} long, {sides[1]:.2g} wide, in file "
            "units); a panel has width, check the export"
        )
    # On a coarse binary grid the subtraction loses nothing, and other samples give the same.
    grid = 2.0 ** np.floor(np.log2(sides[0] / 16))
    origin = np.round((low + high) / 2 / grid) * grid
    return _Frame(origin, (float(sides[0]), float(sides[1]), float(sides[2])))


def _longest_side_mm(scan: Scan) -> float:
    """Of a scan that was read, by the same measure by which units are guessed."""
    return _frame(scan.points_mm, scan.usable, scan.path or Path(scan.name), {}).extent[0]


def _sample(xyz: NDArray[np.floating], usable: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Rows picked at random with a fixed seed: a fixed stride can fall in step with scan lines."""
    rows = np.flatnonzero(usable)
    if len(rows) > FRAME_SAMPLE:
        picked = np.random.default_rng(0).integers(0, len(rows), FRAME_SAMPLE)
        rows = rows[np.sort(picked)]
    return np.asarray(xyz[rows], np.float64)


def _principal_axes(sample: NDArray[np.float64]) -> NDArray[np.float64]:
    centred = sample - sample.mean(axis=0)
    axes: NDArray[np.float64] = np.linalg.svd(centred, full_matrices=False)[2].T
    return axes


def _centred(xyz: NDArray[np.floating], origin: NDArray[np.float64]) -> NDArray[np.float32]:
    """Coordinates about the origin, subtracted in double before they become float32."""
    local = np.empty(xyz.shape, np.float32)

    def work(part: slice) -> None:
        with np.errstate(invalid="ignore", over="ignore"):
            for axis in range(3):
                local[part, axis] = xyz[part, axis] - origin[axis]

    by_chunks(work, len(xyz))
    return local


def _nearest(points: NDArray[np.float32], place: NDArray[np.float64]) -> float:
    """Distance from a place to the nearest of many points."""
    with np.errstate(over="ignore"):
        square = sum((points[:, axis] - place[axis]) ** 2 for axis in range(3))
    return float(np.sqrt(np.min(square)))


def _normals(vertices: NDArray[np.void]) -> NDArray[np.float32] | None:
    """Unit normals from nx, ny, nz; zero where the file's are zero or not finite."""
    names = ("nx", "ny", "nz")
    if not set(names) <= set(vertices.dtype.names or ()):
        return None
    normals = np.stack([vertices[name].astype(np.float32) for name in names], axis=1)
    with np.errstate(invalid="ignore", over="ignore"):
        length = np.sqrt(np.einsum("ij,ij->i", normals, normals))
        known = np.isfinite(length) & (length > 1e-6)
        normals /= np.where(known, length, 1)[:, None]
    normals[~known] = 0
    return normals

"""The coloured surface: the scan's own triangles where it has them, else a mesh over the cells."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ..check import CheckResult
from ..formats.ply import write_ply
from ..unrolling.cells import Cells
from .colours import Scale
from .glb import glb_bytes

STEEPEST = 3.0
"""Neighbouring cells whose heights differ by more than this many cells are different skins'."""


@dataclass(frozen=True, eq=False)
class ColouredMesh:
    """A surface with a colour and a deviation at every vertex.

    points_mm : (n, 3) float32 local mm of the scan; faces : (m, 3) int32; colours : (n, 3) sRGB;
    deviation_mm : (n,) float32, NaN where not judged; normals : (n, 3) float32 unit vectors out.
    """

    points_mm: NDArray[np.float32]
    faces: NDArray[np.int32]
    colours: NDArray[np.uint8]
    deviation_mm: NDArray[np.float32]
    normals: NDArray[np.float32]


def coloured_mesh(result: CheckResult, scale: Scale) -> ColouredMesh:
    """The mesh that map.ply and map.glb hold."""
    deviation = result.deviation
    if result.scan.faces is not None and len(result.scan.faces):
        points, faces, kept = _scan_mesh(
            result.scan.points_mm[: len(deviation.point_mm)], result.scan.faces
        )
        values, status = deviation.point_mm[kept], deviation.point_status[kept]
    else:
        points, faces, cells = _cells_mesh(result)
        values = deviation.cell_mm[cells].astype(np.float32)
        status = deviation.cell_status[cells]
    return ColouredMesh(
        points, faces, scale.colours(values, status), values, vertex_normals(points, faces)
    )


def write_mesh_ply(path: Path, mesh: ColouredMesh, result: CheckResult) -> None:
    """The mesh in the scan's own frame and units."""
    scan = result.scan
    kind = scan.vertices.dtype["x"]
    # whole numbers hold no surface; doubles keep survey coordinates
    axis = "<f4" if kind.kind == "f" and kind.itemsize == 4 else "<f8"
    names = ("x", "y", "z", "nx", "ny", "nz")
    dtype = [(n, axis if n in "xyz" else "<f4") for n in names]
    dtype += [(n, "u1") for n in ("red", "green", "blue")] + [("deviation", "<f4")]
    rows = np.empty(len(mesh.points_mm), dtype)
    for k, name in enumerate("xyz"):
        rows[name] = mesh.points_mm[:, k] / np.float64(scan.units.mm_per_unit) + scan.origin[k]
        rows["n" + name] = mesh.normals[:, k]
    for k, name in enumerate(("red", "green", "blue")):
        rows[name] = mesh.colours[:, k]
    rows["deviation"] = mesh.deviation_mm
    write_ply(path, rows, faces=mesh.faces, comments=("deviation in mm, high is +",))


def write_mesh_glb(path: Path, mesh: ColouredMesh, result: CheckResult, *, name: str) -> None:
    """The mesh in the scan's own frame, in metres."""
    x, y, z = result.scan.origin * result.scan.units.mm_per_unit / 1000.0
    data = glb_bytes(
        mesh.points_mm / np.float32(1000.0),
        mesh.normals,
        mesh.colours,
        mesh.faces,
        origin_m=(float(x), float(y), float(z)),
        name=name,
    )
    path.write_bytes(data)


def vertex_normals(points_mm: NDArray[np.float32], faces: NDArray[np.int32]) -> NDArray[np.float32]:
    """(n, 3) area-weighted unit normals; +z where a vertex has no triangle of any area."""
    total = np.zeros((len(points_mm), 3))
    a, b, c = (points_mm[faces[:, k]] for k in range(3))
    across = np.cross(b - a, c - a)
    for k in range(3):
        for axis in range(3):
            total[:, axis] += np.bincount(faces[:, k], across[:, axis], len(points_mm))
    length = np.linalg.norm(total, axis=1)
    total[length == 0.0] = (0.0, 0.0, 1.0)
    length[length == 0.0] = 1.0
    return (total / length[:, None]).astype(np.float32)


def faces_within(faces: NDArray[np.int32], kept: NDArray[np.bool_]) -> NDArray[np.int32]:
    """The triangles whose three vertices are kept, renumbered to those.

    >>> faces_within(np.array([[0, 1, 2], [1, 2, 3]]), np.array([False, True, True, True]))
    array([[0, 1, 2]], dtype=int32)
    """
    renumbered = np.cumsum(kept, dtype=np.int32) - 1
    return np.asarray(renumbered[faces[kept[faces].all(axis=1)]])


def _scan_mesh(
    points_mm: NDArray[np.float32], faces: NDArray[np.int32]
) -> tuple[NDArray[np.float32], NDArray[np.int32], NDArray[np.intp] | slice]:
    """The scan's own mesh without vertices that are not finite and the triangles on them."""
    finite = np.asarray(np.isfinite(points_mm).all(axis=1))
    if finite.all():
        return points_mm, faces, slice(len(points_mm))
    return points_mm[finite], faces_within(faces, finite), np.flatnonzero(finite)


def _cells_mesh(
    result: CheckResult,
) -> tuple[NDArray[np.float32], NDArray[np.int32], tuple[NDArray[np.intp], ...]]:
    """Triangles between neighbouring filled cells, wound so that they face outward."""
    cells = result.cells
    used = np.nonzero(cells.filled)
    index = np.full(cells.grid.shape, -1, np.int32)
    index[used] = np.arange(len(used[0]), dtype=np.int32)
    uvh = np.column_stack([cells.u_mm[used], cells.v_mm[used], cells.height_mm[used]])
    return result.chart.to_space(uvh).astype(np.float32), _cell_faces(cells, index), used


def _cell_faces(cells: Cells, index: NDArray[np.int32]) -> NDArray[np.int32]:
    corners = np.stack([index[:-1, :-1], index[1:, :-1], index[1:, 1:], index[:-1, 1:]], axis=-1)
    h = cells.height_mm
    heights = np.stack([h[:-1, :-1], h[1:, :-1], h[1:, 1:], h[:-1, 1:]], axis=-1)
    filled = corners >= 0
    tallest = np.where(filled, heights, -np.inf).max(axis=-1)
    lowest = np.where(filled, heights, np.inf).min(axis=-1)
    near = tallest - lowest <= STEEPEST * cells.grid.cell_mm
    whole = corners[filled.all(axis=-1) & near]
    three = (filled.sum(axis=-1) == 3) & near
    # with one corner empty the other three, in their order, still turn the same way round
    single = corners[three][filled[three]].reshape(-1, 3)
    return np.concatenate([whole[:, [0, 1, 2]], whole[:, [0, 2, 3]], single])

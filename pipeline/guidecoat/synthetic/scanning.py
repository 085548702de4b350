"""Scans of invented panels: uneven points, noise, holes, fins, hems and second skins."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..scans.scan import Scan, Units
from .defects import Defect
from .panels import Panel
from .sampling import (
    ALONG_PANEL,
    Dropout,
    Lay,
    NoiseWay,
    Recipe,
    Sheet,
    joined,
    moved,
    posed,
    random_dropouts,
    sample_skin,
    triangles_between,
)
from .strays import DisplacedSkin, backing_sheet, displaced_sheet, flying_sheet

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class SyntheticScan:
    """A scan of an invented panel with the truth of every point; arrays are read-only.

    points_mm : (n, 3) float64 in the scan's frame; normals : (n, 3) float32 true outward normals;
    st_mm : (n, 2) place on the panel, NaN for flying points; part : (n,) uint8 of `Part`;
    truth_deviation_mm : (n,) planted displacement along the true normal, NaN off the skin;
    T_scan_panel : (4, 4) pose, mm; triangles : (m, 3) int32 outward, or None.
    """

    panel: Panel
    defects: tuple[Defect, ...]
    points_mm: Floats
    normals: NDArray[np.float32]
    st_mm: Floats
    truth_deviation_mm: Floats
    part: NDArray[np.uint8]
    T_scan_panel: Floats
    spacing_mm: float
    noise_mm: float
    triangles: NDArray[np.int32] | None = None

    def place_mm(self, s: Floats, t: Floats) -> Floats:
        """(n, 3) true form at places of the panel, in the scan's frame."""
        s, t = np.atleast_1d(np.asarray(s, float)), np.atleast_1d(np.asarray(t, float))
        return moved(self.T_scan_panel, self.panel.position_mm(s, t))

    def outside_at(self, s: Floats, t: Floats) -> Floats:
        """(n, 3) true outward normals at places of the panel, in the scan's frame."""
        s, t = np.atleast_1d(np.asarray(s, float)), np.atleast_1d(np.asarray(t, float))
        return np.asarray(self.panel.normal(s, t) @ self.T_scan_panel[:3, :3].T)


def scan_panel(
    panel: Panel,
    defects: Sequence[Defect] = (),
    *,
    spacing_mm: float,
    noise_mm: float,
    seed: int,
    noise_way: NoiseWay = "all ways",
    dropouts: int | Sequence[Dropout] = 0,
    flying_points: int = 0,
    hem_mm: float = 0.0,
    hem_return_mm: float = 6.0,
    displaced_skin: Sequence[DisplacedSkin] = (),
    backings: bool = False,
    triangles: bool = False,
    pose: Floats | None = None,
    lay: Lay | None = ALONG_PANEL,
) -> SyntheticScan:
    """Scan a panel with planted highs and lows.

    Parameters
    ----------
    spacing_mm, noise_mm : mean distance of the points; standard deviation of their noise.
    noise_way : the same all ways, or along the normal with a fifth of it across.
    dropouts : holes, or how many to place at random (10 to 30 mm in radius).
    flying_points : how many, two thirds of them off the edges.
    hem_mm : radius on which every edge rolls inward, 0 for cut edges; `hem_return_mm` comes back.
    displaced_skin : patches scanned a second time, off by some millimetres.
    backings : whether the panel's inner skins and fixtures are in the scan.
    triangles : whether to mesh the skin and its hems.
    pose : (4, 4) T_scan_panel, rigid; a random one by `seed` if None.
    lay : how the rows of points lie on the panel; None for at random by `seed`, as scanners do.
        Along a panel, whole rows fall on or off a cut edge together and move it by part of a row.

    Returns
    -------
    SyntheticScan
        The same for the same arguments; skin and hem first, then displaced skin, backings and
        flying points.
    """
    streams = np.random.SeedSequence(seed).spawn(5)
    holes = (
        random_dropouts(panel, dropouts, np.random.default_rng(streams[1]))
        if isinstance(dropouts, int)
        else tuple(dropouts)
    )
    recipe = Recipe(
        panel=panel,
        defects=tuple(defects),
        spacing_mm=spacing_mm,
        noise_mm=noise_mm,
        noise_way=noise_way,
        dropouts=holes,
        hem_mm=hem_mm,
        hem_return_mm=hem_return_mm,
        mesh=triangles,
        lay=_random_lay(np.random.default_rng(streams[4])) if lay is None else lay,
    )
    if pose is None:
        pose = _random_pose(np.random.default_rng(streams[3]))
    pose = np.array(pose, np.float64)
    sheet = sample_skin(recipe, pose, streams[0])
    extra_rng = np.random.default_rng(streams[2])
    extras = [displaced_sheet(recipe, patch, extra_rng) for patch in displaced_skin]
    if backings:
        extras += [backing_sheet(recipe, backing, extra_rng) for backing in panel.backings]
    if flying_points:
        extras.append(flying_sheet(recipe, flying_points, extra_rng))
    mesh = triangles_between(recipe.shape, sheet.node) if triangles else None
    if extras:
        sheet = joined([sheet, *(posed(extra, pose) for extra in extras)])
    return _finish(recipe, sheet, pose, mesh)


def _finish(
    recipe: Recipe, sheet: Sheet, pose: Floats, mesh: NDArray[np.int32] | None
) -> SyntheticScan:
    arrays = [sheet.points_mm, sheet.normals, sheet.st_mm, sheet.deviation_mm, sheet.part, pose]
    for array in [*arrays, *([] if mesh is None else [mesh])]:
        array.setflags(write=False)
    return SyntheticScan(
        panel=recipe.panel,
        defects=recipe.defects,
        points_mm=sheet.points_mm,
        normals=sheet.normals,
        st_mm=sheet.st_mm,
        truth_deviation_mm=sheet.deviation_mm,
        part=sheet.part,
        T_scan_panel=pose,
        spacing_mm=recipe.spacing_mm,
        noise_mm=recipe.noise_mm,
        triangles=mesh,
    )


def _random_lay(rng: np.random.Generator) -> Lay:
    """Rows at any angle."""
    return Lay(float(rng.uniform(0.0, np.pi)), (float(rng.random()), float(rng.random())))


def _random_pose(rng: np.random.Generator) -> Floats:
    """A rotation drawn evenly (unit quaternion) and a shift of up to 1.5 m each way."""
    w, x, y, z = (q := rng.normal(size=4)) / np.linalg.norm(q)
    pose = np.eye(4)
    pose[:3, :3] = [
        [1 - 2 * (y * y + z * z), 2 * (x * y - w * z), 2 * (x * z + w * y)],
        [2 * (x * y + w * z), 1 - 2 * (x * x + z * z), 2 * (y * z - w * x)],
        [2 * (x * z - w * y), 2 * (y * z + w * x), 1 - 2 * (x * x + y * y)],
    ]
    pose[:3, 3] = rng.uniform(-1500.0, 1500.0, 3)
    return pose


def to_scan(scan: SyntheticScan, *, name: str = "synthetic", normals: bool = False) -> Scan:
    """The scan as it would be after reading a binary file of float32 millimetres.

    Parameters
    ----------
    normals : whether the file carried normals.
    """
    origin = np.round(scan.points_mm.mean(axis=0))
    vertices = _vertex_table(scan, normals=normals)
    vertices.setflags(write=False)
    points = (scan.points_mm - origin).astype(np.float32)
    usable = np.ones(len(points), np.bool_)
    for array in (points, usable, origin):
        array.setflags(write=False)
    return Scan(
        name=name,
        points_mm=points,
        usable=usable,
        origin=origin,
        units=Units("mm", 1.0, "given"),
        vertices=vertices,
        normals=scan.normals if normals else None,
        faces=scan.triangles,
    )


def _vertex_table(scan: SyntheticScan, *, normals: bool) -> NDArray[np.void]:
    names = ["x", "y", "z", *(["nx", "ny", "nz"] if normals else [])]
    table = np.empty(len(scan.points_mm), dtype=[(name, np.float32) for name in names])
    for column, name in enumerate("xyz"):
        table[name] = scan.points_mm[:, column]
        if normals:
            table[f"n{name}"] = scan.normals[:, column]
    return table

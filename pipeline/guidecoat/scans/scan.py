"""A scan in memory: every vertex of the file in its order, in millimetres about a local origin."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

LEAST_POINTS = 100
"""A scan with fewer usable points is none."""

MM_PER_UNIT = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4}


@dataclass(frozen=True)
class Units:
    """What one unit of the file is, and who said so.

    `value` is mm, cm, m, in, or `scaled` when a known length gave the scale;
    `mm_per_unit` is the factor; `decided_by` is a short sentence for people.
    """

    value: str
    mm_per_unit: float
    decided_by: str


@dataclass(frozen=True, eq=False)
class Scan:
    """One scan file, read and centred; arrays are read-only.

    Attributes
    ----------
    path : file it came from (None for a synthetic one), `name` its stem.
    points_mm : (n, 3) float32, millimetres, relative to `origin`; every file vertex in file
        order, NaN rows where the file's row was not finite; after them, where a mesh was thinned,
        points that lie on its triangles.
    usable : (n,) bool, rows that count: finite and not an exact repeat of an earlier row.
    origin : (3,) float64 in file units: file = origin + points_mm / units.mm_per_unit.
    normals : (v, 3) float32 unit vectors from the file, or None. Zero rows where unknown.
    faces : (m, 3) int32 vertex indices (polygons fanned), or None for a cloud.
    vertices : (v,) structured array, v <= n, of the file's vertex properties as read (file names
        and types), for writing them back; may be a read-only memory map. List properties left
        out.
    dropped : {reason: count} of rows that do not count, e.g. {"not finite": 3, "repeated": 120}.
    elsewhere_mm : (k, 3) points of the same panel from another scan, in millimetres about this
        one's origin, or None: where they lie, this scan's holes are none of the panel's.
    """

    name: str
    points_mm: NDArray[np.float32]
    usable: NDArray[np.bool_]
    origin: NDArray[np.float64]
    units: Units
    vertices: NDArray[np.void]
    normals: NDArray[np.float32] | None = None
    faces: NDArray[np.int32] | None = None
    path: Path | None = None
    sha256: str = ""
    dropped: dict[str, int] = field(default_factory=dict)
    elsewhere_mm: NDArray[np.float64] | None = None

    @property
    def filled_in(self) -> int:
        """How many of the last points are no vertices but lie on triangles of a thinned mesh."""
        return len(self.points_mm) - len(self.vertices)

    def vertices_among(self, points: NDArray[np.bool_]) -> int:
        """How many of the points that a (n,) mask chooses are vertices of the file."""
        return int(np.count_nonzero(points[: len(self.vertices)]))

    def to_file_frame(self, points_mm: NDArray[np.floating]) -> NDArray[np.float64]:
        """(k, 3) local millimetres to the file's own frame and units."""
        return np.asarray(points_mm, np.float64) / self.units.mm_per_unit + self.origin

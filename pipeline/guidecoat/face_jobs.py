"""One face made ready for fitting: its knots, hinges, cells and held points."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, sparse
from scipy.spatial import cKDTree

from .cells import Cells
from .chart import Grid
from .creases import Crease
from .edge_lines import Beside, cells_beside
from .edges import Edge
from .errors import FitError
from .faces import JUDGED, Faces, near_line
from .polylines import carried_on
from .settings import CreaseSettings, SurfaceSettings
from .spline import Hinges, Rows, SplineSpace, band_matrix, energy_band, hinge_metric
from .trend import Trend, trend_of

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

_SCALE_FLOOR = 1.0 / 15.0
_LEAST_WINDOW = 0.32
# The classical thin plate is laid as it is in the books, without a trend.
_CLASSICAL = 2
_RELEASED_MM = 30.0
# A body line fades beyond the stretch that can be traced: the surface may turn there, too.
_FURTHER_MM = np.arange(5.0, 600.0, 5.0)
_ROUND_SHARE = 1.3
# The trend folds the whole face: not along lines that fade out within it at both ends.
_THROUGH = 0.6
_AT_THE_EDGE_MM = 40.0


@dataclass(frozen=True, eq=False)
class Held:
    """What a user holds or lets go: (k, 2) chart mm and (k,) heights the surface passes through,
    and (r, 2) places round which no edge is held.
    """

    uv: Floats
    height_mm: Floats
    released_uv: Floats


@dataclass(frozen=True, eq=False)
class FaceJob:
    """One face ready to be fitted.

    energy : its bending's band, stiffness : the same as a matrix; u_mm, v_mm, height_mm, weight :
    (n,) of its cells; stations, slopes : per edge, rows of height and of the slope inward at its
    stations; let_go : per edge, (s,) stations that must not be held; trended : whether its surface
    is laid over its trend.
    """

    face: int
    space: SplineSpace
    energy: Floats
    stiffness: sparse.dia_array
    rows: Rows
    u_mm: Floats
    v_mm: Floats
    height_mm: Floats
    weight: Floats
    where: tuple[NDArray[np.intp], NDArray[np.intp]]
    shape: tuple[int, int]
    edges: tuple[Edge, ...]
    beside: tuple[Beside, ...]
    stations: tuple[Rows, ...]
    slopes: tuple[Rows, ...]
    let_go: tuple[Mask, ...]
    points: Rows | None
    point_values: Floats
    cell_mm: float
    floor_mm: float
    tolerance_mm: float
    order: int
    widest_mm: float
    window_cells: float
    trend: Trend
    trended: bool


def hinges_in(cells: Cells, faces: Faces, crease: Crease) -> Mask:
    """Cells of a face along a line that does not part it: soft, or sharp but fading out."""
    along = near_line(cells, crease.line_uv, 1.5 * cells.grid.cell_mm)
    return np.asarray(along & (faces.label > 0))


def face_job(
    cells: Cells,
    skin: Mask,
    faces: Faces,
    face: int,
    edges: list[Edge],
    creases: list[Crease],
    held: Held,
    *,
    corner: tuple[float, float],
    knot: float,
    spans: tuple[int, int],
    surface: SurfaceSettings,
    hinge: CreaseSettings,
    tolerance_mm: float,
    error_mm: float,
) -> FaceJob:
    """Make a face ready: its spline space and energy, its cells with their weights, its holds.

    Parameters
    ----------
    corner, knot, spans : the lattice of knots all faces share.

    Raises
    ------
    FitError : when under 50 cells of the face hold points.
    """
    grid = cells.grid
    member = faces.label == face
    active = _active_spans(member, grid, corner, knot, spans)
    space = SplineSpace.build(corner[0], corner[1], knot, active)
    own = [c for c in creases if (hinges_in(cells, faces, c) & member).any()]
    lines = [carried_on(c.line_uv, _FURTHER_MM, back=2) for c in own]
    bands = [max(hinge.hinge_band_mm, _ROUND_SHARE * c.round_mm) for c in own]
    hinges = _hinge_spans(space, lines, bands, surface.order, hinge)
    energy = energy_band(space, order=surface.order, hinges=hinges)
    use = skin & member & (faces.reason == JUDGED)
    i, j = np.nonzero(use)
    where = (i, j)
    if len(where[0]) < 50:
        raise FitError(
            f"face {face} has {len(where[0])} cells with points, too few to lay a surface on: "
            "scan more densely or drop the part."
        )
    rows = space.rows(cells.u_mm[where], cells.v_mm[where])
    error = cells.error_mm[where]
    usual = float(np.median(error)) + 1e-12
    window = usual / (2.0 * np.sqrt(np.pi) * error_mm)
    weight = np.minimum(1.0, (usual / np.maximum(error, 0.2 * usual)) ** 2)
    uv = np.column_stack([cells.u_mm[where], cells.v_mm[where]])
    through = [x for x, c in zip(lines, own, strict=True) if _runs_through(c, uv)]
    tree = cKDTree(uv)
    beside = tuple(cells_beside(e, uv, tree, cell_mm=grid.cell_mm) for e in edges)
    on_face = _on_face(held.uv, member, grid, space)
    points = space.rows(*held.uv[on_face].T) if on_face.any() else None
    return FaceJob(
        face,
        space,
        energy,
        band_matrix(energy),
        rows,
        cells.u_mm[where],
        cells.v_mm[where],
        cells.height_mm[where],
        weight,
        where,
        grid.shape,
        tuple(edges),
        beside,
        tuple(space.rows(*edge.station_uv.T) for edge in edges),
        tuple(_slope_rows(space, edge) for edge in edges),
        tuple(_let_go(edge, held.released_uv, lines, bands) for edge in edges),
        points,
        held.height_mm[on_face],
        grid.cell_mm,
        tolerance_mm * _SCALE_FLOOR,
        tolerance_mm,
        surface.order,
        2.0 * float(faces.inside_mm[member].max()),
        window if window > _LEAST_WINDOW else 0.0,
        trend_of(space, rows, uv, through),
        surface.order > _CLASSICAL,
    )


def _runs_through(crease: Crease, uv: Floats) -> bool:
    """Whether a line runs through most of a face, or at one end out of it."""
    chord = crease.line_uv[-1] - crease.line_uv[0]
    chord = chord / (np.linalg.norm(chord) + 1e-12)
    along, (first, last) = uv @ chord, crease.line_uv[[0, -1]] @ chord
    low, high = along.min(), along.max()
    out = min(first - low, high - last) < _AT_THE_EDGE_MM
    return bool(out or crease.length_mm > _THROUGH * (high - low))


def _active_spans(
    member: Mask, grid: Grid, corner: tuple[float, float], knot: float, spans: tuple[int, int]
) -> Mask:
    """Spans under the face, and a rim round it so that every point of it is covered."""
    i, j = np.nonzero(member)
    a = np.floor((grid.u_mm[i] - corner[0]) / knot).astype(int)
    b = np.floor((grid.v_mm[j] - corner[1]) / knot).astype(int)
    active = np.zeros(spans, bool)
    active[a, b] = True
    return np.asarray(ndimage.binary_dilation(active, np.ones((3, 3), bool)))


def _hinge_spans(
    space: SplineSpace,
    lines: list[Floats],
    bands: list[float],
    order: int,
    hinge: CreaseSettings,
) -> Hinges | None:
    """Spans within their bands (mm) of the lines, with the lines' directions."""
    spans = np.argwhere(space.active)
    centre = (spans + 0.5) * space.knot + np.array([space.u0, space.v0])
    chosen, tangents = [], []
    for line, band in zip(lines, bands, strict=True):
        way = np.gradient(line, axis=0)
        way /= np.linalg.norm(way, axis=1)[:, None] + 1e-12
        distance, nearest = cKDTree(line).query(centre)
        inside = distance <= band
        chosen.append(spans[inside])
        tangents.append(way[nearest[inside]])
    if not chosen:
        return None
    places, first = np.unique(np.vstack(chosen), axis=0, return_index=True)
    metric = hinge_metric(order, np.vstack(tangents)[first], hinge.hinge_stiffness)
    return Hinges(places, metric)


def _let_go(edge: Edge, released_uv: Floats, lines: list[Floats], bands: list[float]) -> Mask:
    """Stations near a place let go, and those in the band of a body line that runs out over the
    edge: the surface turns freely there, and two lines that meet in it never quite agree.
    """
    station = edge.station_uv
    out = np.zeros(len(station), bool)
    if len(released_uv):
        out |= cKDTree(released_uv).query(station)[0] <= _RELEASED_MM
    for line, band in zip(lines, bands, strict=True):
        out |= cKDTree(line).query(station)[0] <= band
    return out


def _slope_rows(space: SplineSpace, edge: Edge) -> Rows:
    """Rows of the slope into the face at an edge's stations."""
    (u, v), (a, b) = edge.station_uv.T, edge.inward_uv.T
    return space.rows(u, v, du=1).combined(a, space.rows(u, v, dv=1), b)


def _on_face(uv: Floats, member: Mask, grid: Grid, space: SplineSpace) -> Mask:
    if not len(uv):
        return np.zeros(0, bool)
    i, j = grid.index(uv[:, 0], uv[:, 1])
    near = ndimage.binary_dilation(member, iterations=2)
    return np.asarray(near[i, j] & space.covers(uv[:, 0], uv[:, 1]))

"""One face made ready for fitting: its knots, hinges, cells and held points."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, sparse
from scipy.spatial import cKDTree

from ..errors import FitError
from ..lines.crease import Crease
from ..numerics.spline import Hinges, Rows, SplineSpace, band_matrix, energy_band, hinge_metric
from ..outline.edge_lines import Beside, cells_beside
from ..outline.edges import Edge
from ..outline.faces import JUDGED, Faces
from ..settings import CreaseSettings, SurfaceSettings
from ..unrolling.cells import Cells
from ..unrolling.chart import Grid
from ..unrolling.polylines import carried_on, near_line, ways_along
from .trend import Fold, Trend, trend_of

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

_SCALE_FLOOR = 1.0 / 15.0
_LEAST_WINDOW = 0.32
_FEWEST_CELLS = 50
# Of the tolerance: metal that lies on a trend. Measured: .02 to .13 on wings, on wavy sheets and
# beside shoulders .5 to 2.
_NEAR_OF_TOLERANCE = 0.25
# Beyond the band that is never trusted (choice).
_AT_RIM_CELLS = 1.5
_LEAST_ERROR = 0.2
# The classical thin plate is laid as it is in the books, without a trend.
_CLASSICAL = 2
_RELEASED_MM = 30.0
# A body line fades beyond the stretch that can be traced: the surface may turn there, too.
_FURTHER_MM = np.arange(5.0, 600.0, 5.0)
# So many times a panel's stiffness along a shoulder: a round mark bends it both ways elsewhere, and
# there one way only, which is an eighth (half the squared wave number, to the third power).
_SHOULDER_STIFFNESS = 8.0
# The trend folds the whole face: not along lines that fade out within it at both ends.
_THROUGH = 0.6
_AT_THE_EDGE_MM = 40.0
# To either side of a line that parts, beyond its band and the widest strip that is no face.
_ACROSS_MM = 90.0


@dataclass(frozen=True, eq=False)
class Held:
    """What a user holds or lets go: (k, 2) chart mm and (k,) heights the surface passes through,
    and (r, 2) places round which no edge is held.
    """

    uv: Floats
    height_mm: Floats
    released_uv: Floats


@dataclass(frozen=True, eq=False, kw_only=True)
class FaceJob:
    """One face ready to be fitted.

    energy : its bending's band, stiffness : the same as a matrix; u_mm, v_mm, height_mm, weight :
    (n,) of its cells; rim : (n,) bool, those beside its edges or beside what parts it; stations,
    slopes : per edge, rows of height and of the slope inward at its stations; let_go : per edge,
    (s,) stations that must not be held; shouldered : whether it hinges along a shoulder; trended :
    whether its surface is laid over its trend; ripple : (n,) bool, cells that are kept however far
    off they lie; leaning : whether marks are taken to lean over an
    edge beyond their feet.
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
    rim: Mask
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
    shouldered: bool
    window_cells: float
    trend: Trend
    trended: bool
    ripple: Mask
    leaning: bool = False

    def on_grid(self, values: NDArray[Any] | float, empty: float) -> NDArray[Any]:
        """(nu, nv) values of the face's cells, (n,) or one for all, and what stands elsewhere."""
        field = np.full(self.shape, empty, np.result_type(values, type(empty)))
        field[self.where] = values
        return field


def faces_hinged(cells: Cells, faces: Faces, crease: Crease) -> set[int]:
    """The faces that hinge along a line: those that it does not part, being soft, or sharp but
    fading out; and those that lie on both sides of one that parts, round its end. None along a line
    that is pressed into one skin: that goes on below it.
    """
    along = faces.label[near_line(cells.grid, crease.line_uv, 1.5 * cells.grid.cell_mm)]
    hinged = set(along[along > 0].tolist())
    if crease.pressed and hinged:
        return set()
    return hinged | _round_its_end(cells, faces, crease) if crease.parts else hinged


def _round_its_end(cells: Cells, faces: Faces, crease: Crease) -> set[int]:
    """Faces that are the first on either side of some place of a line."""
    grid = cells.grid
    _, left = ways_along(crease.line_uv)
    off = np.arange(0.0, _ACROSS_MM, grid.cell_mm)
    sides = []
    for sign in (1.0, -1.0):
        place = crease.line_uv[:, None] + sign * off[None, :, None] * left[:, None]
        i, j = grid.index(place[..., 0], place[..., 1])
        label = np.where(grid.beyond(place[..., 0], place[..., 1]), 0, faces.label[i, j])
        sides.append(label[np.arange(len(label)), np.argmax(label > 0, axis=1)])
    one, other = sides
    return set(one[(one == other) & (one > 0)].tolist())


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
    creases : along which the face hinges.
    corner, knot, spans : the lattice of knots all faces share.

    Raises
    ------
    FitError : when under 50 cells of the face hold points.
    """
    member = faces.label == face
    space = SplineSpace.build(
        corner[0], corner[1], knot, _active_spans(member, cells.grid, corner, knot, spans)
    )
    folds = _folds_in(creases, hinge)
    energy = energy_band(
        space, order=surface.order, hinges=_hinge_spans(space, folds, surface.order, hinge)
    )
    metal = _metal_of(cells, skin & member & (faces.reason == JUDGED), face, error_mm)
    rows = space.rows(metal.u_mm, metal.v_mm)
    inside = faces.inside_mm[metal.where]
    tree = cKDTree(metal.uv)
    on_face = _on_face(held.uv, member, cells.grid, space)
    return FaceJob(
        face=face,
        space=space,
        energy=energy,
        stiffness=band_matrix(energy),
        rows=rows,
        u_mm=metal.u_mm,
        v_mm=metal.v_mm,
        height_mm=metal.height_mm,
        weight=metal.weight,
        rim=inside <= faces.inboard_mm + _AT_RIM_CELLS * cells.grid.cell_mm,
        where=metal.where,
        shape=cells.grid.shape,
        edges=tuple(edges),
        beside=tuple(cells_beside(e, metal.uv, tree, cell_mm=cells.grid.cell_mm) for e in edges),
        stations=tuple(space.rows(*edge.station_uv.T) for edge in edges),
        slopes=tuple(_slope_rows(space, edge) for edge in edges),
        let_go=tuple(_let_go(edge, held.released_uv, folds) for edge in edges),
        points=space.rows(*held.uv[on_face].T) if on_face.any() else None,
        point_values=held.height_mm[on_face],
        cell_mm=cells.grid.cell_mm,
        floor_mm=tolerance_mm * _SCALE_FLOOR,
        tolerance_mm=tolerance_mm,
        order=surface.order,
        widest_mm=2.0 * float(faces.inside_mm[member].max()),
        shouldered=any(crease.shoulder for crease in creases),
        window_cells=metal.window_cells,
        trend=_trend_of(space, rows, metal, folds, surface, tolerance_mm),
        trended=surface.order > _CLASSICAL,
        ripple=np.zeros(len(metal.uv), bool),
    )


def _trend_of(
    space: SplineSpace,
    rows: Rows,
    metal: _Metal,
    folds: tuple[_Fold, ...],
    surface: SurfaceSettings,
    tolerance_mm: float,
) -> Trend:
    """A face's trend: where it hinges it folds, elsewhere it may have high degrees. Not with a
    batten that is given: what that follows is what was asked for.
    """
    through = [fold.of_trend for fold in folds if _runs_through(fold.crease, metal.uv)]
    trend = trend_of(space, rows, metal.uv, through)
    if folds or surface.batten_mm != "auto":
        return trend
    return trend.enriched(
        metal.height_mm,
        metal.weight,
        batten_mm=surface.shortest_batten_mm,
        near_mm=_NEAR_OF_TOLERANCE * tolerance_mm,
    )


@dataclass(frozen=True, eq=False)
class _Fold:
    """A body line as a face's surface turns along it: its line carried on, (k, 2) mm, and the band
    to either side in which the surface is left to turn.
    """

    crease: Crease
    line_uv: Floats
    band_mm: float

    @property
    def stiffness(self) -> float:
        """Along it, as a share of the panel's."""
        return _SHOULDER_STIFFNESS if self.crease.shoulder else 1.0

    @property
    def of_trend(self) -> Fold:
        """The same for the face's trend: in a shoulder's band the surface follows without it."""
        if not self.crease.shoulder:
            return Fold(self.crease.line_uv)
        return Fold(self.crease.line_uv, self.crease.round_mm, self.band_mm)


def _folds_in(creases: list[Crease], hinge: CreaseSettings) -> tuple[_Fold, ...]:
    return tuple(
        _Fold(
            crease,
            carried_on(crease.line_uv, _FURTHER_MM, back=2),
            max(hinge.hinge_band_mm, crease.hinged_mm),
        )
        for crease in creases
    )


@dataclass(frozen=True, eq=False)
class _Metal:
    """The cells of a face that are fitted: (n,) each, their place in the grid, chart mm and weight;
    window_cells : sigma over which residuals are averaged before they decide, 0 for none.
    """

    where: tuple[NDArray[np.intp], NDArray[np.intp]]
    uv: Floats
    u_mm: Floats
    v_mm: Floats
    height_mm: Floats
    weight: Floats
    window_cells: float


def _metal_of(cells: Cells, use: Mask, face: int, error_mm: float) -> _Metal:
    """Cells weighed by their errors, and the window that brings the usual one to `error_mm`."""
    i, j = np.nonzero(use)
    if len(i) < _FEWEST_CELLS:
        raise FitError(
            f"face {face} has {len(i)} cells with points, too few to lay a surface on: "
            "scan more densely or drop the part."
        )
    u, v, error = cells.u_mm[i, j], cells.v_mm[i, j], cells.error_mm[i, j]
    usual = float(np.median(error)) + 1e-12
    # A Gaussian average of cells over s sigma has their error over 2 s sqrt(pi).
    window = usual / (2.0 * np.sqrt(np.pi) * error_mm)
    return _Metal(
        (i, j),
        np.column_stack([u, v]),
        u,
        v,
        cells.height_mm[i, j],
        np.minimum(1.0, (usual / np.maximum(error, _LEAST_ERROR * usual)) ** 2),
        window if window > _LEAST_WINDOW else 0.0,
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
    space: SplineSpace, folds: tuple[_Fold, ...], order: int, hinge: CreaseSettings
) -> Hinges | None:
    """Spans within the bands of body lines, with the lines' directions."""
    spans = np.argwhere(space.active)
    centre = (spans + 0.5) * space.knot + np.array([space.u0, space.v0])
    chosen, tangents, along = [], [], []
    for fold in folds:
        way, _ = ways_along(fold.line_uv)
        distance, nearest = cKDTree(fold.line_uv).query(centre)
        inside = distance <= fold.band_mm
        chosen.append(spans[inside])
        tangents.append(way[nearest[inside]])
        along.append(np.full(int(inside.sum()), fold.stiffness))
    if not chosen:
        return None
    places, first = np.unique(np.vstack(chosen), axis=0, return_index=True)
    metric = hinge_metric(
        order,
        np.vstack(tangents)[first],
        hinge.hinge_stiffness,
        along=np.concatenate(along)[first],
    )
    return Hinges(places, metric)


def _let_go(edge: Edge, released_uv: Floats, folds: tuple[_Fold, ...]) -> Mask:
    """Stations near a place let go, and those in the band of a body line that runs out over the
    edge: the surface turns freely there, and two lines that meet in it never quite agree. Along a
    body line itself it is held.
    """
    station = edge.station_uv
    out = np.zeros(len(station), bool)
    if len(released_uv):
        out |= cKDTree(released_uv).query(station)[0] <= _RELEASED_MM
    for fold in folds if edge.body_line_uv is None else ():
        out |= cKDTree(fold.line_uv).query(station)[0] <= fold.band_mm
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

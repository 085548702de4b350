"""The scan's points in the band along an edge, by how far along it and how far in they lie."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import cKDTree

from ..chunks import by_chunks
from ..lines.crease import Crease
from ..numerics.spline import SplineSpace
from ..numerics.whittaker import robust_line
from ..outline.edges import Edge
from ..outline.faces import Faces
from ..unrolling.cells import Cells, ChartedPoints
from ..unrolling.polylines import near_line, run_along

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Figures tried at half and double on a door, a wing and a sphere, cut and hemmed, with three knocks
# of 0.8 to 1.3 mm each, and sound ones: a sound edge stays one and every knock is found with all of
# them. Where nothing else is said the peaks of cut edges' knocks move by under 5 %, of hemmed ones'
# by up to 30 %; where "the same" stands, nothing changes. A choice has no better reason than that.

# True edges; lines between faces have no rim.
_KINDS = ("outline", "opening")
# A knock is told by what the rest of its edge does: shorter edges have hardly a rest. The same.
_SHORTEST_EDGE_MM = 150.0
# Patches of 3 x 2 mm hold nine points then: enough. The same.
_DENSE_ENOUGH_MM = 0.8
# Steps of an edge's line: a thirtieth of what it is calmed over. Under 1 %.
_FINE_MM = 1.0
# A stretch of this length, and of so many spacings at least, has one outermost place (choice).
_RIM_STEP_MM = 10.0
_RIM_SPACINGS = 3.0
# Six stretches: half as many follow the knocks themselves (peaks of hemmed ones 4 to 19 % off).
_RIM_BATTEN_MM = 60.0
# Rims of neighbouring stretches scatter by a fraction of the spacing, 1 to 2 mm. Under 3 %.
_RIM_FLOOR_MM = 0.3
# Of a stretch's outermost row of points this share is passed over, for single ones fly (choice). At
# double cut edges' peaks move by up to 8 %.
_RIM_SHARE = 0.3
# A body line rises or falls at an edge as a knock does: its core, twice as far past its end. The
# same, as far as knocks lie off body lines.
_BODY_LINE_MM = 15.0
# An edge's own points run over its ends by a cell or so; beyond is the next one's rim.
_PAST_END_MM = 4.0
# Cells: labels end so many within the last points of a rim. One misses points of hemmed ones
# (14 %), four gain none.
_ROUND_THE_RIM = 2
# How far off the surface a point may be and still be of the rim: where a hem has rolled off farther
# than the first it is seen here and there only; the second goes as deep as knocks are looked for.
_ROLLED_MM = 1.5
_WHOLE_MM = 3.0
# Rims farther inward than that off their line form no smooth one: a corner, or a bite. The same.
_ASTRAY_MM = 2.0
# The robust line has a third difference. The same.
_FEWEST_RIMS = 4
# Five points for each of ten stretches (choice). The same.
_FEWEST_POINTS = 50
# Sigma. Cells draw an edge in stairs of half their side, 3 to 10 mm and some cells long.
_CALM_LINE_MM = 30.0


@dataclass(frozen=True, eq=False)
class EdgeBand:
    """The points beside one edge; (n,) each.

    u_mm, v_mm, height_mm : where they lie on the chart; along_mm : from the edge's first point on;
    inward_mm : from its line; width_mm : of the band; spacing_mm, noise_mm : of these points.
    """

    edge: Edge
    u_mm: Floats
    v_mm: Floats
    height_mm: Floats
    along_mm: Floats
    inward_mm: Floats
    width_mm: float
    spacing_mm: float
    noise_mm: float


def edge_bands(
    charted: ChartedPoints,
    cells: Cells,
    faces: Faces,
    skin: Mask,
    edges: tuple[Edge, ...],
    creases: tuple[Crease, ...],
) -> tuple[EdgeBand, ...]:
    """Gather the points in the band along every outline and opening, none near a body line.

    Of edges too short to say how they run by rule, none.

    Parameters
    ----------
    skin : (nu, nv) bool, cells of the skin; others hold flying points and what lies behind.
    """
    # A cell more than the band that is not judged.
    width_mm = faces.inboard_mm + cells.grid.cell_mm
    real = [e for e in edges if e.kind in _KINDS and e.length_mm >= _SHORTEST_EDGE_MM]
    if not real:
        return ()
    frames = [_frame_of(edge) for edge in real]
    nearest = _nearest_places(cells, faces, skin, real, frames, creases, width_mm)
    if not (nearest >= 0).any():
        return ()
    every = max(1, int((_DENSE_ENOUGH_MM / cells.spacing_mm) ** 2))
    uvh = _points_in(charted, cells, nearest >= 0, every)
    place = nearest[cells.grid.index(uvh[:, 0], uvh[:, 1])]
    start = np.cumsum([0, *(len(frame.place_uv) for frame in frames)])
    spacing_mm = cells.spacing_mm * float(np.sqrt(every))
    out = []
    for k, (edge, frame) in enumerate(zip(real, frames, strict=True)):
        mine = (place >= start[k]) & (place < start[k + 1])
        along, inward = frame.seen_from(place[mine] - start[k], uvh[mine, :2])
        within = np.ones(len(along), bool)
        if not edge.closed:
            within = (along >= -_PAST_END_MM) & (along <= frame.along_mm[-1] + _PAST_END_MM)
        if within.sum() < _FEWEST_POINTS:
            continue
        u, v, height = uvh[mine][within].T
        inward = inward[within]
        # The face lies to that side on which most of the points are.
        inward = np.sign(np.median(inward)) * inward
        out.append(
            EdgeBand(
                edge, u, v, height, along[within], inward, width_mm, spacing_mm, cells.noise_mm
            )
        )
    return tuple(out)


@dataclass(frozen=True, eq=False)
class _Frame:
    """An edge's line a millimetre a step: (k, 2) places, (k, 2) unit ways along, (k,) runs."""

    place_uv: Floats
    way_uv: Floats
    along_mm: Floats

    def seen_from(self, at: NDArray[np.intp], uv: Floats) -> tuple[Floats, Floats]:
        """(n,) runs along the line and distances to its left of (n, 2) chart places.

        at : (n,) the line's place nearest each.
        """
        apart, way = uv - self.place_uv[at], self.way_uv[at]
        run = self.along_mm[at] + (apart * way).sum(axis=1)
        return run, apart[:, 1] * way[:, 0] - apart[:, 0] * way[:, 1]


def _frame_of(edge: Edge) -> _Frame:
    line = edge.line_uv
    run = run_along(line)
    at = np.linspace(0.0, run[-1], max(2, round(run[-1] / _FINE_MM)) + 1)
    place = np.column_stack([np.interp(at, run, line[:, k]) for k in range(2)])
    # Cells draw an edge to half their side, and it wavers by that.
    n = min(round(3.0 * _CALM_LINE_MM / _FINE_MM), len(at) - 1)
    if edge.closed:
        padded = np.vstack([place[-1 - n : -1], place, place[1 : n + 1]])
    else:
        padded = np.pad(place, ((n, n), (0, 0)), mode="reflect", reflect_type="odd")
    padded = ndimage.gaussian_filter1d(padded, _CALM_LINE_MM / _FINE_MM, axis=0)
    place, way = padded[n : len(padded) - n], np.gradient(padded, axis=0)[n : len(padded) - n]
    return _Frame(place, way / (np.linalg.norm(way, axis=1)[:, None] + 1e-12), at)


def _nearest_places(
    cells: Cells,
    faces: Faces,
    skin: Mask,
    edges: list[Edge],
    frames: list[_Frame],
    creases: tuple[Crease, ...],
    width_mm: float,
) -> NDArray[np.int32]:
    """(nu, nv) which place, of all edges' one after another, is nearest each cell of the bands.

    -1 where no band is, or where the nearest edge is another face's.
    """
    near, label = _rim_cells(cells, faces, skin, creases, width_mm)
    out = np.full(cells.grid.shape, -1, np.int32)
    i, j = np.nonzero(near)
    if not len(i):
        return out
    centre = np.column_stack([cells.grid.u_mm[i], cells.grid.v_mm[j]])
    nearest = cKDTree(np.concatenate([frame.place_uv for frame in frames])).query(centre)[1]
    face = np.repeat([edge.face for edge in edges], [len(frame.place_uv) for frame in frames])
    out[i, j] = np.where(face[nearest] == label[i, j], nearest, -1)
    return out


def _rim_cells(
    cells: Cells, faces: Faces, skin: Mask, creases: tuple[Crease, ...], width_mm: float
) -> tuple[Mask, NDArray[np.int32]]:
    """(nu, nv) each: cells in the bands, of the rim all there are, for the skin has lost some on a
    hem's roll; and the face of every cell, those of the rim's nearest.
    """
    _, (i, j) = ndimage.distance_transform_edt(faces.label == 0, return_indices=True)
    label = np.where(skin, faces.label, faces.label[i, j])
    reach = ndimage.binary_dilation(faces.label > 0, iterations=_ROUND_THE_RIM)
    near = np.where(skin, faces.label > 0, cells.filled & reach)
    near &= faces.inside_mm <= width_mm + 2.0 * cells.grid.cell_mm
    for crease in creases:
        near &= ~near_line(cells.grid, crease.line_uv, _BODY_LINE_MM, extend_mm=2.0 * _BODY_LINE_MM)
    return near, label


def _points_in(charted: ChartedPoints, cells: Cells, wanted: Mask, every: int) -> Floats:
    """(n, 3) chart places of the points in these cells, in file order, one in so many."""
    grid = cells.grid

    def work(part: slice) -> Floats:
        rows = np.flatnonzero(charted.counted[part])[::every]
        uvh = charted.uvh[part][rows]
        return uvh[wanted[grid.index(uvh[:, 0], uvh[:, 1])]].astype(np.float64)

    return np.concatenate(by_chunks(work, len(charted.uvh)))


def off_surface(band: EdgeBand, space: SplineSpace, coefficients: Floats) -> Floats:
    """(n,) heights of a band's points above a surface, NaN where it does not reach."""
    out = np.full(len(band.u_mm), np.nan)
    on = space.covers(band.u_mm, band.v_mm)
    out[on] = band.height_mm[on] - space.rows(band.u_mm[on], band.v_mm[on]) @ coefficients
    return out


def inward_from_rim(band: EdgeBand, off_mm: Floats) -> Floats:
    """(n,) distances inward from where the outermost points lie, which cells know to a half only.

    NaN where that is no smooth line, as in a corner.

    Parameters
    ----------
    off_mm : (n,) heights of the points above the fair surface; where a hem has rolled off far is
        of no account, for scans end there here and there.
    """
    size = np.abs(off_mm)
    rolled, whole = _rims(band, size <= _ROLLED_MM), _rims(band, size <= _WHOLE_MM)
    both = np.isfinite(rolled) & np.isfinite(whole)
    if both.sum() < _FEWEST_RIMS:
        return np.full(len(off_mm), np.nan)
    # A deep knock takes the outermost points down with it, and a hem's tip is not seen everywhere.
    rim = np.fmin(rolled, whole + float(np.median((rolled - whole)[both])))
    known = np.isfinite(rim)
    step = _rim_step(band)
    line, _ = robust_line(
        np.where(known, rim, 0.0),
        known,
        step_mm=step,
        batten_mm=_RIM_BATTEN_MM,
        floor_mm=_RIM_FLOOR_MM,
    )
    place = (band.along_mm - band.along_mm.min()) / step - 0.5
    astray = ndimage.binary_dilation(np.where(known, rim, line) - line > _ASTRAY_MM)
    nearest = np.clip(np.round(place), 0, len(line) - 1).astype(int)
    inward = band.inward_mm - np.interp(place, np.arange(len(line)), line)
    return np.where(astray[nearest], np.nan, inward)


def _rim_step(band: EdgeBand) -> float:
    return max(_RIM_STEP_MM, _RIM_SPACINGS * band.spacing_mm)


def _rims(band: EdgeBand, top: Mask) -> Floats:
    """(k,) how far in the outermost points lie, a step along the edge each; NaN where few are.

    Parameters
    ----------
    top : (n,) bool, the points that count.
    """
    step = _rim_step(band)
    first = float(band.along_mm.min())
    count = max(4, int(np.ceil((band.along_mm.max() - first) / step)))
    inward = band.inward_mm[top]
    code = np.minimum(((band.along_mm[top] - first) / step).astype(int), count - 1)
    order = np.lexsort((inward, code))
    start = np.searchsorted(code[order], np.arange(count + 1))
    # Not the very outermost: single points fly.
    rank = int(_RIM_SHARE * step / band.spacing_mm) + 1
    known = np.diff(start) > rank
    rim = np.full(count, np.nan)
    rim[known] = inward[order[start[:-1][known] + rank]]
    return rim

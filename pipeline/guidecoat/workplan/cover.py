"""The cover surface of a panel: no metal is moved, filler goes over the highs.

On each face it is the fair surface plus a lift w: of all lifts that keep it on or above the panel
and are zero where the fair surface is held, the one of least

    integral w^2 + (L / 2 pi)^(2m) |grad^m w|^2.

The second term makes it fair and the first one low. Its length L is as long as the slope
tolerance asks of the highs and the edges leave room for. Sound form costs nothing: where no metal
stands proud the cover surface is the fair surface. Held steel keeps its place; filler may leave
it at an angle.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import cKDTree

from ..findings.regions import Region
from ..numerics.spline import Rows, SplineSpace, energy_band, solve
from ..panel.given import read_hold_points
from ..surface.fairing import FaceSurface
from .inputs import Checked, PanelField
from .obstacle import Lift, Obstacle

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Mask = NDArray[np.bool_]

_KNOT_MM = 20.0
_LEAST_SPANS = 12
_WATCH_MM = 8.0
_PATCH_MM = 60.0
# A ramp cannot be longer than the way to the edge; a lift that is longer only swings back higher.
_ROOM = 3.0
# A stiff lift that leaves a held edge at a slope climbs on by about this share of L; so at an edge
# it may climb as steeply as takes it to the highest high by then. What stands out of that stays
# proud, and the edge is named.
_CLIMB_SHARE = 0.2
# Greatest slope, times L over the height, of the lift over one point of a wide free panel:
# integral k^2 J1(kr) H dk / integral k H dk, H = 1 / (1 + (k L / 2 pi)^(2m)) (computed), by m.
LIFT_SLOPE = {2: 2.873, 3: 2.488}


@dataclass(frozen=True, eq=False)
class CoverNeed:
    """What covering asks for, with some highs tapped first.

    volume_mm3 : filler in place over all faces; greatest_mm : its greatest depth.
    """

    volume_mm3: float
    greatest_mm: float


@dataclass(frozen=True, eq=False)
class _FaceCover:
    """One face ready to be covered.

    where : cells at which the lift is watched, `watched` the spline's rows there, `most_mm` what
    held edges let it rise to; judged : all cells that count; volume_row : (size,) filler under
    unit coefficients, mm3; highs : names of those on it; lifts : found so far, by what is tapped.
    """

    space: SplineSpace
    obstacle: Obstacle
    where: tuple[Ints, Ints]
    watched: Rows
    most_mm: Floats
    judged: tuple[Ints, Ints]
    volume_row: Floats
    highs: frozenset[str]
    lifts: dict[frozenset[str], Lift]


class CoverSurface:
    """The cover surfaces of a panel, for any choice of highs that are tapped first."""

    def __init__(self, result: Checked, field: PanelField) -> None:
        self._field = field
        self._cells = result.cells
        self._faces = tuple(
            made
            for face in result.fair.faces
            if (made := _face_cover(result, field, face)) is not None
        )

    def lift_mm(self, tapped: Collection[str] = ()) -> Floats:
        """(nu, nv) height of the cover surface over the fair surface, NaN off the judged cells."""
        out = np.full(self._field.judged.shape, np.nan)
        for face in self._faces:
            out[face.judged] = self._rows(face) @ self._lift(face, tapped).coefficients
        return out

    def slope_mrad(self, tapped: Collection[str] = ()) -> float:
        """Greatest slope that the lift adds."""
        greatest = 0.0
        for face in self._faces:
            lift = self._lift(face, tapped).coefficients
            if not lift.any():
                continue
            along, up = self._rows(face, du=1) @ lift, self._rows(face, dv=1) @ lift
            greatest = max(greatest, 1e3 * float(np.hypot(along, up).max(initial=0.0)))
        return greatest

    def need(self, tapped: Collection[str] = ()) -> CoverNeed:
        """Filler that covering needs once these highs are tapped down."""
        panel = self.panel_mm(tapped)
        volume = greatest = 0.0
        for face in self._faces:
            lift = self._lift(face, tapped).coefficients
            volume += float(face.volume_row @ lift)
            volume -= float(panel[face.judged] @ self._field.area_mm2[face.judged])
            depth = face.watched @ lift - panel[face.where]
            greatest = max(greatest, float(depth.max(initial=0.0)))
        return CoverNeed(max(volume, 0.0), greatest)

    def energy(self, tapped: Collection[str] = ()) -> float:
        """Bending energy of the lift over all faces; it never rises as more highs are tapped."""
        return sum(self._lift(face, tapped).energy for face in self._faces)

    def panel_mm(self, tapped: Collection[str] = ()) -> Floats:
        """(nu, nv) the panel over the fair surface with these highs tapped down to it."""
        panel = np.array(self._field.height_mm)
        for high in self._field.highs:
            if high.region in tapped:
                panel[high.footprint] = np.minimum(panel[high.footprint], 0.0)
        return panel

    def _rows(self, face: _FaceCover, *, du: int = 0, dv: int = 0) -> Rows:
        u, v = self._cells.u_mm[face.judged], self._cells.v_mm[face.judged]
        return face.space.rows(u, v, du=du, dv=dv)

    def _lift(self, face: _FaceCover, tapped: Collection[str]) -> Lift:
        own = face.highs.intersection(tapped)
        if own not in face.lifts:
            bound = np.minimum(self.panel_mm(own)[face.where], face.most_mm)
            face.lifts[own] = face.obstacle.lift(bound)
        return face.lifts[own]


def lift_length_mm(
    height_mm: float, *, slope_mrad: float, order: int, from_edge_mm: float
) -> float:
    """Length L of a lift over one high: what the slope tolerance asks, if the edges leave room.

    >>> round(lift_length_mm(1.0, slope_mrad=4.0, order=3, from_edge_mm=300.0))
    622
    """
    asked = LIFT_SLOPE[order] * height_mm / (1e-3 * slope_mrad)
    return min(asked, _ROOM * from_edge_mm)


def _asked_length(result: Checked, face: FaceSurface, high: Region) -> float:
    i, j = result.cells.grid.index(np.array([high.u_mm]), np.array([high.v_mm]))
    inside = result.faces.inside_mm
    widest = 2.0 * float(inside[result.faces.label == face.face].max())
    asked = lift_length_mm(
        high.peak_mm,
        slope_mrad=result.settings.tolerance.slope_mrad,
        order=result.fair.order,
        from_edge_mm=float(inside[i[0], j[0]]),
    )
    return min(asked, widest)


def _on(region: Region, member: Mask) -> bool:
    return bool((region.footprint & member).any())


def _face_cover(result: Checked, field: PanelField, face: FaceSurface) -> _FaceCover | None:
    cells, grid = result.cells, result.cells.grid
    member = result.faces.label == face.face
    judged = member & field.judged
    if not judged.any():
        return None
    space = _space(result, member)
    held = _held_rows(result, face, space)
    where = np.nonzero(_watched(field, judged))
    watched = space.rows(cells.u_mm[where], cells.v_mm[where])
    every = np.nonzero(judged)
    rows = space.rows(cells.u_mm[every], cells.v_mm[every])
    area = field.area_mm2[every]
    highs = [high for high in field.highs if _on(high, member)]
    length = max([face.batten_mm, *(_asked_length(result, face, high) for high in highs)])
    steepest = max((high.peak_mm for high in highs), default=0.0) / (_CLIMB_SHARE * length)
    fit = solve(
        energy_band(space, order=result.fair.order),
        rows,
        np.zeros(len(area)),
        area,
        smoothing=(length / (2.0 * np.pi)) ** (2 * result.fair.order),
        held=held,
        held_values=np.zeros(0 if held is None else len(held.index)),
    )
    patch = max(1, round(_PATCH_MM / grid.cell_mm))
    block = (where[0] // patch) * (grid.shape[1] // patch + 1) + where[1] // patch
    return _FaceCover(
        space,
        Obstacle(fit.factor, watched, block),
        (where[0], where[1]),
        watched,
        _risen_mm(
            result,
            face,
            np.column_stack([cells.u_mm[where], cells.v_mm[where]]),
            steepest,
        ),
        (every[0], every[1]),
        rows.transposed(area),
        frozenset(high.region for high in highs),
        {},
    )


def _space(result: Checked, member: Mask) -> SplineSpace:
    """Knots fine enough for a lift, which is smooth: it needs no hinge at a body line."""
    grid = result.cells.grid
    i, j = np.nonzero(member)
    width = float(min(np.ptp(i), np.ptp(j)) + 1) * grid.cell_mm
    knot = max(min(_KNOT_MM, width / _LEAST_SPANS), grid.cell_mm)
    u0, v0 = grid.u0_mm - 2.0 * knot, grid.v0_mm - 2.0 * knot
    count_u, count_v = (int(np.ceil(n * grid.cell_mm / knot)) + 4 for n in grid.shape)
    active = np.zeros((count_u, count_v), bool)
    a = np.floor((grid.u_mm[i] - u0) / knot).astype(int)
    b = np.floor((grid.v_mm[j] - v0) / knot).astype(int)
    active[a, b] = True
    return SplineSpace.build(u0, v0, knot, ndimage.binary_dilation(active, np.ones((3, 3), bool)))


def _watched(field: PanelField, judged: Mask) -> Mask:
    """Every cell of a high, every other one of a low, and a lattice on the rest."""
    step = max(1, round(_WATCH_MM / field.cell_mm))
    watched = np.zeros_like(judged)
    watched[::step, ::step] = True
    for low in field.lows:
        watched[::2, ::2] |= low.footprint[::2, ::2]
        deepest = np.where(low.footprint & judged, field.height_mm, np.inf).argmin()
        watched.flat[deepest] = True
    for high in field.highs:
        watched |= high.footprint
    return np.asarray(watched & judged)


def _risen_mm(result: Checked, face: FaceSurface, place: Floats, steepest: float) -> Floats:
    """(n,) how high a lift may be asked to rise at places, -inf in the band outside a held line."""
    held, inward = _held_stations(result, face)
    if not len(held):
        return np.full(len(place), np.inf)
    nearest = cKDTree(held).query(place)[1]
    # From the line, not from its stations: between two of them it is held as well.
    away = ((place - held[nearest]) * inward[nearest]).sum(axis=1)
    return np.where(away >= 0.0, steepest * away, -np.inf)


def _held_stations(result: Checked, face: FaceSurface) -> tuple[Floats, Floats]:
    """(k, 2) chart places along the edges of a face where steel stays, and (k, 2) ways inward."""
    hold_of = result.settings.edges.hold_of
    lines = [line for line in face.edges if hold_of(line.name) != "free"]
    none = np.zeros((0, 2))
    place = np.vstack([none, *(line.station_uv[line.held] for line in lines)])
    return place, np.vstack([none, *(line.inward_uv[line.held] for line in lines)])


def _held_rows(result: Checked, face: FaceSurface, space: SplineSpace) -> Rows | None:
    """The lift is zero wherever the fair surface of this face is held."""
    place = np.vstack([_held_stations(result, face)[0], _held_points(result, face)])
    return space.rows(*place.T) if len(place) else None


def _held_points(result: Checked, face: FaceSurface) -> Floats:
    """(k, 2) chart places a user holds on this face."""
    path = result.settings.edges.hold_points_file
    if path is None:
        return np.zeros((0, 2))
    place = result.chart.to_chart(read_hold_points(path, result.scan).hold_mm)[:, :2]
    i, j = result.cells.grid.index(place[:, 0], place[:, 1])
    return np.asarray(place[result.faces.label[i, j] == face.face])

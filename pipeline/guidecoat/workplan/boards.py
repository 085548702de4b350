"""Which board, lying and pushed which way, to block a wave out of a panel with."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ..findings.regions import Region
from ..settings import PlanSettings
from ..surface.fairing import FaceSurface
from .inputs import Checked, face_at

Floats = NDArray[np.float64]

# A board that rides on as much sound metal as it bridges: half a width on either side.
_SPANS = 2.0
_FLAT_SAG_SHARE = 1.0
_TIGHTEST_BEND_MM = 400.0
_LONG_SHARE = 1.5
_STEP_DEG = 20.0
# How far in from a rim the middle of a board lies that is pushed along it: half its width (choice).
_ON_THE_RIM_MM = 15.0
# Half a millimetre over the length of a 430 mm board.
_AS_FLAT_PER_MM = 2e-5


@dataclass(frozen=True)
class Board:
    """A board for one region.

    length_mm : from the shop's boards, 0 where not even the shortest block fits; shape : `flat`,
    `flexible` or `radius`; stroke_deg : which way it lies and is pushed, from the u axis towards
    v, -90 to 90; stroke : the same in words; wave_mm : size of the wave along
    it; radius_mm : of the panel along it, + bulging, inf where flat; sagitta_mm : how far the
    panel leaves a flat board of this length; longest_flat_mm : the longest flat board that keeps
    the crown, inf where it is flat; warning : empty, or where a board would spoil the form.
    """

    length_mm: float
    shape: str
    stroke_deg: float
    stroke: str
    wave_mm: float
    radius_mm: float
    sagitta_mm: float
    longest_flat_mm: float
    warning: str

    def words(self) -> str:
        """The board and its way in one line."""
        return f"{self.length_mm:.0f} mm {self.shape} board, {self.stroke}"


def sagitta_mm(length_mm: float, curvature_per_mm: float) -> float:
    """How far an arc leaves its chord: `length^2 curvature / 8`, for flat arcs.

    >>> round(sagitta_mm(430.0, 1.0 / 2500.0), 3)
    9.245
    """
    return length_mm**2 * curvature_per_mm / 8.0


def longest_flat_mm(curvature_per_mm: float, allowed_mm: float) -> float:
    """The longest flat board that a crown leaves by no more than is allowed."""
    size = abs(curvature_per_mm)
    return float(np.sqrt(8.0 * allowed_mm / size)) if size > 0.0 else float("inf")


def choose_board(
    wave_mm: float,
    room_mm: float,
    curvature_per_mm: float,
    stroke_deg: float,
    figures: PlanSettings,
    *,
    tolerance_mm: float,
) -> Board:
    """Choose the shortest board that bridges a wave, and its shape from the panel's curvature.

    Parameters
    ----------
    wave_mm : size of the wave along the board.
    room_mm : length of the panel there; a longer board would ride over its edges.
    curvature_per_mm : of the fair surface along the board, + where it bulges outward.
    tolerance_mm : as much crown as a flat board may cut off.
    """
    shelf = sorted({figures.shortest_block_mm, *figures.boards_mm})
    fitting = [length for length in shelf if length <= room_mm]
    wanted = _SPANS * wave_mm
    length = next((b for b in fitting if b >= wanted), fitting[-1] if fitting else 0.0)
    allowed = _FLAT_SAG_SHARE * tolerance_mm
    longest = longest_flat_mm(curvature_per_mm, allowed)
    sag = sagitta_mm(length, curvature_per_mm)
    radius = 1.0 / curvature_per_mm if curvature_per_mm != 0.0 else float("inf")
    if abs(sag) <= allowed:
        shape = "flat"
    elif sag > 0.0 and radius >= _TIGHTEST_BEND_MM:
        shape = "flexible"
    else:
        shape = "radius"
    return Board(
        length,
        shape,
        stroke_deg,
        stroke_words(stroke_deg),
        wave_mm,
        radius,
        sag,
        longest,
        _warning(length, wanted, shape, sag, longest),
    )


def _warning(length: float, wanted: float, shape: str, sag: float, longest: float) -> str:
    said = []
    if length == 0.0:
        said.append("no board fits here: block by hand with a foam pad, and look often")
    elif length < wanted:
        said.append(
            f"it bridges the wave with {length:.0f} mm where {wanted:.0f} mm would be right: "
            "check often with a straight edge"
        )
    if shape == "flexible":
        said.append(
            f"a flat board of this length would cut the crown flat by {sag:.1f} mm; flat only up "
            f"to {longest:.0f} mm"
        )
    elif shape == "radius" and sag < 0.0:
        said.append(
            f"the panel is hollow here: a flat board rides on its ends, {-sag:.1f} mm off the "
            "middle; use a round-faced block"
        )
    elif shape == "radius":
        said.append(
            "the panel bends too tightly for a board: a block shaped to its radius, flat only up "
            f"to {longest:.0f} mm"
        )
    return "; ".join(said)


def stroke_words(degrees: float) -> str:
    """A stroke's direction on the map.

    >>> stroke_words(5.0), stroke_words(-85.0)
    ('left to right on the map', 'bottom to top on the map')
    >>> stroke_words(40.0)
    'at 40 degrees on the map, rising to the right'
    """
    if abs(degrees) <= _STEP_DEG:
        return "left to right on the map"
    if abs(degrees) >= 90.0 - _STEP_DEG:
        return "bottom to top on the map"
    way = "right" if degrees > 0.0 else "left"
    return f"at {abs(degrees):.0f} degrees on the map, rising to the {way}"


def board_for(result: Checked, region: Region) -> Board | None:
    """The board for one region, None where no fair surface lies under it."""
    face = face_at(result, region.u_mm, region.v_mm)
    if face is None:
        return None
    place = np.array([region.u_mm, region.v_mm])
    inward = _inward(result, region)
    if inward is None:
        degrees, wave = _wave(result, region, face)
    else:
        degrees, wave = _along_edge(result, region, inward)
        place = place + _ON_THE_RIM_MM * inward
    way = np.array([np.cos(np.radians(degrees)), np.sin(np.radians(degrees))])
    return choose_board(
        wave,
        _room_mm(result, face.face, place, way),
        curvature_along(result, face, place, way),
        degrees,
        result.settings.plan,
        tolerance_mm=result.settings.tolerance.height_mm,
    )


def curvature_along(result: Checked, face: FaceSurface, place: Floats, way: Floats) -> float:
    """Normal curvature (1/mm) of the fair surface at a chart place, + where it bulges outward."""
    u, v = place[:1], place[1:]
    c = face.fit.coefficients

    def at(du: int, dv: int) -> float:
        return float((face.space.rows(u, v, du=du, dv=dv) @ c)[0])

    a, b = float(way[0]), float(way[1])
    slope = a * at(1, 0) + b * at(0, 1)
    bend = a * a * at(2, 0) + 2.0 * a * b * at(1, 1) + b * b * at(0, 2)
    return float(result.chart.curvature_per_mm * b * b - bend / (1.0 + slope**2) ** 1.5)


def _inward(result: Checked, region: Region) -> Floats | None:
    """(2,) unit way off the edge that a region lies in or runs out over, at its peak."""
    lines = [line for line in result.edges if line.name == region.edge and len(line.station_uv)]
    if not lines:
        return None
    gaps = np.hypot(*(lines[0].station_uv - [region.u_mm, region.v_mm]).T)
    return lines[0].inward_uv[int(gaps.argmin())]


def _along_edge(result: Checked, region: Region, inward: Floats) -> tuple[float, float]:
    """Direction (degrees) along an edge, and the size of a region along it (mm).

    Across it a board would tip over the rim.
    """
    along = np.array([-inward[1], inward[0]])
    grid = result.cells.grid
    places = np.argwhere(region.footprint) @ along * grid.cell_mm
    return _degrees(along), float(np.ptp(places)) + grid.cell_mm if len(places) else grid.cell_mm


def _wave(result: Checked, region: Region, face: FaceSurface) -> tuple[float, float]:
    """Direction (degrees) that crosses a region's wave, and the wave's size along it (mm)."""
    place = np.argwhere(region.footprint).astype(np.float64) * result.cells.grid.cell_mm
    if region.kind == "ripple":
        return _ripple_wave(result, region)
    spread = np.cov(place.T) if len(place) > 2 else np.eye(2)
    values, vectors = np.linalg.eigh(spread)
    if region.length_mm >= _LONG_SHARE * region.width_mm or values[1] > _LONG_SHARE**2 * values[0]:
        return _degrees(vectors[:, 0]), region.width_mm
    # A round mark may be crossed any way: the board lies the way the panel is flattest.
    return _flattest(result, region, face), region.width_mm


def _flattest(result: Checked, region: Region, face: FaceSurface) -> float:
    place = np.array([region.u_mm, region.v_mm])
    angles = np.arange(-75.0, 91.0, 15.0)
    bends = [
        abs(curvature_along(result, face, place, np.array([np.cos(a), np.sin(a)])))
        for a in np.radians(angles)
    ]
    # Of ways that are as flat, the one nearest to side to side.
    limit = min(bends) + _AS_FLAT_PER_MM
    flat = [a for a, bend in zip(angles, bends, strict=True) if bend <= limit]
    return float(min(flat, key=lambda a: (abs(a), a)))


def _ripple_wave(result: Checked, region: Region) -> tuple[float, float]:
    """Way of the steepest change within a patch of ripple, and the wavelength along it."""
    smooth = result.deviation.smooth_mm
    inside = region.footprint & np.isfinite(smooth)
    slope_u, slope_v = np.gradient(np.where(np.isfinite(smooth), smooth, 0.0))
    core = ndimage.binary_erosion(inside)
    core = core if core.any() else inside
    gradient = np.column_stack([slope_u[core], slope_v[core]])
    values, vectors = np.linalg.eigh(gradient.T @ gradient / len(gradient))
    rms = max(float(smooth[core].std()), 1e-9)
    # Central differences over a cell h see a wave of number k along an axis as sin(k h) / h.
    seen = np.sqrt(max(values[1], 0.0)) / rms * vectors[:, 1]
    number = np.arcsin(np.clip(seen, -1.0, 1.0)) / result.cells.grid.cell_mm
    size = float(np.hypot(*number))
    wavelength = 2.0 * np.pi / size if size > 0.0 else region.width_mm
    return _degrees(number), min(wavelength, region.length_mm)


def _degrees(way: Floats) -> float:
    angle = float(np.degrees(np.arctan2(way[1], way[0])))
    return (angle + 90.0) % 180.0 - 90.0


def _room_mm(result: Checked, face: int, place: Floats, way: Floats) -> float:
    """Length of the face through a place, along a way."""
    grid = result.cells.grid
    step = grid.cell_mm
    reach = step * np.arange(1, int(np.hypot(*grid.shape)) + 1)
    length = step
    for sign in (1.0, -1.0):
        track = place + sign * reach[:, None] * way
        i = np.floor((track[:, 0] - grid.u0_mm) / step).astype(int)
        j = np.floor((track[:, 1] - grid.v0_mm) / step).astype(int)
        there = (i >= 0) & (j >= 0) & (i < grid.shape[0]) & (j < grid.shape[1])
        on = np.zeros(len(reach), bool)
        on[there] = result.faces.label[i[there], j[there]] == face
        length += step * float(on.size if on.all() else on.argmin())
    return length

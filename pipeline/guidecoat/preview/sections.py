"""Sections: the scan and the fair surface cut by planes, across, along, or between two points."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ..errors import SettingsError
from ..findings.regions import Region
from ..measuring.deviation import NOT_JUDGED, Deviation, is_judged
from ..outline.faces import Faces
from ..scans.scan import Scan
from ..surface.fair_points import FairPoints, fair_points
from ..surface.fairing import FairSurface
from ..unrolling.cells import Cells
from ..unrolling.chart import Chart

Floats = NDArray[np.float64]

ACROSS, ALONG, PICKED = "across", "along", "picked"
MOST_STATIONS = 50

_STEP_CELLS = 0.5
_OFF_PANEL_MM = 25.0
_SHORTEST_MM = 20.0
_ROUNDS = 6
_LEAST_SEEN = 0.5
_LEAST_JUDGED = 0.3
_PINHOLE_MM = 10.0


@dataclass(frozen=True, eq=False)
class Panel:
    """What a section is cut from."""

    chart: Chart
    cells: Cells
    faces: Faces
    fair: FairSurface
    deviation: Deviation
    regions: tuple[Region, ...]


@dataclass(frozen=True)
class Crossing:
    """A region that a section runs through: its name and kind, and the run it covers, mm."""

    region: str
    kind: str
    from_mm: float
    to_mm: float
    peak_mm: float


@dataclass(frozen=True, eq=False)
class Section:
    """One plane cut, sampled at n places about half a cell apart; NaN where nothing is known.

    name : X1 ... across, Y1 ... along, P1 ... between picked points; kind; where : in words;
    run_mm : (n,) distance along the fair surface; uv_mm : (n, 2) on the chart;
    points_mm : (n, 3) of the fair surface, local mm; fair_mm : (n, 2) the same in the cutting
    plane, its first axis along the chord between the ends, its second outward;
    scan_mm : (n, 2) of the scan there; deviation_mm : (n,) of the cells, along the fair surface's
    normal, + is high; smooth_mm : (n,) the same, smoothed as for its slope; status : (n,) codes of
    `deviation`; crossings : the regions cut.
    """

    name: str
    kind: str
    where: str
    run_mm: Floats
    uv_mm: Floats
    points_mm: Floats
    fair_mm: Floats
    scan_mm: Floats
    deviation_mm: Floats
    smooth_mm: Floats
    status: NDArray[np.uint8]
    crossings: tuple[Crossing, ...]

    @property
    def length_mm(self) -> float:
        """Tape length along the fair surface."""
        return float(self.run_mm[-1])

    @property
    def share_judged(self) -> float:
        """Share of the places on metal that was judged."""
        return float(is_judged(self.status).mean())

    @property
    def stretches(self) -> tuple[slice, ...]:
        """The stretches to draw and to cut: judged, with the held bands that border on them.

        A pinhole of a cell or of 10 mm parts no stretch; one shorter than 20 mm is none.
        """
        fair: NDArray[np.bool_] = np.asarray(np.isfinite(self.fair_mm).all(axis=1))
        here = np.flatnonzero(fair & (self.status != NOT_JUDGED))
        near = np.diff(self.run_mm[here]) <= self._pinhole_mm
        covered = np.concatenate([[0], np.cumsum(~fair)])[:-1][here]
        runs = np.split(here, np.flatnonzero(~near | (np.diff(covered) > 0)) + 1)
        return tuple(
            self._to_the_ends(int(run[0]), int(run[-1]), fair)
            for run in runs
            if len(run)
            and is_judged(self.status[run]).any()
            and self.run_mm[run[-1]] - self.run_mm[run[0]] >= _SHORTEST_MM
        )

    @property
    def _pinhole_mm(self) -> float:
        # Places lie half a cell apart: over one cell it is three steps from known to known.
        return max(_PINHOLE_MM, 3.5 * float(np.median(np.diff(self.run_mm))))

    def _to_the_ends(self, first: int, last: int, fair: NDArray[np.bool_]) -> slice:
        """A stretch, lengthened to the section's own end where that is a pinhole off."""
        if self.run_mm[first] <= self._pinhole_mm and fair[:first].all():
            first = 0
        if self.length_mm - self.run_mm[last] <= self._pinhole_mm and fair[last:].all():
            last = len(fair) - 1
        return slice(first, last + 1)

    def within(self, line: Floats) -> Floats:
        """(n, ...) values along the section, NaN where it is neither judged nor held."""
        kept = np.full_like(line, np.nan)
        for stretch in self.stretches:
            kept[stretch] = line[stretch]
        return kept


def require_stations(count: int) -> None:
    """Refuse a number of stations that cannot be cut.

    Raises
    ------
    SettingsError : count is not 1 to 50.
    """
    if not 1 <= count <= MOST_STATIONS:
        raise SettingsError(
            f"--sections {count}: choose 1 to {MOST_STATIONS} stations across and along"
        )


def line_ends(text: str) -> tuple[float, ...]:
    """The six numbers of X1,Y1,Z1,X2,Y2,Z2.

    Raises
    ------
    SettingsError : they are not six finite numbers.

    >>> line_ends("0,0,0,100,0,2.5")
    (0.0, 0.0, 0.0, 100.0, 0.0, 2.5)
    """
    try:
        numbers = tuple(float(part) for part in text.split(","))
    except ValueError:
        numbers = ()
    if len(numbers) != 6 or not np.isfinite(numbers).all():
        raise SettingsError(
            f'--section-line "{text}": needs 6 numbers, X1,Y1,Z1,X2,Y2,Z2: two points of the '
            "scan in its own units"
        )
    return numbers


def cut_stations(panel: Panel, count: int) -> tuple[Section, ...]:
    """Cut a panel at `count` evenly spaced stations across it and as many along it.

    A station of which less than 30 % was judged is left out; its neighbours keep their names.

    Raises
    ------
    SettingsError : count is not 1 to 50.
    """
    require_stations(count)
    on_face = np.argwhere(panel.faces.label > 0)
    grid = panel.cells.grid
    low, high = on_face.min(axis=0), on_face.max(axis=0) + 1
    share = np.arange(1, count + 1) / (count + 1)
    found = []
    for axis, letter, kind in ((0, "X", ACROSS), (1, "Y", ALONG)):
        corner = grid.u0_mm if axis == 0 else grid.v0_mm
        places = corner + grid.cell_mm * (low[axis] + share * (high[axis] - low[axis]))
        other = grid.v0_mm if axis == 0 else grid.u0_mm
        start, end = other + grid.cell_mm * low[1 - axis], other + grid.cell_mm * high[1 - axis]
        for number, place in enumerate(places, start=1):
            run = _steps(start, end, grid.cell_mm)
            fixed = np.full(len(run), place)
            uv = np.column_stack([fixed, run] if axis == 0 else [run, fixed])
            words = f"across at u = {place:.0f} mm" if axis == 0 else f"along at v = {place:.0f} mm"
            section = _section(panel, f"{letter}{number}", kind, words, uv)
            if section is not None and section.stretches and section.share_judged >= _LEAST_JUDGED:
                found.append(section)
    return tuple(found)


def cut_line(panel: Panel, scan: Scan, name: str, ends: Floats) -> Section:
    """Cut a panel between two picked points, by the plane through both and the normal amid them.

    Parameters
    ----------
    ends : (2, 3) x, y, z in the scan's own units and frame.

    Raises
    ------
    SettingsError : a point lies over 25 mm off the panel, both are within 20 mm, or nothing
        between them was judged.
    """
    local = (np.asarray(ends, np.float64) - scan.origin) * scan.units.mm_per_unit
    if np.linalg.norm(local[1] - local[0]) < _SHORTEST_MM:
        raise SettingsError(
            f"--section-line: its two points are {np.linalg.norm(local[1] - local[0]):.1f} mm "
            f"apart; pick two at least {_SHORTEST_MM:g} mm apart"
        )
    uvh = panel.chart.to_chart(local)
    at_ends = _fair_at(panel, uvh[:, :2])
    away = np.linalg.norm(local - at_ends.points_mm, axis=1)
    for point, off in zip(ends, away, strict=True):
        if not off <= _OFF_PANEL_MM:
            how = f"{off:.0f} mm off" if np.isfinite(off) else "beyond the edges of"
            raise SettingsError(
                f"--section-line: the point {point[0]:g}, {point[1]:g}, {point[2]:g} lies {how} "
                "the judged panel: pick both points on the scan, in its own units"
            )
    steps = _steps(0.0, float(np.linalg.norm(uvh[1, :2] - uvh[0, :2])), panel.cells.grid.cell_mm)
    share = steps / steps[-1]
    uv = _into_plane(panel, uvh[0, :2] + share[:, None] * (uvh[1, :2] - uvh[0, :2]), at_ends, share)
    section = _section(panel, name, PICKED, "between two picked points", uv)
    if section is None or not section.stretches:
        raise SettingsError(
            "--section-line: nothing was judged between its two points: pick two on judged metal"
        )
    return section


def _steps(start: float, end: float, cell_mm: float) -> Floats:
    count = max(2, round((end - start) / (_STEP_CELLS * cell_mm)) + 1)
    return np.linspace(start, end, count)


def _fair_at(panel: Panel, uv: Floats) -> FairPoints:
    return fair_points(panel.chart, panel.cells, panel.faces, panel.fair, uv[:, 0], uv[:, 1])


def _into_plane(panel: Panel, uv: Floats, ends: FairPoints, share: Floats) -> Floats:
    """Move chart places so that they lie in the plane of the picked points, evenly along it."""
    first, last = ends.points_mm
    chord = (last - first) / np.linalg.norm(last - first)
    side = np.cross(ends.normals.mean(axis=0), chord)
    side /= np.linalg.norm(side)
    for _ in range(_ROUNDS):
        here = _fair_at(panel, uv)
        off = here.points_mm - first
        wanted = np.column_stack([share * ((last - first) @ chord) - off @ chord, -(off @ side)])
        turn = np.stack(
            [
                np.column_stack([here.along_u @ chord, here.along_v @ chord]),
                np.column_stack([here.along_u @ side, here.along_v @ side]),
            ],
            axis=1,
        )
        known = np.isfinite(wanted).all(axis=1) & np.isfinite(turn).all(axis=(1, 2))
        uv = uv.copy()
        uv[known] += np.linalg.solve(turn[known], wanted[known][:, :, None])[:, :, 0]
    return uv


def _section(panel: Panel, name: str, kind: str, where: str, uv: Floats) -> Section | None:
    """The section along chart places in one plane, from its first to its last known one."""
    fair = _fair_at(panel, uv)
    known = np.flatnonzero(np.isfinite(fair.points_mm[:, 0]))
    if len(known) < 3:
        return None
    keep = slice(int(known[0]), int(known[-1]) + 1)
    uv, points, normals = uv[keep], fair.points_mm[keep], fair.normals[keep]
    along, up = _plane_axes(points, normals)
    profile = np.column_stack([(points - points[0]) @ along, (points - points[0]) @ up])
    deviation = _sampled(panel, panel.deviation.cell_mm, uv)
    in_plane = np.column_stack([normals @ along, normals @ up])
    # Cut at a slant, the same gap measures more: by one over the part of the normal in the plane.
    scan = profile + (deviation / (in_plane**2).sum(axis=1))[:, None] * in_plane
    step = np.linalg.norm(np.diff(points, axis=0), axis=1)
    straight = np.linalg.norm(np.diff(uv, axis=0), axis=1)
    run = np.concatenate([[0.0], np.cumsum(np.where(np.isfinite(step), step, straight))])
    i, j = panel.cells.grid.index(uv[:, 0], uv[:, 1])
    return Section(
        name,
        kind,
        where,
        run,
        uv,
        points,
        profile,
        scan,
        deviation,
        _sampled(panel, panel.deviation.smooth_mm, uv),
        panel.deviation.cell_status[i, j],
        _crossings(panel.regions, run, i, j),
    )


def _plane_axes(points: Floats, normals: Floats) -> tuple[Floats, Floats]:
    """The chord's direction and the outward one in the plane of a planar line."""
    chord = points[-1] - points[0]
    chord = chord / np.linalg.norm(chord)
    known = np.isfinite(points[:, 0])
    rest = points[known] - points[0]
    rest = rest - np.outer(rest @ chord, chord)
    mean = normals[known].mean(axis=0)
    mean = mean - (mean @ chord) * chord
    # A line that bows enough gives its plane itself; a straight one takes the mean normal's.
    bow = float(np.linalg.norm(rest, axis=1).max())
    bows = bow > 1e-3 * float(np.linalg.norm(points[-1] - points[0]))
    up = np.linalg.eigh(rest.T @ rest)[1][:, 2] if bows else mean
    up = up / np.linalg.norm(up)
    return np.asarray(chord), np.asarray(up if up @ mean >= 0 else -up)


def _sampled(panel: Panel, field: Floats, uv: Floats) -> Floats:
    """A field of the cells at chart places, bilinear over the cells that know it."""
    grid = panel.cells.grid
    at = np.stack(
        [
            (uv[:, 0] - grid.u0_mm) / grid.cell_mm - 0.5,
            (uv[:, 1] - grid.v0_mm) / grid.cell_mm - 0.5,
        ]
    )
    known = np.isfinite(field)
    weight = ndimage.map_coordinates(known.astype(np.float64), at, order=1)
    total = ndimage.map_coordinates(np.where(known, field, 0.0), at, order=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(weight >= _LEAST_SEEN, total / weight, np.nan)


def _crossings(
    regions: tuple[Region, ...], run: Floats, i: NDArray[np.intp], j: NDArray[np.intp]
) -> tuple[Crossing, ...]:
    found = []
    for region in regions:
        inside = np.flatnonzero(region.core[i, j])
        if len(inside):
            first, last = float(run[inside[0]]), float(run[inside[-1]])
            found.append(Crossing(region.region, region.kind, first, last, region.peak_mm))
    return tuple(found)

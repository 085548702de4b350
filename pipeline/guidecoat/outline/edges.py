"""Edges of a face: where they run, what is held there, and the dings in them."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import cKDTree

from ..lines.crease import Crease
from ..unrolling.cells import Cells
from ..unrolling.polylines import length_mm, run_along
from .faces import BEHIND, LINE, OFF, STRIP, Faces, depth
from .jumps import height_jumps
from .rims import bays, joined, rim_lines, torn, winding_bays

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

_LEAST_STATION_MM = 10.0
# A rim has a corner where it turns so far from so much before a place to as much after it (choice:
# a bow along an edge turns less, a panel's round corners of 50 mm and less turn that much).
_CORNER_DEG = 40.0
_CORNER_REACH_MM = 70.0
_SHORTEST_EDGE_MM = 40.0
# So near a rim a soft body line's end runs out over it: half of what lines are carried on by at
# most when they end short of the skin's edge (choice).
_CROSSING_MM = 40.0
# Beyond the band that is not trusted, a rim so near a parting line runs along it: the line's
# barrier of 9 mm, and what cells and the tracing are off (choice).
_BY_A_LINE_MM = 22.0
# What lies beyond a rim is looked for so many cells beyond that band (choice).
_BEYOND_CELLS = 4.0
# Cells: stations lie just inside the band that is not trusted, and the panel ends a quarter of one
# beyond the outermost cells' middles: at a cut edge they hang over by half, at a hem by none;
# it is the mean of both.
_STATION_CELLS, _RIM_CELLS = 0.75, 0.25
# The outline is named A to N, as O is for openings; then A1, A2 ...
_LETTERS = 14
_TORN = "torn"

BORDER = "border"
"""Kind of a rim beyond which the skin goes on unjudged: held as edges are, and no edge."""

# Places of a rim, 2 mm apart, that are looked at together for a hem, and the share that shows it.
_HEM_WINDOW, _MOSTLY_HEMMED = 30, 0.6
# Skin that goes on beyond a face is that near its height, carried on: farther off it is another
# part. As a jump between cells is.
_GOES_ON_MM = 4.0


@dataclass(frozen=True, eq=False)
class Edge:
    """One side of a face between two corners, or the closed rim of an opening.

    name : "A", "B" ... round the outline, "O1" ... openings, "S1" ... along a body line;
    kind : outline | opening | sharp | step | border; face : its number; line_uv : (k, 2) where it
    runs on the chart; station_uv : (s, 2) a little inboard of it, where the surface is held;
    inward_uv : (s, 2) unit, into the face; closed : whether it runs round;
    length_mm : tape length; station_mm : between stations; body_line_uv : (b, 2) the body line or
    step that it runs along, None where it is an edge of the panel.
    """

    name: str
    kind: str
    face: int
    line_uv: Floats
    station_uv: Floats
    inward_uv: Floats
    closed: bool
    length_mm: float
    station_mm: float
    body_line_uv: Floats | None = None

    @property
    def tape_uv(self) -> Floats:
        """(k, 2) where a tape to it ends: at the line itself, not at the band along it."""
        return self.line_uv if self.body_line_uv is None else self.body_line_uv


def find_edges(
    cells: Cells,
    faces: Faces,
    creases: tuple[Crease, ...],
    *,
    knot_mm: float = _LEAST_STATION_MM,
) -> tuple[Edge, ...]:
    """Find the edges of every face, cut at corners and where what lies beyond them changes.

    Parameters
    ----------
    knot_mm : between the knots of the surface to come; stations closer than that would ask it for
        what its knots cannot do.
    """
    step = max(knot_mm, _LEAST_STATION_MM)
    found: list[Edge] = []
    side = cells.grid.cell_mm
    level = faces.inboard_mm + _STATION_CELLS * side
    for face, inside, line, kind, closed in _all_pieces(cells, faces, creases):
        if kind == _TORN:
            continue
        place, inward, spacing = _stations(line, inside, cells, closed, step)
        outer = place - (level - _RIM_CELLS * side) * inward
        ring = np.vstack([outer, outer[:1]]) if closed else outer
        length = length_mm(ring)
        along = _body_line(outer, kind, creases)
        found.append(Edge("", kind, face, ring, place, inward, closed, length, spacing, along))
    return _named(found)


def torn_rims(cells: Cells, faces: Faces, creases: tuple[Crease, ...]) -> tuple[float, float]:
    """Length (mm) of the rims at which only the scan ends, and the area (cm2) of the bays between
    them and straight lines across: at least so much is missing there.
    """
    stretches: list[Floats] = []
    for _face, _inside, line, kind, _closed in _all_pieces(cells, faces, creases):
        if kind != _TORN:
            continue
        # One goes on round the corners it was cut at.
        if stretches and np.array_equal(stretches[-1][-1], line[0]):
            stretches[-1] = np.vstack([stretches[-1], line[1:]])
        else:
            stretches.append(line)
    length, area = 0.0, 0.0
    for line in stretches:
        step, from_first = np.diff(line, axis=0), line[:-1] - line[0]
        length += float(np.linalg.norm(step, axis=1).sum())
        swept = from_first[:, 0] * step[:, 1] - from_first[:, 1] * step[:, 0]
        area += 0.5 * abs(float(swept.sum())) / 100.0
    return length, area


def _all_pieces(
    cells: Cells, faces: Faces, creases: tuple[Crease, ...]
) -> Iterator[tuple[int, Floats, Floats, str, bool]]:
    """Every piece of all rims: its face and how deep that is, its line, kind, whether it closes."""
    side = cells.grid.cell_mm
    between = _between_faces(cells, faces)
    for face in range(1, faces.count + 1):
        inside = depth(faces.label == face, side)
        for rim in rim_lines(inside, cells.grid, faces.inboard_mm + _STATION_CELLS * side):
            if length_mm(rim[0]) < 2.0 * _SHORTEST_EDGE_MM:
                continue
            for piece in _pieces(rim, inside, face, cells, faces, creases, between):
                yield face, inside, *piece


def _body_line(outer: Floats, kind: str, creases: tuple[Crease, ...]) -> Floats | None:
    """(b, 2) the parting line that most of an edge runs along, if it is not the panel's."""
    lines = [c.line_uv for c in creases if c.parts and c.kind == kind]
    if not lines:
        return None
    away = [float(np.median(cKDTree(line).query(outer)[0])) for line in lines]
    return lines[int(np.argmin(away))]


def _pieces(
    rim: tuple[Floats, bool],
    inside: Floats,
    face: int,
    cells: Cells,
    faces: Faces,
    creases: tuple[Crease, ...],
    between: Mask,
) -> list[tuple[Floats, str, bool]]:
    """The rim cut at its corners and where what lies beyond it changes."""
    line, closed = rim
    kind = _kinds(line, face, cells, faces, creases, between)
    cuts = _corners(line, closed)
    inward = _inward(line, inside, cells)
    ends = (kind == "outline") | (kind == "opening")
    side = cells.grid.cell_mm
    scan_ends = _torn(
        line, inward, cuts, closed=closed, cell_mm=side, outline=_majority(kind) == "outline"
    )
    kind[ends & scan_ends & ~_hemmed(line, inward, cells, faces.inboard_mm)] = _TORN
    if closed and (kind == "opening").all():
        return [(line, "opening", True)]
    change = np.flatnonzero(kind != np.roll(kind, 1))
    change = change if closed else change[change > 0]
    cuts = np.unique(np.concatenate([cuts, change, _crossings(line, creases)])).astype(int)
    if closed and len(cuts) < 2:
        return [(line, _majority(kind), True)]
    if closed:
        line, kind = np.roll(line, -cuts[0], axis=0), np.roll(kind, -cuts[0])
        cuts = np.concatenate([cuts - cuts[0], [len(line)]])
        line, kind = np.vstack([line, line[:1]]), np.concatenate([kind, kind[:1]])
    else:
        cuts = np.unique(np.concatenate([[0], cuts, [len(line) - 1]]))
    parts = []
    for a, b in itertools.pairwise(cuts):
        part = line[a : b + 1]
        length = length_mm(part)
        if length >= _SHORTEST_EDGE_MM:
            parts.append((part, _majority(kind[a : b + 1]), False))
    return parts


def _torn(
    line: Floats,
    inward: Floats,
    corners: NDArray[np.intp],
    *,
    closed: bool,
    cell_mm: float,
    outline: bool,
) -> NDArray[np.bool_]:
    """(k,) places of a rim at which only the scan ends."""
    out = torn(line, closed=closed, cell_mm=cell_mm)
    if outline:
        out |= winding_bays(line, closed=closed, cell_mm=cell_mm)
    if closed and len(corners) < 2:
        return joined(out, closed=closed)
    stops = corners if closed else np.unique(np.concatenate([[0], corners, [len(line) - 1]]))
    stops = np.append(stops, stops[0] + len(line)) if closed else stops
    for a, b in itertools.pairwise(stops):
        side = np.arange(a, b + 1) % len(line)
        out[side[bays(line[side], inward[side], cell_mm=cell_mm)]] = True
    return joined(out, closed=closed)


def _hemmed(line: Floats, inward: Floats, cells: Cells, inboard_mm: float) -> NDArray[np.bool_]:
    """(k,) places of a rim along most of which two skins lie: a hem's return shows the edge."""
    place = line - inboard_mm * inward
    layers = ndimage.maximum_filter(cells.layered, size=3)
    there = layers[cells.grid.index(place[:, 0], place[:, 1])].astype(np.float64)
    return np.asarray(ndimage.uniform_filter1d(there, _HEM_WINDOW) > _MOSTLY_HEMMED)


def _crossings(line: Floats, creases: tuple[Crease, ...]) -> NDArray[np.intp]:
    """Where soft body lines run out over a rim: an edge line turns there as the skin does."""
    places = [
        int(distance.argmin())
        for crease in creases
        if not crease.parts
        for end in (crease.line_uv[0], crease.line_uv[-1])
        if (distance := np.linalg.norm(line - end, axis=1)).min() < _CROSSING_MM
    ]
    return np.array(places, np.intp)


def _majority(kind: NDArray[np.str_]) -> str:
    names, counts = np.unique(kind, return_counts=True)
    return str(names[counts.argmax()])


def _kinds(
    line: Floats,
    face: int,
    cells: Cells,
    faces: Faces,
    creases: tuple[Crease, ...],
    between: Mask,
) -> NDArray[np.str_]:
    """What lies beyond each point of a rim: the outline, an opening, a line that parts, or the
    border of skin that is not judged.
    """
    kind = np.full(len(line), "outline", dtype="<U8")
    if faces.openings.any():
        away = ndimage.distance_transform_edt(~faces.openings) * cells.grid.cell_mm
        i, j = cells.grid.index(line[:, 0], line[:, 1])
        kind[away[i, j] < faces.inboard_mm + _BEYOND_CELLS * cells.grid.cell_mm] = "opening"
    reach = faces.inboard_mm + _BEYOND_CELLS * cells.grid.cell_mm
    kind[_goes_on(line, face, cells, faces, between, reach)] = BORDER
    for crease in creases:
        if crease.parts:
            near = cKDTree(crease.line_uv).query(line)[0]
            kind[near < faces.inboard_mm + _BY_A_LINE_MM] = crease.kind
    # A run shorter than an edge may be takes the kind around it.
    for name in np.unique(kind):
        runs, count = ndimage.label(kind == name)
        for k in range(1, count + 1):
            run = runs == k
            if run.sum() * 2.0 < _SHORTEST_EDGE_MM and not run.all():
                kind[run] = kind[(np.flatnonzero(run)[0] - 1) % len(kind)]
    return kind


def _between_faces(cells: Cells, faces: Faces) -> Mask:
    """(nu, nv) cells of the skin between faces: bands of lines, and strips."""
    skin = cells.filled & (faces.reason != OFF)
    line = skin & (faces.reason == LINE)
    # The band of a jump in height is the rim's own; that of a line ends nowhere on the panel.
    line = line & ~height_jumps(cells, skin) if line.any() else line
    return np.asarray(line | (skin & (faces.reason == STRIP)))


def _goes_on(
    line: Floats, face: int, cells: Cells, faces: Faces, between: Mask, reach_mm: float
) -> NDArray[np.bool_]:
    """(k,) where the skin goes on beyond a rim's points: a line's band, a strip, another face."""
    another = cells.filled & (faces.label > 0) & (faces.label != face)
    other = between | (another & (faces.reason != BEHIND))
    if not other.any():
        return np.zeros(len(line), bool)
    away, (near_i, near_j) = ndimage.distance_transform_edt(~other, return_indices=True)
    i, j = cells.grid.index(line[:, 0], line[:, 1])
    to = near_i[i, j], near_j[i, j]
    carried = cells.height_mm[i, j]
    carried = carried + np.nan_to_num(cells.slope_u[i, j]) * (cells.u_mm[to] - cells.u_mm[i, j])
    carried = carried + np.nan_to_num(cells.slope_v[i, j]) * (cells.v_mm[to] - cells.v_mm[i, j])
    # Over a drop-out nothing tells them apart.
    level = ~(np.abs(cells.height_mm[to] - carried) > _GOES_ON_MM)
    return np.asarray(level & (away[i, j] * cells.grid.cell_mm < reach_mm))


def _corners(line: Floats, closed: bool) -> NDArray[np.intp]:
    """Places where the rim turns by over 40 degrees within 70 mm, one per corner."""
    step = float(np.median(np.linalg.norm(np.diff(line, axis=0), axis=1)))
    n = max(2, int(_CORNER_REACH_MM / step))
    if len(line) < 4 * n:
        return np.array([], np.intp)
    ahead, behind = np.roll(line, -n, axis=0) - line, line - np.roll(line, n, axis=0)
    cross = behind[:, 0] * ahead[:, 1] - behind[:, 1] * ahead[:, 0]
    turn = np.degrees(np.abs(np.arctan2(cross, (ahead * behind).sum(axis=1))))
    if not closed:
        turn[:n] = turn[-n:] = 0.0
    greatest = ndimage.maximum_filter1d(turn, 2 * n + 1, mode="wrap" if closed else "constant")
    peaks = np.flatnonzero((turn == greatest) & (turn > _CORNER_DEG))
    return peaks[np.diff(peaks, prepend=-n) > n // 2]


def _stations(
    line: Floats, inside: Floats, cells: Cells, closed: bool, step_mm: float
) -> tuple[Floats, Floats, float]:
    """Evenly spaced stations on a rim, the unit direction into the face, and their spacing.

    They keep half a step from the ends: two edges meet at a corner, and their lines never agree
    there to a micrometre.
    """
    ring = np.vstack([line, line[:1]]) if closed else line
    along = run_along(ring)
    count = max(4, round(along[-1] / step_mm))
    spacing = float(along[-1] / count)
    t = spacing * (np.arange(count) + (0.0 if closed else 0.5))
    place = np.column_stack([np.interp(t, along, ring[:, k]) for k in range(2)])
    return place, _inward(place, inside, cells), spacing


def _inward(place: Floats, inside: Floats, cells: Cells) -> Floats:
    """(n, 2) unit ways into the face at chart places."""
    slope_u, slope_v = np.gradient(ndimage.gaussian_filter(inside, 1.5))
    i, j = cells.grid.index(place[:, 0], place[:, 1])
    inward = np.column_stack([slope_u[i, j], slope_v[i, j]])
    return np.asarray(inward / (np.linalg.norm(inward, axis=1)[:, None] + 1e-12))


def _named(edges: list[Edge]) -> tuple[Edge, ...]:
    """Name edges: the outline clockwise from the top as A, B ...; O1 ... openings; S1 ... lines."""
    if not edges:
        return ()
    centre = np.vstack([e.station_uv for e in edges]).mean(axis=0)

    def clockwise(edge: Edge) -> float:
        middle = edge.station_uv[len(edge.station_uv) // 2] - centre
        return float((np.arctan2(middle[0], middle[1]) + 0.25 * np.pi) % (2.0 * np.pi))

    letters = [chr(65 + k) for k in range(_LETTERS)] + [f"A{k}" for k in range(1, len(edges) + 1)]
    prefix = {"outline": "", "opening": "O", "sharp": "S", "step": "S", BORDER: "T"}
    counts = {"": 0, "O": 0, "S": 0, "T": 0}
    out = []
    for edge in sorted(edges, key=clockwise):
        kind = prefix[edge.kind]
        counts[kind] += 1
        name = f"{kind}{counts[kind]}" if kind else letters[counts[""] - 1]
        out.append(replace(edge, name=name))
    return tuple(out)

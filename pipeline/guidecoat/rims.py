"""Rims of a skin: where the panel ends, and where only the scan does."""

from __future__ import annotations

import numpy as np
from contourpy import contour_generator
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import cKDTree

from .chart import Grid
from .ridges import smooth_line

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Figures tried on rims drawn by cells of 3.6 to 9.2 mm: 16 panels whose edges are sound, straight,
# arched, hemmed or rounded at corners, and 100 holes of blobs 8 to 45 mm wide. A choice has no
# better reason than that.

_STATION_MM = 2.0
_CALM_MM = 5.0
# Looks along a rim: over so long a piece every edge is nearly a parabola, an arch of 300 mm radius
# too, and a torn rim is not; of a short rim a quarter, that of a small round hole the least.
_LOOK_MM = (60.0, 100.0)
_LOOK_SHARE = 0.25
# Farther off it a rim is not smooth, in mm and cells: cells draw stairs of half their side.
_SMOOTH_MM, _SMOOTH_CELLS = 1.5, 0.3
# A torn stretch has a place that is farther off than that, and is so long: corners are shorter.
_TORN_MM, _TORN_CELLS = 2.5, 0.55
_SHORTEST_TORN_MM = 70.0
# A rim that steps inboard by that much, in mm or cells, and back again into the same straight line
# within that length was not scanned there (choice).
_STEP_MM, _STEP_CELLS = 3.0, 0.75
_DEEPEST_STEP_MM = 45.0
_LONGEST_STEP_MM = 700.0
_BESIDE_MM = (15.0, 75.0)
_IN_LINE_RAD = 0.035
# An opening is shaped: it is mirrored in itself to so many mm or cells, or so much of its rim is
# smooth.
_MIRRORED_MM, _MIRRORED_CELLS = 1.5, 0.45
_MOSTLY_SMOOTH = 0.7
_ANGLES = 60


def rim_lines(inside_mm: Floats, grid: Grid, level_mm: float) -> list[tuple[Floats, bool]]:
    """Contours of a depth on the chart, smoothed: (k, 2) lines and whether they close."""
    smooth = ndimage.gaussian_filter(inside_mm, 0.7)
    out = []
    for line in contour_generator(grid.v_mm, grid.u_mm, smooth).lines(level_mm):
        uv = np.asarray(line)[:, ::-1]
        closed = bool(np.allclose(uv[0], uv[-1]))
        uv = uv[:-1] if closed else uv
        if len(uv) > 3:
            line = smooth_line(uv, sigma_mm=_CALM_MM, station_mm=_STATION_MM, closed=closed)
            out.append((line, closed))
    return out


def torn(line_uv: Floats, inward_uv: Floats, *, closed: bool, cell_mm: float) -> Mask:
    """(k,) places of a rim at which the scan ends, not the panel.

    Edges are cut in straight or evenly bent lines; where a scan just stops its rim wanders, or it
    steps inboard and back again.

    Parameters
    ----------
    inward_uv : (k, 2) unit, into the skin.
    """
    off, step_mm = _off_parabolas(line_uv, closed=closed)
    rough = off > max(_SMOOTH_MM, _SMOOTH_CELLS * cell_mm)
    least = max(_TORN_MM, _TORN_CELLS * cell_mm)
    out = np.zeros(len(off), bool)
    runs = _runs(rough, closed=closed)
    for run in runs:
        if len(run) * step_mm >= _SHORTEST_TORN_MM and off[run].max() > least:
            out[run] = True
    for run in _steps_inboard(line_uv, inward_uv, runs, closed=closed, cell_mm=cell_mm):
        out[run] = True
    return out


def is_shaped(hole: Mask, cell_mm: float) -> bool:
    """Whether a hole in a skin has the form of an opening that was made: smooth, or mirrored.

    Parameters
    ----------
    hole : (nu, nv) bool on a piece of a grid.
    """
    room = np.pad(hole, 3)
    away = ndimage.distance_transform_edt(~room) * cell_mm
    grid = Grid(0.0, 0.0, cell_mm, room.shape)
    lines = [line for line, closed in rim_lines(away, grid, 1.25 * cell_mm) if closed]
    if not lines:
        return False
    line = max(lines, key=len)
    off, _ = _off_parabolas(line, closed=True)
    smooth = float((off <= max(_SMOOTH_MM, _SMOOTH_CELLS * cell_mm)).mean())
    if smooth >= _MOSTLY_SMOOTH:
        return True
    return _least_off_mirrored(line) <= max(_MIRRORED_MM, _MIRRORED_CELLS * cell_mm)


def _off_parabolas(line: Floats, *, closed: bool) -> tuple[Floats, float]:
    """(k,) how far each place lies off the best of the parabolas through a piece of rim that it is
    in, at the piece's worst place; and the step between places.
    """
    ring = np.vstack([line, line[:1]]) if closed else line
    lengths = np.linalg.norm(np.diff(ring, axis=0), axis=1)
    step, count = float(np.median(lengths)), len(line)
    look = float(np.clip(_LOOK_SHARE * lengths.sum(), *_LOOK_MM))
    size = min(max(5, round(look / step)), count)
    first = np.arange(count if closed else count - size + 1)
    piece = (first[:, None] + np.arange(size)) % count
    place = line[piece] - line[piece].mean(axis=1, keepdims=True)
    chord = place[:, -1] - place[:, 0]
    chord = chord / (np.linalg.norm(chord, axis=1)[:, None] + 1e-12)
    along = (place * chord[:, None]).sum(axis=2) / (0.5 * look)
    across = place[:, :, 1] * chord[:, None, 0] - place[:, :, 0] * chord[:, None, 1]
    terms = np.stack([np.ones_like(along), along, along**2], axis=2)
    turned = terms.transpose(0, 2, 1)
    matrix = turned @ terms + 1e-9 * np.eye(3)
    found = np.linalg.solve(matrix, turned @ across[:, :, None])
    worst = np.abs(across - (terms @ found)[:, :, 0]).max(axis=1)
    best = np.full(count, np.inf)
    for k in range(size):
        np.minimum.at(best, piece[:, k], worst)
    return best, step


def _runs(mask: Mask, *, closed: bool) -> list[NDArray[np.intp]]:
    """Places of each stretch of a mask along a line, in order; over the start of a closed one."""
    count = len(mask)
    if mask.all() or not mask.any():
        return [np.arange(count)] if mask.any() else []
    start = int(np.flatnonzero(~mask)[0]) if closed else 0
    label, runs = ndimage.label(np.roll(mask, -start))
    return [(np.flatnonzero(label == k) + start) % count for k in range(1, runs + 1)]


def _steps_inboard(
    line: Floats,
    inward: Floats,
    rough: list[NDArray[np.intp]],
    *,
    closed: bool,
    cell_mm: float,
) -> list[NDArray[np.intp]]:
    """Stretches from one rough place to another that lie inboard of the straight line before and
    after them.
    """
    out = []
    count = len(line)
    ends = rough + rough if closed else rough
    for k, first in enumerate(rough):
        for last in ends[k : k + len(rough)]:
            size = (last[-1] - first[0]) % count + 1
            if size * _STATION_MM > _LONGEST_STEP_MM:
                break
            between = (first[0] + np.arange(size)) % count
            before, after = (
                _beside(line, place, way, closed=closed)
                for place, way in ((int(first[0]), -1), (int(last[-1]), 1))
            )
            if before is None or after is None:
                continue
            if _lies_inboard(line[between], inward[between], before, after, cell_mm):
                out.append(between)
    return out


def _beside(line: Floats, place: int, way: int, *, closed: bool) -> Floats | None:
    """(m, 2) the stretch of a line a little before or after a place, None where there is none."""
    near, far = (round(x / _STATION_MM) for x in _BESIDE_MM)
    at = place + way * np.arange(near, far)
    if closed:
        return line[at % len(line)]
    return line[at] if at.min() >= 0 and at.max() < len(line) else None


def _lies_inboard(
    between: Floats, inward: Floats, before: Floats, after: Floats, cell_mm: float
) -> bool:
    """Whether a stretch lies inboard of one straight line that what is beside it makes."""
    both = np.vstack([before, after])
    middle = both.mean(axis=0)
    way = after.mean(axis=0) - before.mean(axis=0)
    way = way / (np.linalg.norm(way) + 1e-12)
    across = np.array([-way[1], way[0]])
    if across @ inward.mean(axis=0) < 0.0:
        across = -across
    for part in (before, after):
        own = part[-1] - part[0]
        if abs(own @ across) > _IN_LINE_RAD * float(np.linalg.norm(own)):
            return False
    straight = np.abs((both - middle) @ across).max() < max(_SMOOTH_MM, _SMOOTH_CELLS * cell_mm)
    inboard = (between - middle) @ across
    least = max(_STEP_MM, _STEP_CELLS * cell_mm)
    deep = float(np.percentile(inboard, 75.0))
    return bool(straight and least < deep < _DEEPEST_STEP_MM and inboard.min() > -least)


def _least_off_mirrored(line: Floats) -> float:
    """How far (mm) a closed line lies off its image in the best of the lines through its middle,
    over nine tenths of it.
    """
    place = line - line.mean(axis=0)
    tree = cKDTree(place)
    off = []
    for angle in np.pi * np.arange(_ANGLES) / _ANGLES:
        normal = np.array([-np.sin(angle), np.cos(angle)])
        image = place - 2.0 * np.outer(place @ normal, normal)
        off.append(float(np.percentile(tree.query(image)[0], 90.0)))
    return min(off)

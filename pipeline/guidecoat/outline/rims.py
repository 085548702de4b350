"""Rims of a skin: where the panel ends, and where only the scan does."""

from __future__ import annotations

import numpy as np
from contourpy import contour_generator
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import ConvexHull, cKDTree

from ..lines.ridges import smooth_line
from ..unrolling.chart import Grid

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
# A quarter of a torn stretch is farther off than that, and it is so long: corners are shorter.
_TORN_MM, _TORN_CELLS = 2.2, 0.55
_TORN_PERCENTILE = 75.0
# An outline is looked at more sternly that far inside its convex hull: along such pieces, and from
# that length on. Rounded corners are shorter (choice).
_IN_HULL_MM = 20.0
_LONG_LOOK_MM = 140.0
_SHORTEST_WINDING_MM = 90.0
# A shorter stretch between two torn ones is one of their crests (choice).
_SHORTEST_GAP_MM = 80.0
_SHORTEST_TORN_MM = 70.0
# A bay in a side that is otherwise a cubic: so deep, so long, entered that steeply; rough within,
# or as steep on leaving. So much of the side must lie on the cubic, to that many cells (choice).
_BAY_MM, _BAY_CELLS = 5.0, 1.6
_DEEPEST_BAY_MM = 45.0
_SHORTEST_BAY_MM = 40.0
_STEEP_BAY = 0.15
_STEEP_WITHIN_MM = 30.0
_ROUGH_BAY_CELLS = 0.25
_ON_CUBIC, _CUBIC_CELLS = 0.35, 0.6
_SHORTEST_SIDE_MM = 200.0
_CUBIC_ROUNDS = 12
# An opening is shaped: it is mirrored in itself to so many mm or cells, or so much of its rim is
# smooth, which says little of a short one.
_LARGE_HOLE_MM = 500.0
_MIRRORED_MM, _MIRRORED_CELLS = 1.5, 0.45
_MOSTLY_SMOOTH = 0.7
_ANGLES, _FINER = 60, 13


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


def torn(line_uv: Floats, *, closed: bool, cell_mm: float) -> Mask:
    """(k,) places of a rim at which it wanders: the scan ends there, not the panel.

    Edges are cut in straight or evenly bent lines.
    """
    off, step_mm = _off_parabolas(line_uv, closed=closed)
    rough = off > max(_SMOOTH_MM, _SMOOTH_CELLS * cell_mm)
    least = max(_TORN_MM, _TORN_CELLS * cell_mm)
    out = np.zeros(len(off), bool)
    for run in _runs(rough, closed=closed):
        long = len(run) * step_mm >= _SHORTEST_TORN_MM
        if long and np.percentile(off[run], _TORN_PERCENTILE) > least:
            worst = ndimage.binary_dilation(off[run] > least, iterations=_beside(step_mm))
            out[run[worst]] = True
    return out


def _beside(step_mm: float) -> int:
    return max(1, round(0.5 * _LOOK_MM[1] / step_mm))


def winding_bays(line_uv: Floats, *, closed: bool, cell_mm: float) -> Mask:
    """(k,) places of an outline that lie well inside its convex hull on no long smooth line.

    Arches and cut-outs of panels run evenly over a hand's breadth and more; bays of a scan wind.
    """
    hull = ConvexHull(line_uv).equations
    deep = -(line_uv @ hull[:, :2].T + hull[:, 2]).max(axis=1) > _IN_HULL_MM
    off, step_mm = _off_parabolas(line_uv, closed=closed, longest_mm=_LONG_LOOK_MM)
    out = np.zeros(len(deep), bool)
    for run in _runs(deep & (off > max(_SMOOTH_MM, _SMOOTH_CELLS * cell_mm)), closed=closed):
        if len(run) * step_mm >= _SHORTEST_WINDING_MM:
            out[run] = True
    return out


def joined(mask: Mask, *, closed: bool) -> Mask:
    """(k,) a mask along a line, with the gaps closed that are too short for an edge between."""
    reach = round(0.5 * _SHORTEST_GAP_MM / _STATION_MM)
    if not mask.any():
        return mask
    padded = np.pad(mask, reach + 1, mode="wrap" if closed else "constant")
    whole = ndimage.binary_closing(padded, iterations=reach)
    return np.asarray(whole[reach + 1 : -reach - 1] | mask)


def bays(line_uv: Floats, inward_uv: Floats, *, cell_mm: float) -> Mask:
    """(k,) places of one side of a rim, between two corners, that lie in bays of it.

    The outer parts of a side lie on one smooth line, a cubic; where a rim was not scanned it falls
    inboard of that.

    Parameters
    ----------
    inward_uv : (k, 2) unit, into the skin.
    """
    nowhere = np.zeros(len(line_uv), bool)
    chord = line_uv[-1] - line_uv[0]
    length = float(np.linalg.norm(chord))
    if length < _SHORTEST_SIDE_MM:
        return nowhere
    across = np.array([-chord[1], chord[0]]) / length
    if across @ inward_uv.mean(axis=0) < 0.0:
        across = -across
    along = (line_uv - line_uv[0]) @ chord / length**2
    place = (line_uv - line_uv[0]) @ across
    terms = np.vander(2.0 * along - 1.0, 4)
    near = max(_SMOOTH_MM, _CUBIC_CELLS * cell_mm)
    outer = ~nowhere
    for _ in range(_CUBIC_ROUNDS):
        inboard = place - terms @ np.linalg.lstsq(terms[outer], place[outer], rcond=None)[0]
        kept = inboard <= near
        if (kept == outer).all():
            break
        outer = kept
        if outer.mean() < _ON_CUBIC:
            return nowhere
    if np.abs(inboard[outer]).max() > 2.0 * near:
        return nowhere
    steep = np.abs(np.gradient(inboard) / (np.gradient(along) * length + 1e-12)) > _STEEP_BAY
    off, _ = _off_parabolas(line_uv, closed=False)
    for run in _runs(inboard > near, closed=False):
        deep = float(inboard[run].max())
        least = max(_BAY_MM, _BAY_CELLS * cell_mm)
        if len(run) * _STATION_MM < _SHORTEST_BAY_MM or not least < deep < _DEEPEST_BAY_MM:
            continue
        ends = round(_STEEP_WITHIN_MM / _STATION_MM)
        amid = run[0] > ends and run[-1] < len(inboard) - ends
        entered, left = bool(steep[run[:ends]].any()), bool(steep[run[-ends:]].any())
        rough = float(np.median(off[run])) > _ROUGH_BAY_CELLS * cell_mm
        if (amid and entered and left) or (rough and (entered or left)):
            nowhere[run] = True
    return nowhere


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
    off, step_mm = _off_parabolas(line, closed=True, longest_mm=_LONG_LOOK_MM)
    smooth = float((off <= max(_SMOOTH_MM, _SMOOTH_CELLS * cell_mm)).mean())
    if len(off) * step_mm >= _LARGE_HOLE_MM and smooth >= _MOSTLY_SMOOTH:
        return True
    return _least_off_mirrored(line) <= max(_MIRRORED_MM, _MIRRORED_CELLS * cell_mm)


def _off_parabolas(
    line: Floats, *, closed: bool, longest_mm: float = _LOOK_MM[1]
) -> tuple[Floats, float]:
    """(k,) how far each place lies off the best of the parabolas through a piece of rim that it is
    in, at the piece's worst place; and the step between places.
    """
    ring = np.vstack([line, line[:1]]) if closed else line
    lengths = np.linalg.norm(np.diff(ring, axis=0), axis=1)
    step, count = float(np.median(lengths)), len(line)
    look = float(np.clip(_LOOK_SHARE * lengths.sum(), _LOOK_MM[0], longest_mm))
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


def _least_off_mirrored(line: Floats) -> float:
    """How far (mm) a closed line lies off its image in the best of the lines through its middle,
    over nine tenths of it.
    """
    place = line - line.mean(axis=0)
    tree = cKDTree(place)

    def off(angle: float) -> float:
        normal = np.array([-np.sin(angle), np.cos(angle)])
        image = place - 2.0 * np.outer(place @ normal, normal)
        return float(np.percentile(tree.query(image)[0], 90.0))

    step = np.pi / _ANGLES
    coarse = min(step * np.arange(_ANGLES), key=off)
    return min(off(coarse + step * share) for share in np.linspace(-1.0, 1.0, _FINER))

"""Shut lines: narrow empty lanes that part a scan from edge to edge, two panels lying flush."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy import ndimage

from .cells import Cells, ChartedPoints
from .chart import Grid

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

_NARROWEST_MM = 2.1
_SPACINGS_WIDE = 1.15
_WIDEST_SPACING_MM = 3.2
_BOX = 3
_MOST_PIXELS = 12_000_000
_CLOSED_MM = 9.0
_LOOK_MM = 28.0
_WAYS = 32
_LEFT_IN_LANE = 0.12
_LEFT_AT_MIDDLE = 0.35
_LEAST_EXPECTED = 12.0
_DENSITY_MM = 40.0
_BELOW_MM = 3.0
_LEVEL_MM = 21.0
_MOST_LANE = 0.1
_LEAST_PART = 0.05
_LEAST_LENGTH_MM = 60.0

LIKE_SIZE = 0.3
"""Parts of at least this share of the largest are of like size."""

_NEAR_BOTH_MM = 9.0
_STATIONS = 9
_HALF_CUT_MM = 30.0
_BIN_MM = 0.25
_LEFT_IN_BIN = 0.4
# A missed stripe leaves twice the usual lane; that many more are no stripe.
_STRIPES_WIDE = 2.6
_RIM_MM = 4.0
_ROLL_MM = 1.0
_FEWEST_BESIDE = 30
_FEWEST_ON_RIM = 4
_LEAST_ROLL_MM = 0.15
_LEAST_STEP_MM, _MOST_STEP_MM = 0.2, 3.0


@dataclass(frozen=True)
class ShutLine:
    """A lane without points from edge to edge.

    u_mm, v_mm : its middle on the chart; length_mm, width_mm : of the lane; share : of the smaller
    part, over the larger; step_mm : how far one side stands over the other; rolled : whether both
    sides roll off into it, as hemmed edges do.
    """

    u_mm: float
    v_mm: float
    length_mm: float
    width_mm: float
    share: float
    step_mm: float
    rolled: bool

    @property
    def middle_uv(self) -> tuple[float, float]:
        """Its middle on the chart, mm."""
        return self.u_mm, self.v_mm

    @property
    def two_panels(self) -> bool:
        """Whether edges, not a strip that was missed, face each other over parts of like size."""
        stepped = _LEAST_STEP_MM < abs(self.step_mm) < _MOST_STEP_MM
        return self.share > LIKE_SIZE and (self.rolled or stepped)


def find_shut_line(charted: ChartedPoints, cells: Cells, skin: Mask) -> ShutLine | None:
    """Find the lane, 3 mm wide or more, that parts the skin into its two largest parts.

    A slot or a strip of drop-outs that ends on the skin parts nothing. Where lanes run all over
    the skin it was scanned in stripes, and nothing can be told.
    """
    if cells.spacing_mm > _WIDEST_SPACING_MM:
        return None
    side = max(_NARROWEST_MM, _SPACINGS_WIDE * cells.spacing_mm) / _BOX
    fine = _fine_grid(cells.grid, side)
    if fine.shape[0] * fine.shape[1] > _MOST_PIXELS:
        return None
    whole, usual = _whole(cells, skin), _usual(cells, skin, _BOX * side)
    i, j = (_cell_of(x, cells.grid, axis) for axis, x in enumerate((fine.u_mm, fine.v_mm)))
    inside = whole[np.ix_(i, j)]
    box = ndimage.uniform_filter(_counts(charted, cells, fine), _BOX, mode="constant") * _BOX**2
    lane = inside & _lanes(np.round(box).astype(np.int32), inside, usual, i, j, side)
    if not lane.any() or lane.sum() > _MOST_LANE * inside.sum():
        return None
    return _between(lane, inside, fine, charted)


def _fine_grid(grid: Grid, side: float) -> Grid:
    nu, nv = (int(np.ceil(n * grid.cell_mm / side)) for n in grid.shape)
    return Grid(grid.u0_mm, grid.v0_mm, side, (nu, nv))


def _cell_of(x: Floats, grid: Grid, axis: int) -> NDArray[np.intp]:
    low = (grid.u0_mm, grid.v0_mm)[axis]
    return np.clip(((x - low) / grid.cell_mm).astype(np.intp), 0, grid.shape[axis] - 1)


def _whole(cells: Cells, skin: Mask) -> Mask:
    """The skin with its lanes closed."""
    reach = max(1, round(_CLOSED_MM / cells.grid.cell_mm))
    padded = np.pad(skin, reach + 1)
    closed = ndimage.binary_closing(padded, np.ones((3, 3), bool), iterations=reach)
    return np.asarray(closed[reach + 1 : -reach - 1, reach + 1 : -reach - 1])


def _usual(cells: Cells, skin: Mask, box_mm: float) -> Floats:
    """(nu, nv) points that a box of this side holds as a rule in the neighbourhood of a cell."""
    size = max(3, round(_DENSITY_MM / cells.grid.cell_mm))
    points = ndimage.uniform_filter(np.where(skin, cells.count, 0).astype(np.float64), size)
    there = ndimage.uniform_filter(skin.astype(np.float64), size)
    share = (box_mm / cells.grid.cell_mm) ** 2
    return np.asarray(share * points / np.maximum(there, 1.0 / size**2))


def _counts(charted: ChartedPoints, cells: Cells, fine: Grid) -> NDArray[np.float32]:
    """Points per pixel, without those at the bottom of a lane."""
    known = np.isfinite(cells.height_mm)
    near = ndimage.distance_transform_edt(~known, return_distances=False, return_indices=True)
    size = 2 * round(0.5 * _LEVEL_MM / cells.grid.cell_mm) + 1
    level = ndimage.median_filter(cells.height_mm[tuple(near)], max(3, size))
    grid = cells.grid
    counts = np.zeros(fine.shape, np.float32)
    _count_pixels(
        charted.uvh,
        charted.counted,
        grid.u0_mm,
        grid.v0_mm,
        grid.cell_mm,
        level - _BELOW_MM,
        fine.cell_mm,
        counts,
    )
    return counts


@njit(cache=True, nogil=True)
def _count_pixels(uvh, counted, u0, v0, side, floor, fine, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Count the points over the floor of their cell."""
    nu, nv = floor.shape
    for k in range(len(uvh)):
        if not counted[k]:
            continue
        u, v = np.float64(uvh[k, 0]) - u0, np.float64(uvh[k, 1]) - v0
        i, j = min(max(int(u / side), 0), nu - 1), min(max(int(v / side), 0), nv - 1)
        if np.float64(uvh[k, 2]) > floor[i, j]:
            p, q = min(int(u / fine), out.shape[0] - 1), min(int(v / fine), out.shape[1] - 1)
            out[max(p, 0), max(q, 0)] += 1.0


def _lanes(
    box: NDArray[np.int32],
    inside: Mask,
    usual: Floats,
    i: NDArray[np.intp],
    j: NDArray[np.intp],
    side: float,
) -> Mask:
    """Pixels along straight strips of 28 mm that hold next to no points."""
    angle = np.pi * np.arange(_WAYS) / _WAYS
    reach = _BOX * max(2, round(0.5 * _LOOK_MM / (_BOX * side)))
    along = np.arange(-reach, reach + 1)
    du = np.round(np.outer(np.cos(angle), along)).astype(np.int64)
    dv = np.round(np.outer(np.sin(angle), along)).astype(np.int64)
    out = np.zeros(box.shape, np.bool_)
    shares = (_LEFT_AT_MIDDLE, _LEFT_IN_LANE)
    _strips(box, inside, usual, i, j, du, dv, shares, _LEAST_EXPECTED, out)
    return out


@njit(cache=True, nogil=True)
def _strips(box, inside, usual, cell_i, cell_j, du, dv, shares, least, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Mark strips in which there should be `least` points or more, and are at most the second of
    `shares` of them, in the box at the middle the first.
    """
    middle, most = shares
    nu, nv = box.shape
    boxes = du.shape[1] // 3 + 1
    for p in range(nu):
        for q in range(nv):
            expected = usual[cell_i[p], cell_j[q]]
            if not inside[p, q] or box[p, q] > middle * expected:
                continue
            for way in range(len(du)):
                found, should = 0.0, 0.0
                for k in range(0, du.shape[1], 3):
                    a, b = p + du[way, k], q + dv[way, k]
                    if 0 <= a < nu and 0 <= b < nv and inside[a, b]:
                        should += expected
                        found += box[a, b]
                        if found > most * boxes * expected:
                            break
                if should >= least and found <= most * should:
                    for k in range(du.shape[1]):
                        a, b = p + du[way, k], q + dv[way, k]
                        if 0 <= a < nu and 0 <= b < nv:
                            out[a, b] = True


def _between(lane: Mask, inside: Mask, fine: Grid, charted: ChartedPoints) -> ShutLine | None:
    """The lane between the two largest parts of the skin, if it parts it at all."""
    label, count = ndimage.label(inside & ~ndimage.binary_dilation(lane, iterations=_BOX // 2 + 1))
    size = np.bincount(label.ravel(), minlength=3)
    size[0] = 0
    first, second = np.argsort(-size, kind="stable")[:2]
    share = float(size[second] / size[first])
    if count < 2 or share < _LEAST_PART:
        return None
    reach = _NEAR_BOTH_MM / fine.cell_mm
    close = [ndimage.distance_transform_edt(label != k) <= reach for k in (first, second)]
    p, q = np.nonzero(lane & close[0] & close[1])
    line = np.column_stack([fine.u_mm[p], fine.v_mm[q]])
    length = float(np.hypot(*np.ptp(line, axis=0))) if len(line) else 0.0
    if length < _LEAST_LENGTH_MM:
        return None
    seen = [cut for place in _stations(line) if (cut := _cut_across(charted, line, place))]
    if not seen:
        return None
    width, beside, step, one, other = np.median(seen, axis=0)
    if width < _STRIPES_WIDE * beside:
        return None
    middle = line[np.argmin(((line - line.mean(axis=0)) ** 2).sum(axis=1))]
    return ShutLine(
        float(middle[0]),
        float(middle[1]),
        length,
        float(width),
        share,
        float(step),
        bool(max(one, other) < -_LEAST_ROLL_MM),
    )


def _stations(line: Floats) -> Floats:
    """(k, 2) places along a lane, clear of its ends."""
    away = line - line.mean(axis=0)
    along = away @ np.linalg.svd(away, full_matrices=False)[2][0]
    at = np.quantile(along, np.linspace(0.0, 1.0, _STATIONS + 2)[1:-1])
    return line[np.abs(along[:, None] - at).argmin(axis=0)]


def _cut_across(
    charted: ChartedPoints, line: Floats, place: Floats
) -> tuple[float, float, float, float, float] | None:
    """What a cut across a lane shows, over 60 mm of it: the lane's width, that of the widest
    empty strip beside it, the step from one side to the other, and how far either rim lies off
    its own side.
    """
    near = line[np.hypot(*(line - place).T) < _HALF_CUT_MM]
    centre = near.mean(axis=0)
    way = np.linalg.svd(near - centre, full_matrices=False)[2][0]
    rows = np.abs(charted.uvh[:, :2] - centre.astype(np.float32)).max(axis=1) < 1.5 * _HALF_CUT_MM
    uvh = charted.uvh[rows & charted.counted].astype(np.float64)
    along, across = ((uvh[:, :2] - centre) @ np.array([way, [-way[1], way[0]]]).T).T
    box = (np.abs(along) < _HALF_CUT_MM) & (np.abs(across) < _HALF_CUT_MM)
    box &= uvh[:, 2] > np.median(uvh[box, 2]) - _BELOW_MM if box.any() else True
    along, across, height = along[box], across[box], uvh[box, 2]
    low, high, beside = _empty_strips(across)
    off = np.where(across > high, across - high, low - across)
    body = (off > _RIM_MM) & (off < _HALF_CUT_MM - _RIM_MM)
    sides = across < low, across > high
    if high <= low or min(int((body & side).sum()) for side in sides) < _FEWEST_BESIDE:
        return None
    x, y = along / _HALF_CUT_MM, across / _HALF_CUT_MM
    columns = np.column_stack([np.ones_like(x), x, y, x * x, x * y, y * y, across > high])
    found = np.linalg.lstsq(columns[body], height[body], rcond=None)[0]
    rest = height - columns @ found
    rims = [rest[side & (off >= 0.0) & (off < _ROLL_MM)] for side in sides]
    if min(map(len, rims)) < _FEWEST_ON_RIM:
        return None
    one, other = (float(np.median(rim)) for rim in rims)
    return high - low, beside, float(found[-1]), one, other


def _empty_strips(across: Floats) -> tuple[float, float, float]:
    """Either side of the empty strip nearest 0, and the width of the widest other one."""
    bins = np.arange(-_HALF_CUT_MM, _HALF_CUT_MM + _BIN_MM, _BIN_MM)
    counts = np.histogram(across, bins)[0]
    empty = ndimage.binary_closing(counts <= _LEFT_IN_LANE * counts.mean(), iterations=2)
    label, _ = ndimage.label(empty & (counts <= _LEFT_IN_BIN * counts.mean()))
    strips = [(bins[s.start], bins[s.stop]) for (s,) in ndimage.find_objects(label)]
    strips = [s for s in strips if s[1] - s[0] > _BIN_MM]
    if not strips:
        return 0.0, 0.0, 0.0
    nearest = min(strips, key=lambda s: (max(s[0], -s[1], 0.0), s[0] - s[1]))
    widths = [s[1] - s[0] for s in strips if s is not nearest]
    return float(nearest[0]), float(nearest[1]), float(max(widths, default=0.0))

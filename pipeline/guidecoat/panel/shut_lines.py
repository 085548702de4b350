"""Shut lines: narrow empty lanes that part a scan from edge to edge, two panels lying flush."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ..chunks import chunks_of
from ..numerics.local_fit import quadratic_columns
from ..unrolling.cells import Cells, ChartedPoints
from ..unrolling.chart import Grid

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Figures tried at half and double on lanes of 3 to 6 mm across a door, straight and askew, points
# 0.7 to 2 mm apart, bare, stepped and hemmed; and on whole, striped and slotted doors. None of them
# finds a lane where there is none; "the same" where none is lost either. A choice has no better
# reason.

# Side of the boxes that are looked through, in mm and in spacings: a lane must be as wide. Half is
# the same; double loses lanes of 3 to 4 mm.
_NARROWEST_MM = 2.1
_SPACINGS_WIDE = 1.15
# A lane of a shut line, 3 to 5 mm (practice), holds no box of wider spacings. Half loses lanes at a
# spacing of 2 mm; double is the same.
_WIDEST_SPACING_MM = 3.2
# Pixels in a box's side, so that it finds its place in a lane. One pixel loses lanes of 3 mm, six
# are the same.
_BOX = 3
# Pixels of 4 bytes and a dozen arrays of them: some hundreds of MB (choice). The same.
_MOST_PIXELS = 12_000_000
# Of denser scans one point in so many. Half is the same; double loses a lane of 3 mm.
_ENOUGH_SPACING_MM = 0.8
# Lanes up to twice as wide are closed to tell what the skin is. The same.
_CLOSED_MM = 9.0
# Length of the straight strips that must be empty, and in how many ways they run. Half the length
# loses lanes at spacings from 1.5 mm on, double one that bends; 16 ways lose 3 mm lanes, 64 are the
# same.
_LOOK_MM = 28.0
_WAYS = 32
# Shares of the usual points that dirt and the lane's bottom may leave in a strip, and in its middle
# box. Half of the first loses a lane that a few points bridge; else the same.
_LEFT_IN_LANE = 0.12
_LEFT_AT_MIDDLE = 0.35
# Points that a strip must usually hold: with 12 expected none is seen by chance once in 160 000
# strips (Poisson, computed). Half is the same; double loses lanes at a spacing of 2 mm.
_LEAST_EXPECTED = 12.0
# The neighbourhood for what is usual. Half is half lane itself and loses one; double is the same.
_DENSITY_MM = 40.0
# So far below the skin's level, a median over the second, lies a lane's bottom. The same.
_BELOW_MM = 3.0
_LEVEL_MM = 21.0
# Shares of the skin: more lanes, or more boxes with next to nothing, are a scan in stripes. The
# same.
_MOST_LANE = 0.1
_MOST_EMPTY = 0.4
# Places looked at in one go, for memory. The same.
_BLOCK = 20_000
# A lane parts off such a share of the larger part, over such a length (choice). The same.
_LEAST_PART = 0.05
_LEAST_LENGTH_MM = 60.0

LIKE_SIZE = 0.3
"""Parts of at least this share of the largest are of like size."""

# Of a lane counts what lies so near both parts. Half loses a lane of 6 mm; double is the same.
_NEAR_BOTH_MM = 9.0
# Cuts across a lane, their half length, and bins of points across it: enough for medians
# (choice). The same.
_STATIONS = 9
_HALF_CUT_MM = 30.0
_BIN_MM = 0.25
# Of the usual points of a bin: an empty one among bins that hold by chance more or less (choice).
# The same.
_LEFT_IN_BIN = 0.4
# A missed stripe leaves twice the usual lane; that many more are no stripe.
_STRIPES_WIDE = 2.6
# Of either side of a cut what is nearer the lane than the first may roll; the roll is read over the
# second, from so many points at least (choice).
_RIM_MM = 4.0
_ROLL_MM = 1.0
_FEWEST_BESIDE = 30
_FEWEST_ON_RIM = 4
# Hems roll by a millimetre and more within the first of their width; noise of medians by less than
# that. Panels that lie flush step by less than the first, what steps by more than the second is
# another part (choice).
_LEAST_ROLL_MM = 0.15
_LEAST_STEP_MM, _MOST_STEP_MM = 0.2, 3.0


@dataclass(frozen=True, eq=False)
class ShutLine:
    """A lane without points from edge to edge.

    u_mm, v_mm : its middle on the chart; length_mm, width_mm : of the lane; share : of the smaller
    part, over the larger; step_mm : how far one side stands over the other; rolled : whether both
    sides roll off into it, as hemmed edges do; grid, nearer_first : (nu, nv) bool over the chart,
    what lies nearer the larger part than the smaller one.
    """

    u_mm: float
    v_mm: float
    length_mm: float
    width_mm: float
    share: float
    step_mm: float
    rolled: bool
    grid: Grid
    nearer_first: Mask

    @property
    def middle_uv(self) -> tuple[float, float]:
        """Its middle on the chart, mm."""
        return self.u_mm, self.v_mm

    @property
    def two_panels(self) -> bool:
        """Whether edges, not a strip that was missed, face each other over parts of like size."""
        stepped = _LEAST_STEP_MM < abs(self.step_mm) < _MOST_STEP_MM
        return self.share > LIKE_SIZE and (self.rolled or stepped)

    def side_of(self, uv_mm: Floats) -> Mask:
        """(n,) bool, which of (n, 2) places of the chart lie on the larger part's side."""
        i, j = (_cell_of(uv_mm[:, axis], self.grid, axis) for axis in range(2))
        return np.asarray(self.nearer_first[i, j])


def find_shut_line(charted: ChartedPoints, cells: Cells, skin: Mask) -> ShutLine | None:
    """Find the lane that parts the skin into its two largest parts, 2.1 mm and 1.15 spacings wide
    or more.

    A slot or a strip of drop-outs that ends on the skin parts nothing. Where lanes run all over
    the skin it was scanned in stripes, and nothing can be told.
    """
    if cells.spacing_mm > _WIDEST_SPACING_MM:
        return None
    side = max(_NARROWEST_MM, _SPACINGS_WIDE * cells.spacing_mm) / _BOX
    fine = _fine_grid(cells.grid, side)
    if fine.shape[0] * fine.shape[1] > _MOST_PIXELS:
        return None
    step = max(1, int((_ENOUGH_SPACING_MM / cells.spacing_mm) ** 2))
    whole, usual = _whole(cells, skin), _usual(cells, skin, _BOX * side) / step
    i, j = (_cell_of(x, cells.grid, axis) for axis, x in enumerate((fine.u_mm, fine.v_mm)))
    inside = whole[np.ix_(i, j)]
    box = ndimage.uniform_filter(_counts(charted, cells, fine, step), _BOX, mode="constant")
    lane = inside & _lanes(np.round(box * _BOX**2), inside, usual[np.ix_(i, j)], side)
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


def _counts(charted: ChartedPoints, cells: Cells, fine: Grid, step: int) -> NDArray[np.float32]:
    """Points per pixel, of every step-th, without those at the bottom of a lane."""
    known = np.isfinite(cells.height_mm)
    near = ndimage.distance_transform_edt(~known, return_distances=False, return_indices=True)
    size = 2 * round(0.5 * _LEVEL_MM / cells.grid.cell_mm) + 1
    level = cells.height_mm[tuple(near)]
    for shape in ((max(3, size), 1), (1, max(3, size))):
        level = ndimage.median_filter(level, shape)
    points = charted.uvh[::step][charted.counted[::step]]
    u, v = points[:, 0].astype(np.float64), points[:, 1].astype(np.float64)
    floor = level[_cell_of(u, cells.grid, 0), _cell_of(v, cells.grid, 1)] - _BELOW_MM
    pixel = _cell_of(u, fine, 0) * fine.shape[1] + _cell_of(v, fine, 1)
    counts = np.bincount(pixel[points[:, 2] > floor], minlength=fine.shape[0] * fine.shape[1])
    return counts.reshape(fine.shape).astype(np.float32)


def _lanes(box: Floats, inside: Mask, usual: Floats, side: float) -> Mask:
    """Pixels along straight strips of 28 mm that hold next to no points; none where the scan was
    taken in stripes. usual : per pixel.
    """
    out = np.zeros(box.shape, np.bool_)
    p, q = np.nonzero(inside & (box <= _LEFT_AT_MIDDLE * usual))
    if len(p) > _MOST_EMPTY * inside.sum():
        return out
    angle = np.pi * np.arange(_WAYS) / _WAYS
    reach = _BOX * max(2, round(0.5 * _LOOK_MM / (_BOX * side)))
    along = np.arange(-reach, reach + 1)
    du = np.round(np.outer(np.cos(angle), along)).astype(np.int64)
    dv = np.round(np.outer(np.sin(angle), along)).astype(np.int64)
    # Off the rim there is nothing to count.
    far = ((reach, reach), (reach, reach))
    held = np.pad(np.where(inside, box, 0.0).astype(np.float32), far)
    there = np.pad(inside, far)
    offset = du * held.shape[1] + dv
    place, expected = (p + reach) * held.shape[1] + q + reach, usual[p, q]
    strips = [
        _empty_strips_at(place[part], held.ravel(), there.ravel(), expected[part], offset)
        for part in chunks_of(len(p), _BLOCK)
    ]
    if sum(len(np.unique(middle)) for middle, _ in strips) > _MOST_LANE * inside.sum():
        return out
    marked = np.zeros(held.size, np.bool_)
    for middle, way in strips:
        marked[middle[:, None] + offset[way]] = True
    return np.asarray(marked.reshape(held.shape)[reach:-reach, reach:-reach])


def _empty_strips_at(
    place: NDArray[np.int64],
    held: NDArray[np.float32],
    there: Mask,
    usual: Floats,
    offset: NDArray[np.int64],
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """The places that are the middle of an empty strip, and the strip's way.

    place : (n,) numbers of pixels; held, there : by pixel, points in the box round it and whether
    it is skin; usual : (n,) points in a box there as a rule; offset : (ways, steps) from a strip's
    middle to its pixels.
    """
    steps = np.arange(0, offset.shape[1], _BOX)
    middle, way = np.repeat(place, len(offset)), np.tile(np.arange(len(offset)), len(place))
    usual = np.repeat(usual, len(offset))
    found = np.zeros(len(middle))
    # From the middle outward most strips are soon seen to hold points.
    for step in steps[np.argsort(np.abs(steps - offset.shape[1] // 2), kind="stable")]:
        found += held[middle + offset[way, step]]
        left = found <= _LEFT_IN_LANE * len(steps) * usual
        middle, way, usual, found = middle[left], way[left], usual[left], found[left]
    seen = there[middle[:, None] + offset[way][:, steps]].sum(axis=1)
    should = seen * usual
    good = (should >= _LEAST_EXPECTED) & (found <= _LEFT_IN_LANE * should)
    return middle[good], way[good]


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
    away = [ndimage.distance_transform_edt(label != k) for k in (first, second)]
    p, q = np.nonzero(lane & (away[0] <= reach) & (away[1] <= reach))
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
        fine,
        away[0] < away[1],
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
    columns = np.column_stack([quadratic_columns(x, y), across > high])
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

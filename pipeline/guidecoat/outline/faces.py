"""Faces: the parts of a skin that are one fair surface each, and what is not judged and why."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import cKDTree

from ..errors import ScanUnfitError
from ..lines.crease import Crease
from ..unrolling.cells import Cells
from ..unrolling.polylines import near_line
from .jumps import JUMP_MM, height_jumps
from .openings import BEHIND_MM, close_dropouts

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

JUDGED, OFF, BAND, LINE, CREASE, STRIP, BEHIND, REFUSED, SPECK = range(9)
REASONS = (
    "judged",
    "no skin here",
    "edge band: scanners round edges and hems roll over",
    "sharp body line or step: it parts two faces",
    "body line: the skin turns there",
    "strip too narrow to judge with this batten",
    "behind an opening: not the outside skin",
    "no fair surface fits this part",
    "speck smaller than a mark: flying points or dirt",
)
"""Why a cell is not judged; the first means that it is."""

HEM_MM = 9.0
"""How far beyond the band along an edge a hem's return may still be seen."""

# Figures tried at half and double on eight panels (a door as doors are, flanges, holes, a fold, a
# swage, wide drop-outs): what changes stands beside each, "the same" where nothing does. A choice
# has no better reason than that.

# To either side of a line that parts, one to three cells. At half a door's inner skins pass for
# strips of the outer one; double costs the door 5 % of what is judged. How far it is carried on
# past either end, to meet what it ends at, is a choice.
_BARRIER_MM, _CARRIED_ON_MM = 9.0, 12.0
# To either side of a line along which the surface hinges: not judged from the narrowest over a
# share of how far the skin is rounded to the widest (choice). A swage at its widest loses and gains
# 1 %.
_CREASE_CORE_MM = 10.0
_WIDEST_CORE_MM = 20.0
_CORE_SHARE = 0.8
# A line parts nothing where so much of what lies by it is one face, and at least so much of it on
# either side (choice). The same.
_INSIDE_SHARE = 0.9
_LEAST_ON_A_SIDE = 0.3
# As wide a gap is a drop-out in a line when both its ends point over it. Half is the same; double
# joins lines of the door that are two, and parts a third face off. How far off the straight join an
# end may point, in degrees, is a choice.
_LINKED_MM, _LINKED_DEG = 120.0, 40.0
# A piece lies behind when neighbours so far off, and that many, stand as far above it as a hole's
# rim does above what is seen through it, and so many of them. Doubling the last makes a strip of
# the door's inner skin; else a few cells change at most.
_ACROSS_MM = 15.0
_FEWEST_ACROSS = 10
_MOST_BEHIND = 0.3
# Radii of the disc that fits a face from it into a square corner, in steps along the grid (derived:
# 2 - sqrt 2, rounded up).
_INTO_CORNERS = 0.6
# Side of a square as large as the smallest face (choice). The same.
_SMALLEST_FACE_MM = 60.0
# A cell is solid that holds such a share of the usual count, or has so many solid ones among the
# nine it is the middle of: flying points make thin fringes, drop-outs thin skin. Doubled, a panel
# of holes loses 2 % of its cells; halved, fringes of up to 162 cells come in.
_THIN_SHARE = 0.3
_SOLID_AROUND = 6
# Specks are less: cells, and share of the largest piece (choice).
_FEWEST_CELLS, _SPECK_SHARE = 9, 0.002
# Times the usual standard error: cells on an edge's roll or in a hem are that much worse. Half and
# double take or leave one to two in a hundred cells of a door, at its edges and steps.
_WORST_ERROR = 8.0
# Under it the usual error is the skin's sag in a cell, not noise. The same.
_LEAST_ERROR_MM = 1e-3
_FULL = np.ones((3, 3), bool)


@dataclass(frozen=True, eq=False)
class Faces:
    """The skin parted into faces, on the cells' grid (nu, nv).

    label : int, 1.. for the face a cell lies in (drop-outs included), 0 for none;
    reason : uint8 index into REASONS; openings : bool, inside an opening of the panel;
    inside_mm : distance to the nearest true edge, line or step; count : number of faces;
    inboard_mm : width of the band along true edges in which scans are not trusted.
    """

    label: NDArray[np.int32]
    reason: NDArray[np.uint8]
    openings: Mask
    inside_mm: Floats
    count: int
    inboard_mm: float


def from_edge_mm(cells: Cells, skin: Mask) -> Floats:
    """(nu, nv) distance (mm) inside the skin from its outline and openings, drop-outs closed."""
    closed, _, behind = close_dropouts(cells, skin)
    return depth(closed & ~behind, cells.grid.cell_mm)


def depth(mask: Mask, side: float) -> Floats:
    """Distance (mm) of cell centres inside a mask from its border, 0 outside."""
    inside = ndimage.distance_transform_edt(np.pad(mask, 1))[1:-1, 1:-1]
    return np.asarray(np.maximum(inside - 0.5, 0.0) * side)


def skin_mask(cells: Cells) -> Mask:
    """(nu, nv) cells of the skin: filled ones, without specks and without the thin fringe that
    flying points leave round the edges.
    """
    usual = float(np.median(cells.count[cells.filled]))
    solid = cells.count >= max(1.0, _THIN_SHARE * usual)
    around = ndimage.convolve(solid.astype(np.int8), _FULL.astype(np.int8), mode="constant")
    filled = cells.filled & (solid | (around >= _SOLID_AROUND))
    # Without noise the errors are the sag of the skin within a cell, which no cell is poor for.
    usual_error = max(float(np.nanmedian(cells.error_mm)), _LEAST_ERROR_MM)
    with np.errstate(invalid="ignore"):
        filled &= ~(cells.error_mm > _WORST_ERROR * usual_error)
    label, _ = ndimage.label(filled, structure=_FULL)
    size = np.bincount(label.ravel())
    size[0] = 0
    return np.asarray(filled & (size[label] >= max(_FEWEST_CELLS, _SPECK_SHARE * size.max())))


def part_faces(
    cells: Cells,
    skin: Mask,
    creases: tuple[Crease, ...],
    *,
    batten_mm: float,
    inboard_mm: float,
    elsewhere: Mask | None = None,
) -> Faces:
    """Part the skin at sharp creases, steps, openings and edges.

    Parameters
    ----------
    batten_mm : the shortest that may be used; strips under a third of it are not judged.
    inboard_mm : width of the band along true edges in which scans are not trusted.
    elsewhere : (nu, nv) bool, where another scan of the panel shows its skin, None without one.

    Raises
    ------
    ScanUnfitError : when nothing wide enough to judge is left.
    """
    parted = _parted(cells, skin, tuple(c for c in creases if c.parts), batten_mm, elsewhere)
    inside = depth(parted.body, cells.grid.cell_mm)
    label, count = _ranked(parted.piece, cells.grid.cell_mm, batten_mm)
    if count == 0:
        raise ScanUnfitError(
            f"nothing on this panel is wide enough to judge: the widest part is "
            f"{2 * inside.max():.0f} mm, a third of the batten is {batten_mm / 3:.0f} mm. "
            "Choose a shorter batten with --batten, or scan a larger part."
        )
    reason = np.where(skin, np.uint8(JUDGED), np.uint8(OFF))
    reason[cells.filled & ~skin] = BAND  # The fringe that flying points and hems leave.
    reason[skin & parted.barrier] = LINE
    reason[skin & parted.behind] = BEHIND
    reason[(reason == JUDGED) & (label == 0)] = STRIP
    reason[(reason == JUDGED) & _untrusted(cells, skin, inside, inboard_mm)] = BAND
    hinges = [c for c in creases if c not in parted.lines]
    reason[(reason == JUDGED) & _creased(cells, hinges)] = CREASE
    return Faces(label, reason, parted.openings, inside, count, inboard_mm)


@dataclass(frozen=True, eq=False)
class _Parted:
    """The skin parted, (nu, nv) each.

    body : between the lines, drop-outs included; piece : numbers of its wide parts, 0 for none;
    barrier : along lines and steps; behind : inner skins; openings : of the panel; lines : those
    that part.
    """

    body: Mask
    piece: NDArray[np.int32]
    barrier: Mask
    behind: Mask
    openings: Mask
    lines: tuple[Crease, ...]


def _parted(
    cells: Cells,
    skin: Mask,
    lines: tuple[Crease, ...],
    batten_mm: float,
    elsewhere: Mask | None,
) -> _Parted:
    """Part the skin at lines, jumps and openings, into pieces as wide as a third of the batten."""
    closed, openings, outlying = close_dropouts(cells, skin, elsewhere)
    while True:
        barrier = _barrier(cells, skin, lines)
        body = closed & ~barrier & ~outlying
        behind = outlying | _lower_skins(cells, skin, body)
        body &= ~behind
        piece, _ = ndimage.label(_wide_parts(body, batten_mm / 6.0 / cells.grid.cell_mm))
        # A line that fades out within a face parts nothing: the surface hinges along it.
        ending = [c for c in lines if _runs_inside(cells, piece, body, c)]
        if not ending:
            return _Parted(body, piece, barrier, behind, openings, lines)
        lines = tuple(c for c in lines if c not in ending)


def _ranked(
    piece: NDArray[np.int32], side: float, batten_mm: float
) -> tuple[NDArray[np.int32], int]:
    """Pieces large enough for a surface numbered from the largest on, 0 for others; their count."""
    area = np.bincount(piece.ravel()) * side**2
    area[0] = 0.0
    order = np.argsort(-area, kind="stable")
    large = order[area[order] >= max(batten_mm / 2.0, _SMALLEST_FACE_MM) ** 2]
    rank = np.zeros(len(area), np.int32)
    rank[large] = np.arange(1, len(large) + 1)
    return rank[piece], len(large)


def _untrusted(cells: Cells, skin: Mask, inside_mm: Floats, inboard_mm: float) -> Mask:
    """The band along true edges, and beside it cells of two layers or far below the skin inland."""
    hem = inside_mm <= inboard_mm + HEM_MM
    doubtful = hem & (cells.layered | _far_below(cells, skin & ~hem))
    return np.asarray((inside_mm <= inboard_mm) | doubtful)


def _creased(cells: Cells, hinges: list[Crease]) -> Mask:
    """The cores of body lines along which the surface hinges."""
    out = np.zeros(cells.grid.shape, bool)
    for crease in hinges:
        if crease.shoulder:
            continue  # So broad a bend is judged, along it.
        width = max(_CREASE_CORE_MM, min(_CORE_SHARE * crease.round_mm, _WIDEST_CORE_MM))
        out |= near_line(cells.grid, crease.line_uv, max(width, crease.pressed_mm))
    return out


def _far_below(cells: Cells, inland: Mask) -> Mask:
    """Cells far below the skin inland of them, carried on: where that has drop-outs, a hem's return
    is seen in its place.
    """
    if not inland.any():
        return np.zeros_like(inland)
    _, (i, j) = ndimage.distance_transform_edt(~inland, return_indices=True)
    carried = cells.height_mm[i, j]
    carried = carried + np.nan_to_num(cells.slope_u)[i, j] * (cells.u_mm - cells.u_mm[i, j])
    carried = carried + np.nan_to_num(cells.slope_v)[i, j] * (cells.v_mm - cells.v_mm[i, j])
    with np.errstate(invalid="ignore"):
        return np.asarray(cells.height_mm < carried - JUMP_MM)


def _lower_skins(cells: Cells, skin: Mask, body: Mask) -> Mask:
    """Pieces whose neighbours, across a jump, stand well above them: inner skins, frames, floor."""
    label, count = ndimage.label(body)
    size = np.bincount(label.ravel(), minlength=count + 1)
    lower = np.zeros_like(body)
    # Beyond the barrier's cells on either side and the lane between them.
    reach = max(2, round(_ACROSS_MM / cells.grid.cell_mm)) + 2
    for k, box in enumerate(ndimage.find_objects(label), start=1):
        if size[k] > 0.5 * size[1:].sum():
            continue
        grown = tuple(slice(max(0, s.start - reach - 1), s.stop + reach + 1) for s in box)
        piece = (label[grown] == k) & skin[grown]
        if not piece.any():
            continue
        away, (i, j) = ndimage.distance_transform_edt(~piece, return_indices=True)
        ring = skin[grown] & (label[grown] != k) & (away <= reach)
        if ring.sum() < _FEWEST_ACROSS:
            continue
        height = cells.height_mm[grown]
        above = height[ring] - height[i[ring], j[ring]]
        if (above > BEHIND_MM).mean() > _MOST_BEHIND:
            lower[grown] |= label[grown] == k
    return lower


def _barrier(cells: Cells, skin: Mask, creases: tuple[Crease, ...]) -> Mask:
    """Cells along lines that part, and either side of a jump in height."""
    barrier = np.zeros_like(skin)
    for crease in creases:
        barrier |= near_line(cells.grid, crease.line_uv, _BARRIER_MM, extend_mm=_CARRIED_ON_MM)
    for link in _links([c.line_uv for c in creases]):
        barrier |= near_line(cells.grid, link, _BARRIER_MM)
    return barrier | height_jumps(cells, skin)


def _runs_inside(cells: Cells, label: NDArray[np.int32], body: Mask, crease: Crease) -> bool:
    """Whether a sharp line has the same face on both sides: it fades out and parts nothing."""
    if crease.kind == "step":
        return False
    place = np.nonzero(near_line(cells.grid, crease.line_uv, 3.0 * _BARRIER_MM) & body)
    near = label[place]
    if not near.any():
        return False
    same = near == np.bincount(near[near > 0]).argmax()
    u, v = cells.grid.u_mm[place[0]], cells.grid.v_mm[place[1]]
    off = _side_of(crease.line_uv, np.column_stack([u, v]))
    either = min(float((same & (off > 0)).mean()), float((same & (off < 0)).mean()))
    return bool(same.mean() > _INSIDE_SHARE and either > _LEAST_ON_A_SIDE)


def _side_of(line_uv: Floats, place_uv: Floats) -> Floats:
    """(n,) to which side of a line places lie: + to the left of the way it runs."""
    way = np.gradient(line_uv, axis=0)
    nearest = cKDTree(line_uv).query(place_uv)[1]
    apart = place_uv - line_uv[nearest]
    return np.asarray(way[nearest, 0] * apart[:, 1] - way[nearest, 1] * apart[:, 0])


def _links(lines: list[Floats]) -> list[Floats]:
    """Straight joins between ends of lines that run towards each other across a drop-out."""
    ends = [(line[0], line[0] - line[min(4, len(line) - 1)]) for line in lines]
    ends += [(line[-1], line[-1] - line[max(-5, -len(line))]) for line in lines]
    joins = []
    for k, (a, way_a) in enumerate(ends):
        for b, way_b in ends[k + 1 :]:
            chord = b - a
            gap = float(np.linalg.norm(chord))
            if not 1.0 < gap < _LINKED_MM:
                continue
            ahead = chord @ way_a / (gap * np.linalg.norm(way_a))
            back = -chord @ way_b / (gap * np.linalg.norm(way_b))
            if min(ahead, back) > np.cos(np.radians(_LINKED_DEG)):
                joins.append(np.array([a, b]))
    return joins


def _wide_parts(body: Mask, radius_cells: float) -> Mask:
    """The parts a disc of this radius fits into, with their corners."""
    padded = np.pad(body, 1)
    core = ndimage.distance_transform_edt(padded) > radius_cells
    if not core.any():
        return np.zeros_like(body)
    opened = padded & (ndimage.distance_transform_edt(~core) <= radius_cells)
    steps = max(1, int(np.ceil(_INTO_CORNERS * radius_cells)))
    grown = ndimage.binary_dilation(opened, iterations=steps, mask=padded)
    return np.asarray(grown[1:-1, 1:-1])

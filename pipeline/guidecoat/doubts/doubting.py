"""Regions that a scan alone does not settle: the one place that states what is doubted, and when.

A doubt only ever turns `out` into `undecided`; what is sure is said by the fair surface.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ..findings.beside_lines import BesideLines, beside_lines
from ..findings.regions import Region
from ..findings.untold import doubt_forms
from ..lines.crease import Crease
from ..measuring.deviation import CellDeviation
from ..outline.double_skins import DoubleSkin, find_double_skins, look_for_layers
from ..outline.faces import BAND, Faces
from ..panel.flying import MANY, flying_share
from ..panel.given import OffPoint
from ..scans.scan import Scan
from ..settings import Settings
from ..surface.fairing import FairSurface
from ..unrolling.cells import Cells, ChartedPoints
from ..unrolling.chart import Grid
from .cut_off import widen_cut_off
from .ripple_doubts import doubt_ripple

Mask = NDArray[np.bool_]

FLYING = "it may be points that fly: many do in this scan"
ROLLED = "it may be the rim, which rolls off in this scan more than an edge does"
SCARCE = "it may be no panel: so little of what was scanned could be judged"
FACETS = "it may be the facets of the mesh, which was thinned there"
LEAST_JUDGED = 0.48
"""Of what was scanned; a door with its frame, recess and inner skin has a half and more."""

# Of a region's cells that are where the scan is in doubt (choice).
_MOSTLY = 0.5
# Of the cells (choice): between marks thinned meshes have a vertex in some 3 to 30 of a hundred.
_MOSTLY_BARE = 0.4
# Times the least height seen, beyond the tolerance: clear of both (choice).
_CLEAR = 1.5
# A slope is averaged over so far to either side, and what filters round a step goes on as far
# again (choice).
_STEPS_WITHIN_MM = 60.0
# Of the skin. Less is a lost place of the scanner, more is every pass by itself (choice).
_MUCH_TWICE = 0.1
# Measured: covers 57 of 58 marks on 13 made-up panels with passes 0.1 to 0.2 mm off each other.
_OF_APART = 0.7
# Of a mark's height. Measured: covers 22 of 24 on made-up shoulders; two at the beginning of abrupt
# bends read a third too low.
_GIVES_WAY = 0.15
# The surface swings over beside a point that pulls it off the skin: by 7 % (measured) within the
# length of a batten.
_SWINGS_OVER = 0.2


@dataclass(frozen=True, eq=False)
class Seen:
    """A scan on a chart, and what in it makes its marks doubtful.

    skin : (nu, nv) bool; doubles : patches where it lies twice; flying : share of its points that
    lie off it.
    """

    scan: Scan
    charted: ChartedPoints
    cells: Cells
    skin: Mask
    doubles: tuple[DoubleSkin, ...]
    flying: float

    @classmethod
    def on(cls, scan: Scan, charted: ChartedPoints, cells: Cells, skin: Mask, faces: Faces) -> Seen:
        """Look at a scan that was laid on the chart and faces of another."""
        doubles = find_double_skins(look_for_layers(charted, cells), cells, faces)
        return cls(scan, charted, cells, skin, doubles, flying_share(charted, cells, skin))


def doubt_regions(
    regions: tuple[Region, ...],
    found: CellDeviation,
    seen: Seen,
    faces: Faces,
    creases: tuple[Crease, ...],
    fair: FairSurface,
    settings: Settings,
) -> tuple[Region, ...]:
    """Regions with those undecided that a scan cannot tell from noise, a second skin or form."""
    if not regions:
        return ()
    cells, limit = seen.cells, settings.tolerance.height_mm
    beside = beside_lines(cells, faces, creases)
    regions = doubt_unseen(regions, found.smallest_visible_mm, limit)
    regions = doubt_doubled(regions, seen.doubles, cells, seen.skin, tolerance_mm=limit)
    regions = doubt_flying(regions, seen.flying)
    regions = doubt_broad(regions, beside, tolerance_mm=limit)
    regions = widen_cut_off(regions, found, cells, faces)
    regions = doubt_ripple(regions, found, cells, settings)
    regions = doubt_forms(regions, found, cells, faces, beside, fair, settings)
    regions = doubt_facets(regions, seen.scan, seen.charted, cells)
    return doubt_rolled(regions, faces, inboard_mm=settings.edges.inboard_mm)


def _doubted(
    regions: tuple[Region, ...], why: str, applies: Callable[[Region], bool]
) -> tuple[Region, ...]:
    """Regions with those undecided that a doubt applies to; an earlier doubt stays the reason."""
    return tuple(
        replace(region, verdict="undecided", doubt=region.doubt or why)
        if applies(region)
        else region
        for region in regions
    )


def doubt_flying(regions: tuple[Region, ...], flying: float) -> tuple[Region, ...]:
    """Knocks in edges, undecided where many points fly: a band along an edge has few to tell."""
    if flying <= MANY:
        return regions
    return _doubted(regions, FLYING, lambda r: bool(r.edge) and r.peak_mm == r.edge_peak_mm)


def doubt_unseen(
    regions: tuple[Region, ...], visible_mm: float, tolerance_mm: float
) -> tuple[Region, ...]:
    """On a scan that cannot see its tolerance only what stands well clear of both is out."""
    if visible_mm <= tolerance_mm:
        return regions
    clear = tolerance_mm + _CLEAR * visible_mm
    return tuple(
        replace(region, verdict="undecided")
        if region.kind == "ripple" or abs(region.peak_mm) < clear
        else region
        for region in regions
    )


def doubt_doubled(
    regions: tuple[Region, ...],
    doubles: Sequence[DoubleSkin],
    cells: Cells,
    skin: Mask,
    *,
    tolerance_mm: float,
) -> tuple[Region, ...]:
    """Widen the uncertainty of what lies mostly where the skin lies twice, by half their distance.

    Either skin may be the true one and the surface lies between. What is then no longer surely
    beyond the tolerance is undecided, and so is ripple, also beside such patches: where one of the
    skins ends, the other goes on a step higher or lower. Where much of the panel lies twice, its
    passes lie off each other all over, and every height carries what they do.
    """
    if not doubles:
        return regions
    side = cells.grid.cell_mm
    areas = np.array([double.area_cm2 for double in doubles])
    if areas.sum() > _MUCH_TWICE * float(skin.sum()) * side**2 / 100.0:
        apart = float(areas @ [double.apart_mm for double in doubles] / areas.sum())
        regions = tuple(_widened(r, _OF_APART * apart, tolerance_mm) for r in regions)
    twice = np.any([double.cells for double in doubles], axis=0)
    near = ndimage.distance_transform_edt(~twice) * side < _STEPS_WITHIN_MM
    return tuple(_on_both(region, doubles, near, tolerance_mm) for region in regions)


def doubt_broad(
    regions: tuple[Region, ...], beside: BesideLines, *, tolerance_mm: float
) -> tuple[Region, ...]:
    """Widen the uncertainty of marks on shoulders: the surface gives way across them there."""
    return tuple(
        _widened(region, _GIVES_WAY * abs(region.peak_mm), tolerance_mm)
        if beside.broad[region.footprint].mean() > _MOSTLY
        else region
        for region in regions
    )


def _widened(region: Region, by_mm: float, tolerance_mm: float) -> Region:
    """A high or low with something more in its uncertainty."""
    if region.kind == "ripple":
        return region
    unsure = float(np.hypot(region.uncertainty_mm, by_mm))
    sure = abs(region.peak_mm) > tolerance_mm + unsure
    return replace(region, uncertainty_mm=unsure, verdict=region.verdict if sure else "undecided")


def _on_both(
    region: Region, doubles: Sequence[DoubleSkin], near: Mask, tolerance_mm: float
) -> Region:
    over = [s for s in doubles if (region.core & s.cells).sum() > _MOSTLY * region.core.sum()]
    if (
        region.kind == "ripple"
        and not over
        and region.core[near].sum() > _MOSTLY * region.core.sum()
    ):
        over = [max(doubles, key=lambda s: int((region.core & s.cells).sum()))]
    if not over:
        return region
    unsure = region.uncertainty_mm + 0.5 * over[0].apart_mm
    sure = region.kind != "ripple" and abs(region.peak_mm) > tolerance_mm + unsure
    verdict = region.verdict if sure else "undecided"
    doubt = "" if sure else f"the skin lies twice there, {over[0].apart_mm:.2f} mm apart"
    return replace(region, uncertainty_mm=unsure, verdict=verdict, doubt=doubt)


def doubt_scarce(regions: tuple[Region, ...], share_judged: float) -> tuple[Region, ...]:
    """Everything undecided where too little of a scan could be judged to call it one panel."""
    return _doubted(regions, SCARCE, lambda _: share_judged < LEAST_JUDGED)


def doubt_facets(
    regions: tuple[Region, ...], scan: Scan, charted: ChartedPoints, cells: Cells
) -> tuple[Region, ...]:
    """Ripple undecided where a thinned mesh has few vertices: its flat triangles make slopes."""
    if not scan.filled_in:
        return regions
    own = charted.uvh[: len(scan.vertices)][charted.counted[: len(scan.vertices)]]
    bare = np.ones(cells.grid.shape, bool)
    bare[cells.grid.index(own[:, 0], own[:, 1])] = False

    def on_facets(region: Region) -> bool:
        there = region.core[bare].sum() > _MOSTLY_BARE * region.core.sum()
        return region.kind == "ripple" and bool(there)

    return _doubted(regions, FACETS, on_facets)


def doubt_rolled(
    regions: tuple[Region, ...], faces: Faces, *, inboard_mm: float
) -> tuple[Region, ...]:
    """Marks at an edge, undecided where rims roll off beyond the band that is never trusted.

    inboard_mm : width of that band.
    """
    if faces.inboard_mm <= inboard_mm:
        return regions
    band = ndimage.binary_dilation(faces.reason == BAND)
    return _doubted(regions, ROLLED, lambda r: bool(r.edge) or bool((r.footprint & band).any()))


def doubt_held(
    regions: tuple[Region, ...],
    points: tuple[OffPoint, ...],
    grid: Grid,
    *,
    tolerance_mm: float,
    batten_mm: float,
) -> tuple[Region, ...]:
    """Marks that one point to hold may have made, undecided: the surface was pulled off the skin.

    A point is not doubted where a second one in the same mark lies off the same way: two agree.
    """
    if not points:
        return regions
    out = list(regions)
    at = _cells_of(points, grid)
    for k, region in enumerate(regions):
        away = ndimage.distance_transform_edt(~region.footprint) * grid.cell_mm
        off = list(zip(away[at].tolist(), points, strict=True))
        within = [p for aside, p in off if aside <= 2.0 * grid.cell_mm]
        for aside, point in sorted(off, key=lambda one: -abs(one[1].off_mm)):
            inside = point in within
            if inside and sum(p.off_mm * point.off_mm > 0 for p in within) > 1:
                continue
            made = abs(point.off_mm) * (1.0 if inside else _SWINGS_OVER) + region.uncertainty_mm
            if aside > batten_mm or abs(region.peak_mm) > made + tolerance_mm * inside:
                continue
            doubt = (
                f"hold point {point.number} may have made it, which lies {point.words} the skin: "
                f"measure hold point {point.number} again"
            )
            out[k] = replace(region, verdict="undecided", doubt=doubt)
            break
    return tuple(out)


def _cells_of(points: tuple[OffPoint, ...], grid: Grid) -> tuple[NDArray[np.int64], ...]:
    """The cells nearest to points, which may lie a little outside the grid."""
    i, j = grid.index(np.array([p.u_mm for p in points]), np.array([p.v_mm for p in points]))
    return np.clip(i, 0, grid.shape[0] - 1), np.clip(j, 0, grid.shape[1] - 1)

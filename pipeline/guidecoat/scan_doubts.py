"""What is doubtful about a scan itself, in words: a skin that lies twice, a lane right across."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from .cells import Cells, ChartedPoints
from .chart import Grid
from .coverage import measure_coverage
from .double_skins import DoubleSkin
from .edges import Edge, torn_rims
from .faces import BAND, Faces
from .flying import MANY
from .given import OffPoint
from .places import Place, place_of
from .regions import Region
from .scan import Scan
from .shut_lines import ShutLine
from .unrolled import Unrolled

Mask = NDArray[np.bool_]

_MOSTLY = 0.5
# Sound scans lack up to 2 % of a skin (measured), and corners may look torn.
_MUCH_MISSING = 0.03
_LONG_TORN_MM = 150.0
FLYING = "it may be points that fly: many do in this scan"
ROLLED = "it may be the rim, which rolls off in this scan more than an edge does"
SCARCE = "it may be no panel: so little of what was scanned could be judged"
LEAST_JUDGED = 0.48
"""Of what was scanned; a door with its frame, recess and inner skin has a half and more."""
FACETS = "it may be the facets of the mesh, which was thinned there"
# Of the cells (choice): between marks thinned meshes have a vertex in some 3 to 30 of a hundred.
_MOSTLY_BARE = 0.4
_CLEAR = 1.5
# A slope is averaged over so far to either side, and what filters round a step goes on as far
# again (choice).
_STEPS_WITHIN_MM = 60.0
# Of the skin. Less is a lost place of the scanner, more is every pass by itself (choice).
_MUCH_TWICE = 0.1
# Measured: covers 57 of 58 marks on 13 made-up panels with passes 0.1 to 0.2 mm off each other.
_OF_APART = 0.7
# The surface swings over beside a point that pulls it off the skin: by 7 % (measured) within the
# length of a batten.
_SWINGS_OVER = 0.2


def double_words(doubles: Sequence[DoubleSkin], place: Place) -> str:
    """How much lies twice and where, the largest patch first; place : of that one."""
    rest = len(doubles) - 1
    more = f"; and {rest} more" if rest else ""
    return (
        f"{doubles[0].area_cm2:.0f} cm2 lie twice, {doubles[0].apart_mm:.2f} mm apart, "
        f"{place}{more}"
    )


def lane_words(line: ShutLine, place: Place) -> str:
    """How wide, how long and where a lane is."""
    return (
        f"a lane {line.width_mm:.0f} mm wide without points runs {line.length_mm:.0f} mm right "
        f"across, its middle {place}"
    )


def scan_doubts(unrolled: Unrolled, edges: Sequence[Edge]) -> list[str]:
    """Warnings with their remedies; while one stands a panel is not known to be in tolerance."""
    said = []
    if unrolled.doubles:
        first = unrolled.doubles[0]
        where = double_words(unrolled.doubles, place_of(unrolled, edges, first.u_mm, first.v_mm))
        said.append(
            f"{where}: the scanner lost its place, or two scans were laid over each other badly. "
            "Heights there are a mixture of both skins. Delete the second skin in the scanning "
            "program, or scan again."
        )
    if unrolled.ground:
        said.append(
            f"{100.0 * unrolled.ground:.0f} % of the points lie in one plane that all the rest "
            "stands above. If that is a table or floor, what is called the panel here is the "
            "table, and edges and tape distances are the table's: take the panel out with "
            "`guidecoat crop --at` and check again."
        )
    if unrolled.shut_line is not None:
        line = unrolled.shut_line
        where = lane_words(line, place_of(unrolled, edges, line.u_mm, line.v_mm))
        said.append(
            f"{where[0].upper()}{where[1:]}: the shut line between two panels, or a strip that "
            "was not scanned. The surface was laid right over it. If it is two panels, take "
            "each out with `guidecoat crop --box` and check it by itself; if it is one, scan the "
            "strip again."
        )
    return said


def gap_words(unrolled: Unrolled, inboard_mm: float) -> list[str]:
    """Warnings with their remedies of what was not scanned well enough.

    They keep no panel from being in tolerance as far as it was seen.

    inboard_mm : width of the band along edges that is never trusted.
    """
    u, said = unrolled, []
    length_mm, bays_cm2 = torn_rims(u.cells, u.faces, u.creases)
    coverage = measure_coverage(u.cells, u.skin, u.faces)
    holes_cm2 = sum(hole.area_cm2 for hole in coverage.drop_outs)
    seen_cm2 = float(u.skin.sum()) * u.cells.grid.cell_mm**2 / 100.0
    share = (holes_cm2 + bays_cm2) / (seen_cm2 + holes_cm2 + bays_cm2)
    if share >= _MUCH_MISSING:
        said.append(
            f"At least {100.0 * share:.0f} % of the skin was not scanned "
            f"({holes_cm2 + bays_cm2:.0f} cm2 in holes and bays of the scan, if none is cut out of "
            "the panel): nothing is known of it, and damage there is missed. Scan those parts "
            "again: mat a skin that shines, and turn the scanner to where it could not see."
        )
    if length_mm >= _LONG_TORN_MM:
        said.append(
            f"{length_mm:.0f} mm of the outline wander or step inboard, as where a rim was not "
            "scanned: no edge is named or held there, and no knock in it is seen. Scan the rim "
            "there again, from outside it too; where the panel is cut out so, pay no heed."
        )
    if u.faces.inboard_mm > inboard_mm:
        said.append(
            f"All round, the skin rolls off within {u.faces.inboard_mm:.0f} mm of where it ends: a "
            "mesh that was closed over the rim and trimmed, or skin that is bent there. Nothing "
            "is judged or held so near the rim, and marks at it are undecided. Check the "
            "scanner's own points instead of the mesh, or trim it farther in."
        )
    if u.scan.filled_in:
        said.append(
            "The mesh was thinned, so heights were taken from its triangles as well, between the "
            "vertices. Ripple on large ones cannot be told from facets. "
            "Export the scan without thinning it."
        )
    if u.flying > MANY:
        said.append(
            f"At least {100.0 * u.flying:.0f} % of the points fly off the skin: heights are "
            "averaged without them, but where they lie close together small marks are missed or "
            "feigned, along edges most. Remedy: mat a skin that shines, keep stray light off, "
            "delete outliers in the scanning program, or scan again."
        )
    return said


def doubt_flying(regions: tuple[Region, ...], flying: float) -> tuple[Region, ...]:
    """Knocks in edges, undecided where many points fly: a band along an edge has few to tell."""
    if flying <= MANY:
        return regions
    return tuple(
        replace(region, verdict="undecided", doubt=region.doubt or FLYING)
        if region.edge and region.peak_mm == region.edge_peak_mm
        else region
        for region in regions
    )


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
        regions = tuple(_widened(region, apart, tolerance_mm) for region in regions)
    twice = np.any([double.cells for double in doubles], axis=0)
    near = ndimage.distance_transform_edt(~twice) * side < _STEPS_WITHIN_MM
    return tuple(_doubted(region, doubles, near, tolerance_mm) for region in regions)


def _widened(region: Region, apart_mm: float, tolerance_mm: float) -> Region:
    """A high or low with what the passes lie apart in its uncertainty."""
    if region.kind == "ripple":
        return region
    unsure = float(np.hypot(region.uncertainty_mm, _OF_APART * apart_mm))
    sure = abs(region.peak_mm) > tolerance_mm + unsure
    return replace(region, uncertainty_mm=unsure, verdict=region.verdict if sure else "undecided")


def _doubted(
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


def doubt_scarce(regions: tuple[Region, ...], judged: Mask, cells: Cells) -> tuple[Region, ...]:
    """Everything undecided where too little of a scan could be judged to call it one panel."""
    if judged.sum() >= LEAST_JUDGED * cells.filled.sum():
        return regions
    return tuple(
        replace(region, verdict="undecided", doubt=region.doubt or SCARCE) for region in regions
    )


def doubt_facets(
    regions: tuple[Region, ...], scan: Scan, charted: ChartedPoints, cells: Cells
) -> tuple[Region, ...]:
    """Ripple undecided where a thinned mesh has few vertices: its flat triangles make slopes."""
    if not scan.filled_in:
        return regions
    own = charted.uvh[: len(scan.vertices)][charted.counted[: len(scan.vertices)]]
    bare = np.ones(cells.grid.shape, bool)
    bare[cells.grid.index(own[:, 0], own[:, 1])] = False
    return tuple(
        replace(region, verdict="undecided", doubt=region.doubt or FACETS)
        if region.kind == "ripple" and region.core[bare].sum() > _MOSTLY_BARE * region.core.sum()
        else region
        for region in regions
    )


def doubt_rolled(
    regions: tuple[Region, ...], faces: Faces, *, inboard_mm: float
) -> tuple[Region, ...]:
    """Marks at an edge, undecided where rims roll off beyond the band that is never trusted.

    inboard_mm : width of that band.
    """
    if faces.inboard_mm <= inboard_mm:
        return regions
    band = ndimage.binary_dilation(faces.reason == BAND)
    return tuple(
        replace(region, verdict="undecided", doubt=region.doubt or ROLLED)
        if region.kind != "ripple" and (region.edge or (region.footprint & band).any())
        else region
        for region in regions
    )


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

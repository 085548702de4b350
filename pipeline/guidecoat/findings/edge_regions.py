"""Knocks in edges as regions: measured as the others are, or joined to the one they run into."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import cKDTree

from ..lines.crease import Crease
from ..measuring.deviation import CellDeviation
from ..outline.edge_lines import Ding, EdgeLine
from ..outline.edges import BORDER, Edge
from ..outline.faces import Faces
from ..rules import GUARD
from ..scans.scan import Scan
from ..settings import ToleranceSettings
from ..surface.edge_bands import EdgeBand, off_surface
from ..surface.edge_knocks import Knock, find_knocks
from ..surface.fairing import FairSurface
from ..unrolling.cells import Cells
from ..unrolling.chart import Chart
from ..unrolling.polylines import ends_of
from .regions import Region, named, sides_mm, verdict_at
from .tapes import Metal, tape_distances
from .untold import REASONS, SLENDER

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# The rim of the band lies between a region's cells and a knock's, and either may miss one.
_TOUCHING_CELLS = 2
# At a rim, of a hem above all, the deepest part is not seen: peaks read 5 to 25 % low (measured).
_READ_LOW = 0.12
# Dings are placed by stations, up to a knot of 20 mm apart, and by the line's window (choice).
_BESIDE_MM = 40.0
# Cosine of 45 degrees: a slender mark that runs out over an edge so nearly square to it is no knock
# in it but a swage, a scratch (choice).
_STEEPLY = 0.7
# Judged cells beside a ding, that say how sure the surface is there.
_FEW_NEAR = 9
# The median of a slope needs no more than one cell in so many.
_EVERY = 50
_FULL = np.ones((3, 3), bool)


def _knocks_in(
    bands: tuple[EdgeBand, ...],
    fair: FairSurface,
    faces: Faces,
    found: CellDeviation,
    cells: Cells,
    tolerance: ToleranceSettings,
) -> tuple[Knock, ...]:
    """Find the knocks in all edges, against the surfaces as they were laid in the end."""
    surface = {face.face: face for face in fair.faces}
    out: list[Knock] = []
    for band in bands:
        face = surface.get(band.edge.face)
        if face is None:
            continue
        near = found.judged & (faces.label == face.face) & (faces.inside_mm <= 2.0 * band.width_mm)
        if not near.any():
            continue
        off = off_surface(band, face.space, face.fit.coefficients)
        few = (cells.u_mm[near][::_EVERY], cells.v_mm[near][::_EVERY])
        slope_u = face.space.rows(*few, du=1) @ face.fit.coefficients
        slope_v = face.space.rows(*few, dv=1) @ face.fit.coefficients
        # Heights of the chart stand slantwise on the skin.
        upright = 1.0 / float(np.median(np.sqrt(1.0 + slope_u**2 + slope_v**2)))
        out += find_knocks(
            band,
            off * upright,
            tolerance_mm=tolerance.height_mm,
            surface_sigma_mm=float(np.median(found.surface_sigma_mm[near])),
        )
    return tuple(out)


def with_knocks(
    regions: tuple[Region, ...],
    bands: tuple[EdgeBand, ...],
    fair: FairSurface,
    faces: Faces,
    found: CellDeviation,
    cells: Cells,
    chart: Chart,
    scan: Scan,
    edges: tuple[Edge, ...],
    tolerance: ToleranceSettings,
) -> tuple[Region, ...]:
    """Regions with the knocks in edges among them, each high or low once."""
    every = list(regions)
    knocks = _knocks_in(bands, fair, faces, found, cells, tolerance)
    if not knocks:
        return named(every)
    metal = Metal.of(cells, chart, cells.filled)
    for knock in knocks:
        core, whole = (
            _cells_of(knock, cells, only) for only in (knock.core, np.ones_like(knock.core))
        )
        own = _region(knock, core, whole, chart, scan, edges, tolerance, metal)
        near = ndimage.binary_dilation(whole, _FULL, iterations=_TOUCHING_CELLS)
        shared = [int((r.footprint & near).sum()) * (r.kind == knock.kind) for r in every]
        if max(shared, default=0):
            best = int(np.argmax(shared))
            every[best] = _joined(every[best], own, knock, found, metal)
        else:
            every.append(own)
    return named(every)


def without_told(
    fair: FairSurface, regions: tuple[Region, ...], cells: Cells, creases: tuple[Crease, ...]
) -> FairSurface:
    """The fair surface with its edges' dings less those that a region tells of, and those in which
    what may be form runs out over the edge: a body line, or a mark that is doubted or slender.
    """
    ends = ends_of(c.line_uv for c in creases)

    def told(line: EdgeLine, ding: Ding) -> bool:
        at = np.array([ding.u_mm, ding.v_mm])
        return (
            any(
                np.hypot(ding.u_mm - r.u_mm, ding.v_mm - r.v_mm)
                < 0.5 * (ding.length_mm + r.length_mm) + _BESIDE_MM
                for r in regions
                if r.edge == line.name
            )
            or _beside(ends, at)
            or any(_runs_out(r, line, ding, cells) for r in regions)
        )

    def left(line: EdgeLine) -> EdgeLine:
        return replace(line, dings=tuple(ding for ding in line.dings if not told(line, ding)))

    faces = tuple(replace(f, edges=tuple(left(line) for line in f.edges)) for f in fair.faces)
    return replace(fair, faces=faces)


def _beside(places: Floats, at: Floats) -> bool:
    """Whether one of (k, 2) places lies beside (2,) a ding."""
    return bool(np.hypot(*(places - at).T).min(initial=np.inf) < _BESIDE_MM)


def _runs_out(region: Region, line: EdgeLine, ding: Ding, cells: Cells) -> bool:
    """Whether a ding is where a mark that may be form, to its side, runs out over the edge."""
    slender = region.length_mm >= SLENDER * region.width_mm
    if region.kind != ("high" if ding.height_mm > 0.0 else "low"):
        return False
    if not slender and region.doubt not in REASONS:
        return False
    at, there = np.array([ding.u_mm, ding.v_mm]), region.footprint & cells.filled
    places = np.column_stack([cells.u_mm[there], cells.v_mm[there]])
    if not _beside(places, at) or not slender:
        return _beside(places, at)
    # One that runs along the edge is no reason for a knock in it.
    inward = line.inward_uv[np.hypot(*(line.station_uv - at).T).argmin()]
    along = np.linalg.eigh(np.cov(places.T))[1][:, 1]
    return bool(abs(along @ inward) > _STEEPLY)


def without_borders(fair: FairSurface) -> FairSurface:
    """The fair surface without the borders among its edges, on which it rests and no more."""
    faces = tuple(
        replace(f, edges=tuple(e for e in f.edges if e.kind != BORDER)) for f in fair.faces
    )
    return replace(fair, faces=faces)


def without_unsure(
    fair: FairSurface, found: CellDeviation, cells: Cells, *, tight: bool
) -> tuple[FairSurface, tuple[tuple[str, Ding], ...]]:
    """The fair surface without the dings that it is not sure enough of to tell, and those with the
    names of their edges.

    Parameters
    ----------
    tight : whether the form turns tighter than the batten follows: then none is sure.
    """
    judged = np.argwhere(found.judged)
    if not len(judged):
        return fair, ()
    tree = cKDTree(np.column_stack([cells.u_mm[found.judged], cells.v_mm[found.judged]]))
    unsure: list[tuple[str, Ding]] = []

    def sure(line: EdgeLine, ding: Ding) -> bool:
        near = tree.query((ding.u_mm, ding.v_mm), k=min(_FEW_NEAR, len(judged)))[1]
        sigma = float(np.max(found.surface_sigma_mm[tuple(judged[near].T)]))
        if not tight and abs(ding.height_mm) > 2.0 * sigma:
            return True
        unsure.append((line.name, ding))
        return False

    faces = tuple(
        replace(
            face,
            edges=tuple(
                replace(line, dings=tuple(d for d in line.dings if sure(line, d)))
                for line in face.edges
            ),
        )
        for face in fair.faces
    )
    return replace(fair, faces=faces), tuple(unsure)


def _cells_of(knock: Knock, cells: Cells, chosen: Mask) -> Mask:
    """(nu, nv) bool, the cells in which the chosen patches lie."""
    out = np.zeros(cells.grid.shape, bool)
    out[cells.grid.index(*knock.patch_uv[chosen].T)] = True
    return out


def _region(
    knock: Knock,
    core: Mask,
    whole: Mask,
    chart: Chart,
    scan: Scan,
    edges: tuple[Edge, ...],
    tolerance: ToleranceSettings,
    metal: Metal,
) -> Region:
    place = np.array([knock.u_mm, knock.v_mm])
    x, y, z = scan.to_file_frame(chart.to_space(np.array([[*place, knock.height_mm]])))[0]
    verdict = verdict_at(abs(knock.peak_mm), knock.sigma_mm, tolerance.height_mm)
    return Region(
        "",
        knock.kind,
        "out" if verdict == "out" else "undecided",
        knock.peak_mm,
        2.0 * float(np.hypot(knock.sigma_mm, _READ_LOW * knock.peak_mm)),
        float(knock.patch_mm.mean()),
        knock.patch_mm2 * len(knock.patch_mm) / 100.0,
        knock.patch_mm2 * float(knock.patch_mm.sum()) / 1000.0,
        max(knock.length_mm, knock.width_mm),
        min(knock.length_mm, knock.width_mm),
        knock.slope_mrad,
        float(x),
        float(y),
        float(z),
        knock.u_mm,
        knock.v_mm,
        tape_distances(place, edges, face=knock.face, metal=metal),
        "",
        core,
        whole,
        knock.edge,
        edge_peak_mm=knock.peak_mm,
    )


def _joined(
    region: Region, own: Region, knock: Knock, found: CellDeviation, metal: Metal
) -> Region:
    """A region that runs out into an edge: with what lies in the band, which it knew nothing of."""
    beyond = ~found.judged[metal.grid.index(*knock.patch_uv.T)]
    area = region.area_cm2 + knock.patch_mm2 * float(beyond.sum()) / 100.0
    volume = region.volume_cm3 + knock.patch_mm2 * float(knock.patch_mm[beyond].sum()) / 1000.0
    footprint = region.footprint | own.footprint
    # In a corner it runs out over two edges: the one that is farther off is named.
    at_edge = max(region, own, key=lambda r: abs(r.edge_peak_mm))
    long_side, short_side = sides_mm(footprint, metal)
    joined = replace(
        region,
        mean_mm=10.0 * volume / area,
        area_cm2=area,
        volume_cm3=volume,
        length_mm=long_side,
        width_mm=short_side,
        max_slope_mrad=max(region.max_slope_mrad, own.max_slope_mrad),
        core=region.core | own.core,
        footprint=footprint,
        edge=at_edge.edge,
        edge_peak_mm=at_edge.edge_peak_mm,
    )
    if abs(own.peak_mm) - GUARD * knock.sigma_mm <= abs(region.peak_mm):
        return joined
    return replace(
        joined,
        verdict="out" if "out" in (region.verdict, own.verdict) else "undecided",
        peak_mm=own.peak_mm,
        uncertainty_mm=own.uncertainty_mm,
        x=own.x,
        y=own.y,
        z=own.z,
        u_mm=own.u_mm,
        v_mm=own.v_mm,
        from_edges=own.from_edges,
    )

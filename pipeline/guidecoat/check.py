"""The one place that states the order of a check: from a scan to highs and lows."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from threadpoolctl import threadpool_limits

from .cautions import cautions_for
from .clock import Clock
from .doubts.doubting import Seen, doubt_held, doubt_regions, doubt_scarce
from .doubts.remarks import doubts_of, warnings_of
from .doubts.ripple_doubts import marks_amid_doubt, ripple_words
from .doubts.scan_doubts import spot_words
from .doubts.wander import with_wander
from .errors import ScanUnfitError
from .findings.edge_regions import with_knocks, without_borders, without_told, without_unsure
from .findings.judging import (
    refuse_noise,
    share_judged,
    status_of,
    verdict_of,
    without_refused,
    without_specks,
)
from .findings.line_dents import with_line_dents
from .findings.marks import Mark, find_marks
from .findings.regions import Region, measure_regions
from .findings.untold import turns_tight, unsure_words, untold_words
from .lines.crease import Crease
from .measuring.blind import NOISE
from .measuring.counts import PointCounts, count_points
from .measuring.deviation import (
    CellDeviation,
    Deviation,
    measure_cells,
    measure_points,
)
from .measuring.spots import find_spots
from .outline.edge_lines import Ding, EdgeLine
from .outline.edges import BORDER, Edge, find_edges
from .outline.faces import Faces
from .panel.given import OffPoint, off_words, points_off, read_hold_points, require_on_panel
from .panel.surroundings import off_surroundings
from .panel.unrolled import Unrolled, shouldered, unroll
from .scans.scan import Scan
from .scans.scan_io import read_scan
from .settings import Settings, require_edges
from .surface.edge_bands import EdgeBand, edge_bands
from .surface.face_jobs import Held
from .surface.fairing import FairSurface, knot_spacing, lay_surface
from .unrolling.cells import Cells
from .unrolling.chart import Chart
from .unrolling.stretch import Stretch
from .workplan import WorkPlan, plan_work


@dataclass(frozen=True, eq=False)
class SurfaceFacts:
    """How the fair surface was laid: the batten, who decided it, the energy's order; against : the
    other panel that was measured against instead of it, if one was.
    """

    batten_mm: float
    batten_decided_by: str
    order: int
    against: str = ""


@dataclass(frozen=True, eq=False, kw_only=True)
class CheckResult:
    """Everything a check found; the exporters and the report read it and nothing else.

    share_judged : of the scanned skin.
    """

    scan: Scan
    settings: Settings
    chart: Chart
    cells: Cells
    faces: Faces
    edges: tuple[EdgeLine, ...]
    creases: tuple[Crease, ...]
    fair: FairSurface
    surface: SurfaceFacts
    deviation: Deviation
    regions: tuple[Region, ...]
    verdict: str
    smallest_visible_mm: float
    points: PointCounts
    length_mm: float
    width_mm: float
    area_cm2: float
    warnings: tuple[str, ...]
    cautions: tuple[str, ...]
    timings_s: dict[str, float]
    plan: WorkPlan | None = None
    blurred_by: str = NOISE
    share_judged: float = 1.0


def check_scan(path: Path, settings: Settings) -> CheckResult:
    """Read one scan and find its highs and lows.

    Raises
    ------
    ScanReadError, ScanUnfitError, SettingsError : with the cause and the remedy.
    """
    clock = Clock()
    scan = read_scan(path, units=settings.units, known_length=settings.length_between)
    clock.lap("read")
    result = check(scan, settings)
    return replace(result, timings_s={**clock.seconds, **result.timings_s})


def check(scan: Scan, settings: Settings) -> CheckResult:
    """Find the highs and lows of a scan in memory; of one that is refused, without its table or
    what else is round the panel.
    """
    # The banded solver gains nothing from threads, and loses tenfold when they wait for a core.
    with threadpool_limits(limits=1, user_api="blas"):
        result, said = off_surroundings(lambda part: _check(part, settings), scan, settings)
        return replace(result, warnings=(*said, *result.warnings))


def _check(scan: Scan, settings: Settings) -> CheckResult:
    unrolled = unroll(scan, settings)
    clock = Clock()
    unrolled, laid = _laid_on(unrolled, settings)
    clock.lap("fair surface")
    judged = _judge(unrolled, laid, settings)
    status = status_of(unrolled.skin, judged.faces, judged.found, judged.regions)
    clock.lap("deviation and regions")
    points = measure_points(
        scan, unrolled.charted, unrolled.cells, unrolled.chart, judged.faces, judged.fair, status
    )
    clock.lap("points")
    deviation = judged.found.with_points(status, *points, judged.faces.reason)
    result = _result(unrolled, laid.off, judged, deviation, settings, clock)
    clock.lap("result")
    plan = plan_work(result)
    clock.lap("work plan")
    return replace(
        result,
        plan=plan,
        regions=plan.regions,
        timings_s={**result.timings_s, **clock.seconds},
    )


@dataclass(frozen=True, eq=False)
class _Laid:
    """The fair surface, the edges it is held at and the points along them, the points given to
    hold that lie off the skin, and the faces without those on which it does not lie.
    """

    edges: tuple[Edge, ...]
    bands: tuple[EdgeBand, ...]
    off: tuple[OffPoint, ...]
    fair: FairSurface
    faces: Faces

    def lies_nearer_than(self, other: _Laid | ScanUnfitError) -> bool:
        """Whether the main face's metal lies nearer to this one, or there is no other."""
        mine = self.fair.faces[0].scale_mm
        return isinstance(other, ScanUnfitError) or mine < other.fair.faces[0].scale_mm


@dataclass(frozen=True, eq=False)
class _Judged:
    """What is off the fair surface, in cells and as regions; faces : with specks taken out; fair :
    without the dings that a region tells of, and those that it is not sure of; unsure : these.
    """

    faces: Faces
    fair: FairSurface
    found: CellDeviation
    regions: tuple[Region, ...]
    unsure: tuple[tuple[str, Ding], ...]


def _laid_on(unrolled: Unrolled, settings: Settings) -> tuple[Unrolled, _Laid]:
    """A scan and its fair surface: where the panel turns tighter than the batten follows, or a
    line is as broad as a shoulder, along its shoulders, if the metal then lies nearer.
    """
    plain = _tried(unrolled, settings)
    broad = any(crease.broad for crease in unrolled.creases)
    if isinstance(plain, _Laid) and not broad and not turns_tight(plain.fair):
        return unrolled, plain
    along = shouldered(unrolled, settings)
    nearer = None if along is None else _tried(along, settings)
    if along is not None and isinstance(nearer, _Laid) and nearer.lies_nearer_than(plain):
        return along, nearer
    if isinstance(plain, _Laid):
        return unrolled, plain
    raise plain


def _tried(unrolled: Unrolled, settings: Settings) -> _Laid | ScanUnfitError:
    """The fair surface, or why there is none."""
    try:
        return _lay(unrolled, settings)
    except ScanUnfitError as refusal:
        return refusal


def _lay(unrolled: Unrolled, settings: Settings) -> _Laid:
    """Find the edges and lay the fair surface on every face."""
    cells, faces, creases = unrolled.cells, unrolled.faces, unrolled.creases
    tolerance = settings.tolerance.height_mm
    knot = knot_spacing(cells, faces, creases, settings.surface, settings.creases)
    edges = find_edges(cells, faces, creases, knot_mm=knot)
    require_edges((edge.name for edge in edges), settings)
    bands = edge_bands(unrolled.charted, cells, faces, unrolled.skin, edges, creases)
    held = _held(unrolled, settings)
    uvh = np.column_stack([held.uv, held.height_mm])
    off = points_off(uvh, cells, unrolled.skin, tolerance_mm=tolerance)
    fair = lay_surface(
        cells,
        unrolled.skin,
        faces,
        edges,
        creases,
        held,
        bands,
        surface=settings.surface,
        hinge=settings.creases,
        hold_of={edge.name: settings.edges.hold_of(edge.name) for edge in edges},
        tolerance_mm=tolerance,
        error_mm=settings.cells.error_share_of_tolerance * tolerance,
    )
    # The surface rests on borders of what is not judged, but they are no edges of the panel.
    edges = tuple(edge for edge in edges if edge.kind != BORDER)
    fair = without_borders(fair)
    return _Laid(edges, bands, off, fair, without_refused(faces, fair, tolerance_mm=tolerance))


def _judge(unrolled: Unrolled, laid: _Laid, settings: Settings) -> _Judged:
    """Measure how far off every cell is, and find what stands beyond tolerance."""
    cells, chart, faces = unrolled.cells, unrolled.chart, laid.faces
    smoothing = settings.slope.smoothing_mm
    found = measure_cells(cells, chart, faces, laid.fair, unrolled.skin, smoothing_mm=smoothing)
    refuse_noise(found, tolerance_mm=settings.tolerance.height_mm)
    marks = find_marks(found, cells, settings.tolerance)
    found = with_wander(found, marks, cells, tolerance_mm=settings.tolerance.height_mm)
    regions = _regions(marks, unrolled, laid, found, settings)
    amid = marks_amid_doubt(regions, found, cells, settings)
    if amid:
        regions = _regions(marks + amid, unrolled, laid, found, settings)
    regions = with_line_dents(
        regions,
        unrolled.creases,
        cells,
        chart,
        unrolled.scan,
        laid.edges,
        settings.tolerance,
        batten_mm=laid.fair.faces[0].batten_mm,
    )
    fair = without_told(laid.fair, regions, cells, unrolled.creases)
    fair, unsure = without_unsure(fair, found, cells, tight=turns_tight(fair))
    faces, found = without_specks(
        cells.filled & unrolled.skin,
        faces,
        found,
        regions,
        tolerance_mm=settings.tolerance.height_mm,
    )
    return _Judged(faces, fair, found, regions, unsure)


def _regions(
    marks: list[Mark],
    unrolled: Unrolled,
    laid: _Laid,
    found: CellDeviation,
    settings: Settings,
) -> tuple[Region, ...]:
    """Marks on the cells and knocks in the edges, measured, decided on and doubted."""
    cells, chart, scan = unrolled.cells, unrolled.chart, unrolled.scan
    edges, faces, tolerance = laid.edges, laid.faces, settings.tolerance
    regions = measure_regions(marks, found, cells, chart, scan, edges, tolerance, label=faces.label)
    regions = with_knocks(
        regions, laid.bands, laid.fair, faces, found, cells, chart, scan, edges, tolerance
    )
    return _doubted(regions, unrolled, laid, found, settings)


def _doubted(
    regions: tuple[Region, ...],
    unrolled: Unrolled,
    laid: _Laid,
    found: CellDeviation,
    settings: Settings,
) -> tuple[Region, ...]:
    """Regions with those undecided that this scan, or a point to hold, does not settle."""
    u = unrolled
    seen = Seen(u.scan, u.charted, u.cells, u.skin, u.doubles, u.flying)
    regions = doubt_regions(regions, found, seen, laid.faces, u.creases, laid.fair, settings)
    regions = doubt_scarce(regions, share_judged(found, u.cells))
    return doubt_held(
        regions,
        laid.off,
        u.cells.grid,
        tolerance_mm=settings.tolerance.height_mm,
        batten_mm=laid.fair.faces[0].batten_mm,
    )


def _held(unrolled: Unrolled, settings: Settings) -> Held:
    path = settings.edges.hold_points_file
    if path is None:
        return Held(np.zeros((0, 2)), np.zeros(0), np.zeros((0, 2)))
    given = read_hold_points(path, unrolled.scan)
    hold = unrolled.chart.to_chart(given.hold_mm)
    require_on_panel(path, hold, unrolled.cells, unrolled.skin)
    release = unrolled.chart.to_chart(given.release_mm)
    require_on_panel(path, release, unrolled.cells, unrolled.skin, kind="release")
    return Held(hold[:, :2], hold[:, 2], release[:, :2])


def _result(
    unrolled: Unrolled,
    off: tuple[OffPoint, ...],
    judged: _Judged,
    deviation: Deviation,
    settings: Settings,
    clock: Clock,
) -> CheckResult:
    scan, cells = unrolled.scan, unrolled.cells
    faces, fair, found, regions = judged.faces, judged.fair, judged.found, judged.regions
    visible = found.smallest_visible_mm
    doubts = off_words(off)
    doubts += untold_words(regions) + ripple_words(regions)
    doubts += doubts_of(unrolled, faces, fair, found, settings)
    doubts += _spots(unrolled, fair, deviation, settings)
    told = doubts + unsure_words(judged.unsure)
    main = fair.faces[0]
    laid_on = np.unique(faces.label[found.judged])
    stretch = Stretch.of(cells, unrolled.chart, unrolled.skin)
    length, width = stretch.extent_mm(unrolled.skin)
    return CheckResult(
        scan=scan,
        settings=settings,
        chart=unrolled.chart,
        cells=cells,
        faces=faces,
        edges=tuple(line for face in fair.faces if face.face in laid_on for line in face.edges),
        creases=unrolled.creases,
        fair=fair,
        surface=SurfaceFacts(main.batten_mm, main.batten_decided_by, fair.order),
        deviation=deviation,
        regions=regions,
        verdict=verdict_of(regions, visible, settings, doubted=bool(doubts)),
        smallest_visible_mm=visible,
        points=count_points(scan, unrolled.charted, deviation.point_status),
        length_mm=max(length, width),
        width_mm=min(length, width),
        area_cm2=float(stretch.area_mm2[unrolled.skin].sum()) / 100.0,
        warnings=warnings_of(unrolled, faces, fair, found, visible, settings, told),
        cautions=cautions_for(settings.stage),
        timings_s={**unrolled.timings_s, **clock.seconds},
        blurred_by=found.blurred_by,
        share_judged=share_judged(found, cells),
    )


def _spots(
    unrolled: Unrolled, fair: FairSurface, deviation: Deviation, settings: Settings
) -> list[str]:
    """What to tell of spots too small to be marks."""
    spots = find_spots(
        deviation.point_mm,
        deviation.point_status,
        unrolled.charted.uvh,
        unrolled.cells,
        tolerance_mm=settings.tolerance.height_mm,
        roughness=unrolled.roughness,
    )
    return spot_words(unrolled, fair.edges, spots)

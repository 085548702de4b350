"""The one place that states the order of a check: from a scan to highs and lows."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from .cautions import cautions_for
from .cells import Cells
from .chart import Chart
from .clock import Clock
from .creases import Crease
from .deviation import (
    HELD,
    HIGH,
    IN,
    LOW,
    NOT_JUDGED,
    UNDECIDED,
    CellDeviation,
    Deviation,
    measure_cells,
    measure_points,
)
from .edge_bands import edge_bands
from .edge_lines import EdgeLine
from .edge_regions import with_knocks, without_told
from .edges import find_edges
from .errors import ScanUnfitError
from .face_jobs import Held
from .faces import BAND, CREASE, JUDGED, LINE, REASONS, REFUSED, SPECK, Faces
from .fairing import FairSurface, knot_spacing, lay_surface
from .given import read_hold_points, require_on_panel
from .ground import off_ground
from .marks import find_marks, footprints_of
from .regions import Region, measure_regions
from .remarks import doubts_of, warnings_of
from .ripple_doubts import doubt_ripple, ripple_words
from .rules import GUARD
from .scan import Scan
from .scan_doubts import doubt_doubled, doubt_unseen
from .scan_io import read_scan
from .settings import Settings, require_edges
from .specks import specks_of
from .unrolled import Unrolled, unroll
from .untold import doubt_forms, untold_words
from .workplan import WorkPlan, plan_work

Mask = NDArray[np.bool_]

_LEAST_SOUND = 0.35
_WORST_SCALE = 2.0
_SMALL_SCALE = 0.5
_TIMES_MAIN = 8.0
_MOST_BLIND = 5.0


@dataclass(frozen=True, eq=False)
class SurfaceFacts:
    """How the fair surface was laid: the batten, who decided it, the energy's order; against : the
    other panel that was measured against instead of it, if one was.
    """

    batten_mm: float
    batten_decided_by: str
    order: int
    against: str = ""


@dataclass(frozen=True, eq=False)
class CheckResult:
    """Everything a check found; the exporters and the report read it and nothing else."""

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
    points_judged: int
    dropped: dict[str, int]
    length_mm: float
    width_mm: float
    area_cm2: float
    warnings: tuple[str, ...]
    cautions: tuple[str, ...]
    timings_s: dict[str, float]
    plan: WorkPlan | None = None


def check_scan(path: Path, settings: Settings) -> CheckResult:
    """Read one scan and find its highs and lows.

    Raises
    ------
    ScanReadError, ScanUnfitError, SettingsError : with the cause and the remedy.
    """
    clock = Clock()
    known = settings.known_length
    length = None if known is None else (known.first, known.second, known.length_mm)
    scan = read_scan(path, units=settings.units, known_length=length)
    clock.lap("read")
    result = check(scan, settings)
    return replace(result, timings_s={**clock.seconds, **result.timings_s})


def check(scan: Scan, settings: Settings) -> CheckResult:
    """Find the highs and lows of a scan in memory; one that is refused, without its table."""
    # The banded solver gains nothing from threads, and loses tenfold when they wait for a core.
    with threadpool_limits(limits=1, user_api="blas"):
        result, said = off_ground(lambda part: _check(part, settings), scan)
        return replace(result, warnings=(*said, *result.warnings))


def _check(scan: Scan, settings: Settings) -> CheckResult:
    unrolled = unroll(scan, settings)
    clock = Clock()
    edges = find_edges(
        unrolled.cells,
        unrolled.faces,
        unrolled.creases,
        inboard_mm=settings.edges.inboard_mm,
        knot_mm=knot_spacing(
            unrolled.cells,
            unrolled.faces,
            unrolled.creases,
            settings.surface,
            settings.creases,
        ),
    )
    require_edges((edge.name for edge in edges), settings)
    bands = edge_bands(
        unrolled.charted,
        unrolled.cells,
        unrolled.faces,
        unrolled.skin,
        edges,
        unrolled.creases,
        inboard_mm=settings.edges.inboard_mm,
    )
    fair = lay_surface(
        unrolled.cells,
        unrolled.skin,
        unrolled.faces,
        edges,
        unrolled.creases,
        _held(unrolled, settings),
        bands,
        surface=settings.surface,
        hinge=settings.creases,
        hold_of={edge.name: settings.edges.hold_of(edge.name) for edge in edges},
        tolerance_mm=settings.tolerance.height_mm,
        error_mm=settings.cells.error_share_of_tolerance * settings.tolerance.height_mm,
    )
    clock.lap("fair surface")
    faces = _refused(unrolled.faces, fair, settings)
    found = measure_cells(
        unrolled.cells,
        unrolled.chart,
        faces,
        fair,
        unrolled.skin,
        smoothing_mm=settings.slope.smoothing_mm,
    )
    _refuse_noise(found, settings)
    marks = find_marks(found, unrolled.cells, settings.tolerance)
    regions = measure_regions(
        marks,
        found,
        unrolled.cells,
        unrolled.chart,
        scan,
        edges,
        settings.tolerance,
        label=faces.label,
    )
    regions = with_knocks(
        regions,
        bands,
        fair,
        faces,
        found,
        unrolled.cells,
        unrolled.chart,
        scan,
        edges,
        settings.tolerance,
    )
    fair = without_told(fair, regions)
    regions = doubt_unseen(regions, found.smallest_visible_mm, settings.tolerance.height_mm)
    regions = doubt_doubled(regions, unrolled.doubles, tolerance_mm=settings.tolerance.height_mm)
    regions = doubt_ripple(regions, found, unrolled.cells, settings)
    regions = doubt_forms(
        regions, found, unrolled.cells, faces, unrolled.creases, fair, settings.tolerance
    )
    faces, found = _without_specks(
        unrolled.cells.filled & unrolled.skin, faces, found, regions, settings
    )
    status = _cell_status(unrolled, faces, found, regions)
    clock.lap("deviation and regions")
    point_mm, point_status = measure_points(
        scan, unrolled.charted, unrolled.cells, unrolled.chart, faces, fair, status
    )
    clock.lap("points")
    deviation = Deviation(
        found.cell_mm,
        found.smooth_mm,
        found.sigma_mm,
        found.surface_sigma_mm,
        found.slope_mrad,
        found.slope_sigma_mrad,
        status,
        point_mm,
        point_status,
        np.where(found.judged, np.uint8(JUDGED), faces.reason),
        REASONS,
    )
    result = _result(unrolled, faces, fair, found, deviation, regions, settings, clock)
    clock.lap("result")
    plan = plan_work(result)
    clock.lap("work plan")
    return replace(
        result,
        plan=plan,
        regions=plan.regions,
        timings_s={**result.timings_s, "work plan": clock.seconds["work plan"]},
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


def _refused(faces: Faces, fair: FairSurface, settings: Settings) -> Faces:
    """Faces on which no surface lies: their residual or their share of sound cells says so.

    A small part whose metal lies many times farther off than the main face's is no one skin.
    """
    laid = np.isin(faces.label, [face.face for face in fair.faces])
    reason = np.where((faces.reason == JUDGED) & ~laid, np.uint8(REFUSED), faces.reason)
    tolerance = settings.tolerance.height_mm
    apart = max(_SMALL_SCALE * tolerance, _TIMES_MAIN * fair.faces[0].scale_mm)
    for face in fair.faces:
        member = (faces.label == face.face) & (faces.reason == JUDGED)
        share = float((face.sound & member).sum()) / max(int(member.sum()), 1)
        limit = _WORST_SCALE * tolerance
        if face is not fair.faces[0]:
            limit = min(limit, apart)
        if share < _LEAST_SOUND or face.scale_mm > limit:
            reason[member] = REFUSED
    if not (reason == JUDGED).any():
        raise ScanUnfitError(
            "no fair surface lies on this panel: its sound metal stays "
            f"{max(f.scale_mm for f in fair.faces):.2f} mm off the smoothest surface, whatever the "
            "batten. It has more form than one surface holds, or is damaged all over: give its "
            "body lines with --creases FILE, or choose a shorter batten with --batten."
        )
    return replace(faces, reason=reason)


def _without_specks(
    filled: NDArray[np.bool_],
    faces: Faces,
    found: CellDeviation,
    regions: tuple[Region, ...],
    settings: Settings,
) -> tuple[Faces, CellDeviation]:
    """Cells too few to be a mark, but not in tolerance, are not judged."""
    marked = footprints_of(regions, found.judged.shape)
    specks = specks_of(
        found.smooth_mm,
        found.sigma_mm,
        found.judged,
        marked,
        limit_mm=settings.tolerance.height_mm,
        guard=GUARD,
    )
    judged = found.judged & ~specks
    left = replace(
        found,
        cell_mm=np.where(judged, found.cell_mm, np.nan),
        smooth_mm=np.where(judged, found.smooth_mm, np.nan),
        sigma_mm=np.where(judged, found.sigma_mm, np.nan),
        slope_mrad=np.where(judged, found.slope_mrad, np.nan),
        judged=judged,
    )
    wild = (faces.reason == JUDGED) & filled & ~judged
    return replace(faces, reason=np.where(wild, np.uint8(SPECK), faces.reason)), left


def _refuse_noise(found: CellDeviation, settings: Settings) -> None:
    visible, limit = found.smallest_visible_mm, _MOST_BLIND * settings.tolerance.height_mm
    if visible > limit:
        raise ScanUnfitError(
            f"this scan is too noisy to say anything: the least height it tells from nothing is "
            f"{visible:.2f} mm, {_MOST_BLIND:.0f} times the tolerance is {limit:.2f} mm. Scan "
            "closer, more densely or with less noise, or allow more with --tolerance."
        )


def _cell_status(
    unrolled: Unrolled, faces: Faces, found: CellDeviation, regions: tuple[Region, ...]
) -> NDArray[np.uint8]:
    status = np.full(found.judged.shape, NOT_JUDGED, np.uint8)
    band = (faces.reason == BAND) | (faces.reason == CREASE) | (faces.reason == LINE)
    status[unrolled.skin & band] = HELD
    status[found.judged] = IN
    for region in regions:
        if region.kind == "ripple":
            continue
        code = (
            UNDECIDED if region.verdict == "undecided" else HIGH if region.kind == "high" else LOW
        )
        status[region.core & found.judged] = code
    return status


def _result(
    unrolled: Unrolled,
    faces: Faces,
    fair: FairSurface,
    found: CellDeviation,
    deviation: Deviation,
    regions: tuple[Region, ...],
    settings: Settings,
    clock: Clock,
) -> CheckResult:
    scan, cells = unrolled.scan, unrolled.cells
    visible = found.smallest_visible_mm
    doubts = untold_words(regions) + ripple_words(regions)
    doubts += doubts_of(unrolled, faces, fair, found)
    main = fair.faces[0]
    side = cells.grid.cell_mm
    judged = np.unique(faces.label[found.judged])
    span = np.argwhere(unrolled.skin)
    length, width = np.ptp(span, axis=0) * side
    judged_points = int((deviation.point_status <= UNDECIDED).sum())
    dropped = {**scan.dropped, **unrolled.charted.dropped}
    off = len(scan.points_mm) - judged_points - int((deviation.point_status == HELD).sum())
    rest = off - sum(dropped.values())
    if rest > 0:
        dropped["not judged: strips, openings, flying points"] = rest
    return CheckResult(
        scan,
        settings,
        unrolled.chart,
        cells,
        faces,
        tuple(line for face in fair.faces if face.face in judged for line in face.edges),
        unrolled.creases,
        fair,
        SurfaceFacts(main.batten_mm, main.batten_decided_by, fair.order),
        deviation,
        regions,
        _verdict(regions, visible, settings, doubted=bool(doubts)),
        visible,
        judged_points,
        dropped,
        float(max(length, width)),
        float(min(length, width)),
        float(unrolled.skin.sum()) * side**2 / 100.0,
        warnings_of(unrolled, faces, fair, found, visible, settings, doubts),
        cautions_for(settings.stage),
        {**unrolled.timings_s, **clock.seconds},
    )


def _verdict(
    regions: tuple[Region, ...], visible_mm: float, settings: Settings, *, doubted: bool
) -> str:
    if any(region.verdict == "out" for region in regions):
        return "out"
    if regions or doubted or visible_mm > settings.tolerance.height_mm:
        return "undecided"
    return "in"

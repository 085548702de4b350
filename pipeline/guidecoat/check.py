"""The one place that states the order of a check: from a scan to highs and lows."""

from __future__ import annotations

import time
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from .actions import with_actions
from .cautions import cautions_for
from .cells import Cells, ChartedPoints, average_cells, chart_points
from .chart import Chart
from .creases import Crease, find_creases, given_crease
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
from .edges import EdgeLine, find_edges
from .errors import ScanUnfitError
from .faces import (
    BAND,
    CREASE,
    JUDGED,
    LINE,
    OFF,
    REASONS,
    Faces,
    part_faces,
    skin_mask,
    sound_interior,
)
from .fairing import FairSurface, Held, lay_surface
from .given import read_crease_lines, read_hold_points
from .roughness import measure_roughness
from .regions import GUARD, Region, find_marks, measure_regions
from .scan import Scan
from .scan_io import read_scan
from .settings import Settings
from .spacing import estimate_spacing
from .unroll import lay_chart
from .voxels import voxelise

Mask = NDArray[np.bool_]

_CREASE_MARGIN_MM = 9.0
_ROUGH = 1.25
_LEAST_SOUND = 0.35
_WORST_SCALE = 2.0


@dataclass(frozen=True, eq=False)
class Unrolled:
    """A scan on its chart: everything before a surface is laid."""

    scan: Scan
    chart: Chart
    charted: ChartedPoints
    cells: Cells
    skin: Mask
    creases: tuple[Crease, ...]
    faces: Faces
    timings_s: dict[str, float]


@dataclass(frozen=True, eq=False)
class SurfaceFacts:
    """How the fair surface was laid: the batten, who decided it, the energy's order."""

    batten_mm: float
    batten_decided_by: str
    order: int


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


class _Clock:
    """Seconds by step."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}
        self._last = time.perf_counter()

    def lap(self, step: str) -> None:
        now = time.perf_counter()
        self.seconds[step] = now - self._last
        self._last = now


def check_scan(path: Path, settings: Settings) -> CheckResult:
    """Read one scan and find its highs and lows.

    Raises
    ------
    ScanReadError, ScanUnfitError, SettingsError : with the cause and the remedy.
    """
    clock = _Clock()
    known = settings.known_length
    length = None if known is None else (known.first, known.second, known.length_mm)
    scan = read_scan(path, units=settings.units, known_length=length)
    clock.lap("read")
    result = check(scan, settings)
    return replace(result, timings_s={**clock.seconds, **result.timings_s})


def check(scan: Scan, settings: Settings) -> CheckResult:
    """Find the highs and lows of a scan in memory."""
    unrolled = unroll(scan, settings)
    clock = _Clock()
    edges = find_edges(
        unrolled.cells, unrolled.faces, unrolled.creases, inboard_mm=settings.edges.inboard_mm
    )
    fair = lay_surface(
        unrolled.cells,
        unrolled.skin,
        unrolled.faces,
        edges,
        unrolled.creases,
        _held(unrolled, settings),
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
    marks = find_marks(found, unrolled.cells, settings.tolerance)
    regions = measure_regions(
        marks, found, unrolled.cells, unrolled.chart, scan, edges, settings.tolerance
    )
    regions = with_actions(regions, settings.stage)
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
    return _result(unrolled, faces, fair, found, deviation, regions, settings, clock)


def unroll(scan: Scan, settings: Settings) -> Unrolled:
    """Everything before a surface is laid: chart, cells, body lines and faces."""
    clock = _Clock()
    spacing = estimate_spacing(scan.points_mm[scan.usable])
    voxels = voxelise(scan.points_mm, scan.usable, spacing_mm=spacing)
    skin_voxels = lay_chart(scan, voxels, outside=settings.outside)
    charted = chart_points(scan, voxels, skin_voxels)
    clock.lap("chart")
    cells = average_cells(charted, smallest_mm=settings.cells.smallest_mm, spacing_mm=spacing)
    clock.lap("cells")
    skin = skin_mask(cells)
    inner = sound_interior(cells, skin, margin_mm=_crease_margin(cells)) & ~cells.layered
    rough = measure_roughness(cells, inner)
    if rough > _ROUGH:
        # Neighbours that scatter together, as in a merged mesh: points say too little of it.
        cells = replace(cells, error_mm=cells.error_mm * rough)
    creases = _creases(scan, skin_voxels.chart, cells, skin, inner, settings)
    faces = part_faces(
        cells,
        skin,
        creases,
        batten_mm=settings.surface.shortest_batten_mm,
        inboard_mm=settings.edges.inboard_mm,
    )
    clock.lap("creases and faces")
    return Unrolled(scan, skin_voxels.chart, charted, cells, skin, creases, faces, clock.seconds)


def _crease_margin(cells: Cells) -> float:
    return max(_CREASE_MARGIN_MM, 3.0 * cells.grid.cell_mm)


def _creases(
    scan: Scan, chart: Chart, cells: Cells, skin: Mask, inner: Mask, settings: Settings
) -> tuple[Crease, ...]:
    if settings.creases.mode == "off":
        return ()
    if settings.creases.mode == "auto" or settings.creases.file is None:
        return find_creases(cells, inner, skin)
    lines = read_crease_lines(settings.creases.file, scan)
    return tuple(
        given_crease(f"C{k}", chart.to_chart(line)[:, :2], cells, inner)
        for k, line in enumerate(lines, start=1)
    )


def _held(unrolled: Unrolled, settings: Settings) -> Held:
    path = settings.edges.hold_points_file
    if path is None:
        return Held(np.zeros((0, 2)), np.zeros(0), np.zeros((0, 2)))
    given = read_hold_points(path, unrolled.scan)
    hold = unrolled.chart.to_chart(given.hold_mm)
    release = unrolled.chart.to_chart(given.release_mm)
    return Held(hold[:, :2], hold[:, 2], release[:, :2])


def _refused(faces: Faces, fair: FairSurface, settings: Settings) -> Faces:
    """Faces on which no surface lies: their residual or their share of sound cells says so."""
    reason = faces.reason.copy()
    for face in fair.faces:
        member = (faces.label == face.face) & (faces.reason == JUDGED)
        share = float((face.sound & member).sum()) / max(int(member.sum()), 1)
        if share < _LEAST_SOUND or face.scale_mm > _WORST_SCALE * settings.tolerance.height_mm:
            reason[member] = len(REASONS) - 1
    if not (reason == JUDGED).any():
        raise ScanUnfitError(
            "no fair surface lies on this panel: its sound metal stays "
            f"{max(f.scale_mm for f in fair.faces):.2f} mm off the smoothest surface, whatever the "
            "batten. It has more form than one surface holds, or is damaged all over: give its "
            "body lines with --creases FILE, or choose a shorter batten with --batten."
        )
    return replace(faces, reason=reason)


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
    clock: _Clock,
) -> CheckResult:
    scan, cells = unrolled.scan, unrolled.cells
    visible = _smallest_visible(found)
    main = fair.faces[0]
    side = cells.grid.cell_mm
    span = np.argwhere(unrolled.skin)
    length, width = (np.ptp(span, axis=0) + 1) * side
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
        tuple(line for face in fair.faces for line in face.edges),
        unrolled.creases,
        fair,
        SurfaceFacts(main.batten_mm, main.batten_decided_by, fair.order),
        deviation,
        regions,
        _verdict(regions, visible, settings),
        visible,
        judged_points,
        dropped,
        float(max(length, width)),
        float(min(length, width)),
        float(unrolled.skin.sum()) * side**2 / 100.0,
        _warnings(unrolled, faces, fair, found, visible, settings),
        cautions_for(settings.stage),
        {**unrolled.timings_s, **clock.seconds},
    )


def _smallest_visible(found: CellDeviation) -> float:
    """The least height that a scan like this tells from nothing: 2 x 1.645 u (ISO 11843-1)."""
    return 2.0 * GUARD * float(np.nanmedian(found.sigma_mm[found.judged]))


def _verdict(regions: tuple[Region, ...], visible_mm: float, settings: Settings) -> str:
    if any(region.verdict == "out" for region in regions):
        return "out"
    if regions or visible_mm > settings.tolerance.height_mm:
        return "undecided"
    return "in"


def _warnings(
    unrolled: Unrolled,
    faces: Faces,
    fair: FairSurface,
    found: CellDeviation,
    visible: float,
    settings: Settings,
) -> tuple[str, ...]:
    """What the user must know to trust the result, weightiest first."""
    main = fair.faces[0]
    said = []
    if visible > settings.tolerance.height_mm:
        said.append(
            f"This scan cannot see the tolerance: the least it tells from nothing is {visible:.2f} "
            f"mm, the tolerance is {settings.tolerance.height_mm:g} mm. Scan closer, more densely "
            "or with less noise."
        )
    judged = [f for f in fair.faces if (found.judged & (faces.label == f.face)).any()]
    for face in judged:
        for line in face.edges:
            said += [
                f"Edge {line.name} has a knock of {ding.height_mm:+.2f} mm over "
                f"{ding.length_mm:.0f} mm; it was not held there."
                for ding in line.dings
            ]
    if len(judged) > 1:
        parts = ", ".join(f"{f.batten_mm:.0f} mm" for f in judged)
        said.append(
            f"Body lines or steps part the panel into {len(judged)} faces, each laid with "
            f"a batten of its own: {parts}."
        )
    if settings.surface.batten_mm == "auto" and main.batten_mm <= (
        settings.surface.shortest_batten_mm
    ):
        said.append(f"The batten is the stage's shortest; {main.batten_decided_by}.")
    said += _unjudged(unrolled, faces, found)
    said.append(
        f"Damage as long as the batten ({main.batten_mm:.0f} mm) or longer looks like form and is "
        "not seen. Ways round it: hold more points (--hold), compare with the other side, with an "
        "earlier scan or with a sound donor panel."
    )
    return tuple(said)


def _unjudged(unrolled: Unrolled, faces: Faces, found: CellDeviation) -> list[str]:
    """How much of the skin was not judged, by reason, in one line."""
    side = unrolled.cells.grid.cell_mm
    filled = unrolled.cells.filled
    parts = []
    for code, reason in enumerate(REASONS):
        count = int((filled & (faces.reason == code) & ~found.judged).sum())
        if count and code not in (JUDGED, OFF):
            parts.append(f"{count * side**2 / 100:.0f} cm2 {reason}")
    share = 100.0 * found.judged.sum() / max(int(filled.sum()), 1)
    return [f"Judged: {share:.0f} % of the skin. Not judged: {'; '.join(parts)}."] if parts else []

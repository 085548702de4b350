"""A scan on its chart: everything that comes before a fair surface is laid."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ..clock import Clock
from ..errors import ScanUnfitError
from ..lines.crease import Crease
from ..lines.creases import find_creases, given_crease
from ..lines.shoulders import with_shoulders
from ..outline.double_skins import DoubleSkin, find_double_skins, look_for_layers
from ..outline.faces import Faces, from_edge_mm, part_faces, skin_mask
from ..outline.jumps import height_jumps
from ..outline.openings import skin_elsewhere
from ..outline.rolled_rims import rolled_mm
from ..scans.scan import Scan
from ..settings import Settings
from ..unrolling.cells import Cells, ChartedPoints, average_cells, chart_points
from ..unrolling.chart import Chart
from ..unrolling.roughness import ROUGH, measure_roughness
from ..unrolling.unroll import lay_chart
from ..unrolling.voxels import Voxels, voxelise
from .flying import MANY, flying_share, unspoilt
from .given import read_crease_lines
from .ground import ground_share
from .parts import require_no_wall
from .shut_lines import ShutLine, find_shut_line

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

_CREASE_MARGIN_MM = 9.0
_CREASE_MARGIN_CELLS = 3.0


@dataclass(frozen=True, eq=False)
class Unrolled:
    """A scan on its chart: everything before a surface is laid.

    roughness : how many times more the cells scatter than their points' noise explains; where
    that is much, their `error_mm` carries it; doubles : patches where the skin lies twice;
    shut_line : a lane without points right across, or None; ground : share of the points in one
    plane that the rest stands above, as on a table, 0 where there is none; flying : share of the
    skin's points that lie off it.
    """

    scan: Scan
    chart: Chart
    charted: ChartedPoints
    cells: Cells
    skin: Mask
    creases: tuple[Crease, ...]
    faces: Faces
    roughness: float
    doubles: tuple[DoubleSkin, ...]
    shut_line: ShutLine | None
    ground: float
    flying: float
    timings_s: dict[str, float]


@dataclass(frozen=True, eq=False)
class Celled:
    """A scan averaged into the cells of its chart; skin : (nu, nv) bool, cells of the panel."""

    voxels: Voxels
    chart: Chart
    charted: ChartedPoints
    cells: Cells
    skin: Mask


def lay_cells(scan: Scan, settings: Settings, clock: Clock | None = None) -> Celled:
    """Lay a scan's chart and average its points over cells.

    Raises
    ------
    ScanUnfitError : there is no chart or no skin.
    """
    clock = clock or Clock()
    voxels = voxelise(scan.points_mm, scan.usable)
    skin_voxels = lay_chart(scan, voxels, outside=settings.outside)
    charted = chart_points(scan, voxels, skin_voxels)
    clock.lap("chart")
    cells = average_cells(
        charted,
        smallest_mm=settings.cells.smallest_mm,
        largest_mm=settings.largest_cell_mm,
        spacing_mm=voxels.spacing_mm,
    )
    clock.lap("cells")
    return Celled(voxels, skin_voxels.chart, charted, cells, skin_mask(cells))


def unroll(scan: Scan, settings: Settings) -> Unrolled:
    """Everything before a surface is laid: chart, cells, body lines and faces.

    Raises
    ------
    ScanUnfitError
        There is no chart, no skin or nothing wide enough; two panels lie side by side; or what was
        unrolled may be a wall before which the panel stands.
    """
    clock = Clock()
    laid = lay_cells(scan, settings, clock)
    require_no_wall(scan, laid.voxels)
    chart, charted, cells, skin = laid.chart, laid.charted, laid.cells, laid.skin
    flying = flying_share(charted, cells, skin)
    if flying > MANY:
        skin = unspoilt(cells, skin)
    with ThreadPoolExecutor(1) as beside:
        lane = beside.submit(find_shut_line, charted, cells, skin)
        layers = beside.submit(look_for_layers, charted, cells)
        from_edge = from_edge_mm(cells, skin)
        inner = _clear_of_edges(cells, skin, from_edge)
        rough = measure_roughness(cells, inner)
        if rough > ROUGH:
            # Neighbours that scatter together, as in a merged mesh: points say too little of it.
            cells = replace(cells, error_mm=cells.error_mm * rough)
        creases = _creases(scan, chart, cells, skin, inner, settings)
        line = lane.result()
        if line is not None and line.two_panels:
            raise _two_panels(line, place_in_file(scan, chart, cells, skin, line.middle_uv))
        batten = settings.surface.shortest_batten_mm
        # Where rims roll off farther than is never trusted, no more is trusted than they leave.
        inboard = max(settings.edges.inboard_mm, rolled_mm(cells, skin, from_edge))
        faces = part_faces(
            cells,
            skin,
            creases,
            batten_mm=batten,
            inboard_mm=inboard,
            elsewhere=_elsewhere(scan, chart, cells, skin),
        )
        doubles = find_double_skins(layers.result(), cells, faces)
    clock.lap("creases and faces")
    return Unrolled(
        scan,
        chart,
        charted,
        cells,
        skin,
        creases,
        faces,
        rough,
        doubles,
        line,
        ground_share(laid.voxels),
        flying,
        clock.seconds,
    )


def shouldered(unrolled: Unrolled, settings: Settings) -> Unrolled | None:
    """The same with the panel's shoulders among its lines, None where it has none."""
    if settings.creases.mode != "auto":
        return None
    cells, skin = unrolled.cells, unrolled.skin
    inner = _clear_of_edges(cells, skin, from_edge_mm(cells, skin))
    creases = with_shoulders(unrolled.creases, cells, inner, skin)
    if creases is unrolled.creases:
        return None
    faces = part_faces(
        cells,
        skin,
        creases,
        batten_mm=settings.surface.shortest_batten_mm,
        inboard_mm=unrolled.faces.inboard_mm,
        elsewhere=_elsewhere(unrolled.scan, unrolled.chart, cells, skin),
    )
    doubles = find_double_skins(look_for_layers(unrolled.charted, cells), cells, faces)
    return replace(unrolled, creases=creases, faces=faces, doubles=doubles)


def _elsewhere(scan: Scan, chart: Chart, cells: Cells, skin: Mask) -> Mask | None:
    """Where another scan shows the panel's skin, None without one."""
    if scan.elsewhere_mm is None:
        return None
    return skin_elsewhere(cells, skin, chart.to_chart(scan.elsewhere_mm))


def _clear_of_edges(cells: Cells, skin: Mask, from_edge: Floats) -> Mask:
    """(nu, nv) bool, cells whose form is the skin's own: off edges, hems and jumps in height."""
    margin = max(_CREASE_MARGIN_MM, _CREASE_MARGIN_CELLS * cells.grid.cell_mm)
    inner = skin & (from_edge > margin) & ~cells.layered
    return np.asarray(inner & ~ndimage.binary_dilation(height_jumps(cells, skin)))


def place_in_file(
    scan: Scan, chart: Chart, cells: Cells, skin: Mask, uv: tuple[float, float]
) -> tuple[float, float, float]:
    """x, y, z, in the scan's own units and frame, of a chart place at the nearest skin's height."""
    i, j = np.nonzero(skin)
    nearest = np.argmin((cells.u_mm[i, j] - uv[0]) ** 2 + (cells.v_mm[i, j] - uv[1]) ** 2)
    height = cells.height_mm[i[nearest], j[nearest]]
    x, y, z = scan.to_file_frame(chart.to_space(np.array([[*uv, height]])))[0]
    return float(x), float(y), float(z)


def _two_panels(line: ShutLine, place: tuple[float, float, float]) -> ScanUnfitError:
    x, y, z = place
    edges = "edges that roll off into it" if line.rolled else "one side lower than the other"
    by = "" if line.rolled else f" by {abs(line.step_mm):.1f} mm"
    return ScanUnfitError(
        f"two panels lie side by side in this scan: a shut line {line.width_mm:.0f} mm wide runs "
        f"{line.length_mm:.0f} mm right across it at x {x:.4g}, y {y:.4g}, z {z:.4g}, with "
        f"{edges}{by}. Take them out one by one with `guidecoat crop` and check each by itself."
    )


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

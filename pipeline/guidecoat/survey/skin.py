"""What can be said of a scan once it is unrolled, before any surface is laid."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from ..findings.places import Place, place_of
from ..lines.crease import Crease
from ..outline.double_skins import DoubleSkin, least_apart_mm
from ..outline.edges import BORDER, Edge, find_edges, torn_rims
from ..outline.faces import BEHIND
from ..panel.coverage import Coverage, measure_coverage
from ..panel.fitness import Sight, StageFit, judge_stages, measure_sight
from ..panel.shut_lines import ShutLine
from ..panel.unrolled import Unrolled
from ..settings import Settings

_RIM_CELLS = 2.0


@dataclass(frozen=True, eq=False)
class Skin:
    """What can be said once a scan is unrolled.

    points : on the skin; noise_mm, spacing_mm : of single points; wrap_deg : how far the normals
    turn round the chart's axis; roughness : how many times more cells scatter than that noise
    explains; hem_share : share of the rim that has a hem or flange behind it; behind_cm2 : inner
    skins seen through openings;
    edge_sides : per edge, the way it faces in the scan's frame ("+x" ...);
    drop_out_places, double_places : one per drop-out and second skin;
    torn_mm : of the outline, that wander or step inboard as where a rim was not scanned;
    flying : share of the points that fly off the skin;
    double_least_mm : second skins nearer than this cannot be told;
    shut_line : a lane without points right across, or None.
    """

    points: int
    dropped: dict[str, int]
    noise_mm: float
    roughness: float
    spacing_mm: float
    length_mm: float
    width_mm: float
    area_cm2: float
    coverage: Coverage
    drop_out_places: tuple[Place, ...]
    torn_mm: float
    flying: float
    doubles: tuple[DoubleSkin, ...]
    double_places: tuple[Place, ...]
    double_share: float
    double_least_mm: float
    shut_line: ShutLine | None
    shut_line_place: Place | None
    hem_share: float
    behind_cm2: float
    outside: tuple[float, float, float]
    outside_decided_by: str
    wrap_deg: float
    edges: tuple[Edge, ...]
    edge_sides: tuple[str, ...]
    openings: int
    creases: tuple[Crease, ...]
    faces: int
    sight: Sight
    stages: tuple[StageFit, ...]


def look_at_skin(unrolled: Unrolled, settings: Settings) -> Skin:
    """Say what an unrolled scan holds, what it can see and what that is enough for."""
    cells, skin, faces = unrolled.cells, unrolled.skin, unrolled.faces
    side = cells.grid.cell_mm
    rims = find_edges(cells, faces, unrolled.creases)
    edges = tuple(edge for edge in rims if edge.kind != BORDER)
    coverage = measure_coverage(cells, skin, faces)
    doubles, line = unrolled.doubles, unrolled.shut_line
    double_share = min(1.0, float(sum(d.cells.sum() for d in doubles) / skin.sum()))
    length, width = np.ptp(np.argwhere(skin), axis=0) * side
    x, y, z = unrolled.chart.outside
    return Skin(
        unrolled.scan.vertices_among(unrolled.charted.counted),
        {**unrolled.scan.dropped, **unrolled.charted.dropped},
        cells.noise_mm,
        unrolled.roughness,
        cells.spacing_mm,
        float(max(length, width)),
        float(min(length, width)),
        float(skin.sum()) * side**2 / 100.0,
        coverage,
        tuple(place_of(unrolled, edges, d.u_mm, d.v_mm) for d in coverage.drop_outs),
        torn_rims(cells, faces, unrolled.creases)[0],
        unrolled.flying,
        doubles,
        tuple(place_of(unrolled, edges, d.u_mm, d.v_mm) for d in doubles),
        double_share,
        least_apart_mm(cells.noise_mm),
        line,
        None if line is None else place_of(unrolled, edges, line.u_mm, line.v_mm),
        _hem_share(unrolled),
        float((skin & (faces.reason == BEHIND)).sum()) * side**2 / 100.0,
        (float(x), float(y), float(z)),
        unrolled.chart.outside_decided_by,
        _wrap_deg(unrolled),
        edges,
        tuple(_faces_which_way(unrolled, edge) for edge in edges),
        int(ndimage.label(faces.openings)[1]),
        unrolled.creases,
        faces.count,
        measure_sight(cells, settings),
        judge_stages(
            cells,
            coverage,
            double_share,
            settings,
            roughness=unrolled.roughness,
            parted=line is not None,
        ),
    )


def _wrap_deg(unrolled: Unrolled) -> float:
    """How far the skin's normals turn round the axis, the outer 3 % at either side left to hems."""
    cells, chart = unrolled.cells, unrolled.chart
    there = unrolled.skin & np.isfinite(cells.slope_v)
    angle = chart.curvature_per_mm * cells.v_mm[there] - np.arctan(cells.slope_v[there])
    if not angle.size:
        return 0.0
    return float(np.degrees(np.subtract(*np.percentile(angle, (97.0, 3.0)))) / 0.94)


def _faces_which_way(unrolled: Unrolled, edge: Edge) -> str:
    """The axis of the scan's frame along which an edge looks, out of its face."""
    if edge.closed:
        return ""
    chart = unrolled.chart
    place = np.column_stack([edge.station_uv, np.zeros(len(edge.station_uv))])
    ahead = place.copy()
    ahead[:, :2] -= edge.inward_uv
    way = (chart.to_space(ahead) - chart.to_space(place)).mean(axis=0)
    axis = int(np.abs(way).argmax())
    return f"{'+' if way[axis] > 0 else '-'}{'xyz'[axis]}"


def _hem_share(unrolled: Unrolled) -> float:
    """Share of the outermost cells in which points lay in two skins."""
    rim = unrolled.skin & (unrolled.faces.inside_mm <= _RIM_CELLS * unrolled.cells.grid.cell_mm)
    return float((rim & unrolled.cells.layered).sum() / max(int(rim.sum()), 1))

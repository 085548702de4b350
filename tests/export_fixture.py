"""A check's result built by hand: a crowned door with marks whose place and size are known."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from matplotlib.figure import Figure
from numpy.typing import NDArray

from guidecoat.check import CheckResult, SurfaceFacts
from guidecoat.findings.regions import Region
from guidecoat.lines.crease import Crease
from guidecoat.measuring.counts import PointCounts
from guidecoat.measuring.deviation import HELD, HIGH, IN, LOW, NOT_JUDGED, UNDECIDED, Deviation
from guidecoat.numerics.banded import Factor
from guidecoat.numerics.spline import Fit, SplineSpace
from guidecoat.outline.edge_lines import Ding, EdgeLine
from guidecoat.outline.edges import Edge
from guidecoat.outline.faces import JUDGED, OFF, STRIP, Faces
from guidecoat.scans.scan import Scan, Units
from guidecoat.settings import load_settings
from guidecoat.surface.fairing import FaceSurface, FairSurface
from guidecoat.unrolling.cells import Cells
from guidecoat.unrolling.chart import Chart, Grid

CELL_MM = 5.75
SHAPE = (200, 120)
HEIGHT_TOL_MM = 0.3
# name, kind, verdict, u, v, peak, radius along u, radius along v
MARKS = (
    ("H1", "high", "out", -250.0, 110.0, 0.84, 70.0, 45.0),
    ("H2", "high", "undecided", 330.0, -190.0, 0.36, 45.0, 45.0),
    ("L1", "low", "out", 120.0, -120.0, -1.20, 85.0, 60.0),
)
RIPPLE_UV = (-330.0, -170.0)
ACTIONS = {
    "H1": "Tap down or shrink; never sand a high away in bare metal.",
    "H2": "Measure again or block once and look: it may be inside the tolerance.",
    "L1": "Raise from behind as far as it can be reached, then fill what is left (up to 1.2 mm).",
    "R1": "Block lengthwise with the 430 mm board, 80 grit; do not chase single waves.",
}
Floats = NDArray[np.float64]


def field_mm(u: Floats, v: Floats) -> Floats:
    """The planted deviation, without noise, at chart positions."""
    total = np.zeros(np.broadcast(u, v).shape)
    for _, _, _, u0, v0, peak, ru, rv in MARKS:
        r2 = ((u - u0) / ru) ** 2 + ((v - v0) / rv) ** 2
        total += peak * np.where(r2 < 1.0, (1.0 - np.minimum(r2, 1.0)) ** 2, 0.0)
    ru2 = ((u - RIPPLE_UV[0]) / 130.0) ** 2 + ((v - RIPPLE_UV[1]) / 60.0) ** 2
    wave = np.where(ru2 < 1.0, 0.09 * np.sin(2.0 * np.pi * u / 60.0), 0.0)
    return np.asarray(total + wave)


def in_opening(u: Floats, v: Floats) -> NDArray[np.bool_]:
    """A handle opening of 150 x 50 mm."""
    return np.asarray((np.abs(u - 380.0) < 75.0) & (np.abs(v - 130.0) < 25.0))


def in_strip(u: Floats, v: Floats) -> NDArray[np.bool_]:
    """A window frame that is too narrow to judge."""
    return np.asarray((v > 290.0) & (u < 300.0))


def _line_of(edge: Edge, held: NDArray[np.bool_], dings: tuple[Ding, ...] = ()) -> EdgeLine:
    count = len(edge.station_uv)
    flat, quiet = np.zeros(count), np.zeros((count, 1))
    return EdgeLine(edge, flat, flat, held, flat, quiet, quiet, dings)


def _straight(name: str, a: tuple[float, float], b: tuple[float, float]) -> EdgeLine:
    steps = np.linspace(0.0, 1.0, 40)[:, None]
    line = np.array(a) * (1.0 - steps) + np.array(b) * steps
    length = float(np.hypot(*(line[-1] - line[0])))
    along = (np.array(b) - np.array(a)) / length
    inward = np.array([-along[1], along[0]])
    edge = Edge(
        name=name,
        kind="outline",
        face=1,
        line_uv=line,
        station_uv=line + 8.0 * inward,
        inward_uv=np.tile(inward, (40, 1)),
        closed=False,
        length_mm=length,
        station_mm=length / 40,
    )
    held = np.ones(40, bool)
    if name != "B":
        return _line_of(edge, held)
    held[22:26] = False
    knock = Ding(u_mm=line[24, 0], v_mm=line[24, 1], height_mm=0.62, length_mm=38.0)
    return _line_of(edge, held, (knock,))


def edges() -> tuple[EdgeLine, ...]:
    """Outline A (below), B (right), C (above), D (left) and the handle opening O1."""
    u, v = CELL_MM * SHAPE[0] / 2, CELL_MM * SHAPE[1] / 2
    corners = ((-u, -v), (u, -v), (u, v), (-u, v))
    outline = tuple(
        _straight(name, corners[i], corners[(i + 1) % 4]) for i, name in enumerate("ABCD")
    )
    turn = np.linspace(0.0, 2.0 * np.pi, 60)
    outward = np.column_stack([np.cos(turn), np.sin(turn)])
    rim = np.column_stack([380.0 + 78.0 * np.cos(turn), 130.0 + 28.0 * np.sin(turn)])
    opening = Edge(
        name="O1",
        kind="opening",
        face=1,
        line_uv=rim,
        station_uv=rim + 6.0 * outward,
        inward_uv=outward,
        closed=True,
        length_mm=360.0,
        station_mm=6.0,
    )
    return (*outline, _line_of(opening, np.ones(60, bool)))


def _faces(filled: NDArray[np.bool_], judged: NDArray[np.bool_]) -> Faces:
    reason = np.full(filled.shape, STRIP, np.uint8)
    reason[judged] = JUDGED
    reason[~filled] = OFF
    return Faces(
        label=filled.astype(np.int32),
        reason=reason,
        openings=~filled,
        inside_mm=np.where(filled, 50.0, 0.0),
        count=1,
        inboard_mm=6.0,
    )


def _fair(judged: NDArray[np.bool_]) -> FairSurface:
    """The base cylinder itself: every coefficient is 0."""
    knot = 40.0
    corner = [-0.5 * CELL_MM * n - 2.0 * knot for n in SHAPE]
    spans = [int(np.ceil(-2.0 * c / knot)) for c in corner]
    space = SplineSpace.build(corner[0], corner[1], knot, np.ones(spans, bool))
    flat = np.zeros(space.size)
    face = FaceSurface(
        face=1,
        space=space,
        fit=Fit(flat, Factor(np.ones((1, space.size)))),
        lattice=space.lattice(flat),
        batten_mm=300.0,
        batten_decided_by="the longest that lies on the sound metal",
        scale_mm=0.02,
        noise_mm=0.012,
        sound=judged,
        form=np.zeros(SHAPE, bool),
        climb=((300.0, 0.02),),
        cell_area_mm2=CELL_MM**2,
        edges=edges(),
        shaken=np.zeros((space.size, 1)),
        passes=1,
        unfollowed_mm=np.full(SHAPE, np.nan),
        broken_down=False,
    )
    return FairSurface(corner[0], corner[1], knot, face.lattice[None], (face,), 3)


def _from_edges(u: float, v: float) -> str:
    half_u, half_v = CELL_MM * SHAPE[0] / 2, CELL_MM * SHAPE[1] / 2
    across = min((v + half_v, "A"), (half_v - v, "C"))
    along = min((half_u - u, "B"), (u + half_u, "D"))
    return ", ".join(f"{d:.0f} mm from edge {name}" for d, name in (across, along))


def _regions(grid: Grid, deviation: Floats, scan_at: Chart, units: Units) -> tuple[Region, ...]:
    uu, vv = np.meshgrid(grid.u_mm, grid.v_mm, indexing="ij")
    found = []
    for name, kind, verdict, u, v, peak, ru, rv in MARKS:
        near = ((uu - u) / ru) ** 2 + ((vv - v) / rv) ** 2 < 1.0
        core = near & (deviation * np.sign(peak) > HEIGHT_TOL_MM)
        found.append((name, kind, verdict, u, v, peak, ru, rv, core, near))
    near = ((uu - RIPPLE_UV[0]) / 130.0) ** 2 + ((vv - RIPPLE_UV[1]) / 60.0) ** 2 < 1.0
    found.append(("R1", "ripple", "out", *RIPPLE_UV, 0.09, 130.0, 60.0, near, near))
    rows = []
    for name, kind, verdict, u, v, peak, ru, rv, core, near in found:
        xyz = scan_at.to_space(np.array([[u, v, peak]]))[0] / units.mm_per_unit
        rows.append(
            Region(
                region=name,
                kind=kind,
                verdict=verdict,
                peak_mm=peak,
                uncertainty_mm=0.0712345,
                mean_mm=peak / 3.0,
                area_cm2=float(near.sum()) * CELL_MM**2 / 100.0,
                volume_cm3=float(np.nansum(deviation[near])) * CELL_MM**2 / 1000.0,
                length_mm=2.0 * max(ru, rv),
                width_mm=2.0 * min(ru, rv),
                max_slope_mrad=9.4 if kind == "ripple" else 25.0 * abs(peak),
                x=float(xyz[0]),
                y=float(xyz[1]),
                z=float(xyz[2]),
                u_mm=u,
                v_mm=v,
                from_edges=_from_edges(u, v),
                action=ACTIONS[name],
                core=core,
                footprint=near,
            )
        )
    return tuple(rows)


def _statuses(
    deviation: Floats, judged: NDArray[np.bool_], held: NDArray[np.bool_]
) -> NDArray[np.uint8]:
    status = np.full(deviation.shape, IN, np.uint8)
    status[deviation > HEIGHT_TOL_MM + 0.06] = HIGH
    status[deviation < -HEIGHT_TOL_MM - 0.06] = LOW
    status[np.abs(np.abs(deviation) - HEIGHT_TOL_MM) <= 0.06] = UNDECIDED
    status[held] = HELD
    status[~judged] = NOT_JUDGED
    return status


def _held(u: Floats, v: Floats) -> NDArray[np.bool_]:
    half_u, half_v = CELL_MM * SHAPE[0] / 2, CELL_MM * SHAPE[1] / 2
    rim = (half_u - np.abs(u) < 8.0) | (half_v - np.abs(v) < 8.0)
    return np.asarray(rim | (np.abs(v - 0.04 * u - 20.0) < 12.0))


def result(
    *,
    points: int = 60_000,
    mesh: bool = False,
    name: str = "pelham_300_door_left",
    units: str = "mm",
    float_type: str = "<f4",
    survey_offset: float = 0.0,
) -> CheckResult:
    """The door's result; a cloud of `points` vertices, or a mesh over the cells' positions."""
    rng = np.random.default_rng(7)
    grid = Grid(-CELL_MM * SHAPE[0] / 2, -CELL_MM * SHAPE[1] / 2, CELL_MM, SHAPE)
    chart = Chart(
        origin_mm=np.array([4.0, -3.0, 2.0]),
        rotation=np.array([[1.0, 0.0, 0.0], [0.0, 0.0, 1.0], [0.0, -1.0, 0.0]]),
        curvature_per_mm=1.0 / 2500.0,
        axis_decided_by="the normals turn least along it",
        outside_decided_by="the file's normals",
    )
    uu, vv = np.meshgrid(grid.u_mm, grid.v_mm, indexing="ij")
    filled = ~in_opening(uu, vv)
    judged = filled & ~in_strip(uu, vv)
    noisy = field_mm(uu, vv) + rng.normal(0.0, 0.012, SHAPE)
    cell_mm = np.where(judged, noisy, np.nan)
    cells = Cells(
        grid=grid,
        u_mm=np.where(filled, uu, np.nan),
        v_mm=np.where(filled, vv, np.nan),
        height_mm=np.where(filled, noisy, np.nan),
        error_mm=np.where(filled, 0.012, np.nan),
        slope_u=np.where(filled, 0.0, np.nan),
        slope_v=np.where(filled, 0.0, np.nan),
        count=np.where(filled, 20, 0).astype(np.int32),
        layered=np.zeros(SHAPE, bool),
        noise_mm=0.05,
        spacing_mm=1.3,
    )
    if mesh:
        pu, pv = uu.ravel(), vv.ravel()
    else:
        pu = rng.uniform(-CELL_MM * SHAPE[0] / 2, CELL_MM * SHAPE[0] / 2, points)
        pv = rng.uniform(-CELL_MM * SHAPE[1] / 2, CELL_MM * SHAPE[1] / 2, points)
    p_dev = field_mm(pu, pv) + rng.normal(0.0, 0.03, len(pu))
    p_judged = ~in_opening(pu, pv) & ~in_strip(pu, pv)
    unit = Units(units, {"mm": 1.0, "m": 1000.0}[units], "the extent of the scan")
    local = chart.to_space(np.column_stack([pu, pv, p_dev])).astype(np.float32)
    scan = _scan(local, unit, name, float_type, survey_offset, _grid_faces() if mesh else None)
    deviation = Deviation(
        cell_mm=cell_mm,
        smooth_mm=cell_mm,
        cell_sigma_mm=np.where(judged, 0.02, np.nan),
        surface_sigma_mm=np.where(judged, 0.01, np.nan),
        cell_slope_mrad=np.where(judged, 0.5, np.nan),
        slope_sigma_mrad=0.3,
        cell_status=_statuses(np.nan_to_num(cell_mm), judged, judged & _held(uu, vv)),
        point_mm=np.where(p_judged, p_dev, np.nan).astype(np.float32),
        point_status=_statuses(p_dev, p_judged, p_judged & _held(pu, pv)),
        not_judged=np.where(filled & ~judged, 1, 0).astype(np.uint8),
        reasons=("judged", "strip narrower than a third of the batten"),
    )
    line = np.linspace(-560.0, 560.0, 50)
    crease = Crease(
        name="C1",
        kind="soft",
        line_uv=np.column_stack([line, 0.04 * line + 20.0]),
        turn_mrad=-110.0,
        step_mm=0.0,
        length_mm=1121.0,
        source="found",
    )
    return CheckResult(
        scan=scan,
        settings=load_settings("metal", overrides={"tolerance.height_mm": HEIGHT_TOL_MM}),
        chart=chart,
        cells=cells,
        faces=_faces(filled, judged),
        edges=edges(),
        creases=(crease,),
        fair=_fair(judged),
        surface=SurfaceFacts(300.0, "the longest that lies on the sound metal", 3),
        deviation=deviation,
        regions=_regions(grid, cell_mm, chart, unit),
        verdict="out",
        smallest_visible_mm=0.11,
        points=PointCounts(int(p_judged.sum()), 40, {"not finite": 3, "inner skin": 120}),
        length_mm=CELL_MM * SHAPE[0],
        width_mm=CELL_MM * SHAPE[1],
        area_cm2=float(judged.sum()) * CELL_MM**2 / 100.0,
        warnings=("Edge B has a ding of +0.62 mm, 38 mm long; it is not held there.",),
        cautions=("Old paint may hold lead or chromates: test before sanding.",),
        timings_s={"read": 0.21, "fit": 0.83},
    )


def _grid_faces() -> NDArray[np.int32]:
    index = np.arange(SHAPE[0] * SHAPE[1], dtype=np.int32).reshape(SHAPE)
    a, b, c, d = index[:-1, :-1], index[1:, :-1], index[1:, 1:], index[:-1, 1:]
    first = np.stack([a, b, c], axis=-1).reshape(-1, 3)
    second = np.stack([a, c, d], axis=-1).reshape(-1, 3)
    return np.concatenate([first, second])


def _scan(
    local: NDArray[np.float32],
    unit: Units,
    name: str,
    float_type: str,
    survey_offset: float,
    faces: NDArray[np.int32] | None,
) -> Scan:
    origin = np.array([1.5, 2.5, -0.5]) + survey_offset
    in_file = local.astype(np.float64) / unit.mm_per_unit + origin
    fields = [(axis, float_type) for axis in "xyz"]
    fields += [("intensity", "<f4"), ("red", "u1"), ("scan_line", "<i4")]
    vertices = np.zeros(len(local), fields)
    for axis, column in zip("xyz", in_file.T, strict=True):
        vertices[axis] = column
    vertices["intensity"] = np.linspace(0.0, 1.0, len(local))
    vertices["red"] = 77
    vertices["scan_line"] = np.arange(len(local)) // 100
    return Scan(
        name=name,
        points_mm=local,
        usable=np.ones(len(local), bool),
        origin=origin,
        units=unit,
        vertices=vertices,
        faces=faces,
        path=Path("scans") / f"{name}.ply",
        sha256="a1b2c3d4e5f6" + "0" * 52,
        dropped={"not finite": 3},
    )


def figures_of(monkeypatch: pytest.MonkeyPatch) -> list[Figure]:
    """The figures that are drawn from now on, in a list that grows."""
    drawn: list[Figure] = []
    plain = Figure.savefig

    def listening(self: Figure, *args: Any, **how: Any) -> None:
        drawn.append(self)
        plain(self, *args, **how)

    monkeypatch.setattr(Figure, "savefig", listening)
    return drawn

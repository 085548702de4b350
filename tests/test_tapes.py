"""Where to lay the tape: on metal, and where the paper draws it."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from guidecoat.findings.marks import find_marks
from guidecoat.findings.regions import measure_regions
from guidecoat.findings.tapes import Metal, tape_distances, tape_foot
from guidecoat.measuring.deviation import measure_cells
from guidecoat.outline.edges import Edge
from guidecoat.synthetic import Dimple, sphere_panel, wing
from guidecoat.unrolling.chart import Grid
from guidecoat.unrolling.stretch import Stretch
from truth_fixture import checked

Floats = NDArray[np.float64]


def edge(name: str, start: tuple[float, float], end: tuple[float, float]) -> Edge:
    line = np.linspace(start, end, 31)
    nothing = np.zeros((0, 2))
    return Edge(name, "outline", 1, line, nothing, nothing, False, 0.0, 20.0)


FRAME = (
    edge("A", (20.0, 600.0), (780.0, 600.0)),
    edge("B", (800.0, 580.0), (800.0, 20.0)),
    edge("D", (0.0, 20.0), (0.0, 580.0)),
)


def plate(hole: tuple[float, float, float, float]) -> Metal:
    """800 x 600 mm of metal without a hole from (u0, v0) to (u1, v1)."""
    grid = Grid(0.0, 0.0, 5.0, (160, 120))
    there = np.ones(grid.shape, bool)
    u0, v0, u1, v1 = (round(x / 5.0) for x in hole)
    there[u0:u1, v0:v1] = False
    return Metal(Stretch.flat(grid), there)


def test_a_tape_does_not_cross_an_arch_but_bridges_a_handle() -> None:
    place = np.array([300.0, 500.0])
    near = "100 mm from edge A, 300 mm from edge D"
    assert tape_distances(place, FRAME) == near
    assert tape_distances(place, FRAME, metal=plate((100.0, 460.0, 230.0, 540.0))) == near
    arch = plate((40.0, 300.0, 270.0, 560.0))
    assert tape_distances(place, FRAME, metal=arch) == "100 mm from edge A, 500 mm from edge B"


def test_where_no_tape_lies_on_metal_the_nearest_edge_is_named_all_the_same() -> None:
    """A strip between two wide gaps, and beside an edge that ends before it."""
    place, far = np.array([400.0, 300.0]), (FRAME[1], FRAME[2])
    metal = plate((20.0, 100.0, 380.0, 500.0))
    metal.there[84:156, 20:100] = False
    said = tape_distances(place, far, metal=metal)
    assert said == "near edge B: 400 mm off, not over metal"
    short = (edge("A", (20.0, 600.0), (300.0, 600.0)),)
    skin = plate((0.0, 0.0, 0.0, 0.0))
    skin.there[:68] = False
    assert tape_distances(place, short, metal=skin) == "near the end of edge A: 316 mm off"
    # no map draws a tape for it
    assert not re.search(r"mm from", said)
    assert tape_distances(place, ()) == ""


def test_a_mark_on_a_panel_without_an_edge_is_told_by_its_place_in_the_scan() -> None:
    _, result = checked(sphere_panel(900.0), (Dimple((40.0, 30.0), -1.0, (50.0, 50.0)),), seed=3)
    cells, chart, faces = result.cells, result.chart, result.faces
    found = measure_cells(cells, chart, faces, result.fair, cells.filled, smoothing_mm=10.0)
    tolerance = result.settings.tolerance
    marks = find_marks(found, cells, tolerance)
    (low,) = measure_regions(
        marks, found, cells, chart, result.scan, (), tolerance, label=faces.label
    )
    assert low.from_edges == f"at x {low.x:.4g}, y {low.y:.4g}, z {low.z:.4g}"


def test_a_tape_meets_an_edge_squarely_and_is_carried_on_past_its_ends_only() -> None:
    """An end that turns into a round corner must not be carried on to meet a tape slantwise."""
    straight = np.column_stack([np.zeros(29), np.linspace(580.0, 20.0, 29)])
    turned = np.vstack([straight, [[8.0, 8.0], [20.0, 0.0]]])
    foot, past = tape_foot(turned, np.array([300.0, 60.0]), closed=False)
    assert (foot.tolist(), past) == ([0.0, 60.0], False)
    foot, past = tape_foot(straight, np.array([300.0, 5.0]), closed=False)
    assert (foot.tolist(), past) == ([0.0, 5.0], True)
    foot, past = tape_foot(straight, np.array([300.0, 5.0]), closed=True)
    assert (foot.tolist(), past) == ([0.0, 20.0], False)


def test_a_place_at_a_rim_is_found_along_it_where_no_tape_lies_across() -> None:
    """The edges across it end in round corners, which a tape along the rim does not come to."""
    metal = plate((0.0, 0.0, 0.0, 0.0))
    for u, v in ((0.0, 0.0), (760.0, 560.0), (0.0, 560.0)):
        metal.there[round(u / 5.0) : round(u / 5.0) + 8, round(v / 5.0) : round(v / 5.0) + 8] = 0
    above = replace(
        FRAME[0], station_uv=np.array([[500.0, 590.0]]), inward_uv=np.array([[0.0, -1.0]])
    )
    said = tape_distances(np.array([560.0, 599.0]), (above, *FRAME[1:]), metal=metal)
    assert said == "1 mm from edge A, 220 mm along it from its end at edge B"
    alone = tape_distances(np.array([560.0, 599.0]), (above,), metal=metal)
    assert alone == "1 mm from edge A"


def test_where_edges_run_on_into_each_other_the_one_that_is_there_counts() -> None:
    """Left and right of a body line that runs out over the rim at u = 400."""
    edges = (
        edge("A", (20.0, 601.0), (395.0, 600.0)),
        edge("B", (405.0, 600.0), (780.0, 602.0)),
        FRAME[2],
    )
    assert tape_distances(np.array([415.0, 500.0]), edges).startswith("100 mm from edge B")


def test_an_edge_drawn_in_stairs_is_not_passed_over_for_the_next_one_carried_on() -> None:
    """Cells of 7 mm draw an edge to half their side; what runs on beyond its end is another's."""
    upper = edge("B", (800.0, 580.0), (800.0, 250.0))
    wobble = 3.0 * (-1.0) ** (np.arange(31) // 2)
    stairs = replace(upper, line_uv=upper.line_uv + wobble[:, None] * [1.0, 0.0])
    lower = edge("C", (800.0, 240.0), (800.0, 20.0))
    place = np.array([640.0, 320.0])
    said = tape_distances(place, (FRAME[0], stairs, lower, FRAME[2]))
    assert re.fullmatch(r"1[56]\d mm from edge B, 280 mm from edge A", said), said


def test_the_near_window_is_named_before_an_edge_far_off() -> None:
    turn = np.linspace(0.0, 2.0 * np.pi, 181)
    rim = np.column_stack([np.sign(np.cos(turn)), np.sign(np.sin(turn))])
    shape = np.abs(np.column_stack([np.cos(turn), np.sin(turn)])) ** 0.25
    window = replace(
        edge("O1", (0.0, 0.0), (1.0, 1.0)),
        kind="opening",
        line_uv=np.array([400.0, 420.0]) + np.array([200.0, 80.0]) * rim * shape,
        closed=True,
    )
    bottom = edge("C", (780.0, 0.0), (20.0, 0.0))
    place = np.array([400.0, 250.0])
    assert tape_distances(place, (*FRAME, bottom, window)).startswith("90 mm from edge O1")


def test_no_tape_ends_where_an_edge_is_only_carried_on_into_skin() -> None:
    """A stays half a panel long; the skin goes on beyond it, and beside it nothing is met."""
    short = edge("A", (20.0, 300.0), (300.0, 300.0))
    metal = plate((20.0, 300.0, 300.0, 600.0))
    place = np.array([350.0, 200.0])
    assert "edge A" in tape_distances(np.array([200.0, 200.0]), (short, *FRAME[1:]), metal=metal)
    assert "edge A" not in tape_distances(place, (short, *FRAME[1:]), metal=metal)


def test_a_tape_to_a_body_line_ends_at_the_line_and_says_so() -> None:
    band = replace(
        edge("S2", (20.0, 300.0), (780.0, 300.0)),
        kind="sharp",
        body_line_uv=np.array([[20.0, 312.0], [780.0, 312.0]]),
    )
    where = tape_distances(np.array([400.0, 250.0]), (band, FRAME[2]))
    assert where == "400 mm from edge D, 62 mm from body line S2"


@pytest.mark.parametrize("seed", [1, 2])
def test_tapes_on_a_wing_stay_off_its_wheel_arch(seed: int) -> None:
    panel = wing()
    marks = (
        Dimple((-330.0, -120.0), -0.8, (40.0, 40.0)),
        Dimple((310.0, -100.0), 0.8, (40.0, 40.0)),
    )
    _, result = checked(panel, marks, seed=seed, spacing_mm=2.5)
    assert len(result.regions) == 2
    filled, grid = result.cells.filled, result.cells.grid
    skin = Stretch.of(result.cells, result.chart, filled)
    for region in result.regions:
        place = np.array([region.u_mm, region.v_mm])
        tapes = re.findall(r"(\d+) mm from edge (\w+)", region.from_edges)
        assert len(tapes) == 2
        for length, name in tapes:
            (line,) = (e.line_uv for e in result.edges if e.name == name)
            foot, _ = tape_foot(line, place, closed=False)
            assert skin.length_mm(place, foot - place) == pytest.approx(float(length), abs=0.6)
            track = place + np.linspace(0.0, 0.97, 400)[:, None] * (foot - place)
            assert filled[grid.index(*track.T)].mean() > 0.97

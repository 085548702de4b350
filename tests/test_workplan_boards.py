"""Boards: hand-worked sagittas and choices, and the way a stroke crosses a wave."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from guidecoat.settings import load_settings
from guidecoat.workplan.boards import (
    Board,
    board_for,
    choose_board,
    curvature_along,
    longest_flat_mm,
    sagitta_mm,
)
from workplan_fixture import Planted, sound_panel, with_marks

FIGURES = load_settings("filler").plan
FLAT, CROWN, TIGHT, HOLLOW = 0.0, 1.0 / 2500.0, 1.0 / 250.0, -1.0 / 2500.0


def chosen(wave: float, *, room: float = 2000.0, bend: float = FLAT) -> Board:
    return choose_board(wave, room, bend, 0.0, FIGURES, tolerance_mm=0.3)


def test_sagitta_by_hand() -> None:
    """430 mm on a radius of 2500 mm: 430^2 / (8 x 2500) = 9.245 mm; exact arc 9.252 mm."""
    assert sagitta_mm(430.0, CROWN) == pytest.approx(9.245)
    exact = 2500.0 - np.sqrt(2500.0**2 - 215.0**2)
    assert sagitta_mm(430.0, CROWN) == pytest.approx(exact, rel=2e-3)


def test_longest_flat_board_leaves_just_the_allowed_crown() -> None:
    """sqrt(8 x 0.3 x 2500) = 77.46 mm."""
    length = longest_flat_mm(CROWN, 0.3)
    assert length == pytest.approx(77.4597, abs=1e-3)
    assert sagitta_mm(length, CROWN) == pytest.approx(0.3)
    assert longest_flat_mm(FLAT, 0.3) == np.inf


@pytest.mark.parametrize(
    ("wave", "length"),
    [(30.0, 70.0), (35.0, 70.0), (35.1, 280.0), (140.0, 280.0), (141.0, 406.0), (300.0, 610.0)],
)
def test_the_shortest_board_that_spans_twice_the_wave(wave: float, length: float) -> None:
    board = chosen(wave)
    assert (board.length_mm, board.shape, board.warning) == (length, "flat", "")


def test_a_wave_too_long_for_the_shop_gets_its_longest_and_a_warning() -> None:
    board = chosen(600.0)
    assert board.length_mm == 914.0
    assert "1200 mm would be right" in board.warning


def test_no_board_is_longer_than_the_panel() -> None:
    assert chosen(150.0, room=420.0).length_mm == 406.0
    assert chosen(150.0, room=405.0).length_mm == 280.0
    tiny = chosen(30.0, room=60.0)
    assert tiny.length_mm == 0.0
    assert "no board fits" in tiny.warning


def test_shape_follows_the_curvature() -> None:
    crowned = chosen(200.0, bend=CROWN)
    assert crowned.shape == "flexible"
    assert "cut the crown flat by 8.2 mm" in crowned.warning
    assert "77 mm" in crowned.warning
    assert chosen(200.0, bend=TIGHT).shape == "radius"
    hollow = chosen(200.0, bend=HOLLOW)
    assert hollow.shape == "radius"
    assert "rides on its ends" in hollow.warning


def test_flat_just_where_the_crown_is_within_tolerance() -> None:
    limit = 8.0 * 0.3 / 406.0**2
    assert chosen(200.0, bend=limit * 0.999).shape == "flat"
    assert chosen(200.0, bend=limit * 1.001).shape == "flexible"


def test_a_long_low_is_crossed() -> None:
    result = with_marks([Planted("L1", 0.0, 0.0, -1.0, radius_u=150.0, radius_v=40.0)])
    board = board_for(result, result.regions[0])
    assert board is not None
    assert abs(board.stroke_deg) == pytest.approx(90.0, abs=1.0)
    assert board.stroke == "bottom to top on the map"
    assert (board.wave_mm, board.length_mm, board.shape) == (80.0, 280.0, "flat")


def test_a_knock_in_an_edge_is_blocked_along_it() -> None:
    """It is 60 mm long and 20 mm across; across the edge a board would tip over the rim."""
    for mark, degrees in (
        (Planted("L1", 0.0, 188.0, -1.0, radius_u=30.0, radius_v=10.0), 0.0),
        (Planted("L1", 288.0, 0.0, -1.0, radius_u=10.0, radius_v=30.0), 90.0),
    ):
        result = with_marks([mark])
        place = np.array([mark.u, mark.v])
        edge = min(result.edges, key=lambda e: np.hypot(*(e.station_uv - place).T).min())
        board = board_for(result, replace(result.regions[0], edge=edge.name))
        assert board is not None
        assert abs(board.stroke_deg) == pytest.approx(degrees, abs=3.0)
        # what of its 60 mm lies on judged cells, to a cell
        assert 40.0 < board.wave_mm <= 60.0 + result.cells.grid.cell_mm
        assert board.length_mm == 280.0


@pytest.mark.parametrize("degrees", [0.0, 35.0, -60.0])
def test_ripple_is_crossed_over_its_crests(degrees: float) -> None:
    """A plane wave of 60 mm along a direction."""
    result = with_marks([Planted("R1", 0.0, 0.0, 0.15, radius_u=120.0, radius_v=110.0)])
    grid = result.cells.grid
    u, v = np.meshgrid(grid.u_mm, grid.v_mm, indexing="ij")
    along = u * np.cos(np.radians(degrees)) + v * np.sin(np.radians(degrees))
    wave = np.where(
        np.isfinite(result.deviation.smooth_mm), 0.15 * np.sin(2 * np.pi * along / 60.0), np.nan
    )
    result = replace(result, deviation=replace(result.deviation, smooth_mm=wave))
    board = board_for(result, result.regions[0])
    assert board is not None
    assert board.stroke_deg == pytest.approx(degrees, abs=3.0)
    assert board.wave_mm == pytest.approx(60.0, rel=0.06)
    assert board.length_mm == 280.0


def test_curvature_of_a_bent_chart_and_surface() -> None:
    """On a cylinder of radius 500 round u with a surface z = -u^2 / 2000 on it."""
    result = sound_panel()
    face = result.fair.faces[0]
    space = face.space
    u, v = np.meshgrid(np.arange(-150.0, 151.0, 10.0), np.arange(-100.0, 101.0, 10.0))
    rows = space.rows(u.ravel(), v.ravel())
    dense = np.zeros((rows.index.shape[0], space.size))
    np.add.at(dense, (np.arange(len(dense))[:, None], rows.index), rows.value)
    c = np.linalg.lstsq(dense, -(u.ravel() ** 2) / 2000.0, rcond=None)[0]
    bent = replace(face, fit=replace(face.fit, coefficients=c))
    round_panel = replace(result, chart=replace(result.chart, curvature_per_mm=1.0 / 500.0))
    middle = np.zeros(2)
    along = curvature_along(round_panel, bent, middle, np.array([1.0, 0.0]))
    around = curvature_along(round_panel, bent, middle, np.array([0.0, 1.0]))
    between = curvature_along(round_panel, bent, middle, np.array([1.0, 1.0]) / np.sqrt(2.0))
    assert along == pytest.approx(1.0 / 1000.0, rel=1e-4)
    assert around == pytest.approx(1.0 / 500.0, rel=1e-4)
    assert between == pytest.approx(1.5 / 1000.0, rel=1e-4)  # Euler's formula

"""Sections against circles whose radius is known, and against the regions they cut."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

import report_fixture
from guidecoat.check import CheckResult, check
from guidecoat.errors import SettingsError
from guidecoat.export.extras import asked_extras, left_out_words
from guidecoat.measuring.deviation import NOT_JUDGED
from guidecoat.preview.sections import Panel, Section, cut_line, cut_stations, line_ends
from guidecoat.settings import load_settings
from guidecoat.synthetic import flat_panel, scan_panel, to_scan

Floats = NDArray[np.float64]
R_MM = report_fixture.RADIUS_MM


def circle_radius(profile: Floats) -> float:
    """Radius of the least-squares circle through (n, 2) places."""
    x, y = profile[np.isfinite(profile).all(axis=1)].T
    basis = np.column_stack([2.0 * x, 2.0 * y, np.ones_like(x)])
    (a, b, c), *_ = np.linalg.lstsq(basis, x * x + y * y, rcond=None)
    return float(np.sqrt(c + a * a + b * b))


def test_across_a_cylinder_is_its_circle_and_along_it_a_line() -> None:
    sections = cut_stations(report_fixture.panel_of(report_fixture.cylinder()), 3)
    assert [s.name for s in sections] == ["X1", "X2", "X3", "Y1", "Y2", "Y3"]
    for section in sections[:3]:
        assert circle_radius(section.fair_mm) == pytest.approx(R_MM, abs=0.1)
        chord = section.fair_mm[-1, 0]
        assert section.length_mm == pytest.approx(2 * R_MM * np.arcsin(chord / 2 / R_MM), abs=1e-3)
    for section in sections[3:]:
        assert np.abs(section.fair_mm[:, 1]).max() < 2e-3
        assert np.nanmax(np.abs(section.deviation_mm)) < 2e-3


def test_planes_cut_a_sphere_in_circles() -> None:
    result = report_fixture.sphere()
    panel = report_fixture.panel_of(result)
    sections = cut_stations(panel, 2)
    assert len(sections) == 4
    for section in sections:
        # A plane at a distance d from the centre cuts a circle of sqrt(R^2 - d^2).
        place = section.points_mm[np.isfinite(section.points_mm[:, 0])]
        centre = result.chart.origin_mm - R_MM * result.chart.outside
        normal = np.linalg.svd(place - place.mean(axis=0))[2][2]
        distance = float((place.mean(axis=0) - centre) @ normal)
        radius = np.sqrt(R_MM**2 - distance**2)
        assert circle_radius(section.fair_mm) == pytest.approx(radius, abs=1.0)


def unjudged(low_mm: float, high_mm: float) -> Panel:
    """The cylinder with nothing judged between two places along it."""
    panel = report_fixture.panel_of(report_fixture.cylinder())
    status = panel.deviation.cell_status.copy()
    u = panel.cells.grid.u_mm
    status[(u > low_mm) & (u < high_mm)] = NOT_JUDGED
    return replace(panel, deviation=replace(panel.deviation, cell_status=status))


def test_what_was_not_judged_parts_a_section() -> None:
    panel = unjudged(-40.0, 40.0)
    cell = panel.cells.grid.cell_mm
    along = [s for s in cut_stations(panel, 3) if s.kind == "along"]
    assert [s.name for s in along] == ["Y1", "Y2", "Y3"]
    for section in along:
        before, after = section.stretches
        assert section.uv_mm[before.stop - 1, 0] == pytest.approx(-40.0, abs=cell)
        assert section.uv_mm[after.start, 0] == pytest.approx(40.0, abs=cell)
        drawn = section.within(section.fair_mm)
        between = np.abs(section.uv_mm[:, 0]) < 40.0 - cell
        assert between.any()
        assert np.isnan(drawn[between]).all()
        assert np.isfinite(drawn[before]).all()
        # What a program reads has every place still.
        assert np.isfinite(section.fair_mm).all()


def test_a_pinhole_parts_no_section() -> None:
    grid = report_fixture.cylinder().cells.grid
    centre, half = float(grid.u_mm[grid.shape[0] // 2]), 0.6 * grid.cell_mm
    along = [s for s in cut_stations(unjudged(centre - half, centre + half), 3) if s.name[0] == "Y"]
    assert along
    for section in along:
        hole = np.abs(section.uv_mm[:, 0] - centre) < 20.0
        assert (section.status[hole] == NOT_JUDGED).any()
        assert len(section.stretches) == 1


def test_a_station_hardly_judged_is_left_out_with_a_word() -> None:
    panel = unjudged(-40.0, 40.0)
    kept = cut_stations(panel, 3)
    assert [s.name for s in kept] == ["X1", "X3", "Y1", "Y2", "Y3"]
    (word,) = left_out_words(kept, 3)
    assert word.startswith("Section X2 is left out: less than 30 % of it could be judged")
    assert left_out_words(cut_stations(unjudged(0.0, 0.0), 3), 3) == ()


@pytest.mark.parametrize(("share", "kept"), [(0.25, False), (0.35, True)])
def test_three_tenths_of_a_station_must_be_judged(share: float, kept: bool) -> None:
    u = cut_stations(unjudged(0.0, 0.0), 1)[-1].uv_mm[:, 0]
    end = u[0] + (1.0 - share) * np.ptp(u)
    names = [s.name for s in cut_stations(unjudged(u[0] - 9.0, end), 1)]
    assert ("Y1" in names) is kept


def test_a_picked_line_over_nothing_judged_is_refused() -> None:
    result = report_fixture.door()
    status = np.full_like(result.deviation.cell_status, NOT_JUDGED)
    blind = replace(result, deviation=replace(result.deviation, cell_status=status))
    with pytest.raises(SettingsError, match="nothing was judged between"):
        picked(blind)


def picked(result: CheckResult) -> Section:
    ends = np.array([[getattr(r, axis) for axis in "xyz"] for r in result.regions])
    return cut_line(report_fixture.panel_of(result), result.scan, "P1", ends)


def test_a_picked_line_lies_in_a_plane_and_joins_its_points() -> None:
    result = report_fixture.door()
    section = picked(result)
    place = section.points_mm[np.isfinite(section.points_mm[:, 0])]
    assert np.linalg.svd(place - place.mean(axis=0))[1][2] < 1e-6
    high, low = result.regions
    for end, region in ((0, high), (-1, low)):
        assert section.deviation_mm[end] == pytest.approx(region.peak_mm, abs=0.06)
        assert np.hypot(*(section.uv_mm[end] - [region.u_mm, region.v_mm])) < 0.5
    assert [(c.region, c.kind) for c in section.crossings] == [("H1", "high"), ("L1", "low")]
    first, last = section.crossings
    assert first.from_mm == 0.0
    assert last.to_mm == pytest.approx(section.length_mm)


def test_swapping_the_picked_points_reverses_the_section() -> None:
    result = report_fixture.door()
    forth = picked(result)
    back = picked(replace(result, regions=result.regions[::-1]))
    np.testing.assert_allclose(back.deviation_mm[::-1], forth.deviation_mm, atol=1e-6)
    np.testing.assert_allclose(back.fair_mm[::-1, 1], forth.fair_mm[:, 1], atol=1e-6)
    assert back.length_mm == pytest.approx(forth.length_mm, abs=1e-6)


def test_gap_in_the_plane_is_the_deviation_over_the_slant() -> None:
    sections = cut_stations(report_fixture.panel_of(report_fixture.door()), 3)
    assert len(sections) == 6
    for section in sections:
        known = np.isfinite(section.deviation_mm)
        gap = np.linalg.norm((section.scan_mm - section.fair_mm)[known], axis=1)
        # Never less than the deviation; on a door crowned by 12 mm hardly more.
        ratio = gap / np.maximum(np.abs(section.deviation_mm[known]), 1e-9)
        assert (ratio > 1.0 - 1e-9).all()
        assert (ratio < 1.02).all()
        outward = (section.scan_mm - section.fair_mm)[known, 1]
        assert (np.sign(outward) == np.sign(section.deviation_mm[known])).all()


def test_the_chord_is_level_and_the_panel_bulges_up() -> None:
    for section in cut_stations(report_fixture.panel_of(report_fixture.door()), 2):
        np.testing.assert_allclose(section.fair_mm[[0, -1], 1], 0.0, atol=1e-9)
        assert np.nanmax(section.fair_mm[:, 1]) > 1.0
        assert (np.diff(section.run_mm) > 0).all()


def test_a_flat_panel_has_a_section_too() -> None:
    scan = scan_panel(flat_panel(), spacing_mm=3.0, noise_mm=0.0, seed=1)
    result = check(to_scan(scan, normals=True), load_settings("metal"))
    for section in cut_stations(report_fixture.panel_of(result), 1):
        assert np.nanmax(np.abs(section.fair_mm[:, 1])) < 1e-3
        assert np.isfinite(section.scan_mm).any()


@pytest.mark.parametrize("count", [0, 51, -1])
def test_an_impossible_number_of_stations_is_refused(count: int) -> None:
    panel = report_fixture.panel_of(report_fixture.cylinder())
    with pytest.raises(SettingsError, match="choose 1 to 50 stations"):
        cut_stations(panel, count)
    with pytest.raises(SettingsError, match="choose 1 to 50 stations"):
        asked_extras(stations=count, lines=(), paper=None)


@pytest.mark.parametrize(
    "text", ["", "1,2,3,4,5", "1,2,3,4,5,six", "0,0,0,1,nan,0", "1,2,3,4,5,6,7"]
)
def test_a_line_needs_six_numbers(text: str) -> None:
    with pytest.raises(SettingsError, match="needs 6 numbers"):
        line_ends(text)


def test_points_off_the_panel_or_together_are_refused() -> None:
    result = report_fixture.door()
    panel = report_fixture.panel_of(result)
    peak = np.array([getattr(result.regions[0], axis) for axis in "xyz"])
    above = peak + 60.0 * result.chart.outside
    beyond = peak + 900.0 * result.chart.rotation[0]
    other = np.array([getattr(result.regions[1], axis) for axis in "xyz"])
    with pytest.raises(SettingsError, match="mm off the judged panel"):
        cut_line(panel, result.scan, "P1", np.array([above, other]))
    with pytest.raises(SettingsError, match="beyond the edges of the judged panel"):
        cut_line(panel, result.scan, "P1", np.array([other, beyond]))
    with pytest.raises(SettingsError, match="apart; pick two at least 20 mm apart"):
        cut_line(panel, result.scan, "P1", np.array([peak, peak + 1.0]))


def test_an_unknown_paper_is_refused() -> None:
    with pytest.raises(SettingsError, match="choose a4 or a3"):
        asked_extras(stations=None, lines=None, paper="letter")
    assert asked_extras(stations=None, lines=None, paper="A3").paper == "a3"

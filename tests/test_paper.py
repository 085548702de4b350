"""Full size is full size: page sizes, rulers, register marks, and the file for the cutter."""

from __future__ import annotations

import csv
import io
import os
import re
import subprocess
import sys
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pypdf
import pytest
from ezdxf.filemanagement import read as read_dxf
from matplotlib.axes import Axes
from matplotlib.text import Text

import export_fixture
import report_fixture
from guidecoat.errors import SettingsError
from guidecoat.export.extras import Extras, write_extras
from guidecoat.export.templates import (
    BOARD_MM,
    COLUMNS,
    board_mm,
    sections_csv,
    sections_dxf,
    template,
)
from guidecoat.measuring.deviation import NOT_JUDGED
from guidecoat.pictures.colours import scale_for
from guidecoat.pictures.drawing import INK, PALE, Drawing, Lettering, Stroke, stacked
from guidecoat.pictures.full_size_map import full_size_map
from guidecoat.pictures.paper import OVERLAP_MM, PAPERS, tiled_pdf, tiles
from guidecoat.preview.sections import Section, cut_stations

MM = 72.0 / 25.4
Run = tuple[float, float, float, float]


def box(wide_mm: float, tall_mm: float) -> Drawing:
    """A rectangle with its diagonals."""
    corners = np.array([[0, 0], [wide_mm, 0], [wide_mm, tall_mm], [0, tall_mm], [0, 0]], float)
    return Drawing("box", (Stroke(corners), Stroke(corners[[0, 2]]), Stroke(corners[[1, 3]])), ())


def runs(page: pypdf.PageObject) -> list[Run]:
    """All straight strokes of a page, in mm of paper: x0, y0, x1, y1."""
    found: list[Run] = []
    here = (0.0, 0.0)
    content = page.get_contents()
    assert content is not None
    for operands, operator in content.operations:
        if operator == b"m":
            here = (float(operands[0]), float(operands[1]))
        elif operator == b"l":
            there = (float(operands[0]), float(operands[1]))
            found.append((here[0] / MM, here[1] / MM, there[0] / MM, there[1] / MM))
            here = there
    return found


def sections() -> tuple[Section, ...]:
    return cut_stations(report_fixture.panel_of(report_fixture.door()), 2)


@pytest.mark.parametrize(("name", "size"), [("a4", (297.0, 210.0)), ("a3", (420.0, 297.0))])
def test_pages_have_the_sizes_of_iso_216(name: str, size: tuple[float, float]) -> None:
    pdf = pypdf.PdfReader(io.BytesIO(tiled_pdf([box(500, 300)], PAPERS[name], name="door")))
    for page in pdf.pages:
        assert float(page.mediabox.width) / MM == pytest.approx(size[0], abs=0.01)
        assert float(page.mediabox.height) / MM == pytest.approx(size[1], abs=0.01)


@pytest.mark.parametrize("name", ["a4", "a3"])
def test_every_sheet_carries_a_ruler_of_100_mm(name: str) -> None:
    paper = PAPERS[name]
    drawing = box(500, 300)
    pdf = pypdf.PdfReader(io.BytesIO(tiled_pdf([drawing], paper, name="door")))
    sheets = list(pdf.pages)[1:]
    assert len(sheets) == len(tiles(drawing, paper)) > 1
    for page in sheets:
        rulers = [
            run
            for run in runs(page)
            if run[1] == pytest.approx(run[3], abs=1e-6)
            and abs(run[2] - run[0]) == pytest.approx(100.0, abs=0.005)
        ]
        assert len(rulers) == 1


def test_a_stroke_comes_out_in_its_own_length() -> None:
    stroke = Stroke(np.array([[0.0, 0.0], [123.0, 45.0]]))
    pdf = pypdf.PdfReader(
        io.BytesIO(tiled_pdf([Drawing("line", (stroke,), ())], PAPERS["a4"], name="door"))
    )
    (page,) = pdf.pages
    lengths = [np.hypot(x1 - x0, y1 - y0) for x0, y0, x1, y1 in runs(page)]
    assert min(abs(length - np.hypot(123.0, 45.0)) for length in lengths) < 0.005


@pytest.mark.parametrize("size", [(40.0, 30.0), (277.0, 150.0), (1150.0, 680.0), (2000.0, 30.0)])
def test_sheets_overlap_and_cover_the_drawing(size: tuple[float, float]) -> None:
    drawing, paper = box(*size), PAPERS["a4"]
    wide, tall = paper.window_mm
    found = tiles(drawing, paper)
    x0, y0, x1, y1 = drawing.box_mm
    assert min(t.x0_mm for t in found) <= x0
    assert min(t.y0_mm for t in found) <= y0
    assert max(t.x0_mm for t in found) + wide >= x1
    assert max(t.y0_mm for t in found) + tall >= y1
    for axis in ("x0_mm", "y0_mm"):
        places = sorted({getattr(t, axis) for t in found})
        step = wide if axis == "x0_mm" else tall
        for a, b in pairwise(places):
            # Register marks stand half an overlap inside each sheet: neighbours share them.
            assert a + step - 0.5 * OVERLAP_MM == pytest.approx(b + 0.5 * OVERLAP_MM)


def test_blank_sheets_are_left_out() -> None:
    far = Drawing("L", (Stroke(np.array([[0.0, 0.0], [0.0, 600.0], [900.0, 600.0]])),), ())
    found = tiles(far, PAPERS["a4"])
    assert len(found) < len(tiles(box(900.0, 600.0), PAPERS["a4"]))
    assert {t.column for t in found} == {0, 1, 2, 3}


def test_too_many_sheets_are_refused() -> None:
    with pytest.raises(SettingsError, match="more than 400"):
        tiled_pdf([box(9000.0, 9000.0)], PAPERS["a4"], name="door")


def test_small_drawings_share_a_sheet_and_keep_their_size() -> None:
    together = stacked([box(200, 40), box(150, 40), box(200, 100)], 180.0)
    assert len(together) == 2
    first = together[0].strokes
    assert np.ptp(first[0].xy_mm, axis=0).tolist() == [200.0, 40.0]
    assert np.ptp(first[3].xy_mm, axis=0).tolist() == [150.0, 40.0]
    assert first[3].xy_mm[:, 1].max() < first[0].xy_mm[:, 1].min()


def test_a_board_is_cut_along_the_fair_surface() -> None:
    for section in sections():
        outline = board_mm(section)
        known = section.fair_mm[np.isfinite(section.fair_mm).all(axis=1)]
        np.testing.assert_array_equal(outline[: len(known)], known)
        np.testing.assert_array_equal(outline[0], outline[-1])
        assert outline[:, 1].max() == pytest.approx(known[:, 1].max() + BOARD_MM)
        drawing = template(section)
        names = [t.text for t in drawing.lettering]
        assert section.name in names
        for crossing in section.crossings:
            assert any(text.startswith(crossing.region) for text in names)


def gapped() -> tuple[Section, ...]:
    """The door's sections along it, with nothing judged over 60 mm of each."""
    parted = []
    for section in sections():
        if section.kind == "along":
            status = section.status.copy()
            middle = 0.5 * section.length_mm
            status[np.abs(section.run_mm - middle) < 30.0] = NOT_JUDGED
            parted.append(replace(section, status=status))
    return tuple(parted)


def test_a_board_is_not_cut_where_nothing_was_judged() -> None:
    for section in gapped():
        before, after = section.stretches
        ends = section.fair_mm[[before.stop - 1, after.start]]
        clear = ends[:, 1].max() + 15.0
        outline = board_mm(section)
        between = (outline[:, 0] > ends[0, 0]) & (outline[:, 0] < ends[1, 0])
        assert not between.any()
        for end in ends:
            here = outline[outline[:, 0] == end[0]]
            assert here[:, 1].max() == pytest.approx(clear)
        drawing = template(section)
        full = [s for s in drawing.strokes if s.dash == "solid" and s.width_mm == 0.35]
        for stroke in full[:-1]:
            inside = (stroke.xy_mm[:, 0] > ends[0, 0]) & (stroke.xy_mm[:, 0] < ends[1, 0])
            assert not inside.any()
        (gap,) = (s for s in drawing.strokes if s.dash == "dashed" and s.colour == INK)
        np.testing.assert_allclose(gap.xy_mm[[0, -1]], ends)
        (word,) = (t for t in drawing.lettering if t.text == "not judged")
        assert ends[0, 0] < word.x_mm < ends[1, 0]
        scan = next(s for s in drawing.strokes if s.colour == PALE).xy_mm
        x = section.fair_mm[:, 0]
        hidden = (x > ends[0, 0] + 2.0) & (x < ends[1, 0] - 2.0)
        assert np.isnan(scan[hidden]).all()
        assert "nothing was judged" in drawing.note


def test_stations_left_out_are_told_and_write_nothing(tmp_path: Path) -> None:
    result = report_fixture.door()
    kept = tuple(section for section in sections() if section.name != "X2")
    said = write_extras(tmp_path, result, scale_for(0.5, ()), kept, Extras(stations=2))
    assert [word.split(":")[0] for word in said] == ["Section X2 is left out"]
    names = {
        row["section"]
        for row in csv.DictReader(io.StringIO((tmp_path / "sections.csv").read_text()))
    }
    assert names == {"X1", "Y1", "Y2"}
    nothing = tmp_path / "nothing"
    nothing.mkdir()
    said = write_extras(nothing, result, scale_for(0.5, ()), (), Extras(stations=1))
    assert [word.split(":")[0] for word in said] == ["Sections X1, Y1 are left out"]
    assert not list(nothing.iterdir())


def test_the_cutters_file_says_where_nothing_was_judged() -> None:
    cut = gapped()
    document = read_dxf(io.StringIO(sections_dxf(cut).decode("utf-8")))
    assert not document.audit().errors
    space = document.modelspace()
    assert len(space.query('LWPOLYLINE[layer=="BOARD"]')) == len(cut)
    assert len(space.query('LWPOLYLINE[layer=="FAIR"]')) == 2 * len(cut)
    assert [t.dxf.text for t in space.query("TEXT")].count("not judged") == len(cut)


def test_the_cutters_file_holds_the_boards_in_mm() -> None:
    cut = sections()
    document = read_dxf(io.StringIO(sections_dxf(cut).decode("utf-8")))
    assert document.header["$INSUNITS"] == 4  # millimetres, DXF reference
    assert not document.audit().errors
    boards = document.modelspace().query('LWPOLYLINE[layer=="BOARD"]')
    assert len(boards) == len(cut)
    tops = []
    for section, board in zip(cut, boards, strict=True):
        assert board.closed
        points = np.array([p[:2] for p in board.get_points()])
        wanted = board_mm(section)[:-1]
        np.testing.assert_allclose(points - points[0], wanted - wanted[0], atol=1e-9)
        tops.append((points[:, 1].min(), points[:, 1].max()))
    assert all(upper[0] > lower[1] for upper, lower in pairwise(tops))


def test_same_result_gives_same_bytes() -> None:
    cut = sections()
    assert sections_dxf(cut) == sections_dxf(cut)
    boards = [template(section) for section in cut]
    once, twice = (tiled_pdf(boards, PAPERS["a4"], name="door") for _ in range(2))
    assert once == twice


def test_a_drawing_is_the_same_whatever_order_sets_have() -> None:
    """Strings hash otherwise in every run; of these seeds one lists a drawing's classes otherwise
    than the rest do.
    """
    code = "from guidecoat.export.templates import sections_dxf; print(sections_dxf(()))"
    drawn = {
        subprocess.run(
            [sys.executable, "-c", code],
            env={**os.environ, "PYTHONHASHSEED": seed},
            capture_output=True,
            check=True,
        ).stdout
        for seed in ("2", "5", "23")
    }
    assert len(drawn) == 1


def test_table_of_sections() -> None:
    result = report_fixture.door()
    cut = sections()
    rows = list(csv.DictReader(io.StringIO(sections_csv(cut, result.scan))))
    assert tuple(rows[0]) == COLUMNS
    assert len(rows) == sum(len(s.run_mm) for s in cut)
    assert {row["section"] for row in rows} == {"X1", "X2", "Y1", "Y2"}
    known = [row for row in rows if row["deviation_mm"]]
    assert 0.7 < len(known) / len(rows) < 1.0
    assert {row["status"] for row in rows} <= {
        "in",
        "high",
        "low",
        "undecided",
        "held",
        "not judged",
    }
    row = known[len(known) // 3]
    place = np.array([[float(row[axis]) for axis in "xyz"]])
    local = (place - result.scan.origin) * result.scan.units.mm_per_unit
    u, v, _ = result.chart.to_chart(local)[0]
    assert (u, v) == pytest.approx((float(row["u_mm"]), float(row["v_mm"])), abs=1e-3)


def test_full_size_map_has_every_mark_where_it_is() -> None:
    result = export_fixture.result(points=100)
    drawing = full_size_map(result, scale_for(0.3, result.regions), ())
    assert result.regions
    for region in result.regions:
        (label,) = (t for t in drawing.lettering if t.text.startswith(region.region))
        assert label.x_mm == region.u_mm
        inside = [
            s
            for s in drawing.strokes
            if s.xy_mm.min(axis=0)[0] <= region.u_mm <= s.xy_mm.max(axis=0)[0]
            and s.xy_mm.min(axis=0)[1] <= region.v_mm <= s.xy_mm.max(axis=0)[1]
        ]
        assert inside
    for name in "ABCD":
        assert any(t.text == name for t in drawing.lettering)


def test_full_size_map_says_how_much_longer_the_skin_is() -> None:
    result = report_fixture.sphere()
    drawing = full_size_map(result, scale_for(0.5, ()), ())
    # The axis runs along the short side. A chord of 2 a has an arc that is longer by
    # 2 R asin(a / R) - 2 a on a sphere (computed).
    longest = np.isfinite(result.deviation.cell_mm).sum(axis=0).max()
    half = 0.5 * longest * result.cells.grid.cell_mm
    longer = 2.0 * report_fixture.RADIUS_MM * np.arcsin(half / report_fixture.RADIUS_MM) - 2 * half
    said = re.search(
        r"up to ([\d.]+) mm longer along u and [\d.]+ mm shorter along v", drawing.note
    )
    assert said
    assert float(said[1]) == pytest.approx(longer, abs=0.1)


def test_numbers_of_the_sheets_lie_beneath_the_labels(monkeypatch: pytest.MonkeyPatch) -> None:
    """In the plan of the sheets a label is what one looks for; the number may be read round it."""
    written: list[str] = []
    plain = Axes.text

    def listening(self: Axes, x: float, y: float, s: str, **how: Any) -> Text:
        written.append(s)
        return plain(self, x, y, s, **how)

    monkeypatch.setattr(Axes, "text", listening)
    strokes = box(500, 300).strokes
    tiled_pdf(
        [Drawing("map", strokes, (Lettering(250.0, 150.0, "L1", 4.5),))], PAPERS["a4"], name="d"
    )
    count = len(tiles(Drawing("map", strokes, ()), PAPERS["a4"]))
    assert written[: count + 1] == [*map(str, range(1, count + 1)), "L1"]


def test_an_undecided_mark_is_thin_and_marked_on_paper() -> None:
    door = report_fixture.door()
    low = next(r for r in door.regions if r.kind == "low")
    found = {}
    for verdict in ("out", "undecided"):
        told = replace(door, regions=(replace(low, verdict=verdict),))
        drawing = full_size_map(told, scale_for(0.5, ()), ())
        (width,) = {s.width_mm for s in drawing.strokes if s.fill is not None}
        found[verdict] = width, drawing.lettering[0].text.split()[0]
    assert found["out"][0] > found["undecided"][0]
    assert [name for _, name in found.values()] == [low.region, f"{low.region}?"]


def test_lettering_of_a_strange_name_is_drawn_as_it_is() -> None:
    drawing = Drawing("$x^2$", box(50, 40).strokes, (Lettering(25.0, 20.0, "<b>$\\frac$", 4.0),))
    assert tiled_pdf([drawing], PAPERS["a4"], name="</title>$").startswith(b"%PDF")

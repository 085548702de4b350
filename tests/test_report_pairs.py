"""The reports of a comparison and of a left against right."""

from __future__ import annotations

import base64
import json
import re
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import report_fixture
from guidecoat.check import CheckResult
from guidecoat.compare import Track
from guidecoat.compare.progress import Stand
from guidecoat.export.compare_files import write_comparison
from guidecoat.export.mirror_files import write_mirror
from guidecoat.pictures.colours import scale_to
from guidecoat.pictures.map_layers import left_out
from guidecoat.pictures.map_picture import map_png
from guidecoat.pictures.map_style import Sheet
from guidecoat.report import ReportPage, views
from guidecoat.report.pair_page import comparison_page, mirror_page
from guidecoat.report.remaining import remaining
from guidecoat.report.scene import deviation_channel
from guidecoat.report.views import viewed
from guidecoat.synthetic import total_displacement_mm
from guidecoat.wording.map_words import MapWords, check_words
from pair_fixture import BUILD, DENT

SCALE = scale_to(0.1, 3.0)
PNG = b"\x89PNG"
PAGES = ("compare", "mirror")


@cache
def page_of(command: str) -> ReportPage:
    if command == "compare":
        return comparison_page(report_fixture.filled(), SCALE, PNG)
    return mirror_page(report_fixture.sides(), SCALE, PNG)


def data_of(page: str) -> dict[str, object]:
    found = re.search(r'<script type="application/json" id="data">(.*?)</script>', page, re.S)
    assert found is not None
    told: dict[str, object] = json.loads(found[1])
    return told


def rows_of(page: str) -> dict[str, dict[str, str]]:
    """{mark: {column: text}} of the table of marks."""
    rows = re.findall(r'<tr data-mark="([^"]*)">(.*?)</tr>', page)
    return {mark: dict(re.findall(r'data-name="([^"]*)">([^<]*)<', cells)) for mark, cells in rows}


def test_what_was_mended_keeps_its_kind() -> None:
    """A low that was overfilled and then blocked down is a low that is fixed, not a high."""
    result = report_fixture.filled()
    high = next(r for r in result.after.result.regions if r.kind == "high")
    over = Stand(high, high.peak_mm, 0.03, high.max_slope_mrad, "worse", True)
    track = Track("L9", "low", high, (over, Stand(None, 0.05, 0.03, 1.0, "fixed")))
    mark = next(r for r in remaining(replace(result, tracks=(track,))).regions)
    assert (mark.region, mark.kind, mark.verdict) == ("L9", "low", "in")


def test_only_what_is_out_of_tolerance_has_a_thick_outline() -> None:
    door = report_fixture.door()
    low = next(r for r in door.regions if r.kind == "low")
    width = {}
    for verdict in ("out", "undecided", "in"):
        told = replace(door, regions=(replace(low, verdict=verdict),))
        channel = deviation_channel(SCALE, told.deviation.smooth_mm, name="d", label="d")
        scene = viewed(told, (channel,)).data["scene"]
        assert isinstance(scene, dict)
        (width[verdict],) = (s["width"] for s in scene["lines"] if s["colour"] == "#1a1a1a")
    assert width["out"] > width["undecided"] > width["in"]


def test_the_map_of_a_change_colours_nothing_that_is_no_more_than_noise(tmp_path: Path) -> None:
    """What has a colour has an outline and a row; grey amid the panel is told of in the key."""
    result = report_fixture.filled()
    seen = []

    def listening(view: CheckResult, *_: object) -> bytes:
        seen.append(view)
        return PNG

    whole = result.whole
    smooth = whole.smooth_mm.copy()
    calm = np.argwhere(whole.compared & ~whole.changed)
    smooth[tuple(calm[len(calm) // 2])] = 0.3
    lost = tuple(calm[len(calm) // 3])
    smooth[lost] = np.nan
    compared = whole.compared.copy()
    compared[lost] = False
    changed = replace(result, whole=replace(whole, smooth_mm=smooth, compared=compared))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("guidecoat.pictures.map_picture.map_png", listening)
        write_comparison(changed, tmp_path)
    (view,) = seen
    loud = np.abs(view.deviation.cell_mm) >= 0.05
    assert loud.any()
    assert not (loud & ~whole.changed).any()
    assert left_out(view)[lost]
    off = result.after.off_mm
    assert not (view.deviation.not_judged[np.isfinite(off)]).any()


def test_what_is_put_on_may_be_blocked_away_and_bare_metal_is_tapped() -> None:
    result = remaining(report_fixture.filled())
    assert result.plan is not None
    highs = [region for region in result.regions if region.kind == "high"]
    over, bare = sorted(highs, key=lambda region: region.x)
    # The fill stands proudest beside the dent's middle; all that stands proud there is filler.
    x, y = (a.ravel() for a in np.meshgrid(np.arange(-240.0, 0.0), np.arange(-130.0, 70.0)))
    proud = total_displacement_mm((DENT, BUILD), x, y)
    there = int(proud.argmax())
    fill = float(total_displacement_mm((BUILD,), x[there : there + 1], y[there : there + 1])[0])
    told = re.fullmatch(
        r"block down (\d\.\d\d) mm: (\d\.\d\d) mm of filler lies under it", over.action
    )
    assert told is not None
    assert float(told[1]) == pytest.approx(proud[there], rel=0.08)
    assert float(told[2]) == pytest.approx(fill, rel=0.08)
    assert bare.action.startswith("tap down 0.8 mm, then skim again: no filler was put on")
    order = [step.group for step in result.plan.steps]
    assert order.index("metal") < order.index("block")


def test_a_low_that_was_overfilled_is_called_so_in_the_table() -> None:
    """`worse` alone does not say that the fill now stands proud."""
    result = report_fixture.filled()
    through = [track for track in result.tracks if track.last.turned]
    assert through
    rows = rows_of(page_of("compare").text)
    for track in through:
        assert rows[track.name]["State"] == "worse, filled proud"


def test_a_mended_mark_is_left_alone() -> None:
    comparison = report_fixture.mended()
    result = remaining(comparison)
    fixed = [track.name for track in comparison.tracks if track.last.state == "fixed"]
    assert fixed
    marks = {region.region: region for region in result.regions}
    assert set(marks) == {track.name for track in comparison.tracks}
    assert result.plan is not None
    for name in fixed:
        assert marks[name].verdict == "in"
        assert "leave it" in marks[name].action
        assert name not in {step.region for step in result.plan.steps}


@pytest.mark.parametrize("command", PAGES)
def test_every_mark_is_in_the_table_the_scene_and_the_light(command: str) -> None:
    page = page_of(command)
    assert not page.lost
    data, rows = data_of(page.text), rows_of(page.text)
    assert rows
    scene = data["scene"]
    assert isinstance(scene, dict)
    for marks in (data["marks"], scene["marks"]):
        assert isinstance(marks, list)
        assert [mark["name"] for mark in marks] == list(rows)
    wander = [float(cells["Band wander, mm"]) for cells in rows.values()]
    assert max(wander) > 50.0
    assert data["light"]
    assert page.text.index("Do first") < page.text.index('id="scene"')


@pytest.mark.parametrize(
    ("command", "channels"),
    [
        ("compare", ["deviation", "build", "slope"]),
        ("mirror", ["difference", "deviation", "slope"]),
    ],
)
def test_the_panel_can_be_coloured_by(command: str, channels: list[str]) -> None:
    scene = data_of(page_of(command).text)["scene"]
    assert isinstance(scene, dict)
    assert [one["id"] for one in scene["channels"]] == channels


def test_the_build_in_the_scene_is_the_change() -> None:
    scene = data_of(page_of("compare").text)["scene"]
    assert isinstance(scene, dict)
    packed = next(one for one in scene["channels"] if one["id"] == "build")["values"]
    build = np.frombuffer(base64.b64decode(packed["bytes"]), "<f4")
    assert np.nanmax(build) == pytest.approx(report_fixture.filled().whole.max_build_mm, abs=0.05)


def test_the_plan_stands_in_the_comparison_only() -> None:
    assert 'id="plan"' in page_of("compare").text
    assert 'id="plan"' not in page_of("mirror").text


@pytest.mark.parametrize("command", PAGES)
def test_names_are_harmless(command: str) -> None:
    nasty = "</script><script>alert(1)</script>"
    if command == "compare":
        result = report_fixture.filled()
        passes = tuple(
            replace(one, result=replace(one.result, scan=replace(one.scan, name=nasty)))
            for one in result.passes
        )
        page = comparison_page(replace(result, passes=passes), SCALE, PNG).text
    else:
        sides = report_fixture.sides()
        shape = replace(sides.shape, scan=replace(sides.shape.scan, name=nasty))
        page = mirror_page(replace(sides, shape=shape, other_name=nasty), SCALE, PNG).text
    assert "<script>alert" not in page
    assert page.count("<script") == page_of(command).text.count("<script") == 3
    assert "&lt;script&gt;alert(1)" in page


@pytest.mark.parametrize("command", PAGES)
@pytest.mark.parametrize(("name", "words"), [("light_panel", "light"), ("scene_data", "3-D view")])
def test_a_lost_part_costs_only_itself(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, command: str, name: str, words: str
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise ValueError("no lamp")

    monkeypatch.setattr(views, name, broken)
    if command == "compare":
        write_comparison(report_fixture.filled(), tmp_path)
    else:
        write_mirror(report_fixture.sides(), tmp_path)
    lost = f"The {words} could not be drawn (ValueError: no lamp)"
    summary = json.loads((tmp_path / "summary.json").read_text("utf-8"))
    assert any(lost in warning for warning in summary["warnings"])
    page = (tmp_path / "report.html").read_text("utf-8")
    assert lost in page
    assert len(rows_of(page)) == len(rows_of(page_of(command).text))


def test_a_lost_map_costs_only_itself(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    def broken(*_: object, **__: object) -> bytes:
        raise RuntimeError("no font")

    monkeypatch.setattr("guidecoat.pictures.map_picture.map_png", broken)
    write_comparison(report_fixture.filled(), tmp_path)
    assert not (tmp_path / "change.png").exists()
    page = (tmp_path / "report.html").read_text("utf-8")
    assert "change.png could not be drawn (RuntimeError: no font)" in page
    assert "<img" not in page
    assert (tmp_path / "summary.json").exists()


@pytest.mark.parametrize("command", PAGES)
def test_same_result_gives_same_bytes(command: str) -> None:
    first = page_of(command).text
    page_of.cache_clear()
    assert page_of(command).text == first


def test_the_map_of_a_change_shows_what_is_left_and_what_one_scan_lacks(tmp_path: Path) -> None:
    """A high that nobody touched is drawn faintly; skin that only the first scan has is hatched."""
    result = report_fixture.filled()
    after = result.after
    lost = np.zeros(result.whole.compared.shape, bool)
    i, j = np.argwhere(result.whole.compared & ~result.whole.changed)[500]
    lost[i : i + 6, j : j + 6] = True
    lost &= result.before.skin
    cells = after.result.cells
    count = np.where(lost, 0, cells.count)
    smooth = np.where(lost, np.nan, result.whole.smooth_mm)
    torn = replace(
        after,
        off_mm=np.where(lost, np.nan, after.off_mm),
        result=replace(after.result, cells=replace(cells, count=count)),
    )
    whole = replace(result.whole, smooth_mm=smooth, compared=result.whole.compared & ~lost)
    seen = []

    def listening(view: CheckResult, _: object, words: MapWords) -> bytes:
        seen.append((view, words))
        return PNG

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("guidecoat.pictures.map_picture.map_png", listening)
        write_comparison(replace(result, whole=whole, passes=(*result.passes[:-1], torn)), tmp_path)
    ((view, words),) = seen
    assert lost.sum() > 10
    assert left_out(view)[lost].all()
    untouched = [t.name for t in result.tracks if t.last.state == "unchanged"]
    assert [region.region for region in words.left] == untouched == ["H1"]


def test_what_is_left_is_on_the_map_with_its_key() -> None:
    door = report_fixture.door()
    bare = replace(door, regions=())
    words = check_words(bare)
    faint = replace(words, left=door.regions[:1], left_line="left as it was")
    written: list[str] = []
    write = Sheet.write

    def listening(sheet: Sheet, x: float, y: float, text: str, *rest: Any, **more: Any) -> None:
        written.append(text)
        write(sheet, x, y, text, *rest, **more)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Sheet, "write", listening)
        drawn = map_png(bare, SCALE, faint)
    assert "left as it was" in written
    assert drawn != map_png(bare, SCALE, words)

"""plan.csv, plan.json and the printable sheet."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest

import export_fixture
from guidecoat.cautions import cautions_for
from guidecoat.check import CheckResult
from guidecoat.export.plan_files import PLAN_COLUMNS, plan_csv, plan_json, write_plan
from guidecoat.pictures.plan_picture import _said, band_colours, depth_bands, plan_png, why_empty
from guidecoat.report.plan_sheet import plan_section, plan_sheet
from guidecoat.settings import load_settings
from guidecoat.workplan import WorkPlan, plan_work
from workplan_fixture import Planted, with_marks

HIGH, LOW = Planted("H1", -60.0, 20.0, 1.2), Planted("L1", 90.0, 20.0, -1.5)


def planned(*marks: Planted, stage: str = "metal") -> tuple[WorkPlan, CheckResult]:
    result = with_marks(marks, stage=stage)
    return plan_work(result), result


class Tags(HTMLParser):
    """Counts tags and gathers text; fails on tags that do not nest."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.text = ""
        self.boxes = 0
        self.links: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        named = dict(attrs)
        self.boxes += named.get("class") == "box"
        self.links += [str(named[k]) for k in ("src", "href") if k in named]
        if tag not in ("meta", "br"):
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text += data


def parsed(html: str) -> Tags:
    tags = Tags()
    tags.feed(html)
    assert tags.open == []
    return tags


def test_order_of_work_in_filler_is_the_same_on_every_sheet() -> None:
    plan, result = planned(HIGH, LOW, stage="filler")
    rows = list(csv.DictReader(io.StringIO(plan_csv(plan))))
    assert [row["group"] for row in rows][:4] == ["measure", "metal", "metal", "fill"]
    assert "find out what lies under H1" in rows[0]["what"]
    text = parsed(plan_sheet(plan, result)).text
    places = [text.index(row["what"]) for row in rows]
    assert places == sorted(places)
    told = [step["what"] for step in plan_json(plan, result)["steps"]]
    assert told == [row["what"] for row in rows]


def test_no_limit_is_one_of_depth_alone() -> None:
    """A way that tilts the panel beyond the slope tolerance has a limit, though none of depth."""
    high = Planted("H1", -60.0, 20.0, 0.9)
    plan, result = planned(high, stage="filler")
    assert plan.cover.slope_mrad > result.settings.tolerance.slope_mrad
    assert plan.cover.limit == "none"
    sheet = plan_sheet(plan, result)
    assert 'data-name="depth limit">none<' in sheet
    assert 'data-name="limit"' not in sheet


def test_table_has_a_row_a_step_and_a_column_to_tick() -> None:
    plan, _ = planned(HIGH, LOW)
    rows = list(csv.DictReader(io.StringIO(plan_csv(plan))))
    assert tuple(rows[0]) == PLAN_COLUMNS
    assert [int(row["step"]) for row in rows] == [step.number for step in plan.steps]
    assert {row["done"] for row in rows} == {""}
    assert rows[0]["region"] == "H1"
    assert rows[0]["what"] == "tap down 1.2 mm"
    blocked = next(row for row in rows if row["group"] == "block")
    assert (blocked["board_mm"], blocked["board_shape"]) == ("280", "flat")


def test_json_holds_both_surfaces_and_every_trade() -> None:
    plan, result = planned(HIGH, LOW)
    read = json.loads(json.dumps(plan_json(plan, result), allow_nan=False))
    assert set(read["surfaces"]) == {"tap", "cover"}
    assert read["surfaces"]["tap"]["litres"] == round(plan.tap.litres, 4)
    assert read["surfaces"]["cover"]["limit"] == plan.cover.limit
    assert read["taps"][0]["words"] == plan.taps[0].words()
    assert [region["region"] for region in read["regions"]] == ["H1", "L1"]
    assert read["cautions"] == list(cautions_for("metal"))
    assert len(read["steps"]) == len(plan.steps)
    assert "depth_mm" not in read["surfaces"]["tap"]


def test_sheet_has_a_box_a_step_and_every_caution() -> None:
    plan, result = planned(HIGH, LOW)
    tags = parsed(plan_sheet(plan, result))
    assert tags.boxes == len(plan.steps)
    assert tags.links == []
    for caution in plan.cautions:
        assert caution in tags.text
    assert plan.taps[0].words() in tags.text
    assert "Product sheets and local rules come before this sheet" in tags.text


def test_sheet_of_a_sound_panel_says_stop() -> None:
    plan, result = planned()
    assert "stop here" in parsed(plan_sheet(plan, result)).text


def test_paint_has_no_ways_of_filling() -> None:
    plan, _ = planned(HIGH, LOW, stage="paint")
    text = parsed(plan_section(plan)).text
    assert "report only" in text
    for part in ("The two ways", "Taps that save most", "litres"):
        assert part not in text


def test_no_filler_is_said_in_words() -> None:
    plan, _ = planned()
    assert "No filler is needed either way" in parsed(plan_section(plan)).text


def test_names_cannot_break_the_sheet_or_the_table() -> None:
    plan, result = planned(HIGH)
    scan = replace(result.scan, name="<script>alert(1)</script>")
    page = plan_sheet(plan, replace(result, scan=scan))
    assert "<script" not in page
    step = replace(plan.steps[0], where="=1+1", region="<b>H1")
    hostile = replace(plan, steps=(step,))
    assert "'=1+1" in plan_csv(hostile)
    assert "&lt;b&gt;H1" in plan_section(hostile)


def test_a_long_plan_keeps_to_one_sheet_and_says_so() -> None:
    plan, result = planned(HIGH)
    steps = tuple(replace(plan.steps[0], number=k) for k in range(1, 61))
    tags = parsed(plan_sheet(replace(plan, steps=steps), result))
    assert tags.boxes == 20
    assert "40 more steps stand in plan.csv" in tags.text


def test_files_are_the_same_each_time(tmp_path: Path) -> None:
    for folder in (tmp_path / "a", tmp_path / "b"):
        folder.mkdir()
        plan, result = planned(HIGH, LOW, stage="filler")
        write_plan(plan, result, folder)
    names = sorted(path.name for path in (tmp_path / "a").iterdir())
    assert names == ["plan.csv", "plan.html", "plan.json", "plan.png"]
    for name in names:
        first = (tmp_path / "a" / name).read_bytes()
        assert first == (tmp_path / "b" / name).read_bytes()
        assert name == "plan.png" or b"\r" not in first


def test_map_shades_follow_the_limits() -> None:
    """Bands end as the limits do: 2 mm is still filler, 6 mm is already stop."""
    figures = load_settings("metal").plan
    depth = np.array([[np.nan, 0.0, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 5.99, 6.0, 9.0]])
    shades = [tuple(int(c) for c in shade) for shade in band_colours(depth, figures)[0]]
    assert len(set(shades)) == 2 + len(depth_bands(figures))
    assert shades[2] == shades[3]
    assert shades[4] == shades[5]
    assert shades[6] == shades[7]
    assert shades[8] == shades[9]
    assert shades[10] == shades[11]


def test_a_picture_that_cannot_be_drawn_costs_only_itself(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object) -> bytes:
        raise RuntimeError("no font")

    monkeypatch.setattr("guidecoat.pictures.plan_picture.plan_png", broken)
    plan, result = planned(HIGH)
    picture, warned = write_plan(plan, result, tmp_path)
    assert picture is None
    assert len(warned) == 1
    assert "no font" in warned[0]
    assert sorted(p.name for p in tmp_path.iterdir()) == ["plan.csv", "plan.html", "plan.json"]


def test_the_plans_picture_says_how_many_marks_are_not_in_it() -> None:
    plan, result = planned(Planted("H1", -60.0, 20.0, 1.2), Planted("L1", 90.0, 20.0, -1.5))
    assert "undecided" not in _said(plan.tap, result)
    first, *rest = result.regions
    unsure = replace(result, regions=(replace(first, verdict="undecided"), *rest))
    assert _said(plan.tap, unsure).endswith("kg to mix; without the 1 undecided (?)")


def texts_of(plan: WorkPlan, result: CheckResult, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """All that is written on the plan's picture."""
    drawn = export_fixture.figures_of(monkeypatch)
    assert plan_png(plan, result)[:4] == b"\x89PNG"
    (figure,) = drawn
    return [t.get_text() for t in [*figure.texts, *(t for a in figure.axes for t in a.texts)]]


def test_the_picture_of_an_undecided_panel_shows_what_is_known(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Its edges' names, its marks with their `?`, and why there is no filler."""
    result = export_fixture.result(points=50)
    unsure = tuple(replace(region, verdict="undecided") for region in result.regions)
    undecided = replace(result, regions=unsure, verdict="undecided")
    bare, _ = planned()
    empty = replace(bare.tap, depth_mm=np.full(result.cells.grid.shape, 0.0))
    plan = replace(bare, tap=empty, cover=replace(empty, target="cover"))
    written = texts_of(plan, undecided, monkeypatch)
    names = sorted({edge.name for edge in result.edges})
    assert sorted(text for text in written if text in names) == sorted(names * 2)
    assert {f"{region.region}?" for region in unsure} <= set(written)
    (why,) = (" ".join(text.split()) for text in written if text.startswith("No filler is planned"))
    assert f"{len(unsure)} marks are undecided (?)" in why
    assert "Do first what the plan says" in why


def test_a_picture_with_filler_gives_no_reason_for_being_empty() -> None:
    plan, result = planned(HIGH, LOW)
    assert why_empty(plan, result) == ""
    sound, result = planned()
    assert why_empty(sound, result) == "No filler is planned: no low is out of tolerance."

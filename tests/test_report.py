"""The report: what it says first, what it escapes, and that a lost picture costs only itself."""

from __future__ import annotations

import base64
import dataclasses
import json
import re
from dataclasses import replace
from html.parser import HTMLParser
from types import ModuleType

import numpy as np
import pytest

import export_fixture
import report_fixture
from guidecoat import report
from guidecoat.check import CheckResult
from guidecoat.doubts.remarks import is_blind_spot, is_note
from guidecoat.measuring.deviation import NOT_JUDGED
from guidecoat.pictures.colours import scale_for
from guidecoat.preview.sections import Section, cut_line, cut_stations
from guidecoat.report import check_report, views
from guidecoat.report.pieces import Step
from guidecoat.report.scene import MOST_VERTICES, thinned
from guidecoat.report.steps import first_steps
from guidecoat.workplan import plan_work
from workplan_fixture import Planted, with_marks

NASTY = '</title></script><script>alert("x")</script><img src=x onerror=alert(1)>&$x^2$'
RESULT = export_fixture.result(points=2_000)
PNG = b"\x89PNG"


class Tags(HTMLParser):
    """All tags with their attributes, and the text of each script."""

    def __init__(self) -> None:
        super().__init__()
        self.seen: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.within = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append((tag, dict(attrs)))
        self.within = tag

    def handle_endtag(self, tag: str) -> None:
        self.within = ""

    def handle_data(self, data: str) -> None:
        if self.within not in ("script", "style"):
            self.words.append(data)

    @property
    def text(self) -> str:
        return re.sub(r"\s+", " ", " ".join(self.words))

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attrs for name, attrs in self.seen if name == tag]


def page_of(
    result: CheckResult,
    picture: bytes | None = PNG,
    *,
    plan_picture: bytes | None = None,
    sections: tuple[Section, ...] = (),
) -> report.ReportPage:
    scale = scale_for(result.settings.tolerance.height_mm, result.regions)
    return report.check_page(result, scale, picture, plan_picture=plan_picture, sections=sections)


def read(page: str) -> Tags:
    tags = Tags()
    tags.feed(page)
    return tags


def data_of(page: str) -> dict[str, object]:
    found = re.search(r'<script type="application/json" id="data">(.*?)</script>', page, re.S)
    assert found is not None
    told: dict[str, object] = json.loads(found[1])
    return told


def test_names_are_harmless_and_nothing_is_fetched() -> None:
    region = dataclasses.replace(
        RESULT.regions[0], region="</script>", from_edges='"><img src=x>', action="<b>hit</b>"
    )
    crease = dataclasses.replace(RESULT.creases[0], name="<i>C</i>")
    named = dataclasses.replace(
        RESULT,
        scan=dataclasses.replace(RESULT.scan, name=NASTY),
        warnings=("<i>edge</i>",),
        regions=(region,),
        creases=(crease,),
    )
    page = page_of(named)
    assert not page.lost
    plain, nasty = read(page_of(RESULT).text), read(page.text)
    assert len(nasty.all("script")) == len(plain.all("script")) == 3
    assert [len(nasty.all(tag)) for tag in ("img", "i", "b", "title")] == [1, 0, 0, 1]
    assert NASTY in nasty.text
    for tag, attrs in nasty.seen:
        assert not any(key.startswith("on") for key in attrs), tag
        for key in ("src", "href", "action"):
            assert (attrs.get(key) or "data:").startswith(("data:", "#")), tag
    (policy,) = (a["content"] for a in nasty.all("meta") if "http-equiv" in a)
    assert policy is not None
    assert policy.startswith("default-src 'none'")
    assert "http" not in policy
    marks = data_of(page.text)["marks"]
    assert isinstance(marks, list)
    assert marks[0]["name"] == "</script>"


def test_the_verdict_and_three_things_come_first() -> None:
    words = read(page_of(RESULT).text).text
    places = [
        words.index(part)
        for part in ("Out of tolerance", "Do first", "3-D", "Highs and lows Mark", "Light")
        if part in words
    ]
    assert places == sorted(places)
    steps = first_steps(RESULT)
    # The deepest low stands four tolerances off, the high not quite three, the ripple 2.35.
    assert [step.mark for step in steps] == ["L1", "H1", "R1"]
    assert "Low of \u22121.20 mm" in steps[0].why
    assert "235 mm from edge C" in steps[1].why
    assert "9.4 mrad" in steps[2].why


def test_doubtful_marks_come_after_sure_ones_and_say_so() -> None:
    result = dataclasses.replace(RESULT, regions=RESULT.regions[:2])
    assert [step.mark for step in first_steps(result)] == ["H1", "H2"]
    assert first_steps(result)[1].why.startswith("Too near the limit to be sure.")


def test_a_sound_panel_needs_nothing_and_its_blind_spot_is_told() -> None:
    sound = dataclasses.replace(RESULT, regions=(), verdict="in")
    (step,) = first_steps(sound)
    assert step.do == "nothing on this panel"
    assert "300 mm" in step.why
    words = read(page_of(sound).text).text
    assert "In tolerance" in words
    assert "damage 300 mm long or longer looks like form" in words


def test_a_blind_scan_is_scanned_again_first() -> None:
    blind = dataclasses.replace(RESULT, smallest_visible_mm=0.5)
    steps = first_steps(blind)
    assert steps[0].do.startswith("scan closer")
    assert len(steps) == 3


def test_the_page_carries_facts_cautions_settings_version_and_hash() -> None:
    words = read(page_of(RESULT).text).text
    for part in (
        RESULT.scan.sha256,
        "guidecoat 0.",
        "pelham_300_door_left.ply",
        "lead or chromates",
        "Edge B has a ding",
        "batten_mm",
        "Batten 300 mm",
        "3 not finite, 120 inner skin",
    ):
        assert part in words, part


def test_every_control_has_a_label_and_every_picture_words() -> None:
    cut = cut_stations(report_fixture.panel_of(report_fixture.door()), 1)
    tags = read(page_of(report_fixture.door(), sections=cut).text)
    assert all(attrs.get("alt") for attrs in tags.all("img"))
    for tag in ("canvas", "svg"):
        assert tags.all(tag)
        assert all(a.get("role") == "img" and a.get("aria-label") for a in tags.all(tag))
    page = page_of(report_fixture.door()).text
    for control in re.findall(r"<(?:select|input)[^>]*>", page.split("<script")[0]):
        before = page[: page.index(control)]
        assert before.rfind("<label>") > before.rfind("</label>"), control
    assert {a.get("scope") for a in tags.all("th")} == {"col"}
    assert tags.all("html") == [{"lang": "en"}]


def test_table_and_buttons_name_every_region_once() -> None:
    tags = read(page_of(RESULT).text)
    rows = [a["data-mark"] for a in tags.all("tr") if "data-mark" in a]
    assert rows == ["H1", "H2", "L1", "R1"]
    assert {a["data-goto"] for a in tags.all("button") if "data-goto" in a} == set(rows)


def test_wander_in_the_table_is_the_lights() -> None:
    result = report_fixture.door()
    page = page_of(result).text
    found = re.findall(r'data-name="Band wander, mm">([^<]*)<', page)
    assert len(found) == len(result.regions)
    assert all(float(value) > 50.0 for value in found)
    assert re.search(r"Seen from 2 m, a band wanders by \d+ mm over the panel", page)


def test_the_panels_wander_is_no_less_than_any_marks() -> None:
    page = page_of(report_fixture.door()).text
    marks = re.findall(r'data-name="Band wander, mm">(\d+)<', page)
    panel = re.search(r"a band wanders by (\d+) mm over the panel", page)
    assert panel is not None
    assert int(panel[1]) >= max(int(mark) for mark in marks) > 0


def test_the_plan_is_a_page_of_it() -> None:
    result = report_fixture.door()
    plan = result.plan
    assert plan is not None
    tags = read(page_of(result, plan_picture=PNG).text)
    assert [a["id"] for a in tags.all("section") if "id" in a and a["id"] == "plan"] == ["plan"]
    for step in plan.steps:
        assert step.what in tags.text
        assert step.why in tags.text
    for part in ("Work plan", "The two ways", "Taps that save most", "When to stop"):
        assert part in tags.text
    assert f"{plan.tap.kilograms:.3f}" in tags.text
    boxes = [a for a in tags.all("span") if a.get("class") == "box"]
    assert len(boxes) == len(plan.steps)
    assert len(tags.all("img")) == 2
    assert "Work plan" not in read(page_of(dataclasses.replace(result, plan=None)).text).text


def test_what_to_do_first_goes_by_the_plan() -> None:
    result = report_fixture.door()
    plan = result.plan
    assert plan is not None
    steps = first_steps(result)
    # The low is the deeper, and yet metal is tapped down before anything is filled.
    assert [step.mark for step in steps][:2] == ["H1", "L1"]
    assert steps[0].do == next(s.what for s in plan.steps if s.region == "H1")
    left = len(plan.steps) - len(steps)
    assert f"{left} more steps in the work plan" in read(page_of(result).text).text


def test_undecided_marks_are_made_sure_of_first_as_in_the_plan() -> None:
    result = report_fixture.door()

    def steps_with(unsure: set[str]) -> tuple[Step, ...]:
        regions = tuple(
            dataclasses.replace(r, verdict="undecided") if r.region in unsure else r
            for r in result.regions
        )
        doubtful = dataclasses.replace(result, regions=regions)
        return first_steps(dataclasses.replace(doubtful, plan=plan_work(doubtful)))

    steps = steps_with({"H1"})
    assert [step.mark for step in steps[:2]] == ["H1", "L1"]
    assert steps[0].why.startswith("Too near the limit to be sure.")
    marks = [
        Planted("H1", -60.0, 20.0, 1.2),
        Planted("L1", 90.0, 20.0, -1.5),
        Planted("L2", 10.0, -40.0, -0.9),
    ]
    result = with_marks(marks, stage="filler")
    together, then, *_ = steps_with({"H1", "L2"})
    assert together.do in ("make sure what H1, L2 are", "make sure what L2, H1 are")
    assert then.mark == "L1"


def test_warnings_are_told_from_notes() -> None:
    said = ("No edge is held: x", "Judged: 57 % of the skin.", "Damage as long as the batten (3)")
    result = dataclasses.replace(RESULT, warnings=said)
    words = read(page_of(result).text).text
    assert "1 warning about this result" in words
    warned, noted = words.index("Warnings No edge"), words.index("and notes Not visible")
    assert warned < noted < words.index("Judged: 57 %")
    assert "Damage as long as the batten" not in words[noted:]
    quiet = dataclasses.replace(RESULT, warnings=said[1:])
    assert "about this result" not in read(page_of(quiet).text).text


def test_a_check_notes_its_blind_spot_and_what_was_judged() -> None:
    """The words by which notes are told are those that a check really says."""
    notes = [remark for remark in report_fixture.door().warnings if is_note(remark)]
    assert sum(map(is_blind_spot, notes)) == 1
    assert sum(note.startswith("Judged: ") for note in notes) == 1
    assert not is_note("No edge is held: the surface rests on the skin alone")


def test_many_sections_do_not_make_the_page_too_large() -> None:
    panel = report_fixture.panel_of(report_fixture.door())
    line = cut_line(panel, report_fixture.door().scan, "P1", ends_of(report_fixture.door()))
    cut = (*cut_stations(panel, 50), line)
    tags = read(page_of(report_fixture.door(), sections=cut).text)
    drawn = len(tags.all("svg"))
    assert 20 < drawn <= 41
    assert f"{len(cut) - drawn} more stand in sections.csv" in tags.text
    assert "Section P1" in {a.get("aria-label") for a in tags.all("svg")}


def ends_of(result: CheckResult) -> np.ndarray:
    """Two points of the scan's skin far from one another, in its own units and frame."""
    judged = np.flatnonzero(result.deviation.point_status <= 3)
    points = result.scan.points_mm[judged[[0, -1]]].astype(np.float64)
    return (points / result.scan.units.mm_per_unit) + result.scan.origin


def test_a_section_is_dashed_where_nothing_was_judged() -> None:
    (section,) = (
        s
        for s in cut_stations(report_fixture.panel_of(report_fixture.door()), 1)
        if s.kind == "along"
    )
    status = section.status.copy()
    status[np.abs(section.run_mm - 0.5 * section.length_mm) < 40.0] = NOT_JUDGED
    page = page_of(report_fixture.door(), sections=(replace(section, status=status),)).text
    drawing = page[page.index("<svg") : page.index("</svg>")]
    assert drawing.count(">not judged<") == 1
    assert drawing.count("stroke-dasharray") == 2  # of the shape and of the level line
    whole = page_of(report_fixture.door(), sections=(section,)).text
    assert "stroke-dasharray" not in whole[whole.index("<svg") : whole.index("</svg>")]


def test_do_first_asks_what_lies_beneath_before_anything_is_filled() -> None:
    result = with_marks(
        [Planted("H1", -60.0, 20.0, 1.2), Planted("L1", 90.0, 20.0, -1.5)], stage="filler"
    )
    plan = plan_work(result)
    steps = first_steps(replace(result, plan=plan, regions=plan.regions))
    assert steps[0].do.startswith("find out what lies under H1")
    assert steps[1].mark == "H1"
    assert steps[1].do.startswith("tap down 1.2 mm, where it is metal")
    assert steps[2].mark == "L1"
    assert steps[2].do.startswith("fill")


def test_sections_are_drawn_with_their_exaggeration() -> None:
    cut = cut_stations(report_fixture.panel_of(report_fixture.door()), 3)
    tags = read(page_of(report_fixture.door(), sections=cut).text)
    assert len(tags.all("svg")) == len(cut)
    factors = re.findall(r"Heights are drawn (\d+) times as tall as lengths", tags.text)
    assert len(factors) == len(cut)
    crossed = {c.region for s in cut for c in s.crossings}
    assert crossed
    for name in crossed:
        assert re.search(rf"Cuts [^.]*\b{name} from \d+ to \d+ mm", tags.text)


@pytest.mark.parametrize(
    ("module", "name", "words"),
    [
        (views, "light_panel", "light"),
        (views, "scene_data", "3-D view"),
        (check_report, "sections_piece", "sections"),
    ],
)
def test_a_lost_part_costs_only_itself(
    monkeypatch: pytest.MonkeyPatch, module: ModuleType, name: str, words: str
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise ValueError("no <lamp>")

    monkeypatch.setattr(module, name, broken)
    page = page_of(RESULT)
    (lost,) = page.lost
    assert f"The {words} could not be drawn (ValueError: no <lamp>)" in lost
    tags = read(page.text)
    assert lost in tags.text
    assert "Out of tolerance" in tags.text
    assert len([a for a in tags.all("tr") if "data-mark" in a]) == 4
    assert not tags.all("lamp")


def test_without_a_map_there_is_no_empty_picture() -> None:
    assert not read(page_of(RESULT, None).text).all("img")


def test_same_result_gives_same_bytes() -> None:
    assert page_of(RESULT).text == page_of(RESULT).text


def test_a_large_scan_is_thinned_and_stays_under_8_mb() -> None:
    every, cells = 8, RESULT.cells
    nu, nv = cells.grid.shape
    fine = np.repeat(np.repeat(cells.count, every, 0), every, 1)
    grid = dataclasses.replace(
        cells.grid, cell_mm=cells.grid.cell_mm / every, shape=(every * nu, every * nv)
    )
    # Thinning looks only at which cells are filled.
    large = dataclasses.replace(cells, grid=grid, count=fine)
    thin = thinned(large)
    left = int(thin(large.filled).sum())
    assert 0.5 * MOST_VERTICES < left <= 1.05 * MOST_VERTICES
    # What grows with the vertices is under 100 bytes of base64 each; the map is about 1 MB.
    page = page_of(RESULT, bytes(1_000_000)).text
    room = 100 * (left - int(cells.filled.sum()))
    assert len(page) + room < 8e6


def test_what_the_script_draws_is_the_panel() -> None:
    scene = data_of(page_of(RESULT).text)["scene"]
    assert isinstance(scene, dict)

    def numbers(packed: dict[str, str], kind: str) -> np.ndarray:
        return np.frombuffer(base64.b64decode(packed["bytes"]), kind)

    points = scene["step_mm"] * numbers(scene["points"], "<i2").reshape(-1, 3)
    assert scene["step_mm"] < 0.05
    deviation = next(c for c in scene["channels"] if c["id"] == "deviation")
    values = numbers(deviation["values"], "<f4")
    judged = np.isfinite(RESULT.deviation.cell_mm)
    assert len(points) == len(values) == RESULT.cells.filled.sum()
    assert np.isfinite(values).sum() == judged.sum()
    faces = numbers(scene["judged"], "<u2").reshape(-1, 3)
    assert np.isfinite(values[faces]).all()
    # Seen from the outside, triangles turn anticlockwise: the front is +z.
    a, b, c = (points[faces[:, k]] for k in range(3))
    assert (np.cross(b - a, c - a)[:, 2] > 0).all()
    deepest = points[np.nanargmin(values)]
    low = next(r for r in RESULT.regions if r.kind == "low")
    assert np.hypot(deepest[0] - low.u_mm, deepest[1] - low.v_mm) < 15.0
    names = [mark["name"] for mark in scene["marks"]]
    assert names == [r.region for r in RESULT.regions]

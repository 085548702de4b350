"""The report: what it says first, what it escapes, and that a lost picture costs only itself."""

from __future__ import annotations

import base64
import dataclasses
import json
import re
from html.parser import HTMLParser

import numpy as np
import pytest

import export_fixture
import report_fixture
from guidecoat import report
from guidecoat.check import CheckResult
from guidecoat.export.colours import scale_for
from guidecoat.report import check_report
from guidecoat.report.scene import MOST_VERTICES, thinned
from guidecoat.report.steps import first_steps
from guidecoat.sections import Section, cut_stations

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
    result: CheckResult, picture: bytes | None = PNG, sections: tuple[Section, ...] = ()
) -> report.ReportPage:
    scale = scale_for(result.settings.tolerance.height_mm, result.regions)
    return report.check_page(result, scale, picture, sections=sections)


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
            assert (attrs.get(key) or "data:").startswith("data:"), tag
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
    assert steps[0].do.startswith("scan it again")
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
    ("name", "words"),
    [("light_panel", "light"), ("scene_data", "3-D view"), ("sections_piece", "sections")],
)
def test_a_lost_part_costs_only_itself(
    monkeypatch: pytest.MonkeyPatch, name: str, words: str
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise ValueError("no <lamp>")

    monkeypatch.setattr(check_report, name, broken)
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

    points = numbers(scene["points"], "<f4").reshape(-1, 3)
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

"""The picture and the page: what they show, in the right place, with any name."""

from __future__ import annotations

import dataclasses
import io
from typing import Any

import numpy as np
import pytest
from matplotlib.figure import Figure
from matplotlib.text import Text
from PIL import Image

import export_fixture
from guidecoat.findings.regions import Region
from guidecoat.pictures import map_layers, map_picture
from guidecoat.pictures.colours import rgb, scale_for
from guidecoat.pictures.map_keys import _area_keys, _line_keys
from guidecoat.pictures.map_labels import region_label, region_name
from guidecoat.pictures.map_layers import left_out, picture_array
from guidecoat.pictures.map_picture import map_png
from guidecoat.pictures.map_style import Page, Sheet
from guidecoat.pictures.placing import Box, Room, busy_sums
from guidecoat.wording.map_words import MapWords
from guidecoat.wording.plain import shown
from guidecoat.wording.words import outside_words, verdict_words

NASTY = "$x^2$ <script>alert(1)</script> =cmd \ud800 \n \u6c49"
RESULT = export_fixture.result(points=50)
SCALE = scale_for(export_fixture.HEIGHT_TOL_MM, RESULT.regions)


def at(image: np.ndarray, u: float, v: float) -> tuple[int, ...]:
    """Colour of the panel's picture at a chart position."""
    rows, columns = image.shape[:2]
    wide, high = (export_fixture.CELL_MM * n for n in export_fixture.SHAPE)
    row, column = int((0.5 - v / high) * rows), int((0.5 + u / wide) * columns)
    return tuple(int(c) for c in image[row, column])


def test_marks_lie_where_they_were_planted_seen_from_outside() -> None:
    """u runs to the right and v up: the high is upper left, the low lower right."""
    image = picture_array(RESULT, SCALE)
    red, _, blue = at(image, -250.0, 110.0)
    assert red > blue + 60
    red, _, blue = at(image, 120.0, -120.0)
    assert blue > red + 20
    assert at(image, 380.0, 130.0) == (255, 255, 255)  # the opening is paper
    assert at(image, 0.0, 320.0) == rgb("#bdbdbd")  # the strip is not judged
    assert at(image, 0.0, 20.0) == rgb("#969696")  # the crease band
    assert at(image, -500.0, 200.0) == rgb("#f7f7f7")  # sound


def test_picture_loads_is_a4_wide_and_shows_both_signs() -> None:
    image = Image.open(io.BytesIO(map_png(RESULT, SCALE)))
    assert image.info.get("Software") is None
    assert image.width == 2338
    assert 1.2 < image.width / image.height < 1.6
    pixels = np.asarray(image.convert("RGB")).reshape(-1, 3)
    for colour in ("#fee0b6", "#fdb863", "#2d004b", "#542788"):
        assert (pixels == rgb(colour)).all(axis=1).sum() > 300, colour


@pytest.mark.parametrize(
    "change",
    [
        {"regions": (), "creases": (), "edges": (), "verdict": "in"},
        {"regions": RESULT.regions * 8},
        {"regions": RESULT.regions[1:2], "verdict": "undecided"},
    ],
    ids=["nothing to show", "crowded", "one undecided"],
)
def test_picture_of_extremes(change: dict[str, Any]) -> None:
    assert map_png(dataclasses.replace(RESULT, **change), SCALE)[:4] == b"\x89PNG"


def test_nothing_that_is_to_be_done_is_cut_off(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every row of the table, the verdict and the notes are written in full."""
    said = " ".join(f"then do thing number {k} with the long board and look" for k in range(9))
    marks = tuple(
        dataclasses.replace(mark, action=f"{k}: {said}", from_edges=f"{k} mm from edge A, " * 4)
        for k, mark in enumerate(RESULT.regions * 4)
    )[:11]
    words = MapWords(said, (said, said))
    written: list[tuple[float, str]] = []
    plain = Figure.text

    def listening(self: Figure, x: float, y: float, s: str, **how: Any) -> Text:
        written.append((y, s))
        return plain(self, x, y, s, **how)

    monkeypatch.setattr(Figure, "text", listening)
    map_png(dataclasses.replace(RESULT, regions=marks), SCALE, words)
    told = " ".join(text for _, text in written)
    assert "\u2026" not in told
    assert told.count(said) == len(marks) + 3
    assert all(f"{k} mm from edge A, {k} mm from edge A," in told for k in range(len(marks)))
    assert all(0.0 < y < 1.0 for y, _ in written)


def test_the_map_claims_no_up() -> None:
    """Its axes are u and v; which way is up on the vehicle no scan tells."""
    assert "which way is up on the vehicle is not known" in outside_words(RESULT)


def test_what_is_undecided_has_a_thinner_line_of_its_own(monkeypatch: pytest.MonkeyPatch) -> None:
    """The thick lines of the key say `beyond tolerance`: nobody knows that of an undecided mark."""
    words = MapWords("", ("", ""))
    width = {text: width for _, width, text in _line_keys(RESULT, words)}
    assert width["high, undecided"] < width["high, beyond tolerance"]
    assert "low, undecided" not in width
    unsure = dataclasses.replace(RESULT, regions=RESULT.regions[1:2])
    assert "high, beyond tolerance" not in [text for *_, text in _line_keys(unsure, words)]
    drawn: list[tuple[float, str]] = []

    def listening(*_: object, width: float, style: str, **__: object) -> None:
        drawn.append((width, style))

    monkeypatch.setattr(map_layers, "outline_of", listening)
    map_layers.draw_regions(Figure().subplots(), unsure)
    (solid,) = {width for width, style in drawn if style == "solid" and width > 0.6}
    assert solid == width["high, undecided"]


def test_every_grey_patch_has_a_row_in_the_key() -> None:
    """Cells with points and no figure, such as drop-outs of one of two scans."""
    words = MapWords("", ("", ""), left_out="in one scan only")
    assert "in one scan only" not in [text for *_, text in _area_keys(RESULT, words)]
    deviation = RESULT.deviation
    cell = deviation.cell_mm.copy()
    judged = np.argwhere(np.isfinite(cell) & (deviation.not_judged == 0) & RESULT.cells.filled)
    cell[tuple(judged[len(judged) // 2])] = np.nan
    dropped = dataclasses.replace(RESULT, deviation=dataclasses.replace(deviation, cell_mm=cell))
    assert left_out(dropped).sum() == 1
    assert "in one scan only" in [text for *_, text in _area_keys(dropped, words)]
    hatches = [hatch for _, hatch, _ in _area_keys(dropped, words) if hatch]
    assert len(set(hatches)) == len(hatches)


def test_picture_of_a_panel_where_nothing_is_judged() -> None:
    nothing = np.full(export_fixture.SHAPE, np.nan)
    deviation = dataclasses.replace(RESULT.deviation, cell_mm=nothing)
    assert map_png(dataclasses.replace(RESULT, deviation=deviation), SCALE)[:4] == b"\x89PNG"


def test_a_name_changes_only_the_title() -> None:
    """Were "$x^2$" set as a formula or the name run off the page, more than the title would."""
    named = dataclasses.replace(RESULT, scan=dataclasses.replace(RESULT.scan, name=NASTY * 5))
    one, two = (
        np.asarray(Image.open(io.BytesIO(map_png(r, SCALE))).convert("L"), int)
        for r in (RESULT, named)
    )
    assert one.shape == two.shape
    changed = np.flatnonzero((one != two).any(axis=1))
    assert changed.max() < 110
    assert (two[:110, -60:] == 255).all()


def test_labels_carry_sign_and_doubt() -> None:
    assert [region_label(r) for r in RESULT.regions] == [
        "H1 +0.84 mm",
        "H2? +0.36 mm",
        "L1 \u22121.20 mm",
        "R1 ripple 9.4 mrad",
    ]


def test_labels_are_placed_off_each_other_and_off_the_marks() -> None:
    marks = np.zeros((100, 100), bool)
    marks[45:55, 45:55] = True
    room = Room(Box(0.0, 0.0, 1000.0, 1000.0), busy_sums(marks), 10.0)
    placed = [room.place((500.0, 500.0), (120.0, 40.0), 34.0) for _ in range(8)]
    boxes = [box for box in placed if box is not None]
    assert len(boxes) == 8
    spot = Box(450.0, 450.0, 550.0, 550.0)
    for k, box in enumerate(boxes):
        assert box.overlap(spot) == 0.0
        assert all(box.overlap(other) == 0.0 for other in boxes[:k])
        assert box.x0 >= 0.0
        assert box.y1 <= 1000.0


def test_a_room_without_space_places_nothing() -> None:
    """Neither off the drawing nor over another label."""
    room = Room(Box(0.0, 0.0, 50.0, 50.0), busy_sums(np.zeros((5, 5), bool)), 10.0)
    assert room.place((25.0, 25.0), (200.0, 40.0), 30.0) is None
    room = Room(Box(0.0, 0.0, 1000.0, 1000.0), busy_sums(np.zeros((5, 5), bool)), 200.0)
    placed = [room.place((500.0, 500.0), (300.0, 200.0), 34.0) for _ in range(40)]
    boxes = [box for box in placed if box is not None]
    assert 3 <= len(boxes) < 40
    assert all(a.overlap(b) == 0.0 for k, a in enumerate(boxes) for b in boxes[:k])


def crowd(count: int, apart_mm: float) -> tuple[Region, ...]:
    """Highs and lows in rows close to each other."""
    high, low = RESULT.regions[0], RESULT.regions[2]
    return tuple(
        dataclasses.replace(
            (high, low)[k % 2],
            region=f"{'HL'[k % 2]}{k // 2 + 1}",
            verdict="out" if k % 3 else "undecided",
            u_mm=-250.0 + apart_mm * (k % 8),
            v_mm=-80.0 + apart_mm * (k // 8),
        )
        for k in range(count)
    )


@pytest.mark.parametrize(("count", "apart_mm"), [(36, 40.0), (48, 25.0), (40, 16.0)])
def test_no_name_of_a_mark_lies_over_another(
    count: int, apart_mm: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where there is no room for a label the name stands alone: the table has the rest."""
    drawn = export_fixture.figures_of(monkeypatch)
    marks = crowd(count, apart_mm)
    map_png(dataclasses.replace(RESULT, regions=marks), SCALE)
    (figure,) = drawn
    names = {region_name(mark) for mark in marks}
    texts = [t for t in figure.axes[0].texts if t.get_text().split(" ")[0] in names]
    assert {t.get_text().split(" ")[0] for t in texts} == names
    boxes = []
    for text in texts:
        patch = text.get_bbox_patch()
        assert patch is not None
        boxes.append(Box(*patch.get_window_extent().extents))
    over = [
        (texts[i].get_text(), texts[j].get_text())
        for i in range(len(boxes))
        for j in range(i)
        if boxes[i].overlap(boxes[j]) > 0.0
    ]
    assert over == []


def test_names_of_steps_give_way_to_names_that_tables_need(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Ribs have a dozen ends each: of steps at one place one name is drawn, the one in a tape."""
    drawn = export_fixture.figures_of(monkeypatch)
    edge = RESULT.edges[0].edge
    beside = dataclasses.replace(edge, kind="step", line_uv=0.3 * edge.line_uv)
    steps = [
        dataclasses.replace(RESULT.edges[0], edge=dataclasses.replace(beside, name=name))
        for name in ("S1", "S2", "S3")
    ]
    first, *rest = RESULT.regions
    told = dataclasses.replace(first, from_edges="40 mm from step S2, 129 mm from edge A")
    map_png(
        dataclasses.replace(RESULT, edges=(*RESULT.edges, *steps), regions=(told, *rest)), SCALE
    )
    texts = {text.get_text() for text in drawn[0].axes[0].texts}
    assert {"A", "B", "C", "D", "O1", "S2"} <= texts
    assert not {"S1", "S3"} & texts


def test_verdict_in_plain_words() -> None:
    assert verdict_words(RESULT) == (
        "Out of tolerance: 1 high, 1 low and 1 ripple outside the tolerance of \u00b10.3 mm and "
        "4 mrad; 1 more undecided"
    )
    sound = dataclasses.replace(RESULT, verdict="in", regions=())
    assert verdict_words(sound).startswith(
        "In tolerance: no high or low is over \u00b10.3 mm, no ripple"
    )
    half_judged = dataclasses.replace(sound, share_judged=0.66)
    assert verdict_words(half_judged).startswith("In tolerance on the 66 % that was judged: ")
    unsure = dataclasses.replace(RESULT, verdict="undecided", regions=RESULT.regions[1:2])
    assert "1 high too near the limit" in verdict_words(unsure)


def test_shown_is_one_line_of_valid_text() -> None:
    assert shown("a\nb\ud800\x1b[0m") == "a b? [0m"


def test_the_keys_end_above_the_table(monkeypatch: pytest.MonkeyPatch) -> None:
    """A low, wide panel leaves less room beside the map than many keys take."""
    written: list[tuple[float, float, str]] = []
    pages: list[Page] = []

    def write(sheet: Sheet, x_in: float, y_in: float, text: str, *_: object, **__: object) -> None:
        pages.append(sheet.page)
        written.append((x_in, y_in, text))

    monkeypatch.setattr(Sheet, "write", write)
    monkeypatch.setattr(map_picture, "_TALLEST_MAP_IN", 2.5)
    monkeypatch.setattr(map_picture, "_LOWEST_MAP_IN", 2.0)
    unsure = tuple(dataclasses.replace(r, verdict="undecided") for r in RESULT.regions)
    map_png(dataclasses.replace(RESULT, regions=(*RESULT.regions, *unsure)), SCALE)
    page = pages[-1]
    keys = [y for x, y, _ in written if x == pytest.approx(page.column_left + 0.45)]
    assert len(keys) > 12
    assert page.table_top + 0.1 < min(keys) < page.table_top + 0.8
    assert max(y for _, y, text in written if text == "Mark") < min(keys)

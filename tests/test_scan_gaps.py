"""Edges of the panel told from where only the scan ends, and points that fly."""

from __future__ import annotations

import re
from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage

from guidecoat.check import CheckResult, check
from guidecoat.findings.tapes import tape_foot
from guidecoat.outline.edge_lines import EdgeLine
from guidecoat.outline.rims import is_shaped, torn
from guidecoat.settings import load_settings
from guidecoat.survey import survey
from guidecoat.unrolling.chart import Grid
from guidecoat.unrolling.stretch import Stretch
from guidecoat.workplan.actions import Action, Dressing
from test_uneven_scans import places, scan_of

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]
Where = Callable[[Floats, Floats], Mask]
Form = Callable[[Floats, Floats], Floats]
LENGTH_MM, WIDTH_MM = 700.0, 460.0


def crown(x: Floats, y: Floats) -> Floats:
    return -(x**2) / 12000.0 - y**2 / 5000.0


def dent(
    x: Floats, y: Floats, *, at: tuple[float, float], peak_mm: float, wide_mm: float
) -> Floats:
    r = np.hypot(x - at[0], y - at[1]) / (0.5 * wide_mm)
    return np.asarray(0.5 * peak_mm * (1.0 + np.cos(np.pi * np.minimum(r, 1.0))))


def looked_at(
    form: Form,
    *,
    seen: Where | None = None,
    seed: int = 1,
    spacing_mm: float = 1.8,
    flying: float = 0.0,
) -> CheckResult:
    rng = np.random.default_rng(seed)
    x, y = places(rng, LENGTH_MM, WIDTH_MM, spacing_mm)
    if seen is not None:
        kept = seen(x, y)
        x, y = x[kept], y[kept]
    z = form(x, y) + rng.normal(0.0, 0.04, len(x))
    fly = rng.uniform(size=len(x)) < flying
    z[fly] += rng.uniform(-9.0, 9.0, int(fly.sum()))
    settings = load_settings("metal", overrides={"tolerance.height_mm": 0.5})
    return check(scan_of(x, y, z), settings)


def blobs(seed: int, *, missing: float, wide_mm: float = 22.0) -> Where:
    """Where a scan with ragged holes has points."""
    rng = np.random.default_rng(seed)
    shape = (int(LENGTH_MM) + 2, int(WIDTH_MM) + 2)
    field = ndimage.gaussian_filter(rng.normal(size=shape), wide_mm)
    least = np.quantile(field, missing)

    def seen(x: Floats, y: Floats) -> Mask:
        i = np.clip(x + LENGTH_MM / 2, 0, shape[0] - 1).astype(int)
        j = np.clip(y + WIDTH_MM / 2, 0, shape[1] - 1).astype(int)
        return np.asarray(field[i, j] > least)

    return seen


def from_outline_mm(result: CheckResult, line: EdgeLine) -> Floats:
    """How far inside the true panel the places of an edge line lie."""
    uvh = np.column_stack([line.line_uv, np.zeros(len(line.line_uv))])
    x, y, _ = result.scan.to_file_frame(result.chart.to_space(uvh)).T
    return np.asarray(np.minimum(LENGTH_MM / 2 - np.abs(x), WIDTH_MM / 2 - np.abs(y)))


@pytest.mark.slow
def test_ragged_holes_are_seldom_openings_and_their_rims_seldom_edges() -> None:
    results = [looked_at(crown, seen=blobs(seed, missing=0.25), seed=seed) for seed in range(10)]
    assert [result.verdict for result in results] == ["in"] * 10
    with_opening = sum(any(line.kind == "opening" for line in result.edges) for result in results)
    assert with_opening <= 4
    # What a scan of a quarter less still shows of the outline, and less of the bays' rims.
    deep = [from_outline_mm(result, line) for result in results for line in result.edges]
    assert (np.abs(np.concatenate(deep)) < 12.0).mean() > 0.6
    for result in results:
        (said,) = (w for w in result.warnings if "of the skin was not scanned" in w)
        assert re.match(r"At least 1\d|At least 2\d", said)


def test_a_mark_beside_a_ragged_hole_is_no_knock_in_an_edge() -> None:
    def seen(x: Floats, y: Floats) -> Mask:
        turn = np.arctan2(y, x)
        ragged = 45.0 + 9.0 * np.sin(3.0 * turn) + 7.0 * np.sin(5.0 * turn + 1.0)
        return np.hypot(x, y) > ragged

    result = looked_at(
        lambda x, y: crown(x, y) + dent(x, y, at=(75.0, 20.0), peak_mm=-1.2, wide_mm=110.0),
        seen=seen,
    )
    (low,) = result.regions
    assert (low.verdict, low.edge) == ("out", "")
    assert low.peak_mm == pytest.approx(-1.2, abs=0.08)
    assert "dress edge" not in low.action
    assert {line.name for line in result.edges} == {"A", "B", "C", "D"}


def hemmed(x: Floats, y: Floats) -> Floats:
    """Rolled over all round on a radius of 1.2 mm, within the outermost 1.2 mm."""
    out = np.maximum(np.abs(x) - LENGTH_MM / 2, np.abs(y) - WIDTH_MM / 2) + 1.2
    roll = 1.2 - np.sqrt(np.maximum(1.2**2 - np.clip(out, 0.0, 1.2) ** 2, 0.0))
    return crown(x, y) - roll


def rim_missing(x: Floats, y: Floats) -> Mask:
    """The upper rim of 300 mm of a panel was not scanned, raggedly."""
    depth = 16.0 + 9.0 * np.sin(x / 31.0) + 4.0 * np.sin(x / 11.0)
    return ~((np.abs(x - 40.0) < 150.0) & (y > WIDTH_MM / 2 - depth))


@pytest.mark.parametrize("seed", [1, 2])
def test_a_rim_that_was_not_scanned_is_no_knock_and_is_told(seed: int) -> None:
    result = looked_at(hemmed, seen=rim_missing, seed=seed, spacing_mm=1.4)
    assert (result.verdict, result.regions) == ("in", ())
    for line in result.edges:
        assert np.abs(from_outline_mm(result, line)).max() < 10.0
    (said,) = (w for w in result.warnings if "of the outline" in w)
    assert 220 <= int(said.split()[0]) <= 420


def test_a_rim_that_steps_straight_inboard_and_back_is_told_in_a_survey_too() -> None:
    rng = np.random.default_rng(7)
    x, y = places(rng, LENGTH_MM, WIDTH_MM, 1.6)
    seen = ~((np.abs(x) < 130.0) & (y > WIDTH_MM / 2 - 14.0))
    x, y = x[seen], y[seen]
    scan = scan_of(x, y, crown(x, y) + rng.normal(0.0, 0.04, len(x)))
    skin = survey(scan, load_settings("metal")).skin
    assert skin is not None
    assert 220.0 <= skin.torn_mm <= 330.0
    whole = places(rng, LENGTH_MM, WIDTH_MM, 1.6)
    skin = survey(scan_of(*whole, crown(*whole)), load_settings("metal")).skin
    assert skin is not None
    assert skin.torn_mm == 0.0


@pytest.mark.parametrize("share", [0.1, 0.2])
def test_points_that_fly_make_no_edges_and_are_told(share: float) -> None:
    def form(x: Floats, y: Floats) -> Floats:
        return crown(x, y) + dent(x, y, at=(-90.0, 40.0), peak_mm=-0.8, wide_mm=90.0)

    result = looked_at(form, flying=share, spacing_mm=1.2)
    assert {line.name for line in result.edges} == {"A", "B", "C", "D"}
    lows = [r for r in result.regions if r.verdict == "out"]
    assert [r.kind for r in lows] == ["low"]
    assert lows[0].peak_mm == pytest.approx(-0.8, abs=0.06)
    (said,) = (w for w in result.warnings if "fly off the skin" in w)
    assert abs(int(said.split()[2]) - 100 * share) <= 6
    assert not [w for w in looked_at(form).warnings if "fly off" in w]


def test_a_survey_tells_of_points_that_fly() -> None:
    rng = np.random.default_rng(5)
    x, y = places(rng, 400.0, 300.0, 1.2)
    z = crown(x, y) + rng.normal(0.0, 0.04, len(x))
    sound = survey(scan_of(x, y, z), load_settings("metal")).lines()
    assert not [line for line in sound if "fly off" in line]
    fly = rng.uniform(size=len(x)) < 0.12
    z[fly] += rng.uniform(-9.0, 9.0, int(fly.sum()))
    told = survey(scan_of(x, y, z), load_settings("metal")).lines()
    assert [line for line in told if "fly off" in line]


def test_ends_of_ribs_are_no_edges_and_tapes_end_at_the_outline() -> None:
    """Pressed ribs that end within the panel part the skin beside them."""

    def ease(x: Floats) -> Floats:
        share = np.clip(x, 0.0, 1.0)
        return np.asarray(share**2 * (3.0 - 2.0 * share))

    def form(x: Floats, y: Floats) -> Floats:
        ribs = sum(ease((24.0 - np.abs(y - at)) / 12.0) for at in (-110.0, 110.0))
        ribs = 7.0 * ribs * ease((250.0 - np.abs(x)) / 40.0)
        marks = dent(x, y, at=(120.0, 0.0), peak_mm=-1.2, wide_mm=90.0)
        return np.asarray(crown(x, y) + ribs + marks)

    result = looked_at(form, spacing_mm=2.0)
    outline = [line for line in result.edges if line.kind == "outline"]
    for line in outline:
        assert np.abs(from_outline_mm(result, line)).max() < 10.0
    (low,) = (r for r in result.regions if r.verdict == "out")
    place = np.array([low.u_mm, low.v_mm])
    skin = Stretch.of(result.cells, result.chart, result.cells.filled)
    tapes = re.findall(r"(\d+) mm from edge (\w+)", low.from_edges)
    assert len(tapes) == 2
    for length, name in tapes:
        (line,) = (e for e in outline if e.name == name)
        foot, _ = tape_foot(line.line_uv, place, closed=False)
        assert skin.length_mm(place, foot - place) == pytest.approx(float(length), abs=0.6)
        a, b = np.sort(np.abs(foot))
        assert min(abs(b - LENGTH_MM / 2), abs(b - WIDTH_MM / 2), abs(a - WIDTH_MM / 2)) < 6.0


def test_no_knock_is_told_where_the_form_turns_tighter_than_the_batten() -> None:
    """A wing's shoulder: flat, then round through 80 degrees on a radius of 160 mm."""
    rng = np.random.default_rng(3)
    u, v = places(rng, 800.0, 640.0, 2.2)
    turn, radius_mm = np.radians(80.0), 160.0
    angle = np.clip((v - 60.0) / radius_mm, 0.0, turn)
    beyond = np.maximum(v - 60.0 - radius_mm * turn, 0.0)
    y = np.minimum(v, 60.0) + radius_mm * np.sin(angle) + beyond * np.cos(turn)
    z = -radius_mm * (1.0 - np.cos(angle)) - beyond * np.sin(turn)
    z += -(u**2) / 8000.0 - np.minimum(v - 60.0, 0.0) ** 2 / 5000.0 + rng.normal(0.0, 0.04, len(u))
    result = check(scan_of(u, y, z), load_settings("metal"))
    assert [w for w in result.warnings if "has a knock of" in w] == []
    assert not any(line.dings for line in result.edges)
    assert "and D and D" not in " ".join(region.action for region in result.regions)
    assert any("may be knocks or form" in w for w in result.warnings)


def test_an_edge_to_dress_is_named_once() -> None:
    twice = tuple(Dressing(name, off) for name, off in (("D", 0.8), ("D", -0.6), ("C", 1.0)))
    said = Action("tap", "tap down 0.8 mm", "it is high", 0.8, twice).whole
    assert said == "dress edges D and C first; then tap down 0.8 mm"


# --- rims alone ----------------------------------------------------------------------------------


def holed(inside: Where, cell_mm: float) -> Mask:
    grid = Grid(-200.0, -200.0, cell_mm, (int(400 / cell_mm),) * 2)
    u, v = np.meshgrid(grid.u_mm, grid.v_mm, indexing="ij")
    return inside(u, v)


@pytest.mark.parametrize("cell_mm", [4.0, 6.0])
@pytest.mark.parametrize("turned", [0.0, 0.4, 1.1])
def test_openings_that_were_made_are_known_by_their_form(cell_mm: float, turned: float) -> None:
    c, s = np.cos(turned), np.sin(turned)

    def box(half_u: float, half_v: float, round_mm: float) -> Where:
        def inside(u: Floats, v: Floats) -> Mask:
            a, b = np.abs(c * u + s * v) - half_u, np.abs(c * v - s * u) - half_v
            a, b = np.maximum(a + round_mm, 0.0), np.maximum(b + round_mm, 0.0)
            return np.asarray(np.hypot(a, b) < round_mm)

        return inside

    for made in (box(40.0, 40.0, 39.9), box(90.0, 30.0, 25.0), box(110.0, 80.0, 40.0)):
        assert is_shaped(holed(made, cell_mm), cell_mm)


@pytest.mark.parametrize("seed", range(6))
def test_a_torn_hole_has_no_form(seed: int) -> None:
    rng = np.random.default_rng(seed)
    phase, size = rng.uniform(0.0, 6.28, 4), rng.uniform(0.10, 0.22, 4)

    def ragged(u: Floats, v: Floats) -> Mask:
        turn = np.arctan2(v, u)
        wave = sum(
            a * np.sin(n * turn + p) for a, n, p in zip(size, (2, 3, 5, 7), phase, strict=True)
        )
        return np.asarray(np.hypot(u, v) < 75.0 * (1.0 + wave))

    assert not is_shaped(holed(ragged, 4.5), 4.5)


def test_an_arch_is_not_torn_and_a_wandering_rim_is() -> None:
    turn = np.linspace(0.1, np.pi - 0.1, 500)
    arch = 330.0 * np.column_stack([np.cos(turn), np.sin(turn)])
    assert not torn(arch, closed=False, cell_mm=4.5).any()
    x = np.arange(0.0, 900.0, 2.0)
    wander = np.where((x > 300) & (x < 600), 9.0 * np.sin(x / 13.0), 0.0)
    found = torn(np.column_stack([x, wander]), closed=False, cell_mm=4.5)
    assert found[(x > 320) & (x < 580)].mean() > 0.9
    assert not found[(x < 230) | (x > 670)].any()

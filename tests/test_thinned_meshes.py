"""Meshes that a program thinned: their triangles say what few vertices do not."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial import Delaunay

from bump_fixture import assert_told, bumps_mm
from guidecoat.check import CheckResult, check_scan
from guidecoat.export.part import write_part
from guidecoat.export.write import write_check
from guidecoat.formats.ply import read_ply, write_ply
from guidecoat.panel.crop import part_at
from guidecoat.scans.scan_io import read_scan
from guidecoat.scans.triangles import fill_triangles
from guidecoat.settings import load_settings

Floats = NDArray[np.float64]
MARKS = ((250.0, 180.0, 0.8, 50.0), (560.0, 330.0, -0.9, 46.0), (150.0, 380.0, -1.2, 60.0))


def form(x: Floats, y: Floats) -> Floats:
    return -((x - 400.0) ** 2) / 12000.0 - (y - 250.0) ** 2 / 6000.0


def thinned(path: Path, *, seed: int, marks: bool, even: bool = False) -> Path:
    """A mesh of 800 x 500 mm, a vertex every 20 mm where it is flat and 2 mm where not."""
    rng = np.random.default_rng(seed)
    x, y = (a.ravel() for a in np.meshgrid(np.arange(0, 801, 2.0), np.arange(0, 501, 2.0)))
    inner = (x > 0) & (x < 800) & (y > 0) & (y < 500)
    x, y = (a + inner * rng.uniform(-0.4, 0.4, a.size) for a in (x, y))
    near = np.min([np.hypot(x - u, y - v) - 0.5 * w for u, v, _, w in MARKS], axis=0)
    share = np.where(near < 3.0, 0.7, 0.01) if not even else np.full(x.size, 0.1)
    keep = ~inner & (rng.random(x.size) < 0.3) | (rng.random(x.size) < share)
    keep |= np.isin(x, (0.0, 800.0)) & np.isin(y, (0.0, 500.0))
    x, y = x[keep], y[keep]
    z = form(x, y) + bumps_mm(x, y, MARKS if marks else ()) + rng.normal(0.0, 0.01, x.size)
    rows = np.zeros(x.size, [(name, "<f4") for name in "xyz"])
    rows["x"], rows["y"], rows["z"] = x, y, z
    faces = Delaunay(np.column_stack([x, y])).simplices.astype(np.int32)
    write_ply(path, rows, faces=faces)
    return path


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> CheckResult:
    path = thinned(tmp_path_factory.mktemp("mesh") / "thinned.ply", seed=1, marks=True)
    return check_scan(path, load_settings("metal", (), {"units": "mm"}))


def test_marks_narrower_than_five_of_the_usual_spacings_are_found(found: CheckResult) -> None:
    assert_told(found.regions, MARKS)


def test_facets_are_no_ripple_for_sure(tmp_path: Path) -> None:
    for seed in (2, 3, 4):
        path = thinned(tmp_path / f"{seed}.ply", seed=seed, marks=False)
        result = check_scan(path, load_settings("metal", (), {"units": "mm"}))
        assert {r.verdict for r in result.regions} <= {"undecided"}
        assert any("thinned" in said for said in result.warnings)


def test_what_lies_between_the_vertices_is_in_no_file(found: CheckResult, tmp_path: Path) -> None:
    count = len(found.scan.vertices)
    assert found.scan.filled_in > 10 * count
    assert found.points.judged <= count
    assert sum(found.points.dropped.values()) + found.points.judged + found.points.held == count
    write_check(found, tmp_path)
    written = read_ply(tmp_path / "points.ply").vertices
    assert len(written) == count
    assert len(read_ply(tmp_path / "map.ply").vertices) == count
    # A vertex on a mark stands as far off as it was drawn there, whatever its triangles say.
    x, y, height, _ = MARKS[0]
    top = np.argmin(np.hypot(written["x"] - x, written["y"] - y))
    assert written["deviation"][top] == pytest.approx(height, abs=0.08)


def test_a_part_of_it_is_vertices_of_the_file(tmp_path: Path) -> None:
    scan = read_scan(thinned(tmp_path / "whole.ply", seed=5, marks=False), units="mm")
    part = part_at(scan, (400.0, 250.0, 0.0), load_settings("metal"))
    assert part.points <= len(scan.vertices)
    assert part.share > 0.9
    write_part(tmp_path / "part.ply", scan, part.keep)
    assert len(read_ply(tmp_path / "part.ply").vertices) == part.points


def test_points_lie_on_their_triangles_and_evenly(tmp_path: Path) -> None:
    ply = read_ply(thinned(tmp_path / "m.ply", seed=6, marks=True))
    vertices = np.column_stack([ply.vertices[a] for a in "xyz"]).astype(np.float32)
    filled = fill_triangles(vertices, ply.faces).astype(np.float64)
    lattice = Delaunay(vertices[:, :2].astype(np.float64))
    at = lattice.find_simplex(filled[:, :2])
    inside = at >= 0
    assert inside.mean() > 0.999
    across = lattice.transform[at[inside]]
    two = np.einsum("nij,nj->ni", across[:, :2], filled[inside, :2] - across[:, 2])
    shares = np.column_stack([two, 1.0 - two.sum(axis=1)])
    height = (vertices[lattice.simplices[at[inside]], 2] * shares).sum(axis=1)
    np.testing.assert_allclose(filled[inside, 2], height, atol=2e-3)
    # Longer triangles than may be filled stand along the rim only.
    count = np.histogram2d(filled[:, 0], filled[:, 1], bins=(16, 10))[0][2:-2, 2:-2]
    assert count.min() > 0.9 * count.max()


def test_an_even_mesh_is_taken_as_it_is(tmp_path: Path) -> None:
    """Vertices at random draw uneven triangles too, and nothing was thinned."""
    scan = read_scan(thinned(tmp_path / "even.ply", seed=7, marks=True, even=True), units="mm")
    assert scan.filled_in == 0


def test_long_triangles_that_may_bridge_an_opening_stay_empty() -> None:
    rng = np.random.default_rng(8)
    x, y = rng.uniform(0.0, 400.0, (2, 3000))
    away = np.hypot(x - 200.0, y - 200.0) > 90.0
    flat = np.column_stack([x, y])[away]
    flat = flat[(rng.random(len(flat)) < 0.15) | (flat[:, 0] > 330.0)]
    faces = Delaunay(flat).simplices.astype(np.int32)
    points = np.column_stack([flat, np.zeros(len(flat))]).astype(np.float32)
    filled = fill_triangles(points, faces)
    assert len(filled) > 10_000
    assert np.hypot(filled[:, 0] - 200.0, filled[:, 1] - 200.0).min() > 40.0

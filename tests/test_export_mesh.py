"""map.ply and map.glb: right frame, right units, facing out, coloured by sign."""

from __future__ import annotations

import dataclasses
import json
import struct
from pathlib import Path

import numpy as np
import pytest
import trimesh

import export_fixture
from guidecoat.formats.ply import read_ply
from guidecoat.pictures.colours import rgb, scale_for
from guidecoat.pictures.glb import linear_light
from guidecoat.pictures.mesh import coloured_mesh, vertex_normals, write_mesh_glb, write_mesh_ply

SCALE = scale_for(export_fixture.HEIGHT_TOL_MM, export_fixture.result(points=10).regions)


def test_own_triangles_are_kept_as_they_are(tmp_path: Path) -> None:
    result = export_fixture.result(mesh=True)
    mesh = coloured_mesh(result, SCALE)
    write_mesh_ply(tmp_path / "map.ply", mesh, result)
    read = read_ply(tmp_path / "map.ply")
    np.testing.assert_array_equal(read.faces, result.scan.faces)
    np.testing.assert_array_equal(read.vertices["deviation"], result.deviation.point_mm)
    for axis in "xyz":
        np.testing.assert_allclose(
            read.vertices[axis], result.scan.vertices[axis], rtol=0, atol=1e-4
        )


def test_survey_coordinates_keep_their_micrometres(tmp_path: Path) -> None:
    result = export_fixture.result(mesh=True, float_type="<f8", survey_offset=5.0e6)
    write_mesh_ply(tmp_path / "map.ply", coloured_mesh(result, SCALE), result)
    read = read_ply(tmp_path / "map.ply").vertices
    for axis in "xyz":
        np.testing.assert_allclose(read[axis], result.scan.vertices[axis], rtol=0, atol=1e-6)


@pytest.mark.parametrize(("units", "mm"), [("mm", 1.0), ("m", 1000.0)])
@pytest.mark.parametrize("own", [True, False])
def test_glb_is_in_metres_in_the_scans_frame(
    tmp_path: Path, units: str, mm: float, own: bool
) -> None:
    result = export_fixture.result(points=50, mesh=own, units=units)
    mesh = coloured_mesh(result, SCALE)
    write_mesh_glb(tmp_path / "map.glb", mesh, result, name="door")
    write_mesh_ply(tmp_path / "map.ply", mesh, result)
    scene = trimesh.load(tmp_path / "map.glb", process=False)
    in_file = read_ply(tmp_path / "map.ply").vertices
    low = [float(in_file[a].min()) * mm / 1000.0 for a in "xyz"]
    high = [float(in_file[a].max()) * mm / 1000.0 for a in "xyz"]
    np.testing.assert_allclose(scene.bounds, [low, high], rtol=0, atol=2e-6)
    assert 1.1 < scene.extents[0] < 1.2  # a door of 1.15 m


def test_cells_mesh_faces_outward_and_leaves_the_opening() -> None:
    result = export_fixture.result(points=50)
    mesh = coloured_mesh(result, SCALE)
    a, b, c = (mesh.points_mm[mesh.faces[:, k]].astype(float) for k in range(3))
    across = np.cross(b - a, c - a)
    uvh = result.chart.to_chart((a + b + c) / 3.0)
    above = result.chart.to_space(uvh + np.array([0.0, 0.0, 1.0]))
    assert ((above - (a + b + c) / 3.0) * across).sum(axis=1).min() > 0.0
    assert not export_fixture.in_opening(uvh[:, 0], uvh[:, 1]).any()
    # the panel's area on the chart, less the opening; half a cell is lost all round each
    nu, nv = export_fixture.SHAPE
    whole = (nu - 1) * (nv - 1) * export_fixture.CELL_MM**2
    area = 0.5 * np.linalg.norm(across, axis=1).sum()
    assert whole - area == pytest.approx(160.0 * 60.0, rel=0.25)


def test_a_step_between_cells_is_not_bridged() -> None:
    result = export_fixture.result(points=50)
    height = result.cells.height_mm.copy()
    height[100:] += 40.0
    stepped = dataclasses.replace(result, cells=dataclasses.replace(result.cells, height_mm=height))
    mesh = coloured_mesh(stepped, SCALE)
    u = result.chart.to_chart(mesh.points_mm)[:, 0][mesh.faces]
    seam = result.cells.grid.u0_mm + 100 * result.cells.grid.cell_mm
    assert not ((u.min(axis=1) < seam) & (u.max(axis=1) > seam)).any()
    assert len(mesh.faces) > 40_000


def test_vertices_that_are_not_finite_are_left_out() -> None:
    result = export_fixture.result(mesh=True)
    points = result.scan.points_mm.copy()
    points[[5, 700]] = np.nan
    mesh = coloured_mesh(
        dataclasses.replace(result, scan=dataclasses.replace(result.scan, points_mm=points)), SCALE
    )
    assert len(mesh.points_mm) == len(points) - 2
    assert np.isfinite(mesh.points_mm).all()
    assert mesh.faces.max() == len(mesh.points_mm) - 1
    kept = np.delete(result.deviation.point_mm, [5, 700])
    np.testing.assert_array_equal(mesh.deviation_mm, kept)
    whole = result.scan.faces
    assert whole is not None
    assert len(mesh.faces) == (~np.isin(whole, (5, 700)).any(axis=1)).sum()


def test_normals_of_a_known_sphere() -> None:
    ball = trimesh.creation.icosphere(subdivisions=5, radius=50.0)
    normals = vertex_normals(ball.vertices.astype(np.float32), ball.faces.astype(np.int32))
    np.testing.assert_allclose(normals, ball.vertices / 50.0, rtol=0, atol=5e-3)
    lonely = vertex_normals(np.zeros((2, 3), np.float32), np.zeros((0, 3), np.int32))
    np.testing.assert_array_equal(lonely, [[0, 0, 1], [0, 0, 1]])


def test_glb_colours_are_linear_light_of_the_pictures_colours(tmp_path: Path) -> None:
    result = export_fixture.result(points=50)
    mesh = coloured_mesh(result, SCALE)
    write_mesh_glb(tmp_path / "map.glb", mesh, result, name="door")
    data = (tmp_path / "map.glb").read_bytes()
    magic, version, total = struct.unpack_from("<4sII", data)
    assert (magic, version, total) == (b"glTF", 2, len(data))
    (size,) = struct.unpack_from("<I", data, 12)
    view = json.loads(data[20 : 20 + size])["bufferViews"][2]
    start = 28 + size + view["byteOffset"]
    stored = np.frombuffer(data[start : start + view["byteLength"]], "<u2").reshape(-1, 4)
    linear = stored[:, :3] / 65535.0
    back = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    np.testing.assert_array_equal(np.round(back * 255.0).astype(int), mesh.colours)
    # IEC 61966-2-1: the ends, and mid grey 188 is half the light
    assert linear_light()[[0, 255]].tolist() == [0, 65535]
    assert linear_light()[188] / 65535.0 == pytest.approx(0.5, abs=0.005)


def test_not_judged_and_held_are_grey() -> None:
    result = export_fixture.result(mesh=True)
    mesh = coloured_mesh(result, SCALE)
    status = result.deviation.point_status
    assert set(map(tuple, mesh.colours[status == 255].tolist())) == {rgb("#bdbdbd")}
    assert set(map(tuple, mesh.colours[status == 4].tolist())) == {rgb("#969696")}

"""Scans from files: exact coordinates, counted losses, and clear refusals."""

from __future__ import annotations

import hashlib
import os
import tracemalloc
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from guidecoat.errors import GuidecoatError, ScanReadError, ScanUnfitError, SettingsError
from guidecoat.formats.ply import write_ply
from guidecoat.open3d_loader import load_open3d
from guidecoat.scans.repeats import first_of_each
from guidecoat.scans.scan_io import estimate_spacing, read_scan
from guidecoat.unrolling.voxels import voxelise


def _panel(count: int = 4000, seed: int = 0) -> NDArray[np.float64]:
    """Points of a crowned panel of 1150 x 680 mm."""
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0, 1150, count), rng.uniform(0, 680, count)
    return np.stack([x, y, 22 * np.cos((x - 575) / 600)], axis=1)


def _table(
    points: NDArray[np.floating], code: str = "f4", **columns: NDArray[np.generic]
) -> NDArray[np.void]:
    fields = [(axis, code) for axis in "xyz"] + [(k, c.dtype.str) for k, c in columns.items()]
    table = np.zeros(len(points), fields)
    for i, axis in enumerate("xyz"):
        table[axis] = points[:, i]
    for name, column in columns.items():
        table[name] = column
    return table


def _save(path: Path, points: NDArray[np.floating], code: str = "f4") -> Path:
    write_ply(path, _table(points, code))
    return path


# ------------------------------------------------------------ coordinates


def test_survey_coordinates_keep_their_micrometres(tmp_path: Path) -> None:
    metres = _panel() / 1000 + [5_123_456.0, 4_987_654.0, 312.0]
    scan = read_scan(_save(tmp_path / "door.ply", metres, "f8"))
    assert scan.units.value == "m"
    # Doubles at 5e6 m are 0.9 nm apart, float32 at 600 mm 0.06 micrometres; both halve.
    exact_mm = (metres - scan.origin) * 1000
    assert np.abs(scan.points_mm - exact_mm).max() < 1e-4
    assert np.abs(scan.to_file_frame(scan.points_mm) - metres).max() < 1e-7
    assert np.linalg.norm(scan.origin - metres.mean(axis=0)) < 0.3


def test_floats_about_the_origin_come_back_bit_for_bit(tmp_path: Path) -> None:
    points = _panel().astype(np.float32)
    scan = read_scan(_save(tmp_path / "door.ply", points))
    assert scan.points_mm.dtype == np.float32
    # The file's float32 steps grow to 6e-5 mm at 1150 mm; the local ones are never coarser.
    back = scan.to_file_frame(scan.points_mm)
    assert np.abs(back - points).max() <= 2**-15


@pytest.mark.parametrize(("unit", "factor"), [("mm", 1), ("cm", 10), ("m", 1000), ("in", 25.4)])
def test_units_change_nothing_but_rounding(tmp_path: Path, unit: str, factor: float) -> None:
    points = _panel()
    scan = read_scan(_save(tmp_path / "a.ply", points / factor, "f8"), units=unit)
    assert np.abs(scan.points_mm + scan.origin * factor - points).max() < 1e-4
    assert scan.units.mm_per_unit == factor


def test_turning_the_panel_leaves_its_stated_size(tmp_path: Path) -> None:
    turn = np.linalg.qr(np.random.default_rng(5).normal(size=(3, 3)))[0]
    straight = read_scan(_save(tmp_path / "a.ply", _panel())).units.decided_by
    assert straight == read_scan(_save(tmp_path / "b.ply", _panel() @ turn)).units.decided_by
    length, width = (float(word) for word in straight.split()[3:6:2])
    assert length == pytest.approx(1150, rel=0.01)
    assert width == pytest.approx(680, rel=0.01)


def test_a_far_point_spoils_neither_origin_nor_units(tmp_path: Path) -> None:
    points = np.concatenate([_panel(), [[1e9, -1e9, 1e9]]])
    scan = read_scan(_save(tmp_path / "a.ply", points))
    assert scan.units.value == "mm"
    assert np.abs(scan.points_mm[:-1]).max() < 800
    assert np.abs(scan.to_file_frame(scan.points_mm[:-1]) - points[:-1]).max() < 1e-4


def test_a_known_length_scales_the_scan(tmp_path: Path) -> None:
    points = _panel() * 0.0037 + 8
    path = _save(tmp_path / "a.ply", points, "f8")
    first, second = points[0], points[np.argmax(points[:, 0] - points[0, 0])]
    known = (first, second, float(np.linalg.norm(second - first)) / 0.0037)
    scan = read_scan(path, known_length=known)
    assert scan.units.value == "scaled"
    true_mm = (points - points[0]) / 0.0037
    assert np.abs(scan.points_mm - scan.points_mm[0] - true_mm).max() < 1e-3
    with pytest.raises(SettingsError, match="must differ"):
        read_scan(path, known_length=((1, 2, 3), (1, 2, 3), 100))


def test_a_known_length_off_the_scan_is_refused(tmp_path: Path) -> None:
    """Points 10 mm beside the scan do, as in the middle of a hole; 60 mm beside it do not."""
    points = _panel() + np.array([5000.0, 0.0, 0.0])
    path = _save(tmp_path / "a.ply", points, "f8")
    with pytest.raises(SettingsError, match=r"the point 0, 0, 0 lies .* off the nearest.*pick two"):
        read_scan(path, known_length=((0, 0, 0), (1000, 0, 0), 1000.0))
    low, high = points[np.argmin(points[:, 0])], points[np.argmax(points[:, 0])]
    aside = np.array([10.0, 0.0, 0.0])
    length = float(np.linalg.norm(high - low)) + 10.0
    scan = read_scan(path, known_length=(low - aside, high, length))
    assert scan.units.mm_per_unit == pytest.approx(1.0, rel=1e-3)
    with pytest.raises(SettingsError, match="off the nearest scanned point"):
        read_scan(path, known_length=(low, high + 6.0 * aside, length))


def test_integer_coordinates(tmp_path: Path) -> None:
    points = np.unique(np.round(_panel()), axis=0)
    scan = read_scan(_save(tmp_path / "a.ply", points, "i4"))
    assert scan.vertices.dtype["x"] == np.int32
    assert np.array_equal(scan.to_file_frame(scan.points_mm), points)


# ------------------------------------------------------------ what is kept, what is counted


def test_lost_and_repeated_rows_stay_in_place_and_are_counted(tmp_path: Path) -> None:
    points = _panel(500)
    points[7] = points[3]
    points[400] = points[3]
    points[10, 2] = np.nan
    points[11, 0] = np.inf
    points[12] = np.nan
    scan = read_scan(_save(tmp_path / "Pelham 300 door.ply", points))
    assert scan.name == "Pelham 300 door"
    assert scan.dropped == {"not finite": 3, "repeated": 2}
    assert np.flatnonzero(~scan.usable).tolist() == [7, 10, 11, 12, 400]
    assert np.flatnonzero(np.isnan(scan.points_mm).all(axis=1)).tolist() == [10, 11, 12]
    assert len(scan.points_mm) == len(scan.vertices) == 500
    assert np.array_equal(scan.vertices["x"], points[:, 0].astype("f4"), equal_nan=True)


def test_everything_is_read_only_and_the_digest_is_the_files(tmp_path: Path) -> None:
    path = _save(tmp_path / "a.ply", _panel())
    scan = read_scan(path)
    for array in (scan.points_mm, scan.usable, scan.origin, scan.vertices):
        assert not array.flags.writeable
    assert scan.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert scan.path == path


def test_normals_are_of_length_one_or_zero(tmp_path: Path) -> None:
    points = _panel(300)
    n = np.zeros((300, 3), np.float32)
    n[:, 2] = 5
    n[0], n[1] = 0, np.nan
    table = _table(points, nx=n[:, 0], ny=n[:, 1], nz=n[:, 2])
    write_ply(tmp_path / "a.ply", table)
    normals = read_scan(tmp_path / "a.ply").normals
    assert normals is not None
    assert normals[:2].tolist() == [[0, 0, 0]] * 2
    assert np.all(normals[2:] == [0, 0, 1])
    assert read_scan(_save(tmp_path / "b.ply", points)).normals is None


def test_faces_come_along_and_must_name_vertices(tmp_path: Path) -> None:
    table = _table(_panel(300))
    faces = np.array([[0, 1, 2], [297, 298, 299]], np.int32)
    write_ply(tmp_path / "a.ply", table, faces=faces)
    read = read_scan(tmp_path / "a.ply").faces
    assert read is not None
    assert np.array_equal(read, faces)
    for wrong in (300, -1):
        write_ply(tmp_path / "a.ply", table, faces=np.array([[0, 1, wrong]]))
        with pytest.raises(ScanReadError, match=f"a face names vertex {wrong}, the file holds 300"):
            read_scan(tmp_path / "a.ply")


# ------------------------------------------------------------ repeats and spacing


def _first_by_dictionary(points: NDArray[np.floating]) -> NDArray[np.bool_]:
    seen: set[tuple[float, ...]] = set()
    first = []
    for row in map(tuple, points.tolist()):
        first.append(row not in seen)
        seen.add(row)
    return np.array(first)


@pytest.mark.parametrize("code", ["f4", "f8"])
@pytest.mark.parametrize("values", [2, 12, 10**6])
def test_repeats_against_a_dictionary(code: str, values: int) -> None:
    rng = np.random.default_rng(values)
    points = (rng.integers(-values, values, (20_000, 3)) / 4).astype(code)
    points[::7] = points[5]
    points[points == 0] *= -1
    assert np.array_equal(first_of_each(points), _first_by_dictionary(points))


def test_few_repeats_among_many_points() -> None:
    points = np.random.default_rng(0).normal(size=(300_000, 3)).astype("f4")
    points[[70_000, 299_999, 5]] = points[[1, 1, 200_000]]
    points[200_000] += 1
    assert np.flatnonzero(~first_of_each(points)).tolist() == [70_000, 299_999]


def test_chance_equality_of_keys_is_seen_through(monkeypatch: pytest.MonkeyPatch) -> None:
    import guidecoat.scans.repeats

    rng = np.random.default_rng(1)
    points = rng.integers(0, 6, (2_000, 3)).astype("f4")

    def poor_keys(points: NDArray[np.floating]) -> NDArray[np.uint64]:
        return np.asarray(points[:, 0], np.uint64)

    monkeypatch.setattr(guidecoat.scans.repeats, "_keys", poor_keys)
    assert np.array_equal(first_of_each(points), _first_by_dictionary(points))


@pytest.mark.parametrize("count", [3_000, 100_000, 1_000_000])
def test_spacing_of_random_points_is_that_of_a_poisson_process(count: int) -> None:
    # Median nearest distance of a planar Poisson process: sqrt(ln 2 / (pi density)) (computed).
    points = _panel(count)
    points[:, 2] = 0
    expected = np.sqrt(np.log(2) / np.pi * 1150 * 680 / count)
    assert estimate_spacing(points.astype("f4")) == pytest.approx(expected, rel=0.05)


@pytest.mark.parametrize("turned", [False, True])
def test_spacing_of_a_grid_is_its_pitch(turned: bool) -> None:
    points = np.stack(np.meshgrid(np.arange(800), np.arange(500), [0.0]), axis=-1).reshape(-1, 3)
    points = points * 0.7
    if turned:
        points = points @ np.linalg.qr(np.random.default_rng(8).normal(size=(3, 3)))[0]
    # Repeats are no neighbours.
    twice = np.concatenate([points, points])
    assert estimate_spacing(points) == pytest.approx(0.7, rel=1e-6)
    assert estimate_spacing(twice) == pytest.approx(0.7, rel=1e-6)


def test_spacing_is_not_led_astray_by_a_far_point() -> None:
    points = np.concatenate([_panel(200_000), [[1e9, 1e9, -1e9]]])
    far = estimate_spacing(points)
    assert far == pytest.approx(estimate_spacing(points[:-1]), rel=0.05)


def test_spacing_of_next_to_nothing() -> None:
    assert np.isnan(estimate_spacing(np.zeros((1, 3))))
    assert np.isnan(estimate_spacing(np.zeros((50_000, 3))))
    assert estimate_spacing(np.array([[0.0, 0, 0], [3, 4, 0]])) == 5


# ------------------------------------------------------------ other formats


def _assert_points(path: Path, points: NDArray[np.float64], within: float = 1e-4) -> None:
    scan = read_scan(path)
    assert scan.units.value == "mm"
    assert np.abs(scan.to_file_frame(scan.points_mm) - points).max() < within


@pytest.mark.parametrize(
    ("name", "line", "head"),
    [
        ("a.xyz", "{:.4f} {:.4f} {:.4f}", ""),
        ("a.XYZ", "{:.4f}\t{:.4f}\t{:.4f}", "# Harrow Lane\n\n"),
        ("a.csv", "{:.4f},{:.4f},{:.4f}", "X,Y,Z\n"),
        ("a.csv", "{:.4f}, {:.4f}, {:.4f}", '\ufeff"x", "y", "z"\r\n'),
        ("a.csv", "{:.4f};{:.4f};{:.4f}", ""),
        ("a.txt", "{:.4f} {:.4f} {:.4f} 17 200 0 9", "//X Y Z I R G B\n"),
        ("a.pts", "{:.4f} {:.4f} {:.4f} -120 1 2 3", "4000\n"),
    ],
)
def test_text_scans(tmp_path: Path, name: str, line: str, head: str) -> None:
    points = np.round(_panel(), 4)
    text = head + "\n".join(line.format(*row) for row in points)
    (tmp_path / name).write_text(text, encoding="utf-8", newline="")
    _assert_points(tmp_path / name, points)


def test_decimal_commas_with_semicolons(tmp_path: Path) -> None:
    points = np.round(_panel(), 4)
    rows = [";".join(f"{v:.4f}".replace(".", ",") for v in row) for row in points]
    (tmp_path / "a.csv").write_text("\n".join(["x;y;z", *rows]))
    _assert_points(tmp_path / "a.csv", points)


def test_columns_keep_their_names_or_get_the_customary_ones(tmp_path: Path) -> None:
    points = _panel(200)
    up = np.tile([0.0, 0.0, 1.0], (200, 1))
    path = tmp_path / "a.xyz"
    np.savetxt(path, np.c_[points, up])
    scan = read_scan(path)
    assert scan.vertices.dtype.names == ("x", "y", "z", "nx", "ny", "nz")
    assert scan.normals is not None
    assert np.all(scan.normals == [0, 0, 1])
    np.savetxt(path, np.c_[points, np.full(200, 0.5), np.full((200, 3), 128)])
    names = ("x", "y", "z", "intensity", "red", "green", "blue")
    assert read_scan(path).vertices.dtype.names == names
    np.savetxt(path, np.c_[points, np.full((200, 2), 0.5)], header="z y x gloss age")
    scan = read_scan(path)
    assert scan.vertices.dtype.names == ("z", "y", "x", "gloss", "age")
    assert np.allclose(scan.vertices["x"], points[:, 2])


def _grid_mesh() -> tuple[NDArray[np.float64], NDArray[np.int32]]:
    x, y = np.meshgrid(np.arange(40) * 29.0, np.arange(30) * 23.0)
    points = np.stack([x.ravel(), y.ravel(), (x * y).ravel() / 40_000], axis=1)
    i = (np.arange(29)[:, None] * 40 + np.arange(39)).ravel()
    return points, np.concatenate([np.c_[i, i + 1, i + 41], np.c_[i, i + 41, i + 40]]).astype("i4")


@pytest.mark.parametrize("file_type", ["stl", "stl_ascii"])
def test_stl_as_trimesh_writes_it(tmp_path: Path, file_type: str) -> None:
    import trimesh

    points, faces = _grid_mesh()
    mesh = trimesh.Trimesh(points, faces, process=False)
    mesh.export(tmp_path / "a.stl", file_type=file_type)
    scan = read_scan(tmp_path / "a.stl")
    assert scan.faces is not None
    assert len(scan.points_mm) == 3 * len(faces)
    assert scan.usable.sum() == len(points)
    assert scan.dropped == {"repeated": 3 * len(faces) - len(points)}
    corners = scan.to_file_frame(scan.points_mm)[scan.faces]
    assert np.abs(corners - points[faces]).max() < 1e-3


def test_obj_in_file_order(tmp_path: Path) -> None:
    points, faces = _grid_mesh()
    lines = ["# door", "mtllib a.mtl", *(f"v {x:.6f} {y:.6f} {z:.6f}" for x, y, z in points)]
    lines += ["v 5 5 5 1.0 0.5 0.5", "vt 0 0", "vn 0 0 1", "usemtl red"]
    lines += [f"f {a}/1 {b}//1 {c}/1/1" for a, b, c in faces[:5] + 1]
    lines += ["usemtl blue", "f -1 -2 -3 -4"]
    lines += [f"f {a} {b} {c}" for a, b, c in faces[5:] + 1]
    (tmp_path / "a.obj").write_text("\n".join(lines))
    scan = read_scan(tmp_path / "a.obj")
    assert np.abs(scan.to_file_frame(scan.points_mm)[:-1] - points).max() < 1e-4
    assert scan.faces is not None
    last = len(points)
    fan = [[last, last - 1, last - 2], [last, last - 2, last - 3]]
    assert scan.faces.tolist() == [*faces[:5].tolist(), *fan, *faces[5:].tolist()]


@pytest.mark.parametrize("how", [{}, {"write_ascii": True}, {"compressed": True}])
def test_pcd_as_open3d_writes_it(tmp_path: Path, how: dict[str, bool]) -> None:
    open3d = load_open3d()
    points = _panel().astype(np.float32).astype(np.float64)
    cloud = open3d.geometry.PointCloud(open3d.utility.Vector3dVector(points))
    cloud.normals = open3d.utility.Vector3dVector(np.tile([0.0, 1.0, 0.0], (len(points), 1)))
    colours = np.tile(np.array([10.0, 20.0, 250.0]) / 255, (len(points), 1))
    cloud.colors = open3d.utility.Vector3dVector(colours)
    open3d.io.write_point_cloud(str(tmp_path / "a.pcd"), cloud, **how)
    again = np.asarray(open3d.io.read_point_cloud(str(tmp_path / "a.pcd")).points)
    # Ascii is written with ten digits, and local float32 steps are up to 6e-5 mm.
    _assert_points(tmp_path / "a.pcd", again)
    scan = read_scan(tmp_path / "a.pcd")
    assert scan.normals is not None
    assert np.all(scan.normals == [0, 1, 0])
    assert scan.vertices[["red", "green", "blue"]][-1].tolist() == (10, 20, 250)


def test_pcd_with_padding_wide_fields_and_long_integers(tmp_path: Path) -> None:
    points = _panel(150)
    rows = np.zeros(
        150,
        [
            ("p", "u1", 3),
            ("z", "<f8"),
            ("h", "<f4", 2),
            ("y", "<f8"),
            ("q", "u1"),
            ("x", "<f8"),
            ("t", "<u8"),
        ],
    )
    for i, axis in enumerate("xyz"):
        rows[axis] = points[:, i]
    rows["t"] = np.arange(150)
    head = "VERSION .7\nFIELDS _ z h y _ x t\nSIZE 1 8 4 8 1 8 8\nTYPE U F F F U F U\n"
    head += "COUNT 3 1 2 1 1 1 1\nWIDTH 150\nHEIGHT 1\nPOINTS 150\nDATA binary\n"
    (tmp_path / "a.pcd").write_bytes(head.encode() + rows.tobytes())
    scan = read_scan(tmp_path / "a.pcd", units="mm")
    assert scan.vertices.dtype == np.dtype([(name, "f8") for name in "zyxt"])
    assert np.array_equal(scan.vertices["x"], points[:, 0])
    assert np.array_equal(scan.vertices["t"], np.arange(150))


# ------------------------------------------------------------ refusals

PCD = "VERSION 0.7\nFIELDS x y z\nSIZE 4 4 4\nTYPE F F F\nCOUNT 1 1 1\nWIDTH {0}\nHEIGHT 1\n"
PCD += "VIEWPOINT 0 0 0 1 0 0 0\nPOINTS {0}\nDATA {1}\n"


@pytest.mark.parametrize(
    ("name", "content", "message"),
    [
        ("a.ply", "", "the file is empty"),
        ("a.xyz", "", "the file is empty"),
        ("a.docx", "hello", r"unknown kind of file '\.docx'; export it as one of \.ply"),
        ("a", "hello", "unknown kind of file ''"),
        ("a.ply", "hello", "not a PLY file"),
        ("a.stl", "hello", "no STL: it neither begins with 'solid' nor has room"),
        ("a.stl", "hello" * 30, "no STL: it neither begins with 'solid' nor has room"),
        ("a.stl", "solid a\nfacet normal 0 0", "no whole STL: 0 vertex lines for 0 triangles"),
        ("a.stl", "solid a\nvertex 1 2 3\nvertex 1 2 3\nendfacet", "2 vertex lines for 1"),
        ("a.stl", "solid\n" + "vertex 1 2\n" * 3 + "endfacet", "does not hold three numbers"),
        ("a.stl", "solid\n" + "vertex 1 2 x\n" * 3 + "endfacet", "does not hold three numbers"),
        ("a.obj", "hello", "no OBJ with a vertex"),
        ("a.obj", "v 1 2\nv 3 4 5 6\n", "no OBJ with a vertex"),
        ("a.obj", "v 1 2 3\nf 0 1 1\n", "a face names vertex 0"),
        ("a.obj", "v 1 2 3\nf 1 1 2\n", "a face names vertex 1, the file holds 1"),
        ("a.obj", "v 1 2 3\nf -1 -1 -2\n", "a face names vertex -1, the file holds 1"),
        ("a.obj", "v 1 2 3\nf 1 x 1\n", "holds something that is no vertex number"),
        ("a.pcd", "hello", "not a PCD file"),
        ("a.pcd", PCD.format(10**12, "binary"), "declares 1000000000000 points, .* room for 0"),
        ("a.pcd", PCD.format(10**12, "ascii") + "1 2 3\n", "room for 1 at most"),
        ("a.pcd", PCD.format(1, "binary_compressed") + "\0" * 9, "does not unpack to the 1 points"),
        ("a.pcd", PCD.format(2, "ascii") + "1 2 3\n" + "\n" * 9, "the file ends after 1"),
        ("a.pcd", PCD.format(-1, "ascii"), "declares no points with x, y and z"),
        ("a.pcd", PCD.format(1, "zipped"), "unknown kind of PCD data 'zipped'"),
        ("a.pcd", PCD.format(1, "ascii").replace("TYPE F", "TYPE Q"), "do not fit together"),
        ("a.pcd", PCD.format(1, "ascii").replace("4 4 4", "4 4"), "do not fit together"),
        ("a.pcd", PCD.format(1, "ascii").replace("4 4 4", "4 4 3"), "'z' is of no known type"),
        ("a.pcd", PCD.format(1, "ascii").replace("x y z", "x y w"), "no points with x, y and z"),
        ("a.xyz", "hello\n", "no line of numbers at its beginning"),
        ("a.xyz", "1 2\n3 4\n", "rows of 2 numbers, at least x, y and z"),
        ("a.csv", "1,2,3\n4,,6\n", "line 2 holds 2 numbers where 3 belong"),
        ("a.csv", "x,y,z\n1,2,3\n4,five,6\n", "line 3 holds something that is no number"),
        ("a.pts", "3\n1 2 3\n4 5 6\n", "its first line announces 3 points, 2 follow"),
    ],
)
def test_no_scan(tmp_path: Path, name: str, content: str, message: str) -> None:
    (tmp_path / name).write_text(content)
    with pytest.raises(ScanReadError, match=message):
        read_scan(tmp_path / name)


def _sound_files(folder: Path) -> dict[str, bytes]:
    """One small sound scan of each kind, by a suffix that the reader takes in any case."""
    import trimesh

    points = _panel(300)
    rows = [b"%.3f %.3f %.3f" % tuple(row) for row in points]
    mesh = trimesh.Trimesh(points, np.arange(300).reshape(-1, 3), process=False)
    files = {
        ".xyz": b"\n".join(rows),
        ".csv": b"x,y,z\n" + b"\n".join(rows).replace(b" ", b","),
        ".pts": b"300\n" + b"\n".join(row + b" 1 2 3 4" for row in rows),
        ".obj": b"\n".join(b"v " + row for row in rows) + b"\nf 1 2 3\nf -1/2 -2/3 -3/4 -4\n",
    }
    for suffix, file_type in ((".stl", "stl"), (".STL", "stl_ascii")):
        mesh.export(folder / "mesh", file_type=file_type)
        files[suffix] = (folder / "mesh").read_bytes()
    open3d = load_open3d()
    cloud = open3d.geometry.PointCloud(open3d.utility.Vector3dVector(points))
    for suffix, how in ((".pcd", {}), (".PCD", {"write_ascii": True}), (".Pcd", {"compressed": 1})):
        open3d.io.write_point_cloud(str(folder / "a.pcd"), cloud, **how)
        files[suffix] = (folder / "a.pcd").read_bytes()
    return files


@pytest.mark.parametrize(
    "suffix", [".xyz", ".csv", ".pts", ".obj", ".stl", ".STL", ".pcd", ".PCD", ".Pcd"]
)
def test_damaged_files_are_read_or_refused_in_little_memory(tmp_path: Path, suffix: str) -> None:
    content = _sound_files(tmp_path)[suffix]
    path = tmp_path / f"a{suffix}"
    path.write_bytes(content)
    read_scan(path, units="mm")
    rng = np.random.default_rng(4)
    pieces = (b"1e400", b"999999999999", b"-5", b"nan", b"\n", b" ", b"", b"\xff\xff", b"\0")
    for trial in range(150):
        damaged = bytearray(content)
        for _ in range(rng.integers(1, 4)):
            # Half of the damage goes where headers are.
            at = rng.integers(0, len(damaged) if trial % 2 else 250)
            damaged[at : at + rng.integers(0, 4)] = pieces[rng.integers(len(pieces))]
        path.write_bytes(damaged[: rng.integers(len(damaged))] if trial % 3 == 0 else damaged)
        tracemalloc.start()
        try:
            read_scan(path, units="mm")
        except GuidecoatError as error:
            message = str(error)
        else:
            message = f"{path}: sound; nothing to do"
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        assert message.startswith(f"{path}: ")
        assert peak < 64 << 20


def test_no_file(tmp_path: Path) -> None:
    with pytest.raises(ScanReadError, match="No such file or directory"):
        read_scan(tmp_path / "missing.ply")
    with pytest.raises(ScanReadError, match="this is a folder"):
        read_scan(tmp_path)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes on this system")
def test_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "door.ply")
    with pytest.raises(ScanReadError, match=r"pipe or a device.*save the scan to a file"):
        read_scan(tmp_path / "door.ply")


def test_a_coordinate_whose_square_is_lost_counts_as_not_finite(tmp_path: Path) -> None:
    points = _panel()
    points[5] = (1e20, 0.0, 0.0)
    scan = read_scan(_save(tmp_path / "door.ply", points))
    assert scan.dropped == {"not finite": 1}
    assert not scan.usable[5]
    assert voxelise(scan.points_mm, scan.usable).count.sum() == len(points) - 1


def test_too_few_points(tmp_path: Path) -> None:
    points = _panel(120)
    points[:15], points[15:25] = np.nan, points[30]
    path = _save(tmp_path / "a.ply", points)
    message = "too few points: 95 usable of 120, 15 not finite, 10 repeated; at least 100"
    with pytest.raises(ScanUnfitError, match=message):
        read_scan(path)
    with pytest.raises(ScanUnfitError, match="too few points: 0 usable of 0"):
        read_scan(_save(tmp_path / "b.ply", points[:0]))
    with pytest.raises(ScanUnfitError, match="0 usable of 120, 120 not finite"):
        read_scan(_save(tmp_path / "c.ply", points * np.nan))
    with pytest.raises(ScanUnfitError, match="1 usable of 120, 119 repeated"):
        read_scan(_save(tmp_path / "d.ply", np.ones((120, 3))))


@pytest.mark.parametrize("code", ["f4", "f8"])
def test_all_points_on_a_line(tmp_path: Path, code: str) -> None:
    along = np.linspace(0, 1000, 5000)[:, None] * [0.3, -0.5, 0.81] + 100
    path = _save(tmp_path / "a.ply", along, code)
    with pytest.raises(ScanUnfitError, match="all points lie on a line"):
        read_scan(path)


def test_units_that_cannot_be_told(tmp_path: Path) -> None:
    path = _save(tmp_path / "a.ply", _panel(1_000_000) / 10)
    with pytest.raises(ScanUnfitError, match=r"--units cm if .* 1150 x 67. mm, --units in if"):
        read_scan(path)
    assert read_scan(path, units="cm").units.mm_per_unit == 10


def test_a_fault_amid_reading_is_told_plainly(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import guidecoat.scans.scan_io

    def failing(path: Path) -> None:
        raise OSError(5, "Input/output error")

    path = _save(tmp_path / "a.ply", _panel(200))
    monkeypatch.setattr(guidecoat.scans.scan_io, "_read_ply", failing)
    with pytest.raises(
        ScanReadError, match=r"a\.ply: cannot be read \(Input/output error\); check"
    ):
        read_scan(path)

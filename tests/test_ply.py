"""The PLY reader and writer: exact round trips, foreign writers, and files that lie."""

from __future__ import annotations

import re
import struct
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from guidecoat.errors import ScanReadError, SettingsError
from guidecoat.formats.ply import read_ply, write_ply, write_ply_chunks
from guidecoat.formats.ply_header import SCALARS, TYPE_NAMES
from guidecoat.open3d_loader import load_open3d

FORMATS = ("ascii", "binary_little_endian", "binary_big_endian")
NEWLINES = ("\n", "\r\n", "\r")
TETRA = np.array([[0, 1, 2], [0, 2, 3], [0, 3, 1], [1, 3, 2]], np.int32)


def _vertices(count: int, seed: int = 0) -> NDArray[np.void]:
    rng = np.random.default_rng(seed)
    fields = [("x", "f4"), ("y", "f8"), ("z", "f4")]
    fields += [(f"p_{code}", code) for code in TYPE_NAMES]
    vertices = np.zeros(count, fields)
    for name, code in fields:
        if code.startswith("f"):
            vertices[name] = rng.normal(0, 1000, count)
        else:
            limits = np.iinfo(code)
            vertices[name] = rng.integers(limits.min, limits.max, count, endpoint=True)
            vertices[name][:2] = limits.min, limits.max
    return vertices


def _same(a: NDArray[np.void], b: NDArray[np.void]) -> bool:
    return a.dtype == b.dtype and all(
        np.array_equal(a[n], b[n], equal_nan=a.dtype[n].kind == "f") for n in a.dtype.names or ()
    )


def _write(path: Path, header: list[str], body: bytes, newline: str = "\n") -> Path:
    text = newline.join(["ply", *header, "end_header", ""])
    path.write_bytes(text.encode() + body)
    return path


# ------------------------------------------------------------ round trips


@pytest.mark.parametrize("form", FORMATS)
@pytest.mark.parametrize("faces", [None, TETRA], ids=["cloud", "mesh"])
def test_every_type_comes_back_exactly(
    tmp_path: Path, form: str, faces: NDArray[np.int32] | None
) -> None:
    vertices = _vertices(1000)
    vertices["x"][3] = np.nan
    vertices["y"][4] = -np.inf
    vertices["p_f4"][5:8] = np.float32(0.1), np.finfo("f4").max, np.finfo("f4").smallest_subnormal
    write_ply(tmp_path / "a.ply", vertices, faces=faces, format=form, comments=["Pelham 300", "x"])
    read = read_ply(tmp_path / "a.ply")
    assert _same(read.vertices, vertices)
    assert read.format == form
    assert read.comments == ("Pelham 300", "x")
    if faces is None:
        assert read.faces is None
    else:
        assert read.faces is not None
        assert read.faces.dtype == np.int32
        assert np.array_equal(read.faces, faces)
    assert not read.vertices.flags.writeable


@pytest.mark.parametrize("form", FORMATS)
def test_writing_twice_gives_the_same_bytes_and_chunks_make_no_difference(
    tmp_path: Path, form: str
) -> None:
    vertices = _vertices(700)
    write_ply(tmp_path / "a.ply", vertices, faces=TETRA, format=form)
    parts = (vertices[i : i + 99] for i in range(0, 700, 99))
    write_ply_chunks(tmp_path / "b.ply", vertices.dtype, 700, parts, faces=TETRA, format=form)
    assert (tmp_path / "a.ply").read_bytes() == (tmp_path / "b.ply").read_bytes()


def test_many_ascii_rows_cross_the_block_border(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    vertices = np.zeros(300_000, [("x", "f8"), ("y", "f4"), ("z", "f4"), ("red", "u1")])
    for name in "xyz":
        vertices[name] = rng.normal(5e6, 1, len(vertices))
    faces = rng.integers(0, len(vertices), (300_000, 3)).astype(np.int32)
    write_ply(tmp_path / "a.ply", vertices, faces=faces, format="ascii")
    read = read_ply(tmp_path / "a.ply")
    assert _same(read.vertices, vertices)
    assert np.array_equal(read.faces, faces) if read.faces is not None else False


def test_rows_with_gaps_are_packed(tmp_path: Path) -> None:
    vertices = np.zeros(5, np.dtype([("q", "u1"), *((a, "f8") for a in "xyz")], align=True))
    vertices["q"], vertices["z"] = np.arange(5), np.arange(5) / 3
    write_ply(tmp_path / "a.ply", vertices)
    read = read_ply(tmp_path / "a.ply").vertices
    assert read.dtype.itemsize == 25
    assert np.array_equal(read["q"], vertices["q"])
    assert np.array_equal(read["z"], vertices["z"])


@pytest.mark.parametrize("form", FORMATS)
def test_no_vertices_at_all(tmp_path: Path, form: str) -> None:
    write_ply(tmp_path / "a.ply", _vertices(2)[:0], format=form)
    assert len(read_ply(tmp_path / "a.ply").vertices) == 0


# ------------------------------------------------------------ by hand


def _pack(order: str, rows: list[tuple[tuple[str, float], ...]]) -> bytes:
    return b"".join(struct.pack(order + code, value) for row in rows for code, value in row)


ROWS = [  # a list amid the vertex properties, of uneven length
    (("f", 1.5), ("B", 2), ("h", -7), ("h", 8), ("f", 2.5), ("d", 3.25)),
    (("f", -1.5), ("B", 0), ("f", -2.5), ("d", -3.25)),
    (("f", 4.5), ("B", 1), ("h", 99), ("f", 5.5), ("d", 6.25)),
    (("f", 0.5), ("B", 0), ("f", 0.25), ("d", 0.125)),
]
FACE_ROWS = [  # triangle, quad, pentagon, and a two-cornered leftover, with a flag behind
    (("b", 3), ("I", 0), ("I", 1), ("I", 2), ("b", -1)),
    (("b", 4), ("I", 0), ("I", 1), ("I", 2), ("I", 3), ("b", 2)),
    (("b", 2), ("I", 0), ("I", 1), ("b", 3)),
    (("b", 5), ("I", 3), ("I", 2), ("I", 1), ("I", 0), ("I", 2), ("b", 4)),
]
FANNED = [[0, 1, 2], [0, 1, 2], [0, 2, 3], [3, 2, 1], [3, 1, 0], [3, 0, 2]]
CAMERA_ROWS = [(("i", 5), ("B", 2), ("f", 1.0), ("f", 2.0))]
HEADER = [
    "comment made by hand",
    "obj_info Harrow Lane",
    "",
    "element camera 1",
    "property int32 number",
    "property list uint8 float32 rest",
    "element vertex 4",
    "property float32 x",
    "comment amid the properties",
    "property list uchar int16 marks",
    "property float y",
    "property float64 z",
    "element face 4",
    "property list char uint32 vertex_index",
    "property int8 flag",
    "element tail 2",
    "property ushort t",
]
TAIL_ROWS = [(("H", 65535),), (("H", 1),)]


@pytest.mark.parametrize("newline", NEWLINES, ids=["lf", "crlf", "cr"])
@pytest.mark.parametrize("form", FORMATS)
def test_lists_anywhere_and_elements_all_round(tmp_path: Path, form: str, newline: str) -> None:
    rows = [*CAMERA_ROWS, *ROWS, *FACE_ROWS, *TAIL_ROWS]
    if form == "ascii":
        text = newline.join(" ".join(str(value) for _, value in row) for row in rows)
        body = (text + newline).encode()
    else:
        body = _pack("<" if "little" in form else ">", rows)
    path = _write(tmp_path / "a.ply", [f"format {form} 1.0", *HEADER], body, newline)
    read = read_ply(path)
    assert read.vertices.dtype == np.dtype([("x", "f4"), ("y", "f4"), ("z", "f8")])
    assert read.vertices.tolist() == [
        (1.5, 2.5, 3.25),
        (-1.5, -2.5, -3.25),
        (4.5, 5.5, 6.25),
        (0.5, 0.25, 0.125),
    ]
    assert read.faces is not None
    assert read.faces.tolist() == FANNED
    assert read.comments == ("made by hand", "Harrow Lane", "amid the properties")


@pytest.mark.parametrize("code", sorted({c for c in SCALARS.values() if c[0] != "f"}))
@pytest.mark.parametrize("order", ["<", ">"])
def test_faces_counted_and_numbered_in_any_integer(tmp_path: Path, code: str, order: str) -> None:
    form = "binary_little_endian" if order == "<" else "binary_big_endian"
    name = TYPE_NAMES[code]
    body = np.arange(12, dtype=order + "f4").tobytes()
    quad = [0, 1, 2, 3]
    body += np.array([3, 0, 1, 2, 3, 1, 2, 3], order + code).tobytes()
    header = [f"format {form} 1.0", "element vertex 4"]
    header += [f"property float {axis}" for axis in "xyz"]
    mesh = [*header, "element face 2", f"property list {name} {name} vertex_indices"]
    faces = read_ply(_write(tmp_path / "a.ply", mesh, body)).faces
    assert faces is not None
    assert faces.tolist() == [[0, 1, 2], [1, 2, 3]]
    mesh[-2] = "element face 3"
    body += np.array([4, *quad], order + code).tobytes()
    faces = read_ply(_write(tmp_path / "b.ply", mesh, body)).faces
    assert faces is not None
    assert faces.tolist() == [[0, 1, 2], [1, 2, 3], [0, 1, 2], [0, 2, 3]]


def test_quads_alone_are_fanned_in_file_order(tmp_path: Path) -> None:
    header = ["format ascii 1.0", "element vertex 4", *(f"property float {a}" for a in "xyz")]
    header += ["element face 2", "property list uchar int vertex_indices"]
    body = b"0 0 0\n1 0 0\n1 1 0\n0 1 0\n4 0 1 2 3\n4 3 2 1 0\n"
    faces = read_ply(_write(tmp_path / "a.ply", header, body)).faces
    assert faces is not None
    assert faces.tolist() == [[0, 1, 2], [0, 2, 3], [3, 2, 1], [3, 1, 0]]


CLOUD = ["format ascii 1.0", "element vertex 2", *(f"property float {a}" for a in "xyz")]


@pytest.mark.parametrize(
    "body",
    [
        b"1 2 3\n4 5 6\n",
        b"1 2 3\n4 5 6",
        b"\n\n1 2 3\n\n \t\n4 5 6\n\n",
        b"  1\t2   3 \r\n4 5 6\r\n\x1a",
        b"1.0e0 +2 3.\n40e-1 .5e1 6\n",
    ],
)
def test_loose_ascii_is_understood(tmp_path: Path, body: bytes) -> None:
    read = read_ply(_write(tmp_path / "a.ply", CLOUD, body))
    assert read.vertices.tolist() == [(1, 2, 3), (4, 5, 6)]


@pytest.mark.parametrize("word", ["nan", "NaN", "-nan", "1.#QNAN", "-1.#IND00"])
def test_no_numbers_of_old_and_new_libraries(tmp_path: Path, word: str) -> None:
    body = f"{word} inf -1.#INF\n4 5 6\n".encode()
    row = read_ply(_write(tmp_path / "a.ply", CLOUD, body)).vertices[0]
    assert np.isnan(row["x"])
    assert row["y"] == np.inf
    assert row["z"] == -np.inf


def test_a_line_end_behind_binary_rows_is_no_harm(tmp_path: Path) -> None:
    write_ply(tmp_path / "a.ply", _vertices(3))
    path = tmp_path / "a.ply"
    path.write_bytes(path.read_bytes() + b"\r\n")
    assert len(read_ply(path).vertices) == 3


# ------------------------------------------------------------ other people's files


@pytest.mark.parametrize("form", FORMATS)
def test_trimesh_reads_what_is_written(tmp_path: Path, form: str) -> None:
    import trimesh

    vertices = _vertices(50)[["x", "y", "z"]]
    write_ply(tmp_path / "a.ply", vertices, faces=TETRA, format=form)
    mesh = trimesh.load_mesh(tmp_path / "a.ply", process=False)
    assert np.array_equal(mesh.vertices, np.stack([vertices[a] for a in "xyz"], axis=1))
    assert np.array_equal(mesh.faces, TETRA)


@pytest.mark.parametrize("encoding", ["ascii", "binary"])
def test_what_trimesh_writes_is_read(tmp_path: Path, encoding: str) -> None:
    import trimesh

    mesh = trimesh.creation.icosphere(subdivisions=2, radius=100)
    raw = mesh.export(file_type="ply", encoding=encoding)
    (tmp_path / "a.ply").write_bytes(raw)
    read = read_ply(tmp_path / "a.ply")
    assert np.array_equal(read.faces, mesh.faces) if read.faces is not None else False
    # trimesh writes eight decimals in ascii and float32 in binary.
    for i, axis in enumerate("xyz"):
        assert np.abs(read.vertices[axis] - mesh.vertices[:, i]).max() < 1e-5


@pytest.mark.parametrize("form", FORMATS)
def test_open3d_reads_what_is_written(tmp_path: Path, form: str) -> None:
    vertices = _vertices(50)[["x", "y", "z"]].copy()
    write_ply(tmp_path / "a.ply", vertices, faces=TETRA, format=form)
    mesh = load_open3d().io.read_triangle_mesh(str(tmp_path / "a.ply"))
    for i, axis in enumerate("xyz"):
        # From ascii open3d keeps a float's digits as a double.
        read = np.asarray(mesh.vertices)[:, i].astype(vertices.dtype[axis])
        assert np.array_equal(read, vertices[axis])
    assert np.array_equal(mesh.triangles, TETRA)


@pytest.mark.parametrize("ascii_", [True, False])
def test_what_open3d_writes_is_read(tmp_path: Path, ascii_: bool) -> None:
    open3d = load_open3d()
    points = np.random.default_rng(2).normal(0, 300, (60, 3))
    cloud = open3d.geometry.PointCloud(open3d.utility.Vector3dVector(points))
    cloud.normals = open3d.utility.Vector3dVector(points / 300)
    cloud.colors = open3d.utility.Vector3dVector(np.linspace(0, 1, 180).reshape(60, 3))
    open3d.io.write_point_cloud(str(tmp_path / "a.ply"), cloud, write_ascii=ascii_)
    read = read_ply(tmp_path / "a.ply").vertices
    assert {"x", "y", "z", "nx", "ny", "nz", "red", "green", "blue"} == set(read.dtype.names or ())
    again = open3d.io.read_point_cloud(str(tmp_path / "a.ply"))
    for i, axis in enumerate("xyz"):
        assert np.array_equal(read[axis], np.asarray(again.points)[:, i])
        assert np.array_equal(read[f"n{axis}"], np.asarray(again.normals)[:, i])


# ------------------------------------------------------------ files that lie

BINARY = ["format binary_little_endian 1.0", *CLOUD[1:]]
MESH = [*BINARY, "element face 1", "property list uchar int vertex_indices"]
UNEVEN = [*BINARY, "element face 2", "property list char int vertex_indices"]
TEXT_MESH = [*CLOUD, "element face 1", "property list uchar int vertex_indices"]
TWO = np.arange(6, dtype="<f4").tobytes()
WORDS = b"1 2 3\n4 5 6\n"


def _with(header: list[str], old: str, new: str) -> list[str]:
    changed = [line.replace(old, new) for line in header]
    assert changed != header
    return changed


@pytest.mark.parametrize(
    ("header", "body", "message"),
    [
        (_with(CLOUD, "vertex 2", "vertex 1000000000000"), WORDS, "has room for 2 at most"),
        (_with(BINARY, "vertex 2", "vertex 1000000000000"), TWO, "has room for 2 at most"),
        (_with(CLOUD, "vertex 2", f"vertex {'9' * 5000}"), WORDS, "no element name and count"),
        (_with(CLOUD, "vertex 2", "vertex -2"), WORDS, "declares -2 rows"),
        (_with(CLOUD, "vertex 2", "vertex 2.5"), WORDS, "no element name and count"),
        (_with(CLOUD, "vertex 2", "vertex"), WORDS, "no element name and count"),
        (_with(CLOUD, "vertex 2", "vertex ²"), WORDS, "no element name and count"),
        (_with(CLOUD, "float y", "floaty y"), WORDS, "unknown type 'floaty'"),
        (_with(CLOUD, "float y", "float"), WORDS, "no type and name"),
        (_with(CLOUD, "float y", "float x"), WORDS, "'x' of 'vertex' is declared twice"),
        (_with(CLOUD, "float y", "float w"), WORDS, "vertices have no property y"),
        (_with(CLOUD, "float y", "list uchar float y"), WORDS, "vertices have no property y"),
        (_with(MESH, "uchar int", "float int"), TWO, "a list cannot be counted in float"),
        (_with(CLOUD, "vertex 2", "point 2"), WORDS, "no element 'vertex'"),
        ([*CLOUD, "element vertex 2"], WORDS, "the element 'vertex' twice"),
        (_with(CLOUD, "ascii", "utf8"), WORDS, "unknown format"),
        (CLOUD[1:], WORDS, "no format line"),
        ([CLOUD[0], *CLOUD[2:]], WORDS, "header line not understood: 'property float x'"),
        ([*CLOUD, "hello there"], WORDS, "header line not understood: 'hello there'"),
        (_with(CLOUD, "vertex 2", "vertex 3"), WORDS + b"\n" * 9, "file ends after 2"),
        (_with(CLOUD, "vertex 2", "vertex 1"), WORDS, "text goes on after the declared rows"),
        (CLOUD, b"1 2 3\n4 5 \n", "line 9 holds 2 numbers where 3 belong: '4 5 '"),
        (CLOUD, b"1 2\n3 4 5 6\n", "line 8 holds 2 numbers"),
        (CLOUD, b"1 2 3\n4 five 6\n", "line 9 holds something that is no number: '4 five 6'"),
        (CLOUD, b"1 2 3\n4 5-6\n", "line 9 holds something that is no number"),
        (_with(CLOUD, "float z", "uchar z"), b"1 2 3\n4 5 256\n", "holds 256, which its type"),
        (_with(CLOUD, "float z", "uchar z"), b"1 2 -1\n4 5 6\n", "holds -1, which its type"),
        (_with(CLOUD, "float z", "int z"), b"1 2 .5\n4 5 6\n", "holds 0.5, which its type"),
        (_with(CLOUD, "float z", "int z"), b"1 2 nan\n4 5 6\n", "holds nan, which its type"),
        (BINARY, TWO[:-1], "declares 2 rows of 'vertex', the file has room for 1 at most"),
        (BINARY, b"", "the file has room for 0 at most"),
        (BINARY, TWO + b"abc", "3 bytes longer than its header declares"),
        (BINARY, TWO + b"a", "1 bytes longer"),
        (MESH, TWO, "1 rows of 'face', the file has room for 0 at most"),
        (MESH, TWO + b"\x03" + bytes(11), "row 1 of 1 of 'face' runs past the end"),
        (MESH, TWO + b"\xff" + bytes(12), "row 1 of 1 of 'face' runs past the end"),
        (UNEVEN, TWO + b"\x00\xfd" + bytes(12), "row 2 of 2 of 'face' .* negative length"),
        (TEXT_MESH, WORDS + b"3 0 1\n", "line 12 does not hold as many numbers"),
        (TEXT_MESH, WORDS + b"2 0 1 1\n", "line 12 does not hold as many numbers"),
        (TEXT_MESH, WORDS + b"-1 0 1\n", "line 12 does not hold as many numbers"),
        (TEXT_MESH, WORDS + b"2.5 0 1\n", "line 12 does not hold as many numbers"),
        (TEXT_MESH, WORDS + b"3 0 1 x\n", "no number between line 12 and 12"),
        (TEXT_MESH, WORDS + b"3 0 1 0.5\n", "holds 0.5, which its type"),
        (TEXT_MESH, WORDS + b"\n\n\n\n", "'face', the file ends after 0"),
    ],
)
def test_a_header_that_lies(tmp_path: Path, header: list[str], body: bytes, message: str) -> None:
    path = _write(tmp_path / "liar.ply", header, body)
    with pytest.raises(ScanReadError, match=message) as caught:
        read_ply(path)
    assert re.search(r"liar\.ply: .*; \S+", str(caught.value), re.DOTALL)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "the file is empty"),
        (b"solid door\n", "not a PLY file"),
        (b"plywood\n", "not a PLY file"),
        (b"ply\nformat ascii 1.0\nelement vertex 3\n", "no end_header line"),
        (b"ply\nformat ascii 1.0\ncomment end_header\n", "no end_header line"),
        (b"ply\n" + b"x" * (2 << 20), "no end_header line in the first 1048576 bytes"),
    ],
)
def test_not_a_ply(tmp_path: Path, content: bytes, message: str) -> None:
    (tmp_path / "a.ply").write_bytes(content)
    with pytest.raises(ScanReadError, match=message):
        read_ply(tmp_path / "a.ply")


def test_a_path_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(ScanReadError, match=r"No such file or directory.*check the path"):
        read_ply(tmp_path / "missing.ply")
    with pytest.raises(ScanReadError, match="this is a folder"):
        read_ply(tmp_path)


def test_what_ply_cannot_hold_is_refused(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="field 'x' is int64, PLY knows only"):
        write_ply(tmp_path / "a.ply", np.zeros(2, [("x", "i8")]))
    with pytest.raises(SettingsError, match="'two words' cannot stand in a PLY header"):
        write_ply(tmp_path / "a.ply", np.zeros(2, [("two words", "f4")]))
    with pytest.raises(SettingsError, match="PLY format 'text' unknown"):
        write_ply(tmp_path / "a.ply", _vertices(2), format="text")
    assert not (tmp_path / "a.ply").exists()
    with pytest.raises(SettingsError, match="2 vertices came where 3 were announced"):
        write_ply_chunks(tmp_path / "b.ply", _vertices(2).dtype, 3, [_vertices(2)])

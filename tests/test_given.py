"""Files of held points and body lines: what they say, and what is said of faulty ones."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from guidecoat.errors import SettingsError
from guidecoat.panel.given import read_crease_lines, read_hold_points
from guidecoat.scans.scan import Scan, Units


def scan_in_metres() -> Scan:
    return Scan(
        "door",
        np.zeros((1, 3), np.float32),
        np.ones(1, np.bool_),
        np.array([1000.0, 2000.0, 3.0]),
        Units("m", 1000.0, "given"),
        np.zeros(1, dtype=[("x", "f4")]),
    )


def written(tmp_path: Path, text: str | bytes) -> Path:
    path = tmp_path / "points.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def test_places_are_in_the_scans_units_and_frame(tmp_path: Path) -> None:
    path = written(
        tmp_path,
        "x,y,z,kind\n1000.25,2000,3\n1000,2000.5,3,hold\n\n1000,2000,3.001,Release\n",
    )
    given = read_hold_points(path, scan_in_metres())
    np.testing.assert_allclose(given.hold_mm, [[250.0, 0.0, 0.0], [0.0, 500.0, 0.0]], atol=1e-9)
    np.testing.assert_allclose(given.release_mm, [[0.0, 0.0, 1.0]], atol=1e-9)


def test_spreadsheets_ways_are_taken(tmp_path: Path) -> None:
    """A byte order mark, CRLF, blanks, capitals, columns in another order and more of them."""
    path = written(tmp_path, "\ufeffname, Z, Y, X\r\npin, 3, 2000, 1000.001\r\n,,,\r\n")
    given = read_hold_points(path, scan_in_metres())
    assert given.hold_mm == pytest.approx(np.array([[1.0, 0.0, 0.0]]), abs=1e-9)
    assert given.release_mm.shape == (0, 3)


def test_body_lines_keep_their_points_order(tmp_path: Path) -> None:
    path = written(
        tmp_path,
        "line,x,y,z\nswage,1000,2000,3\nsill,1000,2001,3\nswage,1001,2000,3\nsill,1000,2002,3\n",
    )
    swage, sill = read_crease_lines(path, scan_in_metres())
    np.testing.assert_allclose(swage, np.array([[0.0, 0, 0], [1000.0, 0, 0]]), atol=1e-9)
    np.testing.assert_allclose(sill, np.array([[0.0, 1000.0, 0], [0, 2000.0, 0]]), atol=1e-9)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", r"column x, y, z is missing: the first line must name"),
        ("x,y\n1,2\n", r"column z is missing"),
        ("1,2,3\n4,5,6\n", r"column x, y, z is missing"),
        ("x,y,z\n1,2,three\n", r"line 2: x, y, z must be numbers with a point \(.*three"),
        ("x,y,z\n1,2\n", r"line 2: x, y, z must be numbers"),
        ("x;y;z\n1;2;3\n", r"column x, y, z is missing"),
        ("x,y,z\n1,2,nan\n", r"line 2: x, y, z must be finite"),
        ("x,y,z\n1,inf,0\n", r"line 2: x, y, z must be finite"),
        ("x,y,z,kind\n1,2,3,glue\n", r'line 2: kind "glue" is not known: write hold or release'),
        (b"\xff\xfe\x00x", r"cannot be read .*UTF-8"),
    ],
)
def test_faulty_files(tmp_path: Path, text: str | bytes, message: str) -> None:
    with pytest.raises(SettingsError, match=message):
        read_hold_points(written(tmp_path, text), scan_in_metres())


def test_a_line_of_one_point(tmp_path: Path) -> None:
    path = written(tmp_path, "x,y,z,line\n1,2,3,swage\n")
    with pytest.raises(SettingsError, match='body line "swage" has one point: give at least two'):
        read_crease_lines(path, scan_in_metres())


def test_no_file(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=r"cannot be read"):
        read_hold_points(tmp_path / "none.csv", scan_in_metres())

"""The files of a check: the contract's names, columns and keys, and that they load elsewhere."""

from __future__ import annotations

import csv
import dataclasses
import io
import json
from pathlib import Path

import numpy as np
import pytest
import trimesh

import export_fixture
from guidecoat.check import CheckResult
from guidecoat.export import summary_of, write_check
from guidecoat.export.summary import write_summary
from guidecoat.export.tables import COLUMNS, harmless, plain_number, regions_csv
from guidecoat.export.vertex_fields import write_vertex_fields
from guidecoat.formats.ply import read_ply
from guidecoat.measuring.counts import PointCounts
from guidecoat.measuring.deviation import HELD, NOT_JUDGED
from guidecoat.pictures.colours import Scale, scale_for
from guidecoat.settings import load_settings

FILES = {
    "points.ply",
    "map.ply",
    "map.glb",
    "map.png",
    "regions.csv",
    "report.html",
    "summary.json",
}
SUMMARY_KEYS = {
    "guidecoat_version": None,
    "command": None,
    "input": {"file", "sha256", "points", "points_judged", "points_held", "dropped"},
    "units": {"value", "decided_by"},
    "outside": {"direction", "decided_by"},
    "verdict": None,
    "scan": {"spacing_mm", "noise_mm", "smallest_visible_mm", "smallest_visible_by"},
    "panel": {"length_mm", "width_mm", "area_cm2", "share_judged"},
    "surface": {"batten_mm", "batten_decided_by", "order", "creases"},
    "tolerance": {"height_mm", "slope_mrad"},
    "deviation": {"rms_mm", "min_mm", "max_mm", "share_in_tolerance"},
    "regions": None,
    "warnings": None,
    "cautions": None,
    "settings": None,
    "timings_s": None,
}


@pytest.fixture(scope="module")
def cloud_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("cloud")
    write_check(export_fixture.result(points=20_000), folder)
    return folder


def test_all_files_and_nothing_else(cloud_folder: Path) -> None:
    assert {p.name for p in cloud_folder.iterdir()} == FILES


def test_same_result_gives_same_bytes(cloud_folder: Path, tmp_path: Path) -> None:
    write_check(export_fixture.result(points=20_000), tmp_path)
    for name in FILES - {"summary.json"}:
        assert (tmp_path / name).read_bytes() == (cloud_folder / name).read_bytes(), name
    one, two = (json.loads((d / "summary.json").read_text()) for d in (tmp_path, cloud_folder))
    assert {k: one[k] for k in one if k != "timings_s"} == {
        k: two[k] for k in two if k != "timings_s"
    }


def write_points(path: Path, result: CheckResult, scale: Scale) -> None:
    fields = (("deviation", result.deviation.point_mm),)
    write_vertex_fields(path, result, scale, fields, comment="deviation in mm, high is +")


@pytest.mark.parametrize(
    ("float_type", "offset"), [("<f4", 0.0), ("<f8", 5.0e6), (">f8", 5.0e6), (">f4", 0.0)]
)
def test_points_keep_every_vertex_and_field(tmp_path: Path, float_type: str, offset: float) -> None:
    result = export_fixture.result(points=70_000, float_type=float_type, survey_offset=offset)
    scale = scale_for(export_fixture.HEIGHT_TOL_MM, result.regions)
    write_points(tmp_path / "points.ply", result, scale)
    read = read_ply(tmp_path / "points.ply")
    assert read.format == "binary_little_endian"
    assert read.vertices.dtype.names == (
        *("x", "y", "z", "red", "green", "blue", "deviation", "status"),
        *("intensity", "scan_line"),
    )
    for name in ("x", "y", "z", "intensity", "scan_line"):
        np.testing.assert_array_equal(read.vertices[name], result.scan.vertices[name])
        assert read.vertices.dtype[name] == result.scan.vertices.dtype[name].newbyteorder("=")
    np.testing.assert_array_equal(read.vertices["deviation"], result.deviation.point_mm)
    np.testing.assert_array_equal(read.vertices["status"], result.deviation.point_status)
    assert np.isnan(read.vertices["deviation"]).sum() > 1000


def test_points_load_in_another_reader(cloud_folder: Path) -> None:
    result = export_fixture.result(points=20_000)
    cloud = trimesh.load(cloud_folder / "points.ply")
    assert isinstance(cloud, trimesh.PointCloud)
    expected = np.column_stack([result.scan.vertices[a] for a in "xyz"])
    np.testing.assert_array_equal(np.asarray(cloud.vertices), expected)
    red, _, blue = np.asarray(cloud.colors)[:, :3].astype(int).T
    sound = ~np.isin(result.deviation.point_status, (HELD, NOT_JUDGED))
    high = sound & (result.deviation.point_mm > export_fixture.HEIGHT_TOL_MM)
    low = sound & (result.deviation.point_mm < -export_fixture.HEIGHT_TOL_MM)
    assert high.sum() > 50
    assert low.sum() > 50
    assert (red[high] > blue[high]).all()
    assert (red[low] < blue[low]).all()


def test_points_of_an_empty_field_list(tmp_path: Path) -> None:
    result = export_fixture.result(points=10)
    bare = result.scan.vertices[["x", "y", "z"]]
    result = dataclasses.replace(result, scan=dataclasses.replace(result.scan, vertices=bare))
    write_points(tmp_path / "p.ply", result, scale_for(0.3, ()))
    assert read_ply(tmp_path / "p.ply").vertices.dtype.names == (
        *("x", "y", "z", "red", "green", "blue", "deviation", "status"),
    )


def test_regions_csv_has_the_contract_columns(cloud_folder: Path) -> None:
    raw = (cloud_folder / "regions.csv").read_bytes()
    assert b"\r" not in raw
    rows = list(csv.DictReader(io.StringIO(raw.decode("utf-8"))))
    assert ",".join(rows[0]) == (
        "region,kind,verdict,peak_mm,uncertainty_mm,mean_mm,area_cm2,volume_cm3,length_mm,"
        "width_mm,max_slope_mrad,x,y,z,u_mm,v_mm,from_edges,action"
    )
    assert [r["region"] for r in rows] == ["H1", "H2", "L1", "R1"]
    assert rows[2]["peak_mm"] == "-1.2"
    assert rows[0]["uncertainty_mm"] == "0.0712"
    assert rows[0]["from_edges"] == "235 mm from edge C, 325 mm from edge D"


def test_csv_text_is_no_formula_and_nan_is_empty() -> None:
    region = export_fixture.result(points=10).regions[0]
    text = regions_csv(
        (dataclasses.replace(region, action='=cmd|"x"!A1', from_edges="@a, b", mean_mm=np.nan),)
    )
    row = next(csv.DictReader(io.StringIO(text)))
    assert row["action"] == '\'=cmd|"x"!A1'
    assert row["from_edges"] == "'@a, b"
    assert row["mean_mm"] == ""
    assert row["peak_mm"] == "0.84"
    assert [harmless(t) for t in ("+1", "-1", "\t=1", "a=1")] == ["'+1", "'-1", "'\t=1", "a=1"]
    assert [plain_number(x) for x in (1e-9, 5e6 + 0.25, -3.0)] == ["0", "5000000.25", "-3"]


def test_summary_has_the_contract_keys(cloud_folder: Path) -> None:
    summary = json.loads((cloud_folder / "summary.json").read_bytes())
    assert list(summary) == list(SUMMARY_KEYS)
    for key, inner in SUMMARY_KEYS.items():
        if inner is not None:
            assert set(summary[key]) == inner, key
    assert [list(r) for r in summary["regions"]] == [list(COLUMNS)] * 4
    assert summary["input"]["file"] == "pelham_300_door_left.ply"
    assert summary["outside"]["direction"] == [0.0, -1.0, 0.0]
    assert summary["settings"]["tolerance"]["height_mm"] == export_fixture.HEIGHT_TOL_MM
    stiffness = load_settings("metal").creases.hinge_stiffness
    assert stiffness < 1e-5
    assert summary["settings"]["creases"]["hinge_stiffness"] == stiffness
    # the planted deepest low and highest high, seen through cells with 0.012 mm noise
    assert summary["deviation"]["min_mm"] == pytest.approx(-1.2, abs=0.05)
    assert summary["deviation"]["max_mm"] == pytest.approx(0.84, abs=0.05)


def test_summary_rounds_and_never_writes_nan(tmp_path: Path) -> None:
    result = export_fixture.result(points=10)
    nothing = np.full(export_fixture.SHAPE, np.nan)
    result = dataclasses.replace(
        result,
        deviation=dataclasses.replace(result.deviation, cell_mm=nothing),
        smallest_visible_mm=float("inf"),
        points=PointCounts(0, 0, {}),
        area_cm2=1.23456789,
    )
    write_summary(tmp_path / "s.json", summary_of(result))
    text = (tmp_path / "s.json").read_text()
    assert "NaN" not in text
    assert "Infinity" not in text
    summary = json.loads(text)
    assert summary["deviation"]["rms_mm"] is None
    assert summary["scan"]["smallest_visible_mm"] is None
    assert summary["panel"]["area_cm2"] == 1.2346
    assert summary["input"]["points_judged"] == 0


def test_a_failed_picture_costs_only_itself(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object) -> bytes:
        raise ValueError("no font")

    monkeypatch.setattr("guidecoat.pictures.map_picture.map_png", broken)
    write_check(export_fixture.result(points=100), tmp_path)
    assert {p.name for p in tmp_path.iterdir()} == FILES - {"map.png"}
    warnings = json.loads((tmp_path / "summary.json").read_text())["warnings"]
    assert len(warnings) == 2
    assert "map.png could not be drawn (ValueError: no font)" in warnings[1]
    page = (tmp_path / "report.html").read_text()
    assert "no font" in page
    assert "<img" not in page


def test_an_unwritable_folder_is_an_os_error(tmp_path: Path) -> None:
    with pytest.raises(OSError, match="missing"):
        write_check(export_fixture.result(points=10), tmp_path / "missing")

"""The sample scans: read back by a library of others, and against what was planted."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh

from guidecoat.samples import Sample, sample_list, scan_sample, write_samples
from guidecoat.scans.scan import MM_PER_UNIT
from guidecoat.synthetic import Part, SyntheticScan, distance_to_form_mm

SAMPLES = sample_list()
SHIPPED = Path(__file__).parents[1] / "sample_scans"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("samples") / "new" / "folder"
    written = write_samples(folder)
    assert [path.name for path in written] == [
        name for sample in SAMPLES for name in (f"{sample.name}.ply", f"{sample.name}.truth.json")
    ]
    assert sorted(folder.iterdir()) == sorted(written)
    return folder


@pytest.fixture(scope="module", params=SAMPLES, ids=[sample.name for sample in SAMPLES])
def sample(request: pytest.FixtureRequest) -> Sample:
    assert isinstance(request.param, Sample)
    return request.param


@pytest.fixture(scope="module")
def scan(sample: Sample) -> SyntheticScan:
    return scan_sample(sample)


def test_shipped_samples_are_what_the_command_writes(folder: Path, sample: Sample) -> None:
    for ending in (".ply", ".truth.json"):
        name = sample.name + ending
        assert (SHIPPED / name).read_bytes() == (folder / name).read_bytes(), name


def test_shipped_samples_stay_small_and_are_described() -> None:
    files = [path for path in SHIPPED.iterdir() if path.is_file()]
    assert sum(path.stat().st_size for path in files) < 16_000_000
    about = (SHIPPED / "README.md").read_text(encoding="utf-8")
    scans = {path.stem for path in files if path.suffix == ".ply"}
    assert scans == {sample.name for sample in SAMPLES}
    for name in scans:
        assert f"`{name}.ply`" in about


def test_all_kinds_of_file_are_there(folder: Path) -> None:
    heads = {
        sample.name: (folder / f"{sample.name}.ply").read_bytes()[:700].split(b"end_header")[0]
        for sample in SAMPLES
    }
    for word in (b"format ascii", b"binary_big_endian", b"binary_little_endian", b"element face"):
        assert any(word in head for head in heads.values())
    assert any(b"property float nx" in head for head in heads.values())
    assert {sample.unit for sample in SAMPLES} == {"mm", "m"}
    assert any(not sample.defects for sample in SAMPLES)
    assert all(b"invented" in head for head in heads.values())


def test_another_reader_gets_the_points_back(
    folder: Path, sample: Sample, scan: SyntheticScan
) -> None:
    read: Any = trimesh.load(folder / f"{sample.name}.ply", process=False)
    points = np.asarray(read.vertices) * MM_PER_UNIT[sample.unit]
    # Rounded to 0.001 mm, then float32 of up to 2.5 m.
    np.testing.assert_allclose(points, scan.points_mm, atol=8e-4)
    if sample.mesh:
        np.testing.assert_array_equal(read.faces, scan.triangles)
        facing = np.einsum("ij,ij->i", read.face_normals, scan.normals[read.faces[:, 0]])
        assert np.mean(facing > 0.0) > 0.99
    if sample.normals:
        np.testing.assert_allclose(read.vertex_normals, scan.normals, atol=2e-4)


def test_the_truth_is_what_was_planted(folder: Path, sample: Sample, scan: SyntheticScan) -> None:
    truth = json.loads((folder / f"{sample.name}.truth.json").read_text(encoding="utf-8"))
    assert truth["points"] == len(scan.points_mm)
    assert truth["points_on"]["skin"] == np.sum(scan.part == Part.SKIN)
    assert sum(truth["points_on"].values()) == truth["points"]
    assert len(truth["defects"]) == len(sample.defects)
    for told, planted in zip(truth["defects"], sample.defects, strict=True):
        assert told["kind"] == planted.kind
        assert told["peak_mm"] == planted.peak_mm
        assert told["width_mm"] == planted.width_mm
        on_curve = 1.0 if told["kind"] != "edge ding" else 0.5
        assert told["volume_cm3"] == pytest.approx(on_curve * planted.volume_cm3, rel=0.1, abs=0.02)
        centre = np.array([told["x"], told["y"], told["z"]]) * MM_PER_UNIT[sample.unit]
        here = scan.place_mm(*(np.array([c]) for c in planted.centre_st))[0]
        np.testing.assert_allclose(centre, here, atol=1e-3)
    assert len(truth["creases"]) == len(sample.panel.creases)
    for told, crease in zip(truth["creases"], sample.panel.creases, strict=True):
        assert told["turn_mrad"] == pytest.approx(1000.0 * crease.turn_rad, abs=1e-3)
        line = np.array(told["line"]) * MM_PER_UNIT[sample.unit]
        assert np.abs(distance_to_form_mm(scan, line)).max() < 2e-3


def test_the_measured_points_near_a_planted_peak_stand_off_by_it(
    sample: Sample, scan: SyntheticScan
) -> None:
    for defect in sample.defects:
        s, t = scan.st_mm.T
        away = np.hypot(s - defect.centre_st[0], t - defect.centre_st[1])
        near = (away < 4.0) & (scan.part == Part.SKIN)
        assert near.sum() >= 3
        off = distance_to_form_mm(scan, scan.points_mm[near])
        # Means of a few points with noise, and 4 mm down the flank.
        assert off.mean() == pytest.approx(defect.peak_mm, abs=0.03 + 0.08 * abs(defect.peak_mm))


def test_defects_lie_clear_of_each_other_and_on_the_skin(sample: Sample) -> None:
    for k, defect in enumerate(sample.defects):
        edge = sample.panel.clearance_mm(*defect.centre_st)
        assert edge > defect.width_mm / 2.0 or defect.kind == "edge ding"
        for other in sample.defects[:k]:
            apart = np.subtract(defect.centre_st, other.centre_st)
            assert np.hypot(*apart) > 0.5 * (defect.width_mm + other.width_mm) + 20.0


def test_every_sample_has_its_share_of_what_scans_have(sample: Sample, scan: SyntheticScan) -> None:
    count = np.bincount(scan.part, minlength=len(Part))
    assert count[Part.FLYING] == sample.flying_points > 0
    assert count[Part.HEM] > 0.02 * count[Part.SKIN]
    assert sample.dropouts >= 3
    assert (count[Part.INNER_SKIN] > 1000) == sample.backings

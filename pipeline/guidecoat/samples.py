"""The sample scans: invented panels of a van that never was, each with its truth beside it."""

from __future__ import annotations

import json
from dataclasses import dataclass, fields, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from .formats.ply import write_ply
from .registration.rigid import small_motions
from .scans.scan import MM_PER_UNIT
from .synthetic import (
    Defect,
    Dimple,
    LongDent,
    Panel,
    Part,
    Ripple,
    SyntheticScan,
    TruthCrease,
    bonnet,
    crowned_door,
    planted_volume_cm3,
    real_door,
    scan_panel,
    wing,
)

SHOP = "Harrow Lane Coachworks"
VAN = "Pelham 300"
# Coarse enough that the last bits of a sine, which differ between machines, do not show.
_WRITTEN_TO_MM = 1e-3


@dataclass(frozen=True)
class Sample:
    """One sample scan: what is scanned, how, and how it is written."""

    name: str
    about: str
    panel: Panel
    defects: tuple[Defect, ...]
    seed: int
    spacing_mm: float
    noise_mm: float
    dropouts: int
    flying_points: int
    hem_mm: float
    format: str = "binary_little_endian"
    unit: str = "mm"
    normals: bool = False
    mesh: bool = False
    backings: bool = False
    mirrored: bool = False


def sample_list() -> tuple[Sample, ...]:
    """What `write_samples` writes, in that order."""
    return (*_doors(), _wing(), _bonnet(), *_hatch_passes(), *_flap_sides())


def _doors() -> tuple[Sample, Sample, Sample]:
    marks = (
        Dimple((-330.0, -130.0), -1.4, (95.0, 60.0), angle_rad=0.5),
        Dimple((-60.0, -190.0), 0.9, (50.0, 50.0)),
        Dimple((210.0, -60.0), -0.6, (24.0, 24.0), kind="gaussian"),
        LongDent((330.0, -210.0), -0.8, 190.0, 55.0, angle_rad=0.15),
        Dimple((-200.0, 225.0), 0.5, (40.0, 40.0)),
        Dimple((40.0, -340.0), -0.9, (30.0, 22.0), kind="edge ding"),
    )
    real_marks = (
        Dimple((-260.0, -400.0), -1.2, (70.0, 70.0)),
        Dimple((180.0, -360.0), 0.6, (45.0, 45.0)),
        Ripple((190.0, -520.0), 0.15, 60.0, 95.0, angle_rad=0.3),
        Dimple((-150.0, -75.0), -0.5, (35.0, 35.0)),
    )
    return (
        Sample(
            "pelham300_door_crowned",
            "front door skin with a soft crease and a handle opening, in filler",
            crowned_door(crease=True, handle=True),
            marks,
            seed=301,
            spacing_mm=2.2,
            noise_mm=0.05,
            dropouts=5,
            flying_points=250,
            hem_mm=3.0,
        ),
        Sample(
            "pelham300_door_sound",
            "rear door skin with a soft crease, nothing wrong with it",
            crowned_door(length_mm=900.0, width_mm=600.0, crown_mm=18.0, crease=True),
            (),
            seed=302,
            spacing_mm=2.5,
            noise_mm=0.04,
            dropouts=3,
            flying_points=80,
            hem_mm=2.5,
            format="ascii",
        ),
        Sample(
            "pelham300_door_real",
            "cab door: sharp body line, recess under it, step at the belt, window frame of "
            "narrow strips, inner skins behind the window",
            real_door(),
            real_marks,
            seed=303,
            spacing_mm=2.2,
            noise_mm=0.04,
            dropouts=4,
            flying_points=250,
            hem_mm=3.0,
            format="binary_big_endian",
            backings=True,
        ),
    )


def _wing() -> Sample:
    marks = (
        Dimple((-190.0, 120.0), -1.0, (75.0, 55.0), angle_rad=-0.4),
        Dimple((150.0, 60.0), 0.6, (45.0, 45.0)),
        Dimple((290.0, 190.0), -0.5, (22.0, 22.0), kind="gaussian"),
        Dimple((330.0, -120.0), -0.8, (50.0, 50.0)),
    )
    return Sample(
        "pelham300_wing",
        "front wing that wraps from the arch to the bonnet gap, a mesh with normals",
        wing(),
        marks,
        seed=304,
        spacing_mm=2.5,
        noise_mm=0.05,
        dropouts=3,
        flying_points=60,
        hem_mm=3.0,
        normals=True,
        mesh=True,
    )


def _bonnet() -> Sample:
    marks = (
        Dimple((-250.0, 20.0), -1.5, (100.0, 80.0), angle_rad=0.9),
        Dimple((220.0, -40.0), 0.7, (55.0, 55.0)),
        Dimple((80.0, 400.0), -0.9, (60.0, 60.0)),
        LongDent((-150.0, -420.0), -0.7, 220.0, 60.0, angle_rad=1.2),
        Ripple((420.0, 30.0), 0.15, 70.0, 90.0, angle_rad=1.1),
    )
    return Sample(
        "pelham300_bonnet",
        "bonnet with two creases that draw together, in metres",
        bonnet(),
        marks,
        seed=305,
        spacing_mm=2.5,
        noise_mm=0.06,
        dropouts=6,
        flying_points=300,
        hem_mm=5.0,
        unit="m",
    )


def _hatch_passes() -> tuple[Sample, ...]:
    """One panel three times: bare metal, filled too much in places, and blocked again."""
    deep, shallow, high, late = (-140.0, -70.0), (60.0, 40.0), (190.0, -90.0), (-60.0, 60.0)
    beaten = (
        Dimple(deep, -1.4, (70.0, 50.0)),
        Dimple(shallow, -0.7, (40.0, 40.0)),
        Dimple(high, 0.8, (45.0, 45.0)),
    )
    filled = (
        Dimple(deep, 0.6, (80.0, 60.0)),
        Dimple(shallow, -0.1, (30.0, 30.0)),
        Dimple(high, 0.8, (45.0, 45.0)),
        Dimple(late, 0.5, (40.0, 40.0)),
    )
    blocked = (
        Dimple(deep, 0.1, (60.0, 45.0)),
        Dimple(shallow, -0.1, (30.0, 30.0)),
        Dimple(high, 0.35, (45.0, 45.0)),
        Dimple(late, 0.05, (40.0, 40.0)),
    )
    stages = (
        ("metal", "bare metal, beaten out roughly", beaten),
        ("filler_1", "the same with filler, not blocked enough", filled),
        ("filler_2", "the same, blocked again and one high tapped down", blocked),
    )
    panel = crowned_door(
        length_mm=620.0,
        width_mm=420.0,
        crown_mm=12.0,
        twist_mm=3.0,
        crease=True,
        crease_t_mm=120.0,
    )
    return tuple(
        _small(f"pelham300_hatch_{stage}", f"side hatch, {about}", panel, marks, seed=311 + k)
        for k, (stage, about, marks) in enumerate(stages)
    )


def _flap_sides() -> tuple[Sample, ...]:
    """A panel and its counterpart; the right one has a dent longer than any batten follows."""
    left = (Dimple((120.0, 80.0), 0.6, (45.0, 45.0)),)
    right = (
        Dimple((0.0, 0.0), -1.2, (215.0, 125.0)),
        Dimple((235.0, -135.0), -0.6, (38.0, 38.0)),
    )
    panel = crowned_door(length_mm=620.0, width_mm=420.0, crown_mm=12.0, twist_mm=3.0)
    one = _small("pelham300_flap_left", "left side flap", panel, left, seed=321)
    other = _small("pelham300_flap_right", "right side flap", panel, right, seed=322)
    return one, replace(other, mirrored=True)


def _small(name: str, about: str, panel: Panel, marks: tuple[Defect, ...], *, seed: int) -> Sample:
    return Sample(
        name,
        about,
        panel,
        marks,
        seed=seed,
        spacing_mm=3.0,
        noise_mm=0.05,
        dropouts=3,
        flying_points=60,
        hem_mm=2.5,
    )


def write_samples(folder: str | Path) -> tuple[Path, ...]:
    """Write every sample scan and its truth into a folder, made if it is not there.

    Returns
    -------
    tuple of Path
        `<name>.ply` and `<name>.truth.json` of each sample, in the order of `sample_list`.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    written: list[Path] = []
    for sample in sample_list():
        scan = scan_sample(sample)
        cloud, truth = folder / f"{sample.name}.ply", folder / f"{sample.name}.truth.json"
        write_ply(
            cloud,
            _rows(sample, scan),
            faces=scan.triangles,
            format=sample.format,
            comments=(f"invented: {VAN}, {sample.about}", f"{SHOP}, which does not exist"),
        )
        text = json.dumps(_truth(sample, scan), indent=1, ensure_ascii=False)
        truth.write_text(text + "\n", encoding="utf-8", newline="\n")
        written += [cloud, truth]
    return tuple(written)


def scan_sample(sample: Sample) -> SyntheticScan:
    """Scan one sample's panel."""
    return scan_panel(
        sample.panel,
        sample.defects,
        spacing_mm=sample.spacing_mm,
        noise_mm=sample.noise_mm,
        seed=sample.seed,
        noise_way="along normal",
        dropouts=sample.dropouts,
        flying_points=sample.flying_points,
        hem_mm=sample.hem_mm,
        backings=sample.backings,
        triangles=sample.mesh,
        pose=_mirrored_pose(sample.seed) if sample.mirrored else None,
    )


def _mirrored_pose(seed: int) -> NDArray[np.float64]:
    """(4, 4) of determinant -1, T_scan_panel: the panel's counterpart, turned and put anywhere."""
    rng = np.random.default_rng(seed)
    pose = small_motions(
        np.concatenate([rng.uniform(-1.5, 1.5, 3), rng.uniform(-1e3, 1e3, 3)])[None]
    )
    return np.asarray(pose[0] @ np.diag([-1.0, 1.0, 1.0, 1.0]))


def _rows(sample: Sample, scan: SyntheticScan) -> NDArray[np.void]:
    names = ["x", "y", "z", *(["nx", "ny", "nz"] if sample.normals else [])]
    rows = np.empty(len(scan.points_mm), dtype=[(name, np.float32) for name in names])
    rounded = np.round(scan.points_mm / _WRITTEN_TO_MM) * _WRITTEN_TO_MM
    for column, axis in enumerate("xyz"):
        rows[axis] = rounded[:, column] / MM_PER_UNIT[sample.unit]
        if sample.normals:
            rows[f"n{axis}"] = np.round(scan.normals[:, column], 4)
    return rows


# The truth file is open JSON for people and scripts, so its records are plain objects here.
Json = dict[str, object]


def _truth(sample: Sample, scan: SyntheticScan) -> Json:
    parts = np.bincount(scan.part, minlength=len(Part))
    centre = np.array([float(np.mean(sample.panel.extent_mm[k : k + 2])) for k in (0, 2)])
    return {
        "about": f"Invented: {VAN} of {SHOP}, {sample.about}. Lengths in mm and angles in mrad "
        "unless a name says otherwise; x, y, z in the scan's own units and frame; "
        "high is +, low is -.",
        "file": f"{sample.name}.ply",
        "unit": sample.unit,
        "points": len(scan.points_mm),
        "points_on": {part.name.lower().replace("_", " "): int(parts[part]) for part in Part},
        "spacing_mm": sample.spacing_mm,
        "noise_mm": sample.noise_mm,
        "form": {
            "shape": sample.panel.name,
            "extent_mm": _numbers(sample.panel.extent_mm),
            "outside": _numbers(scan.outside_at(centre[0], centre[1])[0], 6),
            "T_scan_panel_mm": [_numbers(row, 9) for row in scan.T_scan_panel],
        },
        "defects": [_defect(sample, scan, defect) for defect in sample.defects],
        "creases": [_crease(sample, scan, crease) for crease in sample.panel.creases],
    }


def _defect(sample: Sample, scan: SyntheticScan, defect: Defect) -> Json:
    s, t = (np.array([c]) for c in defect.centre_st)
    x, y, z = _in_unit(sample, scan.place_mm(s, t))[0]
    shape = {
        field.name: _plain(getattr(defect, field.name))
        for field in fields(defect)
        if field.name not in ("kind", "peak_mm", "centre_st")
    }
    return {
        "kind": defect.kind,
        "peak_mm": defect.peak_mm,
        "x": x,
        "y": y,
        "z": z,
        "s_mm": defect.centre_st[0],
        "t_mm": defect.centre_st[1],
        "width_mm": defect.width_mm,
        "volume_cm3": round(planted_volume_cm3(sample.panel, defect), 4),
        "max_slope_mrad": round(defect.max_slope_mrad, 3),
        "shape": shape,
    }


def _crease(sample: Sample, scan: SyntheticScan, crease: TruthCrease) -> Json:
    line = _in_unit(sample, scan.place_mm(*crease.line_st.T))
    return {
        "name": crease.name,
        "kind": crease.kind,
        "turn_mrad": round(1000.0 * crease.turn_rad, 3),
        "width_mm": round(crease.width_mm, 3),
        "drop_mm": crease.drop_mm,
        "line": line,
    }


def _in_unit(sample: Sample, points_mm: NDArray[np.float64]) -> list[list[float]]:
    """Points in the sample's own unit, to a micrometre."""
    digits = 6 if sample.unit == "m" else 3
    return [_numbers(row, digits) for row in points_mm / MM_PER_UNIT[sample.unit]]


def _numbers(values: NDArray[np.float64] | tuple[float, ...], digits: int = 4) -> list[float]:
    return [round(float(value), digits) for value in values]


def _plain(value: float | tuple[float, ...]) -> float | list[float]:
    return list(value) if isinstance(value, tuple) else value

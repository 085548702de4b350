"""A measured scene that nobody here made: scikit-image's stereo picture of a garage.

The disparities are measured (structured light), with real holes, real edges and a vehicle. Depth is
baseline times focal length over disparity plus the offset of the picture centres: 193.001 mm,
994.978 and 31.086 pixels, from the calibration published with the scene (D. Scharstein et al.,
High-resolution stereo datasets with subpixel-accurate ground truth, GCPR 2014, at a quarter of its
size). Read as a scan it is coarse, 2 to 5 mm, and noisy, 0.1 to 0.5 mm.
"""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.interpolate import RBFInterpolator
from scipy.ndimage import distance_transform_edt

from guidecoat.check import check
from guidecoat.errors import ScanUnfitError
from guidecoat.scans.scan import Scan
from guidecoat.scans.scan_io import read_scan
from guidecoat.settings import load_settings

Floats = NDArray[np.float64]
FLOOR = np.s_[400:490, 20:230]
TANK = np.s_[175:238, 400:500]


def scene_mm() -> Floats:
    """(500, 741, 3) points, NaN where nothing was measured; y is up, z towards the camera."""
    found = importlib.util.find_spec("skimage")
    assert found is not None
    assert found.origin is not None
    with np.load(Path(found.origin).parent / "data" / "motorcycle_disp.npz") as file:
        disparity = file["arr_0"].astype(np.float64)
    disparity[disparity <= 0.0] = np.nan
    depth = 193.001 * 994.978 / (disparity + 31.086)
    row, column = np.indices(depth.shape)
    x, y = (column - 370.0) * depth / 994.978, (250.0 - row) * depth / 994.978
    points = np.stack([x, y, -depth], axis=-1)
    points[~np.isfinite(depth)] = np.nan
    return points


def write(path: Path, points: Floats) -> Scan:
    known = points.reshape(-1, 3)
    known = known[np.isfinite(known).all(axis=1)]
    np.savetxt(path, known, fmt="%.4f")
    return read_scan(path, units="mm")


def test_on_a_concrete_floor_it_finds_what_a_thin_plate_finds(tmp_path: Path) -> None:
    """scipy's thin plate, smoothed alike (8 pi lambda), on the same averages: one energy bends at
    the second derivative and weighs all points, the other at the third and leaves marks out, so
    the two agree in what stands out, not cell by cell.
    """
    settings = load_settings("metal", overrides={"outside": "+y"})
    result = check(write(tmp_path / "floor.xyz", scene_mm()[FLOOR]), settings)
    cells, off = result.cells, result.deviation.cell_mm
    judged = np.isfinite(off)
    u, v, h = cells.u_mm[cells.filled], cells.v_mm[cells.filled], cells.height_mm[cells.filled]
    batten, side = result.surface.batten_mm, cells.grid.cell_mm
    smoothing = 8.0 * np.pi * (batten / (2.0 * np.pi)) ** 4 / side**2
    plate = RBFInterpolator(
        np.column_stack([u, v]), h, kernel="thin_plate_spline", smoothing=smoothing
    )
    theirs = np.zeros(off.shape)
    theirs[cells.filled] = h - plate(np.column_stack([u, v]))
    ours = np.where(judged, off, 0.0)
    # Near its rim a plate that nothing holds gives way.
    inside = distance_transform_edt(judged) * side > 40.0
    assert np.corrcoef(ours[inside], theirs[inside])[0, 1] > 0.7
    high = next(region for region in result.regions if region.kind == "high")
    assert high.length_mm > 300.0
    assert (theirs[inside & high.core] > 0.0).mean() > 0.9


def test_a_fuel_tank_is_refused_for_its_form(tmp_path: Path) -> None:
    settings = load_settings("metal", overrides={"outside": "+z"})
    points = scene_mm()[TANK].copy()
    points[points[..., 2] < -2400.0] = np.nan
    with pytest.raises(
        ScanUnfitError,
        match=r"more form than one surface holds|form turns tighter than the batten follows",
    ):
        check(write(tmp_path / "tank.xyz", points), settings)


@pytest.mark.parametrize("tolerance_mm", [0.5, 2.0])
def test_the_whole_garage_is_called_no_panel(tolerance_mm: float, tmp_path: Path) -> None:
    settings = {"outside": "+z", "tolerance.height_mm": tolerance_mm}
    result = check(
        write(tmp_path / "garage.xyz", scene_mm()), load_settings("metal", overrides=settings)
    )
    assert any("may be more than one panel, or none" in said for said in result.warnings)
    assert result.verdict == "undecided"
    assert {region.verdict for region in result.regions} == {"undecided"}

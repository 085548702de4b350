"""Units: guessed where one fits, asked for where several do."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from guidecoat.compare.reading import read_alike
from guidecoat.errors import ScanUnfitError, SettingsError, UnitsError
from guidecoat.scans.scan import MM_PER_UNIT
from guidecoat.scans.units import decide_units, require_on_scan, require_possible
from guidecoat.settings import load_settings


@pytest.mark.parametrize("unit", ["mm", "m"])
def test_a_door_is_told_in_either_unit(unit: str) -> None:
    factor = MM_PER_UNIT[unit]
    decided = decide_units((1150 / factor, 680 / factor, 22 / factor), 0.5 / factor)
    assert (decided.value, decided.mm_per_unit) == (unit, factor)
    assert decided.decided_by == "from its extent: 1150 x 680 mm"


def test_cm_and_inches_are_told_where_the_spacing_rules_one_out() -> None:
    # 60 units 0.15 apart are 600 mm and 1.5 mm in cm, 1524 mm and 3.8 mm in inches.
    assert decide_units((60.0, 40.0, 3.0), 0.15).value == "cm"
    # 25 units 0.009 apart are 250 mm and 0.09 mm in cm, 635 mm and 0.23 mm in inches.
    assert decide_units((25.0, 20.0, 1.0), 0.009).value == "in"


def test_typical_goes_before_possible() -> None:
    # 310 units 0.4 apart are typical in mm; in cm, 3100 mm and 4 mm, they are merely possible.
    assert decide_units((310.0, 200.0, 9.0), 0.4).value == "mm"


def test_possible_alone_is_taken() -> None:
    # 3.7 m long, points 1 mm apart: typical of nothing, possible in metres alone.
    decided = decide_units((3.7, 2.0, 0.3), 0.001)
    assert decided.value == "m"


def test_a_coarse_mesh_is_judged_by_its_extent() -> None:
    assert decide_units((1.2, 0.9, 0.1), 0.09).value == "m"
    assert decide_units((1200.0, 900.0, 100.0), float("nan")).value == "mm"


def test_several_units_say_what_to_type_for_each() -> None:
    with pytest.raises(ScanUnfitError, match="units ambiguous") as caught:
        decide_units((115.0, 68.0, 2.0), 0.05)
    message = str(caught.value)
    assert "--units cm if the panel is about 1150 x 680 mm" in message
    assert "--units in if the panel is about 2920 x 1730 mm" in message
    assert "--units mm" not in message


@pytest.mark.parametrize(
    ("side", "spacing", "units"),
    [
        (180.0, 0.2, {"mm": "180 x 120", "cm": "1800 x 1200"}),
        (24.0, 0.04, {"cm": "240 x 160", "in": "610 x 406"}),
        # A door in inches, its points 2.3 mm apart, is no flap in centimetres.
        (41.1, 0.09, {"cm": "411 x 274", "in": "1040 x 696"}),
    ],
)
def test_a_small_part_is_not_taken_for_a_large_panel(
    side: float, spacing: float, units: dict[str, str]
) -> None:
    with pytest.raises(ScanUnfitError, match="units ambiguous") as caught:
        decide_units((side, side / 1.5, side / 50), spacing)
    for unit, size in units.items():
        assert f"--units {unit} if the panel is about {size} mm" in str(caught.value)
    assert str(caught.value).count("--units") == len(units)


@pytest.mark.parametrize("side", [1e-9, 1e-3, 1e5, 1e12])
def test_no_unit_fits(side: float) -> None:
    with pytest.raises(ScanUnfitError, match=r"units unknown.*--units.*--known-length"):
        decide_units((side, side / 2, side / 50), side / 1000)


@pytest.mark.parametrize("unit", list(MM_PER_UNIT))
def test_the_user_decides(unit: str) -> None:
    decided = decide_units((1e9, 1e9, 1.0), 1.0, asked=unit)
    assert (decided.value, decided.mm_per_unit) == (unit, MM_PER_UNIT[unit])
    assert unit in decided.decided_by


def test_unknown_unit() -> None:
    with pytest.raises(
        SettingsError, match="units 'ft' unknown, choose one of auto, mm, cm, m, in"
    ):
        decide_units((1.0, 1.0, 0.1), 0.1, asked="ft")


def test_a_known_length_scales() -> None:
    # 3-4-5: 5 file units are 250 mm.
    known = ((1.0, 1.0, 1.0), (4.0, 5.0, 1.0), 250.0)
    decided = decide_units((20.0, 12.0, 1.0), 0.01, known_length=known)
    assert decided.value == "scaled"
    assert decided.mm_per_unit == pytest.approx(50.0, rel=1e-15)
    assert decided.decided_by == "from a known length: 5 units are 250 mm"


@pytest.mark.parametrize("asked", list(MM_PER_UNIT))
def test_a_known_length_and_a_unit_contradict(asked: str) -> None:
    known = ((0.0, 0.0, 0.0), (1.0, 0.0, 0.0), 1000.0)
    with pytest.raises(SettingsError, match=rf'--known-length and units = "{asked}".*use one'):
        decide_units((1.15, 0.68, 0.02), 0.001, asked=asked, known_length=known)


@pytest.mark.parametrize(
    ("mm_per_unit", "side", "allowed"),
    [
        (1.0, 1000.0, 30.0),  # 3 % of the side
        (1.0, 300.0, 20.0),  # 20 mm
        (1000.0, 0.3, 0.02),  # the same in metres
        (0.001, 300.0, 30.0),  # by a scale that makes 20 mm of the whole panel: 10 % of the side
    ],
)
def test_how_far_a_known_length_may_lie_off(
    mm_per_unit: float, side: float, allowed: float
) -> None:
    known = ((1.0, 2.0, 3.0), (4.0, 5.0, 6.0), 100.0)
    require_on_scan(known, (0.999 * allowed, 0.0), side, mm_per_unit)
    with pytest.raises(SettingsError, match=r"the point 4, 5, 6 lies .* off the nearest"):
        require_on_scan(known, (0.0, 1.001 * allowed), side, mm_per_unit)


@pytest.mark.parametrize("length", [0.0, -3.0, float("nan"), float("inf")])
def test_a_known_length_that_is_none(length: float) -> None:
    with pytest.raises(SettingsError, match="must be more than 0"):
        decide_units((1.0, 1.0, 0.1), 0.1, known_length=((0, 0, 0), (1, 0, 0), length))


@pytest.mark.parametrize("end", [(1.0, 2.0, 3.0), (float("nan"), 0.0, 0.0)])
def test_a_known_length_between_no_two_points(end: tuple[float, float, float]) -> None:
    with pytest.raises(SettingsError, match="they must differ"):
        decide_units((1.0, 1.0, 0.1), 0.1, known_length=((1.0, 2.0, 3.0), end, 100.0))


@pytest.mark.parametrize(("side", "unit"), [(1150.0, "m"), (1150.0, "in"), (1.15, "mm")])
def test_a_unit_that_makes_no_vehicle_is_refused(side: float, unit: str) -> None:
    with pytest.raises(ScanUnfitError, match=rf"door.ply: --units {unit} makes .* Say"):
        require_possible((side, 0.6 * side, 0.1 * side), unit, file="door.ply")


def test_another_scan_of_the_panel_settles_what_one_leaves_open() -> None:
    """120 x 80 units with points 0.3 apart: a lid in mm, or a side in cm."""
    extent, spacing = (120.0, 80.0, 3.0), 0.3
    with pytest.raises(UnitsError):
        decide_units(extent, spacing)
    decided = decide_units(extent, spacing, like_mm=1150.0)
    assert decided.value == "cm"
    assert decided.decided_by == "from the other scan's size: 1200 x 800 mm"
    with pytest.raises(UnitsError):
        decide_units(extent, spacing, like_mm=500.0)


def test_of_two_scans_one_tells_the_units_of_the_other(tmp_path: Path) -> None:
    u, v = np.meshgrid(np.linspace(0.0, 1000.0, 401), np.linspace(0.0, 680.0, 273))
    points = np.column_stack([u.ravel(), v.ravel(), 1e-4 * (u.ravel() - 500.0) ** 2])
    metric, inches = tmp_path / "before.xyz", tmp_path / "after.xyz"
    np.savetxt(metric, points)
    np.savetxt(inches, points / 25.4)
    settings = load_settings("filler")
    with pytest.raises(UnitsError, match=r"after\.xyz: units ambiguous"):
        read_alike((inches,), settings)
    for paths in ((metric, inches), (inches, metric)):
        scans = dict(zip(paths, read_alike(paths, settings), strict=True))
        assert scans[inches].units.value == "in"
        assert scans[metric].units.value == "mm"

"""A scan whose scale is wrong is named; a panel that changed, bent or is half seen is not."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from guidecoat.registration import RegistrationSettings
from guidecoat.registration.placing import settled
from guidecoat.registration.sizes import size_of, size_words_of
from guidecoat.registration.surfels import Surfels, make_surfels
from guidecoat.synthetic import Defect, Dimple, Panel, Part, crowned_door, scan_panel
from pair_fixture import BUILD, DENT, HIGH, PANEL

Array = NDArray[np.float64]
SETTINGS = RegistrationSettings()
CELL_MM = 8.0
NOISE_MM = 0.02
NAMES = ("later", "first")


def cells(points: Array) -> Surfels:
    return make_surfels(points, None, CELL_MM)


def skin(defects: tuple[Defect, ...] = (), *, seed: int, panel: Panel = PANEL) -> Array:
    """Points of a panel in its own frame."""
    truth = scan_panel(
        panel, defects, spacing_mm=2.0, noise_mm=0.05, seed=seed, hem_mm=3.0, pose=np.eye(4)
    )
    return truth.points_mm[truth.part == Part.SKIN]


def words_on(one: Array, two: Array) -> str:
    """What is said of the size of scans that are settled on each other as they lie."""
    scans = cells(one), cells(two)
    fit = settled(*scans, np.eye(4), SETTINGS, reach_mm=4.0)
    return size_words_of(scans, fit, NOISE_MM, NAMES, SETTINGS)


@pytest.mark.parametrize("factor", [0.985, 0.996, 1.004, 1.015])
def test_a_wrong_scale_is_named(factor: float) -> None:
    one, two = skin((DENT, BUILD), seed=2), skin((DENT,), seed=1)
    middle = one.mean(0)
    one = middle + factor * (one - middle)
    scans = cells(one), cells(two)
    fit = settled(*scans, np.eye(4), SETTINGS, reach_mm=4.0)
    size = size_of(scans, fit, NOISE_MM, SETTINGS)
    assert size is not None
    assert size.told
    assert size.factor * factor == pytest.approx(1.0, abs=3e-4)
    words = size_words_of(scans, fit, NOISE_MM, NAMES, SETTINGS)
    assert words.startswith("later is larger" if factor > 1.0 else "first is larger")
    assert "--known-length" in words


def bent(points: Array, sag_mm: float) -> Array:
    """Bowed along its length, as a panel that is held elsewhere."""
    out = points.copy()
    out[:, 2] += sag_mm * (1.0 - (points[:, 0] / 300.0) ** 2)
    return out


BROAD = Dimple((-200.0, 0.0), 1.6, (320.0, 900.0))
SKIM = Dimple((60.0, 40.0), 0.9, (2000.0, 1500.0))
FLATTER = crowned_door(length_mm=600.0, width_mm=400.0, crown_mm=10.0, twist_mm=3.0)
TWISTED = crowned_door(length_mm=600.0, width_mm=400.0, crown_mm=13.0, twist_mm=7.0)
LONGER = crowned_door(length_mm=606.0, width_mm=400.0, crown_mm=13.0, twist_mm=3.0)


RIGHT: dict[str, Callable[[], Array]] = {
    "filled": lambda: skin((DENT, HIGH, BUILD), seed=2),
    "filled over most of it": lambda: skin((BROAD,), seed=2),
    "skimmed": lambda: skin((SKIM,), seed=2),
    "bowed up": lambda: bent(skin(seed=2), 0.8),
    "bowed down": lambda: bent(skin(seed=2), -2.0),
    "flatter": lambda: skin(seed=2, panel=FLATTER),
    "longer": lambda: skin(seed=2, panel=LONGER),
    "of another form": lambda: skin(seed=2, panel=TWISTED),
    "half seen": lambda: within(skin(seed=2), lambda x, y: x < 180.0 + 12.0 * np.sin(y / 40.0)),
    "cut short": lambda: within(skin(seed=2), lambda x, y: (np.abs(x) < 285.0) & (y > -170.0)),
    "of few points": lambda: skin(seed=2)[::6],
}


def within(points: Array, seen_at: Callable[[Array, Array], NDArray[np.bool_]]) -> Array:
    return points[seen_at(points[:, 0], points[:, 1])]


@pytest.mark.parametrize("name", RIGHT)
def test_a_right_scan_is_never_blamed(name: str) -> None:
    assert words_on(RIGHT[name](), skin(seed=1)) == ""

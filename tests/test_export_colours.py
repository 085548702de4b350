"""The colour scale: neutral in tolerance, orange up, violet down, darker the further off."""

from __future__ import annotations

from itertools import pairwise

import matplotlib
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from guidecoat.measuring.deviation import HELD, NOT_JUDGED
from guidecoat.pictures.colours import (
    HIGH_COLOURS,
    LOW_COLOURS,
    NEUTRAL,
    band_colours,
    rgb,
    scale_to,
)


def lightness(colours: np.ndarray) -> np.ndarray:
    """CIE L* of sRGB (IEC 61966-2-1, D65)."""
    s = np.asarray(colours) / 255.0
    linear = np.where(s <= 0.04045, s / 12.92, ((s + 0.055) / 1.055) ** 2.4)
    y = linear @ np.array([0.2126, 0.7152, 0.0722])
    return np.where(y > 0.008856, 116.0 * np.cbrt(y) - 16.0, 903.3 * y)


def test_colours_are_the_published_scheme() -> None:
    """Against matplotlib's copy of ColorBrewer's PuOr, whose ends are the scheme's own."""
    published = matplotlib.colormaps["PuOr"](np.linspace(0.0, 1.0, 11), bytes=True)[:, :3]
    ours = [rgb(c) for c in (*reversed(HIGH_COLOURS), NEUTRAL, *LOW_COLOURS)]
    # matplotlib interpolates between the eleven classes, so it is off by a count or two
    np.testing.assert_allclose(np.array(ours), published.astype(int), rtol=0, atol=2)


@given(st.floats(0.01, 5.0), st.floats(1.0, 40.0))
def test_bands_start_at_the_tolerance_and_rise(tolerance: float, times: float) -> None:
    largest = max(times, 3.0) * tolerance
    levels = scale_to(tolerance, largest).levels_mm
    assert levels[0] == tolerance
    assert len(levels) in (2, 3, 4, 5)
    assert all(a < b for a, b in pairwise(levels))
    assert levels[-1] < largest


@pytest.mark.parametrize(
    ("tolerance", "largest", "levels"),
    [
        (0.3, 1.2, (0.3, 0.6, 0.8, 1.0)),
        (0.5, 2.44, (0.5, 1.0, 1.5, 2.0)),
        (0.15, 0.45, (0.15, 0.3, 0.4)),
    ],
)
def test_band_edges_are_round_millimetres(
    tolerance: float, largest: float, levels: tuple[float, ...]
) -> None:
    assert scale_to(tolerance, largest).levels_mm == pytest.approx(levels, abs=1e-12)


def test_table_agrees_with_the_band_edges() -> None:
    scale = scale_to(0.3, 1.2)
    values = np.linspace(-3.0, 3.0, 60_001).astype(np.float32)
    band = np.searchsorted(scale.levels_mm, np.abs(values), side="right")
    highs = np.array([rgb(c) for c in (NEUTRAL, *band_colours(4, high=True))])
    lows = np.array([rgb(c) for c in (NEUTRAL, *band_colours(4, high=False))])
    expected = np.where((values > 0)[:, None], highs[band], lows[band])
    found = scale.colours(values, np.zeros(len(values), np.uint8))
    edge = np.abs(np.abs(values)[:, None] - np.array(scale.levels_mm)).min(axis=1) < 0.001
    np.testing.assert_array_equal(found[~edge], expected[~edge])


def test_darker_the_further_off_so_that_it_reads_without_colour() -> None:
    for high in (True, False):
        bands = [rgb(NEUTRAL), *(rgb(c) for c in band_colours(5, high=high))]
        assert (np.diff(lightness(np.array(bands))) < -5.0).all()


def test_greys_and_nan() -> None:
    scale = scale_to(0.3, 1.2)
    values = np.array([np.nan, 2.0, 2.0, np.nan, np.inf, -np.inf], np.float32)
    status = np.array([0, NOT_JUDGED, HELD, HELD, 1, 2], np.uint8)
    with np.errstate(all="raise"):
        found = [tuple(c) for c in scale.colours(values, status).tolist()]
    judged_not, held = rgb("#bdbdbd"), rgb("#969696")
    deepest = rgb(HIGH_COLOURS[-1]), rgb(LOW_COLOURS[-1])
    assert found == [judged_not, judged_not, held, judged_not, *deepest]


def test_input_is_not_changed_and_shape_is_kept() -> None:
    values = np.array([[0.1, 0.9], [-0.9, np.nan]])
    before = values.copy()
    assert scale_to(0.3, 1.2).colours(values, np.zeros((2, 2), np.uint8)).shape == (2, 2, 3)
    np.testing.assert_array_equal(values, before)

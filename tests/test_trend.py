"""The trend of a face: what it reproduces, what it keeps off, what it is for."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from guidecoat.numerics.spline import SplineSpace, energy_band, solve
from guidecoat.surface.trend import Fold, Trend, trend_of

Floats = NDArray[np.float64]

KNOT_MM = 12.0
BATTEN_MM = 200.0
LENGTH_MM, WIDTH_MM = 800.0, 600.0


def face(seed: int = 0, count: int = 12_000) -> tuple[SplineSpace, Floats]:
    """An oblong face's spline space and scattered places on it."""
    spans = (int(LENGTH_MM / KNOT_MM) + 4, int(WIDTH_MM / KNOT_MM) + 4)
    corner = -0.5 * KNOT_MM * np.array(spans)
    space = SplineSpace.build(float(corner[0]), float(corner[1]), KNOT_MM, np.ones(spans, bool))
    half = 0.5 * np.array([LENGTH_MM, WIDTH_MM])
    return space, np.random.default_rng(seed).uniform(-half, half, (count, 2))


def trended(
    lines: list[Floats] | None = None, *, rich: bool = False
) -> tuple[SplineSpace, Floats, Trend]:
    space, uv = face()
    folds = [Fold(line) for line in lines or []]
    return space, uv, replace(trend_of(space, space.rows(*uv.T), uv, folds), rich=rich)


@pytest.mark.parametrize("rich", [False, True])
@pytest.mark.parametrize("powers", [(5, 0), (0, 5), (3, 2), (1, 4), (2, 2), (0, 0)])
def test_polynomials_of_the_fifth_degree_are_taken_off(powers: tuple[int, int], rich: bool) -> None:
    space, uv, trend = trended(rich=rich)
    x, y = (uv / 400.0).T
    height = 15.0 * x ** powers[0] * y ** powers[1]
    found = trend.fit(height, np.ones(len(uv)), batten_mm=BATTEN_MM)
    # Of a fifth power a cubic spline on knots h apart misses up to h^4 f'''' / 384.
    assert np.abs(space.rows(*uv.T) @ found - height).max() < 2e-5


def bent_section(y: Floats) -> Floats:
    """Heights of a section whose radius goes from 230 mm to 800 mm and back."""
    even = np.linspace(-0.5 * WIDTH_MM, 0.5 * WIDTH_MM, 4001)
    bend = 1.0 / 800.0 + (1.0 / 230.0 - 1.0 / 800.0) * np.exp(-0.5 * (even / 110.0) ** 2)
    angle = np.cumsum(bend - bend.mean()) * (even[1] - even[0])
    return np.interp(y, even, np.cumsum(angle) * (even[1] - even[0]))


def test_high_degrees_follow_form_that_is_none_of_the_fifth() -> None:
    space, uv, plain = trended()
    height, weight = bent_section(uv[:, 1]), np.ones(len(uv))
    rich = plain.enriched(height, weight, batten_mm=BATTEN_MM, near_mm=0.1)
    left = [
        float(np.std(space.rows(*uv.T) @ trend.fit(height, weight, batten_mm=BATTEN_MM) - height))
        for trend in (plain, rich)
    ]
    assert left[0] > 0.1
    assert left[1] < 0.25 * left[0]


def test_form_that_no_polynomial_follows_lets_in_no_high_degrees() -> None:
    """Waves of 100 mm beside a bend: nearer is not on it."""
    _, uv, plain = trended()
    height = bent_section(uv[:, 1]) + 0.4 * np.sin(2.0 * np.pi * uv[:, 0] / 100.0)
    assert not plain.enriched(height, np.ones(len(uv)), batten_mm=BATTEN_MM, near_mm=0.1).rich


@pytest.mark.parametrize("noise_mm", [0.0, 0.05])
def test_a_mark_in_a_corner_lets_in_no_high_degrees(noise_mm: float) -> None:
    """They would follow a third of it, and call that form."""
    _, uv, plain = trended()
    height = 12.0 * (uv[:, 1] / 300.0) ** 2 + 4.0 * (uv[:, 0] / 400.0) ** 4
    height += noise_mm * np.random.default_rng(3).normal(size=len(uv))
    height -= 1.3 * (np.hypot(*(uv - [300.0, 210.0]).T) < 80.0)
    assert not plain.enriched(height, np.ones(len(uv)), batten_mm=BATTEN_MM, near_mm=0.1).rich


@pytest.mark.parametrize(("rich", "follows_mm"), [(False, 240.0), (True, 300.0)])
def test_no_wave_shorter_than_the_batten_is_taken_off(rich: bool, follows_mm: float) -> None:
    """Of 600 mm, with battens up to `follows_mm` the fifth power is a trend, or the eighth: a
    longer batten would be longer than the waves they make.
    """
    space, uv, trend = trended(rich=rich)
    wave = 10.0 * (uv[:, 1] / 300.0) ** (8 if rich else 5)
    weight = np.ones(len(uv))
    rows = space.rows(*uv.T)
    left = [
        float(np.abs(wave - rows @ trend.fit(wave, weight, batten_mm=batten)).max())
        for batten in (0.99 * follows_mm, 1.25 * follows_mm, 2.5 * follows_mm)
    ]
    assert left[0] < 0.01
    assert left[1] > 5.0 * left[0]
    assert left[2] > left[1]


@pytest.mark.parametrize("across_mm", [80.0, 120.0])
def test_a_round_mark_is_no_trend(across_mm: float) -> None:
    """Even where none of it is left out: little of a mark narrower than the batten is taken off."""
    space, uv, trend = trended(rich=True)
    mark = np.exp(-0.5 * (np.hypot(*uv.T) / (across_mm / 4.0)) ** 2)
    found = trend.fit(mark, np.ones(len(uv)), batten_mm=BATTEN_MM)
    top = np.hypot(*uv.T) < 0.1 * across_mm
    assert np.abs(space.rows(*uv.T) @ found)[top].max() < 0.25


def test_what_has_no_weight_has_no_say() -> None:
    space, uv, trend = trended()
    height = 8.0 * (uv[:, 0] / 400.0) ** 2
    dent = np.hypot(*(uv - [50.0, 40.0]).T) < 120.0
    dented = np.where(dent, height - 5.0, height)
    found = trend.fit(dented, (~dent).astype(float), batten_mm=BATTEN_MM)
    assert np.abs(space.rows(*uv.T) @ found - height).max() < 1e-5


def test_a_fold_along_a_bent_line_is_taken_off() -> None:
    """A turn that varies along a line; within two knots of it a spline cannot fold."""
    s = np.linspace(-420.0, 420.0, 400)
    line = np.column_stack([s, 60.0 + 0.05 * s])
    space, uv, trend = trended([line])
    off = ((uv[:, 1] - 60.0) - 0.05 * uv[:, 0]) / np.hypot(1.0, 0.05)
    height = 0.05 * np.abs(off) * (1.0 + uv[:, 0] / 1600.0) + 9.0 * (uv[:, 0] / 400.0) ** 2
    found = trend.fit(height, np.ones(len(uv)), batten_mm=BATTEN_MM)
    away = np.abs(off) > 2.0 * KNOT_MM
    missed = np.abs(space.rows(*uv.T) @ found - height)[away]
    assert missed.max() < 0.02
    without = trend_of(space, space.rows(*uv.T), uv, [])
    plain = np.abs(
        space.rows(*uv.T) @ without.fit(height, np.ones(len(uv)), batten_mm=BATTEN_MM) - height
    )[away]
    assert plain.max() > 20.0 * missed.max()


def test_a_gap_beside_an_edge_is_spanned_without_sagging() -> None:
    """What it is for: a crown of the fourth power under a mark near an edge, left out."""
    space, uv, trend = trended()
    x, y = (uv / [400.0, 300.0]).T
    height = -14.0 * (0.8 * y**2 + 0.2 * y**4) - 10.0 * x**2
    gap = np.hypot(*(uv - [-240.0, 170.0]).T) < 110.0
    weight = np.where(gap, 0.0, LENGTH_MM * WIDTH_MM / len(uv))
    rows = space.rows(*uv.T)
    energy = energy_band(space, order=3)
    smoothing = (BATTEN_MM / (2.0 * np.pi)) ** 6
    worst = []
    for start in (None, trend.fit(height, weight, batten_mm=BATTEN_MM)):
        fit = solve(energy, rows, height, weight, smoothing=smoothing, passes=2, start=start)
        worst.append(float(np.abs(rows @ fit.coefficients - height)[gap].max()))
    assert worst[0] > 0.02
    assert worst[1] < 1e-3


@pytest.mark.parametrize("bow_mm", [0.0, 15.0])
def test_a_line_that_wanders_leaves_no_stripes_far_off(bow_mm: float) -> None:
    """A fold of 0.35 rad at a line traced for 640 of 800 mm, to 0.2 mm: the fold's own height is
    100 mm at the rim, and what the line's bends do there is left over.
    """

    def place(x: Floats) -> Floats:
        return bow_mm * (1.0 - (x / 400.0) ** 2)

    x = np.arange(-400.0, 241.0, 6.0)
    wander = 0.2 * np.sin(2.0 * np.pi * x / 400.0)
    space, uv, trend = trended([np.column_stack([x, place(x) + wander])])
    true = np.arange(-2000.0, 2000.0, 0.25)
    away = cKDTree(np.column_stack([true, place(true)])).query(uv)[0]
    height = 0.35 * away
    found = trend.fit(height, np.ones(len(uv)), batten_mm=BATTEN_MM)
    left = (height - space.rows(*uv.T) @ found)[away > 60.0]
    assert np.sqrt(np.mean(left**2)) < 0.02
    assert np.abs(left).max() < 0.15

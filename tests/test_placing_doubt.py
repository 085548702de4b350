"""What a placing can't know: borders that are no edges, and coats that it followed all over."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from guidecoat.errors import ScanUnfitError
from guidecoat.registration import (
    Registration,
    RegistrationSettings,
    held_by_pairs,
    register,
    require_observable,
)
from guidecoat.registration.borders import unlike_borders
from guidecoat.registration.placing import settled
from guidecoat.registration.rigid import move, small_motions
from guidecoat.registration.surfels import make_surfels
from guidecoat.synthetic import Dimple
from pair_fixture import BUILD, DENT, HIGH, seen

Array = NDArray[np.float64]
SETTINGS = RegistrationSettings()
RADIUS_MM = 400.0


def barrel(
    seed: int,
    x: tuple[float, float],
    y: tuple[float, float],
    out: Callable[[Array, Array], NDArray[np.bool_]] | None = None,
) -> Array:
    """Random points of a plain cylinder along x, from here to there, but for what is left out."""
    generator = np.random.default_rng(seed)
    area = (x[1] - x[0]) * (y[1] - y[0])
    u, v = generator.uniform(*x, int(area / 4.0)), generator.uniform(*y, int(area / 4.0))
    if out is not None:
        kept = ~out(u, v)
        u, v = u[kept], v[kept]
    radius = RADIUS_MM + 0.05 * generator.normal(size=len(u))
    angle = v / RADIUS_MM
    return np.column_stack([u, radius * np.sin(angle), radius * np.cos(angle) - RADIUS_MM])


def opening(u: Array, v: Array) -> NDArray[np.bool_]:
    return (np.abs(u) < 60.0) & (np.abs(v) < 45.0)


def ragged(u: Array, v: Array) -> NDArray[np.bool_]:
    """The scan stops short of the end, where it happened to."""
    return u > 150.0 + 25.0 * np.sin(v / 11.0) + 20.0 * np.cos(v / 37.0)


SHORT, LONG, WIDE = (-200.0, 170.0), (-200.0, 200.0), (-140.0, 140.0)


@pytest.mark.parametrize("slid_mm", [0.0, 10.0, 30.0])
def test_borders_of_unlike_length_are_no_edges(slid_mm: float) -> None:
    """However the shorter one lies along the longer one."""
    one, two = (make_surfels(barrel(k, x, WIDE), None, 8.0) for k, x in enumerate((SHORT, LONG)))
    start = np.eye(4)
    start[0, 3] = slid_mm
    fit = settled(one, two, start, SETTINGS, reach_mm=1.0)
    words = unlike_borders(one, two, fit, SETTINGS)
    assert "30 mm longer" in words


@pytest.mark.parametrize(
    "pair",
    [
        (barrel(1, LONG, WIDE), barrel(2, LONG, WIDE)),
        (barrel(1, SHORT, WIDE, opening), barrel(2, LONG, WIDE, opening)),
        (barrel(1, LONG, WIDE, ragged), barrel(2, LONG, WIDE)),
    ],
    ids=["same ends", "an opening that agrees", "one end not scanned"],
)
def test_borders_that_hold_are_believed(pair: tuple[Array, Array]) -> None:
    one, two = (make_surfels(points, None, 8.0) for points in pair)
    fit = settled(one, two, np.eye(4), SETTINGS, reach_mm=1.0)
    assert unlike_borders(one, two, fit, SETTINGS) == ""


def test_a_slide_that_borders_do_not_hold_is_left_to_pairs() -> None:
    """Refused without pairs, with the reason; placed with them to what they are worth."""
    away = small_motions(np.array([[0.3, -0.5, 0.9, 40.0, -70.0, 20.0]]))[0]
    one, two = barrel(1, (-190.0, 150.0), (-140.0, 100.0)), barrel(2, LONG, WIDE)
    spots = np.array([[x, y, 0.0] for x in (-120.0, 120.0) for y in (-90.0, 90.0)])
    spots[:, 2] = np.sqrt(RADIUS_MM**2 - spots[:, 1] ** 2) - RADIUS_MM
    pairs = move(away, spots), spots
    found = register(move(away, one), two, pairs=pairs)
    with pytest.raises(ScanUnfitError, match=r"free.* mm longer than the other .*same edges"):
        require_observable(found)
    held = held_by_pairs(found, pairs, SETTINGS)
    require_observable(held)
    there = move(held.T_target_source @ away, one)
    assert np.linalg.norm(there - one, axis=1).max() < 3.0 * held.slide_mm
    # Borders had drawn it round the barrel, which is no straight way back.
    radius = np.hypot(there[:, 1], there[:, 2] + RADIUS_MM)
    assert abs(np.median(radius) - RADIUS_MM) < 0.01
    assert held.slide_mm < 1.0


def coat_mm(points: Array) -> Array:
    """0.5 to 1 mm thick, its thickness wandering over hundreds of millimetres."""
    return 0.75 + 0.25 * np.sin(points[:, 0] / 110.0 + 0.4) * np.cos(points[:, 1] / 130.0)


@pytest.fixture(scope="module")
def coated() -> tuple[Registration, Array]:
    """A panel with a coat all over, laid on itself without; and its points."""
    _, before = seen((DENT,), seed=1, spacing_mm=3.0)
    _, after = seen((DENT,), seed=2, spacing_mm=3.0)
    points = after.points_mm.copy()
    points[:, 2] += coat_mm(points)
    return register(points, before.points_mm, roughly_aligned=True), points


def test_a_coat_all_over_widens_the_doubt(coated: tuple[Registration, Array]) -> None:
    found, points = coated
    assert found.hangs
    wide = found.widened()
    some = points[::200]
    for direction in np.eye(3)[:2]:
        ways = np.tile(direction, (len(some), 1))
        off = (move(found.T_target_source, some) - some) @ direction
        assert np.sqrt(np.mean((off / wide.sigma_mm(some, ways)) ** 2)) < 2.0
    assert wide.turn_mrad > 10.0 * found.turn_mrad


def test_known_spots_are_believed_over_a_coat(coated: tuple[Registration, Array]) -> None:
    """A placing that a coat drew along the panel comes back by pairs, rather than be refused."""
    found, _ = coated
    x, y = (a.ravel() for a in np.meshgrid([-250.0, 0.0, 250.0], [-150.0, 150.0]))
    spots = np.column_stack([x, y, 0.0 * x])
    slipped = small_motions(np.array([[0.0, 0.0, 0.01, 3.0, 3.0, 0.0]]))[0]
    drawn = replace(found, T_target_source=slipped @ found.T_target_source)
    held = held_by_pairs(drawn, (spots, spots), SETTINGS)
    left = move(held.T_target_source, spots) - spots
    slid = move(drawn.T_target_source, spots) - spots
    assert (
        np.linalg.norm(left[:, :2], axis=1).max() < 0.5 * np.linalg.norm(slid[:, :2], axis=1).max()
    )


@pytest.mark.parametrize(
    "fills",
    [(), (BUILD, HIGH), (Dimple((-150.0, 0.0), 1.5, (230.0, 500.0)),)],
    ids=["the same", "filled", "half of it filled"],
)
def test_a_right_placing_is_not_doubted(fills: tuple[Dimple, ...]) -> None:
    _, before = seen((DENT,), seed=1, spacing_mm=3.0)
    _, after = seen((DENT, *fills), seed=2, spacing_mm=3.0)
    found = register(after.points_mm, before.points_mm, roughly_aligned=True)
    assert not found.hangs
    assert found.widened() is found

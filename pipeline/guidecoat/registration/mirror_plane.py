"""The plane about which a whole body mirrors itself."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..errors import ScanUnfitError
from .coarse import make_sample, rank, settle
from .fine import Fit, information
from .placing import SAMPLE_CELLS, settled
from .registering import checked, common_cell_mm
from .result import read_only
from .rigid import move, reflection, tangents
from .settings import RegistrationSettings
from .surfels import make_surfels, reflected

Array = NDArray[np.float64]
DIRECTIONS = 96
MOST_POINTS = 1_500_000


@dataclass(frozen=True, eq=False)
class MirrorPlane:
    """A mirror plane, mm: `point` (3,) on it amid the body, `normal` (3,) unit, standard
    uncertainties of its place along the normal and of its tilt, and `agreement`, the share of
    the body that finds its mirror image.
    """

    point: Array
    normal: Array
    uncertainty_mm: float
    uncertainty_mrad: float
    agreement: float


def reflect(points: Array, plane: MirrorPlane) -> Array:
    """(n, 3) points seen in the plane."""
    return move(reflection(plane.point, plane.normal), np.asarray(points, np.float64))


def mirror_plane_amid(points: Array) -> MirrorPlane:
    """The plane of (n, 3) points far from the origin or too many, mm; found about their middle."""
    middle = points.mean(axis=0)
    every = max(1, len(points) // MOST_POINTS)
    found = find_mirror_plane(points[::every] - middle)
    return replace(found, point=found.point + middle)


def find_mirror_plane(
    points: Array,
    *,
    normals: Array | None = None,
    settings: RegistrationSettings | None = None,
) -> MirrorPlane:
    """Find the mirror plane of a body that is damaged on one side or lacks parts there.

    Many planes are tried; the reflected body is settled on itself from each, robustly, and the
    best plane is the one halfway between the body and its settled image.

    Parameters
    ----------
    points : (n, 3) mm, finite. `normals` : (n, 3) outward, or None.

    Raises
    ------
    ScanUnfitError where no plane mirrors enough of the body.
    """
    settings = settings or RegistrationSettings()
    points = checked(points, "body")
    body = make_surfels(points, normals, common_cell_mm((points,), settings))
    middle = body.points.mean(0)
    first = reflection(middle, np.array([1.0, 0.0, 0.0]))
    image = reflected(body, first)
    starts = np.stack([reflection(p, n) @ first for p, n in _planes(body.points)])
    sample, image_sample = (make_sample(x, most=SAMPLE_CELLS) for x in (body, image))
    radius, cell = body.radius_mm, body.cell_mm
    wide = tuple(max(part * radius, cell) for part in (0.06, 0.03))
    close = (*(max(part * radius, cell) for part in (0.02, 0.01)), cell)
    motions = settle(image_sample, sample, starts, wide, 3)
    kept = rank(image_sample, sample, motions, ["plane"] * len(motions), wide[-1], 8)
    motions = settle(image_sample, sample, np.stack([c.motion for c in kept]), close, 6)
    kept = rank(image_sample, sample, motions, ["plane"] * len(motions), cell, 3)
    best = settled(image, body, kept[0].motion, settings, reach_mm=4.0)
    share = best.overlap * best.agreement
    if share < settings.least_agreement or best.surface.scale_mm > settings.largest_scale_mm:
        raise ScanUnfitError(
            f"No plane mirrors the body onto itself: the best one matches {share:.0%} of it, "
            f"{settings.least_agreement:.0%} are needed. Scan both sides of the body, or give "
            "two scans, one of each side."
        )
    return _plane(best, first, body.points, share)


def _planes(points: Array) -> list[tuple[Array, Array]]:
    """Planes square to evenly spread directions and the principal axes.

    Through the middle of the extent and through the centroid: missing parts move both.
    """
    k = np.arange(DIRECTIONS) + 0.5
    # Golden-angle spiral over half a sphere.
    z, angle = k / DIRECTIONS, np.pi * (1.0 + np.sqrt(5.0)) * k
    ring = np.sqrt(1.0 - z**2)
    spread = np.stack([ring * np.cos(angle), ring * np.sin(angle), z], axis=1)
    local = points - points.mean(0)
    axes = np.linalg.eigh(local.T @ local)[1].T
    planes: list[tuple[Array, Array]] = []
    for normal in np.concatenate([axes, spread]):
        along = points @ normal
        middles = (along.mean(), 0.5 * (along.min() + along.max()))
        planes += [(middle * normal, normal) for middle in middles]
    return planes


def _plane(fit: Fit, first: Array, points: Array, share: float) -> MirrorPlane:
    """Plane halfway between the body and its image, and its uncertainty."""
    isometry = fit.motion @ first
    symmetric = 0.5 * (isometry[:3, :3] + isometry[:3, :3].T)
    normal = np.linalg.eigh(symmetric)[1][:, 0]
    normal = normal * np.sign(normal[np.argmax(np.abs(normal))])
    middle = points.mean(0)
    halfway = 0.5 * (middle + isometry[:3, :3] @ middle + isometry[:3, 3])
    point = middle + ((halfway - middle) @ normal) * normal
    # Only a shift along the normal and turns about axes in the plane move a mirror plane; each
    # moves the image by twice as much.
    basis = np.zeros((7, 4))
    basis[3:6, 0] = normal
    basis[:3, 1], basis[:3, 2] = tangents(normal)
    basis[6, 3] = 1.0
    left = basis.T @ information(fit.surface, fit.rim)[0] @ basis
    spread = np.sqrt(np.diag(np.linalg.inv(left + 1e-9 * np.eye(4))))
    return MirrorPlane(
        read_only(point),
        read_only(normal),
        float(0.5 * spread[0]),
        float(0.5 * spread[1:3].max() / fit.radius_mm * 1e3),
        share,
    )

"""Rigid motions and reflections as 4x4 matrices, written `T_to_from`."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..errors import ScanUnfitError, SettingsError

Array = NDArray[np.float64]


def umeyama(x: Array, y: Array, *, with_scale: bool = False) -> tuple[float, Array, Array]:
    """Least-squares similarity that carries x onto y: y = scale * R x + t.

    Parameters
    ----------
    x, y : (k, d) matching points, the same unit.
    with_scale : fit the scale as well; otherwise it is 1.

    Returns
    -------
    scale, R (d, d) with determinant +1 always, t (d,).

    Raises
    ------
    SettingsError where shapes differ; ScanUnfitError where the points leave the turn undecided.

    Notes
    -----
    Umeyama 1991, PAMI 13(4) 376-380, equations 39 to 43.
    """
    x = np.asarray(x, np.float64)
    y = np.asarray(y, np.float64)
    if x.shape != y.shape or x.ndim != 2 or len(x) < x.shape[1]:
        raise SettingsError(
            f"Matching points have shapes {x.shape} and {y.shape}; give the same number of "
            f"points on both sides, at least {x.shape[-1]}."
        )
    x_mean, y_mean = x.mean(0), y.mean(0)
    covariance = (y - y_mean).T @ (x - x_mean) / len(x)
    u, d, vt = np.linalg.svd(covariance)
    if d[-2] <= 1e-9 * d[0] or d[0] == 0.0:
        raise ScanUnfitError(
            f"The {len(x)} matching points lie on one line, so the turn about it is open. "
            "Pick points that span the panel."
        )
    sign = np.ones(len(d))
    if np.linalg.det(u) * np.linalg.det(vt) < 0.0:
        sign[-1] = -1.0
    rotation = (u * sign) @ vt
    variance = ((x - x_mean) ** 2).sum() / len(x)
    scale = float((d * sign).sum() / variance) if with_scale else 1.0
    return scale, rotation, y_mean - scale * rotation @ x_mean


def compose(rotation: Array, shift: Array) -> Array:
    """4x4 motion from R (3, 3) and t (3,)."""
    motion = np.eye(4)
    motion[:3, :3] = rotation
    motion[:3, 3] = shift
    return motion


def inverse(motion: Array) -> Array:
    """Inverse of one rigid 4x4 motion or reflection."""
    turned = motion[:3, :3].T
    return compose(turned, -turned @ motion[:3, 3])


def move(motion: Array, points: Array) -> Array:
    """(n, 3) points carried by one 4x4 motion."""
    return np.asarray(points @ motion[:3, :3].T + motion[:3, 3])


def small_motions(twists: Array) -> Array:
    """(s, 6) twists (turn vector rad, shift mm) to (s, 4, 4): R = exp(turn), t = shift."""
    turn = twists[:, :3]
    angle = np.linalg.norm(turn, axis=1)
    safe = np.where(angle > 1e-12, angle, 1.0)
    axis = turn / safe[:, None]
    cross = np.zeros((len(twists), 3, 3))
    cross[:, 0, 1], cross[:, 0, 2], cross[:, 1, 2] = -axis[:, 2], axis[:, 1], -axis[:, 0]
    cross -= cross.transpose(0, 2, 1)
    motions = np.zeros((len(twists), 4, 4))
    motions[:, :3, :3] = (
        np.eye(3)
        + np.sin(angle)[:, None, None] * cross
        + (1.0 - np.cos(angle))[:, None, None] * (cross @ cross)
    )
    motions[:, :3, 3] = twists[:, 3:]
    motions[:, 3, 3] = 1.0
    return motions


def stepped(motion: Array, scaled: Array, centre: Array, radius_mm: float) -> Array:
    """A motion after a scaled step: (6,) turn about a centre times a radius, and shift, mm."""
    twist = np.concatenate([scaled[:3] / radius_mm, scaled[3:]])
    step = small_motions(twist[None])[0]
    step[:3, 3] += centre - step[:3, :3] @ centre
    return np.asarray(step @ motion)


def pair_rows(points: Array, centre: Array, radius_mm: float) -> Array:
    """(3n, 6) what each coordinate of (n, 3) points changes by with a turn about the centre, in mm
    at the radius, and a shift: the rows of a least-squares fit of point pairs.
    """
    arm = np.repeat((points - centre) / radius_mm, 3, axis=0)
    axes = np.tile(np.eye(3), (len(points), 1))
    return np.hstack([np.cross(arm, axes), axes])


def turn_between(a: Array, b: Array) -> float:
    """Angle in radians of the turn that carries motion a into motion b."""
    cosine = (np.trace(a[:3, :3].T @ b[:3, :3]) - 1.0) / 2.0
    return float(np.arccos(np.clip(cosine, -1.0, 1.0)))


def tangents(normal: Array) -> tuple[Array, Array]:
    """Two (3,) unit vectors at right angles to a unit normal and to each other, right-handed.

    >>> tangents(np.array([0.0, 0.0, 1.0]))
    (array([0., 1., 0.]), array([-1.,  0.,  0.]))
    """
    first = np.cross(normal, np.eye(3)[int(np.argmin(np.abs(normal)))])
    first /= np.linalg.norm(first)
    return first, np.cross(normal, first)


def reflection(point: Array, normal: Array) -> Array:
    """4x4 reflection about the plane through `point` with `normal` (any length but 0)."""
    unit = np.asarray(normal, np.float64)
    unit = unit / np.linalg.norm(unit)
    mirrored = np.eye(4)
    mirrored[:3, :3] -= 2.0 * np.outer(unit, unit)
    mirrored[:3, 3] = 2.0 * float(np.dot(point, unit)) * unit
    return mirrored

"""Which motions the shape holds, and how well."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from ..numerics.biweight import MAD_TO_SIGMA
from .coarse import thin
from .fine import Fit, Readings, information
from .pairing import seen_alike
from .result import NOT_NOISE, OPEN_FACTOR, WeakDirection, read_only
from .settings import RegistrationSettings
from .surfels import Surfels

Array = NDArray[np.float64]
# Edges that roll over give no line to lay on the other's, and each scan samples them otherwise,
# which residuals do not show: on made-up panels with hems (three shapes, five seeds) slides were
# off by twice what the residuals said.
UNSEEN_ERRORS = 2.0
NOISE_CELLS = 4_000
# The grip of noisy normals is told from their median tilt, and normals at rims and holes are
# noisier: on plain cylinders it came to 1.2 to 1.4 times that (choice: half as much again).
FALSE_GRIP_DOUBT = 1.5
# The panel is divided into so many blocks, of which those count that are filled to this part.
BLOCKS, FILLED = 40, 0.3


def weak_directions(
    fit: Fit, settings: RegistrationSettings
) -> tuple[tuple[WeakDirection, ...], float, float]:
    """Weak motions of a fit, and the largest slide (mm) and turn (mrad) uncertainties.

    The covariance is the inverse of the weighted normal matrix of residuals that were deflated
    to independent ones; noise in the normals, which looks like grip on a plain cylinder's axis,
    is taken out of it first.
    """
    skin = _covariance(fit, None)
    whole = _covariance(fit, fit.rim)
    found: list[WeakDirection] = []
    slide, turn = 0.0, 0.0
    for deviation, vector in _motions(whole):
        sizes = _sizes(vector, deviation, fit.radius_mm)
        slide, turn = max(slide, sizes[0]), max(turn, sizes[1])
        over = max(sizes[0] / settings.weak_slide_mm, sizes[1] / settings.weak_turn_mrad)
        if over > 1.0:
            found.append(_weak(vector, sizes, "nothing" if over > OPEN_FACTOR else "loosely"))
    for deviation, vector in _motions(skin):
        sizes = _sizes(vector, deviation, fit.radius_mm)
        over = max(sizes[0] / settings.weak_slide_mm, sizes[1] / settings.weak_turn_mrad)
        if over > OPEN_FACTOR:
            held = float(np.sqrt(vector @ whole @ vector))
            weak = _weak(vector, _sizes(vector, held, fit.radius_mm), "edges")
            if not _known(found, weak):
                found.append(weak)
    return tuple(found), slide, turn


def motion_covariance(fit: Fit, noise_mm: float) -> Array:
    """(6, 6) of the turn (rad) about the fit's centre and the shift (mm).

    Where what is left over is more than noise (NaN: not asked) it hangs together over the whole
    panel, and counts as one reading.
    """
    scale = np.array([1.0 / fit.radius_mm] * 3 + [1.0] * 3)
    loose = fit.surface.scale_mm > NOT_NOISE * noise_mm
    share = readings_of(fit) if loose else 1.0
    return np.asarray(share * _covariance(fit, fit.rim) * scale[:, None] * scale)


def own_noise_mm(fit: Fit, source: Surfels) -> float:
    """Scatter of the unchanged cells' residuals about their neighbours', the scans' own noise."""
    at = np.flatnonzero(fit.unchanged)
    at = at[:: max(1, len(at) // NOISE_CELLS)]
    if not len(at):
        return float("nan")
    residual, direction = fit.surface.residual, fit.surface.rows[:, 3:]
    near = source.tree.query(source.points[at], k=min(9, len(source.points)))[1][:, 1:]
    around = np.median(seen_alike(residual, direction, at, near), axis=1)
    # The median of eight neighbours adds a fifth to the variance (computed).
    return float(MAD_TO_SIGMA * np.median(np.abs(residual[at] - around)) / np.sqrt(1.2))


def hangs_together(fit: Fit) -> float:
    """How far off the means of blocks of unchanged skin are, over the scatter of what is left over:
    next to 0 where that is noise, 1 where each block is off as a whole.

    What is left over of a change all over the panel, or of a wrong scale, keeps its sign for
    hundreds of millimetres.
    """
    surface = fit.surface
    share = surface.weight / np.maximum(surface.tukey, 1e-9)
    kept = (surface.tukey > 0.0) & (share > 1e-4 * share.max(initial=0.0))
    if not kept.any():
        return 0.0
    arms, direction = surface.arms[kept], surface.rows[kept, 3:]
    centres = thin(arms, BLOCKS)
    block = cKDTree(arms[centres]).query(arms)[1]
    same = np.einsum("nk,nk->n", direction, direction[centres][block])
    count = np.bincount(block, minlength=len(centres))
    total = np.bincount(block, np.where(same < 0.0, -1.0, 1.0) * surface.residual[kept])
    mean = (total / np.maximum(count, 1))[count > FILLED * np.median(count)]
    return float(np.sqrt(np.mean(mean**2)) / surface.scale_mm)


def readings_of(fit: Fit) -> float:
    """How many independent readings the unchanged skin counts as."""
    return max(1.0, float(fit.surface.weight.sum()) * fit.surface.scale_mm**2)


def open_motions(fit: Fit, settings: RegistrationSettings) -> Array:
    """(k, 6) unit vectors of the scaled motions that the skin by itself leaves open."""
    free = []
    for deviation, vector in _motions(_covariance(fit, None)):
        slide, turn = _sizes(vector, deviation, fit.radius_mm)
        if max(slide / settings.weak_slide_mm, turn / settings.weak_turn_mrad) > OPEN_FACTOR:
            free.append(vector)
    return np.array(free).reshape(-1, 6)


def weakest_motions(fit: Fit) -> list[Array]:
    """(6,) unit vectors of the scaled motions that the skin holds, the worst held first."""
    return [vector for _, vector in _motions(_covariance(fit, None))]


def _motions(covariance: Array) -> list[tuple[float, Array]]:
    """Standard deviation (mm) and unit vector of each scaled motion, the weakest first."""
    values, vectors = np.linalg.eigh(covariance)
    return [(float(np.sqrt(v)), w) for v, w in zip(values[::-1], vectors.T[::-1], strict=True)]


def _weak(vector: Array, sizes: tuple[float, float], held_by: str) -> WeakDirection:
    turns = bool(np.linalg.norm(vector[:3]) > np.linalg.norm(vector[3:]))
    direction = vector[:3] if turns else vector[3:]
    direction = direction / np.linalg.norm(direction)
    direction = direction * np.sign(direction[np.argmax(np.abs(direction))])
    return WeakDirection(
        "turn" if turns else "slide", read_only(direction), sizes[int(turns)], held_by
    )


def _known(found: list[WeakDirection], new: WeakDirection) -> bool:
    return any(
        old.kind == new.kind and abs(float(old.direction @ new.direction)) > 0.9 for old in found
    )


def _sizes(vector: Array, deviation_mm: float, radius_mm: float) -> tuple[float, float]:
    """Slide in mm and turn in mrad that a scaled deviation along a unit vector means."""
    slide = deviation_mm * float(np.linalg.norm(vector[3:]))
    turn = deviation_mm * float(np.linalg.norm(vector[:3])) / radius_mm * 1e3
    return slide, turn


def _covariance(fit: Fit, rim: Readings | None) -> Array:
    """(6, 6) of the scaled motion, mm2; capped at the radius where nothing holds."""
    left = information(fit.surface, rim)[0]
    left[:6, :6] -= FALSE_GRIP_DOUBT * _false_grip(fit)
    # The rims' common distance is eliminated (Schur complement).
    motion = left[:6, :6] - np.outer(left[:6, 6], left[6, :6]) / left[6, 6]
    values, vectors = np.linalg.eigh(0.5 * (motion + motion.T))
    values = np.maximum(values, 1.0 / fit.radius_mm**2)
    unseen = UNSEEN_ERRORS if fit.rim is None else 1.0
    return np.asarray((vectors * (unseen**2 / values)) @ vectors.T)


def _false_grip(fit: Fit) -> Array:
    """Expected addition of noisy normals to the normal matrix.

    A normal tilted at random by variance v per axis turns n n' into n n' + v (1 - n n').
    """
    direction = fit.surface.rows[:, 3:]
    weight = fit.surface.weight * fit.tilt_variance
    arm = fit.surface.arms
    help_axis = np.where(np.abs(direction[:, :1]) < 0.7, [[1.0, 0.0, 0.0]], [[0.0, 1.0, 0.0]])
    first = np.cross(direction, help_axis)
    first /= np.linalg.norm(first, axis=1, keepdims=True)
    grip = np.zeros((6, 6))
    for tangent in (first, np.cross(direction, first)):
        rows = np.concatenate([np.cross(arm, tangent), tangent], axis=1)
        grip += (rows * weight[:, None]).T @ rows
    return grip

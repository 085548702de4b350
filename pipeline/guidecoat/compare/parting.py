"""Position parted from shape where two panels' forms differ all over.

Where most of one lies on the other to within noise, that is where it lies. A flatter crown leaves
nothing to go by: what differs smoothly all over can be called shape, or a shift and a tilt and less
of a shape. Hinge work brings edges in line with what is beside them, so position is called what
brings the two panels' edges together, by Huber's least squares over all of them, and shape is the
rest. A difference alike on both sides gives no tilt, however large it is.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..registration import Registration
from ..registration.result import largest_sigma, read_only
from ..registration.rigid import tangents
from ..scans.scan import Scan
from ..settings import Settings
from .at_edges import Facing, facing_cells, moved_by
from .huber import huber_fit
from .laying import Laid
from .outlines import OVERLAP, Outlines
from .passes import Pass, lay_pass, measure_pass

Floats = NDArray[np.float64]

_MOST_ROUNDS = 6
_SETTLED_MM = 0.005


@dataclass(frozen=True, eq=False)
class Parted:
    """A panel laid on another at the edges.

    motion : (4, 4) mm between local frames; image : measured so; registration : with the doubt of
    that; left_mm : rms of what is left between the forms; other_turn_mrad : how much the motion
    that brings the whole skins together, edges or not, is turned against it.
    """

    motion: Floats
    image: Pass
    registration: Registration
    left_mm: float
    other_turn_mrad: float


def part_at_edges(
    own: Pass,
    image: Scan,
    motion: Floats,
    found: Registration,
    outlines: Outlines | None,
    settings: Settings,
) -> Parted:
    """Lay `image` on a panel at the edges, from a placing right to a few millimetres.

    Off the skin it is the strips beside the edges that are brought together, along it the
    outlines; where these can't be read it stays as it was found.

    Raises
    ------
    ScanUnfitError : too few cells beside held edges are in both scans.
    """
    if _hold(outlines):
        assert outlines is not None
        motion = outlines.start
    for _ in range(_MOST_ROUNDS):
        facing = facing_cells(own, lay_pass(image, own.result, motion, None, settings))
        twist, covariance = _step(facing, outlines, motion, found)
        motion = moved_by(twist, facing) @ motion
        if np.abs(twist).max() < _SETTLED_MM:
            break
    scale = np.array([1.0 / facing.reach_mm] * 3 + [1.0] * 3)
    covariance = covariance * scale[:, None] * scale
    placed = replace(
        found,
        T_target_source=read_only(motion),
        weak_directions=(),
        slide_mm=largest_sigma(covariance[3:, 3:]),
        turn_mrad=1e3 * largest_sigma(covariance[:3, :3]),
        covariance=read_only(covariance),
        centre_mm=read_only(facing.middle),
    )
    laid = measure_pass(image, own.result, motion, placed, settings)
    facing = facing_cells(own, laid)
    off, _ = _ways(facing)
    whole = off @ huber_fit(facing.rows @ off, facing.apart_mm)[0]
    left = float(np.sqrt(np.mean(facing.apart_mm**2)))
    turn = 1e3 * float(np.linalg.norm(whole[:3])) / facing.reach_mm
    return Parted(motion, laid, placed, left, turn)


def refuse_unheld(laid: Laid, outlines: Outlines | None, *, near: bool) -> None:
    """Refuse what did not settle, unless by frames or outlines it lies where it belongs."""
    if laid.open_ is not None and not near and not _hold(outlines):
        raise laid.open_


def _hold(outlines: Outlines | None) -> bool:
    return outlines is not None and outlines.hold(outlines.start)


def _step(
    facing: Facing, outlines: Outlines | None, motion: Floats, found: Registration
) -> tuple[Floats, Floats]:
    """(6,) scaled twist that brings the edges together, and its (6, 6) covariance."""
    off, along = _ways(facing)
    rows, apart = facing.rows[facing.at_edge], facing.apart_mm[facing.at_edge]
    slid = np.zeros(3)
    doubt = np.diag([1e-3 * found.turn_mrad * facing.reach_mm] + [found.slide_mm] * 2) ** 2
    if outlines is not None and outlines.hold(motion):
        gap, points, outward = outlines.apart(motion)
        arms = np.cross(points - facing.middle, outward) / facing.reach_mm
        slid, spread, scale = huber_fit(np.hstack([arms, outward]) @ along, -gap)
        doubt = spread * scale**2 * OVERLAP
    lifted, spread, _ = huber_fit(rows @ off, apart - rows @ along @ slid)
    # What the forms differ by is no doubt of the motion: it is what that is defined by.
    lifting = spread * facing.noise_mm**2 * facing.alike
    covariance = off @ lifting @ off.T + along @ doubt @ along.T
    return off @ lifted + along @ slid, covariance


def _ways(facing: Facing) -> tuple[Floats, Floats]:
    """(6, 3) each: scaled twists that move a panel off its skin, and along it."""
    normal = facing.normals.mean(axis=0)
    normal = normal / np.linalg.norm(normal)
    first, second = tangents(normal)
    off, along = np.zeros((6, 3)), np.zeros((6, 3))
    off[:3, 0], off[:3, 1], off[3:, 2] = first, second, normal
    along[:3, 0], along[3:, 1], along[3:, 2] = normal, first, second
    return off, along

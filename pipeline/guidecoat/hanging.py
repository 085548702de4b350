"""How a panel hangs against the other side's: its shift and turn, and what they do at its edges."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .chart import Chart
from .edge_lines import EdgeLine
from .registration import MirrorPlane, Registration

Floats = NDArray[np.float64]

_STEP_MM = 1.0
# Round a corner the way out over the edge turns from one gap to the next.
_CORNER_MM = 70.0
_FEWEST_STATIONS = 3


@dataclass(frozen=True, eq=False)
class Position:
    """How a panel sits against its mirror image, in the frame of the file it came from.

    shift_mm : (3,) of the panel's middle; turn_mrad : (3,) about the frame's axes; sigma_mm,
    sigma_mrad : their largest standard uncertainties; middle_mm : (3,) that middle.
    """

    shift_mm: Floats
    turn_mrad: Floats
    sigma_mm: float
    sigma_mrad: float
    middle_mm: Floats

    def moved_mm(self, points_mm: Floats) -> Floats:
        """(n, 3) how far points of the panel, in that frame, are from where the image's are."""
        return np.asarray(
            self.shift_mm + np.cross(1e-3 * self.turn_mrad, points_mm - self.middle_mm)
        )


@dataclass(frozen=True)
class EdgeHang:
    """What a panel's place does at one of its edges.

    proud_mm : where it is most, how far the edge stands prouder than the other side's does;
    narrower_mm : least and most along the edge, how much nearer to the panel beside it, so how
    much narrower the gap is; both with their standard uncertainties.
    """

    edge: str
    proud_mm: float
    proud_sigma_mm: float
    narrower_mm: tuple[float, float]
    narrower_sigma_mm: float

    @property
    def gap_differs_mm(self) -> float:
        """The most that the gap differs from the other side's, + where it is narrower."""
        return max(self.narrower_mm, key=abs)


def hang_edges(
    position: Position,
    registration: Registration,
    plane: MirrorPlane,
    chart: Chart,
    edges: Iterable[EdgeLine],
    origin_mm: Floats,
) -> tuple[EdgeHang, ...]:
    """What a panel's place does at the edges of its outline, off its corners.

    Parameters
    ----------
    registration : of the image onto the panel, in the panel's local frame.
    plane : whose own doubt comes on top.
    origin_mm : (3,) of the local frame in the file's.
    """
    out = []
    for line in edges:
        corner = 0 if line.edge.closed else int(np.ceil(_CORNER_MM / line.edge.station_mm))
        part = slice(corner, len(line.height_mm) - corner)
        if line.kind != "outline" or part.stop - part.start < _FEWEST_STATIONS:
            continue
        points, outside, outward = (rows[part] for rows in _frames(chart, line))
        moved = position.moved_mm(points + origin_mm)
        reach = np.linalg.norm(points + origin_mm - plane.point, axis=1)
        shared = plane_sigma_mm(plane, reach)
        proud, narrower = ((moved * way).sum(axis=1) for way in (outside, outward))
        doubts = [
            float(np.hypot(registration.sigma_mm(points, way), shared).max())
            for way in (outside, outward)
        ]
        most = int(np.abs(proud).argmax())
        ends = float(narrower.min()), float(narrower.max())
        out.append(EdgeHang(line.name, float(proud[most]), doubts[0], ends, doubts[1]))
    return tuple(out)


def plane_sigma_mm(plane: MirrorPlane, arm_mm: Floats | float) -> Floats:
    """Standard uncertainty that a mirror plane lends to an image so far from its point: twice its
    own, for what is reflected moves by twice what the plane does.
    """
    return np.asarray(
        2.0 * np.hypot(plane.uncertainty_mm, 1e-3 * np.asarray(arm_mm) * plane.uncertainty_mrad)
    )


def _frames(chart: Chart, line: EdgeLine) -> tuple[Floats, Floats, Floats]:
    """(s, 3) each: an edge's stations in space, the skin's normal there, and the way in the skin
    out over the edge.
    """
    uv, h, inward = line.station_uv, line.height_mm, line.inward_uv
    here = chart.to_space(np.column_stack([uv, h]))
    rise = _STEP_MM * line.slope
    inboard = chart.to_space(np.column_stack([uv + _STEP_MM * inward, h + rise]))
    above = chart.to_space(np.column_stack([uv, h + _STEP_MM]))
    outward = _unit(here - inboard)
    normal = _unit(np.cross(outward, np.gradient(here, axis=0)))
    facing = np.sign((normal * (above - here)).sum(axis=1))
    return here, normal * facing[:, None], outward


def _unit(ways: Floats) -> Floats:
    return np.asarray(ways / (np.linalg.norm(ways, axis=1)[:, None] + 1e-12))

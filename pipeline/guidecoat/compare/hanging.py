"""How a panel hangs against the other side's: its shift and turn, and how its edges stand to those
of the other.

Flush and gaps are told edge to edge: what the panel's place does at an edge and what is left
between the two edges once they lie on each other, added up. So they are the same however position
is parted from shape.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..outline.edge_lines import EdgeLine
from ..registration import MirrorPlane, Registration
from ..unrolling.chart import Chart

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

    def doubted(self, forms_mm: float, forms_mrad: float) -> Position:
        """The same position with the doubt that comes of forms that differ by so much."""
        return replace(
            self,
            sigma_mm=float(np.hypot(self.sigma_mm, forms_mm)),
            sigma_mrad=float(np.hypot(self.sigma_mrad, forms_mrad)),
        )


@dataclass(frozen=True, eq=False)
class EdgeRest:
    """What is left between two panels' edges where one is laid on the other, off its corners.

    points, outside, outward : (s, 3) stations in the panel's local frame, the skin's normal there,
    and the way in the skin out over the edge; proud_mm : (s,) how far the panel's edge stands above
    the other's; narrower_mm : (s,) how far it lies beyond it; each with its standard uncertainty,
    NaN where it is not known.
    """

    edge: str
    points: Floats
    outside: Floats
    outward: Floats
    proud_mm: Floats
    proud_sigma_mm: float
    narrower_mm: Floats
    narrower_sigma_mm: float


@dataclass(frozen=True)
class EdgeHang:
    """How one of a panel's edges stands to the other side's.

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
    rests: Iterable[EdgeRest],
    origin_mm: Floats,
) -> tuple[EdgeHang, ...]:
    """How the edges of a panel's outline stand to the other side's, off its corners.

    Parameters
    ----------
    registration : of the image onto the panel, in the panel's local frame: its doubt counts where
        what is left between the edges is not known.
    plane : whose own doubt comes on top.
    origin_mm : (3,) of the local frame in the file's.
    """
    out = []
    for rest in rests:
        at = rest.points + origin_mm
        moved = position.moved_mm(at)
        shared = plane_sigma_mm(plane, np.linalg.norm(at - plane.point, axis=1))
        proud, proud_sigma = _added(
            (moved * rest.outside).sum(axis=1),
            registration.sigma_mm(rest.points, rest.outside),
            rest.proud_mm,
            rest.proud_sigma_mm,
        )
        narrower, narrower_sigma = _added(
            (moved * rest.outward).sum(axis=1),
            registration.sigma_mm(rest.points, rest.outward),
            rest.narrower_mm,
            rest.narrower_sigma_mm,
        )
        most = int(np.abs(proud).argmax())
        out.append(
            EdgeHang(
                rest.edge,
                float(proud[most]),
                float(np.hypot(proud_sigma, shared).max()),
                (float(narrower.min()), float(narrower.max())),
                float(np.hypot(narrower_sigma, shared).max()),
            )
        )
    return tuple(out)


def _added(
    placed: Floats, placed_sigma: Floats, rest: Floats, rest_sigma: float
) -> tuple[Floats, Floats]:
    """(s,) what a place does and what is left, where that is known, with its own doubt alone: the
    doubt of the place is in both and falls out.
    """
    known = np.isfinite(rest)
    if not known.any():
        return placed, placed_sigma
    return (placed + rest)[known], np.full(int(known.sum()), rest_sigma)


def edge_frames(chart: Chart, line: EdgeLine) -> tuple[Floats, Floats, Floats] | None:
    """(s, 3) each: an outline edge's stations in space off its corners, the skin's normal there,
    and the way in the skin out over the edge; None for other edges and for short ones.
    """
    part = inner_stations(line)
    if line.kind != "outline" or part.stop - part.start < _FEWEST_STATIONS:
        return None
    points, outside, outward = (rows[part] for rows in _frames(chart, line))
    return points, outside, outward


def inner_stations(line: EdgeLine) -> slice:
    """An edge's stations off its corners."""
    corner = 0 if line.edge.closed else int(np.ceil(_CORNER_MM / line.edge.station_mm))
    return slice(corner, len(line.height_mm) - corner)


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

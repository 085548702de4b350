"""How many of a scan's points say something of the panel, each counted once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..scans.scan import Scan
from ..unrolling.cells import ChartedPoints
from .deviation import HELD, NOT_JUDGED, is_judged


@dataclass(frozen=True)
class PointCounts:
    """Of a file's vertices: those with a deviation, those on held edges and in the bands of body
    lines, and the rest by reason, repeats of others among them.
    """

    judged: int
    held: int
    dropped: dict[str, int]


def judged_points(scan: Scan, point_status: NDArray[np.uint8]) -> int:
    """How many of the file's vertices have a deviation and repeat no other."""
    return int(is_judged(_counted(scan, point_status)).sum())


def _counted(scan: Scan, point_status: NDArray[np.uint8]) -> NDArray[np.uint8]:
    return np.asarray(point_status[scan.usable[: len(point_status)]])


def count_points(
    scan: Scan, charted: ChartedPoints, point_status: NDArray[np.uint8]
) -> PointCounts:
    """Count the file's vertices.

    Parameters
    ----------
    point_status : (v,) codes of `deviation`.
    """
    status = _counted(scan, point_status)
    dropped = {**scan.dropped, **charted.dropped}
    rest = int((status == NOT_JUDGED).sum()) - sum(charted.dropped.values())
    if rest > 0:
        dropped["not judged: strips, openings, flying points"] = rest
    return PointCounts(int(is_judged(status).sum()), int((status == HELD).sum()), dropped)

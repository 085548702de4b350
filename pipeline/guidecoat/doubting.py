"""Regions that a scan alone does not settle: the one place that states what is doubted, and when.

A doubt only ever turns `out` into `undecided`; what is sure is said by the fair surface.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .cells import Cells, ChartedPoints
from .creases import Crease
from .deviation import CellDeviation
from .double_skins import DoubleSkin, find_double_skins, look_for_layers
from .faces import HEM_MM, Faces
from .fairing import FairSurface
from .flying import flying_share
from .regions import Region
from .ripple_doubts import doubt_ripple
from .scan import Scan
from .scan_doubts import (
    doubt_doubled,
    doubt_facets,
    doubt_flying,
    doubt_rolled,
    doubt_unseen,
)
from .settings import Settings
from .untold import doubt_forms

Mask = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Seen:
    """A scan on a chart, and what in it makes its marks doubtful.

    skin : (nu, nv) bool; doubles : patches where it lies twice; flying : share of its points that
    lie off it.
    """

    scan: Scan
    charted: ChartedPoints
    cells: Cells
    skin: Mask
    doubles: tuple[DoubleSkin, ...]
    flying: float

    @classmethod
    def on(cls, scan: Scan, charted: ChartedPoints, cells: Cells, skin: Mask, faces: Faces) -> Seen:
        """Look at a scan that was laid on the chart and faces of another."""
        clear_mm = faces.inboard_mm + HEM_MM
        layers = look_for_layers(charted, cells)
        doubles = find_double_skins(layers, cells, faces.inside_mm, clear_mm=clear_mm)
        return cls(scan, charted, cells, skin, doubles, flying_share(charted, cells, skin))


def doubt_regions(
    regions: tuple[Region, ...],
    found: CellDeviation,
    seen: Seen,
    faces: Faces,
    creases: tuple[Crease, ...],
    fair: FairSurface,
    settings: Settings,
) -> tuple[Region, ...]:
    """Regions with those undecided that a scan cannot tell from noise, a second skin or form."""
    cells, limit = seen.cells, settings.tolerance.height_mm
    regions = doubt_unseen(regions, found.smallest_visible_mm, limit)
    regions = doubt_doubled(regions, seen.doubles, cells, seen.skin, tolerance_mm=limit)
    regions = doubt_flying(regions, seen.flying)
    regions = doubt_ripple(regions, found, cells, settings)
    regions = doubt_forms(regions, found, cells, faces, creases, fair, settings)
    regions = doubt_facets(regions, seen.scan, seen.charted, cells)
    return doubt_rolled(regions, faces, inboard_mm=settings.edges.inboard_mm)

"""A skin as it is looked on for body lines: quadratics in a window round every cell."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ..numerics.local_fit import LocalFit, fit_locally
from ..unrolling.cells import Cells
from .profiles import turn_and_step

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Sigma. A narrower window than 1.3 cells is noise: at half the door keeps 3 of its 15 lines. A
# wider one merges a body line with a recess 20 mm below: at double the door's lines turn by 1.4
# rad.
_WINDOW_MM = 6.0
_WINDOW_CELLS = 1.3


@dataclass(frozen=True, eq=False)
class CreaseView:
    """A skin seen through a window for curvatures.

    mask : (nu, nv) bool, cells to look on, clear of edges; skin : all cells of the skin; fit : the
    quadratics in the window; sigma_mm : its width.
    """

    cells: Cells
    mask: Mask
    skin: Mask
    fit: LocalFit
    sigma_mm: float

    @classmethod
    def through(cls, cells: Cells, mask: Mask, skin: Mask, *, sigma_mm: float) -> CreaseView:
        """Look at a skin through a window of this sigma."""
        fit = fit_locally(
            cells.height_mm,
            mask.astype(float),
            cell_mm=cells.grid.cell_mm,
            sigma_mm=sigma_mm,
            where=mask,
        )
        return cls(cells, mask, skin, fit, sigma_mm)

    @cached_property
    def _inside_mm(self) -> Floats:
        inside = ndimage.distance_transform_edt(self.skin) * self.cells.grid.cell_mm
        return np.asarray(inside)

    def from_edge_mm(self, places_uv: Floats) -> Floats:
        """(k,) how far (k, 2) places lie inside the skin, 0 off it."""
        grid = self.cells.grid
        u, v = places_uv.T
        inside = self._inside_mm[grid.index(u, v)]
        return np.asarray(np.where(grid.beyond(u, v), 0.0, inside))

    def across(self, line_uv: Floats) -> tuple[Floats, Floats]:
        """(k,) turn (rad) and step (mm) across a line at its stations, NaN where not seen."""
        return turn_and_step(line_uv, self.fit, self.cells, self.mask)


def window_mm(cells: Cells) -> float:
    """Width of the window for curvatures: 6 mm tells a body line from a recess 20 mm below it."""
    return max(_WINDOW_MM, _WINDOW_CELLS * cells.grid.cell_mm)

"""What a plan is made from: a finished check, seen through the parts the plan reads."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from ..findings.regions import Region
from ..measuring.deviation import Deviation
from ..outline.edge_lines import EdgeLine
from ..outline.faces import Faces
from ..scans.scan import Scan
from ..settings import Settings
from ..surface.fairing import FaceSurface, FairSurface
from ..unrolling.cells import Cells
from ..unrolling.chart import Chart
from ..unrolling.stretch import Stretch

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]


class Checked(Protocol):
    """The result of a check, as far as a plan needs it."""

    @property
    def scan(self) -> Scan:
        """The scan."""

    @property
    def settings(self) -> Settings:
        """The run's settings."""

    @property
    def chart(self) -> Chart:
        """The unrolled panel."""

    @property
    def cells(self) -> Cells:
        """Averages of the scan's points."""

    @property
    def faces(self) -> Faces:
        """The parts that are one fair surface each."""

    @property
    def fair(self) -> FairSurface:
        """The fair surface."""

    @property
    def edges(self) -> tuple[EdgeLine, ...]:
        """What the surface is held to."""

    @property
    def deviation(self) -> Deviation:
        """Heights above the fair surface."""

    @property
    def regions(self) -> tuple[Region, ...]:
        """Highs, lows and ripple."""

    @property
    def verdict(self) -> str:
        """in, out or undecided."""


@dataclass(frozen=True, eq=False)
class PanelField:
    """The panel's height over the fair surface as a plan sees it, on the cells' grid (nu, nv).

    height_mm : the smoothed deviation within highs and lows that are out, 0 elsewhere: metal in
    tolerance is left alone, and what is undecided is measured before it is worked;
    judged : cells that count; area_mm2 : (nu, nv) of the skin over each cell; highs, lows : those
    regions, each with its cells.
    """

    height_mm: Floats
    judged: Mask
    highs: tuple[Region, ...]
    lows: tuple[Region, ...]
    area_mm2: Floats
    cell_mm: float


def panel_field(result: Checked) -> PanelField:
    """The panel as the plan sees it: noise on sound metal is neither high nor low."""
    smooth = result.deviation.smooth_mm
    judged = (result.deviation.not_judged == 0) & np.isfinite(smooth)
    height = np.zeros(judged.shape)
    out = [region for region in result.regions if region.verdict == "out"]
    highs = tuple(region for region in out if region.kind == "high")
    lows = tuple(region for region in out if region.kind == "low")
    for region in lows:
        inside = region.footprint & judged
        height[inside] = np.minimum(smooth[inside], 0.0)
    for region in highs:
        inside = region.footprint & judged
        height[inside] = np.maximum(smooth[inside], 0.0)
    height.setflags(write=False)
    area = Stretch.of(result.cells, result.chart, judged).area_mm2
    return PanelField(height, judged, highs, lows, area, result.cells.grid.cell_mm)


def face_at(result: Checked, u_mm: float, v_mm: float) -> FaceSurface | None:
    """The face a place lies on, None where there is none."""
    i, j = result.cells.grid.index(np.array([u_mm]), np.array([v_mm]))
    label = int(result.faces.label[i[0], j[0]])
    return next((face for face in result.fair.faces if face.face == label), None)

"""Panels whose form is known exactly: a form, an outline with openings, creases and steps."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from .forms import Form, Revolved, Swept
from .heights import Hull
from .outline import Region, RoundBox, Trimmed

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class TruthCrease:
    """A true crease or step: `line_st` (k, 2) mm, its own turn (the crown's is extra), its width.

    A step comes out level, turn 0; its `drop_mm` says how far in the far side lies.
    """

    name: str
    kind: Literal["soft", "sharp", "step"]
    line_st: Floats
    turn_rad: float
    width_mm: float
    drop_mm: float = 0.0


@dataclass(frozen=True)
class Backing:
    """Something behind the skin that a scanner sees through an opening or past an edge."""

    region: Region
    extent_mm: tuple[float, float, float, float]
    behind_mm: float
    kind: Literal["inner skin", "fixture"] = "inner skin"


@dataclass(frozen=True, eq=False)
class Panel:
    """A panel whose form is known exactly.

    form : positions and normals over (s, t) in mm; outline, openings : regions of that plane;
    extent_mm : (s0, s1, t0, t1) around the outline; creases : what is there to be found;
    backings : inner skins and fixtures behind it.
    """

    name: str
    form: Form
    outline: Region
    extent_mm: tuple[float, float, float, float]
    openings: tuple[Region, ...] = ()
    creases: tuple[TruthCrease, ...] = ()
    backings: tuple[Backing, ...] = ()

    def position_mm(self, s: Floats, t: Floats) -> Floats:
        """(n, 3) true form at (n,) places, in the panel's frame."""
        return self.form.frame(s, t).position_mm

    def normal(self, s: Floats, t: Floats) -> Floats:
        """(n, 3) outward unit normals of the true form."""
        return self.form.frame(s, t).normal

    def edge_distance_mm(self, s: Floats, t: Floats) -> Floats:
        """Signed distance to the nearest edge, outline or opening; negative on the skin."""
        return Trimmed((self.outline,), self.openings).distance_mm(s, t)

    def inside(self, s: Floats, t: Floats) -> NDArray[np.bool_]:
        """Whether places lie on the skin."""
        return np.asarray(self.edge_distance_mm(s, t) <= 0.0)

    def clearance_mm(self, s: float, t: float) -> float:
        """Distance of one place to the nearest edge, crease or step; negative off the skin."""
        edge = -float(self.edge_distance_mm(np.array([s]), np.array([t]))[0])
        lines = [_distance_to_line(crease.line_st, s, t) for crease in self.creases]
        return min([edge, *lines])


def _distance_to_line(line: Floats, s: float, t: float) -> float:
    start, run = line[:-1], np.diff(line, axis=0)
    here = np.array([s, t]) - start
    share = np.clip((here * run).sum(1) / np.maximum((run * run).sum(1), 1e-12), 0.0, 1.0)
    return float(np.hypot(*(here - share[:, None] * run).T).min())


def flat_panel(*, length_mm: float = 600.0, width_mm: float = 400.0) -> Panel:
    """A flat sheet with small round corners."""
    return _plain("flat panel", Swept(), length_mm, width_mm)


def cylinder_panel(radius_mm: float, *, length_mm: float = 600.0, width_mm: float = 400.0) -> Panel:
    """A part of a circular cylinder about an axis along s; `width_mm` runs around it."""
    return _plain("cylinder panel", Swept(width_mm / radius_mm, width_mm), length_mm, width_mm)


def sphere_panel(radius_mm: float, *, length_mm: float = 600.0, width_mm: float = 400.0) -> Panel:
    """A part of a sphere; s is exact along t = 0, t everywhere."""
    return _plain("sphere panel", Revolved(0.0, radius_mm), length_mm, width_mm)


def torus_panel(
    major_mm: float, minor_mm: float, *, length_mm: float = 600.0, width_mm: float = 400.0
) -> Panel:
    """The outside of a torus: radius major + minor along s, minor along t."""
    return _plain("torus panel", Revolved(major_mm, minor_mm), length_mm, width_mm)


def hull_panel(
    *, length_mm: float = 2400.0, beam_mm: float = 240.0, draught_mm: float = 450.0
) -> Panel:
    """One side of the Wigley hull without its stems and keel: analytic, mirror-symmetric.

    The surface of W. C. S. Wigley's model, y = (B/2)(1 - (2x/L)^2)(1 - (z/T)^2).
    """
    form = Swept(heights=(Hull(length_mm, beam_mm, draught_mm),))
    extent = (-0.4 * length_mm, 0.4 * length_mm, -0.8 * draught_mm, 0.0)
    return Panel("hull panel", form, RoundBox(*extent, 20.0), extent)


def _plain(name: str, form: Form, length_mm: float, width_mm: float) -> Panel:
    extent = (-0.5 * length_mm, 0.5 * length_mm, -0.5 * width_mm, 0.5 * width_mm)
    return Panel(name, form, RoundBox(*extent, 0.02 * width_mm), extent)


def on_stand(panel: Panel, *, behind_mm: float = 60.0, beyond_mm: float = 80.0) -> Panel:
    """The panel on two bars of a stand that stick out past its ends, for a scan with fixtures."""
    s0, s1, t0, t1 = panel.extent_mm
    bars = []
    for share in (0.25, 0.75):
        t = t0 + share * (t1 - t0)
        extent = (s0 - beyond_mm, s1 + beyond_mm, t - 22.0, t + 22.0)
        bars.append(Backing(RoundBox(*extent), extent, behind_mm, "fixture"))
    return replace(panel, backings=(*panel.backings, *bars))

"""A drawing in full size: strokes, fills and lettering in millimetres, before paper or file."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

INK, PALE = "#1a1a1a", "#6b6b6b"


@dataclass(frozen=True, eq=False)
class Stroke:
    """A polyline (k, 2) in mm; `dash` is solid, dashed, dotted or dashdot; `fill` inside it."""

    xy_mm: Floats
    width_mm: float = 0.25
    dash: str = "solid"
    colour: str = INK
    fill: str | None = None


@dataclass(frozen=True)
class Lettering:
    """A text, its middle at a place in mm."""

    x_mm: float
    y_mm: float
    text: str
    tall_mm: float = 4.0
    bold: bool = False


@dataclass(frozen=True, eq=False)
class Drawing:
    """What is drawn, and the box (x0, y0, x1, y1) in mm that it fills."""

    title: str
    strokes: tuple[Stroke, ...]
    lettering: tuple[Lettering, ...]
    note: str = ""

    @property
    def box_mm(self) -> tuple[float, float, float, float]:
        """The smallest box round all strokes and places of lettering, with 3 mm to spare."""
        known = [s.xy_mm[np.isfinite(s.xy_mm).all(axis=1)] for s in self.strokes]
        places = [np.array([[t.x_mm, t.y_mm]]) for t in self.lettering]
        xy = np.vstack([*known, *places])
        (x0, y0), (x1, y1) = (xy.min(axis=0) - 3.0).tolist(), (xy.max(axis=0) + 3.0).tolist()
        return x0, y0, x1, y1


def cross(x_mm: float, y_mm: float, half_mm: float, width_mm: float = 0.25) -> tuple[Stroke, ...]:
    """An upright cross."""
    return (
        Stroke(np.array([[x_mm - half_mm, y_mm], [x_mm + half_mm, y_mm]]), width_mm),
        Stroke(np.array([[x_mm, y_mm - half_mm], [x_mm, y_mm + half_mm]]), width_mm),
    )


def stacked(drawings: Sequence[Drawing], tall_mm: float, *, gap_mm: float = 8.0) -> list[Drawing]:
    """Drawings put under one another as long as they fit into a height, to save paper."""
    groups: list[list[Drawing]] = []
    room = 0.0
    for drawing in drawings:
        _, y0, _, y1 = drawing.box_mm
        if not groups or room < y1 - y0 + gap_mm:
            groups.append([])
            room = tall_mm
        groups[-1].append(drawing)
        room -= y1 - y0 + gap_mm
    return [_under_one_another(group, gap_mm) for group in groups]


def _under_one_another(group: list[Drawing], gap_mm: float) -> Drawing:
    strokes: list[Stroke] = []
    lettering: list[Lettering] = []
    top = 0.0
    for drawing in group:
        x0, y0, _, y1 = drawing.box_mm
        shift = np.array([-x0, top - y1])
        strokes += [replace(s, xy_mm=s.xy_mm + shift) for s in drawing.strokes]
        lettering += [
            replace(t, x_mm=t.x_mm + shift[0], y_mm=t.y_mm + shift[1]) for t in drawing.lettering
        ]
        top -= y1 - y0 + gap_mm
    title = ", ".join(drawing.title for drawing in group)
    return Drawing(title, tuple(strokes), tuple(lettering), group[0].note)

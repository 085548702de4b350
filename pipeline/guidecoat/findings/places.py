"""Where to look on a panel: a place in the scan's own frame, and tape distances from its edges."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..outline.edges import Edge
from ..panel.unrolled import Unrolled, place_in_file
from .tapes import Metal, at_words, tape_distances


@dataclass(frozen=True)
class Place:
    """Where to look: x, y, z in the scan's own units and frame, and tape distances."""

    x: float
    y: float
    z: float
    from_edges: str

    def __str__(self) -> str:
        """Such as `at x 120, y -40, z 3.2 (310 mm from edge A, 205 mm from edge B)`."""
        where = at_words(self.x, self.y, self.z)
        return f"{where} ({self.from_edges})" if self.from_edges else where


def place_of(unrolled: Unrolled, edges: Sequence[Edge], u_mm: float, v_mm: float) -> Place:
    """The place of a chart point on the skin, or over a hole at the height of the nearest skin."""
    u = unrolled
    x, y, z = place_in_file(u.scan, u.chart, u.cells, u.skin, (u_mm, v_mm))
    metal = Metal.of(u.cells, u.chart, u.cells.filled | (u.faces.label > 0))
    at = np.array([u_mm, v_mm])
    tape = tape_distances(at, tuple(edges), metal=metal) if edges else ""
    return Place(x, y, z, tape)

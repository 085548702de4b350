"""Finding room for labels: near what they name, beside the marks, not over one another."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Point = tuple[float, float]
_DIRECTIONS = 24
_RINGS = 12


@dataclass(frozen=True)
class Box:
    """A rectangle in pixels."""

    x0: float
    y0: float
    x1: float
    y1: float

    def overlap(self, other: Box) -> float:
        """Area shared with another box, in square pixels."""
        wide = min(self.x1, other.x1) - max(self.x0, other.x0)
        high = min(self.y1, other.y1) - max(self.y0, other.y0)
        return max(wide, 0.0) * max(high, 0.0)

    def holds(self, x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Which of some points lie in the box."""
        return np.asarray((x >= self.x0) & (x <= self.x1) & (y >= self.y0) & (y <= self.y1))


def box_at(centre: Point, size: tuple[float, float]) -> Box:
    """The box of a size about a centre."""
    (x, y), (w, h) = centre, size
    return Box(x - 0.5 * w, y - 0.5 * h, x + 0.5 * w, y + 0.5 * h)


@dataclass
class Room:
    """What is taken already; grows as labels are placed.

    bounds : the drawing; busy : (nx, ny) sums over the marks from the lower left corner of
    `bounds`, one entry per `pitch` pixels, with a leading row and column of zeros.
    """

    bounds: Box
    busy: NDArray[np.float64]
    pitch: float
    boxes: list[Box] = field(default_factory=list)
    lines: list[NDArray[np.float64]] = field(default_factory=list)

    def take(self, box: Box) -> None:
        """Keep later labels off this box."""
        self.boxes.append(box)

    def take_line(self, a: Point, b: Point) -> None:
        """Keep later labels off this line where that can be."""
        self.lines.append(_along(a, b))

    def take_path(self, path: NDArray[np.float64]) -> None:
        """Keep later labels off a polyline (k, 2), as off a line."""
        pieces = [_along(tuple(a), tuple(b)) for a, b in pairwise(path)]
        if pieces:
            self.lines.append(np.concatenate(pieces))

    def cost(self, box: Box) -> float:
        """How bad it would be to put a label here; 0 is free."""
        b = self.bounds
        if box.x0 < b.x0 or box.y0 < b.y0 or box.x1 > b.x1 or box.y1 > b.y1:
            return math.inf
        area = (box.x1 - box.x0) * (box.y1 - box.y0)
        crowd = sum(box.overlap(other) for other in self.boxes) / area
        crossed = sum(int(box.holds(line[:, 0], line[:, 1]).any()) for line in self.lines)
        return 20.0 * crowd + 3.0 * crossed + 6.0 * self._marked(box)

    def is_free(self, box: Box, own: Box | None = None) -> bool:
        """Whether a box lies over no other one but its own."""
        return not any(box.overlap(other) for other in self.boxes if other is not own)

    def place(self, anchor: Point, size: tuple[float, float], reach: float) -> Box | None:
        """A box of this size about `reach` pixels or more from the anchor, and take it; None where
        every one would lie over another.

        The best of rings of candidates; nearer is better, and so is a leader line that crosses
        nothing.
        """
        best: Box | None = None
        least = math.inf
        x, y = (np.array([c]) for c in anchor)
        others = [b for b in self.boxes if not b.holds(x, y).any()]
        for ring in range(_RINGS):
            if least <= 0.5 * ring:
                break
            away = reach + ring * 1.4 * size[1]
            for k in range(_DIRECTIONS):
                angle = 2.0 * math.pi * (k + 0.5) / _DIRECTIONS
                to_x = anchor[0] + (away + 0.5 * size[0]) * math.cos(angle)
                to_y = anchor[1] + (away + 0.5 * size[1]) * math.sin(angle)
                box = box_at((to_x, to_y), size)
                cost = self.cost(box) if self.is_free(box) else math.inf
                cost += 0.5 * ring + 0.3 * abs(math.cos(angle))
                if cost < least:
                    leader = _along(anchor, (to_x, to_y))
                    cost += 8.0 * sum(
                        int(b.holds(leader[:, 0], leader[:, 1]).any()) for b in others
                    )
                if cost < least:
                    best, least = box, cost
        if best is None:
            return None
        self.take(best)
        self.take_line(anchor, (0.5 * (best.x0 + best.x1), 0.5 * (best.y0 + best.y1)))
        return best

    def _marked(self, box: Box) -> float:
        i0, i1 = (round((x - self.bounds.x0) / self.pitch) for x in (box.x0, box.x1))
        j0, j1 = (round((y - self.bounds.y0) / self.pitch) for y in (box.y0, box.y1))
        top_i, top_j = self.busy.shape[0] - 1, self.busy.shape[1] - 1
        i0, i1 = (min(max(i, 0), top_i) for i in (i0, max(i1, i0 + 1)))
        j0, j1 = (min(max(j, 0), top_j) for j in (j0, max(j1, j0 + 1)))
        s = self.busy
        total = s[i1, j1] - s[i0, j1] - s[i1, j0] + s[i0, j0]
        return float(total) / max((i1 - i0) * (j1 - j0), 1)


def busy_sums(mask: NDArray[np.bool_]) -> NDArray[np.float64]:
    """(nx, ny) marks to (nx + 1, ny + 1) sums over all entries before."""
    return np.pad(mask.astype(np.float64).cumsum(axis=0).cumsum(axis=1), ((1, 0), (1, 0)))


def _along(a: Point, b: Point) -> NDArray[np.float64]:
    steps = np.linspace(0.0, 1.0, 2 + int(math.dist(a, b) / 8.0))[:, None]
    return np.array(a) * (1.0 - steps) + np.array(b) * steps

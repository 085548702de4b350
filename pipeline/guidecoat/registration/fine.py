"""Fine placing: robust surface-to-surface fit on the unchanged part, both ways at once."""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from ..numerics.biweight import BIWEIGHT, MAD_TO_SIGMA, tukey
from .coarse import thin
from .pairing import Pairs, against_rim, against_surface, facing_right, nearest
from .rigid import inverse, move, stepped
from .settings import RegistrationSettings
from .surfels import Surfels

Array = NDArray[np.float64]
MOST_STEPS = 60
SETTLED_MM = 1e-3
RIM_CORRELATION = 3.0
RIM_CELLS = 8.0
NEAR_RIM_CELLS = 1.5
MISFIT_CAP_MM = 1.0
MISFIT_CELLS = 3.0
EDGE_FLOOR_MM = 0.005


@dataclass(frozen=True, eq=False)
class Readings:
    """Weighted residuals of one fit step in the target's frame.

    `rows` (n, 6): turn about `centre` (times 1/`radius_mm`) and shift; `arms` (n, 3) from the
    centre over the radius; `residual` (n,) mm;
    `weight` (n,) in 1/mm2, deflated for correlated neighbours; `tukey` (n,) 0..1.
    """

    rows: Array
    arms: Array
    residual: Array
    weight: Array
    tukey: Array
    scale_mm: float


@dataclass(frozen=True, eq=False)
class Fit:
    """A settled placing: motion, surface and rim readings, and how far the scans agree."""

    motion: Array
    centre: Array
    radius_mm: float
    surface: Readings
    rim: Readings | None
    tilt_variance: float
    overlap: float
    agreement: float
    converged: bool
    unchanged: NDArray[np.bool_]


@dataclass(eq=False)
class _Side:
    """One way of looking: moving points of `source` against `target` with cached neighbours."""

    source: Surfels
    target: Surfels
    cells: NDArray[np.int64]
    rim_tree: cKDTree | None
    at: NDArray[np.int64] | None = None
    rim_at: NDArray[np.int64] | None = None


def fit_fine(
    work: FineWork,
    motion: Array,
    *,
    reach_mm: float,
    held_still: bool = False,
    most_steps: int = MOST_STEPS,
) -> tuple[Array, float, bool]:
    """Settle a placing that is right to within about `reach_mm`.

    Gauss-Newton on point-to-surface distances with Tukey's biweight; its scale is the MAD of
    the part within the cut, and the cut shrinks step by step. `held_still` only finds the cut.

    Returns
    -------
    motion (4, 4), the last cut (mm), whether the last step was below `SETTLED_MM`.
    """
    cut = max(reach_mm, 10.0 * work.settings.noise_floor_mm)
    converged = held_still
    # Rims start wide, as a smooth panel may still have to slide by several cells.
    work.rim_reach = RIM_CELLS * work.sides[0].source.cell_mm
    for _ in range(most_steps):
        surface, rim = work.readings(motion, cut)
        level = cut > 1.02 * BIWEIGHT * surface.scale_mm
        cut = min(cut, max(BIWEIGHT * surface.scale_mm, 0.5 * cut))
        if not held_still:
            twist = solve_step(surface, rim)
            motion = work.applied(twist, motion)
            converged = bool(np.abs(twist).max() < SETTLED_MM)
        if converged and not level:
            break
    return motion, cut, converged


def solve_step(surface: Readings, rim: Readings | None) -> Array:
    """(6,) scaled Gauss-Newton step; a seventh unknown lets both rims stand off alike.

    Where points are sparser the outermost one lies further inside the true edge, so the two
    rims may differ by one common distance, which is fitted and not read as a shift.
    """
    left, right = information(surface, rim)
    # A free direction is held to 2 mm per step instead of following the noise.
    left[:6, :6] += np.eye(6) / 2.0**2
    return np.asarray(-np.linalg.solve(left, right)[:6])


def information(surface: Readings, rim: Readings | None) -> tuple[Array, Array]:
    """(7, 7) normal matrix and (7,) gradient of shift, turn and the rims' common distance."""
    left, right = np.zeros((7, 7)), np.zeros(7)
    weighted = surface.rows * surface.weight[:, None]
    left[:6, :6] = weighted.T @ surface.rows
    right[:6] = weighted.T @ surface.residual
    left[6, 6] = 1.0
    if rim is not None:
        rows = np.concatenate([rim.rows, np.full((len(rim.rows), 1), -1.0)], axis=1)
        weighted = rows * rim.weight[:, None]
        left += weighted.T @ rows
        right += weighted.T @ rim.residual
    return left, right


class FineWork:
    """The readings of one pair of scans at one density."""

    def __init__(
        self, source: Surfels, target: Surfels, settings: RegistrationSettings, most: int
    ) -> None:
        self.settings = settings
        self.oriented = source.oriented and target.oriented
        self.sides = [
            _Side(one, other, thin(one.points, most), _rim_tree(other))
            for one, other in ((source, target), (target, source))
        ]
        self.centre = np.zeros(3)
        self.radius_mm = 0.35 * min(source.radius_mm, target.radius_mm) + 1e-9
        self.middle_source = source.points.mean(0)
        self.last: Array | None = None
        self.rim_reach = NEAR_RIM_CELLS * source.cell_mm

    def alike(self) -> FineWork:
        """The same pair at the same density, for another start."""
        other = copy(self)
        other.sides = [replace(side, at=None, rim_at=None) for side in self.sides]
        other.last = None
        return other

    def applied(self, twist: Array, motion: Array) -> Array:
        """The motion after a scaled step about the centre of the last readings."""
        return stepped(motion, twist, self.centre, self.radius_mm)

    def readings(self, motion: Array, cut: float) -> tuple[Readings, Readings | None]:
        """Surface and rim readings at a placing, weights zero beyond the cut."""
        self._look_anew(motion)
        self.centre = move(motion, self.middle_source[None])[0]
        both = [self.surface(k, motion) for k in (0, 1)]
        surface = self._readings(
            [b[0] for b in both],
            [b[1] for b in both],
            [b[2] for b in both],
            cut,
            self.settings.noise_floor_mm,
            self._deflation(),
        )
        return surface, self._rim(motion)

    def weighed(self, motion: Array) -> tuple[Readings, Array]:
        """Surface readings at a placing, and (n,) weights without a judgement of the residuals;
        they are 0 for cells that do not lie on the other scan.
        """
        self._look_anew(motion)
        self.centre = move(motion, self.middle_source[None])[0]
        reach = self.settings.largest_change_mm
        both = [self.surface(k, motion) for k in (0, 1)]
        weights = [b[1] for b in both]
        surface = self._readings(
            [b[0] for b in both], weights, [b[2] for b in both], reach, reach, 1.0
        )
        return surface, np.concatenate(weights) * (np.abs(surface.residual) < reach)

    def misfit(self, motion: Array) -> float:
        """Mean squared distance (mm2) of all cells, capped; what has no counterpart counts full."""
        self._look_anew(motion)
        total, count = 0.0, 0
        for k in (0, 1):
            pairs, _, _ = self.surface(k, motion)
            near = pairs.beside < MISFIT_CELLS * self.sides[k].target.cell_mm
            square = np.minimum(pairs.residual**2, MISFIT_CAP_MM**2)
            total += float(np.where(near, square, MISFIT_CAP_MM**2).sum())
            count += len(square)
        return total / max(count, 1)

    def _look_anew(self, motion: Array) -> None:
        """Forget which cells are neighbours once the placing has moved by more than a little."""
        if self._moved_far(motion):
            for side in self.sides:
                side.at = side.rim_at = None
            self.last = motion.copy()

    def _moved_far(self, motion: Array) -> bool:
        if self.last is None:
            return True
        source = self.sides[0].source
        some = source.points[:: max(1, len(source.points) // 50)]
        apart = np.abs(move(motion, some) - move(self.last, some)).max()
        return bool(apart > 0.03 * source.cell_mm)

    def surface(self, which: int, motion: Array) -> tuple[Pairs, Array, Array]:
        """Pairs in the target's frame, base weights and positions for one way of looking."""
        side = self.sides[which]
        way = motion if which == 0 else inverse(motion)
        points = move(way, side.source.points[side.cells])
        normals = side.source.normals[side.cells] @ way[:3, :3].T
        if side.at is None:
            within = MISFIT_CELLS * side.target.cell_mm + self.settings.largest_change_mm
            side.at = nearest(side.target.tree, points, within_mm=within)
        pairs = against_surface(side.target, points, normals, side.at)
        good = facing_right(pairs, self.oriented, 0.8)
        good &= pairs.beside < 1.0 * side.target.cell_mm
        weights = side.source.weights[side.cells] * side.target.weights[side.at] * good
        if which == 0:
            return pairs, weights, points
        # Seen from the target, the same residual grows when the source moves the other way.
        turned = Pairs(
            -pairs.residual, pairs.direction @ motion[:3, :3].T, pairs.beside, pairs.facing
        )
        return turned, weights, side.source.points[side.cells]

    def _deflation(self) -> float:
        """How many cells share one independent reading, both ways counted."""
        side = self.sides[0]
        per_cell = len(side.source.points) * side.source.cell_mm**2 / len(side.cells)
        return max(1.0, 2.0 * self.settings.correlation_mm**2 / per_cell)

    def edge_readings(
        self, residual: Array, points: Array, directions: Array, cut: float, deflation: float
    ) -> Readings:
        """Readings of edges found otherwise: (w,) mm along (w, 3) directions at (w, 3) points.

        All within the cut have a say, however well most agree: the few that tell of a slide
        stand out from the many that can't.
        """
        alike = np.ones(len(residual))
        pairs = Pairs(residual, directions, 0.0 * alike, alike)
        read = self._readings([pairs], [alike], [points], cut, EDGE_FLOOR_MM, deflation)
        robust = tukey(residual, cut)
        return replace(read, weight=robust / (read.scale_mm**2 * deflation), tukey=robust)

    def _rim(self, motion: Array) -> Readings | None:
        cell = self.sides[0].source.cell_mm
        reach = self.rim_reach
        self.rim_reach = max(0.6 * reach, NEAR_RIM_CELLS * cell)
        found = [self._rim_side(k, motion, reach) for k in (0, 1)]
        if any(f is None for f in found):
            return None
        both = [f for f in found if f is not None]
        near = sum(int(np.count_nonzero(f[1])) for f in both)
        if near < 40:
            return None
        # Along an edge errors hang together for longer: rows of points lie beside it or not.
        step = RIM_CORRELATION * self.settings.correlation_mm / cell
        pairs = [f[0] for f in both]
        weights = [f[1] for f in both]
        points = [f[2] for f in both]
        readings = self._readings(pairs, weights, points, reach, 0.02 * cell, max(1.0, 2.0 * step))
        # Ends of coverage scatter at random; edges of the panel agree.
        held = float((readings.tukey * np.concatenate(weights)).sum())
        return readings if held > 0.4 * near else None

    def _rim_side(
        self, which: int, motion: Array, reach: float
    ) -> tuple[Pairs, Array, Array] | None:
        side = self.sides[which]
        rim, other = side.source.rim, side.target.rim
        if side.rim_tree is None or len(rim.points) == 0:
            return None
        way = motion if which == 0 else inverse(motion)
        points = move(way, rim.points)
        turn = way[:3, :3].T
        if side.rim_at is None:
            side.rim_at = nearest(side.rim_tree, points)
        pairs = against_rim(other, points, rim.outward @ turn, rim.normals @ turn, side.rim_at)
        good = (pairs.facing > 0.85) & (pairs.beside < 2.0 * side.target.cell_mm)
        good &= np.abs(pairs.residual) < reach
        weights = good.astype(np.float64)
        if which == 0:
            return pairs, weights, points
        # Outward stays outward seen from either scan, so only the residual's sign turns over.
        turned = Pairs(
            -pairs.residual, pairs.direction @ motion[:3, :3].T, pairs.beside, pairs.facing
        )
        return turned, weights, rim.points

    def _readings(
        self,
        pairs: list[Pairs],
        weights: list[Array],
        points: list[Array],
        cut: float,
        floor_mm: float,
        deflation: float,
    ) -> Readings:
        residual = np.concatenate([p.residual for p in pairs])
        weight = np.concatenate(weights)
        inside = (weight > 0.0) & (np.abs(residual) < cut)
        middle = np.median(np.abs(residual[inside])) if inside.any() else cut
        scale = max(MAD_TO_SIGMA * float(middle), floor_mm)
        limit = min(cut, BIWEIGHT * scale)
        robust = tukey(residual, limit)
        direction = np.concatenate([p.direction for p in pairs])
        arm = (np.concatenate(points) - self.centre) / self.radius_mm
        rows = np.concatenate([np.cross(arm, direction), direction], axis=1)
        return Readings(
            rows, arm, residual, weight * robust / (scale**2 * deflation), robust, scale
        )

    def closed(self, motion: Array, cut: float, converged: bool) -> Fit:
        """Readings, shares, noise of the normals and the unchanged cells at the end."""
        surface, rim = self.readings(motion, cut)
        change = self.settings.largest_change_mm
        area, on, agree = [], 0.0, 0.0
        tilts = []
        unchanged = np.zeros(len(self.sides[0].source.points), bool)
        begin = 0
        for k in (0, 1):
            side = self.sides[k]
            pairs, weights, _ = self.surface(k, motion)
            size = len(side.source.points)
            area.append(size)
            there = (weights > 0.0) & (np.abs(pairs.residual) < change)
            close = there & (np.abs(pairs.residual) < self.settings.agreement_mm)
            on += 0.5 * size * float(there.mean())
            agree += 0.5 * size * float(close.mean())
            share = surface.tukey[begin : begin + len(there)]
            begin += len(there)
            took_part = there & (share > 0.1)
            if k == 0:
                unchanged[side.cells[took_part]] = True
            if took_part.any():
                tilts.append(2.0 * (1.0 - np.abs(pairs.facing[took_part])))
        # |difference|^2 of two unit normals is chi-squared with 2 degrees of freedom (median
        # 1.386) times the variance of one tilt; each scan has half of it.
        tilt = float(np.median(np.concatenate(tilts))) / 1.386 / 2.0 if tilts else 0.0
        return Fit(
            motion,
            self.centre,
            self.radius_mm,
            surface,
            rim,
            tilt,
            min(1.0, on / min(area)),
            agree / max(on, 1e-9),
            converged,
            unchanged,
        )


def _rim_tree(surfels: Surfels) -> cKDTree | None:
    return cKDTree(surfels.rim.points) if len(surfels.rim.points) else None

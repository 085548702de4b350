"""Long thin ridges of curvature on the cells' grid, traced to lines: where a body line may run."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.ndimage import gaussian_filter1d, map_coordinates, maximum_filter, median_filter
from scipy.sparse import csgraph
from scipy.spatial import cKDTree

from ..numerics.biweight import MAD_TO_SIGMA
from ..numerics.local_fit import LocalFit
from ..unrolling.chart import Grid
from ..unrolling.polylines import length_mm, run_along

Floats = NDArray[np.float64]

_LOWEST_TURN_RAD = 0.010
_NOISE_FACTOR = 6.0
_LINK_CELLS = 2.9
_MOST_ACROSS = 0.85
_BESIDE_MM = 25.0
_LEAST_BESIDE = 0.33
_STRONGEST_RAD = 0.5
_CLEAR_CELLS = 4.0
_FINE_MM = 1.0

STATION_MM = 8.0
"""How far apart the stations of a traced line lie."""
BACKGROUND_MM = 120.0
"""Over what the panel's own curvature is taken, against which body lines stand out."""


@dataclass(frozen=True, eq=False)
class Ridge:
    """A traced line: (k, 2) chart mm about 8 mm apart, and the mean turn (rad, signed) within
    the window that found it.
    """

    line_uv: Floats
    turn_rad: float

    @property
    def length_mm(self) -> float:
        """Length of the line."""
        return length_mm(self.line_uv)


def trace_ridges(
    fit: LocalFit,
    mask: NDArray[np.bool_],
    grid: Grid,
    *,
    sigma_mm: float,
    shortest_mm: float,
    background_mm: float = BACKGROUND_MM,
    least_rad: float | None = None,
) -> list[Ridge]:
    """Trace ridges of the greatest curvature in excess of the panel's own, strongest first.

    Parameters
    ----------
    fit : local quadratics in a window of sigma_mm; mask : (nu, nv) bool, where they hold.
    shortest_mm : shorter lines are left out; background_mm : over what the panel's own curvature
        is taken; least_rad : how far a crest turns at least within the window, where noise is not
        to be told from all that the panel turns.
    """
    turn, direction = _excess_turn(fit, mask, grid.cell_mm, sigma_mm, background_mm)
    least = _over_noise(turn[mask]) if least_rad is None else least_rad
    crest = _crests(turn, direction, mask, least) & _stands_out(turn, grid.cell_mm)
    ridges = []
    for sign in (1.0, -1.0):
        places = np.argwhere(crest & (turn * sign > 0))
        across = direction[tuple(places.T)]
        for path in _paths(places.astype(np.float64), across, shortest_mm / grid.cell_mm):
            strength = turn[tuple(path.astype(int).T)]
            line = _smoothed(_on_the_crest(path, turn, direction), grid)
            if len(line) > 2:
                ridges.append(Ridge(line, float(np.median(strength))))
    return sorted(ridges, key=lambda r: -abs(r.turn_rad))


def _over_noise(turn: Floats) -> float:
    spread = MAD_TO_SIGMA * float(np.median(np.abs(turn))) if turn.size else 0.0
    return max(_LOWEST_TURN_RAD, _NOISE_FACTOR * spread)


def _excess_turn(
    fit: LocalFit, mask: NDArray[np.bool_], cell_mm: float, sigma_mm: float, background_mm: float
) -> tuple[Floats, Floats]:
    """Turn within the window along the direction of greatest curvature, and that direction."""
    parts = []
    step = max(1, round(background_mm / cell_mm / 12))
    for part in (fit.uu, fit.uv, fit.vv):
        filled = np.where(mask & np.isfinite(part), part, np.nan)
        parts.append(np.nan_to_num(filled - _background(filled, step)))
    uu, uv, vv = parts
    middle, half = 0.5 * (uu + vv), np.hypot(0.5 * (uu - vv), uv)
    first, second = middle + half, middle - half
    greatest = np.where(np.abs(first) >= np.abs(second), first, second)
    angle = 0.5 * np.arctan2(2.0 * uv, uu - vv)
    angle = np.where(np.abs(first) >= np.abs(second), angle, angle + 0.5 * np.pi)
    # A kink of angle t shows as a curvature of t / (sigma sqrt(2 pi)) in a Gaussian window.
    return greatest * sigma_mm * np.sqrt(2.0 * np.pi), angle


def _background(field: Floats, step: int) -> Floats:
    """Median over about twelve by twelve blocks: the panel's own curvature."""
    nu, nv = field.shape
    pad = np.full((-(-nu // step) * step, -(-nv // step) * step), np.nan)
    pad[:nu, :nv] = field
    rows, columns = pad.shape[0] // step, pad.shape[1] // step
    squares = pad.reshape(rows, step, columns, step).transpose(0, 2, 1, 3)
    blocks = squares.reshape(rows, columns, step * step)
    empty = np.asarray(np.isnan(blocks).all(axis=2))
    blocks = np.where(empty[:, :, None], 0.0, blocks)
    coarse = np.nanmedian(blocks, axis=2)
    overall = np.median(coarse[~empty]) if (~empty).any() else 0.0
    coarse = np.where(empty, overall, coarse)
    coarse = median_filter(coarse, size=13, mode="nearest")
    return np.kron(coarse, np.ones((step, step)))[:nu, :nv]


def _crests(
    turn: Floats, direction: Floats, mask: NDArray[np.bool_], least: float
) -> NDArray[np.bool_]:
    """Cells whose turn is over `least` and greatest across the ridge."""
    i, j = np.nonzero(mask & (np.abs(turn) > least))
    crest = np.zeros(turn.shape, bool)
    if not len(i):
        return crest
    di, dj = np.cos(direction[i, j]), np.sin(direction[i, j])
    here = np.abs(turn[i, j])
    signed = turn * np.where(mask, 1.0, 0.0)
    keep = np.ones(len(i), bool)
    for side in (1.0, -1.0):
        there = map_coordinates(signed, [i + side * di, j + side * dj], order=1, mode="nearest")
        keep &= here >= np.sign(turn[i, j]) * there
    crest[i[keep], j[keep]] = True
    return crest


def _stands_out(turn: Floats, cell_mm: float) -> NDArray[np.bool_]:
    """Cells that turn at least a third as much as any within 25 mm: beside a strong line, weak
    crests are its noise, and would link it to the next line.
    """
    around = 2 * int(np.ceil(_BESIDE_MM / cell_mm)) + 1
    # Beyond half a radian a skin ends and another begins: lines beside that are no noise of it.
    strength = np.minimum(np.abs(turn), _STRONGEST_RAD)
    return np.asarray(strength >= _LEAST_BESIDE * maximum_filter(strength, around))


def _paths(places: Floats, across: Floats, shortest: float) -> list[Floats]:
    """Longest paths through crest cells that link, each clear of the ones before it.

    across : (n,) direction across the ridge at each cell; a link may not run that way.
    """
    paths: list[Floats] = []
    while len(places) > 3:
        pairs = cKDTree(places).query_pairs(_LINK_CELLS, output_type="ndarray")
        chord = places[pairs[:, 0]] - places[pairs[:, 1]]
        length = np.linalg.norm(chord, axis=1)
        heading = np.arctan2(chord[:, 1], chord[:, 0])
        leaves = [np.abs(np.cos(heading - across[pairs[:, k]])) > _MOST_ACROSS for k in (0, 1)]
        along = ~(leaves[0] & leaves[1])
        pairs, length = pairs[along], length[along]
        if not len(pairs):
            break
        k = len(places)
        graph = sparse.coo_array((length, (pairs[:, 0], pairs[:, 1])), shape=(k, k)).tocsr()
        tree = csgraph.minimum_spanning_tree(graph)
        labels = csgraph.connected_components(tree, directed=False)[1]
        clear = np.zeros(k, bool)
        for piece in np.unique(labels):
            members = np.flatnonzero(labels == piece)
            path = _longest_path(tree, members[0]) if len(members) > 3 else members
            line = places[path]
            if length_mm(line) < shortest:
                clear[members] = True
                continue
            paths.append(line)
            near = cKDTree(line).query(places[members])[0] < _CLEAR_CELLS
            clear[members[near]] = True
        places, across = places[~clear], across[~clear]
    return paths


def _longest_path(tree: sparse.csr_array, start: int) -> NDArray[np.intp]:
    far = int(np.nanargmax(_finite(csgraph.dijkstra(tree, directed=False, indices=start))))
    distance, before = csgraph.dijkstra(tree, directed=False, indices=far, return_predecessors=True)
    node = int(np.nanargmax(_finite(distance)))
    path = [node]
    while before[node] >= 0:
        node = int(before[node])
        path.append(node)
    return np.array(path)


def _finite(distance: Floats) -> Floats:
    return np.where(np.isfinite(distance), distance, np.nan)


def _on_the_crest(path: Floats, turn: Floats, direction: Floats) -> Floats:
    """Path cells moved across the ridge to the top of a parabola through three samples."""
    i, j = path.astype(int).T
    di, dj = np.cos(direction[i, j]), np.sin(direction[i, j])
    here = np.abs(turn[i, j])
    sides = [
        np.sign(turn[i, j])
        * map_coordinates(turn, [i + side * di, j + side * dj], order=1, mode="nearest")
        for side in (-1.0, 1.0)
    ]
    bend = sides[0] - 2.0 * here + sides[1]
    shift = np.where(bend < 0, 0.5 * (sides[0] - sides[1]) / np.where(bend < 0, bend, 1.0), 0.0)
    shift = np.clip(shift, -1.0, 1.0)
    return path + shift[:, None] * np.column_stack([di, dj])


def _smoothed(path: Floats, grid: Grid) -> Floats:
    """The path in chart mm, smoothed over about 15 mm and resampled."""
    line = np.column_stack(
        [
            grid.u0_mm + (path[:, 0] + 0.5) * grid.cell_mm,
            grid.v0_mm + (path[:, 1] + 0.5) * grid.cell_mm,
        ]
    )
    return smooth_line(line, sigma_mm=15.0, station_mm=STATION_MM)


def smooth_line(
    line: Floats, *, sigma_mm: float, station_mm: float, closed: bool = False
) -> Floats:
    """(n, 2) polyline smoothed along its length and resampled evenly; ends stay where they are.

    Walked the other way it gives the same stations; a closed line starts at the station
    farthest from its middle.
    """
    if closed:
        line = np.roll(
            line, -int(np.linalg.norm(line - line.mean(axis=0), axis=1).argmax()), axis=0
        )
        line = np.vstack([line, line[:1]])
    along = run_along(line)
    stations = max(2, round(along[-1] / station_mm))
    every = max(1, round(along[-1] / stations / _FINE_MM))
    count = stations * every + (0 if closed else 1)
    t = np.linspace(0.0, along[-1], count, endpoint=not closed)
    dense = np.column_stack([np.interp(t, along, line[:, k]) for k in range(2)])
    sigma = sigma_mm / (along[-1] / (stations * every))
    if closed:
        return np.asarray(gaussian_filter1d(dense, sigma, axis=0, mode="wrap")[::every])
    # Point reflection at the ends keeps them and their direction.
    n = min(len(dense) - 1, int(4 * sigma) + 1)
    head, tail = 2 * dense[0] - dense[n:0:-1], 2 * dense[-1] - dense[-2 : -n - 2 : -1]
    smooth = gaussian_filter1d(np.vstack([head, dense, tail]), sigma, axis=0)[n : n + len(dense)]
    return np.asarray(smooth[::every])

"""The fair surface: the smoothest one that the sound metal and the held edges of a face agree on."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import cKDTree

from .cells import Cells
from .chart import Grid
from .creases import Crease
from .edges import Beside, Edge, EdgeLine, cells_beside, lay_edge_line
from .errors import FitError
from .faces import JUDGED, Faces, near_line
from .settings import CreaseSettings, SurfaceSettings
from .spline import (
    Fit,
    Hinges,
    Rows,
    SplineSpace,
    energy_band,
    half_at,
    hinge_metric,
    solve,
)

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

_LADDER = (50.0, 75.0, 100.0, 150.0, 200.0, 250.0, 300.0, 350.0, 400.0, 500.0, 600.0, 800.0)
_SHARES = (0.25, 0.35, 0.5, 0.7, 1.0)
_ROUNDS = 2
_BIWEIGHT = 4.685
_SCALE_FLOOR = 1.0 / 15.0
_RISE = 1.10
_MASK_ROUNDS = 2
# A second pass fits what the first left over: it halves the form's own error near edges.
_PASSES = {2: 1, 3: 2}
_LEAST_SOUND = 0.3
_COARSEST_KNOT_MM = 20.0
_RELEASED_MM = 30.0
_LEAST_WINDOW = 0.32


@dataclass(frozen=True, eq=False)
class Held:
    """What a user holds or lets go: (k, 2) chart mm and (k,) heights the surface passes through,
    and (r, 2) places round which no edge is held.
    """

    uv: Floats
    height_mm: Floats
    released_uv: Floats


@dataclass(frozen=True, eq=False)
class FaceSurface:
    """The fair surface of one face.

    lattice : (nku + 3, nkv + 3) B-spline coefficients, NaN off the face; batten_mm and who
    decided it; scale_mm : robust residual of the sound cells, averaged as far as their noise
    asks for, noise_mm : of single cells; sound : (nu, nv) bool, cells it
    lies on; climb : (batten, residual) as the batten lengthened.
    """

    face: int
    space: SplineSpace
    fit: Fit
    lattice: Floats
    batten_mm: float
    batten_decided_by: str
    scale_mm: float
    noise_mm: float
    sound: Mask
    climb: tuple[tuple[float, float], ...]
    cell_area_mm2: float
    edges: tuple[EdgeLine, ...]

    def sigma_mm(self, u: Floats, v: Floats) -> Floats:
        """(n,) the surface's own standard uncertainty at chart places (Wahba 1983)."""
        rows = self.space.rows(u, v)
        variance = self.fit.factor.variance(rows, self.space.size)
        return np.asarray(self.noise_mm * np.sqrt(np.maximum(variance * self.cell_area_mm2, 0.0)))


@dataclass(frozen=True, eq=False)
class FairSurface:
    """The fair surfaces of all faces on one lattice of knots.

    u0, v0, knot_mm : the lattice; lattices : (faces, nku + 3, nkv + 3); faces : one per face.
    """

    u0: float
    v0: float
    knot_mm: float
    lattices: Floats
    faces: tuple[FaceSurface, ...]
    order: int


def lay_surface(
    cells: Cells,
    skin: Mask,
    faces: Faces,
    edges: tuple[Edge, ...],
    creases: tuple[Crease, ...],
    held: Held,
    *,
    surface: SurfaceSettings,
    hinge: CreaseSettings,
    hold_of: dict[str, str],
    tolerance_mm: float,
    error_mm: float,
) -> FairSurface:
    """Lay a fair surface on every face.

    Parameters
    ----------
    edges : their held stations are passed through; hold_of : per edge name `position`,
        `position+slope` or `free`.
    held : further held points, of all faces.
    surface, hinge : battens and order; the band and stiffness along body lines.
    tolerance_mm : the robust scale is never taken below a fifteenth of it.
    error_mm : residuals are averaged over neighbours until their noise is below this before they
        decide what is sound, or noise would hide long shallow marks.

    Raises
    ------
    FitError : when a face cannot be fitted at all.
    """
    hinged = [c for c in creases if _hinges_in(cells, faces, c).any()]
    knot = min(_COARSEST_KNOT_MM, surface.shortest_batten_mm / 8.0)
    knot = min(knot, hinge.knot_mm) if hinged else knot
    knot = max(knot, cells.grid.cell_mm)
    margin = 3.0 * knot
    grid = cells.grid
    u0, v0 = grid.u0_mm - margin, grid.v0_mm - margin
    spans = tuple(int(np.ceil((n * grid.cell_mm + 2 * margin) / knot)) for n in grid.shape)
    found = []
    for face in range(1, faces.count + 1):
        job = _face_job(
            cells,
            skin,
            faces,
            face,
            [e for e in edges if e.face == face],
            hinged,
            held,
            corner=(u0, v0),
            knot=knot,
            spans=(spans[0], spans[1]),
            surface=surface,
            hinge=hinge,
            tolerance_mm=tolerance_mm,
            error_mm=error_mm,
        )
        found.append(_fit_face(job, surface, hold_of))
    return FairSurface(
        u0, v0, knot, np.stack([f.lattice for f in found]), tuple(found), surface.order
    )


@dataclass(frozen=True, eq=False)
class _Job:
    """One face ready to be fitted."""

    face: int
    space: SplineSpace
    energy: Floats
    rows: Rows
    height_mm: Floats
    weight: Floats
    where: tuple[NDArray[np.intp], NDArray[np.intp]]
    shape: tuple[int, int]
    edges: tuple[Edge, ...]
    beside: tuple[Beside, ...]
    released: cKDTree | None
    points: Rows | None
    point_values: Floats
    cell_mm: float
    floor_mm: float
    tolerance_mm: float
    order: int
    widest_mm: float
    window_cells: float


def _hinges_in(cells: Cells, faces: Faces, crease: Crease) -> Mask:
    """Cells of a face along a line that does not part it: soft, or sharp but fading out."""
    along = near_line(cells, crease.line_uv, 1.5 * cells.grid.cell_mm)
    return np.asarray(along & (faces.label > 0))


def _face_job(
    cells: Cells,
    skin: Mask,
    faces: Faces,
    face: int,
    edges: list[Edge],
    creases: list[Crease],
    held: Held,
    *,
    corner: tuple[float, float],
    knot: float,
    spans: tuple[int, int],
    surface: SurfaceSettings,
    hinge: CreaseSettings,
    tolerance_mm: float,
    error_mm: float,
) -> _Job:
    grid = cells.grid
    member = faces.label == face
    active = _active_spans(member, grid, corner, knot, spans)
    space = SplineSpace.build(corner[0], corner[1], knot, active)
    hinges = _hinge_spans(space, creases, cells, faces, face, surface.order, hinge)
    energy = energy_band(space, order=surface.order, hinges=hinges)
    use = skin & member & (faces.reason == JUDGED)
    where = np.nonzero(use)
    if len(where[0]) < 50:
        raise FitError(
            f"face {face} has {len(where[0])} cells with points, too few to lay a surface on: "
            "scan more densely or drop the part."
        )
    rows = space.rows(cells.u_mm[where], cells.v_mm[where])
    error = cells.error_mm[where]
    usual = float(np.median(error)) + 1e-12
    window = usual / (2.0 * np.sqrt(np.pi) * error_mm)
    weight = np.minimum(1.0, (usual / np.maximum(error, 0.2 * usual)) ** 2)
    uv = np.column_stack([cells.u_mm[where], cells.v_mm[where]])
    tree = cKDTree(uv)
    beside = tuple(cells_beside(e, uv, tree, cell_mm=grid.cell_mm) for e in edges)
    on_face = _on_face(held.uv, member, grid, space)
    points = space.rows(*held.uv[on_face].T) if on_face.any() else None
    return _Job(
        face,
        space,
        energy,
        rows,
        cells.height_mm[where],
        weight,
        where,
        grid.shape,
        tuple(edges),
        beside,
        cKDTree(held.released_uv) if len(held.released_uv) else None,
        points,
        held.height_mm[on_face],
        grid.cell_mm,
        tolerance_mm * _SCALE_FLOOR,
        tolerance_mm,
        surface.order,
        2.0 * float(faces.inside_mm[member].max()),
        window if window > _LEAST_WINDOW else 0.0,
    )


def _active_spans(
    member: Mask, grid: Grid, corner: tuple[float, float], knot: float, spans: tuple[int, int]
) -> Mask:
    """Spans under the face, and a rim round it so that every point of it is covered."""
    i, j = np.nonzero(member)
    a = np.floor((grid.u_mm[i] - corner[0]) / knot).astype(int)
    b = np.floor((grid.v_mm[j] - corner[1]) / knot).astype(int)
    active = np.zeros(spans, bool)
    active[a, b] = True
    return np.asarray(ndimage.binary_dilation(active, np.ones((3, 3), bool)))


def _hinge_spans(
    space: SplineSpace,
    creases: list[Crease],
    cells: Cells,
    faces: Faces,
    face: int,
    order: int,
    hinge: CreaseSettings,
) -> Hinges | None:
    """Spans within the band of a line that runs through this face, with the line's direction."""
    spans = np.argwhere(space.active)
    centre = (spans + 0.5) * space.knot + np.array([space.u0, space.v0])
    chosen, tangents = [], []
    for crease in creases:
        along = _hinges_in(cells, faces, crease)
        if not (along & (faces.label == face)).any():
            continue
        line = _carried_on(crease.line_uv, hinge.hinge_band_mm)
        way = np.gradient(line, axis=0)
        way /= np.linalg.norm(way, axis=1)[:, None] + 1e-12
        distance, nearest = cKDTree(line).query(centre)
        inside = distance <= hinge.hinge_band_mm
        chosen.append(spans[inside])
        tangents.append(way[nearest[inside]])
    if not chosen:
        return None
    places, first = np.unique(np.vstack(chosen), axis=0, return_index=True)
    metric = hinge_metric(order, np.vstack(tangents)[first], hinge.hinge_stiffness)
    return Hinges(places, metric)


def _carried_on(line: Floats, by_mm: float) -> Floats:
    """The line sampled finely, and carried on straight at both ends."""
    head, tail = line[0] - line[2], line[-1] - line[-3]
    head, tail = head / np.linalg.norm(head), tail / np.linalg.norm(tail)
    steps = np.linspace(0.0, by_mm, 6)[1:, None]
    return np.vstack([(line[0] + steps * head)[::-1], line, line[-1] + steps * tail])


@dataclass(frozen=True, eq=False)
class _Hold:
    """Rows and values the surface is held to."""

    rows: Rows | None
    values: Floats


def _held_edges(job: _Job, lines: tuple[EdgeLine, ...], hold_of: dict[str, str]) -> _Hold:
    """Everything held on a face: edge stations, their slopes where asked, single points."""
    rows = [] if job.points is None else [job.points]
    values = [] if job.points is None else [job.point_values]
    for line in lines:
        how = hold_of[line.name]
        if how == "free" or not line.held.any():
            continue
        u, v = line.station_uv[line.held].T
        rows.append(job.space.rows(u, v))
        values.append(line.height_mm[line.held])
        if how == "position+slope":
            rows.append(_slope_rows(job.space, u, v, line.inward_uv[line.held]))
            values.append(line.slope[line.held])
    if not rows:
        return _Hold(None, np.zeros(0))
    joined = Rows(np.vstack([r.index for r in rows]), np.vstack([r.value for r in rows]))
    return _Hold(joined, np.concatenate(values))


def _edge_lines(job: _Job, step: _Step) -> tuple[EdgeLine, ...]:
    """The robust line along every edge of a face, over the surface laid without holding them."""
    coefficients = step.fit.coefficients
    off = job.height_mm - job.rows @ coefficients
    lines = []
    for edge, beside in zip(job.edges, job.beside, strict=True):
        u, v = edge.station_uv.T
        line = lay_edge_line(
            edge,
            beside,
            off,
            job.space.rows(u, v) @ coefficients,
            _slope_rows(job.space, u, v, edge.inward_uv) @ coefficients,
            tolerance_mm=job.tolerance_mm,
            batten_mm=step.batten_mm,
        )
        if job.released is not None:
            near = job.released.query(edge.station_uv)[0] <= _RELEASED_MM
            line = replace(line, held=line.held & ~near)
        lines.append(line)
    return tuple(lines)


def _slope_rows(space: SplineSpace, u: Floats, v: Floats, way: Floats) -> Rows:
    return space.rows(u, v, du=1).combined(way[:, 0], space.rows(u, v, dv=1), way[:, 1])


def _on_face(uv: Floats, member: Mask, grid: Grid, space: SplineSpace) -> Mask:
    if not len(uv):
        return np.zeros(0, bool)
    i, j = grid.index(uv[:, 0], uv[:, 1])
    near = ndimage.binary_dilation(member, iterations=2)
    return np.asarray(near[i, j] & space.covers(uv[:, 0], uv[:, 1]))


# --- fitting -------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Step:
    """One fit: with what it was held, its residuals, their scale, the weights they give; and the
    fit with the same batten that was not held at the edges.
    """

    batten_mm: float
    fit: Fit
    off_mm: Floats
    scale_mm: float
    noise_mm: float
    weight: Floats
    hold: _Hold
    lines: tuple[EdgeLine, ...]
    free: _Step | None


def _fit_face(job: _Job, surface: SurfaceSettings, hold_of: dict[str, str]) -> FaceSurface:
    try:
        step, decided_by, climb = _choose_batten(job, surface, hold_of)
        for _ in range(_MASK_ROUNDS):
            step = _refit_without_marks(job, step)
    except np.linalg.LinAlgError as error:
        raise FitError(
            f"no surface can be laid on face {job.face}: its points and held edges leave it free "
            "to tilt. Hold its edges, or scan the part more completely."
        ) from error
    sound = np.zeros(job.shape, bool)
    sound[job.where] = step.weight > 0.0
    return FaceSurface(
        job.face,
        job.space,
        step.fit,
        job.space.lattice(step.fit.coefficients),
        step.batten_mm,
        decided_by,
        step.scale_mm,
        step.noise_mm,
        sound,
        climb,
        job.cell_mm**2,
        step.lines,
    )


def _choose_batten(
    job: _Job, surface: SurfaceSettings, hold_of: dict[str, str]
) -> tuple[_Step, str, tuple[tuple[float, float], ...]]:
    """Lengthen the batten step by step; with `auto`, as long as it lies on the sound metal."""
    if surface.batten_mm != "auto":
        battens = [s * surface.batten_mm for s in _SHARES]
        steps = list(_lengthen(job, battens, hold_of, held_from=battens[-1]))
        return steps[-1], "the settings", tuple((s.batten_mm, s.scale_mm) for s in steps)
    shortest = surface.shortest_batten_mm
    widest = max(shortest, 3.0 * job.widest_mm)
    battens = [b for b in _LADDER if b < shortest] + [shortest]
    battens += [b for b in _LADDER if shortest < b <= min(surface.longest_batten_mm, widest)]
    best: _Step | None = None
    floor = np.inf
    climb = []
    decided_by = "the longest batten allowed: it still lies on the sound metal"
    for step in _lengthen(job, battens, hold_of, held_from=shortest):
        climb.append((step.batten_mm, step.scale_mm))
        if step.batten_mm < shortest:
            continue
        floor = min(floor, step.scale_mm)
        if best is not None and step.scale_mm > _RISE * floor:
            decided_by = (
                f"the panel's own form: at {step.batten_mm:.0f} mm the sound metal lay "
                f"{100 * (step.scale_mm / floor - 1):.0f} % farther off"
            )
            break
        best = step
    assert best is not None
    return best, decided_by, tuple(climb)


def _lengthen(
    job: _Job, battens: list[float], hold_of: dict[str, str], *, held_from: float
) -> Iterator[_Step]:
    """Robust fits (Tukey's biweight), each started from the weights of the one before.

    From `held_from` on the edge lines are laid over the free surface and the fit is held to them.
    """
    weight = np.ones(len(job.height_mm))
    points = _Hold(job.points, job.point_values)
    for batten in battens:
        for _ in range(_ROUNDS):
            step = _reweighted(job, batten, weight, points)
            weight = step.weight
        if batten >= held_from:
            lines = _edge_lines(job, step)
            step = _reweighted(job, batten, weight, _held_edges(job, lines, hold_of), lines, step)
        yield step


def _reweighted(
    job: _Job,
    batten_mm: float,
    weight: Floats,
    hold: _Hold,
    lines: tuple[EdgeLine, ...] = (),
    free: _Step | None = None,
) -> _Step:
    """Fit with these weights; the step carries the residual's scale and the weights after it."""
    fit = _solve(job, batten_mm, weight, hold)
    off = job.height_mm - job.rows @ fit.coefficients
    calm = _calmed(job, off)
    among = weight > 0.0
    scale = 1.4826 * float(np.median(np.abs(calm[among])))
    noise = 1.4826 * float(np.median(np.abs(off[among])))
    after = _biweight(calm, max(scale, job.floor_mm))
    return _Step(batten_mm, fit, off, scale, noise, after, hold, lines, free)


def _calmed(job: _Job, off: Floats) -> Floats:
    """Residuals averaged over a Gaussian window of neighbouring cells, where noise asks for it."""
    if job.window_cells == 0.0:
        return off
    field, known = np.zeros(job.shape), np.zeros(job.shape)
    field[job.where], known[job.where] = off, 1.0
    total = ndimage.gaussian_filter(known, job.window_cells, mode="constant")
    return np.asarray(
        ndimage.gaussian_filter(field, job.window_cells, mode="constant")[job.where]
        / total[job.where]
    )


def _solve(job: _Job, batten_mm: float, weight: Floats, hold: _Hold) -> Fit:
    passes = _PASSES[job.order]
    batten = batten_mm * half_at(passes, job.order)
    return solve(
        job.energy,
        job.rows,
        job.height_mm,
        weight * job.weight * job.cell_mm**2,
        smoothing=(batten / (2.0 * np.pi)) ** (2 * job.order),
        held=hold.rows,
        held_values=hold.values,
        passes=passes,
    )


def _biweight(off: Floats, scale: float) -> Floats:
    x = off / (_BIWEIGHT * scale)
    return np.where(np.abs(x) < 1.0, (1.0 - x * x) ** 2, 0.0)


def _refit_without_marks(job: _Job, step: _Step) -> _Step:
    """Leave every high and low out whole, down to its foot, so that none leaks into the surface.

    Only what the free surface, too, finds off is left out: what a held edge alone sets off is the
    edge's doing.
    """
    marked = _marks(job, step.off_mm, step.scale_mm)
    weight = step.weight
    if step.free is not None:
        marked &= _marks(job, step.free.off_mm, step.free.scale_mm)
        weight = np.maximum(weight, step.free.weight)
    kept = np.where(marked, 0.0, weight)
    if (kept > 0.0).sum() < _LEAST_SOUND * len(kept):
        kept = weight
    refit = _reweighted(job, step.batten_mm, kept, step.hold, step.lines, step.free)
    return replace(refit, weight=kept)


def _marks(job: _Job, off: Floats, scale: float) -> Mask:
    """Highs and lows among the cells, each grown to where it sinks into the noise, and a rim."""
    field, known = np.zeros(job.shape), np.zeros(job.shape)
    field[job.where], known[job.where] = off, 1.0
    sigma = max(1.0, 6.0 / job.cell_mm)
    total = ndimage.gaussian_filter(known, sigma)
    smooth = np.where(known > 0, ndimage.gaussian_filter(field, sigma) / (total + 1e-12), 0.0)
    foot = max(0.06 * job.tolerance_mm, 0.8 * scale)
    marked = np.zeros(job.shape, bool)
    for sign in (1.0, -1.0):
        body = sign * smooth > foot
        label, count = ndimage.label(body)
        if count:
            peak = ndimage.maximum(sign * smooth, label, np.arange(1, count + 1))
            strong = np.concatenate([[False], peak > max(0.7 * job.tolerance_mm, 2.0 * foot)])
            marked |= strong[label]
    rim = max(1, int(round(4.0 / job.cell_mm)))
    return np.asarray(ndimage.binary_dilation(marked, iterations=rim)[job.where])

"""Robust fits of one face: a batten lengthened step by step, held edges, marks left out."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from ..numerics.biweight import BIWEIGHT, MAD_TO_SIGMA, tukey
from ..numerics.calming import masked_gaussian
from ..numerics.spline import Fit, Rows, half_at, solve
from ..outline.edge_lines import NOISE_DRAWS, EdgeLine
from ..settings import SurfaceSettings
from .face_jobs import FaceJob
from .holds import Hold, edge_lines_of, held_edges, held_points
from .left_out import broad_patches, broken_down, followed, marks_in, narrow_amid, ripple_in

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Figures tried at half and double (ratios: of what they have over 1) on a wing, a tank's end, a
# swage, knocks in edges and a broad dent: what changes by 0.02 mm or a tenth of an area stands
# beside each, "the same" where nothing does. A choice has no better reason than that.

# Battens (mm) to try, each a seventh to a half longer. With every other, or twice as many, they
# differ by up to 100 mm and the surface by 0.03 mm; a knock in an edge reads 0.2 mm less with the
# one, the wing's faint low goes with the other.
_LADDER = (50.0, 75.0, 100.0, 150.0, 200.0, 250.0, 300.0, 350.0, 400.0, 500.0, 600.0, 800.0)
# Of a batten that is given: weights settle on shorter ones first (choice, not tried).
_SHARES = (0.25, 0.35, 0.5, 0.7, 1.0)
# Of reweighting by each batten, which starts from the last one's weights. One or four move the
# broad dent by 0.04 mm, and the tank's marks.
_ROUNDS = 2
# Times the lowest residual that is no rise (choice). Half shortens the swage's batten from 500 to
# 300 mm, and a knock in an edge reads 0.2 mm less; double lengthens the wing's from 200 to 250 mm
# and loses its faint low.
_RISE = 1.03
# Times that of the shortest battens: up to the first nothing can be half followed, so that no
# longer batten need be tried (the same); up to the second one lies on the metal round damage again
# (choice). Half of that follows the whole broad dent and calls it sound; double is the same.
_AS_NEAR = 1.25
_NEAR_AGAIN = 2.0
# Lines along edges that find their knocks are this many shortest battens long; cells are left out
# as far round a knock as half its length and some more (choice). The same.
_KNOCK_BATTENS = 2.0
_KNOCK_REACH = 0.6
# A second pass fits what the first left over: it halves the form's own error near edges.
PASSES = {2: 1, 3: 2}
# Of a face's cells: were fewer left, marks are not left out whole (choice). The same.
_LEAST_KEPT = 0.3
# Half a wave of ripple, which runs out over the edge beyond where it is found (derived).
_LEFT_FREE_MM = 30.0
_ALONG = "none longer is laid along a shoulder"


@dataclass(frozen=True, eq=False)
class FitStep:
    """One fit: with what it was held, its residuals, their scale, the weights they give; and the
    fit with the same batten that was not held at the edges.
    """

    batten_mm: float
    fit: Fit
    off_mm: Floats
    scale_mm: float
    noise_mm: float
    weight: Floats
    hold: Hold
    lines: tuple[EdgeLine, ...]
    free: FitStep | None


def choose_batten(
    job: FaceJob, surface: SurfaceSettings, hold_of: dict[str, str]
) -> tuple[FitStep, str, tuple[tuple[float, float], ...]]:
    """Lengthen the batten step by step; with `auto`, as long as it lies on the sound metal, and no
    longer than the shortest along a shoulder: what follows its profile grows with the batten.

    A rise ends it, unless the metal lies off already at the shortest batten: broad damage is half
    followed by battens of about its width, and left out whole by longer ones, which then lie on
    the metal round it as near as ever.
    """
    if surface.batten_mm != "auto":
        battens = [s * surface.batten_mm for s in _SHARES]
        steps = list(_lengthen(job, battens, hold_of, held_from=battens[-1]))
        return steps[-1], "the settings", tuple((s.batten_mm, s.scale_mm) for s in steps)
    shortest = surface.shortest_batten_mm
    widest = max(shortest, 3.0 * job.widest_mm)
    battens = [b for b in _LADDER if b < shortest] + [shortest]
    if not job.shouldered:
        battens += [b for b in _LADDER if shortest < b <= min(surface.longest_batten_mm, widest)]
    best: FitStep | None = None
    refused: FitStep | None = None
    nearest, floor = np.inf, np.inf
    climb = []
    for step in _lengthen(job, battens, hold_of, held_from=shortest):
        climb.append((step.batten_mm, step.scale_mm))
        if step.batten_mm < shortest:
            nearest = min(nearest, step.scale_mm)
            continue
        floor = min(floor, step.scale_mm)
        again = refused is None or step.scale_mm <= _NEAR_AGAIN * nearest
        if best is None or (step.scale_mm <= _RISE * floor and again):
            best = step
            continue
        refused = refused or step
        # Where the best so far lies as near as the shortest battens do, all is followed or told.
        if best.scale_mm <= _AS_NEAR * nearest:
            break
    assert best is not None
    why = _ALONG if job.shouldered else _why(best, refused, climb, shortest)
    return best, why, tuple(climb)


def _why(
    best: FitStep, refused: FitStep | None, climb: list[tuple[float, float]], shortest_mm: float
) -> str:
    """What decided on a batten, given the first that was refused.

    Parameters
    ----------
    climb : (batten, scale) in mm of each step; of those from the shortest batten on, the one with
        which the metal lay nearest decides.
    """
    if refused is None:
        return "the longest batten allowed: it still lies on the sound metal"
    if refused.batten_mm < best.batten_mm:
        return (
            f"broad damage: battens from {refused.batten_mm:.0f} mm on followed half of it, and "
            f"{best.batten_mm:.0f} mm lies on the sound metal round it again"
        )
    tried = [one for one in climb if shortest_mm <= one[0] < refused.batten_mm]
    nearest_mm = min(scale_mm for _, scale_mm in tried)
    return (
        f"as long as the form allows (at {refused.batten_mm:.0f} mm the metal lay "
        f"{100 * (refused.scale_mm / nearest_mm - 1):.0f} % farther off than at best)"
    )


def _lengthen(
    job: FaceJob, battens: list[float], hold_of: dict[str, str], *, held_from: float
) -> Iterator[FitStep]:
    """Robust fits (Tukey's biweight), each started from the weights of the one before.

    From `held_from` on the edge lines are laid over the free surface and the fit is held to them.
    """
    weight = np.where(_knocked(job, held_from), 0.0, 1.0)
    for batten in battens:
        for _ in range(_ROUNDS):
            step = _reweighted(job, batten, weight, held_points(job))
            weight = step.weight
        yield _held_to_edges(job, step, weight, hold_of) if batten >= held_from else step


def _knocked(job: FaceJob, batten_mm: float) -> Mask:
    """Cells of knocks in the edges, found along the edges alone.

    At an edge a surface gives way, and would follow a knock so far that it seems sound.
    """
    trend = job.trend.fit(job.height_mm, job.weight, batten_mm=batten_mm)
    knocked = np.zeros(len(job.height_mm), bool)
    for line in edge_lines_of(job, trend, np.ones(len(knocked)), _KNOCK_BATTENS * batten_mm):
        for ding in line.dings:
            reach = _KNOCK_REACH * ding.length_mm + line.edge.station_mm
            knocked |= np.hypot(job.u_mm - ding.u_mm, job.v_mm - ding.v_mm) < reach
    return knocked


def _held_to_edges(job: FaceJob, free: FitStep, weight: Floats, hold_of: dict[str, str]) -> FitStep:
    """The fit with these weights, held to the edge lines that lie over the free surface."""
    lines = edge_lines_of(job, free.fit.coefficients, weight, free.batten_mm)
    hold = held_edges(job, lines, hold_of)
    return _reweighted(job, free.batten_mm, weight, hold, lines, free)


def held_again(job: FaceJob, step: FitStep, hold_of: dict[str, str]) -> FitStep:
    """A fit with the same weights, held to the edges as a job now has them."""
    if step.free is None:
        return step
    held = _held_to_edges(job, step.free, step.weight, hold_of)
    return replace(held, weight=step.weight)


def _reweighted(
    job: FaceJob,
    batten_mm: float,
    weight: Floats,
    hold: Hold,
    lines: tuple[EdgeLine, ...] = (),
    free: FitStep | None = None,
) -> FitStep:
    """Fit with these weights; the step carries the residual's scale and the weights after it."""
    fit = _solve(job, batten_mm, weight, hold)
    off = job.height_mm - job.rows @ fit.coefficients
    calm = _calmed(job, off)
    among = weight > 0.0
    scale = MAD_TO_SIGMA * float(np.median(np.abs(calm[among])))
    noise = MAD_TO_SIGMA * float(np.median(np.abs(off[among])))
    after = np.where(job.ripple, 1.0, tukey(calm, BIWEIGHT * max(scale, job.floor_mm)))
    return FitStep(batten_mm, fit, off, scale, noise, after, hold, lines, free)


def _calmed(job: FaceJob, off: Floats) -> Floats:
    """Residuals averaged over a Gaussian window of neighbouring cells, where noise asks for it."""
    if job.window_cells == 0.0:
        return off
    field, known = job.on_grid(off, 0.0), job.on_grid(1.0, 0.0) > 0.0
    return masked_gaussian(field, known, job.window_cells)[job.where]


def _solve(job: FaceJob, batten_mm: float, weight: Floats, hold: Hold) -> Fit:
    """Fit over the face's trend, or without it where what is left would bend more than before."""
    rows, values, weights = _data(job, weight, hold)
    lay = partial(
        solve,
        job.energy,
        rows,
        values,
        weights,
        smoothing=_smoothing(job, batten_mm),
        held=hold.rows,
        held_values=hold.values,
        passes=PASSES[job.order],
    )
    if not job.trended:
        return lay()
    trend = job.trend.fit(job.height_mm, weight * job.weight, batten_mm=batten_mm)
    fit = lay(start=trend)
    # c'Ec - (c - t)'E(c - t), the bending that the trend t saves.
    saved = trend @ (job.stiffness @ (2.0 * fit.coefficients - trend))
    return fit if saved > 0.0 else lay()


def _smoothing(job: FaceJob, batten_mm: float) -> float:
    batten = batten_mm * half_at(PASSES[job.order], job.order)
    return float((batten / (2.0 * np.pi)) ** (2 * job.order))


def _data(job: FaceJob, weight: Floats, hold: Hold) -> tuple[Rows, Floats, Floats]:
    """Cells, and the slopes at the edges as what they are: measured, each with its own error."""
    area = job.cell_mm**2
    own = weight * job.weight * area
    if hold.slope_rows is None or hold.slopes is None or hold.slope_weight is None:
        return job.rows, job.height_mm, own
    return (
        Rows.stacked(job.rows, hold.slope_rows),
        np.concatenate([job.height_mm, hold.slopes]),
        np.concatenate([own, area * hold.slope_weight]),
    )


def shaken_by_edges(job: FaceJob, step: FitStep) -> Floats:
    """(size, draws) what the edge lines' noise does to the coefficients, for cells of error 1."""
    hold = step.hold
    right = np.zeros((job.space.size, NOISE_DRAWS))
    if hold.rows is not None:
        right += hold.rows.transposed(step.fit.penalty * hold.noise)
    if hold.slope_rows is not None and hold.slope_weight is not None:
        assert hold.slope_noise is not None
        weight = job.cell_mm**2 * hold.slope_weight
        right += hold.slope_rows.transposed(weight[:, None] * hold.slope_noise)
    found = step.fit.factor.solve(right)
    bending = _smoothing(job, step.batten_mm) * job.stiffness
    for _ in range(PASSES[job.order] - 1):
        # What a pass bent away from the cells, the next brings back.
        found = found + step.fit.factor.solve(bending @ found)
    return found


def refit_without_marks(job: FaceJob, step: FitStep, hold_of: dict[str, str]) -> FitStep:
    """Leave every high and low out whole, down to its foot, so that none leaks into the surface.

    Only what the free surface, too, finds off is left out: what a held edge alone sets off is the
    edge's doing. Both are laid again, and the edge lines with them.
    """
    weight = step.weight if step.free is None else np.maximum(step.weight, step.free.weight)
    kept = np.where(_marks_of(job, step), 0.0, weight)
    if (kept > 0.0).sum() < _LEAST_KEPT * len(kept):
        kept = weight
    return _refit(job, step, kept, hold_of)


def _marks_of(job: FaceJob, step: FitStep) -> Mask:
    """(n,) bool, the marks of a fit that the one not held at the edges finds as well."""
    marked = marks_in(job, step.off_mm, step.scale_mm) & ~job.ripple
    if step.free is None:
        return marked
    return marked & marks_in(job, step.free.off_mm, step.free.scale_mm)


@dataclass(frozen=True, eq=False)
class Readmitted:
    """A fit that took back what it had left out although it is form.

    form : (n,) bool, cells of a shoulder that it took back and kept; unfollowed_mm : (n,) how far
    the cells lie off the surface that leaves nothing out, None where nothing broad was left out;
    broken_down : whether the lesser part had been taken for sound.
    """

    step: FitStep
    form: Mask
    unfollowed_mm: Floats | None
    broken_down: bool


def readmit_form(
    job: FaceJob, step: FitStep, hold_of: dict[str, str], *, whole_mm: Floats, least_mm: float
) -> Readmitted:
    """Take back what was left out although its batten follows it: to this batten that is form.

    Weights carried over from shorter battens can leave a whole bulge out, and the surface then
    goes on as if it were not there.

    Parameters
    ----------
    whole_mm : (n,) how far the cells lie off the surface of this batten that leaves nothing out.
    least_mm : the residual's scale with the battens that follow most.
    """
    patch, broad = broad_patches(job, step.weight, step.off_mm, step.batten_mm)
    none = np.zeros(len(patch), bool)
    if not len(broad):
        return Readmitted(step, none, None, broken_down=False)
    back = followed(
        job,
        patch,
        broad,
        whole_mm,
        step.off_mm,
        batten_mm=step.batten_mm,
        tight=step.scale_mm / least_mm,
    )
    broken = broken_down(back | (step.weight > 0.0), (step.free or step).off_mm, whole_mm)
    if broken:
        back = np.isin(patch, broad)
    if not back.any():
        return Readmitted(step, none, whole_mm, broken_down=False)
    laid = _refit(job, step, np.where(back, 1.0, step.weight), hold_of)
    if broken or not job.shouldered:
        return Readmitted(laid, none, whole_mm, broken)
    laid = _without_marks_on(back, job, laid, hold_of)
    return Readmitted(laid, back & (laid.weight > 0.0), whole_mm, broken_down=False)


def _without_marks_on(back: Mask, job: FaceJob, step: FitStep, hold_of: dict[str, str]) -> FitStep:
    """A fit that took a shoulder's form back, without the marks that came back with it: those that
    lie amid the face and are narrower than the batten. Elsewhere what stands off form that was
    taken back is form that the batten does not follow.

    Parameters
    ----------
    back : (n,) bool, cells that were taken back.
    """
    marked = back & _marks_of(job, step)
    amid = narrow_amid(job, marked, step.off_mm, below_mm=step.batten_mm)
    return _refit(job, step, np.where(amid, 0.0, step.weight), hold_of) if amid.any() else step


def with_ripple(
    job: FaceJob, step: FitStep, hold_of: dict[str, str], *, whole_mm: Floats
) -> tuple[FaceJob, FitStep]:
    """A job that keeps its ripple, and the fit laid again with it; both as they are without any.

    A robust fit that may leave ripple's crests out settles on its troughs, or the other way round:
    the surface that runs through its middle is none that it keeps to.

    Parameters
    ----------
    whole_mm : (n,) how far the cells lie off the surface of this batten that leaves nothing out.
    """
    ripple = ripple_in(job, whole_mm)
    if not ripple.any():
        return job, step
    beside = cKDTree(np.column_stack([job.u_mm, job.v_mm])[ripple])
    let_go = tuple(
        own | (beside.query(edge.station_uv)[0] <= _LEFT_FREE_MM)
        for own, edge in zip(job.let_go, job.edges, strict=True)
    )
    job = replace(job, ripple=ripple, let_go=let_go)
    return job, _refit(job, step, np.where(ripple, 1.0, step.weight), hold_of)


def whole_fit(job: FaceJob, batten_mm: float) -> FitStep:
    """The fit that leaves nothing out."""
    return _reweighted(job, batten_mm, np.ones(len(job.height_mm)), held_points(job))


def _refit(job: FaceJob, step: FitStep, kept: Floats, hold_of: dict[str, str]) -> FitStep:
    """A fit laid again with these weights, which it keeps, and held to the edges if it was."""
    free = _reweighted(job, step.batten_mm, kept, held_points(job))
    refit = free if step.free is None else _held_to_edges(job, free, kept, hold_of)
    return replace(refit, weight=kept)

"""Two scans of one panel into one frame."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ..errors import ScanUnfitError, SettingsError
from ..numerics.biweight import BIWEIGHT
from .borders import on_skin_alone, unlike_borders
from .changed import carried_over, without_changed
from .coarse import make_sample, settle
from .consensus import LEAST_SHARE, LIKE_NOISE, settled_on_most
from .fine import Fit
from .observability import (
    hangs_together,
    motion_covariance,
    own_noise_mm,
    readings_of,
    weak_directions,
)
from .placing import SAMPLE_CELLS, Placing, all_starts, place, settled, settled_home
from .refusals import explain_misfit, refuse_units, weigh_hands
from .result import NOT_NOISE, Registration, Start, read_only
from .rigid import compose, umeyama
from .rivals import rivalry, turned_words
from .settings import RegistrationSettings
from .settling_edges import CELL_MM as EDGE_CELL_MM
from .settling_edges import settled_on_edges
from .sizes import size_words_of
from .surfels import Surfels, make_surfels, spacing_and_area, thinning

Array = NDArray[np.float64]
# Points and normals of a scan.
_Thinned = tuple[Array, Array | None]
# Four points make a cell that still has a mean worth its name.
FINEST_SPACINGS = 2.0
FINEST_CELL_MM = 2.5
# A slide held to this moves no height by as much as the cells' own noise.
WELL_HELD_MM = 0.02
LEAST_TRUSTED_AGREEMENT = 0.2


def register(
    source: Array,
    target: Array,
    *,
    source_normals: Array | None = None,
    target_normals: Array | None = None,
    pairs: tuple[Array, Array] | None = None,
    already_aligned: bool = False,
    roughly_aligned: bool = False,
    turn_known: bool = False,
    names: tuple[str, str] = ("source", "target"),
    settings: RegistrationSettings | None = None,
) -> Registration:
    """Find the rigid motion that lays the unchanged part of `source` on `target`.

    Parameters
    ----------
    source, target : (n, 3) mm, finite, near the origin.
    source_normals, target_normals : (n, 3) unit normals pointing outwards (zero rows where
        unknown), or None. With both, a scan of the other side of the skin is told apart.
    pairs : picked points ((k, 3) in the source, (k, 3) in the target), k >= 3: the start.
    already_aligned : trust the frames; only evaluate.
    roughly_aligned : the frames are right to a few millimetres; settle from there.
    turn_known : the frames tell which way round the source lies, but not where.
    names : what the scans are called where one is larger than the other.

    Returns
    -------
    Registration, `T_target_source` with determinant +1.

    Raises
    ------
    ScanUnfitError where the scans do not overlap, do not belong together, or differ in units,
    side or handedness, each with its remedy.
    """
    settings = settings or RegistrationSettings()
    source, target = checked(source, "source"), checked(target, "target")
    refuse_units(source, target)
    whole = source, target
    thinned = _thinned(source, source_normals), _thinned(target, target_normals)
    cell = common_cell_mm((thinned[0][0], thinned[1][0]), settings)
    scans = make_surfels(*thinned[0], cell), make_surfels(*thinned[1], cell)
    if already_aligned:
        fit = settled(*scans, np.eye(4), settings, reach_mm=4.0, held_still=True)
        placing = Placing(fit, 0.0, 1.0, (Start("already aligned", fit.overlap),), None)
        _refuse_apart(fit, settings)
        return _answer(placing, scans[0], settings, "", trusted=True)
    placing = _first_placing(
        scans, pairs, settings, roughly_aligned=roughly_aligned, turn_known=turn_known
    )
    picked = None if pairs is None else pairs[1]
    most = settled_on_most(scans, placing.fit, settings, picked, placing.others)
    # What fitted as badly as the first placing says nothing against one that fits; what fitted as
    # well does.
    noise = max(own_noise_mm(placing.fit, scans[0]), settings.noise_floor_mm)
    bad = most.fit is not placing.fit and placing.fit.surface.scale_mm > NOT_NOISE * noise
    placing = replace(placing, fit=most.fit, rival=None if bad else placing.rival)
    agreed = most.fit is most.best
    size = size_words_of(scans, placing.fit, noise, names, settings)
    if not fits(placing.fit, settings, on_most=agreed):
        if size:
            raise ScanUnfitError(size)
        if most.best is not None and most.doubt:
            raise ScanUnfitError(most.doubt)
        points = thinned[0][0], thinned[1][0]
        raise ScanUnfitError(explain_misfit(*points, *scans, placing.fit, settings))
    edges = _edge_cells(whole, cell)
    doubt = ""
    if not roughly_aligned and pairs is None:
        doubt = weigh_hands(scans, edges, replace(placing, fit=most.best or most.fit), settings)
    turned = turned_words(placing, *scans) if placing.rival is None else ""
    doubt = " ".join(filter(None, (doubt, turned, most.doubt)))
    marked, placing = _on_unchanged(scans, placing, settings)
    borders = unlike_borders(*marked, placing.fit, settings)
    if borders:
        placing = replace(placing, fit=on_skin_alone(marked, placing.fit.motion, pairs, settings))
    found = replace(_answer(placing, scans[0], settings, doubt), size=size, borders=borders)
    if borders:
        return found
    skin_mm = found.slide_mm
    found = _held_by_edges(marked, edges, placing, found, settings)
    # Finer cells hold no better what the edges hold already, and do not settle which of two
    # placings that fit alike is the true one.
    if placing.rival is not None or found.slide_mm < max(skin_mm, WELL_HELD_MM):
        return found
    reach = BIWEIGHT * most.fit.surface.scale_mm if agreed else None
    closer = _on_finer_cells(thinned, (marked, edges), placing, found, settings, reach)
    # Small highs and lows hold a slide better on fine cells, edges on coarse ones.
    return closer if closer.slide_mm < found.slide_mm else found


def _first_placing(
    scans: tuple[Surfels, Surfels],
    pairs: tuple[Array, Array] | None,
    settings: RegistrationSettings,
    *,
    roughly_aligned: bool,
    turn_known: bool,
) -> Placing:
    """From the frames as they are, from picked points, or the best of all starts."""
    if roughly_aligned:
        fit = settled_home(*scans, np.eye(4), settings, reach_mm=settings.largest_change_mm)
        return Placing(fit, 0.0, 1.0, (Start("roughly aligned", fit.overlap),), None)
    if pairs is not None:
        return _from_pairs(*scans, pairs, settings)
    return place(*scans, all_starts(*scans, settings), settings, turn_known=turn_known)


def _on_finer_cells(
    thinned: tuple[_Thinned, _Thinned],
    coarse: tuple[tuple[Surfels, Surfels], tuple[Surfels, Surfels]],
    placing: Placing,
    found: Registration,
    settings: RegistrationSettings,
    reach_mm: float | None,
) -> Registration:
    """Settled once more on finer cells, where there are any; `found` where not.

    Parameters
    ----------
    thinned : points and normals of both scans. `coarse` : their marked cells, and their edges.
    reach_mm : within what most of the coarse cells agree, None where all of the placing does.
    """
    marked, edges = coarse
    cell = marked[0].cell_mm
    finer = _finer_cell_mm((thinned[0][0], thinned[1][0]), cell, settings)
    if finer is None:
        return found
    one = carried_over(marked[0], make_surfels(*thinned[0], finer))
    two = carried_over(marked[1], make_surfels(*thinned[1], finer))
    if reach_mm is None:
        fit = settled_home(one, two, placing.fit.motion, settings, reach_mm=1.0)
    else:
        reach = reach_mm * cell / finer
        fit = settled(one, two, placing.fit.motion, settings, reach_mm=reach)
    placing = replace(placing, fit=fit)
    closer = replace(_answer(placing, one, settings, found.doubt), size=found.size)
    return _held_by_edges((one, two), edges, placing, closer, settings)


def _on_unchanged(
    scans: tuple[Surfels, Surfels], placing: Placing, settings: RegistrationSettings
) -> tuple[tuple[Surfels, Surfels], Placing]:
    """Scans whose changed cells have no say, and the placing settled so; both as they were where
    what is left over between them is more than noise, as what changed can't be told then.
    """
    noise = max(own_noise_mm(placing.fit, scans[0]), settings.noise_floor_mm)
    if not placing.fit.surface.scale_mm < LIKE_NOISE * noise:
        return scans, placing
    marked = without_changed(scans, placing.fit, noise, settings)
    fit = settled(*marked, placing.fit.motion, settings, reach_mm=BIWEIGHT * noise)
    return marked, replace(placing, fit=fit)


def _held_by_edges(
    scans: tuple[Surfels, Surfels],
    edges: tuple[Surfels, Surfels],
    placing: Placing,
    found: Registration,
    settings: RegistrationSettings,
) -> Registration:
    """A placing settled on its edges too, where these hold it better."""
    held = settled_on_edges(scans, edges, placing.fit, settings)
    if held is None:
        return found
    edged = _answer(replace(placing, fit=held), scans[0], settings, found.doubt)
    edged = replace(edged, size=found.size)
    return edged if edged.slide_mm < found.slide_mm else found


def _edge_cells(scans: tuple[Array, Array], cell_mm: float) -> tuple[Surfels, Surfels]:
    """Cells that are no finer than a hem is thick, with all the points beside their rims."""
    side = max(EDGE_CELL_MM, cell_mm)
    one, two = (make_surfels(scan, None, side, with_beside=True) for scan in scans)
    return one, two


def _thinned(points: Array, normals: Array | None) -> _Thinned:
    some = thinning(len(points))
    return points[some], None if normals is None else normals[some]


def _finer_cell_mm(
    scans: tuple[Array, Array], cell_mm: float, settings: RegistrationSettings
) -> float | None:
    """Side of the cells for a last settling, where coarse ones would blur small highs and lows.

    On a smooth panel it is these that hold a slide; None where the cells are that small already.
    """
    spacing = max(spacing_and_area(s)[0] for s in scans)
    finer = max(FINEST_SPACINGS * spacing, FINEST_CELL_MM)
    return finer if settings.cell_mm == 0.0 and finer < 0.75 * cell_mm else None


def common_cell_mm(scans: tuple[Array, ...], settings: RegistrationSettings) -> float:
    """Side of the cells for all scans alike: fine enough for the budget, 4 spacings at least."""
    if settings.cell_mm > 0.0:
        return settings.cell_mm
    known = [spacing_and_area(s) for s in scans]
    return max(
        4.0 * max(spacing for spacing, _ in known),
        float(np.sqrt(max(area for _, area in known) / settings.most_cells)),
    )


def _refuse_apart(fit: Fit, settings: RegistrationSettings) -> None:
    """Refuse scans whose frames are not the same; most of the panel may have changed."""
    if fit.overlap >= settings.least_overlap and fit.agreement >= LEAST_TRUSTED_AGREEMENT:
        return
    raise ScanUnfitError(
        f"In their frames as they are the scans overlap by {fit.overlap:.0%} of the smaller one "
        f"({settings.least_overlap:.0%} are needed) and {fit.agreement:.0%} of that lies within "
        f"{settings.agreement_mm:g} mm ({LEAST_TRUSTED_AGREEMENT:.0%} are needed): they do not "
        "share one frame. Leave out --already-aligned, or export both in one frame and one unit."
    )


def fits(fit: Fit, settings: RegistrationSettings, *, on_most: bool = False) -> bool:
    """Whether a placing is good enough to say that the scans belong together.

    Less has to agree where it does so to within noise (`on_most`).
    """
    least = LEAST_SHARE if on_most else settings.least_agreement
    return (
        fit.overlap >= settings.least_overlap
        and fit.agreement >= least
        and fit.surface.scale_mm <= settings.largest_scale_mm
    )


def checked(points: Array, name: str) -> Array:
    """(n, 3) float64 points that can be placed, or a refusal that calls them `name`."""
    points = np.asarray(points)
    if points.ndim != 2 or points.shape[1] != 3:
        raise SettingsError(f"{name} has the shape {points.shape}; give (n, 3) points in mm.")
    if len(points) < 500:
        raise ScanUnfitError(
            f"{name} has {len(points)} points, 500 are needed to place it. Scan it again."
        )
    if not np.isfinite(points).all():
        raise ScanUnfitError(f"{name} has points that are not finite; drop them first.")
    return np.asarray(points, np.float64)


def _from_pairs(
    source: Surfels, target: Surfels, pairs: tuple[Array, Array], settings: RegistrationSettings
) -> Placing:
    """Settle from picked points only: the user has decided between the starts."""
    _, rotation, shift = umeyama(*pairs)
    motion = compose(rotation, shift)[None]
    left = np.linalg.norm(pairs[0] @ rotation.T + shift - pairs[1], axis=1).max()
    radius = min(source.radius_mm, target.radius_mm)
    if left > 0.2 * radius:
        raise ScanUnfitError(
            f"The picked points do not match: one pair stays {left:.3g} mm apart, "
            f"{0.2 * radius:.3g} mm at most is allowed. Check their order and that each pair "
            "names the same spot."
        )
    reaches = tuple(max(part * radius, target.cell_mm) for part in (0.03, 0.015, 0.008))
    samples = [make_sample(x, most=SAMPLE_CELLS) for x in (source, target)]
    motion = settle(samples[0], samples[1], motion, reaches, 5)
    fit = settled_home(source, target, motion[0], settings, reach_mm=4.0)
    return Placing(fit, 0.0, 1.0, (Start("picked points", fit.overlap),), None)


def _answer(
    placing: Placing,
    source: Surfels,
    settings: RegistrationSettings,
    doubt: str,
    *,
    trusted: bool = False,
) -> Registration:
    fit = placing.fit
    weak, slide, turn = weak_directions(fit, settings)
    # In trusted frames nothing was settled that what is left over could have tilted.
    noise = np.nan if trusted else own_noise_mm(fit, source)
    if placing.rival is not None:
        weak = (rivalry(fit, placing.rival, source), *weak)
    return Registration(
        T_target_source=read_only(fit.motion),
        rms_mm=rms_mm(fit),
        scatter_mm=fit.surface.scale_mm,
        noise_mm=noise,
        overlap=fit.overlap,
        agreement=fit.agreement,
        weak_directions=weak,
        slide_mm=slide,
        turn_mrad=turn,
        covariance=read_only(motion_covariance(fit, noise)),
        centre_mm=read_only(fit.centre),
        converged=fit.converged,
        starts=placing.starts,
        source_cells_mm=source.points,
        unchanged=fit.unchanged,
        readings=readings_of(fit),
        hanging=0.0 if trusted else hangs_together(fit),
        doubt=doubt,
    )


def rms_mm(fit: Fit) -> float:
    """Weighted root mean square residual of the unchanged part."""
    weight = fit.surface.weight
    total = float(weight.sum())
    return float(np.sqrt((weight * fit.surface.residual**2).sum() / total)) if total else np.nan

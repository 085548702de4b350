"""The fair surface: the smoothest one that a face's sound metal and held edges agree on."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from ..errors import FitError
from ..lines.crease import Crease
from ..numerics.spline import Fit, SplineSpace
from ..outline.edge_lines import EdgeLine
from ..outline.edges import Edge
from ..outline.faces import Faces
from ..settings import CreaseSettings, SurfaceSettings
from ..unrolling.cells import Cells
from .edge_bands import EdgeBand, off_surface
from .edge_knocks import find_knocks
from .face_jobs import FaceJob, Held, face_job, faces_hinged
from .robust_fit import (
    PASSES,
    FitStep,
    choose_batten,
    held_again,
    readmit_form,
    refit_without_marks,
    shaken_by_edges,
    whole_fit,
    with_ripple,
)

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Rounds of finding marks and laying the surface without them: the second finds what they hid
# (choice), and what it left in pulls the surface, as the next ones find. Measured beside edges:
# with two of them marks read up to 5 % low, four change no more.
_MASK_ROUNDS = 2
_FURTHER_ROUNDS = 2
# Times the residual's scale with the battens that follow most: only that near are further rounds
# made. Measured: 1.0 to 1.15 on crowned panels, 1.24 to 1.27 where a line fades out, whose form
# would be left out bit by bit.
_WELL_FOLLOWED = 1.2
# Knots no farther apart, and no fewer to the shortest batten: a cubic follows a wave with half as
# many (choice).
_COARSEST_KNOT_MM = 20.0
_KNOTS_IN_A_BATTEN = 8.0

MORE_FORM = (
    "It has more form than one surface holds, or is damaged all over: give its body lines with "
    "--creases FILE, or choose a shorter batten with --batten."
)
"""Why no fair surface lies on a panel that enough holds, and what to do."""


@dataclass(frozen=True, eq=False)
class FaceSurface:
    """The fair surface of one face.

    lattice : (nku + 3, nkv + 3) B-spline coefficients, NaN off the face; batten_mm and who
    decided it; scale_mm : robust residual of the sound cells, averaged as far as their noise
    asks for, noise_mm : of single cells; sound : (nu, nv) bool, cells it
    lies on; form : (nu, nv) bool, those of them on a shoulder that were left out at first and taken
    back, as the batten follows them; climb : (batten, residual) as the batten lengthened;
    unfollowed_mm : (nu, nv) how far cells lie off a surface of this batten that leaves nothing out,
    NaN where that was not laid; broken_down : whether so much was left out that it may have been
    the sound part.
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
    form: Mask
    climb: tuple[tuple[float, float], ...]
    cell_area_mm2: float
    edges: tuple[EdgeLine, ...]
    shaken: Floats
    passes: int
    unfollowed_mm: Floats
    broken_down: bool

    def sigma_mm(self, u: Floats, v: Floats) -> Floats:
        """(n,) the surface's own standard uncertainty at chart places.

        The posterior's (Wahba 1983), which for two passes is up to twice as large (computed),
        and what the noise of the edge lines adds.
        """
        rows = self.space.rows(u, v)
        own = self.fit.factor.variance(rows.index, rows.value)
        edges = ((rows @ self.shaken) ** 2).mean(axis=1)
        total = self.passes * self.cell_area_mm2 * own + edges
        return np.asarray(self.noise_mm * np.sqrt(np.maximum(total, 0.0)))


@dataclass(frozen=True, eq=False)
class FairSurface:
    """The fair surfaces of all faces on one lattice of knots.

    u0, v0, knot_mm : the lattice; lattices : (faces, nku + 3, nkv + 3), NaN where none could be
    laid; faces : those on which one was, the largest first.
    """

    u0: float
    v0: float
    knot_mm: float
    lattices: Floats
    faces: tuple[FaceSurface, ...]
    order: int

    @property
    def edges(self) -> tuple[Edge, ...]:
        """The edges along which lines were laid, face by face."""
        return tuple(line.edge for face in self.faces for line in face.edges)


def knot_spacing(
    cells: Cells,
    faces: Faces,
    creases: tuple[Crease, ...],
    surface: SurfaceSettings,
    hinge: CreaseSettings,
) -> float:
    """Distance (mm) between the knots of a surface: close where it hinges, never under a cell."""
    knot = min(_COARSEST_KNOT_MM, surface.shortest_batten_mm / _KNOTS_IN_A_BATTEN)
    if any(faces_hinged(cells, faces, c) for c in creases):
        knot = min(knot, hinge.knot_mm)
    return max(knot, cells.grid.cell_mm)


def lay_surface(
    cells: Cells,
    skin: Mask,
    faces: Faces,
    edges: tuple[Edge, ...],
    creases: tuple[Crease, ...],
    held: Held,
    bands: tuple[EdgeBand, ...] = (),
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
    held : further held points, of all faces; bands : the points along edges, in which knocks are
        found, beside which no station is held.
    surface, hinge : battens and order; the band and stiffness along body lines.
    tolerance_mm : the robust scale is never taken below a fifteenth of it.
    error_mm : residuals are averaged over neighbours until their noise is below this before they
        decide what is sound, or noise would hide long shallow marks.

    Raises
    ------
    FitError : when the largest face cannot be fitted at all.
    """
    hinged = [(c, faces_hinged(cells, faces, c)) for c in creases]
    knot = knot_spacing(cells, faces, creases, surface, hinge)
    margin = 3.0 * knot
    grid = cells.grid
    # Centred on the grid, so that a mirrored panel has the same knots.
    spans = [int(np.ceil((n * grid.cell_mm + 2 * margin) / knot)) for n in grid.shape]
    u0 = grid.u0_mm + 0.5 * (grid.shape[0] * grid.cell_mm - spans[0] * knot)
    v0 = grid.v0_mm + 0.5 * (grid.shape[1] * grid.cell_mm - spans[1] * knot)
    found = []
    lattices = np.full((faces.count, spans[0] + 3, spans[1] + 3), np.nan)
    for face in range(1, faces.count + 1):
        try:
            job = face_job(
                cells,
                skin,
                faces,
                face,
                [e for e in edges if e.face == face],
                [crease for crease, on in hinged if face in on],
                held,
                corner=(u0, v0),
                knot=knot,
                spans=(spans[0], spans[1]),
                surface=surface,
                hinge=hinge,
                tolerance_mm=tolerance_mm,
                error_mm=error_mm,
            )
            own = _fit_face(job, surface, hold_of, bands)
        except FitError:
            if face == 1:
                raise
            continue  # A small part is left without a surface; the main face is the panel.
        found.append(own)
        lattices[face - 1] = own.lattice
    return FairSurface(u0, v0, knot, lattices, tuple(found), surface.order)


def _fit_face(
    job: FaceJob, surface: SurfaceSettings, hold_of: dict[str, str], bands: tuple[EdgeBand, ...]
) -> FaceSurface:
    try:
        step, decided_by, climb = choose_batten(job, surface, hold_of)
        least = min(scale for _, scale in climb)
        whole_mm = whole_fit(job, step.batten_mm).off_mm
        job, step = with_ripple(job, step, hold_of, whole_mm=whole_mm)
        clear, step = _without_marks(job, step, hold_of, least_mm=least)
        unknocked = _without_knocked(clear, step.fit.coefficients, bands)
        if unknocked is not clear:
            step = refit_without_marks(unknocked, step, hold_of)
        taken = readmit_form(job, step, hold_of, whole_mm=whole_mm, least_mm=least)
        if taken.step is not step:
            # What stood off at the edges of a surface that left form out was no knock.
            step = taken.step
            unknocked = _without_knocked(job, step.fit.coefficients, bands)
            if unknocked is not job:
                step = held_again(unknocked, step, hold_of)
    except np.linalg.LinAlgError as error:
        raise FitError(_why_none(job, surface.shortest_batten_mm)) from error
    unfollowed = np.nan if taken.unfollowed_mm is None else taken.unfollowed_mm
    return FaceSurface(
        job.face,
        job.space,
        step.fit,
        job.space.lattice(step.fit.coefficients),
        step.batten_mm,
        decided_by,
        step.scale_mm,
        step.noise_mm,
        job.on_grid(step.weight > 0.0, False),
        job.on_grid(taken.form, False),
        climb,
        job.cell_mm**2,
        step.lines,
        shaken_by_edges(unknocked, step),
        PASSES[job.order],
        job.on_grid(unfollowed, np.nan),
        taken.broken_down,
    )


def _why_none(job: FaceJob, batten_mm: float) -> str:
    """Why a fit could not be solved: too little holds the face, or too little lies on a surface."""
    try:
        whole_fit(job, batten_mm)
    except np.linalg.LinAlgError:
        return (
            f"no surface can be laid on face {job.face}: its points and held edges leave it free "
            "to tilt. Hold its edges, or scan the part more completely."
        )
    return (
        f"no fair surface lies on face {job.face}: hardly any of its metal lies on the smoothest "
        f"surface. {MORE_FORM}"
    )


def _without_marks(
    job: FaceJob, step: FitStep, hold_of: dict[str, str], *, least_mm: float
) -> tuple[FaceJob, FitStep]:
    """A fit laid again without its marks; where the batten follows the form well, until none is
    found beyond them, and with a job that takes them to lean over the edges beyond their feet.

    Parameters
    ----------
    least_mm : the residual's scale with the battens that follow most.
    """
    for _ in range(_MASK_ROUNDS):
        step = refit_without_marks(job, step, hold_of)
    if step.scale_mm > _WELL_FOLLOWED * least_mm:
        return job, step
    job = replace(job, leaning=True)
    for _ in range(_FURTHER_ROUNDS):
        before, step = step, refit_without_marks(job, step, hold_of)
        if np.array_equal(before.weight > 0.0, step.weight > 0.0):
            break
    return job, step


def _without_knocked(job: FaceJob, coefficients: Floats, bands: tuple[EdgeBand, ...]) -> FaceJob:
    """A job with the stations let go that lie beside knocks in its edges: itself without any."""
    knocked = _beside_knocks(job, coefficients, bands)
    if not any(stations.any() for stations in knocked):
        return job
    return replace(job, let_go=tuple(a | b for a, b in zip(job.let_go, knocked, strict=True)))


def _beside_knocks(
    job: FaceJob, coefficients: Floats, bands: tuple[EdgeBand, ...]
) -> tuple[Mask, ...]:
    """Per edge of a face, (s,) the stations beside knocks in it: a knock says nothing of form."""
    beside = []
    for edge in job.edges:
        out = np.zeros(len(edge.station_uv), bool)
        for band in bands:
            if band.edge.name != edge.name or band.edge.face != edge.face:
                continue
            off = off_surface(band, job.space, coefficients)
            for knock in find_knocks(band, off, tolerance_mm=job.tolerance_mm):
                away = cKDTree(knock.patch_uv[knock.core]).query(edge.station_uv)[0]
                out |= away <= band.width_mm + job.cell_mm
        beside.append(out)
    return tuple(beside)

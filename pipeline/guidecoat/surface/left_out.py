"""What a robust fit leaves out: marks, and what its batten would follow, which is form."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ..numerics.calming import masked_gaussian
from ..numerics.waves import LIKE_AREA, crests_and_troughs
from .face_jobs import FaceJob

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Tried at half and double (the last: what it has over 1, for what is taken back) on a wing, a
# tank's end, a swage, knocks in edges and a broad dent: what changes by 0.02 mm or a tenth of an
# area stands beside each, "the same" where nothing does. All are choices.

# Over this marks are smoothed. Half loses half the tank's ripple, double the wing's faint low;
# with either a knock in an edge reads 0.2 mm otherwise.
_MARK_WINDOW_MM = 6.0
# A mark's foot, by the tolerance and by the residual's scale. With half or double of the first
# knocks change by 0.2 mm, and double loses the wing's faint low; half of the second calls the
# tank's end out.
_FOOT_OF_TOLERANCE = 0.06
_FOOT_SCALES = 0.8
# Its peak is such a share of the tolerance, and so many times its foot. Half of the first calls the
# tank's end out, double does as a double window does; double of the second halves the tank's
# ripple.
_PEAK_OF_TOLERANCE = 0.7
_PEAK_FEET = 2.0
# It is left out with such a rim. Half is the same; double joins the tank's marks to its ripple, and
# knocks change by 0.2 mm.
_MARK_RIM_MM = 4.0
# Ripple: what goes up and down alike, once longer waves are taken off, over such a window and
# patch; by so much of the tolerance, from where crests are left out at all (derived: the biweight
# ends at a third of it), up to that, where they are marks. Measured: on ripple crests and troughs
# were of one height within 6 %, 3 to 6 of either; beside marks 0.0 to 0.8 of it, 0 to 3.
_RIPPLE_LONGEST_MM = 25.0
_RIPPLE_OVER_MM = 18.0
_RIPPLE_MM2 = 2500.0
_RIPPLE_RMS = 0.2
_RIPPLE_HIGHEST = 1.0
_RIPPLE_ALIKE = 0.8
# Of its height, what is longer than the window in the same patch: waves of 95 mm leave that
# (computed); more is form, and marks on form that goes up and down.
_RIPPLE_LONGER = 0.35
_RIPPLE_CRESTS = 2
# Of the batten: narrower patches are never followed. Half is the same; double calls the tank's end
# out.
_BROAD_SHARE = 0.4
# Of what is followed, this much of its height at most is left: of marks up to 200 mm broad 0.3 to
# 0.9 (measured), of form that fades out at a rim 0.15 to 0.2. More where the metal lies off all
# over, as it does where form turns tighter than the batten: half of that calls the tank's end out,
# double is the same; and in the midst of what is broader than the batten, which no metal round it
# tells from form, where leaving nothing out brings nearly all of it within tolerance (choice).
_FOLLOWED = 0.25
_FOLLOWED_TIGHT = 0.35
_FEW_BEYOND = 0.05
# The same.
TIGHT_TIMES = 1.5
"""Metal this many times farther off than with shorter battens: form turns tighter than one."""
# Damage is taken to cover less than the rest of a face; the usual coverage of least trimmed squares
# (Rousseeuw and Van Driessen 2006, from memory).
_COVERED = 0.75
# So many times as far off them lies the surface that leaves nothing out, where the other left form
# out: 0.71 to 0.90 and less on a real sheet and wavy ones (measured). Noise that hangs together,
# which it follows as well, makes 0.90 to 0.97; with damage over half a panel it is 4 and more.
_NEARER = 0.88


def marks_in(job: FaceJob, off: Floats, scale: float) -> Mask:
    """(n,) bool, highs and lows, each grown to where it sinks into the noise, and a rim.

    Parameters
    ----------
    off, scale : mm, how far the cells lie off the surface, and the robust scale of that.
    """
    smooth = _averaged(job, job.on_grid(off, 0.0), _MARK_WINDOW_MM)
    foot = max(_FOOT_OF_TOLERANCE * job.tolerance_mm, _FOOT_SCALES * scale)
    least = max(_PEAK_OF_TOLERANCE * job.tolerance_mm, _PEAK_FEET * foot)
    marked = np.zeros(job.shape, bool)
    for sign in (1.0, -1.0):
        body = sign * smooth > foot
        label, count = ndimage.label(body)
        if count:
            peak = ndimage.maximum(sign * smooth, label, np.arange(1, count + 1))
            marked |= np.concatenate([[False], peak > least])[label]
    rim = max(1, round(_MARK_RIM_MM / job.cell_mm))
    return np.asarray(ndimage.binary_dilation(marked, iterations=rim)[job.where])


def _averaged(job: FaceJob, field: Floats, over_mm: float) -> Floats:
    """(nu, nv) means over a Gaussian window of the face's own cells, 0 elsewhere."""
    sigma = max(1.0, over_mm / job.cell_mm, job.window_cells)
    known = job.on_grid(1.0, 0.0) > 0.0
    return np.where(known, masked_gaussian(field, known, sigma), 0.0)


def ripple_in(job: FaceJob, off_mm: Floats) -> Mask:
    """(n,) bool, patches that go up and down alike about a surface that leaves nothing out.

    Parameters
    ----------
    off_mm : (n,) how far the cells lie off it.
    """
    smooth = _averaged(job, job.on_grid(off_mm, 0.0), _MARK_WINDOW_MM)
    waves = smooth - _averaged(job, smooth, _RIPPLE_LONGEST_MM)
    loud = np.sqrt(_averaged(job, waves**2, _RIPPLE_OVER_MM)) > _RIPPLE_RMS * job.tolerance_mm
    label, count = ndimage.label(loud)
    area = np.bincount(label.ravel(), minlength=count + 1) * job.cell_mm**2
    ripple = np.zeros(job.shape, bool)
    for k in np.flatnonzero(area[1:] >= _RIPPLE_MM2) + 1:
        patch = label == k
        longer = np.mean((smooth - waves)[patch] ** 2) / np.mean(waves[patch] ** 2)
        if longer < _RIPPLE_LONGER**2:
            ripple |= patch & _goes_up_and_down(np.where(patch, waves, 0.0), job.tolerance_mm)
    return np.asarray(ripple[job.where])


def _goes_up_and_down(waves: Floats, tolerance_mm: float) -> bool:
    """Whether crests and troughs are several, alike in height and in size, and none a mark."""
    least, most = sorted((float(waves.max()), float(-waves.min())))
    if most > _RIPPLE_HIGHEST * tolerance_mm or least < _RIPPLE_ALIKE * most:
        return False
    sizes = crests_and_troughs(waves)
    widest = max(own.max(initial=0) for own in sizes)
    return all((own > LIKE_AREA * widest).sum() >= _RIPPLE_CRESTS for own in sizes)


def narrow_amid(job: FaceJob, marked: Mask, off_mm: Floats, *, below_mm: float) -> Mask:
    """(n,) bool, the marks, each high or low, that touch no rim of their face and are narrower than
    `below_mm`.
    """
    rim = job.on_grid(job.rim, False)
    amid = np.zeros(job.shape, bool)
    for sign in (1.0, -1.0):
        field = job.on_grid(marked & (sign * off_mm > 0.0), False)
        label, count = ndimage.label(field)
        numbers = np.arange(1, count + 1)
        half = ndimage.maximum(ndimage.distance_transform_edt(field), label, numbers) * job.cell_mm
        touches = ndimage.maximum(rim, label, numbers) > 0
        amid |= np.isin(label, numbers[~touches & (2.0 * half < below_mm)])
    return np.asarray(amid[job.where])


def broad_patches(
    job: FaceJob, weight: Floats, off_mm: Floats, batten_mm: float
) -> tuple[NDArray[np.int32], NDArray[np.intp]]:
    """(n,) number of the connected patch, all high or all low, a cell was left out with, 0 for
    none; and the numbers of those that are broad beside the batten.
    """
    patch, count = np.zeros(len(weight), np.int32), 0
    for sign in (1.0, -1.0):
        field = job.on_grid((weight <= 0.0) & (sign * off_mm > 0.0), False)
        label, own = ndimage.label(field)
        patch = np.where(label[job.where] > 0, label[job.where] + count, patch)
        count += own
    area = np.bincount(patch, minlength=count + 1) * job.cell_mm**2
    broad = np.flatnonzero(area >= (_BROAD_SHARE * batten_mm) ** 2)
    return patch, broad[broad > 0]


def followed(
    job: FaceJob,
    patch: NDArray[np.int32],
    broad: NDArray[np.intp],
    whole_mm: Floats,
    off_mm: Floats,
    *,
    batten_mm: float,
    tight: float,
) -> Mask:
    """(n,) bool, cells of the patches that the batten follows once they are not left out, and of
    those that hang together with them and then lie within tolerance: form goes up and down.

    Parameters
    ----------
    whole_mm, off_mm : how far the cells lie off the surface that leaves nothing out, and off this
        one; tight : how many times farther off the metal lies than with shorter battens.
    """
    left, out = (ndimage.median(np.abs(off), patch, broad) for off in (whole_mm, off_mm))
    most = np.full(len(broad), _FOLLOWED_TIGHT if tight > TIGHT_TIMES else _FOLLOWED)
    beyond = np.bincount(patch, np.abs(whole_mm) > job.tolerance_mm) / np.bincount(patch)
    within = beyond <= _FEW_BEYOND
    far = 2.0 * _reach_mm(job, patch, broad) >= batten_mm
    most[far & within[broad]] = _FOLLOWED_TIGHT
    back = np.isin(patch, broad[left < most * out])
    return back | _joined_to(job, patch, back) & within[patch]


def _reach_mm(job: FaceJob, patch: NDArray[np.int32], broad: NDArray[np.intp]) -> Floats:
    """How far patches reach from the cells that were kept."""
    left_out = job.on_grid(patch > 0, True)
    away = ndimage.distance_transform_edt(left_out)[job.where] * job.cell_mm
    return np.asarray(ndimage.maximum(away, patch, broad))


def _joined_to(job: FaceJob, patch: NDArray[np.int32], back: Mask) -> Mask:
    """(n,) bool, cells left out that hang together with those taken back."""
    field = job.on_grid(patch > 0, False)
    whole = ndimage.label(field, np.ones((3, 3)))[0][job.where]
    return np.asarray((whole > 0) & np.isin(whole, whole[back]))


def broken_down(kept: Mask, off_mm: Floats, whole_mm: Floats) -> bool:
    """Whether a robust fit leaves out so much that it may have taken the lesser part for sound, and
    the surface that leaves nothing out lies nearer to three quarters of the cells.

    Parameters
    ----------
    kept : (n,) bool, cells of the robust fit; off_mm, whole_mm : (n,) how far the cells lie off it
        and off the surface that leaves nothing out, both laid without holding the edges.
    """
    if float(kept.mean()) >= _COVERED:
        return False
    return _trimmed_mm(whole_mm) <= _NEARER * _trimmed_mm(off_mm)


def _trimmed_mm(off_mm: Floats) -> float:
    """Root of the least trimmed mean square (Rousseeuw 1984)."""
    nearest = np.sort(np.abs(off_mm))[: max(1, int(_COVERED * len(off_mm)))]
    return float(np.sqrt(np.mean(nearest**2)))

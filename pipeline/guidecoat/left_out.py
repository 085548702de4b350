"""What a robust fit has left out, and which of it its batten would follow: that is form."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from .face_jobs import FaceJob

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Narrower patches are never followed; of what is, this much of its height at most is left, and
# more where the metal lies off all over, as it does where form turns tighter than the batten.
_BROAD_SHARE = 0.4
_FOLLOWED = 0.15
_FOLLOWED_TIGHT = 0.35
TIGHT_TIMES = 1.5
"""Metal this many times farther off than with shorter battens: form turns tighter than one."""


def broad_patches(
    job: FaceJob, weight: Floats, off_mm: Floats, batten_mm: float
) -> tuple[NDArray[np.int32], NDArray[np.intp]]:
    """(n,) number of the connected patch, all high or all low, a cell was left out with, 0 for
    none; and the numbers of those that are broad beside the batten.
    """
    patch, count = np.zeros(len(weight), np.int32), 0
    for sign in (1.0, -1.0):
        field = np.zeros(job.shape, bool)
        field[job.where] = (weight <= 0.0) & (sign * off_mm > 0.0)
        label, own = ndimage.label(field)
        patch = np.where(label[job.where] > 0, label[job.where] + count, patch)
        count += own
    area = np.bincount(patch, minlength=count + 1) * job.cell_mm**2
    broad = np.flatnonzero(area >= (_BROAD_SHARE * batten_mm) ** 2)
    return patch, broad[broad > 0]


def followed(
    patch: NDArray[np.int32],
    broad: NDArray[np.intp],
    whole_mm: Floats,
    off_mm: Floats,
    *,
    tight: float,
) -> Mask:
    """(n,) bool, cells of the patches that the batten follows once they are not left out.

    Parameters
    ----------
    whole_mm, off_mm : how far the cells lie off the surface that leaves nothing out, and off this
        one; tight : how many times farther off the metal lies than with shorter battens.
    """
    left, out = (ndimage.median(np.abs(off), patch, broad) for off in (whole_mm, off_mm))
    most = _FOLLOWED_TIGHT if tight > TIGHT_TIMES else _FOLLOWED
    return np.isin(patch, broad[left < most * out])

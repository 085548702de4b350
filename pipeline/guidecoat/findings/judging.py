"""What of a panel is judged, and how: parts refused, specks left out, the codes of the cells."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ..errors import ScanUnfitError
from ..measuring.blind import blind_cause, blind_remedy
from ..measuring.deviation import (
    HELD,
    HIGH,
    IN,
    LOW,
    NOT_JUDGED,
    RIPPLE,
    UNDECIDED,
    CellDeviation,
)
from ..numerics.footprints import footprints_of
from ..numerics.specks import specks_of
from ..outline.faces import BAND, CREASE, JUDGED, LINE, REFUSED, SPECK, Faces
from ..rules import GUARD
from ..settings import Settings
from ..surface.fairing import MORE_FORM, FairSurface
from ..unrolling.cells import Cells
from .regions import Region

Mask = NDArray[np.bool_]

# A surface on which less than this share of a face's metal lies is not that metal's (choice).
_LEAST_LAID_ON = 0.35
# Times the tolerance, of the robust residual: metal that is usually as far off has form of its own
# beyond any mark (choice).
_WORST_SCALE = 2.0
# Every face but the main one, the largest, is refused from half the tolerance on where its residual
# is so many times the main face's: the same scan of the same panel would have made it no rougher,
# whatever its size (choice).
_BESIDE_MAIN_SCALE = 0.5
_TIMES_MAIN = 8.0
# Times the tolerance that the least visible height may be: beyond that no verdict is left (choice).
_MOST_BLIND = 5.0


def without_refused(faces: Faces, fair: FairSurface, *, tolerance_mm: float) -> Faces:
    """Faces with those refused on which no surface lies: their residual or their share of sound
    cells says so.

    A face beside the main one, of whatever size, is no one skin where its metal lies many times
    farther off than the main face's.

    Raises
    ------
    ScanUnfitError : when none is left.
    """
    laid = np.isin(faces.label, [face.face for face in fair.faces])
    reason = np.where((faces.reason == JUDGED) & ~laid, np.uint8(REFUSED), faces.reason)
    apart = max(_BESIDE_MAIN_SCALE * tolerance_mm, _TIMES_MAIN * fair.faces[0].scale_mm)
    for face in fair.faces:
        member = (faces.label == face.face) & (faces.reason == JUDGED)
        share = float((face.sound & member).sum()) / max(int(member.sum()), 1)
        limit = _WORST_SCALE * tolerance_mm
        if face is not fair.faces[0]:
            limit = min(limit, apart)
        if share < _LEAST_LAID_ON or face.scale_mm > limit:
            reason[member] = REFUSED
    if not (reason == JUDGED).any():
        raise ScanUnfitError(
            "no fair surface lies on this panel: its sound metal stays "
            f"{max(f.scale_mm for f in fair.faces):.2f} mm off the smoothest surface, whatever the "
            f"batten. {MORE_FORM}"
        )
    return replace(faces, reason=reason)


def refuse_noise(found: CellDeviation, *, tolerance_mm: float) -> None:
    """Refuse a scan that sees many times its tolerance at best.

    Raises
    ------
    ScanUnfitError : with the least height it tells from nothing, and the limit.
    """
    visible, limit = found.smallest_visible_mm, _MOST_BLIND * tolerance_mm
    if visible > limit:
        raise ScanUnfitError(
            f"nothing can be said of this scan: {blind_cause(visible, found.blurred_by)}; "
            f"{_MOST_BLIND:.0f} times the tolerance is {limit:.2f} mm. Remedy: "
            f"{blind_remedy(found.blurred_by)}; or allow more with --tolerance."
        )


def without_specks(
    filled: Mask,
    faces: Faces,
    found: CellDeviation,
    regions: tuple[Region, ...],
    *,
    tolerance_mm: float,
) -> tuple[Faces, CellDeviation]:
    """Leave out cells beyond tolerance that are too few to be a mark.

    Parameters
    ----------
    filled : (nu, nv) bool, cells of the skin that hold points.
    """
    marked = footprints_of(regions, found.judged.shape)
    specks = specks_of(
        found.smooth_mm,
        found.sigma_mm,
        found.judged,
        marked,
        limit_mm=tolerance_mm,
        guard=GUARD,
    )
    judged = found.judged & ~specks
    left = replace(
        found,
        cell_mm=np.where(judged, found.cell_mm, np.nan),
        smooth_mm=np.where(judged, found.smooth_mm, np.nan),
        sigma_mm=np.where(judged, found.sigma_mm, np.nan),
        slope_mrad=np.where(judged, found.slope_mrad, np.nan),
        judged=judged,
    )
    wild = (faces.reason == JUDGED) & filled & ~judged
    return replace(faces, reason=np.where(wild, np.uint8(SPECK), faces.reason)), left


def status_of(
    skin: Mask, faces: Faces, found: CellDeviation, regions: tuple[Region, ...]
) -> NDArray[np.uint8]:
    """(nu, nv) status codes of `deviation`, from what was judged and the regions found."""
    status = np.full(found.judged.shape, NOT_JUDGED, np.uint8)
    status[skin & np.isin(faces.reason, (BAND, CREASE, LINE))] = HELD
    status[found.judged] = IN
    codes = {"high": HIGH, "low": LOW, "ripple": RIPPLE}
    # What is off in height as well as in slope has the code of its height.
    for region in sorted(regions, key=lambda region: region.kind != "ripple"):
        code = UNDECIDED if region.verdict == "undecided" else codes[region.kind]
        status[region.core & found.judged] = code
    return status


def share_judged(found: CellDeviation, cells: Cells) -> float:
    """Share of what was scanned that is judged."""
    return float(found.judged.sum()) / max(int(cells.filled.sum()), 1)


def verdict_of(
    regions: tuple[Region, ...], visible_mm: float, settings: Settings, *, doubted: bool = False
) -> str:
    """The verdict on a panel: in, out or undecided.

    Parameters
    ----------
    visible_mm : the least height the scan tells from nothing.
    doubted : whether anything else keeps the panel from being known to be in tolerance.
    """
    if any(region.verdict == "out" for region in regions):
        return "out"
    if regions or doubted or visible_mm > settings.tolerance.height_mm:
        return "undecided"
    return "in"

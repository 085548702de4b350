"""Where cells lie beside body lines: how near, where a shoulder runs out, where a line fades."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ..lines.crease import Crease
from ..outline.faces import LINE, Faces
from ..unrolling.cells import Cells
from ..unrolling.polylines import carried_on, near_line, ways_along

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Lines fade beyond what is traced of them, by some batten. Double doubts ripple on the door.
_LINE_ON_MM = 300.0
# A line that has so much of its face before it ends there and does not run out of it, with at most
# so much that is no face between (choice: twice what is traced short).
_FADES_OVER_MM = 80.0
# A line ends in another one that comes so near its end and leaves it, by no less than 60 degrees
# from whence it came: at the corner of a recess (choice; those met within 20 mm, measured).
_MEETS_MM = 40.0
_NOT_BACK = -0.5
# It goes on in another one so far ahead that lies in line with it, and turns the same way: a mark
# or a hole breaks it there (choice).
_BROKEN_MM = 150.0
_IN_LINE_MM = 20.0
# To either side of where a line would run on, what its fading leaves is its own (choice).
_RUN_ON_MM = 20.0
# Lines are traced until a good part of their fading; how far beside them form fades with them
# (choice: half and a quarter of a batten).
_FADING_MM = 200.0
_BESIDE_FADING_MM = 100.0
# The last of a shoulder, which nothing holds past its end: shoulders that are curved in plan, by a
# radius of 1 to 3 m, leave marks of 0.4 mm there (measured on made-up wings).
_SHOULDER_END_MM = 75.0


@dataclass(frozen=True, eq=False)
class BesideLines:
    """All (nu, nv). line_mm : distance from the nearest step or body line, that carried on past its
    ends; flank_mm : from where the nearest shoulder runs out; both inf where there is none; broad :
    cells of shoulders; faded : where a line that ends well within its face would run on, where
    shoulders end, and everywhere if one ends well within its face; fading : beside there, beside
    the last of such a line, and shoulders.
    """

    line_mm: Floats
    flank_mm: Floats
    broad: Mask
    faded: Mask
    fading: Mask


def beside_lines(cells: Cells, faces: Faces, creases: tuple[Crease, ...]) -> BesideLines:
    """Look where every cell lies beside the body lines of a panel."""
    broad, faded, fading = np.zeros((3, *cells.grid.shape), bool)
    for shoulder in (crease for crease in creases if crease.shoulder):
        line = shoulder.line_uv
        own = near_line(cells.grid, line, shoulder.hinged_mm, extend_mm=_LINE_ON_MM)
        broad |= own
        way, _ = ways_along(line)
        for end, out in ((line[0], -way[0]), (line[-1], way[-1])):
            faded |= own & _past(end - _SHOULDER_END_MM * out, out, cells)
    fading |= broad
    for crease, end, on in _fades(cells, faces, creases):
        # Where a shoulder is lost the rest of the face is no one surface.
        faded |= near_line(cells.grid, on, np.inf if crease.shoulder else _RUN_ON_MM)
        fading |= near_line(cells.grid, np.vstack([end, on]), _BESIDE_FADING_MM)
    return BesideLines(
        _from_lines(cells, faces, creases), _from_flanks(broad, cells), broad, faded, fading
    )


def _past(place: Floats, way: Floats, cells: Cells) -> Mask:
    """(nu, nv) bool, cells that lie past a place, as seen along a way."""
    return np.asarray((cells.u_mm - place[0]) * way[0] + (cells.v_mm - place[1]) * way[1] > 0.0)


def _from_lines(cells: Cells, faces: Faces, creases: tuple[Crease, ...]) -> Floats:
    along = faces.reason == LINE
    for crease in creases:
        along |= near_line(
            cells.grid, crease.line_uv, 1.5 * cells.grid.cell_mm, extend_mm=_LINE_ON_MM
        )
    if not along.any():
        return np.full(cells.grid.shape, np.inf)
    return np.asarray(ndimage.distance_transform_edt(~along) * cells.grid.cell_mm)


def _from_flanks(broad: Mask, cells: Cells) -> Floats:
    if not broad.any():
        return np.full(cells.grid.shape, np.inf)
    away = ndimage.distance_transform_edt(~broad) + ndimage.distance_transform_edt(broad)
    return np.asarray(away * cells.grid.cell_mm)


def _fades(
    cells: Cells, faces: Faces, creases: tuple[Crease, ...]
) -> Iterator[tuple[Crease, Floats, Floats]]:
    """Every line that fades out within a face, the last of it, and where it would run on, (k, 2).

    None of a line that is pressed into one skin, which ends in a skin that is as it was, and no end
    from which another line goes on.
    """
    steps = np.arange(cells.grid.cell_mm, _LINE_ON_MM, cells.grid.cell_mm)
    for crease in creases:
        if crease.pressed:
            continue
        for line in (crease.line_uv, crease.line_uv[::-1]):
            ahead = carried_on(line, steps, back=1)[-len(steps) :]
            on_face = faces.label[cells.grid.index(*ahead.T)] > 0
            on_face &= ~cells.grid.beyond(*ahead.T)
            first = int(np.argmax(on_face))
            run = ahead[first:][np.logical_and.accumulate(on_face[first:])]
            if steps[first] < _FADES_OVER_MM < len(run) * cells.grid.cell_mm:
                if any(_goes_on(line[-1], run, crease, o) for o in creases if o is not crease):
                    continue
                way = np.linalg.norm(line - line[-1], axis=1)
                yield crease, line[way < _FADING_MM], run


def _goes_on(end: Floats, run: Floats, crease: Crease, other: Crease) -> bool:
    """Whether another line goes on from the end of one, that would run on along a (k, 2) `run`."""
    way = (run[-1] - run[0]) / np.linalg.norm(run[-1] - run[0])
    off = other.line_uv - end
    far = np.linalg.norm(off, axis=1)
    ahead, beside = off @ way, np.abs(off @ np.array([-way[1], way[0]]))
    if far.min() <= _MEETS_MM and ((far > _MEETS_MM) & (ahead > _NOT_BACK * far)).any():
        return True
    in_line = (ahead > 0.0) & (ahead <= _BROKEN_MM) & (beside <= _IN_LINE_MM)
    return bool(in_line.any()) and crease.turn_mrad * other.turn_mrad > 0.0

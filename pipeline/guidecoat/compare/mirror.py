"""Left against right: one panel reflected onto the other, place told apart from shape."""

from __future__ import annotations

import time
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ..check import CheckResult
from ..doubts.remarks import beside_other_side
from ..errors import ScanUnfitError, SettingsError
from ..findings.regions import Region
from ..panel.ground import without_tables
from ..registration import MirrorPlane, Registration, mirror_plane_amid
from ..registration.rigid import inverse, move, reflection
from ..scans.scan import Scan
from ..settings import Settings
from ..unrolling.voxels import pieces, voxelise
from .comparing import check_or_cut, points_of, with_cells_for
from .difference import LOOK_FIRST, shape_difference
from .edge_rests import edge_rests
from .hanging import EdgeHang, Position, hang_edges, plane_sigma_mm
from .laying import Laid, Told, lay, read_pairs_of
from .outlines import Outlines, outlines_of
from .parting import Parted, part_at_edges, refuse_unheld
from .passes import Pass, measure_pass, own_pass
from .placing import between_files
from .reading import read_alike
from .reflecting import in_frame, mirrored, plane_between, seen_in_own_mirror

Floats = NDArray[np.float64]

# Share of the points: with less on its other side a plane halves no body (choice).
_SMALLEST_SIDE = 0.15
# Marks named in a warning (choice).
_SHOWN_MARKS = 3
_AT_EDGES = (
    "The sides differ in form all over, so position is what brings their edges together; the doubt "
    "covers other ways to part it from shape. Flush and gaps do not depend on that."
)
_NO_FRAME = (
    "The two panels were scanned apart, so how they hang on the vehicle is not in these scans: "
    "scan the whole body, or both panels in one frame and give the vehicle's plane (--plane)."
)
# A plane found from the two sides alone moves and tilts with either: of a panel that hangs 1 mm out
# it takes up all, and one that hangs 1 mm low it puts elsewhere (tried).
_BY_PAIR = "both panels together"
_BY_SIDES = "the two sides alone"
_OWN_PLANE = (
    "The mirror plane was found from these two sides alone and moves with them, so how they hang "
    "is not told: give the vehicle's plane with --plane."
)


@dataclass(frozen=True)
class MirrorOptions:
    """What a left against right may be told.

    already_aligned : both files share one frame, a vehicle's; plane : (point, normal) of the
    vehicle's mirror plane in that frame, file units; pairs : CSV of points picked on both sides.
    """

    already_aligned: bool = False
    plane: tuple[tuple[float, float, float], tuple[float, float, float]] | None = None
    pairs: Path | None = None

    @property
    def told(self) -> Told:
        """What that says of how the files lie."""
        return Told(self.already_aligned or self.plane is not None, self.pairs)


@dataclass(frozen=True, eq=False)
class MirrorResult:
    """Everything a left against right found; the exporters read it.

    shape : what is left when the rigid part is taken out, as a check's result of SIDE: deviation
    is SIDE less OTHER reflected; T_side_other : (4, 4) mm between the files' own frames,
    determinant -1; plane : mm in the file's own frame, None where the scans share no frame;
    hung : of a panel's edges, where the vehicle's plane was given; outlines : of both, where they
    can be read.
    """

    side: Pass
    other: Pass
    other_name: str
    shape: CheckResult
    plane: MirrorPlane | None
    plane_decided_by: str
    position: Position | None
    position_words: str
    registration: Registration
    T_side_other: Floats
    settings: Settings
    warnings: tuple[str, ...]
    timings_s: dict[str, float]
    hung: tuple[EdgeHang, ...] = ()
    outlines: Outlines | None = None


def mirror_files(
    paths: tuple[Path, ...], settings: Settings, options: MirrorOptions | None = None
) -> MirrorResult:
    """Compare a panel with its counterpart on the other side: two scans, or one of a whole body.

    Raises
    ------
    ScanReadError, ScanUnfitError, SettingsError : with the cause and the remedy.
    """
    started = time.perf_counter()
    scans = read_alike(paths, settings)
    seconds = {"read": time.perf_counter() - started}
    options = options or MirrorOptions()
    if len(scans) == 1:
        result = mirror_body(scans[0], settings, options)
    else:
        result = mirror_pair(scans[0], scans[1], settings, options)
    return replace(result, timings_s={**seconds, **result.timings_s})


def mirror_pair(
    side: Scan, other: Scan, settings: Settings, options: MirrorOptions | None = None
) -> MirrorResult:
    """Compare SIDE with OTHER, two scans of counterparts."""
    options = options or MirrorOptions()
    (side, other), tables = without_tables((side, other), outside=settings.outside)
    plane, by, near = None, "none: the scans share no frame", True
    if options.plane is not None:
        plane, by = _given_plane(options.plane, side), "the settings"
    elif options.already_aligned:
        (plane, near), by = plane_between(side, other), _BY_PAIR
    if plane is not None:
        image, flip = mirrored(other, plane.point, plane.normal), _flip(plane)
    else:
        image, flip = seen_in_own_mirror(other)
    result = _compared(side, image, flip, settings, options, plane, by, near=near)
    result = replace(result, warnings=(*tables, *result.warnings))
    if plane is None or result.position is None:
        return result
    origin = side.origin * side.units.mm_per_unit
    found = result.registration
    rests = edge_rests(result.side, result.other, result.outlines)
    hung = hang_edges(result.position, found, plane, rests, origin)
    return replace(result, hung=hung)


def mirror_body(
    body: Scan, settings: Settings, options: MirrorOptions | None = None
) -> MirrorResult:
    """Find the mirror plane of a whole body and compare its sides."""
    options = options or MirrorOptions()
    if options.plane is None:
        plane, by = mirror_plane_amid(in_frame(body)), "the body itself"
    else:
        plane, by = _given_plane(options.plane, body), "the settings"
    along = (_all_in_frame(body) - plane.point) @ plane.normal
    halves = [body.usable & (along > 0.0), body.usable & (along < 0.0)]
    share = min(int(h.sum()) for h in halves) / max(int(body.usable.sum()), 1)
    if share < _SMALLEST_SIDE:
        raise ScanUnfitError(
            f"{body.name}: the mirror plane leaves {share:.0%} of the points on one side, "
            f"{_SMALLEST_SIDE:.0%} are needed. Scan both sides, or give the plane with --plane."
        )
    one, two = (_main_piece(replace(body, usable=half)) for half in halves)
    if options.plane is None and 2 * int((one.usable | two.usable).sum()) > int(body.usable.sum()):
        by = _BY_SIDES
    way = "xyz"[int(np.abs(plane.normal).argmax())]
    sign = "+-"[int(plane.normal[np.abs(plane.normal).argmax()] < 0)]
    side = replace(one, name=f"{body.name}, side towards {sign}{way}")
    image = mirrored(two, plane.point, plane.normal)
    return _compared(side, image, _flip(plane), settings, options, plane, by)


def _compared(
    side: Scan,
    image: Scan,
    flip: Floats,
    settings: Settings,
    options: MirrorOptions,
    plane: MirrorPlane | None,
    by: str,
    *,
    near: bool = True,
) -> MirrorResult:
    """`image` is OTHER, reflected by `flip` (4, 4) in its file's frame, mm; `near` : by the
    vehicle's plane, where there is one, to a few millimetres.
    """
    clock = time.perf_counter()
    told, pairs = options.told, read_pairs_of(options.told, image, flip)
    known, near = plane is not None, plane is not None and near
    laid = lay(
        image, side, pairs, reflected=True, near=near, turn_known=known, remedy=told.remedy()
    )
    motion, found = laid.motion, laid.found
    outlines = outlines_of(side, image, motion)
    seconds = {"registration": time.perf_counter() - clock}
    clock = time.perf_counter()
    spread = with_cells_for(settings, (side, image))
    own = own_pass(check_or_cut(side, points_of(image, motion), spread))
    seconds["fair surface"] = time.perf_counter() - clock
    clock = time.perf_counter()
    parted = _parted(own, image, laid, outlines, spread, near=near)
    if parted is None:
        other = measure_pass(image, own.result, motion, found, spread)
        doubts = found.doubts("difference", told.remedy()) + _loosely(found)
    else:
        motion, other, found = parted.motion, parted.image, parted.registration
        doubts = _differing(parted, found, own)
    shape = shape_difference(
        own, other, settings, against=f"{image.name}, reflected", differ=parted is not None
    )
    if parted is not None:
        shape = replace(shape, regions=tuple(_of_form(r, shape) for r in shape.regions))
    seconds["difference"] = time.perf_counter() - clock
    between = between_files(motion, image, side)
    position, words = None, _NO_FRAME if plane is None else _OWN_PLANE
    if plane is not None and by not in (_BY_PAIR, _BY_SIDES):
        position, words = _position(between, side, found, plane), ""
        if parted is not None:
            position, words = position.doubted(parted.left_mm, parted.other_turn_mrad), _AT_EDGES
    warnings = beside_other_side(own.result.warnings + other.result.warnings) + doubts
    return MirrorResult(
        own,
        other,
        image.name,
        replace(shape, settings=settings, warnings=warnings),
        plane,
        by,
        position,
        words,
        found,
        between @ flip,
        settings,
        warnings,
        seconds,
        outlines=outlines,
    )


def _parted(
    own: Pass,
    image: Scan,
    laid: Laid,
    outlines: Outlines | None,
    settings: Settings,
    *,
    near: bool,
) -> Parted | None:
    """The other panel laid on at the edges where the forms differ all over; None where they don't,
    or where edges can't be read.
    """
    if laid.open_ is None and not laid.found.loose:
        return None
    refuse_unheld(laid, outlines, near=near)
    try:
        return part_at_edges(own, image, laid.motion, laid.found, outlines, settings)
    except ScanUnfitError:
        if laid.open_ is not None:
            raise laid.open_ from None
        return None


def _loosely(found: Registration) -> tuple[str, ...]:
    loose = [w.describe() for w in found.weak_directions if w.held_by != "nothing"]
    if not loose:
        return ()
    return (
        f"The panel's shape holds the two sides on each other loosely ({'; '.join(loose)}): "
        "differences may be off along the panel by that much.",
    )


def _of_form(region: Region, shape: CheckResult) -> Region:
    """What is as long as form is no mark to be worked on before one knows which side is right."""
    if region.width_mm < shape.surface.batten_mm:
        return region
    return replace(region, action=LOOK_FIRST + region.action)


def _differing(parted: Parted, found: Registration, own: Pass) -> tuple[str, ...]:
    """That the forms differ all over, what was done about it, and what that hides."""
    words = (
        f"The two sides differ in form all over: laid on each other at their edges, "
        f"{parted.left_mm:.2f} mm (rms) is left between them. A mark of this side may be hidden in "
        "so broad a difference"
    )
    marks = [r for r in own.result.regions if r.verdict == "out" and r.kind != "ripple"]
    listed = ", ".join(f"{r.peak_mm:+.2f} mm {r.from_edges}" for r in marks[:_SHOWN_MARKS])
    words += f"; from its own fair surface it has: {listed}." if marks else "."
    return ((found.doubt,) if found.doubt else ()) + (words,)


def _flip(plane: MirrorPlane) -> Floats:
    return reflection(plane.point, plane.normal)


def _position(between: Floats, side: Scan, found: Registration, plane: MirrorPlane) -> Position:
    """The rigid motion from the image to SIDE, about SIDE's middle."""
    middle = in_frame(side).mean(axis=0)
    before = move(inverse(between), middle[None])[0]
    turn = between[:3, :3]
    axis = np.array([turn[2, 1] - turn[1, 2], turn[0, 2] - turn[2, 0], turn[1, 0] - turn[0, 1]])
    sine = 0.5 * float(np.linalg.norm(axis))
    angle = float(np.arctan2(sine, 0.5 * (np.trace(turn) - 1.0)))
    vector = axis / max(2.0 * sine, 1e-15) * angle
    arm = float(np.linalg.norm(middle - plane.point))
    return Position(
        middle - before,
        1e3 * vector,
        float(np.hypot(found.slide_mm, plane_sigma_mm(plane, arm))),
        float(np.hypot(found.turn_mrad, 2.0 * plane.uncertainty_mrad)),
        middle,
    )


def _given_plane(
    plane: tuple[tuple[float, float, float], tuple[float, float, float]], scan: Scan
) -> MirrorPlane:
    normal = np.array(plane[1], np.float64)
    length = float(np.linalg.norm(normal))
    if not np.isfinite(length) or length == 0.0:
        raise SettingsError("--plane: its normal has no direction: give a point and a normal.")
    point = np.array(plane[0], np.float64) * scan.units.mm_per_unit
    return MirrorPlane(point, normal / length, 0.0, 0.0, 1.0)


def _main_piece(half: Scan) -> Scan:
    """The half without loose pieces beside its largest one."""
    voxels = voxelise(half.points_mm, half.usable)
    number = voxels.number(half.points_mm)
    piece = pieces(voxels)
    return replace(half, usable=half.usable & (number >= 0) & (piece[number] == 0))


def _all_in_frame(scan: Scan) -> Floats:
    return scan.points_mm.astype(np.float64) + scan.origin * scan.units.mm_per_unit

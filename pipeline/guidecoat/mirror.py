"""Left against right: one panel reflected onto the other, place told apart from shape."""

from __future__ import annotations

import time
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from .check import CheckResult
from .compare.at_edges import settle_at_edges
from .compare.comparing import check_or_cut, read_one, with_cells_for
from .compare.difference import is_others, shape_difference
from .compare.passes import Pass, measure_pass, own_pass
from .compare.placing import between_files, place_scan, read_pairs
from .errors import ScanUnfitError, SettingsError
from .ground import without_tables
from .hanging import EdgeHang, Position, hang_edges, plane_sigma_mm
from .registration import (
    MirrorPlane,
    Registration,
    mirror_plane_amid,
    require_observable,
)
from .registration.rigid import inverse, move, reflection
from .scan import Scan
from .settings import Settings
from .voxels import pieces, voxelise
from .workplan import plan_work

Floats = NDArray[np.float64]

_SMALLEST_SIDE = 0.15
_BROAD = (
    "Give --pairs on spots that are alike, or scan both panels in one frame (--already-aligned)."
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


@dataclass(frozen=True, eq=False)
class MirrorResult:
    """Everything a left against right found; the exporters read it.

    shape : what is left when the rigid part is taken out, as a check's result of SIDE: deviation
    is SIDE less OTHER reflected; T_side_other : (4, 4) mm between the files' own frames,
    determinant -1; plane : mm in the file's own frame, None where the scans share no frame;
    hung : of a panel's edges, where the vehicle's plane was given.
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


def mirror_files(
    paths: tuple[Path, ...], settings: Settings, options: MirrorOptions | None = None
) -> MirrorResult:
    """Compare a panel with its counterpart on the other side: two scans, or one of a whole body.

    Raises
    ------
    ScanReadError, ScanUnfitError, SettingsError : with the cause and the remedy.
    """
    started = time.perf_counter()
    scans = [read_one(path, settings) for path in paths]
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
    plane, by = None, "none: the scans share no frame"
    if options.plane is not None:
        plane, by = _given_plane(options.plane, side), "the settings"
    elif options.already_aligned:
        both = np.vstack([_in_frame(s) for s in (side, other)])
        plane, by = mirror_plane_amid(both), _BY_PAIR
    if plane is not None:
        image, flip = mirrored(other, plane.point, plane.normal), _flip(plane)
    else:
        image, flip = _seen_in_own_mirror(other)
    result = _compared(side, image, flip, settings, options, plane, by)
    result = replace(result, warnings=(*tables, *result.warnings))
    if plane is None or result.position is None:
        return result
    own, origin = result.side.result, side.origin * side.units.mm_per_unit
    hung = hang_edges(result.position, result.registration, plane, own.chart, own.edges, origin)
    return replace(result, hung=hung)


def mirror_body(
    body: Scan, settings: Settings, options: MirrorOptions | None = None
) -> MirrorResult:
    """Find the mirror plane of a whole body and compare its sides."""
    options = options or MirrorOptions()
    if options.plane is None:
        plane, by = mirror_plane_amid(_in_frame(body)), "the body itself"
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


def check_like_files(path: Path, like: Path, settings: Settings, *, reflected: bool) -> CheckResult:
    """Read a scan and another panel of its kind, and check the one against the other."""
    started = time.perf_counter()
    scans = [read_one(one, settings) for one in (path, like)]
    seconds = {"read": time.perf_counter() - started}
    result = check_like(scans[0], scans[1], settings, reflected=reflected)
    return replace(result, timings_s={**seconds, **result.timings_s})


def check_like(scan: Scan, like: Scan, settings: Settings, *, reflected: bool) -> CheckResult:
    """Check a scan against another panel of its kind instead of its own fair surface.

    The other panel is laid on this one at the held edges, so that damage longer than the batten,
    which looks like form in one scan, shows.

    Parameters
    ----------
    reflected : the other panel is of the other side.
    """
    (scan, like), tables = without_tables((scan, like), outside=settings.outside)
    other = like
    if reflected:
        other = _seen_in_own_mirror(like)[0]
    spread = with_cells_for(settings, (scan, other))
    motion, found = _laid(other, scan, None, reflected=reflected, near=False)
    own = own_pass(check_or_cut(scan, _points(other, motion), spread))
    image = measure_pass(other, own.result, motion, found, spread)
    for _ in range(2):
        step, sigma = settle_at_edges(own, image)
        motion = step @ motion
        image = measure_pass(other, own.result, motion, None, spread)
    image = image.in_doubt(sigma)
    what = f"{like.name}, {'reflected and ' if reflected else ''}laid on at the held edges"
    result = shape_difference(own, image, settings, against=what)
    kept = tuple(w for w in own.result.warnings if not ("batten" in w or "--like" in w))
    note = (
        f"Measured against {what}: what is wrong with that panel shows here too, with its sign "
        "turned."
    )
    doubt = (found.doubt,) if found.doubt else ()
    result = replace(result, settings=settings, warnings=(*tables, *doubt, note, *kept))
    return _planned(result, own, image)


def _planned(result: CheckResult, own: Pass, other: Pass) -> CheckResult:
    """The result with its work plan, which leaves out what is wrong with the other panel.

    That can be told only of marks that this panel's own fair surface does not follow.
    """
    batten = result.surface.batten_mm
    others = {r.region for r in result.regions if is_others(r, own, other)}
    long = {r.region for r in result.regions if r.width_mm >= batten}
    here = tuple(r for r in result.regions if r.region not in others - long)
    plan = plan_work(replace(result, regions=here))
    look = "look first whether it is the other panel's: so long a mark this one alone can't tell; "
    planned = {
        r.region: replace(r, action=(look if r.region in others else "") + r.action)
        for r in plan.regions
    }
    regions = tuple(planned.get(region.region, region) for region in result.regions)
    return replace(result, plan=plan, regions=regions)


def mirrored(scan: Scan, point_mm: Floats, normal: Floats) -> Scan:
    """A scan seen in a plane of its file's own frame (point in mm).

    Vertices stay those of the file; normals are reflected and triangles turned round.
    """
    unit = np.asarray(normal, np.float64) / np.linalg.norm(normal)
    flip = np.eye(3) - 2.0 * np.outer(unit, unit)
    origin = move(reflection(point_mm, unit), scan.origin[None] * scan.units.mm_per_unit)[0]
    points = (scan.points_mm.astype(np.float64) @ flip).astype(np.float32)
    normals = None if scan.normals is None else (scan.normals @ flip).astype(np.float32)
    faces = None if scan.faces is None else np.ascontiguousarray(scan.faces[:, ::-1])
    for array in (points, normals, faces):
        if array is not None:
            array.setflags(write=False)
    return replace(
        scan,
        points_mm=points,
        normals=normals,
        faces=faces,
        origin=origin / scan.units.mm_per_unit,
    )


def _compared(
    side: Scan,
    image: Scan,
    flip: Floats,
    settings: Settings,
    options: MirrorOptions,
    plane: MirrorPlane | None,
    by: str,
) -> MirrorResult:
    """`image` is OTHER, reflected by `flip` (4, 4) in its file's frame, mm."""
    clock = time.perf_counter()
    pairs = None if options.pairs is None else read_pairs(options.pairs)
    if pairs is not None:
        per_unit = image.units.mm_per_unit
        pairs = move(flip, pairs[0] * per_unit) / per_unit, pairs[1]
    motion, found = _laid(image, side, pairs, reflected=True, near=plane is not None)
    seconds = {"registration": time.perf_counter() - clock}
    clock = time.perf_counter()
    spread = with_cells_for(settings, (side, image))
    own = own_pass(check_or_cut(side, _points(image, motion), spread))
    seconds["fair surface"] = time.perf_counter() - clock
    clock = time.perf_counter()
    other = measure_pass(image, own.result, motion, found, spread)
    shape = shape_difference(own, other, settings, against=f"{image.name}, reflected")
    seconds["difference"] = time.perf_counter() - clock
    between = between_files(motion, image, side)
    position, words = None, _NO_FRAME if plane is None else _OWN_PLANE
    if plane is not None and by not in (_BY_PAIR, _BY_SIDES):
        position, words = _position(between, side, found, plane), ""
    warnings = own.result.warnings + found.doubts("difference", _BROAD)
    if loose := [w.describe() for w in found.weak_directions if w.held_by != "nothing"]:
        warnings += (
            f"The panel's shape holds the two sides on each other loosely ({'; '.join(loose)}): "
            "differences may be off along the panel by that much.",
        )
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
    )


def _flip(plane: MirrorPlane) -> Floats:
    return reflection(plane.point, plane.normal)


def _seen_in_own_mirror(scan: Scan) -> tuple[Scan, Floats]:
    """A scan reflected about a plane of its own, and that reflection in its file's frame, mm."""
    middle, way = scan.origin * scan.units.mm_per_unit, np.array([1.0, 0.0, 0.0])
    return mirrored(scan, middle, way), reflection(middle, way)


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
    "is not told: give the vehicle's plane with --plane, or scan the whole body."
)


def _laid(
    image: Scan,
    side: Scan,
    pairs: tuple[Floats, Floats] | None,
    *,
    reflected: bool,
    near: bool,
) -> tuple[Floats, Registration]:
    try:
        motion, found = place_scan(image, side, pairs=pairs, roughly_aligned=near)
        require_observable(found)
    except ScanUnfitError as error:
        words = str(error)
        if reflected and "mirrored" in words:
            raise ScanUnfitError(
                f"{image.name} fits {side.name} as it is and not reflected: both show the same "
                "side. Use `guidecoat compare` for two scans of one panel, or --like-as same."
            ) from error
        if not reflected and "mirrored" in words:
            words += " With `check --like` say --like-as mirrored."
        raise ScanUnfitError(f"{image.name} against {side.name}: {words}") from error
    return motion, found


def _position(between: Floats, side: Scan, found: Registration, plane: MirrorPlane) -> Position:
    """The rigid motion from the image to SIDE, about SIDE's middle."""
    middle = _in_frame(side).mean(axis=0)
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


def _points(scan: Scan, motion: Floats) -> Floats:
    return move(motion, scan.points_mm[scan.usable].astype(np.float64))


def _all_in_frame(scan: Scan) -> Floats:
    return scan.points_mm.astype(np.float64) + scan.origin * scan.units.mm_per_unit


def _in_frame(scan: Scan) -> Floats:
    return np.asarray(_all_in_frame(scan)[scan.usable])

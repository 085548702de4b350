"""Laying the chart: which way is outside, about which axis a panel unrolls, what belongs to it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import ConvexHull, QhullError

from ..errors import ScanUnfitError
from ..numerics.biweight import MAD_TO_SIGMA
from ..numerics.local_fit import quadratic_columns
from ..scans.scan import Scan
from .chart import Chart
from .settling import settled
from .voxels import Voxels, pieces

Floats = NDArray[np.float64]

SKIN, LOOSE, TURNED_AWAY = 0, 1, 2
SKIN_REASONS = (
    "skin",
    "a loose piece beside the panel",
    "a returned flange, a hem or the inside of the skin",
)
"""Why a voxel is left out of the panel; the first means that it is not."""

_WIDEST_WRAP_DEG = 150.0
_FLAT_WRAP_DEG = 50.0
_STEEPEST_DEG = 72.0
_FACES_BACK_DEG = 100.0
_VOTES = 200_000
_SIDE_BINS = 24
_AS_LONG = 1.005
_MOST_TURNED_DEG = 10.0
_SAG_DEGREE = 2
_AXES = {"x": 0, "y": 1, "z": 2}


@dataclass(frozen=True, eq=False)
class Skin:
    """The unrolled panel: its chart, and (k,) uint8 per voxel, an index into SKIN_REASONS."""

    chart: Chart
    reason: NDArray[np.uint8]


def lay_chart(scan: Scan, voxels: Voxels, *, outside: str = "auto") -> Skin:
    """Unroll a scanned panel about the axis along which its normals turn least.

    Parameters
    ----------
    scan, voxels : the scan and its voxels.
    outside : auto, or one of +x -x +y -y +z -z in the scan's frame.

    Returns
    -------
    Skin : the chart, and which voxels are the panel's outside skin.

    Raises
    ------
    ScanUnfitError
        Two panels in one scan, a closed body, a panel that wraps through more than 150 degrees,
        or nothing that tells the outside from the inside.
    """
    piece = pieces(voxels)
    _refuse_two_panels(voxels, piece)
    body = piece == 0
    centre, weight = voxels.centre_mm[body], voxels.count[body].astype(np.float64)
    normal, decided_by = _outward_normals(scan, voxels, body, outside)
    _refuse_closed(normal, weight)
    chosen = np.ones(len(centre), bool)
    for _ in range(4):
        chart = _fit_chart(centre[chosen], normal[chosen], weight[chosen], decided_by)
        uvh = chart.to_chart(centre)
        upright = np.einsum("ij,ij->i", _radial(chart, uvh), normal)
        chosen = upright > np.cos(np.radians(_STEEPEST_DEG))
        if chosen.sum() < 20:
            raise ScanUnfitError(
                "no skin was found that faces one way: the surface in this scan turns over "
                "itself or is too rough. Scan the panel's outside, or take it out with "
                "`guidecoat crop`."
            )
    _refuse_wide(chart, normal[chosen], weight[chosen])
    chart = settled(chart, centre[chosen])
    reason = np.full(len(body), LOOSE, np.uint8)
    # At a hem one voxel holds skin and flange: what merely leans stays in, and cells keep the outer
    # layer; only what faces backward goes.
    reason[body] = np.where(upright > np.cos(np.radians(_FACES_BACK_DEG)), SKIN, TURNED_AWAY)
    return Skin(chart, reason)


def _radial(chart: Chart, uvh: Floats) -> Floats:
    """(n, 3) outward unit vectors of the base cylinder at chart positions."""
    angle = chart.curvature_per_mm * uvh[:, 1]
    return np.sin(angle)[:, None] * chart.rotation[1] + np.cos(angle)[:, None] * chart.rotation[2]


def _refuse_two_panels(voxels: Voxels, piece: NDArray[np.int64]) -> None:
    weight = np.bincount(piece, minlength=2)
    if weight[1] > 0.3 * weight[0]:
        apart = np.linalg.norm(
            voxels.centre_mm[piece == 0].mean(axis=0) - voxels.centre_mm[piece == 1].mean(axis=0)
        )
        raise ScanUnfitError(
            f"two separate pieces of like size are in this scan (their middles {apart:.0f} mm "
            "apart). Take them out one by one with `guidecoat crop` and check each by itself."
        )


def _refuse_closed(normal: Floats, weight: Floats) -> None:
    facing = np.linalg.norm(weight @ normal) / weight.sum()
    if facing < 0.2:
        raise ScanUnfitError(
            "the surface closes on itself: its normals point all ways "
            f"(their mean is {facing:.2f} long, a panel's is over 0.2). "
            "Take one side of it out with `guidecoat crop`."
        )


def _refuse_wide(chart: Chart, normal: Floats, weight: Floats) -> None:
    angle = np.degrees(np.arctan2(normal @ chart.rotation[1], normal @ chart.rotation[2]))
    # The outer shares are left to hems that roll over; an even section has 6 % of its turn there.
    wrap = float(np.subtract(*_weighted_quantiles(angle, weight, (0.97, 0.03)))) / 0.94
    if wrap > _WIDEST_WRAP_DEG:
        raise ScanUnfitError(
            f"the panel wraps through {wrap:.0f} degrees; up to {_WIDEST_WRAP_DEG:.0f} can be "
            "unrolled. If a table, a stand or a second panel is in the scan, or if the panel "
            "itself turns so far: `guidecoat crop` takes out the largest part that faces one way."
        )


def _weighted_quantiles(x: Floats, weight: Floats, at: tuple[float, ...]) -> Floats:
    order = np.argsort(x, kind="stable")
    share = np.cumsum(weight[order]) / weight.sum()
    return x[order][np.minimum(np.searchsorted(share, at), len(x) - 1)]


# --- outside -----------------------------------------------------------------------------------


def _outward_normals(
    scan: Scan, voxels: Voxels, body: NDArray[np.bool_], outside: str
) -> tuple[Floats, str]:
    """Normals of the body's voxels turned to the outside, and what decided it."""
    normal = voxels.normal[body]
    weight = voxels.count[body].astype(np.float64)
    if outside != "auto":
        return normal * _sign_given(weight @ normal / weight.sum(), outside), "the settings"
    for votes, source in ((_vertex_votes(scan), "normals"), (_face_votes(scan), "faces")):
        if votes is None:
            continue
        number = voxels.number(votes[0])
        seen = number >= 0
        seen[seen] = body[number[seen]]
        agree = np.sign(np.einsum("ij,ij->i", votes[1][seen], voxels.normal[number[seen]]))
        if agree.size and abs(agree.mean()) > 0.5:
            return normal * np.sign(agree.mean()), f"the file's {source}"
    sign, source = _sign_of_crown(voxels.centre_mm[body], normal, weight)
    return normal * sign, source


def _sign_given(mean: Floats, outside: str) -> float:
    along = mean[_AXES[outside[1]]] * (1.0 if outside[0] == "+" else -1.0)
    if abs(along) < 0.2 * np.linalg.norm(mean):
        best = int(np.abs(mean).argmax())
        raise ScanUnfitError(
            f"--outside {outside} runs along this panel, not out of it. Its face looks along "
            f"{'xyz'[best]}: say --outside +{'xyz'[best]} or --outside -{'xyz'[best]}."
        )
    return float(np.sign(along))


def _vertex_votes(scan: Scan) -> tuple[NDArray[np.float32], NDArray[np.float32]] | None:
    if scan.normals is None:
        return None
    rows = np.flatnonzero(scan.usable[: len(scan.normals)])
    rows = rows[:: max(1, len(rows) // _VOTES)]
    return scan.points_mm[rows], scan.normals[rows]


def _face_votes(scan: Scan) -> tuple[NDArray[np.float32], NDArray[np.float32]] | None:
    if scan.faces is None or not len(scan.faces):
        return None
    faces = scan.faces[:: max(1, len(scan.faces) // _VOTES)]
    a, b, c = (scan.points_mm[faces[:, k]] for k in range(3))
    normal = np.cross(b - a, c - a)
    good = np.isfinite(normal).all(axis=1) & (normal != 0).any(axis=1)
    return a[good], normal[good]


def _sign_of_crown(centre: Floats, normal: Floats, weight: Floats) -> tuple[float, str]:
    """+1 when the normals point out of the crown, or away from the returned flanges."""
    frame, origin = _tangent_frame(centre, normal, weight)
    x, y, z = ((centre - origin) @ frame.T).T
    face = normal @ frame[2] > 0.6
    half = max(np.ptp(x), np.ptp(y)) / 2
    a, b = x[face] / half, y[face] / half
    columns = quadratic_columns(a, b)
    root = np.sqrt(weight[face])
    found = np.linalg.lstsq(columns * root[:, None], z[face] * root, rcond=None)[0]
    crown = -(found[3] * a.max() ** 2 + found[5] * b.max() ** 2)
    if abs(crown) > max(1.0, 0.002 * half):
        return float(np.sign(crown)), "the crown: the panel bulges outward"
    away = np.abs(normal @ frame[2]) < 0.4
    if away.sum() > 0.01 * len(away):
        base = quadratic_columns(x[away] / half, y[away] / half) @ found
        behind = float(np.median(z[away] - base))
        if abs(behind) > 1.0:
            return float(-np.sign(behind)), "the returned flanges: they lie inside"
    axis = int(np.abs(frame[2]).argmax())
    way = "+-"[int(frame[2][axis] < 0)] + "xyz"[axis]
    raise ScanUnfitError(
        f"outside and inside cannot be told apart: the panel bulges by {abs(crown):.2f} mm "
        "only, and the file has no normals or faces that agree. Say which way is out: --outside "
        f"{way} or the opposite."
    )


def _tangent_frame(centre: Floats, normal: Floats, weight: Floats) -> tuple[Floats, Floats]:
    """Rows: two directions in the mean tangent plane and the mean normal; and the mean."""
    origin = weight @ centre / weight.sum()
    n = weight @ normal
    n = n / np.linalg.norm(n)
    flat = centre - origin
    flat = flat - np.outer(flat @ n, n)
    _, axes = np.linalg.eigh((flat.T * weight) @ flat)
    u = axes[:, 2] - (axes[:, 2] @ n) * n
    u = u / np.linalg.norm(u)
    return np.array([u, np.cross(n, u), n]), origin


# --- axis and base cylinder ----------------------------------------------------------------------


def _fit_chart(centre: Floats, normal: Floats, weight: Floats, outside_by: str) -> Chart:
    frame, origin = _tangent_frame(centre, normal, weight)
    _, axes = np.linalg.eigh((normal.T * weight) @ normal)
    axis = axes[:, 0]
    out = frame[2] - (frame[2] @ axis) * axis
    out = out / np.linalg.norm(out)
    angle = np.degrees(np.arctan2(normal @ np.cross(out, axis), normal @ out))
    # Hems roll over at the ends: the middle share tells how the panel itself turns.
    wrap = float(np.subtract(*_weighted_quantiles(angle, weight, (0.92, 0.08)))) / 0.84
    if wrap < _FLAT_WRAP_DEG:
        axis, decided_by = (
            _along_the_panel(centre, weight, frame, origin),
            "the panel's longest side",
        )
        out = frame[2]
    else:
        decided_by = f"its normals: it wraps {wrap:.0f} degrees about this axis"
    base = np.array([axis, np.cross(out, axis), out])
    return _roll(centre, weight, base, origin, decided_by, outside_by)


def _along_the_panel(centre: Floats, weight: Floats, frame: Floats, origin: Floats) -> Floats:
    """The long side of the smallest rectangle round the panel's outline."""
    solid = weight >= 0.3 * np.median(weight)
    flat = (centre[solid] - origin) @ frame[:2].T
    try:
        rim = flat[ConvexHull(flat).vertices]
    except QhullError as error:
        raise ScanUnfitError(
            "the points lie on a line: this is not a scan of a panel. Scan the panel's face."
        ) from error
    sides = np.roll(rim, -1, axis=0) - rim
    best, found = np.inf, np.array([1.0, 0.0])
    for side in sides / np.linalg.norm(sides, axis=1)[:, None]:
        along, across = np.ptp(rim @ side), np.ptp(rim @ np.array([-side[1], side[0]]))
        if along * across < best * (1 - 1e-9):
            best = along * across
            found = side if along >= across else np.array([-side[1], side[0]])
    for _ in range(2):
        found = _squared(flat, found)
    across_it = np.array([-found[1], found[0]])
    if np.ptp(flat @ found) < _AS_LONG * np.ptp(flat @ across_it):
        # Neither side is the longer one for sure: the one that runs along the scan's x.
        found = max(found, across_it, key=lambda way: abs(float((way @ frame[:2])[0])))
    return np.asarray(found @ frame[:2])


def _squared(flat: Floats, way: Floats) -> Floats:
    """A direction turned to lie along the panel's four sides, by the median of their slopes.

    The smallest rectangle hangs on a few outermost points; a side's outermost voxels all along
    it say better how it runs (Theil-Sen lines), and most sides outvote one that is bent.
    """
    across = np.array([-way[1], way[0]])
    turns, lengths = [], []
    for run, rise, sense in ((way, across, 1.0), (across, way, -1.0)):
        x, y = flat @ run, flat @ rise
        low, high = np.quantile(x, (0.12, 0.88))
        bins = np.clip(((x - low) / max(high - low, 1e-9) * _SIDE_BINS).astype(int), -1, _SIDE_BINS)
        inside = (bins >= 0) & (bins < _SIDE_BINS)
        for end in (-1.0, 1.0):
            outermost = np.full(_SIDE_BINS, -np.inf)
            np.maximum.at(outermost, bins[inside], end * y[inside])
            known = np.flatnonzero(np.isfinite(outermost))
            if len(known) < _SIDE_BINS // 2:
                continue
            slope = _robust_slope(known, end * outermost[known]) * _SIDE_BINS / (high - low)
            turns.append(sense * float(np.arctan(slope)))
            lengths.append(high - low)
    if not turns:
        return way
    order = np.argsort(turns)
    share = np.cumsum(np.array(lengths)[order]) / np.sum(lengths)
    # A long and a short side are half of all: rounding must not choose.
    turn = float(np.array(turns)[order][np.searchsorted(share, 0.5 - 1e-9)])
    if abs(turn) > np.radians(_MOST_TURNED_DEG):
        return way
    return np.cos(turn) * way + np.sin(turn) * across


def _robust_slope(x: NDArray[np.intp], y: Floats) -> float:
    """The median slope over all pairs of points (Theil 1950, Sen 1968)."""
    first, second = np.triu_indices(len(x), 1)
    return float(np.median((y[second] - y[first]) / (x[second] - x[first])))


def _roll(
    centre: Floats, weight: Floats, base: Floats, origin: Floats, axis_by: str, outside_by: str
) -> Chart:
    """Fit the base circle to the section robustly, and put the apex amid the panel; to points that
    are brought back by the sag along the axis, a parabola, which smears the section.
    """
    q = (centre - origin) @ base.T
    robust, brought = weight.copy(), q[:, 1:]
    for _ in range(8):
        centre_ab, curvature = _circle(brought[:, 0], brought[:, 1], robust)
        chart = _chart_at(base, origin, centre_ab, curvature, 0.0, 0.0, axis_by, outside_by)
        uvh = chart.to_chart(centre)
        sag = np.polyval(np.polyfit(q[:, 0], uvh[:, 2], _SAG_DEGREE, w=np.sqrt(robust)), q[:, 0])
        angle = curvature * uvh[:, 1] + np.arctan2(centre_ab[2], centre_ab[3])
        brought = q[:, 1:] - sag[:, None] * np.column_stack([np.sin(angle), np.cos(angle)])
        off = uvh[:, 2] - sag
        scale = MAD_TO_SIGMA * np.median(np.abs(off)) + 1e-9
        robust = weight / (1.0 + (off / (2.0 * scale)) ** 2)
    middle_u = 0.5 * (uvh[:, 0].min() + uvh[:, 0].max())
    middle_v = 0.5 * (uvh[:, 1].min() + uvh[:, 1].max())
    return _chart_at(
        base, origin, centre_ab, curvature, float(middle_u), float(middle_v), axis_by, outside_by
    )


def _circle(a: Floats, b: Floats, weight: Floats) -> tuple[Floats, float]:
    """Weighted Taubin (1991) circle: nearest point to the mean, and signed curvature.

    Returns the point of the circle nearest the section's mean with the outward direction there,
    as (a, b, sin, cos) of that direction, and the curvature, positive when bulging to +b.
    """
    total = weight.sum()
    ma, mb = weight @ a / total, weight @ b / total
    x, y = a - ma, b - mb
    size = np.sqrt(weight @ (x * x + y * y) / total)
    x, y = x / size, y / size
    z = x * x + y * y
    mean_z = weight @ z / total
    columns = np.column_stack([(z - mean_z) / (2.0 * np.sqrt(mean_z)), x, y])
    _, _, vt = np.linalg.svd(columns * np.sqrt(weight)[:, None], full_matrices=False)
    p, d, e = vt[2]
    p = p / (2.0 * np.sqrt(mean_z))
    # p z + d x + e y + f = 0; outward is the side of +b, so the gradient's b-part is made positive.
    f = -mean_z * p
    if e < 0:
        p, d, e, f = -p, -d, -e, -f
    root = np.sqrt(max(d * d + e * e - 4.0 * p * f, 1e-300))
    gradient = np.hypot(d, e)
    direction = np.array([d, e]) / gradient
    # Along the gradient from the mean: p t^2 + gradient t + f = 0, the root near zero.
    t = -2.0 * f / (gradient + root)
    point = np.array([ma, mb]) + size * t * direction
    return np.concatenate([point, direction]), float(2.0 * p / root / size)


def _chart_at(
    base: Floats,
    origin: Floats,
    circle: Floats,
    curvature: float,
    u: float,
    v: float,
    axis_by: str,
    outside_by: str,
) -> Chart:
    """The chart whose apex lies at (u, v) of the chart that has its apex at the circle's point."""
    out = circle[2] * base[1] + circle[3] * base[2]
    rotation = np.array([base[0], np.cross(out, base[0]), out])
    apex = origin + circle[0] * base[1] + circle[1] * base[2]
    chart = Chart(apex, rotation, curvature, axis_by, outside_by)
    if u == 0.0 and v == 0.0:
        return chart
    moved = chart.to_space(np.array([[u, v, 0.0]]))[0]
    angle = curvature * v
    out = np.sin(angle) * rotation[1] + np.cos(angle) * rotation[2]
    return Chart(
        moved, np.array([base[0], np.cross(out, base[0]), out]), curvature, axis_by, outside_by
    )

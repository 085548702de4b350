"""What one unit of a scan file is: said by the user, scaled by a known length, or guessed."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..errors import ScanUnfitError, SettingsError, UnitsError
from .scan import MM_PER_UNIT, Units

# Panels of road vehicles and what scanners deliver of them (common practice).
TYPICAL_SIDE_MM = (300.0, 3500.0)
TYPICAL_SPACING_MM = (0.1, 3.0)
POSSIBLE_SIDE_MM = (100.0, 8000.0)
ANY_SIDE_MM = (20.0, 20_000.0)
POSSIBLE_SPACING_MM = (0.03, 6.0)

# Of one panel another scan has its longest side within so much (choice: half of it may be missing,
# and inches, centimetres and millimetres are farther apart).
_LIKE_ANOTHER = 1.5

# Holes, lamps and corners that people measure between have no scanned point at their middle.
_ON_SCAN_MM = 20.0
_ON_SCAN_SHARE = 0.03
_ON_SCAN_MOST = 0.1

KnownLength = tuple[Sequence[float], Sequence[float], float]


def decide_units(
    extent: Sequence[float],
    spacing: float,
    *,
    asked: str = "auto",
    known_length: KnownLength | None = None,
    like_mm: float | None = None,
) -> Units:
    """Decide what one unit of the file is in millimetres.

    Parameters
    ----------
    extent : sides of the scan, longest first, in file units.
    spacing : median distance to the nearest neighbour, in file units.
    asked : auto, or the unit the user gave.
    known_length : (point, point, mm): two points in file coordinates and their true distance.
    like_mm : longest side of another scan of the same panel, which settles what this one leaves
        open.

    Raises
    ------
    SettingsError
        An unknown unit, a known length that gives no scale, or both a unit and a known length.
    UnitsError
        Several units would do, or none.

    Examples
    --------
    >>> decide_units((1.15, 0.68, 0.02), 0.0005).decided_by
    'from its extent: 1150 x 680 mm'
    """
    if known_length is not None:
        if asked != "auto":
            raise SettingsError(
                f'--known-length and units = "{asked}" both say what one unit is: use one of them '
                "(--units auto beside --known-length)"
            )
        return _scaled(known_length)
    if asked in MM_PER_UNIT:
        return Units(asked, MM_PER_UNIT[asked], f"given: --units {asked}")
    if asked != "auto":
        known = ", ".join(["auto", *MM_PER_UNIT])
        raise SettingsError(f"units '{asked}' unknown, choose one of {known}")
    fitting = _fitting(max(extent), spacing)
    if len(fitting) == 1:
        unit = fitting[0]
        return Units(unit, MM_PER_UNIT[unit], f"from its extent: {_size_mm(extent, unit)} mm")
    if like_mm is not None and (alike := _alike(max(extent), like_mm)):
        size = _size_mm(extent, alike)
        return Units(alike, MM_PER_UNIT[alike], f"from the other scan's size: {size} mm")
    if fitting:
        choices = ", ".join(
            f"--units {unit} if the panel is about {_size_mm(extent, unit)} mm" for unit in fitting
        )
        raise UnitsError(
            f"units ambiguous: the scan is {_sides(extent, 1.0)} units large; type {choices}"
        )
    raise UnitsError(
        f"units unknown: the scan is {_sides(extent, 1.0)} units large with points "
        f"{spacing:.3g} apart, which is no panel ({POSSIBLE_SIDE_MM[0]:.0f} to "
        f"{POSSIBLE_SIDE_MM[1]:.0f} mm) in {', '.join(MM_PER_UNIT)}; say what one unit is with "
        "--units, or give a length that you measured with --known-length X1,Y1,Z1,X2,Y2,Z2,MM"
    )


def require_possible(extent: Sequence[float], unit: str, *, file: str) -> None:
    """Refuse a unit that makes of the scan what no vehicle has.

    Raises
    ------
    ScanUnfitError : the longest side of the extent (file units) is under 20 mm or over 20 m.
    """
    side = max(extent) * MM_PER_UNIT[unit]
    if _within(side, ANY_SIDE_MM):
        return
    fitting = [u for u, factor in MM_PER_UNIT.items() if _within(max(extent) * factor, ANY_SIDE_MM)]
    raise ScanUnfitError(
        f"{file}: --units {unit} makes this scan {_mm(side)} mm long ({ANY_SIDE_MM[0]:.0f} to "
        f"{ANY_SIDE_MM[1]:.0f} mm can be checked): it is {_sides(extent, 1.0)} units large. Say "
        f"--units {' or '.join(fitting) or 'auto'}, or give a length that you measured with "
        "--known-length X1,Y1,Z1,X2,Y2,Z2,MM"
    )


def _mm(side: float) -> str:
    """A length that may be anything, without powers of ten."""
    return f"{side:.0f}" if side >= 1.0 else f"{side:.3g}"


def _fitting(side: float, spacing: float) -> list[str]:
    """Units that fit best: typical before possible, with the spacing before without it.

    A coarse mesh has its points far apart, so a spacing that rules out every unit says nothing.
    A small part counts as well, if its points lie as scanners lay them: 180 units with points 0.2
    apart are as likely a flap in millimetres as a side in centimetres.
    """
    for use_spacing in (True, False):
        for sides, spacings in (
            (TYPICAL_SIDE_MM, TYPICAL_SPACING_MM),
            (POSSIBLE_SIDE_MM, POSSIBLE_SPACING_MM),
        ):
            fitting = [
                unit
                for unit, factor in MM_PER_UNIT.items()
                if _within(side * factor, sides)
                and (not use_spacing or _within(spacing * factor, spacings))
            ]
            if fitting:
                small = POSSIBLE_SIDE_MM[0], TYPICAL_SIDE_MM[0]
                return [
                    unit
                    for unit, factor in MM_PER_UNIT.items()
                    if unit in fitting
                    or (
                        _within(side * factor, small)
                        and _within(spacing * factor, TYPICAL_SPACING_MM)
                    )
                ]
    return []


def _alike(side: float, like_mm: float) -> str | None:
    """The one unit in which a side is about as long as that of another scan of the panel."""
    alike = [
        unit
        for unit, factor in MM_PER_UNIT.items()
        if like_mm / _LIKE_ANOTHER <= side * factor <= like_mm * _LIKE_ANOTHER
    ]
    return alike[0] if len(alike) == 1 else None


def _within(value: float, limits: tuple[float, float]) -> bool:
    # A millionth of slack, so that a limit met exactly is met in every unit.
    return limits[0] * (1 - 1e-6) <= value <= limits[1] * (1 + 1e-6)


def _scaled(known_length: KnownLength) -> Units:
    start, end, length_mm = known_length
    distance = float(np.linalg.norm(np.subtract(end, start, dtype=np.float64)))
    if not (np.isfinite(length_mm) and length_mm > 0):
        raise SettingsError(f"--known-length gives {length_mm:g} mm, it must be more than 0")
    if not (np.isfinite(distance) and distance > 0):
        raise SettingsError(
            f"--known-length: the two points are {distance:g} apart, they must differ; "
            "pick two points far apart on the scan"
        )
    return Units(
        "scaled",
        float(length_mm) / distance,
        f"from a known length: {distance:.6g} units are {length_mm:g} mm",
    )


def require_on_scan(
    known_length: KnownLength, nearest: Sequence[float], side: float, mm_per_unit: float
) -> None:
    """Refuse a known length between points that are not on the scan.

    Parameters
    ----------
    nearest : distance of each of its two points to the nearest scanned one, in file units.
    side : longest side of the scan, in file units.
    mm_per_unit : by the known length.

    Raises
    ------
    SettingsError : a point lies farther off than 3 % of the side or 20 mm, whichever is more. The
        scale is in doubt together with the points, so 20 mm is never taken for over 10 % of it.
    """
    allowed = max(_ON_SCAN_SHARE * side, min(_ON_SCAN_MM / mm_per_unit, _ON_SCAN_MOST * side))
    for point, off in zip(known_length[:2], nearest, strict=True):
        if off > allowed:
            where = ", ".join(f"{float(value):g}" for value in point)
            raise SettingsError(
                f"--known-length: the point {where} lies {off:.4g} units off the nearest scanned "
                f"point ({allowed:.3g} is allowed, the scan is {side:.4g} long): pick two points "
                "on the scan, in its own coordinates; of several scans, on each"
            )


def _size_mm(extent: Sequence[float], unit: str) -> str:
    return _sides(extent, MM_PER_UNIT[unit])


def _sides(extent: Sequence[float], factor: float) -> str:
    """The two longest sides, three digits each."""
    return " x ".join(_three_digits(side * factor) for side in sorted(extent, reverse=True)[:2])


def _three_digits(value: float) -> str:
    rounded = float(f"{value:.3g}")
    return f"{rounded:.0f}" if rounded >= 100 else f"{rounded:.3g}"

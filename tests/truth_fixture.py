"""What a check found on an invented panel against what is known about it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from guidecoat.check import CheckResult, check
from guidecoat.findings.regions import Region
from guidecoat.scans.scan import Scan, Units
from guidecoat.settings import Settings, load_settings
from guidecoat.synthetic import (
    Defect,
    Panel,
    SyntheticScan,
    distance_to_form_mm,
    planted_volume_cm3,
    random_defects,
    scan_panel,
    to_scan,
    total_displacement_mm,
)

Floats = NDArray[np.float64]

TOLERANCE_MM = 0.15
_MOST_PLACES = 20_000
_SOUND_MM = 1e-4


def bare_cloud(points: Floats, *, name: str) -> Scan:
    """A scan of (n, 3) points in mm and nothing else, about its own middle."""
    return Scan(
        name,
        points.astype(np.float32),
        np.ones(len(points), np.bool_),
        np.zeros(3),
        Units("mm", 1.0, "given"),
        np.zeros(len(points), dtype=[("x", "f4")]),
    )


@dataclass(frozen=True)
class FormError:
    """How far the fair surface lies from the true form over sound metal, mm."""

    rms_mm: float
    p99_mm: float
    mean_mm: float
    worst_mm: float


@dataclass(frozen=True)
class Found:
    """One planted mark: the regions found on it, and the errors of the first.

    `peak_mm` and `position_mm` are absolute errors, `volume_share` is relative.
    """

    defect: Defect
    regions: tuple[Region, ...]
    peak_mm: float
    position_mm: float
    volume_share: float
    uncertainty_mm: float

    @property
    def peak_allowed_mm(self) -> float:
        """Max of 0.05 mm and 8 %."""
        return max(0.05, 0.08 * abs(self.defect.peak_mm))

    @property
    def good(self) -> bool:
        """Once, its peak, place and volume as near as promised."""
        return (
            len(self.regions) == 1
            and self.peak_mm <= self.peak_allowed_mm
            and self.position_mm <= 15.0
            and self.volume_share <= 0.10
        )

    def __str__(self) -> str:
        mark = self.defect
        size = f"{mark.peak_mm:+.2f} mm, {mark.width_mm:.0f} wide"
        if not self.regions:
            return f"{size}: not found"
        return (
            f"{size}: found {len(self.regions)} x, peak off {self.peak_mm:.3f} "
            f"(allowed {self.peak_allowed_mm:.3f}), place off {self.position_mm:.1f} mm, "
            f"volume off {100 * self.volume_share:.1f} %"
        )


def settings(**overrides: object) -> Settings:
    """Metal at 0.15 mm; keys with `__` for the dot."""
    given = {key.replace("__", "."): value for key, value in overrides.items()}
    return load_settings("metal", overrides={"tolerance.height_mm": TOLERANCE_MM, **given})


def checked(
    panel: Panel,
    defects: Sequence[Defect] = (),
    *,
    seed: int,
    noise_mm: float = 0.05,
    spacing_mm: float = 0.8,
    with_settings: Settings | None = None,
    **how: object,
) -> tuple[SyntheticScan, CheckResult]:
    """Scan a panel and check it, its outside known from the file's normals."""
    scan = scan_panel(
        panel,
        defects,
        spacing_mm=spacing_mm,
        noise_mm=noise_mm,
        seed=seed,
        **how,  # type: ignore[arg-type]
    )
    return scan, check(to_scan(scan, normals=True), with_settings or settings())


def planted(panel: Panel, *, seed: int, count: int = 6) -> tuple[Defect, ...]:
    """Marks from twice the tolerance to 1.8 mm high and 50 to 200 mm across."""
    return random_defects(panel, count=count, seed=seed, peak_mm=(2.0 * TOLERANCE_MM, 1.8))


def place_of(result: CheckResult, uv: Floats, height_mm: Floats) -> Floats:
    """Chart places to the scan's own frame."""
    space = result.chart.to_space(np.column_stack([uv, height_mm]))
    return result.scan.to_file_frame(space)


def fair_at_cells(result: CheckResult) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """(k, 2) chart places of the judged cells, the fair surface's height there, which cells."""
    judged = np.isfinite(result.deviation.cell_mm)
    height = np.full(judged.shape, np.nan)
    for face in result.fair.faces:
        own = judged & (result.faces.label == face.face)
        u, v = result.cells.u_mm[own], result.cells.v_mm[own]
        height[own] = face.space.rows(u, v) @ face.fit.coefficients
    uv = np.column_stack([result.cells.u_mm[judged], result.cells.v_mm[judged]])
    return uv, height[judged], judged


def form_errors_mm(scan: SyntheticScan, result: CheckResult, seed: int = 0) -> Floats:
    """(k,) signed distance of the fair surface from the true form over sound metal."""
    uv, height, _ = fair_at_cells(result)
    if len(uv) > _MOST_PLACES:
        kept = np.random.default_rng(seed).choice(len(uv), _MOST_PLACES, replace=False)
        uv, height = uv[kept], height[kept]
    places = place_of(result, uv, height)
    s, t = nearest_st(scan, places)
    sound = np.abs(total_displacement_mm(scan.defects, s, t)) < _SOUND_MM
    return distance_to_form_mm(scan, places[sound])


def nearest_st(scan: SyntheticScan, places: Floats) -> tuple[Floats, Floats]:
    """(s, t) of the nearest scanned skin points."""
    from scipy.spatial import cKDTree

    from guidecoat.synthetic import Part

    skin = scan.part == Part.SKIN
    nearest = cKDTree(scan.points_mm[skin]).query(places)[1]
    s, t = scan.st_mm[skin][nearest].T
    return s, t


def form_error(scan: SyntheticScan, result: CheckResult) -> FormError:
    """Root mean square, 99th percentile, mean and greatest."""
    off = form_errors_mm(scan, result)
    size = np.abs(off)
    return FormError(
        float(np.sqrt(np.mean(off**2))),
        float(np.percentile(size, 99)),
        float(off.mean()),
        float(size.max()),
    )


_volume_cm3 = cache(planted_volume_cm3)


def marks_found(
    scan: SyntheticScan, result: CheckResult
) -> tuple[tuple[Found, ...], tuple[Region, ...]]:
    """Every planted mark with what was found on it, and the regions that belong to none."""
    left = list(result.regions)
    found = []
    for defect in scan.defects:
        centre = scan.place_mm(np.array(defect.centre_st[0]), np.array(defect.centre_st[1]))[0]
        kind = "high" if defect.peak_mm > 0 else "low"

        def off(region: Region, centre: Floats = centre) -> float:
            return float(np.linalg.norm(np.array([region.x, region.y, region.z]) - centre))

        own = sorted(
            (r for r in left if r.kind == kind and off(r) <= defect.reach_mm + 5.0), key=off
        )
        left = [r for r in left if r not in own]
        if not own:
            found.append(Found(defect, (), np.inf, np.inf, np.inf, np.nan))
            continue
        first = own[0]
        volume = _volume_cm3(scan.panel, defect)
        found.append(
            Found(
                defect,
                tuple(own),
                abs(first.peak_mm - defect.peak_mm),
                off(first),
                abs(first.volume_cm3 / volume - 1.0),
                first.uncertainty_mm,
            )
        )
    return tuple(found), tuple(left)

"""Sections as line drawings: true shape above, and below the heights exaggerated over the run."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from ..pictures.colours import HIGH_COLOURS, LOW_COLOURS
from ..preview.sections import PICKED, Section
from ..wording.words import SECTION_ENDS, signed
from .pieces import text

Floats = NDArray[np.float64]

_WIDE, _LEFT, _RIGHT = 900.0, 58.0, 16.0
_PLOT_TALL, _GAP, _FOOT, _TOP = 170.0, 26.0, 40.0, 24.0
_MOST_SHAPE_TALL = 90.0
_LEAST_DASH = 4.0
_ROUND = (1.0, 2.0, 5.0, 10.0)
_MOST_STATIONS_DRAWN = 40
_SHAPE_POINTS = 200  # of so smooth a line no eye tells more on 900 pixels


def sections_piece(sections: tuple[Section, ...], tolerance_mm: float) -> str:
    """All sections, each with its figure."""
    if not sections:
        return ""
    drawn = _drawn(sections)
    figures = "\n".join(_figure(section, tolerance_mm) for section in drawn)
    left = len(sections) - len(drawn)
    more = f" {left} more stand in sections.csv and sections.pdf." if left else ""
    return (
        "<section>\n<h2>Sections</h2>\n<p>The panel cut by planes and straightened: the fair "
        "surface is the level line, the scan is drawn over it. Upper line: true shape of the cut, "
        f'not exaggerated.{more}</p>\n<div class="sections">\n{figures}\n</div>\n</section>'
    )


def _drawn(sections: tuple[Section, ...]) -> tuple[Section, ...]:
    """Those that a page a phone can open has room for: the picked ones and every so many others."""
    stations = [section for section in sections if section.kind != PICKED]
    every = max(1, math.ceil(len(stations) / _MOST_STATIONS_DRAWN))
    kept = stations[every // 2 :: every]
    return tuple(s for s in sections if s.kind == PICKED or any(s is one for one in kept))


def _figure(section: Section, tolerance_mm: float) -> str:
    crossed = ", ".join(
        f"{c.region} from {c.from_mm:.0f} to {c.to_mm:.0f} mm" for c in section.crossings
    )
    drawing, factor = section_svg(section, tolerance_mm)
    words = (
        f"{section.name}: {section.where}, {section.length_mm:.0f} mm long. "
        f"Heights are drawn {factor:.0f} times as tall as lengths. "
        + (f"Cuts {crossed}." if crossed else "Cuts no high or low.")
    )
    return (
        f'<figure><div class="slide" tabindex="0" role="group" '
        f'aria-label="Section {text(section.name)}, slides sideways on a small screen">{drawing}'
        f"</div><figcaption>{text(words)}</figcaption></figure>"
    )


def section_svg(section: Section, tolerance_mm: float) -> tuple[str, float]:
    """The drawing, and how many times heights are exaggerated in it."""
    scale = (_WIDE - _LEFT - _RIGHT) / section.length_mm
    reach = _reach(section, tolerance_mm)
    per_mm = 0.5 * _PLOT_TALL / reach
    shape, shape_tall = _shape(section)
    zero = _TOP + shape_tall + _GAP + 0.5 * _PLOT_TALL
    total = zero + 0.5 * _PLOT_TALL + _FOOT
    x = _LEFT + section.run_mm * scale
    deviation = section.within(section.deviation_mm)
    parts = [
        f'<svg viewBox="0 0 {_WIDE:.0f} {total:.0f}" role="img" '
        f'aria-label="Section {text(section.name)}" xmlns="http://www.w3.org/2000/svg" '
        'font-family="sans-serif" font-size="13" fill="#1a1a1a">',
        f'<text x="{_LEFT:.0f}" y="16" font-weight="bold">{text(section.name)}</text>',
        shape,
        _tolerance(zero, per_mm, tolerance_mm, reach),
        _filled(x, deviation, zero, per_mm, tolerance_mm, high=True),
        _filled(x, deviation, zero, per_mm, tolerance_mm, high=False),
        _level(section, x, zero),
        _line(x, zero - per_mm * deviation, 'stroke="#1a1a1a" stroke-width="1.4"'),
        _ticks(section.kind, section.length_mm, scale, zero + 0.5 * _PLOT_TALL),
        _names(section, scale, zero, per_mm),
        "</svg>",
    ]
    return "".join(parts), per_mm / scale


def _reach(section: Section, tolerance_mm: float) -> float:
    deviation = section.within(section.deviation_mm)
    known = np.abs(deviation[np.isfinite(deviation)])
    most = float(known.max()) if known.size else 0.0
    return 1.25 * max(most, 2.0 * tolerance_mm)


def _shape(section: Section) -> tuple[str, float]:
    """The fair profile in its true proportions, and how tall it is drawn."""
    every = max(1, len(section.fair_mm) // _SHAPE_POINTS)
    along, up = section.within(section.fair_mm)[::every].T
    width = _WIDE - _LEFT - _RIGHT
    low, high = float(np.nanmin(up)), float(np.nanmax(up))
    span = max(float(np.nanmax(along) - np.nanmin(along)), 1.0)
    scale = min(width / span, _MOST_SHAPE_TALL / max(high - low, 1e-6))
    tall = max(scale * (high - low), 4.0)
    left = float(np.nanmin(along))
    drawn = _line(
        _LEFT + scale * (along - left),
        _TOP + tall - scale * (up - low),
        'stroke="#555" stroke-width="2"',
    )
    for before, after in pairwise(section.stretches):
        ends = section.fair_mm[[before.stop - 1, after.start]]
        x, y = _LEFT + scale * (ends[:, 0] - left), _TOP + tall - scale * (ends[:, 1] - low)
        drawn += _line(x, y, 'stroke="#555" stroke-dasharray="5 4"')
    return drawn, tall


def _level(section: Section, x: Floats, zero: float) -> str:
    """The fair surface as the level line, dashed and with a word where nothing was judged."""
    ends = [_LEFT]
    for stretch in section.stretches:
        ends += [float(x[stretch.start]), float(x[stretch.stop - 1])]
    ends.append(_WIDE - _RIGHT)
    parts = [
        f'<path d="M{a:.1f} {zero:.1f}H{b:.1f}" stroke="#1a1a1a"/>'
        for a, b in zip(ends[1::2], ends[2::2], strict=False)
    ]
    for a, b in zip(ends[::2], ends[1::2], strict=True):
        if b - a >= _LEAST_DASH:
            parts.append(
                f'<path d="M{a:.1f} {zero:.1f}H{b:.1f}" stroke="#555" stroke-dasharray="5 4"/>'
                f'<text x="{0.5 * (a + b):.1f}" y="{zero - 6:.1f}" text-anchor="middle" '
                'fill="#555" font-size="11">not judged</text>'
            )
    return "".join(parts)


def _tolerance(zero: float, per_mm: float, tolerance_mm: float, reach: float) -> str:
    half = per_mm * tolerance_mm
    band = (
        f'<rect x="{_LEFT:.1f}" y="{zero - half:.1f}" width="{_WIDE - _LEFT - _RIGHT:.1f}" '
        f'height="{2 * half:.1f}" fill="#ececec"/>'
    )
    words = []
    step = _step(reach / 2.0)
    levels = {0.0, tolerance_mm, -tolerance_mm}
    levels |= {k * step for k in range(-9, 10) if 1.4 * tolerance_mm < abs(k * step) < reach}
    for level in sorted(levels):
        y = zero - per_mm * level
        told = signed(level) if level else "0"
        words.append(
            f'<text x="{_LEFT - 6:.1f}" y="{y + 4:.1f}" text-anchor="end">{told}</text>'
            f'<path d="M{_LEFT - 4:.1f} {y:.1f}h4" stroke="#555"/>'
        )
    return band + "".join(words)


def _filled(
    x: Floats, deviation: Floats, zero: float, per_mm: float, tolerance_mm: float, *, high: bool
) -> str:
    """What stands beyond the tolerance, filled from the tolerance's edge."""
    sign = 1.0 if high else -1.0
    height = sign * np.nan_to_num(deviation)
    beyond = np.flatnonzero(height > tolerance_mm)
    if not len(beyond):
        return ""
    colour = HIGH_COLOURS[1] if high else LOW_COLOURS[1]
    edge = zero - sign * per_mm * tolerance_mm
    parts = []
    for run in np.split(beyond, np.flatnonzero(np.diff(beyond) > 1) + 1):
        line = "L".join(f"{x[k]:.1f} {zero - per_mm * deviation[k]:.1f}" for k in run)
        parts.append(f"M{x[run[0]]:.1f} {edge:.1f}L{line}L{x[run[-1]]:.1f} {edge:.1f}Z")
    return f'<path d="{"".join(parts)}" fill="{colour}"/>'


def _line(x: Floats, y: Floats, style: str) -> str:
    """A line with gaps where it is not known."""
    known = np.isfinite(x) & np.isfinite(y)
    places = np.flatnonzero(known)
    if not len(places):
        return ""
    runs = np.split(places, np.flatnonzero(np.diff(places) > 1) + 1)
    path = "".join("M" + "L".join(f"{x[k]:.1f} {y[k]:.1f}" for k in run) for run in runs)
    return f'<path d="{path}" fill="none" {style}/>'


def _ticks(kind: str, length_mm: float, scale: float, y: float) -> str:
    step = _step(length_mm / 6.0)
    parts = []
    for k in range(int(length_mm / step) + 1):
        x = _LEFT + k * step * scale
        parts.append(
            f'<path d="M{x:.1f} {y:.1f}v6" stroke="#555"/><text x="{x:.1f}" y="{y + 20:.1f}" '
            f'text-anchor="middle">{k * step:g}</text>'
        )
    parts.append(
        f'<text x="{_WIDE - _RIGHT:.1f}" y="{y + 35:.1f}" text-anchor="end" fill="#555">'
        f"mm along the cut, from {SECTION_ENDS[kind][0]}</text>"
    )
    return "".join(parts)


def _names(section: Section, scale: float, zero: float, per_mm: float) -> str:
    parts = []
    for crossing in section.crossings:
        middle = 0.5 * (crossing.from_mm + crossing.to_mm)
        inside = (section.run_mm >= crossing.from_mm) & (section.run_mm <= crossing.to_mm)
        here = section.deviation_mm[inside & np.isfinite(section.deviation_mm)]
        if not here.size:
            continue
        low = crossing.kind == "low"
        peak = float(here.min() if low else here.max())
        y = zero - per_mm * peak + (16.0 if low else -6.0)
        parts.append(
            f'<text x="{_LEFT + middle * scale:.1f}" y="{y:.1f}" text-anchor="middle" '
            f'font-weight="bold">{text(crossing.region)} {signed(peak)}</text>'
        )
    return "".join(parts)


def _step(about: float) -> float:
    """The round figure at or below a positive value."""
    decade = 10.0 ** math.floor(math.log10(about))
    return decade * max(step for step in _ROUND if step * decade <= about * (1 + 1e-9))

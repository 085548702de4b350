"""A survey in plain words, for the terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from ..doubts.scan_doubts import double_words, lane_words
from ..lines.crease import Crease
from ..outline.double_skins import MOST_APART_MM
from ..panel.fitness import StageFit
from ..panel.flying import MANY
from ..scans.scan import Scan
from ..unrolling.roughness import ROUGH
from .skin import Skin

Extent = tuple[float, float, float]

_LABEL = 13
_STAGE = 8
_WIDTH = 100
_EVEN, _UNEVEN = 1.5, 2.5
_SHOWN = 3
_FLAT_DEG = 35.0
_LEAST_HEMS = 0.1


def tell(scan: Scan, extent_mm: Extent, nearest_mm: float, skin: Skin | None) -> list[str]:
    """Some twenty lines: what the scan is, what is in it, what it can see, what it is fit for."""
    lines = [scan.path.name if scan.path is not None else scan.name]
    lines += _wrapped("Points", _points(scan, skin)) + _wrapped("Units", _units(scan))
    long_mm, wide_mm, deep_mm = extent_mm
    lines += _wrapped("Extent", f"{long_mm:.0f} x {wide_mm:.0f} x {deep_mm:.0f} mm")
    if skin is None:
        lines += _wrapped("Spacing", f"{nearest_mm:.2f} mm from point to nearest point")
        lines += _wrapped("Scale", _scale(scan))
        return lines + _wrapped("Fit for", "nothing as it is: it cannot be unrolled")
    for label, text in _skin_lines(skin):
        lines += _wrapped(label, text)
    lines += _wrapped("Scale", _scale(scan))
    for number, stage in enumerate(skin.stages):
        lines += _wrapped("" if number else "Fit for", _stage(stage), indent=_LABEL + _STAGE)
    return lines


def _wrapped(label: str, text: str, *, indent: int = 0) -> list[str]:
    return textwrap.wrap(
        text,
        _WIDTH,
        initial_indent=f"  {label:<{_LABEL}}",
        subsequent_indent=" " * ((indent or _LABEL) + 2),
        break_long_words=False,
        break_on_hyphens=False,
        drop_whitespace=True,
    )


def _points(scan: Scan, skin: Skin | None) -> str:
    total = len(scan.vertices)
    dropped = scan.dropped if skin is None else skin.dropped
    used = scan.vertices_among(scan.usable) if skin is None else skin.points
    # Hems and what lies behind openings are laid out with the skin and told apart in the cells.
    where = "usable" if skin is None else "unrolled"
    off = "; ".join(f"{_count(n)} ({reason})" for reason, n in dropped.items())
    kind = "points" if scan.faces is None else "points of a mesh"
    return f"{_count(total)} {kind}, {_count(used)} {where}" + (f"; left out: {off}" if off else "")


def _count(number: int) -> str:
    return f"{number:,}".replace(",", " ")


def _units(scan: Scan) -> str:
    units = scan.units
    if units.value == "scaled":
        return f"1 unit is {units.mm_per_unit:.6g} mm, {units.decided_by}"
    return f"{units.value}, {units.decided_by}"


def _scale(scan: Scan) -> str:
    if scan.units.value == "scaled":
        return "from your known length; check it on a second length with a tape"
    return (
        "taken from the file. A scan made from photos has none of its own: tape a length on the "
        "panel and say --known-length"
    )


def _skin_lines(skin: Skin) -> list[tuple[str, str]]:
    coverage = skin.coverage
    ratio = coverage.spacing_high_mm / coverage.spacing_low_mm
    even = "even" if ratio < _EVEN else "uneven" if ratio < _UNEVEN else "very uneven"
    return [
        (
            "Panel",
            f"{skin.length_mm:.0f} x {skin.width_mm:.0f} mm unrolled, {skin.area_cm2:.0f} cm2, "
            + (f"wraps {skin.wrap_deg:.0f} degrees" if skin.wrap_deg > _FLAT_DEG else _turns(skin)),
        ),
        ("Outside", _outside(skin)),
        (
            "Spacing",
            f"{skin.spacing_mm:.2f} mm, {even}: {coverage.spacing_low_mm:.2f} to "
            f"{coverage.spacing_high_mm:.2f} mm over most of the skin",
        ),
        ("Noise", _noise(skin)),
        ("Sees", _sees(skin)),
        ("Coverage", _coverage(skin)),
        *_flying(skin),
        ("Second skin", _doubles(skin)),
        *_lane(skin),
        ("Hems", _hems(skin)),
        *_behind(skin),
        ("Edges", _edges(skin)),
        ("Openings", _openings(skin)),
        ("Body lines", _creases(skin.creases, skin.faces)),
    ]


def _sees(skin: Skin) -> str:
    sight = skin.sight
    if sight.coarse:
        return (
            f"no mark 50 mm wide and no ripple: points {skin.spacing_mm:.1f} mm apart draw neither"
        )
    return (
        f"highs and lows from {sight.height_mm:.2f} mm (50 mm wide), ripple from "
        f"{sight.slope_mrad:.1f} mrad (mm in 1 m) in waves of {sight.wave_mm:.0f} mm or longer"
    )


def _noise(skin: Skin) -> str:
    noise = f"{skin.noise_mm:.3f} mm, single points about the skin"
    # Cells so wide scatter by the panel's own form.
    if skin.roughness <= ROUGH or skin.sight.coarse:
        return noise
    return (
        f"{noise}; but neighbouring patches differ {skin.roughness:.1f} times more than that "
        "explains: seams between passes, a smoothed mesh or a rough skin. What it sees is "
        "reckoned with that"
    )


def _openings(skin: Skin) -> str:
    if skin.openings:
        return str(skin.openings)
    return "none that points so far apart would show" if skin.sight.coarse else "none"


def _hems(skin: Skin) -> str:
    if skin.hem_share < _LEAST_HEMS:
        return "no hem or returned flange seen"
    return (
        f"a hem or returned flange behind at least {100.0 * skin.hem_share:.0f} % of the rim; "
        "heights are taken from the skin above it, and the band along the edge is not judged"
    )


def _turns(skin: Skin) -> str:
    return f"nearly flat: turns {skin.wrap_deg:.0f} degrees"


def _outside(skin: Skin) -> str:
    x, y, z = skin.outside
    axis = max(range(3), key=lambda k: abs((x, y, z)[k]))
    sign = "+" if (x, y, z)[axis] > 0 else "-"
    return (
        f"looks along {sign}{'xyz'[axis]} ({x:+.2f}, {y:+.2f}, {z:+.2f}), decided by "
        f"{skin.outside_decided_by}"
    )


def _coverage(skin: Skin) -> str:
    share = f"{100.0 * skin.coverage.share:.1f} % of the skin"
    holes = skin.coverage.drop_outs
    if skin.torn_mm > 0.0:
        share += (
            f" inside the outline as scanned, of which {skin.torn_mm:.0f} mm wander or step "
            "inboard: rims that were not scanned, or cut out so"
        )
    if not holes:
        return f"{share}; no drop-outs wider than {skin.coverage.least_mm:.0f} mm"
    largest, place = holes[0], skin.drop_out_places[0]
    many = "1 drop-out" if len(holes) == 1 else f"{len(holes)} drop-outs, the largest"
    size = f"{largest.length_mm:.0f} x {largest.width_mm:.0f} mm"
    return f"{share}; {many} {size} {place}"


def _flying(skin: Skin) -> list[tuple[str, str]]:
    if skin.flying <= MANY:
        return []
    text = f"WARNING: at least {100.0 * skin.flying:.0f} % of the points fly off the skin"
    return [("Flying", f"{text}: reflections or stray light; delete outliers, or scan again")]


def _doubles(skin: Skin) -> str:
    if not skin.doubles:
        return f"none found that lies {skin.double_least_mm:.2f} to {MOST_APART_MM:g} mm off"
    return (
        f"WARNING: {double_words(skin.doubles, skin.double_places[0])}: the scanner lost its "
        "place, or two scans were laid over each other badly"
    )


def _lane(skin: Skin) -> list[tuple[str, str]]:
    if skin.shut_line is None or skin.shut_line_place is None:
        return []
    where = lane_words(skin.shut_line, skin.shut_line_place)
    text = f"WARNING: {where}: between two panels, or a strip that was not scanned"
    return [("Shut line", text)]


def _behind(skin: Skin) -> list[tuple[str, str]]:
    if skin.behind_cm2 < 1.0:
        return []
    return [("Behind", f"{skin.behind_cm2:.0f} cm2 of something seen through openings, not judged")]


def _edges(skin: Skin) -> str:
    outline = [
        f"{edge.name} {edge.length_mm:.0f} mm" + (f" ({way} side)" if way else "")
        for edge, way in zip(skin.edges, skin.edge_sides, strict=True)
        if edge.kind == "outline"
    ]
    if not outline:
        return "none found to hold"
    return _some(outline)


def _some(items: Sequence[str]) -> str:
    more = len(items) - _SHOWN
    return ", ".join(items[:_SHOWN]) + (f" and {more} more" if more > 0 else "")


def _creases(creases: Sequence[Crease], faces: int) -> str:
    if not creases:
        return "none found"
    kinds = ("sharp", "step", "soft")
    counts = [f"{n} {kind}" for kind in kinds if (n := sum(c.kind == kind for c in creases))]
    longest = _some(
        [
            f"{c.name} {c.kind}, {c.length_mm:.0f} mm long, "
            + (
                f"{abs(c.step_mm):.1f} mm high"
                if c.kind == "step"
                else f"turns {abs(c.turn_mrad):.0f} mrad"
            )
            for c in creases
        ]
    ).replace(", C", "; C")
    parts = f"; the skin has {faces} faces" if faces > 1 else ""
    return f"{', '.join(counts)}{parts}. {longest}"


def _stage(stage: StageFit) -> str:
    said = f"{stage.stage:<{_STAGE}}{stage.verdict}"
    if not stage.reasons:
        return said
    return f"{said}: {'; '.join(stage.reasons)}. Remedy: {'; '.join(stage.remedies)}"

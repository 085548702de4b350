"""A survey in plain words for the terminal, and as plain values for a script."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .coverage import DropOut
    from .creases import Crease
    from .double_skins import DoubleSkin
    from .fitness import StageFit
    from .survey import Place, Skin, Survey

_LABEL = 13
_WIDTH = 100
_EVEN, _UNEVEN = 1.5, 2.5
_SHOWN_LINES = 4
_FLAT_DEG = 35.0


def survey_lines(survey: Survey) -> list[str]:
    """Some twenty lines: what the scan is, what is in it, what it can see, what it is fit for."""
    scan = survey.scan
    said: list[tuple[str, str]] = [("Points", _points(survey)), ("Units", _units(survey))]
    long_mm, wide_mm, deep_mm = survey.extent_mm
    said.append(("Extent", f"{long_mm:.0f} x {wide_mm:.0f} x {deep_mm:.0f} mm, all of the scan"))
    if survey.skin is None:
        said += [
            ("Spacing", f"{survey.nearest_mm:.2f} mm from point to nearest point"),
            ("Scale", _scale(survey)),
            ("Fit for", "nothing as it is: it cannot be unrolled, the reason stands below"),
        ]
    else:
        said += _skin_lines(survey.skin)
        said += [("Scale", _scale(survey)), *_stage_lines(survey.skin.stages)]
    name = scan.path.name if scan.path is not None else scan.name
    return [name, *(line for label, text in said for line in _wrapped(label, text))]


def _wrapped(label: str, text: str) -> list[str]:
    return textwrap.wrap(
        text,
        _WIDTH,
        initial_indent=f"  {label:<{_LABEL}}",
        subsequent_indent=" " * (_LABEL + 2),
        break_long_words=False,
        break_on_hyphens=False,
    )


def _points(survey: Survey) -> str:
    total = len(survey.scan.points_mm)
    dropped = survey.scan.dropped if survey.skin is None else survey.skin.dropped
    used = int(survey.scan.usable.sum()) if survey.skin is None else survey.skin.points
    where = "usable" if survey.skin is None else "on the skin"
    off = "".join(f"; {_count(n)} {reason}" for reason, n in dropped.items())
    kind = "points" if survey.scan.faces is None else "points of a mesh"
    return f"{_count(total)} {kind}, {_count(used)} {where}{off}"


def _count(number: int) -> str:
    return f"{number:,}".replace(",", " ")


def _units(survey: Survey) -> str:
    units = survey.scan.units
    if units.value == "scaled":
        return f"1 unit is {units.mm_per_unit:.6g} mm, {units.decided_by}"
    return f"{units.value}, {units.decided_by}"


def _scale(survey: Survey) -> str:
    if survey.scan.units.value == "scaled":
        return "from your known length; check it on a second length with a tape"
    return (
        "taken from the file. A scan made from photos has none of its own: tape a length on the "
        "panel and say --known-length"
    )


def _skin_lines(skin: Skin) -> list[tuple[str, str]]:
    coverage = skin.coverage
    ratio = coverage.spacing_high_mm / coverage.spacing_low_mm
    even = "even" if ratio < _EVEN else "uneven" if ratio < _UNEVEN else "very uneven"
    sees = f"highs and lows from {skin.sight.height_mm:.2f} mm (50 mm wide), ripple from "
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
        ("Noise", f"{skin.noise_mm:.3f} mm, single points about the skin"),
        ("Sees", f"{sees}{skin.sight.slope_mrad:.1f} mrad (mm in 1 m)"),
        ("Coverage", _coverage(skin)),
        ("Second skin", _doubles(skin)),
        *_behind(skin),
        ("Edges", _edges(skin)),
        ("Openings", str(skin.openings) if skin.openings else "none"),
        ("Body lines", _creases(skin.creases, skin.faces)),
    ]


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
    if not holes:
        return f"{share}, no drop-outs wider than 8 mm"
    largest, place = holes[0], skin.drop_out_places[0]
    many = "1 drop-out" if len(holes) == 1 else f"{len(holes)} drop-outs, the largest"
    size = f"{largest.length_mm:.0f} x {largest.width_mm:.0f} mm"
    return f"{share}; {many} {size} {_at(place)}"


def _at(place: Place) -> str:
    where = f"at x {place.x:.4g}, y {place.y:.4g}, z {place.z:.4g}"
    return f"{where} ({place.from_edges})" if place.from_edges else where


def _doubles(skin: Skin) -> str:
    if not skin.doubles:
        return f"none found that lies {skin.double_least_mm:.2f} to 4 mm off"
    largest, place = skin.doubles[0], skin.double_places[0]
    rest = len(skin.doubles) - 1
    more = f"; and {rest} more" if rest else ""
    return (
        f"WARNING: {largest.area_cm2:.0f} cm2 lie twice, {largest.apart_mm:.2f} mm apart, "
        f"{_at(place)}{more}: the scanner lost its place"
    )


def _behind(skin: Skin) -> list[tuple[str, str]]:
    if skin.behind_cm2 < 1.0:
        return []
    return [("Behind", f"{skin.behind_cm2:.0f} cm2 of something seen through openings, left out")]


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
    more = len(items) - _SHOWN_LINES
    return ", ".join(items[:_SHOWN_LINES]) + (f" and {more} more" if more > 0 else "")


def _creases(creases: Sequence[Crease], faces: int) -> str:
    if not creases:
        return "none found"
    named = _some(
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
    return named + (f". They part the skin into {faces} faces" if faces > 1 else "")


def _stage_lines(stages: Sequence[StageFit]) -> list[tuple[str, str]]:
    lines = []
    for stage in stages:
        said = f"{stage.stage:<8}{stage.verdict}"
        if stage.reasons:
            said += f": {'; '.join(stage.reasons)}. Remedy: {'; '.join(stage.remedies)}"
        lines.append(("Fit for" if not lines else "", said))
    return lines


def survey_summary(survey: Survey) -> dict[str, Any]:
    """Plain JSON values; what could not be said is null."""
    scan = survey.scan
    return {
        "command": "survey",
        "input": {
            "file": scan.path.name if scan.path is not None else scan.name,
            "sha256": scan.sha256,
            "points": len(scan.points_mm),
            "points_usable": int(scan.usable.sum()),
            "mesh": scan.faces is not None,
        },
        "units": {
            "value": scan.units.value,
            "mm_per_unit": scan.units.mm_per_unit,
            "decided_by": scan.units.decided_by,
        },
        "extent_mm": [_round(side) for side in survey.extent_mm],
        "nearest_point_mm": _round(survey.nearest_mm),
        "unfit": None if survey.unfit is None else str(survey.unfit),
        "skin": None if survey.skin is None else _skin_summary(survey.skin),
    }


def _round(value: float) -> float:
    return round(float(value), 4)


def _skin_summary(skin: Skin) -> dict[str, Any]:
    coverage = skin.coverage
    return {
        "points": skin.points,
        "dropped": skin.dropped,
        "panel": {
            "length_mm": _round(skin.length_mm),
            "width_mm": _round(skin.width_mm),
            "area_cm2": _round(skin.area_cm2),
            "wrap_deg": _round(skin.wrap_deg),
            "faces": skin.faces,
            "openings": skin.openings,
            "behind_cm2": _round(skin.behind_cm2),
        },
        "outside": {
            "direction": [_round(value) for value in skin.outside],
            "decided_by": skin.outside_decided_by,
        },
        "scan": {
            "spacing_mm": _round(skin.spacing_mm),
            "spacing_p10_mm": _round(coverage.spacing_low_mm),
            "spacing_p90_mm": _round(coverage.spacing_high_mm),
            "noise_mm": _round(skin.noise_mm),
            "smallest_visible_mm": _round(skin.sight.height_mm),
            "smallest_visible_mrad": _round(skin.sight.slope_mrad),
            "coverage": _round(coverage.share),
        },
        "drop_outs": [
            _drop_out(hole, place)
            for hole, place in zip(coverage.drop_outs, skin.drop_out_places, strict=True)
        ],
        "double_skins": [
            _double(double, place)
            for double, place in zip(skin.doubles, skin.double_places, strict=True)
        ],
        "double_skin_least_mm": _round(skin.double_least_mm),
        "edges": [
            {
                "edge": edge.name,
                "kind": edge.kind,
                "length_mm": _round(edge.length_mm),
                "faces_along": way or None,
            }
            for edge, way in zip(skin.edges, skin.edge_sides, strict=True)
        ],
        "creases": [
            {
                "crease": crease.name,
                "kind": crease.kind,
                "length_mm": _round(crease.length_mm),
                "turn_mrad": _round(crease.turn_mrad),
                "step_mm": _round(crease.step_mm),
                "source": crease.source,
            }
            for crease in skin.creases
        ],
        "stages": [
            {
                "stage": stage.stage,
                "fit": stage.verdict,
                "tolerance_mm": stage.tolerance_mm,
                "tolerance_mrad": stage.tolerance_mrad,
                "reasons": list(stage.reasons),
                "remedies": list(stage.remedies),
            }
            for stage in skin.stages
        ],
    }


def _drop_out(hole: DropOut, place: Place) -> dict[str, Any]:
    return {
        "length_mm": _round(hole.length_mm),
        "width_mm": _round(hole.width_mm),
        "area_cm2": _round(hole.area_cm2),
        **_place(place),
    }


def _double(double: DoubleSkin, place: Place) -> dict[str, Any]:
    return {
        "area_cm2": _round(double.area_cm2),
        "apart_mm": _round(double.apart_mm),
        **_place(place),
    }


def _place(place: Place) -> dict[str, Any]:
    return {
        "x": _round(place.x),
        "y": _round(place.y),
        "z": _round(place.z),
        "from_edges": place.from_edges,
    }

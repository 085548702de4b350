"""A survey as plain JSON values with units in their names, for a script."""

from __future__ import annotations

from typing import Any

from ..findings.places import Place
from ..lines.crease import Crease
from ..outline.double_skins import DoubleSkin
from ..outline.edges import Edge
from ..panel.coverage import DropOut
from ..panel.fitness import StageFit
from ..panel.shut_lines import ShutLine
from ..scans.scan import Scan
from .skin import Skin

Extent = tuple[float, float, float]


def summarise(
    scan: Scan, extent_mm: Extent, nearest_mm: float, skin: Skin | None, unfit: str | None
) -> dict[str, Any]:
    """Plain JSON values; what could not be said is null."""
    return {
        "command": "survey",
        "input": {
            "file": scan.path.name if scan.path is not None else scan.name,
            "sha256": scan.sha256,
            "points": len(scan.vertices),
            "points_usable": scan.vertices_among(scan.usable),
            "mesh": scan.faces is not None,
        },
        "units": {
            "value": scan.units.value,
            "mm_per_unit": scan.units.mm_per_unit,
            "decided_by": scan.units.decided_by,
        },
        "extent_mm": [_round(side) for side in extent_mm],
        "nearest_point_mm": _round(nearest_mm),
        "unfit": unfit,
        "skin": None if skin is None else _skin_summary(skin),
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
            "hem_share": _round(skin.hem_share),
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
            "roughness": _round(skin.roughness),
            "smallest_visible_mm": _round(skin.sight.height_mm),
            "smallest_visible_mrad": _round(skin.sight.slope_mrad),
            "shortest_visible_wave_mm": _round(skin.sight.wave_mm),
            "too_coarse": skin.sight.coarse,
            "coverage": _round(coverage.share),
            "torn_rim_mm": _round(skin.torn_mm),
            "flying_share": _round(skin.flying),
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
        "shut_line": _lane(skin.shut_line, skin.shut_line_place),
        "edges": [_edge(edge, way) for edge, way in zip(skin.edges, skin.edge_sides, strict=True)],
        "creases": [_crease(crease) for crease in skin.creases],
        "stages": [_stage(stage) for stage in skin.stages],
    }


def _edge(edge: Edge, way: str) -> dict[str, Any]:
    return {
        "edge": edge.name,
        "kind": edge.kind,
        "length_mm": _round(edge.length_mm),
        "faces_along": way or None,
    }


def _crease(crease: Crease) -> dict[str, Any]:
    return {
        "crease": crease.name,
        "kind": crease.kind,
        "length_mm": _round(crease.length_mm),
        "turn_mrad": _round(crease.turn_mrad),
        "step_mm": _round(crease.step_mm),
        "source": crease.source,
    }


def _stage(stage: StageFit) -> dict[str, Any]:
    return {
        "stage": stage.stage,
        "fit": stage.verdict,
        "tolerance_mm": stage.tolerance_mm,
        "tolerance_mrad": stage.tolerance_mrad,
        "reasons": list(stage.reasons),
        "remedies": list(stage.remedies),
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


def _lane(line: ShutLine | None, place: Place | None) -> dict[str, Any] | None:
    if line is None or place is None:
        return None
    return {
        "length_mm": _round(line.length_mm),
        "width_mm": _round(line.width_mm),
        "step_mm": _round(line.step_mm),
        **_place(place),
    }


def _place(place: Place) -> dict[str, Any]:
    return {
        "x": _round(place.x),
        "y": _round(place.y),
        "z": _round(place.z),
        "from_edges": place.from_edges,
    }

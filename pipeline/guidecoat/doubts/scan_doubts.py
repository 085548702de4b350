"""What is doubtful about a scan itself, in words: a skin that lies twice, a lane right across."""

from __future__ import annotations

from collections.abc import Sequence

from ..findings.places import Place, place_of
from ..measuring.spots import Spot
from ..outline.double_skins import DoubleSkin
from ..outline.edges import Edge, torn_rims
from ..panel.coverage import measure_coverage
from ..panel.flying import MANY
from ..panel.shut_lines import ShutLine
from ..panel.unrolled import Unrolled

# Sound scans lack up to 2 % of a skin (measured), and corners may look torn.
_MUCH_MISSING = 0.03
_LONG_TORN_MM = 150.0


def double_words(doubles: Sequence[DoubleSkin], place: Place) -> str:
    """How much lies twice and where, the largest patch first; place : of that one."""
    rest = len(doubles) - 1
    more = f"; and {rest} more" if rest else ""
    return (
        f"{doubles[0].area_cm2:.0f} cm2 lie twice, {doubles[0].apart_mm:.2f} mm apart, "
        f"{place}{more}"
    )


def lane_words(line: ShutLine, place: Place) -> str:
    """How wide, how long and where a lane is."""
    return (
        f"a lane {line.width_mm:.0f} mm wide without points runs {line.length_mm:.0f} mm right "
        f"across, its middle {place}"
    )


def scan_doubts(unrolled: Unrolled, edges: Sequence[Edge]) -> list[str]:
    """Warnings with their remedies; while one stands a panel is not known to be in tolerance."""
    said = []
    if unrolled.doubles:
        first = unrolled.doubles[0]
        where = double_words(unrolled.doubles, place_of(unrolled, edges, first.u_mm, first.v_mm))
        said.append(
            f"{where}: the scanner lost its place, or two scans were laid over each other badly. "
            "Heights there are a mixture of both skins. Delete the second skin in the scanning "
            "program, or scan again."
        )
    if unrolled.ground:
        said.append(
            f"{100.0 * unrolled.ground:.0f} % of the points lie in one plane that all the rest "
            "stands above. If that is a table or floor, what is called the panel here is the "
            "table, and edges and tape distances are the table's: take the panel out with "
            "`guidecoat crop --at` and check again."
        )
    if unrolled.shut_line is not None:
        line = unrolled.shut_line
        where = lane_words(line, place_of(unrolled, edges, line.u_mm, line.v_mm))
        said.append(
            f"{where[0].upper()}{where[1:]}: the shut line between two panels, or a strip that "
            "was not scanned. The surface was laid right over it. If it is two panels, take "
            "each out with `guidecoat crop --box` and check it by itself; if it is one, scan the "
            "strip again."
        )
    return said


def spot_words(unrolled: Unrolled, edges: Sequence[Edge], spots: Sequence[Spot]) -> list[str]:
    """A warning of spots too small to be marks; while it stands a panel is not in tolerance."""
    if not spots:
        return []
    worst = spots[0]
    where = place_of(unrolled, edges, worst.u_mm, worst.v_mm)
    what = "One spot" if len(spots) == 1 else f"{len(spots)} spots"
    return [
        f"{what} narrower than a mark (10 mm or so) beyond the tolerance, by its points: "
        f"{worst.height_mm:+.2f} mm {where}{'; and more' if len(spots) > 1 else ''}. Dirt, weld "
        "spatter or pits: wipe the panel and feel for them; points.ply has each."
    ]


def gap_words(unrolled: Unrolled, inboard_mm: float) -> list[str]:
    """Warnings with their remedies of what was not scanned well enough.

    They keep no panel from being in tolerance as far as it was seen.

    inboard_mm : width of the band along edges that is never trusted.
    """
    u, said = unrolled, []
    length_mm, bays_cm2 = torn_rims(u.cells, u.faces, u.creases)
    coverage = measure_coverage(u.cells, u.skin, u.faces)
    holes_cm2 = sum(hole.area_cm2 for hole in coverage.drop_outs)
    seen_cm2 = float(u.skin.sum()) * u.cells.grid.cell_mm**2 / 100.0
    share = (holes_cm2 + bays_cm2) / (seen_cm2 + holes_cm2 + bays_cm2)
    if share >= _MUCH_MISSING:
        said.append(
            f"At least {100.0 * share:.0f} % of the skin was not scanned "
            f"({holes_cm2 + bays_cm2:.0f} cm2 in holes and bays of the scan, if none is cut out of "
            "the panel): nothing is known of it, and damage there is missed. Scan those parts "
            "again: mat a skin that shines, and turn the scanner to where it could not see."
        )
    if length_mm >= _LONG_TORN_MM:
        said.append(
            f"{length_mm:.0f} mm of the outline wander or step inboard, as where a rim was not "
            "scanned: no edge is named or held there, and no knock in it is seen. Scan the rim "
            "there again, from outside it too; where the panel is cut out so, pay no heed."
        )
    if u.faces.inboard_mm > inboard_mm:
        cause, remedy = (
            ("skin that is bent there, as a sill's is", "hold points that you know are right")
            if u.scan.faces is None
            else (
                "a mesh that was closed over the rim and trimmed, or skin that is bent there",
                "check the scanner's own points instead of the mesh, or trim it farther in",
            )
        )
        said.append(
            f"All round, the skin rolls off within {u.faces.inboard_mm:.0f} mm of where it ends: "
            f"{cause}. Nothing is judged or held so near the rim, and marks at it are undecided. "
            f"Remedy: {remedy}."
        )
    if u.scan.filled_in:
        said.append(
            "The mesh was thinned, so heights were taken from its triangles as well, between the "
            "vertices. Ripple on large ones cannot be told from facets. "
            "Export the scan without thinning it."
        )
    if u.flying > MANY:
        said.append(
            f"At least {100.0 * u.flying:.0f} % of the points fly off the skin: heights are "
            "averaged without them, but where they lie close together small marks are missed or "
            "feigned, along edges most. Remedy: mat a skin that shines, keep stray light off, "
            "delete outliers in the scanning program, or scan again."
        )
    return said

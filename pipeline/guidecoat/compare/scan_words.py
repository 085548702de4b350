"""What is doubtful about a scan that is measured from another's surface, in words."""

from __future__ import annotations

from ..doubts.doubting import Seen
from ..outline.faces import from_edge_mm
from ..outline.rolled_rims import rolled_mm
from ..panel.flying import MANY


def scan_words(seen: Seen, *, inboard_mm: float) -> tuple[str, ...]:
    """Warnings of a later pass or another side, each with the scan's name before it.

    Parameters
    ----------
    inboard_mm : width of the band along edges that is never trusted.
    """
    said = []
    if seen.doubles:
        area = sum(double.area_cm2 for double in seen.doubles)
        said.append(
            f"{area:.0f} cm2 lie twice, up to {max(d.apart_mm for d in seen.doubles):.2f} mm "
            "apart: heights there are a mixture of both skins, and so is what changed"
        )
    if seen.flying > MANY:
        said.append(f"at least {100.0 * seen.flying:.0f} % of the points fly off the skin")
    rolled = rolled_mm(seen.cells, seen.skin, from_edge_mm(seen.cells, seen.skin))
    if rolled > inboard_mm:
        said.append(
            f"all round, the skin rolls off within {rolled:.0f} mm of where it ends, as where it "
            "is bent or a mesh was closed over the rim: what is told of edges, gaps and position "
            "is not to be trusted. Use the scanner's own points, if it is a mesh"
        )
    if seen.scan.filled_in:
        said.append("the mesh was thinned; ripple on its large triangles may be their facets")
    return tuple(f"{seen.scan.name}: {words}." for words in said)

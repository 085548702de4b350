"""`guidecoat crop`: one panel out of a scan of more."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ..output_folder import result_file
from . import options as opt
from .printing import progress, say, say_json

if TYPE_CHECKING:
    from ..panel.crop import Part
    from ..panel.parts import Likely, Place

PartArgument = Annotated[
    Path | None,
    typer.Argument(
        metavar="[PANEL.ply]",
        help="The file to write.  [default: <scan name>_panel.ply in this folder]",
        show_default=False,
    ),
]
At = Annotated[
    str | None,
    typer.Option(
        "--at",
        metavar="X,Y,Z",
        help="A point on the panel.  [default: amid the largest curved part that faces one way]",
    ),
]
Box = Annotated[
    str | None,
    typer.Option(
        "--box",
        metavar="X1,Y1,Z1,X2,Y2,Z2",
        help="Two opposite corners: nothing outside of them counts.",
    ),
]

_FRAME = ", in the scan's own units and frame"


def crop(
    scan: opt.ScanArgument,
    panel: PartArgument = None,
    at: At = None,
    box: Box = None,
    units: opt.Units = None,
    quiet: opt.Quiet = False,
    as_json: opt.Json = False,
) -> None:
    """Take one panel out of a scan of more: of a table, a stand, a room, its neighbours."""
    place, corners = _place(at), _corners(box)
    goal = panel if panel is not None else Path.cwd() / f"{scan.stem}_panel.ply"
    with result_file(goal) as unfinished:
        progress(f"looking at {scan.name} ...", quiet=quiet)
        from ..export.part import write_part
        from ..panel.crop import in_box, part_at
        from ..panel.parts import likely_parts
        from ..scans.scan_io import read_scan
        from ..settings import load_settings

        settings = load_settings(None, (), {} if units is None else {"units": units})
        whole = read_scan(scan, units=settings.units)
        seen = whole if corners is None else in_box(whole, *corners)
        likely = likely_parts(seen) if place is None else ()
        part = part_at(seen, place or likely[0].place, settings)
        write_part(unfinished, whole, part.keep)
    if as_json:
        say_json(_summary(goal, part, likely[1:]))
    elif not quiet:
        say(_lines(goal, part, likely))


def _place(at: str | None) -> Place | None:
    if at is None:
        return None
    x, y, z = opt.numbers("--at", at, wanted="X,Y,Z", meaning=f"a point on the panel{_FRAME}")
    return x, y, z


def _corners(box: str | None) -> tuple[Place, Place] | None:
    if box is None:
        return None
    x, y, z, a, b, c = opt.numbers(
        "--box", box, wanted="X1,Y1,Z1,X2,Y2,Z2", meaning=f"two opposite corners{_FRAME}"
    )
    return (x, y, z), (a, b, c)


def _said(place: Place) -> str:
    return ",".join(f"{x:.6g}" for x in place)


def _lines(goal: Path, part: Part, likely: tuple[Likely, ...]) -> list[str]:
    which = "what hangs together with"
    if likely:
        which = f"the largest {'' if likely[0].flat else 'curved '}part that faces one way, round"
    lines = [
        f"{goal}: {part.points} points, {100 * part.share:.0f} % of the scan: {which} "
        f"{_said(part.place)}"
    ]
    lines += [
        f"  if that is not the panel: --at {_said(other.place)} ({100 * other.share:.0f} % of the "
        f"scan{', flat' if other.flat else ''})"
        for other in likely[1:]
    ]
    if part.lane is not None:
        lines.append(
            f"Note: a lane {part.lane.width_mm:.1f} mm wide without points runs "
            f"{part.lane.length_mm:.0f} mm across it at {_said(part.lane.place)}. If it is the "
            "gap between two panels, take the one with --box; if a strip was missed, pay no heed."
        )
    return [*lines, f"Next: guidecoat check {goal}"]


def _summary(goal: Path, part: Part, others: tuple[Likely, ...]) -> dict[str, object]:
    return {
        "output": str(goal),
        "place": list(part.place),
        "points": part.points,
        "share": round(part.share, 4),
        "others": [{"place": list(o.place), "share": round(o.share, 4)} for o in others],
    }

"""The page of a comparison and of a left against right."""

from __future__ import annotations

from ..compare import Comparison, Track
from ..export.compare_words import (
    change_words,
    placing_words,
    plane_words,
    position_words,
    progress_words,
    shape_words,
    stand_words,
)
from ..export.words import scan_file, shown, signed
from ..mirror import MirrorResult
from ..regions import Region
from ..settings import resolved
from . import pieces
from .pieces import text

_WORD = {"in": "In tolerance", "out": "Out of tolerance", "undecided": "Undecided"}


def comparison_page(
    result: Comparison, picture: bytes | None, *, warnings: tuple[str, ...] = ()
) -> str:
    """The page as text; every name in it is escaped."""
    after, whole = result.after.result, result.whole
    first, last = shown(result.before.scan.name), shown(result.after.scan.name)
    rows = (
        ("Before", scan_file(result.before.scan)),
        ("After", scan_file(result.after.scan)),
        ("Scans in one frame", placing_words(result)),
        ("Compared area", f"{whole.compared_area_cm2:.0f} cm\u00b2"),
        ("Changed area", f"{whole.changed_area_cm2:.0f} cm\u00b2"),
        ("Greatest build", f"{whole.max_build_mm:.2f} mm"),
        ("Mean build", f"{whole.mean_build_mm:.2f} mm where something was added"),
        ("Least change that shows", f"about {whole.least_mm:.2f} mm"),
    )
    body = (
        pieces.masthead(
            f"{first} to {last}",
            progress_words(result),
            after.verdict,
            _WORD[after.verdict],
            f" now. {change_words(result)}.",
        ),
        pieces.listing("Warnings", (*result.warnings, *warnings)),
        pieces.picture("Change", picture, f"Map of what changed from {first} to {last}"),
        _progress_table(result),
        pieces.facts("Facts", rows),
        pieces.listing("Cautions", after.cautions),
        pieces.settings_piece(resolved(result.settings)),
        pieces.foot(scan_file(result.after.scan), result.after.scan.sha256),
    )
    return pieces.page(f"{first} to {last}: what changed", body, None)


def mirror_page(
    result: MirrorResult, picture: bytes | None, *, warnings: tuple[str, ...] = ()
) -> str:
    """The page as text; every name in it is escaped."""
    shape = result.shape
    side, other = shown(shape.scan.name), shown(result.other_name)
    found = result.registration
    rows = (
        ("This side", scan_file(shape.scan)),
        ("Other side", other),
        ("Position", position_words(result)),
        ("Mirror plane", plane_words(result)),
        ("Laid on each other", f"to {found.rms_mm:.3f} mm rms, overlap {found.overlap:.0%}"),
    )
    body = (
        pieces.masthead(
            f"{side} against {other}",
            position_words(result),
            shape.verdict,
            _WORD[shape.verdict],
            f". {shape_words(result)}.",
        ),
        pieces.listing("Warnings", (*result.warnings, *warnings)),
        pieces.picture("Difference in shape", picture, f"Map of where {side} differs in shape"),
        _shape_table(shape.regions),
        pieces.facts("Facts", rows),
        pieces.listing("Cautions", shape.cautions),
        pieces.settings_piece(resolved(result.settings)),
        pieces.foot(scan_file(shape.scan), shape.scan.sha256),
    )
    return pieces.page(f"{side} against {other}", body, None)


def _progress_table(result: Comparison) -> str:
    if not result.tracks:
        return _table("Highs and lows", ("Mark",), (), "None was found in any scan.")
    names = tuple(f"{k}: {shown(p.scan.name)}" for k, p in enumerate(result.passes, start=1))
    head = ("Mark", *names, "State", "Where", "Do")
    rows = tuple(_track_row(track) for track in result.tracks)
    note = (
        "Peaks in mm off the one fair surface in every scan; ripple by its slope in mrad. + stands "
        "proud, \u2212 lies below."
    )
    return _table("Highs and lows", head, rows, note)


def _track_row(track: Track) -> tuple[str, ...]:
    region = track.last.region or track.place
    stands = (stand_words(stand, track.kind) for stand in track.stands)
    where, do = region.from_edges, region.action
    return (f"{track.name} {track.kind}", *stands, track.last.state, where, do)


def _shape_table(regions: tuple[Region, ...]) -> str:
    if not regions:
        return _table("Differences in shape", ("Mark",), (), "None was found.")
    head = ("Mark", "Verdict", "Peak \u00b1 U, mm", "Size, mm", "Where", "What it is")
    rows = tuple(
        (
            f"{r.region} {r.kind}",
            r.verdict,
            f"{signed(r.peak_mm)} \u00b1 {r.uncertainty_mm:.2f}",
            f"{r.length_mm:.0f} \u00d7 {r.width_mm:.0f}",
            r.from_edges,
            r.action,
        )
        for r in regions
    )
    note = "+ where this side stands prouder than the other reflected. U has k = 2."
    return _table("Differences in shape", head, rows, note)


def _table(title: str, head: tuple[str, ...], rows: tuple[tuple[str, ...], ...], note: str) -> str:
    if not rows:
        return f"<section>\n<h2>{text(title)}</h2>\n<p>{text(note)}</p>\n</section>"
    top = "".join(f'<th scope="col">{text(name)}</th>' for name in head)
    lines = []
    for row in rows:
        cells = [f"<td><strong>{text(row[0])}</strong></td>"]
        cells += [
            f'<td data-name="{text(name)}">{text(cell)}</td>'
            for name, cell in zip(head[1:], row[1:], strict=True)
        ]
        lines.append(f"<tr>{''.join(cells)}</tr>")
    return (
        f"<section>\n<h2>{text(title)}</h2>\n<table>\n<caption>{text(note)}</caption>\n"
        f"<thead><tr>{top}</tr></thead>\n<tbody>\n{chr(10).join(lines)}\n</tbody>\n</table>\n"
        "</section>"
    )

"""report.html: the whole result on one page that needs nothing else and fetches nothing."""

from __future__ import annotations

import base64
from html import escape
from pathlib import Path

from .. import __version__
from ..check import CheckResult
from ..regions import Region
from .words import (
    blind_spot,
    outside_words,
    scan_file,
    shown,
    signed,
    surface_words,
    verdict_words,
)

_STYLE = """
:root { color-scheme: light; }
body { font: 16px/1.45 system-ui, sans-serif; color: #1a1a1a; background: #fff;
  margin: 0 auto; max-width: 70rem; padding: 1rem; overflow-wrap: break-word; }
h1 { font-size: 1.5rem; margin: 0 0 .3rem; }
h2 { font-size: 1.1rem; margin: 1.6rem 0 .4rem; }
.verdict { font-weight: 700; font-size: 1.1rem; border-left: .4rem solid #595959;
  padding: .3rem .7rem; margin: .6rem 0; }
.map { overflow-x: auto; border: 1px solid #bdbdbd; }
img { display: block; width: 100%; min-width: 56rem; height: auto; }
table { border-collapse: collapse; width: 100%; font-size: .92rem; }
th, td { text-align: left; vertical-align: top; padding: .3rem .6rem .3rem 0;
  border-bottom: 1px solid #d0d0d0; }
td.number { white-space: nowrap; }
dl { display: grid; grid-template-columns: max-content 1fr; gap: .2rem 1rem; margin: 0; }
dt { color: #595959; } dd { margin: 0; }
footer { margin-top: 2rem; color: #595959; font-size: .85rem; }
@media (max-width: 40rem) {
  dl { grid-template-columns: 1fr; } dd { margin-bottom: .4rem; }
  table, tbody, tr, td { display: block; } thead { display: none; }
  tr { border-bottom: 1px solid #d0d0d0; padding: .5rem 0; }
  td { border: 0; padding: .05rem 0; } td[data-name]::before { content: attr(data-name) ": ";
    color: #595959; }
}
@media print {
  @page { size: A4; margin: 12mm; }
  body { font-size: 10pt; max-width: none; padding: 0; }
  img { min-width: 0; }
  tr, img { break-inside: avoid; }
}
"""


def write_page(
    path: Path, result: CheckResult, picture: bytes | None, *, warnings: tuple[str, ...]
) -> None:
    """Write the page; `picture` is the map's PNG, None where it could not be drawn."""
    page = report_page(result, picture, warnings=warnings)
    path.write_bytes(page.encode("utf-8", "replace"))


def report_page(
    result: CheckResult, picture: bytes | None, *, warnings: tuple[str, ...] = ()
) -> str:
    """Return the page as text; every name in it is escaped."""
    name = escape(shown(result.scan.name))
    parts = [
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        # the icon is given as nothing, or a browser would ask a server for one
        '<link rel="icon" href="data:,">',
        f"<title>{name}: highs and lows</title>\n<style>{_STYLE}</style>\n</head>\n<body>",
        f"<h1>{name}</h1>",
        f'<p class="verdict">{escape(verdict_words(result))}</p>',
        f"<p>{escape(blind_spot(result))}</p>",
        _list("Warnings", (*result.warnings, *warnings)),
        _picture(picture, name),
        _table(result.regions),
        _facts(result),
        _list("Cautions", result.cautions),
        f"<footer>guidecoat {escape(__version__)}. Scan {escape(scan_file(result.scan))}, "
        f"sha256 {escape(result.scan.sha256 or 'unknown')}.</footer>",
        "</body>\n</html>\n",
    ]
    return "\n".join(part for part in parts if part)


def _picture(picture: bytes | None, name: str) -> str:
    if picture is None:
        return ""
    data = base64.b64encode(picture).decode("ascii")
    alt = f"Map of {name}: the unrolled panel with its highs and lows, listed in the table below"
    # a phone shows the map at a readable size, to be slid sideways
    image = f'<img alt="{alt}" src="data:image/png;base64,{data}">'
    return f'<h2>Map</h2>\n<div class="map" tabindex="0">{image}</div>'


def _table(regions: tuple[Region, ...]) -> str:
    if not regions:
        return "<h2>Highs and lows</h2>\n<p>None was found.</p>"
    names = ("Mark", "Verdict", "Peak \u00b1 U, mm", "Size, mm", "Where", "What to do")
    head = "".join(f'<th scope="col">{name}</th>' for name in names)
    rows = "\n".join(_row(region, names) for region in regions)
    return (
        f"<h2>Highs and lows</h2>\n<table>\n<thead><tr>{head}</tr></thead>\n<tbody>\n{rows}\n"
        "</tbody>\n</table>\n<p>+ stands proud of the fair surface, \u2212 lies below it. U is the "
        "expanded uncertainty (k = 2).</p>"
    )


def _row(region: Region, names: tuple[str, ...]) -> str:
    peak = f"{signed(region.peak_mm)} \u00b1 {region.uncertainty_mm:.2f}"
    if region.kind == "ripple":
        peak += f" ({region.max_slope_mrad:.1f} mrad)"
    texts = (
        f"{shown(region.region)} {region.kind}",
        region.verdict,
        peak,
        f"{region.length_mm:.0f} \u00d7 {region.width_mm:.0f}",
        shown(region.from_edges),
        shown(region.action),
    )
    cells = [f"<td><strong>{escape(texts[0])}</strong></td>"]
    for k, text in enumerate(texts[1:], start=1):
        kind = ' class="number"' if k in (2, 3) else ""
        cells.append(f'<td{kind} data-name="{names[k]}">{escape(text)}</td>')
    return f"<tr>{''.join(cells)}</tr>"


def _facts(result: CheckResult) -> str:
    dropped = ", ".join(f"{n} {shown(reason)}" for reason, n in result.dropped.items()) or "none"
    units, tolerance = result.scan.units, result.settings.tolerance
    creases = ", ".join(
        f"{shown(c.name)} ({c.kind}, {c.length_mm:.0f} mm, {c.source})" for c in result.creases
    )
    rows = (
        ("Panel", f"{result.length_mm:.0f} \u00d7 {result.width_mm:.0f} mm"),
        ("Stage", result.settings.stage),
        ("Tolerance", f"\u00b1{tolerance.height_mm:g} mm, slope {tolerance.slope_mrad:g} mrad"),
        ("Fair surface", surface_words(result)),
        ("Creases", creases or "none"),
        ("Outside", outside_words(result)),
        ("Units", f"{units.value}, by {units.decided_by}"),
        ("Points", f"{len(result.scan.points_mm)}, of which judged {result.points_judged}"),
        ("Points dropped", dropped),
    )
    items = "\n".join(f"<dt>{escape(k)}</dt><dd>{escape(v)}</dd>" for k, v in rows)
    return f"<h2>Facts</h2>\n<dl>\n{items}\n</dl>"


def _list(title: str, texts: tuple[str, ...]) -> str:
    if not texts:
        return ""
    items = "\n".join(f"<li>{escape(shown(text))}</li>" for text in texts)
    return f"<h2>{title}</h2>\n<ul>\n{items}\n</ul>"

"""plan.html: the work plan on one sheet to print and tick off, and its page in the report."""

from __future__ import annotations

from html import escape
from pathlib import Path

from .. import __version__
from ..check import CheckResult
from ..wording.plain import shown
from ..wording.words import scan_file, verdict_words
from ..workplan import Fill, WorkPlan
from ..workplan.steps import Step

# What one A4 sheet holds with its small print; the rest stands in plan.csv.
_MOST_STEPS = 20
_MOST_TAPS = 3
_MOST_EDGES = 4
_ROOMY_STEPS = 12
_GROUP_NAMES = {
    "measure": "Measure first",
    "metal": "Metal",
    "fill": "Fill",
    "block": "Block",
    "look": "Look",
    "report": "Report",
}
_HEADS = (
    "Filler",
    "deepest mm",
    "mean mm",
    "litres in place",
    "kg to mix",
    "area cm2",
    "feather cm2",
    "adds mrad",
    "depth limit",
)

_STYLE = """
:root { color-scheme: light; }
body { font: 15px/1.35 system-ui, sans-serif; color: #1a1a1a; background: #fff;
  margin: 0 auto; max-width: 60rem; padding: 1rem; overflow-wrap: break-word; }
h1 { font-size: 1.35em; margin: 0 0 .2em; } h2 { font-size: 1.05em; margin: .9em 0 .25em; }
p { margin: .2em 0; } ul { margin: .2em 0; padding-left: 1.2em; }
table { border-collapse: collapse; width: 100%; }
th, td { text-align: left; vertical-align: top; padding: .2em .6em .2em 0;
  border-bottom: 1px solid #d0d0d0; }
.tick { white-space: nowrap; }
.box { display: inline-block; width: .95em; height: .95em; border: 1.5px solid #1a1a1a; }
.why, footer, .small { color: #595959; } .small, footer { font-size: .85em; }
td.number, th.number { text-align: right; white-space: nowrap; }
tr.group td { font-weight: 700; border-bottom: 2px solid #595959; padding-top: .6em; }
@media screen and (max-width: 44rem) {
  table, tbody, tr, td { display: block; } td { border: 0; padding: .05em 0; }
  tr { border-bottom: 1px solid #d0d0d0; padding: .5em 0; } thead { display: none; }
  td.number { text-align: left; } td.tick, td.name { display: inline-block; margin-right: .6em; }
  td[data-name]::before { content: attr(data-name) ": "; color: #595959; }
}
@media print {
  @page { size: A4; margin: 10mm; }
  body { font-size: SIZEpt; line-height: 1.2; max-width: none; padding: 0; }
  tr { break-inside: avoid; }
}
"""


def write_plan_sheet(path: Path, plan: WorkPlan, result: CheckResult) -> None:
    """Write the sheet."""
    path.write_bytes(plan_sheet(plan, result).encode("utf-8", "replace"))


def plan_sheet(plan: WorkPlan, result: CheckResult) -> str:
    """The sheet as HTML that needs nothing else: one A4 page when printed."""
    name = escape(shown(result.scan.name))
    size = "8" if len(plan.steps) <= _ROOMY_STEPS else "6.2"
    parts = [
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        f"<title>Work plan, {name}</title>\n<style>{_STYLE.replace('SIZE', size)}</style>",
        "</head>\n<body>",
        f"<h1>Work plan: {name}</h1>",
        f"<p>Stage: {escape(plan.stage)}. {escape(verdict_words(result))}.</p>",
        plan_section(plan, most_steps=_MOST_STEPS),
        "<h2>Cautions</h2>",
        f'<ul class="small">{_items(plan.cautions)}</ul>',
        f"<footer>guidecoat {escape(__version__)}. Scan {escape(scan_file(result.scan))}. Lengths "
        "in mm. Product sheets and local rules come before this sheet.</footer>",
        "</body>\n</html>\n",
    ]
    return "\n".join(parts)


def plan_section(plan: WorkPlan, *, most_steps: int | None = None, heading: int = 2) -> str:
    """The plan without its cautions as a piece of a page: steps, the two surfaces, taps, edges.

    Parameters
    ----------
    heading : level of its headings.
    """
    parts = [
        ("Steps", _steps(plan.steps, most_steps)),
        ("The two ways", _surfaces(plan)),
        ("Taps that save most", _listed(_taps(plan))),
        ("Held edges in the way", _listed(_edges(plan))),
        ("When to stop", _listed([ready.words for ready in plan.ready])),
    ]
    if plan.stage == "paint":
        parts = parts[:1]  # nothing is tapped or filled in paint
    return "\n".join(f"<h{heading}>{title}</h{heading}>\n{part}" for title, part in parts if part)


def _steps(steps: tuple[Step, ...], most: int | None) -> str:
    if not steps:
        return "<p>There is nothing to do.</p>"
    shown_steps = steps if most is None else steps[:most]
    rows = []
    group = ""
    for step in shown_steps:
        if step.group != group:
            group = step.group
            rows.append(f'<tr class="group"><td colspan="4">{_GROUP_NAMES[group]}</td></tr>')
        rows.append(_step_row(step))
    rest = len(steps) - len(shown_steps)
    more = f"<p>{rest} more steps stand in plan.csv.</p>" if rest else ""
    return "<table>\n<tbody>\n" + "\n".join(rows) + f"\n</tbody>\n</table>\n{more}"


def _step_row(step: Step) -> str:
    what = escape(shown(step.what))
    where = f"<br>{escape(shown(step.where))}" if step.where else ""
    return (
        '<tr><td class="tick"><span class="box" role="img" aria-label="to tick off"></span> '
        f"{step.number}</td>"
        f'<td class="name"><strong>{escape(shown(step.region))}</strong></td><td>{what}'
        f'<span class="small">{where}</span></td>'
        f'<td class="why">{escape(shown(step.why))}</td></tr>'
    )


def _surfaces(plan: WorkPlan) -> str:
    if plan.tap.litres == plan.cover.litres == 0.0:
        return "<p>No filler is needed either way.</p>"
    names = {"tap": "Highs brought down first", "cover": "Covered, no metal moved"}
    head = "".join(
        f'<th scope="col"{_number(k)}>{escape(name)}</th>' for k, name in enumerate(_HEADS)
    )
    bands = " What lies in the bands along edges is in the steps only." if plan.in_edges else ""
    rows = "\n".join(_surface_row(names[f.target], f) for f in (plan.tap, plan.cover))
    return (
        f'<table class="figures">\n<thead><tr>{head}</tr></thead>\n<tbody>\n{rows}\n'
        f"</tbody>\n</table>\n<p>{escape(shown(_sentence(plan.choice_reason)))}.{bands}</p>"
    )


def _surface_row(name: str, fill: Fill) -> str:
    texts = (
        name,
        f"{fill.greatest_mm:.1f}",
        f"{fill.mean_mm:.1f}",
        f"{fill.litres:.3f}",
        f"{fill.kilograms:.3f}",
        f"{fill.area_cm2:.0f}",
        f"{fill.feather_cm2:.0f}",
        f"{fill.slope_mrad:.1f}",
        fill.limit,
    )
    cells = [f"<td><strong>{escape(name)}</strong></td>"]
    cells += [
        f'<td{_number(k)} data-name="{_HEADS[k]}">{escape(text)}</td>'
        for k, text in enumerate(texts[1:], start=1)
    ]
    return f"<tr>{''.join(cells)}</tr>"


def _number(column: int) -> str:
    return ' class="number"' if 0 < column < 8 else ""


def _taps(plan: WorkPlan) -> list[str]:
    worth = [tap for tap in plan.taps if tap.worth]
    return [
        f"{tap.words()} (alone); {tap.left_litres:.3f} l left after this and those above"
        for tap in worth[:_MOST_TAPS]
    ]


def _edges(plan: WorkPlan) -> list[str]:
    """The held edges that would have to move most, those that no way round helps first."""
    moves = sorted(plan.edge_moves, key=lambda move: (move.how != "both", -abs(move.by_mm)))
    lines = [move.reason for move in moves[:_MOST_EDGES]]
    rest = len(moves) - len(lines)
    return [*lines, f"{rest} more stand in plan.json"] if rest else lines


def _listed(lines: list[str]) -> str:
    return f"<ul>{_items(tuple(lines))}</ul>" if lines else ""


def _sentence(words: str) -> str:
    return f"{words[:1].upper()}{words[1:]}"


def _items(lines: tuple[str, ...]) -> str:
    return "".join(f"<li>{escape(shown(line))}</li>" for line in lines)

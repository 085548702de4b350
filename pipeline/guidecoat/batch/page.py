"""index.html: the morning's page. Worst first, with what to scan again and each panel's trend."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from html import escape
from pathlib import Path
from urllib.parse import quote

from .. import __version__
from ..wording.plain import shown
from .ledger import Run
from .names import folded
from .outcome import FAILED, SKIPPED
from .task import THUMBNAIL
from .whole_file import write_whole

_STYLE = """
:root { color-scheme: light; }
body { font: 16px/1.45 system-ui, sans-serif; color: #1a1a1a; background: #fff;
  margin: 0 auto; max-width: 64rem; padding: 1rem; overflow-wrap: anywhere; }
h1 { font-size: 1.5rem; margin: 0; }
h2 { font-size: 1.15rem; margin: 1.8rem 0 .2rem; }
p { margin: .3rem 0; }
.counts { display: flex; flex-wrap: wrap; gap: .3rem 1.2rem; list-style: none; padding: 0;
  margin: .6rem 0; }
.counts b { font-size: 1.3rem; }
article { display: grid; grid-template-columns: 12rem 1fr; gap: 0 1rem; padding: .8rem 0;
  border-bottom: 1px solid #d0d0d0; }
article.plain { grid-template-columns: 1fr; }
h3 { font-size: 1rem; margin: 0; }
img { width: 100%; height: auto; border: 1px solid #bdbdbd; }
.quiet { color: #595959; font-size: .92rem; }
.trend { border-collapse: collapse; font-size: .92rem; margin-top: .3rem; }
.trend th, .trend td { overflow-wrap: normal; text-align: right; font-weight: 400;
  padding: .1rem .9rem .1rem 0; }
.trend th:first-child, .trend td:first-child { text-align: left; white-space: nowrap; }
.trend thead th { color: #595959; }
.trend .now td { font-weight: 700; }
footer { margin-top: 2rem; color: #595959; font-size: .85rem; }
@media (max-width: 34rem) { article { grid-template-columns: 1fr; } img { max-width: 20rem; }
  .trend { font-size: .82rem; } .trend th, .trend td { padding-right: .4rem; } }
@media print { article { break-inside: avoid; } }
"""
_MOST_PASSES = 8


def write_page(path: Path, runs: Sequence[Run], passes: Sequence[Run], *, left: int) -> None:
    """Write the page, replaced whole.

    Parameters
    ----------
    runs : the last run of each job that is there now.
    passes : every pass of every panel in the order of the work, for the trends.
    left : how many jobs are still to be done.
    """
    write_whole(path, batch_page(runs, passes, left=left))


def batch_page(runs: Sequence[Run], passes: Sequence[Run], *, left: int) -> str:
    """Return the page as text; every name in it is escaped."""
    trends = _by_panel(passes)
    sections = []
    counts = []
    for (anchor, title), members in members_of(runs).items():
        counts.append(_count(anchor, title, len(members)))
        sections.append(_section(anchor, title, members, trends))
    now = time.strftime("%Y-%m-%d %H:%M")
    state = f"{left} still to do. " if left else ""
    return "\n".join(
        [
            '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">',
            '<meta name="viewport" content="width=device-width, initial-scale=1">',
            # the icon is given as nothing, or a browser would ask a server for one
            '<link rel="icon" href="data:,">',
            f"<title>Panels, {now}</title>\n<style>{_STYLE}</style>\n</head>\n<body>",
            f'<h1>Panels</h1>\n<p class="quiet">{state}Written {now}.</p>',
            f'<ul class="counts">{"".join(counts)}</ul>',
            *(section for section in sections if section),
            f"<footer>guidecoat {escape(__version__)}. + stands proud of the fair surface, "
            "\u2212 lies below it. The same figures are in summary.csv.</footer>",
            "</body>\n</html>\n",
        ]
    )


def members_of(runs: Sequence[Run]) -> dict[tuple[str, str], list[Run]]:
    """Runs of each section of the page, by its anchor and title; a panel counts by its last pass,
    those before it stand in the last section.
    """
    earlier = _superseded(runs)
    now = [run for run in runs if run.record.job not in earlier]
    found = {(anchor, title): list(filter(belongs, now)) for anchor, title, belongs in _SECTIONS}
    found["before", "Earlier passes"] = [run for run in runs if run.record.job in earlier]
    return found


def _superseded(runs: Sequence[Run]) -> set[str]:
    """Jobs on a pass that a later one of the same panel has overtaken.

    A later scan that failed overtakes nothing: until there is a better one, the result stands.
    """
    last: dict[tuple[str, PanelKey], tuple[int, int]] = {}
    done = [run for run in runs if run.outcome.done]
    for run in done:
        key = (run.record.kind, _panel_key(run))
        last[key] = max(last.get(key, (-1, 0)), run.record.order)
    return {
        run.record.job for run in done if run.record.order < last[run.record.kind, _panel_key(run)]
    }


def _count(anchor: str, title: str, number: int) -> str:
    words = f"<b>{number}</b> {title.lower()}"
    return f'<li><a href="#{anchor}">{words}</a></li>' if number else f"<li>{words}</li>"


def _section(
    anchor: str, title: str, members: Sequence[Run], trends: dict[PanelKey, list[Run]]
) -> str:
    if not members:
        return ""
    ordered = sorted(members, key=_worst_first)
    articles = "\n".join(_article(run, trends) for run in ordered)
    return f'<section id="{anchor}">\n<h2>{title}</h2>\n{articles}\n</section>'


def _is_sound(run: Run) -> bool:
    return run.record.kind == "check" and run.outcome.done and not run.outcome.rescan


def _is_out(run: Run) -> bool:
    return _is_sound(run) and run.outcome.verdict == "out"


def _is_undecided(run: Run) -> bool:
    return _is_sound(run) and run.outcome.verdict == "undecided"


def _is_in(run: Run) -> bool:
    return _is_sound(run) and run.outcome.verdict not in ("out", "undecided")


def _is_pair(run: Run, kind: str) -> bool:
    return run.record.kind == kind and run.outcome.done and not run.outcome.rescan


_SECTIONS: tuple[tuple[str, str, Callable[[Run], bool]], ...] = (
    ("out", "Out of tolerance", _is_out),
    ("undecided", "Undecided", _is_undecided),
    ("again", "To scan again", lambda run: run.outcome.rescan),
    (
        "failed",
        "Failed otherwise",
        lambda run: run.outcome.status == FAILED and not run.outcome.rescan,
    ),
    ("in", "In tolerance", _is_in),
    ("changes", "Compared with the pass before", lambda run: _is_pair(run, "compare")),
    ("sides", "Left against right", lambda run: _is_pair(run, "mirror")),
    ("skipped", "Not run", lambda run: run.outcome.status == SKIPPED),
)


def _worst_first(run: Run) -> tuple[float, str]:
    return (-abs(run.outcome.worst_mm or 0.0), folded(run.record.job))


PanelKey = tuple[str, str, str]


def _panel_key(run: Run) -> PanelKey:
    record = run.record
    return (folded(record.vehicle), folded(record.panel), record.side)


def _by_panel(passes: Sequence[Run]) -> dict[PanelKey, list[Run]]:
    panels: dict[PanelKey, list[Run]] = {}
    for run in passes:
        panels.setdefault(_panel_key(run), []).append(run)
    return panels


def _article(run: Run, trends: dict[PanelKey, list[Run]]) -> str:
    record, outcome = run.record, run.outcome
    name = escape(shown(record.job))
    kind = f' <span class="quiet">{escape(record.kind)}, {escape(record.stage)}</span>'
    reason = f"<p>{escape(shown(outcome.reason))}</p>" if outcome.reason else ""
    if not outcome.done:
        return f'<article class="plain"><div><h3>{name}{kind}</h3>{reason}</div></article>'
    link = quote(record.output)
    picture = (
        f'<a href="{link}/report.html"><img loading="lazy" alt="Map of {name}" '
        f'src="{link}/{THUMBNAIL}"></a>'
    )
    trend = _trend(run, trends.get(_panel_key(run), [])) if record.kind == "check" else ""
    return (
        f'<article><div>{picture}</div><div><h3><a href="{link}/report.html">{name}</a>{kind}</h3>'
        f"<p>{escape(_figures(run))}</p>{reason}{trend}</div></article>"
    )


def _figures(run: Run) -> str:
    outcome = run.outcome
    words = [{"in": "In tolerance", "out": "Out of tolerance"}.get(outcome.verdict, "")]
    if outcome.verdict == "undecided":
        words = ["Undecided"]
    if outcome.out_regions:
        words.append(f"{outcome.out_regions} outside")
    if outcome.worst_mm is not None:
        words.append(f"worst {signed(outcome.worst_mm)} mm")
    if outcome.share_in_tolerance is not None:
        words.append(f"{share(outcome.share_in_tolerance)} in tolerance")
    if outcome.added_cm3 is not None:
        words.append(f"{outcome.added_cm3:.1f} cm\u00b3 added")
    if outcome.removed_cm3 is not None:
        words.append(f"{outcome.removed_cm3:.1f} cm\u00b3 taken off")
    return ", ".join(word for word in words if word)


def _trend(run: Run, passes: Sequence[Run]) -> str:
    """The panel's passes up to this one, if there were any before."""
    rows = panel_passes(passes)
    here = [
        k
        for k, (check, _) in enumerate(rows)
        if check.record.job == run.record.job and check.record.inputs_hash == run.record.inputs_hash
    ]
    if not here or here[0] == 0:
        return ""
    rows = rows[max(0, here[0] + 1 - _MOST_PASSES) : here[0] + 1]
    columns = len(TREND_COLUMNS) - all(net_cm3 is None for _, net_cm3 in rows)
    head = "".join(f'<th scope="col">{name}</th>' for name in TREND_COLUMNS[:columns])
    body = ""
    for check, net_cm3 in rows:
        mark = ' class="now"' if check.record.job == run.record.job else ""
        texts = trend_cells(check, net_cm3)[:columns]
        cells = "".join(f"<td>{escape(text)}</td>" for text in texts)
        body += f"<tr{mark}>{cells}</tr>"
    return f'<table class="trend"><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>'


NET_SINCE = "the first pass"
"""From where the last column of a table of passes counts; a comparison counts from one pass."""
TREND_COLUMNS = (
    "Pass",
    "In tolerance",
    "Highest, mm",
    "Lowest, mm",
    f"Added less taken off since {NET_SINCE}, cm\u00b3",
)


def trend_cells(check: Run, net_cm3: float | None) -> tuple[str, ...]:
    """A pass in a table of passes."""
    record, outcome = check.record, check.outcome
    name = record.stage if record.number == 1 else f"{record.stage} {record.number}"
    return (
        name,
        "" if outcome.share_in_tolerance is None else share(outcome.share_in_tolerance),
        "" if outcome.high_mm is None else signed(outcome.high_mm),
        "" if outcome.low_mm is None else signed(outcome.low_mm),
        "" if net_cm3 is None else f"{net_cm3:.1f}",
    )


def panel_passes(passes: Sequence[Run]) -> list[tuple[Run, float | None]]:
    """A panel's checks in order, each with what was added less what was taken off by then (cm3).

    It sums up what comparisons of one pass with the next say; None until there is one. It is not
    the filler that is on: metal that is tapped down counts as taken off, raised metal as added.
    """
    changes: dict[str, float] = {}
    for run in passes:
        outcome = run.outcome
        if run.record.kind == "compare" and outcome.added_cm3 is not None:
            changes[run.record.inputs[-1]] = outcome.added_cm3 - (outcome.removed_cm3 or 0.0)
    rows: list[tuple[Run, float | None]] = []
    net_cm3: float | None = None
    for run in passes:
        if run.record.kind == "check":
            change = changes.get(run.record.inputs[-1])
            net_cm3 = net_cm3 if change is None else (net_cm3 or 0.0) + change
            rows.append((run, net_cm3))
    return rows


def signed(value_mm: float) -> str:
    """A height as people write it: "+0.84", "\u22121.20"."""
    return f"{value_mm:+.2f}".replace("-", "\u2212")


def share(value: float) -> str:
    """A share as people write it; only all is 100 %."""
    percent = 100.0 * value
    return "100 %" if value >= 1.0 else f"{min(percent, 99.9):.1f} %"

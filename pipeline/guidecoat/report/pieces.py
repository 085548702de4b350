"""The pieces a report is put together from; every text that comes in is escaped here."""

from __future__ import annotations

import base64
import json
import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from html import escape
from importlib.resources import files

import numpy as np
from numpy.typing import NDArray

from .. import __version__
from ..doubts.remarks import is_note
from ..wording.plain import shown

_KINDS = {"f4": "<f4", "i2": "<i2", "u2": "<u2", "i4": "<i4", "u1": "u1"}
_OPTION = re.compile(r"--[a-z][a-z-]*[a-z]")
# Nothing may be fetched, whatever a name or a library holds.
_POLICY = (
    "default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline'; "
    "img-src data: blob:; font-src data:"
)


@dataclass(frozen=True)
class Step:
    """One thing to do: in a few words, where, and the mark it is about ("" for none)."""

    do: str
    why: str
    mark: str = ""


def text(value: str) -> str:
    """A text fit for the page: one line, valid Unicode, escaped."""
    return escape(shown(value))


def prose(value: str) -> str:
    """A text fit for the page in which the name of an option never breaks in two."""
    return _OPTION.sub(r'<span class="whole">\g<0></span>', text(value))


def packed(array: NDArray[np.generic], kind: str) -> dict[str, str]:
    """An array as base64 of little-endian numbers, for the page's script."""
    raw = np.ascontiguousarray(array, dtype=_KINDS[kind]).tobytes()
    return {"kind": kind, "bytes": base64.b64encode(raw).decode("ascii")}


def page(title: str, body: Sequence[str], data: dict[str, object] | None) -> str:
    """The whole page; `data` is what its script shows, None for a page without one."""
    head = [
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">',
        f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        # the icon is given as nothing, or a browser would ask a server for one
        '<link rel="icon" href="data:,">',
        f"<title>{text(title)}</title>\n<style>{_asset('report.css')}</style>\n</head>\n<body>",
    ]
    tail = ["</body>\n</html>\n"]
    if data is not None:
        tail = [
            f'<script type="application/json" id="data">{_json(data)}</script>',
            *([f"<script>{_plotly()}</script>"] if data.get("scene") else []),
            f"<script>{_asset('report.js')}</script>",
            *tail,
        ]
    return "\n".join([*head, *(part for part in body if part), *tail])


def masthead(name: str, under: str, verdict: str, word: str, words: str) -> str:
    """Name, what it is, and the verdict; `verdict` is in, out or undecided."""
    return (
        f'<header>\n<h1>{text(name)}</h1>\n<p class="sub">{prose(under)}</p>\n'
        f'<p class="verdict {text(verdict)}"><span class="word">{text(word)}</span>{text(words)}'
        "</p>\n</header>"
    )


def first_steps(steps: Sequence[Step], left: int = 0) -> str:
    """What to do first, and a link to the plan where it has so many steps left."""
    items = []
    for step in steps:
        button = f"{mark_button(step.mark)} " if step.mark else ""
        do = text(step.do[:1].upper() + step.do[1:])
        items.append(f'<li><span class="do">{button}{do}</span> {text(step.why)}</li>')
    more = f"{left} more step{'s' * (left != 1)} in the work plan"
    more = f'<p class="note"><a href="#plan">{more}</a></p>\n' if left else ""
    return '<section aria-labelledby="first">\n<h2 id="first">Do first</h2>\n' + (
        f'<ol class="first">\n{"".join(items)}\n</ol>\n{more}</section>'
    )


def mark_button(name: str) -> str:
    """A button that shows a mark in 3-D."""
    return (
        f'<button type="button" class="mark" data-goto="{text(name)}" '
        f'aria-label="Show {text(name)} on the panel">{text(name)}</button>'
    )


def picture(title: str, png: bytes | None, alt: str, note: str = "") -> str:
    """A PNG picture; a phone shows it at a readable size, to be slid sideways."""
    if png is None:
        return ""
    under = f'<p class="note">{text(note)}</p>' if note else ""
    return f"<section>\n<h2>{text(title)}</h2>\n{image(title, png, alt)}{under}\n</section>"


def image(name: str, png: bytes, alt: str) -> str:
    """A PNG that slides sideways where it is too wide."""
    data = base64.b64encode(png).decode("ascii")
    return (
        f'<div class="map" tabindex="0" role="group" aria-label="{text(name)}, slides sideways on '
        f'a small screen"><img alt="{text(alt)}" src="data:image/png;base64,{data}"></div>'
    )


def facts(title: str, rows: Sequence[tuple[str, str]]) -> str:
    """Names and values."""
    items = "\n".join(f"<dt>{text(k)}</dt><dd>{prose(v)}</dd>" for k, v in rows)
    return f"<section>\n<h2>{text(title)}</h2>\n<dl>\n{items}\n</dl>\n</section>"


def listing(title: str, texts: Sequence[str], *, anchor: str = "") -> str:
    """A list of sentences; nothing where there are none."""
    if not texts:
        return ""
    at = f' id="{anchor}"' if anchor else ""
    items = "\n".join(f"<li>{prose(one)}</li>" for one in texts)
    return f"<section{at}>\n<h2>{text(title)}</h2>\n<ul>\n{items}\n</ul>\n</section>"


def warning_link(said: Sequence[str]) -> str:
    """A line right below the verdict that leads to the warnings, where there are any."""
    n = sum(not is_note(one) for one in said)
    if not n:
        return ""
    words = f"{n} warning{'s' * (n != 1)} about this result"
    return f'<p class="note"><a href="#warnings">{words}</a></p>'


def remarks(said: Sequence[str], blind_spot: str = "") -> str:
    """Warnings first, then what is merely worth knowing, the blind spot at its head."""
    wrong = [one for one in said if not is_note(one)]
    notes = [*([blind_spot] if blind_spot else []), *(one for one in said if is_note(one))]
    return "\n".join(
        part
        for part in (
            listing("Warnings", wrong, anchor="warnings"),
            listing("What this scan cannot see, and notes", notes),
        )
        if part
    )


def settings_piece(settings: dict[str, object]) -> str:
    """All settings of the run, folded away."""
    told = escape(shown_lines(json.dumps(settings, indent=1, ensure_ascii=False)))
    return (
        '<section class="screen">\n<h2>Settings</h2>\n<details><summary>All settings of this run'
        f"</summary>\n<pre>{told}</pre></details>\n</section>"
    )


def shown_lines(many: str) -> str:
    """Several lines made fit for the page."""
    return "\n".join(shown(line) for line in many.split("\n"))


def foot(file: str, sha256: str) -> str:
    """Version, file and hash, by which a page is matched to its scan."""
    return (
        f"<footer>guidecoat {text(__version__)}. Scan {text(file)}, sha256 "
        f"{text(sha256 or 'unknown')}.</footer>"
    )


def _json(data: dict[str, object]) -> str:
    """JSON that cannot end its script element, whatever a name holds."""
    told = json.dumps(data, allow_nan=False, separators=(",", ":"))
    return told.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


@cache
def _asset(name: str) -> str:
    return (files(__package__) / "assets" / name).read_text("utf-8")


@cache
def _plotly() -> str:
    from plotly.offline import get_plotlyjs

    return str(get_plotlyjs())

"""Sections for the bench: a table, boards to cut at 1:1, and one file for whoever cuts them."""

from __future__ import annotations

import csv
import io
from itertools import pairwise
from math import ceil, floor

import numpy as np
from numpy.typing import NDArray

from ..measuring.deviation import HELD, HIGH, IN, LOW, NOT_JUDGED, RIPPLE, UNDECIDED
from ..pictures.drawing import PALE, Drawing, Lettering, Stroke
from ..preview.sections import Section
from ..scans.scan import Scan
from ..wording.words import SECTION_ENDS, signed
from .tables import plain_number

Floats = NDArray[np.float64]

COLUMNS = (
    "section",
    "kind",
    "run_mm",
    "u_mm",
    "v_mm",
    "x",
    "y",
    "z",
    "along_mm",
    "fair_mm",
    "scan_mm",
    "deviation_mm",
    "smooth_mm",
    "status",
    "region",
)
STATUS_WORDS = {
    IN: "in",
    HIGH: "high",
    LOW: "low",
    UNDECIDED: "undecided",
    HELD: "held",
    RIPPLE: "ripple",
    NOT_JUDGED: "not judged",
}
NO_WORD = STATUS_WORDS[NOT_JUDGED]
BOARD_MM = 45.0
"""How far a template's board reaches beyond the highest place of its edge."""

_RELIEF_MM = 15.0
_TICK_EVERY_MM = 50.0
_NAME_EVERY_MM = 220.0
_NOTE = (
    "Cut along the full line: the lower side is the fair surface. Fine dashes are the scan. Where "
    "the board's own line is dashed nothing was judged: cut clear of the panel there."
)


def sections_csv(sections: tuple[Section, ...], scan: Scan) -> str:
    """All sections as one table; x, y, z of the fair surface in the scan's own units and frame.

    along_mm and fair_mm are the cut's true shape in its plane (from the chord between its ends),
    scan_mm is the scan's height there; empty where nothing is known.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    for section in sections:
        place = scan.to_file_frame(section.points_mm)
        region = _region_of(section)
        columns = (
            section.run_mm,
            *section.uv_mm.T,
            *place.T,
            *section.fair_mm.T,
            section.scan_mm[:, 1],
            section.deviation_mm,
            section.smooth_mm,
        )
        for k, row in enumerate(zip(*columns, strict=True)):
            numbers = [plain_number(float(value)) for value in row]
            status = STATUS_WORDS[int(section.status[k])]
            writer.writerow([section.name, section.kind, *numbers, status, region[k]])
    return out.getvalue()


def _region_of(section: Section) -> list[str]:
    names = [""] * len(section.run_mm)
    for crossing in reversed(section.crossings):
        inside = (section.run_mm >= crossing.from_mm) & (section.run_mm <= crossing.to_mm)
        for k in np.flatnonzero(inside):
            names[k] = crossing.region
    return names


def board_mm(section: Section) -> Floats:
    """(k, 2) outline of a template: its lower side is the fair surface, seen along the cut.

    Where nothing was judged between two stretches it is relieved, so that it cannot bear there.
    """
    edges = _edges(section)
    parts = [edges[0]]
    for gap, edge in zip(_gaps(section), edges[1:], strict=True):
        parts += [gap[1:-1], edge]
    side = np.vstack(parts)
    top = max(float(edge[:, 1].max()) for edge in edges) + BOARD_MM
    ends = np.array([[side[-1, 0], top], [side[0, 0], top]])
    return np.vstack([side, ends, side[:1]])


def _edges(section: Section) -> list[Floats]:
    """The fair surface along each judged stretch."""
    return [section.fair_mm[stretch] for stretch in section.stretches]


def _gaps(section: Section) -> list[Floats]:
    """(4, 2) way of the board's lower side from each judged stretch to the next: up, over, down."""
    edges = _edges(section)
    gaps = []
    for before, after in pairwise(edges):
        start, end = before[-1], after[0]
        level = max(start[1], end[1]) + _RELIEF_MM
        gaps.append(np.array([start, [start[0], level], [end[0], level], end]))
    return gaps


def template(section: Section) -> Drawing:
    """A section's board with its scan, a tick every 50 mm, and the highs and lows it crosses."""
    edges = _edges(section)
    left, right = float(edges[0][0, 0]), float(edges[-1][-1, 0])
    top = float(board_mm(section)[:, 1].max())
    frame = np.array([edges[-1][-1], [right, top], [left, top], edges[0][0]])
    strokes = [
        *(Stroke(line, 0.35) for line in (*edges, frame)),
        Stroke(section.within(section.scan_mm), 0.2, "dashed", PALE),
    ]
    lettering = []
    for gap in _gaps(section):
        strokes.append(Stroke(gap, 0.25, "dashed"))
        x, y = gap[1:3].mean(axis=0).tolist()
        lettering.append(Lettering(x, y + 4.0, NO_WORD, 2.5))
    for stretch in section.stretches:
        marks = _ticks(section, stretch, top)
        strokes += marks[0]
        lettering += marks[1]
    for crossing in section.crossings:
        for run in (crossing.from_mm, crossing.to_mm):
            x, y = _at(section, run)
            strokes.append(Stroke(np.array([[x, y], [x, y + 14.0]]), 0.3))
        x, y = _at(section, 0.5 * (crossing.from_mm + crossing.to_mm))
        words = f"{crossing.region} {signed(crossing.peak_mm)}"
        lettering.append(Lettering(x, y + 18.0, words, 3.5, bold=True))
    first, last = SECTION_ENDS[section.kind]
    level = top - 6.0
    names = max(1, round((right - left) / _NAME_EVERY_MM))
    lettering += [
        Lettering(left + share * (right - left), level, section.name, 5.0, bold=True)
        for share in (np.arange(names) + 0.5) / names
    ]
    lettering += [
        Lettering(left + 16.0, level, first, 2.5),
        Lettering(right - 16.0, level, last, 2.5),
    ]
    return Drawing(f"{section.name} {section.where}", tuple(strokes), tuple(lettering), _NOTE)


def _ticks(section: Section, stretch: slice, top: float) -> tuple[list[Stroke], list[Lettering]]:
    """A tick every 50 mm of tape along a judged stretch, lettered where there is room."""
    first, last = section.run_mm[stretch][[0, -1]].tolist()
    strokes, lettering = [], []
    for number in range(ceil(first / _TICK_EVERY_MM), floor(last / _TICK_EVERY_MM) + 1):
        run = number * _TICK_EVERY_MM
        x, y = _at(section, run)
        strokes.append(Stroke(np.array([[x, y], [x, y + 5.0]]), 0.2))
        if run and y + 12.0 < top:
            lettering.append(Lettering(x, y + 8.0, f"{run:.0f}", 2.5))
    return strokes, lettering


def _at(section: Section, run_mm: float) -> tuple[float, float]:
    known = np.isfinite(section.fair_mm).all(axis=1)
    run = section.run_mm[known]
    x, y = (float(np.interp(run_mm, run, section.fair_mm[known, k])) for k in (0, 1))
    return x, y


def sections_dxf(sections: tuple[Section, ...]) -> bytes:
    """All sections under one another in one DXF in mm, at full size.

    Layers: BOARD (closed, to cut), FAIR, SCAN, NAMES.
    """
    from ezdxf import units
    from ezdxf._options import options
    from ezdxf.filemanagement import new

    # No dates and no random numbers: the same result gives the same bytes.
    options.write_fixed_meta_data_for_testing = True
    drawing = new("R2010")
    drawing.units = units.MM
    for layer, colour in (("BOARD", 7), ("FAIR", 3), ("SCAN", 1), ("NAMES", 8)):
        drawing.layers.add(layer, color=colour)
    space = drawing.modelspace()
    base = 0.0
    for section in sections:
        board = board_mm(section)
        shift = np.array([0.0, base - float(board[:, 1].max())])
        space.add_lwpolyline(board[:-1] + shift, close=True, dxfattribs={"layer": "BOARD"})
        for layer, line in (("FAIR", section.fair_mm), ("SCAN", section.scan_mm)):
            for run in _runs(section.within(line)):
                space.add_lwpolyline(run + shift, dxfattribs={"layer": layer})
        for gap in _gaps(section):
            word = space.add_text(NO_WORD, height=3.0, dxfattribs={"layer": "NAMES"})
            word.set_placement((gap[1] + shift + [2.0, 3.0]).tolist())
        name = space.add_text(
            f"{section.name} {section.where}", height=5.0, dxfattribs={"layer": "NAMES"}
        )
        name.set_placement((float(board[:, 0].min()) + 8.0, base - 12.0))
        base += float(board[:, 1].min() - board[:, 1].max()) - 20.0
    # Written as a set's order has it otherwise.
    for kind in sorted(drawing.entitydb.dxf_types_in_use()):
        drawing.classes.add_class(kind)
    out = io.StringIO()
    drawing.write(out)
    return out.getvalue().encode("utf-8")


def _runs(line: Floats) -> list[Floats]:
    """The known stretches of a line, each of two places or more."""
    known = np.flatnonzero(np.isfinite(line).all(axis=1))
    runs = np.split(known, np.flatnonzero(np.diff(known) > 1) + 1)
    return [line[run] for run in runs if len(run) > 1]

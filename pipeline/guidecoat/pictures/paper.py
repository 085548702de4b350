"""Full-size drawings on A4 or A3: tiles that overlap, with register marks and a check ruler."""

from __future__ import annotations

import io
import math
import textwrap
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..errors import SettingsError
from ..wording.plain import shown
from .drawing import INK, PALE, Drawing, Lettering, Stroke, cross

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.backends.backend_pdf import PdfPages
    from matplotlib.figure import Figure

_MM_PER_INCH = 25.4
_MM_PER_POINT = 25.4 / 72.0
_CAP_SHARE = 0.73  # height of a capital over the size of the lettering, DejaVu Sans
_MARGIN_MM = 10.0
_FOOT_MM = 14.0
_RULER_MM = 100.0
_MOST_PAGES = 400
_LETTERS_A_LINE = 125
_FAINT = "#b8b8b8"

OVERLAP_MM = 10.0
"""Strip that neighbouring tiles share, with a register mark amid it at each corner."""


@dataclass(frozen=True)
class Paper:
    """A sheet on its side, in mm."""

    name: str
    width_mm: float
    height_mm: float

    @property
    def window_mm(self) -> tuple[float, float]:
        """Width and height of the part of a drawing that one sheet shows."""
        return (
            self.width_mm - 2.0 * _MARGIN_MM,
            self.height_mm - 2.0 * _MARGIN_MM - _FOOT_MM,
        )


PAPERS = {"a4": Paper("A4", 297.0, 210.0), "a3": Paper("A3", 420.0, 297.0)}
"""ISO 216 sizes."""


@dataclass(frozen=True)
class Tile:
    """One sheet of a drawing: its column and row from the top left, and its window's corner."""

    column: int
    row: int
    x0_mm: float
    y0_mm: float


def paper_named(name: str) -> Paper:
    """The paper of a name, a4 or a3.

    Raises
    ------
    SettingsError : there is no such paper here.
    """
    if name.lower() not in PAPERS:
        raise SettingsError(f'--paper "{name}": choose {" or ".join(PAPERS)}')
    return PAPERS[name.lower()]


def tiles(drawing: Drawing, paper: Paper) -> tuple[Tile, ...]:
    """The sheets that a drawing needs, row by row from the top left; blank ones left out."""
    x0, y0, x1, y1 = drawing.box_mm
    wide, tall = paper.window_mm
    columns = _count(x1 - x0, wide)
    rows = _count(y1 - y0, tall)
    step_x, step_y = wide - OVERLAP_MM, tall - OVERLAP_MM
    # The drawing lies in the middle of its sheets.
    left = 0.5 * (x0 + x1) - 0.5 * (columns * step_x + OVERLAP_MM)
    top = 0.5 * (y0 + y1) + 0.5 * (rows * step_y + OVERLAP_MM)
    found = [
        Tile(c, r, left + c * step_x, top - tall - r * step_y)
        for r in range(rows)
        for c in range(columns)
    ]
    return tuple(t for t in found if _touches(drawing, t, paper))


def tiled_pdf(drawings: Sequence[Drawing], paper: Paper, *, name: str) -> bytes:
    """A PDF of all drawings at 1:1, each after a plan of its sheets where it needs several.

    Raises
    ------
    SettingsError : more than 400 sheets would be needed.
    """
    import matplotlib
    from matplotlib.backends.backend_pdf import PdfPages

    laid = [(drawing, tiles(drawing, paper)) for drawing in drawings]
    pages = sum(len(t) for _, t in laid)
    if pages > _MOST_PAGES:
        raise SettingsError(
            f"full size needs {pages} sheets of {paper.name}, more than {_MOST_PAGES}: ask for "
            "fewer sections, or for a3"
        )
    out = io.BytesIO()
    with matplotlib.rc_context(), warnings.catch_warnings():
        matplotlib.rcdefaults()
        matplotlib.rcParams.update({"text.parse_math": False, "path.simplify": False})
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        # No dates: the same result gives the same bytes.
        told = {"CreationDate": None, "Title": shown(name), "Creator": "guidecoat"}
        with PdfPages(out, metadata=told) as pdf:
            for drawing, sheets in laid:
                if len(sheets) > 1:
                    _plan(pdf, drawing, sheets, paper, name)
                for number, tile in enumerate(sheets, start=1):
                    _sheet(pdf, drawing, tile, paper, name, f"sheet {number} of {len(sheets)}")
    return out.getvalue()


def _count(length_mm: float, window_mm: float) -> int:
    return max(1, math.ceil((length_mm - OVERLAP_MM) / (window_mm - OVERLAP_MM) - 1e-9))


def _touches(drawing: Drawing, tile: Tile, paper: Paper) -> bool:
    wide, tall = paper.window_mm
    x1, y1 = tile.x0_mm + wide, tile.y0_mm + tall
    return any(_crosses(s, tile.x0_mm, tile.y0_mm, x1, y1) for s in drawing.strokes)


def _crosses(stroke: Stroke, x0: float, y0: float, x1: float, y1: float) -> bool:
    """Whether a part of a stroke may lie in a window; all of a filled one counts as inside."""
    a, b = stroke.xy_mm[:-1], stroke.xy_mm[1:]
    low, high = np.fmin(a, b), np.fmax(a, b)
    if stroke.fill is not None:
        low, high = low.min(axis=0, keepdims=True), high.max(axis=0, keepdims=True)
    over = (low[:, 0] <= x1) & (high[:, 0] >= x0) & (low[:, 1] <= y1) & (high[:, 1] >= y0)
    return bool(over.any())


def _page(paper: Paper) -> Figure:
    from matplotlib.figure import Figure

    return Figure(figsize=(paper.width_mm / _MM_PER_INCH, paper.height_mm / _MM_PER_INCH))


def _axes(
    figure: Figure, paper: Paper, box: tuple[float, float, float, float], corner: tuple[float, ...]
) -> Axes:
    """Axes over a box of the page (x, y, width, height, mm), in mm from `corner` on."""
    x, y, wide, tall = box
    axes = figure.add_axes(
        (x / paper.width_mm, y / paper.height_mm, wide / paper.width_mm, tall / paper.height_mm)
    )
    axes.set_xlim(corner[0], corner[0] + corner[2] * wide)
    axes.set_ylim(corner[1], corner[1] + corner[2] * tall)
    axes.axis("off")
    return axes


def _sheet(
    pdf: PdfPages, drawing: Drawing, tile: Tile, paper: Paper, name: str, number: str
) -> None:
    figure = _page(paper)
    wide, tall = paper.window_mm
    box = (_MARGIN_MM, _MARGIN_MM + _FOOT_MM, wide, tall)
    axes = _axes(figure, paper, box, (tile.x0_mm, tile.y0_mm, 1.0))
    x1, y1 = tile.x0_mm + wide, tile.y0_mm + tall
    inside = [s for s in drawing.strokes if _crosses(s, tile.x0_mm, tile.y0_mm, x1, y1)]
    _draw(axes, inside, drawing.lettering, scale=1.0)
    half = 0.5 * OVERLAP_MM
    for x in (tile.x0_mm + half, x1 - half):
        for y in (tile.y0_mm + half, y1 - half):
            _draw(axes, cross(x, y, half), (), scale=1.0)
    rim = Stroke(_frame(tile, paper), 0.15, "dotted", PALE)
    _draw(axes, [rim], (), scale=1.0)
    place = f"row {tile.row + 1}, column {tile.column + 1}"
    _foot(figure, paper, f"{name}: {drawing.title}", f"{number}, {place}", ruler=True)
    pdf.savefig(figure)  # type: ignore[no-untyped-call]


def _plan(pdf: PdfPages, drawing: Drawing, sheets: Sequence[Tile], paper: Paper, name: str) -> None:
    """The whole drawing made small, with the sheets' frames and numbers."""
    figure = _page(paper)
    wide, tall = paper.window_mm
    x0, y0 = min(t.x0_mm for t in sheets), min(t.y0_mm for t in sheets)
    x1, y1 = max(t.x0_mm for t in sheets) + wide, max(t.y0_mm for t in sheets) + tall
    room = tall - 24.0
    scale = max((x1 - x0) / wide, (y1 - y0) / room)
    axes = _axes(figure, paper, (_MARGIN_MM, _MARGIN_MM + _FOOT_MM, wide, room), (x0, y0, scale))
    # Numbers lie pale and beneath: what they would cover is what the sheets are laid by.
    for number, tile in enumerate(sheets, start=1):
        frame = Stroke(_frame(tile, paper), 0.2 * scale, "dashed", PALE)
        _draw(axes, [frame], [], scale=scale)
        middle = tile.x0_mm + 0.5 * wide, tile.y0_mm + 0.5 * tall
        _write(axes, *middle, str(number), 8.0, align="center", colour=_FAINT)
    _draw(axes, drawing.strokes, drawing.lettering, scale=scale, least_mm=2.2)
    head = _axes(figure, paper, (_MARGIN_MM, paper.height_mm - 32.0, wide, 22.0), (0.0, 0.0, 1.0))
    lines = (
        *textwrap.wrap(drawing.note, _LETTERS_A_LINE),
        f"{len(sheets)} sheets of {paper.name}. Print them at 100 % (actual size, never fit to "
        "page) and measure the ruler of each.",
        "Lay neighbouring sheets over one another until the crosses at their corners meet; the "
        f"strips overlap by {OVERLAP_MM:g} mm.",
    )
    for k, line in enumerate(lines):
        _write(head, 0.0, 19.0 - 5.0 * k, line, 2.6, align="left")
    _foot(
        figure, paper, f"{name}: {drawing.title}", "plan of the sheets, not to scale", ruler=False
    )
    pdf.savefig(figure)  # type: ignore[no-untyped-call]


def _frame(tile: Tile, paper: Paper) -> NDArray[np.float64]:
    """(5, 2) rim of a tile's window, in the drawing's mm."""
    wide, tall = paper.window_mm
    corner = np.array([tile.x0_mm, tile.y0_mm])
    return corner + np.array([[0, 0], [wide, 0], [wide, tall], [0, tall], [0, 0]])


def _foot(figure: Figure, paper: Paper, title: str, number: str, *, ruler: bool) -> None:
    wide = paper.window_mm[0]
    axes = _axes(figure, paper, (_MARGIN_MM, _MARGIN_MM, wide, _FOOT_MM), (0.0, 0.0, 1.0))
    start = wide - _RULER_MM - 1.0
    _write(axes, 0.0, 7.5, _shortened(title, 0.5 * start), 2.8, align="left", bold=True)
    _write(axes, 0.0, 2.5, number, 2.5, align="left")
    if not ruler:
        return
    _draw(axes, [Stroke(np.array([[start, 8.0], [start + _RULER_MM, 8.0]]), 0.3)], (), scale=1.0)
    for k in range(11):
        tick = 4.0 if k % 5 == 0 else 2.5
        mark = np.array([[start + 10.0 * k, 8.0 - tick], [start + 10.0 * k, 8.0]])
        _draw(axes, [Stroke(mark, 0.2)], (), scale=1.0)
    told = "100 mm: measure it. Print at 100 %, never fit to page."
    _write(axes, start + 50.0, 10.8, told, 2.3, align="center")


def _shortened(text: str, most_letters: float) -> str:
    room = max(int(most_letters), 20)
    return text if len(text) <= room else text[: room - 1] + "\u2026"


def _draw(
    axes: Axes,
    strokes: Sequence[Stroke],
    lettering: Sequence[Lettering],
    *,
    scale: float,
    least_mm: float = 0.0,
) -> None:
    """Draw in the axes' own mm; `scale` is how many of them a mm of paper shows."""
    for stroke in strokes:
        points = stroke.width_mm / scale / _MM_PER_POINT
        if stroke.fill is not None:
            axes.fill(*stroke.xy_mm.T, color=stroke.fill, linewidth=0.0)
        axes.plot(
            *stroke.xy_mm.T,
            color=stroke.colour,
            linewidth=max(points, 0.2),
            linestyle=stroke.dash,
            solid_capstyle="butt",
        )
    x0, x1 = axes.get_xlim()
    y0, y1 = axes.get_ylim()
    for one in lettering:
        if x0 <= one.x_mm <= x1 and y0 <= one.y_mm <= y1:
            tall = max(one.tall_mm / scale, least_mm)
            _write(axes, one.x_mm, one.y_mm, one.text, tall, align="center", bold=one.bold)


def _write(
    axes: Axes,
    x: float,
    y: float,
    text: str,
    tall_mm: float,
    *,
    align: str,
    bold: bool = False,
    colour: str = INK,
) -> None:
    axes.text(
        x,
        y,
        shown(text),
        fontsize=tall_mm / _CAP_SHARE / _MM_PER_POINT,
        fontweight="bold" if bold else "normal",
        fontfamily="DejaVu Sans",
        color=colour,
        ha=align,
        va="center",
        clip_on=True,
    )

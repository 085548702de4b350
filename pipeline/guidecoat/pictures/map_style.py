"""Sizes, lines and lettering of the map, and the measuring of text that its layout needs."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

DPI = 200
PX_PER_PT = DPI / 72.0
INK = "#1a1a1a"
PALE_INK = "#595959"
PAPER = "#ffffff"
CREASE_STYLE = (0.0, (9.0, 2.0, 1.5, 2.0))  # long dash, dot

# A name may hold "$" and is never a formula; the rest is a shop drawing's plainness.
RC: dict[Any, Any] = {
    "text.parse_math": False,
    "text.usetex": False,
    "font.family": "DejaVu Sans",
    "font.size": 8.0,
    "hatch.linewidth": 0.5,
    "hatch.color": PALE_INK,
    "path.simplify": True,
    "axes.unicode_minus": False,
}

# One for each reason why something is not judged, in their order: the same on every map.
NOT_JUDGED_HATCHES = ("OO", "xxxx", "++++", "....", "\\\\\\\\", "----", "**", "oooo")
RIPPLE_HATCH = "|||"
LEFT_OUT_HATCH = "////"
OUTLINE_STYLES: dict[str, Literal["solid", "dashed", "dotted"]] = {
    "high": "solid",
    "low": "dashed",
    "ripple": "dotted",
}
# Points: thick for what is out of tolerance, thin for what may be.
SURE_WIDTH, UNSURE_WIDTH = 1.7, 1.0

# Faint: marks that a map shows besides those it is of.
LEFT_STYLE: Literal["dotted"] = "dotted"
LEFT_WIDTH = 1.2

TextSize = Callable[[str, float, bool], tuple[float, float]]
"""Gives the width and height in pixels of a text, of a size in points, bold or not."""


@dataclass(frozen=True)
class Page:
    """The page, its map and its column of keys, in inches from the lower left corner."""

    width: float
    height: float
    map_left: float
    map_bottom: float
    map_width: float
    map_height: float
    column_left: float
    column_width: float
    table_top: float


@dataclass(frozen=True, eq=False)
class Sheet:
    """What the drawing functions draw on."""

    figure: Figure
    axes: Axes
    page: Page
    text_size: TextSize

    def shortened(self, text: str, points: float, width_in: float, *, bold: bool = False) -> str:
        """The text, cut with an ellipsis where it is wider than `width_in` inches."""
        return shortened(self.text_size, text, points, width_in, bold=bold)

    def wrapped(
        self, text: str, points: float, width_in: float, *, bold: bool = False
    ) -> list[str]:
        """The text in lines of at most `width_in` inches."""
        return wrapped(self.text_size, text, points, width_in, bold=bold)

    def write(
        self,
        x_in: float,
        y_in: float,
        text: str,
        points: float,
        *,
        bold: bool = False,
        colour: str = INK,
        align: str = "left",
    ) -> None:
        """Text on the page, its base line at `y_in`."""
        self.figure.text(
            x_in / self.page.width,
            y_in / self.page.height,
            text,
            fontsize=points,
            fontweight="bold" if bold else "normal",
            color=colour,
            ha=align,
            va="baseline",
        )


def shortened(
    text_size: TextSize, text: str, points: float, width_in: float, *, bold: bool = False
) -> str:
    """The text, cut with an ellipsis where it is wider than `width_in` inches."""
    limit = width_in * DPI
    if text_size(text, points, bold)[0] <= limit:
        return text
    low, high = 0, len(text)
    while low < high:
        middle = (low + high + 1) // 2
        fits = text_size(text[:middle].rstrip() + "\u2026", points, bold)[0] <= limit
        low, high = (middle, high) if fits else (low, middle - 1)
    return text[:low].rstrip() + "\u2026"


def wrapped(
    text_size: TextSize, text: str, points: float, width_in: float, *, bold: bool = False
) -> list[str]:
    """The text in lines of at most `width_in` inches; only a word too long for one is cut."""
    words, lines = text.split(), []
    while words:
        # Measuring is what takes time: halving asks for fewer looks than adding word by word.
        low, high = 1, len(words)
        while low < high:
            middle = (low + high + 1) // 2
            fits = text_size(" ".join(words[:middle]), points, bold)[0] <= width_in * DPI
            low, high = (middle, high) if fits else (low, middle - 1)
        lines.append(" ".join(words[:low]))
        words = words[low:]
    return [shortened(text_size, one, points, width_in, bold=bold) for one in lines]


def measuring(canvas: FigureCanvasAgg) -> TextSize:
    """A function that gives the width and height in pixels of a text in the map's lettering."""
    from matplotlib.font_manager import FontProperties

    renderer = canvas.get_renderer()  # type: ignore[no-untyped-call]
    fonts: dict[tuple[float, bool], FontProperties] = {}

    # The page is planned before it is drawn, and both measure the same lines.
    @cache
    def text_size(text: str, points: float, bold: bool) -> tuple[float, float]:
        key = (points, bold)
        if key not in fonts:
            weight = "bold" if bold else "normal"
            fonts[key] = FontProperties(family="DejaVu Sans", size=points, weight=weight)
        width, height, _ = renderer.get_text_width_height_descent(text, fonts[key], False)
        return float(width), float(height)

    return text_size

"""Footprints of marks: which cells they take up, how large they are, and what lies round them."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]
Window = tuple[slice, slice]


class Marked(Protocol):
    """Anything that takes up cells: a mark, or the region it became."""

    @property
    def footprint(self) -> Mask:
        """(nu, nv) bool, its cells."""


def footprints_of(marks: Iterable[Marked], shape: tuple[int, ...]) -> Mask:
    """(nu, nv) bool, cells of the footprint of any of them."""
    taken = np.zeros(shape, bool)
    for mark in marks:
        taken |= mark.footprint
    return taken


def window_round(footprint: Mask, margin_cells: float = 0.0) -> Window:
    """The part of a grid that holds a footprint, of one cell at least, and a margin all round it,
    as far as the grid goes: looking there costs what the mark is large, not what the panel is.
    """
    margin = int(np.ceil(margin_cells))
    along, across = (np.flatnonzero(footprint.any(axis=axis)) for axis in (1, 0))
    return (
        slice(max(int(along[0]) - margin, 0), int(along[-1]) + margin + 1),
        slice(max(int(across[0]) - margin, 0), int(across[-1]) + margin + 1),
    )


def ring_round(
    footprint: Mask, among: Mask, *, from_mm: float, to_mm: float, cell_mm: float
) -> tuple[Window, Mask]:
    """Which cells of some lie farther than `from_mm` from a footprint, and no farther than `to_mm`.

    Returns
    -------
    window : where the ring lies; ring : bool, over the window.
    """
    window = window_round(footprint, to_mm / cell_mm + 1.0)
    away = ndimage.distance_transform_edt(~footprint[window]) * cell_mm
    return window, among[window] & (away > from_mm) & (away <= to_mm)


def reaches(footprint: Mask, cells: Mask) -> bool:
    """Whether a footprint reaches some of the cells or lies beside them."""
    window = window_round(footprint, 1.0)
    return bool((ndimage.binary_dilation(footprint[window]) & cells[window]).any())


def length_and_width(footprint: Mask, side: float) -> tuple[float, float]:
    """How long and wide (mm) a footprint is, followed round its bends: an ellipse's diameters."""
    whole = ndimage.binary_fill_holes(np.pad(footprint[window_round(footprint)], 1))
    width = 2.0 * float(ndimage.distance_transform_edt(whole).max()) * side
    area = float(whole.sum()) * side**2
    return max(area / (0.25 * np.pi * width), width), width

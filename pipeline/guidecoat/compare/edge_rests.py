"""What is left between two panels' edges where one is laid on the other."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from ..outline.edges import Edge
from .hanging import EdgeRest, edge_frames, inner_stations
from .huber import huber_fit
from .outlines import OVERLAP, Outlines
from .passes import Pass

Floats = NDArray[np.float64]

# Over so wide a window a knock has little say: it is no matter of hanging.
_WINDOW_RADIUS_MM = 40.0
_FEWEST_BESIDE = 20
# Along an edge what lies between the two is bent no more than a polynomial of the fourth degree.
_BENT_TERMS, _FEWEST_BENT = 5, 9
_NEAR_MM, _SAME_WAY = 40.0, 0.7
_FEWEST_ON_A_LINE, _FEWEST = 5, 3
# Ends of coverage lie apart at random; edges of two sides follow each other.
_MOST_SCATTER_MM = 0.4


def edge_rests(subject: Pass, other: Pass, outlines: Outlines | None) -> tuple[EdgeRest, ...]:
    """What is left at the edges of the subject's outline, off its corners."""
    result = subject.result
    apart = subject.off_mm - other.off_mm
    where = np.nonzero(np.isfinite(apart))
    cells = np.column_stack([result.cells.u_mm[where], result.cells.v_mm[where]])
    skin = cKDTree(cells)
    noise = float(np.nanmedian(np.hypot(subject.noise_mm, other.noise_mm)))
    read = None if outlines is None else outlines.apart(other.T_reference_scan)
    out = []
    for line in result.edges:
        part, frames = inner_stations(line), edge_frames(result.chart, line)
        if frames is None:
            continue
        proud = _proud(line.edge, part, skin, apart[where])
        narrower, doubt = _narrower(frames[0], frames[2], read)
        out.append(EdgeRest(line.name, *frames, proud, noise, narrower, doubt))
    return tuple(out)


def _proud(edge: Edge, part: slice, skin: cKDTree, apart: Floats) -> Floats:
    """(s,) how far the subject stands above the other at its edge, from what the cells beside each
    station lead to, bent as they are towards it; NaN where there are too few.
    """
    stations, inward = edge.station_uv[part], edge.inward_uv[part]
    out = np.full(len(stations), np.nan)
    band = cKDTree(edge.line_uv).query(stations)[0]
    for k, near in enumerate(skin.query_ball_point(stations, _WINDOW_RADIUS_MM)):
        if len(near) < _FEWEST_BESIDE:
            continue
        step = (skin.data[near] - stations[k]) / _WINDOW_RADIUS_MM
        inboard = step @ inward[k] + band[k] / _WINDOW_RADIUS_MM
        along = step @ np.array([-inward[k, 1], inward[k, 0]])
        basis = np.column_stack([np.ones(len(near)), inboard, inboard**2, along])
        out[k] = huber_fit(basis, apart[near])[0][0]
    known = np.isfinite(out)
    if known.sum() < _FEWEST_BENT:
        return out
    # What each station reads is off by more than two edges part and meet again along each other.
    place = np.linspace(-1.0, 1.0, len(stations))[:, None] ** np.arange(_BENT_TERMS)
    basis = np.linalg.qr(place[known])[0]
    out[known] = basis @ huber_fit(basis, out[known])[0]
    return out


def _narrower(
    stations: Floats, outward: Floats, read: tuple[Floats, Floats, Floats] | None
) -> tuple[Floats, float]:
    """(s,) how far the subject's edge lies beyond the other's, as a straight line along it, and the
    standard uncertainty of that.
    """
    unknown = np.full(len(stations), np.nan), np.nan
    if read is None:
        return unknown
    beyond, places, ways = read
    gap, at = cKDTree(stations).query(places)
    here = (gap < _NEAR_MM) & ((ways * outward[at]).sum(axis=1) > _SAME_WAY)
    if here.sum() < _FEWEST:
        return unknown
    terms = 2 if here.sum() >= _FEWEST_ON_A_LINE else 1
    place = np.linspace(-1.0, 1.0, len(stations))
    basis = np.column_stack([np.ones(len(stations)), place])[:, :terms]
    line, spread, scatter = huber_fit(basis[at[here]], -beyond[here])
    if scatter > _MOST_SCATTER_MM:
        return unknown
    doubt = np.einsum("si,ij,sj->s", basis, spread, basis).max()
    return basis @ line, float(scatter * np.sqrt(OVERLAP * doubt))

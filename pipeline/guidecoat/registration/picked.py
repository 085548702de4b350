"""What points picked on both scans hold, where the shape of a panel leaves a motion open."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ..errors import ScanUnfitError
from .result import OPEN_FACTOR, Registration, WeakDirection, largest_sigma, read_only
from .rigid import compose, move, pair_rows, stepped, umeyama
from .settings import RegistrationSettings

Array = NDArray[np.float64]
# People pick a spot to half a millimetre at best (choice).
_PICKED_MM = 0.5
# Pairs so many times farther off than they are among themselves, and so far, say of a placing that
# it is wrong (choice).
_CONTRADICTS, _CONTRADICTS_MM = 5.0, 3.0
PAIRS = "pairs"


def held_by_pairs(
    found: Registration, pairs: tuple[Array, Array], settings: RegistrationSettings
) -> Registration:
    """A placing with what picked points say of the motions that nothing else holds.

    Skin and rims with their covariance, and the pairs with theirs, are put together by weighted
    least squares: where the shape holds, pairs picked by hand change nothing. Where what is left
    over hangs together, the shape counts as a single reading.

    Parameters
    ----------
    pairs : (k, 3) mm in the source's frame and in the target's, k >= 3.

    Raises
    ------
    ScanUnfitError : the placing and the pairs contradict each other.
    """
    _, rotation, shift = umeyama(*pairs)
    off = move(compose(rotation, shift), pairs[0]) - pairs[1]
    sigma = max(_PICKED_MM, float(np.sqrt((off**2).sum() / max(off.size - 6, 1))))
    # Where a change all over drew the placing along, spots that are known say more than it does.
    hangs, found = found.hangs, found.widened()
    free = [w for w in found.weak_directions if (hangs or w.held_by == "nothing") and not w.rival]
    held = _moved(found, free, pairs, sigma, settings) if free or hangs else found
    left = move(held.T_target_source, pairs[0]) - pairs[1]
    apart = float(np.sqrt((left**2).sum(axis=1).mean()))
    if apart > max(_CONTRADICTS * sigma, _CONTRADICTS_MM):
        raise ScanUnfitError(
            f"The picked points lie {apart:.1f} mm apart where the scans' skin and edges lie on "
            f"each other; among themselves they agree to {sigma:.1f} mm. Check that each pair "
            "names the same spot; if so, one scan ends where the other goes on: scan both to the "
            "panel's edges, or both in one frame and say --already-aligned."
        )
    return held


def _moved(
    found: Registration,
    free: list[WeakDirection],
    pairs: tuple[Array, Array],
    sigma: float,
    settings: RegistrationSettings,
) -> Registration:
    there = move(found.T_target_source, pairs[0])
    rows = pair_rows(there, found.centre_mm, 1.0) / sigma
    apart = (pairs[1] - there).ravel() / sigma
    covariance: Array = np.asarray(
        np.linalg.inv(np.linalg.inv(found.covariance) + rows.T @ rows), np.float64
    )
    step = covariance @ (rows.T @ apart)
    weak = tuple(
        _held(w, covariance, settings) if any(w is open_ for open_ in free) else w
        for w in found.weak_directions
    )
    return replace(
        found,
        T_target_source=read_only(stepped(found.T_target_source, step, found.centre_mm, 1.0)),
        covariance=read_only(covariance),
        weak_directions=weak,
        slide_mm=largest_sigma(covariance[3:, 3:]),
        turn_mrad=1e3 * largest_sigma(covariance[:3, :3]),
    )


def _held(weak: WeakDirection, covariance: Array, settings: RegistrationSettings) -> WeakDirection:
    """A direction with what is left open of it, held by the pairs if that is little."""
    turns = weak.kind == "turn"
    block = covariance[:3, :3] if turns else covariance[3:, 3:]
    left = float(np.sqrt(weak.direction @ block @ weak.direction)) * (1e3 if turns else 1.0)
    most = OPEN_FACTOR * (settings.weak_turn_mrad if turns else settings.weak_slide_mm)
    return replace(weak, uncertainty=left, held_by=PAIRS if left <= most else weak.held_by)

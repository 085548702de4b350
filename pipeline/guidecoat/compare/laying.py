"""Two panels of a kind, one of them perhaps reflected, laid on each other or refused in words."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ..errors import ScanUnfitError
from ..registration import Registration, RegistrationSettings, remedy_words, require_observable
from ..registration.rigid import move
from ..scans.scan import Scan
from .placing import place_scan, read_pairs

Floats = NDArray[np.float64]

# Forms of two sides of one panel may differ so much that nothing lies on the other to a millimetre.
_ROUGH = RegistrationSettings(largest_scale_mm=4.0, least_agreement=0.0)


@dataclass(frozen=True)
class Told:
    """What was said of how two files lie.

    already_aligned : they share one frame; pairs : CSV of points picked on both.
    """

    already_aligned: bool = False
    pairs: Path | None = None

    def remedy(self) -> str:
        """What else can be said where that was not enough."""
        return remedy_words(pairs=self.pairs is not None, in_one_frame=self.already_aligned)


@dataclass(frozen=True, eq=False)
class Laid:
    """A panel laid on another.

    motion : (4, 4) mm between local frames; found : the registration; open_ : why the skin and the
    rims as they are do not hold it, None where they do.
    """

    motion: Floats
    found: Registration
    open_: ScanUnfitError | None = None


def read_pairs_of(told: Told, image: Scan, flip: Floats) -> tuple[Floats, Floats] | None:
    """The picked pairs, those of the panel that was reflected by `flip` (4, 4) too."""
    if told.pairs is None:
        return None
    pairs, per_unit = read_pairs(told.pairs), image.units.mm_per_unit
    return move(flip, pairs[0] * per_unit) / per_unit, pairs[1]


def lay(
    image: Scan,
    side: Scan,
    pairs: tuple[Floats, Floats] | None,
    *,
    reflected: bool,
    near: bool,
    turn_known: bool = False,
    remedy: str,
) -> Laid:
    """Lay `image` on `side`.

    Parameters
    ----------
    near : they share one frame but for a few millimetres.
    turn_known : the frames tell which way round it lies.

    Where the forms differ so much that they do not settle from frames or pairs, they are laid on
    roughly, and why they did not settle comes along.

    Raises
    ------
    ScanUnfitError : with the likely reason and the remedy.
    """
    in_one_frame = near or turn_known
    try:
        motion, found = place_scan(
            image, side, pairs=pairs, roughly_aligned=near, turn_known=turn_known
        )
    except ScanUnfitError as error:
        refused = _in_words(error, image, side, reflected=reflected)
        if "mirrored" in str(error) or not (in_one_frame or pairs):
            raise refused from error
        return _roughly(image, side, pairs, refused, in_one_frame=in_one_frame)
    try:
        require_observable(found, remedy)
    except ScanUnfitError as error:
        refused = _in_words(error, image, side, reflected=reflected)
        if near:
            return _roughly(image, side, pairs, refused, in_one_frame=True)
        if not found.loose or any(weak.rival for weak in found.weak_directions):
            raise refused from error
        return Laid(motion, found, refused)
    return Laid(motion, found)


def _roughly(
    image: Scan,
    side: Scan,
    pairs: tuple[Floats, Floats] | None,
    refused: ScanUnfitError,
    *,
    in_one_frame: bool,
) -> Laid:
    """As they lie in their one frame; where they lie several millimetres apart there, or frames
    of their own, roughly settled.
    """
    try:
        if in_one_frame and pairs is None:
            motion, found = place_scan(image, side, already_aligned=True)
            return Laid(motion, found, refused)
    except ScanUnfitError:
        pass
    try:
        near = pairs is None
        motion, found = place_scan(image, side, pairs=pairs, roughly_aligned=near, settings=_ROUGH)
    except ScanUnfitError:
        raise refused from None
    return Laid(motion, found, refused)


def _in_words(error: ScanUnfitError, image: Scan, side: Scan, *, reflected: bool) -> ScanUnfitError:
    words = str(error)
    if reflected and "mirrored" in words:
        return ScanUnfitError(
            f"{image.name} fits {side.name} as it is and not reflected: both show the same "
            "side. Use `guidecoat compare` for two scans of one panel; with `check --like` say "
            "--like-as same."
        )
    if not reflected and "mirrored" in words:
        words += " With `check --like` say --like-as mirrored."
    return ScanUnfitError(f"{image.name} against {side.name}: {words}")

"""What registration answers."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..errors import ScanUnfitError

Array = NDArray[np.float64]
# So many times the limit for a weak direction, and it counts as free.
OPEN_FACTOR = 20.0
# A turn so near, in quarter turns, to a half or a quarter one is called that.
_PLAIN_TURN = 0.06
# What is left over between the scans beyond so many times their noise is a change, or a tilt.
NOT_NOISE = 5.0
# From that much on, too, where wide blocks are off by such a part of it: on made-up panels with
# and without marks they came to 0.01 to 0.1, with a coat of uneven thickness all over, a bow or a
# wrong scale to 0.7 and more.
HANGS_FROM, HANGS = 1.6, 0.5


@dataclass(frozen=True, eq=False)
class WeakDirection:
    """A motion that the shape of the panel holds badly or not at all.

    Attributes
    ----------
    kind : "slide" (along `direction`) or "turn" (about `direction`).
    direction : (3,) unit vector in the target's frame.
    uncertainty : standard uncertainty, mm for a slide and mrad for a turn, with everything that
        holds it. It is capped at the size of the panel, where nothing does.
    held_by : "edges" where the skin alone leaves it open and the edges of both scans, which
        match, hold it within the limits; "loosely" where it is held worse than the settings'
        limits, which moves marks along the panel but hardly their height; "nothing" where it is
        free (`OPEN_FACTOR` times the limits).
    rival : another placing, so far off, fits as well.
    """

    kind: str
    direction: Array
    uncertainty: float
    held_by: str
    rival: bool = False

    def describe(self) -> str:
        """The direction in words, e.g. `slide along (1.00, 0.00, 0.00) +- 3.1 mm`."""
        if self.rival:
            return f"it fits as well {self.moved()}"
        word, unit = ("along", "mm") if self.kind == "slide" else ("about", "mrad")
        held = {
            "edges": "held by the edges only",
            "pairs": "held by the picked points only",
            "loosely": "held loosely",
            "nothing": "free",
        }
        return (
            f"{self.kind} {word} {self._axis()} +- {self.uncertainty:.2g} {unit}, "
            f"{held[self.held_by]}"
        )

    def moved(self) -> str:
        """What leads to a rival, in words, e.g. `turned by half a turn about (0.00, 1.00, 0)`."""
        if self.kind == "slide":
            return f"{self.uncertainty:.2g} mm further along {self._axis()}"
        quarters = self.uncertainty / (500.0 * np.pi)
        plain = {2: "half a turn", 1: "a quarter turn"}.get(round(quarters))
        if plain is None or abs(quarters - round(quarters)) > _PLAIN_TURN:
            plain = f"{90.0 * quarters:.0f} degrees"
        return f"turned by {plain} about {self._axis()}"

    def _axis(self) -> str:
        return f"({', '.join(f'{value:.2f}' for value in self.direction)})"


@dataclass(frozen=True)
class Start:
    """One start that was tried: where it came from and the share of the scans that agreed."""

    origin: str
    score: float


@dataclass(frozen=True, eq=False)
class Registration:
    """Two scans in one frame; arrays are read-only.

    Attributes
    ----------
    T_target_source : (4, 4) mm, target = T @ source.
    rms_mm : distance left between the averaged cells on the unchanged part.
    scatter_mm, noise_mm : its robust scatter, and what of that is the scans' own noise (NaN
        where the frames were trusted).
    overlap : share of the smaller scan that has a counterpart in the other.
    agreement : share of the overlap that is unchanged.
    weak_directions : see `WeakDirection`; empty when the shape holds everything.
    slide_mm, turn_mrad : largest standard uncertainties of all directions.
    covariance : (6, 6) of the motion left over: a turn (rad) about `centre_mm` and a shift (mm).
    centre_mm : (3,) amid the panel, in the target's frame.
    converged : the last step was below a micrometre.
    starts : the starts compared, best first.
    source_cells_mm : (n, 3) averaged cells of the source, in its own frame.
    unchanged : (n,) cells of the source that took part in the final fit.
    doubt : whether the scans show the same hand, in words; empty where that is plain.
    borders : that the scans' borders are no edges to hold a slide by, in words, where they are not.
    readings, hanging : how many independent readings the unchanged skin counts as, and how far off
        wide blocks of it are, over the scatter.
    size : which scan is larger, in words, where skin and edges say so; nothing was scaled.
    """

    T_target_source: Array
    rms_mm: float
    scatter_mm: float
    noise_mm: float
    overlap: float
    agreement: float
    weak_directions: tuple[WeakDirection, ...]
    slide_mm: float
    turn_mrad: float
    covariance: Array
    centre_mm: Array
    converged: bool
    starts: tuple[Start, ...]
    source_cells_mm: Array
    unchanged: NDArray[np.bool_]
    doubt: str = ""
    borders: str = ""
    readings: float = 1.0
    hanging: float = 0.0
    size: str = ""

    @property
    def loose(self) -> bool:
        """Whether no large part lies on the other scan to within noise: changed all over, or
        tilted so that a broad change is spread thinly.
        """
        return self.scatter_mm > NOT_NOISE * self.noise_mm

    @property
    def hangs(self) -> bool:
        """Whether what is left over is more than noise, though not so much as to be `loose`, and
        hangs together over wide patches: a change all over the panel that the placing followed.
        """
        beyond = HANGS_FROM * self.noise_mm < self.scatter_mm <= NOT_NOISE * self.noise_mm
        return beyond and self.hanging > HANGS

    def widened(self) -> Registration:
        """The same placing with all its doubt as of a single reading, where what is left over
        hangs together; as it is where it doesn't.
        """
        if not self.hangs:
            return self
        more = float(np.sqrt(self.readings))
        weak = tuple(
            w if w.rival else replace(w, uncertainty=more * w.uncertainty)
            for w in self.weak_directions
        )
        return replace(
            self,
            covariance=read_only(more**2 * self.covariance),
            weak_directions=weak,
            slide_mm=more * self.slide_mm,
            turn_mrad=more * self.turn_mrad,
        )

    def doubts(self, what: str, remedy: str) -> tuple[str, ...]:
        """What speaks against the placing, in words; `what` lies between the scans, e.g. a change,
        and `remedy` is for a broad one.
        """
        said = tuple(words for words in (self.size, self.borders, self.doubt) if words)
        if not self.loose:
            return said
        return (
            *said,
            f"no large part of it lies on the other scan to within noise ({self.scatter_mm:.2f} mm "
            f"is left over, noise is {self.noise_mm:.2f} mm), so it may be tilted, and a broad "
            f"{what} spread thinly. {remedy}",
        )

    def inverted(self) -> Registration:
        """The same placing with its directions and doubt in the source's frame."""
        back = self.T_target_source[:3, :3].T
        both = np.kron(np.eye(2), back)
        weak = tuple(
            WeakDirection(w.kind, read_only(back @ w.direction), w.uncertainty, w.held_by)
            for w in self.weak_directions
        )
        return replace(
            self,
            covariance=read_only(both @ self.covariance @ both.T),
            centre_mm=read_only(back @ (self.centre_mm - self.T_target_source[:3, 3])),
            weak_directions=weak,
        )

    def sigma_mm(self, points_mm: Array, directions: Array) -> Array:
        """(n,) standard uncertainty (mm) of the placing of points along unit directions.

        Points and directions are (n, 3), in the target's frame.
        """
        rows = np.concatenate([np.cross(points_mm - self.centre_mm, directions), directions], 1)
        return np.asarray(
            np.sqrt(np.maximum(np.einsum("ni,ij,nj->n", rows, self.covariance, rows), 0.0))
        )


def remedy_words(*, pairs: bool, in_one_frame: bool) -> str:
    """What holds two scans together that do not hold by themselves, but for what was tried.

    Parameters
    ----------
    pairs : points were picked. in_one_frame : the files were said to share one frame.
    """
    if pairs:
        return "Pick more points, farther apart and on spots that are alike (--pairs)."
    picked = "give --pairs on spots that you know on both"
    if in_one_frame:
        return f"Scan both anew in one frame, or {picked}."
    return f"Scan both in one frame and say --already-aligned, or {picked}."


def require_observable(registration: Registration, remedy: str = "") -> None:
    """Refuse a registration that the shape of the panel leaves open.

    Parameters
    ----------
    remedy : what is told to do about it, `remedy_words` of nothing tried where empty.

    Raises
    ------
    ScanUnfitError naming the open directions, with advice.
    """
    remedy = remedy or remedy_words(pairs=False, in_one_frame=False)
    open_ones = [w for w in registration.weak_directions if w.held_by == "nothing"]
    if open_ones and all(w.rival and w.kind == "turn" for w in open_ones):
        listed = "; ".join(w.describe() for w in open_ones)
        raise ScanUnfitError(
            f"The panel's shape does not hold the two scans together: {listed}, so which way round "
            f"it lies is not in the scans. {remedy}"
        )
    if open_ones:
        listed = "; ".join(w.describe() for w in open_ones)
        borders = f" {registration.borders}" if registration.borders else ""
        raise ScanUnfitError(
            f"The panel's shape does not hold the two scans together: {listed}.{borders} "
            f"Scan further, past an edge, an opening or a body line that did not change. {remedy}"
        )


def read_only(array: Array) -> Array:
    """A copy that cannot be written to."""
    copy = np.array(array)
    copy.setflags(write=False)
    return copy


def largest_sigma(covariance: Array) -> float:
    """The largest standard deviation, over all directions, of a (k, k) covariance."""
    return float(np.sqrt(max(np.linalg.eigvalsh(covariance)[-1], 0.0)))

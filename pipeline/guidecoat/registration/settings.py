"""Settings of registration: what may be tried and what counts as held."""

from __future__ import annotations

from dataclasses import dataclass

from ..errors import SettingsError


@dataclass(frozen=True)
class RegistrationSettings:
    """Limits and sizes, lengths in mm, angles in mrad.

    Attributes
    ----------
    cell_mm : smallest side of the averaging cells; 0 lets the scan decide (see `most_cells`).
    most_cells : about how many cells one scan is averaged to.
    weak_slide_mm, weak_turn_mrad : standard uncertainties beyond which a direction is weak.
    noise_floor_mm : residual noise that is assumed at least, whatever the scatter says.
    correlation_mm : distance over which scan errors are taken as one error. Scanner drift and
        stitching make neighbours agree, so cells closer than this count as a single reading.
    largest_change_mm : the most that filler or metal work may have moved the skin.
    largest_scale_mm : robust scatter of the unchanged part beyond which the two do not match.
    least_overlap : share of the smaller scan that has to lie on the other one.
    least_agreement : share of the overlap that has to agree within `agreement_mm`.
    seed : of the random draws; the same seed gives the same result.
    """

    cell_mm: float = 0.0
    most_cells: int = 60_000
    weak_slide_mm: float = 0.05
    weak_turn_mrad: float = 0.1
    noise_floor_mm: float = 0.01
    correlation_mm: float = 25.0
    largest_change_mm: float = 8.0
    largest_scale_mm: float = 0.6
    least_overlap: float = 0.25
    least_agreement: float = 0.5
    agreement_mm: float = 1.0
    seed: int = 20_240_607

    def __post_init__(self) -> None:
        for name in (
            "weak_slide_mm",
            "weak_turn_mrad",
            "noise_floor_mm",
            "correlation_mm",
            "largest_change_mm",
            "largest_scale_mm",
            "agreement_mm",
        ):
            value = getattr(self, name)
            if not value > 0.0:
                raise SettingsError(f"{name} is {value}, it has to be greater than 0.")
        for name in ("least_overlap", "least_agreement"):
            value = getattr(self, name)
            if not 0.0 <= value <= 1.0:
                raise SettingsError(f"{name} is {value}, it has to lie between 0 and 1.")
        if self.cell_mm < 0.0:
            raise SettingsError(f"cell_mm is {self.cell_mm}; give a length in mm, or 0 for auto.")
        if self.most_cells < 2_000:
            raise SettingsError(f"most_cells is {self.most_cells}, at least 2000 are needed.")

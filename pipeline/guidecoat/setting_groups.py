"""The groups of settings: small frozen models that know their own limits."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, Strict, model_validator

Hold = Literal["position", "position+slope", "free"]


def _path_or_none(value: object) -> object:
    """An empty string stands for "no file", since TOML has no word for nothing."""
    if value == "":
        return None
    return Path(value) if isinstance(value, str) else value


FilePath = Annotated[Path | None, BeforeValidator(_path_or_none)]
Share = Annotated[float, Field(gt=0.0, le=1.0)]
FilmUm = Annotated[float, Field(gt=0.0, le=5000.0)]
FillMm = Annotated[float, Field(gt=0.0, le=50.0)]
Grit = Annotated[int, Field(ge=12, le=5000)]
BattenMm = Annotated[float, Field(ge=10.0, le=5000.0)]
LayerMm = Annotated[float, Field(ge=0.0, le=50.0)]


class Group(BaseModel):
    """A group of settings: unknown keys and loose types are refused, nothing changes."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, strict=True, allow_inf_nan=False, hide_input_in_errors=True
    )


class KnownLength(Group):
    """Two points of the scan, in its own coordinates, and the true distance between them in mm."""

    first: Annotated[tuple[float, float, float], Strict(False)]
    second: Annotated[tuple[float, float, float], Strict(False)]
    length_mm: float = Field(gt=0.0, le=100_000.0)

    @model_validator(mode="after")
    def _points_differ(self) -> KnownLength:
        if self.first == self.second:
            raise ValueError("its two points are the same: give two points far apart")
        return self


def known_length_from(value: object) -> object:
    """The flat form X1,Y1,Z1,X2,Y2,Z2,MM, a list in files and text elsewhere; empty is none.

    Raises
    ------
    ValueError : unless it holds seven numbers; pydantic makes it a SettingsError.
    """
    if isinstance(value, str):
        try:
            value = [float(part) for part in value.split(",")]
        except ValueError:
            raise ValueError(f"needs 7 numbers, {_SEVEN}, parted by commas") from None
    if not isinstance(value, (list, tuple)):
        return value
    if not value:
        return None
    if len(value) != 7:
        raise ValueError(f"needs 7 numbers, {_SEVEN}, and has {len(value)}")
    return {"first": value[:3], "second": value[3:6], "length_mm": value[6]}


_SEVEN = "X1,Y1,Z1,X2,Y2,Z2,MM"


class ToleranceSettings(Group):
    """The band either side of the fair surface (+-), and how far the slope may be out."""

    height_mm: float = Field(ge=0.005, le=20.0)
    slope_mrad: float = Field(ge=0.05, le=200.0)


class SurfaceSettings(Group):
    """How long a batten the fair surface is laid with, and the order of its energy."""

    batten_mm: Literal["auto"] | BattenMm
    shortest_batten_mm: BattenMm
    longest_batten_mm: BattenMm
    order: Literal[2, 3]

    @property
    def least_batten_mm(self) -> float:
        """The batten, or the shortest that may be chosen."""
        return self.shortest_batten_mm if self.batten_mm == "auto" else self.batten_mm

    @model_validator(mode="after")
    def _shortest_before_longest(self) -> SurfaceSettings:
        if self.longest_batten_mm < self.shortest_batten_mm:
            raise ValueError(
                f"longest_batten_mm = {self.longest_batten_mm:g} is below shortest_batten_mm = "
                f"{self.shortest_batten_mm:g}: raise the one or lower the other"
            )
        return self


class EdgeSettings(Group):
    """What is held at the edges: for all, for single ones by name, and points from a file."""

    hold: Hold
    inboard_mm: float = Field(ge=0.0, le=100.0)
    hold_points_file: FilePath
    by_name: dict[str, Hold]

    def hold_of(self, name: str) -> Hold:
        """What is held at the edge of this name ("A", "B" ...)."""
        return self.by_name.get(name, self.hold)


class CreaseSettings(Group):
    """Body lines: found, given in a file or off; how the surface hinges there."""

    mode: Literal["auto", "off", "file"]
    file: FilePath
    hinge_band_mm: float = Field(gt=0.0, le=200.0)
    hinge_stiffness: float = Field(gt=0.0, le=1.0)
    knot_mm: float = Field(ge=1.0, le=100.0)

    @model_validator(mode="after")
    def _file_when_asked(self) -> CreaseSettings:
        if self.mode == "file" and self.file is None:
            raise ValueError('mode = "file" needs a file: name one in creases.file')
        return self


class CellSettings(Group):
    """How large the small squares may be in which the scan's points are averaged."""

    smallest_mm: float = Field(ge=0.2, le=50.0)
    largest_share_of_batten: Share
    error_share_of_tolerance: Share


class SlopeSettings(Group):
    """The length over which the surface is smoothed before its slope is judged."""

    smoothing_mm: float = Field(ge=1.0, le=500.0)


class PlanSettings(Group):
    """The shop's figures for filling, spraying and blocking."""

    beneath_mm: Literal["unknown"] | LayerMm
    filler: Literal["standard", "light"]
    filler_caution_mm: FillMm
    filler_metalwork_first_mm: FillMm
    filler_stop_mm: FillMm
    filler_coat_mm: FillMm
    glaze_rule_mm: FillMm
    glaze_limit_mm: FillMm
    density_standard_kg_per_l: float = Field(ge=0.2, le=5.0)
    density_light_kg_per_l: float = Field(ge=0.2, le=5.0)
    mixing_factor: float = Field(ge=1.0, le=5.0)
    hardener_share: float = Field(ge=0.01, le=0.03)
    feather_edge_mm: float = Field(ge=0.0, le=500.0)
    tilt_factor: float = Field(gt=0.0, le=10.0)
    sprayed_polyester_least_um: FilmUm
    sprayed_polyester_most_um: FilmUm
    sprayed_polyester_coats: int = Field(ge=1, le=20)
    blocking_takes_least: Share
    blocking_takes_most: Share
    primer_least_um: FilmUm
    primer_most_um: FilmUm
    primer_levels_least_um: FilmUm
    primer_levels_most_um: FilmUm
    boards_mm: Annotated[tuple[BattenMm, ...], Strict(False), Field(min_length=1)]
    shortest_block_mm: BattenMm
    grits_metal: Annotated[tuple[Grit, ...], Strict(False), Field(min_length=1)]
    grits_filler: Annotated[tuple[Grit, ...], Strict(False), Field(min_length=1)]
    grits_primer: Annotated[tuple[Grit, ...], Strict(False), Field(min_length=1)]
    grit_last_wet: Grit
    light_distance_mm: float = Field(ge=100.0, le=20_000.0)

    @model_validator(mode="after")
    def _in_order(self) -> PlanSettings:
        _require_rising(self, _RISING)
        return self


_RISING = (
    ("filler_caution_mm", "filler_metalwork_first_mm", "filler_stop_mm"),
    ("glaze_rule_mm", "glaze_limit_mm"),
    ("sprayed_polyester_least_um", "sprayed_polyester_most_um"),
    ("blocking_takes_least", "blocking_takes_most"),
    ("primer_least_um", "primer_most_um"),
    ("primer_levels_least_um", "primer_levels_most_um"),
)


def _require_rising(group: Group, rising: tuple[tuple[str, ...], ...]) -> None:
    for keys in rising:
        values = [float(getattr(group, key)) for key in keys]
        if values != sorted(values):
            said = ", ".join(f"{k} = {v:g}" for k, v in zip(keys, values, strict=True))
            raise ValueError(f"{said}: these must not fall from left to right")


class GapSettings(Group):
    """Panel gaps once painted, what paint closes them by, and how flush panels stand."""

    narrowest_mm: float = Field(ge=0.0, le=50.0)
    widest_mm: float = Field(ge=0.0, le=50.0)
    paint_closes_mm: float = Field(ge=0.0, le=5.0)
    flush_mm: float = Field(gt=0.0, le=20.0)
    flush_show_mm: float = Field(gt=0.0, le=20.0)

    @model_validator(mode="after")
    def _in_order(self) -> GapSettings:
        _require_rising(self, (("narrowest_mm", "widest_mm"), ("flush_show_mm", "flush_mm")))
        return self

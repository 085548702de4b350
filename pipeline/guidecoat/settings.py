"""Every figure a shop may change, and how a run's settings are put together.

The figures of a stage stand in `configs/<stage>.toml`. A run takes that file, then the shop's own
files in the order given, then what was said on the command line; later wins.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any, Literal, get_args

from pydantic import BeforeValidator, ValidationError

from .errors import SettingsError
from .setting_groups import (
    CellSettings,
    CreaseSettings,
    EdgeSettings,
    GapSettings,
    Group,
    Hold,
    KnownLength,
    PlanSettings,
    SlopeSettings,
    SurfaceSettings,
    ToleranceSettings,
    known_length_from,
)

__all__ = [
    "DEFAULT_STAGE",
    "STAGES",
    "CellSettings",
    "CreaseSettings",
    "EdgeSettings",
    "GapSettings",
    "Hold",
    "KnownLength",
    "PlanSettings",
    "Settings",
    "SlopeSettings",
    "SurfaceSettings",
    "ToleranceSettings",
    "load_settings",
    "require_edges",
    "resolved",
    "stage_config_path",
]

Stage = Literal["metal", "filler", "primer", "paint"]
UnitsAsked = Literal["auto", "mm", "cm", "m", "in"]
OutsideAsked = Literal["auto", "+x", "-x", "+y", "-y", "+z", "-z"]

STAGES: tuple[str, ...] = get_args(Stage)
DEFAULT_STAGE = "metal"


class Settings(Group):
    """All settings of one run. Lengths in mm, slopes in mrad, films in micrometres (um)."""

    stage: Stage
    units: UnitsAsked
    outside: OutsideAsked
    known_length: Annotated[KnownLength | None, BeforeValidator(known_length_from)]
    tolerance: ToleranceSettings
    surface: SurfaceSettings
    edges: EdgeSettings
    creases: CreaseSettings
    cells: CellSettings
    slope: SlopeSettings
    plan: PlanSettings
    gaps: GapSettings

    @property
    def length_between(self) -> tuple[Sequence[float], Sequence[float], float] | None:
        """The two points of a known length and the mm between them, as `read_scan` takes it."""
        known = self.known_length
        return None if known is None else (known.first, known.second, known.length_mm)

    @property
    def largest_cell_mm(self) -> float:
        """What no cell is wider than, by the shortest batten that the surface may be laid with."""
        return self.cells.largest_share_of_batten * self.surface.least_batten_mm


def stage_config_path(stage: str) -> Path:
    """The built-in file of a stage: inside the installed package, else beside the source root.

    Raises
    ------
    SettingsError : for a name that is no stage, or when the file is missing.
    """
    if stage not in STAGES:
        raise SettingsError(f'stage = "{stage}" is not a stage: use one of {", ".join(STAGES)}')
    package = Path(__file__).resolve().parent
    for folder in (package / "configs", package.parent.parent / "configs"):
        if (folder / f"{stage}.toml").is_file():
            return folder / f"{stage}.toml"
    raise SettingsError(
        f"configs/{stage}.toml is missing from this installation: install guidecoat again"
    )


def load_settings(
    stage: str | None = None,
    configs: Iterable[str | Path] = (),
    overrides: Mapping[str, object] | None = None,
) -> Settings:
    """Put the settings of a run together.

    Parameters
    ----------
    stage : metal, filler, primer or paint; None takes it from the last file of `configs` that
        names one, else `metal`.
    configs : TOML files, later wins. Paths of files inside them are relative to them.
    overrides : what the command line says, by dotted key, e.g. ``{"surface.batten_mm": 300.0}``.

    Raises
    ------
    SettingsError : a file that cannot be read, an unknown key, a wrong type or an impossible
        value; the message names the key, the value, the limit and the file.

    Examples
    --------
    >>> load_settings("primer", overrides={"tolerance.height_mm": 0.2}).tolerance.height_mm
    0.2
    """
    layers = [(Path(path).name, _read_toml(Path(path))) for path in configs]
    named = [layer["stage"] for _, layer in layers if "stage" in layer]
    chosen = stage if stage is not None else (named[-1] if named else DEFAULT_STAGE)
    built_in = stage_config_path(str(chosen))
    merged: dict[str, Any] = {}
    source: dict[str, str] = {}
    for name, layer in [(built_in.name, _read_toml(built_in)), *layers]:
        _merge(merged, layer, source, name)
    for key, value in {**(overrides or {}), "stage": chosen}.items():
        _merge(merged, _nested(key, value), source, "the command line")
    try:
        settings = Settings.model_validate(merged)
    except ValidationError as error:
        raise SettingsError(_explained(error, merged, source)) from error
    _require_files(settings, source)
    return settings


def resolved(settings: Settings) -> dict[str, Any]:
    """All settings as plain JSON values, for saving beside a result."""
    return settings.model_dump(mode="json")


def require_edges(names: Iterable[str], settings: Settings) -> None:
    """Refuse settings for single edges that the panel does not have.

    Parameters
    ----------
    names : of the edges there are.

    Raises
    ------
    SettingsError : a name in `edges.by_name` is none of them.
    """
    there = sorted(names)
    for name, hold in settings.edges.by_name.items():
        if name not in there:
            known = f"its edges are {', '.join(there)}" if there else "it has none"
            raise SettingsError(
                f'edges.by_name: {name} = "{hold}": this panel has no edge {name}, {known} '
                "(map.png shows them)"
            )


def _read_toml(path: Path) -> dict[str, Any]:
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise SettingsError(
            f"{path}: not UTF-8 text (byte {error.start}): save the file as UTF-8"
        ) from error
    except OSError as error:
        raise SettingsError(
            f"{path}: cannot be read ({error.strerror}): check the name given with --config"
        ) from error
    try:
        layer = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(f"{path}: not a TOML file: {error}") from error
    for key in _FILE_KEYS:
        group, name = key.split(".")
        inner = layer.get(group)
        if isinstance(inner, dict) and isinstance(inner.get(name), str) and inner[name]:
            inner[name] = str(path.parent / inner[name])
    return layer


def _require_files(settings: Settings, source: dict[str, str]) -> None:
    for key in _FILE_KEYS:
        group, name = key.split(".")
        path: Path | None = getattr(getattr(settings, group), name)
        if path is not None and not path.is_file():
            raise SettingsError(
                f"{source[key]}: {key} = {str(path)!r}: there is no such file: check the name"
            )


_FILE_KEYS = ("edges.hold_points_file", "creases.file")


def _nested(key: str, value: object) -> dict[str, Any]:
    nested: Any = value
    for part in reversed(key.split(".")):
        nested = {part: nested}
    return dict(nested)


def _merge(
    into: dict[str, Any], layer: Mapping[str, Any], source: dict[str, str], name: str, at: str = ""
) -> None:
    for key, value in layer.items():
        path = f"{at}{key}"
        source[path] = name
        if isinstance(value, dict) and isinstance(into.get(key, {}), dict):
            _merge(into.setdefault(key, {}), value, source, name, f"{path}.")
        else:
            into[key] = value


def _explained(error: ValidationError, merged: dict[str, Any], source: dict[str, str]) -> str:
    """One line per faulty key: file, key, value, limit."""
    faults: dict[str, str] = {}
    for fault in error.errors(include_url=False, include_input=False):
        parts = [str(part) for part in fault["loc"]]
        value: Any = merged
        known: list[str] = []
        for part in parts:
            if not (isinstance(value, dict) and part in value):
                break
            value = value[part]
            known.append(part)
        key = ".".join(known) or ".".join(parts)
        limit = fault["msg"].removeprefix("Value error, ").replace("Input should be", "must be")
        if fault["type"] == "extra_forbidden":
            limit = f"there is no such setting{_near_miss(known)}"
        elif fault["type"] == "missing":
            key, limit = ".".join(parts), "is missing"
        elif limit.startswith("must be a valid dictionary"):
            limit = f"must be a group of settings: [{key}]"
        shown = "" if isinstance(value, dict) else f" = {value!r}"
        line = f"{_source_of(key, source)}: {key}{shown}: {limit}"
        if key not in faults:
            faults[key] = line
        elif ": must be " in faults[key] and limit.startswith("must be "):
            # Two choices of one key, such as "auto" or a number, are two faults to pydantic.
            faults[key] += f" or {limit.removeprefix('must be ')}"
    return "\n".join(faults.values())


def _source_of(key: str, source: dict[str, str]) -> str:
    """Who said a key, or the group around it where the group came whole or the key is missing."""
    while key not in source and "." in key:
        key = key.rpartition(".")[0]
    return source.get(key, "settings")


def _near_miss(parts: list[str]) -> str:
    model: Any = Settings
    for part in parts[:-1]:
        model = model.model_fields[part].annotation
    names = list(getattr(model, "model_fields", ()))
    close = difflib.get_close_matches(parts[-1], names, n=1, cutoff=0.5)
    return f': did you mean "{close[0]}"?' if close else ""

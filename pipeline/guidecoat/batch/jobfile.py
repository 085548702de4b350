"""job.toml: what a folder's scans are to be worked with. The nearest one above a scan counts."""

from __future__ import annotations

import difflib
import tomllib
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import Any

from ..errors import SettingsError
from .names import STAGE_ORDER

JOB_FILE = "job.toml"
PATTERNS = ("*.ply", "*.stl", "*.obj", "*.pcd", "*.xyz", "*.pts")
_KEYS = ("stage", "tolerance_mm", "config", "settings", "pattern", "check", "pairs", "pair")
_PAIR_KEYS = {"compare": ("before", "after"), "mirror": ("side", "other")}


@dataclass(frozen=True)
class Pair:
    """Two scans to be set against each other, their paths relative to the job file's folder."""

    kind: str
    first: str
    second: str


@dataclass(frozen=True)
class JobFile:
    """One job.toml, or the defaults where there is none.

    address : where it was read, for messages; folder : relative to the batch's folder, "" for the
    top; stage : "" leaves it to the names; config : settings files, relative to `folder`;
    settings : dotted key and value; patterns : which files are scans; checks : whether each scan
    is checked; auto_pairs : whether pairs are found by name; pairs : those that are named.
    """

    address: str = ""
    folder: str = ""
    stage: str = ""
    config: tuple[str, ...] = ()
    settings: tuple[tuple[str, object], ...] = ()
    patterns: tuple[str, ...] = PATTERNS
    checks: bool = True
    auto_pairs: bool = True
    pairs: tuple[Pair, ...] = ()


def parse_job_file(text: bytes, *, address: str, folder: str) -> JobFile:
    """Read a job.toml.

    Raises
    ------
    SettingsError : not TOML, an unknown key, a wrong type; the message names file, key and limit.
    """
    try:
        table = tomllib.loads(text.decode("utf-8-sig"))
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise SettingsError(f"{address}: not a TOML file in UTF-8: {error}") from error
    for key in table:
        if key not in _KEYS:
            near = difflib.get_close_matches(key, _KEYS, n=1)
            hint = f'did you mean "{near[0]}"?' if near else f"known are {', '.join(_KEYS)}"
            raise SettingsError(f"{address}: {key}: there is no such key: {hint}")
    reader = _Reader(table, address)
    settings = dict(_dotted(reader.table("settings")))
    if "tolerance_mm" in table:
        settings["tolerance.height_mm"] = reader.number("tolerance_mm")
    return JobFile(
        address=address,
        folder=folder,
        stage=reader.choice("stage", ("", *STAGE_ORDER), ""),
        config=reader.texts("config", ()),
        settings=tuple(sorted(settings.items())),
        patterns=reader.texts("pattern", PATTERNS),
        checks=reader.flag("check"),
        auto_pairs=reader.choice("pairs", ("auto", "off"), "auto") == "auto",
        pairs=reader.pairs(),
    )


@dataclass(frozen=True)
class _Reader:
    """Values of a TOML table with their types checked."""

    values: dict[str, Any]
    address: str

    def refuse(self, key: str, must: str) -> SettingsError:
        return SettingsError(f"{self.address}: {key} = {self.values.get(key)!r}: must be {must}")

    def table(self, key: str) -> dict[str, Any]:
        value = self.values.get(key, {})
        if not isinstance(value, dict):
            raise self.refuse(key, f"a group: [{key}]")
        return value

    def number(self, key: str) -> float:
        value = self.values[key]
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            raise self.refuse(key, "a number, in mm")
        return float(value)

    def flag(self, key: str) -> bool:
        value = self.values.get(key, True)
        if not isinstance(value, bool):
            raise self.refuse(key, "true or false")
        return value

    def choice(self, key: str, choices: tuple[str, ...], default: str) -> str:
        value = self.values.get(key, default)
        if value not in choices:
            raise self.refuse(key, f"one of {', '.join(c for c in choices if c)}")
        return str(value)

    def texts(self, key: str, default: tuple[str, ...]) -> tuple[str, ...]:
        value = self.values.get(key, default)
        listed = (value,) if isinstance(value, str) else value
        if not isinstance(listed, (list, tuple)) or not all(isinstance(t, str) for t in listed):
            raise self.refuse(key, "a text or a list of texts")
        return tuple(listed)

    def pairs(self) -> tuple[Pair, ...]:
        value = self.values.get("pair", [])
        if not isinstance(value, list) or not all(isinstance(entry, dict) for entry in value):
            raise self.refuse("pair", "groups headed [[pair]]")
        return tuple(self._pair(entry) for entry in value)

    def _pair(self, entry: dict[str, Any]) -> Pair:
        for kind, (first, second) in _PAIR_KEYS.items():
            if set(entry) == {first, second}:
                if not all(isinstance(text, str) and text for text in entry.values()):
                    break
                folder = PurePosixPath("/")
                names = [(folder / entry[key]).as_posix() for key in (first, second)]
                return Pair(kind, names[0].lstrip("/"), names[1].lstrip("/"))
        raise SettingsError(
            f"{self.address}: [[pair]] {entry!r}: must be before and after, or side and other, "
            "each the name of a scan beside this file or below it"
        )


def _dotted(table: dict[str, Any], at: str = "") -> list[tuple[str, object]]:
    found: list[tuple[str, object]] = []
    for key, value in table.items():
        if isinstance(value, dict):
            found += _dotted(value, f"{at}{key}.")
        else:
            found.append((f"{at}{key}", value))
    return found

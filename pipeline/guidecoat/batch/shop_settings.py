"""Settings of a batch's jobs: the stage's file, the shop's, the job file's, the command line's."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from ..errors import SettingsError
from ..settings import Settings, load_settings
from ..wording.plain import shown
from .addresses import is_address
from .jobfile import JobFile
from .jobs import SettingsOf

_FILE_KEYS = ("edges.hold_points_file", "creases.file")


def shop_settings(
    stage: str | None, configs: Sequence[Path], asked: Mapping[str, object]
) -> SettingsOf:
    """A function from a scan's stage and job file to its settings; later wins.

    `stage` and `asked` are what the command line says; they win over job files and names.
    """
    known: dict[tuple[str, JobFile], Settings] = {}
    # Workers may stand elsewhere than the command, so that files are known by their whole path.
    configs = [path.resolve() for path in configs]
    asked = {k: v.resolve() if isinstance(v, Path) else v for k, v in asked.items()}

    def settings_of(scan_stage: str, job_file: JobFile) -> Settings:
        key = (scan_stage, job_file)
        if key not in known:
            known[key] = _load(stage or scan_stage or None, configs, job_file, asked)
        return known[key]

    return settings_of


def _load(
    stage: str | None, configs: Sequence[Path], job_file: JobFile, asked: Mapping[str, object]
) -> Settings:
    files = [*configs, *_own_configs(job_file)]
    if not job_file.settings:
        return load_settings(stage, files, asked)
    own = {key: _own_file(job_file, key, value) for key, value in job_file.settings}
    try:
        load_settings(stage, files, own)
    except SettingsError as error:
        name = shown(job_file.address)
        raise SettingsError(str(error).replace("the command line:", f"{name}:")) from error
    return load_settings(stage, files, {**own, **asked})


def _own_configs(job_file: JobFile) -> list[Path]:
    if job_file.config and is_address(job_file.address):
        raise SettingsError(
            f"{job_file.address}: config = {list(job_file.config)!r}: settings files at an address "
            "are not read: write the settings into the job file itself, under [settings]"
        )
    return [Path(job_file.address).parent / name for name in job_file.config]


def _own_file(job_file: JobFile, key: str, value: object) -> object:
    """A file that a job file names is looked for beside it."""
    if key not in _FILE_KEYS or not isinstance(value, str) or not value:
        return value
    if is_address(job_file.address):
        raise SettingsError(
            f"{job_file.address}: {key} = {value!r}: files at an address are not read as settings: "
            "give it with --config from a folder of this machine"
        )
    return str(Path(job_file.address).parent / value)

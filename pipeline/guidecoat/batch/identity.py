"""What a job is known by: the content of its scans, its settings and the version."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from .. import __version__
from ..errors import GuidecoatError
from ..settings import Settings, resolved
from .jobs import Job
from .ledger import Ledger
from .places import FoundFile, content_hash


@dataclass(frozen=True)
class Identity:
    """A job's identity and the hash of its scans alone; `fault` says why there is none."""

    identity: str = ""
    inputs_hash: str = ""
    fault: str = ""


def identify(jobs: Iterable[Job], ledger: Ledger) -> dict[str, Identity]:
    """The identity of each job, by name; files that have not changed are not read again."""
    jobs = list(jobs)
    files = {scan.file.address: scan.file for job in jobs for scan in job.scans}
    hashes = {a: known for a, file in files.items() if (known := ledger.known_hash(file))}
    unknown = [file for address, file in files.items() if address not in hashes]
    with ThreadPoolExecutor(2) as pool:
        found = dict(zip((f.address for f in unknown), pool.map(_hash, unknown), strict=True))
    for address, (sha256, fault) in found.items():
        if not fault:
            ledger.remember_hash(files[address], sha256)
            hashes[address] = sha256
    faults = {address: fault for address, (_, fault) in found.items() if fault}
    settings = _once(_settings_hash)
    return {job.name: _of_job(job, hashes, faults, settings) for job in jobs}


def _of_job(
    job: Job, hashes: dict[str, str], faults: dict[str, str], settings: Callable[[Settings], str]
) -> Identity:
    addresses = [scan.file.address for scan in job.scans]
    for address in addresses:
        if address in faults:
            return Identity(fault=faults[address])
    contents = [hashes[address] for address in addresses]
    try:
        of_settings = settings(job.settings)
    except OSError as error:
        name = error.filename
        return Identity(fault=f"{name}: cannot be read ({error.strerror}): the settings name it")
    return Identity(_digest([job.kind, __version__, of_settings, *contents]), _digest(contents))


def _hash(file: FoundFile) -> tuple[str, str]:
    try:
        return content_hash(file.address), ""
    except GuidecoatError as error:
        return "", str(error)


def _settings_hash(settings: Settings) -> str:
    """All settings; a file that they name counts by what is in it, not by where it lies."""
    values = resolved(settings)
    for group, name in (("edges", "hold_points_file"), ("creases", "file")):
        path: Path | None = getattr(getattr(settings, group), name)
        if path is not None:
            values[group][name] = hashlib.sha256(path.read_bytes()).hexdigest()
    return _digest([json.dumps(values, sort_keys=True)])


def _once(function: Callable[[Settings], str]) -> Callable[[Settings], str]:
    """The jobs of a batch share a few settings objects."""
    known: dict[int, str] = {}

    def look_up(settings: Settings) -> str:
        if id(settings) not in known:
            known[id(settings)] = function(settings)
        return known[id(settings)]

    return look_up


def _digest(parts: list[str]) -> str:
    return hashlib.sha256("\n".join(parts).encode("utf-8")).hexdigest()

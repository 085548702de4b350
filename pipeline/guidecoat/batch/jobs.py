"""From the files in a folder to the jobs they make."""

from __future__ import annotations

import fnmatch
import hashlib
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import PurePosixPath

from ..errors import SettingsError
from ..settings import Settings
from ..wording.plain import shown
from .jobfile import JOB_FILE, JobFile, parse_job_file
from .memory import memory_needed_mb, points_in
from .names import SIDES, ScanName, folded, parse_name
from .places import LEDGER_NAME, FoundFile, is_settled, list_files, read_bytes

_LONGEST_FOLDER_BYTES = 150
# What a batch writes beside the jobs' folders.
PAGE_NAME = "index.html"
TABLE_NAME = "summary.csv"
BATCH_FILES = (PAGE_NAME, TABLE_NAME, *(f"{LEDGER_NAME}{end}" for end in ("", "-wal", "-shm")))

SettingsOf = Callable[[str, JobFile], Settings]


@dataclass(frozen=True)
class FoundScan:
    """A scan file, what its name says and the job file that counts for it."""

    file: FoundFile
    name: ScanName
    job_file: JobFile
    settled: bool = True

    @property
    def stage(self) -> str:
        """The stage it is worked at, "" where neither the job file nor the name says."""
        return self.job_file.stage or self.name.stage


@dataclass(frozen=True)
class Job:
    """One thing to do: check a scan, compare two passes, set left against right.

    name : unique, for people; folder : unique, of the result, below the batch's results;
    memory_mb : estimate of what it needs; points : estimate of the points in its scans.
    """

    name: str
    kind: str
    scans: tuple[FoundScan, ...]
    settings: Settings
    folder: str
    memory_mb: float
    points: int


@dataclass(frozen=True)
class Plan:
    """What was understood: jobs to do, scans that are still being written, and what to tell."""

    jobs: tuple[Job, ...]
    waiting: tuple[FoundScan, ...]
    notes: tuple[str, ...]


def find_jobs(place: str, *, settings_of: SettingsOf, settle_s: float) -> Plan:
    """Find the jobs in a folder.

    Parameters
    ----------
    place : folder or fsspec address.
    settings_of : the settings for a stage ("" where none is said) and a job file.
    settle_s : a scan touched less than this long ago, or locked, waits.

    Raises
    ------
    SettingsError : no such folder, a job file that is wrong, a pair that is not there.
    """
    listing = list_files(place)
    files = listing.files
    job_files = _job_files(files)
    scans = []
    ignored = 0
    for file in files:
        if PurePosixPath(file.relative).name == JOB_FILE:
            continue
        job_file = _nearest(file.relative, job_files)
        if not _matches(file.relative, job_file.patterns):
            ignored += 1
            continue
        settled = is_settled(file, settle_s=settle_s)
        scans.append(FoundScan(file, parse_name(file.relative), job_file, settled))
    waiting = tuple(scan for scan in scans if not scan.settled)
    planned = [*_checks(scans), *_pairs(scans, job_files)]
    ready = [entry for entry in planned if all(scan.settled for scan in entry.scans)]
    jobs = _jobs(ready, settings_of)
    return Plan(jobs, waiting, _notes(scans, ignored, place, listing.closed))


@dataclass(frozen=True)
class _Planned:
    kind: str
    scans: tuple[FoundScan, ...]
    name: str


def _job_files(files: Iterable[FoundFile]) -> dict[str, JobFile]:
    found: dict[str, JobFile] = {}
    for file in files:
        path = PurePosixPath(file.relative)
        if path.name == JOB_FILE:
            folder = "" if path.parent == PurePosixPath(".") else path.parent.as_posix()
            try:
                text = read_bytes(file.address)
            except OSError as error:
                raise SettingsError(
                    f"{file.address}: cannot be read ({error.strerror or error}): check that it "
                    "is yours to read"
                ) from error
            found[folder] = parse_job_file(text, address=file.address, folder=folder)
    return found


def _nearest(relative: str, job_files: dict[str, JobFile]) -> JobFile:
    for folder in PurePosixPath(relative).parents:
        key = "" if folder == PurePosixPath(".") else folder.as_posix()
        if key in job_files:
            return job_files[key]
    return JobFile()


def _matches(relative: str, patterns: Sequence[str]) -> bool:
    name = PurePosixPath(relative).name.casefold()
    return any(fnmatch.fnmatchcase(name, pattern.casefold()) for pattern in patterns)


def _checks(scans: Sequence[FoundScan]) -> list[_Planned]:
    return [
        _Planned("check", (scan,), PurePosixPath(scan.file.relative).with_suffix("").as_posix())
        for scan in scans
        if scan.job_file.checks
    ]


def _pairs(scans: Sequence[FoundScan], job_files: dict[str, JobFile]) -> list[_Planned]:
    """Before and after, left and right: those that job files name, then those that names tell."""
    named = [entry for job_file in job_files.values() for entry in _named_pairs(job_file, scans)]
    auto = [scan for scan in scans if scan.job_file.auto_pairs]
    # Which pass came first is told by the stage; two sides are a pair whether it is told or not.
    staged = [scan for scan in auto if scan.name.stage]
    found = {(entry.kind, entry.scans): entry for entry in (*named, *_compares(staged))}
    found |= {(e.kind, e.scans): e for e in _mirrors(auto) if (e.kind, e.scans) not in found}
    return list(found.values())


def _named_pairs(job_file: JobFile, scans: Sequence[FoundScan]) -> list[_Planned]:
    by_path = {scan.file.relative: scan for scan in scans}
    planned = []
    for pair in job_file.pairs:
        both = []
        for name in (pair.first, pair.second):
            path = f"{job_file.folder}/{name}" if job_file.folder else name
            if path not in by_path:
                raise SettingsError(
                    f"{job_file.address}: [[pair]] {shown(name)!r}: there is no such scan "
                    "below this file's folder: check the name, and that `pattern` lets it in"
                )
            both.append(by_path[path])
        planned.append(_pair(pair.kind, both[0], both[1]))
    return planned


def _compares(scans: Sequence[FoundScan]) -> list[_Planned]:
    """Each pass of a panel against the one before it."""
    panels: dict[tuple[str, str, str], list[FoundScan]] = {}
    for scan in scans:
        panels.setdefault(scan.name.key, []).append(scan)
    planned = []
    for passes in panels.values():
        ordered = sorted(passes, key=lambda scan: (scan.name.order, scan.file.relative))
        for before, after in pairwise(ordered):
            if before.name.order != after.name.order:
                planned.append(_pair("compare", before, after))
    return planned


def _mirrors(scans: Sequence[FoundScan]) -> list[_Planned]:
    """The left and the right of the same panel in the same pass."""
    sides: dict[tuple[str, str, tuple[int, int]], dict[str, FoundScan]] = {}
    for scan in scans:
        if scan.name.side:
            vehicle, panel, _ = scan.name.key
            sides.setdefault((vehicle, panel, scan.name.order), {})[scan.name.side] = scan
    return [
        _pair("mirror", both[SIDES[0]], both[SIDES[1]])
        for both in sides.values()
        if len(both) == len(SIDES)
    ]


def _pair(kind: str, first: FoundScan, second: FoundScan) -> _Planned:
    if kind == "compare" and first.name.key == second.name.key:
        words = f"{first.name.pass_words} to {second.name.pass_words}"
        name = f"{first.name.panel_words} {words}"
    elif kind == "mirror" and first.name.key[:2] == second.name.key[:2]:
        place = f"{first.name.vehicle}/" if first.name.vehicle else ""
        sides = f"{first.name.side or 'one side'} against {second.name.side or 'the other'}"
        told = f" {first.name.pass_words}" if first.name.stage else ""
        name = f"{place}{first.name.panel}{told} {sides}"
    else:
        paths = [PurePosixPath(s.file.relative).with_suffix("") for s in (first, second)]
        word = "to" if kind == "compare" else "against"
        name = f"{paths[0].as_posix()} {word} {paths[1].name}"
    return _Planned(kind, (first, second), name)


def _jobs(planned: Sequence[_Planned], settings_of: SettingsOf) -> tuple[Job, ...]:
    """Jobs with unique names and folders, and the settings of their last scan's stage."""
    points = {scan.file.address: points_in(scan.file) for e in planned for scan in e.scans}
    names = _unique([shown(entry.name) for entry in planned], planned)
    jobs = []
    for entry, name in zip(planned, names, strict=True):
        counts = [points[scan.file.address] for scan in entry.scans]
        last = entry.scans[-1]
        jobs.append(
            Job(
                name=name,
                kind=entry.kind,
                scans=entry.scans,
                settings=settings_of(last.stage, last.job_file),
                folder="",
                memory_mb=memory_needed_mb(counts, [s.file.size for s in entry.scans]),
                points=sum(counts),
            )
        )
    return _with_folders(jobs)


def _unique(names: list[str], planned: Sequence[_Planned]) -> list[str]:
    """Names that meet get their file's ending, and where that is not enough a short hash."""
    for telling in (_ending, _path_hash):
        taken: dict[str, int] = {}
        for name in names:
            taken[folded(name)] = taken.get(folded(name), 0) + 1
        names = [
            f"{name}{telling(entry)}" if taken[folded(name)] > 1 else name
            for name, entry in zip(names, planned, strict=True)
        ]
    return names


def _ending(entry: _Planned) -> str:
    """None for a PLY, so that an export of it beside it, made later, does not rename its job."""
    suffix = PurePosixPath(entry.scans[-1].file.relative).suffix.lstrip(".").lower()
    return "" if suffix == "ply" else f" {suffix}"


def _path_hash(entry: _Planned) -> str:
    return " " + _short_hash("\n".join(scan.file.relative for scan in entry.scans))


def _short_hash(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:6]


def _with_folders(jobs: Sequence[Job]) -> tuple[Job, ...]:
    """Folders side by side: one within another would be replaced with it."""
    plain = [_folder_name(job.name) for job in jobs]
    taken = [folded(name) for name in plain]
    return tuple(
        replace(
            job,
            folder=f"{name}_{_short_hash(job.name)}" if taken.count(folded(name)) > 1 else name,
        )
        for job, name in zip(jobs, plain, strict=True)
    )


def _folder_name(name: str) -> str:
    kept = "".join(c if c.isalnum() or c in "-_." else "_" for c in name).strip("._") or "scan"
    if folded(kept) in BATCH_FILES:
        kept = f"{kept}_scan"
    if len(kept.encode("utf-8")) <= _LONGEST_FOLDER_BYTES:
        return kept
    short = kept.encode("utf-8")[:_LONGEST_FOLDER_BYTES].decode("utf-8", "ignore")
    return f"{short}_{_short_hash(name)}"


def _notes(
    scans: Sequence[FoundScan], ignored: int, place: str, closed: Sequence[str]
) -> tuple[str, ...]:
    notes = [f"cannot be looked into: {shown(folder)}" for folder in closed]
    if not scans:
        notes.append(f"no scan was found in {shown(place)}")
    unsaid = [scan for scan in scans if not scan.stage]
    if unsaid:
        first = shown(unsaid[0].file.relative)
        notes.append(
            f"{len(unsaid)} scan(s) name no stage (first: {first}): worked with the stage of the "
            "settings, and not set against another pass; for that name them <panel>_<stage>[_n]"
        )
    if ignored:
        notes.append(f"{ignored} other file(s) left alone")
    return tuple(notes)

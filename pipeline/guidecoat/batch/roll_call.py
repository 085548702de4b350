"""Whether the workers of a cluster can do the jobs: the same program, and the same folders."""

from __future__ import annotations

import os
import pkgutil
import time
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

from .. import __version__
from ..errors import SettingsError

if TYPE_CHECKING:
    from distributed import Client

# A share may take a while to show one machine what another has just written.
SEEN_WITHIN_S = 10.0
SAME_PLACES = (
    "scans and results have to lie where all machines see them under the same name, or at an "
    "fsspec address"
)
_VERSION = "guidecoat:__version__"


def call_roll(client: Client, *, cluster: str, seen: tuple[str, ...]) -> None:
    """Ask every worker, and the scheduler, before the first job goes out.

    They are asked with nothing but what any Python has: a worker without this program ends at the
    first job it is given and takes its reason along.

    Parameters
    ----------
    seen : paths of files that every worker has to see.

    Raises
    ------
    SettingsError : the first that cannot, and what to do about it.
    """
    for who, version in _versions(client):
        if version != __version__:
            has = f"guidecoat {version}" if version else "no guidecoat"
            raise SettingsError(
                f"--cluster {cluster}: the {who} has {has}, this batch {__version__}: install "
                f"guidecoat {__version__} there, then start it again"
            )
    for path in seen:
        _await_sight(client, path, cluster)


def _versions(client: Client) -> Iterator[tuple[str, str]]:
    """Who has which version, "" for none."""
    answers = client.run(pkgutil.resolve_name, _VERSION, on_error="return")
    for worker, answer in answers.items():
        yield f"worker {worker}", answer if isinstance(answer, str) else ""
    try:
        answer = client.run_on_scheduler(pkgutil.resolve_name, _VERSION)
    except (ImportError, AttributeError):
        answer = ""
    yield "scheduler", answer


def _await_sight(client: Client, path: str, cluster: str) -> None:
    end = time.monotonic() + SEEN_WITHIN_S
    while blind := _blind(client, os.path.isfile, path):
        if time.monotonic() > end:
            raise SettingsError(
                f"--cluster {cluster}: the worker {blind[0]} does not see {path}: {SAME_PLACES}, "
                "such as s3://..."
            )
        time.sleep(0.5)


def _blind(client: Client, sees: Callable[[str], bool], path: str) -> list[str]:
    answers = client.run(sees, path, on_error="return")
    return [worker for worker, answer in answers.items() if answer is not True]

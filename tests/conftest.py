"""What all tests share: a run never writes outside its own folder."""

from __future__ import annotations

import signal
from pathlib import Path

import pytest
from hypothesis import settings

# Seeded, so that a run in one place fails as it does in another.
settings.register_profile("repeatable", derandomize=True, deadline=None)
settings.load_profile("repeatable")

# A shell starts background commands deaf to Ctrl-C, and what they start is deaf too.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)


# Files that take longest, measured, the longest first: begun last they would leave a core idle.
HEAVIEST = (
    "test_check",
    "test_registration",
    "test_compare",
    "test_report_browser",
    "test_batch_runs",
    "test_batch_kills",
    "test_batch_cluster",
    "test_survey",
    "test_form_or_damage",
    "test_uneven_scans",
    "test_parting",
    "test_batch_folders",
    "test_open_data",
    "test_settings_count",
    "test_broad_fills",
    "test_mirror",
    "test_fading_lines",
    "test_line_dents",
    "test_bad_pairs",
    "test_half_turns",
    "test_spline",
)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The longest files first; the order within a file stays."""
    places = {name: place for place, name in enumerate(HEAVIEST)}
    items.sort(key=lambda item: places.get(item.path.stem, len(HEAVIEST)))


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty folder that is also the current one."""
    folder = tmp_path / "shop"
    folder.mkdir()
    monkeypatch.chdir(folder)
    return folder

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


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty folder that is also the current one."""
    folder = tmp_path / "shop"
    folder.mkdir()
    monkeypatch.chdir(folder)
    return folder

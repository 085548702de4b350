"""How long every step of a run took: seconds by the name of the step."""

from __future__ import annotations

import time


class Clock:
    """Seconds since the last lap, by the name of the step."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}
        self._last = time.perf_counter()

    def lap(self, step: str) -> None:
        """Give the time since the last lap to a step."""
        now = time.perf_counter()
        self.seconds[step] = now - self._last
        self._last = now

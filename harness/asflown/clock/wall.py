"""Wall time for people and for figures of speed; no flight depends on it."""

from __future__ import annotations

import time
from datetime import UTC, datetime


def utc_now() -> datetime:
    """The present, UTC."""
    return datetime.now(UTC)


class Stopwatch:
    """Seconds of wall time since it was made."""

    def __init__(self) -> None:
        self._start_ns = time.perf_counter_ns()

    def seconds(self) -> float:
        """Elapsed wall time, seconds."""
        return (time.perf_counter_ns() - self._start_ns) / 1e9


def pause(seconds: float) -> None:
    """Lets `seconds` of wall time pass: for polling processes of the system, never within a flight."""
    time.sleep(seconds)

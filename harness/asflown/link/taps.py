"""Recorders for a hub outside a flight: none at all, or captures in a folder that may fail without ending the link."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, Literal

from asflown.clock.base import Clock, Timer
from asflown.errors import FlightError
from asflown.record.capture import Recorder

_FLUSH_EVERY_US = 500_000


class NoRecorder:
    """Records nothing; `on_event` may look at what happens."""

    def __init__(self, on_event: Callable[[str, dict[str, Any]], None] | None = None) -> None:
        self._on_event = on_event

    def frame(self, tap: Literal["vehicle", "script", "station"], now_us: int, frame: bytes) -> int:
        """The stamp it would have."""
        return now_us

    def event(self, now_us: int, kind: str, **facts: Any) -> None:
        """Tells whoever looks."""
        if self._on_event is not None:
            self._on_event(kind, facts)


class LastingRecorder:
    """Captures that stop when they cannot be written any more, while the link goes on.

    Whoever shares a link in the air needs the link more than the capture: the problem is told once, and kept.
    """

    def __init__(
        self,
        folder: Path,
        clock: Clock,
        on_event: Callable[[str, dict[str, Any]], None],
        on_stop: Callable[[str], None],
    ) -> None:
        """Makes the captures in the new `folder`. Raises FolderProblem."""
        self._recorder: Recorder | None = Recorder(folder, clock.epoch_us, traffic_only=True)
        self._clock, self._on_event, self._on_stop = clock, on_event, on_stop
        self.problem: FlightError | None = None
        self._timer: Timer | None = None
        self._plan()

    def frame(self, tap: Literal["vehicle", "script", "station"], now_us: int, frame: bytes) -> int:
        """Records a frame; returns its stamp."""
        if self._recorder is None:
            return now_us
        try:
            return self._recorder.frame(tap, now_us, frame)
        except FlightError as error:
            self._stop(error)
            return now_us

    def event(self, now_us: int, kind: str, **facts: Any) -> None:
        """Records that something happened, and tells whoever looks."""
        self._on_event(kind, facts)
        if self._recorder is None:
            return
        try:
            self._recorder.event(now_us, kind, **facts)
        except FlightError as error:
            self._stop(error)

    def close(self) -> None:
        """Closes the captures; what cannot be written then is a problem, too."""
        if self._timer is not None:
            self._timer.cancel()
        recorder, self._recorder = self._recorder, None
        if recorder is None:
            return
        try:
            recorder.close()
        except FlightError as error:
            self.problem = self.problem or error

    def _plan(self) -> None:
        self._timer = self._clock.call_at(self._clock.now_us() + _FLUSH_EVERY_US, self._flush)

    def _flush(self) -> None:
        """Twice a second, also while nothing comes."""
        if self._recorder is None:
            return
        try:
            self._recorder.flush()
        except FlightError as error:
            self._stop(error)
        else:
            self._plan()

    def _stop(self, error: FlightError) -> None:
        self.problem = self.problem or error
        self._on_stop(str(error))
        self.close()

"""Recorders for a hub outside a flight: none at all, or captures in a folder that may fail without ending the link."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, Literal

from asflown.clock.base import Clock, Timer
from asflown.errors import FlightError, FolderProblem
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
    """Captures that may fail without ending the link: in the air the link matters more.

    When a file cannot be written any more, that is told at once and kept, and the others go on.
    """

    def __init__(
        self,
        folder: Path,
        clock: Clock,
        on_event: Callable[[str, dict[str, Any]], None],
        on_problem: Callable[[FlightError], None],
        *,
        is_made: bool = False,
    ) -> None:
        """Makes the captures in `folder`, which is new unless it `is_made`. Raises FolderProblem."""
        try:
            folder.mkdir(parents=True, exist_ok=is_made)
        except OSError as error:
            raise FolderProblem(
                f"{folder} cannot be made: {error.strerror}", "Name a new folder for the captures"
            ) from error
        self._recorder = Recorder(folder, clock.epoch_us, traffic_only=True)
        self._clock, self._on_event, self._on_problem = clock, on_event, on_problem
        self.problem: FlightError | None = None
        """The first one."""
        self._timer: Timer | None = None
        self._plan()

    def frame(self, tap: Literal["vehicle", "script", "station"], now_us: int, frame: bytes) -> int:
        """Records a frame; returns its stamp."""
        try:
            return self._recorder.frame(tap, now_us, frame)
        except FlightError as error:
            self._note(error)
            return self._clock.epoch_us + now_us

    def event(self, now_us: int, kind: str, **facts: Any) -> None:
        """Records that something happened, and tells whoever looks."""
        self._on_event(kind, facts)
        try:
            self._recorder.event(now_us, kind, **facts)
        except FlightError as error:
            self._note(error)

    def close(self) -> None:
        """Closes the captures; what cannot be written then is a problem, too. Harmless when called twice."""
        if self._timer is None:
            return
        self._timer.cancel()
        self._timer = None
        try:
            self._recorder.close()
        except FlightError as error:
            self._note(error)

    def _plan(self) -> None:
        self._timer = self._clock.call_at(self._clock.now_us() + _FLUSH_EVERY_US, self._flush)

    def _flush(self) -> None:
        """Twice a second, also while nothing comes."""
        self._plan()
        try:
            self._recorder.flush()
        except FlightError as error:
            self._note(error)

    def _note(self, error: FlightError) -> None:
        self.problem = self.problem or error
        self._on_problem(error)

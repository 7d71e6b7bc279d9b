"""Flies what a search asks for, one flight after another, and enters each into the history."""

from __future__ import annotations

from pathlib import Path
from types import TracebackType
from typing import Self

from asflown.change.bisect_questions import Ask
from asflown.cli.bad_when import IsBad
from asflown.cli.candidates import Candidates
from asflown.cli.jobs import Job
from asflown.cli.one_flight import fly_and_grade
from asflown.cli.remember import Remembering
from asflown.errors import FlightError
from asflown.flight.plan import ClockChoice, FlightPlan, unwatched
from asflown.report import atomic


class Flights:
    """Flies candidates; use it as a context manager."""

    def __init__(self, candidates: Candidates, clock: ClockChoice, keep: Path, is_bad: IsBad) -> None:
        """Raises FolderProblem when nothing can be written to `keep`."""
        atomic.check_folder_writable(keep)
        self._candidates, self._clock, self._keep, self._is_bad = candidates, clock, keep, is_bad
        self._history = Remembering(keep)
        self._number = 0

    def fly(self, ask: Ask) -> tuple[bool, str]:
        """Whether the flight was bad, and its folder. Raises FlightError where it could not be carried out."""
        one = self._candidates.make(ask.candidate)
        plan = FlightPlan(one.loaded, one.vehicle, ask.seed, self._clock, self._keep, one.vehicle_asked)
        self._number += 1
        result = fly_and_grade(Job(self._number, 0, plan), unwatched)
        if result.flown is None:
            raise FlightError(
                f"{ask.candidate}, seed {ask.seed}: {result.failure}", "The same command goes on"
            )
        self._history.enter(result.flown.folder)
        return self._is_bad(result.flown), str(result.flown.folder)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._history.__exit__(kind, error, trace)
